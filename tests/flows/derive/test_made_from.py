from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from functools import wraps

import duckdb
import numpy as np
import polars as pl
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from flows.derive import derive, making
from flows.derive.problems import Problems
from flows.store import checksum, warehouse
from schemas.catalogue import TABLES
from tests.flows import invented
from tests.flows.invented import frame
from transforms import order

DAYS = 40
SOME = ("normal_month", "normal_day", "weather_used_day", "rain_day", "rain_month")


@pytest.fixture
def few(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(order, "DAILY", ("weather_day",))
    monkeypatch.setattr(order, "DERIVED", SOME)


def watch(
    monkeypatch: pytest.MonkeyPatch,
    spoil: Callable[[str, pl.DataFrame], pl.DataFrame] = lambda name, rows: rows,
) -> list[str]:
    """The names of the tables that are made from now on."""
    made: list[str] = []
    real = making.function

    def watched(name: str) -> Callable[..., pl.DataFrame]:
        @wraps(real(name))
        def watching(**tables: pl.DataFrame) -> pl.DataFrame:
            made.append(name)
            return spoil(name, real(name)(**tables))

        return watching

    monkeypatch.setattr(making, "function", watched)
    return made


def started(con: duckdb.DuckDBPyConnection) -> None:
    invented.put(con, invented.readings(DAYS, step_h=6))
    derive.derive(con)


@pytest.mark.usefixtures("few")
def test_a_quiet_derive_makes_no_table(
    con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    started(con)
    made = watch(monkeypatch)
    assert derive.derive(con) == derive.Derived()
    assert made == []


@pytest.mark.usefixtures("few")
def test_only_what_follows_from_a_change_is_made_again(
    con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    started(con)
    made = watch(monkeypatch)
    longer = invented.setup()["season"].with_columns(harvested=date(2024, 9, 2))
    invented.put_setup(con, {"season": longer})
    derive.derive(con)
    assert made == [name for name in SOME if "season" in signature(name)]
    made.clear()
    derive.derive(con)
    assert made == []


def signature(name: str) -> list[str]:
    return [table.name for table in making.sources(name)]


def test_what_depends_on_harvested_seasons_is_not_made_again_while_a_crop_grows(
    con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(order, "DAILY", ())
    monkeypatch.setattr(order, "DERIVED", ("evidence_pooled",))
    seasons = invented.setup()["season"]
    cut = seasons.with_columns(
        season=pl.lit(2023, pl.Int64), seeded=date(2023, 5, 2), harvested=date(2023, 9, 2)
    )
    grows = seasons.with_columns(harvested=pl.lit(None, pl.Date))
    invented.put_setup(con, {"season": pl.concat([cut, grows])})
    put_lead(con, 2023)
    derive.derive(con)
    made = watch(monkeypatch)
    put_lead(con, 2024)
    derive.derive(con)
    assert made == []
    con.execute("UPDATE root_lead SET lead_d = 5 WHERE season = 2023")
    derive.derive(con)
    assert made == ["evidence_pooled"]
    invented.put_setup(
        con, {"season": pl.concat([cut, grows.with_columns(harvested=date(2024, 9, 1))])}
    )
    made.clear()
    derive.derive(con)
    assert made == ["evidence_pooled"]


def test_without_what_it_needs_a_table_is_not_made_again(
    con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(order, "DAILY", ())
    monkeypatch.setattr(order, "DERIVED", ("working_window",))
    derive.derive(con)
    made = watch(monkeypatch)
    put(con, "soil_water_day", WATER)
    derive.derive(con)
    assert made == []
    for pushed, height in ((PUSHED, 1), (None, 0)):
        put(con, "penetrometer", pushed)
        derive.derive(con)
        assert warehouse.read(con, TABLES["working_window"]).height == height
    assert made == ["working_window"] * 2


WATER = {"probe": "p", "depth_cm": 20.0, "day": date(2024, 6, 1), "field": "Home"} | {
    **{"strip": "check", "layer_top_cm": 10.0, "layer_bottom_cm": 30.0, "vwc_pct": 30.0},
    **{"storage_mm": 60.0, "available_water_share": 0.5, "coverage": 1.0, "partial": False},
}
PUSHED = {"field": "Home", "strip": "check", "day": date(2024, 5, 30), "place": "1"} | {
    **{"depth_cm": 20.0, "cone_index_mpa": 2.5},
}


def put(con: duckdb.DuckDBPyConnection, name: str, row: dict[str, object] | None) -> None:
    warehouse.replace(con, TABLES[name], frame(name, [row] if row else []))


def put_lead(con: duckdb.DuckDBPyConnection, season: int) -> None:
    row = {"field": "Home", "strip": "treated", "against": "check", "season": season}
    row |= {"depth_cm": 50.0, "lead_d": 4.0, "known": "both", "coverage": 1.0, "partial": False}
    warehouse.append(con, TABLES["root_lead"], invented.frame("root_lead", [row]))


@pytest.mark.usefixtures("few")
@pytest.mark.parametrize(
    "statement",
    ["DELETE FROM rain_day", "UPDATE rain_day SET rain_mm = 99 WHERE day = '2024-04-09'"],
)
def test_rows_that_are_no_more_those_that_were_made_are_made_again(
    con: duckdb.DuckDBPyConnection, statement: str
) -> None:
    started(con)
    before = checksum.total(con)
    con.execute(statement)
    assert checksum.total(con) != before
    derive.derive(con)
    assert checksum.total(con) == before


@pytest.mark.usefixtures("few")
def test_a_table_with_a_problem_is_made_each_time(
    con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    def spoil(name: str, rows: pl.DataFrame) -> pl.DataFrame:
        return rows.with_columns(rain_mm=pl.lit(-1.0)) if name == "rain_month" else rows

    invented.put(con, invented.readings(DAYS, step_h=6))
    with monkeypatch.context() as during:
        watch(during, spoil)
        assert derive.derive(con).problems != []
    made = watch(monkeypatch)
    assert derive.derive(con).problems == []
    assert made == ["rain_month"]


@pytest.mark.usefixtures("few")
def test_a_derive_that_breaks_off_leaves_nothing_stale(
    con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = invented.readings(DAYS, step_h=6)["weather_reading"]
    early = pl.col("time").dt.date() < invented.FIRST + timedelta(days=20)
    invented.put(con, {"weather_reading": rows.filter(early)})
    derive.derive(con)
    invented.put(con, {"weather_reading": rows.filter(~early)})

    def breaks_off(self: Problems, con: duckdb.DuckDBPyConnection) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as during, pytest.raises(KeyboardInterrupt):
        during.setattr(Problems, "write", breaks_off)
        derive.derive(con)
    derive.derive(con)
    whole = invented.scratch()
    invented.put(whole, {"weather_reading": rows})
    derive.derive(whole)
    assert checksum.total(con) == checksum.total(whole)


def changes() -> dict[str, dict[str, pl.DataFrame]]:
    """Changes of the set-up and the field book, by what they are."""
    setup, late = invented.setup(), date(2024, 4, 20)
    first = pl.col("probe") == "probe T"
    return {
        "a depth": {
            "sensor": setup["sensor"].with_columns(
                depth_cm=pl.when(first & (pl.col("depth_cm") == 70))
                .then(75.0)
                .otherwise("depth_cm")
            )
        },
        "limits": {"sensor": setup["sensor"].with_columns(drained_upper_limit_pct=pl.lit(39.0))},
        "seeding": {"season": setup["season"].with_columns(seeded=late)},
        "texture": {"field": setup["field"].with_columns(soil_texture=pl.lit("loam"))},
        "a spell": {
            "probe_spell": setup["probe_spell"].with_columns(
                to_day=pl.when(first).then(pl.lit(late))
            )
        },
        "the start of the day": {"farm": setup["farm"].with_columns(day_starts_h=9.0)},
    }


CHANGES = changes()


@settings(max_examples=3, deadline=None, phases=[Phase.explicit, Phase.generate])
@given(
    seed=st.integers(0, 1000),
    steps=st.lists(st.sampled_from(["a file", *CHANGES]), min_size=2, max_size=4),
)
def test_any_way_gives_what_making_all_at_once_gives(seed: int, steps: list[str]) -> None:
    rng = np.random.default_rng(seed)
    parts = len(steps) + 1
    pieces: list[dict[str, pl.DataFrame]] = [{} for _ in range(parts)]
    for name, rows in invented.readings(DAYS, step_h=6).items():
        day = rows["time"].dt.date().rank("dense").cast(pl.Int64) - 1
        labels = pl.Series(rng.integers(0, parts, DAYS + 1)).gather(day)
        for part, piece in enumerate(pieces):
            piece[name] = rows.filter(labels == part)
    con, final = invented.scratch(), dict(invented.setup())
    for number, step in enumerate(["a file", *steps]):
        invented.put(con, pieces[number])  # also beside each change
        if step != "a file":
            invented.put_setup(con, CHANGES[step])
            final |= CHANGES[step]
        derive.derive(con)
    whole = invented.scratch()
    invented.put_setup(whole, final)
    invented.put(whole, invented.readings(DAYS, step_h=6))
    derive.derive(whole)
    differ = [
        (one.name, one.rows, other.rows)
        for one, other in zip(checksum.checksums(con), checksum.checksums(whole), strict=True)
        if one.counts and (one.rows, one.value) != (other.rows, other.value)
    ]
    assert differ == []
    assert TABLES["soil_water_day"].name in {
        one.name for one in checksum.checksums(con) if one.rows
    }
    assert warehouse.read(con, TABLES["derive_problem"]).is_empty()
