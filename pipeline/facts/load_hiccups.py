"""Hiccups of acceleration with a lean spike behind them: firings that fail under load."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.facts.full_throttle_runs import FullThrottleRuns
from pipeline.meta import FactMeta
from pipeline.session import NotAvailableError, View
from pipeline.signals import segments
from pipeline.signals.sampling import quantisation_step
from pipeline.signals.segments import Bools, Floats

META = FactMeta(
    summary="hiccups of acceleration with lean spikes in full-throttle runs: missed firings",
    version=2,
    needs=("engine_speed", "lambda"),
    uses=("lambda_target", "manifold_pressure"),
    facts=("full_throttle_runs",),
)

#: Hz of speed and lambda below which a hiccup of a few firings leaves no trace.
LEAST_HZ = 4.0
#: s at the start of a run left out: the throttle's own transient.
SETTLE_S = 0.5
#: Deviations of the run's own scatter a hiccup and a lean spike have to exceed. The scatter is
#: that of the good side (rich, pulling): many misses must not raise their own bar.
SIGMA = 5.0
#: Least rise of lambda (share) and loss of acceleration (share of speed a second) that count.
LEAST_LEAN = 0.05
LEAST_FALL = 0.12
#: s over which acceleration is taken.
PULL_S = 0.24
#: Share of the rev limit beyond which a limiter's cut looks the same; and falls that all lie
#: within this share below the highest speed reached are a limiter's too, wherever it is set.
LIMITER_SHARE = 0.93
SAME_SPEED = 0.05
#: s around a lean spike whose middle it has to stand above: several spikes long.
SPIKE_S = 1.5
#: kPa the pressure may move round a hiccup: a throttle or a valve at work is no misfire.
STEADY_KPA = 25.0
#: s after the hiccup in which the lean spike may be logged: at full throttle the exhaust takes
#: 0.1-0.3 s, sensor and logger the rest.
DELAY_S = (0.0, 0.6)
#: Fewest hiccups with lean spikes in a session.
LEAST_EVENTS = 2
#: Share of speed by which rows fall below the middle of the five around them, share of a run's rows
#: that do, and how many at least in a session, where misses crowd so that they are their run's own
#: scatter. A sound engine's rows rise one after the other; what its logger adds is a third of that.
TREMBLE, CROWDED_SHARE, CROWDED_ROWS = 0.01, 0.05, 6


@dataclass(frozen=True)
class Hiccups:
    """Events of one session: times of hiccups with a lean spike, size of both, pressure, rpm."""

    times: Floats
    fall: Floats
    lean: Floats
    rows: NDArray[np.int64]
    seconds: float


def compute(view: View) -> Hiccups:
    """Look for them in every run; raises NotAvailableError without runs or in too slow a log."""
    runs: FullThrottleRuns = view.fact("full_throttle_runs")
    if not runs.runs:
        raise NotAvailableError("no full-throttle run in this log")
    for name in ("engine speed", "lambda"):
        channel = name.replace(" ", "_")
        if not segments.update_interval(view.time, view.channel(channel)) <= 1.0 / LEAST_HZ:
            raise NotAvailableError(
                f"{name} is renewed too seldom; hiccups need {LEAST_HZ:.0f} readings a second"
            )
    return find_hiccups(view, runs)


def _course(time: Floats, pull: Floats) -> Floats:
    """Straight line (n,) through the pull, fitted twice, the second time to its better part."""
    x = time - time.mean()
    keep = np.ones(time.size, dtype=bool)
    line_at = np.zeros(time.size)
    for _ in range(3):
        slope, level = np.polyfit(x[keep], pull[keep], 1)
        line_at = slope * x + level
        better = pull >= line_at
        if better.sum() < 6:
            break
        keep = pull > line_at - float(np.std(pull[better] - line_at[better]))
    return line_at


def find_hiccups(view: View, runs: FullThrottleRuns) -> Hiccups:
    """All hiccups of acceleration and those with a lean spike behind them."""
    time = view.time
    speed = segments.hold(time, view.channel("engine_speed"), seconds=0.5)
    lam = segments.hold(time, view.channel("lambda"), seconds=0.5)
    target = view.get("lambda_target")
    if target is not None:
        lam = lam / segments.hold(time, target, seconds=1.0)
    pressure = view.get("manifold_pressure")
    held = None if pressure is None else segments.hold(time, pressure, seconds=0.5)
    times, falls, leans, rows = [], [], [], []
    crowds: list[tuple[Floats, Floats, Floats, NDArray[np.int64]]] = []
    seconds = 0.0
    for run in runs.runs:
        first = int(np.searchsorted(time, max(run.start_s, run.opened_s) + SETTLE_S))
        index = np.arange(first, run.end)
        if index.size < 12:
            continue
        t, y, x = time[index], speed[index], lam[index]
        good = np.isfinite(y) & np.isfinite(x)
        if good.mean() < 0.8:
            continue
        index, t, y, x = index[good], t[good], y[good], x[good]
        if index.size < 12:
            continue
        span = float(t[-1] - t[0])
        seconds += span
        # Loss of acceleration against the run's own, as a share of speed a second.
        ahead = np.log(np.maximum(np.interp(t + 0.5 * PULL_S, t, y), 1.0))
        behind = np.log(np.maximum(np.interp(t - 0.5 * PULL_S, t, y), 1.0))
        pull = (ahead - behind) / PULL_S
        # The pull fades with speed: a straight line through its upper half.
        fall = np.maximum(_course(t, pull), 0.0) - pull
        lean = x / float(np.quantile(x, 0.3)) - 1.0
        inner = (t > t[0] + PULL_S) & (t < t[-1] - PULL_S)
        inner &= y < LIMITER_SHARE * view.vehicle.engine.rev_limit_rpm
        hic = np.flatnonzero(inner & (fall > LEAST_FALL))
        # A mixture on its way to full load's is lean of the run's, and no spike.
        beside = x / _middle(x, 2 * round(0.5 * SPIKE_S / float(np.median(np.diff(t)))) + 1) - 1.0
        spike = _events(t, np.minimum(lean, beside), LEAST_LEAN, quiet=lean)
        crowd = _crowd(t, y, inner)
        if held is not None:
            crowd = crowd[[np.ptp(held[index][np.abs(t - t[k]) < 0.15]) <= STEADY_KPA
                           for k in crowd]]  # fmt: skip
        jumps = _events(t, np.maximum(lean, 0.0), LEAST_LEAN)
        if crowd.size and jumps.size:
            crowds.append((t[crowd], fall[crowd], lean[jumps], index[crowd]))
        low, high = DELAY_S
        for k in spike:
            # The hiccup comes before its spike by the exhaust's delay.
            near = hic[(t[hic] >= t[k] - high - 0.15) & (t[hic] <= t[k] - low + 0.15)]
            if near.size == 0:
                continue
            worst = int(near[np.argmax(fall[near])])
            if int(index[worst]) in rows:
                continue  # one hiccup, whose spike has two tops
            if held is not None:
                around = held[index][np.abs(t - t[worst]) < 0.15]
                if float(np.ptp(around)) > STEADY_KPA:
                    continue
            times.append(float(t[worst]))
            falls.append(float(fall[worst]))
            leans.append(float(lean[k]))
            rows.append(int(index[worst]))
    at = np.array(rows, dtype=np.int64)
    if at.size < LEAST_EVENTS and sum(c[0].size for c in crowds) >= CROWDED_ROWS:
        moments, losses, sizes, at = (np.concatenate(part) for part in zip(*crowds, strict=True))
        times, falls, leans = moments.tolist(), losses.tolist(), sizes.tolist()
    if at.size:
        top = max(float(np.nanmax(speed[run.start : run.end])) for run in runs.runs)
        if float(speed[at].min()) > (1.0 - SAME_SPEED) * top:
            times, falls, leans, at = [], [], [], np.zeros(0, dtype=np.int64)
    return Hiccups(np.array(times), np.array(falls), np.array(leans), at, seconds)


def _crowd(t: Floats, speed: Floats, inner: Bools) -> NDArray[np.int64]:
    """Rows of a run in which the speed trembles; none where only few do.

    t, speed: (n,). A speed that rises all the while is its own middle of five, however fast.
    """
    below = 1.0 - speed / np.maximum(_middle(speed, 5), 1.0)
    step = quantisation_step(speed) / max(float(np.median(speed)), 1.0)
    rows = np.flatnonzero(inner & (below > max(TREMBLE, 1.5 * step)))
    return rows if rows.size >= CROWDED_SHARE * t.size else rows[:0]


def _middle(values: Floats, rows: int) -> Floats:
    """Median (n,) of an odd number of rows around each; the ends hold their value."""
    padded = np.pad(values, rows // 2, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, rows), axis=1))


def _events(
    t: Floats, height: Floats, least: float, quiet: Floats | None = None
) -> NDArray[np.int64]:
    """Rows of local maxima of ``height`` (n,) beyond the scatter, one in 0.25 s.

    quiet: another course of the same scatter; where spikes crowd, the middle around each of them
    is lean itself, and what lies below it is no scatter.
    """
    below = [h[h <= 0.0] for h in (height, height if quiet is None else quiet)]
    scatter = min(float(np.sqrt(np.mean(h * h))) if h.size > 3 else 0.0 for h in below)
    bar = max(least, SIGMA * scatter)
    step = max(float(np.median(np.diff(t))), 1e-3)
    half = max(1, round(0.12 / step))
    padded = np.pad(height, half, mode="edge")
    top = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1).max(axis=1)
    return np.flatnonzero((height >= top) & (height > bar))
