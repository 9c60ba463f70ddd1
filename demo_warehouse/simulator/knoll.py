"""Hill and hollow of the mapped field, and what they do to its response; a survey of its heights.

Clay is heavier and longer wet in the hollow, so that is where loosening it gives most. The strips' means are
what they would be without.
"""

import json
from typing import Any

import numpy as np
from numpy.typing import NDArray

from demo_warehouse.simulator.book import LENGTH_M
from demo_warehouse.simulator.known import SIDES
from demo_warehouse.simulator.places import STRIP_M, place

Array = NDArray[np.float64]
BASE_M, HILL_M, HOLLOW_M = 731.0, 3.2, 2.4  # of the field, and from there up and down
HILL_AT_M, HOLLOW_AT_M, REACH_M = 560.0, 190.0, 130.0  # north of the corner
TILT = -0.006  # to the east
MORE_BELOW = 0.8  # of the response, a standard deviation of height lower; invented
SURVEY_M, SURVEY_SD_M = 20.0, 0.04  # between the points of a survey, and its error


def height_m(east_m: Any, north_m: Any) -> Any:
    """Return the height of a place in meters from the field's corner."""
    hill = HILL_M * np.exp(-(((north_m - HILL_AT_M) / REACH_M) ** 2))
    hollow = HOLLOW_M * np.exp(-(((north_m - HOLLOW_AT_M) / REACH_M) ** 2))
    return BASE_M + hill - hollow + TILT * east_m


def of_response(north_m: Any) -> Array:
    """Return by how much the response at each place along the strips is that of a whole strip."""
    height = height_m(0.0, north_m)
    return np.asarray(1 - MORE_BELOW * (height - height.mean()) / height.std())


def survey(rng: np.random.Generator) -> str:
    """Return points of a survey as GeoJSON (RFC 7946), ``elevation`` in meters."""
    wide = len(SIDES) * STRIP_M
    east, north = np.meshgrid(
        np.arange(-SURVEY_M / 2, wide + SURVEY_M, SURVEY_M),
        np.arange(-SURVEY_M / 2, LENGTH_M + SURVEY_M, SURVEY_M),
    )
    seen = height_m(east, north) + rng.normal(0, SURVEY_SD_M, east.shape)
    features = [
        {
            "type": "Feature",
            "properties": {"elevation": round(float(height), 2)},
            "geometry": {"type": "Point", "coordinates": place(float(x), float(y))},
        }
        for x, y, height in zip(east.ravel(), north.ravel(), seen.ravel(), strict=True)
    ]
    return json.dumps({"type": "FeatureCollection", "features": features}) + "\n"
