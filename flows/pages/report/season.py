"""A field and each of its seasons: rain, heat, water, roots, uptake, capture, balance, yields, money."""

from datetime import date

import polars as pl

from flows.pages.cells import Block, Line, Row, Section, cell, grid_of, say, say_row
from flows.pages.pictures import rain, trial, uptake, water
from flows.pages.published_tables import Tables
from flows.pages.reader_units import Show
from flows.pages.sections import harvest, irrigation, missing, observations, weather, work

_UPTAKE_COLUMNS = {
    "depth_cm": "Depth",
    "strip": "Strip",
    "uptake_mm": "Uptake",
    "uptake_error_mm": "Standard error",
    "uptake_share": "Share",
    "days": "Days",
    "coverage": "Coverage",
}
_LEAD_COLUMNS = {
    "depth_cm": "Depth",
    "treated_day": "Treated",
    "check_day": "Check",
    "lead_d": "Lead",
    "lead_low_d": "at least",
    "lead_high_d": "at most",
    "coverage": "Coverage",
}


def field_facts(tables: Tables, field: Row, show: Show) -> list[Block]:
    """Say what is known of a field beside its seasons: work, observations; draw its money over the years."""
    known = [name for name in ("practice", "soil", "area_ha") if field[name] is not None]
    template = "; ".join(f"{{{name}}}" for name in known) + "."
    facts = [Line(say_row("field", field, template))] if known else []
    name = field["field"]
    return [
        *facts,
        *work.lines(tables, name),
        *observations.of_field(tables, name),
        *trial.money(tables, name, show),
    ]


def story(tables: Tables, season: Row, show: Show) -> Section:
    """Tell all that is known of a season; parts without data are left out."""
    place = (season["field"], season["season"])
    blocks: list[Block] = [
        _days(season),
        *harvest.recharge(tables, *place),
        *_rain_and_heat(tables, season, show),
        *_water(tables, season, show),
        *harvest.capture(tables, *place),
        *harvest.water_use(tables, *place),
        *harvest.strips(tables, *place),
        *harvest.passes(tables, *place),
        *harvest.response(tables, *place),
        *harvest.limits(tables, *place),
        *harvest.money(tables, *place),
        *missing.lines(tables, *place),
    ]
    return Section(say_row("season", season, "{field} {season}: {crop}"), tuple(blocks), level=3)


def _days(season: Row) -> Line:
    template = "Seeded on {seeded}"
    template += ", harvested on {harvested}" if season["harvested"] else "; the crop still stands"
    template += ", variety {variety}." if season["variety"] else "."
    return Line(say_row("season", season, template))


def _end(tables: Tables, season: Row) -> date:
    """Return the day of harvest, or the last day that any station has."""
    last = season["harvested"] or tables("rain_day", field=season["field"])["day"].max()
    return last if isinstance(last, date) else season["seeded"]


def _rain_and_heat(tables: Tables, season: Row, show: Show) -> list[Block]:
    field, year = season["field"], season["season"]
    out: list[Block] = []
    days = tables("rain_day", field=field, season=year).drop_nulls("season_to_date_mm")
    for (_strip,), own in days.group_by("strip", maintain_order=True):
        for row in own.sort("day").tail(1).to_dicts():
            at = "the {strip} strip" if row["strip"] else "{station}"
            template = f"Rain from seeding to {{day}} at {at}: {{season_to_date_mm}}"
            if row["season_to_date_of_normal_pct"] is None:
                template += "; no normal is known."
            else:
                template += (
                    ", {season_to_date_of_normal_pct} of the normal {season_to_date_normal_mm}."
                )
            if row["season_to_date_doubtful_d"]:
                template += " Days with rain that is hard to believe: {season_to_date_doubtful_d}."
            cover = cell("rain_day", row, "season_to_date_coverage")
            out.append(Line(say_row("rain_day", row, template), cover))
    out += irrigation.of_season(tables, field, year)
    out += rain.by_month(tables, field, season["seeded"], _end(tables, season), show)
    heat = tables("heat_day", field=field, season=year)
    since = "Heat from seeding to {day}: {gdd_clipped_sum_c_d} above {base_temp_c}"
    return [*out, *weather.heat(heat, since)]


def _water(tables: Tables, season: Row, show: Show) -> list[Block]:
    field, year = season["field"], season["season"]
    leads = tables("root_lead", field=field, season=year).filter(pl.col("known") != "neither")
    lead = say("The day on which roots reached each depth, and the lead of the treated strip")
    out: list[Block] = [
        *water.season(tables, season, show),
        *grid_of("root_lead", leads.to_dicts(), _LEAD_COLUMNS, lead),
    ]
    taken = tables("drawdown_season", field=field, season=year).drop_nulls("uptake_mm")
    rows = taken.sort("depth_cm", "strip", descending=[False, True]).to_dicts()
    if rows:
        out.append(uptake.of_season(rows, show))
    caption = "Water taken up by depth, on days that both strips have"
    if any(row["evaporation_mm"] is not None for row in rows):
        caption += "; evaporation from the soil is taken off the layer at the surface"
    return [*out, *grid_of("drawdown_season", rows, _UPTAKE_COLUMNS, say(caption))]
