"""The work on a field: how deep each working went against the compacted layer, and the soil then."""

from flows.pages.cells import Line, Row, cell, line
from flows.pages.published_tables import Tables

TABLE = "operation_depth"
_STATE = {
    "drier than friable": "drier than friable: it breaks into clods and pulls hard",
    "friable": "friable: it crumbles",
    "wetter than friable": "wetter than friable: it smears and packs",
}


def lines(tables: Tables, field: str) -> list[Line]:
    """Say each working of a field: the layer, the depth to set, the depth reached, the soil's state.

    The page must say ``cautions`` too.
    """
    out = []
    rows = tables(TABLE, field=field).sort("day").to_dicts()
    for row in rows:
        parts = (_layer(row), _soil(row), _after(row))
        template = "The {practice} of {day} went to {depth_cm}. " + " ".join(filter(None, parts))
        out.append(line(TABLE, row, template.strip()))
    return out


def cautions(tables: Tables) -> list[Line]:
    """Return the cautions of all rows on working a field, each text once."""
    found = [
        cell(name, row, "caution")
        for name in (TABLE, "field_outlook")
        for row in tables(name).unique("caution", keep="first", maintain_order=True).to_dicts()
    ]
    return [Line((one,)) for one in {str(one.value): one for one in reversed(found)}.values()]


def _layer(row: Row) -> str:
    """Return the sentences about the compacted layer, and how far the work reached."""
    if row["compacted_top_cm"] is None:
        return ""
    whose = " ({layer_of}, pushed on {profile_day}). "
    if row["compacted_bottom_cm"] is None:
        return "The compacted layer begins at {compacted_top_cm}" + whose
    reached = {
        "above the layer": "The work stopped above it, {short_of_bottom_cm} above its bottom. ",
        "in the layer": "The work stopped in it, {short_of_bottom_cm} above its bottom. ",
        "below the layer": "The work passed {past_bottom_cm} below its bottom. ",
    }[row["reach"]]
    return (
        "The compacted layer lies from {compacted_top_cm} to {compacted_bottom_cm}"
        + whose
        + "Depth to set to pass below it: {working_depth_cm}. "
        + reached
    )


def _soil(row: Row) -> str:
    """Return the sentence about the soil's state: one number, one depth, one day."""
    if row["available_water_share"] is None:
        return ""
    said = "Soil at the working depth on {soil_water_day}: {available_water_share} of its available water"
    if row["soil_state"] is None:
        return said + "."
    return (
        f"{said}; {_STATE[row['soil_state']]} (friable here from {{friable_from_share}} to "
        "{friable_to_share}: {limits_from})."
    )


def _after(row: Row) -> str:
    """Return the sentence about the layer of both strips after the work."""
    if row["after_day"] is None:
        return ""
    return (
        "After it, on {after_day}: "
        + "; ".join(
            f"{strip} strip {_found(row, strip)}"
            for strip in ("treated", "check")
            if row[f"after_{strip}_layer"] is not None
        )
        + "."
    )


def _found(row: Row, strip: str) -> str:
    if not row[f"after_{strip}_layer"]:
        return "no compacted layer"
    if row[f"after_{strip}_bottom_cm"] is None:
        return f"compacted from {{after_{strip}_top_cm}} on, to {{after_{strip}_max_mpa}}"
    return (
        f"compacted from {{after_{strip}_top_cm}} to {{after_{strip}_bottom_cm}}, "
        f"to {{after_{strip}_max_mpa}}"
    )
