"""What pressures say with the engine at rest, where manifold and air are one.

Two readings that differ there cannot both be right. Which of them is wrong is told by what air
there can be, by the site if it is given, and by the mixture; where none of them tells, both are
named.
"""

from collections.abc import Mapping

import numpy as np

from pipeline.analysis._levels import mode_of_level
from pipeline.analysis._pressure_scale import offset_by_mixture
from pipeline.analysis._suspects import Bools, Floats, Suspect, middle_of, offset_suspect
from pipeline.physics.atmosphere import standard_pressure_kpa

# Sizes: common practice, no source, unless said.
REST_KPA = 3.0  # manifold against barometer with the engine at rest; open logs show -1 kPa
LOWEST_KPA = 45.0  # air is never below it where cars are driven
#: Roads above 2500 m are few, and nobody's on most days: beside a reading of lower land one of
#: them is the likelier fault.
HIGH_ROAD_KPA, LOWER_LAND_KPA = 75.0, 80.0
#: Weather hardly ever lifts the sea's air above it (the record, in a Siberian frost, is 108.5 kPa;
#: from memory), and every road lies higher: nobody has to know the altitude.
HIGHEST_AIR_KPA = 106.0
#: A high of high pressure days at the sea: no proof alone, but beside a mixture bent the same way.
HIGH_AIR_KPA = 104.0
AGREES = 0.6  # share of an offset that the mixture shows too: tables and dead times blur a third
NOTHING = 0.35  # share of it below which the mixture does not show an offset
SCALE_LOG = 0.05  # smallest scale error, as a logarithm, that stands out of a table's own error
LOWLAND_KPA = 5.0  # from the sea's: where most live, and what is believed without an altitude
FARTHER_KPA = 8.0  # some 700 m: beside a reading of lowland one of such land is the likelier fault
SITE_KPA = 6.0  # weather moves the barometer by 4 kPa at most on ordinary days
#: kPa of a sensor without a signal, which any has whose supply goes with the key: a fault where it
#: came so long before rest is seen, s. s of rest and changes of another channel from which on a
#: vacuum that stays is looked at.
NO_SIGNAL_KPA, TURNED_S, EMPTY_S, ALIVE = 16.0, 4.5, 10.0, 10
REST_OIL_KPA = 45.0
PRESSURES = ("manifold_pressure", "barometric_pressure")

Bins = tuple[Floats, Floats, Floats]


def at_rest(
    time: Floats, values: Mapping[str, Floats], still: Bools, altitude_m: float | None,
    bins: Bins | None = None,
) -> list[Suspect]:  # fmt: skip
    """Offsets that show while the engine stands: pressure, oil pressure.

    still: rows before the first start or well after a stop. altitude_m: of the site if given.
    bins: the mixture by the pressure it is metered by, None with too little of it.
    """
    found = []
    rest = middle_of(values.get("manifold_pressure"), still)
    air = middle_of(values.get("barometric_pressure"), None)
    by_mixture = offset_by_mixture(bins) if bins is not None else 0.0
    if rest is not None and air is not None and min(rest, air) > LOWEST_KPA:
        if abs(rest - air) >= REST_KPA:
            found.append(_between(time, rest, air, altitude_m, bins, by_mixture))
    elif rest is not None and altitude_m is not None and rest > LOWEST_KPA:
        off = rest - float(standard_pressure_kpa(altitude_m))
        if abs(off) >= SITE_KPA:
            found.append(offset_suspect(time, "manifold_pressure", off, "kPa", 0.75,
                         f"with the engine at rest it reads {rest:.1f} kPa; the site's standard "
                         f"pressure is {rest - off:.1f} kPa"))  # fmt: skip
    elif rest is not None and rest > HIGHEST_AIR_KPA:
        off = rest - float(standard_pressure_kpa(0.0))
        found.append(offset_suspect(time, "manifold_pressure", off, "kPa", 0.85,
                     f"with the engine at rest it reads {rest:.1f} kPa; the sea's air has "
                     f"{rest - off:.1f} kPa, any other less"))  # fmt: skip
    elif rest is not None and rest > HIGH_AIR_KPA and by_mixture >= SITE_KPA:
        found.append(
            offset_suspect(
                time,
                "manifold_pressure",
                by_mixture,
                "kPa",
                0.8,
                f"with the engine at rest it reads {rest:.1f} kPa, which weather hardly "
                f"makes, and fuel metered by it is off as by {by_mixture:.0f} kPa",
            )
        )
    elif rest is None and air is not None and air > HIGHEST_AIR_KPA:
        off = air - float(standard_pressure_kpa(0.0))
        found.append(offset_suspect(time, "barometric_pressure", off, "kPa", 0.85,
                     f"it reads {air:.1f} kPa; the sea's air has {air - off:.1f} kPa, any other "
                     "less"))  # fmt: skip
    found += _empty_at_rest(time, values, still)
    oil = middle_of(values.get("oil_pressure"), still & (time - time[0] < 60.0))
    if oil is not None and abs(oil) >= REST_OIL_KPA:
        found.append(offset_suspect(time, "oil_pressure", oil, "kPa", 0.85,
                     f"with the engine at rest it reads {oil:.0f} kPa"))  # fmt: skip
    return found


def _empty_at_rest(time: Floats, values: Mapping[str, Floats], still: Bools) -> list[Suspect]:
    """Find a manifold that stays under vacuum at one value while the engine stands.

    Air fills it within seconds. A logger that goes on without its controller holds all it had last,
    so another channel has to be seen alive.
    """
    p = values.get("manifold_pressure")
    if p is None:
        return []
    rows = np.flatnonzero(still & (p < LOWEST_KPA))
    if rows.size < 20 or time[rows[-1]] - time[rows[0]] < EMPTY_S:
        return []
    level = float(np.median(p[rows]))
    if np.max(np.abs(p[rows] - level)) > REST_KPA:  # a value may have noise of its own
        return []
    alive = (values[n][rows] for n in ("battery_voltage", "throttle_position") if n in values)
    if not any(np.count_nonzero(np.abs(np.diff(x)) > 0.0) >= ALIVE for x in alive):
        return []
    before = np.flatnonzero(np.abs(p[: rows[0]] - level) > REST_KPA)
    start = float(time[before[-1] + 1]) if before.size else float(time[0])
    if level <= NO_SIGNAL_KPA and start > time[rows[0]] - TURNED_S:
        return []
    seconds = float(time[rows[-1]] - time[rows[0]])
    return [Suspect(
        channels=("manifold_pressure",), mode=mode_of_level("manifold_pressure", level),
        start_s=start, end_s=float(time[rows[-1]]), confidence=0.9,
        seen=f"the engine stands for {seconds:.0f} s and it still reads {level:.0f} kPa: air "
        "fills a manifold within seconds",
        evidence={"held_value": (level, "kPa"), "held_for": (seconds, "s")},
    )]  # fmt: skip


def _between(
    time: Floats, rest: float, air: float, altitude_m: float | None, bins: Bins | None,
    by_mixture: float,
) -> Suspect:  # fmt: skip
    """Suspect of two pressures that differ with the engine at rest: one of them, or both."""
    off = rest - air
    manifold = _is_the_manifold(rest, air, altitude_m, by_mixture / off >= AGREES)
    scaled = _scaled(rest, air, bins, by_mixture)
    against = f"with the engine at rest it reads {rest:.1f} kPa where the barometer says {air:.1f}"
    if scaled and manifold is not False:
        error = 100.0 * (rest / air - 1.0)
        return Suspect(
            channels=("manifold_pressure",), mode="scale", start_s=float(time[0]),
            end_s=float(time[-1]), confidence=0.85,
            seen=f"{against} kPa, and fuel metered by it is off by the same {error:+.0f} % at "
            "every pressure",
            evidence={"offset": (off, "kPa"), "error": (error, "%")},
        )  # fmt: skip
    if manifold is None:
        return Suspect(
            channels=PRESSURES, mode="offset", start_s=float(time[0]), end_s=float(time[-1]),
            confidence=0.82,
            seen=f"with the engine at rest the manifold reads {rest:.1f} kPa where the barometer "
            f"says {air:.1f} kPa: one of them is off, and this log does not tell which",
            evidence={"offset": (off, "kPa")},
        )  # fmt: skip
    sure = 0.9 if altitude_m is not None else 0.82
    name = "manifold_pressure" if manifold else "barometric_pressure"
    return offset_suspect(time, name, off if manifold else -off, "kPa", sure, f"{against} kPa")


def _is_the_manifold(rest: float, air: float, altitude_m: float | None, bent: bool) -> bool | None:
    """Whether the manifold's reading is the wrong one; None where that cannot be told.

    bent: whether fuel metered by it is off with it: by a wrong barometer it hardly is.
    """
    if altitude_m is not None:
        site = float(standard_pressure_kpa(altitude_m))
        if abs(abs(rest - site) - abs(air - site)) > 2.0:
            return abs(rest - site) > abs(air - site)
    if bent:
        return True
    likely = [LOWER_LAND_KPA < p <= HIGHEST_AIR_KPA for p in (rest, air)]
    odd = [p < HIGH_ROAD_KPA or p > HIGHEST_AIR_KPA for p in (rest, air)]
    if likely[0] and odd[1]:
        return False
    if odd[0] and likely[1]:
        return True
    sea = float(standard_pressure_kpa(0.0))
    near, far = sorted((abs(rest - sea), abs(air - sea)))
    if near < LOWLAND_KPA and far > near + FARTHER_KPA:
        return abs(rest - sea) > abs(air - sea)
    return None


def _scaled(rest: float, air: float, bins: Bins | None, by_mixture: float) -> bool:
    """Whether the mixture is off by the factor that the manifold is, at all pressures alike."""
    factor = float(np.log(rest / air))
    if bins is None or abs(factor) < SCALE_LOG or abs(by_mixture) > NOTHING * abs(rest - air):
        return False
    _, seen, weight = bins
    return abs(float((seen * weight).sum() / weight.sum()) + factor) < 0.4 * abs(factor)
