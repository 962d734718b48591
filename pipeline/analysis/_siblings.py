"""Sensors against their physical siblings: after a cold soak, swapped, supply lost."""

from collections.abc import Mapping

import numpy as np

from pipeline.analysis._suspects import Bools, Floats, Suspect, middle_of, offset_suspect
from pipeline.signals import segments

# Sizes: common practice, no source, unless said.
SOAKED_K = 4.0  # two thermometers this close at key-on: the car stood long enough
SAME_OFF = 0.4  # of an offset: two places where it shows agree so far
OFF_K = 8.0  # and a third this far from both is wrong
SUPPLY_DROP = 0.16  # as a logarithm; gear changes move pressure and throttle by less at once
NO_SUPPLY_KPA = 8.0  # no engine's vacuum is that deep; a sensor without supply reads its zero
GONE_S, FOOT_MUST_MOVE_S = 2.0, 20.0  # held at least; after which no foot stays off the pedal
RESTING_V = (11.3, 13.3)  # a battery at rest, nothing charging it: nearly empty to just charged
THERMOMETERS = ("coolant_temperature", "intake_air_temperature", "oil_temperature",
                "ambient_air_temperature", "fuel_temperature")  # fmt: skip


def voltage(
    time: Floats, values: Mapping[str, Floats], still: Bools, running: Bools
) -> list[Suspect]:
    """Voltage off by the same amount at rest and while charging."""
    volts = values.get("battery_voltage")
    rest, charging = middle_of(volts, still & (time - time[0] < 60.0)), middle_of(volts, running)
    if rest is None or charging is None:
        return []
    outside = min(rest - RESTING_V[0], 0.0) + max(rest - RESTING_V[1], 0.0)
    usual = charging - 14.1
    if (
        outside == 0.0
        or usual * outside <= 0
        or not 0.7 < charging - rest < 2.6
        or abs(usual) < 0.9
    ):
        return []
    seen = f"it reads {rest:.1f} V at rest and {charging:.1f} V charging: both off alike"
    return [offset_suspect(time, "battery_voltage", usual, "V", 0.75, seen)]


def thermometers(
    time: Floats, values: Mapping[str, Floats], start: Bools, thermostat_c: float, warm: Bools
) -> list[Suspect]:  # fmt: skip
    """Thermometers that disagree before the first start of a cold car, or that no air can be at.

    An outside air that the charge stays below, and that was over all others at the start, is the
    one that is wrong.
    """
    soaked = cold_soak(time, values, start, thermostat_c, warm)
    cool = below_ambient(time, values, warm)
    if not cool or any("ambient_air_temperature" in s.channels for s in soaked):
        return soaked
    coolant, intake, ambient = (
        middle_of(values.get(n), start)
        for n in ("coolant_temperature", "intake_air_temperature", "ambient_air_temperature")
    )
    if coolant is None or intake is None or ambient is None or abs(coolant - intake) > SOAKED_K:
        return soaked + cool
    off = ambient - max(coolant, intake)
    if off < OFF_K:
        return soaked + cool
    return [*soaked, offset_suspect(time, "ambient_air_temperature", off, "K", 0.8,
                     f"before the start it reads {ambient:.0f} °C where coolant and intake agree "
                     f"on {intake:.0f} °C, and the air drawn in stays below it")]  # fmt: skip


def cold_soak(
    time: Floats, values: Mapping[str, Floats], start: Bools, thermostat_c: float, warm: Bools
) -> list[Suspect]:  # fmt: skip
    """One thermometer that disagrees with the others before the first start of a cold car.

    The others have to agree; a coolant that reads warm needs its plateau as a second witness,
    for an engine that has not cooled looks the same.
    """
    levels = {}
    for name in THERMOMETERS:
        level = middle_of(values.get(name), start)
        if level is not None and -38.0 < level < 120.0:
            levels[name] = level
    plateau = middle_of(values.get("coolant_temperature"), warm)
    over = None if plateau is None else plateau - thermostat_c
    if set(levels) == {"coolant_temperature", "intake_air_temperature"}:
        return _colder_by_as_much(time, levels, over)
    found = []
    for name, level in levels.items():
        others = [v for n, v in levels.items() if n != name]
        if len(others) < 2 or max(others) - min(others) > SOAKED_K:
            continue
        off = level - float(np.median(others))
        if abs(off) < OFF_K:
            continue
        if (name == "coolant_temperature" and off > 0 and "oil_temperature" not in levels
                and (over is None or over - 3.0 < 0.6 * off)):  # fmt: skip
            continue
        if name == "ambient_air_temperature" and off > 0 and len(others) < 3:
            continue
        found.append(offset_suspect(time, name, off, "K", 0.88,
                     f"before the start it reads {level:.0f} °C where the others agree on "
                     f"{np.median(others):.0f} °C"))  # fmt: skip
    return found


def _colder_by_as_much(
    time: Floats, levels: Mapping[str, float], over: float | None
) -> list[Suspect]:
    """Find a coolant that is colder than the air before the start and as much too cold when warm.

    No engine is colder than the air it stood in, and a thermostat that stands open is not there
    before the start. over: plateau over the thermostat, K, None where not seen.
    """
    level, air = levels["coolant_temperature"], levels["intake_air_temperature"]
    off = level - air
    if off > -OFF_K or over is None or abs(over - off) > SAME_OFF * abs(off):
        return []
    return [offset_suspect(time, "coolant_temperature", off, "K", 0.8,
            f"before the start it reads {level:.0f} °C where the intake reads {air:.0f} °C, and "
            f"warm it stands {-over:.0f} K below the thermostat")]  # fmt: skip


def below_ambient(time: Floats, values: Mapping[str, Floats], warm: Bools) -> list[Suspect]:
    """Charge air colder than the outside air for minutes: no cooler can do that."""
    intake, ambient = values.get("intake_air_temperature"), values.get("ambient_air_temperature")
    a, b = middle_of(intake, warm), middle_of(ambient, warm)
    if a is None or b is None or a > b - OFF_K or a < -35.0:
        return []
    return [offset_suspect(time, "intake_air_temperature", a - b, "K", 0.7,
                    f"warm and running it reads {a:.0f} °C with {b:.0f} °C outside: colder than "
                    "the air it draws")]  # fmt: skip


def swapped(time: Floats, values: Mapping[str, Floats], warm: Bools) -> list[Suspect]:
    """Coolant that reads like air and intake that reads like coolant, minutes into running."""
    coolant, intake = values.get("coolant_temperature"), values.get("intake_air_temperature")
    if coolant is None or intake is None or np.count_nonzero(warm) < 100:
        return []
    late = warm & (time > time[0] + 0.6 * (time[-1] - time[0]))
    a, b = middle_of(coolant, late), middle_of(intake, late)
    begin = middle_of(intake, time - time[0] < 20.0)
    if a is None or b is None or b < 66.0 or b > 120.0 or a > 62.0 or b - a < 18.0:
        return []
    if a < -35.0 or begin is None:
        return []
    return [Suspect(
        channels=("coolant_temperature", "intake_air_temperature"), mode="swapped",
        start_s=float(time[0]), end_s=float(time[-1]), confidence=0.88,
        seen=f"the coolant reads {a:.0f} °C like charge air, the intake {b:.0f} °C like coolant",
        evidence={"coolant_reading": (a, "degC"), "intake_reading": (b, "degC")},
    )]  # fmt: skip


def supply_lost(time: Floats, values: Mapping[str, Floats], running: Bools) -> list[Suspect]:
    """Pressure and throttle that jump by the same factor in the same sample, again and again.

    Both are ratiometric to one 5 V supply; no air can fill or empty a manifold within a sample.
    """
    p, x = values.get("manifold_pressure"), values.get("throttle_position")
    if p is None or x is None:
        return []
    rows = np.flatnonzero(running & np.isfinite(p) & np.isfinite(x))
    if rows.size < 100 or float(np.median(np.diff(time[rows]))) > 0.26:
        return []
    t, p, x = time[rows], p[rows], np.maximum(x[rows], 0.05)
    steps = np.diff(t) < 0.3
    dp, dx = np.diff(np.log(np.maximum(p, 1.0))), np.diff(np.log(x))
    levels = np.unique(np.round(x, 4))  # a coarse throttle says little where it is nearly shut
    coarse = float(np.min(np.diff(levels))) if levels.size > 1 else 0.1
    blur = 0.06 + 0.08 * np.abs(dp) + 0.7 * coarse / np.minimum(x[1:], x[:-1])
    together = steps & (np.abs(dp) > np.maximum(SUPPLY_DROP, 1.3 * blur)) & (np.abs(dp - dx) < blur)
    flat = np.ones_like(together)  # a supply that sags holds its new level for some samples
    for k in (1, 2, 3):
        flat[k:] &= np.abs(dp[:-k]) < 0.4 * np.abs(dp[k:])
        flat[:-k] &= np.abs(dp[k:]) < 0.4 * np.abs(dp[:-k])
    hits = np.flatnonzero(together & flat)
    down, up = np.count_nonzero(dp[hits] < 0), np.count_nonzero(dp[hits] > 0)
    if min(down, up) < 3:
        return []
    size = float(np.median(np.abs(dp[hits])))
    drop = 100.0 * (1.0 - float(np.exp(-size)))
    same = np.abs(np.abs(dp[hits]) - size) < 0.06 + 0.08 * size
    if np.count_nonzero(same) < 0.6 * hits.size:
        return []
    return [Suspect(
        channels=("manifold_pressure", "throttle_position"), mode="reference_lost",
        start_s=float(t[hits[0]]), end_s=float(t[hits[-1] + 1]), confidence=0.92,
        seen=f"both readings drop by the same {drop:.0f} % in one sample and "
        f"come back, {hits.size} jumps in all: their common supply sags",
        evidence={"drop": (drop, "%"), "jumps": (float(hits.size), "1")},
    )]  # fmt: skip


def supply_gone(time: Floats, values: Mapping[str, Floats], running: Bools) -> list[Suspect]:
    """Pressure below any vacuum while the throttle lies dead at its end too: no supply for both.

    A single broken wire takes one of them; only the 5 V they share takes both at once.
    """
    p, x = values.get("manifold_pressure"), values.get("throttle_position")
    if p is None or x is None:
        return []
    rows = np.flatnonzero(running & np.isfinite(p) & np.isfinite(x))
    if rows.size < 100:
        return []
    t, p, x = time[rows], p[rows], x[rows]
    gone = p <= NO_SUPPLY_KPA
    starts, ends = segments.runs(gone)
    for a, b in zip(starts, ends, strict=True):
        if t[b - 1] - t[a] < GONE_S or a < 50:
            continue
        closed = float(np.quantile(x[:a][~gone[:a]], 0.02))
        highest = float(np.max(x[a + 1 : b]))
        moved = bool(np.mean(x[:a] > closed + 3.0) > 0.1)
        if highest < closed - 1.0 or (
            moved and highest < closed + 0.5 and t[b - 1] - t[a] >= FOOT_MUST_MOVE_S
        ):
            return [Suspect(
                channels=("manifold_pressure", "throttle_position"), mode="reference_lost",
                start_s=float(t[a]), end_s=float(t[b - 1]), confidence=0.9,
                seen=f"from one moment on the pressure reads {np.median(p[a:b]):.0f} kPa and the "
                f"throttle {highest:.0f} % at most: the supply both share is gone",
                evidence={"pressure": (float(np.median(p[a:b])), "kPa"),
                          "throttle_at_most": (highest, "%")},
            )]  # fmt: skip
    return []


def speed_dead(time: Floats, values: Mapping[str, Floats], running: Bools) -> list[Suspect]:
    """Road speed at nothing while the engine pulls, or gone from one sample to the next."""
    v, rpm, p = (values.get(n) for n in ("vehicle_speed", "engine_speed", "manifold_pressure"))
    load = p if p is not None else values.get("mass_air_flow")
    if v is None or rpm is None or load is None:
        return []
    known = running & np.isfinite(v) & np.isfinite(load) & np.isfinite(rpm)
    if not known.any():
        return []
    usual = float(np.median(load[known]))
    zero = known & (v < 0.5)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], zero.view(np.int8), [0]])))
    for a, b in zip(edges[::2], edges[1::2] - 1, strict=True):
        if time[b] - time[a] < 40.0:
            continue
        inside = slice(a, b + 1)
        pulling = np.nanmean((rpm[inside] > 1500.0) & (load[inside] > 0.8 * usual))
        fell = a > 0 and v[a - 1] > 15.0 and time[a] - time[a - 1] < 1.5
        varied = np.nanpercentile(rpm[inside], 95) - np.nanpercentile(rpm[inside], 5) > 900.0
        if (pulling > 0.4 and varied) or (fell and pulling > 0.2):
            return [Suspect(
                channels=("vehicle_speed",), mode="dead", start_s=float(time[a]),
                end_s=float(time[b]), confidence=0.9,
                seen=f"it reads 0 for {time[b] - time[a]:.0f} s while the engine pulls as on the "
                "road",
                evidence={"at_zero": (float(time[b] - time[a]), "s")},
            )]  # fmt: skip
    return []
