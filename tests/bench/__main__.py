"""All benches, one after the other: ``python -m tests.bench [name ...]``."""

import importlib
import pkgutil
import subprocess
import sys

import tests.bench


def main() -> int:
    """Run every module of this folder that is a bench (has a main), each in its own process."""
    names = sys.argv[1:] or sorted(m.name for m in pkgutil.iter_modules(tests.bench.__path__))
    status = 0
    for name in names:
        if name.startswith("_") or not hasattr(
            importlib.import_module(f"tests.bench.{name}"), "main"
        ):
            continue
        print(f"== {name}", flush=True)
        status |= subprocess.run(
            [sys.executable, "-m", f"tests.bench.{name}"], check=False
        ).returncode
    return status


if __name__ == "__main__":
    sys.exit(main())
