"""Every module of the package is checked by a test: by name, or through the door named here."""

import ast
from functools import lru_cache

import pytest

from tests.architecture.test_imports import PACKAGE, ROOT, SOURCES

# Steps of one job that the tests look at from outside: module (or room), then the test that sees
# what it does. What has a rule of its own to break is better tested by name; then it leaves here.
SEEN_THROUGH = {
    "align.storereader": "align/test_store.py",
    "cli": "cli/test_command_line.py",
    "comparison": "comparison/test_comparing.py",
    "cycles.naming": "cases/test_left_out.py",
    "cycles.pieces": "cycles/test_wheel.py",
    "cycles.repeats": "cases/test_left_out.py",
    "cycles.sync": "cycles/test_wheel.py",
    "diagnosis": "diagnosis/test_chain.py",
    "events.cutoffs": "events/test_current.py",
    "events.ramp": "events/test_current.py",
    "events.sparkline": "events/test_primary.py",
    "features.injection": "cases/test_other_channels.py",
    "features.overlap": "features/test_torque.py",
    "fitness.channels": "fitness/test_fitness.py",
    "fitness.engine": "fitness/test_fitness.py",
    "fitness.ripple": "fitness/test_fitness.py",
    "fleet.cluster": "fleet/test_cluster.py",
    "fleet.publish": "fleet/test_screening.py",
    "fleet.settings": "fleet/test_screening.py",
    "fleet.task": "fleet/test_screening.py",
    "fleet.wear": "report/test_fleet_page.py",
    "hookup": "hookup/test_hookup.py",
    "ingest.counts": "ingest/test_reading.py",
    "ingest.formats": "ingest/test_readers.py",
    "ingest.reader_worker": "ingest/test_reader_process.py",
    "learning.figures": "learning/test_evaluating.py",
    "measuring.cranking": "cases/test_other_channels.py",
    "measuring.freeing": "measuring/test_bounds.py",
    "measuring.injectors": "cases/test_other_channels.py",
    "measuring.unchanged": "measuring/test_unchanged.py",
    "measuring.witnesses": "cases/test_other_channels.py",
    "report.comparison": "comparison/test_comparing.py",
    "report.diagnosis": "report/test_page.py",
    "report.frame": "report/test_page.py",
    "report.hookup": "hookup/test_hookup.py",
    "report.pictures": "measuring/test_showing.py",
    "simulate": "simulate/test_recording.py",
}


@lru_cache
def list_imported(source: str, *, named: bool = False) -> set[str]:
    """List the modules that a file imports and, if `named`, those that stand in its texts."""
    found = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module, *(f"{node.module}.{a.name}" for a in node.names)}
        elif isinstance(node, ast.Import):
            found |= {a.name for a in node.names}
        elif named and isinstance(node, ast.Constant) and str(node.value).startswith("misfire."):
            found.add(str(node.value))  # the module of a process of its own, or of a public name
    return found


def list_reached(path) -> set[str]:
    """List the modules that a test imports, itself or by way of builders and of the package."""
    seen: set[str] = set()
    todo = [path]
    while todo:
        for name in list_imported(todo.pop().read_text(encoding="utf-8"), named=True) - seen:
            seen.add(name)
            place = ROOT.joinpath(*name.split("."))
            todo += [p for p in (place.with_suffix(".py"), place / "__init__.py") if p.is_file()]
    return seen


@lru_cache
def find_untested() -> set[str]:
    """List the modules that no test imports by name, as they are called inside the package."""
    tests = [p for p in (ROOT / "tests").rglob("*.py") if p.name != "test_coverage.py"]
    imported: set[str] = set()
    for path in tests:
        imported |= list_imported(path.read_text(encoding="utf-8"))
    names = {
        ".".join(p.relative_to(PACKAGE).with_suffix("").parts)
        for p in SOURCES
        if p.name not in ("__init__.py", "__main__.py")
    }
    return {name for name in names if f"misfire.{name}" not in imported}


def list_doors(module: str) -> list[str]:
    """List the entries of SEEN_THROUGH that stand for a module."""
    return [door for door in SEEN_THROUGH if f"{module}.".startswith(f"{door}.")]


def test_every_module_is_imported_by_a_test_or_seen_through_one():
    assert {module for module in find_untested() if not list_doors(module)} == set()


@pytest.mark.parametrize("door", SEEN_THROUGH)
def test_the_test_that_is_named_reaches_the_module(door):
    reached = list_reached(ROOT / "tests" / SEEN_THROUGH[door])
    modules = {module for module in find_untested() if list_doors(module) == [door]}
    assert modules, f"{door} is tested by name and need not stand here"
    assert {f"misfire.{module}" for module in modules} - reached == set()
