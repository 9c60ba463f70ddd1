"""observation_pair: strips side by side, places averaged, work and root front beside."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from tests.transforms import invented_trial
from tests.transforms.frames import check, rows
from transforms.trial import observation_pair

DAY = date(2021, 7, 5)


def seen(strip: str, value: float | None, day: date = DAY, **more: Any) -> dict[str, Any]:
    return {
        "field": "north",
        "strip": strip,
        "day": day,
        "what": "infiltration",
        "layer": "all",
        "place": "1",
        "value": value,
        "unit": "mm/h",
        "base_unit": "meter / second",
        "unit_factor": 1e-3 / 3600,
        **more,
    }


def derive(items, fronts=(), operations=None):
    work = operations or [invented_trial.worked("north", "2020-10-01")]
    out = observation_pair.derive(
        observation=rows("observation", list(items)),
        operation=invented_trial.operations(*work),
        field=invented_trial.fields("north"),
        root_front_day=rows("root_front_day", list(fronts)),
    )
    check(out, "observation_pair")
    return out.to_dicts()


def test_places_are_averaged_and_give_the_error() -> None:
    """Welch's standard error: places of 20 and 30, and of 12 and 16: 25 - 14, sqrt(50/2 + 8/2)."""
    items = [
        seen("treated", 20.0),
        seen("treated", 30.0, place="2"),
        seen("check", 12.0),
        seen("check", 16.0, place="2", unit="MM/h"),
    ]
    (row,) = derive(items)
    assert (row["treated_value"], row["check_value"], row["difference"]) == (25, 14, 11)
    assert row["difference_se"] == pytest.approx(29**0.5)
    assert row["difference_pct"] == pytest.approx(100 * 11 / 14)
    assert (row["treated_places"], row["check_places"]) == (2, 2)
    assert row["years_since"] == pytest.approx(277 / 365.25)
    assert not row["partial"]


def test_one_place_has_no_error_and_one_strip_no_difference() -> None:
    pair, alone = derive(
        [seen("treated", 3.0), seen("check", 0.0), seen("check", 2.0, date(2021, 8, 1))]
    )
    assert (pair["difference"], pair["difference_se"], pair["difference_pct"]) == (3, None, None)
    assert alone["difference"] is None
    assert alone["coverage"] == 0.5
    assert alone["reason"] == "only the check strip was observed"


def test_other_units_depths_and_days_are_other_rows() -> None:
    items = [
        seen("treated", 3.0),
        seen("check", 0.2, unit="drops", base_unit=None, unit_factor=None),
        seen("check", 3.0, layer="20", depth_cm=20.0),
        seen("check", 3.0, date(2021, 7, 6)),
    ]
    found = derive(items)
    assert len(found) == 4
    assert all(row["difference"] is None for row in found)


def test_values_in_two_units_are_compared_in_the_one_used_more() -> None:
    """An inch is 25.4 mm (NIST Special Publication 811)."""
    inches = {"unit": "in/h", "base_unit": "meter / second", "unit_factor": 0.0254 / 3600}
    (row,) = derive([seen("treated", 50.8), seen("check", 1.0, **inches)])
    assert (row["unit"], row["treated_value"]) == (
        "in/h",
        pytest.approx(2.0),
    )  # of equals the first
    more = [seen("treated", 12.7, date(2022, 7, 5)), seen("check", 10.0, date(2022, 7, 5))]
    first, later = derive([seen("treated", 50.8), seen("check", 1.0, **inches), *more])
    assert (first["unit"], first["treated_value"]) == ("mm/h", 50.8)
    assert first["difference"] == pytest.approx(25.4)
    assert (later["unit"], later["difference"]) == ("mm/h", pytest.approx(2.7))


def test_the_work_before_the_day_counts_and_a_worked_check_is_said() -> None:
    work = [
        invented_trial.worked("north", "2020-10-01"),
        invented_trial.worked("north", "2021-07-20"),
        invented_trial.worked("north", "2021-09-01") | {"strip": "check"},
    ]
    days = (date(2020, 7, 5), DAY, date(2021, 7, 21), date(2022, 7, 5))
    found = derive([seen("treated", 1.0, d) for d in days], operations=work)
    assert [row["operation_day"] for row in found] == [
        None,
        date(2020, 10, 1),
        date(2021, 7, 20),
        date(2021, 7, 20),
    ]
    assert [row["check_worked"] for row in found] == [False, False, False, True]


def test_roots_stand_beside_the_probes_root_front() -> None:
    fronts = [
        {"field": "north", "strip": strip, "day": DAY, "season": 2021, "front_cm": cm}
        for strip, cm in (("treated", 80.0), ("check", 60.0))
    ]
    items = [seen("treated", 17.0, what="roots"), seen("treated", 17.0)]
    other, roots = sorted(derive(items, fronts), key=lambda row: row["what"])
    assert (roots["treated_front_cm"], roots["check_front_cm"]) == (80, 60)
    assert other["treated_front_cm"] is None


def test_photographs_and_whole_fields_are_not_compared() -> None:
    assert derive([seen("treated", None, file="pit.jpg"), seen("both", 3.0)]) == []
