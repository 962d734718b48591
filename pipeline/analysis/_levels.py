"""What a channel betrays by its own level: held with the noise on, or drowned in noise."""

import functools
from collections.abc import Mapping

import numpy as np

from pipeline.analysis._suspects import (
    BLOCK_S,
    Bools,
    Floats,
    Suspect,
    blocks_of,
    local_noise,
    local_noise_by,
)
from pipeline.channels import CHANNELS
from pipeline.facts.sensor_validity import below_boost
from pipeline.signals.blocks import blocks_by

# All sizes: common practice, no source; each well above what open logs of healthy cars show.
#: Spread over many blocks that a live sensor exceeds while its drivers move.
HELD: Mapping[str, tuple[float, float]] = {  # channel: (spread, least seconds)
    "manifold_pressure": (2.0, 20.0),
    "throttle_position": (0.8, 45.0),
    "coolant_temperature": (0.7, 150.0),
    "engine_speed": (6.0, 15.0),
    "lambda": (0.012, 40.0),
    "mass_air_flow": (0.4, 20.0),
    "fuel_pressure": (6.0, 240.0),
    "battery_voltage": (0.02, 400.0),
}
#: Movement (5-95 %) of another channel that must show in the held one.
DRIVERS: Mapping[str, tuple[tuple[str, float], ...]] = {
    "manifold_pressure": (("throttle_position", 18.0), ("engine_speed", 1100.0)),
    "throttle_position": (("manifold_pressure", 50.0),),
    "coolant_temperature": (("engine_speed", 500.0),),
    "engine_speed": (("vehicle_speed", 25.0), ("manifold_pressure", 40.0)),
    "lambda": (("lambda_target", 0.08), ("manifold_pressure", 90.0)),
    "mass_air_flow": (("engine_speed", 1100.0),),
    "fuel_pressure": (("manifold_pressure", 70.0),),
    "battery_voltage": (("engine_speed", 900.0),),
}
FOOT_MOVES_PCT = 3.0  # of the pedal within a hold: less is a foot held still
LOAD_KPA = 70.0  # highland full throttle; below it no engine pulls through its speeds wide open
LONGEST_RUN_S = 60.0  # at full throttle, through the speeds, on a road
COLD_C = 74.0  # below every thermostat: an engine that pulls warms up
WARMING_K_PER_MIN = 1.2  # warm-up before a hold that makes a sudden hold a fault
#: Two signs of water in a hold, of which a log may hide either. K from the hold to the next 5 s
#: (150 s of that warm-up are 3 K), if the log goes on; K between means of its blocks, out of which
#: noise averages while water moves, if the log's steps let it be seen.
LEAVES_K, WANDER_K = 1.8, 0.3
#: Where a held value is no reading but the end of the scale: (at or below, mode).
FLOOR = {
    "manifold_pressure": ((4.0, "dead"), (16.0, "open")),
    "throttle_position": ((-0.5, "dead"), (0.3, "open")),
    "lambda": ((0.5, "dead"), (0.72, "short")),
    "fuel_pressure": ((5.0, "dead"),),
    "oil_pressure": ((5.0, "dead"),),
    "exhaust_gas_temperature": ((60.0, "dead"),),
}
#: Sensors of manifold pressure end at 250 or 300 kPa and beyond, those of oil and rail at 1 MPa;
#: a lambda without its sensor rests at the lean end of its range, a thermocouple's input without
#: the couple at its top.
CEILING = {"manifold_pressure": (240.0, "short"), "throttle_position": (99.9, "short"),
           "lambda": (1.2, "open"), "fuel_pressure": (900.0, "short"),
           "oil_pressure": (900.0, "short"),
           "exhaust_gas_temperature": (1150.0, "open")}  # fmt: skip
#: Longer than any fuel cut, in s, and pulling in between, in s: no flame burns beyond lambda 1.3.
LEAN_END_S, PULLING_S, PULLING_KPA = 60.0, 5.0, 80.0
PULLING_FLOW = 0.4  # of the largest air flow, where no pressure is logged
NOISE: Mapping[str, float] = {
    "engine_speed": 25.0,  # with the fuel cut: no firing is left to make it uneven
    "manifold_pressure": 2.6,
    "coolant_temperature": 1.0,
    "intake_air_temperature": 1.2,
    "oil_temperature": 1.5,
    "throttle_position": 1.4,
    "battery_voltage": 0.35,
    "barometric_pressure": 1.0,
    "lambda": 0.04,  # no sound wideband comes near a tenth of it at steady running
    "vehicle_speed": 3.0,
    "fuel_pressure": 15.0,
    "oil_pressure": 25.0,
    "exhaust_gas_temperature": 15.0,
    "mass_air_flow": 1.5,
    "ambient_air_temperature": 1.0,
}
#: s between three samples that tell noise: what moves slowly may be logged slowly.
REACH_S = {"battery_voltage": 1.1, "vehicle_speed": 1.1, "barometric_pressure": 2.5}
#: A value between two steps of the log's resolution flickers: 2 / (0.6745 * 2.45) steps of scatter.
RESOLUTIONS = 1.3
FLOW_NOISE_SHARE = 0.15  # of the level: strokes reach the meter unevenly, back and forth
NOISE_SHARE = 0.035  # of a pressure's own level: intake strokes modulate it by 1 to 2 %
#: kPa below which every throttled engine idles, at sea level with wild cams too.
UNTHROTTLED_KPA = 80.0


def held(time: Floats, values: Mapping[str, Floats], running: Bools) -> list[Suspect]:
    """Find channels that hold one level, their noise apart, while what drives them moves."""
    found = []
    blocks = functools.cache(lambda name: blocks_of(time, values[name], running))

    def middle(name: str) -> Floats | None:
        return blocks(name).middle if name in values else None

    for name, (spread, least_s) in HELD.items():
        if name not in values or (name == "throttle_position" and _unthrottled(values, running)):
            continue
        own = blocks(name)
        drivers = [(blocks(d), size) for d, size in DRIVERS[name] if d in values]
        if name == "engine_speed" and "vehicle_speed" in values:
            drivers = drivers[:1]  # in gear a car that holds its speed uphill holds the engine's
        best = longest_hold(own.low, own.high, own.middle, spread)
        if best is None:
            continue
        a, b = best
        seconds = (b - a) * BLOCK_S
        level = float(np.nanmedian(own.middle[a:b]))
        driving = [(d.middle[a:b], size) for d, size in drivers]
        if name == "throttle_position":
            driving = [(below_boost(p), size) for p, size in driving]
        moved = any(_moved(part) >= size for part, size in driving)
        if name == "lambda" and level >= CEILING["lambda"][0]:
            lies = _beyond_fuel_cuts(middle("manifold_pressure"), middle("mass_air_flow"), a, b)
            moved = True  # its own proof
        else:
            lies = _may_not_rest(name, level, own.middle[max(0, a - 12) : a], seconds)
        if name == "coolant_temperature" and lies:
            inside = slice(*np.searchsorted(time, (own.start_s[a], own.start_s[b - 1] + BLOCK_S)))
            after = own.middle[b : b + 2]
            lies = not _is_water(time[inside], values[name][inside], after, level)
        if name == "manifold_pressure":
            lies = lies and _should_move(middle("throttle_position"), level, a, b, seconds)
        if seconds < least_s or not (moved and lies):
            continue
        mode = mode_of_level(name, level)
        if name == "fuel_pressure" and mode == "stuck":
            continue  # a regulator without its hose holds the rail so; see the analysis of it
        found.append(
            Suspect(
                channels=(name,), mode=mode, start_s=float(own.start_s[a]),
                end_s=float(min(own.start_s[b - 1] + BLOCK_S, time[-1])), confidence=0.93,
                seen=f"it stands at one value for {seconds:.0f} s while the engine changes",
                evidence={"held_value": (level, CHANNELS[name].unit), "held_for": (seconds, "s")},
            )
        )  # fmt: skip
    return found


def _beyond_fuel_cuts(load: Floats | None, flow: Floats | None, a: int, b: int) -> bool:
    """Whether lambda rests at its lean end for longer than fuel is cut, pulling in between."""
    if (b - a) * BLOCK_S < LEAN_END_S:
        return False
    if load is not None:
        pulling = load[a:b] > PULLING_KPA
    elif flow is not None:
        pulling = flow[a:b] > PULLING_FLOW * np.nanmax(flow, initial=0.0)
    else:
        return False
    return bool(np.count_nonzero(pulling) * BLOCK_S >= PULLING_S)


def _should_move(throttle: Floats | None, level: float, a: int, b: int, seconds: float) -> bool:
    """Whether a live pressure would have moved from block a to b.

    Speed alone moves none: wide open the barometer or the wastegate holds it, in overrun the shut
    throttle does.
    """
    if throttle is None:
        return level < LOAD_KPA or seconds >= LONGEST_RUN_S
    return _moved(throttle[a:b]) >= FOOT_MOVES_PCT


def longest_hold(
    low: Floats, high: Floats, middle: Floats, spread: float
) -> tuple[int, int] | None:
    """Return the longest run of blocks whose medians and inner ranges stay within ``spread``."""
    quiet = np.isfinite(middle) & (high - low <= 1.6 * spread)
    best: tuple[int, int] | None = None
    begin = 0
    lowest = highest = np.nan
    for k in range(middle.size + 1):
        ok = k < middle.size and bool(quiet[k])
        if ok and k > begin:
            lowest, highest = min(lowest, middle[k]), max(highest, middle[k])
            if highest - lowest > spread:
                ok = False
        elif ok:
            lowest = highest = middle[k]
        if not ok:
            if k > begin and (best is None or k - begin > best[1] - best[0]):
                best = (begin, k)
            begin = k if k < middle.size and quiet[k] else k + 1
            if k < middle.size and quiet[k]:
                lowest = highest = middle[k]
    return best


def _unthrottled(values: Mapping[str, Floats], running: Bools) -> bool:
    """Whether load is not set by a throttle: then its plate may rest at one angle for good."""
    pressure = values.get("manifold_pressure")
    if pressure is None or not (running & np.isfinite(pressure)).any():
        return False
    return float(np.nanquantile(pressure[running], 0.05)) > UNTHROTTLED_KPA


def _moved(middle: Floats) -> float:
    y = middle[np.isfinite(middle)]
    return float(np.subtract(*np.percentile(y, [95, 5]))) if y.size >= 3 else 0.0


def _may_not_rest(name: str, level: float, before: Floats, seconds: float) -> bool:
    """Whether a live sensor could not honestly rest at this level so long. before: medians."""
    if name != "coolant_temperature":
        return True
    if level >= COLD_C:
        return False
    before = before[np.isfinite(before)]
    warming = before.size >= 6 and (before[-1] - before[0]) / (before.size * BLOCK_S / 60.0)
    return bool(warming and warming >= WARMING_K_PER_MIN) or (level < 60.0 and seconds >= 300.0)


def _is_water(time: Floats, x: Floats, after: Floats, level: float) -> bool:
    """Whether a cold hold is water on a leaking thermostat, which finds a balance below it.

    It goes on moving within a step of the reading, or leaves the balance as it came; a wire that is
    whole again shows the water as far away as it went meanwhile. The first and the last block are
    left out: the hold begins and ends somewhere within them. after: medians of the next blocks.
    """
    after = after[np.isfinite(after)]
    if after.size and abs(after[0] - level) <= LEAVES_K:
        return True
    known = np.isfinite(x)
    block = blocks_by(time, BLOCK_S)[known]
    count = np.bincount(block)
    means = np.bincount(block, weights=x[known])[count > 0] / count[count > 0]
    return bool(means.size > 3 and np.ptp(means[1:-1]) > WANDER_K)


def mode_of_level(name: str, level: float) -> str:
    """What a reading held at ``level`` is: an electrical end of its scale, else stuck."""
    for limit, mode in FLOOR.get(name, ()):
        if level <= limit:
            return mode
    top = CEILING.get(name)
    return top[1] if top is not None and level >= top[0] else "stuck"


def _resolution(x: Floats) -> float:
    """The log's own step of a channel: the smallest difference between two values it takes."""
    levels = np.unique(np.round(x, 6))
    return float(np.min(np.diff(levels))) if levels.size > 1 else 0.0


def noisy(time: Floats, values: Mapping[str, Floats], quiet: Bools) -> list[Suspect]:
    """Find channels whose neighbouring samples scatter more than any healthy sensor of the kind.

    ``quiet``: rows with steady engine, where nothing else makes a channel jump.
    """
    found = []
    for name, limit in NOISE.items():
        if name not in values:
            continue
        x = values[name]
        use = quiet & np.isfinite(x)
        if name == "lambda":
            use &= (x > 0.7) & (x < 1.25)
        reach = 2.5 if name.endswith("temperature") else REACH_S.get(name, 0.45)
        size = local_noise(time, x, use, reach)
        if not np.isfinite(size):
            continue
        level = float(np.median(np.abs(x[use])))
        if name.endswith("pressure") and name != "barometric_pressure":
            limit = max(limit, NOISE_SHARE * level)
        if name == "mass_air_flow":
            limit = max(limit, FLOW_NOISE_SHARE * level)
        halves = _noise_by_block(time, x, use, limit, reach)
        if size < limit and halves is None:
            continue
        coarse = RESOLUTIONS * _resolution(x[use])
        if coarse > limit:
            limit, halves = coarse, _noise_by_block(time, x, use, coarse, reach)
            if size < limit and halves is None:
                continue
        a, b, size = halves if halves is not None else (float(time[0]), float(time[-1]), size)
        unit = CHANNELS[name].unit
        found.append(
            Suspect(channels=(name,), mode="noise", start_s=a, end_s=b, confidence=0.9,
                    seen="neighbouring samples scatter more than this kind of sensor can",
                    evidence={"scatter": (size, unit), "usual_at_most": (limit, unit)})
        )  # fmt: skip
    return found


def _noise_by_block(
    time: Floats, x: Floats, use: Bools, limit: float, reach: float
) -> tuple[float, float, float] | None:
    """From when on (minutes) the scatter exceeds the limit, None where it never does for two."""
    minute = blocks_by(time, 60.0)
    sizes = local_noise_by(time, x, use, minute, int(minute[-1]) + 1, reach)
    loud = np.flatnonzero(sizes >= limit)
    if loud.size < 2 or loud.size < 0.7 * np.count_nonzero(np.isfinite(sizes[loud[0] :])):
        return None
    begin, end = time[0] + 60.0 * loud[0], time[0] + 60.0 * (loud[-1] + 1)
    return float(begin), float(min(time[-1], end)), float(np.median(sizes[loud]))
