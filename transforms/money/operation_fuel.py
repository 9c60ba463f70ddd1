"""operation_fuel: fuel, speed, draft and soil water at working depth; first working and repeat."""

import polars as pl

from schemas import generated
from schemas.tables.money.operation_fuel import TABLE
from transforms.methods import calendar_day
from transforms.methods.texts import joined
from transforms.money.methods.fuel import fuel_l_ha

# Two weeks to either side at the most; what is compared with the first working is in the book.
PART = "field year"
MARGIN_MONTHS = 1
WEEK = 7
LINE = ["field", "strip", "practice"]


def derive(operation: pl.DataFrame, soil_water_day: pl.DataFrame) -> pl.DataFrame:
    """Each operation with what it took, beside the first working of the same strip.

    Depth in cm, speed in km/h, fuel in L/ha. The soil water is that of the layer that holds the
    working depth, on the last day known within a week up to the work, mean of the field's probes
    (both strips: before the work they are one field; later the worked strip's own where known).
    Probes are often out for the work: then the first day within two weeks after it, of the strip
    that was not worked.
    A repeat's fuel is compared with the first working on record, and depth and speed stand beside
    it, since either changes fuel as much as loosened ground does: no more than a comparison.
    """
    if operation.is_empty():
        return generated.empty(TABLE)
    ordered = operation.sort("day").with_columns(
        fuel_l_ha=fuel_l_ha(),
        working=pl.col("day").cum_count().over(LINE, order_by="day").cast(pl.Int64),
    )
    first = {
        name: pl.col(name).first().over(LINE, order_by="day")
        for name in ("fuel_l_ha", "depth_cm", "speed_km_h")
    }
    repeat = pl.col("working") > 1
    rows = ordered.with_columns(
        years_since_last=(pl.col("day") - pl.col("day").shift(1).over(LINE, order_by="day"))
        .dt.total_days()
        .cast(pl.Float64)
        / 365.25,
        fuel_against_first_pct=pl.when(repeat & (first["fuel_l_ha"] > 0)).then(
            100 * (pl.col("fuel_l_ha") / first["fuel_l_ha"] - 1)
        ),
        depth_against_first_cm=pl.when(repeat).then(pl.col("depth_cm") - first["depth_cm"]),
        speed_against_first_km_h=pl.when(repeat).then(pl.col("speed_km_h") - first["speed_km_h"]),
    ).join(_water(ordered, soil_water_day), on=[*LINE, "day"], how="left")
    wanted = {
        "fuel": pl.col("fuel_l_ha"),
        "working depth": pl.col("depth_cm"),
        "speed": pl.col("speed_km_h"),
        "soil water at working depth": pl.col("vwc_pct"),
    }
    missing = joined(
        *(pl.when(value.is_null()).then(pl.lit(name)) for name, value in wanted.items()),
        separator=", ",
    )
    rows = rows.with_columns(
        coverage=pl.mean_horizontal(
            value.is_not_null().cast(pl.Float64) for value in wanted.values()
        ),
        reason=pl.format("not known: {}", missing),
    ).with_columns(partial=pl.col("coverage") < 1)
    return generated.conform(rows.select(TABLE.names), TABLE).sort(TABLE.key)


def _water(operation: pl.DataFrame, soil_water_day: pl.DataFrame) -> pl.DataFrame:
    """The water of the layer at working depth, by operation."""
    layers = soil_water_day.filter(
        pl.col("vwc_pct").is_not_null() & ~pl.col("quality").is_in(["bad", "missing"])
    ).select(
        "field",
        "probe",
        "vwc_pct",
        "available_water_share",
        "layer_top_cm",
        "layer_bottom_cm",
        side="strip",
        soil_water_day="day",
    )
    day, known = pl.col("day"), pl.col("soil_water_day")
    near = (
        calendar_day.each_day(
            operation.select(*LINE, "day", "depth_cm", "working"),
            day.dt.offset_by(f"-{WEEK - 1}d"),
            day.dt.offset_by(f"{2 * WEEK}d"),
            "soil_water_day",
        )
        .join(layers, on=["field", "soil_water_day"])
        .filter(
            (pl.col("layer_top_cm") < pl.col("depth_cm"))
            & (pl.col("depth_cm") <= pl.col("layer_bottom_cm"))
        )
    )
    before = near.filter((known <= day) & (known > day.dt.offset_by(f"-{WEEK}d")))
    after = near.filter(
        (known > day)
        & (known <= day.dt.offset_by(f"{2 * WEEK}d"))
        & (pl.col("side") != pl.col("strip"))
    ).join(before.select(*LINE, "day").unique(), on=[*LINE, "day"], how="anti")
    own = pl.col("side") == pl.col("strip")
    chosen = pl.concat(
        [
            before.filter((pl.col("working") == 1) | own | ~own.any().over(*LINE, "day")).filter(
                known == known.max().over(*LINE, "day")
            ),
            after.filter(known == known.min().over(*LINE, "day")),
        ]
    )
    return (
        chosen.sort("side", "probe")
        .group_by(*LINE, "day")
        .agg(
            pl.col("vwc_pct").mean(),
            pl.col("available_water_share").mean(),
            pl.col("soil_water_day").first(),
        )
    )
