"""One page of what a network's farms say together, in a reader's units."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import polars as pl

from flows.base import files
from flows.network import reading
from flows.pages import render
from flows.pages.cells import (
    Frame,
    Grid,
    Line,
    Page,
    Phrase,
    Row,
    Section,
    cell,
    grid,
    say,
    say_row,
    written,
)
from flows.pages.reader_units import Show, System
from flows.share import network_file
from flows.share.objects import Objects

TABLE = "network_pooled"
ORDER = {"response": 0, "response change by year": 1, "season net": 2}
UNITS = ("pct", "d", "mm", "per_ha")
HEADS = ("What", "Farms", "Mean", "Says", "Between farms", "Next farm")
GROUPINGS = {
    "crop": "By crop",
    "soil": "By soil texture",
    "season rain": "By the season's rain, dry, normal or wet",
    "years since": "How long it lasts: by harvests since the work",
}
CAPTION = (
    "Treated minus check, each farm counted once. In brackets 95% intervals, those that the verdicts go "
    "by. Between farms: standard deviation of farms' true means. Next farm: the 95% range of one more"
)
HIDDEN = (
    "A group of fewer than five farms is left out, and so is any group from which such a group could "
    "be subtracted. Rows of single farms are shown only for farms that chose to be named."
)
CAUTION = (
    "Evidence from the farms that share, not advice. Before any ground is worked, call to have buried "
    "utilities located (811 in the US, Click Before You Dig in Canada). Local rules and licensed people decide."
)
NOTHING = "Nothing to show yet: too few farms share results of one practice."


def write(objects: Objects, to: Path, units: System = "metric") -> Path:
    """Save the page at ``to``; return the path. Raises UserError if there is no snapshot."""
    network = network_file.load(objects)
    found, frames = reading.newest(objects)
    made = datetime.fromisoformat(found.made_at).date()
    page = report(
        frames[TABLE],
        network.name,
        found.farms,
        f"snapshot {found.sequence} of {written(made)}",
        units,
    )
    files.write_text(to, render.html(page, Show(units), render.data_uri, "report.html"))
    return to


def report(
    rows: pl.DataFrame, name: str, farms: int, snapshot: str, units: System = "metric"
) -> Page:
    """Put the page together from rows of ``network_pooled``."""
    sections = [
        _practice(str(practice), group, units)
        for (practice,), group in rows.group_by("practice", maintain_order=True)
    ]
    sections = sections or [Section(("Not yet",), (Line((NOTHING,)),))]
    of = (Frame(f"{farms:,}"), " farms share, ", Frame(snapshot))
    # The limits of a partial row begin with those of all rows.
    limits = max(rows["limits"].unique().to_list(), key=len, default="")
    notes = [Line((Frame(limits),))] if limits else []
    return Page(
        (Frame(name), ": what its farms say together"),
        (),
        (
            *sections,
            Section(("How to read this",), (Line(of), *notes, Line((HIDDEN,)), Line((CAUTION,)))),
        ),
        (),
    )


def _practice(practice: str, group: pl.DataFrame, units: System) -> Section:
    whole = group.filter(grouping="all")
    whole = whole.sort(
        pl.col("measure").replace_strict(ORDER, default=len(ORDER)), maintain_order=True
    )
    blocks: list[Grid] = [_grid(say(CAPTION), whole, _measure, units)]
    response = group.filter(measure="response")
    for grouping, title in GROUPINGS.items():
        rows = response.filter(grouping=grouping)
        if not rows.is_empty():
            blocks.append(_grid((title, ": response"), rows, _member, units))
    return Section((Frame(practice),), tuple(blocks))


def _grid(
    caption: Phrase, rows: pl.DataFrame, named: Callable[[Row], Phrase], units: System
) -> Grid:
    body: list[tuple[Phrase, ...]] = [
        (
            named(row),
            (cell(TABLE, row, "farms"),),
            _with_interval(row, "gain", units),
            (cell(TABLE, row, "verdict"),),
            _with_interval(row, "spread", units),
            (
                *_number(row, "next_low", units, bare=True),
                " to ",
                *_number(row, "next_high", units),
            ),
        )
        for row in rows.iter_rows(named=True)
    ]
    partial = [row for row in rows.iter_rows(named=True) if row["partial"] and row["reason"]]
    notes = [Line((*named(row), ": ", cell(TABLE, row, "reason"), ".")) for row in partial]
    return grid(caption, HEADS, body, notes)


def _measure(row: Row) -> Phrase:
    if row["layer"] != "all":
        return say_row(TABLE, row, "{measure} at {layer} cm")
    return say_row(TABLE, row, "{measure}")


def _member(row: Row) -> Phrase:
    return say_row(TABLE, row, "{member}")


def _with_interval(row: Row, stem: str, units: System) -> Phrase:
    signed = stem == "gain"
    low, high = (
        _number(row, f"{stem}_{end}", units, signed=signed, bare=True) for end in ("low", "high")
    )
    return (*_number(row, stem, units, signed=signed), " (", *low, " to ", *high, ")")


def _number(
    row: Row, stem: str, units: System, *, signed: bool = False, bare: bool = False
) -> Phrase:
    """Return the number of a row in its unit; money with the row's own currency."""
    unit = next((one for one in UNITS if row[f"gain_{one}"] is not None), UNITS[0])
    value = cell(TABLE, row, f"{stem}_{unit}", signed=signed, bare=bare or unit == "per_ha")
    if unit != "per_ha" or bare:
        return (value,)
    label = Show(units, row["currency"]).unit_of("currency/hectare")[2]
    return (value, Frame(f" {label}"))
