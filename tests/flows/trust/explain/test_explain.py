import re
from datetime import timedelta

import pytest

from flows.base.errors import UserError
from flows.derive import derive
from flows.store import warehouse
from flows.trust.explain import explain, row, scope
from schemas.catalogue import TABLES
from tests.flows import invented
from transforms import order


@pytest.fixture
def stored(con):
    invented.put(con, invented.readings(20))
    con.execute("""
        UPDATE kept.weather_reading SET delivery = CASE
            WHEN time < (SELECT min(time) + INTERVAL 10 DAY FROM weather_reading) THEN 'early'
            ELSE 'late' END
    """)
    con.execute("""
        INSERT INTO delivery BY NAME
        SELECT name AS delivery, name AS sha256, sequence, name || '.csv' AS name,
            TIMESTAMPTZ '2024-08-01 10:00:00+00' AS received_at, 'hourly' AS layout,
            'landed' AS state
        FROM (VALUES ('early', 1), ('late', 2), ('elsewhere', 3)) deliveries(name, sequence)
    """)
    con.execute("""
        INSERT INTO quarantine BY NAME
        SELECT name AS delivery, line, '' AS column_name, name || '.csv' AS name, 'row' AS extent,
            cause, '1 field' AS found, '5 fields' AS expected
        FROM (VALUES ('early', 7, 'half-written line'), ('elsewhere', 9, 'not of here'))
            refused(name, line, cause)
    """)
    derive.derive(con)
    return con


def some_day(con, place):
    """A station with its day so many days after its first."""
    return con.sql(f"""
        SELECT station, CAST(day AS VARCHAR) FROM weather_day
        WHERE station = (SELECT min(station) FROM weather_day)
        ORDER BY day LIMIT 1 OFFSET {place}
    """).fetchall()[0]


def test_a_day_leads_to_its_own_readings_and_file_and_no_other(stored):
    station, day = some_day(stored, 4)
    text = explain.explain(stored, "weather_day", [station, day])
    (n,) = stored.sql(
        f"SELECT readings FROM weather_day WHERE station = '{station}' AND day = '{day}'"
    ).fetchall()[0]
    assert f"weather_reading: {n} readings of {station}, from 1 file" in text
    assert "early.csv (early), received 2024-08-01 10:00 UTC, layout hourly" in text
    assert "late.csv" not in text
    assert (
        "early.csv, line 7: 1 row rejected: half-written line; such as '1 field', expected 5 fields"
    ) in text
    assert "not of here" not in text
    assert "Readings of a station reduced to days" in text
    later = explain.explain(stored, "weather_day", [station, some_day(stored, 15)[1]])
    assert "late.csv (late)" in later
    assert "early.csv" not in later
    assert "Nothing in these files was rejected" in later


def test_a_month_names_its_inputs_with_counts_and_reasons(stored):
    station, year, month, days = stored.sql("""
        SELECT station, year(day), month(day), count(*) FROM rain_day
        GROUP BY ALL ORDER BY ALL LIMIT 1
    """).fetchall()[0]
    text = explain.explain(stored, "rain_month", [station, str(year), str(month)])
    assert f"  rain_day: {days} rows" in text
    partial, why = stored.sql(f"""
        SELECT partial, reason FROM rain_month
        WHERE station = '{station}' AND year = {year} AND month = {month}
    """).fetchall()[0]
    assert partial
    assert f"Made from part of the data: {why}." in text
    for coverage, said in ((0.9996, "99.9"), (1.0, "100.0"), (0.29, "29.0")):
        stored.execute("UPDATE rain_month SET coverage = ?", [coverage])
        text = explain.explain(stored, "rain_month", [station, str(year), str(month)])
        assert f"Coverage: {said} % of the data" in text


def test_a_replaced_value_is_told_on_its_own_day_only(stored):
    station, day = some_day(stored, 4)
    stored.execute(
        """
        INSERT INTO superseded_reading
        SELECT station, -1, time, 'air_temp_c', 'early', 'late', 3, 4 FROM weather_reading
        WHERE station = ? AND time = (SELECT min(time) + INTERVAL 100 HOUR FROM weather_reading)
        """,
        [station],
    )
    text = explain.explain(stored, "weather_day", [station, day])
    assert f"{station} air_temp_c: 1 value of early.csv, by late.csv; such as 3, now 4" in text
    other = explain.explain(stored, "weather_day", [station, some_day(stored, 8)[1]])
    assert "No reading of these days was replaced" in other


def test_a_single_reading_leads_to_its_delivery(stored):
    station, time = stored.sql("""
        SELECT station, strftime(time, '%Y-%m-%dT%H:%M:%SZ') FROM weather_reading
        WHERE delivery = 'late' ORDER BY ALL LIMIT 1
    """).fetchall()[0]
    text = explain.explain(stored, "weather_reading", [station, time])
    assert f"1 reading of {station}, from 1 file" in text
    assert "late.csv" in text


def test_a_sensor_day_counts_the_readings_of_its_depth_alone(stored):
    probe, depth, day, n = stored.sql(
        "SELECT probe, depth_cm, CAST(day AS VARCHAR), readings FROM soil_day ORDER BY ALL LIMIT 1"
    ).fetchall()[0]
    key = [f"day={day}", f"probe={probe}", f"depth_cm={depth:g}"]
    text = explain.explain(stored, "soil_day", key)
    assert f"soil_reading: {n} readings of {probe}" in text


@pytest.mark.parametrize(
    ("table", "key", "told"),
    [
        ("rain_mont", [], "Did you mean rain_month"),
        ("rain_month", ["nobody", "2024", "6"], "There is no station 'nobody'; there is: "),
        ("weather_day", [], "More than one row of weather_day fits"),
        ("soil_day", ["p", "deep"], "is a number, not 'deep'"),
        ("rain_month", ["a", "b", "c", "d"], "more than names a row"),
        ("rain_month", ["'; DROP TABLE rain_month; --"], "no such row"),
    ],
)
def test_a_key_that_names_no_row_is_told_what_would(stored, table, key, told):
    with pytest.raises(UserError, match=told.replace("(", r"\(")):
        explain.explain(stored, table, key)


def test_every_row_of_every_table_can_be_explained(stored):
    looked = 0
    for table in TABLES.values():
        rows = warehouse.read(stored, table).head(1).to_dicts() if table.key else []
        for found in rows:
            about = scope.of(stored, found, table)
            for other in TABLES.values():
                where, values = about.where(other)
                counted = f"SELECT count(*) FROM {other.name} WHERE {where}"
                stored.sql(counted, params=values).fetchall()
            if not any(found[name] in ("", None) for name in table.key):
                asked = ", ".join(row.as_text(table, name) for name in table.key)
                first = f"SELECT {asked} FROM {table.name} ORDER BY {', '.join(table.key)} LIMIT 1"
                values = stored.sql(first).fetchall()[0]
                key = [f"{k}={v}" for k, v in zip(table.key, values, strict=True)]
                assert explain.explain(stored, table.name, key)
                looked += 1
    assert looked > 10


@pytest.mark.parametrize("name", [*order.DAILY, *order.DERIVED])
def test_the_method_is_shown_without_a_path_of_the_source(name):
    text = explain.method_text(TABLES[name])
    assert text.startswith("Method:\n  ")
    assert not re.search(r"\b(schemas|transforms|flows)[/.]|\.py\b", text)


def test_a_balance_names_the_irrigation_of_its_strip_and_season(stored):
    ((field, season, seeded),) = stored.sql(
        "SELECT field, season, seeded FROM season ORDER BY seeded LIMIT 1"
    ).fetchall()
    for strip, after, mm in (
        ("both", 3, 20.0),
        ("treated", 9, 5.0),
        ("check", 9, 7.0),
        ("treated", -40, 9.0),
    ):
        stored.execute(
            "INSERT INTO irrigation BY NAME SELECT ? AS field, ? AS strip, '1' AS part, "
            "CAST(? AS DATE) + CAST(? AS INTEGER) AS day, ? AS amount_mm",
            [field, strip, seeded, after, mm],
        )
    derive.derive(stored)
    key = [field, str(season), "treated"]
    text = explain.explain(stored, "water_use_season", key)
    assert "irrigation_day: 2 rows" in text
    assert "irrigation: 2 rows" in text.replace("irrigation_day: 2 rows", "")
    on = seeded + timedelta(days=3)
    text = explain.explain(stored, "irrigation_day", [field, "treated", str(on)])
    assert "irrigation_mm" in text
    assert "20 mm" in text
    assert "irrigation: 1 row" in text
