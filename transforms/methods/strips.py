"""The two strips of a field side by side, and the rain of each."""

import polars as pl

STRIPS = pl.DataFrame({"strip": ["treated", "check"]})


def in_strip(value: pl.Expr, strip: str) -> pl.Expr:
    """Return the values of one strip's rows (to be aggregated)."""
    return value.filter(pl.col("strip") == strip)


# Share of the larger sum that the lesser must have for both gauges to be believed: beyond it they
# differ by more than three standard errors of two that are wrong by 5 % each. No source.
GAUGES_AGREE = 0.75
HAND = "hand gauge"  # whose rain it is (``rain_from``), read by hand
WHOLE = 0.9  # share of the day a gauge must have recorded to be taken for the day's rain


def strip_rain(weather_day: pl.DataFrame, places: pl.DataFrame | None = None) -> pl.DataFrame:
    """Rain and air temperature by field, strip and day.

    ``places``: the strips wanted (field, strip); without it treated and check of every field.

    The strip's own station where it recorded the whole day, else the other strip's station of the
    same field (they stand side by side). Columns field, strip, day, ``rain_mm`` (null where no
    gauge recorded the day), ``air_temp_mean_c``. A total that bridges several days
    (``rain_since_day`` before ``day``) stands on its last day and is kept there; the days that it
    covers have no rain of their own and stay null.
    """
    on_trial = weather_day.filter(pl.col("field").is_not_null())
    own = (
        on_trial.with_columns(
            rain_mm=pl.when(pl.col("rain_coverage") >= WHOLE).then("rain_mm"),
        )
        .group_by("field", "strip", "day")
        .agg(pl.col("rain_mm").mean(), pl.col("air_temp_mean_c").mean())
    )
    field = own.group_by("field", "day").agg(
        field_rain=pl.col("rain_mm").mean(), field_temp=pl.col("air_temp_mean_c").mean()
    )
    wanted = (
        field.join(STRIPS, how="cross")
        if places is None
        else field.join(places.select("field", "strip").unique(), on="field")
    )
    return (
        wanted.join(own, on=["field", "strip", "day"], how="left")
        .select(
            "field",
            "strip",
            "day",
            rain_mm=pl.coalesce("rain_mm", "field_rain"),
            air_temp_mean_c=pl.coalesce("air_temp_mean_c", "field_temp"),
        )
        .sort("field", "strip", "day")
    )


def rain_to_sum(rain_day: pl.DataFrame) -> pl.DataFrame:
    """``day_rain_mm`` by field, strip and day of ``rain_day``, so that its sums count all rain once.

    Null where no gauge knows the day. A day whose rain is in a later total (``bridged``) has what was
    recorded of it, and the total stands on its last day. The strip's own station where it recorded the
    whole day or a later total of its own has it; else what another station of the field caught on that day.
    Totals of others are taken only where the strip has no station at all: it has all their days then.
    """
    c, day = pl.col, ["field", "day"]
    whole = c("rain_coverage") >= WHOLE
    alone = c("rain_since_day").fill_null(c("day")) == c("day")
    bridged = c("bridged").fill_null(False)
    on_trial = rain_day.filter(c("field").is_not_null()).select(
        *day,
        "strip",
        own_mm=pl.when(whole).then("rain_mm").when(bridged).then(c("rain_mm").fill_null(0.0)),
        of_day_mm=pl.when(whole & alone).then("rain_mm"),
    )
    own = on_trial.group_by(*day, "strip").agg(c("own_mm").mean(), own=pl.lit(True))
    field = on_trial.group_by(day).agg(c("of_day_mm").mean(), total_mm=c("own_mm").mean())
    others_total = pl.when(c("own").is_null()).then("total_mm")
    return (
        field.join(STRIPS, how="cross")
        .join(own, on=[*day, "strip"], how="left")
        .select(
            "field",
            "strip",
            "day",
            day_rain_mm=pl.coalesce("own_mm", "of_day_mm", others_total),
        )
        .sort("field", "strip", "day")
    )


def at_strips(weather: pl.DataFrame) -> pl.DataFrame:
    """Return the rows with those at neither strip of a field once for each strip without its own."""
    key = ["field", "strip", "day"]
    neither = pl.col("field").is_not_null() & pl.col("strip").is_null()
    own = weather.filter(~neither)
    both = weather.filter(neither).drop("strip").join(STRIPS, how="cross").select(weather.columns)
    return pl.concat([own, both.join(own.select(key), on=key, how="anti")])


def days_by_hand() -> pl.Expr:
    """Return how many days' rain of ``rain_day`` was read by hand (an aggregation)."""
    back = (pl.col("day") - pl.coalesce("rain_since_day", "day")).dt.total_days() + 1
    return back.filter((pl.col("rain_from") == HAND).fill_null(False)).sum().cast(pl.Int64)


def shared_rain(over: list[str]) -> pl.Expr:
    """``day_rain_mm`` as the mean of both strips' gauges where they agree, else each strip's own.

    ``over``: the columns within which their sums must agree, beside strip and day.

    Strips of one field lie side by side: what their gauges differ by in a season is the gauges'
    own error, and the mean of two has 0.71 of it and none in the strips' comparison.
    """
    rain = pl.col("day_rain_mm")

    def of(strip: str) -> pl.Expr:
        both = rain.count().over(*over, "day") == 2
        return rain.filter((pl.col("strip") == strip) & both).sum().over(over)

    less, more = (
        pl.min_horizontal(of("treated"), of("check")),
        pl.max_horizontal(of("treated"), of("check")),
    )
    return pl.when(less >= GAUGES_AGREE * more).then(rain.mean().over(*over, "day")).otherwise(rain)
