"""Customary units in the warehouse: macros, and a view of every table in the schema ``customary``.

Both are made from the declarations: a view has the table's columns, with each unit that has a
customary one converted and the column's last part changed to it. The factors are pint's. Bushels
are by mass (``crop.bushel_kg``), gallons are US gallons, hundredweight and tons are not used.
"""

import hashlib
import inspect
import sys
from dataclasses import dataclass, replace
from importlib.metadata import version

import duckdb

from flows.base import units
from flows.base.units import registry
from flows.store import facts
from schemas import generated
from schemas.catalogue import TABLES
from schemas.former_names import FORMER
from schemas.table import SUFFIX, Column, Table

SCHEMA = "customary"


@dataclass(frozen=True, slots=True)
class Customary:
    """A customary unit: the declared unit it stands for, its pint name, suffix and macro."""

    unit: str
    to: str
    suffix: str
    macro: str

    @property
    def by_bushel(self) -> bool:
        """True where the conversion needs the mass of the crop's bushel."""
        return "bushel" in self.to


PLAIN: tuple[Customary, ...] = (
    Customary("mm", "inch", "_in", "mm_to_in"),
    Customary("cm", "inch", "_in", "cm_to_in"),
    Customary("m", "foot", "_ft", "m_to_ft"),
    Customary("degC", "degF", "_f", "c_to_f"),
    Customary("delta_degC", "delta_degF", "_f", "delta_c_to_f"),
    Customary("delta_degC*day", "delta_degF*day", "_f_d", "c_d_to_f_d"),
    Customary("m/s", "mile/hour", "_mph", "m_s_to_mph"),
    Customary("km/hour", "mile/hour", "_mph", "km_h_to_mph"),
    Customary("MPa", "psi", "_psi", "mpa_to_psi"),
    Customary("kN", "lbf", "_lbf", "kn_to_lbf"),
    Customary("hectare", "acre", "_ac", "ha_to_ac"),
    Customary("L", "gallon", "_gal", "l_to_gal"),
    Customary("m^3", "acre*inch", "_ac_in", "m3_to_ac_in"),
    Customary("m^3/hour", "gallon/minute", "_gal_min", "m3_h_to_gal_min"),
    Customary("L/hectare", "gallon/acre", "_gal_ac", "l_ha_to_gal_ac"),
    Customary("kg", "lb", "_lb", "kg_to_lb"),
    Customary("kg/s", "lb/s", "_lb_s", "kg_s_to_lb_s"),
    Customary("kg/ha", "lb/acre", "_lb_ac", "kg_ha_to_lb_ac"),
    Customary("kg/hectare", "lb/acre", "_lb_ac", "kg_ha_to_lb_ac"),
    Customary("kg/hectare/mm", "lb/acre/inch", "_lb_ac_in", "kg_ha_mm_to_lb_ac_in"),
    Customary("currency/hectare", "currency/acre", "_per_ac", "per_ha_to_per_ac"),
    Customary("currency/L", "currency/gallon", "_per_gal", "per_l_to_per_gal"),
    Customary("currency/kg", "currency/lb", "_per_lb", "per_kg_to_per_lb"),
)
# Where the row says the crop, its bushel is known.
OF_CROP: tuple[Customary, ...] = (
    Customary("kg/ha", "bushel/acre", "_bu_ac", "kg_ha_to_bu_ac"),
    Customary("kg/hectare", "bushel/acre", "_bu_ac", "kg_ha_to_bu_ac"),
    Customary("kg/hectare/mm", "bushel/acre/inch", "_bu_ac_in", "kg_ha_mm_to_bu_ac_in"),
    Customary("currency/kg", "currency/bushel", "_per_bu", "per_kg_to_per_bu"),
)


def line(unit: Customary) -> tuple[float, float]:
    """Return factor and offset of a conversion; of one by bushel, for a bushel of 1 kg."""
    # A bushel is a volume to pint, and here the mass that is sold by its name.
    to = unit.to.replace("bushel", "kg")
    at = [float(registry().Quantity(x, unit.unit).to(to).magnitude) for x in (0.0, 1000.0)]
    return (at[1] - at[0]) / 1000.0, at[0]


def arithmetic(unit: Customary, value: str, bushel: str = "") -> str:
    """Return a conversion as SQL."""
    factor, offset = line(unit)
    result = f"{value} * {_double(factor)}"
    if abs(offset) > 1e-9:
        result += f" + {_double(offset)}"
    if not unit.by_bushel:
        return result
    return f"{result} * {bushel}" if unit.unit.endswith("/kg") else f"{result} / {bushel}"


def _double(number: float) -> str:
    return f"{number:.13g}::DOUBLE"


def converted(table: Table, column: Column) -> tuple[Column, Customary] | None:
    """Return the column as its customary view declares it; None if its unit stays."""
    crop_known = "crop" in table.names and table.name != "crop"
    for unit in (*OF_CROP, *PLAIN) if crop_known else PLAIN:
        suffix = SUFFIX.get(column.unit, "")
        if unit.unit == column.unit and suffix and column.name.endswith(suffix):
            factor, offset = line(unit)
            limits = [
                None if limit is None or unit.by_bushel else round(limit * factor + offset, 6)
                for limit in (column.low, column.high)
            ]
            name = column.name.removesuffix(suffix) + unit.suffix
            return replace(column, name=name, unit=unit.to, low=limits[0], high=limits[1]), unit
    return None


def columns(table: Table) -> tuple[Column, ...]:
    """Return the columns of a table's customary view."""
    return tuple(
        pair[0] if (pair := converted(table, column)) else column for column in table.columns
    )


def macros(bushels: dict[str, float]) -> list[str]:
    """Return the CREATE MACRO and COMMENT ON MACRO statements.

    The bushels stand in the macro, not a look-up: a look-up fails where the file is attached to
    another database under a name of its own.
    """
    listed = " ".join(
        f"WHEN {generated.literal(crop.lower())} THEN {kg!r}"
        for crop, kg in sorted(bushels.items())
    )
    # an older version wrote spring_wheat
    bushel = f"(CASE lower(replace(crop, '_', ' ')) {listed or 'WHEN NULL THEN NULL'} END)"
    statements = {}
    for unit in (*PLAIN, *OF_CROP):
        parameters, given = ("x, crop", bushel) if unit.by_bushel else ("x", "")
        statements[unit.macro] = [
            f"CREATE OR REPLACE MACRO {unit.macro}({parameters}) AS {arithmetic(unit, 'x', given)}",
            f"COMMENT ON MACRO {unit.macro} IS {generated.literal(f'{unit.unit} to {unit.to}')}",
        ]
    return [statement for pair in statements.values() for statement in pair]


def view(table: Table) -> list[str]:
    """Return the CREATE VIEW and COMMENT ON statements of a table's customary view."""
    bushel = "(SELECT c.bushel_kg FROM main.crop c WHERE c.crop = t.crop)"
    selected = []
    for column in table.columns:
        value = f"t.{generated.quoted(column.name)}"
        pair = converted(table, column)
        name = generated.quoted(pair[0].name if pair else column.name)
        selected.append(f"{arithmetic(pair[1], value, bushel) if pair else value} AS {name}")
    # No former name has a unit that changes here.
    selected += [f"t.{generated.quoted(old)}" for old in generated.former(table)]
    where = f"{SCHEMA}.{generated.quoted(table.name)}"
    return [
        f"CREATE OR REPLACE VIEW {where} AS "
        f"SELECT {', '.join(selected)} FROM main.{generated.quoted(table.name)} t",
        f"COMMENT ON VIEW {where} IS {generated.literal(f'One row is {table.row}; in customary units')}",
        *(
            f"COMMENT ON COLUMN {where}.{generated.quoted(c.name)} IS {generated.literal(generated.describe(c))}"
            for c in columns(table)
        ),
    ]


def install(con: duckdb.DuckDBPyConnection) -> None:
    """Make what readers see beside the tables as declared, if a declaration changed since.

    Comments on tables and columns, macros and customary views. Call in a transaction.
    """
    rows = con.sql("SELECT crop, bushel_kg FROM crop WHERE bushel_kg IS NOT NULL").fetchall()
    bushels = dict(sorted(rows))
    wanted = _made_from(bushels)
    if facts.fact(con, "for_readers") == wanted:
        return
    statements = [f"CREATE SCHEMA IF NOT EXISTS {SCHEMA}", *macros(bushels)]
    for table in TABLES.values():
        statements += [*generated.comments(table), *view(table)]
    con.execute("; ".join(statements))
    facts.set_fact(con, "for_readers", wanted)


def _made_from(bushels: dict[str, float]) -> str:
    """Return a hash of all that the statements follow from, so that none has to be rendered for it."""
    text = repr([bushels, list(TABLES.values()), FORMER, SUFFIX, PLAIN, OF_CROP, version("pint")])
    rendered_by = map(inspect.getsource, (generated, units, sys.modules[__name__]))
    return hashlib.sha256("".join([text, *rendered_by]).encode()).hexdigest()
