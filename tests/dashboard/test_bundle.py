"""Results go to disk and come back the same, and nothing else comes back."""

import json
from dataclasses import fields, is_dataclass

import numpy as np
import pytest

from analyzer.forward import Change
from analyzer.prediction import predict
from dashboard import bundle


def same(a, b) -> bool:
    if isinstance(a, np.ndarray):
        return np.array_equal(a, b, equal_nan=a.dtype.kind == "f")
    if type(a) is not type(b):
        return False
    if is_dataclass(a):
        return all(same(getattr(a, f.name), getattr(b, f.name)) for f in fields(a))
    if isinstance(a, dict):
        return list(a) == list(b) and all(same(a[k], b[k]) for k in a)
    if isinstance(a, (list, tuple)):
        return len(a) == len(b) and all(map(same, a, b))
    if hasattr(a, "__dict__") and not hasattr(type(a), "model_fields"):
        return same(vars(a), vars(b))
    return a == b or a != a and b != b


def test_an_analysis_comes_back_the_same(analysed, tmp_path):
    store, case = analysed
    analysis = store.analysis(case)
    bundle.save(analysis, tmp_path / "again")
    again = bundle.load(tmp_path / "again")
    assert same(analysis, again)
    change = Change(serviced=(("roller_drag", "FL"),))
    assert predict(analysis.diagnosis, analysis.motion, change) == predict(
        again.diagnosis, again.motion, change
    )
    assert isinstance(again.run.wheel_angle, np.memmap)  # big arrays stay on disk


def test_plain_values_come_back(tmp_path):
    value = {
        "a": [1, 2.5, None, True],
        3: ("x", float("inf")),
        "array": {"tuple": [1]},
        "n": np.arange(3),
    }
    bundle.save(value, tmp_path / "v")
    assert same(bundle.load(tmp_path / "v"), value)


def test_unlisted_classes_stay_out(tmp_path):
    with pytest.raises(TypeError, match="cannot store"):
        bundle.save({"x": object()}, tmp_path / "v")
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "v").mkdir()
    (tmp_path / "v" / bundle.INDEX).write_text(
        json.dumps({"class": "Popen", "with": {"args": "ls"}})
    )
    with pytest.raises(KeyError):
        bundle.load(tmp_path / "v")


def test_pickled_arrays_are_refused(tmp_path):
    folder = tmp_path / "v"
    bundle.save({"n": np.arange(10_000)}, folder)
    np.save(folder / "0.npy", np.array([{"x": 1}], dtype=object), allow_pickle=True)
    with pytest.raises(ValueError, match="Python objects|allow_pickle"):
        bundle.load(folder)
