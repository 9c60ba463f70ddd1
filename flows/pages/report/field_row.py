"""A field in one row: what the work on it showed and earned by a season, and why words look at odds."""

import polars as pl

from flows.pages.cells import Line, Phrase, Row, cell, joined, say, say_row
from flows.pages.published_tables import Tables
from flows.pages.report.chosen import last_of_each
from flows.pages.sections import harvest, short, worth
from flows.pages.sections.at_odds import at_odds

Known = dict[str, Row | None]

_MEAN_CHANCE = "with so many groups compared an interval that excludes zero can be chance"
_NO_AREA = "The field book does not give the area worked, so there is no net in all."


def latest(tables: Tables, chosen: pl.DataFrame) -> list[Known]:
    """Return what is known of each field by its latest season of the chosen ones, by table.

    A field without a response and without money is left out.
    """
    last = last_of_each(chosen).to_dicts()
    found = [_known(tables, row["field"], row["season"]) for row in last]
    return [row for row in found if row["response"] or row["payback"]]


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


def paid(row: Row | None) -> Phrase:
    """Return the word of money and its probability."""
    if row is None or row["verdict"] is None:
        return short.UNKNOWN
    chance = " (probability {paid_chance})" if row["paid_chance"] is not None else ""
    return say_row("payback", row, "{verdict}" + chance)


def net(row: Row | None) -> Phrase:
    """Return the net by area since the work, with its interval."""
    ends = ("cumulative_low_per_ha", "cumulative_high_per_ha")
    return short.between("payback", row, "cumulative_net_per_ha", *ends)


def in_all(row: Row | None) -> Phrase:
    """Return the net in all with its interval and the area it is of."""
    template = worth.in_all(row) if row is not None else ""
    return say_row("payback", row, template) if row is not None and template else short.UNKNOWN


def mean(row: Row | None) -> Phrase:
    """Return a field's mean response with the interval and the verdict, in how many site-years."""
    if row is None:
        return short.UNKNOWN
    if row["response_pct"] is None:
        return say_row("response_pooled", row, "{verdict} ({site_years} site-years)")
    found = short.between(
        "response_pooled", row, "response_pct", "verdict_low_pct", "verdict_high_pct"
    )
    return (*found, *say_row("response_pooled", row, ", {verdict} ({site_years} site-years)"))


def why(shown: list[Known]) -> list[Line]:
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


def no_area(shown: list[Known]) -> list[Line]:
    """Name the fields whose net in all cannot be made."""
    money = [row for known in shown if (row := known["payback"]) is not None]
    missing = [
        r for r in money if r["worked_ha"] is None and r["cumulative_net_per_ha"] is not None
    ]
    fields = joined([(cell("payback", row, "field"),) for row in missing])
    return [Line(say("{fields}: " + _NO_AREA, fields=fields))] if missing else []


def limits(rows: list[Row]) -> list[Line]:
    """Say what responses cannot tell, in the table's words: each text once, with its fields."""
    fields: dict[str, list[Row]] = {}
    for row in rows:
        if row["limits"] is not None:
            fields.setdefault(row["limits"], []).append(row)
    return [
        Line(
            say(
                "{names}: {limits}",
                names=joined([(cell("response", row, "field"),) for row in found]),
                limits=cell("response", found[0], "limits"),
            )
        )
        for found in fields.values()
    ]
