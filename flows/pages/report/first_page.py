"""Page one of the report: a row a field, what to know before working one, all responses at a glance."""

from dataclasses import replace

import polars as pl

from flows.pages.cells import Block, Line, Phrase, Row, Section, cell, grid, joined, say, say_row
from flows.pages.pictures import trial as pictures
from flows.pages.published_tables import Tables
from flows.pages.report import trial
from flows.pages.sections import harvest, short, work
from flows.pages.sections.at_odds import at_odds

HEADS = (
    "Field",
    "Money",
    "Net since the work",
    "Net in all",
    "Response",
    "Mean response",
    "Root lead",
    "Deep water",
    "Next fall",
)
CAUTION = (
    "Have buried lines, cables and drains located and marked before any ground is worked. Heavy draft can "
    "hurt people: keep them clear of the implement. Local rules and licensed people decide."
)
_RANGES = (
    "Treated minus check. In brackets 95% intervals, those that the verdicts go by; of root lead 90% "
    "intervals. Net in all: over the area worked. Deep water: taken up from below the working depth"
)
_MEAN_CHANCE = "with so many groups compared an interval that excludes zero can be chance"
_NO_AREA = "The field book does not give the area worked, so there is no net in all."

_PARTLY = ("payback", "response", "root_lead", "response_pooled")

Known = dict[str, Row | None]


def section(tables: Tables, chosen: pl.DataFrame) -> Section:
    """Return page one for the chosen seasons; each field stands with the latest of them."""
    latest = chosen.sort("field", "season").unique("field", keep="last", maintain_order=True)
    known = [_known(tables, row["field"], row["season"]) for row in latest.to_dicts()]
    shown = [row for row in known if row["response"] or row["payback"]]
    blocks: list[Block] = []
    if shown:
        notes = short.partial_notes(
            ((table, row[table]) for table in _PARTLY for row in shown), "Partial: "
        )
        table = grid(say(_RANGES), HEADS, [_row(row) for row in shown], notes)
        blocks.append(replace(table, records=True))
        blocks += [*_why(shown), *_no_area(shown)]
    else:
        blocks.append(Line(("No strip was weighed yet.",)))
    blocks += work.cautions(tables) or [Line((CAUTION,)), Line((harvest.NOT_ADVICE,))]
    practices = trial.practices(tables)
    blocks += [line for one in practices for line in trial.mean(tables, one)]
    for one in practices:
        blocks += pictures.responses(trial.site_years(tables, one), trial.pooled(tables, one))
    return Section(("Did it pay, and what next?",), tuple(blocks))


def _known(tables: Tables, field: str, season: int) -> Known:
    place = {"field": field, "season": season}
    return {
        "field": tables.one("field", field=field),
        "payback": tables.one("payback", **place),
        "response": tables.one("response", **place),
        "response_pooled": tables.one("response_pooled", grouping="field", member=field),
        "root_lead": short.lead(tables, field, season),
        "response_cause": tables.one("response_cause", **place),
        "field_outlook": tables.one("field_outlook", field=field),
    }


def _row(known: Known) -> tuple[Phrase, ...]:
    money, outlook = known["payback"], known["field_outlook"]
    ends = ("cumulative_low_per_ha", "cumulative_high_per_ha")
    return (
        _field(known),
        _paid(money),
        short.between("payback", money, "cumulative_net_per_ha", *ends),
        _in_all(money),
        _season_and(known["response"]),
        _mean(known["response_pooled"]),
        short.lead_at(known["root_lead"]),
        short.value("response_cause", known["response_cause"], "deep_uptake_gain_mm", signed=True),
        _fall(outlook),
    )


def _field(known: Known) -> Phrase:
    money, field = known["payback"], known["field"]
    if money is not None:
        return say_row("payback", money, "{field}: {practice} of {operation_day}")
    response = known["response"]
    if field is not None:
        return say_row("field", field, "{field}: {practice}")
    return short.value("response", response, "field")


def _paid(row: Row | None) -> Phrase:
    if row is None or row["verdict"] is None:
        return short.UNKNOWN
    chance = " (probability {paid_chance})" if row["paid_chance"] is not None else ""
    return say_row("payback", row, "{verdict}" + chance)


def _in_all(row: Row | None) -> Phrase:
    if row is None or row["cumulative_net"] is None:
        return short.UNKNOWN
    return say_row("payback", row, "{cumulative_net:+} on {worked_ha}")


def _season_and(row: Row | None) -> Phrase:
    found = short.response(row)
    if row is None or found == short.UNKNOWN:
        return short.UNKNOWN
    return (*say_row("response", row, "{season} {crop}: "), *found)


def _mean(row: Row | None) -> Phrase:
    if row is None:
        return short.UNKNOWN
    if row["response_pct"] is None:
        return say_row("response_pooled", row, "{verdict} ({site_years} site-years)")
    found = short.between(
        "response_pooled", row, "response_pct", "verdict_low_pct", "verdict_high_pct"
    )
    return (*found, *say_row("response_pooled", row, ", {verdict} ({site_years} site-years)"))


def _fall(row: Row | None) -> Phrase:
    if row is None or row["outlook"] is None:
        return short.UNKNOWN
    chance = " (probability {net_chance})" if row["net_chance"] is not None else ""
    net = ", net {expected_net_per_ha:+}" if row["expected_net_per_ha"] is not None else ""
    return say_row(
        "field_outlook", row, "{fall}: " + harvest.OUTLOOK[row["outlook"]] + chance + net
    )


def _why(shown: list[Known]) -> list[Line]:
    """Say why an interval and a verdict of the table could look at odds, each reason once."""
    fields: dict[str, list[Phrase]] = {}
    for known in shown:
        for table, text in _reasons(known):
            name = "member" if table == "response_pooled" else "field"
            fields.setdefault(text, []).append(short.value(table, known[table], name))
    return [Line(say("{fields}: " + text, fields=joined(found))) for text, found in fields.items()]


def _reasons(known: Known) -> list[tuple[str, str]]:
    """Return each table of a row whose interval and verdict could look at odds, and why."""
    money, response, mean = (known[name] for name in ("payback", "response", "response_pooled"))
    found = []
    if money is not None and (why := harvest.why_money(money)):
        found.append(("payback", why.strip()))
    if response is not None and at_odds(response, "response_low_kg_ha", "response_high_kg_ha"):
        found.append(("response", harvest.verdict(response)))
    if mean is not None and at_odds(mean, "verdict_low_pct", "verdict_high_pct"):
        found.append(("response_pooled", f"The mean response is not shown; {_MEAN_CHANCE}."))
    return found


def _no_area(shown: list[Known]) -> list[Line]:
    money = [row for known in shown if (row := known["payback"]) is not None]
    missing = [
        r for r in money if r["worked_ha"] is None and r["cumulative_net_per_ha"] is not None
    ]
    fields = joined([(cell("payback", row, "field"),) for row in missing])
    return [Line(say("{fields}: " + _NO_AREA, fields=fields))] if missing else []
