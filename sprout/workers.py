"""How processes that read photos are begun. Light, so that it can be asked before anything costly is imported."""

from __future__ import annotations

import sys
from multiprocessing import context, get_context


def ready() -> context.BaseContext:
    """The way to begin processes that read photos; asked early, it has their libraries imported meanwhile.

    On Linux one process imports them and is forked for each worker: half a second of CPU once, and while the caller
    imports its own. It has read nothing itself, so it holds no lock of the vision library whose thread a forked child
    would miss and wait for. Elsewhere every worker begins from nothing.
    """
    if sys.platform != "linux":
        return get_context("spawn")
    from multiprocessing import forkserver

    forkserver.set_forkserver_preload(["sprout.cli", "sprout.survey"])
    forkserver.ensure_running()
    return get_context("forkserver")
