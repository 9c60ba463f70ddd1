"""Damage at rest in the archive: nothing wrong lands, nothing that landed is lost, all is named."""

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from flows.base.errors import Attention
from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.intake import collect, kept_rows, reread
from flows.run import steps
from flows.store import checksum, query, warehouse
from flows.store.archive import Archive
from flows.trust.backup import make as make_backup
from flows.trust.backup import rebuild
from tests.flows.loggers import FARM, ask, drop, make, row, take, usual

COUNTS = "SELECT (SELECT count(*) FROM weather_reading), (SELECT count(*) FROM soil_reading)"
OTHER_UNIT = FARM.replace('unit = "degF"', 'unit = "degC"')
DELIVERIES = "SELECT name, state, rows_landed FROM delivery ORDER BY sequence"
HOTTEST = """
    SELECT name, round(max(air_temp_c)) FROM weather_reading JOIN delivery USING (delivery)
    GROUP BY name ORDER BY name
"""
Harm = Callable[[Path], object]


@pytest.fixture
def folder(tmp_path: Path) -> FarmFolder:
    """A farm with three files landed, a day each, and published."""
    folder = make(tmp_path / "farm")
    for number, name in enumerate("abc"):
        drop(folder, f"{name}.csv", [usual(h) for h in range(24 * number, 24 * number + 24)])
        take(folder)
    steps.publish(folder)
    return folder


def set_up(folder: FarmFolder, toml: str) -> None:
    (folder.root / "farm.toml").write_text(toml, encoding="utf-8")


def total(folder: FarmFolder) -> str:
    with warehouse.open_writer(folder) as con:
        return checksum.total(con)


def published(folder: FarmFolder, sql: str) -> list[tuple[object, ...]]:
    with query.open_published(folder) as con:
        return con.sql(sql).fetchall()


def bytes_of(folder: FarmFolder, name: str) -> Path:
    archive = Archive.open(folder.archive)
    return archive.file_of(next(r for r in archive.receipts if r.name == name))


def flipped(path: Path) -> None:
    path.write_bytes(path.read_bytes().replace(b"5", b"6", 1))


def a_folder(path: Path) -> None:
    path.unlink()
    path.mkdir()  # it cannot be read by anybody, not even by root


HARMS: tuple[Harm, ...] = (flipped, Path.unlink, a_folder)


class TestReadAgain:
    @pytest.mark.parametrize("harm", HARMS)
    def test_what_cannot_be_read_again_keeps_its_rows_and_the_others_land(
        self, folder: FarmFolder, harm: Harm
    ) -> None:
        harm(bytes_of(folder, "b.csv"))
        set_up(folder, OTHER_UNIT)
        done = take(folder)
        assert done.wants_attention
        assert "b.csv" in str(done)
        assert "--accept-loss" in str(done)
        assert ask(folder, COUNTS) == [(72, 144)]
        assert ask(folder, HOTTEST) == [("a.csv", 60), ("b.csv", 23), ("c.csv", 60)]
        assert ask(folder, "SELECT name, extent, cause FROM quarantine WHERE line = 0") == [
            ("b.csv", "delivery", "damaged in the archive")
        ]
        ((found, expected),) = ask(folder, "SELECT found, expected FROM quarantine WHERE line = 0")
        assert expected == f"SHA-256 {Archive.open(folder.archive).receipts[1].sha256}"
        assert found != expected
        steps.publish(folder)
        assert published(folder, COUNTS) == [(72, 144)]
        assert "b.csv" in str(take(folder))  # until somebody mends it

    def test_when_it_is_sound_again_it_is_read_as_the_others(self, folder: FarmFolder) -> None:
        path = bytes_of(folder, "b.csv")
        whole = path.read_bytes()
        flipped(path)
        set_up(folder, OTHER_UNIT)
        take(folder)
        path.write_bytes(whole)
        assert not take(folder).damaged
        assert ask(folder, HOTTEST) == [("a.csv", 60), ("b.csv", 60), ("c.csv", 60)]
        assert ask(folder, "SELECT count(*) FROM quarantine WHERE line = 0") == [(0,)]
        steps.derive(folder)
        assert total(folder) == rebuild.rebuild(folder)

    def test_a_lost_receipt_keeps_its_rows_too(self, folder: FarmFolder) -> None:
        (folder.archive / "receipts" / "000000000002.jsonl").unlink()
        set_up(folder, OTHER_UNIT)
        done = take(folder)
        assert "receipt 2 is missing" in str(done)
        assert ask(folder, COUNTS) == [(72, 144)]
        assert ask(folder, HOTTEST) == [("a.csv", 60), ("b.csv", 23), ("c.csv", 60)]

    def test_the_order_of_receipt_holds_for_what_is_kept(self, folder: FarmFolder) -> None:
        drop(folder, "d.csv", [row(h, 70, 0, 0.3, 0.3) for h in range(10, 40)])
        take(folder)
        drop(folder, "e.csv", [row(h, 80, 0, 0.3, 0.3) for h in range(20, 30)])
        take(folder)
        flipped(bytes_of(folder, "d.csv"))
        set_up(folder, FARM.replace('missing = ["NAN", -9999]', 'missing = ["NAN", -8888]'))
        before = ask(folder, "SELECT time, air_temp_c FROM weather_reading ORDER BY time")
        superseded = "SELECT time, quantity_column, value, later_value FROM superseded_reading"
        earlier = sorted(map(str, ask(folder, superseded)))
        take(folder)
        assert ask(folder, "SELECT time, air_temp_c FROM weather_reading ORDER BY time") == before
        assert sorted(map(str, ask(folder, superseded))) == earlier

    def test_values_in_rows_that_a_later_file_completed_are_kept(self, tmp_path: Path) -> None:
        head, tail = FARM[: FARM.index("[layouts")], FARM[FARM.index("[[sources]]") :]
        stamp = 'step = "1 h"\ntime = {columns = ["t"], offset = "-06:00"}\n'
        warm = f'[layouts.warm]\n{stamp}columns = {{T = {{quantity = "air_temp"}}}}\n'
        wind = f'[layouts.wind]\n{stamp}columns = {{W = {{quantity = "wind_speed"}}}}\n'
        one = tail.replace('layout = "hourly"', 'layout = "warm"').replace("*.csv", "t*.csv")
        two = tail.replace('layout = "hourly"', 'layout = "wind"').replace("*.csv", "w*.csv")
        two = two.replace('name = "hourly"', 'name = "windy"')
        toml = head + warm + wind + one + two
        folder = make(tmp_path / "two", toml)
        drop(folder, "t.csv", [row(h, 20) for h in range(24)], heading="t,T")
        take(folder)
        drop(folder, "w.csv", [row(h, 3) for h in range(24)], heading="t,W")
        take(folder)
        bytes_of(folder, "t.csv").unlink()
        unit = toml.replace('quantity = "wind_speed"', 'quantity = "wind_speed", unit = "km/h"')
        set_up(folder, unit)
        take(folder)
        values = "SELECT DISTINCT air_temp_c, round(wind_speed_m_s, 3) FROM weather_reading"
        assert ask(folder, values) == [(20.0, round(3 / 3.6, 3))]

    def test_a_crash_in_the_middle_leaves_the_old_state(
        self, folder: FarmFolder, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        before = total(folder)
        set_up(folder, OTHER_UNIT)
        bytes_of(folder, "b.csv").unlink()

        def killed(*_: object) -> None:
            raise KeyboardInterrupt

        with monkeypatch.context() as patched:
            patched.setattr(kept_rows.KeptRows, "put_back", killed)
            with pytest.raises(KeyboardInterrupt):
                take(folder)
        with warehouse.open_writer(folder) as con:
            assert reread.find(con, Archive.open(folder.archive), farm_file.load(folder.farm_toml))
        set_up(folder, FARM)
        assert total(folder) == before


class TestFirstLanding:
    def test_wrong_bytes_never_land(self, folder: FarmFolder) -> None:
        before = total(folder)
        flipped(bytes_of(folder, "b.csv"))
        folder.warehouse_file.unlink()
        done = take(folder)
        assert done.wants_attention
        assert ask(folder, DELIVERIES) == [
            ("a.csv", "landed", 24),
            ("b.csv", "refused", 0),
            ("c.csv", "landed", 24),
        ]
        with pytest.raises(Attention, match="--accept-loss"):  # the copy has rows that this lacks
            steps.publish(folder)
        assert published(folder, COUNTS) == [(72, 144)]
        os.utime(folder.drop / "b.csv", (2e9, 2e9))  # brought again, the same bytes
        take(folder)
        assert total(folder) == before
        steps.publish(folder)

    def test_a_backup_repairs_it_at_once(self, folder: FarmFolder) -> None:
        steps.derive(folder)
        make_backup.backup(folder)
        before = total(folder)
        flipped(bytes_of(folder, "b.csv"))
        (folder.archive / "receipts" / "000000000003.jsonl").write_bytes(b"")
        folder.warehouse_file.unlink()
        with warehouse.open_writer(folder) as con:
            collect.land_all(con, folder, farm_file.load(folder.farm_toml))
        steps.derive(folder)
        assert total(folder) == before
        assert Archive.open(folder.archive).chain.sentences() == []

    def test_a_lost_end_of_the_receipts_never_gives_a_number_twice(
        self, folder: FarmFolder
    ) -> None:
        (folder.archive / "receipts" / "000000000003.jsonl").unlink()
        drop(folder, "d.csv", [usual(h) for h in range(72, 96)])
        done = take(folder)
        assert done.landed == 24
        assert "receipt 3 is missing" in str(done)
        assert ask(folder, "SELECT sequence FROM delivery ORDER BY 1") == [(1,), (2,), (3,), (4,)]
        (folder.drop / "c.csv").write_text((folder.drop / "c.csv").read_text() + usual(96) + "\n")
        take(folder)  # what its receipt would have known is read again: nothing is lost or doubled
        assert ask(folder, COUNTS) == [(97, 194)]
        assert ask(folder, "SELECT count(DISTINCT delivery), count(*) FROM delivery") == [(5, 5)]


class TestRebuild:
    def test_it_refuses_without_what_the_warehouse_knows_and_lists_what_goes(
        self, folder: FarmFolder
    ) -> None:
        steps.derive(folder)
        before = total(folder)
        flipped(bytes_of(folder, "a.csv"))
        (folder.archive / "receipts" / "000000000003.jsonl").unlink()
        with pytest.raises(Attention) as refused:
            rebuild.rebuild(folder)
        for word in ("a.csv", "c.csv", "receipt 3", "--accept-loss"):
            assert word in str(refused.value)
        assert total(folder) == before
        done = rebuild.rebuild_and_compare(folder, accept_loss=True)
        assert "a.csv" in str(done)
        assert "c.csv" in str(done)
        assert ask(folder, COUNTS) == [(24, 48)]
        steps.publish(folder)
        assert published(folder, COUNTS) == [(24, 48)]
        assert not take(folder).damaged
        assert rebuild.rebuild(folder) == done.checksum

    def test_a_lost_warehouse_is_compared_with_the_published_copy(self, folder: FarmFolder) -> None:
        (folder.archive / "receipts" / "000000000003.jsonl").unlink()
        folder.warehouse_file.unlink()
        with pytest.raises(Attention, match=r"c\.csv"):
            rebuild.rebuild(folder)
        assert not folder.warehouse_file.exists()

    def test_without_any_warehouse_the_backup_knows_the_last_receipts(
        self, folder: FarmFolder
    ) -> None:
        steps.derive(folder)
        before = total(folder)
        make_backup.backup(folder)
        (folder.archive / "receipts" / "000000000003.jsonl").unlink()
        bytes_of(folder, "b.csv").unlink()
        shutil.rmtree(folder.warehouse)
        assert rebuild.rebuild(folder) == before

    def test_it_says_whether_the_checksum_is_that_of_before(self, folder: FarmFolder) -> None:
        steps.derive(folder)
        assert "matches the warehouse before" in str(rebuild.rebuild_and_compare(folder))
        with warehouse.open_writer(folder) as con:
            con.execute("UPDATE field SET soil = 'clay'; UPDATE station_spell SET strip = 'check'")
            before = checksum.total(con)
        assert before in str(rebuild.rebuild_and_compare(folder))


class TestBooks:
    def test_a_damaged_version_that_stands_is_not_replaced_by_an_older_one(
        self, folder: FarmFolder
    ) -> None:
        book = folder.root / "fieldbook"
        book.mkdir()
        for practice in ("deep tillage", "cover crop"):
            (book / "fields.csv").write_text(f"field,practice\nNorth,{practice}\n")
            take(folder)
        receipt = Archive.open(folder.archive).receipts[-1]
        path = Archive.open(folder.archive).file_of(receipt)
        whole = path.read_bytes()
        path.write_bytes(whole[:-1])
        shutil.rmtree(book)  # as long as it is there, it repairs the archive
        set_up(folder, FARM.replace('name = "Invented"', 'name = "Invented"\ncurrency = "CAD"'))
        practices = "SELECT practice FROM field"
        done = take(folder)
        assert "fieldbook.zip" in str(done)
        assert ask(folder, practices) == [("cover crop",)]
        path.write_bytes(whole)
        assert not take(folder).damaged
        assert ask(folder, practices) == [("cover crop",)]
        assert ask(folder, "SELECT count(*) FROM delivery WHERE reason LIKE 'damaged%'") == [(0,)]
