"""Which edge of its teeth a crank signal is read by: the one that shows the wheel."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from misfire.cycles.pattern import Pattern, describe_wheel, find_wheel, is_same_wheel, make_pattern
from misfire.cycles.sync import LogPitches, find_regular_turns, find_steady_runs, learn_lengths
from misfire.errors import ParameterError
from misfire.records import CrankWheel, Finding, ToothTrain

SURVEY_TEETH = 50_000  # enough of a recording to tell which edge shows the wheel
WORSE_SCATTER = 2.0  # an edge is given up when its scatter is this much the larger
PLAINLY_MORE = 0.2  # of all pulses: so many more in whole revolutions decide
LEAST_EXPLAINED = 0.3  # of the pulses in whole revolutions: the card's wheel is there
EDGE_NAMES = {1: "rising", -1: "falling"}


@dataclass(frozen=True, slots=True)
class _Edge:
    """One edge of the teeth: `wheel` is what it shows by itself, with `turns` that repeat."""

    tooth_s: NDArray[np.float64]
    wheel: CrankWheel | None
    turns: float

    @property
    def explained(self) -> float:
        """Share of the pulses that repeat the revolution before."""
        if self.wheel is None or self.tooth_s.size == 0:
            return 0.0
        return self.turns * make_pattern(self.wheel).n_teeth / self.tooth_s.size


def choose_edge(train: ToothTrain, *, wheel: CrankWheel | None) -> ToothTrain:
    """Choose the edge of the teeth by what it shows of the wheel.

    Parameters
    ----------
    train : ToothTrain
        With both edges in `tooth_s` and `other_s`.
    wheel : CrankWheel or None
        The job card's; None where it names none.

    Returns
    -------
    train : ToothTrain
        With the chosen edge in `tooth_s`, and no other one.

    Notes
    -----
    A sensor that lasts beyond a tooth, or falls back slowly in the gap, puts one edge of the tooth
    before the gap into the gap: one edge shows a single gap of three pitches (60-2), the other two
    of about two beside each other, as of a wheel 60-1-1. The edge that shows the card's wheel in
    plainly more revolutions is taken; where neither does or none is named, the edge that shows
    more of a wheel by itself, and of two wheels with the same teeth the one with fewer gaps: a late
    edge makes two gaps of one, but none makes one gap of two with a tooth between them. Where both
    edges serve, the one given first (the card's `tdc_deg` is counted from it) is kept, unless it is
    that of a Hall sensor and scatters more than twice as much: of an inductive one the slow flank
    is steady too where the signal is weak, but stands elsewhere than the tooth.
    Source: which edge is the steadier depends on the sensor (common practice); recordings of real
    engines.
    """
    other_s = train.other_s
    if other_s is None or other_s.size < 4 or train.tooth_s.size < 4:
        return replace(train, other_s=None)
    own, other = _survey(train.tooth_s, other_s)
    words = ""
    if own.wheel is not None and other.wheel is not None:
        one, two = make_pattern(own.wheel), make_pattern(other.wheel)
        if not is_same_wheel(one, two):
            words = (
                f"its {EDGE_NAMES[train.edge]} edges show {describe_wheel(own.wheel)}, its "
                f"{EDGE_NAMES[-train.edge]} edges {describe_wheel(other.wheel)}"
            )
    change, reason = _compare(own, other, wheel)
    if not reason and train.sensor == "hall":
        change, reason = _is_steadier(own, other)
    if not change:
        return replace(train, other_s=None, seen=words)
    shift = 0.0
    name = EDGE_NAMES[-train.edge]
    message = f"the {name} edges {reason}: they are used"
    if train.sensor == "hall":
        shift = _edge_shift(other_s, train.tooth_s)
        message += (
            f", {abs(shift):.3f} of a tooth pitch {'after' if shift > 0 else 'before'} the falling "
            "edge of the same tooth; tdc_deg is counted from the falling edge"
        )
    return replace(
        train,
        tooth_s=other_s,
        edge=-train.edge,
        edge_shift_pitch=shift,
        findings=(*train.findings, Finding("crank_edge", "info", message)),
        other_s=None,
        seen=words,
    )


def _survey(own_s: NDArray[np.float64], other_s: NDArray[np.float64]) -> tuple[_Edge, _Edge]:
    """Look at both edges of the same teeth, from the middle of a long recording."""
    first = max(0, (own_s.size - SURVEY_TEETH) // 2)
    own_s = own_s[first : first + SURVEY_TEETH]
    low, high = np.searchsorted(other_s, own_s[[0, -1]])
    edges = []
    for tooth_s in (own_s, other_s[low:high]):
        found = find_wheel(tooth_s)
        edges.append(_Edge(tooth_s, *(found if found is not None else (None, 0.0))))
    return edges[0], edges[1]


def _compare(own: _Edge, other: _Edge, wheel: CrankWheel | None) -> tuple[bool, str]:
    """Tell whether the other edge shows the wheel better, and by what; "" where both do alike."""
    if wheel is not None:
        try:
            pattern = make_pattern(wheel)
        except ParameterError:
            return False, ""
        shares = [_share_in_turns(edge.tooth_s, pattern) for edge in (own, other)]
        if abs(shares[1] - shares[0]) > PLAINLY_MORE:
            return shares[1] > shares[0], f"show the wheel {describe_wheel(wheel)} of the job card"
        if min(shares) > LEAST_EXPLAINED:
            return False, ""
    if own.wheel is None or other.wheel is None:
        if own.wheel is other.wheel:
            return False, ""
        return own.wheel is None, "show a wheel"
    one, two = make_pattern(own.wheel), make_pattern(other.wheel)
    if is_same_wheel(one, two):
        return False, ""
    if (one.n_teeth, one.positions) == (two.n_teeth, two.positions):
        fewer = np.sum(two.steps > 1) < np.sum(one.steps > 1)
        return bool(
            fewer
        ), f"show one gap where the others show two ({describe_wheel(other.wheel)})"
    return other.explained > own.explained + PLAINLY_MORE, "show a wheel in more revolutions"


def _share_in_turns(tooth_s: NDArray[np.float64], pattern: Pattern) -> float:
    """Share of the pulses that stand in revolutions without any fault."""
    if tooth_s.size <= pattern.n_teeth:
        return 0.0
    log_pitch = LogPitches(tooth_s)
    if pattern.plain:
        runs = find_steady_runs(log_pitch[:])
        return float(np.sum(runs[:, 1] - runs[:, 0])) / tooth_s.size
    starts = find_regular_turns(
        log_pitch, learn_lengths(log_pitch, pattern), pitch_deg=pattern.pitch_deg
    )
    return starts.size * pattern.n_teeth / tooth_s.size


def _is_steadier(own: _Edge, other: _Edge) -> tuple[bool, str]:
    """Tell whether the pitch of the other edge scatters plainly less."""
    scatter, less = (_pitch_scatter(edge.tooth_s) for edge in (own, other))
    steadier = bool(scatter > WORSE_SCATTER * less)
    return steadier, f"scatter {scatter / less:.1f} times less" if steadier else ""


def _pitch_scatter(edge_s: NDArray[np.float64]) -> float:
    """Median change from one pitch to the next, relative; a gap does not move a median."""
    if edge_s.size < 4:
        return np.nan
    log_pitch = np.log(np.maximum(np.diff(edge_s), 1e-12))
    return float(np.median(np.abs(np.diff(log_pitch, 2)))) + 1e-6


def _edge_shift(rise: NDArray[np.float64], fall: NDArray[np.float64]) -> float:
    """How far the rising edge stands after the falling edge of the same tooth, in pitches."""
    pitch = float(np.median(np.diff(rise)))
    until_fall = np.searchsorted(fall, rise)
    known = until_fall < fall.size
    high = fall[until_fall[known]] - rise[known]
    until_rise = np.searchsorted(rise, fall)
    known = until_rise < rise.size
    low = rise[until_rise[known]] - fall[known]
    usual_high, usual_low = float(np.median(high)), float(np.median(low))
    # the level that lasts on in the gap is the one between teeth
    gap_is_high = np.percentile(high, 99.5) - usual_high > np.percentile(low, 99.5) - usual_low
    return (usual_low if gap_is_high else -usual_high) / pitch
