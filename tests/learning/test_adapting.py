"""What confirmed cases correct: against labels drawn from known odds, and closed forms."""

import dataclasses
from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
import pytest

from misfire.classify.learned import LOOKS, NOTHING, Learned
from misfire.diagnosis.firings.states import KIND_PRIOR, KINDS, POPULATION
from misfire.diagnosis.judging import judge
from misfire.diagnosis.looks import lean_on_looks, measure_looks
from misfire.learning.adapting import (
    LEAST_REAL,
    PRIOR_CASES,
    PRIOR_COILS,
    Taught,
    _Known,
    _lose,
    adapt,
    adapt_line,
    learn_kinds,
    learn_usual,
    teach,
)
from misfire.learning.fitting import fit_model
from misfire.learning.judgedcase import judge_case
from misfire.learning.scores import compare_scores
from misfire.records import FAULT_TYPES, SPARK_STATES, WORK_STATES
from tests.builders.models import make_case, make_cases, make_model


def draw(n, *, slope, offset, seed=1):
    """Draw odds as a model says them, and labels from the true odds slope x said + offset."""
    rng = np.random.default_rng(seed)
    said = rng.normal(-1.0, 2.5, n)
    return said, rng.random(n) < 1 / (1 + np.exp(-(slope * said + offset)))


def test_many_cases_are_believed():
    said, label = draw(20_000, slope=0.5, offset=1.0)
    slope, offset = adapt_line(said, label, n_vehicles=500)
    assert slope * said + offset == pytest.approx(0.5 * said + 1.0, abs=0.2)


def test_few_cases_move_it_a_part_of_the_way():
    # 40 small workshops: slopes between what was believed (1) and the truth (0.5), offset the truth
    slopes, offsets = [], []
    for seed in range(40):
        said, label = draw(80, slope=0.5, offset=1.0, seed=seed)
        slope, offset = adapt_line(said, label, n_vehicles=20)
        slopes.append(slope)
        offsets.append(offset)
    assert 0.5 < np.mean(slopes) < 0.9
    assert np.mean(offsets) == pytest.approx(1.0, abs=0.2)


def test_cases_that_agree_leave_it():
    said, label = draw(20_000, slope=1.0, offset=0.0)
    slope, offset = adapt_line(said, label, n_vehicles=500)
    assert slope * said + offset == pytest.approx(said, abs=0.25)


@pytest.mark.parametrize("kind", ["too few", "all sound", "none"])
def test_nothing_to_learn_from(kind):
    said, label = draw(80, slope=0.5, offset=1.0)
    n = LEAST_REAL - 1 if kind == "too few" else 20
    if kind == "all sound":
        label[:] = False
    if kind == "none":
        said, label, n = said[:0], label[:0], 0
    assert adapt_line(said, label, n_vehicles=n) == (1.0, 0.0)


def make_taught(n, truth, *, lean=0.0, seed=3, sparks=None, looks=None):
    """Make judged cases of one faulty cylinder each: `truth(rng)` draws its kind.

    What the firings say leans by `lean` towards mixture, and else nothing; `sparks`: the level of
    the usual spark line of every cylinder; `looks(kind)`: firings of the faulty
    one by their states.
    """
    rng = np.random.default_rng(seed)
    kinds = list(KINDS)
    taught = []
    for number in range(n):
        case = make_case(number, faulty={2: truth(rng)}, events=False)
        size = len(case.table)
        if sparks is not None:
            case.table["form_burn_ms"] = sparks + 0.1 * rng.normal(size=size)
        weighed = np.zeros((4, 4, len(kinds)))
        weighed[:, 2] = -np.inf
        weighed[:, 0, kinds.index("mixture")] = lean
        table = np.zeros((4, len(SPARK_STATES), len(WORK_STATES)))
        table[:, 0, 0] = size
        if looks is not None:
            table[1] = looks(case.faulty[2])
        told = SimpleNamespace(
            weighed=weighed,
            spark=np.zeros(size, np.int8),
            spark_probability=np.ones(size),
            table=table,
        )
        taught.append(Taught(case, SimpleNamespace(explanation=told)))
    return taught


@dataclass(frozen=True)
class Explained:
    """What leaning on looks needs of an explanation."""

    table: np.ndarray
    kinds: np.ndarray
    likely: np.ndarray


def draw_kind(rng):
    return "low_compression" if rng.random() < 0.5 else "mixture"


class TestKinds:
    def test_without_evidence_frequencies_are_those_of_a_dirichlet_prior(self):
        """Posterior mode: (prior x weight + counts) / (weight + cases); a closed form."""
        taught = make_taught(40, draw_kind)
        learned = learn_kinds(taught, {})
        odds, trust = learned.kind_odds, learned.trust
        counts = {k: sum(k in t.case.faulty.values() for t in taught) for k in KINDS}
        common = np.array([KIND_PRIOR[k] for k in KINDS])
        mode = PRIOR_CASES * common + np.array([counts[k] for k in KINDS])
        mode /= mode.sum()
        found = common * np.exp([odds[k] for k in KINDS])
        assert found / found.sum() == pytest.approx(mode, abs=2e-3)
        assert trust["firings"] == pytest.approx(1.0, abs=0.02)  # nothing was said, nothing wrong

    @pytest.mark.parametrize(("n", "way"), [(5, 1 / 3), (200, 20 / 21)])
    def test_few_cases_hardly_move_it_and_many_do(self, n, way):
        """The way from what is written to what was counted: n / (n + prior cases)."""
        taught = make_taught(n, draw_kind)
        odds = learn_kinds(taught, {}).kind_odds
        shares = {k: KIND_PRIOR[k] * np.exp(odds[k]) for k in KINDS}
        found = shares["low_compression"] / sum(shares.values())
        counted = np.mean(["low_compression" in t.case.faulty.values() for t in taught])
        written = KIND_PRIOR["low_compression"]
        assert (found - written) / (counted - written) == pytest.approx(way, abs=0.01)

    def test_a_witness_that_lies_is_trusted_less_and_one_that_is_right_more(self):
        wrong = learn_kinds(make_taught(60, lambda rng: "weak_coil", lean=30.0), {}).trust[
            "firings"
        ]
        right = learn_kinds(make_taught(60, lambda rng: "mixture", lean=10.0), {}).trust["firings"]
        assert wrong < 0.7
        assert right > 1.0

    def test_no_faulty_cylinder_teaches_no_kind(self):
        healthy = dataclasses.replace(make_taught(1, draw_kind)[0].case, faulty={})
        assert learn_kinds([Taught(healthy, None)], {}) == NOTHING


class TestLooks:
    def test_what_a_look_meant_is_learned(self):
        """Dark sparks of one kind, usual ones of another: the leanings part them by both looks."""

        def dark_if_leaking(kind):
            table = np.zeros((len(SPARK_STATES), len(WORK_STATES)))
            dark = kind == "low_compression"
            table[SPARK_STATES.index("no_breakdown" if dark else "usual"), 2] = 50.0
            return table

        learned = learn_kinds(make_taught(40, draw_kind, looks=dark_if_leaking), {})
        dark, usual = learned.leanings["spark no_breakdown"], learned.leanings["spark usual"]
        assert dark.usual + usual.usual == pytest.approx(1.0)
        assert dark.towards["low_compression"] > 0.3 > -0.3 > dark.towards["mixture"]
        assert usual.towards["mixture"] > 0.3
        assert learned.leanings["work lost"].towards["mixture"] == pytest.approx(0.0, abs=1e-3)

        made = make_taught(1, draw_kind).pop()
        table = np.stack([dark_if_leaking("low_compression"), dark_if_leaking("mixture")])
        kinds = np.full((2, len(FAULT_TYPES)), 1.0 / len(FAULT_TYPES))
        told = Explained(table, kinds, np.zeros((2, len(KINDS))))
        leant = lean_on_looks(told, learned)
        leak, lean = FAULT_TYPES.index("low_compression"), FAULT_TYPES.index("mixture")
        assert leant.kinds[0, leak] > leant.kinds[1, leak]
        assert leant.kinds[1, lean] > leant.kinds[0, lean]
        assert leant.kinds.sum(axis=1) == pytest.approx(1.0)
        assert lean_on_looks(made, NOTHING) is made

    def test_what_all_cases_share_is_told_by_the_frequencies(self):
        taught = make_taught(40, draw_kind)
        leanings = learn_kinds(taught, {}).leanings
        assert all(v == 0.0 for of in leanings.values() for v in of.towards.values())
        assert leanings["spark usual"].usual == 1.0

    def test_firings_without_fuel_do_not_count(self):
        table = np.zeros((2, len(SPARK_STATES), len(WORK_STATES)))
        table[0, 0, WORK_STATES.index("cut")] = 30.0
        table[0, 2, 2], table[0, 0, 0] = 5.0, 15.0
        looks = dict(zip(LOOKS, measure_looks(table).T.tolist(), strict=True))
        assert looks["spark usual"] == [0.75, 0.0]
        assert looks["spark starved"] == looks["work lost"] == [0.25, 0.0]


def test_slope_of_the_loss_is_its_difference_quotient():
    rng = np.random.default_rng(8)
    weighed = rng.normal(0.0, 5.0, (30, 4, len(KINDS)))
    weighed[::2, 2] = -np.inf
    looks = rng.dirichlet(np.ones(len(LOOKS)), 30)
    known = _Known(weighed, looks, rng.integers(0, len(KINDS), 30), rng.uniform(0.2, 1.0, 30))
    x = rng.normal(0.0, 0.3, len(KINDS) + 3 + len(LOOKS) * len(KINDS))
    steps = 1e-5 * np.eye(x.size)
    quotient = [(_lose(x + s, known)[0] - _lose(x - s, known)[0]) / 2e-5 for s in steps]
    assert _lose(x, known)[1] == pytest.approx(quotient, abs=1e-5, rel=1e-5)


def test_what_is_common_in_a_cylinder_is_common_in_a_shared_coil():
    """Bayes: a kind commoner by e^2 gains e^2 over another; the lapse takes a little of it."""
    model = make_model().model
    case = make_case(3, faulty=dict.fromkeys((1, 2, 3, 4), "no_primary"))
    ratios = []
    for odds in ({}, {"weak_coil": 2.0}):
        said = judge(
            dataclasses.replace(model, learned=Learned(odds)),
            case.table,
            case.cylinder,
            n_cylinders=4,
            disturbed=case.disturbed,
            coils=((1, 2, 3, 4),),
        )
        weak, broken = (FAULT_TYPES.index(k) for k in ("weak_coil", "open_secondary"))
        ratios.append(said.faults[:, weak] / said.faults[:, broken])
    assert ratios[1] / ratios[0] == pytest.approx(np.exp(2.0), rel=0.1)


class TestUsualSpark:
    def test_centre_and_spread_are_the_conjugate_ones(self):
        """Normal-inverse-gamma: written down anew from the vehicles' own means."""
        taught = make_taught(30, draw_kind, sparks=0.8)
        centre, spread = learn_usual(taught)["form_burn_ms"]
        means = []
        for t in taught:
            own = [
                np.median(t.case.table["form_burn_ms"][t.case.cylinder == c]) for c in (1, 3, 4)
            ]  # cylinder 2 is at fault
            means.append(np.mean(own))
        at, wide = POPULATION["form_burn_ms"]
        n, mean = 30, np.mean(means)
        total = PRIOR_COILS + n
        squares = PRIOR_COILS * wide**2 + ((means - mean) ** 2).sum()
        squares += PRIOR_COILS * n / total * (mean - at) ** 2
        assert centre == pytest.approx((PRIOR_COILS * at + n * mean) / total)
        assert spread == pytest.approx(np.sqrt(squares / total))

    def test_what_no_vehicle_shows_is_not_learned(self):
        assert learn_usual(make_taught(3, draw_kind)) == {}


class TestWholeCorrection:
    def test_labels_in_any_order_of_chance_bring_nothing(self):
        """Twenty cases teach; the same with shuffled kinds do not."""
        model = fit_model(make_cases(30)).model
        cases = make_cases(60, first=900, n_cycles=20)
        for case in cases:  # in this workshop every fault without a dark spark is a weak coil
            for c, kind in case.faulty.items():
                case.faulty[c] = "weak_coil" if kind != "open_secondary" else kind
        test, known = cases[:30], cases[30:60]
        rng = np.random.default_rng(1)
        kinds = ["no_primary", "low_compression", "fouled_plug"]
        shuffled = [
            dataclasses.replace(c, faulty={k: kinds[rng.integers(3)] for k in c.faulty})
            for c in known
        ]
        name = "fault_type_log_loss"
        old = [judge_case(c, model) for c in test]
        found = []
        for cases in (known, shuffled):
            corrected = adapt(model, teach(model, cases))
            found.append(compare_scores([judge_case(c, corrected) for c in test], old)[name])
        taught, misled = found
        assert taught.word == "better"
        assert taught.value < 0.9 * taught.other
        assert misled.difference > 0

    def test_no_case_changes_nothing(self):
        model = make_model().model
        assert adapt(model, []).learned == NOTHING
        assert adapt(model, []).weights == model.weights
