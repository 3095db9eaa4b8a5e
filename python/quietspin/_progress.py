"""One line that tells how far long work is, where somebody watches."""

from __future__ import annotations

import shutil
import sys
import time

# work that is done sooner tells nothing
AFTER_S = 1.0
# seconds between two signs of progress
EVERY_S = 0.5
# columns that a line covers at most, so that nothing of a longer one is left
COLUMNS = 72


def watched() -> bool:
    """Whether the standard error is a terminal or a notebook."""
    return sys.stderr is not None and (sys.stderr.isatty() or _in_notebook())


def _in_notebook() -> bool:
    """Whether a notebook's kernel runs this; to have its package imported is no sign of one."""
    ipython = sys.modules.get("IPython")
    return ipython is not None and hasattr(ipython.get_ipython(), "kernel")


class Line:
    """A line on the standard error that is written over and over; nothing where nobody watches.

    Parameters
    ----------
    after_s : float, optional
        Seconds after which the first sign is given.
    """

    def __init__(self, after_s: float = AFTER_S) -> None:
        self._started = time.monotonic()
        self._next_s = after_s
        self._shown = False
        self._watched = watched()
        # a line that breaks cannot be written over
        self._columns = min(COLUMNS, shutil.get_terminal_size().columns - 1)

    @property
    def seconds(self) -> float:
        """Seconds since the work began."""
        return time.monotonic() - self._started

    def stage(self, stage: str, done: int, total: int) -> None:
        """Tell that ``done`` of ``total`` steps of a stage are finished; 0 where that is not known."""
        share = f" {100 * done // total} %" if total > 0 else ""
        self.tell(f"{stage}{share}, {self.seconds:.0f} s")

    def tell(self, words: str) -> None:
        """Write the line, unless it is too soon after the one before."""
        if self.seconds >= self._next_s:
            self._next_s = self.seconds + EVERY_S
            self._write("\r" + self._padded(words))
            self._shown = self._watched

    def close(self, words: str = "") -> None:
        """Leave ``words`` as the last line; without any the line is wiped off."""
        if words:
            self._write(f"\r{self._padded(words)}\n")
        elif self._shown:
            self._write(f"\r{self._padded('')}\r")
        self._shown = False

    def _padded(self, words: str) -> str:
        return words[: self._columns].ljust(self._columns)

    def _write(self, text: str) -> None:
        if not self._watched:
            return
        try:
            print(text, end="", file=sys.stderr, flush=True)
        except (OSError, ValueError):
            # work goes on where its progress can no longer be told
            self._watched = False
