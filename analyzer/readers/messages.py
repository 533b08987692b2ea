"""Messages of robot bags, decoded in bulk: one look at the first message, NumPy for all like it.

A message of a known type is walked once, field by field, by the definitions of the general library
`rosbags`. That gives the place of every number, and the places that set the layout (lengths of
strings and of sequences, and the strings themselves). Every other message with the same length and
the same bytes at those places has its numbers at the same places, so they are all taken at once.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

SIZES = {
    "bool": 1, "byte": 1, "char": 1, "int8": 1, "uint8": 1, "int16": 2, "uint16": 2, "int32": 4,
    "uint32": 4, "float32": 4, "int64": 8, "uint64": 8, "float64": 8,
}  # fmt: skip
CODES = {
    "bool": "u1", "byte": "u1", "char": "u1", "int8": "i1", "uint8": "u1", "int16": "i2",
    "uint16": "u2", "int32": "i4", "uint32": "u4", "float32": "f4", "int64": "i8", "uint64": "u8",
    "float64": "f8",
}  # fmt: skip
MOST_ELEMENTS = 4096
"""Longest sequence that is a set of channels; longer ones are pictures or scans."""
MOST_LAYOUTS = 64
"""Layouts remembered of one topic; a topic with more is decoded message by message."""


class LayoutError(Exception):
    """A message that does not fit its definition."""


@dataclass(slots=True)
class Layout:
    """Where everything stands in messages of one layout.

    Attributes
    ----------
    size : int
        Length of the message. [bytes]
    numbers : dict of str to (str, int)
        Field to NumPy code and place.
    strings : dict of str to str
        Fields that are text.
    fixed : ndarray of int
        Places of 4-byte words that make the layout.
    words : ndarray of uint32
        Their values.
    """

    size: int
    numbers: dict[str, tuple[str, int]] = field(default_factory=dict)
    strings: dict[str, str] = field(default_factory=dict)
    fixed: np.ndarray = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    words: np.ndarray = field(default_factory=lambda: np.empty(0, dtype="<u4"))


def walk(raw: bytes, kind: str, definitions: dict[str, Any], *, ros1: bool) -> Layout:
    """Find the place of every field of a message.

    Parameters
    ----------
    raw : bytes
        The message; little-endian CDR with its four bytes of encapsulation, or ROS 1.
    kind : str
        Message type, such as ``sensor_msgs/msg/Imu``.
    definitions : dict
        Field definitions of a type store of `rosbags`.
    ros1 : bool
        ROS 1 serialisation: nothing is aligned, strings have no end mark.

    Returns
    -------
    Layout
        Places of numbers and strings.

    Raises
    ------
    LayoutError
        Where the message is shorter than its definition asks, or absurd.
    """
    from rosbags.interfaces import Nodetype

    out = Layout(size=len(raw))
    base = 0 if ros1 else 4
    spans: list[tuple[int, int]] = []
    at = base

    def aligned(place: int, size: int) -> int:
        return place if ros1 else base + -(-(place - base) // size) * size

    def take(size: int) -> int:
        nonlocal at
        at = aligned(at, size)
        here, at = at, at + size
        if at > len(raw):
            msg = "shorter than its definition"
            raise LayoutError(msg)
        return here

    def length() -> int:
        here = take(4)
        spans.append((here, here + 4))
        return int(struct.unpack_from("<I", raw, here)[0])

    def leaf(path: str, name: str) -> None:
        nonlocal at
        if name in {"string", "wstring"}:
            size = length()
            if at + size > len(raw):
                msg = "a text runs past its end"
                raise LayoutError(msg)
            if size:
                spans.append((at, at + size))
            out.strings[path] = raw[at : at + size].rstrip(b"\x00").decode("utf-8", "replace")
            at += size
            return
        if name in {"time", "duration"}:
            out.numbers[f"{path}.sec"] = ("u4", take(4))
            out.numbers[f"{path}.nanosec"] = ("u4", take(4))
            return
        if name not in SIZES:
            msg = f"unknown field type {name}"
            raise LayoutError(msg)
        out.numbers[path] = (CODES[name], take(SIZES[name]))

    def node(path: str, description: Any) -> None:
        nonlocal at
        sort, inner = description
        if sort == Nodetype.BASE:
            leaf(path, inner[0])
        elif sort == Nodetype.NAME:
            fields(path + ".", inner)
        else:
            element, count = inner
            if sort == Nodetype.SEQUENCE:
                count = length()
            simple = element[0] == Nodetype.BASE and element[1][0] in SIZES
            if simple and count > MOST_ELEMENTS:
                size = SIZES[element[1][0]]
                take(size)
                at += size * (count - 1)
                if at > len(raw):
                    msg = "a sequence runs past its end"
                    raise LayoutError(msg)
                return
            if count > MOST_ELEMENTS:
                msg = f"{count} elements"
                raise LayoutError(msg)
            for k in range(count):
                node(f"{path}[{k}]", element)

    def fields(prefix: str, name: str) -> None:
        if name not in definitions:
            msg = f"no definition of {name}"
            raise LayoutError(msg)
        for label, description in definitions[name][1]:
            node(prefix + label, description)

    fields("", kind)
    if not ros1:
        spans.append((0, 4))
    places = sorted({p for a, b in spans for p in [*range(a, b - 3, 4), b - 4]})
    # A short text is compared with its length before it.
    places = [p for p in places if 0 <= p <= len(raw) - 4]
    out.fixed = np.array(places, dtype=np.int64)
    out.words = np.array([struct.unpack_from("<I", raw, p)[0] for p in places], dtype="<u4")
    return out


def window(buffer: np.ndarray, code: str) -> np.ndarray:
    """View a buffer as numbers that may begin at any byte.

    Parameters
    ----------
    buffer : ndarray of uint8, shape (n,)
        Bytes.
    code : str
        NumPy code of the number, little-endian.

    Returns
    -------
    ndarray, shape (n - size + 1,)
        Overlapping view, one element a byte.
    """
    kind = np.dtype("<" + code)
    count = max(0, buffer.size - kind.itemsize + 1)
    return np.ndarray((count,), dtype=kind, buffer=buffer, strides=(1,))


def _even(buffer: np.ndarray, code: str, first: int, stride: int, count: int) -> np.ndarray:
    kind = np.dtype("<" + code)
    return np.ndarray((count,), dtype=kind, buffer=buffer, offset=first, strides=(stride,))


def gather(buffer: np.ndarray, code: str, places: np.ndarray) -> np.ndarray:
    """Take numbers from a buffer.

    Parameters
    ----------
    buffer : ndarray of uint8
        Bytes.
    code : str
        NumPy code.
    places : ndarray of int, shape (n,)
        Where each number begins.

    Returns
    -------
    ndarray, shape (n,)
        The numbers.
    """
    stride = _stride(places)
    if stride:
        return _even(buffer, code, int(places[0]), stride, places.size).copy()
    return window(buffer, code)[places]


Pick = Callable[[Layout], dict[str, str]]
Screen = Callable[[dict[str, np.ndarray]], dict[str, np.ndarray]]


def _stride(places: np.ndarray) -> int:
    """Distance of places that lie evenly; 0 where they do not."""
    if places.size < 3:
        return 0
    step = np.diff(places)
    first = int(step[0])
    return first if first > 0 and bool((step == first).all()) else 0


class TopicDecoder:
    """Numbers of one topic, gathered block by block.

    Parameters
    ----------
    kind : str
        Message type.
    definitions : dict
        Field definitions.
    pick : callable
        Layout to column name and field, for the fields that are wanted.
    ros1 : bool
        ROS 1 serialisation.
    slow : callable
        Decodes one message that is not little-endian, field to number.
    screen : callable
        Gets the columns of a block, while they are at hand, and gives back those to keep.
    """

    def __init__(
        self,
        kind: str,
        definitions: dict[str, Any],
        pick: Pick,
        *,
        ros1: bool,
        slow: Callable[[bytes], dict[str, float]] | None = None,
        screen: Screen | None = None,
    ) -> None:
        self.screen = screen
        self.kind, self.definitions, self.pick, self.ros1 = kind, definitions, pick, ros1
        self.slow = slow
        self.layouts: list[tuple[Layout, dict[str, str]]] = []
        self.parts: list[tuple[np.ndarray, dict[str, np.ndarray]]] = []
        self.times: list[np.ndarray] = []
        self.count = 0
        self.bad = 0
        self.reason = ""

    def feed(
        self, buffer: np.ndarray, starts: np.ndarray, sizes: np.ndarray, times: np.ndarray
    ) -> None:
        """Decode messages of one buffer.

        Parameters
        ----------
        buffer : ndarray of uint8
            Bytes.
        starts, sizes : ndarray of int, shape (n,)
            Where each message begins, and its length.
        times : ndarray of int64, shape (n,)
            When each was received. [ns]
        """
        number = self.count + np.arange(starts.size)
        self.count += starts.size
        self.times.append(times)
        left = np.arange(starts.size)
        for layout, columns in self.layouts:
            if not left.size:
                return
            left = self._take(buffer, starts, sizes, number, left, layout, columns)
        while left.size:
            first = int(left[0])
            raw = buffer[starts[first] : starts[first] + sizes[first]].tobytes()
            if not self.ros1 and (len(raw) < 4 or raw[1] not in {1, 7}):
                self._one(raw, number[first])
                left = left[1:]
                continue
            try:
                layout = walk(raw, self.kind, self.definitions, ros1=self.ros1)
                columns = self.pick(layout)
            except (LayoutError, struct.error) as error:
                self.bad += 1
                self.reason = self.reason or str(error)
                left = left[1:]
                continue
            if len(self.layouts) < MOST_LAYOUTS:
                self.layouts.append((layout, columns))
                left = self._take(buffer, starts, sizes, number, left, layout, columns)
            else:
                self._take(buffer, starts, sizes, number, left[:1], layout, columns)
                left = left[1:]

    def _one(self, raw: bytes, number: int) -> None:
        """Messages in another byte order, one by one through the library."""
        try:
            values = {} if self.slow is None else self.slow(raw)
        except Exception as error:  # noqa: BLE001 - the library raises many kinds
            values, self.reason = {}, self.reason or str(error)[:80]
        if not values:
            self.bad += 1
            return
        self._keep(np.array([number]), {k: np.array([v]) for k, v in values.items()})

    def _keep(self, number: np.ndarray, arrays: dict[str, np.ndarray]) -> None:
        self.parts.append((number, arrays if self.screen is None else self.screen(arrays)))

    def _take(
        self,
        buffer: np.ndarray,
        starts: np.ndarray,
        sizes: np.ndarray,
        number: np.ndarray,
        left: np.ndarray,
        layout: Layout,
        columns: dict[str, str],
    ) -> np.ndarray:
        """Decode those of `left` that have this layout; give the others back."""
        whole = left.size == starts.size
        here = starts if whole else starts[left]
        same = (sizes if whole else sizes[left]) == layout.size
        stride = _stride(here) if same.all() else 0
        if stride:
            # Evenly spaced messages of one length: views, nothing is gathered to compare.
            for place, word in zip(layout.fixed, layout.words, strict=True):
                alike = _even(buffer, "u4", int(here[0]) + int(place), stride, here.size) == word
                if not alike.all():
                    same &= alike
        elif same.any():
            view = window(buffer, "u4")
            at = np.flatnonzero(same)
            for place, word in zip(layout.fixed, layout.words, strict=True):
                at = at[view[here[at] + place] == word]
                if not at.size:
                    return left
            same[:] = False
            same[at] = True
        if same.all():
            chosen, rest = left, left[:0]
        else:
            chosen, rest, stride = left[same], left[~same], 0
            here = here[same]
        if not chosen.size:
            return left
        arrays = {}
        for name, label in columns.items():
            code, place = layout.numbers[label]
            arrays[name] = (
                _even(buffer, code, int(here[0]) + place, stride, here.size).copy()
                if stride
                else window(buffer, code)[here + place]
            )
        self._keep(number if whole and not rest.size else number[chosen], arrays)
        return rest

    def columns(self) -> tuple[dict[str, np.ndarray], np.ndarray]:
        """Put the numbers together.

        Returns
        -------
        values : dict of str to ndarray, shape (n,)
            Column to numbers, in the order of the messages; NaN where a message lacks the field.
            Stamps (names that end in ``.sec`` or ``.nanosec``) stay integers.
        times : ndarray of int64, shape (n,)
            When each message was received. [ns]
        """
        if not self.parts:
            return {}, np.empty(0, dtype=np.int64)
        order = np.concatenate([n for n, _ in self.parts])
        names = list(dict.fromkeys(k for _, arrays in self.parts for k in arrays))
        in_order = bool(np.all(np.diff(order) > 0))
        rank = order if in_order else np.argsort(order, kind="stable")
        values: dict[str, np.ndarray] = {}
        for name in names:
            whole = all(name in arrays for _, arrays in self.parts)
            stamp = name.endswith((".sec", ".nanosec"))
            if whole:
                joined = np.concatenate([arrays[name] for _, arrays in self.parts])
                joined = joined.astype(np.int64 if stamp else np.float64, copy=False)
            else:
                fill = [
                    np.asarray(a[name], dtype=np.float64) if name in a else np.full(n.size, np.nan)
                    for n, a in self.parts
                ]
                joined = np.concatenate(fill)
                if stamp:
                    joined = np.nan_to_num(joined).astype(np.int64)
            values[name] = joined if in_order else joined[rank]
        times = np.concatenate(self.times)
        if not (in_order and order.size == times.size):
            times = times[order if in_order else order[rank]]
        return values, times
