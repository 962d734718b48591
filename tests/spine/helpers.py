"""Runs the program as users do, and looks at everything it wrote."""

import hashlib
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]


def program(
    *arguments: str | Path,
    timeout: float = 120,
    env: dict[str, str] | None = None,
    cwd: Path = ROOT,
) -> subprocess.CompletedProcess[str]:
    """Run one command in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "pipeline.cli", *map(os.fspath, arguments)],
        capture_output=True, text=True, timeout=timeout, check=False, cwd=cwd,
        env={**os.environ, "PYTHONPATH": os.fspath(ROOT), **(env or {})},
    )  # fmt: skip


def run(logs: Path, out: Path, *options: str) -> subprocess.CompletedProcess[str]:
    """Report on a folder, as many workers as pay."""
    return program("run", logs, "--out", out, *options)


def tree(out: Path) -> dict[str, str]:
    """Hash of every file below a folder."""
    return {
        p.relative_to(out).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(out.rglob("*"))
        if p.is_file()
    }


def stamps(out: Path) -> dict[str, tuple[int, int]]:
    """Inode and time of last status change of every file: what was written anew shows."""
    return {
        p.relative_to(out).as_posix(): (p.stat().st_ino, p.stat().st_ctime_ns)
        for p in sorted(out.rglob("*"))
        if p.is_file()
    }


def written(before: dict[str, tuple[int, int]], out: Path) -> set[str]:
    """Names of the files written since ``before``."""
    return {name for name, stamp in stamps(out).items() if before.get(name) != stamp}


def start(logs: Path, out: Path, *options: str) -> subprocess.Popen[str]:
    """Begin a run in a process group of its own, so that it can be killed whole."""
    return subprocess.Popen(
        [sys.executable, "-m", "pipeline.cli", "run", logs, "--out", out, *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": os.fspath(ROOT)},
        start_new_session=True,
    )
