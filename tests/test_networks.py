"""The networks that ship: each is there, and the engine that runs it changes nothing but the last digits."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from sprout import cover, leaves, networks, pixels, presence
from sprout.files import shipped


@pytest.mark.parametrize(
    ("name", "size"),
    [
        ("leaves", (4 * leaves.PLANES, leaves.SIDE // 2, leaves.SIDE // 2)),
        ("crowns", (4 * presence.PLANES, presence.SIDE // 2, presence.SIDE // 2)),
        ("tissue", (pixels.PLANES, 64, 48)),
        ("cover", (4 * cover.PLANES, 64, 48)),
    ],
)
def test_a_network_gives_what_the_model_file_gives(name: str, size: tuple[int, int, int]) -> None:
    first, second = np.random.default_rng(1).random((2, *size), np.float32)
    by_the_file = cv2.dnn.readNetFromONNX(
        np.frombuffer((shipped("calibration") / f"{name}.onnx").read_bytes(), np.uint8)
    )
    by_the_file.setInput(np.stack([first, second]))
    both = np.asarray(by_the_file.forward())
    got = [networks.run(name, given) for given in (first, second)]
    assert np.allclose(got, both, atol=1e-3)
    assert not np.allclose(got[0], got[1], atol=1e-3)


def test_a_path_that_the_library_cannot_open_is_read_for_it(monkeypatch: pytest.MonkeyPatch) -> None:
    given = np.random.default_rng(1).random((pixels.PLANES, 32, 32), np.float32)
    usual, load = networks.run("tissue", given), cv2.dnn.readNetFromONNX

    def cannot_open(model: object, *engine: int) -> object:
        if isinstance(model, str):
            raise cv2.error("can't read the file")
        return load(model, *engine)

    networks._network.cache_clear()
    monkeypatch.setattr(cv2.dnn, "readNetFromONNX", cannot_open)
    try:
        assert np.allclose(networks.run("tissue", given), usual, atol=1e-3)
    finally:
        networks._network.cache_clear()


def test_a_cell_holds_its_four_pixels_plane_by_plane() -> None:
    planes = np.arange(2 * 4 * 6, dtype=np.float32).reshape(2, 4, 6)
    cells = networks.cells(planes)
    assert cells.shape == (8, 2, 3)
    assert cells[4:, 1, 2].tolist() == planes[1, 2:4, 4:6].ravel().tolist()
    assert np.array_equal(networks.from_cells(cells), planes)
