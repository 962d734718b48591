import datetime as dt

import numpy as np
import pytest

from pipeline.analysis._knock_findings import Drop, assess
from pipeline.facts.knock_margin import Zone
from pipeline.limits import Limits
from pipeline.logbook import Entry
from pipeline.meta import Earlier
from pipeline.physics.knock_scale import PRIOR
from pipeline.results import Result
from tests.analysis.pull_logs import VEHICLE, fact, kinds, log, results

KNOWN = ("engine.compression_ratio", "fuel.octane_ron")


def _log(spark: float, retard: float | None = None, **more: float) -> dict[str, np.ndarray]:
    channels = log()
    size = channels["time"].size
    wide = channels["throttle_position"] > 50.0
    channels["spark_advance"] = np.where(wide, spark, 20.0)
    channels["intake_air_temperature"] = np.full(size, more.get("intake", 40.0))
    channels["lambda"] = np.full(size, 0.87)
    if retard is not None:
        late = wide & (channels["engine_speed"] > 3500.0) & (channels["engine_speed"] < 4200.0)
        channels["knock_retard"] = np.where(late, retard, 0.0)
    return channels


def _knock(channels: dict[str, np.ndarray], **more: object) -> Result:
    return results(channels, "knock", **more)["knock"]


def test_modest_spark_is_quiet_and_much_spark_is_a_risk() -> None:
    assert not _knock(_log(2.0)).findings
    far = _knock(_log(32.0))
    assert kinds(far) == {"knock_risk": "watch"}
    assert far.findings[0].confidence <= 0.85  # a model alone
    assert far.metrics["knock_margin_min_deg"].value < -8.0


def test_a_degree_of_spark_is_a_degree_of_margin() -> None:
    a, b = _knock(_log(4.0)), _knock(_log(9.0))
    margins = [r.metrics["knock_margin_min_deg"].value for r in (a, b)]
    assert margins[0] - margins[1] == pytest.approx(5.0, abs=0.1)


def test_a_charge_that_heats_up_in_a_run_is_not_taken_for_what_its_slow_sensor_reads() -> None:
    channels = _log(6.0)
    time, wide = channels["time"], channels["throttle_position"] > 50.0
    charge, reading = np.full(time.size, 40.0), np.full(time.size, 40.0)
    for k in range(1, time.size):
        step = time[k] - time[k - 1]
        charge[k] = charge[k - 1] + step * (3.0 if wide[k] else 0.5 * (40.0 - charge[k - 1]))
        reading[k] = reading[k - 1] + step / 1.5 * (charge[k] - reading[k - 1])
    channels["intake_air_temperature"] = np.round(2.0 * reading) / 2.0
    used = fact(channels, "knock_margin")
    rows = np.isfinite(used.margin_deg) & wide
    late, left = (np.abs(charge - x)[rows].mean() for x in (reading, used.intake_c))
    assert late > 2.5
    assert left < 0.4 * late


def test_defaults_keep_a_near_thing_to_info() -> None:
    result = _knock(_log(14.0), toml="[engine]\nforced_induction = true\n")
    assert kinds(result) in ({"knock_risk": "info"}, {})
    assert "safe" not in result.why


def test_the_nearer_to_its_limit_the_less_the_model_is_believed() -> None:
    """A near thing is likelier the model's error than knock: it is said, and at info."""
    timing = Entry(date=dt.datetime(2026, 4, 1), kind="check", item="base_timing", text="light")
    near, far = (_knock(_log(spark), logbook=[timing]).findings[0] for spark in (14.8, 26.0))
    assert (near.severity, far.severity) == ("info", "watch")
    assert near.confidence < 0.5 < far.confidence


def test_spark_past_best_torque_supports_the_model_and_little_spark_hardly_denies_it() -> None:
    """Nobody tunes past best torque; yet heat and octane take a margin at any spark."""
    assert _knock(_log(12.0)).digest["beyond_deg"] == pytest.approx(12.0 - 20.0, abs=2.5)

    def told(margin: float, beyond: float) -> float:
        zone = Zone(3750.0, 150.0, 2.0, margin, 0.1, 3.0, 10.0, 20.0, 0.0, 0.0, np.nan, 20.0)
        risk = assess([zone], PRIOR, {}, {}, limits=Limits(), alive=False, beyond=beyond)
        return 0.0 if risk is None else risk.probability

    assert told(-1.0, -20.0) == 0.0 < told(-1.0, np.nan) < told(-1.0, 6.0) < told(-1.0, 9.0)
    assert told(-1.0, 30.0) == told(-1.0, 15.0) < 0.9  # spark alone proves no knock
    assert told(-9.0, np.nan) - 0.01 < told(-9.0, -20.0)
    assert told(0.5, 30.0) == 0.0  # nor does it make a margin that is left a lost one
    assert "past what the model takes for best torque" in _knock(_log(32.0)).findings[0].detail


def test_the_page_says_what_is_assumed_of_this_car() -> None:
    def rows(toml: str, **more: object) -> dict[str, str]:
        result = _knock(_log(6.0), toml=toml, **more)
        table = next(f for f in result.figures if f.id == "knock-assumptions")
        return {str(r[0]): str(r[2]) for r in table.rows}  # type: ignore[union-attr]

    bare = rows("[engine]\nforced_induction = true\n")
    given = rows(VEHICLE)
    for name in ("compression ratio", "octane number (RON)", "displacement", "bore", "stroke"):
        assert (bare[name], given[name]) == ("default", "vehicle.toml")
    assert given["fuel"] == given["burn duration at 3000 rpm"] == "default"
    assert given["charge temperature"] == "log"
    assert "not checked" in given["base timing"]
    timing = Entry(date=dt.datetime(2026, 4, 1), kind="check", item="base_timing", text="light")
    assert "logbook" in rows(VEHICLE, logbook=[timing])["base timing"]


def test_heard_and_expected_is_act() -> None:
    result = _knock(_log(18.0, retard=5.0))
    assert kinds(result) == {"knock_risk": "act"}


def test_a_working_channel_that_was_quiet_overrules_the_model() -> None:
    channels = _log(16.0, retard=0.0)
    # It moved once at light load, so it works; under load it heard nothing.
    channels["knock_retard"][100:110] = 1.5
    assert not _knock(channels).findings
    dead = _log(16.0, retard=0.0)
    assert _knock(dead).findings  # one that never moves proves nothing


def _quiet(channels: dict[str, np.ndarray]) -> dict[str, list[Earlier]]:
    before = _knock(channels)
    assert not before.findings
    return {"knock": [
        Earlier(session_id=f"e{k}", start_time=f"2026-04-0{k + 1}", duration_s=80.0,
                digest=before.digest, version=1, metrics={}, findings=[])
        for k in range(2)
    ]}  # fmt: skip


def test_more_spark_is_told_by_how_wide_the_margin_was_and_a_hot_day_is_not() -> None:
    earlier = _quiet(_log(-8.0, retard=0.0))
    for more, told in ((2.0, False), (4.5, True)):
        now = _knock(_log(-8.0 + more, retard=0.0), earlier=earlier)
        assert now.metrics["knock_margin_min_deg"].low > 0.0  # type: ignore[operator]
        assert bool(now.findings) == told
    assert "quiet running" in now.findings[0].title
    hot = _knock(_log(-8.0, retard=0.0, intake=70.0), earlier=earlier)
    was = earlier["knock"][0].digest["zones"]
    assert hot.digest["zones"][0][3] < was[0][3] - 3.0  # the model sees it
    assert not hot.findings


def test_a_margin_gone_is_believed_sooner_where_the_same_car_had_more_before() -> None:
    """No knock channel in any session: the change alone is no risk, beside a lost margin it is."""
    timing = Entry(date=dt.datetime(2026, 4, 1), kind="check", item="base_timing", text="light")
    earlier = _quiet(_log(2.0))
    alone = _knock(_log(12.0), logbook=[timing])
    now = _knock(_log(12.0), logbook=[timing], earlier=earlier)
    assert not alone.findings
    assert kinds(now) == {"knock_risk": "watch"}
    assert "10 deg more there" in now.findings[0].detail
    assert not _knock(_log(9.0), logbook=[timing], earlier=earlier).findings  # margin left


def test_a_drop_far_from_the_limit_or_at_another_pressure_is_none() -> None:
    def told(slope: float, spark: float) -> bool:
        zone = Zone(1750.0, 90.0, 2.0, -0.5, slope, 4.0, 10.0, 20.0, 0.0, 0.0, np.nan, 20.0)
        drops = {(1750.0, 90.0): Drop(3.6, spark)}
        return assess([zone], PRIOR, drops, {}, limits=Limits(), alive=False) is not None

    assert told(0.055, -0.5)  # hot charge, say
    assert not told(0.03, -0.5)  # the integral hardly rises with spark: a few kPa make it
    assert told(0.03, 3.6)  # but spark was put in
    for z in _knock(_log(12.0)).digest["zones"]:
        assert z[0] - 250.0 <= z[12] <= z[0] + 250.0
        assert z[1] - 10.0 <= z[13] <= z[1] + 10.0


def test_change_against_earlier_quiet_running() -> None:
    earlier = _quiet(_log(6.0, retard=0.0))
    now = _knock(_log(12.0, retard=0.0), earlier=earlier)
    assert kinds(now) == {"knock_risk": "watch"}
    assert now.findings[0].evidence["below_quiet"].value == pytest.approx(6.0, abs=0.3)


def test_retard_events() -> None:
    channels = _log(10.0, retard=3.0)
    result = results(channels, "knock_control")["knock_control"]
    # Three runs, each in one zone: three times is act.
    assert kinds(result) == {"knock_retard": "act"}
    assert result.metrics["knock_retard_max_deg"].value == 3.0
    few = _log(10.0, retard=3.0)
    few["knock_retard"][few["time"] > 50.0] = 0.0
    assert kinds(results(few, "knock_control")["knock_control"]) == {"knock_retard": "watch"}
    still = _log(10.0)
    still["knock_retard"] = np.full(still["time"].size, 3.0)
    assert kinds(results(still, "knock_control")["knock_control"]) == {"knock_retard": "info"}
