"""chance_words: the words of money at their edges, and a cost that is too low."""

import polars as pl
import pytest

from transforms.money.methods.chance_words import PAID, by_chance


@pytest.mark.parametrize(
    ("chance", "word", "too_cheap"),
    [
        (1.0, "paid", "cannot tell yet"),
        (0.95, "paid", "cannot tell yet"),
        (0.94, "probably paid", "cannot tell yet"),
        (0.8, "probably paid", "cannot tell yet"),
        (0.79, "cannot tell yet", "cannot tell yet"),
        (0.21, "cannot tell yet", "cannot tell yet"),
        (0.19, "probably not", "probably not"),
        (0.04, "not paid", "not paid"),
        (None, None, None),
    ],
)
def test_words(chance, word, too_cheap) -> None:
    frame = pl.DataFrame({"chance": [chance, chance], "partial": [False, True]}).cast(
        {"chance": pl.Float64}
    )
    found = frame.select(said=by_chance(pl.col("chance"), pl.col("partial"), PAID))["said"]
    assert found.to_list() == [word, too_cheap]
