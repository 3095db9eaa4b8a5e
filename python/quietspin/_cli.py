"""Entry point of the ``quietspin`` command; imports nothing but the compiled core."""

import sys

from quietspin import _core


def main() -> None:
    """Run the command line and leave with its exit status."""
    sys.exit(_core.run_cli(sys.argv))
