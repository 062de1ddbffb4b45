"""What the benchmarks of speed and size share: the machine's name, the best of several runs, a process and its cost."""

from __future__ import annotations

import json
import os
import platform
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from time import process_time
from typing import TypeVar

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_images"
T = TypeVar("T")


@dataclass(frozen=True)
class Cost:
    """What a process took: seconds by the clock and of the processor (its own workers too), MiB at its peak.

    ``told`` is what it wrote to standard error.
    """

    wall: float
    cpu: float
    peak_mib: float
    told: str = ""


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


# between the two stands a small process: a child's peak begins at what its parent held, and on Linux this one waits
# for workers that the child leaves behind as it ends
_BETWEEN = """
import contextlib, ctypes, json, os, resource, subprocess, sys, time
if sys.platform == "linux":
    ctypes.CDLL(None).prctl(36, 1, 0, 0, 0)  # PR_SET_CHILD_SUBREAPER
begun = time.perf_counter()
child = subprocess.Popen(sys.argv[1:], stdout=subprocess.DEVNULL)
_, status, used = os.wait4(child.pid, 0)
wall = time.perf_counter() - begun
with contextlib.suppress(ChildProcessError):
    while True:
        os.wait()
all_of_it = resource.getrusage(resource.RUSAGE_CHILDREN)
cpu = all_of_it.ru_utime + all_of_it.ru_stime
print(json.dumps([os.waitstatus_to_exitcode(status), wall, cpu, used.ru_maxrss / 1024]))
"""


def run(*words: str | Path, script: bool = False) -> Cost:
    """Run ``sprout`` with these words, or Python with them, in a process of its own; it must end well."""
    command = [sys.executable, *([] if script else ["-m", "sprout"]), *map(str, words)]
    done = subprocess.run([sys.executable, "-c", _BETWEEN, *command], capture_output=True, text=True, check=True)
    status, *cost = json.loads(done.stdout)
    if status:
        raise SystemExit(f"{' '.join(command)}: exit status {status}\n{done.stderr}")
    return Cost(*cost, done.stderr)


def cheapest(*words: str | Path, runs: int = 3, script: bool = False) -> Cost:
    """The run with the least CPU time."""
    return min((run(*words, script=script) for _ in range(runs)), key=lambda cost: cost.cpu)
