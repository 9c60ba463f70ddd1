"""The hour that a clock shows twice, in files that grow: decided again as one file.

A lone stamp of that hour is distinguished by the rows around it, and those may lie before or after the
place where a growing file was taken. So a file whose earlier version ended near such an hour is
taken whole, and what its earlier versions said of that hour makes way for what it says now.
"""

from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import duckdb
import polars as pl

from flows.derive import waiting_days
from flows.intake import sources
from flows.intake.door.batch import TABLE_OF
from flows.intake.door.places import Places
from flows.store import publish_guard, warehouse
from flows.store.archive import Archive, Arrival
from schemas import generated
from schemas.catalogue import TABLES
from schemas.farm.farm import Farm
from schemas.farm.layout import Layout
from schemas.quantities import Instrument
from transforms.methods.calendar_day import day_of

# From the change of the clock to a sure time: the doubled hour (some zones moved by two), a step.
REACH = timedelta(hours=3)
UNKNOWN = timedelta(hours=36)  # the same where only the time of receipt is known


def set_back(zone: str, first: datetime, last: datetime) -> list[datetime]:
    """Return when (UTC, to the minute) a zone's clock is set back between two instants."""
    at, clock = first.astimezone(UTC).replace(second=0, microsecond=0), ZoneInfo(zone)
    found = []
    while at < last:
        after = min(at + timedelta(days=1), last)
        if after.astimezone(clock).utcoffset() < at.astimezone(clock).utcoffset():  # type: ignore[operator]
            low, high = at, after
            while high - low > timedelta(minutes=1):
                middle = low + (high - low) // 2
                same = middle.astimezone(clock).utcoffset() == at.astimezone(clock).utcoffset()
                low, high = (middle, high) if same else (low, middle)
            found.append(high.replace(second=0, microsecond=0))
        at = after
    return found


def taken_whole(
    con: duckdb.DuckDBPyConnection,
    archive: Archive,
    farm: Farm,
    places: Places,
    arrivals: Iterable[Arrival],
) -> list[Arrival]:
    """Return arrivals, marked ``whole`` where an earlier version ended near a doubled hour."""
    arrivals = list(arrivals)
    if not any(layout.time.zone for layout in farm.layouts.values()):
        return arrivals
    latest = {(receipt.folder, receipt.name): receipt for receipt in archive.receipts}
    ends = dict(con.execute("SELECT sequence, last_reading FROM delivery").fetchall())
    marked = []
    for arrival in arrivals:
        before = latest.get((arrival.folder, arrival.name))
        match = sources.match(arrival, farm, places) if before else None
        if before is not None and match is not None:
            layout = farm.layouts[match.source.layout]
            end = ends.get(before.sequence)
            whole = _is_near(layout, end or before.received_at, REACH if end else UNKNOWN)
            arrival = replace(arrival, whole=whole)  # noqa: PLW2901
        marked.append(arrival)
    return marked


def _is_near(layout: Layout, at: datetime, reach: timedelta) -> bool:
    if layout.time.zone is None:
        return False
    reach += 2 * timedelta(seconds=layout.step_s)
    return bool(set_back(layout.time.zone, at - reach, at + reach))


def take_out(
    con: duckdb.DuckDBPyConnection,
    kind: Instrument,
    new: pl.DataFrame,
    earlier: pl.DataFrame,
    layouts: dict[int, Layout],
) -> None:
    """Take out what earlier versions of a file said of the doubled hours that it covers.

    ``new``: readings that are about to be merged, with ``seq``. ``earlier``: ``seq`` and
    ``delivery`` of the versions before. ``layouts``: those with a zone, by ``seq``.
    """
    again = sorted(layouts.keys() & set(earlier["seq"].to_list()))
    if not again:
        return
    spans = (
        new.filter(pl.col("seq").is_in(again))
        .group_by("seq")
        .agg(first=pl.col("time").min(), last=pl.col("time").max())
    )
    windows = []
    for seq, first, last in spans.iter_rows():
        hour = timedelta(hours=1, seconds=layouts[seq].step_s)
        changes = set_back(layouts[seq].time.zone or "UTC", first - hour, last + hour)
        windows += [(seq, change - hour, change + hour) for change in changes]
    if not windows:
        return
    schema = {
        "seq": pl.Int64(),
        "first": pl.Datetime("us", "UTC"),
        "last": pl.Datetime("us", "UTC"),
    }
    table = TABLE_OF[kind]
    place, store = table.key[0], generated.store(table)
    within = "t.delivery = e.delivery AND t.time BETWEEN w.first AND w.last"
    with warehouse.shown(
        con, earlier=earlier, windows_out=pl.DataFrame(windows, schema, orient="row")
    ):
        out: pl.DataFrame = con.sql(f"""
            SELECT DISTINCT t.{place} AS instrument, t.time
            FROM {store} t, earlier e JOIN windows_out w USING (seq) WHERE {within}
        """).pl()
        con.execute(
            f"DELETE FROM {store} t USING earlier e, windows_out w WHERE e.seq = w.seq AND {within}"
        )
        con.execute(
            "DELETE FROM flagged_reading t USING earlier e, windows_out w "
            f"WHERE e.seq = w.seq AND {within}"
        )
    farm = warehouse.read(con, TABLES["farm"])
    days = out.select(
        "instrument", kind=pl.lit(kind.value), day=day_of(pl.col("time"), farm)
    ).unique()
    waiting_days.touch(con, days)
    publish_guard.explain_loss(
        con, *(f"{kind.value} {name}" for name in out["instrument"].unique())
    )
