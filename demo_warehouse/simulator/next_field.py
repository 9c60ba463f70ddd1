"""A fifth field, not on trial yet: its outline, for a plan of its strips.

It is not in the field book. A creek cuts its northeastern corner.
"""

import json

from demo_warehouse.simulator.places import place

NAME = "Saltlick"
WEST_M, SOUTH_M = 2400.0, 900.0  # of its southwestern corner from that of the mapped field
CORNERS_M = ((0, 0), (795, 0), (798, 520), (610, 655), (560, 801), (0, 800))


def outline() -> str:
    """Return the outline as GeoJSON (RFC 7946); it names its field only, so it is no part of a map."""
    ring = [place(WEST_M + east, SOUTH_M + north) for east, north in (*CORNERS_M, CORNERS_M[0])]
    feature = {
        "type": "Feature",
        "properties": {"field": NAME},
        "geometry": {"type": "Polygon", "coordinates": [ring]},
    }
    return json.dumps({"type": "FeatureCollection", "features": [feature]}, indent=1) + "\n"
