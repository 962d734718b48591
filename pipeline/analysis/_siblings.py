"""Sensors against their physical siblings: at rest, after a cold soak, swapped, supply lost."""

from collections.abc import Mapping

import numpy as np

from pipeline.analysis._suspects import Bools, Floats, Suspect
from pipeline.physics.atmosphere import standard_pressure_kpa
from pipeline.signals import segments

# Sizes: common practice, no source, unless said.
REST_KPA = 3.0  # manifold against barometer with the engine at rest; open logs show -1 kPa
LOWEST_KPA = 45.0  # air is never below it where cars are driven
#: Weather hardly ever lifts the sea's air above it (the record, in a Siberian frost, is 108.5 kPa;
#: from memory), and every road lies higher: nobody has to know the altitude.
HIGHEST_AIR_KPA = 106.0
#: A high of high pressure days at the sea: no proof alone, but beside a mixture bent the same way.
HIGH_AIR_KPA = 104.0
AGREES = 0.6  # share of an offset that the mixture shows too: tables and dead times blur a third
LOWLAND_KPA = 5.0  # from the sea's: where most live, and what is believed without an altitude
SITE_KPA = 6.0  # weather moves the barometer by 4 kPa at most on ordinary days
SOAKED_K = 4.0  # two thermometers this close at key-on: the car stood long enough
OFF_K = 8.0  # and a third this far from both is wrong
SUPPLY_DROP = 0.16  # as a logarithm; gear changes move pressure and throttle by less at once
NO_SUPPLY_KPA = 8.0  # no engine's vacuum is that deep; a sensor without supply reads its zero
GONE_S, FOOT_MUST_MOVE_S = 2.0, 20.0  # held at least; after which no foot stays off the pedal
REST_OIL_KPA = 45.0
RESTING_V = (11.3, 13.3)  # a battery at rest, nothing charging it: nearly empty to just charged
THERMOMETERS = ("coolant_temperature", "intake_air_temperature", "oil_temperature",
                "ambient_air_temperature", "fuel_temperature")  # fmt: skip


def at_rest(
    time: Floats, values: Mapping[str, Floats], still: Bools, altitude_m: float | None,
    by_mixture: float | None = None,
) -> list[Suspect]:  # fmt: skip
    """Offsets that show while the engine stands: pressure, oil pressure.

    still: rows before the first start or well after a stop. altitude_m: of the site if given.
    by_mixture: kPa the manifold pressure reads high by what the mixture shows, None if nothing.
    """
    found = []
    rest = _mean(values.get("manifold_pressure"), still)
    air = _mean(values.get("barometric_pressure"), None)
    if rest is not None and air is not None and min(rest, air) > LOWEST_KPA:
        off = rest - air
        name = "manifold_pressure"
        site = float(standard_pressure_kpa(altitude_m or 0.0))
        nearer = abs(rest - site) + 2.0 < abs(air - site)
        nearer &= altitude_m is not None or abs(rest - site) < LOWLAND_KPA
        # fuel metered by a wrong pressure is wrong with it; by a wrong barometer it hardly is
        nearer &= altitude_m is not None or (by_mixture or 0.0) / (off or 1.0) < AGREES
        if nearer:
            name, off = "barometric_pressure", -off
        if abs(off) >= REST_KPA:
            sure = 0.9 if altitude_m is not None else 0.82
            found.append(_offset(time, name, off, "kPa", sure,
                         f"with the engine at rest it reads {rest:.1f} kPa where the barometer "
                         f"says {air:.1f} kPa"))  # fmt: skip
    elif rest is not None and altitude_m is not None and rest > LOWEST_KPA:
        off = rest - float(standard_pressure_kpa(altitude_m))
        if abs(off) >= SITE_KPA:
            found.append(_offset(time, "manifold_pressure", off, "kPa", 0.75,
                         f"with the engine at rest it reads {rest:.1f} kPa; the site's standard "
                         f"pressure is {rest - off:.1f} kPa"))  # fmt: skip
    elif rest is not None and rest > HIGHEST_AIR_KPA:
        off = rest - float(standard_pressure_kpa(0.0))
        found.append(_offset(time, "manifold_pressure", off, "kPa", 0.85,
                     f"with the engine at rest it reads {rest:.1f} kPa; the sea's air has "
                     f"{rest - off:.1f} kPa, any other less"))  # fmt: skip
    elif rest is not None and rest > HIGH_AIR_KPA and (by_mixture or 0.0) >= SITE_KPA:
        off = float(by_mixture or 0.0)
        found.append(_offset(time, "manifold_pressure", off, "kPa", 0.8,
                     f"with the engine at rest it reads {rest:.1f} kPa, which weather hardly "
                     f"makes, and fuel metered by it is off as by {off:.0f} kPa"))  # fmt: skip
    oil = _mean(values.get("oil_pressure"), still & (time - time[0] < 60.0))
    if oil is not None and abs(oil) >= REST_OIL_KPA:
        found.append(_offset(time, "oil_pressure", oil, "kPa", 0.85,
                     f"with the engine at rest it reads {oil:.0f} kPa"))  # fmt: skip
    return found


def voltage(
    time: Floats, values: Mapping[str, Floats], still: Bools, running: Bools
) -> list[Suspect]:
    """Voltage off by the same amount at rest and while charging."""
    volts = values.get("battery_voltage")
    rest, charging = _mean(volts, still & (time - time[0] < 60.0)), _mean(volts, running)
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
    return [_offset(time, "battery_voltage", usual, "V", 0.75, seen)]


def cold_soak(
    time: Floats, values: Mapping[str, Floats], start: Bools, thermostat_c: float, warm: Bools
) -> list[Suspect]:
    """One thermometer that disagrees with the others before the first start of a cold car.

    The others have to agree; a coolant that reads warm needs its plateau as a second witness,
    for an engine that has not cooled looks the same.
    """
    levels = {}
    for name in THERMOMETERS:
        level = _mean(values.get(name), start)
        if level is not None and -38.0 < level < 120.0:
            levels[name] = level
    found = []
    for name, level in levels.items():
        others = [v for n, v in levels.items() if n != name]
        if len(others) < 2 or max(others) - min(others) > SOAKED_K:
            continue
        off = level - float(np.median(others))
        if abs(off) < OFF_K:
            continue
        if name == "coolant_temperature" and off > 0 and "oil_temperature" not in levels:
            plateau = _mean(values[name], warm)
            if plateau is None or plateau - (thermostat_c + 3.0) < 0.6 * off:
                continue
        if name == "ambient_air_temperature" and off > 0 and len(others) < 3:
            continue
        found.append(_offset(time, name, off, "K", 0.88,
                     f"before the start it reads {level:.0f} °C where the others agree on "
                     f"{np.median(others):.0f} °C"))  # fmt: skip
    return found


def below_ambient(time: Floats, values: Mapping[str, Floats], warm: Bools) -> list[Suspect]:
    """Charge air colder than the outside air for minutes: no cooler can do that."""
    intake, ambient = values.get("intake_air_temperature"), values.get("ambient_air_temperature")
    a, b = _mean(intake, warm), _mean(ambient, warm)
    if a is None or b is None or a > b - OFF_K or a < -35.0:
        return []
    return [_offset(time, "intake_air_temperature", a - b, "K", 0.7,
                    f"warm and running it reads {a:.0f} °C with {b:.0f} °C outside: colder than "
                    "the air it draws")]  # fmt: skip


def swapped(time: Floats, values: Mapping[str, Floats], warm: Bools) -> list[Suspect]:
    """Coolant that reads like air and intake that reads like coolant, minutes into running."""
    coolant, intake = values.get("coolant_temperature"), values.get("intake_air_temperature")
    if coolant is None or intake is None or np.count_nonzero(warm) < 100:
        return []
    late = warm & (time > time[0] + 0.6 * (time[-1] - time[0]))
    a, b = _mean(coolant, late), _mean(intake, late)
    begin = _mean(intake, time - time[0] < 20.0)
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


def _mean(values: Floats | None, rows: Bools | None) -> float | None:
    if values is None:
        return None
    picked = values if rows is None else values[rows]
    picked = picked[np.isfinite(picked)]
    return float(np.median(picked)) if picked.size >= 5 else None


def _offset(time: Floats, name: str, off: float, unit: str, sure: float, seen: str) -> Suspect:
    return Suspect(channels=(name,), mode="offset", start_s=float(time[0]), end_s=float(time[-1]),
                   confidence=sure, seen=seen, evidence={"offset": (off, unit)})  # fmt: skip
