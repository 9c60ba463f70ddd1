"""A field with three strips, through the command line: check, worked once, worked again; and two practices.

The truth is laid: worked once gives 300 kg/ha, worked again (a second time in 2022) 500 kg/ha. Passes
scatter about it by the same small amounts in every strip, other ones in each block and season.
"""

from __future__ import annotations

import sys
from datetime import date, timedelta
from pathlib import Path

import duckdb
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from flows import cli
from flows.books.fieldbook import tables_of
from flows.farm.folder import FarmFolder
from flows.pages import render
from flows.pages.digest import make
from flows.pages.published_tables import Tables
from flows.pages.week import Week
from flows.pages.year import forms, write
from flows.store import query, warehouse
from flows.trust import names as trust_names
from schemas import generated
from schemas.catalogue import TABLES
from schemas.farm.instruments import Spell
from tests.flows.cli.calling import call
from tests.flows.fieldbooks import book, workbook
from transforms import order

YEARS = (2020, 2021, 2022, 2023, 2024)
BASE = 4000.0
FIRST, SECOND = date(2020, 10, 12), date(2022, 10, 15)
NOISE = (12.0, -9.0, 5.0, -14.0, 6.0)


def truth(strip: str, year: int) -> float:
    """Treated minus check in kg/ha: nothing before the work."""
    if strip == "check" or year == 2020:
        return 0.0
    return 500.0 if strip == "worked again" and year > 2022 else 300.0


def sheets(strips: list[list[object]], work: list[list[object]], yields) -> dict[str, list]:
    passes = [
        [
            name,
            year,
            strip,
            n,
            BASE + yields(strip, year) + NOISE[(n + year + len(strip)) % 5],
            14.5,
        ]
        for name, strip, *_ in strips
        for year in YEARS
        for n in range(1, 5)
    ]
    fields = sorted({str(row[0]) for row in strips})
    return {
        "fields": [["field", "area (ha)", "practice"], *[[f, 60, "deep tillage"] for f in fields]],
        "strips": [["field", "strip", "role", "practice", "against"], *strips],
        "seasons": [
            ["field", "season", "crop", "seeded", "harvested"],
            *[[f, y, "spring wheat", date(y, 5, 8), date(y, 8, 28)] for f in fields for y in YEARS],
        ],
        "operations": [
            ["field", "strip", "day", "practice", "contract cost ($/ha)", "area (ha)"],
            *work,
        ],
        "passes": [
            ["field", "season", "strip", "pass", "yield (kg/ha)", "moisture (%)"],
            *passes,
        ],
        "prices": [
            ["crop", "season", "price", "unit"],
            *[["spring wheat", year, 300, "$/t"] for year in YEARS],
        ],
    }


THREE = sheets(
    [
        ["Gumbo", "check", "", "", ""],
        ["Gumbo", "worked once", "treated", "", ""],
        ["Gumbo", "Worked again", "treated", "", "check; worked once"],
    ],
    [
        ["Gumbo", "worked once", FIRST, "", 120, 2],
        ["Gumbo", "worked again", FIRST, "", 120, 2],
        ["Gumbo", "worked again", SECOND, "", 120, 2],
    ],
    lambda strip, year: truth(strip.lower(), year),
)


def run(root: Path, content: dict[str, list]) -> Path:
    """Run a farm with a field book once, by the commands that a grower types."""
    with pytest.MonkeyPatch.context() as patched:
        place = ("--place", "49.5,-98", "--elevation", "250 m", "--time-zone", "America/Winnipeg")
        new = ("new", root, "--name", "invented", "--currency", "CAD", "--units", "metric", *place)
        for words in ((*new, "--yes"), ("once", root)):
            if words[0] == "once":
                (root / "fieldbook.xlsx").write_bytes(workbook(content))
            patched.setattr(sys, "argv", ["checkstrip", *map(str, words)])
            with pytest.raises(SystemExit) as ended:
                cli.main()
            assert not ended.value.code
    return root


@pytest.fixture(scope="module")
def three(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return run(tmp_path_factory.mktemp("three") / "farm", THREE)


def _rows(root: Path, sql: str) -> list[tuple]:
    with query.open_published(FarmFolder.at(root)) as con:
        return con.sql(sql).fetchall()


def test_worked_once_and_again_beside_one_check(three) -> None:
    root = three
    assert _rows(root, "SELECT count(*) FROM book_problem") == [(0,)]
    assert _rows(root, "SELECT count(*) FROM derive_problem") == [(0,)]
    found = {
        (strip, against, year): (response, verdict)
        for strip, against, year, response, verdict in _rows(
            root, "SELECT strip, against, season, response_kg_ha, verdict FROM response"
        )
    }
    assert len(found) == 3 * len(YEARS)
    for (strip, against, year), (response, verdict) in found.items():
        expected = truth(strip.lower(), year) - truth(against.lower(), year)
        assert response == pytest.approx(expected, abs=25)
        assert verdict == ("gain" if expected else "not tested")


def test_a_repeat_is_paid_by_what_it_adds_to_the_strip_worked_once(three) -> None:
    """200 kg/ha more at 0.30 a kg are 60 a year, and the second working cost 120."""
    root = three
    found = _rows(
        root,
        "SELECT operation_day, season, marginal_net_per_ha, cost_per_ha FROM payback "
        "WHERE against = 'worked once' ORDER BY season",
    )
    assert [row[:2] for row in found] == [(SECOND, 2023), (SECOND, 2024)]
    for _, _, net, cost in found:
        assert (net, cost) == (pytest.approx(60, abs=6), 120)
    first = _rows(
        root,
        "SELECT count(*), min(season_net_per_ha) FROM payback WHERE strip = 'worked once'",
    )
    assert first == [(4, pytest.approx(90, abs=8))]


def test_a_field_season_counts_once_in_the_pooled_response(three) -> None:
    root = three
    found = _rows(
        root,
        "SELECT practice, site_years, fields FROM response_pooled WHERE grouping = 'all' ORDER BY ALL",
    )
    again = "deep tillage (Worked again against worked once)"
    assert found == [("deep tillage", 4, 1), (again, 2, 1)]
    outlook = _rows(root, "SELECT DISTINCT against FROM field_outlook")
    assert outlook == [("check",)]


def test_two_practices_beside_each_other_are_pooled_apart(tmp_path) -> None:
    content = sheets(
        [
            ["Gumbo", "check", "", "", ""],
            ["Gumbo", "ripped", "treated", "", ""],
            ["Gumbo", "gypsum", "treated", "gypsum", ""],
        ],
        [["Gumbo", "ripped", FIRST, "", 120, 2], ["Gumbo", "gypsum", FIRST, "", 80, 2]],
        lambda strip, year: {"ripped": 300.0, "gypsum": -100.0}.get(strip, 0.0) * (year > 2020),
    )
    root = run(tmp_path / "farm", content)
    found = {
        practice: (n, mean)
        for practice, n, mean in _rows(
            root,
            "SELECT practice, site_years, response_kg_ha FROM response_pooled WHERE grouping = 'all'",
        )
    }
    assert found == {
        "deep tillage": (4, pytest.approx(300, abs=20)),
        "gypsum": (4, pytest.approx(-100, abs=20)),
    }


def test_pages_name_each_comparison(three, capsys, monkeypatch) -> None:
    root = three
    code, out, err = call(capsys, monkeypatch, "report", root, "--brief")
    assert code == 0, out + err
    pages = "".join(path.read_text("utf-8") for path in (root / "reports").glob("*.html"))
    for name in ("worked once against check", "Worked again against check"):
        assert f"Gumbo ({name})" in pages
    start = (root / "index.html").read_text("utf-8")
    assert start.count("Gumbo (") == 1  # its weather and water are those of the whole field


def test_a_saved_query_of_a_two_strip_farm_answers_as_before(tmp_path) -> None:
    content = book()
    root = run(tmp_path / "farm", content)
    assert _rows(
        root,
        "SELECT strip, round(yield_kg_ha) > 0 FROM strip_yield WHERE field = 'Home' "
        "AND pass = 'all' AND method = 'combined' AND strip IN ('treated', 'check') ORDER BY strip",
    ) == [("check", True), ("treated", True)]
    assert _rows(root, "SELECT field, season, treated_kg_ha > check_kg_ha FROM response") == [
        ("Home", 2021, True),
        ("River", 2021, None),
    ]
    assert _rows(root, "SELECT DISTINCT strip, against FROM payback") == [("treated", "check")]


@pytest.mark.parametrize(
    ("sheet", "row", "cause", "expected"),
    [
        ("strips", ["Gumbo", "chek", "", "", ""], "the strip has no role", "treated or check"),
        ("strips", ["Gumbo", "a;b", "treated", "", ""], "the strip is not known", "check"),
        (
            "strips",
            ["Gumbo", "third", "treated", "", "chek"],
            "the strip to compare with is not known",
            "check",
        ),
        ("strips", ["Gumbo", "east", "check", "", "check"], "a check is compared", "empty cell"),
        ("strips", ["Gumbo", "east", "check", "", ""], "the field has several checks", "east"),
        (
            "passes",
            ["Gumbo", 2021, "treated twice", 9, 4000, 14],
            "the strip is not known",
            "on the sheet strips",
        ),
        ("operations", ["Gumbo", "", FIRST, "", 1, 1], "the strip that was worked", "worked once"),
    ],
)
def test_what_the_book_says_of_strips_is_checked(sheet, row, cause, expected) -> None:
    content = {name: list(rows) for name, rows in THREE.items()}
    content[sheet].append(row)
    problems = tables_of({"book.xlsx": workbook(content)}).problems
    found = [p for p in problems if p.cause.startswith(cause)]
    assert found, [p.sentence for p in problems]
    assert expected in found[0].expected


def test_names_of_strips_are_read_in_any_case_and_stand_as_the_sheet_strips_has_them() -> None:
    frames = tables_of({"book.xlsx": workbook(THREE)}).frames
    assert set(frames["operation"]["strip"]) == {"worked once", "Worked again"}
    assert frames["strip"].sort("strip")["role"].to_list() == ["treated", "check", "treated"]
    assert frames["strip"].sort("strip")["against"][0] == "check; worked once"


def test_the_week_tells_of_one_comparison_of_a_field_the_report_of_all(three) -> None:
    with query.open_published(FarmFolder.at(three)) as con:
        tables = Tables(con)
        assert len(tables.fields()) == 3
        assert [row["field"] for row in tables.watched()] == [tables.fields()[0]["field"]]


def test_a_task_of_the_whole_field_marks_its_row_of_the_week(three) -> None:
    with query.open_published(FarmFolder.at(three)) as con:
        tables = Tables(con)
        last = tables("season")["harvested"].max()
        week = Week.of(last - timedelta(days=12))
        page = make.digest(tables, week, tables.show(), week.sunday)
        text = " ".join(render.text(page, tables.show()).split())
    assert "Print the pass sheet (checkstrip form passes) for Gumbo (by" in text
    row = text.partition("Each field this week")[2].partition("To do this week")[0]
    assert row.count("seasonal task") == 1


def test_a_task_of_the_whole_field_is_asked_once_the_decision_for_each_comparison(three) -> None:
    rows = write.year(FarmFolder.at(three), day=date(2024, 9, 10)).rows
    asked = {
        what: sorted(row["field"] for row in rows if (row["task"], row["season"]) == (what, 2024))
        for what in ("passes", "decide")
    }
    assert asked["passes"] == ["Gumbo"]
    assert len(asked["decide"]) == 3
    assert all(name.startswith("Gumbo (") for name in asked["decide"])


def test_the_pass_sheet_has_a_row_for_each_strip(three) -> None:
    written = forms.write(FarmFolder.at(three), "passes")
    rows = next(p for p in written if p.suffix == ".csv").read_text("utf-8")
    for strip in ("worked once", "Worked again", "check"):
        assert f"Gumbo,2024,{strip},1" in rows


def test_a_field_whose_strips_have_other_names_says_the_same(tmp_path) -> None:
    """Every table of a farm is the same whether its treated strip is called so or worked once."""
    found = []
    for name, role in (("treated", ""), ("worked once", "treated")):
        content = sheets(
            [
                *([field, "check", "", "", ""] for field in ("Gumbo", "River")),
                ["Gumbo", name, role, "", ""],
                ["River", "treated", "", "", ""],
            ],
            [["Gumbo", name, FIRST, "", 120, 2], ["River", "treated", FIRST, "", 120, 2]],
            lambda strip, year: 300.0 * (strip != "check" and year > 2020),
        )
        noisy = content["passes"]  # the noise of the harness goes by the length of a strip's name
        content["passes"] = [noisy[0]] + [
            [
                *row[:4],
                row[4]
                - NOISE[(row[3] + row[1] + len(row[2])) % 5]
                + 9 * (row[3] * row[1] % 4) * (row[2] == "check"),
                row[5],
            ]
            for row in noisy[1:]
        ]
        root = run(tmp_path / name, content)
        with query.open_published(FarmFolder.at(root)) as con:
            found.append({t: warehouse.read(con, TABLES[t]) for t in order.DERIVED})
    as_usual, named = found
    for table, rows in named.items():
        if table == "comparison":
            continue
        words = pl.col(pl.String).str.replace_all(" (worked once against check)", "", literal=True)
        back = rows.with_columns(words).with_columns(
            pl.col(pl.String).replace("worked once", "treated")
        )
        key = list(TABLES[table].key)
        assert_frame_equal(back.sort(key), as_usual[table].sort(key))
    assert named["more_evidence"].height and named["response_fade"].height


def test_farm_toml_places_instruments_in_any_strip_and_a_name_nobody_knows_is_told() -> None:
    begun = date(2021, 5, 1)
    names = [
        Spell.model_validate({"field": "Gumbo", "strip": s, "from": begun}).strip
        for s in ("worked once", "Check", "check 2")
    ]
    assert names == ["worked once", "check", "check 2"]
    con = duckdb.connect()
    for name in ("field", "comparison", "station_spell", "probe_spell", "strip_outline"):
        con.execute(generated.ddl(TABLES[name]))
    con.execute("INSERT INTO field (field, practice) VALUES ('Gumbo', 'deep tillage')")
    con.execute(
        "INSERT INTO comparison (field, strip, against, name, against_role) "
        "VALUES ('Gumbo', 'worked once', 'check', 'Gumbo (worked once against check)', 'check')"
    )
    for probe, strip in (("one", "worked once"), ("two", "check"), ("three", "worked twice")):
        con.execute(
            "INSERT INTO probe_spell (probe, from_day, field, strip) VALUES (?, ?, 'Gumbo', ?)",
            [probe, begun, strip],
        )
    con.execute(
        "INSERT INTO strip_outline VALUES ('Gumbo', 'treated', 1, NULL, NULL, 'POINT (1 1)')"
    )
    drawn, said = trust_names.strips(con)
    assert drawn.startswith("yieldmaps/ has an outline in the strip treated of Gumbo")
    assert "the probe three in the strip worked twice of Gumbo" in said
    assert "on the sheet strips" in said
