"""The word for the vehicle: what those of its cylinders come to together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from misfire.comparison.cylinder import CERTAIN, DROP, SURE, is_established
from misfire.comparison.group import (
    CURED,
    FEW_LOST,
    IMPROVED,
    NOT_COMPARABLE,
    UNCHANGED,
    Direction,
    Group,
    Judged,
)
from misfire.comparison.rates import compute_chance_lower
from misfire.dsp.chances import Count
from misfire.limits import DOUBTFUL, FAULTY
from misfire.report.wording import format_percent


@dataclass(frozen=True, slots=True)
class Whole:
    """What is said of the vehicle."""

    word: str
    settled: bool
    direction: Direction | None
    headline: str
    reasons: tuple[str, ...]
    cycles_needed: int | None


def judge_vehicle(
    judged: list[Judged],
    together: Judged | None = None,
    *,
    reasons: tuple[str, ...],
    before: dict[str, Any],
    after: dict[str, Any],
) -> Whole:
    """Choose the word for the vehicle from those of its cylinders.

    Parameters
    ----------
    judged : list of Judged
    together : Judged, optional
        All cylinders as one, where BEFORE accuses every one of them, as of a shared cause.
    reasons : tuple of str
        Why nothing can be compared; empty where it can.
    before, after : dict
        The documents of both results.

    Returns
    -------
    whole : Whole
    """
    suspects = _drop_shadows([j for j in judged if j.group.is_suspect])
    if together is not None:
        judged = suspects = [together]
    new = [j for j in judged if j.is_new]
    if reasons:
        extra = tuple(
            f"{_name(j.group)} is at fault in the recording made after the repair"
            for j in judged
            if j.group.probability_after >= FAULTY and after["verdict"] == "misfire"
        )
        return Whole(
            NOT_COMPARABLE,
            False,
            None,
            "Not comparable: the two recordings do not answer the question",
            (*reasons, *extra),
            None,
        )
    if not suspects:
        return _judge_nothing(new, before, after)
    words = {j.word for j in suspects}
    needed = [j.cycles_needed for j in suspects if j.cycles_needed]
    more = max(needed) if needed else None
    settled = all(j.settled for j in suspects)
    beside = [j for j in judged if not (j.group.is_suspect or j.is_new)]
    own = tuple(f"{_name(j.group)}: {r}" for j in (*suspects, *beside) for r in j.reasons)
    own += tuple(
        f"{_name(j.group)}: the recording made after the repair doubts it "
        f"({format_percent(j.group.probability_after)}), but less than would make it a new fault"
        for j in beside
        if after["verdict"] != "no_misfire" and _is_doubted(j.group)
    )
    names = " and ".join(_name(j.group) for j in suspects)
    if new:
        return _judge_moved(suspects, new, own)
    doubted = [j for j in beside if _is_accused_for_sure(j.group)]
    if words == {CURED} and doubted:
        others = " and ".join(_name(j.group) for j in doubted)
        line = f"Improved, not proven: {names} no longer {_fail(suspects)}, but {others} is accused"
        return Whole(IMPROVED, False, "better", line, own, more)
    if words == {CURED}:
        return Whole(CURED, True, "better", f"Cured: {names} no longer {_fail(suspects)}", own, 0)
    if words <= {UNCHANGED}:
        if not settled:
            lack = "too little was recorded to tell" if more else "nothing recorded tells"
            line = f"Not settled: {lack} whether {names} still {_fail(suspects)}"
            return Whole(UNCHANGED, False, "same", line, own, more)
        worse = any(j.direction == "worse" for j in suspects)
        still = f"Unchanged: {names} still {_fail(suspects)}"
        line = f"Worse than before: {names}" if worse else still
        return Whole(UNCHANGED, True, "worse" if worse else "same", line, own, more)
    if UNCHANGED in words and not _has_fallen_together(suspects):
        still_so = [j for j in suspects if j.word == UNCHANGED]
        line = " and ".join(_name(j.group) for j in still_so)
        line = f"Unchanged: {line} still {_fail(still_so)}"
        return Whole(UNCHANGED, settled, "same", line, own, more)
    line = f"Improved, not cured: {names}" if settled else f"Improved, not yet proven: {names}"
    return Whole(IMPROVED, settled, "better", line, own, more)


def _is_accused_for_sure(group: Group) -> bool:
    """Whether AFTER by itself accuses a cylinder that lost firings, new or not."""
    sure = group.probability_after >= CERTAIN and group.verdict_after == "misfire"
    return sure and group.after.lost >= FEW_LOST


def _is_doubted(group: Group) -> bool:
    """Whether AFTER doubts a cylinder that BEFORE did not."""
    return group.probability_after >= DOUBTFUL > group.probability_before


def _drop_shadows(suspects: list[Judged]) -> list[Judged]:
    """Leave out suspects that showed nothing of their own, where another one did.

    A cylinder that fires next to a failing one is easily suspected with it.
    """
    own = [j for j in suspects if _has_shown(j.group) or j.settled]
    return own if own and any(_has_shown(j.group) for j in own) else suspects


def _has_shown(group: Group) -> bool:
    """Whether a suspect lost firings before, or stood apart by what was measured."""
    lost = group.seen_before.lost >= FEW_LOST and is_established(group)
    return lost or any(f.was_off for f in group.features) or any(v.has_step for v in group.views)


def _has_fallen_together(suspects: list[Judged]) -> bool:
    """Tell whether suspects together lose plainly fewer: one may have been a false alarm."""
    before = _add_up([j.group.seen_before for j in suspects])
    after = _add_up([j.group.seen_after for j in suspects])
    if not before.judged or not after.judged or not before.lost:
        return True
    fell = after.rate <= (1 - DROP) * before.rate
    return fell and compute_chance_lower(before, after) >= SURE


def _judge_nothing(new: list[Judged], before: dict[str, Any], after: dict[str, Any]) -> Whole:
    """Nobody was at fault before."""
    start = (
        "the recording made before shows no fault"
        if before["verdict"] == "no_misfire"
        else "the recording made before does not settle who is at fault"
    )
    if new:
        names = " and ".join(_name(j.group) for j in new)
        own = tuple(f"{_name(j.group)}: {r}" for j in new for r in j.reasons)
        return Whole(
            UNCHANGED,
            True,
            "worse",
            f"Worse than before: {names} {_fail(new)} now",
            (start, *own),
            None,
        )
    settled = before["verdict"] == "no_misfire" and after["verdict"] == "no_misfire"
    return Whole(
        UNCHANGED,
        settled,
        "same",
        "Unchanged: no fault to be seen before, none after"
        if settled
        else "Not settled: no fault was established before, so none can be called cured",
        (start,),
        None,
    )


def _judge_moved(suspects: list[Judged], new: list[Judged], own: tuple[str, ...]) -> Whole:
    """Another cylinder is at fault now: the vehicle is not cured, whatever became of the first."""
    now = " and ".join(_name(j.group) for j in new)
    reasons = (*own, *(f"{_name(j.group)}: {r}" for j in new for r in j.reasons))
    gone = all(j.word == CURED for j in suspects)
    was, is_now = (
        _add_up([getattr(j.group, side) for j in (*suspects, *new)]).rate
        for side in ("before", "after")
    )
    first = " and ".join(_name(j.group) for j in suspects)
    if gone:
        do = "does" if _fail(new) == "fails" else "do"
        line = (
            f"{first} no longer {_fail(suspects)}, but {now} {do} now: was a part swapped between "
            "them?"
        )
    else:
        line = f"{now} {_fail(new)} now, which did not before"
    fell = was > 0 and is_now <= (1 - DROP) * was
    better = fell and any(j.word in (CURED, IMPROVED) for j in suspects)
    word = IMPROVED if better else UNCHANGED
    return Whole(word, True, "better" if better else "worse", _capital(line), reasons, None)


def _add_up(counts: list[Count]) -> Count:
    """Put the counts of cylinders together, as bunched as the most bunched of them."""
    return Count(
        sum(c.lost for c in counts),
        sum(c.judged for c in counts),
        max(c.bunching for c in counts),
    )


def _capital(line: str) -> str:
    """Begin a sentence."""
    return line[:1].upper() + line[1:]


def _fail(judged: list[Judged]) -> str:
    """Give the verb for one or several; a pair of which one fails counts as one."""
    return "fails" if len(judged) == 1 and not judged[0].group.is_engine else "fail"


def _name(group: Group) -> str:
    """Name a cylinder or a pair; one that has no sure number by what it was called."""
    if group.is_engine:
        n = len(group.cylinders)
        return f"cylinders 1 {'to' if n > 2 else 'and'} {n}"
    if not group.is_numbered:
        return f"the cylinder called {' or '.join(map(str, group.cylinders))}"
    if len(group.cylinders) > 1:
        return f"cylinder {group.cylinders[0]} or {group.cylinders[1]}"
    return f"cylinder {group.cylinders[0]}"
