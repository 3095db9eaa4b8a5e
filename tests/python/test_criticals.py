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


RATE_HZ = 25_600.0


def ringing(hz, strengths=(1.0,) * 8, apart_s=0.5):
    """Taps on a casing that rings at one frequency, of so many strengths."""
    rng = np.random.default_rng(5)
    time_s = np.arange(int(apart_s * RATE_HZ)) / RATE_HZ
    ring = np.exp(-0.02 * 2 * np.pi * hz * time_s) * np.sin(2 * np.pi * hz * time_s)
    signal = np.concatenate([np.zeros(5000), *(strength * ring for strength in strengths)])
    return signal + 1e-3 * rng.standard_normal(signal.size)


def felt(**signals):
    """Taps as channels of acceleration."""
    return qs.Recording.from_arrays(
        signals,
        rate_hz=RATE_HZ,
        units=dict.fromkeys(signals, "g"),
        roles=dict.fromkeys(signals, "vibration"),
    )


def taps(hz):
    """Eight taps, half a second apart, felt by both channels."""
    signal = ringing(hz)
    return felt(front=signal, rear=signal)


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


def test_pictures_mark_the_critical_speeds_that_a_track_tells(run):
    front, speed = run["front"], run.speed()

    def marks(track, **settings):
        figure = track.figure(**settings)
        panels = [panel for row in figure["rows"] for panel in row["panels"]]
        return [mark["at"] for panel in panels for mark in panel.get("marks", ())]

    first, second = front.track(speed, orders=[1, 2])
    (critical,) = first.criticals()
    assert marks(first) == [critical["rpm"]] * 2
    assert marks(first, against="time") == []
    assert marks(second) == []
    assert marks(front.track(speed, orders=[1], method="filter", bandwidth_hz=5)[0]) == []
    (panel,) = first.figure(show="polar")["rows"][0]["panels"]
    assert sum(point["label"].startswith("critical ") for point in panel["points"]) == 1
    with pytest.raises(ValueError, match="choose among both"):
        first.figure(show="round")


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


def test_what_is_wrong_with_the_taps_is_told(run, true_rpm):
    hz = true_rpm / 60
    whole = ringing(hz)

    def notes(**signals):
        return [note for note in qs.diagnose(run, tap=felt(**signals)).notes if " tap" in note]

    assert notes(front=whole, rear=whole) == []
    (silent,) = notes(front=whole, rear=1e-3 * np.random.default_rng(2).standard_normal(whole.size))
    assert silent == "no taps seen on channel rear"
    (missing,) = notes(front=whole)
    assert missing.startswith("channel rear has no partner among the taps")
    assert missing.endswith("name a channel of the tap recording rear")
    (extra,) = notes(front=whole, rear=whole, stand=whole)
    assert extra.startswith("the taps on channel stand are not used")
    (other,) = notes(a=whole, b=whole)
    assert "by the names of the channels" in other
    assert "(a, b)" in other
    assert "(front, rear)" in other

    clipped = np.clip(ringing(hz, strengths=(1, 3, 1.1, 3, 0.9, 1.2, 1, 1)), -1.5, 1.5)
    (left_out,) = notes(front=clipped, rear=whole)
    assert left_out.startswith("2 of 8 taps on channel front clipped and left out: lower the gain")
    (few,) = notes(front=ringing(hz, strengths=(1, 1)), rear=ringing(hz, strengths=(1, 1, 1)))
    assert few.startswith("only 2 usable taps on channel front")
    (crowded,) = notes(front=ringing(hz, apart_s=0.03), rear=ringing(hz))
    assert crowded.startswith("taps on channel front are crowded, usually 0.03 s apart")
    with pytest.raises(ValueError, match="all 8 taps are clipped; lower the gain"):
        notes(front=np.clip(whole, -0.3, 0.3))
