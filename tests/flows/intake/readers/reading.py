"""Reads bytes by a layout, as the landing does, whatever the format and the packing."""

from __future__ import annotations

import io
import zipfile
from typing import Any

from flows.intake.readers.by_format import reader_of
from flows.intake.readers.chunk import Chunk, Content
from schemas.farm.layout import Layout

HOURLY: dict[str, Any] = {
    "step": "1 h",
    "time": {"columns": ["t"], "offset": "Z"},
    "columns": {"T": {"quantity": "air_temp"}, "R": {"quantity": "rain", "unit": "mm"}},
}
READ = [("2020-06-01 00:00", 1.5, 0.2), ("2020-06-01 01:00", -2.0, 0.0)]


def layout(**changes: Any) -> Layout:
    return Layout.model_validate(HOURLY | changes)


def chunks(data: bytes, rule: Layout, *, before: bytes = b"", block: int = 1 << 20) -> list[Chunk]:
    content = Content(
        "file",
        before.count(b"\n"),
        lambda: iter([before]),
        lambda: (data[i : i + block] for i in range(0, len(data), block)),
    )
    return list(reader_of(rule)(content, rule))


def rows(data: bytes, rule: Layout, *roles: str, **how: Any) -> list[tuple[Any, ...]]:
    found = chunks(data, rule, **how)
    return [
        tuple(float(v) if i and v is not None else v for i, v in enumerate(line))
        for chunk in found
        for line in chunk.frame.select(roles or ("time_0", "v:T", "v:R")).iter_rows()
    ]


def faults(data: bytes, rule: Layout, **how: Any) -> list[tuple[Any, ...]]:
    return [fault for chunk in chunks(data, rule, **how) for fault in chunk.faults.rows()]


def zipped(files: dict[str, bytes], **how: Any) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, **how) as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return out.getvalue()
