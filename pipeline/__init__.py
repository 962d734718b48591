"""Batch pipeline from data logs of a home-built car to reports; see DEVELOPERS.md."""

__version__ = "0.1.0"
#: Raised whenever the shape of analysis.json or ingest.json changes.
SCHEMA_VERSION = 1
