"""Where the knock model's error comes from: what a car's delay scale and burn duration leave open.

Run as ``python -m tests.bench.knock_parts FIRST LAST``. Per simulated car the model's own spark
limit (no table, no mixture term: the simulator has none) at the true speed, pressure, charge and
lambda of a drive of pulls, less the truth; then again with the scale, the duration or both taken
from the simulator. Only this comparison knows them: no log shows them.
"""

import dataclasses
import sys
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from fixtures.cars import draw_car
from fixtures.drives import pulls
from fixtures.knock import BURN_DEG, closure
from fixtures.simulate import simulate
from pipeline.facts.knock_table import engine_of
from pipeline.physics import knock
from pipeline.physics.knock_table import Engine
from pipeline.vehicle import parse_vehicle

Floats = NDArray[np.float64]
#: kPa from which rows count; rows taken of a drive, halvings of the search.
LEAST_KPA = 90.0
#: deg of true limit beyond which nobody runs an engine: the integral hardly rises with spark.
FAR_DEG = 45.0
ROWS = 200
HALVINGS = 12
VARIANTS = ("as it is", "true delay scale", "true burn duration", "both")


def limit(engine: Engine, point: Mapping[str, Floats], burn_factor: float) -> Floats:
    """Spark (deg, (n,)) at which the integral is 1, by halving, without a table."""
    size = next(iter(point.values())).size
    low, high = np.full(size, -25.0), np.full(size, 60.0)
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        quiet = knock.run_cycle(
            engine.cylinder, speed_rpm=point["rpm"], manifold_kpa=point["kpa"],
            intake_k=point["charge_k"], lambda_=point["lambda"], spark_deg=middle,
            octane=engine.octane, boosted=engine.boosted, fuel=engine.fuel,
            delay_scale=engine.delay_scale, burn_factor=burn_factor,
        ).log_integral < 0.0  # fmt: skip
        low, high = np.where(quiet, middle, low), np.where(quiet, high, middle)
    return np.asarray(0.5 * (low + high))


def of_car(seed: int) -> dict[str, tuple[float, float]]:
    """Bias (median) and what is left of the error after it (90 % of rows), deg, per variant."""
    car = draw_car(seed)
    run = simulate(car, pulls(seed))
    true = run.truth.series
    reached = true["knock_margin_deg"] + true["true.spark_advance"]
    rows = np.flatnonzero(
        (reached < FAR_DEG) & (true["true.manifold_pressure"] > LEAST_KPA)
        & (true["true.engine_speed"] > 1300.0) & (true["fuel_g_s"] > 0.0)
    )  # fmt: skip
    rows = rows[:: max(1, rows.size // ROWS)]
    point = {
        "rpm": true["true.engine_speed"][rows], "kpa": true["true.manifold_pressure"][rows],
        "charge_k": true["charge_c"][rows] + 273.15,
        "lambda": np.clip(true["lambda_cylinder"][rows], 0.65, 1.15),
    }  # fmt: skip
    goal = reached[rows]
    engine = engine_of(parse_vehicle(run.vehicle_toml.encode(), channel_names=()))
    scale, duration = closure(car)
    slow = duration / (0.5 * sum(BURN_DEG))
    found = {}
    for name, own, factor in zip(
        VARIANTS, (engine.delay_scale, scale, engine.delay_scale, scale), (1.0, 1.0, slow, slow),
        strict=True,
    ):  # fmt: skip
        off = limit(dataclasses.replace(engine, delay_scale=own), point, factor) - goal
        bias = float(np.median(off))
        found[name] = (bias, float(np.quantile(np.abs(off - bias), 0.9)))
    return found


def main(first: int, last: int) -> None:
    """Print the figures over all cars."""
    cars = [of_car(seed) for seed in range(first, last + 1)]
    for name in VARIANTS:
        bias, left = (np.array([car[name][k] for car in cars]) for k in (0, 1))
        sys.stdout.write(
            f"{name}: bias {np.median(bias):.1f} deg, spread over {bias.size} cars "
            f"{bias.std():.2f}; left in a car (90 % of rows) {np.median(left):.2f}, "
            f"most {left.max():.2f}\n"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
