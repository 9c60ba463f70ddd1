"""Which stations are near enough to judge each other, and the rain that any of them caught.

A station stands where farm.toml places it, else at the farm's place. Any station within
``farm.neighbor_km`` judges, also one that stands on no field.
"""

from __future__ import annotations

import polars as pl

EARTH_KM = 6371.0  # mean radius
NOWHERE: list[float | None] = [0.0, 0.0]  # open sea: no station stands there
WITHIN_KM = 25.0  # where the farm file gives none; common practice, no source
MOST = 5  # nearest neighbors that are compared with, which bounds the work


def distance_km(latitude: pl.Expr, longitude: pl.Expr, lat: pl.Expr, lon: pl.Expr) -> pl.Expr:
    """Great-circle distance [km] between two places [degree], by the haversine formula."""
    half_lat = ((lat - latitude).radians() / 2).sin() ** 2
    half_lon = ((lon - longitude).radians() / 2).sin() ** 2
    a = half_lat + latitude.radians().cos() * lat.radians().cos() * half_lon
    return 2 * EARTH_KM * a.clip(0.0, 1.0).sqrt().arcsin()


def neighbors(station_spell: pl.DataFrame, farm: pl.DataFrame) -> pl.DataFrame:
    """Return station, other, distance_km and rank: each station's nearest ones, the nearest first.

    At the same distance those on the same field come first.
    """
    stations = places(station_spell, farm)
    km = distance_km(*(pl.col(c) for c in ("lat", "lon", "lat_other", "lon_other")))
    other = stations.select(pl.all().name.suffix("_other"))
    return (
        stations.join(other, how="cross")
        .filter(pl.col("station") != pl.col("station_other"))
        .with_columns(distance_km=km.round(3))
        .filter(pl.col("distance_km") <= within(farm))
        .sort(
            "station",
            "distance_km",
            (pl.col("field") == pl.col("field_other")).fill_null(False),
            "station_other",
            descending=[False, False, True, False],
        )
        .with_columns(rank=pl.int_range(pl.len()).over("station"))
        .filter(pl.col("rank") < MOST)
        .select("station", pl.col("station_other").alias("other"), "distance_km", "rank")
    )


def wettest(
    weather_used_day: pl.DataFrame, station_spell: pl.DataFrame, farm: pl.DataFrame
) -> pl.DataFrame:
    """Return field, day and ``rain_mm``, the most that any station near the field caught that day.

    A field is where its stations stand, or at the farm's place if it has none. Rain that was read by
    hand counts as its station's. Days without any rain record near the field are absent.
    """
    stations = places(station_spell, farm)
    fields = (
        station_spell.filter(pl.col("field").is_not_null())
        .select("station", of="field")
        .unique()
        .join(stations, on="station")
        .select("of", lat_field="lat", lon_field="lon")
        .unique()
    )
    km = distance_km(*(pl.col(c) for c in ("lat", "lon", "lat_field", "lon_field")))
    reach = (
        fields.join(stations, how="cross")
        .filter(km <= within(farm))
        .select("of", named=_named("station"))
        .unique()
    )
    # Gauges side by side: a row for each field, station and day would be too many.
    rain = (
        weather_used_day.filter(pl.col("rain_mm").is_not_null())
        .select("day", "rain_mm", named=_named("station"))
        .join(reach, on="named", how="semi")
        .pivot("named", index="day", values="rain_mm")
    )
    near = reach.filter(pl.col("named").is_in(rain.columns)).group_by("of").agg("named")
    most = [pl.max_horizontal(names).alias(f" {of}") for of, names in near.sort("of").iter_rows()]
    return (
        rain.select("day", *most)
        .unpivot(index="day", variable_name="field", value_name="rain_mm")
        .drop_nulls("rain_mm")
        .select(pl.col("field").str.slice(1), "day", pl.col("rain_mm").cast(pl.Float64))
    )


def _named(name: str) -> pl.Expr:
    """Return a name as one that no other column has."""
    return pl.lit(" ") + pl.col(name)


def home_of(farm: pl.DataFrame) -> list[float | None]:
    """Return latitude and longitude of the farm, of ``NOWHERE`` if it has no place."""
    home: list[float | None] = [
        farm[c].item() if farm.height else None for c in ("latitude_deg", "longitude_deg")
    ]
    return NOWHERE if farm.height and None in home else home


def places(station_spell: pl.DataFrame, farm: pl.DataFrame) -> pl.DataFrame:
    """Return station, field, lat and lon, by its latest spell.

    Stations without coordinates of their own stand at the farm's place; if that has none either,
    at one and the same point where no station can be: near each other, far from all others.
    """
    latest = station_spell.sort("from_day").unique("station", keep="last", maintain_order=True)
    home = home_of(farm)
    return latest.select(
        "station",
        "field",
        lat=pl.col("latitude_deg").fill_null(home[0]),
        lon=pl.col("longitude_deg").fill_null(home[1]),
    ).drop_nulls(["lat", "lon"])


def within(farm: pl.DataFrame) -> float:
    """Return how far apart [km] stations may stand and still judge, or serve, each other."""
    given = farm["neighbor_km"].item() if farm.height else None
    return WITHIN_KM if given is None else float(given)
