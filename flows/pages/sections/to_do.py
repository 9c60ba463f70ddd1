"""To do this week, one item a cause: instruments, tables, rejected files, probes to reinstall."""

import polars as pl

from flows.pages.cells import Cell, Frame, Line, Phrase, Row, cell, joined, say, say_row
from flows.pages.published_tables import Tables, last_row
from flows.pages.sections import instruments
from flows.pages.sections.causes import Cause
from flows.pages.week import Week
from flows.store.derive_problems import MADE_FROM

_MOST_FILES = 6
_CALL = (
    " Call to have buried utilities located before you dig (811 in the US, Click Before You Dig in "
    "Canada)."
)


def causes(tables: Tables, week: Week) -> list[Cause]:
    """Return everything that has to be done, the most pressing first."""
    return [
        *_not_made(tables, week),
        *instruments.causes(tables, week.monday, week.sunday),
        *_files(tables, week),
        *_to_reinstall(tables, week),
    ]


def _not_made(tables: Tables, week: Week) -> list[Cause]:
    """Name the tables that could not be made, and the columns of which values were left out."""
    problems = tables("derive_problem").filter(
        (pl.col("day").is_null() | pl.col("day").is_between(week.monday, week.sunday))
        & ~pl.col("reason").str.starts_with(MADE_FROM)
    )
    templates = {
        "table": "The table {table_name} could not be made ({reason}): its rows are those of an "
        "earlier run. checkstrip status tells what to do.",
        "row": "Rows of the table {table_name} were left out ({reason}). The table derive_problem "
        "lists each one.",
        "value": "Values of {column_name} in the table {table_name} were left out ({reason}). The "
        "table derive_problem lists each one.",
    }
    once = problems.unique(
        ["lost", "table_name", "column_name", "reason"], keep="first", maintain_order=True
    )
    return [
        Cause(
            Line(say_row("derive_problem", row, templates[row["lost"]])),
            say_row("derive_problem", row, "{table_name}"),
            "table",
        )
        for row in once.to_dicts()
    ]


def _files(tables: Tables, week: Week) -> list[Cause]:
    """Name the week's files that were rejected, whole or in part, those of one reason together."""
    received = pl.col("received_at").dt.convert_time_zone(str(tables.zone)).dt.date()
    came = tables("delivery").filter(
        received.is_between(week.monday, week.sunday)
        & ((pl.col("state") == "refused") | (pl.col("rows_quarantined") > 0))
    )
    alike: dict[tuple[bool, str], list[tuple[Row, Phrase]]] = {}
    for row in came.sort("sequence").to_dicts():
        whole = row["state"] == "refused"
        text, why = _why(tables, row, whole)
        alike.setdefault((whole, text), []).append((row, why))
    out = [_file_cause(whole, those) for (whole, _), those in alike.items()]
    if len(out) <= _MOST_FILES:
        return out
    more = say("There are more such files; checkstrip status lists the causes.")
    return [*out[:_MOST_FILES], Cause(Line(more), ("more files",), "file")]


def _why(tables: Tables, row: Row, whole: bool) -> tuple[str, Phrase]:
    """Return why a file or its first rejected row was rejected, as text and as a phrase."""
    if whole:
        return str(row["reason"]), say_row("delivery", row, ": {reason}")
    rejected = tables("quarantine", delivery=row["delivery"], extent="row").head(1).to_dicts()
    if not rejected:
        return "", ()
    return str(rejected[0]["cause"]), say_row("quarantine", rejected[0], ": {cause}")


def _file_cause(whole: bool, those: list[tuple[Row, Phrase]]) -> Cause:
    row, why = those[0]
    if len(those) == 1:
        template = (
            "The file {name} could not be read{why}."
            if whole
            else "Some rows of the file {name} were rejected ({rows_quarantined}){why}."
        )
    else:
        template = (
            "{number} files could not be read" if whole else "{number} files have rejected rows"
        )
        template += "{why}. The first is {name}."
    number = Frame(str(len(those)))
    line = Line(say_row("delivery", row, template, why=_without_stop(why), number=number))
    return Cause(line, say_row("delivery", row, "{name}"), "file", len(those))


def _without_stop(why: Phrase) -> Phrase:
    """Return a reason without a full stop of its own."""
    if why and isinstance(why[-1], Cell) and str(why[-1].value).endswith("."):
        return (*why[:-1], Frame(str(why[-1].value).rstrip(". ")))
    return why


def _to_reinstall(tables: Tables, week: Week) -> list[Cause]:
    """Name the probes that came out for seeding or harvest and are not back; all of them as one."""
    last = (
        tables("probe_spell")
        .filter(pl.col("from_day") <= week.sunday)
        .sort("from_day")
        .unique(["field", "strip"], keep="last")
        .filter(pl.col("to_day") < week.sunday)
        .sort("field", "strip", descending=[False, True])
    )
    out = [(row, after) for row in last.to_dicts() if (after := _field_work(tables, week, row))]
    if not out:
        return []
    each = [
        say_row("probe_spell", row, "{probe} of {field} (out since {to_day}; {after})", after=after)
        for row, after in out
    ]
    first = out[0][0]
    noun = "probe" if len(out) == 1 else "probes"
    line = Line(say(f"Reinstall the {noun} {{each}}." + _CALL, each=joined(each)))
    at = {row["field"]: say_row("probe_spell", row, "reinstall {probe}") for row, _ in out[::-1]}
    return [Cause(line, at[first["field"]], "probe", len(out), at)]


def _field_work(tables: Tables, week: Week, row: Row) -> Phrase:
    """Return the seeding or harvest for which a probe came out; nothing if it was for neither."""
    season = tables("season", field=row["field"])
    for column in ("harvested", "seeded"):
        since = season.filter(pl.col(column).is_between(row["to_day"], week.sunday))
        done = last_row(since, column)
        if done is not None and (week.sunday - done[column]).days <= 60:
            return (f"{column} on ", cell("season", done, column))
    return ()
