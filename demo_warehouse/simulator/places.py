"""Where the mapped field lies, and places in meters from its corner."""

from typing import Any

import numpy as np

CORNER_DEG = (-111.712, 50.894)  # longitude, latitude of the field's southwestern corner; invented
STRIP_M = 60.0  # width of a strip, 197 ft as in the book
METER_DEG = 1 / 111_320  # of latitude, common practice, no source


def longitude(east_m: Any) -> Any:
    """Return the longitude of places so far east of the corner."""
    return CORNER_DEG[0] + east_m * METER_DEG / np.cos(np.radians(CORNER_DEG[1]))


def place(east_m: float, north_m: float) -> list[float]:
    """Return longitude and latitude of a place in meters from the field's corner."""
    return [
        round(float(longitude(east_m)), 7),
        round(CORNER_DEG[1] + north_m * METER_DEG, 7),
    ]
