"""since_operation: which work a season follows; a side-dressing counts for the crop it is done in."""

from __future__ import annotations

from datetime import date

import pytest

from tests.transforms import invented_trial
from tests.transforms.frames import rows
from transforms.trial.methods.since_operation import since_operation

FIELD = invented_trial.fields("north", "south")
# Winter wheat: seeded in the fall, cut in July.
SEASONS = rows(
    "season",
    [
        {"field": "north", "season": y, "crop": c, "seeded": seeded, "harvested": cut}
        for y, c, seeded, cut in (
            (2020, "corn", date(2020, 5, 10), date(2020, 10, 20)),
            (2021, "winter wheat", date(2020, 10, 25), date(2021, 7, 20)),
            (2022, "corn", date(2022, 5, 10), None),
        )
    ],
)


def years(*work: dict[str, object]) -> dict[int, tuple[date | None, int | None]]:
    out = since_operation(SEASONS, invented_trial.operations(*work), FIELD)
    return {
        s: (day, n) for s, day, n in out.select("season", "operation_day", "years_since").rows()
    }


def dressed(
    day: str, counts_for: str | None = "standing crop", **more: object
) -> dict[str, object]:
    return invented_trial.worked("north", day, counts_for=counts_for, **more)


def test_work_in_the_crop_counts_for_the_next_one_unless_the_practice_says_otherwise() -> None:
    day = date(2020, 6, 20)
    assert years(dressed("2020-06-20", None)) == {
        2020: (None, None),
        2021: (day, 1),
        2022: (day, 2),
    }
    assert years(dressed("2020-06-20")) == {2020: (day, 1), 2021: (day, 2), 2022: (day, 3)}


@pytest.mark.parametrize(
    ("day", "first"),
    [
        ("2020-10-24", 2021),  # after the harvest of one, before the seeding of the next
        ("2020-11-10", 2021),  # in winter wheat, the fall before its harvest
        ("2021-04-10", 2021),
        ("2021-07-21", 2022),
        ("2022-06-20", 2022),  # not harvested yet
        ("2023-06-20", None),  # a crop that was never harvested stands no year longer
    ],
)
def test_the_first_harvest_after_it_is_year_one(day: str, first: int | None) -> None:
    found = years(dressed(day))
    assert {season for season, (_, n) in found.items() if n == 1} == ({first} if first else set())
    assert all(n is None for season, (_, n) in found.items() if not first or season < first)


def test_one_row_speaks_for_its_practice_and_a_row_of_its_own_for_itself() -> None:
    second = date(2022, 6, 20)
    found = years(dressed("2020-06-20"), dressed("2022-06-20", None))
    assert found[2022] == (second, 1)
    found = years(dressed("2020-06-20"), dressed("2022-06-20", "next crop"))
    assert found[2022] == (date(2020, 6, 20), 3)
    other = dressed("2022-06-20", None, practice="gypsum")
    assert years(dressed("2020-06-20"), other)[2022] == (date(2020, 6, 20), 3)
