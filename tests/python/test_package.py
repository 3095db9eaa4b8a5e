"""The package as a notebook uses it: arrays in, arrays out, everything pickles."""

import gc
import pickle
import re
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest
import quietspin as qs
from conftest import SAMPLES, sample
from quietspin import _cli, _core

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
        "misaligned": "reject",
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
    assert np.shares_memory(front.values, rec["front"].values)
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
        front.without_locked(speed, turns=32),
        front.cyclic_spectrum(speed, highest=4, resolution=0.1),
        front.modulated_bands(0.6, speed),
        result,
        result.findings[0],
        result.findings[0].evidence[0],
        result.fitness[0],
        result.levels[0],
        qs.simulate("speed = {up_s = 0.5, hold_s = 0.2}", fault="imbalance", seed=3),
    ]
    for thing in things:
        again = pickle.loads(pickle.dumps(thing))
        assert type(again) is type(thing)
        assert repr(again) == repr(thing)
    again = pickle.loads(pickle.dumps(imbalanced))
    np.testing.assert_array_equal(again["front"].values, front.values)
    simulated = pickle.loads(pickle.dumps(things[-1]))
    assert simulated.truth == things[-1].truth
    assert simulated.recording.machine.to_toml() == things[-1].recording.machine.to_toml()
    assert qs.diagnose(again).to_dict() == result.to_dict()


def test_the_lock_is_released_while_diagnosing(imbalanced):
    span = []

    def diagnose():
        begun = time.monotonic()
        qs.diagnose(imbalanced)
        span.append(time.monotonic() - begun)

    work = threading.Thread(target=diagnose)
    longest, last = 0.0, time.monotonic()
    work.start()
    while not span:
        now = time.monotonic()
        longest, last = max(longest, now - last), now
    work.join()
    # with the lock held this thread would stand still for the whole of the diagnosis
    assert longest < 0.5 * span[0]


LONG_WORK = """
import signal, sys, numpy as np, quietspin as qs
# who starts the tests in the background may hand down an ignored Ctrl-C; in a notebook it is heard
signal.signal(signal.SIGINT, signal.default_int_handler)
# 60 s in each, and each of them takes well over a second
noise = np.random.default_rng(1).standard_normal(60 * 51_200)
names = [f"a{i}" for i in range(8)]
rec = qs.Recording.from_arrays(
    {name: np.roll(noise, 1000 * i) for i, name in enumerate(names)},
    rate_hz=51_200,
    units=dict.fromkeys(names, "g"),
)
with open(sys.argv[1], "wb") as table:
    table.write(b"0.125;-0.25;0.5;-0.5;1\\n" * (60 * 51_200))
works = {
    "diagnose": lambda: qs.diagnose(rec),
    "diagnose at a speed": lambda: qs.diagnose(rec, rpm=60_000),
    "envelope": lambda: [rec[name].envelope_spectrum() for name in 4 * names],
    "speed": lambda: rec.speed(),
    "read": lambda: qs.read(sys.argv[1], rate_hz=51_200),
}
try:
    # inside: on a busy machine Ctrl-C may come before the next line runs
    print("begun", flush=True)
    works[sys.argv[2]]()
except KeyboardInterrupt:
    print("stopped", flush=True)
    sys.stdin.readline()
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGINT to another process")
@pytest.mark.parametrize("work", ["diagnose", "diagnose at a speed", "envelope", "speed", "read"])
def test_ctrl_c_stops_long_work_within_half_a_second(tmp_path, work):
    command = [sys.executable, "-c", LONG_WORK, str(tmp_path / "long.csv"), work]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as child:
        try:
            assert child.stdout.readline() == "begun\n"
            time.sleep(0.3)
            child.send_signal(signal.SIGINT)
            sent = time.monotonic()
            assert child.stdout.readline() == "stopped\n"
            assert time.monotonic() - sent < 0.5
        finally:
            child.kill()


WATCHED_WORK = """
import sys, types, numpy as np
# as in a notebook
sys.modules["IPython"] = ipython = types.ModuleType("IPython")
ipython.get_ipython = lambda: types.SimpleNamespace(kernel=None)
from quietspin import _progress
import quietspin as qs
_progress.Line.__init__.__defaults__ = (0.0,)  # at once
_progress.EVERY_S = 0.0
noise = np.random.default_rng(1).standard_normal(30 * 51_200)
rec = qs.Recording.from_arrays(
    {name: noise for name in ("a", "b", "c")}, rate_hz=51_200, units=dict.fromkeys("abc", "g")
)
qs.diagnose(rec, rpm=60_000)
"""


def test_long_work_tells_its_progress_and_wipes_the_line_off():
    done = subprocess.run([sys.executable, "-c", WATCHED_WORK], capture_output=True)
    written = done.stderr.decode()
    assert done.returncode == 0, written
    lines = [line.rstrip() for line in written.split("\r")]
    told = [re.fullmatch(r"([a-z ]+)( (\d+) %)?, (\d+) s", line) for line in lines if line]
    assert all(told), lines
    assert told, "work of seconds tells at least one stage"
    shares = [int(match[3]) for match in told if match[3]]
    assert shares == sorted(shares)
    assert written.endswith("\r" + 72 * " " + "\r"), "the last line is covered with blanks"


def test_arrays_look_at_what_the_results_hold():
    rec = sample("imbalanced")
    values = rec["front"].values
    assert np.shares_memory(values, rec["front"].values)
    assert not values.flags.owndata
    assert not values.flags.writeable
    with pytest.raises(ValueError, match="WRITEABLE"):
        values.setflags(write=True)
    spectrum = rec["front"].spectrum()
    assert np.shares_memory(spectrum.values, spectrum.values)
    rows = rec["front"].spectrogram().values
    assert rows.ndim == 2
    assert not rows.flags.owndata
    # the array keeps what it looks at
    before = values.copy()
    del rec, spectrum
    gc.collect()
    assert np.array_equal(values, before)
    assert np.array_equal(pickle.loads(pickle.dumps(values)), before)


def test_a_pickle_keeps_the_machine_as_it_is():
    machine = qs.machine_from_text(
        'format = 1\n[channel.rear]\nunit = "g"\n[channel.front]\nrole = "vibration"\n'
    )
    rec = qs.Recording.from_arrays(
        {"rear": tone(50.0), "front": tone(70.0)}, rate_hz=RATE_HZ, machine=machine
    )
    again = pickle.loads(pickle.dumps(rec))
    assert again.machine.to_toml() == machine.to_toml()
    assert again.machine.sha256 == machine.sha256
    assert machine.to_toml().index("rear") < machine.to_toml().index("front")
    assert qs.diagnose(again, rpm=3000).to_dict() == qs.diagnose(rec, rpm=3000).to_dict()
    samples = len(rec["rear"]) + len(rec["front"])
    assert len(pickle.dumps(rec)) < 4 * samples + 20_000


def test_samples_that_are_not_finite_repeat_the_one_before():
    samples = tone(400.0)
    samples[[5, 6, 100]] = np.nan, np.inf, -np.inf
    rec = qs.Recording.from_arrays({"front": samples}, rate_hz=RATE_HZ, units={"front": "g"})
    held = rec["front"].values
    assert np.isfinite(held).all()
    assert held[6] == held[5] == held[4]
    assert any(note.startswith("3 samples of front are not numbers") for note in rec.notes)


def test_a_range_of_speed_is_for_the_search_alone():
    good = sample("good")
    plain = qs.diagnose(good)
    assert qs.diagnose(good, range_rpm=(20_000, 200_000)).to_dict() == plain.to_dict()
    for low, high in [(2000, 1000), (-1, 1000), (0, 1000), (float("nan"), 1000), (1, float("inf"))]:
        with pytest.raises(ValueError, match="the lower first"):
            good.speed(range_rpm=(low, high))
        with pytest.raises(ValueError, match="the lower first"):
            qs.diagnose(good, range_rpm=(low, high))


@pytest.mark.parametrize("rpm", [0, -1, float("nan"), float("inf"), 1e300])
def test_a_stated_speed_must_be_one(imbalanced, rpm):
    with pytest.raises(ValueError, match="is no speed"):
        imbalanced.speed(rpm=rpm)
    with pytest.raises(ValueError, match="is no speed"):
        qs.diagnose(imbalanced, rpm=rpm)


def test_arguments_beyond_reason_are_refused(imbalanced):
    front, speed = imbalanced["front"], imbalanced.speed()
    infinite, nan = float("inf"), float("nan")
    for order in [1e9, 1e20, infinite, nan, 0, -1]:
        with pytest.raises(ValueError, match="the order is"):
            front.order_map(speed, max_order=order)
        with pytest.raises(ValueError, match="the order is"):
            front.track(speed, orders=[1, order])
        with pytest.raises(ValueError, match="the order is"):
            front.envelope_spectrum(speed, max_order=order)
    for steps in [0, 3, 10_001, 10**12]:
        with pytest.raises(ValueError, match="samples_per_turn"):
            front.synchronous_average(speed, samples_per_turn=steps)
    for hz in [1e-15, 0, -1, nan, infinite, 1e9]:
        for spectrum in (front.spectrum, front.psd, front.spectrogram):
            with pytest.raises(ValueError, match=r"resolution_hz|segment"):
                spectrum(resolution_hz=hz)
    assert front.spectrum(resolution_hz=2.0).values.size > 0
    with pytest.raises(ValueError, match="1e9 Hz"):
        qs.Recording.from_arrays({"a": [0.0]}, rate_hz=1e30)


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
            lambda: qs.Recording.from_arrays({"a": [np.nan]}, rate_hz=1.0),
            ValueError,
            "arrays, channel a: no sample is a number",
        ),
        (
            lambda: qs.Recording.from_arrays(
                {"a": [0.0]}, rate_hz=1.0, units={"a": "rpm"}, roles={"a": "vibration"}
            ),
            ValueError,
            "the role is vibration, and rpm is no unit of it",
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


def test_a_simulated_recording_is_saved_as_the_command_writes_it(tmp_path):
    made = qs.simulate("speed = {up_s = 0.5, hold_s = 0.2}", fault="imbalance", seed=3)
    written = made.save(tmp_path / "new" / "spin-3.wav")
    assert written == {
        "recording": tmp_path / "new" / "spin-3.wav",
        "machine": tmp_path / "new" / "spin-3.machine.toml",
        "truth": tmp_path / "new" / "spin-3.truth.json",
    }
    assert sorted((tmp_path / "new").iterdir()) == sorted(written.values())
    scenario = tmp_path / "scenario.toml"
    scenario.write_text("speed = {up_s = 0.5, hold_s = 0.2}")
    out = str(tmp_path / "spin-3.wav")
    command = ["quietspin", "simulate", str(scenario), "--fault", "imbalance", "--seed", "3"]
    assert _core.run_cli([*command, "--out", out]) == 0
    for path in written.values():
        assert path.read_bytes() == (tmp_path / path.name).read_bytes()
    rec = qs.read(written["recording"], machine=written["machine"])
    np.testing.assert_allclose(rec["front"].values, made.recording["front"].values, atol=1e-4)
    # again, and from a pickle, and by a str
    assert pickle.loads(pickle.dumps(made)).save(str(written["recording"])) == written


def test_a_simulated_recording_replaces_nothing_but_its_own(tmp_path):
    made = qs.simulate("speed = {up_s = 0.5, hold_s = 0.2}", seed=3)
    kept = tmp_path / "kept.wav"
    kept.write_text("a recording")
    with pytest.raises(ValueError, match="it is there already"):
        made.save(kept)
    assert [path.read_text() for path in tmp_path.iterdir()] == ["a recording"]
    with pytest.raises(ValueError, match=r"does not end in \.wav"):
        made.save(tmp_path / "spin.flac")
    with pytest.raises(ValueError, match="cannot name a file"):
        made.save(tmp_path / "spin 3.wav")
    with pytest.raises(OSError, match=r"kept\.wav"):
        made.save(kept / "spin.wav")


# what a dictionary names otherwise than the object, or holds for the object's methods
OTHERWISE = {
    "Speed": {"knots"},
    "EnvelopeSpectrum": {"band_from_hz", "band_to_hz"},
    # in words, and as a share: rests_on, prevalence
    "Finding": {"holds_for"},
}


def test_what_a_dictionary_holds_the_object_has_by_name(imbalanced):
    speed, front = imbalanced.speed(), imbalanced["front"]
    result = qs.diagnose(imbalanced)
    things = [
        speed,
        front.order_map(speed),
        front.track(speed)[0],
        front.synchronous_average(speed),
        front.spectrum(),
        front.spectrogram(),
        front.envelope_spectrum(speed),
        front.cyclic_spectrum(speed, highest=4, resolution=0.1),
        front.modulated_bands(0.6, speed),
        result.findings[0],
        result.findings[0].evidence[0],
        result.fitness[0],
        result.levels[0],
    ]
    for thing in things:
        kind = type(thing).__name__
        missing = {key for key in thing.to_dict() if not hasattr(thing, key)}
        assert missing == OTHERWISE.get(kind, set()), kind
    level = result.levels[0]
    assert (level.name, level.uncertainty) == tuple(
        level.to_dict()[key] for key in ("name", "uncertainty")
    )
    assert 0 < level.uncertainty < 1
    limited = next(check for check in sample_checks() if check.fit == "limited")
    assert limited.affects == limited.to_dict()["affects"]
    assert set(limited.affects) <= {"levels", "speed", "phase", "bearings", "acceptance"}
    assert speed.edge == "rising"
    assert sample("unfit").speed().gaps_s == [
        tuple(gap) for gap in sample("unfit").speed().to_dict()["gaps_s"]
    ]


def sample_checks():
    return qs.diagnose(sample("unfit")).fitness


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


def test_the_command_holds_to_its_exit_status(monkeypatch, capsys):
    script = "import sys, quietspin._cli as c; sys.argv[0] = 'quietspin'; c.main()"
    command = [sys.executable, "-c", script, "check", b"no\xff.wav"]
    done = subprocess.run(command, capture_output=True)
    assert done.returncode == 2, done.stderr
    assert done.stderr.count(b"\n") == 1
    assert b"Traceback" not in done.stderr

    def broken(_arguments):
        raise RuntimeError("out of luck")

    monkeypatch.setattr(_cli._core, "run_cli", broken)
    monkeypatch.setattr(_cli.signal, "signal", lambda *_: None)
    with pytest.raises(SystemExit) as leave:
        _cli.main()
    assert leave.value.code == 2
    assert capsys.readouterr().err == "quietspin: out of luck\n"


def test_samples_are_small_and_marked_invented():
    wavs = sorted(Path(SAMPLES).glob("*.wav"))
    assert len(wavs) == 6
    for wav in wavs:
        assert wav.stat().st_size <= 1_000_000
        assert "invented" in wav.with_suffix(".machine.toml").read_text().lower()
