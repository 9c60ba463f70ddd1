"""What a plan writes: outlines as GeoJSON, rows for the field book, and the printed sheet."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import polars as pl

from flows.base import files
from flows.base.errors import UserError
from flows.base.plain_text import counted
from flows.farm.folder import FarmFolder
from flows.setup.plan import sheet
from flows.setup.plan.evidence import Asked, own_scatter
from flows.setup.plan.plan import Plan, Wanted, known_field, plan_of
from flows.store import query
from transforms.methods.strip_layout import Strip
from transforms.trial.methods.new_site_year import Scatter

NOTHING_ASKED = Asked()
DECIMALS = 8  # of a degree: about a millimeter
_UNSAFE = re.compile(r"[^\w-]+")


@dataclass(frozen=True, slots=True)
class Made:
    """A plan, the scatter and numbers that its evidence goes by, and its files."""

    plan: Plan
    scatter: Scatter
    asked: Asked
    files: tuple[Path, ...]


def make(
    folder: FarmFolder, wanted: Wanted, asked: Asked = NOTHING_ASKED, to: Path | None = None
) -> Made:
    """Make a plan and write it to ``plans/FIELD`` in the farm folder, or to ``to``.

    Raises UserError if the ground or the design cannot be used, and then writes nothing.
    """
    wanted = replace(wanted, field=known_field(folder, wanted.field))  # one folder, one lot a field
    where = to or folder.plans / (_UNSAFE.sub("_", wanted.field).strip("_") or "field")
    if where.exists() and not where.is_dir():
        raise UserError(f"{where} is a file, not a folder. Name a folder with --to.")
    outlines = where / "strips.geojson"
    asked = asked.checked()
    plan = plan_of(folder, wanted, outlines)
    scatter = own_scatter(folder)
    contents = {
        outlines: geojson(plan),
        where / "strips.csv": strips_sheet(plan),
        where / "plan.html": sheet.html(plan, scatter, asked),
    }
    for path, content in contents.items():
        files.write_text(path, content)
    return Made(plan, scatter, asked, tuple(contents))


def geojson(plan: Plan) -> str:
    """Return the strips' outlines (RFC 7946, WGS 84) as ``yieldmaps/`` takes them, with the seed.

    A strip worked twice is the treated strip of a trial of its own, with the same check.
    """
    features = [_feature(plan, plan.field, one) for one in plan.layout.strips if one.worked < 2]
    if any(one.worked == 2 for one in plan.layout.strips):
        features += [
            _feature(plan, plan.twice, one) for one in plan.layout.strips if one.worked != 1
        ]
    made = {"seed": plan.seed, "direction_deg": plan.layout.design.direction_deg}
    content = {"type": "FeatureCollection", "checkstrip_plan": made, "features": features}
    return json.dumps(content, indent=1, ensure_ascii=False) + "\n"


def _feature(plan: Plan, field: str, strip: Strip) -> dict[str, Any]:
    outer = plan.ground.on_globe(strip.shape).exterior  # counterclockwise, as box makes it
    ring = [[round(x, DECIMALS), round(y, DECIMALS)] for x, y in outer.coords]
    return {
        "type": "Feature",
        "properties": {
            "field": field,
            "strip": "treated" if strip.worked else "check",
            "block": str(strip.block),
            "times worked": strip.worked,
        },
        "geometry": {"type": "Polygon", "coordinates": [ring]},
    }


def strips_sheet(plan: Plan) -> str:
    """Return the rows of the field book's sheet strips, as CSV with the reader's unit of length."""
    slope, _, label, _ = plan.show.unit_of("m")
    design = plan.layout.design
    trials = [(plan.field, 1), (plan.twice, 2)] if 2 in design.worked else [(plan.field, 1)]
    rows = []
    for field, worked in trials:
        for side, times in (("treated", worked), ("check", 0)):
            own = [one for one in plan.layout.strips if one.worked == times]
            length = sum(one.length_m for one in own) / len(own)
            row = {
                "field": field,
                "strip": side,
                f"width ({label})": round(plan.layout.width.width_m * slope, 1),
                f"length ({label})": round(length * slope, 1),
                "randomized": "each block" if design.blocks > 1 else "each field",
                "notes": f"planned: {counted(len(own), 'strip')}, one in each block; seed {plan.seed}",
            }
            rows.append(row)
    return query.to_csv(pl.DataFrame(rows))
