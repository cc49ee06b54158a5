"""The errors of the package; every one a user can meet is a `MisfireError`."""


def find_first_line(error: BaseException) -> str:
    """Give the first line of a library's message, 120 characters at most; empty if there is none.

    Parameters
    ----------
    error : exception

    Returns
    -------
    line : str
    """
    return (str(error).splitlines() or [""])[0][:120]


class MisfireError(Exception):
    """No trustworthy answer exists; the message says what, where and what to do."""

    code = "misfire"


class ParameterError(MisfireError, ValueError):
    """An argument is outside its documented range."""

    code = "parameter"


class JobCardError(MisfireError, ValueError):
    """A job card is missing, unreadable or has a wrong field."""

    code = "job_card"


class FormatError(MisfireError, ValueError):
    """A file is not what its reader expects."""

    code = "format"


class ChannelError(MisfireError, LookupError):
    """A needed channel is absent or has no known role."""

    code = "channel"


class AlignError(MisfireError):
    """Channels cannot be put on one time base."""

    code = "align"


class CycleError(MisfireError):
    """Crank, cam and coil do not yield engine cycles."""

    code = "cycle"


class ModelError(MisfireError):
    """A model bundle does not fit the features or the installed libraries."""

    code = "model"


class OutputError(MisfireError, OSError):
    """A result cannot be written where it was asked for."""

    code = "output"


class DataWarning(UserWarning):
    """Something a caller in Python should know about data that was used all the same."""
