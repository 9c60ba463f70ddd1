"""Tables made part by part are those made whole, whatever changed between."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from uuid import uuid4

import duckdb
import polars as pl
import pytest
from hypothesis import Phase, example, given, settings
from hypothesis import strategies as st

from flows.derive import derive, frames, making
from flows.derive.made_from import MadeFrom
from flows.store import checksum, migrate, warehouse
from schemas.catalogue import TABLES
from schemas.table import Table
from tests.flows import invented
from tests.flows.derive.two_years import DAYS, FIRST, MADE, Tables, put, tables
from tests.flows.invented import frame
from transforms import order


def changed(name: str, **columns: pl.Expr) -> Callable[[Tables], Tables]:
    return lambda given: {name: given[name].with_columns(**columns)}


def without(names: tuple[str, ...], gone: pl.Expr) -> Callable[[Tables], Tables]:
    return lambda given: {name: given[name].filter(~gone) for name in names}


LATE = (pl.col("day") == date(2022, 6, 20)) & (pl.col("probe") == "Home check")
MOVED = (pl.col("probe") == "Far check") & (pl.col("day") >= date(2023, 4, 1))
SWAPPED = (
    (pl.col("probe") == "Home treated")
    & (pl.col("depth_cm") == 20)
    & (pl.col("day") >= date(2022, 5, 20))
)
SILENT = (pl.col("probe") == "Far treated") & pl.col("day").is_between(
    date(2022, 11, 15), date(2023, 2, 15)
)
OF_FIELD = ("field", "strip", "season", "probe_spell", "soil_day", "weather_used_day")


def moved(given: Tables) -> Tables:
    """The probe of one field's check strip stands in the other field's since a spring."""
    spells = given["probe_spell"]
    there = spells.filter(pl.col("probe") == "Far check")
    there = there.with_columns(from_day=pl.lit(date(2023, 4, 1)), field=pl.lit("Home"))
    to_day = pl.when(pl.col("probe") == "Far check").then(pl.lit(date(2023, 3, 31)))
    spells = pl.concat([spells.with_columns(to_day=pl.coalesce("to_day", to_day)), there])
    field = pl.when(MOVED).then(pl.lit("Home")).otherwise("field")
    return {
        "probe_spell": spells.unique(["probe", "from_day"]),
        "soil_day": given["soil_day"].with_columns(field=field),
    }


def season_before(given: Tables) -> Tables:
    """A season that ended before the record began; with no record its harvest is the first day of all."""
    earlier = [
        {"field": "Home", "season": 2021, "crop": "spring wheat"}
        | {"seeded": date(2021, 5, 8), "harvested": date(2021, 8, 28)}
    ]
    return {"season": pl.concat([given["season"], frame("season", earlier)])}


CHANGES: dict[str, Callable[[Tables], Tables]] = {
    "a season before the record": season_before,
    "a late file": changed("soil_day", vwc_mean_pct=pl.col("vwc_mean_pct") - 0.4 * LATE),
    "a day less": without(("soil_day",), LATE),
    "a harvest": changed(
        "season",
        harvested=pl.when(pl.col("season") == 2022)
        .then(pl.lit(date(2022, 9, 2)))
        .otherwise("harvested"),
    ),
    "a harvest more": changed("season", harvested=pl.coalesce("harvested", date(2023, 8, 9))),
    "no harvest": changed("season", harvested=pl.lit(None, pl.Date)),
    "a season less": without(("season",), (pl.col("field") == "Home") & (pl.col("season") == 2022)),
    "a depth": lambda given: {
        name: given[name].with_columns(
            depth_cm=pl.when((pl.col("probe") == "Home check") & (pl.col("depth_cm") == 50))
            .then(60.0)
            .otherwise("depth_cm")
        )
        for name in ("sensor", "soil_day")
    },
    "a depth since a day": lambda given: {
        "soil_day": given["soil_day"].filter(
            (pl.col("depth_cm") < 50) | (pl.col("day") < date(2023, 1, 1))
        )
    },
    "limits": changed("sensor", drained_upper_limit_pct=pl.lit(37.0)),
    "a harvest at the end of a month": changed(
        "season", harvested=pl.coalesce("harvested", date(2023, 7, 31))
    ),
    "a swapped sensor": changed(
        "soil_day",
        **{
            name: pl.col(name) + 4.0 * SWAPPED
            for name in (f"vwc_{n}_pct" for n in ("mean", "min", "max", "last"))
        },
    ),
    "a silent winter": without(("soil_day",), SILENT),
    "a practice": changed("field", practice=pl.lit("a cover crop")),
    "a field less": lambda given: (
        without(OF_FIELD, pl.col("field") == "Far")(given)
        | without(("sensor",), pl.col("probe").str.starts_with("Far"))(given)
    ),
    "a probe moved": moved,
}


def sums(con: duckdb.DuckDBPyConnection) -> dict[str, tuple[int, object]]:
    return {c.name: (c.rows, c.value) for c in checksum.checksums(con) if c.name in MADE}


@pytest.fixture(autouse=True)
def few(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(order, "DAILY", ())
    monkeypatch.setattr(order, "DERIVED", MADE)
    monkeypatch.setattr(derive, "FEW_ROWS", -1)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("parts")


def test_only_the_season_that_a_day_is_of_is_made_again(
    con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    given = tables()
    put(con, given)
    derive.derive(con)
    since: dict[str, date] = {}
    real = making.by_strips

    def watched(table: Table, sources: Tables) -> pl.DataFrame:
        if "drawdown_day" in sources:
            since[table.name] = sources["drawdown_day"].sort("day")["day"].to_list()[0]
        return real(table, sources)

    monkeypatch.setattr(making, "by_strips", watched)
    last = pl.col("day") == FIRST + timedelta(days=DAYS - 1)
    put(con, {"soil_day": given["soil_day"].filter(~last)})
    assert "profile_water_day" in derive.derive(con).tables
    # whole months since the harvest of the season before
    assert set(since.values()) == {date(2022, 8, 1)}
    since.clear()
    assert derive.derive(con).tables == []
    assert since == {}


def test_a_farm_that_was_small_for_a_while_keeps_no_rows_of_that_time(
    con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    given = tables()
    put(con, given)
    derive.derive(con)
    before = sums(con)
    for few, of in ((10**9, CHANGES["a late file"](given)), (-1, given)):
        monkeypatch.setattr(derive, "FEW_ROWS", few)
        put(con, {"soil_day": of["soil_day"]})
        derive.derive(con)
        assert (sums(con) == before) == (few < 0)


def test_what_all_parts_share_is_read_once_for_as_many_as_are_made_together(
    con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    given = tables()
    put(con, given)
    of_probe = given["soil_day"].group_by("probe").len()["len"].to_list()
    assert len(of_probe) == 4
    assert given["weather_used_day"].height > max(of_probe)  # has no probe, so it is of all parts
    monkeypatch.setattr(derive, "PART_ROWS", 2 * max(of_probe) + 50)
    made: list[list[str]] = []
    real = making.by_strips

    def watched(table: Table, sources: Tables) -> pl.DataFrame:
        if table.name == "soil_quality_day":
            made.append(sorted(sources["soil_day"]["probe"].unique()))
        return real(table, sources)

    monkeypatch.setattr(making, "by_strips", watched)
    derive.derive(con)
    # Both years of a probe are made from all its rows: together, so these are read once.
    assert made == [["Far check", "Far treated"], ["Home check", "Home treated"]]


def test_of_a_source_that_was_read_whole_the_same_rows_are_given(
    con: duckdb.DuckDBPyConnection,
) -> None:
    put(con, tables())
    derive.derive(con)
    made_from, given = MadeFrom(con), 0
    for name in MADE:
        parts = made_from.parts(name)
        for source in made_from.sources(name) if parts is not None else ():
            whole = warehouse.read(con, TABLES[source])
            for part in parts.made_from:
                rows = parts.given(con, source, [part])
                assert parts.given(con, source, [part], whole).equals(rows), (name, source, part)
                given += rows.height < whole.height
    assert given > 0


def test_rows_of_a_growing_season_that_is_no_more_go(con: duckdb.DuckDBPyConnection) -> None:
    given, gone = tables(), (pl.col("field") == "Home") & (pl.col("season") == 2023)
    put(con, given)
    derive.derive(con)
    left = ("root_arrival", "drawdown_season")
    for name in left:
        assert not warehouse.read(con, TABLES[name]).filter(gone).is_empty()
    put(con, {"season": given["season"].filter(~gone)})
    derive.derive(con)
    for name in left:
        rows = warehouse.read(con, TABLES[name])
        assert rows.filter(gone).is_empty()
        assert not rows.filter(pl.col("field") == "Home").is_empty()


def test_rows_of_a_field_that_is_no_more_go(con: duckdb.DuckDBPyConnection) -> None:
    given = tables()
    put(con, given)
    derive.derive(con)
    by_day = ("drawdown_day", "soil_water_day", "soil_quality_day")
    for name in by_day:
        assert warehouse.read(con, TABLES[name])["probe"].str.starts_with("Far").any()
    put(con, given | CHANGES["a field less"](given))
    derive.derive(con)
    for name in by_day:
        rows = warehouse.read(con, TABLES[name])
        assert not rows.is_empty()
        assert not rows["probe"].str.starts_with("Far").any()


@settings(max_examples=2, deadline=None, phases=[Phase.explicit, Phase.generate])
@given(steps=st.lists(st.sampled_from(list(CHANGES)), min_size=2, max_size=3, unique=True))
@example(steps=list(CHANGES))
def test_by_parts_it_is_as_made_whole(place: Path, steps: list[str]) -> None:
    now = tables()
    later = pl.col("day") > FIRST + timedelta(days=440)
    with duckdb.connect(str(place / f"{uuid4()}.duckdb")) as con:
        migrate.bring_up(con)
        put(con, now | {"soil_day": now["soil_day"].filter(~later)})
        derive.derive(con)
        for number, step in enumerate(steps):
            now |= CHANGES[step](now)
            put(con, now)
            with pytest.MonkeyPatch.context() as patch:
                patch.setattr(derive, "PART_ROWS", 600)
                # As a farm that grows: made whole while it is small.
                patch.setattr(derive, "FEW_ROWS", 10**9 if number % 4 == 2 else -1)
                patch.setattr(frames, "SMALL_ROWS", 10**9 if number % 2 else -1)
                patch.setattr(frames, "RECENT_ROWS", 10**9 if number % 3 else -1)
                derive.derive(con)
            assert sums(con) == whole(now), step
        made = sums(con)
        assert made["root_arrival"][0] > 0
        assert made["soil_offset"][0] == ("a swapped sensor" in steps)


def whole(now: Tables) -> dict[str, tuple[int, object]]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(MadeFrom, "parts", lambda self, name: None)
        con = invented.scratch()
        put(con, now)
        derive.derive(con)
        return sums(con)
