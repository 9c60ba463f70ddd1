"""Writes keys and values of TOML."""

import json
import re
from datetime import date
from typing import Any


def toml_key(name: str) -> str:
    """Return a key, quoted where TOML wants it."""
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else toml_value(name)


def toml_value(what: Any) -> str:
    """Return a value: text, number, flag, day, list or inline table."""
    match what:
        case bool():
            return str(what).lower()
        case int() | float():
            return repr(what)
        case date():
            return what.isoformat()
        case dict():
            inside = ", ".join(f"{toml_key(str(k))} = {toml_value(v)}" for k, v in what.items())
            return f"{{ {inside} }}"
        case list() | tuple():
            return f"[{', '.join(map(toml_value, what))}]"
        case _:
            return json.dumps(str(what), ensure_ascii=False).replace("\x7f", "\\u007f")
