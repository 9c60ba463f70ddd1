"""What a sheet of the field book is made of: columns, and how their cells are read."""

from dataclasses import dataclass
from enum import StrEnum


class Reads(StrEnum):
    """How the cells of a column are read."""

    FIELD = "field"
    CROP = "crop"
    SEASON = "season"
    DAY = "day"
    HOUR = "hour"
    NUMBER = "number"
    TEXT = "text"
    WORD = "word"
    STRIP = "strip"
    YES = "yes"


@dataclass(frozen=True, slots=True)
class Heading:
    """One column of a sheet.

    ``columns``: where it lands; more than one where the unit decides (``fuel (gal)`` is a total,
    ``fuel (gal/ac)`` is by area). ``unit``: what is meant when the heading names none; empty where
    the heading must name it. ``must``: a row without it is refused. ``vital``: a row is refused
    where the value is there and wrong, because what would be left could mislead.
    ``written`` and ``example``: unit and example of the blank workbook, metric and customary.
    ``zero``: words (lower case) that stand for 0. ``both``: a strip's cell may mean all of them.
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
    zero: tuple[str, ...] = ()
    both: bool = False


@dataclass(frozen=True, slots=True)
class Sheet:
    """One sheet (or one CSV file) and the table that it lands in."""

    name: str
    table: str
    help: str
    headings: tuple[Heading, ...]
    also: tuple[str, ...] = ()


def text(  # noqa: PLR0917
    name: str,
    column: str,
    help_: str,
    example: str = "",
    also: tuple[str, ...] = (),
    must: bool = False,
) -> Heading:
    """Declare a column of words."""
    return Heading(name, (column,), Reads.TEXT, help_, also, must=must, example=(example, example))


def word(  # noqa: PLR0917
    name: str, column: str, help_: str, example: str, also: tuple[str, ...] = (), must: bool = False
) -> Heading:
    """Declare a column of one of some words; a wrong one rejects the row."""
    return Heading(
        name, (column,), Reads.WORD, help_, also, must=must, vital=True, example=(example, example)
    )


def day(  # noqa: PLR0917
    name: str, column: str, help_: str, example: str, also: tuple[str, ...] = (), must: bool = False
) -> Heading:
    """Declare a column of days."""
    return Heading(name, (column,), Reads.DAY, help_, also, must=must, example=(example, example))


def number(  # noqa: PLR0917
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
    """Declare a column of numbers with its unit."""
    landing = (columns,) if isinstance(columns, str) else columns
    return Heading(
        name, landing, Reads.NUMBER, help_, also, unit, must, vital or must, written, example
    )


def field_name(
    help_: str = "name of the field, as on the sheet fields", must: bool = True
) -> Heading:
    """Declare the column that names the field."""
    return Heading(
        "field",
        ("field",),
        Reads.FIELD,
        help_,
        ("field name", "paddock"),
        must=must,
        example=("Example field", "Example field"),
    )


def season_year(must: bool) -> Heading:
    """Declare the column of the harvest year."""
    return Heading(
        "season",
        ("season",),
        Reads.SEASON,
        "year of the harvest",
        ("year", "crop year", "harvest year"),
        must=must,
        example=("2021", "2021"),
    )


def strip(
    help_: str = "treated or check, or a name of the sheet strips",
    must: bool = True,
    both: bool = False,
    example: str = "treated",
) -> Heading:
    """Declare the column of the strip; with ``both`` it may say that all strips are meant."""
    return Heading(
        "strip",
        ("strip",),
        Reads.STRIP,
        help_,
        ("side", "treatment"),
        must=must,
        vital=True,
        example=(example, example),
        both=both,
    )


CROP_COLUMN = Heading(
    "crop",
    ("crop",),
    Reads.CROP,
    "a name of the crop list",
    must=True,
    vital=True,
    example=("spring wheat", "spring wheat"),
)
NOTES_COLUMN = text("notes", "notes", "anything worth keeping", "", ("note", "remarks", "comments"))
