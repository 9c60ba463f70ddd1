"""The vegetation index of a season, treated beside check, in a few sentences a source."""

from flows.pages.cells import Line, Row, cell, line
from flows.pages.published_tables import Tables

TABLE = "vegetation_response"


def of_season(tables: Tables, field: str, season: int) -> list[Line]:
    """Say peak, area, green-up and senescence of each source; nothing if nothing was seen."""
    rows = tables(TABLE, field=field, season=season).drop_nulls("peak_difference")
    found = rows.sort("source").to_dicts()
    said = [_one(row) for row in found]
    return [*said, Line((cell(TABLE, found[0], "limits"),))] if found else []


def _one(row: Row) -> Line:
    template = (
        "Vegetation index ({source}): highest {treated_peak} in the treated strip and {check_peak} "
        "in the check strip, treated minus check {peak_difference:+}"
    )
    template += _interval(row, "peak_difference", "")
    template += ". Area under the index, treated minus check: {area_difference_d:+}"
    template += _interval(row, "area_difference", "_d")
    for stem, name in (("green_up", "Green-up"), ("senescence", "Senescence")):
        if row[f"{stem}_later_d"] is not None:
            template += (
                f". {name}: {{treated_{stem}_day}} in the treated strip, {{check_{stem}_day}} in the "
                f"check strip, treated minus check {{{stem}_later_d:+}}"
            )
            template += _interval(row, f"{stem}_later", "_d")
    return line(TABLE, row, template + ".")


def _interval(row: Row, stem: str, unit: str) -> str:
    """Return the interval of a difference as words; empty if it is not known."""
    low, high = f"{stem}_low{unit}", f"{stem}_high{unit}"
    if row[low] is None or row[high] is None:
        return ""
    return f" (95% interval {{{low}:+}} to {{{high}:+}})"
