"""Large files are read in parts; the numbers must be those of the whole-file reader."""

from __future__ import annotations

import re
import shutil
import threading

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyarrow import csv, feather, parquet

from analyzer.alignment import UNUSED
from analyzer.demo import robot_text
from analyzer.quantities import RecordingError
from analyzer.readers import parts, read_recording, tables
from analyzer.robot import parse_robot


def _lines(rows: int, seed: int = 5) -> list[str]:
    rng = np.random.default_rng(seed)
    lines = []
    for k in range(rows):
        # `late` is whole for most of the file, `hole` has blanks, `empty` never holds a cell.
        late = str(k) if k < 0.8 * rows else f"{k}.5"
        hole = "" if k % 7 == 0 else f"{rng.normal():.5f}"
        lines.append(f"{k * 0.005:.3f},{k * 3},{late},{hole},")
    return lines


# Where pip finds a C compiler it builds the reader of bare numbers; without one Arrow's reads all.
COMPILED = parts.bare_numbers() is not None or any(map(shutil.which, ("cc", "gcc", "clang")))
needs_compiled = pytest.mark.skipif(not COMPILED, reason="no C compiler: nothing was built")


@pytest.fixture(params=["bare numbers", "Arrow alone"])
def in_parts(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parts, "LARGE", 1000)
    monkeypatch.setattr(parts, "PART", 4096)
    if request.param == "Arrow alone":
        monkeypatch.setattr(parts, "bare_numbers", lambda: None)


def _read(path, lines, end="\n"):
    path.write_bytes((end.join(["time,count,late,hole,empty", *lines]) + end).encode())
    findings: list = []
    (columns,) = tables.read_text(path, findings)
    return {n: np.array(columns.get(n)) for n in columns.names}, findings


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_parts_give_what_the_whole_gives(tmp_path, monkeypatch, in_parts, end):
    lines = _lines(3000)
    lines[1234] = "1,2"
    pieces, said = _read(tmp_path / "a.csv", lines, end)
    monkeypatch.setattr(parts, "LARGE", 1 << 40)
    whole, said_whole = _read(tmp_path / "a.csv", lines, end)
    assert pieces["time"].size == 2999
    assert list(pieces) == list(whole)
    for name in whole:
        np.testing.assert_array_equal(pieces[name], whole[name], err_msg=name)
        assert pieces[name].dtype.kind == whole[name].dtype.kind
    assert [f.text for f in said] == [f.text for f in said_whole]
    assert len(said) == 1


@pytest.mark.parametrize(
    "cell", ["", "nan", "NAN", "inf", "-inf", "-", "null", "Infinity", "1e3", "7"]
)
@pytest.mark.parametrize("column", [1, 2])
def test_a_cell_that_comes_late_is_read_as_the_whole_file_reader_reads_it(
    tmp_path, monkeypatch, in_parts, cell, column
):
    # Up to it there is no gap, so the parser is not told to look for any.
    lines = [f"{k * 0.005:.3f},{k * 3},{k * 0.5 + 0.25},1,2" for k in range(3000)]
    cells = lines[2345].split(",")
    cells[column] = cell
    lines[2345] = ",".join(cells)
    lines[2346] = "1,2"  # in the same part: counted once
    pieces, said = _read(tmp_path / "a.csv", lines)
    monkeypatch.setattr(parts, "LARGE", 1 << 40)
    whole, said_whole = _read(tmp_path / "a.csv", lines)
    for name in whole:
        np.testing.assert_array_equal(pieces[name], whole[name], err_msg=name)
        assert pieces[name].dtype.kind == whole[name].dtype.kind
    assert [f.text for f in said] == [f.text for f in said_whole]
    assert "1 rows do not have 5 cells" in said[0].text


def test_parts_are_really_used(tmp_path, monkeypatch, in_parts):
    def refused(*_args):
        raise AssertionError("whole-file reader called")

    monkeypatch.setattr(tables, "_parse", refused)
    values, _ = _read(tmp_path / "a.csv", _lines(3000))
    assert values["late"][-1] == 2999.5
    assert np.isnan(values["hole"][0])


def _watched(monkeypatch: pytest.MonkeyPatch) -> list[bool]:
    """Per part whether the reader of bare numbers took it, in the order in which they were read."""
    taken: list[bool] = []
    own = parts._Parser._bare

    def watched(self, size):
        part = own(self, size)
        taken.append(part is not None)
        return part

    monkeypatch.setattr(parts._Parser, "_bare", watched)
    return taken


@needs_compiled
def test_all_parts_but_the_first_are_read_as_bare_numbers(tmp_path, monkeypatch):
    assert parts.bare_numbers() is not None, "not built: pip install -e . again"
    monkeypatch.setattr(parts, "LARGE", 1000)
    monkeypatch.setattr(parts, "PART", 4096)
    taken = _watched(monkeypatch)
    lines = _lines(30_000)
    lines[21_000] = "105.000,63000,21000,1e-3,"  # this part is Arrow's
    values, _ = _read(tmp_path / "a.csv", lines)
    assert values["hole"][21_000] == 1e-3
    # Parts that are out already when it is known what they hold: at the start, and where `late`
    # ceases to be whole.
    ahead = min(8, pa.cpu_count()) + 2
    assert 2 <= taken.count(False) <= 2 * ahead + 1
    assert taken.count(True) > 0.8 * len(taken) > 150


SIGNED = st.one_of(
    st.integers(-(10**19), 10**19).map(str),
    st.decimals(-(10**6), 10**6, places=6).map(str),
    st.floats().map(repr),
    st.from_regex(r"-?[0-9]{0,20}(\.[0-9]{0,20})?", fullmatch=True),
    st.sampled_from(
        ["", "-", "-0", "-0.0", "007", "0.1e1", " 1", "1 ", "+1", ".5", "5.", "nan", "x"]
    ),
)


@needs_compiled
@settings(max_examples=400, deadline=None)
@given(st.lists(st.tuples(SIGNED, SIGNED, SIGNED), min_size=1, max_size=6), st.booleans())
def test_a_bare_number_has_the_bits_that_ieee_754_asks_for(rows, ends_in_return):
    """Against Python's float(), which is correctly rounded, as is IEEE 754-2019, 5.12.2."""
    end = "\r\n" if ends_in_return else "\n"
    text = "".join(f"{a};{b};{c}{end}" for a, b, c in rows).encode()
    kinds = np.array([2, 0, 1], np.int8)
    real, whole = np.full(len(rows), -7.0), np.full(len(rows), -7)
    read = parts.bare_numbers()
    columns = np.array([real.ctypes.data, 0, whole.ctypes.data])
    held = np.frombuffer(text, np.uint8)
    given = (held.ctypes.data, len(text), b";", 3, kinds.ctypes.data, columns.ctypes.data)
    found = read(*given, len(rows))
    assert found in {-1, len(rows)}
    if found == len(rows):
        want = [float(a) if a else np.nan for a, _, _ in rows]
        assert real.tobytes() == np.array(want).tobytes()
        assert whole.tolist() == [int(c) for _, _, c in rows]
        assert read(*given, len(rows) - 1) == -1  # no room
    else:
        plain = r"-?(0|[1-9]\d{0,8})(\.\d{1,6})?|"
        assert not all(
            re.fullmatch(plain, a) and '"' not in b and re.fullmatch(r"-?(0|[1-9]\d{0,17})", c)
            for a, b, c in rows
        )


def test_text_among_the_numbers_is_left_to_the_whole_file_reader(tmp_path, in_parts):
    lines = _lines(3000)
    lines[2000] = "10.0,6000,oops,1.0,"
    values, _ = _read(tmp_path / "a.csv", lines)
    assert values["late"][2000] == "oops"
    assert values["count"][2999] == 8997


def test_damaged_rows_are_refused_in_parts_too(tmp_path, in_parts):
    lines = [x if k < 6000 else "1,2" for k, x in enumerate(_lines(9000))]
    with pytest.raises(RecordingError, match="do not have 5 cells"):
        _read(tmp_path / "a.csv", lines)


@pytest.mark.parametrize("many", [1, 10**9])
def test_parquet_columns_come_one_by_one(tmp_path, monkeypatch, many):
    monkeypatch.setattr(tables, "MANY_ROWS", many)  # from here on by two threads
    n = 1000
    want = {
        "time": np.arange(n) * 0.01,
        "count": np.arange(n),
        "name": np.array(["x"] * n),
        "value": np.linspace(0, 1, n),
    }
    table = pa.table(want).append_column(
        "hole", pa.array([None if k % 3 else k for k in range(n)], pa.int32())
    )
    parquet.write_table(table, tmp_path / "a.parquet", row_group_size=300)
    columns = tables.read_table(tmp_path / "a.parquet")
    for name, values in want.items():
        np.testing.assert_array_equal(columns.get(name), values)
    hole = columns.get("hole")
    assert hole.dtype == np.float64
    np.testing.assert_array_equal(hole[::3], np.arange(0, n, 3))
    assert np.isnan(hole[1])


@pytest.mark.parametrize("rows", [3000, 50])
def test_parquet_whole_numbers_whose_first_blank_comes_late(tmp_path, monkeypatch, rows):
    monkeypatch.setattr(tables, "BATCH", 100)
    monkeypatch.setattr(tables, "ROOM", 200)  # rows beyond it are made room for as they come
    count = np.arange(rows)
    cells = pa.array([None if k > 0.9 * rows else k for k in range(rows)], pa.int16())
    parquet.write_table(pa.table({"count": count, "late": cells}), tmp_path / "a.parquet")
    columns = tables.read_table(tmp_path / "a.parquet")
    np.testing.assert_array_equal(columns.get("count"), count)
    assert columns.get("count").dtype.kind == "i"
    late = columns.get("late")
    np.testing.assert_array_equal(np.isnan(late), count > 0.9 * rows)
    np.testing.assert_array_equal(late[count <= 0.9 * rows], count[count <= 0.9 * rows])


def test_a_damaged_page_that_carries_a_checksum_is_refused(tmp_path):
    """Parquet format, "Checksumming": CRC32 over each page, where the writer gives it."""
    path = tmp_path / "a.parquet"
    table = pa.table({"time_s": np.arange(400) * 0.01, "FL_ticks": np.arange(400)})
    parquet.write_table(
        table, path, compression="none", use_dictionary=False, write_page_checksum=True
    )
    whole = path.read_bytes()
    at = whole.index(np.arange(200, 210).tobytes())  # in the middle of the counts
    path.write_bytes(whole[:at] + b"\x07" + whole[at + 1 :])
    with pytest.raises(RecordingError, match="could not verify page integrity"):
        read_recording([path], None)


@pytest.mark.parametrize(("name", "factor"), [("accel_z_g", 9.80665), ("accel_z_m_s2", 1.0)])
def test_signalling_nans_of_a_damaged_file_are_made_quiet(tmp_path, name, factor):
    # IEEE 754: the quiet bit of a NaN is the highest of its fraction; arithmetic warns without it.
    values = np.full(60, 1.5)
    values.view(np.uint64)[7] = 0x7FF0000000000001
    feather.write_feather(
        pa.table({"time_s": np.arange(60) * 0.01, name: values}), tmp_path / "a.feather"
    )
    (source,) = read_recording([tmp_path / "a.feather"], None).sources
    seen = source.channels["f_z"] + 0.0  # warnings are errors here
    assert np.isnan(seen[7])
    assert np.delete(seen, 7) == pytest.approx(1.5 * factor)


@pytest.mark.parametrize("method", ["lz4", "zstd"])
def test_a_feather_file_that_claims_absurd_sizes_is_refused_before_memory_is_asked_for(
    tmp_path, method
):
    """Found by fuzzing: two gigabytes were asked for, and what came after had none."""
    path = tmp_path / "a.feather"
    table = pa.table(
        {"time_s": np.arange(400) * 0.01, "name": ["x"] * 400, "FL_ticks": np.zeros(400)}
    )
    feather.write_feather(table, path, compression=method)
    whole = path.read_bytes()
    tables.read_table(path)
    told = (3200).to_bytes(8, "little")  # in front of each buffer, before it was packed
    places = [k for k in range(len(whole)) if whole[k : k + 8] == told]
    refused = 0
    for at in places:
        path.write_bytes(whole[:at] + (1 << 31).to_bytes(8, "little") + whole[at + 8 :])
        with pytest.raises(RecordingError) as caught:
            tables.read_table(path)
        refused += "claim to unpack to 2.15 GB" in str(caught.value)
    assert refused == 2


def test_a_feather_file_whose_buffer_is_too_short_is_refused_in_words(tmp_path):
    values = np.linspace(0, 1, 400)
    table = pa.table({"time_s": np.arange(400) * 0.01, "FL_ticks": values})
    feather.write_feather(table, tmp_path / "a.feather", compression="uncompressed")
    whole = bytearray((tmp_path / "a.feather").read_bytes())
    # 3200 bytes a column, told in the message before the data: half of it is left of each.
    length = (3200).to_bytes(8, "little")
    assert whole.count(length) >= 2
    at = whole.index(length)
    while at >= 0:
        whole[at : at + 8] = (1600).to_bytes(8, "little")
        at = whole.find(length)
    (tmp_path / "a.feather").write_bytes(whole)
    with pytest.raises(RecordingError, match=r"a\.feather: cannot be read as feather"):
        read_recording([tmp_path / "a.feather"], None)


def _only(*wanted):
    return lambda name, _others: name in wanted


def test_columns_that_nobody_needs_do_not_cost_the_quick_path(tmp_path, monkeypatch, in_parts):
    """A column of text among numbers, as states and modes are logged, is left alone until asked for."""
    path = tmp_path / "a.csv"
    rows = [f"{k * 0.005:.3f},{'waiting' if k < 1500 else 'driving'},{k * 3}" for k in range(3000)]
    path.write_text("\n".join(["time,mode,count", *rows]) + "\n")
    findings: list = []
    with monkeypatch.context() as patch:
        patch.setattr(tables, "_parse", None)  # the whole-file reader
        (columns,) = tables.read_text(path, findings, _only("time", "count"))
        np.testing.assert_array_equal(columns.get("count"), 3 * np.arange(3000))
        assert columns.names == ["time", "mode", "count"]
        assert columns.extents["count"] == (0.0, 8997.0)
    assert list(columns.get("mode")[1498:1502]) == ["waiting"] * 2 + ["driving"] * 2
    np.testing.assert_array_equal(
        columns.get("time"), [float(f"{k * 0.005:.3f}") for k in range(3000)]
    )
    assert findings == []


def test_numbers_left_aside_come_when_asked_for(tmp_path, in_parts):
    lines = _lines(3000)
    lines[1234] = "1,2"
    want, said = _read(tmp_path / "a.csv", lines)
    again: list = []
    (columns,) = tables.read_text(tmp_path / "a.csv", again, _only("time"))
    for name in ("late", "time", "hole", "count", "empty"):
        np.testing.assert_array_equal(columns.get(name), want[name], err_msg=name)
    assert [f.text for f in again] == [f.text for f in said]
    (columns,) = tables.read_text(
        tmp_path / "a.csv", [], _only()
    )  # none is known: all are looked at
    np.testing.assert_array_equal(columns.get("late"), want["late"])


def test_text_that_may_hold_the_end_of_a_line_is_not_cut(tmp_path, in_parts):
    path = tmp_path / "a.csv"
    note = '"two\nlines"'  # it comes after what is looked at of the file before parsing
    rows = [f"{k * 0.005:.3f},{note if k > 7000 else ''},{k * 3}" for k in range(9000)]
    text = "\n".join(["time,note,count", *rows]) + "\n"
    assert text.index("two") > tables.SNIFFED
    path.write_text(text)
    findings: list = []
    (columns,) = tables.read_text(path, findings, _only("time", "count"))
    np.testing.assert_array_equal(columns.get("count"), 3 * np.arange(9000))
    assert findings == []


@pytest.mark.parametrize("large", [True, False])
@pytest.mark.parametrize("cells", ['{},"{},{}', '"{},{},{}', '{},{},"{}', '"a""b,{},{},{}'])
def test_a_stray_quote_costs_its_own_row_alone(tmp_path, monkeypatch, in_parts, large, cells):
    """Found by comparing both readers on damaged text: the rows up to the next quote were gone."""
    if not large:
        monkeypatch.setattr(parts, "LARGE", 1 << 40)
    rows = [[f"{k * 0.005:.3f}", str(3 * k), f"{k}.5"] for k in range(3000)]
    lines = [",".join(r) for r in rows]
    for k in (700, 701, 2100):
        lines[k] = cells.format(*rows[k])
    path = tmp_path / "a.csv"
    path.write_text("\n".join(["time,count,value", *lines]) + "\n")
    findings: list = []
    (columns,) = tables.read_text(path, findings)
    np.testing.assert_array_equal(
        columns.get("count"), np.delete(3 * np.arange(3000), [700, 701, 2100])
    )
    assert [f.text for f in findings] == ["a.csv: 3 rows do not have 3 cells and are left out"]


def test_bytes_that_are_not_utf8_are_told_once_and_nothing_is_printed(tmp_path, capfd, in_parts):
    lines = _lines(3000)
    lines[1500], lines[1501] = "7.5,caf\u00e9", "7.505,\u00fc,1501,,"
    path = tmp_path / "a.csv"
    path.write_bytes("\n".join(["time,count,late,hole,empty", *lines, ""]).encode("latin-1"))
    findings: list = []
    (columns,) = tables.read_text(path, findings)
    assert columns.get("time").size == 2999
    assert [f.text for f in findings] == [
        "a.csv: some bytes are not UTF-8; cells that hold them are text",
        "a.csv: 1 rows do not have 5 cells and are left out",
    ]
    assert capfd.readouterr().err == ""


def test_a_part_without_a_sound_row_leaves_whole_numbers_whole(tmp_path, in_parts):
    lines = _lines(9000)
    lines[4000:4600] = ["damage from end to end"] * 600  # three parts
    values, said = _read(tmp_path / "a.csv", lines)
    assert values["count"].dtype.kind == "i"
    assert values["count"].size == 8400
    assert "600 rows" in said[0].text


def test_a_mark_of_inches_opens_no_cell(tmp_path, in_parts):
    rows = [f'{k * 0.005:.3f},wheel 4",{3 * k},"wheel 6"""' for k in range(3000)]
    path = tmp_path / "a.csv"
    path.write_text("\n".join(["time,wheel,count,spare", *rows]) + "\n")
    findings: list = []
    (columns,) = tables.read_text(path, findings, _only("time", "count"))
    np.testing.assert_array_equal(columns.get("count"), 3 * np.arange(3000))
    assert set(columns.get("wheel")) == {'wheel 4"'}
    assert set(columns.get("spare")) == {'wheel 6"'}
    assert findings == []


def _drive(path, rows=3000):
    """Channels of a base, one that no estimate uses, and a column that is no channel."""
    rng = np.random.default_rng(8)
    t = np.arange(rows) * 0.005
    columns = {"time_s": t.round(3)}
    for wheel in ("FL", "FR", "RL", "RR"):
        columns[f"{wheel}_ticks"] = np.cumsum(rng.integers(0, 9, rows))
    columns |= {
        "gyro_x_dps": rng.normal(size=rows).round(4),
        "gyro_z_dps": rng.normal(size=rows).round(4),
        "accel_x_g": rng.normal(size=rows).round(4),
        "sunlight": rng.normal(size=rows).round(4),
    }
    table = pa.table(columns)
    if path.suffix == ".parquet":
        parquet.write_table(table, path)
    else:
        csv.write_csv(table, path, csv.WriteOptions(quoting_style="none"))
    return columns


@pytest.mark.parametrize("name", ["a.csv", "a.parquet"])
def test_channels_that_are_not_wanted_are_listed_and_not_read(
    tmp_path, monkeypatch, in_parts, name
):
    monkeypatch.setattr(tables, "MANY_ROWS", 1000)
    written = _drive(tmp_path / name)
    threads = threading.active_count()
    (source,) = read_recording([tmp_path / name], None, leave=UNUSED).sources
    assert threading.active_count() == threads  # nothing is still being read ahead
    (whole,) = read_recording([tmp_path / name], None).sources
    assert set(whole.channels) - set(source.channels) == {"omega_x"}
    for channel, values in source.channels.items():
        np.testing.assert_array_equal(values, whole.channels[channel])
    by_column = {u.column: u for u in source.columns}
    assert set(by_column) == set(written)
    left = by_column["gyro_x_dps"]
    assert (left.channel, left.unit) == ("omega_x", "deg/s")
    assert left.why.endswith("no estimate uses it")
    assert by_column["sunlight"].channel == ""


@pytest.mark.parametrize("name", ["a.csv", "a.parquet"])
@pytest.mark.parametrize("large", [True, False])
def test_extents_are_those_of_the_channels_in_their_units_and_signs(
    tmp_path, monkeypatch, in_parts, name, large
):
    if not large:
        monkeypatch.setattr(parts, "LARGE", 1 << 40)
    _drive(tmp_path / name)
    turned = '[channels]\n"gyro_z_dps" = { channel = "omega_z", unit = "deg/s", sign = -1 }\n'
    robot = parse_robot(robot_text() + turned, "robot.toml")
    (source,) = read_recording([tmp_path / name], robot).sources
    assert source.channels["omega_z"].min() < -0.03
    assert set(source.extents) == set(source.channels)
    for channel, values in source.channels.items():
        assert source.extents[channel] == (values.min(), values.max()), channel
