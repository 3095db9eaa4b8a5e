"""Draw the library's figures with matplotlib.

A figure comes as plain data from ``result.figure()``: what is shown, where, in which unit and under
which label is decided there. Here it is only drawn: sized for the width of an A4 page, readable without
colour and by the colour-blind. matplotlib is imported when the first picture is drawn, not before.
"""

from __future__ import annotations

import contextlib
import math
import re
import textwrap
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MM = 1 / 25.4
"""Inches in a millimetre."""
WIDTH_IN = 180 * MM
"""Width of a picture: an A4 page less its margins."""
PAGE_IN = (210 * MM, 297 * MM)
"""An A4 page."""
HEIGHT_IN = 88 * MM
"""Height of a picture of one panel."""
MULTIPLE_MM = 44
"""Height of a row of small multiples."""
LETTERS = 34
"""Letters on a line within a small multiple."""

INK = "#1a1a1a"
SOFT = "#6b6b6b"
# four colours that differ in lightness as well, so that they stay apart in grey and for the colour-blind
COLOURS = ("#173f6b", "#c4652b", "#5f9ea8", "#8b5a83")
OLIVE = "#8a8437"
DASHES: tuple[Any, ...] = ("-", (0, (5, 2)), (0, (1.5, 1.5)), (0, (6, 2, 1.5, 2)))
BROKEN: tuple[Any, ...] = ((0, (5, 2)), (0, (2.5, 1.5)))
"""Patterns of curves that are broken whatever their place."""
MANY = 1500
"""Points from which a curve is drawn thinner, and broken otherwise."""
STROKES = 70
"""Strokes of a broken curve of many points."""
MARKERS = ("o", "s", "^", "D")
# light to dark, perceptually even, and sparing of ink
MAP = "magma_r"

STYLE: dict[str, Any] = {
    "figure.dpi": 150,
    "savefig.dpi": 150,
    "font.size": 8.5,
    "axes.titlesize": 9.5,
    "axes.labelsize": 8.5,
    "xtick.labelsize": 8,
    "ytick.labelsize": 8,
    "legend.fontsize": 8,
    "axes.edgecolor": SOFT,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": "#dddddd",
    "grid.linewidth": 0.5,
    "lines.linewidth": 1.0,
    "hatch.linewidth": 0.6,
    "hatch.color": "#ffffff",
    # names come from files and are no formulas
    "text.parse_math": False,
    "text.usetex": False,
}

STATES = {
    "good": ("o", COLOURS[2], None, "good"),
    "limited": ("^", COLOURS[1], "////", "limited"),
    "bad": ("X", COLOURS[0], None, "unfit"),
    "open": ("o", "#ffffff", None, ""),
}
"""Symbol, colour, hatching and word of each state of a row."""


def _matplotlib() -> Any:
    try:
        import matplotlib
    except ImportError as error:
        raise ImportError(
            "plots need matplotlib, which is not installed: "
            "pip install matplotlib, or install quietspin with its group [plot]"
        ) from error
    return matplotlib


def draw(figure: dict[str, Any], ax: Axes | Sequence[Axes] | None = None) -> Any:
    """Draw a figure's data.

    Parameters
    ----------
    figure : dict
        As ``result.figure()`` gives it.
    ax : matplotlib.axes.Axes or sequence of them, optional
        Where to draw: as many as the figure has panels. By default a new figure, made with pyplot.

    Returns
    -------
    matplotlib.axes.Axes, or a NumPy array of them where there are several panels.

    Raises
    ------
    TypeError
        Where what is given are no axes.
    ValueError
        Where the number of axes or their projection does not fit the panels.
    ImportError
        Where matplotlib is not installed.
    """
    matplotlib = _matplotlib()
    panels = [panel for row in figure["rows"] for panel in row["panels"]]
    with _styled(matplotlib):
        axes = _made(figure) if ax is None else _given(figure, panels, ax)
        _fill(figure, panels, axes, own=ax is None)
    if len(axes) == 1:
        return axes[0]
    out = np.empty(len(axes), dtype=object)
    out[:] = axes
    return out


@contextlib.contextmanager
def _styled(matplotlib: Any) -> Iterator[None]:
    """Hold to the style, and put back its own settings alone.

    The first picture of a notebook makes it choose how to show pictures, which it notes among the
    settings; put back all of them, as ``rc_context`` does, and no later picture would be shown.
    """
    before = {key: matplotlib.rcParams[key] for key in STYLE}
    try:
        matplotlib.rcParams.update(STYLE)
        yield
    finally:
        matplotlib.rcParams.update(before)


def _given(figure: dict[str, Any], panels: list[Any], ax: Axes | Sequence[Axes]) -> list[Axes]:
    from matplotlib.axes import Axes as Drawable

    axes: list[Axes] = list(np.atleast_1d(np.asarray(ax, dtype=object)).ravel())
    wrong = next((one for one in axes if not isinstance(one, Drawable)), None)
    if wrong is not None:
        hint = f"; a picture is chosen by name, as show={wrong!r}" if isinstance(wrong, str) else ""
        raise TypeError(
            f"ax: {wrong!r} is no axes of matplotlib; pass those to draw into, or leave ax out{hint}"
        )
    if figure["page"]:
        raise ValueError(
            "ax: the overview fills a page of its own; leave ax out, or ask for one part by show"
        )
    if len(axes) != len(panels):
        raise ValueError(
            f"ax: the picture has {len(panels)} panels and {len(axes)} axes are given; "
            "pass one for each, or ask for one panel by show"
        )
    for one, panel in zip(axes, panels, strict=True):
        if (one.name == "polar") != (panel["form"] == "polar"):
            wanted = "polar" if panel["form"] == "polar" else "rectilinear"
            raise ValueError(f"ax: the picture needs axes made with projection={wanted!r}")
    return axes


def _made(figure: dict[str, Any]) -> list[Axes]:
    from matplotlib import pyplot

    rows = figure["rows"]
    if figure["shared"]:
        return _multiples(rows)
    heights = [row["height"] for row in rows]
    canvas: Figure
    if figure["page"]:
        canvas = pyplot.figure(figsize=PAGE_IN, layout="constrained")
        engine: Any = canvas.get_layout_engine()
        # margins of a page, as shares of it
        engine.set(rect=(0.055, 0.03, 0.89, 0.94), h_pad=0.05, w_pad=0.06)
    else:
        height = max(HEIGHT_IN * (0.3 + 0.7 * sum(heights)), _needed(rows))
        # more notes than usual must not press the picture
        height += 0.115 * max(0, _notes(figure, WIDTH_IN).count("\n") - 2)
        if rows[0]["panels"][0]["form"] == "polar":
            height = (130 if len(rows[0]["panels"]) == 1 else 108) * MM
        canvas = pyplot.figure(figsize=(WIDTH_IN, height), layout="constrained")
    grid = canvas.add_gridspec(len(rows), 1, height_ratios=heights)
    axes: list[Axes] = []
    for place, row in enumerate(rows):
        # panels that stand alone share their margins, so that joined ones line up
        alone = len(row["panels"]) == 1 and row["panels"][0]["form"] in ("plot", "map", "polar")
        inner = None if alone else grid[place].subgridspec(1, len(row["panels"]))
        for column, panel in enumerate(row["panels"]):
            polar = {"projection": "polar"} if panel["form"] == "polar" else {}
            joined = axes[-1] if row["joined"] and axes else None
            axes.append(
                canvas.add_subplot(
                    grid[place] if inner is None else inner[column], sharex=joined, **polar
                )
            )
        if row["joined"] and place > 0:
            axes[-2].tick_params(labelbottom=False)
            axes[-2].set_xlabel("")
    return axes


def _multiples(rows: list[Any]) -> list[Axes]:
    from matplotlib import pyplot

    across = max(len(row["panels"]) for row in rows)
    size = (WIDTH_IN, (14 + MULTIPLE_MM * len(rows)) * MM)
    canvas = pyplot.figure(figsize=size, layout="constrained")
    grid = canvas.add_gridspec(len(rows), across)
    return [
        canvas.add_subplot(grid[place, column])
        for place, row in enumerate(rows)
        for column in range(len(row["panels"]))
    ]


def _small(axes: list[Axes], panels: list[Any], across: int, *, own: bool) -> None:
    """Words and numbers of small multiples: those of shared axes are told once, on our own figure."""
    from matplotlib.ticker import MaxNLocator

    for place, (ax, panel) in enumerate(zip(axes, panels, strict=True)):
        if panel["form"] == "words":
            # named as the plots beside it
            ax.set_title(_plain(panel["lines"][0]["text"]), loc="left", fontweight="bold", fontsize=8)
            continue
        ax.set_title(ax.get_title(loc="left"), loc="left", fontweight="bold", fontsize=8)
        ax.tick_params(labelsize=7)
        # more numbers of five or six digits would run into each other
        ax.xaxis.set_major_locator(MaxNLocator(3))
        ax.xaxis.label.set_fontsize(7.5)
        ax.yaxis.label.set_fontsize(7.5)
        below = panels[place + across] if place + across < len(panels) else None
        if own and below is not None and below["form"] == "plot":
            ax.tick_params(labelbottom=False)
            ax.set_xlabel("")
        beside = panels[place - 1] if place % across else None
        told = beside is not None and beside["form"] == "plot" and beside["y_axis"] == panel["y_axis"]
        if own and told:
            ax.tick_params(labelleft=False)
            ax.set_ylabel("")
        said = [_plain(word) for word in (panel["curves"][0]["name"], panel["remark"]) if word]
        fits = sum(map(len, said)) < LETTERS
        ax.annotate(
            ("; " if fits else ";\n").join(said),
            (0.03, 0.96),
            xycoords="axes fraction",
            va="top",
            fontsize=7,
            color=SOFT,
        )


def _fill(figure: dict[str, Any], panels: list[Any], axes: list[Axes], *, own: bool) -> None:
    for place, (ax, panel) in enumerate(zip(axes, panels, strict=True)):
        title = panel.get("title") or (figure["title"] if place == 0 else "")
        _PANELS[panel["form"]](ax, panel)
        ax.set_title(_plain(title), loc="left", fontweight="bold")
    for row, upper in _joined(figure["rows"]):
        if row:
            axes[upper].set_xlabel("")
    if figure["shared"]:
        _small(axes, panels, max(len(row["panels"]) for row in figure["rows"]), own=own)
    canvas = axes[0].figure.get_figure(root=True)
    if own and canvas is not None:
        if panels[0].get("title") and figure["title"] and not (figure["page"] or figure["shared"]):
            canvas.suptitle(_plain(figure["title"]), x=0.01, ha="left", fontsize=9.5, fontweight="bold")
        if figure["notes"]:
            canvas.supxlabel(
                _notes(figure, canvas.get_figwidth()),
                x=0.01 if not figure["page"] else 0.06,
                ha="left",
                fontsize=7,
                color=SOFT,
            )
        # sizes are known only once the layout is; what depends on them comes last
        canvas.draw_without_rendering()
    for ax, panel in zip(axes, panels, strict=True):
        if panel["form"] in ("plot", "map") and not figure["shared"]:
            _above(ax, panel)
        elif panel["form"] == "words":
            _words_set(ax, panel["lines"][1:] if figure["shared"] else panel["lines"])
        elif panel["form"] == "rows" and panel["x_axis"] is None:
            _rows_set(ax, panel)
        elif panel["form"] == "rows":
            _lift_title(ax, _named(ax, panel["marks"], INK))


def _notes(figure: dict[str, Any], width_in: float) -> str:
    """Return the notes, wrapped to the width of the figure."""
    share = 0.88 if figure["page"] else 0.97
    width = int(share * width_in * 72 / 3.85)
    return "\n".join(textwrap.fill(_plain(note), width) for note in figure["notes"])


def _joined(rows: list[Any]) -> list[tuple[bool, int]]:
    """For each row whether it is joined to the one above, and the last panel of that."""
    found, last = [], -1
    for row in rows:
        found.append((row["joined"] and last >= 0, last))
        last += len(row["panels"])
    return found


def _plain(text: str) -> str:
    """Text without what would steer instead of show."""
    return "".join(c if c.isprintable() or c == "\n" else "\N{REPLACEMENT CHARACTER}" for c in text)


def _bound(text: str) -> str:
    """Text in which no line breaks within a number or before its unit."""
    return re.sub(r"(?<=\d) (?=\d{3}\b|%|Hz|rpm|g\b|mm|s\b)", "\N{NO-BREAK SPACE}", text)


def _number(value: float) -> str:
    if value != 0 and not 1e-4 <= abs(value) < 1e9:
        digits, power = (
            f"{value:.3g}".lower().split("e") if "e" in f"{value:.3g}" else (f"{value:.3g}", "")
        )
        return f"{digits}·10{_raised(int(power))}" if power else digits
    text = f"{value:,.10g}" if abs(value) >= 10_000 else f"{value:.10g}"
    return text.replace(",", "\N{THIN SPACE}").replace("-", "\N{MINUS SIGN}")


def _raised(power: int) -> str:
    return str(power).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))


def _power(value: float) -> str:
    power = round(math.log10(value)) if value > 0 else 0
    is_whole = math.isclose(value, 10.0**power, rel_tol=1e-6)
    return f"10{_raised(power)}" if is_whole and not -3 <= power <= 4 else _number(value)


def _numbers(one: Any, axis: dict[str, Any]) -> None:
    """Numbers along an axis whose scale is set."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    if axis["scale"] == "log":
        low, high = axis["shown"] or (1.0, 1e9)
        # powers of ten alone would be too few
        between = (1.0, 2.0, 5.0) if low > 0 and high < 10**2.5 * low else (1.0,)
        one.set_major_locator(LogLocator(10, subs=between))
        one.set_major_formatter(FuncFormatter(lambda value, _: _power(value)))
        one.set_minor_formatter(NullFormatter())
    else:
        one.set_major_formatter(FuncFormatter(lambda value, _: _number(value)))


def _axis(ax: Axes, which: str, axis: dict[str, Any], top: float | None = None) -> None:
    """Label, scale and numbers of one axis; ``top`` is what decibels count from."""
    words = _plain(axis["words"])
    one: Any = ax.xaxis if which == "x" else ax.yaxis
    limits: Any = ax.set_xlim if which == "x" else ax.set_ylim
    if axis["scale"] == "log":
        (ax.set_xscale if which == "x" else ax.set_yscale)("log")
    _numbers(one, axis)
    if isinstance(axis["scale"], dict) and top is not None:
        words = f"{axis['label']} in dB, 0 dB is {top:.3g} {axis['unit']}"
        limits(-axis["depth_db"], 0.1 * axis["depth_db"])
    elif axis["shown"]:
        limits(*axis["shown"])
    (ax.set_xlabel if which == "x" else ax.set_ylabel)(_plain(words))
    one.label.set_wrap(True)


def _decibels(values: Any, axis: dict[str, Any], top: float) -> Any:
    floor = top * 10 ** (-axis["depth_db"] / 20) if top > 0 else 1.0
    return 20 * np.log10(np.maximum(values, floor) / (top if top > 0 else 1.0))


def _plot(ax: Axes, panel: dict[str, Any]) -> None:
    decibel = isinstance(panel["y_axis"]["scale"], dict)
    top = max((float(np.nanmax(curve["y"], initial=0.0)) for curve in panel["curves"]), default=0.0)
    several = len(panel["curves"]) > 1
    broken = [place for place, curve in enumerate(panel["curves"]) if curve["stroke"] == "dashed"]
    for place, curve in enumerate(panel["curves"]):
        colour, k = COLOURS[place % len(COLOURS)], place % len(COLOURS)
        x, y = curve["x"], curve["y"]
        name = _plain(curve["name"]) if several else None
        if decibel:
            y = _decibels(y, panel["y_axis"], top)
        if curve["low"] is not None:
            alone = curve["stroke"] == "band"
            ax.fill_between(
                x,
                curve["low"],
                curve["high"],
                color=colour,
                alpha=1.0 if alone else 0.25,
                linewidth=0.3 if alone else 0,
            )
        if curve["stroke"] == "dots":
            face = colour if k % 2 == 0 else "none"
            # what is no number parts the line
            ax.plot(
                x,
                y,
                marker=MARKERS[k],
                linewidth=0.5,
                color=colour,
                markersize=2.4,
                markerfacecolor=face,
                markeredgewidth=0.6,
                label=name,
            )
        elif curve["stroke"] == "faint":
            ax.plot(x, y, color=COLOURS[1], alpha=0.6, linewidth=0.5, zorder=1.9, label=name)
        elif curve["stroke"] == "dashed":
            pattern = BROKEN[broken.index(place) % len(BROKEN)]
            style: dict[str, Any] = {"color": colour, "linewidth": 1.2, "zorder": 2.4}
            if len(x) > MANY:
                # along many small steps the pattern would close up
                ax.plot(x, _with_gaps(x, y), **style)
                x = y = np.full(1, np.nan)
            ax.plot(x, y, linestyle=pattern, label=name, **style)
        elif curve["stroke"] == "line":
            width = 0.7 if len(x) > MANY else 1.1
            # beside broken curves the others are whole
            pattern = "-" if broken else DASHES[k]
            ax.plot(x, y, linestyle=pattern, color=colour, linewidth=width, label=name)
        else:
            # the band is the picture; its mean only carries the data
            ax.plot(x, y, color=colour, linewidth=0, label=name)
    _axis(ax, "x", panel["x_axis"])
    _axis(ax, "y", panel["y_axis"], top)
    if not panel["x_axis"]["shown"] and panel["curves"]:
        ends = [float(end) for curve in panel["curves"] for end in (curve["x"].min(), curve["x"].max())]
        if max(ends) > min(ends):
            ax.set_xlim(min(ends), max(ends))
    if panel["y_axis"]["unit"] == "degrees" and panel["y_axis"]["shown"]:
        from matplotlib.ticker import MultipleLocator

        ax.yaxis.set_major_locator(MultipleLocator(_degrees_apart(*panel["y_axis"]["shown"])))
    for span in panel["spans"]:
        if span["whole"]:
            label = None if span is not panel["spans"][0] else _plain(span["label"])
            ax.axvspan(span["from"], span["to"], color="#cfcfcf", linewidth=0, label=label)
    _limits(ax, panel)
    for points in panel["points"]:
        _points(ax, points, below=bool(panel["lines"]))
    for arrow in panel["arrows"]:
        _arrow(ax, arrow)
    if panel["equal"]:
        ax.set_aspect("equal", adjustable="box")


def _with_gaps(x: Any, y: Any) -> Any:
    """Values of a broken curve, those in its gaps no numbers: strokes are counted across alone."""
    across = (x - x.min()) / max(np.ptp(x), 1e-300) * STROKES
    return np.where(across % 1 < 0.68, y, np.nan)


def _degrees_apart(low: float, high: float) -> float:
    """Distance of numbers along an axis of degrees: a round part of a turn, or whole turns."""
    parts = (5, 10, 15, 30, 45, 90, 180, 360)
    fitting = next((part for part in parts if high - low <= 6 * part), None)
    return fitting or 360 * math.ceil((high - low) / (6 * 360))


def _arrow(ax: Axes, arrow: dict[str, Any]) -> None:
    """Draw the head of an arrow: only the direction of what it comes from counts."""
    place, before = np.array(arrow["at"]), np.array(arrow["from"])
    length = float(np.hypot(*(place - before)))
    if length == 0:
        return
    reach = 1e-3 * abs(ax.get_xlim()[1] - ax.get_xlim()[0])
    ax.annotate(
        "",
        tuple(place),
        xytext=tuple(place - (place - before) / length * reach),
        arrowprops={
            "arrowstyle": "-|>",
            "color": COLOURS[0],
            "mutation_scale": 13,
            "shrinkA": 0,
            "shrinkB": 0,
        },
        zorder=4,
    )


def _limits(ax: Axes, panel: dict[str, Any]) -> None:
    if not panel["limits"]:
        return
    highest = 1.15 * max(limit["at"] for limit in panel["limits"])
    if panel["y_axis"]["scale"] == "linear":
        ax.set_ylim(0, max(highest, ax.get_ylim()[1]))
    for limit in panel["limits"]:
        if limit["uncertain_by"] > 0:
            by = limit["uncertain_by"]
            ax.axhspan(limit["at"] - by, limit["at"] + by, color=SOFT, alpha=0.35, linewidth=0)
        ax.axhline(limit["at"], color=INK, linewidth=1.0, linestyle=(0, (8, 3)))
        if not limit["label"]:
            continue
        at_right, below = _free_corner(ax, panel, limit)
        ax.annotate(
            _plain(limit["label"]),
            (0.995 if at_right else 0.005, limit["at"]),
            xycoords=("axes fraction", "data"),
            xytext=(0, -2 if below else 2),
            textcoords="offset points",
            ha="right" if at_right else "left",
            va="top" if below else "bottom",
            fontsize=7.5,
            bbox={"facecolor": "white", "alpha": 0.8, "linewidth": 0, "pad": 0.5},
        )


def _free_corner(ax: Axes, panel: dict[str, Any], limit: dict[str, Any]) -> tuple[bool, bool]:
    """Where the name of a limit meets no curve: whether at the right, and whether below it."""
    width_in, height_in = _size_in(ax)
    wide = (0.6 * 7.5 * len(limit["label"]) + 6) / 72 / width_in
    high = 12 / 72 / height_in
    to_axes = ax.transData + ax.transAxes.inverted()
    curves = [np.column_stack([curve["x"], curve["y"]]) for curve in panel["curves"]]
    places = to_axes.transform(np.concatenate([np.empty((0, 2)), *curves]))
    level = to_axes.transform((ax.get_xlim()[0], limit["at"]))[1]
    across, up = places[:, 0], places[:, 1] - level
    for at_right, below in ((False, False), (True, False), (False, True), (True, True)):
        beside = across > 1 - wide if at_right else across < wide
        upon = (up < 0) & (up > -high) if below else (up > 0) & (up < high)
        if not np.any(beside & upon) and not (below and level < high):
            return at_right, below
    return False, False


def _points(ax: Axes, points: dict[str, Any], *, below: bool) -> None:
    name = _plain(points["name"]) or None
    if points["sizes"]:
        # areas, so that what is twice as high in decibels looks so
        sizes = 1.5 + 26 * np.square(points["sizes"])
        ax.scatter(
            points["x"], points["y"], sizes, color=COLOURS[2], alpha=0.8, linewidths=0, label=name
        )
        return
    if points["symbol"] == "sensor":
        _sensors(ax, points)
        return
    if points["symbol"] == "disc":
        style: dict[str, Any] = {"marker": "o", "color": INK, "markersize": 5}
    elif points["symbol"] == "cross":
        style = {
            "marker": "x",
            "color": COLOURS[1],
            "markersize": 4,
            "markeredgewidth": 0.8,
        }
    else:
        style = {
            "marker": "o",
            "color": INK,
            "markersize": 5,
            "markerfacecolor": "none",
            "markeredgewidth": 0.9,
        }
    ax.plot(points["x"], points["y"], linestyle="none", label=name, zorder=4, **style)
    low, high = ax.get_xlim()
    for x, y, label in zip(points["x"], points["y"], points["labels"], strict=False):
        right = x < low + 0.7 * (high - low)
        # one line stands above what runs on beside the point
        upright = "top" if below else "center" if "\n" in label else "bottom"
        ax.annotate(
            _plain(label),
            (x, y),
            xytext=(6 if right else -6, {"top": -4, "center": 1, "bottom": 4}[upright]),
            textcoords="offset points",
            ha="left" if right else "right",
            va=upright,
            fontsize=7.5,
            bbox={"facecolor": "white", "alpha": 0.85, "linewidth": 0, "pad": 0.8},
            zorder=5,
        )


def _sensors(ax: Axes, points: dict[str, Any]) -> None:
    """Triangles at the rim that point to the middle, each with its name beyond it."""
    reach = ax.get_xlim()[1]
    for x, y, label in zip(points["x"], points["y"], points["labels"], strict=True):
        # three corners, the first one upwards: turned until it points inwards
        turned = math.degrees(math.atan2(y, x)) + 90
        ax.plot([x], [y], marker=(3, 0, turned), markersize=7, color=INK, linestyle="none", zorder=4)
        # beside the axis across its name would reach beyond the picture
        level = abs(y) < 0.35 * reach
        side = "right" if x > 0 else "left"
        ax.annotate(
            _plain(label),
            (x, y),
            xytext=(0, math.copysign(7, y)),
            textcoords="offset points",
            ha=side if level else "center",
            va="bottom" if y >= 0 else "top",
            fontsize=7.5,
        )


def _map(ax: Axes, panel: dict[str, Any]) -> None:
    if panel["look"] == "traces":
        _traces(ax, panel)
        return
    values, label, norm = _shades(ax, panel)
    shades = ax.pcolormesh(
        panel["x"], panel["y"], values, shading="nearest", cmap=MAP, rasterized=True, norm=norm
    )
    ax.grid(visible=False)
    canvas = ax.get_figure()
    if canvas is not None:
        bar = canvas.colorbar(shades, ax=ax, pad=0.015, aspect=28)
        bar.outline.set_linewidth(0.4)
        bar.set_label(_plain(label), fontsize=7.5)
        bar.ax.tick_params(labelsize=7)
        _numbers(bar.ax.yaxis, panel["value_axis"])
    for outline in panel["outlines"]:
        _outline(ax, outline)
    _axis(ax, "x", panel["x_axis"])
    _axis(ax, "y", panel["y_axis"])


def _shades(ax: Axes, panel: dict[str, Any]) -> tuple[Any, str, Any]:
    """Values as they are shaded, what stands beside their scale, and how shades are laid along it."""
    from matplotlib.colors import LogNorm, Normalize

    axis, values = panel["value_axis"], panel["values"]
    low, high = axis["shown"] or (None, None)
    if axis["scale"] == "log":
        return np.maximum(values, low or 0.0), axis["words"], LogNorm(low, high)
    if axis["scale"] == "linear":
        return values, axis["words"], Normalize(low, high)
    top = float(np.nanmax(values, initial=0.0))
    gap = " " if _size_in(ax)[1] > 2.6 else "\n"
    label = f"{axis['label']} in dB,{gap}0 dB is {top:.3g} {axis['unit']}"
    return _decibels(values, axis, top), label, Normalize(-axis["depth_db"], 0)


def _outline(ax: Axes, outline: dict[str, Any]) -> None:
    """Frame a part of a map: light around dark, so that it is seen on any shade."""
    from matplotlib import patheffects
    from matplotlib.patches import Rectangle

    (left, right), (foot, top) = outline["x"], outline["y"]
    frame = Rectangle(
        (left, foot),
        right - left,
        top - foot,
        fill=False,
        edgecolor=INK,
        linewidth=1.4,
        path_effects=[patheffects.withStroke(linewidth=3.4, foreground="white")],
        clip_on=False,
        zorder=4,
    )
    ax.add_patch(frame)


SCALE_PT = 26.0
"""Room that the scale of a waterfall takes right of it, in points."""
BESIDE_PT = 3.0
"""Distance in points of an order line's two strokes from what they mark."""


def _beside(ax: Axes, x: Any, y: Any) -> list[Any]:
    """Two strokes along a line, one on each side, so that what lies on the line stays seen."""
    places = ax.transData.transform(np.column_stack([x, y]))
    along = np.gradient(places, axis=0)
    length = np.hypot(*along.T)[:, None]
    across = np.column_stack([-along[:, 1], along[:, 0]]) / np.where(length > 0, length, 1)
    apart = BESIDE_PT * _size_dpi(ax) / 72 * across
    return [ax.transData.inverted().transform(places + side * apart) for side in (-1, 1)]


def _behind(ax: Axes, lines: list[Any]) -> list[dict[str, Any]]:
    """Draw order lines through traces, each led on to the edge where its name finds room.

    Returns the names that belong above the axes; those that leave on the right are put there.
    """
    (x0, x1), (_, y1) = ax.get_xlim(), ax.get_ylim()
    above: list[dict[str, Any]] = []
    for line in lines:
        x, y = line["x"], line["y"]
        drawn: dict[str, Any] = {"color": COLOURS[0], "linewidth": 0.6, "scalex": False, "scaley": False}
        ax.plot(x, y, linestyle=(0, (6, 3)), **drawn)
        if x0 <= x[-1] <= x1:
            # from its end at the highest speed up past the traces that stand there
            ax.plot([x[-1], x[-1]], [y[-1], y1], linestyle=(0, (1, 2)), **drawn)
            above.append({"at": float(x[-1]), "label": line["name"], "minor": False, "family": LINES})
        elif x[0] < x1 < x[-1]:
            _at_the_right(ax, _plain(line["name"]), float(np.interp(x1, x, y)), (SCALE_PT, 0))
    return above


def _at_the_right(ax: Axes, name: str, height: float, away: tuple[float, float]) -> None:
    """Name a line at the right edge, so many points away from where it leaves."""
    ax.annotate(
        name,
        (1, height),
        xycoords=("axes fraction", "data"),
        xytext=away,
        textcoords="offset points",
        ha="left",
        va="center",
        fontsize=7.5,
        color=COLOURS[0],
        annotation_clip=False,
    )


def _lines(ax: Axes, lines: list[Any]) -> None:
    """Draw order lines beside the shades that they mark, once the size of the axes is known."""
    from matplotlib import patheffects

    halo = [patheffects.withStroke(linewidth=2.2, foreground="white")]
    (x0, x1), (y0, y1) = ax.get_xlim(), ax.get_ylim()
    for line in lines:
        x, y = line["x"], line["y"]
        for stroke in _beside(ax, x, y):
            ax.plot(*stroke.T, color=COLOURS[0], linewidth=0.6, linestyle=(0, (6, 3)))
        inside = np.flatnonzero((x >= x0) & (x <= x1) & (y >= y0) & (y <= y1))
        if inside.size:
            # by where the line leaves the picture, but inside it
            at = inside[int(0.93 * (inside.size - 1))]
            ax.annotate(
                _plain(line["name"]),
                (x[at], y[at]),
                xytext=(-3, 4),
                textcoords="offset points",
                ha="right",
                va="bottom",
                fontsize=8,
                color=COLOURS[0],
                path_effects=halo,
            )
    ax.set_xlim(x0, x1)
    ax.set_ylim(y0, y1)


def _spread(heights: list[float], apart: float, low: float, high: float) -> list[float]:
    """Heights that rise, moved as little as keeps them apart between two bounds."""
    moved = list(heights)
    for k in range(len(moved)):
        moved[k] = max(moved[k], low if k == 0 else moved[k - 1] + apart)
    for k in reversed(range(len(moved))):
        moved[k] = min(moved[k], high if k + 1 == len(moved) else moved[k + 1] - apart)
    return moved


LINES = "\0lines"
"""The family of names that belong to lines, none that a figure can have."""
LINE_PT = 9.0
"""Least distance of the names of two lines, in points."""


def _ends(ax: Axes, lines: list[Any]) -> list[dict[str, Any]]:
    """Draw lines that are named where they end; returns the names that belong above the axes."""
    (_, right), (foot, top) = ax.get_xlim(), ax.get_ylim()
    above: list[dict[str, Any]] = []
    beside: list[tuple[float, str]] = []
    for line in lines:
        x, y = line["x"], line["y"]
        ax.plot(x, y, color=COLOURS[0], linewidth=0.8, scalex=False, scaley=False, zorder=2.5)
        if y[-1] >= top * (1 - 1e-9) and x[-1] < 0.995 * right:
            name = line["name"]
            above.append({"at": float(x[-1]), "label": name, "minor": False, "family": LINES})
        else:
            beside.append((float(y[-1]), _plain(line["name"])))
    beside.sort()
    apart = LINE_PT / 72 / _size_in(ax)[1] * (top - foot)
    heights = _spread([height for height, _ in beside], apart, foot, top)
    for (height, name), moved in zip(beside, heights, strict=True):
        up_pt = (moved - height) / (top - foot) * 72 * _size_in(ax)[1]
        _at_the_right(ax, name, height, (5, up_pt))
    return above


def _traces(ax: Axes, panel: dict[str, Any]) -> None:
    x, places, values = panel["x"], panel["y"], panel["values"]
    top = float(np.nanmax(values, initial=0.0)) or 1.0
    step = float(places[-1] - places[0]) / max(len(places) - 1, 1)
    gain = 7 * step / top
    for place in range(len(places) - 1, -1, -1):
        base = float(places[place])
        height = base + gain * values[place]
        behind = 2 + 0.01 * (len(places) - place)
        ax.fill_between(x, base, height, color="white", linewidth=0, zorder=behind)
        ax.plot(x, height, color=COLOURS[0], linewidth=0.6, zorder=behind)
    reach = float(np.max(places[:, None] + gain * values))
    ax.set_xlim(float(x[0]), float(x[-1]))
    ax.set_ylim(float(places[0]) - 0.3 * step, reach + 0.5 * step)
    _axis(ax, "x", panel["x_axis"])
    _axis(ax, "y", panel["y_axis"])
    ax.grid(visible=False)
    # how high a line of a round amplitude stands
    power = 10 ** math.floor(math.log10(top))
    size = max(f * power for f in (1, 2, 5) if f * power <= top)
    low, _ = ax.get_ylim()
    shown: dict[str, Any] = {"transform": ax.get_yaxis_transform(), "clip_on": False}
    ax.plot(
        [1.015, 1.015],
        [low, low + gain * size],
        color=INK,
        linewidth=1.5,
        solid_capstyle="butt",
        **shown,
    )
    words = f"{_number(size)} {panel['value_axis']['unit']}, {panel['value_axis']['label']}"
    ax.text(1.025, low, _plain(words), rotation=90, va="bottom", ha="left", fontsize=7.5, **shown)


def _polar(ax: Axes, panel: dict[str, Any]) -> None:
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    round_: Any = ax
    round_.set_theta_zero_location("N")
    round_.set_theta_direction(-1)
    for place, trace in enumerate(panel["traces"]):
        k = place % len(COLOURS)
        name = _plain(trace["name"]) if len(panel["traces"]) > 1 else None
        angle = np.deg2rad(trace["angle_deg"])
        ax.plot(angle, trace["radius"], linestyle=DASHES[k], color=COLOURS[k], linewidth=1.0, label=name)
    _apart(ax, panel["points"])
    round_.set_thetagrids(range(0, 360, 30))
    ax.yaxis.set_major_locator(MaxNLocator(4))
    ax.yaxis.set_major_formatter(FuncFormatter(lambda value, _: _number(value)))
    round_.set_rlabel_position(_free_direction(panel["traces"]))
    ax.tick_params(axis="y", labelsize=7)
    radius, turned = _plain(panel["radius_axis"]["words"]), _plain(panel["angle_axis"]["words"])
    spot = ax.get_subplotspec()
    narrow = spot is not None and spot.get_gridspec().ncols > 1
    numbers = f"numbers along the trace: {panel['named']}" if panel["points"] else ""
    told = [f"radius: {radius}", f"angle: {turned}, clockwise", numbers]
    if not narrow:
        told = [told[0], "; ".join(filter(None, told[1:]))]
    ax.set_xlabel("\n".join(filter(None, told)), fontsize=7.5 if narrow else None)
    if len(panel["traces"]) > 1 and narrow:
        ax.legend(loc="upper right", bbox_to_anchor=(1.25, 1.3), frameon=False, fontsize=7)
    elif len(panel["traces"]) > 1:
        ax.legend(loc="lower right", bbox_to_anchor=(1.25, 0.0), frameon=False)


def _free_direction(traces: list[Any]) -> float:
    """Direction in degrees in which the numbers of the radius stand farthest from the traces."""
    places = [trace["radius"] * np.exp(1j * np.deg2rad(trace["angle_deg"])) for trace in traces]
    taken = np.concatenate([np.zeros(1), *places])
    taken = taken[np.isfinite(taken)]
    directions = np.arange(15.0, 360.0, 30.0)
    numbers = np.abs(taken).max() * np.array([0.25, 0.5, 0.75, 1.0])
    along = np.exp(1j * np.deg2rad(directions))[:, None] * numbers
    clear = np.abs(along[:, :, None] - taken).min(axis=(1, 2))
    return float(directions[clear.argmax()])


def _has_room(middle: Any, half: Any, rim: float, taken: list[Sequence[float]]) -> bool:
    """Whether a box lies within the circle and clear of those taken (left, foot, right, top)."""
    (left, foot), (right, top) = middle - half, middle + half
    clear = all(
        right <= other[0] or other[2] <= left or top <= other[1] or other[3] <= foot for other in taken
    )
    return clear and float(np.hypot(*(np.abs(middle) + half))) < rim


def _apart(ax: Axes, points: list[Any]) -> None:
    """Name points of a polar picture, each outwards, or inwards where there is no room for it.

    One that would cover another, or leave the circle, is left out. A critical speed keeps its ring even
    where its name finds no room: the notes tell it.
    """
    width, height = _size_in(ax)
    rim_pt = 36 * min(width, height)
    point_pt = rim_pt / max(ax.get_ylim()[1], 1e-300)
    taken: list[Sequence[float]] = []
    for point in points:
        angle = math.radians(point["angle_deg"])
        outwards = np.array([math.sin(angle), math.cos(angle)])
        lines = _plain(point["label"]).split("\n")
        half = np.array([0.5 * 0.58 * 7 * max(map(len, lines)), 0.5 * 8.5 * len(lines)])
        place = point["radius"] * point_pt * outwards
        size = 7 if point["is_critical"] else 3.5
        away = size * outwards + half * outwards
        away = next((way for way in (away, -away) if _has_room(place + way, half, rim_pt, taken)), None)
        if away is None and not point["is_critical"]:
            continue
        face = "none" if point["is_critical"] else "white"
        ax.plot([angle], [point["radius"]], "o", color=INK, markersize=size, markerfacecolor=face)
        # the point itself is to stay seen as well
        taken.append((*(place - 0.5 * size), *(place + 0.5 * size)))
        if away is None:
            continue
        taken.append((*(place + away - half), *(place + away + half)))
        ax.annotate(
            "\n".join(lines),
            (angle, point["radius"]),
            xytext=tuple(away),
            textcoords="offset points",
            ha="center",
            va="center",
            fontsize=7,
            linespacing=1.0,
            bbox={"facecolor": "white", "alpha": 0.8, "linewidth": 0, "pad": 0.4},
        )


def _rows(ax: Axes, panel: dict[str, Any]) -> None:
    if panel["x_axis"] is None:
        ax.set_axis_off()
        return
    entries = panel["entries"]
    for place, entry in enumerate(entries):
        _, colour, hatch, _ = STATES[entry["state"]]
        edge = SOFT if entry["state"] == "open" else colour
        ax.barh(
            place,
            entry["bar"] or 0.0,
            0.62,
            color=colour,
            hatch=hatch,
            edgecolor="white" if hatch else edge,
            linewidth=0.6,
        )
        ax.annotate(
            _plain(entry["value"]),
            (1.02, place),
            xycoords=("axes fraction", "data"),
            va="center",
            ha="left",
            fontsize=7.5,
            annotation_clip=False,
        )
    labels = [textwrap.shorten(_plain(entry["label"]), 34, placeholder="…") for entry in entries]
    ax.set_yticks(range(len(entries)), labels, fontsize=7.5)
    ax.tick_params(axis="y", length=0)
    ax.set_ylim(max(len(entries), 6) - 0.45, -0.55)
    ax.grid(visible=False)
    _axis(ax, "x", panel["x_axis"])
    ax.set_xlim(0, max(ax.get_xlim()[1], 1e-9))
    for mark in panel["marks"]:
        ax.axvline(mark["at"], color=INK, linewidth=0.9, linestyle=(0, (4, 2)))


def _needed(rows: list[Any]) -> float:
    """Height in inches that rows of words need."""
    height = 0.0
    for row in rows:
        for panel in row["panels"]:
            if panel["form"] == "rows":
                if panel["x_axis"] is None:
                    lines = sum(
                        len(_wrapped(entry["text"], WIDTH_IN)) + 0.35 for entry in panel["entries"]
                    )
                    height += 0.145 * lines + 0.35
                else:
                    height += 0.24 * len(panel["entries"]) + 0.9
    return height


LABEL_SHARE = 0.36
"""Share of the width of a row of words that its label takes."""


def _wrapped(text: str, width_in: float, size: float = 7.5) -> list[str]:
    columns = max(int((1 - LABEL_SHARE) * width_in * 72 / (0.52 * size)), 20)
    return textwrap.wrap(_bound(_plain(text)), columns) or [""]


def _rows_set(ax: Axes, panel: dict[str, Any]) -> None:
    """Rows of words, once the size of the axes is known."""
    width, height = _size_in(ax)
    texts = [_wrapped(entry["text"], width) for entry in panel["entries"]]
    line = 1 / max(sum(len(lines) + 0.35 for lines in texts), height / 0.145)
    top = 1.0
    for entry, lines in zip(panel["entries"], texts, strict=True):
        marker, colour, _, word = STATES[entry["state"]]
        middle = top - 0.5 * line
        ax.plot(
            [0.008], [middle], marker, color=colour, markeredgecolor=SOFT, markersize=5, clip_on=False
        )
        label = textwrap.shorten(_plain(entry["label"]), 30, placeholder="…")
        ax.text(0.022, middle, word, va="center", fontsize=7.5)
        ax.text(0.085, middle, label, va="center", fontsize=7.5, fontweight="bold")
        ax.text(LABEL_SHARE, top, "\n".join(lines), va="top", fontsize=7.5, linespacing=1.15)
        top -= (len(lines) + 0.35) * line
    ax.set_xlim(0, 1)
    ax.set_ylim(0, 1)


def _words(ax: Axes, panel: dict[str, Any]) -> None:
    ax.set_axis_off()


def _words_set(ax: Axes, words: list[Any]) -> None:
    """Words, once the size of the axes is known."""
    width, height = _size_in(ax)
    sizes = {"head": (15.0, "bold", INK), "body": (9.0, "normal", INK), "foot": (7.5, "normal", SOFT)}
    top = 1.0
    for line in words:
        size, weight, colour = sizes[line["weight"]]
        lines = textwrap.wrap(_bound(_plain(line["text"])), max(int(width * 72 / (0.54 * size)), 20))
        ax.text(
            0,
            top,
            "\n".join(lines),
            va="top",
            fontsize=size,
            fontweight=weight,
            color=colour,
            transform=ax.transAxes,
            linespacing=1.15,
        )
        top -= (1.25 * len(lines) + 0.35) * size / 72 / height


def _size_dpi(ax: Axes) -> float:
    canvas = ax.figure.get_figure(root=True)
    return float(canvas.dpi) if canvas is not None else 100.0


def _size_in(ax: Axes) -> tuple[float, float]:
    box, dpi = ax.get_window_extent(), _size_dpi(ax)
    return box.width / dpi, box.height / dpi


LANE_PT = 8.5
"""Height of a line of names above the axes, in points."""


def _named(ax: Axes, marks: list[Any], colours: str | dict[str, str]) -> int:
    """Names of marks above the axes, in as many lines as keep them apart; returns how many."""
    low, high = ax.get_xlim()
    width_pt = _size_in(ax)[0] * 72
    lanes: list[list[tuple[float, float]]] = []
    for mark in sorted(marks, key=lambda mark: (mark["minor"], mark["at"])):
        if not (mark["label"] and low <= mark["at"] <= high):
            continue
        label = _plain(mark["label"])
        centre = (mark["at"] - low) / (high - low) * width_pt
        half = 0.5 * (0.6 * 7.5 * len(label) + 4)
        free = (
            lane
            for lane in range(3)
            if lane == len(lanes)
            or all(centre + half <= begin or centre - half >= end for begin, end in lanes[lane])
        )
        lane = next(free, None)
        if lane is None:
            continue
        if lane == len(lanes):
            lanes.append([])
        lanes[lane].append((centre - half, centre + half))
        ax.annotate(
            label,
            (mark["at"], 1),
            xycoords=("data", "axes fraction"),
            xytext=(0, 1.5 + LANE_PT * lane),
            textcoords="offset points",
            ha="center",
            va="bottom",
            fontsize=7.5,
            color=colours if isinstance(colours, str) else colours[mark["family"]],
        )
    return len(lanes)


def _lift_title(ax: Axes, lanes: int, handles: Sequence[Any] = (), names: Sequence[str] = ()) -> None:
    """Put title and legend above the names of marks: beside each other where there is room."""
    title = ax.get_title(loc="left")
    width_pt, height_pt = (72 * size for size in _size_in(ax))
    lift = LANE_PT * lanes
    columns = _columns([0.55 * 8 * len(name) + 32 for name in names], width_pt)
    lines = math.ceil(len(names) / columns) if names else 0
    wanted = 0.62 * 9.5 * len(title) + sum(0.55 * 8 * len(name) + 32 for name in names)
    beside = 13.0 * lines if names and wanted > width_pt else 0.0
    if names:
        ax.legend(
            handles,
            names,
            loc="lower right",
            bbox_to_anchor=(1.0, 1 + (2 + lift) / height_pt),
            ncols=columns,
            frameon=False,
            borderaxespad=0.1,
            columnspacing=1.2,
            handlelength=1.8,
        )
    ax.set_title(title, loc="left", pad=5 + lift + beside, fontweight="bold")


def _columns(widths: list[float], room: float) -> int:
    """Return the most columns in which entries of these widths keep within the room."""
    for columns in range(len(widths), 1, -1):
        lines = math.ceil(len(widths) / columns)
        held = [widths[k : k + lines] for k in range(0, len(widths), lines)]
        if sum(map(max, held)) <= room:
            return columns
    return 1


def _ticked(ax: Axes, at: float) -> None:
    """Mark a place of a map at its edges alone: what stands there is to be seen."""
    from matplotlib import patheffects

    halo = [patheffects.withStroke(linewidth=2.6, foreground="white")]
    for ends in ((0.0, 0.045), (0.955, 1.0)):
        ax.axvline(at, *ends, color=INK, linewidth=1.2, path_effects=halo)


MINOR_SHARE = 0.6
"""Share of the height that a lesser mark has, from the foot."""
DOTS = (0, (1, 1.6))
"""Pattern of lesser marks."""


def _is_minor(marks: list[Any], family: str) -> bool:
    return all(mark["minor"] for mark in marks if mark["family"] == family)


def _mark_colours(panel: dict[str, Any], families: list[str]) -> dict[str, str]:
    """Return the colour of each family of marks: ink for the first, then those that few curves have."""
    if panel["form"] == "map":
        return dict.fromkeys(families, INK)
    palette = [INK, COLOURS[3], OLIVE, COLOURS[2], COLOURS[1]]
    return {family: palette[k % len(palette)] for k, family in enumerate(families)}


def _above(ax: Axes, panel: dict[str, Any]) -> None:
    """Draw marks with their names above the axes, spans that are passed, and the legend."""
    from matplotlib.lines import Line2D
    from matplotlib.transforms import ScaledTranslation

    canvas = ax.figure.get_figure(root=True)
    if canvas is None:
        return
    shades = panel["form"] == "map" and panel["look"] == "shades"
    leaving: list[dict[str, Any]] = []
    if shades:
        _lines(ax, panel["lines"])
    elif panel["form"] == "map":
        leaving = _behind(ax, panel["lines"])
    else:
        leaving = _ends(ax, panel["lines"])
    marks = panel["marks"]
    families = list(dict.fromkeys(mark["family"] for mark in marks))
    colours = _mark_colours(panel, families)
    patterns = (DASHES[1], (0, (9, 2)), DASHES[3], (0, (4, 1, 1, 1, 1, 1)))
    dashes = {family: patterns[k % len(patterns)] for k, family in enumerate(families)}
    dashes |= {family: DOTS for family in families if _is_minor(marks, family)}
    low, high = ax.get_xlim()
    for mark in marks:
        if low <= mark["at"] <= high and shades:
            _ticked(ax, mark["at"])
        elif low <= mark["at"] <= high:
            minor = mark["minor"]
            ax.axvline(
                mark["at"],
                0.0,
                MINOR_SHARE if minor else 1.0,
                color=colours[mark["family"]],
                linestyle=DOTS if minor else dashes[mark["family"]],
                zorder=1.5,
                linewidth=0.9,
                alpha=0.95,
            )
    lanes = _named(ax, [*marks, *leaving], colours | {LINES: COLOURS[0]})
    for span in panel.get("spans", []):
        if span["whole"]:
            continue
        height = 5 + LANE_PT * lanes
        raised = ax.get_xaxis_transform() + ScaledTranslation(0, height / 72, canvas.dpi_scale_trans)
        begin, end = max(span["from"], low), min(span["to"], high)
        ax.plot(
            [begin, end],
            [1, 1],
            transform=raised,
            color=COLOURS[1],
            linewidth=1.6,
            clip_on=False,
            solid_capstyle="butt",
        )
        ax.annotate(
            _plain(span["label"]),
            (end, 1),
            xycoords=("data", "axes fraction"),
            xytext=(3, height),
            textcoords="offset points",
            va="center",
            fontsize=7.5,
        )
        lanes += 1
    handles, names = ax.get_legend_handles_labels()
    for family in families:
        if family and sum(mark["family"] == family for mark in marks) > 1:
            handles.append(Line2D([], [], color=colours[family], linestyle=dashes[family], linewidth=1))
            names.append(_plain(family))
    _lift_title(ax, lanes, handles, names)


_PANELS = {"plot": _plot, "map": _map, "polar": _polar, "rows": _rows, "words": _words}
