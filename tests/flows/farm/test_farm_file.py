import tomllib

import pytest

from flows.base.errors import UserError
from flows.farm import farm_file, farm_tables
from tests.flows.loggers import FARM


def farm(toml=FARM):
    return farm_file.parse(tomllib.loads(toml), "farm.toml")


def test_the_farm_gives_its_set_up_tables():
    tables = farm_tables.tables(farm())
    row = tables["farm"].row(0, named=True)
    assert (row["standard_offset_h"], row["day_starts_h"], row["currency"]) == (-6.0, 0.0, "USD")
    assert tables["probe_spell"].height == 2
    assert tables["sensor"]["depth_cm"].to_list() == [10.0, 30.0]
    assert set(tables["crop"]["crop"]) >= {"spring wheat", "winter wheat", "canola", "corn"}


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
def test_standard_time_is_that_of_the_zone_without_daylight_saving(zone, hours):
    place = farm(FARM.replace("America/Winnipeg", zone)).place
    assert farm_file.standard_offset_h(place) == hours


def test_the_fingerprint_changes_with_what_decides_the_reading_alone():
    plain = farm_file.setup_fingerprint(farm(), "hourly")
    for change, differs in [
        (('"degF"', '"degC"'), True),
        (("to = 2020-06-20", "to = 2020-06-21"), True),
        (("depth_cm = 30", "depth_cm = 40"), True),
        (('name = "Invented"', 'name = "Other"'), False),
        (("settle_s = 0", "settle_s = 9"), False),
        (("{depth_cm = 10}", "{depth_cm = 10, lower_limit_pct = 20}"), False),
        (("[layouts.hourly]", "[layouts.hourly]\nfacts = {}"), False),
        (("[layouts.hourly]", "[layouts.hourly]\ntext_last = true"), True),
    ]:
        other = farm_file.setup_fingerprint(farm(FARM.replace(*change)), "hourly")
        assert (other != plain) == differs, change


def test_a_crop_can_be_overridden_and_added():
    toml = FARM + (
        "[crops.corn]\nbase_temp_c = 8\n[crops.quinoa]\nbase_temp_c = 3\nupper_temp_c = 30\n"
    )
    crops = {row["crop"]: row for row in farm_tables.tables(farm(toml))["crop"].to_dicts()}
    assert (crops["corn"]["base_temp_c"], crops["corn"]["upper_temp_c"]) == (8.0, 30.0)
    assert crops["quinoa"]["source"] == "farm.toml"
    with pytest.raises(UserError, match=r"crops\.sorghum: .*base_temp_c must be given"):
        farm_tables.tables(farm(FARM + "[crops.sorghum]\nkc_mid = 1.1\n"))


def test_without_a_readable_file_it_says_what_to_do(tmp_path):
    with pytest.raises(UserError, match=r"no farm file at .*checkstrip new"):
        farm_file.load(tmp_path / "farm.toml")
    (tmp_path / "farm.toml").write_bytes("name = 'Größe'".encode("latin-1"))
    with pytest.raises(UserError, match="not written in UTF-8"):
        farm_file.load(tmp_path / "farm.toml")


def test_a_key_like_no_other_is_answered_with_all_that_are_known():
    with pytest.raises(UserError, match=r"place\.xyzzy: .*the keys here are latitude, longitude"):
        farm(FARM.replace("latitude = 50", "latitude = 50\nxyzzy = 1"))


def test_former_keys_of_a_sensor_are_read_as_todays():
    given = FARM.replace(
        "{depth_cm = 10}", "{depth_cm = 10, full_point_pct = 38, dry_point_pct = 20}"
    )
    sensor = farm_tables.tables(farm(given))["sensor"].row(0, named=True)
    assert (sensor["drained_upper_limit_pct"], sensor["lower_limit_pct"]) == (38.0, 20.0)
    both = "{depth_cm = 10, full_point_pct = 38, drained_upper_limit_pct = 38}"
    with pytest.raises(UserError, match=r"sensors\[1\]\.full_point_pct: there is no such key"):
        farm(FARM.replace("{depth_cm = 10}", both))


def test_a_crop_as_older_versions_spelled_it_is_the_one_of_today():
    of_today = farm(FARM + '[crops."spring wheat"]\nkc_mid = 1.0\n')
    of_before = farm(FARM + "[crops.spring_wheat]\nkc_mid = 1.0\n")
    assert farm_tables.tables(of_before)["crop"].equals(farm_tables.tables(of_today)["crop"])
    with pytest.raises(UserError, match="spring wheat stands twice"):
        farm(FARM + '[crops."spring wheat"]\nkc_mid = 1.0\n[crops.spring_wheat]\nkc_mid = 1.1\n')


SERVES = """
[[stations]]
name = "ridge"
fields = ["South", "Hill"]
from = 2021-04-01
[[stations]]
name = "office"
spells = [
  {field = "North", fields = "all", from = 2020-01-01, to = 2020-12-31},
  {fields = ["South"], from = 2021-01-01},
]
"""


def test_a_station_may_serve_fields_or_the_whole_farm_without_being_read_again():
    found = farm(FARM + SERVES)
    tables = farm_tables.tables(found)
    rows = tables["station_field"].select("station", "field", "listed").rows()
    assert rows == [
        ("office", "South", 3),
        ("office", "all", 3),
        ("ridge", "Hill", 2),
        ("ridge", "South", 2),
    ]
    spells = tables["station_spell"].select("station", "field", "serves").rows()
    assert ("ridge", None, True) in spells
    assert ("west", "North", False) in spells
    only_west = farm_file.setup_fingerprint(farm(), "hourly")
    also = FARM.replace(
        'strip = "treated", from = 2020-01-01}]',
        'strip = "treated", from = 2020-01-01, fields = "all"}]',
        1,
    )
    assert also != FARM
    assert farm_file.setup_fingerprint(farm(also), "hourly") == only_west


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ('fields = "South"', "stations[2].fields: found 'South'; write a list in square brackets"),
        ("fields = [3]", "stations[2].fields[1]: found 3; write text in quotes"),
    ],
)
def test_fields_that_are_no_list_of_names_are_a_fault(change, says):
    with pytest.raises(UserError) as error:
        farm(FARM + SERVES.replace('fields = ["South", "Hill"]', change))
    assert says in str(error.value)


def test_a_probe_serves_no_other_field():
    with pytest.raises(UserError, match="'fields' is for stations"):
        farm(FARM.replace("to = 2020-06-20}", 'to = 2020-06-20, fields = ["South"]}'))
