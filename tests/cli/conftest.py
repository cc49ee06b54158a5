"""Commands run in the process of the tests."""

import sys

import pytest

from misfire.cli.app import main


@pytest.fixture
def run(capsys, monkeypatch):
    """Run a command in this process: (exit status, standard output, standard error)."""
    monkeypatch.setattr(sys, "excepthook", sys.excepthook)  # main sets it; restored at the end
    monkeypatch.setattr("warnings.showwarning", lambda *_: None)

    def call(*arguments):
        with pytest.raises(SystemExit) as stop:
            main([str(argument) for argument in arguments])
        said = capsys.readouterr()
        return stop.value.code or 0, said.out, said.err

    return call
