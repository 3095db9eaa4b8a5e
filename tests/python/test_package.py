"""The package as a notebook uses it: arrays in, arrays out, everything pickles."""

import pickle
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest
import quietspin as qs
from conftest import SAMPLES, sample

RATE_HZ = 25_600.0


def tone(hz: float, seconds: float = 2.0) -> np.ndarray:
    return np.sin(2 * np.pi * hz * np.arange(int(seconds * RATE_HZ)) / RATE_HZ)


def test_the_readme_example_runs(imbalanced):
    speed = imbalanced.speed()
    assert speed.source == "pulse"
    assert speed.time_s.shape == speed.rpm.shape == speed.turns.shape
    front = imbalanced["front"]
    one_x = front.track(speed, orders=[1])[0]
    assert one_x.amplitude.shape == one_x.lag_deg.shape == one_x.error.shape
    assert front.spectrum().frequency_hz.shape == front.spectrum().values.shape
    envelope = front.envelope_spectrum(speed)
    assert envelope.order.shape == envelope.values.shape
    result = qs.diagnose(imbalanced)
    assert result.verdict == "reject"
    assert result.findings[0].fault == "imbalance"
    assert "REJECT" in str(result)
    assert result.to_dict()["schema"] == "quietspin.check/1"


def test_samples_come_to_their_verdicts():
    expected = {
        "good": "accept",
        "imbalanced": "reject",
        "misaligned": "investigate",
        "bearing": "investigate",
        "unfit": "no_verdict",
    }
    assert {name: qs.diagnose(sample(name)).verdict for name in expected} == expected
    microphone = qs.diagnose(sample("microphone"))
    assert microphone.verdict in ("investigate", "no_verdict")


def test_arrays_come_in_in_their_unit_and_go_out_read_only():
    rec = qs.Recording.from_arrays(
        {"front": tone(400.0)}, rate_hz=RATE_HZ, units={"front": "g"}, roles={"front": "vibration"}
    )
    front = rec["front"]
    assert (front.unit, front.role, front.quantity) == ("g", "vibration", "acceleration")
    np.testing.assert_array_equal(front.values, tone(400.0).astype(np.float32))
    assert not front.values.flags.writeable
    assert front.values is front.values
    spectrum = front.spectrum()
    peak = spectrum.values.argmax()
    assert spectrum.frequency_hz[peak] == pytest.approx(400.0, abs=1.0)
    assert spectrum.values[peak] == pytest.approx(1.0, rel=0.16)


def test_lists_and_other_types_are_taken():
    rec = qs.Recording.from_arrays(
        {"a": [0.0, 1.0] * 500, "b": np.arange(1000, dtype=np.int16)[::-1]}, rate_hz=1000
    )
    assert rec.channel_names == ["a", "b"]
    assert rec["b"].values[0] == 999.0


def test_a_constant_speed_can_be_stated():
    rec = qs.Recording.from_arrays(
        {"front": tone(400.0)}, rate_hz=RATE_HZ, units={"front": "g"}, roles={"front": "vibration"}
    )
    speed = rec.speed(rpm=24_000.0)
    assert speed.source == "stated"
    np.testing.assert_allclose(speed.rpm_at([0.5, 1.0]), 24_000.0)
    track = rec["front"].track(speed, orders=[1, 2])
    np.testing.assert_allclose(track[0].amplitude, 1.0, atol=2e-3)
    assert track[1].amplitude.max() < 1e-3
    # displacement lag of a sine that starts at zero: its peak comes a quarter turn later
    np.testing.assert_allclose(track[0].lag_deg, 90.0, atol=0.1)
    assert not track[0].phase_stated


def test_everything_pickles(imbalanced):
    speed = imbalanced.speed()
    front = imbalanced["front"]
    result = qs.diagnose(imbalanced)
    things = [
        imbalanced,
        imbalanced.machine,
        front,
        speed,
        front.order_map(speed),
        front.track(speed)[0],
        front.synchronous_average(speed),
        front.spectrum(),
        front.psd(),
        front.spectrogram(),
        front.envelope_spectrum(speed),
        result,
        result.findings[0],
        result.findings[0].evidence[0],
        result.fitness[0],
        result.levels[0],
    ]
    for thing in things:
        again = pickle.loads(pickle.dumps(thing))
        assert type(again) is type(thing)
        assert repr(again) == repr(thing)
    again = pickle.loads(pickle.dumps(imbalanced))
    np.testing.assert_array_equal(again["front"].values, front.values)
    assert qs.diagnose(again).to_dict() == result.to_dict()


def test_the_lock_is_released_while_diagnosing(imbalanced):
    passed = threading.Event()
    work = threading.Thread(target=lambda: (qs.diagnose(imbalanced), passed.set()))
    turns = 0
    work.start()
    while not passed.is_set():
        turns += 1
    work.join()
    # a held lock would let this thread through only before and after the diagnosis
    assert turns > 1000


@pytest.mark.parametrize(
    ("call", "error", "words"),
    [
        (lambda: qs.read("nowhere.wav"), FileNotFoundError, "nowhere.wav"),
        (lambda: sample("good")["back"], KeyError, "it has"),
        (lambda: qs.machine_from_text("format = 1\n[shaft]\ntop_rmp = 1"), ValueError, "top_rpm"),
        (
            lambda: qs.Recording.from_arrays({"a": [0.0]}, rate_hz=-1.0),
            ValueError,
            "sampling rate",
        ),
        (
            lambda: qs.Recording.from_arrays({"a": [0.0]}, rate_hz=1.0, units={"a": "ell"}),
            ValueError,
            "no known unit",
        ),
        (
            lambda: qs.Recording.from_arrays({"a": [0.0]}, rate_hz=1.0, units={"b": "g"}),
            KeyError,
            "no array is named",
        ),
        (lambda: qs.simulate(fault="gremlins"), ValueError, "gremlins"),
    ],
)
def test_errors_are_python_s_own_and_say_what_to_do(call, error, words):
    with pytest.raises(error, match=words):
        call()


def test_simulation_is_repeatable():
    first, again = (qs.simulate(fault="imbalance", seed=3) for _ in range(2))
    np.testing.assert_array_equal(first.recording["front"].values, again.recording["front"].values)
    assert first.truth == again.truth
    assert [fault["fault"] for fault in first.truth["faults"]] == ["imbalance"]


def test_the_command_of_the_package_runs_without_numpy():
    script = (
        "import sys, quietspin._cli as c\n"
        "sys.argv = ['quietspin', '--version']\n"
        "try:\n    c.main()\nexcept SystemExit as leave:\n    assert leave.code in (0, None)\n"
        "assert 'numpy' not in sys.modules\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("quietspin ")


def test_samples_are_small_and_marked_invented():
    wavs = sorted(Path(SAMPLES).glob("*.wav"))
    assert len(wavs) == 6
    for wav in wavs:
        assert wav.stat().st_size <= 1_000_000
        assert "invented" in wav.with_suffix(".machine.toml").read_text().lower()
