"""How a network stands, for whoever runs it: its snapshot, its farms, what was left out, what fails."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl

from flows.base.plain_text import counted, text_table
from flows.network import reading, run_rows, snapshot
from flows.network.snapshot import Snapshot
from flows.share import network_file, pointer
from flows.share.objects import Objects
from schemas import generated
from schemas.table import Table

OLD = timedelta(days=3)


@dataclass(frozen=True, slots=True)
class Status:
    """A network by name and grid; its snapshot, null before the first; its farms; what needs attention.

    ``failing``: farms whose last turn in a round did not end well, with the state and sentence of it, who
    did it, and since when none has.
    """

    name: str
    grid_deg: float
    snapshot: int | None
    made_at: str | None
    farms: list[dict[str, object]]
    failing: list[dict[str, object]]
    attention: list[str]

    def as_dict(self) -> dict[str, object]:
        """Return it for a JSON document."""
        return asdict(self)


def status(objects: Objects, now: datetime | None = None) -> Status:
    """Look at a network. Raises UserError if there is none, Attention if it does not answer."""
    network = network_file.load(objects)
    found = snapshot.current(objects)
    if found is None:
        return Status(network.name, network.grid_deg, None, None, [], [], [reading.NO_SNAPSHOT])
    farms = _rows(objects, found, snapshot.TABLE_OF_FARMS)
    failing = (
        run_rows.failing(_rows(objects, found, snapshot.TABLE_OF_RUNS))
        .join(farms.select("farm", "name"), on="farm", how="left", maintain_order="left")
        .to_dicts()
    )
    attention = [*found.notes, *map(_sentence, failing)]
    age = (now or datetime.now(UTC)) - datetime.fromisoformat(found.made_at)
    moved = _moved(objects, farms)
    attention += _left(objects, farms, moved)
    if age > OLD and moved:
        attention.append(
            f"The snapshot is {counted(age.days, 'day')} old, and farms have shared since. "
            "Make one with: checkstrip network run"
        )
    return Status(
        network.name,
        network.grid_deg,
        found.sequence,
        found.made_at,
        farms.to_dicts(),
        failing,
        attention,
    )


def _rows(objects: Objects, found: Snapshot, table: Table) -> pl.DataFrame:
    """Return a private table; empty if a newer snapshot has just replaced this one."""
    rows = snapshot.rows_of(objects, found.private.get(table.name), table)
    return rows if rows is not None else generated.empty(table)


def _sentence(row: dict[str, Any]) -> str:
    who = f"{row['farm']} ({row['name']})" if row["name"] else row["farm"]
    what = _WORDS.get(row["state"], row["state"])
    return f"Farm {who} {what} since {row['since']:%Y-%m-%d %H:%M} UTC, by {row['worker']}: {row['summary']}"


_WORDS = {
    "attention": "has needed attention",
    "failed": "has failed",
    "refused": "has been refused",
}


def lines(found: Status) -> list[str]:
    """Return it as sentences and a table of farms."""
    said = [f"{found.name}: places of named farms are rounded to {found.grid_deg:g} degrees."]
    if found.snapshot is not None:
        farms = counted(len(found.farms), "farm")
        said.append(f"Snapshot {found.snapshot} of {found.made_at}: {farms}.")
    said += found.attention
    if found.farms:
        rows = [
            [str(row[name] if row[name] is not None else "") for name in _SHOWN]
            for row in found.farms
        ]
        said += ["", *text_table(rows, heading=_SHOWN)]
    return said


_SHOWN = ("farm", "share", "name", "currency", "published", "published_at", "reason")


def _moved(objects: Objects, farms: pl.DataFrame) -> list[str]:
    """Return the keys of pointers that the snapshot does not have as they are now."""
    known = set(farms["pointer"])
    return [one.key for one in objects.list(pointer.POINTERS) if one.tag not in known]


def _left(objects: Objects, farms: pl.DataFrame, moved: list[str]) -> Iterator[str]:
    """Yield a sentence for each farm that has left and is in the snapshot still."""
    for key, content in objects.get_many(moved):
        farm = key.rpartition("/")[2].removesuffix(".json")
        now = pointer.parse(content, farm)
        if now is not None and now.about.share == "left" and farm in set(farms["farm"]):
            until = datetime.fromisoformat(now.at) + snapshot.LEFT_KEPT
            yield (
                f"Farm {farm} has left, and the snapshot still holds it. The next round deletes it, and has "
                f"to by {until:%Y-%m-%d}: checkstrip network run"
            )
