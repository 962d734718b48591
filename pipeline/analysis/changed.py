"""What changed since the session before: work, findings, weather, figures out of their range."""

from collections.abc import Mapping, Sequence

import numpy as np
from scipy.special import stdtrit

from pipeline.logbook import Entry
from pipeline.meta import Case, Earlier, Meta
from pipeline.results import Column, Finding, Metric, Result, TableFigure, not_judged

META = Meta(
    question="What changed since the session before?",
    version=1,
    kinds=(),
    references=("Forecast interval of one more value, Student's t: any textbook of statistics.",),
    step=5,
    order=8,
)

#: Figures that another road alone does not move much: only these are set against each other.
COMPARED = (
    "idle_speed_rpm", "idle_manifold_pressure_kpa", "idle_pulse_width_ms", "idle_air_control_pct",
    "idle_roughness_pct", "idle_lambda", "lambda_error_idle_pct", "lambda_error_cruise_pct",
    "lambda_error_wide_open_pct", "lambda_error_boost_pct", "fuel_trim_total_pct",
    "overrun_lambda", "exhaust_delay_ms", "cranking_speed_rpm", "charging_voltage_v",
    "coolant_plateau_c", "thermostat_opening_c", "oil_pressure_hot_idle_kpa", "spool_speed_rpm",
    "boost_error_kpa", "intercooler_effectiveness",
)  # fmt: skip
#: Endings of names that only repeat the unit.
_ENDINGS = ("_rpm", "_kpa", "_pct", "_ms", "_c", "_v")
#: Decimals by unit.
_DIGITS = {"rpm": 0, "kPa": 1, "degC": 0, "%": 1, "ms": 2, "V": 2, "1": 3}
#: K by which the air outside has to differ to be named: what a table's own correction for
#: temperature is asked to level out (a choice).
OUTSIDE_K = 5.0
#: Share of sessions in which some figure may be called by chance, divided among the figures.
CHANCE = 0.05
#: Sessions before that a figure needs: two have a spread, but none that can be trusted.
LEAST_SESSIONS = 3
#: Least spread from session to session, in units of a figure's last shown digit.
SMALLEST = 1.0
#: Entries and findings named at most: more is in the logbook, or on both pages.
MOST = 5


def conclude(case: Case) -> Result:
    """Set this session against the last one before it."""
    if not case.earlier:
        return not_judged("there is no earlier session of this vehicle")
    before = case.earlier[-1]
    now = {k: v for _, r in sorted(case.results.items()) for k, v in r.metrics.items()}
    moved = {n: past for n in COMPARED if (past := _moved(n, case, now))}
    work = [e for e in case.logbook if e.kind != "note" and e.when > _local(before.start_time)]
    told = [f"done in between: {_quoted(work)}"] if work else []
    told += _findings(case, before) + _outside(before.metrics, now)
    if moved:
        told.append("outside their usual range: " + ", ".join(map(_name, moved)))
    same = "the findings are the same" if _loud(before.findings) else "no finding then or now"
    if len(case.earlier) < LEAST_SESSIONS:
        same += ", and too few sessions before to say whether a figure moved"
    day = before.start_time.replace("T", " ")[:16]
    return Result(
        status="found" if told else "clear",
        why=f"since {day}: {'; '.join(told) or same}",
        figures=[_table(moved, now)] if moved else [],
    )


def _local(stamp: str) -> str:
    """Time as logged, without an offset: what the logbook's entries are told in."""
    return stamp[:19]


def _quoted(work: Sequence[Entry]) -> str:
    more = f" and {len(work) - MOST} more" if len(work) > MOST else ""
    return ", ".join(f"“{e.text.rstrip('.')}”" for e in work[-MOST:]) + more


def _findings(case: Case, before: Earlier) -> list[str]:
    """What is new, what is gone, and what this log could not have shown again."""
    new = _loud(case.findings)
    old = _loud(before.findings)
    shown = {k for r in case.results.values() for k, v in r.limits_of_detection.items()
             if v.could_show}  # fmt: skip
    gone = [k for k in old if k not in new and k[0] in shown]
    open_ = [k for k in old if k not in new and k not in gone]
    told = []
    for says, titles in (
        ("new", [new[k] for k in new if k not in old]),
        ("still there", [new[k] for k in new if k in old]),
        ("not seen this time", [old[k] for k in gone]),
        ("not judged this time", [old[k] for k in open_]),
    ):
        if titles:
            more = f" and {len(titles) - MOST} more" if len(titles) > MOST else ""
            told.append(f"{says}: {', '.join(titles[:MOST])}{more}")
    return told


def _loud(findings: Sequence[Finding]) -> dict[tuple[str, ...], str]:
    """Findings that ask for something, title by kind; of sensor faults also by channel."""
    return {
        (f.kind, *(f.channels if f.kind == "sensor_fault" else ())): f.title
        for f in findings
        if f.severity != "info"
    }


def _outside(before: Mapping[str, Metric], now: Mapping[str, Metric]) -> list[str]:
    name = "ambient_temperature_c"
    if name not in before or name not in now:
        return []
    old, new = before[name].value, now[name].value
    if abs(new - old) < OUTSIDE_K:
        return []
    return [f"outside {new:.0f} °C, {old:.0f} °C before"]


def _moved(name: str, case: Case, now: Mapping[str, Metric]) -> list[float]:
    """Values of the sessions before, where this one lies outside what they forecast; else []."""
    past = [e.metrics[name].value for e in case.earlier if name in e.metrics]
    if name not in now or len(past) < LEAST_SESSIONS:
        return []
    spread = max(float(np.std(past, ddof=1)), SMALLEST * 10.0 ** -_DIGITS.get(now[name].unit, 2))
    reach = float(stdtrit(len(past) - 1, 1.0 - CHANCE / len(COMPARED) / 2.0))
    reach *= spread * float(np.sqrt(1.0 + 1.0 / len(past)))
    return past if abs(now[name].value - float(np.mean(past))) > reach else []


def _name(metric: str) -> str:
    for ending in _ENDINGS:
        metric = metric.removesuffix(ending)
    return metric.replace("_", " ")


def _shown(metric: Metric, value: float, lambda_: bool) -> str:
    text = f"{value:.{_DIGITS.get(metric.unit, 2)}f}"
    if lambda_:
        return f"lambda {text}"
    unit = {"degC": "°C", "1": ""}.get(metric.unit, metric.unit)
    return f"{text} {unit}".rstrip()


def _table(moved: Mapping[str, Sequence[float]], now: Mapping[str, Metric]) -> TableFigure:
    rows: list[list[str | float | None]] = []
    for name, past in moved.items():
        told = [_shown(now[name], value, name.endswith("_lambda"))
                for value in (min(past), max(past), past[-1], now[name].value)]  # fmt: skip
        rows.append([_name(name), float(len(past)), *told])
    return TableFigure(
        id="changed-figures",
        title="Figures outside what the sessions before let expect",
        caption="Called so that at most one session in twenty has one by chance. Another fuel, "
        "weather or way of driving moves some of them as well as work on the car does.",
        columns=[
            Column(title="figure"),
            Column(title="sessions before", digits=0),
            Column(title="their least"),
            Column(title="their most"),
            Column(title="the last"),
            Column(title="now"),
        ],
        rows=rows,
    )
