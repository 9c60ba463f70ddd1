"""Sections of many files parsed at once read the same as each of them alone."""

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.intake.readers.chunk import Content
from flows.intake.readers.delimited import sections
from flows.intake.readers.sections import together
from tests.flows.intake.readers.reading import layout

GOOD = "2020-06-01 00:00,1.5,0.2\n2020-06-01 01:00,-2,0\n"
# Each kind of oddity stands in files of its own.
BODIES = st.sampled_from(
    [
        GOOD,
        GOOD + "\n\n",
        GOOD.removesuffix("\n"),
        GOOD + "2020-06-01 02:00,7\n",
        GOOD + "2020-06-01 02:00,7,8,9\n",
        GOOD + '2020-06-01 02:00,"7,1\n' + GOOD,
        GOOD + "2020-06-01 02:00,x,1\n",
        GOOD + "2020-06-01 02:00,inf,1\n",
        GOOD + "\n" + GOOD,
        ",,\n" + GOOD,
        "# a remark\n" + GOOD,
        GOOD + "t,T,R\n" + GOOD,
        GOOD + "t,R,T\n" + GOOD,
        "\x00\x00\n",
        "",
    ]
)


def cut(texts, rule):
    return [
        (seq, section)
        for seq, text in enumerate(texts, 1)
        for section in sections(
            Content("f", 0, lambda: iter(()), lambda t=text: iter([("t,T,R\n" + t).encode()])), rule
        )
    ]


def rows(frames):
    named = [f.select("seq", "line", "time_0", "v:T", "v:R") for f in frames if not f.is_empty()]
    return sorted((row for frame in named for row in frame.rows()), key=lambda row: row[:2])


@pytest.mark.parametrize("comment", [None, "#"])
@given(texts=st.lists(BODIES, max_size=7))
def test_as_each_alone(comment, texts):
    pieces = cut(texts, layout(comment=comment) if comment else layout())
    frames, alone = together(pieces)
    chunks = {(s, piece.first_line): piece.parsed() for s, piece in pieces}
    left = {(s, piece.first_line) for s, piece in alone}
    singly = [
        chunk.frame.with_columns(seq=pl.lit(key[0], pl.Int64))
        for key, chunk in chunks.items()
        if key not in left
    ]
    assert rows(frames) == rows(singly)
    assert all(chunks[key].faults.is_empty() for key in chunks.keys() - left)


def test_sound_files_are_not_parsed_one_by_one():
    frames, alone = together(cut([GOOD] * 50, layout()))
    assert (len(frames), alone) == (1, [])
    odd = [GOOD] * 20 + [GOOD + "half\n"] + [GOOD] * 20
    frames, alone = together(cut(odd, layout()))
    assert 21 in {seq for seq, _ in alone}
    assert len(alone) <= 2  # found by halving
    assert sum(frame.height for frame in frames) == 2 * (41 - len(alone))
