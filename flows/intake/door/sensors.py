"""A probe's sensors in the rows of a batch: the depth of each, and one entry a depth and row."""

from __future__ import annotations

import polars as pl

from flows.intake.door.batch import Batch, Sensor
from flows.intake.door.depths import in_cm
from flows.intake.door.places import DEPTH, SensorFinder
from flows.store import wide_rows
from schemas.quantities import BY_NAME, OF_WHOLE_PROBE

TWO_COLUMNS = "two columns of one sensor"
SAME = "same sensor"
# A quantity of the whole probe stands with its shallowest sensor of that day.
SHALLOWEST = "shallowest", pl.lit("sensor")


def add_depths(batch: Batch, sensors: list[Sensor]) -> None:
    """Add each sensor's declared depth, null where there is none; its values are rejected then."""
    find = SensorFinder(batch.frame, batch.places)
    for sensor in sensors:
        by, word = _sensor_key(batch, sensor)
        depth = find.depth(by, word)
        if _of_whole_probe(batch, sensor) and depth.null_count():
            depth = depth.fill_null(find.depth(*SHALLOWEST))
        batch.frame = batch.frame.with_columns(depth.alias(sensor.of(DEPTH)))
        if batch.frame[sensor.of(DEPTH)].null_count() == 0:
            continue
        nowhere, counted = pl.col(sensor.of(DEPTH)).is_null(), batch.value_count(sensor)
        lost = batch.frame.filter(nowhere)
        if batch.layout.shape == "wide":  # a column that says nothing needs no sensor
            lost = lost.filter(counted > 0)
        found = pl.lit(f"{by} ") + word.cast(pl.String).fill_null("nothing")
        expected = "a sensor of the probe in farm.toml that is valid that day"
        batch.reject(lost, sensor.names, "no such sensor", found, expected, counted)
        batch.without(nowhere, sensor.names)


def _sensor_key(batch: Batch, sensor: Sensor) -> tuple[str, pl.Expr]:
    """Return what tells where a sensor is: ``depth`` (cm) or ``sensor`` (its name), and that."""
    rule, columns = batch.rule(sensor.names[0]), batch.frame.columns
    if rule.depth_cm is not None:
        return "depth", pl.lit(rule.depth_cm, pl.Float64)
    if rule.sensor is not None:
        return "sensor", pl.lit(rule.sensor, pl.String)
    if "sensor" in columns:
        return "sensor", pl.col("sensor")
    if "depth" in columns:
        known = in_cm(batch.frame["depth"].unique(), batch.layout.depth_unit)
        return "depth", pl.col("depth").replace_strict(known, default=None, return_dtype=pl.Float64)
    return SHALLOWEST


def _of_whole_probe(batch: Batch, sensor: Sensor) -> bool:
    """Return whether a sensor's columns are the probe's own, without a place in the layout."""
    rules = [batch.rule(name) for name in sensor.names]
    return all(
        rule.quantity in OF_WHOLE_PROBE and rule.depth_cm is None and rule.sensor is None
        for rule in rules
    )


def one_entry_each_depth(
    batch: Batch, sensors: list[Sensor], origins: dict[str, tuple[str, str]]
) -> list[Sensor]:
    """Join what is of one depth in a row, and return the sensors that are left.

    The probe's own columns stand with its shallowest sensor, and a layout may name one sensor by
    its depth in one column and by its name in another. ``origins`` is kept up to date.
    """
    joined: set[int] = set()
    depths = [pl.col(sensor.of(DEPTH)) for sensor in sensors]
    low = batch.frame.select(depth.min() for depth in depths).row(0)
    high = batch.frame.select(depth.max() for depth in depths).row(0)
    for i, sensor in enumerate(sensors):
        for j, other in enumerate(sensors[:i]):
            if low[i] is None or low[j] is None or low[i] > high[j] or low[j] > high[i]:
                continue
            same = batch.frame.select((depths[i] == depths[j]).fill_null(False)).to_series()
            if same.any():
                _join_entries(batch, sensor, other, same, origins)
                joined.add(sensor.number)
    gone = {n for n in joined if not wide_rows.has_values(batch.frame[f"{DEPTH}@{n}"])}
    return [sensor for sensor in sensors if sensor.number not in gone]


def _join_entries(
    batch: Batch,
    sensor: Sensor,
    other: Sensor,
    same: pl.Series,
    origins: dict[str, tuple[str, str]],
) -> None:
    """Move a sensor's values to the ``other`` in the rows in which both are the ``same`` sensor."""
    batch.frame = batch.frame.with_columns(same.alias(SAME))
    at = pl.col(SAME)
    for here in [column for column in origins if column.endswith(sensor.of(""))]:
        column, name = origins[here]
        there = other.of(column)
        if there in origins:
            twice = at & pl.col(here).is_not_null() & pl.col(there).is_not_null()
            doubled = batch.frame.filter(twice)
            found = pl.format("{} beside {}", pl.col(here), pl.col(there))
            expected = f"one column of {BY_NAME[batch.rule(name).quantity].name} a sensor; "
            expected += f"'{origins[there][1]}' is of this sensor too"
            batch.reject(doubled, [name], TWO_COLUMNS, found, expected, pl.lit(1))
            moved = pl.coalesce(there, pl.when(at).then(here))
        else:
            origins[there] = column, name
            moved = pl.when(at).then(here)
        batch.frame = batch.frame.with_columns(
            moved.alias(there), pl.when(~at).then(here).alias(here)
        )
    depth = sensor.of(DEPTH)
    batch.frame = batch.frame.with_columns(pl.when(~at).then(depth).alias(depth)).drop(SAME)
