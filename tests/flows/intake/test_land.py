"""Formats and packings through the whole landing: archive, reader, door, warehouse."""

import gzip
import json

import pytest

from tests.flows.intake.readers.reading import zipped
from tests.flows.loggers import FARM, HEADING, ask, make, take, usual

NAMES = HEADING.split(",")


def records(hours):
    return [dict(zip(NAMES, usual(h).split(","), strict=True)) for h in hours]


def counted(folder):
    return ask(
        folder,
        "SELECT (SELECT count(*) FROM weather_reading), (SELECT count(*) FROM soil_reading), "
        "(SELECT count(*) FROM superseded_reading), (SELECT count(*) FROM quarantine)",
    )[0]


def document(hours):
    return ("[\n" + ",\n".join(map(json.dumps, records(hours))) + "\n]\n").encode()


def growing(hours):
    """A document whose shorter version's bytes up to the last line end begin the longer one."""
    return ("[\n" + "".join(json.dumps(r) + "\n," for r in records(hours))[:-1] + "]").encode()


def lines(hours):
    return "".join(json.dumps(r) + "\n" for r in records(hours)).encode()


def text(hours):
    return "\n".join([HEADING, *map(usual, hours), ""]).encode()


@pytest.mark.parametrize(
    ("kind", "write"),
    [
        ("ndjson", lines),
        ("json", document),
        ("json", growing),
        ("delimited", lambda h: gzip.compress(text(h))),
        (
            "delimited",
            lambda h: b"".join(
                gzip.compress(text([i]) if i == 0 else (usual(i) + "\n").encode()) for i in h
            ),
        ),
        ("delimited", lambda h: zipped({"a.csv": text(h)})),
    ],
    ids=["lines", "document", "growing document", "gzip", "growing gzip", "zip"],
)
def test_a_file_that_grows_lands_once(tmp_path, kind, write):
    folder = make(
        tmp_path / "farm", FARM.replace("[layouts.hourly]", f'[layouts.hourly]\nformat = "{kind}"')
    )
    for many in (10, 24):
        (folder.drop / "a.csv").write_bytes(write(range(many)))
        take(folder)
    assert counted(folder) == (24, 48, 0, 0)


def test_a_row_refused_in_an_archive_names_its_file(tmp_path):
    folder = make(tmp_path / "farm", FARM.replace('"*.csv"', '"*"'))
    bad = text(range(2)) + b"noon,1,2,3,4\n"
    (folder.drop / "all.zip").write_bytes(zipped({"one.csv": text(range(5, 8)), "two.csv": bad}))
    take(folder)
    assert counted(folder) == (5, 10, 0, 1)
    assert ask(folder, "SELECT name, cause, raw FROM quarantine") == [
        ("all.zip/two.csv", "time not read", "noon,1,2,3,4")
    ]


def test_a_format_put_right_later_reads_the_archive_again(tmp_path):
    folder = make(tmp_path / "farm")
    for many in (10, 24):
        (folder.drop / "a.csv").write_bytes(lines(range(many)))
        take(folder)
    assert counted(folder)[0] == 0
    folder.farm_toml.write_text(
        FARM.replace("[layouts.hourly]", '[layouts.hourly]\nformat = "ndjson"')
    )
    take(folder)
    assert counted(folder) == (24, 48, 0, 0)
