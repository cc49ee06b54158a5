"""What is taken for a recording, and what is not, in odd folders."""

import os
import shutil

import pytest

from misfire.errors import FormatError
from misfire.fleet.folder import find_sources, make_signature

CARD = """
vehicle.id = "van"
engine = {cylinders = 2, firing_order = [1, 2], ignition = "wasted_spark"}
channel = [{role = "coil_primary", file = "a.wav", column = 0}]
"""


def put(folder, name, content="x"):
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(content, encoding="utf-8")
    return path


def names(folder, **options):
    return [(s.name, s.kind) for s in find_sources(folder, **options).sources]


def test_cards_stores_and_raw_data_that_no_card_names(tmp_path):
    put(tmp_path, "a/job.toml", CARD)
    put(tmp_path, "a/a.wav")
    put(tmp_path, "a/other.wav")  # left out of the card on purpose
    put(tmp_path, "b/rec.h5")
    put(tmp_path, "c/lone.WAV")
    put(tmp_path, "c/notes.csv")  # may be anything
    put(tmp_path, "d/second van.toml", CARD)
    put(tmp_path, "e/job.toml", "no card [")
    put(tmp_path, "e/a.wav")  # its card is the trouble
    put(tmp_path, "f/pyproject.toml", "[project]\nname = 'x'\n")
    put(tmp_path, "f/scenario.toml", "[[channel]]\nrole = 'crank'\n")  # of the simulator
    assert names(tmp_path) == [
        ("a/job.toml", "card"),
        ("b/rec.h5", "store"),
        ("c/lone.WAV", "raw"),
        ("d/second van.toml", "card"),
        ("e/job.toml", "card"),
    ]


def test_an_hdf5_file_that_a_card_names_is_no_recording_of_its_own(tmp_path):
    put(tmp_path, "job.toml", CARD.replace("a.wav", "raw/a.h5"))
    put(tmp_path, "raw/a.h5")
    assert names(tmp_path) == [("job.toml", "card")]


def test_results_and_hidden_files_are_not_entered(tmp_path):
    put(tmp_path, "job.toml", CARD)
    put(tmp_path, ".trash/job.toml", CARD)
    put(tmp_path, "old fleet/catalogue.sqlite")
    put(tmp_path, "old fleet/results/x/job.toml", CARD)
    put(tmp_path, "now/deep/job.toml", CARD)
    assert names(tmp_path, skip=tmp_path / "now") == [("job.toml", "card")]


def test_links_in_circles_end_and_each_folder_is_entered_once(tmp_path):
    put(tmp_path, "in/z/job.toml", CARD)
    (tmp_path / "in/a").symlink_to(tmp_path / "in/z")  # sorts before the folder itself
    (tmp_path / "in/z/up").symlink_to(tmp_path / "in")
    (tmp_path / "in/self").symlink_to("self")
    (tmp_path / "in/gone").symlink_to(tmp_path / "nowhere")
    put(tmp_path, "outside/job.toml", CARD)
    (tmp_path / "in/linked").symlink_to(tmp_path / "outside")
    assert [n for n, _ in names(tmp_path / "in")] == ["linked/job.toml", "z/job.toml"]


def test_pipes_are_never_opened(tmp_path):
    os.mkfifo(tmp_path / "rec.h5")
    os.mkfifo(tmp_path / "job.toml")
    assert names(tmp_path) == []


def test_odd_names(tmp_path):
    put(tmp_path, "a b\n'\"<ü>/job.toml", CARD)
    raw = os.fsencode(tmp_path) + b"/bad\xff"
    try:
        os.mkdir(raw)
    except OSError:
        pytest.skip("this file system takes UTF-8 names only")
    with open(raw + b"/job.toml", "w", encoding="utf-8") as file:
        file.write(CARD)
    found = [n for n, _ in names(tmp_path)]
    assert found == ["a b\\x0a'\"<ü>/job.toml", "bad\\udcff/job.toml"]
    "".join(found).encode("utf-8")  # can be written anywhere


def test_a_deep_tree(tmp_path):
    folder = tmp_path
    for _ in range(200):  # deeper than a recursive walk with Python's limit in a small stack
        folder = folder / "d"
    folder.mkdir(parents=True)
    put(folder, "job.toml", CARD)
    assert len(names(tmp_path)) == 1


def test_the_signature_follows_content_and_absence(tmp_path):
    path = str(put(tmp_path, "a.wav"))
    first = make_signature((path,))
    assert first == make_signature((path,))
    os.utime(path, ns=(1, 1))
    assert make_signature((path,)) != first
    os.unlink(path)
    gone = make_signature((path,))
    assert gone[1] == 0
    assert gone != first


def test_the_order_does_not_depend_on_the_file_system(tmp_path):
    for k in (3, 1, 2):
        put(tmp_path, f"{k}/job.toml", CARD)
    copy = tmp_path.parent / "copy"
    shutil.copytree(tmp_path, copy)
    assert names(copy) == names(tmp_path)


def test_a_folder_that_is_none_is_refused(tmp_path):
    with pytest.raises(FormatError, match="no such folder"):
        find_sources(tmp_path / "nowhere")
