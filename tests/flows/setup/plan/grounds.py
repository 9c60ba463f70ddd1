"""A farm whose field North has an outline, and what is asked of its plan."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import shapely

from flows.farm.folder import FarmFolder
from flows.setup.plan.plan import Wanted
from tests.flows.loggers import FARM
from tests.flows.yield_maps import collection, feature

# About 800 m square, a little aslant, near the farm's place (50, -100).
CORNERS = [(-100.0, 50.0), (-99.9888, 50.0005), (-99.9885, 50.0072), (-99.9995, 50.0068)]
FIELD = shapely.Polygon(CORNERS)
PLACE = (-100.0, 50.0)
FIELDS = b"field,practice\nNorth,deep tillage\nSouth,deep tillage\n"


def planned_farm(tmp_path: Path) -> FarmFolder:
    """A farm with two fields in its book and no data, its units those of the United States."""
    root = tmp_path / "farm"
    (root / "fieldbook").mkdir(parents=True)
    (root / "fieldbook" / "fields.csv").write_bytes(FIELDS)
    (root / "farm.toml").write_text(
        FARM.replace('name = "Invented"', 'name = "Invented"\nunits = "us"'), encoding="utf-8"
    )
    return FarmFolder.at(root)


def outline(folder: FarmFolder, *features: dict[str, Any], name: str = "outline.geojson") -> Path:
    """An outline file beside the farm folder, of the field North unless others are given."""
    path = folder.root.parent / name
    path.write_bytes(collection(*(features or (feature(FIELD, field="North"),))))
    return path


def wanted(folder: FarmFolder, **more: Any) -> Wanted:
    """What is asked for, changed by ``more``."""
    given: dict[str, Any] = {"field": "North", "header": "30 ft", "implement": "15 ft", "seed": 11}
    if not {"outline", "corners"} & more.keys():
        given["outline"] = outline(folder)
    return Wanted(**given | more)
