"""Packed deliveries: gzip and zip archives, told by their first bytes, whatever their name.

The bytes inside are read by the layout's own reader. What unpacks to far more than it should (a
zip bomb) is refused before it fills the memory or the disk; an archive inside an archive is not
opened.
"""

from __future__ import annotations

import io
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from fnmatch import fnmatch
from itertools import chain
from typing import IO

from flows.intake.readers.chunk import Chunk, Content, Unreadable
from flows.intake.readers.sections import Section
from schemas.farm.layout import Layout

GZIP = b"\x1f\x8b"
LONGEST_MARK = 4
ZIP = (b"PK\x03\x04", b"PK\x05\x06")
WORKBOOK = "[Content_Types].xml"  # the part that every Office Open XML package has
BLOCK = 1 << 18
MOST_MEMBERS = 20_000
MOST_BYTES = 4 << 30  # what one delivery may unpack to
FREE_BYTES = 32 << 20  # up to here the ratio does not matter
MOST_RATIO = 250  # logger text packs 5 to 30 to one; a bomb a thousand to one
IN_MEMORY = 16 << 20  # a larger zip is spooled to a temporary file, since it is read from its end

# What damaged bytes lead to, the negative places that a broken directory names among it.
DAMAGE = (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, ValueError, OSError)
PACKINGS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2)

# What each reader module's ``read`` is (and the ``sections`` of one that cuts before it parses):
# it yields a delivery's rows and raises Unreadable.
Reader = Callable[[Content, Layout], Iterator[Chunk | Section]]

PASSED_OVER = ("__MACOSX/", ".DS_Store", "Thumbs.db")


def read(content: Content, layout: Layout, reader: Reader) -> Iterator[Chunk | Section]:
    """Yield the rows of a delivery that may be packed; raises Unreadable."""
    start = _first(content)
    if start.startswith(GZIP):
        packed = whole(content)
        yield from reader(replace(packed, own=lambda: unzipped(packed.own())), layout)
    elif start.startswith(ZIP):
        yield from _archive(whole(content), layout, reader)
    else:
        yield from reader(content, layout)


def _first(content: Content) -> bytes:
    blocks = content.before() if content.lines_before else content.own()
    start = b""
    for block in blocks:
        start += block
        if len(start) >= LONGEST_MARK:
            break
    return start


def whole(content: Content) -> Content:
    """Return all of a delivery as its own, for what has no rows that begin at a byte of it."""
    before, own = content.before, content.own
    return Content(content.name, 0, lambda: iter(()), lambda: chain(before(), own()))


class Meter:
    """Counts packed and unpacked bytes; raises Unreadable where it is a bomb."""

    def __init__(self, packed: int = 0) -> None:
        self.packed, self.unpacked = packed, 0

    def add(self, unpacked: int) -> None:
        """Note bytes that came out."""
        self.unpacked += unpacked
        bomb = self.unpacked > FREE_BYTES and self.unpacked > MOST_RATIO * max(self.packed, 1)
        if bomb or self.unpacked > MOST_BYTES:
            raise Unreadable(
                "unpacks to too much",
                f"{self.packed:,} bytes that unpack to over {self.unpacked:,}",
                f"at most {MOST_RATIO} times its size and {MOST_BYTES:,} bytes",
            )


def unzipped(blocks: Iterator[bytes]) -> Iterator[bytes]:
    """Yield the bytes inside gzip data of one or more members, block by block."""
    meter = Meter()
    rest, machine = b"", zlib.decompressobj(wbits=31)
    for block in blocks:
        meter.packed += len(block)
        rest += block
        while rest:
            if machine.eof:
                if not rest.startswith(GZIP[: len(rest)]):
                    return  # padding after the last member, as tar and some loggers write it
                machine = zlib.decompressobj(wbits=31)
            try:
                out = machine.decompress(rest, BLOCK)
            except zlib.error as error:
                raise _damaged(error) from error
            rest = machine.unconsumed_tail or machine.unused_data
            meter.add(len(out))
            if out:
                yield out
            elif not machine.eof:
                break
    if not machine.eof:
        raise _damaged("it ends in the middle")


def _damaged(found: str | Exception) -> Unreadable:
    """Return the refusal of an archive; a disk that failed meanwhile is raised, and tried again."""
    if isinstance(found, OSError) and found.errno is not None:
        raise found
    return Unreadable("damaged archive", str(found), "a whole gzip or zip file")


def _archive(content: Content, layout: Layout, reader: Reader) -> Iterator[Chunk | Section]:
    """Yield the rows of each member of a zip in the order of their names; or of one workbook."""
    with tempfile.SpooledTemporaryFile(max_size=IN_MEMORY) as held:
        for block in content.own():
            held.write(block)
        packed = held.tell()
        held.seek(0)
        try:
            archive = zipfile.ZipFile(held)
        except DAMAGE as error:
            raise _damaged(error) from error
        with closing(archive):
            if WORKBOOK in archive.namelist():
                if layout.format != "xlsx":
                    raise Unreadable("another format", "a workbook", f"{layout.format} records")
                Meter(packed).add(sum(info.file_size for info in archive.infolist()))
                yield from reader(content, layout)
            else:
                yield from _members(archive, packed, content.name, layout, reader)


def _members(
    archive: zipfile.ZipFile, packed: int, name: str, layout: Layout, reader: Reader
) -> Iterator[Chunk | Section]:
    meter = Meter(packed)
    infos = [info for info in archive.infolist() if wanted(info.filename, layout.members)]
    if len(infos) > MOST_MEMBERS:
        raise Unreadable("too many files in it", f"{len(infos):,}", f"at most {MOST_MEMBERS:,}")
    if not infos:
        raise Unreadable(
            "no such file in the archive",
            ", ".join(archive.namelist())[:300] or "an empty archive",
            f"a file like {layout.members}",
        )
    lines = 0
    troubles: list[Unreadable] = []
    for info in sorted(infos, key=lambda i: i.filename):
        inside = Content(
            f"{name}/{info.filename}",
            0,
            lambda: iter(()),
            Member(archive, info, meter, workbooks=layout.format == "xlsx"),
        )
        last = lines
        try:
            for chunk in reader(inside, layout):
                moved = chunk.shifted(lines, info.filename)
                last = max(last, moved.last_line)
                yield moved
        except Unreadable as error:
            troubles.append(
                Unreadable(error.cause, f"{info.filename}: {error.found}", error.expected)
            )
            if error.cause == "unpacks to too much":
                break
        lines = last
    if troubles:  # the good files of it are in; the first bad one is named
        raise troubles[0]


def wanted(name: str, members: str) -> bool:
    """Return whether a file in an archive is meant: no folder, no litter of an operating system."""
    if name.endswith("/") or name.startswith(PASSED_OVER) or name.endswith(PASSED_OVER):
        return False
    low, like = name.lower(), members.lower()
    return fnmatch(low, like) or fnmatch(low.rpartition("/")[2], like)


class Member:
    """The bytes of one file in a zip, from the start whenever asked."""

    def __init__(
        self, archive: zipfile.ZipFile, info: zipfile.ZipInfo, meter: Meter, *, workbooks: bool
    ) -> None:
        self.archive, self.info, self.meter, self.workbooks = archive, info, meter, workbooks

    def __call__(self) -> Iterator[bytes]:
        """Its bytes in blocks; raises Unreadable."""
        if self.info.flag_bits & 1:
            raise Unreadable("locked archive", "a password", "an archive without a password")
        if self.info.compress_type not in PACKINGS:
            raise Unreadable(
                "another packing", f"method {self.info.compress_type}", "a zip by deflate"
            )
        try:
            with self.archive.open(self.info) as stream:
                start, name = stream.read(4), self.info.filename
                if start.startswith(GZIP) or (start.startswith(ZIP) and not self.workbooks):
                    raise Unreadable("an archive in an archive", name, "plain files")
                yield from self._counted(start, stream)
        except DAMAGE as error:
            raise _damaged(error) from error

    def _counted(self, start: bytes, stream: IO[bytes]) -> Iterator[bytes]:
        block = start
        while block:
            self.meter.add(len(block))
            yield block
            block = stream.read(BLOCK)


def in_one(content: Content, most: int) -> bytes:
    """Return all bytes at once, for formats that need the whole; raises Unreadable beyond ``most``."""
    held = io.BytesIO()
    for block in chain(content.before(), content.own()):
        held.write(block)
        if held.tell() > most:
            raise Unreadable(
                "too large", f"over {most:,} bytes in one document", f"at most {most:,}"
            )
    return held.getvalue()
