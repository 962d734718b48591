"""Unseen logs whose text is awkward: languages, encodings, quotes."""

from tests.ingest.unseen.drive import Array, Log, column, drive, lines, of_day, one, text

BASIC = ("engine_speed", "manifold_pressure", "throttle_position", "coolant_temperature", "lambda")


def basic(d: dict[str, Array], **kw: str) -> list[list[str]]:
    """The five channels of ``BASIC`` as text."""
    digits = (0, 1, 1, 1, 3)
    return [column(d[name], n, **kw) for name, n in zip(BASIC, digits, strict=True)]


def german() -> Log:
    d = drive(seed=11)
    names = {
        "Drehzahl [1/min]": "engine_speed",
        "Saugrohrdruck [mbar]": "manifold_pressure",
        "Kühlmitteltemperatur [°C]": "coolant_temperature",
        "Ansauglufttemperatur [°C]": "intake_air_temperature",
        "Drosselklappenstellung [%]": "throttle_position",
        "Lambda Ist [-]": "lambda",
        "Lambda Soll [-]": "lambda_target",
        "Zündwinkel [°KW v. OT]": "spark_advance",
        "Batteriespannung [V]": "battery_voltage",
        "Fahrgeschwindigkeit [km/h]": "vehicle_speed",
        "Öldruck [bar]": "oil_pressure",
    }
    scale = {"manifold_pressure": 10.0, "oil_pressure": 0.01}
    digits = {"lambda": 3, "lambda_target": 3, "engine_speed": 0, "oil_pressure": 3}
    cells = [
        column(d[c] * scale.get(c, 1.0), digits.get(c, 2), ",", "." if c == "engine_speed" else "")
        for c in names.values()
    ]
    head = ["Messung: Kaltstart, danach Landstraße", "Datum: 12.03.2026;Bediener: ohne", ""]
    body = lines(["Zeit [s]", *names], [column(d["time"], 3, ","), *cells], ";")
    return Log(
        "Kaltstart nach Umbau.csv",
        text(head + body, "\r\n").encode("cp1252"),
        [one(d, names.values())],
        dict(names),
        dialect={"separator": ";", "decimal": ","},
    )


def french() -> Log:
    d = drive(seed=12)
    names = {
        "Régime moteur (tr/min)": "engine_speed",
        "Pression d'admission (mbar)": "manifold_pressure",
        "Température d'eau (°C)": "coolant_temperature",
        "Température d'air admission (°C)": "intake_air_temperature",
        "Position papillon (%)": "throttle_position",
        "Richesse": "lambda",
        "Avance à l'allumage (°)": "spark_advance",
        "Tension batterie (V)": "battery_voltage",
        "Vitesse véhicule (km/h)": "vehicle_speed",
        "Temps d'injection (ms)": "injector_pulse_width",
    }
    log = dict(d)
    log["manifold_pressure"] = d["manifold_pressure"] * 10
    log["lambda"] = 1 / d["lambda"]  # "richesse" is fuel over air
    digits = {"lambda": 4, "injector_pulse_width": 3}
    cells = [column(log[c], digits.get(c, 2), ",") for c in names.values()]
    body = lines(["Temps (s)", *names], [column(d["time"], 2, ","), *cells], "\t")
    return Log(
        "essai n°3 – côte.tsv",
        text(body).encode("utf-8-sig"),
        [one(d, names.values())],
        dict(names),
        dialect={"decimal": ","},
    )


def spanish() -> Log:
    d = drive(seed=13)
    names = {
        "Régimen del motor (rpm)": "engine_speed",
        "Presión del colector de admisión (kPa)": "manifold_pressure",
        "Temperatura del refrigerante (°C)": "coolant_temperature",
        "Temperatura del aire de admisión (°C)": "intake_air_temperature",
        "Posición de la mariposa (%)": "throttle_position",
        "Avance de encendido (°)": "spark_advance",
        "Tensión de batería (V)": "battery_voltage",
        "Velocidad del vehículo (km/h)": "vehicle_speed",
        "Presión de aceite (bar)": "oil_pressure",
    }
    cells = [column(d[c] * (0.01 if c == "oil_pressure" else 1), 3) for c in names.values()]
    body = lines(["Tiempo (ms)", *names], [column(d["time"] * 1000, 0), *cells], ";")
    return Log(
        "prueba-autovía.csv",
        text(body, "\r\n").encode("latin-1"),
        [one(d, names.values())],
        dict(names),
        dialect={"separator": ";", "decimal": "."},
    )


def utf16_without_mark() -> Log:
    d = drive(seed=14)
    cells = [[f"2026-03-12T17:04:{of_day(t)[6:]}Z" for t in d["time"] + 3], *basic(d)]
    names = ["RPM", "MAP_kPa", "TPS_%", "CLT_°C", "Lambda"]
    return Log(
        "w16.txt",
        text(lines(["Timestamp", *names], cells, "\t")).encode("utf-16-le"),
        [one(d, BASIC)],
        dict(zip(names, BASIC, strict=True)),
        start="2026-03-12T17:04:03",
    )


def utf16_units_below() -> Log:
    d = drive(seed=15)
    names = ["n_Engine", "p_Manifold", "Throttle", "T_Coolant", "Lambda"]
    head = [
        "Time;" + ";".join(names),
        "since start;crank;plenum;plate angle;head outlet;collector",
        "s;rpm;bar;%;K;1",
    ]
    cells = [
        column(d["time"], 2),
        column(d["engine_speed"], 0),
        column(d["manifold_pressure"] / 100, 4),
        column(d["throttle_position"], 1),
        column(d["coolant_temperature"] + 273.15, 2),
        column(d["lambda"], 3),
    ]
    return Log(
        "bench run 2.dat",
        b"\xfe\xff" + text(head + lines([], cells, ";"), "\r\n").encode("utf-16-be"),
        [one(d, BASIC)],
        dict(zip(names, BASIC, strict=True)),
    )


def encoded_twice() -> Log:
    d = drive(seed=16)
    names = {
        "Motordrehzahl (U/min)": "engine_speed",
        "Kühlwassertemperatur (°C)": "coolant_temperature",
        "Öltemperatur (°C)": "oil_temperature",
        "Ladedruck absolut (kPa)": "manifold_pressure",
    }
    cells = [column(d[c], 1) for c in names.values()]
    body = text(lines(["Zeit (s)", *names], [column(d["time"], 2), *cells]))
    return Log(
        "zweimal.csv",
        body.encode().decode("cp1252").encode(),
        [one(d, names.values())],
        dict(names),
    )


def carriage_returns() -> Log:
    d = drive(seed=17)
    names = ["Engine Speed, filtered (rpm)", "MAP (kPa)", "TP (%)", "ECT (°C)", "Lambda"]
    head = [f"'{name}'" for name in ["Time (s)", *names]]
    cells = [[f"'{c}'" for c in col] for col in [column(d["time"], 2), *basic(d)]]
    return Log(
        "old machine.log",
        text(lines(head, cells), "\r").encode(),
        [one(d, BASIC)],
        dict(zip(names, BASIC, strict=True)),
    )


def quoted_and_escaped() -> Log:
    d = drive(seed=18)
    notes = ["" for _ in d["time"]]
    notes[60] = 'said \\"go\\", then third gear'
    notes[61] = "path C:\\\\logs, drive 2"
    names = ["rpm", "map kpa", "tps %", "coolant temp c", "lambda"]
    cells = [column(d["time"], 2), *basic(d), notes]
    quoted = [[f'"{c}"' for c in col] for col in cells]
    head = [f'"{h}"' for h in ["time", *names, "remarks"]]
    seen = ["" for _ in d["time"]]
    seen[60] = 'said "go", then third gear'
    seen[61] = "path C:\\logs, drive 2"
    session = one(d, BASIC)
    session.texts["other.remarks"] = seen
    return Log(
        "quoted.csv",
        text(lines(head, quoted)).encode(),
        [session],
        {**dict(zip(names, BASIC, strict=True)), "remarks": None},
    )


def text_logs() -> list[Log]:
    """All of them."""
    made = [
        german, french, spanish, utf16_without_mark, utf16_units_below, encoded_twice,
        carriage_returns, quoted_and_escaped,
    ]  # fmt: skip
    return [make() for make in made]
