"""Marks of a recording set against its lost combustions: how many come near, against chance."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from misfire.records import Diagnosis
from misfire.report.wording import LOST, format_clock, format_percent, join_words

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

NEAR_S = 2.0  # a loss within so much of a mark is near it: who notes a jerk does so a moment later
RARE = 0.01  # a chance below which marks and losses are said to belong together


@dataclass(frozen=True, slots=True)
class WeighedMark:
    """One mark: `lost` combustions near it, by cylinder in `of`; None beyond the firings."""

    time_s: float
    text: str
    lost: int | None
    of: dict[int, int]


@dataclass(frozen=True, slots=True)
class MarkKind:
    """Marks of the same words: how many there are, how many have a loss near, and by what chance.

    `chance`: that as many marks, made at random moments of this recording, would have as many
    losses near; times the number of kinds that were tried.
    """

    text: str
    marks: int
    hits: int
    lost: int
    chance: float


def weigh_marks(diagnosis: Diagnosis) -> tuple[tuple[WeighedMark, ...], tuple[MarkKind, ...]]:
    """Count the losses near each mark, and weigh each kind of mark against chance.

    Parameters
    ----------
    diagnosis : Diagnosis

    Returns
    -------
    marks : tuple of WeighedMark, in time order
    kinds : tuple of MarkKind
        The least chance first.

    Notes
    -----
    Losses come in bouts, so they are taken as they lie, and the marks as made at random: how often
    would as many marks, each at a moment of its own, have as many losses near in all? Exact.
    """
    import numpy as np

    if not diagnosis.job.marks:
        return (), ()
    events = diagnosis.events
    known = events["misfire_probability"].notna() & events["time_s"].notna()
    judged_s = events.loc[known, "time_s"].to_numpy(dtype=float)
    lost = events[known & (events["misfire_probability"] >= LOST)]
    lost_s = np.sort(lost["time_s"].to_numpy(dtype=float))
    start, stop = (judged_s.min(), judged_s.max()) if judged_s.size else (0.0, 0.0)
    marks = []
    for mark in diagnosis.job.marks:
        inside = start - NEAR_S <= mark.time_s <= stop + NEAR_S and judged_s.size > 0
        near = lost[(lost["time_s"] - mark.time_s).abs() <= NEAR_S] if inside else lost[:0]
        of = Counter(int(c) for c in near["cylinder"].dropna())
        marks.append(
            WeighedMark(
                mark.time_s, mark.text, len(near) if inside else None, dict(sorted(of.items()))
            )
        )
    texts = list(dict.fromkeys(m.text for m in marks if m.lost is not None))
    kinds = []
    share = share_counts(lost_s, start, stop) if stop > start else np.ones(1)
    for text in texts:
        counts = [m.lost for m in marks if m.text == text and m.lost is not None]
        hits = sum(n > 0 for n in counts)
        chance = compute_chance(share, len(counts), sum(counts))
        kinds.append(MarkKind(text, len(counts), hits, sum(counts), min(1.0, len(texts) * chance)))
    return tuple(marks), tuple(sorted(kinds, key=lambda k: (k.chance, -k.hits, k.text)))


def share_counts(lost_s: NDArray[np.float64], start: float, stop: float) -> NDArray[np.float64]:
    """Give the share of a span's moments that have none, one, two, ... losses within `NEAR_S`.

    Parameters
    ----------
    lost_s : float64 array [shape=(n,), ascending, unit=s]
    start, stop : float [unit=s, start < stop]

    Returns
    -------
    share : float64 array [shape=(most + 1,)]
        Sums to 1.

    Examples
    --------
    >>> import numpy as np
    >>> share_counts(np.array([10.0, 11.0]), 0.0, 100.0)  # one: 8 to 9 and 12 to 13 s
    array([0.95, 0.02, 0.03])
    """
    import numpy as np

    edges = np.concatenate((lost_s - NEAR_S, lost_s + NEAR_S, [start, stop]))
    steps = np.repeat([1, -1, 0], [lost_s.size, lost_s.size, 2])
    order = np.argsort(edges, kind="stable")
    at, count = np.clip(edges[order], start, stop), np.cumsum(steps[order])
    share = np.bincount(count[:-1], weights=np.diff(at)) / (stop - start)
    return np.asarray(np.trim_zeros(share, "b"))


def compute_chance(share: NDArray[np.float64], n_marks: int, lost: int) -> float:
    """Give the chance that marks made at random moments have so many losses near in all.

    Parameters
    ----------
    share : float64 array
        From `share_counts`.
    n_marks : int [> 0]
    lost : int

    Returns
    -------
    chance : float [0..1]
        Exact: the counts of independent moments are added up by convolution.

    Examples
    --------
    >>> import numpy as np
    >>> round(compute_chance(np.array([0.9, 0.1]), 3, 2), 4)  # binomial: 3 x 0.01 x 0.9 + 0.001
    0.028
    """
    import numpy as np

    if lost < 1:
        return 1.0
    below, power = np.ones(1), share[:lost]
    while n_marks:  # by repeated squaring; sums from `lost` on fall off the end
        if n_marks & 1:
            below = np.convolve(below, power)[:lost]
        power = np.convolve(power, power)[:lost]
        n_marks >>= 1
    return float(min(max(1.0 - below.sum(), 0.0), 1.0))


def describe_kind_of_mark(kind: MarkKind) -> str:
    """Say in a sentence what is near marks of one kind.

    Examples
    --------
    >>> describe_kind_of_mark(MarkKind("lead 3 wiggled", 5, 5, 34, 0.0002))
    '“lead 3 wiggled”: lost combustions within 2 s of 5 of 5 marks (34 in all). Chance alone \
would do so in 0.02 % of cases: they belong together.'
    """
    marks = f"{kind.hits} of {kind.marks} marks" if kind.marks > 1 else "the mark"
    if not kind.lost:
        where = "any of the marks" if kind.marks > 1 else "the mark"
        return f"“{kind.text}”: no lost combustion within {NEAR_S:.0f} s of {where}."
    words = (
        f"“{kind.text}”: lost combustions within {NEAR_S:.0f} s of {marks} ({kind.lost} in all). "
        f"Chance alone would do so in {format_percent(kind.chance)} of cases"
    )
    if kind.chance < RARE:
        return f"{words}: they belong together."
    return f"{words}: that shows nothing yet; repeat it, with pauses between."


def lay_out_marks(diagnosis: Diagnosis) -> list[dict[str, Any]]:
    """Give the marks for result.json: each with the losses near it and the chance of its kind."""
    marks, kinds = weigh_marks(diagnosis)
    chance = {kind.text: kind.chance for kind in kinds}
    return [
        {
            "time_s": m.time_s,
            "text": m.text,
            "lost_near": m.lost,
            "near_s": NEAR_S,
            "lost_by_cylinder": {str(c): n for c, n in m.of.items()},
            "chance": chance[m.text] if m.lost is not None else None,
        }
        for m in marks
    ]


def list_mark_rows(diagnosis: Diagnosis) -> list[dict[str, str]]:
    """Give the rows of the table of marks: number, time, text, losses near."""
    rows = []
    for number, m in enumerate(weigh_marks(diagnosis)[0], start=1):
        if m.lost is None:
            near = "outside of the firings that were judged"
        elif len(m.of) == 1:
            near = f"{m.lost}, cylinder {next(iter(m.of))}"
        elif m.lost:
            each = [f"{n} of cylinder {c}" for c, n in m.of.items()]
            near = f"{m.lost}: {join_words(each)}"
        else:
            near = "none"
        rows.append(
            {"number": str(number), "time": format_clock(m.time_s), "text": m.text, "near": near}
        )
    return rows
