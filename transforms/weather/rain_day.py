"""Rain against normal, day by day, with sums to date."""

import polars as pl

from schemas import generated
from schemas.tables.weather.rain_day import TABLE
from transforms.methods import calendar_day
from transforms.methods.strips import HAND
from transforms.methods.texts import joined
from transforms.weather.methods import serving
from transforms.weather.methods.complete_rain import begin_of_later_totals
from transforms.weather.methods.rain_records import BEYOND

# Gaps that are filled, and totals (``rain_counter``), are of a year at most; so are the sums since seeding
# of the year before.
PART = "all year"
MARGIN_MONTHS = 12
LONGEST_GAP_D = 365
_KEY = ["station", "day"]
_READ = [
    "rain_mm",
    "rain_coverage",
    "rain_since_day",
    "rain_reason",
    "rain_impossible_mm",
    "rain_from",
    "rain_doubtful",
    "gauge_lost",
    "air_temp_mean_c",
    "gauge_heated",
]


def derive(
    weather_used_day: pl.DataFrame,
    station_spell: pl.DataFrame,
    normal_day: pl.DataFrame,
    season: pl.DataFrame,
) -> pl.DataFrame:
    """Make one row a station and day.

    Every day from a station's first to its last stands, but for gaps of more than ``LONGEST_GAP_D``;
    one without rain data has nulls and a reason. What a row stands for, ``recorded_d``, is the
    recorded part of its own day and, where its total reaches back over a gap, what the days before
    lack; ``normal_recorded_mm`` is the normal of just that, so that a departure compares like with
    like and sums of both need no further rule. Sums to date run from 1 January, and from seeding to
    harvest of the season in the station's field, if it was seeded in this calendar year or the one
    before (a crop whose harvest nobody noted has none any more); their coverage is days recorded
    over days elapsed, so days before the station's first count as lost.

    Rain that the place can hardly have had is kept, doubtful and partial; weeks of nothing that a
    neighbor contradicts are not recorded days; rain that was read by hand replaces both and
    for what is missing (``weather_used_day``).
    """
    days = _grid(weather_used_day)
    if days.is_empty():
        return generated.empty(TABLE)
    spells = serving.with_made_up(station_spell, weather_used_day)
    placed = calendar_day.in_spell(days, spells, "station", ["field", "strip"]).sort(_KEY)
    compared = _compared(_with_normal(placed, normal_day))
    started = _in_season(compared, season).with_columns(
        pl.date(pl.col("day").dt.year(), 1, 1).alias("year_to_date_start")
    )
    rows = _with_reason(_to_date(_to_date(started, "year_to_date"), "season_to_date"))
    return generated.conform(rows.select(c for c in TABLE.names if c in rows.columns), TABLE)


def _grid(weather_used_day: pl.DataFrame) -> pl.DataFrame:
    """Each station's days, gaps filled, back to where its first total began."""
    day = pl.col("day")
    following = day.shift(-1).over("station")
    parted = (day - day.shift(1).over("station")).dt.total_days() > LONGEST_GAP_D
    goes_on = (following - day).dt.total_days() <= LONGEST_GAP_D
    rows = weather_used_day.sort(_KEY).with_columns(
        begun=parted.fill_null(True), stretch=parted.fill_null(True).cum_sum()
    )
    begin = pl.min_horizontal(day, "rain_since_day").min().over("stretch")
    spans = rows.select(
        "station",
        first=pl.when("begun").then(begin).otherwise(day),
        last=pl.when(goes_on.fill_null(False)).then(following.dt.offset_by("-1d")).otherwise(day),
    )
    return (
        calendar_day.each_day(spans, "first", "last")
        .drop("first", "last")
        .join(weather_used_day.select(*_KEY, *_READ, note="rain_note"), on=_KEY, how="left")
        .with_columns(
            pl.col("rain_coverage").fill_null(0.0),
            pl.col("rain_doubtful", "gauge_lost").fill_null(False),
        )
        .sort(_KEY)
    )


def _with_normal(days: pl.DataFrame, normal_day: pl.DataFrame) -> pl.DataFrame:
    """Days with the normal of their calendar day."""
    key = ["days_in_year", "month", "day_of_month"]
    leap = pl.col("day").dt.is_leap_year()
    return days.with_columns(
        pl.when(leap).then(366).otherwise(365).cast(pl.Int64).alias("days_in_year"),
        pl.col("day").dt.month().cast(pl.Int64).alias("month"),
        pl.col("day").dt.day().cast(pl.Int64).alias("day_of_month"),
    ).join(
        normal_day.select(*key, pl.col("rain_mm").alias("normal_mm")),
        on=key,
        how="left",
        maintain_order="left",
    )


def _compared(days: pl.DataFrame) -> pl.DataFrame:
    """What each total stands for, in days and in normal rain, and which days are bridged."""
    lost = 1.0 - pl.col("rain_coverage")
    recorded = pl.col("rain_mm").is_not_null()
    since = pl.when(recorded).then("rain_since_day")
    run = days.with_columns(
        begin_of_later_totals(since).over("station").alias("later"),
        lost.alias("lost_d"),
        (lost * pl.col("normal_mm")).alias("lost_mm"),
    )
    both = run.join(_bridged(run), on=_KEY, how="left", maintain_order="left").with_columns(
        pl.col("bridged_d", "bridged_mm").fill_null(0.0)
    )
    normal_known = pl.col("normal_mm").is_not_null() & (pl.col("unknown").fill_null(0) == 0)
    return both.with_columns(
        pl.when(recorded)
        .then(pl.col("rain_coverage") + pl.col("bridged_d"))
        .otherwise(0.0)
        .alias("recorded_d"),
        pl.when(recorded & normal_known)
        .then(pl.col("rain_coverage") * pl.col("normal_mm") + pl.col("bridged_mm"))
        .alias("normal_recorded_mm"),
        ((pl.col("rain_coverage") < calendar_day.WHOLE) & (pl.col("later") <= pl.col("day")))
        .fill_null(False)
        .alias("bridged"),
    ).with_columns((pl.col("rain_mm") - pl.col("normal_recorded_mm")).alias("departure_mm"))


def _bridged(run: pl.DataFrame) -> pl.DataFrame:
    """What the days before each total lost that it is of as well, in days and in normal rain."""
    totals = run.filter(pl.col("rain_mm").is_not_null()).select(
        "station", "rain_since_day", to="day"
    )
    lost = run.select(*_KEY, "lost_d", "lost_mm")
    return (
        calendar_day.each_day(totals, "rain_since_day", pl.col("to").dt.offset_by("-1d"))
        .join(lost, on=_KEY, maintain_order="left")
        .group_by("station", day="to")
        .agg(
            bridged_d=pl.col("lost_d").sum(),
            bridged_mm=pl.col("lost_mm").sum(),
            unknown=pl.col("lost_mm").null_count(),
        )
    )


def _in_season(days: pl.DataFrame, season: pl.DataFrame) -> pl.DataFrame:
    """Days with the season that is on the station's field, and the start of both sums."""
    spells = season.select(
        "field",
        "season",
        pl.col("seeded").alias("from_day"),
        pl.col("harvested").alias("to_day"),
        pl.col("seeded").alias("season_to_date_start"),
    )
    rows = calendar_day.in_spell(days, spells, "field", ["season", "season_to_date_start"])
    late = pl.col("season_to_date_start").dt.year() < pl.col("day").dt.year() - 1
    return rows.with_columns(pl.when(~late).then("season_to_date_start").name.keep()).sort(_KEY)


def _to_date(days: pl.DataFrame, span: str) -> pl.DataFrame:
    """Days with the sums since ``{span}_start``, null where that is null."""
    start = pl.col(f"{span}_start")
    by = ["station", f"{span}_start"] + (["field"] if span.startswith("season") else [])
    nothing = pl.col("recorded_d").cum_sum() == 0
    unknown = ((pl.col("recorded_d") > 0) & pl.col("normal_recorded_mm").is_null()).cum_sum() > 0
    elapsed = (pl.col("day") - start).dt.total_days() + 1
    rain = pl.when(~nothing).then(pl.col("rain_mm").fill_null(0.0).cum_sum())
    normal = pl.when(~nothing & ~unknown).then(
        pl.col("normal_recorded_mm").fill_null(0.0).cum_sum()
    )
    summed = days.with_columns(
        rain.over(by).alias(f"{span}_mm"),
        normal.over(by).alias(f"{span}_normal_mm"),
        (pl.col("recorded_d").cum_sum() / elapsed)
        .clip(0.0, 1.0)
        .over(by)
        .alias(f"{span}_coverage"),
        pl.col("rain_doubtful").cum_sum().cast(pl.Int64).over(by).alias(f"{span}_doubtful_d"),
    )
    share = pl.col(f"{span}_mm") / pl.col(f"{span}_normal_mm").replace(0.0, None)
    parts = ("mm", "normal_mm", "of_normal_pct", "coverage", "doubtful_d")
    columns = [f"{span}_{part}" for part in parts]
    return summed.with_columns((100.0 * share).alias(columns[2])).with_columns(
        pl.when(start.is_not_null()).then(c).alias(c) for c in columns
    )


def _with_reason(days: pl.DataFrame) -> pl.DataFrame:
    """Add the flags and the reason as text."""
    whole = pl.col("rain_coverage") >= calendar_day.WHOLE
    reaches_back = (pl.col("rain_since_day") < pl.col("day")).fill_null(False)
    share = (100 * pl.col("rain_coverage")).floor().cast(pl.Int64)
    recorded = (
        pl.when(reaches_back)
        .then(pl.format("the total is of the days since {}", "rain_since_day"))
        .when("bridged")
        .then(pl.lit("what the day lost is in the total of a later day"))
        .when(pl.col("rain_mm").is_null() & pl.col("gauge_lost"))
        .then(None)
        .when(pl.col("rain_mm").is_null() & pl.col("rain_impossible_mm").is_not_null())
        .then(None)
        .when(pl.col("rain_mm").is_null())
        .then(pl.lit("no rain record that day"))
        .when(~whole)
        .then(pl.format("rain was recorded for {} % of the day", share))
    )
    no_normal = pl.when(pl.col("normal_mm").is_null()).then(
        pl.lit("there is no normal for the day")
    )
    impossible = pl.format(
        f"{{}} mm were left out: {BEYOND}", pl.col("rain_impossible_mm").round(1)
    )
    by_hand = (pl.col("rain_from") == HAND).fill_null(False)
    counter = pl.when(~by_hand).then("rain_reason")
    impossible = pl.when(~by_hand).then(impossible)
    frost = pl.col("air_temp_mean_c") <= 0
    unheated = ~pl.col("gauge_heated").fill_null(False) | by_hand
    wet = pl.col("rain_mm") > 0
    return days.with_columns(
        (~whole | reaches_back | pl.col("rain_doubtful")).alias("partial"),
        joined(recorded, impossible, "note", counter, no_normal).alias("reason"),
        # A dry day and a heated gauge say no whatever the temperature; else null while unknown.
        (wet & unheated & frost).alias("may_be_snow"),
    )
