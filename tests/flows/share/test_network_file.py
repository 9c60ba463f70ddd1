"""A network is made once, and knows its secret without holding it."""

from __future__ import annotations

import pytest

from flows.base.errors import Attention, UserError
from flows.share import network_file, objects


def test_a_network_is_made_once(address):
    store = objects.open_at(address)
    made, secret = network_file.init(store, "one", 0.25)
    assert network_file.load(store) == made
    assert secret not in store.get(network_file.KEY).content.decode()
    with pytest.raises(UserError, match="already"):
        network_file.init(store, "two")
    assert network_file.load(store).name == "one"


def test_the_secret_is_known_by_its_check(address, monkeypatch):
    store = objects.open_at(address)
    made, secret = network_file.init(store, "one")
    monkeypatch.setenv(network_file.SECRET, secret + "\n")
    assert network_file.secret_of(made) == secret.encode()
    monkeypatch.setenv(network_file.SECRET, secret[:-1])
    with pytest.raises(Attention, match="is not the secret"):
        network_file.secret_of(made)
    monkeypatch.delenv(network_file.SECRET)
    with pytest.raises(Attention, match="is missing"):
        network_file.secret_of(made)


@pytest.mark.parametrize("grid", [0.0, 0.001, 11.0])
def test_a_grid_is_of_some_size(address, grid):
    with pytest.raises(UserError, match="grid"):
        network_file.init(objects.open_at(address), "one", grid)


def test_a_damaged_one_is_named(address):
    store = objects.open_at(address)
    with pytest.raises(UserError, match="There is no network"):
        network_file.load(store)
    store.put(network_file.KEY, b"{}")
    with pytest.raises(Attention, match="damaged"):
        network_file.load(store)
