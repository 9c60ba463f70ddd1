"""What people observed on the strips: infiltration, roots, residue, photographs, anything with a unit."""

from dataclasses import replace

import polars as pl

from flows.pages.cells import Block, Cell, Grid, Line, Row, cell, grid_of, line, say, say_row
from flows.pages.published_tables import Tables
from flows.pages.sections.evidence import CHANCE, NOT_SHOWN

PAIR, POOLED = "observation_pair", "observation_pooled"
_COLUMNS = {
    "field": "Field",
    "day": "Day",
    "what": "What",
    "depth_cm": "Depth",
    "treated_value": "Treated",
    "check_value": "Check",
    "unit": "Unit",
    "difference_pct": "Treated over check",
    "years_since": "Years since the work",
}
_FRONTS = {
    "treated_front_cm": "Root front by the probe, treated",
    "check_front_cm": "Root front by the probe, check",
}


def of_seasons(tables: Tables, seasons: list[Row]) -> list[Block]:
    """Return what was observed in the year of each season, treated beside check, and the photographs."""
    rows = _in(tables(PAIR), seasons).sort("field", "day", "what", "depth_cm")
    heads = dict(_COLUMNS)
    if rows["treated_front_cm"].count() or rows["check_front_cm"].count():
        heads |= _FRONTS
    caption = say("Observed on the strips; each value in the unit of its row")
    grids = grid_of(PAIR, rows.to_dicts(), heads, caption)
    return [
        *(_without_blanks(one, heads) for one in grids),
        *_photographs(_in(tables("observation"), seasons)),
    ]


def _without_blanks(one: Grid, heads: dict[str, str]) -> Grid:
    """Put a dash where there is nothing to know: a depth that a quantity does not have, no root front."""
    optional = [column in {"depth_cm", "years_since", *_FRONTS} for column in heads]
    rows = tuple(
        tuple(
            ("–",) if may and isinstance(phrase[0], Cell) and not phrase[0].known else phrase
            for may, phrase in zip(optional, row, strict=True)
        )
        for row in one.rows
    )
    return replace(one, rows=rows)


def _in(rows: pl.DataFrame, seasons: list[Row]) -> pl.DataFrame:
    """Return the rows of the fields and years of harvest of these seasons."""
    places = [
        (pl.col("field") == one["field"]) & (pl.col("day").dt.year() == one["season"])
        for one in seasons
    ]
    return rows.filter(pl.any_horizontal(places)) if places else rows.head(0)


def _photographs(observed: pl.DataFrame) -> list[Line]:
    rows = observed.filter(pl.col("file").is_not_null())
    return [
        Line(
            say_row(
                "observation",
                row,
                "Photograph of {field}, {day}, {strip}: {file}"
                + (" ({notes})." if row["notes"] else "."),
            )
        )
        for row in rows.sort("field", "day", "strip", "place").to_dicts()
    ]


def over_site_years(tables: Tables, practice: str) -> list[Line]:
    """Say what all site-years show together, one sentence a quantity and depth that has a mean."""
    rows = tables(POOLED, practice=practice).drop_nulls("difference")
    found = rows.sort("what", "depth_cm", "unit").to_dicts()
    said = [_one(row) for row in found]
    limits = [Line((cell(POOLED, found[0], "limits"),))] if found else []
    return [*said, *limits]


def _one(row: Row) -> Line:
    depth = " at {depth_cm}" if row["depth_cm"] is not None else ""
    template = (
        f"Observed over all site-years of the {{practice}}, treated minus check: {{what}}{depth} "
        "{difference:+} {unit} (95% interval {difference_low:+} to {difference_high:+}); more in "
        "{ahead} of {site_years}."
    )
    if row["verdict"] == "not shown":
        apart = not row["difference_low"] <= 0 <= row["difference_high"]
        template += CHANCE if apart else NOT_SHOWN
    return line(POOLED, row, template)
