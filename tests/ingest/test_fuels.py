"""Gauges of every fuel: whatever a gauge shows at lambda 1, the mixture read is the true one."""

from pathlib import Path

import numpy as np
import pytest

from fixtures.cars import draw_car
from fixtures.drives import mid_drive
from fixtures.simulate import simulate
from pipeline.channels import CHANNELS
from pipeline.ingest import read_log
from pipeline.vehicle import parse_vehicle

#: Ratio of the fuel itself: blends and alcohols, near what a gauge set to the fuel would show.
OWN = {"e10": 14.05, "e85": 9.85, "methanol": 6.46}


@pytest.mark.parametrize(
    ("kind", "set_to"), [("e10", "own"), ("e85", "own"), ("e85", "petrol"), ("methanol", "own")]
)
def test_lambda_is_true_whatever_the_gauge_is_set_to(
    kind: str, set_to: str, tmp_path: Path
) -> None:
    shown = OWN[kind] if set_to == "own" else 14.7
    drive = mid_drive(5, 1.5, 10.0, lambda_as="ratio", gauge_ratio=shown)
    run = simulate(draw_car(11, fuel_kind=kind, closed_loop=True, sensor_gain=0.0), drive)
    path = run.write(tmp_path, "drive")
    vehicle = parse_vehicle(run.vehicle_toml.encode(), channel_names=CHANNELS)
    frame = read_log(path, vehicle=vehicle).sessions[0].frame
    logged = run.frame[run.columns["lambda"]].to_numpy() / shown
    np.testing.assert_allclose(frame["lambda"].to_numpy(), logged, rtol=0.003)
    assert float(np.nanmedian(frame["lambda_target"].to_numpy())) == pytest.approx(1.0, abs=0.02)
