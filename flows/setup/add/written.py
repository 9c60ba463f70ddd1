"""What is added to farm.toml as text, between two marks, and taken out again by them.

The file is written by people, with comments and an order of their own, so nothing of it is written
again: a part is appended, and what stands between its marks is cut out.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from flows.base.errors import UserError
from flows.base.toml_text import toml_key, toml_value
from flows.farm import farm_file
from schemas.farm.farm import Farm

BEGIN = "# ---- added {at} UTC: {what} ('checkstrip add --undo' takes this part out)"
END = "# ---- end of what was added {at} UTC"
_BEGIN = re.compile(r"^# ---- added (\S+ \S+) UTC: (.*) \('checkstrip add --undo'", re.MULTILINE)
OF = {"station": "stations", "probe": "probes"}


@dataclass(frozen=True, slots=True)
class Part:
    """What is added: a layout (None if one that is there is used), instruments, a source or none.

    ``instruments`` are pairs of kind and block; ``maps``: by yield map, what its headings mean; ``what``
    describes it.
    """

    what: str
    layout_name: str
    layout: Mapping[str, Any] | None
    instruments: tuple[tuple[str, Mapping[str, Any]], ...] = ()
    source: Mapping[str, Any] | None = None
    notes: tuple[str, ...] = field(default=())
    maps: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    @property
    def is_empty(self) -> bool:
        """Return whether farm.toml has all of it already."""
        return not (self.layout or self.instruments or self.source or self.maps)

    def text(self, now: datetime) -> str:
        """Return it as TOML between its marks."""
        at = f"{now.astimezone(UTC):%Y-%m-%d %H:%M:%S}"
        lines = [BEGIN.format(at=at, what=" ".join(self.what.split()))]
        if self.layout is not None:
            lines += _layout(self.layout_name, self.layout)
        for kind, block in self.instruments:
            lines += ["", f"[[{OF[kind]}]]", *(f"{k} = {toml_value(v)}" for k, v in block.items())]
        if self.source is not None:
            lines += [
                "",
                "[[sources]]",
                *(f"{k} = {toml_value(v)}" for k, v in self.source.items()),
            ]
        for name, meant in self.maps.items():
            lines += ["", f"[yield_map_headings.{toml_key(name)}]"]
            lines += [f"{toml_key(k)} = {toml_value(v)}" for k, v in meant.items()]
        return "\n".join([*lines, END.format(at=at)]) + "\n"


def _layout(name: str, layout: Mapping[str, Any]) -> list[str]:
    columns = layout.get("columns", {})
    lines = [f"[layouts.{toml_key(name)}]"]
    lines += [f"{toml_key(k)} = {toml_value(v)}" for k, v in layout.items() if k != "columns"]
    if columns:
        lines.append(f"[layouts.{toml_key(name)}.columns]")
        lines += [f"{toml_key(k)} = {toml_value(v)}" for k, v in columns.items()]
    return lines


def must_still_be(farm_toml: Path, was: str) -> None:
    """Raise UserError if somebody changed farm.toml while questions were asked."""
    if read(farm_toml) != was:
        raise UserError("farm.toml was changed meanwhile, so nothing was added. Try again.")


def with_part(text: str, part: Part, now: datetime | None = None) -> str:
    """Return farm.toml with a part appended. Raises UserError if that is no valid farm file."""
    if part.is_empty:
        return text
    more = part.text(now or datetime.now(UTC))
    whole = text.rstrip("\n") + "\n\n" + more
    try:
        content = tomllib.loads(whole)
    except tomllib.TOMLDecodeError as error:
        raise UserError(
            f"farm.toml cannot be added to at its end ({error}). Write stations, probes and sources "
            "as [[stations]], [[probes]] and [[sources]]."
        ) from None
    farm_file.parse(content, "farm.toml with what is added")
    return whole


@dataclass(frozen=True, slots=True)
class TakenOut:
    """farm.toml without the last part, what that was, and the names that are gone with it."""

    text: str
    what: str
    names: dict[str, tuple[str, ...]]


def without_last(text: str) -> TakenOut:
    """Return farm.toml without the part that was added last.

    Raises UserError if there is none, if its end is not marked, if something else is in it by
    now, or if the rest needs it.
    """
    begins = list(_BEGIN.finditer(text))
    if not begins:
        raise UserError("farm.toml has nothing that 'checkstrip add' added.")
    last = begins[-1]
    end = text.find(END.format(at=last[1]), last.end())
    if end < 0:
        raise UserError(
            f"The end of what was added {last[1]} UTC is not marked in farm.toml any more. "
            f"Take it out by hand: {last[2]}."
        )
    stop = text.find("\n", end)
    inside = text[last.start() : end]
    rest = text[: last.start()].rstrip("\n") + "\n" + (text[stop + 1 :] if stop >= 0 else "")
    own = _names(tomllib.loads(inside))
    if foreign := [key for key in tomllib.loads(inside) if key not in own]:
        raise UserError(
            f"[{foreign[0]}] stands between the marks of what was added {last[1]} UTC in farm.toml. "
            "Move it out of there first."
        )
    try:
        farm = farm_file.parse(tomllib.loads(rest), "farm.toml without it")
    except UserError as error:
        raise UserError(f"Something in farm.toml needs what was added last. {error}") from None
    gone = {
        kind: tuple(n for n in names if n not in _all(farm)[kind]) for kind, names in own.items()
    }
    return TakenOut(rest, last[2], gone)


def _names(content: Mapping[str, Any]) -> dict[str, tuple[str, ...]]:
    blocks: dict[str, tuple[str, ...]] = {
        kind: tuple(str(block.get("name", "")) for block in content.get(kind, ()))
        for kind in ("stations", "probes", "sources")
    }
    tables = ("layouts", "yield_map_headings")
    return {**{kind: tuple(content.get(kind, {})) for kind in tables}, **blocks}


def _all(farm: Farm) -> dict[str, set[str]]:
    return {
        "layouts": set(farm.layouts),
        "yield_map_headings": set(farm.yield_map_headings),
        "stations": {one.name for one in farm.stations},
        "probes": {one.name for one in farm.probes},
        "sources": {one.name for one in farm.sources},
    }


def slug(name: str) -> str:
    """Return a name as that of a folder or a layout."""
    return re.sub(r"\W+", "_", name).strip("_").casefold() or "logger"


def free(name: str, taken: Sequence[str]) -> str:
    """Return the name, or the first with a number behind it that nobody has."""
    number, found = 1, name
    while found in taken:
        number += 1
        found = f"{name}_{number}"
    return found


def read(farm_toml: Path) -> str:
    """Return farm.toml as text."""
    return farm_toml.read_text(encoding="utf-8-sig")
