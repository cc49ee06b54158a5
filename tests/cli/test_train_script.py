"""The script that rebuilds the shipped model, on cases made in the test."""

import importlib.util
import sys
from pathlib import Path

import pytest

from misfire.classify.bundle import load_bundle
from misfire.learning.fitting import fit_model
from misfire.learning.judgedcase import judge_case
from misfire.learning.runs import Trained
from tests.builders.models import make_cases

SCRIPTS = Path(__file__).resolve().parents[2] / "scripts"


@pytest.fixture
def script():
    spec = importlib.util.spec_from_file_location("train_model", SCRIPTS / "train_model.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_it_writes_a_bundle_with_its_card(script, tmp_path, monkeypatch, capsys):
    asked = []

    def measure(tasks, **kinds):
        asked.append((list(tasks), kinds))
        return make_cases(30), ["simulated vehicle 5: no wheel"]

    def fit(cases, *, seed, progress):
        progress("fitting", 0.5)
        fitted = fit_model(cases, seed=seed)
        return Trained(fitted, [judge_case(c, fitted.model) for c in cases])

    monkeypatch.setattr(script, "measure_cases", measure)
    monkeypatch.setattr(script, "fit_and_hold_out", fit)
    out = tmp_path / "model"
    monkeypatch.setattr(
        sys, "argv", ["train_model", "--vehicles", "31", "--workers", "3", "-o", str(out)]
    )
    script.main()
    said = capsys.readouterr().out
    assert "not used: simulated vehicle 5" in said
    assert f"wrote {out}" in said
    model = load_bundle(out)
    assert model.manifest["vehicles"] == 30
    assert "30 recordings of 30 vehicles: 0 from the workshop" in (out / "card.md").read_text()
    [(seeds, kinds)] = asked
    assert len(seeds) == len(set(seeds)) == 31
    assert kinds["workers"] == 3
    assert script.hash_measuring() in str(kinds["cache"])


def test_the_shipped_model_and_train_draw_other_vehicles(script):
    from misfire.learning.runs import FIRST_SEED

    # `train` draws from FIRST_SEED on, and each seed of the script draws below that
    last = script.FIRST + 50 * script.SEEDS
    assert last < FIRST_SEED


def test_the_cache_is_of_the_code_that_measures(script, monkeypatch):
    before = script.hash_measuring()
    assert before == script.hash_measuring()
    monkeypatch.setattr(script, "ROOMS", script.ROOMS[1:])
    assert script.hash_measuring() != before
