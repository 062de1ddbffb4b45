"""A photo at half, quarter and smaller size, each made once: what is looked at coarsely costs little."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

_SMALLEST_PX = 64


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

    def shrunk(self, long_px: int) -> tuple[npt.NDArray[np.uint8], float]:
        """The picture with a long side of at most ``long_px``, and its pixels per pixel of the whole."""
        shrink = min(1.0, long_px / max(self.size_px))
        h, w = (round(side * shrink) for side in self.size_px)
        source = self.halved(self.level(0.7 / shrink))
        return np.asarray(cv2.resize(source, (w, h), interpolation=cv2.INTER_AREA), np.uint8), shrink

    def places(self, px: npt.NDArray[np.float32], level: int) -> npt.NDArray[np.float32]:
        """Where places (..., 2) of the whole picture lie in the halved one."""
        if level == 0:
            return px
        ratio = np.array(self.halved(level).shape[1::-1]) / self.size_px[::-1]
        return np.asarray((px + 0.5) * ratio - 0.5, np.float32)

    def whole(self, px: npt.NDArray[np.float64], level: int) -> npt.NDArray[np.float64]:
        """Where places (..., 2) of the halved picture lie in the whole one."""
        ratio = np.array(self.halved(level).shape[1::-1]) / self.size_px[::-1]
        return np.asarray((px + 0.5) / ratio - 0.5, float)
