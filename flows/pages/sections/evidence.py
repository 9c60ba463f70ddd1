"""Roots and water over all site-years of a practice, treated minus check."""

from flows.pages.cells import Line, Row, joined, line, say_row
from flows.pages.published_tables import Tables

TABLE = "evidence_pooled"
_LABELS = {
    "deep uptake": "Water taken up from below the working depth",
    "water use efficiency": "Water use efficiency",
    "winter recharge": "Recharge over winter",
    "winter recharge share": "Recharge over winter, in points of percent of rain and snow",
    "rain capture": "Rain captured, in points of percent of the rain",
}
CHANCE = " With so many comparisons that can be chance, so we do not call it a difference yet."
NOT_SHOWN = " A difference is not shown."


def lines(tables: Tables, practice: str, *measures: str) -> list[Line]:
    """Say what all site-years show together, one sentence a measure (all, or the named ones).

    Measures with too few site-years for a mean are left out.
    """
    found = tables(TABLE, practice=practice)
    known = [row for row in found.sort("depth_cm").to_dicts() if _unit(row)]
    leads = [row for row in known if row["measure"] == "root lead"]
    out = _leads(leads) if leads and (not measures or "root lead" in measures) else []
    for measure in measures or _LABELS:
        out += [_one(row) for row in known if row["measure"] == measure and measure in _LABELS]
    return out


def _unit(row: Row) -> str:
    """Return the last part of the names of the row's own columns; empty without a mean."""
    return next((u for u in ("d", "mm", "pct") if row[f"gain_{u}"] is not None), "")


def _between(row: Row) -> str:
    """Return the template of a mean, its interval and how often, in the row's own unit."""
    unit = _unit(row)
    return (
        f"{{gain_{unit}:+}} (95% interval {{gain_low_{unit}:+}} to {{gain_high_{unit}:+}}); "
        "more in {ahead} of {compared}"
    )


def _doubt(row: Row) -> str:
    """Return what to say if no difference is shown, and why if the interval excludes zero."""
    if row["verdict"] != "not shown":
        return ""
    return CHANCE if _apart(row) else NOT_SHOWN


def _apart(row: Row) -> bool:
    """Return whether the row's interval excludes zero."""
    unit = _unit(row)
    return not row[f"gain_low_{unit}"] <= 0 <= row[f"gain_high_{unit}"]


def _one(row: Row) -> Line:
    start = (
        f"{_LABELS[row['measure']]}, treated minus check over all site-years of the {{practice}}: "
    )
    return line(TABLE, row, start + _between(row) + "." + _doubt(row))


def _leads(rows: list[Row]) -> list[Line]:
    """Say the leads at all depths in one sentence, with the coverage of the least known depth."""
    template = (
        "at {depth_cm} {gain_d:+} (95% interval {gain_low_d:+} to {gain_high_d:+}), ahead in "
        "{ahead} of {compared}"
    )
    depths = joined([say_row(TABLE, row, template) for row in rows], between="; ", last="; ")
    shown = [row for row in rows if row["verdict"] != "not shown"]
    shown_at = joined([say_row(TABLE, row, "{depth_cm}") for row in shown])
    start = "Lead of the treated strip's roots over all site-years of the {practice}: {depths}."
    if not shown:
        start += " A lead is not shown at any depth."
    elif len(shown) < len(rows):
        start += " It is shown at {shown_at}, not at the others."
    odd = [row for row in rows if row["verdict"] == "not shown" and _apart(row)]
    if odd:
        start += (
            " The interval at {odd_at} excludes zero, but with so many measures and depths compared "
            "that can be chance, so we do not call it a lead yet."
        )
    odd_at = joined([say_row(TABLE, row, "{depth_cm}") for row in odd])
    least = min(rows, key=lambda row: row["coverage"])
    return [line(TABLE, least, start, depths=depths, shown_at=shown_at, odd_at=odd_at)]
