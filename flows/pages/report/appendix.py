"""The report's appendix: the work, passes, roots by depth, open causes, more data, how far to trust it."""

from dataclasses import replace

import polars as pl

from flows.pages.cells import (
    Block,
    Cell,
    Line,
    Row,
    Section,
    cell,
    grid,
    grid_of,
    say,
    say_row,
)
from flows.pages.pictures import harvest_map
from flows.pages.published_tables import Tables
from flows.pages.reader_units import Show
from flows.pages.report import by_strip, field_row, trial
from flows.pages.report.chosen import last_of_each
from flows.pages.sections import looseness, observations, short, work, worth

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
    "new_half_width_pct": "Half of a new field's first interval",
}
AS_IT_STANDS = "as it stands"


def sections(tables: Tables, chosen: pl.DataFrame, show: Show) -> list[Section]:
    """Return the appendix for the chosen seasons; parts without data are left out.

    The passes are of all of them; water, roots, observations and limits of each field's last one.
    """
    seasons = chosen.sort("season", "field")
    last = last_of_each(chosen).to_dicts()
    parts: list[tuple[str, list[Block]]] = [
        ("the work", _work(tables)),
        ("cost and net at other prices", _money(tables, last)),
        ("passes", by_strip.passes(tables, seasons.to_dicts())),
        ("mapped harvest", _maps(tables, last, show)),
        ("the ground under the strips", by_strip.ground(tables, last)),
        ("the response by kind of ground", by_strip.by_ground(tables, last)),
        ("roots and water by depth", _by_depth(tables, last)),
        ("observed on the strips", observations.of_seasons(tables, last)),
        ("causes not known yet", _causes(tables)),
        ("what would more data do?", _more(tables("more_evidence"))),
        ("how far this can be trusted", _limits(tables, last)),
    ]
    return [Section((f"Appendix: {title}",), tuple(blocks)) for title, blocks in parts if blocks]


def _by_depth(tables: Tables, seasons: list[Row]) -> list[Block]:
    if not seasons:
        return []
    return [*by_strip.water(tables, seasons), *by_strip.depths(tables, seasons)]


def _money(tables: Tables, seasons: list[Row]) -> list[Block]:
    fields = dict.fromkeys(one["field"] for one in seasons)
    costs = [line for name in fields for line in worth.budget(tables, name)]
    worths = [line for one in seasons for line in worth.lines(tables, one["field"], one["season"])]
    return [*costs, *worths, *worth.sensitivity(tables, seasons)]


def _maps(tables: Tables, seasons: list[Row], show: Show) -> list[Block]:
    return [picture for one in seasons for picture in harvest_map.of_season(tables, one, show)]


def _work(tables: Tables) -> list[Block]:
    """Say each working after its field's name, and whether the ground is still loose; cautions: page one."""
    said: list[Block] = []
    for field in tables.fields():
        name = say_row("field", field, "{field}: ")
        said += [
            replace(one, phrase=(*name, *one.phrase)) for one in work.lines(tables, field["field"])
        ]
    return [*said, *looseness.of_fields(tables)]


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
    open_ = found.filter(~pl.col("enough").fill_null(False)).filter(
        pl.any_horizontal(pl.col("half_width_pct", "new_half_width_pct").is_not_null())
    )
    rows = [
        tuple(short.value("more_evidence", row, name) for name in _EVIDENCE_COLUMNS)
        for row in open_.to_dicts()
    ]
    caption = say("All site-years together, and the first response of a new field")
    table = grid(caption, _EVIDENCE_COLUMNS.values(), rows, _notes(open_))
    return [*blocks, table] if rows else blocks


def _notes(found: pl.DataFrame) -> list[Line]:
    """Say of each choice why it is partial, once for all practices."""
    partial = found.filter(pl.col("partial") & pl.col("reason").is_not_null())
    once = partial.unique(["choice", "reason"], keep="first", maintain_order=True).to_dicts()
    return [Line(say_row("more_evidence", row, "{choice}: {reason}.")) for row in once]


def _limits(tables: Tables, seasons: list[Row]) -> list[Block]:
    """Say what site-years, and all of a practice together, cannot tell: each text once."""
    rows = [
        row
        for season in seasons
        if (row := tables.one("response", field=season["field"], season=season["season"]))
    ]
    out: list[Block] = [*field_row.limits(rows)]
    once = {one.value: Line((one,)) for one in _limits_together(tables)}
    return [*out, *once.values()]


def _limits_together(tables: Tables) -> list[Cell]:
    """Return what the means over site-years cannot tell, of yields and below ground."""
    return [
        cell(table, row, "limits")
        for practice in trial.practices(tables)
        for table in ("response_pooled", "evidence_pooled")
        for row in tables(table, practice=practice).drop_nulls("limits").to_dicts()
        if row.get("grouping", "all") == "all"
    ]
