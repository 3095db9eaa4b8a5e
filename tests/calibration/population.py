"""Simulated populations: machines with and without faults, drawn at random, and their raw scores.

The rotors, sensors, noise, speeds and extras are drawn by ``simulate``; see its documentation for the
ranges. One machine is one row per signature and basis: the most suspicious place counts.
"""

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import quietspin as qs
from quietspin import _core

# classes of machines and their share; prevalence of each fault follows from it
SHARES = {
    None: 0.4,
    "imbalance": 0.12,
    "misalignment": 0.12,
    "bearing_outer": 0.09,
    "bearing_inner": 0.09,
    "bearing_ball": 0.09,
    "bearing_cage": 0.09,
}


@dataclass(frozen=True)
class Row:
    """One signature's score on one machine."""

    seed: int
    drawn: str | None
    signature: str
    basis: str
    raw: float
    confidence: float
    present: bool


def classes(count: int) -> list[str | None]:
    """Classes of ``count`` machines in the stated shares, mixed evenly."""
    names = list(SHARES)
    taken = dict.fromkeys(names, 0)
    order = []
    for drawn in range(1, count + 1):
        behind = max(names, key=lambda name: SHARES[name] * drawn - taken[name])
        taken[behind] += 1
        order.append(behind)
    return order


def rows_of(seed: int, drawn: str | None) -> list[Row]:
    """Simulate one machine and score it."""
    simulated = qs.simulate(drawn=True, fault=drawn, seed=seed)
    truth = simulated.truth
    present = {fault["fault"] for fault in truth["faults"]}
    present |= {line["observation"] for line in truth.get("observations", [])}
    speeds = [60.0 * knot["speed_hz"] for knot in truth["knots"]]
    passed = [c for c in truth["critical"] if 1.05 * min(speeds) < c["rpm"] < 0.97 * max(speeds)]
    # a mode amplified by less than 2.5 is no critical speed (API standard paragraphs, from memory)
    if any(c["damping"] < 0.2 for c in passed):
        present.add("resonance")
    # every other machine is judged as one without a coupling: there the same force is a raised 2x
    coupling = None if seed % 2 else False
    if "misalignment" in present:
        present.add("raised_2x")
    best: dict[str, tuple[float, str, float]] = {}
    for signature, basis, raw, confidence in _core.raw_scores(simulated.recording, coupling=coupling):
        if signature not in best or raw > best[signature][0]:
            best[signature] = (raw, basis, confidence)
    return [
        Row(seed, drawn, signature, basis, raw, confidence, signature in present)
        for signature, (raw, basis, confidence) in best.items()
    ]


def simulate_rows(first_seed: int, count: int) -> list[Row]:
    """Rows of ``count`` machines from ``first_seed`` on, on all cores."""
    jobs = list(enumerate(classes(count), start=first_seed))
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        results = pool.map(lambda job: rows_of(*job), jobs)
        return [row for rows in results for row in rows]
