"""Rival explanations by the hook-up: leads that are off, a card of another engine."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from misfire.diagnosis.rivals import (
    FELT_Z,
    LEAST_CYCLES,
    LEAST_LOST,
    MOST_ODDS,
    Rival,
    mark_lost,
    weigh_many,
)
from misfire.limits import CRANKING_RPM
from misfire.measuring.evidence import Evidence
from misfire.records import STROKE_FLAGS, Finding

PRIMARY_SIDE_ROLES = ("coil_primary", "coil_current", "coil_trigger")
UNLIT_SHARE = 0.95  # of a cylinder's firings without dwell, or lost: it never fires
SEEN_OFF = 3.0  # log odds of a lead that was seen to come off at other times, over an open primary
UNSEEN_OFF = -1.2  # the same where nothing was seen of it, nor of the cylinder's work: 3 in 10
WRONG_CARD = 1.5  # log odds that signals which contradict the card name another cylinder
CONTRADICTED = {
    # Findings by which the signals contradict the card or one another -> what to do.
    **dict.fromkeys(
        ("role_wrong", "firing_order_wrong", "sparks_misplaced", "tdc_doubtful"),
        "correct the job card and diagnose again",
    ),
    "speed_jump": "diagnose each by itself",
}


def list_hookup_rivals(
    evidence: Evidence,
    probability: NDArray[np.float64],
    suspects: list[int],
    quick: Sequence[Finding],
) -> list[Rival]:
    """List how the hook-up, the card or the sensor may explain what the suspects lose.

    Parameters
    ----------
    evidence : Evidence
    probability : float64 array [shape=(n_firings,)]
        That each firing was lost.
    suspects : list of int
    quick : sequence of Finding
        What the checks of the signals found.

    Returns
    -------
    rivals : list of Rival
    """
    return [
        *_contradict_card(evidence, quick),
        *_find_unlit(evidence, probability),
        *_find_no_spark(evidence),
        *_find_shaky(evidence, probability, suspects),
    ]


def _contradict_card(evidence: Evidence, quick: Sequence[Finding]) -> list[Rival]:
    """Hold against every name that the signals are not those of the job card."""
    rivals = [
        Rival(
            "card_contradicted",
            "hook-up",
            WRONG_CARD,
            f"{f'channel {f.channel!r}: ' * bool(f.channel)}{f.message}: {CONTRADICTED[f.code]}",
            blinds=f.code in ("role_wrong", "sparks_misplaced"),
        )
        for f in quick
        if f.code in CONTRADICTED
    ]
    if not evidence.has_crank:  # one of two witnesses speaks of no engine, or not of this one
        rivals += [
            Rival(
                "crank_unread",
                "sensor",
                WRONG_CARD,
                f"the crank channel cannot be read ({f.message}), and nothing else tells whether "
                "the sparks alone are read correctly: correct the hook-up or the job card, then "
                "record again",
                blinds=True,  # a cylinder without fuel or compression shows at the crank alone
            )
            for f in evidence.findings
            if f.code == "no_sync"
        ]
    return rivals


def _find_unlit(evidence: Evidence, probability: NDArray[np.float64]) -> list[Rival]:
    """Explain more dark cylinders than an engine can lose by leads or by another engine's card."""
    dark = _list_unlit(evidence, probability)
    if not dark:
        return []
    return [
        Rival(
            "unlit",
            "hook-up",
            weigh_many(len(dark)),
            f"cylinders {', '.join(map(str, dark))} never fire, and an engine hardly runs on the "
            "rest: check whether all channels are connected, and whether the job card is that of "
            "this engine (number of cylinders, crank wheel)",
            blinds=True,
        )
    ]


def _find_no_spark(evidence: Evidence) -> list[Rival]:
    """Find that the starter turns an engine of which no recorded coil is ever switched."""
    rpm = evidence.firings.rpm[np.isfinite(evidence.firings.rpm)]
    coils = [c for c in evidence.recording.channels if c.role in PRIMARY_SIDE_ROLES]
    switched = any(t.strokes.size for t in evidence.detected.trains)
    if not coils or switched or not rpm.size or float(rpm.max()) > CRANKING_RPM:
        return []
    text = (
        "the starter turns the engine, and none of the recorded coils is ever switched: no "
        "combustion can be judged. Check whether the coil channels are connected; if so, the "
        "supply of the coils, the control unit's command, and the crank sensor it is timed by"
    )
    return [Rival("no_spark", "engine", MOST_ODDS, text, blinds=True)]


def _list_unlit(evidence: Evidence, probability: NDArray[np.float64]) -> list[int]:
    """List the cylinders that never fire, where they are more than an engine can lose.

    Parameters
    ----------
    evidence : Evidence
    probability : float64 array [shape=(n_firings,)]
        That each firing is lost.

    Returns
    -------
    cylinders : list of int
        Empty where at least half of the cylinders fire. Of three and more cylinders just half may
        be dark only while a crank sensor shows that the engine turns, and not every other one of
        the firing order: that is what an engine of half as many cylinders looks like.
    """
    n = evidence.recording.job.engine.cylinders
    absent = (evidence.strokes["flags"].astype(np.int64) & STROKE_FLAGS["no_dwell"]) != 0
    dark = []
    for c in range(1, n + 1):
        own = evidence.firings.cylinder == c
        judged = own & np.isfinite(probability)
        lost = judged.any() and float((probability[judged] >= 0.5).mean()) >= UNLIT_SHARE
        if own.any() and (lost or float(absent[own].mean()) >= UNLIT_SHARE):
            dark.append(c)
    engine = evidence.recording.job.engine
    seen = {int(c) for c in np.unique(evidence.firings.cylinder[evidence.firings.seen])}
    if dark and 2 * len(seen) < n and any(f.code == "no_sync" for f in evidence.findings):
        return dark  # neither the crank nor the coils show an engine that turns
    if n <= 2 or 2 * len(dark) != n:
        return dark if 2 * len(dark) > n else []
    places = [engine.firing_order.index(c) % 2 for c in dark]
    every_other = len(set(places)) == 1 and engine.ignition != "wasted_spark"
    return dark if every_other or not evidence.has_crank else []


def _find_shaky(
    evidence: Evidence, probability: NDArray[np.float64], suspects: list[int]
) -> list[Rival]:
    """Find that only leads which came off at other times say that a coil was not switched."""
    z, cylinder = evidence.torque.deficit_z, evidence.firings.cylinder
    lost = mark_lost(evidence, probability, suspects)
    absent = (evidence.strokes["flags"].astype(np.int64) & STROKE_FLAGS["no_dwell"]) != 0
    felt = z[lost & np.isfinite(z)]
    if not lost.any() or absent[lost].mean() <= 0.5:
        return []
    if felt.size >= LEAST_LOST and float(np.median(felt)) >= FELT_Z:
        return []
    off = {f.channel for f in evidence.findings if f.code == "dropout"}
    names = ", ".join(map(str, suspects))
    if not felt.size and all(_goes_for_good(lost, cylinder == c) for c in suspects):
        text = (
            f"the channel shows nothing of the coil of cylinder {names} from one moment on, and no "
            "crank signal tells whether the cylinder stopped or the lead came off: check that "
            "lead, and record the crank as well"
        )
        return [Rival("lead_off", "hook-up", SEEN_OFF, text)]
    seers = [
        t.channel.name
        for t in evidence.detected.trains
        if t.channel.role != "coil_trigger"
        and not set(suspects).isdisjoint(t.channel.cylinders or suspects)
    ]
    if seers and set(seers) <= off:
        odds, why = (
            SEEN_OFF,
            "that channel was lost at other times as well, so its lead may be loose",
        )
    elif len(seers) == 1 and not felt.size:
        odds, why = UNSEEN_OFF, "a loose lead or lost samples would look the same"
    else:
        return []
    text = (
        f"only {seers[0]!r} says that the coil of cylinder {names} was not switched, and {why}: "
        "check that lead, and record the crank as well"
    )
    return [Rival("lead_off", "hook-up", odds, text)]


def _goes_for_good(lost: NDArray[np.bool_], own: NDArray[np.bool_]) -> bool:
    """Tell whether a cylinder's losses are all its firings up to one moment, or from one on."""
    mine = lost[own]
    n = int(mine.sum())
    at_an_end = bool(mine[:n].all()) or bool(mine[mine.size - n :].all())
    return LEAST_CYCLES <= n < mine.size and at_an_end
