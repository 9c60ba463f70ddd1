"""Files made to do harm: each is refused with its reason in bounded memory, and the good one lands."""

import gzip
import io
import json
import subprocess
import sys
import zipfile

import pytest

from flows.intake import collect
from tests.flows.loggers import FARM, ask, drop, make, usual

MOST_MB = 1500  # of the whole process, where the files would unpack to many times that
LIMIT_S = 240

LAYOUTS = """
[layouts.records]
format = "json"
step = "1 h"
time = {columns = ["t"], offset = "-06:00"}
[layouts.records.columns]
T = {quantity = "air_temp"}
[layouts.book]
format = "xlsx"
step = "1 h"
time = {columns = ["t"], offset = "-06:00"}
[layouts.book.columns]
T = {quantity = "air_temp"}
"""
SOURCES = """
[[sources]]
name = "j"
layout = "records"
station = "west"
probe = "deep"
glob = "*.json"
settle_s = 0
[[sources]]
name = "x"
layout = "book"
station = "west"
probe = "deep"
glob = "*.xlsx"
settle_s = 0
"""
# The first source that matches takes a file: the one of all files comes last.
TOML = FARM.replace('glob = "*.csv"', 'glob = "*.*"') + LAYOUTS
TOML = TOML.replace("[[sources]]", SOURCES + "[[sources]]", 1)

COLLECT = """
import sys
from pathlib import Path
from flows.farm.folder import FarmFolder
from flows.intake import collect
from tests.peak import peak_mb
collect.collect(FarmFolder.at(Path(sys.argv[1])))
print(peak_mb())
"""


def zipped(members):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return out.getvalue()


def workbook_bomb():
    cell = b'<row><c t="inlineStr"><is><t>' + b"A" * (1 << 20) + b"</t></is></c></row>"
    sheet = b"<worksheet><sheetData>" + cell * 300 + b"</sheetData></worksheet>"
    book = (
        b'<workbook xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheets>'
        b'<sheet name="a" sheetId="1" r:id="rId1" '
        b'xmlns:r="http://schemas.openxmlformats.org/officeDocument/2006/relationships"/>'
        b"</sheets></workbook>"
    )
    parts = {"xl/workbook.xml": book, "xl/worksheets/sheet1.xml": sheet}
    return zipped({"[Content_Types].xml": b"<Types/>"} | parts)


def bombs():
    """Name → bytes; made one after the other, since together they are large."""
    head = b"t,T,R,S1,S2\n"
    line = usual(1).encode() + b"\n"
    yield "bomb.csv.gz", gzip.compress(head + b"\n" * (200 << 20), 1)
    yield "bomb.zip", zipped({"a.csv": head + b"0" * (1 << 28)})
    yield "long line.csv", head + b"x" * (24 << 20)
    names = b",".join(b"c%d" % i for i in range(1_000_000))
    yield "wide.csv", b"t," + names + b"\n" + b"1," * 1_000_000 + b"1\n"
    yield "wide rows.csv", head + b"," * 500_000 + b"\n" + line
    yield "deep.json", b"[" * 2_000_000
    yield "many.zip", zipped({f"{i}.csv": b"" for i in range(30_000)})
    yield "quote.csv", head + b'"' + b"a,b\n" * 1_000_000
    yield "bomb.xlsx", workbook_bomb()


@pytest.mark.skipif(sys.platform == "win32", reason="peak memory is asked of POSIX")
def test_bombs_cost_little_and_stop_nothing(tmp_path):
    folder = make(tmp_path / "farm", TOML)
    names = []
    for name, data in bombs():
        (folder.drop / name).write_bytes(data)
        names.append(name)
    drop(folder, "good.csv", [usual(i) for i in range(5)])
    done = subprocess.run(
        [sys.executable, "-c", COLLECT, str(folder.root)],
        capture_output=True,
        text=True,
        timeout=LIMIT_S,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    assert int(done.stdout.split()[-1]) < MOST_MB
    states = dict(ask(folder, "SELECT name, state FROM delivery"))
    assert states["good.csv"] == "landed"
    bad = {name: states[name] for name in names}
    whole = [n for n in names if n not in ("wide rows.csv", "quote.csv", "bomb.csv.gz")]
    assert {bad[name] for name in whole} == {"refused"}, bad
    assert bad["bomb.csv.gz"] in ("refused", "empty")
    causes = dict(ask(folder, "SELECT name, any_value(cause) FROM quarantine GROUP BY 1"))
    assert set(whole) <= set(causes)
    sums = ask(
        folder,
        "SELECT rows_in - rows_landed - rows_quarantined - rows_duplicate FROM delivery "
        "WHERE rows_in IS NOT NULL",
    )
    assert set(sums) == {(0,)}


INSIDE = ("../../evil.csv", "/etc/evil.csv", "C:\\evil.csv", "..\\evil.csv", "a/../../evil.csv")


def test_a_path_inside_an_archive_leads_nowhere(tmp_path):
    folder = make(tmp_path / "farm", FARM.replace("*.csv", "*.zip"))
    for i, inside in enumerate(INSIDE):
        text = "t,T,R,S1,S2\n" + usual(i) + "\n"
        (folder.drop / f"{i}.zip").write_bytes(zipped({inside: text}))
    before = set(tmp_path.rglob("*evil*"))
    collect.collect(folder)
    assert set(tmp_path.rglob("*evil*")) == before
    assert ask(folder, "SELECT count(*) FROM weather_reading") == [(5,)]  # read, never unpacked
    receipts = "".join(f.read_text() for f in (folder.archive / "receipts").glob("*"))
    assert sorted(json.loads(r)["name"] for r in receipts.splitlines()) == [
        f"{i}.zip" for i in range(5)
    ]
