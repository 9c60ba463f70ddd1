"""What became of the points of the yield maps, in a sentence for each field and season."""

import duckdb

from flows.base.plain_text import counted

_COUNTED = """
    SELECT field, season, count(*) AS points, CASE
        WHEN kept THEN ''
        WHEN yield_kg_ha IS NULL AND reason IS NOT NULL THEN removed_because || ': ' || reason
        ELSE removed_because
    END AS why
    FROM yield_point_cleaned GROUP BY ALL ORDER BY field, season, points DESC, why
"""


def sentences(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Return how many points of each field and season were read, kept and removed, by reason.

    ``con``: the warehouse or its published copy. One point is removed for one reason, the first
    that holds; so the reasons add up to the points removed.
    """
    points_of: dict[tuple[str, int], dict[str, int]] = {}
    for field, season, points, reason in con.sql(_COUNTED).fetchall():
        points_of.setdefault((field, season), {})[reason] = points
    return [_sentence(field, season, by) for (field, season), by in points_of.items()]


def _sentence(field: str, season: int, by_reason: dict[str, int]) -> str:
    removed = {reason: points for reason, points in by_reason.items() if reason}
    kept, gone = by_reason.get("", 0), sum(removed.values())
    why = "; ".join(f"{points:,} {reason}" for reason, points in removed.items())
    return (
        f"Yield map of {field} {season}: {counted(kept + gone, 'point')} read, "
        f"{kept:,} kept, {gone:,} removed{f' ({why})' if why else ''}."
    )
