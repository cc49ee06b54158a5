"""Training runs on cases made in the test: vehicles held out, weights, the bundle and its card."""

import contextlib
import dataclasses
import json
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from scipy import optimize

from misfire.classify.bundle import load_bundle
from misfire.classify.model import judge_firings
from misfire.diagnosis import judging
from misfire.diagnosis.judging import name_model
from misfire.errors import FormatError, ModelError, OutputError, ParameterError
from misfire.learning import fitting
from misfire.learning import runs as learning
from misfire.learning.adapting import adapt, teach
from misfire.learning.fitting import fit_model
from misfire.learning.judgedcase import judge_case
from misfire.learning.runs import find_curve, fit_and_hold_out, train, write_model
from misfire.learning.scores import compute_scores
from tests.builders.models import make_case, make_cases

N = 30


@pytest.fixture(scope="module")
def cases():
    return make_cases(N)


@pytest.fixture(scope="module")
def fitted(cases):
    return fit_model(cases)


@pytest.fixture(scope="module")
def shipped(fitted, tmp_path_factory):
    """Write the fitted model as the one that came with the program."""
    folder = tmp_path_factory.mktemp("shipped") / "model"
    write_model(fitted, folder, card="")
    return folder


@pytest.fixture
def workshop(monkeypatch, shipped):
    """Let `train` find confirmed cases in memory, and a shipped model."""
    confirmed = make_cases(24, first=500, events=False, n_cycles=20)

    @contextlib.contextmanager
    def find(places):
        yield [*places]

    def measure(tasks, *, workers, progress):
        return (confirmed, ["case 9: no wheel"]) if tasks else ([], ["case 9: no wheel"])

    monkeypatch.setattr(learning, "open_cases", find)
    monkeypatch.setattr(learning, "measure_cases", measure)
    monkeypatch.setattr(learning, "load_shipped", lambda: load_bundle(shipped))
    monkeypatch.setattr(learning, "find_shipped", lambda: shipped)
    return confirmed


class TestFitting:
    def test_a_fitted_model_comes_back_from_its_bundle(self, fitted, cases, tmp_path):
        write_model(fitted, tmp_path / "model", card="# Card\n")
        model = load_bundle(tmp_path / "model")
        for case in cases[:3]:
            mine, theirs = judge_firings(model, case.table), judge_firings(fitted.model, case.table)
            assert mine == pytest.approx(theirs, abs=1e-12, nan_ok=True)

    def test_the_same_seed_gives_the_same_bytes(self, fitted, cases, tmp_path):
        write_model(fitted, tmp_path / "a", card="")
        write_model(fit_model(cases), tmp_path / "b", card="")
        for name in ("manifest.json", "trees.npz", "golden.npz"):
            if name == "manifest.json":
                a, b = (json.loads((tmp_path / k / name).read_text()) for k in "ab")
                a["sha256"].pop("model.skops"), b["sha256"].pop("model.skops")
                assert a == b
            else:
                assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()

    def test_cases_without_events_teach_no_firing(self, fitted, cases):
        more = fit_model([*cases, *make_cases(9, first=700, events=False)])
        # lost firings that were learned from: those of the cases with events alone
        assert more.firing_counts["lost"] == fitted.firing_counts["lost"]
        assert len(more.cylinder_rows) == len(fitted.cylinder_rows) + 9 * 4

    def test_both_addends_speak_for_a_fault(self, fitted):
        # the pattern and the firings explained one by one: more of either, more odds of a fault
        prior, pattern, firings = fitted.model.weights
        assert prior < 0  # most cylinders are sound
        assert pattern > 0
        assert firings > 0

    def test_the_weights_are_those_of_a_regression(self, fitted):
        """Held against scipy's minimum of the penalised likelihood, written down anew."""
        rows = fitted.cylinder_rows
        x = np.column_stack((np.ones(len(rows)), rows["pattern"], rows["firings"])).astype(float)
        sign = np.where(rows["faulty"], 1.0, -1.0)

        def loss(w):
            return np.logaddexp(0.0, -sign * (x @ w)).sum() + 0.5 * (w[1:] ** 2).sum()

        best = optimize.minimize(loss, np.zeros(3), tol=1e-10).x
        assert fitted.model.weights == pytest.approx(best, abs=2e-3)

    def test_the_addends_are_those_of_judge(self, fitted, cases):
        """What the weights were fitted on is what `judge` makes of the same pattern."""
        rows = fitted.cylinder_rows
        for number in (1, 2):
            own, case = rows[rows["case"] == number], cases[number]
            odds = own["pattern"].to_numpy(float)
            with pytest.MonkeyPatch.context() as patch:
                patch.setattr(judging, "judge_cylinders", lambda model, table, odds=odds: odds)
                judged = judging.judge(
                    fitted.model,
                    case.table,
                    case.cylinder,
                    n_cylinders=case.n_cylinders,
                    disturbed=case.disturbed,
                )
            weighed = own[["pattern", "firings"]].to_numpy(float) * fitted.model.weights[1:]
            assert judged.addends[:, 1:3] == pytest.approx(weighed, abs=1e-12)

    def test_it_learns(self, fitted):
        judged = [judge_case(c, fitted.model) for c in make_cases(18, first=800)]
        figures = compute_scores(judged).figures
        # deficits of 9 spreads are lost firings: nothing but a fault in the fitting misses them
        assert figures["event_recall"].value > 0.8
        assert figures["top1_cylinder"].value > 0.9
        assert figures["brier"].value < figures["brier_uncertainty"].value / 2

    @pytest.mark.parametrize(
        ("cases", "message"),
        [
            (lambda: make_cases(19), "at least 20 vehicles, got 19"),
            (lambda: [make_case(i) for i in range(20)], "faulty and sound vehicles"),
            (lambda: make_cases(24, events=False), "single lost firings are known"),
        ],
    )
    def test_too_little_to_learn_from(self, cases, message):
        with pytest.raises(ParameterError, match=message):
            fit_model(cases())


class TestHoldingOut:
    @pytest.fixture(scope="class", name="watched")
    @staticmethod
    def _watched():
        """Watch which vehicles each fit saw, and which it then judged."""
        seen, judged = [], []
        cases = [
            dataclasses.replace(c, group=f"vehicle-{i // 2}") for i, c in enumerate(make_cases(50))
        ]

        @dataclasses.dataclass
        class Fake:
            model: object

        def fit(cases, **_):
            seen.append({c.group for c in cases})
            return Fake(model=len(seen) - 1)

        def judge(case, model):
            judged.append((case.group, model))
            return case

        patch = pytest.MonkeyPatch()
        patch.setattr(fitting, "fit_model", fit)
        patch.setattr(fitting, "judge_case", judge)
        trained = fit_and_hold_out(cases)
        patch.undo()
        return cases, seen, judged, trained

    def test_no_vehicle_is_judged_by_a_model_that_saw_it(self, watched):
        cases, seen, judged, _ = watched
        assert seen[0] == {c.group for c in cases}  # the model that is kept
        assert judged
        for group, model in judged:
            assert model > 0
            assert group not in seen[model]

    def test_each_vehicle_is_held_out_once_and_the_order_kept(self, watched):
        cases, _, judged, trained = watched
        assert sorted(group for group, _ in judged) == sorted(c.group for c in cases)
        assert all(a is b for a, b in zip(trained.held_out, cases, strict=True))
        assert len({model for _, model in judged}) == 5

    def test_several_processes_fit_and_judge_as_one_does(self):
        cases = make_cases(40)
        tasks = [(cases[:30], cases[30:]), (cases[10:], cases[:10])]
        one = list(fitting.fit_and_judge(tasks))
        two = list(fitting.fit_and_judge(tasks, workers=2))
        for (fitted, judged), (again, likewise) in zip(one, two, strict=True):
            assert fitted.cylinder_rows.equals(again.cylinder_rows)
            for a, b in zip(judged, likewise, strict=True):
                assert a.case.group == b.case.group
                assert np.array_equal(a.faulty, b.faulty)
                assert np.array_equal(a.event, b.event)


class TestWhatItWasMadeOf:
    def test_simulated_vehicles_and_confirmed_cases_are_counted_apart(self, fitted):
        assert fitted.model.manifest["simulated_vehicles"] == N
        assert fitted.model.manifest["confirmed_cases"] == 0
        real = make_cases(3, first=500)
        again = make_cases(1, first=500)  # another recording of one of them
        corrected = adapt(fitted.model, teach(fitted.model, [*real, *again]))
        assert corrected.manifest["vehicles"] == N + 3
        assert corrected.manifest["simulated_vehicles"] == N
        assert corrected.manifest["confirmed_cases"] == 4
        assert name_model(corrected).startswith(
            f"learned, trained on {N} simulated vehicles and 4 confirmed cases, "
        )

    @pytest.mark.parametrize(
        ("manifest", "words"),
        [
            ({"vehicles": 7}, "trained on 7 vehicles, ab"),  # as bundles said before
            (
                {"simulated_vehicles": 7, "confirmed_cases": 0},
                "trained on 7 simulated vehicles, ab",
            ),
            ({"simulated_vehicles": 0, "confirmed_cases": 1}, "trained on 1 confirmed case, ab"),
        ],
    )
    def test_the_words_of_a_report(self, fitted, manifest, words):
        known = {**manifest, "training_sha256": "ab"}
        model = dataclasses.replace(fitted.model, manifest=known)
        assert name_model(model) == f"learned, {words}"


class TestTrain:
    def test_the_whole_run(self, workshop, shipped, tmp_path):
        stages = []
        result = train(
            [tmp_path],
            tmp_path / "model",
            with_curve=True,
            progress=lambda *step: stages.append(step),
        )
        model, before = load_bundle(tmp_path / "model"), load_bundle(shipped)
        assert model.learned == adapt(before, teach(before, workshop)).learned
        assert model.learned.n_cases == result["recordings"] == len(workshop)
        assert model.event.roots.tolist() == before.event.roots.tolist()
        assert result["vehicles"] == 24
        assert result["not_usable"] == ["case 9: no wheel"]
        assert result["held_out"]["vehicles"] == 24
        json.dumps(result, allow_nan=False)
        shares = [share for stage, share in stages if stage == "scoring on unseen vehicles"]
        assert shares == sorted(shares)
        assert all(0 <= share <= 1 for _, share in stages)
        card = (tmp_path / "model" / "card.md").read_text()
        assert "24 recordings of 24 vehicles: 24 from the workshop" in card
        assert f"a training on {N} simulated vehicles" in card
        assert "1 more could not be measured" in card
        assert "## What 24 confirmed cases corrected" in card
        value = result["held_out"]["figures"]["brier"]["value"]
        assert f"| Brier score of the cylinders | {value:.4f} |" in card
        assert "- Channels: not told (24)." in card
        assert "real vehicles can. Of those the workshop gave 24." in " ".join(card.split())
        assert {p["cases"] for p in result["curve"]["points"]} == {0, 5, 10}
        picture = ET.parse(tmp_path / "model" / "curve.svg").getroot()
        circles = picture.findall("{http://www.w3.org/2000/svg}circle")
        assert len(circles) == len(result["curve"]["points"])

    def test_twice_gives_the_same_bytes(self, workshop, tmp_path):
        for name in "ab":
            train([tmp_path], tmp_path / name)
        names = sorted(p.name for p in (tmp_path / "a").iterdir())
        assert names == sorted(p.name for p in (tmp_path / "b").iterdir())
        for name in names:
            assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()

    def test_cases_taught_before_are_not_counted_twice(self, workshop, shipped):
        before = load_bundle(shipped)
        once = adapt(before, teach(before, workshop))
        corrected = dataclasses.replace(before, learned=once.learned)
        again = adapt(corrected, teach(corrected, workshop))
        assert again.learned == once.learned

    def test_a_worse_model_says_so(self, workshop, tmp_path, monkeypatch):
        """Against a judge that knows the truth every model is worse."""

        def tell(case, model):
            judged = judge(case, model)
            if model.learned.n_cases:
                return judged
            faulty = np.array([float(c + 1 in case.faulty) for c in range(case.n_cylinders)])
            return dataclasses.replace(judged, faulty=faulty)

        judge = learning.judge_case
        monkeypatch.setattr(learning, "judge_case", tell)
        result = train([tmp_path], tmp_path / "model")
        assert result["worse"] is True
        assert result["verdict"].startswith("the new model is WORSE than the shipped model")
        assert "brier" in result["verdict"]
        assert "is WORSE than" in (tmp_path / "model" / "card.md").read_text()

    def test_the_place_is_checked_before_the_work(self, workshop, tmp_path, monkeypatch):
        monkeypatch.setattr(learning, "measure_cases", pytest.fail)
        (tmp_path / "photos").mkdir()
        with pytest.raises(OutputError, match="no model bundle"):
            train([tmp_path], tmp_path / "photos")

    def test_a_negative_seed(self, workshop, tmp_path):
        with pytest.raises(ParameterError, match="must not be negative"):
            train([tmp_path], tmp_path / "model", seed=-1)

    def test_nothing_to_correct_or_to_learn_from(self, workshop, tmp_path, monkeypatch):
        with pytest.raises(FormatError, match="none of the cases can be used; the first: case 9"):
            train([], tmp_path / "model")
        monkeypatch.setattr(learning, "load_shipped", lambda: None)
        with pytest.raises(ModelError, match="no model came with this installation"):
            train([tmp_path], tmp_path / "model")

    def test_too_few_vehicles_for_a_curve(self, fitted):
        with pytest.raises(ParameterError, match="needs at least 9 vehicles, got 8"):
            find_curve(fitted.model, teach(fitted.model, make_cases(8)))
