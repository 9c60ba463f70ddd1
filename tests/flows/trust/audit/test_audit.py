import re
from datetime import UTC, datetime
from itertools import islice

import pytest
from typer.testing import CliRunner

from flows.base.errors import UserError
from flows.cli import app
from flows.run import steps
from flows.store import publish, warehouse
from flows.trust.audit import audit, cross_checks, declared_limits, evaluate, page
from flows.trust.audit.carried import Carried
from flows.trust.audit.outcome import Outcome
from schemas.catalogue import TABLES
from tests.flows import invented
from tests.flows.trust.audit.sound_farm import filled


def whole(con):
    """The outcomes of an audit that knows no earlier one."""
    return evaluate.evaluate(con, Carried({}, datetime.now(UTC)))


def failed(outcomes):
    return {(o.table, o.column, o.expectation) for o in outcomes if o.state == "failed"}


# Each breaks one thing in the stored tables, behind the back of the checks on write: the table (and
# column) and the expectation that fails then, and below it the SQL that breaks it.
BROKEN = """
weather_day.air_temp_mean_c: is within -90 to 60
    UPDATE weather_day SET air_temp_mean_c = 400 WHERE rowid = 0

soil_quality_day.quality: is one of its words
    UPDATE soil_quality_day SET quality = 'splendid' WHERE rowid = 0

derive_problem: every table could be made
    INSERT INTO derive_problem BY NAME
    SELECT 'rain_day' AS table_name, '' AS column_name, '' AS row_key, 'table' AS lost, 'x' AS reason

derive_problem: nothing made had to be left out
    INSERT INTO derive_problem BY NAME
    SELECT 'rain_day' AS table_name, 'rain_mm' AS column_name, 'x' AS row_key, 'value' AS lost,
        'below 0' AS reason

rain_day: has each key once
    INSERT INTO rain_day FROM rain_day LIMIT 1

heat_day: has the declared columns and types
    ALTER TABLE heat_day ALTER COLUMN partial TYPE VARCHAR

weather_reading: is of a known station, in its spell
    UPDATE kept.weather_reading SET station = 'nobody' WHERE rowid = 400

soil_reading: is of a known sensor, its probe in the soil
    UPDATE kept.soil_reading SET depth_cm = list_concat([77.0], depth_cm[2:])
    WHERE time = (SELECT max(time) FROM soil_reading)

weather_day: the day's extremes and rain are those of its readings
    UPDATE weather_day SET rain_mm = rain_mm + 1

soil_day: the day's extremes are those of its readings
    UPDATE soil_day SET vwc_max_pct = vwc_max_pct + 1

soil_day: the mean lies between lowest and highest
    UPDATE soil_day SET vwc_mean_pct = vwc_min_pct - 1

soil_water_day: storage is within what the soil's pores hold
    UPDATE soil_water_day SET storage_mm = 7.1 * (layer_bottom_cm - layer_top_cm)

rain_month: a month's rain is the sum of its days
    UPDATE rain_month SET rain_mm = rain_mm + 0.1

rain_month: coverage is no more than the days that were recorded
    UPDATE rain_month SET coverage = 1

delivery: rows in are landed, quarantined or duplicate
    UPDATE delivery SET rows_landed = 1 WHERE rows_in = 3

quarantine: belongs to a delivery
    INSERT INTO quarantine (delivery, line, column_name, extent, cause)
    VALUES ('gone', 1, '', 'row', 'x')

response: both strips were weighed
    INSERT INTO response (
        strip, against, field, season, blocks, response_kg_ha, treated_kg_ha, check_kg_ha
    )
    VALUES ('treated', 'check', 'a', 2024, 0, 50, 100, 10)

response: is treated minus check
    INSERT INTO response (
        strip, against, field, season, blocks, response_kg_ha, treated_kg_ha, check_kg_ha
    )
    VALUES ('treated', 'check', 'a', 2023, 0, 50, 100, 10)

root_arrival: no roots before emergence or faster than any crop's
    INSERT INTO root_arrival BY NAME
    SELECT 'a' AS field, 2020 AS season, 'check' AS strip, 'treated' AS against,
        30 AS depth_cm, 'reached' AS state,
        DATE '2020-05-01' AS day, DATE '2020-05-02' AS possible_from, false AS partial

root_arrival: roots come to the upper depth first, or the row says that it is doubtful
    INSERT INTO root_arrival BY NAME
    SELECT 'a' AS field, 2021 AS season, 'check' AS strip, 'treated' AS against, depth_cm, 'reached' AS state,
        DATE '2021-05-01' + (50 - depth_cm)::INT AS day, day AS earliest_day, day AS latest_day,
        false AS partial
    FROM (VALUES (30), (50)) t (depth_cm)

root_arrival: roots come to no depth while a sensor above it is quiet
    INSERT INTO root_arrival BY NAME
    SELECT 'a' AS field, 2022 AS season, 'check' AS strip, 'treated' AS against, depth_cm, state, false AS partial,
        CASE WHEN state = 'reached' THEN DATE '2022-06-01' END AS day, day AS latest_day,
        CASE WHEN state = 'not seen' THEN DATE '2022-08-01' END AS quiet_until_day
    FROM (VALUES (30, 'not seen'), (50, 'reached')) t (depth_cm, state)

drawdown_season: shares of a strip are one together
    INSERT INTO drawdown_season BY NAME
    SELECT 'a' AS field, 2020 AS season, strip, 'other' AS against, depth_cm, 0.6 AS uptake_share, 30 AS days,
        20 AS uptake_mm, false AS partial
    FROM (VALUES ('check'), ('treated')) s (strip), (VALUES (30), (50)) t (depth_cm)

rain_day: what is partial says why
    UPDATE rain_day SET partial = true, reason = NULL

weather_reading: names a delivery
    DELETE FROM delivery

weather_day: stations on a trial were heard in the week before the latest delivery
    UPDATE delivery SET last_reading = last_reading + INTERVAL 30 DAY

capture_season: a season without capture of rain says why
    UPDATE capture_season SET capture_treated = NULL, partial = NULL, reason = NULL

rain_event: not all rain of a field falls in winter
    INSERT INTO rain_event (
        field, strip, against, began, ended, day, by_days, winter, both_strips, rain_mm
    )
    SELECT 'a', 'check', 'treated', began, began + INTERVAL 1 HOUR, CAST(began AS DATE), false, true, false, 9
    FROM (SELECT TIMESTAMPTZ '2024-06-01 12:00+00' + i * INTERVAL 3 DAY AS began FROM range(10) r (i))

evapotranspiration_day: a season with reference evapotranspiration has the crop's
    INSERT INTO evapotranspiration_day (station, day, field, season, reference_et_mm, reason)
    SELECT 'z', DATE '1990-06-01' + CAST(i AS INTEGER), 'a', 1990, 5.0, 'snow'
    FROM range(40) r (i)
"""


# Tables of which twenty days have too little for a check to look at.
RARE = (
    "response",
    "quarantine",
    "rain_event",
    "evapotranspiration_day",
    "root_arrival",
    "drawdown_season",
)


def broken():
    """The SQL that breaks each, and the table, column and expectation that fail then."""
    for block in BROKEN.strip().split("\n\n"):
        head, sql = block.split("\n", 1)
        place, expectation = head.split(": ", 1)
        table, _, column = place.partition(".")
        yield sql, (table, column, expectation)


def test_a_sound_warehouse_holds(sound):
    outcomes = whole(sound)
    assert failed(outcomes) == set()
    held = {(o.table, o.expectation) for o in outcomes if o.state == "held"}
    assert {(t, w) for _, (t, _, w) in broken() if t not in RARE} <= held
    unknown = [o for o in outcomes if o.state == "not evaluated"]
    assert ("response", "is treated minus check") in {(o.table, o.expectation) for o in unknown}
    assert all(o.looked == 0 and o.said for o in unknown)


@pytest.mark.parametrize("part", range(2))
def test_each_fault_is_found_and_no_other_table_is_blamed(sound, part):
    wanted = set()
    # Faults that would hide one another are put into different runs.
    for sql, what in islice(broken(), part, None, 2):
        sound.execute(sql)
        wanted.add(what)
    outcomes = whole(sound)
    found = failed(outcomes)
    assert wanted <= found, wanted - found
    assert {t for t, _, _ in found} <= {t for t, _, _ in wanted} | {"soil_reading", "weather_day"}
    for o in outcomes:
        if o.state == "failed":
            assert o.said
            assert o.unmet is None or 0 < o.unmet <= o.looked


def test_every_declared_limit_becomes_an_expectation():
    for table in TABLES.values():
        made = {(e.column, e.kind) for e in declared_limits.expectations(table)}
        for column in table.columns:
            assert ((column.name, "ExpectColumnValuesToNotBeNull") in made) == column.required
            limited = column.low is not None or column.high is not None
            assert ((column.name, "ExpectColumnValuesToBeBetween") in made) == limited
            assert ((column.name, "ExpectColumnValuesToBeInSet") in made) == bool(column.one_of)
    assert len({(a.table, a.words) for a in cross_checks.checks()}) == len(cross_checks.checks())


def test_an_audit_is_published_written_down_and_old_ones_thinned(folder, monkeypatch):
    monkeypatch.setattr(audit, "KEPT_AUDITS", 1)
    few = ("audit_result", "farm", "rain_month", "soil_reading", "weather_reading")
    monkeypatch.setattr(evaluate, "TABLES", {name: TABLES[name] for name in few})
    with pytest.raises(UserError, match="nothing to audit"):
        audit.audit(folder)
    with warehouse.open_writer(folder) as con:
        invented.put_setup(con, invented.setup())
        filled(con)
        con.execute("UPDATE rain_month SET rain_mm = rain_mm + 0.1")
        warehouse.changed(con)
    publish.publish(folder)
    run = steps.audit(folder)
    assert run.state == "attention"
    assert any("Months of rain differ" in note for note in run.notes)
    # The invented deliveries never were in an archive, and the audit says so.
    assert any("Files of the archive are missing" in note for note in run.notes)
    again = steps.audit(folder)
    with warehouse.open_writer(folder) as con:
        rows = con.sql("""
            SELECT audited_at, count(*) FILTER (state = 'failed'), count(*),
                count(*) FILTER (looked_at < audited_at)
            FROM audit_result GROUP BY 1 ORDER BY 1
        """).fetchall()
    assert [r[1] for r in rows] == [2, 2]
    assert rows[0][2] == 2, "of the older one only what failed is kept"
    assert rows[1][2] > 50
    assert [rows[0][3], rows[1][3]] == [0, rows[1][2] - 3], "only files are looked at again"
    assert again.state == "attention", "a failure that is carried is one still"
    assert any("Months of rain differ" in n and "unchanged since." in n for n in again.notes)
    first, second = sorted(folder.audit.glob("audit-*.html"))
    assert "unchanged since" not in first.read_text(encoding="utf-8")
    assert f"As of {datetime.now(UTC):%Y-%m-%d}, unchanged since." in second.read_text(
        encoding="utf-8"
    )
    result = CliRunner().invoke(app, ["audit", "--all", str(folder.root)])
    assert result.exit_code == 1
    assert "Months of rain differ" in result.output
    assert "nchanged since" not in result.output


def test_the_page_escapes_everything_and_loads_nothing():
    hostile = '<img src="http://example.invalid/x"><script>alert(1)</script>'
    outcomes = [
        Outcome("t", hostile, hostile, state, "failure", 3, 1, hostile, hostile)
        for state in ("failed", "held", "not evaluated")
    ]
    text = page.html(datetime(2025, 1, 2, tzinfo=UTC), hostile, outcomes)
    assert "&lt;script&gt;" in text
    assert not re.search(r"<(script|img|link|iframe|object|embed|base)\b", text)
    shown = re.sub(r"&[^;]+;", "", re.sub(r"&lt;.*?&gt;", "", text))
    assert not re.search(r"""(src|href|url)\s*[=(]\s*["']?\w""", shown)
    assert "default-src 'none'" in text
