"""Items by the published specification: its examples (abridged), and a reference library where it is there."""

from __future__ import annotations

from datetime import UTC, datetime

import pystac
import pytest

from flows.intake.sources.stac_search import _next, item_of
from tests.flows.intake.sources.stac_items import CORE, EXTENDED, PAGE, item


def test_an_item_of_the_specification() -> None:
    found = item()
    assert (found.id, found.collection, found.cloud_pct) == (
        "20201211_223832_CS2",
        "simple-collection",
        1.2,
    )
    assert found.at == datetime(2020, 12, 14, 18, 2, 31, 437000, UTC)
    assert item_of(CORE, PAGE).at == datetime(2020, 12, 11, 22, 38, 32, 125000, UTC)


def test_addresses_are_relative_to_the_item_itself() -> None:
    assert str(item().address("./a_udm.tif")) == "https://stac-api.example.com/a_udm.tif"
    own = item(links=[{"rel": "self", "href": "https://example.com/items/one/item.json"}])
    assert str(own.address("../two.tif")) == "https://example.com/items/two.tif"


@pytest.mark.parametrize(
    "wrong",
    [
        None,
        {},
        {"id": "x"},
        EXTENDED | {"id": 7},
        EXTENDED | {"properties": None},
        EXTENDED | {"properties": {"datetime": "yesterday"}},
        EXTENDED | {"assets": {"red": {}}},
        EXTENDED | {"assets": []},
    ],
)
def test_what_is_no_item_is_named(wrong) -> None:
    with pytest.raises(ValueError, match="an item without"):
        item_of(wrong, PAGE)


def test_next_pages_of_the_specification() -> None:
    """item-search/examples.md: a body that is merged, a token alone, a header alone, and a GET."""
    first = {"bbox": [-110, 39.5, -105, 40.5]}
    link = {"href": str(PAGE), "method": "POST", "body": {"page": 2, "limit": 10}, "merge": True}
    assert _next(link, PAGE, first) == (PAGE, first | {"page": 2, "limit": 10}, {})
    link = {"href": str(PAGE), "method": "POST", "body": {"next": "a9f3kfbc98e29a0da23"}}
    assert _next(link, PAGE, first) == (PAGE, {"next": "a9f3kfbc98e29a0da23"}, {})
    link = {"href": str(PAGE), "method": "POST", "headers": {"Search-After": "LC8", "Host": "x"}}
    assert _next(link, PAGE, first) == (PAGE, {}, {"Search-After": "LC8"})
    url, body, _ = _next({"href": "/search?page=2"}, PAGE, first)
    assert (str(url), body) == ("https://stac-api.example.com/search?page=2", None)


def test_items_that_a_reference_library_wrote_are_read_alike() -> None:
    made = pystac.Item.from_dict(item(links=[]).content | {"geometry": None, "bbox": None})
    made.set_self_href("https://example.com/items/one.json")
    written = made.to_dict(transform_hrefs=False)
    found = item_of(written, PAGE)
    assert (found.id, found.at, found.collection) == (made.id, made.datetime, made.collection_id)
    for key, asset in made.assets.items():
        assert str(found.address(written["assets"][key]["href"])) == asset.get_absolute_href()
