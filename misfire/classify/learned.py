"""What confirmed cases taught, on top of a model: how common, how told, and what is usual."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from misfire.errors import ModelError
from misfire.records import SPARK_STATES, WORK_STATES

TRUSTED = ("firings", "usual_spark", "compression")  # witnesses of the kinds of fault
LOOKS = (  # of firings: states on both axes, but for firings without fuel
    *(f"spark {state}" for state in SPARK_STATES),
    *(f"work {state}" for state in WORK_STATES if state != "cut"),
)
MOST_NAMES = 64  # in any part of it
MOST_SIZE = 50.0  # of any number in it: natural logs and logs of ratios are far smaller


@dataclass(frozen=True, slots=True)
class Leaning:
    """What it meant that more firings than usual had one look.

    `usual`: share of a faulty cylinder's firings that had it, over the cases; `towards[kind]`:
    natural log by which a kind of fault is likelier where all have it than where none has.
    """

    usual: float
    towards: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Learned:
    """Corrections of what is written down from physics; empty ones change nothing.

    `kind_odds[kind]`: natural log by which a kind of fault is commoner in this workshop.
    `trust[witness]`: factor on the log likelihoods of the kinds by one of `TRUSTED`.
    `usual[measure]`: centre and spread of the usual spark of sound cylinders, over its vehicles.
    `leanings[look]`: which kinds of fault a look of the firings meant, for all of `LOOKS` or none.
    `n_cases`: confirmed cases it was learned from.
    """

    kind_odds: Mapping[str, float] = field(default_factory=dict)
    trust: Mapping[str, float] = field(default_factory=dict)
    usual: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    n_cases: int = 0
    leanings: Mapping[str, Leaning] = field(default_factory=dict)

    def list_odds(self, kinds: Iterable[str]) -> NDArray[np.float64]:
        """List by how much each kind of fault is commoner in this workshop.

        Parameters
        ----------
        kinds : iterable of str

        Returns
        -------
        odds : float64 array [shape=(n_kinds,)]
            Natural logs; 0 where nothing was learned.

        Examples
        --------
        >>> Learned({"mixture": 0.5}).list_odds(("fouled_plug", "mixture")).tolist()
        [0.0, 0.5]
        """
        return np.array([self.kind_odds.get(kind, 0.0) for kind in kinds])


NOTHING = Learned()


def write_learned(learned: Learned) -> bytes:
    """Write it as JSON; the same corrections give the same bytes.

    Parameters
    ----------
    learned : Learned

    Returns
    -------
    text : bytes
    """
    told = {
        "kind_odds": dict(learned.kind_odds),
        "trust": dict(learned.trust),
        "usual": {name: list(pair) for name, pair in learned.usual.items()},
        "n_cases": learned.n_cases,
        "leanings": {
            look: {"usual": leaning.usual, "towards": dict(leaning.towards)}
            for look, leaning in learned.leanings.items()
        },
    }
    return (json.dumps(told, indent=1, sort_keys=True) + "\n").encode()


def read_learned(data: bytes) -> Learned:
    """Read what `write_learned` wrote.

    Parameters
    ----------
    data : bytes

    Returns
    -------
    learned : Learned

    Raises
    ------
    ModelError
        If it is not that, or a number in it is none or beyond reason.
    """
    try:
        told = json.loads(data.decode("utf-8"))
        parts = {name: told[name] for name in ("kind_odds", "trust", "usual")}
        parts["leanings"] = told.get("leanings", {})  # a bundle from before looks has none
        if any(not isinstance(p, dict) or len(p) > MOST_NAMES for p in parts.values()):
            raise ValueError("a part is no table")
        pairs = {name: (_check(a), _check(b)) for name, (a, b) in parts["usual"].items()}
        if any(spread <= 0 for _, spread in pairs.values()):
            raise ValueError("a spread is not above 0")
        trust = {name: _check(v) for name, v in parts["trust"].items()}
        if any(v < 0 for v in trust.values()):
            raise ValueError("a trust is below 0")
        odds = {name: _check(v) for name, v in parts["kind_odds"].items()}
        leanings = {look: _read_leaning(of) for look, of in parts["leanings"].items()}
        if leanings and set(leanings) != set(LOOKS):
            raise ValueError("not all looks, or others")
        n = told["n_cases"]
        if isinstance(n, bool) or not isinstance(n, int) or n < 0:
            raise ValueError("the number of cases is none")
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise ModelError(
            f"model bundle: what it learned cannot be read ({error}); train it again"
        ) from None
    return Learned(odds, trust, pairs, n, leanings)


def _read_leaning(told: Any) -> Leaning:
    """Read what one look meant."""
    towards = told["towards"]
    if not isinstance(towards, dict) or len(towards) > MOST_NAMES:
        raise ValueError("what a look meant is no table")
    return Leaning(_check(told["usual"]), {kind: _check(v) for kind, v in towards.items()})


def _check(value: Any) -> float:
    """Take a number that a correction can have."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError("not a number")
    if not math.isfinite(value) or abs(value) > MOST_SIZE:
        raise ValueError("a number beyond reason")
    return float(value)
