"""One short module a table, each with one ``TABLE``; ``schemas.catalogue`` gathers them."""
