"""Small yield maps and outlines, as CSV and GeoJSON."""

from __future__ import annotations

import json
from typing import Any

import shapely

HEAD = "time,latitude,longitude,yield (kg/ha),moisture (%),speed (km/h),width (m)"
ROWS = [
    "2021-08-28 14:00:00,49.90001,-98.2,3500,13.2,7.1,9.1",
    "2021-08-28 14:00:01,49.90003,-98.2,3600,13.1,7.2,9.1",
    "2021-08-28 14:00:02,49.90005,-98.2,3700,13.0,7.2,9.1",
]


def csv(*lines: str, head: str = HEAD) -> bytes:
    return "\n".join([head, *(lines or ROWS)]).encode()


def feature(geometry: Any, **properties: Any) -> dict[str, Any]:
    return {
        "type": "Feature",
        "properties": properties,
        "geometry": json.loads(shapely.to_geojson(geometry)),
    }


def collection(*features: dict[str, Any]) -> bytes:
    return json.dumps({"type": "FeatureCollection", "features": list(features)}).encode()


SQUARE = shapely.box(-98.2, 49.9, -98.199, 49.91)
