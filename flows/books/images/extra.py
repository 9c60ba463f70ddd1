"""The libraries that read rasters: an extra, loaded only where an image is read."""

from collections.abc import Iterator
from contextlib import contextmanager
from importlib.util import find_spec

MISSING = (
    "Vegetation images wait, because the libraries that read them are not installed. Install them "
    "with: pip install 'checkstrip[images]'. The next run then reads the images."
)
# A file by a stranger opens nothing beside itself: no sidecars, no overviews of other files, no
# addresses. Only the GeoTIFF driver is ever asked (see ``opened`` in geotiff.py).
_ALONE = {
    "GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR",
    "GDAL_PAM_ENABLED": "NO",
    "CPL_VSIL_CURL_ALLOWED_EXTENSIONS": ".none",
    "GDAL_HTTP_MAX_RETRY": "0",
    "GDAL_CACHEMAX": 64,  # MB
    "GDAL_TIFF_INTERNAL_MASK": "YES",
}


def installed() -> bool:
    """Return whether the extra ``images`` is there."""
    return all(find_spec(name) is not None for name in ("rasterio", "exactextract"))


@contextmanager
def alone() -> Iterator[None]:
    """Have rasters opened without anything beside them."""
    import rasterio  # noqa: PLC0415 (an extra, and start-up time)

    with rasterio.Env(**_ALONE):
        yield
