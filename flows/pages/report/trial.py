"""The practice over the years: all site-years together, by group, fading, what goes with the response."""

import polars as pl

from flows.pages.cells import (
    Block,
    Line,
    Picture,
    Row,
    Section,
    cell,
    grid_of,
    joined,
    line,
    say,
    say_row,
)
from flows.pages.pictures import trial as pictures
from flows.pages.published_tables import Tables
from flows.pages.sections import evidence, looseness, observations

_GROUP_COLUMNS = {
    "grouping": "Put together by",
    "member": "Group",
    "site_years": "Site-years",
    "response_pct": "Response",
    "verdict_low_pct": "95% from",
    "verdict_high_pct": "95% to",
    "verdict": "Verdict",
}
_FADE_COLUMNS = {
    "years_since": "Harvests since",
    "site_years": "Site-years",
    "response_pct": "Response",
    "response_low_pct": "from",
    "response_high_pct": "to",
    "yearly_net_per_ha": "Yearly net if repeated so",
    "yearly_net_low_per_ha": "from",
    "yearly_net_high_per_ha": "to",
    "best_chance": "Chance to be best",
}


def practices(tables: Tables) -> list[str]:
    """Return the practices that have a site-year with a response after the work."""
    found = tables("response").drop_nulls(["practice", "operation_day", "response_kg_ha"])
    return [str(one) for one in found["practice"].unique().sort()]


def site_years(tables: Tables, practice: str) -> list[Row]:
    """Return the responses of a practice after the work, by field and season."""
    found = tables("response", practice=practice).drop_nulls(["operation_day", "response_kg_ha"])
    return found.sort("field", "season").to_dicts()


def pooled(tables: Tables, practice: str) -> Row | None:
    """Return all site-years of a practice together."""
    return tables.one("response_pooled", practice=practice, grouping="all")


def sections(tables: Tables) -> list[Section]:
    """Return a section a practice; the first one begins a page."""
    return [
        _practice(tables, practice, first=number == 0)
        for number, practice in enumerate(practices(tables))
    ]


def in_words(tables: Tables, practice: str) -> list[Line]:
    """Tell the trial of a practice in sentences alone: together, how often, below ground, fading, causes."""
    together = [
        *_together(pooled(tables, practice)),
        *limits(tables, practice),
        *evidence.lines(tables, practice),
        *observations.over_site_years(tables, practice),
    ]
    return [*together, *_fading(tables, practice), *_causes(tables, practice)]


def _causes(tables: Tables, practice: str) -> list[Line]:
    """Say what goes with the response, or that it is not known yet and what would tell."""
    rows = tables("response_driver", practice=practice).drop_nulls("rank_correlation")
    known = rows.filter(pl.col("verdict") != "cannot tell yet").to_dicts()
    cause = "Why? {meaning}: rank correlation {rank_correlation} over {observations}; {verdict}."
    if known:
        return [line("response_driver", row, cause) for row in known]
    nearest = rows.sort("p_adjusted").head(1).to_dicts()
    unknown = "Why? Cannot tell yet. Nearest to telling: {meaning}; it would take {would_tell}."
    return [Line(say_row("response_driver", row, unknown)) for row in nearest]


def _practice(tables: Tables, practice: str, *, first: bool) -> Section:
    """Return the section of a practice: together, below ground, by group, fading, known causes."""
    found = site_years(tables, practice)
    groups = tables("response_pooled", practice=practice).filter(pl.col("grouping") != "all")
    rows = groups.drop_nulls("response_pct").to_dicts()
    grouped = "When does it respond? Groups with a mean: those of three site-years and more"
    fade = tables("response_fade", practice=practice).sort("years_since")
    lasting = "How long does it last, and when would repeating pay best?"
    blocks: list[Block] = [
        *_together(pooled(tables, practice))[1:],  # the mean stands on page one
        *evidence.lines(tables, practice),
        *observations.over_site_years(tables, practice),
        *looseness.over_field_years(tables, practice),
        *grid_of("response_pooled", rows, _GROUP_COLUMNS, say(grouped)),
        *_odd_groups(rows),
        *_fading(tables, practice),
        *grid_of("response_fade", fade.to_dicts(), _FADE_COLUMNS, say(lasting)),
        *_causes(tables, practice),
    ]
    title = say_row("response", found[0], "The {practice} over the years")
    return Section(title, tuple(blocks), new_page=first)


def drawn(tables: Tables, practice: str) -> list[Picture]:
    """Draw the responses of a practice and their mean."""
    return pictures.responses(site_years(tables, practice), pooled(tables, practice))


def limits(tables: Tables, practice: str) -> list[Line]:
    """Say what all site-years of a practice together cannot tell, in the table's words."""
    row = pooled(tables, practice)
    return [Line((cell("response_pooled", row, "limits"),))] if row and row["limits"] else []


def mean(tables: Tables, practice: str) -> list[Line]:
    """Say the mean response of all site-years of a practice, with its interval and verdict."""
    found = pooled(tables, practice)
    return _together(found)[:1] if found is not None else []


def _odd_groups(rows: list[Row]) -> list[Line]:
    """Say why a group whose interval excludes zero is not shown, where there is one."""
    odd = [
        row
        for row in rows
        if row["verdict"] == "not shown"
        and row["verdict_low_pct"] is not None
        and row["verdict_low_pct"] * row["verdict_high_pct"] > 0
    ]
    why = (
        "Not shown although the interval excludes zero: {groups}. With so many groups compared one "
        "such interval can be chance."
    )
    groups = joined([say_row("response_pooled", row, "{grouping} {member}") for row in odd])
    return [Line(say(why, groups=groups))] if odd else []


def _together(row: Row | None) -> list[Line]:
    """Say the response of all site-years together, and how often the work paid."""
    if row is None:
        return []
    mean = "All site-years after the {practice}: {site_years}, from fields: {fields}. "
    if row["response_pct"] is not None:
        mean += (
            "Mean response {response_pct:+} of the check's yield (95% interval {verdict_low_pct:+} to "
            "{verdict_high_pct:+}); "
        )
    out = [line("response_pooled", row, mean + "verdict: {verdict}.")]
    if row["next_low_pct"] is not None:
        ahead = (
            "The next site-year's response should lie between {next_low_pct:+} and "
            "{next_high_pct:+} (95% range)."
        )
        out.append(Line(say_row("response_pooled", row, ahead)))
    often = (
        "How often: the treated strip yielded more in {gained} of {site_years} site-years "
        "(true share between {gained_low} and {gained_high})."
    )
    if row["priced"]:
        often += (
            " Of {priced} site-years with known money, {paid_alone} paid for the whole work in "
            "their own season."
        )
    out.append(Line(say_row("response_pooled", row, often)))
    return out


def _fading(tables: Tables, practice: str) -> list[Line]:
    rows = tables("response_fade", practice=practice).sort("years_since").head(1)
    template = (
        "Does it fade? The response changes by {change_pct:+} of the check's yield a year, "
        "between {change_low_pct:+} and {change_high_pct:+}: {verdict}."
    )
    known = rows.drop_nulls("change_pct").to_dicts()
    return [line("response_fade", row, template) for row in known]
