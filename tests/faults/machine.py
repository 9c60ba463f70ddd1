"""A state machine over all that can happen to a farm folder; what must hold is held after each step.

The truth is a dictionary: what each delivered line says of each hour. Deliveries that contradict
each other are among the steps; there the last received decides, and the rebuild must decide alike.
"""

from __future__ import annotations

import atexit
import errno
import os
import shutil
import tempfile
from collections.abc import Callable
from contextlib import suppress
from functools import cache
from pathlib import Path

import duckdb
import hypothesis.strategies as st
from hypothesis import HealthCheck, Phase, settings
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from flows.derive import derive
from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.intake import collect
from flows.store import checksum, migrate, warehouse
from flows.trust.backup import rebuild
from schemas.catalogue import TABLES
from tests.faults.disk import Disk, Fails
from tests.faults.table import Found
from tests.flows.loggers import FARM, HEADING, row
from transforms import order

FEW = ("weather_used_day", "soil_quality_day")
MOVED = FARM.replace("depth_cm = 30", "depth_cm = 35")
OTHER_UNIT = FARM.replace('unit = "degF"', 'unit = "degC"')
BAD = ("noon,1,2,3,4", "2020-06-01 01:00,50", "2020-06-02 05:00,x,0,0.3,0.3")
COUNTS = (
    "SELECT count(*) FROM delivery WHERE rows_in <> rows_landed + rows_quarantined + rows_duplicate "
    "OR values_in <> values_landed + values_quarantined + values_duplicate"
)
# No number of its own may stand in the warehouse without a delivery that brought it.
ORPHANS = (
    "SELECT (SELECT count(*) FROM weather_reading ANTI JOIN delivery USING (delivery)) + "
    "(SELECT count(*) FROM soil_reading ANTI JOIN delivery USING (delivery))"
)
LANDED = ("weather_reading", "soil_reading", "superseded_reading", "field", "sensor")
hours = st.lists(st.integers(0, 90), min_size=2, max_size=12, unique=True)
then = st.booleans()  # whether it is collected at once
names = st.sampled_from(["a", "b", "c"])


def line(hour: int, version: int) -> str:
    """What a logger says of an hour; another version contradicts it."""
    return row(hour, 50 + hour % 20 + version, round(hour % 7 * 0.01, 2), 0.31, 0.35)


class Farm(RuleBasedStateMachine):
    """A farm folder, what was dropped into it, and what has to be true."""

    crashes = 0

    def __init__(self) -> None:
        super().__init__()
        self.root = Path(tempfile.mkdtemp(prefix="machine-"))
        self.files: dict[str, list[str]] = {}
        self.taken: set[bytes] = set()
        self.clock = 1.6e9
        self.settled = False

    @initialize()
    def begin(self) -> None:
        path = self.root / "farm"
        (path / "drop").mkdir(parents=True)
        (path / "farm.toml").write_text(FARM)
        self.folder = FarmFolder.at(path)
        self._collect()

    def teardown(self) -> None:
        shutil.rmtree(self.root, ignore_errors=True)

    def _put(self, name: str, lines: list[str]) -> None:
        self.files[name] = lines
        path = self.folder.drop / f"{name}.csv"
        path.write_text("\n".join([HEADING, *lines]) + "\n")
        self.clock += 60
        os.utime(path, (self.clock, self.clock))
        self.settled = False

    def _collect(self) -> None:
        collect.collect(self.folder)
        self.settled = True

    @rule(name=names, at=hours, version=st.sampled_from([0, 0, 0, 1, 7]), then=then)
    def deliver(self, name: str, at: list[int], version: int, then: bool) -> None:
        """A new file under a name that may have been used before."""
        self._put(name, [line(h, version) for h in at])
        if then:
            self._collect()

    @rule(name=names, at=hours, then=then)
    def append(self, name: str, at: list[int], then: bool) -> None:
        """A logger goes on in its file."""
        self._put(name, self.files.get(name, []) + [line(h, 0) for h in at])
        if then:
            self._collect()

    @rule(name=names, bad=st.sampled_from(BAD), at=st.integers(0, 60))
    def spoil(self, name: str, bad: str, at: int) -> None:
        """A bad line in the middle."""
        self._put(name, [*self.files.get(name, []), bad, line(at, 0)])

    @precondition(lambda self: self.files)
    @rule(data=st.data())
    def again(self, data: st.DataObject) -> None:
        """The same bytes, under another name."""
        name = data.draw(st.sampled_from(sorted(self.files)))
        self._put(f"copy of {name}", self.files[name])

    @precondition(lambda self: self.files)
    @rule(data=st.data())
    def split(self, data: st.DataObject) -> None:
        """A file comes in two parts, in another order."""
        name = data.draw(st.sampled_from(sorted(self.files)))
        lines = data.draw(st.permutations(self.files[name]))
        middle = data.draw(st.integers(0, len(lines)))
        self._put("second", lines[middle:])
        self._put("first", lines[:middle])

    @rule()
    def take(self) -> None:
        """Collect."""
        self._collect()

    @rule()
    def make(self) -> None:
        """Derive."""
        with warehouse.open_writer(self.folder) as con:
            derive.derive(con)

    @rule(nth=st.integers(1, 60), full=st.booleans())
    def crash(self, nth: int, full: bool) -> None:
        """Collect breaks off at the n-th call of the disk."""
        fails = Fails(nth, errno.ENOSPC if full else errno.EIO, on=full)
        with suppress(OSError), Disk(self.folder.root, fails):
            collect.collect(self.folder)
        Farm.crashes += bool(fails.hit)
        self.settled = False

    @rule(toml=st.sampled_from([FARM, FARM, MOVED, OTHER_UNIT]))
    def change_layout(self, toml: str) -> None:
        """Somebody changes a unit or a sensor's depth, or puts it right again."""
        self.folder.farm_toml.write_text(toml)
        self.settled = False

    @rule(area=st.sampled_from([10, 20]), bad=st.booleans())
    def change_book(self, area: int, bad: bool) -> None:
        """The field book is saved."""
        self.folder.fieldbook_dir.mkdir(exist_ok=True)
        text = f"field,area (ha),practice\nNorth,{'x' if bad else area},deep tillage\n"
        (self.folder.fieldbook_dir / "fields.csv").write_text(text)
        self.settled = False

    @rule()
    def anew(self) -> None:
        """Rebuild."""
        self._collect()
        rebuild.rebuild(self.folder)

    @invariant()
    def nothing_is_lost_from_drop(self) -> None:
        for name, lines in self.files.items():
            assert (self.folder.drop / f"{name}.csv").read_text() == "\n".join(
                [HEADING, *lines]
            ) + "\n"

    @invariant()
    def what_has_to_hold_holds(self) -> None:
        with warehouse.open_writer(self.folder) as con:
            assert con.sql(COUNTS).fetchall() == [(0,)]
            assert con.sql(ORPHANS).fetchall() == [(0,)]
            if self.settled:
                self._all_that_was_dropped_is_in(con)
                self._the_archive_says_the_same(_landed(con))

    def _the_archive_says_the_same(self, said: str) -> None:
        """What has been landed is what the archive alone gives."""
        fresh = self.root / "fresh.duckdb"
        shutil.copyfile(_empty(), fresh)
        con = warehouse.open_file(fresh)
        collect.land_all(con, self.folder, farm_file.load(self.folder.farm_toml))
        assert _landed(con) == said
        con.close()

    def _all_that_was_dropped_is_in(self, con: duckdb.DuckDBPyConnection) -> None:
        """Each good hour of each file that lies in drop is in the warehouse."""
        dropped = {text for lines in self.files.values() for text in lines if text not in BAD}
        times = {text.partition(",")[0] for text in dropped}
        stored = con.sql(
            "SELECT DISTINCT strftime(time - INTERVAL 6 HOUR, '%Y-%m-%d %H:%M') FROM weather_reading"
        ).fetchall()
        assert times <= {str(t) for (t,) in stored}


@cache
def _empty() -> Path:
    """A warehouse with its tables and nothing in them."""
    path = Path(tempfile.mkdtemp(prefix="machine-")) / "empty.duckdb"
    atexit.register(shutil.rmtree, path.parent, ignore_errors=True)
    con = warehouse.open_file(path)
    with warehouse.transaction(con):
        migrate.bring_up(con)
    con.close()
    return path


def _landed(con: duckdb.DuckDBPyConnection) -> str:
    """The checksum of what landed: derived tables wait for derive."""
    return str([checksum._of(con, TABLES[name]) for name in LANDED])


def check(examples: int, steps: int) -> None:
    """Run so many sequences of so many steps; raises where one breaks an invariant."""
    derived, daily = order.DERIVED, order.DAILY
    order.DERIVED = FEW  # type: ignore[assignment]
    quick = (Phase.explicit, Phase.reuse, Phase.generate)
    try:
        run_state_machine_as_test(
            Farm,
            settings=settings(
                max_examples=examples,
                stateful_step_count=steps,
                deadline=None,
                phases=quick,
                suppress_health_check=list(HealthCheck),
            ),
        )
    finally:
        order.DERIVED, order.DAILY = derived, daily


def run(n: int, root: Path, say: Callable[[str], None], only: str = "") -> Found:
    """``n`` sequences of up to 20 steps."""
    found = Found("State machine", "sequences | steps each, at most | crashes in them")
    Farm.crashes = 0
    try:
        check(n, 20)
    except Exception as error:
        notes = "\n".join(getattr(error, "__notes__", []))
        found.wrong.append(f"{type(error).__name__}: {error}\n{notes}"[:3000])
    found.rows.append((n, 20, Farm.crashes))
    return found
