"""What a yield-map export may call its columns. Swath and strip outlines are GeoJSON (RFC 7946)."""

from schemas.fieldbook.parts import Heading, Reads, Sheet


def _number(name: str, columns: tuple[str, ...], *also: str, unit: str = "") -> Heading:
    return Heading(name, columns, Reads.NUMBER, name, also, unit)


def _text(name: str, column: str, *also: str) -> Heading:
    return Heading(name, (column,), Reads.TEXT, name, also)


POINTS = Sheet(
    "yield map",
    "yield_point",
    "One row a point.",
    (
        _text("field", "field", "field name", "paddock"),
        _text("season", "season", "year", "crop year"),
        _text("date", "date", "day"),
        _text("time", "time", "timestamp", "date time", "datetime", "time stamp"),
        _number("latitude", ("latitude_deg",), "lat", unit="degree"),
        _number("longitude", ("longitude_deg",), "lon", "long", "lng", unit="degree"),
        _number("yield", ("yield_kg_ha", "yield_bu_ha"), "wet yield", "grain yield"),
        _number(
            "yield at market moisture",
            ("market_yield_kg_ha", "market_yield_bu_ha"),
            "dry yield",
            "yield dry",
            "market yield",
        ),
        _number("flow", ("flow_kg_s",), "grain flow", "mass flow", "flow rate", "grain mass flow"),
        _number(
            "seconds",
            ("interval_s",),
            "elapsed seconds",
            "elapsed time",
            "interval",
            "duration",
            unit="second",
        ),
        _number("lag", ("lag_s",), "flow delay", "grain delay", "delay", unit="second"),
        _number("moisture", ("moisture_pct",), "grain moisture", "moist", unit="percent"),
        _number("test weight", ("test_weight_kg_hl",), "bushel weight", "hectolitre weight"),
        _number("protein", ("protein_pct",), "grain protein", unit="percent"),
        _number("speed", ("speed_km_h",), "ground speed"),
        _number("distance", ("distance_m",), "distance travelled", "distance traveled", "dist"),
        _number("width", ("width_m",), "swath", "swath width", "cut width", "cutting width"),
        _number("rows", ("cut_rows",), "number of rows", "row count", "rows harvested", unit="1"),
        _number("row spacing", ("row_spacing_m",), "row width", "spacing"),
        _number("heading", ("heading_deg",), "course", "direction", unit="degree"),
        _text("strip", "strip", "side", "treatment"),
        _text("pass", "pass", "pass number", "pass no"),
    ),
)

POINT_ENDINGS = (".csv", ".txt", ".tsv")
OUTLINE_ENDINGS = (".geojson", ".json")

# Days and times that are read besides ISO 8601; first those that cannot be misread.
TIME_FORMATS = (
    "%Y-%m-%dT%H:%M:%S%.f%#z",
    "%Y-%m-%d %H:%M:%S%.f%#z",
    "%Y-%m-%dT%H:%M:%S%.f",
    "%Y-%m-%d %H:%M:%S%.f",
    "%Y-%m-%d %H:%M",
    "%Y/%m/%d %H:%M:%S%.f",
    "%d.%m.%Y %H:%M:%S%.f",
)
DAY_FIRST_FORMATS = ("%d/%m/%Y %H:%M:%S%.f", "%d-%m-%Y %H:%M:%S%.f")
MONTH_FIRST_FORMATS = ("%m/%d/%Y %H:%M:%S%.f", "%m/%d/%Y %I:%M:%S %p", "%m-%d-%Y %H:%M:%S%.f")

MAX_MAP_BYTES = 200_000_000
MAX_POINTS = 500_000
