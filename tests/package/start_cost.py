"""What it costs to begin: `import quietspin` and `quietspin --version`, from the wheel alone.

The wheel is installed with NumPy in an environment that holds nothing else. The import is timed inside
a new interpreter, the command from outside with its interpreter; each is the median of many runs with
all files in the cache.
"""

import json
import statistics
import sys
import tempfile
import time
from pathlib import Path

from wheel import Environment, run, wheel

REPEATS = 21
GOAL_IMPORT_MS = 150
GOAL_COMMAND_MS = 60
IMPORT = (
    "import time; begun = time.perf_counter(); import quietspin; "
    "print(time.perf_counter() - begun, quietspin.__file__)"
)


def import_s(environment: Environment, cwd: Path) -> float:
    """Seconds that the import takes in a new interpreter."""
    seconds, origin = run(environment.python, "-c", IMPORT, cwd=cwd).split(maxsplit=1)
    if not origin.startswith(str(environment.programs.parent)):
        sys.exit(f"imported {origin}")
    return float(seconds)


def command_s(environment: Environment, cwd: Path) -> float:
    """Seconds from the start of the command to its end."""
    begun = time.perf_counter()
    run(environment.programs / "quietspin", "--version", cwd=cwd)
    return time.perf_counter() - begun


def main() -> None:
    """Print the figures; the exit status says whether the goals are met."""
    built = wheel()
    with tempfile.TemporaryDirectory() as folder:
        environment = Environment(Path(folder) / "environment")
        environment.install(built)
        median_ms = {}
        for name, measured in (("import", import_s), ("command", command_s)):
            measured(environment, Path(folder))
            runs = [measured(environment, Path(folder)) for _ in range(REPEATS)]
            median_ms[name] = round(1000 * statistics.median(runs), 1)
    figures = {
        "import_ms": median_ms["import"],
        "goal_import_ms": GOAL_IMPORT_MS,
        "command_ms": median_ms["command"],
        "goal_command_ms": GOAL_COMMAND_MS,
    }
    print("FIGURES " + json.dumps(figures))
    met = median_ms["import"] < GOAL_IMPORT_MS and median_ms["command"] < GOAL_COMMAND_MS
    sys.exit(not met)


if __name__ == "__main__":
    main()
