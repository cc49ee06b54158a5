"""What a quick script of one's own would do with a stored recording: the yardstick of bench.py.

Default h5py reads, whole channels as float64, scipy's find_peaks, a sign change for the crank.
Prints the number of events found: python scripts/naive_peer.py RECORDING.h5
"""

import sys

import h5py
import numpy as np
from scipy.signal import find_peaks


def main(path: str) -> None:
    """Find coil events and teeth in every channel of a stored recording."""
    with h5py.File(path, "r") as file:
        for name, dataset in file["channels"].items():
            rate = float(dataset.attrs["rate_hz"])
            values = dataset[:].astype(np.float64) * float(dataset.attrs["scale"])
            if dataset.attrs["role"] == "crank":
                n = np.flatnonzero(np.diff(np.signbit(values - values.mean()))).size
            else:
                height = values.mean() + 4 * values.std()
                peaks, _ = find_peaks(
                    values, height=height, prominence=height / 2, distance=max(1, rate * 1e-3)
                )
                n = peaks.size
            print(f"{name}\t{n}")


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("usage: naive_peer.py RECORDING.h5")
    main(sys.argv[1])
