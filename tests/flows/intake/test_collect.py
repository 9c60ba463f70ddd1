import os
import shutil
from datetime import timedelta

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from flows.farm import farm_file
from flows.intake import collect
from flows.intake.door.places import Places
from flows.intake.sources import drop as drops
from flows.run import steps
from flows.store import archive_bytes, checksum, warehouse
from flows.store.archive import Archive, Arrival
from flows.trust.backup import rebuild
from tests.flows.loggers import FARM, HEADING, START, ask, drop, make, row, take, usual

COUNTS = (
    "SELECT sum(rows_in), sum(rows_landed + rows_quarantined + rows_duplicate), "
    "sum(values_in), sum(values_landed + values_quarantined + values_duplicate) FROM delivery"
)

# An example makes whole warehouses; shrinking a failure would take minutes.
QUICK = (Phase.explicit, Phase.reuse, Phase.generate)


@pytest.fixture
def folder(tmp_path):
    return make(tmp_path / "farm")


def landed_checksum(folder):
    with warehouse.open_writer(folder) as con:
        return checksum.total(con)


def test_readings_land_in_si_at_the_end_of_their_interval(folder):
    drop(folder, "a.csv", [row(6, 50, 0.1, 0.29, 0.35)])
    done = take(folder)
    assert (done.deliveries, done.landed, done.quarantined) == (1, 1, 0)
    weather = ask(
        folder, "SELECT station, time, interval_s, air_temp_c, rain_mm FROM weather_reading"
    )
    assert weather == [("west", weather[0][1], 3600.0, 10.0, 2.54)]
    assert weather[0][1].replace(tzinfo=None) == START + timedelta(hours=6 + 6)  # UTC-6
    assert ask(folder, "SELECT depth_cm, vwc_pct FROM soil_reading ORDER BY 1") == [
        (10.0, 29.0),
        (30.0, 35.0),
    ]


def test_the_same_bytes_again_are_no_delivery(folder):
    drop(folder, "a.csv", [usual(1)])
    take(folder)
    shutil.copy(folder.drop / "a.csv", folder.drop / "copy of a.csv")
    os.utime(folder.drop / "a.csv", (1, 1))
    assert take(folder).deliveries == 0


def test_the_same_reading_from_another_file_is_not_a_second_one(folder):
    drop(folder, "a.csv", [usual(h) for h in range(24)])
    drop(folder, "b.csv", [usual(h) for h in range(12, 36)])
    done = take(folder)
    assert (done.landed, done.duplicate) == (36, 12)
    assert ask(folder, "SELECT count(*) FROM weather_reading") == [(36,)]
    assert ask(folder, "SELECT count(*) FROM superseded_reading") == [(0,)]


def test_the_later_received_stands_and_the_earlier_is_kept(folder):
    drop(folder, "a.csv", [row(6, 50, 0.1, 0.29, 0.35)])
    take(folder)
    drop(folder, "b.csv", [row(6, 59, 0.1, 0.29, 0.36)])
    take(folder)
    assert ask(folder, "SELECT air_temp_c FROM weather_reading") == [(15.0,)]
    kept = ask(
        folder,
        "SELECT instrument, depth_cm, quantity_column, value, later_value, d.name, l.name "
        "FROM superseded_reading s JOIN delivery d USING (delivery) "
        "JOIN delivery l ON l.delivery = s.later_delivery ORDER BY quantity_column",
    )
    assert kept == [
        ("west", -1.0, "air_temp_c", 10.0, 15.0, "a.csv", "b.csv"),
        ("deep", 30.0, "vwc_pct", 35.0, 36.0, "a.csv", "b.csv"),
    ]


def test_two_values_for_one_time_within_a_file(folder):
    drop(
        folder, "a.csv", [row(6, 50, 0, 0.3, 0.3), row(6, 59, 0, 0.3, 0.3), row(6, 59, 0, 0.3, 0.3)]
    )
    done = take(folder)
    assert (done.landed, done.duplicate) == (2, 1)
    assert ask(folder, "SELECT air_temp_c FROM weather_reading") == [(15.0,)]
    assert ask(folder, "SELECT value FROM superseded_reading") == [(10.0,)]


def test_parts_of_a_reading_from_two_files_come_together(folder):
    drop(folder, "a.csv", [row(6, 50, "NAN", "NAN", "NAN")])
    drop(folder, "b.csv", [row(6, "NAN", 0.1, 0.3, "NAN")])
    take(folder)
    assert ask(folder, "SELECT air_temp_c, rain_mm FROM weather_reading") == [(10.0, 2.54)]
    assert ask(folder, "SELECT count(*) FROM superseded_reading") == [(0,)]


BAD = [
    # line, what stands in quarantine: column, extent, cause
    (row(1, "abc", 0, 0.3, 0.3), ("T", "value", "not a number")),
    (row(1, 50, 0, -4, 0.3), ("S1", "value", "outside the limits")),
    (row(1, 50, 0, "inf", 0.3), ("S1", "value", "not a number")),
    ("2020-06-01 01:00,50", ("", "row", "half-written line")),
    ("noon,50,0,0.3,0.3", ("", "row", "time not read")),
    ("1970-01-01 00:00,50,0,0.3,0.3", ("", "row", "outside every spell")),
    ("2099-01-01 00:00,50,0,0.3,0.3", ("", "row", "time after its receipt")),
]


@pytest.mark.parametrize(("line", "entry"), BAD)
def test_a_bad_row_is_named_and_the_good_ones_land(folder, line, entry):
    drop(folder, "a.csv", [usual(0), line, usual(2)])
    take(folder)
    found = ask(
        folder,
        "SELECT name, line, raw, column_name, extent, cause, found, expected FROM quarantine",
    )
    assert len(found) == 1
    assert found[0][:3] == ("a.csv", 3, line)
    assert found[0][3:6] == entry
    assert all(found[0][6:])
    (stored,) = ask(folder, "SELECT count(*) FROM weather_reading WHERE air_temp_c IS NOT NULL")
    assert stored[0] >= 2
    rows_in, rows_out, values_in, values_out = ask(folder, COUNTS)[0]
    assert (rows_in, values_in) == (rows_out, values_out)
    assert rows_in == 3


def test_a_counter_that_rolls_is_one_value(tmp_path):
    toml = FARM.replace('unit = "inch"', 'unit = "inch", counts = "total", rolls_at = 10')
    folder = make(tmp_path / "farm", toml)
    drop(folder, "a.csv", [row(1, 50, 9.9, 0.3, 0.3), row(2, 50, 0.1, 0.3, 0.3)])
    drop(folder, "b.csv", [row(2, 50, 0.1, 0.3, 0.3), row(3, 50, 0.2, 0.3, 0.3)])
    take(folder)
    assert ask(folder, COUNTS) == [(4, 4, 16, 16)]
    assert ask(
        folder, "SELECT max(rain_counter_mm), max(rain_counter_rolls_at_mm) FROM weather_reading"
    ) == [(pytest.approx(9.9 * 25.4), 254.0)]


def test_missing_codes_are_missing_each_in_its_column(folder):
    drop(folder, "a.csv", [row(1, -9999, "NAN", 0.3, -99), row(2, 50, -9999.0, "", 0.3)])
    take(folder)
    assert ask(folder, "SELECT air_temp_c, rain_mm FROM weather_reading ORDER BY time") == [
        (None, None),
        (10.0, None),
    ]
    assert ask(folder, "SELECT count(*) FROM quarantine") == [(0,)]


def test_a_probe_that_is_out_for_seeding_says_nothing_of_the_soil(folder):
    hours = 24 * 25  # 26 June: between the two spells
    drop(folder, "a.csv", [usual(1), usual(hours)])
    take(folder)
    assert ask(folder, "SELECT count(*) FROM weather_reading") == [(2,)]
    assert ask(folder, "SELECT count(*) FROM soil_reading") == [(2,)]
    found = ask(folder, "SELECT extent, cause, expected FROM quarantine ORDER BY column_name")
    assert {f[:2] for f in found} == {("value", "outside every spell")}
    assert "2020-01-01 to 2020-06-20" in found[0][2]


def test_a_file_that_matches_no_source_waits_in_quarantine(folder):
    (folder.drop / "notes.txt").write_text("call the dealer")
    os.utime(folder.drop / "notes.txt", (1, 1))
    done = take(folder)
    assert done.refused == 1
    assert ask(folder, "SELECT extent, cause FROM quarantine") == [
        ("delivery", "no source matches")
    ]
    assert done.notes == ["No source takes notes.txt; nearest: hourly (*.csv)."]


def test_a_file_without_one_acceptable_row_is_refused_whole_with_one_reason(folder):
    drop(folder, "a.csv", [f"someday,{h},0,0.3,0.3" for h in range(50)])
    drop(folder, "b.csv", [usual(1)])
    done = take(folder)
    assert (done.refused, done.landed, done.quarantined) == (1, 1, 50)
    assert ask(folder, "SELECT extent, cause, line FROM quarantine") == [
        ("delivery", "time not read", 0)
    ]


def test_unfinished_and_unsettled_files_are_left_and_said(tmp_path):
    folder = make(tmp_path / "farm", FARM.replace("settle_s = 0", "settle_s = 3600"))
    drop(folder, "a.csv", [usual(1)])
    drop(folder, "b.csv.part", [usual(1)])
    done = take(folder)
    assert done.deliveries == 0
    assert any("settling" in note for note in done.notes)
    assert any("unfinished" in note for note in done.notes)
    os.utime(folder.drop / "a.csv", (1, 1))
    assert take(folder).landed == 1


def test_a_taken_file_moves_only_after_it_is_archived(tmp_path):
    folder = make(tmp_path / "farm", FARM.replace("settle_s = 0", 'settle_s = 0\nafter = "move"'))
    for lines in ([usual(1)], [usual(2)]):
        drop(folder, "a.csv", lines)
        take(folder)
    assert sorted(p.name for p in folder.drop.rglob("*.csv")) == ["a (2).csv", "a.csv"]
    assert not list(folder.drop.glob("*.csv"))
    assert ask(folder, "SELECT count(*) FROM weather_reading") == [(2,)]


def arrivals_of(files):
    return [Arrival(file, "file", "drop", file.name, "s", "s") for file in files]


def test_a_large_file_written_to_while_it_is_copied_is_taken_next_time(tmp_path, monkeypatch):
    files = [tmp_path / "a.csv", tmp_path / "b.csv"]
    for number, file in enumerate(files):
        rows = (archive_bytes.BLOCK // 16 + 9) * (1 - number)
        file.write_text("t,T\n" + f"2020-06-01,{number:04}\n" * rows)
    arrivals = arrivals_of(files)
    real = archive_bytes.blocks

    def blocks(path, *span):
        if path == files[0]:
            with path.open("a") as more:
                more.write("2020-06-02,7\n")
        return real(path, *span)

    archive = Archive.open(tmp_path / "archive")
    monkeypatch.setattr(archive_bytes, "blocks", blocks)
    assert [receipt.name for receipt in archive.take(arrivals)] == ["b.csv"]
    assert archive.unsettled == arrivals[:1]
    monkeypatch.undo()
    (receipt,) = archive.take(arrivals)
    assert b"".join(archive.blocks(receipt)) == files[0].read_bytes()
    again = Archive.open(tmp_path / "archive")
    assert again.receipts == archive.receipts
    assert not list((tmp_path / "archive").glob("*/*.part"))


def test_a_small_file_is_taken_as_it_was_read_and_goes_on_later(tmp_path):
    files = [tmp_path / "a.csv", tmp_path / "b.csv"]
    for number, file in enumerate(files):
        file.write_text(f"t,T\n2020-06-01 00:00,{number}\n")
    first = files[0].read_bytes()

    def coming():
        for arrival in arrivals_of(files):
            yield arrival
            with arrival.path.open("a") as more:
                more.write("2020-06-01 01:00,7\n")

    archive = Archive.open(tmp_path / "archive")
    taken = archive.take(coming())
    assert b"".join(archive.blocks(taken[0])) == first
    (one, two) = archive.take(arrivals_of(files))
    assert [one.continues, two.continues] == [taken[0].sequence, taken[1].sequence]
    assert b"".join(archive.blocks(one)) == files[0].read_bytes()


def test_a_file_that_grows_under_the_reading_is_left(tmp_path, monkeypatch):
    file = tmp_path / "a.csv"
    file.write_text("t,T\n")
    seen = []

    def fstat(number):
        if not seen:
            with file.open("a") as more:
                more.write("2020-06-01,7\n")
            seen.append(real(number))
            os.utime(file, ns=(1, 1))
            return seen[0]
        return real(number)

    real = os.fstat
    monkeypatch.setattr(archive_bytes.os, "fstat", fstat)
    archive = Archive.open(tmp_path / "archive")
    assert archive.take(arrivals_of([file])) == []
    assert archive.unsettled == arrivals_of([file])
    monkeypatch.undo()
    assert len(archive.take(arrivals_of([file]))) == 1


def test_the_same_bytes_of_two_sources_are_two_deliveries(tmp_path):
    file = tmp_path / "a.csv"
    file.write_text("t,T\n2020-06-01 00:00,1\n")
    arrivals = [Arrival(file, "file", "drop", "a.csv", name, name) for name in ("one", "two")]
    archive = Archive.open(tmp_path / "archive")
    first, second = archive.take(arrivals)
    (third,) = archive.take([Arrival(file, "file", "drop", "a.csv", "three", "three")])
    assert len({first.delivery, second.delivery, third.delivery}) == 3
    assert archive.file_of(first) == archive.file_of(second)


class TestAppendedFile:
    def test_only_what_was_added_is_read_and_stored(self, folder):
        lines = [usual(h) for h in range(500)]
        for end in (100, 300, 500):
            drop(folder, "log.csv", lines[:end])
            take(folder)
        read = ask(folder, "SELECT rows_in, rows_duplicate FROM delivery ORDER BY sequence")
        assert read == [(100, 0), (200, 0), (200, 0)]
        archive = Archive.open(folder.archive)
        stored = sum(archive.file_of(r).stat().st_size for r in archive.receipts)
        assert stored == (folder.drop / "log.csv").stat().st_size
        whole = b"".join(archive.blocks(archive.receipts[-1]))
        assert whole == (folder.drop / "log.csv").read_bytes()

    def test_a_line_that_was_half_written_is_read_when_it_is_whole(self, folder):
        lines = [usual(1), usual(2)]
        path = drop(folder, "log.csv", lines)
        whole = path.read_text()
        path.write_text(whole[: len(whole) - 12])
        take(folder)
        path.write_text(whole)
        take(folder)
        assert ask(folder, "SELECT count(*), count(vwc_pct) FROM soil_reading") == [(4, 4)]
        assert ask(folder, "SELECT extent, cause FROM quarantine") == [("row", "half-written line")]

    def test_a_file_that_starts_anew_is_read_from_its_start(self, folder):
        drop(folder, "log.csv", [usual(h) for h in range(5)])
        take(folder)
        drop(folder, "log.csv", [usual(h) for h in range(5, 20)])
        take(folder)
        assert ask(folder, "SELECT count(*) FROM weather_reading") == [(20,)]


hours = st.lists(st.integers(0, 200), min_size=1, max_size=40, unique=True)


@settings(max_examples=10, deadline=None, suppress_health_check=list(HealthCheck), phases=QUICK)
@given(hours=hours, data=st.data())
def test_any_split_order_and_repetition_gives_the_same(tmp_path_factory, hours, data):
    lines = [usual(h) for h in hours] + ["noon,1,2,3,4"]
    quiet = make(tmp_path_factory.mktemp("quiet") / "farm")
    drop(quiet, "all.csv", lines)
    take(quiet)
    other = make(tmp_path_factory.mktemp("other") / "farm")
    parts = data.draw(st.lists(st.lists(st.sampled_from(lines), min_size=1), max_size=5))
    parts.append(lines[: len(lines) // 2])
    parts.append(lines[len(lines) // 2 :])
    for number, part in enumerate(data.draw(st.permutations(parts))):
        drop(other, f"{number % 3}/{number}.csv", part)
        if data.draw(st.booleans()):
            take(other)
    take(other)
    assert landed_checksum(other) == landed_checksum(quiet)
    for folder in (quiet, other):
        rows_in, rows_out, values_in, values_out = ask(folder, COUNTS)[0]
        assert (rows_in, values_in) == (rows_out, values_out)


@settings(max_examples=6, deadline=None, suppress_health_check=list(HealthCheck), phases=QUICK)
@given(
    versions=st.lists(
        st.lists(st.tuples(st.integers(0, 5), st.integers(40, 60)), min_size=1, max_size=6),
        min_size=1,
        max_size=5,
    ),
    together=st.booleans(),
)
def test_where_files_contradict_each_other_a_rebuild_decides_alike(
    tmp_path_factory, versions, together
):
    folder = make(tmp_path_factory.mktemp("farm") / "farm")
    for number, lines in enumerate(versions):
        drop(folder, f"{number}.csv", [row(h, t, 0, 0.3, 0.3) for h, t in lines])
        os.utime(folder.drop / f"{number}.csv", (1e9 + number, 1e9 + number))
        if not together:
            take(folder)
    take(folder)
    if together:  # the file that ends later is the later, then the one changed later
        versions = sorted(versions, key=lambda lines: max(hour for hour, _ in lines))
    last = {hour: temp for lines in versions for hour, temp in lines}
    stored = ask(folder, "SELECT round(air_temp_c * 9 / 5 + 32) FROM weather_reading ORDER BY time")
    assert [int(t) for (t,) in stored] == [last[hour] for hour in sorted(last)]
    before = landed_checksum(folder)
    folder.warehouse_file.unlink()
    with warehouse.open_writer(folder) as con:
        collect.land_all(con, folder, farm_file.load(folder.farm_toml))
    assert landed_checksum(folder) == before


def test_rebuild_gives_the_same_checksum(folder):
    drop(folder, "a.csv", [usual(h) for h in range(48)] + ["noon,1,2,3,4"])
    take(folder)
    drop(folder, "b.csv", [row(5, 90, 0, 0.3, 0.3)])
    take(folder)
    steps.derive(folder)
    before = landed_checksum(folder)
    assert rebuild.rebuild(folder) == before


def test_a_lost_folder_is_said_and_nothing_is_forgotten(folder):
    drop(folder, "a.csv", [usual(1)])
    take(folder)
    folder.drop.rename(folder.root / "away")
    assert any("cannot be reached" in note for note in collect_without_making(folder))
    (folder.root / "away").rename(folder.drop)
    assert take(folder).deliveries == 0


def collect_without_making(folder):
    farm = farm_file.load(folder.farm_toml)
    return drops.find_settled(folder, farm, Places.of(farm), folder.state).notes


def test_heading_only_is_empty_not_refused(folder):
    drop(folder, "a.csv", [])
    assert take(folder).refused == 0
    assert ask(folder, "SELECT state, rows_in FROM delivery") == [("empty", 0)]
    assert HEADING
