"""Start-up times: import, help, and `roomsim run` of the demonstration study as in the README, to its own precision
and with all pictures: cold, with everything to be compiled; with compiled code on disk; the same without pictures.

Each is timed in a new interpreter, in wall-clock time and processor time (of all child processes and threads); the
target for the cold run is wall-clock time on two idle cores. With --quick a small room replaces the demonstration
study, without pictures.
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
from roomsim.study.evaluator import Evaluator
from roomsim.study.traced_paths import prepare_tracing
engine = Evaluator(prepare_tracing(scene(100, 20, 2), 1, 0).trace(1))
print(engine.evaluate(["speech_transmission_index"])["speech_transmission_index"].full.mean())
"""
WHOLE = """
from roomsim.cli import main
main(sys.argv[1:-1])
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


def outcome(folder: Path) -> dict[str, bytes]:
    """Tables and pictures of a run."""
    files = [*folder.glob("tables/*.csv"), *folder.glob("pictures/*")]
    if not any(file.suffix == ".png" for file in files):
        disagree(f"no pictures in {folder}")
    return {file.name: file.read_bytes() for file in files}


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
    note("the interpreter", *best(turns, python, "-c", "pass"), "interpreter_s")
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
            cold, warm, plain = (Path(folder) / name for name in ("cold", "warm", "plain"))
            command = ("run", str(DEMO), "--quiet", "--out")
            *spent, _ = run(python, "-c", BY_KERNEL + WHOLE, *command, str(cold), times, cache=cache)
            note("demo, whole, cold", *spent, "demo_cold_s")
            *spent, _ = run(python, "-m", "roomsim", *command, str(warm), cache=cache)
            note("demo, whole, compiled code on disk", *spent, "demo_cached_s")
            *spent, _ = run(python, "-m", "roomsim", *command, str(plain), "--no-pictures", cache=cache)
            note("the same without pictures", *spent, "demo_no_pictures_s")
            first, again = outcome(cold), outcome(warm)
        if first != again:
            disagree("the cold run and the one from compiled code gave different results")
        kernels = json.loads(Path(times).read_text())
    for name, (seconds, signatures) in sorted(kernels.items(), key=lambda item: -item[1][0])[:12]:
        rows.append([f"  compiling {name}, {signatures} times", "", seconds])
    rows.append(["  compiling in all", "", sum(seconds for seconds, _ in kernels.values())])
    table(["", "wall s", "processor s"], rows)
    finish(ratios)


if __name__ == "__main__":
    main()
