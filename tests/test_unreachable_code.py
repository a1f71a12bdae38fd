"""There is no unreachable code: every function, class, method, constant and field is named by code that is reached.

Entry points are the command line, the functions that `roomsim/__init__.py` re-exports, and those that the documentation
names.
"""

from __future__ import annotations

import re
from pathlib import Path

from reachability import Key, Program

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "roomsim"
WRITTEN_WHOLE = {"roomsim.planning.results"}
"""Modules whose dataclasses are written to files with all their fields, by `dataclasses.asdict`."""


def program_of(files: dict[str, str]) -> Program:
    """A program from the texts of its files by path."""
    modules, packages = {}, []
    for path, text in files.items():
        name = path.removesuffix(".py").replace("/", ".")
        if name.endswith("__init__"):
            name = name.removesuffix(".__init__")
            packages.append(name)
        modules[name] = text
    return Program(modules, packages)


def roomsim_program() -> tuple[Program, list[Key]]:
    """The package, and its entry points."""
    paths = sorted(PACKAGE.rglob("*.py"))
    program = program_of({path.relative_to(ROOT).as_posix(): path.read_text("utf-8") for path in paths})
    front = [("roomsim", name) for name in program.scopes["roomsim"]]
    documents = [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md")), *sorted((ROOT / "docs").glob("*.py"))]
    named = {
        found for path in documents for found in re.findall(r"\broomsim(?:\.\w+)+", path.read_text("utf-8"))
    }
    told = [(module, name) for module, _, name in (found.rpartition(".") for found in named)]
    told += [
        (module, name)
        for path in documents
        for module, names in re.findall(r"from (roomsim[\w.]*) import ([\w, ]+)", path.read_text("utf-8"))
        for name in names.split(", ")
    ]
    return program, [("roomsim.__main__", ""), ("roomsim.cli", "main"), *front, *told]


def test_everything_is_reached():
    program, entries = roomsim_program()
    unreached = [
        f"{one.key[0]}:{one.line}: {one.kind} {one.key[1]}"
        for one in program.unreached(entries)
        if not (one.kind == "field" and one.key[0] in WRITTEN_WHOLE)
    ]
    assert not unreached, "\n".join(["call it, or delete it with its tests:", *unreached])


def test_every_parameter_takes_more_than_one_value():
    program, entries = roomsim_program()
    constant = [
        f"{'.'.join(one.function)}: {one.name} is always {one.value}"
        for one in program.constant_parameters(entries)
    ]
    assert not constant, "\n".join(["make it a constant:", *constant])


SMALL = {
    "p/__init__.py": "from .shown import shown",
    "p/cli.py": """
from . import work
from .registry import KINDS, registered

@registered
def command(): return work.used(3, level=1)

def main():
    try:
        return [kind() for kind in KINDS]
    finally:
        work.Thing(1, 2).size
""",
    "p/registry.py": """
def first(): return 1
KINDS = (first,)
TABLE = {}
def registered(function):
    TABLE[function.__name__] = function
    return function
""",
    "p/shown.py": "def shown(): return hidden()\ndef hidden(): return 'late.py'",
    "p/late.py": "def own(): pass\nif __name__ == '__main__':\n    own()",
    "p/work.py": """
from dataclasses import dataclass
LIMIT = 3
UNUSED = 4
@dataclass
class Thing:
    length: float
    forgotten: float
    @property
    def size(self): return self.length
    @property
    def planted_property(self): return self.forgotten_too
    def __len__(self): return LIMIT
class PlantedClass:
    def inside(self): return planted()
def planted(): return recursive()
def recursive(): return recursive()
def used(value, level=1, depth=2): return inner(value) + inner(4, other=5)
def inner(value, other=6): return value + other
""",
}


def test_what_is_planted_is_found_and_nothing_else():
    program = program_of(SMALL)
    dead = {one.key for one in program.unreached([("p.cli", "main"), ("p", "shown")])}
    names = ("UNUSED", "Thing.forgotten", "Thing.planted_property", "PlantedClass", "planted", "recursive")
    assert dead == {("p.work", name) for name in names}


def test_planted_parameters_of_one_value_are_found_and_nothing_else():
    found = program_of(SMALL).constant_parameters([("p.cli", "main"), ("p", "shown")])
    assert {(one.function[1], one.name, one.value) for one in found} == {("used", "level", "1"), ("used", "depth", "2")}


def test_a_dead_function_planted_in_this_package_is_found():
    paths = sorted(PACKAGE.rglob("*.py"))
    texts = {path.relative_to(ROOT).as_posix(): path.read_text("utf-8") for path in paths}
    texts["roomsim/physics/levels.py"] += "\n\ndef planted(level):\n    return energy(level)\n"
    _, entries = roomsim_program()
    dead = {one.key for one in program_of(texts).unreached(entries)}
    assert ("roomsim.physics.levels", "planted") in dead
