"""What a registration is, and what is known of a lid's look."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Registration:
    """The map between the lid's plane (mm, the lid's frame) and the upright photo at working size (px).

    A point goes through the homography to ideal pixels p and then through radial distortion about the picture's
    centre c: q = c + (p - c) (1 + k1 r^2), with r the distance from c in units of the picture's half diagonal.

    Attributes
    ----------
    homography:
        (3, 3), mm to ideal working pixels.
    k1:
        Radial distortion coefficient (negative: barrel).
    size_px:
        (height, width) of the working picture.
    fit_mm:
        Root-mean-square distance between predicted and observed features, in mm on the lid.
    fit_by:
        What the fit rests on: words such as ``tags``, ``holes``, ``view`` joined by ``+``.
    tags_px:
        Corners (4, 2) of each tag seen, in working pixels, by id.
    """

    homography: Array
    k1: float
    size_px: tuple[int, int]
    fit_mm: float
    fit_by: str
    tags_px: dict[int, Array] = field(default_factory=dict)

    @property
    def _centre(self) -> tuple[Array, float]:
        h, w = self.size_px
        return np.array([(w - 1) / 2, (h - 1) / 2]), float(np.hypot(w, h) / 2)

    def to_px(self, mm: Array) -> Array:
        """Lid millimetres (n, 2) to working pixels (n, 2)."""
        mm = np.atleast_2d(np.asarray(mm, float))
        p = np.column_stack([mm, np.ones(len(mm))]) @ self.homography.T
        c, unit = self._centre
        d = p[:, :2] / p[:, 2:] - c
        r2 = (d**2).sum(1, keepdims=True) / unit**2
        return np.asarray(c + d * (1 + self.k1 * r2))

    def circles_px(self, centres_mm: Array, radius_mm: float) -> Array:
        """(n, 32, 2) points of circles about (n, 2) places on the lid, in working pixels."""
        turn = np.linspace(0, 2 * np.pi, 33)[:-1]
        circle = radius_mm * np.column_stack([np.cos(turn), np.sin(turn)])
        return self.to_px((centres_mm[:, None] + circle).reshape(-1, 2)).reshape(-1, *circle.shape)

    def grid_px(self, x_mm: Array, y_mm: Array) -> npt.NDArray[np.float32]:
        """Where grids on the lid are seen, in working pixels: (..., h, w, 2) for places (..., w) and (..., h) in mm.

        The same as :meth:`to_px`, in single precision: a thousandth of a pixel.
        """
        x, y = np.asarray(x_mm, np.float32)[..., None, :], np.asarray(y_mm, np.float32)[..., :, None]
        c, unit = self._centre
        u, v, w = (np.float32(a) * x + (np.float32(b) * y + np.float32(t)) for a, b, t in self.homography)
        u, v = u / w - np.float32(c[0]), v / w - np.float32(c[1])
        stretch = 1 + np.float32(self.k1 / unit**2) * (u * u + v * v)
        return np.stack([u * stretch + np.float32(c[0]), v * stretch + np.float32(c[1])], axis=-1)

    def to_mm(self, px: Array) -> Array:
        """Working pixels (n, 2) to lid millimetres (n, 2)."""
        px = np.atleast_2d(np.asarray(px, float))
        c, unit = self._centre
        d = px - c
        x, y = d.T
        for _ in range(6):
            stretch = 1 + self.k1 * ((x**2 + y**2) / unit**2)
            x, y = d.T / stretch
        p = np.column_stack([x + c[0], y + c[1], np.ones(len(px))]) @ np.linalg.inv(self.homography).T
        return np.asarray(p[:, :2] / p[:, 2:])

    def mm2_per_px(self, px: Array) -> Array:
        """Area on the lid's plane of one working pixel at each of (n, 2) places, in mm2."""
        return np.asarray(1 / self.px_per_mm(self.to_mm(px)) ** 2)

    def px_per_mm(self, mm: Array) -> Array:
        """Local scale at each of (n, 2) places on the lid, in working pixels per mm: the root of what an area grows by.

        The homography makes areas grow by its determinant over the cube of the third coordinate; the distortion, by
        the product of its stretch across and along the radius.
        """
        mm = np.atleast_2d(np.asarray(mm, float))
        p = mm @ self.homography[:, :2].T + self.homography[:, 2]
        c, unit = self._centre
        d = p[:, :2] / p[:, 2:] - c
        bend = self.k1 / unit**2 * (d * d).sum(1)
        growth = np.linalg.det(self.homography) / p[:, 2] ** 3 * (1 + bend) * (1 + 3 * bend)
        return np.asarray(np.sqrt(np.abs(growth)))


@dataclass(frozen=True, eq=False)
class LidView:
    """What is known of a lid's look, learned from a registered photo of it (best: empty, on day 0).

    Attributes
    ----------
    rgb:
        (h, w, 3) uint8, straightened view in sRGB as photographed; pixel (i, j) shows the lid's plane at
        ``origin_mm + (j, i) / px_per_mm``.
    shown:
        (h, w) bool, where ``rgb`` shows the plane (inside the photo, not hidden by plants).
    tags_mm:
        Corners (4, 2) of each tag in the lid's frame, by id, clockwise from the tag's own upper left.
    outline_mm:
        (n, 2) outline of the plate in the lid's frame, None if it was not found.
    """

    rgb: npt.NDArray[np.uint8]
    shown: npt.NDArray[np.bool_]
    origin_mm: tuple[float, float]
    px_per_mm: float
    tags_mm: dict[int, Array] = field(default_factory=dict)
    outline_mm: Array | None = None
