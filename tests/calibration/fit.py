"""Fit the law from raw log-odds to probability for each signature and write it into the library.

Logistic regression with a weak prior on the slope (Platt, 1999: from memory), on machines of
``population.py``. Usage: ``python tests/calibration/fit.py [COUNT]``.
"""

import sys
from collections import defaultdict
from pathlib import Path

import numpy as np
from population import SHARES, Row, simulate_rows
from scipy.optimize import minimize
from scipy.special import expit

ROOT = Path(__file__).resolve().parents[2]
TABLE = ROOT / "src" / "signature" / "calibration.toml"
FIRST_SEED = 1
LEAST_OF_EACH = 4
# standard deviation of the prior on the logarithm of the slope
PRIOR_LOG_SLOPE = 1.5
# what the raw odds call less likely than not may not be raised above even by the fit
MOST_BIAS = {"envelope": 0.0}
WHY_HELD = "simulated sound bearings are cleaner than real ones"


def fit(raw: np.ndarray, present: np.ndarray, most_bias: float) -> tuple[float, float]:
    """Bias (at most ``most_bias``) and slope of the logistic law, with Platt's softened targets."""
    positive, negative = present.sum(), (~present).sum()
    target = np.where(present, (positive + 1) / (positive + 2), 1 / (negative + 2))

    def loss(parameters: np.ndarray) -> float:
        bias, log_slope = min(parameters[0], most_bias), parameters[1]
        p = np.clip(expit(bias + np.exp(log_slope) * raw), 1e-12, 1 - 1e-12)
        entropy = -(target * np.log(p) + (1 - target) * np.log1p(-p)).sum()
        return float(entropy + 0.5 * (log_slope / PRIOR_LOG_SLOPE) ** 2)

    best = minimize(loss, [0.0, 0.0], method="Nelder-Mead", options={"maxiter": 4000})
    return float(min(best.x[0], most_bias)), float(np.exp(best.x[1]))


def table_text(rows: list[Row], count: int) -> str:
    """Text of the calibration table."""
    groups: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for row in rows:
        groups[row.signature, row.basis].append(row)
    shares = ", ".join(f"{name or 'healthy'} {share:g}" for name, share in SHARES.items())
    text = (
        "# From raw log-odds to probabilities: 1 / (1 + exp(-(bias + slope * raw))).\n"
        f"# Written by tests/calibration/fit.py from {count} simulated run-ups, seeds from "
        f"{FIRST_SEED};\n# shares: {shares}.\n"
        "# Signatures or bases without an entry are capped at 0.5.\n"
        + "".join(
            f"# {basis}: the bias is held at {most:g} at most; {WHY_HELD}.\n"
            for basis, most in MOST_BIAS.items()
        )
    )
    for (signature, basis), members in sorted(groups.items()):
        raw = np.array([row.raw for row in members])
        present = np.array([row.present for row in members])
        if min(present.sum(), (~present).sum()) < LEAST_OF_EACH:
            print(f"{signature}.{basis}: too few of one kind, left out")
            continue
        bias, slope = fit(raw, present, MOST_BIAS.get(basis, np.inf))
        print(f"{signature}.{basis}: {present.sum()} of {len(members)}, {bias:.3f} {slope:.3f}")
        text += f"\n[{signature}.{basis}]\nbias = {bias:.4f}\nslope = {slope:.4f}\n"
    return text


def main() -> None:
    """Simulate, fit, write."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 600
    text = table_text(simulate_rows(FIRST_SEED, count), count)
    temporary = TABLE.with_suffix(".toml.new")
    temporary.write_text(text)
    temporary.replace(TABLE)


if __name__ == "__main__":
    main()
