from datetime import date

import pytest

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms.frames import check, rows
from transforms.soil import soil_offset

PLACE = {"field": "f", "strip": "check"}


def offsets(*steps: tuple[date, float], lifted: date | None = None) -> list[tuple[object, ...]]:
    """From, to and offset of a sensor that steps; its probe is lifted on a day and set back in May 2025."""
    spell = rows(
        "probe_spell",
        [{"from_day": date(2023, 5, 1), "to_day": lifted}]
        + [{"from_day": date(2025, 5, 1)}] * (lifted is not None),
        probe="p",
        **PLACE,
    )
    stepped = [{"day": day, "step_pct": size} for day, size in steps]
    found = soil_offset.derive(rows("soil_step", stepped, probe="p", depth_cm=30.0), spell)
    check(found, "soil_offset")
    return found.select("from_day", "to_day", "offset_pct").rows()


def test_steps_add_up_and_are_taken_off() -> None:
    assert offsets((date(2023, 6, 1), 3.0), (date(2024, 6, 1), -1.0)) == [
        (date(2023, 6, 1), date(2024, 5, 31), -3.0),
        (date(2024, 6, 1), None, pytest.approx(-2.0)),
    ]


def test_a_probe_that_is_set_again_begins_without_an_offset() -> None:
    steps = (date(2023, 6, 1), 3.0), (date(2025, 6, 1), 2.0)
    assert offsets(*steps, lifted=date(2025, 4, 20)) == [
        (date(2023, 6, 1), date(2025, 4, 20), -3.0),
        (date(2025, 6, 1), None, -2.0),
    ]


def test_empty() -> None:
    none = [generated.empty(TABLES[n]) for n in ("soil_step", "probe_spell")]
    check(soil_offset.derive(*none), "soil_offset")
