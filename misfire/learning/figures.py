"""The figures of merit of judged cases, each as a function of the vehicles' weights.

Functions of weights, so that the same resampled vehicles serve intervals and paired comparisons.
Shares of vehicles: Wilson, false accusations: Clopper-Pearson, all else: bootstrap over vehicles.
Some 15 figures are compared at 95 %: one of them may differ by luck.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.classify.separability import find_separable
from misfire.dsp.chances import compute_clopper_pearson, compute_wilson
from misfire.errors import ParameterError
from misfire.learning.calibration import (
    Figure,
    RecallCurve,
    Statistic,
    compute_brier,
    compute_ece,
    decompose_brier,
)
from misfire.learning.judgedcase import JudgedCase
from misfire.limits import FAULTY
from misfire.records import FAULT_TYPES

FALSE_SHARE = 1e-3  # false alarms a sound firing at which the recall is compared
LEAST_SHARE = 1e-6  # of a kind of fault: one sure mistake is not to outweigh all other vehicles


@dataclass(slots=True)
class Share:
    """Hits or losses of each vehicle: the mean over its recordings, so that it has one voice."""

    hits: NDArray[np.float64]
    n: NDArray[np.float64]

    def __call__(self, weight: NDArray[np.float64]) -> float:
        """Share of hits for given weights of the vehicles."""
        of = weight * (self.n > 0)
        total = float(of.sum())
        return float(of @ (self.hits / np.maximum(self.n, 1))) / total if total > 0 else math.nan

    def to_figure(self, *, exact: bool) -> Figure:
        """Give the share with its interval."""
        n = int((self.n > 0).sum())
        value = self(np.ones(self.n.size))
        k = 0.0 if n == 0 else value * n
        low, high = compute_clopper_pearson(k, n) if exact else compute_wilson(k, n)
        return Figure(value, low, high, n)


class FigureTables:
    """Rows gathered from judged cases: every figure as a function of the vehicles' weights.

    `shares` and `statistics` hold the figures by name, `carriers` how many vehicles each rests on;
    `said`, `so` one entry per cylinder; `truth`, `called`, `share`, `told` one per fault;
    `kind_said`, `kind_so` one per fault and kind; `event_said`, `event_so` one per firing.
    """

    def __init__(self, judged: Sequence[JudgedCase]) -> None:
        """Gather the rows of every case."""
        if not judged:
            raise ParameterError("there is no case to score a model on")
        self.vehicles = sorted({j.case.group for j in judged})
        place = {v: i for i, v in enumerate(self.vehicles)}
        self.shares: dict[str, Share] = {}
        self.statistics: dict[str, Statistic] = {}
        self.losses: dict[str, Share] = {}
        self.carriers: dict[str, int] = {}
        self.truth: list[str] = []
        self.called: list[str] = []
        self.share: list[float] = []
        self.told: list[bool] = []
        self.kind_said: list[float] = []
        self.kind_so: list[bool] = []
        self.kind_vehicle: list[int] = []
        for j in judged:
            self._add_cylinders(j, place[j.case.group])
            self._add_types(j, place[j.case.group])
        self._gather_calibration(judged, place)
        self._gather_kinds()
        self._gather_events(judged, place)
        self.statistics |= self.losses
        for name, share in (self.shares | self.losses).items():
            self.carriers[name] = int((share.n > 0).sum())

    def get(self, name: str) -> Statistic | None:
        """Give a figure as a function of the vehicles' weights."""
        return self.shares.get(name) or self.statistics.get(name)

    def _hit(self, name: str, vehicle: int, hit: bool) -> None:
        """Count one case or cylinder of a vehicle."""
        self._add(self.shares, name, vehicle, float(hit))

    def _add(self, to: dict[str, Share], name: str, vehicle: int, value: float) -> None:
        """Add one hit or loss of a vehicle."""
        n = len(self.vehicles)
        share = to.setdefault(name, Share(np.zeros(n), np.zeros(n)))
        share.hits[vehicle] += value
        share.n[vehicle] += 1

    def _add_cylinders(self, judged: JudgedCase, vehicle: int) -> None:
        """Rank, finding and false accusation of one case."""
        case = judged.case
        order = np.argsort(-judged.faulty, kind="stable") + 1
        right = set(case.faulty)
        if not case.resolved:  # of cylinders 360 degrees apart either counts
            right |= {case.mates[c] for c in case.faulty if c in case.mates}
        if right and len(right) < case.n_cylinders:
            self._hit("top1_cylinder", vehicle, int(order[0]) in right)
            self._hit("top2_cylinder", vehicle, bool(right & {int(c) for c in order[:2]}))
        if right:
            # A pair shares one probability: half the threshold each names the pair.
            least = FAULTY if case.resolved else 0.5 * FAULTY
            found = max(judged.faulty[c - 1] for c in right) >= least
            self._hit("faulty_found", vehicle, bool(found))
        if case.healthy:
            self._hit("healthy_accused", vehicle, bool(judged.faulty.max() >= FAULTY))
        if case.crank_fault and not case.faulty:
            lead = FAULT_TYPES[int(judged.faults[order[0] - 1].argmax())]
            accused = judged.faulty.max() >= FAULTY and lead != "crank_signal"
            self._hit("crank_fault_accused", vehicle, bool(accused))

    def _add_types(self, judged: JudgedCase, vehicle: int) -> None:
        """Compare the fault types said of the cylinders at fault."""
        case = judged.case
        if not case.resolved and case.faulty:
            return
        rows = dict(case.faulty)
        if case.crank_fault and not case.faulty:  # the worst-looking cylinder stands for it
            rows[int(judged.faulty.argmax()) + 1] = "crank_signal"
        for cylinder, kind in rows.items():
            ranked = np.argsort(-judged.faults[cylinder - 1], kind="stable")
            names = [FAULT_TYPES[i] for i in ranked[:2]]
            told = kind in find_separable(case.witnesses[cylinder])
            self.truth.append(kind)
            self.called.append(names[0])
            self.share.append(float(judged.faults[cylinder - 1][ranked[0]]))
            self.told.append(told)
            said = float(judged.faults[cylinder - 1][FAULT_TYPES.index(kind)])
            self.kind_said += judged.faults[cylinder - 1].tolist()
            self.kind_so += [name == kind for name in FAULT_TYPES]
            self.kind_vehicle += [vehicle] * len(FAULT_TYPES)
            loss = -math.log(max(said, LEAST_SHARE))
            own = "burn" in case.witnesses[cylinder]  # primary or secondary of its own coil
            for end in ("", "_own_coil") if own else ("",):
                self._add(self.losses, f"fault_type_log_loss{end}", vehicle, loss)
            ends = ("", *(("_separable",) if told else ()), *(("_own_coil",) if own else ()))
            for end in ends:
                self._hit(f"fault_type_top1{end}", vehicle, kind == names[0])
                self._hit(f"fault_type_top2{end}", vehicle, kind in names)

    def _gather_calibration(self, judged: Sequence[JudgedCase], place: dict[str, int]) -> None:
        """Lay out one row per cylinder whose truth is known."""
        known = [j for j in judged if j.case.resolved or not j.case.faulty]
        said = [j.faulty for j in known]
        so = [np.array([c + 1 in j.case.faulty for c in range(j.faulty.size)]) for j in known]
        of = [np.full(j.faulty.size, place[j.case.group]) for j in known]
        self.said = np.concatenate([np.empty(0), *said])
        self.so = np.concatenate([np.empty(0, bool), *so])
        vehicle = np.concatenate([np.empty(0, np.int64), *of])
        if vehicle.size == 0:
            return
        p, y = self.said, self.so
        found: dict[str, Statistic] = {
            "brier": lambda w: compute_brier(p, y, w[vehicle]),
            "brier_reliability": lambda w: decompose_brier(p, y, w[vehicle]).reliability,
            "brier_resolution": lambda w: decompose_brier(p, y, w[vehicle]).resolution,
            "brier_uncertainty": lambda w: decompose_brier(p, y, w[vehicle]).uncertainty,
            "calibration_error": lambda w: compute_ece(p, y, w[vehicle]),
        }
        self.statistics |= found
        self.carriers |= dict.fromkeys(found, int(np.unique(vehicle).size))

    def _gather_kinds(self) -> None:
        """Measure how far the shares of all kinds of fault are from how often each was so."""
        if not self.kind_said:
            return
        p, y = np.array(self.kind_said), np.array(self.kind_so)
        vehicle = np.array(self.kind_vehicle)
        self.statistics["fault_type_calibration_error"] = lambda w: compute_ece(p, y, w[vehicle])
        self.carriers["fault_type_calibration_error"] = int(np.unique(vehicle).size)

    def _gather_events(self, judged: Sequence[JudgedCase], place: dict[str, int]) -> None:
        """Lay out one row per firing whose truth is known."""
        n = len(self.vehicles)
        lost, found, sound, false = (np.zeros(n) for _ in range(4))
        parts: list[tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.int64]]] = []
        for j in judged:
            case = j.case
            if not case.resolved and case.faulty:
                continue
            # A leaking cylinder burns weakly all the time: its single firings have no clear truth.
            low = [c for c, kind in case.faulty.items() if kind == "low_compression"]
            rows = case.known & ~np.isin(case.cylinder, low)
            p = np.nan_to_num(j.event[rows], nan=0.0)  # not judged is not found
            truth, v = case.lost[rows], place[case.group]
            lost[v] += truth.sum()
            found[v] += (truth & (p >= 0.5)).sum()
            sound[v] += (~truth).sum()
            false[v] += (~truth & (p >= 0.5)).sum()
            parts.append((p, truth, np.full(p.size, v)))
        self.event_said = np.concatenate([np.empty(0), *(p for p, _, _ in parts)])
        self.event_so = np.concatenate([np.empty(0, bool), *(truth for _, truth, _ in parts)])
        if lost.sum() > 0:
            curve = RecallCurve(*(np.concatenate([part[i] for part in parts]) for i in range(3)))
            self.statistics["event_recall"] = lambda w: _divide(np.dot(w, found), np.dot(w, lost))
            self.statistics["event_recall_at_1_in_1000"] = lambda w: curve.find(
                w, false_share=FALSE_SHARE
            )
            carriers = int((lost > 0).sum())
            self.carriers |= {"event_recall": carriers, "event_recall_at_1_in_1000": carriers}
        if sound.sum() > 0:
            self.statistics["event_false_alarms"] = lambda w: _divide(
                np.dot(w, false), np.dot(w, sound)
            )
            self.carriers["event_false_alarms"] = int((sound > 0).sum())


def _divide(a: NDArray[np.float64], b: NDArray[np.float64]) -> float:
    """Share, NaN of nothing."""
    return float(a / b) if b > 0 else math.nan
