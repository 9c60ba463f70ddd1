from datetime import UTC, datetime, timedelta

import polars as pl
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from flows.base import units
from schemas.farm.layout import Layout
from schemas.quantities import BY_NAME
from tests.bench.sniff_judge import read
from tests.flows import exports

UNITS = {
    "air_temp": ["degC", "degF", "K"],
    "rain": ["mm", "inch", "0.1 mm"],
    "relative_humidity": ["percent", "1"],
    "solar_radiation": ["W/m^2"],
    "vwc": ["percent", "m^3/m^3"],
    "soil_temp": ["degC", "degF"],
}
FORMATS = (
    *("iso", "%Y-%m-%d %H:%M", "%d/%m/%Y %H:%M:%S", "%m/%d/%y %I:%M %p", "%Y%m%d%H%M", "epoch_s"),
    *("%d-%b-%Y %H:%M", "%Y %j %H%M", "epoch_ms"),
)
PAIRS = ("%Y-%m-%d %H:%M", "%Y%m%d %H%M", "%d.%m.%Y %H:%M:%S")
CLOCKS = (
    *({"offset": o} for o in ("Z", "-06:00", "+09:30", "+0545")),
    *({"zone": z} for z in ("America/Winnipeg", "Australia/Adelaide", "Europe/Berlin")),
)
# Begins near the changes of daylight saving are as likely as others.
BEGINS = (
    datetime(2020, 3, 8, 5),
    datetime(2020, 11, 1, 3),
    datetime(2021, 10, 2, 12),
    datetime(2020, 2, 28),
)


@st.composite
def layouts(draw):
    kind = draw(st.sampled_from(["delimited", "delimited", "fixed", "json", "ndjson", "xlsx"]))
    pair = draw(st.booleans()) and kind != "json"
    form = draw(st.sampled_from(PAIRS if pair else FORMATS))
    times = ["Datum", "Zeit"] if pair else ["when"]
    step = draw(st.sampled_from(["5 min", "15 min", "1 h", "3 h"]))
    quantities = draw(st.lists(st.sampled_from(list(UNITS)), min_size=1, max_size=5, unique=True))
    columns = {}
    for quantity in quantities:
        path = "deep.er." if kind in ("json", "ndjson") and draw(st.booleans()) else ""
        rule = {"quantity": quantity, "unit": draw(st.sampled_from(UNITS[quantity]))}
        if quantity in ("vwc", "soil_temp"):
            rule["depth_cm"] = draw(st.sampled_from([5, 10, 90]))
        columns[f"{path}{quantity} x"] = rule
    missing = draw(st.sampled_from(["", "NAN", "-9999", "--", "7999"]))
    layout = {
        "format": kind,
        "step": step,
        "stamp": draw(st.sampled_from(["end", "start"])),
        "time": {"columns": times, "format": form, **draw(st.sampled_from(CLOCKS))},
        "columns": columns,
        "missing": [] if missing in ("", "NAN", "--") else [float(missing)],
    }
    if missing in ("NAN", "--"):
        layout["missing"] = [missing]
    if draw(st.booleans()) and kind != "xlsx":
        layout |= {"shape": "long", "series_column": "which", "value_column": "what"}
    if kind == "delimited":
        layout["delimiter"] = draw(st.sampled_from([",", ";", "tab", "|"]))
        decimal = draw(st.sampled_from([".", ","])) if layout["delimiter"] != "," else "."
        layout["decimal"] = decimal
        layout["thousands"] = draw(st.sampled_from(["", "'" if decimal == "." else "."]))
        layout["encoding"] = draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]))
    preamble = ()
    if kind in ("delimited", "fixed", "xlsx") and draw(st.booleans()):
        preamble = ("made by a logger", "number 7")
        layout["skip"] = 2
    if kind == "json":
        layout["records"] = draw(st.sampled_from(["", "data", "a.b"]))
    if kind == "fixed":
        names = [*times, *(("which", "what") if "shape" in layout else columns)]
        layout["fields"] = {n: [1 + 30 * i, 30 + 30 * i] for i, n in enumerate(names)}
    how = {
        "missing": missing,
        "preamble": preamble,
        "end": draw(st.sampled_from(["\n", "\r\n"])),
        "packed": draw(st.sampled_from(["", "gzip", "zip"])),
    }
    return Layout.model_validate(layout), how


@settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=list(HealthCheck),
    phases=[Phase.explicit, Phase.generate],
)
@given(data=st.data(), drawn=layouts(), begin=st.sampled_from(BEGINS))
def test_what_is_written_by_a_layout_is_read_back_by_it(data, drawn, begin):
    layout, how = drawn
    rows = 40
    times = [
        begin.replace(tzinfo=UTC) + timedelta(seconds=layout.step_s * (i + 1)) for i in range(rows)
    ]
    value = (
        st.none()
        | st.integers(0, 90).map(float)
        | st.floats(0.1, 1200.0).map(lambda x: round(x, 3))
    )
    truth = pl.DataFrame(
        {
            "time": pl.Series(times, dtype=pl.Datetime("us", "UTC")),
            **{
                n: pl.Series(
                    data.draw(st.lists(value, min_size=rows, max_size=rows)), dtype=pl.Float64
                )
                for n in layout.columns
            },
        }
    )
    got = read(exports.write(truth, layout, **how), layout, 0.0)
    for name in layout.columns:
        mine = got
        if layout.shape == "long":
            mine = got.filter(pl.col("series") == name)
        assert mine["time"].to_list() == times
        written = mine[next(c for c in got.columns if c.endswith(f"|{name}"))]
        assert same(written, in_si(truth[name], layout, name)), name


def in_si(values, layout, name):
    rule = layout.columns[name]
    slope, zero = units.line(rule.unit, BY_NAME[rule.quantity].unit)
    return values * slope + zero


def same(a, b):
    return a.null_count() == b.null_count() and bool(((a - b).abs() < 1e-9).fill_null(True).all())
