from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from flows.farm import farm_file
from flows.intake.door.places import (
    Places,
    SensorFinder,
    distinct_rows,
    fill_instruments,
    out_of_place,
    spells_in_words,
)
from tests.flows.loggers import FARM

SENSORS = "sensors = [{depth_cm = 10}, {depth_cm = 30, name = "


@pytest.fixture
def places_of(tmp_path):
    def made(toml=FARM):
        path = tmp_path / "farm.toml"
        path.write_text(toml, encoding="utf-8")
        return Places.of(farm_file.load(path))

    return made


def days(*dates, probe="deep"):
    """A row a day, at noon of the farm's standard time."""
    noon = [datetime.fromisoformat(d).replace(tzinfo=UTC) + timedelta(hours=18) for d in dates]
    frame = pl.DataFrame({"time": noon}, schema={"time": pl.Datetime("us", "UTC")})
    return frame.with_columns(probe=pl.lit(probe, pl.String))


def test_an_instrument_is_known_by_its_ids_in_any_case(places_of):
    places = places_of()
    frame = pl.DataFrame({"instrument": [" w1 ", "West", "deep", "?"]}).with_columns(
        station=pl.lit(None, pl.String), probe=pl.lit("from the source")
    )
    found = fill_instruments(frame, places)
    assert found["station"].to_list() == ["west", "west", None, None]
    source = "from the source"
    assert found["probe"].to_list() == [source, source, "deep", source]


def test_two_columns_may_name_an_instrument_together(places_of):
    places = places_of(FARM.replace('ids = ["W1"]', 'ids = ["plot 3 W1"]'))
    frame = pl.DataFrame({"instrument": ["plot 3", " plot 4"], "instrument_2": ["w1 ", "W1"]})
    none = pl.lit(None, pl.String)
    found = fill_instruments(frame.with_columns(station=none, probe=none), places)
    assert found.columns == ["instrument", "station", "probe"]
    assert found["station"].to_list() == ["west", None]


def test_what_lies_outside_the_spells(places_of):
    places = places_of()
    frame = days("2019-12-31", "2020-01-01", "2020-06-20", "2020-06-21", "2020-07-01", "2030-01-01")
    bad = out_of_place(frame, "probe", places)
    assert bad.to_list() == [True, False, False, True, False, False]
    assert out_of_place(frame[[1, 2, 4]], "probe", places) is None
    assert out_of_place(days("2020-06-01", probe="?"), "probe", places).to_list() == [True]
    assert out_of_place(days("2020-06-01", probe=None), "probe", places).to_list() == [True]
    assert spells_in_words("probe", "deep", places) == (
        "a time within 2020-01-01 to 2020-06-20; 2020-07-01 to now"
    )


@pytest.mark.parametrize(
    ("by", "word", "depth"),
    [
        ("depth", 30.0, 30.0),
        ("depth", 30.9, 30.0),  # inches in the file, whole centimetres in farm.toml
        ("depth", 31.1, None),
        ("sensor", " B ", 30.0),
        ("sensor", "c", None),
    ],
)
def test_a_sensor_is_found_by_its_depth_or_its_name(places_of, by, word, depth):
    frame = days("2020-06-01", "2020-06-02")
    assert SensorFinder(frame, places_of()).depth(by, pl.lit(word)).to_list() == [depth, depth]
    with_word = frame.with_columns(pl.Series("word", [word, word]))
    assert SensorFinder(with_word, places_of()).depth(by, pl.col("word")).to_list() == [
        depth,
        depth,
    ]


def test_a_sensor_that_took_anothers_place_is_found_by_its_days(places_of):
    swapped = places_of(
        FARM.replace(
            '{depth_cm = 30, name = "b"}',
            '{depth_cm = 30, name = "b", to = 2020-06-10}, '
            '{depth_cm = 30.5, name = "b", from = 2020-06-12}',
        )
    )
    frame = days("2020-06-09", "2020-06-11", "2020-06-12", "2020-06-09")
    for by, word in (("depth", 30.0), ("depth", 30.5), ("sensor", "b")):
        found = SensorFinder(frame, swapped).depth(by, pl.lit(word))
        assert found.to_list() == [30.0, None, 30.5, 30.0]


def test_the_nearest_of_several_is_meant(places_of):
    near = places_of(
        FARM.replace('{depth_cm = 30, name = "b"}', "{depth_cm = 30}, {depth_cm = 31}")
    )
    word = pl.Series("word", [30.2, 30.8, 29.0])
    frame = days("2020-06-01", "2020-06-01", "2020-06-01").with_columns(word)
    assert SensorFinder(frame, near).depth("depth", pl.col("word")).to_list() == [30.0, 31.0, 30.0]


def test_distinct_rows_of_long_runs():
    frame = pl.DataFrame({"a": [1, 1, None, None, 1, 2], "b": ["x", "x", "x", "x", "x", None]})
    assert set(distinct_rows(frame).rows()) == {(1, "x"), (None, "x"), (2, None)}
