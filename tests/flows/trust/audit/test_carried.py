"""What is carried from earlier audits is what a whole audit would find."""

import json
import re
import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from flows.farm.folder import FarmFolder
from flows.trust.audit import carried, cross_checks, declared_limits, evaluate, missing_results
from flows.trust.audit.carried import Carried, Part
from flows.trust.audit.outcome import CountCheck, Outcome
from schemas.catalogue import TABLES

NIGHT = datetime(2026, 3, 2, 3, 40, tzinfo=UTC)
# Whose columns are looked at, and the counts of which tables: a whole audit takes ten seconds.
FEW = ("rain_month", "soil_day", "soil_reading")
COUNTED = (*FEW, "delivery", "weather_day", "weather_reading")


@pytest.fixture
def few(monkeypatch):
    """Ask only what is expected of few tables."""
    across = [c for c in cross_checks.checks() if c.table in COUNTED]
    monkeypatch.setattr(cross_checks, "checks", lambda: across)
    monkeypatch.setattr(missing_results, "checks", list)
    monkeypatch.setattr(evaluate, "TABLES", {name: TABLES[name] for name in FEW})


def audited(con, known, now):
    """The outcomes of an audit that knows the looks ``known``, and its own looks."""
    one = Carried(known, now)
    return evaluate.evaluate(con, one), one.looks


def found(outcomes):
    return sorted((o.table, o.expectation, o.column, o.state, o.looked, o.unmet) for o in outcomes)


def no_look(*_):
    raise AssertionError("nothing was to be looked at")


# By hand, in the stored tables: what no check minds, what one minds, rows gone, doubled and old.
BY_HAND = (
    "UPDATE soil_day SET vwc_mean_pct = vwc_mean_pct + 1e-9 WHERE rowid = 3",
    "UPDATE rain_month SET rain_mm = -1 WHERE rowid = 0",
    "UPDATE weather_day SET rain_mm = rain_mm + 1",
    "UPDATE soil_day SET vwc_mean_pct = vwc_min_pct - 1 WHERE rowid < 5",
    "DELETE FROM soil_day WHERE rowid % 2 = 0",
    "INSERT INTO rain_month FROM rain_month LIMIT 1",
    "UPDATE rain_day SET rain_mm = rain_mm + 1",
    "UPDATE delivery SET rows_landed = 1 WHERE rows_in = 3",
    "DELETE FROM delivery",
    "DELETE FROM station_spell",
    "UPDATE kept.weather_reading SET station = 'nobody' WHERE rowid IN (0, 400)",
    "UPDATE kept.weather_reading SET air_temp_c = 300 WHERE rowid < 24",
    "UPDATE kept.weather_reading SET time = time + INTERVAL 2 DAY WHERE rowid = 400",
    "UPDATE farm SET day_starts_h = day_starts_h + 3",
    "ALTER TABLE rain_month ALTER COLUMN year TYPE VARCHAR",
    "ALTER TABLE weather_day DROP COLUMN rain_mm",
)
STEPS = st.lists(
    st.one_of(
        st.sampled_from(BY_HAND).map(lambda sql: ("rows", sql)),
        st.sampled_from([1, 3, 9]).map(lambda days: ("days", days)),
        st.sampled_from([0.5, 5.0, 900.0]).map(lambda high: ("limit", high)),
        st.just(("program", None)),
    ),
    min_size=1,
    max_size=3,
)


@pytest.mark.usefixtures("few")
@settings(
    max_examples=5, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(STEPS)
def test_what_is_carried_is_what_a_whole_audit_finds(sound, steps):
    known, now = {}, NIGHT
    with pytest.MonkeyPatch.context() as patch:
        sound.execute("BEGIN")
        try:
            known = audited(sound, known, now)[1]
            for number, (kind, by) in enumerate(steps):
                if kind == "rows":
                    apply(sound, by)
                elif kind == "days":
                    now += timedelta(days=by)
                elif kind == "limit":
                    patch.setattr(evaluate, "TABLES", evaluate.TABLES | with_limit(by))
                else:
                    patch.setattr(carried, "program", lambda number=number: f"another {number}")
                now += timedelta(minutes=1)
                outcomes, known = audited(sound, known, now)
                assert all(now.date() - o.looked_at.date() <= timedelta(7) for o in outcomes)
            assert found(outcomes) == found(audited(sound, {}, now)[0])
        finally:
            sound.execute("ROLLBACK")


def apply(con, sql):
    """Change what is stored, if it still has the columns."""
    try:
        con.execute(sql)
    except (duckdb.BinderException, duckdb.CatalogException):
        con.execute("ROLLBACK; BEGIN")


def with_limit(high):
    """Declare another upper limit of a month's rain."""
    table = TABLES["rain_month"]
    columns = (replace(c, high=high) if c.name == "rain_mm" else c for c in table.columns)
    return {"rain_month": replace(table, columns=tuple(columns))}


@pytest.mark.usefixtures("few")
def test_only_what_reads_changed_rows_is_looked_at(sound, monkeypatch):
    first, known = audited(sound, {}, NIGHT)
    later = NIGHT + timedelta(hours=1)
    with monkeypatch.context() as patch:
        patch.setattr(evaluate, "Evaluator", no_look)
        outcomes, same = audited(sound, known, later)
        assert (outcomes, same) == (first, known), "and their dates are the earlier ones"
    sound.execute("UPDATE soil_day SET vwc_mean_pct = vwc_min_pct - 1 WHERE rowid = 2")
    outcomes, _ = audited(sound, known, later)
    looked = {(o.table, o.expectation) for o in outcomes if o.looked_at == later}
    wanted = {(o.table, o.expectation) for o in first if o.table == "soil_day"}
    heard = ("soil_day", "probes in the soil were heard in the week before the latest delivery")
    assert heard in wanted
    assert looked == wanted, "and nothing else reads this table"
    assert found(outcomes) == found(audited(sound, {}, later)[0]) != found(first)


@pytest.mark.usefixtures("few")
def test_a_limit_or_the_program_that_changed_is_looked_at(sound, monkeypatch):
    _, known = audited(sound, {}, NIGHT)
    monkeypatch.setattr(evaluate, "TABLES", evaluate.TABLES | with_limit(0.5))
    outcomes, _ = audited(sound, known, NIGHT + timedelta(hours=1))
    bad = {(o.table, o.column) for o in outcomes if o.state == "failed"}
    assert bad == {("rain_month", "rain_mm")}
    assert {o.table for o in outcomes if o.looked_at > NIGHT} == {"rain_month"}
    monkeypatch.setattr(carried, "program", lambda: "another")
    outcomes, _ = audited(sound, known, NIGHT + timedelta(hours=2))
    assert all(o.looked_at > NIGHT for o in outcomes)


def test_every_module_of_the_room_is_the_program(tmp_path):
    room = Path(carried.__file__).parent
    seen = {carried.program()}
    for number, path in enumerate(sorted(room.glob("*.py"))):
        copy = shutil.copytree(room, tmp_path / str(number))
        assert carried.program(copy) == carried.program()
        other = shutil.copytree(room, tmp_path / f"{number} edited")
        (other / path.name).write_bytes(path.read_bytes() + b"\n")
        seen.add(carried.program(other))
    assert len(seen) == number + 2


def every_part():
    return [
        Part.of_columns(t.name, asked)
        for t in TABLES.values()
        if (asked := declared_limits.expectations(t))
    ]


def held(part):
    return [Outcome(part.name, words, column, "held") for column, words in part.expectations]


@settings(max_examples=15, deadline=None)
@given(st.lists(st.integers(1, 12), min_size=8, max_size=25))
def test_nothing_is_older_than_a_week(gaps):
    con, parts = duckdb.connect(), every_part()
    known, now, shares = {}, NIGHT, []
    for gap in [0, *gaps]:
        now += timedelta(days=gap)
        night = Carried(known, now)
        outcomes, due = night.split(con, parts, {})
        for part in due:
            outcomes += night.looked(part, held(part))
        known = night.looks
        assert len(outcomes) == sum(len(part.expectations) for part in parts)
        assert all(now - o.looked_at <= timedelta(days=7) for o in outcomes)
        shares.append((gap, sum(o.looked_at == now for o in outcomes) / len(outcomes)))
    # The first night has all, a later one its share: one in seven for each day that passed.
    assert shares[0][1] == 1
    assert all(share <= gap / 7 + 0.03 for gap, share in shares[1:])


def test_what_cannot_stand_is_looked_at():
    con, parts = duckdb.connect(), every_part()
    night = Carried({}, NIGHT)
    night.split(con, parts, {})
    for part in parts:
        night.looked(part, held(part))
    good, one = night.looks, parts[3]

    def due(known, now=NIGHT + timedelta(minutes=1)):
        return Carried(known, now).split(con, parts, {})[1]

    assert due(good) == []
    assert due(good, NIGHT - timedelta(days=1)) == parts, "its clock was set back"
    looks = good[one.name]
    for outcomes in (looks.outcomes[1:], [replace(o, looked_at=None) for o in looks.outcomes]):
        assert due(good | {one.name: replace(looks, outcomes=outcomes)}) == [one]
    again = Carried(good, NIGHT)
    again.split(con, parts, {})
    unclear = [replace(held(one)[0], state="failed", unmet=None), *held(one)[1:]]
    again.looks.pop(one.name)
    again.looked(one, unclear)
    assert due(again.looks) == [one], "what could not be checked is tried again"


@pytest.mark.parametrize(
    "damage",
    [
        lambda content: content[: len(content) // 2],
        lambda content: content.replace("+00:00", ""),
        lambda content: json.dumps(dict.fromkeys(json.loads(content), 5)),
    ],
)
def test_the_note_comes_back_and_a_damaged_one_is_none(tmp_path, damage):
    folder = FarmFolder(tmp_path)
    assert carried.earlier(folder) == {}
    part = every_part()[0]
    night = Carried({}, NIGHT)
    night.split(duckdb.connect(), [part], {})
    night.looked(part, held(part))
    carried.keep(folder, night.looks)
    assert carried.earlier(folder) == night.looks
    (note,) = folder.state.glob("audited.json")
    note.write_text(damage(note.read_text(encoding="utf-8")), encoding="utf-8")
    assert carried.earlier(folder) == {}


def test_a_count_follows_from_every_table_that_it_reads(sound):
    parts = [p for p in evaluate._Looking(sound).parts() if isinstance(p.asked, CountCheck)]
    assert len(parts) > 200
    seen = set()
    for part in parts:
        ((tree,),) = sound.execute(
            "SELECT json_serialize_sql(?::VARCHAR)", [part.asked.query]
        ).fetchall()
        read = TABLES.keys() & re.findall(r'"table_name":"(\w+)"', tree)
        assert read <= part.reads, part.name
        seen |= read
        clock = re.search(r"\b(now|today|current_\w+|random|get_current_\w+)\b", part.asked.query)
        assert clock is None, f"{part.name}: its outcome would change while no row does"
    assert {"station_spell", "sensor", "farm", "touched_day"} < seen
