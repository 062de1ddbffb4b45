"""The printed sheet: rendered from the PDF as a printer would, its tags found at their true size."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pypdfium2
import pytest

from sprout.cli import main
from sprout.errors import UsageError
from sprout.lid import Tags
from sprout.pyramid import Pyramid
from sprout.registration.tags import find_tags
from sprout.report.tagsheet import PATCHES, write_tag_sheet

DPI = 300
MM = 25.4 / DPI
Sheet = tuple[str, npt.NDArray[np.uint8], tuple[float, float], str]
MILLIMETRES = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}


def rendered(path: Path) -> tuple[npt.NDArray[np.uint8], tuple[float, float], str]:
    """The page as grey pixels, its size in mm, and its text."""
    document = pypdfium2.PdfDocument(path)
    assert len(document) == 1
    page = document[0]
    size = (page.get_width() / 72 * 25.4, page.get_height() / 72 * 25.4)
    pixels = page.render(scale=DPI / 72).to_numpy()
    text = page.get_textpage().get_text_bounded()
    grey = np.asarray(cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY), np.uint8)
    page.close()
    document.close()
    return grey, size, text


@pytest.fixture(params=["a4", "letter"])
def sheet(
    request: pytest.FixtureRequest, tmp_path: Path
) -> tuple[str, npt.NDArray[np.uint8], tuple[float, float], str]:
    path = tmp_path / "tags.pdf"
    assert main(["tags", str(path), "--paper", request.param]) == 0
    return request.param, *rendered(path)


def test_the_page_has_the_size_of_the_paper(sheet: Sheet) -> None:
    assert sheet[2] == pytest.approx(MILLIMETRES[sheet[0]], abs=0.1)


def test_the_tags_have_their_true_size(sheet: Sheet) -> None:
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50))
    corners, ids, _ = detector.detectMarkers(sheet[1])
    assert sorted(ids.ravel()) == [0, 0, 1, 1, 2, 2, 3, 3]
    sides = [np.linalg.norm(c[0] - np.roll(c[0], 1, axis=0), axis=1) * MM for c in corners]
    assert all(np.ptp(four) < 0.2 for four in sides)
    assert sorted(four.mean() for four in sides) == pytest.approx([15.0] * 4 + [20.0] * 4, abs=0.1)


@pytest.mark.parametrize("side", [15.0, 20.0])
def test_each_tag_is_found_when_cut_out_along_its_line(tmp_path: Path, side: float) -> None:
    """Cut out, laid turned on a dark lid, and seen at the few pixels that a phone gives it."""
    write_tag_sheet(tmp_path / "tags.pdf")
    grey, _, _ = rendered(tmp_path / "tags.pdf")
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50))
    corners, ids, _ = detector.detectMarkers(grey)
    for (four,), tag in zip(corners, np.ravel(ids).tolist(), strict=True):
        if abs(np.linalg.norm(four[0] - four[1]) * MM - side) > 1:
            continue
        cut = cv2.boundingRect(four.round().astype(np.int32))
        edge = round(0.2 * side / MM)
        piece = grey[cut[1] - edge : cut[1] + cut[3] + edge, cut[0] - edge : cut[0] + cut[2] + edge]
        lid = np.full((3 * len(piece), 3 * len(piece)), 40, np.uint8)
        lid[len(piece) : 2 * len(piece), len(piece) : 2 * len(piece)] = piece[:, : len(piece)]
        middle = 1.5 * len(piece)
        lid = cv2.warpAffine(lid, cv2.getRotationMatrix2D((middle, middle), 30, 1), lid.shape[::-1], borderValue=40)
        small = cv2.resize(lid, None, fx=2.5 * MM, fy=2.5 * MM, interpolation=cv2.INTER_AREA)  # 2.5 px a mm
        found = find_tags(Pyramid(np.dstack([small] * 3)), Tags("4x4_50", side, (0, 1, 2, 3)))
        assert set(found) == {tag}


def test_the_bar_is_100_mm_long(sheet: Sheet) -> None:
    dark = sheet[1] < 100
    runs = [np.flatnonzero(row) for row in dark[round(150 / MM) : round(170 / MM)]]
    longest = max(runs, key=len)
    assert np.ptp(longest) * MM == pytest.approx(100.0, abs=0.3)
    assert len(longest) > 0.99 * np.ptp(longest)


def test_the_greys_are_those_that_are_written_below(sheet: Sheet) -> None:
    row = sheet[1][round(133 / MM)]
    seen = [int(row[round((20 + 14 * k + 7) / MM)]) for k in range(len(PATCHES))]
    assert seen == pytest.approx(PATCHES, abs=2)
    assert all(str(grey) in sheet[3] for grey in PATCHES)


def test_the_page_says_what_to_do_and_nothing_is_cut_off(
    sheet: Sheet,
) -> None:
    name, grey, (width, height), text = sheet
    for words in ("100 %", "[tags]", 'family = "4x4_50"', "size_mm = 20.0", "ids = [0, 1, 2, 3]", "clear tape"):
        assert words in text
    ys, xs = np.nonzero(grey < 200)
    assert xs.min() * MM > 12, name
    assert width - xs.max() * MM > 8
    assert height - ys.max() * MM > 12


def test_the_sheet_is_the_same_every_time(tmp_path: Path) -> None:
    write_tag_sheet(tmp_path / "a.pdf")
    write_tag_sheet(tmp_path / "b.pdf")
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


def test_a_wrong_paper_or_name_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="choose one of a4, letter"):
        write_tag_sheet(tmp_path / "t.pdf", paper="a5")
    with pytest.raises(UsageError, match=r"end the name in \.pdf"):
        write_tag_sheet(tmp_path / "t.png")
    assert not list(tmp_path.iterdir())
