"""The judge's tables: for the terminal, and as plain data for JSON."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from typing import Any

import numpy as np

from tests.judge.harness import Tally, Target


def as_data(tally: Tally, targets: Mapping[str, Target]) -> dict[str, Any]:
    """Everything counted, as numbers that JSON can carry."""
    kinds = {
        kind: {
            "true": s.true, "found": s.found, "recall": _share(s.found, s.true),
            "right": s.right, "excused": s.excused, "wrong": s.wrong,
            "precision": _share(s.right, s.right + s.wrong),
            "missed_in": s.missed_in, "wrong_in": s.wrong_in,
        }
        for kind, s in sorted(tally.kinds.items())
    }  # fmt: skip
    metrics = {
        name: {
            "runs": len(errors), "missing": tally.missing.get(name, 0),
            "median": float(np.median(errors)), "p95": float(np.quantile(np.abs(errors), 0.95)),
            "within": float(np.mean(np.abs(errors) <= targets[name].tolerance)),
            "tolerance": targets[name].tolerance, "unit": targets[name].unit,
            "coverage": float(np.mean(tally.covered[name])) if tally.covered.get(name) else None,
        }
        for name, errors in sorted(tally.errors.items())
    }  # fmt: skip
    for name in tally.missing:
        metrics.setdefault(name, {"runs": 0, "missing": tally.missing[name]})
    rows = {
        name: {"runs": len(v), "mean": float(np.mean(v)), "median": float(np.median(v)),
               "low": float(np.quantile(v, 0.05)), "high": float(np.quantile(v, 0.95)),
               "min": float(min(v)), "max": float(max(v))}
        for name, v in sorted(tally.rows.items())
    }  # fmt: skip
    hours = tally.healthy_hours
    return {
        "runs": tally.runs, "cpu_s": round(tally.seconds, 1), "kinds": kinds, "metrics": metrics,
        "rows": rows, "healthy_hours": hours, "false_healthy": tally.false_healthy,
        "false_per_10_h": 10.0 * tally.false_healthy / hours if hours else None,
        "calibration": calibration(tally.confidence), "failed": dict(tally.failed),
    }  # fmt: skip


def calibration(pairs: list[tuple[float, bool]]) -> dict[str, Any]:
    """Stated confidence against how often it was right, in bins, and the Brier score."""
    if not pairs:
        return {"brier": None, "bins": []}
    stated = np.array([p for p, _ in pairs])
    right = np.array([float(r) for _, r in pairs])
    edges = np.array([0.0, 0.5, 0.7, 0.85, 0.95, 1.0001])
    bins = []
    for low, high in pairwise(edges):
        here = (stated >= low) & (stated < high)
        if here.any():
            bins.append({"low": float(low), "high": min(float(high), 1.0), "n": int(here.sum()),
                         "stated": float(stated[here].mean()),
                         "right": float(right[here].mean())})  # fmt: skip
    return {"brier": float(np.mean((stated - right) ** 2)), "bins": bins}


def as_text(name: str, data: dict[str, Any], *, where: bool = False) -> str:
    """One area's table."""
    out = [f"== {name}: {data['runs']} runs, {data['cpu_s']} CPU s"]
    if data["kinds"]:
        out.append(f"  {'kind':26}{'true':>5}{'found':>6}{'recall':>8}{'right':>7}{'excused':>8}"
                   f"{'wrong':>6}{'precision':>10}")  # fmt: skip
        for kind, k in data["kinds"].items():
            out.append(f"  {kind:26}{k['true']:5}{k['found']:6}{_pct(k['recall']):>8}{k['right']:7}"
                       f"{k['excused']:8}{k['wrong']:6}{_pct(k['precision']):>10}")  # fmt: skip
            if where:
                out += [f"      missed: {w}" for w in k["missed_in"]]
                out += [f"      false:  {w}" for w in k["wrong_in"]]
        if data["false_per_10_h"] is not None:
            out.append(f"  false alarms: {data['false_healthy']} in {data['healthy_hours']:.1f} "
                       f"healthy hours = {data['false_per_10_h']:.2f} per 10 h")  # fmt: skip
        for b in data["calibration"]["bins"]:
            out.append(f"  confidence {b['low']:.2f}-{b['high']:.2f}: stated {b['stated']:.2f}, "
                       f"right {b['right']:.2f} (n {b['n']})")  # fmt: skip
    if data["metrics"]:
        out.append(f"  {'metric':30}{'runs':>5}{'none':>5}{'median err':>12}{'p95 |err|':>11}"
                   f"{'within':>8}{'coverage':>9}")  # fmt: skip
        for metric, m in data["metrics"].items():
            if not m["runs"]:
                out.append(f"  {metric:30}{0:5}{m['missing']:5}")
                continue
            out.append(f"  {metric:30}{m['runs']:5}{m['missing']:5}{m['median']:12.3f}"
                       f"{m['p95']:11.3f}{_pct(m['within']):>8}{_pct(m['coverage']):>9}"
                       f"  (tolerance {m['tolerance']:g} {m['unit']})")  # fmt: skip
    if data["rows"]:
        out.append(f"  {'figure':42}{'runs':>5}{'mean':>10}{'5 %':>10}{'median':>10}{'95 %':>10}"
                   f"{'worst':>21}")  # fmt: skip
        for row, r in data["rows"].items():
            spread = "".join(f"{r[k]:10.3f}" for k in ("mean", "low", "median", "high"))
            out.append(f"  {row:42}{r['runs']:5}{spread}{r['min']:11.3f}{r['max']:10.3f}")
    out += [f"  FAILED {count}x {text}" for text, count in data["failed"].items()]
    return "\n".join(out)


def _share(part: int, whole: int) -> float | None:
    return part / whole if whole else None


def _pct(value: float | None) -> str:
    return "-" if value is None else f"{100.0 * value:.1f} %"
