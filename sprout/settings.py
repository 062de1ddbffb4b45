"""Settings that change what a reading says, with a digest that travels with each reading."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass

VERSION = "0.1.0"


@dataclass(frozen=True)
class Settings:
    """What a reading depends on besides the photo and the lid.

    Attributes
    ----------
    working_px:
        Longest side of the picture that is worked on, in pixels. Larger photos are decoded scaled.
    max_megapixels:
        Photos larger than this are refused (a guard against decompression bombs).
    max_fit_mm:
        A registration with a larger root-mean-square error is refused, in mm on the lid.
    """

    working_px: int = 2016
    max_megapixels: float = 130.0
    max_fit_mm: float = 1.5

    def digest(self) -> str:
        """Twelve hexadecimal digits that stand for these settings and this version."""
        text = json.dumps({"version": VERSION, **asdict(self)}, sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:12]
