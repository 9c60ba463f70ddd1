"""Texts of rows: what several rows say is told once."""

import polars as pl

from transforms.methods.texts import each_once


def test_each_part_of_several_texts_is_told_once_in_their_order() -> None:
    said = ["b", "b; part of the day", None, "a; b", "c"]
    rows = pl.DataFrame({"at": [1] * 5 + [2, 2], "text": [*said, None, None]})
    told = rows.group_by("at", maintain_order=True).agg(each_once(pl.col("text")).alias("cause"))
    assert told["cause"].to_list() == ["b; part of the day; a; c", ""]
