import json
import subprocess
import sys
from pathlib import Path

import pytest

from transforms import order

MOST_MB = 800


@pytest.mark.skipif(sys.platform == "win32", reason="the peak of a process is asked of POSIX")
def test_forty_years_of_a_field_take_little_memory() -> None:
    """A join of all days with all seasons or events of a field would take gigabytes."""
    ran = subprocess.run(
        [sys.executable, "-m", "tests.transforms.forty_years"],
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
    )
    made = [json.loads(line) for line in ran.stdout.splitlines()]
    assert ran.returncode == 0, (made[-1:], ran.stderr)
    assert [name for name, _, _ in made] == [*order.DAILY, *order.DERIVED]
    assert next((name for name, _, peak in made if peak > MOST_MB), None) is None
    rows = {name: rows for name, rows, _ in made}
    assert rows["soil_water_day"] > 80_000
    assert rows["rain_event"] > 300
    assert rows["water_use_season"] == 80
