"""A scan as an array: linear light, pixels in nominal millimetres.

Places on the glass are (u, v): u grows with the columns, v with the rows, in mm by the stated
resolution; the middle of the first pixel lies half a pixel in.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from agent.errors import BadInput
from agent.model.exact import MM_PER_INCH

Array = npt.NDArray[np.float64]

#: Greatest number of pixels that is read; an A4 glass at 1200 dots per inch has 139 millions.
_MOST_PIXELS: Final = 150_000_000

#: Pixel of the coarse image in which things are found, mm.
COARSE_MM: Final = 0.34


def linear(value: Array) -> Array:
    """Linear light of encoded values, both 0 to 1: the transfer curve of sRGB.

    Source: IEC 61966-2-1:1999.  An edge blurred by the optics is even about its place in linear
    light only.
    """
    dark = value / 12.92
    bright = ((value + 0.055) / 1.055) ** 2.4
    light: Array = np.where(value <= 0.04045, dark, bright)
    return light


@dataclass(frozen=True)
class Scan:
    """One grey channel of a scan."""

    values: npt.NDArray[Any]  #: (rows, columns), 8 or 16 bit, as encoded
    dpi: float  #: stated dots per inch
    source: str = "the scan"

    @property
    def pixel(self) -> float:
        """Nominal size of a pixel, mm."""
        return MM_PER_INCH / self.dpi

    @cached_property
    def light(self) -> npt.NDArray[np.float32]:
        """Linear light of each encoded value."""
        most = np.iinfo(self.values.dtype).max
        return linear(np.arange(most + 1) / most).astype(np.float32)

    @cached_property
    def coarse(self) -> tuple[npt.NDArray[np.float32], float]:
        """The scan averaged over blocks of about `COARSE_MM`, and their side in mm."""
        k = max(1, round(COARSE_MM / self.pixel))
        rows, columns = (n // k * k for n in self.values.shape)
        blocks = self.light[self.values[:rows, :columns]].reshape(rows // k, k, columns // k, k)
        return blocks.mean(axis=(1, 3)), k * self.pixel

    def at(self, u: Array, v: Array) -> Array:
        """Linear light at places, by straight lines between pixels; NaN outside the image."""
        column, row = u / self.pixel - 0.5, v / self.pixel - 0.5
        j, i = np.floor(column).astype(np.int64), np.floor(row).astype(np.int64)
        outside = (i < 0) | (j < 0) | (i >= self.values.shape[0] - 1)
        outside |= j >= self.values.shape[1] - 1
        i, j = np.where(outside, 0, i), np.where(outside, 0, j)
        a, b = row - i, column - j
        light, values = self.light, self.values
        mixed = (1 - a) * ((1 - b) * light[values[i, j]] + b * light[values[i, j + 1]]) + a * (
            (1 - b) * light[values[i + 1, j]] + b * light[values[i + 1, j + 1]]
        )
        found: Array = np.where(outside, np.nan, mixed)
        return found


def load_scan(path: Path, dpi: float | None = None) -> Scan:
    """The scan in a PNG, TIFF or JPEG file; its resolution is the file's unless `dpi` is given.

    Of a coloured scan the channel with most contrast is taken.  Raises BadInput for a file that
    is no such image, for one of several pages, and where no resolution is known.
    """
    try:
        from PIL import Image, UnidentifiedImageError
    except ImportError:
        raise BadInput(
            "reading scans wants a library that is not installed",
            remedy="Install it: pip install 'plumbelt[scan]'",
        ) from None
    try:
        with Image.open(path) as image:
            if image.format not in ("PNG", "TIFF", "JPEG"):
                raise BadInput(
                    f"{path} is a {image.format} image",
                    remedy="Save the scan as PNG, TIFF or JPEG, and give that file",
                )
            if image.width * image.height > _MOST_PIXELS:
                raise BadInput(
                    f"{path} has {image.width} x {image.height} pixels, more than a glass needs",
                    remedy="Scan at 300 or 600 dpi",
                )
            if int(getattr(image, "n_frames", 1)) > 1:
                raise BadInput(
                    f"{path} has several pages",
                    remedy="Save the page with the piece as a file of its own",
                )
            stated = image.info.get("dpi")
            values = _channel(image)
    except (UnidentifiedImageError, Image.DecompressionBombError, OSError, ValueError) as refusal:
        what = "there is no such file" if isinstance(refusal, FileNotFoundError) else "not an image"
        raise BadInput(
            f"{path} cannot be read ({what})", remedy="Give a scan as PNG, TIFF or JPEG"
        ) from None
    if dpi is None:
        dpi = _stated(stated)
    if dpi is None:
        raise BadInput(
            f"{path} does not say at which resolution it was scanned",
            remedy="Give it, for example --dpi 600",
        )
    return Scan(values, dpi, str(path))


def _stated(found: Any) -> float | None:
    """Resolution that a file states, if it is one number that a scanner can have."""
    try:
        across, along = (float(value) for value in found)
    except (TypeError, ValueError):
        return None
    usable = 20 < across < 10_000 and abs(across - along) <= 0.01 * across
    return (across + along) / 2 if usable else None


def _channel(image: Any) -> npt.NDArray[Any]:
    if image.mode in ("I;16", "I;16B", "I;16L", "I"):
        wide: npt.NDArray[Any] = np.array(image).clip(0, 65535).astype(np.uint16)
        return wide
    if image.mode in ("L", "1"):
        return np.array(image.convert("L"), dtype=np.uint8)
    colours = np.asarray(image.convert("RGB"))
    spread = colours[::8, ::8].std(axis=(0, 1))
    channel: npt.NDArray[Any] = np.ascontiguousarray(colours[:, :, int(np.argmax(spread))])
    return channel
