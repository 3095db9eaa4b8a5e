"""Order tracks in three ways: what they agree on, what only the filter parts, what is refused."""

import sys
from pathlib import Path

import numpy as np
import pytest
import quietspin as qs

ROOT = Path(__file__).resolve().parents[2]
RECORDINGS = ROOT / "samples" / "recordings"
RATE_HZ = 12_800.0
SECONDS = 4.0


@pytest.fixture(scope="module")
def good():
    """Read a run-up of an invented cartridge."""
    return qs.read(RECORDINGS / "good.wav", machine=RECORDINGS / "good.machine.toml")


@pytest.fixture(scope="module")
def crossing():
    """Make an order, a tone and a second shaft that slows down: each crosses the others."""
    t = np.arange(int(SECONDS * RATE_HZ)) / RATE_HZ
    turns = 50.0 * t + 50.0 * t**2
    second = 400.0 * t - 37.5 * t**2
    x = np.cos(2 * np.pi * turns + 0.5)
    x += 0.5 * np.cos(2 * np.pi * 250.0 * t) + 0.8 * np.cos(2 * np.pi * second)
    return qs.Recording.from_arrays(
        {
            "vibration": x,
            "rpm": 60.0 * (50.0 + 100.0 * t),
            "rpm2": 60.0 * (400.0 - 75.0 * t),
        },
        rate_hz=RATE_HZ,
        units={"rpm": "rpm", "rpm2": "rpm"},
        roles={"vibration": "vibration", "rpm": "speed", "rpm2": "other"},
    )


def second_speed(recording):
    """Read the second shaft's speed from a recording that holds it alone."""
    alone = qs.Recording.from_arrays(
        {"rpm": recording["rpm2"].values}, rate_hz=RATE_HZ, units={"rpm": "rpm"}
    )
    return alone.speed()


def test_the_methods_agree_where_the_order_changes_slowly(good):
    speed = good.speed()
    front = good["front"]
    top = 0.9 * speed.rpm.max()
    settings = [
        {"method": "transform"},
        {"method": "transform", "turns": 32},
        {"method": "blocks", "seconds": 0.05},
        {"method": "filter"},
        {"method": "filter", "bandwidth_hz": 20.0, "poles": 3},
    ]
    read = []
    for setting in settings:
        (track,) = front.track(speed, orders=[1], **setting)
        assert track.phase_stated
        assert len(track) > 20
        at = np.argmin(np.abs(track.rpm - top))
        read.append(track.phasor[at] / np.abs(track.phasor[at]))
        assert np.all(track.error >= 0.0)
    assert np.abs(np.array(read) - read[0]).max() < 0.1


def test_orders_need_not_be_columns_of_a_map(good):
    speed = good.speed()
    (track,) = good["front"].track(speed, orders=[0.43])
    assert track.order == 0.43


def test_the_filter_parts_what_crosses(crossing):
    speed, vibration = crossing.speed(), crossing["vibration"]
    other = second_speed(crossing)

    def worst(**settings):
        (track,) = vibration.track(speed, orders=[1], method="filter", bandwidth_hz=2.0, **settings)
        inner = (track.time_s > 0.5) & (track.time_s < SECONDS - 0.5)
        # turns count from the first point of the speed, so the phase is known up to a constant
        mean = track.phasor[inner].mean()
        return np.abs(track.phasor[inner] - mean / np.abs(mean)).max()

    assert worst() > 0.2
    assert worst(tones_hz=[250.0], others=[(other, 1.0)]) < 0.02


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"method": "wavelet"}, "transform"),
        ({"turns": 16, "method": "filter"}, 'belongs to method "transform"'),
        ({"bandwidth_hz": 5.0}, 'belongs to method "filter"'),
        ({"method": "filter", "bandwidth_hz": 5.0, "bandwidth_orders": 0.1}, "one of them"),
        ({"method": "filter", "poles": 7}, "1, 2 or 3"),
        ({"method": "filter", "bandwidth_hz": -1.0}, "no bandwidth"),
        ({"method": "blocks", "seconds": 0.0}, "no length of a window"),
        ({"method": "blocks", "seconds": 1e-9}, "no length of a window"),
        ({"turns": 1e9}, "turns for one window"),
        ({"tones_hz": [-50.0]}, "no tone"),
        ({"tones_hz": [50_000.0]}, "no tone"),
        ({"orders": [500]}, "gives no point"),
        ({"orders": [1, 1]}, "given twice"),
        ({"orders": []}, "at least one order"),
    ],
)
def test_what_cannot_be_had_is_refused_in_words(good, settings, said):
    with pytest.raises(ValueError, match=said):
        good["front"].track(good.speed(), **settings)


def test_the_filter_solves_the_published_system():
    """Against SciPy: the same sparse system, solved by banded Cholesky (J. Tuma, ICSV12, 2005)."""
    sys.path.insert(0, str(ROOT / "tests" / "bench"))
    try:
        import tracking_filter
    finally:
        sys.path.pop(0)
    recording = tracking_filter.recording(3.0)
    assert tracking_filter.difference(recording, [tracking_filter.best]) < 1e-4


def test_a_stated_speed_that_is_not_used_is_told(good):
    assert any("are not used" in note for note in good.speed(rpm=30_000).notes)
    assert not any("not used" in note for note in good.speed().notes)
