"""The probabilistic model of the diagnosis: causes and signs read from ``causes.toml``.

Signs of one block vote once, by their first one seen (the file lists the most telling first).
Hypotheses are one cause, two causes together, or something unknown; the sign of two causes is
seen unless both fail to show it (noisy or, Pearl 1988). The numbers are the trade's starting
values, no statistics of any fleet; the file names each one's reason.
"""

import functools
import tomllib
from collections.abc import Mapping, Sequence
from importlib import resources
from typing import Annotated, Any

import msgspec
import numpy as np
from msgspec import Meta

from pipeline.analysis._signs import Sign
from pipeline.results import EngineState

UNKNOWN = "unknown"
#: No posterior is nearer to 0 or 1 than the sessions behind its calibration can tell.
EDGE = 0.005
Share = Annotated[float, Meta(gt=0.0, lt=1.0)]


class CauseCheck(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The cheapest check that tells this cause from the others."""

    text: str
    tool: str
    engine: EngineState
    minutes: Annotated[float, Meta(gt=0)]


class CauseEntry(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One cause. signs and against: P(sign | cause) by name of the sign.

    areas: what the logbook's ``touched`` calls it; "fill" is an entry of kind ``fuel``.
    cleared_by: hand checks that clear it. ties: ids of causes that a log cannot tell from this
    one. explains: finding kinds this cause brings about beside those that its signs look at.
    """

    id: str
    name: str
    prior: Annotated[float, Meta(gt=0)]
    step: Annotated[int, Meta(ge=0, le=5)]
    signs: dict[str, Share]
    against: dict[str, Share] = {}
    areas: list[str] = []
    cleared_by: list[str] = []
    ties: list[str] = []
    explains: list[str] = []
    check: CauseCheck
    reasoning: str


class ModelSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Numbers that hold for all causes; sharpness and lift: see `stated`."""

    unknown_prior: Annotated[float, Meta(gt=0)]
    background: Share
    touched_factor: Annotated[float, Meta(gt=0)]
    cleared_factor: Annotated[float, Meta(gt=0)]
    pair_factor: Annotated[float, Meta(ge=0, le=1)]
    fitted_on: str
    sharpness: Annotated[float, Meta(gt=0)] = 1.0
    lift: float = 0.0
    calibrated_on: str = ""


class Model(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The whole file."""

    model: ModelSettings
    sign: dict[str, Sign]
    cause: list[CauseEntry]


@functools.cache
def read_model(raw: bytes | None = None) -> Model:
    """Read and check the model; ``raw`` in place of the file that comes with the package.

    Raises ValueError naming the entry where a cause uses a sign or a tie that is not there.
    Read once per process: nothing in a model is ever changed.
    """
    if raw is None:
        raw = resources.files("pipeline.analysis").joinpath("causes.toml").read_bytes()
    try:
        model = msgspec.convert(tomllib.loads(raw.decode("utf-8")), Model, strict=True)
    except msgspec.ValidationError as error:
        raise ValueError(f"causes.toml: {error}") from None
    ids = [c.id for c in model.cause]
    if len(set(ids)) != len(ids) or UNKNOWN in ids:
        raise ValueError("causes.toml: every cause needs an id of its own")
    for cause in model.cause:
        strange = [s for s in (*cause.signs, *cause.against) if s not in model.sign]
        strange += [t for t in cause.ties if t not in ids]
        if strange:
            raise ValueError(f"causes.toml: {cause.id} names {', '.join(strange)}, not in the file")
    return model


def priors(
    model: Model, *, touched: Sequence[str] = (), cleared: Sequence[str] = ()
) -> dict[str, float]:
    """Relative prior of every cause, moved by what was touched last and what was checked."""
    out = {}
    for cause in model.cause:
        weight = cause.prior
        if set(cause.areas) & set(touched):
            weight *= model.model.touched_factor
        if set(cause.cleared_by) & set(cleared):
            weight *= model.model.cleared_factor
        out[cause.id] = weight
    return out


def posterior(
    model: Model,
    seen: Mapping[str, bool | None],
    weight: Mapping[str, float],
) -> dict[str, float]:
    """Probability that each cause is at work (alone or with one other), and of ``unknown``.

    seen: sign to True, False or None. weight: relative priors by cause id. The probabilities of
    the causes add up to more than 1 only where two are at work together.
    """
    names = [c.id for c in model.cause]
    chance, absent = _likelihoods(model, seen)
    prior = np.array([weight[n] for n in names])
    total = float(prior.sum()) + model.model.unknown_prior
    single = prior * _product(chance, absent)
    unknown = model.model.unknown_prior * float(_product(*_unknown(model, seen))[0])
    both = 1.0 - (1.0 - chance[:, None]) * (1.0 - chance[None, :])
    missing = absent[:, None] * absent[None, :]
    pair = np.triu(np.outer(prior, prior) / total * _product(both, missing), k=1)
    pair *= model.model.pair_factor
    evidence = float(single.sum() + pair.sum() + unknown)
    if evidence <= 0.0:
        return {UNKNOWN: 1.0}
    marginal = (single + pair.sum(axis=0) + pair.sum(axis=1)) / evidence
    found = {n: float(p) for n, p in zip(names, marginal, strict=True)}
    return {**found, UNKNOWN: unknown / evidence}


def stated(model: Model, probability: float) -> float:
    """Probability as told: 1 / (1 + exp(-(lift + sharpness * logit))), which keeps the order.

    Signs are taken as independent and their shares are rounded; how often causes of each posterior
    were the true one says by how much that under- or overstates (Platt 1999, scaling of scores).
    """
    p = min(max(probability, EDGE), 1.0 - EDGE)
    z = model.model.lift + model.model.sharpness * float(np.log(p / (1.0 - p)))
    return float(1.0 / (1.0 + np.exp(-z)))


Array = np.ndarray[Any, np.dtype[np.float64]]


def blocks(model: Model) -> dict[str, list[str]]:
    """Names of the signs of every block, in the file's order."""
    out: dict[str, list[str]] = {}
    for name, sign in model.sign.items():
        out.setdefault(sign.block, []).append(name)
    return out


def winner(names: Sequence[str], seen: Mapping[str, bool | None]) -> str | None:
    """Return the first sign of a block that is seen: the one that votes for the block."""
    return next((n for n in names if seen.get(n) is True), None)


def _likelihoods(model: Model, seen: Mapping[str, bool | None]) -> tuple[Array, Array]:
    """P(winning sign | cause) and P(nothing seen | cause), each (causes, blocks); 1 if mute."""
    table = blocks(model)
    chance = np.ones((len(model.cause), len(table)))
    absent = np.ones_like(chance)
    for row, cause in enumerate(model.cause):
        known = {**cause.signs, **cause.against}
        for column, names in enumerate(table.values()):
            won = winner(names, seen)
            if won is not None:
                chance[row, column] = known.get(won, _background(model, won))
                continue
            looked = [known.get(n, _background(model, n)) for n in names if seen.get(n) is False]
            if looked:
                absent[row, column] = 1.0 - max(looked)
    return chance, absent


def _unknown(model: Model, seen: Mapping[str, bool | None]) -> tuple[Array, Array]:
    table = blocks(model)
    chance, absent = np.ones((1, len(table))), np.ones((1, len(table)))
    for column, names in enumerate(table.values()):
        won = winner(names, seen)
        if won is not None:
            chance[0, column] = _background(model, won)
        elif any(seen.get(n) is False for n in names):
            absent[0, column] = 1.0 - model.model.background
    return chance, absent


def _background(model: Model, sign: str) -> float:
    own = model.sign[sign].background
    return model.model.background if own is None else own


def _product(chance: Array, absent: Array) -> Array:
    """Likelihood of all blocks together: the product over the last axis."""
    return np.asarray(np.prod(np.clip(chance * absent, 1e-9, 1.0), axis=-1))
