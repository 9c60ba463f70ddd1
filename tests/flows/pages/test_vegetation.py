"""The vegetation index on the field's page: each source a sentence, with its interval."""

from __future__ import annotations

from datetime import date

from flows.pages.reader_units import Show
from flows.pages.sections import vegetation
from tests.flows.pages.page_text import flat

ROW = {
    "field": "Home",
    "season": 2024,
    "source": "images",
    "crop": "pea",
    "days_seen": 9,
    "treated_peak": 0.81,
    "check_peak": 0.78,
    "peak_difference": 0.03,
    "peak_difference_low": 0.01,
    "peak_difference_high": 0.05,
    "treated_area_d": 50.0,
    "check_area_d": 48.0,
    "area_difference_d": 2.0,
    "treated_green_up_day": date(2024, 6, 3),
    "check_green_up_day": date(2024, 6, 5),
    "green_up_later_d": -2.0,
    "green_up_later_low_d": -4.0,
    "green_up_later_high_d": 0.0,
    "limits": "Its limits.",
    "coverage": 1.0,
    "partial": False,
}


def test_what_is_known_is_said_and_nothing_else(tables) -> None:
    given = tables.with_rows("vegetation_response", ROW)
    show = Show("us")
    said, limits = vegetation.of_season(given, "Home", 2024)
    words = flat(show.phrase(said.phrase))
    assert "Vegetation index (images): highest 0.81 in the treated strip and 0.78" in words
    assert "treated minus check +0.03 (95% interval +0.01 to +0.05)." in words
    assert "treated minus check -2 days (95% interval -4 days to 0 days)" in words
    assert "Senescence" not in words
    assert flat(show.phrase(limits.phrase)) == "Its limits."
    assert vegetation.of_season(given, "Home", 2023) == []
