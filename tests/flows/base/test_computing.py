from __future__ import annotations

import os
import subprocess
import sys

import pytest

ASKED = """
import sys
sys.argv = ["checkstrip", "--help"]
from flows.cli import main
try:
    main()
except SystemExit:
    pass
import gc, polars
print(polars.thread_pool_size(), gc.get_threshold()[0])
"""


@pytest.mark.parametrize(("given", "threads"), [({}, "1"), ({"POLARS_MAX_THREADS": "3"}, "3")])
def test_one_thread_computes_unless_somebody_says_otherwise(
    given: dict[str, str], threads: str
) -> None:
    environ = {k: v for k, v in os.environ.items() if k != "POLARS_MAX_THREADS"} | given
    out = subprocess.run(
        [sys.executable, "-c", ASKED], env=environ, capture_output=True, text=True, check=True
    ).stdout
    number, rarely = out.split()[-2:]
    assert number == threads
    assert int(rarely) > 10_000
