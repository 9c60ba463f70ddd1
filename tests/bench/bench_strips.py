"""Two strips of one practice beside one check: coverage and false calls of the pooled response.

``python -m tests.bench.bench_strips [FARMS]`` prints the section of FIGURES.md. Farms with known truth go
through the formulas of ``comparison``, ``response`` and ``response_pooled``. The ground of a strip
differs by field as published uniformity trials have it (``ground``); blocks scatter about it.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from flows.derive.making import by_strips
from schemas import generated
from schemas.catalogue import TABLES
from tests.bench.bench_trial import LEVEL, PRACTICE, markdown
from transforms.trial import comparison
from transforms.trial.methods.ground import COMES_BACK

STRIPS = ("check", "one", "two")
BLOCK_SD = 110.0  # of a pass, kg/ha
GROUND_SD = 60.0  # of a strip in a season, kg/ha; two per cent
SEASONS_SD = 60.0  # of the true response between site-years


@dataclass(frozen=True, slots=True)
class Case:
    """A farm's fields, seasons and blocks, and the true mean response (kg/ha)."""

    fields: int
    seasons: int
    blocks: int
    effect: float


def tables(case: Case, rng: np.random.Generator) -> dict[str, pl.DataFrame]:
    """The book of one farm: three strips in each field, worked before the first harvest."""
    fields = [f"f{i}" for i in range(case.fields)]
    lasting = rng.normal(0, GROUND_SD * COMES_BACK**0.5, (case.fields, 1, 3))
    ground = lasting + rng.normal(
        0, GROUND_SD * (1 - COMES_BACK) ** 0.5, (case.fields, case.seasons, 3)
    )
    responds = case.effect + rng.normal(0, SEASONS_SD, (case.fields, case.seasons, 1))
    mean = LEVEL + ground + responds * np.array([0.0, 1.0, 1.0])
    passes = mean[..., None] + rng.normal(0, BLOCK_SD, (*mean.shape, case.blocks))
    at = np.indices(passes.shape).reshape(4, -1)
    harvest = pl.DataFrame(
        {
            "field": [fields[i] for i in at[0]],
            "season": 2020 + at[1],
            "strip": [STRIPS[i] for i in at[2]],
            "pass": (at[3] + 1).astype(str),
            "block": (at[3] + 1).astype(str),
            "yield_kg_ha": passes.ravel(),
        }
    ).with_columns(method=pl.lit("scale wagon"), moisture_pct=pl.lit(14.0), left_out=pl.lit(False))
    seasons = pl.DataFrame({"field": fields}).join(
        pl.DataFrame({"season": range(2020, 2020 + case.seasons)}), how="cross"
    )
    strips = pl.DataFrame({"field": fields}).join(pl.DataFrame({"strip": STRIPS}), how="cross")
    is_check = pl.col("strip") == "check"
    given = {
        "harvest_pass": harvest,
        "field": pl.DataFrame({"field": fields}).with_columns(practice=pl.lit(PRACTICE)),
        "season": seasons.with_columns(
            crop=pl.lit("spring wheat"),
            seeded=pl.date(pl.col("season"), 5, 10),
            harvested=pl.date(pl.col("season"), 9, 10),
        ),
        "crop": pl.DataFrame({"crop": ["spring wheat"], "market_moisture_pct": [14.0]}),
        "strip": strips.with_columns(
            role=pl.when(is_check).then(pl.lit("check")).otherwise(pl.lit("treated"))
        ),
        "operation": strips.filter(~is_check).with_columns(
            day=pl.lit(date(2019, 10, 20)), practice=pl.lit(PRACTICE)
        ),
    }
    return {name: generated.conform(frame, TABLES[name]) for name, frame in given.items()}


def pooled(given: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """Comparisons, responses and the pooled response of a book, by their formulas."""
    have = {name: generated.empty(table) for name, table in TABLES.items()} | given
    have["comparison"] = comparison.derive(have["field"], have["strip"])
    sources = {
        "strip_yield": ("harvest_pass", "mapped_pass", "season", "crop"),
        "response": (
            *("strip_yield", "season", "operation", "field", "yield_point_cleaned", "strip"),
        ),
        "response_pooled": ("response", "response_cause", "payback", "comparison"),
    }
    for name, made_from in sources.items():
        found = by_strips(TABLES[name], {n: have[n] for n in (*made_from, "comparison")})
        have[name] = generated.conform(found, TABLES[name])
    return have


def judged(case: Case, farms: int) -> dict[str, object]:
    """One row: site-years and farms that claim, and how often the truth is in the interval."""
    rng = np.random.default_rng([7, case.fields, case.seasons, case.blocks, int(case.effect)])
    claims, cover, width, single = [], [], [], []
    for _ in range(farms):
        have = pooled(tables(case, rng))
        single += (have["response"]["verdict"].is_in(["gain", "loss"])).to_list()
        row = have["response_pooled"].filter(pl.col("grouping") == "all").row(0, named=True)
        claims.append(row["verdict"] in ("gain", "loss"))
        low, high = row["verdict_low_kg_ha"], row["verdict_high_kg_ha"]
        cover.append(low <= case.effect <= high)
        width.append(high - low)
    return {
        "fields": case.fields,
        "seasons": case.seasons,
        "blocks": case.blocks,
        "true kg/ha": case.effect,
        "comparisons claimed %": 100 * float(np.mean(single)),
        "farms claimed %": 100 * float(np.mean(claims)),
        "covered %": 100 * float(np.mean(cover)),
        "width kg/ha": float(np.mean(width)),
    }


CASES = [
    Case(fields, seasons, blocks, effect)
    for effect in (0.0, 180.0)
    for fields, seasons, blocks in ((1, 4, 3), (2, 3, 3), (4, 3, 2), (5, 4, 4))
]

if __name__ == "__main__":
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    print("### Two strips beside one check\n")
    print(f"{number} farms a row: `python -m tests.bench.bench_strips`.\n")
    print(markdown([judged(case, number) for case in CASES]))
