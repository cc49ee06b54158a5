"""The rules of the house that a machine can check: imports, names, and what is loaded when."""

import ast
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "misfire"

# The house, storey by storey: a room imports only from rooms on storeys below its own, and the
# stages, which share one, never from each other.
STAGES = ("ingest", "align", "events", "cycles", "features", "classify", "report", "simulate")
STOREYS = (
    ("errors",),
    ("childprocess", "limits", "numerals", "publishing", "resources"),
    ("columns", "records"),
    ("dsp",),
    STAGES,
    ("measuring",),
    ("fitness",),
    ("diagnosis",),
    ("comparison", "fleet", "hookup", "learning"),
    ("api",),
    ("cli",),
)
RANK = {room: storey for storey, rooms in enumerate(STOREYS) for room in rooms}
MOST_FILES = 17  # Python files in one folder: a newcomer's eye takes no more in
DOORS = ("__init__.py", "__main__.py")  # of the package itself: they stand outside the ranks

FORBIDDEN_NAMES = {"utils", "util", "helpers", "helper", "common", "core", "base", "manager"}
FORBIDDEN_MODULES = {"pickle", "cPickle", "dill", "cloudpickle", "shelve", "marshal"}
HEAVY = ("numpy", "scipy", "pandas", "sklearn", "h5py", "pyarrow", "jinja2", "skops", "rich")

SOURCES = sorted(PACKAGE.rglob("*.py"))


def name_part(path: Path) -> str:
    """Name the part of the package to which a file belongs."""
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def find_imports(tree: ast.AST) -> list[tuple[int, str, int]]:
    """List all imports, also those inside functions: line, dotted name, level of dots."""
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found += [(node.lineno, alias.name, 0) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            module = node.module or ""
            if module == "misfire":  # `from misfire import dsp` is an import of misfire.dsp
                found += [(node.lineno, f"misfire.{a.name}", node.level) for a in node.names]
            else:
                found.append((node.lineno, module, node.level))
    return found


def find_wrong_imports(path: Path, source: str) -> list[str]:
    """List the imports of one file that break the rule."""
    part, wrong = name_part(path), []
    for line, name, level in find_imports(ast.parse(source)):
        where = f"{path.relative_to(ROOT)}:{line}: {name}"
        if level:
            wrong.append(f"{where} is relative")
        elif name == "misfire":
            wrong.append(f"{where}: import from the part itself")
        elif name.startswith("misfire.") and name != "misfire.__version__":
            other = name.split(".")[1]
            if other not in RANK:
                wrong.append(f"{where}: {other} has no rank")
            elif other != part and RANK[other] >= RANK[part]:
                wrong.append(f"{where}: {part} must not import {other}")
    return wrong


def test_every_part_has_a_rank():
    parts = {
        name_part(path) for path in SOURCES if path.name not in DOORS or path.parent != PACKAGE
    }
    assert parts <= set(RANK)
    assert set(STAGES) <= parts


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_point_one_way(path):
    if path.parent == PACKAGE and path.name in DOORS:
        pytest.skip("the public door of the package")
    assert find_wrong_imports(path, path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    ("file", "source"),
    [
        ("dsp/a.py", "from misfire.events.crank import x"),
        ("events/a.py", "def f():\n    from misfire.features import x"),
        ("events/a.py", "import misfire.diagnosis.chain"),
        ("fleet/a.py", "from misfire import cli"),
        ("fleet/a.py", "from misfire.learning import x"),
        ("measuring/a.py", "from misfire.diagnosis import x"),
        ("records.py", "from misfire.dsp import x"),
        ("events/a.py", "from . import x"),
        ("cli/a.py", "from misfire import diagnose"),
    ],
)
def test_the_import_rule_can_fail(file, source):
    assert len(find_wrong_imports(PACKAGE / file, source)) == 1


def test_the_import_rule_allows_what_it_should():
    source = (
        "import numpy\nfrom misfire.errors import MisfireError\nfrom misfire.dsp import blocks\n"
    )
    assert find_wrong_imports(PACKAGE / "events" / "a.py", source) == []


def test_no_folder_is_a_hall():
    folders = {p.parent for p in SOURCES}
    counts = {str(f.relative_to(PACKAGE)): len(list(f.glob("*.py"))) for f in folders}
    assert {name: n for name, n in counts.items() if n > MOST_FILES} == {}


def find_circles(imports: dict[str, set[str]]) -> list[str]:
    """List the modules that import themselves by way of others."""
    circles = []
    for start in imports:
        seen, todo = set(), list(imports[start])
        while todo:
            name = todo.pop()
            if name not in seen:
                seen.add(name)
                todo += imports.get(name, ())
        circles += [start] * (start in seen)
    return circles


def find_imports_of_all() -> dict[str, set[str]]:
    """List for each module of the package the others that it imports, also inside functions."""
    names = {
        ".".join(p.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"): p
        for p in SOURCES
        if p.parent != PACKAGE or p.name not in DOORS
    }
    imports = {}
    for name, path in names.items():
        found = set()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module:
                found |= {node.module, *(f"{node.module}.{a.name}" for a in node.names)}
            elif isinstance(node, ast.Import):
                found |= {a.name for a in node.names}
        found = {n for n in found if not name.startswith(f"{n}.")}  # a room's own door
        imports[name] = (found & set(names)) - {name}
    return imports


def test_no_module_imports_itself_by_way_of_others():
    assert find_circles(find_imports_of_all()) == []
    assert sorted(find_circles({"a": {"b"}, "b": {"a"}, "c": {"a"}})) == ["a", "b"]


def test_a_class_name_has_one_meaning():
    names = [
        node.name
        for path in SOURCES
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ClassDef)
    ]
    assert {name for name in names if names.count(name) > 1} == set()


LONGEST, MOST_ARGUMENTS = 100, 9  # a function: lines with its docstring, arguments
# A command's options are its arguments: each is shown by --help.
COMMANDS = {
    *("cli.confirm.confirm", "cli.hookup.hookup", "cli.screen.screen"),
    *("api.confirm", "learning.confirming.confirm"),  # the same options from Python
}


def test_functions_are_one_step_each():
    large = set()
    for path in SOURCES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef):
                given = node.args
                n = len(given.posonlyargs) + len(given.args) + len(given.kwonlyargs)
                if node.end_lineno - node.lineno + 1 > LONGEST or n > MOST_ARGUMENTS:
                    module = ".".join(path.relative_to(PACKAGE).with_suffix("").parts)
                    large.add(f"{module}.{node.name}")
    assert large - COMMANDS == set()


def test_no_file_is_a_drawer():
    names = {p.stem for p in SOURCES} | {p.parent.name for p in SOURCES}
    assert names & FORBIDDEN_NAMES == set()


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_nothing_loads_or_runs_foreign_code(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    modules = {name.split(".")[0] for _, name, _ in find_imports(tree)}
    assert modules & FORBIDDEN_MODULES == set()
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        function = node.func
        if isinstance(function, ast.Name):
            assert function.id not in {"eval", "exec", "__import__"}, f"line {node.lineno}"
        if isinstance(function, ast.Attribute) and isinstance(function.value, ast.Name):
            called = f"{function.value.id}.{function.attr}"
            assert called not in {"joblib.load", "pd.read_pickle", "pandas.read_pickle"}
        for keyword in node.keywords:
            if keyword.arg == "allow_pickle":
                assert isinstance(keyword.value, ast.Constant)
                assert keyword.value.value is False, f"line {node.lineno}"


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_user_data_meet_no_assert_and_no_blanket_except(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        assert not isinstance(node, ast.Assert), f"assert at line {node.lineno}"
        if isinstance(node, ast.ExceptHandler):
            caught = ast.unparse(node.type) if node.type else "everything"
            assert caught not in {"everything", "Exception", "BaseException"}, node.lineno


def list_loaded(code: str) -> set[str]:
    """Run code in a fresh process and list the top-level modules it loaded."""
    script = f"import sys\n{code}\nprint('\\n'.join({{m.split('.')[0] for m in sys.modules}}))"
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True
    )
    return set(done.stdout.split())


def test_importing_the_package_is_light():
    loaded = list_loaded("import misfire; misfire.MisfireError")
    assert "misfire" in loaded
    assert loaded & set(HEAVY) == set()


@pytest.mark.parametrize("arguments", [["--help"], ["diagnose", "--help"], ["--version"]])
def test_help_is_light(arguments):
    code = (
        "from misfire.cli.app import main\n"
        f"try:\n    main({arguments!r})\nexcept SystemExit as stop:\n    assert not stop.code"
    )
    loaded = list_loaded(code)
    assert "typer" in loaded
    assert loaded & set(HEAVY) == set()


@pytest.mark.parametrize("name", ["simulate", "hookup", "check"])
def test_a_command_is_a_function_before_and_after_its_package_is_loaded(name):
    code = (
        f"import misfire\nassert callable(misfire.{name})\nimport misfire.simulate.dice\n"
        f"import misfire.hookup.plan\nassert callable(misfire.{name})\n"
        "from misfire.simulate import Scenario\nimport misfire.simulate as package\n"
        "assert package.Scenario is Scenario"
    )
    assert "misfire" in list_loaded(code)


def test_names_of_commands_load_nothing_heavy():
    loaded = list_loaded("import misfire; misfire.diagnose; misfire.hookup; misfire.simulate")
    assert loaded & set(HEAVY) == set()


def test_help_is_quick():
    """Ask for 0.3 s of the processor beyond the bare interpreter: the machine may be busy."""

    def measure(*arguments: str) -> float:
        costs = []
        for _ in range(5):
            before = os.times()
            subprocess.run([sys.executable, *arguments], cwd=ROOT, capture_output=True, check=True)
            after = os.times()
            costs.append(
                after.children_user
                + after.children_system
                - before.children_user
                - before.children_system
            )
        return min(costs)

    if sys.platform == "win32":
        pytest.skip("the processor time of other processes is not told there")
    assert measure("-m", "misfire", "--help") - measure("-c", "pass") < 0.3


def list_tracked_texts() -> list[Path]:
    """List the text files under version control."""
    git = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=False)
    if git.returncode:
        pytest.skip("not a git checkout")
    paths = [ROOT / name for name in git.stdout.decode().split("\0") if name]
    return [p for p in paths if p.is_file() and b"\0" not in p.read_bytes()[:4096]]


# Written in pieces, so that this file does not find itself.
MACHINE_PATHS = re.compile(r"(?<![\w.])/(?:" + "|".join(["work", "home", "root", "opt"]) + r")/\w")
REGISTRIES = re.compile(
    r"\b(?:" + "|".join([r"pypi\." + "org", "python" + "hosted", "conda" + r"\.anaconda"]) + ")",
    re.IGNORECASE,
)
UNRELATED_PACKAGE = re.compile(r"pip3? install (?:-U )?" + "misfire" + r"(?!-cylinder)\b")


@pytest.mark.parametrize(
    ("pattern", "example"),
    [
        (MACHINE_PATHS, "see /" + "work/main"),
        (REGISTRIES, "from pypi" + ".org/simple"),
        (UNRELATED_PACKAGE, "pip install " + "misfire"),
    ],
    ids=["machine paths", "registries", "unrelated package"],
)
def test_no_text_names_what_belongs_elsewhere(pattern, example):
    assert pattern.search(example)
    hits = []
    for path in list_tracked_texts():
        for number, line in enumerate(path.read_text("utf-8", "replace").splitlines(), 1):
            if pattern.search(line):
                hits.append(f"{path.relative_to(ROOT)}:{number}: {line.strip()[:80]}")
    assert hits == []
