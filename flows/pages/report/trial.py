"""The trial over the years: responses, how often it paid, fading, why, what next."""

import polars as pl

from flows.pages.cells import Block, Line, Row, Section, cell, grid_of, joined, line, say, say_row
from flows.pages.pictures import trial
from flows.pages.published_tables import Tables
from flows.pages.sections import evidence, harvest, observations

_GROUP_COLUMNS = {
    "grouping": "Put together by",
    "member": "Group",
    "site_years": "Site-years",
    "response_pct": "Response",
    "verdict_low_pct": "95% from",
    "verdict_high_pct": "95% to",
    "verdict": "Verdict",
    "coverage": "Coverage",
}
_CAUSE_COLUMNS = {
    "meaning": "Cause",
    "observations": "Observations",
    "rank_correlation": "Rank correlation",
    "p_adjusted": "Chance of it where there is none",
    "verdict": "Verdict",
    "would_tell": "What would tell",
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
    "coverage": "Coverage",
}
_EVIDENCE_COLUMNS = {
    "practice": "Practice",
    "choice": "Choice",
    "site_years": "Site-years then",
    "half_width_pct": "Half of the interval",
    "findable_response_pct": "Response it would find",
    "chance_to_show": "Chance to show the present mean",
}
_NEW_COLUMNS = {
    "practice": "Practice",
    "choice": "Choice",
    "new_half_width_pct": "Half of the interval of a new field's first response",
}


def sections(tables: Tables) -> list[Section]:
    """Return one section a practice, and what next."""
    practices = tables("field")["practice"].drop_nulls().unique().sort()
    return [*(part for one in practices for part in _practice(tables, one)), *_next(tables)]


def in_words(tables: Tables, practice: str) -> list[Line]:
    """Tell the trial of a practice in sentences alone: together, how often, below ground, fading, causes."""
    together = [
        *_together(_pooled(tables, practice)),
        *evidence.lines(tables, practice),
        *observations.over_site_years(tables, practice),
    ]
    return [*together, *_fading(tables, practice), *_causes(tables, practice)]


def _pooled(tables: Tables, practice: str) -> Row | None:
    rows = tables("response_pooled", practice=practice, grouping="all").to_dicts()
    return rows[0] if rows else None


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


def _practice(tables: Tables, practice: str) -> list[Section]:
    """Return the section of a practice, or nothing if no site-year has its response."""
    found = tables("response", practice=practice).drop_nulls(["operation_day", "response_kg_ha"])
    if found.is_empty():
        return []
    pooled = _pooled(tables, practice)
    groups = tables("response_pooled", practice=practice).filter(pl.col("grouping") != "all")
    grouped = "When does it respond? Responses by group; under three site-years there is no mean"
    fade = tables("response_fade", practice=practice).sort("years_since")
    lasting = "How long does it last, and when would repeating pay best?"
    causes = tables("response_driver", practice=practice)
    why = "Why? What goes with the response; a correlation is no proof of a cause"
    blocks: list[Block] = [
        *_together(pooled),
        *evidence.lines(tables, practice),
        *observations.over_site_years(tables, practice),
        *trial.responses(found.sort("field", "season").to_dicts(), pooled),
        *grid_of("response_pooled", groups.to_dicts(), _GROUP_COLUMNS, say(grouped)),
        *_odd_groups(groups.to_dicts()),
        *_fading(tables, practice),
        *grid_of("response_fade", fade.to_dicts(), _FADE_COLUMNS, say(lasting)),
        *grid_of("response_driver", causes.to_dicts(), _CAUSE_COLUMNS, say(why)),
    ]
    title = say_row("response", found.to_dicts()[0], "The {practice} over the years")
    return [Section(title, tuple(blocks), new_page=True)]


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
    mean = "Site-years after the work: {site_years}, from fields: {fields}. "
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
    limits = row["limits"] is not None
    return [*out, Line((cell("response_pooled", row, "limits"),))] if limits else out


def _fading(tables: Tables, practice: str) -> list[Line]:
    rows = tables("response_fade", practice=practice).sort("years_since").head(1)
    template = (
        "Does it fade? The response changes by {change_pct:+} of the check's yield a year, "
        "between {change_low_pct:+} and {change_high_pct:+}: {verdict}."
    )
    known = rows.drop_nulls("change_pct").to_dicts()
    return [line("response_fade", row, template) for row in known]


def _next(tables: Tables) -> list[Section]:
    """Return the fields for the coming fall, and what more data would do."""
    blocks: list[Block] = []
    for row in tables("field_outlook").sort("rank").to_dicts():
        by = row["soil_state_day"] or row["operation_day"]
        found = harvest.fall(tables, row["field"], row["fall"], by)
        blocks += [one for one in found if one not in blocks]
    blocks += _more(tables("more_evidence"))
    return [Section(("What next",), tuple(blocks), new_page=True)] if blocks else []


def _more(found: pl.DataFrame) -> list[Block]:
    """Say where enough is known; elsewhere what more data would do, and what a new field needs."""
    enough = found.filter(pl.col("enough").fill_null(False) & (pl.col("choice") == "as it stands"))
    says = (
        "{practice}: enough is known of the mean response; more seasons would say little more of it. "
        "When and why it pays can still be learned."
    )
    blocks: list[Block] = [Line(say_row("more_evidence", row, says)) for row in enough.to_dicts()]
    open_ = found.filter(~pl.col("enough").fill_null(False)).drop_nulls("half_width_pct")
    caption = say("What would more data do?")
    blocks += grid_of("more_evidence", open_.to_dicts(), _EVIDENCE_COLUMNS, caption)
    new = found.drop_nulls("new_half_width_pct").to_dicts()
    caption = say("A new field: what another pass, or a season harvested before the work, is worth")
    return [*blocks, *grid_of("more_evidence", new, _NEW_COLUMNS, caption)]
