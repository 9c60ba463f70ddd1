"""The bands of an item's files, and how their numbers become reflectance.

Both ways of the open standard are read: ``bands`` of version 1.1, and ``eo:bands`` with ``raster:bands`` before it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import urlsplit

from flows.intake.sources.stac_search import Item, number

_LOOK = frozenset({"visual", "overview", "thumbnail"})  # roles of assets that are to be looked at
READ = frozenset({"", "http", "https"})  # schemes of addresses; "" is relative to the item's own

# Images of one satellite family carry reflectance × 10,000, and 1,000 more from processing baseline 04.00 on
# (January 25, 2022; older images were processed again later), which the catalogs tell in several ways: an
# offset of the band; the baseline alone; an offset of the band although it is already in the file, which a
# property says (threads 9 and 66 of the issues of the catalog Element84/earth-search, read on November 30, 2026).
_BASELINES = ("s2:processing_baseline", "sentinel:processing_baseline")
_APPLIED = ("earthsearch:boa_offset_applied", "sentinel:boa_offset_applied")
RAISED_FROM, RAISED_BY = 4.0, 1000.0


@dataclass(frozen=True, slots=True)
class AssetBand:
    """A band of one file of an item, and what the item says of its numbers."""

    href: str
    band: int
    scale: float | None
    offset: float | None
    nodata: float | None


def band_named(item: Item, name: str, common: tuple[str, ...]) -> AssetBand | None:
    """Return the band that farm.toml names, None if the item has none.

    ``name`` is an asset, ``asset:band`` (number or name), or a band's common name; of an asset with
    several bands the one with a ``common`` name is taken, else the first. Of several files with a band of
    that name one with data in GeoTIFF is taken, the finest.
    """
    assets = item.content["assets"]
    key, _, band = name.rpartition(":")
    if name in assets:
        bands = _bands(assets[name])
        at = next((n for n, b in enumerate(bands) if _names(b) & set(common)), 0)
        return _asset_band(item, assets[name], at)
    if key in assets:
        bands = _bands(assets[key])
        if band.isdigit() and int(band):
            return _asset_band(item, assets[key], int(band) - 1)
        at = next((n for n, b in enumerate(bands) if band in _names(b)), -1)
        return None if at < 0 else _asset_band(item, assets[key], at)
    for asset in sorted(assets.values(), key=_last):
        if _LOOK.isdisjoint(asset.get("roles") or ()):
            for n, one in enumerate(_bands(asset)):
                if name in _names(one):
                    return _asset_band(item, asset, n)
    return None


def first_named(item: Item, names: Iterable[str]) -> AssetBand | None:
    """Return the band with the first of several common names that there is."""
    found = (band_named(item, name, (name,)) for name in names)
    return next((one for one in found if one is not None), None)


def _last(asset: Mapping[str, Any]) -> tuple[bool, bool, float]:
    """What puts an asset behind others with the same band."""
    plain = "data" not in (asset.get("roles") or ()), "tif" not in str(asset.get("type", "tif"))
    sizes = (number(of.get("gsd")) for of in (asset, *_bands(asset)))
    return *plain, next((size for size in sizes if size is not None), 0.0)


def _bands(asset: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return what an asset says of its bands, in order: ``bands`` (1.1), or ``eo:`` and ``raster:bands``."""
    out: list[dict[str, Any]] = []
    for key in ("bands", "eo:bands", "raster:bands"):
        given = asset.get(key)
        for n, band in enumerate(given if isinstance(given, list) else ()):
            out += [{}] if n == len(out) else []
            out[n] |= band if isinstance(band, dict) else {}
    return out


def _names(band: Mapping[str, Any]) -> set[Any]:
    given = (band.get(key) for key in ("name", "common_name", "eo:common_name"))
    return {name for name in given if isinstance(name, str)}


def _asset_band(item: Item, asset: Mapping[str, Any], at: int) -> AssetBand:
    bands = _bands(asset)
    band = bands[at] if at < len(bands) else {}

    def value(*keys: str) -> float | None:
        given = [number(of[key]) for of in (band, asset) for key in keys if key in of]
        return given[0] if given else None

    scale = value("raster:scale", "scale")
    offset = value("raster:offset", "offset")
    if any(item.content["properties"].get(key) is True for key in _APPLIED):
        offset = 0.0
    usable = scale if scale is None or scale > 0 else None
    return AssetBand(_href(asset), at + 1, usable, offset, value("nodata"))


def _href(asset: Mapping[str, Any]) -> str:
    """Return an asset's address, or another of the same file (``alternate``) if that cannot be read."""
    other = asset.get("alternate")
    others = other.values() if isinstance(other, dict) else ()
    given = [asset["href"], *(one.get("href") for one in others if isinstance(one, dict))]
    hrefs = [str(href) for href in given if isinstance(href, str)]
    return next((href for href in hrefs if urlsplit(href).scheme.lower() in READ), hrefs[0])


def as_reflectance(item: Item, band: AssetBand, scale_of_file: float = 1.0) -> AssetBand:
    """Return a band of whole numbers with the offset that follows from the item's processing baseline.

    The offset is in the unit of the band's scale, which is the file's if the item states none. A band that
    says its own offset is returned as it is; so is one without a baseline.
    """
    given = (item.content["properties"].get(key) for key in _BASELINES)
    text = next((str(one) for one in given if one is not None), "")
    try:
        raised = float(text) >= RAISED_FROM
    except ValueError:
        return band
    if band.offset is not None:
        return band
    return replace(band, offset=-RAISED_BY * (band.scale or scale_of_file) if raised else 0.0)
