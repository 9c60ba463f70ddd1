"""The words people write in a field book: units, crops, yes and no; and the bounds on a book."""

# What people write for the words of a WORD column, by column. The words themselves are the
# table's ``one_of``.
WORDS: dict[str, dict[str, str]] = {
    "strip": {
        "t": "treated",
        "trt": "treated",
        "treatment": "treated",
        "worked": "treated",
        "c": "check",
        "ck": "check",
        "control": "check",
        "untreated": "check",
        "not worked": "check",
    },
    "method": {
        "scale": "scale wagon",
        "wagon": "scale wagon",
        "weigh wagon": "scale wagon",
        "weighed": "scale wagon",
        "cart": "scale wagon",
        "map": "yield map",
        "monitor": "yield map",
        "yield monitor": "yield map",
    },
    "kind": {
        "fertilizer": "fertiliser",
        "fert": "fertiliser",
        "spraying": "spray",
        "chemical": "spray",
        "harvesting": "harvest",
        "fieldwork": "field work",
    },
}

YES = frozenset({"yes", "y", "x", "true", "1", "ja", "oui", "si", "sí"})
NO = frozenset({"no", "n", "false", "0", "nein", "non"})

# A cell with one of these says nothing.
BLANK = frozenset({"", "-", "--", "—", "–", "n/a", "na", "n.a.", "nil", "none", "?", "."})

# Rows whose field begins so are the blank workbook's examples and are passed over.
EXAMPLE = "example"

CROP_WORDS: dict[str, str] = {
    "maize": "corn",
    "grain corn": "corn",
    "soybeans": "soybean",
    "soya": "soybean",
    "soy": "soybean",
    "peas": "pea",
    "field pea": "pea",
    "field peas": "pea",
    "dry pea": "pea",
    "lentils": "lentil",
    "oat": "oats",
    "rapeseed": "canola",
    "oilseed rape": "canola",
    "durum wheat": "durum",
    "sunflowers": "sunflower",
    "linseed": "flax",
    "hrs wheat": "spring wheat",
}

# Unit words as written, in lower case, and what they are to pint. ``trade_bushel`` is the bushel
# of the grain trade, a mass that the crop list gives; ``bushel`` is the measure of volume, which
# only a test weight uses. ``gal`` is the United States gallon; write ``imp gal`` for the other.
# ``ton`` alone is left out on purpose: it is three different masses.
UNIT_WORDS: dict[str, str] = {
    "ac": "acre",
    "acre": "acre",
    "acres": "acre",
    "ha": "hectare",
    "hectare": "hectare",
    "hectares": "hectare",
    "bu": "trade_bushel",
    "bus": "trade_bushel",
    "bushel": "trade_bushel",
    "bushels": "trade_bushel",
    "imp bu": "imperial_bushel",
    "lb": "pound",
    "lbs": "pound",
    "pound": "pound",
    "pounds": "pound",
    "cwt": "(100*pound)",
    "g": "gram",
    "kg": "kilogram",
    "kgs": "kilogram",
    "kilogram": "kilogram",
    "kilograms": "kilogram",
    "t": "tonne",
    "mt": "tonne",
    "tonne": "tonne",
    "tonnes": "tonne",
    "metric ton": "tonne",
    "metric tons": "tonne",
    "short ton": "short_ton",
    "short tons": "short_ton",
    "us ton": "short_ton",
    "us tons": "short_ton",
    "q": "(100*kilogram)",
    "dt": "(100*kilogram)",
    "quintal": "(100*kilogram)",
    "ft": "foot",
    "foot": "foot",
    "feet": "foot",
    "in": "inch",
    "inch": "inch",
    "inches": "inch",
    "mm": "millimeter",
    "cm": "centimeter",
    "m": "meter",
    "metre": "meter",
    "metres": "meter",
    "meter": "meter",
    "meters": "meter",
    "km": "kilometer",
    "mi": "mile",
    "mile": "mile",
    "miles": "mile",
    "mph": "(mile/hour)",
    "kph": "(kilometer/hour)",
    "kmh": "(kilometer/hour)",
    "s": "second",
    "sec": "second",
    "h": "hour",
    "hr": "hour",
    "hrs": "hour",
    "hour": "hour",
    "hours": "hour",
    "l": "liter",
    "ltr": "liter",
    "litre": "liter",
    "litres": "liter",
    "liter": "liter",
    "liters": "liter",
    "hl": "hectoliter",
    "gal": "gallon",
    "gallon": "gallon",
    "gallons": "gallon",
    "us gal": "gallon",
    "us gallon": "gallon",
    "us gallons": "gallon",
    "imp gal": "imperial_gallon",
    "imperial gallon": "imperial_gallon",
    "imperial gallons": "imperial_gallon",
    "kpa": "kilopascal",
    "mpa": "megapascal",
    "bar": "bar",
    "psi": "psi",
    "kn": "kilonewton",
    "n": "newton",
    "lbf": "pound_force",
    "%": "percent",
    "pct": "percent",
    "percent": "percent",
    "per cent": "percent",
    "fraction": "dimensionless",
    "deg": "degree",
    "degree": "degree",
    "degrees": "degree",
    "$": "currency",
    "€": "currency",
    "£": "currency",
    "us$": "currency",
    "ca$": "currency",
    "c$": "currency",
    "a$": "currency",
    "dollar": "currency",
    "dollars": "currency",
    "euro": "currency",
    "euros": "currency",
    "¢": "(0.01*currency)",
    "cent": "(0.01*currency)",
    "cents": "(0.01*currency)",
    # codes of ISO 4217; the reader holds them against the farm's currency
    "usd": "currency",
    "cad": "currency",
    "aud": "currency",
    "nzd": "currency",
    "eur": "currency",
    "gbp": "currency",
    "ars": "currency",
    "brl": "currency",
    "zar": "currency",
    "uah": "currency",
    "pln": "currency",
    "currency": "currency",
}

# Above this no crop has been measured, rounded outwards (kg/ha). From memory of published record
# yields; no source verified. Its use is to catch a slipped decimal or unit, nothing finer.
HIGHEST_YIELD_KG_HA: dict[str, float] = {
    "spring_wheat": 18000,
    "winter_wheat": 18000,
    "durum": 16000,
    "barley": 16000,
    "oats": 14000,
    "rye": 16000,
    "canola": 9000,
    "flax": 6000,
    "corn": 42000,
    "soybean": 16000,
    "pea": 10000,
    "lentil": 6000,
    "sunflower": 8000,
}
HIGHEST_YIELD_OTHERWISE_KG_HA = 45000.0
# A pass this many times above or below the middle of its season is a slip of unit or decimal.
YIELD_SLIP = 4.0

# Bounds on a field book, so that no file can eat the computer.
MAX_FILE_BYTES = 20_000_000
MAX_UNPACKED_BYTES = 200_000_000
MAX_ROWS = 20_000
MAX_COLUMNS = 200
MAX_CELL_CHARACTERS = 2_000
