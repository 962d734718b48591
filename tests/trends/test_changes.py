"""What moved: found where a step was put in, silent where nothing was."""

import numpy as np

from pipeline.changes import effects_of, series_of, trends_of
from pipeline.history import Summary
from pipeline.report.trends import trends_page
from pipeline.report.units import Units
from tests.trends.summaries import entry, summary

#: Metrics followed at once; about as many as a full log gives.
METRICS = 40
#: Spread between sessions of each metric: the most, and the least of those drawn.
SPREAD, LEAST_SPREAD = 0.01, 0.002


def _week(seed: int, *, step: float = 0.0, slope: float = 0.0, sessions: int = 10) -> list[Summary]:
    """Ten sessions with forty metrics of at most 1 % spread; the first metric steps at day 4.5."""
    rng = np.random.default_rng(seed)
    spread = rng.uniform(LEAST_SPREAD, SPREAD, METRICS)
    values = 50.0 * (1.0 + spread * rng.standard_normal((sessions, METRICS)))
    values[5:, 0] *= 1.0 + step
    values[:, 0] *= 1.0 + slope * np.arange(sessions)
    return [
        summary(n, metrics={f"m{i:02d}": v for i, v in enumerate(row)})
        for n, row in enumerate(values)
    ]


def test_a_step_of_three_percent_is_found_at_its_entry() -> None:
    """95 of 100 weeks, less chance; the interval holds the true step as often as it claims.

    Where all forty metrics spread by the full 1 %, four weeks in five are found: Student's bound.
    """
    found = held = 0
    for seed in range(100):
        effects = effects_of(series_of(_week(seed, step=0.03)), [entry(4.5)])
        (own,) = [e for e in effects if e.name == "m00"]
        found += own.called
        held += own.low <= 1.5 <= own.high
    assert found >= 92  # 95 % less one and a half standard errors of 100 draws
    assert held >= 89  # 95 % less three standard errors of 100 draws


def test_quiet_weeks_stay_quiet() -> None:
    """At most one flagged metric in 20 quiet weeks, over all metrics, trends and steps."""
    flagged = 0
    for seed in range(60):
        series = series_of(_week(1000 + seed))
        flagged += sum(t.called for t in trends_of(series))
        flagged += sum(e.called for e in effects_of(series, [entry(4.5)]))
    # Three expected at the most allowed rate; Poisson: above 8 is rarer than 1 in 250.
    assert flagged <= 8


def test_a_steady_growth_is_a_trend() -> None:
    trends = trends_of(series_of(_week(7, slope=0.01)))
    assert trends[0].name == "m00"
    assert trends[0].called
    assert trends[0].low <= 0.5 <= trends[0].high  # 1 % of 50 a day
    assert trends[0].count == 10


def test_a_new_version_of_an_analysis_breaks_the_line() -> None:
    logs = [summary(n, metrics={"m": 50.0 + n}, version=1 if n < 6 else 2) for n in range(10)]
    (series,) = series_of(logs)
    assert series.versions == (1,) * 6 + (2,) * 4
    assert trends_of([series]) == []  # four of the new version are too few
    assert effects_of([series], [entry(5.5)]) == []


def test_too_few_sessions_call_nothing() -> None:
    logs = [summary(n, metrics={"m": 50.0 + 10 * n}) for n in range(5)]
    assert trends_of(series_of(logs)) == []
    assert effects_of(series_of(logs), [entry(3.5)]) == []  # one after is too few


def test_a_changed_calibration_makes_it_unfair_and_notes_move_nothing() -> None:
    series = series_of(_week(3, step=0.05))
    changed = effects_of(series, [entry(4.5, calibration="b")])
    assert changed
    assert not any(e.fair for e in changed)
    assert all(e.fair for e in effects_of(series, [entry(4.5)]))
    assert effects_of(series, [entry(4.5, "note")]) == []
    assert effects_of(series, [entry(4.5, "note", touched=["exhaust"])])
    assert effects_of(series, [entry(4.5, "note", table="2")])


def test_a_step_is_not_credited_to_another_entry() -> None:
    """Two entries: before and after reach only to the neighbour."""
    effects = effects_of(series_of(_week(5, step=0.05)), [entry(4.5), entry(7.5)])
    own = {e.entry.when: e for e in effects if e.name == "m00"}
    assert [(e.before, e.after) for _, e in sorted(own.items())] == [(5, 3)]


def test_two_jobs_with_hardly_a_drive_between_them_are_judged_together() -> None:
    """Alone neither has a session on one of its sides; what they did together is plain."""
    for second in (4.6, 6.5):
        week = _week(5, step=0.2)
        both = [entry(4.5), entry(second)]
        (told,) = (e for e in effects_of(series_of(week), both) if e.name == "m00" and e.called)
        assert told.entry.text == "; ".join(e.text for e in both)
        assert (told.before, told.after) == (5, 5 if second < 5 else 3)
        page = trends_page("car", week, both, Units())
        assert page is not None
        assert page.waiting == []


def test_work_with_too_few_sessions_around_it_is_told_to_be_unjudged() -> None:
    page = trends_page("car", _week(5, step=0.2), [entry(7.5)], Units())
    assert page is not None
    assert page.effects == []
    assert [entry(7.5).text in text for text in page.waiting] == [True]


def test_the_day_and_the_road_are_never_tested() -> None:
    logs = [summary(n, metrics={"distance_km": 10.0 + n, "m": 5.0 + n}) for n in range(8)]
    assert {t.name for t in trends_of(series_of(logs))} == {"m"}


def test_the_page_tells_a_step_or_a_drift_and_never_both_of_one_figure() -> None:
    """A drift steps at every entry, and a step tilts the line: one of them explains the other."""
    for made, steps in (({"step": 0.2, "slope": 0.008}, True), ({"slope": 0.02}, False)):
        week = _week(5, sessions=16, **made)  # type: ignore[arg-type]
        assert any(t.called and t.name == "m00" for t in trends_of(series_of(week)))
        assert any(e.called and e.name == "m00" for e in effects_of(series_of(week), [entry(4.5)]))
        page = trends_page("car", week, [entry(4.5)], Units())
        assert page is not None
        assert any("M00 rose" in text for text in page.effects) is steps
        assert any("M00 has grown" in m.sentence for m in page.moved) is not steps
        said = next(r.said for r in page.rows if r.name == "M00")
        assert said == ("steps at an entry" if steps else "grows")


def test_a_fall_is_told_without_a_second_sign() -> None:
    page = trends_page("car", _week(5, step=-0.1), [entry(4.5)], Units())
    assert page is not None
    (text,) = page.effects
    assert "M00 fell by 4.9 (4.3 to 5.5, 5 sessions before" in text
    (flag,) = page.moved[0].chart.flags
    assert flag == ("A", "2026-05-06 hose renewed", "")
