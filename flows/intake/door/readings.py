"""Numbers of a file's columns → readings of one kind of instrument, in SI, each at its sensor.

All columns of a row are handled side by side: a station's row becomes one reading, a probe's row
one with lists, an entry a sensor (as ``flows/store/wide_rows.py`` keeps them). A column of the frame in
progress that belongs to sensor ``i`` is called ``name@i``.
"""

from __future__ import annotations

from typing import cast

import polars as pl

from flows.base import units
from flows.intake.door import flags
from flows.intake.door.batch import (
    NO_DEPTH,
    RAIN_OVER,
    TABLE_OF,
    UNCOUNTED,
    Batch,
    Sensor,
)
from flows.intake.door.flags import MEANING, VALUE
from flows.intake.door.places import DEPTH, Places, out_of_place, spells_in_words
from flows.intake.door.rejected import beyond_limits, limits_in_words
from flows.intake.door.sensors import add_depths, one_entry_each_depth
from flows.intake.door.values import beyond_layout
from flows.intake.readers.chunk import FLAG_OF
from flows.store import wide_rows
from schemas import generated
from schemas.farm.layout import ColumnRule, Layout
from schemas.quantities import BY_NAME, COUNTED, OF_WHOLE_PROBE, Instrument
from schemas.table import Table

DECIMALS = 9  # what a conversion adds behind (0.29 m³/m³ is 29 %, not 28.999999999999996)


def readings_of(
    frame: pl.DataFrame,
    layout: Layout,
    kind: Instrument,
    places: Places,
    flagged: list[pl.DataFrame] | None = None,
) -> tuple[pl.DataFrame | None, list[pl.DataFrame]]:
    """Return all readings of one kind of instrument, and what was rejected of them.

    ``frame``: ``seq``, ``line``, ``stamp``, ``time``, ``station``, ``probe``, ``values`` and the
    file's columns as numbers. Returns rows of the reading table's columns (those that came) with
    ``seq``, ``line`` and the number of ``values`` in each; None where the layout has none. Values
    that their network flagged are added to ``flagged`` (``flags.FLAGGED``); in the rows they are
    not-a-number.
    """
    rules = {n: r for n, r in layout.columns.items() if r.instrument is kind}
    if not rules:
        return None, []
    found: list[pl.DataFrame] = []
    rejected: list[pl.DataFrame] = []
    for owner in dict.fromkeys(rule.owner for rule in rules.values()):
        own = {name: rule for name, rule in rules.items() if rule.owner == owner}
        of_owner = frame
        if owner is not None:
            of_owner = frame.with_columns(pl.lit(places.named(kind, owner)).alias(kind.value))
        for rows, sensors in _rows_by_sensors(of_owner, layout, own):
            batch = Batch(rows, kind, layout, places)
            found.append(_batch_readings(batch, sensors))
            rejected += batch.rejected
            if flagged is not None:
                flagged += batch.flagged
    if not found:
        return None, rejected
    return wide_rows.joined(found, TABLE_OF[kind]), rejected


def _rows_by_sensors(
    frame: pl.DataFrame, layout: Layout, rules: dict[str, ColumnRule]
) -> list[tuple[pl.DataFrame, list[Sensor]]]:
    """Return rows with the sensors that stand side by side in them.

    A wide file: all its rows and sensors (a station's columns are of one place). A long file of
    named series: a group a series, its value moved to a column of its name.
    """
    if layout.series_column is not None:
        series = pl.col("series").str.strip_chars()
        return [
            (
                frame.filter(series.is_in([name, *rule.names])).rename(
                    {"value": f"v:{name}"}
                    | {
                        m + VALUE: m + name
                        for m in (MEANING, FLAG_OF)
                        if m + VALUE in frame.columns
                    }
                ),
                [Sensor(0, [name])],
            )
            for name, rule in rules.items()
        ]
    by_place: dict[tuple[float | None, str | None, bool], list[str]] = {}
    for name, rule in rules.items():
        if f"v:{name}" in frame.columns:
            place = rule.depth_cm, rule.sensor, rule.quantity in OF_WHOLE_PROBE
            by_place.setdefault(place, []).append(name)
    sensors = [Sensor(i, names) for i, names in enumerate(by_place.values())]
    return [(frame, sensors)] if sensors else []


def _batch_readings(batch: Batch, sensors: list[Sensor]) -> pl.DataFrame:
    _keep_in_place(batch, sensors)
    if batch.kind is Instrument.PROBE:
        add_depths(batch, sensors)
    _reject_by_layout(batch, sensors)
    origins = _add_si_values(batch, sensors)
    _reject_by_declaration(batch, origins)
    _withhold_flagged(batch, origins)
    if batch.kind is Instrument.PROBE:
        sensors = one_entry_each_depth(batch, sensors, origins)
    counted = [pl.col(c).is_not_null() for c, of in origins.items() if of[0] not in UNCOUNTED]
    common = ("seq", "line", batch.kind.value, "time")
    frame = batch.frame.with_columns(
        pl.sum_horizontal(counted).cast(pl.Int64).alias("values"),
        pl.lit(float(batch.layout.step_s)).alias("interval_s"),
    )
    columns = list(dict.fromkeys(column for column, _ in origins.values()))
    if batch.kind is Instrument.STATION:
        cells = [pl.col(sensors[0].of(column)).alias(column) for column in columns]
    else:
        frame = frame.filter(pl.any_horizontal(pl.col(s.of(DEPTH)).is_not_null() for s in sensors))
        cells = [_as_list(frame, sensors, column) for column in (DEPTH, *columns)]
    return frame.select(*common, "values", "interval_s", *cells)


def _as_list(frame: pl.DataFrame, sensors: list[Sensor], column: str) -> pl.Expr:
    """Return a column as a list, an entry a sensor."""
    each = [
        pl.col(s.of(column)) if s.of(column) in frame.columns else pl.lit(None, pl.Float64)
        for s in sensors
    ]
    return pl.concat_arr(each).arr.to_list().alias(column)


def _keep_in_place(batch: Batch, sensors: list[Sensor]) -> None:
    """Keep the rows whose instrument is known and stood in its place; reject the others."""
    kind, places = batch.kind.value, batch.places
    bad = out_of_place(batch.frame, kind, places)
    if bad is None:
        return
    displaced = batch.frame.filter(bad)
    batch.frame = batch.frame.filter(~bad)
    names = displaced[kind].unique().to_list()
    spells = {n: spells_in_words(kind, n, places) for n in names if n}
    for sensor in sensors:
        rows = displaced
        if all(batch.rule(name).optional for name in sensor.names):
            rows = rows.filter(pl.col(kind).is_not_null())
        counted = batch.value_count(sensor)
        # a column that says nothing is not rejected, unless the whole row says nothing
        alone = batch.rule(sensor.names[0]).owner is None
        rows = rows.filter((counted > 0) | (pl.lit(alone) & (pl.col("values") == 0)))
        unnamed, unknown = pl.col(kind).is_null(), _unknown_word(rows, places)
        cause = (
            pl.when(unknown.is_not_null() & unnamed)
            .then(pl.lit(f"no such {kind}"))
            .when(unnamed)
            .then(pl.lit(f"no {kind} named"))
            .otherwise(pl.lit("outside every spell"))
        )
        found = pl.when(unnamed).then(pl.coalesce(unknown, "stamp")).otherwise("stamp")
        named = f"a {kind} in the source, the file's name or a column"
        expected = (
            pl.when(unknown.is_not_null() & unnamed)
            .then(
                pl.lit(
                    f"a name or id of a {kind} in farm.toml, or an old name of the sheet renames"
                )
            )
            .otherwise(pl.col(kind).replace_strict(spells, default=named, return_dtype=pl.String))
        )
        batch.reject(rows, sensor.names, cause, found, expected, counted)


def _unknown_word(rows: pl.DataFrame, places: Places) -> pl.Expr:
    """Return what a row calls its instrument if farm.toml has neither station nor probe of that name."""
    if "instrument" not in rows.columns:
        return pl.lit(None, pl.String)
    word = pl.col("instrument").str.strip_chars()
    known = word.str.to_lowercase().is_in([*places.stations, *places.probes])
    return pl.when(~known & (word.str.len_chars() > 0)).then(word)


def _reject_by_layout(batch: Batch, sensors: list[Sensor]) -> None:
    """Reject what lies outside the limits that the layout itself sets."""
    for name in (name for sensor in sensors for name in sensor.names):
        rule = batch.rule(name)
        strange = beyond_layout(f"v:{name}", rule)
        if strange is None:
            continue
        expected = f"{limits_in_words(rule.low, rule.high)} {rule.unit or ''}".strip() + " (layout)"
        batch.rejected.append(beyond_limits(batch.frame.filter(strange), name, expected))
        batch.without(strange.fill_null(False), [name])


def _add_si_values(batch: Batch, sensors: list[Sensor]) -> dict[str, tuple[str, str]]:
    """Add the values in the declared units; returns each new column's own and its file's column."""
    converted: list[pl.Expr] = []
    of: dict[str, tuple[str, str]] = {}
    for sensor in sensors:
        for name in sensor.names:
            rule, value = batch.rule(name), pl.col(f"v:{name}")
            total = rule.counts == "total"
            counter, rolls_at = COUNTED.get(rule.quantity, ("", ""))
            column = BY_NAME[counter if total else rule.quantity].column.name
            unit = batch.table[column].unit
            slope, zero = units.line(rule.unit or unit, unit)
            converted.append((value * slope + zero).round(DECIMALS).alias(sensor.of(column)))
            of[sensor.of(column)] = column, name
            if rule.rolls_at is not None:
                rolls = pl.when(value.is_not_null()).then(pl.lit(rule.rolls_at * slope))
                rolled = BY_NAME[rolls_at].column.name
                converted.append(rolls.alias(sensor.of(rolled)))
                of[sensor.of(rolled)] = rolled, name
            if flags.tells_totals(batch.layout, name):
                days = flags.days_of_total(batch.frame.columns, name)
                converted.append(days.alias(sensor.of(RAIN_OVER)))
                of[sensor.of(RAIN_OVER)] = RAIN_OVER, name
    batch.frame = batch.frame.with_columns(converted)
    return of


def _withhold_flagged(batch: Batch, of: dict[str, tuple[str, str]]) -> None:
    """Set values that their network flagged apart; in their rows they become not-a-number."""
    for here, (column, name) in of.items():
        if column in UNCOUNTED or MEANING + name not in batch.frame.columns:
            continue
        depth = pl.lit(NO_DEPTH)
        if batch.kind is Instrument.PROBE:
            depth = pl.col(DEPTH + here[here.rindex("@") :])
        known = {"instrument": pl.col(batch.kind.value), "depth_cm": depth}
        flagged = flags.flagged_rows(batch.frame, name, column, pl.col(here), known)
        if not flagged.is_empty():
            batch.flagged.append(flagged)
            apart = flags.withheld(name) & pl.col(here).is_not_null()
            batch.frame = batch.frame.with_columns(
                pl.when(apart).then(float("nan")).otherwise(here).alias(here)
            )


def _reject_by_declaration(batch: Batch, of: dict[str, tuple[str, str]]) -> None:
    """Reject what lies outside the declared limits; it becomes null."""
    for column in _columns_beyond_limits(batch.frame, of, batch.table):
        declared = batch.table[column]
        expected = f"{limits_in_words(declared.low, declared.high)} {declared.unit}"
        for here, (_, name) in ((h, o) for h, o in of.items() if o[0] == column):
            bad = ~pl.col(here).is_between(declared.low, declared.high)
            batch.rejected.append(beyond_limits(batch.frame.filter(bad), name, expected))
            batch.frame = batch.frame.with_columns(pl.when(~bad).then(pl.col(here)).alias(here))


def _columns_beyond_limits(
    frame: pl.DataFrame, of: dict[str, tuple[str, str]], table: Table
) -> list[str]:
    """Return the columns that break their declaration.

    By the lowest and the highest value of each: where these keep a range, all do. Pandera names them.
    """
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
    if generated.fits(table, ends, whole=False):
        return []
    from pandera.errors import SchemaErrors  # noqa: PLC0415 - loading it takes most of a second

    try:
        generated.door(table, tuple(columns)).validate(ends, lazy=True)
    except SchemaErrors as errors:
        return sorted(cast("list[str]", errors.failure_cases["column"].unique().to_list()))
    return []
