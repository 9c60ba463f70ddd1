"""A combine's export added: what its headings do not say is asked, kept in farm.toml, and read by."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

from flows.base.errors import UserError
from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.setup.add import add, added_map
from flows.setup.new import new
from flows.setup.questions import Question
from flows.store import query
from tests.flows.fieldbooks import book, workbook
from transforms import order

HEAD = "Lat,Lon,Grain Yld,Moisture,Speed,Swath Width(ft),Load"
POINTS = [f"{49.9 + s * 1.8e-5:.6f},-98.2,{50 + s % 3},13.2,4.5,30,7" for s in range(60)]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> FarmFolder:
    monkeypatch.setattr(order, "DERIVED", ("yield_point_cleaned",))
    root = tmp_path / "farm"
    new(root, None, {"time_zone": "America/Winnipeg", "units": "us"})
    made = FarmFolder.at(root)
    made.fieldbook_file.write_bytes(workbook(book()))
    return made


def export(path: Path, *lines: str, head: str = HEAD) -> Path:
    path.write_text("\n".join([head, *(lines or POINTS)]), encoding="utf-8")
    return path


def run(
    folder: FarmFolder, file: Path, ask: Callable[[Question], str], **given: str
) -> tuple[add.Added, str]:
    said: list[str] = []
    done = add.add(folder, [file], given, ask, lambda text: said.append(str(text)))
    return done, "\n".join(said)


def stored(folder: FarmFolder, sql: str) -> list[tuple[object, ...]]:
    with query.open_published(folder) as con:
        return [tuple(row) for row in con.sql(sql).fetchall()]


def asking(answers: Mapping[str, str], seen: list[Question]) -> Callable[[Question], str]:
    def ask(question: Question) -> str:
        seen.append(question)
        return question.answer(answers.get(question.key, question.proposed))

    return ask


def test_columns_are_proposed_and_what_is_open_is_asked(folder: FarmFolder, tmp_path: Path) -> None:
    """1 bu/ac is 2.47105 bu/ha (acre of 0.40468564 ha); 4.5 mph are 7.242 km/h; 30 ft are 9.144 m."""
    seen: list[Question] = []
    answers = {"field": "Home", "season": "2021"}
    done, said = run(folder, export(tmp_path / "export 7.csv"), asking(answers, seen))
    assert [(q.key, q.proposed) for q in seen] == [
        ("yield", "Grain Yld"),
        ("unit Grain Yld", "bu/ac"),
        ("unit Speed", "mph"),
        ("field", ""),
        ("season", ""),
    ]
    assert {choice for choice, _ in seen[0].choices} == {"Grain Yld", "Load"}
    assert "Grain Yld: yield (bu/ac)" in said
    assert "not used: Load" in said
    assert "Yield map of Home 2021: 60 points read" in said
    assert done.attention == []
    assert (folder.yield_maps / "Home 2021.csv").read_bytes() == (
        tmp_path / "export 7.csv"
    ).read_bytes()
    assert farm_file.load(folder.farm_toml).yield_map_headings == {
        "Home 2021.csv": {"Grain Yld": "yield (bu/ac)", "Speed": "speed (mph)"}
    }
    sql = "SELECT count(*), avg(yield_bu_ha), avg(speed_km_h), avg(width_m) FROM yield_point"
    ((points, bushels, speed, width),) = stored(folder, sql)
    assert points == 60
    assert bushels == pytest.approx(51 / 0.40468564, rel=1e-6)
    assert (speed, width) == (pytest.approx(7.242048), pytest.approx(9.144))


def test_a_map_that_says_all_of_it_asks_nothing_and_changes_no_farm_file(
    folder: FarmFolder, tmp_path: Path
) -> None:
    before = folder.farm_toml.read_bytes()
    head = "lat,lon,yield (bu/ac),moisture,speed (mph),width (ft)"
    file = export(tmp_path / "Home 2021.csv", *(p.rpartition(",")[0] for p in POINTS), head=head)
    seen: list[Question] = []
    run(folder, file, asking({}, seen))
    assert seen == []
    assert folder.farm_toml.read_bytes() == before
    assert stored(folder, "SELECT count(*) FROM yield_point") == [(60,)]


def test_a_unit_that_nobody_knows_leaves_its_column_out(folder: FarmFolder, tmp_path: Path) -> None:
    seen: list[Question] = []
    file = export(tmp_path / "Home 2021.csv")
    done = add.add(folder, [file], {"unit Speed": "none"}, asking({}, seen), print, confirmed=False)
    assert done.attention == [
        "Not confirmed: yield = Grain Yld.",
        "Not confirmed: unit Grain Yld = bu/ac.",
    ]
    assert stored(folder, "SELECT count(speed_km_h), count(yield_bu_ha) FROM yield_point") == [
        (0, 60)
    ]


@pytest.mark.parametrize(
    ("answers", "found"),
    [
        ({"unit Grain Yld": "none"}, "Without the unit of the yield"),
        ({"unit Grain Yld": "mph"}, "expected a unit such as t/ha or bu/ac"),
        ({"yield": "Color"}, "expected Grain Yld or Load"),
    ],
)
def test_without_a_yield_nothing_is_changed(
    folder: FarmFolder, tmp_path: Path, answers: dict[str, str], found: str
) -> None:
    before = folder.farm_toml.read_bytes()
    with pytest.raises(UserError, match=found):
        run(folder, export(tmp_path / "Home 2021.csv"), asking(answers, []))
    assert folder.farm_toml.read_bytes() == before
    assert not (folder.yield_maps / "Home 2021.csv").exists()


def test_another_map_of_the_same_name_is_not_overwritten(
    folder: FarmFolder, tmp_path: Path
) -> None:
    folder.yield_maps.mkdir(exist_ok=True)
    (folder.yield_maps / "Home 2021.csv").write_text("older")
    with pytest.raises(UserError, match="is there already"):
        run(folder, export(tmp_path / "Home 2021.csv"), asking({}, []))
    assert (folder.yield_maps / "Home 2021.csv").read_text() == "older"


def test_a_farm_file_that_was_changed_meanwhile_is_not_overwritten(
    folder: FarmFolder, tmp_path: Path
) -> None:
    def ask(question: Question) -> str:
        folder.farm_toml.write_text(folder.farm_toml.read_text() + "# mine\n")
        return question.answer(question.proposed)

    with pytest.raises(UserError, match="changed meanwhile"):
        run(folder, export(tmp_path / "Home 2021.csv"), ask)
    assert folder.farm_toml.read_text().endswith("# mine\n")
    assert not (folder.yield_maps / "Home 2021.csv").exists()


@pytest.mark.parametrize("field", ["../Home", "North/West", "C:Home"])
def test_a_field_whose_name_no_file_can_have_is_told_what_to_do(
    folder: FarmFolder, tmp_path: Path, field: str
) -> None:
    with pytest.raises(UserError, match="columns field and season"):
        run(folder, export(tmp_path / "export.csv"), asking({"field": field}, []))


def test_what_a_map_needed_in_the_farm_file_is_taken_back(
    folder: FarmFolder, tmp_path: Path
) -> None:
    run(folder, export(tmp_path / "Home 2021.csv"), asking({}, []))
    said: list[str] = []
    add.undo(folder, lambda text: said.append(str(text)))
    assert farm_file.load(folder.farm_toml).yield_map_headings == {}
    assert "Home 2021.csv" in " ".join(said)


def test_a_logger_that_names_its_place_is_no_map(tmp_path: Path) -> None:
    head = "time,latitude,longitude,air temperature (C)"
    lines = [f"2021-06-01 {h:02}:00,49.9,-98.2,{h}" for h in range(24)]
    assert not added_map.is_map(export(tmp_path / "station.csv", *lines, head=head))
    assert added_map.is_map(export(tmp_path / "map.csv"))
