"""Raw files that change while a command reads them."""

import os

import pytest

from misfire.diagnosis import chain
from misfire.errors import FormatError
from misfire.fitness import measured
from misfire.measuring import evidence
from tests.builders.fleets import make_good


def act_when_measured(monkeypatch, act):
    """Let something happen to the files after they were opened."""
    place = evidence.place

    def meanwhile(*given, **named):
        act()
        return place(*given, **named)

    monkeypatch.setattr(measured, "place", meanwhile)


def write_more(path):
    with path.open("ab") as file:
        file.write(bytes(64))


def replace_by_a_copy(path):
    copy = path.with_name("copy")
    copy.write_bytes(path.read_bytes())
    os.replace(copy, path)


@pytest.mark.parametrize("act", [write_more, replace_by_a_copy])
def test_a_file_that_changes_is_refused(tmp_path, monkeypatch, act):
    make_good(tmp_path / "one", 1)
    capture = tmp_path / "one" / "capture.wav"
    act_when_measured(monkeypatch, lambda: act(capture))
    with pytest.raises(FormatError, match=r"capture\.wav: was changed while it was read"):
        chain.diagnose(tmp_path / "one" / "job.toml")


def test_a_file_that_stays_is_not(tmp_path, monkeypatch):
    make_good(tmp_path / "one", 1)
    act_when_measured(monkeypatch, lambda: (tmp_path / "one" / "other.txt").write_text("x"))
    assert chain.diagnose(tmp_path / "one" / "job.toml").verdict


def test_ingest_leaves_nothing(tmp_path, monkeypatch):
    make_good(tmp_path / "one", 1)
    out = tmp_path / "rec.h5"
    out.write_bytes(b"from before")
    capture = tmp_path / "one" / "capture.wav"
    watch = chain.watch_sources

    def watch_then_write(recording):
        check = watch(recording)
        write_more(capture)
        return check

    monkeypatch.setattr(chain, "watch_sources", watch_then_write)
    with pytest.raises(FormatError, match="was changed"):
        chain.ingest(tmp_path / "one" / "job.toml", out)
    assert out.read_bytes() == b"from before"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["one", "rec.h5"]
