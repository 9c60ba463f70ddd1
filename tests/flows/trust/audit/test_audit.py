import re
from datetime import UTC, datetime

import pytest

from flows.base.errors import UserError
from flows.derive import derive
from flows.run import steps
from flows.store import publish, warehouse
from flows.trust.audit import audit, cross_checks, declared_limits, page
from flows.trust.audit.outcome import Outcome
from schemas.catalogue import TABLES
from tests.flows import invented


def filled(con):
    invented.put(con, invented.readings(20))
    # The invented readings name no delivery of their own; what they name is put there.
    named = con.sql(
        "SELECT DISTINCT delivery FROM (SELECT delivery FROM weather_reading UNION SELECT delivery FROM soil_reading) WHERE delivery IS NOT NULL ORDER BY 1"
    ).fetchall()
    for i, (name,) in enumerate(named):
        con.execute(
            "INSERT INTO delivery (delivery, sha256, sequence, received_at, name, state, rows_in, rows_landed, rows_quarantined, rows_duplicate, values_in, values_landed, values_quarantined, values_duplicate, last_reading) VALUES (?, ?, ?, now(), 'a.csv', 'landed', 3, 2, 1, 0, 3, 2, 1, 0, (SELECT max(time) FROM weather_reading))",
            [name, name, i + 1],
        )
    derive.derive(con)


def failed(outcomes):
    return {(o.table, o.column, o.expectation) for o in outcomes if o.state == "failed"}


@pytest.fixture
def sound(con):
    filled(con)
    return con


# Each breaks one thing in the stored tables, behind the back of the checks on write.
BROKEN = [
    ("UPDATE weather_day SET air_temp_mean_c = 400 WHERE rowid = 0",
     ("weather_day", "air_temp_mean_c", "is within -90 to 60")),
    ("UPDATE soil_quality_day SET quality = 'splendid' WHERE rowid = 0",
     ("soil_quality_day", "quality", "is one of its words")),
    ("INSERT INTO rain_day FROM rain_day LIMIT 1",
     ("rain_day", "", "has each key once")),
    ("ALTER TABLE heat_day ALTER COLUMN partial TYPE VARCHAR",
     ("heat_day", "", "has the declared columns and types")),
    ("UPDATE kept.weather_reading SET station = 'nobody' WHERE rowid = 400",
     ("weather_reading", "", "is of a known station, in its spell")),
    ("UPDATE kept.soil_reading SET depth_cm = list_concat([77.0], depth_cm[2:]) WHERE time = (SELECT max(time) FROM soil_reading)",
     ("soil_reading", "", "is of a known sensor, its probe in the soil")),
    ("UPDATE weather_day SET rain_mm = rain_mm + 1",
     ("weather_day", "", "the day's extremes and rain are those of its readings")),
    ("UPDATE soil_day SET vwc_max_pct = vwc_max_pct + 1",
     ("soil_day", "", "the day's extremes are those of its readings")),
    ("UPDATE soil_day SET vwc_mean_pct = vwc_min_pct - 1",
     ("soil_day", "", "the mean lies between lowest and highest")),
    ("UPDATE soil_water_day SET storage_mm = 7.1 * (layer_bottom_cm - layer_top_cm)",
     ("soil_water_day", "", "storage is within what the soil's pores hold")),
    ("UPDATE rain_month SET rain_mm = rain_mm + 0.1",
     ("rain_month", "", "a month's rain is the sum of its days")),
    ("UPDATE rain_month SET coverage = 1",
     ("rain_month", "", "coverage is no more than the days that were recorded")),
    ("UPDATE delivery SET rows_landed = 1 WHERE rows_in = 3",
     ("delivery", "", "rows in are landed, quarantined or duplicate")),
    ("INSERT INTO quarantine (delivery, line, column_name, extent, cause) VALUES ('gone', 1, '', 'row', 'x')",
     ("quarantine", "", "belongs to a delivery")),
    ("INSERT INTO response (field, season, blocks, response_kg_ha, treated_kg_ha, check_kg_ha) VALUES ('a', 2024, 0, 50, 100, 10)",
     ("response", "", "both strips were weighed")),
    ("INSERT INTO response (field, season, blocks, response_kg_ha, treated_kg_ha, check_kg_ha) VALUES ('a', 2023, 0, 50, 100, 10)",
     ("response", "", "is treated minus check")),
    ("UPDATE rain_day SET partial = true, reason = NULL",
     ("rain_day", "", "what is partial says why")),
    ("DELETE FROM delivery",
     ("weather_reading", "", "names a delivery")),
    ("UPDATE delivery SET last_reading = last_reading + INTERVAL 30 DAY",
     ("weather_day", "", "stations on a trial were heard in the week before the latest delivery")),
]  # fmt: skip


def test_a_sound_warehouse_holds(sound):
    outcomes = audit.judged(sound)
    assert failed(outcomes) == set()
    held = {(o.table, o.expectation) for o in outcomes if o.state == "held"}
    assert {(t, w) for _, (t, _, w) in BROKEN if t not in ("response", "quarantine")} <= held
    unknown = [o for o in outcomes if o.state == "not evaluated"]
    assert ("response", "is treated minus check") in {(o.table, o.expectation) for o in unknown}
    assert all(o.looked == 0 and o.said for o in unknown)


@pytest.mark.parametrize("part", range(2))
def test_each_fault_is_found_and_no_other_table_is_blamed(sound, part):
    wanted = set()
    # Faults that would hide one another are put into different runs.
    for sql, what in BROKEN[part::2]:
        sound.execute(sql)
        wanted.add(what)
    outcomes = audit.judged(sound)
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
    monkeypatch.setattr(audit, "TABLES", {name: TABLES[name] for name in few})
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
    steps.audit(folder)
    with warehouse.open_writer(folder) as con:
        rows = con.sql(
            "SELECT audited_at, count(*) FILTER (state = 'failed'), count(*) FROM audit_result GROUP BY 1 ORDER BY 1"
        ).fetchall()
    assert [r[1] for r in rows] == [1, 1]
    assert rows[0][2] == 1, "of the older one only what failed is kept"
    assert rows[1][2] > 50
    assert len(list(folder.audit.glob("audit-*.html"))) == 2


def test_the_page_escapes_everything_and_loads_nothing():
    hostile = '<img src="http://example.invalid/x"><script>alert(1)</script>'
    outcomes = [
        Outcome("t", hostile, hostile, state, "failure", 3, 1, hostile, hostile)
        for state in ("failed", "held", "not evaluated")
    ]
    text = page.html(datetime(2025, 1, 2, tzinfo=UTC), hostile, outcomes)
    assert "&lt;script&gt;" in text
    assert not re.search(r"<(script|img|link|iframe|object|embed|base)\b", text)
    assert not re.search(r"""(src|href|url)\s*[=(]\s*["']?\w""", re.sub(r"&[^;]+;", "", re.sub(r"&lt;.*?&gt;", "", text)))  # fmt: skip
    assert "default-src 'none'" in text
