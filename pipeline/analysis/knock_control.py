"""What the controller heard: spark pulled for knock, and the knock level it logged."""

from collections.abc import Sequence

import numpy as np

from pipeline.facts.knock_signs import LEAST_DEG, Event, KnockSigns
from pipeline.meta import Meta
from pipeline.results import (
    Cause,
    Check,
    Figure,
    Finding,
    LimitOfDetection,
    MapGrid,
    Metric,
    NextLog,
    Panel,
    Panels,
    Quantity,
    Result,
    Severity,
    evidence,
    grid,
    line,
    metric,
    not_judged,
    rounded,
)
from pipeline.session import View
from pipeline.signals import segments, smoothing
from pipeline.wording import clock

META = Meta(
    question="Did the controller pull spark for knock, and where?",
    version=1,
    kinds=("knock_retard",),
    references=("2 and 4 deg, three times in one zone: common practice, no source.",),
    needs=("engine_speed",),
    needs_any=(("knock_retard", "knock_level"),),
    uses=("manifold_pressure", "spark_advance", "intake_air_temperature", "vehicle_speed",
          "throttle_position"),
    facts=("states", "atmosphere", "knock_signs"),
    step=4,
)  # fmt: skip

#: A zone: rpm by kPa.
ZONE_RPM = 500.0
ZONE_KPA = 20.0


def analyse(view: View) -> Result:
    """Group what was pulled into events and zones."""
    signs: KnockSigns = view.fact("knock_signs")
    if signs.retard is None:
        if not signs.level_usable:
            return not_judged("spark pulled is not in the log, and the knock level does not vary")
        return _level_only(signs)
    states = view.fact("states")
    running = states.running & np.isfinite(signs.retard)
    if not running.any():
        return not_judged("the engine did not run while knock retard was logged")
    most = float(np.nanmax(signs.retard[running]))
    metrics: dict[str, Metric] = {"knock_retard_max_deg": metric(most, "deg")}
    if signs.constant and most >= LEAST_DEG:
        finding = _constant(view, most)
        return _result(view, [finding], metrics, [], signs, f"a constant {most:.1f} deg is shown")
    events = list(signs.events)
    findings = _findings(view, events)
    if not events:
        text = f"at most {most:.1f} deg were pulled"
    else:
        text = f"{len(events)} times, {most:.1f} deg at most"
    return _result(view, findings, metrics, events, signs, text)


def _result(
    view: View,
    findings: list[Finding],
    metrics: dict[str, Metric],
    events: list[Event],
    signs: KnockSigns,
    text: str,
) -> Result:
    return Result(
        status="found" if findings else "clear",
        why=f"Spark pulled for knock: {text}",
        findings=findings,
        metrics=metrics,
        figures=_figures(view, signs, events),
        limits_of_detection={
            "knock_retard": LimitOfDetection(
                could_show=not signs.constant or not findings,
                smallest=Quantity(value=view.limits.knock_retard_deg, unit="deg"),
                over_s=rounded(view.duration_s, 4),
            )
        },
        digest={"events": len([e for e in events if not e.light])},
    )


def _level_only(signs: KnockSigns) -> Result:
    loud = signs.loud
    count = int(segments.runs(loud)[0].size)
    return Result(
        status="not_judged",
        why=f"spark pulled is not in the log; the knock level stood out of its own background "
        f"{count} time" + ("" if count == 1 else "s")
        + ", which the knock model takes into account",
        next_log=[
            NextLog(text="Log how far the controller pulls spark for knock",
                    why="a level alone has no unit and no limit of its own")
        ],
        digest={"loud": count},
    )  # fmt: skip


def _zone(events: Sequence[Event]) -> tuple[Event, int]:
    """The event with most others in a zone of 500 rpm by 20 kPa around it, and how many.

    The zone lies around the event, so that knock at one point is not two halves of two cells.
    """
    rpm, kpa = (np.array([getattr(e, name) for e in events]) for name in ("rpm", "kpa"))
    near = np.abs(rpm[:, None] - rpm) <= 0.5 * ZONE_RPM
    # Without a pressure the speed alone tells.
    near &= ~(np.abs(kpa[:, None] - kpa) > 0.5 * ZONE_KPA)
    count = near.sum(axis=1)
    most = int(np.argmax(count))
    return events[most], int(count[most])


def _findings(view: View, events: list[Event]) -> list[Finding]:
    heavy = [e for e in events if not e.light]
    if not events:
        return []
    if not heavy:
        worst = max(events, key=lambda e: e.most_deg)
        return [_finding(view, events, worst, "info", f" All of it {worst.light}: often harmless.")]
    worst = max(heavy, key=lambda e: e.most_deg)
    centre, count = _zone(heavy)
    repeated = count >= view.limits.knock_retard_count
    act = worst.most_deg >= view.limits.knock_retard_act_deg or repeated
    text = ""
    if repeated:
        text = f" {count} times around {centre.rpm:.0f} rpm"
        if np.isfinite(centre.kpa):
            text += f" and {centre.kpa:.0f} kPa"
        text += "."
    return [_finding(view, heavy, worst, "act" if act else "watch", text)]


def _finding(
    view: View, events: list[Event], worst: Event, severity: Severity, more: str
) -> Finding:
    time = view.time
    place = f"{worst.rpm:.0f} rpm"
    if np.isfinite(worst.kpa):
        place += f" and {worst.kpa:.0f} kPa"
    intake = view.get("intake_air_temperature")
    warm = float("nan")
    if intake is not None:
        warm = float(segments.hold(time, intake, seconds=10.0)[worst.start])
    fuel = "fuel of lower octane than the spark is made for"
    spark = "spark too far advanced there"
    noise = "mechanical noise taken for knock"
    return Finding(
        kind="knock_retard", severity=severity,
        confidence=0.5 if severity == "info" else 0.85,
        start_s=float(time[events[0].start]), end_s=float(time[events[-1].end - 1]),
        title="The controller pulled spark for knock",
        detail=f"It pulled {worst.most_deg:.1f} deg at {place} (at {clock(time[worst.start])}), "
        f"{len(events)} time" + ("s" if len(events) > 1 else "") + " in all."
        + (f" Intake air was {warm:.0f} °C." if np.isfinite(warm) else "") + more,
        step=0 if severity == "act" else 4, blocks=[], channels=["knock_retard"],
        evidence=evidence(pulled=(worst.most_deg, "deg"), engine_speed=(worst.rpm, "rpm"),
                          pressure=(worst.kpa, "kPa"), intake=(warm, "degC"),
                          events=(float(len(events)), "1")),
        likely_causes=[Cause(cause=spark, probability=0.4), Cause(cause=fuel, probability=0.3),
                       Cause(cause=noise, probability=0.15)],
        next_checks=[
            Check(text="Take 2 deg of spark out of that zone and drive it again: knock goes, "
                  "noise stays", tool="log", engine="driving", minutes=20, decides=[spark, noise]),
            Check(text="Note the next fill of fuel with a higher octane number in the logbook "
                  "and compare", tool="logbook", engine="off_cold", minutes=5, decides=[fuel]),
            Check(text="Check the base timing with a light at two speeds", tool="timing light",
                  engine="idle", minutes=15, decides=[spark]),
        ],
    )  # fmt: skip


def _constant(view: View, most: float) -> Finding:
    return Finding(
        kind="knock_retard", severity="info", confidence=0.2, start_s=0.0,
        end_s=view.duration_s, title="Knock retard never moves",
        detail=f"The log shows a constant {most:.1f} deg of knock retard: a setting or a dead "
        "channel rather than knock.", step=4, channels=["knock_retard"],
        evidence=evidence(pulled=(most, "deg")),
        likely_causes=[Cause(cause="a fixed correction shown as knock retard", probability=0.7)],
        next_checks=[
            Check(text="Look up what the channel means in the controller", tool="manual",
                  engine="off_cold", minutes=10,
                  decides=["a fixed correction shown as knock retard"]),
        ],
    )  # fmt: skip


def _figures(view: View, signs: KnockSigns, events: list[Event]) -> list[Figure]:
    pressure = view.get("manifold_pressure")
    heavy = [e for e in events if not e.light]
    if not heavy or signs.retard is None or pressure is None:
        return []
    states = view.fact("states")
    rpm_edges = np.arange(1000.0, 8001.0, ZONE_RPM)
    kpa_edges = np.arange(60.0, 321.0, ZONE_KPA)
    use = states.running & (np.nan_to_num(signs.retard) >= LEAST_DEG) & np.isfinite(pressure)
    weights = smoothing.row_seconds(view.time)[use]
    seconds = np.histogram2d(pressure[use], states.rpm[use], bins=(kpa_edges, rpm_edges),
                             weights=weights)[0]  # fmt: skip
    rows = np.flatnonzero(seconds.sum(axis=1))
    columns = np.flatnonzero(seconds.sum(axis=0))
    figures: list[Figure] = []
    if rows.size:
        part = slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1)
        shown = np.where(seconds[part] > 0, seconds[part], np.nan)
        figures.append(
            MapGrid(
                id="knock-pulled-zones", title="Where spark was pulled",
                caption="Seconds with a degree or more pulled, by engine speed and pressure. A "
                "cell that fills in drive after drive is knock; scattered ones may be noise.",
                x_label="engine speed", x_unit="rpm",
                x=[float(v) for v in (rpm_edges[:-1] + ZONE_RPM / 2)[part[1]]],
                y_label="manifold pressure", y_unit="kPa",
                y=[float(v) for v in (kpa_edges[:-1] + ZONE_KPA / 2)[part[0]]],
                value_label="time", unit="s", values=grid(shown, 2), digits=1,
            )
        )  # fmt: skip
    worst = max(heavy, key=lambda e: e.most_deg)
    begin = int(np.searchsorted(view.time, view.time[worst.start] - 3.0))
    stop = int(np.searchsorted(view.time, view.time[worst.end - 1] + 2.0))
    rows_ = slice(begin, stop)
    panels = [
        Panel(title="spark pulled", unit="deg",
              lines=[line("pulled", view.time[rows_], signs.retard[rows_], points=150)]),
        Panel(title="manifold pressure", unit="kPa",
              lines=[line("pressure", view.time[rows_], pressure[rows_], points=150)]),
        Panel(title="engine speed", unit="rpm",
              lines=[line("speed", view.time[rows_], states.rpm[rows_], points=150)]),
    ]  # fmt: skip
    figures.append(
        Panels(
            id="knock-pulled-worst", title="The event with the most spark pulled",
            caption="Knock follows pressure; a pull without pressure, or at a gear change, is "
            "more often noise.", panels=panels,
        )
    )  # fmt: skip
    return figures
