"""`misfire check`: is a recording fit for a diagnosis."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

from misfire.cli.options import Input, Json, Quiet
from misfire.cli.output import print_json
from misfire.cli.progress import Progress, show_progress
from misfire.errors import ChannelError, CycleError

if TYPE_CHECKING:
    from misfire.records import Finding, Recording


def check(recording: Input, as_json: Json = False, quiet: Quiet = False) -> None:
    """Say what is wrong with a recording, if anything.

    Prints one tab-separated line per finding: severity, channel, code, message. A finding of
    severity `error` means that no diagnosis can be made. The exit status is 0 either way.
    """
    from misfire.batch.opening import open_recording

    with show_progress(quiet=quiet) as progress:
        opened = open_recording(recording, progress=progress)
        try:
            findings = _find_faults(opened, progress)
        finally:
            opened.close()
    if as_json:
        print_json(
            {
                "schema": "misfire-check/1",
                "vehicle": opened.job.vehicle_id,
                "fit": all(finding.severity != "error" for finding in findings),
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


def _find_faults(opened: Recording, progress: Progress | None) -> tuple[Finding, ...]:
    """Measure the recording; that it cannot be measured is a finding here, not a failure."""
    from misfire.batch.measuring import measure
    from misfire.records import Finding

    try:
        findings = measure(opened, progress=progress).findings
    except (ChannelError, CycleError) as error:
        findings = (*opened.findings, Finding("not_measurable", "error", str(error)))
    return tuple(dict.fromkeys(findings))
