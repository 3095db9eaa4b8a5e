"""The main job against open recordings: sources and truth are named in ``tests/bench/open_data.py``."""

import sys
from pathlib import Path

import numpy as np
import pytest
import quietspin as qs
from conftest import data_folder

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "bench"))
import open_data

FOLDER = data_folder()

# graded Y2 by discrete/random separation with the fast kurtogram alone; its lines are not found here
KNOWN_MISSES = {"cwru_0197"}

pytestmark = pytest.mark.skipif(
    FOLDER is None, reason="QUIETSPIN_DATA is not set: no open recordings to check against"
)


@pytest.fixture(scope="module")
def rows() -> list[open_data.Row]:
    return [open_data.outcome(wav) for wav in open_data.recordings(FOLDER)]


def test_healthy_recordings_give_no_bearing_finding(rows):
    without = [row for row in rows if row.truth not in open_data.BEARING_FAULTS]
    assert len(without) >= 20
    assert [r.record for r in without if r.bearing_confidence >= 0.5] == []


def test_clear_race_faults_name_the_right_part_first(rows):
    races = ("bearing_outer", "bearing_inner")
    clear = [r for r in rows if r.truth in races and r.grade.startswith("Y")]
    clear += [r for r in rows if r.truth in races and r.record.startswith(("mfpt", "hit"))]
    assert len(clear) == 30
    assert {r.record for r in clear if r.bearing_first != r.truth} <= KNOWN_MISSES


def test_no_wrong_part_comes_first_above_half(rows):
    assert open_data.totals(rows)["wrong_element_first_above_half"] == 0


@pytest.mark.parametrize("load", ["00lb", "11lb"])
def test_imbalance_grades_rise_in_order(rows, load):
    grades = ["healthy", "imbalance_g1", "imbalance_g2", "imbalance_g3", "imbalance_g4"]
    found = {row.record: row.order1 for row in rows}
    rising = [found[f"motor_3000_{grade}_{load}"] for grade in grades]
    assert rising == sorted(rising)
    assert rising[0] > 0.0


def test_the_jet_s_lower_tone_is_followed_to_one_percent():
    wav = FOLDER / "sound" / "jet_spoolup_a.wav"
    recording, facts = open_data.load(wav)
    speed = recording.speed()
    assert speed.source == "estimated"
    times, ridge_hz = np.array(facts["truth"]["ridge_t_s_hz"]).T
    shaft_hz = speed.rpm_at(times) / 60.0
    order = np.median(ridge_hz / shaft_hz)
    assert order == pytest.approx(round(order), abs=0.05)
    np.testing.assert_allclose(shaft_hz * round(order), ridge_hz, rtol=0.01)
    assert isinstance(speed.alternatives, list)
    assert qs.diagnose(recording).verdict == "no_verdict"
