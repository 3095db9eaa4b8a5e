"""Simulated populations: machines with and without faults, drawn at random, and their raw scores.

The rotors, sensors, noise, speeds and extras are drawn by ``simulate``; see its documentation for the
ranges. One machine is one row per signature and basis: the most suspicious place counts.
"""

import os
import re
import tempfile
import tomllib
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import quietspin as qs
from quietspin import _core

# classes of machines, by the faults that they have, and their share; prevalence of each fault follows
SHARES: dict[tuple[str, ...], float] = {
    (): 0.40,
    ("imbalance",): 0.11,
    ("misalignment",): 0.08,
    ("bent_shaft",): 0.05,
    ("looseness",): 0.07,
    ("rub",): 0.07,
    ("bearing_outer",): 0.045,
    ("bearing_inner",): 0.045,
    ("bearing_ball",): 0.04,
    ("bearing_cage",): 0.02,
    # several at once
    ("imbalance", "looseness"): 0.01,
    ("imbalance", "rub"): 0.01,
    ("imbalance", "bearing_outer"): 0.01,
    ("misalignment", "bearing_inner"): 0.01,
    ("misalignment", "imbalance"): 0.01,
    ("looseness", "bearing_outer"): 0.01,
    ("bearing_outer", "bearing_inner"): 0.01,
}
# what a signature looks for, where the fault drawn has another name
ALSO = {"misalignment": ("raised_2x",)}


@dataclass(frozen=True)
class Row:
    """One signature's score on one machine."""

    seed: int
    drawn: tuple[str, ...]
    signature: str
    basis: str
    raw: float
    confidence: float
    present: bool
    # the highest raw log-odds of every other signature on the machine, as far as above zero
    others: dict[str, float]


def classes(count: int) -> list[tuple[str, ...]]:
    """Classes of ``count`` machines in the stated shares, mixed evenly."""
    names = list(SHARES)
    taken = dict.fromkeys(names, 0)
    order = []
    for drawn in range(1, count + 1):
        behind = max(names, key=lambda name: SHARES[name] * drawn - taken[name])
        taken[behind] += 1
        order.append(behind)
    return order


def is_there(truth: dict) -> set[str]:
    """Name everything that a signature may find on a machine."""
    present = {planted["fault"] for planted in truth["faults"]}
    for fault in tuple(present):
        present.update(ALSO.get(fault, ()))
    present.update(planted["observation"] for planted in truth.get("observations", ()))
    speeds = [60.0 * knot["speed_hz"] for knot in truth["knots"]]
    passed = [c for c in truth["critical"] if 1.05 * min(speeds) < c["rpm"] < 0.97 * max(speeds)]
    # a mode amplified by less than 2.5 is no critical speed (API standard paragraphs, from memory)
    if any(c["damping"] < 0.2 for c in passed):
        present.add("resonance")
    return present


def without_limits(simulated: qs.Simulated) -> qs.Recording:
    """Read the recording as its owner would who states no limits."""
    with tempfile.TemporaryDirectory() as folder:
        files = simulated.save(Path(folder) / "spin.wav")
        text = re.sub(
            r"^\[limits\]\n(?:[^\[\n].*\n|\n)*", "", files["machine"].read_text(), flags=re.MULTILINE
        )
        assert "limits" not in tomllib.loads(text)
        return qs.read(files["recording"], machine=qs.machine_from_text(text))


def rows_of(seed: int, drawn: tuple[str, ...], limits: bool = True) -> list[Row]:
    """Simulate one machine and score it; without limits, as far as that needs none."""
    simulated = qs.simulate(drawn=True, fault=list(drawn), seed=seed)
    recording = simulated.recording if limits else without_limits(simulated)
    present = is_there(simulated.truth)
    # every other machine is judged as one without a coupling: there the same force is a raised 2x
    coupling = None if seed % 2 else False
    best: dict[str, tuple[float, str, float]] = {}
    for signature, basis, raw, confidence in _core.raw_scores(recording, coupling=coupling):
        if signature not in best or raw > best[signature][0]:
            best[signature] = (raw, basis, confidence)
    speaking = {signature: max(raw, 0.0) for signature, (raw, _, _) in best.items()}
    return [
        Row(seed, drawn, signature, basis, raw, confidence, signature in present, speaking)
        for signature, (raw, basis, confidence) in best.items()
    ]


def simulate_rows(first_seed: int, count: int, limits: bool = True) -> list[Row]:
    """Score ``count`` machines from ``first_seed`` on, on all cores."""
    jobs = list(enumerate(classes(count), start=first_seed))
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        results = pool.map(lambda job: rows_of(*job, limits), jobs)
        return [row for rows in results for row in rows]
