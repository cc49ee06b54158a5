"""Torque of each power stroke from crank speed, with wheel errors and trend removed.

Torque is energy, (omega_after^2 - omega_before^2) / 2 from TDC until the work is done (150
degrees), against whole cycles of neighbours for what a cylinder usually lacks and against a robust
local trend (`dsp/trend.py`) for the one firing: load and driveline swing within a few firings.
With eight cylinders and more a loss spreads over the next strokes; those are put together, and
what a larger loss leaves beside it is taken out (`features/overlap.py`). A step that stays (fuel
cut, gear) is no lost firing: the deficit counts against the firings before or those after,
whichever is less. A leaking cylinder takes less work of compression before its TDC (`approach_z`);
one that only does not burn does not.
"""

from collections.abc import Iterator
from dataclasses import dataclass, fields
from functools import partial
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.running import (
    nan_quantile,
    reduce_windows,
    robust_spread,
    running_quantile,
)
from misfire.dsp.track import interpolate_angle, time_at
from misfire.dsp.trend import find_leverage, fit_local_trend
from misfire.features.combustion import LONG_CRANK, TWIST_RAD, estimate_work, measure_pulse
from misfire.features.lack import find_twist, gather_half, mix, take_out_step, weigh_half
from misfire.features.overlap import (
    WORK_DEG,
    gather,
    share_work,
    spoil,
    take_out_larger,
    take_out_next,
)
from misfire.features.twokinds import find_two_kinds
from misfire.features.wheelerrors import fires_between, remove_wheel_error
from misfire.limits import FUEL_CUT_Z
from misfire.records import CrankTrack, Engine, Firings

LEAST_NEIGHBOURS = 4  # firings on each side against which one is judged
TREND_FIRINGS = 8  # on each side: a driveline swings within some ten firings
EARLY_DEG = 90.0  # most of it is done by then
LEAST_DEG = 45.0  # on a long crank: a narrower window holds the twist of a combustion
WIDEST_DEG = 60.0  # a wider window at TDC holds much of the combustion it is to stand before
LOCAL_FIRINGS = 30  # neighbours from which the local roughness is taken
NEAR_FIRINGS, NEAR_CYCLES = 10, 3  # those close by: so many on each side, whole cycles at least
LEAST_NEAR = 0.1  # of that roughness, what those close by show at least
LEVEL_CYCLES = 40  # on each side, among which the usual level is found
# Share of a usual combustion, below which the swing of the speed shows compressions alone
BURNING = 0.15
SLOWING = 0.01  # of a combustion lost a stroke: friction and road take several times as much
TEETH_AT_ONCE = 1 << 20  # looked at for breaks: some MB
# Scatter of combustion, of its own work: common practice puts it at 2 to 5 % at load, 5 to 15 % at
# idle; so many firings are as good as that knowledge.
LEAST_SCATTER, USUAL_SCATTER, USUAL_COUNT = 0.03, 0.08, 6
# Firings on each side from which a turn of the trend is told, a cycle at least: with many cylinders
# a lost one marks the strokes after it as well. Beyond three standard deviations of the difference
# of two medians it is no scatter (1.25 / sqrt(n) spreads each: any statistics handbook).
LEAST_BESIDE, TURN_SIGMAS = 4, 3.0
STEP_SIGMAS = 1.5  # so far the sides of a step differ: one in seven by chance (any handbook)
# Firings not known as lost that lack so much widen the spread; more of them are no single losses
LOSS_SIGMAS, MOST_LOSSES = 2.5, 0.3
SPREAD_PART = 0.7  # of the spread of a few neighbours, lost ones among them, that is taken as noise


@dataclass(frozen=True, slots=True)
class TorqueTable:
    """One row per firing; NaN where the crank angle was not known throughout.

    `accel` [unit=1/s^2]: mean crank acceleration from this TDC to the next, corrected. `deficit`,
    `gain_deficit` [unit=1/s^2]: energy (omega^2/2) missing against the trend through the
    neighbours, over the power stroke and over its first half; where the next cylinder fires before
    the work is done, gathered from the strokes it spreads over. `*_z`: the same in spreads of the
    recording's own good firings, without the twist of a long crank; `*_own_z`: against the same
    cylinder's other firings. `step_z`: against the firings before or those after, whichever is
    less: a step of the load or a fuel cut is no lost firing. `approach_z`: energy kept too much on
    the way to this TDC, before anything burns: less work of compression. `level`: the neighbours'
    own gain; `noise`: local spread of
    the deficit. `disturbed`: pulses missing or extra inside.

    `lack`: what it lacks by the whole stroke and its first half together, without what a step of
    the load makes of it (`features/lack.py`), in units of a combustion, as the recording's own
    pulses show it: 1 where all of the cylinder's usual work is missing, 0 as usual, below 0 more
    than usual. `lack_sigma`: its standard deviation for this firing alone, in the same unit: the
    engine's own scatter of combustion (which grows with the work, and is never taken for less than
    `LEAST_SCATTER`) and the sensor's. `unit_sigma`: relative standard deviation of the unit itself,
    alike for all firings of a recording; it does not average out. `unit` [unit=1/s^2]: that
    combustion. `crank_doubtful`: the crank signal could not be trusted at or beside this firing:
    repaired pulses, a loss of sync, the edge of a part.
    """

    accel: NDArray[np.float64]
    deficit: NDArray[np.float64]
    deficit_z: NDArray[np.float64]
    deficit_own_z: NDArray[np.float64]
    step_z: NDArray[np.float64]
    gain_deficit: NDArray[np.float64]
    gain_z: NDArray[np.float64]
    gain_own_z: NDArray[np.float64]
    approach_z: NDArray[np.float64]
    level: NDArray[np.float64]
    noise: NDArray[np.float64]
    disturbed: NDArray[np.bool_]
    lack: NDArray[np.float64]
    lack_sigma: NDArray[np.float64]
    unit_sigma: NDArray[np.float64]
    unit: NDArray[np.float64]
    crank_doubtful: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Gains:
    """Energy gained from each TDC, as the crank's teeth show it; the wheel's errors are in it.

    All float64 arrays [shape=(n_firings,), unit=1/s^2]: `speed2` is omega^2 at TDC; `gained` the
    energy (omega^2/2) from there to the end of what is followed of the stroke, over its first half,
    over the way to TDC (backwards), and to the stroke's own end where that comes later. `turned`:
    the same one turn later if the wheel tells anything by it. `pulse` [complex128]: from
    `measure_pulse`. `disturbed` and `doubtful` as in the TorqueTable.
    """

    speed2: NDArray[np.float64]
    gained: tuple[NDArray[np.float64], ...]
    turned: tuple[NDArray[np.float64] | None, ...]
    disturbed: NDArray[np.bool_]
    pulse: NDArray[np.complex128]
    doubtful: NDArray[np.bool_]


def measure_gains(track: CrankTrack, firings: Firings, *, engine: Engine) -> Gains:
    """Measure how much energy the crank gains from each TDC.

    Parameters
    ----------
    track : CrankTrack
    firings : Firings
        In time order.
    engine : Engine

    Returns
    -------
    gains : Gains
        All that the torque needs of the teeth.
    """
    half = _choose_window(engine)
    tdc = firings.tdc_angle_deg
    span = _find_span(engine, firings)
    disturbed = _disturbed(track, tdc - half, tdc + span + half, track.repaired_s)
    speed2 = _speed_around(track, tdc, half) ** 2
    gained = tuple(_iterate_gains(track, tdc, speed2, engine, firings, span))
    for energy in gained:
        energy[disturbed] = np.nan
    turned: tuple[NDArray[np.float64] | None, ...] = (None,) * len(gained)
    if fires_between(engine):
        later = tdc + 360.0
        turned2 = _speed_around(track, later, half) ** 2
        turned = tuple(_iterate_gains(track, later, turned2, engine, firings, span))
    pulse = measure_pulse(track, tdc, engine=engine)
    beside = 720.0 / engine.cylinders  # the firings on both sides of a fault share its teeth
    low, high = tdc - half - beside, tdc + span + half + beside
    repaired_s = _drop_broken_tooth(track)
    doubtful = _disturbed(track, low, high, repaired_s) | _is_beside_break(track, low, high)
    return Gains(speed2, gained, turned, disturbed, pulse, doubtful)


def compute_torque(gains: Gains, firings: Firings, *, engine: Engine) -> TorqueTable:
    """Work out what each power stroke added to the crank's energy, against its neighbours.

    Parameters
    ----------
    gains : Gains
    firings : Firings
        In time order.
    engine : Engine

    Returns
    -------
    table : TorqueTable [one row per firing]

    Notes
    -----
    Energy gain over the power stroke, (omega_after^2 - omega_before^2) / 2 (docs/sources.md). At
    TDC the speed is taken over a window of half a firing interval (120 degrees at most). A stroke
    is followed for `WORK_DEG` at most: what the driveline does after that is not the cylinder's.
    The wheel's own errors are taken out first (features/wheelerrors.py).
    Source of the segment method: Plapp, Klenk, Moser, SAE 900232 (from memory).
    """
    span = _find_span(engine, firings)
    shares = share_work(firings.tdc_angle_deg, np.minimum(span, WORK_DEG), _choose_window(engine))
    work = _correct(gains, 0, firings, engine)
    deficit = _against_neighbours(work, firings.cylinder, engine, shares)
    second = find_two_kinds(deficit.missing, deficit.noise, firings.cylinder)
    lost = second if second.any() else None
    if lost is not None:  # all once more, with the others alone as a measure
        work = _correct(gains, 0, firings, engine, lost)
        deficit = _against_neighbours(work, firings.cylinder, engine, shares, lost)
    corrected = [
        work,
        *(_correct(gains, k, firings, engine, lost) for k in range(1, len(gains.gained))),
    ]
    accel = corrected[-1] if len(corrected) > 3 else corrected[0]  # of what fills the stroke
    accel = accel / np.deg2rad(span)
    _, gain, approach = corrected[:3]
    del corrected  # and so on: in a long recording each is large
    lack = _against_neighbours(-approach, firings.cylinder, engine)
    approach_z = -lack.missing / lack.noise
    del approach, lack, span
    noise, missing = deficit.noise, deficit.missing
    usual = estimate_work(
        gains.pulse, gains.speed2, firings.cylinder, engine=engine, lost=lost, missing=missing
    )
    twist = np.zeros(missing.size)
    if engine.cylinders >= LONG_CRANK:
        # four ends of two windows, each off by the twist: two of its spreads together
        spread = 2.0 * TWIST_RAD / np.deg2rad(_choose_window(engine)) * gains.speed2
        twist = find_twist(missing - deficit.own, spread, usual.work, engine.cylinders)
    deficit_z, deficit_own_z = (missing - twist) / noise, deficit.own / noise
    del deficit
    sound = work if lost is None else np.where(spoil(lost, shares), np.nan, work)
    sided, apart = _against_either_side(work, sound, engine, noise)
    step_z = take_out_larger(gather(sided, shares), shares, noise)
    apart = gather(apart, shares)  # as what is missing is
    step_z = (step_z - twist) / noise
    del work, sided, shares, sound
    early = _against_neighbours(gain, firings.cylinder, engine, lost=lost)
    followed = np.minimum(_find_span(engine, firings) / 2, EARLY_DEG)
    by_half, half_noise = gather_half(
        early.missing, early.noise, firings.tdc_angle_deg, followed, _choose_window(engine)
    )
    # of a long crank the stroke before still works in the first half of the next, and it twists
    weight = weigh_half(noise, half_noise) if engine.cylinders < LONG_CRANK else 0.0
    parts = mix(missing - twist, by_half, weight)
    parts = take_out_step(parts, step_z * noise, apart) / usual.work
    return TorqueTable(
        accel=accel,
        deficit=missing,
        deficit_z=deficit_z,
        deficit_own_z=deficit_own_z,
        step_z=step_z,
        gain_deficit=early.missing,
        gain_z=early.missing / early.noise,
        gain_own_z=early.own / early.noise,
        approach_z=approach_z,
        level=early.level,
        noise=noise,
        disturbed=gains.disturbed,
        lack=parts,
        lack_sigma=_scatter_of_lack(noise, usual.work, parts, lost, _reach(engine)),
        unit_sigma=usual.spread,
        unit=usual.work,
        crank_doubtful=gains.doubtful,
    )


def _scatter_of_lack(
    noise: NDArray[np.float64],
    work: NDArray[np.float64],
    lack: NDArray[np.float64],
    lost: NDArray[np.bool_] | None,
    reach: int,
) -> NDArray[np.float64]:
    """Give the standard deviation of what a firing lacks, in units of a combustion.

    That of the neighbours: a share of the work, so that it grows with the load. A few firings do
    not show it: what is usual of engines counts as `USUAL_COUNT` of them. Where neighbours stand on
    one side only, at the ends and beside what is not known, the trend itself is known the worse.
    """
    share = noise / work
    known = np.isfinite(share) & np.isfinite(lack)
    if lost is not None:
        known &= ~lost
    n = int(known.sum())
    variance = (n * share**2 + USUAL_COUNT * USUAL_SCATTER**2) / (n + USUAL_COUNT)
    leverage = find_leverage(np.isfinite(lack), reach=reach)
    usual = float(np.nanmin(leverage, initial=1.0))
    variance = np.maximum(variance, LEAST_SCATTER**2) * (1.0 + leverage) / (1.0 + usual)
    losses = lack[known] > LOSS_SIGMAS * np.sqrt(variance[known])
    if losses.size:
        variance /= find_widening(float(losses.mean())) ** 2
    return np.where(np.isfinite(lack), np.sqrt(variance), np.nan)


def find_widening(share: float) -> float:
    """Find by how much losses widen the median of absolute deviations of the sound firings.

    Parameters
    ----------
    share : float [0 <= share]
        Of all firings; no more than `MOST_LOSSES` are believed.

    Returns
    -------
    factor : float [>= 1]

    Notes
    -----
    All losses lie beyond it, so that it is the quantile 0.5 / (1 - share) of the sound ones' normal
    law, not its median (worked out).
    """
    law = NormalDist()
    upper = 0.5 + 0.25 / (1.0 - min(share, MOST_LOSSES))
    return law.inv_cdf(upper) / law.inv_cdf(0.75)


def _reach(engine: Engine) -> int:
    """Give the firings on each side through which the trend goes."""
    return max(TREND_FIRINGS, engine.cylinders)


def _correct(
    gains: Gains,
    number: int,
    firings: Firings,
    engine: Engine,
    lost: NDArray[np.bool_] | None = None,
) -> NDArray[np.float64]:
    """Take the wheel's errors out of one of the gains."""
    return remove_wheel_error(
        gains.gained[number],
        gains.speed2,
        firings.cylinder,
        engine=engine,
        turned=gains.turned[number],
        lost=lost,
    )


def compute_level_change(
    torque: TorqueTable, firings: Firings, *, engine: Engine
) -> NDArray[np.float64]:
    """Compute how far the neighbours of each firing give more or less than is usual.

    Parameters
    ----------
    torque : TorqueTable
    firings : Firings
        Those of the torque.
    engine : Engine

    Returns
    -------
    change : float64 array [shape=(n_firings,)]
        In spreads; NaN where the torque is not known.
    """
    reach, near = LEVEL_CYCLES * engine.cylinders, max(TREND_FIRINGS, 2 * engine.cylinders)
    # where the pulse shows hardly any combustion nothing is usual
    most = np.nanquantile(torque.unit, 0.9) if np.isfinite(torque.unit).any() else 0.0
    burning = torque.unit > BURNING * most
    usual, spread = (
        _carry_on(running_quantile(np.where(burning, v, np.nan), reach=reach, quantile=0.6))
        for v in (torque.level, torque.noise)
    )
    # without combustion there is no scatter of it, but both ends of a cut shake what is near
    spread = np.fmin(spread, running_quantile(torque.noise, reach=LOCAL_FIRINGS, quantile=0.75))
    # over whole cycles, which hold no error of the wheel
    gained = np.full(firings.rpm.size, np.nan)
    energy = (firings.rpm * np.pi / 30.0) ** 2 / 2.0
    n = engine.cylinders
    gained[n // 2 : gained.size - (n - n // 2)] = (energy[n:] - energy[:-n]) / n
    slowing = running_quantile(gained, reach=near) < -SLOWING * np.fmax(torque.unit, most)
    for way in (slice(None), slice(None, None, -1)):
        _hold_through_cut(usual[way], spread[way], torque.level[way], slowing[way])
    change = (torque.level - usual) / spread
    # under light load strokes give less as well, but an engine without fuel slows down
    return np.asarray(np.where(slowing, change, np.fmax(change, FUEL_CUT_Z)))


def _hold_through_cut(
    usual: NDArray[np.float64],
    spread: NDArray[np.float64],
    level: NDArray[np.float64],
    slowing: NDArray[np.bool_],
) -> None:
    """Keep what is usual as before while the fuel is cut and the engine slows down.

    A cut longer than `LEVEL_CYCLES` would pass for what is usual. Changes `usual` and `spread`.
    """
    with np.errstate(invalid="ignore"):
        cut = level < usual + FUEL_CUT_Z * spread
    for end in np.flatnonzero(cut[:-1] & ~cut[1:]) + 1:
        held, wide, at = usual[end - 1], spread[end - 1], end
        while at < level.size and slowing[at] and level[at] < held + FUEL_CUT_Z * wide:
            at += 1
        higher = usual[end:at] < held
        usual[end:at][higher], spread[end:at][higher] = held, wide


def make_no_torque(n_firings: int) -> TorqueTable:
    """Make the table of a recording without crank speed: NaN throughout.

    Parameters
    ----------
    n_firings : int [>= 0]

    Returns
    -------
    table : TorqueTable
    """
    nothing = np.full(n_firings, np.nan)
    flags = ("disturbed", "crank_doubtful")
    names = [f.name for f in fields(TorqueTable) if f.name not in flags]
    never = np.zeros(n_firings, bool)
    return TorqueTable(**dict.fromkeys(names, nothing), **dict.fromkeys(flags, never))


def _intervals(engine: Engine) -> dict[int, float]:
    """Crank angle from each cylinder's TDC to the next cylinder's."""
    angles = np.append(np.array(engine.firing_angles_deg), 720.0)
    return {int(c): float(d) for c, d in zip(engine.firing_order, np.diff(angles), strict=True)}


def _find_span(engine: Engine, firings: Firings) -> NDArray[np.float64]:
    """Crank angle from each firing's TDC to the next one's."""
    next_deg = _intervals(engine)
    return np.array([next_deg[int(c)] for c in firings.cylinder])


def _choose_window(engine: Engine) -> float:
    """Half of the window [deg] over which the speed is taken.

    A quarter of the interval. With six cylinders and more the crankshaft is long, and twists by a
    tenth of a degree and more under each combustion, most where the throw is far from the sensor:
    over half an interval to both sides, where gas has little lever, hardly any of it is left.
    """
    interval = min(_intervals(engine).values())
    if engine.cylinders < LONG_CRANK:
        return min(interval / 4.0, WIDEST_DEG)
    return min(max(interval / 2.0, LEAST_DEG), WIDEST_DEG)


def _turn_back(engine: Engine, firings: Firings) -> NDArray[np.float64]:
    """Crank angle from the TDC before to each firing's own."""
    next_deg = _intervals(engine)
    order = engine.firing_order
    since = {c: next_deg[order[i - 1]] for i, c in enumerate(order)}
    return np.array([since[int(c)] for c in firings.cylinder])


def _iterate_gains(
    track: CrankTrack,
    at_deg: NDArray[np.float64],
    speed2: NDArray[np.float64],
    engine: Engine,
    firings: Firings,
    span: NDArray[np.float64],
) -> Iterator[NDArray[np.float64]]:
    """Energy (omega^2/2) gained from each angle, where omega^2 is `speed2`; see `Gains`."""
    half = _choose_window(engine)

    def measure(end_deg: NDArray[np.float64]) -> NDArray[np.float64]:
        gained = _speed_around(track, at_deg + end_deg, half) ** 2
        gained -= speed2
        gained /= 2.0
        return gained

    yield measure(np.minimum(span, WORK_DEG))
    yield measure(np.minimum(span / 2, EARLY_DEG))
    yield measure(-np.minimum(_turn_back(engine, firings) / 2, EARLY_DEG))
    if (span > WORK_DEG).any():
        yield measure(span)


def _speed_around(
    track: CrankTrack, angle_deg: NDArray[np.float64], half_deg: float
) -> NDArray[np.float64]:
    """Mean speed [rad/s] within `half_deg` on both sides of each angle."""
    passed = time_at(track, angle_deg + half_deg) - time_at(track, angle_deg - half_deg)
    return np.asarray(np.deg2rad(2.0 * half_deg) / passed)


def _disturbed(
    track: CrankTrack,
    start_deg: NDArray[np.float64],
    stop_deg: NDArray[np.float64],
    repaired_s: NDArray[np.float64] | None,
) -> NDArray[np.bool_]:
    """Whether a pulse was repaired or dropped between two angles."""
    if repaired_s is None or repaired_s.size == 0:
        return np.zeros(start_deg.size, bool)
    repaired = np.sort(repaired_s)
    start_s, stop_s = time_at(track, start_deg), time_at(track, stop_deg)
    n = np.searchsorted(repaired, np.nan_to_num(stop_s, nan=-np.inf), side="right")
    return np.asarray(n > np.searchsorted(repaired, np.nan_to_num(start_s, nan=-np.inf)))


def _drop_broken_tooth(track: CrankTrack) -> NDArray[np.float64] | None:
    """Leave out pulses that miss in most revolutions: a broken tooth is as good as a gap."""
    repaired_s = track.repaired_s
    if repaired_s is None or repaired_s.size == 0:
        return repaired_s
    at = interpolate_angle(track, repaired_s) / 360.0 * track.wheel.positions
    place = np.round(at).astype(np.int64) % track.wheel.positions
    turns = float(track.angle_deg[-1] - track.angle_deg[0]) / 360.0
    often = np.bincount(place, minlength=track.wheel.positions) > max(3.0, turns / 2.0)
    return np.asarray(repaired_s[~often[place]])


def _is_beside_break(
    track: CrankTrack, start_deg: NDArray[np.float64], stop_deg: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Whether sync was lost or a part ended between two angles; the track's ends are no breaks."""
    longest = max((len(gap) for gap in track.wheel.gaps), default=0) + 1
    longest_deg = (longest + 0.5) * 360.0 / track.wheel.positions
    low_deg, high_deg = [np.empty(0)], [np.empty(0)]
    for at in range(0, track.time_s.size - 1, TEETH_AT_ONCE):
        some = slice(at, at + TEETH_AT_ONCE + 1)
        angle, stretch = track.angle_deg[some], track.stretch[some]
        breaks = (np.diff(angle) > longest_deg) | (np.diff(stretch) != 0)
        low_deg.append(angle[:-1][breaks])
        high_deg.append(angle[1:][breaks])
    low, high = np.concatenate(low_deg), np.concatenate(high_deg)
    if track.lost_s is not None and track.lost_s.size:
        lost_s = track.lost_s
        inner = (lost_s[:, 0] >= track.time_s[0]) & (lost_s[:, 1] <= track.time_s[-1])
        low = np.concatenate((low, interpolate_angle(track, lost_s[inner, 0])))
        high = np.concatenate((high, interpolate_angle(track, lost_s[inner, 1])))
    # both rise: breaks do not overlap
    order = np.argsort(low)
    low, high = low[order], np.maximum.accumulate(high[order]) if high.size else high
    begun = np.searchsorted(low, stop_deg, side="left")
    ended = np.searchsorted(high, start_deg, side="right")
    return np.asarray(begun > ended)


def _carry_on(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Fill what is not known from the nearest that is: no firing of a long bout is a sound one."""
    known = np.flatnonzero(np.isfinite(values))
    if not known.size or known.size == values.size:
        return values
    return np.interp(np.arange(values.size), known, values[known])


def _against_either_side(
    energy: NDArray[np.float64],
    sound: NDArray[np.float64],
    engine: Engine,
    noise: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Energy missing against the firings before and against those after: the lesser of both.

    `sound` is the energy of those that are a measure for the others, else NaN. The second result is
    by how much both sides differ beyond chance.
    """
    reach = max(engine.cylinders, 4)
    width = reach
    if energy.size <= 2 * width:
        return np.full(energy.size, np.nan), np.zeros(energy.size)
    # of one or two cylinders half of the firings beside a lost one may be lost as well
    quantile = 0.7 if engine.cylinders <= 2 else 0.5
    padded = np.concatenate((np.full(width, np.nan), sound, np.full(width, np.nan)))
    sided = reduce_windows(padded, width, partial(nan_quantile, quantile=quantile))
    before, after = sided[: energy.size], sided[width + 1 :]
    apart = _exceed_chance(before - after, noise, width, STEP_SIGMAS)
    return np.fmin(before, after) - energy, apart


def _exceed_chance(
    apart: NDArray[np.float64], noise: NDArray[np.float64], n: int, sigmas: float = TURN_SIGMAS
) -> NDArray[np.float64]:
    """Give by how much two medians of `n` firings differ beyond their own scatter."""
    scatter = sigmas * 1.25 * np.sqrt(2.0 / n)
    beyond2 = np.nan_to_num(apart) ** 2 - (scatter * np.nan_to_num(noise)) ** 2
    return np.asarray(np.sqrt(np.maximum(beyond2, 0.0)))


def _find_turn(
    own: NDArray[np.float64], noise: NDArray[np.float64], n_cylinders: int
) -> NDArray[np.float64]:
    """Give the standard deviation by which all cylinders leave the trend together.

    At a gear change, a lift-off or the beginning of a fuel cut the trend before and that after do
    not meet. What the firings of one side lack against those of the other, medians of whole cycles
    and beyond what their own scatter makes of it, may or may not have come before this firing, or
    those next to it: half of it either way. Lost firings of one cylinder move no median of three
    and more; of fewer those that lack least are asked.
    """
    beside = n_cylinders * -(-LEAST_BESIDE // n_cylinders)
    quantile = 0.5 if n_cylinders > 2 else 0.3
    if own.size <= 2 * beside:
        return np.zeros(own.size)
    padded = np.concatenate((np.full(beside, np.nan), own, np.full(beside, np.nan)))
    sided = reduce_windows(padded, beside, partial(nan_quantile, quantile=quantile))
    beyond = _exceed_chance(sided[: own.size] - sided[beside + 1 :], noise, beside)
    reach = beside // 2
    padded = np.pad(0.5 * beyond, reach)
    return reduce_windows(padded, 2 * reach + 1, partial(np.max, axis=1))


@dataclass(frozen=True, slots=True)
class _Lack:
    """What firings lack: `missing` in all, `own` against the same cylinder's others."""

    missing: NDArray[np.float64]
    own: NDArray[np.float64]
    level: NDArray[np.float64]
    noise: NDArray[np.float64]


def _against_neighbours(
    energy: NDArray[np.float64],
    cylinder: NDArray[np.int64],
    engine: Engine,
    shares: NDArray[np.float64] | None = None,
    lost: NDArray[np.bool_] | None = None,
) -> _Lack:
    """Tell what each firing lacks: what its cylinder usually lacks, and what only this one does.

    The first comes from medians over whole cycles; the second is what remains, against the trend
    through the neighbours, in which load and driveline move. Firings known as `lost` are no
    measure for the others.
    """
    n_cylinders = engine.cylinders
    # With two cylinders, one of them dead, half of the neighbours are lost firings.
    quantile = 0.7 if n_cylinders == 2 else 0.5
    reach = n_cylinders * -(-LEAST_NEIGHBOURS // n_cylinders)  # whole cycles
    sound = energy
    if lost is not None:
        sound = np.where(lost if shares is None else spoil(lost, shares), np.nan, energy)
    level = running_quantile(sound, reach=reach, quantile=quantile, skip_self=True)
    usual = np.full(energy.size, np.nan)
    for c in engine.firing_order:
        rows = np.flatnonzero(cylinder == c)
        if rows.size:
            usual[rows] = _carry_on(running_quantile((level - sound)[rows], reach=10))
    evened = sound + usual
    own, spread = fit_local_trend(evened, reach=_reach(engine))
    own -= energy + usual
    missing = usual
    missing += own
    del evened, usual
    if shares is not None:
        missing, own = gather(missing, shares), gather(own, shares)
        spread = gather(spread, shares, spreads=True)
    good = own if lost is None else np.where(lost, np.nan, own)
    overall = robust_spread(good)
    local = 1.4826 * running_quantile(np.abs(good), reach=LOCAL_FIRINGS)
    noise = np.maximum(local, 0.5 * overall, out=local) if np.isfinite(overall) else local
    # A start and its run-up are rougher than what follows, a bump than the road beside it: what is
    # seen close by, of few firings, counts as much as what is seen further away.
    near = 1.4826 * running_quantile(
        np.abs(good), reach=max(NEAR_FIRINGS, NEAR_CYCLES * n_cylinders)
    )
    np.fmax(near, LEAST_NEAR * noise, out=near)
    np.sqrt(near * noise, out=noise)
    del near
    # Where neighbours hardly follow any trend, neither need this one.
    np.fmax(noise, SPREAD_PART * spread, out=noise)
    np.hypot(noise, _find_turn(good, noise, n_cylinders), out=noise)
    noise[~(noise > 0)] = np.nan
    if shares is not None:
        half = _choose_window(engine)
        missing, own = (
            take_out_next(take_out_larger(m, shares, noise), shares, noise, half)
            for m in (missing, own)
        )
    return _Lack(missing, own, level, noise)
