"""Is the ground still loose, in the report: by year with its units, and over all field-years."""

from __future__ import annotations

from datetime import date

import pytest

from flows.pages.sections import looseness
from tests.flows.pages.page_text import spoken

YEAR = {
    "field": "Home",
    "practice": "deep tillage",
    "operation_day": date(2020, 10, 8),
    "year": 1,
    "days_seen": 1,
    "cone_to_cm": 35.0,
    "treated_cone_index_mpa": 1.2,
    "check_cone_index_mpa": 1.8,
    "cone_index_pct": -33.3,
    "coverage": 1.0,
    "partial": False,
}
ALL = {
    "practice": "deep tillage",
    "measure": "cone index",
    "loose_is": "less",
    "field_years": 9,
    "fields": 4,
    "last_year": 3,
    "last_year_pct": -20.0,
    "last_year_low_pct": -28.0,
    "last_year_high_pct": -11.0,
    "change_pct": 6.0,
    "change_low_pct": 2.0,
    "change_high_pct": 10.0,
    "verdict": "still loose",
    "change_verdict": "settling",
    "limits": "Push both strips on one day.",
    "coverage": 1.0,
    "partial": False,
}


@pytest.mark.parametrize(("system", "shown"), [("metric", "1.2 MPa"), ("us", "174 psi")])
def test_a_field_shows_the_years_in_the_readers_unit_without_empty_columns(
    tables, system: str, shown: str
) -> None:
    """1 MPa is 145.04 psi (NIST Special Publication 811)."""
    alone = YEAR | {
        "year": 2,
        "check_cone_index_mpa": None,
        "cone_index_pct": None,
        "partial": True,
    }
    given = tables.with_rows(
        "ground_looseness",
        YEAR,
        alone | {"coverage": 0.0, "reason": "cone index in one strip only"},
    )
    (grid,) = looseness.of_fields(given)
    show = given.show(system)
    heads = [show.phrase(head) for head in grid.heads]
    first, second = ([show.phrase(p).replace("\N{NBSP}", " ") for p in row] for row in grid.rows)
    assert first[heads.index("Cone index, treated")] == shown
    assert not {"Its speed", "Fuel of the next working", "unit"} & set(heads)
    assert second[heads.index("check")] == "–"
    assert [show.phrase(n.phrase) for n in grid.notes] == ["cone index in one strip only."]


def test_over_all_field_years_it_answers_with_the_interval_of_the_verdict(tables) -> None:
    none = ALL | {
        "measure": "fuel",
        "last_year_pct": None,
        "change_pct": None,
        "verdict": "too few",
    }
    given = tables.with_rows("ground_looseness_change", ALL, none)
    first, limits = looseness.over_field_years(given, "deep tillage")
    assert spoken(given, [first]).startswith(
        "Is the ground still loose after the deep tillage? cone index (loose ground has less), treated "
        "over check, field-years: 9. In year 3, the last one seen: -20% (95% interval -28% to -11%): "
        "the ground is still loose. The ground settles back: +6% a year (95% interval +2% to +10%)."
    )
    assert spoken(given, [limits]) == "Push both strips on one day."


def test_an_interval_beside_zero_that_is_not_called_gives_the_reason(tables) -> None:
    row = ALL | {"verdict": "not shown"}
    (line, _) = looseness.over_field_years(
        tables.with_rows("ground_looseness_change", row), "deep tillage"
    )
    assert "can be chance" in spoken(tables, [line])
    row |= {"last_year_high_pct": 3.0, "change_verdict": "cannot tell yet"}
    (line, _) = looseness.over_field_years(
        tables.with_rows("ground_looseness_change", row), "deep tillage"
    )
    assert "A difference is not shown." in spoken(tables, [line])
    assert "is not known yet" in spoken(tables, [line])
