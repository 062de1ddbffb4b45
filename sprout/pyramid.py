"""A photo at half, quarter and smaller size, each made once: what is looked at coarsely costs little."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import numpy.typing as npt

_SMALLEST_PX = 64


def spacing_px(grids: npt.NDArray[np.float32]) -> float:
    """How far apart neighbours lie in the middle of grids (..., h, w, 2)."""
    y, x = grids.shape[-3] // 2, grids.shape[-2] // 2
    middle = grids[..., y, x, :]
    right, down = grids[..., y, x + 1, :] - middle, grids[..., y + 1, x, :] - middle
    return float(np.sqrt(np.median(np.abs(right[..., 0] * down[..., 1] - right[..., 1] * down[..., 0]))))


class Pyramid:
    """A picture, (h, w, 3) uint8, and its halves."""

    def __init__(self, rgb: npt.NDArray[np.uint8]) -> None:
        self._levels = [rgb]

    @property
    def size_px(self) -> tuple[int, int]:
        """(height, width) of the whole picture."""
        h, w = self._levels[0].shape[:2]
        return h, w

    def level(self, step_px: float) -> int:
        """How many times to halve the picture before it is sampled at every ``step_px`` of its pixels."""
        most = int(np.log2(min(self.size_px) / _SMALLEST_PX))
        return int(np.clip(np.floor(np.log2(1.4 * step_px)), 0, max(most, 0)))

    def halved(self, level: int) -> npt.NDArray[np.uint8]:
        """The picture halved ``level`` times."""
        while len(self._levels) <= level:
            half = cv2.resize(self._levels[-1], None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
            self._levels.append(np.asarray(half, np.uint8))
        return self._levels[level]

    def sized(self, size: tuple[int, int]) -> npt.NDArray[np.uint8]:
        """The picture at a smaller (width, height): halved, and interpolated from there.

        Within the halves every pixel counts as much as in a mean over areas, which takes several times as long.
        """
        level = 0
        while all(2 * side <= have for side, have in zip(size, self.halved(level).shape[1::-1], strict=True)):
            level += 1
        return np.asarray(cv2.resize(self.halved(level), size, interpolation=cv2.INTER_LINEAR), np.uint8)

    def recoloured(self, change: Callable[[npt.NDArray[np.uint8]], npt.NDArray[np.uint8]]) -> Pyramid:
        """The picture after a change of every pixel by itself, and its halves as far as they are made."""
        whole, *halves = (change(level) for level in self._levels)
        changed = Pyramid(whole)
        changed._levels += halves
        return changed

    def shrunk(self, long_px: int) -> tuple[npt.NDArray[np.uint8], float]:
        """The picture with a long side of at most ``long_px``, and its pixels per pixel of the whole."""
        shrink = min(1.0, long_px / max(self.size_px))
        h, w = (round(side * shrink) for side in self.size_px)
        return self.sized((w, h)), shrink

    def places(self, px: npt.NDArray[np.float32], level: int) -> npt.NDArray[np.float32]:
        """Where places (h, w, 2) of the whole picture lie in the halved one."""
        if level == 0:
            return px
        x, y = np.array(self.halved(level).shape[1::-1]) / self.size_px[::-1]
        return np.asarray(cv2.transform(px, np.array([[x, 0, (x - 1) / 2], [0, y, (y - 1) / 2]])), np.float32)

    def sampled(self, grids: npt.NDArray[np.float32]) -> npt.NDArray[np.uint8]:
        """What is seen at grids of places (..., h, w, 2), no finer than they lie apart: (..., h, w, 3)."""
        level = self.level(spacing_px(grids))
        # the grids stand one below the other
        at = self.places(grids.reshape(-1, *grids.shape[-2:]), level)
        seen = cv2.remap(self.halved(level), at, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(seen, np.uint8).reshape(*grids.shape[:-1], 3)

    def whole(self, px: npt.NDArray[np.float64], level: int) -> npt.NDArray[np.float64]:
        """Where places (..., 2) of the halved picture lie in the whole one."""
        ratio = np.array(self.halved(level).shape[1::-1]) / self.size_px[::-1]
        return np.asarray((px + 0.5) / ratio - 0.5, float)


def smaller(picture: npt.NDArray[np.uint8], size: tuple[int, int]) -> npt.NDArray[np.uint8]:
    """A picture at a smaller (width, height), see :meth:`Pyramid.sized`."""
    return Pyramid(picture).sized(size)
