"""The model bundle on disk: data only, checked member by member before use."""

from __future__ import annotations

import hashlib
import io
import json
import math
import struct
import tempfile
import tokenize
import zipfile
import zlib
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from misfire.classify.familiarity import Familiar, pack_familiar, unpack_familiar
from misfire.classify.learned import NOTHING, Learned, read_learned, write_learned
from misfire.classify.model import Model, calibrate, expit, judge_cylinders
from misfire.classify.trees import compute_raw, pack_trees, unpack_trees
from misfire.columns import CYLINDER_COLUMNS, FEATURES_VERSION, FIRING_COLUMNS
from misfire.errors import ModelError, OutputError
from misfire.publishing import replace_folder, restore_folder, write_whole
from misfire.resources import hash_constants

if TYPE_CHECKING:
    import pandas as pd

SCHEMA, SCHEMA_FAMILY = "misfire-model/2", "misfire-model/"
MANIFEST, ARRAYS, GOLDEN, ESTIMATORS, CARD = (
    "manifest.json",
    "trees.npz",
    "golden.npz",
    "model.skops",
    "card.md",
)
LEARNED = "learned.json"  # may be missing: then nothing was learned from confirmed cases
LARGEST_MEMBER = 64 << 20  # bytes; also of what a zipped member may unpack to
GOLDEN_TOLERANCE = 1e-9
TRUSTED_TYPES = ["sklearn.ensemble._hist_gradient_boosting.predictor.TreePredictor"]
"""What `model.skops` may hold beside skops's own list; never taken from the file itself."""

_DAMAGE = (  # what damage raises: the archive, the coding, or the header, a Python literal
    OSError,
    ValueError,
    EOFError,
    MemoryError,
    OverflowError,
    RecursionError,
    RuntimeError,
    SyntaxError,
    TypeError,
    struct.error,
    tokenize.TokenError,
    zipfile.BadZipFile,
    zlib.error,
)

FITTED_WITH = (
    *("columns", "limits", "dsp", "events", "cycles", "features", "measuring"),
    *("classify/model", "classify/rules", "diagnosis/firings", "diagnosis/judging"),
)
"""Rooms whose constants decide what a firing measures and what it says: with others than those it
was fitted with a model is refused."""


def save_bundle(
    model: Model,
    folder: Path,
    *,
    golden_firings: NDArray[np.float64],
    golden_cylinders: pd.DataFrame,
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
    golden_firings : float64 array [shape=(n, len(model.event_columns))]
        Firings whose answers are stored and checked at every load.
    golden_cylinders : DataFrame [columns=CYLINDER_COLUMNS at least]
        Cylinders likewise.
    estimators : dict of scikit-learn estimators
        For inspection; not needed to judge.
    card : str
        The model card, Markdown.

    Raises
    ------
    OutputError
        If the folder is something else, or cannot be written.
    """
    import sklearn
    import skops
    from skops.io import dumps

    cylinders = golden_cylinders[list(CYLINDER_COLUMNS)].to_numpy(float)
    golden = {"firings": golden_firings, "cylinders": cylinders}
    golden |= _answer(model, golden_firings, cylinders)
    made_with = {
        "numpy": np.__version__,
        "scikit-learn": sklearn.__version__,
        "skops": skops.__version__,
    }
    kept = {GOLDEN: _pack(golden), ESTIMATORS: dumps(estimators)}
    _write_members(model, folder, kept, made_with=made_with, card=card)


def save_adapted(
    model: Model, folder: Path, *, source: Path, card: str, pictures: dict[str, str] | None = None
) -> None:
    """Write a bundle of a model whose ensembles are those of another bundle.

    Parameters
    ----------
    model : Model
        What it learned and its weights may differ from those of the other, nothing else.
    folder : Path
        Replaced if it is a bundle already; any other existing folder is refused.
    source : Path
        The other bundle: check rows and estimators are its own.
    card : str
        The model card, Markdown.
    pictures : dict name -> str, optional
        SVG that the card shows.

    Raises
    ------
    ModelError
        If the other bundle is damaged.
    OutputError
        If the folder is something else, or cannot be written.
    """
    manifest = _read_manifest(source)
    kept = {name: _read_member(source / name, manifest) for name in (GOLDEN, ESTIMATORS)}
    kept |= {name: text.encode("utf-8") for name, text in (pictures or {}).items()}
    _write_members(model, folder, kept, made_with=manifest.get("made_with", {}), card=card)


def _write_members(
    model: Model,
    folder: Path,
    kept: dict[str, bytes],
    *,
    made_with: dict[str, str],
    card: str,
) -> None:
    """Write all members of a bundle and the manifest with their hashes."""
    check_target(folder)
    arrays = (
        pack_trees(model.event, "event")
        | pack_trees(model.cylinder, "cylinder")
        | {"event_knots": model.event_knots, "cylinder_knots": model.cylinder_knots}
        | {"weights": np.array(model.weights)}
    )
    if model.familiar is not None:
        arrays |= pack_familiar(model.familiar)
    members = kept | {
        ARRAYS: _pack(arrays),
        CARD: card.encode("utf-8"),
        LEARNED: write_learned(model.learned),
    }
    manifest = dict(model.manifest) | {
        "schema": SCHEMA,
        "features_version": FEATURES_VERSION,
        "constants_sha256": hash_constants(FITTED_WITH),
        "event_columns": list(model.event_columns),
        "cylinder_columns": list(model.cylinder_columns),
        "descriptors": [] if model.familiar is None else list(model.familiar.names),
        "made_with": made_with,
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
                write_whole(made / name, data)
            replace_folder(made, folder)
    except OSError as error:
        raise OutputError(f"{folder}: the model cannot be written ({error.strerror})") from None


def check_target(folder: Path) -> None:
    """Refuse to put a bundle where something else stands.

    Raises
    ------
    OutputError
        If `folder` exists and is no bundle.
    """
    restore_folder(folder)
    if folder.exists() and not (folder / MANIFEST).is_file():
        raise OutputError(f"{folder}: exists and is no model bundle; give another place for it")


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
        If a member is missing, changed, too large or of another schema; if its features or the
        constants it was fitted with are not those of this version; or if its golden rows come
        out otherwise. Nothing in a bundle is ever executed.
    """
    manifest = _read_manifest(folder)
    _check_features(folder, manifest)
    for name in (ESTIMATORS, CARD):  # not needed to judge, but part of what was made
        _read_member(folder / name, manifest)
    arrays = _unpack(folder / ARRAYS, manifest)
    try:
        model = Model(
            event=unpack_trees(arrays, "event", n_features=len(manifest["event_columns"])),
            event_knots=_knots(arrays["event_knots"]),
            cylinder=unpack_trees(arrays, "cylinder", n_features=len(manifest["cylinder_columns"])),
            cylinder_knots=_knots(arrays["cylinder_knots"]),
            weights=_read_weights(arrays["weights"]),
            event_columns=tuple(manifest["event_columns"]),
            cylinder_columns=tuple(manifest["cylinder_columns"]),
            learned=_read_learned(folder, manifest),
            familiar=_read_familiar(arrays, manifest),
            manifest=manifest,
        )
    except (KeyError, IndexError, ValueError) as error:
        raise ModelError(f"{folder}: {ARRAYS} lacks {error}; train the model again") from None
    if any(trees.roots.shape[1] != 1 for trees in (model.event, model.cylinder)):
        raise ModelError(f"{folder}: the trees do not fit their task; train the model again")
    golden = _unpack(folder / GOLDEN, manifest)
    try:
        answers = _answer(model, golden["firings"], golden["cylinders"])
        same = all(
            golden[name].shape == answers[name].shape
            and np.allclose(golden[name], answers[name], rtol=0, atol=GOLDEN_TOLERANCE)
            for name in answers
        )
    except (KeyError, ValueError, IndexError):
        same = False
    if not same or not len(golden["firings"]) or not len(golden["cylinders"]):
        raise ModelError(
            f"{folder}: the model's own check rows come out otherwise here; train it again"
        )
    return model


def _read_learned(folder: Path, manifest: dict[str, Any]) -> Learned:
    """Read what confirmed cases taught, where the bundle has it."""
    if LEARNED not in manifest["sha256"]:
        return NOTHING
    return read_learned(_read_member(folder / LEARNED, manifest))


def _read_familiar(arrays: dict[str, NDArray[Any]], manifest: dict[str, Any]) -> Familiar | None:
    """Read the vehicles of the training, where the bundle tells them by today's descriptors."""
    names = manifest.get("descriptors")
    if not isinstance(names, list) or not names or not all(isinstance(n, str) for n in names):
        return None
    return unpack_familiar(arrays, tuple(names))


def load_estimators(folder: Path) -> dict[str, Any]:
    """Read the scikit-learn estimators of a bundle, for inspection; judging never needs them.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    estimators : dict
        `event`, `cylinder`.

    Raises
    ------
    ModelError
        If the bundle does not fit, was made with another scikit-learn, or holds a type that is
        not on the fixed list.
    """
    import sklearn
    from skops.io import loads
    from skops.io.exceptions import UntrustedTypesFoundException

    manifest = _read_manifest(folder)
    versions = manifest.get("made_with")
    made = versions.get("scikit-learn") if isinstance(versions, dict) else None
    made = made if isinstance(made, str) else "an unknown version"
    if made.split(".")[:2] != sklearn.__version__.split(".")[:2]:
        raise ModelError(
            f"{folder}: its estimators were made with scikit-learn {made}, here is "
            f"{sklearn.__version__}; the model can judge all the same"
        )
    data = _read_member(folder / ESTIMATORS, manifest)
    try:
        return dict(loads(data, trusted=TRUSTED_TYPES))
    except (UntrustedTypesFoundException, TypeError) as error:
        raise ModelError(f"{folder / ESTIMATORS}: holds what no model needs ({error})") from None
    except (ValueError, KeyError, zipfile.BadZipFile) as error:
        raise ModelError(f"{folder / ESTIMATORS}: cannot be read ({error})") from None


def _answer(
    model: Model, firings: NDArray[np.float64], cylinders: NDArray[np.float64]
) -> dict[str, NDArray[np.float64]]:
    """Judge the golden rows."""
    import pandas as pd

    odds = calibrate(compute_raw(model.event, firings)[:, 0], model.event_knots)
    table = pd.DataFrame(cylinders, columns=list(CYLINDER_COLUMNS))
    return {"event_probability": expit(odds), "cylinder_odds": judge_cylinders(model, table)}


def _read_manifest(folder: Path) -> dict[str, Any]:
    """Read the manifest of a bundle."""
    restore_folder(folder)
    path = folder / MANIFEST
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_MEMBER + 1)
    except OSError as error:
        raise ModelError(f"{folder}: no readable model manifest in it ({error})") from None
    if len(data) > LARGEST_MEMBER:
        raise ModelError(f"{path}: too large to be a manifest")
    return parse_manifest(data, folder)


def parse_manifest(data: bytes, folder: Path) -> dict[str, Any]:
    """Check the form of a manifest.

    Parameters
    ----------
    data : bytes
        JSON in UTF-8.
    folder : Path
        The bundle, for messages.

    Returns
    -------
    manifest : dict

    Raises
    ------
    ModelError
        If it is not JSON, has another schema or lacks its lists.
    """
    try:
        manifest = json.loads(data.decode("utf-8"))
    except (ValueError, RecursionError) as error:
        raise ModelError(f"{folder}: no readable model manifest in it ({error})") from None
    if not isinstance(manifest, dict):
        raise ModelError(f"{folder}: not a model of this program's schema ({SCHEMA})")
    schema = manifest.get("schema")
    if not isinstance(schema, str) or not schema.startswith(SCHEMA_FAMILY):
        raise ModelError(f"{folder}: not a model of this program's schema ({SCHEMA})")
    if schema != SCHEMA:
        raise ModelError(
            f"{folder}: this model was made by another version of the program ({schema[:40]!r}, "
            f"here {SCHEMA!r}); train it anew with `misfire train`"
        )
    lists = ("event_columns", "cylinder_columns")
    strings = all(
        isinstance(manifest.get(k), list) and all(isinstance(v, str) for v in manifest[k])
        for k in lists
    )
    if not strings or not isinstance(manifest.get("sha256"), dict):
        raise ModelError(f"{folder}: the manifest lacks its lists; train the model again")
    return manifest


def _check_features(folder: Path, manifest: dict[str, Any]) -> None:
    """Refuse a model whose features or constants are not those used here."""
    if manifest.get("features_version") != FEATURES_VERSION:
        raise ModelError(
            f"{folder}: made for features of version {manifest.get('features_version')}, "
            f"this program measures version {FEATURES_VERSION}; train the model again"
        )
    for given, ours in (
        (manifest["event_columns"], FIRING_COLUMNS),
        (manifest["cylinder_columns"], CYLINDER_COLUMNS),
    ):
        unknown = [c for c in given if c not in ours]
        if unknown or len(set(given)) != len(given) or not given:
            what = f"column {unknown[0]!r} is not measured here" if unknown else "columns repeat"
            raise ModelError(f"{folder}: {what}; train the model again")
    if manifest.get("constants_sha256") != hash_constants(FITTED_WITH):
        raise ModelError(
            f"{folder}: this model was fitted with other constants than this version of the "
            "program measures and judges with; train it anew with `misfire train`"
        )


def _read_weights(weights: NDArray[np.float64]) -> tuple[float, float, float]:
    """Check the weights of the addends: three finite numbers."""
    if weights.shape != (3,) or not np.all(np.isfinite(weights)):
        raise ModelError("model bundle: the weights are not three numbers; train it again")
    prior, pattern, firings = weights.tolist()
    return prior, pattern, firings


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


def _read_member(path: Path, manifest: dict[str, Any]) -> bytes:
    """Read a member after its size was checked, and check its hash."""
    try:
        if path.stat().st_size > LARGEST_MEMBER:
            raise ModelError(f"{path}: larger than a model can be")
        data = path.read_bytes()
    except OSError as error:
        raise ModelError(f"{path}: cannot be read ({error.strerror})") from None
    if hashlib.sha256(data).hexdigest() != manifest["sha256"].get(path.name):
        raise ModelError(f"{path}: differs from what the manifest says; copy the bundle again")
    return data


def _unpack(path: Path, manifest: dict[str, Any]) -> dict[str, NDArray[Any]]:
    """Read an npz member."""
    return unpack_arrays(_read_member(path, manifest), path)


def unpack_arrays(data: bytes, path: Path) -> dict[str, NDArray[Any]]:
    """Unpack an npz archive of numbers, and refuse what is larger than a model or no number.

    Parameters
    ----------
    data : bytes
    path : Path
        The member, for messages.

    Returns
    -------
    arrays : dict of arrays

    Raises
    ------
    ModelError
        If it is damaged, unpacks to more than 64 MiB, or holds anything but numbers.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            members = archive.infolist()
            if sum(i.file_size for i in members) > LARGEST_MEMBER:
                raise ModelError(f"{path}: unpacks to more than a model can be")
            return {i.filename.removesuffix(".npy"): _read_array(archive, i) for i in members}
    except _DAMAGE as error:
        raise ModelError(f"{path}: cannot be read ({error})") from None


def _read_array(archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> NDArray[Any]:
    """Read one array; its header must promise just what is there."""
    with archive.open(member) as file:
        version = np.lib.format.read_magic(file)
        if version != (1, 0):
            raise ValueError(f"{member.filename}: array of another version")
        shape, is_fortran, dtype = np.lib.format.read_array_header_1_0(file)
        raw = file.read(LARGEST_MEMBER)
    if dtype.kind not in "fib":
        raise ValueError(f"{member.filename}: holds something else than numbers")
    if is_fortran or any(n < 0 for n in shape) or math.prod(shape) * dtype.itemsize != len(raw):
        raise ValueError(f"{member.filename}: has another size than its header says")
    return np.frombuffer(raw, dtype).reshape(shape)
