"""Which unit a column is written in: by its heading, compared with what is possible.

Where two units stay possible it is asked; where a heading names a unit that is not possible, that
is asked too. Temperatures of one file are in one unit.
"""

from flows.setup.sniff import heading_words, possible_units
from flows.setup.sniff.columns import Column, shown
from flows.setup.sniff.finding import Grid, Sure
from flows.setup.sniff.possible_units import Setting

LEAST_VALUES = 12


def unit(grid: Grid, column: Column, setting: Setting) -> None:
    """Put the unit into the column's rule, and say why."""
    quantity = str(column.heading.quantity)
    kind = heading_words.family(quantity)
    options = heading_words.MEASURED_IN[kind]
    written = column.unit_written
    possible = column.possible = possible_units.units_of(column, setting)
    item = f"columns.{column.name}.unit"
    values = column.values.drop_nulls()
    span = f"{shown(values.min())} to {shown(values.max())}" if values.len() else "no values"
    if written and (written in possible or not possible):
        sure = Sure.CERTAIN if written in possible else Sure.UNSURE
        why = f"the heading says so, and values of {span} fit"
        if sure is Sure.UNSURE:
            why = f"the heading says so, but values of {span} do not fit: what is it?"
        chosen = written
    elif written:
        chosen, sure = possible[0], Sure.UNSURE
        column.rule["trust_unit"] = False
        why = (
            f"the heading says {written}, but values of {span} fit {' or '.join(possible)}: which?"
        )
    elif len(possible) == 1 and values.len() >= LEAST_VALUES:
        chosen, sure = possible[0], Sure.LIKELY
        why = f"it has no unit; of {', '.join(options)} only this fits values of {span}"
        if len(options) == 1:
            why = "it is always given in that"
    else:
        usual = [column.heading.usual] if column.heading.usual in possible else []
        chosen, sure = str([*usual, *possible, *options][0]), Sure.UNSURE
        why = f"it has no unit, and values of {span} fit {' or '.join(possible) or 'none'}: which?"
    column.rule["quantity"] = quantity
    if kind == "solar":
        column.rule["quantity"] = "solar_radiation" if chosen == "W/m^2" else "solar_energy"
    if kind != "none":
        column.rule["unit"] = chosen
    grid.note(item, chosen, sure, why)


def like_the_others(grid: Grid, columns: list[Column]) -> None:
    """A column without values takes the unit of the columns of its kind."""
    for column in columns:
        if not column.values.drop_nulls().is_empty() or column.unit_written:
            continue
        kind = heading_words.family(str(column.heading.quantity))
        others = {
            str(c.rule["unit"])
            for c in columns
            if c is not column
            and heading_words.family(str(c.heading.quantity)) == kind
            and "unit" in c.rule
            and not c.values.drop_nulls().is_empty()
        }
        if len(others) == 1:
            column.rule["unit"] = others.pop()
            item = f"columns.{column.name}.unit"
            why = "it is empty; the others of its kind are"
            grid.note_again(item, column.rule["unit"], Sure.LIKELY, why)


def temperatures(grid: Grid, columns: list[Column]) -> None:
    """Temperatures that may be in two units take the one that the others of the file are surely in."""
    temps = [c for c in columns if heading_words.family(str(c.heading.quantity)) == "temp"]
    sure = {f.item for f in grid.found if f.sure is not Sure.UNSURE}
    known = {str(c.rule["unit"]) for c in temps if f"columns.{c.name}.unit" in sure}
    if len(known) != 1:
        return
    (unit,) = known
    for column in temps:
        item = f"columns.{column.name}.unit"
        if item in sure:
            continue
        before = next(f for f in grid.found if f.item == item)
        if unit in column.possible and column.unit_written in (None, unit):
            why = f"the other temperatures of the file are, and its values fit {' and '.join(column.possible)}"
            judged = (Sure.LIKELY, why)
        elif column.unit_written == unit:
            judged = (Sure.UNSURE, f"{before.evidence} The other temperatures are in {unit}.")
        else:
            continue
        column.rule["unit"] = unit
        grid.note_again(item, unit, *judged)
