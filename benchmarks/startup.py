"""How long until something happens: import, help, a first result from compiled code on disk, and a cold first run of
the demo, everything still to be compiled.

Each in a new interpreter. Wall and processor time (children's, threads added up); the goal for the cold run is wall
time on two idle cores.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from harness import arguments, disagree, finish, table

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "geometry" / "depot" / "study.toml"
SMALL = """
import numpy as np
from cases import scene
from roomsim.study.engine import Engine
engine = Engine(scene(100, 20, 2), 1, 0)
engine.add_rounds(1)
print(engine.evaluate(["speech_transmission_index"])["speech_transmission_index"].full.mean())
"""
RUN = """
import sys, roomsim
results = roomsim.run(sys.argv[1], sys.argv[2], sti_error=float(sys.argv[3]))
print(results.room["speech_transmission_index"].value[0])
"""
BY_KERNEL = """
import atexit, collections, json, sys, time
from numba.core.dispatcher import Dispatcher
spent = collections.Counter()
compile_one = Dispatcher.compile
depth = 0
def timed(self, signature):
    global depth
    started, inner = time.process_time(), depth
    depth += 1
    try:
        return compile_one(self, signature)
    finally:
        depth -= 1
        if depth == 0:
            spent[self.py_func.__module__ + "." + self.py_func.__name__] += time.process_time() - started
            counts[self.py_func.__module__ + "." + self.py_func.__name__] += 1
counts = collections.Counter()
Dispatcher.compile = timed
atexit.register(lambda: json.dump({k: [v, counts[k]] for k, v in spent.items()}, open(sys.argv[-1], "w")))
"""


def run(*command: str, cache: str | None = None) -> tuple[float, float, str]:
    """Wall s, processor s, output."""
    environment = dict(os.environ, PYTHONPATH=os.pathsep.join([str(ROOT), str(ROOT / "benchmarks")]))
    if cache is not None:
        environment["NUMBA_CACHE_DIR"] = cache
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    started = time.perf_counter()
    done = subprocess.run(command, env=environment, capture_output=True, text=True)
    wall = time.perf_counter() - started
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode != 0:
        disagree(f"{command[1:3]} failed: {done.stderr[-500:]}")
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, done.stdout


def best(turns: int, *command: str, cache: str | None = None) -> tuple[float, float]:
    return min(run(*command, cache=cache)[:2] for _ in range(turns))


def main() -> None:
    options = arguments(__doc__)
    turns = 2 if options.quick else 5
    python = sys.executable
    rows, ratios = [], {}

    def note(what: str, wall: float, cpu: float, name: str) -> None:
        rows.append([what, wall, cpu])
        ratios[name] = wall

    note("import roomsim", *best(turns, python, "-c", "import roomsim"), "import_s")
    note("the interpreter alone", *best(turns, python, "-c", "pass"), "interpreter_s")
    note("roomsim --help", *best(turns, python, "-m", "roomsim", "--help"), "help_s")
    with tempfile.TemporaryDirectory() as folder:
        cache = str(Path(folder) / "compiled")
        times = str(Path(folder) / "times.json")
        if options.quick:
            *spent, first = run(python, "-c", BY_KERNEL + SMALL, times, cache=cache)
            note("small room, cold", *spent, "small_cold_s")
            note(
                "small room, compiled code on disk",
                *best(turns, python, "-c", SMALL, cache=cache),
                "small_cached_s",
            )
            again = run(python, "-c", SMALL, cache=cache)[2]
        else:
            command = (str(DEMO), str(Path(folder) / "cold"), "0.05", times)
            *spent, first = run(python, "-c", BY_KERNEL + RUN, *command, cache=cache)
            note("demo, first round of rays, cold", *spent, "demo_cold_s")
            command = (str(DEMO), str(Path(folder) / "warm"), "0.05")
            *spent, again = run(python, "-c", RUN, *command, cache=cache)
            note("demo, first round of rays, compiled code on disk", *spent, "demo_cached_s")
        if first != again:
            disagree(f"cold {first} and cached {again}")
        kernels = json.loads(Path(times).read_text())
    for name, (seconds, signatures) in sorted(kernels.items(), key=lambda item: -item[1][0])[:12]:
        rows.append([f"  compiling {name}, {signatures} times", "", seconds])
    rows.append(["  compiling in all", "", sum(seconds for seconds, _ in kernels.values())])
    table(["", "wall s", "processor s"], rows)
    finish(ratios)


if __name__ == "__main__":
    main()
