"""From analysis.json and figures.json to what the session page's template shows."""

import re
from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.logbook import Entry
from pipeline.report import cautions, words
from pipeline.report.afterwork import after_work
from pipeline.report.charts import Drawn
from pipeline.report.conditions import conditions
from pipeline.report.figures import draw, figures_of
from pipeline.report.grids import proven_map
from pipeline.report.handchecks import hand_checks
from pipeline.report.units import Units
from pipeline.wording import clock, counted, lasting

Plain = Mapping[str, Any]

#: What a finding's card says of what to do.
_TO_DO = ("causes", "checks", "cautions")
#: Endings of metric names that only repeat the unit.
_UNIT_ENDINGS = ("_rpm", "_kpa", "_pct", "_km", "_ms", "_deg", "_kw", "_c", "_s", "_v")


def stretch_id(finding: Plain) -> str:
    """Id of the figure that shows a finding's stretch; see pipeline/stretch.py."""
    from pipeline.stretch import stretch_id as made

    return made(finding["kind"], finding.get("mode") or "", finding["channels"],
                finding["start_s"], finding["end_s"])  # fmt: skip


def metric_unit(name: str, unit: str) -> str:
    """The unit to convert a metric by: a lambda says "1", a difference says degC."""
    if "lambda" in name and unit in ("1", ""):
        return "lambda"
    if "_over_" in name and unit == "degC":
        return "K"
    return unit


def metric_words(name: str) -> str:
    """A metric's name in words, without the ending that repeats its unit."""
    for ending in _UNIT_ENDINGS:
        if name.endswith(ending):
            name = name[: -len(ending)]
            break
    return re.sub(r"(\d+)c$", r"\1 °C", words.sentence(name))


#: Metrics that count: no decimals.
_COUNTS = frozenset({"start_tries", "heat_cycles"})


def metric_shown(units: Units, name: str, value: float, unit: str) -> str:
    """A metric's value with its unit; what is counted has no decimals."""
    return units.show(value, metric_unit(name, unit), 0 if name in _COUNTS else None)


class SessionView:
    """Collects everything one page shows. All text is plain; the template escapes it."""

    def __init__(
        self, document: Plain, figures: Plain, *, units: Units, entries: Sequence[Entry]
    ) -> None:
        self.document = document
        self.units = units
        self.entries = entries
        self._figures = figures
        self.duration = float(document["duration_s"])

    # --- Top -----------------------------------------------------------------------------

    def head(self) -> dict[str, Any]:
        """Name, time and length of the session."""
        d = self.document
        distance = d["metrics"].get("distance_km")
        return {
            "vehicle": d["vehicle"]["name"],
            "session": d["session_id"],
            "start": _date(d["start_time"]),
            "start_source": words.START_SOURCE.get(d["start_time_source"], ""),
            "duration": lasting(self.duration),
            "distance": self.units.show(distance["value"], "km") if distance else "",
            "file": d["source"]["file"],
            "lines": (d["source"]["first_line"], d["source"]["last_line"]),
            "sha256": d["source"]["sha256"],
            "continues": d.get("continues"),
            "conditions": conditions(d, self.units, self.entries),
        }

    def verdict(self, findings: Sequence[Plain]) -> dict[str, Any]:
        """The first line: severity, text, reasons as links, what was not watched."""
        verdict = self.document["verdict"]
        first = {f["kind"]: f for f in reversed(findings)}
        return {
            "severity": verdict["severity"],
            "word": words.SEVERITY[verdict["severity"]],
            "text": self.units.text(_after_mark(verdict["text"])),
            "because": [first[k] for k in verdict["because"] if k in first],
            "not_watched": [words.spoken(c) for c in verdict["not_watched"]],
        }

    # --- Findings ------------------------------------------------------------------------

    def findings(self) -> list[dict[str, Any]]:
        """Cards in the order of acting."""
        raw = self.document["findings"]
        stretches = {f["id"]: f for f in self._figures.get("stretches", [])}
        cards = [self._card(i, f, raw, stretches) for i, f in enumerate(raw, start=1)]
        # Two of a kind are told apart by where and how much; what to do about them is said once.
        for i, card in enumerate(cards):
            same = (c for c in cards[:i] if all(c[k] == card[k] for k in ("kind", *_TO_DO)))
            card["as_in"] = next((c["number"] for c in same), None)
        return cards

    def _card(
        self, number: int, f: Plain, everyone: Sequence[Plain], stretches: Mapping[str, Any]
    ) -> dict[str, Any]:
        units = self.units
        first = [
            (j, units.text(other["title"]))
            for j, other in enumerate(everyone, start=1)
            if f["kind"] in other["blocks"] and other["kind"] != f["kind"]
        ]
        stretch = stretches.get(stretch_id(f))
        return {
            "number": number,
            "kind": f["kind"],
            "severity": f["severity"],
            "word": words.SEVERITY[f["severity"]],
            "title": units.text(f["title"]),
            "detail": units.text(f["detail"]),
            "when": words.when(f["start_s"], f["end_s"], self.duration),
            "sure": words.sure(f["confidence"]),
            "step_number": f["step"],
            "step": words.STEPS.get(f["step"], ""),
            "mode": words.spoken(f["mode"]) if f["mode"] else "",
            "channels": [words.spoken(c) for c in f["channels"]],
            "evidence": [
                (words.sentence(name), _evidence(units, q["value"], metric_unit(name, q["unit"])))
                for name, q in f["evidence"].items()
            ],
            "causes": [
                (units.text(c["cause"]), round(100 * c["probability"])) for c in f["likely_causes"]
            ],
            "checks": [self._check(c) for c in f["next_checks"]],
            "first": first[:3],
            "cautions": cautions.beside(f["kind"]) if f["severity"] != "info" else [],
            "stretch": draw(figures_of([stretch])[0], units, name=f"stretch-{number}")
            if stretch
            else None,
        }

    def _check(self, check: Plain) -> dict[str, Any]:
        minutes = check["minutes"]
        return {
            "text": self.units.text(check["text"]),
            "tool": check["tool"],
            "engine": words.ENGINE.get(check["engine"], check["engine"]),
            "minutes": f"{minutes:.0f} min" if minutes >= 1 else "under a minute",
            "decides": [self.units.text(c) for c in check["decides"]],
        }

    def diagnosis(self) -> list[dict[str, Any]]:
        """Causes that explain the findings together."""
        return [
            {
                "cause": self.units.text(d["cause"]),
                "percent": round(100 * d["probability"]),
                "explains": [words.spoken(k) for k in d["explains"]],
                "next_check": self.units.text(d["next_check"]),
            }
            for d in self.document["diagnosis"]
        ]

    # --- Analyses ------------------------------------------------------------------------

    def _drawn(self, analysis: str) -> list[Drawn]:
        plain = [
            *self._figures.get("figures", {}).get(analysis, []),
            *self._figures.get("history", {}).get(analysis, []),
        ]
        slug = analysis.replace("_", "-")
        return [
            draw(f, self.units, name=f"{slug}-{i}")
            for i, f in enumerate(figures_of(plain), start=1)
        ]

    def analyses(self) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
        """Sections of what was judged, and lines of what was not (or broke off)."""
        judged: list[dict[str, Any]] = []
        silent: list[dict[str, Any]] = []
        references = self._figures.get("references", {})
        for a in self.document["analyses"]:
            entry = {
                "id": a["id"].replace("_", "-"),
                "question": a["question"],
                "status": a["status"],
                "told": words.STATUS.get(a["status"], a["status"]),
                "why": words.full_sentence(self.units.text(a["why"])),
                "version": a["version"],
                "references": list(references.get(a["id"], [])),
            }
            if a["status"] in ("found", "clear"):
                judged.append({**entry, "figures": self._drawn(a["id"])})
            else:
                same = (s for s in silent if (s["why"], s["status"]) == (entry["why"], a["status"]))
                if known := next(same, None):
                    known["question"] += f" {a['question']}"
                    known["references"] += entry["references"]
                else:
                    silent.append(entry)
        return judged, silent

    def limits(self) -> tuple[list[str], list[dict[str, str]]]:
        """Kinds this log could not have shown, and the smallest it would have shown of others."""
        blind, seen = [], []
        found = {f["kind"] for f in self.document["findings"]}
        for kind, limit in self.document["limits_of_detection"].items():
            if not limit["could_show"]:
                # A fault may be plain where the smallest of its kind would have been lost.
                if kind not in found:
                    blind.append(words.spoken(kind))
                continue
            smallest, power = limit.get("smallest"), limit.get("power")
            alarm, over = limit.get("false_alarm"), limit.get("over_s") or 0.0
            seen.append({
                "kind": words.sentence(kind),
                "smallest": self.units.show(smallest["value"], smallest["unit"])
                if smallest else "at the stated threshold",
                "power": "" if power is None else f"{100 * power:.0f} %",
                "alarm": "" if alarm is None else f"{100 * alarm:.2g} %",
                "over": lasting(over) if over else "",
            })  # fmt: skip
        return blind, seen

    def next_log(self) -> list[dict[str, str]]:
        """What to record next."""
        return [
            {
                "text": words.full_sentence(self.units.text(n["text"])),
                "why": words.full_sentence(self.units.text(n["why"])),
            }
            for n in self.document["next_log"]
        ]

    # --- Tables --------------------------------------------------------------------------

    def metrics(self) -> list[dict[str, str]]:
        """All figures of the session with their intervals."""
        rows = []
        for name, m in self.document["metrics"].items():
            unit = metric_unit(name, m["unit"])
            low, high = m.get("low"), m.get("high")
            interval = ""
            if low is not None and high is not None:
                interval = f"{self.units.number(low, unit)} to {self.units.number(high, unit)}"
            value = metric_shown(self.units, name, m["value"], m["unit"])
            name = self.units.text(metric_words(name))
            rows.append({"name": name, "value": value, "interval": interval})
        return rows

    def quality(self) -> dict[str, Any]:
        """How good the log was."""
        d = self.document
        sampling = d["sampling"]
        rejected = [
            (words.sentence(name), sum(c["rejected"].values()),
             ", ".join(f"{words.spoken(r)} {n}" for r, n in sorted(c["rejected"].items())))
            for name, c in d["channels"].items() if c["rejected"]
        ]  # fmt: skip
        rate = sampling.get("median_hz")
        return {
            "rate": f"{rate:.3g} rows a second" if rate else "one row",
            "jitter": None
            if sampling.get("jitter_pct") is None
            else f"{sampling['jitter_pct']:.2g} %",
            "gap": lasting(sampling["longest_gap_s"]),
            "dropped": [(words.spoken(k), n) for k, n in d["quality"]["rows_dropped"].items()],
            "gaps": [
                (clock(g["start_s"]), lasting(g["end_s"] - g["start_s"]))
                for g in d["quality"]["gaps"]
            ],
            "rejected": rejected,
        }

    def channels(self) -> list[dict[str, Any]]:
        """Every channel: its column, conversion and true rate."""
        return [
            {
                "name": words.sentence(name),
                "column": c["column"],
                "conversion": c["conversion"],
                "unit": c["unit"],
                "rows": c["rows"],
                "rate": f"{c['effective_hz']:.3g} Hz",
            }
            for name, c in self.document["channels"].items()
        ]

    def assumptions(self) -> list[dict[str, str]]:
        """All that was assumed of the vehicle, given values first."""
        rank = {"vehicle.toml": 0, "log": 1, "default": 2}
        rows = [
            {"name": words.sentence(name), "value": _told(v["value"]), "source": v["source"]}
            for name, v in self.document["vehicle"]["values"].items()
        ]
        return sorted(rows, key=lambda r: (rank.get(r["source"], 3), r["name"]))

    def markers(self) -> list[tuple[str, str]]:
        """Comments written while driving."""
        return [(clock(m["time_s"]), m["text"]) for m in self.document["markers"]]

    def context(self) -> dict[str, Any]:
        """Everything the template needs."""
        findings = self.findings()
        judged, silent = self.analyses()
        blind, seen = self.limits()
        fuel = (self.document["vehicle"]["values"].get("fuel.kind") or {}).get("value")
        earlier = self.document.get("history", {}).get("sessions", 0)
        named = {r for a in [*judged, *silent] for r in a["references"]}
        diagnosis, next_log = self.diagnosis(), self.next_log()
        # Their answers stand in sections of their own.
        told = {"overview", "verdict", "changed"}
        told |= ({"diagnosis"} if diagnosis else set()) | ({"next-log"} if next_log else set())
        proven = proven_map(self.document["proven_range"], self.units, name="proven")
        for a in judged:
            if a["id"] == "proven-range" and proven:
                a["figures"] = [*a["figures"], proven]
        return {
            "head": self.head(),
            "verdict": self.verdict(findings),
            "findings": [f for f in findings if f["severity"] != "info"],
            "notes": [f for f in findings if f["severity"] == "info"],
            "diagnosis": diagnosis,
            "overview": next((a for a in judged if a["id"] == "overview"), None),
            "changed": next((a for a in judged if a["id"] == "changed"), None),
            "analyses": [a for a in judged if a["id"] not in told],
            "silent": silent,
            "blind": blind,
            "seen": seen,
            "next_log": next_log,
            "after_work": after_work(self.entries, self.document["start_time"], self.document),
            "hand_checks": hand_checks(self.entries),
            "metrics": self.metrics(),
            "quality": self.quality(),
            "channels": self.channels(),
            "assumptions": self.assumptions(),
            "markers": self.markers(),
            "references": sorted(map(self.units.text, named)),
            "cautions": cautions.everything(str(fuel or "")),
            "history": counted(earlier, "earlier session") if earlier else "",
            "units": self.units,
        }


def _after_mark(text: str) -> str:
    """The verdict's sentence without what its mark has just said."""
    word, _, asks = words.SEVERITY["stop"]
    said = f"{word}: {asks}, because: "
    return f"Because: {text.removeprefix(said)}" if text.startswith(said) else text


def _evidence(units: Units, value: float, unit: str) -> str:
    """A number with its unit; a chance too small for its decimals is under some, never nought."""
    shown = units.show(value, unit)
    if unit == "%" and value > 0 and float(units.number(value, unit)) == 0.0:
        return "under 0.1 %"
    return shown


def _date(iso: str) -> str:
    """Date and time to the minute, as far as known."""
    return iso[:16].replace("T", " ") if iso else "Time unknown"


def _told(value: Any) -> str:
    if value is None:
        return "not given"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Mapping):
        return "; ".join(f"{words.spoken(str(k))} {_told(v)}" for k, v in value.items())
    if isinstance(value, list):
        return " ".join(_told(v) for v in value)
    if isinstance(value, float):
        return f"{value:g}"
    return words.spoken(value) if isinstance(value, str) and "_" in value else str(value)
