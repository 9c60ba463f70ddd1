"""Commands that write pages: digest, report.

Imports inside functions are for start-up time.
"""

from __future__ import annotations

from typing import Annotated

import typer

from flows.base.errors import UserError
from flows.cli.base import AsJson, Folder, app, farm_folder, hand_json, hand_over, say


@app.command()
def digest(
    folder: Folder,
    week: Annotated[
        str | None, typer.Option(metavar="WEEK", help="as in 2025-W23; else the last whole week")
    ] = None,
    send: Annotated[bool, typer.Option("--send", help="mail it to the readers")] = False,
    preview: Annotated[
        bool, typer.Option("--preview", help="print it as plain text, save nothing")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Write or mail the weekly digest.

    The page is made from the published copy and saved in digests/. The mail is its first screen: a
    line, a table, what to do, two pictures. A week is mailed to a reader once; --send tries again what
    waits or was rejected. Exit 1 if a letter still waits or was rejected.

    \b
    Examples:
      checkstrip digest my_farm
      checkstrip digest my_farm --week 2025-W23 --preview
      checkstrip digest my_farm --send
    """
    from dataclasses import asdict

    from flows.farm import farm_file
    from flows.pages.digest import write
    from flows.pages.mail.send import send as send_waiting
    from flows.pages.week import Week

    if send and preview:
        raise UserError("Choose one of --send and --preview.")
    farm = farm_folder(folder)
    chosen = Week.named(week) if week else write.last_week(farm)
    if preview:
        hand_over(write.preview(farm, chosen))
        return
    mail = farm_file.load(farm.farm_toml).mail
    if send and mail is None:
        raise UserError("farm.toml has no [mail] yet: it names the server, the sender and readers.")
    done = write.write(farm, chosen, mail if send else None)
    lines = [str(path) for path in done.paths]
    sent = None
    if send and mail is not None:
        lines += [
            f"{letter.reader} has it since {letter.sent_at}; not sent again."
            for letter in done.letters
            if letter.state == "sent"
        ]
        sent = send_waiting(farm, mail, all_now=True)
        lines.append(str(sent))
    if as_json:
        hand_json({"week": done.week, "files": done.paths, "sent": sent and asdict(sent)})
    else:
        say("\n".join(lines))
    if sent and (sent.waiting or sent.refused):
        raise typer.Exit(1)


@app.command()
def report(
    folder: Folder,
    season: Annotated[
        int | None, typer.Option(metavar="YEAR", help="one season; else all years")
    ] = None,
    brief: Annotated[
        bool, typer.Option("--brief", help="one page for a landlord, a neighbor or a bank")
    ] = False,
    workbook: Annotated[
        bool, typer.Option("--workbook", help="the evidence as .xlsx, for an adviser")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Write the season report.

    Page one says what each field earned and what next; then each field has a page, then come the
    practice over the years and an appendix. It opens without a network, prints on A4 or Letter and
    is saved in reports/. --brief and --workbook write another file in its place.

    \b
    Examples:
      checkstrip report my_farm --season 2025
      checkstrip report my_farm
      checkstrip report my_farm --brief
      checkstrip report my_farm --workbook
    """
    from flows.pages.report import write

    if brief and workbook:
        raise UserError("Choose one of --brief and --workbook.")
    made = write.write_brief if brief else write.write_workbook if workbook else write.write
    path = made(farm_folder(folder), season)
    if as_json:
        hand_json({"file": path})
    else:
        say(str(path))
