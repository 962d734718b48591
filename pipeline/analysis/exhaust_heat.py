"""Exhaust temperature: whether the turbine and the valves get too hot."""

import numpy as np

from pipeline.meta import Meta
from pipeline.results import (
    Cause,
    Check,
    Finding,
    LimitOfDetection,
    Quantity,
    Result,
    evidence,
    not_judged,
    rounded,
)
from pipeline.session import View
from pipeline.signals import segments, smoothing
from pipeline.wording import clock

META = Meta(
    question="Does the exhaust get too hot?",
    version=1,
    kinds=("hot_exhaust",),
    references=("900 and 950 °C before the turbine: common practice, no source.",),
    needs=("exhaust_gas_temperature", "engine_speed"),
    uses=("manifold_pressure", "lambda", "spark_advance"),
    facts=("states",),
    step=2,
)


def analyse(view: View) -> Result:
    """Look for stretches above the limits."""
    time, limits = view.time, view.limits
    states = view.fact("states")
    exhaust = segments.hold(time, view.channel("exhaust_gas_temperature"), seconds=2.0)
    use = states.running & np.isfinite(exhaust)
    if np.count_nonzero(use) < 10:
        return not_judged("too little running with an exhaust temperature reading")
    calm = np.where(use, smoothing.median_of_three(exhaust), np.nan)
    top = int(np.nanargmax(calm))
    most = float(calm[top])
    at_speed = f" and {states.rpm[top]:.0f} rpm" if np.isfinite(states.rpm[top]) else ""
    findings = []
    held = segments.long_runs(calm >= limits.hot_exhaust_c, time, seconds=limits.hot_exhaust_s)
    starts, ends = segments.runs(held)
    if starts.size:
        act = segments.long_runs(
            calm >= limits.hot_exhaust_act_c, time, seconds=min(1.0, limits.hot_exhaust_s)
        ).any()
        late, lean = "spark too late", "mixture too lean for this load"
        mixture = view.get("lambda")
        rows = np.flatnonzero(held)
        seen = smoothing.median_or_nan(mixture[rows]) if mixture is not None else float("nan")
        is_lean = np.isfinite(seen) and seen > 0.92
        findings.append(
            Finding(
                kind="hot_exhaust", severity="act" if act else "watch", confidence=0.88,
                start_s=float(time[starts[0]]), end_s=float(time[ends[-1] - 1]),
                title="Exhaust too hot",
                detail=f"Before the turbine the exhaust reached {most:.0f} °C at "
                f"{clock(time[top])}{at_speed}, and stayed above "
                f"{limits.hot_exhaust_c:.0f} °C for "
                f"{smoothing.row_seconds(time)[held].sum():.0f} s."
                + (f" Lambda {seen:.2f} at the time." if np.isfinite(seen) else ""),
                step=2, channels=["exhaust_gas_temperature"],
                evidence=evidence(exhaust=(most, "degC"), mixture=(seen, "lambda"),
                                  engine_speed=(float(states.rpm[top]), "rpm")),
                likely_causes=[
                    Cause(cause=lean, probability=0.5 if is_lean else 0.2),
                    Cause(cause=late, probability=0.25 if is_lean else 0.5),
                    Cause(cause="misfire that burns on in the exhaust", probability=0.12),
                ],
                next_checks=[
                    Check(text="Compare lambda with its target at the hottest moments",
                          tool="log", engine="off_cold", minutes=10, decides=[lean]),
                    Check(text="Check the base timing with a light at two speeds",
                          tool="timing light", engine="idle", minutes=15, decides=[late]),
                ],
            )
        )  # fmt: skip
    return Result(
        status="found" if findings else "clear",
        why=(findings[0].title + ": " if findings else "")
        + f"{most:.0f} °C at most before the turbine, at {clock(time[top])}{at_speed}",
        findings=findings,
        limits_of_detection={
            "hot_exhaust": LimitOfDetection(
                could_show=True, smallest=Quantity(value=limits.hot_exhaust_c, unit="degC"),
                over_s=rounded(float(smoothing.row_seconds(time)[use].sum()), 4),
            )
        },
        digest={"most_c": rounded(most, 4)},
    )  # fmt: skip
