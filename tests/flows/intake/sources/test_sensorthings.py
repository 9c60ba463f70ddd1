"""A service on loopback as OGC 18-088 (SensorThings API part 1: Sensing) says: entity sets, $filter,
$expand, $orderby, $top, @iot.nextLink, phenomenonTime as an instant or an interval, resultTime."""

import json
import operator as operators
import re
from datetime import UTC, datetime, timedelta
from functools import partial
from urllib.parse import parse_qsl, quote, unquote, urlencode, urlsplit

import pytest

from flows.intake import collect
from flows.intake.sources import http
from tests.flows.intake.sources.loopback import reply, serving
from tests.flows.loggers import FARM, ask, make

HOUR = timedelta(hours=1)
CELSIUS = {
    "name": "degree Celsius",
    "symbol": "°C",
    "definition": "http://unitsofmeasure.org/ucum.html#para-30",
}
INCH = {"name": "inch", "symbol": "in", "definition": "ucum:[in_i]"}
NO_UNIT = {"name": "", "symbol": "", "definition": ""}


def iso(time):
    return time.strftime("%Y-%m-%dT%H:%M:%SZ")


class Things:
    """One Thing with Datastreams; observations come into being as its clock goes on."""

    def __init__(self, begin):
        self.begin = self.now = begin
        self.streams = {
            1: ("Air temperature", CELSIUS, lambda i: 10 + i % 24, False),
            2: ("Rainfall", INCH, lambda i: round(0.01 * (i % 5), 2), True),
            3: ("Door of the shed", NO_UNIT, lambda i: i % 2, False),
        }
        self.fail_at = None
        self.late = timedelta()
        self.base = ""

    def observations(self):
        """Newest observation last; an hour of rain is an interval."""
        hours = int((self.now - self.begin) / HOUR)
        for i in range(hours):
            end = self.begin + (i + 1) * HOUR
            if end + self.late > self.now:
                continue
            for stream, (_, _, value, interval) in self.streams.items():
                link = f"{self.base}/Observations({i * 10 + stream})"
                yield {
                    "@iot.id": i * 10 + stream,
                    "@iot.selfLink": link,
                    "phenomenonTime": f"{iso(end - HOUR)}/{iso(end)}" if interval else iso(end),
                    "resultTime": iso(end + self.late) if stream == 1 else None,
                    "result": value(i),
                    "Datastream@iot.navigationLink": f"{link}/Datastream",
                    "FeatureOfInterest@iot.navigationLink": f"{link}/FeatureOfInterest",
                    "stream": stream,
                }

    def __call__(self, handler):
        parts = urlsplit(handler.path)
        if parts.path != "/v1.1/Observations":
            reply(handler, b"{}", 404)
            return
        options = dict(parse_qsl(parts.query))
        skip, top = int(options.get("$skip", 0)), min(int(options.get("$top", 100)), 200)
        if self.fail_at is not None and skip >= self.fail_at:
            reply(handler, b"{}", 500)
            return
        found = [o for o in self.observations() if chosen(o, options.get("$filter", ""))]
        assert options.get("$orderby") == "phenomenonTime asc"
        page = [self.shown(o, options.get("$expand", "")) for o in found[skip : skip + top]]
        body = {"@iot.count": len(found), "value": page}
        if skip + top < len(found):
            more = urlencode(options | {"$skip": skip + top}, quote_via=quote)
            body["@iot.nextLink"] = f"{self.base}/Observations?{more}"
        reply(handler, json.dumps(body).encode(), Content_Type="application/json")

    def shown(self, observation, expand):
        number = observation.pop("stream")
        if expand.startswith("Datastream"):
            name, unit, _, _ = self.streams[number]
            observation["Datastream"] = {"@iot.id": number, "name": name, "unitOfMeasurement": unit}
        return observation


def chosen(observation, condition):
    """$filter: comparisons of phenomenonTime, and of the datastream's id, joined by 'and'.

    An interval is later than or at an instant where it begins there (18-088, temporal operators).
    """
    begin = observation["phenomenonTime"].partition("/")[0]
    for part in filter(None, condition.split(" and ")):
        name, operator, value = re.fullmatch(r"(\S+) (ge|gt|lt|le|ne) (\S+)", part).groups()
        left = {"phenomenonTime": begin, "Datastream/@iot.id": str(observation["stream"])}[name]
        if not getattr(operators, operator)(left, value):
            return False
    return True


TOML = (
    FARM[: FARM.index("[[sources]]")]
    + """
[layouts.things]
format = "sensorthings"
step = "1 h"
[layouts.things.columns]
"Air temperature" = {quantity = "air_temp", unit = "degC"}
"Rainfall" = {quantity = "rain", unit = "inch"}
[[sources]]
name = "things"
kind = "http"
layout = "things"
station = "west"
url = "URL/v1.1/Observations?QUERY"
begin = BEGIN
piece_d = 7
tries = 1
"""
)
QUERY = (
    "$filter=phenomenonTime ge {since} and phenomenonTime lt {until} and Datastream/@iot.id ne 3"
    "&$expand=Datastream&$orderby=phenomenonTime asc&$top=100"
).replace(" ", "%20")


def toml_of(url, begin):
    """The farm file of a service at ``url``, asked from the day before ``begin`` on."""
    day = str(begin.date() - timedelta(days=1))
    return TOML.replace("URL", url).replace("QUERY", QUERY).replace("BEGIN", day)


@pytest.fixture
def at(monkeypatch):
    """``at(folder, now)`` collects at a faked time."""
    real = http.fetch_all

    def collect_at(folder, now):
        monkeypatch.setattr(http, "fetch_all", partial(real, now=now, sleep=lambda _: None))
        return collect.collect(folder)

    return collect_at


def landed(folder):
    """Readings with temperature, with rain, hours spanned, sums, replaced, quarantined."""
    return ask(
        folder,
        "SELECT count(air_temp_c), count(rain_mm), date_diff('hour', min(time), max(time)) + 1, "
        "round(sum(rain_mm), 3), (SELECT count(*) FROM superseded_reading), "
        "(SELECT coalesce(sum(rows_quarantined), 0)::BIGINT FROM delivery) FROM weather_reading",
    )[0]


def test_observations_land_resume_and_are_neither_lost_nor_doubled(tmp_path, at):
    today = datetime.now(UTC).replace(hour=12, minute=0, second=0, microsecond=0)
    begin = datetime.combine((today - timedelta(days=25)).date(), datetime.min.time(), UTC)
    things = Things(begin)
    things.now = begin + timedelta(days=16)
    with serving(things) as (url, asked):
        things.base = url + "/v1.1"
        folder = make(tmp_path / "farm", toml_of(url, begin))
        things.fail_at = 200  # the third page of a piece fails: those before it are kept
        assert "500" in " ".join(at(folder, things.now + timedelta(minutes=5)).notes)
        assert landed(folder)[:2] == (100, 100)
        things.fail_at = None
        assert not at(folder, things.now + timedelta(minutes=5)).notes
        hours = 16 * 24
        expected = round(sum(round(0.01 * (i % 5), 2) for i in range(hours)) * 25.4, 3)
        assert landed(folder) == (hours, hours, hours, pytest.approx(expected), 0, 0)
        assert sum("$skip" in unquote(path) for path in asked) >= 6

        asked.clear()
        things.now += timedelta(days=3)
        things.late = timedelta(hours=5)  # results that come hours after what they observe
        at(folder, things.now + timedelta(minutes=5))
        things.now += HOUR
        things.late = timedelta()
        at(folder, things.now + timedelta(minutes=5))
        hours = 19 * 24 + 1
        assert landed(folder)[:3] == (hours, hours, hours)
        assert landed(folder)[4:] == (0, 0)
        assert len(asked) < 20
    ends = ask(folder, "SELECT min(time), max(time) FROM weather_reading")[0]
    assert ends == (begin + HOUR, things.now)  # intervals are stored under their end


def test_a_unit_that_is_not_the_layouts_is_refused_and_mended_by_the_layout(tmp_path, at):
    today = datetime.now(UTC).replace(hour=12, minute=0, second=0, microsecond=0)
    begin = datetime.combine((today - timedelta(days=3)).date(), datetime.min.time(), UTC)
    things = Things(begin)
    things.now = begin + timedelta(days=2)
    with serving(things) as (url, _):
        things.base = url + "/v1.1"
        right = toml_of(url, begin)
        rain = 'unit = "{}"}}\n[[sources]]'
        wrong = right.replace(rain.format("inch"), rain.format("mm"))
        folder = make(tmp_path / "farm", wrong)
        assert at(folder, things.now + timedelta(minutes=5)).refused >= 1
        (cause, found, expected) = ask(folder, "SELECT cause, found, expected FROM quarantine")[0]
        assert (cause, found) == ("another unit", "Rainfall in in")
        assert expected == "mm, as the layout says (or trust_unit = false)"
        folder.farm_toml.write_text(right)
        collect.collect(folder)
    assert landed(folder)[:2] == (48, 48)
