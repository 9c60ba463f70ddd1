"""Whether soil can be frozen where no soil temperature tells.

The daily air temperature goes down into the soil as a damped and late wave. The soil's temperature
at a depth is taken as the exponentially weighted mean of the air's, with the lag of the yearly wave
in clay, ``LAG_D_CM`` days a centimeter (thermal diffusivity 0.5 mm2/s; Hillel 1998, Environmental
Soil Physics, chapter 12; Zheng, Hunt and Running 1993, Climate Research 2, 183-191, take the mean
of 11 days for 10 cm; both from memory). It knows nothing of snow cover and of the heat that ice
takes to melt, so it errs on the safe side: soil may be frozen from the day on which this mean falls
to ``FREEZES_C`` until it has risen above ``THAWS_C``. Each winter is told from its own midsummer on, so
that no day hangs on the years before. Where no air temperature is known, it may be
frozen in the cold half of the year. Both limits: common practice, no source.
"""

from datetime import timedelta

import polars as pl

from transforms.methods.cold import cold_half
from transforms.methods.strips import strip_rain

LAG_D_CM = 0.27
SHALLOWEST_CM = 5.0
FREEZES_C, THAWS_C = 1.0, 5.0
# A mean of the air's temperature that is older says nothing of the day.
LATEST = "10d"
HALVED = 0.693  # half-life of an exponential decay over its mean time
_PLACE = ["field", "strip"]


def may_freeze(rows: pl.DataFrame, weather_day: pl.DataFrame, farm: pl.DataFrame) -> pl.DataFrame:
    """Add ``may_freeze`` and ``frost_by`` ('air temperature' or 'season') to rows.

    ``rows`` has ``field``, ``strip``, ``depth_cm`` [cm] and ``day``. The air is that of the strip's
    station, else of the field's, else the mean of all the farm's stations.
    """
    air = _air(rows, weather_day).with_columns(winter=_winter(pl.col("day"), farm))
    known = _states(air, rows["depth_cm"].unique().sort().to_list())
    joined = rows.sort("day").join_asof(
        known,
        on="day",
        by=[*_PLACE, "depth_cm"],
        tolerance=LATEST,
        check_sortedness=False,
    )
    by_air = pl.col("may_freeze").is_not_null()
    return joined.with_columns(
        may_freeze=pl.coalesce("may_freeze", cold_half(pl.col("day"), farm)),
        frost_by=pl.when(by_air).then(pl.lit("air temperature")).otherwise(pl.lit("season")),
    )


def _air(rows: pl.DataFrame, weather_day: pl.DataFrame) -> pl.DataFrame:
    """Return the day's mean air temperature [degC] of each place, days without one left out."""
    farm = weather_day.group_by("day").agg(farm_c=pl.col("air_temp_mean_c").mean())
    own = strip_rain(weather_day, rows).select(*_PLACE, "day", own_c="air_temp_mean_c")
    return (
        rows.select(_PLACE)
        .unique()
        .join(farm, how="cross")
        .join(own, on=[*_PLACE, "day"], how="left")
        .select(*_PLACE, "day", air_c=pl.coalesce("own_c", "farm_c"))
        .drop_nulls("air_c")
        .sort(*_PLACE, "day")
    )


def _winter(day: pl.Expr, farm: pl.DataFrame) -> pl.Expr:
    """Return the year in which the winter begins that a day is nearest to: from midsummer to midsummer."""
    south = farm.height > 0 and (farm["latitude_deg"].item() or 0.0) < 0
    return day.dt.year() if south else day.dt.offset_by("-6mo").dt.year()


def _states(air: pl.DataFrame, depths: list[float]) -> pl.DataFrame:
    """Return ``may_freeze`` by place, depth and day of ``air``, sorted by day."""
    if air.is_empty() or not depths:
        unknown = {"depth_cm": pl.lit(0.0), "may_freeze": pl.lit(None, pl.Boolean)}
        return air.head(0).select(*_PLACE, "day", **unknown)
    soil = pl.concat(
        air.select(
            *_PLACE,
            "winter",
            "day",
            depth_cm=pl.lit(depth, pl.Float64),
            soil_c=pl.col("air_c")
            .ewm_mean_by(
                "day", half_life=timedelta(days=HALVED * LAG_D_CM * max(depth, SHALLOWEST_CM))
            )
            .over([*_PLACE, "winter"]),
        )
        for depth in depths
    )
    state = (
        pl.when(pl.col("soil_c") <= FREEZES_C)
        .then(True)
        .when(pl.col("soil_c") > THAWS_C)
        .then(False)
    )
    # Between the two limits it stays as it was; before the first of them in a winter nothing froze.
    kept = state.forward_fill().over([*_PLACE, "depth_cm", "winter"]).fill_null(False)
    return soil.select(*_PLACE, "day", "depth_cm", may_freeze=kept).sort("day")
