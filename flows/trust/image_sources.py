"""STAC sources by the clock: when each was asked, when it is due, the last image, and which get no answer."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import duckdb

from flows.farm.folder import FarmFolder
from flows.intake.sources import images_asked
from flows.intake.sources.spans import instant
from flows.store.connection import records
from schemas.farm.farm import Farm

LATE = timedelta(days=2)  # after it was due, before anybody has to look
OLD = timedelta(days=30)  # in a season; longer than cloud usually hides the ground; no source

_LAST = "SELECT source, max(day) AS day FROM vegetation_strip GROUP BY source"
_GROWING = "SELECT 1 FROM season WHERE seeded <= $today AND coalesce(harvested >= $today, true)"
Found = dict[str, Any]


def last_images(con: duckdb.DuckDBPyConnection, today: date) -> Found:
    """Return the last image's day of each source of images, and whether a crop stands (``growing``)."""
    days = {row["source"]: row["day"].isoformat() for row in records(con, _LAST)}
    return {"last": days, "growing": bool(con.execute(_GROWING, {"today": today}).fetchall())}


def of(folder: FarmFolder, farm: Farm, images: Found, now: datetime) -> list[Found]:
    """Return a row for each STAC source; ``late`` and ``old`` say that it is silent, and how.

    ``asked`` is its last answer that was read whole. ``images`` is what ``last_images`` found, or empty.
    """
    memory, out = images_asked.read(folder), []
    for source in farm.image_sources:
        known = memory.get(source.name, {})
        asked, wait = instant(known.get("asked")), instant(known.get("not_before"))
        due = asked and images_asked.next_ask(source, known)
        if wait is not None and wait > now:
            due = wait
        last = images.get("last", {}).get(source.name)
        begun = date.fromisoformat(last) if last else source.begin
        out.append(
            {
                "source": source.name,
                "asked": asked and _stamp(asked),
                "due": due and _stamp(due),
                "last_image": last,
                "late": due is not None and due + LATE < now,
                "old": bool(asked and images.get("growing") and begun + OLD < now.date()),
            }
        )
    return out


def attention(folder: FarmFolder, rows: list[Found], *, collected: bool) -> list[str]:
    """Return a sentence for each source that gives no answer. ``collected``: collect ran lately."""
    return [
        f"The STAC source {row['source']} has not been read since {row['asked'][:10]}. "
        f"'checkstrip once {folder.root}' says why."
        for row in rows
        if row["late"] and collected
    ]


def notes(rows: list[Found]) -> list[str]:
    """Return a sentence for each source that answers and had no image of the strips for long."""
    return [
        f"The STAC source {row['source']} answers, but has had no image of the strips "
        f"{'since ' + row['last_image'] if row['last_image'] else 'yet'}. See most_cloud_pct, collections "
        "and begin in farm.toml."
        for row in rows
        if row["old"] and not row["late"]
    ]


def lines(rows: list[Found], by_clock: Callable[[str | None], str]) -> list[str]:
    """Return the rows as lines under a heading. ``by_clock``: an instant by the farm's clock."""
    width = max((len(row["source"]) for row in rows), default=0)
    return [
        *(["", "Images from STAC sources"] if rows else ()),
        *(
            f"  {row['source']:<{width}}  last image {row['last_image'] or 'none'}, "
            f"read {by_clock(row['asked']) or 'never'}, due {by_clock(row['due']) or 'at the next run'}"
            for row in rows
        ),
    ]


def _stamp(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
