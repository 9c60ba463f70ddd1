"""Is the ground still loose: what shows it, by year since the work."""

from schemas.shared_columns import FIELD, PRACTICE_KEY, completeness
from schemas.table import Column, Compared, Table, Tier, count, day, number, text


def _percent(stem: str, of: str) -> Column:
    return number(f"{stem}_pct", "percent", f"{of}, in percent above (+) or below (-) it")


TABLE = Table(
    "ground_looseness",
    Tier.DERIVED,
    (
        "one year since a working of a field: cone index and infiltration of the treated strip beside the "
        "check strip's, fuel and speed of the next working beside those of ground never worked"
    ),
    (
        FIELD,
        PRACTICE_KEY,
        day("operation_day", "day of the last working of the treated strip before", key=True),
        count("year", "year since that working, the first is 1", low=1, key=True),
        count("days_seen", "days of that year with anything of the four", required=True),
        number("cone_to_cm", "cm", "cone index is the mean from the surface to this depth", 0, 200),
        number("treated_cone_index_mpa", "MPa", "mean cone index, treated strip", 0, 20),
        number("check_cone_index_mpa", "MPa", "mean cone index, check strip, same days", 0, 20),
        _percent("cone_index", "cone index of the treated strip against the check strip's"),
        _percent(
            "cone_index_before",
            "the same before any work, to the depth of the first, null if it was not measured",
        ),
        number("treated_infiltration", "1", "infiltration of the treated strip, in that unit"),
        number("check_infiltration", "1", "infiltration of the check strip, in that unit"),
        text("infiltration_unit", "unit that infiltration was observed in"),
        _percent("infiltration", "infiltration of the treated strip against the check strip's"),
        _percent("infiltration_before", "the same before any work, null if it was not observed"),
        day("next_working_day", "the working that fuel and speed are of"),
        text(
            "worked_against",
            "the ground never worked that this working is compared with",
            one_of=("check strip on that day", "first working"),
        ),
        number("fuel_l_ha", "L/hectare", "fuel of that working", 0),
        number("fuel_against_l_ha", "L/hectare", "fuel on ground never worked", 0),
        _percent("fuel", "fuel against that on ground never worked"),
        number("speed_km_h", "km/hour", "speed of that working", 0, 40),
        number("speed_against_km_h", "km/hour", "speed on ground never worked", 0, 40),
        _percent("speed", "speed against that on ground never worked"),
        *completeness("those of the four that can be compared as a share of those measured"),
    ),
    compared=Compared.TOGETHER,
)
