"""Weather of a field from the stations that serve it: the nearest with data, by quantity and day.

A station in the field goes before all others. Then come the stations that farm.toml
says serve the field (``fields``), the nearest first; where places are not given, in the order of
farm.toml. A station that serves the whole farm serves the fields within ``neighbor_km`` of it, one
that names a field serves it at any distance. A field is where its own stations stand, else at the
farm's place.
"""

import polars as pl

from transforms.methods import calendar_day, near
from transforms.methods.strips import WHOLE
from transforms.weather.methods.complete_rain import begin_of_later_totals

ALL = "all"
# The columns of each quantity that come from one station, and what they need to be data.
GROUPS: dict[str, tuple[str, ...]] = {
    "air_temp": (
        "air_temp_mean_c",
        "air_temp_min_c",
        "air_temp_max_c",
        "air_temp_extremes_from",
        "air_temp_coverage",
    ),
    "humidity": (
        "relative_humidity_mean_pct",
        "relative_humidity_min_pct",
        "relative_humidity_max_pct",
        "dew_point_mean_c",
        "vapour_pressure_mean_kpa",
        "humidity_coverage",
    ),
    "wind": ("wind_speed_mean_m_s", "wind_coverage", "wind_height_m"),
    "solar": ("solar_energy_mj_m2", "solar_coverage"),
    "rain": (
        "rain_mm",
        "rain_coverage",
        "rain_since_day",
        "rain_reason",
        "rain_impossible_mm",
        "gauge_heated",
        "rain_from",
        "rain_doubtful",
    ),
    "snow": ("snow_depth_cm",),
}
_KEY = ["station", "day"]


def made_up(field: pl.Expr) -> pl.Expr:
    """Return the name of the rows of a field that has no station of its own."""
    return pl.lit("stations near ") + field


def whole_spells(station_spell: pl.DataFrame, fields: pl.DataFrame) -> pl.DataFrame:
    """Return the spells, and one for each of the ``fields`` without a strip under its made-up name.

    ``fields``: ``field``, ``from_day``. So a field without a station has rows of its own.
    """
    spells = fields.select(
        pl.col("from_day").min().over("field"), "field", station=made_up(pl.col("field"))
    ).unique(maintain_order=True)
    return pl.concat([station_spell, spells], how="diagonal")


def with_made_up(station_spell: pl.DataFrame, weather_used_day: pl.DataFrame) -> pl.DataFrame:
    """Return the spells, and those of the rows of ``weather_used_day`` under made-up names."""
    rows = weather_used_day.filter(
        pl.col("field").is_not_null() & (pl.col("station") == made_up(pl.col("field")))
    )
    return whole_spells(station_spell, rows.select("field", from_day="day"))


def served(
    station_field: pl.DataFrame,
    station_spell: pl.DataFrame,
    field: pl.DataFrame,
    farm: pl.DataFrame,
) -> pl.DataFrame:
    """Return ``station``, ``field``, ``from_day``, ``to_day`` and ``rank``: 0 is the nearest."""
    fields = pl.concat([field.select("field"), station_spell.select("field")]).drop_nulls().unique()
    named = station_field.filter(pl.col("field") != ALL).join(fields, on="field", how="semi")
    everywhere = (
        station_field.filter(pl.col("field") == ALL).drop("field").join(fields, how="cross")
    )
    rows = pl.concat(
        [named.with_columns(named=pl.lit(True)), everywhere.with_columns(named=pl.lit(False))],
        how="diagonal",
    )
    places = near.places(station_spell, farm)
    at = places.group_by("field").agg(lat_of=pl.col("lat").mean(), lon_of=pl.col("lon").mean())
    km = near.distance_km(*(pl.col(c) for c in ("lat", "lon", "lat_of", "lon_of")))
    home = near.home_of(farm)
    return (
        rows.join(places.drop("field"), on="station", how="left")
        .join(at, on="field", how="left")
        .with_columns(pl.col("lat_of").fill_null(home[0]), pl.col("lon_of").fill_null(home[1]))
        .with_columns(km=km.round(3))
        .filter(pl.col("named") | (pl.col("km") <= near.within(farm)))
        .sort("field", "km", "listed", "station", "from_day")
        .with_columns(rank=pl.int_range(pl.len()).over("field"))
        .select("station", "field", "from_day", "to_day", "rank")
    )


def with_served(
    rows: pl.DataFrame, serves: pl.DataFrame, station_spell: pl.DataFrame
) -> pl.DataFrame:
    """Fill what the rows of a field lack from the stations that serve it, and say which.

    ``rows`` are of ``weather_used_day``, also those under made-up names; ``serves`` is ``served``,
    ``station_spell`` the stations' own. Added are ``air_temp_station`` and the like; rain has
    ``rain_from``. Rows under a made-up name stay only on days on which no station is in the
    field. Rain of several days is never taken from another station.
    """
    best = _best(rows, serves)
    full = _with_lacking(rows, best, station_spell).sort(_KEY)
    since = pl.when(pl.col("rain_mm").is_not_null()).then("rain_since_day")
    bridged = (begin_of_later_totals(since).over("station") <= pl.col("day")).fill_null(False)
    filled = full.with_columns(bridged=bridged).join(
        best, on=["field", "day"], how="left", maintain_order="left"
    )
    lacks = {q: ~_has(q) & pl.col(f"{q}_best").is_not_null() for q in GROUPS}
    lacks["rain"] &= ~pl.col("bridged")
    filled = filled.with_columns(lacks[q].alias(f"take_{q}") for q in GROUPS)
    note = pl.format("the rain is that of {}", "rain_best")
    return filled.with_columns(
        *(
            pl.when(f"take_{q}").then(f"{c}_best").otherwise(c).alias(c)
            for q, columns in GROUPS.items()
            for c in columns
        ),
        *(
            pl.when(f"take_{q}")
            .then(f"{q}_best")
            .when(_some(q))
            .then("station")
            .alias(f"{q}_station")
            for q in GROUPS
            if q != "rain"
        ),
        note=pl.when("take_rain")
        .then(pl.concat_str(note, pl.format(" ({})", "note").fill_null("")))
        .otherwise("note"),
    ).select(pl.exclude("^.*_best$", "^take_.*$", "bridged"))


def _some(quantity: str) -> pl.Expr:
    if quantity == "snow":
        return pl.col("snow_depth_cm").is_not_null()
    return pl.col(f"{quantity}_coverage") > 0


def _has(quantity: str) -> pl.Expr:
    """Return whether a row has the quantity, of the whole day."""
    if quantity == "snow":
        return _some(quantity)
    # A sum that lacks part of the day cannot be scaled up.
    least = calendar_day.WHOLE if quantity == "solar" else WHOLE
    has = pl.col(f"{quantity}_coverage") >= least
    if quantity == "rain":
        has &= pl.col("rain_mm").is_not_null() & ~pl.col("rain_doubtful")
    return has.fill_null(False)


def _best(rows: pl.DataFrame, serves: pl.DataFrame) -> pl.DataFrame:
    """Return, by field and day, each quantity of the nearest serving station that has it."""
    served_days = serves.join(rows.drop("field", "strip"), on="station").filter(
        (pl.col("day") >= pl.col("from_day")) & (pl.col("day") <= pl.col("to_day")).fill_null(True)
    )
    single = (pl.col("rain_since_day") == pl.col("day")).fill_null(True)
    gives = {q: _has(q) for q in GROUPS}
    gives["rain"] &= single & (pl.col("rain_from") == pl.col("station")).fill_null(False)
    return (
        served_days.sort("field", "day", "rank")
        .group_by("field", "day", maintain_order=True)
        .agg(
            *(pl.col("station").filter(has).first().alias(f"{q}_best") for q, has in gives.items()),
            *(
                pl.col(c).filter(gives[q]).first().alias(f"{c}_best")
                for q, columns in GROUPS.items()
                for c in columns
            ),
        )
    )


def _with_lacking(
    rows: pl.DataFrame, best: pl.DataFrame, station_spell: pl.DataFrame
) -> pl.DataFrame:
    """Add the rows that the field's own stations, or a field without one, do not have yet."""
    days = best.select("field", "day")
    made = rows.filter(pl.col("station") == made_up(pl.col("field")))
    standing = _standing(pl.concat([days, made.select("field", "day")]).unique(), station_spell)
    own = standing.join(days, on=["field", "day"], how="semi").join(rows, on=_KEY, how="anti")
    nobody = days.with_columns(station=made_up(pl.col("field"))).join(rows, on=_KEY, how="anti")
    occupied = standing.select("day", station=made_up(pl.col("field"))).unique()
    return (
        pl.concat([rows, own, nobody], how="diagonal")
        .join(occupied, on=_KEY, how="anti")
        .with_columns(
            pl.col("^.*_coverage$").fill_null(0.0),
            pl.col("rain_doubtful", "lost").fill_null(False),
        )
    )


def _standing(days: pl.DataFrame, station_spell: pl.DataFrame) -> pl.DataFrame:
    """Return the stations that stood in the field on each of the days (field, day)."""
    carried = ("gauge_heated", "wind_height_m")
    spells = station_spell.select("station", "field", "strip", "from_day", "to_day", *carried)
    return (
        days.join(spells, on="field")
        .filter(
            (pl.col("day") >= pl.col("from_day"))
            & (pl.col("day") <= pl.col("to_day")).fill_null(True)
        )
        .drop("from_day", "to_day")
    )
