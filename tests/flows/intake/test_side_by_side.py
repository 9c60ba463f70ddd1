"""Several instruments side by side in one file: one source feeds them by groups of columns."""

import pytest

from flows.base.errors import UserError
from flows.farm import farm_file
from flows.run import steps
from flows.setup.inspection import settings
from tests.flows.fieldbooks import book, workbook
from tests.flows.loggers import FARM, ask, drop, make, row, take

HEAD, TAIL = FARM[: FARM.index("[layouts")], FARM[FARM.index("[[sources]]") :]
PROBE = HEAD[HEAD.index("[[probes]]") :]
OTHER = PROBE.replace('name = "deep"', 'name = "east"\nids = ["E7"]').replace(
    'strip = "treated"', 'strip = "check"'
)
RULE = """[layouts.hourly]
step = "1 h"
time = {columns = ["t"], offset = "-06:00"}
[layouts.hourly.columns]
"D10" = {quantity = "vwc", depth_cm = 10, probe = "deep"}
"D30" = {quantity = "vwc", depth_cm = 30, probe = "deep"}
"DB" = {quantity = "probe_battery", probe = "deep"}
"E10" = {quantity = "vwc", depth_cm = 10, probe = "e7"}
"E30" = {quantity = "vwc", depth_cm = 30, probe = "e7"}
"EB" = {quantity = "probe_battery", probe = "e7"}
"T" = {quantity = "air_temp", station = "west"}
"""
HEADING = "t,D10,D30,DB,E10,E30,EB,T"
SOIL = "SELECT probe, depth_cm, vwc_pct, probe_battery_v FROM soil_reading ORDER BY time, 1, 2"


def farm(tmp_path, rule=RULE, tail=TAIL):
    tail = tail.replace('station = "west"\n', "").replace('probe = "deep"\n', "")
    return make(tmp_path / "farm", HEAD + OTHER + rule + tail)


def test_each_group_lands_at_its_own_instrument(tmp_path):
    folder = farm(tmp_path)
    drop(
        folder, "a.csv", [row(0, 20, 21, 3.6, 30, 31, 3.7, 15), row(1, 22, "", "", 32, 33, 3.8, "")]
    )
    path = folder.drop / "a.csv"
    path.write_text(path.read_text().replace("t,T,R,S1,S2", HEADING))
    take(folder)
    assert ask(folder, SOIL) == [
        ("deep", 10, 20, 3.6),
        ("deep", 30, 21, None),
        ("east", 10, 30, 3.7),
        ("east", 30, 31, None),
        ("deep", 10, 22, None),
        ("deep", 30, None, None),
        ("east", 10, 32, 3.8),
        ("east", 30, 33, None),
    ]
    assert ask(folder, "SELECT station, air_temp_c FROM weather_reading ORDER BY time") == [
        ("west", 15),
        ("west", None),
    ]
    assert ask(folder, "SELECT rows_in, rows_landed, values_in, values_landed FROM delivery") == [
        (2, 2, 11, 11)
    ]
    assert ask(folder, "SELECT kind, instrument FROM delivery_instrument ORDER BY ALL") == [
        ("probe", "deep"),
        ("probe", "east"),
        ("station", "west"),
    ]
    before = ask(folder, SOIL)
    steps.rebuild(folder)
    assert ask(folder, SOIL) == before


def test_a_probe_that_was_lifted_loses_its_columns_only(tmp_path):
    folder = farm(tmp_path)
    drop(folder, "a.csv", ["2020-06-25 00:00,20,21,3.6,30,31,3.7,15"], heading=HEADING)
    toml = folder.farm_toml.read_text()
    at = toml.index('name = "east"')
    spells = toml[at:].replace(", to = 2020-06-20", ", to = 2020-06-28", 1)
    folder.farm_toml.write_text(toml[:at] + spells)
    take(folder)
    assert [found[0] for found in ask(folder, SOIL)] == ["east", "east"]
    assert ask(folder, "SELECT rows_landed, values_landed, values_quarantined FROM delivery") == [
        (1, 4, 3)
    ]
    causes = ask(folder, "SELECT DISTINCT cause FROM quarantine")
    assert causes == [("outside every spell",)]


def test_another_owner_moves_the_readings_when_the_layout_changes(tmp_path):
    only = [line for line in RULE.splitlines() if not line.startswith('"D')]
    folder = farm(tmp_path, "\n".join([*only, ""]).replace("e7", "deep"))
    drop(folder, "a.csv", [row(0, 20, 21, 3.6, 30, 31, 3.7, 15)], heading=HEADING)
    take(folder)
    assert {found[0] for found in ask(folder, SOIL)} == {"deep"}
    toml = folder.farm_toml.read_text()
    folder.farm_toml.write_text(toml.replace("\n".join([*only, ""]).replace("e7", "deep"), RULE))
    take(folder)
    assert [found[:3] for found in ask(folder, SOIL)] == [
        ("deep", 10, 20),
        ("deep", 30, 21),
        ("east", 10, 30),
        ("east", 30, 31),
    ]


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('probe = "e7"', 'probe = "nobody"', "names probe 'nobody'; the probes are deep, east"),
        ('station = "west"', 'probe = "deep"', "air_temp is of a station"),
        (
            '"E10" = {quantity = "vwc", depth_cm = 10, probe = "e7"}',
            '"E10" = {quantity = "vwc", depth_cm = 10, probe = "deep"}',
            "both give vwc",
        ),
    ],
)
def test_what_the_set_up_refuses(tmp_path, old, new, says):
    folder = farm(tmp_path, RULE.replace(old, new))
    with pytest.raises(UserError, match=says):
        farm_file.load(folder.farm_toml)


def test_inspect_knows_which_probes_a_layout_feeds(tmp_path):
    folder = farm(tmp_path)
    assert [f.sentence for f in settings.sensors(farm_file.load(folder.farm_toml))] == [
        "Every station, probe and sensor has a source and a column."
    ]
    lines = folder.farm_toml.read_text().splitlines()
    without = "\n".join(line for line in lines if not line.startswith('"E30"'))
    folder.farm_toml.write_text(without)
    (found,) = settings.sensors(farm_file.load(folder.farm_toml))
    assert found.sentence == "The probe east has 30 cm in no layout."


PATTERN = """[layouts.hourly]
step = "1 h"
time = {columns = ["t"], offset = "-06:00"}
[layouts.hourly.columns]
"P{probe}_10" = {quantity = "vwc", depth_cm = 10}
"P{probe}_30" = {quantity = "vwc", depth_cm = 30}
"P{probe}_V" = {quantity = "probe_battery"}
"T_{station}" = {quantity = "air_temp"}
"""
OF_EACH = "t,P1_10,P1_30,P1_V,PE7_10,PE7_30,PE7_V,T_W1,P2_10,PX9_10"


def test_one_rule_serves_each_instrument_and_later_ones_too(tmp_path):
    folder = farm(tmp_path, PATTERN)
    toml = folder.farm_toml.read_text().replace('name = "deep"', 'name = "deep"\nids = ["1"]')
    folder.farm_toml.write_text(toml)
    drop(folder, "a.csv", [row(0, 20, 21, 3.6, 30, 31, 3.7, 15, 40, 50)], heading=OF_EACH)
    take(folder)
    assert ask(folder, SOIL) == [
        ("deep", 10, 20, 3.6),
        ("deep", 30, 21, None),
        ("east", 10, 30, 3.7),
        ("east", 30, 31, None),
    ]
    assert ask(folder, "SELECT station, air_temp_c FROM weather_reading") == [("west", 15)]
    ((reason,),) = ask(folder, "SELECT reason FROM delivery")
    assert reason == "farm.toml has no station or probe for the column P2_10, PX9_10"
    more = PROBE.replace('name = "deep"', 'name = "oak"\nids = ["2"]')
    folder.farm_toml.write_text(toml.replace("[layouts.hourly]", more + "[layouts.hourly]", 1))
    take(folder)
    assert ("oak", 10, 40, None) in ask(folder, SOIL)
    ((reason,),) = ask(folder, "SELECT reason FROM delivery")
    assert reason == (
        "without the column Poak_30, Poak_V, which the layout names; "
        "farm.toml has no station or probe for the column PX9_10"
    )
    before = ask(folder, SOIL)
    steps.rebuild(folder)
    assert ask(folder, SOIL) == before


def test_a_former_name_in_a_heading_follows_the_probe(tmp_path):
    folder = farm(tmp_path, PATTERN)
    drop(folder, "a.csv", [row(0, 20, 21)], heading="t,Pold_10,PE7_10")
    take(folder)
    assert {found[0] for found in ask(folder, SOIL)} == {"east"}
    sheets = book() | {"renames": [["old name", "new name", "what"], ["old", "deep", "probe"]]}
    folder.fieldbook_file.write_bytes(workbook(sheets))
    take(folder)
    assert [found[:3] for found in ask(folder, SOIL)] == [("deep", 10, 20), ("east", 10, 21)]
