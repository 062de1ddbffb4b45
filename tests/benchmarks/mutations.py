"""Valid files, and changes at random places that break them."""

from __future__ import annotations

import io
import sys
from pathlib import Path

from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parents[1]))

from bad_photos.make_shelf import encoded, exif, scene

Change = tuple[str, float, float, bytes]
CHANGES = st.lists(
    st.tuples(
        st.sampled_from(["put", "cut", "drop", "twice", "insert", "swap", "largest", "zero"]),
        st.one_of(st.floats(0, 1), st.floats(0, 0.05)),  # headers are where it hurts
        st.floats(0, 1),
        st.one_of(
            st.binary(min_size=1, max_size=8),
            st.text("0123456789.,;-+e[]='\" \n\tAäB", min_size=1, max_size=8).map(str.encode),
        ),
    ),
    min_size=1,
    max_size=6,
)


def changed(data: bytes, changes: list[Change]) -> bytes:
    """The bytes with each change made in turn."""
    for kind, where, share, new in changes:
        at = int(where * len(data))
        end = at + 1 + int(share * min(len(data) - at, len(data) // 8, 4096))
        if kind == "put":
            data = data[:at] + new + data[at + len(new) :]
        elif kind == "cut":
            data = data[:at] if where > 0.05 else data
        elif kind == "drop":
            data = data[:at] + data[end:]
        elif kind == "twice":
            data = data[:end] + data[at:end] * (1 + new[0] % 8) + data[end:]
        elif kind == "insert":
            data = data[:at] + new * (1 + new[0]) + data[at:]
        elif kind == "swap":
            other = int(share * len(data))
            low, high = sorted((at, other))
            data = (
                data[:low] + data[high : high + 16] + data[low + 16 : high] + data[low : low + 16] + data[high + 16 :]
            )
        else:
            n = 1 + new[0] % 4
            data = data[:at] + (b"\xff" if kind == "largest" else b"\0") * n + data[at + n :]
    return data


def photo_files() -> list[bytes]:
    """A small photo in every format that is read."""
    small = scene().resize((400, 300))
    tags = exif({0x0112: 6, 0x010E: "a windowsill"}, {0x9003: "2026:03:04 10:00:00", 0x9011: "+01:00"})
    mpo = io.BytesIO()
    small.save(mpo, "MPO", save_all=True, append_images=[small.resize((200, 150))])
    return [
        encoded(small, "JPEG", exif=tags),
        encoded(small, "JPEG", progressive=True),
        encoded(small.convert("CMYK"), "JPEG"),
        encoded(small, "PNG", exif=tags),
        encoded(small.quantize(32), "PNG", transparency=3),
        encoded(small.convert("L").convert("I;16"), "PNG"),
        encoded(small, "WEBP", exif=tags),
        encoded(small, "TIFF", compression="tiff_lzw"),
        encoded(small.convert("CMYK"), "TIFF"),
        encoded(small, "HEIF", exif=tags),
        mpo.getvalue(),
    ]
