"""Finds facts and analyses by their being there; an id is its module's name."""

import importlib
import pkgutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import ModuleType
from typing import Any

import pipeline.analysis
import pipeline.facts
from pipeline.meta import Case, Earlier, FactMeta, Meta, Own
from pipeline.results import Result
from pipeline.session import View
from pipeline.vehicle import Vehicle


@dataclass(frozen=True)
class Keep:
    """How a fact that follows from the vehicle alone is kept between sessions and runs.

    key: what it follows from, as text. to_bytes and from_bytes: there and back without loss;
    from_bytes raises ValueError for bytes that are something else.
    """

    key: Callable[[Vehicle], str]
    to_bytes: Callable[[Any], bytes]
    from_bytes: Callable[[bytes, Vehicle], Any]


@dataclass(frozen=True)
class Fact:
    """A fact found in ``pipeline/facts``."""

    id: str
    meta: FactMeta
    compute: Callable[[View], Any]
    module: ModuleType
    keep: Keep | None = None


@dataclass(frozen=True)
class Analysis:
    """An analysis found in ``pipeline/analysis``; exactly one of analyse and conclude is there."""

    id: str
    meta: Meta
    module: ModuleType
    analyse: Callable[[View], Result] | None
    judge: Callable[[Own, Sequence[Earlier]], Result] | None
    conclude: Callable[[Case], Result] | None


@dataclass(frozen=True)
class Registry:
    """All facts and analyses; passed to whoever needs it."""

    facts: Mapping[str, Fact]
    analyses: Mapping[str, Analysis]


def _modules(package: ModuleType) -> list[tuple[str, ModuleType]]:
    names = sorted(m.name for m in pkgutil.iter_modules(package.__path__))
    found = [
        (name, importlib.import_module(f"{package.__name__}.{name}"))
        for name in names
        if not name.startswith("_")
    ]
    return [(name, module) for name, module in found if hasattr(module, "META")]


def _keep(module: ModuleType) -> Keep | None:
    parts = [getattr(module, name, None) for name in ("keep_key", "to_bytes", "from_bytes")]
    return Keep(*parts) if all(callable(p) for p in parts) else None  # type: ignore[arg-type]


def load_registry() -> Registry:
    """Import every module of facts/ and analysis/ that has a META.

    Raises TypeError for one whose META or functions are not what meta.py asks for: that is a
    contributor's mistake and the first test finds it.
    """
    facts = {}
    for name, module in _modules(pipeline.facts):
        if not isinstance(module.META, FactMeta) or not callable(getattr(module, "compute", None)):
            raise TypeError(f"facts/{name}.py needs META = FactMeta(...) and compute(view)")
        facts[name] = Fact(name, module.META, module.compute, module, _keep(module))
    analyses = {}
    for name, module in _modules(pipeline.analysis):
        meta = module.META
        analyse = getattr(module, "analyse", None)
        conclude = getattr(module, "conclude", None)
        if not isinstance(meta, Meta) or (analyse is None) == (conclude is None):
            raise TypeError(
                f"analysis/{name}.py needs META = Meta(...) and analyse(view) or conclude(case)"
            )
        analyses[name] = Analysis(
            name, meta, module, analyse, getattr(module, "judge", None), conclude
        )
    return Registry(facts, analyses)
