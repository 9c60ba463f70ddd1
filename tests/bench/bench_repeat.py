"""Money of a repeat against the truth: a first working that fades, and a repeat that restores or adds nothing.

``python -m tests.bench.bench_repeat`` prints the section of FIGURES.md.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from schemas import generated
from schemas.catalogue import TABLES
from tests.bench.bench_trial import markdown
from transforms.money import operation_cost, payback

LEVEL, PRICE, COST = 3000.0, 0.25, 60.0  # kg/ha, currency by kg and by ha
BEGUN = 2018


@dataclass(frozen=True, slots=True)
class Case:
    """Fields of a farm, harvests before and after the repeat in one of them, and the true fade.

    In percent of the check yield: the response of the first year and its change by year, the spread
    of fields and of seasons, the standard error of a site-year.
    """

    restores: bool
    fields: int = 3
    before: int = 4
    after: int = 2
    first: float = 6.0
    change: float = -1.5
    between: float = 1.5
    seasons: float = 1.0
    error: float = 1.2


def judged(case: Case, farms: int, seed: int = 0) -> pl.DataFrame:
    """The last season's row of ``payback`` of each farm's repeat, with the true money, ``true``."""
    rng = np.random.default_rng([seed, case.fields, case.before, case.restores])
    rows: dict[str, list[dict[str, object]]] = {"response": [], "operation": [], "field": []}
    truth = {}
    for farm in range(farms):
        for at in range(case.fields):
            name = f"{farm}-{at}"
            found, added = _field(case, rng, repeated=at == 0)
            place = {"field": name, "practice": f"practice {farm}"}
            rows["field"].append(place)
            rows["response"] += [place | row for row in found]
            days = {row["operation_day"] for row in found}
            work = {"strip": "treated", "contract_cost_per_ha": COST}
            rows["operation"] += [place | work | {"day": day} for day in sorted(days, key=str)]
            if at == 0:
                truth[name] = added - COST
    tables = {name: _table(name, pl.DataFrame(items)) for name, items in rows.items()}
    out = payback.derive(
        response=tables["response"],
        strip_yield=generated.empty(TABLES["strip_yield"]),
        operation=tables["operation"],
        field=tables["field"],
        season=_table("season", _seasons(tables["response"])),
        operation_cost=operation_cost.derive(tables["operation"]),
        price=_table("price", _prices(case)),
        cost=generated.empty(TABLES["cost"]),
        farm=generated.empty(TABLES["farm"]),
    )
    last = out.filter(pl.col("earlier_day").is_not_null()).sort("field", "season")
    return (
        last.group_by("field", maintain_order=True)
        .last()
        .with_columns(true=pl.col("field").replace_strict(truth, return_dtype=pl.Float64))
    )


def _field(
    case: Case, rng: np.random.Generator, *, repeated: bool
) -> tuple[list[dict[str, object]], float]:
    """A field's rows of ``response``, and the true money that its repeat added."""
    level = case.first + rng.normal(0, case.between)
    rows: list[dict[str, object]] = []
    added = 0.0
    for i in range(case.before + case.after):
        again = repeated and i >= case.before
        years = i + 1 - (case.before if again else 0)
        scatter = rng.normal(0, case.seasons)
        alone = _faded(level, case.change, i + 1) + scatter
        true = _faded(level, case.change, years) + scatter if again and case.restores else alone
        added += (true - alone) * LEVEL / 100 * PRICE
        rows.append(
            {
                "season": BEGUN + 1 + i,
                "crop": "spring wheat",
                "operation_day": date(BEGUN + (case.before if again else 0), 10, 20),
                "years_since": years,
                "response_kg_ha": (true + rng.normal(0, case.error)) * LEVEL / 100,
                "check_kg_ha": LEVEL,
                "response_se_kg_ha": case.error * LEVEL / 100,
                "response_df": 12.0,
                "own_df": 4.0,
                "blocks": 5,
                "check_worked": False,
            }
        )
    return rows, added


def _faded(level: float, change: float, years: int) -> float:
    return max(level + change * (years - 1), min(level, 0.0))


def _table(name: str, frame: pl.DataFrame) -> pl.DataFrame:
    return generated.conform(frame, TABLES[name])


def _seasons(response: pl.DataFrame) -> pl.DataFrame:
    return response.select(
        "field",
        "season",
        "crop",
        seeded=pl.date(pl.col("season"), 5, 10),
        harvested=pl.date(pl.col("season"), 9, 10),
    )


def _prices(case: Case) -> pl.DataFrame:
    return pl.DataFrame(
        {"season": [BEGUN + 1 + i for i in range(case.before + case.after)]}
    ).with_columns(field=pl.lit("all"), crop=pl.lit("spring wheat"), price_per_kg=pl.lit(PRICE))


CASES = [
    Case(restores, fields, before, change=change)
    for restores in (False, True)
    for fields, before, change in (
        (1, 4, -1.5),
        (3, 3, -1.5),
        (3, 4, -1.5),
        (5, 5, -1.0),
        (4, 4, 0.0),
    )
]


def table(farms: int) -> list[dict[str, object]]:
    """One row a case: how often the true money is in the interval, and what is said."""
    rows = []
    for case in CASES:
        found = judged(case, farms)
        true = found["true"]
        inside = (found["cumulative_low_per_ha"] <= true) & (
            true <= found["cumulative_high_per_ha"]
        )
        says = {
            word: 100 * float((found["repeat_adds"] == word).mean())
            for word in ("adds", "takes away")
        }
        sure = found.filter(found["verdict"].is_in(["paid"]))
        rows.append(
            {
                "the repeat": "restores" if case.restores else "adds nothing",
                "fields": case.fields,
                "harvests before": case.before,
                "fade %/year": case.change,
                "true net": float(true.mean()),
                "net shown, mean": float(found["cumulative_net_per_ha"].mean()),
                "covered %": 100 * float(inside.mean()),
                "'adds' %": says["adds"],
                "'takes away' %": says["takes away"],
                "'paid' %": 100 * sure.height / found.height,
            }
        )
    return rows


if __name__ == "__main__":
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    print(f"### Money of a repeat\n\n{number} farms a row: `python -m tests.bench.bench_repeat`.\n")
    print(markdown(table(number)))
