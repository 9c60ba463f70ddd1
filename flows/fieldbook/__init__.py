"""The field book: what people write about fields, strips, seasons, work, passes and money."""

from flows.fieldbook.blank import write_blank
from flows.fieldbook.book import FieldBook, contents, read, tables_of
from flows.fieldbook.problem import Problem

__all__ = ["FieldBook", "Problem", "contents", "read", "tables_of", "write_blank"]
