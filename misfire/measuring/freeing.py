"""Memory that is free again goes back to the system, between the stages of a long job."""

import ctypes
import sys


def give_back() -> None:
    """Give back what the C library keeps of freed memory, where it can be asked to.

    The GNU library keeps freed memory in one heap a thread. What the threads of a scan have freed
    would stay there, no use to the stage that follows.
    """
    if sys.platform == "linux":
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)  # other C libraries have none
        if trim is not None:
            trim(0)
