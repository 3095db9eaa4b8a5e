"""What `check` costs, in multiples of R: decoding the same file plus one FFT of each channel.

One run on one machine measures both: R in a small program that does nothing else, `check` as the
native release command, start included, each the median of seven with the file in the cache. Recordings
are simulated: 60 s at 51.2 kHz in 24 bits. Memory is the peak of the process less that of
`--version`, over the samples as 32-bit floats.
"""

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
BUILT = Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target")) / "release"
REPEATS = 7
RATE_HZ = 51_200
DURATION_S = 60

SCENARIO = """
name = "{name}"
[speed]
start_rpm = 9600
top_rpm = 96000
wait_s = 2
up_s = 30
hold_s = {hold_s}
[converter]
rate_hz = {rate_hz}
bits = 24
[limits]
order1_mm_s_rms = 4.5
overall_mm_s_rms = 7.1
"""
SENSOR = '[[sensor]]\nname = "{place}"\nplace = "{place}"\nfull_scale = 50\n'


@dataclass(frozen=True)
class Case:
    """One kind of recording, and how much `check` may cost on it."""

    name: str
    places: tuple[str, ...]
    bearings: bool
    pulse: bool
    goal: float


CASES = (
    Case("one vibration and pulse, no bearings", ("front",), False, True, 3),
    Case("two vibrations and pulse, bearings", ("front", "rear"), True, True, 10),
    Case("one vibration, bearings, no pulse", ("front",), True, False, 10),
)


def run(*command: object) -> tuple[float, int, int]:
    """Seconds, peak memory in bytes and exit status of a command."""
    start = time.perf_counter()
    with open(os.devnull, "wb") as nowhere:
        process = subprocess.Popen([str(c) for c in command], stdout=nowhere, stderr=nowhere)
        _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    return time.perf_counter() - start, usage.ru_maxrss * 1024, process.returncode


def median(*command: object) -> tuple[float, int]:
    """Median seconds and median peak memory of a command that must not fail."""
    runs = [run(*command) for _ in range(REPEATS)]
    if any(status == 2 or status < 0 for *_, status in runs):
        sys.exit(f"failed: {' '.join(map(str, command))}")
    return statistics.median(r[0] for r in runs), int(statistics.median(r[1] for r in runs))


def make(case: Case, folder: Path) -> tuple[Path, Path]:
    """Simulate the recording of a case; its WAV and its machine file."""
    name = case.name.replace(" ", "_").replace(",", "")
    text = SCENARIO.format(name=name, rate_hz=RATE_HZ, hold_s=DURATION_S - 32)
    text += "".join(SENSOR.format(place=place) for place in case.places)
    if not case.pulse:
        text += "[pulse]\nfitted = false\n"
    scenario = folder / "scenario.toml"
    scenario.write_text(text)
    command = [BUILT / "quietspin", "simulate", scenario, "--seed", "1", "--out", folder]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    machine = folder / f"{name}.machine.toml"
    if not case.bearings:
        machine.write_text(without_bearings(machine.read_text()))
    return folder / f"{name}.wav", machine


def without_bearings(text: str) -> str:
    """Drop what a machine file says of bearings."""
    tables = text.split("\n[")
    kept = [t for t in tables if not t.startswith("bearing.")]
    lines = "\n[".join(kept).splitlines()
    return "\n".join(line for line in lines if not line.startswith("bearing = ")) + "\n"


def measure(case: Case, folder: Path, idle_bytes: int) -> dict[str, object]:
    """Cost of `check` on one case."""
    wav, machine = make(case, folder)
    reference = subprocess.run(
        [BUILT / "examples" / "plain_read", wav], check=True, capture_output=True, text=True
    )
    reference_s = float(reference.stdout)
    seconds, peak = median(BUILT / "quietspin", "check", wav, "--machine", machine)
    channels = len(case.places) + case.pulse
    samples_bytes = 4 * channels * RATE_HZ * DURATION_S
    return {
        "case": case.name,
        "r_s": round(reference_s, 4),
        "check_s": round(seconds, 4),
        "check_in_r": round(seconds / reference_s, 2),
        "goal_in_r": case.goal,
        "memory_over_samples": round((peak - idle_bytes) / samples_bytes, 2),
    }


def main() -> None:
    """Print the table and the figures; the exit status says whether the goals are met."""
    build = ["cargo", "build", "--quiet", "--release", "--bin", "quietspin"]
    subprocess.run([*build, "--example", "plain_read"], cwd=ROOT, check=True)
    start_s, idle_bytes = median(BUILT / "quietspin", "--version")
    with tempfile.TemporaryDirectory() as folder:
        rows = [measure(case, Path(folder), idle_bytes) for case in CASES]
    print(f"start of the command: {1000 * start_s:.1f} ms")
    for row in rows:
        print("  ".join(f"{key} {value}" for key, value in row.items()))
    figures = {"start_ms": round(1000 * start_s, 1), "cases": rows}
    print("FIGURES " + json.dumps(figures))
    met = all(row["check_in_r"] <= case.goal for row, case in zip(rows, CASES, strict=True))
    sys.exit(not (met and start_s < 0.015))


if __name__ == "__main__":
    main()
