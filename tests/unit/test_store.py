"""The study folder: what is written is read back, by one writer, and nothing else gets in."""

from __future__ import annotations

import dataclasses
import errno
import hashlib
import json
import os
import resource
import subprocess
import sys
import threading
from pathlib import Path

import h5py
import numpy as np
import pytest
from path_logs import N_COMPONENTS, N_PATCHES, N_RECEIVERS, SHEET, invented_log, reseal

from roomsim import files
from roomsim.errors import StoreError
from roomsim.results.folder import outputs_in
from roomsim.study.store import LogLimits, PathStore, StudyStore, digest
from roomsim.tracing.paths import PathLog

LIMITS = LogLimits(SHEET, N_RECEIVERS, N_COMPONENTS)
DIGEST = digest({"seed": 1})


def same_log(one: PathLog | None, other: PathLog) -> bool:
    return one is not None and all(
        np.array_equal(getattr(one, field.name), getattr(other, field.name))
        and getattr(getattr(one, field.name), "dtype", None)
        == getattr(getattr(other, field.name), "dtype", None)
        for field in dataclasses.fields(PathLog)
    )


@pytest.fixture
def notices() -> list[str]:
    return []


@pytest.fixture
def paths(tmp_path: Path, notices: list[str]) -> PathStore:
    with StudyStore(tmp_path / "demo.roomsim", notices.append) as store:
        yield store.paths(DIGEST, LIMITS)


def test_a_batch_is_read_as_it_was_written(paths: PathStore) -> None:
    log = invented_log(3, 17)
    assert 17 not in paths.batches(3)
    assert paths.read(3, 17) is None
    paths.write(log)
    assert 17 in paths.batches(3)
    assert same_log(paths.read(3, 17), log)
    assert not same_log(paths.read(3, 17), invented_log(3, 18))  # control: the comparison can fail


def test_rays_that_meet_no_seat_are_kept_too(paths: PathStore) -> None:
    none = {
        name: np.empty(0, getattr(invented_log(), name).dtype)
        for name in ("receiver", "path_length", "chord")
    }
    lost = {name: np.empty((0, 3), np.float32) for name in ("lost_positions", "lost_directions")}
    whole = invented_log()
    log = dataclasses.replace(whole, n_deposits=np.zeros_like(whole.n_deposits), n_lost=0, **none, **lost)
    paths.write(log)
    assert same_log(paths.read(0, 0), log)


def test_batches_are_listed_in_order_and_by_source(paths: PathStore) -> None:
    for source, batch in ((0, 12), (1, 3), (0, 2), (0, 1_234_567), (1, 0)):
        paths.write(invented_log(source, batch, n_rays=2))
    assert paths.batches(0) == [2, 12, 1_234_567]
    assert paths.batches(1) == [0, 3]
    assert paths.batches(2) == []


def test_the_order_of_writing_leaves_no_trace(tmp_path: Path) -> None:
    """Threads finish in any order: the files are the same byte for byte."""
    logs = [invented_log(0, batch) for batch in range(12)]
    contents = []
    for name, order in (("forward", logs), ("backward", logs[::-1]), ("threads", logs)):
        with StudyStore(tmp_path / f"{name}.roomsim") as store:
            kept = store.paths(DIGEST, LIMITS)
            if name == "threads":
                writers = [threading.Thread(target=kept.write, args=(log,)) for log in order]
                for writer in writers:
                    writer.start()
                for writer in writers:
                    writer.join()
            else:
                for log in order:
                    kept.write(log)
            contents.append({file.name: file.read_bytes() for file in kept.folder.iterdir()})
    assert len(contents[0]) == 12
    assert contents[0] == contents[1] == contents[2]


# --- digest ---------------------------------------------------------------------------------------------


def test_the_digest_changes_with_everything_and_only_then() -> None:
    ones = np.ones((2, 3))
    base = {"geometry": ones, "seed": 1, "version": "1", "file": b"ab"}
    variants = [
        base | {"geometry": np.ones((3, 2))},
        base | {"geometry": ones.astype(np.float32)},
        base | {"geometry": np.nextafter(ones, 2)},
        base | {"seed": 2},
        base | {"seed": 1.0},
        base | {"version": "11"},
        base | {"file": b"abc"},
        {"seed": 1, "version": "1", "file": b"ab"},
        {"geometry": ones, "seed": 1, "versio": "n1", "file": b"ab"},
    ]
    digests = [digest(parts) for parts in (base, *variants)]
    assert len(set(digests)) == len(digests)
    assert all(len(found) == 64 for found in digests)
    big_endian = ones.astype(">f8")
    strided = np.ones((4, 6))[::2, ::2]
    assert digest(dict(reversed(base.items()))) == digest(base)
    assert digest(base | {"geometry": big_endian}) == digest(base | {"geometry": strided}) == digest(base)


def test_paths_of_another_set_up_are_not_taken(tmp_path: Path, notices: list[str]) -> None:
    other = digest({"seed": 2})
    with StudyStore(tmp_path / "demo.roomsim", notices.append) as store:
        store.paths(DIGEST, LIMITS).write(invented_log())
        assert 0 not in store.paths(other, LIMITS).batches(0)
        # Eight digits name the folder; should two digests share them, the whole digest decides.
        impostor = store.paths(DIGEST[:8] + other[8:], LIMITS)
        assert 0 in impostor.batches(0)
        assert impostor.read(0, 0) is None
    assert "another tracing set-up" in notices[0]


# --- damage ---------------------------------------------------------------------------------------------


def _flip_a_byte_of_data(path: Path) -> None:
    content = bytearray(path.read_bytes())
    with h5py.File(path, "r") as file:
        at = file["path_length"].id.get_offset()
    content[at + 5] ^= 0x10
    path.write_bytes(content)


def _point_past_the_patches(path: Path) -> None:
    # A forger computes a fitting seal: the indices must be looked at all the same.
    log = invented_log()
    event = log.event.copy()
    event[0] = 3 * N_PATCHES
    _forge(path, dataclasses.replace(log, event=event))


def _point_past_the_seats(path: Path) -> None:
    log = invented_log()
    receiver = log.receiver.copy()
    receiver[-1] = N_RECEIVERS
    _forge(path, dataclasses.replace(log, receiver=receiver))


def _name_no_component(path: Path) -> None:
    log = invented_log()
    _forge(path, dataclasses.replace(log, component=np.full_like(log.component, N_COMPONENTS)))


def _go_back_in_a_ray(path: Path) -> None:
    log = invented_log()
    ray_end = log.ray_end.copy()
    ray_end[3] = -5
    _forge(path, dataclasses.replace(log, ray_end=ray_end))


def _promise_more_deposits(path: Path) -> None:
    log = invented_log()
    n_deposits = log.n_deposits.copy()
    n_deposits[0] += 1
    _forge(path, dataclasses.replace(log, n_deposits=n_deposits))


def _let_a_branch_wait_for_ever(path: Path) -> None:
    log = invented_log()
    event = log.event.copy()
    event[np.flatnonzero(event != 65535)[0]] |= 32768
    _forge(path, dataclasses.replace(log, event=event))


def _end_a_ray_twice(path: Path) -> None:
    log = invented_log()
    event = log.event.copy()
    middle = np.flatnonzero(~np.isin(event // 3, np.flatnonzero(SHEET >= 0)) & (event != 65535))[0]
    event[middle] = 65535
    _forge(path, dataclasses.replace(log, event=event))


def _follow_no_branch(path: Path) -> None:
    log = invented_log()
    share = log.share.copy()
    share[2] = 0.0
    _forge(path, dataclasses.replace(log, share=share))


def _lose_a_share(path: Path) -> None:
    log = invented_log()
    _forge(path, dataclasses.replace(log, share=log.share[:-1]))


def _forge(path: Path, log: PathLog) -> None:
    PathStore(path.parent, DIGEST, LIMITS, lambda text: None).write(log)


DAMAGE = {
    "cut short": lambda path: path.write_bytes(path.read_bytes()[:-200]),
    "empty": lambda path: path.write_bytes(b""),
    "no HDF5": lambda path: path.write_text("once upon a time"),
    "a byte changed": _flip_a_byte_of_data,
    "renamed": lambda path: path.with_name("00-000001.h5").replace(path),
    "patch too high": _point_past_the_patches,
    "seat too high": _point_past_the_seats,
    "component too high": _name_no_component,
    "ray backwards": _go_back_in_a_ray,
    "too few deposits": _promise_more_deposits,
    "a branch that never ends": _let_a_branch_wait_for_ever,
    "an end too many": _end_a_ray_twice,
    "a share of nothing": _follow_no_branch,
    "too few shares": _lose_a_share,
}


@pytest.mark.parametrize("damage", DAMAGE.values(), ids=DAMAGE)
def test_a_damaged_batch_is_set_aside_and_can_be_written_again(
    damage, paths: PathStore, notices: list[str]
) -> None:
    paths.write(invented_log(0, 0))
    paths.write(invented_log(0, 1))
    damage(paths.folder / "00-000000.h5")
    assert paths.read(0, 0) is None
    assert len(notices) == 1
    assert notices[0].startswith("00-000000.h5: damaged (")
    assert 0 not in paths.batches(0)
    assert (paths.folder / "00-000000.h5.damaged").exists()
    paths.write(invented_log(0, 0))
    assert same_log(paths.read(0, 0), invented_log(0, 0))
    assert len(notices) == 1


def _replace_dataset(path: Path, change) -> None:
    reseal(path, lambda file: (file.__delitem__("chord"), change(file)))


def _external_data(file: h5py.File) -> None:
    n = len(file["receiver"])
    file.create_dataset("chord", (n,), "<f4", external=[("secret.txt", 0, h5py.h5f.UNLIMITED)])


def _virtual_data(file: h5py.File) -> None:
    n = len(file["receiver"])
    layout = h5py.VirtualLayout((n,), "<f4")
    layout[:] = h5py.VirtualSource(file.filename, "path_length", (n,))
    file.create_virtual_dataset("chord", layout)


def _put(**how):
    return lambda file: file.create_dataset("chord", **how)


HOSTILE = {
    "external data": (_external_data, "outside the file"),
    "virtual data": (_virtual_data, "outside the file"),
    "external link": (lambda file: file.update(chord=h5py.ExternalLink("other.h5", "chord")), "outside"),
    "soft link": (lambda file: file.update(chord=h5py.SoftLink("/path_length")), "outside the file"),
    "a terabyte declared": (_put(shape=(2**40,), dtype="<f4", chunks=(9,)), "claims 4398046511104 bytes"),
    "a group": (lambda file: file.create_group("chord"), "not a dataset"),
    "another type": (_put(data=np.zeros(30)), "type float64"),
    "another shape": (_put(data=np.zeros((2, 3), np.float32)), "shape (2, 3)"),
    "another length": (_put(data=np.zeros(3, np.float32)), "are inconsistent"),
    "nothing": (lambda file: None, "missing"),
    "a filter of its own": (_put(data=np.zeros(30, np.float32), compression="lzf"), "compressed"),
}


@pytest.mark.parametrize(("change", "reason"), HOSTILE.values(), ids=HOSTILE)
def test_a_batch_that_reaches_outside_itself_is_refused(
    change, reason: str, paths: PathStore, notices: list[str]
) -> None:
    paths.write(invented_log())
    _replace_dataset(paths.folder / "00-000000.h5", change)
    assert paths.read(0, 0) is None
    assert reason in notices[0]


# --- the folder -----------------------------------------------------------------------------------------


def test_a_second_run_is_refused_and_told_who_holds_the_folder(tmp_path: Path) -> None:
    folder = tmp_path / "demo.roomsim"
    script = (
        "import sys, pathlib\n"
        "from roomsim.study.store import StudyStore\n"
        "with StudyStore(pathlib.Path(sys.argv[1])):\n"
        "    print('held', flush=True); sys.stdin.read()\n"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", script, str(folder)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    try:
        assert holder.stdout.readline() == "held\n"
        for _ in range(2):  # a refused attempt must not disturb the holder
            with pytest.raises(
                StoreError, match=f"in use by another run: process {holder.pid} on "
            ) as refused:
                StudyStore(folder).__enter__()
        assert refused.value.exit_code == 4
    finally:
        holder.kill()
        holder.wait()
    # The holder was killed, and its note is still there: that holds nobody up.
    assert json.loads((folder / "holder").read_text())["process"] == holder.pid
    with StudyStore(folder) as store:
        store.paths(DIGEST, LIMITS).write(invented_log())
    assert not (folder / "holder").exists()


def test_one_process_holds_it_once(tmp_path: Path) -> None:
    with StudyStore(tmp_path / "s"), pytest.raises(StoreError, match="in use"):
        StudyStore(tmp_path / "s").__enter__()


def test_what_a_stopped_run_left_is_removed_by_the_next(tmp_path: Path) -> None:
    """Unfinished files wherever a run writes, and damaged ones that an earlier run set aside; nothing else."""
    home = tmp_path / "s"
    with StudyStore(home) as store:
        paths = store.paths(DIGEST, LIMITS).folder.name
    half, other = ".0123abcd-4711-1.tmp", "notes.tmp"
    left = [f"{paths}/00-000004.h5{half}", f"results.h5{half}", f"tables/seats.csv{half}", f"pictures/a.png{half}"]
    left += [f"study/venue.toml{half}", f"{paths}/00-000004.h5.damaged"]
    stays = [f"pictures/{other}", "tables/seats.csv", "study/my.damaged"]
    for name in (*left, *stays):
        (home / name).parent.mkdir(exist_ok=True)
        (home / name).write_bytes(b"half a fi")
    with StudyStore(home) as store:
        assert store.paths(DIGEST, LIMITS).batches(0) == []
    assert {path.relative_to(home).as_posix() for path in home.rglob("*") if path.is_file()} == {*stays, "lock"}


def test_only_traced_paths_are_forgotten(tmp_path: Path) -> None:
    home, elsewhere = tmp_path / "s", tmp_path / "elsewhere"
    stays = ["paths-of-glory/a.txt", "paths-0123abcd.old/a.txt", "paths-0123ABCD/a.txt"]
    for name in stays:
        (home / name).parent.mkdir(parents=True)
        (home / name).write_text("mine")
    elsewhere.mkdir()
    (elsewhere / "00-000000.h5").write_text("mine")
    (home / "lock").touch()
    (home / "paths-89abcdef").symlink_to(elsewhere)
    (home / "paths-01234567").write_text("a file")
    with StudyStore(home) as store:
        store.paths(DIGEST, LIMITS).write(invented_log())
        (home / f"paths-{DIGEST[:8]}" / "link").symlink_to(elsewhere)
        store.forget_paths()
    assert sorted(entry.name for entry in home.iterdir()) == sorted(
        ["lock", "paths-01234567", "paths-89abcdef", *(name.split("/")[0] for name in stays)]
    )
    assert all((home / name).read_text() == "mine" for name in stays)
    assert [path.read_text() for path in elsewhere.iterdir()] == ["mine"]


def test_folder_of_like_names_is_no_study_folder(tmp_path: Path) -> None:
    (tmp_path / "paths-of-glory").mkdir()
    with pytest.raises(StoreError, match="is not the folder of a run"):
        StudyStore(tmp_path).__enter__()


@pytest.mark.parametrize("inside", ["tables", "."])
def test_outputs_in_the_folder_of_a_run_wait_for_its_lock(tmp_path: Path, inside: str) -> None:
    with StudyStore(tmp_path / "s") as store:
        store.results_path.touch()
        with pytest.raises(StoreError, match="in use by another run"), outputs_in(tmp_path / "s" / inside):
            pass
        with outputs_in(tmp_path / "elsewhere"):
            pass
    with outputs_in(tmp_path / "s" / inside), pytest.raises(StoreError, match="in use by another run"):
        StudyStore(tmp_path / "s").__enter__()


def test_unfinished_files_elsewhere_go_when_their_writer_has(tmp_path: Path) -> None:
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    host = files._HOST
    left, others = f"a.png.{host}-{gone.pid}-1.tmp", f"a.png.{host}-{os.getpid()}-1.tmp"
    of_another_machine, mine = f"a.png.0123abcd-{gone.pid}-1.tmp", "notes.tmp"
    for name in (left, others, of_another_machine, mine):
        (tmp_path / name).touch()
    with outputs_in(tmp_path):
        pass
    assert {path.name for path in tmp_path.iterdir()} == {others, of_another_machine, mine}


@pytest.mark.skipif(sys.platform != "linux", reason="asks the system for the name behind a handle")
def test_new_folders_are_on_the_disk_before_anything_is_said_to_be(tmp_path: Path, monkeypatch) -> None:
    """A name is on the disk when the folder that it stands in has been flushed, after it was made."""
    flushed, fsync = [], os.fsync

    def watched(handle: int) -> None:
        flushed.append(os.readlink(f"/proc/self/fd/{handle}"))
        fsync(handle)

    monkeypatch.setattr(os, "fsync", watched)
    with StudyStore(tmp_path / "new" / "s") as store:
        paths = store.paths(DIGEST, LIMITS)
        paths.write(invented_log())
    above = [str(tmp_path), str(tmp_path / "new"), str(tmp_path / "new" / "s"), str(paths.folder)]
    assert set(above) <= set(flushed)


def test_a_folder_with_other_things_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "letters.txt").write_text("Dear")
    with pytest.raises(StoreError, match=r"is not the folder of a run: it holds 'letters\.txt'"):
        StudyStore(tmp_path).__enter__()
    assert [entry.name for entry in tmp_path.iterdir()] == ["letters.txt"]


def test_inputs_are_kept_as_read(tmp_path: Path) -> None:
    home = tmp_path / "home"
    (home / "mesh").mkdir(parents=True)
    files = {"hall.toml": b"a = 1\n", "mesh/hall.obj": b"v 0 0 0\n", "../shared.toml": b"b = 2\n"}
    for name, content in files.items():
        (home / name).write_bytes(content)
    digests = {name: hashlib.sha256(content).hexdigest() for name, content in files.items()}
    with StudyStore(tmp_path / "s") as store:
        store.keep_inputs(home, digests)
        kept = tmp_path / "s" / "study"
        assert (kept / "mesh/hall.obj").read_bytes() == files["mesh/hall.obj"]
        assert (kept / "up/shared.toml").read_bytes() == files["../shared.toml"]
        listed = subprocess.run(
            ["sha256sum", "-c", "inputs.sha256"], cwd=kept, capture_output=True, text=True
        )
        assert listed.returncode == 0
        assert listed.stdout.count(": OK") == 3
        (home / "hall.toml").write_bytes(b"a = 2\n")
        with pytest.raises(StoreError, match="changed since it was read"):
            store.keep_inputs(home, digests)


# --- full and forbidden disks ---------------------------------------------------------------------------


@pytest.fixture
def small_files():
    """No file may grow past 20 kB, as on a disk with no more room."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, hard))
    yield
    resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_a_full_disk_loses_nothing_that_was_finished(
    paths: PathStore, notices: list[str], small_files
) -> None:
    small = invented_log(0, 0, n_rays=5)
    paths.write(small)
    with pytest.raises(StoreError, match=r"00-000001\.h5: cannot write: File too large") as full:
        paths.write(invented_log(0, 1, n_rays=2000))
    assert full.value.exit_code == 4
    assert "finished work is not lost" in str(full.value)
    assert [entry.name for entry in paths.folder.iterdir()] == ["00-000000.h5"]
    assert same_log(paths.read(0, 0), small)
    assert notices == []


def test_no_room_at_the_very_end_counts_too(paths: PathStore, monkeypatch: pytest.MonkeyPatch) -> None:
    """Delayed allocation: some file systems report a full disk only when the data are forced out."""

    def full(handle: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", full)
        with pytest.raises(StoreError, match="No space left on device"):
            paths.write(invented_log())
    assert list(paths.folder.iterdir()) == []


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_read_only_folder(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    with pytest.raises(StoreError, match="Permission denied"):
        StudyStore(tmp_path / "s").__enter__()
    tmp_path.chmod(0o700)


@pytest.mark.parametrize("kind", [errno.EROFS, errno.ENOSPC, errno.EIO])
def test_a_disk_that_can_no_longer_be_written_is_what_is_told(tmp_path: Path, monkeypatch, kind: int) -> None:
    """Neither the unfinished file nor the note of who holds the folder can be deleted there: that is not the point."""

    def refused(*_, **__):
        raise OSError(kind, os.strerror(kind))

    def undeletable(*_, **__):
        raise PermissionError(errno.EPERM, "not this one")

    def run() -> None:
        with StudyStore(tmp_path / "s") as store:
            paths = store.paths(DIGEST, LIMITS)
            with monkeypatch.context() as patched:
                for name in ("fsync", "replace", "mkdir"):
                    patched.setattr(os, name, refused)
                patched.setattr(os, "unlink", undeletable)
                try:
                    paths.write(invented_log())
                finally:
                    # The folder is let go while the disk is as it is.
                    store.__exit__(None, None, None)

    with pytest.raises(StoreError, match=rf"00-000000\.h5: cannot write: {os.strerror(kind)}"):
        run()
    with StudyStore(tmp_path / "s") as store:
        store.paths(DIGEST, LIMITS).write(invented_log())


def test_a_folder_that_cannot_be_locked_is_told_and_let_go(tmp_path: Path, monkeypatch) -> None:
    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", lambda handle: (_ for _ in ()).throw(OSError(errno.ENOSPC, "No space left")))
        with pytest.raises(StoreError, match="cannot write: No space left"):
            StudyStore(tmp_path / "s").__enter__()
    with StudyStore(tmp_path / "s"):
        pass


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="cannot write"):
        StudyStore(tmp_path / "file" / "s").__enter__()
