"""What a command loads before it does anything: start-up time, held by the modules and not by a clock."""

import json
import subprocess
import sys

import pytest

from flows.farm.folder import FarmFolder

# What takes a tenth of a second or more to load.
HEAVY = {
    "dask",
    "great_expectations",
    "httpx",
    "jinja2",
    "matplotlib",
    "numpy",
    "openpyxl",
    "pandas",
    "pandera",
    "pint",
    "polars",
    "prefect",
    "pyarrow",
    "scipy",
    "shapely",
}
PROGRAM = """
import json, sys
from flows.cli import main
try:
    main()
except SystemExit as end:
    code = end.code
print(json.dumps([code or 0, sorted({name.partition(".")[0] for name in sys.modules})]), file=sys.stderr)
"""


@pytest.mark.parametrize(
    ("words", "loads"),
    [
        (["--help"], set()),
        (["status", "FOLDER"], {"duckdb"}),
        (["status", "FOLDER", "--json"], {"duckdb"}),
        (["tables", "FOLDER"], {"duckdb"}),
        (["tables", "FOLDER", "rain_month"], {"duckdb"}),
        (["sql", "FOLDER", "FROM weather_day"], {"duckdb"}),
    ],
    ids=lambda given: " ".join(given) if isinstance(given, list) else "",
)
def test_a_command_that_only_asks_loads_nothing_heavy(sound: FarmFolder, words, loads):
    given = [str(sound.root) if word == "FOLDER" else word for word in words]
    ran = subprocess.run(
        [sys.executable, "-c", PROGRAM, *given], capture_output=True, text=True, check=True
    )
    code, modules = json.loads(ran.stderr.splitlines()[-1])
    assert code in (0, 1), ran.stderr
    assert ran.stdout
    assert (HEAVY | {"duckdb"}) & set(modules) == loads


EVERY_METHOD = """
import pkgutil, sys
from importlib import import_module
import transforms
for one in pkgutil.walk_packages(transforms.__path__, "transforms."):
    import_module(one.name)
print("scipy.stats" in sys.modules)
"""


def test_no_method_loads_the_statistics_library_before_it_is_used():
    ran = subprocess.run(
        [sys.executable, "-c", EVERY_METHOD], capture_output=True, text=True, check=True
    )
    assert ran.stdout == "False\n"
