"""Numbers of a file's columns → readings of one kind of instrument, in SI, each at its sensor.

All columns of a row are handled side by side: a station's row becomes one reading, a probe's row
one with lists, an entry a sensor (as ``flows/store/wide_rows.py`` keeps them). A column of the frame in
progress that belongs to sensor ``i`` is called ``name@i``.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import cast

import polars as pl

from flows.base import units
from flows.intake.door import places as at
from flows.intake.door import rejected as out
from flows.intake.door.places import Places
from flows.intake.door.values import unlikely
from schemas import generated
from schemas.catalogue import TABLES
from schemas.farm.layout import ColumnRule, Layout
from schemas.quantities import BY_NAME, Instrument
from schemas.table import Table

DECIMALS = 9  # what a conversion adds behind (0.29 m³/m³ is 29 %, not 28.999999999999996)
TABLE_OF: dict[Instrument, Table] = {
    Instrument.STATION: TABLES["weather_reading"],
    Instrument.PROBE: TABLES["soil_reading"],
}
# What a layout says beside a value is no value of its own.
UNCOUNTED = "rain_counter_rolls_at_mm"
DEPTH = "depth_cm"


@dataclass(frozen=True, slots=True)
class Sensor:
    """Columns of the file that are of one place: ``names``; ``number`` tells them apart here."""

    number: int
    names: list[str]

    def of(self, column: str) -> str:
        """The frame's name for one of its columns."""
        return f"{column}@{self.number}"


@dataclass(slots=True)
class Work:
    """Rows on their way: what they are of, what was refused of them so far."""

    frame: pl.DataFrame
    kind: Instrument
    layout: Layout
    places: Places
    refused: list[pl.DataFrame] = field(default_factory=list)

    @property
    def table(self) -> Table:
        """Where they are to land."""
        return TABLE_OF[self.kind]

    def rule(self, name: str) -> ColumnRule:
        """What the layout says of a column of the file."""
        return self.layout.columns[name]

    def without(self, bad: pl.Expr, names: list[str]) -> None:
        """Take values out of rows."""
        self.frame = self.frame.with_columns(
            pl.when(~bad).then(pl.col(f"v:{name}")).alias(f"v:{name}") for name in names
        )


def readings(
    frame: pl.DataFrame, layout: Layout, kind: Instrument, places: Places
) -> tuple[pl.DataFrame | None, list[pl.DataFrame]]:
    """All readings of one kind of instrument, and what was refused of them.

    ``frame``: ``seq``, ``line``, ``stamp``, ``time``, ``station``, ``probe``, ``values`` and the
    file's columns as numbers. Returns rows of the reading table's columns (those that came) with
    ``seq``, ``line`` and the number of ``values`` in each; None where the layout has none.
    """
    rules = {n: r for n, r in layout.columns.items() if r.instrument is kind}
    if not rules:
        return None, []
    found: list[pl.DataFrame] = []
    refused: list[pl.DataFrame] = []
    for rows, sensors in _groups(frame, layout, rules):
        work = Work(rows, kind, layout, places)
        found.append(_read(work, sensors))
        refused += work.refused
    if not found:
        return None, refused
    return pl.concat(found, how="diagonal"), refused


def _groups(
    frame: pl.DataFrame, layout: Layout, rules: dict[str, ColumnRule]
) -> list[tuple[pl.DataFrame, list[Sensor]]]:
    """Rows with the sensors that stand side by side in them.

    A wide file: all its rows and sensors (a station's columns are of one place). A long file of
    named series: a group a series, its value moved to a column of its name.
    """
    if layout.series_column is not None:
        series = pl.col("series").str.strip_chars()
        return [
            (
                frame.filter(series.is_in([name, *rule.names])).rename({"value": f"v:{name}"}),
                [Sensor(0, [name])],
            )
            for name, rule in rules.items()
        ]
    by_place: dict[tuple[float | None, str | None], list[str]] = {}
    for name, rule in rules.items():
        if f"v:{name}" in frame.columns:
            by_place.setdefault((rule.depth_cm, rule.sensor), []).append(name)
    sensors = [Sensor(i, names) for i, names in enumerate(by_place.values())]
    return [(frame, sensors)] if sensors else []


def _read(work: Work, sensors: list[Sensor]) -> pl.DataFrame:
    _in_place(work, sensors)
    if work.kind is Instrument.PROBE:
        _at_depth(work, sensors)
    _within_layout(work, sensors)
    made_of = _in_si(work, sensors)
    _within_limits(work, made_of)
    counted = [pl.col(c).is_not_null() for c, of in made_of.items() if of[0] != UNCOUNTED]
    common = ("seq", "line", work.kind.value, "time")
    frame = work.frame.with_columns(
        pl.sum_horizontal(counted).cast(pl.Int64).alias("values"),
        pl.lit(float(work.layout.step_s)).alias("interval_s"),
    )
    columns = list(dict.fromkeys(column for column, _ in made_of.values()))
    if work.kind is Instrument.STATION:
        one = sensors[0]
        return frame.select(
            *common, "values", "interval_s", *(pl.col(one.of(c)).alias(c) for c in columns)
        )
    frame = frame.filter(pl.any_horizontal(pl.col(s.of(DEPTH)).is_not_null() for s in sensors))
    return frame.select(
        *common,
        "values",
        "interval_s",
        *(_listed(frame, sensors, column) for column in (DEPTH, *columns)),
    )


def _listed(frame: pl.DataFrame, sensors: list[Sensor], column: str) -> pl.Expr:
    """A column as a list, an entry a sensor."""
    each = [
        pl.col(s.of(column)) if s.of(column) in frame.columns else pl.lit(None, pl.Float64)
        for s in sensors
    ]
    return pl.concat_arr(each).arr.to_list().alias(column)


def _in_place(work: Work, sensors: list[Sensor]) -> None:
    """Keep the rows whose instrument is known and stood in its place; refuse the others."""
    kind, places = work.kind.value, work.places
    bad = at.outside(work.frame, kind, places)
    if bad is None:
        return
    out_of_place = work.frame.filter(bad)
    work.frame = work.frame.filter(~bad)
    names = out_of_place[kind].unique().to_list()
    spells = {n: at.spell_words(kind, n, places) for n in names if n}
    for sensor in sensors:
        rows = out_of_place
        if all(work.rule(name).optional for name in sensor.names):
            rows = rows.filter(pl.col(kind).is_not_null())
        counted = _counted(sensor)
        # a column that says nothing is not refused, unless the whole row says nothing
        rows = rows.filter((counted > 0) | (pl.col("values") == 0))
        cause = pl.when(pl.col(kind).is_null()).then(pl.lit(f"no {kind} named"))
        expected = pl.col(kind).replace_strict(
            spells,
            default=f"a {kind} in the source, the file's name or a column",
            return_dtype=pl.String,
        )
        work.refused.append(
            out.entries(
                rows,
                ", ".join(sensor.names),
                cause.otherwise(pl.lit("outside every spell")),
                pl.col("stamp"),
                expected,
                counted,
            )
        )


def _counted(sensor: Sensor) -> pl.Expr:
    return pl.sum_horizontal(pl.col(f"v:{n}").is_not_null() for n in sensor.names)


def _at_depth(work: Work, sensors: list[Sensor]) -> None:
    """Add each sensor's declared depth, null where there is none; its values are refused then."""
    find = at.Finder(work.frame, work.places)
    for sensor in sensors:
        by, word = _found_by(work, sensor)
        depth = find.depth(by, word)
        work.frame = work.frame.with_columns(depth.alias(sensor.of(DEPTH)))
        if work.frame[sensor.of(DEPTH)].null_count() == 0:
            continue
        nowhere, counted = pl.col(sensor.of(DEPTH)).is_null(), _counted(sensor)
        lost = work.frame.filter(nowhere)
        if work.layout.shape == "wide":  # a column that says nothing needs no sensor
            lost = lost.filter(counted > 0)
        work.refused.append(
            out.entries(
                lost,
                ", ".join(sensor.names),
                "no such sensor",
                pl.lit(f"{by} ") + word.cast(pl.String).fill_null("nothing"),
                "a sensor of the probe in farm.toml that is valid that day",
                counted,
            )
        )
        work.without(nowhere, sensor.names)


def _found_by(work: Work, sensor: Sensor) -> tuple[str, pl.Expr]:
    """What tells where a sensor is: ``depth`` (cm) or ``sensor`` (its name), and that."""
    rule, columns = work.rule(sensor.names[0]), work.frame.columns
    if rule.depth_cm is not None:
        return "depth", pl.lit(rule.depth_cm, pl.Float64)
    if rule.sensor is not None:
        return "sensor", pl.lit(rule.sensor, pl.String)
    if "sensor" in columns:
        return "sensor", pl.col("sensor")
    if "depth" in columns:
        slope, zero = units.line(work.layout.depth_unit, "cm")
        return "depth", (pl.col("depth").cast(pl.Float64, strict=False) * slope + zero).abs()
    # a quantity of the whole probe goes with its shallowest sensor
    shallowest = work.places.sensor.group_by("probe").agg(pl.col(DEPTH).min())
    return "depth", pl.col("probe").replace_strict(
        shallowest["probe"], shallowest[DEPTH], default=None, return_dtype=pl.Float64
    )


def _within_layout(work: Work, sensors: list[Sensor]) -> None:
    """Refuse what lies outside the limits that the layout itself sets."""
    for name in (name for sensor in sensors for name in sensor.names):
        rule = work.rule(name)
        strange = unlikely(f"v:{name}", rule)
        if strange is None:
            continue
        expected = f"{out.limits(rule.low, rule.high)} {rule.unit or ''}".strip() + " (layout)"
        work.refused.append(out.beyond(work.frame.filter(strange), name, expected))
        work.without(strange.fill_null(False), [name])


def _in_si(work: Work, sensors: list[Sensor]) -> dict[str, tuple[str, str]]:
    """Add the values in the declared units; returns each new column's own and its file's column."""
    made_here: list[pl.Expr] = []
    of: dict[str, tuple[str, str]] = {}
    for sensor in sensors:
        for name in sensor.names:
            rule, value = work.rule(name), pl.col(f"v:{name}")
            total = rule.counts == "total"
            column = "rain_counter_mm" if total else BY_NAME[rule.quantity].column.name
            unit = work.table[column].unit
            slope, zero = units.line(rule.unit or unit, unit)
            made_here.append((value * slope + zero).round(DECIMALS).alias(sensor.of(column)))
            of[sensor.of(column)] = column, name
            if rule.rolls_at is not None:
                rolls = pl.when(value.is_not_null()).then(pl.lit(rule.rolls_at * slope))
                made_here.append(rolls.alias(sensor.of(UNCOUNTED)))
                of[sensor.of(UNCOUNTED)] = UNCOUNTED, name
    work.frame = work.frame.with_columns(made_here)
    return of


def _within_limits(work: Work, of: dict[str, tuple[str, str]]) -> None:
    """Refuse what lies outside the declared limits; it becomes null."""
    for column in _beyond(work.frame, of, work.table):
        declared = work.table[column]
        expected = f"{out.limits(declared.low, declared.high)} {declared.unit}"
        for here, (_, name) in ((h, o) for h, o in of.items() if o[0] == column):
            bad = ~pl.col(here).is_between(declared.low, declared.high)
            work.refused.append(out.beyond(work.frame.filter(bad), name, expected))
            work.frame = work.frame.with_columns(pl.when(~bad).then(pl.col(here)).alias(here))


def _beyond(frame: pl.DataFrame, of: dict[str, tuple[str, str]], table: Table) -> list[str]:
    """The columns that break their declaration, by pandera.

    It is shown the lowest and the highest value of each: where these keep a range, all do.
    """
    from pandera.errors import SchemaErrors  # noqa: PLC0415 - costs two seconds

    columns: dict[str, list[str]] = {}
    for here, (column, _) in of.items():
        columns.setdefault(column, []).append(here)
    ends = pl.concat(
        frame.select(
            end([getattr(pl.col(h), which)() for h in heres]).alias(column)
            for column, heres in columns.items()
        )
        for end, which in ((pl.min_horizontal, "min"), (pl.max_horizontal, "max"))
    )
    try:
        generated.door(table, tuple(columns)).validate(ends, lazy=True)
    except SchemaErrors as errors:
        return sorted(cast("list[str]", errors.failure_cases["column"].unique().to_list()))
    return []
