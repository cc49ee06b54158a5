"""Entries of compare.json for one cylinder, or a pair: plain values only."""

from __future__ import annotations

from typing import Any

from misfire.comparison.cylinder import Judged
from misfire.comparison.features import FeatureChange
from misfire.comparison.rates import (
    compute_chance_lower,
    compute_chance_unseen,
    compute_difference_interval,
)
from misfire.comparison.signs import Sign
from misfire.dsp.chances import Count
from misfire.limits import DOUBTFUL
from misfire.report.summary import to_plain


def describe_group(judged: Judged) -> list[dict[str, Any]]:
    """Give the entries of compare.json, one for each cylinder of a group.

    Parameters
    ----------
    judged : Judged

    Returns
    -------
    entries : list of dict
    """
    g = judged.group
    lost = g.lost
    counted = g.counted or lost
    low, high = compute_difference_interval(lost.whole_before, lost.whole_after)
    return [
        {
            "cylinder": cylinder,
            "pair": list(g.cylinders) if len(g.cylinders) > 1 else None,
            "suspect": g.is_suspect,
            "new_fault": judged.is_new,
            "fault": g.fault if g.is_suspect and g.probability_before >= DOUBTFUL else None,
            "verdict": judged.word if g.is_suspect or judged.is_new else None,
            "settled": judged.settled,
            "direction": judged.direction,
            "reasons": list(judged.reasons),
            "cycles_needed": judged.cycles_needed,
            "before": _describe_count(lost.whole_before)
            | {"probability": to_plain(g.probability_before)},
            "after": _describe_count(lost.whole_after)
            | {"probability": to_plain(g.probability_after)},
            "matched": {
                "before": _describe_count(lost.before),
                "after": _describe_count(lost.after),
                "bunching": to_plain(lost.before.bunching),
                "chance_unseen": to_plain(compute_chance_unseen(lost.before, lost.after.judged)),
                "chance_lower": to_plain(compute_chance_lower(counted.before, counted.after)),
            },
            "rate_change": {
                "value": to_plain(lost.whole_after.rate - lost.whole_before.rate),
                "low": to_plain(low),
                "high": to_plain(high),
            },
            "features": [_describe_feature(f) for f in g.features],
            "signs": [_describe_sign(s) for s in g.signs if s.before.judged or s.after.judged],
        }
        for cylinder in g.cylinders
    ]


def _describe_count(count: Count) -> dict[str, Any]:
    """Give a count with its exact interval."""
    low, high = count.interval()
    return {
        "lost": count.lost,
        "judged": count.judged,
        "rate": to_plain(count.rate),
        "low": to_plain(low),
        "high": to_plain(high),
    }


def _describe_sign(sign: Sign) -> dict[str, Any]:
    """Give the entry of one sign."""

    def tell(own: Count, others: Count, chance: float) -> dict[str, Any]:
        return {
            "bearing": own.lost,
            "judged": own.judged,
            "others_bearing": others.lost,
            "others_judged": others.judged,
            "chance": to_plain(chance),
        }

    return {
        "sign": sign.name,
        "before": tell(sign.before, sign.others_before, sign.chance_before),
        "after": tell(sign.whole_after, sign.others_after, sign.chance_after),
        "chance_as_many": to_plain(sign.fell),
    }


def _describe_feature(feature: FeatureChange) -> dict[str, Any]:
    """Give the entry of one quantity."""
    return {
        "quantity": feature.quantity,
        "before": to_plain(feature.before),
        "after": to_plain(feature.after),
        "change": to_plain(feature.change),
        "low": to_plain(feature.low),
        "high": to_plain(feature.high),
        "n_before": feature.n_before,
        "n_after": feature.n_after,
        "off_before": to_plain(feature.off_before),
        "off_after": to_plain(feature.off_after),
        "was_off": feature.was_off,
        "is_off": feature.is_off,
    }
