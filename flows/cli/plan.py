"""The command that lays out strips before the first pass: plan.

Imports inside functions are for start-up time.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from flows.cli.base import AsJson, Folder, app, farm_folder, hand_json, say


def _option(text: str, metavar: str = "FILE") -> typer.models.OptionInfo:
    option: typer.models.OptionInfo = typer.Option(metavar=metavar, help=text)
    return option


@app.command()
def plan(
    folder: Folder,
    field: Annotated[str, typer.Argument(metavar="FIELD", help="the field, as in the field book")],
    header: Annotated[str, _option("width of the combine's header, such as '30 ft'", "WIDTH")],
    implement: Annotated[
        str | None, _option("width of the implement; strips are whole passes of both", "WIDTH")
    ] = None,
    outline: Annotated[
        Path | None,
        _option(
            "the field's outline, GeoJSON in WGS 84; else corners in the book, or one in yieldmaps/"
        ),
    ] = None,
    corners: Annotated[
        Path | None, _option("instead: a CSV of its corners (latitude, longitude), in order")
    ] = None,
    avoid: Annotated[Path | None, _option("odd ground to leave out, GeoJSON in WGS 84")] = None,
    direction: Annotated[
        float | None,
        typer.Option(metavar="DEGREES", help="of the strips, from north; else the longest side"),
    ] = None,
    passes: Annotated[
        int, typer.Option(metavar="N", help="of the header in each strip, at least")
    ] = 1,
    border: Annotated[
        str | None, _option("left between strips and not weighed; else 3 m (10 ft)", "WIDTH")
    ] = None,
    headland: Annotated[
        str | None, _option("left free all around; else three header widths", "WIDTH")
    ] = None,
    blocks: Annotated[int, typer.Option(metavar="N", help="sets of strips side by side")] = 4,
    design: Annotated[
        Literal["pairs", "three"],
        typer.Option(help="pairs: treated, check; three: worked once, check, worked twice"),
    ] = "pairs",
    harvest: Annotated[
        Literal["along", "across"], typer.Option(help="how the combine drives")
    ] = "along",
    crop_yield: Annotated[
        float | None,
        typer.Option("--yield", metavar="N", help="yield that you expect, in bu/ac (metric: t/ha)"),
    ] = None,
    response: Annotated[
        float | None,
        typer.Option(metavar="N", help="response to find, in the unit of the yield"),
    ] = None,
    cost: Annotated[
        float | None, typer.Option(metavar="N", help="of the work, by acre (metric: by hectare)")
    ] = None,
    seed: Annotated[
        int | None, typer.Option(metavar="N", help="of the randomized sides; else a new one")
    ] = None,
    to: Annotated[
        Path | None, _option("where the files go; else plans/FIELD in the farm folder", "FOLDER")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Lay out strips before the first pass.

    It needs no data yet. Strips are whole header widths, blocks lie side by side, sides are
    randomized; a second run keeps them. It writes a sheet to print (plan.html), outlines
    (strips.geojson: copy it to yieldmaps/ after the work) and rows for the field book (strips.csv).
    It shows which response so many blocks find in how many years, by the farm's own scatter if it
    has some, else by published trials.
    Have buried utilities located before any work. Exit 2 if the strips do not fit, and what would.

    \b
    Examples:
      checkstrip plan my_farm Coulee --header '30 ft' --implement '15 ft'
      checkstrip plan my_farm Coulee --header '30 ft' --outline coulee.geojson --blocks 6
      checkstrip plan my_farm Coulee --header '30 ft' --yield 45 --response 3 --cost 28
      checkstrip plan my_farm Coulee --header 9.1m --corners corners.csv --design three --direction 90
    """
    from flows.base.plain_text import text_table
    from flows.setup.plan import evidence, sheet, written
    from flows.setup.plan.evidence import Asked
    from flows.setup.plan.plan import Wanted
    from flows.setup.plan.plan import as_json as numbers

    wanted = Wanted(
        field=field,
        header=header,
        implement=implement,
        outline=outline,
        corners=corners,
        avoid=avoid,
        direction=direction,
        border=border,
        headland=headland,
        blocks=blocks,
        passes=passes,
        three=design == "three",
        across=harvest == "across",
        seed=seed,
    )
    asked = Asked(crop_yield, response, cost)
    made = written.make(farm_folder(folder), wanted, asked, to)
    plan, scatter = made.plan, made.scatter
    if as_json:
        found = {str(blocks): by_year for blocks, by_year in evidence.table(plan, scatter)}
        hand_json({**numbers(plan), "findable_pct_by_blocks_and_year": found, "files": made.files})
        return
    table = text_table(evidence.rows(plan, scatter, asked), heading=evidence.heads())
    said = [sheet.CAUTION, "", *sheet.sentences(plan), ""]
    said += [*evidence.sentences(plan, scatter, asked), evidence.caption(plan, asked) + ":", *table]
    say("\n".join([*said, "", *map(str, made.files)]))
