"""Observations in the report: side by side with their unit, photographs, and over all site-years."""

from __future__ import annotations

from datetime import date

from flows.pages.cells import Grid, Line
from flows.pages.sections import observations
from tests.flows.pages.page_text import PageReader, report, spoken

DAY = date(2024, 7, 5)
PAIR = {
    "field": "Home",
    "day": DAY,
    "what": "infiltration",
    "layer": "all",
    "unit": "mm/h",
    "treated_value": 25.0,
    "check_value": 14.0,
    "difference": 11.0,
    "difference_pct": 78.6,
    "treated_places": 2,
    "check_places": 2,
    "years_since": 0.8,
    "coverage": 1.0,
    "partial": False,
}
SEASONS = [{"field": "Home", "season": 2024}]
ALONE = PAIR | {"what": "residue", "unit": "%", "check_value": None, "difference_pct": None}
ALONE |= {"coverage": 0.5, "partial": True, "reason": "only the treated strip was observed"}


def test_a_field_shows_its_observations_with_units_and_says_what_is_partial(tables) -> None:
    given = tables.with_rows("observation_pair", PAIR, ALONE)
    (grid,) = observations.of_seasons(given, SEASONS)
    assert isinstance(grid, Grid)
    show = given.show()
    first, second = (" ".join(show.phrase(p) for p in row) for row in grid.rows)
    assert "infiltration" in first
    assert "25.00 14.00 mm/h" in first
    assert "not known" in second  # the check strip's value
    assert "not known" not in first
    assert "infiltration –" in first  # it has no depth
    assert [show.phrase(note.phrase) for note in grid.notes] == [
        "only the treated strip was observed."
    ]
    assert "Root front" not in " ".join(show.phrase(head) for head in grid.heads)


def test_roots_have_the_probes_front_beside_them(tables) -> None:
    roots = PAIR | {"what": "roots", "unit": "count", "depth_cm": 20.0, "treated_front_cm": 80.0}
    given = tables.with_rows("observation_pair", roots)
    (grid,) = observations.of_seasons(given, SEASONS)
    show = given.show("metric")
    assert "Root front by the probe, treated" in [show.phrase(head) for head in grid.heads]
    assert "80 cm" in " ".join(show.phrase(p) for p in grid.rows[0]).replace("\N{NBSP}", " ")


def test_other_years_are_left_to_their_own_report(tables) -> None:
    given = tables.with_rows("observation_pair", PAIR, PAIR | {"day": date(2022, 7, 5)})
    (grid,) = observations.of_seasons(given, SEASONS)
    assert len(grid.rows) == 1
    assert observations.of_seasons(given, []) == []


def test_photographs_are_named(tables) -> None:
    photo = {"field": "Home", "strip": "treated", "day": DAY, "what": "photograph", "layer": "all"}
    given = tables.with_rows("observation", photo | {"place": "1", "file": "pit.jpg"})
    (line,) = observations.of_seasons(given, SEASONS)
    assert isinstance(line, Line)
    assert spoken(given, [line]) == "Photograph of Home, 2024-07-05, treated: pit.jpg."


def test_a_hostile_file_name_is_no_markup(tables) -> None:
    photo = {"field": "Home", "strip": "check", "day": DAY, "what": "photograph", "layer": "all"}
    photo |= {"place": "1", "file": "<script>alert(1)</script>.jpg"}
    _, html = report(tables.with_rows("observation", photo))
    assert "<script" not in html
    assert "&lt;script&gt;" in html


def test_over_site_years_it_says_mean_interval_unit_and_how_often(tables) -> None:
    row = {
        "practice": "deep tillage",
        "what": "infiltration",
        "layer": "all",
        "unit": "mm/h",
        "site_years": 5,
        "fields": 3,
        "ahead": 4,
        "difference": 11.0,
        "difference_low": 2.0,
        "difference_high": 20.0,
        "verdict": "more",
        "limits": "Whoever observed knew.",
        "coverage": 1.0,
        "partial": False,
    }
    given = tables.with_rows("observation_pooled", row, row | {"unit": "x", "difference": None})
    _, html = report(given)
    words = PageReader(html).words.replace("\N{NBSP}", " ")
    assert (
        "Observed over all site-years of the deep tillage, treated minus check: infiltration "
        "+11.00 mm/h (95% interval +2.00 to +20.00); more in 4 of 5." in words
    )
    assert "Whoever observed knew." in words
