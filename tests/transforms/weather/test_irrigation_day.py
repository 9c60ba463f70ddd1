"""irrigation_day: strips, parts and sources of the field book by hand; order and doubling."""

from __future__ import annotations

from datetime import date
from typing import Any

import polars as pl
from hypothesis import given
from hypothesis import strategies as st

from tests.transforms.frames import by_key, check, rows, season
from transforms.weather import irrigation_day

DAY, NEXT = date(2024, 6, 10), date(2024, 6, 11)


def book(*items: dict[str, Any]) -> pl.DataFrame:
    return rows("irrigation", [{"field": "f", "day": DAY, "part": "1", **item} for item in items])


def derived(irrigation: pl.DataFrame, *seasons: dict[str, Any]) -> dict[Any, dict[str, Any]]:
    out = irrigation_day.derive(irrigation, rows("season", seasons))
    check(out, "irrigation_day")
    return by_key(out, "irrigation_day")


def test_both_strips_and_several_parts_add_up() -> None:
    out = derived(
        book(
            {"strip": "both", "amount_mm": 20.0, "source": "pivot"},
            {"strip": "treated", "amount_mm": 5.0, "part": "2", "source": "hand line"},
            {"strip": "check", "amount_mm": 7.0, "day": NEXT},
        )
    )
    assert {key: row["irrigation_mm"] for key, row in out.items()} == {
        ("f", "treated", DAY): 25.0,
        ("f", "check", DAY): 20.0,
        ("f", "check", NEXT): 7.0,
    }
    treated = out["f", "treated", DAY]
    assert (treated["source"], treated["irrigation_from"]) == ("hand line, pivot", "field book")
    assert (treated["coverage"], treated["partial"], treated["reason"]) == (1.0, False, None)


def test_a_part_without_a_depth_makes_the_day_unknown_not_less() -> None:
    out = derived(
        book(
            {"strip": "both", "amount_mm": 20.0},
            {"strip": "treated", "amount_mm": None, "part": "2"},
        )
    )
    row = out["f", "treated", DAY]
    assert (row["irrigation_mm"], row["coverage"], row["partial"]) == (None, 0.0, True)
    assert "does not say how much" in row["reason"]
    assert out["f", "check", DAY]["irrigation_mm"] == 20.0


def test_sums_since_monday_and_since_seeding() -> None:
    """10 June 2024 is a Monday; the crop stands from 5 June to 20 June."""
    depths = {4: 9.0, 6: 5.0, 10: 20.0, 12: None, 13: 4.0, 21: 3.0}
    out = derived(
        book(
            *(
                {"strip": "check", "amount_mm": mm, "day": date(2024, 6, d)}
                for d, mm in depths.items()
            )
        ),
        season("2024-06-05", "2024-06-20"),
    )
    names = ("week_to_date_mm", "week_to_date_unknown_d", "season", "season_to_date_mm")
    found = {k[2].day: tuple(r[n] for n in names) for k, r in out.items()}
    assert found == {
        4: (9.0, 0, None, None),
        6: (14.0, 0, 2024, 5.0),
        10: (20.0, 0, 2024, 25.0),
        12: (20.0, 1, 2024, 25.0),
        13: (24.0, 1, 2024, 29.0),
        21: (3.0, 0, None, None),
    }
    assert out["f", "check", date(2024, 6, 13)]["season_to_date_unknown_d"] == 1


def test_a_farm_without_irrigation_has_no_rows() -> None:
    assert derived(book()) == {}


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["treated", "check", "both"]),
            st.sampled_from([DAY, NEXT]),
            st.one_of(st.none(), st.floats(0, 100)),
        ),
        max_size=8,
    ),
    st.randoms(use_true_random=False),
)
def test_the_order_of_the_book_does_not_matter(items: list[Any], chance: Any) -> None:
    entries = [
        {"strip": strip, "day": day, "amount_mm": mm, "part": str(i)}
        for i, (strip, day, mm) in enumerate(items)
    ]
    shuffled = list(entries)
    chance.shuffle(shuffled)
    one, other = (irrigation_day.derive(book(*e), rows("season", [])) for e in (entries, shuffled))
    near = pl.col("irrigation_mm", "book_mm", "week_to_date_mm").round(9)
    assert one.with_columns(near).equals(other.with_columns(near))
