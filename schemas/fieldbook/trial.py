"""The field book: fields, strips, seasons."""

from __future__ import annotations

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
    side,
    text,
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
    "Two rows a field: the treated strip and the check strip beside it.",
    (
        field_name(),
        side(),
        number("width", "width_m", "width of the strip", ("m", "ft"), ("36", "120")),
        number("length", "length_m", "length of the strip", ("m", "ft"), ("780", "2560")),
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
