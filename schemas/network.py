"""What a farm shares with a network: which tables, which columns, and what stays hidden.

Everything else stays on the farm. Free text (notes, reasons, limits) is never shared, names of fields and
of strips are hashed, and prices, costs and net only go along if the farm's ``[share]`` says so.
"""

from dataclasses import replace
from functools import cache

from schemas.catalogue import TABLES
from schemas.shared_columns import FARM_ID
from schemas.table import Table

# Table: the columns that are shared beside its key.
SHARED: dict[str, tuple[str, ...]] = {
    "comparison": ("name", "practice", "worked_with", "against_role"),
    "field": ("soil_texture", "practice"),
    "season": ("crop", "seeded", "emerged", "harvested"),
    "operation": ("counts_for", "depth_cm"),
    "response": (
        *("crop", "practice", "operation_day", "years_since", "check_worked", "blocks"),
        *("treated_kg_ha", "check_kg_ha", "response_kg_ha", "response_pct", "response_se_kg_ha"),
        *("response_df", "lasting_se_kg_ha", "randomized", "coverage", "partial"),
    ),
    "response_cause": ("crop", "practice", "season_rain", "season_rain_of_normal_pct"),
    "root_lead": ("crop", "lead_d", "lead_low_d", "lead_high_d", "known", "coverage", "partial"),
    "drawdown_season": (
        *("crop", "uptake_mm", "uptake_error_mm", "uptake_share", "days", "coverage", "partial"),
    ),
    "water_use_season": (
        *("crop", "rain_mm", "water_use_mm", "yield_kg_ha", "water_use_efficiency_kg_ha_mm"),
        *("efficiency_change_pct", "efficiency_change_low_pct", "efficiency_change_high_pct"),
        *("coverage", "partial"),
    ),
    "recharge_winter": ("crop", "recharge_mm", "recharge_share", "recharge_gain_mm", "partial"),
    "capture_season": ("crop", "difference", "difference_low", "difference_high", "partial"),
    "payback": (
        *("crop", "practice", "years_since", "cost_per_ha", "cost_partial", "season_net_per_ha"),
        *("season_net_se_per_ha", "marginal_net_per_ha", "cumulative_net_per_ha", "verdict"),
        "partial",
    ),
}
MONEY = frozenset({"payback"})
# Names that the farm gave: nobody outside learns them. Usual words for strips stay.
HASHED = ("field", "name", "strip", "against")
PLAIN_STRIPS = ("treated", "check", "both")


@cache
def shared(name: str) -> Table:
    """Return the declaration of a table as it is shared: ``farm`` in its key, the shared columns only."""
    table = TABLES[name]
    names = {*table.key, *SHARED[name]}
    if missing := names - set(table.names):
        raise ValueError(f"{name} has no column {', '.join(sorted(missing))}")
    columns = (replace(c, provenance=False) for c in table.columns if c.name in names)
    return replace(
        table, row=f"{table.row}, of one farm", columns=(FARM_ID, *columns), compared=None
    )
