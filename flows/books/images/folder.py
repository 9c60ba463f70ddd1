"""Find the images in images/, cut each to the strips' outlines, and hand the cuts to the archive.

A scene is hundreds of megabytes and a strip a few hundred pixels, so what is archived is the window
over the outlines, without loss. The hash of the whole file is in its receipt: the same image again is
not read again. An image that cannot be used is archived as the reason why, so that a rebuild tells
the same.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb
import polars as pl

from flows.base.files import read_state, write_text
from flows.base.plain_text import counted
from flows.books.fieldbook.problem import Rejected
from flows.books.images import cut, extra, geotiff, inside
from flows.books.images.grid import Outlines
from flows.books.images.landing import KIND, is_taken_back, land, standing, taken_back
from flows.books.images.outlines import OfYear, by_year, fingerprint
from flows.farm.folder import FarmFolder
from flows.store import warehouse
from flows.store.archive import Archive, Arrival
from flows.store.archive_bytes import measure
from flows.store.receipts import Receipt
from schemas.catalogue import TABLES
from schemas.farm.farm import Farm
from schemas.farm.images import ImageBands

MEMORY = "images.json"  # of the state folder: size, time and hash of each image as last seen
ENDINGS = (".tif", ".tiff")
MAX_FILE_BYTES = 20_000_000_000
MAX_SIDECAR_BYTES = 1_000_000
AT_A_TIME = 20  # images that are cut before the archive takes them


@dataclass(frozen=True, slots=True)
class _Seen:
    size: int
    time_ns: int
    sha256: str


def collect(
    con: duckdb.DuckDBPyConnection, folder: FarmFolder, farm: Farm, archive: Archive, into: Path
) -> list[str]:
    """Archive and land what is new in images/; returns notes. ``into``: an empty folder for the cuts."""
    notes = _archive(con, folder, farm, archive, into)
    return list(dict.fromkeys([*notes, *land(con, archive)]))


def _archive(
    con: duckdb.DuckDBPyConnection, folder: FarmFolder, farm: Farm, archive: Archive, into: Path
) -> list[str]:
    memory = read_state(folder.state / MEMORY, dict[str, _Seen]) or {}
    files = _files(folder.images)
    if not folder.images.is_dir() or not (files or memory):
        return []
    strip_outline = warehouse.read(con, TABLES["strip_outline"])
    if strip_outline.is_empty():
        return [
            f"{counted(len(files), 'image')} in images/ cannot be read yet: yieldmaps/ has no outline "
            "of a strip (GeoJSON with field and strip)."
        ]
    if not extra.installed():
        return [extra.MISSING]
    now: dict[str, _Seen] = {}
    arrivals: list[Arrival] = []
    for arrival in _new(files, folder, farm, archive, strip_outline, memory, now, into):
        arrivals.append(arrival)
        if len(arrivals) == AT_A_TIME:
            _take(archive, arrivals)
    names = {geotiff.plain_name(path, folder.images) for path in files}
    gone = _gone(archive, {name: seen for name, seen in memory.items() if name not in names}, now)
    arrivals += [taken_back(one, "its file was removed from images/", into) for one in gone]
    _take(archive, arrivals)
    if now != memory:
        text = json.dumps({name: asdict(seen) for name, seen in now.items()}, sort_keys=True)
        write_text(folder.state / MEMORY, text)
    return [
        *(
            f"images/{name} cannot be read; it is tried again."
            for name in sorted(names - now.keys())
        ),
        *(
            f"images/{one.name} was removed, so its values do not count any more; put it back if they are to."
            for one in gone
        ),
    ]


def _gone(archive: Archive, before: dict[str, _Seen], now: dict[str, _Seen]) -> list[Receipt]:
    """Return the images that were removed since the last run: not those that have another name now."""
    kept = {seen.sha256 for seen in now.values()}
    return [
        receipt
        for receipt in standing(archive)
        if receipt.folder == KIND
        and not is_taken_back(receipt)
        and receipt.name in before
        and before[receipt.name].sha256 not in kept
    ]


def _files(root: Path) -> list[Path]:
    """Return the images directly in ``root`` and in its folders."""
    if not root.is_dir():
        return []
    found = [*root.glob("*"), *root.glob("*/*")]
    return sorted(
        p
        for p in found
        if p.suffix.lower() in ENDINGS and not p.name.startswith(".") and p.is_file()
    )


def _take(archive: Archive, arrivals: list[Arrival]) -> None:
    archive.take(arrivals)
    for arrival in arrivals:
        arrival.path.unlink()
    arrivals.clear()


def _new(  # noqa: PLR0917
    files: list[Path],
    folder: FarmFolder,
    farm: Farm,
    archive: Archive,
    strip_outline: pl.DataFrame,
    memory: dict[str, _Seen],
    now: dict[str, _Seen],
    into: Path,
) -> Iterator[Arrival]:
    """Yield a cut, or the reason why there is none, for each image that is new or read otherwise."""
    targets, hashes = {receipt.target for receipt in standing(archive)}, set[str]()
    outlined = fingerprint(*strip_outline.select("field", "strip", "season", "outline").rows())
    outlines = by_year(strip_outline)
    for number, path in enumerate(files):
        name = geotiff.plain_name(path, folder.images)
        source = name.rpartition("/")[0] or KIND
        try:
            seen = now[name] = _seen(path, memory.get(name))
            sidecar = _sidecar(path)
            said = farm.image_bands.get(source, ImageBands())
            how = fingerprint(outlined, name, sidecar, said.model_dump())
            target = f"{KIND} {seen.sha256[:16]} {how}"
            copy = seen.sha256 in hashes  # under another name in the same folder
            hashes.add(seen.sha256)
            if copy or target in targets:
                continue
            content = _content(path, source, sidecar, farm, outlines)
            if not _as_seen(path, seen):
                del now[name]  # it was written to meanwhile: the next run takes it
                continue
        except OSError:
            now.pop(name, None)
            continue
        part = into / f"{number}.part"
        part.write_bytes(content)
        yield Arrival(part, KIND, KIND, name, source, target, whole=True)


def _seen(path: Path, before: _Seen | None) -> _Seen:
    """Return size, time and hash of a file; the hash as remembered if size and time are."""
    if before and _as_seen(path, before):
        return before
    stat = path.stat()
    return _Seen(stat.st_size, stat.st_mtime_ns, measure(path).sha256)


def _as_seen(path: Path, seen: _Seen) -> bool:
    stat = path.stat()
    return (seen.size, seen.time_ns) == (stat.st_size, stat.st_mtime_ns)


def _sidecar(path: Path) -> bytes | None:
    """Return the STAC item beside an image (same name, .json), if there is one."""
    beside = path.with_suffix(".json")
    if not beside.is_file():
        return None
    with beside.open("rb") as stream:
        return stream.read(MAX_SIDECAR_BYTES)


def _content(
    path: Path,
    source: str,
    sidecar: bytes | None,
    farm: Farm,
    outlines: OfYear,
) -> bytes:
    """Return the cut with its day and rules in its tags, or the reason for rejecting it as JSON."""
    try:
        if path.stat().st_size > MAX_FILE_BYTES:
            raise Rejected(
                "the image is too large", f"{path.stat().st_size:,} bytes", "a smaller one"
            )
        said = farm.image_bands.get(source, ImageBands())
        with extra.alone(), geotiff.opened(path) as image:
            day = geotiff.day_of(path.name, sidecar, image.tags(), farm.place.zone)
            if day > datetime.now(UTC).date() + timedelta(days=1):
                raise Rejected(
                    "the day of the image lies in the future",
                    day.isoformat(),
                    "the day on which it was taken, such as 2025-06-14.tif",
                )
            bands = geotiff.bands_of(image, said)
            layers = {role: cut.Layer(image, band) for role, band in bands.items()}
            tags = {"day": day.isoformat(), "source": source, "said": said.model_dump_json()}
            content = cut.clipped(layers, outlines(day.year), tags)
        check(content, said, outlines(day.year))
        return content
    except Rejected as wrong:
        reason = {"cause": wrong.cause, "found": wrong.found, "expected": wrong.expected}
        return json.dumps(reason, sort_keys=True).encode()


def check(content: bytes, said: ImageBands, outlines: Outlines) -> None:
    """Raise Rejected if a cut is no index, or shows no strip at all."""
    with extra.alone(), geotiff.opened(content) as image:
        opened = cut.cut_of(image, said)
        found = inside.inside(opened, outlines).values()
        for of in inside.shares(opened.grid, outlines).values():
            if not isinstance(of, str):
                part, _ = opened.part(of.box)
                cut.check_scale(part[of.rows, of.columns], "red" in image.descriptions)
    if any(one.pixels_weight for one in found) or any(one.reason == inside.NARROW for one in found):
        return
    cloud = any(one.cloud_share for one in found)
    raise cut.NothingThere(
        "cloud over all strips" if cloud else "no pixel of a strip has a value",
        "no clear pixel inside the outlines",
        "an image of a clear day over the fields with outlines",
    )
