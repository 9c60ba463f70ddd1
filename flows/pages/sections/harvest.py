"""Harvest and money: yields, response, what the trial can say, and what it has earned."""

from __future__ import annotations

from datetime import date

import polars as pl

from flows.pages.cells import Grid, Line, Phrase, Row, cell, line, say
from flows.pages.published_tables import Tables
from flows.pages.sections.soil import STRIPS

NOT_ADVICE = "Figures of yield and money are evidence from one farm, not advice."
_VERDICTS = {
    "gain": "That is a gain.",
    "loss": "That is a loss.",
    "not shown": "A difference is not shown, which is not the same as no difference.",
    "not tested": "It was not tested.",
}


def response(tables: Tables, field: str, season: int) -> list[Line]:
    """The response of a site-year with its interval, and what it cannot tell."""
    out = []
    for row in tables("response", field=field, season=season).to_dicts():
        names = ("field", "season", "response_kg_ha", "response_low_kg_ha", "response_high_kg_ha", "treated_kg_ha", "check_kg_ha", "crop")  # fmt: skip
        given = {name: cell("response", row, name) for name in names}
        given["response_kg_ha"] = given["response_kg_ha"].with_sign()
        if row["response_kg_ha"] is None:
            why = cell("response", row, "reason")
            out.append(Line(say("{field} {season}: no response can be made: {why}", why=why, field=given["field"], season=given["season"])))  # fmt: skip
            continue
        told = "{field} {season}, {crop}: treated {treated_kg_ha}, check {check_kg_ha}; response {response_kg_ha}"
        if row["response_low_kg_ha"] is not None:
            given["response_low_kg_ha"] = given["response_low_kg_ha"].with_sign()
            given["response_high_kg_ha"] = given["response_high_kg_ha"].with_sign()
            told += ", between {response_low_kg_ha} and {response_high_kg_ha} with a certainty of nineteen in twenty"
        out.append(line("response", row, told + ". " + _VERDICTS[row["verdict"]], **given))
    return out


def limits(tables: Tables, field: str, season: int) -> list[Line]:
    """What a site-year cannot tell, in the table's words."""
    rows = tables("response", field=field, season=season).filter(pl.col("limits").is_not_null())
    return [Line((cell("response", row, "limits"),)) for row in rows.to_dicts()]


def strips(tables: Tables, field: str, season: int) -> Grid | None:
    """The yield of each strip by each method."""
    found = tables("strip_yield", field=field, season=season)
    found = found.filter(
        (pl.col("pass") == "all")
        & ((pl.col("method") == "combined") | pl.col("methods_disagree").fill_null(False))
    ).sort("strip", "method", descending=[True, False])
    names = {"strip": "Strip", "method": "Measured by", "yield_kg_ha": "Yield", "yield_se_kg_ha": "Standard error", "moisture_pct": "Moisture", "passes": "Passes", "coverage": "Coverage"}  # fmt: skip
    return grid_of("strip_yield", found.to_dicts(), names, say("Yield of the strips on {field}, at market moisture", field=_name(tables, field)))  # fmt: skip


def passes(tables: Tables, field: str, season: int) -> Grid | None:
    """The yield of each pass that was compared."""
    found = tables("strip_yield", field=field, season=season)
    found = found.filter((pl.col("pass") != "all") & pl.col("used")).sort("block", "strip", descending=[False, True])  # fmt: skip
    names = {"block": "Block", "strip": "Strip", "pass": "Pass", "method": "Measured by", "yield_kg_ha": "Yield", "moisture_pct": "Moisture"}  # fmt: skip
    return grid_of("strip_yield", found.to_dicts(), names, say("The passes compared on {field}", field=_name(tables, field)))  # fmt: skip


def money(tables: Tables, field: str, season: int) -> list[Line]:
    """What the operation has earned by the end of a season."""
    out = []
    for row in tables("payback", field=field, season=season).to_dicts():
        names = ("field", "operation_day", "season", "cost_per_ha", "season_net_per_ha", "cumulative_net_per_ha", "cumulative_low_per_ha", "cumulative_high_per_ha", "paid_chance", "practice")  # fmt: skip
        given = {name: cell("payback", row, name) for name in names}
        if row["cumulative_net_per_ha"] is None:
            why = cell("payback", row, "reason")
            out.append(Line(say("{field} {season}: the money cannot be told: {why}", why=why, field=given["field"], season=given["season"])))  # fmt: skip
            continue
        for name in names[4:8]:
            given[name] = given[name].with_sign()
        told = "The {practice} of {operation_day} on {field} cost {cost_per_ha}; season {season} added {season_net_per_ha}, which leaves {cumulative_net_per_ha}"
        if row["cumulative_low_per_ha"] is not None:
            told += " (between {cumulative_low_per_ha} and {cumulative_high_per_ha})"
        told += ". It has paid" if row["paid"] else ". It has not paid yet"
        told += "; the chance that it truly has is {paid_chance}." if given["paid_chance"].known else "."  # fmt: skip
        out.append(line("payback", row, told, **given))
    return out


def water_use(tables: Tables, field: str, season: int) -> list[Line]:
    """Water use efficiency of the strips."""
    rows = {r["strip"]: r for r in tables("water_use_season", field=field, season=season).to_dicts()}  # fmt: skip
    told = []
    for strip in STRIPS:
        row = rows.get(strip)
        if row is None or row["water_use_efficiency_kg_ha_mm"] is None:
            continue
        names = ("field", "season", "water_use_mm", "water_use_efficiency_kg_ha_mm")
        given = {name: cell("water_use_season", row, name) for name in names}
        told.append(line("water_use_season", row, "{field} {season}: the " + strip + " strip used {water_use_mm} of water and made {water_use_efficiency_kg_ha_mm} of it.", **given))  # fmt: skip
    change = next(iter(rows.values()), None)
    if change is not None and change["efficiency_change_pct"] is not None:
        wide = ("efficiency_change_pct", "efficiency_change_low_pct", "efficiency_change_high_pct")
        given = {name: cell("water_use_season", change, name).with_sign() for name in wide}
        words = "Treated over check that is {efficiency_change_pct}"
        if given[wide[1]].known and given[wide[2]].known:
            words += ", between {efficiency_change_low_pct} and {efficiency_change_high_pct}"
        told.append(Line(say(words + ".", **given)))
    return told


def capture(tables: Tables, field: str, season: int) -> list[Line]:
    """Capture of the season's rain, two days after its end."""
    out = []
    for row in tables("capture_season", field=field, season=season, days_after=2).to_dicts():
        if row["capture_treated"] is None or row["capture_check"] is None:
            continue
        names = ("field", "capture_treated", "capture_check", "common_events", "difference_low", "difference_high")  # fmt: skip
        given = {name: cell("capture_season", row, name) for name in names}
        told = "Of the rain on {field} the treated strip held {capture_treated} two days after its end, the check {capture_check} (rain events compared: {common_events})"
        if row["difference_low"] is not None:
            given |= {n: given[n].with_sign() for n in ("difference_low", "difference_high")}
            told += "; the difference lies between {difference_low} and {difference_high}"
        out.append(line("capture_season", row, told + ".", **given))
    return out


def fall(tables: Tables, field: str, year: int, by: date) -> list[Line]:
    """What working the field that fall should earn, with the caution of its row."""
    out = []
    for row in tables("field_outlook", field=field, fall=year).to_dicts():
        names = ("field", "fall", "outlook", "expected_net_per_ha", "net_low_per_ha", "net_high_per_ha", "net_chance", "soil_state", "soil_state_day")  # fmt: skip
        given = {name: cell("field_outlook", row, name) for name in names}
        told = "{field}, fall {fall}: {outlook}"
        if row["expected_net_per_ha"] is not None:
            told += "; expected net {expected_net_per_ha}"
            given["expected_net_per_ha"] = given["expected_net_per_ha"].with_sign()
        if row["net_low_per_ha"] is not None:
            given |= {n: given[n].with_sign() for n in ("net_low_per_ha", "net_high_per_ha")}
            told += " (between {net_low_per_ha} and {net_high_per_ha})"
        told += ". "
        if row["soil_state"] is not None and row["soil_state_day"] <= by:
            told += "Soil at working depth on {soil_state_day}: {soil_state}."
        out.append(line("field_outlook", row, told, **given))
        out.append(Line((cell("field_outlook", row, "caution"),)))
    return out


def _name(tables: Tables, field: str) -> Phrase:
    rows = tables("field", field=field).to_dicts()
    return (cell("field", rows[0], "field"),) if rows else ()


def grid_of(table: str, rows: list[Row], names: dict[str, str], caption: Phrase) -> Grid | None:
    """A table of rows; reasons of the partial ones below it, each once."""
    if not rows:
        return None
    body = tuple(tuple((cell(table, row, name),) for name in names) for row in rows)
    notes = {row["reason"]: Line((cell(table, row, "reason"), ".")) for row in rows if row["partial"] and row["reason"]}  # fmt: skip
    return Grid(caption, tuple((head,) for head in names.values()), body, tuple(notes.values()))
