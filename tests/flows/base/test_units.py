import csv
import io
from contextlib import suppress
from importlib.resources import files

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.base import units
from flows.pages.reader_units import SYSTEMS
from flows.setup.sniff import heading_words
from schemas.quantities import BY_NAME
from schemas.table import SUFFIX

OTHER_WORDS = {"%": "percent", "in": "inch", "mile/hour": "mph", "km/hour": "km/h"}


@pytest.mark.parametrize(
    ("unit", "target", "written", "stored"),
    [
        # exact by definition: International Yard and Pound Agreement 1959; kelvin and Fahrenheit
        # scales as in NIST Special Publication 811
        ("inch", "mm", 1.0, 25.4),
        ("in", "mm", 2.0, 50.8),
        ("degF", "degC", 212.0, 100.0),
        ("degF", "degC", 50.0, 10.0),
        ("K", "degC", 273.15, 0.0),
        ("mph", "m/s", 1.0, 0.44704),
        ("knot", "m/s", 1.0, 1852 / 3600),
        ("hPa", "kPa", 1013.25, 101.325),
        ("m^3/m^3", "percent", 0.29, 29.0),
        ("%", "percent", 29.0, 29.0),
        ("0.1 mm", "mm", 12.0, 1.2),
        ("0.1 degC", "degC", -55.0, -5.5),
        ("kJ/m^2", "MJ/m^2", 1500.0, 1.5),
        ("uS/cm", "dS/m", 1000.0, 1.0),
        ("mV", "V", 12500.0, 12.5),
        ("1", "1", 3.0, 3.0),
    ],
)
def test_units_become_those_declared(unit, target, written, stored):
    slope, offset = units.line(unit, target)
    assert slope * written + offset == pytest.approx(stored, rel=1e-12, abs=1e-9)


@pytest.mark.parametrize("unit", ["foo", "kg", "mm mm mm(", "__import__('os').getcwd()"])
def test_what_is_no_length_is_refused_in_words(unit):
    with pytest.raises(ValueError, match=r"is not a unit|cannot be turned"):
        units.line(unit, "mm")


@given(st.floats(-80, 130))
def test_fahrenheit_keeps_its_digits(value):
    slope, offset = units.line("degF", "degC")
    assert (slope * value + offset) * 9 / 5 + 32 == pytest.approx(value, abs=1e-9)


@pytest.mark.parametrize("unit", sorted({unit for unit in SUFFIX if unit not in ("", "1")}))
def test_a_unit_that_stays_needs_no_conversion_and_has_none(unit: str) -> None:
    quantity = units.registry().Quantity(10.0, unit).to(unit)
    slope, zero = units.line(unit, unit)
    assert slope * 10.0 + zero == quantity.magnitude


def pairs():
    """Yield the units that loggers write and pages show, with what each becomes."""
    for name, quantity in BY_NAME.items():
        measured_in = heading_words.MEASURED_IN[heading_words.family(name)]
        words = {*measured_in, *(w for w, unit in OTHER_WORDS.items() if unit in measured_in)}
        yield from ((unit, quantity.unit) for unit in words)
    yield from ((unit, "cm") for unit in ("mm", "m", "inch", "in", "ft"))
    for system in SYSTEMS.values():
        for unit, (to, *_) in system.items():
            yield from ((unit, to.replace("bushel", one)) for one in ("kg", "lb") if "bushel" in to)
            yield from [(unit, to)] if "bushel" not in to else ()


def test_the_lines_that_are_kept_are_those_of_pint_and_of_all_usual_units():
    """Compared with pint to the last bit; a unit that is added brings its line along."""
    text = io.StringIO()
    lines = csv.writer(text, lineterminator="\n")
    lines.writerow(("unit", "target", "slope", "offset"))
    for unit, target in sorted({(unit, target) for unit, target in pairs() if unit != target}):
        with suppress(ValueError):  # power is no energy, though both are radiation
            lines.writerow((unit, target, *map(repr, units.by_pint(unit, target))))
    kept = (files("flows.base") / "unit_lines.csv").read_text(encoding="utf-8")
    assert kept == text.getvalue(), f"flows/base/unit_lines.csv has to be:\n{text.getvalue()}"
