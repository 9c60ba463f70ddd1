"""Land the archived images: means inside the outlines of today, from the archive alone."""

from __future__ import annotations

import json
from dataclasses import fields
from datetime import date
from itertools import permutations
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from flows.base.version import VERSION
from flows.books import landed_version
from flows.books.as_saved import IMAGES
from flows.books.fieldbook.problem import Problem
from flows.books.images import extra, geotiff
from flows.books.images.cut import cut_of
from flows.books.images.inside import BESIDE, Inside, inside
from flows.books.images.outlines import OfYear, Strip, by_year, fingerprint
from flows.store import publish_guard, warehouse
from flows.store.archive import Archive, Arrival
from flows.store.archive_reader import DAMAGED
from flows.store.receipts import Receipt
from schemas import generated
from schemas.catalogue import TABLES
from schemas.farm.images import ImageBands
from schemas.table import Table
from transforms.methods import alike_ground

KIND = IMAGES
TAKEN_BACK = "taken-back"  # in place of how it is read: the image is not to count any more
STRIPS, GROUND = TABLES["vegetation_strip"], TABLES["vegetation_ground"]
OF_STRIP = tuple(f.name for f in fields(Inside) if f.name in STRIPS.names)
Rows = list[dict[str, Any]]


def standing(archive: Archive) -> list[Receipt]:
    """Return the receipts that count: the last of each name and of each file's bytes."""
    names, hashes, out = set[str](), set[str](), list[Receipt]()
    for receipt in sorted(archive.receipts, key=lambda r: -r.sequence):
        if receipt.kind != KIND:
            continue
        whole = receipt.target.split()[1]
        if receipt.name not in names and whole not in hashes:
            out.append(receipt)
        names.add(receipt.name)
        hashes.add(whole)
    return out[::-1]


def is_taken_back(receipt: Receipt) -> bool:
    """Return whether a receipt says that its image is not to count any more."""
    return receipt.target.endswith(f" {TAKEN_BACK}")


def taken_back(receipt: Receipt, why: str, into: Path) -> Arrival:
    """Return the arrival that takes an image back; its cut stays in the archive."""
    path = into / f"{receipt.sequence}.back"
    path.write_text(json.dumps({"taken_back": why, "sequence": receipt.sequence}), encoding="utf-8")
    target = f"{KIND} {receipt.target.split()[1]} {TAKEN_BACK}"
    return Arrival(path, KIND, receipt.folder, receipt.name, receipt.source, target, whole=True)


def land(con: duckdb.DuckDBPyConnection, archive: Archive) -> list[str]:
    """Land what is archived and not landed, or was read inside other outlines; returns notes."""
    own = [receipt for receipt in archive.receipts if receipt.kind == KIND]
    if not own:
        return []
    strip_outline = warehouse.read(con, TABLES["strip_outline"])
    setup = fingerprint(VERSION, strip_outline.rows())
    known = con.execute(
        "SELECT sequence, setup, coalesce(reason, '') FROM delivery WHERE source = ?", [KIND]
    ).fetchall()
    done = {n for n, by, why in known if by == setup and not why.startswith(DAMAGED)}
    if all(receipt.sequence in done for receipt in own):
        return []
    if not extra.installed():
        return [extra.MISSING]
    stand = standing(archive)
    kept = {receipt.delivery for receipt in stand if receipt.sequence in done}
    problems, became = list[Problem](), dict[int, tuple[str, str | None]]()
    rows: dict[Table, Rows] = {STRIPS: [], GROUND: []}
    outlines = by_year(strip_outline)
    for receipt in stand:
        data, damage = _bytes(archive, receipt)
        if damage:
            became[receipt.sequence] = ("refused", damage)
            kept.add(receipt.delivery)  # what was read of it before stands
        elif data.startswith(b"{"):
            wrong = json.loads(data)
            if fine := wrong.get("taken_back") or (wrong.get("nothing") and wrong["cause"]):
                became[receipt.sequence] = ("landed", fine)  # nothing that anybody has to mend
                continue
            problems.append(problem := _problem(receipt, wrong))
            became[receipt.sequence] = ("refused", problem.sentence)
        else:
            became[receipt.sequence] = ("landed", None)
            if receipt.delivery not in kept:
                strips, ground = _rows(receipt, data, outlines)
                rows[STRIPS] += strips
                rows[GROUND] += ground
    with warehouse.transaction(con):
        for table, new in rows.items():
            # so that another processor's last digit does not show
            made = pl.DataFrame(new, schema=generated.polars_schema(table)).with_columns(
                pl.selectors.float().round(9)
            )
            before = warehouse.read(con, table).filter(pl.col("delivery").is_in(sorted(kept)))
            landed_version.replace_if_changed(con, table.name, pl.concat([before, made]))
        landed_version.list_problems(con, KIND, problems)
        _write_receipts(con, own, became, problems, setup)
    return []


def _bytes(archive: Archive, receipt: Receipt) -> tuple[bytes, str]:
    """Return an image's bytes, or why they cannot be read."""
    damaged = archive.problem(receipt)
    if damaged:
        return b"", f"{DAMAGED}: found {damaged.found}; expected {damaged.expected}"
    return b"".join(archive.blocks(receipt)), ""


def _problem(receipt: Receipt, wrong: dict[str, Any]) -> Problem:
    return Problem(receipt.name, 0, "", wrong["cause"], wrong["found"], wrong["expected"], "image")


def _rows(receipt: Receipt, data: bytes, outlines: OfYear) -> tuple[Rows, Rows]:
    """Return the rows of one image: of each strip that it may show, and of each two of a field."""
    with extra.alone(), geotiff.opened(data) as image:
        tags = image.tags()
        day = date.fromisoformat(tags["day"])
        cut = cut_of(image, ImageBands.model_validate_json(tags["said"]))
        found = inside(cut, outlines(day.year))
    of = {"day": day, "source": tags["source"], "image": receipt.name}
    of |= {"delivery": receipt.delivery}
    strips = [
        {
            "field": field,
            "strip": strip,
            **of,
            "pixel_m": cut.grid.pixel_m,
            "partial": one.coverage < 1,
            **{name: getattr(one, name) for name in OF_STRIP},
        }
        for (field, strip), one in found.items()
        if one.reason != BESIDE
    ]
    return strips, [{**pair, **of} for pair in _pairs(found)]


def _pairs(found: dict[Strip, Inside]) -> Rows:
    """Return what the ground may make of the difference of each two strips of a field, both ways."""
    out = Rows()
    seen = [(name, one.cells) for name, one in found.items() if one.cells is not None]
    for (field, strip), own in seen:
        for (also, against), other in seen:
            if field == also and strip < against:
                of = {
                    "half_width": alike_ground.half_width(own, other),
                    "apart_share": alike_ground.apart(own, other),
                }
                for pair in permutations((strip, against)):
                    out.append({"field": field, "strip": pair[0], "against": pair[1], **of})
    return out


def _write_receipts(
    con: duckdb.DuckDBPyConnection,
    own: list[Receipt],
    became: dict[int, tuple[str, str | None]],
    problems: list[Problem],
    setup: str,
) -> None:
    """Write what became of every image; one that a later one replaced counts as landed."""
    publish_guard.explain_loss(con, "quarantine")
    for table in ("quarantine", "delivery"):
        con.execute(f"DELETE FROM {table} WHERE source = ?", [KIND])
    by_name = {problem.sheet: problem for problem in problems}
    for receipt in own:
        if receipt.sequence in became and receipt.name in by_name:
            landed_version.write_quarantine(con, receipt, [by_name[receipt.name]])
    replaced = ("landed", "a later version stands")
    landed_version.write_receipts(
        con, setup, [(receipt, *became.get(receipt.sequence, replaced)) for receipt in own]
    )
