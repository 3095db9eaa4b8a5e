"""Each stage against the same stage written with NumPy and SciPy, on one thread.

Every stage is written twice in SciPy: `usual`, as an engineer writes it today in double precision,
and `best`, the fastest we can write that gives an equal result, in single precision. The results of
`best` and of quietspin are compared first; a stage whose results differ stops the run. Times are
medians of seven in one process. The table is an aid, no gate: it exits 0 whatever the ratios.
"""

import json
import os
import statistics
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass

# before NumPy is loaded: one thread for everyone
for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[variable] = "1"

import numpy as np
import scipy.fft
from scipy import interpolate, signal

import quietspin as qs

REPEATS = 7
RATE_HZ = 51_200
DURATION_S = 60
RESOLUTION_HZ = 20.0
BAND_HZ = (8_000.0, 12_000.0)
MAX_ORDER = 13.0
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
