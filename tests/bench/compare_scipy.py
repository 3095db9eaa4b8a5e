"""Each stage against the same stage written with NumPy and SciPy, on one thread.

Every stage is written twice in SciPy: `usual`, as an engineer writes it today in double precision,
and `best`, the fastest we can write that gives an equal result, in single precision. The results of
`best` and of quietspin are compared first; a stage whose results differ stops the run. Times are
medians of seven in one process; the exit status says whether the goals are met. Build the module with
``maturin develop --release`` first: unoptimised it says nothing. SciPy's transforms use one thread
unless asked for more.
"""

import json
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import quietspin as qs
import scipy.fft
from quietspin import _core
from scipy import interpolate, linalg, ndimage, signal
from scipy.io import wavfile

REPEATS = 7
RATE_HZ = 51_200
DURATION_S = 60
RESOLUTION_HZ = 20.0
BAND_HZ = (8_000.0, 12_000.0)
MAX_ORDER = 13.0
# of linear prediction
ORDER = 32
SCENARIO = f"""
[speed]
wait_s = 2
up_s = 30
hold_s = {DURATION_S - 32}
[converter]
rate_hz = {RATE_HZ}
bits = 24
[[sensor]]
name = "front"
place = "front"
full_scale = 50
"""

Array = np.ndarray


@dataclass(frozen=True)
class Stage:
    """One step done three ways; each returns the numbers that must agree."""

    name: str
    ours: Callable[[], Array]
    usual: Callable[[], Array]
    best: Callable[[], Array]
    # largest difference allowed, relative to the largest value
    tolerance: float


def psd(x: Array) -> Array:
    """Averaged density: Hann, half overlap."""
    count = int(RATE_HZ / RESOLUTION_HZ)
    return signal.welch(x, RATE_HZ, "hann", count, detrend="constant")[1]


def column_amplitudes(x: Array, window: Array) -> Array:
    """Amplitude spectra of half-overlapping segments, one row each."""
    count = len(window)
    rows = np.lib.stride_tricks.sliding_window_view(x, count)[:: count // 2]
    rows = (rows - rows.mean(axis=1, keepdims=True)) * window
    values = np.abs(scipy.fft.rfft(rows, axis=1))
    values *= 2 / window.sum(dtype=x.dtype)
    values[:, [0, -1]] /= 2
    return values


def spectrogram(x: Array) -> Array:
    """Amplitudes over time, neighbours averaged in power until at most a thousand rows are left."""
    window = signal.get_window("hann", int(RATE_HZ / RESOLUTION_HZ)).astype(x.dtype)
    rows = column_amplitudes(x, window)
    together = -(-len(rows) // 1000)
    starts = np.arange(0, len(rows), together)
    counts = np.minimum(together, len(rows) - starts)[:, None]
    return np.sqrt(np.add.reduceat(rows**2, starts, axis=0) / counts)


def squared_envelope_usual(x: Array) -> Array:
    """Band-pass there and back, Hilbert transform, squared modulus, averaged spectrum."""
    band = signal.sosfiltfilt(signal.butter(4, BAND_HZ, "bandpass", fs=RATE_HZ, output="sos"), x)
    squared = np.abs(signal.hilbert(band)) ** 2
    return amplitudes(signal.welch(squared, RATE_HZ, "hann", RATE_HZ, scaling="spectrum")[1])


def amplitudes(power: Array) -> Array:
    """Zero-to-peak amplitudes of mean squares; the mean has no two sides."""
    values = np.sqrt(2 * power)
    values[0] /= np.sqrt(2)
    return values


def smooth_step(x: Array) -> Array:
    """Integrate the four-term Blackman-Harris window over the unit interval."""
    x = np.clip(x, 0, 1)
    terms = zip((0.48829, 0.14128, 0.01168), (-1, 1, -1), (1, 2, 3), strict=True)
    turns = 2 * np.pi
    waves = sum(sign * a * np.sin(turns * k * x) / (turns * k) for a, sign, k in terms)
    return x + waves / 0.35875


def squared_envelope_best(x: Array) -> Array:
    """Transform the band alone back, at a rate of 2.5 times its width, in single precision."""
    low, high = BAND_HZ
    edge = 0.1 * (high - low)
    lines = scipy.fft.rfft(x)
    hz = np.arange(len(lines), dtype=x.dtype) * x.dtype.type(RATE_HZ / len(x))
    first, last = np.searchsorted(hz, [low - edge, high + edge])
    count = int(2.5 * (high - low) * len(x) / RATE_HZ)
    hz = hz[first:last]
    gain = smooth_step((hz - low) / edge + 0.5) * smooth_step((high - hz) / edge + 0.5)
    base = np.zeros(count, np.complex64)
    base[: last - first] = lines[first:last] * gain.astype(x.dtype)
    analytic = scipy.fft.ifft(base, overwrite_x=True)
    squared = np.abs(analytic) ** 2 * x.dtype.type((2 * count / len(x)) ** 2)
    rate_hz = count * RATE_HZ / len(x)
    power = signal.welch(squared, rate_hz, "hann", int(rate_hz), scaling="spectrum")[1]
    return amplitudes(power)


def unpredicted(x: Array) -> Array:
    """Take linear prediction of order 32 off: Toeplitz equations, then a filter."""
    centred = x - x.mean(dtype=np.float64).astype(x.dtype)
    count = scipy.fft.next_fast_len(2 * len(x), real=True)
    power = np.abs(scipy.fft.rfft(centred, count)) ** 2
    correlation = scipy.fft.irfft(power, count)[: ORDER + 1].astype(np.float64)
    coefficients = linalg.solve_toeplitz(correlation[:-1], correlation[1:])
    taps = np.concatenate([[1.0], -coefficients]).astype(x.dtype)
    return signal.lfilter(taps, np.ones(1, x.dtype), centred)


def angles(channel: qs.Channel, speed: qs.Speed, per_turn: int) -> Array:
    """Find the places of equal steps of angle, in samples; not part of what is timed."""
    time_s = np.linspace(speed.time_s[0], min(speed.time_s[-1], DURATION_S), 2_000_000)
    turns = speed.turns_at(time_s)
    steps = np.arange(np.ceil(turns[0]) * per_turn, np.floor(turns[-1]) * per_turn) / per_turn
    return (np.interp(steps, turns, time_s) - channel.start_s) * channel.rate_hz


def order_rows(values: Array, per_turn: int) -> Array:
    """Amplitudes over orders of half-overlapping blocks of sixteen turns."""
    window = signal.get_window("hann", 16 * per_turn).astype(values.dtype)
    return column_amplitudes(values, window)


def order_map_usual(x: Array, places: Array, per_turn: int) -> Array:
    """Fourfold upsampling, a cubic spline through it, short transforms."""
    fine = signal.resample_poly(x, 4, 1)
    spline = interpolate.CubicSpline(np.arange(len(fine)), fine)
    return order_rows(spline(4 * places), per_turn)


def order_map_best(x: Array, places: Array, per_turn: int) -> Array:
    """As `order_map_usual`, upsampled in the frequency domain, with a spline of constant cost."""
    lines = scipy.fft.rfft(x)
    fine = scipy.fft.irfft(lines, 4 * len(x)) * x.dtype.type(4)
    values = ndimage.map_coordinates(fine, [4 * places], order=3, output=np.float32, mode="nearest")
    return order_rows(values, per_turn)


def speed_usual(volts: Array, time_s: Array) -> Array:
    """Threshold half-way, edges interpolated, a spline through the turns."""
    level = 0.5 * (volts.min() + volts.max())
    before = np.flatnonzero((volts[:-1] < level) & (volts[1:] >= level))
    edges = (before + (level - volts[before]) / (volts[before + 1] - volts[before])) / RATE_HZ
    turns = np.arange(len(edges))
    return 60 * interpolate.CubicSpline(edges, turns)(time_s, 1)


def speed_best(volts: Array, time_s: Array) -> Array:
    """As `speed_usual`, smoothed over eight turns as a measured speed needs."""
    level = np.float32(0.5) * (volts.min() + volts.max())
    above = volts >= level
    before = np.flatnonzero(above[1:] & ~above[:-1])
    low, high = volts[before], volts[before + 1]
    edges = (before + (level - low) / (high - low)) / RATE_HZ
    middle, hz = 0.5 * (edges[8:] + edges[:-8]), 8 / (edges[8:] - edges[:-8])
    return 60 * np.interp(time_s, middle, hz)


def stages(recording: qs.Recording, path: str) -> list[Stage]:
    """Every stage that both sides have."""
    channel, pulse = recording["front"], recording["pulse"]
    single = np.array(channel.values)
    double = single.astype(np.float64)
    volts = np.array(pulse.values)
    speed = recording.speed()
    time_s = np.linspace(3, DURATION_S - 1, 1000)
    order_map = channel.order_map(speed, max_order=MAX_ORDER)
    # the angle of one block tells the samples per turn; orders up to the highest are compared
    per_turn = 40
    places = angles(channel, speed, per_turn)
    kept = order_map.amplitude.shape[1]

    def orders(rows: Array) -> Array:
        return np.median(rows[:, : min(kept, 16 * 12)], axis=0)

    def read_usual() -> Array:
        return wavfile.read(path)[1].astype(np.float64)[:, 0] / 2**31

    def read_best() -> Array:
        raw = wavfile.read(path)[1]
        return raw[:, 0].astype(np.float32) * np.float32(2.0**-31)

    def read_ours() -> Array:
        return np.asarray(qs.read(path)["ch1"].values)

    def band_ours() -> Array:
        return channel.envelope_spectrum(band_hz=BAND_HZ).values

    return [
        Stage("read 24-bit WAV", read_ours, read_usual, read_best, 1e-6),
        Stage(
            "speed from pulses",
            lambda: recording.speed().rpm_at(time_s),
            lambda: speed_usual(volts, time_s),
            lambda: speed_best(volts, time_s),
            1e-3,
        ),
        Stage(
            "averaged density",
            lambda: channel.psd(resolution_hz=RESOLUTION_HZ).values,
            lambda: psd(double),
            lambda: psd(single),
            1e-3,
        ),
        Stage(
            "spectrogram",
            lambda: channel.spectrogram(resolution_hz=RESOLUTION_HZ).values,
            lambda: spectrogram(double),
            lambda: spectrogram(single),
            1e-3,
        ),
        Stage(
            "squared envelope spectrum",
            band_ours,
            lambda: squared_envelope_usual(double),
            lambda: squared_envelope_best(single),
            2e-2,
        ),
        Stage(
            "linear prediction",
            lambda: channel.without_predicted(order=ORDER).values,
            lambda: unpredicted(double),
            lambda: unpredicted(single),
            1e-3,
        ),
        Stage(
            "order map",
            lambda: orders(channel.order_map(speed, max_order=MAX_ORDER).amplitude),
            lambda: orders(order_map_usual(double, places, per_turn)),
            lambda: orders(order_map_best(single, places, per_turn)),
            2e-2,
        ),
    ]


def seconds(work: Callable[[], Array]) -> float:
    """Median of seven runs."""
    spent = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        work()
        spent.append(time.perf_counter() - start)
    return statistics.median(spent)


def compared(stage: Stage) -> dict[str, object]:
    """Show that results agree, then time all three."""
    ours, best = np.asarray(stage.ours()), np.asarray(stage.best())
    count = min(ours.shape[0], best.shape[0])
    difference = np.abs(ours[:count] - best[:count]).max() / np.abs(best[:count]).max()
    if not difference <= stage.tolerance:
        sys.exit(f"{stage.name}: results differ by {difference:.2g} of the largest value")
    times = {name: seconds(getattr(stage, name)) for name in ("ours", "usual", "best")}
    return {
        "stage": stage.name,
        "difference": float(f"{difference:.2g}"),
        **{f"{name}_s": round(value, 4) for name, value in times.items()},
        "over_usual": round(times["usual"] / times["ours"], 1),
        "over_best": round(times["best"] / times["ours"], 1),
    }


def main() -> None:
    """Print the table and the figures."""
    with tempfile.TemporaryDirectory() as folder:
        path = str(Path(folder) / "spin.wav")
        (Path(folder) / "spin.toml").write_text(SCENARIO)
        if _core.run_cli(["quietspin", "simulate", f"{folder}/spin.toml", "--out", path]) != 0:
            sys.exit("the recording could not be made")
        recording = qs.read(path, machine=f"{folder}/spin.machine.toml")
        rows = [compared(stage) for stage in stages(recording, path)]
    total = {name: sum(float(row[f"{name}_s"]) for row in rows) for name in ("ours", "usual", "best")}
    for row in rows:
        print("  ".join(f"{key} {value}" for key, value in row.items()))
    over = {
        "over_usual": round(total["usual"] / total["ours"], 1),
        "over_best": round(total["best"] / total["ours"], 1),
    }
    print("total", over)
    print("FIGURES " + json.dumps({"stages": rows, "total": over}))
    # the goals of the project: ten times over what is usual, four times over the best equal one
    sys.exit(not (over["over_usual"] >= 10 and over["over_best"] >= 4))


if __name__ == "__main__":
    main()
