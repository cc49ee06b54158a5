"""Training runs on cases made in the test: vehicles held out, weights, the bundle and its card."""

import dataclasses
import json

import numpy as np
import pytest
from scipy import optimize

from misfire.classify.bundle import load_bundle
from misfire.classify.model import judge_firings
from misfire.diagnosis import judging
from misfire.diagnosis.judging import name_model
from misfire.errors import OutputError, ParameterError
from misfire.learning import runs as learning
from misfire.learning.fitting import fit_model
from misfire.learning.judgedcase import judge_case
from misfire.learning.runs import (
    FIRST_SEED,
    MOST_WEIGHT,
    fit_and_hold_out,
    train,
    weigh_cases,
    write_model,
)
from misfire.learning.scores import compute_scores
from tests.builders.models import make_case, make_cases

N = 30


@pytest.fixture(scope="module")
def cases():
    return make_cases(N)


@pytest.fixture(scope="module")
def fitted(cases):
    return fit_model(cases)


@pytest.fixture
def pool(monkeypatch, cases, fitted):
    """Let `train` find its cases in memory, and a model that was fitted already."""
    calls = []
    real = make_cases(6, first=500, events=False)

    def measure(tasks, **kinds):
        calls.append((list(tasks), kinds))
        if kinds.get("stage") == "simulating vehicles":
            return cases[: len(calls[-1][0])], ["simulated vehicle 9: no wheel"]
        return real if tasks else [], []

    monkeypatch.setattr(learning, "measure_cases", measure)

    def fit(cases, *, seed, weights, progress):
        groups = {c.group for c in cases}
        calls.append((groups, {"seed": seed, "weights": weights}))
        if progress is not None:
            progress("fitting firings", 0.5)
            progress("fitting cylinders", 0.5)
        manifest = fitted.model.manifest | {"seed": seed, "vehicles": len(groups)}
        return dataclasses.replace(
            fitted, model=dataclasses.replace(fitted.model, manifest=manifest)
        )

    monkeypatch.setattr(learning, "fit_model", fit)
    monkeypatch.setattr(learning, "find_cases", lambda places: ["case"] * len(places))
    monkeypatch.setattr(learning, "load_shipped", lambda: None)
    return calls


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
        patch.setattr(learning, "fit_model", fit)
        patch.setattr(learning, "judge_case", judge)
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


class TestWeights:
    def test_together_half_of_the_simulated(self):
        real, simulated = make_cases(20, first=900), make_cases(30) * 4
        weights = weigh_cases(real, simulated)
        assert set(weights) == {c.group for c in real}
        assert sum(weights.values()) == pytest.approx(0.5 * len(simulated))

    def test_never_too_much_nor_less_than_others(self):
        cases = make_cases(30)
        assert set(weigh_cases(cases[:1], cases).values()) == {MOST_WEIGHT}
        assert set(weigh_cases(cases, cases[:3]).values()) == {1.0}
        assert weigh_cases([], cases) == {}


class TestWhatItWasMadeOf:
    def test_simulated_vehicles_and_confirmed_cases_are_counted_apart(self, fitted):
        assert fitted.model.manifest["simulated_vehicles"] == N
        assert fitted.model.manifest["confirmed_cases"] == 0
        real = make_cases(3, first=500)
        again = make_cases(1, first=500)  # another recording of one of them
        mixed = fit_model([*make_cases(N), *real, *again], weights=weigh_cases(real, []))
        assert mixed.model.manifest["vehicles"] == N + 3
        assert mixed.model.manifest["simulated_vehicles"] == N
        assert mixed.model.manifest["confirmed_cases"] == 4
        assert name_model(mixed.model).startswith(
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
    def test_the_whole_run(self, pool, tmp_path):
        stages = []
        result = train(
            [tmp_path],
            tmp_path / "model",
            n_simulated=N,
            workers=2,
            seed=3,
            progress=lambda *step: stages.append(step),
        )
        model = load_bundle(tmp_path / "model")
        assert model.manifest["seed"] == 3
        assert result["real_recordings"] == 6
        assert result["simulated_recordings"] == N
        assert result["vehicles"] == N + 6
        assert result["compared_on"] == "real vehicles"
        assert result["held_out_real"]["vehicles"] == 6
        assert result["held_out"]["vehicles"] == N + 6
        assert result["not_usable"] == ["simulated vehicle 9: no wheel"]
        assert {c["word"] for c in result["comparison"].values()} == {"too few vehicles"}
        assert result["worse"] is False
        json.dumps(result, allow_nan=False)
        fits = [(groups, kinds) for groups, kinds in pool[2:]]
        assert [len(groups) for groups, _ in fits][0] == N + 6
        assert all(kinds["weights"]["vehicle-500"] == 0.5 * N / 6 for _, kinds in fits)
        seeds = pool[1][0]
        assert seeds == list(range(4 * FIRST_SEED, 4 * FIRST_SEED + N))
        assert pool[1][1]["workers"] == 2
        shares = [share for stage, share in stages if stage == "scoring on unseen vehicles"]
        assert shares == sorted(shares)
        assert all(0 <= share <= 1 for _, share in stages)

        card = (tmp_path / "model" / "card.md").read_text()
        assert f"{N + 6} recordings of {N + 6} vehicles: 6 from the workshop" in card
        assert "1 more could not be measured" in card
        assert "The workshop's vehicles alone:" in card
        value = result["held_out"]["figures"]["brier"]["value"]
        assert f"| Brier score of the cylinders | {value:.4f} |" in card
        assert "## Limits" in card
        assert "real vehicles can. Of those the workshop gave 6." in " ".join(card.split())

    def test_a_worse_model_says_so(self, pool, tmp_path, monkeypatch):
        """Against a judge that knows the truth every model is worse."""

        def tell(case, model):
            judged = judge(case, model)
            if model is not None:
                return judged
            faulty = np.array([float(c + 1 in case.faulty) for c in range(case.n_cylinders)])
            return dataclasses.replace(judged, faulty=faulty)

        judge = learning.judge_case
        monkeypatch.setattr(learning, "judge_case", tell)
        result = train([], tmp_path / "model", n_simulated=N)
        assert result["worse"] is True
        assert result["verdict"].startswith("the new model is WORSE than the physics scores")
        assert "brier" in result["verdict"]
        assert "is WORSE than" in (tmp_path / "model" / "card.md").read_text()
        assert result["compared_on"] == "simulated vehicles"
        assert result["held_out_real"] is None

    def test_the_place_is_checked_before_the_work(self, pool, tmp_path):
        (tmp_path / "photos").mkdir()
        with pytest.raises(OutputError, match="no model bundle"):
            train([], tmp_path / "photos", n_simulated=N)
        assert pool == []

    @pytest.mark.parametrize("kinds", [{"n_simulated": -1}, {"seed": -1}])
    def test_negative_numbers(self, pool, tmp_path, kinds):
        with pytest.raises(ParameterError, match="must not be negative"):
            train([], tmp_path / "model", **kinds)
