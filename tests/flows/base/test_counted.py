import pytest

from flows.base.plain_text import counted, noun


@pytest.mark.parametrize(
    ("number", "one", "said"),
    [
        (1, "row", "1 row"),
        (0, "file", "0 files"),
        (1204, "entry", "1,204 entries"),
        (2, "pass", "2 passes"),
    ],
)
def test_a_count_has_its_noun(number, one, said):
    assert counted(number, one) == said
    assert said.endswith(noun(number, one))
