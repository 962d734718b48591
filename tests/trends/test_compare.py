"""Two drives of one car on matched points: alike where the car is, apart where fuel was changed."""

import re
from pathlib import Path

import pytest

from fixtures.cars import draw_car
from fixtures.drives import mixed_drive
from fixtures.simulate import simulate
from tests.spine.helpers import program, run

MINUTES = 12


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three drives on three roads; in the third the fuel table gives 3 % less everywhere."""
    folder = tmp_path_factory.mktemp("roads")
    logs = folder / "logs"
    for number, fuel_pct in ((1, 0.0), (2, 0.0), (3, -3.0)):
        drive = simulate(
            draw_car(12, closed_loop=False),
            mixed_drive(seed=40 + number, minutes=MINUTES, rate_hz=10),
            seed=number,
            table_correction=(lambda rpm, kpa: -3.0 + 0.0 * rpm) if fuel_pct else None,
        )
        drive.write(logs, f"2026-05-0{number} 1800 road", vehicle=True)
    done = run(logs, folder / "out")
    assert done.returncode == 0, done.stderr
    return folder / "out"


def _rows(out: Path, a: int, b: int) -> dict[str, dict[str, str]]:
    ids = sorted(p.stem for p in (out / "sessions").glob("*.html"))
    done = program("compare", out, ids[a], ids[b])
    assert done.returncode == 0, done.stderr
    page = (out / "compare" / f"{ids[a]}--{ids[b]}.html").read_text()
    found: dict[str, dict[str, str]] = {}
    for title, body in re.findall(r"<h2>([^<]*)</h2>(.*?)(?=<h2>|</main>)", page, re.S):
        found[title] = dict(
            re.findall(r'<th scope="row">([^<]*)</th><td class="n">([^<]*)</td>', body)
        )
    return found


CALLED = ("Worse", "Better", "Changed")
CANNOT = "These two logs cannot tell"
UNCHANGED = "Unchanged within what would matter"


def test_two_roads_on_a_sound_car_show_no_difference(out: Path) -> None:
    rows = _rows(out, 0, 1)
    called = {title for word in CALLED for title in rows.get(word, {})}
    assert not called
    named = {title for word in (UNCHANGED, CANNOT) for title in rows.get(word, {})}
    assert {"lambda against its target", "injector pulse width", "fuel pressure"} <= named


def test_three_percent_less_fuel_is_found_on_another_road(out: Path) -> None:
    """Own arithmetic: 3 % less fuel for the same air makes lambda 1/0.97, 3.1 % more."""
    rows = _rows(out, 0, 2)
    assert "lambda against its target" in rows["Changed"]
    found = float(rows["Changed"]["lambda against its target"].removesuffix(" %"))
    assert 2.1 < found < 4.1
    assert "fuel pressure" in rows[UNCHANGED]


def test_the_other_way_round_changes_the_sign_alone(out: Path) -> None:
    there = _rows(out, 0, 2)["Changed"]["lambda against its target"]
    back = _rows(out, 2, 0)["Changed"]["lambda against its target"]
    assert float(back.split()[0].replace("&#8722;", "-")) == pytest.approx(
        -float(there.split()[0]), abs=0.02
    )


@pytest.mark.parametrize("other", ["no-such", "../../x", ""])
def test_an_unknown_session_is_a_message(out: Path, other: str) -> None:
    ids = sorted(p.stem for p in (out / "sessions").glob("*.html"))
    done = program("compare", out, ids[0], other)
    assert done.returncode != 0
    assert done.stderr.strip()
    assert "Traceback" not in done.stderr
