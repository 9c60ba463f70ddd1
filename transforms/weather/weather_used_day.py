"""The weather of each day as the tables of rain, water and soil use it.

What a station reported (``weather_day``), its rain judged (``rain_doubt``), and the rain that was
read by hand beside it (the field book's sheet ``gauge``) in the place of its own where that is
missing, lost, set aside or hard to believe (``hand_gauge``). What a station still lacks comes from
the nearest station that serves its field (``serving``). A field in which no station stands has rows
of its own, as of a station called 'stations near' and the field.
"""

import polars as pl

from schemas import generated
from schemas.tables.weather.weather_used_day import TABLE
from transforms.methods import calendar_day, near
from transforms.methods.texts import joined
from transforms.weather.methods import hand_gauge, rain_doubt, serving

_KEY = ["station", "day"]
_HAND = "the hand gauge at "


def derive(
    *,
    weather_day: pl.DataFrame,
    station_spell: pl.DataFrame,
    station_field: pl.DataFrame,
    field: pl.DataFrame,
    gauge: pl.DataFrame,
    normal_day: pl.DataFrame,
    delivery: pl.DataFrame,
    farm: pl.DataFrame,
) -> pl.DataFrame:
    """Make one row a station and day with anything reported, or read by hand. Rain in mm.

    Rain that the place can hardly have had is kept, doubtful; weeks of nothing that a neighbor
    contradicts are no record, nor is a total of several days that it contradicts, nor what the
    sheet ``do not use`` names. ``rain_from`` says whose rain a row has. A reading of several days
    is a total on its last day; the days before it have none. Where the hand gauge caught about as
    much, doubtful rain is doubtful no more.
    ``air_temp_station`` and the like say which station each quantity is of.
    """
    serves = serving.served(station_field, station_spell, field, farm)
    spells = _spells(station_spell, serves, gauge)
    read = hand_gauge.readings(gauge, spells, delivery, farm)
    days = _grid(weather_day, read)
    if days.is_empty():
        return generated.empty(TABLE)
    days = calendar_day.in_spell(
        days,
        spells,
        "station",
        ["field", "strip", "gauge_heated", "wind_height_m"],
    ).sort(_KEY)
    judged = _judged(days, _neighbors(station_spell, read, farm), normal_day)
    used = hand_gauge.with_hand(judged)
    kept = pl.col("reported") | pl.col("rain_mm").is_not_null()
    shares = pl.col("^.*_coverage$")
    part = pl.any_horizontal((shares > 0) & (shares < calendar_day.WHOLE))
    rows = serving.with_served(used.filter(kept), serves, station_spell).with_columns(
        pl.col("partial").fill_null(part), rain_note="note", gauge_lost=pl.col("lost")
    )
    why = pl.when("partial").then(pl.lit("not all of the day was recorded"))
    rows = rows.with_columns(reason=joined("rain_note", why))
    return generated.conform(rows.select(TABLE.names), TABLE).sort(TABLE.key)


def _spells(station_spell: pl.DataFrame, serves: pl.DataFrame, gauge: pl.DataFrame) -> pl.DataFrame:
    """Return the spells, and made-up ones of fields that are served or have a hand gauge."""
    at_gauge = gauge.filter(pl.col("kind") == "field").select(field="place", from_day="read_day")
    # A reading may be of the days before it.
    at_gauge = at_gauge.with_columns(pl.col("from_day").dt.offset_by("-2d"))
    fields = pl.concat([serves.select("field", "from_day"), at_gauge])
    return serving.whole_spells(station_spell, fields)


def _grid(weather_day: pl.DataFrame, read: pl.DataFrame) -> pl.DataFrame:
    """Return each station's days without gaps, with what it reported and what was read by hand."""
    spans = (
        pl.concat([weather_day.select(_KEY), read.select(_KEY)])
        .group_by("station")
        .agg(day=pl.date_range(pl.col("day").min(), pl.col("day").max()))
        .explode("day")
    )
    placed = ["field", "strip", "gauge_heated", "wind_height_m"]
    return (
        spans.join(
            weather_day.drop(placed).with_columns(reported=pl.lit(True)), on=_KEY, how="left"
        )
        .join(read, on=_KEY, how="left")
        .with_columns(pl.col("^.*_coverage$").fill_null(0.0), pl.col("reported").fill_null(False))
        .sort(_KEY)
    )


def _neighbors(station_spell: pl.DataFrame, read: pl.DataFrame, farm: pl.DataFrame) -> pl.DataFrame:
    """Return station, other and distance_km: stations near each other, and the hand gauges beside."""
    stations = near.neighbors(station_spell, farm).select("station", "other", "distance_km")
    beside = read.select(
        "station", other=pl.lit(_HAND) + pl.col("station"), distance_km=pl.lit(0.0)
    )
    return pl.concat([stations, beside.unique(maintain_order=True)])


def _judged(days: pl.DataFrame, neighbors: pl.DataFrame, normal_day: pl.DataFrame) -> pl.DataFrame:
    """Add ``rain_doubtful``, ``lost`` and ``note``; lost rain is null."""
    whole = pl.col("rain_coverage") >= calendar_day.WHOLE
    seen = pl.concat(
        [
            days.filter(whole).select("day", "rain_mm", other="station"),
            days.filter(pl.col("hand_mm").is_not_null()).select(
                "day", rain_mm="hand_mm", other=pl.lit(_HAND) + pl.col("station")
            ),
        ]
    )
    dry = rain_doubt.without_dry_runs(days, neighbors, seen)
    counted = rain_doubt.without_idle_totals(dry, neighbors, seen)
    doubted = rain_doubt.with_doubt(counted.sort(_KEY), normal_day, neighbors, seen)
    return doubted.with_columns(
        lost=pl.col("dry_reason").is_not_null(),
        note=pl.coalesce("dry_reason", "doubt_reason"),
    ).drop("dry_reason", "doubt_reason")
