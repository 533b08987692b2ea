"""Text and columnar files through pyarrow."""

from __future__ import annotations

import io
import re
from collections import deque
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pyarrow as pa
from pyarrow import csv, feather, json, parquet

from analyzer.quantities import Finding, RecordingError
from analyzer.readers.columns import Columns, is_unit, joint_names

TABLE_SUFFIXES = {".parquet", ".pq", ".feather", ".arrow", ".jsonl", ".ndjson"}
TEXT_SUFFIXES = {".csv", ".tsv", ".txt", ".log", ".dat"}
DELIMITERS = ("\t", ";", ",", "|")
BLANKS = ["", "nan", "NaN", "NAN", "null", "NULL", "None", "N/A", "n/a", "-", "inf", "-inf"]
SNIFFED = 1 << 16
LARGE = 32 << 20
"""Text files above this are parsed in parts, so that parser and result never stand in memory
together [bytes]."""
PART = 8 << 20
"""Size of such a part [bytes]."""


def _numbers(column: pa.ChunkedArray) -> np.ndarray:
    """Numbers of a column, NaN where a cell is null; whole numbers without nulls stay whole.

    The buffers are read directly: pyarrow's own conversion imports pandas, a quarter of a second.
    """
    name = {"double": "float64", "float": "float32", "halffloat": "float16"}
    dtype = np.dtype(name.get(str(column.type), str(column.type)))
    if not column.null_count and column.num_chunks == 1:
        return _cells(column.chunk(0), dtype)
    whole = column.null_count and dtype.kind != "f"
    out = np.empty(len(column), np.float64 if whole else dtype)
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


def _cells(chunk: pa.Array, dtype: np.dtype) -> np.ndarray:
    if not len(chunk):
        return np.empty(0, dtype)
    return np.frombuffer(
        chunk.buffers()[1], dtype, count=len(chunk), offset=chunk.offset * dtype.itemsize
    )


def _as_columns(name: str, table: pa.Table) -> Columns:
    names = list(table.column_names)
    held = {n: table.column(n) for n in names}

    def get(column: str) -> np.ndarray:
        chunked = held[column]
        kind = chunked.type
        if pa.types.is_integer(kind) or pa.types.is_floating(kind):
            return _numbers(chunked)
        if pa.types.is_timestamp(kind):
            return np.asarray(chunked.to_numpy(zero_copy_only=False))
        if pa.types.is_boolean(kind):
            return chunked.cast(pa.int8()).to_numpy(zero_copy_only=False).astype(float)
        if pa.types.is_null(kind):
            return np.full(len(chunked), np.nan)
        return np.array(chunked.to_pylist(), dtype=object)

    return Columns(name=name, names=names, get=get, forget=held.pop)


def read_table(path: Path) -> Columns:
    """Read Parquet, Feather, Arrow or JSON Lines.

    Parameters
    ----------
    path : Path
        File.

    Returns
    -------
    Columns
        Its columns; nested fields are named with dots.

    Raises
    ------
    RecordingError
        Where the file is empty, damaged or of another format.
    """
    suffix = path.suffix.lower()
    try:
        if path.stat().st_size == 0:
            raise RecordingError(f"{path}: the file is empty; record again or give another file")
        if suffix in {".parquet", ".pq"}:
            file = parquet.ParquetFile(path)
            flat = not any(pa.types.is_nested(f.type) for f in file.schema_arrow)
            names = file.schema_arrow.names
            if flat and file.metadata.num_rows and len(set(names)) == len(names):
                return _few_at_a_time(path, file)
            table = file.read()
        elif suffix in {".feather", ".arrow"}:
            table = feather.read_table(path)
        else:
            table = json.read_json(path)
    except (pa.ArrowException, OSError) as error:
        raise _damaged(path, error) from None
    while any(pa.types.is_struct(f.type) for f in table.schema):
        table = table.flatten()
    if table.num_rows == 0:
        raise RecordingError(f"{path}: no rows; record again or give another file")
    names = list(table.column_names)
    if len(set(names)) != len(names):
        twice = sorted({n for n in names if names.count(n) > 1})
        raise RecordingError(f"{path}: columns named twice: {', '.join(twice)}; rename them")
    return _as_columns(str(path.name), table)


def _few_at_a_time(path: Path, file: parquet.ParquetFile) -> Columns:
    """Read the columns of a Parquet file when they are asked for, so that no table is held."""
    names: list[str] = file.schema_arrow.names
    held: dict[str, np.ndarray] = {}

    def get(name: str) -> np.ndarray:
        if name not in held:
            at = names.index(name)
            few = [name] + [
                n
                for n in names[at + 1 : at + 4]
                if n not in held and pa.types.is_floating(file.schema_arrow.field(n).type)
            ]
            try:
                columns = _as_columns(path.name, file.read(columns=few))
            except (pa.ArrowException, OSError) as error:
                raise _damaged(path, error) from None
            for n in few:
                # A copy: pyarrow's own pool would keep the memory when the column goes.
                held[n] = np.array(columns.get(n))
                columns.forget(n)
            pa.default_memory_pool().release_unused()
        return held[name]

    return Columns(name=path.name, names=list(names), get=get, forget=held.pop)


def _damaged(path: Path, error: Exception) -> RecordingError:
    reason = str(error).splitlines()[0][:160]
    return RecordingError(
        f"{path}: cannot be read as {path.suffix.lower()[1:]}: {reason}. The file is damaged, cut "
        "short or of another format; copy it again or record again"
    )


def _numeric(cells: list[str]) -> float:
    """Share of the filled cells that hold numbers."""
    filled = [c for c in (c.strip() for c in cells) if c]
    if not filled:
        return 0.0
    good = 0
    for cell in filled:
        try:
            float(cell)
            good += 1
        except ValueError:
            good += bool(re.fullmatch(r"\d{4}[-/]\d\d[-/]\d\d[T/ ].*", cell))
    return good / len(filled)


def _split(line: str, delimiter: str) -> list[str]:
    if delimiter == " ":
        return line.split()
    if '"' not in line:
        return line.split(delimiter)
    import csv as text_csv

    return next(text_csv.reader([line], delimiter=delimiter))


def _delimiter(lines: list[str]) -> str:
    best, most = "", 0
    for delimiter in DELIMITERS:
        counts = [len(_split(x, delimiter)) for x in lines[-30:] if x.strip()]
        if counts and min(counts) > 1:
            usual = max(set(counts), key=counts.count)
            if counts.count(usual) >= 0.8 * len(counts) and usual > most:
                best, most = delimiter, usual
    if best:
        return best
    counts = [len(x.split()) for x in lines[-30:] if x.strip()]
    return " " if counts and min(counts) > 1 else ""


def read_text(path: Path, findings: list[Finding]) -> Columns:
    """Read delimited text with one or more header rows.

    Parameters
    ----------
    path : Path
        File: commas, semicolons, tabs, bars or blanks between the cells.
    findings : list of Finding
        Notes on lost rows and odd headers are added here.

    Returns
    -------
    Columns
        Its columns.

    Raises
    ------
    RecordingError
        Where the file is empty, binary, has no header or no rows.
    """
    try:
        with path.open("rb") as stream:
            head = stream.read(SNIFFED)
    except OSError as error:
        raise RecordingError(f"{path}: cannot be read: {error.strerror}") from None
    if not head.strip():
        raise RecordingError(f"{path}: the file is empty; record again or give another file")
    if b"\x00" in head or head[:4] in {b"PAR1", b"\x89PNG", b"PK\x03\x04", b"\x1f\x8b\x08\x00"}:
        raise RecordingError(
            f"{path}: not a text file (binary content); give text, Parquet, Feather, JSON Lines or "
            "a bag, with the ending that says which"
        )
    text = head.decode("utf-8-sig", errors="replace")
    if text.count("\ufffd") > 0.02 * len(text):
        raise RecordingError(f"{path}: not UTF-8 text; save it as UTF-8")
    if text.lstrip()[:1] == "{":
        return read_json_text(path)
    lines = text.splitlines()
    if len(head) == SNIFFED and len(lines) > 1:
        lines = lines[:-1]
    skip = 0
    delimiter = ""
    if lines and lines[0].lower().startswith("sep="):
        delimiter, skip = lines[0][4:5], 1
    body = [x for x in lines[skip:] if x.strip()]
    delimiter = delimiter or _delimiter(body)
    if not delimiter:
        raise RecordingError(
            f"{path}: no columns found: the rows hold one cell each ({body[0][:60]!r}). Separate "
            "the cells by commas, semicolons or tabs"
        )
    header: list[list[str]] = []
    at = skip
    while at < len(lines) and len(header) < 6:
        line = lines[at]
        bare = line.lstrip("%# \t") if line.lstrip()[:1] in "%#" else line
        cells = [c.strip().strip('"') for c in _split(bare, delimiter)]
        if line.strip() and _numeric(cells) >= 0.5:
            break
        if line.strip() and len(cells) > 1:
            header.append(cells)
        at += 1
    if not header:
        raise RecordingError(
            f"{path}: no header row with column names (first row {lines[skip][:60]!r}); add one"
        )
    if at >= len(lines):
        if _tagged(body, delimiter):
            at, header = skip + 1, header[:1]
        else:
            raise RecordingError(f"{path}: a header but no rows of numbers; record again")
    while at < len(lines) and not lines[at].strip():
        at += 1
    width = len(_split(lines[at], delimiter))
    names, units, aliases = _names(header, width, path, findings)
    columns = None
    if path.stat().st_size > LARGE and delimiter != " " and _plain_lines(head):
        columns = _parse_in_parts(path, delimiter, at, names, findings)
    if columns is None:
        table = _parse(path, delimiter, at, names, findings)
        columns = _as_columns(path.name, table)
        del table
    columns.units = units
    columns.aliases = aliases
    joint_names(columns)
    return columns


def _tagged(body: list[str], delimiter: str) -> bool:
    return len(body) > 2 and _numeric(_split(body[-1], delimiter)[1:]) >= 0.5


def _names(
    header: list[list[str]], width: int, path: Path, findings: list[Finding]
) -> tuple[list[str], dict[str, str], dict[str, list[str]]]:
    units_row: list[str] = []
    rows: list[list[str]] = []
    for cells in header:
        filled = [c for c in cells if c]
        if rows and filled and sum(map(is_unit, filled)) >= 0.6 * len(filled):
            units_row = cells
        elif len(cells) > 1:
            rows.append(cells)
    first = [r for r in rows if abs(len(r) - width) <= 1] or rows[-1:]
    cells = list(first[0])
    if len(cells) != width:
        findings.append(
            Finding(
                severity="warning",
                channel="",
                text=f"{path.name}: {len(cells)} names for {width} columns; columns without a name "
                "are not used",
            )
        )
    cells = (cells + [""] * width)[:width]
    names: list[str] = []
    for k, cell in enumerate(cells):
        name = cell or f"column {k + 1}"
        count = 2
        while name in names:
            name, count = f"{cell} ({count})", count + 1
        names.append(name)
    twice = sorted({c for c in cells if c and cells.count(c) > 1})
    if twice:
        findings.append(
            Finding(
                severity="warning",
                channel="",
                text=f"{path.name}: columns named twice: {', '.join(twice)}; later ones are "
                "called NAME (2)",
            )
        )
    units = {n: u.strip("[]() ") for n, u in zip(names, units_row, strict=False) if u}
    for name in names:
        found = re.search(r"(?:,\s*|\[|\()([^,\[\]()]+)[\])]?$", name)
        if found and is_unit(found.group(1)):
            units.setdefault(name, found.group(1).strip())
    aliases: dict[str, list[str]] = {}
    for row in first[1:]:
        for name, other in zip(names, row, strict=False):
            if other:
                aliases.setdefault(name, []).append(other)
    return names, units, aliases


def _parse(
    path: Path, delimiter: str, skip: int, names: list[str], findings: list[Finding]
) -> pa.Table:
    lost: list[int] = []

    def odd(row: csv.InvalidRow) -> str:
        lost.append(row.number or 0)
        return "skip"

    source: str | io.BytesIO = str(path)
    if delimiter == " ":
        with path.open("rb") as stream:
            raw = stream.read()
        source, delimiter = (
            io.BytesIO(re.sub(rb"[ \t]+", b" ", re.sub(rb"(?m)^[ \t]+", b"", raw))),
            " ",
        )
    try:
        table = csv.read_csv(
            source,
            read_options=csv.ReadOptions(column_names=names, skip_rows=skip, block_size=1 << 22),
            parse_options=csv.ParseOptions(
                delimiter=delimiter, invalid_row_handler=odd, newlines_in_values=False
            ),
            convert_options=csv.ConvertOptions(null_values=BLANKS, strings_can_be_null=True),
        )
    except (pa.ArrowException, OSError, UnicodeDecodeError):
        table = _parse_slowly(path, delimiter, skip, names)
    _check_rows(path, table.num_rows, len(lost), len(names), findings)
    return table


def _check_rows(path: Path, rows: int, lost: int, width: int, findings: list[Finding]) -> None:
    if rows == 0:
        raise RecordingError(f"{path}: a header but no whole rows; record again")
    if not lost:
        return
    if lost / (lost + rows) > 0.2:
        raise RecordingError(
            f"{path}: {lost} of {lost + rows} rows do not have {width} cells; the delimiter or "
            "the file is damaged"
        )
    findings.append(
        Finding(
            severity="warning",
            channel="",
            text=f"{path.name}: {lost} rows do not have {width} cells and are left out",
        )
    )


def _plain_lines(head: bytes) -> bool:
    """Whether lines end in a line feed, so that the file can be cut there."""
    return b"\n" in head and head.count(b"\r") == head.count(b"\r\n")


def _parts(path: Path, skip: int) -> list[tuple[int, int]]:
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


def _parse_in_parts(
    path: Path, delimiter: str, skip: int, names: list[str], findings: list[Finding]
) -> Columns | None:
    """Parse a large file of numbers part by part; None where a column holds anything else."""
    parts = _parts(path, skip)
    lost: list[int] = []

    def odd(row: csv.InvalidRow) -> str:
        lost.append(row.number or 0)
        return "skip"

    def parse(span: tuple[int, int]) -> pa.Table:
        with path.open("rb") as stream:
            stream.seek(span[0])
            raw = stream.read(span[1] - span[0])
        return csv.read_csv(
            pa.BufferReader(raw),
            read_options=csv.ReadOptions(column_names=names, use_threads=False, block_size=PART),
            parse_options=csv.ParseOptions(
                delimiter=delimiter, invalid_row_handler=odd, newlines_in_values=False
            ),
            convert_options=csv.ConvertOptions(null_values=BLANKS, strings_can_be_null=True),
        )

    def in_order() -> Iterator[pa.Table]:
        workers = min(8, pa.cpu_count())
        with ThreadPoolExecutor(workers) as threads:
            waiting = deque(threads.submit(parse, s) for s in parts[:workers])
            for nxt in [*parts[workers:], *[None] * workers]:
                if not waiting:
                    return
                table = waiting.popleft().result()
                if nxt is not None:
                    waiting.append(threads.submit(parse, nxt))
                yield table

    columns: dict[str, np.ndarray] = {}
    pool = pa.default_memory_pool()
    rows = room = 0
    try:
        for table in in_order():
            n = table.num_rows
            if rows + n > room:
                # Memory that is never written costs nothing: ask for a little more than all.
                done = parts[0][1] - parts[0][0] if rows == 0 else 0
                whole = parts[-1][1] - parts[0][0]
                room = max(rows + n, int(1.05 * n * whole / done) if done else 2 * room)
                for name in columns:
                    old = columns[name]
                    columns[name] = np.empty(room, old.dtype)
                    columns[name][:rows] = old[:rows]
            for name in names:
                _append(columns, name, table.column(name), rows, room)
            rows += n
            del table
            pool.release_unused()
    except (pa.ArrowException, OSError, UnicodeDecodeError, TypeError):
        return None  # text, stamps or damage: the whole-file reader says what it is
    _check_rows(path, rows, len(lost), len(names), findings)
    return Columns(
        name=path.name,
        names=list(names),
        get=lambda name: columns[name][:rows],
        forget=columns.pop,
    )


def _append(
    columns: dict[str, np.ndarray], name: str, part: pa.ChunkedArray, rows: int, room: int
) -> None:
    kind = part.type
    if pa.types.is_null(kind):
        values = np.full(len(part), np.nan)
    elif pa.types.is_integer(kind) or pa.types.is_floating(kind):
        values = _numbers(part)
    else:
        raise TypeError(name)
    held = columns.get(name)
    if held is None:
        held = np.empty(room, values.dtype)
    elif held.dtype != values.dtype and held.dtype.kind != "f":
        held = held.astype(np.float64)
    held[rows : rows + values.size] = values
    columns[name] = held


def _parse_slowly(path: Path, delimiter: str, skip: int, names: list[str]) -> pa.Table:
    """All cells as text, then numbers where a column holds only numbers."""
    try:
        table = csv.read_csv(
            str(path),
            read_options=csv.ReadOptions(column_names=names, skip_rows=skip),
            parse_options=csv.ParseOptions(
                delimiter=delimiter, invalid_row_handler=lambda _row: "skip"
            ),
            convert_options=csv.ConvertOptions(
                column_types=dict.fromkeys(names, pa.string()),
                null_values=BLANKS,
                strings_can_be_null=True,
            ),
        )
    except (pa.ArrowException, OSError) as error:
        reason = str(error).splitlines()[0][:160]
        raise RecordingError(f"{path}: cannot be read as text columns: {reason}") from None
    for k, name in enumerate(names):
        try:
            table = table.set_column(k, name, table.column(name).cast(pa.float64()))
        except pa.ArrowException:
            continue
    return table


def read_json_text(path: Path) -> Columns:
    """Read JSON Lines that do not have their ending.

    Parameters
    ----------
    path : Path
        File whose first character opens a JSON object.

    Returns
    -------
    Columns
        Its columns.

    Raises
    ------
    RecordingError
        Where it is not one JSON object a line.
    """
    try:
        table = json.read_json(path)
    except (pa.ArrowException, OSError) as error:
        reason = str(error).splitlines()[0][:160]
        raise RecordingError(
            f"{path}: looks like JSON but is not one object a line: {reason}"
        ) from None
    while any(pa.types.is_struct(f.type) for f in table.schema):
        table = table.flatten()
    return _as_columns(path.name, table)
