"""The command `hookup`: page and job card written, the filled-in card never overwritten."""

import json

import pytest
from typer.testing import CliRunner

from misfire.cli.app import app
from misfire.errors import MisfireError
from misfire.ingest.jobcard import read_job_card


@pytest.fixture
def run(tmp_path):
    def call(*words):
        return CliRunner().invoke(app, ["hookup", *map(str, words), "-o", str(tmp_path), "-q"])

    return call


def test_page_card_and_text(run, tmp_path):
    result = run("--cylinders", 3, "--firing-order", "1-2-3", "--inputs", 3)
    assert result.exit_code == 0
    assert "input 1" in result.stdout
    assert (tmp_path / "hookup.html").read_text(encoding="utf-8").endswith("</html>\n")
    assert read_job_card(tmp_path / "job.toml").engine.firing_order == (1, 2, 3)
    assert not list(tmp_path.glob(".*part"))


def test_a_filled_in_card_is_kept_and_can_be_planned_from(run, tmp_path):
    assert run("--cylinders", 2, "--inputs", 2).exit_code == 0
    card = tmp_path / "job.toml"
    card.write_text(card.read_text(encoding="utf-8") + "# filled in\n", encoding="utf-8")
    result = run(card, "--json", "--one-in", 50)
    assert result.exit_code == 0
    document = json.loads(result.stdout)
    assert document["schema"] == "misfire-hookup/1"
    assert document["engine"]["cylinders"] == 2
    assert document["lengths"][1]["firings"] == 149  # ln 0.05 / ln 0.98 = 148.3
    assert card.read_text(encoding="utf-8").endswith("# filled in\n")


@pytest.mark.parametrize(
    "words",
    [("--cylinders", 4, "--firing-order", "1;3"), ("--cylinders", 4, "--wheel", "sixty"),
     ("--cylinders", 40), ("--cylinders", 4, "--ignition", "glow")],
    ids=["order", "wheel", "cylinders", "ignition"],
)  # fmt: skip
def test_refusals(run, words):
    assert isinstance(run(*words).exception, MisfireError)


def test_neither_card_nor_cylinders_is_wrong_usage(run):
    assert run().exit_code == 2
