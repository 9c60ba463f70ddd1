"""Flagged values through the whole landing: kept apart, and out of what follows."""

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from flows.derive import derive
from flows.store import checksum, warehouse
from tests.flows.loggers import FARM, ask, drop, make, row, take

FLAGS = '{D01 = "frozen", D03 = "suspect", M = "missing", G = "good"}'
RULES = FARM.replace(
    'depth_cm = 10}\n"', f'depth_cm = 10, flag = "F1", flags = {FLAGS}}}\n"'
).replace(
    '"R" = {quantity = "rain", unit = "inch"}',
    f'"R" = {{quantity = "rain", unit = "inch", flag = "FR", flags = {FLAGS}}}',
)
HEADING = "t,T,R,FR,S1,F1,S2"
SOIL = "SELECT time, depth_cm, vwc_pct FROM soil_reading ORDER BY ALL"
KEPT = """
    SELECT instrument, depth_cm, quantity_column, round(value, 6), flag, meaning
    FROM flagged_reading ORDER BY ALL
"""


@pytest.fixture
def folder(tmp_path):
    return make(tmp_path / "farm", RULES)


def line(hour, rain=(0.1, ""), vwc=(0.31, "G")):
    return row(hour, 50, *rain, *vwc, 0.35)


def test_flagged_values_are_kept_and_left_out_of_what_follows(folder):
    lines = [line(h) for h in range(24)]
    lines[4] = line(4, vwc=(0.11, "D01"))
    lines[5] = line(5, rain=(0.9, "D03"), vwc=(0.12, "D03;D01"))
    lines[6] = line(6, vwc=(0.13, "M"))
    drop(folder, "a.csv", lines, heading=HEADING)
    take(folder)
    assert ask(folder, KEPT) == [
        ("deep", 10.0, "vwc_pct", 11.0, "D01", "frozen"),
        ("deep", 10.0, "vwc_pct", 12.0, "D03;D01", "suspect"),
        ("west", -1.0, "rain_mm", 22.86, "D03", "suspect"),
    ]
    assert ask(
        folder, "SELECT min(vwc_pct), count(vwc_pct) FROM soil_reading WHERE depth_cm = 10"
    ) == [(31.0, 21)]
    assert ask(folder, "SELECT count(*), count(rain_mm), max(rain_mm) FROM weather_reading") == [
        (24, 23, 2.54)
    ]
    fates = "SELECT values_in - values_landed - values_quarantined - values_duplicate FROM delivery"
    assert ask(folder, fates) == [(0,)]
    with warehouse.open_writer(folder) as con:
        assert derive.derive(con).problems == []
    assert ask(folder, "SELECT min(vwc_min_pct) FROM soil_day WHERE depth_cm = 10") == [(31.0,)]


def test_the_later_of_two_deliveries_stands_whichever_is_flagged(folder):
    drop(folder, "a.csv", [line(h, vwc=(0.31, "G")) for h in range(3)], heading=HEADING)
    take(folder)
    again = [line(0), line(1, vwc=(0.31, "D03")), line(2, vwc=(0.29, "D03"))]
    drop(folder, "b.csv", again, heading=HEADING)
    take(folder)
    ten = "SELECT vwc_pct FROM soil_reading WHERE depth_cm = 10 ORDER BY time"
    assert ask(folder, ten) == [(31.0,), (None,), (None,)]
    assert [r[3] for r in ask(folder, KEPT)] == [29.0, 31.0]
    drop(folder, "c.csv", [line(1), line(2, vwc=(0.3, "G"))], heading=HEADING)
    take(folder)
    assert ask(folder, ten) == [(31.0,), (31.0,), (30.0,)]
    assert ask(folder, KEPT) == []


def test_the_same_flagged_value_again_is_a_duplicate(folder):
    lines = [line(h, vwc=(0.31, "D03" if h == 1 else "G")) for h in range(3)]
    drop(folder, "a.csv", lines, heading=HEADING)
    take(folder)
    before = ask(folder, SOIL)
    drop(folder, "b.csv", [*lines, "", line(3)], heading=HEADING)
    take(folder)
    counts = "SELECT values_landed, values_duplicate FROM delivery ORDER BY sequence"
    assert ask(folder, counts) == [(12, 0), (4, 12)]
    assert ask(folder, SOIL)[:3] == before[:3]
    assert len(ask(folder, KEPT)) == 1
    assert ask(folder, "SELECT count(*) FROM superseded_reading") == [(0,)]


def test_a_changed_meaning_is_read_again(folder):
    lines = [line(h, vwc=(0.31, "D03" if h == 1 else "G")) for h in range(3)]
    drop(folder, "a.csv", lines, heading=HEADING)
    take(folder)
    (folder.root / "farm.toml").write_text(RULES.replace('D03 = "suspect"', 'D03 = "good"'))
    take(folder)
    assert ask(folder, KEPT) == []
    assert ask(folder, "SELECT count(vwc_pct) FROM soil_reading") == [(6,)]


@settings(
    max_examples=3,
    deadline=None,
    suppress_health_check=list(HealthCheck),
    phases=[Phase.explicit, Phase.generate],
)
@given(
    flags=st.lists(st.sampled_from(["G", "D03", "D01", "M", ""]), min_size=6, max_size=6),
    cut=st.integers(1, 5),
    order=st.permutations(range(2)),
)
def test_any_split_gives_the_same(tmp_path_factory, flags, cut, order):
    lines = [line(h, vwc=(0.31, flag), rain=(0.1, flag)) for h, flag in enumerate(flags)]
    totals = []
    for parts in ([lines], [lines[:cut], lines[cut:]]):
        folder = make(tmp_path_factory.mktemp("farm"), RULES)
        for i in order if len(parts) > 1 else (0,):
            drop(folder, f"{i}.csv", parts[i], heading=HEADING)
            take(folder)
        with warehouse.open_writer(folder) as con:
            totals.append(checksum.total(con))
    assert totals[0] == totals[1]


DAILY = """
[layouts.hourly]
step = "1 day"
stamp = "start"
time = {columns = ["t"]}
[layouts.hourly.columns]
"R" = {quantity = "rain", unit = "mm", flags = {A = "accumulated", T = "trace", S = "missing"}}
"""
RAIN = """
    SELECT day::VARCHAR, rain_mm, recorded_d, partial, reason LIKE '%total%' FROM rain_day
    WHERE station = 'west' ORDER BY day
"""


def test_rain_of_several_days_counts_for_its_month_in_any_order(tmp_path):
    toml = FARM[: FARM.index("[layouts.hourly]")] + DAILY + FARM[FARM.index("[[sources]]") :]
    lines = [f"2020-06-{day:02d},0.5" for day in range(1, 31)]
    lines[5:8] = ["2020-06-06,T", "2020-06-07,S", "2020-06-08,S"]
    lines[8] = "2020-06-09,12.5A"
    found = []
    for name, parts in {"one": [lines], "backwards": [lines[8:], lines[7:8], lines[:7]]}.items():
        folder = make(tmp_path / name, toml)
        for i, part in enumerate(parts):
            drop(folder, f"{i}.csv", part, heading="t,R")
            take(folder)
            with warehouse.open_writer(folder) as con:
                derive.derive(con)
        found.append(ask(folder, RAIN))
        month = "SELECT round(rain_mm, 6), days_whole, month_days, partial FROM rain_month"
        assert ask(folder, month) == [(25.5, 30, 30, False)]
    assert found[0] == found[1]
    assert found[0][5:9] == [
        ("2020-06-06", 0.0, 1.0, False, False),
        ("2020-06-07", None, 0.0, True, True),
        ("2020-06-08", None, 0.0, True, True),
        ("2020-06-09", 12.5, 3.0, True, True),
    ]
