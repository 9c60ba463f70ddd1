"""The digest says what the tables say: every number is theirs, both parts agree, odd farms too."""

from __future__ import annotations

import re
from datetime import date
from html.parser import HTMLParser
from typing import Any

import polars as pl
import pytest

from flows.base.errors import UserError
from flows.pages import render
from flows.pages.cells import Cell, Frame, Line, Picture, cell, say
from flows.pages.digest import make
from flows.pages.reader_units import Show
from flows.pages.sections import harvest, roots
from flows.pages.sections import to_do as hands
from flows.pages.week import Week
from flows.store import query
from schemas import generated
from schemas.catalogue import TABLES
from tests.flows.pages import farm

MADE_ON = date(2024, 9, 9)
NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?")


class Said(HTMLParser):
    """The words of a page as a reader meets them: the body's text, pictures by what they say."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self.tags: list[str] = []
        self.alts: list[str] = []
        self.deaf = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.deaf += tag in ("style", "head", "script")
        if tag == "img":
            self.alts.append(dict(attrs)["alt"] or "")
            self.words.append(self.alts[-1])

    def handle_endtag(self, tag: str) -> None:
        self.deaf -= tag in ("style", "head", "script")

    def handle_data(self, data: str) -> None:
        if not self.deaf:
            self.words.append(data)


def heard(html: str) -> Said:
    said = Said()
    said.feed(html)
    return said


def digest(tables: farm.Kept, week: str, show: Show | None = None) -> tuple[make.Page, str, str]:
    show = show or tables.show()
    found = make.digest(tables, Week.named(week), show, MADE_ON)
    html = render.html(found, show, render.data_uri, "digest.html")
    return found, render.text(found, show), html


def numbers(text: str) -> list[str]:
    return NUMBER.findall(text)


WEEKS = (farm.WEEK_IN_SEASON, farm.WEEK_OF_HARVEST)


@pytest.mark.parametrize("week", WEEKS)
@pytest.mark.parametrize("system", ["metric", "us", "canada"])
def test_html_and_text_say_the_same_numbers_in_the_same_order(tables, week, system):
    _, text, html = digest(tables, week, tables.show(system))
    spoken = " ".join(heard(html).words)
    assert numbers(text) == numbers(spoken)
    assert len(numbers(text)) > 20


@pytest.mark.parametrize("week", WEEKS)
def test_every_number_is_found_in_the_published_tables(published, tables, week):
    show = tables.show("metric")
    found, text, _ = digest(tables, week, show)
    cells = list(found.cells())
    frames = [part.text for part in found.parts() if isinstance(part, Frame)]
    with query.open_published(published) as con:
        for one in cells:
            where = " AND ".join(f"{generated.quoted(name)} IS NOT DISTINCT FROM ?" for name, _ in one.key)  # fmt: skip
            rows = con.execute(
                f"SELECT {generated.quoted(one.column)} FROM {generated.quoted(one.table)} WHERE {where}",
                [value for _, value in one.key],
            ).fetchall()
            assert rows == [(one.value,)], (one.table, one.column, one.key)
    allowed = {n for one in cells for n in numbers(show.cell(one))}
    allowed |= {n for text in frames for n in numbers(text)}
    assert set(numbers(text)) <= allowed


def test_a_sentence_holds_no_number_of_its_own():
    with pytest.raises(ValueError, match="no table vouches"):
        say("It rained 12 mm.")
    row = {"field": "Home", "practice": "x", "area_ha": 64.75}
    told = say("{field} has {area}.", field=cell("field", row, "field"), area=cell("field", row, "area_ha"))  # fmt: skip
    assert Show("us").phrase(told) == "Home has 160\N{NO-BREAK SPACE}ac."
    assert Show("metric").phrase(told) == "Home has 64.8\N{NO-BREAK SPACE}ha."


def test_units_by_hand():
    kg = Cell(2690.0, "response", "response_kg_ha", (), "spring wheat", signed=True)
    show = Show("us", "USD", {"spring wheat": 27.2155})
    # 60 lb wheat: 67.2511 kg/ha a bushel an acre (CHECKS.md)
    assert show.cell(kg) == "+40.0\N{NO-BREAK SPACE}bu/ac"
    assert Show("metric").cell(kg) == "+2.69\N{NO-BREAK SPACE}t/ha"
    money = Cell(100.0, "payback", "cumulative_net_per_ha", ())
    assert show.cell(money) == "40\N{NO-BREAK SPACE}USD/ac"
    assert show.cell(Cell(25.4, "rain_day", "rain_mm", ())) == "1.00\N{NO-BREAK SPACE}in"
    assert show.cell(Cell(20.0, "heat_day", "air_temp_max_c", ())) == "68\N{NO-BREAK SPACE}°F"
    assert show.cell(Cell(None, "rain_day", "rain_mm", ())) == "not known"
    assert show.cell(Cell(-0.001, "rain_day", "departure_mm", (), signed=True)).startswith("0.00")
    sure = Cell(0.998, "payback", "paid_chance", ())
    assert show.cell(sure).startswith("more than 99")


@pytest.mark.parametrize(
    ("coverage", "said"), [(1.0, "100"), (0.9997, "99"), (0.29, "29"), (0.958, "95"), (0.0, "0")]
)
def test_a_coverage_of_part_is_never_rounded_to_the_whole(coverage, said):
    shown = Show("metric").cell(Cell(coverage, "rain_month", "coverage", ()))
    assert shown == f"{said}\N{NO-BREAK SPACE}%"


def test_a_partial_number_is_marked_and_says_why(tables):
    lost = tables.changed(
        lambda name, frame: frame.with_columns(
            pl.lit(True).alias("partial"), pl.lit("the gauge was clogged").alias("reason"),
            pl.lit(0.5).alias("coverage"),
        ) if name == "weather_week" else frame
    )  # fmt: skip
    _, text, html = digest(lost, farm.WEEK_IN_SEASON)
    assert "mm, partial" in text
    for spoken in (text.split(), " ".join(heard(html).words).split()):
        assert "the gauge was clogged" in " ".join(spoken)
        assert "Coverage 50 %" in " ".join(spoken)


@pytest.mark.parametrize(("coverage", "marked"), [(1.0, False), (0.9997, True)])
def test_a_season_of_which_an_hour_is_missing_says_so(tables, coverage, marked):
    season = tables.changed(
        lambda name, frame: frame.with_columns(season_to_date_coverage=pl.lit(coverage))
        if name == "rain_day" else frame
    )  # fmt: skip
    _, text, _ = digest(season, farm.WEEK_IN_SEASON)
    assert "Since seeding" in text
    assert ("(recorded: 99 % of the days)" in " ".join(text.split())) is marked


def test_a_quiet_winter_week_is_five_lines(tables):
    found, text, _ = digest(without_crop(tables), "2024-W15")
    lines = [block for block in found.blocks() if isinstance(block, Line)]
    assert len(lines) + len(found.foot) + 1 <= 5
    assert "Nothing needs hands this week." in text
    assert not [block for block in found.blocks() if isinstance(block, Picture)]


def without_crop(tables: farm.Kept) -> farm.Kept:
    return tables.changed(lambda name, f: f.head(0) if name == "season" else f)


# ---- roots: never more than the table holds --------------------------------------------------


def leads(tables: farm.Kept, **changes: Any) -> str:
    row = {
        "field": "Home", "season": 2024, "depth_cm": 70.0, "crop": "spring wheat",
        "treated_day": date(2024, 6, 25), "check_day": None, "lead_d": None, "lead_low_d": 9.0,
        "known": "treated only", "treated_state": "reached", "check_state": "not seen",
        "coverage": 0.9, "partial": False,
    }  # fmt: skip
    given = tables.with_rows("root_lead", row | changes)
    season = given("season").to_dicts()[0]
    return spoken(given, roots.lines(given, Week.named("2024-W26"), season))


def spoken(tables: farm.Kept, lines: list[Line]) -> str:
    show = tables.show()
    return " ".join(" ".join(render.said(line, show) for line in lines).split())


def to_do(tables: farm.Kept, week: str) -> str:
    return spoken(tables, hands.lines(tables, Week.named(week)))


def test_roots_that_arrived_in_one_strip(tables):
    text = leads(tables)
    assert "The treated strip on Home is drawing at 70 cm since 2024-06-25" in text
    assert "the check is not there yet." in text


def test_a_check_that_was_not_watched_is_not_said_to_be_behind(tables):
    text = leads(tables, check_state="not told")
    assert "not there yet" not in text
    assert "of the check strip it cannot be told" in text


def test_an_arrival_after_the_week_is_not_told_in_it(tables):
    text = leads(tables, treated_day=date(2024, 7, 9))
    assert "drawing" not in text
    text = leads(tables, check_day=date(2024, 7, 9), check_state="reached", lead_d=14.0)
    assert "the check is not there yet" in text
    assert "2024-07-09" not in text


def test_a_lead_whose_interval_holds_none_is_no_lead(tables):
    both = {
        "check_day": date(2024, 6, 28),
        "check_state": "reached",
        "known": "both",
        "lead_d": 3.0,
    }
    assert "cannot be told yet" in leads(tables, **both, lead_low_d=-2.0, lead_high_d=8.0)
    text = leads(tables, **both, lead_low_d=1.0, lead_high_d=5.0)
    assert "cannot be told yet" not in text
    assert "between +1 day and +5 days" in text


# ---- what needs hands ------------------------------------------------------------------------


def test_a_silent_station_is_named_with_its_last_day(tables):
    last = date(2024, 6, 26)
    quiet = tables.changed(
        lambda name, f: f.filter((pl.col("station") != "station T") | (pl.col("day") <= last))
        if name in ("weather_day", "rain_day") else f
    )  # fmt: skip
    text = to_do(quiet, "2024-W26")
    assert "The station station T on Home has sent nothing since 2024-06-26." in text
    assert "station C on Home has sent nothing" not in text


def finding(**changes: Any) -> dict[str, Any]:
    return {
        "kind": "station", "instrument": "station C", "part": "battery", "finding": "battery failing",
        "from_day": date(2024, 6, 20), "to_day": date(2024, 6, 30), "field": "Home", "strip": "check",
        "state": "found", "severity": "hands", "current": True, "battery_min_v": 11.2,
        "fails_day": date(2024, 7, 9), "advice": "Charge it now.", "coverage": 1.0,
    } | changes  # fmt: skip


def test_a_finding_of_the_health_checks_comes_with_its_advice(tables):
    text = to_do(tables.with_rows("station_health", finding()), "2024-W26")
    assert "The station station C, battery: battery failing since 2024-06-20, lowest 11.2 V, likely to fail by 2024-07-09. Charge it now." in text  # fmt: skip


@pytest.mark.parametrize(
    "changes",
    [
        {"severity": "watch"},
        {"state": "good", "severity": None},
        {"from_day": date(2024, 7, 1), "to_day": date(2024, 7, 5)},
        {"from_day": date(2024, 6, 1), "to_day": date(2024, 6, 23)},
    ],
)
def test_what_wants_no_hands_this_week_is_not_told(tables, changes):
    given = tables.with_rows("station_health", finding(**changes))
    assert "battery" not in to_do(given, "2024-W26")


def test_a_probe_to_set_back_comes_with_the_caution(tables):
    spells = [
        {"probe": f"probe {side[0].upper()}", "from_day": farm.invented.FIRST, "to_day": date(2024, 4, 29), "field": "Home", "strip": side}
        for side in ("treated", "check")
    ]  # fmt: skip
    text = to_do(tables.with_rows("probe_spell", *spells), "2024-W19")
    assert "probe T of Home came out on 2024-04-29; the field was seeded on 2024-05-01" in text
    assert "buried services located" in text


def test_a_file_that_could_not_be_read_says_why(tables):
    at = farm.datetime_in("2024-W26")
    refused = {"delivery": "ab", "sha256": "ab", "sequence": 1, "received_at": at, "name": "x <b>.csv", "state": "refused", "reason": "no column is known"}  # fmt: skip
    _, text, html = digest(tables.with_rows("delivery", refused), "2024-W26")
    assert "The file x <b>.csv could not be read: no column is known" in " ".join(text.split())
    assert "x &lt;b&gt;.csv" in html


# ---- harvest and money -----------------------------------------------------------------------


def test_harvest_tells_yield_response_and_money_with_cautions(tables):
    text = " ".join(digest(tables, farm.WEEK_OF_HARVEST)[1].split())
    assert "Home 2024, spring wheat: treated" in text
    assert "with a certainty of nineteen in twenty" in text
    assert "deep tillage of 2023-09-20" in text
    assert "evidence from one farm, not advice" in text
    assert "Harvest and money" not in digest(tables, farm.WEEK_IN_SEASON)[1]


@pytest.mark.parametrize(("verdict", "words"), [("gain", "That is a gain."), ("not shown", "not shown, which is not the same as no difference")])  # fmt: skip
def test_the_verdict_is_the_tables_own(tables, verdict, words):
    given = tables.changed(
        lambda name, f: (
            f.with_columns(pl.lit(verdict).alias("verdict")) if name == "response" else f
        )
    )
    assert words in spoken(given, harvest.response(given, "Home", 2024))


# ---- odd farms -------------------------------------------------------------------------------

NASTY = '<script>alert("x")</script> & "Söhne" $x_1$'
LONG = "The field behind the old elevator that nobody has ever found another name for " * 1
OTHER = "北の畑 Поле ٣"


def renamed(tables: farm.Kept, name: str) -> farm.Kept:
    return tables.changed(
        lambda _, f: f.with_columns(pl.col("field").replace({"Home": name}))
        if "field" in f.columns and f.schema["field"] == pl.String else f
    )  # fmt: skip


@pytest.mark.parametrize("name", [NASTY, LONG, OTHER])
@pytest.mark.parametrize("week", WEEKS)
def test_names_of_any_kind(tables, name, week):
    found, text, html = digest(renamed(tables, name), week)
    assert "<script" not in html
    said = heard(html)
    assert " ".join(name.split()) in " ".join(" ".join(said.words).split())
    assert set(said.tags) <= {"html", "head", "meta", "title", "style", "body", "main", "h1", "h2", "p", "small", "div", "table", "caption", "thead", "tbody", "tr", "th", "td", "figure", "img"}  # fmt: skip
    assert name.split()[0] in text
    assert [p for p in found.blocks() if isinstance(p, Picture)]


def only(names: tuple[str, ...]):
    return lambda name, f: f.head(0) if name in names else f


SOIL = ("probe_spell", "soil_day", "soil_quality_day", "soil_water_day", "drawdown_day", "drawdown_week", "drawdown_season", "root_lead", "root_front_day", "root_arrival", "rain_event", "capture_season", "water_use_season")  # fmt: skip


def test_a_farm_with_no_probes(tables):
    _, text, html = digest(tables.changed(only(SOIL)), farm.WEEK_IN_SEASON)
    assert "Rain on Home" in text
    assert "Soil water left" not in text
    assert "probe" not in text
    assert "None" not in html


def test_a_farm_with_one_strip(tables):
    alone = tables.changed(
        lambda name, f: f.filter(pl.col("strip").is_null() | (pl.col("strip") == "treated"))
        if "strip" in f.columns else f
    ).changed(only(("response", "payback", "root_lead", "drawdown_week")))  # fmt: skip
    for week in WEEKS:
        found, text, _ = digest(alone, week)
        assert "Rain on Home" in text
        assert "check strip" not in " ".join(text.split())
        assert found.sections


def test_a_farm_with_no_normals(tables):
    bare = tables.changed(
        lambda _, f: f.with_columns(pl.lit(None).cast(f.schema[c]).alias(c) for c in f.columns if "normal" in c or c == "departure_mm")
    )  # fmt: skip
    text = " ".join(digest(bare, farm.WEEK_IN_SEASON)[1].split())
    assert "no normal is known" in text
    assert "None" not in text
    assert "nan" not in text


def test_the_first_week_and_one_with_nothing_at_all(tables):
    first = tables.changed(
        lambda _, f: f.filter(pl.col("day") <= date(2024, 4, 7)) if f.schema.get("day") == pl.Date else f
    )  # fmt: skip
    assert "2024-W14" in digest(first, "2024-W14")[1]
    _, text, _ = digest(farm.Kept({}), "2024-W14")
    assert "There is no field in the field book yet." in text


def test_weeks_are_named_as_iso_has_them():
    assert Week.named("2025-W01").monday == date(2024, 12, 30)
    assert Week.named("2020w53").sunday == date(2021, 1, 3)
    assert Week.of(date(2024, 12, 31)).name == "2025-W01"
    for wrong in ("2025-W54", "2023-W53", "23", "last"):
        with pytest.raises(UserError, match="not a week"):
            Week.named(wrong)


def test_all_sections_use_declared_tables_only(tables):
    for week in WEEKS:
        for one in digest(tables, week)[0].cells():
            assert one.column in TABLES[one.table].names
