"""The scripts that make charts come alive, each with its hash for the content policy.

The Vega bundle takes over a second to make, so it is made once at set-up and kept by version,
the chart templates beside it by the code that makes them, and the pages' templates compiled, each
with the hash of its source::

    python -m pipeline.report.bundle --out .venv/share/sparkledger/
"""

import argparse
import base64
import functools
import hashlib
import sys
from dataclasses import dataclass
from pathlib import Path

TEMPLATES = Path(__file__).resolve().parents[2] / "report_templates"
_SHARE = Path("share") / "sparkledger"


@dataclass(frozen=True)
class Assets:
    """Script texts of a live page, in the order they stand in it."""

    vega: str
    page: str

    @functools.cached_property
    def hashes(self) -> tuple[str, str]:
        """Hash sources for the content policy, one per script."""
        return script_hash(self.vega), script_hash(self.page)


def script_hash(text: str) -> str:
    """The content policy's name for an inline script of exactly this text."""
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"sha256-{base64.b64encode(digest).decode('ascii')}"


def version() -> str:
    """Version of the library the bundle is made with."""
    from importlib.metadata import version as installed

    return installed("vl-convert-python")


def file_name() -> str:
    """Name of the kept bundle; another version has another name."""
    return f"vega-bundle-{version()}.js"


def make_bundle() -> str:
    """Make the bundle: Vega, Vega-Lite and their embedder, nothing loaded from outside."""
    import vl_convert

    text: str = vl_convert.javascript_bundle()  # type: ignore[call-arg]
    # Inline in a page: what looks like the end of its element would end it.
    return text.replace("</script", "<\\/script").replace("<!--", "<\\!--")


def kept_folder() -> Path:
    """Where set-up keeps what is made once: below sys.prefix."""
    return Path(sys.prefix) / _SHARE


def kept_file(name: str) -> Path:
    """Path of one thing made at set-up, there or not."""
    return kept_folder() / name


@functools.cache
def templates_name() -> str:
    """Name of the kept chart templates: made by other code they have another name."""
    from importlib.metadata import version as installed

    here = Path(__file__).parent
    digest = hashlib.sha256(f"{installed('altair')} {version()}".encode())
    for source in ("chart_templates.py", "shape.py", "theme.py"):
        digest.update((here / source).read_bytes())
    return f"chart-templates-{digest.hexdigest()[:16]}.json"


@functools.cache
def load_bundle() -> str:
    """The kept bundle, or one made in memory where none is kept."""
    try:
        return kept_file(file_name()).read_text(encoding="utf-8")
    except OSError:
        return make_bundle()


def load_assets() -> Assets:
    """Both scripts of a live page."""
    return Assets(load_bundle(), (TEMPLATES / "alive.js").read_text(encoding="utf-8"))


def main(arguments: list[str] | None = None) -> int:
    """Write the bundle and the chart templates into the folder ``--out``."""
    from pipeline.report.chart_templates import kept_templates
    from pipeline.report.page import keep_compiled

    parser = argparse.ArgumentParser(description="make what live pages need, once")
    parser.add_argument("--out", type=Path, default=kept_folder())
    out: Path = parser.parse_args(arguments).out
    out.mkdir(parents=True, exist_ok=True)
    for name, text in ((file_name(), make_bundle()), (templates_name(), kept_templates())):
        part = out / f"{name}.part"
        part.write_text(text, encoding="utf-8")
        part.replace(out / name)
    keep_compiled(out)
    return 0


if __name__ == "__main__":
    sys.exit(main())
