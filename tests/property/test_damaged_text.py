"""Damaged text gives the same in parts, with the compiled reader and without it, as in one piece."""

import random

import numpy as np
import pytest

from analyzer.quantities import RecordingError
from analyzer.readers import parts, tables

COUNT = 40
CELLS = {
    "whole": lambda rng, _: str(rng.randint(-(10 ** rng.choice([1, 6, 12, 17])), 10**6)),
    "real": lambda rng, _: f"{rng.gauss(0, 10.0 ** rng.randint(-3, 6)):.{rng.randint(1, 9)}f}",
    "blanks": lambda rng, _: "" if rng.random() < 0.3 else f"{rng.random():.4f}",
    "late": lambda rng, k: str(rng.randint(0, 99)) if k > 150 else "",
    "zeros": lambda rng, _: rng.choice(["0", "-0", "0.0", "-0.0", "1.50", "100000.25"]),
    "long": lambda rng, _: repr(rng.gauss(0, 1)),
}
PUT_IN = ("nan", "inf", "-inf", "1e5", " ", "\n", "null", ",", "00", "+", '"', "x", ",\n")


def damaged(rng):
    kinds = ["real", *(rng.choice(list(CELLS)) for _ in range(rng.randint(1, 5)))]
    end, delimiter = rng.choice(["\n", "\r\n"]), rng.choice(",;\t")
    rows = [[f"c{k}" for k in range(len(kinds))]]
    rows += [[CELLS[kind](rng, k) for kind in kinds] for k in range(250)]
    text = "".join(delimiter.join(row) + end for row in rows)
    for _ in range(rng.choice([0, 1, 1, 2, 5])):
        at = rng.randrange(60, len(text))
        if rng.random() < 0.5:
            text = text[:at] + rng.choice(PUT_IN) + text[at:]
        elif rng.random() < 0.5:
            text = text[:at] + text[at + rng.randint(1, 30) :]
        else:
            text = text[:at] + text[at - 50 : at] + text[at:]
    return text


def outcome(path, needed):
    findings = []
    try:
        (columns,) = tables.read_text(path, findings, needed)
    except RecordingError as error:
        return str(error)
    values = {}
    for name in columns.names:
        cells = columns.get(name)
        # The same kind, and the same bits but for the sign of a zero: a whole number has none.
        values[name] = (
            cells.dtype.kind,
            (cells + 0.0).tobytes() if cells.dtype.kind in "if" else list(cells),
        )
    return values, [f.text for f in findings]


@pytest.mark.parametrize("seed", range(COUNT))
def test_three_ways_to_read_agree(tmp_path, monkeypatch, seed):
    rng = random.Random(seed)
    path = tmp_path / "a.csv"
    path.write_bytes(damaged(rng).encode())
    some = {f"c{k}" for k in range(6) if rng.random() < 0.7}

    def needed(name, _others):
        return name in some

    whole = outcome(path, needed)
    monkeypatch.setattr(parts, "LARGE", 500)
    monkeypatch.setattr(parts, "PART", 700)
    assert outcome(path, needed) == whole
    monkeypatch.setattr(parts, "bare_numbers", lambda: None)
    assert outcome(path, needed) == whole


def test_the_damage_is_no_idle_one(tmp_path):
    """Some of it is refused, some leaves rows out, some makes text of a column of numbers."""
    said = []
    for seed in range(COUNT):
        path = tmp_path / "a.csv"
        path.write_bytes(damaged(random.Random(seed)).encode())
        said.append(outcome(path, tables.every_column))
    read = [s for s in said if not isinstance(s, str)]
    assert any("left out" in " ".join(texts) for _, texts in read)
    assert any(kind == "O" for values, _ in read for kind, _ in values.values())
    assert sum(not texts for _, texts in read) > 5
    assert all(
        np.isin([kind for kind, _ in values.values()], ["f", "i", "O"]).all() for values, _ in read
    )
