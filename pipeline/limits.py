"""The thresholds of every finding: names, units, defaults and their reasons.

Each is a key of ``[limits]`` in the vehicle file. Unless a source is named the default is
common practice, no source. The names end in their unit: ``_kpa``, ``_c`` (degrees Celsius),
``_k`` (kelvin, a difference), ``_s``, ``_pct``, ``_deg`` (crank degrees), ``_v``, ``_rpm``,
``_ms``; a plain fraction or count has no suffix.
"""

from typing import Annotated

import msgspec
from msgspec import Meta


def _limit(
    why: str, *, ge: float = 0.0, le: float = 1e9
) -> Meta:  # one place for the shape of a limit's description
    return Meta(ge=ge, le=le, description=why)


class Limits(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Thresholds of the findings; every field documented by its own description."""

    # What counts as load, boost and full throttle.
    load_kpa: Annotated[float, _limit("load begins at this manifold pressure", le=400)] = 80.0
    load_barometer_fraction: Annotated[
        float, _limit("or at this fraction of the barometer, if that is lower", le=1)
    ] = 0.85
    full_throttle_fraction: Annotated[
        float, _limit("of the way from closed to open throttle: a full-throttle run", le=1)
    ] = 0.85

    # Mixture.
    lean_load_pct: Annotated[
        float, _limit("lambda above target under load by this much is lean_under_load", le=50)
    ] = 5.0
    lean_load_s: Annotated[float, _limit("for at least this long", le=10)] = 0.3
    lean_settled_s: Annotated[
        float, _limit("throttle and pressure have to be settled this long before", le=10)
    ] = 0.3
    lean_act_kpa: Annotated[float, _limit("from this pressure on lean_under_load is act")] = 100.0
    lean_act_pct: Annotated[float, _limit("from this error on lean_under_load is act")] = 8.0
    lean_stop_kpa: Annotated[float, _limit("from this pressure on it may be stop")] = 130.0
    lean_stop_pct: Annotated[float, _limit("with this error it is stop")] = 12.0
    lean_stop_lambda: Annotated[
        float, _limit("or with lambda above this for lean_stop_s", le=2)
    ] = 0.95
    lean_stop_s: Annotated[float, _limit("how long lambda stays above lean_stop_lambda")] = 0.5
    lean_target_kpa: Annotated[
        tuple[float, ...],
        Meta(description="pressures of the leanest target thought wise, petrol; interpolated"),
    ] = (110.0, 140.0, 180.0)
    lean_target_lambda: Annotated[
        tuple[float, ...], Meta(description="the leanest target at those pressures")
    ] = (0.95, 0.90, 0.86)
    rich_load_pct: Annotated[float, _limit("richer than target under load by this much")] = 10.0
    rich_load_lambda: Annotated[float, _limit("or lambda below this under load", le=1)] = 0.70
    rich_load_s: Annotated[float, _limit("for this long is rich_under_load")] = 1.0
    mixture_running_pct: Annotated[
        float, _limit("lambda error and trims together below load: watch")
    ] = 8.0
    mixture_running_info_pct: Annotated[float, _limit("the same: info")] = 5.0
    mixture_running_s: Annotated[float, _limit("for this long, warm and steady")] = 10.0
    trim_limit_pct: Annotated[
        float,
        _limit("a short trim that stands within 0.5 % of its own extreme at or above this"),
    ] = 15.0
    trim_limit_s: Annotated[float, _limit("for this long is trim_limit")] = 5.0
    transient_pct: Annotated[float, _limit("mixture error after a throttle or pressure step")] = (
        10.0
    )
    transient_s: Annotated[float, _limit("within this time of the step")] = 1.5
    transient_frequent_per_min: Annotated[
        float, _limit("transient errors more often than this are watch")
    ] = 1.0

    # Steps of the fuel table.
    fuel_up_max_pct: Annotated[float, _limit("largest single step that adds fuel")] = 20.0
    fuel_down_max_pct: Annotated[float, _limit("largest single step down below 100 kPa")] = 10.0
    fuel_down_100kpa_pct: Annotated[float, _limit("largest step down at 100 kPa and above")] = 3.0
    fuel_down_130kpa_pct: Annotated[float, _limit("largest step down at 130 kPa and above")] = 2.0
    fuel_evidence_s: Annotated[
        float, _limit("seconds of evidence a point needs before it may be leaned out")
    ] = 2.0
    sensor_error_pct: Annotated[
        float, _limit("systematic error of a wideband sensor near lambda 1", le=20)
    ] = 1.5
    sensor_error_rich_pct: Annotated[float, _limit("and at lambda 0.8 and below", le=20)] = 3.0

    # Knock.
    knock_margin_drop_deg: Annotated[
        float, _limit("margin this far below the vehicle's own quiet running is knock_risk")
    ] = 3.0
    knock_retard_deg: Annotated[float, _limit("spark pulled by the controller: watch")] = 2.0
    knock_retard_act_deg: Annotated[float, _limit("the same: act")] = 4.0
    knock_retard_count: Annotated[float, _limit("events in one zone that make it act")] = 3.0

    # Warm-up and cooling.
    warm_c: Annotated[float, _limit("slow_warm_up waits for this coolant temperature")] = 60.0
    thermostat_low_c: Annotated[
        float, _limit("a plateau below this points to a thermostat stuck open")
    ] = 75.0
    thermostat_drop_k: Annotated[float, _limit("or this far below the vehicle's own plateau")] = 8.0
    thermostat_moving_s: Annotated[float, _limit("judged after this long in motion")] = 600.0
    overheating_rise_k: Annotated[float, _limit("above the vehicle's own plateau: watch")] = 8.0
    overheating_c: Annotated[float, _limit("coolant for overheating_s: watch")] = 108.0
    overheating_s: Annotated[float, _limit("how long it has to last")] = 30.0
    overheating_act_c: Annotated[float, _limit("coolant: act")] = 110.0
    overheating_rate_k_per_5s: Annotated[float, _limit("rise within 5 s, above 100 degC: act")] = (
        1.0
    )
    overheating_stop_c: Annotated[float, _limit("coolant: stop")] = 115.0
    coolant_loss_c: Annotated[float, _limit("coolant_loss_suspected looks from here on")] = 95.0
    coolant_loss_drop_k: Annotated[float, _limit("for a drop of the reading by this much")] = 8.0
    coolant_loss_s: Annotated[float, _limit("within this time")] = 5.0
    air_step_min_k: Annotated[float, _limit("smallest step that speaks of air")] = 4.0
    air_step_max_k: Annotated[float, _limit("largest one")] = 15.0
    slow_warm_up_factor: Annotated[
        float, _limit("fuel or air burned to 60 degC over what is usual for the vehicle")
    ] = 1.6

    # Start, supply, charging, oil.
    hard_start_s: Annotated[float, _limit("cranking longer than this")] = 3.0
    hard_start_cold_s_per_10k: Annotated[float, _limit("more per 10 K below 0 degC")] = 1.0
    start_retry_s: Annotated[float, _limit("two tries within this time")] = 60.0
    controller_reset_s: Annotated[
        float, _limit("log or run time starts again this soon after cranking or running")
    ] = 10.0
    charging_low_v: Annotated[float, _limit("running voltage: watch")] = 13.0
    charging_low_act_v: Annotated[float, _limit("running voltage: act")] = 12.5
    charging_low_rpm: Annotated[float, _limit("judged above this speed")] = 1500.0
    charging_low_s: Annotated[float, _limit("for this long")] = 10.0
    charging_high_v: Annotated[float, _limit("running voltage at 10 degC and above")] = 15.0
    charging_high_cold_v_per_10k: Annotated[float, _limit("more per 10 K below 10 degC")] = 0.1
    charging_high_s: Annotated[float, _limit("for this long")] = 2.0
    charging_after_start_s: Annotated[float, _limit("judged from this long after the start")] = 60.0
    oil_rise_s: Annotated[float, _limit("oil pressure has to be there this long after firing")] = (
        5.0
    )
    oil_idle_kpa: Annotated[float, _limit("least oil pressure at hot idle: act")] = 70.0
    oil_driving_kpa: Annotated[float, _limit("least oil pressure above oil_driving_rpm: stop")] = (
        100.0
    )
    oil_driving_rpm: Annotated[float, _limit("where oil_driving_kpa holds")] = 2000.0
    log_gap_s: Annotated[float, _limit("no row for this long is a gap")] = 2.0
    log_gap_intervals: Annotated[float, _limit("or for this many usual intervals")] = 5.0
    session_gap_s: Annotated[float, _limit("no row for this long ends the session", ge=10)] = 60.0

    # Roughness and idle.
    false_alarm_per_session: Annotated[
        float, _limit("share of healthy sessions that rough_running may call wrongly", le=0.5)
    ] = 0.01
    hunting_rpm: Annotated[float, _limit("idle swings either way by more than this")] = 40.0
    hunting_low_hz: Annotated[float, _limit("slowest swing", ge=0.01)] = 0.1
    hunting_high_hz: Annotated[float, _limit("fastest swing", ge=0.01)] = 1.5
    hunting_periods: Annotated[float, _limit("and this many periods", ge=1.5)] = 3.0
    rough_act_share: Annotated[
        float, _limit("share of one cylinder's firings missing from which it is act", le=1)
    ] = 0.25

    # Boost, intake, injectors, fuel pressure, exhaust.
    manifold_pressure_max_kpa: Annotated[
        Annotated[float, Meta(ge=100, le=600)] | None,
        Meta(description="the ceiling set for this engine"),
    ] = None
    over_boost_kpa: Annotated[float, _limit("over target for over_boost_s")] = 10.0
    over_boost_s: Annotated[float, _limit("how long pressure stays over target")] = 0.5
    overshoot_kpa: Annotated[float, _limit("allowed in the first overshoot_s of a run")] = 20.0
    overshoot_s: Annotated[float, _limit("how long overshoot is allowed")] = 0.5
    boost_loss_kpa: Annotated[float, _limit("below target or the vehicle's own runs")] = 15.0
    boost_creep_kpa_per_krpm: Annotated[float, _limit("rise after the plateau")] = 4.0
    hot_intake_c: Annotated[float, _limit("charge temperature in boost")] = 60.0
    hot_intake_over_ambient_k: Annotated[float, _limit("or this far over a logged ambient")] = 30.0
    hot_intake_s: Annotated[float, _limit("for this long")] = 3.0
    hot_intake_after_s: Annotated[float, _limit("judged after this long of driving")] = 60.0
    hot_exhaust_c: Annotated[float, _limit("before the turbine: watch")] = 900.0
    hot_exhaust_act_c: Annotated[float, _limit("before the turbine: act")] = 950.0
    hot_exhaust_s: Annotated[float, _limit("for this long")] = 5.0
    injector_duty_pct: Annotated[float, _limit("injector duty: watch", le=200)] = 85.0
    injector_duty_act_pct: Annotated[float, _limit("injector duty: act", le=200)] = 95.0
    injector_duty_s: Annotated[float, _limit("for this long")] = 0.3
    injector_net_min_ms: Annotated[float, _limit("least net pulse at warm idle")] = 0.8
    fuel_pressure_drop_kpa: Annotated[
        float, _limit("rail over manifold pressure below its idle value")
    ] = 20.0
    idle_pressure_rise_kpa: Annotated[
        float, _limit("idle pressure over the vehicle's own: intake leak, speed density")
    ] = 4.0

    # Reading.
    max_rows: Annotated[int, Meta(ge=1000, description="rows a file may hold")] = 2_000_000
    max_bytes: Annotated[
        int, Meta(ge=1 << 20, description="bytes a file may hold after inflating")
    ] = 1_000_000_000
    max_columns: Annotated[int, Meta(ge=10, description="columns a log may have")] = 2000
