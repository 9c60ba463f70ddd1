import pytest

from tests.bench.sniff_judge import judge
from tests.bench.sniffed import make

SEEDS = range(5000, 5016)


@pytest.mark.parametrize("seed", SEEDS)
def test_nothing_is_silently_wrong(seed):
    made = make(seed)
    verdict, _ = judge(made)
    assert verdict.wrong == (), made.description
