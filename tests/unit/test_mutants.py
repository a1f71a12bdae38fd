"""The script that mutates the package: what it changes, what it leaves alone, and which tests it takes."""

from __future__ import annotations

import ast
from pathlib import Path

import mutants
import pytest

ROOT = Path(__file__).parents[2]
CODE = b'''"""Text with 1 + 1."""
LIMIT: int = 3


@decorated(size=4)
def area(a: float | None, b: float = 2.0) -> float:
    """Returns a * b."""
    if a is None or b < 1e-9:
        raise ValueError(f"{a} is {2 + 2} too few" + "!")
    rows = [max(a, n) for n in range(3) if n]
    rows[0] = a * b
    rows.append(-a)
    return sum(rows)


def name(n: int) -> str:
    return "a" * (n + 1)
'''


def changed(content: bytes) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for mutant in mutants.mutants_of(content, "x.py"):
        found.setdefault(mutant.source, set()).add(mutant.mutated)
    return found


def test_every_kind_of_change_is_made_once() -> None:
    found = changed(CODE)
    assert found["LIMIT: int = 3"] == {"LIMIT: int = (4)"}
    assert found["def area(a: float | None, b: float = 2.0) -> float:"] == {
        "def area(a: float | None, b: float = (2.2)) -> float:"
    }
    assert found["if a is None or b < 1e-9:"] == {
        "if (a is None and b < 1e-09):",
        "if (a is not None) or b < 1e-9:",
        "if a is None or (b >= 1e-09):",
        "if a is None or (b <= 1e-09):",
        "if a is None or b < (1.000000001):",
    }
    assert found["rows = [max(a, n) for n in range(3) if n]"] == {
        "rows = [(min)(a, n) for n in range(3) if n]",
        "rows = [max(a, n) for n in range((4)) if n]",
        "rows = [max(a, n) for n in range(3) if (not n)]",
    }
    assert found["rows[0] = a * b"] == {"pass", "rows[(1)] = a * b", "rows[0] = (a / b)"}
    assert found["rows.append(-a)"] == {"pass", "rows.append((a))"}
    assert found['raise ValueError(f"{a} is {2 + 2} too few" + "!")'] == {"pass"}


def test_text_annotations_and_decorators_are_left_alone() -> None:
    untouched = ('"""Text', "@decorated", '"""Returns', 'return "a"', "def name")
    assert not [source for source in changed(CODE) if source.startswith(untouched)]


def test_mutants_are_programs_that_differ() -> None:
    """Some of one module of each package, none of them twice."""
    for package in mutants.TESTS:
        for path in sorted((ROOT / "roomsim" / package).glob("[!_]*.py"))[:1]:
            content = path.read_bytes()
            original = ast.dump(ast.parse(content))
            found = mutants.mutants_of(content, path.name)
            assert found and len({(m.start, m.end, m.text) for m in found}) == len(found)
            for mutant in found[::5]:
                assert ast.dump(ast.parse(mutant.applied(content))) != original, mutant


@pytest.mark.parametrize("package", mutants.TESTS)
def test_packages_and_their_tests_are_there(package: str) -> None:
    assert (ROOT / "roomsim" / package).is_dir()
    for pattern in mutants.TESTS[package]:
        assert list((ROOT / "tests").glob(pattern)), pattern


def test_every_explanation_is_a_sentence() -> None:
    explained = mutants.read_explained()
    assert explained and all(reason.endswith(".") and len(reason) > 20 for reason in explained.values())
