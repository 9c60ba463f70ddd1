"""What README says is run: its SQL, its layout, its links and its first two commands' words."""

import re
import tomllib
from pathlib import Path

import pytest

from flows.cli import app
from flows.farm import farm_file
from flows.run import steps
from flows.store import answer, query
from tests.flows.loggers import FARM, drop, make, usual

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
SQL = re.findall(r'checkstrip sql \S+ "([^"]+)"', README)


@pytest.fixture(scope="module")
def published(tmp_path_factory):
    folder = make(tmp_path_factory.mktemp("readme") / "farm")
    drop(folder, "a.csv", [usual(h) for h in range(48)])
    steps.turn(folder)
    return folder


def test_there_is_sql_in_it():
    assert len(SQL) >= 4


@pytest.mark.parametrize("sql", SQL)
def test_the_sql_runs_on_the_published_copy(published, sql):
    with query.open_published(published) as con:
        answer.frame(query.ask(con, sql))


def test_the_python_runs(published):
    (code,) = re.findall(r"```python\n(.*?)```", README, re.DOTALL)
    path = str(published.published_file).replace("\\", "/")
    scope: dict[str, object] = {}
    exec(code.replace("my_farm/warehouse/published/checkstrip.duckdb", path), scope)
    scope["con"].close()


def test_what_it_says_of_farm_toml_is_taken():
    (backup,) = map(tomllib.loads, re.findall(r"```toml\n(.*?)```", README, re.DOTALL))
    farm = farm_file.parse(tomllib.loads(FARM) | backup, "README")
    assert farm.backup is not None
    assert farm.backup.keep == 7


def test_it_is_short():
    assert len(README.splitlines()) <= 150


def test_the_links_lead_somewhere():
    for target in re.findall(r"\]\(([^)]+)\)", README):
        assert (ROOT / target).exists(), target


def test_every_command_is_named_in_it_or_in_the_help_and_every_one_named_exists():
    known = {
        command.name or command.callback.__name__.removesuffix("_")
        for command in app.registered_commands
    } | {group.name for group in app.registered_groups}
    named = set(re.findall(r"checkstrip ([a-z]+)\b", README))
    assert named <= known | {"demo"}
    assert {"demo", "new", "once", "run", "status", "sql", "tables", "rebuild"} <= named
