"""Both kinds of store promise the same."""

from __future__ import annotations

import pytest

from flows.base.errors import Attention, UserError
from flows.share import objects


def test_what_is_put_is_got(address):
    store = objects.open_at(address)
    assert store.get("a/b.json") is None
    store.put("a/b.json", b"1")
    store.put("a/b.json", b"2")
    found = store.get("a/b.json")
    assert found is not None and found.content == b"2"


def test_only_one_creates(address):
    store = objects.open_at(address)
    assert store.create("a.json", b"1")
    assert store.create("a.json", b"2") is None
    assert store.get("a.json").content == b"1"


def test_a_swap_wants_the_content_that_was_read(address):
    store = objects.open_at(address)
    first = store.create("a.json", b"1")
    assert store.get("a.json").tag == first
    second = store.swap("a.json", b"2", first)
    assert second and second != first
    assert store.swap("a.json", b"3", first) is None
    assert store.swap("nothing.json", b"3", first) is None
    assert store.get("a.json").content == b"2"


def test_a_list_is_of_whole_parts_and_nothing_of_ours(address):
    store = objects.open_at(address)
    assert store.list("x") == []
    for key in ("x/2", "x/1", "xy/1", "y"):
        store.create(key, b"...")
    found = store.list("x")
    assert [one.key for one in found] == ["x/1", "x/2"]
    assert [one.size for one in found] == [3, 3]
    tag = found[0].tag
    store.put("x/1", b"other")
    assert store.list("x")[0].tag != tag
    assert [one.key for one in store.list("")] == ["x/1", "x/2", "xy/1", "y"]


def test_many_are_got_in_order(address):
    store = objects.open_at(address)
    for number in range(5):
        store.put(f"n/{number}", str(number).encode())
    wanted = ["n/3", "n/9", "n/0"]
    assert list(store.get_many(wanted)) == [("n/3", b"3"), ("n/9", None), ("n/0", b"0")]


def test_what_is_deleted_is_gone(address):
    store = objects.open_at(address)
    store.put("a", b"1")
    store.delete(["a", "never there"])
    assert store.get("a") is None
    store.delete([])


@pytest.mark.parametrize("wrong", ["http://example.org/x", "ftp://x", "nowhere/at/all"])
def test_an_address_that_cannot_be_one_is_named(wrong, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(UserError, match=r"nowhere|cannot be the address"):
        objects.open_at(wrong)


def test_a_store_that_does_not_answer_is_named(monkeypatch, server):
    monkeypatch.setenv("AWS_ENDPOINT_URL", "http://127.0.0.1:9")
    store = objects.open_at("s3://nobody/here")
    with pytest.raises(Attention, match="s3://nobody/here does not answer"):
        store.get("a")
