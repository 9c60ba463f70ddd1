"""``checkstrip sql`` only reads, and only the published copy, whatever the query asks for."""

import hashlib
import os

import duckdb
import polars as pl
import pytest

from flows.base.errors import UserError
from flows.intake import collect
from flows.store import connection, publish, query, warehouse
from tests.flows.cli.calling import call
from tests.flows.loggers import drop, make, usual

READ = """
SELECT 1
FROM station_spell
TABLE station_spell
WITH w AS (SELECT 1) FROM w
VALUES (1), (2)
DESCRIBE weather_reading
SHOW TABLES
SUMMARIZE weather_reading
EXPLAIN FROM weather_reading
EXPLAIN ANALYZE FROM weather_reading
explain (format json) /* as text */ FROM weather_reading;
EXPLAIN PIVOT weather_reading ON station USING avg(air_temp_c)
PIVOT weather_reading ON station USING avg(air_temp_c)
PIVOT weather_reading ON station USING avg(air_temp_c); -- of every station
FROM (PIVOT weather_reading ON station USING avg(air_temp_c))
UNPIVOT (SELECT 1 AS a, 2 AS b) ON a, b
SELECT 'prairie; hélas', 1 -- ; COPY
FROM query('FROM station_spell')
"""

# {farm} is the farm folder; what a query that writes would make lies in it.
REJECTED = """
COPY (SELECT 1) TO '{farm}/farm.toml'
COPY station_spell FROM '{farm}/farm.toml'
COPY (PIVOT station_spell ON station USING count(*)) TO '{copy}.tmp/made'
CREATE TEMP TABLE made AS PIVOT station_spell ON station USING count(*)
EXPLAIN ANALYZE COPY (SELECT 1) TO '{farm}/farm.toml'
EXPLAIN COPY (PIVOT station_spell ON station USING count(*)) TO '{copy}.tmp/made'
explain /* quietly */ analyze DELETE FROM station_spell
EXPLAIN ANALYZE CREATE TEMP TABLE made AS SELECT 1
ATTACH '{farm}/warehouse/checkstrip.duckdb' AS w (READ_WRITE)
DETACH checkstrip
USE checkstrip
EXPORT DATABASE '{farm}/made'
IMPORT DATABASE '{farm}/made'
INSTALL httpfs
FORCE INSTALL httpfs
LOAD httpfs
UPDATE EXTENSIONS
PRAGMA database_list
PRAGMA enable_profiling
SET threads = 1
SET VARIABLE a = 1
RESET threads
CALL pragma_version()
CREATE TEMP TABLE made (a INTEGER)
CREATE SECRET (TYPE http)
CREATE MACRO made(a) AS a
INSERT INTO station_spell SELECT * FROM station_spell
UPDATE station_spell SET station = 'x'
DELETE FROM station_spell
TRUNCATE station_spell
MERGE INTO station_spell USING station_spell AS s ON true WHEN MATCHED THEN DELETE
DROP TABLE station_spell
ALTER TABLE station_spell ADD COLUMN a INTEGER
COMMENT ON TABLE station_spell IS 'x'
VACUUM
ANALYZE
CHECKPOINT
PREPARE a AS SELECT 1
EXECUTE a
DEALLOCATE a
BEGIN
COMMIT
"""

REACHES = """
FROM read_text('{farm}/farm.toml')
FROM read_blob('{farm}/farm.toml')
FROM read_csv('{farm}/farm.toml')
FROM '{farm}/farm.csv'
FROM sniff_csv('{farm}/farm.toml')
FROM read_json('{farm}/farm.toml')
FROM read_parquet('{farm}/made.parquet')
FROM parquet_metadata('{farm}/made.parquet')
FROM read_duckdb('{farm}/warehouse/checkstrip.duckdb', table_name = 'about')
FROM glob('{farm}/*')
FROM read_csv('https://127.0.0.1:9/a.csv')
FROM duckdb_secrets()
FROM duckdb_extensions()
FROM query('FROM read_text(''{farm}/farm.toml'')')
EXPLAIN ANALYZE FROM read_text('{farm}/farm.toml')
"""

CHANGES = "WITH gone AS (DELETE FROM station_spell RETURNING *) FROM gone"

UNANSWERED = """
FROM enable_logging()
FROM query('COPY station_spell TO ''{farm}/farm.toml''')
SELECT getenv('HOME')
FROM arrow_scan(1, 2, 3)
FROM rows_here
SELECT $name
SELEC 1
"""


def lines(text):
    return [line for line in text.splitlines() if line]


@pytest.fixture(scope="module")
def farm(tmp_path_factory):
    folder = make(tmp_path_factory.mktemp("sql") / "farm")
    drop(folder, "a.csv", [usual(i) for i in range(30)])
    collect.collect(folder)
    publish.publish(folder)
    return folder


@pytest.fixture
def sql(farm, capsys, monkeypatch):
    """Ask by the command line; exit code, output, errors. Nothing in the farm folder changes."""

    def content():
        files = sorted(path for path in farm.root.rglob("*") if path.is_file())
        return {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in files}

    def ask(text, *options):
        before, stored = content(), os.environ.copy()
        text = text.format(farm=farm.root, copy=farm.published_file)
        answer = call(capsys, monkeypatch, "sql", farm.root, text, *options)
        assert content() == before
        assert os.environ == stored
        return answer

    return ask


@pytest.mark.parametrize("text", lines(READ))
def test_what_reads_is_answered(sql, text):
    code, out, err = sql(text)
    assert (code, err) == (0, "")
    assert out.splitlines()[-1].split()[1].startswith("row")


@pytest.mark.parametrize("text", lines(REJECTED))
def test_every_other_statement_is_rejected_by_name(sql, text):
    code, out, err = sql(text)
    assert (code, out) == (2, "")
    assert err.startswith(f"{text.split()[0].upper()} is rejected: a query only reads. Begin it ")


@pytest.mark.parametrize("text", lines(REACHES))
def test_a_query_reaches_no_file_and_no_address(sql, text):
    code, out, err = sql(text)
    assert (code, out) == (2, "")
    assert err.startswith("The query reaches for a file, a folder or an address. It may only ")


def test_a_query_that_hides_a_change_is_told_so(sql):
    code, out, err = sql(CHANGES)
    assert (code, out) == (2, "")
    assert err.startswith("The query would change the published copy, and a query only reads.")


@pytest.mark.parametrize("text", lines(UNANSWERED))
def test_what_is_left_ends_in_a_sentence(sql, text):
    rows_here = pl.DataFrame({"a": [1]})  # a variable that a name in SQL could find
    code, out, err = sql(text)
    assert (code, out) == (2, ""), rows_here
    assert err.startswith("The query cannot be answered. ")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "There is no query."),
        (" ; -- nothing", "There is no query."),
        ("SELECT 1; COPY (SELECT 1) TO '{farm}/farm.toml'", "These are 2 statements."),
        ("FROM station_spell; FROM farm", "These are 2 statements."),
    ],
)
def test_one_query_at_a_time(sql, text, told):
    code, out, err = sql(text)
    assert (code, out) == (2, "")
    assert err.startswith(told)


def test_a_span_of_time_is_shown_but_no_other_form_has_it(sql):
    code, out, _ = sql("SELECT interval 1 day AS span")
    assert (code, "1 day" in out) == (0, True)
    for form in ("--csv", "--json"):
        code, out, err = sql("SELECT interval 1 day AS span", form)
        assert (code, out) == (2, "")
        assert err.startswith("A column is of a type that cannot be written (INTERVAL, UNION).")


def test_parquet_is_written_by_us_and_over_nothing_but_parquet(farm, sql, tmp_path):
    file = tmp_path / "made.parquet"
    for text in ("SELECT 1 AS a", "SELECT 2 AS a"):
        assert sql(text, "--parquet", file)[0] == 0
    assert pl.read_parquet(file).to_dicts() == [{"a": 2}]
    code, _, err = sql("SELECT 1", "--parquet", farm.farm_toml)
    assert code == 2
    assert "exists and is not a Parquet file" in err
    code, _, err = sql("SELECT 1", "--parquet", tmp_path / "no" / "made.parquet")
    assert code == 2
    assert "cannot be written" in err


@pytest.mark.parametrize("read_only", [True, False])
def test_what_does_not_fit_into_memory_goes_through_the_disk(tmp_path, monkeypatch, read_only):
    path, spill = tmp_path / "large.duckdb", tmp_path / "spill"
    with warehouse.open_file(path) as con:
        con.execute("CREATE TABLE t AS SELECT range a, md5(range::VARCHAR) b FROM range(1000000)")
    monkeypatch.setattr(
        connection, "_SETTINGS", connection._SETTINGS | {"memory_limit": "60MB", "threads": 1}
    )
    with connection.connect(path, read_only=read_only, spill=spill) as con:
        counted = con.sql("SELECT count(*) FROM (SELECT b, a FROM t ORDER BY b, a OFFSET 1)")
        assert counted.fetchall() == [(999999,)]
        assert spill.exists()  # it was needed
        with pytest.raises(duckdb.Error, match="locked"):
            con.execute("SET memory_limit = '1GB'")


def test_the_writer_too_reaches_nothing_outside(farm, tmp_path):
    with warehouse.open_writer(farm) as con:
        for text in [
            f"FROM read_text('{farm.farm_toml}')",
            "FROM read_csv('https://127.0.0.1:9/a.csv')",
            f"COPY farm TO '{tmp_path}/made'",
            f"ATTACH '{tmp_path}/made.db'",
            f"EXPORT DATABASE '{tmp_path}/made'",
            "INSTALL httpfs",
        ]:
            with pytest.raises(duckdb.PermissionException):
                con.execute(text)
    assert not any(tmp_path.iterdir())


def test_a_text_that_no_encoding_knows_ends_in_a_sentence(farm):
    with query.open_published(farm) as con, pytest.raises(UserError, match="cannot be answered"):
        query.ask(con, "SELECT caf\udce9")
