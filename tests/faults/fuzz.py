"""Mutated logger files and field books: nothing is lost, nothing lands where it does not stand."""

from __future__ import annotations

import logging
import random
import signal
import tempfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tests.faults import books_fuzz, forked, mutate, plain_reading
from tests.faults.samples import COLUMNS, FORMATS, Format, toml, write
from tests.faults.table import Clock, Found

BATCH = 50
FIRST = 0  # number of the first case of each format: others than those looked at before
FILLED = """
weather_reading soil_reading superseded_reading quarantine delivery delivery_instrument touched_day
"""
COUNTED = ("files", "landed", "refused", "empty", "rows", "values landed", "not judged")
SECONDS = 20  # of processor time: no file of these may take more
WAITED_S = 120  # nor wait longer
UNFORESEEN = "could not be read"  # the cause that the landing gives where a reader broke down


@dataclass(slots=True)
class Seen:
    """Counts and faults of some cases."""

    counts: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)

    def add(self, other: Seen) -> None:
        """Take in what another batch saw."""
        self.counts += other.counts
        self.wrong += other.wrong


class Landing:
    """A warehouse in memory that takes one delivery at a time and forgets it."""

    def __init__(self, root: Path) -> None:
        from flows.farm import farm_file
        from flows.farm.folder import FarmFolder
        from flows.intake import collect
        from flows.store import migrate, warehouse
        from flows.store.archive import Archive

        root.mkdir(parents=True)
        (root / "farm.toml").write_text(toml())
        self.folder = FarmFolder.at(root)
        self.folder.make()
        self.farm = farm_file.load(self.folder.farm_toml)
        self.con = warehouse.open_file(root / "fuzz.duckdb")
        with warehouse.transaction(self.con):
            migrate.bring_up(self.con)
        self.archive = Archive.open(self.folder.archive)
        collect.land_from(self.con, self.archive, self.farm)
        logging.getLogger("checkstrip").setLevel(logging.CRITICAL)

    def land(self, form: Format, data: bytes) -> None:
        """Archive and land one delivery."""
        from flows.intake import land
        from flows.store.archive import Arrival

        path = self.folder.drop / f"{form.name}.dat"
        path.write_bytes(data)
        target = f"{form.name}|west|deep"
        taken = self.archive.take([Arrival(path, "file", "drop", path.name, form.name, target)])
        land.land(self.con, self.archive, self.farm, taken)

    def rows(self, query: str) -> list[tuple[Any, ...]]:
        """Rows of a query."""
        return self.con.execute(query).fetchall()

    def forget(self) -> None:
        """Back to the empty warehouse."""
        from schemas import generated
        from schemas.catalogue import TABLES

        for table in FILLED.split():
            self.con.execute(f"DELETE FROM {generated.store(TABLES[table])}")


def case(landing: Landing, form: Format, data: bytes, how: str, seen: Seen) -> None:
    """Land one mutated file and judge what became of it."""
    where = f"{form.name}, {how}"
    seen.counts["files"] += 1
    signal.setitimer(signal.ITIMER_PROF, SECONDS)
    signal.setitimer(signal.ITIMER_REAL, WAITED_S)
    try:
        landing.land(form, data)
    except Exception as error:
        seen.wrong.append(f"{where}: {type(error).__name__}: {str(error)[:200]}")
        return
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.setitimer(signal.ITIMER_PROF, 0)
    for state, reason, *sums in landing.rows(
        "SELECT state, reason, rows_in, rows_landed + rows_quarantined + rows_duplicate, "
        "values_in, values_landed + values_quarantined + values_duplicate FROM delivery"
    ):
        seen.counts[state] += 1
        if sums[0] != sums[1] or sums[2] != sums[3]:
            seen.wrong.append(f"{where}: rows and values do not add up: {sums}")
        if str(reason or "").startswith(UNFORESEEN):
            seen.wrong.append(f"{where}: {reason}")
        seen.counts["rows"] += sums[0]
    _judge(landing, form, data, where, seen)
    landing.forget()


def _judge(landing: Landing, form: Format, data: bytes, where: str, seen: Seen) -> None:
    """Whether each value that landed stands in the file at that time, under that heading."""
    landed = [
        (time.astimezone(UTC), name, value)
        for name, (table, column, depth) in COLUMNS.items()
        for time, value in landing.rows(
            f"SELECT time, {column} FROM {table} WHERE {column} IS NOT NULL"
            + (f" AND depth_cm = {depth}" if depth else "")
        )
    ]
    seen.counts["values landed"] += len(landed)
    if not landed:
        return
    says = plain_reading.says(form, data)
    if says is None:
        seen.counts["not judged"] += 1
        return
    there: dict[tuple[datetime, str], list[float]] = {}
    for time, name, value in says:
        there.setdefault((time, name), []).append(value)
    for time, name, value in landed:
        near = there.get((time, name), [])
        if not any(abs(value - v) <= 1e-6 + 1e-9 * abs(v) for v in near):
            seen.wrong.append(
                f"{where}: {name} {value} landed at {time}, where the file says {near}"
            )
            return


def batch(form: Format, seed: int, many: int, keep: Path | None = None) -> Seen:
    """Some cases of one format, in a process of their own."""
    signal.signal(signal.SIGALRM, _late)
    signal.signal(signal.SIGPROF, _late)
    seen = Seen()
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as root:
        landing = Landing(Path(root) / "farm")
        for number in range(seed, seed + many):
            rng = random.Random(f"{form.name} {number}")
            data, how = mutate.mutated(form, write(form, number % 5), rng)
            before = len(seen.wrong)
            case(landing, form, data, f"{how} ({number})", seen)
            if len(seen.wrong) > before:
                landing.forget()
                if keep is not None:
                    (keep / f"{form.name}-{number}").write_bytes(data)
        landing.con.close()
    return seen


def _late(*_: object) -> None:
    raise TimeoutError(f"more than {SECONDS} s of processor time, or {WAITED_S} s")


def run(n: int, root: Path, say: Callable[[str], None], only: str = "") -> Found:
    """``n`` mutated deliveries, shared out over the formats, and a fifth as many field books."""
    found = Found(
        "Mutated files",
        "format | files | landed (in part) | refused | empty | rows in | values landed"
        " | not judged | wrong",
    )
    keep = Path(tempfile.gettempdir()) / "fuzz-wrong"
    keep.mkdir(exist_ok=True)
    forms = [form for form in FORMATS.values() if only in form.name]
    seen = {form.name: Seen() for form in forms}
    many = max(1, n // len(FORMATS))
    for start in range(FIRST, FIRST + many, BATCH):
        for form in forms:
            if Clock.over():
                break
            size = min(BATCH, FIRST + many - start)
            try:
                seen[form.name].add(
                    forked.run(lambda s=start, m=size, f=form: batch(f, s, m, keep))
                )  # type: ignore[arg-type]
            except RuntimeError as error:
                seen[form.name].wrong.append(f"{form.name}, from {start}: {str(error)[-500:]}")
            say(f"{form.name} {start - FIRST + size} of {many}, {len(seen[form.name].wrong)} wrong")
    for name, one in seen.items():
        counts = [one.counts[name] for name in COUNTED]
        found.rows.append((name, *counts, len(one.wrong)))
        found.wrong += one.wrong
    if only in "field books":
        found.rows.append(books_fuzz.run(max(2, n // 5), found, say, FIRST))
    return found
