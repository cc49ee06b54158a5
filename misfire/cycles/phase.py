"""Which crank angle is TDC and which revolution is compression: one scored hypothesis."""

from collections.abc import Sequence
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
SURE_MARGIN = 0.25  # of the evidence: below this two hypotheses are not told apart
STEADY_DEG = 5.0  # the advance changes by so much with load and idle control
ALIKE_DEG = 10.0  # firing angles nearer than this are the same place
MOST_SPARKS = 4000  # of one channel that a score looks at...
RUN_SPARKS = 100  # ...in runs of so many


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
    given = track.wheel.tdc_deg
    tdc_known = given is not None
    scale = _Scale(track, trains, pickups, cam_rise_s, engine, cam, ripple)
    rotations: tuple[float, ...] = ()
    if given is None:
        tdc, certain = _tdc_from_sparks(track, trains, engine, ripple)
        if not certain and engine.cylinders > 1:
            tdc, rotations = _choose_place(scale, tdc)
        if track.wheel.positions > 1:  # a track made of sparks has no wheel to speak of
            source = _name_source(trains, ripple)
            findings.append(
                Finding(
                    "tdc_worked_out",
                    "warning" if rotations else "info",
                    f"tdc_deg is not in the job card; taken from {source} as about "
                    f"{tdc % 360.0:.0f} degrees"
                    + (", but nothing tells which cylinder fires there" if rotations else ""),
                )
            )
    else:
        tdc = float(given)
    offset: dict[int, float] = {}
    margins: list[tuple[int, float, float]] = []
    basis: set[str] = set()
    for number in np.unique(track.stretch).tolist():
        score, weight, names = scale.compare(number, tdc, tdc + 360.0)
        margins.append((number, score, weight))
        basis |= names
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
    words = ", ".join(sorted(basis)) if told else "nothing"
    return Phase(tdc, offset, not others, tdc_known, words, tuple(findings), others)


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


def _is_alike(places: Sequence[float], turn_deg: float) -> bool:
    """Whether firing angles turned by some degrees fall on firing angles again."""
    at = np.array(places)
    away = wrap_deg(at[:, None] + turn_deg - at[None, :], 720.0)
    return bool(np.abs(away).min(axis=1).max() <= ALIKE_DEG)


def _choose_place(scale: "_Scale", tdc: float) -> tuple[float, tuple[float, ...]]:
    """Best of all places that TDC of firing_order[0] may have, and the others that fit as well."""
    angles = np.array(scale.engine.firing_angles_deg)
    turns = (angles[:, None] - angles[None, :]).ravel() % 720.0
    turns = np.concatenate((turns, (turns + 360.0) % 720.0))
    turns = np.unique(np.round(turns, 1) % 720.0)
    stretches, n = np.unique(scale.track.stretch, return_counts=True)
    longest = int(stretches[np.argmax(n)])
    share = np.zeros((turns.size, turns.size))
    for i in range(turns.size):
        for j in range(i):
            score, weight, _ = scale.compare(longest, tdc + turns[i], tdc + turns[j])
            share[i, j] = score / weight if weight > 0 else 0.0
            share[j, i] = -share[i, j]
    best = int(np.argmax(share.sum(axis=1)))
    place = float((tdc + turns[best]) % 720.0)
    alike = np.flatnonzero((share[best] < SURE_MARGIN) & (np.arange(turns.size) != best))
    return place, tuple(sorted(float((turns[k] - turns[best]) % 720.0) for k in alike))


class _Scale:
    """Weighs two places of TDC against each other with all the witnesses of a recording."""

    def __init__(
        self,
        track: CrankTrack,
        trains: list[StrokeTrain],
        pickups: list[StrokeTrain],
        cam_rise_s: NDArray[np.float64],
        engine: Engine,
        cam: Cam | None,
        ripple: Ripple | None,
    ) -> None:
        """Find the crank angle of every spark and edge once."""
        self.track, self.engine, self.cam, self.ripple = track, engine, cam, ripple
        self.angles = cylinder_angles(engine)
        self.sparks = [
            (t.channel.cylinders or tuple(self.angles), *self._place(_thin(t.strokes["stop_s"])))
            for t in trains
        ]
        self.pickups = []
        for train in pickups:
            if len(train.channel.cylinders) == 1 and engine.cylinders > 1:
                strokes = train.strokes
                height = np.abs(strokes["firing_v"]) + np.abs(strokes["burn_level_v"])
                place = self._place(strokes["stop_s"])
                self.pickups.append((train.channel.cylinders[0], height, *place))
        self.rises = self._place(cam_rise_s)

    def _place(self, time_s: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
        """Crank angle of some instants, and their stretch."""
        at = np.clip(np.searchsorted(self.track.time_s, time_s), 0, self.track.time_s.size - 1)
        return angle_at(self.track, time_s), self.track.stretch[at]

    def compare(self, stretch: int, one: float, other: float) -> tuple[float, float, set[str]]:
        """Evidence for one place of TDC (+) against another (-), its weight, and what it was."""
        total, weight, names = 0.0, 0.0, set()
        parts = (
            *(self._weigh_sparks(s, stretch, one, other) for s in self.sparks),
            *(self._weigh_pickup(p, stretch, one, other) for p in self.pickups),
            self._weigh_cam(stretch, one, other),
            self._weigh_ripple(one, other),
        )
        for fit, part, name in parts:
            total += fit * part
            weight += part
            if part and abs(fit) > SURE_MARGIN:
                names.add(name)
        return total, weight, names

    def _weigh_sparks(
        self,
        sparks: tuple[tuple[int, ...], NDArray[np.float64], NDArray[np.int32]],
        stretch: int,
        one: float,
        other: float,
    ) -> tuple[float, float, str]:
        """Sparks come a little before TDC of a cylinder that the channel sees, and steadily so."""
        seen, angle, number = sparks
        theta = angle[(number == stretch) & np.isfinite(angle)]
        places = [self.angles[c] for c in seen]
        name = "sparks of known cylinders" if len(seen) == 1 else "uneven firing intervals"
        if theta.size == 0 or _is_alike(places, other - one):
            return 0.0, 0.0, name
        own = np.array(places)
        fits = []
        for tdc in (one, other):
            away = wrap_deg(theta[:, None] - tdc - own[None, :], 720.0)
            nearest = away[np.arange(theta.size), np.abs(away + USUAL_ADVANCE_DEG).argmin(axis=1)]
            fit = float(np.mean((nearest > -EARLIEST_DEG) & (nearest < LATEST_DEG)))
            if len(seen) > 1:  # the right place gives the steadier advance
                fit /= 1.0 + float(np.median(np.abs(nearest - np.median(nearest)))) / STEADY_DEG
            fits.append(fit)
        # A coil that fires every revolution tells nothing, whatever its label says.
        part = float(min(theta.size, 50)) * max(fits)
        fit = (fits[0] - fits[1]) / max(sum(fits), 1e-9)
        if len(seen) > 1:  # one coil behind a channel that may see all: it fits anywhere
            part *= min(1.0, abs(fit) / SURE_MARGIN)
        return fit, part, name

    def _weigh_pickup(
        self,
        pickup: tuple[int, NDArray[np.float64], NDArray[np.float64], NDArray[np.int32]],
        stretch: int,
        one: float,
        other: float,
    ) -> tuple[float, float, str]:
        """Compare how high one lead fires: most when its own plug is under compression."""
        cylinder, height, angle, number = pickup
        heights = []
        for tdc in (one, other):
            away = wrap_deg(angle - tdc - self.angles[cylinder], 720.0)
            near = (away > -EARLIEST_DEG) & (away < LATEST_DEG) & np.isfinite(height)
            heights.append(height[near & (number == stretch)])
        first, second = heights
        n = min(first.size, second.size)
        lone = self.engine.ignition == "distributor" and first.size + second.size >= 4
        if n < 4 and not lone:
            return 0.0, 0.0, ""
        # Medians of n firings: a real difference shows in their ratio and in the ranks alike.
        if n:
            rank = float(np.mean(np.sign(np.subtract.outer(first, second))))
        else:
            rank = 1.0 if first.size > second.size else -1.0
        return rank, float(min(max(n, 4), 50)), "secondary pick-up"

    def _weigh_cam(self, stretch: int, one: float, other: float) -> tuple[float, float, str]:
        """Cam edges come where the card says."""
        if self.cam is None:
            return 0.0, 0.0, ""
        angle, number = self.rises
        theta = angle[(number == stretch) & np.isfinite(angle)] - self.cam.edge_deg
        a, b = (int(np.sum(np.abs(wrap_deg(theta - tdc, 720.0)) < 40)) for tdc in (one, other))
        if not a + b:
            return 0.0, 0.0, ""
        return (a - b) / (a + b), float(min(a + b, 50)), "cam edges"

    def _weigh_ripple(self, one: float, other: float) -> tuple[float, float, str]:
        """Compare with where the crank gains speed: after each TDC."""
        ripple, engine = self.ripple, self.engine
        places = engine.firing_angles_deg
        if ripple is None or ripple.sharpness < LEAST_SHARPNESS:
            return 0.0, 0.0, ""
        if _is_alike(places, other - one):
            return 0.0, 0.0, ""
        # the ripple shows TDC only up to what turns the pattern of the firings into itself
        same = np.array([turn for turn in places if _is_alike(places, turn)])
        if same.size == 1 and ripple.margin < LEAST_SHARPNESS:
            return 0.0, 0.0, ""
        away = np.array([ripple.tdc_deg - one, ripple.tdc_deg - other])
        near = np.abs(wrap_deg(away[:, None] - same[None, :], 720.0)).min(axis=1)
        fit = float((near[1] - near[0]) / max(near.sum(), 1e-9))
        return fit, RIPPLE_WEIGHT, "torque pulses"


def _thin(time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Take some sparks of many: runs of cycles, so that every cylinder is met."""
    if time_s.size <= MOST_SPARKS:
        return time_s
    first = np.linspace(0, time_s.size - RUN_SPARKS, MOST_SPARKS // RUN_SPARKS).astype(int)
    return time_s[(first[:, None] + np.arange(RUN_SPARKS)).ravel()]


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
