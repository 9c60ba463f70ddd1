import itertools
import tomllib
from datetime import UTC, date, datetime, timedelta
from functools import partial

import pytest

from flows.intake import collect
from flows.intake.sources import http
from flows.intake.sources.spans import Ask, beginning, remember_answer
from flows.intake.sources.spans import ask as plan
from schemas.farm.farm import Farm
from tests.flows.intake.sources.loopback import NOW, farm, hourly, reply, serving
from tests.flows.loggers import FARM, WEB, ask, make

DAY = timedelta(days=1)


def spans(source, latest, known, now, begin=None):
    if begin is None and source.begin is not None:
        begin = datetime.combine(source.begin, datetime.min.time(), UTC)
    return plan(source, latest, known, now, begin).pieces


class TestSpans:
    def source(self, **keys):
        return farm("http://127.0.0.1/?a={since}&b={until}", overlap_h=24, **keys).sources[0]

    def test_a_first_time_begins_where_the_farm_file_says_and_goes_in_pieces(self):
        source = self.source(begin="2024-05-01", piece_d=10)
        found = spans(source, None, {}, NOW)
        assert [(a.day, b.day) for a, b in found] == [(1, 11), (11, 21), (21, 31), (31, 1)]
        assert all(a == b for (_, a), (b, _) in itertools.pairwise(found))

    def test_a_first_time_without_that_begins_with_the_instrument(self):
        begin = datetime(2024, 1, 1, tzinfo=UTC)
        found = spans(self.source(), None, {}, NOW, begin)
        assert found[0][0] == begin
        assert len(found) == 5  # a month at a time, where the url can say so
        source = farm("http://127.0.0.1/?a={since}").sources[0]
        assert spans(source, None, {}, NOW, begin) == ((begin, NOW),)

    def test_later_it_begins_a_little_before_what_was_asked_or_is_held(self):
        known = {"until": NOW.isoformat(), "begin": "2024-05-01T00:00:00+00:00"}
        later, held = NOW + 2 * DAY, NOW - 3 * DAY
        assert spans(self.source(), NOW, known, later)[0][0] == NOW - DAY
        assert spans(self.source(), held, known, later)[0][0] == held - DAY

    def test_an_earlier_beginning_is_asked_for_again(self):
        known = {"until": NOW.isoformat(), "begin": "2024-05-01T00:00:00+00:00"}
        source = self.source(begin="2023-01-01")
        assert spans(source, NOW, known, NOW)[0][0] == datetime(2023, 1, 1, tzinfo=UTC)

    def test_a_lost_memory_is_made_up_by_what_is_held(self):
        assert spans(self.source(begin="2020-01-01"), NOW, {}, NOW)[0][0] == NOW - DAY

    def test_the_owed_span_goes_on_where_it_was_broken_off(self):
        source, known = self.source(), {"until": NOW.isoformat(), "begin": "2020-01-01T00:00:00Z"}
        dead = NOW - 100 * DAY
        asked = plan(source, dead, known, NOW)
        assert asked.pieces[0][0] == dead - DAY
        known |= remember_answer(asked, 0, known)
        known |= remember_answer(asked, 1, known)  # and the third failed
        assert spans(source, dead, known, NOW)[0][0] == asked.pieces[1][1] - DAY
        known |= remember_answer(
            Ask(asked.pieces[2:], dead, dead, NOW), len(asked.pieces) - 3, known
        )
        assert spans(source, dead, known, NOW)[0][0] == NOW - 32 * DAY


def simulate(days, speaks, *, each=timedelta(hours=12)):
    """Collects of a year with a station whose readings come or not; what was asked and what is held.

    ``speaks(now)`` gives the days whose readings the service has at that time.
    """
    url = "http://127.0.0.1/?a={since}&b={until}"
    source = farm(url, overlap_h=24, begin="2023-01-01").sources[0]
    known, held, asked = {}, set(), []
    now = datetime(2023, 1, 2, tzinfo=UTC)
    end = now + days * DAY
    while now < end:
        has = speaks(now)
        latest = max(held, default=None)
        one = plan(source, latest, known, now)
        for i, (since, until) in enumerate(one.pieces):
            held |= {day for day in has if since <= day < until}
            asked.append((now, until - since))
            known |= remember_answer(one, i, known)
        now += each
    return held, asked


def every(first, last):
    return {first + i * DAY for i in range((last - first).days)}


BEGIN = datetime(2023, 1, 1, tzinfo=UTC)


@pytest.mark.parametrize("quiet_d", [20, 90, 250])
def test_what_a_station_kept_through_a_long_silence_is_fetched_when_it_speaks_again(quiet_d):
    off, on = BEGIN + 60 * DAY, BEGIN + (60 + quiet_d) * DAY
    held, asked = simulate(365, lambda now: every(BEGIN, min(now, off) if now < on else now))
    assert held >= every(BEGIN, BEGIN + 360 * DAY)
    months = sum((length for _, length in asked), timedelta()) / timedelta(days=31)
    assert len(asked) < 730 + 150
    assert months < 900  # a month a collect while it is silent, and a few times the whole


def test_what_is_uploaded_weeks_after_it_spoke_again_is_found_too():
    off, on = BEGIN + 60 * DAY, BEGIN + 150 * DAY
    late = on + 25 * DAY

    def has(now):
        if now < on:
            return every(BEGIN, min(now, off))
        kept = every(off, on) if now >= late else set()
        return every(BEGIN, off) | every(on, now) | kept

    assert simulate(300, has)[0] >= every(BEGIN, BEGIN + 298 * DAY)


def test_a_dead_station_is_asked_for_whole_ever_more_seldom():
    _, asked = simulate(3 * 365, lambda now: every(BEGIN, min(now, BEGIN + 30 * DAY)))
    whole = {now for now, _ in asked if sum(n == now for n, _ in asked) > 2}
    years = [(now - BEGIN).days // 365 for now in whole]
    by_year = [years.count(year) for year in range(3)]
    assert by_year[0] <= 30
    assert by_year[0] > by_year[1] > by_year[2] >= 1


def test_it_begins_with_the_first_day_at_the_farm_of_the_instruments_that_it_is_of():
    data = tomllib.loads(FARM)
    data["stations"].append({"name": "old", "spells": [{"from": date(2011, 5, 1)}]})
    made = Farm.model_validate(data)
    (source,) = made.sources

    def of(**changed):
        return beginning(made, source.model_copy(update=changed))

    assert of() == of(station=None) == datetime(2020, 1, 1, 6, tzinfo=UTC)
    assert of(station=None, probe=None) == datetime(2011, 5, 1, 6, tzinfo=UTC)
    assert of(station="old", probe=None) == datetime(2011, 5, 1, 6, tzinfo=UTC)
    assert of(begin=date(2018, 3, 1)) == datetime(2018, 3, 1, 6, tzinfo=UTC)
    east = made.place.model_copy(update={"time_zone": "Australia/Adelaide"})
    moved = made.model_copy(update={"place": east})
    assert beginning(moved, source) == datetime(2019, 12, 31, 14, 30, tzinfo=UTC)


TOML = (
    WEB
    + """
url = "URL/?a={since}&b={until}"
time_format = "%Y%m%d%H"
tries = 1
"""
)


class Service:
    """A web service on loopback that may be down, or up with nothing to say."""

    def __init__(self):
        self.now = None
        self.down = self.mute = False
        self.most_h = 0

    def __call__(self, handler):
        if self.down:
            reply(handler, b"", 503)
            return
        self.most_h = max(self.most_h, hourly(handler, until=self.mute or None))


@pytest.fixture
def clock(monkeypatch):
    """``clock(now)`` collects at a faked time; returns what was slept."""
    real, slept = http.fetch_all, []

    def at(folder, now):
        monkeypatch.setattr(http, "fetch_all", partial(real, now=now, sleep=slept.append))
        return collect.collect(folder)

    at.slept = slept
    return at


def held(folder):
    """Readings, hours from the first to the last, readings replaced."""
    return ask(
        folder,
        "SELECT count(*), date_diff('hour', min(time), max(time)) + 1, "
        "(SELECT count(*) FROM superseded_reading), "
        "(SELECT sum(rows_quarantined)::BIGINT FROM delivery) FROM weather_reading",
    )[0]


@pytest.mark.parametrize("how", ["down", "mute"])
def test_three_months_without_the_endpoint_or_its_station(tmp_path, clock, how):
    """First-ever collect from the station's own beginning; then an outage of 93 days; then all is there."""
    service = Service()
    today = datetime.now(UTC).replace(minute=0, second=0, microsecond=0)
    begin = (today - 200 * DAY).date()
    with serving(service) as (url, asked):
        toml = TOML.replace("URL", url).replace("2020-01-01}", f"{begin}}}", 1)
        folder = make(tmp_path / "farm", toml)
        off, on = today - 100 * DAY, today - 7 * DAY
        clock(folder, off)
        count, hours, *_ = held(folder)
        assert count == hours >= 100 * 24 - 24
        assert service.most_h <= 35 * 24
        assert clock.slept.count(1.0) >= 2  # between pieces
        service.down, service.mute = how == "down", off if how == "mute" else False
        for day in range(0, 93, 9):
            notes = clock(folder, off + day * DAY).notes
            assert bool(notes) == (how == "down")
        assert held(folder)[0] == count
        service.down = service.mute = False
        asked.clear()
        for hour in range(3):
            clock(folder, on + timedelta(hours=hour))
        count, hours, doubled, quarantined = held(folder)
        assert count == hours
        assert hours >= 193 * 24 - 24
        assert doubled == 0
        assert quarantined <= 1  # the hour that closes at the station's first midnight
        assert 4 <= len(asked) <= 9
        asked.clear()
        clock(folder, on + timedelta(hours=4))
        assert len(asked) == 1  # and then it is a small question again


def test_a_back_fill_that_breaks_off_goes_on_from_there(tmp_path, clock):
    service = Service()
    today = datetime.now(UTC).replace(minute=0, second=0, microsecond=0)
    begin = (today - 150 * DAY).date()
    broken = {"after": 3}

    def answer(handler):
        broken["after"] -= 1
        if broken["after"] == -1:
            reply(handler, b"", 500)
        else:
            service(handler)

    with serving(answer) as (url, asked):
        toml = TOML.replace("URL", url).replace("2020-01-01}", f"{begin}}}", 1)
        folder = make(tmp_path / "farm", toml)
        assert clock(folder, today).notes
        before = held(folder)
        assert before[0] == before[1]
        asked.clear()
        assert not clock(folder, today).notes
        assert len(asked) == 2  # of five pieces
        count, hours, doubled, _ = held(folder)
        assert count == hours
        assert hours >= 149 * 24
        assert doubled == 0
