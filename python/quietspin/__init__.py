"""Spectral vibration diagnostics for small, very fast rotors.

Read a recording, ask for its speed, spectra, order maps and tracks, and diagnose it:

    import quietspin as qs

    rec = qs.read("runup.wav", machine="cartridge.toml")
    result = qs.diagnose(rec)
    print(result)

Spin a rotor only inside rated containment, with nobody in the plane of the wheels and never above the
maker's speed; local codes and licensed practice decide. quietspin is no protection system.
"""

from quietspin._core import (
    Channel,
    Check,
    CyclicSpectrum,
    Diagnosis,
    EnvelopeSpectrum,
    Evidence,
    Finding,
    FullSpectrum,
    Interference,
    Job,
    Level,
    Machine,
    ModulatedBands,
    Orbit,
    OrderMap,
    Recording,
    Simulated,
    Spectrogram,
    Spectrum,
    Speed,
    SynchronousAverage,
    Track,
    Tracks,
    diagnose,
    machine_from_text,
    machine_keys,
    read,
    simulate,
    unbalance_without_phase,
)
from quietspin.screening import Screening, screen

__all__ = [
    "Channel",
    "Check",
    "CyclicSpectrum",
    "Diagnosis",
    "EnvelopeSpectrum",
    "Evidence",
    "Finding",
    "FullSpectrum",
    "Interference",
    "Job",
    "Level",
    "Machine",
    "ModulatedBands",
    "Orbit",
    "OrderMap",
    "Recording",
    "Screening",
    "Simulated",
    "Spectrogram",
    "Spectrum",
    "Speed",
    "SynchronousAverage",
    "Track",
    "Tracks",
    "diagnose",
    "machine_from_text",
    "machine_keys",
    "read",
    "screen",
    "simulate",
    "unbalance_without_phase",
]
