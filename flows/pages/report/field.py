"""One page a field: what it earned and showed, season by season, and why."""

from dataclasses import replace
from datetime import date

from flows.pages.cells import (
    WHOLE,
    Block,
    Line,
    Phrase,
    Row,
    Section,
    cell,
    grid,
    joined,
    say,
    say_row,
)
from flows.pages.pictures import rain, trial, uptake, water
from flows.pages.published_tables import Tables, last_row
from flows.pages.reader_units import Show
from flows.pages.sections import (
    harvest,
    irrigation,
    missing,
    short,
    vegetation,
    weather,
)
from flows.pages.sections.at_odds import at_odds

_SEASON_HEADS = (
    "Season",
    "Treated",
    "Check",
    "Response",
    "Rain of normal",
    "Root lead",
    "Deep water",
    "Net since the work",
)
_PARTLY = ("response", "payback", "root_lead")


def section(tables: Tables, field: Row, seasons: list[Row], show: Show) -> Section:
    """Return a field's page: the last of the seasons in full, the others a row each."""
    last = seasons[-1]
    place = (last["field"], last["season"])
    blocks: list[Block] = [
        *_facts(field, last),
        *harvest.money(tables, *place),
        *harvest.response(tables, *place),
        *_fall(tables, field),
        *_seasons(tables, seasons),
        *trial.money(tables, field["field"], show),
        *water.season(tables, last, show),
        *_uptake(tables, last, show),
        *rain.by_month(tables, field["field"], last["seeded"], _end(tables, last), show),
        *_rain(tables, last),
        *irrigation.of_season(tables, *place),
        *vegetation.of_season(tables, *place),
        *weather.heat(
            tables("heat_day", field=place[0], season=place[1]),
            "Heat from seeding to {day}: {gdd_clipped_sum_c_d} above {base_temp_c}",
        ),
        *missing.lines(tables, *place),
    ]
    title = say_row("season", last, "{field} {season}: {crop}")
    return Section(title, tuple(blocks), new_page=True)


def _facts(field: Row, season: Row) -> list[Line]:
    """Say what the field is, and when the season's crop was seeded and harvested."""
    known = [name for name in ("practice", "soil", "area_ha") if field[name] is not None]
    facts = say_row("field", field, "; ".join(f"{{{name}}}" for name in known) + ". ")
    template = "Seeded on {seeded}"
    template += ", harvested on {harvested}" if season["harvested"] else "; the crop still stands"
    template += ", variety {variety}." if season["variety"] else "."
    return [Line((*facts, *say_row("season", season, template)))]


def _fall(tables: Tables, field: Row) -> list[Line]:
    row = tables.one("field_outlook", field=field["field"])
    if row is None:
        return []
    by = row["soil_state_day"] or row["operation_day"]
    return harvest.fall(tables, row["field"], row["fall"], by, caution=False)


def _seasons(tables: Tables, seasons: list[Row]) -> list[Block]:
    """Return the seasons as a table; below it why a verdict and its interval could look at odds."""
    known = [_of_season(tables, row) for row in seasons]
    weighed = [one for one in known if one["response"] is not None]
    if not weighed:
        return []
    notes = short.partial_notes(
        ((table, one[table]) for table in _PARTLY for one in weighed), "Partial: "
    )
    caption = "Season by season, treated minus check; in brackets 95% intervals, of root lead 90%"
    table = grid(say(caption), _SEASON_HEADS, [_row(one) for one in weighed], notes)
    # The last season has its sentences above the table.
    earlier = [one for one in weighed if one["season"] != seasons[-1]]
    return [replace(table, records=True), *_why(earlier)]


def _why(seasons: list[dict[str, Row | None]]) -> list[Line]:
    """Say why an interval and a verdict could look at odds: each reason once, with its seasons."""
    found: dict[str, list[Phrase]] = {}
    for one in seasons:
        response, money = one["response"], one["payback"]
        if response is not None and at_odds(response, "response_low_kg_ha", "response_high_kg_ha"):
            name = say_row("response", response, "{season} ({verdict})")
            found.setdefault(harvest.verdict(response), []).append(name)
        if money is not None and (why := harvest.why_money(money)):
            name = say_row("payback", money, "{season} ({verdict})")
            found.setdefault(why.strip(), []).append(name)
    return [Line(say("{names}: " + why, names=joined(names))) for why, names in found.items()]


def _of_season(tables: Tables, season: Row) -> dict[str, Row | None]:
    place = {"field": season["field"], "season": season["season"]}
    days = tables("rain_day", **place).drop_nulls("season_to_date_of_normal_pct")
    return {
        "season": season,
        "response": tables.one("response", **place),
        "rain_day": last_row(days.sort("strip", descending=True)),
        "root_lead": short.lead(tables, season["field"], season["season"]),
        "response_cause": tables.one("response_cause", **place),
        "payback": tables.one("payback", **place),
    }


def _row(one: dict[str, Row | None]) -> tuple[Phrase, ...]:
    response, money, season = one["response"], one["payback"], one["season"]
    assert season is not None
    ends = ("cumulative_low_per_ha", "cumulative_high_per_ha")
    net = short.between("payback", money, "cumulative_net_per_ha", *ends)
    if money is not None and money["verdict"] is not None:
        net = (*net, *say_row("payback", money, ", {verdict}"))
    return (
        say_row("season", season, "{season} {crop}"),
        short.value("response", response, "treated_kg_ha"),
        short.value("response", response, "check_kg_ha"),
        short.response(response),
        short.value("rain_day", one["rain_day"], "season_to_date_of_normal_pct"),
        short.lead_at(one["root_lead"]),
        short.value("response_cause", one["response_cause"], "deep_uptake_gain_mm", signed=True),
        net,
    )


def _uptake(tables: Tables, season: Row, show: Show) -> list[Block]:
    found = tables("drawdown_season", field=season["field"], season=season["season"])
    rows = found.drop_nulls("uptake_mm").sort("depth_cm", "strip", descending=[False, True])
    return [uptake.of_season(rows.to_dicts(), show)] if rows.height else []


def _end(tables: Tables, season: Row) -> date:
    """Return the day of harvest, or the last day that any station has."""
    last = season["harvested"] or tables("rain_day", field=season["field"])["day"].max()
    return last if isinstance(last, date) else season["seeded"]


def _rain(tables: Tables, season: Row) -> list[Line]:
    """Say the rain since seeding at each station against its normal, with the least coverage."""
    found = tables("rain_day", field=season["field"], season=season["season"])
    found = found.drop_nulls("season_to_date_mm").sort("day")
    last = found.unique("station", keep="last").sort("strip", "station", descending=[True, False])
    rows = last.to_dicts()
    if not rows:
        return []
    least = min(rows, key=lambda row: row["season_to_date_coverage"] or 0.0)
    share = least["season_to_date_coverage"]
    cover = cell("rain_day", least, "season_to_date_coverage") if (share or 0.0) < WHOLE else None
    rains = joined([_rain_at(row) for row in rows], between="; ", last="; ")
    return [Line(say("Rain since seeding: {rains}.", rains=rains), cover)]


def _rain_at(row: Row) -> Phrase:
    template = "{strip} strip" if row["strip"] else "{station}"
    template += " {season_to_date_mm} by {day}"
    if row["season_to_date_of_normal_pct"] is None:
        template += " (no normal is known)"
    else:
        template += " ({season_to_date_of_normal_pct} of the normal {season_to_date_normal_mm})"
    if row["season_to_date_doubtful_d"]:
        template += ", days with rain that is hard to believe: {season_to_date_doubtful_d}"
    return say_row("rain_day", row, template)
