"""What is kept and depends on code: renewed when that code changes, and only then."""

import shutil
from pathlib import Path

import pytest

from misfire import resources
from misfire.fleet import key
from scripts import train_model
from tests.architecture.test_imports import ROOT, find_imports_of_all, name_part


@pytest.fixture
def package(tmp_path, monkeypatch):
    """Copy the package's sources, and let what hashes code look at the copy."""
    copy = tmp_path / "misfire"
    shutil.copytree(
        resources.PACKAGE, copy, ignore=shutil.ignore_patterns("__pycache__", "_models")
    )
    monkeypatch.setattr(resources, "PACKAGE", copy)
    return copy


def compute_both() -> tuple[str, str]:
    """Give the name of the training cache and the pipeline part of the fleet's key."""
    return train_model.hash_measuring(), key.compute_pipeline.__wrapped__()


@pytest.mark.parametrize(
    "file", ["measuring/evidence.py", "ingest/formats/wav.py", "records.py", "dsp/trend.py"]
)
def test_both_notice_a_changed_measuring_file(package, file):
    training, fleet = compute_both()
    assert (training, fleet) == compute_both()
    with open(package / file, "a", encoding="utf-8") as source:
        source.write("# a word more\n")
    changed = compute_both()
    assert changed[0] != training
    assert changed[1] != fleet


def test_both_notice_a_file_that_is_new_or_has_another_name(package):
    before = compute_both()
    (package / "measuring" / "another.py").write_text("", encoding="utf-8")
    new = compute_both()
    (package / "measuring" / "another.py").rename(package / "measuring" / "renamed.py")
    renamed = compute_both()
    for states in zip(before, new, renamed, strict=True):
        assert len(set(states)) == 3


@pytest.mark.parametrize(
    "file", ["report/wording.py", "report/diagnosis/page.py", "report/diagnosis/page.html.j2"]
)
def test_a_changed_page_renews_nothing(package, file):
    before = compute_both()
    with open(package / file, "a", encoding="utf-8") as source:
        source.write("# a word more\n")
    assert compute_both() == before


def test_a_changed_judge_renews_results_but_no_measurement(package):
    training, fleet = compute_both()
    with open(package / "diagnosis" / "verdict.py", "a", encoding="utf-8") as source:
        source.write("# a word more\n")
    changed = compute_both()
    assert changed[0] == training
    assert changed[1] != fleet


def test_a_room_that_is_not_there_is_an_error():
    with pytest.raises(FileNotFoundError):
        resources.hash_rooms(["measuring", "ballroom"])


def list_rooms_used(start: str) -> set[str]:
    """List the rooms whose modules are imported from a module, by way of others too."""
    imports, seen, todo = find_imports_of_all(), set(), [start]
    while todo:
        name = todo.pop()
        if name not in seen:
            seen.add(name)
            todo += imports[name]
    return {name_part(Path(ROOT, *name.split("."))) for name in seen}


# They move bytes and name errors: none of them bears on a number.
WITHOUT_NUMBERS = {"childprocess", "errors", "publishing", "resources"}


def test_no_room_that_is_measured_with_is_left_out():
    used = list_rooms_used("misfire.learning.casepool")
    # of learning, only what measures a case: how models are fitted bears on no measurement
    assert used - WITHOUT_NUMBERS == {room.split("/")[0] for room in train_model.ROOMS}
    used = list_rooms_used("misfire.diagnosis.chain")
    # pages are drawn from the result, and screening itself only hands out the work
    assert used - WITHOUT_NUMBERS - {"report", "fleet"} == set(key.ROOMS)
