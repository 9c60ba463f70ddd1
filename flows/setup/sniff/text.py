"""Delimited and fixed-width text taken apart: encoding, delimiter, headings, decimal mark."""

import codecs
import csv
import re
from collections import Counter
from dataclasses import dataclass
from itertools import pairwise

import polars as pl

from flows.base.plain_text import counted
from flows.setup.sniff import fixed_width
from flows.setup.sniff.finding import CannotSniff, Grid, Sure
from flows.setup.sniff.heading_words import STAMP, is_aggregates, is_data, is_depths, is_units

DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "pipe"}
MOST_HEAD = 60
PROBE_LINES = 400
REMARKS = re.compile(
    r"remarks?|comments?|notes?|weather|conditions?|observations?|text|description", re.IGNORECASE
)


def decoded(data: bytes) -> tuple[str, str, Sure, str]:
    """Text, encoding, how sure, and why."""
    for mark, name in (
        (codecs.BOM_UTF8, "utf-8-sig"),
        (codecs.BOM_UTF16_LE, "utf-16"),
        (codecs.BOM_UTF16_BE, "utf-16"),
    ):
        if data.startswith(mark):
            text = data.decode(name, errors="replace")
            return text, name, Sure.CERTAIN, "it begins with that encoding's byte-order mark"
    head = data[:4000]
    for place, name in ((1, "utf-16-le"), (0, "utf-16-be")):
        if len(head) > 8 and head[place::2].count(0) > len(head) // 2 * 0.8:
            return data.decode(name, "replace"), name, Sure.CERTAIN, "every second byte is zero"
    cut = data[: data.rfind(b"\n") + 1] or data
    try:
        text = cut.decode("utf-8")
    except UnicodeDecodeError as error:
        wrong = cut[error.start : error.start + 1]
        why = f"byte {wrong.hex()} is no UTF-8; in Windows-1252 it is {wrong.decode('cp1252', 'replace')!r}"
        return data.decode("cp1252", "replace"), "cp1252", Sure.LIKELY, why
    return text, "utf-8", Sure.CERTAIN, "every byte of it is"


def some_lines(data: bytes) -> list[str]:
    """The first lines of a text export."""
    text, *_ = decoded(data[: 64 << 10])
    return text.replace("\r\n", "\n").split("\n")[:PROBE_LINES]


def grid(data: bytes) -> Grid:
    """A text export as a grid; raises CannotSniff where no rows can be found."""
    text, encoding, sure, why = decoded(data.replace(b"\x00", b"") if b"\x00" * 4 in data else data)
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    if lines and not data.endswith((b"\n", b"\r", b"\n\x00")):
        lines = lines[:-1] if len(lines) > 3 else lines
    while lines and not lines[-1].strip():
        lines.pop()
    if not any(line.strip() for line in lines):
        raise CannotSniff("There is nothing in it.")
    delimiter = _delimiter(lines)
    remarks = _with_remarks(lines) if delimiter in (None, " ") else None
    if remarks is not None:
        found = _delimited(remarks, "\t")
        found.layout |= {"delimiter": "space", "text_last": True}
        width = len(found.names)
        what = f"blanks part {counted(width - 1, 'column')}; '{found.names[-1]}' is text to the end of the line"
        found.note_again("delimiter", "space", Sure.CERTAIN, what)
        found.note("text_last", "true", Sure.LIKELY, what)
    elif delimiter is None or (delimiter == " " and _blanks_in_headings(lines)):
        found = fixed_width.grid(lines)
    else:
        found = _delimited(lines, delimiter)
    if encoding != "utf-8":
        found.layout["encoding"] = encoding
    found.note("encoding", encoding, sure, why)
    return found


def _with_remarks(lines: list[str]) -> list[str] | None:
    """Lines with tabs between their columns, where blanks part them and the last is free text.

    None if no heading line ends with a word for remarks, or the rows below do not have its columns.
    """
    for i, line in enumerate(lines[:MOST_HEAD]):
        names = line.split()
        if len(names) < 3 or not REMARKS.fullmatch(names[-1]) or is_data(names):
            continue
        rows = [row.split(None, len(names) - 1) for row in lines[i + 1 :]]
        filled = [row for row in rows if row]
        whole = [r for r in filled if len(r) >= len(names) - 1 and is_data(r[: len(names) - 1])]
        if len(whole) > 0.9 * len(filled) > 0:
            wide = [[*row, ""] if len(row) == len(names) - 1 else row for row in rows]
            return [*lines[:i], "\t".join(names), *("\t".join(row) for row in wide)]
    return None


def _blanks_in_headings(lines: list[str]) -> bool:
    """Whether headings of several words stand over columns that are set wide apart."""
    first = next((i for i, line in enumerate(lines) if is_data(line.split())), 0)
    heading = next((line for line in reversed(lines[:first]) if line.strip()), "").strip()
    return bool(re.search(r"\S \S", heading) and re.search(r"\S {2,}\S", heading))


def cells(line: str, delimiter: str) -> list[str]:
    """The cells of a line."""
    if delimiter == " ":
        return line.split()
    return next(csv.reader([line], delimiter=delimiter), [])


def _delimiter(lines: list[str]) -> str | None:
    """The delimiter that cuts the lines into the most even rows, None for fixed width."""
    filled = [line for line in lines if line.strip()]
    parts = [filled[:PROBE_LINES], filled[-PROBE_LINES:]]  # headings may change in between
    sample = parts[1]
    best: tuple[float, int, str] | None = None
    for delimiter in (*DELIMITERS, " "):
        widths = [[len(cells(line, delimiter)) for line in part] for part in parts]
        width = min(Counter(part).most_common(1)[0][0] for part in widths)
        # rows like the row before them: headings, and so widths, may change further down
        even = min(
            sum(a == b for a, b in pairwise(part)) / max(len(part) - 1, 1) for part in widths
        )
        if width < 2 or even < 0.8:
            continue
        if delimiter == " " and (best is not None or even < 0.98):
            continue
        if delimiter == "," and _decimal_commas(sample) and best is None and ";" in sample[0]:
            continue
        score = (round(even, 1), width, delimiter)
        if best is None or score[:2] > best[:2]:
            best = score
    if best is not None and best[2] != " ":
        stamped = [line for line in sample if STAMP.search(cells(line, best[2])[0].strip('" '))]
        if len(stamped) < len(sample) / 2 and best[1] == 2 and best[2] == ",":
            return best[2] if not _decimal_commas(sample) else None
    return None if best is None else best[2]


def _decimal_commas(lines: list[str]) -> bool:
    return sum(bool(re.search(r"\d,\d+(;|\t|$)", line)) for line in lines) > len(lines) / 2


def _delimited(lines: list[str], delimiter: str) -> Grid:
    table = [cells(line, delimiter) if line.strip() else [] for line in lines]
    above = headings(table)
    names, first, width = above.names, above.first, len(above.names)
    layout: dict[str, object] = {}
    word = DELIMITERS.get(delimiter, "space")
    if delimiter != ",":
        layout["delimiter"] = word
    later, until = _later_headings(names, table, first)
    body = [row for row in table[first:until] if len(row) == width and is_data(row)]
    found = Grid(names, frame(names, body), layout, above.units, later)
    found.above = lines[: above.keys.get("skip", 0)]
    if until < len(table):
        what = f"line {until + 1} has other headings; the rows before it were looked at"
        found.note("headings", "change", Sure.LIKELY, what)
    layout |= above.keys
    found.note(
        "delimiter",
        word,
        Sure.CERTAIN,
        f"it cuts {len(body)} of {counted(sum(map(bool, table[first:])), 'row')} into {counted(width, 'column')}",
    )
    _note_decimal(found, delimiter)
    return found


def _later_headings(names: list[str], table: list[list[str]], first: int) -> tuple[list[str], int]:
    """Headings that only lines further down have, and the first such line whose order differs.

    A logger restarted, or years were joined.
    """
    known, later, until = set(names), list[str](), len(table)
    for i in range(first, len(table)):
        row = [cell.strip() for cell in table[i]]
        if known & set(row) - {""} and not is_data(row):
            later += [n for n in row if n and n not in known and n not in later]
            if row != names:
                until = min(until, i)
    return later, until


def frame(names: list[str], body: list[list[str]]) -> pl.DataFrame:
    """Rows as a frame of text columns c0, c1, …."""
    columns = list(zip(*body, strict=True)) if body else [()] * len(names)
    return pl.DataFrame(
        {f"c{i}": [cell.strip() for cell in column] for i, column in enumerate(columns)},
        schema={f"c{i}": pl.String for i in range(len(names))},
    )


def first_row(table: list[list[str]]) -> int:
    """The first row of values: the rows after it have its width; raises CannotSniff."""
    for i, row in enumerate(table):
        after = [r for r in table[i : i + 6] if r][:3]
        even = all(len(r) == len(row) and is_data(r) for r in after)
        whole = len(after) > 2 or i + len(after) >= len(table)
        if len(row) > 1 and even and whole and not _depths_above(row, after[1:]):
            return i
    raise CannotSniff("No rows of values can be found in it.")


def _depths_above(row: list[str], after: list[list[str]]) -> bool:
    """Whether a row holds depths of sensors, and the rows after it begin with times."""
    own, *stamped = [any(STAMP.search(cell.strip()) for cell in r) for r in (row, *after)]
    return is_depths(row) and not own and bool(stamped) and all(stamped)


@dataclass(frozen=True, slots=True)
class Headings:
    """The first row of values of a table, what stands above it, and the layout keys that say so.

    ``names`` and ``units`` are by column; ``keys`` are ``skip``, ``header`` and ``after_header``.
    """

    first: int
    names: list[str]
    units: list[str]
    keys: dict[str, int]


def headings(table: list[list[str]]) -> Headings:
    """Return the headings of a table of cells; raises CannotSniff if it has no rows of values."""
    first = first_row(table)
    width = len(table[first])
    block = _heading_rows(table, first)
    naming = [i for i in block if not is_units(table[i]) and not is_aggregates(table[i])]
    if not naming:
        keys = {"header": 0} | ({"skip": first} if first else {})
        return Headings(first, [str(i + 1) for i in range(width)], [""] * width, keys)
    many = naming[-1:]
    if len(naming) > 1 and naming[-2] == naming[-1] - 1 and _joined(table, naming[-2:]):
        many = naming[-2:]
    elif len(naming) > 1 and is_depths(table[naming[-1]]):
        many = list(range(naming[-2], naming[-1] + 1))
    elif not all(table[many[0]]) and all(c.strip() for c in table[naming[0]]):
        many = naming[:1]
    names: list[str] = []
    for i in range(width):
        name = " ".join(table[r][i].strip() for r in many if table[r][i].strip())
        name = name or f"column {i + 1}"
        names.append(name if name not in names else f"{name}#{names.count(name) + 1}")
    units = [""] * width
    for i in block:
        if i > many[-1] and is_units(table[i]):
            units = [cell.strip() for cell in table[i]]
    header = len(many) if len(many) > 1 else 0  # one heading row need not be named
    keys = {"skip": many[0], "header": header, "after_header": first - many[-1] - 1}
    return Headings(first, names, units, {key: rows for key, rows in keys.items() if rows})


def _heading_rows(table: list[list[str]], first: int) -> list[int]:
    """The rows right above the first row of values that are as wide as it."""
    block: list[int] = []
    for i in range(first - 1, max(0, first - MOST_HEAD) - 1, -1):
        if not table[i] and not block:
            continue
        if len(table[i]) != len(table[first]):
            break
        block.append(i)
    return block[::-1]


def _joined(table: list[list[str]], rows: list[int]) -> bool:
    """Whether two heading rows belong together: neither alone gives every column its own name."""
    upper, lower = ([c.strip() for c in table[i]] for i in rows)
    lower_alone = all(lower) and len(set(lower)) == len(lower)
    return not lower_alone and len(set(upper)) < len(upper) and any(lower)


def _note_decimal(found: Grid, delimiter: str) -> None:
    """Decimal mark and thousands separator, from the cells that are numbers."""
    if delimiter == ",":
        quoted = _share(found, r"^[+-]?\d{1,3}(,\d{3})+(\.\d+)?$")
        if quoted:
            found.layout["thousands"] = ","
            found.note(
                "thousands", ",", Sure.LIKELY, f"{quoted} quoted values have groups of three"
            )
        return
    commas, points = _share(found, r"^[+-]?\d*,\d+$"), _share(found, r"^[+-]?\d*\.\d+$")
    both = _share(found, r"^[+-]?\d{1,3}(\.\d{3})+,\d+$")
    if commas > points:
        found.layout["decimal"] = ","
        found.note(
            "decimal",
            ",",
            Sure.CERTAIN,
            f"{counted(commas, 'value')} have one comma, {points} a point",
        )
        if both:
            found.layout["thousands"] = "."
            found.note(
                "thousands",
                ".",
                Sure.LIKELY,
                f"{counted(both, 'value')} have points before a comma",
            )


def _share(found: Grid, pattern: str) -> int:
    rows = found.rows.head(2000)
    return sum(int(rows[c].str.contains(pattern).sum()) for c in rows.columns)
