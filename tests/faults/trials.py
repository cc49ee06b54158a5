"""Commands tried with faults: their inputs, one run under a plan, and the contract that must hold.

The contract: exit status 0 with every output complete, or 1 with one clear line; inputs as they
were; under a final name only what was there before or what an undisturbed run writes; nothing
temporary left. Only a killed process may leave temporary files; the next run then works.
"""

import contextlib
import hashlib
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path

from misfire.simulate.recording import simulate
from misfire.simulate.scenario import FaultModel, InstrumentModel, Scenario
from misfire.simulate.writer import write_recording

ROOT = Path(__file__).resolve().parents[2]
VOLATILE = ("catalogue.sqlite", "lock")  # tell of the run, not of the recordings
SCENARIO = """
seed = 4
duration_s = 1.0
format = "{fmt}"
[[instrument]]
rate_hz = 20000.0
"""


@dataclass(frozen=True)
class Command:
    """A command with its arguments; `target` is what it makes, `{out}` stands for its folder."""

    name: str
    arguments: tuple[str, ...]
    target: str = "."
    old: str = ""  # a result of the same kind that stands at the target before
    again: tuple[str, ...] = ()  # words that a second run may refuse with: the work was done


COMMANDS = (
    Command("diagnose", ("diagnose", "van/job.toml", "-o", "{out}/r")),
    Command("diagnose over", ("diagnose", "van/job.toml", "-o", "{out}/r"), old="r"),
    Command("ingest", ("ingest", "van/job.toml", "-o", "{out}/rec.h5")),
    Command("ingest text", ("ingest", "text/job.toml", "-o", "{out}/rec.h5")),
    Command("ingest over", ("ingest", "van/job.toml", "-o", "{out}/rec.h5"), old="rec.h5"),
    Command("compare", ("compare", "before", "after", "-o", "{out}/c")),
    Command("compare over", ("compare", "before", "after", "-o", "{out}/c"), old="c"),
    Command("show svg", ("show", "rec.h5", "--time", "1.5", "-o", "{out}/f.svg")),
    Command("show over", ("show", "rec.h5", "--time", "1.5", "-o", "{out}/f.svg"), old="f.svg"),
    Command("hookup", ("hookup", "--cylinders", "4", "--inputs", "3", "-o", "{out}/h")),
    Command(
        "confirm",
        ("confirm", "van/job.toml", "--cylinder", "3", "--fault", "mixture", "--when",
         "2026-03-01", "-o", "{out}/cases"),
        again=("confirmed already",),
    ),
    Command(
        "confirm copy",
        ("confirm", "rec.h5", "--healthy", "--when", "2026-03-01", "-o", "{out}/cases"),
        again=("confirmed already",),
    ),
    Command("evaluate", ("evaluate", "physics", "cases", "-o", "{out}/e")),
    Command("evaluate over", ("evaluate", "physics", "cases", "-o", "{out}/e"), old="e"),
    *(
        Command(f"simulate {fmt}", ("simulate", f"{fmt}.toml", "-o", "{out}/s"))
        for fmt in ("wav", "h5", "csv", "npz")
    ),
    Command("screen", ("screen", "recordings", "-o", "{out}/fleet", "--quiet")),
    Command("train", ("train", "cases", "-o", "{out}/model", "--json")),
    Command("train over", ("train", "cases", "-o", "{out}/model", "--json"), old="model"),
)  # fmt: skip


def make_bench(folder):
    """Make the inputs of all commands in a folder."""
    for name, seed, fault in (("van", 1, "mixture"), ("sound", 2, "")):
        made = Scenario(
            seed=seed,
            duration_s=3.0,
            vehicle=f"van-{seed}",
            instrument=(InstrumentModel(rate_hz=20e3),),
            fault=(FaultModel(type=fault, cylinder=3),) if fault else (),
        )
        write_recording(simulate(made), folder / name)
    short = Scenario(seed=3, duration_s=1.0, instrument=(InstrumentModel(rate_hz=20e3),))
    write_recording(simulate(short), folder / "text", fmt="csv")
    for fmt in ("wav", "h5", "csv", "npz"):
        (folder / f"{fmt}.toml").write_text(SCENARIO.format(fmt=fmt), encoding="utf-8")
    for name in ("van", "sound"):
        shutil.copytree(folder / name, folder / "recordings" / name)
    for arguments in (
        ("ingest", "sound/job.toml", "-o", "rec.h5"),
        ("diagnose", "van/job.toml", "-o", "before", "--quiet"),
        ("diagnose", "sound/job.toml", "-o", "after", "--quiet"),
        ("confirm", "rec.h5", "--healthy", "-o", "cases"),
        ("confirm", "van/job.toml", "--cylinder", "3", "--fault", "mixture", "-o", "cases"),
    ):
        done = run_plainly(arguments, folder)
        assert done.returncode == 0, done.stderr
    old = folder / "old"
    shutil.copytree(folder / "after", old / "r")
    (old / "rec.h5").write_bytes((folder / "rec.h5").read_bytes())
    for name, made in (("c", "compare"), ("e", "metrics")):
        (old / name).mkdir()
        (old / name / f"{made}.json").write_text("{}\n")
    shutil.copytree(ROOT / "models" / "default", old / "model")
    (old / "f.svg").write_text("<svg/>\n")
    return folder


def run_plainly(arguments, folder, **environment):
    """Run a command as a user does."""
    return subprocess.run(
        [sys.executable, "-m", "misfire", *arguments],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1", **environment},
        capture_output=True,
        text=True,
        check=False,
    )


def read_tree(folder):
    """Give path and hash of every file under a folder."""
    return {
        p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


def read_outputs(folder):
    """As `read_tree`; of a sound model bundle, what changes from run to run counts as the same.

    `model.skops` holds the time of writing and addresses in memory (the estimators are for looking
    at only), and the manifest its hash. A bundle is known by its trees; every member must have the
    hash that the manifest says.
    """
    tree = read_tree(folder)
    for name in [n for n in tree if n.endswith("manifest.json") and not is_temporary(n)]:
        try:
            told = json.loads((folder / name).read_text(encoding="utf-8"))["sha256"]
        except (ValueError, KeyError):
            continue
        place = name.removesuffix("manifest.json")
        if all(tree.get(place + member) == content for member, content in told.items()):
            tree[name] = f"manifest of {told['trees.npz']}"
            tree[f"{place}model.skops"] = f"estimators of {told['trees.npz']}"
    return tree


def is_temporary(name):
    """Tell whether a path is, or lies in, something temporary by its name."""
    return any(part.startswith(".") or part.endswith(".part") for part in Path(name).parts)


@dataclass
class Trial:
    """One run of a command with its faults, and what broke the contract."""

    command: str
    plan: dict
    status: int
    hit: str
    said: str
    broken: list[str] = field(default_factory=list)


class Bench:
    """A server process, the inputs, and a place for outputs."""

    def __init__(self, folder):
        self.folder = make_bench(folder / "bench")
        self.inputs = read_tree(self.folder)
        self.place = folder / "runs"
        self.place.mkdir()
        self._known = {}
        self._server = subprocess.Popen(
            [sys.executable, "-m", "tests.faults.server"],
            cwd=ROOT,
            env={**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def close(self):
        """End the server."""
        self._server.stdin.close()
        self._server.wait()
        self._server.stdout.close()

    def _run(self, command, out, plan):
        """Run a command into a folder, under a plan."""
        temporary = self.place / "tmp"
        shutil.rmtree(temporary, ignore_errors=True)
        temporary.mkdir()
        task = {
            "arguments": [a.format(out=out) for a in command.arguments],
            "folder": str(self.folder),
            "temporary": str(temporary),
            "watch": [str(out), str(temporary)],
            "plan": plan,
        }
        self._server.stdin.write(json.dumps(task) + "\n")
        self._server.stdin.flush()
        made = json.loads(self._server.stdout.readline())
        lines = made.pop("said")
        return made, [line for line in lines if not line.startswith("misfire: note:")]

    def measure(self, command):
        """Run a command undisturbed, once; give its steps and the files it makes."""
        if command.name not in self._known:
            out = self._prepare(command)
            made, said = self._run(command, out, {"at": None})
            assert made["status"] == 0, (command.name, made["status"], said)
            tree = {n: h for n, h in read_outputs(out).items() if not n.endswith(VOLATILE)}
            assert not any(map(is_temporary, tree)), tree
            assert not list((self.place / "tmp").iterdir())
            self._known[command.name] = made["calls"], tree
        return self._known[command.name]

    def _prepare(self, command):
        """Make the folder of one run, with what stands in it before."""
        out = self.place / "out"
        shutil.rmtree(out, ignore_errors=True)
        out.mkdir()
        if command.old:
            source, target = self.folder / "old" / command.old, out / command.old
            (shutil.copytree if source.is_dir() else shutil.copyfile)(source, target)
        return out

    def try_fault(self, command, **plan):
        """Run a command with one fault and check the contract."""
        _, whole = self.measure(command)
        out = self._prepare(command)
        before = read_outputs(out)
        made, said = self._run(command, out, plan)
        trial = Trial(command.name, plan, made["status"], made["hit"], "\n".join(said))
        if not made["hit"] and "limit" not in plan:
            trial.broken.append("the fault was never met")
        killed = plan.get("action") == "kill"
        left = read_outputs(out)
        self._check_left(trial, before, whole, left, killed)
        if killed:
            self._check_next_run(trial, command, out, whole)
        else:
            self._check_end(trial, said, left, whole)
        if read_tree(self.folder) != self.inputs:
            trial.broken.append("an input was changed")
            self.inputs = read_tree(self.folder)
        return trial

    def _check_left(self, trial, before, whole, left, killed):
        """What stands under final names is as before or complete; nothing temporary is left."""
        for name, content in left.items():
            if name.split("/")[-1].startswith(VOLATILE):
                continue
            if is_temporary(name):
                if not killed:
                    trial.broken.append(f"left behind: {name}")
            elif content not in (before.get(name), whole.get(name)):
                trial.broken.append(f"neither old nor whole: {name}")
        temporary = [p.name for p in (self.place / "tmp").iterdir()]
        if temporary and not killed:
            trial.broken.append(f"left in the temporary folder: {', '.join(temporary)}")
        gone = {n for n in before if n not in left and not n.endswith(("result.json", "re.json"))}
        if gone and not killed:
            trial.broken.append(f"lost: {', '.join(sorted(gone))}")
        for name in left:
            if name.endswith("catalogue.sqlite") and not killed:
                with contextlib.closing(sqlite3.connect(self.place / "out" / name)) as base:
                    (word,) = base.execute("PRAGMA integrity_check").fetchone()
                if word != "ok":
                    trial.broken.append(f"{name}: {word}")
        vouchers = [n for n in left if n.endswith(("r/result.json", "c/compare.json"))]
        for name in vouchers:
            others = [n for n in whole if n.rsplit("/", 1)[0] == name.rsplit("/", 1)[0]]
            ages = {left.get(n) == whole[n] for n in others}
            if left[name] == whole[name] and ages != {True}:
                trial.broken.append(f"{name} stands beside others that are not its own")

    def _check_end(self, trial, said, left, whole):
        """The status is 0 with all outputs, or 1 with one clear line."""
        if trial.status == 0:
            missing = [n for n, content in whole.items() if left.get(n) != content]
            if missing:
                trial.broken.append(f"status 0 without {', '.join(missing)}")
        elif trial.status != 1:
            trial.broken.append(f"status {trial.status}")
        elif len(said) != 1 or not said[0].startswith("misfire: "):
            trial.broken.append(f"{len(said)} lines")
        elif "fault in the program" in said[0]:
            trial.broken.append("called a fault of the program")
        elif not any(w in said[0] for w in ("No space left", "room", "full", "File too large")):
            trial.broken.append("does not say why")

    def _check_next_run(self, trial, command, out, whole):
        """After a kill the same command works and makes the same files."""
        if trial.status != -signal.SIGKILL:
            trial.broken.append(f"status {trial.status}")
        made, said = self._run(command, out, {"at": None})
        fine = made["status"] == 0 or any(w in " ".join(said) for w in command.again)
        if not fine:
            trial.broken.append(f"the next run: {made['status']} {' '.join(said)}")
        left = read_outputs(out)
        missing = [n for n, content in whole.items() if left.get(n) != content]
        if missing:
            trial.broken.append(f"the next run lacks {', '.join(missing)}")
