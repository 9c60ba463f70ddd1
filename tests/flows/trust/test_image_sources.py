"""STAC sources in ``checkstrip status``: what is due, the last image, silence."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.intake.sources import images_asked
from flows.run import steps
from flows.store import publish, warehouse
from flows.trust import status
from schemas.catalogue import TABLES
from tests.flows import invented, loggers
from tests.flows.loggers import drop, usual
from tests.flows.stac import Catalog, farm_toml

NOW = datetime.now(UTC).replace(microsecond=0)


@pytest.fixture
def farm(tmp_path: Path) -> FarmFolder:
    source = farm_toml(Catalog(url="http://127.0.0.1:9"), every_h=12)
    folder = loggers.make(tmp_path / "farm", loggers.ENDED + source)
    drop(folder, "a.csv", [usual(h) for h in range(5)])
    steps.collect(folder)
    steps.publish(folder)
    return folder


def asked(folder: FarmFolder, before: timedelta, **more: str) -> None:
    known = {"asked": (NOW - before).isoformat(), "how": "x", **more}
    (folder.state / images_asked.MEMORY).write_text(json.dumps({"far": known}))


def seen(folder: FarmFolder, day: date, *, growing: bool = True) -> None:
    """An image of a day, and a crop that stands or is harvested."""
    image = {"field": "North", "strip": "treated", "day": day, "source": "far", "image": "a"}
    image |= {"pixels_whole": 9, "coverage": 1.0, "partial": False, "delivery": "d"}
    season = {"field": "North", "season": NOW.year, "crop": "pea"}
    season["seeded"] = NOW.date() - timedelta(days=90)
    season["harvested"] = None if growing else NOW.date() - timedelta(days=2)
    with warehouse.open_writer(folder) as con:
        warehouse.replace(
            con, TABLES["vegetation_strip"], invented.frame("vegetation_strip", [image])
        )
        warehouse.replace(con, TABLES["season"], invented.frame("season", [season]))
    publish.publish(folder, accept_loss=True)


def test_a_source_has_its_line_with_last_image_and_when_it_is_due(farm: FarmFolder) -> None:
    (row,) = status.status(farm, NOW).image_sources
    assert (row["asked"], row["due"], row["last_image"]) == (None, None, None)
    assert "  far  last image none, read never, due at the next run" in status.lines(
        status.status(farm, NOW)
    )
    asked(farm, timedelta(hours=3))
    seen(farm, NOW.date() - timedelta(days=5))
    found = status.status(farm, NOW)
    (row,) = found.image_sources
    assert row["last_image"] == (NOW.date() - timedelta(days=5)).isoformat()
    assert datetime.fromisoformat(row["due"]) == NOW + timedelta(hours=9)
    assert not any("source far" in sentence for sentence in (*found.attention, *found.notes))
    assert f"last image {row['last_image']}, read " in "\n".join(status.lines(found))


def test_a_source_that_is_not_answered_needs_attention(farm: FarmFolder) -> None:
    asked(farm, timedelta(days=4))
    found = status.status(farm, NOW)
    assert any(
        sentence.startswith("The STAC source far has not been read since")
        for sentence in found.attention
    )
    later = (NOW + timedelta(hours=2)).isoformat()
    asked(farm, timedelta(days=4), not_before=later)  # it is rate-limiting us
    found = status.status(farm, NOW)
    assert found.image_sources[0]["due"] == (NOW + timedelta(hours=2)).strftime(
        "%Y-%m-%dT%H:%M:%SZ"
    )
    assert not any("source far" in sentence for sentence in found.attention)


def test_no_image_for_long_is_a_remark_while_a_crop_stands(farm: FarmFolder) -> None:
    asked(farm, timedelta(hours=1))
    seen(farm, NOW.date() - timedelta(days=40))
    assert any("answers, but has had no image" in note for note in status.status(farm, NOW).notes)
    seen(farm, NOW.date() - timedelta(days=40), growing=False)
    assert not any("no image" in note for note in status.status(farm, NOW).notes)


def test_a_farm_without_such_a_source_has_no_line(tmp_path: Path) -> None:
    folder = loggers.make(tmp_path / "farm", loggers.ENDED)
    assert farm_file.load(folder.farm_toml).image_sources == ()
    assert "Images from STAC sources" not in status.lines(status.status(folder, NOW))
