from __future__ import annotations

import json
import os
import shutil
import sys
import tempfile
from collections.abc import Callable
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from typing import Self

import pytest

from flows.base import lock
from flows.farm.folder import FarmFolder
from flows.pages.mail import send
from flows.run import steps
from flows.setup.inspection import checks, farm_folder, settings
from flows.setup.inspection.finding import Finding
from flows.store import archive, facts, warehouse
from flows.store.archive import Archive, Arrival
from flows.trust.backup import last_good
from schemas.farm.farm import Farm
from tests.flows import loggers
from tests.flows.loggers import ENDED, drop, row, usual

BACKUP = "\n[backup]\nto = 'backups'\n"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = loggers.make(tmp_path_factory.mktemp("made") / "farm", ENDED + BACKUP)
    drop(folder, "a.csv", [usual(h) for h in range(30)])
    steps.turn(folder, steps=(steps.collect, steps.derive, steps.publish))
    return folder.root


@pytest.fixture
def farm(tmp_path: Path, made: Path) -> FarmFolder:
    folder = FarmFolder.at(Path(shutil.copytree(made, tmp_path / "farm")))
    last_good.note(folder, folder.backups, "one", datetime.now(UTC), "fine")
    return folder


class InAMonth(datetime):
    """The clock a month from now."""

    @classmethod
    def now(cls, tz: tzinfo | None = None) -> Self:
        return super().now(tz) + timedelta(days=31)


def change(folder: FarmFolder, was: str, now: str) -> None:
    text = folder.farm_toml.read_text(encoding="utf-8")
    assert was in text
    folder.farm_toml.write_text(text.replace(was, now), encoding="utf-8")


def grave(folder: FarmFolder, about: str) -> list[str]:
    return [
        f.sentence for f in checks.inspect(folder) if (f.severity, f.about) == ("attention", about)
    ]


def test_a_set_up_that_is_fine_needs_nothing_and_stays_as_it_is(farm: FarmFolder) -> None:
    def content() -> dict[Path, bytes]:
        return {
            p: p.read_bytes() for p in farm.root.rglob("*") if p.is_file() and p.suffix != ".lock"
        }

    before = content()
    found = checks.inspect(farm)
    assert [f for f in found if f.severity == "attention"] == []
    about = {f.about for f in found}
    assert {"paths", "disk", "versions", "running", "layouts", "sensors", "clock", "runs"} <= about
    assert all(f.do for f in found if f.severity != "fine")
    assert any("30 rows of a.csv read, 0 rejected" in f.sentence for f in found)
    assert content() == before
    text = checks.lines(found)
    assert text[0].startswith(("Advice", "Fine"))


def test_a_faulty_farm_file_is_told_and_the_rest_looked_at(farm: FarmFolder) -> None:
    change(farm, "elevation_m = 300", "elevation = 300")
    assert "did you mean elevation_m?" in grave(farm, "farm.toml")[0]
    assert any(f.about == "disk" for f in checks.inspect(farm))


def test_the_newest_file_tells_whether_the_layout_still_fits(farm: FarmFolder) -> None:
    drop(farm, "b.csv", ["2020-06-03 01:00,50,0.1,0.3"], heading="t,T,R,S1")
    os.utime(farm.drop / "a.csv", (1e9, 1e9))
    (told,) = grave(farm, "layouts")
    assert "1 row of b.csv read, 0 rejected" in told
    assert "S2" in told  # the column that is gone
    drop(farm, "b.csv", [usual(1), "someday,50,0,0.3,0.3", row(2, 50, 0, 0.3, 0.3)])
    (told,) = grave(farm, "layouts")
    assert "3 rows of b.csv read, 1 rejected" in told
    drop(farm, "b.csv", ["1,2"], heading="x,y")
    assert "cannot be read by its layout" in grave(farm, "layouts")[0]


def test_sources_that_nothing_matches_and_files_that_none_takes(farm: FarmFolder) -> None:
    change(farm, 'glob = "*.csv"', 'glob = "station_*.csv"')
    (farm.drop / "a.csv").rename(farm.drop / "other.dat")
    told = grave(farm, "sources")
    # What came before is in the archive and is looked at instead.
    assert told == ["1 file without a source: drop/other.dat."]
    shutil.rmtree(farm.archive)
    assert "matches 'station_*.csv' of the source hourly" in grave(farm, "sources")[0]
    shutil.rmtree(farm.drop)
    assert "cannot be reached" in grave(farm, "paths")[0]


def test_instruments_and_sensors_without_a_column(farm: FarmFolder) -> None:
    change(farm, "sensors = [{depth_cm = 10}", "sensors = [{depth_cm = 90}, {depth_cm = 10}")
    assert grave(farm, "sensors") == ["The probe deep has 90 cm in no layout."]
    change(farm, 'probe = "deep"\n', "")
    change(farm, 'station = "west"\n', "")
    assert grave(farm, "sensors") == ["The probe deep has 90 cm in no layout."]
    more = '[[stations]]\nname = "east"\nspells = [{from = 2020-01-01}]\n'
    change(farm, "[[sources]]", more + '[[sources]]\nstation = "west"')
    assert "No source brings anything of the station east." in grave(farm, "sensors")


@pytest.mark.parametrize(
    ("was", "now", "where"),
    [
        ('glob = "*.csv"', 'kind = "http"\nurl = "https://me:pw@h.example/x"', "the url"),
        ('glob = "*.csv"', 'kind = "http"\nurl = "https://h.example/x?apikey=abc123"', "the url"),
        (
            'glob = "*.csv"',
            'kind = "http"\nurl = "https://h.example"\nheaders = {Authorization = "Bearer abc123"}',
            "the header Authorization",
        ),
        ("[place]", "# password = 'abc123'\n[place]", "line 4"),
    ],
)
def test_secrets_are_found_and_not_repeated(
    farm: FarmFolder, was: str, now: str, where: str
) -> None:
    change(farm, was, now)
    (told,) = grave(farm, "secrets")
    assert where in told
    assert "abc123" not in json.dumps([f.sentence for f in checks.inspect(farm)])


def test_a_secret_in_the_environment_is_none(farm: FarmFolder) -> None:
    change(
        farm,
        'glob = "*.csv"',
        'kind = "http"\nurl = "https://h.example/x?apikey={env:KEY}&station={station}"\n'
        'headers = {Authorization = "env:TOKEN"}',
    )
    assert grave(farm, "secrets") == []


def test_a_stac_source_is_looked_at_as_others_are(farm: FarmFolder) -> None:
    stac = '[[sources]]\nname = "far"\nkind = "stac"\nurl = "https://stac.example.org"\nbegin = 2024-01-01\n'
    stac += 'collections = ["x"]\nasset_hosts = ["data.example.org"]\n'
    stac += 'asset_headers = {Authorization = "Bearer abc123"}\n'
    change(farm, "[[sources]]", f"{stac}[[sources]]")
    assert "the header Authorization of source far" in grave(farm, "secrets")[0]
    assert "The source far brought no image yet." in grave(farm, "sources")


def test_the_clock_is_held_against_place_and_deliveries(farm: FarmFolder) -> None:
    change(farm, "longitude = -100", "longitude = 100")
    assert "are 11 hours apart" in grave(farm, "clock")[0]
    change(farm, "longitude = 100", "longitude = -100")
    found = checks.inspect(farm, now=datetime(2020, 1, 1, tzinfo=UTC))
    told = [f for f in found if f.about == "clock"]
    assert "ahead of the computer's clock" in told[0].sentence
    assert (told[1].severity, "UTC-0600" in told[1].sentence) == ("advice", True)


@pytest.mark.skipif(sys.platform != "linux", reason="needs a temporary folder that all may enter")
def test_what_others_may_read_and_what_cannot_be_written(
    made: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with tempfile.TemporaryDirectory() as open_place:
        Path(open_place).chmod(0o711)
        farm = FarmFolder.at(Path(shutil.copytree(made, Path(open_place) / "farm")))
        _modes(farm, monkeypatch)


def _modes(farm: FarmFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    def who(folder: FarmFolder) -> list[Finding]:
        return [f for f in farm_folder.paths(folder, None) if f.about == "permissions"]

    farm.root.chmod(0o755)
    farm.warehouse.chmod(0o755)
    farm.warehouse_file.chmod(0o644)
    (told,) = who(farm)
    assert (told.severity, "Every user" in told.sentence) == ("advice", True)
    farm.root.chmod(0o700)
    assert who(farm)[0].severity == "fine"
    # A full or read-only disk, whoever asks (root may write anywhere else).
    monkeypatch.setattr(farm_folder.tempfile, "TemporaryFile", _refused)
    assert "cannot be written (Read-only file system)" in grave(farm, "paths")[0]


def _refused(dir: Path) -> None:
    raise OSError(30, "Read-only file system")


def test_a_disk_that_fills_is_told_in_months(
    farm: FarmFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    usage = shutil.disk_usage(farm.root)

    def free(size: int) -> Callable[[Path], object]:
        return lambda _: usage._replace(free=size)

    monkeypatch.setattr(shutil, "disk_usage", free(10 << 20))
    assert "0.0 GB free" in grave(farm, "disk")[0]
    # Without a warehouse only the archive grows: a file of 3 MB came a month after the first.
    farm.warehouse_file.unlink()
    big = drop(farm, "big.csv", ["," * 3_000_000])
    monkeypatch.setattr(archive, "datetime", InAMonth)
    Archive.open(farm.archive).take([Arrival(big, "file", "drop", "big.csv", None, "")])
    # Within two months 3 MB came, and 9 MB are left beyond the first GB.
    now = datetime.now(UTC) + timedelta(days=61)
    monkeypatch.setattr(shutil, "disk_usage", free((1 << 30) + 9_000_000))
    (told,) = [f for f in checks.inspect(farm, now=now) if "of the disk are free" in f.sentence]
    assert (told.about, told.severity) == ("disk", "attention")
    assert f"the disk is full in {now + timedelta(days=180):%B %Y}" in told.sentence
    monkeypatch.setattr(shutil, "disk_usage", free(1 << 40))
    (told,) = [f for f in checks.inspect(farm, now=now) if f.about == "disk"]
    assert (told.severity, "more than 50 years" in told.sentence) == ("fine", True)


def test_other_writers_and_versions(farm: FarmFolder) -> None:
    with lock.hold(farm.lock_file, "collecting"):
        found = checks.inspect(farm)
    assert any("A writer is at work" in f.sentence and "collecting" in f.sentence for f in found)
    with lock.hold(farm.run_lock_file, "checkstrip run"):
        found = checks.inspect(farm)
    assert any("'checkstrip run' is at work" in f.sentence for f in found)
    with warehouse.open_file(farm.warehouse_file) as con:  # as another program would
        facts.set_fact(con, "schema_version", "99")
    assert "later Checkstrip" in grave(farm, "versions")[0]


def test_backups_are_wanted(farm: FarmFolder) -> None:
    assert any("on the same disk" in f.sentence for f in checks.inspect(farm))
    change(farm, BACKUP, "")
    assert "No backup is set up" in grave(farm, "backup")[0]


MAIL = {
    "server": "localhost",
    "port": 1,
    "security": "none",
    "from": "a@example.org",
    "readers": [{"address": "b@example.org"}],
}


def test_the_mail_server_is_asked_only_on_demand(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place_ = {"latitude": 1, "longitude": 1, "elevation_m": 1, "time_zone": "UTC"}
    farm = Farm.model_validate({"farm": {"name": "x"}, "place": place_, "mail": MAIL})
    folder = FarmFolder(tmp_path)
    (told,) = settings.mail(folder, farm, reach=False)
    assert told.severity == "fine"
    (told,) = settings.mail(folder, farm, reach=True)
    assert told.severity == "attention"
    assert "localhost" in told.sentence
    monkeypatch.delenv(send.PASSWORD, raising=False)
    with_user = Farm.model_validate(
        {"farm": {"name": "x"}, "place": place_, "mail": {**MAIL, "user": "nobody-here"}}
    )
    (told,) = settings.mail(folder, with_user, reach=False)
    assert "No password is known for nobody-here." in told.sentence
    monkeypatch.setenv(send.PASSWORD, "secret")
    assert next(settings.mail(folder, with_user, reach=False)).severity == "fine"


def test_former_keys_are_named_with_todays(farm: FarmFolder) -> None:
    change(farm, "{depth_cm = 10}", "{depth_cm = 10, full_point_pct = 38}")
    (found,) = [f for f in checks.inspect(farm) if "full_point_pct" in f.sentence]
    assert (found.severity, found.about) == ("advice", "farm.toml")
    assert "called drained_upper_limit_pct now" in found.sentence
