"""Page one of the report: a row a field, what to know before working one, all responses at a glance."""

from dataclasses import replace

import polars as pl

from flows.pages.cells import Block, Line, Phrase, Row, Section, grid, say, say_row
from flows.pages.published_tables import Tables
from flows.pages.report import field_row, trial
from flows.pages.report.field_row import Known
from flows.pages.sections import harvest, short, work
from schemas.cautions import WORKING

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
_RANGES = (
    "Treated minus check. In brackets 95% intervals, those that the verdicts go by; of root lead 90% "
    "intervals. Net in all: over the area worked. Deep water: taken up from below the working depth"
)

_PARTLY = ("payback", "response", "root_lead", "response_pooled")


def section(tables: Tables, chosen: pl.DataFrame) -> Section:
    """Return page one for the chosen seasons; each field stands with the latest of them."""
    shown = field_row.latest(tables, chosen)
    blocks: list[Block] = []
    if shown:
        notes = short.partial_notes(
            ((table, row[table]) for table in _PARTLY for row in shown), "Partial: "
        )
        table = grid(say(_RANGES), HEADS, [_row(row) for row in shown], notes)
        blocks.append(replace(table, records=True))
        blocks += [*field_row.why(shown), *field_row.no_area(shown)]
    else:
        blocks.append(Line(("No strip was weighed yet.",)))
    blocks += work.cautions(tables) or [Line((WORKING,))]
    practices = trial.practices(tables)
    blocks += [line for one in practices for line in trial.mean(tables, one)]
    for one in practices:
        blocks += trial.drawn(tables, one)
    return Section(("Did it pay, and what next?",), tuple(blocks))


def _row(known: Known) -> tuple[Phrase, ...]:
    money, outlook = known["payback"], known["field_outlook"]
    return (
        _field(known),
        field_row.paid(money),
        field_row.net(money),
        field_row.in_all(money),
        _season_and(known["response"]),
        field_row.mean(known["response_pooled"]),
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


def _season_and(row: Row | None) -> Phrase:
    found = short.response(row)
    if row is None or found == short.UNKNOWN:
        return short.UNKNOWN
    return (*say_row("response", row, "{season} {crop}: "), *found)


def _fall(row: Row | None) -> Phrase:
    if row is None or row["outlook"] is None:
        return short.UNKNOWN
    chance = " (probability {net_chance})" if row["net_chance"] is not None else ""
    net = ", net {expected_net_per_ha:+}" if row["expected_net_per_ha"] is not None else ""
    return say_row(
        "field_outlook", row, "{fall}: " + harvest.OUTLOOK[row["outlook"]] + chance + net
    )
