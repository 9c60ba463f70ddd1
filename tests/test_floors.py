"""Imports only go down, from floor to floor and from room to room; every table is where its name says."""

import ast
from collections.abc import Iterator
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

from schemas.catalogue import ROOMS
from transforms import order

ROOT = Path(__file__).parents[1]
MAY_IMPORT = {
    "schemas": {"schemas"},
    "transforms": {"schemas", "transforms"},
    "flows": {"schemas", "transforms", "flows", "demo_warehouse"},
    "demo_warehouse": {"schemas", "transforms", "demo_warehouse"},
}
OURS = set(MAY_IMPORT)
WORLD = {
    *("duckdb", "prefect", "httpx", "smtplib", "socket", "subprocess", "great_expectations"),
    *("requests", "urllib", "sqlite3", "keyring", "typer", "os", "shutil", "tempfile", "time"),
    "zoneinfo",
}
CLOCK = {"now", "today", "utcnow"}

# A room imports itself and what stands left of it; the rooms in ONLY are narrower than that.
ROOMS_OF_FLOWS = (
    *("base", "farm", "store", "derive", "books", "intake"),
    *("pages", "trust", "share", "run", "network", "setup", "cli"),
)
ONLY = {
    "derive": {"base", "farm", "store"},
    "books": {"base", "farm", "store"},
    "intake": {"base", "farm", "store", "derive", "books"},
    "pages": {"base", "farm", "store"},
    "share": {"base", "farm", "store"},
}
# What flows may take from transforms beside the tables' own modules, which ``derive`` finds by name.
FROM_TRANSFORMS = {
    "transforms.methods.calendar_day": {"derive", "intake", "trust"},
    "transforms.methods.not_used": {"derive"},
    "transforms.methods.comparisons": {"derive", "pages", "network"},
    "transforms.trial.network_pooled": {"network"},
    "transforms.trial.methods.market_moisture": {"books"},
    "transforms.trial.methods.map_geometry": {"books", "setup"},
    "transforms.trial.methods.new_site_year": {"setup"},
    "transforms.methods.penman": {"setup"},
    "transforms.methods.strip_layout": {"setup"},
    "transforms.methods.like_ground": {"setup"},
    "transforms.methods.normal_range": {"pages"},
    "transforms.methods.sun": {"setup"},
    "transforms.methods.alike_ground": {"books"},
    "transforms.order": {"derive", "trust"},
}


EVERY = (*order.DAILY, *order.DERIVED, *order.NETWORK)


def named(path: Path) -> str:
    """The dotted name of a module's file."""
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


FILES = {named(path): path for floor in MAY_IMPORT for path in sorted((ROOT / floor).rglob("*.py"))}
TESTS = {named(path): path for path in sorted((ROOT / "tests").rglob("*.py"))}


def imports(path: Path) -> Iterator[str]:
    """Everything a file imports, in functions and under TYPE_CHECKING too, by its full name."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.module, f"{path} imports by a relative name"
            assert not node.level, f"{path} imports by a relative name"
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                yield whole if whole in FILES or whole in TESTS else node.module


IMPORTS = {name: set(imports(path)) for name, path in FILES.items()}


def room(module: str) -> str:
    """The room of a module of flows or transforms."""
    return module.split(".")[1]


def circle(arrows: dict[str, set[str]]) -> list[str]:
    """A circle among the arrows, or nothing."""
    try:
        TopologicalSorter(arrows).prepare()
    except CycleError as error:
        return list(error.args[1])
    return []


def test_there_is_something_to_look_at():
    assert len(FILES) > 100
    assert circle({"a": {"b"}, "b": {"a"}})


@pytest.mark.parametrize("name", FILES)
def test_imports_only_go_down(name):
    floors = {imported.split(".")[0] for imported in IMPORTS[name]}
    assert floors & OURS <= MAY_IMPORT[name.split(".")[0]]


@pytest.mark.parametrize("name", [n for n in FILES if n.startswith("transforms")])
def test_a_transform_touches_nothing_of_the_world(name):
    assert not {imported.split(".")[0] for imported in IMPORTS[name]} & WORLD
    tree = ast.parse(FILES[name].read_text(encoding="utf-8"))
    called = {
        node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
    }
    assert not called & (CLOCK | {"open", "read_text", "write_text", "read_csv", "getenv"})


def test_no_module_of_flows_is_outside_the_rooms():
    assert {path.name for path in (ROOT / "flows").glob("*.py")} == {"__init__.py"}
    folders = {path.parent.name for path in (ROOT / "flows").glob("*/__init__.py")}
    assert folders == set(ROOMS_OF_FLOWS)


@pytest.mark.parametrize("name", [n for n in FILES if n.startswith("flows.")])
def test_a_room_imports_only_the_rooms_below_it(name):
    here = room(name)
    below = ONLY.get(here, set(ROOMS_OF_FLOWS[: ROOMS_OF_FLOWS.index(here)])) | {here}
    for imported in IMPORTS[name]:
        if imported.startswith("flows."):
            assert room(imported) in below, imported
        if imported.startswith("flows.derive") and here == "intake":
            assert imported == "flows.derive.waiting_days"
        if imported.startswith("demo_warehouse"):
            assert name in {"flows.setup.demo", "flows.setup.demo_result"}
        if imported.split(".")[0] == "transforms":
            assert here in FROM_TRANSFORMS.get(imported, ()), imported


def test_modules_import_in_no_circle():
    assert not circle({name: found & set(FILES) - {name} for name, found in IMPORTS.items()})


@pytest.mark.parametrize("depth", [2, 3, 4])
def test_folders_import_in_no_circle(depth):
    """At each depth a folder stands for all that is in it; a loose module stands for itself."""

    def folder(module: str) -> str:
        return ".".join(module.split(".")[:depth])

    arrows: dict[str, set[str]] = {}
    for name, found in IMPORTS.items():
        # A package's own __init__ is what the package offers: it stands above its modules.
        if FILES[name].name == "__init__.py" and name.count(".") < depth:
            continue
        targets = {folder(one) for one in found if one in FILES and one.count(".") >= depth - 1}
        arrows.setdefault(folder(name), set()).update(targets - {folder(name)})
    assert not circle(arrows)


def test_a_file_in_a_room_of_transforms_is_a_table():
    in_rooms = {name for name in FILES if name.startswith("transforms.") and name.count(".") == 2}
    modules = {n for n in in_rooms if ".methods." not in n and not n.endswith(".methods")}
    tables = {f"transforms.{ROOMS[table]}.{table}" for table in EVERY}
    assert modules == tables
    loose = {name for name in FILES if name.startswith("transforms.") and name.count(".") == 1}
    loose = {name for name in loose if FILES[name].name != "__init__.py"}
    assert loose == {"transforms.order"}


@pytest.mark.parametrize("table", EVERY)
def test_declaration_formula_and_test_share_a_room(table):
    assert f"schemas.tables.{ROOMS[table]}.{table}" in FILES
    assert f"transforms.{ROOMS[table]}.{table}" in FILES
    assert f"tests.transforms.{ROOMS[table]}.test_{table}" in TESTS


def test_no_table_imports_another_table():
    formulas = {f"transforms.{ROOMS[table]}.{table}" for table in EVERY}
    declarations = {f"schemas.tables.{of}.{table}" for table, of in ROOMS.items()}
    for tables in (formulas, declarations):
        assert not {name: IMPORTS[name] & tables for name in tables if IMPORTS[name] & tables}


ROOMS_OF_TRANSFORMS = sorted(set(ROOMS.values()) - {"farm", "ledger"})
METHODS = [n for n in FILES if ".methods." in n]


@pytest.mark.parametrize("method", METHODS)
def test_a_method_is_in_the_room_that_uses_it(method):
    """One room's own method is in that room; one that several use is shared. Flows count too."""
    users = {
        room(name) if name.startswith("transforms.") else name.split(".")[0]
        for name, found in IMPORTS.items()
        if method in found
    }
    if method.startswith("transforms.methods."):
        # Shared by two rooms, by a room and flows, by another shared method, or what all daily
        # tables pass through.
        assert len(users) > 1 or users & {"methods"} or method in FROM_TRANSFORMS, users
    else:
        allowed = {room(method), "money"} if room(method) == "trial" else {room(method)}
        assert users & {room(method)}, "no table of its own room uses it"
        assert users <= allowed | {"flows"}, users


def test_rooms_of_transforms_import_only_shared_methods():
    for name, found in IMPORTS.items():
        if not name.startswith("transforms.") or name.count(".") < 2:
            continue
        for imported in found:
            if imported.startswith("transforms."):
                shared = {room(name), "methods"} | ({"trial"} if room(name) == "money" else set())
                assert room(imported) in shared, (name, imported)
                if room(imported) != room(name):
                    assert ".methods" in imported, (name, imported)


def test_no_test_module_is_imported():
    imported = {name: set(imports(path)) for name, path in TESTS.items()}
    tests = {name for name in TESTS if name.rpartition(".")[2].startswith("test_")}
    assert not {name: found & tests for name, found in imported.items() if found & tests}


def test_every_room_says_what_it_does_and_may_import():
    silent = []
    for name, path in FILES.items():
        if path.name != "__init__.py" or name.split(".")[0] == "demo_warehouse":
            continue
        text = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
        first = text.partition("\n\n")[0]
        if "import" not in first and "which no transform makes" not in first:
            silent.append(name)
    assert not [n for n in silent if n.count(".") < 3 and not n.startswith("schemas.tables.")]
