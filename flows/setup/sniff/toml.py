"""A proposal as TOML to paste into farm.toml, its open questions as comments beside the keys."""

from __future__ import annotations

import json
import re
from typing import Any

from flows.setup.sniff.finding import Proposal

BARE = re.compile(r"^[A-Za-z0-9_-]+$")


def text(proposal: Proposal, name: str) -> str:
    """The layout as a TOML table ``[layouts.name]``."""
    layout = dict(proposal.layout)
    columns = layout.pop("columns", {})
    lines = [f"[layouts.{key(name)}]"]
    lines += [f"# CHECK {q.item}: {q.evidence}" for q in proposal.questions]
    lines += [f"{key(k)} = {value(v)}" for k, v in layout.items()]
    if columns:
        lines.append(f"[layouts.{key(name)}.columns]")
        lines += [f"{key(k)} = {value(v)}" for k, v in columns.items()]
    if proposal.left_out:
        lines.append(f"# Left out: {', '.join(proposal.left_out)}"[:500])
    return "\n".join(line.replace("\n", " ") for line in lines) + "\n"


def key(name: str) -> str:
    """A key, quoted where TOML wants it."""
    return name if BARE.match(name) else value(name)


def value(what: Any) -> str:
    """A value: text, number, flag, list or inline table."""
    match what:
        case bool():
            return str(what).lower()
        case int() | float():
            return repr(what)
        case dict():
            inside = ", ".join(f"{key(str(k))} = {value(v)}" for k, v in what.items())
            return f"{{ {inside} }}"
        case list() | tuple():
            return f"[{', '.join(map(value, what))}]"
        case _:
            return json.dumps(str(what), ensure_ascii=False).replace("\x7f", "\\u007f")
