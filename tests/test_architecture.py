"""Rules of the structure: which package may import which, where third-party packages may be used, what is documented.

Every rule is a function from the text of a file to a list of faults, so that each has a control: a text
that breaks the rule must be reported.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from invented_results import invented_results
from without_engines import run_without_engines

from roomsim.results.results_file import write_results

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "roomsim"
LAYERS = (
    *("errors", "files", "words", "bands", "estimate", "fields", "_jit", "physics"),  # the base layer
    *("elements", "venue", "loudspeakers", "scene", "tracing", "decay", "metrics"),
    *("sound_system", "results", "study", "planning", "report", "cli"),
)
"""In the order in which data flows; each may import itself and earlier ones. Modules that are not listed
(`__init__`, `__main__`) may import all."""

THIRD_PARTY: dict[str, tuple[str, ...]] = {
    "numpy": ("",),
    "scipy": ("",),
    "numba": ("_jit.py", "tracing/_"),
    "llvmlite": ("tracing/_",),
    "trimesh": ("venue/",),
    "networkx": ("venue/", "scene/"),
    "shapely": ("fields.py", "elements/", "venue/", "scene/"),
    "mapbox_earcut": ("venue/", "scene/"),
    "pydantic": ("fields.py", "elements/", "venue/"),
    "h5py": ("results/", "study/", "venue/sofa.py"),
    "filelock": ("results/",),
    "matplotlib": tuple(
        f"report/{name}.py"
        for name in (
            *("band_figures", "figures", "labels", "late_energy_figure", "maps", "pages", "pictures", "plan"),
            *("directivity_figures", "fonts", "planning_figures", "style", "system_figures"),
        )
    ),
    "click": ("cli/",),
    "rich": (
        "cli/",
        *(f"report/{name}.py" for name in ("measured", "planning_tables", "printing", "system_tables", "tables")),
    ),
}
"""Third-party package -> beginnings of the paths in which it may be used."""


def files() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def name_of(path: Path) -> str:
    return path.relative_to(PACKAGE).as_posix()


def imports(text: str, name: str) -> Iterator[tuple[str, list[str], int]]:
    """(dotted module, names taken from it, line) of each import, those inside functions too.

    Relative imports are resolved against the file's place.
    """
    package = ["roomsim", *Path(name).parts[:-1]]
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, [], node.lineno
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            module = ".".join([*base, *([node.module] if node.module else [])])
            yield module, [alias.name for alias in node.names], node.lineno


def layer_of(parts: list[str]) -> str | None:
    return parts[0] if parts and parts[0] in LAYERS else None


def wrong_way(text: str, name: str) -> list[str]:
    """Imports of later packages, and of private names of other packages."""
    own = layer_of([Path(name).parts[0].removesuffix(".py")])
    faults = []
    for module, taken, line in imports(text, name):
        parts = module.split(".")
        if parts[0] != "roomsim":
            continue
        # `from .. import x` takes packages, or names that the package itself re-exports.
        targets = [[*parts[1:], taken_name] for taken_name in taken] if len(parts) == 1 else [parts[1:]]
        for target in targets:
            other = layer_of(target)
            if own is None or other == own or target == ["__version__"]:
                continue
            if other is None:
                if own != "cli":
                    faults.append(f"{name}:{line}: imports roomsim itself ({module})")
                continue
            if LAYERS.index(other) > LAYERS.index(own):
                faults.append(f"{name}:{line}: {own} imports {other}, which comes later")
            private = [part for part in [*target[1:], *taken] if part.startswith("_")]
            if private:
                faults.append(f"{name}:{line}: takes private {private[0]} of {other}")
    return faults


def stray_packages(text: str, name: str) -> list[str]:
    """Third-party packages used where they are not permitted."""
    faults = []
    for module, _, line in imports(text, name):
        package = module.split(".")[0]
        if package in sys.stdlib_module_names or package == "roomsim":
            continue
        if not any(name.startswith(place) for place in THIRD_PARTY.get(package, ())):
            faults.append(f"{name}:{line}: {package} may not be used here")
    return faults


def loose_kernels(text: str, name: str) -> list[str]:
    """Compiled functions outside private files, or without the options that all share."""
    faults = []
    tree = ast.parse(text)
    shared = {"KERNEL_OPTIONS", "UNCOUNTED_OPTIONS"}
    for node in tree.body:
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.Dict):
            unpacked = [v for k, v in zip(node.value.keys, node.value.values) if k is None]
            if any(isinstance(v, ast.Name) and v.id in shared for v in unpacked):
                shared |= {target.id for target in node.targets if isinstance(target, ast.Name)}
    for node in ast.walk(tree):
        if not isinstance(node, ast.FunctionDef):
            continue
        for decorator in node.decorator_list:
            call = decorator.func if isinstance(decorator, ast.Call) else decorator
            called = call.attr if isinstance(call, ast.Attribute) else getattr(call, "id", "")
            if called not in ("njit", "jit", "vectorize", "guvectorize"):
                continue
            if not Path(name).name.startswith("_"):
                faults.append(f"{name}:{node.lineno}: kernel {node.name} in a public file")
            options = decorator.keywords if isinstance(decorator, ast.Call) else []
            names = [o.value.id for o in options if o.arg is None and isinstance(o.value, ast.Name)]
            if not shared & set(names):
                faults.append(f"{name}:{node.lineno}: kernel {node.name} without KERNEL_OPTIONS")
    return faults


def undocumented(text: str, name: str) -> list[str]:
    """Modules, public classes and public functions without a docstring; empty files need none."""
    tree = ast.parse(text)
    faults = [] if ast.get_docstring(tree) or not text.strip() else [f"{name}: module"]
    if any(part.startswith("_") for part in Path(name).parts):
        return faults
    for node in tree.body:
        is_public = isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_")
        if is_public and not ast.get_docstring(node) and not _says_all(node):
            faults.append(f"{name}:{node.lineno}: {node.name}")
    return faults


def _says_all(node: ast.FunctionDef | ast.ClassDef) -> bool:
    """A class that consists of explained or self-explanatory declarations, or a function of one statement: a
    docstring would repeat the name."""
    if isinstance(node, ast.ClassDef):
        return all(isinstance(part, ast.AnnAssign | ast.Expr) for part in node.body)
    return len(node.body) == 1


def printing(text: str, name: str) -> list[str]:
    """Printing outside the command line: the library returns or raises."""
    if name.startswith("cli/"):
        return []
    return [
        f"{name}:{node.lineno}: prints"
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "print"
    ]


RULES = (wrong_way, stray_packages, loose_kernels, undocumented, printing)


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.__name__)
def test_package_keeps_the_rules(rule: Callable[[str, str], list[str]]):
    assert files()
    faults = [fault for path in files() for fault in rule(path.read_text("utf-8"), name_of(path))]
    assert not faults, "\n".join(faults)


@pytest.mark.parametrize(
    ("rule", "name", "text"),
    [
        (wrong_way, "venue/x.py", "from ..study import store"),
        (wrong_way, "venue/x.py", "def f():\n    from ..report.maps import draw_map"),
        (wrong_way, "scene/x.py", "import roomsim.tracing.paths"),
        (wrong_way, "scene/x.py", "from roomsim.tracing.paths import PathLog"),
        (wrong_way, "scene/x.py", "from .. import tracing"),
        (wrong_way, "scene/x.py", "from .. import load"),
        (wrong_way, "bands.py", "from .estimate import Estimate"),
        (wrong_way, "study/x.py", "from ..tracing._rays import trace"),
        (wrong_way, "study/x.py", "from ..tracing.rays import _trace"),
        (stray_packages, "report/tables.py", "import matplotlib"),
        (stray_packages, "metrics/x.py", "def f():\n    import h5py"),
        (stray_packages, "tracing/trace.py", "from numba import njit"),
        (stray_packages, "venue/x.py", "import requests"),
        (loose_kernels, "tracing/trace.py", "@njit(**KERNEL_OPTIONS)\ndef f(): pass"),
        (loose_kernels, "tracing/_trace.py", "@numba.njit(cache=True)\ndef f(): pass"),
        (loose_kernels, "tracing/_trace.py", "@njit\ndef f(): pass"),
        (undocumented, "venue/x.py", "'''Module.'''\ndef f():\n    a = 1\n    return a"),
        (undocumented, "venue/x.py", "a = 1"),
        (undocumented, "venue/x.py", "'''Module.'''\nclass A:\n    def f(self): pass"),
        (printing, "study/x.py", "def f():\n    print(1)"),
    ],
)
def test_each_rule_finds_what_breaks_it(rule, name, text):
    assert rule(text, name)


@pytest.mark.parametrize(
    ("rule", "name", "text"),
    [
        (
            wrong_way,
            "report/maps.py",
            "from ..results.records import Results\nfrom . import style\nimport numpy",
        ),
        (wrong_way, "cli/x.py", "from .. import load, bands"),
        (wrong_way, "tracing/trace.py", "from ._rays import _step\nfrom .._jit import KERNEL_OPTIONS"),
        (wrong_way, "__init__.py", "from .cli import main"),
        (stray_packages, "report/maps.py", "import matplotlib.axes, numpy\nfrom pathlib import Path"),
        (
            loose_kernels,
            "scene/_k.py",
            "_O = {**KERNEL_OPTIONS, 'x': 1}\n@njit(inline='a', **_O)\ndef f(): pass",
        ),
        (
            undocumented,
            "venue/x.py",
            "'''Module.'''\nclass A:\n    size: float\n    '''m.'''\ndef _f():\n    a = 1",
        ),
    ],
)
def test_no_rule_finds_what_is_allowed(rule, name, text):
    assert not rule(text, name)


def test_third_party_packages_are_those_declared():
    import tomllib

    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    declared = {entry.split(">")[0].split("=")[0].strip().lower() for entry in project["dependencies"]}
    assert set(THIRD_PARTY) - declared == {"llvmlite"}  # comes with numba
    assert declared <= set(THIRD_PARTY)


def test_reference_implementations_share_nothing_with_the_package():
    references = sorted((ROOT / "tests" / "reference").glob("*.py"))
    assert references
    for path in references:
        found = [module for module, _, _ in imports(path.read_text("utf-8"), path.name)]
        assert not [module for module in found if module.split(".")[0] == "roomsim"], path.name


def test_tests_do_not_look_at_the_clock():
    clocks = {"perf_counter", "monotonic", "process_time", "timeit"}
    for path in sorted((ROOT / "tests").rglob("*.py")):
        tree = ast.parse(path.read_text("utf-8"))
        used = {getattr(node, "attr", getattr(node, "id", "")) for node in ast.walk(tree)}
        assert not used & clocks, path.name


HEAVY = ("numba", "trimesh", "matplotlib.pyplot", "scipy.signal", "pydantic", "h5py", "shapely", "scipy")


@pytest.mark.parametrize(
    "arguments",
    [["--help"], ["--version"], ["run", "--help"], ["materials", "drape", "--help"], ["schema", "-h"]],
)
def test_help_comes_without_what_is_slow_to_import(arguments):
    import subprocess

    code = (
        "import sys\nfrom roomsim.cli.application import execute\n"
        f"code = execute({arguments!r})\n"
        f"loaded = [name for name in {HEAVY!r} if name in sys.modules]\n"
        "sys.exit(f'loads {loaded}' if loaded or code else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip()


def test_every_function_that_the_package_offers_is_found():
    """The table by which functions are found, the imports for type checkers and the functions agree."""
    import importlib
    import inspect

    import roomsim

    tree = ast.parse((PACKAGE / "__init__.py").read_text("utf-8"))
    declared = {}
    for node in next(n for n in tree.body if isinstance(n, ast.If)).body:
        assert isinstance(node, ast.ImportFrom)
        declared |= {alias.asname or alias.name: f"{node.module}.{alias.name}" for alias in node.names}
    assert declared == roomsim._FUNCTIONS
    for name, home in declared.items():
        module, _, function = home.rpartition(".")
        found = getattr(roomsim, name)
        assert found is getattr(importlib.import_module(f"roomsim.{module}"), function)
        assert inspect.getdoc(found) and "Raises" in inspect.getdoc(found), name
    assert set(declared) <= set(dir(roomsim))
    with pytest.raises(AttributeError, match="no_such_thing"):
        roomsim.no_such_thing  # noqa: B018


def test_importing_the_package_loads_nothing_of_it():
    import subprocess

    code = (
        "import sys, roomsim\n"
        "print(*(name for name in sys.modules if name.partition('.')[0] in ('roomsim', 'numpy')))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["roomsim"]


@pytest.mark.parametrize(
    "arguments",
    [
        ["compare", "."],
        ["compare", ".", "--statistics"],
        ["status", "."],
        ["export", ".", "--out", "tables"],
        ["maps", ".", "--scenario", "bare", "--format", "svg", "--out", "maps"],
        ["charts", ".", "--format", "svg", "--out", "charts"],
    ],
    ids=lambda arguments: " ".join(arguments),
)
def test_finished_results_are_read_and_drawn_without_the_engines(
    arguments: list[str], tmp_path_factory: pytest.TempPathFactory
):
    """Those of a plan: `tests/endtoend/test_plan.py`."""
    folder = tmp_path_factory.mktemp("finished")
    write_results(folder / "results.h5", invented_results())
    run_without_engines(f"from roomsim.cli.application import execute\ncode = execute({arguments!r})", folder)


def test_an_engine_that_is_loaded_is_noticed(tmp_path: Path):
    with pytest.raises(AssertionError, match="numba"):
        run_without_engines("import roomsim.study.run\nprint('run')\ncode = 0", tmp_path)
