"""Faults of the files themselves: torn, doubled, mangled, lost, none of ours. Each is noted."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from demo_warehouse.simulator.files import File
from demo_warehouse.simulator.ledger import Fault, Ledger, Outcome

Change = Callable[[File], list[File]]


@dataclass(frozen=True, slots=True)
class Spoiled:
    """A change of some files: which (the beginning of their paths), and the fault to be noted."""

    paths: tuple[str, ...]
    change: Change
    fault: Fault


def _fault(  # noqa: PLR0917
    fault: str, usual: int, instrument: str, what: str, outcome: Outcome, expected: str,
    files: str, rows: int | None = None,
) -> Fault:  # fmt: skip
    return Fault(fault, usual, instrument, what, outcome, expected, None, None, files, rows)


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


SPOILED = (
    Spoiled(("drop/windbreak/station/WB-C_2023-08",), _torn, _fault(
        "half-written last line", 12, "Windbreak check", "the copy was taken while the logger wrote",
        "refused", "a half-written line", "WB-C_2023-08.csv", 1)),
    Spoiled(("drop/stonepile/quarter/ST-T_2025",), _torn, _fault(
        "file still growing", 12, "Stonepile treated", "the logger was about to append more",
        "refused", "a half-written line; it lands when the rest has come", "ST-T_2025.csv", 1)),
    Spoiled(("drop/windbreak/probe/WB-TP_2022-02",), _nul, _fault(
        "zero bytes", 12, "Windbreak treated probe", "64 NUL bytes over a row after a power cut",
        "refused", "a row that cannot be read", "WB-TP_2022-02.csv", 1)),
    Spoiled(tuple(f"drop/coulee/station/CO-T_2022-W{w}" for w in (20, 21, 22, 23)), _degrees, _fault(
        "mangled degree sign", 1, "Coulee treated", "the heading says Â°C", "read right",
        "columns are found without their signs", "CO-T_2022-W20.csv to W23")),
    Spoiled(("drop/windbreak/station/WB-C_2022-06",), _twice, _fault(
        "the same file twice", 11, "Windbreak check", "a copy under another name", "kept once",
        "the same bytes land once", "WB-C_2022-06_copy.csv")),
    Spoiled(("drop/windbreak/station/WB-C_2022-07",), _corrected, _fault(
        "two values for one time", 11, "Windbreak check", "three days sent again, recalibrated",
        "superseded", "the later stands, the earlier is kept", "WB-C_2022-07_corrected.csv", 72)),
    Spoiled(("drop/stonepile/hourly/ST-C_2021",), _restarted, _fault(
        "heading written again", 3, "Stonepile check", "the logger was restarted", "read right",
        "the second heading is found", "ST-C_2021.csv")),
    Spoiled(("drop/coulee/station/CO-C_2024-W30",), _gone, _fault(
        "a week never arrived", 13, "Coulee check", "the file of a week is not there", "marked",
        "coverage; the days and the month are partial", "CO-C_2024-W30.csv")),
)  # fmt: skip

# Faults that are the logger's way of writing: the layout in farm.toml sets them right.
WAYS = (
    _fault("UTF-16", 1, "Gumbo stations and probes", "two bytes a character", "read right",
           "encoding = 'utf-16'", "drop/gumbo"),
    _fault("byte-order mark", 1, "Windbreak probes", "three bytes before the preamble", "read right",
           "the mark is passed over", "drop/windbreak/probe"),
    _fault("decimal comma", 2, "Coulee stations and probes", "1.234,5 between semicolons",
           "read right", "decimal = ',' and thousands = '.'", "drop/coulee"),
    _fault("preamble, units and aggregation rows", 3, "Windbreak and Gumbo", "lines that are no data",
           "read right", "header_starts and after_header", "drop/windbreak, drop/gumbo"),
    _fault("columns change order and name", 4, "Windbreak from 2023; Stonepile every year",
           "a new program on the logger", "read right", "columns are found by name; names = [...]",
           "drop/windbreak/station, drop/stonepile"),
    _fault("two missing codes in one file", 5, "Windbreak, Gumbo",
           "NAN here, -6999 there; -9999 and -99", "read right", "missing, by layout and by column",
           "drop/windbreak, drop/gumbo"),
    _fault("local time marked Z", 6, "Stonepile", "the stamps end in Z and are standard time",
           "read right", "offset = '-07:00', trust_zone stays false", "drop/stonepile"),
    _fault("daylight saving", 7, "Coulee", "an hour missing in March, one twice in November",
           "read right", "zone = 'America/Edmonton'", "drop/coulee"),
    _fault("two time zones at one site", 8, "Windbreak treated", "UTC until the end of March 2021",
           "read right", "a source and a layout of its own", "drop/windbreak/utc"),
    _fault("stamps at the start of the hour", 9, "Coulee", "the others write its end", "read right",
           "stamp = 'start'", "drop/coulee"),
    _fault("24:00 and month first", 9, "Gumbo", "05/31/2021 24:00", "read right",
           "format = '%m/%d/%Y %H:%M'", "drop/gumbo"),
    _fault("overlapping downloads", 11, "Gumbo", "each month begins two days early", "kept once",
           "the same reading twice is one reading", "drop/gumbo"),
    _fault("rain total rolls over", 14, "Stonepile", "at 500 mm; set to zero by hand in November 2021",
           "read right", "counts = 'total', rolls_at = 500", "drop/stonepile"),
    _fault("rain total since midnight", 14, "Gumbo stations", "falls to zero every night",
           "read right", "counts = 'total'", "drop/gumbo"),
    _fault("a heading that lies", 19, "Gumbo stations", "WIND m/s is in miles an hour", "read right",
           "unit = 'mile/hour'", "drop/gumbo"),
    _fault("units differ", 19, "all", "degF and inches, hPa, kJ/m2, mV, km/h, m3/m3", "read right",
           "unit = by column, turned into SI", ""),
)  # fmt: skip


def strays(written: datetime, ledger: Ledger) -> Iterator[File]:
    """Files that nobody should take for readings; notes each."""
    yield File("drop/misc/list of stones.txt", b"14 loads picked, behind the yard\n", written)
    ledger.add(_fault("a file of no source", 12, "", "a farmer's list in the drop folder",
                      "refused", "the whole file: no source takes it", "misc/list of stones.txt"))  # fmt: skip
    head = b"Stamp,Sum of rain,Remarks\n,mm,\n,,\n2022-07-31 24:00:00,61.2,by hand\n"
    yield File("drop/windbreak/station/WB-T_2022-07_summary.csv", head, written)
    ledger.add(_fault("other headings", 4, "Windbreak treated", "a summary in the folder of readings",
                      "refused", "the whole file: none of the layout's columns",
                      "WB-T_2022-07_summary.csv"))  # fmt: skip
    yield File("drop/gumbo/GU-C_202510.txt", b"", written)
    ledger.add(_fault("an empty file", 12, "Gumbo check", "no bytes", "passed over",
                      "a delivery without rows", "GU-C_202510.txt"))  # fmt: skip
    yield File("drop/coulee/station/CO-T_2025-W44.csv.part", b"Day;Hour;Air", written)
    ledger.add(_fault("a file half copied", 12, "Coulee treated", "its name says unfinished",
                      "passed over", "not taken; a note says so", "CO-T_2025-W44.csv.part"))  # fmt: skip


def spoil(files: Iterator[File], ledger: Ledger) -> Iterator[File]:
    """The files with their faults, and those that are none of ours; notes every fault."""
    for way in WAYS:
        ledger.add(way)
    seen: set[str] = set()
    for file in files:
        changed = [file]
        for spoiled in SPOILED:
            if file.path.startswith(spoiled.paths):
                changed = spoiled.change(file)
                seen.add(spoiled.fault.fault)
        yield from changed
    for spoiled in SPOILED:
        if spoiled.fault.fault not in seen:
            raise ValueError(f"no file for the fault {spoiled.fault.fault}")
        ledger.add(spoiled.fault)
