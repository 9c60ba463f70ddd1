"""Images of STAC sources: what is new is cut to the strips over the network, and archived before it is read.

Of each file only the ranges of bytes over the strips are asked for. A cut carries its item's JSON in its
tags, so that a rebuild needs the archive alone. An item is known by its name, its change and its files:
the same again is not asked for, another version of it replaces the one before.
"""

from __future__ import annotations

import hashlib
import json
import math
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.parse import quote

import duckdb
import httpx
import polars as pl
import shapely

from flows.base import files
from flows.base.errors import UserError
from flows.base.plain_text import counted
from flows.books.images import extra
from flows.books.images.landing import KIND, is_taken_back, standing, taken_back
from flows.books.images.outlines import by_year, fingerprint
from flows.farm.bounds import Bounds
from flows.farm.folder import FarmFolder
from flows.intake.image_item import Asked, NotRead, content_of
from flows.intake.sources import images_asked, web_request
from flows.intake.sources.images_asked import Known
from flows.intake.sources.remote_file import WrongHost
from flows.intake.sources.spans import instant
from flows.intake.sources.stac_search import Item, Search, search
from flows.intake.sources.web_request import ComeLater, Sleep, TooLarge
from flows.store import warehouse
from flows.store.archive import Archive, Arrival
from schemas.catalogue import TABLES
from schemas.farm.farm import Farm
from schemas.farm.images import ImageBands, ImageSource

FOLDER = "stac"  # of the receipts, beside the folder images/
AT_A_TIME = 5  # images that are cut before the archive takes them
MOST_AT_ONCE = 60  # images of a source in one run; the next goes on
ALL_AFTER = timedelta(
    days=30
)  # so often all is searched again: a service may make old images again
GRID_DEG = 0.001  # the area that is asked for is rounded outward to about 100 m


def collect(  # noqa: PLR0917
    con: duckdb.DuckDBPyConnection,
    folder: FarmFolder,
    farm: Farm,
    archive: Archive,
    into: Path,
    now: datetime | None = None,
    sleep: Sleep = time.sleep,
) -> list[str]:
    """Archive what is new at the STAC sources; returns notes. ``into``: an empty folder.

    One source's failure is noted and never stops the others; it is asked again at the next run.
    """
    if not farm.image_sources:
        return []
    now = (now or datetime.now(UTC)).replace(microsecond=0)
    strip_outline = warehouse.read(con, TABLES["strip_outline"])
    if strip_outline.is_empty():
        return [
            "Images of a STAC source wait: yieldmaps/ has no outline of a strip (GeoJSON with field and strip)."
        ]
    if not extra.installed():
        return [extra.MISSING]
    memory = images_asked.read(folder)
    notes: list[str] = []
    for source in farm.image_sources:
        asked = _asked(source, farm, strip_outline, into, Bounds.of(folder.root), sleep)
        known = memory.get(source.name, {})
        wait = instant(known.get("not_before"))
        if wait is not None and wait > now:
            notes.append(
                f"The source {source.name} is rate-limiting us. Next try after {wait:%Y-%m-%d %H:%M} UTC."
            )
            continue
        if images_asked.next_ask(source, known, asked.how) > now:
            continue
        remember = _ask(asked, archive, known, now)
        if remember:
            memory[source.name] = known | remember
            files.write_text(folder.state / images_asked.MEMORY, json.dumps(memory, sort_keys=True))
        notes += asked.notes
    return notes


def _asked(  # noqa: PLR0917
    source: ImageSource,
    farm: Farm,
    strip_outline: pl.DataFrame,
    into: Path,
    bounds: Bounds,
    sleep: Sleep,
) -> Asked:
    said = farm.image_bands.get(source.name, ImageBands())
    rows = strip_outline.select("field", "strip", "season", "outline").rows()
    chosen = source.model_dump(
        mode="json",
        include={"url", "collections", "asset_hosts", "begin", "most_cloud_pct", "leave_out"},
    )
    boxes = []
    for _, own in strip_outline.group_by("field", maintain_order=True):
        west, south, east, north = shapely.total_bounds(shapely.from_wkt(own["outline"].to_list()))
        low = (math.floor(edge / GRID_DEG) * GRID_DEG for edge in (west, south))
        high = (math.ceil(edge / GRID_DEG) * GRID_DEG for edge in (east, north))
        boxes.append(shapely.box(*low, *high))
    area = shapely.set_precision(shapely.union_all(boxes), 1e-6)
    how = fingerprint(*rows, chosen, said.model_dump())
    return Asked(
        source, said, by_year(strip_outline), area, how, into, bounds, sleep, farm.place.zone
    )


def _ask(asked: Asked, archive: Archive, known: Known, now: datetime) -> Known:
    """Ask one source and archive what is new; returns what to remember."""
    source = asked.source
    begin = datetime.combine(source.begin, datetime.min.time(), asked.zone).astimezone(UTC)
    before, whole = instant(known.get("asked")), instant(known.get("all_asked"))
    recent = whole is not None and now - whole < ALL_AFTER and known.get("how") == asked.how
    since = begin
    if before is not None and recent:
        since = max(begin, before - timedelta(days=source.overlap_d))
    try:
        items, faults = search(
            Search(source, asked.area, since, now, asked.into, asked.bounds, asked.sleep)
        )
        asked.left.update(faults)
        _leave_out(source, archive, asked.into)
        new = list(_new(asked, items, archive))
        for begin_at in range(0, min(len(new), MOST_AT_ONCE), AT_A_TIME):
            arrivals = list(_arrivals(asked, new[begin_at : begin_at + AT_A_TIME]))
            archive.take(arrivals)
            for arrival in arrivals:
                arrival.path.unlink()
    except ComeLater as error:
        asked.notes.append(f"The source {source.name} could not be read: {error}")
        return {"not_before": error.until.isoformat()}
    except (httpx.HTTPError, httpx.InvalidURL, UserError, OSError, ValueError) as error:
        why = web_request.reason_without_url(error)
        asked.notes.append(
            f"The source {source.name} could not be read: {why} It is tried again at the next run."
        )
        return {}
    for reason, number in asked.left.items():
        asked.notes.append(f"{counted(number, 'image')} of {source.name} not read: {reason}")
    if len(new) > MOST_AT_ONCE:
        waiting = counted(len(new) - MOST_AT_ONCE, "image")
        asked.notes.append(f"{waiting} of {source.name} to read at the next runs.")
        return {}
    return {
        "asked": now.isoformat(),
        "all_asked": now.isoformat() if since == begin else known.get("all_asked"),
        "how": asked.how,
        "not_before": None,
    }


def _leave_out(source: ImageSource, archive: Archive, into: Path) -> None:
    """Take back what farm.toml leaves out and was read before."""
    names = {_name(source, one) for one in source.leave_out}
    arrivals = [
        taken_back(receipt, "left out by farm.toml", into)
        for receipt in standing(archive)
        if receipt.folder == FOLDER and receipt.name in names and not is_taken_back(receipt)
    ]
    archive.take(arrivals)


def _name(source: ImageSource, item: str) -> str:
    return f"{source.name}/{quote(item, safe=' ()+,=@')}"


def _new(asked: Asked, items: list[Item], archive: Archive) -> Iterator[tuple[Item, str, str]]:
    """Yield items that are not archived as they are now, with the name and target of each."""
    source = asked.source
    targets = {receipt.target for receipt in standing(archive)}
    reads = fingerprint(asked.said.model_dump())
    for item in items:
        if item.cloud_pct is not None and item.cloud_pct > source.most_cloud_pct:
            continue
        name = _name(source, item.id)
        version = repr((source.name, item.collection, item.id, item.version))
        whole = hashlib.sha256(version.encode()).hexdigest()[:16]
        own = fingerprint(reads, {s: o.wkt for s, o in asked.outlines(item.at.year).items()})
        target = f"{KIND} {whole} {own}"
        if target not in targets and item.id not in source.leave_out:
            yield item, name, target


def _arrivals(asked: Asked, new: list[tuple[Item, str, str]]) -> Iterator[Arrival]:
    for number, (item, name, target) in enumerate(new):
        try:
            content = content_of(asked, item)
        except (NotRead, WrongHost, TooLarge) as error:
            asked.left[str(error)] += 1
            continue
        path = asked.into / f"{number}.part"
        path.write_bytes(content)
        yield Arrival(path, KIND, FOLDER, name, asked.source.name, target, whole=True)
        asked.sleep(asked.source.pause_s)
