"""From a simulated run to a session in memory, and through the analyses."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from fixtures.logger import COLUMNS
from fixtures.simulate import Run
from pipeline.channels import CHANNELS
from pipeline.logbook import Entry
from pipeline.meta import Earlier
from pipeline.registry import Registry
from pipeline.results import Finding, Metric, Result
from pipeline.runner import FactStore, Timings, run_all
from pipeline.session import ChannelInfo, Gap, Session
from pipeline.vehicle import parse_vehicle


@dataclass(frozen=True)
class Judged:
    """A run and what the pipeline made of it; ``case``: what was simulated, where known."""

    run: Run
    session: Session
    results: Mapping[str, Result]
    case: Any = None

    @property
    def findings(self) -> list[Finding]:
        """All findings of all analyses."""
        return [finding for result in self.results.values() for finding in result.findings]

    @property
    def metrics(self) -> dict[str, Metric]:
        """All metrics of all analyses."""
        return {name: m for result in self.results.values() for name, m in result.metrics.items()}


def session_of(run: Run, *, name: str = "session", start_time: str = "2026-05-01T10:00:00",
               vehicle_toml: str | None = None) -> Session:  # fmt: skip
    """Session of a run as the log has it: steps, noise and jitter included.

    Only for logs in SI headers (style plain, round or bare, lambda as lambda); others have to go
    through a file and the reader.
    """
    if run.drive.header_style not in ("plain", "round", "bare") or run.drive.lambda_as != "lambda":
        raise ValueError("write this run to a file and read it: its units are not SI")
    text = run.vehicle_toml if vehicle_toml is None else vehicle_toml
    time = run.frame[run.columns["time"]].to_numpy().astype(float)
    duration = max(float(time[-1] - time[0]), 1e-3)
    channels: dict[str, np.ndarray] = {}
    info: dict[str, ChannelInfo] = {}
    for channel, cell in run.columns.items():
        if channel == "time" or channel not in CHANNELS:
            continue
        values = run.frame[cell].to_numpy().astype(float)
        channels[channel] = values
        changes = int(np.count_nonzero(np.diff(values)))
        unit = COLUMNS[channel].unit if channel in COLUMNS else "1"
        info[channel] = ChannelInfo(unit=unit, column=cell, conversion="none", rows=values.size,
                                    effective_hz=changes / duration)  # fmt: skip
    step = np.diff(time)
    usual = float(np.median(step)) if step.size else 1.0
    wide = np.flatnonzero(step > max(2.0, 5.0 * usual))
    gaps = [Gap(start_s=float(time[k]), end_s=float(time[k + 1])) for k in wide]
    return Session(
        id=name, time=time - time[0], channels=channels, info=info, gaps=gaps,
        vehicle=parse_vehicle(text.encode(), channel_names=CHANNELS), start_time=start_time,
        start_time_source="log",
    )  # fmt: skip


def judge_run(
    run: Run, registry: Registry, *, earlier: Sequence[Judged] = (), name: str = "session",
    strict: bool = False, logbook: Sequence[Entry] = (),
) -> Judged:  # fmt: skip
    """Run the whole pipeline in memory on a simulated run, with its earlier sessions."""
    day = len(earlier) + 1
    session = session_of(run, name=name, start_time=f"2026-05-{day:02d}T10:00:00")
    results = run_all(session, registry, earlier=history(earlier, registry), strict=strict,
                      logbook=logbook)  # fmt: skip
    return Judged(run, session, results)


def fact_of(run: Run, registry: Registry, name: str) -> object:
    """Value of one fact on a run."""
    session = session_of(run)
    return FactStore(session, registry, Timings()).get(name, optional=False)


def history(earlier: Sequence[Judged], registry: Registry) -> dict[str, list[Earlier]]:
    """What later sessions may know of earlier ones, by analysis id."""
    out: dict[str, list[Earlier]] = {}
    for judged in earlier:
        for name, analysis in registry.analyses.items():
            result = judged.results.get(name)
            out.setdefault(name, []).append(Earlier(
                session_id=judged.session.id, start_time=judged.session.start_time,
                duration_s=judged.session.duration_s,
                digest=dict(result.digest) if result is not None else {},
                version=analysis.meta.version, metrics=judged.metrics, findings=judged.findings,
            ))  # fmt: skip
    return out
