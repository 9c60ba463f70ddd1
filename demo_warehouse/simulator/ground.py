"""The soil column: its slices, its hydraulic properties, and how a strip's pan changes them.

Water retention and conductivity after Campbell (1974, Soil Science 117:311): suction and
conductivity are powers of the relative saturation. Field capacity and wilting point lie in the
ranges of FAO-56 table 19 (clay 0.32 to 0.40 and 0.20 to 0.24).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Slices of 10 cm whose middles lie on the usual sensor depths; a thin one on top, a thick one below.
BORDERS_CM: Array = np.array([0, 5, *range(15, 160, 10), 205], dtype=np.float64)
THICK_CM: Array = np.diff(BORDERS_CM)
THICK_MM: Array = THICK_CM * 10
MIDDLE_CM: Array = (BORDERS_CM[1:] + BORDERS_CM[:-1]) / 2
SLICES = len(THICK_CM)
HEAD_33_KPA_CM = 336.6
HEAD_1500_KPA_CM = 15300.0


@dataclass(frozen=True, slots=True)
class Soil:
    """Hydraulic properties of one texture; water contents as volume shares, conductivity in cm/h."""

    name: str
    saturation: float
    field_capacity: float
    wilting: float
    matrix_cm_h: float
    macropore_cm_h: float


SOILS: dict[str, Soil] = {
    soil.name: soil
    for soil in (
        Soil("clay", 0.50, 0.385, 0.225, 0.010, 1.0),
        Soil("silty clay", 0.49, 0.365, 0.215, 0.016, 1.3),
        Soil("clay loam", 0.47, 0.335, 0.185, 0.020, 1.8),
        Soil("loam", 0.45, 0.285, 0.130, 0.030, 2.5),
    )
}


@dataclass(frozen=True, slots=True)
class Column:
    """Properties by strip and slice, arrays of shape (strips, slices); heads in cm, rates in cm/h."""

    saturation: Array
    field_capacity: Array
    wilting: Array
    b: Array
    entry_cm: Array
    matrix_cm_h: Array
    macropore_cm_h: Array


def column(soils: list[Soil]) -> Column:
    """The columns of strips that have the given soils, before any pan or operation."""

    def spread(values: list[float]) -> Array:
        return np.repeat(np.array(values, dtype=np.float64)[:, None], SLICES, axis=1)

    saturation = spread([s.saturation for s in soils])
    capacity = spread([s.field_capacity for s in soils])
    wilting = spread([s.wilting for s in soils])
    b = np.log(HEAD_1500_KPA_CM / HEAD_33_KPA_CM) / np.log(capacity / wilting)
    entry = HEAD_33_KPA_CM * (capacity / saturation) ** b
    deeper = np.exp(-np.clip(MIDDLE_CM - 60, 0, None) / 90)[None, :]
    macropore = spread([s.macropore_cm_h for s in soils]) * deeper
    return Column(
        saturation,
        capacity,
        wilting,
        b,
        entry,
        spread([s.matrix_cm_h for s in soils]),
        macropore,
    )


def in_pan(top_cm: float, bottom_cm: float) -> Array:
    """The share of each slice that lies in the compacted layer, shape (slices,)."""
    low = np.minimum(BORDERS_CM[1:], bottom_cm)
    high = np.maximum(BORDERS_CM[:-1], top_cm)
    return np.clip((low - high) / THICK_CM, 0, 1)


def layer_weights(depths_cm: tuple[float, ...]) -> Array:
    """Share of each slice in each sensor's layer, shape (sensors, slices).

    A sensor stands for the soil between the midpoints to its neighbors; the first reaches to the
    surface, the last as far below itself as above.
    """
    depths = np.asarray(depths_cm, dtype=np.float64)
    middles = (depths[1:] + depths[:-1]) / 2
    tops = np.concatenate([[0.0], middles])
    last = depths[-1] + (depths[-1] - tops[-1])
    bottoms = np.concatenate([middles, [last]])
    return np.stack([in_pan(t, b) for t, b in zip(tops, bottoms, strict=True)])
