"""Evidence for one place of TDC against another: sparks, pick-ups, cam edges, torque pulses.

Phase is one scored hypothesis: every place that TDC may have is weighed against every other by
coils of known cylinders, uneven intervals, pick-up heights, cam edges and torque pulses. Places
that no evidence parts stay open (`Firings.renamings`): two names for a cylinder share its
probability, more make the verdict `inconclusive`. Names of channels are text, never evidence. A
channel without `cylinders` is named by where its sparks fall, given TDC.
"""

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from misfire.cycles.ripple import Ripple
from misfire.dsp.track import angle_at, find_longest_stretch
from misfire.records import Cam, CrankTrack, Engine, StrokeTrain

EARLIEST_DEG = 60.0  # before compression TDC: no spark comes earlier (docs/sources.md: about 50)
LATEST_DEG = 25.0  # after compression TDC
USUAL_ADVANCE_DEG = 12.0  # idle, common practice; used only where nothing else tells TDC
RIPPLE_WEIGHT = 20.0  # as much as 20 sparks
LEAST_SHARPNESS = 0.15
SURE_MARGIN = 0.25  # of the evidence: below this two hypotheses are not told apart
STEADY_DEG = 5.0  # the advance changes by so much with load and idle control
ALIKE_DEG = 10.0  # firing angles nearer than this are the same place
CAM_DEG = 40.0  # a cam edge is looked for this near to where the card says
MOST_SPARKS = 4000  # of one channel that a score looks at...
RUN_SPARKS = 100  # ...in runs of so many


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


def is_alike(places: Sequence[float], turn_deg: float) -> bool:
    """Whether firing angles turned by some degrees fall on firing angles again."""
    at = np.array(places)
    away = wrap_deg(at[:, None] + turn_deg - at[None, :], 720.0)
    return bool(np.abs(away).min(axis=1).max() <= ALIKE_DEG)


class Scale:
    """Weighs two places of TDC against each other with all the witnesses of a recording."""

    def __init__(
        self,
        track: CrankTrack,
        trains: list[StrokeTrain],
        pickups: list[StrokeTrain],
        cam_rise_s: NDArray[np.float64],
        engine: Engine,
        cam: Cam | None,
        ripples: Mapping[int, Ripple],
    ) -> None:
        """Find the crank angle of every spark and edge once."""
        self.track, self.engine, self.cam, self.ripples = track, engine, cam, ripples
        self.angles = cylinder_angles(engine)
        self.longest = find_longest_stretch(track)
        self.sparks = [
            (t.channel.cylinders or tuple(self.angles), *self._place(_thin(t.strokes["stop_s"])))
            for t in trains
        ]
        self.pickups = []
        for train in pickups:
            if len(train.channel.cylinders) == 1 and engine.cylinders > 1:
                strokes = train.strokes
                kick, line = np.abs(strokes["firing_v"]), np.abs(strokes["burn_level_v"])
                # a kick that no sample shows was short, and so it was low
                height = np.where(np.isnan(kick), line, kick) + line
                place = self._place(strokes["stop_s"])
                self.pickups.append((train.channel.cylinders[0], height, *place))
        self.rises = self._place(cam_rise_s)

    def _place(self, time_s: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
        """Crank angle of some instants, and their stretch."""
        at = np.clip(np.searchsorted(self.track.time_s, time_s), 0, self.track.time_s.size - 1)
        return angle_at(self.track, time_s), self.track.stretch[at]

    def compare(
        self, stretch: int, one: float, other: float, *, with_cam: bool = True
    ) -> tuple[float, float, set[str]]:
        """Evidence for one place of TDC (+) against another (-), its weight, and what it was.

        The cam is left out where both places are its own.
        """
        total, weight, names = 0.0, 0.0, set()
        parts = (
            *(self._weigh_sparks(s, stretch, one, other) for s in self.sparks),
            *(self._weigh_pickup(p, stretch, one, other) for p in self.pickups),
            *([self._weigh_cam(stretch, one, other)] if with_cam else []),
            self._weigh_ripple(stretch, one, other),
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
        if theta.size == 0 or is_alike(places, other - one):
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
        lone_side = 1.0 if first.size > second.size else -1.0
        rank = compare_ranks(first, second) if n else lone_side
        return rank, float(min(max(n, 4), 50)), "secondary pick-up"

    def _weigh_cam(self, stretch: int, one: float, other: float) -> tuple[float, float, str]:
        """Cam edges come where the card says: the first of each cycle."""
        if self.cam is None:
            return 0.0, 0.0, ""
        angle, number = self.rises
        angle = np.sort(angle[(number == stretch) & np.isfinite(angle)])
        near = []
        for tdc in (one, other):
            since = angle - tdc + STEADY_DEG  # an edge at TDC itself belongs to the cycle it begins
            first = since[np.unique(since // 720.0, return_index=True)[1]]
            near.append(np.abs(wrap_deg(first - STEADY_DEG - self.cam.edge_deg, 720.0)))
        near = [away[away < CAM_DEG] for away in near]
        n = [away.size for away in near]
        if not sum(n):
            return 0.0, 0.0, ""
        if min(n) < 0.5 * max(n):
            fit = (n[0] - n[1]) / sum(n)
        else:  # a cam of several teeth has one near both places: the nearer fits better
            miss = [float(np.median(away)) for away in near]
            fit = (miss[1] - miss[0]) / (sum(miss) + STEADY_DEG)
        return fit, float(min(max(n), 50)), "cam edges"

    def _weigh_ripple(self, stretch: int, one: float, other: float) -> tuple[float, float, str]:
        """Compare with where the crank gains speed: after each TDC."""
        ripple = self.ripples.get(stretch)
        places = self.engine.firing_angles_deg
        if ripple is None or ripple.sharpness < LEAST_SHARPNESS:
            return 0.0, 0.0, ""
        if is_alike(places, other - one):
            return 0.0, 0.0, ""
        # the ripple shows TDC only up to what turns the pattern of the firings into itself
        same = np.array([turn for turn in places if is_alike(places, turn)])
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


def compare_ranks(first: NDArray[np.float64], second: NDArray[np.float64]) -> float:
    """Share of pairs in which the first is higher, less that in which it is lower.

    Parameters
    ----------
    first, second : float64 array [shape=(n,)] and [shape=(m,)]

    Returns
    -------
    difference : float
        From -1 to 1: the rank-biserial correlation. Counted by places in order, as an hour has
        too many pairs to lay out.

    Examples
    --------
    >>> compare_ranks(np.array([2.0, 3.0]), np.array([1.0, 2.0]))
    0.75
    """
    second = np.sort(second)
    n_pairs = first.size * second.size
    lower = np.searchsorted(second, first, side="left").sum()
    higher = n_pairs - np.searchsorted(second, first, side="right").sum()
    return float(lower - higher) / n_pairs
