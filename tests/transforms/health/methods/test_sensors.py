"""Findings at probes, of the runs of their sensors' days."""

from datetime import date, timedelta

import polars as pl

from schemas.tables.health.sensor_run import DISTURBED, EXCHANGED, IMPOSSIBLE, LOOKED_FOR
from tests.transforms.frames import rows
from transforms.health.methods import sensors

FIRST = date(2023, 6, 1)


def day(n: int) -> date:
    return FIRST + timedelta(days=n)


def runs(what: str, *spans: tuple[float, int, int]) -> list[dict[str, object]]:
    return [
        {"probe": "p", "depth_cm": depth, "what": what, "day": day(begin), "to_day": day(end)}
        for depth, begin, end in spans
    ]


def test_what_is_of_a_probe_is_not_bridged_and_only_exchanged_depths_name_one() -> None:
    apart = ((10.0, 0, 1), (10.0, 3, 3))
    found, seen = sensors.soil(
        rows(
            "sensor_run",
            [
                *runs(IMPOSSIBLE, *apart),
                *runs(DISTURBED, *apart),
                *runs(EXCHANGED, *apart),
                *runs(LOOKED_FOR[DISTURBED], (10.0, 0, 9), (30.0, 12, 12)),
            ],
        )
    )
    told = found.sort("finding", "from_day").select(
        "part", "finding", "depth_cm", "from_day", "to_day", "days"
    )
    assert told.rows() == [
        ("whole", EXCHANGED, 10.0, day(0), day(1), 2),
        ("whole", EXCHANGED, 10.0, day(3), day(3), 1),
        ("10 cm", IMPOSSIBLE, 10.0, day(0), day(3), 3),
        ("whole", DISTURBED, None, day(0), day(1), 2),
        ("whole", DISTURBED, None, day(3), day(3), 1),
    ]
    whole = seen.filter(pl.col("part") == "whole").select(
        "finding", "checked_from", "checked_to", "days"
    )
    assert sorted(whole.rows()) == [(f, day(0), day(12), 11) for f in (EXCHANGED, DISTURBED)]
