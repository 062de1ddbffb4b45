"""What several tests share."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from hypothesis import settings

import sprout.cli  # noqa: F401  first, since it settles on how many threads numpy reckons

settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")
sys.path.insert(0, str(Path(__file__).parent))

TEST_PHOTOS = Path(__file__).parents[1].parent / "shared" / "photos"


@pytest.fixture(scope="session")
def rendered_photos() -> Path:
    """The folder of rendered test photos with truth, kept outside the project; without it the test is skipped."""
    if not TEST_PHOTOS.is_dir():
        pytest.skip("the rendered test photos are not here")
    return TEST_PHOTOS
