"""The names of fields, strips and instruments: what was renamed, what nobody knows."""

import duckdb

from flows.base.errors import Attention, UserError
from flows.books.amended import amended
from flows.farm.folder import FarmFolder
from flows.setup.inspection.finding import Finding, advice, fine
from flows.store import query
from flows.trust import names
from schemas.farm.farm import Farm


def today(folder: FarmFolder, farm: Farm) -> tuple[Farm, list[Finding]]:
    """Return the farm under today's names as the published copy knows them, and what is to be said.

    Without a published copy of this version the farm is returned as it is.
    """
    try:
        with query.open_published(folder) as con:
            return amended(con, farm), list(_findings(con))
    except (Attention, UserError, duckdb.CatalogException, duckdb.BinderException):
        return farm, []  # what is wrong with the published copy is reported elsewhere


def _findings(con: duckdb.DuckDBPyConnection) -> list[Finding]:
    found = []
    if renamed := names.renamed(con):
        found.append(fine("names", f"Renamed by the field book: {'; '.join(renamed)}."))
    for sentence in names.fields(con):
        what, _, do = sentence.partition(names.ADVICE)
        found.append(advice("names", what.strip(), names.ADVICE + do))
    for sentence in names.strips(con):
        what, _, do = sentence.partition(names.STRIP_ADVICE)
        found.append(advice("names", what.strip(), names.STRIP_ADVICE + do))
    for sentence in names.of_files(con):
        what, _, do = sentence.partition(names.ADVICE)
        found.append(advice("names", what.strip(), names.ADVICE + do))
    return found
