"""The stretch of the log a finding is shown on, and what a log settles of its vehicle."""

import numpy as np
import pytest

from pipeline.assumptions import BOOSTED_KPA, settle
from pipeline.results import Finding, Severity
from pipeline.session import ChannelInfo, Session
from pipeline.stretch import MOST, stretches
from pipeline.vehicle import DEFAULT_VEHICLE, parse_vehicle

TIME = np.arange(0.0, 600.0, 0.1)


def session(*names: str) -> Session:
    info = {n: ChannelInfo(unit="u", column=n, conversion="none", rows=TIME.size, effective_hz=10.0)
            for n in names}  # fmt: skip
    return Session("x", TIME, {n: np.sin(TIME) for n in names}, info, DEFAULT_VEHICLE)


def finding(start_s: float, end_s: float, *channels: str, severity: Severity = "act") -> Finding:
    return Finding(kind="stall", severity=severity, confidence=0.9, start_s=start_s, end_s=end_s,
                   title="It is so", detail="", step=2, channels=list(channels))  # fmt: skip


@pytest.mark.parametrize(
    ("start_s", "end_s", "shown", "bands", "marks"),
    [
        (100.0, 110.0, (94.0, 116.0), 1, 0),  # six tenths of it either side
        (100.0, 104.0, (96.0, 108.0), 1, 0),  # but 4 s at least
        (1.0, 5.0, (0.0, 9.0), 1, 0),  # as far as there is a log
        (300.0, 300.1, (296.0, 304.1), 0, 1),  # a moment is a line
        (20.0, 590.0, (0.0, 599.9), 0, 0),  # nearly all of it is all of it
    ],
)
def test_a_finding_is_shown_with_what_lies_round_it(
    start_s: float, end_s: float, shown: tuple[float, float], bands: int, marks: int
) -> None:
    (figure,) = stretches(session("engine_speed"), [finding(start_s, end_s, "engine_speed")])
    x = figure.panels[0].lines[0].x
    assert (x[0], x[-1]) == pytest.approx(shown, abs=0.11)
    assert (len(figure.bands), len(figure.marks)) == (bands, marks)


def test_its_own_channels_come_first_and_a_target_lies_in_its_panel() -> None:
    log = session("engine_speed", "lambda", "lambda_target", "manifold_pressure", "vehicle_speed")
    (figure,) = stretches(log, [finding(100.0, 110.0, "lambda", "lambda_target")])
    assert [panel.title for panel in figure.panels] == [
        "lambda", "engine speed", "manifold pressure",
    ]  # fmt: skip
    assert [line.label for line in figure.panels[0].lines] == ["lambda", "target"]
    assert stretches(log, [finding(100.0, 110.0, "oil_pressure")])[0].panels[0].title == (
        "engine speed"
    )
    assert stretches(session("oil_pressure"), [finding(100.0, 110.0)]) == []


def test_of_too_many_findings_the_gravest_are_shown() -> None:
    many = [finding(10.0 * k, 10.0 * k + 2.0, "engine_speed", severity="info") for k in range(30)]
    grave = finding(500.0, 502.0, "engine_speed", severity="stop")
    found = stretches(session("engine_speed"), [*many, grave])
    assert len(found) == MOST
    assert any(figure.bands[0].start == 500.0 for figure in found)


@pytest.mark.parametrize(("share", "boosted"), [(0.0005, False), (0.002, True)])
def test_boost_that_lasts_shows_forced_induction(share: float, boosted: bool) -> None:
    pressure = np.where(np.arange(10_000) < share * 10_000, BOOSTED_KPA + 1.0, 90.0)
    vehicle, assumed = settle(DEFAULT_VEHICLE, {"manifold_pressure": pressure})
    assert vehicle.engine.forced_induction is boosted
    assert assumed["engine.forced_induction"] == (boosted, "log" if boosted else "default")
    given = parse_vehicle(b"[engine]\nforced_induction = false", channel_names=())
    kept, told = settle(given, {"manifold_pressure": pressure})
    assert kept.engine.forced_induction is False
    assert told["engine.forced_induction"] == (False, "vehicle.toml")


@pytest.mark.parametrize(
    ("channels", "sensing", "source"),
    [
        (("mass_air_flow",), "air_meter", "log"),
        (("mass_air_flow", "manifold_pressure"), "speed_density", "default"),
        ((), "speed_density", "default"),
    ],
)
def test_an_air_meter_alone_is_what_load_is_told_by(
    channels: tuple[str, ...], sensing: str, source: str
) -> None:
    vehicle, assumed = settle(DEFAULT_VEHICLE, dict.fromkeys(channels, np.full(100, 50.0)))
    assert vehicle.engine.load_sensing == sensing
    assert assumed["engine.load_sensing"] == (sensing, source)
