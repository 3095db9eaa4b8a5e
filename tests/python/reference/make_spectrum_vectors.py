"""Writes tests/rust/vectors/spectrum.json: spectra, envelope and kurtosis as SciPy computes them.

Run from the project's root with NumPy and SciPy installed:
    python tests/python/reference/make_spectrum_vectors.py
Signals are either stored or given by the tones that make them up, so the Rust test sees the same input.
"""

import json
import pathlib

import numpy as np
import scipy
from scipy import linalg, signal, stats

OUTPUT = pathlib.Path(__file__).parents[2] / "rust" / "vectors" / "spectrum.json"
WINDOWS = {
    "rectangle": "boxcar",
    "hann": "hann",
    "hamming": "hamming",
    "blackman": "blackman",
    "blackman_harris": "blackmanharris",
    "flat_top": "flattop",
    "kaiser_2": ("kaiser", 2.0 * np.pi),
    "kaiser_3": ("kaiser", 3.0 * np.pi),
}


def digits(values):
    """Values with seven significant digits, as plain lists."""
    return [float(f"{value:.7g}") for value in np.asarray(values, float).ravel()]


def noisy_signal():
    """Uneven noise with an offset and a tone: 600 single-precision samples."""
    generator = np.random.default_rng(20260101)
    time = np.arange(600) / 1000.0
    values = 0.7 * np.sin(2 * np.pi * 123.4 * time) + generator.standard_normal(600) ** 3 * 0.2 + 1.5
    return np.array(digits(values))


def windows():
    """Coefficients at five places, coherent gain and noise bandwidth of 128 points."""
    found = []
    for name, scipy_name in WINDOWS.items():
        values = signal.get_window(scipy_name, 128, fftbins=True)
        found.append(
            {
                "window": name,
                "coefficients": digits(values[[0, 1, 17, 64, 100]]),
                "coherent_gain": float(values.mean()),
                "noise_bandwidth_bins": float(128 * (values**2).sum() / values.sum() ** 2),
            }
        )
    return found


def averages(samples):
    """Welch's average for even and odd segments, both scalings."""
    found = []
    for window, length, overlap in [
        ("hann", 128, 64),
        ("hann", 125, 62),
        ("flat_top", 200, 150),
        ("rectangle", 600, 0),
        ("kaiser_2", 99, 0),
    ]:
        case = {"window": window, "segment_len": length, "overlap": overlap / length}
        for scaling in ("density", "spectrum"):
            _, values = signal.welch(
                samples,
                1000.0,
                WINDOWS[window],
                length,
                overlap,
                detrend="constant",
                scaling=scaling,
            )
            case[scaling] = digits(values)
        found.append(case)
    return found


def spectrogram(samples):
    """Every segment by itself: 60 samples, half overlapped."""
    _, times, values = signal.spectrogram(
        samples, 1000.0, "hann", 60, 30, detrend="constant", scaling="density"
    )
    return {"segment_len": 60, "times_s": digits(times), "rows": [digits(row) for row in values.T]}


def envelope():
    """Squared Hilbert envelope of a band, by a long linear-phase filter, at even places."""
    rate, count = 8000.0, 8000
    tones = [  # amplitude, frequency in Hz, phase in radians
        (1.0, 1500.0, 0.3),
        (0.4, 1463.0, 1.1),
        (0.3, 1611.0, -2.0),
        (0.2, 1371.0, 0.7),
        (2.0, 700.0, 0.0),
        (1.5, 2300.0, 1.0),
        (0.8, 60.0, 2.0),
    ]
    time = np.arange(count) / rate
    samples = sum(a * np.cos(2 * np.pi * f * time + p) for a, f, p in tones)
    band = (1250.0, 1750.0)
    taps = signal.firwin(1201, band, pass_zero=False, window=("kaiser", 10.0), fs=rate)
    filtered = np.convolve(samples, taps, mode="same")
    squared = np.abs(signal.hilbert(filtered)) ** 2
    places = np.arange(2000, 6000, 50)
    return {
        "rate_hz": rate,
        "count": count,
        "tones": tones,
        "band_hz": band,
        "times_s": digits(places / rate),
        "squared_envelope": digits(squared[places]),
    }


def integral():
    """Velocity from acceleration by the exact factor on each bin of a periodic signal."""
    generator = np.random.default_rng(5)
    count, rate, corner = 4096, 4096.0, 20.0
    bins = np.zeros(count // 2 + 1, complex)
    picked = [40, 77, 300, 1021]
    bins[picked] = generator.standard_normal(4) + 1j * generator.standard_normal(4)
    samples = np.fft.irfft(bins, count) * count / 2
    bins[picked] /= 2j * np.pi * np.array(picked)
    velocity = np.fft.irfft(bins, count) * count / 2
    tones = [
        (float(abs(b)), float(k), float(np.angle(b)))
        for k, b in zip(picked, np.fft.rfft(samples)[picked] * 2 / count, strict=True)
    ]
    places = np.arange(1600, 2600, 37)
    return {
        "rate_hz": rate,
        "count": count,
        "corner_hz": corner,
        "tones": tones,
        "places": places.tolist(),
        "velocity": digits(velocity[places]),
    }


def prediction(samples):
    """Predictors by the Toeplitz equations, and what they leave of the samples."""
    centred = samples - samples.mean()
    correlation = np.correlate(centred, centred, "full")[len(centred) - 1 :] / len(centred)
    found = []
    for order in (1, 4, 12):
        coefficients = linalg.solve_toeplitz(correlation[:order], correlation[1 : order + 1])
        left = signal.lfilter(np.concatenate([[1.0], -coefficients]), [1.0], centred)
        found.append(
            {
                "order": order,
                "coefficients": digits(coefficients),
                "left": digits(left[::7]),
                "share_left": float((left**2).mean() / (centred**2).mean()),
            }
        )
    return found


def main():
    samples = noisy_signal()
    vectors = {
        "made_by": "tests/python/reference/make_spectrum_vectors.py",
        "numpy": np.__version__,
        "scipy": scipy.__version__,
        "samples": samples.tolist(),
        "rate_hz": 1000.0,
        "kurtosis": float(stats.kurtosis(samples, fisher=False)),
        "windows": windows(),
        "averages": averages(samples),
        "spectrogram": spectrogram(samples),
        "envelope": envelope(),
        "integral": integral(),
        "prediction": prediction(samples),
    }
    OUTPUT.parent.mkdir(parents=True, exist_ok=True)
    OUTPUT.write_text(json.dumps(vectors, separators=(",", ":")) + "\n")


if __name__ == "__main__":
    main()
