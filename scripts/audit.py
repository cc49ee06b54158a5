"""Known holes in the libraries that are used, and whether the stated minimum versions hold.

    .venv/bin/python scripts/audit.py            # pip-audit on this environment, then the minimums
    .venv/bin/python scripts/audit.py --offline  # the minimums only

Needs `pip install pip-audit` for the first part, and a network. Status 1 if anything is found.
"""

import importlib.metadata
import json
import re
import subprocess
import sys
import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent


def list_requirements() -> list[str]:
    """List the requirements of the package and its extras."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project.get("optional-dependencies", {}).values()
    return sorted({*project["dependencies"], *(r for extra in extras for r in extra)})


def check_minimums() -> list[str]:
    """Say what is wrong with the stated versions and those installed."""
    troubles = []
    for requirement in list_requirements():
        name, bounds = re.fullmatch(r"([\w.-]+)(?:\[.*\])?\s*(.*)", requirement).groups()
        try:
            have = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            continue  # an extra that is not installed
        for sign, bound in re.findall(r"(>=|<)\s*([\d.]+)", bounds):
            mine, limit = ([int(n) for n in re.findall(r"\d+", v)][:3] for v in (have, bound))
            if (mine >= limit) != (sign == ">="):
                troubles.append(f"{name} {have} is installed, pyproject.toml asks for {bounds}")
    return troubles


def audit_installed() -> int:
    """Run pip-audit on this environment; what it could not look up is no clean bill."""
    command = [sys.executable, "-m", "pip_audit", "--progress-spinner", "off", "--format", "json"]
    done = subprocess.run(command, check=False, capture_output=True, text=True)
    try:
        listed = json.loads(done.stdout)["dependencies"]
    except (ValueError, KeyError):
        last = (done.stderr.strip().splitlines() or ["it said nothing"])[-1]
        print(f"pip-audit could not look anything up: {last[:200]}")
        return 1
    skipped = [entry["name"] for entry in listed if "skip_reason" in entry]
    holes = [(e["name"], v["id"]) for e in listed for v in e.get("vulns", ())]
    for name, ident in holes:
        print(f"{name}: {ident}")
    print(
        f"pip-audit: {len(listed) - len(skipped)} of {len(listed)} libraries looked up, "
        f"{len(holes)} known holes"
        + (f"; the index here does not tell of {len(skipped)}" if skipped else "")
    )
    return int(bool(holes) or len(skipped) > len(listed) / 2)


def main() -> int:
    """Run both checks."""
    troubles = check_minimums()
    for trouble in troubles:
        print(trouble)
    status = 1 if troubles else 0
    if "--offline" not in sys.argv[1:]:
        status |= audit_installed()
    return int(status)


if __name__ == "__main__":
    sys.exit(main())
