import re

import pytest

from flows.base.errors import UserError
from flows.farm import farm_file
from tests.flows.loggers import FARM


def load(tmp_path, toml):
    path = tmp_path / "farm.toml"
    path.write_text(toml, encoding="utf-8")
    return farm_file.load(path)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("latitude = 50", "latitud = 50", r"place\.latitud: .*did you mean latitude"),
        ("latitude = 50", "latitude = 500", r"place\.latitude: found 500; .*from -90 to 90"),
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
