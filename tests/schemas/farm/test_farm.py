import re

import pytest

from flows.base.errors import UserError
from flows.farm import farm_file
from tests.flows.loggers import FARM


def load(tmp_path, toml):
    path = tmp_path / "farm.toml"
    path.write_text(toml, encoding="utf-8")
    return farm_file.load(path)


def test_the_farm_gives_its_set_up_tables(tmp_path):
    tables = farm_file.tables(load(tmp_path, FARM))
    row = tables["farm"].row(0, named=True)
    assert (row["standard_offset_h"], row["day_starts_h"], row["currency"]) == (-6.0, 0.0, "USD")
    assert tables["probe_spell"].height == 2
    assert tables["sensor"]["depth_cm"].to_list() == [10.0, 30.0]
    assert set(tables["crop"]["crop"]) >= {"spring_wheat", "winter_wheat", "canola", "corn"}


@pytest.mark.parametrize(
    ("zone", "hours"),
    [
        ("America/Winnipeg", -6),
        ("Europe/Dublin", 0),
        ("Australia/Adelaide", 9.5),
        ("America/Phoenix", -7),
        ("Asia/Kolkata", 5.5),
    ],
)
def test_standard_time_is_that_of_the_zone_without_daylight_saving(tmp_path, zone, hours):
    farm = load(tmp_path, FARM.replace("America/Winnipeg", zone))
    assert farm_file.standard_offset_h(farm.place) == hours


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("latitude = 50", "latitud = 50", r"place\.latitud: .*did you mean latitude"),
        ("latitude = 50", "latitude = 500", r"place\.latitude: found 500; .*less than or equal"),
        ("America/Winnipeg", "Winnipeg", r"place\.time_zone: found 'Winnipeg'; expected an IANA"),
        ('"treated"', '"treatd"', r"stations\[1\]\.spells\[1\]\.strip: found 'treatd'"),
        ('"degF"', '"degG"', r"layouts\.hourly\.columns\.T\.unit: 'degG' is not a unit"),
        ('"degF"', '"mm"', r"layouts\.hourly\.columns\.T\.unit: 'mm' cannot be turned"),
        (
            '"air_temp"',
            '"airtemp"',
            r"columns\.T\.quantity: found 'airtemp'; did you mean air_temp",
        ),
        ('layout = "hourly"', 'layout = "daily"', r"names layout 'daily'; the layouts are hourly"),
        ('station = "west"', 'station = "east"', r"names station 'east'; the stations are west"),
        ("to = 2020-06-20", "to = 2019-06-20", r"probes\[1\].*is before 'from'"),
        ("from = 2020-07-01", "from = 2020-06-10", r"probes\[1\].*still runs when"),
        (
            "{depth_cm = 10}",
            "{depth_cm = 30}",
            r"probes\[1\]\.sensors: .*two sensors stand at 30 cm",
        ),
        (
            'step = "1 h"',
            'step = "hourly"',
            r"layouts\.hourly\.step: found 'hourly'; expected a step",
        ),
        (', offset = "-06:00"', "", r"layouts\.hourly.*: say the clock's offset"),
        ("[farm]", "[farm", r"is not valid TOML"),
    ],
)
def test_a_fault_is_named_by_key_with_what_was_found_and_expected(tmp_path, old, new, said):
    assert old in FARM
    with pytest.raises(UserError) as error:
        load(tmp_path, FARM.replace(old, new))
    assert re.search(said, str(error.value)), str(error.value)


def test_all_faults_are_told_at_once(tmp_path):
    toml = FARM.replace("latitude = 50", "latitude = 500").replace('"air_temp"', '"x"')
    with pytest.raises(UserError, match="has 2 faults"):
        load(tmp_path, toml)


def test_the_fingerprint_changes_with_what_decides_the_reading_alone(tmp_path):
    plain = farm_file.setup_fingerprint(load(tmp_path, FARM), "hourly")
    for change, differs in [
        (('"degF"', '"degC"'), True),
        (("to = 2020-06-20", "to = 2020-06-21"), True),
        (("depth_cm = 30", "depth_cm = 40"), True),
        (('name = "Invented"', 'name = "Other"'), False),
        (("settle_s = 0", "settle_s = 9"), False),
    ]:
        other = farm_file.setup_fingerprint(load(tmp_path, FARM.replace(*change)), "hourly")
        assert (other != plain) == differs, change


def test_a_crop_can_be_overridden_and_added(tmp_path):
    toml = FARM + (
        "[crops.corn]\nbase_temp_c = 8\n[crops.quinoa]\nbase_temp_c = 3\nupper_temp_c = 30\n"
    )
    crops = {row["crop"]: row for row in farm_file.tables(load(tmp_path, toml))["crop"].to_dicts()}
    assert (crops["corn"]["base_temp_c"], crops["corn"]["upper_temp_c"]) == (8.0, 30.0)
    assert crops["quinoa"]["source"] == "farm.toml"
    with pytest.raises(UserError, match=r"crops\.sorghum: .*base_temp_c must be given"):
        farm_file.tables(load(tmp_path, FARM + "[crops.sorghum]\nkc_mid = 1.1\n"))
