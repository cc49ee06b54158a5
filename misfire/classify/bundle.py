"""The model bundle on disk: data only, checked member by member before use."""

from __future__ import annotations

import hashlib
import io
import json
import os
import tempfile
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from misfire.classify.model import Model, calibrate, expit
from misfire.classify.trees import compute_raw, pack_trees, unpack_trees
from misfire.columns import CYLINDER_COLUMNS, FEATURES_VERSION, FIRING_COLUMNS
from misfire.errors import ModelError, OutputError
from misfire.records import FAULT_TYPES

SCHEMA = "misfire-model/1"
MANIFEST, ARRAYS, GOLDEN, ESTIMATORS, CARD = (
    "manifest.json",
    "trees.npz",
    "golden.npz",
    "model.skops",
    "card.md",
)
LARGEST_MEMBER = 64 << 20  # bytes; also of what a zipped member may unpack to
GOLDEN_TOLERANCE = 1e-9
TRUSTED_TYPES = [
    "sklearn.ensemble._hist_gradient_boosting.predictor.TreePredictor",
    "sklearn.calibration._CalibratedClassifier",
    "sklearn.calibration._SigmoidCalibration",
    "sklearn.tree._tree.Tree",
]
"""What `model.skops` may hold beside skops's own list; never taken from the file itself."""


def save_bundle(
    model: Model,
    folder: Path,
    *,
    golden_firings: NDArray[np.float64],
    golden_cylinders: NDArray[np.float64],
    golden_faults: NDArray[np.float64],
    estimators: dict[str, Any],
    card: str,
) -> None:
    """Write a bundle: all members to a temporary folder beside it, then renamed.

    Parameters
    ----------
    model : Model
        Its manifest is written with hashes and versions added.
    folder : Path
        Replaced if it is a bundle already; any other existing folder is refused.
    golden_firings, golden_cylinders, golden_faults : float64 arrays
        Rows of inputs whose answers are stored and checked at every load.
    estimators : dict of scikit-learn estimators
        For retraining and inspection; not needed to judge.
    card : str
        The model card, Markdown.

    Raises
    ------
    OutputError
        If the folder is something else, or cannot be written.
    """
    from skops.io import dumps

    if folder.exists() and not (folder / MANIFEST).is_file():
        raise OutputError(f"{folder}: exists and is no model bundle; give another place for it")
    arrays = (
        pack_trees(model.event, "event")
        | pack_trees(model.cylinder, "cylinder")
        | pack_trees(model.fault, "fault")
        | {"event_knots": model.event_knots, "cylinder_knots": model.cylinder_knots}
        | {"temperature": np.array([model.temperature])}
    )
    golden = {"firings": golden_firings, "cylinders": golden_cylinders, "faults": golden_faults}
    golden |= _answer(model, golden_firings, golden_cylinders, golden_faults)
    members = {
        ARRAYS: _pack(arrays),
        GOLDEN: _pack(golden),
        ESTIMATORS: dumps(estimators),
        CARD: card.encode("utf-8"),
    }
    manifest = dict(model.manifest) | {
        "schema": SCHEMA,
        "features_version": FEATURES_VERSION,
        "event_columns": list(model.event_columns),
        "cylinder_columns": list(model.cylinder_columns),
        "fault_columns": list(model.fault_columns),
        "fault_types": list(model.fault_types),
        "sha256": {name: hashlib.sha256(data).hexdigest() for name, data in members.items()},
    }
    members[MANIFEST] = (json.dumps(manifest, indent=1, sort_keys=True) + "\n").encode()
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(
            dir=folder.parent, prefix=f".{folder.name}-", suffix=".part"
        ) as part:
            made = Path(part) / folder.name
            made.mkdir()
            for name, data in members.items():
                (made / name).write_bytes(data)
            if folder.exists():
                folder.rename(Path(part) / "old")
            os.replace(made, folder)
    except OSError as error:
        raise OutputError(f"{folder}: the model cannot be written ({error.strerror})") from None


def load_bundle(folder: Path) -> Model:
    """Read a bundle and refuse it if anything in it does not fit.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    model : Model

    Raises
    ------
    ModelError
        If a member is missing, changed, too large or of another schema; if its features are not
        those of this version (the message names the column); or if its golden rows come out
        otherwise. Nothing in a bundle is ever executed.
    """
    manifest = _read_manifest(folder)
    _check_columns(folder, manifest)
    arrays = _unpack(folder / ARRAYS, manifest)
    columns = (
        manifest["event_columns"],
        manifest["cylinder_columns"],
        manifest["fault_columns"],
    )
    try:
        model = Model(
            event=unpack_trees(arrays, "event", n_features=len(columns[0])),
            event_knots=_knots(arrays["event_knots"]),
            cylinder=unpack_trees(arrays, "cylinder", n_features=len(columns[1])),
            cylinder_knots=_knots(arrays["cylinder_knots"]),
            fault=unpack_trees(arrays, "fault", n_features=len(columns[2]) + len(FAULT_TYPES)),
            fault_types=tuple(manifest["fault_types"]),
            temperature=float(arrays["temperature"][0]),
            event_columns=tuple(columns[0]),
            cylinder_columns=tuple(columns[1]),
            fault_columns=tuple(columns[2]),
            manifest=manifest,
        )
    except KeyError as error:
        raise ModelError(f"{folder}: array {error} is missing; train the model again") from None
    if model.fault.baseline.size != len(model.fault_types) or not model.temperature > 0:
        raise ModelError(f"{folder}: the fault types do not fit the trees; train the model again")
    golden = _unpack(folder / GOLDEN, manifest)
    try:
        answers = _answer(model, golden["firings"], golden["cylinders"], golden["faults"])
        same = all(
            np.allclose(golden[name], answers[name], rtol=0, atol=GOLDEN_TOLERANCE)
            for name in answers
        )
    except (KeyError, ValueError, IndexError):
        same = False
    if not same:
        raise ModelError(
            f"{folder}: the model's own check rows come out otherwise here; train it again"
        )
    return model


def _answer(
    model: Model,
    firings: NDArray[np.float64],
    cylinders: NDArray[np.float64],
    faults: NDArray[np.float64],
) -> dict[str, NDArray[np.float64]]:
    """Judge the golden rows."""
    event = expit(calibrate(compute_raw(model.event, firings)[:, 0], model.event_knots))
    odds = compute_raw(model.cylinder, cylinders)[:, 0]
    return {
        "event_probability": event,
        "cylinder_probability": expit(calibrate(odds, model.cylinder_knots)),
        "fault_raw": compute_raw(model.fault, faults),
    }


def _read_manifest(folder: Path) -> dict[str, Any]:
    """Read and check the manifest's form."""
    path = folder / MANIFEST
    try:
        if path.stat().st_size > LARGEST_MEMBER:
            raise ModelError(f"{path}: too large to be a manifest")
        manifest = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise ModelError(f"{folder}: no readable model manifest in it ({error})") from None
    if not isinstance(manifest, dict) or manifest.get("schema") != SCHEMA:
        raise ModelError(f"{folder}: not a model of this program's schema ({SCHEMA})")
    lists = ("event_columns", "cylinder_columns", "fault_columns", "fault_types")
    strings = all(
        isinstance(manifest.get(k), list) and all(isinstance(v, str) for v in manifest[k])
        for k in lists
    )
    if not strings or not isinstance(manifest.get("sha256"), dict):
        raise ModelError(f"{folder}: the manifest lacks its lists; train the model again")
    return manifest


def _check_columns(folder: Path, manifest: dict[str, Any]) -> None:
    """Refuse a model whose features are not those measured here."""
    if manifest.get("features_version") != FEATURES_VERSION:
        raise ModelError(
            f"{folder}: made for features of version {manifest.get('features_version')}, "
            f"this program measures version {FEATURES_VERSION}; train the model again"
        )
    for given, ours in (
        (manifest["event_columns"], FIRING_COLUMNS),
        (manifest["cylinder_columns"], CYLINDER_COLUMNS),
        (manifest["fault_columns"], CYLINDER_COLUMNS),
        (manifest["fault_types"], FAULT_TYPES),
    ):
        unknown = [c for c in given if c not in ours]
        if unknown or len(set(given)) != len(given) or not given:
            what = f"column {unknown[0]!r} is not measured here" if unknown else "columns repeat"
            raise ModelError(f"{folder}: {what}; train the model again")


def _knots(knots: NDArray[np.float64]) -> NDArray[np.float64]:
    """Check calibration knots: two rising rows."""
    if knots.ndim != 2 or knots.shape[0] != 2 or knots.shape[1] < 1:
        raise ModelError("model bundle: calibration knots have another form; train it again")
    if not np.all(np.isfinite(knots)) or np.any(np.diff(knots[0]) <= 0):
        raise ModelError("model bundle: calibration knots do not rise; train it again")
    return knots


def _pack(arrays: dict[str, NDArray[Any]]) -> bytes:
    """Make an npz file; the same arrays give the same bytes."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in sorted(arrays):
            member = io.BytesIO()
            np.lib.format.write_array(member, np.ascontiguousarray(arrays[name]), version=(1, 0))
            archive.writestr(zipfile.ZipInfo(f"{name}.npy"), member.getvalue())
    return buffer.getvalue()


def _unpack(path: Path, manifest: dict[str, Any]) -> dict[str, NDArray[Any]]:
    """Read an npz member after its hash and sizes were checked; objects are refused."""
    try:
        if path.stat().st_size > LARGEST_MEMBER:
            raise ModelError(f"{path}: larger than a model can be")
        data = path.read_bytes()
        if hashlib.sha256(data).hexdigest() != manifest["sha256"].get(path.name):
            raise ModelError(f"{path}: differs from what the manifest says; copy the bundle again")
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            if sum(i.file_size for i in archive.infolist()) > LARGEST_MEMBER:
                raise ModelError(f"{path}: unpacks to more than a model can be")
        with np.load(io.BytesIO(data), allow_pickle=False) as file:
            return {name: np.asarray(file[name]) for name in file.files}
    except (OSError, ValueError, zipfile.BadZipFile, EOFError) as error:
        raise ModelError(f"{path}: cannot be read ({error})") from None
