from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from datetime import timedelta
from functools import wraps
from pathlib import Path

import polars as pl
import pytest

from flows import cli
from flows.base.errors import Attention, Busy, UserError
from flows.derive import derive, making
from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.run import steps
from flows.store import answer, dictionary, flow_runs, publish, query, warehouse
from flows.trust import status
from schemas import dictionary as text
from schemas.catalogue import TABLES
from tests.flows import invented
from tests.flows.cli.calling import call
from transforms import order


@pytest.fixture
def published(folder: FarmFolder, monkeypatch: pytest.MonkeyPatch) -> FarmFolder:
    """A farm folder with a few days derived and published."""
    monkeypatch.setattr(order, "DAILY", ("weather_day", "soil_day"))
    monkeypatch.setattr(order, "DERIVED", ())
    with warehouse.open_writer(folder) as con:
        invented.put_setup(con, invented.setup())
        invented.put(con, invented.readings(2, step_h=6))
        derive.derive(con)
    publish.publish(folder)
    return folder


def test_help_of_each_command_has_an_example(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    code, out, _ = call(capsys, monkeypatch, "--help")
    assert code == 0
    names = {c.name or c.callback.__name__ for c in cli.app.registered_commands if c.callback}
    assert {"new", "once", "run", "collect", "derive", "publish", "status"} <= names
    assert {"sql", "tables", "rebuild", "checksum"} <= names
    for name in names:
        assert name in out
        code, told, _ = call(capsys, monkeypatch, name, "--help")
        assert code == 0
        assert f"checkstrip {name}" in told


def test_a_table_that_cannot_be_made_is_named_by_derive_status_and_checksum(
    published: FarmFolder, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = making.function

    def broken(name: str) -> Callable[..., pl.DataFrame]:
        made = whole(name)

        @wraps(made)
        def fails(**given: pl.DataFrame) -> pl.DataFrame:
            raise ZeroDivisionError("division by zero")

        return fails if name == "soil_day" else made

    farm = str(published.root)
    assert call(capsys, monkeypatch, "checksum", farm)[0] == 0
    with warehouse.open_writer(published) as con:
        invented.put(con, invented.readings(1, invented.FIRST + timedelta(days=2), step_h=6))
    monkeypatch.setattr(making, "function", broken)
    for command in ("derive", "publish", "status", "checksum"):
        code, out, _ = call(capsys, monkeypatch, command, farm)
        assert code == (0 if command == "publish" else 1)
        assert command == "publish" or "soil_day" in out
    assert out.splitlines()[-1].endswith(" all but soil_day")


def test_a_users_mistake_is_told_plainly(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    for words, said in (
        (("status", tmp_path / "nowhere"), "There is no folder"),
        (("once", tmp_path), "has no farm.toml"),
    ):
        code, out, err = call(capsys, monkeypatch, *words)
        assert (code, out) == (2, "")
        assert said in err
        assert "Traceback" not in err


def test_a_new_farm_runs_as_it_stands(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    root = tmp_path / "my farm"
    code, out, _ = call(capsys, monkeypatch, "new", root, "--units", "us")
    assert code == 0
    assert "checkstrip once" in out
    assert farm_file.load(root / "farm.toml").farm.units == "us"
    assert (root / "fieldbook.xlsx").is_file()
    assert list((root / "drop").iterdir()) == []
    assert call(capsys, monkeypatch, "new", root)[0] == 2
    assert call(capsys, monkeypatch, "new", tmp_path / "other", "--units", "cubits")[0] == 2
    code, out, err = call(capsys, monkeypatch, "once", root)
    assert code == 0, err
    runs = [line.split(":")[0] for line in out.splitlines() if not line.startswith("  ")]
    assert runs == ["collect", "derive", "publish"]
    assert "The farm has no place" in out
    code, out, _ = call(capsys, monkeypatch, "status", root, "--json")
    assert code == 0
    assert {run["flow"] for run in json.loads(out)["runs"]} == {"collect", "derive", "publish"}


def test_sql_in_its_four_shapes(
    published: FarmFolder,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    ask = "SELECT station, day, rain_mm FROM weather_day ORDER BY ALL"
    expected = []
    with query.open_published(published) as con:
        expected = answer.frame(query.ask(con, ask))
    code, out, _ = call(capsys, monkeypatch, "sql", published.root, ask)
    assert code == 0
    assert out.splitlines()[-1] == "4 rows"
    assert out.splitlines()[0].split() == ["station", "day", "rain_mm"]
    code, out, _ = call(capsys, monkeypatch, "sql", published.root, ask, "--csv")
    assert pl.read_csv(out.encode(), try_parse_dates=True).equals(expected)
    code, out, _ = call(capsys, monkeypatch, "sql", published.root, ask, "--json")
    assert [r["station"] for r in json.loads(out)] == expected["station"].to_list()
    file = tmp_path / "out.parquet"
    assert call(capsys, monkeypatch, "sql", published.root, ask, "--parquet", file)[0] == 0
    assert pl.read_parquet(file).equals(expected)
    code, _, err = call(capsys, monkeypatch, "sql", published.root, "SELECT rain FROM weather_day")
    assert code == 2
    assert "rain" in err
    assert call(capsys, monkeypatch, "sql", published.root, "DROP TABLE weather_day")[0] == 2
    assert call(capsys, monkeypatch, "sql", published.root, ask, "--csv", "--json")[0] == 2
    with query.open_published(published) as con:
        assert query.counts(con)["weather_day"] == 4


def test_times_in_csv_and_json_are_utc() -> None:
    rows = invented.weather("station T", 1, step_h=6).select("time")
    assert answer.to_csv(rows).splitlines()[1] == "2024-04-01T12:00:00Z"
    assert json.loads(answer.to_json(rows))[0] == {"time": "2024-04-01T12:00:00Z"}


def test_status_tells_who_is_silent_and_what_failed(published: FarmFolder) -> None:
    now = invented.times(3, invented.FIRST, 24)[-1]
    found = status.status(published, now)
    heard = {i["instrument"]: i["silent_h"] for i in found.instruments}
    assert heard == {"station T": 24, "station C": 24, "probe T": 24, "probe C": 24}
    assert found.attention == []
    with pytest.raises(Attention), flow_runs.recorded(published, "collect"):
        raise Attention("the share is gone")
    with warehouse.open_writer(published) as con:
        spell = invented.setup()["probe_spell"].head(1).with_columns(probe=pl.lit("probe X"))
        warehouse.append(con, TABLES["probe_spell"], spell)
    publish.publish(published)
    found = status.status(published, now)
    assert len(found.attention) == 2
    assert "probe X has never reported" in found.attention[0]
    assert "the share is gone" in found.attention[1]
    assert status.lines(found)[0] == "2 things need attention."


def test_a_failed_step_does_not_keep_the_next_and_is_told_at_the_end(
    folder: FarmFolder,
) -> None:
    done: list[str] = []

    def step(name: str, error: Exception | None = None) -> steps.Step:
        def work(where: FarmFolder, tick: object) -> flow_runs.Run:
            with flow_runs.recorded(where, name) as run:
                done.append(name)
                run.summary = "fine"
                if error:
                    raise error
            return run

        return work

    with pytest.raises(Attention, match="no network"):
        steps.turn(folder, steps=(step("a", Attention("no network")), step("b")))
    assert done == ["a", "b"]
    last = flow_runs.last(folder)
    assert (last["a"].state, last["a"].summary) == ("failed", "no network")
    assert last["b"].state == "done"
    with pytest.raises(Busy):
        steps.turn(folder, steps=(step("c", Busy("another")), step("d")))
    assert done == ["a", "b", "c"]
    assert "c" not in flow_runs.last(folder)
    with warehouse.open_writer(folder) as con:
        rows = con.sql("SELECT flow, state FROM flow_run ORDER BY flow").fetchall()
    assert rows == [("a", "failed"), ("b", "done")]


def test_tables_lists_all_and_finds_the_nearest(
    published: FarmFolder, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    code, out, _ = call(capsys, monkeypatch, "tables", published.root)
    assert code == 0
    assert all(f" {name} " in out for name in TABLES)
    code, detail, _ = call(capsys, monkeypatch, "tables", published.root, "weather_day")
    assert code == 0
    assert all(column.meaning in detail for column in TABLES["weather_day"].columns)
    assert detail.endswith("Room: weather\n")
    with pytest.raises(UserError, match="Did you mean weather_day"):
        dictionary.find("wether_day")


def test_the_dictionary_in_the_repository_is_fresh() -> None:
    assert dictionary.PATH.read_text(encoding="utf-8") == text.markdown(), (
        "run: python -m flows.store.dictionary"
    )


def test_heavy_libraries_are_imported_only_where_they_run(published: FarmFolder) -> None:
    script = (
        "import sys; from flows import cli\n"
        "sys.argv = ['checkstrip', *sys.argv[1:]]\n"
        "try: cli.main()\n"
        "except SystemExit: pass\n"
        "print(sorted({m.split('.')[0] for m in sys.modules}), file=sys.stderr)\n"
    )

    def imported(*words: object) -> set[str]:
        ran = subprocess.run(
            [sys.executable, "-c", script, *map(str, words)],
            capture_output=True,
            text=True,
            check=True,
        )
        return set(eval(ran.stderr.strip().splitlines()[-1]))

    heavy = {"prefect", "great_expectations", "pandas", "uvicorn"}
    assert not heavy & imported("publish", published.root)
    assert not heavy & imported("status", published.root)
    assert not (heavy | {"polars", "duckdb", "pandera"}) & imported("--help")


def test_an_uneasy_clock_does_not_break_the_words() -> None:
    assert status._ago(-1) == "ahead of this computer's clock"
    assert status._ago(3) == "3 h ago"
    assert status._ago(timedelta(days=5).total_seconds() / 3600) == "5 days ago"
