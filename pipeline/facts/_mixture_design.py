"""The regression's rows and columns: how a lambda error depends on table, warm-up, film and more.

Error here means ``log(lambda / target) + log(1 + trims)``, percent of fuel that is missing, as
the logarithm of a factor: what the table alone would leave.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from pipeline.facts.mixture_inputs import MixtureInputs
from pipeline.signals import segments
from pipeline.signals.lag import first_order, look_back, undo_first_order, undone_age
from pipeline.signals.segments import Bools, Floats, Ints
from pipeline.signals.smoothing import mean_of_rows, window_rows

#: Wall film: decay times tried together, s; a film's own lies between (0.1-1 s warm: SAE 810494
#: by name, from memory).
FILM_S = (0.2, 0.8)
#: Share of the fuel that goes through the film of a warm engine, port injection: 0.1-0.5 (SAE
#: 810494 and followers, from memory). It is hard to tell from the sensor's lag, so it matters.
FILM_SHARE = 0.3
#: s over which pressure and flow are averaged: intake strokes modulate the reading by 1-2 % (common
#: practice), and what is made of it (film, metering, table) must not carry that as if it were fuel.
CALM_S = 0.2
#: Pressure ahead of its own lag by this much, kPa, leaves the transient nearly as large as it gets:
#: walls and corrections saturate. Choice.
PUSH_KPA = 25.0
#: The film gives at most this much of the fuel asked for: beyond, the throttle has just shut and
#: nothing linear holds. Choice.
MOST_FILM = 4.0
#: Warm-up: knots of a broken line in coolant temperature, 0 at the last one and above.
WARM_KNOTS_C = (-10.0, 10.0, 30.0, 50.0, 65.0, 78.0)
#: Half the span over which the intake temperature's slope is taken, s: three updates of a
#: thermometer that is read at 5 Hz.
SLOPE_S = 0.6
#: Below a flow of this order a thermometer in the duct follows slowly, g/s. Choice.
SLOW_AIR_G_S = 10.0
#: After fuel returns the film fills again and the pipe is swept: seconds left out.
RECOVERY_S = 1.0
#: A flow this far (of the greater of both) from its mean of the last second empties or floods the
#: film: no linear term describes that, such rows are left out. Choice.
VIOLENT = 0.6
#: Enrichment after the start fades in this time; left out (common practice: 30-60 s).
AFTER_START_S = 45.0

#: Standard deviations of the dense terms before the data speak (see the names).
DENSE_SD = {"warm": 0.12, "film": 0.5, "film_cold": 0.5, "late": 0.6, "intake": 0.5,
            "slope": 3.0, "volts": 0.08, "memory": 0.12,
            "push": 0.08}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Terms:
    """Dense columns (q, n) at engine time, their names, prior means and standard deviations."""

    names: tuple[str, ...]
    columns: Floats
    sd: Floats
    mean: Floats


def terms(time: Floats, inputs: MixtureInputs) -> Terms:
    """All terms that are no table, together; see :func:`term_by_term`."""
    names, columns, sd = zip(*term_by_term(time, inputs), strict=True)
    return Terms(names, np.stack(columns), np.array(sd), np.zeros(len(sd)))


def term_by_term(time: Floats, inputs: MixtureInputs) -> Iterator[tuple[str, Floats, float]]:
    """Name, column (n,) and prior standard deviation of each term that is no table.

    Columns are in the engine's own time (not yet delayed), and made one by one: a score of them
    over millions of rows is more memory than everything else together.
    """
    # Where speed or flow was not logged, the terms that hang on it stand at their reference.
    rpm, flow = np.nan_to_num(inputs.rpm), np.nan_to_num(inputs.flow)
    coolant = inputs.coolant_c
    cold = np.zeros(time.size)
    if np.isfinite(coolant).any():
        known = np.nan_to_num(coolant, nan=WARM_KNOTS_C[-1])
        knots = np.array(WARM_KNOTS_C)
        cold = np.clip((knots[-1] - known) / 80.0, 0.0, 1.3)
        reached = known[inputs.fuelled].min(initial=99.0)
        for i, knot in enumerate(WARM_KNOTS_C[:-1]):
            if reached > WARM_KNOTS_C[i + 1]:
                continue  # the drive never was that cold
            unit = np.zeros(knots.size)
            unit[i] = 1.0
            yield f"warm {knot:g}", np.interp(known, knots, unit), DENSE_SD["warm"]
    # The film holds a share of what was injected lately: what it gives or takes is in proportion
    # to the lagged flow less the flow now.
    asked = demand(inputs)
    for tau in FILM_S:
        lagged = first_order(time, asked, tau)
        share = np.where(asked > 0, (lagged - asked) / np.maximum(asked, 0.3), 0.0)
        share = np.clip(share, -1.0, MOST_FILM - 1.0)
        yield f"film opening {tau:g}", np.minimum(share, 0.0), DENSE_SD["film"]
        yield f"film closing {tau:g}", np.maximum(share, 0.0), DENSE_SD["film"]
        if cold.max() > 0.2:
            yield f"film cold {tau:g}", share * cold, DENSE_SD["film_cold"]
    del asked, lagged, share, cold  # each is as long as the log
    if inputs.pressure_logged:
        # The controller meters for a pressure about a turn and a half old: one stroke pair
        # between injection and the end of intake.
        ago = time - 90.0 / np.maximum(rpm, 400.0)
        kpa = np.where(np.isfinite(inputs.pressure), inputs.pressure, 50.0)
        late = np.log(np.maximum(kpa, 5.0) / np.maximum(look_back(time, kpa, ago), 5.0))
        yield "late metering", np.clip(late, -0.5, 0.5), DENSE_SD["late"]
        del ago, kpa, late
    if np.isfinite(inputs.intake_c).any():
        intake = np.nan_to_num(inputs.intake_c, nan=float(np.nanmedian(inputs.intake_c)))
        centre = float(np.median(intake[inputs.fuelled])) if inputs.fuelled.any() else 25.0
        kelvin = intake + 273.15
        yield "intake temperature", (intake - centre) / kelvin, DENSE_SD["intake"]
        # A thermometer that follows with time constant T reads T times its own slope behind the
        # air; T falls as the flow rises. The slope may look ahead: the log is complete.
        slope = look_back(time, intake, time + SLOPE_S) - look_back(time, intake, time - SLOPE_S)
        slope = slope / (2.0 * SLOPE_S) / kelvin
        yield "intake lag", slope, DENSE_SD["slope"]
        yield "intake lag, low flow", slope * np.exp(-flow / SLOW_AIR_G_S), DENSE_SD["slope"]
    if np.isfinite(inputs.volts).any() and np.isfinite(inputs.pulse_ms).any():
        volts = np.nan_to_num(inputs.volts, nan=float(np.nanmedian(inputs.volts)))
        centre = float(np.median(volts[inputs.fuelled])) if inputs.fuelled.any() else 14.0
        pulse = np.maximum(np.nan_to_num(inputs.pulse_ms, nan=5.0) - 0.8, 0.7)
        # noise of one reading is not the supply: loads switch for seconds
        smooth = first_order(time, volts - centre, 0.5)
        yield "volts over pulse", smooth / pulse, DENSE_SD["volts"]


def with_push(time: Floats, inputs: MixtureInputs, made: Terms) -> Terms:
    """Terms and what a moving pressure does to the mixture by itself: a film of its own decay.

    Wall wetting hangs on pressure (vapour, not only flow, decides how much clings), and the error
    of a controller that adds fuel by the pressure's rate does so too. At a tip-in it fades as a
    sensor's lag would, so a delay sought without it takes the film for lag. Nothing is added
    where no pressure was logged.
    """
    if not inputs.pressure_logged:
        return made
    kpa = np.where(np.isfinite(inputs.pressure), inputs.pressure, 50.0)
    columns = [np.tanh((first_order(time, kpa, tau) - kpa) / PUSH_KPA) for tau in FILM_S]
    return Terms(
        (*made.names, *(f"push {tau:g}" for tau in FILM_S)),
        np.concatenate([made.columns, np.stack(columns)]),
        np.concatenate([made.sd, np.full(len(FILM_S), DENSE_SD["push"])]),
        np.concatenate([made.mean, np.zeros(len(FILM_S))]),
    )


def calmed(time: Floats, inputs: MixtureInputs) -> MixtureInputs:
    """Pressure and flow freed of what single intake strokes and their own noise add."""
    rows = window_rows(time, CALM_S)
    return replace(
        inputs,
        pressure=mean_of_rows(inputs.pressure, *rows),
        flow=mean_of_rows(inputs.flow, *rows),
    )


def demand(inputs: MixtureInputs) -> Floats:
    """Fuel that is asked for (n,), in g/s of air at lambda 1; 0 without fuel."""
    flow = np.nan_to_num(inputs.flow)
    return np.where(inputs.fuelled, flow / np.nan_to_num(inputs.target, nan=1.0), 0.0)


#: The film's memory of the error by the times tried: its terms' names and prior means; together
#: they start with the film's share.
MEMORY = tuple(f"memory {tau:g}" for tau in FILM_S)
MEMORY_MEAN = FILM_SHARE / len(FILM_S)


def memory(time: Floats, inputs: MixtureInputs, error: Floats) -> list[Floats]:
    """Columns (n,) of the film's memory of the error itself, one for each of MEMORY.

    What evaporates now was injected lately, with the error of then, and by as much as was asked for
    then: after a closing throttle it is most of the fuel, after an opening one hardly any. error
    (n,): what the regression saw last time. The controller may compensate the film for the fuel it
    asks for; for what it does not know of, the table's error, it cannot.
    """
    error = np.nan_to_num(error)
    asked = demand(inputs)
    columns = []
    for tau in FILM_S:
        lately = first_order(time, asked, tau)
        wrong = first_order(time, asked * error, tau)
        part = np.minimum(lately / np.maximum(asked, 0.3), MOST_FILM)
        columns.append(part * (wrong / np.maximum(lately, 1e-3) - error))
    return columns


def with_memory_priors(
    names: tuple[str, ...], sd: Floats, mean: Floats
) -> tuple[list[int], tuple[str, ...], Floats, Floats]:
    """Names (q,), deviations and means of terms with the memory's put anew, and which stay."""
    keep = [i for i, name in enumerate(names) if name not in MEMORY]
    return (
        keep,
        (*(names[i] for i in keep), *MEMORY),
        np.concatenate([sd[keep], np.full(len(MEMORY), DENSE_SD["memory"])]),
        np.concatenate([mean[keep], np.full(len(MEMORY), MEMORY_MEAN)]),
    )


def with_memory(time: Floats, inputs: MixtureInputs, made: Terms, error: Floats) -> Terms:
    """Terms with the memory of this error (n,) in place of any other; see :func:`memory`."""
    keep, names, sd, mean = with_memory_priors(made.names, made.sd, made.mean)
    columns = np.concatenate([made.columns[keep], np.stack(memory(time, inputs, error))])
    return Terms(names, columns, sd, mean)


def usable_rows(time: Floats, inputs: MixtureInputs, delay_s: Floats, lag_s: float) -> Bools:
    """Rows (n,) whose reading tells of an engine that ran on fuel for a while.

    delay_s: transport (n,), without the lag.
    """
    good = inputs.fresh & inputs.measured & inputs.settled
    good &= inputs.since_start_s > AFTER_START_S
    good &= np.isfinite(inputs.target)
    # The last row without fuel, seen from the row the gas left the engine at.
    bad = ~inputs.fuelled
    last_bad = segments.last_true(bad)
    at = np.clip(np.searchsorted(time, time - delay_s, side="right") - 1, 0, time.size - 1)
    since = time - delay_s - time[np.maximum(last_bad[at], 0)]
    clear = (last_bad[at] < 0) | (since > RECOVERY_S + 4.0 * lag_s)
    violent = np.abs(violence(time, inputs))[at] > VIOLENT
    clear &= ~violent
    # Nothing between the gas and now, either: a cut that begins at once makes the lag's undoing
    # start from the old mixture, which is right; only rows whose gas is fuelled count.
    return good & clear & ~bad[at]


def violence(time: Floats, inputs: MixtureInputs) -> Floats:
    """Largest relative change (n,) of the fuel's flow against its recent past: film share."""
    flow = np.where(inputs.fuelled, inputs.flow, 0.0)
    lagged = first_order(time, flow, FILM_S[-1])
    share: Floats = (lagged - flow) / np.maximum(np.maximum(flow, lagged), 0.3)
    return share


@dataclass(frozen=True, eq=False)
class Rows:
    """Observations at fresh rows: ``row`` (k,) of the log, error (k,), engine time (k,)."""

    row: Ints
    error: Floats
    at_s: Floats
    start: Bools


def observations(
    time: Floats, inputs: MixtureInputs, delay_s: Floats, lag_s: float, use: Bools
) -> Rows:
    """Undo the lag between neighbouring readings and take off target and trims of the gas.

    The sensor mixes gas, so the lag acts on fuel over air, 1/lambda (a mean of mixtures).
    """
    fresh = np.flatnonzero(inputs.fresh & np.isfinite(inputs.reading))
    t = time[fresh]
    richness = 1.0 / inputs.reading[fresh]
    undone = undo_first_order(t, richness, lag_s)
    # without a measured neighbour before it, a reading cannot be freed of its lag
    before = np.concatenate([[False], inputs.measured[fresh][:-1]])
    step = np.diff(t, prepend=t[:1])
    keep = use[fresh] & before & (step < max(6.0 * inputs.update_s, 0.5))
    at = t - delay_s[fresh] - undone_age(t, lag_s)
    target = look_back(time, np.nan_to_num(inputs.target, nan=1.0), at)
    trim = look_back(time, inputs.trim, at)
    error = np.log(np.maximum(trim, 0.1)) - np.log(np.clip(undone, 0.3, 2.5) * target)
    begin = keep & ~np.concatenate([[False], keep[:-1]])
    gap = np.concatenate([[True], np.diff(t) > max(6.0 * inputs.update_s, 0.5)])
    row = fresh[keep]
    return Rows(row, error[keep], at[keep], (begin | gap)[keep])


def blocks(rows: Rows, seconds: float, update_s: float) -> tuple[Ints, int, Bools]:
    """Number each observation's block of about ``seconds``; which blocks begin a stretch.

    Returns block (k,), count, start (count,).
    """
    size = max(1, round(seconds / max(update_s, 1e-3)))
    part = np.cumsum(rows.start)
    first = segments.last_true(rows.start)
    inside = (np.arange(rows.row.size) - np.maximum(first, 0)) // size
    change = np.concatenate([[True], (np.diff(part) != 0) | (np.diff(inside) != 0)])
    number = np.cumsum(change) - 1
    start = np.zeros(int(number[-1]) + 1 if number.size else 0, dtype=bool)
    start[number[rows.start]] = True
    return number, start.size, start
