"""Whether a clock follows daylight saving, by the hours that it skips in spring and doubles in autumn."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from flows.setup.sniff.stamps import Stamps
from schemas.farm.farm import Place


def seen(stamps: Stamps, place: Place) -> bool | None:
    """Whether the stamps follow the place's daylight saving; None where no change lies in them."""
    if not 0 < stamps.step_s <= 3600:
        return None
    follows, ignores = 0, 0
    counted = stamps.local.value_counts(name="times")
    rows = int(counted["times"].mode().sort()[0])  # that an export of many series has for one time
    known = dict(counted.iter_rows())
    read = stamps.local.drop_nulls()
    first, last = min(read.to_list()), max(read.to_list())
    for gone, doubled in _changes(place, first, last):
        spring, autumn = (
            [known.get(hour + timedelta(seconds=s), 0) for s in range(0, 3600, stamps.step_s)]
            for hour in (gone, doubled)
        )
        if gone.year > 1 and _present(known, gone, stamps.step_s):
            follows, ignores = (follows + 1, ignores) if not any(spring) else (follows, ignores + 1)
        if doubled.year > 1 and _present(known, doubled, stamps.step_s):
            twice = all(n >= 2 * rows for n in autumn)
            follows, ignores = (follows + 1, ignores) if twice else (follows, ignores + 1)
    return None if bool(follows) == bool(ignores) else bool(follows)


def _present(known: dict[datetime, int], at: datetime, step_s: int) -> bool:
    """Whether the hours on both sides of an hour are there."""
    sides = (at - timedelta(seconds=step_s), at + timedelta(hours=1))
    return all(known.get(side) for side in sides)


def _changes(place: Place, first: datetime, last: datetime) -> list[tuple[datetime, datetime]]:
    """For each change within the span: the local hour that is skipped, and the one that is doubled."""
    found: list[tuple[datetime, datetime]] = []
    never = datetime(1, 1, 1)  # noqa: DTZ001 - clock times without a zone
    at = first.replace(minute=0, second=0, microsecond=0) - timedelta(days=1)
    before = at.replace(tzinfo=UTC).astimezone(place.zone).utcoffset()
    while at < last + timedelta(days=1):
        at += timedelta(hours=1)
        now = at.replace(tzinfo=UTC).astimezone(place.zone).utcoffset()
        if now is not None and before is not None and now != before:
            if now > before:
                found.append((at + before, never))
            else:
                found.append((never, at + now))
        before = now
    return found
