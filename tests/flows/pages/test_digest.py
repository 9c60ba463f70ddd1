"""The digest says what the tables say: every number is theirs, both parts agree, odd farms too."""

from __future__ import annotations

from datetime import date
from typing import Any

import polars as pl
import polars.selectors as cs
import pytest

from flows.base.errors import UserError
from flows.pages.cells import Cell, Frame, Line, Picture, say, say_row
from flows.pages.reader_units import Show
from flows.pages.sections import harvest, roots, to_do
from flows.pages.week import Week
from flows.store import query
from schemas import generated
from schemas.catalogue import TABLES
from tests.flows.pages import farm
from tests.flows.pages.page_text import PageReader, digest, flat, numbers, told

WEEKS = (farm.WEEK_IN_SEASON, farm.WEEK_OF_HARVEST)


@pytest.mark.parametrize("week", WEEKS)
@pytest.mark.parametrize("system", ["metric", "us", "canada"])
def test_html_and_text_say_the_same_numbers_in_the_same_order(tables, week, system):
    _, text, html = digest(tables, week, tables.show(system))
    assert numbers(text) == numbers(PageReader(html).words)
    assert len(numbers(text)) > 20


@pytest.mark.parametrize("week", WEEKS)
def test_every_number_is_found_in_the_published_tables(published, tables, week):
    show = tables.show("metric")
    found, text, _ = digest(tables, week, show)
    cells = list(found.cells())
    frames = [part.text for part in found.parts() if isinstance(part, Frame)]
    with query.open_published(published) as con:
        for one in cells:
            column, table = generated.quoted(one.column), generated.quoted(one.table)
            same = [f"{generated.quoted(name)} IS NOT DISTINCT FROM ?" for name, _ in one.key]
            sql = f"SELECT {column} FROM {table} WHERE {' AND '.join(same)}"
            rows = con.execute(sql, [value for _, value in one.key]).fetchall()
            assert rows == [(one.value,)], (one.table, one.column, one.key)
    shown = [show.cell(one) for one in cells]
    allowed = {number for text in (*shown, *frames) for number in numbers(text)}
    assert set(numbers(text)) <= allowed


def test_a_sentence_holds_no_number_of_its_own():
    with pytest.raises(ValueError, match="no table vouches"):
        say("It rained 12 mm.")
    row = {"field": "Home", "practice": "x", "area_ha": 64.75}
    sentence = say_row("field", row, "{field} has {area_ha}.")
    assert Show("us").phrase(sentence) == "Home has 160\N{NO-BREAK SPACE}ac."
    assert Show("metric").phrase(sentence) == "Home has 64.8\N{NO-BREAK SPACE}ha."
    signed = say_row("field", row, "{area_ha:+}")
    assert Show("metric").phrase(signed) == "+64.8\N{NO-BREAK SPACE}ha"


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
    assert shown == f"{said}%"


def test_a_partial_number_is_marked_and_says_why(tables):
    clogged = {"partial": True, "reason": "the gauge was clogged", "coverage": 0.5, "days_whole": 4}
    columns = [pl.lit(value).alias(name) for name, value in clogged.items()]
    lost = tables.changed(lambda weeks: weeks.with_columns(columns), "weather_week")
    _, text, html = digest(lost, farm.WEEK_IN_SEASON)
    assert "mm, partial" in text
    for words in (flat(text), PageReader(html).words):
        assert "the gauge was clogged" in words
        assert "(rain recorded on 4 of 7 days)" in words
        assert "Partial: rain on Home: recorded on 4 of 7 days." in words


@pytest.mark.parametrize(("coverage", "marked"), [(1.0, False), (0.95, False), (0.9497, True)])
def test_coverage_is_said_below_95_percent_only(tables, coverage, marked):
    recorded = pl.lit(coverage).alias("season_to_date_coverage")
    season = tables.changed(lambda days: days.with_columns(recorded), "rain_day")
    _, text, _ = digest(season, farm.WEEK_IN_SEASON)
    assert "since seeding" in text
    assert ("rain recorded on 94% of the days" in flat(text)) is marked
    assert (" mm, partial; water" in flat(text).replace("\N{NO-BREAK SPACE}", " ")) is marked


def test_a_quiet_winter_week_is_five_lines(tables):
    found, text, _ = digest(tables.without("season"), "2024-W15")
    lines = [block for block in found.blocks() if isinstance(block, Line)]
    assert len(lines) + len(found.foot) + 1 <= 5
    assert "Nothing to do this week." in text
    assert not [block for block in found.blocks() if isinstance(block, Picture)]


# ---- roots: never more than the table holds --------------------------------------------------


def leads(tables: farm.MemoryTables, **changes: Any) -> str:
    row = (
        {"field": "Home", "season": 2024, "depth_cm": 70.0, "crop": "spring wheat"}
        | {"treated_day": date(2024, 6, 25), "treated_state": "reached"}
        | {"check_day": None, "check_state": "not seen"}
        | {"known": "treated only", "lead_d": None, "lead_low_d": 9.0}
        | {"coverage": 0.9, "partial": False}
    )
    given = tables.with_rows("root_lead", row | changes)
    season = given("season").to_dicts()[0]
    return told(given, roots.lines(given, Week.named("2024-W26"), season))


def tasks(tables: farm.MemoryTables, week: str) -> str:
    return told(tables, [cause.line for cause in to_do.causes(tables, Week.named(week))])


def test_roots_that_arrived_in_one_strip(tables):
    text = leads(tables)
    assert "The treated strip on Home is drawing at 70 cm since 25 June 2024" in text
    assert "the check is not there yet." in text


@pytest.mark.parametrize(("coverage", "said"), [(1.0, ""), (0.95, ""), (0.949, "94%")])
def test_a_sentence_says_its_coverage_below_95_percent_only(tables, coverage, said):
    text = leads(tables, coverage=coverage)
    assert ("of the data" in text) is bool(said)
    assert (f"Based on {said} of the data." in text) is bool(said)


def test_a_check_that_was_not_watched_is_not_said_to_be_behind(tables):
    text = leads(tables, check_state="not told")
    assert "not there yet" not in text
    assert "for the check strip it is not known" in text


def test_an_arrival_after_the_week_is_left_out(tables):
    text = leads(tables, treated_day=date(2024, 7, 9))
    assert "drawing" not in text
    text = leads(tables, check_day=date(2024, 7, 9), check_state="reached", lead_d=14.0)
    assert "the check is not there yet" in text
    assert "9 July" not in text


def test_a_lead_whose_interval_holds_none_is_no_lead(tables):
    both = {
        "check_day": date(2024, 6, 28),
        "check_state": "reached",
        "known": "both",
        "lead_d": 3.0,
    }
    assert "is not known yet" in leads(tables, **both, lead_low_d=-2.0, lead_high_d=8.0)
    text = leads(tables, **both, lead_low_d=1.0, lead_high_d=5.0)
    assert "is not known yet" not in text
    assert "between +1 day and +5 days" in text


# ---- to do this week -------------------------------------------------------------------------


def test_a_silent_station_is_named_with_its_last_day(tables):
    last = date(2024, 6, 26)
    heard = (pl.col("station") != "station T") | (pl.col("day") <= last)
    quiet = tables.changed(lambda days: days.filter(heard), "weather_day", "rain_day")
    text = tasks(quiet, "2024-W26")
    assert "The station station T on Home has sent nothing since 26 June 2024." in text
    assert "station C on Home has sent nothing" not in text


def finding(**changes: Any) -> dict[str, Any]:
    row = (
        {"kind": "station", "instrument": "station C", "field": "Home", "strip": "check"}
        | {"part": "battery", "finding": "battery failing", "battery_min_v": 11.2}
        | {"from_day": date(2024, 6, 20), "to_day": date(2024, 6, 30), "current": True}
        | {"state": "found", "severity": "hands", "fails_day": date(2024, 7, 9)}
    )
    return row | {"advice": "Charge it now.", "coverage": 1.0} | changes


def test_a_finding_of_the_health_checks_comes_with_its_advice(tables):
    text = tasks(tables.with_rows("station_health", finding()), "2024-W26")
    assert (
        "The station station C: battery failing since 20 June 2024, lowest 11.2 V, "
        "likely to fail by 9 July 2024. Charge it now."
    ) in text


def test_depths_of_one_cause_are_one_line_with_the_cause(tables):
    flagged = {"kind": "probe", "instrument": "probe T", "finding": "flagged as suspect"}
    rows = [
        finding(**flagged, part=f"{depth} cm", depth_cm=depth, cause="by its network: D05")
        | {"battery_min_v": None, "fails_day": None}
        for depth in (50.0, 10.0)
    ]
    text = tasks(tables.with_rows("station_health", *rows), "2024-W26")
    assert (
        "The probe probe T, 10 cm and 50 cm: flagged as suspect since 20 June 2024 "
        "(by its network: D05). Charge it now."
    ) in text


def test_rain_in_question_is_said_in_the_readers_unit(tables):
    rain = {"part": "rain gauge", "finding": "rain doubtful", "rain_in_question_mm": 254.0}
    row = finding(**rain, cause="too much", battery_min_v=None, fails_day=None)
    text = tasks(tables.with_rows("station_health", row), "2024-W26")
    assert "rain gauge: rain doubtful since 20 June 2024, 254 mm (too much)." in text


@pytest.mark.parametrize(
    ("changes", "silent"),
    [
        ({"finding": "flagged as suspect", "part": "10 cm"}, False),
        ({"finding": "set aside", "part": "whole"}, False),
        ({"finding": "set aside", "part": "10 cm"}, True),
        ({"finding": "flagged as suspect", "instrument": "probe C"}, True),
        ({"finding": "set aside", "part": "whole", "to_day": date(2024, 6, 10)}, True),
    ],
)
def test_what_is_flagged_or_set_aside_is_not_silent(tables, changes, silent):
    heard = (pl.col("probe") != "probe T") | (pl.col("day") < date(2024, 6, 1))
    tables = tables.changed(lambda days: days.filter(heard), "soil_day")
    row = {
        "kind": "probe",
        "instrument": "probe T",
        "from_day": date(2024, 6, 1),
        "severity": "watch",
    }
    text = tasks(tables.with_rows("station_health", finding(**row | changes)), "2024-W26")
    assert ("The probe probe T on Home has sent nothing since" in text) is silent


def test_what_could_not_be_made_and_what_was_left_out_are_to_do(tables):
    week = date.fromisocalendar(2024, 26, 3)
    value = {"table_name": "soil_day", "column_name": "vwc_max_pct", "lost": "value"}
    value |= {"reason": "above 100", "instrument": "probe T"}
    failed = {"column_name": "", "row_key": "", "lost": "table"}
    text = tasks(
        tables.with_rows(
            "derive_problem",
            failed | {"table_name": "rain_day", "reason": "division by zero"},
            failed | {"table_name": "rain_month", "reason": "it is made from rain_day"},
            value | {"row_key": "a", "day": week},
            value | {"row_key": "b", "day": week, "instrument": "probe C"},
            value | {"row_key": "c", "day": date(2020, 6, 1), "reason": "below 0"},
        ),
        "2024-W26",
    )
    assert "The table rain_day could not be made (division by zero)" in text
    assert "rain_month" not in text
    assert text.count("Values of vwc_max_pct in the table soil_day were left out (above 100)") == 1
    assert "below" not in text


@pytest.mark.parametrize(
    "changes",
    [
        {"severity": "watch"},
        {"state": "good", "severity": None},
        {"from_day": date(2024, 7, 1), "to_day": date(2024, 7, 5)},
        {"from_day": date(2024, 6, 1), "to_day": date(2024, 6, 23)},
    ],
)
def test_a_finding_with_nothing_to_do_this_week_is_left_out(tables, changes):
    given = tables.with_rows("station_health", finding(**changes))
    assert "battery" not in tasks(given, "2024-W26")


def test_a_probe_to_set_back_comes_with_the_caution(tables):
    days = {"from_day": farm.invented.FIRST, "to_day": date(2024, 4, 29)}
    spells = [
        {"probe": f"probe {strip[0].upper()}", "field": "Home", "strip": strip} | days
        for strip in ("treated", "check")
    ]
    text = tasks(tables.with_rows("probe_spell", *spells), "2024-W19")
    assert text.count("Reinstall the probes") == 1
    assert "probe T of Home (out since 29 April 2024; seeded on 1 May 2024)" in text
    assert "buried utilities located before you dig (811 in the US" in text


def test_a_file_that_could_not_be_read_says_why(tables):
    at = farm.datetime_in("2024-W26")
    refused = {
        "delivery": "ab",
        "sha256": "ab",
        "sequence": 1,
        "received_at": at,
        "name": "x <b>.csv",
        "state": "refused",
        "reason": "no column is known",
    }
    _, text, html = digest(tables.with_rows("delivery", refused), "2024-W26")
    assert "The file x <b>.csv could not be read: no column is known" in flat(text)
    assert "x &lt;b&gt;.csv" in html


# ---- harvest and money -----------------------------------------------------------------------


def test_harvest_gives_yield_response_and_money_with_cautions(tables):
    text = flat(digest(tables, farm.WEEK_OF_HARVEST)[1])
    assert "Home 2024, spring wheat: treated" in text
    assert "95% interval" in text
    assert "deep tillage of 20 September 2023" in text
    assert "evidence from one farm, not advice" in text
    assert "Harvest and money" not in digest(tables, farm.WEEK_IN_SEASON)[1]


@pytest.mark.parametrize(
    ("verdict", "words"),
    [
        ("gain", "That is a gain."),
        ("not shown", "not shown, which is not the same as no difference"),
    ],
)
def test_the_verdict_is_the_tables_own(tables, verdict, words):
    given = tables.changed(lambda f: f.with_columns(verdict=pl.lit(verdict)), "response")
    assert words in told(given, harvest.response(given, "Home", 2024))


# ---- odd farms -------------------------------------------------------------------------------

LONG = "The field behind the old elevator that nobody has ever found another name for "
OTHER = "北の畑 Поле ٣"
TAGS = {
    *("html", "head", "meta", "title", "style", "body", "main", "h1", "h2", "p", "small", "div"),
    *("table", "caption", "thead", "tbody", "tr", "th", "td", "figure", "img", "span"),
}
SOIL = (
    *("probe_spell", "soil_day", "soil_quality_day", "soil_water_day", "rain_event"),
    *("drawdown_day", "drawdown_week", "drawdown_season", "water_use_season", "capture_season"),
    *("root_lead", "root_front_day", "root_arrival"),
)


@pytest.mark.parametrize("name", [farm.HOSTILE_NAME, LONG, OTHER])
@pytest.mark.parametrize("week", WEEKS)
def test_names_of_any_kind(tables, name, week):
    found, text, html = digest(tables.with_field_named(name), week)
    assert "<script" not in html
    reader = PageReader(html)
    assert flat(name) in reader.words
    assert set(reader.tags) <= TAGS
    assert name.split()[0] in text
    assert [p for p in found.blocks() if isinstance(p, Picture)]


def test_a_farm_with_no_probes(tables):
    _, text, html = digest(tables.without(*SOIL), farm.WEEK_IN_SEASON)
    assert "Home: rain" in text
    assert "Soil water by depth" not in text
    assert "probe" not in text
    assert "None" not in html


def test_a_farm_with_one_strip(tables):
    treated = pl.col("strip").is_null() | (pl.col("strip") == "treated")
    alone = tables.changed(lambda f: f.filter(treated) if "strip" in f.columns else f)
    alone = alone.without("response", "payback", "root_lead", "drawdown_week")
    for week in WEEKS:
        found, text, _ = digest(alone, week)
        assert "Home: rain" in text
        assert "check strip" not in flat(text)
        assert found.sections


def test_a_farm_with_no_normals(tables):
    normals = cs.contains("normal") | cs.by_name("departure_mm", require_all=False)
    bare = tables.changed(lambda f: f.with_columns(pl.when(False).then(normals).name.keep()))
    text = flat(digest(bare, farm.WEEK_IN_SEASON)[1])
    assert "No normal rain is known" in text
    assert "None" not in text
    assert "nan" not in text


def test_the_first_week_and_one_with_nothing_at_all(tables):
    early = pl.col("day") <= date(2024, 4, 7)
    first = tables.changed(lambda f: f.filter(early) if f.schema.get("day") == pl.Date else f)
    assert "1 to 7 April 2024" in digest(first, "2024-W14")[1]
    _, text, _ = digest(farm.MemoryTables({}), "2024-W14")
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


def test_available_water_of_the_profile_and_the_demand_it_met(tables):
    day = {"field": "Home", "day": date(2024, 6, 29), "soil_depth_cm": 120.0, "coverage": 1.0}
    water = {"available_water_mm": 84.0, "available_water_share": 0.42, "partial": False}
    given = tables.with_rows(
        "profile_water_day",
        day | water | {"strip": "treated", "demand_met_share": 0.9},
        day | water | {"strip": "check", "available_water_mm": 71.5},
        day | water | {"strip": "check", "day": date(2024, 7, 1), "available_water_mm": 1.0},
    )
    _, text, _ = digest(given, farm.WEEK_IN_SEASON, given.show("metric"))
    assert (
        "Available water down to 120 cm on Home: treated 84.0 mm (42% of what the soil can hold), "
        "which met 90% of the crop's demand in the last days; check 71.5 mm (42% of what the soil "
        "can hold)." in flat(text).replace("\N{NO-BREAK SPACE}", " ")
    )


def test_stress_days_of_the_week_and_since_seeding(tables):
    day = {"field": "Home", "day": date(2024, 6, 29), "season": 2024, "stress_level_share": 0.45}
    day |= {"week_known_d": 7, "season_known_d": 50, "coverage": 1.0, "partial": False}
    given = tables.with_rows(
        "stress_day",
        day | {"strip": "treated", "week_stress_d": 2, "season_stress_d": 9},
        day | {"strip": "check", "week_stress_d": 5, "season_stress_d": 16},
        day
        | {"strip": "check", "day": date(2024, 7, 1), "week_stress_d": 6, "season_stress_d": 17},
    )
    _, text, _ = digest(given, farm.WEEK_IN_SEASON, given.show("metric"))
    assert (
        "Stress days on Home (profile below 45% of its available water): treated 2 of 7 days this week, "
        "9 of 50 since seeding; check 5 of 7 days this week, 16 of 50 since seeding."
        in flat(text).replace("\N{NO-BREAK SPACE}", " ")
    )


# ---- over all site-years ----------------------------------------------------------------------


def pooled(measure: str, unit: str, gain: float, half: float, **more: Any) -> dict[str, Any]:
    return {
        "practice": "deep tillage",
        "measure": measure,
        "layer": "all",
        "site_years": 12,
        "fields": 4,
        f"gain_{unit}": gain,
        f"gain_low_{unit}": gain - half,
        f"gain_high_{unit}": gain + half,
        "compared": 12,
        "ahead": 11,
        "bounded": 0,
        "verdict": "more",
        "coverage": 1.0,
        "partial": False,
        **more,
    }


EVIDENCE = (
    pooled("root lead", "d", 7.0, 3.0, layer="50", depth_cm=50.0),
    pooled("root lead", "d", 1.0, 3.0, layer="20", depth_cm=20.0, verdict="not shown"),
    pooled("water use efficiency", "pct", 6.0, 9.0, verdict="not shown"),
    pooled("winter recharge", "mm", 18.0, 5.0, verdict="not shown"),
    pooled("rain capture", "pct", 4.0, 2.0) | {"gain_pct": None, "verdict": "too few"},
)


def test_the_evidence_of_all_site_years_is_said_after_a_harvest(tables):
    given = tables.with_rows("evidence_pooled", *EVIDENCE)
    _, text, html = digest(given, farm.WEEK_OF_HARVEST, given.show("metric"))
    words = flat(text).replace("\N{NO-BREAK SPACE}", " ")
    assert (
        "Lead of the treated strip's roots over all site-years of the deep tillage: at 20 cm +1 day "
        "(95% interval -2 days to +4 days), ahead in 11 of 12; at 50 cm +7 days (95% interval "
        "+4 days to +10 days), ahead in 11 of 12. It is shown at 50 cm, not at the others." in words
    )
    assert "Water use efficiency, treated minus check" in words
    assert "(95% interval -3% to +15%); more in 11 of 12. A difference is not shown." in words
    # An interval without zero and a verdict of 'not shown' are reconciled.
    assert "+13.0 mm to +23.0 mm); more in 11 of 12. With so many comparisons" in words
    assert "Rain captured" not in words
    assert numbers(text) == numbers(PageReader(html).words)
    assert "over all site-years" not in digest(given, farm.WEEK_IN_SEASON)[1]
