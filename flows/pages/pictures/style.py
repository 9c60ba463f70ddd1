"""The look that all pictures share."""

import io
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from typing import Any, Literal

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.dates import ConciseDateFormatter, MonthLocator
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font

# Two hues that stay apart for the common forms of color blindness, one much darker than the other.
TREATED, CHECK, PLAIN, FAINT = "#123a6b", "#c8691c", "#111111", "#777777"
COLOR = {"treated": TREATED, "check": CHECK}
# Keywords of matplotlib for one mark or line.
Look = dict[str, Any]
STROKE: Look = {"treated": "-", "check": (0, (4, 2))}
MARK = {"treated": "o", "check": "s"}
FILL = {"treated": TREATED, "check": "white"}
# Inches: a mail is read on a phone, where the letters of a wider picture would be too small.
NARROW, WIDE = 4.4, 7.2

_RULES: dict[Any, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 9.0,
    "text.parse_math": False,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlesize": 9.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.edgecolor": FAINT,
    "xtick.color": "#333333",
    "ytick.color": "#333333",
    "svg.fonttype": "path",
    "svg.hashsalt": "checkstrip",
    "hatch.color": "#bbbbbb",
    "hatch.linewidth": 0.6,
}


@contextmanager
def drawn(title: str, height: float, width: float = NARROW) -> Iterator[Figure]:
    """Give a figure under a title, its parts kept from touching."""
    with mpl.rc_context(_RULES):
        figure = Figure(figsize=(width, height), layout="constrained")
        FigureCanvasAgg(figure)
        figure.suptitle(title, x=0.01, ha="left", fontsize=11, fontweight="bold")
        yield figure


def image(figure: Figure, kind: str = "png") -> bytes:
    """Return the figure's bytes; the same figure gives the same bytes."""
    out = io.BytesIO()
    form: Literal["png", "svg"] = "svg" if kind == "svg" else "png"
    stamp = {"Date": None} if kind == "svg" else {"Software": None}
    with mpl.rc_context(_RULES):
        figure.savefig(out, format=form, dpi=150, metadata=stamp)
    return out.getvalue()


def line_of(strip: str) -> Look:
    """Return the color, stroke and mark of a strip's line."""
    return {
        "color": COLOR[strip],
        "linestyle": STROKE[strip],
        "marker": MARK[strip],
        "markerfacecolor": FILL[strip],
    }


def legible(name: str, number: int) -> str:
    """Return a name for use in a picture; 'field A' and so on if the font cannot write it."""
    if all(ord(character) in _glyphs() for character in name):
        return name if len(name) <= 34 else name[:33] + "…"
    return f"field {chr(ord('A') + number % 26)}"


@cache
def _glyphs() -> frozenset[int]:
    return frozenset(get_font(findfont(FontProperties(family="DejaVu Sans"))).get_charmap())


def beside(axes: Axes, x: float, y: float, text: str, color: str, *, dy: float = 0.0) -> None:
    """Write a label to the right of a point, instead of a legend."""
    near_point(axes, x, y, (5, dy), text, color=color, va="center", annotation_clip=False)


def near_point(
    axes: Axes, x: float, y: float, by: tuple[float, float], text: str, **look: Any
) -> None:
    """Write a text some points to the right of and above a point."""
    small: Look = {"fontsize": 8.5, "textcoords": "offset points"}
    axes.annotate(text, (x, y), xytext=by, **small | look)


def apart(first: float, second: float, span: float) -> tuple[float, float]:
    """Return offsets in points that keep two labels at nearly the same height apart."""
    gap = first - second
    if span <= 0 or abs(gap) > 0.09 * span:
        return 0.0, 0.0
    return (6.0, -6.0) if gap >= 0 else (-6.0, 6.0)


def months(axes: Axes) -> None:
    """Mark the months."""
    locator = MonthLocator()  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(ConciseDateFormatter(locator, show_offset=False))  # type: ignore[no-untyped-call]
