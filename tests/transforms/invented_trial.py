"""A small invented trial as tables, for the tests of the trial's evidence."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

import polars as pl

from tests.transforms.frames import rows

PRACTICE = "deep tillage"


def fields(*names: str) -> pl.DataFrame:
    return rows("field", [{"field": n, "area_ha": 60.0, "practice": PRACTICE} for n in names])


def seasons(items: Sequence[tuple[str, int, str]]) -> pl.DataFrame:
    return rows(
        "season",
        [
            {
                "field": f,
                "season": y,
                "crop": c,
                "seeded": date(y, 5, 10),
                "harvested": date(y, 9, 10),
            }
            for f, y, c in items
        ],
    )


def worked(field: str, day: str, **more: Any) -> dict[str, Any]:
    return {
        "field": field,
        "strip": "treated",
        "day": date.fromisoformat(day),
        "practice": PRACTICE,
        "depth_cm": 35.0,
        **more,
    }


def operations(*items: dict[str, Any]) -> pl.DataFrame:
    return rows("operation", items)


def passes(
    field: str,
    season: int,
    treated: Sequence[float],
    check: Sequence[float],
    crop: str = "spring wheat",
) -> list[dict[str, Any]]:
    """strip_yield rows: passes by block, and the strip's combined yield."""
    out: list[dict[str, Any]] = []
    for strip, values in (("treated", treated), ("check", check)):
        common = {"field": field, "season": season, "strip": strip, "crop": crop, "partial": False}
        for i, value in enumerate(values, 1):
            out.append(
                common
                | {
                    "pass": str(i),
                    "block": str(i),
                    "method": "scale wagon",
                    "yield_kg_ha": float(value),
                    "used": True,
                    "passes": 1,
                }
            )
        if values:
            out.append(
                common
                | {
                    "pass": "all",
                    "method": "combined",
                    "yield_kg_ha": float(sum(values) / len(values)),
                    "passes": len(values),
                }
            )
    return out


def strip_yields(*groups: list[dict[str, Any]]) -> pl.DataFrame:
    return rows("strip_yield", [row for group in groups for row in group])
