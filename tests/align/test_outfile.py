"""The file that HDF5 writes: what stands in it, and what a refused write becomes."""

import errno
import os

import h5py
import numpy as np
import pytest
from numpy.testing import assert_array_equal

from misfire.align.outfile import OutFile


def fill(target, values):
    """Write what a recording consists of: a dataset in chunks, a text, attributes."""
    with h5py.File(target, "w", libver=("v110", "v110")) as file:
        file["text"] = "x" * 100_000
        made = file.create_dataset("values", data=values, chunks=(1000,), compression="gzip")
        made.attrs["unit"] = "V"


def test_holds_what_the_library_itself_writes(tmp_path):
    values = np.random.default_rng(0).integers(-100, 100, 20_000).astype("<i2")
    fill(tmp_path / "plain.h5", values)
    (tmp_path / "ours.h5").touch()
    target = OutFile(tmp_path / "ours.h5")
    fill(target, values)
    target.close()
    target.check()
    with h5py.File(tmp_path / "ours.h5") as ours, h5py.File(tmp_path / "plain.h5") as plain:
        assert list(ours) == list(plain)
        assert_array_equal(ours["values"][:], values)
        assert dict(ours["values"].attrs) == dict(plain["values"].attrs)
        assert ours["text"][()] == plain["text"][()]


@pytest.mark.parametrize("step", range(6))
def test_an_error_is_kept_and_the_library_ends_well(step, tmp_path):
    (tmp_path / "a.h5").touch()
    target = OutFile(tmp_path / "a.h5")
    write, left = target._file.write, [step]

    class Full:
        """A file on a disk that fills up."""

        def __getattr__(self, name):
            return getattr(target_file, name)

        def write(self, data):
            left[0] -= 1
            if left[0] < 0:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            return write(data)

    target_file, target._file = target._file, Full()
    fill(target, np.arange(20_000, dtype="<i2"))
    target.close()
    with pytest.raises(OSError, match="No space left"):
        target.check()
