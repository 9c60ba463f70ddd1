"""What is wrong in the field book, the yield maps and the images as they stand."""

from schemas.table import Table, Tier, count, text

TABLE = Table(
    "book_problem",
    Tier.SETUP,
    "one fault of the newest readable field book, yield maps, table of normals or images",
    (
        text(
            "book",
            "which of them",
            key=True,
            one_of=("fieldbook", "yieldmaps", "normals", "images"),
        ),
        text("sheet", "sheet or file; empty for the whole book", key=True),
        count("line", "row as the spreadsheet counts it; 0 for the whole sheet", key=True),
        text("column_name", "heading as written; empty for the whole row", key=True),
        text("cause", "short cause, the same words for the same fault", key=True),
        text("found", "what stood there"),
        text("expected", "what would have been accepted"),
        text(
            "lost",
            "what was left out because of it",
            required=True,
            one_of=("book", "image", "sheet", "row", "value", "none"),
        ),
        text("sentence", "the fault as a person reads it", required=True),
    ),
)
