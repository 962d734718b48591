"""Runs killed at random moments leave whole files, and the next one finishes."""

import os
import random
import signal
import subprocess
import time
from pathlib import Path

from tests.spine.helpers import run, start, tree

#: Kills in the ordinary test run; the soak does ten times as many.
KILLS = int(os.environ.get("SPARKLEDGER_KILLS", "20"))


def finish(process: subprocess.Popen[str]) -> None:
    process.communicate(timeout=120)


def test_a_killed_run_leaves_whole_files_and_the_next_one_finishes(
    logs: Path, tmp_path: Path
) -> None:
    """Kill times are uniform over the run's measured length; each run begins anew (--force)."""
    for path in sorted(logs.glob("*.csv"))[1:]:
        path.unlink()
    began = time.monotonic()
    finish(start(logs, tmp_path / "measured"))
    length = time.monotonic() - began
    wanted = tree(tmp_path / "measured")
    chance = random.Random(20)
    half_done = tmp_path / "pages"
    for _ in range(KILLS):
        process = start(logs, half_done, "--force")
        time.sleep(chance.uniform(0.0, length))
        os.killpg(process.pid, signal.SIGKILL)
        finish(process)
        for name, content in tree(half_done).items():
            assert name.endswith(".partial") or content == wanted[name], name
    done = run(logs, half_done)
    assert done.returncode == 0, done.stderr
    assert tree(half_done) == wanted
