"""The barometer of the drive: logged, read from the manifold of a resting engine, or the site's."""

from dataclasses import dataclass

import numpy as np

from pipeline.meta import FactMeta
from pipeline.physics import atmosphere as standard
from pipeline.session import View
from pipeline.signals import segments
from pipeline.signals.segments import Floats

META = FactMeta(
    summary="barometric pressure in kPa, where it comes from and how sure it is",
    version=1,
    uses=("barometric_pressure", "manifold_pressure", "engine_speed", "ambient_air_temperature"),
)

#: s after the engine stopped before its manifold counts as filled.
FILLED_S = 2.0
#: kPa within which a manifold sensor reads the barometer at rest (its own tolerance, 95 %).
REST_ERROR_KPA = 3.0
#: kPa of a logged barometer (sensor tolerance, 95 %).
LOGGED_ERROR_KPA = 2.0


@dataclass(frozen=True, eq=False)
class Atmosphere:
    """Barometer of a session.

    barometer_kpa: (n,), never NaN. source: "log", "manifold_at_rest" or "site". error_kpa: 95 %
    either way. site_kpa: the site's standard pressure.
    """

    barometer_kpa: Floats
    source: str
    error_kpa: float
    site_kpa: float

    @property
    def median_kpa(self) -> float:
        """Median over the session, kPa."""
        return float(np.median(self.barometer_kpa)) if self.barometer_kpa.size else self.site_kpa


def compute(view: View) -> Atmosphere:
    """Choose the barometer: log, else manifold at rest, else the site's standard pressure."""
    size = view.time.size
    site = float(standard.standard_pressure_kpa(view.vehicle.site.altitude_m))
    site_known = view.vehicle.is_given("site.altitude_m")
    logged = view.get("barometric_pressure")
    if logged is not None and np.isfinite(logged).any():
        level = float(np.nanmedian(logged))
        if _plausible(level, site if site_known else None):
            held = segments.hold(view.time, logged, seconds=np.inf)
            good = (held >= standard.BAROMETER_LOW_KPA) & (held <= standard.BAROMETER_HIGH_KPA)
            held = np.where(good, held, level)
            return Atmosphere(held, "log", LOGGED_ERROR_KPA, site)
    rest = _at_rest(view)
    if rest is not None and _plausible(rest, site if site_known else None):
        return Atmosphere(np.full(size, rest), "manifold_at_rest", REST_ERROR_KPA, site)
    # A default altitude may be off by a thousand metres; one that was given leaves the weather.
    error = standard.WEATHER_KPA if site_known else 12.0
    return Atmosphere(np.full(size, site), "site", error, site)


def _plausible(level: float, site: float | None) -> bool:
    """Whether a barometer of this level (kPa) can be: on any road, or near the site's."""
    if not standard.BAROMETER_LOW_KPA <= level <= standard.BAROMETER_HIGH_KPA:
        return False
    # 12 kPa: a thousand metres up or down from home, and the weather.
    return site is None or abs(level - site) <= 12.0 + standard.WEATHER_KPA


def _at_rest(view: View) -> float | None:
    """Manifold pressure of the resting engine, None where it was not logged at rest."""
    pressure, rpm = view.get("manifold_pressure"), view.get("engine_speed")
    if pressure is None or rpm is None:
        return None
    rpm = segments.hold(view.time, rpm, seconds=2.0)
    turning = rpm > 0.0
    last = segments.last_true(turning)
    since = np.where(last >= 0, view.time - view.time[np.maximum(last, 0)], np.inf)
    still = (rpm == 0.0) & (since >= FILLED_S) & np.isfinite(pressure)
    if np.count_nonzero(still) < 3:
        return None
    return float(np.median(pressure[still]))
