"""Containers of robot bags: MCAP, ROS 1 bag and SQLite, read from front to back.

They give the raw messages in blocks, a buffer with the place of each message, so that nothing is
done message by message. Reading from the front needs no index, so a recording that was cut short,
or whose end is damaged, is read as far as it is whole. Formats: MCAP specification; ROS bag format
2.0; the tables of rosbag2's SQLite storage. All are open standards.
"""

from __future__ import annotations

import bz2
import mmap
import re
import sqlite3
import struct
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from analyzer.quantities import Finding, RecordingError
from analyzer.readers.messages import gather, window

MOST_BYTES = 1 << 30
"""Largest chunk that is unpacked [bytes]; usual ones hold 1 to 4 MB."""
MOST_RATIO = 1000
"""Largest ratio of unpacked to packed size that a recording has; zeros reach about that."""
RATIO_FROM = 64 << 20
"""Unpacked size from which the ratio is judged [bytes]."""
MCAP_MAGIC = b"\x89MCAP0\r\n"
ROS1_MAGIC = b"#ROSBAG V2.0\n"


@dataclass(slots=True, kw_only=True, eq=False)
class Topic:
    """A topic of a bag.

    Attributes
    ----------
    name, kind : str
        Name and message type, ``package/msg/Type``.
    definition : str
        Message definition as text; "" where the bag has none.
    ros1 : bool
        ROS 1 serialisation, else CDR.
    """

    name: str
    kind: str
    definition: str = ""
    ros1: bool = False


@dataclass(slots=True, kw_only=True, eq=False)
class Block:
    """Messages of one topic in one buffer: starts, sizes [bytes] and times received [ns]."""

    topic: Topic
    buffer: np.ndarray
    starts: np.ndarray
    sizes: np.ndarray
    times: np.ndarray


@dataclass(slots=True)
class Losses:
    """What could not be read.

    Attributes
    ----------
    reasons : list of str
        One line each.
    messages : int
        Messages known to be lost.
    """

    reasons: list[str] = field(default_factory=list)
    messages: int = 0

    def add(self, reason: str, messages: int = 0) -> None:
        """Note a loss.

        Parameters
        ----------
        reason : str
            What was lost, and where.
        messages : int
            How many messages, where it is known.
        """
        self.messages += messages
        if len(self.reasons) < 20:
            self.reasons.append(reason)

    def finding(self, name: str) -> list[Finding]:
        """Say it.

        Parameters
        ----------
        name : str
            File.

        Returns
        -------
        list of Finding
            None or one.
        """
        if not self.reasons:
            return []
        shown = "; ".join(self.reasons[:4])
        more = "" if len(self.reasons) <= 4 else f" and {len(self.reasons) - 4} places more"
        count = f"; {self.messages} messages known to be lost" if self.messages else ""
        return [
            Finding(
                severity="warning",
                channel="",
                text=f"{name}: damaged: {shown}{more}{count}. What is whole is used",
            )
        ]


def _zstd() -> Any:
    import sys

    if sys.version_info >= (3, 14):
        from compression import zstd
    else:
        from backports import zstd
    return zstd


def unpack(data: bytes | memoryview, how: str, size: int, where: str) -> bytes:
    """Unpack a chunk, with a bound on its size.

    Parameters
    ----------
    data : bytes
        Packed bytes; may be cut short.
    how : str
        "", "none", "zstd", "lz4" or "bz2".
    size : int
        Unpacked size as stated. [bytes]
    where : str
        For messages.

    Returns
    -------
    bytes
        As much as could be unpacked, `size` at most.

    Raises
    ------
    RecordingError
        Where the stated size or ratio is absurd, or the method unknown.
    """
    if how in {"", "none"}:
        return bytes(data)
    if size > MOST_BYTES or (size > RATIO_FROM and size > MOST_RATIO * max(1, len(data))):
        raise RecordingError(
            f"{where}: a chunk of {len(data)} bytes says it unpacks to {size}; refused, no recording "
            "is like that. Record again"
        )
    machine: Any
    if how == "zstd":
        machine = _zstd().ZstdDecompressor()
    elif how == "lz4":
        import lz4.frame

        machine = lz4.frame.LZ4FrameDecompressor()
    elif how == "bz2":
        machine = bz2.BZ2Decompressor()
    else:
        raise RecordingError(f"{where}: compression {how!r} is none of zstd, lz4, bz2, none")
    try:
        out: bytes = machine.decompress(bytes(data), max_length=size)
        if len(out) < size:
            rest = [out]
            while not machine.eof and not machine.needs_input and sum(map(len, rest)) < size:
                rest.append(machine.decompress(b"", max_length=size - sum(map(len, rest))))
                if not rest[-1]:
                    break
            out = b"".join(rest)
    except Exception:  # noqa: BLE001 - each library has its own error
        return b""
    return out


# ---- MCAP


@dataclass(slots=True)
class _Mcap:
    path: Path
    losses: Losses
    schemas: dict[int, tuple[str, str, str]] = field(default_factory=dict)
    topics: dict[int, Topic | None] = field(default_factory=dict)

    def schema(self, body: bytes) -> None:
        number = struct.unpack_from("<H", body)[0]
        name, at = _text(body, 2)
        encoding, at = _text(body, at)
        definition, at = _text(body, at)
        self.schemas[number] = (name, encoding, definition)

    def channel(self, body: bytes) -> None:
        number, schema = struct.unpack_from("<HH", body)
        name, at = _text(body, 4)
        encoding, _ = _text(body, at)
        kind, style, definition = self.schemas.get(schema, ("", "", ""))
        known = encoding in {"cdr", "ros1"} and kind
        if known and self.topics.get(number) is None:
            parts = kind.split("/")
            kind = "/".join((parts[0], "msg", parts[-1])) if len(parts) == 2 else kind
            self.topics[number] = Topic(
                name=name,
                kind=kind,
                definition=definition if style in {"ros2msg", "ros1msg"} else "",
                ros1=encoding == "ros1",
            )
        elif number not in self.topics:
            self.topics[number] = None


def _text(body: bytes, at: int) -> tuple[str, int]:
    size = struct.unpack_from("<I", body, at)[0]
    if at + 4 + size > len(body):
        msg = "a text runs past the end of its record"
        raise struct.error(msg)
    return body[at + 4 : at + 4 + size].decode("utf-8", "replace"), at + 4 + size


def _scan_mcap(state: _Mcap, raw: np.ndarray, *, cut: bool) -> dict[int, list[int]]:
    """Walk the records of a chunk; places of the messages by channel."""
    view = raw.data
    places: dict[int, list[int]] = {}
    at, size = 0, raw.size
    while at + 9 <= size:
        op, length = struct.unpack_from("<BQ", view, at)
        if at + 9 + length > size or op not in {3, 4, 5}:
            if not cut:
                state.losses.add("a chunk holds what is no record")
            break
        if op == 5 and length >= 22:
            places.setdefault(struct.unpack_from("<H", view, at + 9)[0], []).append(at)
        elif op in {3, 4}:
            body = bytes(view[at + 9 : at + 9 + length])
            (state.schema if op == 3 else state.channel)(body)
        at += 9 + length
    return places


def _indexed(raw: np.ndarray, channel: int, places: np.ndarray) -> np.ndarray | None:
    """Check the places that an index gives; None where one of them is no message."""
    if places.size == 0 or int(places.min()) < 0 or int(places.max()) + 31 > raw.size:
        return None
    ends = places + 9 + gather(raw, "u8", places + 1).astype(np.int64)
    good = (
        np.all(gather(raw, "u1", places) == 5)
        and np.all(gather(raw, "u2", places + 9) == channel)
        and np.all((ends <= raw.size) & (ends >= places + 31))
    )
    return ends if good else None


def _mcap_blocks(
    state: _Mcap,
    raw: np.ndarray,
    index: dict[int, np.ndarray],
    *,
    cut: bool = False,
) -> Iterator[Block]:
    places = dict(index)
    ends: dict[int, np.ndarray] = {}
    usable = bool(index) and all(c in state.topics for c in index) and not cut
    for channel, where in index.items() if usable else ():
        found = _indexed(raw, channel, where)
        if found is None:
            usable = False
            break
        ends[channel] = found
    if not usable:
        scanned = _scan_mcap(state, raw, cut=cut)
        places = {c: np.array(p, dtype=np.int64) for c, p in scanned.items()}
        ends = {c: p + 9 + gather(raw, "u8", p + 1).astype(np.int64) for c, p in places.items()}
    for channel, where in places.items():
        topic = state.topics.get(channel)
        if topic is None or not where.size:
            continue
        times = gather(raw, "u8", where + 15).astype(np.int64)
        starts = where + 31
        yield Block(
            topic=topic, buffer=raw, starts=starts, sizes=ends[channel] - starts, times=times
        )


def read_mcap(path: Path, losses: Losses) -> Iterator[Block]:
    """Read an MCAP file.

    Parameters
    ----------
    path : Path
        File.
    losses : Losses
        What could not be read is noted here.

    Yields
    ------
    Block
        Messages.

    Raises
    ------
    RecordingError
        Where it is no MCAP file, or a chunk is absurd.
    """
    state = _Mcap(path, losses)
    with path.open("rb") as stream:
        size = stream.seek(0, 2)
        if size < 16:
            raise RecordingError(f"{path}: {size} bytes are no MCAP file; copy it again")
        with mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as data:
            if data[:8] != MCAP_MAGIC:
                raise RecordingError(
                    f"{path}: no MCAP file (its first bytes are {bytes(data[:8])!r}); give the file "
                    "its right ending, or copy it again"
                )
            yield from _walk_mcap(state, data, size)


def _walk_mcap(state: _Mcap, data: mmap.mmap, size: int) -> Iterator[Block]:
    losses, at, ended = state.losses, 8, False
    pending: tuple[int, int] | None = None
    index: dict[int, np.ndarray] = {}
    loose: dict[int, list[int]] = {}

    def flush() -> Iterator[Block]:
        nonlocal pending, index
        if pending is not None:
            begin, length = pending
            body = data[begin : begin + length]
            pending, known, index = None, index, {}
            yield from _chunk(state, body, known, begin)

    while at + 9 <= size:
        op, length = struct.unpack_from("<BQ", data, at)
        begin, end = at + 9, at + 9 + length
        if op == 0 or op > 0x0F or end > size:
            if op == 6 and end > size:
                yield from flush()
                yield from _chunk(state, data[begin:size], {}, begin)
                losses.add(f"cut short in the chunk at byte {at}")
                ended = True
                break
            found = _next_chunk(data, at + 1)
            losses.add(f"no whole record at byte {at}")
            yield from flush()
            if found < 0:
                ended = True
                break
            at = found
            continue
        if op != 7:
            yield from flush()
        try:
            if op == 3:
                state.schema(data[begin:end])
            elif op == 4:
                state.channel(data[begin:end])
            elif op == 5 and length >= 22:
                channel = struct.unpack_from("<H", data, begin)[0]
                loose.setdefault(channel, []).append(at)
                if len(loose[channel]) >= 20_000:
                    yield from _loose(state, data, loose)
                    loose = {}
            elif op == 6:
                pending = (begin, length)
            elif op == 7:
                channel, count = struct.unpack_from("<HI", data, begin)
                if count == length - 6 and count % 16 == 0:
                    pairs = np.frombuffer(data[begin + 6 : end], dtype="<u8").reshape(-1, 2)
                    index[channel] = pairs[:, 1].astype(np.int64)
            elif op in {2, 0x0F}:
                ended = True
                break
        except struct.error:
            losses.add(f"a record at byte {at} is shorter than it must be")
        at = end
    yield from flush()
    yield from _loose(state, data, loose)
    if not ended:
        losses.add("the file has no end: the recording was cut short")


def _next_chunk(data: mmap.mmap, at: int) -> int:
    """Place of the next chunk that looks whole after a damaged record; -1 where there is none."""
    pattern = re.compile(rb"\x06.{8}.{28}[\x00\x03\x04]\x00\x00\x00(?=|zstd|lz4)", re.DOTALL)
    for hit in pattern.finditer(data, at):
        here = hit.start()
        length = struct.unpack_from("<Q", data, here + 1)[0]
        start, stop, unpacked = struct.unpack_from("<QQQ", data, here + 9)
        if length < len(data) - here and start <= stop and 0 < unpacked < MOST_BYTES:
            return here
    return -1


def _chunk(state: _Mcap, body: bytes, index: dict[int, np.ndarray], where: int) -> Iterator[Block]:
    """Unpack a chunk; checked by its checksum where it has one."""
    losses = state.losses
    count = sum(p.size for p in index.values())
    if len(body) < 40:
        losses.add(f"chunk at byte {where} is too short", count)
        return
    _, _, size, check = struct.unpack_from("<QQQI", body)
    try:
        how, at = _text(body, 28)
    except struct.error:
        losses.add(f"chunk at byte {where} is damaged", count)
        return
    if how not in {"", "zstd", "lz4"} or len(body) < at + 8:
        losses.add(f"chunk at byte {where} is damaged", count)
        return
    packed = struct.unpack_from("<Q", body, at)[0]
    cut = at + 8 + packed > len(body)
    if cut and check:
        return  # what brings a checksum is used only where it can be checked
    raw = unpack(memoryview(body)[at + 8 : at + 8 + packed], how, size, f"{state.path}")
    if not cut and len(raw) != size:
        losses.add(f"chunk at byte {where} does not unpack", count)
        return
    if not cut and check and zlib.crc32(raw) != check:
        losses.add(f"chunk at byte {where} fails its checksum", count)
        return
    if raw:
        try:
            yield from _mcap_blocks(state, np.frombuffer(raw, dtype=np.uint8), index, cut=cut)
        except struct.error:
            losses.add(f"chunk at byte {where} is damaged", count)


def _loose(state: _Mcap, data: mmap.mmap, loose: dict[int, list[int]]) -> Iterator[Block]:
    """Messages outside of chunks."""
    for channel, places in loose.items():
        topic = state.topics.get(channel)
        if topic is None:
            continue
        first = places[0]
        length = struct.unpack_from("<Q", data, places[-1] + 1)[0]
        raw = np.frombuffer(data[first : places[-1] + 9 + length], dtype=np.uint8)
        where = np.array(places, dtype=np.int64) - first
        ends = where + 9 + gather(raw, "u8", where + 1).astype(np.int64)
        yield Block(
            topic=topic,
            buffer=raw,
            starts=where + 31,
            sizes=ends - where - 31,
            times=gather(raw, "u8", where + 15).astype(np.int64),
        )


# ---- ROS 1


def _fields(header: bytes) -> dict[str, bytes]:
    out, at = {}, 0
    while at + 4 <= len(header):
        size = struct.unpack_from("<I", header, at)[0]
        name, found, value = header[at + 4 : at + 4 + size].partition(b"=")
        if not found or at + 4 + size > len(header):
            break
        out[name.decode("latin-1")] = value
        at += 4 + size
    return out


def _ros1_topic(fields: dict[str, bytes], data: bytes) -> Topic:
    more = _fields(data)
    kind = more.get("type", b"").decode("utf-8", "replace")
    parts = kind.split("/")
    return Topic(
        name=fields.get("topic", more.get("topic", b"")).decode("utf-8", "replace"),
        kind="/".join((parts[0], "msg", parts[-1])) if len(parts) == 2 else kind,
        definition=more.get("message_definition", b"").decode("utf-8", "replace"),
        ros1=True,
    )


def read_ros1(path: Path, losses: Losses) -> Iterator[Block]:
    """Read a ROS 1 bag.

    Parameters
    ----------
    path : Path
        File.
    losses : Losses
        What could not be read is noted here.

    Yields
    ------
    Block
        Messages.

    Raises
    ------
    RecordingError
        Where it is no such bag, or a chunk is absurd.
    """
    data = path.read_bytes() if path.stat().st_size < 16 else None
    with path.open("rb") as stream:
        head = stream.read(16)
        if not head.startswith(ROS1_MAGIC) or data is not None:
            raise RecordingError(
                f"{path}: no ROS 1 bag (its first bytes are {head[:13]!r}); give the file its right "
                "ending, or copy it again"
            )
        with mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as mapped:
            yield from _walk_ros1(path, mapped, losses)


def _walk_ros1(path: Path, data: mmap.mmap, losses: Losses) -> Iterator[Block]:
    topics: dict[int, Topic] = {}
    at, size = len(ROS1_MAGIC), len(data)
    while at + 8 <= size:
        head = struct.unpack_from("<I", data, at)[0]
        if head > 1 << 20 or at + 8 + head > size:
            losses.add(f"cut short at byte {at}")
            return
        fields = _fields(data[at + 4 : at + 4 + head])
        length = struct.unpack_from("<I", data, at + 4 + head)[0]
        begin = at + 8 + head
        end = begin + length
        op = fields.get("op", b"")
        if op == b"\x05":
            how = fields.get("compression", b"none").decode("latin-1")
            stated = fields.get("size", b"")
            unpacked = struct.unpack("<I", stated)[0] if len(stated) == 4 else length
            cut = end > size
            if how not in {"none", "bz2", "lz4"}:
                losses.add(f"chunk at byte {at} is damaged")
            else:
                raw = unpack(data[begin : min(end, size)], how, unpacked, str(path))
                if cut:
                    losses.add(f"cut short in the chunk at byte {at}")
                elif len(raw) != unpacked:
                    losses.add(f"chunk at byte {at} does not unpack")
                    raw = b""
                yield from _ros1_blocks(topics, np.frombuffer(raw, dtype=np.uint8), losses, cut)
        elif end > size:
            losses.add(f"cut short at byte {at}")
            return
        elif op == b"\x07" and len(fields.get("conn", b"")) == 4:
            number = struct.unpack("<I", fields["conn"])[0]
            topics.setdefault(number, _ros1_topic(fields, data[begin:end]))
        elif op not in {b"\x03", b"\x04", b"\x06", b"\x07"}:
            losses.add(f"no whole record at byte {at}")
            return
        at = end


def _ros1_blocks(
    topics: dict[int, Topic], raw: np.ndarray, losses: Losses, cut: bool
) -> Iterator[Block]:
    view, at, size = raw.data, 0, raw.size
    rows: dict[int, list[tuple[int, int, int]]] = {}
    shapes: dict[int, tuple[int, int, int]] = {}
    while at + 8 <= size:
        head = struct.unpack_from("<I", view, at)[0]
        begin = at + 8 + head
        if begin > size:
            break
        length = struct.unpack_from("<I", view, begin - 4)[0]
        if begin + length > size:
            break
        shape = shapes.get(head)
        # Headers of one length are mostly alike but for the values, each at the same place.
        if shape is not None and _like(view, at, shape):
            number = struct.unpack_from("<I", view, at + shape[1])[0]
            sec, nsec = struct.unpack_from("<II", view, at + shape[2])
        else:
            header = bytes(view[at + 4 : at + 4 + head])
            fields = _fields(header)
            op, conn = fields.get("op", b""), fields.get("conn", b"")
            if op == b"\x07" and len(conn) == 4:
                number = struct.unpack("<I", conn)[0]
                topics.setdefault(number, _ros1_topic(fields, bytes(view[begin : begin + length])))
                at = begin + length
                continue
            if op != b"\x02" or len(fields.get("time", b"")) != 8 or len(conn) != 4:
                break
            number = struct.unpack("<I", conn)[0]
            sec, nsec = struct.unpack("<II", fields["time"])
            shapes[head] = (
                header.find(b"op=") + 7,
                header.find(b"conn=") + 9,
                header.find(b"time=") + 9,
            )
        rows.setdefault(number, []).append((begin, length, sec * 10**9 + nsec))
        at = begin + length
    if at < size and not cut:
        losses.add(f"{size - at} bytes of a chunk are no whole record")
    for number, found in rows.items():
        topic = topics.get(number)
        if topic is not None:
            table = np.array(found, dtype=np.int64)
            yield Block(
                topic=topic, buffer=raw, starts=table[:, 0], sizes=table[:, 1], times=table[:, 2]
            )


def _like(view: memoryview, at: int, shape: tuple[int, int, int]) -> bool:
    op, conn, time = (at + place for place in shape)
    return bool(
        bytes(view[op - 3 : op + 1]) == b"op=\x02"
        and bytes(view[conn - 5 : conn]) == b"conn="
        and bytes(view[time - 5 : time]) == b"time="
    )


# ---- SQLite


def read_sqlite(path: Path, losses: Losses) -> Iterator[Block]:
    """Read the SQLite file of a ROS 2 bag.

    Parameters
    ----------
    path : Path
        File.
    losses : Losses
        What could not be read is noted here.

    Yields
    ------
    Block
        Messages.

    Raises
    ------
    RecordingError
        Where it is no SQLite file with such tables.
    """
    wrong = RecordingError(
        f"{path}: cannot be read as the SQLite file of a ROS 2 bag: it is damaged or of another kind; "
        "copy it again or record again"
    )
    try:
        base = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro&immutable=1", uri=True)
    except sqlite3.Error:
        raise wrong from None
    try:
        base.text_factory = lambda b: b.decode("utf-8", "replace")
        try:
            rows = base.execute(
                "SELECT id, name, type, serialization_format FROM topics"
            ).fetchall()
        except sqlite3.Error:
            raise wrong from None
        topics = {
            int(i): Topic(name=str(n), kind=str(k))
            for i, n, k, style in rows
            if style == "cdr" and isinstance(i, int)
        }
        cursor = base.cursor()
        count = 0
        try:
            cursor.execute("SELECT topic_id, timestamp, data FROM messages ORDER BY timestamp")
        except sqlite3.Error:
            raise wrong from None
        while True:
            try:
                batch = cursor.fetchmany(8192)
            except (sqlite3.Error, OverflowError, MemoryError) as error:
                losses.add(f"not readable after {count} messages ({str(error)[:60]})")
                break
            if not batch:
                break
            count += len(batch)
            groups: dict[int, list[tuple[int, bytes]]] = {}
            for number, stamp, blob in batch:
                if number in topics and isinstance(blob, bytes) and isinstance(stamp, int):
                    groups.setdefault(number, []).append((stamp, blob))
                else:
                    losses.add("a row of the table of messages is damaged", 1)
            for number, found in groups.items():
                yield _joined(topics[number], found)
    finally:
        base.close()


def _joined(topic: Topic, found: list[tuple[int, bytes]]) -> Block:
    blobs = [b for _, b in found]
    sizes = np.array([len(b) for b in blobs], dtype=np.int64)
    return Block(
        topic=topic,
        buffer=np.frombuffer(b"".join(blobs) or b"\x00", dtype=np.uint8),
        starts=np.concatenate([[0], np.cumsum(sizes)[:-1]]).astype(np.int64),
        sizes=sizes,
        times=np.array([min(max(t, -(2**62)), 2**62) for t, _ in found], dtype=np.int64),
    )


def unpacked(block: Block, losses: Losses, path: Path) -> Block:
    """Unpack messages that are compressed one by one.

    Parameters
    ----------
    block : Block
        Packed messages.
    losses : Losses
        Messages that do not unpack are noted here.
    path : Path
        File, for messages.

    Returns
    -------
    Block
        The messages that do unpack.
    """
    raw = block.buffer.data
    found = []
    for start, size, time in zip(block.starts, block.sizes, block.times, strict=True):
        piece = bytes(raw[int(start) : int(start + size)])
        most = min(MOST_RATIO * max(64, len(piece)), 1 << 24)
        message = unpack(piece, "zstd", most, str(path))
        if message:
            found.append((int(time), message))
        else:
            losses.add("a message does not unpack", 1)
    return _joined(block.topic, found)


def spool(path: Path, target: Any) -> None:
    """Unpack a file that is compressed as a whole, with a bound on its size.

    Parameters
    ----------
    path : Path
        File, zstd.
    target : binary file
        Where the bytes go.

    Raises
    ------
    RecordingError
        Where it does not unpack, or to an absurd size.
    """
    machine = _zstd().ZstdDecompressor()
    packed = path.stat().st_size
    most = max(RATIO_FROM, MOST_RATIO * packed)
    written = 0
    with path.open("rb") as stream:
        while not machine.eof:
            piece = stream.read(1 << 20) if machine.needs_input else b""
            if machine.needs_input and not piece:
                break
            try:
                out = machine.decompress(piece, max_length=1 << 24)
            except Exception:  # noqa: BLE001 - the library's own error
                if written == 0:
                    raise RecordingError(
                        f"{path}: cannot be unpacked; it is damaged. Copy it again"
                    ) from None
                break
            written += len(out)
            if written > most or written > 64 * MOST_BYTES:
                raise RecordingError(
                    f"{path}: {packed} bytes unpack to more than {written}; refused, no recording is "
                    "like that. Record again"
                )
            target.write(out)
    target.flush()


READERS: dict[str, Callable[..., Iterator[Block]]] = {
    ".mcap": read_mcap,
    ".bag": read_ros1,
    ".db3": read_sqlite,
}
__all__ = ["READERS", "Block", "Losses", "Topic", "read_mcap", "spool", "unpack", "window"]
