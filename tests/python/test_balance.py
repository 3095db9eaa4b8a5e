"""A balancing job in a notebook: the steps of the command, as an object."""

import pickle
from pathlib import Path

import numpy as np
import pytest
import quietspin as qs

SAMPLES = Path(__file__).resolve().parents[2] / "samples" / "balance"
MACHINE = SAMPLES / "cartridge.machine.toml"


@pytest.fixture
def job(tmp_path):
    return qs.Job.begin(
        tmp_path / "job.toml", machine=MACHINE, serial="21 (invented)", rpm=24000, rig="stand 1"
    )


def followed(job: qs.Job) -> None:
    """Record the sample spins as the job asks for them, drilling in between as planned."""
    for spin in sorted(SAMPLES.glob("spin-*.wav")):
        if job.next_step == "correct":
            job.drilled()
        job.spin(spin, trial=job.trial)


def test_a_job_is_followed_to_its_certificate(job, tmp_path):
    assert (job.standing, job.next_step, job.probability_within) == ("cannot_tell", "spin", None)
    followed(job)
    assert job.standing == "passes", str(job)
    assert job.next_step == "done"
    assert job.probability_within > 0.985
    state = job.to_dict()
    assert state["schema"] == "quietspin.balance/1"
    assert state["corrections"] == 1
    assert {one["plane"] for one in state["metal"]} == {"compressor", "turbine"}
    assert job.test("repeatability")["passed"]
    page = tmp_path / "job.html"
    job.certificate(page)
    assert "PASSES" in page.read_text(encoding="utf-8")
    assert page.with_suffix(".json").is_file()
    files = job.pictures(tmp_path / "wheels")
    assert len(files) == 4
    assert all(Path(file).read_text(encoding="utf-8").startswith("<svg") for file in files)


def test_the_file_is_the_job(job):
    followed(job)
    assert str(qs.Job.open(job.path)) == str(job)
    again = pickle.loads(pickle.dumps(job))
    assert again.to_dict() == job.to_dict()
    job.undo()
    assert again.to_dict() != job.to_dict()
    assert qs.Job.open(job.path).to_dict() == job.to_dict()
    assert "balance of 21" in job._repr_html_()


def test_the_next_rotor_of_the_type_needs_no_trial_mass(job, tmp_path):
    followed(job)
    following = qs.Job.begin(
        tmp_path / "next.toml",
        machine=MACHINE,
        serial="22 (invented)",
        rpm=24000,
        rig="stand 1",
        like=[job],
    )
    assert following.trial == []
    # the last spin of the other rotor, without trial masses, stands for the first of this one
    following.spin(sorted(SAMPLES.glob("spin-*.wav"))[-1])
    assert following.to_dict()["unbalance"]
    with pytest.raises(ValueError, match="rig"):
        qs.Job.begin(
            tmp_path / "other.toml",
            machine=MACHINE,
            serial="23",
            rpm=24000,
            rig="stand 2",
            like=[job],
        )


def test_a_recording_that_was_read_already_is_taken(job):
    recording = qs.read(SAMPLES / "spin-1.wav", machine=MACHINE)
    job.spin(recording, trial=job.trial)
    (spin,) = job.to_dict()["history"]
    assert spin["kind"] == "spin"
    with pytest.raises(ValueError, match="in the job already"):
        job.spin(SAMPLES / "spin-1.wav", trial=job.trial)


def test_amplitudes_alone_tell_a_plane():
    """A constructed case (own arithmetic): 20 g mm are heavy at 105 degrees."""
    trials = [(0, 4.977903562), (120, 7.442993058), (240, 3.684064396)]
    size, deg = qs.unbalance_without_phase(5.0, 10.0, trials)
    assert size == pytest.approx(20.0, abs=1e-4)
    assert deg == pytest.approx(105.0, abs=1e-4)
    with pytest.raises(ValueError, match="three places"):
        qs.unbalance_without_phase(5.0, 10.0, trials[:2])


def test_the_course_is_drawn(job):
    with pytest.raises(ValueError, match="course"):
        job.figure()
    followed(job)
    figure = job.figure()
    first, last = (figure["rows"][0]["panels"][0]["traces"][0]["radius"][i] for i in (0, -1))
    assert np.isfinite(first)
    assert last < 0.3 * first
    pytest.importorskip("matplotlib")
    assert job.plot() is not None


@pytest.mark.parametrize(
    ("step", "told"),
    [
        (lambda job: job.drilled(), "not spun yet"),
        (lambda job: job.undo(), "nothing is left"),
        (lambda job: job.found(1), "as predicted"),
        (lambda job: job.test("repeatability"), "nothing changed"),
        (lambda job: job.test("index", []), "two recordings"),
        (lambda job: job.spin(SAMPLES / "spin-1.wav", trial=[("fan", 1.0, 0.0)]), "fan"),
        (lambda job: job.pictures("nowhere"), "unbalance"),
    ],
)
def test_what_cannot_be_done_is_one_sentence(job, step, told):
    with pytest.raises(ValueError, match=told) as refused:
        step(job)
    assert "\n" not in str(refused.value)
