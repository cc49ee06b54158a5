"""One recording in every format and layout: the same diagnosis."""

import importlib.util
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.io.wavfile

from misfire.align.storewriter import CODINGS
from misfire.diagnosis.chain import diagnose, ingest
from misfire.report.summary import build_summary
from tests.builders.exports import (
    make_mat,
    make_mat73,
    make_mdf,
    make_parquet,
    make_sound,
    make_w64,
)
from tests.builders.files import make_hdf5, make_npz, make_wav

CASE = Path(__file__).parents[3] / "shared" / "cases" / "o01"
LENGTH_S = 3.0
FORMATS = ("hdf5", "npz", "mat", "mat73", "parquet", "w64", "flac", "mdf", "list", "pattern")
NEEDS = {"flac": "soundfile", "mdf": "asammdf"}

pytestmark = pytest.mark.skipif(not CASE.exists(), reason="needs the labelled cases in ../shared")


def write_as(form: str, samples: np.ndarray, rate_hz: int, folder: Path) -> None:
    """Write samples [shape=(n, n_channels)] in a format, with the case's job card fitted to it."""
    text = (CASE / "job.toml").read_text()
    columns = {f"in{i}": np.ascontiguousarray(column) for i, column in enumerate(samples.T)}
    path = folder / f"capture.{form}"
    data: bytes | None = None
    if form == "hdf5":
        data = make_hdf5(path, **columns)
    elif form == "npz":
        data = make_npz(**columns)
    elif form == "mat":
        data = make_mat(**columns)
    elif form == "mat73":
        data = make_mat73(path, **columns)
    elif form == "parquet":
        data = make_parquet(columns)
    elif form == "mdf":
        data = make_mdf(path, columns, rate_hz=rate_hz, unit="")
    elif form == "w64":
        data = make_w64(samples, rate_hz=rate_hz)
    elif form == "flac":
        data = make_sound(samples, form="FLAC", coding="PCM_16", rate_hz=rate_hz)
    else:
        names = []
        for number, part in enumerate(np.array_split(samples, 3), start=9):
            names.append(f"part_{number}.wav")
            (folder / names[-1]).write_bytes(make_wav(part, rate_hz=rate_hz))
        file = '"part_*.wav"' if form == "pattern" else str(names).replace("'", '"')
        text = text.replace('"capture.wav"', file)
    if data is not None:
        path.write_bytes(data)
        text = text.replace("capture.wav", path.name)
        if form not in ("w64", "flac"):
            text = re.sub(r"(?m)^column = (\d+)$", rf'column = "in\1"\nrate_hz = {rate_hz}', text)
    (folder / "job.toml").write_text(text)


def summarise(target: Path) -> tuple[dict[str, Any], Any]:
    """Give result.json but for what names the files, and the table of firings."""
    diagnosis = diagnose(target)
    summary = build_summary(diagnosis)
    quality = [q for q in summary["quality"] if q["code"] != "parts"]
    kept = {k: v for k, v in summary.items() if k not in ("source", "sha256", "source_sha256")}
    return kept | {"quality": quality}, diagnosis.events


@pytest.fixture(scope="module")
def recorded() -> tuple[int, np.ndarray]:
    rate_hz, samples = scipy.io.wavfile.read(CASE / "capture.wav")
    return rate_hz, samples[: int(LENGTH_S * rate_hz)]


@pytest.fixture(scope="module")
def as_wav(recorded, tmp_path_factory):
    rate_hz, samples = recorded
    folder = tmp_path_factory.mktemp("wav")
    (folder / "capture.wav").write_bytes(make_wav(samples, rate_hz=rate_hz))
    (folder / "job.toml").write_text((CASE / "job.toml").read_text())
    return summarise(folder / "job.toml")


@pytest.mark.parametrize("form", FORMATS)
def test_the_same_diagnosis_from_every_format(form: str, recorded, as_wav, tmp_path) -> None:
    if form in NEEDS and importlib.util.find_spec(NEEDS[form]) is None:
        pytest.skip(f"{NEEDS[form]} is an extra that is not installed")
    rate_hz, samples = recorded
    write_as(form, samples, rate_hz, tmp_path)
    summary, events = summarise(tmp_path / "job.toml")
    assert summary == as_wav[0]
    assert events.equals(as_wav[1])
    assert summary["events"] > 100


@pytest.mark.parametrize("coding", CODINGS)
def test_the_same_diagnosis_from_every_coding(coding: str, recorded, as_wav, tmp_path) -> None:
    rate_hz, samples = recorded
    (tmp_path / "capture.wav").write_bytes(make_wav(samples, rate_hz=rate_hz))
    (tmp_path / "job.toml").write_text((CASE / "job.toml").read_text())
    ingest(tmp_path / "job.toml", tmp_path / "rec.h5", coding=coding)
    summary, events = summarise(tmp_path / "rec.h5")
    assert summary == as_wav[0]
    assert events.equals(as_wav[1])
