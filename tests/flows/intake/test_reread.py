import os
import tomllib

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from flows.base.errors import UserError
from flows.farm import farm_file
from flows.intake import by_layout, land, reread
from flows.run import steps
from flows.store import checksum, warehouse
from flows.trust.backup import rebuild
from tests.flows.loggers import FARM, ask, drop, make, row, take, usual

HOURS = range(24 * 15, 24 * 25)  # over the spell that ends on 20 June
LAYOUT = FARM[FARM.index("[layouts") : FARM.index("[[sources]]")]


def set_up(folder, toml):
    (folder.root / "farm.toml").write_text(toml, encoding="utf-8")


def said(folder):
    with warehouse.open_writer(folder) as con:
        return checksum.total(con)


@pytest.fixture
def folder(tmp_path):
    return make(tmp_path / "farm")


def test_a_wrong_unit_costs_nothing(folder):
    set_up(folder, FARM.replace('unit = "degF"', 'unit = "degC"'))
    drop(folder, "a.csv", [row(6, 50, 0.1, 0.29, 0.35), row(7, 86, 0.1, 0.29, 0.35)])
    take(folder)
    assert ask(folder, "SELECT max(air_temp_c) FROM weather_reading") == [(50.0,)]
    assert ask(folder, "SELECT found FROM quarantine") == [("86.0",)]
    set_up(folder, FARM)
    done = take(folder)
    assert done.deliveries == 0
    assert "1 file read again" in done.notes[-1]
    assert ask(folder, "SELECT max(air_temp_c), count(*) FROM weather_reading") == [(30.0, 2)]
    assert ask(folder, "SELECT count(*) FROM quarantine") == [(0,)]
    assert not take(folder).notes


def test_refused_and_unmatched_deliveries_are_read_again(folder):
    set_up(folder, FARM.replace('columns = ["t"]', 'columns = ["time"]'))
    drop(folder, "a.csv", [usual(1)])
    os.utime(drop(folder, "b.txt", [usual(2)]), (1, 1))  # settled, whatever takes it
    take(folder)
    assert ask(folder, "SELECT count(*) FROM delivery WHERE state = 'refused'") == [(2,)]
    set_up(folder, FARM.replace('glob = "*.csv"', 'glob = "*"'))
    take(folder)
    assert ask(folder, "SELECT state, count(*) FROM delivery GROUP BY 1") == [("landed", 2)]
    assert ask(folder, "SELECT count(*) FROM weather_reading") == [(2,)]


def test_what_another_set_up_contradicted_is_decided_anew(folder):
    two = (
        FARM
        + FARM[FARM.index("[[sources]]") :]
        .replace("hourly", "cold", 1)
        .replace('layout = "hourly"', 'layout = "cold"')
        .replace('"*.csv"', '"*.dat"')
        + LAYOUT.replace("layouts.hourly", "layouts.cold")
    )
    set_up(folder, two.replace("degF", "degC", 1))
    drop(folder, "a.csv", [row(6, 50, 0.1, 0.29, 0.35)])
    take(folder)
    drop(folder, "b.dat", [row(6, 50, 0.1, 0.29, 0.35)])
    take(folder)
    assert ask(folder, "SELECT count(*) FROM superseded_reading") == [(1,)]
    set_up(folder, two)  # the first was wrong, not the second: now they agree
    take(folder)
    assert ask(folder, "SELECT count(*) FROM superseded_reading") == [(0,)]
    assert ask(folder, "SELECT rows_landed, rows_duplicate FROM delivery ORDER BY 1") == [
        (0, 1),
        (1, 0),
    ]


def test_nothing_is_read_again_for_schedules_or_a_new_source(folder):
    drop(folder, "a.csv", [usual(1)])
    take(folder)
    more = '[[sources]]\nname = "other"\nlayout = "hourly"\nstation = "west"\nglob = "*.xyz"\n'
    set_up(folder, FARM + more + '[schedules]\ncollect = "1 * * * *"\n')
    assert not any("read again" in note for note in take(folder).notes)


@pytest.mark.parametrize("windows", [0, 1])
def test_a_crash_while_reading_again_leaves_what_was_there(folder, monkeypatch, windows):
    drop(folder, "a.csv", [usual(h) for h in range(30)])
    drop(folder, "b.csv", [usual(h) for h in range(30, 40)])
    take(folder)
    before = said(folder)
    set_up(folder, FARM.replace("degF", "degC"))
    real, landed = land._land_window, []

    def crash(*given):
        if len(landed) == windows:
            raise KeyboardInterrupt
        landed.append(real(*given))

    with monkeypatch.context() as broken:
        broken.setattr(land, "WINDOW_FILES", 1)
        broken.setattr(land, "_land_window", crash)
        with pytest.raises(KeyboardInterrupt):
            take(folder)
    assert said(folder) == before
    assert any("2 files read again" in note for note in take(folder).notes)
    assert ask(folder, "SELECT count(*) FROM weather_reading") == [(40,)]
    assert said(folder) != before


def test_what_a_later_program_may_read_is_tried_again(folder, monkeypatch):
    def fail(*_):
        raise RuntimeError("x")

    drop(folder, "a.csv", [usual(1)])
    with monkeypatch.context() as broken:
        broken.setattr(by_layout, "admit", fail)
        take(folder)
    assert ask(folder, "SELECT reason FROM delivery")[0][0].startswith("could not be read")
    take(folder)
    assert ask(folder, "SELECT state FROM delivery") == [("refused",)]
    monkeypatch.setattr(reread, "VERSION", "later")
    take(folder)
    assert ask(folder, "SELECT state FROM delivery") == [("landed",)]


CHANGES = [
    ('unit = "degF"', 'unit = "degC"'),
    ('"-06:00"', '"-05:00"'),
    ("{depth_cm = 10}", "{depth_cm = 20}"),
    ('{depth_cm = 30, name = "b"}', '{depth_cm = 40, name = "b", from = 2020-06-18}'),
    ("to = 2020-06-20", "to = 2020-06-17"),
    ('station = "west"\n', ""),
    ('glob = "*.csv"', 'glob = "{station}*.csv"'),
    ('ids = ["W1"]', 'ids = ["W2"]'),
    ('name = "west"', 'name = "east"'),
    ('station = "west"', 'station = "east"'),
    ('step = "1 h"', 'step = "1 h"\nstamp = "start"'),
    ("missing = [-99]", "missing = [0.35]"),
    ("longitude = -100", "longitude = -100\nday_starts = 09:00:00"),
    ('"R" = {quantity = "rain", unit = "inch"}', '"R" = {quantity = "rain", counts = "total"}'),
]


def changed(which):
    toml = FARM
    for old, new in which:
        toml = toml.replace(old, new)
    try:
        farm_file.parse(tomllib.loads(toml), "farm.toml")
    except UserError:
        return None
    return toml


def three_files(folder):
    files = {"W1 a.csv": HOURS[:60], "W2 b.csv": HOURS[40:100], "c.csv": HOURS[90:]}
    for number, (name, hours) in enumerate(files.items()):
        values = [usual(h) if h % 7 or not number else row(h, 60, 0, 0.2, -99) for h in hours]
        drop(folder, name, [*values, "noon,1,2,3,4"])


@settings(
    max_examples=8,
    deadline=None,
    suppress_health_check=list(HealthCheck),
    phases=[Phase.explicit, Phase.generate],
)
@given(
    st.lists(
        st.lists(st.sampled_from(CHANGES), max_size=4, unique=True), min_size=1, max_size=3
    ).map(lambda several: [toml for which in several if (toml := changed(which))])
)
def test_a_changed_set_up_lands_what_a_fresh_warehouse_lands(tmp_path_factory, tomls):
    folder = make(tmp_path_factory.mktemp("again") / "farm")
    three_files(folder)
    take(folder)
    for toml in tomls:
        set_up(folder, toml)
        take(folder)
    mended = said(folder)
    folder.warehouse_file.unlink()
    take(folder)
    assert said(folder) == mended


def test_what_follows_is_made_again_too(folder):
    three_files(folder)
    take(folder)
    steps.derive(folder)
    several = [CHANGES[i] for i in (0, 3, 8, 9, 12)]
    set_up(folder, changed(several))
    take(folder)
    steps.derive(folder)
    mended = said(folder)
    assert ask(folder, "SELECT DISTINCT station FROM weather_day") == [("east",)]
    assert rebuild.rebuild(folder) == mended
