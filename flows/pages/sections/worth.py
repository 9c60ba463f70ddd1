"""What an operation is worth in the farmer's other measures: present value, break-even, and what if."""

import polars as pl

from flows.pages.cells import Block, Grid, Line, Row, cell, line, row_cells, say
from flows.pages.published_tables import Tables

TABLE = "payback_sensitivity"


def in_all(row: Row) -> str:
    """Return the template of the net over the area worked, with its interval; empty if not known."""
    if row["cumulative_net"] is None:
        return ""
    ends = (row["cumulative_low"], row["cumulative_high"])
    between = " ({cumulative_low:+bare} to {cumulative_high:+bare})" if None not in ends else ""
    return "{cumulative_net:+}" + between + " on {worked_ha}"


def lines(tables: Tables, field: str, season: int) -> list[Line]:
    """Say the present value, the internal rate and the break-even of the work by a season's end."""
    out = []
    for row in tables("payback", field=field, season=season).to_dicts():
        said = []
        if row["npv_per_ha"] is not None:
            rate = ", internal rate {irr_pct}" if row["irr_pct"] is not None else ""
            said.append(
                "present value on {operation_day} at {discount_rate_pct} a year: {npv_per_ha:+}"
                + rate
            )
        if row["breakeven_response_kg_ha"] is not None:
            so_far = "it would just have paid with a response of {breakeven_response_kg_ha:+} in every season"
            if row["breakeven_price_per_kg"] is not None:
                so_far += ", or at a price of {breakeven_price_per_kg}"
            said.append(so_far)
        if said:
            out.append(line("payback", row, "{field}, {practice}: " + "; ".join(said) + "."))
    return out


def sensitivity(tables: Tables, seasons: list[Row]) -> list[Block]:
    """Return what each sum by its season's end would be at other prices, responses and costs."""
    if not seasons:
        return []
    of = pl.DataFrame({name: [one[name] for one in seasons] for name in ("field", "season")})
    found = tables(TABLE).join(of, on=["field", "season"], how="semi")
    rows = found.sort("field", "operation_day", "input", "change_pct").to_dicts()
    if not rows:
        return []
    number = len({row["change_pct"] for row in rows})
    heads = [(cell(TABLE, row, "change_pct", signed=True),) for row in rows[:number]]
    body = [
        (
            *row_cells(TABLE, rows[i], "field", "operation_day", "input"),
            *(
                (cell(TABLE, row, "cumulative_net_per_ha", signed=True),)
                for row in rows[i : i + number]
            ),
        )
        for i in range(0, len(rows), number)
    ]
    caption = say("Net since the work if all prices, all responses or its cost had been other by")
    return [Grid(caption, (("Field",), ("Work",), ("What",), *heads), tuple(body))]


def budget(tables: Tables, field: str) -> list[Line]:
    """Say what each working of a field cost in all, and its own cost beside a custom rate."""
    out = []
    for row in tables("operation_budget", field=field).drop_nulls("taken").sort("day").to_dicts():
        said = ["{practice} of {day}, counted at its {taken} cost"]
        if row["cost"] is not None:
            said.append("in all {cost} on {worked_ha}")
        if row["own_cost_per_ha"] is not None and row["contract_cost_per_ha"] is not None:
            said.append("own {own_cost_per_ha}, custom rate {contract_cost_per_ha}")
        if row["own_filled_per_ha"] is not None:
            said.append(
                "own {own_filled_per_ha} with published rates by tractor hour for {filled_from}"
            )
        if row["published_own_per_ha"] is not None:
            said.append("published own cost {published_own_per_ha} ({published_own_from})")
        if row["published_rate_per_ha"] is not None:
            said.append("published custom rate {published_rate_per_ha} ({published_from})")
        if row["own_less_custom_per_ha"] is not None:
            said.append("own less custom {own_less_custom_per_ha:+}")
        out.append(line("operation_budget", row, "{field}, " + "; ".join(said) + "."))
    return out


def planned(tables: Tables, field: str, season: int) -> list[Line]:
    """Say what the last working, and a new one, should earn in a planned crop."""
    out = []
    for row in tables("planned_value", field=field, season=season).to_dicts():
        said = []
        if row["standing_per_ha"] is not None:
            said.append(
                "the work of {operation_day} should still give {standing_kg_ha:+}, worth "
                "{standing_per_ha:+} (95% interval {standing_low_per_ha:+bare} to {standing_high_per_ha:+bare})"
            )
        if row["fresh_per_ha"] is not None:
            said.append(
                "new work before it {fresh_kg_ha:+}, worth {fresh_per_ha:+} ({fresh_low_per_ha:+bare} to "
                "{fresh_high_per_ha:+bare}) in that season, at a cost of {cost_per_ha}"
            )
        if said:
            start = "{field} {season}, {crop} planned at {price_per_kg}: "
            out.append(line("planned_value", row, start + "; ".join(said) + "."))
    return out
