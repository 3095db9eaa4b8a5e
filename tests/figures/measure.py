"""Measure the figures that are stale (or those named) and write them to this folder."""

import os
import sys

from catalogue import FIGURES


def main() -> None:
    """Measure, one after the other: they share the machine."""
    wanted = sys.argv[1:]
    for figure in FIGURES:
        if wanted and figure.name not in wanted:
            continue
        if figure.needs_data and not os.environ.get("QUIETSPIN_DATA"):
            print(f"{figure.name}: skipped, QUIETSPIN_DATA is not set")
            continue
        if not wanted and figure.recorded_hash() == figure.source_hash():
            print(f"{figure.name}: fresh")
            continue
        print(f"{figure.name}: measuring", flush=True)
        figure.measure()


if __name__ == "__main__":
    main()
