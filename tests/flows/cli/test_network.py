"""The commands for many farms, as people call them."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import polars as pl
import pytest

from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.network import snapshot
from flows.run import steps
from flows.share import network_file, objects, pointer, push
from tests.faults import farms
from tests.flows import shared_farms
from tests.flows.cli.calling import Run


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("farm") / "farm"
    steps.turn(farms.make(root))
    return root


@pytest.fixture
def farm(made: Path, tmp_path: Path) -> FarmFolder:
    shutil.copytree(made, tmp_path / "farm")
    return FarmFolder(tmp_path / "farm")


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A network of eight farms, two of them named, and its secret."""
    where = tmp_path_factory.mktemp("network") / "net"
    store = objects.open_at(str(where), make=True)
    _, secret = network_file.init(store, "Clay <b>network</b>")
    for number in range(8):
        share, name = ("named", "=Farm") if number < 2 else ("pooled", None)
        about = pointer.About(shared_farms.farm_id(number), share, "CAD", name)
        pointer.publish(store, about, shared_farms.tables(about.farm, number))
    snapshot.compact(store)
    return where, secret


@pytest.fixture
def at(prepared: tuple[Path, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The address of that network, to be changed."""
    shutil.copytree(prepared[0], tmp_path / "net", copy_function=shutil.copy2)
    monkeypatch.setenv(network_file.SECRET, prepared[1])
    return tmp_path / "net"


def test_a_network_is_made_and_shows_its_secret_once(run: Run, tmp_path: Path) -> None:
    code, out, _ = run("network", "init", tmp_path / "new", "--name", "Clay")
    secret = re.search(r"once: (\w{64})\n", out)[1]
    assert code == 0
    assert secret not in (tmp_path / "new" / "network.json").read_text()


def test_a_farm_joins_is_in_the_answers_and_leaves(run: Run, at: Path, farm: FarmFolder) -> None:
    code, out, err = run("network", "join", farm.root, "--address", at, "--share", "named")
    assert code == 0, err
    assert "Its tables are shared." in out
    now = farm_file.load(farm.farm_toml)
    assert str(now.farm.id) in out and (now.share.what, now.share.money) == ("named", False)
    store = objects.open_at(str(at))
    snapshot.compact(store)
    code, out, _ = run(
        "network", "sql", farm.root, "SELECT name FROM network_farm ORDER BY 1", "--csv"
    )
    assert (code, out) == (0, "name\n'=Farm\n'=Farm\nInvented\n")
    code, out, _ = run("network", "leave", farm.root)
    assert code == 0 and "No snapshot holds it any more." in out
    code, out, _ = run("network", "sql", at, "SELECT count(*) AS n FROM network_farm", "--json")
    assert json.loads(out) == [{"n": 2}]
    now = farm_file.load(farm.farm_toml)
    assert now.share.what == "nothing" and now.farm.id is not None
    assert steps.share(farm) is None and push.note(farm) is None


def test_joining_twice_or_nowhere_changes_nothing(run: Run, at: Path, farm: FarmFolder) -> None:
    before = farm.farm_toml.read_text()
    code, _, err = run("network", "join", farm.root, "--address", at.parent)
    assert code == 2 and "There is no network" in err
    assert farm.farm_toml.read_text() == before
    assert run("network", "join", farm.root, "--address", at)[0] == 0
    after = farm.farm_toml.read_text()
    code, _, err = run("network", "join", farm.root, "--address", at)
    assert code == 2 and "has [network] or [share] already" in err
    assert farm.farm_toml.read_text() == after


def test_without_the_secret_nobody_joins(
    run: Run, at: Path, farm: FarmFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = farm.farm_toml.read_text()
    monkeypatch.delenv(network_file.SECRET)
    code, _, err = run("network", "join", farm.root, "--address", at)
    assert code == 1 and "CHECKSTRIP_NETWORK_SECRET" in err
    assert farm.farm_toml.read_text() == before


def test_status_names_farms_and_what_was_left_out(run: Run, at: Path) -> None:
    code, out, _ = run("network", "status", at)
    assert code == 0 and "Snapshot 1 of" in out and shared_farms.farm_id(7) in out
    store = objects.open_at(str(at))
    store.put("farms/odd.json", b"{}")
    store.put(pointer.key(shared_farms.farm_id(9)), b"{}")
    pointer.publish(
        store,
        pointer.About(shared_farms.farm_id(1), "pooled"),
        shared_farms.tables(shared_farms.farm_id(1), 4),
    )
    snapshot.compact(store)
    code, out, _ = run("network", "status", at, "--json")
    assert code == 1
    assert len(json.loads(out)["attention"]) == 2


def test_sql_only_reads_and_sees_no_pooled_row(run: Run, at: Path, tmp_path: Path) -> None:
    code, out, _ = run("network", "sql", at, "SELECT DISTINCT farm FROM response", "--json")
    assert {row["farm"] for row in json.loads(out)} == {shared_farms.farm_id(n) for n in (0, 1)}
    for wrong in ("DROP TABLE response", f"FROM '{at}/snapshot.json'", "SELEC 1"):
        code, _, err = run("network", "sql", at, wrong)
        assert code == 2 and "Traceback" not in err
    code, _, _ = run(
        "network", "sql", at, "FROM network_pooled", "--parquet", tmp_path / "p.parquet"
    )
    assert code == 0 and pl.read_parquet(tmp_path / "p.parquet").height > 10


@pytest.mark.parametrize(("units", "money"), [("metric", "CAD/ha"), ("us", "CAD/ac")])
def test_the_report_is_a_page_of_answers(
    run: Run, at: Path, tmp_path: Path, units: str, money: str
) -> None:
    code, _, err = run("network", "report", at, "--to", tmp_path / "n.html", "--units", units)
    assert code == 0, err
    page = (tmp_path / "n.html").read_text()
    assert money in page and "deep tillage" in page and "How long it lasts" in page
    assert "<b>network</b>" not in page and "&lt;b&gt;network" in page
    assert "http:" not in page and "https:" not in page
    assert shared_farms.farm_id(3) not in page


def test_an_operator_takes_a_farm_out(run: Run, at: Path) -> None:
    gone = shared_farms.farm_id(3)
    code, out, _ = run("network", "leave", gone, "--network", at)
    assert code == 0 and "No snapshot holds it" in out
    store = objects.open_at(str(at))
    assert snapshot.current(store).farms == 7
    for unknown in (shared_farms.farm_id(99), "not an id"):
        code, _, err = run("network", "leave", unknown, "--network", at)
        assert code == 2 and unknown in err


@pytest.mark.parametrize(
    "words",
    [
        "init {net}",
        "status {nowhere}",
        "sql {nowhere} SELECT(1)",
        "report {nowhere}",
        "leave {nowhere}",
        "join {nowhere} --address {net}",
    ],
)
def test_a_mistake_ends_with_2(run: Run, at: Path, tmp_path: Path, words: str) -> None:
    code, _, err = run("network", *words.format(net=at, nowhere=tmp_path / "nowhere").split())
    assert code == 2 and err.strip()


@pytest.mark.parametrize("words", ["init", "status", "sql", "report"])
def test_a_store_that_does_not_answer_ends_with_1(
    run: Run, monkeypatch: pytest.MonkeyPatch, words: str
) -> None:
    for name, value in {
        "AWS_ENDPOINT_URL": "http://127.0.0.1:9", "AWS_ALLOW_HTTP": "true", "AWS_REGION": "us-east-1",
        "AWS_ACCESS_KEY_ID": "invented", "AWS_SECRET_ACCESS_KEY": "invented",
    }.items():  # fmt: skip
        monkeypatch.setenv(name, value)
    monkeypatch.setattr("flows.share.objects.RETRIES", 0)
    more = ["SELECT 1"] if words == "sql" else []
    code, _, err = run("network", words, "s3://nobody/here", *more)
    assert code == 1 and "does not answer" in err


@pytest.mark.parametrize("command", ["init", "join", "status", "sql", "report", "leave"])
def test_the_help_says_when_it_exits_1(run: Run, command: str) -> None:
    code, out, _ = run("network", command, "--help")
    assert code == 0 and "Exit 1 if" in " ".join(out.split()) and "checkstrip network" in out
