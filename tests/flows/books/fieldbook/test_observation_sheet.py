"""The sheet observations: any quantity with a unit, photographs, and its faults."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from flows.books.fieldbook import FieldBook
from tests.flows.fieldbooks import book, read

DAY = date(2021, 6, 21)
HEADS = ["field", "strip", "day", "what", "value", "unit"]


def _read(*rows: list[Any]) -> FieldBook:
    sheets = book()
    sheets["observations"] = list(rows)
    return read(sheets)


def _one(*rows: list[Any]) -> dict[str, Any]:
    (entry,) = _read(*rows).frames["observation"].to_dicts()
    return entry


@pytest.mark.parametrize(
    ("heading", "value", "unit", "number", "told"),
    [
        ("value", 28, "mm/h", 28.0, "mm/h"),
        ("value", "28.5 mm / h", None, 28.5, "mm/h"),
        ("value (mm/h)", 28, None, 28.0, "mm/h"),
        ("value (mm/h)", 28, "mm/h", 28.0, "mm/h"),
        ("count", 17, "roots/dm²", 17.0, "roots/dm2"),
        ("value", 0.62, 1, 0.62, "1"),
        ("value", "-3,5", "dS/m", -3.5, "dS/m"),
    ],
)
def test_any_quantity_with_its_unit_wherever_it_stands(heading, value, unit, number, told) -> None:
    heads = ["field", "strip", "day", "what", heading, "unit"]
    row = _one(heads, ["Home", "treated", DAY, "Some  Thing", value, unit])
    assert (row["value"], row["unit"]) == (number, told)
    assert (row["what"], row["layer"], row["place"]) == ("some thing", "all", "1")


@pytest.mark.parametrize(
    ("one", "other", "factor"),
    [
        ("in/h", "mm/hr", 25.4),
        ("psi", "kPa", 6.894757),
        ("lb/ac", "kg/ha", 1.120851),
        ("plants/ft2", "plants/m²", 10.76391),
        ("/ft2", "1/m2", 10.76391),
        ("%", "1", 0.01),
        ("mS/cm", "dS/m", 1.0),
    ],
)
def test_units_of_one_kind_have_one_base(one: str, other: str, factor: float) -> None:
    """Factors of NIST Special Publication 811, appendix B (from memory, six digits)."""
    first, second = (_one(HEADS, ["Home", "check", DAY, "it", 2, unit]) for unit in (one, other))
    assert first["base_unit"] == second["base_unit"]
    assert first["unit_factor"] / second["unit_factor"] == pytest.approx(factor, rel=1e-6)


@pytest.mark.parametrize("unit", ["count", "score", "plants/row", "mm/score"])
def test_a_unit_that_is_not_known_has_no_base(unit: str) -> None:
    row = _one(HEADS, ["Home", "check", DAY, "it", 2, unit])
    assert (row["base_unit"], row["unit_factor"]) == (None, None)


def test_depths_in_any_unit_and_several_places() -> None:
    heads = [*HEADS, "depth (in)", "place"]
    found = _read(
        heads,
        ["Home", "check", DAY, "roots", 12, "count", 20, "pit 1"],
        ["Home", "check", DAY, "roots", 9, "count", 20, "pit 2"],
        ["Home", "check", DAY, "roots", 4, "count", 30, "pit 1"],
    )
    frame = found.frames["observation"]
    assert frame.height == 3
    assert set(frame["layer"]) == {"50.8", "76.2"}
    assert frame["depth_cm"].max() == pytest.approx(76.2)


def test_a_photograph_has_no_value() -> None:
    row = _one([*HEADS, "photo"], ["Home", "both", DAY, "photograph", None, None, "pit.jpg"])
    assert (row["value"], row["file"], row["strip"]) == (None, "pit.jpg", "both")


@pytest.mark.parametrize(
    ("row", "cause"),
    [
        (["Home", "treated", DAY, "infiltration", 28, None], "the value has no unit"),
        (["Home", "treated", DAY, "infiltration", "28 mm/h", "in/h"], "the value has two units"),
        (["Home", "treated", DAY, "infiltration", "fast", "mm/h"], "the value is not a number"),
        (["Home", "treated", DAY, "infiltration", "1,250", "mm"], "the value is not a number"),
        (["Home", "treated", DAY, "infiltration", None, "mm/h"], "nothing was observed"),
        (["Home", "north", DAY, "infiltration", 28, "mm/h"], "the strip is not known"),
        (["Home", "treated", DAY, None, 28, "mm/h"], "the cell is empty"),
    ],
)
def test_what_cannot_stand_is_named_and_costs_its_row(row, cause) -> None:
    found = _read(HEADS, row)
    assert found.frames["observation"].is_empty()
    assert [p.cause for p in found.problems] == [cause]


def test_the_same_observation_twice_is_named() -> None:
    row = ["Home", "treated", DAY, "infiltration", 28, "mm/h"]
    found = _read(HEADS, row, row)
    assert found.frames["observation"].height == 1
    assert "stands already" in found.problems[0].cause
