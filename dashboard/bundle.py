"""Results on disk as plain JSON and NumPy files: no pickle, arrays mapped instead of loaded.

An analysis is made in a worker process and read by the server; a folder is the hand-over. Only
the classes listed here can come out of a folder, whatever its JSON says.
"""

from __future__ import annotations

import json
import math
import os
import shutil
import tempfile
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import BaseModel

from analyzer.balances import Group, Model
from analyzer.causes import Diagnosis
from analyzer.control import HeadingGains, Margins, YawPlant
from analyzer.dynamics import Gauge
from analyzer.heading import DriftPass, FeedForward, HeadingHold, Loop, Proof, Replay
from analyzer.hypotheses import Fitted
from analyzer.motion import DriftBySpeed, Motion, PassMotion
from analyzer.pipeline import ChannelSummary, Inspection, RunAnalysis
from analyzer.quantities import Estimate, Finding
from analyzer.robot import ChannelSpec, MovableMass, Robot, Tolerance
from analyzer.run import ColumnUse, Pass, Recording, Run, Source
from analyzer.traces import Panel, Trace
from analyzer.yaw_plant import Identified, TurnWindow, YawSignals

CLASSES: dict[str, Any] = {
    c.__name__: c
    for c in (
        DriftPass, FeedForward, HeadingGains, HeadingHold, Identified, Loop, Margins, Proof, Replay,
        TurnWindow, YawPlant, YawSignals,
        ChannelSpec, ChannelSummary, ColumnUse, Diagnosis, DriftBySpeed, Estimate, Finding, Fitted,
        Gauge, Group, Inspection, Model, Motion, MovableMass, Panel, Pass, PassMotion, Recording,
        Robot, Run, RunAnalysis, Source, Tolerance, Trace,
    )
}  # fmt: skip
INDEX = "index.json"


def save(value: Any, folder: Path) -> None:
    """Write a result to a folder, which appears whole or not at all.

    Parameters
    ----------
    value : object
        An instance of one of `CLASSES`, or plain data with arrays in it.
    folder : Path
        Target; replaced where it exists.

    Raises
    ------
    TypeError
        Where the value holds something that is not listed.
    """
    part = Path(tempfile.mkdtemp(dir=folder.parent, prefix=f".{folder.name}."))
    try:
        arrays: list[np.ndarray] = []
        plain = _encode(value, arrays)
        for number, array in enumerate(arrays):
            # Fortran order: one channel of one wheel is then one stretch of the file.
            np.save(part / f"{number}.npy", np.asfortranarray(array), allow_pickle=False)
        (part / INDEX).write_text(json.dumps(plain, allow_nan=False), encoding="utf-8")
        if folder.exists():
            old = Path(tempfile.mkdtemp(dir=folder.parent, prefix=".old."))
            os.replace(folder, old / "x")  # noqa: PTH105
            shutil.rmtree(old, ignore_errors=True)
        part.rename(folder)
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise


def load(folder: Path) -> Any:
    """Read a result; its arrays stay on disk and are mapped.

    Parameters
    ----------
    folder : Path
        Folder that `save` wrote.

    Returns
    -------
    object
        Equal to what was saved.

    Raises
    ------
    FileNotFoundError
        Where there is no such folder.
    """
    plain = json.loads((folder / INDEX).read_text(encoding="utf-8"))
    return _decode(plain, folder)


def _encode(value: Any, arrays: list[np.ndarray]) -> Any:
    if isinstance(value, np.ndarray):
        arrays.append(value)
        return {"array": len(arrays) - 1}
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or isinstance(value, (bool, int, str)):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else {"float": repr(value)}
    if isinstance(value, list):
        return [_encode(v, arrays) for v in value]
    if isinstance(value, tuple):
        return {"tuple": [_encode(v, arrays) for v in value]}
    if isinstance(value, dict):
        return {"dict": [[_encode(k, arrays), _encode(v, arrays)] for k, v in value.items()]}
    name = type(value).__name__
    if CLASSES.get(name) is not type(value):
        msg = f"cannot store a {type(value)}"
        raise TypeError(msg)
    if isinstance(value, BaseModel):
        names = list(type(value).model_fields)
    elif is_dataclass(value):
        names = [f.name for f in fields(value)]
    else:
        names = list(vars(value))
    return {"class": name, "with": {n: _encode(getattr(value, n), arrays) for n in names}}


def _decode(plain: Any, folder: Path) -> Any:
    if isinstance(plain, list):
        return [_decode(v, folder) for v in plain]
    if not isinstance(plain, dict):
        return plain
    if "class" in plain:
        held = {k: _decode(v, folder) for k, v in plain["with"].items()}
        kind = CLASSES[plain["class"]]
        if is_dataclass(kind) or issubclass(kind, BaseModel):
            return kind(**held)
        made = object.__new__(kind)  # a plain class works out more in its constructor than it takes
        vars(made).update(held)
        return made
    if "dict" in plain:
        return {_decode(k, folder): _decode(v, folder) for k, v in plain["dict"]}
    if "tuple" in plain:
        return tuple(_decode(v, folder) for v in plain["tuple"])
    if "float" in plain:
        return float(plain["float"])
    path = folder / f"{int(plain['array'])}.npy"
    array = (
        np.load(path, mmap_mode="r", allow_pickle=False) if path.stat().st_size > 65536 else None
    )
    return np.load(path, allow_pickle=False) if array is None else array
