"""The long measurements: what each depends on, and how it is made.

A figure's file records the hash of the sources that it depends on. When those change, the figure is
stale until ``tests/run --full`` measures it again.
"""

import hashlib
import json
import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "tests" / "figures"


@dataclass(frozen=True)
class Figure:
    """One long measurement: its name, its sources as globs, and the command that prints it."""

    name: str
    sources: tuple[str, ...]
    command: tuple[str, ...]
    needs_data: bool = False

    @property
    def path(self) -> Path:
        """File that holds the result."""
        return FOLDER / f"{self.name}.json"

    def source_hash(self) -> str:
        """SHA-256 over names and contents of all sources, in order of name."""
        files = sorted({file for glob in self.sources for file in ROOT.glob(glob)})
        digest = hashlib.sha256()
        for file in files:
            digest.update(str(file.relative_to(ROOT)).encode())
            digest.update(file.read_bytes())
        return digest.hexdigest()

    def recorded_hash(self) -> str | None:
        """Hash that stands in the file, if there is one."""
        if not self.path.is_file():
            return None
        return json.loads(self.path.read_text()).get("source_sha256")

    def goals_met(self) -> bool:
        """Whether the recorded result met its goals; unknown counts as not."""
        return self.path.is_file() and json.loads(self.path.read_text()).get("goals_met", False)

    def measure(self) -> None:
        """Run the command and write what it printed, whole or not at all."""
        source_hash = self.source_hash()
        done = subprocess.run(self.command, cwd=ROOT, stdout=subprocess.PIPE, text=True)
        lines = [line for line in done.stdout.splitlines() if line.startswith("FIGURES ")]
        figures = [json.loads(line.removeprefix("FIGURES ")) for line in lines]
        if len(figures) != 1:
            sys.exit(f"{self.name}: expected one line of figures, got {len(figures)}")
        result = {
            "name": self.name,
            "source_sha256": source_hash,
            "goals_met": done.returncode == 0,
            "figures": figures[0],
        }
        write_whole(self.path, json.dumps(result, indent=1, sort_keys=True) + "\n")


def write_whole(path: Path, text: str) -> None:
    """Write a file whole or not at all."""
    with tempfile.NamedTemporaryFile("w", dir=path.parent, delete=False) as file:
        file.write(text)
    os.replace(file.name, path)


def rust(test: str) -> tuple[str, ...]:
    """Command of a long Rust test, which prints one line of figures."""
    options = ("--release", "--test", "all")
    return ("cargo", "test", "--quiet", *options, "--", "--ignored", "--nocapture", "--exact", test)


def optimised(path: str) -> tuple[str, ...]:
    """Command of a Python measurement of speed, with the module as users install it."""
    build = "maturin develop --release --quiet"
    return ("bash", "-c", f"{build} >&2 && exec {sys.executable} {path}")


def script(path: str) -> tuple[str, ...]:
    """Command of a long Python measurement."""
    return (sys.executable, path)


ANGLE = ("src/dsp/*.rs", "src/angle/*.rs", "src/angle/tracking_filter/*.rs", "src/speed/mod.rs")
# the rooms that a diagnosis passes through; what shows it afterwards is left out
ROOMS = [
    "dsp",
    "recording",
    "machine",
    "simulate",
    "speed",
    "angle",
    "spectrum",
    "fitness",
    "case",
    "signature",
]
CORE = (
    "src/units.rs",
    "src/diagnose.rs",
    *(f"src/{room}/**/*.rs" for room in ROOMS),
    "src/signature/calibration.toml",
)

FIGURES = (
    Figure(
        "speed_from_pulses",
        (
            "src/dsp/*.rs",
            "src/speed/*.rs",
            "src/speed/pulses/*.rs",
            "tests/rust/speed.rs",
            "tests/rust/pulse_signals.rs",
        ),
        rust("speed::speed_from_pulses_figures"),
    ),
    Figure(
        "speed_without_pulses",
        ("src/dsp/*.rs", "src/speed/*.rs", "src/speed/blind/*.rs", "tests/rust/blind*.rs"),
        rust("blind::speed_without_pulses_figures"),
    ),
    Figure(
        "real_speed",
        (
            "src/dsp/*.rs",
            "src/recording/**/*.rs",
            "src/speed/*.rs",
            "src/speed/blind/*.rs",
            "tests/bench/real_speed.py",
        ),
        optimised("tests/bench/real_speed.py"),
        needs_data=True,
    ),
    Figure(
        "criticals",
        (
            "src/dsp/*.rs",
            "src/angle/*.rs",
            "src/angle/critical/*.rs",
            "src/simulate/**/*.rs",
            "tests/rust/criticals.rs",
        ),
        rust("criticals::critical_speed_figures"),
    ),
    Figure("orders", (*ANGLE, "tests/rust/orders.rs"), rust("orders::order_figures")),
    Figure("angle_stream", (*ANGLE, "tests/rust/orders.rs"), rust("orders::angle_stream_figures")),
    Figure(
        "closed_loop",
        (
            *CORE,
            "src/balance/*.rs",
            "src/balance/vectors/*.rs",
            "tests/rust/closed_loop/*.rs",
            "tests/bench/closed_loop.py",
        ),
        script("tests/bench/closed_loop.py"),
    ),
    Figure(
        "tracking_filter",
        (*ANGLE, "src/python/channel.rs", "tests/bench/tracking_filter.py"),
        optimised("tests/bench/tracking_filter.py"),
    ),
    Figure(
        "calibration",
        (*CORE, "tests/calibration/*.py"),
        optimised("tests/calibration/reliability.py"),
    ),
    Figure(
        "false_alarms",
        (*CORE, "tests/bench/false_alarms.py", "tests/bench/open_data.py"),
        optimised("tests/bench/false_alarms.py"),
        needs_data=True,
    ),
    Figure(
        "open_data",
        (*CORE, "tests/bench/open_data.py"),
        optimised("tests/bench/open_data.py"),
        needs_data=True,
    ),
    Figure(
        "check_cost",
        (*CORE, "src/report/text.rs", "tests/bench/check_cost.py", "tests/bench/plain_read.rs"),
        script("tests/bench/check_cost.py"),
    ),
    Figure(
        "compare_scipy",
        (*CORE, "tests/bench/compare_scipy.py"),
        optimised("tests/bench/compare_scipy.py"),
    ),
    Figure(
        "screen_cores",
        (
            *CORE,
            "src/screen/*.rs",
            "src/cli/screen.rs",
            "python/quietspin/screening.py",
            "tests/bench/screen_cores.py",
        ),
        optimised("tests/bench/screen_cores.py"),
    ),
    Figure(
        "start_cost",
        (
            "Cargo.toml",
            "pyproject.toml",
            "python/quietspin/*.py",
            "src/cli/mod.rs",
            "src/python/mod.rs",
            "tests/package/start_cost.py",
            "tests/package/wheel.py",
        ),
        script("tests/package/start_cost.py"),
    ),
)
