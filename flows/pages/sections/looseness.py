"""Is the ground still loose: cone index, infiltration, fuel and speed by year since the work."""

from flows.pages.cells import Block, Grid, Line, Row, cell, grid, grid_of, line, say
from flows.pages.published_tables import Tables
from flows.pages.sections import short
from flows.pages.sections.evidence import CHANCE, NOT_SHOWN

TABLE, CHANGE = "ground_looseness", "ground_looseness_change"
_YEAR = {"field": "Field", "operation_day": "Worked on", "year": "Year since"}
_MEASURES = {
    "treated_cone_index_mpa": "Cone index, treated",
    "check_cone_index_mpa": "check",
    "cone_index_pct": "treated over check",
    "cone_index_before_pct": "before any work",
    "treated_infiltration": "Infiltration, treated",
    "check_infiltration": "check",
    "infiltration_unit": "unit",
    "infiltration_pct": "treated over check",
    "infiltration_before_pct": "before any work",
    "fuel_l_ha": "Fuel of the next working",
    "fuel_pct": "over ground never worked",
    "speed_km_h": "Its speed",
    "speed_pct": "over ground never worked",
}
_AGAINST = {"cone index": "check", "infiltration": "check"}
_SAYS = {
    "still loose": "the ground is still loose",
    "harder": "the ground is harder than the one it is compared with",
}
_CHANGES = {
    "settling": "The ground settles back",
    "loosening": "The ground goes on loosening",
    "cannot tell yet": "Whether it settles back is not known yet",
}


def of_fields(tables: Tables) -> list[Grid]:
    """Return what was measured on each field by year since each working; columns without a value are left out."""
    rows = tables(TABLE).sort("field", "operation_day", "year")
    seen = {name: head for name, head in _MEASURES.items() if rows[name].count()}
    caption = say("Is the ground still loose? By year since the work")
    heads = _YEAR | seen
    body = [tuple(short.value(TABLE, row, name) for name in heads) for row in rows.to_dicts()]
    notes = grid_of(TABLE, rows.to_dicts(), heads, caption)
    return [grid(caption, heads.values(), body, list(one.notes)) for one in notes]


def over_field_years(tables: Tables, practice: str) -> list[Block]:
    """Say of each measure whether the ground still shows as loose, and the change with each year."""
    found = tables(CHANGE, practice=practice).to_dicts()
    said = [
        row for row in found if row["last_year_pct"] is not None or row["change_pct"] is not None
    ]
    limits = [Line((cell(CHANGE, said[0], "limits"),))] if said else []
    return [*(_one(row) for row in said), *limits]


def _one(row: Row) -> Line:
    against = _AGAINST.get(row["measure"], "ground never worked")
    template = (
        f"Is the ground still loose after the {{practice}}? {{measure}} (loose ground has {{loose_is}}), "
        f"treated over {against}, field-years: {{field_years}}."
    )
    if row["last_year_pct"] is not None:
        template += (
            " In year {last_year}, the last one seen: {last_year_pct:+} (95% interval "
            "{last_year_low_pct:+} to {last_year_high_pct:+})" + _verdict(row)
        )
    if row["change_pct"] is not None:
        template += (
            f" {_CHANGES[row['change_verdict']]}: {{change_pct:+}} a year (95% interval "
            "{change_low_pct:+} to {change_high_pct:+})."
        )
    return line(CHANGE, row, template)


def _verdict(row: Row) -> str:
    if row["verdict"] in _SAYS:
        return f": {_SAYS[row['verdict']]}."
    apart = not row["last_year_low_pct"] <= 0 <= row["last_year_high_pct"]
    return "." + (CHANCE if apart else NOT_SHOWN)
