"""The kinds of result that a season has: pages and audit report one that is missing, and why."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Result:
    """A kind of result: its table and column, what pages call it, and why there is no row of it."""

    table: str
    column: str
    name: str
    without: str


_NO_SEASON = "the field book has no such season"
_NO_PROBE = "no soil probe of the field reported in that season"

# Response and money have sentences of their own.
RESULTS: tuple[Result, ...] = (
    Result("water_use_season", "crop_et_mm", "crop water demand", _NO_SEASON),
    Result("capture_season", "capture_treated", "capture of rain", _NO_SEASON),
    Result("drawdown_season", "uptake_mm", "water uptake by depth", _NO_PROBE),
    Result("root_arrival", "day", "day on which roots arrived", _NO_PROBE),
    Result("water_use_season", "water_use_efficiency_kg_ha_mm", "water use efficiency", _NO_SEASON),
)
