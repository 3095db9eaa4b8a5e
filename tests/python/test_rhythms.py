"""What the shaft does parted from what bearings do, and rhythms of noise, as a notebook uses them."""

import numpy as np
import pytest
import quietspin as qs
from conftest import sample

RATE_HZ = 10_000.0
# of the sample with a worn bearing: its geometry, slip aside
OUTER_ORDER = 3.525


@pytest.fixture(scope="module")
def worn() -> qs.Recording:
    return sample("bearing")


def modulated(order: float, depth: float) -> qs.Recording:
    """Noise whose level goes with an order of a shaft at 1 200 rpm."""
    time_s = np.arange(int(30 * RATE_HZ)) / RATE_HZ
    level = 1 + depth * np.cos(2 * np.pi * order * 20 * time_s)
    noise = np.random.default_rng(7).standard_normal(len(time_s))
    return qs.Recording.from_arrays({"front": level * noise}, rate_hz=RATE_HZ)


def test_what_is_locked_goes_and_the_rest_of_the_time_stays(imbalanced, worn):
    front, speed = imbalanced["front"], imbalanced.speed()
    rest = front.without_locked(speed)
    assert rest.name == front.name
    assert rest.unit == front.unit
    assert rest.start_s >= front.start_s
    assert len(front) - len(rest) < 0.05 * len(front)
    before = np.median(front.track(speed)[0].amplitude)
    after = np.median(rest.track(speed)[0].amplitude)
    assert after < 0.01 * before
    with pytest.raises(ValueError, match="turns"):
        front.without_locked(speed, turns=3)
    front, speed = worn["front"], worn.speed()
    channels = (front, front.without_locked(speed))
    envelopes = [c.envelope_spectrum(speed, band_hz=(9_000, 15_000)) for c in channels]
    lines = [e.values[np.abs(e.order - OUTER_ORDER) < 0.1].max() for e in envelopes]
    assert lines[1] > 0.7 * lines[0]


def test_tones_are_predicted_and_impacts_are_not():
    time_s = np.arange(40_000) / RATE_HZ
    values = np.sin(2 * np.pi * 440 * time_s) + 0.02 * np.random.default_rng(3).standard_normal(40_000)
    values[500::1000] += 0.5
    channel = qs.Recording.from_arrays({"front": values}, rate_hz=RATE_HZ)["front"]
    for order in (None, 20):
        left = channel.without_predicted(order=order).values
        assert len(left) == len(values)
        assert np.std(left[100:]) < 0.1 * np.std(values)
        assert sorted(np.argsort(np.abs(left[100:]))[-40:] + 100) == list(range(500, 40_000, 1000))
    with pytest.raises(ValueError, match="order"):
        channel.without_predicted(order=0)


def test_coherence_shows_the_depth_of_a_rhythm_over_orders():
    front = modulated(3.6, 0.5)["front"]
    speed = front_speed()
    found = front.cyclic_spectrum(speed, highest=10, resolution=0.02, window_len=64)
    assert found.coherence.shape == (len(found.cyclic_order), len(found.carrier_hz))
    assert not found.coherence.flags.writeable
    assert found.density.shape == found.carrier_hz.shape
    envelope = found.envelope()
    top = np.argmax(np.where(found.cyclic_order > 1, envelope, 0))
    assert abs(found.cyclic_order[top] - 3.6) < 0.02
    assert abs(found.cyclic_hz[top] - 72) < 0.5
    # the square of m / (1 + m²/2); up to a third is lost between lines
    exact = (0.5 / 1.125) ** 2
    assert 0.65 * exact < envelope[top] < 1.1 * exact
    assert found.noise_coherence < 0.05 * exact
    over_hz = front.cyclic_spectrum(highest=100, resolution=0.5, window_len=64)
    assert over_hz.cyclic_order is None
    assert "cyclic_order" not in over_hz.to_dict()
    band = over_hz.envelope(band_hz=(1_000, 4_000))
    assert abs(over_hz.cyclic_hz[np.argmax(np.where(over_hz.cyclic_hz > 30, band, 0))] - 72) < 0.5
    with pytest.raises(ValueError, match="band_hz"):
        over_hz.envelope(band_hz=(100, 9_000))


def front_speed() -> qs.Speed:
    """Read a steady 1 200 rpm off a pulse."""
    time_s = np.arange(int(30 * RATE_HZ)) / RATE_HZ
    pulse = ((20 * time_s) % 1 < 0.2).astype(float)
    rec = qs.Recording.from_arrays({"pulse": pulse}, rate_hz=RATE_HZ, roles={"pulse": "pulse"})
    return rec.speed()


def test_the_band_of_a_rhythm_is_chosen_and_none_where_there_is_none(worn):
    front, speed = worn["front"], worn.speed()
    orders = [k * OUTER_ORDER for k in (1, 2)]
    bands = front.modulated_bands(orders, speed)
    assert len(bands) == len(bands.band_hz) == len(bands.ln_chance)
    assert np.all(np.diff(bands.ln_chance) >= 0)
    assert bands.chance < 1e-4
    assert bands.chosen() == bands.band_hz[0]
    assert abs(bands.lines[0]["order"] - OUTER_ORDER) < 0.06
    without = modulated(OUTER_ORDER, 0)["front"].modulated_bands(orders, front_speed())
    assert without.chosen(1e-4) is None
    with pytest.raises(ValueError, match="orders"):
        front.modulated_bands([], speed)
