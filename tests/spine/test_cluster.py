"""The same bytes from a real local cluster: a scheduler and two worker processes over TCP."""

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.spine.helpers import ROOT, program, tree


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture
def scheduler(tmp_path: Path) -> Iterator[int]:
    """Port of a scheduler with two workers, each a process of one thread."""
    port = free_port()
    env = {**os.environ, "PYTHONPATH": os.fspath(ROOT), "POLARS_MAX_THREADS": "1",
           "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}  # fmt: skip
    command = [sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1",
               "--port", str(port), "--no-dashboard"]  # fmt: skip
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "env": env,
             "cwd": tmp_path, "start_new_session": True}  # fmt: skip
    processes = [subprocess.Popen(command, **quiet)]  # type: ignore[call-overload]
    worker = [sys.executable, "-m", "distributed.cli.dask_worker", f"tcp://127.0.0.1:{port}"]
    worker += ["--nthreads", "1", "--no-dashboard", "--local-directory", os.fspath(tmp_path)]
    processes += [subprocess.Popen(worker, **quiet) for _ in range(2)]  # type: ignore[call-overload]
    deadline = time.monotonic() + 30
    while time.monotonic() < deadline:
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                break
        time.sleep(0.2)
    yield port
    for process in processes:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()


def test_a_cluster_writes_the_same_bytes(
    logs: Path, out: Path, tmp_path: Path, scheduler: int
) -> None:
    pages = tmp_path / "pages"
    done = program(
        "run", logs, "--out", pages, "--executor", f"dask://127.0.0.1:{scheduler}", timeout=120
    )
    assert done.returncode == 0, done.stderr
    assert tree(pages) == tree(out)


def test_no_cluster_there_is_one_line(logs: Path, tmp_path: Path) -> None:
    done = program("run", logs, "--out", tmp_path / "pages", "--executor",
                   f"dask://127.0.0.1:{free_port()}", timeout=120)  # fmt: skip
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    assert "cluster" in done.stderr
