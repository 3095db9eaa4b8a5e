"""Print which figures are stale: their sources changed since they were measured."""

from catalogue import FIGURES


def main() -> None:
    """Print one line per figure."""
    for figure in FIGURES:
        recorded = figure.recorded_hash()
        if recorded is None:
            state = "not measured yet"
        elif recorded == figure.source_hash():
            state = "fresh" if figure.goals_met() else "fresh, goals missed"
        else:
            state = "stale, run tests/run --full"
        print(f"figure {figure.name}: {state}")


if __name__ == "__main__":
    main()
