"""``checkstrip network run``: its help, its exit codes, its sentences."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from flows.network import rounds, start
from flows.network.hosts import Host, Turn
from flows.network.rounds import Round
from tests.flows.cli.calling import Run
from tests.flows.network import hosted

AT = "2026-11-30T00:00:00+00:00"


def turn(folder: str, state: str, summary: str = "x") -> Turn:
    return Turn("r", folder, None, AT, AT, state, summary, "w", "0.1.0")  # type: ignore[arg-type]


def test_the_help_says_when_it_exits_1(run: Run) -> None:
    code, out, _ = run("network", "run", "--help")
    assert code == 0
    assert "Exit 1 if a farm needs attention" in " ".join(out.split())
    assert "checkstrip network run /srv/farms --serve" in out


def test_the_hosting_toml_of_the_help_can_be_read(run: Run, tmp_path: Path) -> None:
    lines = run("network", "run", "--help")[1].partition("can change it:")[2].splitlines()
    shown = [line.strip() for line in lines[1 : lines.index("", 1)]]
    hosting = hosted.host_at(tmp_path, "\n".join(shown)).hosting()
    assert hosting.secrets == {"oak": {"TOKEN": "OAK_TOKEN"}}
    assert hosting.limits == type(hosting.limits)()  # those that hold without the file
    assert (hosting.round.bucket, hosting.round.schedule) == (50, "*/30 * * * *")


@pytest.mark.parametrize(
    ("turns", "notes", "expected"),
    [
        ([turn("a", "quiet"), turn("b", "done")], [], 0),
        ([turn("a", "quiet"), turn("b", "failed", "It was stopped.")], [], 1),
        ([turn("a", "refused", "Its id is taken.")], [], 1),
        ([turn("a", "attention", "collect: 1 rejected.")], [], 1),
        ([turn("a", "quiet")], ["The snapshot was not made: no room"], 1),
    ],
)
def test_what_a_round_found_is_said_and_decides_the_exit_code(  # noqa: PLR0917
    run: Run,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    turns: list[Turn],
    notes: list[str],
    expected: int,
) -> None:
    done = Round("r", {"here": turns}, notes)
    monkeypatch.setattr(start, "round_over", lambda *_: done)
    hosted.host_at(tmp_path)
    code, out, _ = run("network", "run", tmp_path)
    assert code == expected
    assert out.startswith(f"{len(turns)} farm")
    for one in turns:
        assert (one.summary in out) == (one.state not in ("quiet", "done"))
    assert all(note in out for note in notes)
    code, out, _ = run("network", "run", tmp_path, "--json")
    assert code == expected
    assert [row["folder"] for row in json.loads(out)] == [one.folder for one in turns]


def test_a_folder_that_hosts_nothing_is_a_mistake(run: Run, tmp_path: Path) -> None:
    code, _, err = run("network", "run", tmp_path)
    assert code == 2
    assert "has no hosting.toml" in err
    hosted.host_at(tmp_path)
    code, _, err = run("network", "run", tmp_path)
    assert code == 2
    assert "names no network" in err
    (tmp_path / "hosting.toml").write_text("[round]\nschedule = 'soon'\n")
    code, _, err = run("network", "run", tmp_path)
    assert code == 2
    assert "round.schedule: found 'soon'" in err


def test_a_node_is_named_only_where_there_are_several() -> None:
    one = Round("r", {"n1": [turn("a", "failed", "why")]})
    two = Round("r", {"n1": [turn("a", "failed", "why")], "n2": []})
    assert list(one.problems()) == ["a (failed): why"]
    assert list(two.problems()) == ["a on n1 (failed): why"]
    assert str(one) == "1 farm: 1 failed."


def test_rows_without_an_id_stay_with_the_host() -> None:
    """The network's table is keyed by id; a refused farm's id is another farm's."""
    kept = Turn("r", "a", "id-a", AT, AT, "done", "x", "w", "0.1.0", 1.5, 2.0, 300.0)
    stolen = Turn("r", "b", "id-a", AT, AT, "refused", "x", "w", "0.1.0")
    rows = rounds.as_network_run(Round("r", {"n": [kept, stolen, turn("c", "failed")]}))
    own = Turn("r", "d", "id-d", AT, AT, "refused", "Its farm.toml is wrong.", "w", "0.1.0")
    refused = rounds.as_network_run(Round("r", {"n": [stolen, kept, own]}))
    assert refused.select("farm", "state").rows() == [("id-a", "done"), ("id-d", "refused")]
    assert rows.select("farm", "cpu_s", "peak_mb", "program").rows() == [
        ("id-a", 1.5, 300.0, "0.1.0")
    ]


def test_a_farms_own_turn_imports_neither_the_engine_nor_the_stores_library(tmp_path: Path) -> None:
    host = hosted.host_at(tmp_path / "farms")
    farm = hosted.add(Host(host.root), "a", days=1)
    program = f"""
import sys
sys.argv = ["checkstrip", "once", {str(farm)!r}]
from flows.cli import main
try:
    main()
except SystemExit as end:
    assert not end.code, end.code
unwanted = {{"distributed", "obstore", "prefect", "flows.network"}} & set(sys.modules)
assert not unwanted, unwanted  # dask itself is looked at by pandera wherever it is installed
assert "duckdb" in sys.modules
"""
    host.file.unlink()
    done = subprocess.run(
        [sys.executable, "-c", program], check=False, capture_output=True, timeout=300
    )
    assert done.returncode == 0, done.stderr.decode()
