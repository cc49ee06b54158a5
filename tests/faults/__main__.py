"""Faults injected into every command, and a table of what became of them.

    .venv/bin/python -m tests.faults                       # everything: an hour or more
    .venv/bin/python -m tests.faults --every 5             # every fifth step of each command
    .venv/bin/python -m tests.faults --command ingest --action kill

A step is a system call that changes a file: open to write, write, flush to the disk, rename, close,
make a folder. Each step in turn fails with "no space left" (`once`: that one only; `full`: and all
later ones that need room), or is the last before the process is killed (`kill`). `limit`: the
system itself refuses to let a file grow past a size. `small`: a real file system that is too small.
Status 1 if the contract of tests/faults/trials.py was broken; each breach is printed.
"""

import argparse
import collections
import sys
import tempfile
import time
from pathlib import Path

from tests.faults.circumstances import (
    add_inputs,
    fill_small_disk,
    find_mount_obstacle,
    list_circumstances,
    try_circumstance,
)
from tests.faults.trials import COMMANDS, Bench, is_temporary
from tests.faults.watching import find_obstacle

ACTIONS = {
    "once": "one step fails: no space left",
    "full": "disk full from one step on",
    "kill": "killed (SIGKILL) at one step, then run again",
    "limit": "file may not grow past a size",
    "small": "real file system too small",
    "around": "",
}
LIMITS = (0, 1, 100, 512, 1000, 4096, 5000, 20_000, 65_536, 100_000, 250_000)
SIZES_KIB = (4, 16, 40, 100, 200, 300, 400)


class Table:
    """Counts of what became of the faults, by fault and command."""

    def __init__(self) -> None:
        """Start empty."""
        self.counts: dict[tuple[str, str], collections.Counter[str]] = {}
        self.n_broken = 0

    def add(self, fault: str, command: str, status: int, broken: list[str], said: str) -> None:
        """Count one trial; print a breach."""
        word = {0: "done", 1: "refused", -9: "killed"}.get(status, f"status {status}")
        row = self.counts.setdefault((fault, command), collections.Counter())
        row[word] += 1
        if broken:
            row["broken"] += 1
            self.n_broken += 1
            print(f"BROKEN {command}: {fault}: {'; '.join(broken)}\n  {said[:400]}", flush=True)

    def format(self) -> str:
        """Give the table as text."""
        head = ("fault", "command", "trials", "one line", "done", "killed", "broken")
        rows = [head]
        for (fault, command), row in self.counts.items():
            n = sum(row[word] for word in row if word != "broken")
            cells = (n, row["refused"], row["done"], row["killed"], row["broken"])
            rows.append((fault, command, *map(str, cells)))
        total = sum(int(row[2]) for row in rows[1:])
        rows.append(("all", "", str(total), "", "", "", str(self.n_broken)))
        widths = [max(len(row[i]) for row in rows) for i in range(len(head))]
        return "\n".join(
            "| " + " | ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)) + " |"
            for row in rows
        )


def list_steps(n_steps: int, every: int, shift: int) -> range:
    """Choose the steps that are tried; all of a short command."""
    return range(n_steps) if n_steps <= every else range(shift % every, n_steps, every)


def try_steps(bench: Bench, table: Table, commands: list, actions: list[str], every: int) -> None:
    """Try faults at the steps of commands."""
    for command in commands:
        started = time.monotonic()
        steps, _ = bench.measure(command)
        for shift, action in enumerate(a for a in ("once", "full", "kill") if a in actions):
            for at in list_steps(len(steps), every, shift):
                made = bench.try_fault(command, at=at, action=action)
                said = f"step {at}, {made.hit}: {made.said}"
                table.add(ACTIONS[action], command.name, made.status, made.broken, said)
        if "limit" in actions and not command.name.startswith("screen"):
            for limit in LIMITS:
                made = bench.try_fault(command, limit=limit)
                said = f"limit {limit}: {made.said}"
                table.add(ACTIONS["limit"], command.name, made.status, made.broken, said)
        spent = time.monotonic() - started
        print(f"{command.name}: {len(steps)} steps, {spent:.0f} s", file=sys.stderr, flush=True)


def try_small_disks(bench: Bench, table: Table, commands: list) -> None:
    """Try commands on real file systems that are too small, and large enough."""
    for command in commands:
        if command.old or command.name.startswith(("screen", "train")):
            continue
        _, whole = bench.measure(command)
        for size in SIZES_KIB:
            status, said, left = fill_small_disk(command, bench.folder, bench.place, size)
            broken = [f"left behind: {name}" for name in left if is_temporary(name)]
            broken += [f"not whole: {n}" for n in left if left[n] != whole.get(n)]
            if status not in (0, 1) or (status == 1 and len(said) != 1):
                broken.append(f"status {status}, {len(said)} lines")
            if status == 0 and left != whole:
                broken.append("status 0 without all files")
            text = f"{size} KiB: {' '.join(said)}"
            table.add(ACTIONS["small"], command.name, status, broken, text)


def main() -> int:
    """Try what was asked for and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--every", type=int, default=1, help="try every n-th step")
    parser.add_argument("--command", action="append", help="only commands that begin like this")
    parser.add_argument("--action", action="append", choices=ACTIONS, help="only these faults")
    options = parser.parse_args()
    actions = options.action or list(ACTIONS)
    wanted = tuple(options.command or ("",))
    commands = [c for c in COMMANDS if c.name.startswith(wanted)]
    table = Table()
    obstacle, no_mount = find_obstacle(), find_mount_obstacle()
    with tempfile.TemporaryDirectory(prefix="misfire-faults-") as name:
        bench = Bench(Path(name))
        try:
            if obstacle:
                print(f"steps of commands cannot be tried: {obstacle}")
            elif set(actions) - {"around", "small"}:
                try_steps(bench, table, commands, actions, options.every)
            if "small" in actions and not (no_mount or obstacle):
                try_small_disks(bench, table, commands)
            if "around" in actions:
                add_inputs(bench.folder)
                for case in list_circumstances():
                    if not case.command.startswith(wanted):
                        continue
                    if case.shell and no_mount:
                        print(f"{case.fault}: {no_mount}")
                        continue
                    status, said, broken = try_circumstance(case, bench.folder, bench.place)
                    table.add(case.fault, case.command, status, broken, said)
        finally:
            bench.close()
    print(table.format())
    return 1 if table.n_broken else 0


if __name__ == "__main__":
    sys.exit(main())
