"""`misfire show`: the raw channels around one firing as a picture."""

from pathlib import Path
from typing import Annotated

import typer

from misfire.cli.options import Input, Json, Quiet
from misfire.cli.output import check_file, print_json
from misfire.cli.progress import show_progress


def show(
    recording: Input,
    time_s: Annotated[
        float | None,
        typer.Option("--time", "-t", metavar="T", help="Instant in seconds: the nearest firing."),
    ] = None,
    firing: Annotated[
        int | None,
        typer.Option("--firing", "-n", metavar="N", help="Row of events.parquet, from 0."),
    ] = None,
    cylinder: Annotated[
        int | None,
        typer.Option("--cylinder", "-c", metavar="N", help="With --time: only this cylinder."),
    ] = None,
    out: Annotated[
        Path,
        typer.Option(
            "--out", "-o", metavar="FILE", readable=False, help="Picture: .svg, or .png (extra)."
        ),
    ] = Path("firing.svg"),
    all_channels: Annotated[
        bool, typer.Option("--all", help="The coils of the other cylinders as well.")
    ] = False,
    part: Annotated[
        str,
        typer.Option(
            metavar="PART", help="Of the coils' signals: whole, breakdown or spark (zoomed in)."
        ),
    ] = "whole",
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Draw the raw channels around one firing, with the measured points marked and named.

    With --time only a few seconds around it are read. With --firing the whole recording is
    measured first, to count the firings as events.parquet does. A PNG needs the extra `png`
    (pip install '.[png]' in the program's folder).
    """
    if (time_s is None) == (firing is None):
        raise typer.BadParameter("give either --time T or --firing N")
    check_file(out)
    from misfire.measuring.showing import show_firing
    from misfire.report.pictures.firing_files import check_picture, write_picture
    from misfire.report.pictures.firing_view import check_part, choose_part

    check_picture(out)
    check_part(part)
    with show_progress(quiet=quiet) as progress:
        view = show_firing(
            recording,
            time_s=time_s,
            firing=firing,
            cylinder=cylinder,
            all_channels=all_channels,
            progress=progress,
        )
        view = choose_part(view, part)
        write_picture(view, out)
    if as_json:
        from misfire.report.pictures.firing_files import describe_view

        print_json(describe_view(view, out))
        return
    typer.echo(f"cylinder {view.cylinder}, {view.time_s:.4f} s")
    typer.echo(f"wrote {out}")
