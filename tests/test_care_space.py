"""Spacing: equal to brute force on small lids, sound bounds on large ones, moves that can be made."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from grows import add, begin, on, survey
from hypothesis import given, settings
from hypothesis import strategies as st

from sprout.book import Book
from sprout.care.space import EXACT_SITES, Arrangement, arrange
from sprout.cli import main


def grid(rows: int, columns: int) -> np.ndarray:
    return np.array([(62.0 * x, 68.0 * y) for y in range(rows) for x in range(columns)])


def judged(
    sites: np.ndarray, chosen: tuple[int, ...], standing: list[int], fixed: list[int]
) -> tuple[float, float, int]:
    """Smallest distance that can be helped, mean distance to the nearest, plants that keep their site."""
    distance = np.linalg.norm(sites[:, None] - sites[None], axis=2)
    pairs = [(i, j) for i, j in combinations(chosen, 2) if not (i in fixed and j in fixed)]
    nearest = [min(distance[i, j] for j in chosen if j != i) for i in chosen]
    least = min((distance[i, j] for i, j in pairs), default=np.inf)
    return round(float(least), 5), round(float(np.mean(nearest)), 5), len(set(chosen) & set(standing))


def brute(sites: np.ndarray, standing: list[int], fixed: list[int], taken: list[int]) -> tuple[float, float, int]:
    usable = [s for s in range(len(sites)) if s not in taken]
    choices = (c for c in combinations(usable, len(standing)) if set(fixed) <= set(c))
    return max(judged(sites, c, standing, fixed) for c in choices)


@settings(max_examples=60)
@given(st.data())
def test_equal_to_brute_force_on_small_lids(data: st.DataObject) -> None:
    rng = np.random.default_rng(data.draw(st.integers(0, 10_000)))
    shape = data.draw(st.sampled_from([(2, 3), (3, 3), (3, 4), (2, 5)]))
    sites = grid(*shape) if data.draw(st.booleans()) else rng.uniform(0, 300, (shape[0] * shape[1], 2))
    order = rng.permutation(len(sites)).tolist()
    plants = data.draw(st.integers(2, len(sites)))
    fixed = order[: data.draw(st.integers(0, plants // 2))]
    taken = order[plants : plants + data.draw(st.integers(0, 2))]
    got = arrange(sites, order[:plants], fixed=fixed, taken=taken)
    assert got.exact
    assert set(fixed) <= set(got.after)
    assert not set(taken) & set(got.after)
    assert judged(sites, got.after, order[:plants], fixed) == brute(sites, order[:plants], fixed, taken)


def test_the_search_on_large_lids_agrees_with_the_exact_one(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(3)
    for sites in (grid(4, 5), rng.uniform(0, 400, (20, 2))):
        standing = rng.choice(20, 8, replace=False).tolist()
        exact = arrange(sites, standing)
        with monkeypatch.context() as patch:
            patch.setattr("sprout.care.space.EXACT_SITES", 3)
            found = arrange(sites, standing)
        assert not found.exact
        assert found.nearest_mm[1] <= exact.nearest_mm[1] + 1e-6 <= found.bound_mm + 2e-6
        assert found.best
        assert found.mean_nearest_mm[1] >= 0.95 * exact.mean_nearest_mm[1]


def test_sixty_sites_reach_the_chessboard() -> None:
    # half the sites of a grid can stand a diagonal apart and no further: 2 colours cover every pair of neighbours
    got = arrange(grid(6, 10), list(range(30)))
    assert got.nearest_mm == pytest.approx((62.0, np.hypot(62, 68)))
    assert got.best
    assert len(got.moves) == 15


def test_a_bound_that_is_not_settled_is_still_a_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sprout.care.space._Problem._settle", lambda self, *_, **__: (None, np.zeros(0, np.int64)))
    got = arrange(grid(5, 6), [0, 1, 2])
    assert not got.best
    assert got.bound_mm == pytest.approx(np.hypot(5 * 62, 4 * 68))
    assert got.nearest_mm[1] > got.nearest_mm[0]


def test_a_full_lid_and_lone_plants_stay() -> None:
    assert arrange(grid(2, 3), range(6)).moves == ()
    lone = arrange(grid(2, 3), [4])
    assert (lone.moves, lone.exact, lone.nearest_mm) == ((), True, (np.inf, np.inf))
    assert arrange(grid(2, 3), []).after == ()
    assert EXACT_SITES >= 24


@pytest.mark.parametrize(("more", "words"), [({"fixed": [5]}, "must be one"), ({"taken": [0]}, "cannot be taken")])
def test_contradictions_are_refused(more: dict[str, list[int]], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        arrange(grid(2, 3), [0, 1], **more)


def moves_work(got: Arrangement) -> None:
    where = set(got.before)
    for start, goal in got.moves:
        assert start in where
        assert goal not in where
        where = where - {start} | {goal}
    assert where == set(got.after)


def test_moves_can_be_made_in_their_order() -> None:
    rng = np.random.default_rng(1)
    for _ in range(10):
        moves_work(arrange(grid(4, 6), rng.choice(24, 9, replace=False).tolist()))


@pytest.fixture
def book(tmp_path: Path) -> Path:
    with begin(tmp_path / "b", crop="lettuce") as opened:
        for day in range(1, 26):
            add(opened, survey(f"d{day}.jpg", day, {"A1": 2, "A2": 1} if day > 4 else {}))
    return tmp_path / "b"


def test_the_command_prints_notes_that_can_be_carried_out(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    picture = book.parent / "space.png"
    words = ["space", str(book), "--on", str(on(26)), "--picture", str(picture)]
    assert main(words) == 0
    out = capsys.readouterr().out
    lines = [line.strip() for line in out.splitlines() if line.strip().startswith("sprout note")]
    assert any("retire" in line for line in lines)
    assert any("move" in line for line in lines)
    assert picture.stat().st_size > 5000
    for line in lines:
        assert main(line.split()[1:]) == 0
    capsys.readouterr()
    with Book(book) as opened:
        assert len(opened.evidence().plugs().now()) == 2
    assert main(words) == 0
    assert "sprout note" not in capsys.readouterr().out


def test_a_plant_that_stays_stays(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["space", str(book), "--stay", "A1", "--json"]) == 0
    out = capsys.readouterr().out
    assert '"A1"' in out
    assert not any("move A1" in line for line in out.splitlines())
    assert main(["space", str(book), "--stay", "Z9"]) == 2


def test_plugs_that_may_come_up_yet_stay_unless_taken_out(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with begin(tmp_path / "b", crop="parsley") as opened:
        add(opened, survey("d9.jpg", 9, {"A1": 1, "A2": 1}))
    assert main(["space", str(tmp_path / "b")]) == 0
    assert "may come up yet" in capsys.readouterr().out
    assert main(["space", str(tmp_path / "b"), "--clear", "--picture", str(tmp_path / "s.svg")]) == 0
    assert capsys.readouterr().out.count("retire") == 4
    assert main(["space", str(tmp_path / "b"), "--picture", str(tmp_path / "s.txt")]) == 2
