"""Unseen logs whose layout is awkward: preambles, repeated headers, damage, wide and long forms."""

import gzip
from collections.abc import Iterator

import numpy as np

from tests.ingest.unseen.drive import Log, Session, column, drive, lines, number, one, text
from tests.ingest.unseen.text_logs import BASIC, basic


def preamble_like_data() -> Log:
    d = drive(seed=19)
    names = ["Engine RPM", "MAP (kPa)", "TPS (%)", "Coolant (C)", "Lambda"]
    head = [
        "recording,17",
        "table axis rpm,800,1600,2400,3200,4000",
        "30,41.5,44.0,47.2,50.1,52.8",
        "60,55.1,58.3,60.0,61.9,63.0",
        "100,70.2,73.3,75.0,76.1,77.5",
        "",
        "columns,6",
    ]
    body = lines(["Time (s)", *names], [column(d["time"], 2), *basic(d)])
    return Log(
        "with table.csv",
        text(head + body).encode(),
        [one(d, BASIC)],
        dict(zip(names, BASIC, strict=True)),
        dialect={"header_line": 8},
    )


def header_again_other_order() -> Log:
    d, e = drive(120, seed=20), drive(90, seed=21)
    names = ["RPM", "MAP [kPa]", "TPS [%]", "ECT [°C]", "Lambda"]
    first = lines(["Time [s]", *names], [column(d["time"], 2), *basic(d)], ";")
    order = [3, 0, 4, 2, 1]
    cells = basic(e)
    head = [names[i] for i in order] + ["IAT [°C]"]
    moved = [cells[i] for i in order] + [column(e["intake_air_temperature"], 1)]
    second = lines(["Time [s]", *head], [column(e["time"], 2), *moved], ";")
    return Log(
        "restart.csv",
        text(first + second, "\r\n").encode(),
        [one(d, BASIC), one(e, [*BASIC, "intake_air_temperature"])],
        dict(zip(names, BASIC, strict=True)) | {"IAT [°C]": "intake_air_temperature"},
    )


def markers() -> Log:
    d = drive(seed=22)
    names = ["RPM", "MAP (kPa)", "TP (%)", "ECT (°C)", "Lambda"]
    body = lines(["Time (s)", *names], [column(d["time"], 2), *basic(d)])
    body[101:101] = ["# second gear from here"]
    body[152:152] = ["MARK 002"]
    body[171:171] = ["", "// smells of fuel, window open"]
    return Log(
        "marks.csv",
        text(body).encode(),
        [one(d, BASIC)],
        dict(zip(names, BASIC, strict=True)),
        markers=[(10.0, "second gear from here"), (15.0, "MARK 002"), (16.8, "smells of fuel")],
    )


def power_loss() -> Log:
    d = drive(seed=23)
    names = ["RPM", "MAP (kPa)", "TP (%)", "ECT (°C)", "Lambda"]
    body = text(lines(["Time (s)", *names], [column(d["time"], 2), *basic(d)])).splitlines(True)
    # after row 90 a block of NULs between two whole rows; row 140 is lost in another one
    raw = [row.encode() for row in body]
    raw[91] = b"\0" * 700 + b"\n" + raw[91]
    raw[141] = raw[141][:9] + b"\0" * 512 + b"\n"
    keep = np.arange(200) != 140
    return Log(
        "brownout.csv",
        b"".join(raw),
        [Session(d["time"][keep], {c: d[c][keep] for c in BASIC})],
        dict(zip(names, BASIC, strict=True)),
        dropped={"nul_bytes": 1},
    )


def trailing_without_header() -> Log:
    d = drive(seed=24)
    names = ["RPM", "MAP (kPa)", "TP (%)", "ECT (°C)", "Lambda"]
    body = lines(["Time (s)", *names], [column(d["time"], 2), *basic(d)])
    return Log(
        "tail.csv",
        text([body[0], *(row + ",," for row in body[1:])]).encode(),
        [one(d, BASIC)],
        dict(zip(names, BASIC, strict=True)),
    )


def pipes_and_padding() -> Log:
    d = drive(seed=25)
    names = {
        "RPM": "engine_speed",
        "ECT °C": "coolant_temperature",
        "IAT °C": "intake_air_temperature",
        "MAP kPa": "manifold_pressure",
        "TP %": "throttle_position",
        "SPARKADV": "spark_advance",
        "SHRTFT1": "fuel_trim_short",
        "LONGFT1": "fuel_trim_long",
        "VSS km/h": "vehicle_speed",
        "MAF g/s": "mass_air_flow",
    }
    cells = [[f"{x:>8}" for x in column(d[c], 2)] for c in names.values()]
    head = [f"{h:<8}" for h in ["TIME s", *names]]
    body = lines(head, [[f"{x:>8}" for x in column(d["time"], 2)], *cells], " | ")
    return Log(
        "scan tool.txt",
        text("| " + row + " |" for row in body).encode(),
        [one(d, names.values())],
        dict(names),
    )


def blanks() -> Log:
    d = drive(seed=26)
    names = ["rpm", "map_kpa", "tps_pct", "clt_c", "lambda"]
    cells = [[f"{x:>9}" for x in col] for col in [column(d["time"], 2), *basic(d)]]
    head = [f"{h:>9}" for h in ["time_s", *names]]
    return Log(
        "columns.dat",
        text(lines(head, cells, "")).encode(),
        [one(d, BASIC)],
        dict(zip(names, BASIC, strict=True)),
    )


def ragged() -> Log:
    d = drive(seed=27)
    names = ["RPM", "MAP (kPa)", "TP (%)", "ECT (°C)", "Lambda"]
    body = lines(["Time (s)", *names], [column(d["time"], 2), *basic(d)])
    keep = np.ones(200, bool)
    for row in (33, 34, 120):  # cells at the end are missing
        body[row + 1] = body[row + 1].rsplit(",", 2)[0]
        keep[row] = False
    body[61] += ",0.71"  # one cell too many, with something in it
    keep[60] = False
    body[81] += ","  # one too many, but empty
    keep[199] = False  # the last row was never finished
    return Log(
        "ragged.csv",
        text(body).encode()[:-5],
        [Session(d["time"][keep], {c: d[c][keep] for c in BASIC})],
        dict(zip(names, BASIC, strict=True)),
        dropped={"short_row": 3, "long_row": 1, "unfinished_last_line": 1},
    )


def thousands() -> Log:
    d = drive(seed=28)
    names = ["Engine Speed (rpm)", "MAP (hPa)", "TP (%)", "ECT (°C)", "Lambda"]
    cells = basic(d)
    cells[0] = [f'"{number(v, 0, ".", ",")}"' for v in d["engine_speed"]]
    cells[1] = [f'"{number(v * 10, 1, ".", ",")}"' for v in d["manifold_pressure"]]
    return Log(
        "grouped.csv",
        text(lines(["Time (s)", *names], [column(d["time"], 2), *cells])).encode(),
        [one(d, BASIC)],
        dict(zip(names, BASIC, strict=True)),
    )


def units_in_cells() -> Log:
    d = drive(seed=29)
    names = {
        "Drehzahl": ("engine_speed", " U/min", 0),
        "Kühlmittel": ("coolant_temperature", "°C", 1),
        "Luftmasse": ("mass_air_flow", "g/s", 2),
        "Saugrohrdruck": ("manifold_pressure", "kPa", 1),
        "Batterie": ("battery_voltage", "V", 2),
        "Geschwindigkeit": ("vehicle_speed", " km/h", 1),
    }
    cells = [[x + unit for x in column(d[c], n, ",")] for c, unit, n in names.values()]
    cells.insert(0, [x + "s" for x in column(d["time"], 2, ",")])
    return Log(
        "mit Einheit.csv",
        text(lines(["Zeit", *names], cells, ";")).encode(),
        [one(d, [c for c, _, _ in names.values()])],
        {k: v[0] for k, v in names.items()},
    )


def two_of_a_name() -> Log:
    d = drive(seed=30)
    names = ["RPM", "MAP (kPa)", "TP (%)", "ECT (°C)", "Lambda"]
    spare = column(np.arange(200.0) * 3 % 17, 0), column(np.arange(200.0) * 5 % 23, 0)
    cells = [column(d["time"], 2), *basic(d), column(d["lambda_2"], 3), *spare]
    session = one(d, [*BASIC, "lambda_2"])
    return Log(
        "twins.csv",
        text(lines(["Time (s)", *names, "Lambda", "Spare", "Spare"], cells)).encode(),
        [session],
        dict(zip(names[:4], BASIC[:4], strict=True)),
        either=frozenset({"lambda_2"}),
    )


def very_wide() -> Log:
    d = drive(40, seed=31)
    names = ["RPM", "MAP (kPa)", "TP (%)", "ECT (°C)", "Lambda"]
    unknown = [f"cell_{i:03d}" for i in range(300)]
    cells = [[str((i * 7 + r * 3) % 251) if i % 5 else "" for r in range(40)] for i in range(300)]
    body = lines(
        ["Time (s)", *unknown[:150], *names, *unknown[150:]],
        [column(d["time"], 2), *cells[:150], *basic(d), *cells[150:]],
    )
    return Log(
        "wide.csv.gz",
        gzip.compress(text(body).encode(), mtime=0),
        [one(d, BASIC)],
        dict(zip(names, BASIC, strict=True)) | {"cell_003": None},
    )


def long_format() -> Log:
    d = drive(80, seed=32)
    names = {
        "Drehzahl": ("engine_speed", "1/min", 0),
        "Saugrohrdruck": ("manifold_pressure", "kPa", 1),
        "Kühlmitteltemperatur": ("coolant_temperature", "°C", 1),
        "Lambda": ("lambda", "", 3),
    }
    rows = [
        f"{number(t, 2, ',')};{name};{number(d[c][i], n, ',')};{unit}"
        for i, t in enumerate(d["time"])
        for name, (c, unit, n) in names.items()
    ]
    return Log(
        "einzeln.csv",
        text(["Zeit_s;Signal;Wert;Einheit", *rows]).encode("cp1252"),
        [one(d, [c for c, _, _ in names.values()])],
        {k: v[0] for k, v in names.items()},
    )


def strangers() -> Iterator[Log]:
    yield Log(
        "shopping.csv", b"item,amount,price\nbread,2,3.10\nmilk,1,1.05\neggs,12,3.90\n", refused=""
    )
    yield Log(
        "page.csv",
        b"<!DOCTYPE html>\n<html><body><p>not found, sorry</p></body></html>\n",
        refused="",
    )
    yield Log("answer.log", b'{"rpm": [900, 910], "time": [0, 0.1]}\n', refused="")
    yield Log("nothing.csv", b"", refused="empty")
    yield Log("only header.csv", b"Time (s),RPM,MAP (kPa)\n", refused="")
    yield Log(
        "letter.txt",
        b"Dear friend,\nthe car ran at 900 rpm, then 2000, then\nit died. 3 times.\n",
        refused="",
    )


def layout_logs() -> list[Log]:
    """All of them."""
    made = [
        preamble_like_data, header_again_other_order, markers, power_loss,
        trailing_without_header, pipes_and_padding, blanks, ragged, thousands, units_in_cells,
        two_of_a_name, very_wide, long_format,
    ]  # fmt: skip
    return [*(make() for make in made), *strangers()]
