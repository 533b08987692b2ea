"""Arrow's columns as NumPy arrays."""

from __future__ import annotations

import numpy as np
import pyarrow as pa

from analyzer.readers.columns import Columns


def numbers(column: pa.ChunkedArray) -> np.ndarray:
    """Numbers of a column, NaN where a cell is null; whole numbers without nulls stay whole.

    Parameters
    ----------
    column : pyarrow.ChunkedArray
        Of numbers, or of nothing.

    Returns
    -------
    ndarray, shape (n,)
        A view where there is one chunk without nulls.

    Raises
    ------
    TypeError
        Where the column holds something else.

    Notes
    -----
    The buffers are read directly: pyarrow's own conversion imports pandas, a quarter of a second.
    """
    if pa.types.is_null(column.type):
        return np.full(len(column), np.nan)
    dtype = stored(column.type)
    if not column.null_count and column.num_chunks == 1:
        return _cells(column.chunk(0), dtype)
    holed = column.null_count and dtype.kind != "f"
    out = np.empty(len(column), np.float64 if holed else dtype)
    at = 0
    for chunk in column.iterchunks():
        part = out[at : at + len(chunk)]
        part[:] = _cells(chunk, dtype)
        if chunk.null_count:
            bits = np.frombuffer(chunk.buffers()[0], np.uint8)
            known = np.unpackbits(bits, bitorder="little")
            part[known[chunk.offset : chunk.offset + len(chunk)] == 0] = np.nan
        at += len(chunk)
    return out


def stored(kind: pa.DataType) -> np.dtype:
    """How a type of numbers lies in memory.

    Parameters
    ----------
    kind : pyarrow.DataType
        The type.

    Returns
    -------
    dtype
        NumPy's.

    Raises
    ------
    TypeError
        Where it is no type of numbers.
    """
    if not (pa.types.is_integer(kind) or pa.types.is_floating(kind)):
        raise TypeError(str(kind))
    name = {"double": "float64", "float": "float32", "halffloat": "float16"}
    return np.dtype(name.get(str(kind), str(kind)))


def _cells(chunk: pa.Array, dtype: np.dtype) -> np.ndarray:
    if not len(chunk):
        return np.empty(0, dtype)
    return np.frombuffer(
        chunk.buffers()[1], dtype, count=len(chunk), offset=chunk.offset * dtype.itemsize
    )


def as_columns(name: str, table: pa.Table) -> Columns:
    """Wrap a table.

    Parameters
    ----------
    name : str
        Name for messages.
    table : pyarrow.Table
        Table with names that differ.

    Returns
    -------
    Columns
        Its columns, converted when asked for.
    """
    names = list(table.column_names)
    held = {n: table.column(n) for n in names}

    def get(column: str) -> np.ndarray:
        chunked = held[column]
        kind = chunked.type
        if pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_null(kind):
            return numbers(chunked)
        if pa.types.is_timestamp(kind):
            return np.asarray(chunked.to_numpy(zero_copy_only=False))
        if pa.types.is_boolean(kind):
            return chunked.cast(pa.int8()).to_numpy(zero_copy_only=False).astype(float)
        cells = chunked.to_pylist()
        if pa.types.is_binary(kind):
            cells = [None if c is None else c.decode("utf-8", "replace") for c in cells]
        return np.array(cells, dtype=object)

    return Columns(name=name, names=names, get=get, forget=held.pop)
