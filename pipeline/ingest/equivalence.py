"""Which way round a bare "equivalence ratio" is: combustion books and scan standards disagree.

In combustion it is fuel over air, the inverse of lambda; the diagnostic standard's "commanded
equivalence ratio" (SAE J1979 PID 44, from memory) is lambda itself. The name cannot tell, so the
log has to: another mixture column, else what no mixture can be, else that a petrol engine in
boost runs rich.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from pipeline.ingest.convert import DISPLAY_RATIO
from pipeline.ingest.reading import Message
from pipeline.ingest.table import Column
from pipeline.ingest.votes import Decision, Floats
from pipeline.ingest.words import read_name

BOOST_KPA = 110.0
"""Above any barometer (the record is 108 kPa): an engine here is boosted."""

RICHEST_LAMBDA = 0.55
"""Richer than any petrol engine runs or wideband probe reports."""

SURE_ROWS = 8
"""Rows of evidence asked for: one odd reading decides nothing."""

_OFF = 0.03
"""What a mixture has to be off lambda 1 by before it tells the two apart, as a fraction."""


def settle_equivalence(
    columns: Sequence[Column], decisions: Sequence[Decision], line: int, messages: list[Message]
) -> list[Decision]:
    """Read a bare equivalence ratio as lambda where the log shows that it is; say so."""
    out = list(decisions)
    bare = {i for i, d in enumerate(out) if d.op == "inverse" and _is_bare(columns[d.column])}
    for place in sorted(bare):
        decision = out[place]
        column = columns[decision.column]
        ratio = _floats(column)
        others = [d for i, d in enumerate(out) if i not in bare and d.channel.startswith("lambda")]
        verdict, reason = _by_other(ratio, columns, others)
        if not verdict:
            verdict, reason = _by_itself(ratio)
        if not verdict:
            verdict, reason = _in_boost(ratio, columns, out)
        title = column.header.strip()
        if verdict == "lambda":
            out[place] = replace(decision, op="", conversion="none", why=f"name; {reason}")
            messages.append(Message(line, f"column '{title}': {reason}", "read as lambda"))
        elif verdict:
            out[place] = replace(decision, why=f"name; {reason}")
        else:
            messages.append(
                Message(
                    line,
                    f"column '{title}' could be fuel over air or lambda; read as fuel over air",
                    'if it is lambda, state unit = "lambda" for it under [channels]',
                )
            )
    return out


def _is_bare(column: Column) -> bool:
    name = read_name(column.header)
    return set(name.words) - {"measured", "sensor"} == {"equivalence", "ratio"}


def _floats(column: Column) -> Floats:
    values: Floats = column.values.fill_null(np.nan).to_numpy().astype(np.float64)
    return values


def _by_other(
    ratio: Floats, columns: Sequence[Column], others: Sequence[Decision]
) -> tuple[str, str]:
    for other in others:
        values = _floats(columns[other.column])
        if other.op == "air_fuel_ratio":
            values = values / DISPLAY_RATIO
        with np.errstate(all="ignore"):
            mixture = -np.log(values) if other.op == "inverse" else np.log(values)
            own = np.log(ratio)
        told = np.isfinite(mixture) & np.isfinite(own) & (np.abs(mixture) > 2 * _OFF)
        if told.sum() < SURE_ROWS:
            continue
        alike = float(np.median(np.abs(own[told] - mixture[told])))
        turned = float(np.median(np.abs(own[told] + mixture[told])))
        header = columns[other.column].header.strip()
        if alike < 0.5 * turned:
            return "lambda", f"it goes with '{header}'"
        if turned < 0.5 * alike:
            return "inverse", f"it goes against '{header}'"
    return "", ""


def _by_itself(ratio: Floats) -> tuple[str, str]:
    if np.sum(ratio > 1 / RICHEST_LAMBDA) >= SURE_ROWS:
        return "lambda", "as fuel over air it would be richer than an engine runs"
    if np.sum((ratio > 0) & (ratio < RICHEST_LAMBDA)) >= SURE_ROWS:
        return "inverse", "as lambda it would be richer than an engine runs"
    return "", ""


def _in_boost(
    ratio: Floats, columns: Sequence[Column], decisions: Sequence[Decision]
) -> tuple[str, str]:
    pressure = next((d for d in decisions if d.channel == "manifold_pressure" and not d.op), None)
    if pressure is None:
        return "", ""
    level = _floats(columns[pressure.column]) * pressure.scale + pressure.offset
    boosted = ratio[(level > BOOST_KPA) & np.isfinite(ratio)]
    if len(boosted) < SURE_ROWS:
        return "", ""
    middle = float(np.median(boosted))
    if middle < 1 - _OFF:
        return "lambda", "it falls below 1 in boost, where engines run rich"
    if middle > 1 + _OFF:
        return "inverse", "it rises above 1 in boost, where engines run rich"
    return "", ""
