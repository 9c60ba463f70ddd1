"""Days that several files of one logger give differently: they may be of two observers."""

from collections.abc import Mapping
from datetime import timedelta

import polars as pl
from pydantic import ValidationError

from flows.intake.by_layout import join_frames
from flows.intake.door.times import read_times
from flows.intake.door.values import to_numbers
from flows.intake.readers.by_format import reader_of
from flows.intake.readers.chunk import Content, Unreadable
from flows.setup.sniff.finding import Finding, Proposal, Sure
from schemas.farm.layout import DAY_S, Layout

KEYS = ("instrument", "depth", "sensor", "series")


def ask(proposal: Proposal, those: Mapping[str, bytes]) -> None:
    """Add a question if files (by name) of a daily record have other values for the same day."""
    try:
        layout = Layout.model_validate(proposal.layout)
    except ValidationError:
        return  # what is asked already has to be said first
    if len(those) < 2 or layout.step_s < DAY_S:
        return
    read = {name: values(name, data, layout, timedelta()) for name, data in those.items()}
    cells = [
        frame.unpivot(
            index=["time", *(key for key in KEYS if key in frame.columns)], variable_name="column"
        )
        .drop_nulls(["time", "value"])
        .with_columns(file=pl.lit(name))
        for name, frame in read.items()
        if frame is not None and not frame.is_empty()
    ]
    if len(cells) < 2:
        return
    every = pl.concat(cells, how="diagonal")
    key = [name for name in every.columns if name not in {"value", "file"}]
    other = (
        every.group_by(key)
        .agg(pl.col("value").n_unique(), files=pl.col("file").unique().sort())
        .filter((pl.col("value") > 1) & (pl.col("files").list.len() > 1))
        .sort("time")
    )
    if other.is_empty():
        return
    days = other["time"].n_unique()
    one, two = other["files"][0].to_list()[:2]
    why = (
        f"{days:,} {'day has' if days == 1 else 'days have'} other values in another file (such as "
        f"{other['time'][0]:%Y-%m-%d} in {one} and {two}). Two observers need a station and a source "
        "each; or is one file a correction of the other?"
    )
    proposal.found.append(Finding("files", "of one observer", Sure.UNSURE, why))


def values(name: str, data: bytes, layout: Layout, standard: timedelta) -> pl.DataFrame | None:
    """Return time, what tells the instrument, and the values of a file; None if it cannot be read."""
    content = Content(name, 0, lambda: iter(()), lambda: iter([data]))
    try:
        frames = [c.frame for c in reader_of(layout)(content, layout) if not c.frame.is_empty()]
    except Unreadable:
        return None
    if not frames:
        return None
    frame, _ = to_numbers(join_frames(frames, layout).with_columns(seq=pl.lit(1, pl.Int64)), layout)
    frame = read_times(frame, layout, standard)
    numbers = [c for c in frame.columns if c == "value" or c.startswith("v:")]
    keys = [key for key in KEYS if key in frame.columns]
    return frame.select("time", *keys, *(pl.col(c).cast(pl.Float64) for c in numbers))
