"""Every shape of layout, in every format, with every set of quantities: the same readings land.

What is true is a dictionary; each shape writes it in its own way, and the warehouse must say it again:
each key once, each value at its place, and as many values counted as were written.
"""

import io
import itertools
import json
import tomllib
from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl
import pytest
from openpyxl import Workbook

from flows.intake import merge
from flows.intake.door.admit import admit
from flows.intake.door.batch import TABLE_OF
from flows.intake.door.places import Places
from flows.store import migrate, warehouse, wide_rows
from schemas.farm.farm import Farm
from schemas.farm.layout import Layout
from schemas.quantities import BY_NAME, Instrument
from tests.flows.intake.readers.reading import chunks
from tests.flows.loggers import FARM, START, ask, drop, make, take

NAMES = {10: "a", 30: "b", 50: "c"}
DEPTHS = tuple(NAMES)
HOURS = range(3)
PLACES = Places.of(
    Farm.model_validate(
        tomllib.loads(
            FARM.replace(
                'sensors = [{depth_cm = 10}, {depth_cm = 30, name = "b"}]',
                'sensors = [{depth_cm = 10, name = "a"}, {depth_cm = 30, name = "b"}, '
                '{depth_cm = 50, name = "c"}]',
            )
        )
    )
)
SENDER = pl.DataFrame(
    {"seq": [1], "station": ["west"], "probe": ["deep"]},
).with_columns(received_at=pl.lit(datetime(2020, 7, 2, tzinfo=UTC)).cast(pl.Datetime("us", "UTC")))
SENSED = ("vwc", "soil_temp", "permittivity", "salinity", "raw")
SETS = [
    ("vwc",),
    ("soil_temp",),
    *itertools.combinations(SENSED, 2),
    ("vwc", "soil_temp", "salinity"),
    SENSED,
    ("vwc", "probe_battery"),
    ("vwc", "soil_temp", "probe_battery"),
    ("probe_battery",),
    ("vwc", "soil_temp", "air_temp", "rain"),
    (*SENSED, "probe_battery", "air_temp"),
]
SHAPES = (
    "wide by depth",
    "wide by name",
    "long series",
    "long series by depth",
    "long series by name",
    "long by depth",
    "long by name",
)
FORMATS = ("delimited", "ndjson", "json", "xlsx", "fixed")


def value(quantity: str, depth: float, hour: int) -> float:
    """A value of its own for each key and quantity, within the limits of all of them."""
    place = SENSED.index(quantity) if quantity in SENSED else 6
    return 2.0 + place + hour / 4 + depth / 100


def is_sensed(quantity: str) -> bool:
    return quantity in SENSED


def records(shape: str, quantities: tuple[str, ...]) -> list[dict[str, str]]:
    """The rows of a file: heading → cell."""
    if shape.startswith("wide"):
        return [wide_row(quantities, hour) for hour in HOURS]
    found = []
    for hour in HOURS:
        stamp = {"t": (START + timedelta(hours=hour)).strftime("%Y-%m-%d %H:%M")}
        if shape.startswith("long series"):
            found += [stamp | row for q in quantities for row in series_rows(shape, q, hour)]
            continue
        for depth in DEPTHS:
            row = stamp | {"place": NAMES[depth] if shape.endswith("name") else str(depth)}
            for q in quantities:
                at = depth if is_sensed(q) else 0
                row[q] = str(value(q, at, hour)) if is_sensed(q) or depth == 10 else ""
            found.append(row)
    return found


def wide_row(quantities: tuple[str, ...], hour: int) -> dict[str, str]:
    row = {"t": (START + timedelta(hours=hour)).strftime("%Y-%m-%d %H:%M")}
    for q in quantities:
        for depth in DEPTHS if is_sensed(q) else (0,):
            row[f"{q} {depth}" if depth else q] = str(value(q, depth, hour))
    return row


def series_rows(shape: str, q: str, hour: int) -> list[dict[str, str]]:
    if not is_sensed(q):
        return [{"what": q, "place": "", "value": str(value(q, 0, hour))}]
    if shape == "long series":
        return [{"what": f"{q} {d}", "place": "", "value": str(value(q, d, hour))} for d in DEPTHS]
    by_name = shape.endswith("name")
    return [
        {"what": q, "place": NAMES[d] if by_name else str(d), "value": str(value(q, d, hour))}
        for d in DEPTHS
    ]


def rule(shape: str, quantities: tuple[str, ...], form: str) -> Layout:
    columns: dict[str, Any] = {}
    for q in quantities:
        base = {"quantity": q}
        if not is_sensed(q) or shape in SHAPES[3:]:
            columns[q] = base
            continue
        for depth in DEPTHS:
            by_name = shape.endswith("name")
            place = {"sensor": NAMES[depth]} if by_name else {"depth_cm": depth}
            columns[f"{q} {depth}"] = base | place
    more: dict[str, Any] = {"shape": "long"} if shape.startswith("long") else {}
    if shape.startswith("long series"):
        more |= {"series_column": "what", "value_column": "value"}
    if shape in SHAPES[3:]:
        more["sensor_column" if shape.endswith("name") else "depth_column"] = "place"
    if form == "fixed":
        more |= {"header": 0, "fields": fields(shape, quantities)}
    time = {"columns": ["t"], "offset": "-06:00"}
    return Layout.model_validate(
        {"format": form, "step": "1 h", "time": time, "columns": columns} | more
    )


def fields(shape: str, quantities: tuple[str, ...]) -> dict[str, tuple[int, int]]:
    headings = records(shape, quantities)[0]
    return {name: (1 + 20 * i, 19 + 20 * i) for i, name in enumerate(headings)}


def written(form: str, rows: list[dict[str, str]]) -> bytes:
    headings = list(rows[0])
    if form == "ndjson":
        return "".join(json.dumps(row) + "\n" for row in rows).encode()
    if form == "json":
        return json.dumps(rows).encode()
    if form == "fixed":
        lines = ("".join(cell.ljust(20) for cell in row.values()) for row in rows)
        return ("\n".join(lines) + "\n").encode()
    if form == "xlsx":
        book, out = Workbook(), io.BytesIO()
        sheet = book.active
        assert sheet is not None
        for cells in [headings, *(list(row.values()) for row in rows)]:
            sheet.append(cells)
        book.save(out)
        return out.getvalue()
    return "\n".join([",".join(headings), *(",".join(row.values()) for row in rows), ""]).encode()


def truth(quantities: tuple[str, ...]) -> dict[tuple[int, float, str], float]:
    """Hour, depth (the battery's is the shallowest) and column → value."""
    found = {}
    for q, hour in itertools.product(quantities, HOURS):
        column = BY_NAME[q].column.name
        if BY_NAME[q].instrument is Instrument.STATION:
            found[hour, -1.0, column] = value(q, 0, hour)
        elif is_sensed(q):
            found |= {(hour, float(d), column): value(q, d, hour) for d in DEPTHS}
        else:
            found[hour, 10.0, column] = value(q, 0, hour)
    return found


@pytest.fixture(scope="module")
def file(tmp_path_factory):
    con = warehouse.open_file(tmp_path_factory.mktemp("shapes") / "w.duckdb")
    with warehouse.transaction(con):
        migrate.bring_up(con)
    yield con
    con.close()


@pytest.fixture
def con(file):
    file.execute("BEGIN TRANSACTION")
    yield file
    file.execute("ROLLBACK")


def landed(con, layout: Layout, data: bytes) -> tuple[dict[tuple[int, float, str], float], int]:
    """What the warehouse says after a file was landed, and how many values were counted."""
    names = pl.DataFrame({"seq": [1], "delivery": ["d"]})
    frame = pl.concat(chunk.frame for chunk in chunks(data, layout))
    found = admit(frame.select(pl.lit(1, pl.Int64).alias("seq"), pl.all()), layout, SENDER, PLACES)
    assert found.rejected.is_empty(), found.rejected
    values = 0
    for kind, new in found.readings.items():
        rows = wide_rows.joined([new], TABLE_OF[kind])
        values += merge.merge(con, kind, rows, names, PLACES.farm).values["landed"].sum()
    says: dict[tuple[int, float, str], float] = {}
    for table, depth in (("weather_reading", "-1.0"), ("soil_reading", "depth_cm")):
        rows = con.sql(f"SELECT *, {depth} AS at FROM {table}").pl()
        for row in rows.iter_rows(named=True):
            hour = round((row["time"] - datetime(2020, 6, 1, 6, tzinfo=UTC)) / timedelta(hours=1))
            for name, number in row.items():
                if number is not None and name in {q.column.name for q in BY_NAME.values()}:
                    assert (hour, row["at"], name) not in says, "a key twice"
                    says[hour, row["at"], name] = number
    return says, values


@pytest.mark.parametrize("quantities", SETS, ids=" ".join)
@pytest.mark.parametrize("shape", SHAPES)
def test_every_shape_of_layout_lands_the_same_readings(con, shape, quantities):
    rows = records(shape, quantities)
    for form in FORMATS:
        con.execute("ROLLBACK; BEGIN TRANSACTION")
        says, values = landed(con, rule(shape, quantities, form), written(form, rows))
        assert says == pytest.approx(truth(quantities)), form
        assert values == len(truth(quantities)), form


@pytest.mark.parametrize("quantities", SETS, ids=" ".join)
def test_observations_of_a_service_land_the_same_readings(con, quantities):
    columns = rule("long series", quantities, "delimited").model_dump()["columns"]
    layout = Layout.model_validate({"format": "sensorthings", "step": "1 h", "columns": columns})
    seen = [
        {
            "phenomenonTime": row["t"].replace(" ", "T") + ":00-06:00",
            "result": float(row["value"]),
            "Datastream": {"name": row["what"]},
        }
        for row in records("long series", quantities)
    ]
    says, _ = landed(con, layout, json.dumps({"value": seen}).encode())
    assert says == pytest.approx(truth(quantities))


def test_two_layouts_of_one_probe_land_in_one_window(tmp_path):
    head, tail = FARM[: FARM.index("[layouts")], FARM[FARM.index("[[sources]]") :]
    rules = "".join(
        f'[layouts.{name}]\nstep = "1 h"\ntime = {{columns = ["t"], offset = "-06:00"}}\n'
        f'[layouts.{name}.columns]\nS = {{quantity = "{name}", depth_cm = 10}}\n'
        for name in ("vwc", "soil_temp")
    )
    sources = "".join(
        tail.replace('"hourly"', f'"{name}"').replace("*.csv", f"{name}*.csv")
        for name in ("vwc", "soil_temp")
    )
    folder = make(tmp_path / "farm", head + rules + sources)
    drop(folder, "vwc.csv", ["2020-06-01 00:00,31"], heading="t,S")
    drop(folder, "soil_temp.csv", ["2020-06-01 00:00,12"], heading="t,S")
    take(folder)
    assert ask(folder, "SELECT vwc_pct, soil_temp_c FROM soil_reading") == [(31, 12)]
    assert ask(folder, "SELECT count(*) FROM quarantine") == [(0,)]


class TestAColumnOfTheWholeProbe:
    """Its battery stands once a time, with the shallowest sensor of that day."""

    WIDE = FARM.replace('"S2" =', '"B" = {quantity = "probe_battery", unit = "mV"}\n"S2" =')

    def rows(self, folder):
        return ask(
            folder,
            "SELECT hour(time AT TIME ZONE 'UTC'), depth_cm, vwc_pct, probe_battery_v "
            "FROM soil_reading ORDER BY ALL",
        )

    def test_makes_no_second_row(self, tmp_path):
        folder = make(tmp_path / "farm", self.WIDE)
        lines = [f"2020-06-01 {h:02d}:00,50,0,0.3,0.35,37{h:02d}" for h in range(2)]
        drop(folder, "a.csv", lines, heading="t,T,R,S1,S2,B")
        take(folder)
        found = self.rows(folder)
        assert [row[:3] for row in found] == [(6, 10, 30), (6, 30, 35), (7, 10, 30), (7, 30, 35)]
        assert [row[3] for row in found] == [3.7, None, 3.701, None]
        assert ask(folder, "SELECT values_in, values_landed FROM delivery") == [(10, 10)]

    def test_stands_with_the_sensor_that_was_there_that_day(self, tmp_path):
        folder = make(
            tmp_path / "farm",
            self.WIDE.replace("{depth_cm = 10}", "{depth_cm = 10, to = 2020-06-01}"),
        )
        lines = ["2020-06-01 12:00,50,0,0.3,0.35,3700", "2020-06-03 12:00,50,0,,0.35,3600"]
        drop(folder, "a.csv", lines, heading="t,T,R,S1,S2,B")
        take(folder)
        assert [row[1:] for row in self.rows(folder)] == [
            (10, 30, 3.7),
            (30, 35, 3.6),
            (30, 35, None),
        ]

    def test_two_columns_of_one_sensor_are_named(self, tmp_path):
        twice = FARM.replace('"S2" =', '"S3" = {quantity = "vwc", depth_cm = 30}\n"S2" =')
        folder = make(tmp_path / "farm", twice)
        drop(folder, "a.csv", ["2020-06-01 00:00,50,0,0.3,0.35,36"], heading="t,T,R,S1,S2,S3")
        take(folder)
        (found,) = ask(folder, "SELECT column_name, cause, expected FROM quarantine")
        assert found[1] == "two columns of one sensor"
        assert {found[0]} < {"S2", "S3"}
        assert {"S2", "S3"} - {found[0]} <= {word.strip("'") for word in str(found[2]).split()}
        assert ask(folder, "SELECT count(*) FROM soil_reading") == [(2,)]
        assert ask(folder, "SELECT values_in, values_landed, values_quarantined FROM delivery") == [
            (5, 4, 1)
        ]
