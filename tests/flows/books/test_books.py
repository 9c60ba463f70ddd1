"""The field book and the yield maps as deliveries of a farm folder."""

from __future__ import annotations

from pathlib import Path

import pytest

from flows.farm.folder import FarmFolder
from flows.run import steps
from flows.store import checksum, warehouse
from flows.trust.backup import rebuild
from tests.flows.fieldbooks import book, workbook
from tests.flows.loggers import FARM, ask, make, take
from tests.flows.yield_maps import ROWS, SQUARE, collection, csv, feature


@pytest.fixture
def folder(tmp_path: Path) -> FarmFolder:
    made = make(tmp_path / "farm")
    made.fieldbook_file.write_bytes(workbook(book()))
    return made


def count(folder: FarmFolder, table: str) -> object:
    return ask(folder, f"SELECT count(*) FROM {table}")[0][0]


def test_a_saved_book_is_a_delivery_and_the_newest_one_stands(folder: FarmFolder) -> None:
    assert take(folder).deliveries == 1
    assert count(folder, "harvest_pass") == 6
    sheets = book()
    sheets["passes"][2][4] *= 10
    folder.fieldbook_file.write_bytes(workbook(sheets))
    take(folder)
    assert count(folder, "harvest_pass") == 5
    assert ask(folder, "SELECT line, column_name, cause FROM quarantine") == [
        (3, "passes/mass (kg)", "the yield looks like a slip of unit or decimal")
    ]
    folder.fieldbook_file.write_bytes(b"half a boo")
    take(folder)
    assert count(folder, "harvest_pass") == 5  # a book that cannot be read changes nothing
    folder.fieldbook_file.write_bytes(workbook(book()))
    take(folder)
    assert count(folder, "harvest_pass") == 6
    assert count(folder, "quarantine") == 0


def test_every_fault_stands_in_one_list_also_those_that_cost_nothing(folder: FarmFolder) -> None:
    sheets = book()
    del sheets["passes"][4:]
    sheets["costs"][1][0] = "Hoem"
    folder.fieldbook_file.write_bytes(workbook(sheets))
    take(folder)
    assert ask(folder, "SELECT sheet, line, lost, cause FROM book_problem ORDER BY ALL") == [
        ("costs", 2, "row", "the field is not known"),
        ("passes", 2, "none", "only one side was harvested"),
    ]
    folder.fieldbook_file.write_bytes(workbook(book()))
    take(folder)
    assert count(folder, "book_problem") == 0


def test_a_crop_may_be_spelled_as_older_versions_did(folder: FarmFolder) -> None:
    sheets = book()
    for row, word in zip(sheets["seasons"][1:3], ("spring_wheat", "Winter-Wheat"), strict=True):
        row[2] = word
    folder.fieldbook_file.write_bytes(workbook(sheets))
    take(folder)
    found = ask(folder, "SELECT DISTINCT crop FROM season ORDER BY 1")
    assert found == [("spring wheat",), ("winter wheat",)]


def test_a_crop_added_to_the_farm_file_brings_its_rows_in(folder: FarmFolder) -> None:
    sheets = book()
    sheets["seasons"][2][2] = "quinoa"
    folder.fieldbook_file.write_bytes(workbook(sheets))
    take(folder)
    assert ask(folder, "SELECT crop FROM season") == [("spring wheat",)]
    assert ask(folder, "SELECT cause FROM quarantine") == [("the crop is not known",)]
    own = "[crops.quinoa]\nbase_temp_c = 3\nupper_temp_c = 35\n"
    folder.farm_toml.write_text(FARM + own, encoding="utf-8")
    take(folder)
    assert count(folder, "season") == 2
    assert count(folder, "quarantine") == 0


def test_yield_maps_land_beside_one_that_cannot_be_read(folder: FarmFolder) -> None:
    folder.yield_maps.mkdir()
    (folder.yield_maps / "Home 2021.csv").write_bytes(csv())
    (folder.yield_maps / "River 2021.csv").write_bytes(b"no map")
    outline = collection(feature(SQUARE, field="Home", strip="check"))
    (folder.yield_maps / "strips.geojson").write_bytes(outline)
    take(folder)
    assert count(folder, "yield_point") == len(ROWS)
    assert count(folder, "strip_outline") == 1
    assert ask(folder, "SELECT source, extent, cause FROM quarantine") == [
        ("yieldmaps", "delivery", "no headings were found")
    ]
    (folder.yield_maps / "River 2021.csv").write_bytes(csv())
    take(folder)
    assert count(folder, "yield_point") == 2 * len(ROWS)
    assert count(folder, "quarantine") == 0


def test_what_a_heading_means_may_be_said_later(folder: FarmFolder) -> None:
    folder.yield_maps.mkdir()
    head = "lat,lon,moisture,grain"
    (folder.yield_maps / "Home 2021.csv").write_bytes(csv("49.9,-98.2,13,52", head=head))
    take(folder)
    assert count(folder, "yield_point") == 0
    said = '\n[yield_map_headings."Home 2021.csv"]\ngrain = "yield (q/ha)"\n'
    folder.farm_toml.write_text(FARM + said, encoding="utf-8")
    take(folder)
    assert ask(folder, "SELECT yield_kg_ha FROM yield_point") == [(5200.0,)]


def test_a_book_saved_back_to_what_it_was_stands_again(folder: FarmFolder) -> None:
    first = folder.fieldbook_file.read_bytes()
    take(folder)
    sheets = book()
    del sheets["passes"][1]
    folder.fieldbook_file.write_bytes(workbook(sheets))
    take(folder)
    assert count(folder, "harvest_pass") == 5
    folder.fieldbook_file.write_bytes(first)
    assert take(folder).deliveries == 1
    assert count(folder, "harvest_pass") == 6
    assert take(folder).deliveries == 0
    steps.derive(folder)
    with warehouse.open_writer(folder) as con:
        before = checksum.total(con)
    assert rebuild.rebuild(folder) == before


def test_removing_the_last_yield_map_takes_its_points_out(folder: FarmFolder) -> None:
    folder.yield_maps.mkdir()
    (folder.yield_maps / "Home 2021.csv").write_bytes(csv())
    take(folder)
    assert count(folder, "yield_point") == len(ROWS)
    (folder.yield_maps / "Home 2021.csv").unlink()
    take(folder)
    assert count(folder, "yield_point") == 0
    told = ask(folder, "SELECT reason FROM delivery WHERE source = 'yieldmaps' ORDER BY sequence")
    assert told[1] == (f"yield_point: {len(ROWS)} gone",)
    assert take(folder).deliveries == 0
    (folder.yield_maps / "Home 2021.csv").write_bytes(csv())
    take(folder)
    assert count(folder, "yield_point") == len(ROWS)


def test_day_first_in_the_farm_file_settles_what_a_date_means(folder: FarmFolder) -> None:
    sheets = book()
    sheets["operations"][1][1] = "5/6/2020"
    folder.fieldbook_file.write_bytes(workbook(sheets))
    take(folder)
    assert count(folder, "operation") == 0
    for said, month in (("true", 6), ("false", 5)):
        own = FARM.replace("[farm]\n", f"[farm]\nday_first = {said}\n")
        folder.farm_toml.write_text(own, encoding="utf-8")
        take(folder)
        assert ask(folder, "SELECT month(day) FROM operation") == [(month,)]


def test_a_rebuild_gives_the_same_books(folder: FarmFolder) -> None:
    folder.yield_maps.mkdir()
    (folder.yield_maps / "Home 2021.csv").write_bytes(csv())
    take(folder)
    sheets = book()
    sheets["costs"][1][4] = 30
    folder.fieldbook_file.write_bytes(workbook(sheets))
    take(folder)
    steps.derive(folder)
    with warehouse.open_writer(folder) as con:
        before = checksum.total(con)
    assert rebuild.rebuild(folder) == before
    assert (
        count(folder, "strip_yield") == 6 + 2 + 2 + 2
    )  # passes, strips by scale wagon, combined; River


def test_what_a_saved_book_changed_is_recorded(folder: FarmFolder) -> None:
    take(folder)
    sheets = book()
    sheets["passes"][2][4] *= 1.01
    del sheets["passes"][1]
    folder.fieldbook_file.write_bytes(workbook(sheets))
    take(folder)
    told = ask(folder, "SELECT reason FROM delivery WHERE source = 'fieldbook' ORDER BY sequence")
    assert "harvest_pass: 6 new" in str(told[0][0])
    assert told[1] == ("harvest_pass: 1 changed, 1 gone",)


def test_maps_of_the_ground_land_under_the_strips_and_leave_with_their_file(
    folder: FarmFolder,
) -> None:
    folder.yield_maps.mkdir()
    folder.ground.mkdir()
    outline = collection(feature(SQUARE, field="Home", strip="check"))
    (folder.yield_maps / "strips.geojson").write_bytes(outline)
    (folder.ground / "clay.geojson").write_bytes(collection(feature(SQUARE, clay=40)))
    (folder.ground / "elevation.tif").write_bytes(b"no tiff")
    take(folder)
    assert ask(folder, "SELECT DISTINCT ground_map, value FROM ground_point") == [("clay", 40.0)]
    assert ask(folder, "SELECT sheet, cause FROM book_problem WHERE book = 'yieldmaps'") == [
        ("ground/elevation.tif", "the file cannot be read as GeoTIFF")
    ]
    (folder.ground / "clay.geojson").unlink()
    take(folder)
    assert count(folder, "ground_point") == 0
    assert count(folder, "strip_outline") == 1
