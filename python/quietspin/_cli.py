"""Entry point of the ``quietspin`` command; imports next to nothing but the compiled core."""

import signal
import sys

from quietspin import _core

UNUSABLE = 2


def main() -> None:
    """Run the command line and leave with its exit status."""
    # Ctrl-C ends the command at once: the core does not come back to Python to be told
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    try:
        status = _core.run_cli(sys.argv)
    except BaseException as error:  # whatever it is, a status of 1 would mean a verdict
        print(f"quietspin: {error}", file=sys.stderr)
        status = UNUSABLE
    sys.exit(status)
