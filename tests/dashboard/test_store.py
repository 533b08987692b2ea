"""Nobody gets out of the folder, or at what others brought in; nothing grows for ever."""

import os
import time

import pytest

from analyzer.quantities import CrabwiseError
from dashboard.store import Store, safe_name


@pytest.fixture
def store(tmp_path):
    (tmp_path / "root").mkdir()
    shelf = tmp_path / "shelf"
    (shelf / "day").mkdir(parents=True)
    (shelf / "a.csv").write_text("t\n1\n")
    (shelf / "day" / "b.csv").write_text("t\n1\n")
    (shelf / "robot.toml").write_text("[robot]\n")
    (tmp_path / "secret.csv").write_text("t\n1\n")
    (shelf / "way_out.csv").symlink_to(tmp_path / "secret.csv")
    return Store(tmp_path / "root", shelf, most=3)


@pytest.mark.parametrize(
    "name",
    [
        "../secret.csv",
        "/etc/passwd",
        "day/../../secret.csv",
        "way_out.csv",
        "",
        ".",
        "nothing.csv",
        "day/\0b.csv",
    ],
)
def test_no_path_outside_the_shelf(store, name):
    with pytest.raises((CrabwiseError, ValueError)):
        store.pick([name])
    with pytest.raises((CrabwiseError, ValueError)):
        store.pick(["a.csv"], name or "../x")


def test_what_is_on_the_shelf_can_be_picked(store):
    logs, robots = store.offered()
    assert logs == ["a.csv", "way_out.csv", "day/b.csv"] or "a.csv" in logs
    assert robots == ["robot.toml"]
    case = store.pick(["a.csv", "day/b.csv"], "robot.toml")
    assert case.facts()["files"] == ["a.csv", "b.csv"]
    assert case.robot_text() == "[robot]\n"


@pytest.mark.parametrize(
    ("name", "clean"),
    [
        ("../../etc/passwd", "passwd"),
        ("C:\\logs\\run.csv", "run.csv"),
        (".hidden", "hidden"),
        ("a\x1b[31m\n.csv", "a_[31m_.csv"),
        ("<img src=x>.csv", "_img src_x_.csv"),
        ("", "recording"),
        ("..", "recording"),
        ("x" * 300 + ".csv", "x" * 76 + ".csv"),
    ],
)
def test_names_are_made_harmless(name, clean):
    assert safe_name(name) == clean


@pytest.mark.parametrize("key", [None, "", "x", "../root", "a" * 22, "a" * 21 + "/", "a" * 23])
def test_an_unknown_key_finds_nothing(store, key):
    assert store.find(key) is None


def test_keys_cannot_be_guessed(store):
    keys = {store.bring_in([("a.csv", b"t\n")]).key for _ in range(3)}
    assert len(keys) == 3
    assert all(len(k) == 22 for k in keys)  # 128 bits


def test_cases_are_few_and_go_when_old(store):
    first = store.bring_in([("a.csv", b"t\n")])
    os.utime(first.folder / "facts.json", (1, time.time() - 2 * 24 * 3600))
    for _ in range(5):
        last = store.bring_in([("a.csv", b"t\n")])
    assert store.find(first.key) is None
    assert store.find(last.key) is not None
    assert len([f for f in store.root.iterdir() if f.is_dir()]) <= 3


def test_a_robot_file_alone_is_no_recording(store):
    with pytest.raises(CrabwiseError, match="No recording"):
        store.bring_in([("robot.toml", b"")])


def test_two_files_of_one_name_both_stay(store):
    case = store.bring_in(
        [("a.csv", b"1"), ("a.csv", b"2"), ("metadata.yaml", b""), ("x.db3", b"")]
    )
    assert sorted((case.work / "bag").iterdir()) != []
    assert len(case.facts()["files"]) == 4
    assert case.facts()["paths"] == ["bag"]
