"""The command that lays out strips before the first pass: plan.

Imports inside functions are for start-up time.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from flows.cli.base import AsJson, Folder, app, farm_folder, hand_json, say


def _file(text: str, metavar: str = "FILE") -> typer.models.OptionInfo:
    option: typer.models.OptionInfo = typer.Option(metavar=metavar, help=text)
    return option


@app.command()
def plan(
    folder: Folder,
    field: Annotated[str, typer.Argument(metavar="FIELD", help="the field, as in the field book")],
    header: Annotated[str, _file("width of the combine's header, such as '30 ft'", "WIDTH")],
    implement: Annotated[
        str | None, _file("width of the implement; strips are whole passes of both", "WIDTH")
    ] = None,
    outline: Annotated[
        Path | None,
        _file("the field's outline, GeoJSON in WGS 84; else one in yieldmaps/ with its name"),
    ] = None,
    corners: Annotated[
        Path | None, _file("instead: a CSV of its corners (latitude, longitude), in order")
    ] = None,
    avoid: Annotated[Path | None, _file("odd ground to leave out, GeoJSON in WGS 84")] = None,
    direction: Annotated[
        float | None,
        typer.Option(metavar="DEGREES", help="of the strips, from north; else the longest side"),
    ] = None,
    passes: Annotated[
        int, typer.Option(metavar="N", help="of the header in each strip, at least")
    ] = 1,
    border: Annotated[
        str | None, _file("left between strips and not weighed; else 3 m (10 ft)", "WIDTH")
    ] = None,
    headland: Annotated[
        str | None, _file("left free all around; else three header widths", "WIDTH")
    ] = None,
    blocks: Annotated[int, typer.Option(metavar="N", help="sets of strips side by side")] = 4,
    design: Annotated[
        Literal["pairs", "three"],
        typer.Option(help="pairs: treated, check; three: worked once, check, worked twice"),
    ] = "pairs",
    harvest: Annotated[
        Literal["along", "across"], typer.Option(help="how the combine drives")
    ] = "along",
    seed: Annotated[
        int | None, typer.Option(metavar="N", help="of the lot that draws sides; else a new one")
    ] = None,
    to: Annotated[
        Path | None, _file("where the files go; else plans/FIELD in the farm folder", "FOLDER")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Lay out strips before the first pass.

    It needs no data yet. Strips are whole header widths, blocks lie side by side, sides are drawn by
    lot; a second run keeps its lot. It writes a sheet to print (plan.html), outlines
    (strips.geojson: copy it to yieldmaps/ after the work) and rows for the field book (strips.csv).
    Have buried utilities located before any work. Exit 2 if the strips do not fit, and what would.

    \b
    Examples:
      checkstrip plan my_farm Coulee --header '30 ft' --implement '15 ft'
      checkstrip plan my_farm Coulee --header '30 ft' --outline coulee.geojson --blocks 6
      checkstrip plan my_farm Coulee --header 9.1m --corners corners.csv --design three --direction 90
    """
    from flows.setup.plan import sheet, written
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
    made, paths = written.make(farm_folder(folder), wanted, to)
    if as_json:
        hand_json({**numbers(made), "files": paths})
        return
    say("\n".join([sheet.CAUTION, "", *sheet.sentences(made), "", *map(str, paths)]))
