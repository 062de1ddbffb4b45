"""The straightened views under one light, and the film made of them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from artificial import Stand, draw_lid, drawn_lid, save_jpeg
from grows import SOWN, add, begin, on, survey
from PIL import Image

from sprout.book import Book, Grow
from sprout.cli import main
from sprout.errors import BookError, UsageError
from sprout.intake import log_photos
from sprout.lid import Lid
from sprout.light import to_linear
from sprout.plugs import Sowing
from sprout.report import film
from sprout.report.film import captions, film_kind, frames, write_film
from sprout.report.steady import STILL, Steady
from sprout.report.views import DayView, Grid, Kept, day_views, grid_of, kept_views

# How the phone was held and the lamp stood: no two photos alike.
SHOTS: list[dict[str, Any]] = [
    {},
    {"tilt_deg": 14, "tilt_towards_deg": 40, "exposure_ev": -0.8, "shading": 0.3},
    {"tilt_deg": 9, "tilt_towards_deg": 200, "roll_deg": 6, "cast": (1.25, 1.0, 0.7)},
    {"tilt_deg": 5, "roll_deg": -4, "fill": 0.7, "cast": (0.85, 1.0, 1.2), "exposure_ev": 0.3},
]


@pytest.fixture(scope="module")
def drawn_book(tmp_path_factory: pytest.TempPathFactory) -> Book:
    """A book of photos drawn flat on the lid's plane, every second day; A1 grows, all else stays empty."""
    folder = tmp_path_factory.mktemp("film")
    lid = drawn_lid(tags=True)  # a bare grid looks the same turned round
    book = Book.begin(folder / "a book", Grow(SOWN, {site: Sowing("basil", 2) for site in lid.labels}), lid=lid)
    for k, shot in enumerate(SHOTS):
        sprouts = {"A1": Stand(2, leaf_mm=5.0 + 2 * k)} if k else {}
        taken = datetime.combine(on(2 * k), datetime.min.time()) + timedelta(hours=8)
        save_jpeg(draw_lid(lid, sprouts=sprouts, seed=k, **shot), folder / f"{k}.jpg", taken_at=taken)
    logged = list(log_photos(book, [folder / f"{k}.jpg" for k in range(len(SHOTS))]))
    assert [one.outcome for one in logged] == ["read"] * len(SHOTS)
    return book


def views_of(book: Book, *, long_px: int | None = None) -> tuple[list[DayView], Grid]:
    kept = kept_views(book.photos(), book.path)
    grid = grid_of(kept, long_px=long_px)
    assert grid is not None
    return list(day_views(kept, book.lid, grid)), grid


def hole_centre(rgb: npt.NDArray[np.uint8], at: npt.NDArray[np.float64], radius: float) -> npt.NDArray[np.float64]:
    """Centre of the dark disc about a place: the middle of what is darker than half way to the plate."""
    x, y = at.round().astype(int)
    reach = round(1.6 * radius)
    patch = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)[y - reach : y + reach + 1, x - reach : x + reach + 1].astype(float)
    plate, hole = np.percentile(patch, 90), np.percentile(patch, 10)
    weight = np.clip((plate - patch) / (plate - hole), 0, 1)
    weight[weight < 0.3] = 0
    v, u = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    return np.array([x + (u * weight).sum() / weight.sum(), y + (v * weight).sum() / weight.sum()])


def test_plugs_do_not_jump_from_day_to_day(drawn_book: Book) -> None:
    """At the size of the film empty holes stay within a pixel of where they were, whichever way the phone was held."""
    views, grid = views_of(drawn_book, long_px=film.LONG_PX[".mp4"])
    radius = drawn_book.lid.hole_mm / 2 * grid.px_per_mm
    places = dict(zip(drawn_book.lid.labels, grid.place(drawn_book.lid.sites_mm), strict=True))
    for label in ("A4", "B2", "C1", "C4"):
        seen = np.array([hole_centre(view.rgb, places[label], radius) for view in views])
        steps = np.linalg.norm(np.diff(seen, axis=0), axis=1)
        assert steps.max() < 1.0, label


HOLES = np.array([[x, y] for y in (80.0, 200.0) for x in (80.0, 200.0, 320.0)])


def discs(places: npt.NDArray[np.float64], *, covered: tuple[int, ...] = (), light: int = 220) -> npt.NDArray[np.uint8]:
    """Dark holes with a bright fleck in a plate with a mark; leaves over some of them."""
    picture = np.full((280, 400, 3), light, np.uint8)
    cv2.rectangle(picture, (4, 4), (20, 20), (30, 30, 30), -1)
    for k, place in enumerate(places):
        x, y = (round(16 * v) for v in place)
        cv2.circle(picture, (x, y), 16 * 24, (40, 34, 30), -1, cv2.LINE_AA, 4)
        cv2.circle(picture, (x + 16 * 8, y - 16 * 5), 16 * 3, (150, 140, 120), -1, cv2.LINE_AA, 4)
        if k in covered:
            cv2.circle(picture, (x + 16 * 14, y), 16 * 26, (60, 140, 50), -1, cv2.LINE_AA, 4)
    return picture


@pytest.mark.parametrize("covered", [(), (1,), (0, 1, 4)])
def test_plugs_that_another_view_moves_are_put_back_and_the_plate_stays(covered: tuple[int, ...]) -> None:
    turn = np.array([[1.004, 0.006], [-0.006, 0.997]])
    moved = (HOLES - 200) @ turn.T + 200 + [2.0, -1.3]
    steady = Steady(discs(HOLES), HOLES, hole_px=48, px_per_mm=2)
    view = discs(moved, covered=covered, light=200)
    back = steady.move(view)
    apart = moved @ back[:, :2].T + back[:, 2] - HOLES
    assert np.abs(apart).max() < 0.8 if len(covered) == 3 else np.abs(apart).max() < 0.2
    stilled = steady.stilled(view, back)
    assert (stilled[:24, :24] == view[:24, :24]).all()
    assert np.abs(hole_centre(stilled, HOLES[5], 24) - HOLES[5]).max() < 0.8
    assert np.abs(hole_centre(view, HOLES[5], 24) - HOLES[5]).max() > 1.2


def test_without_a_hole_to_go_by_nothing_moves() -> None:
    steady = Steady(discs(HOLES), HOLES, hole_px=48, px_per_mm=2)
    leaves = np.random.default_rng(1).integers(40, 160, (280, 400, 3), np.uint8)
    assert (steady.move(leaves) == STILL).all()
    assert (steady.move(np.full((280, 400, 3), 90, np.uint8)) == STILL).all()
    edge = Steady(discs(HOLES), np.array([[2.0, 2.0]]), hole_px=48, px_per_mm=2)
    assert (edge.move(discs(HOLES)) == STILL).all()


def plate_colours(views: list[DayView], lid: Lid, grid: Grid) -> npt.NDArray[np.float64]:
    """(days, places, 3) linear colour of the plate midway between four holes."""
    between = (lid.sites_mm[0] + lid.sites_mm[5]) / 2 - lid.sites_mm[0]
    spots = [grid.place((lid.sites_mm[k] + between)[None])[0].round().astype(int) for k in (0, 2, 4, 6)]
    return np.array(
        [[to_linear(v.rgb[y - 4 : y + 5, x - 4 : x + 5].mean((0, 1)) / 255) for x, y in spots] for v in views]
    )


def test_the_plate_looks_alike_on_all_days(drawn_book: Book) -> None:
    lid = drawn_book.lid
    kept = kept_views(drawn_book.photos(), drawn_book.path)
    views, grid = views_of(drawn_book)
    raw = [replace(v, rgb=np.asarray(Image.open(one.file))) for v, one in zip(views, kept, strict=True)]
    before, after = (plate_colours(some, lid, grid) for some in (raw, views))

    def apart(colours: npt.NDArray[np.float64]) -> float:
        return float((np.ptp(colours, axis=0) / colours.mean(0)).max())

    assert apart(before) > 0.5
    assert apart(after) < 0.15


def test_growth_shows_and_leaves_stay_green(drawn_book: Book) -> None:
    views, grid = views_of(drawn_book)
    x, y = grid.place(drawn_book.lid.sites_mm[:1])[0].round().astype(int)
    reach = round(12 * grid.px_per_mm)
    green = []
    for view in views:
        r, g, b = view.rgb[y - reach : y + reach, x - reach : x + reach].astype(int).transpose(2, 0, 1)
        green.append(int(((g > r + 15) & (g > b + 15)).sum()))
    assert green[0] < 20 < green[1]
    assert green[3] > 1.3 * green[1]


def test_views_of_other_sizes_come_onto_one_grid(tmp_path: Path, drawn_book: Book) -> None:
    """A view kept at half the size, from another corner, lies where the full one does."""
    kept = kept_views(drawn_book.photos(), drawn_book.path)[0]
    full = Image.open(kept.file).convert("RGB")
    cut = full.crop((40, 20, full.width - full.width % 2, full.height - full.height % 2))
    half = cut.resize((cut.width // 2, cut.height // 2), Image.Resampling.BOX)
    half.save(tmp_path / "half.png")
    shift = 0.5 / kept.px_per_mm
    origin = kept.origin_mm[0] + 40 / kept.px_per_mm + shift, kept.origin_mm[1] + 20 / kept.px_per_mm + shift
    other = Kept(kept.date + timedelta(days=1), tmp_path / "half.png", origin, kept.px_per_mm / 2)
    grid = grid_of([kept])
    assert grid is not None
    a, b = (v.rgb[60:-60, 60:-60].astype(float) for v in day_views([kept, other], drawn_book.lid, grid))
    shifted, _ = cv2.phaseCorrelate(a.mean(2), b.mean(2), cv2.createHanningWindow(a.shape[1::-1], cv2.CV_64F))
    assert np.abs(shifted).max() < 0.2
    assert np.abs(a - b).mean() < 6


def test_the_last_view_of_a_day_stands_for_it_and_lost_files_are_left_out(tmp_path: Path) -> None:
    with begin(tmp_path / "book") as book:
        add(
            book,
            survey("a.jpg", 1, {}, hour=7),
            survey("b.jpg", 1, {}, hour=9),
            survey("c.jpg", 2, {}),
            survey("d.jpg", 3, {}),
        )
        photos = book.photos()
        kept = kept_views(photos, book.path)
        assert [one.date for one in kept] == [on(1), on(2), on(3)]
        assert kept[0].file.name == Path(photos["view"].iloc[1]).name
        kept[1].file.unlink()
        kept[2].file.write_bytes(b"not a picture")
        assert [one.date for one in kept_views(photos, book.path)] == [on(1), on(3)]
        grid = grid_of(kept[:1])
        assert grid is not None
        assert [v.date for v in day_views(kept, book.lid, grid)] == [on(1)]


def grow_table(*rows: tuple[date, int]) -> Any:
    from sprout import columns

    made = [
        {"date": d.isoformat(), "day": (d - SOWN).days, "plugs": 6, "sprouted": n, "seedlings": 2 * n} for d, n in rows
    ]
    return columns.frame(made, columns.GROW)


def test_every_day_has_its_caption() -> None:
    told = captions(grow_table((on(2), 0), (on(3), 1), (on(5), 2)), [on(2), on(5)], SOWN)
    assert [c.day for c in told] == [2, 3, 4, 5]
    assert [c.seen for c in told] == [True, False, False, True]
    assert [c.count for c in told] == [
        "0 of 6 up, 0 seedlings", "1 of 6 up, 2 seedlings", "1 of 6 up, 2 seedlings", "2 of 6 up, 4 seedlings",
    ]  # fmt: skip
    assert [c.done for c in told] == pytest.approx([0, 1 / 3, 2 / 3, 1])
    assert captions(grow_table(), [], SOWN) == []


def flat(day: int, grey: int) -> DayView:
    return DayView(on(day), np.full((61, 91, 3), grey, np.uint8))


def test_a_day_without_a_photo_keeps_the_picture_before_it() -> None:
    views = [flat(0, 40), flat(3, 200)]
    made = list(frames(views, captions(grow_table(), [v.date for v in views], SOWN)))
    assert [picture.getpixel((10, 10))[0] for picture in made] == [40, 40, 40, 200]
    assert {side % 2 for picture in made for side in picture.size} == {0}
    assert all(picture.size == made[0].size for picture in made)


def shown(path: Path) -> list[tuple[int, float]]:
    """Grey of each picture at a place, and for how many seconds it is shown."""
    if path.suffix == ".mp4":
        film_ = cv2.VideoCapture(str(path))
        second = 1 / film_.get(cv2.CAP_PROP_FPS)
        found: list[tuple[int, float]] = []
        while True:
            there, picture = film_.read()
            if not there:
                return found
            grey = int(picture[10, 10, 0])
            if found and abs(found[-1][0] - grey) < 8:
                found[-1] = (found[-1][0], found[-1][1] + second)
            else:
                found.append((grey, second))
    with Image.open(path) as picture:
        found = []
        for k in range(picture.n_frames):
            picture.seek(k)
            picture.load()
            found.append((picture.convert("RGB").getpixel((10, 10))[0], picture.info["duration"] / 1000))
        return found


@pytest.mark.parametrize("kind", [".mp4", ".webp", ".gif"])
def test_a_film_shows_its_pictures_in_order_and_at_its_pace(tmp_path: Path, kind: str) -> None:
    views = [flat(0, 40), flat(1, 110), flat(2, 200)]
    path = tmp_path / f"my film{kind}"
    write_film(frames(views, captions(grow_table(), [v.date for v in views], SOWN)), path, days_per_second=2)
    found = shown(path)
    assert [grey for grey, _ in found] == pytest.approx([40, 110, 200], abs=6)
    assert [seconds for _, seconds in found] == pytest.approx([0.5, 0.5, 2.0], abs=0.01)
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


def test_what_is_no_film_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"end the name in \.mp4, \.webp, \.gif"):
        film_kind(tmp_path / "film.avi")
    with pytest.raises(BookError, match="log photos first"):
        write_film([], tmp_path / "film.gif")
    assert not list(tmp_path.iterdir())


def test_the_command_writes_a_film(
    drawn_book: Book, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["film", str(drawn_book.path)]) == 0
    assert (tmp_path / "a book.mp4").stat().st_size > 10_000
    assert main(["film", str(drawn_book.path), "out/f.gif"]) == 0
    assert len(shown(tmp_path / "out" / "f.gif")) == 7
    assert "7 days" in capsys.readouterr().err
    assert main(["film", str(drawn_book.path), "film.txt"]) == 2
    with begin(tmp_path / "empty"):
        pass
    assert main(["film", str(tmp_path / "empty")]) == 5
    assert "log photos first" in capsys.readouterr().err
