"""The pages and the browser of the report's tests, for those of the index and the comparison."""

from tests.report.conftest import _chromium, hostile, reader

__all__ = ["_chromium", "hostile", "reader"]
