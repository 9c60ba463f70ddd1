from datetime import date

from schemas import generated
from schemas.catalogue import TABLES
from tests.transforms.frames import check, rows
from transforms.soil import soil_step


def test_only_days_with_a_step_have_a_row() -> None:
    quality = rows(
        "soil_quality_day",
        [
            {"day": date(2024, 5, 1), "step": False},
            {"day": date(2024, 5, 2), "step": True, "step_pct": -2.5},
            {"day": date(2024, 5, 3)},
        ],
        probe="p",
        depth_cm=30.0,
        usable=True,
    )
    found = soil_step.derive(quality)
    check(found, "soil_step")
    assert found.rows() == [("p", 30.0, date(2024, 5, 2), -2.5)]


def test_empty() -> None:
    check(soil_step.derive(generated.empty(TABLES["soil_quality_day"])), "soil_step")
