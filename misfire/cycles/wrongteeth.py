"""Single teeth that stand out of their place on the wheel: found by their neighbours, put right."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.running import robust_spread
from misfire.dsp.track import find_known_intervals
from misfire.limits import CRANKING_RPM
from misfire.records import CrankTrack, Finding

SURVEY_TEETH = 60_000  # in the middle of the recording: enough turns to know each tooth
LEAST_TURNS = 4  # revolutions that must show it
LEAST_ERROR = 0.03  # tooth pitches: less is how wheels are made, and is dealt with as such
OUTSTANDING = 8.0  # spreads of the other teeth
MOST_WRONG = 4  # teeth; more are no single ones, and the wheel may be another
REACH = 2  # neighbours on each side between which a tooth ought to stand
TEETH_AT_ONCE = 1 << 18  # put right in one go


def straighten(track: CrankTrack) -> CrankTrack:
    """Put the instants of teeth that stand out of place where the wheel says they are.

    Parameters
    ----------
    track : CrankTrack

    Returns
    -------
    track : CrankTrack
        The same one where no tooth stands out; else with a finding for each tooth.

    Notes
    -----
    The speed changes smoothly from tooth to tooth: a cubic through two teeth on each side tells
    when a tooth ought to pass. What a tooth is off by in the median of all revolutions, far beyond
    the others, is its own.
    """
    errors = find_wrong_teeth(track)
    if not errors:
        return track
    pitch_deg = 360.0 / track.wheel.positions
    time_s = track.time_s[:].copy()
    off = np.zeros(track.wheel.positions)
    for place, error in errors.items():
        off[place] = error
    last = time_s.size - 1
    for first in range(0, time_s.size, TEETH_AT_ONCE):
        angle = track.angle_deg[first : first + TEETH_AT_ONCE]
        place = np.round(angle / pitch_deg).astype(np.int64) % track.wheel.positions
        wrong = np.flatnonzero(off[place] != 0.0)
        at = wrong + first
        before, after = np.maximum(at - 1, 0), np.minimum(at + 1, last)
        turned = (track.angle_deg[after] - track.angle_deg[before]) / pitch_deg
        pitch_s = (track.time_s[after] - track.time_s[before]) / turned
        time_s[at] -= off[place[wrong]] * pitch_s
    words = ", ".join(
        f"the one {place * pitch_deg:.0f} deg after the reference by {abs(error) * pitch_deg:.1f} "
        f"deg {'late' if error > 0 else 'early'}"
        for place, error in sorted(errors.items())
    )
    message = (
        f"teeth of the crank wheel stand out of place in every revolution: {words} (bent, or seen "
        "askew beside the gap); this was taken out"
    )
    finding = Finding("crank_tooth_out", "info", message)
    return replace(track, time_s=time_s, findings=(*track.findings, finding))


def find_wrong_teeth(track: CrankTrack) -> dict[int, float]:
    """Find teeth that stand out of place in every revolution.

    Parameters
    ----------
    track : CrankTrack

    Returns
    -------
    errors : dict of place -> error [unit=pitches]
        Place on the wheel, counted in positions from the first tooth after the gap; above 0 where
        the tooth comes late.
    """
    first = max(0, (track.time_s.size - SURVEY_TEETH) // 2)
    some = slice(first, first + SURVEY_TEETH)
    angle, time_s = track.angle_deg[some], track.time_s[some]
    positions = track.wheel.positions
    if time_s.size < LEAST_TURNS * 8 or not track.revolution_known:
        return {}
    place = np.round(angle / 360.0 * positions).astype(np.int64)
    steps = np.diff(place)
    longest = max((len(gap) for gap in track.wheel.gaps), default=0) + 1
    known = find_known_intervals(track)[first : first + time_s.size - 1] & (steps <= longest)
    n = time_s.size - 2 * REACH
    offsets = [k for k in range(-REACH, REACH + 1) if k]
    x = {
        k: (place[REACH + k : REACH + k + n] - place[REACH : REACH + n]).astype(float)
        for k in offsets
    }
    whole = np.all([known[k : k + n] for k in range(2 * REACH)], axis=0)
    weights = {}
    for k in offsets:
        weights[k] = np.prod(
            [x[j] / np.where(whole, x[j] - x[k], 1.0) for j in offsets if j != k], axis=0
        )
    own = time_s[REACH : REACH + n]
    expected = sum(weights[k] * (time_s[REACH + k : REACH + k + n] - own) for k in offsets)
    pitch_s = (time_s[REACH + 1 : REACH + 1 + n] - time_s[REACH - 1 : REACH - 1 + n]) / (
        x[1] - x[-1]
    )
    # under the starter the speed swings with each compression, at the same teeth in every turn
    turning = 60.0 / (pitch_s * positions) > CRANKING_RPM
    late = np.where(whole & turning, -expected / pitch_s, np.nan)
    at = place[REACH : REACH + n] % positions
    return _pick_out(late, at, {k: weights[k] for k in offsets}, x, positions)


def _pick_out(
    late: NDArray[np.float64],
    at: NDArray[np.int64],
    weights: dict[int, NDArray[np.float64]],
    steps: dict[int, NDArray[np.float64]],
    positions: int,
) -> dict[int, float]:
    """Take out the teeth that are late or early by much, the worst first.

    Source: orthogonal matching pursuit, Pati, Rezaiifar, Krishnaprasad, Asilomar 1993 (from
    memory).
    """
    usual = np.full(positions, np.nan)
    influence = np.zeros((positions, positions))  # of the error of a column on what a row shows
    for place in np.unique(at):
        rows = np.flatnonzero((at == place) & np.isfinite(late))
        if rows.size < LEAST_TURNS:
            continue
        usual[place] = np.median(late[rows])
        influence[place, place] = 1.0
        for k, weight in weights.items():
            other = (place + int(np.median(steps[k][rows]))) % positions
            influence[place, other] -= float(np.median(weight[rows]))
    known = np.isfinite(usual)
    shown = (
        np.where(known, usual - np.nanmedian(usual), 0.0) if known.any() else np.zeros(positions)
    )
    influence[~known] = 0.0
    weight = np.sum(influence**2, axis=0)
    rest, chosen = shown, np.empty(0, np.int64)
    errors: NDArray[np.float64] = np.empty(0)
    for _ in range(MOST_WRONG + 1):
        limit = (
            max(LEAST_ERROR, OUTSTANDING * robust_spread(rest[known])) if known.any() else np.inf
        )
        if not np.max(np.abs(rest)) > limit:
            return dict(zip(chosen.tolist(), errors.tolist(), strict=True))
        # the tooth whose error explains most of what it and its neighbours show
        explained = (influence.T @ rest) ** 2 / np.where(weight > 0, weight, np.inf)
        explained[chosen] = 0.0
        chosen = np.append(chosen, int(np.argmax(explained)))
        errors = np.asarray(np.linalg.lstsq(influence[:, chosen], shown, rcond=None)[0])
        rest = shown - influence[:, chosen] @ errors
    return {}
