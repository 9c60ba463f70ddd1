"""No text of the program uses a phrase of ``phrases.txt``; a count agrees with its noun."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PHRASES = [
    line
    for line in (Path(__file__).parent / "phrases.txt").read_text(encoding="utf-8").splitlines()
    if line and not line.startswith("#")
]
# What growers and loggers write is read in any spelling.
ACCEPTED = {"schemas/fieldbook/words.py", "schemas/fieldbook/yield_map.py"}
FLOORS = ("flows", "transforms", "schemas", "demo_warehouse/simulator")
TEXTS = [
    *sorted(
        path
        for floor in FLOORS
        for path in (ROOT / floor).rglob("*")
        if path.suffix in {".py", ".toml", ".html", ".md"}
    ),
    *(ROOT / name for name in ("README.md", "DEVELOPERS.md", "demo_warehouse/farm.toml")),
]
# A number formatted before a plural noun: it says '1 rows' where there is one (see ``counted``).
UNCOUNTED = re.compile(r'f"[^"\n]*\{(?:len\([^{}]*\)|n|number|count)(?::,)?\} [a-z]+s\b(?! is\b)')


def lines(path):
    return path.read_text(encoding="utf-8").splitlines()


@pytest.mark.parametrize("path", TEXTS, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_plain_phrases(path):
    if path.relative_to(ROOT).as_posix() in ACCEPTED:
        return
    found = [
        f"{number}: {phrase}"
        for number, line in enumerate(lines(path), 1)
        for phrase in PHRASES
        if re.search(rf"\b{re.escape(phrase)}", line, re.IGNORECASE)
    ]
    assert not found


@pytest.mark.parametrize(
    "path",
    [path for path in TEXTS if path.suffix == ".py"],
    ids=lambda path: path.relative_to(ROOT).as_posix(),
)
def test_a_count_agrees_with_its_noun(path):
    found = [n for n, line in enumerate(lines(path), 1) if UNCOUNTED.search(line)]
    assert not found


def test_the_phrases_are_whole():
    assert len(PHRASES) == len(set(PHRASES)) > 30
    assert all(" " in phrase or len(phrase) > 3 for phrase in PHRASES)
