"""How a network stands, for whoever runs it: its snapshot, its farms, what was left out."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta

import polars as pl

from flows.base.plain_text import counted, text_table
from flows.network import reading, snapshot
from flows.share import network_file
from flows.share.objects import Objects

OLD = timedelta(days=3)


@dataclass(frozen=True, slots=True)
class Status:
    """A network by name and grid; its snapshot, null before the first; its farms; what needs attention."""

    name: str
    grid_deg: float
    snapshot: int | None
    made_at: str | None
    farms: list[dict[str, object]]
    attention: list[str]

    def as_dict(self) -> dict[str, object]:
        """Return it for a JSON document."""
        return asdict(self)


def status(objects: Objects, now: datetime | None = None) -> Status:
    """Look at a network. Raises UserError if there is none, Attention if it does not answer."""
    network = network_file.load(objects)
    found = snapshot.current(objects)
    if found is None:
        return Status(network.name, network.grid_deg, None, None, [], [reading.NO_SNAPSHOT])
    stored = found.private.get("network_farm")
    rows = snapshot.rows_of(objects, stored, snapshot.TABLE_OF_FARMS)
    farms = rows if rows is not None else pl.DataFrame(schema={"farm": pl.String})
    attention = list(found.notes)
    age = (now or datetime.now(UTC)) - datetime.fromisoformat(found.made_at)
    if age > OLD and _moved(objects, farms):
        attention.append(
            f"The snapshot is {counted(age.days, 'day')} old, and farms have shared since. "
            "Make one with: checkstrip network run"
        )
    return Status(
        network.name, network.grid_deg, found.sequence, found.made_at, farms.to_dicts(), attention
    )


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


def _moved(objects: Objects, farms: pl.DataFrame) -> bool:
    tags = {one.tag for one in objects.list("farms")}
    return not tags <= set(farms["pointer"]) if "pointer" in farms.columns else bool(tags)
