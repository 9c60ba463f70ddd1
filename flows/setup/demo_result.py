"""The demo's result as README shows it: one picture, one table. ``python -m flows.setup.demo_result``.

Both come from the demo that ends on the last day of its files, so that they are the same on any day.
"""

import re
import tempfile
from pathlib import Path

from demo_warehouse.simulator.build import lay_out
from flows.base import files
from flows.farm.folder import FarmFolder
from flows.pages import render
from flows.pages.pictures import trial as pictures
from flows.pages.published_tables import Tables, of_main_strips
from flows.pages.report import field_row, trial
from flows.pages.report.chosen import chosen_seasons
from flows.pages.sections import short
from flows.run import steps
from flows.store import query

ROOT = Path(__file__).parents[2]
PICTURE = ROOT / "demo_warehouse" / "result.svg"
README = ROOT / "README.md"
PRACTICE = "deep tillage"
HEADS = ("Field", "Did it pay?", "Net since the work", "Mean response of its seasons")
BEGIN, END = "<!-- the demo's result -->\n", "<!-- end of the demo's result -->\n"


def picture(tables: Tables) -> bytes:
    """Return the responses of all site-years of deep tillage as SVG."""
    rows, together = trial.site_years(tables, PRACTICE), trial.pooled(tables, PRACTICE)
    (drawn,) = pictures.responses(rows, together, tables.show())
    return drawn.image


def table(tables: Tables) -> str:
    """Return a Markdown table with a row a field: the words of money, the net, the mean response.

    A partial number is marked; below stand the reasons, and why an interval and a verdict could look
    at odds. A field with more than two strips has its treated strip against its check.
    """
    show = tables.show()
    lines = [HEADS, ("---",) * len(HEADS)]
    rows = [
        row
        for row in field_row.latest(tables, chosen_seasons(tables, None))
        if row["payback"] is None or of_main_strips(row["payback"])
    ]
    for known in rows:
        field, money = known["field"], known["payback"]
        assert field is not None
        told = (
            field_row.paid(money),
            field_row.net(money),
            field_row.mean(known["response_pooled"]),
        )
        name = f"{field['field']}: {field['practice']}"
        marked = render.marked(told)
        lines.append(
            (name, *(show.phrase(p) + ", partial" * (i in marked) for i, p in enumerate(told)))
        )
    shown = [f"| {' | '.join(cells)} |" for cells in lines]
    partial = ((name, row[name]) for name in ("payback", "response_pooled") for row in rows)
    notes = [*short.partial_notes(partial, "Partial: "), *field_row.why(rows)]
    said = [render.line_text(line, show) for line in notes]
    return "\n".join([*shown, "", " ".join(said), ""])


def in_readme(text: str, new: str) -> str:
    """Return README's text with the table between its two marks replaced."""
    return re.sub(f"(?<={re.escape(BEGIN)}).*(?={re.escape(END)})", lambda _: new, text, flags=re.S)


def main() -> None:
    """Lay the demo out, run it, and write picture and table."""
    with tempfile.TemporaryDirectory() as scratch:
        lay_out(Path(scratch))
        folder = FarmFolder.at(Path(scratch))
        steps.turn(folder)
        with query.open_published(folder) as con:
            tables = Tables(con)
            files.write_bytes(PICTURE, picture(tables))
            README.write_text(in_readme(README.read_text("utf-8"), table(tables)), "utf-8")


if __name__ == "__main__":
    main()
