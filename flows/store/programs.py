"""Which programs made the computed tables: an older version is refused, and two that take turns are told.

Each program makes the tables again that another one made otherwise. Two on one farm (a service with the
old version, a command with the new one; two environments with other libraries) would do so at every turn.
"""

from __future__ import annotations

import json
import re
from dataclasses import asdict, dataclass

import duckdb
from pydantic import TypeAdapter

from flows.base.errors import UserError
from flows.base.version import VERSION
from flows.store import facts

FACT = "programs"
_REMEMBERED = 4


@dataclass(frozen=True, slots=True)
class Program:
    """A program that made tables: its version, the hash of all that makes tables, where it is installed."""

    version: str
    hash: str
    where: str


_SHAPE = TypeAdapter(list[Program])


def refuse_older(con: duckdb.DuckDBPyConnection) -> None:
    """Raise UserError if a later version of the program made the tables last."""
    last = next(iter(_known(con)), None)
    if last is not None and _parts(VERSION) and _parts(VERSION) < _parts(last.version):
        raise UserError(
            f"The tables of this farm were made by Checkstrip {last.version} ({last.where}), and this is "
            f"{VERSION}; nothing was changed. Use the later one everywhere. To go back to this one for "
            "good: checkstrip rebuild FOLDER"
        )


def note(con: duckdb.DuckDBPyConnection, program: str, where: str) -> str | None:
    """Note the program that made the tables; return a sentence if it takes turns with another one."""
    known = _known(con)
    this = Program(VERSION, program, where)
    if known and known[0].hash == program:
        return None
    others = [one for one in known if one.hash != program]
    listed = json.dumps([asdict(one) for one in [this, *others][:_REMEMBERED]])
    facts.set_fact(con, FACT, listed)
    if len(others) == len(known):
        return None  # the first one, or a new one that may be an upgrade
    other = known[0]
    return (
        "Two installations of Checkstrip take turns on this farm, and each makes the tables again that the "
        f"other made: this one ({VERSION}, {where}) and {other.version} ({other.where}). Use one of them."
    )


def _known(con: duckdb.DuckDBPyConnection) -> list[Program]:
    """Return the programs that made tables, the last first."""
    try:
        return _SHAPE.validate_json(facts.fact(con, FACT) or "[]")
    except ValueError:
        return []


def _parts(version: str) -> tuple[int, ...]:
    return tuple(int(number) for number in re.findall(r"\d+", version.partition("+")[0])[:3])
