"""strip_ground: mean and spread of a map in each strip, season by season."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
import polars as pl
import pytest

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms.frames import rows
from transforms.trial import strip_ground

SEASONS = rows(
    "season",
    [{"season": y, "seeded": date(y, 5, 1)} for y in (2020, 2021)],
    field="North",
    crop="oats",
)


def outline(strip: str, part: int = 1, season: int | None = None) -> dict[str, Any]:
    shape = "POLYGON ((0 0, 1 0, 1 1, 0 0))"
    return {"field": " north", "strip": strip, "part": part, "season": season, "outline": shape}


def point(
    strip: str, n: int, value: float | None, part: int = 1, what: str = "clay"
) -> dict[str, Any]:
    place = {"field": " north", "longitude_deg": 0.0, "latitude_deg": 0.0}
    own = {"strip": strip, "part": part, "ground_map": what, "point": n, "value": value}
    return place | own


def derive(points: list[dict[str, Any]], outlines: list[dict[str, Any]]) -> pl.DataFrame:
    out = strip_ground.derive(
        rows("ground_point", points), rows("strip_outline", outlines), SEASONS
    )
    generated.check(TABLES["strip_ground"]).validate(out)
    return out


def test_mean_spread_and_coverage() -> None:
    """Values 30, 34, 38 and a place without one: mean 34, standard deviation 4, three of four."""
    values = [30.0, 34.0, 38.0, None]
    out = derive([point("treated", n, v) for n, v in enumerate(values, 1)], [outline("treated")])
    assert out["field"].unique().to_list() == ["North"]
    assert out["season"].to_list() == [2020, 2021]
    row = out.row(0, named=True)
    assert row["mean"] == 34.0
    assert row["spread"] == pytest.approx(np.std([30, 34, 38], ddof=1))
    assert (row["points"], row["coverage"], row["partial"]) == (3, 0.75, True)
    assert row["reason"] == "the map does not cover the whole strip"


def test_a_season_has_its_own_outline_else_the_one_of_all() -> None:
    outlines = [outline("check", 1), outline("check", 2, 2021)]
    out = derive([point("check", 1, 10.0, 1), point("check", 1, 20.0, 2)], outlines)
    assert dict(out.select("season", "mean").rows()) == {2020: 10.0, 2021: 20.0}


def test_blocks_of_a_strip_are_taken_together_and_maps_apart() -> None:
    points = [point("check", 1, 1.0, 1), point("check", 1, 3.0, 2), point("check", 1, 9.0, 1, "ec")]
    out = derive(points, [outline("check", 1), outline("check", 2)]).filter(
        pl.col("season") == 2020
    )
    assert dict(out.select("ground_map", "mean").rows()) == {"clay": 2.0, "ec": 9.0}


def test_no_row_where_a_map_has_no_value() -> None:
    assert derive([point("check", 1, None)], [outline("check")]).is_empty()
