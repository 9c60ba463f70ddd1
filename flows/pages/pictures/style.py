"""The look that all pictures share."""

import io
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from textwrap import wrap
from typing import Any, Literal

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.dates import ConciseDateFormatter, MonthLocator
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from PIL import Image

from flows.pages.cells import Cell, Phrase
from flows.pages.reader_units import Show

# Two hues that stay apart for the common forms of color blindness, one much darker than the other.
TREATED, CHECK, PLAIN, FAINT = "#123a6b", "#c8691c", "#111111", "#777777"
COLOR = {"treated": TREATED, "check": CHECK}
# Keywords of matplotlib for one mark or line.
Look = dict[str, Any]
STROKE: Look = {"treated": "-", "check": (0, (4, 2))}
MARK = {"treated": "o", "check": "s"}
FILL = {"treated": TREATED, "check": "white"}
# Inches: a mail is read on a phone, where the letters of a wider picture would be too small.
WIDTH = 4.4
# Height of a label, and about that of a panel of a picture that is mailed.
_LABEL_INCHES, _PANEL_INCHES = 0.14, 1.05
_COLORS = 48

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
def drawn(title: Phrase, show: Show, height: float, width: float = WIDTH) -> Iterator[Figure]:
    """Give a figure under a title in the reader's units, its parts kept from touching."""
    # Letters of the title that fit beside each other in an inch.
    lines = wrap(_in_font(title, show), int(10.2 * width), break_on_hyphens=False)
    with mpl.rc_context(_RULES):
        figure = Figure(figsize=(width, height + 0.18 * (len(lines) - 1)), layout="constrained")
        FigureCanvasAgg(figure)
        look: Look = {"ha": "left", "fontsize": 11, "fontweight": "bold"}
        figure.suptitle("\n".join(lines), x=0.01, **look)
        yield figure


def _in_font(title: Phrase, show: Show) -> str:
    """Return a title as text, a name that the font cannot write replaced."""
    return "".join(
        legible(text, None) if isinstance(part, Cell) and part.column == "field" else text
        for part in title
        for text in [show.part(part)]
    )


def image(figure: Figure, kind: str = "png") -> bytes:
    """Return the figure's bytes; the same figure gives the same bytes. PNG has few colors: it is mailed."""
    out = io.BytesIO()
    form: Literal["png", "svg"] = "svg" if kind == "svg" else "png"
    stamp = {"Date": None} if kind == "svg" else {"Software": None}
    with mpl.rc_context(_RULES):
        figure.savefig(out, format=form, dpi=150, metadata=stamp)
    return out.getvalue() if form == "svg" else _few_colors(out.getvalue())


def _few_colors(png: bytes) -> bytes:
    """Return the picture with a palette: a third of the bytes, and no difference to the eye."""
    out = io.BytesIO()
    with Image.open(io.BytesIO(png)) as picture:
        picture.convert("RGB").quantize(_COLORS, method=Image.Quantize.MEDIANCUT).save(
            out, format="png", optimize=True
        )
    return out.getvalue()


def line_of(strip: str) -> Look:
    """Return the color, stroke and mark of a strip's line."""
    return {
        "color": COLOR[strip],
        "linestyle": STROKE[strip],
        "marker": MARK[strip],
        "markerfacecolor": FILL[strip],
    }


def legible(name: str, number: int | None) -> str:
    """Return a name for use in a picture; 'field A' and so on, or 'one field', if the font cannot write it."""
    written = _written(name, number)
    return written if len(written) <= 34 else written[:33] + "…"


def in_lines(name: str, number: int | None) -> str:
    """Return a name as ``legible``, a long one in up to three short lines."""
    lines = wrap(_written(name, number), 26, max_lines=3, placeholder=" …", break_on_hyphens=False)
    return "\n".join(lines)


def _written(name: str, number: int | None) -> str:
    if all(ord(character) in _glyphs() for character in name):
        return name
    return "one field" if number is None else f"field {chr(ord('A') + number % 26)}"


@cache
def _glyphs() -> frozenset[int]:
    return frozenset(get_font(findfont(FontProperties(family="DejaVu Sans"))).get_charmap())


def beside(axes: Axes, x: float, y: float, text: str, color: str, *, dy: float = 0.0) -> None:
    """Write a label to the right of a point, instead of a legend."""
    near_point(axes, x, y, (5, dy), text, color=color, va="center", annotation_clip=False)


def beside_each(axes: Axes, x: Any, ends: list[tuple[float, str, str]]) -> None:
    """Write labels to the right of points one above the other, kept apart; each is (y, text, color)."""
    low, high = axes.get_ylim()
    span = abs(high - low)
    least = span * _LABEL_INCHES / _PANEL_INCHES
    at = None
    for y, text, color in sorted(ends):
        place = y if at is None else max(y, at + least)
        beside(axes, x, y, text, color, dy=72 * _PANEL_INCHES * (place - y) / span)
        at = place


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
