import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.flags import MEANINGS, WORST_FIRST, meaning_of

FLAGS = {"T": "trace", "M": "missing", "E": "suspect", "A": "accumulated", "G": "good"}
FLAGS |= {"D01": "frozen", "D03": "suspect", "0": "good", "10": "missing", "OK": "good"}


@pytest.mark.parametrize(
    ("written", "meaning"),
    [
        (None, "good"),
        ("  ", "good"),
        ("T", "trace"),
        (" M ", "missing"),
        ("t", None),
        ("OK", "good"),  # a flag as a whole, not O and K
        ("D01,D03", "suspect"),
        ("D01; G", "frozen"),
        ("TE", "suspect"),
        ("AT", "accumulated"),
        ("0.0", "good"),
        ("10.0", "missing"),
        ("X", None),
        ("TX", None),
        ("D01,X", None),
    ],
)
def test_what_a_flag_means(written, meaning):
    assert meaning_of(written, FLAGS) == meaning


def test_a_star_stands_for_all_that_is_not_named_and_an_empty_flag_for_none():
    flags = {"": "suspect", "*": "missing", "G": "good"}
    assert [meaning_of(word, flags) for word in ("", None, "G", "Q", "GQ")] == [
        *("suspect", "suspect", "good", "missing", "missing")
    ]


def test_every_meaning_has_its_place():
    assert sorted(MEANINGS) == sorted(WORST_FIRST)


@given(st.lists(st.sampled_from("TMEAG"), min_size=1, max_size=5), st.sampled_from([",", " ", ""]))
def test_of_several_flags_the_worst_counts_in_any_order(letters, between):
    worst = min((FLAGS[letter] for letter in letters), key=WORST_FIRST.index)
    assert meaning_of(between.join(letters), FLAGS) == worst
    assert meaning_of(between.join(reversed(letters)), FLAGS) == worst
