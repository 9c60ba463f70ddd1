"""Reads yield-map exports (points as CSV or GeoJSON) and strip outlines (GeoJSON).

A map's field and season stand in its columns, or else in its file name (``Home 2021.csv``,
``home_2021_wheat.geojson``). The reading needs nothing but the files, so that it can be done again
at any time; crops, bushel weights and the field book's spelling of names come in by the transform.
"""

from __future__ import annotations

import io
import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import Any

import polars as pl
import shapely
from shapely.geometry import shape

from flows.errors import UserError
from flows.fieldbook import columns, units
from flows.fieldbook.files import decoded
from flows.fieldbook.problem import Problem, shown
from schemas import made
from schemas.catalogue import TABLES
from schemas.fieldbook import Heading, Reads
from schemas.fieldbook_words import BLANK, WORDS
from schemas.yield_map import (
    DAY_FIRST_FORMATS,
    MAX_MAP_BYTES,
    MAX_POINTS,
    MONTH_FIRST_FORMATS,
    OUTLINE_ENDINGS,
    POINT_ENDINGS,
    POINTS,
    TIME_FORMATS,
)

_NAMED = re.compile(r"^(?P<field>.+?)[ _-]+(?P<season>(?:19|20|21)\d{2})(?:\D.*)?$")
_HEADING_LINES = 20


@dataclass(frozen=True, slots=True)
class YieldMaps:
    """``yield_point`` and ``strip_outline``, and everything that was wrong."""

    frames: dict[str, pl.DataFrame]
    problems: list[Problem]


def read(path: Path, *, offset_h: float = 0.0) -> YieldMaps:
    """The maps at ``path``, a folder or one file; settings as in tables_of.

    Raises UserError where there is nothing at ``path``.
    """
    return tables_of(contents(path), offset_h=offset_h)


def contents(path: Path) -> dict[str, bytes]:
    """The map files by name. Raises UserError where there is nothing at ``path``."""
    endings = POINT_ENDINGS + OUTLINE_ENDINGS
    if path.is_dir():
        files = sorted(p for p in path.iterdir() if p.suffix.lower() in endings)
    elif path.is_file():
        files = [path]
    else:
        raise UserError(f"There is no yield map at {path}.")
    content = {}
    for file in files:
        with file.open("rb") as stream:
            content[file.name] = stream.read(MAX_MAP_BYTES + 1)
    return content


def tables_of(files: Mapping[str, bytes], *, offset_h: float = 0.0) -> YieldMaps:
    """Points and outlines of the files given by name and content.

    ``offset_h``: the farm's standard time minus UTC, for stamps that name no zone; only time steps
    are used, so a wrong hour does no harm. Every fault is in ``problems``: whole files that cannot
    be read, columns that are not known, and per column how many values of it were not usable.
    Raises nothing on any content.
    """
    problems: list[Problem] = []
    points: list[pl.DataFrame] = []
    outlines: list[dict[str, str]] = []
    for name in sorted(files):
        try:
            grid, shapes = _table(name, files[name])
            outlines += _outlines(name, shapes, problems)
            if grid.height:
                points.append(_points(name, grid, offset_h, problems))
        except _Refused as refused:
            cause, found, expected = refused.args
            problems.append(Problem(name, 0, "", cause, found, expected, "book"))
    outline, point = TABLES["strip_outline"], TABLES["yield_point"]
    frames = {
        "strip_outline": _single(outlines, problems),
        "yield_point": pl.concat([made.empty(point), *points]).sort(point.key),
    }
    for table in (outline, point):
        made.check(table).validate(frames[table.name])  # a fault here is ours, not the user's
    return YieldMaps(frames, sorted(set(problems)))


class _Refused(Exception):
    """cause, found, expected."""


def _table(name: str, content: bytes) -> tuple[pl.DataFrame, list[dict[str, Any]]]:
    """All rows of a file as text, the column ``row`` counting them; and its polygons' features."""
    if len(content) > MAX_MAP_BYTES:
        raise _Refused(
            "the file is too large", f"{len(content):,} bytes", f"at most {MAX_MAP_BYTES:,}"
        )
    text = decoded(content)
    if PurePath(name).suffix.lower() in OUTLINE_ENDINGS:
        return _features(text)
    return _delimited(text), []


def _delimited(text: str) -> pl.DataFrame:
    lines = text.splitlines()[:_HEADING_LINES]

    def hits(choice: tuple[int, str]) -> int:
        cells: list[Any] = lines[choice[0]].split(choice[1])
        return sum(columns.match(POINTS, c.strip('" ')) is not None for c in cells if c.strip('" '))

    choices = [(n, d) for n in range(len(lines)) for d in ",;\t|"]
    best = max(choices, key=hits, default=None)
    if best is None or hits(best) < 3:
        names = ", ".join(h.name for h in POINTS.headings)
        raise _Refused("no headings were found", "", f"a row with some of {names}")
    skip, delimiter = best
    try:
        frame = pl.read_csv(
            io.BytesIO(text.encode()),
            separator=delimiter,
            skip_lines=skip,
            infer_schema=False,
            truncate_ragged_lines=True,
            n_rows=MAX_POINTS + 1,
        )
    except pl.exceptions.PolarsError as error:
        raise _Refused(
            "the file cannot be read as delimited text", str(error)[:80], "a CSV file"
        ) from error
    frame = frame.rename({c: c.strip() for c in frame.columns if c != c.strip()})
    return frame.with_row_index("row", offset=skip + 2)


def _features(text: str) -> tuple[pl.DataFrame, list[dict[str, Any]]]:
    try:
        content = json.loads(text)
        features = content["features"] if content.get("type") == "FeatureCollection" else [content]
        rows, polygons = [], []
        for feature in features:
            place = shape(feature["geometry"])
            said = feature.get("properties") or {}
            is_strip = place.geom_type in ("Polygon", "MultiPolygon")
            if is_strip and any(str(k).lower() in ("strip", "side") for k in said):
                polygons.append({"shape": place, "properties": said})
            else:
                middle = place.centroid  # of a swath's outline; of a point the point itself
                rows.append(
                    {str(k): None if v is None else str(v) for k, v in said.items()}
                    | {"longitude": str(middle.x), "latitude": str(middle.y)}
                )
    except (
        ValueError,
        TypeError,
        KeyError,
        AttributeError,
        RecursionError,
        shapely.GEOSException,
    ) as error:
        raise _Refused(
            "the file is not GeoJSON", f"{type(error).__name__}", "a FeatureCollection"
        ) from error
    if not rows:
        return pl.DataFrame(), polygons
    names = list(dict.fromkeys(n for r in rows for n in r))
    frame = pl.DataFrame(rows, schema=dict.fromkeys(names, pl.String))
    return frame.with_row_index("row", offset=1), polygons


def _outlines(
    name: str, polygons: list[dict[str, Any]], problems: list[Problem]
) -> Iterator[dict[str, str]]:
    for number, polygon in enumerate(polygons, start=1):
        said = {str(k).lower(): str(v).strip() for k, v in polygon["properties"].items()}
        strip = said.get("strip", said.get("side", "")).lower()
        strip = WORDS["strip"].get(strip, strip)
        place = polygon["shape"]
        west, south, east, north = place.bounds or (999.0,) * 4
        if strip not in ("treated", "check") or not said.get("field"):
            found, expected = shown(said), "properties field and strip (treated or check)"
            problems.append(Problem(name, number, "", "the outline has no name", found, expected))
        elif not (-180 <= west <= east <= 180 and -90 <= south <= north <= 90):
            found, expected = f"{west:g} {south:g}", "longitude and latitude in WGS 84"
            problems.append(
                Problem(name, number, "", "the outline is not in degrees", found, expected)
            )
        elif not place.is_valid:
            found = str(shapely.is_valid_reason(place))
            problems.append(
                Problem(name, number, "", "the outline crosses itself", found, "a plain polygon")
            )
        else:
            yield {"field": said["field"], "strip": strip, "outline": place.wkt, "file": name}


def _single(outlines: list[dict[str, str]], problems: list[Problem]) -> pl.DataFrame:
    """One outline a strip; a second one is a fault."""
    first: dict[tuple[str, str], dict[str, str]] = {}
    for outline in outlines:
        key = (outline["field"].lower(), outline["strip"])
        if first.setdefault(key, outline) is not outline:
            found = f"{outline['field']} {outline['strip']}"
            cause = f"the strip has an outline already in {first[key]['file']}"
            problems.append(Problem(outline["file"], 0, "", cause, found, "one a strip"))
    table = TABLES["strip_outline"]
    rows = [{k: o[k] for k in table.names} for o in first.values()]
    return pl.DataFrame(rows, schema=made.polars_schema(table)).sort(table.key)


def _points(
    name: str, grid: pl.DataFrame, offset_h: float, problems: list[Problem]
) -> pl.DataFrame:
    """The points of one file as the table declares them; points without a place are refused."""
    if grid.height > MAX_POINTS:
        problems.append(
            Problem(
                name,
                MAX_POINTS + 1,
                "",
                "the map has too many points",
                "",
                f"at most {MAX_POINTS:,}",
            )
        )
        grid = grid.head(MAX_POINTS)
    table = TABLES["yield_point"]
    found, values = _columns(name, grid, problems)
    places = {c for c in ("latitude_deg", "longitude_deg") if c in values}
    if len(places) < 2:
        raise _Refused(
            "the map has no places", ", ".join(grid.columns[1:9]), "columns latitude and longitude"
        )
    named = _NAMED.match(PurePath(name).stem)
    frame = grid.select("row").with_columns(**values)
    texts = {h.name: grid[c].str.strip_chars() for c, h in found.items() if h.reads is Reads.TEXT}
    if ("field" not in texts or "season" not in texts) and not named:
        raise _Refused(
            "field and season of the map are not known", name, "a file name such as 'Home 2021.csv'"
        )
    strip = texts.get("strip", pl.Series([None], dtype=pl.String)).str.to_lowercase()
    strip = strip.replace(WORDS["strip"])
    season = texts["season"].cast(pl.Int64, strict=False) if "season" in texts else None
    frame = frame.with_columns(
        field=texts["field"] if "field" in texts else pl.lit(named["field"] if named else None),
        season=season if season is not None else pl.lit(int(named["season"]) if named else None),
        map_file=pl.lit(PurePath(name).stem),
        time=_times(name, texts, offset_h, problems) if "time" in texts else pl.lit(None),
        strip=pl.when(strip.is_in(["treated", "check"])).then(strip)
        if len(strip) == grid.height
        else pl.lit(None),
        point=pl.int_range(1, pl.len() + 1),
        **{"pass": texts.get("pass", pl.lit(None))},
    )
    good = _placed(name, frame, problems)
    return made.conform(good.select(pl.selectors.by_name(table.names, require_all=False)), table)


def _columns(
    name: str, grid: pl.DataFrame, problems: list[Problem]
) -> tuple[dict[str, Heading], dict[str, pl.Series]]:
    """The headings of a file's columns, and its numbers in the declared units."""
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
        landed = _landing(heading, unit or heading.unit)
        if landed is None:
            expected = f"a unit in the heading that fits {heading.name}, such as {heading.name} ({_usual(heading)})"
            cause = "the heading names no unit" if unit is None else "the unit does not fit"
            problems.append(Problem(name, 0, column, cause, shown(column), expected, "value"))
            continue
        target, by = landed
        values[target] = _numbers(name, column, grid, problems) * by
    return found, values


def _landing(heading: Heading, unit: str) -> tuple[str, float] | None:
    """The column that a unit leads to and its factor; a bushel of the trade stays a bushel."""
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
    betrayed = units.marks(text.drop_nulls().unique(maintain_order=True).head(1000).to_list())
    if betrayed == {","}:
        text = text.str.replace_all(".", "", literal=True).str.replace(",", ".", literal=True)
    number = text.str.replace_all(",", "", literal=True).cast(pl.Float64, strict=False)
    number = number.set(~number.is_finite().fill_null(True), None)
    bad = number.is_null() & text.is_not_null()
    if bad.any():
        row = int(grid["row"].filter(bad)[0])
        found = f"{bad.sum()} values, the first {shown(text.filter(bad)[0])}"
        problems.append(Problem(name, row, column, "not a number", found, "a number", "value"))
    return number


def _times(
    name: str, texts: dict[str, pl.Series], offset_h: float, problems: list[Problem]
) -> pl.Series:
    """Stamps as UTC; null where they cannot be read, which costs only the rules that need a clock."""
    stamp = texts["time"]
    if "date" in texts:
        stamp = (texts["date"] + " " + stamp).alias("time")
    pairs = stamp.str.extract(r"^(\d{1,2})[/-](\d{1,2})[/-]\d{4}", 1).cast(pl.Int64, strict=False)
    day_first = bool((pairs > 12).any())
    formats = (*TIME_FORMATS, *(DAY_FIRST_FORMATS if day_first else MONTH_FIRST_FORMATS))
    best = pl.Series("time", [None] * len(stamp), dtype=pl.Datetime("us", "UTC"))
    for form in formats:
        one = stamp.str.to_datetime(form, strict=False, time_unit="us")
        if one.dtype.time_zone is None:  # type: ignore[attr-defined]
            one = _utc(one, offset_h)
        else:
            one = one.dt.convert_time_zone("UTC")
        if one.null_count() < best.null_count():
            best = one
    bad = best.is_null() & stamp.is_not_null()
    if bad.any():
        found = f"{bad.sum()} stamps, the first {shown(stamp.filter(bad)[0])}"
        expected = "ISO 8601, such as 2021-08-28 14:03:07"
        problems.append(
            Problem(name, 0, "time", "the time cannot be read", found, expected, "value")
        )
    return best


def _utc(local: pl.Series, offset_h: float) -> pl.Series:
    shifted = local.to_frame("t").select(pl.col("t") - pl.duration(minutes=round(offset_h * 60)))
    return shifted.to_series().dt.replace_time_zone("UTC")


def _placed(name: str, frame: pl.DataFrame, problems: list[Problem]) -> pl.DataFrame:
    """The rows with a place, a field and a year; one line says how many have none."""
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
        found = f"{lost.height} of {frame.height} points, the first at {place}"
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
