import numpy as np
import pytest

from pipeline.physics import combustion, knock, knock_scale, knock_table

ENGINE = knock_table.Engine(
    cylinder=combustion.cylinder_from(displacement_l=2.0, cylinders=4, compression_ratio=9.0),
    octane=95.0, boosted=True,
)  # fmt: skip


def test_bytes_and_key() -> None:
    table = knock_table.build(ENGINE)
    again = knock_table.KnockTable.from_bytes(table.to_bytes())
    assert again.to_bytes() == table.to_bytes()
    assert np.array_equal(again.limit_deg, table.limit_deg)
    other = knock_table.Engine(cylinder=ENGINE.cylinder, octane=98.0, boosted=True)
    assert ENGINE.key != other.key
    with pytest.raises(ValueError, match="not a knock table"):
        knock_table.KnockTable.from_bytes(b"nonsense")


def test_the_integral_is_one_at_the_limit() -> None:
    table = knock_table.build(ENGINE, mixture_term=False)
    k = (3, 5, 2, 1)
    limit = table.limit_deg[k]
    one = np.ones(1)
    out = knock.run_cycle(
        ENGINE.cylinder, speed_rpm=one * knock_table.SPEED_RPM[3],
        manifold_kpa=one * knock_table.MANIFOLD_KPA[5],
        intake_k=knock.intake_kelvin(one * knock_table.INTAKE_C[2]),
        lambda_=one * knock_table.LAMBDA[1], spark_deg=one * limit, octane=95.0, boosted=True,
    )  # fmt: skip
    assert np.exp(out.log_integral[0]) == pytest.approx(1.0, abs=0.01)


def test_steps_of_one_degree_are_fine_enough() -> None:
    point = {
        "speed_rpm": np.array([2500.0]), "manifold_kpa": np.array([150.0]),
        "intake_k": np.array([313.0]), "lambda_": np.array([0.87]), "spark_deg": np.array([14.0]),
    }  # fmt: skip
    coarse, fine = (
        knock.run_cycle(ENGINE.cylinder, octane=95.0, boosted=True, step_deg=step, **point)
        for step in (1.0, 0.1)
    )
    # 0.03 in ln(integral) is half a degree of spark.
    assert coarse.log_integral[0] == pytest.approx(fine.log_integral[0], abs=0.06)
    assert coarse.peak_kpa[0] == pytest.approx(fine.peak_kpa[0], rel=0.02)


def _cycle(**changes: float) -> knock.CycleOutcome:
    point = {"speed_rpm": 2500.0, "manifold_kpa": 150.0, "intake_k": 313.0, "lambda_": 0.87,
             "spark_deg": 14.0, **changes}  # fmt: skip
    return knock.run_cycle(ENGINE.cylinder, octane=95.0, boosted=True,
                           **{k: np.array([v]) for k, v in point.items()})  # fmt: skip


def test_the_end_gas_gets_less_hot_than_cold_gas_would() -> None:
    """Hot air holds more heat: tables of air (Cengel A-17, from memory) give 801 K for 350 K
    compressed twentyfold, where the heat ratio of cold air would give 824 K."""
    out = _cycle()
    one = np.ones(1)
    begun = knock.trapped(ENGINE.cylinder, 2500.0 * one, 150.0 * one, 313.0 * one, 0.87 * one,
                           True, knock.PETROL, 0.0)  # fmt: skip
    squeezed = out.end_gas_kpa[0] / begun.pressure_kpa[0]
    cold = begun.temperature_k[0] * squeezed ** (1.0 - 1.0 / knock.END_GAS_RATIO_AT_300K)
    assert 0.85 * cold < out.end_gas_k[0] < 0.985 * cold


def test_fuel_gives_less_heat_than_it_holds() -> None:
    """Petrol's 44 MJ/kg over 14.6 kg of air are 3.0 MJ per kg of air (Heywood, table D.4)."""
    one = np.ones(1)
    held = knock.trapped(ENGINE.cylinder, 2500.0 * one, 100.0 * one, 298.0 * one, one, False,
                          knock.PETROL, 0.0)  # fmt: skip
    air_kg = (held.mass_r / 287.05) * (1.0 - held.residual) / (1.0 + 1.0 / 14.6)
    assert 2.6e3 < held.heat_kj[0] / air_kg[0] < 3.0e3


def test_off_its_best_mixture_the_charge_burns_more_slowly() -> None:
    best = _cycle(lambda_=knock.BURN_BEST_LAMBDA).half_burned_deg[0]
    assert _cycle(lambda_=knock.BURN_BEST_LAMBDA + 0.25).half_burned_deg[0] > best + 0.5
    assert _cycle(lambda_=knock.BURN_BEST_LAMBDA - 0.25).half_burned_deg[0] > best + 0.5


def test_look_up_gives_the_nodes_and_holds_the_edges() -> None:
    table = knock_table.build(ENGINE)
    lookup = knock_table.look_up(
        speed_rpm=[knock_table.SPEED_RPM[3], 20000.0],
        manifold_kpa=[knock_table.MANIFOLD_KPA[5]] * 2, intake_c=[knock_table.INTAKE_C[2]] * 2,
        lambda_=[knock_table.LAMBDA[1]] * 2,
    )  # fmt: skip
    assert lookup.of(table.limit_deg) == pytest.approx(
        [table.limit_deg[3, 5, 2, 1], table.limit_deg[-1, 5, 2, 1]]
    )


@pytest.mark.parametrize(("ratio", "octane"), [(7.9, 98.0), (10.5, 95.0)])
def test_between_its_nodes_the_table_is_the_model(ratio: float, octane: float) -> None:
    """At points drawn from a road engine's range the integral at the table's limit is near 1."""
    engine = knock_table.Engine(
        cylinder=combustion.cylinder_from(
            displacement_l=2.0, cylinders=4, compression_ratio=ratio
        ), octane=octane, boosted=True,
    )  # fmt: skip
    table = knock_table.build(engine, mixture_term=False)
    random = np.random.default_rng(3)
    size = 400
    speed, pressure = random.uniform(1300, 6500, size), random.uniform(85, 210, size)
    celsius = random.uniform(10, 65, size)
    lambda_ = np.where(pressure > 110, random.uniform(0.75, 0.9, size), 0.97)
    lookup = knock_table.look_up(
        speed_rpm=speed, manifold_kpa=pressure, intake_c=celsius, lambda_=lambda_
    )
    limit, slope = knock_table.spark_limit(table, lookup)
    out = knock.run_cycle(
        engine.cylinder, speed_rpm=speed, manifold_kpa=pressure,
        intake_k=knock.intake_kelvin(celsius), lambda_=lambda_, spark_deg=limit, octane=octane,
        boosted=True,
    )  # fmt: skip
    near = limit < 45.0  # further off nobody runs
    off = np.abs(out.log_integral / slope)[near]
    assert np.quantile(off, 0.9) < 1.0


def test_scale_learns_both_ways() -> None:
    prior = knock_scale.estimate([], [])
    assert prior.mean == pytest.approx(0.0, abs=1e-6)
    assert prior.sigma == pytest.approx(np.log(1.5) / 1.96, rel=0.01)
    assert knock_scale.estimate([(-6.0, 0.06)], []).mean > 0.1
    assert knock_scale.estimate([], [(6.0, 0.06)]).mean < -0.1


def test_geometry() -> None:
    cylinder = combustion.cylinder_from(
        displacement_l=2.0, cylinders=4, compression_ratio=10.0, bore_mm=86.0, stroke_mm=86.0
    )
    top, bottom = combustion.volume_m3(cylinder, [0.0, 180.0])
    assert bottom / top == pytest.approx(10.0)
    assert bottom - top == pytest.approx(cylinder.swept_m3)
