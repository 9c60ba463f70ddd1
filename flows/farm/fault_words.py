"""Say what is wrong in farm.toml in the program's own words: the key, what was found, what to write.

The library that checks the file has sentences of its own, about types of a programming language;
none of them reaches the user.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, get_args

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from flows.base.plain_text import counted
from schemas.did_you_mean import nearest
from schemas.farm import short_form
from schemas.farm.farm import Farm

Loc = tuple[int | str, ...]

# What to write, by the first part of the kind of fault.
_WRITE: dict[str, str] = {
    "date": "write a date such as 2024-04-20, without quotes",
    "time": "write a time of day such as 09:00:00, without quotes",
    "int": "write a whole number, without quotes",
    "float": "write a number, without quotes",
    "finite": "write an ordinary number",
    "bool": "write true or false, without quotes",
    "string": "write text in quotes",
    "tuple": "write a list in square brackets",
    "dict": "write keys with values, in a part of their own or in { }",
    "model": "write keys with values, in a part of their own or in { }",
}
_ELSE = "this cannot stand here; the README shows what can"


def sentences(faults: Iterable[ErrorDetails], content: dict[str, Any]) -> list[str]:
    """Return a sentence for each key of the file's ``content`` that has a fault, in order."""
    faults = list(faults)
    # a faulty element is not also missing
    deep = [f for f in faults if f["type"] != "too_short" or not _holds_another(f, faults)]
    by_key: dict[tuple[str, str], list[str]] = {}
    for fault in deep:
        loc = short_form.written_at(fault["loc"], content)
        place = short_form.source_in_file(loc, content)
        if fault["type"] not in ("missing", "extra_forbidden"):
            place = _in_file(place, content)
            loc = loc[: len(place)]
        expected = by_key.setdefault((_dotted(place), _found(fault)), [])
        if (words := _expected(fault, loc)) not in expected:
            expected.append(words)
    return [
        f"{key}: {found}{' or '.join(expected).replace(' or write ', ' or ')}"
        for (key, found), expected in by_key.items()
    ]


def _holds_another(fault: ErrorDetails, faults: list[ErrorDetails]) -> bool:
    """Return whether another fault is inside the element of this one."""
    loc = fault["loc"]
    return any(f["loc"][: len(loc)] == loc and len(f["loc"]) > len(loc) for f in faults)


def _in_file(loc: Loc, content: Any) -> Loc:
    """Return a fault's place without what only says as what a value was tried to be read."""
    found: list[int | str] = []
    for part in loc:
        inside = isinstance(content, dict) and part in content
        if isinstance(content, list | tuple) and isinstance(part, int):
            inside = part < len(content)
        if inside:
            content = content[part]
            found.append(part)
    return tuple(found)


def _found(fault: ErrorDetails) -> str:
    value = fault["input"]
    if fault["type"] in ("extra_forbidden", "missing"):
        return ""
    if isinstance(value, BaseModel) or (isinstance(value, dict | list | tuple) and value):
        return ""
    return f"found {value!r}; "


def _expected(fault: ErrorDetails, loc: Loc) -> str:
    """Return what is wrong, or what to write instead."""
    kind, given = fault["type"], fault.get("ctx", {})
    if kind == "extra_forbidden":
        return _unknown_key(loc)
    if kind == "missing":
        return f"is missing and must be given{_example(_field_at(loc))}"
    if kind == "value_error":
        return str(given.get("error", _ELSE))
    return _to_write(kind, given, loc)


def _to_write(kind: str, given: dict[str, Any], loc: Loc) -> str:
    field = _field_at(loc)
    words = _WRITE.get(kind.partition("_")[0], _ELSE)
    match kind:
        case "literal_error":
            words = f"write {given['expected']}"
        case "too_short" | "string_too_short":
            words = f"write at least {_number(kind, given['min_length'])}{_example(field)}"
        case "too_long" | "string_too_long":
            words = f"write at most {_number(kind, given['max_length'])}"
        case "greater_than" | "greater_than_equal" | "less_than" | "less_than_equal":
            words = f"write {_limits(field, given)}"
        case "string_pattern_mismatch":
            words = f"write {_form(field)}"
        case "tuple_type" if field and _model_in(field.annotation):
            words = f"write [[{_dotted(loc)}]] above each of them"
    return words


def _number(kind: str, number: int) -> str:
    if not kind.startswith("string"):
        return f"{number}"
    return counted(number, "character")


def _example(field: FieldInfo | None) -> str:
    return f", such as {field.examples[0]}" if field and field.examples else ""


def _form(field: FieldInfo | None) -> str:
    if field is None or field.description is None:
        return "it in another form: these characters cannot stand here"
    return field.description


def _limits(field: FieldInfo | None, given: dict[str, Any]) -> str:
    """Return the limits of a number: both of its declaration, else the one that it passed."""
    limits = dict(given)
    for rule in field.metadata if field else ():
        limits |= {n: getattr(rule, n) for n in ("gt", "ge", "lt", "le") if hasattr(rule, n)}
    if "ge" in limits and "le" in limits:
        return f"a number from {limits['ge']:g} to {limits['le']:g}"
    words = {"gt": "above", "ge": "of at least", "lt": "below", "le": "of at most"}
    found = [f"{word} {limits[n]:g}" for n, word in words.items() if n in limits]
    return f"a number {' and '.join(found)}"


def _dotted(loc: Loc) -> str:
    out = ""
    for part in loc:
        out += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if out else str(part)
    return out or "the file"


def _unknown_key(loc: Loc) -> str:
    model = _model_at(loc[:-1])
    known = [f.alias or name for name, f in model.model_fields.items()]
    if "spells" in known:
        if loc[-1] in short_form.PLACE:
            return "with spells, the place is in them: move this key into a spell"
        known += short_form.PLACE
    near = nearest(str(loc[-1]), known)
    hint = f"did you mean {near[0]}?" if near else f"the keys here are {', '.join(known)}"
    return f"there is no such key; {hint}"


def _model_at(loc: Loc) -> type[BaseModel]:
    """Return the model of a part of the file."""
    model: type[BaseModel] = Farm
    for part in loc:
        field = _field(model, part)
        model = _model_in(field.annotation) or model if field else model
    return model


def _field_at(loc: Loc) -> FieldInfo | None:
    """Return the declaration of a key; of an element of a list, that of the list."""
    names = [place for place, part in enumerate(loc) if isinstance(part, str)]
    if not names:
        return None
    return _field(_model_at(loc[: names[-1]]), loc[names[-1]])


def _field(model: type[BaseModel], part: int | str) -> FieldInfo | None:
    fields = model.model_fields.items()
    return next((f for name, f in fields if part in (name, f.alias)), None)


def _model_in(annotation: Any) -> type[BaseModel] | None:
    """Return the pydantic model somewhere inside a type annotation."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((m for m in map(_model_in, get_args(annotation)) if m is not None), None)
