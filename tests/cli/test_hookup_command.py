"""The command `hookup`: page and job card, written together or not at all."""

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


def test_page_and_card_are_of_one_plan(run, tmp_path):
    assert run("--cylinders", 2, "--inputs", 2).exit_code == 0
    card, page = tmp_path / "job.toml", tmp_path / "hookup.html"
    assert "is the same" in run("--cylinders", 2, "--inputs", 2).stdout
    card.write_text(card.read_text(encoding="utf-8") + "# filled in\n", encoding="utf-8")
    before = page.read_bytes()
    error = run(card, "--inputs", 4).exception  # another plan, over a card that was filled in
    assert isinstance(error, MisfireError)
    assert "--replace" in str(error)
    assert page.read_bytes() == before
    assert card.read_text(encoding="utf-8").endswith("# filled in\n")
    result = run(card, "--json", "--one-in", 50, "--replace")
    assert result.exit_code == 0
    document = json.loads(result.stdout)
    assert document["schema"] == "misfire-hookup/1"
    assert document["engine"]["cylinders"] == 2
    assert document["lengths"][1]["firings"] == 149  # ln 0.05 / ln 0.98 = 148.3
    assert "filled in" not in card.read_text(encoding="utf-8")
    assert page.read_bytes() != before


def test_the_scale_is_that_of_the_file(run, tmp_path):
    # a table of volts: 20:1 attenuation is 20 V a volt; counts: 500 V over 2^15
    for file, scale, column in (("run.csv", 20.0, 1), ("run.wav", 500.0 / 32768, 0)):
        assert run("--cylinders", 4, "--inputs", 1, "--file", file, "--replace").exit_code == 0
        (channel,) = read_job_card(tmp_path / "job.toml").channels
        assert (channel.role, channel.file, channel.column) == ("coil_primary", file, column)
        assert channel.scale == pytest.approx(scale, rel=1e-4)


@pytest.mark.parametrize("inputs", [1, 2, 4, 6])
def test_no_clamp_is_zeroed_where_there_is_none(run, tmp_path, inputs):
    assert run("--cylinders", 4, "--ignition", "wasted_spark", "--inputs", inputs).exit_code == 0
    page = (tmp_path / "hookup.html").read_text(encoding="utf-8")
    card = read_job_card(tmp_path / "job.toml")
    has_clamp = any(c.role == "coil_current" for c in card.channels)
    assert ("The clamp: closed" in page) == has_clamp


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
