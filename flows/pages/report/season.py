"""One field's season: rain, heat, water, roots, uptake, capture, balance, yields, money."""

from __future__ import annotations

from datetime import date

import polars as pl

from flows.pages.cells import Block, Grid, Line, Row, Section, cell, line, say
from flows.pages.pictures import rain, trial, uptake, water
from flows.pages.published_tables import Tables, last_row
from flows.pages.reader_units import Show
from flows.pages.sections import harvest
from flows.pages.sections.harvest import grid_of
from flows.pages.sections.weather import CORN


def story(tables: Tables, season: Row, show: Show) -> Section:
    """All that is known of a season; parts without data are left out."""
    place = (season["field"], season["season"])
    blocks: list[Block] = [_days(season)]
    blocks += _rain_and_heat(tables, season, show)
    blocks += _water(tables, season, show)
    for found in (harvest.capture(tables, *place), harvest.water_use(tables, *place)):
        blocks += found
    yields = (harvest.strips(tables, *place), harvest.passes(tables, *place))
    blocks += [grid for grid in yields if grid is not None]
    blocks += [*harvest.response(tables, *place), *harvest.limits(tables, *place)]
    blocks += harvest.money(tables, *place)
    names = ("field", "season", "crop")
    title = say("{field} {season}: {crop}", **{n: cell("season", season, n) for n in names})
    return Section(title, tuple(blocks), level=3)


def money(tables: Tables, field: str, show: Show) -> list[Block]:
    """The field's money over the years."""
    picture = trial.money(tables, field, show)
    return [picture] if picture is not None else []


def _days(season: Row) -> Line:
    given = {n: cell("season", season, n) for n in ("seeded", "harvested", "variety")}
    told = "Seeded on {seeded}"
    told += ", harvested on {harvested}" if season["harvested"] else "; the crop still stands"
    return Line(say(told + (", variety {variety}." if season["variety"] else "."), **given))


def _end(tables: Tables, season: Row) -> date:
    """Harvest, or the last day that any station has."""
    if season["harvested"] is not None:
        found: date = season["harvested"]
        return found
    last = tables("rain_day", field=season["field"])["day"].max()
    return last if isinstance(last, date) else season["seeded"]


def _rain_and_heat(tables: Tables, season: Row, show: Show) -> list[Block]:
    field, year = season["field"], season["season"]
    out: list[Block] = []
    days = tables("rain_day", field=field, season=year).filter(
        pl.col("season_to_date_mm").is_not_null()
    )
    for (_strip,), own in days.group_by("strip", maintain_order=True):
        row = last_row(own)
        if row is None:
            continue
        names = ("mm", "normal_mm", "of_normal_pct", "coverage")
        given = {n: cell("rain_day", row, f"season_to_date_{n}") for n in names}
        given |= {n: cell("rain_day", row, n) for n in ("strip", "day")}
        told = "Rain from seeding to {day} at the {strip} strip: {mm}"
        told += ", {of_normal_pct} of the normal {normal_mm}." if given["of_normal_pct"].known else "; no normal is known."  # fmt: skip
        out.append(Line(say(told, **given), given["coverage"]))
    picture = rain.by_month(tables, field, season["seeded"], _end(tables, season), show)
    out += [picture] if picture is not None else []
    heat = last_row(tables("heat_day", field=field, season=year).sort("day", "strip"))
    if heat is not None and heat["gdd_clipped_sum_c_d"] is not None:
        names = ("gdd_clipped_sum_c_d", "base_temp_c", "corn_heat_units_sum", "day")
        given = {n: cell("heat_day", heat, n) for n in names}
        told = "Heat from seeding to {day}: {gdd_clipped_sum_c_d} above {base_temp_c}"
        told += ", and corn heat units of {corn_heat_units_sum}." if heat["crop"] in CORN else "."
        out.append(line("heat_day", heat, told, **given))
    return out


def _water(tables: Tables, season: Row, show: Show) -> list[Block]:
    field, year = season["field"], season["season"]
    picture = water.season(tables, season, show)
    out: list[Block] = [picture] if picture is not None else []
    leads = tables("root_lead", field=field, season=year).to_dicts()
    out += [lead for lead in (_leads(leads),) if lead is not None]
    taken = tables("drawdown_season", field=field, season=year).sort(
        "depth_cm", "strip", descending=[False, True]
    )
    rows = taken.filter(pl.col("uptake_mm").is_not_null()).to_dicts()
    if rows:
        out.append(uptake.of_season(rows, show))
        names = {"depth_cm": "Depth", "strip": "Strip", "uptake_mm": "Uptake", "uptake_error_mm": "Standard error", "uptake_share": "Share", "days": "Days", "coverage": "Coverage"}  # fmt: skip
        grid = grid_of("drawdown_season", rows, names, say("Water taken up by depth, on days that both strips have; evaporation from the soil is taken off"))  # fmt: skip
        out += [grid] if grid is not None else []
    return out


def _leads(rows: list[Row]) -> Grid | None:
    """When the roots reached each depth; an open end of the lead stays open."""
    known = [row for row in rows if row["known"] != "neither"]
    names = {"depth_cm": "Depth", "treated_day": "Treated", "check_day": "Check", "lead_d": "Lead", "lead_low_d": "at least", "lead_high_d": "at most", "coverage": "Coverage"}  # fmt: skip
    return grid_of("root_lead", known, names, say("The day on which roots reached each depth, and the lead of the treated strip"))  # fmt: skip
