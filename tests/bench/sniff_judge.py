"""Is a proposed layout the true one? By what both read from the same export."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import polars as pl

from flows.base import units
from flows.farm.farm_file import standard_offset_h
from flows.intake.by_layout import join_frames
from flows.intake.door.times import read_times
from flows.intake.door.values import to_numbers
from flows.intake.readers.by_format import reader_of
from flows.intake.readers.chunk import Content
from flows.setup.sniff.finding import CannotSniff, Proposal
from flows.setup.sniff.propose import propose
from schemas.farm.layout import Layout
from schemas.quantities import BY_NAME
from tests.bench.sniffed import Made


@dataclass(frozen=True, slots=True)
class Verdict:
    """``right``: reads the truth as it stands. ``asked``: differs only where it asks, and ``cannot``:
    only where it asks what nothing in the file tells. Else what is silently ``wrong``."""

    right: bool
    asked: bool
    wrong: tuple[str, ...]
    questions: int
    cannot: bool = False
    differs: tuple[str, ...] = ()


def read(data: bytes, layout: Layout, standard_h: float) -> pl.DataFrame:
    """``time`` and, by quantity and depth, the values in SI."""
    content = Content("f", 0, lambda: iter(()), lambda: iter([data]))
    frames = [c.frame for c in reader_of(layout)(content, layout) if not c.frame.is_empty()]
    frame = join_frames(frames, layout).with_columns(seq=pl.lit(1, pl.Int64))
    frame, _ = to_numbers(frame, layout)
    frame = read_times(frame, layout, timedelta(hours=standard_h))
    columns = {}
    for name, rule in layout.columns.items():
        role = f"v:{name}" if f"v:{name}" in frame.columns else "value"
        if role not in frame.columns:
            continue
        slope, zero = units.line(
            rule.unit or BY_NAME[rule.quantity].unit, BY_NAME[rule.quantity].unit
        )
        key = f"{rule.quantity}@{rule.depth_cm:g}" if rule.depth_cm is not None else rule.quantity
        columns[f"{key}|{name}"] = frame[role] * slope + zero
    said = {role: frame[role] for role in ("series", "instrument") if role in frame.columns}
    if "depth" in frame.columns:
        slope, _ = units.line(layout.depth_unit, "cm")
        said["depth"] = (frame["depth"].cast(pl.Float64) * slope).round(1)
    return pl.DataFrame({"time": frame["time"], **columns, **said})


def judge(made: Made) -> tuple[Verdict, Proposal | None]:
    """The verdict on one export."""
    try:
        proposal = propose(made.data, made.place)
        layout = Layout.model_validate(proposal.layout)
    except CannotSniff:
        return Verdict(False, True, (), 1), None
    standard = standard_offset_h(made.place)
    truth, got = read(made.data, made.layout, standard), read(made.data, layout, standard)
    asked = {q.item for q in proposal.questions}
    differs: list[tuple[str, bool]] = []
    cannot = True
    for role in ("series", "instrument", "depth"):
        if not _same_text(truth, got, role):
            differs.append((role, f"{role}_column" in asked))
            cannot = False
    if truth["time"].to_list() != got["time"].to_list():
        shift = (
            (got["time"] - truth["time"]).drop_nulls().unique().to_list()
            if truth.height == got.height
            else []
        )
        step = timedelta(seconds=made.layout.step_s)
        what = "stamp" if shift in ([step], [-step]) and "stamp" in asked else "zone"
        ask = {"stamp", "time.zone", "time.offset", "time.format"} & asked
        differs.append((what, bool(ask)))
        cannot = cannot and _time_is_open(made, shift)
    names = {c.split("|")[1]: c for c in got.columns if "|" in c}
    for column in truth.columns[1:]:
        if "|" not in column:
            continue
        name = column.split("|")[1]
        if name not in names:
            differs.append((f"{name} left out", any(name in item for item in asked)))
            continue
        item = {f"columns.{name}.unit", f"columns.{name}.depth_cm", f"columns.{name}.counts"}
        same_kind = names[name].split("|")[0] == column.split("|")[0]
        same = same_kind and _close(truth[column], got[names[name]])
        if not same:
            depth = "depths" in asked and names[name].split("@")[0] == column.split("@")[0]
            said = f"{layout.columns[name].unit} for {made.layout.columns[name].unit}"
            differs.append((f"{name}: {said}", bool(item & asked) or depth))
            cannot = cannot and name in made.open
    wrong = tuple(what for what, was_asked in differs if not was_asked)
    different = tuple(what for what, _ in differs)
    return Verdict(not differs, not wrong, wrong, len(asked), cannot, different), proposal


def _time_is_open(made: Made, shift: list[timedelta]) -> bool:
    """Whether nothing in the file tells the truth from what was read: some hours or a step,
    all hours where not even the warmth of the day stands in it."""
    if "clock" in made.open:
        return True
    near = all(abs(s) <= timedelta(hours=3.5) for s in shift) and len(shift) == 1
    return near and made.open >= {"stamp", "zone"}


def _same_text(truth: pl.DataFrame, got: pl.DataFrame, role: str) -> bool:
    if role not in truth.columns or role not in got.columns:
        return (role in truth.columns) == (role in got.columns)
    return bool((truth[role].to_list()) == (got[role].to_list()))


def _close(a: pl.Series, b: pl.Series) -> bool:
    if a.len() != b.len() or a.null_count() != b.null_count():
        return False
    return bool(((a - b).abs() < 1e-6).fill_null(True).all())
