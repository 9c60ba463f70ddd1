"""The field book: its sheets, the headings each column may have, and the words people use.

A heading's unit stands behind it (``depth (in)``). What a column is stored in is declared once, in
the table it lands in (``schemas/tables``); here stands only how people write it. A heading without
a unit is a fault where the unit could be anything: a guess would be worse than a question.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Reads(StrEnum):
    """How the cells of a column are read."""

    FIELD = "field"
    CROP = "crop"
    SEASON = "season"
    DAY = "day"
    NUMBER = "number"
    TEXT = "text"
    WORD = "word"
    YES = "yes"


@dataclass(frozen=True, slots=True)
class Heading:
    """One column of a sheet.

    ``columns``: where it lands; more than one where the unit decides (``fuel (gal)`` is a total,
    ``fuel (gal/ac)`` is by area). ``unit``: what is meant when the heading names none; empty where
    the heading must name it. ``must``: a row without it is refused. ``vital``: a row is refused
    where the value is there and wrong, because what would be left could mislead.
    ``written`` and ``example``: unit and example of the blank workbook, metric and customary.
    """

    name: str
    columns: tuple[str, ...]
    reads: Reads
    help: str
    also: tuple[str, ...] = ()
    unit: str = ""
    must: bool = False
    vital: bool = False
    written: tuple[str, str] = ("", "")
    example: tuple[str, str] = ("", "")


@dataclass(frozen=True, slots=True)
class Sheet:
    """One sheet (or one CSV file) and the table that it lands in."""

    name: str
    table: str
    help: str
    headings: tuple[Heading, ...]
    also: tuple[str, ...] = ()


def _text(  # noqa: PLR0917
    name: str,
    column: str,
    help_: str,
    example: str = "",
    also: tuple[str, ...] = (),
    must: bool = False,
) -> Heading:
    return Heading(name, (column,), Reads.TEXT, help_, also, must=must, example=(example, example))


def _word(  # noqa: PLR0917
    name: str, column: str, help_: str, example: str, also: tuple[str, ...] = (), must: bool = False
) -> Heading:
    return Heading(
        name, (column,), Reads.WORD, help_, also, must=must, vital=True, example=(example, example)
    )


def _day(  # noqa: PLR0917
    name: str, column: str, help_: str, example: str, also: tuple[str, ...] = (), must: bool = False
) -> Heading:
    return Heading(name, (column,), Reads.DAY, help_, also, must=must, example=(example, example))


def _number(  # noqa: PLR0917
    name: str,
    columns: str | tuple[str, ...],
    help_: str,
    written: tuple[str, str],
    example: tuple[str, str],
    also: tuple[str, ...] = (),
    unit: str = "",
    must: bool = False,
    vital: bool = False,
) -> Heading:
    landing = (columns,) if isinstance(columns, str) else columns
    return Heading(
        name, landing, Reads.NUMBER, help_, also, unit, must, vital or must, written, example
    )


def _field(help_: str = "name of the field, as on the sheet fields", must: bool = True) -> Heading:
    return Heading(
        "field",
        ("field",),
        Reads.FIELD,
        help_,
        ("field name", "paddock"),
        must=must,
        example=("Example field", "Example field"),
    )


def _season(must: bool) -> Heading:
    return Heading(
        "season",
        ("season",),
        Reads.SEASON,
        "year of the harvest",
        ("year", "crop year", "harvest year"),
        must=must,
        example=("2021", "2021"),
    )


def _strip(help_: str = "treated or check", must: bool = True) -> Heading:
    return _word("strip", "strip", help_, "treated", ("side", "treatment"), must)


_NOTES = _text("notes", "notes", "anything worth keeping", "", ("note", "remarks", "comments"))

FIELDS = Sheet(
    "fields",
    "field",
    "One row a field on trial.",
    (
        _field("name of the field; every other sheet uses it"),
        _number("area", "area_ha", "area of the field", ("ha", "ac"), ("64", "160")),
        _text("soil", "soil", "the soil in your own words", "heavy clay"),
        _text(
            "soil texture",
            "soil_texture",
            "texture class, where known; handbook values follow from it",
            "clay",
            ("texture",),
        ),
        _text(
            "practice",
            "practice",
            "the practice on trial in this field",
            "deep tillage",
            must=True,
        ),
        _NOTES,
    ),
    ("field",),
)

STRIPS = Sheet(
    "strips",
    "strip",
    "Two rows a field: the treated strip and the check strip beside it.",
    (
        _field(),
        _strip(),
        _number("width", "width_m", "width of the strip", ("m", "ft"), ("36", "120")),
        _number("length", "length_m", "length of the strip", ("m", "ft"), ("780", "2560")),
        _NOTES,
    ),
    ("strip",),
)

SEASONS = Sheet(
    "seasons",
    "season",
    "One row a crop in a field, seeding to harvest.",
    (
        _field(),
        _season(must=False),
        Heading(
            "crop",
            ("crop",),
            Reads.CROP,
            "a name of the crop list",
            must=True,
            vital=True,
            example=("spring wheat", "spring wheat"),
        ),
        _text("variety", "variety", "variety", ""),
        _day(
            "seeded",
            "seeded",
            "day of seeding",
            "2021-05-08",
            ("seeding", "seeding date", "seeded on", "sown", "planted"),
            must=True,
        ),
        _day(
            "emerged",
            "emerged",
            "day of emergence, where noted",
            "2021-05-18",
            ("emergence", "emergence date"),
        ),
        Heading(
            "harvested",
            ("harvested",),
            Reads.DAY,
            "day of harvest; empty while the crop stands",
            ("harvest", "harvest date", "harvested on", "combined"),
            vital=True,
            example=("2021-08-28", "2021-08-28"),
        ),
        _NOTES,
    ),
    ("season", "crops"),
)

OPERATIONS = Sheet(
    "operations",
    "operation",
    "One row a pass of the practice. Before any deep work have buried lines, cables and drains located; local rules and licensed people decide.",
    (
        _field(),
        _strip("the side that was worked; empty means treated", must=False),
        _day("day", "day", "day of the work", "2020-10-12", ("date", "worked on"), must=True),
        _text(
            "practice",
            "practice",
            "what was done; empty means the field's practice",
            "deep tillage",
        ),
        _text("implement", "implement", "kind of implement", "parabolic subsoiler, 7 shanks"),
        _number(
            "depth", "depth_cm", "working depth", ("cm", "in"), ("35", "14"), ("working depth",)
        ),
        _number(
            "width", "width_m", "working width", ("m", "ft"), ("5.3", "17.5"), ("working width",)
        ),
        _number("speed", "speed_km_h", "working speed", ("km/h", "mph"), ("6.5", "4.0")),
        _number("draft", "draft_kn", "draft, where it was measured", ("kN", "lbf"), ("", "")),
        _number(
            "area", "area_ha", "area that was worked", ("ha", "ac"), ("2.8", "7"), ("area worked",)
        ),
        _number(
            "fuel",
            ("fuel_l_ha", "fuel_l"),
            "fuel, by area or in all (then give the area)",
            ("L/ha", "gal/ac"),
            ("18.7", "2.0"),
            ("fuel used",),
        ),
        _number(
            "tractor hours",
            "tractor_h",
            "tractor hours in all",
            ("h", "h"),
            ("1.3", "1.3"),
            ("hours", "tractor time"),
            unit="hour",
        ),
        _number(
            "fuel price",
            "fuel_price_per_l",
            "price of the fuel",
            ("$/L", "$/gal"),
            ("0.85", "3.20"),
        ),
        _number(
            "machine cost",
            ("machine_cost_per_ha", "machine_cost_per_h"),
            "machine cost without fuel and labour, by area or by hour",
            ("$/ha", "$/ac"),
            ("40", "16"),
            ("machine", "machinery cost"),
        ),
        _number(
            "labour cost",
            ("labour_cost_per_ha", "labour_cost_per_h"),
            "labour, by area or by hour",
            ("$/h", "$/h"),
            ("25", "25"),
            ("labour", "labor", "labor cost", "wages"),
        ),
        _number(
            "contract rate",
            "contract_cost_per_ha",
            "where someone else did it: the rate, in place of fuel, machine and labour",
            ("$/ha", "$/ac"),
            ("", ""),
            ("contract cost", "custom rate", "contract"),
        ),
        _number(
            "other cost",
            "other_cost_per_ha",
            "any other cost of the work",
            ("$/ha", "$/ac"),
            ("", ""),
            ("other costs",),
        ),
        _NOTES,
    ),
    ("operation", "work"),
)

PASSES = Sheet(
    "passes",
    "harvest_pass",
    "One row a combine pass that was weighed (or read off a yield map by hand).",
    (
        _field(),
        _season(must=True),
        _strip(),
        _text(
            "pass",
            "pass",
            "number or name of the pass within its strip",
            "1",
            ("pass number", "pass no", "run"),
            must=True,
        ),
        _text(
            "block",
            "block",
            "passes of the two strips with the same block are compared; empty means the pass's own number",
            "1",
            ("pair",),
        ),
        _word("method", "method", "scale wagon or yield map", "scale wagon", ("measured by",)),
        _day("day", "day", "day of the harvest", "2021-08-28", ("date",)),
        _number(
            "mass",
            "mass_kg",
            "mass of grain as it came off",
            ("kg", "lb"),
            ("2510", "5530"),
            ("weight", "grain weight", "grain", "net weight"),
            vital=True,
        ),
        _number(
            "length",
            "length_m",
            "length cut",
            ("m", "ft"),
            ("780", "2560"),
            ("length cut", "pass length"),
            vital=True,
        ),
        _number(
            "width",
            "width_m",
            "width cut",
            ("m", "ft"),
            ("9.1", "30"),
            ("width cut", "header width", "swath"),
            vital=True,
        ),
        _number(
            "yield",
            "yield_kg_ha",
            "instead of the mass: the yield at the moisture beside it",
            ("kg/ha", "bu/ac"),
            ("", ""),
            ("grain yield",),
            vital=True,
        ),
        _number(
            "moisture",
            "moisture_pct",
            "moisture of the grain in per cent, wet basis",
            ("%", "%"),
            ("13.8", "13.8"),
            ("grain moisture", "moist", "h2o"),
            unit="percent",
            vital=True,
        ),
        _number(
            "test weight",
            "test_weight_kg_hl",
            "test weight",
            ("kg/hL", "lb/bu"),
            ("79", "61.5"),
            ("bushel weight", "hectolitre weight"),
        ),
        Heading(
            "left out",
            ("left_out",),
            Reads.YES,
            "yes where the pass must not count",
            ("exclude", "excluded", "leave out"),
            example=("no", "no"),
        ),
        _text("why left out", "why_left_out", "why it must not count", "", ("why", "reason")),
        _NOTES,
    ),
    ("pass", "yields", "harvest"),
)

PRICES = Sheet(
    "prices",
    "price",
    "One row a crop and season. The price needs its unit, in the heading or in the column unit.",
    (
        Heading(
            "field",
            ("field",),
            Reads.FIELD,
            "name of the field; empty where the price holds for the farm",
            ("field name",),
            example=("Example field", "Example field"),
        ),
        Heading(
            "crop",
            ("crop",),
            Reads.CROP,
            "a name of the crop list",
            must=True,
            vital=True,
            example=("spring wheat", "spring wheat"),
        ),
        _season(must=True),
        _number("price", "price_per_kg", "price", ("", ""), ("235", "6.40"), must=True),
        Heading(
            "unit",
            ("unit",),
            Reads.TEXT,
            "unit of the price, where the heading does not say it",
            ("price unit", "per"),
            example=("$/t", "$/bu"),
        ),
        _number(
            "low price",
            "price_low_per_kg",
            "lowest price thought likely, same unit",
            ("", ""),
            ("205", "5.60"),
            ("price low",),
        ),
        _number(
            "high price",
            "price_high_per_kg",
            "highest price thought likely, same unit",
            ("", ""),
            ("260", "7.10"),
            ("price high",),
        ),
        _NOTES,
    ),
    ("price",),
)

COSTS = Sheet(
    "costs",
    "cost",
    "One row a cost of a season that one strip bears, beside the operation itself.",
    (
        _field(),
        _season(must=True),
        _strip("treated, check or both"),
        _text(
            "what", "what", "what was paid for", "extra nitrogen", ("item", "cost of"), must=True
        ),
        _word(
            "kind",
            "kind",
            "seed, fertiliser, spray, field work, harvest, drying or other; empty means other",
            "fertiliser",
        ),
        _number(
            "cost",
            "cost_per_ha",
            "cost by area; a saving is negative",
            ("$/ha", "$/ac"),
            ("22", "9"),
            ("amount",),
            must=True,
        ),
        _NOTES,
    ),
    ("cost",),
)

PENETROMETER = Sheet(
    "penetrometer",
    "penetrometer",
    "One row a depth of a push.",
    (
        _field(),
        _strip(),
        _day("day", "day", "day of the push", "2021-05-20", ("date",), must=True),
        _text(
            "place",
            "place",
            "number of the place within the strip",
            "1",
            ("point", "site"),
            must=True,
        ),
        _number("depth", "depth_cm", "depth of the cone", ("cm", "in"), ("30", "12"), must=True),
        _number(
            "cone index",
            "cone_index_mpa",
            "cone index",
            ("MPa", "psi"),
            ("2.1", "300"),
            ("resistance", "penetration resistance"),
            must=True,
        ),
        _NOTES,
    ),
)

NOTES = Sheet(
    "notes",
    "note",
    "One row a note.",
    (
        _field("name of the field; empty where the note is of the farm", must=False),
        _day("day", "day", "day that it is of", "2021-06-14", ("date",), must=True),
        _strip("treated or check, where it is of one side", must=False),
        _text("note", "note", "what you saw", "hail", ("notes", "what", "text"), must=True),
    ),
    ("note",),
)

# Fields come first: every other sheet is held against them; seasons before what needs their crop.
SHEETS: tuple[Sheet, ...] = (
    FIELDS,
    STRIPS,
    SEASONS,
    OPERATIONS,
    PASSES,
    PRICES,
    COSTS,
    PENETROMETER,
    NOTES,
)
