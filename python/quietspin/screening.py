"""Many recordings judged at once: `screen`, and the `Screening` that it returns.

Nothing here imports NumPy, pandas or polars before it is asked for.
"""

from __future__ import annotations

import contextlib
import functools
import html
import importlib
import json
import os
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from quietspin import _core
from quietspin._progress import Line

if TYPE_CHECKING:
    from concurrent.futures import Executor

    import numpy as np
    import numpy.typing
    from matplotlib.axes import Axes

__all__ = ["Screening", "judge", "screen"]

# verdicts in the order in which to look at them
VERDICTS = ("reject", "investigate", "unreadable", "no_verdict", "accept")
# rows that a notebook shows
SHOWN_ROWS = 20

PathLike = str | os.PathLike[str]


def judge(path: PathLike, job: str) -> str:
    """Judge one recording; this is what runs on threads, in processes and on clusters.

    It reads the recording and nothing else but its arguments, writes nothing, and pickles.

    Parameters
    ----------
    path : str or os.PathLike
        The recording.
    job : str
        All else that the row depends on, as `screen` makes it.

    Returns
    -------
    str
        One row as JSON on one line (schema quietspin.row/1). A file that cannot be used gives a row with
        its reason.
    """
    return _core.screen_row(path, job)


def screen(
    paths: PathLike | Iterable[PathLike],
    *,
    machine: PathLike | _core.Machine | None = None,
    journal: PathLike | None = None,
    executor: Executor | None = None,
    name_pattern: str | None = None,
    rpm: float | None = None,
    range_rpm: tuple[float, float] | None = None,
    rate_hz: float | None = None,
    again: bool = False,
    progress: bool | Callable[[int, int], None] = True,
) -> Screening:
    """Judge many recordings, one row each.

    Parameters
    ----------
    paths : str, os.PathLike or iterable of them
        Recordings, folders (with all folders in them) and patterns such as ``archive/**/*.wav``.
    machine : str, os.PathLike or Machine, optional
        Machine file for all recordings. Without it ``NAME.machine.toml`` beside ``NAME.wav`` is used,
        where there is one.
    journal : str or os.PathLike, optional
        File of rows (``.jsonl``), the same that ``quietspin screen`` writes. Recordings that it holds,
        for the same path, size, time of change, machine file and statements, are not judged again, so
        that a screen that was stopped goes on where it was. Without it nothing is written.
    executor : concurrent.futures.Executor, optional
        Where the recordings are judged: threads, processes, or a cluster such as a Dask client's
        ``get_executor()``, whose workers must see the files under the same paths. It is not shut down.
        By default as many threads as the processor has cores, as the interpreter lock is released.
    name_pattern : str, optional
        Where serial number and date stand in the names, as in ``cartridge-{serial}_{date}*``; also
        ``{year}``, ``{month}`` and ``{day}``; ``*`` is any characters, ``/`` takes in the folder above.
        ``NAME.about.toml`` with ``serial`` and ``date`` beside ``NAME.wav`` comes first.
    rpm : float, optional
        A constant speed of all recordings in rpm, where neither pulses nor a speed channel tell it.
    range_rpm : tuple of float, optional
        Lowest and highest speed in rpm, for a search without pulses.
    rate_hz : float, optional
        Sampling rate in Hz of files that do not state it or state it wrongly.
    again : bool, default False
        Judge all again, whatever the journal holds.
    progress : bool or callable, default True
        Tell rate and time left on the standard error, where that is a terminal or a notebook; or call
        with the numbers of recordings done and to do. A callable that raises stops the screen.

    Returns
    -------
    Screening
        Rows in the order of their paths.

    Raises
    ------
    OSError
        Where a path is not there, or the journal cannot be written.
    ValueError
        Where no recording is found, or the machine file, the pattern, the journal or what is stated
        cannot be used. A recording that cannot be used is a row, not an error.
    Exception
        Whatever the executor itself fails with, once all that it did finish is in the journal.
    """
    listed = [paths] if isinstance(paths, str | os.PathLike) else list(paths)
    jobs = _core.screen_jobs(
        listed,
        machine=machine,
        name_pattern=name_pattern,
        rpm=rpm,
        range_rpm=range_rpm,
        rate_hz=rate_hz,
    )
    lines: list[str | None] = [None] * len(jobs)
    book = None if journal is None else _core.ScreenJournal(journal)
    try:
        if book is not None and not again:
            lines = [book.kept(path, job) for path, job in jobs]
        todo = {at: jobs[at] for at, line in enumerate(lines) if line is None}
        # closed at once on an error, not when its traceback is forgotten
        with (
            _teller(progress, len(todo)) as tell,
            contextlib.closing(_finished(todo, executor)) as finished,
        ):
            for done, (at, line) in enumerate(finished, start=1):
                # this process alone writes, and at once: whatever happens next, the row is kept
                if book is not None:
                    book.append(line)
                lines[at] = line
                tell(done)
    finally:
        if book is not None:
            book.close()
    return Screening(line for line in lines if line is not None)


def _finished(
    todo: Mapping[int, tuple[os.PathLike[str], str]], executor: Executor | None
) -> Generator[tuple[int, str], None, None]:
    """Rows as they are finished, each with the number of its job."""
    # not needed where nothing is screened, and it takes a while
    from concurrent.futures import ThreadPoolExecutor, as_completed

    if not todo:
        return
    own = ThreadPoolExecutor(os.cpu_count()) if executor is None else None
    pool = executor if own is None else own
    assert pool is not None
    places = {pool.submit(judge, os.fspath(path), job): at for at, (path, job) in todo.items()}
    failure: BaseException | None = None
    try:
        for future in as_completed(places):
            # one worker that dies must not cost the rows of the others
            error = future.exception()
            if error is None:
                yield places[future], future.result()
            elif failure is None:
                failure = error
    finally:
        # after an interrupt nothing new is started, and nobody waits for what runs
        for future in places:
            future.cancel()
        if own is not None:
            own.shutdown(wait=False, cancel_futures=True)
    if failure is not None:
        raise failure


@contextlib.contextmanager
def _teller(progress: bool | Callable[[int, int], None], total: int) -> Iterator[Callable[[int], None]]:
    """Give what is called with the number of recordings done."""
    if callable(progress):
        yield lambda done: progress(done, total)
        return
    if not progress or total == 0:
        yield lambda _: None
        return
    line = Line(after_s=0.5)

    def tell(done: int) -> None:
        words = _told(done, total, line.seconds)
        if done == total:
            line.close(words)
        else:
            line.tell(words)

    try:
        yield tell
    finally:
        # an error is not told on what is left of the line
        line.close()


def _told(done: int, total: int, seconds: float) -> str:
    """``12 of 80 recordings, 2.1 a second, 32 s left``."""
    rate = done / max(seconds, 1e-9)
    speed = f"{rate:.1f} a second" if rate >= 1.0 else f"{60 * rate:.1f} a minute"
    left = round((total - done) / max(rate, 1e-9))
    if left < 60:
        time_left = f"{left} s"
    elif left < 3600:
        time_left = f"{left // 60} min {left % 60} s"
    else:
        time_left = f"{left // 3600} h {left // 60 % 60} min"
    return f"{done} of {total} recordings, {speed}, {time_left} left"


def _needed(package: str, method: str) -> Any:
    """Import an optional package, or say how to get it."""
    try:
        return importlib.import_module(package)
    except ImportError as error:
        raise ImportError(f"{method} needs {package}: pip install {package}") from error


class Screening:
    """What a screen found: one row for each recording.

    Parameters
    ----------
    lines : iterable of str
        Rows as JSON, one line each (schema quietspin.row/1).

    See Also
    --------
    screen : makes one.
    """

    def __init__(self, lines: Iterable[str]) -> None:
        self._lines = list(lines)

    @classmethod
    def read(cls, journal: PathLike) -> Screening:
        """Read a journal: the last row of each recording, in the order in which they first came.

        Raises
        ------
        OSError
            Where the file cannot be read.
        ValueError
            Where it is no journal, or is damaged before its last line.
        """
        return cls(_core.screen_lines(journal))

    @functools.cached_property
    def rows(self) -> list[dict[str, Any]]:
        """The rows as dictionaries (schema quietspin.row/1), units in the keys."""
        return [json.loads(line) for line in self._lines]

    @functools.cached_property
    def columns(self) -> dict[str, np.ndarray]:
        """The rows as NumPy arrays of shape ``(len(self),)``, by name; units stand in the names.

        Text is of type object with None where there is none, numbers have nan there. After the fixed
        columns comes one for each level that any row has, ``CHANNEL ID (UNIT)``.
        """
        import numpy as np

        return {
            name: np.array(values, dtype=object) if isinstance(values, list) else values
            for name, values in _core.screen_columns(self._lines).items()
        }

    @functools.cached_property
    def counts(self) -> dict[str, int]:
        """Recordings by verdict: reject, investigate, unreadable, no_verdict, accept."""
        verdicts = [row["verdict"] for row in self.rows]
        return {verdict: verdicts.count(verdict) for verdict in VERDICTS}

    @functools.cached_property
    def _ranked(self) -> tuple[list[int], numpy.typing.NDArray[np.float64]]:
        return _core.screen_order(self._lines)

    @property
    def order(self) -> list[int]:
        """Numbers of the rows, worst first.

        By verdict, then by the ratio to the limit or half that to the median, whichever is more, then by
        confidence in a fault.
        """
        return list(self._ranked[0])

    @property
    def of_median(self) -> numpy.typing.NDArray[np.float64]:
        """How high the levels of each row stand over what is usual, shape ``(len(self),)``.

        The greatest ratio of a level to the median of that level over all rows; nan where fewer than
        five rows share one.
        """
        return self._ranked[1]

    def to_pandas(self) -> Any:
        """Return the columns as a ``pandas.DataFrame``.

        Raises
        ------
        ImportError
            Where pandas is not installed.
        """
        return _needed("pandas", "to_pandas").DataFrame(self.columns)

    def to_polars(self) -> Any:
        """Return the columns as a ``polars.DataFrame``; what is missing is null.

        Raises
        ------
        ImportError
            Where polars is not installed.
        """
        polars = _needed("polars", "to_polars")
        kinds = {"O": polars.String, "f": polars.Float64, "i": polars.Int64}
        series = [
            polars.Series(name, values.tolist(), dtype=kinds[values.dtype.kind])
            for name, values in self.columns.items()
        ]
        return polars.DataFrame(series).with_columns(polars.selectors.float().fill_nan(None))

    def figure(self, *, most: int = 12) -> dict[str, Any]:
        """Return small multiples as data: panels, axes, curves, limits.

        Parameters
        ----------
        most : int, default 12
            The most recordings shown, worst first.

        Raises
        ------
        ValueError
            Where there is no recording to show.
        """
        return _core.screen_figure(self._lines, most)

    def plot(self, ax: Sequence[Axes] | None = None, *, most: int = 12) -> Any:
        """Draw small multiples, worst first: the first order of each recording over speed.

        Of each recording the channel that is worst is shown, with its limit, beside the median of that
        channel over the screen. Plots of one unit share their axes, so that what stands out is seen.

        Parameters
        ----------
        ax : sequence of matplotlib.axes.Axes, optional
            Where to draw, one for each recording shown; by default a new figure.
        most : int, default 12
            The most recordings shown.

        Returns
        -------
        matplotlib.axes.Axes, or a NumPy array of them where there are several.

        Raises
        ------
        ValueError
            Where there is no recording to show, or the number of axes does not fit.
        ImportError
            Where matplotlib is not installed.
        """
        from quietspin import plot

        return plot.draw(self.figure(most=most), ax)

    def to_csv(self, path: PathLike) -> None:
        """Write the columns as a CSV file, whole or not at all.

        Raises
        ------
        OSError
            Where the system refuses.
        ValueError
            Where a file is there that is no such table.
        """
        _core.screen_csv(self._lines, path)

    def __len__(self) -> int:
        return len(self._lines)

    def _summary(self) -> str:
        counted = [
            f"{count} {verdict.replace('_', ' ')}" for verdict, count in self.counts.items() if count
        ]
        return ", ".join(counted) if counted else "no recording"

    def __repr__(self) -> str:
        return f"<Screening of {len(self)}: {self._summary()}>"

    def _repr_html_(self) -> str:
        """Return a static table of the first rows, worst first, all text from outside escaped."""
        names = (
            "verdict",
            "recording",
            "serial",
            "x limit",
            "x usual",
            "up to rpm",
            "first fault",
            "why",
        )
        head = "".join(f"<th>{name}</th>" for name in names)
        body = []
        for at in self.order[:SHOWN_ROWS]:
            cells = "".join(f"<td>{html.escape(cell)}</td>" for cell in self._cells(at))
            body.append(f"<tr>{cells}</tr>")
        left = len(self) - len(body)
        more = f"<p>and {left} more</p>" if left > 0 else ""
        summary = html.escape(f"{len(self)} recordings: {self._summary()}")
        return (
            f"<p>{summary}</p><table><thead><tr>{head}</tr></thead>"
            f"<tbody>{''.join(body)}</tbody></table>{more}"
        )

    def _cells(self, at: int) -> Iterator[str]:
        row = self.rows[at]
        yield row["verdict"].replace("_", " ")
        yield os.path.basename(row["path"])
        yield row["serial"] or ""
        yield f"{row['worst']['ratio']:.2g}" if row["worst"] else ""
        of_median = self.of_median[at]
        yield f"{of_median:.2g}" if of_median == of_median else ""
        yield f"{row['speed']['max_rpm']:,.0f}".replace(",", " ") if _has_top(row) else ""
        faults = [found for found in row["findings"] if found["kind"] == "fault"]
        yield _fault(faults[0]) if faults else ""
        yield row["reason"]


def _has_top(row: dict[str, Any]) -> bool:
    return row["speed"] is not None and "max_rpm" in row["speed"]


def _fault(found: dict[str, Any]) -> str:
    place = f" at {found['place']}" if found["place"] else ""
    # rounded down, so that no probability becomes certain
    sure = f" {int(100 * found['confidence'])} %" if "confidence" in found else ""
    return f"{found['title']}{place}{sure}"
