"""The small neural networks that ship with the package, run by the quicker of OpenCV's engines."""

from __future__ import annotations

from functools import cache
from importlib import resources
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from sprout.files import shipped


@cache
def _network(name: str) -> Any:
    # OpenCV 5's own choice is its newer engine, which has no Winograd convolution (Lavin & Gray 2016, Proc. CVPR:
    # 4013-4021) and takes up to one and a half times as long here; for a model in memory nothing else is to be had
    engine = [cv2.dnn.ENGINE_CLASSIC] if hasattr(cv2.dnn, "ENGINE_CLASSIC") else []
    with resources.as_file(shipped("calibration") / f"{name}.onnx") as path:
        try:
            return cv2.dnn.readNetFromONNX(str(path), *engine)
        except cv2.error:  # on Windows it cannot open a path with letters that the system's code page lacks
            return cv2.dnn.readNetFromONNX(np.frombuffer(path.read_bytes(), np.uint8))


def cells(planes: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Cells of 2 x 2 pixels, each pixel a plane: (4 p, h / 2, w / 2) from (p, h, w), planes first, then rows.

    A network that begins with cells needs no stride where its maps are largest: Winograd's convolution knows none.
    """
    p, h, w = planes.shape
    apart = planes.reshape(p, h // 2, 2, w // 2, 2).transpose(0, 2, 4, 1, 3)
    return np.ascontiguousarray(apart).reshape(4 * p, h // 2, w // 2)


def from_cells(maps: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """The inverse of :func:`cells`: (p, 2 h, 2 w) from (4 p, h, w)."""
    p, h, w = maps.shape
    return maps.reshape(p // 4, 2, 2, h, w).transpose(0, 3, 1, 4, 2).reshape(p // 4, 2 * h, 2 * w)


def run(name: str, given: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """What a network makes of one input: ``calibration/<name>.onnx`` of (planes, h, w)."""
    network = _network(name)
    network.setInput(given[None])
    return np.asarray(network.forward()[0], np.float32)
