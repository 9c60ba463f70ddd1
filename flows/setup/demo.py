"""The demo: an invented farm laid out, run through the whole pipeline once, and summed up."""

from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import duckdb
import polars as pl

from demo_warehouse.simulator import next_field
from demo_warehouse.simulator.build import lay_out
from demo_warehouse.simulator.known import OFFSET_H
from demo_warehouse.simulator.plan import LAST
from flows.base.errors import UserError
from flows.base.progress import Tick, silent
from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.pages import render
from flows.pages.cells import Line, Page, Section, grid_of, say
from flows.pages.digest import write as digests
from flows.pages.published_tables import Tables
from flows.pages.reader_units import Show
from flows.pages.report import trial
from flows.pages.report import write as reports
from flows.pages.sections import harvest
from flows.pages.week import Week
from flows.run import steps
from flows.setup.plan import written
from flows.setup.plan.plan import Wanted
from flows.store import answer_table, query

_ARRIVED = """
    SELECT (SELECT count(*) FROM delivery) AS deliveries,
        (SELECT count(*) FROM weather_reading) AS weather_readings,
        (SELECT count(*) FROM soil_reading) AS soil_readings,
        (SELECT count(*) FROM quarantine) AS quarantined
"""
_REFUSED = """
    SELECT cause, extent AS what, count(*) AS count, min(name) AS "for example in" FROM quarantine
    GROUP BY cause, extent ORDER BY count DESC, cause
"""
_RAIN = """
    SELECT field, season, crop, round(sum(rain_mm), 0) AS rain, round(sum(normal_recorded_mm), 0)
        AS normal, round(100 * sum(rain_mm) / sum(normal_recorded_mm), 0) AS "% of normal",
        floor(100 * avg(coverage)) AS "% recorded"
    FROM rain_month m JOIN season s USING (field, season)
    WHERE strip = 'check' AND make_date(m.year, m.month, 1) >= date_trunc('month', s.seeded)
        AND coalesce(make_date(m.year, m.month, 1) <= s.harvested, true)
    GROUP BY field, season, crop ORDER BY field, season
"""
_DRAWDOWN = """
    SELECT depth_cm AS "depth cm",
        round(avg(uptake_mm) FILTER (strip = 'treated'), 0) AS "treated mm",
        round(avg(uptake_mm) FILTER (strip = 'check'), 0) AS "check mm",
        round(100 * sum(shared_mm) FILTER (strip = 'treated')
            / sum(sum(shared_mm) FILTER (strip = 'treated')) OVER (), 0) AS "treated %",
        round(100 * sum(shared_mm) FILTER (strip = 'check')
            / sum(sum(shared_mm) FILTER (strip = 'check')) OVER (), 0) AS "check %",
        count(DISTINCT (field, season)) AS seasons,
        floor(100 * avg(coverage)) AS "% of days"
    FROM (
        SELECT *, CASE WHEN uptake_share IS NOT NULL THEN uptake_mm END AS shared_mm
        FROM drawdown_season
    ) JOIN field USING (field)
    WHERE practice = ? GROUP BY depth_cm ORDER BY depth_cm
"""
PLAN_SEED = 5  # the same sides each time
EARLIEST = date(2021, 10, 1)  # the first harvest is in
STORY_WIDTH = 118  # a terminal's window; the story is to be under a page
_RESPONSE_HEADINGS = {
    "field": "Field",
    "season": "Season",
    "crop": "Crop",
    "years_since": "Harvests since",
    "response_kg_ha": "Response",
    "response_low_kg_ha": "from",
    "response_high_kg_ha": "to",
    "verdict": "Verdict",
}


def yesterday() -> date:
    """Return the day before today where the invented farm lies: no record is ahead of the clock."""
    return (datetime.now(UTC) + timedelta(hours=OFFSET_H)).date() - timedelta(days=1)


def demo(root: Path, tick: Tick = silent, on: date = LAST) -> str:
    """Lay the invented farm out in ``root`` and run it once; returns the summary.

    ``on`` is the last day of its record, used if the folder is new. Raises UserError if the folder
    holds another farm, or if ``on`` is not a day that the demo can end on.
    """
    if not EARLIEST <= on < datetime.now(UTC).date() + timedelta(days=1):
        raise UserError(
            f"The demo cannot end on {on}: give a day from {EARLIEST} to today, as in --date {LAST}"
        )
    folder = FarmFolder(root.expanduser().resolve())
    if folder.farm_toml.exists():
        name = farm_file.load(folder.farm_toml).farm.name
        if "invented" not in name:
            raise UserError(
                f"{folder.root} holds the farm '{name}', which is not the demo; nothing was changed. "
                "Name another folder."
            )
    else:
        lay_out(
            folder.root, progress=lambda share, what: tick(what, int(share * 1000), 1000), on=on
        )
    runs = steps.turn(FarmFolder.at(folder.root), tick)
    summaries = "\n".join(f"  {run.flow}: {run.summary}" for run in runs)
    pages = _pages(folder, tick)
    steps.start_page(folder)  # it links them
    with query.open_published(folder) as con:
        parts = [
            _heading(folder, con),
            summaries,
            _findings(con),
            _story(con),
            pages,
            _next_steps(root),
        ]
        return "\n\n".join(parts)


def _pages(folder: FarmFolder, tick: Tick) -> str:
    """One digest, of a week in which the roots are on their way down, the last report, the next field's plan."""
    tick("writing pages", 0, 2)
    with query.open_published(folder) as con:
        ((last,),) = con.sql("SELECT max(harvested) FROM season").fetchall()
    paths = [digests.write(folder, Week.of(last - timedelta(days=56))).paths[0]]
    tick("writing pages", 1, 2)
    paths.append(reports.write(folder, last.year))
    wanted = Wanted(next_field.NAME, "30 ft", "15 ft", blocks=4, seed=PLAN_SEED)
    paths.append(written.make(folder, wanted).files[-1])
    tick("writing pages", 2, 2)
    return "\n".join(["Pages to open", *(f"  {path}" for path in paths)])


def _heading(folder: FarmFolder, con: duckdb.DuckDBPyConnection) -> str:
    ((name,),) = con.sql("SELECT farm FROM farm").fetchall()
    return f"{name}, in {folder.root}\nThis farm does not exist: every figure below is invented."


def _findings(con: duckdb.DuckDBPyConnection) -> str:
    practices = con.sql("SELECT DISTINCT practice FROM field ORDER BY practice").fetchall()
    parts = {
        "What arrived": _table(con, _ARRIVED),
        "What was rejected, and why": _table(con, _REFUSED),
        "Rain against normal, month of seeding to month of harvest, mm, check strips": _table(
            con, _RAIN
        ),
    }
    for (practice,) in practices:
        heading = (
            f"Where the water came from, {practice}: mean uptake of a season by depth, over the days "
            "that both strips have"
        )
        parts[heading] = _table(con, _DRAWDOWN, practice)
    return "\n\n".join(f"{heading}\n{body}" for heading, body in parts.items())


def _story(con: duckdb.DuckDBPyConnection) -> str:
    """The trial as sentences, in the farm's units: did it respond, how often, why, the money, what next."""
    tables = Tables(con)
    show = tables.show()
    worked = tables("response").filter(pl.col("operation_day").is_not_null())
    caption = say("Treated less check after the work, with its 95% interval")
    grid = grid_of(
        "response", worked.sort("field", "season").to_dicts(), _RESPONSE_HEADINGS, caption
    )
    sections = [Section(("Did it respond?",), tuple(grid))] if grid else []
    shown: set[str] = set()
    for practice in sorted(worked["practice"].unique()):
        lines = _new(trial.in_words(tables, practice), shown, show)
        heading = f"{practice.capitalize()}, all site-years together"
        sections.append(Section((heading,), tuple(lines)))
    paid: list[Line] = []
    for field, last in worked.group_by("field").agg(pl.col("season").max()).sort("field").rows():
        paid += harvest.money(tables, field, last)
    sections.append(Section(("Has it paid?",), tuple(paid)))
    advised: list[Line] = []
    shown = set()
    for row in tables("field_outlook").sort("rank").to_dicts():
        lines = harvest.fall(tables, row["field"], row["fall"], row["soil_state_day"])
        advised += _new(lines, shown, show)
    sections.append(Section(("Which fields next?",), tuple(advised)))
    foot = (Line((harvest.NOT_ADVICE,)),)
    story = render.text(Page(("The trial",), (), tuple(sections), foot), show, STORY_WIDTH)
    # one page: headings stand by the empty line before them, without a rule below
    kept = [line for line in story.splitlines()[2:] if not line or line.strip("-")]
    return "\n".join(
        line for line, before in zip(kept, ["", *kept], strict=False) if line or before
    )


def _new(lines: Iterable[Line], shown: set[str], show: Show) -> list[Line]:
    """Return the lines whose text was not shown yet, and add it to what was."""
    new: list[Line] = []
    for line in lines:
        text = render.line_text(line, show)
        if text not in shown:
            shown.add(text)
            new.append(line)
    return new


def _table(con: duckdb.DuckDBPyConnection, sql: str, *given: str) -> str:
    rows = con.sql(sql, params=list(given)) if given else con.sql(sql)
    return "\n".join(f"  {line}" for line in answer_table.to_table(rows, 40).splitlines()[:-1])


def _next_steps(root: Path) -> str:
    return (
        "Next\n"
        f"  checkstrip status {root}\n"
        f'  checkstrip sql {root} "FROM customary.drawdown_season WHERE season = 2024"\n'
        f"  checkstrip tables {root} response\n"
        f"  or open {root / 'warehouse' / 'published' / 'checkstrip.duckdb'} with any DuckDB front end.\n"
        "  For your own farm: checkstrip new FOLDER"
    )
