import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from openpyxl import load_workbook
from pydantic import BaseModel

from flows.base.errors import UserError
from flows.farm import farm_file, farm_tables
from flows.setup import new, questions
from flows.setup.questions import Question
from schemas.farm.farm import Farm
from tests.flows.loggers import make, take

UNCOMMENTED = re.compile(r"(?m)^#(?! |$)")
PLACE = {"place": "49.5, -98", "elevation": "820 ft", "time_zone": "America/Winnipeg"}


def test_without_a_terminal_it_takes_defaults_and_says_what_is_missing(tmp_path: Path) -> None:
    root = tmp_path / "my farm"
    told = new.new(root)
    farm = farm_file.load(root / "farm.toml")
    assert (farm.farm.name, farm.farm.units, farm.farm.currency) == ("my farm", "metric", "USD")
    assert farm.place.latitude is None
    assert farm.backup is None
    assert "place: " in told
    assert "backups: " in told
    assert len((root / "farm.toml").read_text(encoding="utf-8").splitlines()) < 25
    assert (root / "drop").is_dir()
    assert "yield (kg/ha)" in [c.value for c in load_workbook(root / "fieldbook.xlsx")["passes"][1]]


def test_what_is_given_stands_in_the_file_and_nothing_is_missing(tmp_path: Path) -> None:
    given = {**PLACE, "name": 'The "Home" farm', "currency": "cad", "backup_to": "D:\\backups"}
    told = new.new(tmp_path / "farm", "canada", given)
    farm = farm_file.load(tmp_path / "farm" / "farm.toml")
    assert farm.farm.name == 'The "Home" farm'
    assert farm.farm.currency == "CAD"
    assert (farm.place.latitude, farm.place.longitude) == (49.5, -98.0)
    assert farm.place.elevation_m == pytest.approx(250, abs=0.5)  # 820 ft of 0.3048 m
    assert farm.backup is not None
    assert farm.backup.to == "D:\\backups"
    assert "missing" not in told


def test_each_is_asked_with_a_proposed_answer(tmp_path: Path) -> None:
    asked: list[Question] = []

    def ask(question: Question) -> str:
        asked.append(question)
        return question.answer(
            {"units": "2", "place": "49.5N 98W", "elevation": "250"}.get(
                question.key, question.proposed
            )
        )

    with pytest.raises(UserError, match="hours from the sun"):  # the computer's zone is UTC here
        new.new(tmp_path / "farm", None, {"time_zone": "Europe/Berlin"}, ask)
    assert not (tmp_path / "farm").exists()
    new.new(tmp_path / "farm", None, {"time_zone": "america/chicago"}, ask)
    keys = [question.key for question in asked[-6:]]
    assert keys == ["name", "units", "currency", "place", "elevation", "backup_to"]
    farm = farm_file.load(tmp_path / "farm" / "farm.toml")
    assert farm.farm.units == "us"
    assert farm.place.longitude == -98.0
    assert farm.place.time_zone == "America/Chicago"


@pytest.mark.parametrize(
    ("key", "word", "expected"),
    [
        ("units", "imperial", "metric or us or canada"),
        ("currency", "dollars", "three letters"),
        ("place", "here", "latitude and longitude"),
        ("place", "98, 490", "a latitude up to 90"),
        ("elevation", "high", "such as 250 m"),
        ("elevation", "", "--place: give --elevation too"),
        ("time_zone", "Prairie", "America/Winnipeg"),
    ],
)
def test_an_answer_that_cannot_be_taken_is_named_and_nothing_written(
    tmp_path: Path, key: str, word: str, expected: str
) -> None:
    with pytest.raises(UserError, match=f"--{key.replace('_', '-')} .*{expected}"):
        new.new(tmp_path / "farm", None, PLACE | {key: word})
    assert not (tmp_path / "farm").exists()


def test_an_elevation_without_a_place_is_named(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="--place"):
        new.new(tmp_path / "farm", None, {"elevation": "250"})


def test_a_farm_folder_is_not_overwritten(tmp_path: Path) -> None:
    new.new(tmp_path)
    before = (tmp_path / "farm.toml").read_bytes()
    with pytest.raises(UserError, match="already"):
        new.new(tmp_path, "us")
    assert (tmp_path / "farm.toml").read_bytes() == before


def test_the_new_farm_collects_and_is_told_that_it_has_no_place(tmp_path: Path) -> None:
    new.new(tmp_path / "farm")
    folder = make(tmp_path / "other", (tmp_path / "farm" / "farm.toml").read_text(encoding="utf-8"))
    assert any("has no place" in note for note in take(folder).notes)


def test_the_examples_of_the_reference_load_when_they_are_uncommented() -> None:
    farm = farm_file.parse(tomllib.loads(UNCOMMENTED.sub("", new.reference())), "examples")
    assert [s.name for s in farm.stations] == ["home treated", "ridge", "town", "pivot meter"]
    assert len(farm.probes[0].spells) == 2
    assert {p.name for p in farm.probes} >= {"N1", "N2", "N3"}
    assert {s.kind for s in (*farm.sources, *farm.image_sources)} == {"folder", "http", "stac"}
    assert farm_tables.tables(farm)["crop"].height > len(farm_tables.crop_list())


def test_the_reference_as_it_is_printed_is_a_farm_file() -> None:
    farm = farm_file.parse(tomllib.loads(new.reference()), "reference")
    assert farm.stations == ()


def keys(model: type[BaseModel]) -> Iterator[str]:
    """Every key of a model and of those inside it, as farm.toml writes them."""
    for name, field in model.model_fields.items():
        yield field.alias or name
        inside = [field.annotation, *getattr(field.annotation, "__args__", ())]
        for one in [*inside, *(a for i in inside for a in getattr(i, "__args__", ()))]:
            if isinstance(one, type) and issubclass(one, BaseModel):
                yield from keys(one)


def test_the_reference_names_every_key() -> None:
    named = set(re.findall(r"[a-z_]+", new.reference()))
    assert {"latitude", "settle_s", "rolls_at", "upper_temp_c", "to"} <= set(keys(Farm))
    assert set(keys(Farm)) - named == {"image_sources"}  # in the file among the sources


def test_a_choice_is_taken_by_number_and_by_word() -> None:
    question = Question("strip", "?", choices=(("treated", ""), ("check", "")))
    assert question.answer("2") == question.answer(" Check ") == "check"
    with pytest.raises(UserError, match="treated or check"):
        question.answer("3")
    assert questions.Question("x", "?", choices=(("a", ""),), open=True).answer("other") == "other"
