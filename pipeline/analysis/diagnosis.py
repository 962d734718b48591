"""What the findings look like together: causes that explain them, and the check that decides."""

from collections.abc import Mapping, Sequence

import msgspec

from pipeline.analysis._causes import (
    UNKNOWN,
    CauseCheck,
    CauseEntry,
    Model,
    posterior,
    priors,
    read_model,
    stated,
)
from pipeline.analysis._signs import kinds_of, last_work, observe, worked_on
from pipeline.meta import Case, Meta
from pipeline.results import DiagnosisItem, Result, rounded

META = Meta(
    question="What does all this look like together?",
    version=1,
    kinds=(),
    references=(
        "Noisy-or of causes and signs: Pearl 1988, Probabilistic Reasoning in Intelligent Systems.",
        "Shares of causes and signs: common practice, no source (causes.toml).",
        "Probabilities as stated: Platt 1999, Probabilistic outputs for support vector machines.",
    ),
    step=0,
    order=5,
)

#: Causes named at most, the least probability worth naming, and that of the second and third:
#: what to look at next where the first turns out sound.
MOST, LEAST, LEAST_OF_THREE = 5, 0.04, 0.005
#: Two causes within this factor of each other are called a tie where the file says they can be.
TIE_FACTOR = 3.0


def conclude(case: Case) -> Result:
    """Rank the causes that explain the session's findings together."""
    loud = [f.kind for f in case.findings if f.severity != "info"]
    if not loud:
        return Result(status="clear", why="there is nothing to explain")
    model = read_model()
    seen = {name: observe(sign, case) for name, sign in model.sign.items()}
    if True not in seen.values():
        return Result(status="found", why="nothing known fits these findings; the cause is open",
                      diagnosis=[_unknown(1.0, loud)])  # fmt: skip
    work = last_work(case)
    cleared = [e.item for e in case.logbook if e.kind == "check" and e.item]
    touched = [*(work.touched if work else ()), *(("fill",) if worked_on(case, "fill") else ())]
    weight = priors(model, touched=touched, cleared=cleared)
    chance = posterior(model, seen, weight)
    items = _items(model, seen, chance, loud)
    best = items[0]
    return Result(
        status="found",
        why=f"most likely: {best.cause} ({100 * best.probability:.0f} %)",
        diagnosis=items,
        digest={"seen": sorted(k for k, v in seen.items() if v is True)},
    )


def _items(
    model: Model,
    seen: Mapping[str, bool | None],
    chance: Mapping[str, float],
    kinds: Sequence[str],
) -> list[DiagnosisItem]:
    by_id = {c.id: c for c in model.cause}
    ranked = sorted(chance.items(), key=lambda kv: (-kv[1], kv[0]))
    # a cause none of whose signs is seen rides along as somebody's second: nothing speaks for it;
    # one that explains none of the findings has no place above them
    spoken = [
        (k, p) for k, p in ranked
        if k == UNKNOWN
        or (_speaks(by_id[k], seen) and _explains(model, by_id[k], seen, kinds))
    ]  # fmt: skip
    kept = [
        (k, p) for place, (k, p) in enumerate(spoken[:MOST])
        if place == 0 or p >= (LEAST_OF_THREE if place < 3 else LEAST)
    ]  # fmt: skip
    items = []
    for cause_id, probability in kept:
        if cause_id == UNKNOWN:
            items.append(_unknown(stated(model, probability), kinds))
            continue
        cause = by_id[cause_id]
        items.append(
            DiagnosisItem(
                cause=cause.name,
                probability=rounded(min(stated(model, probability), 0.99), 3),
                explains=_explains(model, cause, seen, kinds),
                next_check=_check(cause, by_id, kept),
            )
        )
    return _with_decider(items, by_id, [k for k, _ in kept])


def _with_decider(
    items: list[DiagnosisItem], by_id: Mapping[str, CauseEntry], ids: Sequence[str]
) -> list[DiagnosisItem]:
    """Add to the first cause the cheapest check that tells it from the second.

    Each cause's own check tells it from the others, so the quicker of the two decides. Causes that
    explain different findings may both be at work: nothing has to be decided between them.
    """
    if len(items) < 2 or UNKNOWN in ids[:2] or items[1].probability < LEAST:
        return items
    if not set(items[0].explains) & set(items[1].explains):
        return items
    cheapest = min((by_id[i].check for i in ids[:2]), key=lambda check: check.minutes)
    other = by_id[ids[1]]
    said = f"{items[0].next_check}. The quickest check that tells it from “{other.name}”: "
    said += "this one" if cheapest is by_id[ids[0]].check else _spoken(cheapest)
    return [msgspec.structs.replace(items[0], next_check=said), *items[1:]]


def _spoken(check: CauseCheck) -> str:
    return f"{check.text} ({check.tool}, {check.minutes:.0f} min)"


def _speaks(cause: CauseEntry, seen: Mapping[str, bool | None]) -> bool:
    """Whether any sign of the cause is seen."""
    return any(seen.get(sign) is True for sign in cause.signs)


def _explains(
    model: Model, cause: CauseEntry, seen: Mapping[str, bool | None], kinds: Sequence[str]
) -> list[str]:
    """Kinds found in this session that the cause accounts for."""
    spoken = set(cause.explains)
    for sign in cause.signs:
        if seen.get(sign) is True:
            spoken |= set(kinds_of([*model.sign[sign].any, *model.sign[sign].all]))
    return [k for k in dict.fromkeys(kinds) if k in spoken]


def _check(
    cause: CauseEntry, by_id: Mapping[str, CauseEntry], kept: Sequence[tuple[str, float]]
) -> str:
    """The cause's own check; said to tie where a log cannot tell it from a likely other."""
    text = _spoken(cause.check)
    chance = dict(kept)
    mine = chance.get(cause.id, 0.0)
    ties = [
        by_id[t].name
        for t in cause.ties
        if t in chance and mine < TIE_FACTOR * chance[t] and chance[t] < TIE_FACTOR * mine
    ]
    if ties:
        text += f". From logs it cannot be told from: {'; '.join(ties)}"
    return text


def _unknown(probability: float, kinds: Sequence[str]) -> DiagnosisItem:
    return DiagnosisItem(
        cause="something this list does not know",
        probability=rounded(min(probability, 1.0), 3),
        explains=list(dict.fromkeys(kinds)),
        next_check="Work through the findings one by one, in their order",
    )
