"""The sheet renames, from the field book to the tables, explain, status and inspect."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flows.derive import derive
from flows.farm.folder import FarmFolder
from flows.run import steps
from flows.setup import try_out
from flows.setup.inspection.checks import inspect
from flows.store import checksum, query, warehouse
from flows.trust import status
from flows.trust.backup import rebuild
from flows.trust.explain.explain import explain
from flows.trust.explain.file_lines import FileLines
from tests.flows.fieldbooks import book, workbook
from tests.flows.loggers import FARM, ask, drop, make, row, take, usual

HEADINGS = ["old name", "new name", "what", "field"]
BY_NAME = FARM.replace(
    'station = "west"\nprobe = "deep"\nglob = "*.csv"', 'glob = "{station}_*.csv"'
)
BY_NAME = BY_NAME.replace(
    'time = {columns = ["t"], offset = "-06:00"}',
    'time = {columns = ["t"], offset = "-06:00"}\ninstrument_column = "who"',
).replace('glob = "{station}_*.csv"', 'glob = "*.csv"')
OLD = BY_NAME.replace('"west"', '"north"').replace('ids = ["W1"]\n', "")
HEADING = "t,T,R,S1,S2,who"


def lines(first: int, last: int, who: str) -> list[str]:
    return [row(hour, 50 + hour % 24, 0.01, "", "", who) for hour in range(first, last)]


def save(folder: FarmFolder, *rules: list[object], **sheets: list[list[object]]) -> None:
    renames = {"renames": [HEADINGS, *map(list, rules)]} if rules else {}
    folder.fieldbook_file.write_bytes(workbook(book() | sheets | renames))


def set_up(folder: FarmFolder, toml: str) -> None:
    folder.farm_toml.write_text(toml, encoding="utf-8")


def total(folder: FarmFolder) -> str:
    with warehouse.open_writer(folder, "a test") as con:
        derive.derive(con)
        return checksum.total(con)


def stations(folder: FarmFolder, table: str = "weather_reading") -> list[tuple[object, ...]]:
    return ask(folder, f"SELECT station, count(*) FROM {table} GROUP BY ALL ORDER BY ALL")


def test_a_stations_history_follows_it_to_its_new_name_and_back(tmp_path: Path) -> None:
    folder = make(tmp_path / "farm", OLD)
    drop(folder, "a.csv", lines(0, 48, "north"), heading=HEADING)
    save(folder)
    take(folder)
    total(folder)
    set_up(folder, BY_NAME)
    take(folder)
    assert ask(folder, "SELECT DISTINCT cause, found FROM quarantine") == [
        ("no such station", "north")
    ]
    total(folder)
    steps.publish(folder)
    notes = " ".join(status.status(folder).notes)
    assert "Files name a station that farm.toml does not have: north. Did" in notes
    save(folder, ["North", "W1", "station", ""])
    drop(folder, "b.csv", lines(48, 72, "west"), heading=HEADING)
    take(folder)
    after = total(folder)
    assert stations(folder) == [("west", 72)]
    assert stations(folder, "weather_day") == [("west", 4)]
    assert ask(folder, "SELECT kind, old_name, new_name FROM renamed") == [
        ("station", "North", "west")
    ]
    assert ask(folder, "SELECT count(*) FROM quarantine") == [(0,)]
    steps.publish(folder)
    found = status.status(folder)
    assert found.renamed == ["station North, today west"]
    assert not any("farm.toml does not have" in s for s in [*found.notes, *found.attention])
    with query.open_published(folder) as con:
        text = explain(con, "weather_day", ["north", "2020-06-01"], FileLines.of(folder, con))
    assert "The station west was called North: what came under that name counts here." in text
    assert "in lines 3 to 26 of the file" in text
    assert rebuild.rebuild(folder) == after
    set_up(folder, OLD)
    save(folder)
    (folder.drop / "b.csv").unlink()
    take(folder)
    total(folder)
    assert stations(folder) == [("north", 48)]


def test_farm_toml_may_keep_the_old_name(tmp_path: Path) -> None:
    folder = make(tmp_path / "farm")
    drop(folder, "a.csv", [usual(hour) for hour in range(24)])
    save(folder, ["west", "Home station", "station", ""], ["deep", "Home probe", "probe", ""])
    take(folder)
    assert stations(folder) == [("Home station", 24)]
    assert ask(folder, "SELECT DISTINCT probe FROM soil_reading") == [("Home probe",)]
    assert ask(folder, "SELECT count(*) FROM book_problem") == [(0,)]
    now = total(folder)
    assert rebuild.rebuild(folder) == now
    save(folder)
    take(folder)
    assert stations(folder) == [("west", 24)]


RULES: list[list[object]] = [
    ["north", "west", "station", ""],
    ["Heimat", "Home", "field", ""],
    ["links", "treated", "strip", "Heimat"],
]
FILES = [
    ("1.csv", lines(0, 30, "north")),
    ("2.csv", lines(20, 50, "west")),
    ("3.csv", lines(45, 60, "north")),
]
BOOKS = ["plain", "renamed"]


def old_words(*rules: list[object]) -> dict[str, list[list[object]]]:
    """A good book in which some rows are under former names."""
    sheets: dict[str, list[list[object]]] = book()
    passes = sheets["passes"]
    for number, name in ((1, "Heimat"), (2, "HOME")):
        passes[number][0] = name
    if rules:
        passes[1][2] = "links"
        sheets["seasons"][1][0] = "Heimat"
        sheets["renames"] = [HEADINGS, *map(list, rules)]
    return sheets


@settings(max_examples=4, deadline=None)
@given(order=st.permutations([*range(3), *BOOKS]))
def test_the_order_of_deliveries_and_of_the_renaming_does_not_matter(
    order: list[int | str],
) -> None:
    with tempfile.TemporaryDirectory() as place:
        folder = make(Path(place) / "farm", BY_NAME)
        for step in [*order, "renamed"]:
            if isinstance(step, int):
                drop(folder, FILES[step][0], FILES[step][1], heading=HEADING)
            else:
                rules = RULES if step == "renamed" else []
                folder.fieldbook_file.write_bytes(workbook(old_words(*rules)))
            take(folder)
        now = total(folder)
        assert stations(folder) == [("west", 60)]
        assert ask(folder, "SELECT count(*) FROM superseded_reading") == [(0,)]
        assert ask(folder, "SELECT count(*) FROM book_problem WHERE lost <> 'none'") == [(0,)]
        assert ask(
            folder, "SELECT field, strip, count(*) FROM harvest_pass GROUP BY ALL ORDER BY 2"
        ) == [
            ("Home", "check", 3),
            ("Home", "treated", 3),
        ]
        assert now == KNOWN.setdefault("total", now)
        assert rebuild.rebuild(folder) == now


KNOWN: dict[str, str] = {}


def test_two_fields_that_become_one(tmp_path: Path) -> None:
    folder = make(tmp_path / "farm", FARM.replace('field = "North"', 'field = "Old quarter"'))
    drop(folder, "a.csv", [usual(hour) for hour in range(24)])
    more = old_words()
    passes = more["passes"]
    passes[1][0] = "Home"
    other = [["Old quarter", *line[1:4], line[4] + 100, *line[5:]] for line in passes[1:7]]
    more["passes"] = [*passes, *other]
    more["fields"].append(["Old quarter", 64, "deep tillage"])
    more["strips"] += [["Old quarter", side, 36] for side in ("treated", "check")]
    more["seasons"].append(["Old quarter", *more["seasons"][1][1:]])
    more["renames"] = [HEADINGS, ["old Quarter", "home", "field", ""]]
    folder.fieldbook_file.write_bytes(workbook(more))
    maps = folder.root / "yieldmaps"
    maps.mkdir()
    (maps / "Old quarter 2021.csv").write_text(
        "latitude,longitude,yield (t/ha),strip\n50,-100,3,treated\n"
    )
    (maps / "Home 2021.csv").write_text("latitude,longitude,yield (t/ha)\n50,-100.01,4\n")
    take(folder)
    now = total(folder)
    assert ask(folder, "SELECT sentence FROM book_problem WHERE lost <> 'none'") == []
    assert ask(folder, "SELECT field FROM field ORDER BY 1") == [("Home",), ("River",)]
    assert ask(folder, "SELECT DISTINCT field FROM yield_point") == [("Home",)]
    assert ask(folder, "SELECT DISTINCT field FROM probe_spell") == [("Home",)]
    passes_now = ask(
        folder, "SELECT pass, block FROM harvest_pass WHERE strip = 'check' ORDER BY 1"
    )
    assert passes_now == [
        *(((n := str(number)), n) for number in (1, 2, 3)),
        *(((n := f"Old quarter {number}"), n) for number in (1, 2, 3)),
    ]
    assert ask(folder, "SELECT blocks FROM response WHERE field = 'Home'") == [(6,)]
    assert rebuild.rebuild(folder) == now
    del more["renames"]
    folder.fieldbook_file.write_bytes(workbook(more))
    take(folder)
    assert ask(folder, "SELECT DISTINCT field FROM yield_point ORDER BY 1") == [
        ("Home",),
        ("Old quarter",),
    ]


@pytest.mark.parametrize(
    ("rule", "cause", "expected"),
    [
        (["noth", "wst", "station", ""], "farm.toml has no such station", "west"),
        (["W1", "deep", "probe", ""], "", ""),
        (["Heimat", "Hom", "field", ""], "the field is not known", "Home"),
        (["left", "left side", "strip", ""], "a strip is treated or check", "treated or check"),
        (["check", "treated", "strip", ""], "the word means a strip already", "a name of"),
        (["left", "check", "strip", "Nowhere"], "the field is not known", "a field of|one of|Home"),
        (
            ["west", "WEST", "station", ""],
            "the two names are one: capitals do not count",
            "another",
        ),
        (["all", "Home", "field", ""], "the name 'all' means every one", "another name"),
        (["east", "west", "station", "Home"], "a station is renamed everywhere", "an empty cell"),
    ],
)
def test_a_rule_that_cannot_be_is_a_fault_of_the_book(
    tmp_path: Path, rule: list[object], cause: str, expected: str
) -> None:
    folder = make(tmp_path / "farm")
    save(folder, rule, ["other", "west", "station", ""])
    take(folder)
    found = ask(folder, "SELECT line, cause, expected FROM book_problem WHERE sheet = 'renames'")
    if not cause:
        assert found == []
        return
    ((line, said, wanted),) = found
    assert (line, said) == (2, cause)
    assert any(str(wanted).startswith(word) for word in expected.split("|"))
    assert ("station", "other") in ask(folder, "SELECT kind, old_name FROM renamed")


def test_rules_in_a_circle_are_rejected_each(tmp_path: Path) -> None:
    folder = make(tmp_path / "farm")
    save(folder, ["a", "b", "field", ""], ["b", "A", "field", ""], ["c", "a", "field", ""])
    take(folder)
    assert ask(folder, "SELECT line, cause FROM book_problem WHERE cause LIKE '%back%'") == [
        (line, "the renames lead back to this name") for line in (2, 3, 4)
    ]


def test_a_row_under_the_former_name_that_says_otherwise_is_named(tmp_path: Path) -> None:
    folder = make(tmp_path / "farm")
    sheets = book()
    sheets["fields"].append(["Heimat", 12, "deep tillage"])
    sheets["renames"] = [HEADINGS, ["Heimat", "Home", "field", ""]]
    folder.fieldbook_file.write_bytes(workbook(sheets))
    take(folder)
    assert ask(folder, "SELECT cause, found FROM book_problem WHERE lost = 'row'") == [
        ("the row under the former name differs from row 2", "'Heimat: area (ha) 12.0'")
    ]
    assert ask(folder, "SELECT area_ha FROM field WHERE field = 'Home'") == [(64,)]


def test_a_damaged_file_keeps_its_readings_under_the_new_name(tmp_path: Path) -> None:
    folder = make(tmp_path / "farm", OLD)
    drop(folder, "a.csv", lines(0, 10, "north"), heading=HEADING)
    take(folder)
    archived = [
        path
        for path in (folder.archive).rglob("*")
        if path.is_file() and path.parent.name != "receipts"
    ]
    largest = max(archived, key=lambda path: path.stat().st_size)
    largest.chmod(0o600)
    largest.write_bytes(largest.read_bytes().replace(b"50", b"51", 1))
    set_up(folder, BY_NAME)
    save(folder, ["north", "west", "station", ""])
    take(folder)
    assert stations(folder) == [("west", 10)]
    assert ask(folder, "SELECT kind, instrument FROM delivery_instrument") == [("station", "west")]


def test_what_stands_under_a_name_that_nobody_has_is_told(tmp_path: Path) -> None:
    folder = make(tmp_path / "farm")
    drop(folder, "a.csv", [usual(hour) for hour in range(24)])
    save(folder)
    take(folder)
    total(folder)
    with warehouse.open_writer(folder, "a test") as con:
        con.execute("DELETE FROM station_spell")
    steps.publish(folder)
    found = status.status(folder)
    assert any(
        s.startswith(
            "There are readings of the station west, which farm.toml does not have. Did you"
        )
        for s in found.attention
    )
    said = {finding.sentence for finding in inspect(folder) if finding.about == "names"}
    assert (
        "farm.toml places the probe deep on the field North, which the field book does not have."
        in said
    )


def test_try_knows_todays_names_and_a_file_name_of_nobody_is_named(tmp_path: Path) -> None:
    toml = FARM.replace(
        'station = "west"\nprobe = "deep"\nglob = "*.csv"', 'glob = "{station}_*.csv"'
    )
    folder = make(tmp_path / "farm", toml)
    save(folder)
    first = drop(folder, "north_1.csv", [row(hour, 50, 0, "", "") for hour in range(5)])
    os.utime(first, (0, 0))  # a file that no source takes settles for a minute
    take(folder)
    ((expected,),) = ask(folder, "SELECT expected FROM quarantine")
    assert "farm.toml does not have the station north: if it was renamed" in str(expected)
    save(folder, ["north", "west", "station", ""])
    take(folder)
    assert stations(folder) == [("west", 5)]
    drop(folder, "north_2.csv", [row(hour, 50, 0, "", "") for hour in range(5, 9)])
    (found,) = try_out.try_out(folder)
    assert (found.new, found.rows_landed, found.refused_whole) == (1, 9, 0)
