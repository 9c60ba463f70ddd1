"""Growing degree days and corn heat units by season, day by day."""

import math

import polars as pl

from schemas import generated
from schemas.tables.weather.heat_day import TABLE
from transforms.methods import calendar_day
from transforms.methods.texts import joined
from transforms.weather.methods import serving

# Share of a day that must be covered for its extremes to be taken for the day's. Common
# practice, no source.
EXTREMES_COVERAGE = 0.75

_SEASON = ["field", "season", "strip"]
_SUMS = {
    "gdd_average_c_d": "gdd_average_sum_c_d",
    "gdd_clipped_c_d": "gdd_clipped_sum_c_d",
    "gdd_sine_c_d": "gdd_sine_sum_c_d",
    "corn_heat_units": "corn_heat_units_sum",
}


def derive(
    weather_used_day: pl.DataFrame,
    station_spell: pl.DataFrame,
    season: pl.DataFrame,
    strip: pl.DataFrame,
    crop: pl.DataFrame,
) -> pl.DataFrame:
    """Make one row a field, season, strip and day.

    From seeding to harvest, or to the newest day that any station reported while the crop stands.
    Temperatures are those of a station of the strip; a station of the field that is at neither
    strip serves both. The other strip's station is never put in the place of one that is down.
    A day covered less than ``EXTREMES_COVERAGE`` is missing: its heat is null, it is counted, and
    every sum that lacks it is partial. So is every sum with a day that was covered in part: its
    extremes may lie in what was lost, and it counts in the coverage by the part that it has.

    Growing degree days from a day's extremes: the mean of the extremes limited to base and upper
    temperature (average), the mean of the limited extremes (clipped; both McMaster and Wilhelm
    1997, doi:10.1016/S0168-1923(97)00027-0), and one sine through the extremes (Baskerville and
    Emin 1969, doi:10.2307/1933912). Corn heat units (Brown and Bootsma 1993) are given for every
    crop and mean something for corn and soybean.
    """
    days = _days(season, strip, weather_used_day)
    if days.is_empty():
        return generated.empty(TABLE)
    limits = crop.select("crop", "base_temp_c", "upper_temp_c")
    read = days.join(
        _temperatures(days, weather_used_day, station_spell), on=[*_SEASON, "day"], how="left"
    )
    known = read.join(limits, on="crop", how="left").sort(*_SEASON, "day")
    high, low = pl.col("air_temp_max_c"), pl.col("air_temp_min_c")
    base, upper = pl.col("base_temp_c"), pl.col("upper_temp_c")
    daily = known.with_columns(
        gdd_average(high, low, base, upper).alias("gdd_average_c_d"),
        gdd_clipped(high, low, base, upper).alias("gdd_clipped_c_d"),
        gdd_sine(high, low, base, upper).alias("gdd_sine_c_d"),
        corn_heat_units(high, low).alias("corn_heat_units"),
    )
    return generated.conform(_with_reason(_with_sums(daily)).select(TABLE.names), TABLE)


def _days(
    season: pl.DataFrame, strip: pl.DataFrame, weather_used_day: pl.DataFrame
) -> pl.DataFrame:
    """Every day of every season in every strip, up to the newest day known."""
    newest = weather_used_day["day"].max()
    last = pl.min_horizontal(
        pl.coalesce("harvested", pl.lit(newest, pl.Date)), pl.lit(newest, pl.Date)
    )
    return (
        season.select("field", "season", "crop", "seeded", last.alias("last"))
        .filter(pl.col("last") >= pl.col("seeded"))
        .with_columns(pl.date_ranges("seeded", "last").alias("day"))
        .explode("day")
        .join(strip.select("field", "strip"), on="field")
        .drop("last")
    )


def _temperatures(
    days: pl.DataFrame, weather_used_day: pl.DataFrame, station_spell: pl.DataFrame
) -> pl.DataFrame:
    """For each day of a season in a strip the station that stood there, and its extremes.

    Of several with usable temperatures the strip's own comes first, then the one that covers more
    of the day, then the first by name.
    """
    whole = serving.with_made_up(station_spell, weather_used_day)
    spells = whole.filter(pl.col("field").is_not_null()).select(
        "field", "station", "from_day", "to_day", pl.col("strip").alias("at")
    )
    here = days.join(spells, on="field").filter(
        (pl.col("day") >= pl.col("from_day")),
        (pl.col("day") <= pl.col("to_day")).fill_null(True),
        (pl.col("at") == pl.col("strip")).fill_null(True),
    )
    read = weather_used_day.select(
        "station", "day", "air_temp_max_c", "air_temp_min_c", "air_temp_coverage"
    )
    usable = (
        (pl.col("air_temp_coverage") >= EXTREMES_COVERAGE)
        & pl.col("air_temp_max_c").is_not_null()
        & pl.col("air_temp_min_c").is_not_null()
    ).fill_null(False)
    return (
        here.join(read, on=["station", "day"], how="left")
        .with_columns(
            pl.col("air_temp_coverage").fill_null(0.0),
            pl.col("at").is_not_null().alias("own"),
            usable.alias("usable"),
        )
        .sort(
            "usable",
            "own",
            "air_temp_coverage",
            "station",
            descending=[True, True, True, False],
        )
        .unique([*_SEASON, "day"], keep="first", maintain_order=True)
        .select(
            *_SEASON,
            "day",
            "station",
            "air_temp_coverage",
            *(pl.when("usable").then(c).alias(c) for c in ("air_temp_max_c", "air_temp_min_c")),
        )
    )


def _with_sums(days: pl.DataFrame) -> pl.DataFrame:
    """Add sums since seeding over the days with data, the days that they lack or have in part."""
    there = pl.col("gdd_average_c_d").is_not_null()
    share = pl.when(there).then(pl.col("air_temp_coverage").clip(0.0, 1.0)).otherwise(0.0)
    part = there & (pl.col("air_temp_coverage") < calendar_day.WHOLE)
    summed = days.with_columns(
        *(
            pl.when(there.cum_sum() > 0)
            .then(pl.col(daily).fill_null(0.0).cum_sum())
            .over(_SEASON)
            .alias(total)
            for daily, total in _SUMS.items()
        ),
        ((pl.col("day") - pl.col("seeded")).dt.total_days() + 1).alias("days"),
        (~there).cum_sum().over(_SEASON).cast(pl.Int64).alias("days_missing"),
        part.fill_null(False).cum_sum().over(_SEASON).cast(pl.Int64).alias("days_part"),
        share.cum_sum().over(_SEASON).alias("covered_d"),
        (~there).alias("missing"),
    )
    return summed.with_columns(
        (pl.col("covered_d") / pl.col("days")).clip(0.0, 1.0).alias("coverage")
    )


def _with_reason(days: pl.DataFrame) -> pl.DataFrame:
    """Add ``partial`` and the reason as text."""
    thin = (pl.col("air_temp_coverage") < calendar_day.WHOLE).fill_null(True)
    other = pl.lit("the other strip's station is not put in its place")
    share = (100 * pl.col("air_temp_coverage")).floor().cast(pl.Int64)
    own = (
        pl.when(pl.col("base_temp_c").is_null())
        .then(pl.format("the crop list has no {}", "crop"))
        .when(pl.col("station").is_null())
        .then(pl.concat_str(pl.lit("no station stood at this strip; "), other))
        .when(pl.col("missing"))
        .then(pl.format("station {} has no usable temperatures; {}", "station", other))
        .when(thin)
        .then(pl.format("temperatures of {} % of the day", share))
    )
    lacks = pl.when(pl.col("days_missing") > 0).then(
        pl.format("the sums lack {} of {} days", "days_missing", "days")
    )
    in_part = pl.when(pl.col("days_part") > 0).then(
        pl.format("of {} of {} days the sums have part of the temperatures", "days_part", "days")
    )
    return days.with_columns(
        (thin | (pl.col("days_missing") > 0) | (pl.col("days_part") > 0)).alias("partial"),
        joined(own, lacks, in_part).alias("reason"),
    )


def gdd_average(high: pl.Expr, low: pl.Expr, base: pl.Expr, upper: pl.Expr) -> pl.Expr:
    """Growing degree days: mean of the extremes, limited to base and upper, less base.

    Method 1 of McMaster and Wilhelm 1997, Agricultural and Forest Meteorology 87, 291-300,
    doi:10.1016/S0168-1923(97)00027-0.
    """
    return ((high + low) / 2).clip(base, upper) - base


def gdd_clipped(high: pl.Expr, low: pl.Expr, base: pl.Expr, upper: pl.Expr) -> pl.Expr:
    """Growing degree days: each extreme limited to base and upper, their mean less base.

    Method 2 of McMaster and Wilhelm 1997 (as above).
    """
    return (high.clip(base, upper) + low.clip(base, upper)) / 2 - base


def gdd_sine(high: pl.Expr, low: pl.Expr, base: pl.Expr, upper: pl.Expr) -> pl.Expr:
    """Growing degree days: area between base and upper under one sine through the extremes.

    Baskerville and Emin 1969, Ecology 50(3), 514-517, doi:10.2307/1933912, with a horizontal
    cut at the upper temperature: what exceeds it is taken off.
    """
    return _above(high, low, base) - _above(high, low, upper)


def _above(high: pl.Expr, low: pl.Expr, limit: pl.Expr) -> pl.Expr:
    """Mean height of a sine from ``low`` to ``high`` above a limit over one day."""
    mean, amplitude = (high + low) / 2, (high - low) / 2
    angle = ((limit - mean) / amplitude).clip(-1.0, 1.0).arcsin()
    part = ((mean - limit) * (math.pi / 2 - angle) + amplitude * angle.cos()) * (1 / math.pi)
    return (
        pl.when(low >= limit)
        .then(mean - limit)
        .when(high <= limit)
        .then(0.0)
        # A limit a hair inside the extremes leaves rounding noise around zero.
        .otherwise(part.clip(lower_bound=0.0))
    )


def corn_heat_units(high: pl.Expr, low: pl.Expr) -> pl.Expr:
    """Corn heat units of a day.

    Brown and Bootsma 1993, Crop heat units for corn and other warm-season crops in Ontario,
    Factsheet 93-119; each of the two halves at or above zero. Heat of the day from 10 degC with
    its best at about 30, heat of the night from 4.4 degC.
    """
    warm = high - 10.0
    of_day = (3.33 * warm - 0.084 * warm * warm).clip(lower_bound=0.0)
    of_night = (1.8 * (low - 4.4)).clip(lower_bound=0.0)
    return (of_day + of_night) / 2
