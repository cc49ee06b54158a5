"""One reader process for all tests of the readers: each recording would start one of its own."""

import pytest

from misfire.ingest import reader_process


class Lent:
    """The same process for every recording; `close` leaves it running."""

    def __init__(self, process: reader_process.ReaderProcess) -> None:
        """Take the process that is lent."""
        self.read = process.read

    def close(self) -> None:
        """Leave it running."""


@pytest.fixture(scope="session", autouse=True)
def lent_process():
    """Lend one process; tests of the process itself give their own to the reader."""
    process = reader_process.ReaderProcess()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(reader_process, "ReaderProcess", lambda: Lent(process))
        yield process
    process.close()
