"""The fuel table's closed loop: ``python -m tests.bench.fuel_table [--seeds 6] [--first 900]``.

Two 20-minute drives of a car whose table is wrong; apply the estimates of ``change`` rows in
full; drive again. RMS errors over warm operation by the visits of the drives themselves, beside
nearest-cell averaging without delay on the same logs; coverage of the 95 % intervals.

What a table should hold is what the engine needs there: its own error and what no log can tell
from it, a dead time that is wrong at the usual voltage and the heat the charge takes up on its
way (mean of each point's own visits). Figures "of the table alone" leave the second out. Rows more
than 5 kPa below the table's lowest pressure have no break point and are left out; their share is
shown.
"""

import argparse
from collections.abc import Callable
from typing import Any

import numpy as np

from fixtures.cars import draw_car
from fixtures.drives import mixed_drive
from fixtures.simulate import Run, simulate
from pipeline.analysis.fuel_table import META, pooled
from pipeline.limits import Limits
from pipeline.registry import Registry, load_registry
from pipeline.results import FuelPoint
from pipeline.runner import FactStore, Timings
from pipeline.session import View
from pipeline.signals.regression import bilinear
from tests.judge.bridge import session_of

RATES = (10.0, 15.0, 20.0, 25.0)
CYLINDERS = (4, 6, 8)
LOWEST_KPA = 15.0
#: Points visited this long count in the unweighted figure, s.
VISITED_S = 2.0


#: The measure is about the statistical part: the simulated sensor has no systematic error.
STATISTICAL = Limits(sensor_error_pct=0.0, sensor_error_rich_pct=0.0)


def rows_of(runs: list[Run], registry: Registry, limits: Limits = STATISTICAL) -> list[FuelPoint]:
    """Pooled rows of several drives on one table."""
    analysis = registry.analyses["fuel_table"]
    assert analysis.analyse is not None
    digests = []
    for run in runs:
        session = session_of(run)
        view: View = FactStore(session, registry, Timings()).view(META)
        result = analysis.analyse(view)
        if result.digest:
            digests.append(dict(result.digest))
    return pooled(digests, limits) if digests else []


def as_function(rows: list[FuelPoint]) -> Callable[[Any, Any], Any]:
    """Correction in percent over (rpm, kPa), bilinear between rows with verdict change."""
    rpm = np.unique([p.rpm for p in rows])
    kpa = np.unique([p.load_kpa for p in rows])
    plane = np.zeros((rpm.size, kpa.size))
    for p in rows:
        value = p.correction_pct if p.verdict == "change" and p.correction_pct is not None else 0.0
        plane[np.searchsorted(rpm, p.rpm), np.searchsorted(kpa, p.load_kpa)] = value

    def at(r: Any, k: Any) -> Any:
        u = np.interp(r, rpm, np.arange(rpm.size))
        v = np.interp(k, kpa, np.arange(kpa.size))
        i = np.minimum(u.astype(int), rpm.size - 2)
        j = np.minimum(v.astype(int), kpa.size - 2)
        p, q = u - i, v - j
        return ((1 - p) * (1 - q) * plane[i, j] + (1 - p) * q * plane[i, j + 1]
                + p * (1 - q) * plane[i + 1, j] + p * q * plane[i + 1, j + 1])  # fmt: skip

    return at


def naive(runs: list[Run], rows: list[FuelPoint]) -> dict[tuple[float, float], float]:
    """Nearest-cell averages of measured over target with trims, no delay: what many do."""
    rpm = np.unique([p.rpm for p in rows])
    kpa = np.unique([p.load_kpa for p in rows])
    sums, count = np.zeros((rpm.size, kpa.size)), np.zeros((rpm.size, kpa.size))
    for run in runs:
        c = session_of(run).channels
        warm = (c["coolant_temperature"] > 70) & (c["engine_speed"] > 500) & (c["lambda"] < 1.3)
        warm &= c["injector_pulse_width"] > 0.1
        trim = sum(c[n] for n in ("fuel_trim_short", "fuel_trim_long") if n in c)
        error = 100 * (c["lambda"] / c["lambda_target"] * (1 + trim / 100.0) - 1)
        i = np.abs(c["engine_speed"][:, None] - rpm).argmin(axis=1)
        j = np.abs(c["manifold_pressure"][:, None] - kpa).argmin(axis=1)
        good = warm & np.isfinite(error)
        np.add.at(sums, (i[good], j[good]), error[good])
        np.add.at(count, (i[good], j[good]), 1)
    return {(float(rpm[i]), float(kpa[j])): float(sums[i, j] / count[i, j])
            for i, j in zip(*np.nonzero(count > 20), strict=True)}  # fmt: skip


Field = Callable[[Any, Any], Any]


def warm_rows(run: Run, *, all_loads: bool = False) -> Any:
    """Rows (n,) warm, fuelled and within the table's reach."""
    c = session_of(run).channels
    rows = (c["coolant_temperature"] > 70) & (c["engine_speed"] > 500)
    if "injector_pulse_width" in c:
        rows &= c["injector_pulse_width"] > 0.1
    return rows if all_loads else rows & (c["manifold_pressure"] > LOWEST_KPA)


def standing(runs: list[Run], rows: list[FuelPoint]) -> Field:
    """Standing error in percent over (rpm, kPa): means by bilinear weight over the warm rows."""
    rpm, kpa = np.unique([p.rpm for p in rows]), np.unique([p.load_kpa for p in rows])
    total, weight = np.zeros(rpm.size * kpa.size), np.full(rpm.size * kpa.size, 1e-9)
    for run in runs:
        c, use = session_of(run).channels, warm_rows(run)
        index, share = bilinear(rpm, kpa, c["engine_speed"][use], c["manifold_pressure"][use])
        error = 100.0 * run.truth.series["standing_error"][use]
        np.add.at(total, index, share * error[:, None])
        np.add.at(weight, index, share)
    plane = total / weight

    def at(r: Any, k: Any) -> Any:
        index, share = bilinear(rpm, kpa, np.asarray(r, float), np.asarray(k, float))
        return (plane[index] * share).sum(axis=1)

    return at


def needed(run: Run, more: Field | None) -> Field:
    """Percent of fuel to add over (rpm, kPa): the table's own error, and a standing one."""

    def at(r: Any, k: Any) -> Any:
        own = np.asarray(run.truth.fuel_error(r, k), dtype=float)
        return own if more is None else 100 * ((1 + own / 100) * (1 + more(r, k) / 100) - 1)

    return at


def warm_error(runs: list[Run], more: Field | None, correction: Field | None) -> float:
    """RMS of what is left of the need, over the warm fuelled rows of the drives, %."""
    left = []
    for run in runs:
        c, rows = session_of(run).channels, warm_rows(run)
        rpm, kpa = c["engine_speed"][rows], c["manifold_pressure"][rows]
        error = needed(run, more)(rpm, kpa)
        if correction is not None:
            error = 100 * ((1 + error / 100) / (1 + np.asarray(correction(rpm, kpa)) / 100) - 1)
        left.append(error)
    return float(np.sqrt(np.mean(np.concatenate(left) ** 2)))


def one(seed: int, registry: Registry) -> dict[str, float]:
    """One car: two drives, one update, two drives, a second update."""
    cylinders, rate = CYLINDERS[seed % 3], RATES[seed % 4]
    # A table never tuned; the sensor's own systematic error is judged apart (column sensor_pct).
    car = draw_car(seed, cylinders=cylinders, load_sensing="speed_density", table_error_pct=15.0,
                   sensor_gain=0.0)  # fmt: skip
    drives = [mixed_drive(seed * 10 + k, 20.0, rate_hz=rate) for k in range(4)]
    first = [simulate(car, d, seed=seed + k) for k, d in enumerate(drives[:2])]
    rows = rows_of(first, registry)
    found = as_function(rows)
    careful = as_function(rows_of(first, registry, Limits()))
    more = standing(first, rows)
    judged = [p for p in rows if p.verdict in ("change", "keep")]
    rpm, kpa = np.array([p.rpm for p in judged]), np.array([p.load_kpa for p in judged])

    def covered(field: Field) -> float:
        true = np.asarray(field(rpm, kpa), dtype=float).tolist()
        return float(
            np.mean([p.low_pct <= t <= p.high_pct for p, t in zip(judged, true, strict=True)])
        )

    truth = np.asarray(needed(first[0], more)(rpm, kpa), dtype=float).tolist()
    visited = [
        (p.correction_pct if p.verdict == "change" else 0.0) - t
        for p, t in zip(judged, truth, strict=True)
        if p.evidence_s >= VISITED_S
    ]
    averages = naive(first, rows)
    averaged = [
        averages.get((p.rpm, p.load_kpa), 0.0) - t
        for p, t in zip(judged, truth, strict=True)
        if p.evidence_s >= VISITED_S
    ]
    plain_rows = [
        FuelPoint(rpm=p.rpm, load_kpa=p.load_kpa, correction_pct=averages.get((p.rpm, p.load_kpa)),
                  low_pct=None, high_pct=None, step_pct=None, sensor_pct=None, evidence_s=0.0,
                  verdict="change" if (p.rpm, p.load_kpa) in averages else "unknown")
        for p in rows
    ]  # fmt: skip
    second = [simulate(car, d, seed=seed + 2 + k, table_correction=found)
              for k, d in enumerate(drives[2:])]  # fmt: skip
    late = rows_of(second, registry)
    again, later = as_function(late), standing(second, late)
    below = [np.mean(~warm_rows(r)[warm_rows(r, all_loads=True)]) for r in first]
    return {
        "before": warm_error(first, more, None),
        "after one": warm_error(first, more, found),
        "after one, new road": warm_error(second, later, None),
        "after two": warm_error(second, later, again),
        "after one, of the table alone": warm_error(first, None, found),
        "after two, of the table alone": warm_error(second, None, again),
        "with the sensor's doubt": warm_error(first, more, careful),
        "naive after one": warm_error(first, more, as_function(plain_rows)),
        "points after one": float(np.sqrt(np.mean(np.square(visited)))) if visited else np.nan,
        "naive, points after one": (
            float(np.sqrt(np.mean(np.square(averaged)))) if averaged else np.nan
        ),
        "coverage": covered(needed(first[0], more)),
        "coverage, table alone": covered(needed(first[0], None)),
        "judged points": float(len(judged)),
        "rows below the table, %": 100.0 * float(np.mean(below)),
    }


def main() -> int:
    """Print a table over seeds."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=6)
    parser.add_argument("--first", type=int, default=900)
    options = parser.parse_args()
    registry = load_registry()
    results = []
    for seed in range(options.first, options.first + options.seeds):
        found = one(seed, registry)
        results.append(found)
        print(f"seed {seed} cyl {CYLINDERS[seed % 3]} {RATES[seed % 4]:.0f} Hz: "
              + ", ".join(f"{k} {v:.2f}" for k, v in found.items()), flush=True)  # fmt: skip
    for name in results[0]:
        print(f"{name:<30} {np.nanmean([r[name] for r in results]):8.2f}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
