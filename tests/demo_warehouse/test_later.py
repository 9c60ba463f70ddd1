"""A demo that runs on past the years of its files, or ends within them."""

from datetime import date, datetime, time

import numpy as np
import polars as pl
import pytest

from demo_warehouse.simulator import book, build, later, plan
from demo_warehouse.simulator.farm import simulate
from demo_warehouse.simulator.plan import LAST
from flows.books import fieldbook

SEASON_OPEN = date(2024, 7, 10)


@pytest.mark.parametrize(
    ("on", "until"),
    [
        (LAST, LAST),
        (date(2022, 1, 1), LAST),
        (date(2025, 11, 1), date(2026, 10, 31)),
        (date(2026, 8, 31), date(2026, 10, 31)),
        (date(2026, 9, 1), date(2027, 10, 31)),  # winter crops are in the ground
    ],
)
def test_simulated_up_to_the_harvest_of_what_grows(on, until):
    assert plan.horizon(on) == until


def test_later_seasons_repeat_the_rotation_with_the_same_calendar():
    carried = plan.plan(date(2032, 10, 31))
    for field, seasons in plan.plan().seasons.items():
        own = carried.seasons[field]
        assert own[: len(seasons)] == seasons
        assert [s.harvested.year for s in own] == list(range(2021, 2033))
        for old, new in zip(own, own[5:], strict=False):
            assert (old.crop, old.seeded.replace(year=new.seeded.year)) == (new.crop, new.seeded)
    assert plan.wetness(2031) == plan.wetness(2026 + 5) == plan.WETNESS[2021]


def test_a_probe_is_out_for_seeding_and_harvest_of_later_years():
    carried = plan.plan(date(2026, 10, 31))
    lifts = [lift for lift in carried.lifts if lift.probe == "Coulee check probe"]
    season = carried.seasons["Coulee"][-1]
    for lift, day in zip(lifts, (season.seeded, season.harvested), strict=True):
        assert lift.out < day < lift.back
        spells = carried.probes["Coulee check probe"]["spells"]
        assert not any(s["from"] <= day <= s.get("to", date.max) for s in spells)


def test_the_years_on_record_stay_as_they_are(whole_farm):
    longer = simulate(1, plan.plan(date(2026, 10, 31)))
    np.testing.assert_array_equal(
        longer.weather[2].rain_mm[: plan.DAYS * 24], whole_farm.weather[2].rain_mm
    )
    old, new = (book.true_yields(farm) for farm in (whole_farm, longer))
    both = old.join(new, on=["field", "season", "strip"], suffix="_new")
    assert both.height == old.height == new.height - 9  # strips
    assert ((both["yield_kg_ha_new"] / both["yield_kg_ha"]) - 1).abs().max() < 0.003
    assert new.filter(season=2026)["yield_kg_ha"].is_between(500, 7000).all()


def test_a_demo_that_ends_in_a_season_knows_nothing_later(tmp_path, whole_farm):
    build.write(tmp_path, whole_farm, on=SEASON_OPEN)
    read = fieldbook.read(tmp_path / "fieldbook", currency="CAD")
    assert read.problems == []
    season = read.frames["season"]
    assert (
        season.filter(season=2024)["harvested"].null_count()
        == 4
        == season["harvested"].null_count()
    )
    assert season.filter(pl.col("season") > 2024).is_empty()
    assert read.frames["harvest_pass"]["season"].max() == 2023
    assert read.frames["operation"]["day"].max() == date(2023, 8, 30)
    written = {path.stat().st_mtime for path in (tmp_path / "drop").rglob("*.*")}
    end = datetime.combine(SEASON_OPEN, time.max).timestamp()
    assert end - 2 * 86400 < max(written) < end + 2 * 86400
    probe = (tmp_path / "drop/windbreak/probe/WB-TP_2024-07.csv").read_text(encoding="utf-8-sig")
    assert "2024-07-10 12:00" in probe
    assert "2024-07-11 01:00" not in probe


def test_rows_of_later_years_and_those_not_written_yet():
    carried = plan.plan(date(2026, 10, 31))
    names = ("seasons.csv", "prices.csv")
    room = {name: (plan.ROOM / "fieldbook" / name).read_text(encoding="utf-8") for name in names}
    sheets = later.carried_on(room, carried)
    assert sheets["seasons.csv"].startswith(room["seasons.csv"])
    assert "Gumbo,2026,pea,,2026-04-30,2026-08-07," in sheets["seasons.csv"]
    assert ",pea,2026,14.80,$/bu,12.50,16.50," in sheets["prices.csv"]
    spring = {name: later.up_to(text, date(2026, 5, 5)) for name, text in sheets.items()}
    assert "Gumbo,2026,pea,,2026-04-30,," in spring["seasons.csv"]
    assert "Windbreak,2026" not in spring["seasons.csv"]  # seeded on the sixth
    assert "Gumbo treated probe,2026-04-29," in spring["lifts.csv"]
    assert "2026-08" not in spring["lifts.csv"]
    assert (
        later.up_to(room["seasons.csv"], date(2030, 1, 1)).splitlines()[3]
        == (room["seasons.csv"].splitlines()[3])
    )


def test_next_years_crops_are_planned_from_november_on_at_the_latest_price():
    """A field book reads them without a fault; the rotation of 2022 comes again in 2027."""
    prices = (plan.ROOM / "fieldbook" / "prices.csv").read_text(encoding="utf-8")
    carried = plan.plan(date(2027, 10, 31))
    assert later.plans(prices, carried, date(2026, 10, 31)) == {}
    made = later.plans(prices, carried, date(2026, 11, 28))
    room = (plan.ROOM / "fieldbook" / "fields.csv").read_bytes()
    files = {"fields.csv": room} | {name: text.encode() for name, text in made.items()}
    read = fieldbook.tables_of(files, currency="CAD")
    assert [p for p in read.problems if p.sheet == "plans"] == []
    rows = read.frames["planned_season"].sort("field").to_dicts()
    found = [(r["field"], r["season"], r["crop"], r["work_before"]) for r in rows]
    assert found == [
        ("Coulee", 2027, "canola", None),
        ("Gumbo", 2027, "winter wheat", "no"),
        ("Stonepile", 2027, "spring wheat", None),
        ("Windbreak", 2027, "canola", None),
    ]
    # 14.40 a bushel of 50 lb (CHECKS: 44.0925 bushels a tonne), the price of 2025
    assert rows[0]["price_per_kg"] == pytest.approx(14.40 * 44.0925 / 1000, rel=1e-5)
