"""Breakdowns between two samples: one circuit is fitted to all kicks of a channel.

A coil fires hundreds of times, each time at another phase of the sampling, always with the same
circuit. What a kick looks like between the samples, and behind which breakdown, follows from all
of them together (equivalent-time sampling); then a few samples of the ringing behind a breakdown
tell when it came to a tenth of their distance.
"""

import math
from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.windows import cut_windows
from misfire.events.firingline import LEAST_ERROR, RISEN, WORST_ERROR, leave_unknown
from misfire.events.kickmodel import (
    REACH_US,
    STEP_US,
    Drawn,
    KickCircuit,
    Surroundings,
    draw_kicks,
    sample_drawing,
    score_drawings,
)
from misfire.records import STROKE_FLAGS, Channel

LEAST_KICKS, MOST_KICKS = 24, 40  # from which a circuit is fitted, evenly taken from the channel
FIRST_KICKS = 20  # of them, with which the starts are compared
LEAST_SAMPLES = 2.0  # of a rise: with one alone its height is the circuit's guess
LATEST_US = 30.0  # the drawing shows the ringing behind such a breakdown yet
LINE_US = (48.0, 80.0)  # behind the switch-off: where a spark line's first level is taken
DROP_V = 6.0  # see WINDING_DROP_V of the primary: what the charging current drops in the windings
PERIODS_US = (0.9, 7.0)  # between samples: shorter sees the firing line, longer no ringing
WORST_MISFIT = 2.0  # mean square of what is left over its sigma, of the usual kick
HOPELESS = 3.0  # times that after three rounds: no climb leads so far
WORST_KICK = 6.0  # the same of one kick
WORST_OF_SPREAD = 0.7  # of the spread between all: an error beyond tells no two firings apart
TRIES = (14, 7, 3)  # circuits that are climbed from: three rounds each, then the best ones
MOST_CLIPPED = 0.2  # of the kicks: behind a clipped top the clamp is not seen, nor what follows
LEAST_TOLD = 0.4  # of the kicks in a circuit's reach
SEEN_ERROR, LEAST_SEEN = 0.06, 8  # rises seen so well, and as many, are compared with the circuit
MOST_APART = 0.2  # of a height: their own error and the circuit's scale make a tenth
MOST_BY_PHASE, PHASE_WAVES = 0.25, 3  # of the spread of heights, by waves of the sampling's phase
ROUNDS = 14  # of the fit; it mostly settles in ten
FAR_OFF = 60.0  # of the score: a kick that goes unlike the others counts no more
ROUGH_V = 4.0  # between two starts lies so much, or more
SETTLED = 0.05  # of the score, below which a round gains nothing
NUDGE = np.array([0.05, 0.02, 0.05, 0.02, 0.03, 0.01])  # of each part, for its derivative
LARGEST_STEP = 0.3  # of a part's logarithm in a round
MOST_V_PER_US = 20.0  # of a rise as it begins: 7 A over (70 turns)^2 and 70 pF; a spike goes so
CHARGE_POWER, CHARGE_STEP = 0.8, 0.03  # of the current in volts times dwell; drawn anew by 3 %
BATCH = 256  # kicks scored at once
# Starts: volts per microsecond of the rise, its part in the collector's, the ringing, the driver.
RISES_V_PER_US = (4.0, 7.0, 10.0, 14.0)
SHARES = (0.0018, 0.0035, 0.007)
RINGS_RAD_PER_US = (0.9, 1.2, 1.6, 2.2)
FALLS_US = (2.5, 4.0, 5.5, 7.5)
DAMPING = 0.3
# Breakdowns that are drawn: roughly for the starts, for the fit, and for the final placing.
NEVER_US = 1e9
BROKE_ROUGHLY_US = np.append(np.geomspace(1.5, 28.0, 24), NEVER_US)
BROKE_US = np.concatenate((np.arange(1.0, 16.0, 0.3), np.arange(16.0, 32.0, 0.6), [NEVER_US]))
BROKE_FINELY_US = np.concatenate(
    (np.arange(0.8, 20.0, 0.2), np.arange(20.0, 33.0, 0.4), [NEVER_US])
)


@dataclass(frozen=True, slots=True)
class Heads:
    """First samples of kicks on an even grid, in volts above the supply.

    `volts` [shape=(n, n_samples)], the first of each is the last before the wave was high; `line`
    [shape=(n,)] the level of the spark line; `force` [shape=(n,)] the current cut off, in any unit.
    """

    volts: NDArray[np.float64]
    line: NDArray[np.float64]
    force: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PlacedBreakdowns:
    """Breakdowns of kicks [shape=(n,)]: height [V], its error as a share, time [us]; NaN: unknown.

    `fits` is False where a kick goes unlike the channel's circuit, or breaks down too late for it.
    `spread` is that of all heights of the channel, as a share, the errors in it.
    """

    height: NDArray[np.float64]
    error: NDArray[np.float64]
    broke_us: NDArray[np.float64]
    fits: NDArray[np.bool_]
    spread: float


@dataclass(frozen=True, slots=True)
class _Sampling:
    """What surrounds a channel's circuit and how it is sampled; `low_v` the driver's low level."""

    around: Surroundings
    low_v: float
    period_us: float
    noise_v: float
    n_samples: int

    def sample(
        self, drawing: NDArray[np.float32], broke: NDArray[np.float64], phase_us: float
    ) -> Drawn:
        """Sample drawings as the channel does."""
        return sample_drawing(
            drawing, broke, period_us=self.period_us, n_samples=self.n_samples,
            phase_us=phase_us, low_v=self.low_v, noise_v=self.noise_v,
        )  # fmt: skip


@dataclass(slots=True)
class _Try:
    """A circuit on its way to a better one; `best` is the best so far."""

    parts: NDArray[np.float64]
    best: NDArray[np.float64]
    score: float = np.inf
    misfit: float = np.inf
    damping: float = 1.0
    gradient: NDArray[np.float64] = field(default_factory=lambda: np.zeros(len(NUDGE)))
    curvature: NDArray[np.float64] = field(default_factory=lambda: np.eye(len(NUDGE)))
    settled: bool = False


@dataclass(frozen=True, slots=True)
class _Fitted:
    """One coil's circuit and how it is sampled."""

    parts: NDArray[np.float64]
    given: _Sampling


def count_head_samples(rate_hz: float) -> int:
    """Count the samples of a head at a rate; 0 where no breakdown can be placed with them."""
    period_us = 1e6 / rate_hz
    if not PERIODS_US[0] <= period_us <= PERIODS_US[1]:
        return 0
    return int((REACH_US - STEP_US) / period_us)


def _gainsay(strokes: NDArray[np.void], placed: PlacedBreakdowns) -> bool:
    """Tell whether rises that were seen well say something else than the circuit, or arcs do."""
    used = placed.fits & (placed.error < WORST_ERROR)
    if np.median(placed.height[used]) < RISEN * np.nanmedian(strokes["burn_level_v"][used]):
        return True  # no gap breaks down below the voltage of its own arc
    with np.errstate(invalid="ignore", divide="ignore"):
        seen = used & (strokes["firing_v_error"] < SEEN_ERROR)
        seen &= (strokes["flags"] & STROKE_FLAGS["bounded"]) == 0
        apart = np.abs(np.log(np.abs(strokes["firing_v"][seen]) / placed.height[seen]))
    return len(apart) >= LEAST_SEEN and float(np.median(apart)) > MOST_APART


def make_heads(rate_hz: float) -> np.dtype[Any]:
    """Give the form of kept heads: `line` and `volts`, as `cut_heads` fills them."""
    return np.dtype([("line", "f4"), ("volts", "f4", (count_head_samples(rate_hz),))])


def cut_heads(
    counts: NDArray[np.int16],
    high_at: NDArray[np.int64],
    rest: NDArray[np.float64],
    *,
    rate_hz: float,
    volts_per_count: float,
) -> NDArray[np.void]:
    """Cut the first samples of kicks and the level of their spark lines, in volts above the supply.

    Parameters
    ----------
    counts : int16 array [unit=counts]
    high_at : int64 array [shape=(n,), unit=samples]
        First high sample of each kick.
    rest : float64 array [shape=(n,), unit=counts]
        The supply before each.
    rate_hz : float [unit=Hz]
    volts_per_count : float [unit=V]

    Returns
    -------
    heads : array of `make_heads` [shape=(n,)]
        NaN beyond the ends of `counts`; zeros at a rate with which nothing can be placed.
    """
    heads = np.zeros(len(high_at), make_heads(rate_hz))
    if not count_head_samples(rate_hz):
        return heads
    first, last = (round(time * 1e-6 * rate_hz) for time in LINE_US)
    window = cut_windows(counts, high_at, before=1, after=last + 1) - rest[:, None]
    heads["volts"] = window[:, : heads["volts"].shape[1]] * volts_per_count
    heads["line"] = np.median(window[:, first + 1 :], axis=1) * volts_per_count
    return heads


def settle_by_circuit(
    strokes: NDArray[np.void],
    heads: NDArray[np.void],
    *,
    channel: Channel,
    noise_v: float,
) -> NDArray[np.bool_]:
    """Take firing voltages from the circuit that all kicks of a primary follow; in place.

    Parameters
    ----------
    strokes : array of some of STROKE_FIELDS [shape=(n,)]
        `firing_v`, `firing_v_error`, `breakdown_us` and `flags` are written. Where the circuit
        shows a breakdown too vaguely to tell the channel's firings apart, NaN and `unresolved`.
    heads : array of `make_heads` [shape=(n,)]
    channel : Channel
    noise_v : float [unit=V]

    Returns
    -------
    settled : bool array [shape=(n,)]
        Where the circuit has the last word.
    """
    settled = np.zeros(len(strokes), bool)
    with np.errstate(invalid="ignore"):
        force = strokes["dwell_ms"] * strokes["battery_v"]
        lit = (strokes["burn_time_ms"] > 0) & (force > 0) & np.isfinite(heads["line"])
    lit &= np.isfinite(heads["volts"]).all(axis=1)
    rows = np.flatnonzero(lit)
    if len(rows) < LEAST_KICKS or not count_head_samples(channel.rate_hz):
        return settled
    if np.mean((strokes["flags"][rows] & STROKE_FLAGS["clipped"]) > 0) > MOST_CLIPPED:
        return settled
    supply = float(np.median(strokes["battery_v"][rows]))
    top = max(channel.clip_high * channel.scale, channel.clip_low * channel.scale)
    placed = place_breakdowns(
        Heads(
            heads["volts"][rows].astype(np.float64),
            heads["line"][rows].astype(np.float64),
            force[rows],
        ),
        rate_hz=channel.rate_hz,
        supply_v=supply,
        noise_v=noise_v,
        ceiling_v=top + channel.offset - supply,
    )
    if placed is None or _gainsay(strokes[rows], placed):
        return settled
    settled[rows] = placed.fits
    told = placed.fits & (placed.error < min(WORST_ERROR, WORST_OF_SPREAD * placed.spread))
    told &= placed.broke_us * channel.rate_hz > LEAST_SAMPLES * 1e6
    sign = math.copysign(1.0, channel.scale)
    strokes["firing_v"][rows[told]] = sign * placed.height[told]
    strokes["firing_v_error"][rows[told]] = np.hypot(placed.error[told], LEAST_ERROR)
    strokes["breakdown_us"][rows[told]] = placed.broke_us[told]
    bits = STROKE_FLAGS["bounded"] | STROKE_FLAGS["unresolved"]
    strokes["flags"][rows[told]] &= np.uint32(~bits & 0xFFFFFFFF)
    leave_unknown(strokes, settled & ~np.isin(np.arange(len(strokes)), rows[told]))
    return settled


def place_breakdowns(
    heads: Heads, *, rate_hz: float, supply_v: float, noise_v: float, ceiling_v: float
) -> PlacedBreakdowns | None:
    """Fit a circuit to the kicks of one channel and place each kick's breakdown with it.

    Parameters
    ----------
    heads : Heads
        Of kicks whose gap broke down.
    rate_hz : float [unit=Hz]
    supply_v, noise_v : float [unit=V]
    ceiling_v : float [unit=V above the supply]
        Where the instrument clips.

    Returns
    -------
    placed : PlacedBreakdowns or None
        None where no circuit follows the kicks.

    Notes
    -----
    The height is the secondary's voltage in the circuit at the breakdown, over the turns ratio.
    """
    if len(heads.line) < LEAST_KICKS:
        return None
    usual_force = float(np.median(heads.force))
    strength = (heads.force / usual_force) ** CHARGE_POWER
    group = np.round(np.log(np.clip(strength, 0.2, 5.0)) / CHARGE_STEP).astype(np.int64)
    typical = np.flatnonzero(np.abs(group) <= 1)
    if len(typical) < LEAST_KICKS:
        return None
    chosen = typical[np.linspace(0, len(typical) - 1, min(len(typical), MOST_KICKS)).astype(int)]
    around = Surroundings(supply_v, float(np.median(heads.line)), DROP_V, ceiling_v)
    for fitted in _fit_circuits(
        heads.volts[chosen], heads.line[chosen] - around.line_v, around, 1e6 / rate_hz, noise_v
    ):
        if fitted.parts[0] * fitted.parts[3] > MOST_V_PER_US:
            continue  # the spike stands for the rise
        placed, phase = _place_all(heads, group, fitted)
        if _find_phase_share(placed, phase) < MOST_BY_PHASE:
            return placed
    return None


def _find_phase_share(placed: PlacedBreakdowns, phase: NDArray[np.float64]) -> float:
    """Find how much of the heights' spread goes with the phase of the sampling.

    When an instrument takes its samples has nothing to do with a gap: heights that follow it are
    made by a wrong circuit. So is a circuit wrong (1.0) that tells few of the kicks in its reach.
    """
    used = placed.fits & (placed.error < WORST_ERROR)
    in_reach = placed.broke_us < LATEST_US
    if used.sum() < max(LEAST_KICKS, LEAST_TOLD * in_reach.sum()):
        return 1.0
    turn = 2.0 * np.pi * phase[used, None] * np.arange(1, PHASE_WAVES + 1)
    waves = np.hstack((np.ones((len(turn), 1)), np.cos(turn), np.sin(turn)))
    height = np.log(placed.height[used])
    height = np.clip(height, *np.quantile(height, (0.05, 0.95)))
    rest = height - waves @ np.linalg.lstsq(waves, height, rcond=None)[0]
    spread = float(height.var())
    return 1.0 - float(rest.var()) / spread if spread > 0 else 1.0


def _split(parts: NDArray[np.float64]) -> KickCircuit:
    """Give the parts [shape=(K, 7)] their names."""
    return KickCircuit(*(parts[:, i : i + 1] for i in range(len(fields(KickCircuit)))))


def _list_starts(volts: NDArray[np.float64], supply_v: float) -> NDArray[np.float64]:
    """List circuits to start from; the clamp and the floor are where the samples end."""
    clamp = float(np.quantile(volts.max(axis=1), 0.9))
    floor = float(min(volts.min(), -supply_v - 1.0))
    return np.array(
        [
            [rise / share, ring, DAMPING / ring, share, fall, clamp, floor]
            for rise in RISES_V_PER_US
            for share in SHARES
            for ring in RINGS_RAD_PER_US
            for fall in FALLS_US
        ]
    )


def _fit_circuits(
    volts: NDArray[np.float64],
    line_off: NDArray[np.float64],
    around: Surroundings,
    period_us: float,
    noise_v: float,
) -> list[_Fitted]:
    """Fit circuits that make these kicks likely, each with its own phase; the best one first."""
    given = _Sampling(around, float(np.median(volts[:, 0])), period_us, noise_v, volts.shape[1])
    starts = _list_starts(volts, around.supply_v)
    drawings, _ = draw_kicks(_split(starts), BROKE_ROUGHLY_US, around)
    few = np.linspace(0, len(volts) - 1, FIRST_KICKS).astype(int)
    rough = replace(given, noise_v=noise_v + ROUGH_V)
    scores = []
    for drawing in drawings:
        drawn = rough.sample(drawing, BROKE_ROUGHLY_US, 0.6)
        best = score_drawings(drawn, volts[few], line_off[few]).min(axis=1)
        scores.append(float(np.sort(best)[: round(0.8 * len(best))].mean()))
    order = np.argsort(scores, kind="stable")[: TRIES[0]]
    tries = [_Try(starts[k], starts[k]) for k in order]
    for round_ in range(ROUNDS):
        keep = TRIES[min(round_ // 3, len(TRIES) - 1)]
        tries = sorted(tries, key=lambda one: one.score)[:keep]
        if round_ == 3 and min(one.misfit for one in tries) > HOPELESS * WORST_MISFIT:
            return []
        nudged = np.repeat(np.stack([one.parts for one in tries]), len(NUDGE) + 1, axis=0)
        for k, nudge in enumerate(NUDGE):
            nudged[k + 1 :: len(NUDGE) + 1, k] *= np.exp(nudge)
        drawings, _ = draw_kicks(_split(nudged), BROKE_US, around)
        for own, one in zip(np.split(drawings, len(tries)), tries, strict=True):
            _improve(one, own, volts, line_off, given)
        if all(one.settled for one in tries):
            break
    return [
        _Fitted(one.best, given)
        for one in sorted(tries, key=lambda one: one.score)
        if one.misfit < WORST_MISFIT
    ]


def _improve(
    one: _Try,
    drawings: NDArray[np.float32],
    volts: NDArray[np.float64],
    line_off: NDArray[np.float64],
    given: _Sampling,
) -> None:
    """Take one step from a circuit to a better one: Gauss and Newton, with Levenberg's damping."""
    drawn = given.sample(drawings[0], BROKE_US, 0.25)
    scores = score_drawings(drawn, volts, line_off)
    chosen = scores.argmin(axis=1)
    own = scores[np.arange(len(chosen)), chosen]
    score = float(np.minimum(own, np.median(own) + FAR_OFF).mean())
    one.settled = abs(one.score - score) < SETTLED
    if score < one.score:
        one.score, one.best = score, one.parts
        one.damping = max(one.damping / 3.0, 1e-3)
        one.gradient, one.curvature, one.misfit = _derive(
            drawings, drawn, chosen, volts, line_off, given
        )
    else:
        one.damping *= 4.0
    diagonal = np.diag(np.diag(one.curvature) + 1e-3)
    change = np.linalg.solve(one.curvature + one.damping * diagonal, one.gradient)
    one.parts = one.best.copy()
    one.parts[: len(NUDGE)] *= np.exp(np.clip(change, -LARGEST_STEP, LARGEST_STEP))


def _derive(
    drawings: NDArray[np.float32],
    here: Drawn,
    chosen: NDArray[np.int64],
    volts: NDArray[np.float64],
    line_off: NDArray[np.float64],
    given: _Sampling,
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Gradient and curvature by the circuit's parts, and the usual kick's misfit.

    What a kick's own phase and breakdown can make good says nothing about the circuit: it is
    projected out.
    """
    n_phases, n_broke, n_samples = here.level.shape
    phase, broke = np.divmod(chosen, n_broke)
    level, sigma = here.level[phase, broke], here.sigma[phase, broke]
    rest = (volts - level - line_off[:, None] * here.lit[phase, broke]) / sigma
    weight = np.sqrt(1.0 / (1.0 + (rest / 3.0) ** 2))
    time = here.phase_us[phase][:, None] + (np.arange(n_samples) - 1.0) * given.period_us
    step = np.clip(np.round(time / STEP_US - 1.0).astype(np.int64), 0, drawings.shape[2] - 1)
    at_samples = drawings[:, broke[:, None], step].astype(np.float64)
    by_parts = np.moveaxis(at_samples[1:] - at_samples[:1], 0, -1) / NUDGE
    by_parts = np.where((time > 0)[..., None], by_parts, 0.0) * (weight / sigma)[..., None]
    later, sooner = np.minimum(phase + 1, n_phases - 1), np.maximum(phase - 1, 0)
    after, before = np.minimum(broke + 1, n_broke - 2), np.maximum(broke - 1, 0)
    own = np.stack(
        [
            here.level[later, broke] - here.level[sooner, broke],
            here.level[phase, after] - here.level[phase, before],
        ],
        axis=-1,
    )
    own = own * (weight / sigma)[..., None]
    own += 1e-9 * np.cos(np.arange(2.0 * n_samples)).reshape(n_samples, 2)  # never of rank one
    basis, _ = np.linalg.qr(own)
    pulled = (rest * weight)[..., None]
    turned = np.swapaxes(basis, 1, 2)
    by_parts = by_parts - basis @ (turned @ by_parts)
    pulled = pulled - basis @ (turned @ pulled)
    gradient = np.einsum("ijk,ijl->k", by_parts, pulled)
    curvature = np.einsum("ijk,ijl->kl", by_parts, by_parts)
    return gradient, curvature, float(np.median((rest**2).mean(axis=1)))


def _place_all(
    heads: Heads, group: NDArray[np.int64], fitted: _Fitted
) -> tuple[PlacedBreakdowns, NDArray[np.float64]]:
    """Place the breakdown of every kick with a fitted circuit, drawn for its own current.

    With it the phase of the sampling at which each was switched off, in samples.
    """
    broke = BROKE_FINELY_US
    n, n_samples = heads.volts.shape
    place = np.minimum(broke / STEP_US - 1.0, REACH_US / STEP_US - 1.0)
    likely = np.empty((n, len(broke)))
    log_height = np.empty((n, len(broke)))
    misfit, phase = np.empty(n), np.empty(n)
    for step in np.unique(group):
        members = np.flatnonzero(group == step)
        parts = fitted.parts[None].copy()
        parts[:, 0] *= np.exp(CHARGE_STEP * step)
        drawings, height = draw_kicks(_split(parts), broke, fitted.given.around)
        drawn = fitted.given.sample(drawings[0], broke, 0.2)
        at_break = np.interp(place, np.arange(height.shape[1]), height[0])
        log_height[members] = np.log(np.maximum(at_break, 1.0))
        constant = 2.0 * np.log(drawn.sigma).sum(axis=2).reshape(-1)
        for first in range(0, len(members), BATCH):
            rows = members[first : first + BATCH]
            off = heads.line[rows] - fitted.given.around.line_v
            score = score_drawings(drawn, heads.volts[rows], off)
            best = score.argmin(axis=1)
            least = score[np.arange(len(rows)), best]
            phase[rows] = drawn.phase_us[best // len(broke)] / fitted.given.period_us
            misfit[rows] = (least - constant[best]) / n_samples
            share = np.exp(-0.5 * (score - least[:, None]))
            likely[rows] = share.reshape(len(rows), -1, len(broke)).sum(axis=1)
    likely /= likely.sum(axis=1, keepdims=True)
    likely = _learn_usual(likely)
    time = np.minimum(broke, REACH_US)
    mean = (likely * log_height).sum(axis=1)
    variance = (likely * (log_height - mean[:, None]) ** 2).sum(axis=1)
    among_all = float(np.sqrt(variance.mean() + mean.var()))
    late = likely[:, broke > LATEST_US].sum(axis=1) > 0.05
    placed = PlacedBreakdowns(
        height=np.exp(mean),
        error=np.sqrt(variance),
        broke_us=likely @ time,
        fits=(misfit < WORST_KICK) & ~late,
        spread=among_all,
    )
    return placed, phase


def _learn_usual(likely: NDArray[np.float64]) -> NDArray[np.float64]:
    """Weigh what each kick allows by how often the channel's kicks break down so late."""
    kernel = np.exp(-0.5 * (np.arange(-6, 7) / 2.0) ** 2)
    kernel /= kernel.sum()
    found = likely
    for _ in range(4):
        usual = np.convolve(found.mean(axis=0), kernel, "same") + 0.1 / likely.shape[1]
        found = likely * usual
        found /= found.sum(axis=1, keepdims=True)
    return found
