"""Fit the law from raw log-odds to probability for each signature and write it into the library.

Logistic regression with a weak prior on the slope (Platt, 1999: from memory), on machines of
``population.py``; what mimics a signature counts against it with a weight of zero or more.
Usage: ``python tests/calibration/fit.py [COUNT]``.
"""

import sys
from collections import Counter, defaultdict
from pathlib import Path

import numpy as np
from population import SHARES, Row, simulate_rows
from quietspin import _core
from scipy.optimize import minimize
from scipy.special import expit

ROOT = Path(__file__).resolve().parents[2]
TABLE = ROOT / "src" / "signature" / "calibration.toml"
FIRST_SEED = 1
LEAST_OF_EACH = 8
# standard deviation of the prior on the logarithm of the slope
PRIOR_LOG_SLOPE = 1.5
# mean of the exponential prior on the weight of a rival
PRIOR_AGAINST = 0.5
# what the raw odds call less likely than not may not be raised above even by the fit
MOST_BIAS = {"envelope": 0.0}
WHY_HELD = "simulated sound bearings are cleaner than real ones"
# a quarter as many are judged again as by an owner who states no limits, for the bases that need none
WITHOUT_LIMITS = 4
# weights below this say nothing
LEAST_AGAINST = 0.01


def fit(
    raw: np.ndarray, against: np.ndarray, present: np.ndarray, most_bias: float
) -> tuple[float, float, np.ndarray]:
    """Bias (at most ``most_bias``), slope and weights of the rivals, with Platt's softened targets."""
    positive, negative = present.sum(), (~present).sum()
    target = np.where(present, (positive + 1) / (positive + 2), 1 / (negative + 2))

    def loss(parameters: np.ndarray) -> tuple[float, np.ndarray]:
        bias, log_slope, weights = parameters[0], parameters[1], parameters[2:]
        slope = np.exp(log_slope)
        p = np.clip(expit(bias + slope * raw - against @ weights), 1e-12, 1 - 1e-12)
        entropy = -(target * np.log(p) + (1 - target) * np.log1p(-p)).sum()
        prior = 0.5 * (log_slope / PRIOR_LOG_SLOPE) ** 2 + weights.sum() / PRIOR_AGAINST
        slopes = np.concatenate(
            [
                [(p - target).sum()],
                [(slope * raw * (p - target)).sum() + log_slope / PRIOR_LOG_SLOPE**2],
                -(against * (p - target)[:, None]).sum(axis=0) + 1 / PRIOR_AGAINST,
            ]
        )
        return float(entropy + prior), slopes

    rivals = against.shape[1]
    bounds = [(None, most_bias), (-6.0, 3.0), *[(0.0, 5.0)] * rivals]
    start = np.concatenate([[min(0.0, most_bias), -1.0], np.full(rivals, 0.05)])
    best = minimize(loss, start, jac=True, method="L-BFGS-B", bounds=bounds)
    return float(best.x[0]), float(np.exp(best.x[1])), best.x[2:]


def frequent(rows: list[Row]) -> set[tuple[str, str]]:
    """Name the signatures and bases with enough machines of either kind."""
    present = Counter((row.signature, row.basis) for row in rows if row.present)
    absent = Counter((row.signature, row.basis) for row in rows if not row.present)
    return {key for key in present if min(present[key], absent[key]) >= LEAST_OF_EACH}


def head(count: int) -> str:
    """Say what the table is."""
    shares = ", ".join(f"{' and '.join(faults) or 'healthy'} {s:g}" for faults, s in SHARES.items())
    held = "".join(
        f"# {b}: the bias is held at {m:g} at most; {WHY_HELD}.\n" for b, m in MOST_BIAS.items()
    )
    return (
        "# From raw log-odds to probabilities: 1 / (1 + exp(-x)), where x is bias + slope * raw less,\n"
        "# for each rival, against * its own raw log-odds (0 where they are below 0).\n"
        "# prevalence: share of the machines that had it.\n"
        f"# Written by tests/calibration/fit.py from {count} simulated run-ups, seeds from "
        f"{FIRST_SEED};\n"
        f"# shares: {shares}.\n"
        f"# Bases of machines without limits: from {count // WITHOUT_LIMITS} of them, judged without.\n"
        "# Signatures or bases without an entry are held below 0.5.\n" + held
    )


def table_text(rows: list[Row], count: int) -> str:
    """Text of the calibration table."""
    groups: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for row in rows:
        groups[row.signature, row.basis].append(row)
    all_rivals = dict(_core.rivals())
    text = head(count)
    for (signature, basis), members in sorted(groups.items()):
        raw = np.array([row.raw for row in members])
        present = np.array([row.present for row in members])
        if min(present.sum(), (~present).sum()) < LEAST_OF_EACH:
            print(f"{signature}.{basis}: too few of one kind, left out")
            continue
        rivals = all_rivals[signature]
        against = np.array([[row.others.get(rival, 0.0) for rival in rivals] for row in members])
        against = against.reshape(len(members), len(rivals))
        bias, slope, weights = fit(raw, against, present, MOST_BIAS.get(basis, np.inf))
        kept = {r: w for r, w in zip(rivals, weights, strict=True) if w > LEAST_AGAINST}
        print(f"{signature}.{basis}: {present.sum()} of {len(members)}, {bias:.3f} {slope:.3f} {kept}")
        text += f"\n[{signature}.{basis}]\nbias = {bias:.4f}\nslope = {slope:.4f}\n"
        text += f"prevalence = {present.mean():.4f}\n"
        if kept:
            pairs = ", ".join(f"{rival} = {weight:.4f}" for rival, weight in kept.items())
            text += f"against = {{ {pairs} }}\n"
    return text


def main() -> None:
    """Simulate, fit, write."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 2400
    rows = simulate_rows(FIRST_SEED, count)
    few = simulate_rows(FIRST_SEED, count // WITHOUT_LIMITS, limits=False)
    only = frequent(few) - frequent(rows)
    print("fitted on machines without limits:", sorted(only))
    rows = [row for row in rows if (row.signature, row.basis) not in only]
    rows += [row for row in few if (row.signature, row.basis) in only]
    text = table_text(rows, count)
    temporary = TABLE.with_suffix(".toml.new")
    temporary.write_text(text)
    temporary.replace(TABLE)


if __name__ == "__main__":
    main()
