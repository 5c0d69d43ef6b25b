"""Python runs this at the start of every process of a watched run: it notes what the process cost at its end.

Only with SESSIONGATE_COSTS, a folder, in the environment. Steps are timed where workers look them up.
"""

import atexit
import json
import os
import resource
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any


def _watch(folder: str) -> None:
    words = " ".join(sys.orig_argv)
    part = "worker" if "pipeline.serving" in words else "engine" if "snakemake" in words else "front door"
    steps: dict[str, float] = {}
    ready_s = 0.0
    if part == "worker":
        from pipeline.steps import by_name, present, signal  # what a worker imports with its first step

        def timed(name: str, step: Callable[..., Any]) -> Callable[..., Any]:
            def does(*given: Any) -> Any:
                began = time.process_time()
                try:
                    return step(*given)
                finally:
                    steps[name] = steps.get(name, 0.0) + time.process_time() - began
                    note()  # now: a worker is ended, and has no time at its end

            return does

        present.overview = timed("overview", present.overview)
        signal.look_at_share = timed("overview: signal", signal.look_at_share)
        for name, step in list(by_name.SESSION_STEPS.items()):
            by_name.SESSION_STEPS[name] = timed(name, step)  # type: ignore[index]
        ready_s = time.process_time()

    def note() -> None:
        own = {
            "part": part,
            "cpu_s": time.process_time(),
            "ready_s": ready_s,
            "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3,
            "steps": steps,
        }
        Path(folder, f"{os.getpid()}.json").write_text(json.dumps(own))

    atexit.register(note)


if _folder := os.environ.get("SESSIONGATE_COSTS"):
    _watch(_folder)
