"""The set-up tables of ``farm.toml``: the farm, its crops, its sensors, where each instrument stood."""

import tomllib
from functools import cache
from importlib.resources import files
from typing import Any

import polars as pl

from flows.base.errors import UserError
from flows.farm.farm_file import standard_offset_h
from schemas import generated
from schemas.catalogue import TABLES
from schemas.farm.farm import Farm

# Of a spell: what the tables of the instruments say elsewhere.
_NO_PLACE = {"fields", "irrigated_area_ha"}


@cache
def crop_list() -> dict[str, dict[str, Any]]:
    """Return the crop list that ships with the program."""
    content: dict[str, dict[str, Any]] = tomllib.loads(
        (files("schemas") / "crops.toml").read_text(encoding="utf-8")
    )
    return content


def tables(farm: Farm) -> dict[str, pl.DataFrame]:
    """Return the set-up tables of the farm file: farm, crop, sensor, spells and fields of stations.

    Raises UserError if a crop that is not in the list lacks its heat limits.
    """
    rows: dict[str, list[dict[str, Any]]] = {
        "farm": [_farm_row(farm)],
        "crop": _crop_rows(farm),
        "station_spell": [
            spell.model_dump(exclude={"fields"})
            | {
                "station": station.name,
                "serves": bool(spell.fields),
                "wind_height_m": station.wind_height_m,
                "gauge_heated": station.gauge_heated,
                "instant": _reads_instants(farm, station.name),
                "latitude_deg": station.latitude,
                "longitude_deg": station.longitude,
            }
            for station in farm.stations
            for spell in station.spells
        ],
        "station_field": [
            {
                "station": station.name,
                "field": field,
                "from_day": spell.from_day,
                "to_day": spell.to_day,
                "listed": place,
            }
            for place, station in enumerate(farm.stations, start=1)
            for spell in station.spells
            for field in dict.fromkeys(spell.fields)
        ],
        "probe_spell": [
            spell.model_dump(exclude=_NO_PLACE) | {"probe": probe.name}
            for probe in farm.probes
            for spell in probe.spells
        ],
        "sensor": [
            {
                "probe": p.name,
                "depth_cm": s.depth_cm,
                "sensor": s.name,
                "from_day": s.from_day,
                "to_day": s.to_day,
                "drained_upper_limit_pct": s.drained_upper_limit_pct,
                "lower_limit_pct": s.lower_limit_pct,
                "calibration": " ".join(map(str, s.calibration)) or None,
            }
            for p in farm.probes
            for s in p.sensors
        ],
    }
    return {
        name: generated.conform(
            pl.DataFrame(found, infer_schema_length=None)
            if found
            else generated.empty(TABLES[name]),
            TABLES[name],
        ).sort(TABLES[name].key)
        for name, found in rows.items()
    }


def _reads_instants(farm: Farm, station: str) -> bool:
    """Return whether every layout that may bring the station's radiation stamps instants."""
    of_radiation = [
        layout
        for layout in (farm.layouts[s.layout] for s in farm.sources if s.station in (None, station))
        if any(rule.quantity.startswith("solar_") for rule in layout.columns.values())
    ]
    return bool(of_radiation) and all(layout.stamp == "instant" for layout in of_radiation)


def _farm_row(farm: Farm) -> dict[str, Any]:
    starts = farm.place.day_starts
    normals = farm.normals
    row = {
        "farm": farm.farm.name,
        "latitude_deg": farm.place.latitude,
        "longitude_deg": farm.place.longitude,
        "elevation_m": farm.place.elevation_m,
        "time_zone": farm.place.time_zone,
        "standard_offset_h": standard_offset_h(farm.place),
        "day_starts_h": starts.hour + starts.minute / 60 + starts.second / 3600,
        "currency": farm.farm.currency,
        "units": farm.farm.units,
        "normal_from": normals.years[0] if normals else None,
        "normal_to": normals.years[1] if normals else None,
        "normal_station": normals.station if normals else None,
    }
    return row | farm.rules.model_dump()


def _crop_rows(farm: Farm) -> list[dict[str, Any]]:
    own = {name: rule.model_dump(exclude_none=True) for name, rule in farm.crops.items()}
    listed = crop_list()
    rows = []
    for name in sorted(listed.keys() | own.keys()):
        row: dict[str, Any] = {"crop": name, **listed.get(name, {}), **own.get(name, {})}
        for needed in ("base_temp_c", "upper_temp_c"):
            if row.get(needed) is None:
                raise UserError(f"crops.{name}: is not in the crop list, so {needed} must be given")
        if "source" not in row:
            row["source"] = "farm.toml" if name in own else "crop list (schemas/crops.toml)"
        rows.append(row)
    return rows
