"""From a logger's files to the first day in the tables, and back."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from flows.base.errors import UserError
from flows.base.plain_text import counted
from flows.base.progress import Tick, silent
from flows.books import books, fieldbook
from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.run import steps
from flows.setup.add import added_map, asked_layout, asked_places, landed, looked, planned, written
from flows.setup.add.asked_places import Known
from flows.setup.add.looked import Look
from flows.setup.questions import Ask, Script, answered
from schemas.farm.farm import Farm
from schemas.quantities import BY_NAME

Say = Callable[[str], object]


@dataclass(slots=True)
class Added:
    """What is to be looked at after it: rejected rows, answers that nobody confirmed."""

    attention: list[str] = field(default_factory=list)


def add(
    folder: FarmFolder,
    files: Sequence[Path],
    given: Mapping[str, str | None],
    ask: Ask,
    say: Say,
    *,
    confirmed: bool = True,
    agree: Callable[[str], bool] = lambda _: True,
    tick: Tick = silent,
) -> Added:
    """Add one logger's files, or a yield map: look, ask, write farm.toml, archive and land, show the first day.

    ``given`` answers questions by their keys, ``ask`` the others; ``confirmed`` says that a person
    answers. ``agree`` is asked before anything is written. Raises UserError and Busy; nothing is
    changed then.
    """
    done = Added()
    files = _checked(files)
    if any(added_map.is_map(file) for file in files):
        if len(files) > 1:
            raise UserError("Add yield maps one at a time.")
        done.attention += added_map.add(
            folder, files[0], given, ask, say, agree, tick, confirmed=confirmed
        )
        return done
    text = written.read(folder.farm_toml)
    farm = farm_file.load(folder.farm_toml)
    seen = looked.look(files, folder)
    say("\n".join(_what_it_is(seen)))
    script = asked_layout.of_layout(seen, farm)
    likely = asked_layout.answered_layout(seen, _likely(script, given))
    shown = seen.with_layout(likely) if likely != seen.layout else seen
    first = looked.preview(shown, text)
    say("\n".join(first.lines))
    told = [key for key, value in given.items() if value is not None]
    answers = answered(script, given, ask)
    layout = asked_layout.answered_layout(seen, answers)
    if not confirmed:
        done.attention += [
            f"Not confirmed: {key} = {a}." for key, a in answers.items() if key not in told
        ]
    done.attention += _open_ends(seen, answers)
    seen = shown
    if layout != likely:
        seen = seen.with_layout(layout)
        first = looked.preview(seen, text)
        say("\n".join(["", "With these answers:", *first.lines]))
    known = _known(folder, farm)
    places = answered(asked_places.of_places(seen, known, first.first), given, ask)
    part, those = planned.part_of(seen, known, places)
    whole = written.with_part(text, part)
    say("\n".join(["", *planned.in_words(part, those), *_new_fields(known, places)]))
    if not agree("Add this?"):
        raise UserError("Nothing was changed.")
    result = landed.land(folder, text, whole, those, tick)
    say("\n".join(["", *result.lines]))
    done.attention += ["Rows were rejected: see above."] if result.rejected else []
    _show_first_days(folder, seen, places, say, tick)
    if part.source is not None:
        say(f"\nPut later files of this logger into {folder.root / str(part.source['path'])}.")
    say(f"To take it back: checkstrip add --undo {folder.root}")
    return done


def undo(folder: FarmFolder, say: Say, tick: Tick = silent) -> None:
    """Take out what was added last: layout, instruments, source, and their readings.

    The archive keeps the files. Raises UserError and Busy; nothing is changed then.
    """
    text = written.read(folder.farm_toml)
    out = written.without_last(text)
    landed.land(folder, text, out.text, (), tick)
    runs = [steps.derive(folder, tick), steps.publish(folder, tick)]
    names = [f"{kind[:-1]} {name}" for kind, some in out.names.items() for name in some]
    say(f"Took out of farm.toml: {out.what}.")
    if names:
        say(f"Gone: {', '.join(names)}, and the readings that came by them.")
    say(
        "The archive keeps the files, as it keeps everything: they count as files that no source "
        "takes until you add them again."
    )
    for run in runs:
        say(f"{run.flow}: {run.summary}")


def _likely(script: Script, given: Mapping[str, str | None]) -> dict[str, str]:
    """Return the answers that are given or proposed, for the first look."""
    found: dict[str, str] = {}
    for question in script(found):
        with suppress(UserError):  # what has no proposed answer is asked first
            found[question.key] = question.answer(given.get(question.key) or question.proposed)
    return found


def _checked(files: Sequence[Path]) -> list[Path]:
    found = [file.expanduser().resolve() for file in files]
    if not found:
        raise UserError("Name one or more files, for example: checkstrip add my_farm export.csv")
    for file in found:
        if not file.is_file():
            kind = "a folder: name the files in it" if file.is_dir() else "no file"
            raise UserError(f"{file} is {kind}.")
    return found


def _what_it_is(seen: Look) -> list[str]:
    kinds = " and ".join(f"a {kind.value}" for kind in seen.kinds)
    layout = seen.model
    lines = [
        f"{', '.join(file.name for file in seen.files)}: {kinds}, {counted(seen.rows.height, 'row')}, "
        f"a row every {layout.step}."
    ]
    for name, rule in layout.columns.items():
        if rule.optional and name not in seen.layout.get("columns", {}):
            continue
        unit = f" in {rule.unit}" if rule.unit else ""
        depth = f" at {rule.depth_cm:g} cm" if rule.depth_cm is not None else ""
        meaning = re.split("[,;]", BY_NAME[rule.quantity].column.meaning)[0]
        total = ", a running total" if rule.counts == "total" else ""
        lines.append(f"  {name}: {meaning}{unit}{depth}{total}")
    if seen.left_out:
        lines.append(f"  not used: {', '.join(seen.left_out)}")
    if seen.words:
        lines.append(f"  instruments named in it: {', '.join(seen.words)}")
    return lines


def _open_ends(seen: Look, answers: Mapping[str, str]) -> list[str]:
    """Return what was unsure and no question could settle."""
    settled = {"time.zone", "time.offset", "time.format", "stamp", "depth_column", "depths"}
    said = {f"columns.{key.partition(' ')[2]}.{key.partition(' ')[0]}" for key in answers}
    return [
        f"Please check {one.item} = {one.value}: {one.evidence}"
        for one in seen.unsure
        if one.value != "left out"
        and one.item not in settled | said
        and not one.item.endswith((".depth_cm", ".sensor"))
    ]


def _known(folder: FarmFolder, farm: Farm) -> Known:
    """Return what is known: of the field book as it stands, and of farm.toml."""
    path = books.fieldbook_path(folder, farm)
    book = {} if path is None else fieldbook.read(path).frames
    in_book = book["field"]["field"].to_list() if book else []
    spells = [spell for one in (*farm.stations, *farm.probes) for spell in one.spells]
    fields = dict.fromkeys([*in_book, *(s.field for s in spells if s.field is not None)])
    strips: dict[str, dict[str, str]] = {}
    rows = book["strip"].iter_rows(named=True) if book else ()
    for row in rows:
        strips.setdefault(row["field"], {})[row["strip"]] = row["role"] or row["strip"]
    return Known(farm, tuple(fields), strips)


def _new_fields(known: Known, places: Mapping[str, str]) -> list[str]:
    """Return a sentence if a field has another name than all that are known: it may be misspelled."""
    named = {answer for key, answer in places.items() if key.partition(" ")[0] == "field"}
    new = sorted(named - {"", *known.fields})
    if not new or not known.fields:
        return []
    return [f"The field {', '.join(new)} is new; known so far: {', '.join(known.fields)}."]


def _show_first_days(
    folder: FarmFolder, seen: Look, places: Mapping[str, str], say: Say, tick: Tick
) -> None:
    for run in (steps.derive(folder, tick), steps.publish(folder, tick)):
        say(f"{run.flow}: {run.summary}")
    farm = farm_file.load(folder.farm_toml)
    known = Known(farm, ())
    for word in seen.words or (places["instrument"],):
        for kind in seen.kinds:
            name = known.named(kind, word)
            if name is not None:
                say("\n".join(["", *landed.first_day(folder, kind.value, name)]))
