"""Crank angle from teeth: which tooth is which, and where that is not known."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from misfire.cycles.pattern import Pattern, describe_wheel, find_wheel, is_same_wheel, make_pattern
from misfire.cycles.pieces import Numbered, Piece, Turns, Walked, find_pieces
from misfire.cycles.wrongteeth import straighten
from misfire.dsp.teeth import StretchNumbers, TurnedAngles
from misfire.dsp.track import find_known_intervals, interpolate_angle
from misfire.errors import CycleError, ParameterError
from misfire.limits import CRANKING_RPM
from misfire.records import CrankTrack, CrankWheel, Finding, PerTooth

MARGIN_TURNS = 0.3  # a count of revolutions across a lost span must be this sure
# Of a turn, by which the swing of the speed within one moves the crank: 20 to 50 % of the speed
# twice a turn are 0.02 to 0.04 (worked out). More: parts were joined that do not follow each other.
SWING_TURNS = 0.05
LEAST_SPREAD = 0.01  # relative speed change within a lost span that is always reckoned with
SURE_SPREADS = 2.0  # so many spreads of the speed seen must not make another revolution of it
MOST_SLOWING = 1.5  # a last pitch this much longer than usual: the engine may have stopped
FEW_IN_SYNC = 0.5  # with fewer teeth in sync, another wheel is thought of
MANY_MISSING_PLAIN = 0.01  # so many pulses missing, of all, on a plain wheel are rather a gap
MANY_MISSING = 1.5  # so many pulses missing in each revolution are rather another wheel...
MANY_EXTRA = 0.5  # ...and so many extra ones: noise does not keep step with the wheel
SPEED_TURNS = 6  # revolutions beside a lost span that tell the speed
SWAP_TEETH, LEAST_GAPS = 20_000, 4  # looked at; gaps of each kind that tell how long they are
BATCH_TEETH = 1 << 16  # numbered at a time


def decode_wheel(tooth_s: NDArray[np.float64], *, wheel: CrankWheel | None) -> CrankTrack:
    """Find the crank angle of every tooth.

    Parameters
    ----------
    tooth_s : float64 array [shape=(n,), unit=s, strictly ascending]
        Instants of the teeth, as the sensor gave them.
    wheel : CrankWheel or None
        None: the wheel is worked out; `findings` says what was found.

    Returns
    -------
    track : CrankTrack
        Angle 0, 360, ... is the first tooth after the first gap; on a plain wheel, any tooth.

    Raises
    ------
    CycleError
        If no revolution of this wheel is seen, or plainly another wheel; or with `wheel` None, if
        no wheel with a gap can be made out.
    ParameterError
        If `tooth_s` does not ascend or the wheel cannot be.

    Notes
    -----
    The whole pattern of a revolution is tested, not a ratio: the number of teeth, each gap in its
    place, and a speed that changes by less than a factor 1.4 from one tooth to the next. What is
    not regular is followed tooth by tooth; a missing or extra pulse is believed only if the next
    gap comes on count. Across a span without sync, revolutions are counted by time and speed if
    that gives a whole number within a margin; otherwise a new stretch begins.
    Source: tooth counts and gap ratios follow from the wheel's name (60-2: 58 teeth, gap of 3
    pitches; 36-1: 35 teeth, 2 pitches); a ratio of 3 alone does not tell 60-2 from 36-2. The
    limits: common practice, own measurements.
    """
    tooth_s = np.asarray(tooth_s, dtype=float)
    if tooth_s.ndim != 1 or not np.all(np.isfinite(tooth_s)) or np.any(tooth_s[1:] <= tooth_s[:-1]):
        raise ParameterError("tooth_s must be one-dimensional, finite and strictly ascending")
    findings: tuple[Finding, ...] = ()
    if wheel is None:
        found = find_wheel(tooth_s)
        if found is None:
            raise CycleError(
                f"crank: no wheel can be made out of {tooth_s.size} pulses, as no gap returns "
                "after the same number of teeth; give [crank_wheel] in the job card or check the "
                "sensor"
            )
        wheel = found[0]
        teeth = wheel.positions - sum(len(gap) for gap in wheel.gaps)
        message = (
            f"the crank wheel was worked out from its signal: {describe_wheel(wheel)}, {teeth} "
            "teeth in a revolution"
        )
        findings = (Finding("wheel_found", "info", message),)
    pattern = make_pattern(wheel)
    pieces = find_pieces(tooth_s, pattern)
    _refuse_other_wheel(tooth_s, pieces, wheel, pattern)
    track = _join(tooth_s, pieces, wheel, pattern)
    _refuse_swapped_gaps(track, pattern)
    track = straighten(track)
    return replace(track, findings=findings + track.findings + _report(track, tooth_s))


def speed_rpm(track: CrankTrack) -> NDArray[np.float64]:
    """Mean speed over the revolution about each tooth.

    Parameters
    ----------
    track : CrankTrack

    Returns
    -------
    rpm : float64 array [shape=(n_teeth,), unit=rev/min]
        From half a revolution before to half a revolution after, less at the ends of what is in
        sync; NaN for a tooth that stands alone.
    """
    n = track.time_s.size
    breaks = np.flatnonzero(~find_known_intervals(track)) + 1
    bounds = np.concatenate(([0], breaks, [n]))
    lengths = np.diff(bounds)
    first, last = np.repeat(bounds[:-1], lengths), np.repeat(bounds[1:] - 1, lengths)
    # the teeth just within half a revolution on each side
    angle_deg = track.angle_deg[:]
    before = np.searchsorted(angle_deg, angle_deg - 180.0 - 1e-6)
    after = np.searchsorted(angle_deg, angle_deg + 180.0 + 1e-6, side="right") - 1
    before, after = np.maximum(before, first), np.minimum(after, last)
    duration_s = track.time_s[after] - track.time_s[before]
    turned = (angle_deg[after] - angle_deg[before]) / 360.0
    return np.where(duration_s > 0, 60.0 * turned / np.where(duration_s > 0, duration_s, 1), np.nan)


def _join(
    tooth_s: NDArray[np.float64], pieces: list[Piece], wheel: CrankWheel, pattern: Pattern
) -> CrankTrack:
    """Count revolutions on from piece to piece, or begin a new stretch."""
    numbers: list[tuple[int, int]] = []  # of a piece: its stretch, its teeth
    lost: list[tuple[float, float]] = []
    stretch, base = 0, 0
    bases: list[int] = []
    firsts, lasts = [piece.first[0] for piece in pieces], [piece.last[0] for piece in pieces]
    reach = SPEED_TURNS * pattern.n_teeth + 1
    before_s, before = np.empty(0), np.empty(0, np.int64)
    for k, piece in enumerate(pieces):
        index, position = piece.number_first(max(2, reach))
        time_s = tooth_s[index]
        if k == 0:
            base = -(int(position[0]) // pattern.positions) * pattern.positions
            if firsts[0] > 0:
                lost.append((tooth_s[0], time_s[0]))
        else:
            turns, sure = _count_turns(before_s, before, time_s, position, pattern)
            stretch += 0 if sure else 1
            base = turns * pattern.positions
            step = int(position[0]) + base - int(before[-1])
            tooth = np.searchsorted(pattern.offsets, position[0] % pattern.positions)
            next_pulse = firsts[k] == lasts[k - 1] + 1
            if not (sure and next_pulse and step == pattern.steps[tooth - 1]):
                lost.append((before_s[-1], time_s[0]))
        index, position = piece.number_last(max(2, reach))
        before_s, before = tooth_s[index], position + base
        bases.append(base)
        numbers.append((stretch, piece.size))
    if lasts[-1] < tooth_s.size - 1:
        lost.append((before_s[-1], tooth_s[-1]))
    missing = [instant for piece in pieces for instant in piece.missing_s]
    extra = [instant for piece in pieces for instant in piece.extra_s]
    return CrankTrack(
        time_s=_pick_instants(tooth_s, pieces),
        angle_deg=_count_angles(pieces, bases, pattern),
        stretch=_number_stretches(numbers),
        wheel=wheel,
        revolution_known=not pattern.plain and pattern.parts == 1,
        lost_s=np.array(lost, dtype=float).reshape(-1, 2),
        repaired_s=np.array(sorted(missing + extra), dtype=float),
        n_missing=len(missing),
        n_extra=len(extra),
    )


def _number_all(piece: Piece) -> Iterator[Numbered]:
    """Give numbers and positions of all teeth, not too many at a time."""
    for part in piece.parts:
        for start in range(0, part.size, BATCH_TEETH):
            yield part.number(start, min(part.size, start + BATCH_TEETH))


def _pick_instants(tooth_s: NDArray[np.float64], pieces: list[Piece]) -> NDArray[np.float64]:
    """Pick the instants of the teeth in sync; no copy where no pulse between them is left out."""
    n_teeth = sum(piece.size for piece in pieces)
    first, last = pieces[0].first[0], pieces[-1].last[0]
    if last - first + 1 == n_teeth:
        return tooth_s[first : last + 1]
    index = (index for piece in pieces for index, _ in _number_all(piece))
    return np.concatenate([tooth_s[part] for part in index])


def _count_angles(pieces: list[Piece], bases: Sequence[int], pattern: Pattern) -> TurnedAngles:
    """Give the angles of all teeth, by the places at which a tooth does not follow the last one.

    `bases` [unit=positions, whole turns]: what each piece counts from.
    """
    firsts, turned = [], []
    at, n, expected = 0, pattern.n_teeth, None
    for piece, base in zip(pieces, bases, strict=True):
        for part in piece.parts:
            turns = base // pattern.positions * n
            local, count = _list_runs(part, pattern)
            skips = np.ones(local.size, bool)
            skips[0] = expected != int(count[0]) + turns
            firsts.append(local[skips] + at)
            turned.append(count[skips] + turns)
            at += part.size
            expected = int(count[-1]) + turns + part.size - int(local[-1])
    return TurnedAngles(
        np.concatenate(firsts),
        np.concatenate(turned),
        at,
        pattern.offsets[:-1],
        pattern.positions,
        pattern.pitch_deg,
    )


def _list_runs(
    part: Walked | Turns, pattern: Pattern
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First teeth of a part's runs, and how many teeth of the wheel have passed before each."""
    n = 1 if isinstance(part, Turns) else part.size  # regular turns are one run
    _, position = part.number(0, n)
    turn, place = np.divmod(position, pattern.positions)
    count = turn * pattern.n_teeth + np.searchsorted(pattern.offsets, place)
    local = np.concatenate(([0], np.flatnonzero(np.diff(count) != 1) + 1))
    return local, count[local]


def _number_stretches(numbers: list[tuple[int, int]]) -> PerTooth:
    """Give the stretch of each tooth."""
    number, size = np.array(numbers, np.int64).T
    first = np.cumsum(size) - size
    begins = np.concatenate(([True], number[1:] != number[:-1]))
    return StretchNumbers(first[begins], number[begins].astype(np.int32), int(size.sum()))


def _count_turns(
    before_s: NDArray[np.float64],
    before: NDArray[np.int64],
    after_s: NDArray[np.float64],
    after: NDArray[np.int64],
    pattern: Pattern,
) -> tuple[int, bool]:
    """Revolutions to add to the piece after a lost span, and whether that is sure."""
    n, positions = pattern.n_teeth, pattern.positions
    gap_s = after_s[0] - before_s[-1]
    # speeds over whole revolutions next to the span, in positions per second
    speed_before = _turn_speeds(before_s[::-1], before[::-1], n)
    speed_after = _turn_speeds(after_s, after, n)
    nearest = np.array([speed_before[0], speed_after[0]])
    estimate = nearest.mean() * gap_s / positions  # revolutions within the span
    exact = estimate - (after[0] - before[-1]) / positions
    turns = round(float(exact))
    least = -int((after[0] - before[-1] - 1) // positions)  # angle must not run backwards
    spread = max(float(np.std(speed_before)), float(np.std(speed_after))) / nearest.mean()
    doubt = np.ptp(nearest) / 2 / nearest.mean() + SURE_SPREADS * max(spread, LEAST_SPREAD)
    slow_s = MOST_SLOWING / nearest
    stopping = (before_s[-1] - before_s[-2]) / (before[-1] - before[-2]) > slow_s[0]
    starting = (after_s[1] - after_s[0]) / (after[1] - after[0]) > slow_s[1]
    sure = (
        not pattern.plain
        and not (stopping or starting)
        and turns >= least
        and abs(exact - turns) < min(MARGIN_TURNS, doubt * estimate + SWING_TURNS)
        and doubt * estimate < MARGIN_TURNS
    )
    return max(turns, least), bool(sure)


def _turn_speeds(
    time_s: NDArray[np.float64], position: NDArray[np.int64], n_teeth: int
) -> NDArray[np.float64]:
    """Speeds of the revolutions next to the first entry, at most six, nearest first."""
    marks = np.arange(0, min(time_s.size, SPEED_TURNS * n_teeth + 1), n_teeth)
    if marks.size < 2:
        marks = np.array([0, time_s.size - 1])
    speeds: NDArray[np.float64] = np.abs(np.diff(position[marks]) / np.diff(time_s[marks]))
    return speeds


def _refuse_other_wheel(
    tooth_s: NDArray[np.float64], pieces: list[Piece], wheel: CrankWheel, pattern: Pattern
) -> None:
    """Raise if nothing could be synchronised, or the pulses plainly are another wheel's."""
    n_in_sync = sum(piece.size for piece in pieces)
    n_missing = sum(len(piece.missing_s) for piece in pieces)
    n_extra = sum(len(piece.extra_s) for piece in pieces)
    # one missing in every revolution may be a broken tooth; more is rather another wheel
    allowed = MANY_MISSING_PLAIN if pattern.plain else MANY_MISSING / pattern.n_teeth
    doubtful = n_missing > allowed * n_in_sync or n_extra * pattern.n_teeth > MANY_EXTRA * n_in_sync
    if pieces and n_in_sync >= FEW_IN_SYNC * tooth_s.size and not doubtful:
        return
    found = find_wheel(tooth_s)
    if found is not None:
        seen, turns = found
        seen_pattern = make_pattern(seen)
        if not is_same_wheel(seen_pattern, pattern) and (
            turns * seen_pattern.n_teeth > n_in_sync or doubtful
        ):
            raise CycleError(
                f"crank: the wheel is said to be {describe_wheel(wheel)}, but the signal shows "
                f"{describe_wheel(seen)} ({seen_pattern.n_teeth} teeth in a revolution); correct "
                "[crank_wheel] in the job card, or leave it out to have it worked out"
            )
    if not pieces:
        raise CycleError(
            f"crank: no revolution of a wheel {describe_wheel(wheel)} in {tooth_s.size} pulses; "
            "check the sensor's connection, the input range and [crank_wheel] in the job card"
        )


def _refuse_swapped_gaps(track: CrankTrack, pattern: Pattern) -> None:
    """Raise if two gaps of different length stand in each other's place on the card.

    The rows of teeth between them may be the same, and each gap may be seen too long or too short;
    but not each as the other one is said to be.
    """
    gaps = np.flatnonzero(pattern.steps > 1)
    if np.unique(pattern.steps[gaps]).size < 2:
        return
    some = slice(0, SWAP_TEETH)
    place = np.round(track.angle_deg[some] / pattern.pitch_deg).astype(np.int64)
    steps, lasts_s = np.diff(place), np.diff(track.time_s[some])
    pitch_s = lasts_s / np.maximum(steps, 1)
    turning_rpm = pattern.pitch_deg / 6.0 / pitch_s  # under the starter each compression is a swing
    seen = np.ones(pattern.n_teeth)
    for gap in gaps.tolist():
        at = place[1:-2] % pattern.positions == pattern.offsets[gap]
        at &= (steps[1:-1] == pattern.steps[gap]) & (steps[:-2] == 1) & (steps[2:] == 1)
        rows = np.flatnonzero(at & (turning_rpm[1:-1] > CRANKING_RPM)) + 1
        if rows.size < LEAST_GAPS:
            return
        beside_s = (pitch_s[rows - 1] + pitch_s[rows + 1]) / 2.0
        seen[gap] = np.median(lasts_s[rows] / beside_s)
    for one in gaps.tolist():
        for other in gaps[gaps > one].tolist():
            said = pattern.steps[[one, other]]
            log_seen = np.log(seen[[one, other]])
            nearer = np.abs(log_seen - np.log(said[::-1])) < np.abs(log_seen - np.log(said))
            if said[0] != said[1] and nearer.all():
                raise CycleError(
                    f"crank: the wheel is said to be {describe_wheel(track.wheel)}, but the gap "
                    f"said to miss {said[0] - 1} misses {round(seen[one]) - 1}, and the one said "
                    f"to miss {said[1] - 1} misses {round(seen[other]) - 1}; correct `gaps` of "
                    "[crank_wheel] in the job card, or leave it out to have it worked out"
                )


def _report(track: CrankTrack, tooth_s: NDArray[np.float64]) -> tuple[Finding, ...]:
    """Say what was repaired and what was lost."""
    findings = []
    if track.n_missing or track.n_extra:
        message = (
            f"{track.n_missing} missing and {track.n_extra} extra crank pulses were repaired "
            f"among {track.time_s.size} teeth"
        )
        findings.append(Finding("crank_repaired", "warning", message))
    broken = _broken_tooth(track)
    if broken is not None:
        message = (
            f"the tooth {broken:.0f} deg after the reference is missing in most revolutions: a "
            "broken tooth, or the job card names the wrong [crank_wheel]"
        )
        findings.append(Finding("crank_tooth_missing", "warning", message))
    if track.lost_s is not None:
        inner = (track.lost_s[:, 0] >= track.time_s[0]) & (track.lost_s[:, 1] <= track.time_s[-1])
        lost = track.lost_s[inner]
        if lost.size:
            message = (
                f"crank sync was lost {len(lost)} times, "
                f"{np.sum(lost[:, 1] - lost[:, 0]):.2f} s in all, first at {lost[0, 0]:.3f} s"
            )
            findings.append(Finding("crank_lost", "warning", message))
    if track.time_s.size < FEW_IN_SYNC * tooth_s.size:
        message = f"only {track.time_s.size} of {tooth_s.size} crank pulses could be placed"
        findings.append(Finding("crank_mostly_lost", "warning", message))
    if not track.revolution_known:
        message = "the crank wheel has no single reference: the revolution's beginning is unknown"
        findings.append(Finding("revolution_unknown", "info", message))
    return tuple(findings)


def _broken_tooth(track: CrankTrack) -> float | None:
    """Angle within the revolution at which a pulse is missing in more than half of them."""
    revolutions = float(track.angle_deg[-1] - track.angle_deg[0]) / 360.0
    if track.repaired_s is None or track.n_missing < max(3.0, 0.5 * revolutions):
        return None
    pitch_deg = 360.0 / track.wheel.positions
    angle = interpolate_angle(track, track.repaired_s) % 360.0
    counts = np.bincount(np.round(angle / pitch_deg).astype(int) % track.wheel.positions)
    most = int(np.argmax(counts))
    return most * pitch_deg if counts[most] > 0.5 * revolutions else None
