"""How much faster a screen is on two cores than on one, by the command and from Python.

Both run in turn over the same archive of simulated recordings in one run on one machine, each the
median of three, all files in the cache: `quietspin screen --jobs 1` against `--jobs 2`, and `qs.screen`
with a pool of one thread against a pool of two and against two processes.
"""

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path

import quietspin as qs

ROOT = Path(__file__).resolve().parents[2]
BUILT = Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target")) / "release"
REPEATS = 3
RECORDINGS = 24
GOAL = 1.8

SCENARIO = """
name = "spin"
[speed]
start_rpm = 9600
top_rpm = 96000
up_s = 8
hold_s = 4
[converter]
rate_hz = 51200
"""


def make(archive: Path) -> None:
    """Simulate one recording and copy it: what is judged does not matter, how long it takes does."""
    scenario = archive.parent / "scenario.toml"
    scenario.write_text(SCENARIO)
    first = archive.parent / "spin.wav"
    command = [BUILT / "quietspin", "simulate", scenario, "--seed", "1", "--out", first]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    for number in range(RECORDINGS):
        for ending in (".wav", ".machine.toml"):
            source = first.with_name(f"spin{ending}")
            (archive / f"spin{number:02}{ending}").write_bytes(source.read_bytes())


def by_command(archive: Path, jobs: int) -> float:
    """Seconds of the command with a number of jobs."""
    journal = archive.parent / "rows.jsonl"
    journal.unlink(missing_ok=True)
    command = [BUILT / "quietspin", "screen", archive, "--out", journal, "--jobs", str(jobs), "--quiet"]
    begun = time.perf_counter()
    status = subprocess.run(command).returncode
    seconds = time.perf_counter() - begun
    if status == 2 or len(journal.read_text().splitlines()) != RECORDINGS:
        sys.exit(f"the screen with {jobs} jobs failed")
    return seconds


def by_python(archive: Path, pool: Executor) -> float:
    """Seconds of a screen from Python in a pool that has started already."""
    begun = time.perf_counter()
    table = qs.screen(archive, executor=pool, progress=False)
    seconds = time.perf_counter() - begun
    if len(table) != RECORDINGS or table.counts["unreadable"]:
        sys.exit(f"the screen failed: {table}")
    return seconds


def medians(*ways: Callable[[], float]) -> list[float]:
    """Median seconds of several ways, which run in turn, each once before it counts."""
    for way in ways:
        way()
    runs = [[way() for way in ways] for _ in range(REPEATS)]
    return [statistics.median(of_way) for of_way in zip(*runs, strict=True)]


def main() -> None:
    """Print the ratios; the exit status says whether the goal is met."""
    build = ["cargo", "build", "--quiet", "--release", "--bin", "quietspin"]
    subprocess.run(build, cwd=ROOT, check=True)
    with tempfile.TemporaryDirectory() as folder:
        archive = Path(folder) / "archive"
        archive.mkdir()
        make(archive)
        one, two = medians(lambda: by_command(archive, 1), lambda: by_command(archive, 2))
        with (
            ThreadPoolExecutor(1) as single,
            ThreadPoolExecutor(2) as pair,
            ProcessPoolExecutor(2) as apart,
        ):
            pools = (single, pair, apart)
            thread, threads, processes = medians(
                *(lambda pool=pool: by_python(archive, pool) for pool in pools)
            )
    figures = {
        "recordings": RECORDINGS,
        "cores": os.cpu_count(),
        "command_s": round(one, 3),
        "command_two_jobs": round(one / two, 2),
        "python_two_threads": round(thread / threads, 2),
        "python_two_processes": round(thread / processes, 2),
        "goal": GOAL,
    }
    print("FIGURES " + json.dumps(figures))
    ratios = (one / two, thread / threads, thread / processes)
    sys.exit(min(ratios) < GOAL)


if __name__ == "__main__":
    main()
