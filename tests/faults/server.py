"""A process that has the program loaded and runs one command a child, under a plan of faults.

Started as `python -m tests.faults.server`; reads one JSON task a line, answers one a line.
"""

import contextlib
import json
import os
import resource
import socket
import sys
import tempfile

from tests.faults.watching import Plan, install, watch_child


def _load():
    """Import what the commands import late, so that every child is quick."""
    import h5py  # noqa: F401
    import jinja2  # noqa: F401
    import pandas  # noqa: F401
    import pyarrow.parquet  # noqa: F401
    import scipy.linalg
    import scipy.optimize
    import scipy.signal
    import scipy.stats  # noqa: F401
    import skops.io  # noqa: F401

    import misfire.cli.app  # noqa: F401
    import misfire.comparison.comparing
    import misfire.diagnosis.chain
    import misfire.fleet.screening
    import misfire.hookup.plan
    import misfire.learning.confirming
    import misfire.learning.evaluation
    import misfire.learning.runs
    import misfire.measuring.showing
    from misfire.classify.bundle import save_bundle
    from tests.builders.models import make_model

    made = make_model()

    def train(cases, out, **_):
        """Write a model that was fitted beforehand: only the writing is tried here."""
        save_bundle(
            made.model,
            out,
            golden_firings=made.firings,
            golden_cylinders=made.cylinders,
            estimators=made.estimators,
            card="# card",
        )
        return {}

    misfire.learning.runs.train = train


def _serve(answers):
    """Do tasks until there are no more; in a child, give its task back."""
    for line in sys.stdin:
        task = json.loads(line)
        mine, theirs = socket.socketpair()
        heard, said = os.pipe()  # holds 64 KiB: more than any command says
        pid = os.fork()
        if not pid:
            mine.close()
            answers.close()
            os.dup2(said, 2)
            return task, theirs
        theirs.close()
        os.close(said)
        made = watch_child(pid, mine, Plan(**(task["plan"] | {"watch": tuple(task["watch"])})))
        mine.close()
        with os.fdopen(heard, "rb") as stream:
            lines = stream.read().decode(errors="replace").splitlines()
        answers.write(json.dumps(vars(made) | {"said": lines}) + "\n")
        answers.flush()
    return None, None


def _run(task, channel):
    """Run a command in this child, to the end of its interpreter."""
    handle = os.open(os.devnull, os.O_RDWR)
    for number in (0, 1):
        os.dup2(handle, number)
    sys.stdout = open(1, "w", closefd=False)  # noqa: SIM115 - the old ones know another file
    sys.stderr = open(2, "w", buffering=1, closefd=False)  # noqa: SIM115
    os.chdir(task["folder"])
    os.environ["TMPDIR"] = task["temporary"]
    tempfile.tempdir = None
    limit = task["plan"].get("limit")
    if limit is not None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
    install(channel)
    channel.close()
    from misfire.cli.app import main

    main(task["arguments"])


if __name__ == "__main__":
    _load()
    with contextlib.ExitStack() as stack:
        answers = os.fdopen(os.dup(1), "w")
        task, channel = _serve(answers)
        if task is None:
            answers.close()
    if task is not None:
        _run(task, channel)
