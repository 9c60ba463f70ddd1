"""The trial over the years: responses, how often it paid, fading, why, what next."""

from __future__ import annotations

import polars as pl

from flows.pages.cells import Block, Line, Row, Section, cell, line, say
from flows.pages.pictures import trial
from flows.pages.published_tables import Tables
from flows.pages.sections import harvest
from flows.pages.sections.harvest import grid_of


def sections(tables: Tables) -> list[Section]:
    """One section a practice, and what next."""
    practices = tables("field")["practice"].drop_nulls().unique().sort().to_list()
    out = [found for practice in practices if (found := _practice(tables, practice)) is not None]
    ahead = _next(tables)
    return [*out, *([ahead] if ahead else [])]


def in_words(tables: Tables, practice: str) -> list[Line]:
    """The trial of a practice in sentences alone: together, how often, fading, what goes with it."""
    everything = tables("response_pooled", practice=practice, grouping="all").to_dicts()
    told = _together(everything[0] if everything else None)
    told += [block for block in _fading(tables, practice) if isinstance(block, Line)]
    return told + _causes(tables, practice)


def _causes(tables: Tables, practice: str) -> list[Line]:
    """What goes with the response, or that nothing can be told of it yet and what would tell."""
    rows = tables("response_driver", practice=practice).filter(
        pl.col("rank_correlation").is_not_null()
    )
    told = rows.filter(pl.col("verdict") != "cannot tell yet").to_dicts()
    if told:
        names = ("meaning", "rank_correlation", "observations", "verdict")
        return [line("response_driver", row, "Why? {meaning}: rank correlation {rank_correlation} over {observations}; {verdict}.", **{n: cell("response_driver", row, n) for n in names}) for row in told]  # fmt: skip
    best = rows.sort("p_adjusted").head(1).to_dicts()
    return [Line(say("Why? Cannot tell yet. Nearest to telling: {meaning}; it would take {would_tell}.", **{n: cell("response_driver", row, n) for n in ("meaning", "would_tell")})) for row in best]  # fmt: skip


def _practice(tables: Tables, practice: str) -> Section | None:
    rows = tables("response", practice=practice).filter(
        pl.col("operation_day").is_not_null() & pl.col("response_kg_ha").is_not_null()
    )
    if rows.is_empty():
        return None
    everything = tables("response_pooled", practice=practice, grouping="all").to_dicts()
    pooled = everything[0] if everything else None
    picture = trial.responses(rows.sort("field", "season").to_dicts(), pooled)
    blocks: list[Block] = [*_together(pooled)]
    blocks += [picture] if picture is not None else []
    names = {"grouping": "Put together by", "member": "Group", "site_years": "Site-years", "response_pct": "Response", "response_low_pct": "from", "response_high_pct": "to", "verdict": "Verdict", "coverage": "Coverage"}  # fmt: skip
    groups = tables("response_pooled", practice=practice).filter(pl.col("grouping") != "all")
    blocks += _table("response_pooled", groups, names, "When does it respond? Responses by group; under three site-years there is no mean")  # fmt: skip
    blocks += _fading(tables, practice)
    names = {"meaning": "Cause", "observations": "Observations", "rank_correlation": "Rank correlation", "p_adjusted": "Chance of it where there is none", "verdict": "Verdict", "would_tell": "What would tell"}  # fmt: skip
    blocks += _table("response_driver", tables("response_driver", practice=practice), names, "Why? What goes with the response; a correlation is no proof of a cause")  # fmt: skip
    title = say("The {practice} over the years", practice=cell("response", rows.to_dicts()[0], "practice"))  # fmt: skip
    return Section(title, tuple(blocks), new_page=True)


def _together(row: Row | None) -> list[Line]:
    if row is None:
        return []
    names = ("site_years", "fields", "response_pct", "wide_low_kg_ha", "response_low_pct", "response_high_pct", "next_low_pct", "next_high_pct", "gained", "gained_low", "gained_high", "priced", "paid_alone", "verdict", "limits")  # fmt: skip
    given = {name: cell("response_pooled", row, name) for name in names}
    for name in names[2:8]:
        given[name] = given[name].with_sign()
    out = []
    told = "Site-years after the work: {site_years}, from fields: {fields}. "
    if row["response_pct"] is not None:
        told += "Mean response {response_pct} of the check's yield, between {response_low_pct} and {response_high_pct}; "
    out.append(line("response_pooled", row, told + "verdict: {verdict}.", **given))
    if row["next_low_pct"] is not None:
        out.append(Line(say("The next site-year's response should lie between {next_low_pct} and {next_high_pct}.", **given)))  # fmt: skip
    told = "How often: the treated strip yielded more in {gained} of {site_years} site-years (true share between {gained_low} and {gained_high})."
    if row["priced"]:
        told += " Of {priced} site-years with known money, {paid_alone} paid for the whole work in their own season."
    out.append(Line(say(told, **given)))
    return [*out, Line((given["limits"],))] if row["limits"] is not None else out


def _fading(tables: Tables, practice: str) -> list[Block]:
    rows = tables("response_fade", practice=practice).sort("years_since")
    out: list[Block] = []
    for row in rows.head(1).to_dicts():
        if row["change_pct"] is None:
            continue
        names = ("change_pct", "change_low_pct", "change_high_pct")
        given = {name: cell("response_fade", row, name).with_sign() for name in names}
        given["verdict"] = cell("response_fade", row, "verdict")
        out.append(line("response_fade", row, "Does it fade? The response changes by {change_pct} of the check's yield a year, between {change_low_pct} and {change_high_pct}: {verdict}.", **given))  # fmt: skip
    names_shown = {"years_since": "Harvests since", "site_years": "Site-years", "response_pct": "Response", "response_low_pct": "from", "response_high_pct": "to", "yearly_net_per_ha": "Yearly net if repeated so", "yearly_net_low_per_ha": "from", "yearly_net_high_per_ha": "to", "best_chance": "Chance to be best", "coverage": "Coverage"}  # fmt: skip
    return out + _table("response_fade", rows, names_shown, "How long does it last, and when would repeating pay best?")  # fmt: skip


def _next(tables: Tables) -> Section | None:
    """The fields for the coming fall, and what more data would do."""
    outlook = tables("field_outlook").sort("place")
    blocks: list[Block] = []
    for row in outlook.to_dicts():
        told = harvest.fall(tables, row["field"], row["fall"], row["soil_state_day"] or row["operation_day"])  # fmt: skip
        blocks += told if not blocks else [t for t in told if t not in blocks]
    names = {"practice": "Practice", "choice": "Choice", "site_years": "Site-years then", "half_width_pct": "Half of the interval", "findable_response_pct": "Response it would find", "chance_to_show": "Chance to show the present mean"}  # fmt: skip
    blocks += _table("more_evidence", tables("more_evidence"), names, "What would more data do?")
    return Section(("What next",), tuple(blocks), new_page=True) if blocks else None


def _table(table: str, rows: pl.DataFrame, names: dict[str, str], caption: str) -> list[Block]:
    grid = grid_of(table, rows.to_dicts(), names, say(caption))
    return [grid] if grid is not None else []
