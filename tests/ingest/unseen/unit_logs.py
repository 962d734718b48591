"""Unseen logs whose names, units and values are awkward."""

import numpy as np

from tests.ingest.unseen.drive import Array, Log, Session, column, drive, lines, one, text
from tests.ingest.unseen.text_logs import BASIC, basic

PSI, INHG, KGF = 6.894757293168, 3.386389, 98.0665


def _simple(
    name: str,
    d: dict[str, Array],
    shown: dict[str, Array],
    names: dict[str, tuple[str, str]],
    digits: int = 4,
    **more: object,
) -> Log:
    """``shown``: the columns as logged; ``names``: header cell to (key in shown, channel)."""
    cells = [column(d["time"], 2), *(column(shown[k], digits) for k, _ in names.values())]
    body = lines(["Time (s)", *names], cells)
    channels = [c for _, c in names.values() if c]
    return Log(
        name,
        text(body).encode(),
        [one(d, channels)],
        {h: c for h, (_, c) in names.items()},
        **more,  # type: ignore[arg-type]
    )


def _fahrenheit(x: Array) -> Array:
    return x * 1.8 + 32


def vacuum_and_fahrenheit() -> Log:
    d = drive(seed=61)
    d["manifold_pressure"] = np.minimum(d["manifold_pressure"], 97.0)  # no boost: vacuum only
    shown = {
        "rpm": d["engine_speed"],
        "vac": (98.6 - d["manifold_pressure"]) / INHG,
        "baro": d["barometric_pressure"] / INHG,
        "ect": _fahrenheit(d["coolant_temperature"]),
        "iat": _fahrenheit(d["intake_air_temperature"]),
        "vss": d["vehicle_speed"] / 1.609344,
        "maf": d["mass_air_flow"] / 7.559872833,
        "afr": d["lambda"] * 14.7,
        "tgt": d["lambda_target"] * 14.7,
    }
    names = {
        "Engine Speed (rpm)": ("rpm", "engine_speed"),
        "Manifold Vacuum (inHg)": ("vac", "manifold_pressure"),
        "Baro (inHg)": ("baro", "barometric_pressure"),
        "Coolant Temp (°F)": ("ect", "coolant_temperature"),
        "Intake Air Temp (degF)": ("iat", "intake_air_temperature"),
        "Vehicle Speed (mph)": ("vss", "vehicle_speed"),
        "Mass Air Flow (lb/min)": ("maf", "mass_air_flow"),
        "A/F Ratio": ("afr", "lambda"),
        "A/F Target": ("tgt", "lambda_target"),
    }
    return _simple("imperial.csv", d, shown, names)


def gauge_boost() -> Log:
    d = drive(seed=62)
    shown = {
        "rpm": d["engine_speed"],
        "boost": (d["manifold_pressure"] - 98.6) / PSI,
        "baro": d["barometric_pressure"],
        "fp": d["fuel_pressure"] / PSI,
        "op": d["oil_pressure"] / PSI,
        "tps": d["throttle_position"],
    }
    names = {
        "RPM": ("rpm", "engine_speed"),
        "Boost (psi)": ("boost", "manifold_pressure"),
        "Barometer (kPa)": ("baro", "barometric_pressure"),
        "Fuel Pressure (psi)": ("fp", "fuel_pressure"),
        "Oil Pressure (psig)": ("op", "oil_pressure"),
        "Throttle (%)": ("tps", "throttle_position"),
    }
    return _simple("gauge.csv", d, shown, names)


def equivalence() -> Log:
    d = drive(seed=63)
    shown = {
        "rpm": d["engine_speed"],
        "map": d["manifold_pressure"],
        "phi": 1 / d["lambda"],
        "tgt": d["lambda_target"],
        "tps": d["throttle_position"],
    }
    names = {
        "RPM": ("rpm", "engine_speed"),
        "MAP (kPa)": ("map", "manifold_pressure"),
        "Fuel-Air Equivalence Ratio": ("phi", "lambda"),
        "Lambda Commanded": ("tgt", "lambda_target"),
        "TP (%)": ("tps", "throttle_position"),
    }
    return _simple("phi.csv", d, shown, names)


def other_instrument() -> Log:
    """The wideband shows 14.6 at lambda 1, its target too; the fuel is another matter."""
    d = drive(seed=64)
    rng = np.random.default_rng(640)
    rich = d["lambda_target"] < 1
    d["lambda"] = np.where(rich, d["lambda"], 1 + 0.012 * rng.normal(0, 1, 200))
    shown = {
        "rpm": d["engine_speed"],
        "map": d["manifold_pressure"],
        "afr": d["lambda"] * 14.6,
        "lt": d["lambda_target"],
        "tps": d["throttle_position"],
    }
    names = {
        "RPM": ("rpm", "engine_speed"),
        "MAP (kPa)": ("map", "manifold_pressure"),
        "AFR": ("afr", "lambda"),
        "Lambda Target": ("lt", "lambda_target"),
        "TP (%)": ("tps", "throttle_position"),
    }
    return _simple(
        "instrument.csv", d, shown, names, vehicle="[lambda_sensor]\ndisplay_ratio = 14.6\n"
    )


def after_top_dead_centre() -> Log:
    d = drive(seed=65)
    shown = {
        "rpm": d["engine_speed"],
        "map": d["manifold_pressure"],
        "ign": -d["spark_advance"],
        "kr": d["knock_retard"],
        "tps": d["throttle_position"],
    }
    names = {
        "RPM": ("rpm", "engine_speed"),
        "MAP (kPa)": ("map", "manifold_pressure"),
        "Ignition Timing (deg ATDC)": ("ign", "spark_advance"),
        "Knock Retard (deg)": ("kr", "knock_retard"),
        "TP (%)": ("tps", "throttle_position"),
    }
    return _simple("atdc.csv", d, shown, names)


def retard_below_zero() -> Log:
    d = drive(seed=66)
    shown = {
        "rpm": d["engine_speed"],
        "map": d["manifold_pressure"],
        "ign": d["spark_advance"],
        "kr": -d["knock_retard"],
        "tps": d["throttle_position"],
    }
    names = {
        "RPM": ("rpm", "engine_speed"),
        "MAP (kPa)": ("map", "manifold_pressure"),
        "Ignition Advance (°BTDC)": ("ign", "spark_advance"),
        "Knock Correction (°)": ("kr", "knock_retard"),
        "TP (%)": ("tps", "throttle_position"),
    }
    return _simple("pulled.csv", d, shown, names, either=frozenset({"knock_retard"}))


def centred_trims() -> Log:
    d = drive(seed=67)
    shown = {
        "rpm": d["engine_speed"],
        "map": d["manifold_pressure"],
        "st": d["fuel_trim_short"] + 100,
        "lt": d["fuel_trim_long"] / 100 + 1,
        "tps": d["throttle_position"] / 100,
    }
    names = {
        "RPM": ("rpm", "engine_speed"),
        "MAP (kPa)": ("map", "manifold_pressure"),
        "Short Term Fuel Trim (%)": ("st", "fuel_trim_short"),
        "Long Term Fuel Trim": ("lt", "fuel_trim_long"),
        "Throttle Position": ("tps", "throttle_position"),
    }
    return _simple("centred.csv", d, shown, names, digits=5)


def si_and_seaways() -> Log:
    d = drive(seed=68)
    shown = {
        "rpm": d["engine_speed"] / 60,
        "map": d["manifold_pressure"] / 100,
        "clt": d["coolant_temperature"] + 273.15,
        "iat": d["intake_air_temperature"] + 273.15,
        "oil": d["oil_pressure"] / KGF,
        "gps": d["vehicle_speed"] / 1.852,
        "tps": d["throttle_position"] / 100,
        "pw": d["injector_pulse_width"] * 1000,
        "maf": d["mass_air_flow"] * 3.6,
        "lat": d["latitude"],
        "lon": d["longitude"],
    }
    names = {
        "Engine speed [Hz]": ("rpm", "engine_speed"),
        "Manifold absolute pressure [bar]": ("map", "manifold_pressure"),
        "Coolant temperature [K]": ("clt", "coolant_temperature"),
        "Intake air temperature [K]": ("iat", "intake_air_temperature"),
        "Oil pressure [kgf/cm²]": ("oil", "oil_pressure"),
        "Ground speed [kn]": ("gps", "vehicle_speed"),
        "Throttle position [0-1]": ("tps", "throttle_position"),
        "Injector pulse width [µs]": ("pw", "injector_pulse_width"),
        "Air mass flow [kg/h]": ("maf", "mass_air_flow"),
        "Latitude [deg]": ("lat", "latitude"),
        "Longitude [deg]": ("lon", "longitude"),
    }
    return _simple("si.csv", d, shown, names, digits=7)


def dashes_and_camels() -> Log:
    d = drive(seed=69)
    shown = {
        "rpm": d["engine_speed"],
        "map": d["manifold_pressure"] / PSI,
        "clt": _fahrenheit(d["coolant_temperature"]),
        "pw": d["injector_pulse_width"],
        "duty": d["injector_duty"],
        "egt": _fahrenheit(d["exhaust_gas_temperature"]),
        "bat": d["battery_voltage"] * 1000,
        "o2": d["narrowband_voltage"] * 1000,
        "l1": d["lambda"],
        "l2": d["lambda_2"],
        "lt": d["lambda_target"],
    }
    names = {
        "engineSpeed - rpm": ("rpm", "engine_speed"),
        "manifoldAbsolutePressure - psia": ("map", "manifold_pressure"),
        "engineCoolantTemperature - degF": ("clt", "coolant_temperature"),
        "injectorPulseWidth - ms": ("pw", "injector_pulse_width"),
        "injectorDutyCycle - %": ("duty", "injector_duty"),
        "exhaustGasTemperature - degF": ("egt", "exhaust_gas_temperature"),
        "batteryVoltage - mV": ("bat", "battery_voltage"),
        "narrowbandO2Voltage - mV": ("o2", "narrowband_voltage"),
        "lambdaBank1": ("l1", "lambda"),
        "lambdaBank2": ("l2", "lambda_2"),
        "lambdaDesired": ("lt", "lambda_target"),
    }
    return _simple("camel.csv", d, shown, names)


def contradicted_unit() -> Log:
    """Said to be kPa, but 0.3 to 1.7 can only be bar."""
    d = drive(seed=70)
    shown = {
        "rpm": d["engine_speed"],
        "map": d["manifold_pressure"] / 100,
        "tps": d["throttle_position"],
        "lam": d["lambda"],
    }
    names = {
        "RPM": ("rpm", "engine_speed"),
        "MAP (kPa)": ("map", "manifold_pressure"),
        "TP (%)": ("tps", "throttle_position"),
        "Lambda": ("lam", "lambda"),
    }
    return _simple("says kPa.csv", d, shown, names, either=frozenset({"manifold_pressure"}))


def missing_marks() -> Log:
    d = drive(seed=71)
    marks = ["", "NaN", "N/A", "-", "---", "null", "1.#QNAN", "n.a.", "#N/A", "None"]
    names = ["RPM", "MAP (kPa)", "TP (%)", "ECT (°C)", "Lambda"]
    cells, truth = basic(d), {c: d[c].copy() for c in BASIC}
    for k, mark in enumerate(marks):
        for n, name in enumerate(BASIC):
            row = 20 + 17 * k + n
            cells[n][row] = mark
            truth[name][row] = np.nan
    return Log(
        "holes.csv",
        text(lines(["Time (s)", *names], [column(d["time"], 2), *cells], ";")).encode(),
        [Session(d["time"], truth)],
        dict(zip(names, BASIC, strict=True)),
    )


def sentinels() -> Log:
    d = drive(seed=72)
    names = ["RPM", "MAP (kPa)", "TP (%)", "ECT (°C)", "Lambda"]
    cells, truth = basic(d), {c: d[c].copy() for c in BASIC}
    odd = ["65535", "6553.5", "-999.0", "-273.1", "327.67"]
    for n, name in enumerate(BASIC):
        for row in (44 + n, 111 + n):
            cells[n][row] = odd[n]
            truth[name][row] = np.nan
    cells.append(["0"] * 200)  # a sensor that was never fitted
    return Log(
        "sentinels.csv",
        text(lines(["Time (s)", *names, "Oil Temp (°C)"], [column(d["time"], 2), *cells])).encode(),
        [Session(d["time"], truth)],
        dict(zip(names, BASIC, strict=True)),
    )


def measured_and_wanted() -> Log:
    d = drive(seed=73)
    want = d["manifold_pressure"] + 4 * np.sin(np.arange(200) / 9)
    d["manifold_pressure_target"] = want
    d["throttle_target"] = d["throttle_position"] + 1.5
    d["idle_speed_target"] = np.full(200, 900.0)
    shown = {k: v for k, v in d.items() if k != "time"}
    shown["manifold_pressure"] = d["manifold_pressure"] * 10
    shown["manifold_pressure_target"] = want * 10
    names = {
        "Motordrehzahl [1/min]": ("engine_speed", "engine_speed"),
        "Leerlaufdrehzahl Soll [1/min]": ("idle_speed_target", "idle_speed_target"),
        "Ladedruck Ist [hPa]": ("manifold_pressure", "manifold_pressure"),
        "Ladedruck Soll [hPa]": ("manifold_pressure_target", "manifold_pressure_target"),
        "Luftdruck [kPa]": ("barometric_pressure", "barometric_pressure"),
        "Drosselklappe Ist [%]": ("throttle_position", "throttle_position"),
        "Drosselklappe Soll [%]": ("throttle_target", "throttle_target"),
        "Lambda Soll": ("lambda_target", "lambda_target"),
        "Lambda Ist": ("lambda", "lambda"),
    }
    return _simple("Soll und Ist.csv", d, shown, names)


def unit_logs() -> list[Log]:
    """All of them."""
    made = [
        vacuum_and_fahrenheit, gauge_boost, equivalence, other_instrument, after_top_dead_centre,
        retard_below_zero, centred_trims, si_and_seaways, dashes_and_camels, contradicted_unit,
        missing_marks, sentinels, measured_and_wanted,
    ]  # fmt: skip
    return [make() for make in made]
