"""What is said of a sensor that lies: its title, what rests on it, its causes and its cure."""

from pipeline.analysis._suspects import Suspect
from pipeline.results import Cause, Check, EngineState, Finding, Severity, evidence

#: The correction of fuel rests on these: a fault there is act.
CORRECTING = frozenset({"lambda", "manifold_pressure", "mass_air_flow", "coolant_temperature",
                        "intake_air_temperature"})  # fmt: skip
#: What a wrong channel makes worthless until it is mended.
_MIXTURE = ("lean_under_load", "rich_under_load", "lean_running", "rich_running", "trim_limit",
            "transient_mixture")  # fmt: skip
# The controller meters fuel by pressure, air flow and temperatures: a wrong one bends the mixture.
BLOCKS = {
    "lambda": (*_MIXTURE, "exhaust_leak", "intake_leak", "misfire_under_load"),
    "manifold_pressure": (*_MIXTURE, "boost_loss", "over_boost", "boost_creep", "knock_risk",
                          "intake_leak", "exhaust_leak", "low_fuel_pressure", "injector_limit",
                          "injector_minimum", "idle_hunting", "hot_intake"),
    "mass_air_flow": (*_MIXTURE, "intake_leak", "exhaust_leak", "injector_limit",
                      "injector_minimum", "idle_hunting"),
    "throttle_position": ("transient_mixture", "idle_hunting", "intake_leak", "boost_loss"),
    "coolant_temperature": (*_MIXTURE, "overheating", "thermostat_stuck_open", "slow_warm_up",
                            "air_in_coolant", "coolant_loss_suspected", "knock_risk",
                            "idle_hunting", "hard_start"),
    "intake_air_temperature": (*_MIXTURE, "hot_intake", "knock_risk", "exhaust_leak",
                               "injector_limit"),
    "vehicle_speed": ("idle_hunting", "thermostat_stuck_open"),
    "battery_voltage": ("low_charging_voltage", "high_charging_voltage"),
    "oil_pressure": ("low_oil_pressure",),
    "fuel_pressure": ("low_fuel_pressure",),
}  # fmt: skip
#: Mode -> what one reading does, and what several do.
SAYS = {
    "stuck": ("stands still at one value", "stand still at one value"),
    "open": (
        "reads as if its plug were off or a wire broken",
        "read as if their plugs were off or a wire broken",
    ),
    "short": ("reads as if its wire were shorted", "read as if their wires were shorted"),
    "offset": ("is off by a fixed amount", "are off by a fixed amount"),
    "scale": ("is off in proportion", "are off in proportion"),
    "noise": ("is drowned in noise", "are drowned in noise"),
    "spike": ("spikes", "spike"),
    "slow": ("follows too slowly", "follow too slowly"),
    "ground_shift": ("moves with the electrical load", "move with the electrical load"),
    "saturated": ("is at the end of its range", "are at the end of their range"),
    "reference_lost": ("loses its supply now and then", "lose their supply now and then"),
    "swapped": ("looks exchanged with another", "look exchanged with each other"),
    "dead": ("gives no signal", "give no signal"),
}
#: Mode -> what to do, with what, in which state of the engine, minutes. Common practice, no source.
CURES: dict[str, tuple[str, str, EngineState, float]] = {
    "open": ("pull and push the plug, then measure the sensor's resistance against its table",
             "multimeter", "key_on", 10),
    "short": ("unplug the sensor: if the reading goes to the other end, the sensor is shorted",
              "hands", "key_on", 10),
    "stuck": ("unplug the sensor: if the reading does not change, look at the logger and the wire",
              "hands", "key_on", 10),
    "dead": ("measure supply, ground and signal at the plug", "multimeter", "key_on", 10),
    "offset": ("compare with a second instrument at one point", "second instrument", "key_on", 10),
    "scale": ("hand pump on the sensor's hose, a gauge beside it, at two points",
              "hand pump with gauge", "key_on", 10),
    "noise": ("look for the wire beside coils and injectors, and at the sensor's ground",
              "eyes, multimeter", "off_cold", 10),
    "spike": ("wiggle plug and loom with key on and watch the reading", "hands", "key_on", 10),
    "slow": ("key off and all cold, take the sensor out: look at its tip, and at the hose or pipe "
             "before it", "spanner, eyes", "off_cold", 20),
    "ground_shift": ("volt drop from the sensor ground to battery minus, loads switched on",
                     "multimeter", "key_on", 10),
    "saturated": ("fit a sensor with a larger range before any more boost",
                  "sensor with its table", "off_cold", 30),
    "reference_lost": ("measure the 5 V supply while wiggling the loom: one sensor may pull it "
                       "down", "multimeter", "key_on", 10),
    "swapped": ("unplug one and see which reading goes away", "hands", "key_on", 10),
}  # fmt: skip
_NAMES = {"lambda": "lambda reading", "lambda_2": "second lambda reading"}
#: Of the doubt a check starts with, what drives left of it: of some 1,250 faults told (tests/judge
#: areas sensors 110-144, diagnosis 440-463, sensor_modes 1, 2, 21 and 22) 5 were none, where the
#: checks' own doubt is 5 to 25 %. Kept well above that share, for drives are not roads.
WRONG_SHARE = 0.2


def finding(s: Suspect) -> Finding:
    severity: Severity = "watch"
    if set(s.channels) & CORRECTING and s.confidence >= 0.8:
        severity = "act"
    if s.mode == "saturated" and s.in_boost:
        severity = "stop"
    causes = {
        "ground_shift": (("shared sensor ground", 0.8), ("noise from a fan or coil", 0.12)),
        "saturated": (("the sensor's range is too small", 0.9),),
        "reference_lost": (("5 V supply sags or a sensor shorts it", 0.85),),
        "swapped": (("plugs or inputs exchanged", 0.9),),
        "scale": (("hose to the sensor leaks or is kinked", 0.7), ("sensor", 0.15)),
        "offset": (("sensor or its calibration", 0.65), ("ground or supply", 0.2)),
        "spike": (("loose contact or interference", 0.8), ("sensor", 0.12)),
        "noise": (("interference or a bad ground", 0.7), ("sensor", 0.2)),
    }.get(s.mode, (("plug or wire", 0.55), ("sensor", 0.35)))
    cure = CURES[s.mode]
    if s.mode in ("scale", "offset", "saturated") and set(s.channels) & {"lambda", "lambda_2"}:
        causes = (("scale set in gauge or controller", 0.55), ("ground offset of its output", 0.2),
                  ("air leak between the sensors", 0.12))  # fmt: skip
        cure = ("compare gauge and controller at two points, one of them free air; look up the "
                "output's scale in the gauge's sheet", "voltmeter; the sensor is red hot",
                "key_on", 15)  # fmt: skip
    text, tool, engine, minutes = cure
    these, are = (
        ("this reading", "it is") if len(s.channels) == 1 else ("these readings", "they are")
    )
    return Finding(
        kind="sensor_fault", severity=severity,
        confidence=round(1.0 - WRONG_SHARE * (1.0 - s.confidence), 3),
        start_s=s.start_s, end_s=s.end_s, mode=s.mode, channels=list(s.channels),
        title=f"The {told(s)}",
        detail=f"{s.seen[0].upper()}{s.seen[1:]}. What rests on {these} is not to be trusted until "
        f"{are} mended.",
        step=0 if severity == "stop" else 1,
        blocks=[] if s.mode == "dead" and "oil_pressure" in s.channels  # none may be the truth
        else sorted({k for n in s.channels for k in BLOCKS.get(n, ())}),
        evidence=evidence(**dict(s.evidence)),
        likely_causes=[Cause(cause=c, probability=p) for c, p in causes],
        next_checks=[Check(text=text[0].upper() + text[1:], tool=tool, engine=engine,
                           minutes=minutes, decides=[c for c, _ in causes])],
    )  # fmt: skip


def told(s: Suspect) -> str:
    """Which readings do what: "coolant temperature and intake air temperature move with …"."""
    names = [_NAMES.get(n, n.replace("_", " ")) for n in s.channels]
    several = len(names) > 1
    if several and s.mode in ("offset", "scale"):  # they contradict each other
        return f"either {' or '.join(names)} {SAYS[s.mode][0]}"
    together = f"{', '.join(names[:-1])} and {names[-1]}" if several else names[0]
    return f"{together} {SAYS[s.mode][several]}"
