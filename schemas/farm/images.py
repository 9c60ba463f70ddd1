"""[image_bands.SOURCE]: which band of the images of one source is what, if their files do not say so."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from schemas.farm.layout_parts import Strict

Band = Annotated[int, Field(ge=1, le=200)]


class ImageBands(Strict):
    """Bands of an image, counted from 1, and how its numbers are written.

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
