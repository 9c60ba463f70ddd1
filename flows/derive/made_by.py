"""What makes each table: the text of its module and of all that it imports, as one hash a table.

Read from the files without importing them, so that a table that stays as it is costs no import. The
versions of the libraries that compute count too. ``order.py`` does not: a table's place in the order
changes nothing in its rows.
"""

import ast
import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import astuple, dataclass
from functools import cache
from importlib.metadata import version
from pathlib import Path

import duckdb

from flows.derive.part_word import Word
from schemas import compared
from schemas.catalogue import ROOMS, TABLES
from schemas.compared import COMPARISON

_HERE = Path(__file__).parent
ROOT = _HERE.parents[1]
_FLOORS = ("transforms", "schemas")
OF_ALL = (
    "flows/derive/derive.py",
    "flows/derive/frames.py",
    "flows/derive/making.py",
    "flows/derive/reduced.py",
    "flows/derive/parts.py",
    "flows/derive/part_rows.py",
    "flows/derive/part_spans.py",
    "flows/derive/part_word.py",
    "flows/derive/problems.py",
    "transforms/methods/comparisons.py",
    "schemas/compared.py",
)
_WORDS = ("PART", "MARGIN_MONTHS", "HARVESTED", "NEEDS")
_NOT_READ = (".pyc", ".md")
_LIBRARIES = ("duckdb", "polars", "numpy", "numpy-financial", "scipy", "shapely", "pandera")


@dataclass(frozen=True, slots=True)
class Method:
    """How a table is made: the hash of all that makes it, its source tables, what its rows depend on.

    ``harvested``: of sources by field and season, only on the rows of seasons that were harvested.
    ``needs``: a source without whose rows the table has none, whatever the others have.
    """

    hash: str
    sources: tuple[str, ...]
    part: Word | None = None
    harvested: bool = False
    needs: str = ""


@cache
def fingerprint(root: Path = ROOT) -> str:
    """Return a hash of every file that could make a table, taken once in a process."""
    text = hashlib.sha256(_program(root).encode())
    for path in _files(root):
        text.update(path.relative_to(root).as_posix().encode() + path.read_bytes())
    return text.hexdigest()


def methods(con: duckdb.DuckDBPyConnection) -> Mapping[str, Method]:
    """Return the method of every computed table; read from the warehouse if it is of this program."""
    con.execute(
        "CREATE SCHEMA IF NOT EXISTS used; "
        "CREATE TABLE IF NOT EXISTS used.program (fingerprint VARCHAR, methods VARCHAR)"
    )
    known = con.execute(
        "SELECT methods FROM used.program WHERE fingerprint = ?", [fingerprint()]
    ).fetchall()
    if known:
        return {
            name: Method(text, tuple(sources), Word(*part) if part else None, *said)
            for name, (text, sources, part, *said) in json.loads(known[0][0]).items()
        }
    found = of_files(ROOT)
    listed = json.dumps(
        {
            n: [m.hash, m.sources, astuple(m.part) if m.part else None, m.harvested, m.needs]
            for n, m in found.items()
        }
    )
    con.execute("DELETE FROM used.program")
    con.execute("INSERT INTO used.program VALUES (?, ?)", [fingerprint(), listed])
    return found


def of_files(root: Path) -> dict[str, Method]:
    """Return the method of every table that has a module below ``root``."""
    modules = {path: path.read_bytes() for path in _files(root) if path.suffix == ".py"}
    read = {path: _read(text, path, root) for path, text in modules.items()}
    imported = {path: found[0] & modules.keys() for path, found in read.items()}
    data = {folder: _beside(folder) for folder in {path.parent for path in modules}}
    program, found = _program(root).encode(), {}
    for name, room in ROOMS.items():
        path = root / "transforms" / room / f"{name}.py"
        if path in modules and name in TABLES:
            text = hashlib.sha256(program)
            for one in sorted(_reached(path, imported)):
                text.update(one.relative_to(root).as_posix().encode() + modules[one])
                text.update(data[one.parent])
            _, sources, part, harvested, needs = read[path]
            sources = _with_comparison(name, sources)
            found[name] = Method(text.hexdigest(), sources, part, harvested, needs)
    return found


def _with_comparison(name: str, sources: tuple[str, ...]) -> tuple[str, ...]:
    """Return a table's sources, the comparisons of strips among them if its formula is shown those."""
    tables = [TABLES[source] for source in sources if source in TABLES]
    if COMPARISON in sources or not compared.sees_comparisons(TABLES[name], tables):
        return sources
    return (*sources, COMPARISON)


def _program(root: Path) -> str:
    """Return what makes every table: the libraries, and how rows are settled and checked."""
    hashes = [hashlib.sha256((root / own).read_bytes()).hexdigest() for own in OF_ALL]
    return json.dumps([*(version(name) for name in _LIBRARIES), *hashes])


def _files(root: Path) -> list[Path]:
    """Return the files of the lower floors; what only people read is left out."""
    found = (path for floor in _FLOORS for path in (root / floor).rglob("*"))
    return sorted(p for p in found if p.is_file() and p.suffix not in _NOT_READ)


def _beside(folder: Path) -> bytes:
    """Return the files of a folder that are no modules: its modules may read them."""
    found = (p for p in folder.iterdir() if p.is_file() and p.suffix not in (".py", *_NOT_READ))
    return b"".join(p.name.encode() + p.read_bytes() for p in sorted(found))


@cache
def _read(
    text: bytes, path: Path, root: Path
) -> tuple[frozenset[Path], tuple[str, ...], Word | None, bool, str]:
    """Return the files that a module may import, the parameters of its ``derive``, and what its words say.

    These are ``PART`` (with ``MARGIN_MONTHS``), ``HARVESTED`` and ``NEEDS``.
    """
    tree = ast.parse(text)
    names = {path.relative_to(root).with_suffix("").as_posix().replace("/", ".")}
    for node in _statements(tree):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    places = [root.joinpath(*name.split(".")) for name in names]
    packages = (p / "__init__.py" for place in places for p in (place, *place.parents))
    derives = [n for n in tree.body if isinstance(n, ast.FunctionDef) and n.name == "derive"]
    sources = tuple(a.arg for n in derives for a in (*n.args.args, *n.args.kwonlyargs))
    said = {
        target.id: ast.literal_eval(node.value)
        for node in tree.body
        if derives and isinstance(node, ast.Assign)
        for target in node.targets
        if isinstance(target, ast.Name) and target.id in _WORDS
    }
    part = Word.of(said.get("PART", ""), said.get("MARGIN_MONTHS", 0))
    files = frozenset((*packages, *(p.with_suffix(".py") for p in places)))
    return files, sources, part, bool(said.get("HARVESTED")), str(said.get("NEEDS", ""))


def _statements(tree: ast.Module) -> Iterator[ast.AST]:
    """Yield the statements of a module, those within others too, but no expressions: none of these imports."""
    waiting: list[ast.AST] = list(tree.body)
    while waiting:
        node = waiting.pop()
        yield node
        for inside in ("body", "orelse", "finalbody", "handlers", "cases"):
            waiting += getattr(node, inside, ())


def _reached(path: Path, imported: Mapping[Path, frozenset[Path]]) -> set[Path]:
    """Return a module and all that it imports, by way of others too."""
    reached, waiting = {path}, [path]
    while waiting:
        new = imported[waiting.pop()] - reached
        reached |= new
        waiting += new
    return reached
