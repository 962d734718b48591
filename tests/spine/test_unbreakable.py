"""Runs that have no room, meet another run, or lose a worker."""

import os
import signal
import subprocess
from pathlib import Path

import pytest

from pipeline.pool import Pool, WorkerDiedError
from tests.spine.helpers import ROOT, program, run, start, tree


def test_a_second_run_waits_for_the_first(logs: Path, out: Path, tmp_path: Path) -> None:
    wanted = tree(out)
    pages = tmp_path / "pages"
    first = start(logs, pages)
    second = start(logs, pages)
    outputs = [p.communicate(timeout=120)[1] for p in (first, second)]
    assert first.returncode == second.returncode == 0, outputs
    assert tree(pages) == wanted


def mounted(folder: Path, size: str) -> bool:
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", os.fspath(folder)]
    try:
        return subprocess.run(command, capture_output=True, check=False).returncode == 0
    except FileNotFoundError:
        return False


def test_a_full_disk_is_one_line_and_leaves_no_half_file(logs: Path, tmp_path: Path) -> None:
    small = tmp_path / "small"
    if not mounted(small, "1m"):
        pytest.skip("a small file system cannot be mounted here (needs root)")
    try:
        done = run(logs, small / "pages")
        assert done.returncode == 1
        assert "Traceback" not in done.stderr
        assert "no space left" in done.stderr
        assert not list(small.rglob("*.partial"))
        assert not list(small.rglob("state.json"))
    finally:
        subprocess.run(["umount", os.fspath(small)], check=True)


def test_a_folder_nobody_can_write_is_one_line(logs: Path, tmp_path: Path) -> None:
    """A read-only file system stops root too."""
    locked = tmp_path / "locked"
    if not mounted(locked, "8m"):
        pytest.skip("a file system cannot be mounted here (needs root)")
    try:
        subprocess.run(["mount", "-o", "remount,ro", os.fspath(locked)], check=True)
        for out in (locked, locked / "pages"):
            done = run(logs, out)
            assert done.returncode == 1
            assert "Traceback" not in done.stderr
            assert "read-only" in done.stderr
    finally:
        subprocess.run(["umount", os.fspath(locked)], check=True)


def work(task: str) -> str:
    """Die once or always, as the task says; a folder remembers the first time."""
    kind, _, where = task.partition(" ")
    marker = Path(where)
    if kind == "always" or (kind == "once" and not marker.exists()):
        marker.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return kind


def test_a_worker_that_dies_takes_only_its_own_task(tmp_path: Path) -> None:
    tasks = {f"fine{i}": f"fine {tmp_path}" for i in range(6)}
    tasks["once"] = f"once {tmp_path / 'once'}"
    tasks["always"] = f"always {tmp_path / 'always'}"
    with Pool(2) as pool:
        results = dict(pool.run(work, tasks))
    assert isinstance(results.pop("always"), WorkerDiedError)
    assert results == {**{f"fine{i}": "fine" for i in range(6)}, "once": "once"}


def where(_: int) -> int:
    return os.getpid()


def test_little_work_is_left_to_one_worker() -> None:
    tasks = {str(n): n for n in range(5)}
    with Pool(3) as pool:
        assert len({pid for _, pid in pool.run(where, tasks, seconds=1.0)}) == 1
        assert dict(pool.run(where, tasks)).keys() == tasks.keys()


def test_a_dead_worker_gives_back_the_rest_of_its_parcel(tmp_path: Path) -> None:
    tasks = {f"fine{i}": f"fine {tmp_path}" for i in range(3)}
    tasks["always"] = f"always {tmp_path / 'always'}"
    with Pool(2) as pool:
        results = dict(pool.run(work, tasks, seconds=1.0))
    assert isinstance(results.pop("always"), WorkerDiedError)
    assert results == {f"fine{i}": "fine" for i in range(3)}


BLOCKED = """
import socket
def refuse(*_a, **_k):
    raise OSError("no network in this test")
socket.socket.connect = refuse
socket.create_connection = refuse
socket.getaddrinfo = refuse
"""


def test_no_network_is_asked_for(logs: Path, out: Path, tmp_path: Path) -> None:
    (tmp_path / "block").mkdir()
    (tmp_path / "block" / "sitecustomize.py").write_text(BLOCKED)
    path = f"{tmp_path / 'block'}{os.pathsep}{ROOT}"
    done = program("run", logs, "--out", tmp_path / "pages", env={"PYTHONPATH": path})
    assert done.returncode == 0, done.stderr
    assert tree(tmp_path / "pages") == tree(out)
