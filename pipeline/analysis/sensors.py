"""Whether the sensors can be believed: each channel by itself and against its siblings."""

from collections.abc import Sequence

import numpy as np

from pipeline.analysis._ground import ground_shift
from pipeline.analysis._levels import held, mode_of_level, noisy, saturated
from pipeline.analysis._pressure_scale import by_pressure, offset_by_mixture, part_of_gauge
from pipeline.analysis._siblings import (
    at_rest,
    below_ambient,
    cold_soak,
    speed_dead,
    supply_gone,
    supply_lost,
    swapped,
    voltage,
)
from pipeline.analysis._suspects import Floats, Suspect
from pipeline.analysis._wideband_references import Reference, contradicted, references
from pipeline.channels import CHANNELS
from pipeline.facts.exhaust_delay import ExhaustDelay
from pipeline.facts.mixture_inputs import LIMIT_MARGIN, MixtureInputs
from pipeline.facts.sensor_validity import JUDGED, ChannelFault, SensorValidity
from pipeline.facts.states import States
from pipeline.meta import Meta
from pipeline.results import (
    Cause,
    Check,
    Finding,
    LimitOfDetection,
    Quantity,
    Result,
    Severity,
    evidence,
)
from pipeline.session import View
from pipeline.signals import segments

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

#: The correction of fuel rests on these: a fault there is act.
CORRECTING = frozenset({"lambda", "manifold_pressure", "mass_air_flow", "coolant_temperature",
                        "intake_air_temperature"})  # fmt: skip
#: What a wrong channel makes worthless until it is mended.
_MIXTURE = ("lean_under_load", "rich_under_load", "lean_running", "rich_running", "trim_limit",
            "transient_mixture")  # fmt: skip
# The controller meters fuel by pressure, air flow and temperatures: a wrong one bends the mixture.
BLOCKS = {
    "lambda": (*_MIXTURE, "exhaust_leak", "intake_leak", "misfire_under_load"),
    "manifold_pressure": (*_MIXTURE, "boost_loss", "over_boost", "boost_creep", "knock_risk",
                          "intake_leak", "exhaust_leak", "low_fuel_pressure", "injector_limit",
                          "injector_minimum", "idle_hunting", "hot_intake"),
    "mass_air_flow": (*_MIXTURE, "intake_leak", "exhaust_leak", "injector_limit",
                      "injector_minimum", "idle_hunting"),
    "throttle_position": ("transient_mixture", "idle_hunting", "intake_leak", "boost_loss"),
    "coolant_temperature": (*_MIXTURE, "overheating", "thermostat_stuck_open", "slow_warm_up",
                            "air_in_coolant", "coolant_loss_suspected", "knock_risk",
                            "idle_hunting", "hard_start"),
    "intake_air_temperature": (*_MIXTURE, "hot_intake", "knock_risk", "exhaust_leak",
                               "injector_limit"),
    "vehicle_speed": ("idle_hunting", "thermostat_stuck_open"),
    "battery_voltage": ("low_charging_voltage", "high_charging_voltage"),
    "oil_pressure": ("low_oil_pressure",),
    "fuel_pressure": ("low_fuel_pressure",),
}  # fmt: skip
WORDS = {
    "stuck": "stands still at one value",
    "open": "reads as if its plug were off or a wire broken",
    "short": "reads as if its wire were shorted",
    "offset": "is off by a fixed amount",
    "scale": "is off in proportion",
    "noise": "is drowned in noise",
    "spike": "spikes",
    "slow": "follows too slowly",
    "ground_shift": "moves with the electrical load",
    "saturated": "is at the end of its range",
    "reference_lost": "loses its supply now and then",
    "swapped": "looks exchanged with the other one",
    "dead": "gives no signal",
}
CURES = {
    "open": "pull and push the plug, then measure the sensor's resistance against its table",
    "short": "unplug the sensor: if the reading goes to the other end, the sensor is shorted",
    "stuck": "unplug the sensor: if the reading does not change, look at the logger and the wire",
    "dead": "measure supply, ground and signal at the plug",
    "offset": "compare with a second instrument at one point",
    "scale": "hand pump on the sensor's hose, a gauge beside it, at two points",
    "noise": "look for the wire beside coils and injectors, and at the sensor's ground",
    "spike": "wiggle plug and loom with key on and watch the reading",
    "slow": "look at the sensor's tip and the hose to it",
    "ground_shift": "volt drop from the sensor ground to battery minus, loads switched on",
    "saturated": "fit a sensor with a larger range before any more boost",
    "reference_lost": "measure the 5 V supply while wiggling the loom: one sensor may pull it down",
    "swapped": "unplug one and see which reading goes away",
}
#: Of the doubt a check starts with, what drives left of it: of 437 faults told (tests/judge areas
#: sensors 110-118 and diagnosis 440-463) 5 were none, where the checks' own doubt is 5 to 25 %.
WRONG_SHARE = 0.3
SLOW_LAG_S = 0.4  # production sensors 0.05-0.1 s (handbook range), aged ones twice that
SURELY = 0.85  # of it: the low end of the lag's interval, well over an aged sensor's 0.2 s
#: A lag told less surely is believed where the reading also comes back slowly from its lean end
#: after fuel cuts: s to 1/e of the way, at least so many times, and never faster than that lag. A
#: film or a leak may lean it as long, but not in load.
MAYBE_LAG_S, COMES_BACK_S, COMES_BACK = 0.2, 0.4, 2
COMING_BACK_S = 5.0  # after which the next load has its say
SPEED_SPIKES = ("engine_speed", "spike")
LOST_SHARE = 0.3  # of them: losses of the signal from which on they are a part of those
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
    chosen = _one_per_channel(suspects)
    findings = [_finding(s) for s in chosen]
    judged = [n for n in values if n in JUDGED]
    why = (
        f"{len(findings)} of {len(judged)} sensors cannot be believed: "
        + "; ".join(f"{_spoken(s.channels)} {WORDS[s.mode]}" for s in chosen)
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
    found = held(time, values, settled)
    found += noisy(time, {n: x for n, x in values.items() if n != "engine_speed"}, quiet)
    found += noisy(time, {n: values[n] for n in ("engine_speed",) if n in values},
                   states.fuel_cut & settled & states.mask("overrun"))  # fmt: skip
    found += saturated(time, values, running, states.barometer_kpa,
                       view.vehicle.manifold_pressure_sensor.range_kpa)  # fmt: skip
    inputs: MixtureInputs | None = view.fact("mixture_inputs")
    metered = engine.load_sensing in ("air_meter", "throttle_speed")
    bins = by_pressure(inputs) if inputs is not None and not metered else None
    bent = offset_by_mixture(bins) if bins is not None else None
    found += at_rest(time, values, still, altitude, bent)
    found += voltage(time, values, before, warm)
    found += cold_soak(time, values, before, engine.thermostat_c, warm)
    found += below_ambient(time, values, warm)
    found += swapped(time, values, warm)
    found += supply_lost(time, values, running)
    found += supply_gone(time, values, running)
    found += speed_dead(time, values, settled)
    found += ground_shift(time, values, running)
    known = {n for s in found for n in s.channels}
    if inputs is not None and bins is not None and "manifold_pressure" not in known:
        found += part_of_gauge(time, inputs.barometer_kpa, bins)
    if inputs is not None and not {"lambda", "lambda_2"} & known:
        both = values.get("lambda"), values.get("lambda_2")
        found += contradicted(time, inputs, lambda_one, *both)
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
    end = m.high_limit - LIMIT_MARGIN
    aim = 1.0 + (m.high_limit - 1.0) * np.exp(-1.0)
    known = np.flatnonzero(np.isfinite(m.reading))
    took = []
    for k in np.flatnonzero(m.cut[:-1] & ~m.cut[1:]):
        a, b = np.searchsorted(known, np.searchsorted(time, time[k] + np.array([0, COMING_BACK_S])))
        rows = known[a:b]
        again = np.flatnonzero(m.cut[rows[1:]])
        rows = rows[: 1 + again[0]] if again.size else rows
        below, there = (np.flatnonzero(m.reading[rows] < level) for level in (end, aim))
        if below.size and there.size and below[0] > 0:
            took.append(time[rows[there[0]]] - time[rows[below[0] - 1]] - m.update_s)
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
    read = ", ".join(f"{_spoken([f.channel])} {f.value:g} {CHANNELS[f.channel].unit}"
                     for f in faults)  # fmt: skip
    times = max(f.count for f in faults)
    return [Suspect(
        channels=names, mode="reference_lost", start_s=min(f.start_s for f in faults),
        end_s=max(f.end_s for f in faults), confidence=0.95,
        seen=f"{'once' if times == 1 else f'{times} times'} {len(names)} readings go to an end of "
        f"their scales at once ({read}) while the engine runs on: what they share is gone, their "
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


def _finding(s: Suspect) -> Finding:
    severity: Severity = "watch"
    if set(s.channels) & CORRECTING and s.confidence >= 0.8:
        severity = "act"
    if s.mode == "saturated" and s.in_boost:
        severity = "stop"
    names = _spoken(s.channels)
    causes = {
        "ground_shift": (("shared sensor ground", 0.8), ("noise from a fan or coil", 0.12)),
        "saturated": (("the sensor's range is too small", 0.9),),
        "reference_lost": (("5 V supply sags or a sensor shorts it", 0.85),),
        "swapped": (("plugs or inputs exchanged", 0.9),),
        "scale": (("hose to the sensor leaks or is kinked", 0.7), ("sensor", 0.15)),
        "offset": (("sensor or its calibration", 0.65), ("ground or supply", 0.2)),
        "spike": (("loose contact or interference", 0.8), ("sensor", 0.12)),
        "noise": (("interference or a bad ground", 0.7), ("sensor", 0.2)),
    }.get(s.mode, (("plug or wire", 0.55), ("sensor", 0.35)))
    cure = CURES[s.mode]
    if s.mode in ("scale", "offset") and set(s.channels) & {"lambda", "lambda_2"}:
        causes = (("scale set in gauge or controller", 0.55), ("ground offset of its output", 0.2),
                  ("air leak between the sensors", 0.12))  # fmt: skip
        cure = ("compare gauge and controller at two points, one of them free air; look up the "
                "output's scale in the gauge's sheet")  # fmt: skip
    return Finding(
        kind="sensor_fault", severity=severity,
        confidence=round(1.0 - WRONG_SHARE * (1.0 - s.confidence), 3),
        start_s=s.start_s, end_s=s.end_s, mode=s.mode, channels=list(s.channels),
        title=f"The {names} {WORDS[s.mode]}",
        detail=f"{s.seen[0].upper()}{s.seen[1:]}. What rests on this reading is not to be "
        "trusted until it is mended.",
        step=0 if severity == "stop" else 1,
        blocks=[] if s.mode == "dead" and "oil_pressure" in s.channels  # none may be the truth
        else sorted({k for n in s.channels for k in BLOCKS.get(n, ())}),
        evidence=evidence(**dict(s.evidence)),
        likely_causes=[Cause(cause=c, probability=p) for c, p in causes],
        next_checks=[Check(text=cure[0].upper() + cure[1:], tool="multimeter",
                           engine="key_on", minutes=10, decides=[c for c, _ in causes])],
    )  # fmt: skip


def _spoken(channels: Sequence[str]) -> str:
    return " and the ".join(n.replace("_", " ") for n in channels)
