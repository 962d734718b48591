"""The gas between valve and sensor: volume flow and plug-flow transport."""

import numpy as np

from pipeline.signals.segments import Floats

#: Revolutions from firing to the middle of the exhaust stroke (540 deg less half the stroke).
REVOLUTIONS = 0.75
#: J/(kg K), exhaust of petrol near lambda 1 (Heywood chapter 4, about that of air).
GAS_CONSTANT = 287.0
#: The gas in the pipe and the pipe's wall keep the temperature of the last seconds: what a closing
#: throttle leaves behind is hot, and is swept sooner than cold gas would be. Choice.
HEAT_S = 5.0
#: Delays beyond this are no delays, s.
LONGEST_S = 2.0


def exhaust_flow(
    flow_g_s: Floats, barometer_kpa: float, lately_g_s: Floats | None = None
) -> Floats:
    """Exhaust volume flow (n,), l/s: gas law at a temperature that rises with flow.

    530 K at idle to 1000 K at full load is common practice, no source; fuel adds 1/15 of the air.
    lately_g_s: the flow that made the pipe as hot as it is, see HEAT_S; ``flow_g_s`` when steady.
    """
    lately_g_s = flow_g_s if lately_g_s is None else lately_g_s
    kelvin = 530.0 + 470.0 * (1.0 - np.exp(-lately_g_s / 30.0))
    litres: Floats = flow_g_s * (1.0 + 1.0 / 14.7) * GAS_CONSTANT * kelvin / barometer_kpa / 1000.0
    return litres


def transport(rpm: Floats, flow_l_s: Floats, volume_l: float, dead_s: float) -> Floats:
    """Transport delay (n,) s, from combustion, without the sensor's lag."""
    turning = np.maximum(rpm, 300.0)
    delay = REVOLUTIONS * 60.0 / turning + volume_l / np.maximum(flow_l_s, 0.05) + dead_s
    limited: Floats = np.clip(delay, 0.0, LONGEST_S)
    return limited
