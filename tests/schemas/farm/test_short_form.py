"""A set-up in short says the same as one written out."""

import re
import tomllib

import pytest

from flows.base.errors import UserError
from flows.farm import farm_file, farm_tables
from tests.flows.loggers import FARM

START, END = FARM.index("[[stations]]"), FARM.index("[layouts.hourly]")
SPELL = '[{field = "North", strip = "treated", from = 2020-01-01}]'
LONG = f"""
[[stations]]
name = "west"
gauge_heated = true
spells = {SPELL}
[[stations]]
name = "east"
gauge_heated = true
spells = {SPELL}
[[probes]]
name = "deep"
sensors = [{{depth_cm = 10}}, {{depth_cm = 30, name = "b"}}]
spells = {SPELL}
[[probes]]
name = "shallow"
sensors = [{{depth_cm = 10}}]
spells = {SPELL}
[[probes]]
name = "moved"
ids = ["M"]
sensors = [{{depth_cm = 10}}, {{depth_cm = 30, name = "b"}}]
spells = [
  {{field = "North", strip = "check", from = 2020-01-01, to = 2020-03-01}},
  {{field = "South", strip = "check", from = 2020-04-01}},
]
"""
SHORT = """
[station_defaults]
gauge_heated = true
field = "North"
strip = "treated"
[[stations]]
names = ["west", "east"]
from = 2020-01-01
[probe_defaults]
sensors = [{depth_cm = 10}, {depth_cm = 30, name = "b"}]
field = "North"
strip = "treated"
from = 2020-01-01
[[probes]]
name = "deep"
[[probes]]
name = "shallow"
sensors = [{depth_cm = 10}]
[[probes]]
name = "moved"
ids = ["M"]
spells = [
  {field = "North", strip = "check", from = 2020-01-01, to = 2020-03-01},
  {field = "South", strip = "check", from = 2020-04-01},
]
"""


def parse(instruments):
    return farm_file.parse(tomllib.loads(FARM[:START] + instruments + FARM[END:]), "farm.toml")


def test_the_short_form_is_the_long_one():
    short, long = parse(SHORT), parse(LONG)
    assert (short.stations, short.probes) == (long.stations, long.probes)
    for name, table in farm_tables.tables(long).items():
        assert table.equals(farm_tables.tables(short)[name])
    prints = [farm_file.setup_fingerprint(farm, "hourly") for farm in (short, long)]
    assert prints[0] == prints[1]


def test_forty_two_equal_probes_are_one_block():
    names = [f"p{n}" for n in range(42)]
    block = f"[[probes]]\nnames = {names}\nsensors = [{{depth_cm = 10}}]\nspells = {SPELL}\n"
    farm = parse(
        LONG[: LONG.index("[[probes]]")]
        + block.replace("'", '"')
        + '[[probes]]\nname = "deep"\nsensors = [{depth_cm = 10}]\nspells = '
        + SPELL
        + "\n"
    )
    assert [probe.name for probe in farm.probes] == [*names, "deep"]
    assert farm_tables.tables(farm)["probe_spell"].height == 43


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("gauge_heated = true", "gauge_heated = 3", r"\n  station_defaults\.gauge_heated: found 3"),
        ('strip = "treated"\nfrom', 'strip = "trated"\nfrom', r"\n  probe_defaults\.strip: found"),
        (
            "gauge_heated",
            "gauge_heatd",
            r"\n  station_defaults\.gauge_heatd: .*did you mean gauge_h",
        ),
        (
            "from = 2020-01-01\n[probe",
            "from = 3\n[probe",
            r"\n  stations\[1\]\.from: found 3; write",
        ),
        ("from = 2020-01-01\n[probe", "\n[probe", r"\n  stations\[1\]\.from: is missing"),
        ('["west", "east"]', '["west", "west"]', r"the name west stands twice"),
        ('["west", "east"]', '["west", "east"]\nids = ["W"]', r"stations\[1\]: ids are of one"),
        ('["west", "east"]', '["west"]\nname = "east"', r"stations\[1\]: give name = "),
        ('name = "moved"', 'name = "moved"\nstrip = "check"', r"probes\[3\]\.strip: with spells"),
        (
            "[station_defaults]",
            '[station_defaults]\nname = "x"',
            r"station_defaults\.name: there is",
        ),
    ],
)
def test_a_fault_is_named_once_where_it_was_written(old, new, said):
    assert old in SHORT
    with pytest.raises(UserError) as error:
        parse(SHORT.replace(old, new, 1))
    assert re.search(said, str(error.value)), str(error.value)
    assert str(error.value).startswith("farm.toml has a fault:"), str(error.value)
