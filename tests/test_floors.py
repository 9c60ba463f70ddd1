"""Imports only go down: flows over transforms over schemas; the world only on the top floor."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
MAY_IMPORT = {
    "schemas": {"schemas"},
    "transforms": {"schemas", "transforms"},
    "flows": {"schemas", "transforms", "flows", "demo_warehouse"},
    "demo_warehouse": {"schemas", "transforms", "demo_warehouse"},
}
OURS = set(MAY_IMPORT)
WORLD = {
    "duckdb", "prefect", "httpx", "smtplib", "socket", "subprocess", "great_expectations",
    "requests", "urllib", "sqlite3", "keyring", "typer", "os", "shutil", "tempfile", "time",
    "zoneinfo",
}  # fmt: skip
CLOCK = {"now", "today", "utcnow"}
FILES = [path for floor in OURS for path in sorted((ROOT / floor).rglob("*.py"))]


def imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            names.add(node.module.split(".")[0])
    return names


def test_there_is_something_to_look_at():
    assert len(FILES) > 100


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_imports_only_go_down(path):
    floor = path.relative_to(ROOT).parts[0]
    assert imported(path) & OURS <= MAY_IMPORT[floor]


@pytest.mark.parametrize(
    "path",
    [p for p in FILES if p.relative_to(ROOT).parts[0] == "transforms"],
    ids=lambda p: p.stem,
)
def test_a_transform_touches_nothing_of_the_world(path):
    assert not imported(path) & WORLD
    tree = ast.parse(path.read_text(encoding="utf-8"))
    called = {
        node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
    }
    assert not called & (CLOCK | {"open", "read_text", "write_text", "read_csv", "getenv"})
