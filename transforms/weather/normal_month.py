"""Monthly normals from a long daily record, or as given."""

from datetime import date

import polars as pl

from schemas import generated
from schemas.tables.weather.normal_month import TABLE
from transforms.methods.texts import joined
from transforms.weather.methods import rain_doubt
from transforms.weather.methods.complete_rain import complete_rain

# WMO-No. 1203, Guidelines on the Calculation of Climate Normals: a monthly mean is missing with
# this many days missing, or this many in a row; a normal needs this share of the years.
MISSING_DAYS = 11
MISSING_IN_A_ROW = 5
YEARS_SHARE = 0.8
# Share of a day that must be covered for its mean and extremes to count. Common practice, no
# source: the guidelines speak of days, not of hours.
TEMP_DAY_COVERAGE = 0.75

_TEMPS = {
    "air_temp_mean": "air_temp_mean_c",
    "air_temp_max": "air_temp_max_c",
    "air_temp_min": "air_temp_min_c",
}
_WORDS = {
    "rain": "rain",
    "air_temp_mean": "mean temperature",
    "air_temp_max": "highest temperature",
    "air_temp_min": "lowest temperature",
}
_COLUMNS = {"rain": "rain_mm", **_TEMPS}


def derive(
    weather_day: pl.DataFrame, normal_given: pl.DataFrame, farm: pl.DataFrame
) -> pl.DataFrame:
    """Make twelve rows; none without a farm.

    From the days of ``farm.normal_station`` in ``farm.normal_from`` to ``farm.normal_to`` (where
    these are null, the years of the record) by WMO-No. 1203: the normal is the mean of the years'
    monthly values; a month of a year has no mean temperature with 11 or more days missing or 5 or
    more in a row (an older rule, 5 in all or 3 in a row, is not used), and no rain unless every
    day is whole or what it lost is in a later total of the same month; with less than 80 % of the
    period's years there is no normal. A day with more rain than a usual year of the record
    (``rain_doubt``) counts as missing. Where no station is named, the table of normals as given.
    """
    if farm.is_empty():
        return generated.empty(TABLE)
    station: str | None = farm["normal_station"].item()
    if station is None:
        return generated.conform(_as_given(normal_given), TABLE)
    record = _believed(weather_day.filter(pl.col("station") == station))
    years = _period(record, farm)
    monthly = _months_of_years(record, years)
    found = _averages(monthly, years).with_columns(
        pl.lit(station).alias("station"),
        pl.lit("record").alias("origin"),
        pl.lit(years[0]).alias("from_year"),
        pl.lit(years[1]).alias("to_year"),
    )
    return generated.conform(_with_coverage(found, years).sort("month"), TABLE)


def _believed(record: pl.DataFrame) -> pl.DataFrame:
    """Take out days with more rain than a usual year of the record."""
    too_much = (pl.col("rain_mm") > rain_doubt.own_year()).fill_null(False)
    return record.with_columns(rain_mm=pl.when(~too_much).then("rain_mm"))


def _period(record: pl.DataFrame, farm: pl.DataFrame) -> tuple[int, int]:
    """First and last year of the period."""
    seen = record["day"].dt.year().to_list()
    first: int | None = farm["normal_from"].item()
    last: int | None = farm["normal_to"].item()
    return (
        min(seen, default=0) if first is None else first,
        max(seen, default=-1) if last is None else last,
    )


def _months_of_years(record: pl.DataFrame, years: tuple[int, int]) -> pl.DataFrame:
    """Each year's monthly values, null where the rule for missing days says so."""
    grid = pl.DataFrame(
        {
            "day": pl.date_range(
                date(max(years[0], 1), 1, 1), date(max(years[1], 1), 12, 31), eager=True
            )
            if years[0] <= years[1]
            else pl.Series([], dtype=pl.Date)
        }
    )
    days = (
        grid.join(record, on="day", how="left")
        .sort("day")
        .with_columns(pl.col("day").dt.month_start().alias("start"))
    )
    warm = pl.col("air_temp_coverage") >= TEMP_DAY_COVERAGE
    days = days.with_columns(
        *(pl.when(warm).then(c).alias(c) for c in _TEMPS.values()),
        complete_rain(pl.col("start"), "start").alias("rain_there"),
    )
    return days.group_by("start", maintain_order=True).agg(
        pl.when(pl.col("rain_there").all()).then(pl.col("rain_mm").sum()).alias("rain_mm"),
        *(
            pl.when(_enough(pl.col(c).is_null())).then(pl.col(c).mean()).alias(c)
            for c in _TEMPS.values()
        ),
    )


def _enough(missing: pl.Expr) -> pl.Expr:
    """True where a month's days suffice for a mean (an aggregation)."""
    in_a_row = missing.rle().struct.field("len").filter(missing.rle().struct.field("value")).max()
    return (missing.sum() < MISSING_DAYS) & (in_a_row.fill_null(0) < MISSING_IN_A_ROW)


def _averages(monthly: pl.DataFrame, years: tuple[int, int]) -> pl.DataFrame:
    """The twelve means over the years, with the years behind each."""
    months = pl.DataFrame({"month": range(1, 13)}, schema={"month": pl.Int64})
    values = monthly.with_columns(pl.col("start").dt.month().cast(pl.Int64).alias("month"))
    counted = values.group_by("month").agg(
        *(pl.col(c).mean() for c in _COLUMNS.values()),
        *(pl.col(c).count().cast(pl.Int64).alias(f"{q}_years") for q, c in _COLUMNS.items()),
    )
    needed = YEARS_SHARE * max(years[1] - years[0] + 1, 1)
    return months.join(counted, on="month", how="left").with_columns(
        *(pl.col(f"{q}_years").fill_null(0) for q in _COLUMNS),
        *(
            pl.when(pl.col(f"{q}_years") >= needed - 1e-9).then(c).alias(c)
            for q, c in _COLUMNS.items()
        ),
    )


def _with_coverage(found: pl.DataFrame, years: tuple[int, int]) -> pl.DataFrame:
    """Add coverage, ``partial`` and the reason to normals from a record."""
    possible = max(years[1] - years[0] + 1, 0)
    if possible == 0:
        return found.with_columns(
            pl.lit(0.0).alias("coverage"),
            pl.lit(True).alias("partial"),
            pl.concat_str(pl.lit("there is no record of "), "station").alias("reason"),
            pl.lit(None, pl.Int64).alias("from_year"),
            pl.lit(None, pl.Int64).alias("to_year"),
        )
    needed = f"; {YEARS_SHARE:.0%} of the years are needed"
    # A record that has no temperatures at all (a rain gauge) is no partial record of rain.
    kept = {q: (pl.col(f"{q}_years").max() > 0) | pl.lit(q == "rain") for q in _COLUMNS}
    reasons = [
        pl.when(kept[q] & (pl.col(f"{q}_years") < possible)).then(
            pl.concat_str(
                pl.lit(f"{words} from "),
                pl.col(f"{q}_years"),
                pl.lit(f" of {possible} years"),
                pl.when(pl.col(_COLUMNS[q]).is_null()).then(pl.lit(needed)).otherwise(pl.lit("")),
            )
        )
        for q, words in _WORDS.items()
    ]
    fewest = pl.min_horizontal(pl.when(kept[q]).then(f"{q}_years") for q in _COLUMNS)
    return found.with_columns(
        (fewest / possible).clip(0.0, 1.0).alias("coverage"),
        (fewest < possible).alias("partial"),
        joined(*reasons).alias("reason"),
    )


def _as_given(normal_given: pl.DataFrame) -> pl.DataFrame:
    """The user's own table, a row a month."""
    months = pl.DataFrame({"month": range(1, 13)}, schema={"month": pl.Int64})
    lacking = pl.col("rain_mm").is_null()
    return (
        months.join(normal_given, on="month", how="left")
        .select(
            "month",
            "rain_mm",
            pl.when(pl.col("rain_mm").is_not_null()).then("years").alias("rain_years"),
            "air_temp_mean_c",
            pl.when(pl.col("air_temp_mean_c").is_not_null())
            .then("years")
            .alias("air_temp_mean_years"),
            pl.when(pl.col("rain_mm").is_not_null() | pl.col("air_temp_mean_c").is_not_null())
            .then(pl.lit("given"))
            .alias("origin"),
            lacking.alias("partial"),
            pl.when(lacking)
            .then(pl.lit("no normal rain was given for this month"))
            .alias("reason"),
        )
        .sort("month")
    )
