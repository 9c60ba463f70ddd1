"""The report's appendix: the work, passes, roots by depth, open causes, more data, how far to trust it."""

from dataclasses import replace

import polars as pl

from flows.pages.cells import Block, Cell, Line, Row, Section, cell, grid_of, joined, say, say_row
from flows.pages.published_tables import Tables
from flows.pages.report import by_strip, trial
from flows.pages.sections import looseness, observations, work

_CAUSE_COLUMNS = {
    "practice": "Practice",
    "meaning": "Cause",
    "unit_counted": "Counted by",
    "observations": "Known",
    "rank_correlation": "Rank correlation",
    "observations_needed": "Needed to tell",
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
AS_IT_STANDS = "as it stands"


def sections(tables: Tables, chosen: pl.DataFrame) -> list[Section]:
    """Return the appendix for the chosen seasons; parts without data are left out.

    The passes are of all of them; roots and limits are those of the last year.
    """
    seasons = chosen.sort("season", "field")
    last = seasons.filter(pl.col("season") == pl.col("season").max()).to_dicts()
    parts: list[tuple[str, list[Block]]] = [
        ("the work", [one for row in tables.fields() for one in _work(tables, row)]),
        ("passes", by_strip.passes(tables, seasons.to_dicts())),
        ("roots and water by depth", _by_depth(tables, last)),
        ("observed on the strips", _observed(tables)),
        ("causes that cannot be told yet", _causes(tables)),
        ("what would more data do?", _more(tables("more_evidence"))),
        ("how far this can be trusted", _limits(tables, last)),
    ]
    return [Section((f"Appendix: {title}",), tuple(blocks)) for title, blocks in parts if blocks]


def _by_depth(tables: Tables, seasons: list[Row]) -> list[Block]:
    if not seasons:
        return []
    return [*by_strip.water(tables, seasons), *by_strip.depths(tables, seasons)]


def _work(tables: Tables, field: Row) -> list[Block]:
    """Say each working of a field after its name, and whether the ground is still loose.

    The cautions are on page one.
    """
    name = say_row("field", field, "{field}: ")
    said = work.lines(tables, field["field"])
    loose = looseness.of_field(tables, field["field"])
    return [
        *(replace(one, phrase=(*name, *one.phrase)) for one in said),
        *(replace(one, caption=(*name, *one.caption)) for one in loose),
    ]


def _observed(tables: Tables) -> list[Block]:
    return [one for row in tables.fields() for one in observations.of_field(tables, row["field"])]


def _causes(tables: Tables) -> list[Block]:
    rows = tables("response_driver").filter(
        (pl.col("verdict") == "cannot tell yet") & pl.col("rank_correlation").is_not_null()
    )
    caption = say("What might go with the response; a correlation is no proof of a cause")
    return [*grid_of("response_driver", rows.to_dicts(), _CAUSE_COLUMNS, caption)]


def _more(found: pl.DataFrame) -> list[Block]:
    """Say where enough is known; elsewhere what more data would do, and what a new field needs."""
    enough = found.filter(pl.col("enough").fill_null(False) & (pl.col("choice") == AS_IT_STANDS))
    says = (
        "{practice}: enough is known of the mean response; more seasons would say little more of it. "
        "When and why it pays can still be learned."
    )
    blocks: list[Block] = [Line(say_row("more_evidence", row, says)) for row in enough.to_dicts()]
    open_ = found.filter(~pl.col("enough").fill_null(False)).drop_nulls("half_width_pct")
    caption = say("All site-years together")
    blocks += grid_of("more_evidence", open_.to_dicts(), _EVIDENCE_COLUMNS, caption)
    new = found.drop_nulls("new_half_width_pct").to_dicts()
    caption = say("A new field: what another pass, or a season harvested before the work, is worth")
    return [*blocks, *grid_of("more_evidence", new, _NEW_COLUMNS, caption)]


def _limits(tables: Tables, seasons: list[Row]) -> list[Block]:
    """Say what site-years, and all of a practice together, cannot tell: each text once."""
    fields: dict[str, list[Row]] = {}
    for season in seasons:
        row = tables.one("response", field=season["field"], season=season["season"])
        if row is not None and row["limits"] is not None:
            fields.setdefault(row["limits"], []).append(row)
    out: list[Block] = []
    for rows in fields.values():
        names = joined([(cell("response", row, "field"),) for row in rows])
        limits = cell("response", rows[0], "limits")
        out.append(Line(say("{names}: {limits}", names=names, limits=limits)))
    once = {one.value: Line((one,)) for one in _limits_together(tables)}
    return [*out, *once.values()]


def _limits_together(tables: Tables) -> list[Cell]:
    """Return what the means over site-years cannot tell, of yields and below ground."""
    return [
        cell(table, row, "limits")
        for practice in trial.practices(tables)
        for table in ("response_pooled", "evidence_pooled")
        for row in tables(table, practice=practice).drop_nulls("limits").to_dicts()
    ]
