"""The commands `compare` and `show` from outside: what they write, say and refuse."""

import json
import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from pathlib import Path

import pytest

from misfire.report.diagnosis.files import write_reports
from tests.builders.diagnoses import make_diagnosis, make_quiet_diagnosis

DEMO = Path(__file__).resolve().parents[2] / "data_demo" / "job.toml"


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    """Write the results of a recording with a fault, of a sound one, and of another engine."""
    folder = tmp_path_factory.mktemp("results")
    heard = {str(c): ("burn", "current", "torque") for c in (1, 2, 3, 4)}
    write_reports(replace(make_diagnosis(), witnesses=heard), folder / "before")
    write_reports(replace(make_quiet_diagnosis(), witnesses=heard), folder / "after")
    return folder


class TestCompare:
    def test_it_says_the_word_and_writes_page_and_document(self, run, results, tmp_path):
        out = tmp_path / "made" / "here"
        status, said, err = run("compare", results / "before", results / "after", "-o", out)
        assert (status, err) == (0, "")
        assert said.splitlines()[0] == "van-017: CURED"
        assert "lost 57 of 4179 before" in said
        assert said.splitlines()[-1] == f"wrote {out / 'compare.html'}"
        assert sorted(p.name for p in out.iterdir()) == ["compare.html", "compare.json"]
        document = json.loads((out / "compare.json").read_text(encoding="utf-8"))
        assert document["verdict"] == "cured"
        assert document["headline"] in (out / "compare.html").read_text(encoding="utf-8")

    def test_json_is_one_document_and_without_a_folder_nothing_is_written(
        self, run, results, tmp_path, monkeypatch
    ):
        monkeypatch.chdir(tmp_path)
        status, said, err = run(
            "compare", results / "before", results / "before", "--json", "--quiet"
        )
        assert (status, err) == (0, "")
        assert json.loads(said)["verdict"] == "unchanged"
        assert list(tmp_path.iterdir()) == []

    def test_the_caution_is_said(self, run, results):
        _, said, _ = run("compare", results / "before", results / "after")
        assert "maker's procedure" in said

    @pytest.mark.parametrize("names", [("before", "nothing"), ("nothing", "after")])
    def test_a_side_that_is_not_there(self, run, results, tmp_path, names):
        status, said, err = run("compare", *(results / n for n in names), "-o", tmp_path / "out")
        assert (status, said) == (1, "")
        assert err.startswith("misfire: ")
        assert err.count("\n") == 1
        assert "nothing" in err
        assert not (tmp_path / "out").exists()

    def test_one_side_is_wrong_usage(self, run, results):
        assert run("compare", results / "before")[0] == 2


@pytest.mark.skipif(not DEMO.is_file(), reason="data_demo holds no recording yet")
class TestShow:
    def test_a_picture_of_the_firing_nearest_to_an_instant(self, run, tmp_path):
        out = tmp_path / "firing.svg"
        status, said, err = run("show", DEMO, "--time", 24.09, "-o", out)
        assert (status, err) == (0, "")
        at = float(re.match(r"cylinder 3, (\d+\.\d+) s\n", said)[1])
        assert abs(at - 24.09) < 0.05
        root = ElementTree.parse(out).getroot()
        assert root.tag == "{http://www.w3.org/2000/svg}svg"
        words = " ".join(root.itertext())
        assert "no breakdown" in words
        assert "rev/min" in words

    def test_json_names_the_picture_and_the_measured_points(self, run, tmp_path):
        out = tmp_path / "firing.svg"
        status, said, err = run("show", DEMO, "-t", 24.09, "-o", out, "--json", "-q")
        assert (status, err) == (0, "")
        document = json.loads(said)
        assert document["cylinder"] == 3
        assert out.is_file()

    @pytest.mark.parametrize("asked", [(), ("--time", "1", "--firing", "3")])
    def test_neither_or_both_is_wrong_usage(self, run, tmp_path, asked):
        status, _, err = run("show", DEMO, *asked, "-o", tmp_path / "firing.svg")
        assert status == 2
        assert "either --time" in err
        assert list(tmp_path.iterdir()) == []

    @pytest.mark.parametrize(
        ("asked", "word"),
        [
            (("--time", "900", "-o", "firing.svg"), "outside the recording"),
            (("--time", "5", "-o", "firing.gif"), ".svg or .png"),
            (("--time", "5", "--cylinder", "9", "-o", "firing.svg"), "cylinders 1 to 4"),
        ],
    )
    def test_what_cannot_be_drawn_is_one_line(self, run, tmp_path, monkeypatch, asked, word):
        monkeypatch.chdir(tmp_path)
        status, said, err = run("show", DEMO, *asked)
        assert (status, said) == (1, "")
        assert err.startswith("misfire: ")
        assert err.count("\n") == 1
        assert word in err
        assert list(tmp_path.iterdir()) == []
