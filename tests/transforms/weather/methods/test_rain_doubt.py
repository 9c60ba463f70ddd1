from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest

from tests.transforms.weather.open_record import open_record
from tests.transforms.weather.rain_frames import NORMALS, flat_normals
from transforms.weather.methods import rain_doubt

FIRST = date(2024, 4, 1)
NO_NORMALS = NORMALS.head(0)


def days(*rain: list[float | None]) -> pl.DataFrame:
    """Days of stations a, b, … from their rain."""
    rows: list[dict[str, Any]] = [
        {
            "station": name,
            "day": FIRST + timedelta(days=n),
            "rain_mm": mm,
            "rain_coverage": 0.0 if mm is None else 1.0,
        }
        for name, series in zip("abc", rain, strict=False)
        for n, mm in enumerate(series)
    ]
    return pl.DataFrame(rows, schema_overrides={"rain_mm": pl.Float64})


def beside(frame: pl.DataFrame, km: float = 0.0) -> tuple[pl.DataFrame, pl.DataFrame]:
    """All stations as neighbors of each other, and what each saw."""
    names = frame.select("station").unique().sort("station")
    pairs = names.join(names.select(other="station"), how="cross")
    pairs = pairs.filter(pl.col("station") != pl.col("other"))
    seen = frame.filter(pl.col("rain_mm").is_not_null())
    return (
        pairs.with_columns(distance_km=pl.lit(km)),
        seen.select("day", "rain_mm", other="station"),
    )


def doubts(
    frame: pl.DataFrame, normals: pl.DataFrame = NORMALS, km: float = 0.0
) -> dict[tuple[str, int], str]:
    """Reasons of doubtful days by station and number of the day."""
    found = rain_doubt.with_doubt(frame.sort("station", "day"), normals, *beside(frame, km))
    assert found["rain_doubtful"].to_list() == found["doubt_reason"].is_not_null().to_list()
    doubtful = found.filter("rain_doubtful").select("station", "day", "doubt_reason")
    return {(s, (day - FIRST).days): why for s, day, why in doubtful.iter_rows()}


def test_more_in_a_day_than_in_a_normal_year_is_doubtful_and_that_day_alone() -> None:
    rain: list[float | None] = [2.0] * 10 + [1361.0] + [2.0] * 40
    assert doubts(days(rain)) == {("a", 10): "more rain in a day than in a usual year"}
    # The wettest storm that the place can believe.
    assert doubts(days([360.0])) == {}


def test_a_month_and_a_year_beyond_belief_are_doubtful_from_then_on() -> None:
    found = doubts(days([15.0] * 40))
    assert min(n for _, n in found) == 24  # 25 days of 15 mm pass the 365 mm of a year
    assert set(found.values()) == {"more rain in a month than in a usual year"}
    year = doubts(days([3.0] * 400))
    assert min(n for _, n in year) == 304  # 305 days of 3 mm pass two and a half years
    assert set(year.values()) == {"far more rain in a year than in a usual one"}


def test_without_normals_a_long_record_is_its_own_bound() -> None:
    rain: list[float | None] = [1.0] * 400
    rain[200] = 1361.0
    assert list(doubts(days(rain), NO_NORMALS)) == [("a", 200)]
    assert doubts(days(rain[100:300]), NO_NORMALS) == {}  # too short to know


def test_a_storm_of_which_the_other_gauge_saw_next_to_nothing_is_doubtful() -> None:
    storm: list[float | None] = [0.0] * 5 + [150.0] + [0.0] * 5
    other: list[float | None] = [0.0] * 4 + [3.0, 4.0, 5.0] + [0.0] * 4
    wide = flat_normals(3.0)
    assert list(doubts(days(storm, other), wide)) == [("a", 5)]
    assert doubts(days(storm, [mm and 2 * mm for mm in other]), wide) == {}
    assert doubts(days(storm), wide) == {}
    # A cloudburst is some kilometers wide.
    assert list(doubts(days(storm, other), wide, km=4.9)) == [("a", 5)]
    assert doubts(days(storm, other), wide, km=5.1) == {}


def lost(frame: pl.DataFrame, km: float = 0.0) -> dict[tuple[str, int], str]:
    found = rain_doubt.without_dry_runs(frame, *beside(frame, km))
    gone = found.filter(pl.col("dry_reason").is_not_null())
    assert gone["rain_mm"].null_count() == gone.height
    assert set(gone["rain_coverage"]) <= {0.0}
    left = found.filter(pl.col("dry_reason").is_null())
    same = left.select(frame.columns).sort("station", "day")
    kept = frame.join(same, on=["station", "day"], how="semi").sort("station", "day")
    assert same.equals(kept)
    rows = gone.select("station", "day", "dry_reason").iter_rows()
    return {(station, (day - FIRST).days): why for station, day, why in rows}


def test_weeks_of_nothing_beside_a_wet_gauge_were_not_recorded() -> None:
    wet: list[float | None] = [0.0, 8.0, 0.0, 0.0, 12.0] * 6
    dry: list[float | None] = [3.0, *[0.0] * 20, *wet[21:]]
    found = lost(days(dry, wet))
    assert {n for _, n in found} == set(range(1, 21))
    assert {s for s, _ in found} == {"a"}
    assert set(found.values()) == {
        "the gauge caught nothing on 20 days in a row while b caught 80.0 mm"
    }


def test_a_neighbor_farther_off_must_have_caught_more() -> None:
    dry, wet = [0.0] * 20, [0.0, 10.0, 0.0, 0.0] * 5  # 50 mm
    assert {s for s, _ in lost(days(dry, wet), km=24.0)} == {"a"}
    assert lost(days(dry, wet), km=26.0) == {}


def test_the_nearest_wet_neighbor_is_named_and_no_neighbor_no_doubt() -> None:
    frame = days([0.0] * 20, [8.0] * 20, [12.0] * 20)
    pairs, seen = beside(frame)
    far = pairs.with_columns(distance_km=pl.when(other="c").then(9.0).otherwise(3.0))
    found = rain_doubt.without_dry_runs(frame, far, seen)
    assert set(found["dry_reason"].drop_nulls()) == {
        "the gauge caught nothing on 20 days in a row while b caught 160.0 mm"
    }
    alone = rain_doubt.without_dry_runs(frame, pairs.head(0), seen)
    assert alone["dry_reason"].null_count() == frame.height


WET_WEEK = [0.0, 12.0, 0.0, 14.0, 3.0, 8.0, 0.0, 5.0]


def totals(mm: float, other: list[float], km: float = 0.0, silent_d: int = 6) -> pl.DataFrame:
    """Rain of stations a and b as it is believed: a is silent for some days and then gives a total."""
    rain: list[float | None] = [0.0, *([None] * silent_d), mm]
    frame = days([*rain, *([0.0] * (len(other) - len(rain)))], list(other)).sort("station", "day")
    total = (pl.col("station") == "a") & (pl.col("day") == FIRST + timedelta(days=silent_d + 1))
    since = pl.when(total).then(FIRST + timedelta(days=1)).otherwise("day")
    frame = frame.with_columns(
        rain_since_day=pl.when(pl.col("rain_mm").is_not_null()).then(since),
        dry_reason=pl.lit(None, pl.String),
    )
    return rain_doubt.without_idle_totals(frame, *beside(frame, km))


def test_a_total_that_did_not_count_the_days_of_silence_is_none() -> None:
    """The other gauge caught 42 mm in those days."""
    found = totals(1.0, WET_WEEK)
    gone = found.filter(pl.col("dry_reason").is_not_null())
    assert gone.select("station", "rain_mm", "rain_coverage", "rain_since_day").rows() == [
        ("a", None, 0.0, None)
    ]
    assert gone["dry_reason"].to_list() == [
        "the total since 2024-04-02 is 1.0 mm while b caught 42.0 mm: it is not of all these days"
    ]
    assert found["rain_mm"].drop_nulls().sum() == pytest.approx(42.0)


@pytest.mark.parametrize(
    ("mm", "other", "km"),
    [
        (5.0, WET_WEEK, 0.0),  # more than a tenth: a shower may have passed by
        (0.0, [0.0, 0.0, 0.0, 42.0, 0.0, 0.0, 0.0, 0.0], 0.0),  # one storm
        (0.0, [0.5 * mm for mm in WET_WEEK], 0.0),  # too little to tell by
        (0.0, [2.0 * mm for mm in WET_WEEK], 8.0),  # a week, and not beside it
    ],
)
def test_totals_that_may_be_right_stay(mm: float, other: list[float], km: float) -> None:
    found = totals(mm, other, km)
    assert found["dry_reason"].null_count() == found.height
    assert found.filter(pl.col("station") == "a")["rain_mm"].drop_nulls().to_list() == [0.0, mm]


def test_weeks_of_silence_are_told_by_a_neighbor_farther_off() -> None:
    other = [0.0, *([4.0, 0.0] * 12)]
    assert totals(0.0, other, 8.0, silent_d=20)["dry_reason"].count() == 1
    assert totals(0.0, other, 24.0, silent_d=20)["dry_reason"].count() == 0


@pytest.mark.parametrize(
    ("dry", "wet"),
    [
        ([0.0] * 20, [0.0] * 20),  # a drought
        ([0.0] * 20, [0.0] * 19 + [60.0]),  # one storm's edge
        ([0.0] * 13, [8.0] * 13),  # less than two weeks
        ([0.0] * 20, [1.0] * 20),  # hardly rain
        ([0.0] * 10 + [0.2] + [0.0] * 10, [8.0] * 21),  # the gauge does record
    ],
)
def test_other_dry_spells_stay(dry: list[float | None], wet: list[float | None]) -> None:
    assert lost(days(dry, wet)) == {}


def test_no_day_of_an_open_record_of_decades_is_doubtful() -> None:
    """A place with 425 mm a year."""
    record = open_record().select("station", "day", "rain_mm", "rain_coverage")
    assert record.height > 9_000
    assert not rain_doubt.with_doubt(record, NO_NORMALS, *beside(record))["rain_doubtful"].any()
    normals = flat_normals(425.0 / 365)
    assert not rain_doubt.with_doubt(record, normals, *beside(record))["rain_doubtful"].any()
    inches_read_as_mm = record.with_columns(pl.col("rain_mm") * 25.4)
    assert rain_doubt.with_doubt(inches_read_as_mm, normals, *beside(record))["rain_doubtful"].any()
