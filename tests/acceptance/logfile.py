"""The second car's logger: a CSV in ordinary words, English or German, with steps and jitter."""

from pathlib import Path

import numpy as np

from tests.acceptance.drive import DT, Array, Car

ENGLISH = {
    "engine_speed": ("Engine Speed (rpm)", 1.0),
    "manifold_pressure": ("Manifold Pressure (kPa)", 0.1),
    "throttle_position": ("Throttle (%)", 0.1),
    "coolant_temperature": ("Coolant Temp (C)", 0.1),
    "intake_air_temperature": ("Intake Air Temp (C)", 0.1),
    "lambda": ("Lambda", 0.001),
    "lambda_target": ("Lambda Target", 0.001),
    "spark_advance": ("Ignition Advance (deg)", 0.1),
    "injector_pulse_width": ("Injector Pulse Width (ms)", 0.01),
    "fuel_trim_short": ("Short Term Fuel Trim (%)", 0.1),
    "battery_voltage": ("Battery Voltage (V)", 0.05),
    "vehicle_speed": ("Vehicle Speed (km/h)", 0.1),
    "barometric_pressure": ("Barometer (kPa)", 0.1),
    "oil_pressure": ("Oil Pressure (kPa)", 1.0),
}
GERMAN = {
    "engine_speed": ("Drehzahl [1/min]", 1.0),
    "manifold_pressure": ("Saugrohrdruck [kPa]", 0.1),
    "throttle_position": ("Drosselklappe [%]", 0.1),
    "coolant_temperature": ("Kühlmitteltemperatur [°C]", 1.0),
    "intake_air_temperature": ("Ansauglufttemperatur [°C]", 1.0),
    "lambda": ("Lambda", 0.001),
    "lambda_target": ("Lambda Soll", 0.001),
    "spark_advance": ("Zündwinkel [°]", 0.5),
    "injector_pulse_width": ("Einspritzzeit [ms]", 0.01),
    "battery_voltage": ("Batteriespannung [V]", 0.1),
    "vehicle_speed": ("Geschwindigkeit [km/h]", 1.0),
    "barometric_pressure": ("Luftdruck [kPa]", 0.1),
}


def write(path: Path, log: dict[str, Array], *, rate_hz: float, german: bool, seed: int) -> int:
    """Write one log and return its rows."""
    rng = np.random.default_rng(seed)
    rows = len(log["engine_speed"])
    stamps = np.arange(0.0, (rows - 1) * DT, 1.0 / rate_hz)
    stamps = np.maximum(stamps + rng.uniform(-0.03, 0.03, stamps.size) / rate_hz, 0.0)
    at = np.minimum((stamps / DT).astype(int), rows - 1)
    names = GERMAN if german else ENGLISH
    separator = ";" if german else ","
    cells = [np.char.mod("%.3f", stamps)]
    for name, (_, step) in names.items():
        places = max(0, int(np.ceil(-np.log10(step) - 1e-9)))
        cells.append(np.char.mod(f"%.{places}f", np.round(log[name][at] / step) * step))
    lines = cells[0]
    for column in cells[1:]:
        lines = np.char.add(np.char.add(lines, separator), column)
    text = "\n".join(lines)
    head = ["Zeit [s]" if german else "Time (s)"] + [title for title, _ in names.values()]
    body = text.replace(".", ",") if german else text
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(separator.join(head) + "\n" + body + "\n", encoding="utf-8")
    return len(lines)


def write_vehicle(path: Path, car: Car) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    boosted = "true" if car.boost else "false"
    path.write_text(
        f"[vehicle]\nmass_kg = {car.mass}\ndrag_area_m2 = {car.drag_area}\n"
        f"rolling_resistance = {car.rolling}\n[engine]\ndisplacement_l = {car.litres}\n"
        f"cylinders = {car.cylinders}\nforced_induction = {boosted}\nidle_rpm = {car.idle}\n"
        f"thermostat_c = {car.thermostat}\n[injector]\nflow_cc_min = {car.injector}\n",
        encoding="utf-8",
    )
