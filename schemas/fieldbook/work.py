"""The field book: what was done and seen in the field."""

from schemas.fieldbook.parts import (
    NOTES_COLUMN,
    Heading,
    Reads,
    Sheet,
    day,
    field_name,
    number,
    strip,
    text,
    word,
)

OPERATIONS = Sheet(
    "operations",
    "operation",
    (
        "One row a pass of the practice. Before any deep work have buried lines, cables and drains "
        "located; local rules and licensed people decide."
    ),
    (
        field_name(),
        strip("the strip that was worked; empty means treated", must=False),
        day("day", "day", "day of the work", "2020-10-12", ("date", "worked on"), must=True),
        text(
            "practice",
            "practice",
            "what was done; empty means the field's practice",
            "deep tillage",
        ),
        word(
            "counts for",
            "counts_for",
            "only for work after seeding, such as a side-dressing: standing crop or next crop; once for a "
            "practice is enough, empty means next crop",
            "",
            ("counts for crop",),
        ),
        text("implement", "implement", "kind of implement", "parabolic subsoiler, 7 shanks"),
        number(
            "depth", "depth_cm", "working depth", ("cm", "in"), ("35", "14"), ("working depth",)
        ),
        number(
            "width", "width_m", "working width", ("m", "ft"), ("5.3", "17.5"), ("working width",)
        ),
        number("speed", "speed_km_h", "working speed", ("km/h", "mph"), ("6.5", "4.0")),
        number("draft", "draft_kn", "draft, where it was measured", ("kN", "lbf"), ("", "")),
        number(
            "area", "area_ha", "area that was worked", ("ha", "ac"), ("2.8", "7"), ("area worked",)
        ),
        number(
            "fuel",
            ("fuel_l_ha", "fuel_l"),
            "fuel, by area or in all (then give the area)",
            ("L/ha", "gal/ac"),
            ("18.7", "2.0"),
            ("fuel used",),
        ),
        number(
            "tractor hours",
            "tractor_h",
            "tractor hours in all",
            ("h", "h"),
            ("1.3", "1.3"),
            ("hours", "tractor time"),
            unit="hour",
        ),
        number(
            "fuel price",
            "fuel_price_per_l",
            "price of the fuel",
            ("$/L", "$/gal"),
            ("0.85", "3.20"),
        ),
        number(
            "machine cost",
            ("machine_cost_per_ha", "machine_cost_per_h"),
            "machine cost without fuel and labour, by area or by hour",
            ("$/ha", "$/ac"),
            ("40", "16"),
            ("machine", "machinery cost"),
        ),
        number(
            "labour cost",
            ("labour_cost_per_ha", "labour_cost_per_h"),
            "labour, by area or by hour",
            ("$/h", "$/h"),
            ("25", "25"),
            ("labour", "labor", "labor cost", "wages"),
        ),
        number(
            "contract rate",
            "contract_cost_per_ha",
            "where someone else did it: the rate, in place of fuel, machine and labour",
            ("$/ha", "$/ac"),
            ("", ""),
            ("contract cost", "custom rate", "contract"),
        ),
        number(
            "other cost",
            "other_cost_per_ha",
            "any other cost of the work",
            ("$/ha", "$/ac"),
            ("", ""),
            ("other costs",),
        ),
        NOTES_COLUMN,
    ),
    ("operation", "work"),
)

IRRIGATION = Sheet(
    "irrigation",
    "irrigation",
    (
        "One row an irrigation of a field or of one strip. A day that is not on the sheet had none. "
        "Where a water meter is read as well, it counts on the days that it recorded."
    ),
    (
        field_name(),
        strip(
            "treated, check, another strip's name, or both for all; empty means both",
            must=False,
            both=True,
            example="both",
        ),
        day("day", "day", "day of the irrigation", "2021-06-21", ("date", "on"), must=True),
        text(
            "part",
            "part",
            "a number or name, where there were several in one day",
            "",
            ("number", "set", "pass"),
        ),
        number(
            "amount",
            ("amount_mm", "volume_m3"),
            (
                "depth applied (mm, in), or volume (m3, acre-in, gal; then give the area); as applied, "
                "nothing taken off for losses"
            ),
            ("mm", "in"),
            ("25", "1.0"),
            ("applied", "depth", "depth applied", "water", "volume", "irrigation"),
            vital=True,
        ),
        Heading(
            "unit",
            ("unit",),
            Reads.TEXT,
            "unit of the amount, where its heading does not say it",
            ("amount unit",),
        ),
        number(
            "area",
            "area_ha",
            "irrigated area, where the amount is a volume",
            ("ha", "ac"),
            ("", ""),
            ("irrigated area", "area irrigated"),
            vital=True,
        ),
        text(
            "source",
            "source",
            "where the water came from",
            "center pivot",
            ("system", "method", "from"),
        ),
        NOTES_COLUMN,
    ),
    ("irrigations", "irrigation log", "water applied"),
)

PENETROMETER = Sheet(
    "penetrometer",
    "penetrometer",
    "One row a depth of a push.",
    (
        field_name(),
        strip(),
        day("day", "day", "day of the push", "2021-05-20", ("date",), must=True),
        text(
            "place",
            "place",
            "number of the place within the strip",
            "1",
            ("point", "site"),
            must=True,
        ),
        number("depth", "depth_cm", "depth of the cone", ("cm", "in"), ("30", "12"), must=True),
        number(
            "cone index",
            "cone_index_mpa",
            "cone index",
            ("MPa", "psi"),
            ("2.1", "300"),
            ("resistance", "penetration resistance"),
            must=True,
        ),
        NOTES_COLUMN,
    ),
)

OBSERVATIONS = Sheet(
    "observations",
    "observation",
    (
        "One row an observation: infiltration, roots in a pit (deepest, or counted by depth), residue, "
        "salinity, plant stand, height, a vegetation index, a soil test, a photograph. The same words "
        "on both strips on one day are compared; different units are converted."
    ),
    (
        field_name(),
        strip("treated, check, another strip's name, or both for all", both=True),
        day("day", "day", "day of the observation", "2021-06-21", ("date", "on"), must=True),
        text(
            "what",
            "what",
            "what was observed, the same words each time",
            "infiltration",
            ("observation", "quantity", "measured"),
            must=True,
        ),
        text(
            "place",
            "place",
            "a number or name, where there were several in one day",
            "1",
            ("number", "pit", "point", "site"),
        ),
        number("depth", "depth_cm", "its depth, if it has one", ("cm", "in"), ("", "")),
        text("value", "value", "its value, a number", "28", ("result", "reading", "count")),
        text("unit", "unit", "unit of the value; 1 for a pure number", "mm/h", ("units",)),
        text("file", "file", "name of a photograph's file", "", ("photo", "photograph", "picture")),
        NOTES_COLUMN,
    ),
    ("observation",),
)

NOTES = Sheet(
    "notes",
    "note",
    "One row a note.",
    (
        field_name("name of the field; empty where the note is of the farm", must=False),
        day("day", "day", "day that it is of", "2021-06-14", ("date",), must=True),
        strip("the strip, where it is of one", must=False),
        text("note", "note", "what you saw", "hail", ("notes", "what", "text"), must=True),
    ),
    ("note",),
)
