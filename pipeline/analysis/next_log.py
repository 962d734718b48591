"""What to record next: the channels nobody watched and the runs that would settle what is open."""

from pipeline.meta import Case, Meta
from pipeline.results import NextLog, Result
from pipeline.wording import counted

META = Meta(
    question="What should the next log record to settle what is open?",
    version=1,
    kinds=(),
    references=("Guided logs: common practice, no source.",),
    step=5,
    order=8,
)

#: What to do for a kind that is open, by what it would settle.
SETTLES = {
    "thermostat_stuck_open": "a cold start and ten minutes on the road, without stopping",
    "slow_warm_up": "a cold start and ten minutes on the road, without stopping",
    "rough_running": "after each part that was swapped: two minutes of warm idle with nothing "
    "switched",
    "idle_hunting": "two minutes of warm idle with the idle air control held still, if the "
    "controller can do that",
    "lean_running": "a steady cruise held for two minutes, and warm idle for two minutes",
    "rich_running": "a steady cruise held for two minutes, and warm idle for two minutes",
    "exhaust_leak": "a cold start with ten minutes of idle, then three fuel-cut overruns from "
    "3000 rpm",
    "intake_leak": "two minutes of warm idle, then three steady no-load speeds of 30 s each",
    "sensor_fault": "30 s of key-on before a cold start, engine off",
    "hard_start": "8 s of cranking with fuel and spark off, then the start",
    "stall": "several returns to idle from 2500 rpm, with idle air control logged",
    "low_charging_voltage": "two minutes above 2000 rpm with lights and fans on",
    "trim_limit": "a steady cruise held for two minutes, and warm idle for two minutes",
    "transient_mixture": "slow and quick throttle steps at 2500 rpm, three of each, warm",
    "high_charging_voltage": "two minutes above 2000 rpm with lights and fans off, then on",
    "air_in_coolant": "after bleeding: a cold start, ten minutes on the road, then five of idle",
    "overheating": "five minutes in traffic and five at a steady speed on the level, with the fan "
    "logged",
    "hot_intake": "a restart after a quarter of an hour's rest, then two minutes of steady driving",
    "crank_signal_loss": "a slow rise of speed to the limit without load, the error counter logged",
    "controller_reset": "a start with the voltage logged as fast as the logger can",
}
#: Kinds that only a run under load settles, where that is legal and nothing forbids it.
NEEDS_LOAD = frozenset({"lean_under_load", "knock_risk", "boost_loss", "boost_creep", "over_boost",
                        "misfire_under_load", "low_fuel_pressure", "injector_limit",
                        "hot_intake"})  # fmt: skip
#: Channels worth wiring, and what each would tell.
WORTH_LOGGING = {
    "lambda": "without a wideband reading the mixture cannot be judged as a number",
    "lambda_target": "without its target a reading cannot be called lean or rich",
    "oil_pressure": "oil pressure is the one warning that comes before the damage",
    "knock_retard": "without a knock channel knock stays a model's guess",
    "fuel_pressure": "it tells a pump or regulator from a wrong table",
    "manifold_pressure": "load, boost and leaks are read from it",
    "coolant_temperature": "warm-up and overheating are read from it",
    "battery_voltage": "starts, charging and ground faults are read from it",
    "vehicle_speed": "gears, road power and distance are read from it",
    "throttle_position": "runs, overrun and leaks are told apart by it",
}
#: How another analysis asks for the same channel, with more reason.
ASKED_AS = {"lambda": "Log lambda", "knock_retard": "Log the spark pulled for knock"}
#: Advice given at most: more would not be followed.
MOST = 6


def conclude(case: Case) -> Result:
    """List what would settle most, open findings first, then blind channels."""
    open_kinds = list(dict.fromkeys(f.kind for f in case.findings if f.severity != "info"))
    stop = any(f.severity == "stop" for f in case.findings)
    advice = [
        NextLog(
            text=SETTLES[kind][:1].upper() + SETTLES[kind][1:],
            why="settles: " + kind.replace("_", " "),
        )
        for kind in open_kinds
        if kind in SETTLES
    ]
    load = [k for k in open_kinds if k in NEEDS_LOAD]
    if load and not stop:
        advice.append(
            NextLog(
                text="After mending: one full-throttle run at wastegate pressure, where it is "
                "legal and safe, a passenger at the recorder",
                why="settles: " + ", ".join(k.replace("_", " ") for k in load),
            )
        )
    asked = [n.text for r in case.results.values() for n in r.next_log]
    for channel, why in WORTH_LOGGING.items():
        if channel not in case.channels and not any(
            text.startswith(ASKED_AS.get(channel, "-")) for text in asked
        ):
            stand_in = channel == "knock_retard" and "knock_level" in case.channels
            target = channel == "lambda_target" and "lambda" not in case.channels
            if not stand_in and not target:
                advice.append(NextLog(text=f"Log {channel.replace('_', ' ')}", why=why))
    merged = list({a.text: a for a in advice}.values())[:MOST]
    return Result(
        status="found" if merged else "clear",
        why=counted(len(merged), "thing") + " to record"
        if merged
        else "nothing more is needed for now",
        next_log=merged,
    )
