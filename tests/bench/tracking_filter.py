"""Hold the coupled tracking filter against SciPy on the same system, first the results, then the time.

The system is written out as a sparse matrix: one row for each sample (the carriers of each order, shared
between the two places beside it), and the squared second differences between places. SciPy solves it as
engineers usually do (sparse LU of the normal equations) and as well as it can (banded Cholesky). Numbers
are ratios within one run; nothing else should run meanwhile.
"""

import json
import statistics
import sys
import time

import numpy as np
import quietspin as qs
import scipy.linalg
import scipy.sparse
import scipy.sparse.linalg

RATE_HZ = 51_200.0
ORDERS = (1.0, 2.0, 3.5)
BANDWIDTH_HZ = 5.0
PLACED = 0.02
"""Bandwidth times distance of the places, as the filter has it."""
PLACES_PER_POINT = 10
RUNS = 7
GOAL_DIFFERENCE = 1e-4


def recording(seconds):
    """Make three orders of a run-up from 160 Hz at 240 Hz per second over 6 s, slower where longer."""
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    slope = 1440.0 / seconds
    turns = 160.0 * t + 0.5 * slope * t**2
    random = np.random.default_rng(1)
    x = 0.1 * random.standard_normal(t.size)
    for place, order in enumerate(ORDERS):
        x += (1.0 + 0.2 * np.sin(t + place)) * np.cos(2 * np.pi * order * turns + place)
    rpm = 60.0 * (160.0 + slope * t)
    channels = {"vibration": x.astype(np.float32), "speed": rpm.astype(np.float32)}
    rec = qs.Recording.from_arrays(
        channels, rate_hz=RATE_HZ, units={"speed": "rpm"}, roles={"speed": "speed"}
    )
    return rec


def system(values, turns):
    """Write out the data and, in their measure, the smoothing as sparse matrices."""
    samples = values.size
    step = max(1, int(PLACED * RATE_HZ / BANDWIDTH_HZ))
    places = -(-(samples - 1) // step) + 1
    index = np.arange(samples)
    near = np.minimum(index // step, places - 2)
    share = (index - near * step) / step
    width = 2 * len(ORDERS)
    rows, columns, entries = [], [], []
    for k, order in enumerate(ORDERS):
        angle = 2 * np.pi * np.mod(order * turns, 1.0)
        for part, carrier in ((0, np.cos(angle)), (1, -np.sin(angle))):
            for side, weight in ((0, 1.0 - share), (1, share)):
                rows.append(index)
                columns.append((near + side) * width + 2 * k + part)
                entries.append(weight * carrier)
    data = scipy.sparse.csr_matrix(
        (np.concatenate(entries), (np.concatenate(rows), np.concatenate(columns))),
        shape=(samples, places * width),
    )
    bandwidth = BANDWIDTH_HZ * step / RATE_HZ
    r = np.sqrt((np.sqrt(2) - 1) / (2 - 2 * np.cos(np.pi * bandwidth)) ** 2)
    strength = np.sqrt(0.5 * step) * r
    second = scipy.sparse.diags([1.0, -2.0, 1.0], [0, 1, 2], shape=(places - 2, places))
    smoothing = strength * scipy.sparse.kron(second, scipy.sparse.identity(width))
    return data, smoothing.tocsr(), width


def normal_equations(values, turns):
    data, smoothing, width = system(values, turns)
    matrix = (data.T @ data + smoothing.T @ smoothing).tocsc()
    rhs = data.T @ (values.astype(float) - values.mean(dtype=float))
    return matrix, rhs, width


def usual(values, turns):
    """Solve as engineers write it: the normal equations by sparse LU."""
    matrix, rhs, width = normal_equations(values, turns)
    return phasors(scipy.sparse.linalg.spsolve(matrix, rhs), width)


def best(values, turns):
    """Solve as well as SciPy can: by Cholesky factor of a banded matrix."""
    matrix, rhs, width = normal_equations(values, turns)
    reach = 2 * width
    matrix = matrix.todia()
    banded = np.zeros((reach + 1, matrix.shape[0]))
    for offset, diagonal in zip(matrix.offsets, matrix.data, strict=True):
        if 0 >= offset >= -reach:
            banded[-offset, : diagonal.size] = diagonal
    return phasors(scipy.linalg.solveh_banded(banded, rhs, lower=True), width)


def phasors(solution, width):
    parts = solution.reshape(-1, width)
    return parts[:, 0::2] + 1j * parts[:, 1::2]


def timed(work):
    """Time several runs: their median in seconds."""
    times = []
    for _ in range(RUNS):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def ours(channel, speed):
    """Follow the orders by the filter."""
    return channel.track(speed, orders=list(ORDERS), method="filter", bandwidth_hz=BANDWIDTH_HZ)


def inside(rec):
    """Give the samples that the speed covers, the angle at each, and the index of the first."""
    channel, speed = rec["vibration"], rec.speed()
    first = int(np.ceil((speed.time_s[0] - channel.start_s) * RATE_HZ))
    last = int(np.floor((speed.time_s[-1] - channel.start_s) * RATE_HZ))
    index = np.arange(first, last + 1)
    return channel.values[first : last + 1], speed.turns_at(index / RATE_HZ + channel.start_s), first


def difference(rec, references):
    """Tell how far the filter's phasors lie from those of the references at most."""
    values, turns, first = inside(rec)
    step = max(1, int(PLACED * RATE_HZ / BANDWIDTH_HZ))
    tracks = ours(rec["vibration"], rec.speed())
    worst = 0.0
    for reference in references:
        expected = reference(values, turns)
        for k, track in enumerate(tracks):
            index = (track.time_s - rec["vibration"].start_s) * RATE_HZ - first
            places = np.rint(index / step).astype(int)
            worst = max(worst, float(np.abs(track.phasor - expected[places, k]).max()))
    return worst


def compare(seconds):
    """Compare at one length: difference and times."""
    rec = recording(seconds)
    values, turns, _ = inside(rec)
    apart = difference(rec, [usual, best])
    channel, speed = rec["vibration"], rec.speed()
    ours_s = timed(lambda: ours(channel, speed))
    usual_s = timed(lambda: usual(values, turns))
    best_s = timed(lambda: best(values, turns))
    return {
        "seconds": seconds,
        "difference": apart,
        "quietspin_s": ours_s,
        "scipy_usual_s": usual_s,
        "scipy_best_s": best_s,
        "over_usual": usual_s / ours_s,
        "over_best": best_s / ours_s,
    }


def main():
    """Print the table and one line of figures; 1 where the results differ."""
    rows = [compare(seconds) for seconds in (6.0, 20.0, 60.0)]
    print("seconds  difference  quietspin s  usual s  best s  over usual  over best")
    for row in rows:
        print(
            f"{row['seconds']:7.0f}  {row['difference']:10.1e}  {row['quietspin_s']:11.3f}"
            f"  {row['scipy_usual_s']:7.3f}  {row['scipy_best_s']:6.3f}"
            f"  {row['over_usual']:10.1f}  {row['over_best']:9.1f}"
        )
    per_second = [row["quietspin_s"] / row["seconds"] for row in rows]
    figures = {
        "orders": list(ORDERS),
        "bandwidth_hz": BANDWIDTH_HZ,
        "rows": rows,
        "cost_per_second_of_60_s_over_that_of_6_s": per_second[-1] / per_second[0],
    }
    print("FIGURES " + json.dumps(figures))
    return 0 if all(row["difference"] < GOAL_DIFFERENCE for row in rows) else 1


if __name__ == "__main__":
    sys.exit(main())
