"""Wiring, forms, zooming: without a browser."""

import json
import tomllib
from dataclasses import replace

import numpy as np
import pytest

from analyzer.channels import BODY_DIMENSION, WHEEL_DIMENSION, meaning_of
from analyzer.robot import parse_robot, robot_text
from analyzer.traces import Panel, Trace, window
from dashboard import ids
from dashboard.callbacks.motion import asked_span
from dashboard.components.robot_form import grown, read_form, robot_form
from dashboard.components.trial import advised, as_it_is, read_trial, write_trial
from dashboard.jobs import Jobs
from dashboard.pages import PAGES, Visit
from dashboard.pages.recording import correction, known_robot
from dashboard.settings import Settings
from tests.dashboard.conftest import SAMPLES

ROBOT = (SAMPLES / "book_cart.toml").read_text()


def found(component, wanted):
    """Properties of every component within, as plain JSON."""
    if isinstance(component, dict):
        if "props" in component:
            wanted.append(component["props"])
        for value in component.values():
            found(value, wanted)
    elif isinstance(component, list):
        for value in component:
            found(value, wanted)
    return wanted


def plain(layout):
    return found(json.loads(json.dumps(layout, default=lambda c: c.to_plotly_json())), [])


@pytest.fixture(scope="module")
def visits(analysed):
    store, case = analysed
    settings = Settings(root=store.root)
    jobs = Jobs(workers=1)
    yield [
        Visit(store=store, settings=settings, jobs=jobs, case=None, job=None, query={}),
        Visit(
            store=store,
            settings=settings,
            jobs=jobs,
            case=case,
            job=None,
            query={"other": case.key},
        ),
    ]
    jobs.close()


def test_no_id_twice_on_a_page(visits, page):
    frame = [p["id"] for p in plain(page.layout) if "id" in p]
    for visit in visits:
        for one in PAGES:
            names = frame + [json.dumps(p["id"]) for p in plain(one.layout(visit)) if "id" in p]
            assert len(names) == len(set(names)), one.name


def test_every_callback_names_components_that_exist(visits, page):
    known = {json.dumps(p["id"]) for p in plain(page.layout) if "id" in p}
    for visit in visits:
        for one in PAGES:
            known |= {json.dumps(p["id"]) for p in plain(one.layout(visit)) if "id" in p}
    known |= {json.dumps(p["id"]) for p in plain(correction("x", known_robot(ROBOT))) if "id" in p}
    kinds = {json.loads(k)["type"] for k in known if k.startswith("{")}
    # These show only while work goes on, or with a folder.
    rare = {
        ids.RECORDING_CANCEL, ids.RECORDING_CLOCK, ids.RECORDING_PROGRESS, ids.PROOF_CANCEL, ids.PROOF_CLOCK,
        ids.PROOF_PROGRESS, ids.PROOF_PICK, ids.PROOF_PICK_GO, ids.RECORDING_PICK, ids.RECORDING_PICK_GO,
        ids.RECORDING_PICK_ROBOT, ids.SEASON_MEASURE, ids.SEASON_LIMIT, ids.SEASON_COURSE, ids.SEASON_FILE,
        ids.SEASON_FILED, ids.SEASON_NOTE, ids.SEASON_SERVICE, ids.SEASON_DATE, ids.SEASON_HOURS, "season-robot",
        ids.FLEET_WHICH, ids.FLEET_NAME, ids.FLEET_ROBOT, ids.FLEET_CAUSE, ids.FLEET_ROWS,
    }  # fmt: skip
    for spec in page.callback_map.values():
        for part in [*spec["inputs"], *spec["state"]]:
            name = part["id"]
            if name.startswith("{"):
                assert json.loads(name)["type"] in kinds | {ids.RECORDING_CORRECT}, name
            else:
                assert json.dumps(name) in known or name in rare, name


def test_every_page_says_what_it_lacks(visits):
    empty, full = visits
    for one in PAGES:
        shown = json.dumps(plain(one.layout(empty)))
        assert "empty" in shown or one.path == "/", one.name
        assert "FL" in json.dumps(plain(one.layout(full))) or one.name in {"Season", "Fleet"}, (
            one.name
        )


def test_every_channel_has_a_meaning():
    for channel in (*BODY_DIMENSION, *(f"{stem}_FL" for stem in WHEEL_DIMENSION)):
        assert meaning_of(channel), channel


def test_the_form_gives_the_robot_file_back():
    data = tomllib.loads(ROBOT)
    data["tolerance"] = {"centre_of_mass_m": 0.01}
    data["channels"] = {"gyro": "omega_z"}
    fields = {
        p["id"]["path"]: p.get("value")
        for p in plain(robot_form(data))
        if isinstance(p.get("id"), dict) and "path" in p["id"]
    }
    again = read_form(fields, data)
    want, got = parse_robot(ROBOT, "a"), parse_robot(robot_text(again), "a")
    for name in (
        "x",
        "y",
        "radius",
        "roller_angle",
        "counts_per_turn",
        "rollers",
        "torque_per_ampere",
        "imu_position",
    ):
        np.testing.assert_allclose(
            getattr(got, name), getattr(want, name), rtol=1e-6, err_msg=name
        )  # 6 digits shown
    assert got.masses == want.masses
    assert again["tolerance"] == data["tolerance"]  # what the form does not show stays
    assert again["channels"] == data["channels"]
    assert (got.name, got.mass_kg, got.drive_mode, got.loop_hz) == (
        want.name,
        want.mass_kg,
        want.drive_mode,
        want.loop_hz,
    )


def test_four_wheels_alike_stand_at_the_corners():
    fields = {"robot/name": "c", "robot/mass_kg": "10", "robot/drive_mode": "power", "alike/x": "200", "alike/y": "180",
              "alike/radius_m": "50", "alike/counts_per_turn": "1440", "alike/rollers": "10"}  # fmt: skip
    robot = parse_robot(robot_text(grown(known_robot(None), "alike", fields)), "form")
    assert robot.wheel_names == ("FL", "FR", "RL", "RR")
    np.testing.assert_allclose(robot.x, [0.2, 0.2, -0.2, -0.2])
    np.testing.assert_allclose(robot.y, [0.18, -0.18, 0.18, -0.18])
    # Lynch & Park, Modern Robotics, eq. 13.5: FL -45, FR 45, RL 45, RR -45
    np.testing.assert_allclose(np.degrees(robot.roller_angle), [-45, 45, 45, -45])


def test_what_is_no_number_is_named():
    data = read_form(
        {"robot/name": "c", "robot/mass_kg": "heavy", "wheels/0/name": "FL", "wheels/0/x_m": "nan"},
        {},
    )
    assert data["robot"]["mass_kg"] == "heavy"
    assert data["wheels"]["FL"]["x_m"] == "nan"


@pytest.mark.parametrize(
    "text", ["", "x", "[robot]\nname=3", "wheels = 3", "[wheels]\nFL = 3", "mass = [1]"]
)
def test_a_broken_robot_file_still_shows_a_form(text):
    assert robot_form(known_robot(text))


def test_a_trial_survives_the_address(analysed):
    store, case = analysed
    analysis = store.analysis(case)
    best = replace(advised(analysis), lever=0.3725)
    assert best.serviced == (("roller_drag", "FL"),)
    assert read_trial(analysis, write_trial(analysis, best)) == best
    for broken in (
        "",
        "1;2",
        "nan,0;;1,1,1,1",
        "0,0;9;1,1,1,1",
        "1e9,0;;1,1,1,1;380",
        "0,0;;1;380",
        "0,0;;1,1,1,1;0",
        "0,0;;1,1,1,1;nan",
    ):
        assert read_trial(analysis, broken) == as_it_is(analysis)


@pytest.mark.parametrize(
    ("relayout", "span"),
    [
        ({"xaxis3.range[0]": 2, "xaxis3.range[1]": 5}, (2.0, 5.0)),
        ({"xaxis.range": [-3, 500]}, (0.0, 100.0)),
        ({"xaxis.autorange": True}, (0.0, 100.0)),
        ({"yaxis.range[0]": 2, "yaxis.range[1]": 5}, None),
        ({"xaxis.range[0]": "a", "xaxis.range[1]": 5}, None),
        ({"autosize": True}, None),
        (None, None),
    ],
)
def test_zooming_asks_for_a_span(relayout, span):
    assert asked_span(relayout, 100.0) == span


def test_extremes_survive_and_points_stay_few():
    values = np.zeros(3_000_000, np.float32)
    values[123_457], values[800_001] = 7.0, -5.0
    values[500_000:500_400] = np.nan
    panel = Panel(title="x", unit="1", by_wheel=False, dt=0.001, traces=(Trace.of("x", values),))
    for span in ((0.0, 3000.0), (0.0, 1000.0), (100.0, 200.0), (123.4, 123.5)):
        ((t, v),) = window(panel, *span)
        assert t.size <= 4000 and t.size == v.size
        assert np.all(np.diff(t) > 0)
        if span[0] < 123.457 < span[1]:
            assert np.nanmax(v) == 7.0
    assert t[0] == pytest.approx(123.4, abs=0.003)  # every sample where there are few


def test_zoom_of_ten_million_samples_sends_few_points():
    """How fast it is, `python -m tests.benchmarks.page` measures."""
    noise = np.random.default_rng(1).standard_normal(10_000_000).astype(np.float32)
    panel = Panel(title="a", unit="1", by_wheel=True, dt=0.001, traces=(Trace.of("a", noise),))
    for span in ((0.0, 10_000.0), (10.0, 9_000.0), (4000.0, 4001.0)):
        for t, values in window(panel, *span):
            assert 100 < len(t) <= 5000 and len(values) == len(t)
            assert span[0] - 0.01 <= t[0] and t[-1] <= span[1] + 0.01
