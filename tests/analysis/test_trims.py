"""Trims at their limit, by hand: what lies flat, and what still asks for more."""

from types import SimpleNamespace

import numpy as np
import pytest

from pipeline.analysis._trims import trim_limit
from pipeline.limits import Limits

TIME = np.arange(0.0, 120.0, 0.1)
#: A trim that climbs for 20 s and then lies flat.
CLIMB = np.minimum(TIME / 20.0, 1.0)


def kinds(lam: float | None, **channels: np.ndarray) -> list[str]:
    """Channels of the findings; ``lam``: reading over target, None without a wideband."""
    on, off = np.ones(TIME.size, dtype=bool), np.zeros(TIME.size, dtype=bool)
    view = SimpleNamespace(time=TIME, limits=Limits(), get=channels.get)
    inputs = None
    if lam is not None:
        inputs = SimpleNamespace(reading=np.full(TIME.size, lam), target=np.ones(TIME.size))
    found = trim_limit(view, SimpleNamespace(running=on, fuel_cut=off), inputs)  # type: ignore[arg-type]
    return [f.channels[0] for f in found]


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_flat_trim_is_a_limit_only_while_lambda_asks_for_more(sign: float) -> None:
    trim = sign * 12.0 * CLIMB
    assert kinds(1.0 + sign * 0.02, fuel_trim_short=trim) == ["fuel_trim_short"]
    assert kinds(1.0, fuel_trim_short=trim) == []
    assert kinds(1.0 - sign * 0.02, fuel_trim_short=trim) == []


@pytest.mark.parametrize(
    ("takes", "lam", "told"),
    [
        (4.0, 1.01, []),
        (4.0, 1.04, ["fuel_trim_short"]),  # too much is left
        (0.0, 1.01, ["fuel_trim_short"]),  # nobody takes it over
    ],
)
def test_a_short_trim_whose_rest_the_long_one_takes_over_is_no_limit(
    takes: float, lam: float, told: list[str]
) -> None:
    long = takes * np.clip((TIME - 20.0) / 100.0, 0.0, 1.0)
    assert kinds(lam, fuel_trim_short=12.0 * CLIMB, fuel_trim_long=long) == told


def test_a_long_trim_is_at_its_limit_when_the_short_one_carries_the_rest_for_good() -> None:
    long = 10.0 * CLIMB
    assert kinds(1.0, fuel_trim_short=4.0 * CLIMB, fuel_trim_long=long) == ["fuel_trim_long"]
    assert kinds(1.0, fuel_trim_short=0.2 * CLIMB, fuel_trim_long=long) == []


def test_a_long_trim_is_at_its_limit_when_a_little_is_carried_for_long() -> None:
    """100 s flat: 1.4 % is more than the slowest learning leaves in that time, 1 % is not."""
    long = 10.0 * CLIMB
    assert kinds(1.0, fuel_trim_short=1.4 * CLIMB, fuel_trim_long=long) == ["fuel_trim_long"]
    assert kinds(1.0, fuel_trim_short=1.0 * CLIMB, fuel_trim_long=long) == []


def test_a_narrowband_tells_by_its_side_and_a_trim_alone_by_its_size() -> None:
    lean, rich = np.full(TIME.size, 0.1), np.full(TIME.size, 0.8)
    trim = 12.0 * CLIMB
    assert kinds(None, fuel_trim_short=trim, narrowband_voltage=lean) == ["fuel_trim_short"]
    assert kinds(None, fuel_trim_short=trim, narrowband_voltage=rich) == []
    assert kinds(None, fuel_trim_short=trim) == []
    assert kinds(None, fuel_trim_short=25.0 * CLIMB) == ["fuel_trim_short"]
