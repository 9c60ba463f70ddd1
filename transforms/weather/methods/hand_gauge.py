"""Rain read by hand, brought to the days of the stations that the gauge stands beside.

A gauge is emptied when it is read, so a reading is of the time since the one before it. If the book
gives the hour, the reading is of the 24 hours before it and counts to the farm's day that holds
the middle of them: read at 7 h, most of the rain is of the day before (common practice, no source).
A reading of several days is a total: its days have no rain of their own.
"""

import polars as pl

from transforms.methods import calendar_day
from transforms.methods.strips import HAND, WHOLE

AGREES = 0.75  # share of the larger that the lesser has: a doubtful day is then confirmed
# Share of the days of a total that the station must lack for the total to stand for all of them.
MOST_LACKING = 0.5


def readings(
    gauge: pl.DataFrame, station_spell: pl.DataFrame, delivery: pl.DataFrame, farm: pl.DataFrame
) -> pl.DataFrame:
    """Return ``station``, ``day``, ``hand_since_day``, ``hand_mm``: what was read beside each station.

    A gauge of a field stands beside every station that stood in the field that day; one that is
    named after the station itself goes before it. Days after the farm's newest file are left out.
    """
    newest = delivery.select(calendar_day.day_after(pl.col("received_at"), farm)).to_series().max()
    starts_h = float(farm["day_starts_h"].item()) if farm.height else 0.0
    back_d = ((pl.col("read_at_h") - 12.0 - starts_h) / 24.0).floor().cast(pl.Int64).fill_null(0)
    rows = (
        gauge.filter(pl.col("read_day") <= pl.lit(newest, pl.Date))
        .with_columns(day=pl.col("read_day") + pl.duration(days=back_d))
        .group_by("kind", "place", "day")
        .agg(hand_mm=pl.col("rain_mm").sum(), over_d=pl.col("over_d").max().fill_null(1))
        .sort("kind", "place", "day")
        .with_columns(before=pl.col("day").shift(1).over("kind", "place"))
        .with_columns(
            hand_since_day=pl.max_horizontal(
                pl.col("day") - pl.duration(days=pl.col("over_d") - 1),
                pl.col("before").dt.offset_by("1d"),
            )
        )
    )
    at_fields = (
        rows.filter(pl.col("kind") == "field")
        .join(station_spell.select("station", "from_day", "to_day", place="field"), on="place")
        .filter(
            (pl.col("day") >= pl.col("from_day"))
            & (pl.col("day") <= pl.col("to_day")).fill_null(True)
        )
    )
    at_stations = rows.filter(pl.col("kind") == "station").with_columns(station="place")
    columns = ["station", "day", "hand_since_day", "hand_mm"]
    return (
        pl.concat([at_stations.select(columns), at_fields.select(columns)])
        .unique(["station", "day"], keep="first", maintain_order=True)
        .sort("station", "day")
    )


def with_hand(days: pl.DataFrame) -> pl.DataFrame:
    """Put rain read by hand in the place of a station's that is missing, lost or doubtful.

    ``days``: every day of each station in order, with its rain (``rain_mm``, ``rain_coverage``,
    ``rain_since_day``, ``rain_doubtful``, ``note``: why it is lost or doubtful, ``rain_reason``)
    and the readings' ``hand_mm`` and ``hand_since_day``. Returned with ``rain_from``, and ``note``
    where the rain was read by hand. Never is a day in two totals: a reading that shares a day with
    a total of the station is not used, nor is one of several days that the station mostly has.
    """
    days = _with_confirmed(days).with_columns(own=pl.col("rain_mm").is_not_null())
    since = pl.when("own").then("rain_since_day")
    later = since.shift(-1).reverse().cum_min().forward_fill().reverse().over("station")
    has = (
        (pl.col("own") & (pl.col("rain_coverage") >= WHOLE) & ~pl.col("rain_doubtful"))
        | (since < pl.col("day"))
        | (later <= pl.col("day"))
    ).fill_null(False)
    in_total = ((since < pl.col("day")) | (later <= pl.col("day"))).fill_null(False)
    marked = days.with_columns(has=has, in_total=in_total)
    used = _used(marked)
    return (
        marked.join(used, on=["station", "day"], how="left", maintain_order="left")
        .with_columns(why=_why())
        .with_columns(
            rain_mm=pl.when("ends").then("hand_mm").when("spanned").then(None).otherwise("rain_mm"),
            rain_since_day=pl.when("ends")
            .then("hand_since_day")
            .when("spanned")
            .then(None)
            .otherwise("rain_since_day"),
            rain_coverage=pl.when("ends")
            .then(1.0)
            .when("spanned")
            .then(0.0)
            .otherwise("rain_coverage"),
            rain_doubtful=pl.col("rain_doubtful") & ~pl.col("spanned").fill_null(False),
            rain_from=pl.when("ends")
            .then(pl.lit(HAND))
            .when("spanned")
            .then(None)
            .when("own")
            .then("station"),
            note=pl.when("ends")
            .then(pl.format("the rain was read by hand ({})", "why"))
            .when("spanned")
            .then(None)
            .otherwise("note"),
        )
        .drop("own", "has", "in_total", "ends", "spanned", "why")
    )


def _with_confirmed(days: pl.DataFrame) -> pl.DataFrame:
    """Return the days, those doubtful no more of which the gauge beside it caught about as much."""
    one = pl.col("hand_since_day") == pl.col("day")
    agrees = pl.min_horizontal("rain_mm", "hand_mm") >= AGREES * pl.max_horizontal(
        "rain_mm", "hand_mm"
    )
    confirmed = (
        pl.col("rain_doubtful") & one & agrees & pl.col("hand_mm").is_not_null()
    ).fill_null(False)
    return days.with_columns(
        rain_doubtful=pl.col("rain_doubtful") & ~confirmed,
        note=pl.when(confirmed)
        .then(pl.lit("more than is usual, and the hand gauge beside it caught about as much"))
        .otherwise("note"),
    )


def _used(days: pl.DataFrame) -> pl.DataFrame:
    """Return station, day, ``ends`` and ``spanned`` of the days of readings that are used."""
    read = days.filter(pl.col("hand_mm").is_not_null()).select(
        "station", "hand_since_day", read_day="day"
    )
    spans = calendar_day.each_day(read, "hand_since_day", "read_day")
    marked = spans.join(
        days.select("station", "day", "has", "in_total"), on=["station", "day"], how="left"
    )
    lacking = (~pl.col("has").fill_null(False)).mean().over("station", "read_day")
    crossed = pl.col("in_total").any().over("station", "read_day")
    return marked.filter((lacking >= MOST_LACKING) & ~crossed.fill_null(False)).select(
        "station", "day", ends=pl.col("day") == pl.col("read_day"), spanned=pl.lit(True)
    )


def _why() -> pl.Expr:
    """Say why the station's own rain was not taken."""
    share = (100 * pl.col("rain_coverage")).floor().cast(pl.Int64)
    return (
        pl.when("rain_doubtful")
        .then(pl.format("the station's {} mm: {}", pl.col("rain_mm").round(1), "note"))
        .when(pl.col("note").is_not_null())
        .then("note")
        .when(pl.col("rain_reason").is_not_null())
        .then(pl.format("the station's: {}", "rain_reason"))
        .when("own")
        .then(pl.format("the station recorded {} % of the day", share))
        .otherwise(pl.lit("no station recorded the day"))
    )
