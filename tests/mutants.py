"""Mutation testing of one package: change the code in one place at a time and see whether a test fails.

    python tests/mutants.py physics --list              # what would be changed
    python tests/mutants.py physics                     # every mutant
    python tests/mutants.py metrics --sample 200 --seed 1 --processes 16 --minutes 20 --report metrics.json
    python tests/mutants.py metrics --again metrics.json     # only what survived in an earlier report

The working tree is only read. It is copied once, the tests of the package run in the copy to learn which tests reach
which function, and each process then gets a copy of its own, in which one mutant at a time is written. A mutant is
killed when a test fails, when the package no longer imports, or when the tests exceed their time limit. The tests
that reach the changed function run first, file by file, then the others of these files. Survivors that are equivalent
to the original are listed with their reasons in `mutants_explained.toml` and counted apart.

Only executable code is changed: no docstrings, annotations, decorators, text, error messages or functions that return
text. Compiled kernels are compiled anew for each mutant in a cache of its own.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import copy
import importlib
import json
import os
import random
import resource
import shutil
import signal
import sys
import tempfile
import threading
import time
import tomllib
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
EXPLAINED = Path(__file__).with_name("mutants_explained.toml")

TESTS: dict[str, tuple[str, ...]] = {
    "physics": (
        *("standards/*", "analytic/test_drape.py", "analytic/test_reverberation*.py", "analytic/test_system_*.py"),
        *("unit/test_physics_*.py", "unit/test_timing.py", "unit/test_room_figures.py", "stages/test_scene_compile.py"),
        *("stages/test_store_statistical.py", "stages/test_noise_sources.py", "unit/test_free_cloth_uncertainty.py"),
    ),
    "decay": (
        *("analytic/test_decay*.py", "analytic/test_time_zero.py", "unit/test_caveats.py"),
        *("standards/test_i*.py", "unit/test_metrics*.py", "unit/test_room_figures.py", "unit/test_measured.py"),
        *("analytic/test_bands_that_start_apart.py", "standards/test_printed_values.py"),
        *("stages/test_store_statistical.py", "statistical/test_estimate_coverage.py"),
    ),
    "metrics": (
        *("standards/test_i*.py", "analytic/test_decay.py", "analytic/test_time_zero.py", "unit/test_metrics*.py"),
        *("unit/test_common_seats.py", "unit/test_compare.py", "unit/test_measured.py", "unit/test_uncertainty.py"),
        *("standards/test_printed_values.py", "unit/test_replicated.py", "analytic/test_bands_that_start_apart.py"),
        *("statistical/test_estimate_coverage.py", "unit/test_room_figures.py", "unit/test_planning_search.py"),
    ),
    "elements": (
        *("analytic/test_baffles.py", "analytic/test_drape.py", "unit/test_baffle_array.py", "unit/test_rigging.py"),
        *("unit/test_checks.py", "unit/test_scene_*.py", "unit/test_uncertainty.py", "unit/test_demo_venue*.py"),
        *("unit/test_free_cloth_uncertainty.py", "stages/test_scene_*.py", "endtoend/test_every_element_kind.py"),
        *("unit/test_costs.py", "unit/test_planning_candidates.py", "unit/test_element_sheets.py"),
    ),
    "results": (
        *("unit/test_store*.py", "unit/test_compare.py", "unit/test_tables.py", "unit/test_caveat_messages.py"),
        *("stages/test_store_*.py", "stages/test_resume.py"),
    ),
    "loudspeakers": (
        *("analytic/test_system_*.py", "unit/test_system_*.py", "unit/test_aiming.py", "unit/test_scene_sources.py"),
        *("stages/test_system_*.py", "unit/test_sofa.py", "unit/test_timing.py", "unit/test_physics_*.py"),
        *("stages/test_noise_sources.py", "unit/test_rigging.py"),
    ),
    "sound_system": (
        *("analytic/test_system_*.py", "analytic/test_energy_deposition.py", "unit/test_timing.py"),
        *("stages/test_system_*.py", "unit/test_system_*.py", "unit/test_aiming.py"),
    ),
    "scene": (
        *("unit/test_scene_*.py", "unit/test_checks.py", "unit/test_rigging.py", "unit/test_mesh_habits.py"),
        *("unit/test_patches.py", "unit/test_tiers.py", "unit/test_planning_places.py", "unit/test_uncertainty.py"),
        *("unit/test_loudspeaker_zones.py", "stages/test_scene_*.py", "stages/test_system_scene.py"),
        *("stages/test_noise_sources.py", "statistical/test_scenarios.py", "unit/test_demo_venue*.py"),
        *("properties/test_patches.py", "stages/test_store_statistical.py", "unit/test_free_cloth_uncertainty.py"),
    ),
    "study": (
        *("stages/test_store_*.py", "stages/test_system_*.py", "stages/test_noise_sources.py", "stages/test_needs.py"),
        *("stages/test_resume.py", "unit/test_store*.py", "unit/test_compare.py", "unit/test_common_seats.py"),
        *("unit/test_pooled_errors.py", "unit/test_caveats.py", "unit/test_uncertainty.py", "unit/test_measured.py"),
        *("unit/test_costs.py", "unit/test_room_figures.py", "analytic/test_energy_deposition.py"),
        *("analytic/test_time_zero.py",),
        *("stages/test_precision.py", "unit/test_free_cloth_uncertainty.py", "analytic/test_two_sided.py"),
        *("unit/test_timing.py", "stages/test_traced_paths.py"),
    ),
    "planning": (
        *("unit/test_planning_*.py", "endtoend/test_plan.py", "analytic/test_late_energy.py", "unit/test_rigging.py"),
    ),
}
"""Package -> patterns of the test files that test it. For other packages `OTHERS` is used."""

OTHERS = ("analytic/*", "standards/*", "unit/*", "stages/*", "properties/*")

# Packages that tests need, imported once and shared by the processes that are forked for each mutant.
PRELOADED = (
    *("pytest", "_pytest.assertion.rewrite", "numpy", "numpy.testing", "numba", "scipy.optimize", "scipy.signal"),
    *("scipy.stats", "scipy.spatial", "scipy.special", "h5py", "pydantic", "trimesh", "shapely", "networkx"),
    *("matplotlib.pyplot", "hypothesis", "hypothesis.strategies", "click", "rich.table", "filelock", "mapbox_earcut"),
)
ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"), "1")
NOT_COPIED = (".git", ".venv", ".*_cache", ".hypothesis", "*.egg-info", "__pycache__")
MEMORY = 10 * 2**30
"""Bytes of address space of each process: some mutants allocate arrays of any size."""

# ---------------------------------------------------------------------------------------------------------------
# What is changed.

_ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    **{ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult},
    **{ast.Mod: ast.Mult, ast.Pow: ast.Mult, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd, ast.BitXor: ast.BitOr},
    **{ast.LShift: ast.RShift, ast.RShift: ast.LShift},
}
_NEGATED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    **{ast.Lt: ast.GtE, ast.LtE: ast.Gt, ast.Gt: ast.LtE, ast.GtE: ast.Lt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq},
    **{ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In},
}
_BOUNDARY: dict[type[ast.cmpop], type[ast.cmpop]] = {
    **{ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt},
}
_CALLS = (
    *(("min", "max"), ("minimum", "maximum"), ("argmin", "argmax"), ("any", "all"), ("floor", "ceil")),
    *(("sin", "cos"), ("nanmin", "nanmax"), ("sum", "mean"), ("ones", "zeros"), ("real", "imag")),
)
_SWAPPED = {a: b for pair in _CALLS for a, b in (pair, pair[::-1])}
_COMPARED_WITH = 1e-5
"""Numbers below this are guards against rounding, where ten per cent more has no intended effect."""


@dataclass(frozen=True)
class Mutant:
    """One change: bytes `start` to `end` of `file` become `text`."""

    file: str
    line: int
    function: str
    kind: str
    source: str
    """The line or lines changed, without indentation."""
    mutated: str
    start: int
    end: int
    text: str

    def applied(self, content: bytes) -> bytes:
        """The content of the file with the change."""
        return content[: self.start] + self.text.encode() + content[self.end :]

    @property
    def key(self) -> tuple[str, str, str]:
        """What identifies the mutant when lines and files are moved."""
        return self.function, self.source, self.mutated


def mutants_of(content: bytes, file: str) -> list[Mutant]:
    """All mutants of a source file, in the order of the file."""
    finder = _Finder(content, file)
    finder.visit(ast.parse(content))
    return sorted(finder.found, key=lambda mutant: (mutant.start, mutant.end, mutant.kind, mutant.text))


class _Finder(ast.NodeVisitor):
    def __init__(self, content: bytes, file: str) -> None:
        self.content, self.file = content, file
        self.lines = content.splitlines(keepends=True)
        self.starts = [0]
        for line in self.lines:
            self.starts.append(self.starts[-1] + len(line))
        self.functions: list[str] = []
        self.found: list[Mutant] = []

    def _add(self, kind: str, node: ast.AST, new: ast.AST | str) -> None:
        is_statement = isinstance(node, ast.stmt)
        text = new if isinstance(new, str) else ast.unparse(new)
        text = text if is_statement else f"({text})"
        start = self.starts[node.lineno - 1] + node.col_offset
        end = self.starts[node.end_lineno - 1] + node.end_col_offset
        first, last = self.starts[node.lineno - 1], self.starts[node.end_lineno]
        before = self.content[first:last].decode()
        after = (self.content[first:start] + text.encode() + self.content[end:last]).decode()
        self.found.append(
            Mutant(
                file=self.file,
                line=node.lineno,
                function=".".join(self.functions),
                kind=kind,
                source=" ".join(before.split()),
                mutated=" ".join(after.split()),
                start=start,
                end=end,
                text=text,
            )
        )

    # What is left alone.

    def visit_JoinedStr(self, node: ast.JoinedStr) -> None:
        """Text."""

    def visit_Raise(self, node: ast.Raise) -> None:
        """The exception is left out; its message is text."""
        self._add("statement", node, "pass")

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        """The value, not the annotation."""
        if node.value is not None:
            self.visit(node.value)

    def visit_ClassDef(self, node: ast.ClassDef) -> None:
        """The body, not the decorators."""
        self.functions.append(node.name)
        for part in node.body:
            self.visit(part)
        self.functions.pop()

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        """Defaults and the body, unless the function returns text."""
        if isinstance(node.returns, ast.Name) and node.returns.id == "str":
            return
        self.functions.append(node.name)
        for part in (*node.args.defaults, *(d for d in node.args.kw_defaults if d is not None), *node.body):
            self.visit(part)
        self.functions.pop()

    def visit_If(self, node: ast.If) -> None:
        """The condition and the branches, unless they are for type checkers."""
        if isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING":
            return
        self._condition(node.test)
        self.generic_visit(node)

    def visit_IfExp(self, node: ast.IfExp) -> None:
        """A choice, unless between texts."""
        if _is_text(node.body) or _is_text(node.orelse):
            return
        self._condition(node.test)
        self.generic_visit(node)

    # What is changed.

    def _condition(self, test: ast.expr) -> None:
        if isinstance(test, ast.Name | ast.Attribute | ast.Call | ast.Subscript | ast.NamedExpr):
            self._add("condition", test, ast.UnaryOp(ast.Not(), test))

    def visit_While(self, node: ast.While) -> None:
        """The condition and the body."""
        self._condition(node.test)
        self.generic_visit(node)

    def visit_comprehension(self, node: ast.comprehension) -> None:
        """Its conditions, too."""
        for test in node.ifs:
            self._condition(test)
        self.generic_visit(node)

    def visit_BinOp(self, node: ast.BinOp) -> None:
        """Another operator."""
        if _is_text(node.left) or _is_text(node.right):
            return
        if type(node.op) in _ARITHMETIC:
            self._add("arithmetic", node, ast.BinOp(node.left, _ARITHMETIC[type(node.op)](), node.right))
        self.generic_visit(node)

    def visit_AugAssign(self, node: ast.AugAssign) -> None:
        """Another operator."""
        if _is_text(node.value):
            return
        if type(node.op) in _ARITHMETIC:
            new = ast.AugAssign(node.target, _ARITHMETIC[type(node.op)](), node.value)
            self._add("arithmetic", node, new)
        self.generic_visit(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> None:
        """Without the operator."""
        if isinstance(node.op, ast.USub | ast.Not | ast.Invert):
            self._add("unary", node, node.operand)
        self.generic_visit(node)

    def visit_Compare(self, node: ast.Compare) -> None:
        """The opposite of each comparison, and the other side of its boundary."""
        for kind, table in (("comparison", _NEGATED), ("boundary", _BOUNDARY)):
            for i, operator in enumerate(node.ops):
                if type(operator) in table:
                    new = copy.copy(node)
                    new.ops = [*node.ops[:i], table[type(operator)](), *node.ops[i + 1 :]]
                    self._add(kind, node, new)
        self.generic_visit(node)

    def visit_BoolOp(self, node: ast.BoolOp) -> None:
        """`and` in place of `or`, and the reverse."""
        other = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        self._add("boolean", node, ast.BoolOp(other, node.values))
        self.generic_visit(node)

    def visit_Constant(self, node: ast.Constant) -> None:
        """Another number or truth value."""
        value = node.value
        if isinstance(value, bool):
            self._add("constant", node, repr(not value))
        elif isinstance(value, int):
            self._add("constant", node, repr(value + 1))
        elif isinstance(value, float):
            other = value + 1.0 if abs(value) < _COMPARED_WITH else float(f"{value * 1.1:.12g}")
            self._add("constant", node, repr(other))

    def visit_keyword(self, node: ast.keyword) -> None:
        """How many digits are printed is formatting."""
        if node.arg != "decimals":
            self.generic_visit(node)

    def visit_Call(self, node: ast.Call) -> None:
        """Its counterpart: minimum for maximum, any for all."""
        name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        if name == "warn" or (name in ("join", "format") and isinstance(node.func, ast.Attribute)):
            return
        if name in _SWAPPED:
            other = copy.deepcopy(node.func)
            if isinstance(other, ast.Attribute):
                other.attr = _SWAPPED[name]
            else:
                other.id = _SWAPPED[name]
            if not (isinstance(other, ast.Name) and _SWAPPED[name] == "mean"):
                self._add("call", node.func, other)
        if name == "reshape":  # There -1 is not a number, and numpy treats any negative number like it.
            return self.visit(node.func)
        self.generic_visit(node)

    def visit_Expr(self, node: ast.Expr) -> None:
        """Left out."""
        if isinstance(node.value, ast.Call):
            self._add("statement", node, "pass")
        self.generic_visit(node)

    def visit_Assign(self, node: ast.Assign) -> None:
        """Left out where an item or attribute is assigned."""
        if all(isinstance(target, ast.Subscript | ast.Attribute) for target in node.targets):
            self._add("statement", node, "pass")
        self.generic_visit(node)

    def visit_Break(self, node: ast.Break) -> None:
        """`continue` instead."""
        self._add("statement", node, "continue")

    def visit_Continue(self, node: ast.Continue) -> None:
        """`break` instead."""
        self._add("statement", node, "break")


def _is_text(node: ast.expr) -> bool:
    return isinstance(node, ast.JoinedStr) or (isinstance(node, ast.Constant) and isinstance(node.value, str))


# ---------------------------------------------------------------------------------------------------------------
# Which tests reach which function.


@dataclass(frozen=True)
class Reached:
    """What one test reaches: lines on which functions begin, of `file:line`."""

    file: str
    """The test's own file."""
    seconds: float
    functions: frozenset[str]
    shared: frozenset[str]
    """Reached in setting up, or by any test of the same file: fixtures shared by tests run only once."""


class _Recorder:
    """Plugin of pytest: which functions of the package each test enters, and how long it takes."""

    def __init__(self, package: Path) -> None:
        self.package, self.root = str(package), package.parents[1]
        self.tests: dict[str, dict[str, Any]] = {}
        self.failed: list[str] = []
        self.codes: dict[int, Any] = {}

    def _enter(self, frame: Any, event: str, _: Any) -> None:
        if event == "call" and id(frame.f_code) not in self.codes:
            self.codes[id(frame.f_code)] = frame.f_code

    def _taken(self) -> list[str]:
        codes, self.codes = list(self.codes.values()), {}
        return [
            f"{Path(code.co_filename).relative_to(self.root).as_posix()}:{code.co_firstlineno}"
            for code in codes
            if code.co_filename.startswith(self.package)
        ]

    def pytest_runtest_logreport(self, report: Any) -> None:
        entry = self.tests.setdefault(report.nodeid, {"seconds": 0.0, "setup": [], "call": []})
        entry["seconds"] += report.duration
        entry["call" if report.when == "call" else "setup"] += self._taken()
        if report.failed:
            self.failed.append(report.nodeid)

    def listen(self) -> None:
        threading.setprofile(self._enter)
        sys.setprofile(self._enter)


def _functions_by_line(content: bytes) -> list[tuple[int, int, int]]:
    """(first line, last line, line on which the code begins) of each function; decorators belong to it."""
    return [
        (first, node.end_lineno, first)
        for node in ast.walk(ast.parse(content))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        for first in [min([node.lineno, *(d.lineno for d in node.decorator_list)])]
    ]


class Coverage:
    """Tests by function of a package."""

    def __init__(self, root: Path, package: Path, survey: dict[str, dict[str, Any]]) -> None:
        self.root = root
        self.spans = {
            path.relative_to(root).as_posix(): _functions_by_line(path.read_bytes()) for path in package.rglob("*.py")
        }
        by_file: dict[str, set[str]] = defaultdict(set)
        entered = {test: set(map(self._function, entry["call"])) for test, entry in survey.items()}
        for test, entry in survey.items():
            by_file[_file_of(test)] |= entered[test] | set(map(self._function, entry["setup"]))
        self.tests = {
            test: Reached(
                file=_file_of(test),
                seconds=entry["seconds"],
                functions=frozenset(entered[test]),
                shared=frozenset(by_file[_file_of(test)]),
            )
            for test, entry in survey.items()
        }
        self.users = _users_of_kernels(root, package)

    def _function(self, place: str) -> str:
        """The innermost function that holds a place, else its file."""
        file, line = place.rsplit(":", 1)
        holding = [s for s in self.spans.get(file, ()) if s[0] <= int(line) <= s[1]]
        return f"{file}:{max(holding)[2]}" if holding else f"{file}:0"

    def tests_for(self, mutant: Mutant) -> tuple[list[str], list[str]]:
        """(tests that reach a mutant, other tests of the files with such tests)."""
        function = self._function(f"{mutant.file}:{mutant.line}")
        files = self.users.get(mutant.file, {mutant.file})
        if function.endswith(":0") or mutant.file in self.users:  # Constants and kernels: all tests that use the file.

            def reaches(names: frozenset[str]) -> bool:
                return any(name.rsplit(":", 1)[0] in files for name in names)
        else:

            def reaches(names: frozenset[str]) -> bool:
                return function in names

        first = [test for test, reached in self.tests.items() if reaches(reached.functions)]
        others = [test for test, reached in self.tests.items() if test not in first and reaches(reached.shared)]
        if not first and not others and function.endswith(":0"):
            others = list(self.tests)
        return first, others


def _file_of(test: str) -> str:
    return test.split("::", 1)[0]


def _users_of_kernels(root: Path, package: Path) -> dict[str, set[str]]:
    """File with kernels, which the profiler cannot follow -> the other files of the package that import it."""
    importing: dict[str, set[str]] = defaultdict(set)
    for path in package.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_bytes())):
            if isinstance(node, ast.ImportFrom):
                names = [node.module] if node.module else [alias.name for alias in node.names]
                for name in names:
                    target = path.parent / f"{str(name).rsplit('.', 1)[-1]}.py"
                    if target.exists() and target.name.startswith("_"):
                        importing[target.relative_to(root).as_posix()].add(path.relative_to(root).as_posix())
    kernels = {p.relative_to(root).as_posix() for p in package.rglob("_[!_]*.py") if b"njit" in p.read_bytes()}
    users = {}
    for kernel in kernels:
        reached, waiting = set(), [kernel]
        while waiting:
            for user in importing[waiting.pop()] - reached:
                reached.add(user)
                waiting.append(user)
        users[kernel] = reached - kernels or {kernel}
    return users


# ---------------------------------------------------------------------------------------------------------------
# Running tests, each in a process split off from this one.

SURVIVED, KILLED, TIMED_OUT, UNREACHED, FAULT = "survived", "killed", "timed out", "not reached by any test", "fault"


class _Chosen:
    """Plugin of pytest: only some tests of a file, and which one failed."""

    def __init__(self, tests: set[str]) -> None:
        self.tests, self.failed = tests, ""

    def pytest_collection_modifyitems(self, items: list[Any]) -> None:
        items[:] = [item for item in items if item.nodeid in self.tests]

    def pytest_runtest_logreport(self, report: Any) -> None:
        if report.failed and not self.failed:
            self.failed = report.nodeid


def _run_tests(tree: Path, files: list[str], plugin: Any) -> int:
    """Run test files of a tree in this process; pytest's exit code."""
    os.chdir(tree)
    sys.path[:] = [str(tree), *(p for p in sys.path if p not in ("", str(ROOT), str(ROOT / "tests")))]
    os.environ |= {"PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1"}
    sys.dont_write_bytecode = True
    import pytest

    options = ["-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", "--no-header", "--tb=short"]
    if isinstance(plugin, _Recorder):
        options.remove("-x")
        sys.dont_write_bytecode = False
        plugin.listen()
    code = int(pytest.main([*options, *files], plugins=[plugin]))
    sys.setprofile(None)
    package = sys.modules.get("roomsim")
    if package is not None and not str(package.__file__).startswith(str(tree)):
        raise RuntimeError(f"tests ran {package.__file__}, not the copy in {tree}")
    return code


@dataclass
class Job:
    """Work for one process: the function to run, and its result."""

    name: str
    limit: float
    work: Any
    """Called in the process with the number of its place; returns what `json` can write."""
    result: Any = None


def run_jobs(jobs: list[Job], processes: int, scratch: Path, deadline: float = float("inf")) -> Iterator[Job]:
    """Run jobs in forked processes, and yield them as they end; none is started after the deadline.

    A process that exceeds its limit is killed with all its children; its result is None.
    """
    waiting, running = list(reversed(jobs)), {}
    places = list(range(processes))
    while waiting or running:
        while waiting and places and time.time() < deadline:
            job, place = waiting.pop(), places.pop()
            answer = scratch / f"answer-{place}.json"
            answer.unlink(missing_ok=True)
            sys.stdout.flush()
            process = os.fork()
            if process == 0:
                _work(job, place, answer, scratch / f"log-{place}.txt")
            running[process] = (job, place, answer, time.time() + job.limit)
        if not running:
            return
        done, _ = os.waitpid(-1, os.WNOHANG)
        if done == 0:
            for process, (_, _, _, end) in running.items():
                if time.time() > end:
                    with contextlib.suppress(ProcessLookupError):
                        os.killpg(process, signal.SIGKILL)
            time.sleep(0.02)
        elif done in running:
            job, place, answer, _ = running.pop(done)
            places.append(place)
            job.result = json.loads(answer.read_text("utf-8")) if answer.exists() else None
            yield job


def _work(job: Job, place: int, answer: Path, log: Path) -> None:
    code = 1
    try:
        os.setsid()
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
        with log.open("w") as file:
            os.dup2(file.fileno(), 1)
            os.dup2(file.fileno(), 2)
        result = job.work(place)
        partial = answer.with_suffix(".part")
        partial.write_text(json.dumps(result), "utf-8")
        partial.replace(answer)
        code = 0
    except BaseException:
        import traceback

        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


def survey_tests(base: Path, package: Path, files: list[str], processes: int, scratch: Path) -> dict[str, Any]:
    """Which functions each test enters; ends the program if a test fails without a mutation."""

    def surveying(file: str) -> Job:
        def work(_: int) -> Any:
            recorder = _Recorder(package)
            code = _run_tests(base, [file], recorder)
            return {"tests": recorder.tests, "failed": recorder.failed, "code": code}

        return Job(file, 1800.0, work)

    survey: dict[str, Any] = {}
    begun = time.time()
    for job in run_jobs([surveying(file) for file in files], processes, scratch):
        result = job.result
        if result is None or result["failed"] or result["code"] not in (0, 5):
            failed = "its process ended" if result is None else ", ".join(result["failed"]) or f"exit {result['code']}"
            sys.exit(f"mutants: {job.name} fails without any change: {failed}. Its log is in {scratch}.")
        survey |= result["tests"]
        seconds = sum(entry["seconds"] for entry in result["tests"].values())
        print(f"  {job.name}: {len(result['tests'])} tests, {seconds:.1f} s", flush=True)
    print(f"{len(survey)} tests surveyed in {time.time() - begun:.0f} s", flush=True)
    return survey


def try_mutants(
    mutants: list[Mutant], coverage: Coverage, base: Path, scratch: Path, processes: int, minutes: float
) -> dict[Mutant, dict[str, Any]]:
    """Outcome of each mutant that was tried within the time."""
    for place in range(processes):
        shutil.copytree(base, scratch / f"tree-{place}", symlinks=True)
    seconds_of_file: dict[str, float] = defaultdict(float)
    for reached in coverage.tests.values():
        seconds_of_file[reached.file] += reached.seconds
    outcomes: dict[Mutant, dict[str, Any]] = {}
    jobs, by_name = [], {}

    for number, mutant in enumerate(mutants):
        first, others = coverage.tests_for(mutant)
        if not first and not others:
            outcomes[mutant] = {"outcome": UNREACHED, "by": ""}
            continue
        is_kernel = mutant.file in coverage.users

        def work(
            place: int,
            mutant: Mutant = mutant,
            first: list[str] = first,
            others: list[str] = others,
            is_kernel: bool = is_kernel,
        ) -> Any:
            tree = scratch / f"tree-{place}"
            path, original = tree / mutant.file, base / mutant.file
            for file in coverage.spans:  # Restore files changed by a mutant whose process was killed.
                if (tree / file).stat().st_mtime != (base / file).stat().st_mtime:
                    shutil.copy2(base / file, tree / file)
            path.write_bytes(mutant.applied(original.read_bytes()))
            # Stored byte code is identified by time and size of its source.
            os.utime(path, (2e9, 2e9))
            if is_kernel:
                cache = scratch / f"kernels-{place}"
                shutil.rmtree(cache, ignore_errors=True)
                os.environ["NUMBA_CACHE_DIR"] = str(cache)
                import numba

                numba.core.config.reload_config()
            # File by file: most mutants are killed by the first, and the others are then never imported.
            for tests in (first, others):
                for file in sorted({_file_of(test) for test in tests}, key=seconds_of_file.__getitem__):
                    plugin = _Chosen({test for test in tests if _file_of(test) == file})
                    code = _run_tests(tree, [file], plugin)
                    if code != 0:
                        return {"code": code, "by": plugin.failed or f"{file} (import)"}
            return {"code": 0, "by": ""}

        expected = sum(coverage.tests[test].seconds for test in (*first, *others))
        jobs.append(Job(str(number), 20.0 + 4.0 * expected + (180.0 if is_kernel else 0.0), work))
        by_name[str(number)] = mutant

    counts: Counter[str] = Counter()
    begun = time.time()
    for job in run_jobs(jobs, processes, scratch, begun + 60.0 * minutes):
        mutant, result = by_name[job.name], job.result
        if result is None:
            outcome = {"outcome": TIMED_OUT, "by": ""}
        elif result["code"] in (0, 1, 2):
            outcome = {"outcome": SURVIVED if result["code"] == 0 else KILLED, "by": result["by"]}
        else:
            outcome = {"outcome": FAULT, "by": f"pytest ended with {result['code']}"}
        outcomes[mutant] = outcome
        counts[outcome["outcome"]] += 1
        if outcome["outcome"] not in (KILLED, TIMED_OUT):
            place = f"{mutant.file}:{mutant.line}"
            print(f"{outcome['outcome']}: {place}  {mutant.source}  ->  {mutant.mutated}", flush=True)
        if counts.total() % 50 == 0:
            print(f"-- {counts.total()} of {len(jobs)} in {time.time() - begun:.0f} s: {dict(counts)}", flush=True)
    return outcomes


# ---------------------------------------------------------------------------------------------------------------
# Results.


def read_explained(path: Path = EXPLAINED) -> dict[tuple[str, str, str], str]:
    """Function, line and mutated line of survivors that are equivalent to the original -> the reason."""
    if not path.exists():
        return {}
    entries = tomllib.loads(path.read_text("utf-8")).get("mutant", [])
    return {(e["function"], e["source"], e["mutated"]): e["reason"] for e in entries}


def report_of(package: str, total: int, outcomes: dict[Mutant, dict[str, Any]]) -> dict[str, Any]:
    """Counts, and every mutant tested with its outcome."""
    explained = read_explained()
    tried = [
        {**asdict(mutant), **outcome, "explained": explained.get(mutant.key, "")}
        for mutant, outcome in sorted(outcomes.items(), key=lambda pair: (pair[0].file, pair[0].line, pair[0].start))
    ]
    killed = sum(entry["outcome"] in (KILLED, TIMED_OUT) for entry in tried)
    equivalent = sum(bool(entry["explained"]) and entry["outcome"] not in (KILLED, TIMED_OUT) for entry in tried)
    return {
        "package": package,
        "mutants": total,
        "tried": len(tried),
        "killed": killed,
        "explained": equivalent,
        "survived": len(tried) - killed - equivalent,
        "outcomes": tried,
    }


def page_of(report: dict[str, Any]) -> str:
    """A report as Markdown: totals, files, survivors."""
    tried = report["tried"] or 1
    lines = [
        f"# Mutants of {report['package']}",
        "",
        f"{report['tried']} of {report['mutants']} tried: {report['killed']} killed ({report['killed'] / tried:.1%}), "
        f"{report['explained']} explained as equivalent, {report['survived']} survived.",
        "",
        "| file | tried | killed | explained | survived |",
        "|---|---|---|---|---|",
    ]
    by_file: dict[str, Counter[str]] = defaultdict(Counter)
    survivors = []
    for entry in report["outcomes"]:
        is_killed = entry["outcome"] in (KILLED, TIMED_OUT)
        state = "killed" if is_killed else "explained" if entry["explained"] else "survived"
        by_file[entry["file"]][state] += 1
        if state == "survived":
            survivors.append(entry)
    for file, counts in sorted(by_file.items()):
        row = (file, counts.total(), counts["killed"], counts["explained"], counts["survived"])
        lines.append(f"| {' | '.join(map(str, row))} |")
    lines.append("")
    for entry in survivors:
        lines.append(f"- `{entry['file']}:{entry['line']}` {entry['function']} ({entry['kind']}, {entry['outcome']})")
        lines += [f"  - `{entry['source']}`", f"  - `{entry['mutated']}`"]
    return "\n".join(lines) + "\n"


def main() -> int:
    """Exit code 1 if any mutant survived that is not explained."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("package", help="package or module below roomsim, such as physics or study/compare.py")
    parser.add_argument("--list", action="store_true", help="list the mutants and try none")
    parser.add_argument("--sample", type=int, metavar="N", help="try N mutants drawn at random")
    parser.add_argument("--seed", type=int, default=1, help="of the draw and of the order (default 1)")
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1, metavar="N")
    parser.add_argument("--minutes", type=float, default=float("inf"), help="begin no mutant after so many minutes")
    parser.add_argument("--tests", nargs="+", metavar="PATTERN", help="test files below tests, in place of the usual")
    parser.add_argument("--again", type=Path, metavar="REPORT", help="only what survived in an earlier report")
    parser.add_argument("--report", type=Path, metavar="FILE", help="write JSON here and a page beside it (.md)")
    parser.add_argument("--scratch", type=Path, help="folder for the copies (default: the system's temporary folder)")
    arguments = parser.parse_args()

    source = ROOT / "roomsim" / arguments.package
    if not source.exists():
        parser.error(f"there is no {source.relative_to(ROOT)}")
    paths = sorted(source.rglob("*.py")) if source.is_dir() else [source]
    all_mutants = [m for p in paths for m in mutants_of(p.read_bytes(), p.relative_to(ROOT).as_posix())]
    mutants = list(all_mutants)
    if arguments.again:
        earlier = json.loads(arguments.again.read_text("utf-8"))["outcomes"]
        alive = {(e["function"], e["source"], e["mutated"]) for e in earlier if e["outcome"] not in (KILLED, TIMED_OUT)}
        mutants = [m for m in mutants if m.key in alive]
    made, modules = {m.key for m in all_mutants}, {m.function.split(".")[0] for m in all_mutants}
    for key in read_explained():
        if key not in made and key[0] and key[0].split(".")[0] in modules:
            print(f"{EXPLAINED.name}: there is no such mutant (any more): {key[0]}: {key[2]}")
    random.Random(arguments.seed).shuffle(mutants)
    mutants = mutants[: arguments.sample]
    if arguments.list:
        for mutant in sorted(mutants, key=lambda m: (m.file, m.start)):
            print(f"{mutant.file}:{mutant.line} {mutant.kind}: {mutant.source}  ->  {mutant.mutated}")
        print(f"{len(mutants)} mutants")
        return 0

    package_name = Path(arguments.package).parts[0]
    patterns = arguments.tests or TESTS.get(package_name, OTHERS)
    found = {path for pattern in patterns for path in (ROOT / "tests").glob(pattern)}
    files = sorted(path.relative_to(ROOT).as_posix() for path in found if path.name.startswith("test_"))
    os.environ |= ONE_THREAD
    for name in PRELOADED:
        with contextlib.suppress(ImportError):
            importlib.import_module(name)
    scratch = Path(tempfile.mkdtemp(prefix="mutants-", dir=arguments.scratch))
    try:
        base = scratch / "base"
        shutil.copytree(ROOT, base, ignore=shutil.ignore_patterns(*NOT_COPIED))
        package = base / source.relative_to(ROOT)
        package = package if package.is_dir() else package.parent
        survey = survey_tests(base, package, files, arguments.processes, scratch)
        coverage = Coverage(base, package, survey)
        print(f"{len(mutants)} of {len(all_mutants)} mutants of {arguments.package}", flush=True)
        outcomes = try_mutants(mutants, coverage, base, scratch, arguments.processes, arguments.minutes)
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
    report = report_of(arguments.package, len(all_mutants), outcomes)
    print(page_of(report))
    if arguments.report:
        arguments.report.write_text(json.dumps(report, indent=1), "utf-8")
        arguments.report.with_suffix(".md").write_text(page_of(report), "utf-8")
    return int(report["survived"] > 0)


if __name__ == "__main__":
    sys.exit(main())
