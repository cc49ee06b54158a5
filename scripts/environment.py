"""The virtual environment of this checkout: made when absent, brought up to date when needed.

Uses the standard library only, and no syntax that an older Python would stumble over before it
comes to the version check.
"""

import hashlib
import os
import re
import subprocess
import sys
from pathlib import Path

if sys.version_info < (3, 11):  # noqa: UP036 - said in words, not by a syntax error
    sys.exit(
        "misfire needs Python 3.11 or newer; this is Python %d.%d (%s). "  # noqa: UP031
        "Run the script with a newer one, for instance: python3.12 %s"
        % (sys.version_info[0], sys.version_info[1], sys.executable, sys.argv[0])
    )

ROOT = Path(__file__).resolve().parent.parent
FOLDER = ROOT / ".venv"
PYTHON = FOLDER / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def _compute_stamp() -> str:
    """Say what the environment depends on: the requirements, the place and the interpreter."""
    digest = hashlib.sha256((ROOT / "pyproject.toml").read_bytes())
    digest.update(f"{ROOT}\n{sys.version_info[:2]}".encode())
    return digest.hexdigest()


def _works() -> bool:
    """Tell whether the environment's Python starts and is new enough."""
    question = "import sys; sys.exit(sys.version_info < (3, 11))"
    try:
        return subprocess.run([PYTHON, "-c", question], check=False).returncode == 0
    except OSError:
        return False


def _run(command: list[str | Path], *, advice: str) -> None:
    """Run one step of the set-up, or leave with a clear message."""
    status = subprocess.run(command, cwd=ROOT, check=False).returncode
    if status:
        sys.exit(f"setting up {FOLDER} failed: {advice}")


def list_lowest() -> list[str]:
    """Give the least version of each library and extra that pyproject.toml names, as pins."""
    import tomllib

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"].values()
    pins = {}
    for requirement in (*project["dependencies"], *(r for extra in extras for r in extra)):
        found = re.match(r"([\w.-]+)>=([\w.]+)", requirement)
        if found:
            pins[found[1]] = f"{found[1]}=={found[2]}"
    return sorted(pins.values())


def prepare_lowest() -> Path:
    """Give the Python of an environment with the least versions, for the tests alone.

    Returns
    -------
    python : Path
        Its interpreter.
    """
    folder = ROOT / ".venv-lowest"
    python = folder / PYTHON.relative_to(FOLDER)
    stamp = folder / "installed.txt"
    if not stamp.is_file() or stamp.read_text() != _compute_stamp():
        print(f"making {folder} (a few minutes, needs a network)", flush=True)
        _run([sys.executable, "-m", "venv", "--clear", folder], advice="is the module venv there?")
        pins = folder / "pins.txt"
        pins.write_text("\n".join(list_lowest()) + "\n", encoding="utf-8")
        everything = f"{ROOT}[png,cluster,fast,mdf,wav,test]"
        install = [python, "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
        _run(
            [*install, "--constraint", pins, "--editable", everything],
            advice="the least versions do not go together, or this Python is too new for them",
        )
        stamp.write_text(_compute_stamp())
    return python


def prepare(extra: str = "") -> Path:
    """Give the Python of an environment with the package installed from this checkout.

    Parameters
    ----------
    extra : str
        Name of an extra of pyproject.toml to install as well.

    Returns
    -------
    python : Path
        The environment's interpreter.
    """
    stamp = FOLDER / f"installed-{extra or 'plain'}.txt"
    wanted = _compute_stamp()
    if not _works():
        print(f"making {FOLDER} (first run: a few minutes, needs a network)", flush=True)
        _run(
            [sys.executable, "-m", "venv", "--clear", FOLDER],
            advice="this Python lacks the module venv (on Debian: apt-get install python3-venv)",
        )
    if not stamp.is_file() or stamp.read_text() != wanted:
        target = f"{ROOT}[{extra}]" if extra else str(ROOT)
        install = [PYTHON, "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
        _run(
            [*install, "--editable", target],
            advice="pip could not install the requirements (see above); is there a network?",
        )
        stamp.write_text(wanted)
    return PYTHON
