"""Images of a farm folder as deliveries: bands, days, rejections, rebuild, other outlines."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("exactextract")
import rasterio

from flows.books.images import extra
from flows.farm.folder import FarmFolder
from flows.run import steps
from flows.store import checksum, warehouse
from flows.trust.backup import rebuild
from tests.flows.images import outlines, two_strips, write
from tests.flows.loggers import FARM, ask, make, take

FOUND = "SELECT strip, round(vegetation_index, 3) FROM vegetation_strip ORDER BY day, strip DESC"


@pytest.fixture
def folder(tmp_path: Path) -> FarmFolder:
    made = make(tmp_path / "farm")
    made.yield_maps.mkdir()
    (made.yield_maps / "strips.geojson").write_bytes(outlines())
    return made


def image(folder: FarmFolder, name: str, bands=None, **more) -> Path:
    return write(folder.images / name, two_strips() if bands is None else bands, **more)


def total(folder: FarmFolder) -> str:
    steps.turn(folder)
    with warehouse.open_writer(folder, "looking") as con:
        return checksum.total(con)


def wrong(folder: FarmFolder) -> list[tuple[str, str]]:
    return ask(folder, "SELECT sheet, cause FROM book_problem WHERE book = 'images' ORDER BY ALL")


def test_an_index_lands_by_strip_and_again_is_nothing(folder: FarmFolder) -> None:
    path = image(folder, "drone/2024-07-01.tif")
    take(folder)
    assert ask(folder, FOUND) == [("treated", 0.6), ("check", 0.5)]
    (row,) = ask(
        folder,
        "SELECT DISTINCT field, day::VARCHAR, source, image, round(pixel_m), cloud_share, partial "
        "FROM vegetation_strip",
    )
    assert row == ("North", "2024-07-01", "drone", "drone/2024-07-01.tif", 10, 0, False)
    assert take(folder).deliveries == 0
    path.touch()
    shutil.copyfile(path, path.with_name("copy of 2024-07-01.tif"))
    assert take(folder).deliveries == 0
    shutil.rmtree(folder.images)  # a drive that is not there takes nothing back
    before = total(folder)
    assert rebuild.rebuild(folder) == before
    assert len(ask(folder, FOUND)) == 2


def test_an_image_that_is_removed_goes_and_put_back_it_counts_again(folder: FarmFolder) -> None:
    first, second = (
        image(folder, "2024-07-01.tif"),
        image(folder, "2024-07-02.tif", two_strips(0.8)),
    )
    take(folder)
    away = first.rename(folder.root / "away.tif")
    (note,) = [n for n in take(folder).notes if "removed" in n]
    assert note.startswith("images/2024-07-01.tif was removed")
    assert [row[1] for row in ask(folder, FOUND)] == [0.8, 0.5]
    assert ask(folder, "SELECT state FROM delivery WHERE source = 'images'") == [("landed",)] * 3
    assert take(folder).deliveries == 0
    second.unlink()
    assert not take(folder).wants_attention
    assert ask(folder, FOUND) == []
    rebuild.rebuild(folder)
    assert ask(folder, FOUND) == []
    away.rename(first)
    take(folder)
    assert ask(folder, FOUND) == [("treated", 0.6), ("check", 0.5)]
    first.rename(first.with_name("strip 2024-07-01.tif"))  # another name is no removal
    assert not any("removed" in n for n in take(folder).notes)
    assert ask(folder, FOUND) == [("treated", 0.6), ("check", 0.5)]


def test_what_is_archived_is_the_window_over_the_strips(folder: FarmFolder) -> None:
    """A scene of 1,000 by 1,000 pixels of noise is 4 MB; two strips of 6 by 40 pixels are a few KB."""
    scene = np.random.default_rng(2).uniform(0, 1, (1000, 1000)).astype(np.float32)
    path = image(folder, "2024-07-01.tif", scene)
    take(folder)
    ((size,),) = ask(folder, "SELECT size_bytes FROM delivery WHERE source = 'images'")
    assert path.stat().st_size > 4e6
    assert size < 30_000


def test_red_and_near_infrared_by_their_names_and_a_cloud_band(folder: FarmFolder) -> None:
    """(0.4 − 0.1) / (0.4 + 0.1) = 0.6 on treated, (0.3 − 0.1) / (0.3 + 0.1) = 0.5 on check."""
    red = np.full((60, 32), 1000, np.uint16)
    infrared = np.full((60, 32), 3000, np.uint16)
    infrared[:, :16] = 4000
    cloud = np.zeros((60, 32), np.uint16)
    cloud[:30, 16:] = 1
    infrared[:30, 16:] = 9000
    described = ("NIR", "red edge", "Red", "clouds")
    image(
        folder,
        "scene 20240701T1730.tif",
        np.stack([infrared, infrared, red, cloud]),
        described=described,
    )
    take(folder)
    assert ask(folder, FOUND) == [("treated", 0.6), ("check", 0.5)]
    ((share, partial),) = ask(
        folder, "SELECT cloud_share, partial FROM vegetation_strip WHERE strip = 'check'"
    )
    assert share == pytest.approx(19 / 38, abs=0.02)
    assert partial


def test_clear_values_of_a_class_band_and_far_strips_share_a_cut(folder: FarmFolder) -> None:
    """Classes 4 and 5 are clear, 8 is cloud; a second field lies 8 km to the east of the first."""
    apart = json.loads(outlines())
    for one in json.loads(outlines(field="Far"))["features"]:
        ring = one["geometry"]["coordinates"][0]
        one["geometry"]["coordinates"] = [[[x + 0.11, y] for x, y in ring]]
        apart["features"].append(one)
    (folder.yield_maps / "strips.geojson").write_text(json.dumps(apart))
    index = np.full((60, 900), 0.3, np.float32)
    index[:, :32] = two_strips()
    classes = np.full(index.shape, 5, np.float32)
    classes[:30] = 4
    classes[:12, :32], index[:12, :32] = 8, -0.1
    image(folder, "2024-07-01.tif", np.stack([index, classes]), described=("ndvi", "quality"))
    folder.farm_toml.write_text(FARM + "\n[image_bands.images]\nclear_values = [4, 5]\n")
    take(folder)
    found = ask(
        folder,
        "SELECT field, strip, round(vegetation_index, 3), cloud_share > 0 FROM vegetation_strip ORDER BY ALL",
    )
    assert found == [
        ("Far", "check", 0.3, False),
        ("Far", "treated", 0.3, False),
        ("North", "check", 0.5, True),
        ("North", "treated", 0.6, True),
    ]
    ((size,),) = ask(folder, "SELECT size_bytes FROM delivery WHERE source = 'images'")
    assert size < 12_000  # of 432,000 bytes


def test_bands_and_scale_of_the_farm_file(folder: FarmFolder) -> None:
    bands = (two_strips() * 10_000).astype(np.int16)
    image(folder, "far/2024-07-01.tif", np.stack([bands * 0 + 4, bands]))
    take(folder)
    assert wrong(folder) == [("far/2024-07-01.tif", "it is not known which band is what")]
    said = "\n[image_bands.far]\nindex = 2\nquality = 1\ncloud_values = [8, 9]\nscale = 0.0001\n"
    folder.farm_toml.write_text(FARM + said.replace("scale = 0.0001\n", ""))
    take(folder)
    assert wrong(folder) == [("far/2024-07-01.tif", "the index is outside −1 to 1")]
    folder.farm_toml.write_text(FARM + said)
    take(folder)
    assert wrong(folder) == []
    assert ask(folder, "SELECT count(*) FROM quarantine") == [(0,)]
    assert ask(folder, FOUND) == [("treated", 0.6), ("check", 0.5)]


def test_what_cannot_be_used_says_why_and_good_ones_beside_it_land(folder: FarmFolder) -> None:
    whole = image(folder, "2024-07-01.tif").read_bytes()
    far = rasterio.Affine(10, 0, 100_000, 0, -10, 5_000_000)
    image(folder, "far 2024-07-02.tif", transform=far)
    image(folder, "nowhere 2024-07-03.tif", crs=None)
    image(folder, "once.tif", two_strips(0.9))
    image(folder, "2024-07-05.tif", two_strips() * 100)
    cloud = np.stack([two_strips(), np.ones((60, 32), np.float32)])
    image(folder, "2024-07-06.tif", cloud, described=("ndvi", "cloud"))
    image(folder, "2099-07-06.tif", two_strips(0.7))
    (folder.images / "cut 2024-07-07.tif").write_bytes(whole[:-2000])
    (folder.images / "2024-07-08.tif").write_text('<VRTDataset rasterXSize="1" rasterYSize="1"/>')
    found = take(folder)
    assert dict(wrong(folder)) == {
        "far 2024-07-02.tif": "the image does not lie over the strips",
        "nowhere 2024-07-03.tif": "the image has no projection",
        "once.tif": "the day of the image is not known",
        "2024-07-05.tif": "the index is outside −1 to 1",
        "2024-07-06.tif": "cloud over all strips",
        "2099-07-06.tif": "the day of the image lies in the future",
        "cut 2024-07-07.tif": "the file cannot be read as GeoTIFF",
        "2024-07-08.tif": "the file cannot be read as GeoTIFF",
    }
    assert ask(folder, FOUND) == [("treated", 0.6), ("check", 0.5)]
    assert found.refused == 8
    assert found.wants_attention
    assert "8 entries of the vegetation images were rejected." in found.books[0]
    before = total(folder)
    assert rebuild.rebuild(folder) == before
    assert len(wrong(folder)) == 8


def test_renamed_with_its_day_or_whole_after_all_it_lands(folder: FarmFolder) -> None:
    path = image(folder, "once.tif")
    cut = folder.images / "2024-07-07.tif"
    whole = image(folder, "2024-07-07.tif", two_strips(0.8)).read_bytes()
    cut.write_bytes(whole[:-2000])
    take(folder)
    assert len(wrong(folder)) == 2
    path.rename(path.with_name("2024-07-01.tif"))
    cut.write_bytes(whole)
    take(folder)
    assert wrong(folder) == []
    assert [row[1] for row in ask(folder, FOUND)] == [0.6, 0.5, 0.8, 0.5]


def test_other_outlines_have_the_archive_read_again(folder: FarmFolder) -> None:
    """Without the file of the image; the strips are exchanged, so the means are."""
    image(folder, "2024-07-01.tif").rename(folder.root / "away.tif")
    shutil.move(folder.root / "away.tif", folder.images / "2024-07-01.tif")
    take(folder)
    (folder.images / "2024-07-01.tif").unlink()
    (folder.state / "images.json").unlink()  # or it would count as taken back
    said = json.loads(outlines())
    for one in said["features"]:
        one["properties"]["strip"] = {"treated": "check", "check": "treated"}[
            one["properties"]["strip"]
        ]
    (folder.yield_maps / "strips.geojson").write_text(json.dumps(said))
    take(folder)
    assert ask(folder, FOUND) == [("treated", 0.5), ("check", 0.6)]
    (folder.yield_maps / "strips.geojson").unlink()
    take(folder)
    assert ask(folder, FOUND) == []


def test_a_stac_item_beside_an_image_has_its_day(folder: FarmFolder) -> None:
    """An evening in UTC is the day before at the farm's offset of six hours."""
    image(folder, "scene.tif")
    item = {"type": "Feature", "properties": {"datetime": "2024-07-02T01:30:00Z"}}
    (folder.images / "scene.json").write_text(json.dumps(item))
    take(folder)
    assert ask(folder, "SELECT DISTINCT day::VARCHAR FROM vegetation_strip") == [("2024-07-01",)]


def test_without_outlines_or_the_extra_images_wait(folder: FarmFolder, monkeypatch) -> None:
    image(folder, "2024-07-01.tif")
    kept = (folder.yield_maps / "strips.geojson").read_bytes()
    (folder.yield_maps / "strips.geojson").unlink()
    assert any("has no outline" in note for note in take(folder).notes)
    (folder.yield_maps / "strips.geojson").write_bytes(kept)
    monkeypatch.setattr(extra, "installed", lambda: False)
    found = take(folder)
    assert found.notes.count(extra.MISSING) == 1
    assert ask(folder, FOUND) == []
    monkeypatch.undo()
    take(folder)
    assert len(ask(folder, FOUND)) == 2


def test_a_turn_derives_the_pair(folder: FarmFolder) -> None:
    image(folder, "2024-07-01.tif", two_strips(noise=0.02))
    steps.turn(folder)
    ((difference, low, high),) = ask(
        folder, "SELECT difference, difference_low, difference_high FROM vegetation_pair"
    )
    assert low < 0.1 < high
    assert difference == pytest.approx(0.1, abs=0.01)
