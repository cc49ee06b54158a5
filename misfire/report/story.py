"""The sentences of page one: what was found, where, how often, when, why, how certain."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from misfire.records import CylinderResult, Diagnosis
from misfire.report.occurrence import (
    SpeedBand,
    compute_unseen_share,
    compute_wilson_interval,
    count_speed_bands,
    find_bouts,
)
from misfire.report.spread import compute_median, split_values
from misfire.report.summary import LOST, choose_recording_dtc, format_dtc
from misfire.report.wording import (
    QUANTITIES,
    describe_certainty,
    explain_fault,
    format_certainty,
    format_clock,
    format_count,
    format_duration,
    format_percent,
    format_percent_range,
    format_value,
    is_bound,
    join_words,
    name_fault,
    pick_suspects,
)

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

PAUSE_S = 1.0  # misfires of one cylinder closer together than this are felt as one bout
FEW = 3  # one in fewer than this is told by the share alone
FEWEST_BOUTS = 3  # firings lost in one bout are one incident: fewer say nothing about speed


@dataclass(frozen=True, slots=True)
class Fact:
    """One line of page one: a question and its answer; `aside` is its reference, in small print."""

    question: str
    answer: str
    aside: str = ""


@dataclass(frozen=True, slots=True)
class Comparison:
    """Medians of one quantity: in the lost firings, the suspect's good ones, the others' good."""

    label: str
    unit: str
    lost: str
    own: str
    others: str


def write_headline(diagnosis: Diagnosis) -> str:
    """Say the verdict in one plain sentence."""
    if diagnosis.verdict == "no_misfire":
        return "No misfire was found."
    if diagnosis.verdict == "inconclusive":
        return "This recording does not settle the question."
    suspects = pick_suspects(diagnosis)
    if not suspects:
        return "The engine misfires, but no cylinder can be named."
    numbers = [str(c.cylinder) for c in suspects]
    if suspects[0].probability < 0.5 and len(suspects) > 1:
        return f"Cylinder {join_words(numbers, 'or')} is misfiring; which one is open."
    plural = len(suspects) > 1
    if not any(c.misfires for c in suspects):
        verb = "do less work than the others" if plural else "does less work than the others"
    else:
        verb = "are misfiring" if plural else "is misfiring"
    return f"Cylinder{'s' if plural else ''} {join_words(numbers)} {verb}."


def write_lead(diagnosis: Diagnosis) -> str:
    """Say under the headline how certain it is and what the likely cause is."""
    if diagnosis.verdict == "no_misfire":
        return "The recording was good enough to see a misfire, and there was none."
    if diagnosis.verdict == "inconclusive":
        return "No cylinder is accused; what would settle it stands below."
    suspects = pick_suspects(diagnosis)
    if not suspects:
        return ""
    first = suspects[0]
    words = f"{_capital(format_certainty(first.probability))}."
    kind, p = max(first.faults, key=lambda item: item[1], default=("", 0.0))
    return f"{words} Likely cause: {name_fault(kind)}." if p >= 0.5 else words


def write_facts(diagnosis: Diagnosis) -> tuple[Fact, ...]:
    """Answer the five questions of page one."""
    if diagnosis.verdict == "misfire":
        return _facts_of_misfire(diagnosis)
    if diagnosis.verdict == "no_misfire":
        return _facts_of_none(diagnosis)
    return _facts_of_open(diagnosis)


def write_rate(result: CylinderResult) -> str:
    """Say how often a cylinder lost its combustion, with its interval."""
    if not result.cycles:
        return "no firing could be judged"
    low, high = compute_wilson_interval(result.misfires, result.cycles)
    return (
        f"{format_percent(result.misfires / result.cycles)} "
        f"(95 % interval {format_percent_range(low, high)})"
    )


def find_lost(diagnosis: Diagnosis, cylinder: int) -> NDArray[np.float64]:
    """Give the instants of a cylinder's lost combustions [s, ascending]."""
    import numpy as np

    events = diagnosis.events
    mine = (events["cylinder"] == cylinder) & (events["misfire_probability"] >= LOST)
    time_s: NDArray[np.float64] = np.sort(events.loc[mine, "time_s"].to_numpy(dtype=float))
    return time_s


def find_speed_bands(diagnosis: Diagnosis, cylinder: int) -> tuple[SpeedBand, ...]:
    """Count a cylinder's judged and lost firings by engine speed."""
    events = diagnosis.events
    mine = events[(events["cylinder"] == cylinder) & events["misfire_probability"].notna()]
    return count_speed_bands(
        mine["rpm"].to_numpy(dtype=float),
        (mine["misfire_probability"] >= LOST).to_numpy(dtype=bool),
        time_s=mine["time_s"].to_numpy(dtype=float),
        pause_s=PAUSE_S,
    )


def describe_bouts(time_s: NDArray[np.float64]) -> str:
    """Say how lost combustions lie in time: once, in bouts or scattered."""
    n = len(time_s)
    if n == 0:
        return "no single firing stands out"
    if n == 1:
        return f"once, at {format_clock(float(time_s[0]))}"
    bouts = find_bouts(time_s, pause_s=PAUSE_S)
    largest = max(bouts, key=lambda bout: bout.count)
    first, last = format_clock(float(time_s[0])), format_clock(float(time_s[-1]))
    if len(bouts) == 1:
        return f"in one bout from {first} to {last}"
    if largest.count >= 3 and 2 * len(bouts) <= n:
        spell = format_duration(max(largest.stop_s - largest.start_s, 0.1))
        return (
            f"in {len(bouts)} bouts; the largest at {format_clock(largest.start_s)} "
            f"({largest.count} lost within {spell})"
        )
    return f"scattered, from {first} to {last}"


def describe_speed(bands: tuple[SpeedBand, ...]) -> str:
    """Say in which speed band misfires are clearly more frequent, if in any."""
    with_loss = [b for b in bands if b.lost]
    if not with_loss:
        return ""
    if len(bands) == 1:
        return f"all of the recording was at {bands[0].low_rpm} to {bands[0].high_rpm} rev/min"
    worst = max(bands, key=lambda b: compute_wilson_interval(b.lost, b.judged)[0])
    rest_lost = sum(b.lost for b in bands) - worst.lost
    rest_judged = sum(b.judged for b in bands) - worst.judged
    low, _ = compute_wilson_interval(worst.lost, worst.judged)
    _, rest_high = compute_wilson_interval(rest_lost, rest_judged)
    if low <= rest_high or (worst.bouts is not None and worst.bouts < FEWEST_BOUTS):
        return "not clearly tied to one engine speed"
    return (
        f"most at {worst.low_rpm} to {worst.high_rpm} rev/min: {worst.lost} of "
        f"{format_count(worst.judged)} firings ({format_percent(worst.lost / worst.judged)}) "
        f"against {format_percent(rest_lost / rest_judged)} at other speeds"
    )


def compare_values(diagnosis: Diagnosis, cylinder: int) -> tuple[Comparison, ...]:
    """Put the suspect's lost firings beside its good ones and the other cylinders' good ones."""
    rows = []
    for quantity in QUANTITIES:
        spreads = split_values(diagnosis, quantity.column)
        own = next((s for s in spreads if s.cylinder == cylinder), None)
        if own is None or not (own.good.size or own.lost.size):
            continue
        others = [s.good for s in spreads if s.cylinder != cylinder]
        bound = "over " if _is_bound(diagnosis, cylinder, quantity.column) else ""
        texts = [
            format_value(value, quantity.decimals)
            for value in (
                compute_median(own.lost),
                compute_median(own.good),
                compute_median(*others),
            )
        ]
        if own.lost.size:
            texts[0] = bound + texts[0]
        rows.append(Comparison(quantity.label, quantity.unit, *texts))
    return tuple(rows)


def _is_bound(diagnosis: Diagnosis, cylinder: int, column: str) -> bool:
    """Whether most of a cylinder's lost firings give only the least that a value can be."""
    events = diagnosis.events
    lost = events[(events["cylinder"] == cylinder) & (events["misfire_probability"] >= LOST)]
    bounds = [is_bound(str(flags), column) for flags in lost["flags"]]
    return 2 * sum(bounds) > len(bounds)


def _facts_of_misfire(diagnosis: Diagnosis) -> tuple[Fact, ...]:
    """Answer for a misfire."""
    import numpy as np

    suspects = pick_suspects(diagnosis)
    if not suspects:
        return ()
    first = suspects[0]
    code = choose_recording_dtc({c.cylinder: c.misfires for c in diagnosis.cylinders})
    which = join_words([f"{c.cylinder} ({format_dtc(c.cylinder)})" for c in suspects])
    aside = f"firing order {'-'.join(map(str, diagnosis.job.engine.firing_order))}"
    pairs = [p for p in diagnosis.job.engine.waste_pairs if first.cylinder in p]
    if pairs:
        aside += f"; cylinders {pairs[0][0]} and {pairs[0][1]} share one coil"
    if code is not None and code == format_dtc(None):
        aside += "; more than one cylinder lost combustions: code P0300 (random or multiple)"
    facts = [Fact("Which cylinder", which, aside)]
    often, often_aside = [], []
    for c in suspects[:3]:
        name = f"cylinder {c.cylinder}: " if len(suspects) > 1 else ""
        often.append(
            f"{name}{c.misfires} of {format_count(c.cycles)} combustions lost"
            + (
                f", about 1 in {max(1, round(c.cycles / c.misfires))}"
                if c.misfires and c.cycles >= FEW * c.misfires
                else ""
            )
        )
        often_aside.append(f"{name}{write_rate(c)}")
    others = [c for c in diagnosis.cylinders if c not in suspects]
    if others:
        lost, judged = sum(c.misfires for c in others), sum(c.cycles for c in others)
        often_aside.append(f"other cylinders together: {lost} of {format_count(judged)}")
    facts.append(Fact("How often", "; ".join(often), "; ".join(often_aside)))
    lost_s = np.sort(np.concatenate([find_lost(diagnosis, c.cylinder) for c in suspects]))
    facts.append(
        Fact(
            "When",
            _capital(describe_bouts(lost_s)),
            _capital(describe_speed(find_speed_bands(diagnosis, first.cylinder))),
        )
    )
    facts.append(_why(first))
    certain = join_words(
        [
            f"{format_certainty(c.probability)}"
            + (f" for cylinder {c.cylinder}" if len(suspects) > 1 else "")
            for c in suspects
        ]
    )
    rest = max((c.probability for c in others), default=0.0)
    facts.append(
        Fact(
            "How certain",
            _capital(certain),
            f"probability that the cylinder is faulty; next best cylinder {format_percent(rest)}"
            if others
            else "",
        )
    )
    return tuple(facts)


def _why(result: CylinderResult) -> Fact:
    """Say the likeliest fault types of a cylinder with what they mean."""
    faults = sorted(result.faults, key=lambda item: -item[1])
    if not faults or faults[0][1] < 0.25:
        return Fact("Why", "The kind of fault cannot be told from this recording")
    kind, p = faults[0]
    answer = f"{_capital(describe_certainty(p))} ({format_percent(p)}): {name_fault(kind)}"
    also = [f"{name_fault(k)} ({format_percent(q)})" for k, q in faults[1:3] if q >= 0.1]
    aside = _capital(explain_fault(kind))
    if also:
        aside += f". Also possible: {join_words(also, 'or')}"
    return Fact("Why", answer, aside)


def _facts_of_none(diagnosis: Diagnosis) -> tuple[Fact, ...]:
    """Answer for an engine without a misfire."""
    judged = sum(c.cycles for c in diagnosis.cylinders)
    lost = sum(c.misfires for c in diagnosis.cylinders)
    top = max(diagnosis.cylinders, key=lambda c: c.probability, default=None)
    facts = [
        Fact(
            "How often",
            f"{lost or 'None'} of {format_count(judged)} combustions judged lost",
            "a few single ones come by chance and belong to no faulty cylinder" if lost else "",
        )
    ]
    if top is not None:
        facts.append(
            Fact(
                "How certain",
                f"No cylinder is more than {format_percent(top.probability)} likely to be faulty",
                f"the highest is cylinder {top.cylinder}: {describe_certainty(top.probability)}",
            )
        )
    fewest = min((c.cycles for c in diagnosis.cylinders), default=0)
    if fewest and not lost:
        share = compute_unseen_share(fewest)
        facts.append(
            Fact(
                "What may hide",
                f"A cylinder that loses fewer than 1 in {format_count(int(1 / share))} combustions",
                f"95 % bound from {format_count(fewest)} firings without a loss, if each loss "
                "would have been seen",
            )
        )
    facts.append(
        Fact(
            "Where it holds",
            _covered(diagnosis),
            "a fault that shows only elsewhere, cold or under load, is not covered",
        )
    )
    return tuple(facts)


def _facts_of_open(diagnosis: Diagnosis) -> tuple[Fact, ...]:
    """Answer for a recording that settles nothing."""
    top = max(diagnosis.cylinders, key=lambda c: c.probability, default=None)
    facts = []
    if top is not None and top.probability >= 0.05:
        facts.append(
            Fact(
                "Which cylinder",
                f"None can be named; most suspicious is cylinder {top.cylinder}",
                f"{format_certainty(top.probability)}; {top.misfires} of "
                f"{format_count(top.cycles)} combustions judged lost",
            )
        )
    else:
        facts.append(Fact("Which cylinder", "None can be named"))
    if diagnosis.notes:
        facts.append(Fact("Why it is open", diagnosis.notes[0]))
    for note in diagnosis.notes[1:3]:
        facts.append(Fact("What would settle it", note))
    facts.append(Fact("What was recorded", _covered(diagnosis)))
    return tuple(facts)


def _covered(diagnosis: Diagnosis) -> str:
    """Say what the recording covers."""
    import numpy as np

    speed = np.asarray(diagnosis.rpm, dtype=float)
    speed = speed[np.isfinite(speed)]
    words = f"{format_duration(diagnosis.duration_s)}, {format_count(diagnosis.cycles)} cycles"
    if speed.size:
        words += f", {round(float(speed.min()))} to {round(float(speed.max()))} rev/min"
    return words


def _capital(words: str) -> str:
    """Start with a capital letter."""
    return words[:1].upper() + words[1:]
