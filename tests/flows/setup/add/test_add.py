"""From a logger's files to the first table: as a grower types it, and held to what the files say."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from pathlib import Path

import duckdb
import pytest

from flows.base.errors import UserError
from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.setup.add import add, written
from flows.setup.new import new
from flows.setup.questions import Question, proposed
from flows.store import query
from tests.flows import fieldbooks
from tests.flows.cli.calling import call
from tests.flows.setup.add import exports

CLOCK = "-06:00"
Type = Callable[..., str]


@pytest.fixture
def typed(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Type:
    """A command as typed, which has to end well; its output."""

    def type_(*words: object) -> str:
        code, out, err = call(capsys, monkeypatch, *words)
        assert code == 0, out + err
        return out

    return type_


def rows(folder: FarmFolder, sql: str) -> list[tuple[object, ...]]:
    with query.open_published(folder) as con:
        return [tuple(row) for row in con.sql(sql).fetchall()]


def file(path: Path, write: Callable[[Path], None] | None = None) -> Path:
    """Write the invented export of that name, or by ``write``."""
    (write or (exports.STATIONS | exports.PROBES)[path.name])(path)
    return path


def farm(root: Path, **more: str) -> FarmFolder:
    new(root, None, {"time_zone": "America/Winnipeg", **more})
    return FarmFolder.at(root)


def added(folder: FarmFolder, path: Path, **given: str) -> add.Added:
    return add.add(
        folder, [file(path)], {"clock": CLOCK, "stamp": "end", **given}, proposed, lambda _: None
    )


@pytest.mark.parametrize(
    ("station", "probe"),
    [("north_station.csv", "north_treated_soil.csv"), ("logger7_2025.dat", "pit_check.tsv")],
)
def test_four_commands_and_no_edit_fill_the_first_tables(
    tmp_path: Path, typed: Type, station: str, probe: str
) -> None:
    root = tmp_path / "farm"
    told = ("--yes", "--clock=-06:00", "--stamp", "end", "--field", "North")
    typed("new", root, "--yes", "--time-zone", "America/Winnipeg")
    typed("add", root, file(tmp_path / station), *told, "--strip", "treated")
    out = typed("add", root, file(tmp_path / probe), *told, "--strip", "check")
    found = json.loads(
        typed(
            "sql",
            root,
            "SELECT (SELECT count(*) FROM weather_day WHERE rain_mm IS NOT NULL) AS wet, "
            "(SELECT count(*) FROM soil_day WHERE vwc_mean_pct IS NOT NULL) AS soil",
            "--json",
        )
    )
    assert found == [{"wet": exports.DAYS, "soil": exports.DAYS * len(exports.DEPTHS_CM)}]
    assert "vwc_mean_pct" in out
    folder = FarmFolder.at(root)
    rain = sum(exports.rain_mm(h) for h, _ in exports.moments(60))
    assert rows(folder, "SELECT sum(rain_mm) FROM weather_day")[0][0] == pytest.approx(
        rain, abs=0.3
    )
    top = [exports.vwc_pct(h, 10) for h, _ in exports.moments(60)][:24]
    (mean,) = rows(folder, "SELECT vwc_mean_pct FROM soil_day WHERE depth_cm = 10 ORDER BY day")[0]
    assert mean == pytest.approx(sum(top) / 24, abs=0.1)
    places = rows(folder, "SELECT DISTINCT field, strip FROM soil_day")
    assert places == [("North", "check")]


def test_a_json_service_that_names_its_offset_needs_no_clock(tmp_path: Path, typed: Type) -> None:
    root = tmp_path / "farm"
    typed(
        "new",
        root,
        "--yes",
        "--time-zone",
        "America/Winnipeg",
        "--place",
        "49.5,-98",
        "--elevation",
        "250",
    )
    out = typed(
        "add", root, file(tmp_path / "export.json"), "--yes", "--stamp", "end", "--clock=-06:00"
    )
    assert "air_temperature_c: air temperature in degC" in out
    assert "2025-05-12 02:00" in out  # by the farm's clock, with daylight saving
    assert rows(FarmFolder.at(root), "SELECT count(*), min(day) FROM weather_day") == [
        (exports.DAYS, date(2025, 5, 12))
    ]


def test_the_first_payback_takes_six_commands(tmp_path: Path, typed: Type) -> None:
    root = tmp_path / "farm"
    told = ("--yes", "--clock=-06:00", "--stamp", "end", "--field", "Home", "--strip", "treated")
    typed("new", root, "--yes", "--time-zone", "America/Winnipeg")
    typed("add", root, file(tmp_path / "north_station.csv"), *told)
    typed("add", root, file(tmp_path / "north_treated_soil.csv"), *told)
    (root / "fieldbook.xlsx").write_bytes(fieldbooks.workbook(fieldbooks.book()))
    typed("once", root)
    found = json.loads(
        typed("sql", root, "SELECT field, season, crop, season_net_per_ha FROM payback", "--json")
    )
    assert [(row["field"], row["season"], row["crop"]) for row in found] == [
        ("Home", 2021, "spring wheat")
    ]
    assert found[0]["season_net_per_ha"] is not None


def test_what_it_took_it_takes_back(tmp_path: Path) -> None:
    folder = farm(tmp_path / "farm")
    added(folder, tmp_path / "north_station.csv", field="North", strip="treated")
    before = folder.farm_toml.read_text(encoding="utf-8")
    (weather,) = rows(folder, "SELECT count(*) FROM weather_reading")
    added(folder, tmp_path / "pit_check.tsv", field="North", strip="check")
    assert rows(folder, "SELECT count(DISTINCT depth_cm) FROM soil_day") == [(3,)]
    said: list[str] = []
    add.undo(folder, said.append)
    assert folder.farm_toml.read_text(encoding="utf-8") == before
    assert rows(folder, "SELECT count(*) FROM soil_reading") == [(0,)]
    assert rows(folder, "SELECT count(*) FROM soil_day") == [(0,)]
    assert rows(folder, "SELECT count(*) FROM weather_reading") == [weather]
    assert "probe pit check" in " ".join(said)
    archived = list(folder.archive.glob("20*/*"))
    assert len(archived) == 2  # the archive keeps everything
    again = added(folder, tmp_path / "pit_check.tsv", field="North", strip="check")
    assert again.attention == []
    assert rows(folder, "SELECT count(*) FROM soil_reading") == [(24 * 7 * 3,)]
    assert len(list(folder.archive.glob("20*/*"))) == 2


def test_questions_have_proposed_answers_and_what_is_sure_is_not_asked(tmp_path: Path) -> None:
    folder = farm(tmp_path / "farm")
    asked: list[Question] = []

    def ask(question: Question) -> str:
        asked.append(question)
        return question.answer({"field": "North"}.get(question.key, question.proposed))

    path = file(tmp_path / "north_treated_soil.csv")
    add.add(folder, [path], {}, ask, lambda _: None)
    assert [q.key for q in asked] == ["stamp", "clock", "instrument", "field", "strip", "since"]
    proposed_ = {q.key: q.proposed for q in asked}
    assert proposed_["clock"] == CLOCK
    assert proposed_["instrument"] == "north treated soil"
    assert proposed_["strip"] == "treated"
    assert proposed_["since"] == "2025-05-12"
    asked.clear()
    add.add(folder, [file(tmp_path / "pit_check.tsv")], {}, ask, lambda _: None)
    assert {q.key: q.proposed for q in asked}["field"] == "North"  # the only field there is
    assert {q.key: q.proposed for q in asked}["strip"] == "check"


def test_the_fields_of_the_book_are_proposed_and_a_new_one_is_named(tmp_path: Path) -> None:
    folder = farm(tmp_path / "farm")
    folder.fieldbook_file.write_bytes(fieldbooks.workbook(fieldbooks.book()))
    path, asked, said = file(tmp_path / "river_check.csv", exports.semicolon_probe), [], list[str]()

    def ask(question: Question) -> str:
        asked.append(question)
        return question.answer(question.proposed)

    with pytest.raises(UserError, match="Nothing was changed"):
        add.add(folder, [path], {}, ask, said.append, agree=lambda _: False)
    (field,) = [q for q in asked if q.key == "field"]
    assert [choice for choice, _ in field.choices] == ["Home", "River"]
    assert field.proposed == "River"  # by the file's name
    with pytest.raises(UserError, match="Nothing was changed"):
        add.add(folder, [path], {"field": "Rivver"}, ask, said.append, agree=lambda _: False)
    assert "The field Rivver is new; known so far: Home, River." in said[-1]
    assert not folder.published_file.exists()


def test_a_probe_without_its_field_is_not_guessed(tmp_path: Path) -> None:
    folder = farm(tmp_path / "farm")
    before = folder.farm_toml.read_bytes()
    with pytest.raises(UserError, match="expected an answer"):
        added(folder, tmp_path / "pit_check.tsv")
    assert folder.farm_toml.read_bytes() == before
    assert not folder.published_file.exists()


def test_depths_that_no_heading_says_are_asked_in_one_line(tmp_path: Path) -> None:
    folder = farm(tmp_path / "farm")
    path = tmp_path / "deep.csv"
    exports.semicolon_probe(path)
    lines = path.read_text().splitlines()
    lines[0] = "Time;Soil moisture A (%);Soil moisture B (%);Soil moisture C (%)"
    path.write_text("\n".join([*lines, ""]))
    given = {"clock": CLOCK, "stamp": "end", "field": "North", "strip": "check"}
    with pytest.raises(UserError, match="expected 3 depths"):
        add.add(folder, [path], given, proposed, lambda _: None)
    add.add(folder, [path], {**given, "depths": "4 in, 30, 60 cm"}, proposed, lambda _: None)
    assert rows(folder, "SELECT DISTINCT depth_cm FROM soil_day ORDER BY 1") == [
        (10.16,),
        (30.0,),
        (60.0,),
    ]


def test_a_second_file_of_the_same_logger_needs_no_second_source(tmp_path: Path) -> None:
    folder = farm(tmp_path / "farm")
    added(folder, tmp_path / "north_station.csv", field="North", strip="treated")
    before = folder.farm_toml.read_bytes()
    later = tmp_path / "north_station_2.csv"
    text = (tmp_path / "north_station.csv").read_text().replace("05/", "06/")
    later.write_text(text)
    given = {"clock": CLOCK, "stamp": "end", "instrument": "north station"}
    add.add(folder, [later], given, proposed, lambda _: None)
    assert folder.farm_toml.read_bytes() == before
    assert rows(folder, "SELECT count(*) FROM weather_reading") == [(2 * 24 * 7,)]
    assert len(farm_file.load(folder.farm_toml).sources) == 1


def test_several_probes_in_one_file_become_several_instruments(tmp_path: Path) -> None:
    folder = farm(tmp_path / "farm")
    lines = ["Time,Logger,Soil moisture 10 cm (%),Soil moisture 30 cm (%)"]
    for hour, moment in exports.moments(60):
        for number, name in enumerate(("P/1", "P2")):
            values = [f"{exports.vwc_pct(hour, depth) - number:.2f}" for depth in (10, 30)]
            lines.append(",".join([f"{moment:%Y-%m-%d %H:%M}", name, *values]))
    path = tmp_path / "all_probes.csv"
    path.write_text("\n".join([*lines, ""]))
    given = {
        "clock": CLOCK,
        "stamp": "end",
        "field": "North",
        "strip P/1": "treated",
        "strip P2": "check",
    }
    add.add(folder, [path], given, proposed, lambda _: None)
    assert rows(folder, "SELECT probe, strip, count(*) FROM soil_day GROUP BY ALL ORDER BY 1") == [
        ("P-1", "treated", 14),
        ("P2", "check", 14),
    ]


def test_another_writer_is_named_and_nothing_is_changed(tmp_path: Path) -> None:
    from flows.base import lock

    folder = farm(tmp_path / "farm")
    before = folder.farm_toml.read_bytes()
    with lock.hold(folder.lock_file, "collecting"), pytest.raises(UserError, match="collecting"):
        added(folder, tmp_path / "north_station.csv", field="North", strip="treated")
    assert folder.farm_toml.read_bytes() == before


def test_a_farm_file_that_was_changed_meanwhile_is_not_overwritten(tmp_path: Path) -> None:
    folder = farm(tmp_path / "farm")

    def ask(question: Question) -> str:
        if question.key == "since":
            folder.farm_toml.write_text(folder.farm_toml.read_text() + "# mine\n")
        return question.answer({"field": "North"}.get(question.key, question.proposed))

    with pytest.raises(UserError, match="changed meanwhile"):
        add.add(folder, [file(tmp_path / "pit_check.tsv")], {}, ask, lambda _: None)
    assert folder.farm_toml.read_text().endswith("# mine\n")
    assert list(folder.drop.iterdir()) == []


def test_without_a_terminal_and_without_yes_it_asks_for_yes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = farm(tmp_path / "farm")
    code, _, err = call(capsys, monkeypatch, "add", folder.root, file(tmp_path / "export.json"))
    assert code == 2
    assert "--yes" in err


def test_what_nobody_confirmed_ends_with_1(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = farm(tmp_path / "farm")
    path = file(tmp_path / "north_station.csv")
    code, out, _ = call(capsys, monkeypatch, "add", folder.root, path, "--yes")
    assert code == 1
    assert "Not confirmed: clock = -06:00" in out
    code, _, err = call(capsys, monkeypatch, "add", folder.root, tmp_path / "nothing.csv", "--yes")
    assert code == 2
    assert "no file" in err


def test_undo_names_what_stands_in_its_way(tmp_path: Path) -> None:
    folder = farm(tmp_path / "farm")
    with pytest.raises(UserError, match="has nothing that"):
        add.undo(folder, lambda _: None)
    part = written.Part(
        "station s",
        "own",
        {"format": "ghcn_daily"},
        (("station", {"name": "s", "from": date(2020, 1, 1)}),),
    )
    text = written.with_part(folder.farm_toml.read_text(), part)
    assert written.without_last(text).names["stations"] == ("s",)
    used = text + '\n[[sources]]\nname = "mine"\nlayout = "own"\n'
    with pytest.raises(
        UserError, match=r"(?s)needs what was added last.*source 'mine' names layout 'own'"
    ):
        written.without_last(used)
    inside = text.replace("# ---- end", "[mail]\nserver = 'x'\n# ---- end")
    with pytest.raises(UserError, match=r"\[mail\] stands between"):
        written.without_last(inside)
    with pytest.raises(UserError, match="not marked"):
        written.without_last(text.replace("# ---- end", "# end"))


def test_sources_written_in_one_line_are_named(tmp_path: Path) -> None:
    folder = farm(tmp_path / "farm")
    text = "sources = []\n" + folder.farm_toml.read_text()
    part = written.Part("x", "own", {"format": "ghcn_daily"}, (), {"name": "s", "layout": "own"})
    with pytest.raises(UserError, match=r"\[\[sources\]\]"):
        written.with_part(text, part)


def test_the_warehouse_of_a_farm_that_added_is_that_of_a_rebuild(tmp_path: Path) -> None:
    from flows.store import checksum, warehouse
    from flows.trust.backup import rebuild

    folder = farm(tmp_path / "farm")
    added(folder, tmp_path / "north_station.csv", field="North", strip="treated")
    with warehouse.open_writer(folder) as con:
        before = checksum.total(con)
    assert rebuild.rebuild(folder) == before
    with duckdb.connect(str(folder.published_file), read_only=True) as con:
        assert con.sql("SELECT count(*) FROM quarantine").fetchall() == [(0,)]


def test_a_station_stands_where_its_file_says(tmp_path: Path) -> None:
    folder = farm(tmp_path / "farm")
    path = tmp_path / "north_station.csv"

    def write(path: Path) -> None:
        exports.comma_station(path)
        path.write_text(f"Latitude: 49.61 N  Longitude: 97.18 W\n{path.read_text()}")

    said: list[str] = []
    answers = {"clock": CLOCK, "stamp": "end", "field": "North", "strip": "treated"}
    add.add(folder, [file(path, write)], answers, proposed, said.append)
    station = farm_file.load(folder.farm_toml).stations[0]
    assert (station.latitude, station.longitude) == (49.61, -97.18)
    assert "at 49.61, -97.18," in "\n".join(said)


def test_the_strips_of_the_field_book_are_offered_by_their_names(tmp_path: Path) -> None:
    """A file's name that has a strip's name is taken for it; of several the last free strip is proposed."""
    folder = farm(tmp_path / "farm")
    book = folder.root / "fieldbook"
    book.mkdir()
    (book / "fields.csv").write_text("field,practice\nNorth,deep tillage\nSouth,deep tillage\n")
    names = ("check", "worked once", "worked twice")
    rows_of = [f"North,{name},{'check' if name == 'check' else 'treated'}" for name in names]
    (book / "strips.csv").write_text("\n".join(["field,strip,role", *rows_of]) + "\n")
    (folder.root / "fieldbook.xlsx").unlink(missing_ok=True)
    asked: list[Question] = []

    def ask(question: Question) -> str:
        asked.append(question)
        return proposed(question)

    given = {"clock": CLOCK, "stamp": "end", "field": "North"}
    for probe, strip in (("check", None), ("worked_twice", None), ("third", None)):
        path = tmp_path / f"pit_{probe}.tsv"
        exports.PROBES["pit_check.tsv"](path)
        add.add(folder, [path], {**given, "strip": strip}, ask, lambda _: None)
    strips = [question for question in asked if question.key == "strip"]
    assert [question.proposed for question in strips] == ["check", "worked twice", "worked once"]
    assert [choice for choice, _ in strips[0].choices] == list(names)
    assert dict(strips[0].choices)["worked twice"] == "treated strip"
    assert "check and worked twice of North have a probe already" in strips[2].why
    kept = [
        str(spell.strip) for one in farm_file.load(folder.farm_toml).probes for spell in one.spells
    ]
    assert kept == ["check", "worked twice", "worked once"]
