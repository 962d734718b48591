"""Whether the sensors can be believed: each channel by itself and against its siblings."""

from collections.abc import Sequence

import numpy as np

from pipeline.analysis._ceiling import saturated
from pipeline.analysis._frozen import frozen
from pipeline.analysis._ground import ground_shift
from pipeline.analysis._late_pressure import late_pressure
from pipeline.analysis._levels import held, mode_of_level, noisy
from pipeline.analysis._overrun_limit import stops_short
from pipeline.analysis._pressure_scale import by_pressure, part_of_gauge
from pipeline.analysis._rest_pressure import at_rest
from pipeline.analysis._sensor_words import finding, told
from pipeline.analysis._siblings import (
    speed_dead,
    supply_gone,
    supply_lost,
    swapped,
    thermometers,
    voltage,
)
from pipeline.analysis._suspects import Floats, Suspect
from pipeline.analysis._wideband_references import Reference, contradicted, references
from pipeline.channels import CHANNELS
from pipeline.facts._shared_supply import SCALES
from pipeline.facts.exhaust_delay import ExhaustDelay
from pipeline.facts.mixture_inputs import LIMIT_MARGIN, MixtureInputs
from pipeline.facts.sensor_validity import JUDGED, ChannelFault, SensorValidity
from pipeline.facts.states import States
from pipeline.meta import Meta
from pipeline.results import LimitOfDetection, Quantity, Result
from pipeline.session import View
from pipeline.signals import segments
from pipeline.signals.regression import robust_scale

META = Meta(
    question="Can the sensors be believed?",
    version=1,
    kinds=("sensor_fault",),
    references=(
        "Steinhart, Hart: Calibration curves for thermistors, Deep-Sea Research 15, 1968",
        "plausibility of siblings, stuck and clipped readings: common practice, no source",
    ),
    needs_any=(JUDGED,),
    uses=("fuel_trim_short", "crank_signal_errors"),
    facts=("sensor_validity",),
    optional_facts=("states", "exhaust_delay", "mixture_inputs"),
    step=1,
)

SLOW_LAG_S = 0.4  # production sensors 0.05-0.1 s (handbook range), aged ones twice that
SURELY = 0.85  # of it: the low end of the lag's interval, well over an aged sensor's 0.2 s
#: A lag told less surely is believed where the reading also comes back slowly from its lean end
#: after fuel cuts: s to 1/e of the way, at least so many times, and never faster than that lag. A
#: film or a leak may lean it as long, but not in load.
MAYBE_LAG_S, COMES_BACK_S, COMES_BACK = 0.2, 0.4, 2
COMING_BACK_S = 5.0  # after which the next load has its say
SPEED_SPIKES = ("engine_speed", "spike")
LOST_SHARE = 0.3  # of them: losses of the signal from which on they are a part of those
#: A wideband that shows these, not before what fuel is metered by failed so, may be right.
LOAD = ("manifold_pressure", "mass_air_flow", "throttle_position")
MAKES_MIXTURE = ("open", "short", "dead", "stuck", "reference_lost")
FOLLOWS, FOLLOWS_S = ("open", "short", "stuck"), 30.0
STILL_AFTER_S = 4.0  # a manifold needs seconds to fill after a stop


def analyse(view: View) -> Result:
    """Gather suspects from every part, keep one per channel, and tell them."""
    validity: SensorValidity = view.fact("sensor_validity")
    states: States | None = view.fact("states")
    time = view.time
    values = {n: view.channel(n) for n in view.names()}
    if time.size < 50 or view.duration_s < 5.0:
        return Result(status="not_judged", why="the log is too short to judge a sensor")
    suspects = [_from_fault(f) for f in validity.faults if f.mode != "reference_lost"]
    suspects += _without_supply([f for f in validity.faults if f.mode == "reference_lost"])
    blind = False
    if states is not None:
        odd = sum(f.count for f in validity.faults if (f.channel, f.mode) == SPEED_SPIKES)
        if odd and _signal_lost(states, values.get("crank_signal_errors"), odd):
            suspects = [s for s in suspects if (s.channels[0], s.mode) != SPEED_SPIKES]
        lambda_one = _references(view, values)
        suspects += _with_states(view, values, states, lambda_one)
        blind = _scale_not_judged(view, values, lambda_one)
    chosen = _without_followers(_one_per_channel(suspects))
    findings = [finding(s) for s in chosen]
    judged = [n for n in values if n in JUDGED]
    why = (
        f"{len(findings)} of {len(judged)} sensors cannot be believed: "
        + "; ".join(told(s) for s in chosen)
        if findings
        else f"nothing speaks against the {len(judged)} sensors that were looked at"
    )
    if blind:
        why += (
            ". Whether the wideband's scale is right is not judged: the log has no live closed "
            "loop at lambda 1, no narrowband and no second reading to hold it against"
        )
    ran = states is not None and bool(states.running.any())
    over = float(np.count_nonzero(states.running)) / max(time.size, 1) if states is not None else 0
    return Result(
        status="found" if findings else "clear",
        why=why,
        findings=findings,
        limits_of_detection={
            "sensor_fault": LimitOfDetection(
                could_show=ran, smallest=Quantity(value=3.0, unit="kPa") if ran else None,
                over_s=round(over * view.duration_s, 1),
            )
        },
        digest={"faulty": {n: s.mode for s in chosen for n in s.channels},
                "looked_at": sorted(judged), "scale_not_judged": ["lambda"] if blind else []},
    )  # fmt: skip


def _without_followers(suspects: Sequence[Suspect]) -> list[Suspect]:
    """Leave out a wideband that may truly show what a lying load sensor makes of the mixture.

    Fuel for a manifold pressure that reads its end is all or nothing; no flame, though, is as rich
    as a dead input reads.
    """
    makers = [s.start_s for s in suspects
              if set(s.channels) & set(LOAD) and s.mode in MAKES_MIXTURE]  # fmt: skip
    if not makers:
        return list(suspects)
    return [s for s in suspects
            if not (set(s.channels) <= {"lambda", "lambda_2"} and s.mode in FOLLOWS
                    and s.start_s >= min(makers) - FOLLOWS_S)]  # fmt: skip


def _signal_lost(states: States, counter: Floats | None, odd: int) -> bool:
    """Whether the crank's signal is lost too: then odd speeds are that fault's, told elsewhere.

    odd: lone speeds. One of them beside a stop can look like a loss, so a few losses prove nothing.
    """
    counted = np.empty(0) if counter is None else counter[states.running & np.isfinite(counter)]
    lost = segments.runs(states.dropout)[0].size
    return bool(lost > LOST_SHARE * odd or (np.diff(counted) > 0.0).any())


def _references(view: View, values: dict[str, np.ndarray]) -> list[Reference]:
    """What the log has to hold a wideband's number at lambda 1 against."""
    inputs: MixtureInputs | None = view.fact("mixture_inputs")
    if inputs is None:
        return []
    short, volts = values.get("fuel_trim_short"), values.get("narrowband_voltage")
    return references(view.time, inputs, short, volts)


def _scale_not_judged(view: View, values: dict[str, np.ndarray], known: list[Reference]) -> bool:
    """Whether a wideband was logged and nothing that its number could be held against.

    In fuel cuts it shows where its display ends, at whatever lambda that is; the fuel of any
    table, air meter or injector sheet is less sure than a wideband, and set by it.
    """
    inputs: MixtureInputs | None = view.fact("mixture_inputs")
    return inputs is not None and not {"lambda", "lambda_2"} <= set(values) and not known


def _with_states(
    view: View, values: dict[str, np.ndarray], states: States, lambda_one: list[Reference]
) -> list[Suspect]:
    time = view.time
    running = states.running
    settled = running & (time - (states.first_running_s or time[0]) > 30.0)
    warm = running & (time - (states.first_running_s or time[0]) > 300.0)
    still = ~running & ~states.cranking & np.isfinite(states.rpm) & (states.rpm < 1.0)
    last_turn = np.maximum.accumulate(np.where(~still, time, -1e9))
    still &= time - last_turn > STILL_AFTER_S
    still |= (states.mask("key_on")) & (time > time[0] + 0.3) & (states.rpm < 1.0)
    before = states.mask("key_on") if states.start_seen else np.zeros(time.size, dtype=bool)
    quiet = settled & states.mask("idle", "cruise")
    engine, site = view.vehicle.engine, view.vehicle.site
    altitude = site.altitude_m if view.vehicle.is_given("site.altitude_m") else None
    found = held(time, values, settled) + frozen(time, values, settled, states.fuel_cut)
    # what has failed by itself says nothing of its siblings
    validity: SensorValidity = view.fact("sensor_validity")
    failed = {f.channel for f in validity.faults}
    believed = {
        n: np.where(validity.good(n), x, np.nan) if n in failed else x for n, x in values.items()
    }
    found += noisy(time, {n: x for n, x in values.items() if n != "engine_speed"}, quiet)
    found += noisy(time, {n: values[n] for n in ("engine_speed",) if n in values},
                   states.fuel_cut & settled & states.mask("overrun"))  # fmt: skip
    found += saturated(time, values, running, states.barometer_kpa,
                       view.vehicle.manifold_pressure_sensor.range_kpa)  # fmt: skip
    inputs: MixtureInputs | None = view.fact("mixture_inputs")
    metered = engine.load_sensing in ("air_meter", "throttle_speed")
    bins = by_pressure(inputs) if inputs is not None and not metered else None
    found += at_rest(time, believed, still, altitude, bins)
    found += voltage(time, believed, before, warm)
    found += thermometers(time, believed, before, engine.thermostat_c, warm)
    found += swapped(time, values, warm)
    found += supply_lost(time, values, running)
    found += supply_gone(time, values, running)
    found += speed_dead(time, values, settled)
    found += ground_shift(time, values, running)
    known = {n for s in found for n in s.channels}
    if inputs is not None and bins is not None and "manifold_pressure" not in known:
        found += part_of_gauge(time, inputs.barometer_kpa, bins)
    if "manifold_pressure" not in known:
        found += late_pressure(time, values, running, states.barometer_kpa)
    if inputs is not None and not {"lambda", "lambda_2"} & known:
        both = values.get("lambda"), values.get("lambda_2")
        found += contradicted(time, inputs, lambda_one, *both)
        found += stops_short(time, inputs)
    plain = {f.channel for f in view.fact("sensor_validity").faults if f.share > 0.2}
    plain |= {n for s in found for n in s.channels}
    if {"manifold_pressure", "engine_speed", "lambda"} & plain:
        return found  # the lag rests on the flow they give
    delay: ExhaustDelay | None = view.fact("exhaust_delay")
    if delay is None or inputs is None or delay.source == "prior":
        return found
    return found + slow_lambda(time, inputs, delay)


def slow_lambda(time: Floats, m: MixtureInputs, delay: ExhaustDelay) -> list[Suspect]:
    """Wideband whose own lag, found from the log, is far beyond that of a production sensor."""
    lag, lowest = delay.lag_s, delay.lag_s * float(np.exp(-2.0 * delay.sd[2]))
    shown = {"lag": (lag, "s"), "at_least": (lowest, "s")}
    told = ""
    if lag < SLOW_LAG_S or lowest < SURELY * SLOW_LAG_S:
        back = comes_back(time, m) if lag >= MAYBE_LAG_S else np.zeros(0)
        slow = back.size >= COMES_BACK and np.median(back) >= COMES_BACK_S
        if not slow or back.min() < MAYBE_LAG_S:
            return []
        lag = max(lag, float(np.median(back)))
        shown = {"lag": (lag, "s"), "fuel_cuts": (float(back.size), "1")}
        told = f" (as it comes back from its lean end after {back.size} fuel cuts)"
    return [Suspect(
        channels=("lambda",), mode="slow", start_s=float(time[0]), end_s=float(time[-1]),
        confidence=0.85,
        seen=f"it follows the mixture with a lag of {lag:.2f} s{told}; a sound wideband needs "
        "0.05 to 0.1 s",
        evidence=shown,
    )]  # fmt: skip


def comes_back(time: Floats, m: MixtureInputs) -> Floats:
    """Seconds in which the reading falls from its lean end to 1/e of it over 1, by fuel cut.

    Gas that burnt follows air within tenths of a second, so what takes longer is the sensor (or a
    film that fills again). A fall is known to one reading.
    """
    # At rest on its end a reading has noise of its own, whose tops are the limit.
    resting = m.reading[m.reading > m.high_limit - 5.0 * LIMIT_MARGIN]
    middle = float(np.median(resting)) if resting.size else m.high_limit
    end = min(m.high_limit - LIMIT_MARGIN, middle - 3.0 * robust_scale(resting))
    aim = 1.0 + (m.high_limit - 1.0) * np.exp(-1.0)
    known = np.flatnonzero(np.isfinite(m.reading))
    took = []
    for k in np.flatnonzero(m.cut[:-1] & ~m.cut[1:]):
        a, b = np.searchsorted(known, np.searchsorted(time, time[k] + np.array([0, COMING_BACK_S])))
        rows = known[a:b]
        again = np.flatnonzero(m.cut[rows[1:]])
        rows = rows[: 1 + again[0]] if again.size else rows
        there = np.flatnonzero(m.reading[rows] < aim)
        at_end = np.flatnonzero(m.reading[rows[: there[0]]] >= end) if there.size else there
        if at_end.size:
            took.append(time[rows[there[0]]] - time[rows[at_end[-1]]] - m.update_s)
    return np.array(took)


def _from_fault(fault: ChannelFault) -> Suspect:
    seen = {
        "spike": f"{fault.count} lone samples that no engine can make",
        "open": f"it reads {fault.value:.0f} °C, the cold end of its table",
        "short": f"it reads {fault.value:.0f} °C, the hot end of its table",
    }.get(fault.mode, f"it reads {fault.value:g} and nothing else")
    shown = {"reading": (fault.value, CHANNELS[fault.channel].unit)}
    mode = mode_of_level(fault.channel, fault.value) if fault.mode == "stuck" else fault.mode
    return Suspect(channels=(fault.channel,), mode=mode, start_s=fault.start_s,
                   end_s=fault.end_s, confidence=0.95, seen=seen,
                   evidence={**shown, "episodes": (float(fault.count), "1")})  # fmt: skip


def _without_supply(faults: Sequence[ChannelFault]) -> list[Suspect]:
    """One suspect of all channels that stood at the ends of their scales together."""
    if not faults:
        return []
    names = tuple(f.channel for f in faults)
    read = ", ".join(f"{f.channel.replace('_', ' ')} {f.value:g} {CHANNELS[f.channel].unit}"
                     for f in faults)  # fmt: skip
    times = max(f.count for f in faults)
    at_ends = any(f.value <= SCALES[f.channel].floor or f.value >= SCALES[f.channel].top
                  for f in faults)  # fmt: skip
    what = ("go to an end of their scales at once" if at_ends
            else "jump at once and come back at once")  # fmt: skip
    return [Suspect(
        channels=names, mode="reference_lost", start_s=min(f.start_s for f in faults),
        end_s=max(f.end_s for f in faults), confidence=0.95,
        seen=f"{'once' if times == 1 else f'{times} times'} {len(names)} readings {what} ({read}) "
        f"while the engine runs on: what they share {'is gone' if at_ends else 'moved'}, their "
        "5 V supply or its ground",
        evidence={"channels": (float(len(names)), "1"), "episodes": (float(times), "1")},
    )]  # fmt: skip


#: The mode that explains the others on the same channel comes first: noise makes lone samples
#: too, while spikes leave the median scatter alone; a wire at its end lies as flat as a clip.
_ORDER = ("swapped", "reference_lost", "open", "short", "dead", "saturated", "ground_shift",
          "stuck", "noise", "spike", "scale", "offset", "slow")  # fmt: skip


def _one_per_channel(suspects: Sequence[Suspect]) -> list[Suspect]:
    """Keep the most telling suspect of each channel (a shared fault first)."""
    taken: set[str] = set()
    kept = []
    for s in sorted(suspects, key=lambda s: (_ORDER.index(s.mode), s.start_s, s.channels)):
        if taken & set(s.channels):
            continue
        taken |= set(s.channels)
        kept.append(s)
    return sorted(kept, key=lambda s: (s.start_s, s.channels))
