"""Files that grow over a change of the clock: however they are cut, the readings are those of the whole."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from flows.farm.folder import FarmFolder
from flows.intake import doubled_hours
from flows.run import steps
from flows.store import checksum, warehouse
from flows.trust.backup import rebuild
from tests.flows.loggers import FARM, HEADING, ask, make, take

# Zone, and the hours (UTC) around a change of its clock: back by an hour, by half an hour, and ahead.
CHANGES = {
    "America/Winnipeg": datetime(2020, 11, 1, 7, tzinfo=UTC),
    "Australia/Sydney": datetime(2021, 4, 3, 16, tzinfo=UTC),
    "Australia/Lord_Howe": datetime(2021, 4, 3, 15, tzinfo=UTC),
    "Europe/Berlin": datetime(2021, 3, 28, 1, tzinfo=UTC),
}


def lines(zone: str, step_min: int, missing: frozenset[int] = frozenset()) -> list[str]:
    clock, first = ZoneInfo(zone), CHANGES[zone] - timedelta(hours=4)
    times = [first + timedelta(minutes=step_min * i) for i in range(8 * 60 // step_min)]
    return [
        f"{time.astimezone(clock):%Y-%m-%d %H:%M},{40 + i},0,0.31,0.35\n"
        for i, time in enumerate(times)
        if i not in missing
    ]


def farm(root: Path, zone: str, step_min: int) -> FarmFolder:
    toml = FARM.replace('offset = "-06:00"', f'zone = "{zone}"')
    return make(root, toml.replace('step = "1 h"', f'step = "{step_min} min"'))


def readings(folder: FarmFolder) -> list[tuple[object, ...]]:
    weather = "SELECT station, time, 0.0, air_temp_c FROM weather_reading"
    return ask(
        folder,
        f"{weather} UNION ALL SELECT probe, time, depth_cm, vwc_pct FROM soil_reading ORDER BY ALL",
    )


def grow(folder: FarmFolder, rows: list[str], cuts: list[int]) -> list[tuple[object, ...]]:
    for cut in [*cuts, len(rows)]:
        (folder.drop / "a.csv").write_text(HEADING + "\n" + "".join(rows[:cut]))
        take(folder)
    return readings(folder)


@settings(max_examples=12)
@given(
    st.sampled_from(sorted(CHANGES)),
    st.sampled_from([30, 60]),
    st.frozensets(st.integers(0, 15), max_size=2),
    st.lists(st.integers(1, 15), min_size=1, max_size=4).map(sorted),
)
@example("America/Winnipeg", 60, frozenset(), [2, 3, 4, 5, 6])
@example("America/Winnipeg", 60, frozenset({4}), [4])  # one pass of the hour is missing
@example("Australia/Lord_Howe", 30, frozenset(), [7, 8, 9])
def test_a_growing_file_gives_the_readings_of_the_whole(zone, step_min, missing, cuts):
    rows = lines(zone, step_min, missing)
    with TemporaryDirectory() as place:
        whole = grow(farm(Path(place) / "whole", zone, step_min), rows, [])
        grown = farm(Path(place) / "grown", zone, step_min)
        assert grow(grown, rows, [cut for cut in cuts if cut < len(rows)]) == whole
        if not missing and not (step_min == 60 and zone == "Australia/Lord_Howe"):
            assert len(whole) == 3 * len(rows)


def test_a_rebuild_decides_alike(tmp_path):
    folder = farm(tmp_path / "f", "America/Winnipeg", 60)
    grow(folder, lines("America/Winnipeg", 60), [2, 3, 4, 5])
    steps.turn(folder, steps=(steps.collect, steps.derive))
    with warehouse.open_writer(folder) as con:
        total = checksum.total(con)
    rebuild.rebuild(folder)
    with warehouse.open_writer(folder) as con:
        assert checksum.total(con) == total


def test_far_from_a_change_only_the_new_rows_are_kept(tmp_path):
    folder = farm(tmp_path / "f", "America/Winnipeg", 60)
    rows = [f"2020-06-01 {hour:02}:00,50,0,0.31,0.35\n" for hour in range(20)]
    grow(folder, rows, [5, 10])
    sizes = sorted(file.stat().st_size for file in folder.archive.glob("2*/*"))
    assert sum(sizes) == (folder.drop / "a.csv").stat().st_size


@pytest.mark.parametrize(("zone", "change"), CHANGES.items())
def test_when_a_clock_is_set_back(zone, change):
    found = doubled_hours.set_back(zone, change - timedelta(days=40), change + timedelta(days=40))
    assert found == ([] if zone == "Europe/Berlin" else [change])
