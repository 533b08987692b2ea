"""What figures show, against numbers worked out by hand."""

import math
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from analyzer.demo import robot_text
from analyzer.figures import base_plan, candidates, fan
from analyzer.figures.causes import WheelView
from analyzer.pipeline import analyze
from analyzer.prediction import arc_path
from analyzer.robot import parse_robot


def effect(drift, creep=0.0):
    rows = [
        {
            "kind": kind,
            "speed_m_per_s": 0.5,
            "yaw_drift_deg_per_m": {"value": sign * drift},
            "creep_mm_per_m": {"value": creep},
        }
        for kind, sign in (("left", 1), ("right", -1))
    ]
    return {"by_speed": rows}


def analysis(remedies):
    moves = [
        SimpleNamespace(kind=kind, hard_start=False, distance=length, speed=0.5)
        for kind, length in (("left", 1.5), ("left", 2.0), ("right", 1.8))
    ]
    return SimpleNamespace(
        result={"remedies": remedies}, motion=SimpleNamespace(passes=tuple(moves))
    )


def test_arcs_after_remedies_bear_the_number_of_the_remedy_and_the_sum_of_all():
    first = {"kind": "record_more", "expected_effect": {}}
    second = {"kind": "move_mass", "expected_effect": effect(10.0)}
    third = {
        "kind": "service_wheel",
        "wheel": "FL",
        "expected_effect": effect(4.0) | {"together_with_earlier": effect(-1.0)},
    }
    arcs = candidates(analysis([first, second, third]))
    assert [(a.mark, a.name) for a in arcs] == [
        ("②", "mass moved"),
        ("③", "wheel serviced FL"),
        ("Σ", "all of them"),
    ]
    for arc, drift in zip(arcs, (10.0, 4.0, -1.0), strict=True):
        ((left, _, to_left), (right, _, to_right)) = arc.paths
        assert (left, right) == ("left", "right")
        # As long as the longest pass to that side.
        assert math.degrees(to_left[-1, 2]) == pytest.approx(2.0 * drift)
        assert math.degrees(to_right[-1, 2]) == pytest.approx(-1.8 * drift)
    assert candidates(analysis([first])) == []


@pytest.mark.parametrize("kind", ["left", "right"])
def test_an_arc_is_a_circle(kind):
    # 30 degrees per metre: radius 180 / (30 pi) m; after 3 m a quarter of the circle is done.
    radius = 180 / (30 * math.pi)
    drift = 30.0 if kind == "left" else -30.0
    x, y, heading = arc_path(kind, drift, 0.0, 3.0)[-1]
    side = 1 if kind == "left" else -1
    assert math.degrees(heading) == pytest.approx(side * 90)
    assert (x, y) == pytest.approx((-radius, side * radius), rel=1e-3)


def test_what_is_said_of_a_wheel_stands_outside_of_it():
    robot = parse_robot(robot_text(), "robot.toml")
    views = {name: WheelView(lines=("load 36 N", "drag 2.7 N")) for name in robot.wheel_names}
    said = {a.text.split("</b>")[0][3:]: a for a in base_plan(robot, views).layout.annotations}
    assert set(said) == set(robot.wheel_names)
    for k, name in enumerate(robot.wheel_names):
        label = said[name]
        assert label.text == f"<b>{name}</b> load 36 N<br>drag 2.7 N"
        # x of the figure points to the right; wheels are half as wide as high.
        outer = robot.y[k] + math.copysign(robot.radius[k] / 2, robot.y[k])
        assert (label.x, label.y) == pytest.approx((-outer, robot.x[k]))
        assert label.xanchor == ("right" if robot.y[k] > 0 else "left")
    # Names alone stand above and below.
    names = base_plan(robot).layout.annotations
    assert sorted(a.yanchor for a in names) == ["bottom", "bottom", "top", "top"]


def test_a_pass_over_a_jump_of_the_reference_is_not_drawn_as_driven(tmp_path):
    samples = Path(__file__).parents[2] / "sample_logs"
    table = pq.read_table(samples / "book_cart_sound.parquet")
    sound = analyze([samples / "book_cart_sound.parquet"], samples / "book_cart.toml")
    number, hit, _ = next(m for m in sound.movements() if m[1].kind == "left")
    middle = sound.run.t[(hit.start + hit.stop) // 2]
    x = table.column("mocap_x_m").to_numpy().copy()
    x[
        np.searchsorted(table.column("time_s").to_numpy() - table["time_s"][0].as_py(), middle) :
    ] += 9.0
    at = table.column_names.index("mocap_x_m")
    pq.write_table(table.set_column(at, "mocap_x_m", pa.array(x)), tmp_path / "jump.parquet")
    done = analyze([tmp_path / "jump.parquet"], samples / "book_cart.toml")
    assert [n for n, _, row in done.movements() if row is None] == [number]

    def reach(figure):
        lines = [v for t in figure.data for v in (t.x, t.y) if len(v)]
        return max(np.nanmax(np.abs(np.array(v, dtype=float))) for v in lines)

    assert reach(fan(done)) == pytest.approx(reach(fan(sound)), rel=0.05)
    (note,) = fan(done).layout.annotations
    assert note.text == "not drawn: 1 in data left out"
    assert reach(fan(done, number)) > 8.0  # asked for by its number it is shown as it is
    assert not fan(sound).layout.annotations
