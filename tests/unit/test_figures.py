"""What figures show, against numbers worked out by hand."""

import math
from types import SimpleNamespace

import pytest

from analyzer.figures import candidates
from analyzer.prediction import arc_path


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
