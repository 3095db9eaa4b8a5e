"""Critical speeds from Python: what a track tells, and what taps at standstill add to a diagnosis."""

import json
from pathlib import Path

import numpy as np
import pytest
import quietspin as qs

SAMPLES = Path(__file__).resolve().parents[2] / "samples" / "recordings"


@pytest.fixture(scope="module")
def run():
    return qs.read(SAMPLES / "good.wav", machine=SAMPLES / "good.machine.toml")


@pytest.fixture(scope="module")
def true_rpm():
    truth = json.loads((SAMPLES / "good.truth.json").read_text(encoding="utf-8"))
    return truth["critical"][0]["rpm"]


def taps(hz, rate_hz=25_600.0):
    """Eight taps, half a second apart, on a casing that rings at one frequency."""
    rng = np.random.default_rng(5)
    time_s = np.arange(int(0.5 * rate_hz)) / rate_hz
    ring = np.exp(-0.02 * 2 * np.pi * hz * time_s) * np.sin(2 * np.pi * hz * time_s)
    signal = np.concatenate([np.zeros(5000), np.tile(ring, 8)])
    signal += 1e-3 * rng.standard_normal(signal.size)
    return qs.Recording.from_arrays(
        {"front": signal, "rear": signal},
        rate_hz=rate_hz,
        units={"front": "g", "rear": "g"},
        roles={"front": "vibration", "rear": "vibration"},
    )


def test_a_track_tells_its_critical_speeds(run, true_rpm):
    track = run["front"].track(run.speed(), orders=[1])[0]
    (found,) = track.criticals()
    assert abs(found["rpm"] / true_rpm - 1) < 0.005
    assert abs(found["rpm"] - true_rpm) < 2 * found["rpm_error"] < 0.02 * true_rpm
    half = found["half_power"]
    assert half["low_rpm"] < found["rpm"] < half["peak_rpm"] < half["high_rpm"]
    assert half["factor"] == pytest.approx(half["peak_rpm"] / (half["high_rpm"] - half["low_rpm"]))
    # the factor by half-power speeds is not 1 / (2 damping ratio), but a little less
    assert 0.9 < half["factor"] / found["amplification"] < 1
    assert found["up"]["rpm"] == found["rpm"]
    assert found["down"] is None
    assert found["with_phase"]
    assert not found["split_pair"]
    (by_amplitude,) = track.criticals(phase=False)
    assert not by_amplitude["with_phase"]
    assert abs(by_amplitude["rpm"] / true_rpm - 1) < 0.01


def test_only_the_first_order_has_critical_speeds(run):
    with pytest.raises(ValueError, match="order 1"):
        run["front"].track(run.speed(), orders=[2])[0].criticals()


def test_taps_part_the_casing_from_the_rotor(run, true_rpm):
    def told(tap):
        result = qs.diagnose(run, tap=tap)
        finding = next(finding for finding in result.findings if finding.fault == "resonance")
        return {evidence.key: evidence.text for evidence in finding.evidence}

    assert "not the rotation alone" in told(taps(true_rpm / 60))["rings_at_standstill_hz"]
    assert told(taps(1.5 * true_rpm / 60))["taps_without_it"].startswith("not seen at standstill")
    assert not {"taps_without_it", "rings_at_standstill_hz"} & told(None).keys()
    with pytest.raises(ValueError, match="the shaft turns"):
        qs.diagnose(run, tap=run)
