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
    EARLIEST_DEG,
    LATEST_DEG,
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
MOST_LOBES = 12  # of a cam wheel; rises at more places are a cam that does not run with the crank
MOST_CAM_SHIFT_DEG = 30.0  # crank degrees: a card's edge_deg and its cam differ by less (rough)


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
    shows the higher firing voltage on compression (docs/sources.md).
    """
    scale = Scale(track, trains, pickups, cam_rise_s, engine, cam, ripples)
    place = _find_place(track, trains, scale)
    offset, told, basis = _choose_revolutions(track, scale, place.tdc_deg)
    if engine.cylinders == 1:
        others: tuple[float, ...] = ()
    elif told:
        others = tuple(d for d in place.rotations if d != 360.0)
    else:
        others = tuple(sorted({*place.rotations, 360.0}))
    findings = [*place.findings, *_name_ambiguity(others), *_name_open(track, offset)]
    if cam is None and not others:
        findings += _describe_cam(scale, place.tdc_deg, offset)
    words = ", ".join(sorted(basis)) if told else "nothing"
    known = track.wheel.tdc_deg is not None and track.revolution_known
    return Phase(place.tdc_deg, offset, not others, known, words, tuple(findings), others)


@dataclass(frozen=True, slots=True)
class _Place:
    """TDC of firing_order[0]; `rotations`: distances to other places that fit as well."""

    tdc_deg: float
    rotations: tuple[float, ...] = ()
    findings: tuple[Finding, ...] = ()


def _find_place(track: CrankTrack, trains: list[StrokeTrain], scale: Scale) -> _Place:
    """Take TDC from the card, or work it out from sparks, cam and ripple."""
    given, engine = track.wheel.tdc_deg, scale.engine
    if given is not None and track.revolution_known:
        return _Place(float(given))
    ripple = scale.ripples.get(scale.longest)
    rotations: tuple[float, ...] = ()
    part_deg = _find_part(track)
    tdc, certain = _tdc_from_sparks(track, trains, engine, ripple)
    places = _places_from_cam(scale, tdc, ripple, certain=certain)
    if places.size:
        tdc = float(places[0])
    if given is not None and 0 < part_deg < 360.0:  # the card's angle, from some gap
        tdc += float(wrap_deg(np.array([given - tdc]), part_deg)[0])
    if not certain and engine.cylinders > 1:
        several = places.size > 1
        turns = places - places[0] if several else _list_turns(engine, part_deg)
        tdc, rotations = _choose_place(scale, tdc, turns, with_cam=not several)
    if places.size and ripple is not None and ripple.sharpness >= LEAST_SHARPNESS:
        # a cam is set to some degrees only, and some are turned by oil
        interval = min(720.0 / engine.cylinders, 360.0)
        away_deg = float(wrap_deg(np.array([ripple.tdc_deg - tdc]), interval)[0])
        tdc += away_deg if abs(away_deg) < min(MOST_CAM_SHIFT_DEG, interval / 4.0) else 0.0
    if track.wheel.positions <= 1:  # a track made of sparks has no wheel to speak of
        return _Place(tdc, rotations)
    source = "the cam's edge_deg" if places.size else _name_source(trains, ripple)
    text = (
        ("tdc_deg is not in the job card" if given is None else "no single reference")
        + f"; TDC taken from {source} as about {tdc % 360.0:.0f} degrees"
        + (", but nothing tells which cylinder fires there" if rotations else "")
    )
    found = Finding("tdc_worked_out", "warning" if rotations else "info", text)
    return _Place(tdc, rotations, (found,))


def _places_from_cam(
    scale: Scale, tdc: float, ripple: Ripple | None, *, certain: bool
) -> NDArray[np.float64]:
    """List where TDC can be by the card's place of the cam's first rise; none without a cam.

    `tdc` is what sparks and ripple let expect. Where a spark is that of a known coil, the cam only
    says how far before TDC it comes. A cam of several lobes has one place for each that can be the
    first of the cycle; those that do not suit the ripple are left out.
    """
    nothing = np.empty(0)
    if scale.cam is None:
        return nothing
    angle, number = scale.rises
    angle = angle[(number == scale.longest) & np.isfinite(angle)]
    edge_deg, period = scale.cam.edge_deg, 720.0
    rises = np.array(_group_rises(angle % period))
    if angle.size < LEAST_EDGES or not rises.size:
        return nothing
    since = (rises - np.roll(rises, 1)) % period  # the first of the cycle: TDC lies between
    places = (rises - edge_deg)[(since > edge_deg - CAM_SPREAD_DEG) | (rises.size == 1)] % period
    interval = min(720.0 / scale.engine.cylinders, 360.0)
    sharp = ripple is not None and ripple.sharpness >= LEAST_SHARPNESS
    if certain:
        later = wrap_deg(places - tdc + USUAL_ADVANCE_DEG, 360.0)  # of TDC, after the spark
        places = places[(later > -LATEST_DEG) & (later < EARLIEST_DEG)]
    elif places.size > 1 and ripple is not None and sharp:
        suits = np.abs(wrap_deg(places - ripple.tdc_deg, interval)) < CAM_SPREAD_DEG
        places = places[suits] if suits.any() else places
    return np.asarray(places % (360.0 if certain else 720.0))


def _choose_revolutions(
    track: CrankTrack, scale: Scale, tdc: float
) -> tuple[dict[int, float], bool, set[str]]:
    """Choose the compression revolution of each stretch.

    Gives what is to be added to TDC there (NaN: open), whether anything told, and what did.
    """
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
        else:
            # Without evidence of its own a stretch may be on either revolution beside the others:
            # its revolution count runs on only if the decoder bridged the gap.
            offset[number] = 0.0 if not told and number == scale.longest else np.nan
    return offset, told, basis


def _name_ambiguity(others: tuple[float, ...]) -> list[Finding]:
    """Say what would tell the places of TDC apart that fit alike."""
    if not others:
        return []
    if others == (360.0,):
        text = (
            "no channel tells the compression from the exhaust revolution, as a cam sensor or a "
            "secondary pick-up would: cylinders 360 degrees apart cannot be told apart"
        )
        return [Finding("phase_unknown", "warning", text)]
    text = "nothing tells which cylinder is which"
    return [Finding("cylinders_unknown", "warning", text)]


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
        f"{open_s:.1f} s of {total_s:.1f} s ({open_s / total_s:.0%}) come after a loss of the "
        "crank signal or a gap between parts, and nothing there tells which revolution is "
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
    edges = _group_rises(theta[np.isfinite(theta)])
    if not edges:
        return []
    words = ", ".join(f"{e:.0f}" for e in edges)
    text = (
        f"the cam rises {words} degrees after TDC of the first cylinder of the firing order; with "
        f"[cam] edge_deg = {edges[0]:.0f} in the job card it tells the two revolutions apart"
    )
    return [Finding("cam_worked_out", "info", text)]


def _group_rises(theta: NDArray[np.float64]) -> list[float]:
    """Angles at which a cam rises in most cycles, of all its rises; none where they are smeared."""
    if theta.size < LEAST_EDGES:
        return []
    theta = np.sort(theta)
    apart = np.flatnonzero(np.diff(theta) > CAM_SPREAD_DEG) + 1
    groups = np.split(theta, apart)
    if len(groups) > 1 and groups[0][0] + 720.0 - groups[-1][-1] <= CAM_SPREAD_DEG:
        groups = [np.concatenate((groups[0], groups.pop() - 720.0)), *groups[1:]]
    most = max(g.size for g in groups)
    edges = sorted(float(np.median(g)) % 720.0 for g in groups if 2 * g.size > most)
    return edges if len(edges) <= MOST_LOBES else []


def _list_turns(engine: Engine, part_deg: float) -> NDArray[np.float64]:
    """Angles by which TDC may be off where neither wheel nor sparks tell the cylinders apart."""
    angles = np.array(engine.firing_angles_deg)
    turns = (angles[:, None] - angles[None, :]).ravel() % 720.0
    if 0 < part_deg < 360.0:
        turns = np.concatenate((turns, np.arange(0.0, 720.0, part_deg)))
    turns = np.concatenate((turns, (turns + 360.0) % 720.0))
    return np.unique(np.round(turns, 1) % 720.0)


def _choose_place(
    scale: Scale, tdc: float, turns: NDArray[np.float64], *, with_cam: bool
) -> tuple[float, tuple[float, ...]]:
    """Best of all places that TDC of firing_order[0] may have, and the others that fit as well."""
    share = np.zeros((turns.size, turns.size))
    for i in range(turns.size):
        for j in range(i):
            score, weight, _ = scale.compare(
                scale.longest, tdc + turns[i], tdc + turns[j], with_cam=with_cam
            )
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
