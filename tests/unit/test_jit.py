"""Compiled code on disk is good only as long as no kernel has changed."""

from __future__ import annotations

from pathlib import Path

from numba import config

from roomsim import _jit
from roomsim.tracing import _paths


def test_the_digest_knows_every_file_with_kernels_and_no_other(tmp_path: Path) -> None:
    (tmp_path / "tracing").mkdir()
    inner, outer, other = tmp_path / "tracing" / "_inner.py", tmp_path / "_outer.py", tmp_path / "outer.py"
    for path in (inner, outer, other, tmp_path / "__init__.py"):
        path.write_text("a = 1\n")
    before = _jit.source_digest(tmp_path)
    other.write_text("a = 2\n")
    (tmp_path / "__init__.py").write_text("a = 2\n")
    assert _jit.source_digest(tmp_path) == before
    inner.write_text("a = 2\n")
    assert _jit.source_digest(tmp_path) != before
    inner.write_text("a = 1\n")
    assert _jit.source_digest(tmp_path) == before


def test_the_compiler_stamps_what_it_keeps_with_the_digest() -> None:
    """It is reached through a private name: should that go, this test says so."""
    if not config.DISABLE_JIT:
        assert _jit.source_digest(Path(_jit.__file__).parent) in _paths.trace_rays._cache._cache_file._source_stamp
