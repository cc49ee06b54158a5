"""The script that rebuilds the shipped model, on cases made in the test."""

import sys

from misfire.classify.bundle import load_bundle
from misfire.learning.fitting import fit_model
from misfire.learning.judgedcase import judge_case
from misfire.learning.runs import Trained
from scripts import train_model as script
from tests.builders.models import make_cases


def test_it_writes_a_bundle_with_its_card(tmp_path, monkeypatch, capsys):
    asked = []

    def measure(tasks, **kinds):
        asked.append((list(tasks), kinds))
        return make_cases(30), ["simulated vehicle 5: no wheel"]

    def fit(cases, *, seed, workers, progress):
        assert workers == 3
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
