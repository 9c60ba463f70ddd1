import numpy as np
import polars as pl
import pytest

from demo_warehouse.simulator import judge, sensors
from schemas import generated
from schemas.catalogue import TABLES


@pytest.fixture(scope="module")
def pair():
    return list(judge.strip_seasons([21, 22], faults=("stuck", "gap", "step")))


def test_a_site_season_is_the_same_alone_and_among_others(pair):
    alone = judge.strip_season(22, faults=("stuck", "gap", "step"))
    for name, frame in pair[1].tables.items():
        assert frame.equals(alone.tables[name]), name
    assert alone.truth.root.equals(pair[1].truth.root)
    assert not pair[0].tables["soil_reading"].equals(alone.tables["soil_reading"])


def test_tables_are_as_declared(pair):
    for name, frame in pair[0].tables.items():
        generated.check(TABLES[name]).validate(frame)


def test_the_season_is_the_sum_of_its_days_and_closes(pair):
    for site in pair:
        season = site.truth.season
        used = season["rain_mm"] - season["runoff_mm"]
        stored = season["storage_seeding_mm"] - season["storage_harvest_mm"]
        deeper = site.truth.uptake.join(
            site.tables["season"].select("seeded", "harvested"), how="cross"
        ).filter(pl.col("day").is_between(pl.col("seeded"), pl.col("harvested"), closed="right"))
        layers = deeper.group_by("strip", maintain_order=True).agg(pl.col("uptake_mm").sum())
        water = season["evaporation_mm"] + layers["uptake_mm"]
        balance = used + stored - season["drainage_mm"] - water
        assert balance.to_numpy() == pytest.approx(np.zeros(2), abs=3.0)  # what stood in the pond


def test_readings_follow_the_truth_within_the_sensors_errors():
    quiet = sensors.Logger(
        resolution_pct=0,
        noise_pct=0,
        offset_pct=0,
        gain_share=0,
        temperature_pct_c=0,
        drift_pct_year=0,
        dropout_share=0,
    )
    site = judge.strip_season(4, logger=quiet)
    probe = site.tables["probe_spell"]["probe"][0]
    reading = site.tables["soil_reading"].filter(
        (pl.col("probe") == probe) & (pl.col("depth_cm") == 30) & (pl.col("soil_temp_c") > 1)
    )
    layer = site.truth.layer.filter(
        (pl.col("strip") == "treated") & (pl.col("depth_cm") == 30)
    ).join(reading, on="time")
    # the layer is 20 to 40 cm, the sensor's own slice 25 to 35
    apart = (layer["storage_mm"] - layer["vwc_pct"] * 2).abs()
    assert apart.median() < 1.5
    assert reading["vwc_pct"].max() <= 50


def test_logger_options_are_kept():
    coarse = sensors.Logger(step_min=15, resolution_pct=0.5, dropout_share=0.1)
    site = judge.strip_season(4, logger=coarse)
    reading = site.tables["soil_reading"]
    steps = reading["vwc_pct"] / 0.5
    assert (steps - steps.round()).abs().max() < 1e-6
    assert reading["interval_s"].unique().to_list() == [900.0]
    full = judge.DAYS * 96 * 10
    assert 0.88 * full < reading.height < 0.92 * full


def test_declared_faults_are_in_the_readings(pair):
    for site in pair:
        assert sorted(site.truth.faults["fault"]) == ["gap", "step", "stuck"]
        for fault in site.truth.faults.iter_rows(named=True):
            inside = site.tables["soil_reading"].filter(
                pl.col("probe").str.ends_with(fault["strip"])
                & (pl.col("depth_cm") == fault["depth_cm"])
                & pl.col("time").is_between(fault["from"], fault["to"])
            )
            if fault["fault"] == "gap":
                assert inside.is_empty()
            if fault["fault"] == "stuck":
                assert inside["vwc_pct"].n_unique() <= 2


def test_faults_and_soils_that_are_not_known_are_refused():
    with pytest.raises(KeyError):
        judge.strip_season(1, faults=("gremlin",))
    with pytest.raises(KeyError):
        judge.strip_season(1, soil="cheese")
