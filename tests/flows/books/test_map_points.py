"""What became of a yield map's points is told once, by the derive that met the map."""

from __future__ import annotations

from pathlib import Path

import pytest

from flows.farm.folder import FarmFolder
from flows.run import steps
from flows.store import flow_runs
from tests.flows.fieldbooks import book, workbook
from tests.flows.loggers import ask, make, take
from tests.flows.yield_maps import SQUARE, collection, csv, feature
from transforms import order

# The outline reaches from 49.90 to 49.91 degrees north. Northward, one point a second, 2 m each.
INSIDE = [
    f"2021-08-28 14:{s // 60:02}:{s % 60:02},{49.9005 + s * 1.8e-5:.6f},-98.1995,3500,13.2,7.2,9.1"
    for s in range(100)
]
OUTSIDE = [line.replace(",49.", ",49.8", 1) for line in INSIDE[:7]]
WET = INSIDE[50].replace(",13.2,", ",80,")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> FarmFolder:
    monkeypatch.setattr(order, "DERIVED", ("yield_point_cleaned",))
    made = make(tmp_path / "farm")
    made.fieldbook_file.write_bytes(workbook(book()))
    made.yield_maps.mkdir()
    outline = collection(feature(SQUARE, field="Home", strip="check"))
    (made.yield_maps / "strips.geojson").write_bytes(outline)
    return made


def told(folder: FarmFolder) -> list[str]:
    take(folder)
    run = steps.derive(folder)
    assert run.state == "done"
    return run.notes


def test_read_kept_and_removed_add_up_by_field(folder: FarmFolder) -> None:
    assert told(folder) == []
    lines = [*INSIDE[:50], WET, *INSIDE[51:], *OUTSIDE]
    (folder.yield_maps / "Home 2021.csv").write_bytes(csv(*lines))
    (note,) = told(folder)
    ((kept,),) = ask(folder, "SELECT count(*) FROM yield_point_cleaned WHERE kept")
    assert 60 < kept < 100
    assert note.startswith(
        f"Yield map of Home 2021: 107 points read, {kept} kept, {107 - kept} removed ("
    )
    assert "7 outside both strips" in note
    assert "1 moisture no grain has" in note
    numbers = [int(part.split()[0]) for part in note.partition("(")[2].split("; ")]
    assert sum(numbers) == 107 - kept
    assert numbers == sorted(numbers, reverse=True)


def test_only_a_map_whose_points_changed_is_told_again(folder: FarmFolder) -> None:
    (folder.yield_maps / "Home 2021.csv").write_bytes(csv(*INSIDE))
    assert len(told(folder)) == 1
    assert told(folder) == []
    (folder.yield_maps / "River 2021.csv").write_bytes(csv(OUTSIDE[0]))
    assert [note.partition(":")[0] for note in told(folder)] == ["Yield map of River 2021"]
    (kept,) = flow_runs.last(folder)["derive"].notes
    assert "1 point read, 0 kept, 1 removed (1 outside both strips)." in kept
    (folder.yield_maps / "Nowhere 2021.csv").write_bytes(csv(OUTSIDE[0]))
    (kept,) = told(folder)
    assert "(1 no yield: the crop of this field and season" in kept
