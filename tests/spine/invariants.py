"""What holds of every file of a session, whatever the log and the car were.

Each line is a promise of the program to the outside; see README and the JSON Schemas.
"""

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pyarrow.parquet as pq

from pipeline.channels import CHANNELS
from pipeline.registry import Registry
from pipeline.results import SEVERITIES, FuelPoint
from tests.analysis.test_contract import METRIC_UNITS

STATES = {"key_on", "cranking", "after_start", "idle", "cruise", "part_load", "boost", "overrun",
          "stopped"}  # fmt: skip
CHECK_STATES = {"off_cold", "off_hot", "key_on", "idle", "driving"}
MODES = {"stuck", "open", "short", "offset", "scale", "noise", "spike", "slow", "ground_shift",
         "saturated", "reference_lost", "swapped", "dead"}  # fmt: skip
BROKEN = re.compile(r"\b(nan|inf|None|NaN)\b")
"""A number that was none, in words meant for people."""
EPS = 1e-6


def samples(path: Path, record: Mapping[str, Any]) -> Iterator[str]:
    """What is wrong with a session's rows."""
    frame = pl.read_parquet(path)
    time = frame["time"].to_numpy()
    if time.dtype != np.float64 or time[0] != 0.0 or not (np.diff(time) > 0).all():
        yield "time does not rise strictly from 0"
    for field in pq.read_schema(path):
        unit = (field.metadata or {}).get(b"unit", b"").decode()
        if field.name == "time":
            wanted = "s"
        elif field.name in CHANNELS:
            wanted = CHANNELS[field.name].unit
            if str(field.type) != "double":
                yield f"{field.name} is {field.type}"
        elif field.name.startswith("other."):
            continue
        else:
            yield f"column {field.name} is neither a channel nor kept as other"
            continue
        if unit != wanted:
            yield f"{field.name} says {unit!r} for {wanted!r}"
    for name in set(frame.columns) & set(CHANNELS):
        values = frame[name].to_numpy()
        known = values[np.isfinite(values)]
        channel = CHANNELS[name]
        if known.size and (known.min() < channel.low or known.max() > channel.high):
            yield f"{name} holds what no sensor of its kind can report"
    if record["rows_read"] < frame.height:
        yield "more rows than were read"


def document(made: Mapping[str, Any], registry: Registry) -> Iterator[str]:
    """What is wrong with an analysis.json."""
    yield from _states(made)
    for finding in made["findings"]:
        yield from (f"{finding['kind']}: {text}" for text in _finding(finding, made, registry))
    for name, value in made["metrics"].items():
        unit = METRIC_UNITS.get(name.rsplit("_", 1)[-1], "1")
        if value["unit"] not in (unit, "K") and name != "intercooler_effectiveness":
            yield f"{name} is in {value['unit']}"
        if not math.isfinite(value["value"]):
            yield f"{name} is {value['value']}"
        low, high = value["low"], value["high"]
        slack = EPS * max(1.0, abs(value["value"]))
        if low is not None and low > value["value"] + slack:
            yield f"{name} lies below its interval"
        if high is not None and high < value["value"] - slack:
            yield f"{name} lies above its interval"
    names = {a["id"] for a in made["analyses"]}
    if names != set(registry.analyses) or len(made["analyses"]) != len(names):
        yield "not every analysis is listed once"
    for entry in made["analyses"]:
        if BROKEN.search(entry["why"]):
            yield f"{entry['id']} says: {entry['why']}"
    yield from _conclusions(made)


def _states(made: Mapping[str, Any]) -> Iterator[str]:
    spans = made["states"]
    for span in spans:
        if span["state"] not in STATES:
            yield f"unknown state {span['state']}"
        if not -EPS <= span["start_s"] <= span["end_s"] <= made["duration_s"] + EPS:
            yield f"state outside the session: {span}"
        if span.get("fuel_cut") and span["state"] != "overrun":
            yield f"fuel cut in {span['state']}"
    for one, other in pairwise(spans):
        if other["start_s"] < one["end_s"] - EPS:
            yield f"states overlap: {one} {other}"


def _finding(finding: Mapping[str, Any], made: Mapping[str, Any],
             registry: Registry) -> Iterator[str]:  # fmt: skip
    kinds = {k for a in registry.analyses.values() for k in a.meta.kinds}
    if finding["kind"] not in kinds:
        yield "no analysis owns it"
    if finding["severity"] not in SEVERITIES or not 0.0 <= finding["confidence"] <= 1.0:
        yield f"severity {finding['severity']}, confidence {finding['confidence']}"
    if not -EPS <= finding["start_s"] <= finding["end_s"] <= made["duration_s"] + EPS:
        yield f"from {finding['start_s']} to {finding['end_s']} of {made['duration_s']}"
    if finding["step"] not in range(6):
        yield f"step {finding['step']}"
    if not set(finding["blocks"]) <= kinds:
        yield f"blocks {finding['blocks']}"
    if bool(finding["mode"]) != (finding["kind"] == "sensor_fault") or (
        finding["mode"] and finding["mode"] not in MODES
    ):
        yield f"mode {finding['mode']!r}"
    if not set(finding["channels"]) <= set(CHANNELS):
        yield f"channels {finding['channels']}"
    if not finding["evidence"] and finding["kind"] not in ("controller_reset",):
        yield "no evidence"
    chances = [c["probability"] for c in finding["likely_causes"]]
    if any(not 0.0 <= p <= 1.0 for p in chances) or sum(chances) > 1.0 + 1e-3:
        yield f"causes add up to {sum(chances)}"
    for check in finding["next_checks"]:
        if check["engine"] not in CHECK_STATES or check["minutes"] <= 0:
            yield f"check {check}"
    for text in (finding["title"], finding["detail"]):
        if BROKEN.search(text):
            yield f"says: {text}"


def _conclusions(made: Mapping[str, Any]) -> Iterator[str]:
    kinds = {f["kind"] for f in made["findings"]}
    verdict = made["verdict"]
    if not set(verdict["because"]) <= kinds:
        yield f"the verdict rests on {verdict['because']}"
    if re.search(r"\bsafe\b", verdict["text"], re.IGNORECASE):
        yield f"the verdict says {verdict['text']}"
    if BROKEN.search(verdict["text"]):
        yield f"the verdict says {verdict['text']}"
    worst = max((f["severity"] for f in made["findings"]), key=SEVERITIES.index, default="info")
    if SEVERITIES.index(verdict["severity"]) > SEVERITIES.index(worst):
        yield f"the verdict is {verdict['severity']}, the worst finding {worst}"
    for item in made["diagnosis"]:
        if not 0.0 <= item["probability"] <= 1.0:
            yield f"{item['cause']} has {item['probability']}"
        if not set(item["explains"]) <= kinds:
            yield f"{item['cause']} explains {item['explains']}"


def table(points: Sequence[FuelPoint]) -> Iterator[str]:
    """What is wrong with a fuel table's rows."""
    for point in points:
        numbers = (point.correction_pct, point.low_pct, point.high_pct, point.step_pct)
        at = f"{point.rpm:g}/{point.load_kpa:g} {point.verdict}"
        if point.verdict in ("unknown", "blocked"):
            if any(n is not None for n in (*numbers, point.sensor_pct)):
                yield f"{at} has percentages"
            if point.verdict == "blocked" and not point.reason:
                yield f"{at} names no reason"
            continue
        if any(n is None or not math.isfinite(n) for n in numbers):
            yield f"{at} lacks percentages"
            continue
        correction, low, high, step = (float(n or 0.0) for n in numbers)
        if not low - EPS <= correction <= high + EPS:
            yield f"{at}: {correction} outside {low} to {high}"
        if abs(step) > abs(correction) + 0.06 or step * correction < -EPS:
            yield f"{at}: step {step} for {correction}"
        sensor = point.sensor_pct or 0.0
        spans_nought = low - sensor <= 0.0 <= high + sensor
        if spans_nought != (point.verdict == "keep"):
            yield f"{at}: {low} to {high} with {sensor} of the sensor's"
