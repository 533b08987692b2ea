"""Text and columnar files through pyarrow."""

from __future__ import annotations

import io
import re
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


def _as_columns(name: str, table: pa.Table) -> Columns:
    def get(column: str) -> np.ndarray:
        chunked = table.column(column)
        kind = chunked.type
        if pa.types.is_integer(kind) or pa.types.is_floating(kind):
            if chunked.null_count:
                chunked = chunked.cast(pa.float64())
            out: np.ndarray = chunked.to_numpy(zero_copy_only=False)
            return out
        if pa.types.is_timestamp(kind):
            return np.asarray(chunked.to_numpy(zero_copy_only=False))
        if pa.types.is_boolean(kind):
            return chunked.cast(pa.int8()).to_numpy(zero_copy_only=False).astype(float)
        if pa.types.is_null(kind):
            return np.full(len(chunked), np.nan)
        return np.array(chunked.to_pylist(), dtype=object)

    return Columns(name=name, names=list(table.column_names), get=get)


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
            table = parquet.read_table(path)
        elif suffix in {".feather", ".arrow"}:
            table = feather.read_table(path)
        else:
            table = json.read_json(path)
    except (pa.ArrowException, OSError) as error:
        reason = str(error).splitlines()[0][:160]
        raise RecordingError(
            f"{path}: cannot be read as {suffix[1:]}: {reason}. The file is damaged, cut short or "
            "of another format; copy it again or record again"
        ) from None
    while any(pa.types.is_struct(f.type) for f in table.schema):
        table = table.flatten()
    if table.num_rows == 0:
        raise RecordingError(f"{path}: no rows; record again or give another file")
    names = list(table.column_names)
    if len(set(names)) != len(names):
        twice = sorted({n for n in names if names.count(n) > 1})
        raise RecordingError(f"{path}: columns named twice: {', '.join(twice)}; rename them")
    return _as_columns(str(path.name), table)


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
    table = _parse(path, delimiter, at, names, findings)
    columns = _as_columns(path.name, table)
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
    if table.num_rows == 0:
        raise RecordingError(f"{path}: a header but no whole rows; record again")
    if lost:
        share = len(lost) / (len(lost) + table.num_rows)
        if share > 0.2:
            raise RecordingError(
                f"{path}: {len(lost)} of {len(lost) + table.num_rows} rows do not have "
                f"{len(names)} cells; the delimiter or the file is damaged"
            )
        findings.append(
            Finding(
                severity="warning",
                channel="",
                text=f"{path.name}: {len(lost)} rows do not have {len(names)} cells and are left out",
            )
        )
    return table


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
