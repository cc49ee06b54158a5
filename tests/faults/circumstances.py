"""Faults of the surroundings, each tried with a command as a user runs it."""

import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass

from tests.faults.trials import ROOT, is_temporary, read_tree

PNG = ("show", "rec.h5", "--time", "1.5", "-o", "{out}/f.png")
START = "import sys; from misfire.cli.app import main; main(sys.argv[1:])"
BACKWARDS = """
import itertools, time
count = itertools.count()
time.time = lambda: 1.7e9 - 1000.0 * next(count)
time.time_ns = lambda: int(time.time() * 1e9)
"""
NO_TEMPORARY = "import tempfile; tempfile.tempdir = '/dev/null/none'\n"
MEANWHILE = """
import os
import misfire.align.storewriter as store
real, done = store.pack, []
def pack(counts):
    if not done:
        done.append(1)
        {act}
    return real(counts)
store.pack = pack
"""
TARGETS = {  # a command of each kind that writes
    "diagnose": ("diagnose", "van/job.toml", "-o", "{out}/r"),
    "ingest": ("ingest", "van/job.toml", "-o", "{out}/rec.h5"),
    "compare": ("compare", "before", "after", "-o", "{out}/c"),
    "show": ("show", "rec.h5", "--time", "1.5", "-o", "{out}/f.svg"),
    "hookup": ("hookup", "--cylinders", "4", "--inputs", "3", "-o", "{out}/h"),
    "confirm": ("confirm", "rec.h5", "--healthy", "-o", "{out}/cases"),
    "evaluate": ("evaluate", "physics", "cases", "-o", "{out}/e"),
    "simulate": ("simulate", "wav.toml", "-o", "{out}/s"),
    "screen": ("screen", "recordings", "-o", "{out}/fleet", "--quiet"),
    "train": ("train", "cases", "-o", "{out}/model"),
}


@dataclass
class Circumstance:
    """A fault: Python code that runs before the command, or a change of the output folder."""

    fault: str
    command: str
    arguments: tuple[str, ...]
    words: tuple[str, ...] = ()  # one of them stands in the message; none: the job is done
    before: str = ""
    prepare: Callable | None = None
    standard_output: str | None = None
    shell: str = ""
    touches: bool = False  # the fault itself changes an input


def _block(module):
    """Code after which a module cannot be imported."""
    return f"import sys; sys.modules[{module!r}] = None\n"


def _occupy(out):
    """Put files where the folders are to stand, and folders where the files."""
    for name in ("r", "c", "h", "cases", "e", "s", "fleet", "model"):
        (out / name).write_text("mine")
    for name in ("rec.h5", "f.svg"):
        (out / name).mkdir()


READ_ONLY = 'mount -t tmpfs -o ro none "$1" && cd "$2" && shift 2 && exec "$@"'
SMALL = 'mount -t tmpfs -o size={size}k none "$1" && cd "$2" && shift 2 && "$@"; s=$?; {after}'


def list_circumstances():
    """List every fault with the commands that it is tried on."""
    made = []
    for name, arguments in TARGETS.items():
        made.append(
            Circumstance("target is a file, or a folder", name, arguments,
                         ("is a file", "is a folder"), prepare=_occupy)
        )  # fmt: skip
        made.append(
            Circumstance("read-only file system", name, arguments,
                         ("no permission", "Read-only"), shell=READ_ONLY)
        )  # fmt: skip
    for name in ("diagnose", "ingest", "compare", "show", "screen"):
        made.append(Circumstance("clock runs backwards", name, TARGETS[name], before=BACKWARDS))
    text = ("ingest", "text/job.toml", "-o", "{out}/rec.h5")
    no_place = ("temporary folder", "Not a directory")
    made.append(Circumstance("no temporary folder", "ingest", text, no_place, NO_TEMPORARY))
    for name in ("diagnose", "screen"):
        words = () if name == "diagnose" else no_place
        made.append(Circumstance("no temporary folder", name, TARGETS[name], words, NO_TEMPORARY))
    for module, extra, name, arguments in (
        ("resvg_py", "png", "show", PNG),
        ("distributed", "cluster", "screen",
         (*TARGETS["screen"], "--scheduler", "tcp://127.0.0.1:9")),
        ("asammdf", "mdf", "ingest", ("ingest", "mdf/job.toml", "-o", "{out}/rec.h5")),
        ("soundfile", "wav", "ingest", ("ingest", "flac/job.toml", "-o", "{out}/rec.h5")),
    ):  # fmt: skip
        words = (f"extra `{extra}`", f".[{extra}]")
        made.append(Circumstance(f"extra {extra} missing", name, arguments, words, _block(module)))
    fast = _block("deflate") + _block("isal")
    made.append(Circumstance("extra fast missing", "ingest", TARGETS["ingest"], before=fast))
    store = ("diagnose", "rec.h5", "-o", "{out}/r")
    made.append(Circumstance("extra fast missing", "diagnose", store, before=fast))
    capture = "van/capture.wav"
    for what, act, words in (
        ("vanishes", f"os.rename({capture!r}, 'van/gone')", ()),
        ("shrinks to nothing", f"os.truncate({capture!r}, 0)", ("became shorter",)),
        ("shrinks", f"os.truncate({capture!r}, 3001)", ("became shorter",)),
        ("grows", f"open({capture!r}, 'ab').write(bytes(999))", ("changed while it was read",)),
        (
            "is another one now",
            f"os.replace('sound/capture.wav', {capture!r})",
            ("changed while it was read",),
        ),
    ):
        made.append(
            Circumstance(f"input {what} while it is read", "ingest", TARGETS["ingest"], words,
                         MEANWHILE.format(act=act), touches=True)
        )  # fmt: skip
    if os.path.exists("/dev/full"):
        for name in ("diagnose", "compare", "show", "hookup", "screen", "evaluate"):
            made.append(
                Circumstance("standard output is full", name, TARGETS[name], ("No space left",),
                             standard_output="/dev/full")
            )  # fmt: skip
    return made


def find_mount_obstacle():
    """Say why a file system cannot be mounted here, or nothing."""
    if shutil.which("unshare") is None:
        return "no program unshare"
    done = subprocess.run(
        ["unshare", "--mount", "--map-root-user", "mount", "-t", "tmpfs", "none", "/mnt"],
        capture_output=True,
        text=True,
        check=False,
    )
    return f"a file system cannot be mounted ({done.stderr.strip()})" if done.returncode else ""


def try_circumstance(case, folder, place):
    """Run a command under a fault; give its status, its words, and what broke the contract."""
    inputs = folder
    if case.touches:
        inputs = place / "inputs"
        shutil.rmtree(inputs, ignore_errors=True)
        shutil.copytree(folder, inputs)
    out = place / "out"
    shutil.rmtree(out, ignore_errors=True)
    out.mkdir()
    if case.prepare:
        case.prepare(out)
    before, held = read_tree(inputs), read_tree(out)
    command = [sys.executable, "-c", case.before + START]
    command += [a.format(out=out) for a in case.arguments]
    if case.shell:
        command = ["unshare", "--mount", "--map-root-user", "sh", "-c", case.shell, "sh",
                   str(out), str(inputs), *command]  # fmt: skip
    with open(case.standard_output or os.devnull, "w") as output:
        done = subprocess.run(
            command, cwd=inputs, stdout=output, stderr=subprocess.PIPE, text=True, check=False,
            env={**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"},
        )  # fmt: skip
    said = [s for s in done.stderr.splitlines() if not s.startswith("misfire: note:")]
    broken = []
    if done.returncode != (1 if case.words else 0):
        broken.append(f"status {done.returncode}")
    if case.words and (len(said) != 1 or not any(w in said[0] for w in case.words)):
        broken.append("not one clear line")
    if any("fault in the program" in line or "Traceback" in line for line in said):
        broken.append("called a fault of the program")
    if not case.touches and read_tree(inputs) != before:
        broken.append("an input was changed")
    left = read_tree(out)
    broken += [f"left behind: {name}" for name in left if is_temporary(name)]
    broken += [f"changed: {name}" for name in held if left.get(name) != held[name]]
    return done.returncode, "\n".join(said), broken


def add_inputs(folder):
    """Add the recordings in formats that need an extra; only their first bytes matter."""
    for name, file, start in (
        ("mdf", "a.mf4", b"MDF     4.10    "),
        ("flac", "a.flac", b"fLaC"),
    ):
        card = folder / name / "job.toml"
        card.parent.mkdir()
        text = (folder / "van" / "job.toml").read_text("utf-8").replace("capture.wav", file)
        card.write_text(text, encoding="utf-8")
        (folder / name / file).write_bytes(start + bytes(4000))


def fill_small_disk(command, folder, place, size_kib):
    """Run a command with its output on a real file system of a size; as `try_circumstance`."""
    out, copy = place / "out", place / "copy"
    for each in (out, copy):
        shutil.rmtree(each, ignore_errors=True)
    out.mkdir()
    after = f'cp -a "{out}" "{copy}"; exit $s'
    done = subprocess.run(
        ["unshare", "--mount", "--map-root-user", "sh", "-c",
         SMALL.format(size=size_kib, after=after), "sh", str(out), str(folder),
         sys.executable, "-c", START, *(a.format(out=out) for a in command.arguments)],
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"},
    )  # fmt: skip
    said = [s for s in done.stderr.splitlines() if not s.startswith("misfire: note:")]
    return done.returncode, said, read_tree(copy)
