"""Snow on the ground and soil temperature with depth, by hour.

Snow: degree-day melt. Soil heat: explicit conduction between slices with a freezing curve as
apparent heat capacity (Campbell 1985, Soil Physics with BASIC, chapter 4, for the conduction).
Several sites run at once, one a column of the arrays.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_warehouse.simulator.ground import BORDERS_CM, SLICES

Array = NDArray[np.float64]

_BORDERS_M = np.concatenate([BORDERS_CM, [300.0, 450.0, 650.0]]) / 100
_THICK_M = np.diff(_BORDERS_M)
_MIDDLE_M = (_BORDERS_M[1:] + _BORDERS_M[:-1]) / 2
_CONDUCT = 1.1  # W/m/K, moist clay
_CAPACITY = 2.6e6  # J/m3/K
_LATENT = 334e6 * 0.36 * 0.6  # J/m3 of soil: water of 0.36 by volume, three fifths of it freezes
_FREEZE_C = 0.7  # the freezing curve's scale
_SNOW_CONDUCT = 0.11  # W/m/K


@dataclass(frozen=True, slots=True)
class Ground:
    """Surface water supply in mm/h, snow water in mm, snow depth in cm, soil temperature in degC."""

    supply_mm: Array  # (hours, sites)
    snow_mm: Array  # (hours, sites), at the end of the hour
    snow_cm: Array  # (hours, sites)
    sublimed_mm: Array  # (hours, sites)
    soil_temp_c: NDArray[np.float32]  # (hours, sites, slices), at the end of the hour


def snow(rain_mm: Array, air_temp_c: Array) -> tuple[Array, Array, Array]:
    """Supply to the surface, snow water and sublimation; arrays of shape (hours, sites), mm."""
    hours, sites = rain_mm.shape
    falls = np.where(air_temp_c < 0.5, rain_mm, 0.0)
    melting = np.clip(air_temp_c - 0.3, 0, None) * 3.2 / 24
    supply = rain_mm - falls
    pack = np.zeros(sites)
    packs = np.zeros((hours, sites))
    sublimed = np.zeros((hours, sites))
    busy = np.flatnonzero(falls.sum(axis=1) > 0)
    first = int(busy[0]) if len(busy) else hours
    for i in range(first, hours):
        if not pack.any() and not falls[i].any():
            continue
        pack = pack + falls[i]
        lost = np.minimum(pack, 0.008)
        pack = pack - lost
        melt = np.minimum(pack, melting[i])
        pack = pack - melt
        supply[i] += melt
        packs[i] = pack
        sublimed[i] = lost
    return supply, packs, sublimed


def unfrozen_share(temp_c: Array | NDArray[np.float32]) -> NDArray[np.float64]:
    """Share of the soil's water that is liquid at a temperature: 1 above freezing, 0.4 in deep frost."""
    return np.asarray(0.4 + 0.6 * np.exp(np.minimum(temp_c, 0.0) / _FREEZE_C), dtype=np.float64)


def soil_temperature(air_temp_c: Array, solar_w_m2: Array, snow_cm: Array) -> NDArray[np.float32]:
    """Soil temperature at the slices' middles, shape (hours, sites, slices), degC.

    The bottom at 6.5 m is held at the air's mean over the record plus 2 degC of snow's shelter.
    """
    hours, sites = air_temp_c.shape
    base = air_temp_c.mean(axis=0) + 2.0
    temp = np.repeat(base[:, None], len(_THICK_M), axis=1)
    start = air_temp_c[:240].mean(axis=0)
    temp += (start - base)[:, None] * np.exp(-_MIDDLE_M / 1.5)
    between = _CONDUCT / np.diff(_MIDDLE_M)
    bottom = _CONDUCT / (_BORDERS_M[-1] - _MIDDLE_M[-1])
    surface = air_temp_c + np.where(snow_cm > 0.5, 0.0, 0.007 * solar_w_m2)
    resist = (
        _MIDDLE_M[0] / _CONDUCT
        + np.where(air_temp_c < 0, 0.14, 0.03)
        + snow_cm / 100 / _SNOW_CONDUCT
    )
    out = np.zeros((hours, sites, SLICES), dtype=np.float32)
    flow = np.zeros((sites, len(_THICK_M) + 1))
    for i in range(hours):
        flow[:, 0] = (surface[i] - temp[:, 0]) / resist[i]
        flow[:, 1:-1] = between * (temp[:, :-1] - temp[:, 1:])
        flow[:, -1] = bottom * (temp[:, -1] - base)
        freezing = np.where(temp < 0, np.exp(np.minimum(temp, 0) / _FREEZE_C), 0.0)
        capacity = _CAPACITY + _LATENT / _FREEZE_C * freezing
        temp = temp + 3600 * (flow[:, :-1] - flow[:, 1:]) / (_THICK_M * capacity)
        out[i] = temp[:, :SLICES]
    return out


def ground(rain_mm: Array, air_temp_c: Array, solar_w_m2: Array) -> Ground:
    """Snow and soil temperature of sites; arguments of shape (hours, sites)."""
    supply, packs, sublimed = snow(rain_mm, air_temp_c)
    deep_cm = packs / 1.8
    return Ground(
        supply, packs, deep_cm, sublimed, soil_temperature(air_temp_c, solar_w_m2, deep_cm)
    )
