"""Pictures and tables for notebooks: they draw without a warning, say their units, hold the numbers."""

import html.parser
import io
import itertools
import json
import math
import pickle
import re
import subprocess
import sys

import matplotlib
import numpy as np
import pytest
import quietspin as qs
from conftest import SAMPLES, sample

matplotlib.use("Agg")

from matplotlib import pyplot
from matplotlib.text import Text

HOSTILE = "<script>alert('x')</script> $\\frac{1}$ & \"\x1b[2J\u202e"
RATE_HZ = 25_600.0


@pytest.fixture(autouse=True)
def closed():
    yield
    pyplot.close("all")


SHAFT = """
name = "shaft"
[speed]
start_rpm = 3000
top_rpm = 60000
wait_s = 2
up_s = 6
hold_s = 1
[rotor.front]
anisotropy = 0.2
[rotor.rear]
anisotropy = 0.2
[[sensor]]
name = "front_x"
kind = "shaft"
angle_deg = 45
unit = "um"
full_scale = 100
noise_rms = 0.05
[[sensor]]
name = "front_y"
kind = "shaft"
angle_deg = 135
unit = "um"
full_scale = 100
noise_rms = 0.05
[fault.bent_shaft]
runout_um = 6
deg = 70
"""


def steady_speed(rpm):
    """Return a speed that is stated: where there are pulses, these come first."""
    rec = qs.Recording.from_arrays({"a": np.zeros(1000)}, rate_hz=1000, roles={"a": "vibration"})
    return rec.speed(rpm=rpm)


@pytest.fixture(scope="module")
def results():
    """All results of three samples, made once."""
    rec, bearing, unfit = sample("imbalanced"), sample("bearing"), sample("unfit")
    speed, slow = rec.speed(), bearing.speed()
    front, hit = rec["front"], bearing["front"]
    return {
        "wave": front,
        "spectrum": front.spectrum(),
        "psd": front.psd(),
        "spectrogram": front.spectrogram(),
        "order_map": front.order_map(speed),
        "tracks": front.track(speed, orders=[1, 2]),
        "average": front.synchronous_average(speed),
        "envelope": hit.envelope_spectrum(slow),
        "envelope_hz": hit.envelope_spectrum(),
        "speed": speed,
        "repaired": unfit.speed(),
        "steady": steady_speed(60_000.0),
        "diagnosis": qs.diagnose(rec),
        "bearing_diagnosis": qs.diagnose(bearing),
        "unfit_diagnosis": qs.diagnose(unfit),
        "screening": qs.screen(SAMPLES, progress=False),
        **of_the_shaft(),
        "interference": rec.interference(speed),
        "interference_found": bearing.interference(slow, diagnosis=qs.diagnose(bearing)),
        "bearing_map": hit.order_map(slow),
        "bearing_spectrogram": hit.spectrogram(),
        "bearing_speed": slow,
        **of_the_rhythm(bearing, slow),
    }


def of_the_rhythm(bearing, speed):
    """Rhythms of a worn bearing, and of a machine of which none is to be found."""
    rest = bearing["front"].without_locked(speed)
    good = sample("good")
    quiet, steady = good["front"], good.speed()
    return {
        "cyclic": rest.cyclic_spectrum(speed),
        "cyclic_hz": bearing["front"].cyclic_spectrum(),
        "cyclic_good": quiet.without_locked(steady).cyclic_spectrum(steady, highest=6),
        "bands": rest.modulated_bands(3.525, speed),
        "bands_good": quiet.modulated_bands(3.525, steady),
    }


def of_the_shaft():
    """Results of two displacement sensors at one shaft, whose mounts are stiffer one way."""
    rec = qs.simulate(SHAFT, seed=3).recording
    speed = rec.speed()
    return {
        "shaft": rec,
        "shaft_speed": speed,
        "orbit": rec.orbit("front_x", "front_y", speed, at_rpm=42_000),
        "orbit_of_two": rec.orbit("front_x", "front_y", speed, orders=[0.5, 1]),
        "full": rec.full_spectrum("front_x", "front_y", speed),
        "full_hz": rec.full_spectrum("front_x", "front_y", resolution_hz=20),
        "shaft_track": rec["front_x"].track(speed),
        "slow_roll": rec["front_x"].track(speed).less_slow_roll(below_rpm=3500),
    }


PICTURES = {
    "wave": lambda r: r["wave"].plot(),
    "wave_part": lambda r: r["wave"].plot(between_s=(1.0, 1.02)),
    "spectrum": lambda r: r["spectrum"].plot(speed=r["speed"]),
    "spectrum_steady": lambda r: r["spectrum"].plot(speed=r["steady"], orders=[1, 2, 9]),
    "spectrum_decibel": lambda r: r["spectrum"].plot(scale="decibel"),
    "spectrum_linear": lambda r: r["spectrum"].plot(scale="linear"),
    "psd": lambda r: r["psd"].plot(),
    "spectrogram": lambda r: r["spectrogram"].plot(speed=r["speed"]),
    "waterfall": lambda r: r["spectrogram"].plot(speed=r["speed"], waterfall=True),
    "waterfall_in_time": lambda r: r["spectrogram"].plot(waterfall=True),
    "order_map": lambda r: r["order_map"].plot(),
    "order_map_in_time": lambda r: r["order_map"].plot(against="time"),
    "order_waterfall": lambda r: r["order_map"].plot(waterfall=True, between_orders=(0, 4)),
    "tracks": lambda r: r["tracks"].plot(),
    "track_in_time": lambda r: r["tracks"][0].plot(against="time"),
    "amplitude": lambda r: r["tracks"].plot(show="amplitude"),
    "phase": lambda r: r["tracks"].plot(show="phase"),
    "polar": lambda r: r["tracks"].plot(show="polar"),
    "turn": lambda r: r["average"].plot(),
    "envelope": lambda r: r["envelope"].plot(bearing="front"),
    "envelope_outer": lambda r: r["envelope"].plot(bearing="front", parts=["outer"]),
    "envelope_hz": lambda r: r["envelope_hz"].plot(),
    "speed": lambda r: r["speed"].plot(),
    "repaired": lambda r: r["repaired"].plot(),
    "overview": lambda r: r["diagnosis"].plot(),
    "overview_bearing": lambda r: r["bearing_diagnosis"].plot(),
    "overview_unfit": lambda r: r["unfit_diagnosis"].plot(),
    "fitness": lambda r: r["unfit_diagnosis"].plot(show="fitness"),
    "findings": lambda r: r["diagnosis"].plot(show="findings"),
    "levels": lambda r: r["diagnosis"].plot(show="levels"),
    "imbalance": lambda r: r["diagnosis"].findings[0].plot(),
    "bearing_outer": lambda r: r["bearing_diagnosis"].findings[0].plot(),
    "screening": lambda r: r["screening"].plot(),
    "interference": lambda r: r["interference"].plot(),
    "interference_found": lambda r: r["interference_found"].plot(),
    "orbit": lambda r: r["orbit"].plot(),
    "orbit_of_two": lambda r: r["orbit_of_two"].plot(),
    "full": lambda r: r["full"].plot(),
    "full_hz": lambda r: r["full_hz"].plot(),
    "slow_roll": lambda r: r["slow_roll"].plot(),
    "slow_roll_polar": lambda r: r["slow_roll"].plot(show="polar"),
    "order_map_found": lambda r: r["bearing_map"].plot(diagnosis=r["bearing_diagnosis"]),
    "spectrogram_found": lambda r: r["bearing_spectrogram"].plot(
        speed=r["bearing_speed"], diagnosis=r["bearing_diagnosis"]
    ),
    "cyclic": lambda r: r["cyclic"].plot(bearing="front"),
    "cyclic_hz": lambda r: r["cyclic_hz"].plot(band_hz=(1000, 8000)),
    "cyclic_envelope": lambda r: r["cyclic"].plot(show="envelope", bearing="front", parts=["outer"]),
    "cyclic_envelope_all": lambda r: r["cyclic"].plot(show="envelope", bearing="front"),
    "cyclic_envelope_hz": lambda r: r["cyclic_hz"].plot(show="envelope", between=(50, 400)),
    "cyclic_envelope_good": lambda r: r["cyclic_good"].plot(show="envelope"),
    "bands": lambda r: r["bands"].plot(),
    "bands_good": lambda r: r["bands_good"].plot(),
}

LABELS = {
    "wave": ("time in s", "acceleration in g"),
    "spectrum": ("frequency in Hz", "acceleration in g peak"),
    "psd": ("frequency in Hz", "density of acceleration in g²/Hz"),
    "spectrogram": ("time in s", "frequency in Hz"),
    "waterfall": ("frequency in Hz", "speed in rpm"),
    "waterfall_in_time": ("frequency in Hz", "time in s"),
    "order_map": ("order", "speed in rpm"),
    "order_map_in_time": ("order", "time in s"),
    "order_waterfall": ("order", "speed in rpm"),
    "amplitude": ("speed in rpm", "acceleration in g peak"),
    "phase": ("speed in rpm", "phase lag in degrees"),
    "turn": ("shaft angle in degrees", "acceleration in g"),
    "envelope": ("order", "squared depth of modulation"),
    "envelope_hz": ("frequency in Hz", "squared envelope in g² peak"),
    "speed": ("time in s", "speed in rpm"),
    "levels": ("share of the limit", ""),
    "interference": ("speed in rpm", "frequency in Hz"),
    "full": (
        "against the rotation  ←  order  →  with the rotation",
        "displacement of the circle in µm peak",
    ),
    "full_hz": (
        "against the rotation  ←  frequency  →  with the rotation in Hz",
        "displacement of the circle in µm peak",
    ),
    "findings": ("probability in %", ""),
    "cyclic": ("cyclic order", "carrier frequency in Hz"),
    "cyclic_hz": ("cyclic frequency in Hz", "carrier frequency in Hz"),
    "cyclic_envelope": ("cyclic order", "mean squared coherence"),
    "cyclic_envelope_hz": ("cyclic frequency in Hz", "mean squared coherence"),
    "bands": ("frequency in Hz", "width of the band in Hz"),
}


def axes_of(drawn):
    return list(np.atleast_1d(np.asarray(drawn, dtype=object)).ravel())


def words_of(canvas):
    """Return every text that is drawn: ticks outside the limits of an axis are kept by it, not drawn."""
    kept = set(canvas.findobj(Text))
    for ax in canvas.axes:
        for axis in (ax.xaxis, ax.yaxis):
            low, high = sorted(axis.get_view_interval())
            reach = 1e-6 * (high - low)
            for tick in [*axis.get_major_ticks(), *axis.get_minor_ticks()]:
                if not low - reach <= tick.get_loc() <= high + reach or not ax.axison:
                    kept -= {tick.label1, tick.label2}
    return [text for text in kept if text.get_visible() and text.get_text().strip()]


@pytest.mark.parametrize("name", PICTURES)
def test_every_picture_draws_and_no_words_overlap(results, name):
    canvas = axes_of(PICTURES[name](results))[0].figure
    canvas.savefig(io.BytesIO(), format="png")
    renderer = canvas.canvas.get_renderer()
    boxes = [(text.get_text(), text.get_window_extent(renderer)) for text in words_of(canvas)]
    paper = canvas.bbox
    shown = [(text, box) for text, box in boxes if box.width > 0]
    assert len(shown) > 3
    for (text, box), (other, beside) in itertools.combinations(shown, 2):
        common = box.intersection(box, beside)
        if common is not None:
            share = common.width * common.height / min(b.width * b.height for b in (box, beside))
            assert share < 0.12, f"{text!r} and {other!r} overlap"
    for text, box in shown:
        inside = box.x0 >= -1 and box.x1 <= paper.x1 + 1 and box.y0 >= -1 and box.y1 <= paper.y1 + 1
        assert inside, f"{text!r} leaves the paper"


def test_numbers_below_small_multiples_stand_apart(results):
    axes = axes_of(results["screening"].plot())
    lowest = [ax for ax in axes if ax.get_xlabel()]
    assert len(lowest) >= 3
    for ax in lowest:
        ticks = [tick for tick in ax.xaxis.get_major_ticks() if tick.label1.get_text()]
        boxes = sorted((tick.label1.get_window_extent() for tick in ticks), key=lambda box: box.x0)
        assert len(boxes) >= 2
        for box, beside in itertools.pairwise(boxes):
            assert beside.x0 - box.x1 > 0.5 * box.height


@pytest.mark.parametrize("name", LABELS)
def test_axes_say_quantity_and_unit(results, name):
    ax = PICTURES[name](results)
    assert (ax.get_xlabel(), ax.get_ylabel()) == LABELS[name]
    assert ax.get_title(loc="left")


def test_tracks_are_two_axes_with_one_axis_across(results):
    upper, lower = results["tracks"].plot()
    assert upper.get_ylabel() == "acceleration in g peak"
    assert lower.get_ylabel() == "phase lag in degrees"
    assert lower.get_xlabel() == "speed in rpm"
    assert upper.get_xlim() == lower.get_xlim()
    assert upper.get_position().x0 == pytest.approx(lower.get_position().x0)
    assert [text.get_text() for text in upper.get_legend().get_texts()] == ["1x", "2x"]
    polar = results["tracks"].plot(show="polar")
    assert "acceleration in g peak" in polar.get_xlabel()
    assert "phase lag in degrees" in polar.get_xlabel()


def test_titles_name_the_recording_where_it_is_known(results):
    for name, title in {
        "order_map": "imbalanced.wav, front: order map",
        "tracks": "imbalanced.wav, front: 1x and 2x",
        "track_in_time": "imbalanced.wav, front: 1x",
        "envelope": "bearing.wav, front: envelope spectrum, lines of bearing front",
        "spectrogram": "imbalanced.wav, front: spectrogram",
        "wave": "imbalanced.wav, front: wave",
    }.items():
        assert axes_of(PICTURES[name](results))[0].get_title(loc="left") == title
    arrays = qs.Recording.from_arrays({"a": np.zeros(1000)}, rate_hz=1000)
    assert arrays["a"].figure()["title"] == "a: wave"
    again = pickle.loads(pickle.dumps(results["order_map"]))
    assert again.figure()["title"] == "imbalanced.wav, front: order map"
    front = pickle.loads(pickle.dumps(results["wave"]))
    assert front.figure()["title"] == "imbalanced.wav, front: wave"


def test_what_marks_a_line_does_not_cover_it(results):
    # an order line is two strokes, a few points to each side of what it marks
    ax = results["spectrogram"].plot(speed=results["speed"], orders=[1])
    ax.figure.canvas.draw()
    line = panel(results["spectrogram"].figure(speed=results["speed"], orders=[1]))["lines"][0]
    marked = ax.transData.transform(np.column_stack([line["x"], line["y"]]))
    strokes = [ax.transData.transform(stroke.get_xydata()) for stroke in ax.lines]
    assert len(strokes) == 2
    point = ax.figure.dpi / 72
    for stroke in strokes:
        apart = np.hypot(*(stroke[:, None] - marked).transpose(2, 0, 1)).min(axis=1) / point
        assert 2 < apart.min() <= apart.max() < 4
    # a place on a map is marked at its edges
    ax = results["order_map"].plot()
    heights = [stroke.get_ydata() for stroke in ax.lines if np.ptp(stroke.get_xdata()) == 0]
    # 1x, 2x and the blades, at the lower and the upper edge
    assert len(heights) == 6
    assert all(max(height) < 0.1 or min(height) > 0.9 for height in heights)


def test_labels_of_fitness_stand_clear_of_their_text(results):
    ax = results["unfit_diagnosis"].plot(show="fitness")
    labels = [text for text in ax.texts if text.get_fontweight() == "bold"]
    begin = min(text.get_window_extent().x0 for text in ax.texts if text.get_va() == "top")
    longest = pyplot.text(0, 0, "sensor resonance, front", fontsize=7.5, fontweight="bold")
    width = longest.get_window_extent().width
    label_begins = labels[0].get_window_extent().x0
    assert begin - (label_begins + width) > 10 * ax.figure.dpi / 72


def test_maps_say_what_their_shades_mean(results):
    ax = results["order_map"].plot()
    bar = next(one for one in ax.figure.axes if one is not ax)
    top = results["order_map"].amplitude.max()
    assert bar.get_ylabel().startswith("acceleration in dB")
    assert "g peak" in bar.get_ylabel()
    named = float(bar.get_ylabel().split("is ")[1].split()[0])
    # rows gathered over speed read a little lower than the highest single block
    assert 0.8 * top < named <= top * 1.01


def panel(figure, row=0):
    return figure["rows"][row]["panels"][0]


def test_curves_are_the_results_own_numbers(results):
    spectrum = results["spectrum"]
    curve = panel(spectrum.figure())["curves"][0]
    np.testing.assert_array_equal(curve["x"], spectrum.frequency_hz)
    np.testing.assert_array_equal(curve["y"], spectrum.values)
    line = spectrum.plot().lines[0]
    np.testing.assert_array_equal(line.get_ydata(), spectrum.values)

    part = panel(spectrum.figure(band_hz=(100, 900)))["curves"][0]
    inside = (spectrum.frequency_hz >= 100) & (spectrum.frequency_hz <= 900)
    np.testing.assert_array_equal(part["y"], spectrum.values[inside])

    envelope = results["envelope"]
    curve = panel(envelope.figure())["curves"][0]
    np.testing.assert_array_equal(curve["x"], envelope.order)
    np.testing.assert_array_equal(curve["y"], envelope.values)

    speed = results["speed"]
    curve = panel(speed.figure())["curves"][0]
    np.testing.assert_array_equal(curve["y"], speed.rpm)
    wide = 2 * speed.error_percent / 100
    np.testing.assert_allclose(curve["high"] / curve["y"], 1 + wide)

    average = results["average"]
    curve = panel(average.figure())["curves"][0]
    np.testing.assert_array_equal(curve["y"], average.values)
    band = 4 * average.residual_rms / np.sqrt(average.turns)
    np.testing.assert_allclose(curve["high"] - curve["low"], band)


def test_waves_keep_every_sample_or_every_peak(results):
    front = results["wave"]
    part = panel(front.figure(between_s=(1.0, 1.02)))["curves"][0]
    times = front.to_dict()["time_s"]
    inside = (times >= 1.0) & (times <= 1.02)
    np.testing.assert_array_equal(part["y"], front.values[inside])
    np.testing.assert_allclose(part["x"], times[inside])
    whole = panel(front.figure())["curves"][0]
    width = -(-len(front) // 2000)
    columns = [front.values[at : at + width] for at in range(0, len(front), width)]
    np.testing.assert_array_equal(whole["low"], [column.min() for column in columns])
    np.testing.assert_array_equal(whole["high"], [column.max() for column in columns])


def test_maps_are_the_results_own_numbers(results):
    order_map = results["order_map"]
    in_time = panel(order_map.figure(against="time"))
    np.testing.assert_array_equal(in_time["values"], order_map.amplitude)
    np.testing.assert_array_equal(in_time["y"], order_map.time_s)
    np.testing.assert_array_equal(in_time["x"], order_map.orders)
    # against speed: root mean square over the blocks of each of 120 equal steps
    over_speed = panel(order_map.figure())
    low, high = order_map.rpm.min(), order_map.rpm.max()
    step = np.minimum((order_map.rpm - low) / (high - low) * 120, 119).astype(int)
    kept = np.unique(step)
    power = order_map.amplitude.astype(float) ** 2
    expected = np.sqrt([power[step == k].mean(axis=0) for k in kept])
    np.testing.assert_allclose(over_speed["values"], expected, rtol=1e-5)
    np.testing.assert_allclose(over_speed["y"], low + (kept + 0.5) * (high - low) / 120)

    spectrogram = results["spectrogram"]
    shown = panel(spectrogram.figure())
    np.testing.assert_array_equal(shown["values"], spectrogram.values.T)
    np.testing.assert_array_equal(shown["x"], spectrogram.time_s)
    lines = panel(spectrogram.figure(speed=results["speed"], orders=[2]))["lines"]
    np.testing.assert_allclose(lines[0]["y"], results["speed"].rpm_at(lines[0]["x"]) / 30)


def test_tracks_show_amplitude_error_and_phase_where_there_is_one(results):
    tracks = results["tracks"]
    assert [track.order for track in tracks] == [1.0, 2.0]
    assert tracks[-1].order == 2.0
    with pytest.raises(IndexError, match="the first is 0"):
        tracks[2]
    figure = tracks.figure()
    for place, track in enumerate(tracks):
        curve = panel(figure)["curves"][place]
        np.testing.assert_array_equal(curve["x"], track.rpm)
        np.testing.assert_array_equal(curve["y"], track.amplitude)
        np.testing.assert_allclose(curve["high"], track.amplitude + 2 * track.error)
        phase = panel(figure, 1)["curves"][place]["y"]
        clear = track.amplitude >= 3 * track.error
        np.testing.assert_array_equal(np.isfinite(phase), clear)
        # whole cycles of the order apart, which are no steps between neighbours any more
        cycle = 360 / track.order
        cycles = (phase[clear] - track.lag_deg[clear]) / cycle
        np.testing.assert_allclose(cycles, np.round(cycles), atol=1e-9)
        steps = np.abs(np.diff(phase))
        assert np.nanmax(steps) <= cycle / 2
    polar = panel(tracks.figure(show="polar"))["traces"][1]
    clear = np.isfinite(polar["angle_deg"])
    turned = polar["radius"] * np.exp(-1j * np.deg2rad(polar["angle_deg"]))
    np.testing.assert_allclose(turned[clear], tracks[1].phasor[clear], rtol=1e-9)


def test_phase_is_unwrapped(results):
    """Between gaps it is what NumPy's ``unwrap`` makes of it, but for whole cycles."""
    track = sample("good")["front"].track(sample("good").speed())[0]
    clear = track.amplitude >= 3 * track.error
    assert np.abs(np.diff(track.lag_deg[clear])).max() > 300, "the sample's phase passes zero"
    first = next(k for k in range(len(track)) if clear[k : k + 3].all())
    last = first + np.flatnonzero(~np.append(clear[first:], False))[0]
    shown = panel(track.figure(), 1)
    got = shown["curves"][0]["y"]
    wanted = np.unwrap(track.lag_deg[first:last], period=360)
    apart = (got[first:last] - wanted) / 360
    np.testing.assert_allclose(apart, np.round(apart[0]), atol=1e-9)
    assert 0 <= 0.5 * (np.nanmin(got) + np.nanmax(got)) < 360
    low, high = shown["y_axis"]["shown"]
    assert low <= np.nanmin(got) <= np.nanmax(got) <= high
    assert (low % 90, high % 90) == (0, 0)
    assert shown["y_axis"]["words"] == "phase lag in degrees"
    lower = track.plot()[1]
    assert np.isnan(lower.lines[0].get_ydata()).sum() == (~clear).sum()


def test_criticals_are_marked_with_their_amplification(results):
    track = results["shaft_track"][0]
    criticals = track.criticals()
    assert len(criticals) == 2
    for row in (0, 1):
        marks = panel(track.figure(), row)["marks"]
        np.testing.assert_allclose([mark["at"] for mark in marks], [one["rpm"] for one in criticals])
    for mark, one in zip(panel(track.figure())["marks"], criticals, strict=True):
        rpm, amplification = mark["label"].split(" rpm, amplification ")
        assert abs(float(rpm.replace(" ", "")) - one["rpm"]) <= 0.5
        assert float(amplification) == pytest.approx(one["amplification"], rel=5e-3)
    rings = [point for point in panel(track.figure(show="polar"))["points"] if point["is_critical"]]
    for ring, one in zip(rings, criticals, strict=True):
        nearest = np.abs(track.rpm - one["rpm"]).argmin()
        assert ring["radius"] == pytest.approx(track.amplitude[nearest], rel=0.05)
        assert f"amplification {one['amplification']:.2f}" in ring["label"]
    # rings are larger than the other points, and drawn for both
    sizes = [line.get_markersize() for line in track.plot(show="polar").lines]
    assert sizes.count(7.0) == 2
    # the second order shows none, and nothing is drawn
    second = results["tracks"][1]
    assert panel(second.figure())["marks"] == []
    assert not any(point["is_critical"] for point in panel(second.figure(show="polar"))["points"])


def test_names_of_orders_stand_clear_of_a_waterfall(results):
    orders = [1, 2, 3, 9]
    ax = results["spectrogram"].plot(speed=results["speed"], waterfall=True, orders=orders)
    ax.figure.canvas.draw()
    box = ax.get_window_extent()
    names = [text for text in ax.texts if text.get_text().endswith("x")]
    assert len(names) == len(orders)
    for name in names:
        at = name.get_window_extent()
        assert at.y0 >= box.y1 or at.x0 >= box.x1, name.get_text()
    band = results["spectrogram"].plot(
        speed=results["speed"], waterfall=True, orders=[9], band_hz=(0, 4000)
    )
    band.figure.canvas.draw()
    (name,) = (text for text in band.texts if text.get_text().endswith("9x"))
    line = panel(results["spectrogram"].figure(speed=results["speed"], waterfall=True, orders=[9]))
    left_at = 60 * band.get_xlim()[1] / 9
    middle = band.transData.transform((0, left_at))[1]
    at = name.get_window_extent()
    assert at.x0 > band.get_window_extent().x1
    assert 0.5 * (at.y0 + at.y1) == pytest.approx(middle, abs=3)
    assert line["lines"][0]["x"][-1] > band.get_xlim()[1]


def test_the_strongest_line_of_a_microphone_is_named_by_its_order():
    rec = qs.read(SAMPLES / "microphone.wav")
    speed = sample("microphone").speed()
    order_map = rec["ch1"].order_map(speed)
    # no machine file names the blades; 9 of them are planted
    assert "9x" in [mark["label"] for mark in panel(order_map.figure())["marks"]]
    told = sample("microphone")["sound"].order_map(speed)
    labels = [mark["label"] for mark in panel(told.figure())["marks"]]
    assert [label for label in labels if "9x" in label] == ["compressor 9x"]


def test_the_highest_line_is_named_by_its_order_at_steady_speed():
    t = np.arange(int(2 * RATE_HZ)) / RATE_HZ
    noise = 0.01 * np.random.default_rng(4).standard_normal(t.size)
    for hz, words in ((9000.0, ["9x"]), (9400.0, [])):
        rec = qs.Recording.from_arrays(
            {"a": np.sin(2 * np.pi * hz * t) + noise}, rate_hz=RATE_HZ, roles={"a": "vibration"}
        )
        figure = rec["a"].spectrum().figure(speed=steady_speed(60_000.0))
        told, *order = panel(figure)["points"][0]["labels"][0].splitlines()[0].split(", ")
        # lines are 1 Hz apart
        assert abs(float(told.removesuffix(" Hz")) - hz) <= 1
        assert order == words


def test_sensors_of_an_orbit_stand_at_the_rim(results):
    orbit = results["orbit"]
    for place in orbit.figure()["rows"][0]["panels"]:
        (sensors,) = (points for points in place["points"] if points["symbol"] == "sensor")
        assert sensors["labels"] == ["front_x", "front_y"]
        angles = np.rad2deg(np.arctan2(sensors["y"], sensors["x"]))
        np.testing.assert_allclose(angles, [45, 135])
        path = place["curves"][0]
        rim = np.hypot(sensors["x"], sensors["y"])
        assert rim.min() > np.hypot(path["x"], path["y"]).max()
        # the rotation: an arc that ends in an arrow, anticlockwise
        arrow = place["arrows"][1]
        assert np.cross([*arrow["from"], 0], [*arrow["at"], 0])[2] > 0
    drawn = orbit.plot()
    for ax in drawn:
        assert {"front_x", "front_y"} <= {text.get_text() for text in ax.texts}


def test_rings_stand_within_the_run(results):
    shown = panel(results["interference"].figure())
    (ring,) = (points for points in shown["points"] if points["symbol"] == "ring")
    assert min(ring["x"]) >= results["speed"].rpm.min()
    assert max(ring["x"]) <= results["speed"].rpm.max()
    # a slow order that would meet the natural frequency beyond the highest speed
    rec, speed = sample("imbalanced"), results["speed"]
    shown = panel(rec.interference(speed, orders=[0.5, 1]).figure())
    (ring,) = (points for points in shown["points"] if points["symbol"] == "ring")
    (natural,) = results["interference"].natural_frequencies
    assert 2 * natural["rpm"] > speed.rpm.max()
    assert np.array(ring["x"]).max() == pytest.approx(natural["rpm"])


def test_one_order_needs_no_list(results):
    speed, front = results["speed"], results["wave"]
    np.testing.assert_array_equal(
        front.track(speed, orders=2)[0].phasor, front.track(speed, orders=[2])[0].phasor
    )
    spectrum = results["spectrum"]
    one, listed = (panel(spectrum.figure(speed=speed, orders=given)) for given in (2, [2]))
    assert one["spans"] == listed["spans"]
    orbit = results["shaft"].orbit("front_x", "front_y", results["shaft_speed"], orders=1)
    assert [each["order"] for each in orbit.orders] == [1.0]
    assert panel(spectrum.figure(band_hz=[100, 900]))["x_axis"]["shown"][0] >= 100


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda r: r["wave"].track(r["speed"], orders="all"), "'all' is no order; give one as 1"),
        (lambda r: r["wave"].track(r["speed"], orders=[1, "2x"]), "is no order; give one as 1"),
        (
            lambda r: r["spectrum"].plot(speed=r["speed"], orders=None, band_hz=5),
            "^5 are not two numbers; give them in brackets",
        ),
        (lambda r: r["order_map"].plot(between_orders=(1, 2, 3)), "are not two numbers"),
        (lambda r: r["tracks"].plot("polar"), "'polar' is no axes of matplotlib.*show='polar'"),
        (lambda r: r["spectrum"].plot(3), "3 is no axes of matplotlib; pass those to draw into"),
    ],
)
def test_arguments_of_a_wrong_kind_are_refused_in_one_sentence(results, call, words):
    with pytest.raises(TypeError, match=words) as refusal:
        call(results)
    assert "\n" not in str(refusal.value)
    assert "cannot be" not in str(refusal.value)


def test_defect_lines_stand_where_the_geometry_puts_them(results):
    """FTF = (1 - g) / 2 and so on: Smith and Randall, MSSP 64-65 (2015) 100-131, section 2."""
    machine = sample("bearing").machine.to_dict()["bearing"]["front"]
    z, d, pitch = machine["elements"], machine["element_mm"], machine["pitch_mm"]
    g = d / pitch * np.cos(np.deg2rad(machine["contact_deg"]))
    marks = panel(results["envelope"].figure(bearing="front"))["marks"]
    at = {mark["label"]: mark["at"] for mark in marks if mark["label"]}
    assert at["1x"] == 1.0
    assert at["BPFO"] == pytest.approx(z * (1 - g) / 2)
    assert at["2 BPFO"] == pytest.approx(z * (1 - g))
    assert at["BPFI"] == pytest.approx(z * (1 + g) / 2)
    assert at["2 BSF"] == pytest.approx(pitch / d * (1 - g * g))
    assert at["FTF"] == pytest.approx((1 - g) / 2)
    minor = [mark["at"] for mark in marks if mark["minor"]]
    assert np.abs(np.array(minor) - (at["BPFI"] - 1)).min() < 1e-9
    assert np.abs(np.array(minor) - (at["2 BSF"] + at["FTF"])).min() < 1e-9
    # the sample's outer race is damaged: its lines stand on the highest values
    found = panel(results["bearing_diagnosis"].findings[0].figure())
    curve, order = found["curves"][0], found["marks"][1]["at"]
    assert found["marks"][1]["label"] == "BPFO"
    highest = curve["x"][curve["x"] > 0.2][curve["y"][curve["x"] > 0.2].argmax()]
    assert highest == pytest.approx(order, rel=5e-3)


def test_a_bearing_finding_shows_what_its_lines_were_held_against(results):
    finding = results["bearing_diagnosis"].findings[0]
    shown = panel(finding.figure())
    told = {evidence.key: evidence.value for evidence in finding.evidence}
    spectrum, floor, bound = shown["curves"]
    judged = np.isfinite(floor["y"])
    # noise reaches the same power over the floor everywhere; beside whole orders nothing is judged
    ratio = (bound["y"][judged] / floor["y"][judged]) ** 2
    np.testing.assert_allclose(ratio, ratio[0])
    assert ratio[0] > 1
    whole = np.abs(spectrum["x"] - np.round(spectrum["x"])) < 1e-9
    assert whole[1:].any()
    assert not judged[whole].any()
    (discs,) = shown["points"]
    assert len(discs["x"]) == told["harmonics"] + told["sidebands"]
    assert discs["x"][0] == pytest.approx(told["line_order"])
    heights = np.interp(discs["x"], spectrum["x"][judged], bound["y"][judged])
    assert np.all(discs["y"] > 0.9 * heights)
    end = shown["x_axis"]["shown"][1]
    assert all(0 < mark["at"] <= end for mark in shown["marks"])
    ax = finding.plot()
    words = [text.get_text() for text in ax.get_legend().get_texts()]
    assert {"local floor", "lines that stand out", "multiples of BPFO"} <= set(words)
    # the band is named above
    assert re.search(r"envelope spectrum, [\d ]+ to [\d ]+ Hz, outer race", ax.get_title(loc="left"))


def test_sidebands_look_other_than_harmonics(results):
    ax = results["envelope"].plot(bearing="front", parts=["inner"])
    marks = panel(results["envelope"].figure(bearing="front", parts=["inner"]))["marks"]
    upright = {line.get_xdata()[0]: line for line in ax.lines if len(set(line.get_xdata())) == 1}
    (harmonic,) = (upright[mark["at"]] for mark in marks if mark["label"] == "BPFI")
    minor = [upright[mark["at"]] for mark in marks if mark["minor"]]
    assert minor
    for line in minor:
        assert max(line.get_ydata()) < 0.7 < max(harmonic.get_ydata())
        assert line.get_linestyle() != "-"


def test_an_imbalance_is_shown_with_its_law_and_the_value_judged(results):
    finding = results["diagnosis"].findings[0]
    upper, lower = (row["panels"][0] for row in finding.figure()["rows"])
    track, *laws = upper["curves"]
    assert laws
    assert all(law["stroke"] == "dashed" and "(unbalance " in law["name"] for law in laws)
    for law in laws:
        on_track = np.interp(law["x"], track["x"], track["y"])
        assert np.median(np.abs(law["y"] / on_track - 1)) < 0.2
    assert upper["points"][0]["y"][0] == pytest.approx(finding.evidence[0].value)
    assert upper["y_axis"]["scale"] == "log"
    assert lower["y_axis"]["unit"] == "degrees"


def test_what_was_put_lower_has_a_picture_from_ten_percent_on(results):
    for name in ("diagnosis", "bearing_diagnosis", "unfit_diagnosis"):
        for finding in results[name].considered:
            if not finding.confidence >= 0.1:
                assert finding.figure() is None, finding
    (second,) = (f for f in results["bearing_diagnosis"].considered if f.fault == "raised_2x")
    assert second.confidence >= 0.1
    assert len(second.figure()["rows"]) == 2


def test_a_cyclic_map_keeps_the_highest_of_what_it_gathers(results):
    cyclic = results["cyclic"]
    shown = panel(cyclic.figure())
    np.testing.assert_array_equal(shown["y"], cyclic.carrier_hz)
    rows = np.flatnonzero(cyclic.cyclic_order >= 0.2)
    step = math.ceil(rows.size / 420)
    for column in (0, 100, shown["x"].size - 1):
        part = rows[column * step : (column + 1) * step]
        assert shown["x"][column] == pytest.approx(cyclic.cyclic_order[part[[0, -1]]].mean())
        np.testing.assert_array_equal(shown["values"][:, column], cyclic.coherence[part].max(axis=0))
    # close by, every line is shown as it is
    part = panel(cyclic.figure(between=(3.4, 4), band_hz=(5_000, 9_000)))
    rows = (cyclic.cyclic_order >= 3.4) & (cyclic.cyclic_order <= 4)
    columns = (cyclic.carrier_hz >= 5_000) & (cyclic.carrier_hz <= 9_000)
    np.testing.assert_allclose(part["x"], cyclic.cyclic_order[rows])
    np.testing.assert_array_equal(part["values"], cyclic.coherence[np.ix_(rows, columns)].T)
    # the scale tells numbers, and its lightest shade is what noise reaches
    ax = cyclic.plot()
    bar = next(one for one in ax.figure.axes if one is not ax)
    assert bar.get_ylabel() == "squared coherence"
    assert "0.1" in [tick.get_text() for tick in bar.get_yticklabels()]
    low, high = shown["value_axis"]["shown"]
    assert cyclic.noise_coherence < low < 0.02
    assert high == pytest.approx(shown["values"].max())
    quiet = panel(results["cyclic_good"].figure(chance=0.05))
    above = quiet["values"] > quiet["value_axis"]["shown"][0]
    # carriers that are half the cyclic frequency aside
    assert 0.5 < above[60:-2].mean() / 0.05 < 1.5


def test_envelopes_of_a_cyclic_spectrum_stand_against_noise(results):
    cyclic = results["cyclic"]
    for band_hz in (None, (9_000, 15_000)):
        line, noise = panel(cyclic.figure(show="envelope", band_hz=band_hz))["curves"]
        shown = cyclic.cyclic_order >= 0.2
        np.testing.assert_array_equal(line["y"], cyclic.envelope(band_hz=band_hz)[shown])
        np.testing.assert_array_equal(noise["y"], cyclic.noise_reaches(band_hz=band_hz)[shown])
        assert noise["stroke"] == "dashed"
        # the worn race, by far; and between its lines no more than noise
        highest = line["y"].argmax()
        assert abs(line["x"][highest] - 3.525) < 0.01
        assert line["y"][highest] > 50 * noise["y"][highest]
        between = (line["x"] > 5) & (line["x"] < 6)
        assert np.all(line["y"][between] < noise["y"][between])
    rarer = cyclic.noise_reaches(chance=1e-4)
    assert np.all(rarer > cyclic.noise_reaches())
    good = results["cyclic_good"]
    assert np.all(good.envelope()[10:] < good.noise_reaches()[10:])
    titles = [cyclic.figure(show="envelope", band_hz=band)["title"] for band in (None, (9e3, 15e3))]
    assert "enhanced envelope spectrum" in titles[0]
    assert "improved envelope spectrum" in titles[1]


def test_bearing_lines_of_cyclic_spectra_are_those_of_envelope_spectra(results):
    def lines(figure):
        return {mark["label"]: mark["at"] for mark in panel(figure)["marks"] if mark["label"]}

    known = lines(results["envelope"].figure(bearing="front"))
    for show in ("map", "envelope"):
        marks = lines(results["cyclic"].figure(show=show, bearing="front"))
        assert known.items() <= marks.items()
    few = results["cyclic"].figure(bearing="front", parts=["outer"], between=(3, 8))
    assert list(lines(few)) == ["1x", "BPFO", "2 BPFO"]
    # ticks of a map have no pattern that a legend could tell
    assert results["cyclic"].plot(bearing="front").get_legend() is None


def test_bands_are_shaded_by_their_chance(results):
    bands = results["bands"]
    shown = panel(bands.figure())
    assert len(shown["y"]) > 3
    for (low, high), ln_chance in zip(bands.band_hz, bands.ln_chance, strict=True):
        (level,) = np.flatnonzero(np.isclose(shown["y"], high - low))
        inside = (shown["x"] > low) & (shown["x"] < high)
        np.testing.assert_allclose(shown["values"][level, inside], -ln_chance / np.log(10), rtol=1e-6)
    (outline,) = shown["outlines"]
    assert tuple(outline["x"]) == bands.chosen()
    low, high = bands.chosen()
    assert outline["y"][0] < high - low < outline["y"][1]
    (frame,) = bands.plot().patches
    assert (frame.get_x(), frame.get_width()) == pytest.approx((low, high - low))
    # nothing is chosen where nothing is to be found
    good = results["bands_good"]
    assert good.chosen() is None
    assert panel(good.figure())["outlines"] == []
    assert good.figure()["notes"][0].startswith("no band is chosen")
    assert len(panel(good.figure(chance=1.0))["outlines"]) == 1


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda r: r["cyclic"].plot(show="polar"), "choose among map, envelope"),
        (lambda r: r["cyclic"].plot(bearing="middle"), "choose among front, rear"),
        (lambda r: r["cyclic"].plot(chance=0), "chance: 0 is none"),
        (lambda r: r["cyclic"].plot(between=(3, 3)), "between: 3 to 3 holds fewer than two"),
        (lambda r: r["cyclic"].plot(band_hz=(1000, 1100)), "band_hz"),
        (lambda r: r["cyclic_hz"].plot(bearing="front"), "pass speed to cyclic_spectrum"),
        (lambda r: r["cyclic"].noise_reaches(chance=1.5), "choose between 0 and 1"),
    ],
)
def test_pictures_of_rhythms_refuse_what_cannot_be(results, call, words):
    with pytest.raises(ValueError, match=words):
        call(results)


def test_orders_are_lines_at_steady_speed_and_stretches_else(results):
    steady = panel(results["spectrum"].figure(speed=results["steady"], orders=[1, 9]))
    assert [(mark["label"], mark["at"]) for mark in steady["marks"]] == [("1x", 1000), ("9x", 9000)]
    swept = panel(results["spectrum"].figure(speed=results["speed"], orders=[2]))
    assert swept["marks"] == []
    low, high = results["speed"].rpm.min(), results["speed"].rpm.max()
    assert swept["spans"][0]["from"] == pytest.approx(low / 30)
    assert swept["spans"][0]["to"] == pytest.approx(high / 30)


def test_repaired_pulses_stand_on_the_curve(results):
    speed = results["repaired"]
    figure = speed.figure()
    points = panel(figure)["points"][0]
    np.testing.assert_array_equal(points["x"], speed.repairs["times_s"])
    np.testing.assert_array_equal(points["y"], speed.rpm_at(points["x"]))
    assert any(str(speed.repairs["lost"]) + " lost" in note for note in figure["notes"])
    assert "repaired pulse" in [text.get_text() for text in speed.plot().get_legend().get_texts()]


def test_orders_meet_natural_frequencies_where_they_should(results):
    diagram = results["interference"]
    truth = json.loads((SAMPLES / "imbalanced.truth.json").read_text())
    (natural,) = diagram.natural_frequencies
    nearest = min(abs(natural["rpm"] / mode["rpm"] - 1) for mode in truth["critical"])
    assert nearest < 0.02
    assert natural["hz"] == pytest.approx(natural["rpm"] / 60)
    shown = panel(diagram.figure())
    rings = next(points for points in shown["points"] if points["symbol"] == "ring")
    met = dict(zip(rings["labels"], rings["x"], strict=True))
    (critical,) = (label for label in met if label)
    assert critical.startswith("critical ")
    assert met[critical] == pytest.approx(natural["rpm"])
    for line in shown["lines"]:
        order = diagram.orders[line["name"]]
        np.testing.assert_allclose(line["y"], order * line["x"] / 60)
    # the discs are the lines found, and the first order is nearly always among them
    discs = next(points for points in shown["points"] if points["sizes"])
    assert len(discs["x"]) <= len(diagram.rpm)
    first = np.isclose(diagram.frequency_hz * 60 / diagram.rpm, 1, atol=0.03)
    assert len(np.unique(diagram.rpm[first])) > 45
    assert len(diagram.orders) <= 10
    assert diagram.to_dict()["orders"]["1x"] == 1.0
    assert "natural frequency" in diagram._repr_html_()


def test_names_of_lines_stand_at_their_ends(results):
    ax = results["interference"].plot()
    names = {text.get_text(): text for text in ax.texts}
    for name in ("1x", "2x", "BPFO", "BPFI"):
        assert names[name].get_window_extent().x0 > ax.get_window_extent().x1
    blades = next(name for name in names if name.endswith("9x"))
    assert names[blades].get_window_extent().y0 > ax.get_window_extent().y1


def test_found_bearings_are_named_in_maps(results):
    marks = panel(results["bearing_map"].figure(diagnosis=results["bearing_diagnosis"]))["marks"]
    assert "BPFO front" in [mark["label"] for mark in marks]
    plain = panel(results["bearing_map"].figure())["marks"]
    assert not any("BPFO" in mark["label"] for mark in plain)
    speed = results["bearing_speed"]
    spectrogram = results["bearing_spectrogram"]
    lines = panel(spectrogram.figure(speed=speed, diagnosis=results["bearing_diagnosis"]))["lines"]
    assert {"1x", "2x", "BPFO front"} <= {line["name"] for line in lines}
    assert any(line["name"].endswith("9x") for line in lines)
    named = panel(spectrogram.figure(speed=speed, orders=[1, 9]))["lines"]
    assert named[0]["name"] == "1x"
    assert named[1]["name"].endswith(" 9x")


def test_orbits_are_circles_of_both_senses(results):
    """A+- = (a +- b) / 2: Muszynska, Rotordynamics, 2005 (from memory)."""
    orbit = results["orbit"]
    (one,) = orbit.orders
    assert one["major"] == pytest.approx(abs(one["forward"]) + abs(one["backward"]))
    assert one["minor"] == pytest.approx(abs(one["forward"]) - abs(one["backward"]))
    assert one["precession"] in ("forward", "backward")
    assert orbit.rpm == pytest.approx(42_000, rel=2e-3)
    figure = orbit.figure()
    left, right = figure["rows"][0]["panels"]
    theta = 2 * np.pi * np.arange(len(left["curves"][0]["x"])) / (len(left["curves"][0]["x"]) - 1)
    z = one["forward"] * np.exp(1j * theta) + one["backward"] * np.exp(-1j * theta)
    np.testing.assert_allclose(left["curves"][0]["x"], z.real, atol=1e-9)
    np.testing.assert_allclose(left["curves"][0]["y"], z.imag, atol=1e-9)
    np.testing.assert_array_equal(right["curves"][0]["x"][:-1], orbit.x)
    assert left["points"][0]["x"][0] == pytest.approx(z[0].real)
    assert any("the pulse edge passes" in note for note in figure["notes"])
    again = pickle.loads(pickle.dumps(orbit))
    np.testing.assert_array_equal(again.x, orbit.x)
    drawn = orbit.plot()
    drawn[0].figure.canvas.draw()
    box = drawn[0].get_window_extent()
    assert box.width == pytest.approx(box.height, rel=0.01)


def test_a_full_spectrum_parts_what_turns_with_the_shaft(results):
    full = results["full"]
    at = {order: full.values[np.abs(full.order - order).argmin()] for order in (-1, 1)}
    orders, values = full.order, full.values
    assert orders[0] == pytest.approx(-6)
    assert values[orders == 0] == 0
    assert at[1] > 0.2 * values.max()
    curve = panel(full.figure())["curves"][0]
    np.testing.assert_array_equal(curve["y"], values)
    labels = [mark["label"] for mark in panel(full.figure())["marks"]]
    assert labels == ["−3x", "−2x", "−1x", "1x", "2x", "3x"]
    assert results["full_hz"].order is None
    assert results["full_hz"].frequency_hz[-1] == -results["full_hz"].frequency_hz[0]


def test_slow_roll_is_taken_away_and_told(results):
    raw, left = results["shaft_track"][0], results["slow_roll"][0]
    slow = left.slow_roll
    assert raw.slow_roll is None
    # the run-out planted, at slow roll nearly alone
    assert abs(slow["vector"]) == pytest.approx(6.0, rel=0.02)
    np.testing.assert_allclose(left.phasor, raw.phasor - slow["vector"])
    np.testing.assert_allclose(left.error, np.hypot(raw.error, slow["error"]))
    chosen = raw.rpm <= 3500
    assert slow["points"] == chosen.sum()
    np.testing.assert_allclose(slow["vector"], raw.phasor[chosen].mean())
    notes = results["slow_roll"].figure()["notes"]
    assert any("less the slow-roll vector of 1x: 6." in note for note in notes)
    polar = results["slow_roll"].figure(show="polar")
    assert any("less the slow-roll" in note for note in polar["notes"])


def test_an_empty_polar_picture_says_why(results):
    t = np.arange(int(RATE_HZ)) / RATE_HZ
    noise = np.random.default_rng(2).standard_normal(t.size)
    rec = qs.Recording.from_arrays(
        {"a": noise}, rate_hz=RATE_HZ, units={"a": "g"}, roles={"a": "vibration"}
    )
    hidden = rec["a"].track(rec.speed(rpm=60_000), orders=[3])
    assert hidden.figure(show="polar")["notes"][0].startswith("3x is lost in noise")
    # and no speed is named there, though the run be long enough for one
    run_up = rec["a"].track(
        qs.Recording.from_arrays(
            {"rpm": np.linspace(20_000, 60_000, t.size)}, rate_hz=RATE_HZ, units={"rpm": "rpm"}
        ).speed(),
        orders=3,
    )
    assert panel(run_up.figure(show="polar"))["points"] == []
    clear = panel(results["tracks"].figure(show="polar"))["points"]
    assert len(clear) > 3
    assert not any("lost in noise" in note for note in results["tracks"].figure()["notes"])


def test_rows_tell_what_the_diagnosis_says(results):
    result = results["diagnosis"]
    found = panel(result.figure(show="findings"))["entries"]
    told = [*result.findings, *result.considered]
    # what cannot be told has no bar
    bars = [np.nan if entry["bar"] is None else entry["bar"] for entry in found]
    np.testing.assert_allclose(bars, [100 * finding.confidence for finding in told])
    assert found[0]["state"] == ("bad" if told[0].confidence >= 0.9 else "limited")
    levels = panel(result.figure(show="levels"))["entries"]
    ratios = sorted((level.value / level.limit for level in result.levels if level.limit), reverse=True)
    np.testing.assert_allclose([entry["bar"] for entry in levels if entry["bar"]], ratios)
    unfit = results["unfit_diagnosis"]
    checks = panel(unfit.figure(show="fitness"))["entries"]
    words = {"good": "good", "limited": "limited", "bad": "unfit"}
    assert [words[entry["state"]] for entry in checks] == [check.fit for check in unfit.fitness]
    # what was measured on an unfit channel is no level
    assert all(entry["bar"] is None for entry in panel(unfit.figure(show="levels"))["entries"])
    head = panel(unfit.figure())["lines"][0]["text"]
    assert head == "unfit.wav: NO VERDICT"
    assert any("no protection system" in note for note in unfit.figure()["notes"])


def test_axes_of_the_caller_are_drawn_into(results):
    _, (left, right) = pyplot.subplots(1, 2)
    assert results["spectrum"].plot(left) is left
    assert results["spectrum"].plot(ax=right) is right
    _, both = pyplot.subplots(2)
    drawn = results["tracks"].plot(both)
    assert list(drawn) == list(both)
    with pytest.raises(ValueError, match="2 panels and 1 axes"):
        results["tracks"].plot(left)
    with pytest.raises(ValueError, match="projection='polar'"):
        results["tracks"].plot(left, show="polar")
    with pytest.raises(ValueError, match="page of its own"):
        results["diagnosis"].plot(left)
    before = dict(matplotlib.rcParams)
    results["speed"].plot()
    assert dict(matplotlib.rcParams) == before


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda r: r["wave"].plot(between_s=(7, 8)), "choose times from"),
        (lambda r: r["wave"].plot(between_s=(float("nan"), 1)), "choose times from"),
        (lambda r: r["spectrum"].plot(orders=[1]), "pass speed"),
        (lambda r: r["spectrum"].plot(speed=r["speed"], orders=[0]), "0 is no order"),
        (lambda r: r["spectrum"].plot(band_hz=(5, 5)), "band_hz"),
        (lambda r: r["spectrum"].plot(scale="cubic"), "log, linear, decibel"),
        (lambda r: r["spectrogram"].plot(band_hz=(9e9, 9e10)), "band_hz"),
        (lambda r: r["order_map"].plot(between_orders=(3, 2)), "between_orders"),
        (lambda r: r["order_map"].plot(against="noise"), "speed, time"),
        (lambda r: r["tracks"].plot(show="all"), "both, amplitude, phase, polar"),
        (lambda r: r["envelope"].plot(bearing="middle"), "choose among front, rear"),
        (lambda r: r["envelope"].plot(bearing="front", parts=["seal"]), "outer, inner, ball, cage"),
        (lambda r: r["envelope_hz"].plot(bearing="front"), "need a shaft speed"),
        (lambda r: r["diagnosis"].plot(show="all"), "overview, fitness, findings, levels"),
        (lambda r: r["diagnosis"].considered[0].plot(), "there is no picture of it"),
        (lambda r: sample("imbalanced").interference(r["steady"]), "a run-up"),
        (lambda r: r["shaft"].interference(r["shaft_speed"], channel="side"), "front_x, front_y"),
        (lambda r: r["shaft"].orbit("front_x", "front_x", r["shaft_speed"]), "one sensor"),
        (
            lambda r: r["shaft"].orbit("front_x", "front_y", r["shaft_speed"], angles_deg=(0, 20)),
            "20 degrees apart",
        ),
        (
            lambda r: r["shaft"].orbit("front_x", "front_y", r["shaft_speed"], at_rpm=90_000),
            "never turns at 90000 rpm",
        ),
        (
            lambda r: r["shaft"].orbit("front_x", "front_y", r["shaft_speed"], at_rpm=9e3, at_s=1.0),
            "leave one of them out",
        ),
        (
            lambda r: r["shaft"].full_spectrum(
                "front_x", "front_y", r["shaft_speed"], between_rpm=(1, 2)
            ),
            "no turns lie",
        ),
        (lambda r: r["tracks"].less_slow_roll(below_rpm=10_000), "shows no run-out"),
        (lambda r: r["slow_roll"].less_slow_roll(below_rpm=3500), "already"),
        (lambda r: r["shaft_track"].less_slow_roll(below_rpm=100), "two points of the track"),
    ],
)
def test_what_cannot_be_drawn_is_refused_in_one_sentence(results, call, words):
    with pytest.raises(ValueError, match=words) as refusal:
        call(results)
    assert "\n" not in str(refusal.value)


def test_figures_are_plain_data(results):
    def plain(value):
        if isinstance(value, np.ndarray):
            assert not value.flags.writeable
            return value.tolist()
        raise TypeError(type(value))

    for name in ("diagnosis", "spectrogram", "tracks", "envelope", "repaired", "orbit", "interference"):
        assert json.loads(json.dumps(results[name].figure(), default=plain))["rows"]


def test_pictures_survive_pickling(results):
    again = pickle.loads(pickle.dumps(results["diagnosis"]))
    first, second = (one.findings[0].figure() for one in (results["diagnosis"], again))
    np.testing.assert_array_equal(panel(first)["curves"][0]["y"], panel(second)["curves"][0]["y"])
    tracks = pickle.loads(pickle.dumps(results["tracks"]))
    np.testing.assert_array_equal(tracks[1].amplitude, results["tracks"][1].amplitude)


def test_results_become_columns(results):
    for name in ("wave", "spectrum", "psd", "envelope", "average"):
        columns = results[name].to_dict()
        lengths = {value.size for value in columns.values() if isinstance(value, np.ndarray)}
        assert lengths == {columns["values"].size}
        assert columns["channel"] == "front"
    track = results["tracks"].to_dict()[0]
    assert track["rpm"].shape == track["amplitude"].shape == track["lag_deg"].shape
    assert results["order_map"].to_dict()["amplitude"].ndim == 2
    assert results["spectrogram"].to_dict()["values"].ndim == 2
    recording = sample("good").to_dict()
    assert [channel["name"] for channel in recording["channels"]][:1] == ["front"]
    result = results["diagnosis"]
    assert result.findings[0].evidence[0].to_dict()["text"]
    assert result.fitness[0].to_dict()["fit"] == "good"
    assert result.levels[0].to_dict()["channel"] == result.levels[0].channel


class Strict(html.parser.HTMLParser):
    """Takes a table apart; keeps its tags and its words."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.attributes, self.words = [], [], []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        """Keep tag and names of attributes."""
        self.tags.append(tag)
        self.attributes += [name for name, _ in attrs]

    def handle_data(self, data):
        """Keep the words."""
        self.words.append(data)


ALLOWED = {"table", "caption", "tr", "th", "td", "ul", "li"}


def hostile_recording():
    t = np.arange(int(3 * RATE_HZ)) / RATE_HZ
    samples = np.sin(2 * np.pi * 400 * t) + 0.1 * np.random.default_rng(1).standard_normal(t.size)
    return qs.Recording.from_arrays(
        {HOSTILE: samples},
        rate_hz=RATE_HZ,
        units={HOSTILE: "g"},
        roles={HOSTILE: "vibration"},
        name=HOSTILE,
    )


def test_names_with_markup_do_no_harm():
    rec = hostile_recording()
    speed = rec.speed(rpm=24_000)
    channel = rec[HOSTILE]
    result = qs.diagnose(rec, rpm=24_000)
    quoted = "".join(f"\\u{ord(c):04x}" for c in HOSTILE)
    machine = qs.machine_from_text(f'format = 1\nname = "{quoted}"')
    things = [rec, result, *result.findings, speed, channel.spectrum(), channel.psd(), machine]
    things += [channel.order_map(speed), channel.track(speed)[0], channel.track(speed, orders=[1, 2])]
    named = 0
    for thing in things:
        table = Strict(thing._repr_html_())
        assert set(table.tags) <= ALLOWED
        assert set(table.attributes) <= {"style"}
        text = "".join(table.words)
        assert "\x1b" not in text
        assert "\u202e" not in text
        named += "<script>alert('x')</script> $\\frac{1}$ & \"" in text
    assert named >= 7
    for drawn in (channel, channel.spectrum(), channel.track(speed), result):
        axes_of(drawn.plot())[0].figure.savefig(io.BytesIO(), format="png")


def test_tables_tell_what_matters(results):
    text = "".join(Strict(results["diagnosis"]._repr_html_()).words)
    assert "REJECT" in text
    assert results["diagnosis"].reason in text
    assert "SHA-256" in sample("good").machine._repr_html_()
    assert "rpm" in results["speed"]._repr_html_()
    assert "evidence" in results["diagnosis"].findings[0]._repr_html_()


def run(script):
    return subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)


def test_matplotlib_is_imported_only_to_draw():
    done = run("import sys, quietspin; assert 'matplotlib' not in sys.modules")
    assert done.returncode == 0, done.stderr


def test_without_matplotlib_a_sentence_says_how_to_get_it():
    done = run(
        "import sys; sys.modules['matplotlib'] = None\n"
        "import quietspin as qs\n"
        "rec = qs.Recording.from_arrays({'a': [0.0, 1.0, 0.0]}, rate_hz=10, roles={'a': 'vibration'})\n"
        "assert rec['a'].figure()['rows']\n"
        "try:\n    rec['a'].plot()\nexcept ImportError as error:\n    print(error)\n"
    )
    assert "plots need matplotlib" in done.stdout, done.stderr
    assert "pip install matplotlib" in done.stdout
    assert "[plot]" in done.stdout
