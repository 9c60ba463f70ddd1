"""The field book: what was done with the instruments."""

from schemas.fieldbook.parts import NOTES_COLUMN, Heading, Reads, Sheet, day, number, text, word

LIFTS = Sheet(
    "lifts",
    "lift",
    (
        "One row a lift of a probe, as for seeding or harvest. Its spell in farm.toml is cut there: "
        "the days of lifting and setting back are not used, nor those between."
    ),
    (
        text(
            "probe",
            "probe",
            "name of the probe as in farm.toml, or all",
            "Example probe",
            ("name", "instrument"),
            must=True,
        ),
        day(
            "out", "out_day", "day on which it was taken out", "2021-05-06", ("lifted",), must=True
        ),
        Heading(
            "in",
            ("in_day",),
            Reads.DAY,
            "day on which it was set back; empty while it is out",
            ("set back", "back"),
            vital=True,
            example=("2021-05-20", "2021-05-20"),
        ),
        NOTES_COLUMN,
    ),
    ("lift",),
)

DO_NOT_USE = Sheet(
    "do not use",
    "do_not_use",
    (
        "One row a span of days of an instrument that must not be used. The readings are kept: take "
        "the row away and they count again."
    ),
    (
        text(
            "instrument",
            "instrument",
            "name of the station or probe as in farm.toml",
            "Example station",
            ("station", "probe", "name"),
            must=True,
        ),
        word(
            "quantity",
            "quantity",
            "what of it: rain, wind, soil moisture, ...; empty means all of it",
            "rain",
            ("what",),
        ),
        number(
            "depth",
            "depth_cm",
            "depth of the sensor of a probe; empty means all of them",
            ("cm", "in"),
            ("", ""),
            vital=True,
        ),
        day("from", "from_day", "first day that is not used", "2021-06-03", ("since",), must=True),
        Heading(
            "to",
            ("to_day",),
            Reads.DAY,
            "last day that is not used; empty while it lasts",
            ("until",),
            vital=True,
            example=("2021-06-10", "2021-06-10"),
        ),
        text("why", "why", "why it must not be used", "nest in the gauge", ("reason",), must=True),
    ),
    ("not used", "dont use", "don't use"),
)
