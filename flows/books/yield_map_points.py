"""The points of one yield-map export: its columns, numbers, times and places."""

import re
from pathlib import PurePath
from unicodedata import normalize

import polars as pl

from flows.base.plain_text import counted
from flows.books.fieldbook import columns, units
from flows.books.fieldbook.problem import Problem, Rejected, shown
from flows.books.strip_outlines import Place, is_far, is_swapped, near
from flows.farm.renames import Renames
from schemas import generated
from schemas.catalogue import TABLES
from schemas.fieldbook.parts import Heading, Reads
from schemas.fieldbook.words import BLANK
from schemas.fieldbook.yield_map import (
    DAY_FIRST_FORMATS,
    MAX_POINTS,
    MONTH_FIRST_FORMATS,
    POINTS,
    TIME_FORMATS,
)

YIELDS = {
    *("yield_kg_ha", "yield_bu_ha", "market_yield_kg_ha", "market_yield_bu_ha", "flow_kg_s"),
}
NAMED = re.compile(r"^(?P<field>.+?)[ _-]+(?P<season>(?:19|20|21)\d{2})(?:\D.*)?$")


def points_of(  # noqa: PLR0917
    name: str,
    grid: pl.DataFrame,
    offset_h: float,
    renames: Renames,
    farm: Place | None,
    problems: list[Problem],
) -> pl.DataFrame:
    """Return the points of one file as the table declares them, without those that have no place.

    ``grid``: the file's cells as text, the column ``row`` first. Faults are added to ``problems``.
    Raises Rejected where no point can have a place, the map lies far from the ``farm`` (longitude,
    latitude), or field and season are not known.
    """
    if grid.height > MAX_POINTS:
        cause, expected = "the map has too many points", f"at most {MAX_POINTS:,}"
        problems.append(Problem(name, MAX_POINTS + 1, "", cause, "", expected))
        grid = grid.head(MAX_POINTS)
    table = TABLES["yield_point"]
    found, values = _columns(name, grid, problems)
    places = {c for c in ("latitude_deg", "longitude_deg") if c in values}
    if len(places) < 2:
        raise Rejected(
            "the map has no places", ", ".join(grid.columns[1:9]), "columns latitude and longitude"
        )
    if not YIELDS & values.keys():
        raise Rejected(
            "the map has no usable yield",
            f"the headings {', '.join(grid.columns[1:13])}",
            "a yield with its unit, such as yield (t/ha) or yield (bu/ac), or flow with its unit",
        )
    named = NAMED.match(normalize("NFC", PurePath(name).stem))  # macOS: letter and accent apart
    frame = grid.select("row").with_columns(**values)
    texts = {h.name: grid[c].str.strip_chars() for c, h in found.items() if h.reads is Reads.TEXT}
    if ("field" not in texts or "season" not in texts) and not named:
        raise Rejected(
            "field and season of the map are not known", name, "a file name such as 'Home 2021.csv'"
        )
    strip = texts.get("strip", pl.Series([None], dtype=pl.String)).str.to_lowercase()
    season = texts["season"].cast(pl.Int64, strict=False) if "season" in texts else None
    frame = frame.with_columns(
        field=texts["field"] if "field" in texts else pl.lit(named["field"] if named else None),
        season=season if season is not None else pl.lit(int(named["season"]) if named else None),
        map_file=pl.lit(PurePath(name).stem),
        time=_times(name, texts, offset_h, problems) if "time" in texts else pl.lit(None),
        strip=strip if len(strip) == grid.height else pl.lit(None, pl.String),
        point=pl.int_range(1, pl.len() + 1),
        **{"pass": texts.get("pass", pl.lit(None))},
    )
    _must_be_near(frame, farm)
    good = _placed(name, _under_todays_names(frame, renames), problems)
    return generated.conform(
        good.select(pl.selectors.by_name(table.names, require_all=False)), table
    )


def _under_todays_names(frame: pl.DataFrame, renames: Renames) -> pl.DataFrame:
    """Return points with today's names of field and strip; a strip that nobody knows is null."""
    named = frame.select("field", "strip").unique()
    fields = [renames.today("field", field or "") or None for field in named["field"]]
    strips = [
        renames.strip(strip or "", field or "")
        for field, strip in zip(fields, named["strip"], strict=True)
    ]
    today = named.with_columns(
        __field=pl.Series(fields, dtype=pl.String),
        __strip=pl.Series(strips, dtype=pl.String),
    )
    joined = frame.join(
        today, on=["field", "strip"], how="left", nulls_equal=True, maintain_order="left"
    )
    return joined.with_columns(field="__field", strip="__strip").drop("__field", "__strip")


def _columns(
    name: str, grid: pl.DataFrame, problems: list[Problem]
) -> tuple[dict[str, Heading], dict[str, pl.Series]]:
    """Return the headings of a file's columns, and its numbers in the declared units."""
    found: dict[str, Heading] = {}
    values: dict[str, pl.Series] = {}
    for column in grid.columns[1:]:
        match = columns.match(POINTS, column)
        if match is None:
            continue  # exports are full of columns of no use here
        heading, unit = match
        if heading in found.values():
            continue
        found[column] = heading
        if heading.reads is not Reads.NUMBER:
            continue
        landed = landing(heading, unit or heading.unit)
        if landed is None:
            expected = f"a unit in the heading that fits {heading.name}, such as {heading.name} ({_usual(heading)})"
            cause = "the heading names no unit" if unit is None else "the unit does not fit"
            problems.append(Problem(name, 0, column, cause, shown(column), expected, "value"))
            continue
        target, by = landed
        values[target] = _numbers(name, column, grid, problems) * by
    return found, values


def landing(heading: Heading, unit: str) -> tuple[str, float] | None:
    """Return the column that a unit leads to and its factor; a trade bushel stays a bushel."""
    table = TABLES["yield_point"]
    for column in heading.columns:
        target = table[column].unit.replace("bushel", "trade_bushel")
        if unit and (by := units.factor(unit, target)) is not None:
            return column, by
    return None


def _usual(heading: Heading) -> str:
    return TABLES["yield_point"][heading.columns[0]].unit


def _numbers(name: str, column: str, grid: pl.DataFrame, problems: list[Problem]) -> pl.Series:
    text = grid[column].str.strip_chars()
    text = text.set(text.str.to_lowercase().is_in(list(BLANK)), None)
    betrayed = units.decimal_marks(
        text.drop_nulls().unique(maintain_order=True).head(1000).to_list()
    )
    if betrayed == {","}:
        text = text.str.replace_all(".", "", literal=True).str.replace(",", ".", literal=True)
    number = text.str.replace_all(",", "", literal=True).cast(pl.Float64, strict=False)
    number = number.set(~number.is_finite().fill_null(True), None)
    bad = number.is_null() & text.is_not_null()
    if bad.any():
        row = int(grid["row"].filter(bad)[0])
        found = f"{counted(int(bad.sum()), 'value')}, the first {shown(text.filter(bad)[0])}"
        problems.append(Problem(name, row, column, "not a number", found, "a number", "value"))
    return number


def _times(
    name: str, texts: dict[str, pl.Series], offset_h: float, problems: list[Problem]
) -> pl.Series:
    """Return stamps as UTC, null if unreadable (that costs only the rules that need a clock)."""
    stamp = texts["time"]
    if "date" in texts:
        stamp = (texts["date"] + " " + stamp).alias("time")
    pairs = stamp.str.extract(r"^(\d{1,2})[/-](\d{1,2})[/-]\d{4}", 1).cast(pl.Int64, strict=False)
    day_first = bool((pairs > 12).any())
    formats = (*TIME_FORMATS, *(DAY_FIRST_FORMATS if day_first else MONTH_FIRST_FORMATS))
    best = pl.Series("time", [None] * len(stamp), dtype=pl.Datetime("us", "UTC"))
    for form in formats:
        one = stamp.str.to_datetime(form, strict=False, time_unit="us")
        has_zone = one.dtype.time_zone is not None  # type: ignore[attr-defined]
        one = one.dt.convert_time_zone("UTC") if has_zone else _utc(one, offset_h)
        if one.null_count() < best.null_count():
            best = one
    bad = best.is_null() & stamp.is_not_null()
    if bad.any():
        found = f"{counted(int(bad.sum()), 'stamp')}, the first {shown(stamp.filter(bad)[0])}"
        expected = "ISO 8601, such as 2021-08-28 14:03:07"
        problems.append(
            Problem(name, 0, "time", "the time cannot be read", found, expected, "value")
        )
    return best


def _utc(local: pl.Series, offset_h: float) -> pl.Series:
    shifted = local.to_frame("t").select(pl.col("t") - pl.duration(minutes=round(offset_h * 60)))
    return shifted.to_series().dt.replace_time_zone("UTC")


def _must_be_near(frame: pl.DataFrame, farm: Place | None) -> None:
    """Raise Rejected where the middle of the points is no place that the farm can have."""
    middle = frame.select(
        pl.col("longitude_deg", "latitude_deg").filter(
            pl.col("latitude_deg").abs() + pl.col("longitude_deg").abs() > 0
        )
    ).median()
    longitude, latitude = middle.row(0)
    if longitude is None or latitude is None:
        return
    found = f"longitude {longitude:.6g}, latitude {latitude:.6g}"
    if is_swapped((longitude, latitude), farm):
        raise Rejected(
            "longitude and latitude are exchanged", found, "the two headings the other way round"
        )
    if farm is not None and abs(latitude) <= 90 and is_far((longitude, latitude), farm):
        raise Rejected("the map lies far from the farm", found, near(farm))


def _placed(name: str, frame: pl.DataFrame, problems: list[Problem]) -> pl.DataFrame:
    """Return the rows with a place, a field and a year; one line says how many have none."""
    good = (
        pl.col("latitude_deg").is_between(-90, 90)
        & pl.col("longitude_deg").is_between(-180, 180)
        & (pl.col("latitude_deg").abs() + pl.col("longitude_deg").abs() > 0)
        & pl.col("field").is_not_null()
        & pl.col("season").is_between(1900, 2200)
    ).fill_null(False)
    lost = frame.filter(~good)
    if lost.height:
        place = f"{lost['latitude_deg'][0]} {lost['longitude_deg'][0]}"
        found = f"{lost.height} of {counted(frame.height, 'point')}, the first at {place}"
        expected = "latitude and longitude in degrees (WGS 84), a field and a year"
        problems.append(
            Problem(name, int(lost["row"][0]), "", "points without a place", found, expected)
        )
    table = TABLES["yield_point"]
    beyond = [
        pl.when(pl.col(c.name).is_between(c.low, c.high)).then(pl.col(c.name)).alias(c.name)
        for c in table.columns
        if c.low is not None and c.high is not None and c.name in frame.columns
    ]
    return frame.filter(good).with_columns(beyond)
