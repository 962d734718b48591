"""A session's rows as Parquet: units in the fields' metadata, the mapping in the schema's."""

import json
from pathlib import Path

import polars as pl
import pyarrow as pa

from pipeline.channels import POSITION
from pipeline.ingest.reading import RawSession

COMPRESSION_LEVEL = 1
"""Of zstd: a tenth larger than level 3 for an eighth less time."""


def write_samples(
    path: Path,
    raw: RawSession,
    *,
    source_name: str,
    source_sha256: str,
    version: str,
    keep_position: bool,
) -> None:
    """Write `raw.frame` to `path`; same rows, same bytes."""
    frame = raw.frame if keep_position else raw.frame.drop(POSITION, strict=False)
    mapping = {
        name: {"column": reading.column, "unit": reading.unit, "conversion": reading.conversion}
        for name, reading in raw.channels.items()
        if keep_position or name not in POSITION
    }
    note = {
        "source": {"file": source_name, "sha256": source_sha256,
                   "first_line": raw.first_line, "last_line": raw.last_line},
        "mapping": mapping,
        "version": version,
    }  # fmt: skip
    fields = [
        pa.field(
            name,
            pa.float64() if dtype == pl.Float64 else pa.large_string(),
            metadata={"unit": raw.units.get(name, "1")},
        )
        for name, dtype in frame.schema.items()
    ]
    text = json.dumps(note, ensure_ascii=True, sort_keys=True, allow_nan=False)
    schema = pa.schema(fields, metadata={"sparkledger": text})
    frame.write_parquet(
        path, compression="zstd", compression_level=COMPRESSION_LEVEL, arrow_schema=schema,
        metadata={"sparkledger": text},
    )  # fmt: skip
