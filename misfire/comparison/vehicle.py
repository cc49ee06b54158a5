"""The word for the vehicle, and its headline: what happened to each cylinder."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from misfire.comparison.cylinder import (
    CURED,
    DROP,
    IMPROVED,
    NOT_COMPARABLE,
    NOT_SETTLED,
    SURE,
    UNCHANGED,
    WORSE,
    Direction,
    Group,
    Judged,
)
from misfire.comparison.rates import compute_chance_lower
from misfire.comparison.signs import add_counts
from misfire.limits import DOUBTFUL, FAULTY
from misfire.report.wording import format_percent, join_words

BEGINNING = {
    CURED: "Cured",
    IMPROVED: "Improved",
    WORSE: "Worse",
    UNCHANGED: "Unchanged",
    NOT_SETTLED: "Not settled",
}
DIRECTION: dict[str, Direction] = {CURED: "better", IMPROVED: "better", WORSE: "worse"}


@dataclass(frozen=True, slots=True)
class Whole:
    """What is said of the vehicle."""

    word: str
    settled: bool
    direction: Direction | None
    headline: str
    reasons: tuple[str, ...]
    cycles_needed: int | None = None


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

    Notes
    -----
    A new fault, or more of the old one, makes it `worse`, whatever became of the others. All
    cured: `cured`, unless AFTER accuses another cylinder that lost firings before as well. Some
    cured or improved beside some unchanged: `improved` if all of them together lose at least 40 %
    less, else `unchanged`. What is left is `not_settled` if nothing but that is said of a suspect.
    """
    if reasons:
        return _refuse(judged, reasons, after)
    suspects = _drop_shown_by_others([j for j in judged if j.group.is_suspect])
    if together is not None:
        judged = suspects = [together]
    new = [j for j in judged if j.is_new]
    beside = [j for j in judged if not (j.group.is_suspect or j.is_new)]
    accused = join_words([_name(j.group) for j in beside if not j.settled])
    own = tuple(f"{_name(j.group)}: {r}" for j in (*new, *suspects, *beside) for r in j.reasons)
    own += tuple(
        f"{_name(j.group)}: the recording made after the repair does not clear it "
        f"({format_percent(j.group.probability_after)}), but that is too little for a new fault"
        for j in beside
        if j.settled
        and after["verdict"] != "no_misfire"
        and j.group.probability_after >= DOUBTFUL > j.group.probability_before
    )
    if not suspects and not new:
        return _judge_sound(before, after, accused, own)
    needed = [j.cycles_needed for j in suspects if j.cycles_needed]
    more = max(needed) if needed else None
    word = _choose_word(suspects, new)
    settled = word != NOT_SETTLED and all(j.settled for j in suspects)
    line = _write_headline(suspects, new)
    if word == CURED and accused:
        word, settled = IMPROVED, False
        line += f", but {accused} is accused as well"
    if word == CURED:
        more = 0
    elif word == WORSE:
        settled, more = True, None
    beginning = BEGINNING[word]
    if word == IMPROVED:
        beginning = "Improved, not cured" if settled else "Improved, not proven"
    return Whole(word, settled, DIRECTION.get(word, "same"), f"{beginning}: {line}", own, more)


def _choose_word(suspects: list[Judged], new: list[Judged]) -> str:
    """Choose the word from those of the suspects and the new faults; see `judge_vehicle`."""
    words = {j.word for j in suspects}
    if new or WORSE in words:
        return WORSE
    if len(words) == 1:
        return words.pop()
    if UNCHANGED in words:
        return IMPROVED if _has_fallen_together(suspects) else UNCHANGED
    return NOT_SETTLED if words == {CURED, NOT_SETTLED} else IMPROVED


def _write_headline(suspects: list[Judged], new: list[Judged]) -> str:
    """Say what happened to each cylinder, those of one word together."""
    parts = []
    for word in (CURED, IMPROVED, NOT_SETTLED, UNCHANGED, WORSE):
        some = [j for j in suspects if j.word == word]
        if not some:
            continue
        name, fail = join_words([_name(j.group) for j in some]), _fail(some)
        if word == NOT_SETTLED:
            short = any(j.cycles_needed for j in some)
            why = "too little was recorded to tell" if short else "nothing recorded tells"
            parts.append(f"{why} whether {name} still {fail}")
            continue
        often = " often" * (fail not in ("fail", "fails"))
        what = {
            CURED: f"no longer {fail}",
            IMPROVED: f"{fail} less{often}",
            UNCHANGED: f"still {fail}",
            WORSE: f"{fail} more{often} than before",
        }
        parts.append(f"{name} {what[word]}")
    line = ", ".join(parts)
    if new:
        line += ", but " if parts else ""
        line += f"{join_words([_name(j.group) for j in new])} {_fail(new)} now"
    if new and any(j.word == CURED for j in suspects):
        line += " (was a part swapped between them?)"
    return line


def _refuse(judged: list[Judged], reasons: tuple[str, ...], after: dict[str, Any]) -> Whole:
    """Say why the recordings cannot be compared, and who is at fault in the second one."""
    extra = tuple(
        f"{_name(j.group)} is at fault in the recording made after the repair"
        for j in judged
        if j.group.probability_after >= FAULTY and after["verdict"] == "misfire"
    )
    line = f"Not comparable: {re.split('[:;]', reasons[0])[0]}"
    return Whole(NOT_COMPARABLE, False, None, line, (*reasons, *extra))


def _judge_sound(
    before: dict[str, Any], after: dict[str, Any], accused: str, own: tuple[str, ...]
) -> Whole:
    """Nobody was at fault before, and no fault is new after."""
    if before["verdict"] != "no_misfire":
        line = "no fault was found before, so none can be called cured"
        why = "the recording made before does not show which cylinder is at fault"
    elif after["verdict"] == "no_misfire":
        line = "Unchanged: no fault seen before, none after"
        return Whole(UNCHANGED, True, "same", line, ("the recording made before shows no fault",))
    else:
        line = (
            f"{accused} is accused now"
            if accused
            else "the recording made after gives no clear result"
        )
        why = "the recording made before shows no fault"
    return Whole(NOT_SETTLED, False, "same", f"Not settled: {line}", (why, *own))


def _drop_shown_by_others(suspects: list[Judged]) -> list[Judged]:
    """Leave out suspects that bore no sign before, where another one did.

    A cylinder that fires next to a failing one is easily suspected with it.
    """
    shown = [j for j in suspects if j.group.counted or any(f.was_off for f in j.group.features)]
    return [j for j in suspects if j in shown or j.settled] if shown else suspects


def _has_fallen_together(suspects: list[Judged]) -> bool:
    """Tell whether suspects together lose plainly fewer: one may have been a false alarm."""
    pairs = [(j.group.counted or j.group.lost).take_usual() for j in suspects]
    before, after = (add_counts([p[side] for p in pairs]) for side in (0, 1))
    if not before.judged or not after.judged or not before.lost:
        return True
    fell = after.rate <= (1 - DROP) * before.rate
    return fell and compute_chance_lower(before, after) >= SURE


def _fail(judged: list[Judged]) -> str:
    """Give the verb for one or several; a pair of which one fails counts as one."""
    is_one = len(judged) == 1 and not judged[0].group.is_engine
    if all(j.group.is_ailing and not j.is_new for j in judged):
        return "has a bad spark" if is_one else "have a bad spark"
    return "fails" if is_one else "fail"


def _name(group: Group) -> str:
    """Name a cylinder or a pair; one that has no sure number by what it was called."""
    if group.is_engine:
        n = len(group.cylinders)
        return f"cylinders 1 {'to' if n > 2 else 'and'} {n}"
    if not group.is_numbered:
        return f"the cylinder called {' or '.join(map(str, group.cylinders))}"
    return f"cylinder {' or '.join(map(str, group.cylinders))}"
