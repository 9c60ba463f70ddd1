"""Items of the published STAC specification: its examples, abridged."""

from __future__ import annotations

import httpx

from flows.intake.sources.stac_search import item_of

PAGE = httpx.URL("https://stac-api.example.com/search")
# examples/extended-item.json of the STAC specification 1.1.0: bands are in the order of the file, and
# the asset to be looked at has them in another order.
BANDS = [
    {"name": f"band{n}", "eo:common_name": name}
    for n, name in enumerate(("blue", "green", "red", "nir"), 1)
]
EXTENDED = {
    "stac_version": "1.1.0",
    "type": "Feature",
    "id": "20201211_223832_CS2",
    "properties": {
        "datetime": "2020-12-14T18:02:31.437000Z",
        "updated": "2020-12-15T01:48:13.725Z",
        "eo:cloud_cover": 1.2,
    },
    "collection": "simple-collection",
    "links": [{"rel": "collection", "href": "./collection.json"}],
    "assets": {
        "visual": {"href": "https://example.com/v.tif", "roles": ["visual"], "bands": BANDS[2::-1]},
        "analytic": {"href": "https://example.com/a.tif", "roles": ["data"], "bands": BANDS},
        "udm": {"href": "./a_udm.tif", "title": "Unusable Data Mask"},
    },
}
# examples/core-item.json: an item over a span of time has no datetime of its own.
CORE = {
    "type": "Feature",
    "id": "core",
    "properties": {
        "datetime": None,
        "start_datetime": "2020-12-11T22:38:32.125Z",
        "end_datetime": "2020-12-11T22:38:32.327Z",
    },
    "assets": {},
}


def item(**changed):
    return item_of(EXTENDED | changed, PAGE)
