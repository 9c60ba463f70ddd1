"""A farm without coordinates: what needs the sun is missing with a reason, all else is as with them."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from flows.derive import derive
from flows.farm.folder import FarmFolder
from flows.setup.inspection import checks
from flows.store import warehouse
from flows.trust import status
from schemas.catalogue import TABLES
from tests.flows.loggers import FARM, make, row, take

HEADING = "t,T,R,S1,S2,G"
WITH_SUN = FARM.replace('"S1" =', '"G" = {quantity = "solar_radiation", unit = "W/m^2"}\n"S1" =')
PLACELESS = WITH_SUN.replace("latitude = 50\nlongitude = -100\nelevation_m = 300\n", "")


def derived(root: Path, toml: str) -> FarmFolder:
    folder = make(root, toml)
    lines = [
        row(
            h,
            50 + h % 24,
            0.01 * (h % 7),
            0.31 - 0.0001 * h,
            0.35,
            max(0, 600 - 100 * abs(h % 24 - 13)),
        )
        for h in range(24 * 6)
    ]
    (folder.drop / "a.csv").write_text("\n".join([HEADING, *lines]) + "\n")
    take(folder)
    with warehouse.open_writer(folder) as con:
        assert derive.derive(con).problems == []
    return folder


def table(folder: FarmFolder, name: str) -> pl.DataFrame:
    with warehouse.open_writer(folder) as con:
        return warehouse.read(con, TABLES[name])


@pytest.fixture(scope="module")
def two(tmp_path_factory: pytest.TempPathFactory) -> tuple[FarmFolder, FarmFolder]:
    root = tmp_path_factory.mktemp("place")
    return derived(root / "with", WITH_SUN), derived(root / "without", PLACELESS)


@pytest.mark.parametrize("name", ["weather_day", "soil_day", "rain_day", "soil_water_day"])
def test_what_needs_no_sun_is_the_same(two: tuple[FarmFolder, FarmFolder], name: str) -> None:
    with_place, without = (table(folder, name) for folder in two)
    assert with_place.height > 0
    assert without.equals(with_place)


@pytest.mark.parametrize(
    ("name", "values"),
    [
        ("sun_day", ("noon_error_h", "clearness")),
        ("evapotranspiration_day", ("reference_et_mm", "crop_et_mm")),
        ("soil_pulse_day", ("day_fall_pct", "night_slope_pct_d")),
    ],
)
def test_what_needs_the_sun_is_missing_with_the_reason(
    two: tuple[FarmFolder, FarmFolder], name: str, values: tuple[str, ...]
) -> None:
    with_place, without = (table(folder, name) for folder in two)
    assert with_place[values[0]].drop_nulls().len() > 0
    days = ["day", *({"station", "probe", "depth_cm"} & set(without.columns))]
    assert without.select(days).equals(with_place.select(days))
    assert without.select(values).null_count().row(0) == (without.height,) * len(values)
    whole = without.filter(pl.col("reason").str.contains("no place"))
    assert whole.height >= without.height - 2  # the cut days at both ends have their own reason


def test_two_stations_of_one_field_still_judge_each_other(tmp_path: Path) -> None:
    from transforms.methods import near

    folder = make(tmp_path / "farm", PLACELESS)
    take(folder)
    places = near.places(table(folder, "station_spell"), table(folder, "farm"))
    assert places.select("station", "field").rows() == [("west", "North")]


def test_it_is_told(two: tuple[FarmFolder, FarmFolder]) -> None:
    now = datetime(2020, 6, 8, tzinfo=UTC) + timedelta(hours=1)
    for folder, told in zip(two, (False, True), strict=True):
        found = status.status(folder, now)
        assert any("has no place" in note for note in found.notes) == told
        advice = [one for one in checks.inspect(folder, now=now) if one.about == "place"]
        assert bool(advice) == told


def test_one_coordinate_alone_is_a_mistake(tmp_path: Path) -> None:
    folder = make(tmp_path / "farm", FARM.replace("elevation_m = 300\n", ""))
    with pytest.raises(Exception, match="latitude, longitude and elevation_m"):
        take(folder)
