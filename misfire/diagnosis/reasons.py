"""Why a verdict came out as it did: addends of log odds, each with its sentence."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from misfire.diagnosis.firings.explanation import Explanation
from misfire.diagnosis.judging import Judgement
from misfire.limits import FAULTY
from misfire.records import BAD_SPARKS, FAULT_TYPES, SPARK_STATES, WORK_STATES, Finding, Reason

AILING_STATES = ("starved", "no_breakdown", "leaking", "strained")
LEAST_AILING, AILING_SHARE = 3, 0.08  # firings, and share of those seen: an ailing spark
AILING_LOG = 8.0  # log likelihood of a cylinder's odd sparks over none, from which they are told
AILING_TIMES = 3.0  # as often as in the soundest other cylinder
LEAST_ADDEND = 0.05  # log odds; less is no reason
MOST_ODDS = 9.0  # log odds that a probability of 0 or 1 stands for
STATE_WORDS = {
    "starved": "got too little energy",
    "no_breakdown": "did not jump the gap",
    "leaking": "leaked away or came early at a low voltage",
    "strained": "came late at a high voltage and burned only briefly",
}


def to_odds(probability: NDArray[np.float64]) -> NDArray[np.float64]:
    """Turn probabilities into log odds within `MOST_ODDS`.

    Parameters
    ----------
    probability : float64 array

    Returns
    -------
    odds : float64 array

    Examples
    --------
    >>> to_odds(np.array([0.0, 0.5, 1.0])).tolist()
    [-9.0, 0.0, 9.0]
    """
    with np.errstate(divide="ignore"):
        odds = np.log(probability) - np.log1p(-probability)
    return np.asarray(np.clip(odds, -MOST_ODDS, MOST_ODDS))


def list_addends(judgement: Judgement) -> list[Reason]:
    """List what the log odds of every cylinder are the sum of, as the judge made them.

    Parameters
    ----------
    judgement : Judgement

    Returns
    -------
    reasons : list of Reason
        Where the sum lies beyond what any recording allows, a last addend says so.
    """
    reasons = []
    words = (
        ("prior", "how rarely a cylinder is at fault"),
        ("pattern", "how often, how strongly and how unlike the other cylinders it lacks work"),
        ("firings", "how well its firings, one by one, fit a fault better than a sound cylinder"),
        ("switching", "firings for which its coil was seen not to be switched"),
        ("compression", "how its compression while cranking compares with the others'"),
        ("one_coil", "how well a fault of the coil that it shares explains all of its cylinders"),
    )
    for c, parts in enumerate(judgement.addends, start=1):
        about = f"cylinder {c}"
        for (code, text), part in zip(words, parts, strict=True):
            reasons.append(Reason(code, about, float(part), text, {"cylinder": c}))
        told = float(to_odds(judgement.faulty[c - 1 : c])[0])
        reasons += _note_rest("certainty", about, told - float(parts.sum()), "no recording allows")
    return reasons


def _note_rest(code: str, about: str, odds: float, text: str) -> list[Reason]:
    """Note an addend if it is one."""
    if abs(odds) < LEAST_ADDEND:
        return []
    return [Reason(code, about, odds, text + " more certainty", {})]


def list_changes(
    code: str,
    text: str,
    before: NDArray[np.float64],
    after: NDArray[np.float64],
    *,
    about: str = "",
) -> list[Reason]:
    """List by how much one step of the judging moved each cylinder's log odds.

    Parameters
    ----------
    code, text : str
    before, after : float64 array [shape=(n_cylinders,)]
        Probabilities.
    about : str
        What the reason speaks of, where it is not the cylinder.

    Returns
    -------
    reasons : list of Reason
    """
    moved = to_odds(after) - to_odds(before)
    return [
        Reason(code, about or f"cylinder {c}", float(step), text, {"cylinder": c})
        for c, step in enumerate(moved, start=1)
        if abs(step) >= LEAST_ADDEND
    ]


def list_kinds(
    faults: NDArray[np.float64], faulty: NDArray[np.float64], explanation: Explanation
) -> list[Reason]:
    """Say of each suspect cylinder what speaks for the likeliest kind over the next.

    Parameters
    ----------
    faults : float64 array [shape=(n_cylinders, len(FAULT_TYPES))]
    faulty : float64 array [shape=(n_cylinders,)]
    explanation : Explanation

    Returns
    -------
    reasons : list of Reason
        `log_odds` of the first kind over the second.
    """
    reasons = []
    for c in np.flatnonzero(faulty >= FAULTY) + 1:
        order = np.argsort(-faults[c - 1])
        first, second = (FAULT_TYPES[i] for i in order[:2])
        share = np.maximum(faults[c - 1][order[:2]], 1e-6)
        seen = describe_sparks(explanation, int(c))
        reasons.append(
            Reason(
                f"kind_{first}",
                f"cylinder {c}",
                float(np.log(share[0] / share[1])),
                f"{first} rather than {second}" + (f": {seen}" if seen else ""),
                {"cylinder": int(c)},
            )
        )
    return reasons


def describe_sparks(explanation: Explanation, cylinder: int) -> str:
    """Write how many firings of a cylinder had which odd spark, and what work came of them.

    Parameters
    ----------
    explanation : Explanation
    cylinder : int

    Returns
    -------
    text : str
        Empty where all its sparks were usual and nothing was lost.
    """
    table = explanation.table[cylinder - 1]
    lost = WORK_STATES.index("lost")
    parts = []
    for state, words in STATE_WORDS.items():
        n = int(table[SPARK_STATES.index(state)].sum())
        if n:
            parts.append(f"{n} sparks {words}")
    n = int(table[SPARK_STATES.index("not_switched")].sum())
    if n:
        parts.append(f"the coil was not switched in {n} firings")
    n = int(table[SPARK_STATES.index("usual"), lost])
    if n:
        parts.append(f"{n} firings with a usual spark lost their work")
    return "; ".join(parts)


def mark_bad_sparks(explanation: Explanation) -> NDArray[np.bool_]:
    """Mark the firings whose likeliest spark is a bad one, or was none.

    Parameters
    ----------
    explanation : Explanation

    Returns
    -------
    bad : bool array [shape=(n_firings,)]
    """
    bad = [SPARK_STATES.index(s) for s in BAD_SPARKS]
    return np.isin(explanation.spark, bad)


def find_ailing(
    explanation: Explanation, coils: Sequence[tuple[int, ...]] = ()
) -> dict[int, float]:
    """Find the cylinders whose sparks are bad in some firings, and how often.

    Parameters
    ----------
    explanation : Explanation
    coils : sequence of tuple of int
        Cylinders of each coil that fires several: their sparks are bad together, so none of them is
        a measure for another.

    Returns
    -------
    share : dict cylinder -> float
        Of the firings whose spark was seen.
    """
    share = explanation.odd_share
    seen = explanation.table[:, : SPARK_STATES.index("unseen")].sum(axis=(1, 2))
    told = (explanation.odd_log >= AILING_LOG) & (share >= AILING_SHARE)
    told &= share * seen >= LEAST_AILING
    mates = {c: set(coil) for coil in coils for c in coil}
    found = {}
    for c in np.flatnonzero(told) + 1:
        apart = [o for o in range(1, share.size + 1) if o not in mates.get(int(c), {int(c)})]
        others = [share[o - 1] for o in apart if seen[o - 1] >= LEAST_AILING]
        if not others or share[c - 1] > AILING_TIMES * min(others):
            found[int(c)] = float(share[c - 1])
    return found


def report_ailing(
    explanation: Explanation,
    ailing: dict[int, float],
    *,
    renamings: Sequence[dict[int, int]] = (),
    coils: Sequence[tuple[int, ...]] = (),
) -> list[Finding]:
    """Make the findings of ailing sparks.

    Parameters
    ----------
    explanation : Explanation
    ailing : dict cylinder -> share
        Those to be told: none that is said to be at fault.
    renamings : sequence of dict
        Other names that the cylinders may go by; see `Firings`.
    coils : sequence of tuple of int
        Cylinders of each coil that fires several: one bad plug strains the sparks of them all.

    Returns
    -------
    findings : list of Finding
    """
    mates = {c: sorted(set(coil) & set(ailing)) for coil in coils for c in coil}
    bad, lost = [SPARK_STATES.index(s) for s in AILING_STATES], WORK_STATES.index("lost")
    found = []
    for c, share in sorted(ailing.items()):
        together = mates.get(c, [c])
        if c != max(together, key=lambda mate: ailing[mate]):
            continue
        names = sorted({*together, *(new[mate] for new in renamings for mate in together)})
        who = f"cylinder {' or '.join(map(str, names))}"
        counts = explanation.table[c - 1, : SPARK_STATES.index("unseen")]
        told = counts[bad].sum() / max(counts.sum(), 1.0) or share  # as the table on the page
        n = int(counts[bad, lost].sum())
        seen = describe_sparks(explanation, c)
        seen = f" ({seen})" if seen else ""
        cost = f"{n} of these were lost" if n else "none of these was lost"
        found.append(
            Finding(
                "ailing_spark",
                "warning",
                f"{who} has a bad spark in {100 * told:.0f} % of its firings; {cost}{seen}: a "
                "fault that is beginning; check its plug, lead and coil before it fails, engine "
                "off, by the maker's procedure",
            )
        )
    return found
