"""pass_doubt: what looks wrong in a season's passes."""

import polars as pl
import pytest

from tests.transforms.frames import rows
from transforms.trial import pass_doubt


def passes(**changes):
    found = []
    for n in range(6):
        strip = ("treated", "check")[n % 2]
        row = {
            "field": "Home",
            "season": 2024,
            "strip": strip,
            "pass": str(n),
            "method": "scale wagon",
        }
        row |= {"block": str(n), "mass_kg": 2500.0 + n, "length_m": 780.0, "width_m": 9.1}
        found.append(row | {"moisture_pct": 13.0, "left_out": False} | changes.get(f"p{n}", {}))
    return rows("harvest_pass", found)


def doubts(**changes):
    out = pass_doubt.derive(passes(**changes))
    return dict(out.select("pass", "doubt").iter_rows())


def test_a_good_season_has_none():
    assert doubts() == {}


@pytest.mark.parametrize(
    ("change", "said"),
    [({"moisture_pct": None}, "no moisture"), ({"width_m": 4.5}, "another width than most passes")],
)
def test_one_pass_that_looks_wrong(change, said):
    assert doubts(p2=change) == {"2": said}
    assert doubts(p2=change | {"left_out": True}) == {}


def test_the_same_pass_twice_names_both():
    twice = "the same mass, length and moisture as another pass"
    assert doubts(p3={"mass_kg": 2500.0}) == {"0": twice, "3": twice}


def test_seasons_are_judged_apart():
    other = passes().with_columns(season=pl.lit(2023, pl.Int64), width_m=pl.lit(12.0))
    assert pass_doubt.derive(pl.concat([passes(), other])).is_empty()
