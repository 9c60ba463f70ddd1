"""Rows of the published copy that are gone: published with a known reason, or held back."""

import pytest

from flows.base.errors import Attention
from flows.farm.folder import FarmFolder
from flows.store import publish, publish_guard, published, query, warehouse
from flows.store.publish_guard import Content
from schemas import generated
from schemas.catalogue import TABLES
from tests.flows import invented

STORE = generated.store(TABLES["weather_reading"])
ROWS = "SELECT count(*) FROM weather_reading"


@pytest.fixture
def station(folder: FarmFolder) -> str:
    """A station of a farm whose readings are published."""
    with warehouse.open_writer(folder) as con:
        invented.put_setup(con, invented.setup())
        invented.put(con, invented.readings(2, step_h=6))
        name = str(con.sql("SELECT min(station) FROM weather_reading").fetchall()[0][0])
    publish.publish(folder)
    return name


def lose(folder: FarmFolder, sql: str, *explained: str) -> None:
    with warehouse.open_writer(folder) as con:
        con.execute(sql)
        if explained:
            publish_guard.explain_loss(con, *explained)
        warehouse.changed(con)


def rows(folder: FarmFolder, sql: str = ROWS) -> int:
    with query.open_published(folder) as con:
        return int(con.sql(sql).fetchall()[0][0])


def test_readings_lost_without_a_reason_are_held_back_until_somebody_accepts(
    folder: FarmFolder, station: str
) -> None:
    before = rows(folder)
    lose(folder, f"DELETE FROM {STORE} WHERE station = '{station}'", "station another")
    for _ in range(2):
        with pytest.raises(Attention, match=f"station {station}: 0 of 8 rows") as held_back:
            publish.publish(folder)
        assert f"checkstrip publish {folder.root} --accept-loss" in str(held_back.value)
    assert rows(folder) == before
    assert publish.publish(folder, accept_loss=True).new
    assert rows(folder) == before - 8
    assert not publish.publish(folder).new


def test_a_known_reason_lets_it_through_once(folder: FarmFolder, station: str) -> None:
    first, second = (
        f"DELETE FROM {STORE} WHERE station = '{station}' AND time {than} (SELECT min(time) FROM {STORE})"
        for than in ("=", ">")
    )
    lose(folder, first, f"station {station}")
    assert publish.publish(folder).new
    lose(folder, second)
    with pytest.raises(Attention, match=station):
        publish.publish(folder)


def test_a_set_up_table_may_lose_rows_only_by_what_wrote_it(
    folder: FarmFolder, station: str
) -> None:
    lose(folder, f"DELETE FROM station_spell WHERE station = '{station}'")
    with pytest.raises(Attention, match="station_spell"):
        publish.publish(folder)
    lose(folder, "SELECT 1", "station_spell")
    assert publish.publish(folder).new


def test_new_rows_and_a_copy_that_nobody_can_read_are_no_reason_to_hold_back(
    folder: FarmFolder, station: str
) -> None:
    folder.published_file.chmod(0o600)
    folder.published_file.write_bytes(b"rotten" * 10_000)
    lose(folder, f"DELETE FROM {STORE} WHERE station = '{station}'")
    assert publish.publish(folder).new
    assert rows(folder) > 0


def test_what_is_noted_of_the_copy_is_what_it_holds(folder: FarmFolder, station: str) -> None:
    noted = published.recorded(folder)
    with query.open_published(folder) as con:
        held = Content.of(con)
    assert Content(noted.rows, noted.facts) == held
    assert held.rows[f"station {station}"] == 8


def test_without_the_note_the_copy_itself_is_asked(folder: FarmFolder, station: str) -> None:
    published.record_file(folder).unlink()
    lose(folder, f"DELETE FROM {STORE} WHERE station = '{station}'", "station another")
    with pytest.raises(Attention, match=f"station {station}: 0 of 8 rows"):
        publish.publish(folder)
