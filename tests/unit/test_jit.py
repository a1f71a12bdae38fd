"""Compiled code on disk is good only as long as no kernel has changed."""

from __future__ import annotations

import errno
import importlib.util
import os
import subprocess
import sys
from pathlib import Path

import pytest
from numba import config
from numba.core import caching

from roomsim import _jit
from roomsim.errors import RoomsimWarning, StoreError
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


# --- compiled code on disk ------------------------------------------------------------------------------

pytestmark = pytest.mark.skipif(bool(config.DISABLE_JIT), reason="nothing is compiled")


class Kernel:
    """A function in a file of its own, loaded as a new process would load it."""

    def __init__(self, folder: Path):
        self.folder = folder
        self.source = folder / "small.py"
        self.source.write_text("def double(x):\n    return x + x\n")

    def load(self):
        spec = importlib.util.spec_from_file_location("small", self.source)
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        return _jit.njit(cache=True)(module.double)

    @property
    def kept(self) -> list[Path]:
        return sorted((self.folder / "__pycache__").glob("*" + _jit.COMPILED))

    def run(self, argument=21) -> bool:
        """Whether the code came from the disk; it must be right either way."""
        kernel = self.load()
        assert kernel(argument) == 2 * argument
        return sum(kernel.stats.cache_hits.values()) == 1


@pytest.fixture
def kernel(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Kernel:
    monkeypatch.setattr(_jit, "_warned", set())
    monkeypatch.setattr(config, "CACHE_DIR", "")
    return Kernel(tmp_path)


def test_compiled_code_is_used_again_for_each_signature(kernel: Kernel) -> None:
    assert [kernel.run(21), kernel.run(21), kernel.run(1.5), kernel.run(1.5)] == [False, True, False, True]
    assert len(kernel.kept) == 2


def test_code_compiled_before_a_kernel_changed_is_not_used(kernel: Kernel, monkeypatch) -> None:
    kernel.run()
    monkeypatch.setattr(_jit, "_DIGEST", "of other files")
    assert not kernel.run()
    assert kernel.run()
    assert len(kernel.kept) == 1  # written over, so that nothing piles up


@pytest.mark.parametrize(
    "damage",
    [
        lambda content: b"",
        lambda content: content[:40],
        lambda content: content[: len(content) // 2],
        lambda content: content + b"\0",
        lambda content: bytes(len(content)),
        lambda content: content[:300] + bytes([content[300] ^ 1]) + content[301:],
    ],
    ids=["empty", "cut in the head", "cut", "longer", "zeros", "a bit changed"],
)
def test_damaged_compiled_code_is_compiled_again(kernel: Kernel, damage) -> None:
    kernel.run()
    (path,) = kernel.kept
    path.write_bytes(damage(path.read_bytes()))
    with pytest.warns(RoomsimWarning, match=f"is damaged: {path}"):
        assert not kernel.run()
    assert kernel.run()


def test_compiled_code_that_cannot_be_kept_costs_time_only(kernel: Kernel, monkeypatch) -> None:
    def full(path: Path, content: bytes) -> None:
        raise StoreError("cannot write: No space left on device", file=path)

    monkeypatch.setattr(_jit, "replace_file", full)
    with pytest.warns(RoomsimWarning, match=f"cannot be stored .*No space left.*{kernel.folder}") as told:
        assert [kernel.run(21), kernel.run(1.5)] == [False, False]
    assert len(told) == 1


def test_no_folder_for_compiled_code_costs_time_only(kernel: Kernel, monkeypatch) -> None:
    """As where neither the program's own folder nor the home can be written."""

    def forbidden(self) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(caching._CacheLocator, "ensure_cache_path", forbidden)
    with pytest.warns(RoomsimWarning, match=f"cannot be stored .*{kernel.folder}"):
        assert not kernel.run()
    assert kernel.kept == []


def test_file_that_cannot_be_read_costs_time_only(kernel: Kernel) -> None:
    kernel.run()
    (path,) = kernel.kept
    path.unlink()
    path.mkdir()
    with pytest.warns(RoomsimWarning) as told:
        assert not kernel.run()
    assert "cannot be read" in str(told[0].message)


def test_kernels_of_the_program_are_kept_in_this_way() -> None:
    assert isinstance(_paths.trace_rays._cache, _jit.KernelCache)


def test_settings_in_the_working_folder_do_not_say_where_code_is_loaded_from(tmp_path: Path) -> None:
    """numba reads them there where YAML can be read; a stand-in for the reader says what the file would."""
    (tmp_path / ".numba_config.yaml").write_text("cache_dir: theirs")
    code = (
        "import sys, types\n"
        "sys.modules['yaml'] = types.SimpleNamespace(safe_load=lambda file: {'cache_dir': file.read()})\n"
        "import numba; assert 'theirs' in numba.config.CACHE_DIR\n"  # control
        "from roomsim import _jit\n"
        "print(repr(numba.config.CACHE_DIR))\n"
    )
    environment = {name: value for name, value in os.environ.items() if not name.startswith("NUMBA")}
    done = subprocess.run(
        [sys.executable, "-P", "-c", code], cwd=tmp_path, env=environment, capture_output=True, text=True, check=True
    )
    assert done.stdout == "''\n"
