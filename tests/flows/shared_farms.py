"""Shared tables of invented farms, as ``flows/share/rows.py`` would make them."""

from __future__ import annotations

import random
from collections.abc import Sequence
from datetime import date
from uuid import UUID

import polars as pl

from schemas import generated
from schemas.network import SHARED, shared

CROPS = ("wheat", "canola", "barley")
SOILS = ("clay", "clay loam", "silty clay")
RAIN = ("dry", "normal", "wet")


def farm_id(number: int) -> str:
    return str(UUID(int=number + 1))


def tables(
    farm: str,
    seed: int,
    *,
    fields: int = 2,
    seasons: Sequence[int] = (2021, 2022, 2023),
    crops: Sequence[str] = CROPS,
    practice: str = "deep tillage",
    effect: float = 5.0,
    money: bool = True,
) -> dict[str, pl.DataFrame]:
    """Return the shared tables of a farm whose treated strips yield ``effect`` percent more, with scatter."""
    draw = random.Random(seed)
    own = effect + draw.gauss(0, 3)
    rows: dict[str, list[dict[str, object]]] = {name: [] for name in SHARED}
    sides = {"strip": "treated", "against": "check"}
    for number in range(fields):
        field = f"{farm[-4:]}{number}"
        where = {"farm": farm, "field": field}
        there = own + draw.gauss(0, 2)
        worked = date(seasons[0] - 1, 10, 1)
        rows["field"].append({**where, "soil_texture": draw.choice(SOILS), "practice": practice})
        rows["comparison"].append(
            {**where, **sides, "name": field, "practice": practice, "against_role": "check"}
        )
        rows["operation"].append(
            {**where, "strip": "treated", "day": worked, "practice": practice, "depth_cm": 40.0}
        )
        for season in seasons:
            crop = crops[(season + number) % len(crops)]
            at = {**where, "season": season, **sides, "crop": crop}
            pct = there + draw.gauss(0, 3)
            since = season - seasons[0] + 1
            rows["season"].append(
                {
                    **where,
                    "season": season,
                    "crop": crop,
                    "seeded": date(season, 5, 1),
                    "harvested": date(season, 9, 1),
                }
            )
            rows["response"].append(
                {
                    **at,
                    "practice": practice,
                    "operation_day": worked,
                    "years_since": since,
                    "check_worked": False,
                    "blocks": 4,
                    "treated_kg_ha": 3000 * (1 + pct / 100),
                    "check_kg_ha": 3000.0,
                    "response_kg_ha": 30 * pct,
                    "response_pct": pct,
                    "response_se_kg_ha": 60.0,
                    "response_df": 9.0,
                    "coverage": 1.0,
                    "partial": False,
                }
            )
            rain = {"season_rain": RAIN[season % 3], "practice": practice}
            rows["response_cause"].append({**at, **rain})
            rows["root_lead"].append(
                {**at, "depth_cm": 60.0, "lead_d": 4.0, "lead_low_d": 1.0, "lead_high_d": 7.0}
                | {"known": "both", "coverage": 1.0, "partial": False}
            )
            change = pct / 2
            for strip, other in (("treated", "check"), ("check", "treated")):
                by_strip = at | {"strip": strip, "against": other, "partial": False}
                more = 10.0 if strip == "treated" else 0.0
                rows["drawdown_season"].append(
                    {**by_strip, "depth_cm": 60.0, "uptake_mm": 30 + more, "uptake_error_mm": 2.0}
                    | {"coverage": 1.0}
                )
                rows["recharge_winter"].append(
                    {**by_strip, "recharge_mm": 80 + more, "recharge_gain_mm": 10.0}
                    | {"recharge_share": 0.4 + more / 200}
                )
                rows["water_use_season"].append(
                    {**by_strip, "efficiency_change_pct": change, "coverage": 1.0}
                    | {"efficiency_change_low_pct": change - 2}
                    | {"efficiency_change_high_pct": change + 2}
                )
            rows["capture_season"].append(
                {**at, "days_after": 1, "difference": 0.05, "partial": False}
                | {"difference_low": 0.01, "difference_high": 0.09}
            )
            rows["payback"].append(
                {**at, "operation_day": worked, "practice": practice, "years_since": since}
                | {"cost_per_ha": 60.0, "cost_partial": False, "marginal_net_per_ha": 9 * pct}
                | {"season_net_per_ha": 9 * pct, "season_net_se_per_ha": 20.0, "partial": False}
            )
    kept = {name: found for name, found in rows.items() if money or name != "payback"}
    return {name: _frame(name, found) for name, found in kept.items()}


def _frame(name: str, rows: list[dict[str, object]]) -> pl.DataFrame:
    table = shared(name)
    schema = generated.polars_schema(table)
    named = [{column: row.get(column) for column in schema} for row in rows]
    return pl.DataFrame(named, schema=schema).sort(table.key)
