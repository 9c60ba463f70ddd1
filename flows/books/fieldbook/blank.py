"""The blank field book that ``checkstrip new`` lays down."""

from datetime import date
from pathlib import Path
from typing import Literal

from flows.base.errors import UserError
from schemas.catalogue import TABLES
from schemas.fieldbook.parts import Heading, Reads, Sheet
from schemas.fieldbook.sheets import SHEETS

# Canada weighs and walks in metric and sells in bushels; a book may mix, so each heading carries
# its own unit and this is only what the blank one begins with.
_CUSTOMARY = {"metric": 0, "us": 1, "canada": 1}
_BLANK_ROWS = 200


def write_blank(path: Path, units: Literal["metric", "us", "canada"] = "metric") -> None:
    """Write the blank workbook: a sheet a record type, headings with units, an example row.

    The example row is in gray italics and its field is called 'Example field': reading skips
    it until the field gets another name. Raises UserError where ``path`` exists already: a field
    book is never overwritten.
    """
    from openpyxl import Workbook  # noqa: PLC0415 - only a new farm costs its import

    if path.exists():
        raise UserError(f"{path} is there already and is not overwritten.")
    book = Workbook()
    if book.active is not None:
        book.remove(book.active)
    for sheet in SHEETS:
        _sheet(book.create_sheet(sheet.name), sheet, _CUSTOMARY[units])
    book.save(path)


def _sheet(page: object, sheet: Sheet, which: int) -> None:
    # imported here for start-up time, as above
    from openpyxl.comments import Comment  # noqa: PLC0415
    from openpyxl.styles import Font  # noqa: PLC0415
    from openpyxl.utils import get_column_letter  # noqa: PLC0415
    from openpyxl.worksheet.datavalidation import DataValidation  # noqa: PLC0415
    from openpyxl.worksheet.worksheet import Worksheet  # noqa: PLC0415

    assert isinstance(page, Worksheet)
    for place, heading in enumerate(sheet.headings, start=1):
        unit = heading.written[which]
        title = f"{heading.name} ({unit})" if unit else heading.name
        top = page.cell(1, place, title)
        top.font = Font(bold=True)
        top.comment = Comment(_explained(sheet, heading, first=place == 1), "Checkstrip", 140, 320)
        page.cell(2, place, _example(heading, which)).font = Font(italic=True, color="808080")
        letter = get_column_letter(place)
        page.column_dimensions[letter].width = max(14, len(title) + 2)
        if heading.reads is Reads.DAY:
            for row in range(2, _BLANK_ROWS):
                page.cell(row, place).number_format = "yyyy-mm-dd"
        # A list to choose from would keep out the names of further strips.
        if heading.reads is Reads.WORD:
            words = ",".join(TABLES[sheet.table][heading.columns[0]].one_of)
            choice = DataValidation(type="list", formula1=f'"{words}"', allow_blank=True)
            choice.add(f"{letter}2:{letter}{_BLANK_ROWS}")
            page.add_data_validation(choice)
    page.freeze_panes = "A2"


def _explained(sheet: Sheet, heading: Heading, *, first: bool) -> str:
    text = heading.help[0].upper() + heading.help[1:] + "."
    if heading.must:
        text += " Must be given."
    if heading.reads is Reads.NUMBER and not heading.unit:
        text += " The unit is in the heading and may be changed there."
    if heading.reads is Reads.DAY:
        text += " Any usual form; 2021-05-08 is never misread."
    if first:
        text = f"{sheet.help} The gray row is an example and is skipped. {text}"
    return text


def _example(heading: Heading, which: int) -> str | float | date | None:
    example = heading.example[which]
    if not example:
        return None
    if heading.reads is Reads.DAY:
        return date.fromisoformat(example)
    if heading.reads in (Reads.NUMBER, Reads.SEASON):
        return float(example) if "." in example else int(example)
    return example
