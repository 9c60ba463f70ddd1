"""The set-up tables of a simulated field, as farm.toml and the field book would give them."""

import tomllib
from datetime import date
from pathlib import Path

import polars as pl

import schemas
from demo_warehouse.simulator.climate import Climate
from demo_warehouse.simulator.crops import Season
from demo_warehouse.simulator.known import OFFSET_H, SIDES


def probe_names(field: str) -> dict[str, str]:
    """The probe of each strip."""
    return {side: f"{field}-probe-{side}" for side in SIDES}


def station_names(field: str) -> dict[str, str]:
    """The station of each strip."""
    return {side: f"{field}-station-{side}" for side in SIDES}


def crop_table() -> pl.DataFrame:
    """The crop list as a table."""
    path = Path(schemas.__file__).parent / "crops.toml"
    listed = tomllib.loads(path.read_text(encoding="utf-8"))
    rows = [{"crop": name, **values} for name, values in sorted(listed.items())]
    return pl.DataFrame(rows, infer_schema_length=None)


def settings(
    field: str, first: date, season: Season, soil: str, depths: tuple[float, ...]
) -> dict[str, pl.DataFrame]:
    """The set-up tables of one field with a treated and a check strip, instruments always there."""
    place = Climate()
    probes, stations = probe_names(field), station_names(field)
    return {
        "farm": pl.DataFrame(
            {
                "farm": "simulated",
                "latitude_deg": place.latitude_deg,
                "longitude_deg": -105.0,
                "elevation_m": place.elevation_m,
                "time_zone": "America/Edmonton",
                "standard_offset_h": float(OFFSET_H),
                "day_starts_h": 0.0,
                "currency": "CAD",
                "units": "metric",
                "normal_from": 1991,
                "normal_to": 2020,
                "trace_threshold_mm": 0.2,
                "event_gap_h": 6.0,
                "event_least_mm": 5.0,
                "discount_rate_pct": 5.0,
            }
        ),
        "field": pl.DataFrame(
            {
                "field": field,
                "area_ha": 60.0,
                "soil": soil,
                "soil_texture": soil,
                "practice": "deep tillage",
            }
        ),
        "strip": pl.DataFrame({"field": [field] * 2, "strip": list(SIDES)}),
        "season": pl.DataFrame(
            {
                "field": field,
                "season": season.harvested.year,
                "crop": season.crop,
                "seeded": season.seeded,
                "harvested": season.harvested,
            }
        ),
        "crop": crop_table(),
        "sensor": pl.DataFrame(
            {"probe": [probes[s] for s in SIDES for _ in depths], "depth_cm": [*depths, *depths]}
        ),
        "station_spell": pl.DataFrame(
            {
                "station": [stations[s] for s in SIDES],
                "from_day": first,
                "field": field,
                "strip": list(SIDES),
                "wind_height_m": 2.0,
                "gauge_heated": True,
            }
        ),
        "probe_spell": pl.DataFrame(
            {
                "probe": [probes[s] for s in SIDES],
                "from_day": first,
                "field": field,
                "strip": list(SIDES),
            }
        ),
    }
