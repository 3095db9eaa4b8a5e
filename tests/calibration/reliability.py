"""Hold the stated confidences against simulated machines that the fit did not see."""

import json
import sys

import numpy as np
from population import Row, simulate_rows

FIRST_SEED = 1_000_001
# goals: expected calibration error, and share of healthy machines with a fault at half or more
MOST_ERROR = 0.05
MOST_ALARMS = 0.01
BINS = np.linspace(0.0, 1.0, 11)


def reliability(rows: list[Row]) -> dict[str, float | list]:
    """Brier score, expected calibration error and the reliability table of some rows."""
    stated = np.array([row.confidence for row in rows])
    present = np.array([row.present for row in rows], dtype=float)
    place = np.clip(np.digitize(stated, BINS) - 1, 0, len(BINS) - 2)
    table = []
    error = 0.0
    for k in range(len(BINS) - 1):
        members = place == k
        if members.any():
            mean, share = stated[members].mean(), present[members].mean()
            error += members.mean() * abs(mean - share)
            table.append([round(float(mean), 3), round(float(share), 3), int(members.sum())])
    return {
        "count": len(rows),
        "brier": round(float(((stated - present) ** 2).mean()), 4),
        "calibration_error": round(float(error), 4),
        "stated_share_count": table,
    }


def drawn_faults(rows: list[Row]) -> set[str]:
    """Every fault that some machine was given."""
    return {row.drawn for row in rows if row.drawn is not None}


def found(rows: list[Row], fault: str) -> dict[str, int]:
    """Of the machines with a fault: how many, with it stated at half or more, and with it on top."""
    machines: dict[int, list[Row]] = {}
    for row in rows:
        if row.drawn == fault:
            machines.setdefault(row.seed, []).append(row)
    family = fault.split("_")[0]
    counts = {"machines": len(machines), "at_half_or_more": 0, "first_of_its_family": 0}
    for own in machines.values():
        best = max((row.confidence for row in own if row.signature == fault), default=0.0)
        others = (r.confidence for r in own if r.signature.startswith(family))
        counts["at_half_or_more"] += best >= 0.5
        counts["first_of_its_family"] += 0.0 < best >= max(others, default=0.0)
    return counts


def main() -> None:
    """Print the reliability of every signature and of all together."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    rows = simulate_rows(FIRST_SEED, count)
    figures: dict[str, object] = {"machines": count, "all": reliability(rows)}
    for signature in sorted({row.signature for row in rows}):
        figures[signature] = reliability([row for row in rows if row.signature == signature])
    healthy = {row.seed for row in rows if row.drawn is None}
    observations = (
        "resonance",
        "raised_2x",
        "sub_synchronous",
        "blade_pass",
        "generator_lines",
        "mains_hum",
    )
    alarmed = {
        row.seed
        for row in rows
        if row.seed in healthy and row.signature not in observations and row.confidence >= 0.5
    }
    figures["healthy_machines"] = len(healthy)
    figures["healthy_with_a_fault_at_half_or_more"] = len(alarmed)
    figures["found"] = {fault: found(rows, fault) for fault in sorted(drawn_faults(rows))}
    print(json.dumps(figures, indent=1))
    print("FIGURES", json.dumps(figures))
    met = figures["all"]["calibration_error"] <= MOST_ERROR
    sys.exit(not (met and len(alarmed) <= MOST_ALARMS * len(healthy)))


if __name__ == "__main__":
    main()
