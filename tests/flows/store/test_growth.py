"""The writer's file over a month of daily turns: it grows by its data, not by what stays the same."""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from flows.farm.folder import FarmFolder
from flows.store import warehouse
from schemas import generated
from schemas.catalogue import TABLES

DAY = TABLES["soil_day"]
PROBES, DEPTHS, TURNS = 8, (10.0, 30.0, 50.0, 70.0, 100.0), 30
DAYS = 30_000  # so that the table is ten row groups: DuckDB writes the last of them again each turn
FIRST = date(1900, 1, 1)
MOST = 1.25  # of the file before: that row group, old and new, and a block or two of each column


def rows(first: int, after: int) -> pl.DataFrame:
    """Return days of several probes with numbers that hardly compress."""
    ends = (FIRST + timedelta(days=n) for n in (first, after))
    day = pl.DataFrame({"day": pl.date_range(*ends, closed="left", eager=True)})
    day = day.with_columns(n=pl.int_range(first, after))
    probe = pl.DataFrame({"probe": [f"p{n}" for n in range(PROBES)]})
    frame = probe.join(pl.DataFrame({"depth_cm": DEPTHS}), how="cross").join(day, how="cross")
    shade = (pl.struct("probe", "depth_cm", "n").hash(7) % 1_000_000) / 1e6
    value = {
        "vwc_mean_pct": 20.0 + 10.0 * shade,
        "vwc_min_pct": 15.0 + 5.0 * shade,
        "vwc_max_pct": 30.0 + 5.0 * shade,
    }
    return generated.conform(frame.with_columns(**value).drop("n"), DAY).sort(DAY.key)


def test_a_month_of_days_does_not_let_the_file_grow_beyond_its_data(folder: FarmFolder) -> None:
    with warehouse.open_writer(folder) as con:
        warehouse.insert(con, DAY, rows(0, DAYS))
    before = most = folder.warehouse_file.stat().st_size
    for day in range(DAYS, DAYS + TURNS):
        with warehouse.open_writer(folder) as con, warehouse.transaction(con):
            before_it, after_it = rows(day - 30, day), rows(day - 30, day + 1)
            assert not warehouse.update(con, DAY, before_it, after_it).is_empty()
        most = max(most, folder.warehouse_file.stat().st_size)
    assert most < MOST * before
    with warehouse.open_writer(folder) as con:
        ((number,),) = con.sql("SELECT count(*) FROM soil_day").fetchall()
    assert number == (DAYS + TURNS) * PROBES * len(DEPTHS)


DRAWN = st.dictionaries(
    st.tuples(st.sampled_from("ab"), st.integers(0, 3)),
    st.sampled_from((None, 0.0, 1.5, float("nan"))),
    max_size=6,
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])  # emptied for each example
@given(before=DRAWN, after=DRAWN)
def test_an_update_leaves_the_rows_that_were_given(con, before, after):
    old, new = (
        generated.conform(
            pl.DataFrame(
                [("p" + p, 10.0, FIRST + timedelta(days=n), v) for (p, n), v in drawn.items()],
                {
                    "probe": pl.String,
                    "depth_cm": pl.Float64,
                    "day": pl.Date,
                    "vwc_mean_pct": pl.Float64,
                },
                orient="row",
            ),
            DAY,
        ).sort(DAY.key)
        for drawn in (before, after)
    )
    con.execute(f"DELETE FROM {DAY.name}")
    warehouse.insert(con, DAY, old)
    revision = warehouse.revision(con)
    differing = warehouse.update(con, DAY, old, new)
    assert warehouse.read(con, DAY).equals(new)
    both = pl.concat([old, new])
    once = both.filter(pl.len().over(DAY.names) == 1)
    assert differing.sort(DAY.key).equals(once.sort(DAY.key))
    assert (
        (not differing.is_empty()) == (not old.equals(new)) == (warehouse.revision(con) > revision)
    )
