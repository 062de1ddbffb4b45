"""Files: atomic writing, and the data that ships with the package."""

from __future__ import annotations

import contextlib
import errno
import os
import tempfile
from collections.abc import Iterator
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path

from sprout.errors import OutputError

_LONGEST_STEM = 230


def _unwritable(path: Path, e: OSError) -> OutputError:
    return OutputError(path, f"cannot be written ({e.strerror or e})", "choose another folder or free some space")


@contextlib.contextmanager
def atomic(path: Path | str) -> Iterator[Path]:
    """Yield a temporary path beside ``path``; move it over ``path`` when the block ends well, remove it otherwise.

    Raises
    ------
    OutputError
        If the folder cannot be made or the file cannot be written or moved.
    """
    path = Path(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.stem[:40]}-", suffix=path.suffix)
        os.close(handle)
    except OSError as e:
        raise OutputError(
            path, f"cannot be written ({e.strerror or e})", "choose another folder or free some space"
        ) from e
    temporary = Path(name)
    try:
        yield temporary
        umask = os.umask(0)
        os.umask(umask)
        temporary.chmod(0o666 & ~umask)
        flush(temporary)
        temporary.replace(path)
        flush(path.parent)
    except OSError as e:
        raise OutputError(
            path, f"cannot be written ({e.strerror or e})", "choose another folder or free some space"
        ) from e
    finally:
        temporary.unlink(missing_ok=True)


def flush(path: Path) -> None:
    """Have the system write a file, or the names in a folder, to the disk now: a power cut must not take them back."""
    if path.is_dir() and os.name == "nt":  # folders cannot be opened there
        return
    handle = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
    try:
        os.fsync(handle)
    except OSError as e:
        if e.errno not in (errno.EINVAL, errno.ENOTSUP):  # some network shares cannot
            raise
    finally:
        os.close(handle)


def write_text(path: Path | str, text: str) -> None:
    """Write ``text`` as UTF-8, atomically, its line ends as they are on every system."""
    with atomic(path) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="")


def write_bytes(path: Path | str, data: bytes) -> None:
    """Write ``data`` atomically."""
    with atomic(path) as temporary:
        temporary.write_bytes(data)


def name_of(path: Path) -> str:
    """A path as text that can be written anywhere: what is no UTF-8 in it as ``\\xe9``."""
    return os.fsencode(path).decode("utf-8", "backslashreplace")


def stem_of(path: Path) -> str:
    """A file's stem, cut short enough that a few words can be put behind it (a name has at most 255 bytes)."""
    stem = os.fsencode(path.stem)
    return path.stem if len(stem) <= _LONGEST_STEM else stem[:_LONGEST_STEM].decode("utf-8", "ignore")


def shipped(name: str) -> Traversable:
    """A folder that ships with the package: ``calibration`` or ``sample_images``.

    In the wheel both sit inside the package; in a checkout they sit beside it.
    """
    inside = resources.files("sprout") / name
    return inside if inside.is_dir() else Path(__file__).resolve().parent.parent / name
