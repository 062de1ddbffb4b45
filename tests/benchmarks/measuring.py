"""What the benchmarks of speed and size share: the machine's name, the best of several runs, a process and its cost."""

from __future__ import annotations

import os
import platform
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter, process_time
from typing import TypeVar

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_images"
T = TypeVar("T")


@dataclass(frozen=True)
class Cost:
    """What a process took: seconds by the clock and of the processor (its own workers too), MiB at its peak."""

    wall: float
    cpu: float
    peak_mib: float


def machine() -> str:
    """The machine and the libraries in a line, and how busy the machine was in the last minute."""
    import cv2
    import numpy as np
    import PIL

    cpuinfo = Path("/proc/cpuinfo")
    names = [s for s in cpuinfo.read_text().splitlines() if s.startswith("model name")] if cpuinfo.exists() else []
    name = names[0].partition(":")[2].strip() if names else platform.processor() or platform.machine()
    of = ((cv2, "OpenCV"), (np, "NumPy"), (PIL, "Pillow"))
    libraries = ", ".join(f"{word} {module.__version__}" for module, word in of)
    there = f"{os.cpu_count()} processors, {platform.system()} {platform.machine()}"
    return f"{name}, {there}, Python {platform.python_version()}, {libraries}; load {load():.1f}"


def load() -> float:
    """Processes that wanted to run, mean of the last minute."""
    return os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")


def best(work: Callable[[], T], runs: int = 5) -> tuple[float, T]:
    """CPU seconds of the fastest run, and what it gave."""
    fastest = float("inf")
    for _ in range(runs):
        begun = process_time()
        result = work()
        fastest = min(fastest, process_time() - begun)
    return fastest, result


def run(*words: str | Path, script: bool = False) -> Cost:
    """Run ``sprout`` with these words, or Python with them, in a process of its own; it must end well."""
    command = [sys.executable, *([] if script else ["-m", "sprout"]), *map(str, words)]
    begun = perf_counter()
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    assert child.stderr is not None
    told = child.stderr.read().decode(errors="replace")
    _, status, used = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise SystemExit(f"{' '.join(command)}: exit status {child.returncode}\n{told}")
    return Cost(perf_counter() - begun, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)


def cheapest(*words: str | Path, runs: int = 3, script: bool = False) -> Cost:
    """The run with the least CPU time."""
    return min((run(*words, script=script) for _ in range(runs)), key=lambda cost: cost.cpu)
