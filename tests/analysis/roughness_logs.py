"""Sessions of an idling engine for the tests of roughness and hunting."""

import numpy as np

from pipeline.registry import load_registry
from pipeline.runner import run_all
from pipeline.session import ChannelInfo, Session
from pipeline.vehicle import Vehicle
from tests.bench.roughness_truth import Engine, Logger, Misses, simulate

ENGINE = Engine(noise=0.05, inertia_kg_m2=0.18)


def session(time, **channels):
    """Session of a warm engine with these channels, at rest."""
    n = time.size
    full = {
        "vehicle_speed": np.zeros(n),
        "throttle_position": np.full(n, 1.0),
        "coolant_temperature": np.full(n, 88.0),
        **channels,
    }
    info = {
        name: ChannelInfo(unit="1", column=name, conversion="none", rows=n, effective_hz=10.0)
        for name in full
    }
    return Session(id="s", time=time - time[0], channels=full, info=info, vehicle=Vehicle())


def idle(share=0.0, *, rate=20.0, seconds=90.0, seed=1, engine=ENGINE):
    """Time and speed of one idle with that share of one cylinder's firings missing."""
    truth = simulate(engine, Logger(rate_hz=rate), logs=1, seconds=seconds, seed=seed,
                     misses=Misses(share))  # fmt: skip
    return truth.time[0], truth.speed[0]


def run(log, name, **options):
    """Result of one analysis, and nothing else failed."""
    return run_all(log, load_registry(), **options)[name]
