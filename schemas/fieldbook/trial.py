"""The field book: fields, strips, seasons, what was weighed, prices and costs."""

from schemas.fieldbook.parts import (
    CROP_COLUMN,
    NOTES_COLUMN,
    Heading,
    Reads,
    Sheet,
    day,
    field_name,
    number,
    season_year,
    strip,
    text,
    word,
)

FIELDS = Sheet(
    "fields",
    "field",
    "One row a field on trial.",
    (
        field_name("name of the field; every other sheet uses it"),
        number("area", "area_ha", "area of the field", ("ha", "ac"), ("64", "160")),
        text("soil", "soil", "the soil in your own words", "heavy clay"),
        text(
            "soil texture",
            "soil_texture",
            "texture class, where known; handbook values follow from it",
            "clay",
            ("texture",),
        ),
        text(
            "practice",
            "practice",
            "the practice on trial in this field",
            "deep tillage",
            must=True,
        ),
        NOTES_COLUMN,
    ),
    ("field",),
)

STRIPS = Sheet(
    "strips",
    "strip",
    (
        "One row a strip: the treated strip and the check strip beside it. A field may have more, each "
        "with a name and a role: check, worked once, worked again."
    ),
    (
        field_name(),
        strip("treated, check, or a name of its own with its role beside it"),
        word(
            "role",
            "role",
            "treated or check; may be empty where the strip has that name",
            "treated",
            ("kind",),
        ),
        text(
            "practice",
            "practice",
            "the practice on this strip, where it is not the field's",
            "",
        ),
        text(
            "against",
            "against",
            "the strips it is compared with, ; between them; empty means the field's only check",
            "",
            ("compared with", "beside"),
        ),
        number("width", "width_m", "width of the strip", ("m", "ft"), ("36", "120")),
        number("length", "length_m", "length of the strip", ("m", "ft"), ("780", "2560")),
        word(
            "randomized",
            "randomized",
            "whether a coin decided which side is treated: no, each field, or each block; empty means no",
            "no",
            ("sides randomized", "side by lot", "random"),
        ),
        NOTES_COLUMN,
    ),
    ("strip",),
)

SEASONS = Sheet(
    "seasons",
    "season",
    "One row a crop in a field, seeding to harvest.",
    (
        field_name(),
        season_year(must=False),
        CROP_COLUMN,
        text("variety", "variety", "variety", ""),
        day(
            "seeded",
            "seeded",
            "day of seeding",
            "2021-05-08",
            ("seeding", "seeding date", "seeded on", "sown", "planted"),
            must=True,
        ),
        day(
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
        NOTES_COLUMN,
    ),
    ("season", "crops"),
)


PASSES = Sheet(
    "passes",
    "harvest_pass",
    "One row a combine pass that was weighed (or read off a yield map by hand).",
    (
        field_name(),
        season_year(must=True),
        strip(),
        text(
            "pass",
            "pass",
            "number or name of the pass within its strip",
            "1",
            ("pass number", "pass no", "run"),
            must=True,
        ),
        text(
            "block",
            "block",
            "passes of strips with the same block are compared; empty means the pass's own number",
            "1",
            ("pair",),
        ),
        word("method", "method", "scale wagon or yield map", "scale wagon", ("measured by",)),
        day("day", "day", "day of the harvest", "2021-08-28", ("date",)),
        number(
            "mass",
            "mass_kg",
            "mass of grain as it came off",
            ("kg", "lb"),
            ("2510", "5530"),
            ("weight", "grain weight", "grain", "net weight"),
            vital=True,
        ),
        number(
            "length",
            "length_m",
            "length cut",
            ("m", "ft"),
            ("780", "2560"),
            ("length cut", "pass length"),
            vital=True,
        ),
        number(
            "width",
            "width_m",
            "width cut",
            ("m", "ft"),
            ("9.1", "30"),
            ("width cut", "header width", "swath"),
            vital=True,
        ),
        number(
            "yield",
            "yield_kg_ha",
            "instead of the mass: the yield at the moisture beside it",
            ("kg/ha", "bu/ac"),
            ("", ""),
            ("grain yield",),
            vital=True,
        ),
        number(
            "moisture",
            "moisture_pct",
            "moisture of the grain in per cent, wet basis",
            ("%", "%"),
            ("13.8", "13.8"),
            ("grain moisture", "moist", "h2o"),
            unit="percent",
            vital=True,
        ),
        number(
            "test weight",
            "test_weight_kg_hl",
            "test weight",
            ("kg/hL", "lb/bu"),
            ("79", "61.5"),
            ("bushel weight", "hectolitre weight"),
        ),
        number(
            "protein",
            "protein_pct",
            "protein of the grain in per cent, as the buyer states it",
            ("%", "%"),
            ("", ""),
            ("grain protein",),
            unit="percent",
        ),
        Heading(
            "left out",
            ("left_out",),
            Reads.YES,
            "yes where the pass must not count",
            ("exclude", "excluded", "leave out"),
            example=("no", "no"),
        ),
        text("why left out", "why_left_out", "why it must not count", "", ("why", "reason")),
        NOTES_COLUMN,
    ),
    ("pass", "yields", "harvest"),
)

# Of a price beside its likely value: its unit, and the range.
PRICE_RANGE = (
    Heading(
        "unit",
        ("unit",),
        Reads.TEXT,
        "unit of the price, where the heading does not say it",
        ("price unit", "per"),
        example=("$/t", "$/bu"),
    ),
    number(
        "low price",
        "price_low_per_kg",
        "lowest price thought likely, same unit",
        ("", ""),
        ("205", "5.60"),
        ("price low",),
    ),
    number(
        "high price",
        "price_high_per_kg",
        "highest price thought likely, same unit",
        ("", ""),
        ("260", "7.10"),
        ("price high",),
    ),
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
        CROP_COLUMN,
        season_year(must=True),
        number("price", "price_per_kg", "price", ("", ""), ("235", "6.40"), must=True),
        *PRICE_RANGE,
        number(
            "protein premium",
            "protein_premium_per_kg",
            "added to the price for each percentage point of protein, same unit",
            ("", ""),
            ("", ""),
            ("premium", "protein premium per point"),
        ),
        NOTES_COLUMN,
    ),
    ("price",),
)

PLANS = Sheet(
    "plans",
    "planned_season",
    (
        "One row a crop that you plan for a field. The sheet seasons has what was seeded; this one has "
        "what comes next, and whether the practice is to be done again before it."
    ),
    (
        field_name(),
        season_year(must=True),
        CROP_COLUMN,
        number(
            "yield",
            "yield_kg_ha",
            "yield that you expect without the practice",
            ("kg/ha", "bu/ac"),
            ("2700", "40"),
            ("expected yield", "yield expected"),
        ),
        number(
            "price",
            "price_per_kg",
            "price that you think most likely",
            ("", ""),
            ("235", "6.40"),
            ("likely price", "price likely"),
        ),
        *PRICE_RANGE,
        word(
            "work before",
            "work_before",
            "yes or no: whether the practice is done again before this crop; empty while undecided",
            "",
            ("work", "work again"),
        ),
        NOTES_COLUMN,
    ),
    ("planned crops", "planned", "planned seasons"),
)

COSTS = Sheet(
    "costs",
    "cost",
    "One row a cost of a season that one strip bears, beside the operation itself.",
    (
        field_name(),
        season_year(must=True),
        strip("treated, check, another strip's name, or both for all", both=True),
        text("what", "what", "what was paid for", "extra nitrogen", ("item", "cost of"), must=True),
        word(
            "kind",
            "kind",
            "seed, fertiliser, spray, field work, harvest, drying or other; empty means other",
            "fertiliser",
        ),
        number(
            "cost",
            "cost_per_ha",
            "cost by area; a saving is negative",
            ("$/ha", "$/ac"),
            ("22", "9"),
            ("amount",),
            must=True,
        ),
        NOTES_COLUMN,
    ),
    ("cost",),
)
