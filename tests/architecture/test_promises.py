"""Promises about files of strangers: nothing is run, shown as markup, or taken for a formula."""

import ast
import contextlib
import csv
import html.parser
import json
import sqlite3
from pathlib import Path

import pytest

from misfire.fleet.catalogue import Catalogue
from misfire.fleet.folder import CATALOGUE
from misfire.publishing import FORMULA_STARTS
from misfire.simulate.recording import simulate
from misfire.simulate.scenario import FaultModel, InstrumentModel, Scenario
from misfire.simulate.writer import write_recording
from tests.faults.trials import run_plainly

PACKAGE = Path(__file__).resolve().parents[2] / "misfire"
SOURCES = sorted(PACKAGE.rglob("*.py"))
RUNS_CODE = {  # calls that load code or objects, or give a text to a shell or an interpreter
    "eval", "exec", "compile", "__import__", "read_pickle", "to_pickle", "os.system", "os.popen",
    "joblib.load", "joblib.dump", "pickle.load", "pickle.loads", "yaml.load", "runpy.run_path",
}  # fmt: skip
EVIL = "=1+1</script><img src=x onerror=alert(1)>\"'&"


def find_dangers(source):
    """List calls of a source that could run what a file holds."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.Call):
            continue
        name = ast.unparse(node.func)
        words = {k.arg: ast.unparse(k.value) for k in node.keywords}
        if name in RUNS_CODE or name.split(".")[-1] in {"read_pickle", "to_pickle"}:
            found.append(name)
        if words.get("allow_pickle") == "True" or words.get("shell") == "True":
            found.append(f"{name} {words}")
        if name in ("np.load", "numpy.load") and words.get("allow_pickle") != "False":
            found.append(f"{name} without allow_pickle=False")
        if name.endswith(("skops.io.load", "loads")) and "trusted" in words:
            found += [name] * (words["trusted"] != "TRUSTED_TYPES")
    return found


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_no_file_can_run_code(path):
    assert find_dangers(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "line",
    ["np.load(f)", "np.load(f, allow_pickle=True)", "eval(t)", "pd.read_pickle(f)",
     "joblib.load(f)", "run(c, shell=True)", "loads(d, trusted=found)"],
)  # fmt: skip
def test_a_danger_is_found(line):
    assert find_dangers(line)


def find_built_statements(source):
    """List SQL statements into which something other than names of columns is put."""
    fixed = {"', '.join(_COLUMNS)", "', '.join(known)", "marks", "', '.join(values)", "sets",
             "', '.join(('?' for _ in values))", "table", "lines", "name",
             "columns[name].split()[0]"}  # fmt: skip
    wrong = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call) and ast.unparse(node.func).split(".")[-1].startswith(
            "execute"
        ):
            first = node.args[0]
            if isinstance(first, ast.JoinedStr):
                put = [ast.unparse(v.value) for v in first.values if hasattr(v, "value")
                       and isinstance(v, ast.FormattedValue)]  # fmt: skip
                wrong += [p for p in put if p not in fixed]
            elif not isinstance(first, ast.Constant):
                wrong.append(ast.unparse(first))
    return wrong


def test_statements_hold_no_values():
    sources = [p for p in SOURCES if "sqlite3" in p.read_text(encoding="utf-8")]
    assert [p.name for p in sources] == ["catalogue.py"]
    assert find_built_statements(sources[0].read_text(encoding="utf-8")) == []
    assert find_built_statements("base.execute(f\"SELECT '{row['name']}'\")")
    assert find_built_statements("base.execute('SELECT ' + name)")


def test_values_stay_values(tmp_path):
    evil = "x'); DROP TABLE recordings; --\" ?"
    row = dict.fromkeys(
        ("name", "kind", "signature", "state", "message", "vehicle", "verdict"), evil
    )
    with contextlib.closing(Catalogue(tmp_path)) as catalogue:
        catalogue.write(row)
        catalogue.start_run(pipeline=evil, model=evil, workers=evil)
        kept = catalogue.read()[evil]
        assert all(kept[name] == evil for name in row)
        catalogue.remove([evil])
        assert catalogue.read() == {}
    with contextlib.closing(sqlite3.connect(tmp_path / CATALOGUE)) as base:
        assert base.execute("SELECT pipeline FROM runs").fetchall() == [(evil,)]


class Tags(html.parser.HTMLParser):
    """Counts what the evil text would have made."""

    def __init__(self):
        super().__init__()
        self.found, self.text = [], ""

    def handle_starttag(self, tag, attrs):
        names = [name for name, _ in attrs]
        if dict(attrs).get("src") == "x" or any(name.startswith("on") for name in names):
            self.found.append((tag, names))

    def handle_data(self, data):
        self.text += data


@pytest.fixture(scope="module")
def outputs(tmp_path_factory):
    """Run every command that writes on a recording whose card is full of evil texts."""
    folder = tmp_path_factory.mktemp("evil")
    for name, seed in (("a", 1), ("b", 2)):
        made = Scenario(
            seed=seed,
            duration_s=3.0,
            vehicle=EVIL,
            note=EVIL,
            instrument=(InstrumentModel(rate_hz=20e3),),
            fault=(FaultModel(type="mixture", cylinder=3),) if seed == 1 else (),
        )
        card = write_recording(simulate(made), folder / "in" / name)
        evil_file = "<img src=x onerror=alert(2)>.wav"
        (folder / "in" / name / "capture.wav").rename(folder / "in" / name / evil_file)
        lines = []
        for line in card.read_text("utf-8").splitlines():
            key = line.split(" = ")[0]
            new = {"name": json.dumps(f"{EVIL} {len(lines)}"), "file": json.dumps(evil_file)}
            lines.append(f"{key} = {new[key]}" if key in new else line)
        card.write_text("\n".join(lines), encoding="utf-8")
    for arguments in (
        ("diagnose", "in/a/job.toml", "-o", "out/r"),
        ("diagnose", "in/b/job.toml", "-o", "out/s"),
        ("compare", "out/r", "out/s", "-o", "out/c"),
        ("show", "in/a/job.toml", "--time", "1", "-o", "out/f.svg"),
        ("hookup", "in/a/job.toml", "-o", "out/h"),
        ("screen", "in", "-o", "out/fleet", "--quiet"),
        ("confirm", "in/a/job.toml", "--cylinder", "3", "--fault", "mixture", "-o", "cases"),
        ("evaluate", "physics", "cases", "-o", "out/e"),
    ):
        done = run_plainly(arguments, folder)
        assert done.returncode == 0, (arguments, done.stderr)
    return folder / "out"


PAGES = ("r/report.html", "c/compare.html", "h/hookup.html", "fleet/fleet.html", "f.svg")


@pytest.mark.parametrize("name", PAGES)
def test_pages_show_text_as_text(name, outputs):
    tags = Tags()
    tags.feed((outputs / name).read_text(encoding="utf-8"))
    assert tags.found == []
    if name.startswith(("r/", "c/")):
        assert "<img src=x onerror=alert(1)>" in tags.text  # it is there, as text


def test_the_parser_sees_what_is_not_escaped():
    tags = Tags()
    tags.feed(f"<p>{EVIL}</p>")
    assert tags.found == [("img", ["src", "onerror"])]


def test_tables_hold_no_formula(outputs):
    paths = sorted(outputs.rglob("*.csv"))
    assert {"misfires.csv", "fleet.csv", "cases.csv", "confusion.csv"} <= {p.name for p in paths}
    guarded = 0
    for path in paths:
        with path.open(encoding="utf-8", newline="") as file:
            cells = [cell for row in csv.reader(file) for cell in row]
        for cell in cells:
            guarded += cell.startswith("'=1+1")
            if cell.startswith(FORMULA_STARTS):
                float(cell)  # a negative number is no formula
    assert guarded >= 3
