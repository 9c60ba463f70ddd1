"""What the tables say of a season's tasks: what is done, what is missing, and whether the soil is right."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

import polars as pl

from flows.pages.year.place import Place

BACKUP = timedelta(days=31)
SHEET_D = 60  # a pass sheet made so near to the harvest is of it
PARTS = {"depth_cm": "depth", "speed_km_h": "speed", "area_ha": "area worked"}


def decided(p: Place) -> bool:
    """Whether the practice was done after this harvest, or the plan says that it is not."""
    if p.after is None:
        return p.work is not None
    plan = p.tables("planned_season", field=p.field, season=p.after["season"], work_before="no")
    return p.work is not None or plan.height > 0


def missing_of_work(p: Place) -> list[str]:
    """Return what the book lacks of the last work, for the evidence."""
    if p.work is None:
        return []
    told = p.tables("operation", practice=p.work["practice"])
    # gypsum has no depth: what the book never has of a practice is not missing
    kept = [c for c in PARTS if c == "area_ha" or told[c].is_not_null().any()]
    found = [PARTS[c] for c in kept if p.work[c] is None]
    cost = p.tables("operation_cost", field=p.field, day=p.work["day"], strip="treated")
    if cost.height and cost["partial"].any():
        found.append("cost")
    return found


def missing_of_books(p: Place) -> list[str]:
    """Return what the book lacks to close a season: its price, the cost of the work before it."""
    found = []
    prices = p.tables("price", season=p.season, crop=p.row["crop"])
    if prices.filter(pl.col("field").is_in(["all", p.field])).is_empty():
        found.append("price")
    pay = p.tables("payback", field=p.field, season=p.season)
    if pay.height and pay["cost_partial"].fill_null(True).any():
        found.append("cost of the work")
    return found


def weighed(p: Place) -> bool:
    """Whether both strips of a harvested season have a yield."""
    passes = p.tables("strip_yield", field=p.field, season=p.season)
    return p.harvested is not None and set(passes["strip"]) >= {"treated", "check"}


def doubtful_passes(p: Place) -> pl.DataFrame:
    """Return the passes of a season that look wrong, with a column ``doubt`` that says why."""
    return p.tables("pass_doubt", field=p.field, season=p.season)


def observed(word: str) -> Callable[[Place], bool]:
    """Return whether an observation of the season has this word."""

    def seen(p: Place) -> bool:
        return any(word in str(row["what"]) for row in p.in_season("observation"))

    return seen


def pushed(p: Place) -> bool:
    """Whether both strips were pushed in the season."""
    return {row["strip"] for row in p.in_season("penetrometer")} >= {"treated", "check"}


def moist(p: Place) -> bool:
    """Whether the profile of the strips with a probe is moist enough for the penetrometer."""
    rows = p.rows("measuring_day", p.day, p.day)
    return not rows or rows[-1]["moist"] is not False


def not_wet(p: Place) -> bool:
    """Whether no rain of the last two days still fills the pores that infiltration is measured in."""
    rows = p.rows("measuring_day", p.day, p.day)
    return not rows or rows[-1]["not_wet"] is not False


def lifted(p: Place) -> bool:
    """Whether no probe stood in the field through its seeding."""
    at = p.seeded or p.day
    return not p.stood_through(at)


def batteries(p: Place) -> bool:
    """Whether every battery of the field's instruments was judged good within the fortnight."""
    about = p.tables("station_health", field=p.field).filter(
        pl.col("finding").is_in(["battery failing", "battery falling"]) & pl.col("current")
    )
    good = (pl.col("state") == "good") & (pl.col("to_day") >= p.day - timedelta(days=14))
    return about.height > 0 and about.select(good.all()).item()


def backed_up(p: Place) -> bool:
    """Whether a backup was made within the last month."""
    last = p.made.last_backup if p.made else None
    return last is not None and p.day - last <= BACKUP


def reported(p: Place) -> bool:
    """Whether a report was written after the harvest."""
    return bool(p.made and p.harvested and any(day >= p.harvested for day in p.made.reports))


def sheet_printed(p: Place) -> bool:
    """Whether the season is weighed, or a pass sheet was made for it."""
    harvest = p.anchor("harvest")
    made = p.made.pass_sheets if p.made else ()
    near = harvest and any(abs((harvest - day).days) <= SHEET_D for day in made)
    return weighed(p) or bool(near)
