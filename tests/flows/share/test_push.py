"""A farm that joined shares what its [share] says, once a day, and takes it back."""

from __future__ import annotations

import io
import json
import re
import shutil
import threading
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import polars as pl
import pytest

from flows.base.errors import Attention, UserError
from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.run import quiet, steps
from flows.share import network_file, objects, pointer, push, rows
from flows.store.flow_runs import Run
from schemas.network import SHARED
from tests.faults import farms
from tests.flows import object_stores, shared_farms

FARM = shared_farms.farm_id(5)
SECRET_NAMES = ("Home", "Invented", "west", "deep east")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("farm") / "farm"
    steps.turn(farms.make(root))
    return root


@pytest.fixture
def store(address, monkeypatch):
    found = objects.open_at(address)
    _, secret = network_file.init(found, "the network")
    monkeypatch.setenv(network_file.SECRET, secret)
    return found


@pytest.fixture
def farm(made, tmp_path, address) -> FarmFolder:
    root = tmp_path / "farm"
    shutil.copytree(made, root)
    folder = FarmFolder(root)
    setup(folder, address, 'what = "pooled"')
    return folder


def setup(folder: FarmFolder, address: str, share: str, number: str = FARM) -> None:
    text = re.sub(r"\n\[share\].*", "", folder.farm_toml.read_text(), flags=re.DOTALL)
    text = re.sub(r'\nid = "[^"]*"', "", text)
    text = text.replace("[farm]\n", f'[farm]\nid = "{number}"\n' if number else "[farm]\n")
    folder.farm_toml.write_text(
        f"{text}\n[share]\n{share}\n[network]\naddress = {json.dumps(address)}\n"
    )


def shared_now(store) -> pointer.Pointer | None:
    found = store.get(pointer.key(FARM))
    return pointer.parse(found.content, FARM) if found else None


def every_byte(store) -> str:
    """Return all that is in the store as text, tables as CSV."""
    parts = []
    for one in store.list(""):
        content = store.get(one.key).content
        if one.key.endswith(".parquet"):
            content = pl.read_parquet(io.BytesIO(content)).write_csv().encode()
        parts.append(f"{one.key}\n{content.decode()}")
    return "\n".join(parts)


def test_shared_tables_are_those_declared_and_names_are_hidden(farm, store):
    done = push.push(farm)
    assert done is not None and done.changed
    now = shared_now(store)
    assert set(now.tables) == set(SHARED) - {"payback"}
    assert now.tables["response"].rows > 0 and now.tables["season"].rows > 0
    said = every_byte(store)
    for name in SECRET_NAMES:
        assert name not in said.replace("the network", "")
    assert done.bytes < 55_000
    assert (now.about.name, now.about.latitude_deg, now.about.currency) == (None, None, None)


def test_a_named_farm_shows_its_name_and_a_rough_place(farm, store, address):
    setup(farm, address, 'what = "named"\nmoney = true')
    push.push(farm)
    now = shared_now(store)
    assert set(now.tables) == set(SHARED)
    assert (now.about.name, now.about.currency) == ("Invented", "CAD")
    assert (now.about.latitude_deg, now.about.longitude_deg) == (50.0, -100.0)
    assert "Home" not in every_byte(store)


def test_the_place_is_on_the_grid():
    network = network_file.Network("x", "x", 0.5, datetime.now(UTC).isoformat(), "x")
    assert [network.on_grid(v) for v in (49.71, -98.26, 0.24, None)] == [49.5, -98.5, 0.0, None]


def test_one_field_has_one_name_and_two_farms_have_two():
    a, b = (shared_farms.farm_id(n) for n in (1, 2))
    one = rows.hidden(b"secret", a, "Home")
    assert one == rows.hidden(b"secret", a, "Home") != rows.hidden(b"secret", b, "Home")
    assert one != rows.hidden(b"another", a, "Home")


def test_by_default_nothing_leaves(farm, store, address):
    setup(farm, address, "")
    assert steps.share(farm) is None
    assert [one.key for one in store.list("")] == [network_file.KEY]


def test_it_is_due_once_a_day_and_when_settings_change(farm, store, address):
    def due(hours: float = 0.0) -> bool:
        at = datetime.now(UTC) + timedelta(hours=hours)
        return push.is_due(farm, farm_file.load(farm.farm_toml), at)

    assert due()
    push.push(farm)
    assert not due() and not due(24)  # nothing was published since
    steps.publish(farm, accept_loss=True)
    farm.published_file.touch()
    assert not due() and due(24)
    setup(farm, address, 'what = "named"')
    assert due()


def test_a_turn_shares_and_then_is_quiet(farm, store):
    said = {run.flow: run for run in steps.turn(farm)}
    assert said["share"].state == "done", said["share"].summary
    assert quiet.again(farm) is None  # what was shared now is no news twice
    assert "share" not in {run.flow for run in steps.turn(farm)}
    assert quiet.again(farm) is not None


def test_a_network_that_does_not_answer_is_told_and_stops_nothing(
    farm, store, address, monkeypatch
):
    monkeypatch.setattr(pointer, "publish", _unanswered)
    said = {run.flow: run for run in steps.turn(farm)}
    assert said["share"].state == "attention"
    assert "does not answer" in said["share"].summary
    assert said["publish"].state == "done"
    assert quiet.again(farm) is None
    monkeypatch.undo()


def test_a_network_that_is_away_is_no_alarm_for_two_days(made, server, tmp_path, monkeypatch):
    """A store at a port where nobody listens: told each time, an alarm after two days, forgotten when back."""
    shutil.copytree(made, tmp_path / "farm")
    farm, address = FarmFolder(tmp_path / "farm"), object_stores.new_address("s3", server, tmp_path)
    setup(farm, address, 'what = "pooled"')
    _, secret = network_file.init(objects.open_at(address), "the network")
    monkeypatch.setenv(network_file.SECRET, secret)
    start = datetime.now(UTC)

    def tried(hours: float) -> Run:
        run = Run("share", start.isoformat())
        push.attempt(farm, run, now=start + timedelta(hours=hours))
        return run

    with monkeypatch.context() as patch:
        patch.setenv("AWS_ENDPOINT_URL", "http://127.0.0.1:1")
        said = {run.flow: run for run in steps.turn(farm)}
        assert said["share"].state == "done" and "does not answer" in said["share"].summary
        assert quiet.again(farm) is None  # the next run tries it again
        assert tried(1).state == tried(47).state == "done"
        late = tried(49)
        assert late.state == "attention"
        assert f"away since {start:%Y-%m-%d %H:%M} UTC" in late.summary
    assert "Publish 1 of" in tried(50).summary
    with monkeypatch.context() as patch:
        patch.setenv("AWS_ENDPOINT_URL", "http://127.0.0.1:1")
        assert tried(51).state == "done"


@pytest.mark.parametrize(
    ("status", "state"), [(403, "attention"), (401, "attention"), (503, "done")]
)
def test_a_key_that_is_refused_is_an_alarm_at_once_an_overload_is_not(  # noqa: PLR0917
    made, server, tmp_path, monkeypatch, status, state
):
    class Answer(BaseHTTPRequestHandler):
        def do_GET(self):
            self.send_response(status)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_):
            pass

    shutil.copytree(made, tmp_path / "farm")
    farm = FarmFolder(tmp_path / "farm")
    setup(farm, "s3://bucket/x", 'what = "pooled"')
    run = Run("share", datetime.now(UTC).isoformat())
    with ThreadingHTTPServer(("127.0.0.1", 0), Answer) as refusing:
        threading.Thread(target=refusing.serve_forever, daemon=True).start()
        monkeypatch.setenv("AWS_ENDPOINT_URL", f"http://127.0.0.1:{refusing.server_port}")
        push.attempt(farm, run)
        refusing.shutdown()
    assert (run.state, "does not answer" in run.summary) == (state, True)


def _unanswered(*_, **__):
    raise Attention("The network at nowhere does not answer: it is away.")


@pytest.mark.parametrize("fault", ["no secret", "wrong secret", "no id", "no network"])
def test_what_is_missing_is_named(farm, store, address, monkeypatch, fault):
    words = "is missing"
    if fault == "no secret":
        monkeypatch.delenv(network_file.SECRET)
    elif fault == "wrong secret":
        monkeypatch.setenv(network_file.SECRET, "another")
        words = "is not the secret"
    elif fault == "no id":
        setup(farm, address, 'what = "pooled"', number="")
        words = "has no id"
    else:
        store.delete([network_file.KEY])
        words = "There is no network"
    with pytest.raises((Attention, UserError), match=words):
        push.push(farm)
    run = steps.share(farm)
    assert run.state == "attention" and words in run.summary
    assert store.list("objects") == []


@pytest.mark.parametrize("how", ["nothing", "no share", "another network"])
def test_what_is_not_shared_any_more_is_taken_back(farm, store, address, how, tmp_path):
    push.push(farm)
    if how == "another network":
        other = tmp_path / "other"
        other.mkdir()
        network_file.init(objects.open_at(str(other)), "other")
        setup(farm, str(other), 'what = "pooled"')
    else:
        setup(farm, address, 'what = "nothing"' if how == "nothing" else "")
    run = steps.share(farm)
    assert shared_now(store).about.share == "left"
    assert store.list(f"objects/{FARM}") == []
    if how != "another network":
        assert "taken back" in run.summary
        assert push.note(farm) is None
        assert steps.share(farm) is None
