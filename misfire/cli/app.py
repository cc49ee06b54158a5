"""The command `misfire`: one file per command, registered here; errors end as one line."""

import functools
import os
import sys
import traceback
import warnings
from collections.abc import Callable
from types import TracebackType
from typing import Annotated, Any, TextIO

import typer

from misfire.cli.check import check
from misfire.cli.compare import compare
from misfire.cli.confirm import confirm
from misfire.cli.demo import demo
from misfire.cli.diagnose import diagnose
from misfire.cli.evaluate import evaluate
from misfire.cli.hookup import hookup
from misfire.cli.ingest import ingest
from misfire.cli.output import format_os_error, print_failure
from misfire.cli.screen import screen
from misfire.cli.show import show
from misfire.cli.simulate import simulate
from misfire.cli.train import train
from misfire.errors import DataWarning, MisfireError

CAUTION = (
    "Signals of an ignition are taken from a running engine: high voltage, hot and turning parts. "
    "Follow the vehicle maker's procedure and local rules."
)

# What an interrupted command leaves behind, and how to go on, where it is not the usual.
LEFT = {
    "screen": "recordings judged so far are kept",
    "check": "it only reads, so nothing was changed",
    "train": "no model was written, and the measurements are not kept",
    "confirm": "no case was made, not even in part",
}
GO_ON = {"screen": "run the same command to go on"}

app = typer.Typer(
    name="misfire",
    help="Name the misfiring cylinder of an engine from recordings of its signals.",
    epilog=f"`misfire COMMAND --help` has an example of each. {CAUTION}",
    no_args_is_help=True,
    rich_markup_mode=None,  # plain help starts in half the time
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["--help", "-h"]},
)


def _print_version(wanted: bool) -> None:
    """Print the version and stop."""
    if wanted:
        from misfire import __version__

        typer.echo(f"misfire {__version__}")
        raise typer.Exit()


@app.callback()
def _start(
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_print_version, is_eager=True, help="Print the version."
        ),
    ] = False,
) -> None:
    """Name the misfiring cylinder of an engine from recordings of its signals."""


def _register(command: Callable[..., None], example: str, short: str | None = None) -> None:
    """Make a function a command, with an example that is never folded, to be copied.

    `short` stands in the list of commands, where the first sentence would be cut off.
    """
    app.command(epilog=f"\b\nExample: {example}", short_help=short)(_tell_what_is_left(command))


def _tell_what_is_left(command: Callable[..., None]) -> Callable[..., None]:
    """Make a command say, when it is interrupted, what is left of it and how to go on."""
    name = command.__name__
    left = LEFT.get(name, "no result was written, not even in part")
    again = GO_ON.get(name, "run the same command to start again")

    @functools.wraps(command)
    def run(*args: Any, **kwargs: Any) -> None:
        try:
            command(*args, **kwargs)
        except KeyboardInterrupt:
            print_failure(f"interrupted: {left}; {again}")
            raise typer.Exit(130) from None

    return run


_register(
    hookup,
    "misfire hookup --cylinders 4 --firing-order 1-3-4-2 --inputs 4 -o plan",
    "Plan which lead goes where, before recording.",
)
_register(ingest, "misfire ingest job.toml -o rec.h5")
_register(check, "misfire check rec.h5")
_register(diagnose, "misfire diagnose job.toml -o result")
_register(
    compare,
    "misfire compare before.h5 after.h5 -o comparison",
    "Say whether a repair cured the fault.",
)
_register(
    show,
    "misfire show rec.h5 --time 12.5 -o firing.svg",
    "Draw the raw channels around one firing.",
)
_register(demo, "misfire demo -o demo")
_register(simulate, "misfire simulate scenario.toml -o simulated")
_register(
    screen,
    "misfire screen recordings -o fleet --workers 2",
    "Judge all recordings of a folder, rank vehicles.",
)
_register(
    confirm,
    "misfire confirm rec.h5 --cylinder 3 --fault open_secondary -o cases",
    "Keep what a repair proved as a labelled case.",
)
_register(
    evaluate, "misfire evaluate shipped cases -o scores", "Judge labelled cases with a model."
)
_register(train, "misfire train cases -o model", "Correct the shipped model by proven repairs.")


def _print_fault(
    kind: type[BaseException], error: BaseException, trace: TracebackType | None
) -> None:
    """Report a fault of the program itself in one line (an excepthook)."""
    if issubclass(kind, KeyboardInterrupt):
        print_failure("interrupted")
        return
    last = traceback.extract_tb(trace)[-1:]
    place = f" ({os.path.basename(last[0].filename)} line {last[0].lineno})" if last else ""
    print_failure(
        f"fault in the program itself: {kind.__name__}: {error}{place}; please report it; "
        "set MISFIRE_TRACEBACK=1 to see where it came from"
    )


def _print_warning(
    message: Warning | str,
    category: type[Warning],
    filename: str,
    lineno: int,
    file: TextIO | None = None,
    line: str | None = None,
) -> None:
    """Show a warning about the data as one line; others concern developers only."""
    if issubclass(category, DataWarning):
        print_failure(f"note: {message}")


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and leave with its exit status.

    Parameters
    ----------
    arguments : list of str, optional
        Without the program's name; default: those the process was started with.

    Raises
    ------
    SystemExit
        Always: 0 done whatever the verdict, 1 the input could not be used, 2 wrong usage,
        130 interrupted.
    """
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a console's code page may lack a sign
    if not os.environ.get("MISFIRE_TRACEBACK"):
        sys.excepthook = _print_fault
        warnings.showwarning = _print_warning
    try:
        typer.main.get_command(app)(arguments, prog_name="misfire")
    except MisfireError as error:
        print_failure(str(error))
    except MemoryError:
        print_failure("not enough memory; close other programs or shorten the recording")
    except OSError as error:
        print_failure(format_os_error(error))
    sys.exit(1)
