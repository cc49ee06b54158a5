"""The model bundle: what was saved comes back, and every kind of damage is refused."""

import dataclasses
import hashlib
import io
import json
import os
import pickle
import re
import shutil
import zipfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import sklearn
from skops.io import dumps, get_untrusted_types

from misfire import resources
from misfire.classify import bundle
from misfire.classify.bundle import (
    ARRAYS,
    CARD,
    ESTIMATORS,
    GOLDEN,
    MANIFEST,
    TRUSTED_TYPES,
    load_bundle,
    load_estimators,
    save_adapted,
    save_bundle,
)
from misfire.classify.familiarity import learn_familiar
from misfire.classify.learned import NOTHING, Learned
from misfire.classify.model import judge_cylinders
from misfire.columns import CYLINDER_COLUMNS
from misfire.errors import ModelError, OutputError
from misfire.resources import hash_constants
from tests.builders.models import make_model


@pytest.fixture(scope="module")
def made():
    return make_model()


@pytest.fixture
def folder(made, tmp_path):
    """Write a bundle."""
    write(made, tmp_path / "model")
    return tmp_path / "model"


def write(made, folder):
    save_bundle(
        made.model,
        folder,
        golden_firings=made.firings,
        golden_cylinders=made.cylinders,
        estimators=made.estimators,
        card="# Card\n",
    )


def read_manifest(folder):
    return json.loads((folder / MANIFEST).read_text())


def change_manifest(folder, **changes):
    (folder / MANIFEST).write_text(json.dumps(read_manifest(folder) | changes))


def replace_member(folder, name, data):
    """Replace a member as one would who means harm: with a hash that fits."""
    (folder / name).write_bytes(data)
    hashes = read_manifest(folder)["sha256"] | {name: hashlib.sha256(data).hexdigest()}
    change_manifest(folder, sha256=hashes)


def replace_array(folder, member, name, array):
    """Replace one array of an npz member, with a hash that fits."""
    with np.load(folder / member, allow_pickle=False) as file:
        arrays = dict(file)
    arrays[name] = array
    buffer = io.BytesIO()
    np.savez(buffer, **{k: v for k, v in arrays.items() if v is not None})
    replace_member(folder, member, buffer.getvalue())


class TestRoundTrip:
    def test_the_same_answers(self, made, folder):
        model = load_bundle(folder)
        rows = pd.DataFrame(
            np.random.default_rng(5).normal(size=(30, len(CYLINDER_COLUMNS))),
            columns=list(CYLINDER_COLUMNS),
        )
        assert (judge_cylinders(model, rows) == judge_cylinders(made.model, rows)).all()
        assert model.weights == made.model.weights
        assert model.manifest["vehicles"] == 3

    def test_the_same_bytes_each_time(self, made, folder, tmp_path):
        write(made, tmp_path / "again")
        for name in (MANIFEST, ARRAYS, GOLDEN, CARD):
            if name != MANIFEST:
                assert (folder / name).read_bytes() == (tmp_path / "again" / name).read_bytes()

    def test_trusted_types_are_those_needed(self, folder):
        assert get_untrusted_types(file=folder / ESTIMATORS) == TRUSTED_TYPES

    def test_estimators_say_what_the_arrays_say(self, made, folder):
        estimators = load_estimators(folder)
        assert sorted(estimators) == ["cylinder", "event"]
        mine = estimators["event"].predict_proba(made.firings)
        assert (mine == made.estimators["event"].predict_proba(made.firings)).all()

    def test_a_bundle_is_replaced_whole(self, made, folder):
        (folder / "left over").write_text("x")
        write(make_model(seed=1), folder)
        assert not (folder / "left over").exists()
        assert read_manifest(folder)["seed"] == 1
        assert [p.name for p in folder.parent.iterdir()] == ["model"]


class TestSaving:
    def test_another_folder_is_left_alone(self, made, tmp_path):
        (tmp_path / "photos").mkdir()
        (tmp_path / "photos" / "one.jpg").write_bytes(b"x")
        with pytest.raises(OutputError, match="photos: exists and is no model bundle"):
            write(made, tmp_path / "photos")
        assert (tmp_path / "photos" / "one.jpg").exists()

    def test_cannot_be_written(self, made, tmp_path):
        (tmp_path / "file").write_text("x")
        with pytest.raises(OutputError, match="cannot be written"):
            write(made, tmp_path / "file" / "model")

    def test_nothing_is_left_of_a_failed_write(self, made, tmp_path, monkeypatch):
        def refuse(*_):
            raise OSError(28, "No space left on device")

        monkeypatch.setattr("os.replace", refuse)
        with pytest.raises(OutputError, match="No space left"):
            write(made, tmp_path / "model")
        assert list(tmp_path.iterdir()) == []


class TestDamage:
    def test_no_such_folder(self, tmp_path):
        with pytest.raises(ModelError, match="no readable model manifest"):
            load_bundle(tmp_path / "none")

    def test_not_json(self, folder):
        (folder / MANIFEST).write_text("{")
        with pytest.raises(ModelError, match="no readable model manifest"):
            load_bundle(folder)

    def test_json_without_end(self, folder):
        (folder / MANIFEST).write_text("[" * 100_000)
        with pytest.raises(ModelError, match="no readable model manifest"):
            load_bundle(folder)

    @pytest.mark.parametrize("text", ["[]", "{}", '{"schema": "photo/1"}', '{"schema": 1}'])
    def test_another_schema(self, folder, text):
        (folder / MANIFEST).write_text(text)
        with pytest.raises(ModelError, match="not a model of this program's schema"):
            load_bundle(folder)

    @pytest.mark.parametrize("schema", ["misfire-model/1", "misfire-model/99"])
    def test_a_bundle_of_another_form(self, folder, schema):
        change_manifest(folder, schema=schema)
        with pytest.raises(ModelError, match="made by another version.*train it anew") as raised:
            load_bundle(folder)
        assert schema in str(raised.value)
        assert "\n" not in str(raised.value)

    def test_manifest_too_large(self, folder, monkeypatch):
        monkeypatch.setattr(bundle, "LARGEST_MEMBER", 100)
        with pytest.raises(ModelError, match="too large to be a manifest"):
            load_bundle(folder)

    @pytest.mark.parametrize(
        "changes",
        [{"sha256": None}, {"event_columns": None}, {"cylinder_columns": [1]}],
    )
    def test_manifest_lacks_a_list(self, folder, changes):
        change_manifest(folder, **changes)
        with pytest.raises(ModelError, match="the manifest lacks its lists"):
            load_bundle(folder)

    def test_features_of_another_version(self, folder):
        change_manifest(folder, features_version=-1)
        with pytest.raises(ModelError, match="features of version -1, this program measures"):
            load_bundle(folder)

    @pytest.mark.parametrize("part", ["event_columns", "cylinder_columns"])
    def test_the_column_is_named(self, folder, part):
        change_manifest(folder, **{part: ["speed_of_dark", *read_manifest(folder)[part][1:]]})
        with pytest.raises(ModelError, match="column 'speed_of_dark' is not measured here"):
            load_bundle(folder)

    def test_repeated_column(self, folder):
        columns = read_manifest(folder)["event_columns"]
        change_manifest(folder, event_columns=[columns[0], *columns[:-1]])
        with pytest.raises(ModelError, match="columns repeat"):
            load_bundle(folder)

    @pytest.mark.parametrize("room", ["diagnosis/firings/states", "features/spark", "limits"])
    def test_a_changed_constant(self, folder, room, monkeypatch, tmp_path):
        """The package copied, with one number changed as a developer would change it."""
        package = tmp_path / "misfire"
        shutil.copytree(Path(resources.__file__).parent, package)
        monkeypatch.setattr(resources, "PACKAGE", package)
        hash_constants.cache_clear()
        load_bundle(folder)  # the copy is the same
        path = package / f"{room}.py"
        text, n = re.subn(r"(?m)^([A-Z_]+ = )(-?[0-9])", r"\g<1>1\2", path.read_text(), count=1)
        assert n == 1
        path.write_text(text)
        hash_constants.cache_clear()
        with pytest.raises(ModelError, match="fitted with other constants.*train it anew"):
            load_bundle(folder)
        hash_constants.cache_clear()

    @pytest.mark.parametrize("name", [ARRAYS, GOLDEN, ESTIMATORS, CARD])
    def test_missing_member(self, folder, name):
        (folder / name).unlink()
        with pytest.raises(ModelError, match=f"{name}: cannot be read"):
            load_bundle(folder)

    @pytest.mark.parametrize("name", [ARRAYS, GOLDEN, ESTIMATORS, CARD])
    def test_one_byte_changed(self, folder, name):
        data = bytearray((folder / name).read_bytes())
        data[len(data) // 2] ^= 1
        (folder / name).write_bytes(data)
        with pytest.raises(ModelError, match=f"{name}: differs from what the manifest says"):
            load_bundle(folder)

    def test_member_too_large(self, folder, monkeypatch):
        monkeypatch.setattr(bundle, "LARGEST_MEMBER", (folder / ARRAYS).stat().st_size - 1)
        (folder / ESTIMATORS).write_bytes(b"")
        change_manifest(
            folder,
            sha256=read_manifest(folder)["sha256"] | {ESTIMATORS: hashlib.sha256(b"").hexdigest()},
        )
        with pytest.raises(ModelError, match="larger than a model can be"):
            load_bundle(folder)

    def test_zip_bomb(self, folder):
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("event_value.npy", bytes(65 << 20))
        replace_member(folder, ARRAYS, buffer.getvalue())
        with pytest.raises(ModelError, match="unpacks to more than a model can be"):
            load_bundle(folder)

    def test_header_that_claims_too_much(self, folder):
        buffer, header = io.BytesIO(), io.BytesIO()
        np.lib.format.write_array_header_1_0(
            header, {"descr": "<f8", "fortran_order": False, "shape": (10**14,)}
        )
        with zipfile.ZipFile(buffer, "w") as archive:
            archive.writestr("event_value.npy", header.getvalue())
        replace_member(folder, ARRAYS, buffer.getvalue())
        with pytest.raises(ModelError, match="cannot be read"):
            load_bundle(folder)

    @pytest.mark.parametrize("data", [b"", b"PK\x03\x04 half a zip", b"\x93NUMPY"])
    def test_no_archive(self, folder, data):
        replace_member(folder, ARRAYS, data)
        with pytest.raises(ModelError, match="cannot be read"):
            load_bundle(folder)

    def test_text_instead_of_numbers(self, folder):
        replace_array(folder, ARRAYS, "event_value", np.array(["a", "b"]))
        with pytest.raises(ModelError, match="something else than numbers"):
            load_bundle(folder)

    @pytest.mark.parametrize("name", ["event_left", "cylinder_roots", "cylinder_knots", "weights"])
    def test_missing_array(self, folder, name):
        replace_array(folder, ARRAYS, name, None)
        with pytest.raises(ModelError, match=name):
            load_bundle(folder)

    def test_tree_that_loops(self, folder):
        with np.load(folder / ARRAYS, allow_pickle=False) as file:
            left = file["event_left"].copy()
        left[0] = 0
        replace_array(folder, ARRAYS, "event_left", left)
        with pytest.raises(ModelError, match="points outside itself"):
            load_bundle(folder)

    @pytest.mark.parametrize(
        ("knots", "message"),
        [
            (np.zeros((3, 2)), "another form"),
            (np.array([[1.0, 0.0], [0.0, 1.0]]), "do not rise"),
            (np.array([[0.0, np.nan], [0.0, 1.0]]), "do not rise"),
        ],
    )
    def test_wrong_knots(self, folder, knots, message):
        replace_array(folder, ARRAYS, "event_knots", knots)
        with pytest.raises(ModelError, match=message):
            load_bundle(folder)

    @pytest.mark.parametrize("weights", [[0.0, 1.0], [0.0, np.nan, 1.0], [0.0, np.inf, 1.0]])
    def test_wrong_weights(self, folder, weights):
        replace_array(folder, ARRAYS, "weights", np.array(weights))
        with pytest.raises(ModelError, match="weights are not three numbers"):
            load_bundle(folder)

    def test_trees_of_several_outputs(self, folder):
        with np.load(folder / ARRAYS, allow_pickle=False) as file:
            roots, baseline = file["event_roots"], file["event_baseline"]
        replace_array(folder, ARRAYS, "event_roots", np.repeat(roots, 2, axis=1))
        replace_array(folder, ARRAYS, "event_baseline", np.repeat(baseline, 2))
        with pytest.raises(ModelError, match="do not fit their task"):
            load_bundle(folder)

    def test_columns_in_another_order(self, folder):
        columns = read_manifest(folder)["event_columns"]
        change_manifest(folder, cylinder_columns=read_manifest(folder)["cylinder_columns"][::-1])
        assert columns
        with pytest.raises(ModelError, match="check rows come out otherwise"):
            load_bundle(folder)

    def test_golden_rows_come_out_otherwise(self, folder):
        with np.load(folder / GOLDEN, allow_pickle=False) as file:
            answers = file["event_probability"].copy()
        answers[3] += 1e-6
        replace_array(folder, GOLDEN, "event_probability", answers)
        with pytest.raises(ModelError, match="check rows come out otherwise"):
            load_bundle(folder)

    @pytest.mark.parametrize("name", ["firings", "cylinder_odds"])
    def test_golden_rows_missing(self, folder, name):
        replace_array(folder, GOLDEN, name, None)
        with pytest.raises(ModelError, match="check rows come out otherwise"):
            load_bundle(folder)

    def test_no_golden_rows_at_all(self, folder):
        with np.load(folder / GOLDEN, allow_pickle=False) as file:
            empty = {name: file[name][:0] for name in file.files}
        buffer = io.BytesIO()
        np.savez(buffer, **empty)
        replace_member(folder, GOLDEN, buffer.getvalue())
        with pytest.raises(ModelError, match="check rows come out otherwise"):
            load_bundle(folder)


class Harm:
    """Makes a folder when it is unpickled."""

    def __init__(self, place):
        self.place = place

    def __reduce__(self):
        return os.mkdir, (str(self.place),)


class TestNothingIsExecuted:
    @pytest.mark.parametrize("member", [ARRAYS, GOLDEN])
    def test_objects_in_npz(self, folder, tmp_path, member):
        array = np.array([Harm(tmp_path / "harm")], dtype=object)
        buffer = io.BytesIO()
        np.lib.format.write_array(buffer, array, allow_pickle=True)
        assert b"mkdir" in buffer.getvalue()  # the attack is there
        archive_bytes = io.BytesIO()
        with zipfile.ZipFile(archive_bytes, "w") as archive:
            archive.writestr("event_value.npy", buffer.getvalue())
        replace_member(folder, member, archive_bytes.getvalue())
        with pytest.raises(ModelError, match="cannot be read"):
            load_bundle(folder)
        assert not (tmp_path / "harm").exists()

    def test_a_pickle_instead_of_npz(self, folder, tmp_path):
        replace_member(folder, ARRAYS, pickle.dumps(Harm(tmp_path / "harm")))
        with pytest.raises(ModelError, match="cannot be read"):
            load_bundle(folder)
        assert not (tmp_path / "harm").exists()

    def test_foreign_type_in_skops(self, folder):
        replace_member(folder, ESTIMATORS, dumps({"event": Harm("x")}))
        load_bundle(folder)  # judging never opens it
        with pytest.raises(ModelError, match="holds what no model needs"):
            load_estimators(folder)

    def test_damaged_skops(self, folder):
        replace_member(folder, ESTIMATORS, b"no zip")
        with pytest.raises(ModelError, match="cannot be read"):
            load_estimators(folder)

    def test_estimators_of_another_version(self, folder):
        assert sklearn.__version__ != "0.1"
        change_manifest(folder, made_with={"scikit-learn": "0.1"})
        with pytest.raises(ModelError, match=r"made with scikit-learn 0\.1"):
            load_estimators(folder)
        load_bundle(folder)


class TestWhatCasesTaught:
    def test_there_and_back(self, tmp_path):
        made = make_model()
        familiar = learn_familiar(
            ("a", "b"), np.random.default_rng(1).random((9, 2)), [*"abcdefghi"]
        )
        learned = Learned({"mixture": 0.5}, {"firings": 0.9}, {"form_kick": (0.1, 0.5)}, 3)
        model = dataclasses.replace(made.model, learned=learned, familiar=familiar)
        write(dataclasses.replace(made, model=model), tmp_path / "model")
        again = load_bundle(tmp_path / "model")
        assert again.learned == learned
        assert again.familiar.names == ("a", "b")
        assert again.familiar.limit == familiar.limit
        corrected = dataclasses.replace(again, weights=(0.0, 1.0, 0.5))
        save_adapted(corrected, tmp_path / "new", source=tmp_path / "model", card="# Card\n")
        final = load_bundle(tmp_path / "new")
        assert final.weights == (0.0, 1.0, 0.5)
        assert final.learned == learned
        for name in ("golden.npz", "model.skops"):
            old, new = ((tmp_path / f / name).read_bytes() for f in ("model", "new"))
            assert old == new

    def test_a_bundle_from_before_has_learned_nothing(self, tmp_path):
        write(make_model(), tmp_path / "model")
        path = tmp_path / "model" / "manifest.json"
        manifest = json.loads(path.read_text())
        del manifest["sha256"]["learned.json"], manifest["descriptors"]
        path.write_text(json.dumps(manifest))
        (tmp_path / "model" / "learned.json").unlink()
        model = load_bundle(tmp_path / "model")
        assert model.learned == NOTHING
        assert model.familiar is None

    def test_what_was_taught_is_refused_when_damaged(self, tmp_path):
        write(make_model(), tmp_path / "model")
        (tmp_path / "model" / "learned.json").write_text("{}")
        with pytest.raises(ModelError, match=r"learned\.json: differs from what the manifest"):
            load_bundle(tmp_path / "model")
