"""Results on disk as plain JSON and NumPy files: no pickle, arrays mapped instead of loaded.

An analysis is made in a worker process and read by the server; a folder is the hand-over. Only
data classes of the analysis can come out of a folder, whatever its JSON says.
"""

from __future__ import annotations

import base64
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

from analyzer import (
    balances,
    causes,
    control,
    dynamics,
    heading,
    hypotheses,
    motion,
    pipeline,
    quantities,
    robot,
    run,
    traces,
    yaw_plant,
)

MODULES = (
    balances, causes, control, dynamics, heading, hypotheses, motion, pipeline, quantities, robot,
    run, traces, yaw_plant,
)  # fmt: skip


def _classes() -> dict[str, Any]:
    """Data classes that the analysis is made of, by name; no two may share one."""
    found: dict[str, Any] = {"Model": balances.Model}
    for module in MODULES:
        for name, kind in vars(module).items():
            if not isinstance(kind, type) or kind.__module__ != module.__name__:
                continue
            if is_dataclass(kind) or issubclass(kind, BaseModel):
                if name in found:
                    msg = f"two classes of the analysis are called {name}"
                    raise TypeError(msg)
                found[name] = kind
    return found


CLASSES = _classes()
INDEX = "index.json"
INLINE = 65536
"""Arrays below this stand in the index itself. [byte]"""


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
        if value.nbytes < INLINE and value.dtype.kind in "fiub":
            # A file for each small array would be tens of thousands of files for a long run.
            text = base64.b64encode(np.ascontiguousarray(value).tobytes()).decode("ascii")
            return {"bytes": text, "dtype": value.dtype.str, "shape": list(value.shape)}
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
        names = [f.name for f in fields(value) if f.init]  # the others follow from these
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
    if "bytes" in plain:
        flat = np.frombuffer(base64.b64decode(plain["bytes"]), dtype=np.dtype(plain["dtype"]))
        return flat.reshape(plain["shape"])
    return np.load(folder / f"{int(plain['array'])}.npy", mmap_mode="r", allow_pickle=False)
