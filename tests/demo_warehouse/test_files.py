import math
from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from demo_warehouse.simulator import book, build, files, plan, probes, sample, stations
from flows.books import fieldbook
from flows.farm import farm_file, farm_tables
from flows.intake.door.places import Places
from flows.intake.sources.match import match
from schemas import generated
from schemas.catalogue import TABLES
from transforms.weather import sun_day


@pytest.fixture(scope="module")
def faults(laid):
    return pl.read_csv(laid / "truth" / "faults.csv", try_parse_dates=True)


def text(laid, name, encoding="utf-8"):
    return (laid / "drop" / name).read_bytes().decode(encoding)


def rows(laid, faults, name):
    return faults.filter(fault=name)["rows"][0]


class Named:
    kind, source = "file", None

    def __init__(self, path):
        self.folder, _, self.name = path.partition("/")


def test_the_farm_file_holds_and_every_file_but_the_strays_has_a_source(laid):
    farm = farm_file.load(laid / "farm.toml")
    places = Places.of(farm)
    assert len(farm.stations) == 9
    assert len(farm.probes) == 8
    assert len(farm.layouts) >= 6
    of_none, seen = [], set()
    for top in ("drop", "normals"):
        for path in (laid / top).rglob("*.*"):
            name = path.relative_to(laid).as_posix()
            found = match(Named(name), farm, places)
            if found is None:
                of_none.append(name)
            else:
                seen.add(found.source.name)
    assert sorted(of_none) == [
        "drop/coulee/station/CO-T_2025-W44.csv.part",
        "drop/misc/list of stones.txt",
    ]
    assert seen == {source.name for source in farm.sources}


def test_the_farm_says_that_it_is_invented(laid):
    farm = (laid / "farm.toml").read_text(encoding="utf-8")
    assert "DOES NOT EXIST" in farm
    assert "invented" in farm_file.load(laid / "farm.toml").farm.name


def test_the_field_book_reads_with_one_fault_only(laid):
    found = fieldbook.read(laid / "fieldbook", currency="CAD")
    assert len(found.problems) == 1
    assert found.problems[0].sheet == "harvest"
    assert found.frames["season"].height == 20
    assert (
        found.frames["harvest_pass"].height == 214
    )  # one harvest was mapped, a field has three strips
    assert found.frames["operation"].height == 6
    crossing = found.frames["season"].filter(
        pl.col("seeded").dt.year() != pl.col("harvested").dt.year()
    )
    assert crossing["crop"].unique().to_list() == ["winter wheat"]
    assert found.frames["harvest_pass"]["left_out"].sum() == 1
    assert found.frames["penetrometer"]["cone_index_mpa"].max() > 2  # MPa, the usual limit to roots


def test_weighed_passes_are_the_true_yields_with_their_noise(laid, whole_farm):
    weighed = (
        fieldbook.read(laid / "fieldbook", currency="CAD")
        .frames["harvest_pass"]
        .drop("yield_kg_ha")
    )
    truth = book.true_yields(whole_farm)
    market = {crop.name: crop.moisture_pct for crop in book.CROPS.values()}
    dry_share = (100 - pl.col("moisture_pct")) / (100 - pl.col("crop").replace_strict(market))
    wet = pl.col("mass_kg") / (pl.col("length_m") * pl.col("width_m")) * 1e4
    dry = weighed.join(truth, on=["field", "season", "strip"]).with_columns(got=wet * dry_share)
    off = (dry["got"] / dry["yield_kg_ha"]).log()
    assert abs(off.mean()) < 0.02
    assert 0.03 < off.std() < 0.08
    assert truth["yield_kg_ha"].min() > 600
    assert truth["yield_kg_ha"].max() < 6000


def test_a_worked_strip_earns_more_in_some_seasons_and_nothing_before(whole_farm):
    truth = book.true_yields(whole_farm).pivot(
        on="strip", index=["field", "season"], values="yield_kg_ha"
    )
    gain = truth.with_columns(pct=100 * (pl.col("treated") / pl.col("check") - 1))
    operations = pl.DataFrame(whole_farm.plan.operations).group_by("field").agg(pl.col("day").min())
    spring = pl.date(pl.col("season"), 5, 1)
    before = gain.join(operations, on="field").filter(spring < pl.col("day"))["pct"].to_list()
    assert before == [0.0] * 3
    tilled = gain.filter(pl.col("field") != "Gumbo", pl.col("pct") != 0)["pct"]
    assert tilled.max() > 6
    assert tilled.min() < 4
    assert gain.filter(field="Gumbo")["pct"].abs().max() < 2.5


def test_every_fault_says_what_should_become_of_it(faults):
    assert faults.height >= 45
    outcomes = "read right, refused, kept once, superseded, marked, left in, passed over"
    assert set(faults["outcome"]) == set(outcomes.split(", "))
    assert set(range(1, 21)) <= set(faults["usual"])  # all twenty of the usual faults
    assert faults["expected"].null_count() == 0


def test_faults_of_encoding_and_shape_are_in_the_files(laid):
    assert (laid / "drop/gumbo/GU-T_202106.txt").read_bytes()[:2] in (b"\xff\xfe", b"\xfe\xff")
    probe = (laid / "drop/windbreak/probe/WB-TP_2021-06.csv").read_bytes()
    assert probe[:3] == b"\xef\xbb\xbf"
    mangled = text(laid, "coulee/station/CO-T_2022-W21.csv", "cp1252")
    whole = text(laid, "coulee/station/CO-T_2022-W30.csv", "cp1252")
    assert "Â°C" in mangled.splitlines()[0]
    assert "(°C)" in whole.splitlines()[0]
    assert "Â" not in whole
    assert any(";1." in line for line in whole.splitlines())  # thousands
    lines = text(laid, "windbreak/station/WB-T_2021-06.csv").splitlines()
    assert lines[3].startswith("Stamp,Air,")
    assert lines[4].startswith(",degC")
    assert lines[5].startswith(",avg")
    later = text(laid, "windbreak/station/WB-T_2023-06.csv").splitlines()
    assert later[3].endswith("Air temperature")
    codes = text(laid, "windbreak/station/WB-T_2021-06.csv") + "".join(
        text(laid, f"windbreak/station/WB-T_2022-0{m}.csv") for m in range(1, 10)
    )
    assert "NAN" in codes
    assert "-6999" in codes


def test_faults_of_clocks_are_in_the_files(laid, faults):
    reset = text(laid, "windbreak/station/WB-T_2021-12.csv")
    assert reset.count("\n2000-01-01") == rows(laid, faults, "clock reset to 2000")
    epoch = text(laid, "stonepile/quarter/ST-T_2024.csv")
    assert epoch.count("\n1970-01-01") == rows(laid, faults, "clock reset to 1970")
    ahead = text(laid, "gumbo/GU-CP_202306.txt", "utf-16")
    assert ahead.count("/2093\t") + ahead.count("/2092\t") == rows(
        laid, faults, "clock in the future"
    )
    assert "\t24:00\t" in text(laid, "gumbo/GU-T_202106.txt", "utf-16")
    spring = text(laid, "coulee/station/CO-T_2022-W10.csv", "cp1252")
    assert "13.03.2022;01:00" in spring
    assert "13.03.2022;02:00" not in spring
    autumn = text(laid, "coulee/station/CO-T_2022-W44.csv", "cp1252")
    assert autumn.count("06.11.2022;01:00") == 2
    utc = text(laid, "windbreak/utc/WB-T_2020-10.csv").splitlines()[6]
    assert utc.startswith("2020-10-15 08:00:00")  # the first hour of the day at -07:00


def test_torn_doubled_and_contradicting_files_are_there(laid, faults):
    torn = text(laid, "windbreak/station/WB-C_2023-08.csv").splitlines()
    assert torn[-1].count(",") < torn[-2].count(",")
    growing = text(laid, "stonepile/quarter/ST-T_2025.csv").splitlines()
    assert len(growing[-1]) < 0.8 * len(growing[-2])
    assert (laid / "drop/windbreak/probe/WB-TP_2022-02.csv").read_bytes().count(b"\x00") == 64
    station = laid / "drop/windbreak/station"
    first, copy = (station / f"WB-C_2022-06{end}.csv" for end in ("", "_copy"))
    assert first.read_bytes() == copy.read_bytes()
    before, after = (station / f"WB-C_2022-07{end}.csv" for end in ("", "_corrected"))
    again = after.read_text().splitlines()[6:]
    assert len(again) == rows(laid, faults, "two values for one time")
    assert not set(again) & set(before.read_text().splitlines())
    assert {r[:19] for r in again} < {r[:19] for r in before.read_text().splitlines()}
    assert before.stat().st_mtime < after.stat().st_mtime
    may, june = (text(laid, f"gumbo/GU-C_20210{m}.txt", "utf-16").splitlines()[2:] for m in (5, 6))
    assert may[-48:] == june[:48]
    assert not (laid / "drop/coulee/station/CO-C_2024-W30.csv").exists()
    assert (laid / "drop/coulee/station/CO-T_2024-W30.csv").exists()
    assert text(laid, "stonepile/hourly/ST-C_2021.csv").count("time,") == 2


def test_faults_of_values_are_in_the_files(laid, faults):
    undeclared = sum(
        p.read_bytes().count(b";-400,0;") for p in (laid / "drop/coulee/station").glob("CO-T*.csv")
    )
    assert undeclared == rows(laid, faults, "undeclared missing code")
    percent = pl.read_csv(laid / "drop/stonepile/quarter/ST-CP_2024.csv")
    high = percent.select(pl.col("^theta_.*$").gt(1).sum()).sum_horizontal()[0]
    assert high == pytest.approx(rows(laid, faults, "unit drifts"), rel=0.01)
    probe = pl.concat(
        pl.read_csv(p, skip_rows=3, skip_rows_after_header=2, null_values="NAN")
        for p in sorted((laid / "drop/windbreak/probe").glob("WB-TP_2022-0[67].csv"))
    )
    held = probe.filter(pl.col("Stamp").is_between(pl.lit("2022-06-21"), pl.lit("2022-07-03")))[
        "Water 50"
    ]
    assert held.drop_nulls().n_unique() == 1
    dead = text(laid, "coulee/probe/CO-TP_2025-08.csv", "cp1252").splitlines()
    assert all(";S5;0,0;" in line for line in dead if ";S5;" in line)
    shed = text(laid, "gumbo/GU-CP_202405.txt", "utf-16")
    assert "\n05/10/2024\t12:00" in shed
    assert "\n05/10/2024\t12:00" not in text(laid, "gumbo/GU-TP_202405.txt", "utf-16")


def test_rain_totals_roll_reset_and_start_at_midnight(laid):
    totals = pl.concat(
        pl.read_csv(p).select("time", "rain_total")
        for p in sorted((laid / "drop/stonepile/hourly").glob("ST-T_*.csv"))
    )
    falls = totals.with_columns(fall=pl.col("rain_total").diff()).filter(pl.col("fall") < 0)
    assert falls.filter(pl.col("time").str.starts_with("2021-11-09")).height == 1
    assert falls.filter(pl.col("fall") < -490).height >= 1
    assert 400 < totals["rain_total"].max() < 500
    lines = text(laid, "gumbo/GU-T_202106.txt", "utf-16").splitlines()[2:]
    first_hours = [float(line.split("\t")[4]) for line in lines if line.split("\t")[1] == "01:00"]
    assert max(v for v in first_hours if v >= 0) < 0.6


def test_probes_are_silent_while_they_are_lifted(laid, whole_farm):
    p = whole_farm.plan
    for name, probe in p.probes.items():
        if probe["spells"][0]["field"] != "Windbreak":
            continue
        stamps = [
            line[:10]
            for file in (laid / "drop/windbreak/probe").glob(f"{probe['ids'][0]}_*.csv")
            for line in file.read_text(encoding="utf-8-sig").splitlines()[6:]
            if not line[10:].startswith(" 00:00")  # the end of the day before
        ]
        for season in p.seasons["Windbreak"]:
            assert season.harvested.isoformat() not in stamps, name
            assert season.seeded.isoformat() not in stamps, name


def test_stations_of_one_field_agree_but_for_their_faults(laid):
    def june(which):
        return pl.read_csv(
            laid / f"drop/windbreak/station/WB-{which}_2024-06.csv",
            skip_rows=3,
            skip_rows_after_header=2,
            null_values=["NAN", "-6999.0"],
        )

    treated, check = june("T"), june("C")
    assert treated["Rain"].sum() > 1.6 * check["Rain"].sum()  # the clogged gauge
    assert check["Sun"].mean() > 1.15 * treated["Sun"].mean()  # the dying sensor
    assert math.isclose(
        treated["Air temperature"].mean(), check["Air temperature"].mean(), abs_tol=0.8
    )


def test_the_sun_stands_highest_when_it_does_at_the_farm(laid):
    # FAO-56 equations 31 to 33: 4 minutes a degree; the equation of time runs from -14 to +16 minutes
    place = farm_file.load(laid / "farm.toml")
    tables = farm_tables.tables(place)
    assert place.place.longitude == stations.LONGITUDE_DEG
    assert tables["farm"]["standard_offset_h"].item() == stations.STANDARD_OFFSET_H
    hours = np.arange(24 * 365) % 24 + 0.5
    sun = stations.by_the_sun(np.clip(800 * np.sin((hours - 6) / 12 * np.pi), 0, None), 60)
    by_day = sun.reshape(-1, 24)
    center = (by_day * (np.arange(24) + 0.5)).sum(axis=1) / by_day.sum(axis=1)
    assert (
        abs(center[1:-1].mean() - (12 + 111.7 / 15 - 7)) < 0.02
    )  # the equation of time is 0 a year
    assert (
        0.4 < center[1:-1].max() - center[1:-1].min() < 0.56
    )  # and some half an hour from end to end


def test_the_sample_in_the_repository_is_the_beginning_of_what_the_demo_makes(laid):
    for name, encoding in sample.PICKED.items():
        kept = (plan.ROOM / name).read_bytes().decode(encoding).splitlines()
        made = (laid / name).read_bytes().decode(encoding).splitlines()
        assert len(kept) == min(sample.LINES, len(made))
        same = sum(a == b for a, b in zip(kept, made, strict=False))
        assert same >= 0.9 * len(kept), name  # the last digit may differ between machines


def test_nothing_of_the_program_reads_the_truth():
    root = plan.ROOM.parent
    for folder in ("transforms", "schemas"):
        for path in (root / folder).rglob("*.py"):
            assert "demo_warehouse" not in path.read_text(encoding="utf-8"), path


@pytest.mark.parametrize("hourly", [True, False])
def test_by_the_sun_no_record_is_early_or_late_whatever_its_step(whole_farm, laid, hourly):
    farm = farm_tables.tables(farm_file.load(laid / "farm.toml"))
    name = "Stonepile treated"
    found = build.instruments(whole_farm, 1)[name]
    changed = pl.col("time") <= probes.midnight(files.QUARTER_FROM)
    part = found.filter(changed if hourly else ~changed)
    standard = timedelta(hours=farm["farm"]["standard_offset_h"].item())
    readings = generated.conform(
        part.with_columns(
            station=pl.lit(name),
            time=(pl.col("time") - standard).dt.replace_time_zone("UTC"),
            interval_s=3600.0 if hourly else 900.0,
        ),
        TABLES["weather_reading"],
    )
    days = sun_day.derive(readings, farm["station_spell"], farm["farm"])
    clear = days.filter(pl.col("clearness") > 0.6)
    assert clear.height > 100
    assert abs(clear["noon_error_h"].median()) < 0.05
