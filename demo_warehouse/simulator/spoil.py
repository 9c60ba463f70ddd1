"""Faults of the files themselves: torn, doubled, mangled, lost, none of ours."""

from collections.abc import Callable, Iterable, Iterator
from datetime import timedelta

from demo_warehouse.simulator.files import File

Change = Callable[[File], list[File]]


def _with(file: File, content: bytes) -> File:
    return File(file.path, content, file.written)


def _torn(file: File) -> list[File]:
    """The last line stops in its middle."""
    body = file.content.rstrip(b"\r\n")
    last = body.rfind(b"\n") + 1
    return [_with(file, body[: last + (len(body) - last) * 2 // 3])]


def _nul(file: File) -> list[File]:
    """A power cut left a block of zero bytes before a row."""
    lines = file.content.split(b"\n")
    at = len(lines) // 2
    lines[at] = b"\x00" * 64 + lines[at][:9]
    return [_with(file, b"\n".join(lines))]


def _degrees(file: File) -> list[File]:
    """The heading went through UTF-8 and back: the degree sign is two characters now."""
    head, rest = file.content.split(b"\n", 1)
    return [_with(file, head.decode("cp1252").encode("utf-8") + b"\n" + rest)]


def _twice(file: File) -> list[File]:
    """The same bytes under another name."""
    copy = file.path.replace(".csv", "_copy.csv")
    return [file, File(copy, file.content, file.written + timedelta(hours=5))]


def _corrected(file: File) -> list[File]:
    """The last three days come again, two months later, with the air half a degree warmer."""
    lines = file.content.decode().split("\n")
    head, body = lines[:6], [line for line in lines[6:] if line]
    again = []
    for line in body[-72:]:
        cells = line.split(",")
        if cells[1] not in ("NAN", "-6999.0"):
            cells[1] = f"{float(cells[1]) + 0.5:.2f}"
        again.append(",".join(cells))
    path = file.path.replace(".csv", "_corrected.csv")
    late = File(path, "\n".join([*head, *again, ""]).encode(), file.written + timedelta(days=60))
    return [file, late]


def _restarted(file: File) -> list[File]:
    """The logger started again in the middle of its file and wrote its heading once more."""
    lines = file.content.split(b"\n")
    at = len(lines) // 3
    return [_with(file, b"\n".join([*lines[:at], lines[0], *lines[at:]]))]


def _gone(_: File) -> list[File]:
    return []


# What becomes of the files whose path begins so; ``faults.csv`` lists what each should come to.
SPOILED: dict[str, Change] = {
    "drop/windbreak/station/WB-C_2023-08": _torn,
    "drop/stonepile/quarter/ST-T_2025": _torn,
    "drop/windbreak/probe/WB-TP_2022-02": _nul,
    **{f"drop/coulee/station/CO-T_2022-W{week}": _degrees for week in (20, 21, 22, 23)},
    "drop/windbreak/station/WB-C_2022-06": _twice,
    "drop/windbreak/station/WB-C_2022-07": _corrected,
    "drop/stonepile/hourly/ST-C_2021": _restarted,
    "drop/coulee/station/CO-C_2024-W30": _gone,
}
# Files that nobody should take for readings.
STRAYS = {
    "drop/misc/list of stones.txt": b"14 loads picked, behind the yard\n",
    "drop/windbreak/station/WB-T_2022-07_summary.csv": (
        b"Stamp,Sum of rain,Remarks\n,mm,\n,,\n2022-07-31 24:00:00,61.2,by hand\n"
    ),
    "drop/gumbo/GU-C_202510.txt": b"",
    "drop/coulee/station/CO-T_2025-W44.csv.part": b"Day;Hour;Air",
}


def spoil(files: Iterable[File], *, whole: bool = True) -> Iterator[File]:
    """Yield the files with their faults; raises ValueError if a ``whole`` record lacks a fault's file."""
    unused = set(SPOILED)
    for file in files:
        start = next((start for start in SPOILED if file.path.startswith(start)), None)
        yield from [file] if start is None else SPOILED[start](file)
        unused.discard(str(start))
    if unused and whole:
        raise ValueError(f"no file begins with {', '.join(sorted(unused))}")
