"""Hashes of the program's own sources and libraries, by stage: stale results come from these.

Only the standard library. Source hashes, not a version number: a contributor who edits an
analysis must never read a stale page.
"""

import sys
from pathlib import Path

from pipeline.store import digest

HERE = Path(__file__).parent
TEMPLATES = HERE.parent / "report_templates"
#: What the reading of logs rests on beside its own folder; a test follows its imports.
READING_RESTS_ON = ("__init__.py", "channels.py", "vehicle.py", "wrong_value.py", "wording.py",
                    "limits.py", "stages.py", "physics/atmosphere.py")  # fmt: skip
#: Libraries whose version changes what is read or computed.
LIBRARIES = ("altair", "jinja2", "msgspec", "numpy", "pint", "polars", "pyarrow", "scipy",
             "vl_convert_python")  # fmt: skip


def source_files() -> dict[str, list[Path]]:
    """Source files by stage: ingest, analyse (includes judge and conclude), report."""
    top = sorted(HERE.glob("*.py"))
    ingest = sorted((HERE / "ingest").glob("**/*.py"))
    signals = sorted((HERE / "signals").glob("**/*.*"))
    report = sorted((HERE / "report").glob("**/*.*")) + sorted(TEMPLATES.glob("**/*.*"))
    analyse = [
        p
        for folder in ("analysis", "facts", "physics")
        for p in sorted((HERE / folder).glob("**/*.*"))
    ]
    shared = [HERE / name for name in READING_RESTS_ON]
    return {
        "ingest": _sources(shared + ingest),
        "analyse": _sources([*top, *analyse, *signals]),
        "report": _sources([*top, *report, *signals]),
    }


def _sources(paths: list[Path]) -> list[Path]:
    return [p for p in paths if p.suffix in (".py", ".toml", ".html", ".css", ".js", ".json")]


def code_stamp() -> str:
    """Quick look at all sources: names, sizes, times of change, and the libraries' versions."""
    parts = [sys.version, *libraries()]
    for paths in source_files().values():
        for path in paths:
            info = path.stat()
            parts.append(f"{path.name} {info.st_size} {info.st_mtime_ns}")
    return digest(*parts)


def code_hashes() -> dict[str, str]:
    """Hash of the sources of each stage, with the libraries' versions in it."""
    versions = libraries()
    return {
        stage: digest(
            *versions,
            *(part for p in paths for part in (p.relative_to(HERE.parent).as_posix(),
                                               p.read_bytes())),
        )
        for stage, paths in source_files().items()
    }  # fmt: skip


def libraries() -> list[str]:
    """Names and versions of the libraries as installed, without importing any."""
    found: set[str] = set()
    for entry in sys.path:
        folder = Path(entry)
        if folder.name == "site-packages" and folder.is_dir():
            for info in folder.glob("*.dist-info"):
                name = info.name.lower().replace("-", "_")
                if name.startswith(LIBRARIES):
                    found.add(info.name)
    return sorted(found)
