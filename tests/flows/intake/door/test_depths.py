import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.intake.door.depths import in_cm


@pytest.mark.parametrize(
    ("word", "unit", "cm"),
    [
        ("10", "cm", 10.0),
        (" -10 ", "cm", 10.0),
        ("7.5 cm", "cm", 7.5),
        ("7,5cm", "inch", 7.5),
        ("0.05", "m", 5.0),
        ("0.05 m", "cm", 5.0),
        ("4", "inch", 10.16),
        ('4"', "cm", 10.16),
        ("4 in.", "cm", 10.16),
        ("1 ft", "cm", 30.48),
        ("100 mm", "cm", 10.0),
        ("0-10 cm", "cm", 5.0),
        ("30 to 60", "cm", 45.0),
        ("20_cm", "inch", 20.0),
    ],
)
def test_depths_as_they_are_written(word, unit, cm):
    assert in_cm([word], unit) == {word: pytest.approx(cm)}


@pytest.mark.parametrize("word", ["", "deep", "10 percent", "1.2.3", "nan", None])
def test_what_is_no_depth_is_left_out(word):
    assert in_cm([word, "10"], "cm") == {"10": 10.0}


@given(st.floats(0, 1000).map(lambda x: round(x, 2)), st.sampled_from(["cm", "mm", "m"]))
def test_a_unit_in_the_cell_counts_over_the_layouts(depth, unit):
    word = f"{depth:.2f} {unit}"
    assert in_cm([word], "inch")[word] == pytest.approx(
        in_cm([f"{depth:.2f}"], unit)[f"{depth:.2f}"]
    )
