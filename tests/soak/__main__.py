"""Long proofs: ``python -m tests.soak``: fuzzing of the readers, two hundred kills."""

import importlib
import os
import pkgutil
import subprocess
import sys

import tests.soak


def main() -> int:
    """Run every module of this folder that has a main, then the kills."""
    status = 0
    for module in pkgutil.iter_modules(tests.soak.__path__):
        if not module.name.startswith("_") and hasattr(
            importlib.import_module(f"tests.soak.{module.name}"), "main"
        ):
            command = [sys.executable, "-m", f"tests.soak.{module.name}"]
            status |= subprocess.run(command, check=False).returncode
    kills = [sys.executable, "-m", "pytest", "tests/spine/test_kills.py"]
    return (
        status
        | subprocess.run(
            kills, check=False, env={**os.environ, "SPARKLEDGER_KILLS": "200"}
        ).returncode
    )


if __name__ == "__main__":
    sys.exit(main())
