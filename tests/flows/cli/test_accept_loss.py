"""Commands that hold back what would lose data, and --accept-loss."""

from pathlib import Path

import pytest

from flows.store import warehouse
from schemas import generated
from schemas.catalogue import TABLES
from tests.flows.cli.calling import call
from tests.flows.loggers import drop, make, usual


def test_publish_and_rebuild_hold_back_name_the_command_and_go_on_with_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = make(tmp_path / "farm")
    for number in range(2):
        drop(folder, f"{number}.csv", [usual(24 * number + h) for h in range(24)])

    def done(*words: str) -> tuple[int, str]:
        code, out, err = call(capsys, monkeypatch, words[0], folder.root, *words[1:])
        return code, out + err

    assert done("once")[0] == 0
    with warehouse.open_writer(folder) as con:
        con.execute(f"DELETE FROM {generated.store(TABLES['soil_reading'])}")
        warehouse.changed(con)
    code, said = done("publish")
    assert (code, "probe deep: 0 of 96 rows" in said) == (1, True)
    release = f"checkstrip publish {folder.root} --accept-loss"
    assert release in said
    assert release in done("status")[1]
    code, said = done("rebuild")  # the archive has everything: nothing is lost by it
    assert (code, "The warehouse was rebuilt" in said) == (0, True)
    next(folder.archive.glob("2*/*")).unlink()
    code, said = done("rebuild")
    assert (code, f"checkstrip rebuild {folder.root} --accept-loss" in said) == (1, True)
    code, said = done("rebuild", "--accept-loss")
    assert (code, "probe deep: 48 of 96 rows" in said) == (0, True)
