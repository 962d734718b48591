"""How long a mixture takes from the engine to the logged reading: transport and the sensor's lag.

transport = part of a cycle + pipe volume / exhaust volume flow + the sensor's own dead time, and a
first-order lag behind it (SAE 970613 by name: delay and lag identified from the fuel path; plug
flow through a pipe). Volume, dead time and lag are found by penalised least squares, which is
their profile likelihood: for each trial the mixture that the table regression sees in the engine
is delayed and lagged and held against the readings; fuel cuts date the pure transport. Priors are
named and their share in the result is told.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.facts._delay_rows import CUT_LAG_SHARE, Cuts, cut_dates, lively, with_load
from pipeline.facts._exhaust_pipe import HEAT_S, REVOLUTIONS, exhaust_flow, transport
from pipeline.facts._mixture_design import Terms, calmed, terms, usable_rows, with_memory, with_push
from pipeline.facts._mixture_fit import Design, Grid, design, grid_of, prior_of
from pipeline.facts.mixture_inputs import MixtureInputs
from pipeline.meta import FactMeta
from pipeline.session import View
from pipeline.signals import regression
from pipeline.signals.lag import first_order, look_back
from pipeline.signals.segments import Bools, Floats, Ints

META = FactMeta(
    summary="time from combustion to the logged lambda reading, found from the log",
    version=1,
    needs=("engine_speed",),
    needs_any=(("lambda", "lambda_2"),),
    facts=("mixture_inputs",),
)

#: Prior of the pipe volume, in engine displacements; spread as a factor (exp of one standard
#: deviation). A log made on one exhaust differs from the next by more than any formula.
VOLUMES_AFTER, VOLUMES_BEFORE = 0.7, 0.3
VOLUME_SPREAD, GIVEN_SPREAD = 0.7, 0.2
#: Dead time of sensor and bus, s.
DEAD_S, DEAD_SD_S = 0.025, 0.03
#: Films and pumps that no term describes move with the pedal as the delay does, and are no noise:
#: the regression's say is this much smaller beside the cuts' and the priors'. Choice, from
#: simulated cars of development.
MISFIT = 3.0
#: What the regression may have left of each transient term, moved together with the delay: standard
#: deviations. The push's is the smaller, or it would take a slow sensor's lag for itself. Choice.
FILM_SD, PUSH_SD = 0.15, 0.04
#: No sensor answers before the gas is there; a little is left for what the pipe's model gets wrong.
LEAST_DEAD_S = -0.005
#: Lag of a production wideband 50-100 ms (handbook range), spread as a factor.
LAG_S, LAG_SPREAD = 0.08, 0.6
#: s: no production wideband is faster. A log that wants less is misread (a trim that follows the
#: reading looks like one that leads it), so that it tells no more of the lag than the prior does.
LEAST_LAG_S = 0.02
#: Seconds of log, in stretches of STRETCH_S, that are held against the model: those in which the
#: mixture changes most.
BUDGET_S, STRETCH_S = 260.0, 3.0
#: Of the logarithm of the volume, the dead time in s and the logarithm of the lag: differences over
#: which slopes are taken, and the furthest that one step may go, since the slopes bend.
SLOPE_STEPS = (0.05, 0.004, 0.06)
FURTHEST = (0.7, 0.05, 0.7)
#: s: more than any bus or sensor in order takes.
MOST_DEAD_S, MOST_LAG_S = 0.3, 0.8
#: Readings over which residuals may be correlated: what the table misses lasts a second or so.
CORRELATED_READINGS = 12


@dataclass(frozen=True, eq=False)
class ExhaustDelay:
    """delay_s (n,): combustion to reading, transport_s (n,) plus lag_s.

    low/high: 95 % factor round delay_s at its median. source: "log", "part log" or "prior".
    volume_l and lag_s: pipe and lags behind it. sd and covariance (3, 3): of the logarithm of
    volume_l, of the dead time in s and of the logarithm of lag_s. exhaust_flow_l_s (n,).
    """

    delay_s: Floats
    transport_s: Floats
    lag_s: float
    volume_l: float
    sd: tuple[float, float, float]
    covariance: Floats
    source: str
    exhaust_flow_l_s: Floats

    def standard_deviation(self, flow_l_s: float) -> float:
        """Standard deviation of the whole delay at an exhaust volume flow, s."""
        slope = np.array([self.volume_l / flow_l_s, 1.0, self.lag_s])
        return float(np.sqrt(max(slope @ self.covariance @ slope, 0.0)))


def compute(view: View) -> ExhaustDelay:
    """Find the delay; three passes of table regression and delay, each from the other."""
    inputs: MixtureInputs = view.fact("mixture_inputs")
    time = view.time
    rpm = np.nan_to_num(inputs.rpm)
    lately = first_order(time, inputs.flow, HEAT_S)
    flow = exhaust_flow(inputs.flow, inputs.barometer_kpa, lately)
    vehicle = view.vehicle
    litres = vehicle.engine.displacement_l
    given = vehicle.lambda_sensor.pipe_volume_l
    before = vehicle.lambda_sensor.position == "before_turbine"
    volume = given or litres * (VOLUMES_BEFORE if before else VOLUMES_AFTER)
    centre = np.array([np.log(volume), DEAD_S, np.log(LAG_S)])
    spread = np.array([GIVEN_SPREAD if given else VOLUME_SPREAD, DEAD_SD_S, LAG_SPREAD])
    at = centre.copy()
    covariance = np.diag(spread**2)
    source, share = "prior", 0.0
    cuts = cut_dates(time, inputs, flow)
    if inputs.target_source not in ("none", "loop"):
        inputs = calmed(time, with_load(inputs, litres))
        top = float(np.nanmax(inputs.pressure, initial=100.0)) if inputs.pressure_logged else 100.0
        rows, part = lively(time, inputs)
        made = with_push(time[rows], part, terms(time[rows], part))
        problem = _Problem(time[rows], part, grid_of(vehicle, top), made, flow[rows], cuts)
        for _ in range(3):
            step = problem.improve(at, centre, spread)
            if step is None:
                break
            at, covariance = step
            source = "log"
        if source == "log":
            share = 1.0 - float(np.sqrt(covariance[0, 0]) / spread[0])
            source = "log" if share > 0.5 else "part log"
    volume, dead, lag = float(np.exp(at[0])), float(at[1]), float(np.exp(at[2]))
    moved = transport(rpm, flow, volume, dead)
    return ExhaustDelay(
        delay_s=moved + lag,
        transport_s=moved,
        lag_s=lag,
        volume_l=volume,
        sd=(float(np.sqrt(covariance[0, 0])), float(np.sqrt(covariance[1, 1])),
            float(np.sqrt(covariance[2, 2]))),
        covariance=covariance,
        source=source,
        exhaust_flow_l_s=flow,
    )  # fmt: skip


def _without_lag(covariance: Floats) -> Floats:
    """Covariance (3, 3) of a fit whose lag stands at its bound: the lag is as doubtful as before.

    Its logarithm's spread there is that of the prior in s over the bound.
    """
    out = covariance.copy()
    out[2, :] = out[:, 2] = 0.0
    out[2, 2] = (LAG_S * LAG_SPREAD / LEAST_LAG_S) ** 2
    return out


class _Problem:
    """The delay's least squares: everything that does not change from trial to trial."""

    def __init__(self, time: Floats, inputs: MixtureInputs, grid: Grid, made: Terms,
                 flow: Floats, cuts: Cuts) -> None:  # fmt: skip
        self.time, self.inputs, self.grid, self.made, self.flow = time, inputs, grid, made, flow
        self.cuts = cuts
        self.rpm = np.nan_to_num(inputs.rpm)

    def improve(self, at: Floats, centre: Floats, spread: Floats) -> tuple[Floats, Floats] | None:
        """One pass: regression at the present delay, then Gauss-Newton on the delay."""
        moved = transport(self.rpm, self.flow, float(np.exp(at[0])), float(at[1]))
        made = None
        if self.inputs.pressure_logged:
            made = design(self.time, self.inputs, self.grid, moved, float(np.exp(at[2])),
                          made=self.made, seconds=0.4)  # fmt: skip
        if made is None:
            return self._cuts_only(at, centre, spread)
        fitted = regression.fit(made.table, made.dense, made.y, made.start, prior_of(made),
                                base_weight=made.weight, sizes=(0.03,), scales=(0.8,),
                                rounds=2)  # fmt: skip
        error = self._error(made, fitted.mean)
        # A memory term scales with the error it remembers, so it is rebuilt from this pass's.
        self.made = with_memory(self.time, self.inputs, self.made, error)
        target = np.nan_to_num(self.inputs.target, nan=1.0)
        engine = np.where(self.inputs.fuelled, self.inputs.trim / target * np.exp(-error), 0.0)
        stretch = self._stretches(engine, moved)
        if stretch is None:
            return self._cuts_only(at, centre, spread)
        for _ in range(2):
            at, covariance = self._newton(at, centre, spread, engine, *stretch)
        return at, covariance

    def _error(self, made: Design, mean: Floats) -> Floats:
        """Error (n,) in the engine as the regression sees it."""
        m = made.cells.size
        full = np.zeros(made.evidence_s.size)
        full[made.cells] = mean[:m]
        kpa = np.nan_to_num(self.inputs.pressure, nan=50.0)
        table = regression.lookup(made.grid.rpm, made.grid.kpa, full, self.rpm, kpa)
        error: Floats = table + mean[m:] @ self.made.columns
        return error

    def _stretches(self, engine: Floats, moved: Floats) -> tuple[Ints, Ints, Bools] | None:
        """Fresh rows (k,) in the liveliest stretches, stretch numbers, rows to compare."""
        time, inputs = self.time, self.inputs
        fresh = np.flatnonzero(inputs.fresh & np.isfinite(inputs.reading))
        use = usable_rows(time, inputs, moved, 0.1)[fresh]
        slope = np.abs(np.diff(np.log(np.maximum(engine[fresh], 0.3)), prepend=0.0))
        number = (time[fresh] / STRETCH_S).astype(np.int64)
        size = int(number[-1]) + 1
        energy = np.bincount(number, weights=np.minimum(slope, 0.1) ** 2 * use, minlength=size)
        order = np.argsort(-energy, kind="stable")[: int(BUDGET_S / STRETCH_S)]
        order = order[energy[order] > 0]
        if order.size < 5:
            return None
        chosen = np.zeros(size, dtype=bool)
        chosen[order] = True
        pick = chosen[number]
        rows, part = fresh[pick], number[pick]
        compare = use[pick] & (time[rows] - part * STRETCH_S > 0.4)
        if np.count_nonzero(compare) < 60:
            return None
        return rows, part, compare

    def _reading(self, at: Floats, column: Floats, rows: Ints, part: Ints) -> Floats:
        """What the sensor would show of an engine series, at the fresh rows of the stretches."""
        t = self.time[rows]
        moved = transport(self.rpm[rows], self.flow[rows], float(np.exp(at[0])), float(at[1]))
        arrived = look_back(self.time, column, t - moved)
        # stretches are set apart by far more than any lag
        apart = t + 1000.0 * np.cumsum(np.diff(part, prepend=part[:1]) != 0)
        return first_order(apart, arrived, float(np.exp(at[2])))

    def _newton(
        self, at: Floats, centre: Floats, spread: Floats, engine: Floats, rows: Ints,
        part: Ints, compare: Bools,
    ) -> tuple[Floats, Floats]:  # fmt: skip
        """One Gauss-Newton step of the penalised least squares; returns place and covariance."""
        jacobian, residual = self._slopes(at, engine, rows, part, compare)
        kinds = [self.made.names[i] for i in self._moving()]
        terms_sd = np.array([PUSH_SD if kind.startswith("push") else FILM_SD for kind in kinds])
        penalty = np.concatenate([spread**-2, terms_sd**-2])
        pull = np.concatenate([(centre - at) * spread**-2, np.zeros(terms_sd.size)])
        begin = np.concatenate([[True], np.diff(part[compare]) != 0])
        delta, precision, vector = self._reweighted(at, jacobian, residual, penalty, pull, begin)
        if at[1] + delta[1] < LEAST_DEAD_S:
            # at its bound: the others have to explain the rest without it
            others = np.arange(delta.size) != 1
            delta[1] = LEAST_DEAD_S - at[1]
            rest = vector - precision[:, 1] * delta[1]
            delta[others] = np.linalg.solve(precision[np.ix_(others, others)], rest[others])
        covariance: Floats = np.asarray(np.linalg.inv(precision), np.float64)[:3, :3]
        furthest = np.array(FURTHEST)
        new = at + np.clip(delta[:3], -furthest, furthest)
        new[1] = np.clip(new[1], LEAST_DEAD_S, MOST_DEAD_S)
        new[2] = np.clip(new[2], np.log(LEAST_LAG_S), np.log(MOST_LAG_S))
        return new, _without_lag(covariance) if new[2] <= np.log(LEAST_LAG_S) else covariance

    def _slopes(
        self, at: Floats, engine: Floats, rows: Ints, part: Ints, compare: Bools
    ) -> tuple[Floats, Floats]:
        """Jacobian (c, 3 + q) by the delay and q transient terms, and residual (c,) of 1/lambda.

        Both are freed of each stretch's own level: the delay is told by what moves.
        """
        names, which = np.unique(part[compare], return_inverse=True)

        def centred(x: Floats) -> Floats:
            y = x[compare]
            level = np.bincount(which, weights=y, minlength=names.size) / np.bincount(which)
            result: Floats = y - level[which]
            return result

        here = self._reading(at, engine, rows, part)
        columns = []
        for i, step in enumerate(SLOPE_STEPS):
            other = at.copy()
            other[i] += step
            columns.append(centred(self._reading(other, engine, rows, part) - here) / step)
        columns += [
            centred(self._reading(at, np.nan_to_num(engine * c), rows, part))
            for c in self.made.columns[self._moving()]
        ]
        return np.stack(columns, axis=1), centred(1.0 / self.inputs.reading[rows] - here)

    def _reweighted(
        self, at: Floats, jacobian: Floats, residual: Floats, penalty: Floats, pull: Floats,
        begin: Bools,
    ) -> tuple[Floats, Floats, Floats]:  # fmt: skip
        """Step (3 + q,), precision and right-hand side by three rounds of robust weights."""
        cut_rows, cut_left = self._cut_rows(at)
        delta: Floats = np.zeros(penalty.size)
        precision: Floats = np.diag(penalty)
        vector = pull
        for _ in range(3):
            left = residual - jacobian @ delta
            scale = max(regression.robust_scale(left), 1e-4)
            weight = regression.bisquare(left, 1.5 * scale)
            inflation = regression.autocorrelation_inflation(
                np.clip(left, -3 * scale, 3 * scale), begin, lags=CORRELATED_READINGS
            )
            variance = MISFIT * scale**2 * inflation
            precision = np.diag(penalty) + (jacobian * weight[:, None]).T @ jacobian / variance
            vector = jacobian.T @ (weight * residual) / variance + pull
            if cut_left.size:
                left_cut = cut_left - cut_rows @ delta[:3]
                doubt = max(self.cuts.spread_s, regression.robust_scale(left_cut))
                sure = regression.bisquare(left_cut, 1.5 * doubt)
                precision[:3, :3] += (cut_rows * sure[:, None]).T @ cut_rows / doubt**2
                vector[:3] += cut_rows.T @ (sure * cut_left) / doubt**2
            delta = np.asarray(np.linalg.solve(precision, vector), np.float64)
        return delta, precision, vector

    def _moving(self) -> Ints:
        """Columns of the transient terms, which move together with the delay."""
        return np.array([
            i for i, name in enumerate(self.made.names)
            if name.startswith(("film opening", "film closing", "late", "memory", "push"))
        ], dtype=np.int64)  # fmt: skip

    def _cut_rows(self, at: Floats) -> tuple[Floats, Floats]:
        """Jacobian (c, 3) and residual (c,) of the fuel cuts' dates."""
        cuts = self.cuts
        if not cuts.answer_s.size:
            return np.zeros((0, 3)), np.zeros(0)
        swept = float(np.exp(at[0])) / np.maximum(cuts.flow_l_s, 0.05)
        lag = float(np.exp(at[2])) * CUT_LAG_SHARE
        expected = REVOLUTIONS * 60.0 / np.maximum(cuts.rpm, 300.0) + swept + at[1] + lag
        rows = np.stack([swept, np.ones(swept.size), np.full(swept.size, lag)], axis=1)
        return rows, cuts.answer_s - expected

    def _cuts_only(
        self, at: Floats, centre: Floats, spread: Floats
    ) -> tuple[Floats, Floats] | None:
        rows, left = self._cut_rows(at)
        if left.size < 3:
            return None
        doubt = max(self.cuts.spread_s, regression.robust_scale(left - np.median(left)))
        weight = regression.bisquare(left - np.median(left), 1.5 * doubt) / doubt**2
        precision = np.diag(spread**-2) + (rows * weight[:, None]).T @ rows
        vector = rows.T @ (weight * left) + (centre - at) * spread**-2
        found: Floats = at + np.linalg.solve(precision, vector)
        return found, np.asarray(np.linalg.inv(precision), dtype=np.float64)
