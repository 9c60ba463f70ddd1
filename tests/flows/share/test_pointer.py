"""A farm's publish: once each, whoever else writes."""

from __future__ import annotations

import io
import json
import subprocess
import sys

import polars as pl
import pytest

from flows.base.errors import Attention
from flows.share import objects, pointer
from flows.share.pointer import About, Refused
from tests.flows import shared_farms

FARM = shared_farms.farm_id(1)
ABOUT = About(FARM, "pooled")
WRITER = """
import sys
from flows.share import objects, pointer
from tests.flows import shared_farms
address, own, times = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
store, farm = objects.open_at(address), shared_farms.farm_id(1)
for turn in range(times):
    tables = shared_farms.tables(farm, 1000 * own + turn, fields=1, seasons=(2021,))
    print(pointer.publish(store, pointer.About(farm, "pooled"), tables).sequence, flush=True)
"""


def read(store, farm=FARM):
    return pointer.parse(store.get(pointer.key(farm)).content, farm)


def test_a_publish_names_what_it_stored(address):
    store = objects.open_at(address)
    tables = shared_farms.tables(FARM, 1)
    done = pointer.publish(store, ABOUT, tables)
    assert (done.sequence, done.changed) == (1, True)
    now = read(store)
    for name, one in now.tables.items():
        rows = pl.read_parquet(io.BytesIO(store.get(one.object).content))
        assert rows.equals(tables[name])
        assert one.rows == rows.height
    assert done.bytes == sum(one.bytes for one in now.tables.values())


def test_the_same_again_is_no_news(address):
    store = objects.open_at(address)
    pointer.publish(store, ABOUT, shared_farms.tables(FARM, 1))
    again = pointer.publish(store, ABOUT, shared_farms.tables(FARM, 1))
    assert (again.sequence, again.changed, again.bytes) == (1, False, 0)
    assert len(store.list("objects")) == len(read(store).tables)


def test_only_what_changed_is_written_again(address):
    store = objects.open_at(address)
    tables = shared_farms.tables(FARM, 1)
    pointer.publish(store, ABOUT, tables)
    tables["response"] = tables["response"].with_columns(pl.col("blocks") + 1)
    done = pointer.publish(store, ABOUT, tables)
    assert done.sequence == 2
    assert done.bytes == read(store).tables["response"].bytes


def test_four_processes_race_and_each_publish_counts_once(address):
    writers = [
        subprocess.Popen(
            [sys.executable, "-c", WRITER, address, str(number), "6"], stdout=subprocess.PIPE
        )
        for number in range(4)
    ]
    said = [writer.communicate(timeout=120)[0] for writer in writers]
    assert [writer.returncode for writer in writers] == [0] * 4
    sequences = sorted(int(word) for text in said for word in text.split())
    assert sequences == list(range(1, 25))  # none lost, none twice
    assert read(objects.open_at(address)).sequence == 24


def test_a_write_whose_answer_was_lost_counts_once(address, monkeypatch):
    store = objects.open_at(address)
    pointer.publish(store, ABOUT, shared_farms.tables(FARM, 1))
    swap, lost = store.swap, []

    def unheard(*args):
        tag = swap(*args)
        if lost:
            return tag
        lost.append(tag)
        # Another one publishes before this one looks again.
        pointer.publish(objects.open_at(address), ABOUT, shared_farms.tables(FARM, 3))
        return None

    monkeypatch.setattr(store, "swap", unheard)
    done = pointer.publish(store, ABOUT, shared_farms.tables(FARM, 2))
    assert (done.sequence, read(store).sequence) == (2, 3)


def test_a_worker_of_an_earlier_lease_is_refused(address):
    store = objects.open_at(address)
    pointer.publish(store, ABOUT, shared_farms.tables(FARM, 1), fence=7)
    before = store.get(pointer.key(FARM))
    with pytest.raises(Refused, match="later worker"):
        pointer.publish(store, ABOUT, shared_farms.tables(FARM, 2), fence=6)
    assert store.get(pointer.key(FARM)) == before
    # The farm's own computer works under no lease.
    assert pointer.publish(store, ABOUT, shared_farms.tables(FARM, 2)).sequence == 2
    assert read(store).fence == 7


def test_a_damaged_pointer_is_replaced(address):
    store = objects.open_at(address)
    pointer.publish(store, ABOUT, shared_farms.tables(FARM, 1))
    store.put(pointer.key(FARM), b"{")
    assert pointer.publish(store, ABOUT, shared_farms.tables(FARM, 1)).changed
    assert read(store).tables


@pytest.mark.parametrize("field", ["object", "farm"])
def test_a_pointer_to_what_is_not_the_farms_own_is_none(address, field):
    store = objects.open_at(address)
    pointer.publish(store, ABOUT, shared_farms.tables(FARM, 1))
    content = json.loads(store.get(pointer.key(FARM)).content)
    other = shared_farms.farm_id(2)
    if field == "farm":
        content["about"]["farm"] = other
    else:
        content["tables"]["response"]["object"] = f"objects/{other}/response-0.parquet"
    assert pointer.parse(json.dumps(content).encode(), FARM) is None


def test_a_table_that_is_shared_no_more_is_deleted_at_once(address):
    store = objects.open_at(address)
    tables = shared_farms.tables(FARM, 1)
    pointer.publish(store, ABOUT, tables)
    pointer.publish(
        store, ABOUT, {name: rows for name, rows in tables.items() if name != "payback"}
    )
    assert not [one.key for one in store.list("objects") if "payback" in one.key]
    assert store.list("objects")


def test_two_farms_of_the_same_rows_share_no_object(address):
    store = objects.open_at(address)
    for number in (1, 2):
        farm = shared_farms.farm_id(number)
        pointer.publish(store, About(farm, "named", name="Home"), shared_farms.tables(farm, 1))
    keys = [one.key for one in store.list("objects")]
    assert len(keys) == len(set(keys)) == 2 * len(read(store).tables)


def test_a_farm_that_leaves_leaves_nothing_but_the_mark(address):
    store = objects.open_at(address)
    pointer.publish(store, ABOUT, shared_farms.tables(FARM, 1))
    assert pointer.leave(store, FARM)
    assert store.list("objects") == []
    assert (read(store).about, read(store).tables) == (About(FARM, "left"), {})
    assert not pointer.leave(store, shared_farms.farm_id(9))
    assert pointer.publish(store, ABOUT, shared_farms.tables(FARM, 1)).sequence == 3


def test_a_writer_that_never_wins_says_so(address, monkeypatch):
    store = objects.open_at(address)
    pointer.publish(store, ABOUT, shared_farms.tables(FARM, 1))
    monkeypatch.setattr(store, "swap", lambda *_: None)
    monkeypatch.setattr(pointer, "TRIES", 3)
    with pytest.raises(Attention, match="Try again later"):
        pointer.publish(store, ABOUT, shared_farms.tables(FARM, 2))
