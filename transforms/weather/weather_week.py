"""A week's weather at a station: sums of what was recorded, beside the normal of the same."""

import polars as pl

from schemas import generated
from schemas.tables.weather.weather_week import TABLE
from transforms.methods.strips import days_by_hand
from transforms.methods.texts import joined

_WEEK = ["station", "week_starts"]
_STARTS = pl.col("day").dt.truncate("1w").alias("week_starts")


def derive(
    rain_day: pl.DataFrame,
    weather_used_day: pl.DataFrame,
    evapotranspiration_day: pl.DataFrame,
    heat_day: pl.DataFrame,
) -> pl.DataFrame:
    """One row a station and ISO week (Monday to Sunday) of ``rain_day``'s days.

    Rain and its normal are sums of the days' recorded parts, so the departure compares like with
    like; evapotranspiration and heat are sums of the days that have them, with the count beside
    and the reason why crop evapotranspiration is missing on the others.
    A week that lacks any part of the rain record, holds doubtful rain or is still running, is
    partial.
    """
    if rain_day.is_empty():
        return generated.empty(TABLE)
    weeks = _rain(rain_day)
    for other in (
        weather_used_day.group_by("station", _STARTS).agg(
            pl.col("air_temp_max_c").max(), pl.col("air_temp_min_c").min()
        ),
        _summed(evapotranspiration_day, ["reference_et_mm"], "et_days"),
        _summed(evapotranspiration_day, ["crop_et_mm"], "crop_et_days"),
        _why_no_crop_et(evapotranspiration_day),
        _heat(heat_day),
    ):
        weeks = weeks.join(other, on=_WEEK, how="left")
    lacking = pl.col("coverage") < 1 - 1e-9
    doubtful = pl.col("doubtful_d") > 0
    rows = weeks.with_columns(
        pl.col("et_days", "crop_et_days", "heat_days").fill_null(0),
        (lacking | doubtful).alias("partial"),
        joined(
            pl.when(lacking).then(
                pl.format(
                    "the rain record has {} percent of the week's hours",
                    (pl.col("coverage") * 100).floor().cast(pl.Int64),
                )
            ),
            pl.when(doubtful).then(
                pl.format("days with rain that is hard to believe: {}", "doubtful_d")
            ),
        ).alias("reason"),
    )
    return generated.conform(rows.sort(_WEEK), TABLE)


def _rain(rain_day: pl.DataFrame) -> pl.DataFrame:
    recorded = pl.col("recorded_d") > 0
    place = [pl.col(c).drop_nulls() for c in ("field", "strip")]
    bridged = pl.when(pl.col("bridged").fill_null(False)).then(1.0).otherwise("rain_coverage")
    whole_normal = (~recorded.fill_null(False) | pl.col("normal_recorded_mm").is_not_null()).all()
    return (
        rain_day.sort("station", "day")
        .group_by("station", _STARTS, maintain_order=True)
        .agg(
            *(pl.when(c.n_unique() == 1).then(c.first()) for c in place),
            pl.col("season").drop_nulls().last(),
            pl.when(recorded.any()).then(pl.col("rain_mm").sum()).alias("rain_mm"),
            pl.when(recorded.any() & whole_normal)
            .then(pl.col("normal_recorded_mm").sum())
            .alias("normal_recorded_mm"),
            pl.col("rain_doubtful").sum().cast(pl.Int64).alias("doubtful_d"),
            days_by_hand().alias("by_hand_d"),
            (bridged >= 1 - 1e-9).sum().cast(pl.Int64).alias("days_whole"),
            (bridged.sum() / 7).clip(0, 1).alias("coverage"),
        )
        .with_columns((pl.col("rain_mm") - pl.col("normal_recorded_mm")).alias("departure_mm"))
    )


def _summed(days: pl.DataFrame, columns: list[str], count: str) -> pl.DataFrame:
    there = pl.col(columns[0]).is_not_null()
    return days.group_by("station", _STARTS).agg(
        *(pl.when(pl.col(c).is_not_null().any()).then(pl.col(c).sum()).alias(c) for c in columns),
        there.sum().cast(pl.Int64).alias(count),
    )


def _why_no_crop_et(days: pl.DataFrame) -> pl.DataFrame:
    """Return the reason that most days without crop evapotranspiration give, by week."""
    lacking = days.filter(pl.col("crop_et_mm").is_null())
    reason = pl.col("reason").drop_nulls().mode().sort().first()
    return lacking.group_by("station", _STARTS).agg(reason.alias("crop_et_reason"))


def _heat(heat_day: pl.DataFrame) -> pl.DataFrame:
    """The heat of a station's days; where it serves more than one strip their rows are alike."""
    own = heat_day.filter(pl.col("station").is_not_null()).unique(
        ["station", "day"], keep="first", maintain_order=True
    )
    return _summed(own, ["gdd_clipped_c_d", "corn_heat_units"], "heat_days")
