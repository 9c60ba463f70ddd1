from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import duckdb
import pytest

import flows
from flows.derive import made_by, making
from schemas.catalogue import ROOMS, TABLES
from transforms import order

ROOT = Path(flows.__path__[0]).parent
MADE = (*order.DAILY, *order.DERIVED)

# What the interpreter itself loads for each table, asked of it and not of the text.
LOADED = """
import importlib, json, sys
from pathlib import Path
found = {}
for name, module in json.loads(sys.argv[1]).items():
    for known in [m for m in sys.modules if m.partition(".")[0] in ("transforms", "schemas")]:
        del sys.modules[known]
    importlib.import_module(module)
    found[name] = [m.__file__ for n, m in sys.modules.items() if n.partition(".")[0] in ("transforms", "schemas")]
print(json.dumps(found))
"""


@pytest.fixture(scope="module")
def copy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the floors that make tables."""
    root = tmp_path_factory.mktemp("copy")
    for floor in ("transforms", "schemas", "flows/derive"):
        ignored = shutil.ignore_patterns("__pycache__")
        shutil.copytree(ROOT / floor, root / floor, ignore=ignored)
    return root


@pytest.fixture(scope="module")
def loaded() -> dict[str, set[str]]:
    """The files that Python loads for each table, as paths below the root."""
    modules = {name: f"transforms.{ROOMS[name]}.{name}" for name in MADE}
    said = subprocess.run(
        [sys.executable, "-c", LOADED, json.dumps(modules)],
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
    ).stdout
    return {
        name: {Path(file).relative_to(ROOT).as_posix() for file in files}
        for name, files in json.loads(said).items()
    }


def test_an_edited_file_makes_the_tables_again_that_load_it_and_no_other(
    copy: Path, loaded: dict[str, set[str]]
) -> None:
    before = made_by.of_files(copy)
    assert set(before) == set(MADE)
    edited = 0
    for floor in ("transforms", "schemas"):
        for path in (copy / floor).rglob("*.py"):
            text, file = path.read_bytes(), path.relative_to(copy).as_posix()
            path.write_bytes(text + b"\n# edited\n")
            after = made_by.of_files(copy)
            path.write_bytes(text)
            again = {name for name in MADE if after[name] != before[name]}
            of_all = file in made_by.OF_ALL
            assert again == {name for name in MADE if of_all or file in loaded[name]}, file
            edited += bool(again)
    assert edited > len(MADE)


@pytest.mark.parametrize("file", ["derive.py", "problems.py"])
def test_how_rows_are_settled_and_checked_makes_all_again(copy: Path, file: str) -> None:
    before, path = made_by.of_files(copy), copy / "flows/derive" / file
    text = path.read_bytes()
    path.write_bytes(text + b"\n# edited\n")
    after = made_by.of_files(copy)
    path.write_bytes(text)
    assert all(after[name].hash != before[name].hash for name in MADE)


def test_a_file_of_data_makes_the_tables_again_whose_modules_lie_beside_it(copy: Path) -> None:
    before = made_by.of_files(copy)
    new = copy / "transforms/roots/methods/depths.csv"
    new.write_text("10", encoding="utf-8")
    after = made_by.of_files(copy)
    new.unlink()
    again = {name for name in MADE if after[name] != before[name]}
    assert "root_arrival" in again
    assert "rain_day" not in again


WITHIN = (
    "try:\n    {}\nexcept OSError:\n    pass",
    "try:\n    pass\nexcept OSError:\n    {}\n",
    "try:\n    pass\nfinally:\n    {}\n",
    "for n in ():\n    pass\nelse:\n    {}\n",
    "match 1:\n    case 2:\n        {}\n",
    "class Late:\n    def reads(self):\n        with open(''):\n            {}\n",
)


@pytest.mark.parametrize("text", WITHIN)
def test_an_import_counts_wherever_it_stands(copy: Path, text: str) -> None:
    """A module that ``heat_day`` does not load otherwise makes it again once it is imported."""
    path, other = copy / "transforms/weather/heat_day.py", copy / "transforms/money/payback.py"
    kept, edited = path.read_bytes(), other.read_bytes()
    path.write_bytes(kept + text.format("import transforms.money.payback").encode())
    before = made_by.of_files(copy)["heat_day"]
    other.write_bytes(edited + b"\n# edited\n")
    after = made_by.of_files(copy)["heat_day"]
    path.write_bytes(kept)
    other.write_bytes(edited)
    assert after.hash != before.hash


def test_the_sources_are_the_parameters(copy: Path) -> None:
    for name, method in made_by.of_files(copy).items():
        own = tuple(table.name for table in making.sources(name))
        assert method.sources in (own, (*own, "comparison"))
        compares = any(TABLES[one].compared for one in (name, *own))
        assert ("comparison" in method.sources) == (compares or "comparison" in own)


def test_another_library_makes_all_again(copy: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = made_by.of_files(copy)
    monkeypatch.setattr(made_by, "version", lambda name: "99" if name == "scipy" else "1")
    after = made_by.of_files(copy)
    assert all(after[name].hash != before[name].hash for name in MADE)


def test_a_warehouse_keeps_the_methods_of_this_program_only() -> None:
    con = duckdb.connect()
    found = made_by.methods(con)
    assert found == made_by.of_files(ROOT)
    con.execute("UPDATE used.program SET methods = '{}'")
    assert made_by.methods(con) == {}  # as it is kept
    con.execute("UPDATE used.program SET fingerprint = 'of another'")
    assert made_by.methods(con) == found
