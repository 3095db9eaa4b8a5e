"""Hold the stated confidences against simulated machines that the fit did not see.

Prints the reliability of every signature and of all together: what was stated against how often it
was true, the Brier score (G. W. Brier, Monthly Weather Review 78 (1950) 1-3, from memory), the expected
calibration error over ten bins, and its upper bound over machines drawn again (bootstrap, B. Efron,
1979, from memory). Usage: ``python tests/calibration/reliability.py [COUNT]``.
"""

import json
import sys

import numpy as np
from population import Row, simulate_rows
from quietspin import _core
from scipy.stats import beta

FIRST_SEED = 1_000_001
# goals: expected calibration error, and share of healthy machines with a fault at half or more
MOST_ERROR = 0.05
MOST_ALARMS = 0.01
# a quarter as many are judged as by an owner who states no limits
WITHOUT_LIMITS = 4
BINS = np.linspace(0.0, 1.0, 11)
RESAMPLED = 1000
BOUND = 95.0


def sums(rows: list[Row], seeds: list[int]) -> np.ndarray:
    """Sum up count, stated and present in each bin (last axis), for each machine."""
    places = {seed: place for place, seed in enumerate(seeds)}
    table = np.zeros((len(seeds), 3, len(BINS) - 1))
    for row in rows:
        place = min(int(np.digitize(row.confidence, BINS)) - 1, len(BINS) - 2)
        table[places[row.seed], :, place] += (1.0, row.confidence, float(row.present))
    return table


def calibration_error(table: np.ndarray) -> np.ndarray:
    """Return the expected calibration error of sums whose last two axes are as in ``sums``."""
    count, stated, present = table[..., 0, :], table[..., 1, :], table[..., 2, :]
    return np.abs(stated - present).sum(axis=-1) / np.maximum(count.sum(axis=-1), 1.0)


def reliability(rows: list[Row]) -> dict[str, float | list]:
    """Brier score, expected calibration error with its bound, and the reliability table."""
    seeds = sorted({row.seed for row in rows})
    by_machine = sums(rows, seeds)
    random = np.random.default_rng(1)
    weights = random.multinomial(len(seeds), np.full(len(seeds), 1 / len(seeds)), size=RESAMPLED)
    again = np.tensordot(weights, by_machine, axes=1)
    total = by_machine.sum(axis=0)
    stated = np.array([row.confidence for row in rows])
    present = np.array([row.present for row in rows], dtype=float)
    return {
        "count": len(rows),
        "present": int(present.sum()),
        "brier": round(float(((stated - present) ** 2).mean()), 4),
        "calibration_error": round(float(calibration_error(total)), 4),
        "calibration_error_at_most": round(float(np.percentile(calibration_error(again), BOUND)), 4),
        "stated_share_count": [
            [round(s / n, 3), round(p / n, 3), int(n)] for n, s, p in total.T.tolist() if n
        ],
    }


def drawn_faults(rows: list[Row]) -> set[str]:
    """Every fault that some machine was given."""
    return {fault for row in rows for fault in row.drawn}


def found(rows: list[Row], fault: str) -> dict[str, int]:
    """Of the machines with a fault: how many, with it stated at half or more, and with it on top."""
    machines: dict[int, list[Row]] = {}
    for row in rows:
        if fault in row.drawn:
            machines.setdefault(row.seed, []).append(row)
    faults = dict(_core.rivals()).keys() & drawn_faults(rows)
    counts = {
        "machines": len(machines),
        "scored": 0,
        "at_half_or_more": 0,
        "first_or_beside_another_drawn": 0,
    }
    for own in machines.values():
        best = max((row.confidence for row in own if row.signature == fault), default=None)
        if best is None:
            continue
        wrong = (r.confidence for r in own if r.signature in faults and r.signature not in r.drawn)
        counts["scored"] += 1
        counts["at_half_or_more"] += best >= 0.5
        counts["first_or_beside_another_drawn"] += 0.0 < best >= max(wrong, default=0.0)
    return counts


def wrong_faults(rows: list[Row], machines: set[int]) -> dict[str, int]:
    """Count the machines that show each fault at half or more without having it."""
    alarms: dict[str, set[int]] = {}
    faults = drawn_faults(rows)
    for row in rows:
        is_fault = row.signature in faults
        if row.seed in machines and is_fault and not row.present and row.confidence >= 0.5:
            alarms.setdefault(row.signature, set()).add(row.seed)
    return {fault: len(seeds) for fault, seeds in sorted(alarms.items())}


def upper_bound(alarms: int, machines: int) -> float:
    """Bound a share at 95 % (Clopper and Pearson, Biometrika 26 (1934) 404-413, from memory)."""
    return float(beta.ppf(0.95, alarms + 1, machines - alarms)) if alarms < machines else 1.0


def main() -> None:
    """Print the figures of every signature and of all together."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    rows = simulate_rows(FIRST_SEED, count)
    figures: dict[str, object] = {"machines": count, "all": reliability(rows)}
    drawn = drawn_faults(rows)
    faults = [row for row in rows if row.signature in drawn]
    figures["all_faults"] = reliability(faults)
    for signature in sorted({row.signature for row in rows}):
        figures[signature] = reliability([row for row in rows if row.signature == signature])
    few = simulate_rows(FIRST_SEED + count, count // WITHOUT_LIMITS, limits=False)
    figures["judged_without_limits"] = reliability(few)
    healthy = {row.seed for row in rows if not row.drawn}
    alarmed = {row.seed for row in faults if row.seed in healthy and row.confidence >= 0.5}
    figures["healthy_machines"] = len(healthy)
    figures["healthy_with_a_fault_at_half_or_more"] = len(alarmed)
    figures["healthy_with_a_fault_share_at_most"] = round(upper_bound(len(alarmed), len(healthy)), 4)
    figures["wrong_faults_on_healthy"] = wrong_faults(rows, healthy)
    figures["wrong_faults_on_faulty"] = wrong_faults(rows, {row.seed for row in rows} - healthy)
    figures["found"] = {fault: found(rows, fault) for fault in sorted(drawn)}
    print(json.dumps(figures, indent=1))
    print("FIGURES", json.dumps(figures))
    met = figures["all"]["calibration_error_at_most"] <= MOST_ERROR
    sys.exit(not (met and len(alarmed) <= MOST_ALARMS * len(healthy)))


if __name__ == "__main__":
    main()
