"""Text and columnar files through pyarrow."""

from __future__ import annotations

import codecs
import io
import itertools
import mmap
import re
import struct
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pyarrow as pa
from pyarrow import csv, feather, json, parquet

from analyzer.quantities import Finding, RecordingError, extent
from analyzer.readers import parts
from analyzer.readers.arrays import as_columns, numbers, stored
from analyzer.readers.columns import Columns, is_unit, joint_names
from analyzer.readers.parts import BLANKS, sound_rows

TABLE_SUFFIXES = {".parquet", ".pq", ".feather", ".arrow", ".jsonl", ".ndjson"}
TEXT_SUFFIXES = {".csv", ".tsv", ".txt", ".log", ".dat"}
DELIMITERS = ("\t", ";", ",", "|")
SNIFFED = 1 << 16


Needed = Callable[[str, Sequence[str]], bool]
"""Whether a column's values will be asked for, from its name and its other names."""


def every_column(_name: str, _others: Sequence[str]) -> bool:
    """Take all columns as needed.

    Returns
    -------
    bool
        True.
    """
    return True


def read_table(path: Path, needed: Needed = every_column) -> Columns:
    """Read Parquet, Feather, Arrow or JSON Lines.

    Parameters
    ----------
    path : Path
        File.
    needed : callable
        Of a long Parquet file such columns are read ahead, the others when one is asked for.

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
            file = parquet.ParquetFile(path, page_checksum_verification=True)
            flat = not any(pa.types.is_nested(f.type) for f in file.schema_arrow)
            names = file.schema_arrow.names
            if flat and file.metadata.num_rows and len(set(names)) == len(names):
                return _few_at_a_time(path, file, needed)
            table = file.read()
        elif suffix in {".feather", ".arrow"}:
            _check_claims(path)
            table = feather.read_table(path)
            table.validate(full=True)  # a damaged length would read beyond its buffer
        else:
            table = _read_json(path)
        names = list(table.column_names)
    except (pa.ArrowException, OSError, UnicodeDecodeError) as error:
        raise _damaged(path, error) from None
    while any(pa.types.is_struct(f.type) for f in table.schema):
        table = _flatter(path, table)
    if table.num_rows == 0:
        raise RecordingError(f"{path}: no rows; record again or give another file")
    names = list(table.column_names)
    if len(set(names)) != len(names):
        twice = sorted({n for n in names if names.count(n) > 1})
        raise RecordingError(f"{path}: columns named twice: {', '.join(twice)}; rename them")
    return as_columns(str(path.name), table)


def _few_at_a_time(path: Path, file: parquet.ParquetFile, needed: Needed) -> Columns:
    """Read the columns of a Parquet file when they are asked for, so that no table is held."""
    names: list[str] = file.schema_arrow.names
    kinds = {f.name: f.type for f in file.schema_arrow}
    numeric = {n for n, k in kinds.items() if pa.types.is_floating(k) or pa.types.is_integer(k)}
    extents: dict[str, tuple[float, float]] = {}
    held: dict[str, np.ndarray] = {}
    ahead: dict[str, Future[np.ndarray]] = {}
    threads = ThreadPoolExecutor(2) if file.metadata.num_rows >= MANY_ROWS else None
    wanted = {n for n in numeric if needed(n, [])} if threads is not None else set()
    own = threading.local()
    own.file = file

    def read(name: str) -> np.ndarray:
        if not hasattr(own, "file"):  # each thread its own: none is made for two
            own.file = parquet.ParquetFile(
                path, metadata=file.metadata, page_checksum_verification=True
            )
        if name not in numeric:
            return as_columns(path.name, own.file.read(columns=[name], use_threads=False)).get(name)
        # Piece by piece, as pyarrow's own pool would keep the memory of a whole column; the room is
        # what the file claims, but for a claim beyond all sense.
        out, rows = np.empty(min(max(0, file.metadata.num_rows), ROOM), stored(kinds[name])), 0
        for batch in own.file.iter_batches(BATCH, columns=[name], use_threads=False):
            values = numbers(pa.chunked_array([batch.column(0)]))
            end, dtype = rows + values.size, np.promote_types(values.dtype, out.dtype)
            if end > out.size or dtype != out.dtype:
                kept = out[:rows]
                out = np.empty(out.size if end <= out.size else 2 * end, dtype)
                out[:rows] = kept
            out[rows:end] = values
            rows = end
        if rows != file.metadata.num_rows:
            raise pa.ArrowInvalid(f"{name}: {rows} rows of {file.metadata.num_rows}")
        extents[name] = extent(out[:rows])
        return out[:rows]

    def get(name: str) -> np.ndarray:
        nonlocal threads
        if name in held:
            return held[name]
        try:
            if threads is not None:
                # The next ones are read while this one is being looked at.
                at = names.index(name)
                for n in [name, *[n for n in names[at + 1 :] if n in wanted][:4]]:
                    if n not in held and n not in ahead:
                        ahead[n] = threads.submit(read, n)
            held[name] = ahead.pop(name).result() if name in ahead else read(name)
            if threads is not None and not ahead:  # the last: threads keep memory of pyarrow's
                threads.shutdown()
                threads = None
                pa.default_memory_pool().release_unused()
        except (pa.ArrowException, OSError) as error:
            raise _damaged(path, error) from None
        return held[name]

    return Columns(name=path.name, names=list(names), get=get, forget=held.pop, extents=extents)


def _check_claims(path: Path) -> None:
    """Refuse an Arrow file whose packed buffers claim absurd sizes: pyarrow asks for that memory first.

    Layout: Arrow columnar format, "IPC File Format" and "Compression" (a packed buffer begins with
    its length unpacked), in FlatBuffers' binary format; both are open. What cannot be followed is left
    to pyarrow to refuse.
    """
    with path.open("rb") as stream, mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as data:

        def number(kind: str, at: int) -> int:
            if at < 0:
                raise struct.error
            value: int = struct.unpack_from("<" + kind, data, at)[0]
            return value

        def field(table: int, k: int) -> int:
            """Where a field of a table stands; 0 where it is left out."""
            fields = table - number("i", table)
            offset = number("H", fields + 4 + 2 * k) if number("H", fields) > 4 + 2 * k else 0
            return table + offset if offset else 0

        def target(at: int) -> int:
            return at + number("I", at)

        def items(at: int, size: int) -> range:
            first = target(at) + 4 if at else 0
            return range(first, first + size * number("I", first - 4), size) if at else range(0)

        if data[-6:] != b"ARROW1":
            return
        try:
            end = len(data) - 10
            footer = target(end - number("i", end))
            for kind in (2, 3):  # dictionaries, batches
                for block in items(field(footer, kind), 24):
                    start = number("q", block)
                    body = start + number("i", block + 8)
                    batch = target(field(target(start + 8), 2))
                    if kind == 2:
                        batch = target(field(batch, 1))
                    if not field(batch, 3):
                        continue  # not compressed
                    rows = number("q", at) if (at := field(batch, 0)) else 0
                    for buffer in items(field(batch, 2), 16):
                        size = number("q", buffer + 8)
                        claimed = number("q", body + number("q", buffer)) if size > 8 else 0
                        if claimed > 16 * rows + 1000 * size + (1 << 20):
                            raise pa.ArrowInvalid(
                                f"{size} bytes claim to unpack to {claimed / 1e9:.3g} GB"
                            )
        except struct.error:
            return


def _damaged(path: Path, error: Exception) -> RecordingError:
    reason = str(error).splitlines()[0][:160]
    return RecordingError(
        f"{path}: cannot be read as {path.suffix.lower()[1:]}: {reason}. The file is damaged, cut "
        "short or of another format; copy it again or record again"
    )


NUMBER = re.compile(r"[-+]?(\d+[.,]?\d*|[.,]\d+)([eE][-+]?\d+)?")
STAMP = re.compile(r"(\d{4}[-/]\d\d[-/]\d\d([T/ ].*)?|\d{1,2}:\d\d:\d\d([.,]\d+)?)")
WORD = re.compile(r"[A-Za-z][A-Za-z0-9_:$-]*")
MANY_ROWS = 200_000
"""Rows from which it pays to read a Parquet file on two threads."""
BATCH = 1 << 16
"""Rows of a Parquet column read at once."""
ROOM = 1 << 22
"""Rows that a Parquet file may claim before it has shown them."""
FEW_TAGS = 24
"""Most different first words that count as tags; more of them are data."""


def _is_number(cell: str, *, comma: bool = False) -> bool:
    if comma and "," in cell:
        return NUMBER.fullmatch(cell) is not None
    try:
        float(cell)
    except ValueError:
        return STAMP.fullmatch(cell) is not None
    return cell.lower() not in {"nan", "inf", "-inf", "infinity"}


def _split(line: str, delimiter: str) -> list[str]:
    if delimiter == " ":
        return line.split()
    if '"' not in line:
        return line.split(delimiter)
    import csv as text_csv

    try:
        return next(text_csv.reader([line], delimiter=delimiter))
    except (text_csv.Error, StopIteration):
        return line.split(delimiter)


def _delimiter(lines: list[str]) -> str:
    rows = [x for x in lines if x.strip() and x.lstrip()[0] not in "#%"][-60:]
    best, most = "", 1
    for delimiter in DELIMITERS:
        counts = [len(_split(x, delimiter)) for x in rows]
        if not counts:
            continue
        usual = max(set(counts), key=counts.count)
        tagged = min(counts) > 1 and all(WORD.match(x) for x in rows[-20:])
        if usual > most and (counts.count(usual) >= 0.7 * len(counts) or tagged):
            best, most = delimiter, usual
        if best == ";":
            return best  # a comma in such a row is a decimal comma, or part of a name
    if best:
        return best
    counts = [len(x.split()) for x in rows]
    return " " if counts and min(counts) > 1 else ""


def read_text(path: Path, findings: list[Finding], needed: Needed = every_column) -> list[Columns]:
    """Read delimited text with one or more header rows, or lines of several tags.

    Parameters
    ----------
    path : Path
        File: commas, semicolons, tabs, bars or blanks between the cells.
    findings : list of Finding
        Notes on lost rows and odd headers are added here.
    needed : callable
        A large file is parsed for such columns only, and again for the others if one is asked for.

    Returns
    -------
    list of Columns
        Its columns; one set a tag where lines begin with words that say what they are.

    Raises
    ------
    RecordingError
        Where the file is empty, binary, has no header or no rows.
    """
    try:
        with path.open("rb") as stream:
            head = stream.read(SNIFFED)
            size = path.stat().st_size
            stream.seek(max(0, size - 1))
            whole = stream.read(1) in {b"\n", b"\r", b"}"}
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
        return [read_json_text(path)]
    lines = text.splitlines()
    if len(head) == SNIFFED and len(lines) > 1:
        lines = lines[:-1]
    skip = 0
    delimiter = ""
    if lines and lines[0].strip('" ').lower().startswith("sep="):
        delimiter, skip = lines[0].strip('" ')[4:5], 1
        if delimiter in {"", '"', "\\"} or delimiter.isalnum():
            delimiter = ""
    body = [x for x in lines[skip:] if x.strip()]
    if not body:
        raise RecordingError(f"{path}: the file is empty; record again or give another file")
    delimiter = delimiter or _delimiter(body)
    if not delimiter:
        raise RecordingError(
            f"{path}: no columns found: the rows hold one cell each ({body[0][:60]!r}). Separate "
            f"the cells by commas, semicolons or tabs"
        )
    tags = _tags(body, delimiter)
    if tags:
        return _read_tagged(path, delimiter, tags, findings)
    at, header = _header(lines, skip, delimiter)
    if at < 0:
        raise RecordingError(f"{path}: a header but no rows of numbers; record again")
    width = len(_split(lines[at], delimiter))
    names, units, aliases, trouble = _names(header, width, path, lines[at:], delimiter)
    if not header:
        trouble = (
            f"{path}: no header row with column names (first row {lines[at][:60]!r}); add one, or "
            'name the columns by place in the robot file, such as "column 2" = "count_FL"'
        )
    comma = _comma(lines[at:], delimiter)
    columns = None
    if path.stat().st_size > parts.LARGE and delimiter != " " and not comma and _plain_lines(head):
        named = not any(re.fullmatch(r".+ \(\d+\)|column \d+", n) for n in names)
        some = [n for n in names if not named or needed(n, aliases.get(n, []))]
        columns = parts.read_in_parts(
            path, delimiter, at, names, some or names, findings, whole=whole,
            otherwise=lambda: as_columns(
                path.name, _parse(path, delimiter, at, names, [], False, whole)
            ),
        )  # fmt: skip
    if columns is None:
        table = _parse(path, delimiter, at, names, findings, comma, whole)
        columns = as_columns(path.name, table)
        del table
    return [_finish(columns, units, aliases, trouble)]


def _finish(
    columns: Columns, units: dict[str, str], aliases: dict[str, list[str]], trouble: str
) -> Columns:
    columns.units = units
    columns.aliases = aliases
    columns.trouble = trouble
    columns.nameless = {n for n in columns.names if re.fullmatch(r"column \d+", n)}
    for column in columns.names:
        found = re.fullmatch(r"(.+) \((\d+)\)", column)
        if found and found.group(1) in columns.names:
            columns.twice[column] = found.group(1)
    if columns.twice:
        _containers(columns)
    joint_names(columns)
    return columns


def _comma(rows: list[str], delimiter: str) -> bool:
    """Tell whether numbers are written with a decimal comma."""
    if delimiter == ",":
        return False
    cells = [c.strip() for r in rows[:50] for c in _split(r, delimiter)]
    commas = sum(1 for c in cells if "," in c and NUMBER.fullmatch(c))
    points = sum(1 for c in cells if "." in c and NUMBER.fullmatch(c))
    return commas > points


def _header(lines: list[str], skip: int, delimiter: str) -> tuple[int, list[list[str]]]:
    """First row of data (-1 where there is none) and the rows of names before it."""
    comma = delimiter != ","

    def marks(line: str) -> list[bool]:
        return [_is_number(c.strip(), comma=comma) for c in _split(line, delimiter)]

    body = [x for x in lines[skip:] if x.strip()][-40:]
    widths = [len(_split(x, delimiter)) for x in body]
    width = max(set(widths), key=widths.count)
    sample = [marks(x) for x, w in zip(body, widths, strict=True) if w == width]
    numeric = [k for k in range(width) if sum(m[k] for m in sample) > 0.3 * len(sample)]
    if not numeric:
        return -1, []
    header: list[list[str]] = []
    for at in range(skip, len(lines)):
        line = lines[at]
        if not line.strip():
            continue
        bare = line.lstrip("%# \t") if line.lstrip()[:1] in "%#" else line
        found = marks(bare)
        cells = [c.strip() for c in _split(bare, delimiter)]
        hits = sum(found[k] for k in numeric if k < len(found))
        filled = sum(1 for k in numeric if k < len(cells) and cells[k])
        if len(found) == width and hits and hits >= 0.5 * filled and bare is line:
            return at, header
        if len(cells) > 1 and not any(found[: len(numeric)]):
            header.append([c.strip().strip('"').strip() for c in cells])
        if at - skip > 60:
            break
    return -1, header


def _tags(body: list[str], delimiter: str) -> dict[str, int]:
    """First words of the lines where they say what a line is, with the usual number of cells."""
    firsts: dict[str, list[int]] = {}
    for line in body[:4000]:
        cells = [c.strip() for c in _split(line, delimiter)] or [""]
        if WORD.fullmatch(cells[0]) is None or len(cells) < 2:
            if NUMBER.fullmatch(cells[0]):
                return {}
            continue
        if sum(_is_number(c) for c in cells[1:]) < max(1, 0.5 * len([c for c in cells[1:] if c])):
            continue
        firsts.setdefault(cells[0], []).append(len(cells))
    counted = {t: max(set(n), key=n.count) for t, n in firsts.items() if len(n) >= 2}
    lines = sum(len(firsts[t]) for t in counted)
    if not counted or len(counted) > FEW_TAGS or lines < 0.6 * min(len(body), 4000):
        return {}
    return counted


def _read_tagged(
    path: Path, delimiter: str, tags: dict[str, int], findings: list[Finding]
) -> list[Columns]:
    """One set of columns a tag; names from the line of words that goes with the tag."""
    groups: dict[str, list[str]] = {t: [] for t in tags}
    words: list[list[str]] = []
    strange = 0
    with path.open(encoding="utf-8-sig", errors="replace") as stream:
        for line in stream:
            cells = [c.strip() for c in _split(line.rstrip("\r\n"), delimiter)] or [""]
            rest = [c for c in cells[1:] if c]
            if cells[0] in tags and any(_is_number(c) for c in rest):
                if len(cells) != tags[cells[0]] or not line.endswith("\n"):
                    strange += 1
                else:
                    groups[cells[0]].append(line)
            elif len(cells) > 1 and rest and not any(_is_number(c) for c in rest):
                words.append(cells)
            elif line.strip():
                strange += 1
    if strange:
        findings.append(_note(f"{path.name}: {strange} odd lines are left out", "warning"))
    out = []
    for tag, width in tags.items():
        names, units, trouble = _tag_names(tag, width, words, len(tags), path)
        parsed = _parse(
            io.BytesIO("".join(groups[tag]).encode()), delimiter, 0, names, findings, False, True,
            path,
        )  # fmt: skip
        label = path.name if len(tags) == 1 else f"{path.name}:{tag}"
        columns = _finish(as_columns(label, parsed), units, {}, "")
        columns.names = columns.names[1:]
        if trouble:
            columns.nameless = set(columns.names)
            columns.trouble = trouble if len(tags) == 1 else ""
        out.append(columns)
    return out


def _tag_names(
    tag: str, width: int, words: list[list[str]], tags: int, path: Path
) -> tuple[list[str], dict[str, str], str]:
    stem = re.sub(r"[_-]?(HEADER|DATA)$", "", tag, flags=re.I).lower()
    for cells in words:
        other = re.sub(r"[_-]?(HEADER|HEAD|NAMES)$", "", cells[0], flags=re.I).lower()
        if len([c for c in cells if c]) == width and (other == stem or tags == 1):
            names, units, _, trouble = _names([cells], width, path, [], ",")
            return names, units, trouble
    names = [tag] + [f"{tag} {k}" for k in range(1, width)]
    return (
        names,
        {},
        f"{path}: lines of {tag!r} have no header; name their cells in the robot file by place, such "
        f'as "{tag} 1" = {{ channel = "t", unit = "s" }} (cells {tag} 1 to {tag} {width - 1})',
    )


def _note(text: str, severity: Literal["note", "warning"] = "note") -> Finding:
    return Finding(severity=severity, channel="", text=text)


def _joined(cells: list[str]) -> list[str]:
    """Names that hold a comma of their own: a unit after a comma belongs to the name before."""
    out: list[str] = []
    for cell in cells:
        if out and is_unit(cell) and "," not in out[-1]:
            out[-1] = f"{out[-1]}, {cell}"
        else:
            out.append(cell)
    return out


def _names(
    header: list[list[str]], width: int, path: Path, rows: list[str], delimiter: str
) -> tuple[list[str], dict[str, str], dict[str, list[str]], str]:
    """Names, units, further names, and why the names cannot be trusted."""
    units_row: list[str] = []
    said: list[list[str]] = []
    for cells in header:
        filled = [c for c in cells if c]
        if said and filled and sum(map(is_unit, filled)) >= 0.6 * len(filled):
            units_row = cells
        elif len(cells) > 1:
            said.append(_joined(cells) if len(cells) > width else cells)
    first = [r for r in said if abs(len(r) - width) <= 1] or said[-1:]
    cells = list(first[0]) if first else []
    given = len(cells)
    while given and not cells[given - 1]:
        given -= 1
    trouble = ""
    if cells and given > width:
        trouble = f"{path}: {given} names for {width} columns"
    elif cells and given < width - 1 and len(cells) < width:
        trouble = f"{path}: {given} names for {width} columns"
        cells = cells[:1]
    elif cells and given == width - 1 == len(cells) and _counts_rows(rows, delimiter):
        trouble = (
            f"{path}: {given} names for {width} columns, and the first column counts the rows, so "
            "it may be the first name or the last that is missing"
        )
    if trouble:
        trouble += (
            "; which is which? Mend the header, or name the columns by place in the robot file, "
            'such as "column 2" = { channel = "omega_FL", unit = "rpm" }'
        )
        cells = cells if given < width - 1 else []
    cells = (cells + [""] * width)[:width]
    names: list[str] = []
    for k, cell in enumerate(cells):
        name = cell or f"column {k + 1}"
        count = 2
        while name in names:
            name, count = f"{cell} ({count})", count + 1
        names.append(name)
    units = {n: u.strip("[]() ") for n, u in zip(names, units_row, strict=False) if u}
    for name in names:
        found = re.search(r"(?:,\s*|\[|\()([^,\[\]()]+)[\])]?$", name)
        if found and is_unit(found.group(1)):
            units.setdefault(name, found.group(1).strip())
    aliases: dict[str, list[str]] = {}
    for row in first[1:]:
        for name, other in zip(names, row, strict=False):
            if other and not trouble:
                aliases.setdefault(name, []).append(other)
    return names, units, aliases, trouble


def _counts_rows(rows: list[str], delimiter: str) -> bool:
    cells = [_split(r, delimiter)[0].strip().strip('"') for r in rows[:50] if r.strip()]
    if len(cells) < 3 or not all(c.isdigit() for c in cells):
        return False
    steps = np.diff([int(c) for c in cells[:50]])
    return bool(np.all(steps == 1))


def _containers(columns: Columns) -> None:
    """Message fields written as one column a level: empty columns name those after them."""
    empty = {n for n in columns.names if _is_empty(columns.get(n))}
    leaves = [n for n in columns.names if n in columns.twice and n not in empty]
    if len(empty) < 2 or not leaves:
        return
    stack: list[str] = []
    after_leaf = True
    for name in columns.names:
        bare = columns.twice.get(name, name)
        if name in empty:
            if after_leaf:
                stack = (
                    [] if bare in {"header", "pose", "twist", "stamp", "transform"} else stack[:-1]
                )
            stack.append(bare)
            after_leaf = False
        else:
            after_leaf = True
            if stack:
                columns.rename[name] = ".".join([*stack, bare])
    for name in leaves:
        columns.twice.pop(name, None)


def _survey(path: Path, skip: int) -> tuple[bool, bool]:
    """Whether a file is UTF-8 from end to end, and whether a quote stands after its first lines.

    Pyarrow cannot say the one, and takes the other for the start of a cell.
    """
    utf8, quoted = True, False
    decoder = codecs.getincrementaldecoder("utf-8")()
    with path.open("rb") as stream:
        lines = (stream.readline() for _ in range(skip))
        rest = iter(lambda: stream.read(1 << 22), b"")
        for k, piece in enumerate(itertools.chain(lines, rest)):
            quoted = quoted or (k >= skip and b'"' in piece)
            if piece.isascii() and decoder.getstate()[0] == b"":
                continue
            try:
                decoder.decode(piece)
            except UnicodeDecodeError:
                utf8 = False
                decoder.reset()
    return utf8 and decoder.getstate()[0] == b"", quoted


END_OF_QUOTED = re.compile(rb'(?:[^"]|"")*"(?!")')


def _ends_open(line: bytes, delimiter: bytes, inside: bool) -> bool:
    """Whether a cell in quotes goes on after a line that begins inside one, or does not."""
    at = 0
    while True:
        if inside or line[at : at + 1] == b'"':
            end = END_OF_QUOTED.match(line, at if inside else at + 1)
            if end is None:
                return True
            at, inside = end.end(), False
        at = line.find(delimiter, at) + 1
        if at == 0:
            return False


def _stray_quotes(path: Path, skip: int, delimiter: str, width: int) -> set[int]:
    """Lines after the first `skip` with a quote that opens no cell: it would swallow the rows below.

    A cell of text may go over several lines, but then the next line is no row of its own.
    """
    stray: set[int] = set()
    between, opened = delimiter.encode(), -1
    with path.open("rb") as stream:
        for k, line in enumerate(stream):
            if 0 <= opened == k - 1 and line.count(between) >= width - 1:
                stray.add(opened)
                opened = -1
            if k < skip or b'"' not in line:
                continue
            if not _ends_open(line, between, opened >= 0):
                opened = -1
            elif opened < 0:
                opened = k
    return stray | ({opened} if opened >= 0 else set())


def _is_empty(cells: np.ndarray) -> bool:
    if cells.dtype.kind == "f":
        return bool(np.isnan(cells).all())
    return cells.dtype.kind == "O" and all(c is None or c == "" for c in cells)


def _parse(
    source: Path | io.BytesIO,
    delimiter: str,
    skip: int,
    names: list[str],
    findings: list[Finding],
    comma: bool,
    whole: bool,
    path: Path | None = None,
) -> pa.Table:
    path = path or source if isinstance(source, Path) else path
    assert path is not None
    lost: list[int] = []

    def odd(row: csv.InvalidRow) -> str:
        lost.append(row.number or 0)
        return "skip"

    sound, quoted = (True, False) if isinstance(source, io.BytesIO) else _survey(source, skip)
    if not sound:
        findings.append(
            _note(
                f"{path.name}: some bytes are not UTF-8; cells that hold them are text", "warning"
            )
        )
    stray = _stray_quotes(path, skip, delimiter, len(names)) if quoted else set()

    def opened() -> str | io.BytesIO:
        if isinstance(source, io.BytesIO):
            raw = source.getvalue()
        elif delimiter != " " and sound and not stray:
            return str(source)
        else:
            with source.open("rb") as stream:
                raw = b"".join(line for k, line in enumerate(stream) if k not in stray)
            raw = raw.decode("utf-8", "replace").encode()
        if delimiter == " ":
            raw = re.sub(rb"(?m)[ \t]+\r?$", b"", re.sub(rb"(?m)^[ \t]+", b"", raw))
            raw = re.sub(rb"[ \t]+", b" ", raw)
        return io.BytesIO(raw)

    def read(types: dict[str, pa.DataType] | None) -> pa.Table:
        lost.clear()
        options: dict[str, Any] = {"decimal_point": ","} if comma and types is None else {}
        return csv.read_csv(
            opened(),
            read_options=csv.ReadOptions(column_names=names, skip_rows=skip, block_size=1 << 22),
            parse_options=csv.ParseOptions(
                delimiter=delimiter, invalid_row_handler=odd, newlines_in_values=False
            ),
            convert_options=csv.ConvertOptions(
                column_types=types, null_values=BLANKS, strings_can_be_null=True, **options
            ),
        )

    try:
        try:
            table = read(None)
            if _again(table) is not None:
                table = _numbers_of(read(dict.fromkeys(names, pa.string())), findings, path, comma)
        except (pa.ArrowException, UnicodeDecodeError):
            table = _numbers_of(read(dict.fromkeys(names, pa.string())), findings, path, comma)
    except (pa.ArrowException, OSError, UnicodeDecodeError) as error:
        reason = str(error).splitlines()[0][:160]
        raise RecordingError(f"{path}: cannot be read as text columns: {reason}") from None
    lost_rows = len(lost) + len(stray)
    return table.slice(0, sound_rows(path, table.num_rows, lost_rows, len(names), whole, findings))


def _plain_lines(head: bytes) -> bool:
    """Whether lines end in a line feed, so that the file can be cut there."""
    return b"\n" in head and head.count(b"\r") == head.count(b"\r\n")


def _again(table: pa.Table) -> pa.ChunkedArray | None:
    """Rows that hold the names of the columns once more; None where there are none."""
    import pyarrow.compute as pc

    count = None
    for name in table.column_names:
        column = table.column(name)
        if not pa.types.is_string(column.type):
            continue
        bare = re.sub(r" \(\d+\)$", "", name)
        same = pc.fill_null(pc.equal(pc.utf8_trim_whitespace(column), bare), False).cast(pa.int32())
        count = same if count is None else pc.add(count, same)
    if count is None:
        return None
    again = pc.greater_equal(count, min(2, len(table.column_names)))
    return again if pc.any(again).as_py() else None


def _numbers_of(table: pa.Table, findings: list[Finding], path: Path, comma: bool) -> pa.Table:
    """From cells as text to numbers where a column holds only numbers; repeated headers go."""
    import pyarrow.compute as pc

    names = list(table.column_names)
    again = _again(table)
    if again is not None:
        count = pc.sum(again).as_py()
        table = table.filter(pc.invert(again))
        findings.append(
            _note(
                f"{path.name}: the header stands again in {count} rows: the log was started again; "
                "those rows are left out",
                "warning",
            )
        )
    for k, name in enumerate(names):
        cells = pc.utf8_trim_whitespace(table.column(name))
        if comma:
            cells = pc.replace_substring(cells, ",", ".")
        try:
            table = table.set_column(k, name, cells.cast(pa.float64()))
        except pa.ArrowException:
            continue
    return table


def _read_json(path: Path) -> pa.Table:
    """JSON Lines; pyarrow itself crashes on a file of nulls, so that is looked for before."""
    with path.open("rb") as stream, mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as data:
        first = re.search(rb"[^\s\xef\xbb\xbf]", data)
        if first is None or first.group() != b"{" or re.search(rb"[\n\r}]\s*null", data):
            raise RecordingError(f"{path}: not JSON Lines: each line must be one object, {{…}}")
    table = json.read_json(path)
    _ = table.column_names  # read here, so that names that are not UTF-8 are told here
    return table


def _flatter(path: Path, table: pa.Table) -> pa.Table:
    """One level of nesting less."""
    try:
        table = table.flatten()
        _ = table.column_names
    except (pa.ArrowException, UnicodeDecodeError) as error:
        raise _damaged(path, error) from None
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
        table = _read_json(path)
    except (pa.ArrowException, OSError, UnicodeDecodeError) as error:
        reason = str(error).splitlines()[0][:160]
        raise RecordingError(
            f"{path}: looks like JSON but is not one object a line: {reason}"
        ) from None
    while any(pa.types.is_struct(f.type) for f in table.schema):
        table = _flatter(path, table)
    return as_columns(path.name, table)
