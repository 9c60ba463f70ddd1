"""One page to hand to a landlord, a neighbor or the bank: what was tested, found and earned, how sure, how measured."""

from dataclasses import replace
from datetime import date

import polars as pl

from flows.pages.cells import (
    Block,
    Line,
    Page,
    Phrase,
    Row,
    Section,
    cell,
    grid,
    joined,
    line,
    made_on,
    say,
    say_row,
)
from flows.pages.published_tables import Tables
from flows.pages.report import field_row, trial
from flows.pages.report.chosen import chosen_seasons, years
from flows.pages.report.field_row import Known
from flows.pages.sections import harvest, short, work
from flows.pages.sections.at_odds import at_odds
from flows.pages.sections.evidence import CHANCE

# As many fields as fit on a page beside all else, and as many site-years as leave room for a picture.
MOST_FIELDS, MOST_DRAWN = 8, 6
_MOST_LIMITS = 3
_HEADS = (
    "Field",
    "Worked on",
    "Cost",
    "Mean response",
    "Net since the work",
    "Net in all",
    "By harvest",
    "Money",
)
_CAPTION = (
    "In brackets 95% intervals, those that the verdicts go by. Net in all: over the area worked"
)
_MORE = "The other fields are in the season report."
_STRIPS = (
    " Each field has a treated strip, which was worked, and a check strip beside it, which was not. The response "
    "is what the treated strip yielded more or less than its check."
)
_FOUND = {
    "gain": " That is a gain.",
    "loss": " That is a loss.",
    "not shown": " A difference is not shown, which is not the same as no difference.",
    "too few": " There are too few harvests for a mean.",
}
_SURE = (
    "The ranges in brackets hold what the scatter between passes, fields and years leaves open. If a range "
    "holds zero, the figure may be chance."
)
_BOOK = (
    "Yields, costs and prices are those of the farm's field book. The farm measured; Checkstrip calculated all "
    "figures from its records, by the same rules for every field."
)


def brief(tables: Tables, year: int | None, today: date) -> Page:
    """Put the page together from what the tables say by the harvest of a year, or by the latest.

    Raises UserError if no field has a season of that year.
    """
    chosen = chosen_seasons(tables, year)
    shown = field_row.latest(tables, chosen)
    title = (tables.farm_name(), *years(chosen, year), ", in short")
    if not shown:
        nothing = Section(("What was tested",), (Line(("No strip was weighed yet.",)),))
        return Page(title, (), (nothing,), (made_on(today),))
    practices = trial.practices(tables)
    few = sum(len(trial.site_years(tables, one)) for one in practices) <= MOST_DRAWN
    sections = (
        Section(("What was tested",), (_tested(shown),)),
        Section(
            ("What was found",),
            (
                *(line for one in practices for line in _found(tables, one)),
                *(picture for one in practices if few for picture in trial.drawn(tables, one)),
            ),
        ),
        Section(("What it cost and earned",), tuple(_money(shown))),
        Section(("How sure",), tuple(_sure(tables, practices, shown))),
        Section(("Who measured, and how",), tuple(_measured(tables, shown))),
    )
    foot = (
        *tables.who_is_who(),
        *(work.cautions(tables) or [Line((harvest.NOT_ADVICE,))]),
        made_on(today),
    )
    return Page(title, (), sections, foot)


def _tested(shown: list[Known]) -> Line:
    """Say which practice was tried on which fields, and what treated and check mean."""
    fields = [row for known in shown if (row := known["field"]) is not None]
    by_practice: dict[str, list[Row]] = {}
    for row in fields:
        by_practice.setdefault(row["practice"], []).append(row)
    said = [
        say(
            "{practice} on {fields}",
            practice=cell("field", rows[0], "practice"),
            fields=joined([(cell("field", row, "field"),) for row in rows]),
        )
        for rows in by_practice.values()
    ]
    return Line(say("Tested: {said}." + _STRIPS, said=joined(said, between="; ", last="; ")))


def _found(tables: Tables, practice: str) -> list[Line]:
    """Say the mean response of a practice, its range, how often, and the verdict."""
    row = trial.pooled(tables, practice)
    if row is None:
        return []
    template = (
        "After the {practice} the treated strip yielded more in {gained} of {site_years} harvests"
    )
    if row["response_pct"] is not None:
        template += (
            ", over all years {response_pct:+} of the check's yield on average (95% interval "
            "{verdict_low_pct:+} to {verdict_high_pct:+})"
        )
    template += "." + _FOUND[row["verdict"]]
    if at_odds(row, "verdict_low_pct", "verdict_high_pct"):
        template += CHANCE
    return [line("response_pooled", row, template)]


def _money(shown: list[Known]) -> list[Block]:
    named = shown[:MOST_FIELDS]
    tables = ("payback", "response_pooled")
    notes = short.partial_notes(
        ((name, row[name]) for name in tables for row in named), "Partial: "
    )
    table = grid(say(_CAPTION), _HEADS, [_row(row) for row in named], notes)
    more = [Line((_MORE,))] if len(shown) > len(named) else []
    return [replace(table, records=True), *more, *field_row.why(named), *field_row.no_area(named)]


def _row(known: Known) -> tuple[Phrase, ...]:
    money = known["payback"]
    table = "payback" if money is not None else "response"
    return (
        short.value(table, known[table], "field"),
        short.value("payback", money, "operation_day"),
        short.value("payback", money, "cost_per_ha"),
        field_row.mean(known["response_pooled"]),
        field_row.net(money),
        field_row.in_all(money),
        short.value(table, known[table], "season"),
        field_row.paid(money),
    )


def _sure(tables: Tables, practices: list[str], shown: list[Known]) -> list[Line]:
    """Say what the ranges mean, what to expect of the next harvest, and what the trial cannot tell."""
    out = [Line((_SURE,))]
    for practice in practices:
        row = trial.pooled(tables, practice)
        if row is not None and row["next_low_pct"] is not None:
            ahead = (
                "After the {practice} the next harvest's response should lie between {next_low_pct:+} and "
                "{next_high_pct:+} (95% range)."
            )
            out.append(Line(say_row("response_pooled", row, ahead)))
    responses = [row for known in shown if (row := known["response"]) is not None]
    return [*out, *field_row.limits(responses)[:_MOST_LIMITS]]


def _measured(tables: Tables, shown: list[Known]) -> list[Line]:
    """Name what measured yields, weather and soil water on the fields, and who did."""
    names = [row["field"] for known in shown if (row := known["field"]) is not None]
    here = pl.col("field").is_in(names)
    used = tables("strip_yield").filter(here & (pl.col("pass") != "all") & pl.col("used"))
    methods = used.unique("method", keep="first", maintain_order=True).to_dicts()
    out = []
    if methods:
        by = joined([(cell("strip_yield", row, "method"),) for row in methods])
        out.append(Line(say("Yields: {by}, pass by pass, at market moisture.", by=by)))
    stations = tables("station_spell").filter(here & pl.col("strip").is_not_null())
    if stations.height:
        where = _fields("station_spell", stations)
        out.append(Line(say("Weather: stations in the strips of {where}.", where=where)))
    probes = tables("probe_spell").filter(here)
    sensors = tables("sensor").filter(pl.col("probe").is_in(probes["probe"].implode()))
    if sensors.height:
        deep = sensors.sort("depth_cm").unique("depth_cm", keep="first", maintain_order=True)
        said = say(
            "Soil water: probes in the strips of {where}, with sensors at {depths}.",
            where=_fields("probe_spell", probes),
            depths=joined([say_row("sensor", row, "{depth_cm}") for row in deep.to_dicts()]),
        )
        out.append(Line(said))
    return [*out, Line((_BOOK,))]


def _fields(table: str, rows: pl.DataFrame) -> Phrase:
    once = rows.sort("field").unique("field", keep="first", maintain_order=True)
    return joined([(cell(table, row, "field"),) for row in once.to_dicts()])
