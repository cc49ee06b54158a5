"""Which crank angle is TDC and which revolution is compression: one scored hypothesis."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from misfire.cycles.pattern import make_pattern
from misfire.cycles.restrikes import list_first_strikes
from misfire.cycles.ripple import Ripple
from misfire.cycles.weighing import (
    LEAST_SHARPNESS,
    SURE_MARGIN,
    USUAL_ADVANCE_DEG,
    Scale,
    cylinder_angles,
    wrap_deg,
)
from misfire.dsp.track import angle_at, list_stretches
from misfire.records import Cam, CrankTrack, Engine, Finding, StrokeTrain

CAM_SPREAD_DEG = 8.0  # edges of one cam tooth scatter less
LEAST_EDGES = 5


@dataclass(frozen=True, slots=True)
class Phase:
    """TDC of firing_order[0] on the track: `tdc_deg` [0..720) holds the revolution too.

    `offset_deg[stretch]` is to be added on that stretch. `resolved` is False where other places
    fit as well: `others_deg` are those, as distances from the chosen one (360: the other
    revolution). `basis` says in words what told the hypotheses apart.
    """

    tdc_deg: float
    offset_deg: dict[int, float]
    resolved: bool
    tdc_known: bool
    basis: str
    findings: tuple[Finding, ...] = ()
    others_deg: tuple[float, ...] = ()


def find_phase(
    track: CrankTrack,
    trains: list[StrokeTrain],
    pickups: list[StrokeTrain],
    cam_rise_s: NDArray[np.float64],
    *,
    engine: Engine,
    cam: Cam | None,
    ripples: Mapping[int, Ripple] = MappingProxyType({}),
) -> Phase:
    """Score the hypotheses for TDC and for the compression revolution together.

    Parameters
    ----------
    track : CrankTrack
    trains : list of StrokeTrain
        Primary, current and trigger channels.
    pickups : list of StrokeTrain
        Secondary channels, measured at the switch-off instants (or on their own).
    cam_rise_s : float64 array [unit=s]
        Rising edges of the cam channel; empty without one.
    engine : Engine
    cam : Cam or None
    ripples : mapping of stretch -> Ripple
        What the crank speed shows of TDC; used when the job card gives no tdc_deg, and for the
        revolution of engines without two cylinders 360 degrees apart.

    Returns
    -------
    phase : Phase

    Notes
    -----
    Source: sparks fall about 50 degrees before to 20 after compression TDC; a waste-spark coil
    shows the higher firing voltage on compression (DESIGN section 3; ANCHORS C3).
    """
    findings: list[Finding] = []
    given = track.wheel.tdc_deg
    tdc_known = given is not None and track.revolution_known
    scale = Scale(track, trains, pickups, cam_rise_s, engine, cam, ripples)
    ripple = ripples.get(scale.longest)
    rotations: tuple[float, ...] = ()
    part_deg = _find_part(track)
    if given is None or not tdc_known:
        tdc, certain = _tdc_from_sparks(track, trains, engine, ripple)
        if given is not None and 0 < part_deg < 360.0:  # the card's angle, from some gap
            tdc += float(wrap_deg(np.array([given - tdc]), part_deg)[0])
        if not certain and engine.cylinders > 1:
            tdc, rotations = _choose_place(scale, tdc, part_deg)
        if track.wheel.positions > 1:  # a track made of sparks has no wheel to speak of
            source = _name_source(trains, ripple)
            findings.append(
                Finding(
                    "tdc_worked_out",
                    "warning" if rotations else "info",
                    ("tdc_deg is not in the job card" if given is None else "no single reference")
                    + f"; TDC taken from {source} as about {tdc % 360.0:.0f} degrees"
                    + (", but nothing tells which cylinder fires there" if rotations else ""),
                )
            )
    else:
        tdc = float(given)
    offset: dict[int, float] = {}
    margins: list[tuple[int, float, float]] = []
    basis: set[str] = set()
    numbers = [number for number, _, _ in list_stretches(track)]
    for number in numbers:
        score, weight, names = scale.compare(number, tdc, tdc + 360.0)
        margins.append((number, score, weight))
        basis |= names
    if not track.revolution_known:  # the angle does not run on across a loss of sync
        margins = [m for m in margins if m[0] == scale.longest]
        offset = dict.fromkeys(numbers, np.nan)
    told = any(w > 0 and abs(s) >= SURE_MARGIN * w for _, s, w in margins)
    for number, score, weight in margins:
        if weight > 0 and abs(score) >= SURE_MARGIN * weight:
            offset[number] = 0.0 if score > 0 else 360.0
        elif told:
            # A short stretch without evidence of its own: its revolution count still runs on if
            # the decoder bridged the gap; else its firings are left out by the caller.
            offset[number] = np.nan
        else:
            offset[number] = 0.0
    if engine.cylinders == 1:
        others: tuple[float, ...] = ()
    elif told:
        others = tuple(d for d in rotations if d != 360.0)
    else:
        others = tuple(sorted({*rotations, 360.0}))
    if others == (360.0,):
        findings.append(
            Finding(
                "phase_unknown",
                "warning",
                "no channel tells the compression from the exhaust revolution: cylinders 360 "
                "degrees apart cannot be told apart. Connect the primary of one known cylinder, "
                "a cam sensor or a secondary pick-up on one cylinder",
            )
        )
    elif others:
        findings.append(
            Finding(
                "cylinders_unknown",
                "warning",
                "nothing tells which cylinder is which: give tdc_deg in the job card, or "
                "`cylinders` for a channel of one coil, or connect one coil of a known cylinder",
            )
        )
    findings += _name_open(track, offset)
    if cam is None and not others:
        findings += _describe_cam(scale, tdc, offset)
    words = ", ".join(sorted(basis)) if told else "nothing"
    return Phase(tdc, offset, not others, tdc_known, words, tuple(findings), others)


def _name_open(track: CrankTrack, offset: dict[int, float]) -> list[Finding]:
    """Say how much of the recording has no place in the cycle."""
    open_s = total_s = 0.0
    for number, first, stop in list_stretches(track):
        length_s = float(track.time_s[stop - 1] - track.time_s[first])
        total_s += length_s
        if not np.isfinite(offset[number]):
            open_s += length_s
    if not open_s > 0.0:
        return []
    text = (
        f"{open_s:.1f} s of {total_s:.1f} s ({open_s / total_s:.0%}) stand apart, behind a loss of "
        "the crank signal or a gap between parts, and nothing tells there which revolution is "
        "compression: they are not judged"
    )
    return [Finding("phase_open", "warning", text)]


def permute_cylinders(engine: Engine, turn_deg: float) -> dict[int, int]:
    """Tell which cylinder each one is in truth, if TDC lies `turn_deg` later than was taken.

    Parameters
    ----------
    engine : Engine
    turn_deg : float [unit=deg]

    Returns
    -------
    names : dict of int
        The nearest firing where the engine's pattern does not fit onto itself.

    Examples
    --------
    >>> permute_cylinders(Engine(4, (1, 3, 4, 2), "coil_on_plug"), 360.0)
    {1: 4, 3: 2, 4: 1, 2: 3}
    """
    angles = cylinder_angles(engine)
    numbers = np.array(list(angles))
    places = np.array(list(angles.values()))
    return {
        c: int(numbers[np.abs(wrap_deg(places - (at - turn_deg), 720.0)).argmin()])
        for c, at in angles.items()
    }


def _name_source(trains: list[StrokeTrain], ripple: Ripple | None) -> str:
    """Say what TDC was taken from."""
    if any(t.strokes.size >= 3 for t in trains):
        return "the sparks"
    told = ripple is not None and ripple.sharpness >= LEAST_SHARPNESS
    return "the ripple of the crank speed" if told else "nothing (neither sparks nor ripple)"


def _find_part(track: CrankTrack) -> float:
    """Angle after which the wheel looks the same again: 360 degrees on one with a reference."""
    if track.revolution_known:
        return 360.0
    pattern = make_pattern(track.wheel)
    return 0.0 if pattern.plain else 360.0 / pattern.parts


def _describe_cam(scale: Scale, tdc: float, offset: dict[int, float]) -> list[Finding]:
    """Say where in the cycle a cam channel rises, for the job card of the next recording."""
    angle, number = scale.rises
    extra = np.array([offset.get(int(k), np.nan) for k in number])
    theta = (angle - tdc + extra) % 720.0
    theta = np.sort(theta[np.isfinite(theta)])
    if theta.size < LEAST_EDGES:
        return []
    groups = np.split(theta, np.flatnonzero(np.diff(theta) > CAM_SPREAD_DEG) + 1)
    most = max(g.size for g in groups)
    edges = [float(np.median(g)) for g in groups if 2 * g.size > most]
    if len(edges) > 12:  # smeared: no pattern that repeats with the cycle
        return []
    words = ", ".join(f"{e:.0f}" for e in edges)
    text = (
        f"the cam rises {words} degrees after TDC of the first cylinder of the firing order; with "
        f"[cam] edge_deg = {edges[0]:.0f} in the job card it tells the two revolutions apart"
    )
    return [Finding("cam_worked_out", "info", text)]


def _choose_place(scale: Scale, tdc: float, part_deg: float) -> tuple[float, tuple[float, ...]]:
    """Best of all places that TDC of firing_order[0] may have, and the others that fit as well."""
    angles = np.array(scale.engine.firing_angles_deg)
    turns = (angles[:, None] - angles[None, :]).ravel() % 720.0
    if 0 < part_deg < 360.0:
        turns = np.concatenate((turns, np.arange(0.0, 720.0, part_deg)))
    turns = np.concatenate((turns, (turns + 360.0) % 720.0))
    turns = np.unique(np.round(turns, 1) % 720.0)
    share = np.zeros((turns.size, turns.size))
    for i in range(turns.size):
        for j in range(i):
            score, weight, _ = scale.compare(scale.longest, tdc + turns[i], tdc + turns[j])
            share[i, j] = score / weight if weight > 0 else 0.0
            share[j, i] = -share[i, j]
    best = int(np.argmax(share.sum(axis=1)))
    place = float((tdc + turns[best]) % 720.0)
    alike = np.flatnonzero((share[best] < SURE_MARGIN) & (np.arange(turns.size) != best))
    return place, tuple(sorted(float((turns[k] - turns[best]) % 720.0) for k in alike))


def _tdc_from_sparks(
    track: CrankTrack, trains: list[StrokeTrain], engine: Engine, ripple: Ripple | None
) -> tuple[float, bool]:
    """TDC of firing_order[0] within the revolution from where the sparks fall."""
    angles = cylinder_angles(engine)
    best: tuple[int, NDArray[np.float64]] | None = None
    for train in trains:
        seen = train.channel.cylinders or tuple(angles)
        theta = angle_at(track, list_first_strikes(train.strokes["stop_s"]))
        theta = theta[np.isfinite(theta)]
        if theta.size >= 3 and (best is None or len(seen) < best[0]):
            own = np.array([angles[c] for c in seen])
            best = (len(seen), (theta[:, None] - own[None, :]).ravel())
    if best is None:
        return (ripple.tdc_deg % 360.0 if ripple is not None else 0.0), False
    n_seen, theta = best
    # The densest place on the revolution is where the spark of firing_order[0] falls.
    grid = np.arange(0.0, 360.0, 2.0)
    folded = np.sort(theta % 360.0)
    wide = np.concatenate((folded - 360.0, folded, folded + 360.0))
    n = np.searchsorted(wide, grid + 10.0) - np.searchsorted(wide, grid - 10.0)
    centre = grid[int(np.argmax(n))]
    spark = centre + float(
        np.median(wrap_deg(theta - centre, 360.0)[np.abs(wrap_deg(theta - centre, 360.0)) <= 10.0])
    )
    interval = 720.0 / engine.cylinders
    tdc = spark + USUAL_ADVANCE_DEG
    if ripple is not None and ripple.sharpness >= LEAST_SHARPNESS:
        # Of the TDCs the speed ripple allows, the one that follows the spark within 0..50 degrees.
        away = (ripple.tdc_deg - spark) % min(interval, 360.0)
        if away < 50.0:
            tdc = spark + away
    certain = n_seen == 1 or (engine.ignition == "wasted_spark" and n_seen == 2)
    return float(tdc % 360.0), certain
