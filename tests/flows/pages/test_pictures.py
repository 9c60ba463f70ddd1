"""Pictures against golden ones, by tolerance; made from fixed rows, so only the drawing can differ.

Golden pictures are written anew with: python -m tests.flows.pages.test_pictures
"""

from __future__ import annotations

import io
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from unittest import mock

import numpy as np
import polars as pl
import pytest
from matplotlib.figure import Figure
from matplotlib.image import imread
from matplotlib.testing.compare import compare_images
from matplotlib.text import Text

from flows.pages.cells import Cell, Picture
from flows.pages.pictures import harvest_map, rain, roots_week, style, trial, uptake, water
from flows.pages.reader_units import NBSP, Show
from flows.pages.sections import soil
from flows.pages.week import Week
from tests.flows.pages import farm

GOLDEN = Path(__file__).parent / "golden"
# Root mean square of 0 to 255; letters drawn by another version of the font library give 2 to 6.
TOLERANCE = 8.0
SHOW = Show("metric", "CAD")
FIELD, SEEDED = "Home", date(2024, 5, 1)
HARVESTED = date(2024, 8, 20)
SEASON = {
    "field": FIELD,
    "season": 2024,
    "crop": "spring wheat",
    "seeded": SEEDED,
    "harvested": HARVESTED,
}


def fixed(sign: float = 1.0) -> farm.MemoryTables:
    days = list(enumerate(farm.days(SEEDED, 112)))
    rain_day = [
        {"field": FIELD, "season": 2024, "strip": strip, "station": strip[0], "day": day}
        | {"rain_coverage": 0.0 if 40 <= i < 50 else 1.0}
        | {"season_to_date_mm": (total := more * i + 12 * np.sin(i / 9))}
        | {"season_to_date_normal_mm": 2.0 * i}
        | {"season_to_date_of_normal_pct": 100 * total / (2.0 * i) if i else None}
        for strip, more in (("treated", 1.7), ("check", 1.4))
        for i, day in days
    ]
    leads = [
        {"field": FIELD, "season": 2024, "depth_cm": 40.0, "crop": "spring wheat"}
        | {"treated_day": SEEDED + timedelta(days=34), "check_day": SEEDED + timedelta(days=50)}
        | {"lead_d": 16.0, "lead_low_d": 11.0, "lead_high_d": 20.0, "known": "both"}
        | {"treated_state": "reached", "check_state": "reached"}
    ]
    layers = [
        {"depth_cm": 10.0, "layer_top_cm": 0.0, "layer_bottom_cm": 25.0},
        {"depth_cm": 40.0, "layer_top_cm": 25.0, "layer_bottom_cm": 55.0},
        {"depth_cm": 70.0, "layer_top_cm": 55.0, "layer_bottom_cm": 85.0},
    ]
    water_left = [
        layer
        | {"probe": strip, "day": day, "field": FIELD, "strip": strip, "coverage": 1.0}
        | {
            "available_water_share": None
            if 60 <= i < 70
            else share_left(strip, layer["depth_cm"], i)
        }
        for strip in ("treated", "check")
        for layer in layers
        for i, day in days
    ]
    front = [
        {"field": FIELD, "season": 2024, "strip": strip, "day": day}
        | {"front_cm": min(75.0, i * pace)}
        | {"front_low_cm": min(70.0, i * pace * 0.85), "front_high_cm": min(80.0, i * pace * 1.15)}
        | {"deepest_passed": i * pace >= 75.0}
        for strip, pace in (("treated", 1.2), ("check", 0.8))
        for i, day in days
    ]
    months = [
        {"station": "a", "year": 2024, "month": m, "field": FIELD, "strip": "treated"}
        | {"rain_mm": 20.0 + 9 * (m % 3), "normal_mm": 45.0}
        | {"coverage": 0.7 if m == 7 else 1.0, "partial": m == 7}
        for m in range(5, 9)
    ]
    operation = {"field": FIELD, "operation_day": date(2020, 9, 20), "cost_per_ha": 80.0}
    nets = {2021 + i: sign * (-40.0 + 45 * i) for i in range(4)}
    payback = [
        operation
        | {"season": season, "cumulative_net_per_ha": net}
        | {"cumulative_low_per_ha": net - 35, "cumulative_high_per_ha": net + 35}
        for season, net in nets.items()
    ]
    return (
        farm.MemoryTables({})
        .with_rows("season", SEASON)
        .with_rows("rain_day", *rain_day)
        .with_rows("soil_water_day", *water_left)
        .with_rows("root_front_day", *front)
        .with_rows("root_lead", *leads)
        .with_rows("rain_month", *months)
        .with_rows("payback", *payback)
        .with_rows("yield_point_cleaned", *mapped())
        .with_rows("response_along", *along())
    )


def share_left(strip: str, depth_cm: float, day: int) -> float:
    less = 0.1 if strip == "treated" else 0.0
    return max(0.0, min(1.0, 1.2 - day / (60 + depth_cm) - less))


def taken() -> list[dict]:
    values = {"treated": (12.0, 30.0, 18.0), "check": (14.0, 24.0, 3.0)}
    return [
        {"field": FIELD, "season": 2024, "week_starts": date(2024, 7, 1), "strip": strip}
        | {"depth_cm": depth, "uptake_mm": mm, "uptake_error_mm": 2.5}
        | {"against": "check" if strip == "treated" else "treated"}
        for strip, row in values.items()
        for depth, mm in zip((10.0, 40.0, 70.0), row, strict=True)
    ]


def answered() -> list[dict]:
    found = {2021: (1.5, "not shown"), 2022: (6.0, "gain"), 2023: (9.0, "gain")}
    return [
        {"field": FIELD, "season": season, "response_pct": pct, "verdict": verdict}
        | {"response_kg_ha": 30 * pct, "strip": "treated", "against": "check"}
        | {"response_low_pct": pct - 4, "response_high_pct": pct + 4}
        for season, (pct, verdict) in found.items()
    ]


POOLED = {
    "practice": "deep tillage",
    "grouping": "all",
    "member": "all",
    "response_pct": 5.5,
    "verdict_low_pct": -1.0,
    "verdict_high_pct": 12.0,
}


def left(tables: farm.MemoryTables) -> Picture:
    rows = tables("soil_water_day", day=SEEDED + timedelta(days=50)).to_dicts()
    return water.left({FIELD: soil.by_depth(rows)}, SHOW)


def mapped() -> list[dict]:
    """Points on two strips side by side; some of the check strip's were left out for two reasons."""
    why = ("unlike the points near it", "the swath reaches over the strip's edge")
    return [
        {"field": FIELD, "season": 2024, "map_file": "Home 2024", "point": 20 * i + j + 1}
        | {"strip": strip, "east_m": 4.0 * j + shift, "north_m": 9.0 * i, "yield_kg_ha": 3000.0}
        | {"kept": not (left_out := strip == "check" and (i + j) % 3 == 0)}
        | {"removed_because": why[i % 2] if left_out else None, "crossed": True}
        for i in range(40)
        for j in range(10)
        for strip, shift in (("treated", -40.0), ("check", 4.0))
    ]


def along() -> list[dict]:
    return [
        {"field": FIELD, "season": 2024, "part": part, "counted_from": "south", "sections": 5}
        | {"from_m": 90.0 * (part - 1), "to_m": 90.0 * part, "response_kg_ha": gain}
        | {"response_low_kg_ha": gain - 150, "response_high_kg_ha": gain + 150}
        | {"verdict": "differs", "p": 0.01}
        for part, gain in enumerate((20.0, 60.0, 180.0, 420.0), start=1)
    ]


TITLES = {
    "rain-to-date": "Rain since seeding: 68% to 83% of normal",
    "rain-months": "Farthest from normal in June 2024: 20.0 mm of rain, normal 45.0 mm",
    "roots": "Treated roots 16 days ahead at 40 cm (11 to 20 days)",
    "water-left": "Least left below the top sensor: 60% at 40 cm, treated",
    "water-season": "Treated roots 16 days ahead at 40 cm (11 to 20 days)",
    "uptake-week": "At 70 cm treated took 18.0 mm, check 3.0 mm",
    "uptake": "At 70 cm treated took 18.0 mm, check 3.0 mm",
    "responses": "Treated minus check over all: +6% (-1% to +12%)",
    "money": "Net since the work by 2024: +95 CAD/ha",
    "yield-map": "Home 2024: the points of the yield map",
    "along": "Home 2024: the response is not the same all along the strips",
}
DRAWN: dict[str, Callable[[farm.MemoryTables], Picture]] = {
    "rain-to-date": lambda t: rain.to_date(t, Week.of(date(2024, 8, 12)), [FIELD], SHOW)[0],
    "rain-months": lambda t: rain.by_month(t, FIELD, SEEDED, HARVESTED, SHOW)[0],
    "roots": lambda t: roots_week.fronts(t, Week.of(date(2024, 7, 22)), [FIELD], SHOW)[0],
    "water-left": left,
    "water-season": lambda t: water.season(t, SEASON, SHOW)[0],
    "uptake-week": lambda _: uptake.of_week({FIELD: taken()}, SHOW),
    "uptake": lambda _: uptake.of_season(taken(), SHOW),
    "responses": lambda _: trial.responses(answered(), POOLED)[0],
    "money": lambda t: trial.money(t, FIELD, SHOW)[0],
    "yield-map": lambda t: harvest_map.of_season(t, SEASON, SHOW)[0],
    "along": lambda t: harvest_map.of_season(t, SEASON, SHOW)[1],
}


def drawn(name: str, tables: farm.MemoryTables) -> Picture:
    """The picture as PNG, whatever it is drawn to on a page."""
    real = style.image
    with mock.patch.object(style, "image", lambda figure, _kind="png": real(figure)):
        return DRAWN[name](tables)


@pytest.fixture(scope="module")
def tables() -> farm.MemoryTables:
    return fixed()


@pytest.mark.parametrize("name", DRAWN)
def test_a_picture_is_as_it_was(tables, name, tmp_path):
    actual = tmp_path / f"{name}.png"
    actual.write_bytes(drawn(name, tables).image)
    # compare_images leaves files beside the expected one: compare with a copy.
    expected = tmp_path / f"{name}-expected.png"
    expected.write_bytes((GOLDEN / f"{name}.png").read_bytes())
    assert compare_images(str(expected), str(actual), TOLERANCE) is None


def test_the_comparison_falls_where_the_picture_says_something_else(tmp_path):
    actual, expected = tmp_path / "a.png", tmp_path / "b.png"
    actual.write_bytes(drawn("money", fixed(sign=-1.0)).image)
    expected.write_bytes((GOLDEN / "money.png").read_bytes())
    assert compare_images(str(expected), str(actual), TOLERANCE) is not None


@pytest.mark.parametrize("name", DRAWN)
def test_its_title_is_a_finding_and_it_says_what_it_shows(tables, name):
    """Numbers of a title are cells of the rows that are drawn, or the page's own days."""
    found = drawn(name, tables)
    assert SHOW.phrase(found.title).replace(NBSP, " ") == TITLES[name]
    assert [part for part in found.title if isinstance(part, Cell)]
    assert len(SHOW.phrase(found.says)) > 30


@pytest.mark.parametrize(
    ("low", "high", "title"),
    [
        (-3.0, 9.0, "Neither strip's roots are clearly ahead"),
        (-12.0, -1.0, "Check roots ahead at 40 cm: lead of the treated -5 days (-12 to -1 day)"),
    ],
)
def test_a_lead_whose_interval_holds_zero_is_no_title(low, high, title):
    ends = {"lead_d": -5.0 if high < 0 else 3.0, "lead_low_d": low, "lead_high_d": high}
    given = fixed().changed(
        lambda f: f.with_columns(**{k: pl.lit(v) for k, v in ends.items()}), "root_lead"
    )
    found = DRAWN["roots"](given)
    assert SHOW.phrase(found.title).replace(NBSP, " ") == title


def test_uptake_that_is_not_clear_of_its_error_is_no_title():
    wide = [row | {"uptake_error_mm": 12.0} for row in taken()]
    found = uptake.of_season(wide, SHOW)
    assert "alike" in SHOW.phrase(found.title)


def test_a_front_that_has_passed_the_last_sensor_is_open_not_flat(tables):
    """The line ends on the day it passed, so an end in mid-picture and no flat run to the edge."""
    days = tables("root_front_day", strip="treated").sort("day")
    axes = Figure().subplots()
    _, y, opened = roots_week.line(axes, days, 1.0, color="black")
    drawn_line, mark = axes.get_lines()
    assert opened
    assert y == 75.0
    depths = list(drawn_line.get_ydata())
    assert depths.count(75.0) == 1
    assert len(depths) < days.height
    assert (mark.get_marker(), mark.get_markerfacecolor()) == ("v", "white")
    reached = days.filter(~pl.col("deepest_passed"))
    assert roots_week.line(axes, reached, 1.0, color="black")[2] is False


def pixels(picture: Picture, color: str) -> int:
    """How many pixels of a picture have a color, nearly."""
    near = [int(color[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    drawn_in = imread(io.BytesIO(picture.image))[..., :3]
    return int(np.isclose(drawn_in, near, atol=0.03).all(axis=-1).sum())


def test_what_rain_lacks_of_normal_is_shaded(tables):
    """A strip that is never short of normal leaves no shade."""
    more = pl.col("season_to_date_normal_mm") + 5
    wet = tables.changed(lambda days: days.with_columns(season_to_date_mm=more), "rain_day")
    ink = [pixels(DRAWN["rain-to-date"](t), rain.SHORT) for t in (tables, wet)]
    assert ink[0] > 5 * ink[1]


def test_the_same_rows_give_the_same_bytes(tables):
    for name in ("money", "responses"):
        assert DRAWN[name](tables) == DRAWN[name](tables)


def test_words_of_long_names_stay_inside_the_picture():
    long = [row | {"field": "Windbreak (worked once against check)"} for row in answered()]
    seen = []

    def image(figure: Figure, kind: str = "png") -> bytes:
        made = real(figure, kind)
        words = [text for text in figure.findobj(Text) if any(map(str.isalpha, text.get_text()))]
        edges = [text.get_window_extent() for text in words]
        seen.extend((edge.x0 >= 0 and edge.x1 <= figure.bbox.width) for edge in edges)
        return made

    real = style.image
    with mock.patch.object(style, "image", image):
        trial.responses(long, POOLED)
    assert len(seen) > len(long)
    assert all(seen)


def test_the_strips_stay_apart_in_black_and_white():
    """Their hues differ in lightness by a third of the way from black to white."""

    def luma(color: str) -> float:
        red, green, blue = (int(color[i : i + 2], 16) for i in (1, 3, 5))
        return (0.2126 * red + 0.7152 * green + 0.0722 * blue) / 255

    assert luma(style.CHECK) - luma(style.TREATED) > 0.25
    assert style.STROKE["treated"] != style.STROKE["check"]
    assert style.FILL["treated"] != style.FILL["check"]


def test_a_gap_is_left_open(tables):
    """Rain that was not recorded leaves no ink where the curve would run."""
    whole = tables.changed(lambda days: days.with_columns(rain_coverage=1.0), "rain_day")
    ink = [pixels(drawn("rain-to-date", t), style.TREATED) for t in (tables, whole)]
    assert ink[0] < 0.95 * ink[1]


def test_a_script_that_the_font_lacks_is_named_by_a_letter():
    assert style.legible("Поле", 0) == "Поле"
    assert style.legible("北の畑", 1) == "field B"
    assert len(style.legible("x" * 90, 0)) <= 34
    long = "North bottom: worked twice against worked once"
    assert style.in_lines(long, 0).split("\n") == [
        "North bottom: worked twice",
        "against worked once",
    ]
    assert style.in_lines("Поле", 0) == "Поле"
    assert max(len(line) for line in style.in_lines("x" * 90, 0).split("\n")) <= 26


if __name__ == "__main__":
    GOLDEN.mkdir(exist_ok=True)
    for one in DRAWN:
        (GOLDEN / f"{one}.png").write_bytes(drawn(one, fixed()).image)
