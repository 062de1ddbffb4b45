"""Tries the built wheel and source distribution as strangers meet them.

Every extra alone; folders with spaces and accents; the languages of people who write decimal commas, dotless i's or
nothing but ASCII; a home folder that nobody may write to; a machine without network. What comes out must be the same
bytes everywhere.

    python .ci/installed.py UV DIST WORK    uv's program, the folder of what was built, a folder to work in
"""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import statistics
import subprocess
import sys
import time
import urllib.request
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from pathlib import Path

UV, DIST, WORK = (Path(word).resolve() for word in sys.argv[1:4])
SAMPLES = Path(__file__).resolve().parents[1] / "sample_images"

# the moment at which a calendar was written
MADE = re.compile(rb"^(DTSTAMP|LAST-MODIFIED):.*$", re.MULTILINE)
# Runs first in every process: takes up the language also for the C library's numbers, as a program does that has sprout
# inside, and ends the process at its first attempt to reach another machine.
WATCH = """
import contextlib, locale, os, socket, sys
with contextlib.suppress(locale.Error):
    locale.setlocale(locale.LC_ALL, "")
def watch(event, told):
    local = event != "socket.getaddrinfo" and getattr(told[0], "family", None) == getattr(socket, "AF_UNIX", None)
    if event in ("socket.getaddrinfo", "socket.connect", "socket.sendto", "socket.bind") and not local:
        os.write(2, f"reaches for the network: {event} {told}\\n".encode("ascii", "replace"))
        os._exit(99)
sys.addaudithook(watch)
"""
# a network and file system of its own, in which the home folder is empty and read-only, for an administrator too
APART = ["unshare", "--map-root-user", "--net", "--mount"]
APART += ["sh", "-c", 'mount -t tmpfs -o ro none "$HOME" && exec "$@"', "sh"]


@dataclass(frozen=True)
class Place:
    """Where the routine runs: the folder's name, the language, and whether home and network are taken away."""

    folder: str
    language: str
    apart: bool = True
    ascii_only: bool = False

    @property
    def environment(self) -> dict[str, str]:
        kept = {
            k: v for k, v in os.environ.items() if not k.startswith(("XDG_", "LC_", "LANG", "MPL", "PYTHON", "SPROUT_"))
        }
        kept |= {"LC_ALL": self.language, "COLUMNS": "100"}
        if (WORK / "languages" / self.language).exists():
            kept["LOCPATH"] = str(WORK / "languages")
        if self.ascii_only:
            kept |= {"PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
        if self.apart:
            kept |= {"PYTHONPATH": str(WORK / "watch"), "HOME": str(WORK / "home") if can_part() else os.devnull}
        return kept


PLAIN = Place("a grower's folder", "C.UTF-8", apart=False)
GERMAN = Place("jardin d'été – Grüße", "de_DE.UTF-8")
PLACES = {
    "plain": PLAIN,
    "German": GERMAN,
    "Turkish": Place("bahçe IıİiŞ", "tr_TR.UTF-8"),
    "ASCII": Place("jardin d'été – Grüße, ascii", "POSIX", ascii_only=True),
}


@cache
def can_part() -> bool:
    """Whether this machine lets a process have a network and file systems of its own."""
    (WORK / "home").mkdir(exist_ok=True)
    trial = [*APART, "true"]
    return (
        bool(shutil.which("unshare"))
        and not subprocess.run(trial, env={**os.environ, "HOME": str(WORK / "home")}, capture_output=True).returncode
    )


def installed(name: str, what: str, *, with_pip: bool = False) -> Path:
    """A fresh environment that holds ``what`` alone; its folder of programs."""
    python = WORK / name / "bin" / "python"
    if with_pip:
        subprocess.run([sys.executable, "-m", "venv", WORK / name], check=True)
        subprocess.run([python, "-m", "pip", "install", "-qq", "--disable-pip-version-check", what], check=True)
    else:
        subprocess.run([UV, "venv", "--quiet", "--python", sys.executable, WORK / name], check=True)
        subprocess.run([UV, "pip", "install", "--quiet", "--python", python, what], check=True)
    subprocess.run([UV, "pip", "check", "--quiet", "--python", python], check=True)
    return python.parent


def sprout(bin: Path, place: Place, *words: str, status: int = 0) -> tuple[bytes, bytes]:
    """Run one command in the place; what it wrote on standard output and on standard error."""
    before = APART if place.apart and can_part() else []
    done = subprocess.run(
        [*before, bin / "sprout", *words],
        cwd=WORK / place.folder,
        env=place.environment,
        capture_output=True,
        timeout=300,
    )
    told = done.stderr.decode("utf-8", "replace")
    assert done.returncode == status, f"{place.folder}: sprout {' '.join(words)}: {done.returncode}\n{told}"
    return done.stdout, done.stderr


def routine(bin: Path, place: Place) -> dict[str, bytes]:
    """A grower's first days in an empty folder; all that was written, by the name of the file or command."""
    folder = WORK / place.folder
    (folder / "été photos").mkdir()
    for name, to in (
        ("lid.toml", "lid.toml"),
        ("photos/day00.jpg", "leer – ü.jpg"),
        ("photos/day08.jpg", "été photos/ü8.jpg"),
    ):
        shutil.copy(SAMPLES / name, folder / to)
    shutil.copy(SAMPLES / "photos" / "day10.jpg", folder / "été photos")
    (folder / "Zählung.csv").write_text("date;site;seedlings;tissue_cm2\n2026-08-31;B2;1;1,5\n", "utf-8")
    known = ("--as-of", "2026-09-01")
    said: list[tuple[str, tuple[bytes, bytes]]] = []
    for words in (
        (
            "begin",
            "büch",
            "--lid",
            "lid.toml",
            "--sown",
            "2026-08-22",
            "--crop",
            "basil",
            "--seeds",
            "2",
            "--empty",
            "leer – ü.jpg",
        )
        + ("--reservoir", "4.5", "--label", "window=south"),
        ("log", "büch", "été photos", "--quiet"),
        ("note", "büch", "topup", "1.5", "--on", "2026-08-31"),
        ("enter", "büch", "Zählung.csv"),
        ("table", "büch", "--of", "days", "--csv", "Tage.csv"),
        ("table", "büch", "--of", "growth", "--csv", "-"),
        ("table", "büch", "--of", "plugs"),
        ("outlook", "büch", *known, "--json"),
        ("today", "büch", *known, "--calendar", "zu tun.ics"),
        ("report", "büch", *known, "--html", "Bericht.html"),
        ("measure", "--lid", "lid.toml", "été photos/ü8.jpg", "--csv", "gemessen.csv", "--marked", "markiert é"),
    ):
        said.append((words[0] + " " + words[-1], sprout(bin, place, *words)))
    out = {f"standard output of {name}": output for name, (output, _) in said}
    out |= {f"standard error of {name}": error for name, (_, error) in said}
    for file in sorted(folder.rglob("*.*")):
        if file.suffix in (".csv", ".ics", ".html", ".png", ".jpg"):
            out[str(file.relative_to(folder))] = MADE.sub(b"", file.read_bytes())
    return out


def same(there: dict[str, bytes], here: dict[str, bytes], name: str, place: Place) -> None:
    assert there.keys() == here.keys(), f"{name}: {there.keys() ^ here.keys()}"
    for part, wanted in there.items():
        if part.startswith("standard") and place.ascii_only:  # a terminal that has no ü shows ?
            assert here[part].isascii(), f"{name}: {part}"
            continue
        assert here[part] == wanted, f"{name}: {part} differs\n{wanted[:600]!r}\n{here[part][:600]!r}"
    print(f"  {name}: {len(there)} outputs the same, byte for byte")


def languages() -> set[str]:
    """Make the languages that the machine does not have; those that are then there."""
    (WORK / "languages").mkdir()
    for place in PLACES.values():
        name, _, coding = place.language.partition(".")
        if name not in ("C", "POSIX") and shutil.which("localedef"):
            subprocess.run(
                ["localedef", "-i", name, "-f", coding, WORK / "languages" / place.language], capture_output=True
            )
    there = set()
    for name, place in PLACES.items():
        code = "import locale; locale.setlocale(locale.LC_ALL, ''); print(locale.localeconv()['decimal_point'])"
        told = subprocess.run([sys.executable, "-c", code], env=place.environment, capture_output=True, text=True)
        if told.stdout.strip() == ("," if place.language[:2] in ("de", "tr") else "."):
            there.add(name)
        else:
            print(f"  {name} is not tried: the machine can neither have nor make the language {place.language}")
    return there


def speaks_of_what_is_missing(bin: Path, place: Place) -> None:
    """Where an extra is not installed, what needs it says what to install."""
    _, error = sprout(bin, place, "serve", "büch", "--port", "0", status=2)
    assert b'pip install ".[web]"' in error, error
    words = ("measure", "--lid", "lid.toml", "été photos/ü8.jpg", "--cluster", "tcp://127.0.0.1:1")
    _, error = sprout(bin, place, *words, status=2)
    assert b'pip install ".[cluster]"' in error, error
    print("  without an extra its command says what to install")


def serves(bin: Path) -> None:
    """The page answers, and ends at a Ctrl-C."""
    server = subprocess.Popen(
        [bin / "sprout", "serve", "büch", "--port", "0"],
        cwd=WORK / PLAIN.folder,
        env=PLAIN.environment,
        stderr=subprocess.PIPE,
    )
    try:
        for line in server.stderr or ():
            if b" is at http" in line:
                at = line.decode("utf-8").partition(" is at ")[2].partition(";")[0]
                break
        with urllib.request.urlopen(at, timeout=30) as answer:
            assert answer.status == 200
            assert b"<html" in answer.read()
        server.send_signal(signal.SIGINT)
        assert server.wait(30) in (0, 130), server.returncode
    finally:
        server.kill()
        server.wait()
    print("  [web] serves the page")


def clusters(bin: Path, wanted: bytes) -> None:
    """A photo read on a cluster of this machine gives the row that it gives here."""
    folder = WORK / PLAIN.folder
    told = folder / "scheduler.json"

    def start(what: str, *words: str) -> subprocess.Popen[bytes]:
        code = f"from distributed.cli.dask_{what} import main; main()"
        command = [bin / "python", "-c", code, "--no-dashboard", *words]
        return subprocess.Popen(
            command, cwd=folder, env=PLAIN.environment, stderr=subprocess.DEVNULL, start_new_session=True
        )

    running = [start("scheduler", "--host", "127.0.0.1", "--port", "0", "--scheduler-file", str(told))]
    try:
        end = time.monotonic() + 60
        while not (told.exists() and told.read_text("utf-8").rstrip().endswith("}")):
            assert time.monotonic() < end, "the scheduler does not come up"
            time.sleep(0.1)
        at = json.loads(told.read_text("utf-8"))["address"]
        running.append(start("worker", at, "--nthreads", "1", "--nworkers", "1"))
        words = ("measure", "--lid", "lid.toml", "été photos/ü8.jpg", "--csv", "gemessen.csv", "--cluster", at)
        sprout(bin, PLAIN, *words)
        assert (folder / "gemessen.csv").read_bytes() == wanted, "a cluster's row differs from this machine's"
    finally:
        for process in reversed(running):
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
    print("  [cluster] reads a photo on a cluster, the same byte for byte")


def figures(bin: Path) -> None:
    """Times to start, the middle of nine; nothing depends on them here."""

    def seconds(*command: str | Path) -> float:
        times = []
        for _ in range(9):
            start = time.perf_counter()
            subprocess.run(command, check=True, capture_output=True, env=PLAIN.environment)
            times.append(time.perf_counter() - start)
        return statistics.median(times)

    python = bin / "python"
    print(
        f"  python alone {seconds(python, '-c', 'pass'):.2f} s,"
        f" import sprout {seconds(python, '-c', 'import sprout'):.2f} s,"
        f" sprout --help {seconds(bin / 'sprout', '--help'):.2f} s"
    )


def files(bin: Path) -> dict[str, bytes]:
    (package,) = bin.parent.glob("lib/python*/site-packages/sprout")
    return {
        str(f.relative_to(package)): f.read_bytes() for f in package.rglob("*") if f.is_file() and f.suffix != ".pyc"
    }


def main(extras: Sequence[str] = ("web", "cluster")) -> None:
    (wheel,), (source,) = DIST.glob("*.whl"), DIST.glob("*.tar.gz")
    (WORK / "watch").mkdir(parents=True)
    (WORK / "watch" / "sitecustomize.py").write_text(WATCH, "utf-8")
    core, from_source = installed("core", str(wheel), with_pip=True), installed("from-source", str(source))
    assert files(core) == files(from_source), "wheel and source distribution install different files"
    with_extra = {extra: installed(extra, f"{wheel}[{extra}]") for extra in extras}
    print(f"  installed, wheel and source alike: core, {', '.join(extras)}")
    if not can_part():
        print("  no network of its own may be made here: attempts to reach one are caught, home is nowhere")
    there = languages()
    place = GERMAN if "German" in there else PLAIN
    for each in PLACES.values():
        (WORK / each.folder).mkdir()
    with ThreadPoolExecutor(2) as pool:
        bins = {"German": from_source}
        demo = pool.submit(sprout, core, place, "demo", "../démo")
        running = {name: pool.submit(routine, bins.get(name, core), PLACES[name]) for name in PLACES if name in there}
        done = {name: run.result() for name, run in running.items()}
        demo.result()
    for name in there - {"plain"}:
        same(done["plain"], done[name], name, PLACES[name])
    table, _ = sprout(core, place, "table", "../démo/book", "--of", "plugs", "--csv", "-")
    assert table.count(b"\n") == 16, "the demo's table should have fifteen plugs"
    print("  the demo runs")
    speaks_of_what_is_missing(core, place)
    serves(with_extra["web"])
    clusters(with_extra["cluster"], done["plain"]["gemessen.csv"])
    figures(core)


if __name__ == "__main__":
    main()
