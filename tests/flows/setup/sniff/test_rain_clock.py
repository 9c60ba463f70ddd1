from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from typer.testing import CliRunner

from flows.base.errors import UserError
from flows.cli import app
from flows.derive import derive
from flows.intake import collect
from flows.setup.sniff import sniff_file
from flows.setup.sniff.finding import Sure
from flows.setup.sniff.propose import propose
from flows.setup.sniff.rain_clock import Neighbor
from flows.store import publish, warehouse
from schemas.farm.farm import Place
from tests.flows.loggers import FARM, make

PLACE = Place(latitude=49.6, longitude=-97.2, elevation_m=240, time_zone="America/Winnipeg")
BEGIN = datetime(2020, 6, 1, 6, tzinfo=UTC)
FINE_S = 300


def storms(days, rng):
    """Rain of a place in steps of five minutes: storms of some hours, heavier in their middle."""
    n = days * 288
    rain = np.zeros(n)
    for at in rng.integers(0, n - 60, days // 3):
        length = int(rng.integers(6, 48))
        part = rain[at : at + length]
        part += rng.gamma(0.6, 1.0, len(part)) * rng.gamma(1.5, 0.4)
    return rain


def gauge(rain, step_s, rng, tip=0.2):
    """What a gauge near by reports: its own share of each storm's parts, in tips; interval ends."""
    many = step_s // FINE_S
    caught = (rain * rng.lognormal(0, 0.4, len(rain))).reshape(-1, many).sum(axis=1)
    told = np.diff(np.floor(np.cumsum(caught) / tip), prepend=0) * tip
    ends = [BEGIN + timedelta(seconds=step_s * (i + 1)) for i in range(len(told))]
    return pl.DataFrame(
        {"time": ends, "step_s": step_s, "rain": told},
        schema={"time": pl.Datetime("us", "UTC"), "step_s": pl.Int64, "rain": pl.Float64},
    )


def export(frame, step_s, *, stamp="end", offset_h=-6.0, heading="time,Rain (mm)"):
    rows = [heading]
    for end, _, rain in frame.iter_rows():
        shown = end - timedelta(seconds=step_s if stamp == "start" else 0)
        local = shown + timedelta(hours=offset_h)
        rows.append(f"{local:%Y-%m-%d %H:%M},{rain:.1f}")
    return "\n".join([*rows, ""]).encode()


def stamp_of(proposal):
    (found,) = [f for f in proposal.found if f.item == "stamp"]
    return found


def pair(seed, step_s=3600, other_s=3600, days=60):
    rng = np.random.default_rng(seed)
    rain = storms(days, rng)
    return gauge(rain, step_s, rng), gauge(rain, other_s, rng)


@pytest.mark.parametrize("stamp", ["start", "end"])
@pytest.mark.parametrize("offset_h", [-6.0, -5.0, 0.0])
@pytest.mark.parametrize(("step_s", "other_s"), [(3600, 3600), (1800, 900), (900, 3600)])
def test_rain_tells_the_end_of_the_interval_and_the_clock(stamp, offset_h, step_s, other_s):
    own, other = pair(7, step_s, other_s, days=120)
    data = export(own, step_s, stamp=stamp, offset_h=offset_h)
    alone = propose(data, PLACE)
    assert stamp_of(alone).sure is Sure.UNSURE
    proposal = propose(data, PLACE, [Neighbor("station east", other)])
    told = stamp_of(proposal)
    layout = proposal.layout["time"]
    if (offset_h, stamp, step_s) in ((-5.0, "start", 3600), (-6.0, "end", 3600)):
        # in summer an hour of daylight saving and an hour's interval are one: both are left
        assert told.sure is Sure.UNSURE
        assert {f.item for f in proposal.questions} >= {"stamp", "time.zone"}
        return
    assert (told.value, told.sure) == (stamp, Sure.LIKELY)
    assert "by rain at station east" in told.evidence
    expected = {0.0: ("offset", "Z"), -6.0: ("offset", "-06:00"), -5.0: ("zone", PLACE.time_zone)}
    assert expected[offset_h] in layout.items()


def test_it_is_seldom_wrong_and_mostly_answers():
    said = []
    for seed in range(30):
        own, other = pair(100 + seed, days=45)
        stamp = "start" if seed % 2 else "end"
        # the clock is known: only the end of the interval is open
        data = export(own, 3600, stamp=stamp, offset_h=0.0, heading="epoch,Rain (mm)")
        rows = [line.split(",") for line in data.decode().split("\n")[1:-1]]
        epoch = [
            f"{int(datetime.fromisoformat(t).replace(tzinfo=UTC).timestamp())},{r}" for t, r in rows
        ]
        data = "\n".join(["epoch,Rain (mm)", *epoch, ""]).encode()
        told = stamp_of(propose(data, PLACE, [Neighbor("n", other)]))
        said.append(None if told.sure is Sure.UNSURE else told.value == stamp)
    assert said.count(False) == 0
    assert said.count(True) >= 24


def test_a_gauge_far_away_tells_nothing():
    for seed in range(12):
        own, other = pair(seed)[0], pair(1000 + seed)[1]
        told = stamp_of(propose(export(own, 3600), PLACE, [Neighbor("far", other)]))
        assert told.sure is Sure.UNSURE


def test_the_same_record_read_before_is_no_neighbour():
    own, _ = pair(3)
    shifted = own.with_columns(pl.col("time") + timedelta(hours=1))  # it was read wrongly then
    told = stamp_of(propose(export(own, 3600), PLACE, [Neighbor("itself", shifted)]))
    assert told.sure is Sure.UNSURE


def test_a_neighbour_whose_own_end_is_open_helps_only_with_shorter_steps():
    own, other = pair(7, 3600, 3600, days=90)
    data = export(own, 3600, offset_h=0.0)
    told = stamp_of(propose(data, PLACE, [Neighbor("n", other, end_known=False)]))
    assert told.sure is Sure.UNSURE
    own, other = pair(7, 3600, 900, days=90)
    for shift in (0, 900):  # whichever end the neighbor writes
        moved = other.with_columns(pl.col("time") - timedelta(seconds=shift))
        told = stamp_of(propose(data, PLACE, [Neighbor("n", moved, end_known=False)]))
        assert (told.value, told.sure) == ("end", Sure.LIKELY)


@pytest.mark.parametrize(
    ("heading", "stamp", "hour"),
    [
        ("Interval End,Rain (mm)", "end", 3),
        ("From,Rain (mm)", "start", 3),
        ("time,Rain (mm)", "end", 24),
    ],
)
def test_what_the_file_says_itself_is_believed(heading, stamp, hour):
    own, _ = pair(5)
    text = export(own, 3600, heading=heading).decode()
    if hour == 24:
        lines = text.split("\n")
        for i, line in enumerate(lines):
            if " 00:00," in line:
                day = datetime.fromisoformat(line[:10]) - timedelta(days=1)
                lines[i] = f"{day:%Y-%m-%d} 24:00," + line.partition(",")[2]
        text = "\n".join(lines)
    told = stamp_of(propose(text.encode(), PLACE))
    assert (told.value, told.sure) == (stamp, Sure.LIKELY)


class TestFiles:
    """Through the command: by a second file, and by what the farm has published."""

    TOML = FARM.replace('"R" = {quantity = "rain", unit = "inch"}', '"R" = {quantity = "rain"}')

    def folder(self, tmp_path, other):
        folder = make(tmp_path / "farm", self.TOML)
        rows = export(other, 3600, heading="t,R").decode()
        (folder.drop / "west.csv").write_text(rows)
        return folder

    def test_a_second_file(self, tmp_path):
        own, other = pair(7, days=90)
        folder = self.folder(tmp_path, other)
        file = tmp_path / "unknown.csv"
        file.write_bytes(export(own, 3600, stamp="start", offset_h=0.0))
        command = ["sniff", str(file), "--folder", str(folder.root)]
        assert "? unsure   stamp" in CliRunner().invoke(app, command).output
        beside = ["--beside", str(folder.drop / "west.csv")]
        said = CliRunner().invoke(app, [*command, *beside]).output
        assert 'stamp = "start"' in said
        assert "by rain at west.csv" in said
        assert "? unsure   stamp" not in said

    def test_a_second_file_without_rain_or_clock_is_refused(self, tmp_path):
        own, other = pair(7)
        folder = self.folder(tmp_path, other)
        file, bad = tmp_path / "unknown.csv", tmp_path / "other.txt"
        file.write_bytes(export(own, 3600))
        bad.write_text("time,Air Temp (C)\n2020-06-01 01:00,1\n2020-06-01 02:00,2\n" * 3)
        with pytest.raises(UserError, match=r"own clock is not known|no rain by the hour"):
            sniff_file.sniff(file, folder.root, beside=bad)

    def test_the_published_stations(self, tmp_path):
        own, other = pair(7, days=90)
        folder = self.folder(tmp_path, other)
        collect.collect(folder)
        with warehouse.open_writer(folder) as con:
            derive.derive(con)
        publish.publish(folder)
        (near,) = sniff_file.of_farm(folder)
        assert near.name == "station west"
        assert near.rain["rain"].sum() == pytest.approx(other["rain"].sum())
        file = tmp_path / "unknown.csv"
        file.write_bytes(export(own, 3600, stamp="start", offset_h=0.0))
        told = stamp_of(sniff_file.sniff(file, folder.root).proposal)
        assert told.value == "start"
        assert "by rain at station west" in told.evidence
