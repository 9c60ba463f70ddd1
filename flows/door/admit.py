"""Named columns → readings in SI at their instrument and depth, and what was refused and why."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import cast

import polars as pl

from flows import units
from flows.door import places as at
from flows.door.places import EARLY, Places
from flows.door.times import read_times
from flows.door.values import to_numbers, unlikely
from schemas import made
from schemas.catalogue import TABLES
from schemas.layout import ColumnRule, Layout
from schemas.quantities import BY_NAME, Instrument
from schemas.table import Table

REFUSED = pl.Schema(
    {
        "seq": pl.Int64(),
        "line": pl.Int64(),
        "column_name": pl.String(),
        "extent": pl.String(),
        "cause": pl.String(),
        "found": pl.String(),
        "expected": pl.String(),
        "values": pl.Int64(),
    }
)
BAD = "__bad"  # whether a row's instrument is unknown or was not in its place
DECIMALS = 9  # what a conversion adds behind (0.29 m³/m³ is 29 %, not 28.999999999999996)
TABLE_OF: dict[Instrument, Table] = {
    Instrument.STATION: TABLES["weather_reading"],
    Instrument.PROBE: TABLES["soil_reading"],
}


@dataclass(frozen=True, slots=True)
class Admitted:
    """What came through the door.

    ``readings``: per kind of instrument a frame of the reading table's columns (those that came)
    with ``seq`` and ``line``. ``refused``: ``REFUSED``, ``values`` being how many values each
    entry stands for. ``rows``: ``seq``, ``line`` and ``values`` of every row that came in.
    """

    readings: dict[Instrument, pl.DataFrame]
    refused: pl.DataFrame
    rows: pl.DataFrame


def admit(frame: pl.DataFrame, layout: Layout, senders: pl.DataFrame, places: Places) -> Admitted:
    """Read, place and check the rows of deliveries of one layout.

    ``frame``: the readers' columns with ``seq`` (the delivery's sequence) and ``line``.
    ``senders``: ``seq``, ``station``, ``probe``, ``received_at``.
    """
    if layout.series_column is not None:
        known = [word for name, rule in layout.columns.items() for word in (name, *rule.names)]
        frame = frame.filter(pl.col("series").str.strip_chars().is_in(known))
    frame, cells = to_numbers(frame, layout)
    standard = timedelta(hours=places.farm["standard_offset_h"].item())
    frame = read_times(frame, layout, standard)
    frame = frame.join(senders, on="seq", how="left", maintain_order="left")
    frame = _without_strangers(at.instruments(frame, places), layout)
    values = [c for c in frame.columns if c == "value" or c.startswith("v:")]
    counted = pl.sum_horizontal(pl.col(c).is_not_null() for c in values).cast(pl.Int64)
    frame = frame.with_columns(counted.alias("values"))
    rows = frame.select("seq", "line", "values")
    if not cells.is_empty():
        per_cell = cells.group_by("seq", "line").agg(pl.len().cast(pl.Int64).alias("bad"))
        rows = rows.join(per_cell, on=["seq", "line"], how="left")
        rows = rows.select("seq", "line", pl.col("values") + pl.col("bad").fill_null(0))
    refused = [
        cells.with_columns(extent=pl.lit("value"), values=pl.lit(1, pl.Int64)).select(
            REFUSED.names()
        )
    ]
    frame, untimely = _timely(frame, layout)
    refused.append(untimely)
    readings: dict[Instrument, pl.DataFrame] = {}
    for kind in Instrument:
        found, not_found = _readings(frame, layout, kind, places)
        refused.extend(not_found)
        if found is not None:
            readings[kind] = found
    turned_away = _whole_rows(pl.concat(refused), rows)
    empty = _without_rest(turned_away, rows)
    if not empty.is_empty():
        readings = {
            kind: found.join(empty, on=["seq", "line"], how="anti", maintain_order="left")
            for kind, found in readings.items()
        }
    return Admitted(readings, turned_away, rows)


def _without_strangers(frame: pl.DataFrame, layout: Layout) -> pl.DataFrame:
    """Values of optional columns count only where their kind of instrument is known.

    So an open format with weather and soil in it serves a station alone, or a probe alone.
    """
    optional = {
        f"v:{name}": rule.instrument.value
        for name, rule in layout.columns.items()
        if rule.optional and f"v:{name}" in frame.columns
    }
    return frame.with_columns(
        pl.when(pl.col(kind).is_not_null()).then(pl.col(value)).alias(value)
        for value, kind in optional.items()
    )


def _without_rest(refused: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """The rows (``seq``, ``line``) of which every value was refused: nothing is left to land."""
    gone = refused.group_by("seq", "line").agg(pl.col("values").sum().alias("gone"))
    return (
        gone.join(rows, on=["seq", "line"])
        .filter((pl.col("values") > 0) & (pl.col("gone") >= pl.col("values")))
        .select("seq", "line")
    )


def _timely(frame: pl.DataFrame, layout: Layout) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows whose time can be read and is not in the future, and the others' refusals."""
    latest = pl.col("received_at") + EARLY
    written = layout.time.format if layout.time.format != "iso" else "ISO 8601"
    unread = frame.filter(pl.col("time").is_null()).select(
        "seq",
        "line",
        column_name=pl.lit(""),
        extent=pl.lit("row"),
        cause=pl.lit("time not read"),
        found=pl.col("stamp").fill_null("nothing").str.slice(0, 80),
        expected=pl.lit(f"a time as {written}"),
        values=pl.col("values"),
    )
    future = frame.filter(pl.col("time") > latest).select(
        "seq",
        "line",
        column_name=pl.lit(""),
        extent=pl.lit("row"),
        cause=pl.lit("time after its receipt"),
        found=pl.col("stamp").str.slice(0, 80),
        expected=pl.lit("a time before ") + pl.col("received_at").dt.strftime("%Y-%m-%d %H:%M UTC"),
        values=pl.col("values"),
    )
    late = pl.concat([unread, future]).select(REFUSED.names())
    return (frame if late.is_empty() else frame.filter(pl.col("time") <= latest)), late


def _readings(
    frame: pl.DataFrame, layout: Layout, kind: Instrument, places: Places
) -> tuple[pl.DataFrame | None, list[pl.DataFrame]]:
    """All readings of one kind of instrument, and what was refused of them."""
    rules = {n: r for n, r in layout.columns.items() if r.instrument is kind}
    if not rules:
        return None, []
    bad = at.outside(frame, kind.value, places) | pl.col(kind.value).is_null()
    frame = frame.with_columns(bad.alias(BAD))
    refused: list[pl.DataFrame] = []
    found: list[_Part] = []
    for names, rows in _groups(frame, layout, rules):
        if all(rules[name].optional for name in names):
            rows = rows.filter(pl.col(kind.value).is_not_null())  # noqa: PLW2901
        part, wrong = _in_place(rows, names, kind, places)
        refused.append(wrong)
        if kind is Instrument.PROBE:
            part, wrong = _at_depth(part, names, rules, layout, places)
            refused.append(wrong)
        converted, beyond = _in_si(part, names, rules, TABLE_OF[kind])
        refused.extend(beyond)
        found.append(converted)
    if not found:
        return None, refused
    readings, beyond = _within_limits(found, TABLE_OF[kind])
    return readings.with_columns(interval_s=pl.lit(float(layout.step_s))), [*refused, *beyond]


def _groups(
    frame: pl.DataFrame, layout: Layout, rules: dict[str, ColumnRule]
) -> list[tuple[list[str], pl.DataFrame]]:
    """Columns that make one row of the reading table together, with the rows they stand in.

    A wide station: all its columns. A wide probe: the columns of one sensor. A long file of named
    series: one series, its value moved to a column of its name.
    """
    if layout.series_column is not None:
        return [
            (
                [name],
                frame.filter(pl.col("series").str.strip_chars().is_in([name, *rule.names])).rename(
                    {"value": f"v:{name}"}
                ),
            )
            for name, rule in rules.items()
        ]
    present = {n: r for n, r in rules.items() if f"v:{n}" in frame.columns}
    by_place: dict[tuple[float | None, str | None], list[str]] = {}
    for name, rule in present.items():
        by_place.setdefault((rule.depth_cm, rule.sensor), []).append(name)
    return [(names, frame) for names in by_place.values()]


def _in_place(
    rows: pl.DataFrame,
    names: list[str],
    kind: Instrument,
    places: Places,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The rows whose instrument is known and stood in its place, and the others' refusals."""
    values = [f"v:{n}" for n in names]
    keep = [
        c
        for c in ("seq", "line", "time", "stamp", kind.value, "depth", "sensor", "values", BAD)
        if c in rows.columns
    ]
    part, bad = rows.select(*keep, *values), pl.col(BAD)
    if not part[BAD].any():
        return part.drop("values", BAD), pl.DataFrame(schema=REFUSED)
    counted = pl.sum_horizontal(pl.col(v).is_not_null() for v in values).cast(pl.Int64)
    # a column that says nothing is not refused, unless the whole row says nothing
    out = part.filter(bad).filter((counted > 0) | (pl.col("values") == 0))
    part = part.filter(~bad).drop("values", BAD)
    if out.is_empty():
        return part, pl.DataFrame(schema=REFUSED)
    spells = {
        n: at.spell_words(kind.value, n, places) for n in out[kind.value].unique().to_list() if n
    }
    wrong = out.select(
        "seq",
        "line",
        column_name=pl.lit(", ".join(names)),
        extent=pl.lit("value"),
        cause=pl.when(pl.col(kind.value).is_null())
        .then(pl.lit(f"no {kind.value} named"))
        .otherwise(pl.lit("outside every spell")),
        found=pl.col("stamp"),
        expected=pl.col(kind.value).replace_strict(
            spells,
            default=f"a {kind.value} in the source, the file's name or a column",
            return_dtype=pl.String,
        ),
        values=counted,
    )
    return part, wrong.select(REFUSED.names())


def _at_depth(
    part: pl.DataFrame,
    names: list[str],
    rules: dict[str, ColumnRule],
    layout: Layout,
    places: Places,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The part with the declared depth of its sensor; rows of no declared sensor are refused."""
    rule = rules[names[0]]
    by = "depth"
    if rule.depth_cm is not None:
        part = part.with_columns(depth=pl.lit(rule.depth_cm))
    elif rule.sensor is not None:
        part, by = part.with_columns(sensor=pl.lit(rule.sensor)), "sensor"
    elif "sensor" in part.columns:
        by = "sensor"
    elif "depth" in part.columns:
        slope, zero = units.line(layout.depth_unit, "cm")
        part = part.with_columns(
            (pl.col("depth").cast(pl.Float64, strict=False) * slope + zero).abs()
        )
    else:  # a quantity of the whole probe goes with its shallowest sensor
        shallowest = places.sensor.group_by("probe").agg(depth=pl.col("depth_cm").min())
        part = part.join(shallowest, on="probe", how="left", maintain_order="left")
    placed = at.at_sensor(part, by, places)
    counted = pl.sum_horizontal(pl.col(f"v:{n}").is_not_null() for n in names).cast(pl.Int64)
    if placed["depth_cm"].null_count() == 0:
        return placed.drop(by), pl.DataFrame(schema=REFUSED)
    lost = placed.filter(pl.col("depth_cm").is_null())
    if layout.shape == "wide":  # a column that says nothing needs no sensor
        lost = lost.filter(counted > 0)
    if lost.is_empty():
        placed = placed.filter(pl.col("depth_cm").is_not_null())
        return placed.drop(by), pl.DataFrame(schema=REFUSED)
    wrong = lost.select(
        "seq",
        "line",
        column_name=pl.lit(", ".join(names)),
        extent=pl.lit("value"),
        cause=pl.lit("no such sensor"),
        found=pl.lit(f"{by} ") + pl.col(by).cast(pl.String).fill_null("nothing"),
        expected=pl.lit("a sensor of the probe in farm.toml that is valid that day"),
        values=counted,
    )
    return placed.filter(pl.col("depth_cm").is_not_null()).drop(by), wrong.select(REFUSED.names())


@dataclass(frozen=True, slots=True)
class _Part:
    """Readings in SI, and which of their columns comes from which column of the file."""

    rows: pl.DataFrame
    columns: dict[str, str]


def _in_si(
    part: pl.DataFrame, names: list[str], rules: dict[str, ColumnRule], table: Table
) -> tuple[_Part, list[pl.DataFrame]]:
    """Values in the declared units; what lies outside the layout's own limits is refused."""
    refused: list[pl.DataFrame] = []
    columns: dict[str, str] = {}
    made_here: list[pl.Expr] = []
    for name in names:
        rule, value = rules[name], f"v:{name}"
        if (strange := unlikely(value, rule)) is not None:
            expected = f"{_limits(rule.low, rule.high)} {rule.unit or ''}".strip() + " (layout)"
            refused.append(_beyond_rows(part.filter(strange), name, expected))
            part = part.with_columns(pl.when(~strange).then(pl.col(value)).alias(value))
        column = "rain_counter_mm" if rule.counts == "total" else BY_NAME[rule.quantity].column.name
        slope, zero = units.line(rule.unit or table[column].unit, table[column].unit)
        made_here.append((pl.col(value) * slope + zero).round(DECIMALS).alias(column))
        columns[column] = name
        if rule.rolls_at is not None:
            rolls = pl.when(pl.col(value).is_not_null()).then(pl.lit(rule.rolls_at * slope))
            made_here.append(rolls.alias("rain_counter_rolls_at_mm"))
    return _Part(part.with_columns(made_here), columns), refused


def _within_limits(parts: list[_Part], table: Table) -> tuple[pl.DataFrame, list[pl.DataFrame]]:
    """All readings; what lies outside the declared limits becomes null and is refused."""
    columns = {column: None for part in parts for column in part.columns}
    strange = _beyond(
        pl.concat([p.rows.select(*p.columns) for p in parts], how="diagonal"), tuple(columns), table
    )
    refused: list[pl.DataFrame] = []
    found: list[pl.DataFrame] = []
    for part in parts:
        rows = part.rows
        for column in (c for c in part.columns if c in strange):
            declared, name = table[column], part.columns[column]
            bad = ~pl.col(column).is_between(declared.low, declared.high)
            expected = f"{_limits(declared.low, declared.high)} {declared.unit}"
            refused.append(_beyond_rows(rows.filter(bad), name, expected))
            rows = rows.with_columns(pl.when(~bad).then(pl.col(column)).alias(column))
        found.append(rows.drop("stamp", *(f"v:{n}" for n in part.columns.values())))
    return pl.concat(found, how="diagonal"), refused


def _beyond(part: pl.DataFrame, columns: tuple[str, ...], table: Table) -> list[str]:
    """The columns that break their declaration, by pandera."""
    from pandera.errors import SchemaErrors  # noqa: PLC0415 - costs two seconds

    try:
        made.door(table, columns).validate(part.select(columns), lazy=True)
    except SchemaErrors as errors:
        return sorted(cast("list[str]", errors.failure_cases["column"].unique().to_list()))
    return []


def _beyond_rows(rows: pl.DataFrame, name: str, expected: str) -> pl.DataFrame:
    """Refusals of rows whose value in the file's column ``name`` lies outside the limits."""
    return rows.select(
        "seq",
        "line",
        column_name=pl.lit(name),
        extent=pl.lit("value"),
        cause=pl.lit("outside the limits"),
        found=pl.col(f"v:{name}").cast(pl.String),
        expected=pl.lit(expected),
        values=pl.lit(1, pl.Int64),
    ).select(REFUSED.names())


def _limits(low: float | None, high: float | None) -> str:
    if low is None:
        return f"at most {high:g}"
    return f"at least {low:g}" if high is None else f"{low:g} to {high:g}"


def _whole_rows(refused: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """Where every value of a row was refused, one refusal of the row in place of one a value."""
    if refused.is_empty():
        return refused
    totals = (
        refused.filter(extent="value")
        .group_by("seq", "line")
        .agg(
            pl.col("values").sum().alias("gone"),
            pl.col("cause").n_unique().alias("causes"),
            pl.len().alias("entries"),
        )
    )
    whole = (
        totals.join(rows, on=["seq", "line"])
        .filter(
            (pl.col("gone") == pl.col("values")) & (pl.col("causes") == 1) & (pl.col("entries") > 1)
        )
        .select("seq", "line", "gone")
    )
    if whole.is_empty():
        return refused
    first = (
        refused.filter(extent="value")
        .join(whole, on=["seq", "line"])
        .unique(["seq", "line"], keep="first", maintain_order=True)
        .with_columns(extent=pl.lit("row"), column_name=pl.lit(""), values=pl.col("gone"))
    )
    rest = refused.join(whole, on=["seq", "line"], how="anti", maintain_order="left")
    return pl.concat([rest, first.select(REFUSED.names())])
