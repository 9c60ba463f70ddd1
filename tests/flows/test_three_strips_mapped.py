"""A field with three strips as it is planned, measured, weighed and mapped, through the command line.

``checkstrip plan`` lays out strips worked once, never and twice; its files become the book's sheet strips
and the outlines. The truth is laid: worked once gives 300 kg/ha, worked twice 500 kg/ha.
"""

from __future__ import annotations

import csv
import io
import json
from datetime import datetime, timedelta
from functools import partial
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from flows.farm.folder import FarmFolder
from flows.store import query
from tests.flows.cli.calling import call
from tests.flows.loggers import FARM
from tests.flows.setup.plan.grounds import outline
from transforms.trial.methods.map_geometry import on_globe, plane

HEADER_M = 9.144
TRUTH = {"check": 3500.0, "worked once": 3800.0, "worked twice": 4000.0}
PAIRS = [("worked once", "check"), ("worked twice", "check"), ("worked twice", "worked once")]
PROBES = {"p1": "worked once", "p0": "Check", "p2": "Worked Twice"}
SEEDED, HARVESTED = "2022-05-05", "2022-08-28"
FIRST = datetime(2022, 4, 20)


def _toml() -> str:
    head = FARM[: FARM.index("[[stations]]")]
    probes = "".join(
        f'[[probes]]\nname = "{name}"\nspells = [{{field = "North", strip = "{strip}", from = 2022-04-01}}]\n'
        "sensors = [{depth_cm = 10}, {depth_cm = 30}, {depth_cm = 60}]\n"
        f'[[sources]]\nname = "{name}"\nlayout = "soil"\nprobe = "{name}"\nglob = "{name}*.csv"\nsettle_s = 0\n'
        for name, strip in PROBES.items()
    )
    columns = "".join(
        f'S{depth} = {{quantity = "vwc", unit = "m^3/m^3", depth_cm = {depth}}}\n'
        for depth in (10, 30, 60)
    )
    layout = '[layouts.soil]\nstep = "6 h"\ntime = {columns = ["t"], offset = "-06:00"}\n'
    return f"{head}{probes}{layout}[layouts.soil.columns]\n{columns}"


def _readings(worked: int) -> str:
    """Return a logger's file: the profile dries over the season, the deeper the more it was worked."""
    lines = ["t,S10,S30,S60"]
    for step in range(4 * 140):
        at = FIRST + timedelta(hours=6 * step)
        gone = min(max((step / 4 - 25) / 90, 0), 1)
        taken = (0.12, 0.09, 0.02 + 0.03 * worked)
        values = [f"{0.38 - part * gone + 0.002 * np.sin(step):.4f}" for part in taken]
        lines.append(f"{at:%Y-%m-%d %H:%M},{','.join(values)}")
    return "\n".join(lines) + "\n"


def _map(plan: dict[str, Any]) -> str:
    """Return a yield map: each strip driven along its middle, the next one the other way."""
    rng, clock = np.random.default_rng(7), datetime(2022, 8, 28, 14)
    lines = ["time,latitude,longitude,yield (kg/ha),moisture (%),speed (km/h),width (m)"]
    for number, one in enumerate(plan["features"]):
        shape = shapely.geometry.shape(one["geometry"])
        middle = np.array(shape.centroid.coords[0])
        corners = plane(np.array(shape.exterior.coords), middle)
        ends = [(corners[a] + corners[b]) / 2 for a, b in ((0, 1), (2, 3))]
        if np.linalg.norm(ends[0] - ends[1]) < 100:
            ends = [(corners[a] + corners[b]) / 2 for a, b in ((1, 2), (3, 4))]
        ends.sort(key=lambda end: end[1], reverse=bool(number % 2))
        steps = int(np.linalg.norm(ends[1] - ends[0]) / 4)
        for share in np.linspace(0.0, 1.0, steps):
            east, north = on_globe(ends[0] + share * (ends[1] - ends[0]), middle)
            grain = TRUTH[one["properties"]["strip"]] + rng.normal(0, 120)
            clock += timedelta(seconds=2)
            lines.append(f"{clock},{north:.7f},{east:.7f},{grain:.1f},14.5,7.2,{HEADER_M}")
        clock += timedelta(minutes=2)
    return "\n".join(lines) + "\n"


def _book(root: Path, strips: str) -> None:
    """Write the field book's sheets: strips as planned, two blocks weighed, the second working on a strip."""
    rng = np.random.default_rng(3)
    passes = [
        f"North,2022,{strip},{block},{block},{mean + rng.normal(0, 20):.0f},14.5"
        for strip, mean in TRUTH.items()
        for block in (1, 2)
    ]
    once = [f"North,{strip},2020-10-12,120,2" for strip in ("worked once", "worked twice")]
    sheets = {
        "strips": [strips],
        "seasons": [
            "field,season,crop,seeded,harvested",
            f"North,2022,spring wheat,{SEEDED},{HARVESTED}",
        ],
        "operations": [
            "field,strip,day,contract cost ($/ha),area (ha)",
            *once,
            "North,worked twice,2021-10-15,120,2",
        ],
        "passes": ["field,season,strip,pass,block,yield (kg/ha),moisture (%)", *passes],
        "prices": ["crop,season,price,unit", "spring wheat,2022,300,$/t"],
    }
    for name, lines in sheets.items():
        (root / "fieldbook" / f"{name}.csv").write_text("\n".join(lines), encoding="utf-8")


@pytest.fixture(scope="module")
def farm(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("mapped") / "farm"
    for name in ("fieldbook", "drop", "yieldmaps"):
        (root / name).mkdir(parents=True)
    (root / "farm.toml").write_text(_toml(), encoding="utf-8")
    (root / "fieldbook" / "fields.csv").write_text("field,practice\nNorth,deep tillage\n")
    with pytest.MonkeyPatch.context() as patched:
        run = partial(call, _Quiet(), patched)
        path = outline(FarmFolder.at(root))
        more = ("--design", "three", "--blocks", "2", "--seed", "5", "--outline", path)
        run("plan", root, "North", "--header", f"{HEADER_M} m", *more)
        plan = (root / "plans" / "North" / "strips.geojson").read_text(encoding="utf-8")
        _book(root, (root / "plans" / "North" / "strips.csv").read_text(encoding="utf-8"))
        (root / "yieldmaps" / "strips.geojson").write_text(
            plan.replace("worked twice", "WORKED twice"), encoding="utf-8"
        )
        (root / "yieldmaps" / "North 2022.csv").write_text(_map(json.loads(plan)))
        for name, strip in PROBES.items():
            worked = ("Check", "worked once", "Worked Twice").index(strip)
            (root / "drop" / f"{name}.csv").write_text(_readings(worked))
        run("once", root)
    return root


class _Quiet:
    """Stands for capsys outside a test: what was printed is not looked at."""

    def readouterr(self) -> tuple[str, str]:
        return "", ""


def _rows(root: Path, sql: str) -> list[tuple[Any, ...]]:
    with query.open_published(FarmFolder.at(root)) as con:
        return con.sql(sql).fetchall()


def test_the_book_and_the_maps_are_taken_as_planned(farm: Path) -> None:
    assert _rows(farm, "SELECT cause, found FROM book_problem") == []
    assert _rows(farm, "SELECT * FROM derive_problem") == []
    assert _rows(farm, "SELECT cause FROM quarantine") == []
    found = _rows(farm, "SELECT strip, against FROM comparison ORDER BY ALL")
    assert found == PAIRS


@pytest.mark.parametrize("pair", PAIRS)
def test_each_comparison_has_its_mapped_passes_and_response(farm: Path, pair: Any) -> None:
    where = f"(strip, against) = {pair}"
    both = f"(strip, against) IN ({pair}, {pair[::-1]})"
    passes = _rows(farm, f"SELECT strip, block, yield_kg_ha FROM mapped_pass WHERE {both}")
    assert {(strip, block) for strip, block, _ in passes} == {(s, b) for s in pair for b in "12"}
    for strip, _, grain in passes:
        assert grain == pytest.approx(TRUTH[strip], abs=60)
    truth = TRUTH[pair[0]] - TRUTH[pair[1]]
    ((response, _method),) = _rows(
        farm, f"SELECT response_kg_ha, method FROM response WHERE {where}"
    )
    assert response == pytest.approx(truth, abs=60)
    along = _rows(farm, f"SELECT response_kg_ha, verdict FROM response_along WHERE {where}")
    assert len(along) == 4
    assert [row[0] for row in along] == pytest.approx([truth] * 4, abs=100)
    assert {row[1] for row in along} == {"not shown"}


def test_the_distance_between_strips_is_that_of_the_strips_compared(farm: Path) -> None:
    """The nearest other strip counts: half of the worked strips have the check between, half a neighbor's block."""
    apart = {
        pair: _rows(
            farm,
            f"SELECT avg(border_m) FROM mapped_pass WHERE (strip, against) IN ({pair}, {pair[::-1]})",
        )[0][0]
        for pair in PAIRS
    }
    side = HEADER_M + 3
    assert apart[PAIRS[0]] == pytest.approx(side, abs=1.5)
    assert apart[PAIRS[1]] == pytest.approx(side, abs=1.5)
    assert apart[PAIRS[2]] == pytest.approx(1.5 * side, abs=1.5)


def test_probes_in_all_strips_are_compared(farm: Path) -> None:
    sums = {
        (strip, against): took
        for strip, against, took in _rows(
            farm,
            "SELECT strip, against, sum(uptake_mm) FROM drawdown_season WHERE depth_cm = 60 GROUP BY ALL",
        )
    }
    assert set(sums) == {pair for one in PAIRS for pair in (one, one[::-1])}
    for one, other in PAIRS:
        assert sums[one, other] > sums[other, one] > 0


def test_digest_report_and_status(
    farm: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    run = partial(call, capsys, monkeypatch)
    code, out, err = run("status", farm)
    assert code in {0, 1}, out + err  # silent since 2022
    assert "Traceback" not in out + err
    code, out, err = run("digest", farm, "--week", "2022-W35")
    assert code == 0, out + err
    code, out, err = run("report", farm)
    assert code == 0, out + err
    pages = "".join(path.read_text("utf-8") for path in (farm / "reports").glob("*.html"))
    for strip, against in PAIRS:
        assert f"North ({strip} against {against})" in pages
    assert pages.count("the points of the yield map") >= len(PAIRS)


def test_every_strip_is_in_the_plans_own_rows(farm: Path) -> None:
    rows = list(csv.DictReader(io.StringIO((farm / "plans/North/strips.csv").read_text("utf-8"))))
    against = {row["strip"]: row["against"].split("; ") for row in rows if row["against"]}
    compared = {(strip, one) for strip, ones in against.items() for one in ones}
    assert compared == set(PAIRS)
    assert {frozenset(pair) for pair in compared} == set(map(frozenset, combinations(TRUTH, 2)))
