"""`misfire check`: is a recording fit for a diagnosis."""

import typer

from misfire.cli.options import Input, Json, Quiet
from misfire.cli.output import print_json
from misfire.cli.progress import show_progress


def check(
    recording: Input,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Say what is wrong with a recording, if anything.

    Prints one tab-separated line per finding: severity, channel, code, message.
    """
    from misfire.batch.opening import open_recording

    with show_progress(quiet=quiet) as progress:
        opened = open_recording(recording, progress=progress)
    findings = opened.findings
    opened.close()
    if as_json:
        print_json(
            {
                "schema": "misfire-check/1",
                "vehicle": opened.job.vehicle_id,
                "channels": [channel.name for channel in opened.channels],
                "quality": [
                    {
                        "channel": finding.channel,
                        "code": finding.code,
                        "severity": finding.severity,
                        "message": finding.message,
                    }
                    for finding in findings
                ],
            }
        )
        return
    typer.echo("severity\tchannel\tcode\tmessage")
    for finding in findings:
        typer.echo(f"{finding.severity}\t{finding.channel}\t{finding.code}\t{finding.message}")
