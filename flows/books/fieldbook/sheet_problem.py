"""A fault of a whole row of a sheet."""

from flows.books.fieldbook.problem import Problem, shown
from flows.books.fieldbook.reader import Row


def problem(
    row: Row, column: str, cause: str, found: object, expected: str, *, reject: bool = True
) -> Problem:
    """Return a fault of a row at the heading of one of its columns."""
    row.rejected |= reject
    heading = row.headings.get(column, column)
    text = "" if found == "" else shown(found)
    return Problem(
        row.sheet, row.number, heading, cause, text, expected, "row" if reject else "none"
    )
