"""Readers that break as a library may, for the tests of the process that they run in."""

import ctypes
import os
import sys
import time
from pathlib import Path

import numpy as np

from misfire.errors import JobCardError
from misfire.ingest.source import Counts, Source, Stored

KEPT = []


def give(values, **known):
    """Make a source of int16 values."""
    return [Source(Counts(values.size, lambda a, b: values[a:b].copy()), **known)]


def read_well(path, requests, *, scratch, progress=None):
    """Give three samples, after words on standard output that are no reply."""
    sys.stdout.write('{"state": "done", "sources": []}\n')
    sys.stdout.flush()
    os.write(1, b"no reply\n")
    for fraction in (0.25, 1.0):
        progress("read", fraction)
    return give(np.array([1, -2, 3], "<i2"), rate_hz=0.1 + 0.2, unit="mV")


def abort(path, requests, *, scratch, progress=None):
    """End as a library does that finds its memory overwritten, a file half written."""
    scratch.new_file().append(np.arange(1000))
    (scratch.new_folder() / "0.part").write_bytes(b"half")
    os.abort()


def abort_once_used(path, requests, *, scratch, progress=None):
    """End if another file was read before in this process."""
    KEPT.append(path)
    if len(KEPT) > 1:
        os.abort()
    return give(np.array([7], "<i2"))


def sleep(path, requests, *, scratch, progress=None):
    """Take long, with a file half written."""
    scratch.new_file().append(np.arange(1000))
    Path(path).with_suffix(".pid").write_text(str(os.getpid()))
    progress("read", 0.5)
    time.sleep(600)


def hang(path, requests, *, scratch, progress=None):
    """Take long inside a library that lets no other thread run."""
    Path(path).with_suffix(".pid").write_text(str(os.getpid()))
    ctypes.PyDLL(None).sleep(600)


def take_memory(path, requests, *, scratch, progress=None):
    """Take memory without bound."""
    while True:
        KEPT.append(bytearray(16 << 20))


def take_memory_in_library(path, requests, *, scratch, progress=None):
    """End as a library does that cannot bear a refused allocation."""
    library = ctypes.CDLL(None)
    library.malloc.restype = ctypes.c_void_p
    library.malloc.argtypes = [ctypes.c_size_t]
    while library.malloc(16 << 20):
        pass
    os.abort()


def fill_disk(path, requests, *, scratch, progress=None):
    """Unpack without end."""
    while True:
        scratch.new_file().append(np.zeros(1 << 20, np.int8))


def fail(path, requests, *, scratch, progress=None):
    """Fail in a way that no reader foresees."""
    raise ZeroDivisionError("of no use\nsecond line")


def refuse(path, requests, *, scratch, progress=None):
    """Refuse what the card asks for."""
    raise requests[0].error("column", f"{requests[0].card.column!r} is not there")


def refuse_card(path, requests, *, scratch, progress=None):
    """Refuse with the kind of a job card."""
    raise JobCardError("no such thing")


def tell_no_number(path, requests, *, scratch, progress=None):
    """Give a rate that is none."""
    return give(np.array([1], "<i2"), rate_hz=float("nan"))


def tell_too_few(path, requests, *, scratch, progress=None):
    """Give nothing."""
    return []


def tell_outside(path, requests, *, scratch, progress=None):
    """Say that the numbers stand where the file has ended."""
    counts = Counts(1000, lambda a, b: np.zeros(b - a, np.int16))
    return [Source(counts, stored=Stored(np.dtype("<i2"), 10))]


def tell_objects(path, requests, *, scratch, progress=None):
    """Say that the numbers are references into memory."""
    counts = Counts(1, lambda a, b: np.zeros(b - a, np.int16))
    return [Source(counts, stored=Stored(np.dtype("O"), 0))]
