"""Half waves of an inductive (VR) signal: the swings that stand out from noise, gap and hum."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.crossings import drop_glitches, iterate_segments
from misfire.dsp.gathering import Gatherer

SEGMENT_SAMPLES = 1 << 17  # noise and zero level are judged anew for each piece of this length
CONTEXT_SAMPLES = 4096  # a steep flank is shorter than this, even cranking at 1 MS/s
ADDED_SAMPLES = 1 << 15  # their sum fits into 32 bits
BATCH_WAVES = 1 << 16  # half waves judged at a time
CONTEXT_WAVES = 256  # neighbours that a judgement may reach to
NOISE_FACTOR = 4.5  # arming level in standard deviations of the noise (before glitch removal)
FLOOR_COUNTS = 1.5  # arming level is never below this: a converter's own step
SWING_SHARE = 0.01  # arming level is never below this share of the piece's own amplitude
ARM_SHARE = 0.2  # a half wave counts if it reaches this share of its like neighbours' peaks...
DECAY_PER_PITCH = 0.6  # ...which fades by this factor for each tooth pitch of distance
REACH = (2, 4, 6, 8)  # neighbours looked at on each side: those of the same sign
ENOUGH_WAVES = 1 << 18  # after so many it is known which kind is steep
PLAINLY_SLOWER = 1.2  # flanks of the other kind last so much longer
PASSES = 6  # passes of pruning; each lets the reach grow over pruned half waves

WAVE_DTYPE = np.dtype(
    [
        ("start", "f8"),  # zero crossing into the half wave [samples]
        ("sign", "i1"),
        ("flank", "f4"),  # length of the flank into it, between the arming levels [samples]
        ("peak", "f4"),  # amplitude above the zero level [counts]
    ]
)


@dataclass(frozen=True, slots=True)
class HalfWaves:
    """Zero crossings of one kind each, and what tells the steep kind from the other.

    `rise`, `fall` [unit=samples]: crossings upwards and downwards between half waves that count.
    `rise_slowness`, `fall_slowness`: mean flank length, in medians of both kinds. `amplitude`
    [unit=counts]: mean peak, larger half waves weighing more.
    """

    rise: NDArray[np.float64]
    fall: NDArray[np.float64]
    rise_slowness: float
    fall_slowness: float
    amplitude: float
    undecided: bool = False


def find_half_waves(blocks: Iterable[NDArray[np.int16]], *, only_steep: bool = False) -> HalfWaves:
    """Find the half waves of a VR signal and the zero crossings between them.

    Parameters
    ----------
    blocks : iterable of int16 arrays [shape=(n,), unit=counts]
        Consecutive pieces of the channel. Where it is cut does not change the result.
    only_steep : bool
        Of a long recording, which has millions, leave that of `rise` and `fall` empty which is
        plainly the slower. Where the steep kind was not the same from beginning to end, both are
        empty and `undecided` is set.

    Returns
    -------
    waves : HalfWaves

    Notes
    -----
    A half wave counts when it reaches a fifth of what its neighbours of the same sign had; their
    amplitude fades with distance, counted in their own tooth pitches, forwards and backwards in
    time. So the level follows growth and decay with speed, and stays up inside a gap. (Of the same
    sign: the swing into a gap can be several times the tooth's other half wave.)
    Source: threshold that follows the signal, because noise grows with speed too: patent
    US 5,446,375. Amplitude grows with speed, timing from the zero crossing at the tooth centre:
    any overview of variable-reluctance sensors. The factors: common practice, own measurements.
    """
    rises, falls = Gatherer(np.dtype(float)), Gatherer(np.dtype(float))
    slow_sum = {1: 0.0, -1: 0.0}
    weight = {1: 0.0, -1: 0.0}
    peak_sum = 0.0
    n_waves, steep = 0, 0
    for waves, pitch in _judged(_raw_half_waves(blocks)):
        if steep >= 0:
            rises.add(waves["start"][waves["sign"] > 0])
        if steep <= 0:
            falls.add(waves["start"][waves["sign"] < 0])
        if waves.size < 3:
            continue  # not a wave
        flank = np.maximum(waves["flank"], 1e-3) / pitch
        slowness = np.minimum(flank / np.median(flank), 10.0) * waves["peak"]
        for sign in (1, -1):
            chosen = waves["sign"] == sign
            slow_sum[sign] += float(slowness[chosen].sum())
            weight[sign] += float(waves["peak"][chosen].sum(dtype=float))
        peak_sum += float((waves["peak"].astype(float) ** 2).sum())
        n_waves += waves.size
        if only_steep and not steep and n_waves >= ENOUGH_WAVES and weight[1] and weight[-1]:
            slowness_up, slowness_down = slow_sum[1] / weight[1], slow_sum[-1] / weight[-1]
            if PLAINLY_SLOWER * slowness_up < slowness_down:
                steep = 1
                falls.clear()
            elif slowness_up > PLAINLY_SLOWER * slowness_down:
                steep = -1
                rises.clear()
    total = weight[1] + weight[-1]
    rise_slowness = slow_sum[1] / weight[1] if weight[1] else np.nan
    fall_slowness = slow_sum[-1] / weight[-1] if weight[-1] else np.nan
    upwards = rise_slowness < fall_slowness
    undecided = steep != 0 and (steep > 0) != upwards
    if undecided:
        (falls if upwards else rises).clear()
    return HalfWaves(
        rise=rises.join(),
        fall=falls.join(),
        rise_slowness=rise_slowness,
        fall_slowness=fall_slowness,
        amplitude=peak_sum / total if total else np.nan,
        undecided=undecided,
    )


def _raw_half_waves(blocks: Iterable[NDArray[np.int16]]) -> Iterator[NDArray[np.void]]:
    """Every swing beyond the noise, piece by piece; each is given out once it has ended."""
    context = np.empty(0, np.int16)
    origin, side = 0, 0  # sample number of context[0]
    armed = 0  # sample number of the last arming: no later flank begins before it
    unfinished = np.zeros(1, WAVE_DTYPE)  # the half wave that goes on
    begun = False
    for segment in iterate_segments(blocks, size=SEGMENT_SAMPLES):
        raw = np.concatenate((context, segment))
        if raw.size < 8:
            break
        counts = drop_glitches(raw)  # counts[i] is sample origin + 1 + i
        first = max(context.size - 3, 0)  # the samples up to here were judged before
        fresh = counts[first:]
        if not context.size or segment.size >= SEGMENT_SAMPLES // 4:
            zero = _add_up(segment) / segment.size
            level = _arming_level(segment, zero)
        low, high = int(np.floor(zero - level)), int(np.ceil(zero + level))
        if side == 0:
            side = int(fresh[0] >= high) - int(fresh[0] <= low)
        at, edges, left, side = _arm(counts, first, low, high, side)
        since = np.concatenate(([max(armed - origin - 1, 0)], at))
        armed = origin + 1 + int(since[-1])
        np.maximum(left, since[:-1], out=left)
        starts, flanks = _cross_zero(counts, left, at, edges, zero)
        at = at - first
        # peaks between armings; what comes before the first belongs to the half wave that goes on
        bounds = np.concatenate(([0], at))
        top = np.maximum.reduceat(fresh, bounds).astype(float) - zero
        bottom = zero - np.minimum.reduceat(fresh, bounds).astype(float)
        waves = np.zeros(at.size + 1, WAVE_DTYPE)
        waves["start"][1:] = starts + origin + 1
        waves["flank"][1:] = flanks
        waves["sign"][1:] = edges
        waves[0] = unfinished[0]
        waves["peak"] = np.maximum(
            np.where(waves["sign"] > 0, top, bottom), [unfinished["peak"][0], *[0.0] * at.size]
        )
        yield waves[:-1] if begun else waves[1:-1]
        begun = begun or at.size > 0
        unfinished = waves[-1:].copy()
        keep = min(raw.size, CONTEXT_SAMPLES)
        context, origin = raw[raw.size - keep :], origin + raw.size - keep
    if begun:
        yield unfinished


def _add_up(counts: NDArray[np.int16]) -> int:
    """Sum of a piece of any length, in half of the time that wide integers take."""
    starts = range(0, counts.size, ADDED_SAMPLES)
    return sum(int(counts[at : at + ADDED_SAMPLES].sum(dtype=np.int32)) for at in starts)


def _arm(
    counts: NDArray[np.int16], first: int, low: int, high: int, side: int
) -> tuple[NDArray[np.int64], NDArray[np.int8], NDArray[np.int64], int]:
    """Find samples behind `first` that reach the other side, their direction, where flanks begin.

    A flank begins at the last sample beyond the level that it comes from; at 0 if that is older.
    """
    zone = (counts >= high).view(np.int8) - (counts <= low).view(np.int8)
    changes = np.flatnonzero(zone[1:] != zone[:-1])
    since = zone[changes + 1]
    entries = np.flatnonzero(since)  # noise crosses a level often: few of them are looked at twice
    at, edges = changes[entries] + 1, since[entries]
    fresh = int(np.searchsorted(at, first, side="right"))
    at, edges, entries = at[fresh:], edges[fresh:], entries[fresh:]
    history = np.concatenate((np.array([side], np.int8), edges))
    turned = (history[:-1] != edges) & (history[:-1] != 0)
    side = int(history[-1])
    at, edges, entries = at[turned], edges[turned], entries[turned]
    before = np.where(entries > 0, changes[entries - 1], 0)
    left = np.where(zone[at - 1] != 0, at - 1, before)
    # Levels are judged anew for each piece: what was armed before them may lie within them now.
    for i in np.flatnonzero(zone[left] != -edges):
        older = changes[(zone[changes] == -edges[i]) & (changes < at[i])]
        left[i] = older[-1] if older.size else 0
    return at, edges, left, side


def _arming_level(segment: NDArray[np.int16], zero: float) -> float:
    """Level that noise does not reach, in counts from the zero level."""
    # the sixth difference of white noise has a standard deviation of sqrt(924) times the noise's;
    # the signal itself, 8 or more samples a tooth, all but vanishes in it
    patches = segment[: segment.size // 64 * 64].reshape(-1, 64)[::32].astype(np.int32)
    noise = 0.0
    if patches.size:
        sixth = np.abs(np.diff(patches, 6, axis=1)).ravel()
        half = sixth.size // 2
        parted = np.partition(sixth, half)
        middle = float(parted[half])
        if sixth.size % 2 == 0:
            middle = (float(parted[:half].max()) + middle) / 2
        noise = middle / 0.6745 / np.sqrt(924.0)
    swing = _find_swing(np.abs(segment[::32] - zero))
    return max(NOISE_FACTOR * noise, SWING_SHARE * swing, FLOOR_COUNTS)


def _find_swing(sizes: NDArray[np.float64]) -> float:
    """Give the 90th percentile, as numpy interpolates it, at a third of the cost."""
    place = (sizes.size - 1) * 0.9
    rank = int(place)
    parted = np.partition(sizes, rank)
    below, above = parted[rank], parted[rank + 1 :].min(initial=np.inf)
    above = above if np.isfinite(above) else below
    share = place - rank
    if share < 0.5:
        return float(below + (above - below) * share)
    return float(above - (above - below) * (1 - share))


def _cross_zero(
    counts: NDArray[np.int16],
    left: NDArray[np.int64],
    at: NDArray[np.int64],
    edges: NDArray[np.int8],
    zero: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Zero crossing of each flank by a straight line through its samples, and its length."""
    if not at.size:
        return np.empty(0), np.empty(0)
    length = at - left + 1
    # sums over each flank, of place x (from its middle) and value y (from the zero level)
    ends = np.cumsum(length)
    begins = ends - length
    place = np.arange(ends[-1], dtype=np.float64)
    x = place - np.repeat(begins + (length - 1) / 2, length)
    place = np.arange(ends[-1])
    place += np.repeat(left - begins, length)
    y = counts.take(place) - zero
    mean = np.add.reduceat(y, begins) / length
    # the sum of x x is length (length^2 - 1) / 12
    x *= y
    slope = np.add.reduceat(x, begins) / (length * (length * length - 1) / 12.0)
    half = (length - 1) / 2
    steep = slope * edges > 0
    shift = np.where(steep, -mean / np.where(steep, slope, 1.0), 0.0)
    crossing: NDArray[np.float64] = left + half + np.clip(shift, -half, half)
    return crossing, (length - 1).astype(np.float64)


def _judged(
    pieces: Iterable[NDArray[np.void]],
) -> Iterator[tuple[NDArray[np.void], NDArray[np.float64]]]:
    """Half waves that count, with their pitch, in batches with context on both sides."""
    waiting: list[NDArray[np.void]] = []
    n_waiting, n_before = 0, 0
    last_sign = 0

    def judge(
        waves: NDArray[np.void], begin: int, stop: int, last: int
    ) -> tuple[NDArray[np.void], NDArray[np.float64], int]:
        kept, pitch = _prune(waves)
        chosen = (kept >= begin) & (kept < stop)
        kept, pitch = kept[chosen], pitch[chosen]
        batch = waves[kept]
        turned = np.concatenate(([last], batch["sign"][:-1])) != batch["sign"]
        last = int(batch["sign"][-1]) if batch.size else last
        return batch[turned], pitch[turned], last

    for piece in pieces:
        waiting.append(piece)
        n_waiting += piece.size
        if n_waiting < BATCH_WAVES + 2 * CONTEXT_WAVES:
            continue
        waves = np.concatenate(waiting)
        stop = waves.size - CONTEXT_WAVES
        batch, pitch, last_sign = judge(waves, n_before, stop, last_sign)
        yield batch, pitch
        waiting = [waves[stop - CONTEXT_WAVES :]]
        n_waiting, n_before = 2 * CONTEXT_WAVES, CONTEXT_WAVES
    if waiting:
        waves = np.concatenate(waiting)
        batch, pitch, last_sign = judge(waves, n_before, waves.size, last_sign)
        yield batch, pitch


def _prune(waves: NDArray[np.void]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Find the half waves that count, the first of each run of one sign, and their pitch."""
    kept = np.arange(waves.size)
    for _ in range(PASSES):
        peak = waves["peak"][kept].astype(float)
        start = waves["start"][kept]
        pitch = _local_pitch(start)
        small = _is_small(peak, start, pitch)
        if not small.any():
            break
        kept, peak = kept[~small], peak[~small]
        if not kept.size:
            break
        # neighbours of one sign are one half wave: the crossing is the first one's
        sign = waves["sign"][kept]
        first = np.flatnonzero(np.concatenate(([True], sign[1:] != sign[:-1])))
        waves = waves.copy()
        waves["peak"][kept[first]] = np.maximum.reduceat(peak, first)
        kept = kept[first]
    return kept, _local_pitch(waves["start"][kept])


def _local_pitch(start: NDArray[np.float64]) -> NDArray[np.float64]:
    """Find the length of a whole wave at each half wave: the shorter one, so no gap counts."""
    if start.size < 3:
        return np.full(start.size, np.inf)
    whole = start[2:] - start[:-2]
    before = np.concatenate(([np.inf], whole, [np.inf]))  # from the half wave before to its end
    after = np.concatenate((whole, [np.inf, np.inf]))
    pitch = np.minimum(before, after)
    return np.where(np.isfinite(pitch), pitch, float(whole[-1]))


def _is_small(
    peak: NDArray[np.float64], start: NDArray[np.float64], pitch: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Whether each half wave is small beside its neighbours, which fade with distance."""
    n = peak.size
    suspect = np.zeros(n, bool)
    for k in REACH[: (n - 1) // 2]:
        suspect[k:] |= peak[k:] < ARM_SHARE * peak[:-k]
        suspect[:-k] |= peak[:-k] < ARM_SHARE * peak[k:]
    small = np.zeros(n, bool)
    places = np.flatnonzero(suspect)
    for k in REACH:
        for other in (places - k, places + k):
            inside = (other >= 0) & (other < n)
            here, there = places[inside], other[inside]
            distance = np.abs(start[here] - start[there]) / np.maximum(pitch[there], 1e-9)
            small[here] |= peak[here] < ARM_SHARE * peak[there] * DECAY_PER_PITCH**distance
    return small
