"""Harvest and money: yields, response, what the trial can say, and what it has earned."""

from datetime import date

import polars as pl

from flows.pages.cells import Grid, Line, Row, cell, grid_of, line, say, say_row
from flows.pages.published_tables import Tables
from flows.pages.sections import worth
from flows.pages.sections.soil import STRIPS

NOT_ADVICE = "Figures of yield and money are evidence from one farm, not advice."
_VERDICTS = {
    "gain": "That is a gain.",
    "loss": "That is a loss.",
    "not shown": "A difference is not shown, which is not the same as no difference.",
    "cannot tell yet": "Cannot tell yet: too few passes have shown how much blocks scatter.",
    "not tested": "This was not tested.",
}
_NOT_TESTED_BEFORE = "This was before the work: what differs is the ground."
_NOT_TESTED_CHECK = "The check strip was worked too, so this is no test."
_STANDING = {
    "paid": "It has paid",
    "probably paid": "It has probably paid",
    "cannot tell yet": "Cannot tell yet whether it has paid",
    "probably not": "It has probably not paid yet",
    "not paid": "It has not paid yet",
}
_FIRST = (
    "The {practice} of {operation_day} on {field} cost {cost_per_ha}; season {season} added "
    "{season_net_per_ha:+}, which leaves {cumulative_net_per_ha:+}"
)
_REPEATED = (
    "The {practice} of {operation_day} on {field} was a repeat and cost {cost_per_ha}. In season "
    "{season} the treated strip earned {season_net_per_ha:+} more than its check; without the repeat "
    "the work of {earlier_day} would still have given {earlier_kg_ha:+} (95% interval "
    "{earlier_low_kg_ha:+} to {earlier_high_kg_ha:+}), so the repeat added {marginal_net_per_ha:+}, "
    "which leaves {cumulative_net_per_ha:+}"
)
_REPEAT_ADDS = {
    "adds": " Before its cost the repeat added money.",
    "not shown": " That the repeat added anything, its cost aside, is not shown.",
    "takes away": " Even before its cost the repeat earned less than the earlier work alone would have.",
}
OUTLOOK = {
    "pays": "working it pays",
    "probably pays": "working it probably pays",
    "cannot tell yet": "cannot tell yet whether working it pays",
    "probably not": "working it probably does not pay",
    "does not pay": "working it does not pay",
}
_STRIP_COLUMNS = {
    "strip": "Strip",
    "method": "Measured by",
    "yield_kg_ha": "Yield",
    "yield_se_kg_ha": "Standard error",
    "moisture_pct": "Moisture",
    "passes": "Passes",
    "coverage": "Coverage",
}
_PASS_COLUMNS = {
    "block": "Block",
    "strip": "Strip",
    "pass": "Pass",
    "method": "Measured by",
    "yield_kg_ha": "Yield",
    "moisture_pct": "Moisture",
}


def response(tables: Tables, field: str, season: int) -> list[Line]:
    """Say the response of a site-year with its interval, or why there is none."""
    out = []
    for row in tables("response", field=field, season=season).to_dicts():
        if row["response_kg_ha"] is None:
            no_response = "{field} {season}: no response can be made: {reason}"
            out.append(Line(say_row("response", row, no_response)))
            continue
        template = (
            "{field} {season}, {crop}: treated {treated_kg_ha}, check {check_kg_ha}; "
            "response {response_kg_ha:+}"
        )
        if row["response_pct"] is not None:
            template += ", {response_pct:+} of the check"
        if row["response_low_kg_ha"] is not None:
            template += " (95% interval {response_low_kg_ha:+} to {response_high_kg_ha:+}"
            if row["response_low_pct"] is not None:
                template += ", {response_low_pct:+} to {response_high_pct:+}"
            template += ")"
        template += f". {verdict(row)}"
        if row["ground_kg_ha"] is not None:
            template += (
                " Before the work the treated strip differed by {before_kg_ha:+}; of that"
                " {ground_kg_ha:+} is taken off as ground."
            )
        out.append(line("response", row, template))
    return out


def verdict(row: Row) -> str:
    """Return the verdict as a sentence, with its reason if nothing was tested."""
    if row["verdict"] != "not tested":
        return _VERDICTS[row["verdict"]]
    if row["operation_day"] is None:
        return _NOT_TESTED_BEFORE
    return _NOT_TESTED_CHECK if row["check_worked"] else _VERDICTS["not tested"]


def limits(tables: Tables, field: str, season: int) -> list[Line]:
    """Say what a site-year cannot tell, in the table's words."""
    rows = tables("response", field=field, season=season).filter(pl.col("limits").is_not_null())
    return [Line((cell("response", row, "limits"),)) for row in rows.to_dicts()]


def strips(tables: Tables, field: str, season: int) -> list[Grid]:
    """Return the yield of each strip by each method."""
    found = tables("strip_yield", field=field, season=season).filter(
        (pl.col("pass") == "all")
        & ((pl.col("method") == "combined") | pl.col("methods_disagree").fill_null(False))
    )
    rows = found.sort("strip", "method", descending=[True, False])
    caption = "Yield of the strips on {field}, at market moisture"
    return _yields(tables, field, rows, _STRIP_COLUMNS, caption)


def passes(tables: Tables, field: str, season: int) -> list[Grid]:
    """Return the yield of each pass that was compared."""
    found = tables("strip_yield", field=field, season=season)
    found = found.filter((pl.col("pass") != "all") & pl.col("used"))
    rows = found.sort("block", "strip", descending=[False, True])
    return _yields(tables, field, rows, _PASS_COLUMNS, "The passes compared on {field}")


def _yields(
    tables: Tables, field: str, rows: pl.DataFrame, heads: dict[str, str], caption: str
) -> list[Grid]:
    known = tables("field", field=field).to_dicts()
    name = (cell("field", known[0], "field"),) if known else ()
    return grid_of("strip_yield", rows.to_dicts(), heads, say(caption, field=name))


def money(tables: Tables, field: str, season: int) -> list[Line]:
    """Say what the operation has earned by the end of a season."""
    out = []
    for row in tables("payback", field=field, season=season).to_dicts():
        if row["cumulative_net_per_ha"] is None:
            no_money = "{field} {season}: the money is not known: {reason}"
            out.append(Line(say_row("payback", row, no_money)))
            continue
        template = _REPEATED if row["earlier_day"] is not None else _FIRST
        if row["cumulative_low_per_ha"] is not None:
            template += " (95% interval {cumulative_low_per_ha:+} to {cumulative_high_per_ha:+})"
        if in_all := worth.in_all(row):
            template += f"; in all {in_all}"
        template += f". {_STANDING[row['verdict']]}"
        if row["paid_chance"] is not None:
            template += " (probability that it has: {paid_chance})"
        adds = _REPEAT_ADDS.get(row["repeat_adds"], "")
        out.append(line("payback", row, f"{template}.{why_money(row)}{adds}"))
    return out


def why_money(row: Row) -> str:
    """Return why a sum and its verdict could look at odds."""
    if row["cost_partial"]:
        return " Part of the cost is not known, so the sum is too high and cannot say that it paid."
    low, high, chance = (
        row[name] for name in ("cumulative_low_per_ha", "cumulative_high_per_ha", "paid_chance")
    )
    if None in {low, high, chance}:
        return ""
    shown = row["verdict"] in {"paid", "not paid"}
    if shown and low <= 0 <= high:
        if row["earlier_day"] is not None:
            return " The interval has two ends; the probability is of one side."
        return (
            " The interval is of this field's own seasons, with both ends; the probability is of one"
            " side, and takes the farm's other fields along."
        )
    if not shown and not low <= 0 <= high:
        return " Taken with the farm's other fields, it is less sure than its own interval."
    return ""


def water_use(tables: Tables, field: str, season: int) -> list[Line]:
    """Say the water use efficiency of the strips, and how the treated one's differs."""
    found = tables("water_use_season", field=field, season=season).to_dicts()
    used = "{field} {season}: the {strip} strip used {water_use_mm} of water"
    put_on = " ({rain_mm} of rain and {irrigation_mm} of irrigation came)"
    made = " and made {water_use_efficiency_kg_ha_mm} of it."
    lines = [
        line(
            "water_use_season",
            row,
            used + (put_on if row["irrigation_mm"] else "") + made,
            strip=strip,
        )
        for strip in STRIPS
        for row in found
        if row["strip"] == strip and row["water_use_efficiency_kg_ha_mm"] is not None
    ]
    for row in found[:1]:
        if row["efficiency_change_pct"] is None:
            continue
        change = "Treated over check that is {efficiency_change_pct:+}"
        bounds = (row["efficiency_change_low_pct"], row["efficiency_change_high_pct"])
        if None not in bounds:
            change += ", between {efficiency_change_low_pct:+} and {efficiency_change_high_pct:+}"
        lines.append(Line(say_row("water_use_season", row, change + ".")))
    return lines


def capture(tables: Tables, field: str, season: int) -> list[Line]:
    """Say the capture of the season's rain, two days after its end."""
    rows = tables("capture_season", field=field, season=season, days_after=2)
    out = []
    for row in rows.drop_nulls(["capture_treated", "capture_check"]).to_dicts():
        template = (
            "Of the rain on {field} the treated strip held {capture_treated} two days after its "
            "end, the check {capture_check} (rain events compared: {common_events})"
        )
        if row["difference_low"] is not None:
            template += "; the difference lies between {difference_low:+} and {difference_high:+}"
        out.append(line("capture_season", row, template + "."))
    return out


def recharge(tables: Tables, field: str, season: int) -> list[Line]:
    """Say what the winter before a season stored in each strip."""
    found = tables("recharge_winter", field=field, season=season).drop_nulls("recharge_mm")
    out = []
    for strip in STRIPS:
        for row in found.filter(pl.col("strip") == strip).to_dicts():
            template = (
                "From {from_day} to {to_day} the profile of the {strip} strip gained {recharge_mm}"
            )
            if row["recharge_share"] is not None:
                irrigated = (row["irrigation_mm"] or 0) > 0
                came = "rain, snow and irrigation" if irrigated else "rain and snow"
                template += f", {{recharge_share}} of the {came}"
            out.append(line("recharge_winter", row, template + ".", strip=strip))
    return out


def fall(tables: Tables, field: str, year: int, by: date, *, caution: bool = True) -> list[Line]:
    """Say what working the field that fall should earn, with the caution of its row.

    Without ``caution`` the page must say it elsewhere.
    """
    out = []
    for row in tables("field_outlook", field=field, fall=year).to_dicts():
        template = f"{{field}}, fall {{fall}}: {OUTLOOK[row['outlook']]}"
        if row["net_chance"] is not None:
            template += " (probability {net_chance})"
        if row["expected_net_per_ha"] is not None:
            template += "; net {expected_net_per_ha:+} in the mean"
        if row["net_low_per_ha"] is not None:
            template += ", 95% range {net_low_per_ha:+} to {net_high_per_ha:+}"
        template += ". "
        if row["soil_state"] is not None and row["soil_state_day"] <= by:
            template += "Soil at working depth on {soil_state_day}: {soil_state}."
        out.append(line("field_outlook", row, template))
        if caution:
            out.append(Line((cell("field_outlook", row, "caution"),)))
    return out
