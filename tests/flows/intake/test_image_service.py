"""STAC sources over real HTTP: pages, ranges of bytes, hosts, failures, rebuild from the archive."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("exactextract")
import rasterio
from rasterio.warp import Resampling, calculate_default_transform, reproject

from flows.base.errors import UserError
from flows.books.images import extra, geotiff
from flows.farm import farm_file
from flows.farm.folder import FarmFolder
from flows.intake import image_service
from flows.intake.sources import images_asked
from flows.store import warehouse
from flows.trust.backup import rebuild
from tests.flows.images import EAST, LONG, NORTH, UTM, outlines, two_strips, write
from tests.flows.loggers import FARM, ask, make, take
from tests.flows.stac import Catalog, farm_toml, serving, tiff

FOUND = "SELECT day::VARCHAR, strip, round(vegetation_index, 3) FROM vegetation_strip ORDER BY day, strip DESC"
BANDS = """[image_bands.far]
red = "red"
near_infrared = "nir"
quality = "classes"
clear_values = [4, 5]
"""


@pytest.fixture
def folder(tmp_path: Path) -> FarmFolder:
    made = make(tmp_path / "farm")
    made.yield_maps.mkdir()
    (made.yield_maps / "strips.geojson").write_bytes(outlines())
    return made


@pytest.fixture
def catalog():
    with serving() as it:
        yield it


def place(size: int) -> rasterio.Affine:
    """Square scenes of 10 m pixels with the strips in their middle."""
    half = size // 2 * 10
    return rasterio.Affine(10, 0, EAST + 60 - half, 0, -10, NORTH + LONG / 2 + half)


def scene(path: Path, treated: float = 0.6, check: float = 0.5, size: int = 100, **more):
    """Red, near infrared and classes of 20 m pixels, as three tiled files."""
    index = np.full((size, size), 0.2)
    half = size // 2
    index[half - 30 : half + 30, half - 16 : half + 16] = two_strips(treated, check)
    noise = np.random.default_rng(3).integers(0, 9, index.shape)  # so that files stay large
    red = np.full(index.shape, 1000.0) + noise
    bands = {"red": red, "nir": red * (1 + index) / (1 - index)}
    kept = {"tiled": True, "blockxsize": 128, "blockysize": 128, "compress": "deflate"}
    files = {
        key: tiff(
            write(path / "x.tif", band.round().astype(np.uint16), transform=place(size), **kept)
        )
        for key, band in bands.items()
    }
    classes = more.get("classes", np.full((half, half), 4, np.uint8))
    coarse = place(size) @ rasterio.Affine.scale(2)
    files["classes"] = tiff(write(path / "x.tif", classes, transform=coarse, **kept))
    return files


def on(folder: FarmFolder, catalog: Catalog, bands: str = BANDS, **keys: object) -> None:
    folder.farm_toml.write_text(FARM + farm_toml(catalog, bands, **keys))


def test_items_land_once_each_from_all_pages_by_ranges_alone(folder, catalog, tmp_path) -> None:
    """Unsorted, one of them twice, one in degrees; of 2 MB files only the parts over strips are read."""
    files = scene(tmp_path, size=1000)
    catalog.add("C", "2024-07-21T17:00:00Z", scene(tmp_path, 0.4, 0.3))
    twice = catalog.add("A", "2024-07-01T17:00:00Z", files)
    catalog.add("B", "2024-07-11T17:00:00Z", in_degrees(tmp_path, files))
    catalog.items.append(json.loads(json.dumps(twice)))
    catalog.add("other place", "2024-07-01T17:00:00Z", files, box=(10, 50, 11, 51))
    catalog.add("cloudy", "2024-07-02T17:00:00Z", files, properties={"eo:cloud_cover": 96.0})
    on(folder, catalog, overlap_d=3660)
    found = take(folder)
    assert found.notes == []
    assert [row[:2] for row in ask(folder, FOUND)] == [
        (f"2024-07-{day}", side) for day in ("01", "11", "21") for side in ("treated", "check")
    ]
    values = [row[2] for row in ask(folder, FOUND)]
    assert values == pytest.approx([0.6, 0.5, 0.6, 0.5, 0.4, 0.3], abs=0.01)
    assert ask(folder, "SELECT DISTINCT source FROM vegetation_strip") == [("far",)]
    of_files = [one for one in catalog.asked if one[1].startswith("/files")]
    assert all(one[2].startswith("bytes=") for one in of_files)
    asked = sum(int(a) - int(b) for b, a in (one[2][6:].split("-") for one in of_files))
    assert asked < sum(map(len, catalog.files.values())) / 2
    assert len(catalog.bodies) == 3  # of two items each, one of them of another place
    assert catalog.bodies[1] == catalog.bodies[0] | {"token": 1}
    catalog.asked.clear()
    assert take(folder).deliveries == 0
    assert {one[1] for one in catalog.asked} == {"/v1/search"}


def in_degrees(path: Path, files: dict[str, bytes]) -> dict[str, bytes]:
    """The same scene as another processor would hand it out, in degrees, in one file of three bands."""
    there, wide, high = calculate_default_transform(
        UTM, "EPSG:4326", 1000, 1000, *rasterio.transform.array_bounds(1000, 1000, place(1000))
    )
    out = {}
    for key, content in files.items():
        with rasterio.MemoryFile(content) as memory, memory.open() as image:
            band = np.zeros((high, wide), image.dtypes[0])
            reproject(
                rasterio.band(image, 1), band, dst_transform=there, dst_crs="EPSG:4326",
                resampling=Resampling.nearest,
            )  # fmt: skip
        out[key] = tiff(write(path / "x.tif", band, transform=there, crs="EPSG:4326", tiled=True))
    return out


def test_a_rebuild_needs_the_archive_alone_and_each_cut_has_its_item(folder, tmp_path) -> None:
    with serving() as catalog:
        item = catalog.add("A", "2024-07-01T17:00:00Z", scene(tmp_path))
        on(folder, catalog)
        take(folder)
    before = ask(folder, "FROM vegetation_strip ORDER BY ALL")
    rebuild.rebuild(folder)
    assert ask(folder, "FROM vegetation_strip ORDER BY ALL") == before
    (cut,) = [p for p in folder.archive.glob("2*/*") if p.read_bytes()[:2] == b"II"]
    with extra.alone(), geotiff.opened(cut.read_bytes()) as image:
        assert json.loads(image.tags()["item"]) == item
    assert any("could not be read" in note for note in take(folder).notes)  # nobody serves any more
    assert len(ask(folder, FOUND)) == 2


@pytest.mark.parametrize("how", ["get", "whole body", "no ranges"])
def test_other_ways_of_the_standard(folder, catalog, tmp_path, how) -> None:
    """Search by GET where a service takes no POST; next links without merge; files without ranges."""
    catalog.post, catalog.merge, catalog.ranges = (
        how != "get",
        how != "whole body",
        how != "no ranges",
    )
    files = scene(tmp_path)
    for day in (1, 11, 21):
        catalog.add(f"at_{day}", f"2024-07-{day:02}T17:00:00Z", files)
    on(folder, catalog)
    assert take(folder).notes == []
    assert len(ask(folder, FOUND)) == 6
    if how == "get":
        assert [one[0] for one in catalog.asked if one[1] == "/v1/search"] == ["POST", "GET", "GET"]


def test_scale_and_offset_of_the_item_count_and_those_of_the_farm_file_more(
    folder, catalog, tmp_path
) -> None:
    """Numbers 1000 too high, as the item says: index of 2000 and 5000 is then (4 − 1) / (4 + 1)."""
    flat = {
        "red": np.full((60, 32), 2000, np.uint16),
        "nir": np.full((60, 32), 5000, np.uint16),
    }
    files = {key: tiff(write(tmp_path / "x.tif", band)) for key, band in flat.items()}
    said = {key: {"raster:bands": [{"scale": 0.0001, "offset": -0.1}]} for key in files}
    catalog.add("A", "2024-07-01T17:00:00Z", files, said=said)
    bands = '[image_bands.far]\nred = "red"\nnear_infrared = "nir"\n'
    on(folder, catalog, bands)
    take(folder)
    assert {row[2] for row in ask(folder, FOUND)} == {0.6}
    on(folder, catalog, bands + "scale = 0.0001\noffset = 0.0\n")
    take(folder)
    assert {row[2] for row in ask(folder, FOUND)} == {round(3 / 7, 3)}


def flat(tmp_path: Path, red: int, nir: int) -> dict[str, bytes | str]:
    """Both bands of one value each, as whole numbers."""
    both = {"red": np.full((60, 32), red, np.uint16), "nir": np.full((60, 32), nir, np.uint16)}
    return {key: tiff(write(tmp_path / "x.tif", band)) for key, band in both.items()}


def tagged(tmp_path: Path, files: dict[str, bytes | str], offset: float) -> dict[str, bytes | str]:
    """Those files with a scale of 0.0001 and an offset in their own tags."""
    out: dict[str, bytes | str] = {}
    for key, content in files.items():
        path = tmp_path / "tagged.tif"
        path.write_bytes(content)  # type: ignore[arg-type]
        with rasterio.open(path, "r+") as image:
            image.scales, image.offsets = (0.0001,), (offset,)
        out[key] = path.read_bytes()
    return out


def test_an_index_is_the_same_before_and_after_the_numbers_were_raised(
    folder, catalog, tmp_path
) -> None:
    """One index of 0.6 in six ways: old and new processing, said by the band, by the file, in the file already."""
    said = {key: {"raster:bands": [{"scale": 0.0001, "offset": -0.1}]} for key in ("red", "nir")}
    none: dict[str, object] = {key: {"raster:bands": []} for key in ("red", "nir")}
    plain, raised = flat(tmp_path, 1000, 4000), flat(tmp_path, 2000, 5000)
    baseline = "s2:processing_baseline"
    for day, files, of, properties in (
        (1, plain, none, {baseline: "02.12"}),
        (2, raised, none, {baseline: "05.11"}),
        (3, raised, said, {baseline: "05.11"}),
        (4, plain, said, {baseline: "05.11", "earthsearch:boa_offset_applied": True}),
        (5, tagged(tmp_path, raised, 0.0), none, {baseline: "05.11"}),
        (6, tagged(tmp_path, raised, -0.1), none, {baseline: "05.11"}),
    ):
        at = f"2024-07-{day:02}T17:00:00Z"
        catalog.add(f"at_{day}", at, files, said=of, properties=properties)
    on(folder, catalog, "")
    for item in catalog.items:
        for key in ("red", "nir"):
            item["assets"][key]["eo:bands"] = [{"common_name": key}]
    assert take(folder).notes == []
    assert [row[2] for row in ask(folder, FOUND)] == pytest.approx([0.6] * 12)


def test_whole_numbers_without_a_word_on_their_scale_are_not_guessed(
    folder, catalog, tmp_path
) -> None:
    none = {key: {"raster:bands": []} for key in ("red", "nir")}
    catalog.add("A", "2024-07-01T17:00:00Z", flat(tmp_path, 9000, 12000), said=none)
    bands = '[image_bands.far]\nred = "red"\nnear_infrared = "nir"\n'
    on(folder, catalog, bands)
    (note,) = take(folder).notes
    assert note.startswith("1 image of far not read: nothing says how its whole numbers become")
    assert ask(folder, FOUND) == []
    on(folder, catalog, bands + "scale = 0.0000275\noffset = -0.2\n")
    assert take(folder).notes == []
    red, nir = (one * 0.0000275 - 0.2 for one in (9000, 12000))
    assert {row[2] for row in ask(folder, FOUND)} == {round((nir - red) / (nir + red), 3)}


def test_an_offset_that_is_in_the_file_already_is_told(folder, catalog, tmp_path) -> None:
    """A catalog that states an offset although its file has it: red falls below zero over a crop."""
    said = {key: {"raster:bands": [{"scale": 0.0001, "offset": -0.1}]} for key in ("red", "nir")}
    catalog.add("A", "2024-07-01T17:00:00Z", flat(tmp_path, 400, 4000), said=said)
    on(folder, catalog, '[image_bands.far]\nred = "red"\nnear_infrared = "nir"\n')
    take(folder)
    assert ask(folder, FOUND) == []
    ((cause, found),) = ask(folder, "SELECT cause, found FROM book_problem WHERE book = 'images'")
    assert (cause, found) == ("reflectance is below zero", "100% of the pixels over the strips")


def test_a_number_that_the_item_calls_no_value_is_none(folder, catalog, tmp_path) -> None:
    """The file does not say so itself. Half of the strips' length has it."""
    red = np.full((60, 32), 1000, np.uint16)
    red[:30] = 7
    files = {"red": red, "nir": np.full((60, 32), 4000, np.uint16)}
    files = {key: tiff(write(tmp_path / "x.tif", band)) for key, band in files.items()}
    said = {"red": {"bands": [{"nodata": 7}]}}
    catalog.add("A", "2024-07-01T17:00:00Z", files, said=said)
    on(folder, catalog, "")
    for key in files:
        catalog.items[0]["assets"][key].setdefault("bands", [{}])[0]["eo:common_name"] = key
    take(folder)
    assert {row[2] for row in ask(folder, FOUND)} == {0.6}
    ((least, most),) = ask(folder, "SELECT min(coverage), max(coverage) FROM vegetation_strip")
    assert (least, most) == pytest.approx((19 / 38, 19 / 38), abs=0.02)


def test_bands_of_one_file_are_found_by_their_common_names(folder, catalog, tmp_path) -> None:
    index = two_strips()
    stack = np.stack([index * 0 + 9, (1 + index) * 100, index * 0 + 9, (1 - index) * 100])
    file = tiff(write(tmp_path / "x.tif", stack.astype(np.float32)))
    names = ("blue", "nir", "green", "red")
    said = {"all": {"bands": [{"eo:common_name": name} for name in names]}}
    catalog.add("A", "2024-07-01T17:00:00Z", {"all": file}, said=said)
    catalog.items[0]["assets"]["look"] = {
        "href": "http://nowhere.invalid/x.tif", "roles": ["visual"],
        "bands": [{"eo:common_name": "red"}],
    }  # fmt: skip
    on(folder, catalog, "")
    assert take(folder).notes == []
    assert [row[2] for row in ask(folder, FOUND)] == [0.6, 0.5]


def test_cloud_is_no_fault_and_is_left_out_by_its_classes(folder, catalog, tmp_path) -> None:
    half, all_of_it = np.full((50, 50), 5, np.uint8), np.full((50, 50), 9, np.uint8)
    half[:23] = 8  # down to 16 of the 40 rows of the strips
    catalog.add("half", "2024-07-01T17:00:00Z", scene(tmp_path, classes=half))
    catalog.add("all", "2024-07-11T17:00:00Z", scene(tmp_path, classes=all_of_it))
    on(folder, catalog)
    found = take(folder)
    assert found.notes == []
    assert not found.wants_attention
    (row, _) = ask(folder, "SELECT strip, cloud_share FROM vegetation_strip ORDER BY 1 DESC")
    assert row[1] == pytest.approx(15 / 38, abs=0.03)
    assert ask(
        folder, "SELECT name, state, reason FROM delivery WHERE source = 'images' ORDER BY 1"
    ) == [("far/all", "landed", "cloud over all strips"), ("far/half", "landed", None)]


def test_a_changed_item_replaces_the_one_before(folder, catalog, tmp_path) -> None:
    item = catalog.add("A", "2024-07-01T17:00:00Z", scene(tmp_path))
    on(folder, catalog, overlap_d=3660)
    take(folder)
    files = scene(tmp_path, 0.8, 0.7)
    for key, content in files.items():
        catalog.files[f"/files/A/{key}.tif"] = content
    take(folder)
    assert [row[2] for row in ask(folder, FOUND)] == [0.6, 0.5]  # nothing says that it changed
    item["properties"]["updated"] = "2024-08-01T00:00:00Z"
    take(folder)
    assert [row[2] for row in ask(folder, FOUND)] == pytest.approx([0.8, 0.7], abs=0.002)
    assert len(ask(folder, "SELECT 1 FROM delivery WHERE source = 'images'")) == 2


def test_other_hosts_are_never_asked(folder, catalog, tmp_path) -> None:
    """An address of an item and a redirect of a file on hosts that farm.toml does not name."""
    with serving() as other:
        files = scene(tmp_path)
        other.files = {"/red.tif": files["red"], "/nir.tif": files["nir"]}
        catalog.add("good", "2024-07-01T17:00:00Z", files)
        catalog.add("away", "2024-07-02T17:00:00Z", files | {"red": f"{other.url}/red.tif"})
        catalog.add("bucket", "2024-07-03T17:00:00Z", files | {"red": "s3://bucket/red.tif"})
        catalog.add("local", "2024-07-04T17:00:00Z", files | {"red": "file:///etc/hostname"})
        user = f"http://{catalog.host}@{other.host}/red.tif"
        catalog.add("user", "2024-07-05T17:00:00Z", files | {"red": user})
        catalog.add("led", "2024-07-06T17:00:00Z", files)
        catalog.redirects = {"/files/led/nir.tif": f"{other.url}/nir.tif"}
        on(folder, catalog)
        notes = " ".join(take(folder).notes)
        assert len(ask(folder, FOUND)) == 2
        assert other.asked == []
        assert f"{other.host}, which asset_hosts in farm.toml does not name" in notes
        assert "begins with s3:, and only https is read" in notes
        assert "begins with file:" in notes
        assert "3 images of far not read: its file is on " + other.host in notes
        on(folder, catalog, asset_hosts=[catalog.host, other.host])
        take(folder)
        assert len(ask(folder, FOUND)) == 6
        assert {one[1] for one in other.asked} == {"/red.tif", "/nir.tif"}


def test_a_file_that_is_sent_whole_and_too_large_stops_no_other(folder, catalog, tmp_path) -> None:
    catalog.ranges = False
    catalog.add("A", "2024-07-01T17:00:00Z", scene(tmp_path, size=600))
    catalog.add("B", "2024-07-11T17:00:00Z", scene(tmp_path))
    on(folder, catalog, size_limit_mb=0.1)
    (note,) = take(folder).notes
    assert "1 image of far not read: its answer is larger than size_limit_mb = 0.1" in note
    assert [row[0] for row in ask(folder, FOUND)] == ["2024-07-11"] * 2


def test_a_next_page_elsewhere_is_not_asked(folder, catalog, tmp_path) -> None:
    with serving() as other:
        for day in (1, 2, 3):
            catalog.add(f"at_{day}", f"2024-07-0{day}T17:00:00Z", scene(tmp_path))
        catalog.next_at = f"{other.url}/v1/search"
        on(folder, catalog)
        (note,) = take(folder).notes
        assert "its next page is on another host" in note
        assert other.asked == []


def test_a_file_that_is_not_there_stops_no_other_and_is_asked_for_again(
    folder, catalog, tmp_path
) -> None:
    files = scene(tmp_path)
    catalog.add("A", "2024-07-01T17:00:00Z", files)
    catalog.add("B", "2024-07-11T17:00:00Z", files)
    gone = catalog.files.pop("/files/A/nir.tif")
    on(folder, catalog)
    assert (
        "1 image of far not read: its file is not given out (it answered 404"
        in take(folder).notes[0]
    )
    assert len(ask(folder, FOUND)) == 2
    catalog.files["/files/A/nir.tif"] = gone
    on(folder, catalog, overlap_d=3660)
    assert take(folder).notes == []
    assert len(ask(folder, FOUND)) == 4


@pytest.mark.parametrize("how", ["down", "slow", "no collection", "cut off", "midway"])
def test_a_source_that_fails_is_tried_at_the_next_run(folder, catalog, tmp_path, how) -> None:
    files = scene(tmp_path, size=600 if how == "midway" else 100)
    catalog.add("A", "2024-07-01T17:00:00Z", files)
    on(folder, catalog, timeout_s=0.3, overlap_d=3660)
    if how == "down":
        catalog.down = 503
    elif how == "slow":
        catalog.slow_s = {"/files/A/nir.tif": 0.8}
    elif how == "midway":  # its first bytes are sent, those over the strips are not
        catalog.broken = {"/files/A/nir.tif"}
    elif how == "no collection":
        catalog.down = 200
    else:
        catalog.files["/files/A/nir.tif"] = files["nir"][: len(files["nir"]) // 2]
    (note,) = take(folder).notes or ["rejected"]
    said = {"down": "503", "slow": "in time", "no collection": "no item collection"}
    said |= {"cut off": "", "midway": "503"}
    assert said[how] in note
    assert ask(folder, FOUND) == []
    catalog.down, catalog.slow_s, catalog.broken = 0, {}, set()
    if how != "cut off":
        assert ask(folder, "FROM delivery WHERE source = 'images'") == []
    else:  # the same item with another file: its catalog says so
        catalog.files["/files/A/nir.tif"] = files["nir"]
        catalog.items[0]["properties"]["updated"] = "2024-07-02T00:00:00Z"
    assert take(folder).notes == []
    assert len(ask(folder, FOUND)) == 2


def test_secrets_go_where_they_belong_and_stay_nowhere(
    folder, catalog, tmp_path, monkeypatch
) -> None:
    monkeypatch.setenv("CATALOG_KEY", "key-of-the-catalog")
    monkeypatch.setenv("FILES_KEY", "key-of-the-files")
    item = catalog.add("A", "2024-07-01T17:00:00Z", scene(tmp_path))
    on(
        folder,
        catalog,
        overlap_d=3660,
        headers={"X-Key": "env:CATALOG_KEY"},
        asset_headers={"X-Key": "env:FILES_KEY"},
    )
    take(folder)
    assert len(ask(folder, FOUND)) == 2
    for _, path, _, headers in catalog.asked:
        expected = "key-of-the-files" if path.startswith("/files") else "key-of-the-catalog"
        assert headers["X-Key"] == expected
    for path in folder.root.rglob("*"):
        if path.is_file():
            assert b"key-of-the" not in path.read_bytes()
    item["assets"]["red"]["href"] += "?signature=of-today"  # another signature is no other image
    assert take(folder).deliveries == 0


def test_what_farm_toml_leaves_out_goes_and_comes_back(folder, catalog, tmp_path) -> None:
    files = scene(tmp_path)
    catalog.add("A", "2024-07-01T17:00:00Z", files)
    catalog.add("B", "2024-07-11T17:00:00Z", files)
    for left_out, rows in ((["B"], 2), ([], 4), (["A"], 2), ([], 4)):
        on(folder, catalog, leave_out=left_out)
        take(folder)
        assert len(ask(folder, FOUND)) == rows
        assert take(folder).deliveries == 0


def test_it_is_asked_when_it_is_due_and_only_for_the_last_days(folder, catalog, tmp_path) -> None:
    on(folder, catalog, every_h=12, overlap_d=10)
    farm = farm_file.load(folder.farm_toml)
    take(folder)
    asked = len(catalog.asked)
    take(folder)
    assert len(catalog.asked) == asked
    later = datetime.now(UTC) + timedelta(hours=13)
    with warehouse.open_writer(folder, "looking") as con:
        from flows.intake.collect import open_archive
        from flows.store.receipts import Known

        archive = open_archive(Known.of(con), folder, farm)
        image_service.collect(con, folder, farm, archive, tmp_path, now=later)
    assert len(catalog.asked) == asked + 1
    since = datetime.fromisoformat(catalog.bodies[-1]["datetime"].split("/")[0])
    assert later - since == pytest.approx(timedelta(days=10, hours=13), abs=timedelta(minutes=5))
    (due,) = images_asked.due(folder, farm)
    assert due == pytest.approx(later + timedelta(hours=12), abs=timedelta(seconds=2))


def test_without_outlines_or_the_extra_nothing_is_asked(folder, catalog, monkeypatch) -> None:
    on(folder, catalog)
    monkeypatch.setattr(extra, "installed", lambda: False)
    assert extra.MISSING in take(folder).notes
    monkeypatch.undo()
    (folder.yield_maps / "strips.geojson").unlink()
    assert "has no outline" in " ".join(take(folder).notes)
    assert catalog.asked == []


def test_farm_toml_says_what_is_wrong_with_a_source(folder, catalog) -> None:
    """The source stands second in the file, so its faults are those of sources[2]."""
    on(folder, catalog, asset_hosts=["https://data.example.org/"], most_cloud_pct=200, layot="x")
    with pytest.raises(UserError) as wrong:
        farm_file.load(folder.farm_toml)
    said = str(wrong.value)
    n = FARM.count("[[sources]]") + 1
    assert f"sources[{n}].asset_hosts" in said
    assert "write hosts such as data.example.org, without https:// and path" in said
    assert f"sources[{n}].most_cloud_pct: found 200; write a number from 0 to 100" in said
    assert f"sources[{n}].layot: there is no such key" in said
