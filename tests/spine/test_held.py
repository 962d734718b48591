"""What lies in memory while a log is analysed: a column of the longest log is 16 MB."""

import types
from typing import Any

import numpy as np

from pipeline.facts._believed import believed
from pipeline.meta import FactMeta, Meta
from pipeline.registry import Analysis, Fact, Registry
from pipeline.results import Result
from pipeline.runner import STATES, analyse
from pipeline.session import Session, View
from pipeline.vehicle import DEFAULT_VEHICLE


def session(**channels: Any) -> Session:
    time = np.arange(20) / 10.0
    return Session(id="a", time=time, channels=channels, info={}, vehicle=DEFAULT_VEHICLE)


def test_a_fact_is_held_until_nobody_asks_for_it_any_more() -> None:
    held: dict[str, set[str]] = {}
    log = session()
    module = types.ModuleType("made")

    def fact(name: str, *needs: str) -> Fact:
        return Fact(name, FactMeta(summary="", version=1, facts=needs), lambda _: name, module)

    def look(name: str, *facts: str) -> Analysis:
        def run(view: View) -> Result:
            for wanted in facts:
                view.fact(wanted)
            held[name] = set(log.facts)
            return Result(status="clear", why="")

        meta = Meta(question="?", version=1, kinds=(), references=(), facts=facts, shortest_s=0.0)
        return Analysis(name, meta, module, run, None, None)

    facts = [fact(STATES), fact("early"), fact("below"), fact("late", "below")]
    looks = [look("a", STATES, "early", "below"), look("b"), look("c", "late"), look("d")]
    analyse(log, Registry({f.id: f for f in facts}, {a.id: a for a in looks}), strict=True)
    assert held["a"] == {STATES, "early", "below"}
    assert held["b"] == {STATES, "below"}
    assert held["c"] == {STATES, "below", "late"}
    assert held["d"] == {STATES}


def test_readings_of_a_sound_sensor_are_not_copied() -> None:
    speed = np.linspace(800.0, 900.0, 20)

    class Validity:
        def __init__(self) -> None:
            self.values = {"engine_speed": speed}

        sound = np.ones(20, dtype=bool)

        def good(self, _: str) -> Any:
            return self.sound

    class Looked:
        def fact(self, _: str) -> Validity:
            return Validity()

    view: Any = Looked()
    assert believed(view, "engine_speed", speed) is speed
    Validity.sound[3] = False
    assert np.flatnonzero(np.isnan(believed(view, "engine_speed", speed))).tolist() == [3]
