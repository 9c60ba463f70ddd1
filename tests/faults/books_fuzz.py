"""Mutated field books: workbooks and folders of CSV files."""

from __future__ import annotations

import csv
import io
import random
import re
from collections import Counter
from collections.abc import Callable
from typing import Any

from tests.faults import forked, mutate
from tests.faults.samples import FORMATS
from tests.faults.table import Clock, Found
from tests.flows.fieldbooks import book, workbook

BATCH = 50


def sample() -> dict[str, bytes]:
    """The good book as CSV files."""
    files = {}
    for name, rows in book().items():
        out = io.StringIO()
        csv.writer(out).writerows(rows)
        files[f"{name}.csv"] = out.getvalue().encode()
    return files


def case(number: int, counts: Counter[str]) -> list[str]:
    """Read one mutated book; what is wrong with what came of it."""
    from flows.books import fieldbook

    rng = random.Random(f"book {number}")
    if rng.random() < 0.4:
        data, how = mutate.mutated(FORMATS["xlsx"], workbook(book()), rng)
        files = {"fieldbook.xlsx": data}
    else:
        files = sample()
        name = rng.choice(list(files))
        changed, how = mutate.mutated(FORMATS["comma"], files[name], rng)
        files[name] = changed
        how = f"{name} {how}"
    where = f"field book, {how} ({number})"
    try:
        found = fieldbook.tables_of(files, currency="CAD")
    except Exception as error:
        return [f"{where}: {type(error).__name__}: {str(error)[:300]}"]
    counts["problems"] += len(found.problems)
    counts["rows"] += sum(f.height for f in found.frames.values())
    counts["refused"] += any(p.extent == "book" for p in found.problems)
    wrong = [
        f"{where}: a problem without words" for p in found.problems if not (p.cause and p.expected)
    ]
    if "csv" in how or how.startswith(tuple(book())):
        wrong += [f"{where}: {told}" for told in _strange(files, found.frames)]
    return wrong


def _strange(files: dict[str, bytes], frames: dict[str, Any]) -> list[str]:
    """Numbers that a table has as they were written, and that stand in none of the files."""
    text = "\n".join(
        data.decode(code, "replace")
        for data in files.values()
        for code in ("utf-8", "utf-16", "utf-16-be")
    )
    words = re.findall(r"[-+\d.,eE_\u0660-\uff19]+", text)
    written = {_plain(part) for w in words for part in (w, w.strip(","), *w.split(","))}
    wrong = []
    for table, column in (
        ("field", "area_ha"),
        ("harvest_pass", "moisture_pct"),
        ("operation", "depth_cm"),
    ):
        frame = frames.get(table)
        if frame is None or column not in frame.columns:
            continue
        for value in frame[column].drop_nulls().to_list():
            if _plain(str(value)) not in written:
                wrong.append(f"{table}.{column} is {value}, which stands nowhere")
    return wrong


def _plain(word: str) -> str:
    try:
        return f"{float(word.replace(',', '.')):.9g}"
    except ValueError:
        return word


def batch(start: int, many: int) -> tuple[Counter[str], list[str]]:
    """Some cases."""
    counts: Counter[str] = Counter()
    wrong = [told for number in range(start, start + many) for told in case(number, counts)]
    return counts, wrong


def run(n: int, found: Found, say: Callable[[str], None], first: int = 0) -> tuple[Any, ...]:
    """``n`` mutated books, from the number ``first`` on."""
    counts: Counter[str] = Counter()
    before = len(found.wrong)
    for start in range(0, n, BATCH):
        if start and Clock.over():
            n = start
            break
        many = min(BATCH, n - start)
        try:
            some, wrong = forked.run(lambda s=first + start, m=many: batch(s, m))  # type: ignore[misc]
            counts += some
            found.wrong += wrong
        except RuntimeError as error:
            found.wrong.append(f"field books from {start}: {str(error)[-500:]}")
    refused, wrong = counts["refused"], len(found.wrong) - before
    row = ("field books", n, n - refused, refused, 0, counts["rows"], "", "", wrong)
    say(f"{row}")
    return row
