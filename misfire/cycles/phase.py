"""Which crank angle is TDC and which revolution is compression: one scored hypothesis."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.cycles.ripple import Ripple
from misfire.dsp.track import angle_at
from misfire.records import Cam, CrankTrack, Engine, Finding, StrokeTrain

EARLIEST_DEG = 60.0  # before compression TDC: no spark comes earlier (DESIGN section 3: about 50)
LATEST_DEG = 25.0  # after compression TDC
USUAL_ADVANCE_DEG = 12.0  # idle, common practice; used only where nothing else tells TDC
RIPPLE_WEIGHT = 20.0  # as much as 20 sparks
LEAST_SHARPNESS = 0.15
SURE_MARGIN = 0.25  # of the evidence: below this the two revolutions are not told apart


@dataclass(frozen=True, slots=True)
class Phase:
    """TDC of firing_order[0] on the track: `tdc_deg` [0..720) holds the revolution too.

    `offset_deg[stretch]` is to be added on that stretch. `resolved` is False where the two
    revolutions look alike; `basis` says in words what told them apart.
    """

    tdc_deg: float
    offset_deg: dict[int, float]
    resolved: bool
    tdc_known: bool
    basis: str
    findings: tuple[Finding, ...] = ()


def wrap_deg(angle: NDArray[np.float64], period: float) -> NDArray[np.float64]:
    """Fold angles into [-period/2, period/2).

    Examples
    --------
    >>> wrap_deg(np.array([350.0, 20.0]), 360.0).tolist()
    [-10.0, 20.0]
    """
    return np.asarray((angle + period / 2) % period - period / 2)


def cylinder_angles(engine: Engine) -> dict[int, float]:
    """Crank angle of compression TDC of each cylinder, after that of firing_order[0]."""
    return dict(zip(engine.firing_order, engine.firing_angles_deg, strict=True))


def find_phase(
    track: CrankTrack,
    trains: list[StrokeTrain],
    pickups: list[StrokeTrain],
    cam_rise_s: NDArray[np.float64],
    *,
    engine: Engine,
    cam: Cam | None,
    ripple: Ripple | None = None,
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
    ripple : Ripple, optional
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
    angles = cylinder_angles(engine)
    given = track.wheel.tdc_deg
    tdc_known = given is not None
    if given is None:
        tdc, certain = _tdc_from_sparks(track, trains, engine, ripple)
        findings.append(
            Finding(
                "tdc_worked_out",
                "info" if certain else "warning",
                f"tdc_deg is not in the job card; taken from {_name_source(trains, ripple)} as "
                f"about {tdc:.0f} degrees"
                + ("" if certain else ", without a channel that names its cylinder"),
            )
        )
    else:
        tdc = float(given)
    stretches = [int(v) for v in np.unique(track.stretch)]
    offset: dict[int, float] = {}
    margins: list[tuple[int, float, float]] = []
    basis: set[str] = set()
    for number in stretches:
        score, weight, names = _score(
            track, number, trains, pickups, cam_rise_s, engine, cam, angles, tdc
        )
        pulse, part = _score_ripple(ripple, engine, tdc)
        score, weight = score + pulse, weight + part
        if part and abs(pulse) > SURE_MARGIN * part:
            names = names | {"torque pulses"}
        margins.append((number, score, weight))
        basis |= names
    sure = [(n, s) for n, s, w in margins if w > 0 and abs(s) >= SURE_MARGIN * w]
    resolved = bool(sure)
    for number, score, weight in margins:
        if weight > 0 and abs(score) >= SURE_MARGIN * weight:
            offset[number] = 0.0 if score > 0 else 360.0
        elif resolved:
            # A short stretch without evidence of its own: its revolution count still runs on if
            # the decoder bridged the gap; else its firings are left out by the caller.
            offset[number] = np.nan
        else:
            offset[number] = 0.0
    if not resolved and engine.cylinders > 1:
        findings.append(
            Finding(
                "phase_unknown",
                "warning",
                "no channel tells the compression from the exhaust revolution: cylinders 360 "
                "degrees apart cannot be told apart. Connect the primary of one known cylinder, "
                "a cam sensor or a secondary pick-up on one cylinder",
            )
        )
    words = ", ".join(sorted(basis)) if resolved else "nothing"
    return Phase(tdc, offset, resolved, tdc_known, words, tuple(findings))


def _name_source(trains: list[StrokeTrain], ripple: Ripple | None) -> str:
    """Say what TDC was taken from."""
    if any(t.strokes.size >= 3 for t in trains):
        return "the sparks"
    told = ripple is not None and ripple.sharpness >= LEAST_SHARPNESS
    return "the ripple of the crank speed" if told else "nothing (neither sparks nor ripple)"


def _odd_fire(engine: Engine) -> bool:
    """Whether the pattern of firing angles differs between the two revolutions."""
    angles = np.array(engine.firing_angles_deg)
    shifted = np.sort((angles + 360.0) % 720.0)
    return bool(np.abs(wrap_deg(shifted - angles, 720.0)).max() > 10.0)


def _score(
    track: CrankTrack,
    number: int,
    trains: list[StrokeTrain],
    pickups: list[StrokeTrain],
    cam_rise_s: NDArray[np.float64],
    engine: Engine,
    cam: Cam | None,
    angles: dict[int, float],
    tdc: float,
) -> tuple[float, float, set[str]]:
    """Evidence for the track's own revolution count (+) against one revolution more (-)."""
    inside = track.stretch == number
    lo, hi = track.time_s[inside][[0, -1]]
    total, weight, names = 0.0, 0.0, set()
    for train in trains:
        stops = train.strokes["stop_s"]
        stops = stops[(stops >= lo) & (stops <= hi)]
        theta = angle_at(track, stops) - tdc
        theta = theta[np.isfinite(theta)]
        seen = train.channel.cylinders or tuple(angles)
        if theta.size == 0 or len(seen) == engine.cylinders and not _odd_fire(engine):
            continue
        own = np.array([angles[c] for c in seen])
        fits = []
        for turn in (0.0, 360.0):
            away = wrap_deg(theta[:, None] + turn - own[None, :], 720.0)
            nearest = away[np.arange(theta.size), np.abs(away + USUAL_ADVANCE_DEG).argmin(axis=1)]
            if len(seen) == 1:
                fits.append(float(np.mean((nearest > -EARLIEST_DEG) & (nearest < LATEST_DEG))))
            else:  # odd fire: the right revolution gives the steadier advance
                fits.append(1.0 / (1.0 + float(np.median(np.abs(nearest - np.median(nearest))))))
        fit = (fits[0] - fits[1]) / max(fits[0] + fits[1], 1e-9)
        # A coil that fires every revolution tells nothing, whatever its label says.
        part = float(min(theta.size, 50)) * max(fits)
        total += fit * part
        weight += part
        if abs(fit) > SURE_MARGIN:
            names.add("sparks of known cylinders" if len(seen) == 1 else "uneven firing intervals")
    for train in pickups:
        if len(train.channel.cylinders) != 1 or engine.cylinders == 1:
            continue
        strokes = train.strokes
        strokes = strokes[(strokes["stop_s"] >= lo) & (strokes["stop_s"] <= hi)]
        theta = angle_at(track, strokes["stop_s"]) - tdc
        height = np.abs(strokes["firing_v"]) + np.abs(strokes["burn_level_v"])
        away = wrap_deg(theta - angles[train.channel.cylinders[0]], 720.0)
        first = (away > -EARLIEST_DEG) & (away < LATEST_DEG) & np.isfinite(height)
        away = wrap_deg(away + 360.0, 720.0)
        second = (away > -EARLIEST_DEG) & (away < LATEST_DEG) & np.isfinite(height)
        n = min(int(first.sum()), int(second.sum()))
        if engine.ignition == "distributor" and first.sum() + second.sum() >= 4:
            a = float(np.median(height[first])) if first.any() else 0.0
            b = float(np.median(height[second])) if second.any() else 0.0
        elif n >= 4:
            a, b = float(np.median(height[first])), float(np.median(height[second]))
        else:
            continue
        # Medians of n firings: a real difference shows in their ratio and in the ranks alike.
        rank = (
            float(np.mean(np.sign(np.subtract.outer(height[first], height[second]))))
            if n
            else (1.0 if a > b else -1.0)
        )
        part = float(min(max(n, 4), 50))
        total += rank * part
        weight += part
        if abs(rank) > SURE_MARGIN:
            names.add("secondary pick-up")
    if cam is not None and cam_rise_s.size:
        rises = cam_rise_s[(cam_rise_s >= lo) & (cam_rise_s <= hi)]
        theta = angle_at(track, rises) - tdc
        theta = theta[np.isfinite(theta)]
        away = wrap_deg(theta - cam.edge_deg, 720.0)
        a = int(np.sum(np.abs(away) < 40))
        b = int(np.sum(np.abs(wrap_deg(away + 360.0, 720.0)) < 40))
        if a + b:
            part = float(min(a + b, 50))
            total += (a - b) / (a + b) * part
            weight += part
            if abs(a - b) > SURE_MARGIN * (a + b):
                names.add("cam edges")
    return total, weight, names


def _score_ripple(ripple: Ripple | None, engine: Engine, tdc: float) -> tuple[float, float]:
    """Evidence of the torque pulses for the track's own revolution (+) or the next (-)."""
    if ripple is None or ripple.sharpness < LEAST_SHARPNESS:
        return 0.0, 0.0
    if _odd_fire(engine):
        even = np.ptp(np.diff((*engine.firing_angles_deg, 720.0))) < 1.0
        period = 720.0 / engine.cylinders if even else 720.0
        if not even and ripple.margin < LEAST_SHARPNESS:
            return 0.0, 0.0
        away = np.array([ripple.tdc_deg - tdc, ripple.tdc_deg - tdc - 360.0])
        near = np.abs(wrap_deg(away, period))
        fit = float((near[1] - near[0]) / max(near.sum(), 1e-9))
        return RIPPLE_WEIGHT * fit, RIPPLE_WEIGHT
    return 0.0, 0.0


def _tdc_from_sparks(
    track: CrankTrack, trains: list[StrokeTrain], engine: Engine, ripple: Ripple | None
) -> tuple[float, bool]:
    """TDC of firing_order[0] within the revolution from where the sparks fall."""
    angles = cylinder_angles(engine)
    best: tuple[int, NDArray[np.float64]] | None = None
    for train in trains:
        seen = train.channel.cylinders or tuple(angles)
        theta = angle_at(track, train.strokes["stop_s"])
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
