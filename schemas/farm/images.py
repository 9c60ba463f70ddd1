"""Vegetation images: what their bands are, and services that have them."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import Field, model_validator

from schemas.farm.instruments import Name
from schemas.farm.layout_parts import Strict

Band = Annotated[int, Field(ge=1, le=200)] | Annotated[str, Field(min_length=1, max_length=200)]
Host = Annotated[str, Field(pattern=r"^[A-Za-z0-9.\[\]:_-]+$", max_length=260)]


class ImageBands(Strict):
    """[image_bands.SOURCE]: bands of the images of one source, and how their numbers are written.

    A band is its number, from 1, or its description. Of a STAC source it is the name of an asset, or
    ``asset:band`` (number or name), or a common name such as ``red``.

    ``index``: a vegetation index from −1 to 1; without it ``red`` and ``near_infrared`` reflectance.
    ``quality``: a band in which the values ``cloud_values`` mean cloud, shadow or snow, or all but
    ``clear_values`` do (without either, all but 0). ``scale`` and ``offset``: value = number × scale + offset.
    """

    index: Band | None = None
    red: Band | None = None
    near_infrared: Band | None = None
    quality: Band | None = None
    cloud_values: tuple[int, ...] = ()
    clear_values: tuple[int, ...] = ()
    scale: Annotated[float, Field(gt=0)] | None = None
    offset: float | None = None

    @model_validator(mode="after")
    def _check_pair(self) -> ImageBands:
        if (self.red is None) != (self.near_infrared is None):
            raise ValueError("give red and near_infrared together, or index alone")
        if self.index is not None and self.red is not None:
            raise ValueError("give index, or red and near_infrared, not both")
        if self.cloud_values and self.clear_values:
            raise ValueError("give cloud_values or clear_values, not both")
        return self


class ImageSource(Strict):
    """[[sources]] with kind = "stac": a service that answers STAC API item search (open standard).

    ``url`` is its root; ``collections`` are searched from ``begin`` on, over the outlines in yieldmaps/.
    Files are read from the ``asset_hosts`` only, and of them only what lies over the strips. Scenes
    with more than ``most_cloud_pct`` are skipped, and so are those that ``leave_out`` names.
    It is asked every ``every_h`` hours, each time ``overlap_d`` days back. Header values written
    ``env:NAME`` are taken from the environment; ``asset_headers`` go to the asset hosts alone.
    """

    name: Name
    kind: Literal["stac"]
    url: Annotated[
        str, Field(pattern=r"^https?://\S+$", description="an address such as https://…")
    ]
    collections: Annotated[tuple[str, ...], Field(min_length=1)]
    asset_hosts: Annotated[
        tuple[Host, ...],
        Field(
            min_length=1,
            description="hosts such as data.example.org, without https:// and path",
        ),
    ]
    begin: date
    most_cloud_pct: Annotated[float, Field(ge=0, le=100)] = 70.0
    leave_out: tuple[str, ...] = ()
    every_h: Annotated[float, Field(ge=0, le=24 * 366)] = 12.0
    overlap_d: Annotated[float, Field(ge=0, le=3660)] = 45.0
    headers: dict[str, str] = Field(default_factory=dict)
    asset_headers: dict[str, str] = Field(default_factory=dict)
    timeout_s: Annotated[float, Field(gt=0, le=3600)] = 60.0
    tries: Annotated[int, Field(ge=1, le=20)] = 5
    size_limit_mb: Annotated[float, Field(gt=0, le=4096)] = 256.0
    pause_s: Annotated[float, Field(ge=0, le=3600)] = 0.2
