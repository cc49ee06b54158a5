"""Figures of judged cases counted by hand, their intervals by vehicle, and comparisons."""

import contextlib
import csv
import dataclasses
import json
import math
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from sklearn.metrics import brier_score_loss, log_loss
from sklearn.model_selection import LeaveOneGroupOut

from misfire.classify.bundle import load_bundle
from misfire.diagnosis.chain import diagnose_recording
from misfire.dsp.chances import compute_clopper_pearson, compute_wilson
from misfire.errors import FormatError, ModelError, OutputError, ParameterError
from misfire.learning.casefolders import find_cases
from misfire.learning.cases import measure_case
from misfire.learning.evaluation import choose_model, evaluate_folders, write_evaluation
from misfire.learning.fitting import fit_model
from misfire.learning.judgedcase import JudgedCase, judge_case
from misfire.learning.runs import write_model
from misfire.learning.scores import (
    BETTER,
    ScoreComparison,
    compare_scores,
    compute_scores,
    lay_out_scores,
    summarize_comparison,
)
from misfire.measuring.opening import open_recording
from misfire.records import FAULT_TYPES
from misfire.simulate.recording import simulate
from misfire.simulate.scenario import EngineModel, FaultModel, Scenario
from misfire.simulate.writer import write_recording
from tests.builders.models import make_case, make_cases


def say(case, faulty, *, event=None, kind="mixture"):
    """Make what a judge said of a case by hand."""
    faults = np.full((case.n_cylinders, len(FAULT_TYPES)), 0.05)
    faults[:, FAULT_TYPES.index(kind)] = 0.7
    event = case.lost.astype(float) if event is None else event
    return JudgedCase(case, event, np.array(faulty, float), faults)


SICK = {2: "mixture"}


class TestCounts:
    def test_rank(self):
        right = say(make_case(1, faulty=SICK), [0.1, 0.9, 0.2, 0.1])
        second = say(make_case(2, faulty=SICK), [0.1, 0.5, 0.8, 0.1])
        third = say(make_case(3, faulty=SICK), [0.6, 0.5, 0.8, 0.1])
        figures = compute_scores([right, second, third]).figures
        assert figures["top1_cylinder"].value == pytest.approx(1 / 3)
        assert figures["top2_cylinder"].value == pytest.approx(2 / 3)
        assert (figures["top1_cylinder"].low, figures["top1_cylinder"].high) == compute_wilson(1, 3)
        assert figures["faulty_found"].value == 1

    def test_a_vehicle_has_one_voice(self):
        # three recordings of one vehicle, all wrong, and one of another, right: one half
        wrong = [say(make_case(7, faulty=SICK), [0.9, 0.1, 0.1, 0.1]) for _ in range(3)]
        right = say(make_case(8, faulty=SICK), [0.1, 0.9, 0.1, 0.1])
        figure = compute_scores([*wrong, right]).figures["top1_cylinder"]
        assert (figure.value, figure.n) == (0.5, 2)
        assert (figure.low, figure.high) == compute_wilson(1, 2)

    def test_either_of_a_pair_counts_where_nothing_tells_them_apart(self):
        case = make_case(1, faulty={2: "mixture"}, resolved=False)
        assert compute_scores([say(case, [0.1, 0.3, 0.3, 0.1])]).figures["top1_cylinder"].value == 1
        assert compute_scores([say(case, [0.1, 0.2, 0.4, 0.1])]).figures["faulty_found"].value == 1
        assert compute_scores([say(case, [0.4, 0.2, 0.2, 0.1])]).figures["top1_cylinder"].value == 0

    def test_no_rank_where_every_cylinder_is_at_fault(self):
        case = make_case(1, faulty=dict.fromkeys((1, 2, 3, 4), "weak_coil"))
        assert compute_scores([say(case, [0.9] * 4)]).figures["top1_cylinder"].n == 0

    def test_healthy_vehicles_accused(self):
        cases = [say(make_case(i), [0.1, 0.49, 0.2, 0.0]) for i in range(9)]
        cases.append(say(make_case(9), [0.1, 0.5, 0.2, 0.0]))
        figure = compute_scores(cases).figures["healthy_accused"]
        assert (figure.value, figure.n) == (0.1, 10)
        assert (figure.low, figure.high) == compute_clopper_pearson(1, 10)

    def test_crank_fault_accused(self):
        case = dataclasses.replace(make_case(1), crank_fault=True, healthy=False)
        blamed = say(case, [0.9, 0.1, 0.1, 0.1], kind="mixture")
        named = say(dataclasses.replace(case, group="b"), [0.9, 0.1, 0.1, 0.1], kind="crank_signal")
        scores = compute_scores([blamed, named])
        assert scores.figures["crank_fault_accused"].value == 0.5
        assert scores.figures["healthy_accused"].n == 0
        row = scores.confusion[FAULT_TYPES.index("crank_signal")]
        assert row[FAULT_TYPES.index("mixture")] == row[FAULT_TYPES.index("crank_signal")] == 1

    def test_firings(self):
        case = make_case(1, faulty=SICK)
        p = np.where(case.lost, 0.9, 0.1)
        p[np.flatnonzero(case.lost)[:3]] = 0.2
        p[np.flatnonzero(case.lost)[3]] = np.nan  # not judged is not found
        p[np.flatnonzero(~case.lost)[:2]] = 0.6
        figures = compute_scores([say(case, [0, 1, 0, 0], event=p)]).figures
        n_lost, n_sound = case.lost.sum(), (~case.lost).sum()
        assert figures["event_recall"].value == pytest.approx((n_lost - 4) / n_lost)
        assert figures["event_false_alarms"].value == pytest.approx(2 / n_sound)
        # above 0.6 only lost firings stand
        assert figures["event_recall_at_1_in_1000"].value == pytest.approx((n_lost - 4) / n_lost)

    def test_cases_without_events_carry_no_event_figure(self):
        judged = [say(make_case(i, faulty=SICK, events=False), [0, 1, 0, 0]) for i in range(3)]
        figures = compute_scores(judged).figures
        for name in ("event_recall", "event_false_alarms", "event_recall_at_1_in_1000"):
            assert figures[name].n == 0
            assert math.isnan(figures[name].value)
        assert figures["top1_cylinder"].n == 3

    def test_a_leaking_cylinders_firings_are_left_out(self):
        case = make_case(1, faulty={2: "low_compression"})
        assert compute_scores([say(case, [0, 1, 0, 0])]).figures["event_recall"].n == 0

    def test_calibration_of_cylinders_against_sklearn(self):
        rng = np.random.default_rng(0)
        judged = [say(make_case(i, faulty=SICK if i % 2 else {}), rng.random(4)) for i in range(12)]
        # the label of a cylinder is not known where the pair is not told apart
        judged.append(say(make_case(99, faulty=SICK, resolved=False), [1, 1, 1, 1]))
        y = np.array([[c + 1 in j.case.faulty for c in range(4)] for j in judged[:-1]]).ravel()
        p = np.array([j.faulty for j in judged[:-1]]).ravel()
        scores = compute_scores(judged)
        assert scores.figures["brier"].value == pytest.approx(brier_score_loss(y, p))
        assert sum(row["n"] for row in scores.reliability) == 48

    def test_types(self):
        told = make_case(1, faulty={2: "mixture"})
        untold = dataclasses.replace(
            make_case(2, faulty={2: "weak_coil"}),
            witnesses=dict.fromkeys((1, 2, 3, 4), frozenset({"torque"})),
        )
        scores = compute_scores([say(told, [0, 1, 0, 0]), say(untold, [0, 1, 0, 0])])
        assert scores.figures["fault_type_top1"].value == 0.5
        assert scores.figures["fault_type_top1_separable"].value == 1
        assert scores.figures["fault_type_top1_separable"].n == 1
        weak, mixture = FAULT_TYPES.index("weak_coil"), FAULT_TYPES.index("mixture")
        assert scores.confusion[weak, mixture] == 1
        assert scores.confusion_separable[weak].sum() == 0
        assert scores.confusion.sum() == 2
        # one row a fault: the share of the type named first, and whether it was right
        said = [float(say(c, [0, 1, 0, 0]).faults[1].max()) for c in (told, untold)]
        assert sum(r["n"] for r in scores.kind_reliability) == 2
        total = sum(r["n"] * r["said"] for r in scores.kind_reliability)
        assert total == pytest.approx(sum(said))
        assert sum(r["n"] * r["happened"] for r in scores.kind_reliability) == 1

    def test_log_loss_of_the_types(self):
        """Minus the mean log of the share of the true type: the logarithmic score."""
        seen = make_case(1, faulty={2: "mixture"})
        unseen = dataclasses.replace(
            make_case(2, faulty={2: "weak_coil"}),
            witnesses=dict.fromkeys((1, 2, 3, 4), frozenset({"current", "torque"})),
        )
        judged = [say(seen, [0, 1, 0, 0]), say(unseen, [0, 1, 0, 0])]
        figures = compute_scores(judged).figures
        both = -0.5 * (math.log(0.7) + math.log(0.05))
        assert figures["fault_type_log_loss"].value == pytest.approx(both)
        assert figures["fault_type_log_loss"].n == 2
        own = figures["fault_type_log_loss_own_coil"]
        assert own.value == pytest.approx(-math.log(0.7))
        assert own.n == 1
        # the same from another library
        said = np.stack([j.faults[1] for j in judged])
        said /= said.sum(axis=1, keepdims=True)
        kinds = [FAULT_TYPES.index(k) for k in ("mixture", "weak_coil")]
        names = list(range(len(FAULT_TYPES)))
        assert both == pytest.approx(log_loss(kinds, said, labels=names))

    def test_no_case(self):
        with pytest.raises(ParameterError, match="no case to score"):
            compute_scores([])


class TestIntervals:
    def test_one_vehicle_says_nothing_of_others(self):
        figure = compute_scores([say(make_case(1, faulty=SICK), [0, 1, 0, 0])]).figures["brier"]
        assert figure.value == 0
        assert math.isnan(figure.low)
        assert math.isnan(figure.high)

    def test_no_false_alarm_in_few_vehicles_is_no_proof(self):
        judged = [say(make_case(i, faulty=SICK), [0, 1, 0, 0]) for i in range(10)]
        figures = compute_scores(judged).figures
        assert figures["event_false_alarms"].high == compute_clopper_pearson(0, 10)[1]
        assert figures["event_recall"].low == compute_clopper_pearson(10, 10)[0]

    def test_the_seed_decides(self):
        rng = np.random.default_rng(0)
        judged = [say(c, rng.random(4)) for c in make_cases(12)]
        one, same, other = (lay_out_scores(compute_scores(judged, seed=k)) for k in (1, 1, 2))
        assert one == same
        assert one["figures"]["brier"]["low"] != other["figures"]["brier"]["low"]
        assert one["figures"]["brier"]["value"] == other["figures"]["brier"]["value"]

    def test_order_and_repetition_change_nothing(self):
        judged = [judge_case(c, None) for c in make_cases(12)]
        a, b = compute_scores(judged), compute_scores(judged[::-1])
        for name in BETTER:
            assert a.figures[name].value == pytest.approx(b.figures[name].value, nan_ok=True)
            assert a.figures[name].low == pytest.approx(b.figures[name].low, nan_ok=True)


def test_leave_one_group_out_as_documented():
    # the example in scikit-learn's documentation of LeaveOneGroupOut
    groups = np.array([1, 1, 2, 2])
    folds = [t.tolist() for _, t in LeaveOneGroupOut().split(np.zeros((4, 1)), groups=groups)]
    assert folds == [[0, 1], [2, 3]]


class TestComparison:
    @pytest.fixture(scope="class", name="cases")
    @staticmethod
    def _cases():
        return make_cases(24)

    def test_better_and_worse(self, cases):
        good = [say(c, [0.95 if k in c.faulty else 0.02 for k in range(1, 5)]) for c in cases]
        bad = [say(c, [0.4, 0.3, 0.2, 0.1], event=np.full(c.lost.size, 0.1)) for c in cases]
        found = compare_scores(good, bad)
        assert {found[n].word for n in ("top1_cylinder", "brier", "event_recall")} == {"better"}
        assert found["brier"].value < found["brier"].other
        back = compare_scores(bad, good)
        assert {back[n].word for n in ("top1_cylinder", "brier", "event_recall")} == {"worse"}
        sentence = summarize_comparison(back, new="new", old="old")
        assert sentence.startswith("new is WORSE than old in: ")
        assert "brier" in sentence
        assert "brier_uncertainty" not in found

    def test_the_same_is_no_difference(self, cases):
        judged = [judge_case(c, None) for c in cases]
        found = compare_scores(judged, judged)
        assert {c.word for c in found.values()} <= {"no clear difference", "too few vehicles"}
        assert summarize_comparison(found, new="a", old="b") == (
            "no clear difference between a and b on these vehicles"
        )

    def test_luck_in_one_vehicle_is_no_difference(self, cases):
        a = [say(c, [0.9 if k in c.faulty else 0.1 for k in range(1, 5)]) for c in cases]
        b = [*a[:-1], say(cases[-1], [0.9, 0.9, 0.9, 0.9])]
        assert compare_scores(a, b)["top1_cylinder"].word == "no clear difference"

    def test_too_few_vehicles(self, cases):
        a = [say(c, [0.9 if k in c.faulty else 0.1 for k in range(1, 5)]) for c in cases[:5]]
        b = [say(c, [0.25, 0.2, 0.1, 0.3]) for c in cases[:5]]
        assert {c.word for c in compare_scores(a, b).values()} == {"too few vehicles"}

    def test_other_cases(self, cases):
        judged = [judge_case(c, None) for c in cases]
        with pytest.raises(ParameterError, match="the same cases only"):
            compare_scores(judged, judged[1:])

    def test_only_better(self):
        one = ScoreComparison(0.9, 0.5, 0.4, 0.2, 0.6, "better")
        assert summarize_comparison({"top1_cylinder": one}, new="a", old="b") == (
            "a is better than b in: top1_cylinder; worse in none"
        )


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    """Write three labelled recordings: without fuel, healthy, and one that cannot be read."""
    place = tmp_path_factory.mktemp("cases")
    fault = FaultModel(type="mixture", kind="no_fuel", cylinder=3, rate=0.2, pattern="random")
    for name, faults in (("a", (fault,)), ("b", ())):
        scenario = Scenario(seed=4, duration_s=6.0, fault=faults, vehicle=f"van-{name}")
        write_recording(simulate(scenario), place / name)
    write_recording(simulate(Scenario(seed=1, duration_s=2.0)), place / "c")
    (place / "c" / "capture.wav").write_bytes(b"no wav")
    return place


def hold_against_diagnose(source, truth, model):
    """To the digit: the same function judges both."""
    judged = judge_case(measure_case(source, truth, group="x"), model)
    with contextlib.closing(open_recording(source)) as recording:
        diagnosis = diagnose_recording(recording, model=model)
    assert judged.verdict == diagnosis.verdict
    for result in diagnosis.cylinders:
        row = result.cylinder - 1
        assert judged.faulty[row] == result.probability
        assert dict(zip(FAULT_TYPES, judged.faults[row], strict=True)) == dict(result.faults)
    events = diagnosis.events["misfire_probability"].to_numpy(float)
    assert np.array_equal(judged.event, events, equal_nan=True)
    return diagnosis


class TestRuns:
    @pytest.mark.parametrize("judge", ["physics scores", "learned"])
    def test_judged_as_diagnose_does(self, folders, judge, tmp_path):
        """The evaluation must judge what a user gets, not something like it."""
        model = None
        if judge == "learned":
            write_model(fit_model(make_cases(30)), tmp_path / "model", card="")
            model = load_bundle(tmp_path / "model")
        [case, *_] = find_cases([folders])
        hold_against_diagnose(case.source, case.truth, model)

    @pytest.mark.parametrize("name", ["one coil for all", "another engine's card"])
    def test_judged_with_every_step_of_diagnose(self, name, tmp_path):
        """Steps after the firings: a distributor's coil, signals that contradict the card."""
        four = EngineModel(ignition="distributor")
        coil = FaultModel(type="weak_coil", kind="feed", cylinder=2, rate=0.4, severity=1.0)
        scenario = Scenario(seed=4, duration_s=6.0, engine=four, fault=(coil,))
        if name != "one coil for all":
            fault = FaultModel(type="mixture", kind="no_fuel", cylinder=3, rate=0.2)
            scenario = Scenario(seed=4, duration_s=6.0, fault=(fault,))
        made = simulate(scenario)
        job = write_recording(made, tmp_path)
        text = job.read_text()
        if name == "another engine's card":
            text = text.replace("[1, 3, 4, 2]", "[1, 2, 4, 3]")
        job.write_text(text)
        hold_against_diagnose(job, made.truth, None)

    def test_evaluate(self, folders, tmp_path):
        result = evaluate_folders("physics", [folders])
        summary = result.summary
        assert summary["vehicles"] == 2
        assert summary["figures"]["top1_cylinder"]["value"] == 1.0
        assert summary["figures"]["healthy_accused"]["value"] == 0.0
        assert len(summary["not_usable"]) == 1
        rows = list(result.format_rows())
        assert [row[0] for row in rows] == list(BETTER)
        assert {len(row) for row in rows} == {7}
        written = write_evaluation(result, tmp_path / "out")
        assert [p.name for p in written] == [
            "metrics.json",
            "cases.csv",
            "confusion.csv",
            "reliability.svg",
            "reliability_kinds.svg",
            "reliability_firings.svg",
            "parts.csv",
        ]
        assert sorted(p.name for p in (tmp_path / "out").iterdir()) == sorted(
            p.name for p in written
        )
        assert json.loads(written[0].read_text()) == json.loads(json.dumps(summary))
        cases = list(csv.DictReader(written[1].read_text().splitlines()))
        assert [(c["vehicle"], c["faulty"]) for c in cases] == [("van-a", "3"), ("van-b", "")]
        table = list(csv.reader(written[2].read_text().splitlines()))
        assert table[0] == ["table", "true", *FAULT_TYPES]
        assert len(table) == 1 + 2 * len(FAULT_TYPES)
        for place, name in ((3, "reliability"), (4, "share"), (5, "firing")):
            picture = ET.parse(written[place]).getroot()
            circles = picture.findall("{http://www.w3.org/2000/svg}circle")
            rows = summary[name if name == "reliability" else f"{name}_reliability"]
            assert len(circles) == len(rows) > 0
        parts = list(csv.DictReader(written[6].read_text().splitlines()))
        assert {(p["by"], p["part"]) for p in parts} == {("channels", "other"), ("engine", "other")}

    def test_json_has_no_nan(self):
        judged = [say(make_case(1, faulty=SICK, events=False), [0, 1, 0, 0])]
        text = json.dumps(lay_out_scores(compute_scores(judged)), allow_nan=False)
        assert json.loads(text)["figures"]["event_recall"] == {
            "value": None,
            "low": None,
            "high": None,
            "vehicles": 0,
        }

    def test_no_usable_case(self, folders):
        with pytest.raises(FormatError, match="none of the cases can be used; the first: "):
            evaluate_folders("physics", [folders / "c"])

    def test_no_such_model(self, folders):
        with pytest.raises(ModelError, match="no such folder"):
            evaluate_folders(folders / "none", [folders])
        with pytest.raises(ModelError, match="no readable model manifest"):
            evaluate_folders(folders, [folders])

    def test_words_for_models(self):
        assert choose_model("physics", None) is None
        with pytest.raises(ModelError, match="no model came with this installation"):
            choose_model("shipped", None)

    def test_cannot_be_written(self, folders, tmp_path):
        (tmp_path / "file").write_text("x")
        with pytest.raises(OutputError, match="cannot be written"):
            write_evaluation(evaluate_folders("physics", [folders / "a"]), tmp_path / "file")
