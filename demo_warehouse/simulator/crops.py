"""Crops as the simulator grows them: canopy, water demand, the pace of the roots, grain per mm.

The figures are invented within handbook ranges: greatest root depth FAO-56 table 22; front pace of
wheat 0.8 to 1.2 cm a day (Kirkegaard and Lilley 2007, doi:10.1071/AR06097); grain below 20 kg/ha
per mm of transpiration (French and Schultz 1984, doi:10.1071/AR9840743).
"""

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from demo_warehouse.simulator.climate import Hourly

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Crop:
    """What the simulator knows of a crop."""

    name: str
    cover_max: float
    half_cover_at: float  # share of the thermal time to maturity
    root_mm_c_d: float
    root_max_cm: float
    grain_kg_ha_mm: float  # market yield per mm of transpiration
    moisture_pct: float
    test_weight_kg_hl: float


CROPS: dict[str, Crop] = {
    crop.name: crop
    for crop in (
        Crop("spring wheat", 0.92, 0.30, 0.95, 130, 14.5, 14.5, 79.0),
        Crop("durum", 0.90, 0.30, 0.95, 130, 13.8, 14.5, 80.0),
        Crop("winter wheat", 0.94, 0.40, 1.05, 150, 14.5, 14.5, 79.5),
        Crop("barley", 0.92, 0.27, 0.95, 120, 16.5, 14.8, 64.0),
        Crop("canola", 0.92, 0.33, 0.95, 135, 8.6, 10.0, 64.5),
        Crop("pea", 0.88, 0.32, 0.80, 100, 12.5, 16.0, 79.0),
        Crop("lentil", 0.80, 0.35, 0.75, 85, 9.0, 14.0, 78.0),
        Crop("flax", 0.82, 0.33, 0.80, 105, 7.6, 10.0, 67.0),
    )
}

ROOT_MAX_CM_DAY = 1.35
EMERGENCE_C_D = 110.0
GROWTH_ENDS_AT = 0.84


@dataclass(frozen=True, slots=True)
class Season:
    """One crop of one strip."""

    crop: str
    seeded: date
    harvested: date


@dataclass(frozen=True, slots=True)
class Growth:
    """Drivers of a strip by hour, arrays of shape (hours,)."""

    cover: Array
    transpiration_mm: Array  # potential
    evaporation_mm: Array  # potential
    root_cm_h: Array  # potential pace of the front
    root_limit_cm: Array
    alive: NDArray[np.bool_]


def growth(
    weather: Hourly,
    snow_cm: Array,
    seasons: list[Season],
    deeper_cm: float = 0.0,
    swifter: float = 1.0,
) -> Growth:
    """Canopy, demand and root pace of a strip's seasons under the site's weather.

    ``deeper_cm``, ``swifter``: how much further down than elsewhere the site's profile lets roots go,
    and how many times as fast, within what roots can do.
    """
    hours = len(weather.air_temp_c)
    cover = np.zeros(hours)
    pace = np.zeros(hours)
    limit = np.full(hours, 1.0)
    alive = np.zeros(hours, dtype=bool)
    warm = np.clip(weather.air_temp_c, 0, None) / 24
    day_mean = np.repeat(weather.air_temp_c.reshape(-1, 24).mean(axis=1), 24)
    for season in seasons:
        crop = CROPS[season.crop]
        start = max((season.seeded - weather.first).days * 24 + 12, 0)
        end = min((season.harvested - weather.first).days * 24 + 12, hours)
        if end <= start:
            continue
        heat = np.cumsum(warm[start:end])
        ripe = heat[max(len(heat) - 8 * 24, 0) - 1] if len(heat) > 9 * 24 else heat[-1]
        part = heat / ripe
        up = heat > EMERGENCE_C_D
        rise = 1 / (1 + np.exp(-(part - crop.half_cover_at) / 0.055))
        fall = np.clip((1.02 - part) / 0.24, 0.0, 1)
        cover[start:end] = np.where(up, np.maximum(crop.cover_max * rise, 0.02) * fall, 0.0)
        goes = up & (part < GROWTH_ENDS_AT)
        speed = np.clip(day_mean[start:end], 0, None) * crop.root_mm_c_d / 10
        pace[start:end] = np.where(goes, np.minimum(speed, ROOT_MAX_CM_DAY) * swifter, 0.0) / 24
        limit[start:end] = crop.root_max_cm + deeper_cm
        alive[start:end] = up
    bare = snow_cm <= 0.5
    demand = weather.reference_et_mm * bare
    return Growth(cover, demand * 1.10 * cover, demand * 0.50 * (1 - cover), pace, limit, alive)
