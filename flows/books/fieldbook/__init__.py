"""The field book, read sheet by sheet with each fault named; may import ``farm`` and ``base``."""

from flows.books.fieldbook.blank import write_blank
from flows.books.fieldbook.book import FieldBook, contents, read, tables_of
from flows.books.fieldbook.problem import Problem

__all__ = ["FieldBook", "Problem", "contents", "read", "tables_of", "write_blank"]
