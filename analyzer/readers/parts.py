"""Long delimited text: parsed in parts on all cores, into one array a column."""

from __future__ import annotations

import codecs
import ctypes
import functools
import importlib.util
import queue
import threading
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from pyarrow import csv

from analyzer.quantities import Finding, RecordingError, extent
from analyzer.readers.arrays import numbers
from analyzer.readers.columns import Columns

LARGE = 32 << 20
"""Text files above this are parsed in parts, so that parser and result never stand in memory
together [bytes]."""
PART = 4 << 20
"""Size of such a part [bytes]: what is in flight stays small, as fresh memory costs as much as parsing."""
BLANKS = ["", "nan", "NaN", "NAN", "null", "NULL", "None", "N/A", "n/a", "-", "inf", "-inf"]
FEW_ROWS = 20
"""Fewer rows than this are no recording; the message says how many there are."""
BARE_DELIMITERS = ",;\t|"
"""Of which none can be part of a number."""
DTYPES = {1: np.dtype(np.int64), 2: np.dtype(np.float64)}
"""Of the kinds of columns that `bare_numbers.c` knows; 0 is one left out."""


def sound_rows(
    path: Path, rows: int, lost: int, width: int, whole: bool, findings: list[Finding]
) -> int:
    """How many of the rows of a text to keep, and what is told of the others.

    Parameters
    ----------
    path : Path
        For the messages.
    rows, lost : int
        Rows with the usual number of cells, and rows without it, which are left out.
    width : int
        Cells of a sound row.
    whole : bool
        Whether the last row has an end; one without may be cut short.
    findings : list of Finding
        Added to.

    Returns
    -------
    int
        `rows`, or one less where the last has no end.

    Raises
    ------
    RecordingError
        Without a row, or with too many left out.
    """
    if not whole and rows >= FEW_ROWS:
        rows -= 1
        text = "the last row has no end, so it may be cut short; it is left out"
        findings.append(Finding(severity="note", channel="", text=f"{path.name}: {text}"))
    if rows == 0:
        raise RecordingError(f"{path}: a header but no whole rows; record again")
    if lost / (lost + rows) > 0.2:
        raise RecordingError(
            f"{path}: {lost} of {lost + rows} rows do not have {width} cells; the delimiter or "
            "the file is damaged"
        )
    if lost:
        text = f"{path.name}: {lost} rows do not have {width} cells and are left out"
        findings.append(Finding(severity="warning", channel="", text=text))
    return rows


@functools.cache
def bare_numbers() -> Any | None:
    """Find the compiled reader of bare numbers.

    Returns
    -------
    callable or None
        `bare_numbers` of `bare_numbers.c`; None where none was built when crabwise was installed.
    """
    spec = importlib.util.find_spec("analyzer.readers._bare_numbers")
    if spec is None or spec.origin is None:
        return None
    try:
        function = ctypes.CDLL(spec.origin).bare_numbers  # ctypes lets other threads run meanwhile
    except (OSError, AttributeError):
        return None
    pointer, whole = ctypes.c_void_p, ctypes.c_int64
    function.argtypes = (pointer, whole, ctypes.c_char, whole, pointer, pointer, whole)
    function.restype = whole
    return function


@dataclass(slots=True, kw_only=True)
class _Part:
    """What a part holds, and what Arrow's parser found it to be.

    `block` is the memory under its values where that is to be used again.
    """

    rows: int
    values: dict[str, np.ndarray]
    types: dict[str, pa.DataType] = field(default_factory=dict)
    gaps: bool = True
    block: np.ndarray | None = None


class _Parser:
    """Parses parts of one file, by several threads at once.

    What one part held its followers mostly hold as well: `learn` spares the parser a guess and, where
    there are no gaps, the search for blanks; bare numbers of known kinds are read by `bare_numbers`.
    """

    def __init__(
        self, path: Path, delimiter: str, every: list[str], names: list[str], longest: int
    ) -> None:
        self.path, self.delimiter, self.every, self.names = path, delimiter, every, names
        self.longest = longest
        self.lost: list[int] = []
        self.types: dict[str, pa.DataType] = {}
        self.gaps = True
        # Fresh memory costs as much as parsing: each thread keeps one buffer of text, and blocks of
        # numbers go round.
        self.kept = threading.local()
        self.blocks: queue.SimpleQueue[np.ndarray] = queue.SimpleQueue()
        self.bare = bare_numbers() if delimiter in BARE_DELIMITERS else None
        self.kinds: np.ndarray | None = None
        self.room = 0

    def learn(self, part: _Part) -> None:
        """Take what a part held as what comes next."""
        self.types, self.gaps = part.types, part.gaps
        of = {dtype: kind for kind, dtype in DTYPES.items()}
        held = part.values
        kinds = [of.get(held[n].dtype, -1) if n in held else 0 for n in self.every]
        self.room = 2 * part.rows  # first: with kinds, other threads set to work
        self.kinds = None if -1 in kinds else np.array(kinds, np.int8)

    def parse(self, span: tuple[int, int]) -> _Part:
        """Read and parse the bytes of a span; an error says that the file is not for this reader."""
        if not hasattr(self.kept, "raw"):
            self.kept.raw = bytearray(self.longest)
        with self.path.open("rb", buffering=0) as stream:
            stream.seek(span[0])
            size = stream.readinto(memoryview(self.kept.raw)[: span[1] - span[0]])
        return self._bare(size) or self._by_arrow(size)

    def done(self, part: _Part) -> None:
        """Take back the memory of a part whose values were copied."""
        if part.block is not None:
            self.blocks.put(part.block)

    def _bare(self, size: int) -> _Part | None:
        kinds = self.kinds  # as they are now
        if self.bare is None or kinds is None:
            return None
        try:
            block = self.blocks.get_nowait()
        except queue.Empty:
            block = np.empty((len(self.names), self.room))
        room = block.shape[1]
        place = np.zeros(len(self.every), np.int64)
        place[kinds > 0] = block.ctypes.data + block.strides[0] * np.arange(len(self.names))
        rows = self.bare(
            np.frombuffer(self.kept.raw, np.uint8).ctypes.data, size, self.delimiter.encode(),
            len(self.every), kinds.ctypes.data, place.ctypes.data, room,
        )  # fmt: skip
        if rows < 0:
            self.blocks.put(block)
            return None
        dtypes = [DTYPES[k] for k in kinds[kinds > 0].tolist()]
        values = {
            name: column.view(dtype)[:rows]
            for name, column, dtype in zip(self.names, block, dtypes, strict=True)
        }
        return _Part(rows=rows, values=values, block=block)

    def _by_arrow(self, size: int) -> _Part:
        raw = self.kept.raw
        if raw.find(b'"', 0, size) >= 0 and (
            len(self.names) < len(self.every)
            or any(line.count(b'"') % 2 for line in raw[:size].split(b"\n"))
        ):
            raise TypeError  # a cell of text may hold the end of a line, where this part was cut
        codecs.decode(memoryview(raw)[:size])  # the parser cannot hand over a row that is no UTF-8
        odd: list[int] = []

        def skip_it(row: csv.InvalidRow) -> str:
            odd.append(row.number or 0)
            return "skip"

        def read(types: dict[str, pa.DataType], blanks: list[str]) -> pa.Table:
            odd.clear()
            return csv.read_csv(
                pa.BufferReader(memoryview(raw)[:size]),
                read_options=csv.ReadOptions(
                    column_names=self.every, use_threads=False, block_size=self.longest
                ),
                parse_options=csv.ParseOptions(
                    delimiter=self.delimiter, invalid_row_handler=skip_it, newlines_in_values=False
                ),
                convert_options=csv.ConvertOptions(
                    include_columns=self.names,
                    column_types=types,
                    null_values=blanks,
                    strings_can_be_null=True,
                ),
            )

        table = None
        if not self.gaps and raw.find(b"n", 0, size) < 0:  # "inf" is a number to the parser
            try:
                table = read(self.types, [])
            except pa.ArrowInvalid:
                self.gaps = True
        if table is None:
            table = read({n: t for n, t in self.types.items() if t == pa.float64()}, BLANKS)
        self.lost.extend(odd)
        return _Part(
            rows=table.num_rows,
            values={n: numbers(table.column(n)) for n in self.names},
            types={f.name: f.type for f in table.schema},
            gaps=any(table.column(n).null_count for n in self.names),
        )


def read_in_parts(
    path: Path,
    delimiter: str,
    skip: int,
    every: list[str],
    names: list[str],
    findings: list[Finding],
    *,
    whole: bool,
    otherwise: Callable[[], Columns],
) -> Columns | None:
    """Parse some columns of a large file part by part.

    Parameters
    ----------
    path : Path
        UTF-8 text whose lines end in a line feed.
    delimiter : str
        Between the cells.
    skip : int
        Lines before the first row of numbers.
    every, names : list of str
        All columns of the file, and those that are parsed at once; the others once one is asked for.
    findings : list of Finding
        Added to.
    whole : bool
        Whether the last row has an end.
    otherwise : callable
        Reads all columns, where one of the others is no column of numbers.

    Returns
    -------
    Columns or None
        None where one is no column of numbers: text, stamps or damage, for the reader of whole files.

    Raises
    ------
    RecordingError
        Where too many rows do not have the header's number of cells.
    """
    parts = _spans(path, skip)
    parser = _Parser(path, delimiter, every, names, max(b - a for a, b in parts))
    columns: dict[str, np.ndarray] = {}

    def write(part: _Part, at: int) -> None:
        for name, values in part.values.items():
            columns[name][at : at + part.rows] = values
        parser.done(part)

    workers = min(8, pa.cpu_count())
    rows = room = 0
    try:
        with ThreadPoolExecutor(workers) as threads:
            # Threads write what they parsed, too: the first touch of so much memory takes long.
            parsing = deque(threads.submit(parser.parse, s) for s in parts[: workers + 1])
            writing: deque[Future[None]] = deque()
            for nxt in [*parts[workers + 1 :], *[None] * len(parsing)]:
                part = parsing.popleft().result()
                if nxt is not None:
                    parsing.append(threads.submit(parser.parse, nxt))
                if not part.rows:
                    continue  # damage from end to end: it tells nothing of the columns
                if rows + part.rows > room:
                    # Memory that is never written costs nothing: ask for a little more than all.
                    done = parts[0][1] - parts[0][0] if rows == 0 else 0
                    total = parts[-1][1] - parts[0][0]
                    grown = int(1.05 * part.rows * total / done) if done else 2 * room
                    room = max(rows + part.rows, grown)
                learn = not rows
                for name, values in part.values.items():
                    held = columns.get(name)
                    if held is None:
                        columns[name] = np.empty(room, values.dtype)
                        continue
                    fractions = values.dtype != held.dtype and held.dtype.kind != "f"
                    if held.size < room or fractions:
                        while writing:  # into the column as it is
                            writing.popleft().result()
                        columns[name] = np.empty(room, np.float64 if fractions else held.dtype)
                        columns[name][:rows] = held[:rows]
                        learn = learn or fractions
                if learn:
                    parser.learn(part)
                writing.append(threads.submit(write, part, rows))
                rows += part.rows
                while len(writing) > workers:
                    writing.popleft().result()
            while writing:
                writing.popleft().result()
            of_each = threads.map(lambda values: extent(values[:rows]), columns.values())
            extents = dict(zip(columns, of_each, strict=True))
    except (pa.ArrowException, OSError, UnicodeDecodeError, TypeError):
        return None
    pa.default_memory_pool().release_unused()
    rows = sound_rows(path, rows, len(parser.lost), len(every), whole, findings)
    others = [n for n in every if n not in names]
    late: list[Columns] = []

    def get(name: str) -> np.ndarray:
        if name not in others:
            return columns[name][:rows]
        if not late:
            found = read_in_parts(
                path, delimiter, skip, every, others, [], whole=whole, otherwise=otherwise
            )
            late.append(found or otherwise())
        return late[0].get(name)

    return Columns(
        name=path.name,
        names=list(every),
        get=get,
        forget=lambda name: columns.pop(name, None),
        extents=extents if whole else {},
    )


def _spans(path: Path, skip: int) -> list[tuple[int, int]]:
    """Where the parts begin and end, each at the end of a line."""
    size = path.stat().st_size
    with path.open("rb") as stream:
        for _ in range(skip):
            stream.readline()
        cuts = [stream.tell()]
        while cuts[-1] < size:
            stream.seek(min(cuts[-1] + PART, size))
            stream.readline()
            cuts.append(stream.tell())
    return list(zip(cuts[:-1], cuts[1:], strict=True))
