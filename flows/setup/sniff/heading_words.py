"""Words that headings use: which quantity, which unit, which depth.

English trade words and their usual short forms; common practice, no source.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from schemas.quantities import BY_NAME

# Quantity by pattern, the first that matches wins. Patterns see the heading in lower case with
# every separator turned into a blank, and are searched as whole words.
PATTERNS: tuple[tuple[str, str], ...] = (
    ("probe_battery", r"probe (batt\w*|volt\w*)"),
    ("battery", r"batt\w*|bat|supply volt\w*|power|vbat\w*|logger volt\w*|volt(age|s)?"),
    ("permittivity", r"permit\w*|dielectric|eps(ilon)?|ka"),
    ("salinity", r"salin\w*|bulk ec|soil ec|ec|conductivity"),
    (
        "soil_temp",
        r"soil (t|temp\w*|tmp)|temp\w* soil|tsoil|t soil|soiltemp\w*|sto|ts|st|ground temp\w*|soil \w+ (t|temp\w*)",
    ),
    (
        "vwc",
        r"vwc|vw|soil (moist\w*|water\w*|vwc)|moist\w*|water content|theta|sms|sm|swc|soilmoist\w*|vol\w* water\w*|wc|m",
    ),
    ("dew_point", r"dew( point)?|dewp\w*|td|tdew"),
    ("vapour_pressure", r"vapou?r( pressure)?|vp|ea"),
    ("wind_gust", r"gust\w*|wind (speed )?(max|mx|maximum|gust|high)|ws max|max wind\w*|wsmax|wg"),
    ("wind_direction", r"wind dir\w*|winddir\w*|wd|wdir\w*|direction"),
    ("wind_speed", r"wind( speed| spd| avg| mean)*|windspeed|ws|wspd\w*|u2|wnd"),
    ("relative_humidity", r"rh\w*|rel\w* hum\w*|humid\w*|hum"),
    ("reference_et", r"eto?|et0|evapotrans\w*|ref\w* et"),
    (
        "rain",
        r"rain\w*|precip\w*|prcp|ppt|pcp|gauge|rf|p( daily)?( calc)?|tips?",
    ),
    (
        "solar_radiation",
        r"sol\w*( rad\w*)?|solarad\w*|radiation|rad|srad|rs|global( rad\w*)?|sr|slr\w*|short ?wave\w*|swin|rg|insolation",
    ),
    ("air_pressure", r"(air |atm\w* |baro\w* |station )?press\w*|baro\w*|bp|pa"),
    ("snow_depth", r"snow( depth)?|snwd|sd"),
    (
        "air_temp",
        r"air ?(t|temp\w*|tmp)?|temp\w*|tair|ta|t|tmean|tavg|tmax|tmin|t (max|min|avg|mean)|tx|tn|tmp|outside temp\w*",
    ),
)
COMPILED = tuple((name, re.compile(rf"(?<!\S)(?:{pattern})(?!\S)")) for name, pattern in PATTERNS)
HIGHEST = re.compile(r"(?<!\S)(max\w*|mx|high\w*|hi|tmax|tx)(?!\S)")
LOWEST = re.compile(r"(?<!\S)(min\w*|mn|low\w*|lo|tmin|tn)(?!\S)")
MEAN = re.compile(r"(?<!\S)(avg|mean|average|ave|smp|sample|tavg|tmean)(?!\S)")
TOTAL = re.compile(r"(?<!\S)(total|cum\w*|accum\w*|counter|running|ytd|to date)(?!\S)")
# Words that say that a column is something else than the quantity that its heading also names.
NOT_A_VALUE = re.compile(
    r"(?<!\S)(flag|qc|quality|type|status|std|stdev|sd|record|rec|count|number|error|version|vn|surface|sur|inside|panel|tmx|time of)(?!\S)"
)

UNITS: tuple[tuple[str, str], ...] = (
    ("degF", r"(deg(rees?)?|°|º|\ufffd|\?)? ?f(ahr\w*)?"),
    ("degC", r"(deg(rees?)?|°|º|\ufffd|\?)? ?c(els\w*)?"),
    ("K", r"k(elvin)?"),
    (
        "m^3/m^3",
        r"m(\^?3|³) ?/ ?m(\^?3|³)|m3 m-?3|cm(\^?3|³) ?/ ?cm(\^?3|³)|v/v|m(\^?3|³) ?m(\^-3|⁻³)",
    ),
    ("percent", r"%( ?vol\w*| ?rh| ?vwc| ?v/v)?|pct|percent|vol ?%"),
    ("0.1 mm", r"0\.1 ?mm|1/10 ?mm|tenths? (of )?mm|mm ?\* ?10"),
    ("0.01 inch", r"0\.01 ?in(ch(es)?)?|1/100 ?in(ch(es)?)?|hundredths? (of an )?in(ch(es)?)?"),
    ("mm", r"mm( ?/ ?(h|d|day|hr))?|millimet(er|re)s?"),
    ("inch", r"in(ch(es)?)?|\""),
    ("W/m^2", r"w ?/ ?m(\^?2|²)|w m-?2|wm-?2|watts?( ?/ ?m2)?|w ?m(\^-2|⁻²)"),
    ("MJ/m^2", r"mj ?/ ?m(\^?2|²)(/d(ay)?)?|mj m-?2|mj"),
    ("kJ/m^2", r"kj ?/ ?m(\^?2|²)|kj m-?2"),
    ("km/h", r"km ?/ ?h(r)?|kph|kmh|kmph"),
    ("mph", r"mph|mi ?/ ?h(r)?|miles ?/ ?h\w*"),
    ("knot", r"kn|kts?|knots?"),
    ("m/s", r"m ?/ ?s(ec)?|m s-?1|mps|ms-1"),
    ("kPa", r"kpa"),
    ("hPa", r"hpa|mbar|mb|millibars?"),
    ("inHg", r"in ?hg|inches hg"),
    ("dS/m", r"ds ?/ ?m"),
    ("mS/cm", r"ms ?/ ?cm"),
    ("uS/cm", r"[uµμ]s ?/ ?cm"),
    ("mV", r"mv|millivolts?"),
    ("V", r"v(olts?)?( ?dc)?"),
    ("degree", r"deg(rees?)?( true)?|°|º"),
    ("cm", r"cm"),
)
UNIT_PATTERNS = tuple((unit, re.compile(pattern)) for unit, pattern in UNITS)
# Units that make sense for a quantity; the first is the one it is stored in or next to it.
MEASURED_IN: dict[str, tuple[str, ...]] = {
    "temp": ("degC", "degF", "K"),
    "humidity": ("percent", "1"),
    "vwc": ("percent", "m^3/m^3"),
    "rain": ("mm", "inch", "0.1 mm", "0.01 inch"),
    "wind": ("m/s", "km/h", "mph", "knot"),
    "solar": ("W/m^2", "MJ/m^2", "kJ/m^2"),
    "pressure": ("kPa", "hPa", "inHg"),
    "battery": ("V", "mV"),
    "salinity": ("dS/m", "mS/cm", "uS/cm"),
    "direction": ("degree",),
    "snow": ("cm", "mm", "inch"),
    "et": ("mm", "inch"),
    "none": ("1",),
}
AGGREGATES = re.compile(
    r"^(avg|ave|mean|min|max|smp|sample|tot(al)?|sum|std|wvc|inst|last)\.?$", re.I
)

FAMILY: dict[str, str] = {
    "relative_humidity": "humidity",
    "vwc": "vwc",
    "rain": "rain",
    "wind_speed": "wind",
    "wind_gust": "wind",
    "wind_direction": "direction",
    "solar_radiation": "solar",
    "solar_energy": "solar",
    "air_pressure": "pressure",
    "vapour_pressure": "pressure",
    "battery": "battery",
    "probe_battery": "battery",
    "salinity": "salinity",
    "snow_depth": "snow",
    "reference_et": "et",
    "permittivity": "none",
    "raw": "none",
}


def family(quantity: str) -> str:
    """The kind of measure that a quantity is."""
    plain = quantity.removesuffix("_max").removesuffix("_min")
    return FAMILY.get(plain, "temp")


@dataclass(frozen=True, slots=True)
class Heading:
    """What a heading says: quantity, unit as written, depth and its unit, whether a running total."""

    quantity: str | None
    unit: str | None = None
    depth: float | None = None
    depth_unit: str | None = None
    total: bool = False
    mean: bool = False


BRACKETS = re.compile(r"[\[(]([^\])]*)[\])]")
DEPTH = re.compile(r"(?<![\d.])(-?\d+(?:\.\d+)?)\s*(cm|mm|inches|inch|in|\"|ft|m)?(?![\w.])")


def plain(text: str) -> str:
    """Lower case, camelCase and letters beside digits parted, separators as blanks."""
    text = re.sub(r"([a-z])([A-Z])", r"\1 \2", text)
    text = re.sub(r"[_:;,./|\-]+", " ", text)
    text = re.sub(r"(?<=[A-Za-z])(?=\d)", " ", text)
    text = re.sub(r"(?<=\d)(?=[A-Za-z])", " ", text)
    return " ".join(text.lower().split())


def unit_of(text: str) -> str | None:
    """The unit that a cell or a bracket names, None where it names none."""
    said = " ".join(text.strip().lower().split()).strip(". ")
    if not said:
        return None
    return next((unit for unit, pattern in UNIT_PATTERNS if pattern.fullmatch(said)), None)


def heading(name: str) -> Heading:
    """What a heading says."""
    inside = [found for part in BRACKETS.findall(name) if (found := unit_of(part))]
    bare = BRACKETS.sub(lambda m: " " if unit_of(m[1]) else f" {m[1]} ", name)
    unit = inside[0] if inside else None
    if unit is None:
        bare, unit = _unit_at_end(bare)
    depth, depth_unit = _depth(name if unit is None else bare)
    words = plain(bare)
    quantity = _quantity(words)
    if quantity is not None and family(quantity) not in ("temp", "vwc", "salinity", "none"):
        depth = depth_unit = None
    if quantity == "air_temp" and depth is not None and re.search(r"soil|ground", words):
        quantity = "soil_temp"
    return Heading(
        quantity, unit, depth, depth_unit, bool(TOTAL.search(words)), bool(MEAN.search(words))
    )


def _unit_at_end(name: str) -> tuple[str, str | None]:
    """A unit that closes the heading after a separator (``rain_mm``, ``Air Temp, °F``)."""
    for cut in re.finditer(r"[_,\s/.-]+", name):
        rest = name[cut.end() :]
        unit = unit_of(rest)
        short = rest.strip().islower() and len(rest.strip()) == 1 and cut[0].strip("_ ") == ""
        if unit is not None and cut.start() and not short and unit_of(name[: cut.start()]) is None:
            if re.search(r"\d\s*$", name[: cut.start()]) and unit in ("cm", "inch", "mm"):
                continue  # the unit of a depth
            return name[: cut.start()], unit
    return name, None


def _depth(name: str) -> tuple[float | None, str | None]:
    text = re.sub(r"[_:;,|]+", " ", name)
    text = re.sub(r"(?<=[A-Za-z])(?=\d)", " ", text)
    found = [(abs(float(number)), unit) for number, unit in DEPTH.findall(text)]
    with_unit = [(number, unit) for number, unit in found if unit]
    for number, unit in reversed(with_unit or found):  # the last: sensors are numbered before
        if unit or number:
            return number, {'"': "inch", "in": "inch", "inches": "inch"}.get(unit, unit or None)
    return None, None


def _quantity(words: str) -> str | None:
    if NOT_A_VALUE.search(words):
        return None
    bare = " ".join(w for w in words.split() if not re.fullmatch(r"-?\d+(\.\d+)?|cm|inch|in", w))
    for name, pattern in COMPILED:
        if pattern.search(bare):
            return _extreme(name, bare)
    return None


def _extreme(name: str, words: str) -> str:
    ends = "_max" if HIGHEST.search(words) else "_min" if LOWEST.search(words) else ""
    return f"{name}{ends}" if f"{name}{ends}" in BY_NAME else name
