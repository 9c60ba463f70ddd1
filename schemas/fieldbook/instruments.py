"""The field book: what was done with the instruments."""

from schemas.fieldbook.parts import NOTES_COLUMN, Heading, Reads, Sheet, day, number, text, word

RENAMES = Sheet(
    "renames",
    "renamed",
    (
        "One row a former name of a field, strip, station or probe. Files, farm.toml and other sheets "
        "may go on to use it: today's name is meant. Two that get one name are one from then on. "
        "Take the row away and they are as before."
    ),
    (
        text(
            "old name",
            "old_name",
            "the name that it had, as older files and sheets have it",
            "Example station",
            ("old", "former name", "was"),
            must=True,
        ),
        text(
            "new name",
            "new_name",
            "the name that it has today; of a strip treated or check",
            "Home west",
            ("new", "name", "name today", "is"),
            must=True,
        ),
        word(
            "what",
            "kind",
            "field, strip, station or probe",
            "station",
            ("kind", "what was renamed"),
            must=True,
        ),
        text("field", "field", "only for a strip: its field; empty means any field"),
        NOTES_COLUMN,
    ),
    ("renamed", "rename", "former names"),
)

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

GAUGE = Sheet(
    "gauge",
    "gauge",
    (
        "One row a reading of a rain gauge that is read by hand. Its rain is used on days that the "
        "station's gauge misses, lost or got wrong, and is compared with it on all others."
    ),
    (
        text(
            "at",
            "place",
            "where it stands: the name of a field, or of a station as in farm.toml",
            "Example field",
            ("field", "station", "place", "where"),
            must=True,
        ),
        Heading(
            "day",
            ("read_day",),
            Reads.DAY,
            "day on which the rain fell, or with an hour the day on which it was read",
            ("date", "read"),
            must=True,
            example=("2021-06-03", "2021-06-03"),
        ),
        Heading(
            "rain",
            ("rain_mm",),
            Reads.NUMBER,
            "rain that was in the gauge; 0 where it was empty, T for a trace",
            ("amount", "precipitation", "reading"),
            must=True,
            vital=True,
            written=("mm", "in"),
            example=("12.5", "0.49"),
            zero=("t", "tr", "trace"),
        ),
        Heading(
            "hour",
            ("read_at_h",),
            Reads.HOUR,
            (
                "hour of the reading in standard time, such as 7 or 7:30: the rain is then of the 24 "
                "hours before it; empty where the day is that of the rain"
            ),
            ("time", "read at"),
            vital=True,
        ),
        number(
            "days",
            "over_d",
            "days that the rain fell in, the last one included; empty means one",
            ("", ""),
            ("", ""),
            ("over days", "days in one"),
            unit="dimensionless",
            vital=True,
        ),
        NOTES_COLUMN,
    ),
    ("rain gauge", "rain by hand", "hand gauge"),
)
