"""Build what is published, the wheel and the source distribution, and install the wheel alone."""

import json
import os
import shutil
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
DISTRIBUTIONS = ROOT / ".tests" / "dist"
PINS = ROOT / "tests" / "requirements.txt"


def run(*command: object, cwd: Path = ROOT) -> str:
    """Output of a command that must not fail; what it complains of is shown."""
    done = subprocess.run([str(c) for c in command], cwd=cwd, stdout=subprocess.PIPE, text=True)
    if done.returncode != 0:
        sys.exit(f"{done.stdout}failed: {' '.join(map(str, command))}")
    return done.stdout


def build(name: str, *options: str) -> list[Path]:
    """Files that maturin builds, in a folder of this name."""
    out = DISTRIBUTIONS / name
    shutil.rmtree(out, ignore_errors=True)
    # one folder of compiled dependencies, wherever the sources are unpacked
    os.environ.setdefault("CARGO_TARGET_DIR", str(ROOT / "target"))
    run("maturin", "build", "--quiet", "--locked", *options, "--out", out)
    return sorted(out.iterdir())


def wheel() -> Path:
    """Build the wheel as users install it."""
    (built,) = build("release", "--release")
    return built


def source_distribution() -> tuple[Path, Path]:
    """Build the source distribution, and a wheel from it alone; not optimised, to save time."""
    built = build("source", "--sdist")
    (archive,) = (path for path in built if path.name.endswith(".tar.gz"))
    (from_archive,) = (path for path in built if path.suffix == ".whl")
    return archive, from_archive


class Environment:
    """A Python environment of its own."""

    def __init__(self, folder: Path) -> None:
        venv.create(folder, with_pip=True, clear=True)
        self.programs = folder / "bin"
        self.python = self.programs / "python"
        self.at_first = self.packages()

    def install(self, *what: object) -> None:
        """Install packages at their pinned versions."""
        pip = [self.python, "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
        run(*pip, "--constraint", PINS, *what)

    def packages(self) -> set[str]:
        """Names of the packages that are installed."""
        listing = run(self.python, "-m", "pip", "list", "--format", "json", cwd=Path("/"))
        return {package["name"] for package in json.loads(listing)}
