"""Check what is published: the lists of files, the wheel alone under test, the sources built."""

import subprocess
import sys
import tarfile
import tempfile
import zipfile
from pathlib import Path

from wheel import ROOT, Environment, run, source_distribution, wheel

LICENCES = ("LICENSE-APACHE", "LICENSE-MIT")
# what the Python tests import beside NumPy, at the versions pinned for all tests
TEST_TOOLS = (
    *("pytest", "matplotlib", "pandas", "polars", "distributed", "scipy"),
    *("ipykernel", "nbclient", "nbformat"),
)
# parts of the repository that nobody needs to build or to read the sources
STRAY = (".ci/", ".tests/", "tests/figures/", "samples/balance/", "samples/recordings/", "target/")


def tracked(*paths: str) -> set[str]:
    """Files of the repository below some paths."""
    return set(run("git", "ls-files", "--", *paths).split())


def demand(is_kept: bool, sentence: str) -> None:
    """End with a sentence where something is not as it should be."""
    if not is_kept:
        sys.exit(sentence)


def check_wheel(path: Path) -> None:
    """Demand the package with stubs, mark of typing and licences, and nothing else."""
    with zipfile.ZipFile(path) as archive:
        names = set(archive.namelist())
        (metadata,) = (name for name in names if name.endswith(".dist-info/METADATA"))
        told = archive.read(metadata).decode()
    about = metadata.removesuffix("METADATA")
    package = {name.removeprefix("python/") for name in tracked("python")}
    demand({"quietspin/py.typed", "quietspin/_core.pyi"} <= package, "stubs or py.typed are not tracked")
    needed = {*package, "quietspin/_core.abi3.so"}
    needed |= {about + name for name in ("METADATA", "WHEEL", "RECORD", "entry_points.txt")}
    needed |= {f"{about}licenses/{name}" for name in LICENCES}
    # a list of what was compiled in, which maturin adds
    extra = {name for name in names - needed if not name.startswith(f"{about}sboms/")}
    demand(needed <= names, f"the wheel lacks {sorted(needed - names)}")
    demand(not extra, f"the wheel holds what does not belong there: {sorted(extra)}")
    needs = [
        line for line in told.splitlines() if line.startswith("Requires-Dist") and "extra" not in line
    ]
    demand(needs == ["Requires-Dist: numpy>=1.26"], f"the wheel needs {needs}")
    print(f"wheel: {len(names)} files, {path.stat().st_size / 1e6:.1f} MB")


def check_sources(path: Path, from_sources: Path) -> None:
    """Demand all that is needed to build, and nothing that the repository does not hold."""
    with tarfile.open(path) as archive:
        files = [member.name for member in archive.getmembers() if member.isfile()]
    names = {name.split("/", 1)[1] for name in files}
    package = tracked("python", "src")
    needed = {*package, *LICENCES, "Cargo.toml", "Cargo.lock", "pyproject.toml", "README.md", "PKG-INFO"}
    demand(needed <= names, f"the source distribution lacks {sorted(needed - names)}")
    extra = {name for name in names - tracked() - {"PKG-INFO"}}
    extra |= {name for name in names if name.startswith(STRAY)}
    demand(not extra, f"the source distribution holds what does not belong there: {sorted(extra)}")
    check_wheel(from_sources)
    print(f"source distribution: {len(names)} files, {path.stat().st_size / 1e6:.1f} MB; it builds")


def check_alone(path: Path) -> None:
    """Run the Python tests with the wheel, in an environment that holds nothing else at first."""
    with tempfile.TemporaryDirectory() as folder:
        environment = Environment(Path(folder) / "environment")
        environment.install(path)
        added = environment.packages() - environment.at_first
        demand(added == {"numpy", "quietspin"}, f"the wheel alone brings {sorted(added)}")
        environment.install(*TEST_TOOLS)
        elsewhere = Path(folder) / "elsewhere"
        elsewhere.mkdir()
        origin = run(
            environment.python, "-c", "import quietspin; print(quietspin.__file__)", cwd=elsewhere
        )
        demand(origin.startswith(folder), f"the tests would import {origin}")
        tests = [environment.python, "-m", "pytest", ROOT / "tests" / "python"]
        done = subprocess.run(tests, cwd=elsewhere)
        demand(done.returncode == 0, "the Python tests fail with the wheel alone")


def main() -> None:
    """Build, look, install, test."""
    built = wheel()
    check_wheel(built)
    check_alone(built)
    check_sources(*source_distribution())


if __name__ == "__main__":
    main()
