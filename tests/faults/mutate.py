"""Changes that a bad cable, a bad program or a bad person makes to a file."""

from __future__ import annotations

import gzip
import io
import random
import re
import zipfile
from collections.abc import Callable

from tests.faults.samples import Format, pack

# What stands in a cell in place of a number, and of a time; "|" parts them, and nothing is one too.
NUMBERS = (
    f"1e308|-1e400|{'9' * 400}|nan|inf|-inf|NaN|1,5|1.5.2|0x10|１２|1_0|--3|+4|| |null|=1+1|#DIV/0!"
    "|1e|٣|-0|00012|1e-320|True|-9999|2021-06-01 03:00|'5|5 mm|½|\x00|\ufeff7|<b>|${x}"
    "|';DROP TABLE farm;--"
)
TIMES = (
    "2021-02-30 00:00|2021-06-01 24:00|2021-06-01 25:00|0000-00-00 00:00|99999-01-01 00:00"
    "|2021-06-01T03:00Z|2021-06-01|20210601|01/06/2021 03:00|2021-6-1 3:0|1622520000"
    "|2021-06-01 03:00:00.5|2021-06-01 03|noon|2099-01-01 00:00|1970-01-01 00:00"
    "|2021-06-01 03:00+09:00|-2021-06-01 03:00|2021-06-01 03:60|"
)
# Parts of a workbook's cell, and what takes their place.
SWAPS = b"""\
t="n" t="s"
t="n" t="b"
t="n" t="d"
t="s" t="n"
t="n" t="e"
r="B r="C
r="2" r="99999999"
r="A2" r="ZZZZ2"
<v> <f>1+1</f><v>
t="s" t="zz"
"""
OTHER_UNITS = {b"air": b"degF", b"rain": b"inch", b"upper": b"m3/m3", b"lower": b"m3/m3"}
Change = Callable[[bytes, random.Random, Format], bytes]


def flip(data: bytes, rng: random.Random, form: Format) -> bytes:
    """Some bits turned."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 8, 40))):
        out[rng.randrange(len(out))] ^= 1 << rng.randrange(8)
    return bytes(out)


def cut(data: bytes, rng: random.Random, form: Format) -> bytes:
    """Its end, its beginning or its middle is missing."""
    a, b = sorted((rng.randrange(len(data)), rng.randrange(len(data))))
    return rng.choice((data[:b], data[a:], data[:a] + data[b:]))


def zeros(data: bytes, rng: random.Random, form: Format) -> bytes:
    """A run of zero bytes, in place of others or between them."""
    at, many = rng.randrange(len(data)), rng.choice((1, 3, 64, 600))
    return data[:at] + bytes(many) + data[at + rng.choice((0, many)) :]


def junk(data: bytes, rng: random.Random, form: Format) -> bytes:
    """Bytes of something else in it."""
    at = rng.randrange(len(data))
    signs = rng.choice(
        (
            b'"',
            b"'",
            b"\r",
            b"\n",
            b"\xff\xfe",
            b"\x1e",
            b"\x1a",
            b"\\",
            b",;\t|",
            b"\xe2\x80\xa8",
            b"\x85",
        )
    )
    return data[:at] + rng.choice((signs, rng.randbytes(30))) + data[at:]


def lines(data: bytes, rng: random.Random, form: Format) -> bytes:
    """Lines doubled, missing, swapped, the heading again, or joined."""
    rows = data.split(b"\n")
    for _ in range(rng.choice((1, 1, 3))):
        a, b = rng.randrange(len(rows)), rng.randrange(len(rows))
        match rng.randrange(6):
            case 0:
                rows.insert(b, rows[a])
            case 1 if len(rows) > 1:
                del rows[a]
            case 2:
                rows[a], rows[b] = rows[b], rows[a]
            case 3:
                rows.insert(b, rows[0])
            case 4:
                rows[a] += rows[b]
            case _:
                rows.insert(a, b"")
    return b"\n".join(rows)


def cells(data: bytes, rng: random.Random, form: Format) -> bytes:
    """A cell doubled, missing, swapped with another, or made something strange."""
    d = form.delimiter.encode()
    rows = [row.split(d) for row in data.split(b"\n")]
    for _ in range(rng.choice((1, 1, 2, 6))):
        row = rng.choice(rows)
        a, b = rng.randrange(len(row)), rng.randrange(len(row))
        match rng.randrange(6):
            case 0:
                row.insert(b, row[a])
            case 1 if len(row) > 1:
                del row[a]
            case 2:
                row[a], row[b] = row[b], row[a]
            case _:
                strange = rng.choice(
                    (TIMES if a == 0 and rng.random() < 0.8 else NUMBERS).split("|")
                )
                row[a] = strange.encode()
    return b"\n".join(d.join(row) for row in rows)


def columns(data: bytes, rng: random.Random, form: Format) -> bytes:
    """Two columns change place, their headings with them or not; or one is missing or doubled."""
    d = form.delimiter.encode()
    rows = [row.split(d) for row in data.split(b"\n")]
    width = max(map(len, rows))
    a, b, how = rng.randrange(width), rng.randrange(width), rng.randrange(4)
    for number, row in enumerate(rows):
        if max(a, b) >= len(row) or (how == 1 and number < 2):
            continue
        if how == 2:
            row.insert(b, row[a])
        elif how == 3:
            del row[a]
        else:
            row[a], row[b] = row[b], row[a]
    return b"\n".join(d.join(row) for row in rows)


def encoded(data: bytes, rng: random.Random, form: Format) -> bytes:
    """In another encoding, with other line ends or a mark before it."""
    text = data.decode(form.encoding, "replace")
    codes = ("utf-16", "utf-16-be", "utf-32", "utf-8-sig")
    ends = (b"\r\n", b"\r", b"\n\r")
    return rng.choice(
        [
            *(text.encode(code, "replace") for code in codes),
            *(data.replace(b"\n", end) for end in ends),
            text.encode("cp037", "replace"),
            b"\xef\xbb\xbf" * 2 + data,
            data.replace(b"0", "０".encode()),
        ]
    )


def words(data: bytes, rng: random.Random, form: Format) -> bytes:
    """Some places where a number or a time stands say something else."""
    found = list(re.finditer(rb"\d[\d.,:\- ]*\d", data)) or list(re.finditer(rb".", data))
    for hit in sorted(
        rng.sample(found, min(len(found), rng.choice((1, 1, 3)))), key=lambda h: -h.start()
    ):
        strange = rng.choice(f"{NUMBERS}|{TIMES}".split("|")).encode()
        data = data[: hit.start()] + strange + data[hit.end() :]
    return data


def nested(data: bytes, rng: random.Random, form: Format) -> bytes:
    """Brackets without end, records in records."""
    deep = rng.choice((50, 900, 5000, 100_000))
    start, end = rng.choice(((b"[", b"]"), (b'{"a":', b"}")))
    at = rng.choice((0, data.find(b":") + 1, data.find(b"[") + 1, len(data)))
    middle = rng.choice((b"1", b"{}", data[:200]))
    return data[:at] + start * deep + middle + end * rng.choice((deep, 0)) + data[at:]


def long_line(data: bytes, rng: random.Random, form: Format) -> bytes:
    """A line without end, or with thousands of cells."""
    at = rng.randrange(len(data))
    much = rng.choice((b"x" * 300_000, form.delimiter.encode() * 20_000, b"7" * 100_000))
    return data[:at] + much + data[at:]


def heading(data: bytes, rng: random.Random, form: Format) -> bytes:
    """A second heading below the first: another order, case or width, other units, or a mark before it."""
    d = form.delimiter.encode()
    rows = [row.split(d) for row in data.split(b"\n")]
    if len(rows) < 2:
        return data  # nothing is left below a heading
    at = rng.randrange(1, len(rows))
    below = [list(row) for row in rows[at:]]
    names = list(rows[next((n for n, row in enumerate(rows) if b"air" in row), 0)])
    match rng.randrange(6):
        case 0 if len(names) > 1:
            order = rng.sample(range(len(names)), len(names))
            below = [[row[n] for n in order] if len(row) == len(names) else row for row in below]
            names = [names[n] for n in order]
        case 1:
            names = [name.upper() for name in names]
        case 2:
            names[0] = b"\xef\xbb\xbf" + names[0]
        case 3:
            place = rng.randrange(len(names) + 1)
            names.insert(place, b"more")
            for row in below:
                row.insert(place, b"51")
        case 4:
            names = [OTHER_UNITS.get(name, b"") for name in names]
        case _:
            names = [name + b"_2" for name in names]
    return b"\n".join(d.join(row) for row in [*rows[:at], names, *below])


def zone(data: bytes, rng: random.Random, form: Format) -> bytes:
    """The stamps of some lines name a time zone, most often another than the layout's."""
    mark = rng.choice((b"Z", b"+00:00", b"-06:00", b"-05:00", b" UTC"))
    rows = data.split(b"\n")
    start, many = rng.randrange(len(rows)), rng.choice((1, len(rows)))
    for n in range(start, min(len(rows), start + many)):
        rows[n] = re.sub(rb"(\d\d:\d\d)(?![\d:])", lambda hit: hit[1] + mark, rows[n], count=1)
    return b"\n".join(rows)


def beside(data: bytes, rng: random.Random, form: Format) -> bytes:
    """A sign or a tab in the blank before a number."""
    blanks = [hit.start() for hit in re.finditer(rb" (?=\d)", data)]
    for at in rng.sample(blanks, min(len(blanks), rng.choice((1, 1, 5)))):
        data = data[:at] + rng.choice((b"-", b"+", b"\t")) + data[at + 1 :]
    return data


TEXT: tuple[Change, ...] = (
    heading,
    zone,
    beside,
    flip,
    cut,
    zeros,
    junk,
    lines,
    cells,
    columns,
    encoded,
    words,
    words,
    long_line,
)
JSON: tuple[Change, ...] = (flip, cut, zeros, junk, lines, words, words, words, encoded, nested)
PACKED: tuple[Change, ...] = (flip, cut, zeros, junk, encoded)


def mutated(form: Format, data: bytes, rng: random.Random) -> tuple[bytes, str]:
    """A mutated delivery of a whole (unpacked) file, and what was done."""
    inside = JSON if form.kind in ("json", "ndjson") else TEXT
    if form.kind == "xlsx":
        how = rng.choice((_workbook, _workbook, _workbook, *PACKED[:4]))
        return how(data, rng, form), how.__name__
    done = []
    if form.packed and rng.random() < 0.35:
        how = rng.choice((*PACKED[:4], _tricks))
        return how(pack(form, data), rng, form), f"{how.__name__} packed"
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        change = rng.choice(inside)
        data = change(data, rng, form) or b" "
        done.append(change.__name__)
    return pack(form, data), " ".join(done)


def _workbook(data: bytes, rng: random.Random, form: Format) -> bytes:
    """The parts inside a workbook changed, and packed again."""
    with zipfile.ZipFile(io.BytesIO(data)) as book:
        parts = {name: book.read(name) for name in book.namelist()}
    name = rng.choice(
        [n for n in parts if "sheet1" in n] * 6
        + [n for n in parts if "shared" in n] * 2
        + list(parts)
    )
    change = rng.choice((words, words, words, flip, cut, junk, _bomb, _types))
    parts[name] = change(parts[name], rng, form)
    if rng.random() < 0.05:
        del parts[name]
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as book:
        for part, content in parts.items():
            book.writestr(part, content)
    return out.getvalue()


def _types(data: bytes, rng: random.Random, form: Format) -> bytes:
    """Cells of another type, at another place."""
    old, new = rng.choice(SWAPS.splitlines()).split()
    return data.replace(old, new, rng.choice((1, 2, -1)))


def _bomb(data: bytes, rng: random.Random, form: Format) -> bytes:
    """Entities that grow, or that name a file of this computer."""
    entities = [(b"a", b"9" * 50), *((b"%c" % (98 + i), b"&%c;" % (97 + i) * 10) for i in range(7))]
    grow = b"<!DOCTYPE x [%s]>" % b"".join(b'<!ENTITY %s "%s">' % entity for entity in entities)
    reads = b'<!DOCTYPE x [<!ENTITY h SYSTEM "file:///etc/hostname">]>'
    head, _, rest = data.partition(b"?>") if data.startswith(b"<?xml") else (b"", b"", data)
    start = head + b"?>" if head else b""
    return (
        start
        + rng.choice((grow, reads))
        + rest.replace(b"</v>", rng.choice((b"&h;", b"&a;")) + b"</v>", 1)
    )


def _tricks(data: bytes, rng: random.Random, form: Format) -> bytes:
    """What archives can be made to do."""
    if form.packed == "gzip":
        after = [data + more for more in (data, b"junk", bytes(500))]
        twice = [gzip.compress(inside) for inside in (data, bytes(40 << 20))]
        torn = [data[:-8] + bytes(8), data[:3] + b"\xff" + data[4:], data[:20] * 50]
        return rng.choice(after + twice + torn)
    inner = zipfile.ZipFile(io.BytesIO(data)).read("a.csv")
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        match rng.randrange(7):
            case 0:
                archive.writestr("../../../etc/passwd", inner)
            case 1:
                archive.writestr("a.csv", data)
            case 2:
                archive.writestr("big.csv", bytes(60 << 20))
            case 3:
                for i in range(300):
                    archive.writestr(f"{i}.csv", inner if i == 7 else b"")
            case 4:
                archive.writestr("C:\\x\\y.csv", inner)
                archive.writestr("b\x00.csv", inner)
            case 5:
                archive.writestr("folder/", b"")
            case _:
                archive.writestr("[Content_Types].xml", b"<x/>")
                archive.writestr("a.csv", inner)
    return out.getvalue()
