"""Saved queries with the former names of columns go on working, in any front end."""

from __future__ import annotations

from pathlib import Path

import duckdb

from flows.derive import derive
from flows.farm.folder import FarmFolder
from flows.run import steps
from flows.store import migrate, publish, query, warehouse
from schemas.catalogue import TABLES
from schemas.former_names import FORMER
from tests.flows import invented

SAVED = "SELECT probe, full_point_pct, dry_point_pct, range_share FROM {}soil_water_day"
TODAY = (
    "SELECT probe, drained_upper_limit_pct, lower_limit_pct, available_water_share "
    "FROM soil_water_day"
)


def test_former_names_say_what_todays_say(folder: FarmFolder) -> None:
    with warehouse.open_writer(folder) as con:
        invented.put_setup(con, invented.setup())
        invented.put(con, invented.readings(80, step_h=6))
        derive.derive(con)
        again = derive.derive(con)
        # A former name in a set-up table is no change of it.
        assert (again.days, again.tables) == (0, [])
    publish.publish(folder)
    with query.open_published(folder) as con:
        said = con.sql(f"{TODAY} ORDER BY ALL").fetchall()
        assert any(None not in row for row in said)
        for schema in ("", "customary."):
            assert con.sql(f"{SAVED.format(schema)} ORDER BY ALL").fetchall() == said
        for table, pairs in FORMER.items():
            for old, new in pairs.items():
                con.sql(f"SELECT {old}, {new} FROM {table}").fetchall()
    # Without this program: a plain reader of the file.
    with duckdb.connect(str(folder.published_file), read_only=True) as plain:
        assert plain.sql(f"{SAVED.format('')} ORDER BY ALL").fetchall() == said


def test_a_warehouse_with_the_former_names_is_upgraded(before: Path) -> None:
    farm = FarmFolder.at(before / "farm")
    with duckdb.connect(str(farm.published_file), read_only=True) as con:
        was = con.sql(
            "SELECT depth_cm, day, storage_mm FROM soil_water_day ORDER BY ALL"
        ).fetchall()
        assert "full_point_pct" in con.sql("FROM soil_water_day LIMIT 0").columns
    steps.turn(farm, steps=(steps.collect, steps.derive, steps.publish))
    with warehouse.open_writer(farm) as con:
        assert (
            tuple(migrate.stored_columns(con)["soil_water_day"]) == TABLES["soil_water_day"].names
        )
        assert not migrate.alters(con)
        found = con.sql("SELECT depth_cm, day, storage_mm FROM soil_water_day ORDER BY ALL")
        assert found.fetchall() == was
        con.sql(SAVED.format("")).fetchall()
