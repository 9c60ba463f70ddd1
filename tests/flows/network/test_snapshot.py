"""One file a table over all farms, under one object that names them."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import duckdb
import polars as pl
import pyarrow.parquet
import pytest

from flows.network import lease, reading, run_rows, snapshot, status
from flows.network.snapshot import Expired
from flows.share import network_file, objects, pointer
from flows.share.pointer import About, Refused
from schemas import generated
from schemas.catalogue import NETWORK
from schemas.network import SHARED, shared
from tests.flows import shared_farms


@pytest.fixture
def store(address):
    made = objects.open_at(address)
    network_file.init(made, "the network")
    return made


def put(store, number, seed=None, share="pooled", **options):
    farm = shared_farms.farm_id(number)
    name = "Home" if share == "named" else None
    money = options.get("money", True)
    about = About(farm, share, "CAD" if money else None, name)
    tables = shared_farms.tables(farm, number if seed is None else seed, **options)
    pointer.publish(store, about, tables)
    return tables


def private(store, name):
    made = snapshot.current(store)
    table = shared(name) if name in SHARED else NETWORK[name]
    return snapshot.rows_of(store, made.private[name], table)


def test_a_table_is_that_of_all_farms(store):
    given = [put(store, number, share="named") for number in range(3)]
    made = snapshot.compact(store)
    assert (made.sequence, made.farms, made.named, made.notes) == (1, 3, 3, [])
    _, seen = reading.newest(store)
    for name in SHARED:
        whole = pl.concat([tables[name] for tables in given]).sort(shared(name).key)
        assert private(store, name).equals(whole)
        assert seen[name].equals(whole)
    assert seen["network_farm"]["name"].to_list() == ["Home"] * 3  # three farms of one name


def test_readers_see_rows_of_named_farms_only(store):
    put(store, 1, share="named")
    put(store, 2)
    snapshot.compact(store)
    _, seen = reading.newest(store)
    for name in SHARED:
        assert set(seen[name]["farm"]) == {shared_farms.farm_id(1)}
        assert private(store, name)["farm"].n_unique() == 2
    assert seen["network_farm"]["farm"].to_list() == [shared_farms.farm_id(1)]
    assert seen["network_farm"]["pointer"].null_count() == 1
    assert "network_run" not in seen


def test_carried_over_is_as_read_again(store):
    for number in range(4):
        put(store, number)
    snapshot.compact(store)
    put(store, 2, seed=77)
    made = snapshot.compact(store)
    carried = {name: one.object for name, one in made.private.items() if name in SHARED}
    for one in store.list("snapshot.json"):
        store.delete([one.key])
    whole = snapshot.compact(store)
    assert {name: whole.private[name].object for name in SHARED} == carried


def test_nothing_new_makes_no_snapshot(store):
    put(store, 1)
    first = snapshot.compact(store)
    listed = store.list("")
    assert snapshot.compact(store) == first
    assert store.list("") == listed


def test_an_older_snapshot_can_be_read_for_a_day(store, monkeypatch):
    """Whoever has an older snapshot and whoever has the newest each sees one state, and the whole of it."""
    before = put(store, 1, share="named")
    first = snapshot.compact(store)
    after = put(store, 1, seed=2, share="named")
    second = snapshot.compact(store)
    assert [one.sequence for one in second.kept] == [1]
    for made, given in ((first, before), (second, after)):
        seen = dict(snapshot.frames(store, made.tables))
        assert all(seen[name].equals(given[name].sort(shared(name).key)) for name in SHARED)
    assert not before["response"].equals(after["response"])
    monkeypatch.setattr(snapshot, "KEEP", timedelta(0))
    put(store, 1, seed=3, share="named")
    third = snapshot.compact(store)
    assert [one.sequence for one in third.kept] == [2]
    with pytest.raises(Expired, match="has expired"):
        dict(snapshot.frames(store, first.tables))


@pytest.mark.parametrize("how", ["leaves", "is pooled", "without money", "object lost"])
def test_what_a_farm_takes_back_is_in_no_file(store, how):
    farm = shared_farms.farm_id(1)
    put(store, 1, share="named")
    put(store, 2, share="named")
    first = snapshot.compact(store)
    if how == "leaves":
        pointer.leave(store, farm)
    elif how == "is pooled":
        put(store, 1)
    elif how == "without money":
        put(store, 1, share="named", money=False)
    else:
        store.delete([pointer.key(farm)])
    second = snapshot.compact(store)
    assert second.kept == []
    with pytest.raises(Expired, match="a farm has left"):
        dict(snapshot.frames(store, first.tables))
    _, seen = reading.newest(store)
    tables = ["payback"] if how == "without money" else list(SHARED)
    assert all(farm not in set(seen[name]["farm"]) for name in tables)
    named = {one.key for prefix in ("private", "snapshot") for one in store.list(prefix)}
    assert named == set(second.objects)
    if how == "leaves":
        assert not store.list(f"objects/{farm}")
        assert farm not in set(private(store, "network_farm")["farm"])


def test_files_of_a_worker_killed_before_it_was_done_go_later(store, monkeypatch):
    put(store, 1)
    with pytest.raises(ZeroDivisionError), monkeypatch.context() as patch:
        patch.setattr(snapshot, "_move", lambda *_: 1 / 0)
        snapshot.compact(store)
    left = {one.key for one in store.list("private")}
    assert left
    put(store, 1, seed=9)
    made = snapshot.compact(store)
    assert left <= {one.key for one in store.list("private")}  # they may be of one at work
    monkeypatch.setattr(snapshot, "GRACE", timedelta(seconds=-5))
    assert snapshot.compact(store) == made
    assert {one.key for one in store.list("private")} == {s.object for s in made.private.values()}


def test_a_farms_old_objects_go_after_a_day(store, monkeypatch):
    put(store, 1)
    snapshot.compact(store)
    put(store, 1, seed=9)
    snapshot.compact(store)
    farm = shared_farms.farm_id(1)
    many = len(store.list(f"objects/{farm}"))
    monkeypatch.setattr(snapshot, "KEEP", timedelta(seconds=-5))
    put(store, 1, seed=10)
    snapshot.compact(store)
    now = pointer.parse(store.get(pointer.key(farm)).content, farm)
    assert {s.object for s in now.tables.values()} == {
        one.key for one in store.list(f"objects/{farm}")
    }
    assert many > len(now.tables)


def test_of_two_at_once_one_is_refused(store, monkeypatch):
    put(store, 1)
    snapshot.compact(store)
    put(store, 1, seed=2)
    move = snapshot._move

    def late(*args):
        monkeypatch.setattr(snapshot, "_move", move)
        snapshot.compact(store)
        move(*args)

    monkeypatch.setattr(snapshot, "_move", late)
    with pytest.raises(Refused, match="meanwhile"):
        snapshot.compact(store)
    assert snapshot.current(store).sequence == 2


def test_a_lease_that_passed_makes_no_snapshot(store):
    put(store, 1)
    held = lease.take(store, "round", "one", 60)
    held.release()
    with pytest.raises(Refused):
        snapshot.compact(store, held)
    assert snapshot.current(store) is None


@pytest.mark.parametrize("fault", ["cut", "other columns", "key twice", "key null", "gone", "huge"])
def test_a_farm_whose_rows_cannot_be_used_stops_no_other(store, fault, monkeypatch):
    put(store, 1, share="named")
    put(store, 2, share="named")
    farm = shared_farms.farm_id(2)
    now = pointer.parse(store.get(pointer.key(farm)).content, farm)
    where = now.tables["response"].object
    rows = shared_farms.tables(farm, 2)["response"]
    wrong = {
        "cut": store.get(where).content[:100],
        "other columns": pointer.as_parquet(rows.with_columns(season=pl.lit("spring"))),
        "key twice": pointer.as_parquet(pl.concat([rows, rows])),
        "key null": pointer.as_parquet(rows.with_columns(season=pl.lit(None))),
        "huge": store.get(where).content,
    }
    if fault == "huge":
        monkeypatch.setattr(snapshot, "LARGEST", now.tables["response"].bytes - 1)
        put(store, 1, share="named", fields=1, seasons=(2021,))
    store.delete([where])
    if fault in wrong:
        store.put(where, wrong[fault])
    made = snapshot.compact(store)
    assert len(made.notes) == 1 and farm in made.notes[0]
    assert private(store, "network_farm").filter(pl.col("reason").is_not_null())[
        "farm"
    ].to_list() == [farm]
    _, seen = reading.newest(store)
    for name in (*SHARED, "network_farm"):
        assert set(seen[name]["farm"]) == {shared_farms.farm_id(1)}
    # Put right, it is taken in again though its pointer did not move.
    monkeypatch.undo()
    store.put(where, pointer.as_parquet(rows))
    if fault != "huge":
        assert snapshot.compact(store).notes == []


def test_rows_under_another_farms_id_count_as_its_own(store):
    """A farm cannot put rows under another one's name."""
    mine, other = shared_farms.farm_id(1), shared_farms.farm_id(2)
    pointer.publish(store, About(mine, "pooled"), shared_farms.tables(other, 1))
    snapshot.compact(store)
    assert set(private(store, "response")["farm"]) == {mine}


def test_a_pointer_that_cannot_be_read_is_named(store):
    put(store, 1)
    store.put("farms/nonsense.json", b"{}")
    made = snapshot.compact(store)
    assert made.farms == 1
    assert made.notes == ["The pointer of farm nonsense cannot be read; it is left out."]


def test_rows_of_rounds_are_kept_and_go_with_their_farm(store):
    put(store, 1)
    put(store, 2)
    now = datetime.now(UTC)

    def runs(number, round_id, at):
        table = NETWORK["network_run"]
        row = {"round": round_id, "farm": shared_farms.farm_id(number), "started_at": at}
        return pl.DataFrame([{**row, "state": "done"}]), table

    snapshot.compact(store, runs=runs(1, "a", now - timedelta(days=80))[0])
    snapshot.compact(store, runs=runs(2, "b", now)[0])
    assert private(store, "network_run")["round"].to_list() == ["a", "b"]
    pointer.leave(store, shared_farms.farm_id(2))
    snapshot.compact(store)
    assert private(store, "network_run")["round"].to_list() == ["a"]


def test_a_farm_that_left_is_told_of_until_the_snapshot_is_without_it(store):
    for number in (1, 2):
        put(store, number)
    snapshot.compact(store)
    put(store, 2, seed=9)  # news of a farm that stays is no matter for attention
    assert status.status(store).attention == []
    pointer.leave(store, shared_farms.farm_id(1))
    until = datetime.now(UTC) + timedelta(days=7)
    (said,) = status.status(store).attention
    assert f"Farm {shared_farms.farm_id(1)} has left" in said
    assert any(f"{at:%Y-%m-%d}" in said for at in (until, until - timedelta(minutes=5)))
    snapshot.compact(store)
    assert status.status(store).attention == []


@pytest.mark.parametrize("library", ["duckdb", "pyarrow"])
def test_the_files_of_a_snapshot_are_plain_parquet_with_the_declared_columns(tmp_path, library):
    """As other programs read them: by the names that snapshot.json has."""
    store = objects.open_at(str(tmp_path))
    network_file.init(store, "the network")
    for number in range(6):
        put(store, number, share="named")
    snapshot.compact(store)
    tables = json.loads((tmp_path / "snapshot.json").read_text())["tables"]
    for name, stored in tables.items():
        file = tmp_path / stored["object"]
        declared = shared(name) if name in SHARED else NETWORK[name]
        if library == "duckdb":
            read = duckdb.sql(f"FROM read_parquet('{file}')")
            assert read.columns == list(declared.names)
            assert len(read.fetchall()) == stored["rows"]
        else:
            table = pyarrow.parquet.read_table(file)
            assert table.column_names == list(declared.names)
            assert table.num_rows == stored["rows"]
    assert tables["network_pooled"]["rows"] > 0 and tables["response"]["rows"] > 0


def turn(number, minute, state, summary=""):
    table = NETWORK["network_run"]
    at = datetime(2026, 3, 1, 6, minute, tzinfo=UTC)
    row = {"round": f"r{minute:02}", "farm": shared_farms.farm_id(number), "started_at": at}
    given = pl.DataFrame([{**row, "state": state, "summary": summary, "worker": "office 12"}])
    return generated.conform(given, table)


@pytest.fixture
def all_time(monkeypatch):
    monkeypatch.setattr(run_rows, "KEPT", timedelta(days=36_500))


def test_a_round_that_says_nothing_new_makes_no_snapshot(store, all_time):
    put(store, 1)
    told = [
        ("quiet", "", True), ("quiet", "again", False), ("done", "Shared.", True),
        ("done", "Shared.", False), ("quiet", "", False),
        ("failed", "It was stopped.", True), ("failed", "It was stopped.", False),
        ("failed", "No memory.", True), ("quiet", "", True), ("quiet", "", False),
    ]  # fmt: skip
    for minute, (state, summary, news) in enumerate(told):
        before = snapshot.current(store)
        after = snapshot.compact(store, runs=turn(1, minute, state, summary))
        assert (before is None or after.sequence > before.sequence) == news, (minute, state)
    kept = private(store, "network_run")["round"].to_list()
    assert kept == [f"r{minute:02}" for minute, one in enumerate(told) if one[2]]


def test_the_last_row_of_a_farm_is_kept_however_old(store):
    put(store, 1)
    for minute, state in enumerate(("failed", "quiet")):
        snapshot.compact(store, runs=turn(1, minute, state))
    put(store, 1, seed=3)
    snapshot.compact(store)
    assert private(store, "network_run")["round"].to_list() == ["r01"]


def test_status_says_which_farms_fail_since_when_and_why(store, all_time):
    put(store, 1, share="named")
    put(store, 2)
    put(store, 3)
    rounds = [
        [turn(1, 0, "failed", "Old."), turn(2, 0, "done"), turn(3, 0, "attention", "A sensor.")],
        [turn(1, 1, "done"), turn(2, 1, "failed", "It was stopped."), turn(3, 1, "quiet")],
        [turn(1, 2, "quiet"), turn(2, 2, "attention", "Too large."), turn(3, 2, "quiet")],
    ]
    for rows in rounds:
        snapshot.compact(store, runs=pl.concat(rows))
    found = status.status(store, datetime.now(UTC))
    assert [(row["farm"], row["state"]) for row in found.failing] == [
        (shared_farms.farm_id(2), "attention")
    ]
    said = f"Farm {shared_farms.farm_id(2)} has needed attention since 2026-03-01 06:01 UTC, by office 12: Too large."
    assert found.attention == [said]
    assert said in status.lines(found)
    snapshot.compact(store, runs=pl.concat([turn(n, 3, "quiet") for n in (1, 2, 3)]))
    assert status.status(store).attention == []


def test_a_reader_asks_with_sql_and_reaches_nothing_else(store, tmp_path):
    put(store, 1, share="named")
    made = snapshot.compact(store)
    with reading.open_snapshot(store) as con:
        assert con.sql("SELECT count(DISTINCT farm) FROM response").fetchall() == [(1,)]
        files = con.sql("SELECT table_name, object FROM network_snapshot").fetchall()
        comment = con.sql(
            "SELECT comment FROM duckdb_columns() WHERE table_name = 'response' AND column_name = 'farm'"
        ).fetchall()
        with pytest.raises(Exception, match="disabled"):
            con.sql(f"COPY response TO '{tmp_path / 'x.csv'}'")
    assert dict(files) == {name: one.object for name, one in made.tables.items()}
    assert "UUID" in comment[0][0]


def test_a_damaged_snapshot_is_made_again(store):
    put(store, 1)
    first = snapshot.compact(store)
    store.put(snapshot.KEY, json.dumps({"sequence": "?"}).encode())
    assert snapshot.compact(store).private == first.private
