"""Former names: each stands for a declared column, and is none itself."""

import pytest

from schemas.catalogue import TABLES
from schemas.former_names import FORMER

NAMES = [(table, old, new) for table, pairs in FORMER.items() for old, new in pairs.items()]


@pytest.mark.parametrize(("table", "old", "new"), NAMES)
def test_a_former_name_stands_for_a_declared_column(table, old, new):
    assert new in TABLES[table].names
    assert old not in TABLES[table].names
    assert not TABLES[table].wide
