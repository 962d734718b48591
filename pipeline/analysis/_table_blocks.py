"""Which open faults of the machine keep a fuel table from being corrected."""

from collections.abc import Sequence

from pipeline.results import Finding

#: Kinds of finding (watch and worse) that bend the whole table.
BLOCKS_ALL = frozenset(
    {"exhaust_leak", "intake_leak", "low_fuel_pressure", "rough_running", "controller_reset",
     "crank_signal_loss"}
)  # fmt: skip
#: Kinds that bend what lies under load, at LOAD_KPA and above.
BLOCKS_LOAD = frozenset({"misfire_under_load", "injector_limit", "boost_loss"})
LOAD_KPA = 80.0
#: Channels whose fault makes every correction worthless.
SENSORS = frozenset(
    {"lambda", "lambda_2", "lambda_target", "manifold_pressure", "intake_air_temperature",
     "coolant_temperature", "barometric_pressure", "mass_air_flow"}
)  # fmt: skip


def open_faults(findings: Sequence[Finding]) -> tuple[dict[str, str], dict[str, str]]:
    """Faults at watch and worse, name to title: those that bend all, those that bend load."""
    everywhere: dict[str, str] = {}
    loaded: dict[str, str] = {}
    for finding in findings:
        if finding.severity == "info":
            continue
        sensor = finding.kind == "sensor_fault" and bool(SENSORS & set(finding.channels))
        if finding.kind in BLOCKS_ALL or sensor:
            everywhere[finding.kind.replace("_", " ")] = finding.title
        elif finding.kind in BLOCKS_LOAD:
            loaded[finding.kind.replace("_", " ")] = finding.title
    return everywhere, loaded
