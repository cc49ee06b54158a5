"""Recordings kept outside the project, each read whole and compared with another library's read."""

from pathlib import Path

import h5py
import numpy as np
import pandas as pd
import pytest
import scipy.io.wavfile
from numpy.typing import NDArray

from misfire.ingest.reading import open_raw
from misfire.records import ChannelCard

SHARED = Path(__file__).parents[3] / "shared"
CASES = sorted(SHARED.glob("cases/*/job.toml"))
REAL = sorted(SHARED.glob("real/*/*.toml"))

pytestmark = pytest.mark.skipif(not CASES, reason="no folder `shared` beside the project")


def read_otherwise(path: Path, card: ChannelCard) -> NDArray[np.float64]:
    """Read the recorded numbers of a channel with the library of its format."""
    if path.suffix == ".wav":
        samples = scipy.io.wavfile.read(path, mmap=True)[1]
        return samples.reshape(len(samples), -1)[:, card.column].astype(float)
    if path.suffix == ".h5":
        with h5py.File(path) as file:
            return file[card.column][()].astype(float)
    if path.suffix == ".npz":
        return np.load(path)[card.column].astype(float)
    if ".txt" in path.name:
        return np.loadtxt(path)[:, card.column]
    table = pd.read_csv(path, skiprows=[1])
    return table[card.column].to_numpy(float)


def read_scale(path: Path, card: ChannelCard) -> tuple[float, float]:
    """Give scale and offset: the job card's, else the attributes of the dataset."""
    if card.scale is None and path.suffix == ".h5":
        with h5py.File(path) as file:
            attrs = file[card.column].attrs
            return float(attrs["scale"]), float(attrs["offset"])
    return card.scale or 1.0, card.offset or 0.0


@pytest.mark.parametrize("job", CASES + REAL, ids=lambda path: f"{path.parent.name}-{path.stem}")
def test_recording_equals_another_librarys_read(job: Path) -> None:
    recording = open_raw(job)
    for channel, card in zip(recording.channels, recording.job.channels, strict=True):
        path = job.parent / card.file
        if channel.is_levels:
            check_levels(recording.read_levels(channel.name), path, card)
            continue
        recorded = read_otherwise(path, card)
        scale, offset = read_scale(path, card)
        assert channel.n_samples == recorded.size
        counts = recording.read(channel.name, 0, channel.n_samples)
        values = counts * channel.scale + channel.offset
        error = np.abs(values - (recorded * scale + offset)).max()
        if [finding.code for finding in recording.findings] == ["requantised"]:
            # This instrument corrects with a polynomial: no grid, so up to half a step is lost.
            assert error <= 0.501 * channel.scale
            assert np.ptp(recorded) / channel.scale == pytest.approx(65532, abs=1)
        elif ".txt" in path.name:
            assert error <= 0.501e-6 * np.abs(recorded).max()  # printed with 7 digits
        else:
            assert error <= 1e-9 * max(1.0, np.abs(values).max())
    recording.close()


def check_levels(levels: NDArray[np.void], path: Path, card: ChannelCard) -> None:
    """Compare level changes with a plain walk through the lines."""
    with path.open() as file:
        names = [name.strip() for name in next(file).split(",")]
        column = card.column if isinstance(card.column, int) else names.index(card.column)
        expected, before = [], None
        for line in file:
            cells = line.split(",")
            level = int(cells[column])
            if before is not None and level != before:
                expected.append((float(cells[0]), level))
            before = level
    assert levels.tolist() == expected
