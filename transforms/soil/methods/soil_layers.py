"""What a sensor stands for: the slice of soil around it.

A sensor stands for the soil between the midpoints to its neighbors. The first layer begins at
the surface. The last reaches as far below its sensor as its top is above it, so that the sensor
sits in the middle of its layer: cutting it at the sensor would let the driest-rooted soil stand
for a layer of which the sensor is the lower edge. A lone sensor stands from the surface to twice
its depth. A dead sensor keeps its layer (the row is then partial); its neighbors' layers do not
grow into it, so a storage is comparable from day to day.

The trapezoidal midpoint rule is common practice for profile storage, no source.
"""

from datetime import timedelta

import polars as pl

from transforms.methods.calendar_day import OPEN_END, each_day

# A silence of a whole probe beyond which no row is made for each of its days. Common practice, no source.
SILENT_D = 365


def with_layers(rows: pl.DataFrame, by: list[str]) -> pl.DataFrame:
    """Adds ``layer_top_cm`` and ``layer_bottom_cm`` to rows that have ``depth_cm``.

    ``by`` names the columns within which the depths are one profile (probe, or probe and day).
    Rows must be single by ``by`` and ``depth_cm``; they come back sorted by these. Depths in cm.
    """
    rows = rows.sort(*by, "depth_cm")
    depth = pl.col("depth_cm")

    def beside(shift: int) -> pl.Expr:
        """Depth of the neighbor in the same profile; null at its end."""
        same = pl.all_horizontal(pl.col(name).eq_missing(pl.col(name).shift(shift)) for name in by)
        return pl.when(same).then(depth.shift(shift))

    above, below = beside(1), beside(-1)
    top = pl.when(above.is_null()).then(0.0).otherwise((above + depth) / 2)
    return rows.with_columns(
        layer_top_cm=top,
        layer_bottom_cm=pl.when(below.is_null())
        .then(pl.when(above.is_null()).then(2 * depth).otherwise(depth + (depth - above) / 2))
        .otherwise((below + depth) / 2),
    )


def expected_days(
    soil_day: pl.DataFrame, probe_spell: pl.DataFrame, sensor: pl.DataFrame
) -> pl.DataFrame:
    """List every probe, depth and day on which a value should be there.

    From the first to the last day of the probe's own record within each of its spells, for every
    sensor set up on that day; none of a silence longer than ``SILENT_D``. A depth in the record that no
    sensor declares is expected as long before and after its own days. Columns: probe, depth_cm, day,
    field, strip and ``spell_from``, the day the probe was set.
    """
    days = (
        probe_spell.select("probe", "from_day", "to_day", "field", "strip")
        .join(_heard(soil_day, ["probe"], SILENT_D), on="probe")
        .with_columns(
            begin=pl.max_horizontal("from_day", "first"),
            end=pl.min_horizontal(pl.col("to_day").fill_null(OPEN_END), "last"),
        )
        .filter(pl.col("begin") <= pl.col("end"))
        .sort("from_day")
        .pipe(each_day, "begin", "end")
        .select("probe", "day", "field", "strip", spell_from="from_day")
        .unique(["probe", "day"], keep="last", maintain_order=True)
    )
    undeclared = soil_day.join(sensor, on=["probe", "depth_cm"], how="anti")
    beside = timedelta(days=SILENT_D)
    undeclared = _heard(undeclared, ["probe", "depth_cm"], 2 * SILENT_D).select(
        "probe", "depth_cm", from_day=pl.col("first") - beside, to_day=pl.col("last") + beside
    )
    sensors = pl.concat([sensor.select("probe", "depth_cm", "from_day", "to_day"), undeclared])
    return (
        days.join(sensors, on="probe")
        .filter(
            (pl.col("from_day").is_null() | (pl.col("day") >= pl.col("from_day")))
            & (pl.col("to_day").is_null() | (pl.col("day") <= pl.col("to_day")))
        )
        .select("probe", "depth_cm", "day", "field", "strip", "spell_from")
        .sort("probe", "depth_cm", "day")
    )


def _heard(soil_day: pl.DataFrame, by: list[str], silent_d: int) -> pl.DataFrame:
    """Return the spans of a record, ``first`` to ``last`` day, between silences longer than so many days."""
    days = soil_day.select(*by, "day").unique().sort(*by, "day")
    silent = pl.col("day").diff().over(by) > timedelta(days=silent_d)
    return (
        days.with_columns(span=silent.fill_null(False).cum_sum().over(by))
        .group_by(*by, "span")
        .agg(first=pl.col("day").min(), last=pl.col("day").max())
    )
