"""Tables of the appendix, strip beside strip: the passes compared, water, roots and uptake by depth."""

import polars as pl

from flows.pages.cells import Block, Part, Phrase, Row, cell, grid, joined, say, say_row
from flows.pages.published_tables import Tables
from flows.pages.sections import short
from flows.pages.sections.soil import STRIPS

_LISTED = 16  # passes; a combine that crosses the strips makes a hundred
_IN_MAP = say("as the picture of the map shows")
_PASS_HEADS = ("Season", "Field", "Strip", "Measured by", "Yield", "Moisture", "Passes by block")
_DEPTH_HEADS = (
    "Field",
    "Depth",
    "Reached, treated",
    "Check",
    "Lead",
    "Taken up, treated",
    "Check",
)
_GROUND_HEADS = ("Season", "Map", "Strip", "Mean", "Standard deviation")
_BY_GROUND_HEADS = ("Season", "Map", "Ground", "Map's value", "Response", "Of the whole map")
_BY_GROUND = {
    "differs": say("the response is not the same on all ground"),
    "not shown": say("a difference between kinds of ground is not shown"),
    "too few": say("too few sections for an interval"),
}
_WATER_HEADS = ("Field", "Water", "Treated", "Check", "Treated against check")


def passes(tables: Tables, seasons: list[Row]) -> list[Block]:
    """Return the yield of each strip by each method with its standard error, and its passes by block."""
    rows, known = [], []
    for season in seasons:
        found = tables("strip_yield", field=season["field"], season=season["season"])
        whole = found.filter(
            (pl.col("pass") == "all")
            & ((pl.col("method") == "combined") | pl.col("methods_disagree").fill_null(False))
        ).sort("strip", "method", descending=[True, False])
        used = found.filter((pl.col("pass") != "all") & pl.col("used")).sort("block", "pass")
        for row in whole.to_dicts():
            own = used.filter(pl.col("strip") == row["strip"]).to_dicts()
            rows.append(_strip(row, own if row["method"] == "combined" else []))
            known.append(("strip_yield", row))
    caption = say(
        "Yield of the strips at market moisture, and of the passes compared block by block"
    )
    return [grid(caption, _PASS_HEADS, rows, short.partial_notes(known))] if rows else []


def _strip(row: Row, own: list[Row]) -> tuple[Phrase, ...]:
    methods = {one["method"]: one for one in own}.values()
    error = " (± {yield_se_kg_ha:bare})" if row["yield_se_kg_ha"] is not None else ""
    by_block = [say_row("strip_yield", one, "{block}: {yield_kg_ha:bare}") for one in own[:-1]]
    by_block += [say_row("strip_yield", one, "{block}: {yield_kg_ha}") for one in own[-1:]]
    return (
        *((cell("strip_yield", row, name),) for name in ("season", "field", "strip")),
        joined([(cell("strip_yield", one, "method"),) for one in methods or [row]]),
        say_row("strip_yield", row, "{yield_kg_ha}" + error),
        short.value("strip_yield", row, "moisture_pct"),
        _IN_MAP if len(own) > _LISTED else joined(by_block, last=", ") or short.UNKNOWN,
    )


def depths(tables: Tables, seasons: list[Row]) -> list[Block]:
    """Return the day of roots, the lead and the uptake at each depth of a year's seasons."""
    rows: list[tuple[Phrase, ...]] = []
    known: list[tuple[str, Row | None]] = []
    for season in seasons:
        place = {"field": season["field"], "season": season["season"]}
        leads = tables("root_lead", **place).filter(pl.col("known") != "neither").to_dicts()
        lead = {row["depth_cm"]: row for row in leads}
        taken = tables("drawdown_season", **place).drop_nulls("uptake_mm")
        for depth in sorted({*lead, *taken["depth_cm"]}):
            uptake = short.sides(taken.filter(pl.col("depth_cm") == depth))
            rows.append(_depth(lead.get(depth), uptake))
            known.append(("root_lead", lead.get(depth)))
            known += [("drawdown_season", row) for row in uptake.values()]
    caption = (
        "The day roots reached each depth, the lead with its 90% interval, and water taken up on "
        "days that both strips have, with its standard error"
    )
    return [grid(say(caption), _DEPTH_HEADS, rows, short.partial_notes(known))] if rows else []


def ground(tables: Tables, seasons: list[Row]) -> list[Block]:
    """Return what each map of the ground says of each strip: its mean and spread."""
    found = [
        row
        for season in seasons
        for row in tables("strip_ground", field=season["field"], season=season["season"])
        .sort("ground_map", pl.col("strip") != "treated", "strip")
        .to_dicts()
    ]
    rows = [
        (
            say_row("strip_ground", row, "{field} {season}"),
            *(short.value("strip_ground", row, name) for name in ("ground_map", "strip")),
            say_row("strip_ground", row, "{mean}"),
            short.value("strip_ground", row, "spread"),
        )
        for row in found
    ]
    caption = (
        "The ground under the strips: mean of each map, and its standard deviation within the strip. "
        "It explains nothing by itself, and the response is not corrected by it"
    )
    notes = short.partial_notes([("strip_ground", row) for row in found])
    return [grid(say(caption), _GROUND_HEADS, rows, notes)] if rows else []


def by_ground(tables: Tables, seasons: list[Row]) -> list[Block]:
    """Return the response on each kind of ground that the maps show under mapped strips."""
    found = [
        row
        for season in seasons
        for row in tables("response_by_ground", field=season["field"], season=season["season"])
        .sort("ground_map", "ground_low")
        .to_dicts()
    ]
    table = "response_by_ground"
    ends = ("response_kg_ha", "response_low_kg_ha", "response_high_kg_ha")
    rows = [
        (
            say_row(table, row, "{field} {season}"),
            *(short.value(table, row, name) for name in ("ground_map", "kind")),
            say_row(table, row, "{ground_low} to {ground_high}"),
            short.between(table, row, *ends),
            _BY_GROUND[row["verdict"]],
        )
        for row in found
    ]
    caption = (
        "The response by kind of ground along mapped strips, with its 95% interval; whether it differs is "
        "tested over all kinds of a map together"
    )
    notes = short.partial_notes([(table, row) for row in found])
    return [grid(say(caption), _BY_GROUND_HEADS, rows, notes)] if rows else []


def _depth(lead: Row | None, uptake: dict[str, Row]) -> tuple[Phrase, ...]:
    first = next(iter(uptake.values()), None)
    table, row = ("root_lead", lead) if lead is not None else ("drawdown_season", first)
    ends = ("lead_d", "lead_low_d", "lead_high_d")
    bounded = lead is not None and lead["lead_d"] is None
    return (
        short.UNKNOWN if row is None else say_row(table, row, "{field} {season}"),
        short.value(table, row, "depth_cm"),
        *(short.value("root_lead", lead, f"{strip}_day") for strip in STRIPS),
        _bound(lead) if bounded else short.between("root_lead", lead, *ends),
        *(_uptake(uptake.get(strip)) for strip in STRIPS),
    )


def _bound(row: Row | None) -> Phrase:
    """Return the bound of a lead that only one strip's roots tell of."""
    for end, word in (("lead_low_d", "at least"), ("lead_high_d", "at most")):
        if row is not None and row[end] is not None:
            return say_row("root_lead", row, f"{word} {{{end}:+}}")
    return short.UNKNOWN


def _uptake(row: Row | None) -> Phrase:
    if row is None:
        return short.UNKNOWN
    parts: list[Part] = [*say_row("drawdown_season", row, "{uptake_mm}")]
    if row["uptake_error_mm"] is not None:
        parts += say_row("drawdown_season", row, " (± {uptake_error_mm:bare})")
    return tuple(parts)


def water(tables: Tables, seasons: list[Row]) -> list[Block]:
    """Return recharge, capture, water use and its efficiency of a year's seasons."""
    rows: list[tuple[Phrase, ...]] = []
    known: list[tuple[str, Row | None]] = []
    for season in seasons:
        place = {"field": season["field"], "season": season["season"]}
        recharge = short.sides(tables("recharge_winter", **place).drop_nulls("recharge_mm"))
        use = short.sides(tables("water_use_season", **place))
        captured = tables.one("capture_season", days_after=2, **place)
        found = [_recharge(recharge), _captured(captured), *_used(use)]
        name = say_row("season", season, "{field} {season}")
        rows += [(name, *one) for one in found if {one[1], one[2]} != {short.UNKNOWN}]
        known += [("recharge_winter", row) for row in recharge.values()]
        known += [("capture_season", captured), *(("water_use_season", r) for r in use.values())]
    caption = say("Water, treated beside check; in brackets 95% intervals")
    return [grid(caption, _WATER_HEADS, rows, short.partial_notes(known))] if rows else []


def _recharge(rows: dict[str, Row]) -> tuple[Phrase, ...]:
    said = []
    for row in (rows.get(strip) for strip in STRIPS):
        template = "{recharge_mm}"
        if row is not None and row["recharge_share"] is not None:
            irrigated = (row["irrigation_mm"] or 0) > 0
            came = "rain, snow and irrigation" if irrigated else "rain and snow"
            template += f" ({{recharge_share}} of the {came})"
        said.append(short.UNKNOWN if row is None else say_row("recharge_winter", row, template))
    return (("Winter recharge",), *said, short.UNKNOWN)


def _captured(row: Row | None) -> tuple[Phrase, ...]:
    ends = ("difference", "difference_low", "difference_high")
    return (
        ("Rain captured",),
        *(short.value("capture_season", row, f"capture_{strip}") for strip in STRIPS),
        short.between("capture_season", row, *ends),
    )


def _used(rows: dict[str, Row]) -> list[tuple[Phrase, ...]]:
    table, efficiency = "water_use_season", "water_use_efficiency_kg_ha_mm"
    ends = ("efficiency_change_pct", "efficiency_change_low_pct", "efficiency_change_high_pct")
    change = short.between(table, next(iter(rows.values()), None), *ends)

    def both(column: str) -> list[Phrase]:
        return [short.value(table, rows.get(strip), column) for strip in STRIPS]

    return [
        (("Water used",), *both("water_use_mm"), short.UNKNOWN),
        (("Water use efficiency",), *both(efficiency), change),
    ]
