"""Light and colour: sRGB to linear and back, published colour indices of plants, and what the lamp does to a photo.

Colours are (..., 3) arrays of sRGB values in 0..1 unless a name says ``linear``.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Floats = npt.NDArray[np.floating]
Picture = npt.NDArray[np.uint8]

LUMINANCE = np.array([0.2126, 0.7152, 0.0722])
"""Share of linear red, green and blue in luminance (IEC 61966-2-1:1999)."""
BURNT = 250
"""From this 8-bit value on a channel counts as clipped (common practice: the last few codes hold no detail)."""


def to_linear(srgb: npt.ArrayLike) -> Floats:
    """Encoded sRGB (0..1) to linear light (IEC 61966-2-1:1999)."""
    v = np.asarray(srgb, float)
    return np.asarray(np.where(v <= 0.04045, v / 12.92, ((np.maximum(v, 0) + 0.055) / 1.055) ** 2.4))


def to_srgb(linear: npt.ArrayLike) -> Floats:
    """Linear light (0..1) to encoded sRGB (IEC 61966-2-1:1999)."""
    v = np.asarray(linear, float)
    return np.asarray(np.where(v <= 0.0031308, v * 12.92, 1.055 * np.maximum(v, 0) ** (1 / 2.4) - 0.055))


def _chromatic(rgb: npt.ArrayLike) -> tuple[Floats, Floats, Floats]:
    r, g, b = np.moveaxis(np.asarray(rgb, float), -1, 0)
    total = np.maximum(r + g + b, 1e-9)
    return r / total, g / total, b / total


def exg(rgb: npt.ArrayLike) -> Floats:
    """Excess green 2g - r - b of chromatic coordinates (Woebbecke et al. 1995, Trans. ASAE 38:259-269)."""
    r, g, b = _chromatic(rgb)
    return np.asarray(2 * g - r - b)


def exgr(rgb: npt.ArrayLike) -> Floats:
    """Excess green minus excess red, 3g - 2.4r - b; plant where > 0 (Meyer & Neto 2008, CEA 63:282-293)."""
    r, g, b = _chromatic(rgb)
    return np.asarray(3 * g - 2.4 * r - b)


def ndi(rgb: npt.ArrayLike) -> Floats:
    """Normalised difference (G - R) / (G + R), in -1..1 (Woebbecke et al. 1993, Proc. SPIE 1836)."""
    v = np.asarray(rgb, float)
    return np.asarray((v[..., 1] - v[..., 0]) / np.maximum(v[..., 1] + v[..., 0], 1e-9))


def cive(rgb: npt.ArrayLike) -> Floats:
    """Colour index of vegetation extraction; low on plants (Kataoka et al. 2003, Proc. IEEE/ASME AIM).

    The published coefficients are for 8-bit values, hence the factor 255 on our 0..1.
    """
    return np.asarray(np.asarray(rgb, float) @ [0.441 * 255, -0.811 * 255, 0.385 * 255] + 18.78745)


def dgci(rgb: npt.ArrayLike) -> Floats:
    """Dark green colour index ((H - 60)/60 + (1 - S) + (1 - B))/3 (Karcher & Richardson 2003, Crop Sci. 43:943-951).

    Hue in degrees, saturation and brightness in 0..1. NaN outside 60 <= H <= 120, where the index means nothing.
    """
    v = np.asarray(rgb, np.float32)
    h, s, b = np.moveaxis(cv2.cvtColor(v.reshape(-1, 1, 3), cv2.COLOR_RGB2HSV).reshape(v.shape), -1, 0)
    return np.asarray(np.where((h > 59.99) & (h < 120.01), ((h - 60) / 60 + (1 - s) + (1 - b)) / 3, np.nan))


def lab(rgb: Picture) -> npt.NDArray[np.float32]:
    """CIELAB under D65 of an 8-bit sRGB picture, (h, w, 3) float32: L* in 0..100, a* and b* around 0."""
    return np.asarray(cv2.cvtColor(rgb.astype(np.float32) / 255, cv2.COLOR_RGB2LAB))


def burnt(rgb: Picture) -> npt.NDArray[np.bool_]:
    """Where at least two channels are clipped: what colour stood there cannot be known."""
    r, g, b = cv2.split(rgb)
    second = np.maximum(np.minimum(r, g), np.minimum(np.maximum(r, g), b))
    return np.asarray(second >= BURNT)


@dataclass(frozen=True)
class Lamp:
    """What is known of the light on the lid.

    Attributes
    ----------
    gains:
        Factors on linear red, green and blue that make a neutral surface neutral and bring the exposure to normal.
    basis:
        What it rests on: ``view`` (the plate against its known look), ``plate``, ``ground``, ``none``.
    """

    gains: tuple[float, float, float]
    basis: str

    def correct(self, rgb: Picture) -> Picture:
        """The picture under neutral light, same shape (h, w, 3).

        A factor on linear light is a line on encoded values wherever these follow the power law of sRGB, which is
        all but its toe: a line is exact from 8-bit value 12 on, and below it off by 5 at the most.
        """
        slope = np.power(self.gains, 1 / 2.4)
        return np.asarray(cv2.transform(rgb, np.column_stack([np.diag(slope), 255 * 0.055 * (slope - 1)])))


UNKNOWN = Lamp((1.0, 1.0, 1.0), "none")
