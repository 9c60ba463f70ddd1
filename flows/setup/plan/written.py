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
from flows.store import answer
from transforms.methods import strip_layout
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
    """Return the strips' outlines (RFC 7946, WGS 84) as ``yieldmaps/`` takes them, with the seed."""
    features = [_feature(plan, one) for one in plan.layout.strips]
    made = {"seed": plan.seed, "direction_deg": plan.layout.design.direction_deg}
    content = {"type": "FeatureCollection", "checkstrip_plan": made, "features": features}
    return json.dumps(content, indent=1, ensure_ascii=False) + "\n"


def _feature(plan: Plan, strip: Strip) -> dict[str, Any]:
    outer = plan.ground.on_globe(strip.shape).exterior  # counterclockwise, as box makes it
    ring = [[round(x, DECIMALS), round(y, DECIMALS)] for x, y in outer.coords]
    return {
        "type": "Feature",
        "properties": {
            "field": plan.field,
            "strip": strip.name,
            "block": str(strip.block),
            "times worked": strip.worked,
        },
        "geometry": {"type": "Polygon", "coordinates": [ring]},
    }


def strips_sheet(plan: Plan) -> str:
    """Return the rows of the field book's sheet strips, as CSV with the reader's unit of length."""
    slope, _, label, _ = plan.show.unit_of("m")
    design = plan.layout.design
    names = [strip_layout.named(times, design) for times in sorted(design.worked)]
    rows = []
    for worked, name in enumerate(names):
        own = [one for one in plan.layout.strips if one.name == name]
        length = sum(one.length_m for one in own) / len(own)
        row = {
            "field": plan.field,
            "strip": name,
            "role": "treated" if worked else "check",
            # the second working is asked what it adds to the first one too
            "against": "; ".join(names[:worked]),
            f"width ({label})": round(plan.layout.width.width_m * slope, 1),
            f"length ({label})": round(length * slope, 1),
            "randomized": "each block" if design.blocks > 1 else "each field",
            "notes": f"planned: {counted(len(own), 'strip')}, one in each block; seed {plan.seed}",
        }
        rows.append(row)
    return answer.to_csv(pl.DataFrame(rows))
