"""The short forms of farm.toml, written out: one block for several instruments, and defaults for all."""

from __future__ import annotations

from typing import Any

KINDS = ("station", "probe")
# What an instrument may say itself, in place of its only spell.
PLACE = ("field", "fields", "strip", "from", "to", "irrigated_area_ha")
STAC = "stac"  # the kind of [[sources]] whose blocks are a model of their own
# What cannot hold for all.
_OWN = ("name", "names", "ids", "spells")


def defaults_of(kind: str) -> str:
    """Return the key of farm.toml with what holds for every ``station`` or ``probe``."""
    return f"{kind}_defaults"


def written_out(content: Any) -> Any:
    """Return the content of farm.toml with the defaults in each block, and each place as a spell.

    What an instrument gives itself goes before the defaults. Content of another shape is returned
    as it is: the models name what is wrong with it.
    """
    if not isinstance(content, dict):
        return content
    content = dict(content)
    for kind in KINDS:
        blocks, defaults = content.get(f"{kind}s"), content.get(defaults_of(kind))
        if isinstance(blocks, list | tuple):
            given = defaults if isinstance(defaults, dict) else {}
            given = {key: value for key, value in given.items() if key not in _OWN}
            content[f"{kind}s"] = [_whole(block, given) for block in blocks]
    sources = content.get("sources")
    if isinstance(sources, list | tuple) and any(map(_is_stac, sources)):
        content["sources"] = [block for block in sources if not _is_stac(block)]
        content["image_sources"] = [block for block in sources if _is_stac(block)]
    return content


def _is_stac(block: Any) -> bool:
    return isinstance(block, dict) and block.get("kind") == STAC


def source_in_file(loc: tuple[int | str, ...], content: Any) -> tuple[int | str, ...]:
    """Return the place in the file of a key of a source, whose blocks stand in one list there."""
    if len(loc) < 2 or loc[0] not in ("sources", "image_sources") or not isinstance(loc[1], int):
        return loc
    stac = loc[0] == "image_sources"
    blocks = content.get("sources") if isinstance(content, dict) else None
    if not isinstance(blocks, list | tuple):
        return loc
    own = [n for n, block in enumerate(blocks) if _is_stac(block) == stac]
    return ("sources", own[loc[1]], *loc[2:]) if loc[1] < len(own) else loc


def _whole(block: Any, defaults: dict[str, Any]) -> Any:
    if not isinstance(block, dict):
        return block
    if "spells" in block:
        return {key: v for key, v in defaults.items() if key not in PLACE} | block
    whole = defaults | block
    place = {key: whole.pop(key) for key in PLACE if key in whole}
    return whole | ({"spells": [place]} if place else {})


def written_at(loc: tuple[int | str, ...], content: Any) -> tuple[int | str, ...]:
    """Return the place in the file of a key of what ``written_out`` made of its content."""
    kind = str(loc[0])[:-1] if loc else ""
    if kind not in KINDS or len(loc) < 3 or not isinstance(loc[1], int):
        return loc
    block, defaults = content[loc[0]][loc[1]], content.get(defaults_of(kind))
    if not isinstance(block, dict):
        return loc
    key: tuple[int | str, ...] = loc[2:]
    if key[0] == "spells" and "spells" not in block and len(key) > 2:
        key = key[2:]
    if key[0] not in block and isinstance(defaults, dict) and key[0] in defaults:
        return (defaults_of(kind), *key)
    return (*loc[:2], *key)
