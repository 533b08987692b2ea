"""Form for the robot file: what a technician measures, in millimetres and degrees."""

from __future__ import annotations

import math
from typing import Any

from dash import dcc, html

from dashboard import ids

MILLI = 1000.0
BASE = (
    ("robot/name", "name of the base", 0.0),
    ("robot/mass_kg", "mass with battery [kg]", 1.0),
    ("robot/centre_height_m", "height of the centre of mass [mm], if known", MILLI),
    ("robot/yaw_inertia_kgm2", "yaw inertia [kg m²], if known", 1.0),
    ("robot/loop_hz", "rate of the heading loop [Hz], if any", 1.0),
)
WHEEL = (
    ("x_m", "ahead of the middle [mm]", MILLI),
    ("y_m", "left of the middle [mm]", MILLI),
    ("radius_m", "radius [mm]", MILLI),
    ("roller_angle_deg", "roller angle [°]", 1.0),
    ("heading_deg", "drives towards [°]", 1.0),
    ("counts_per_turn", "counts a turn", 1.0),
    ("rollers", "rollers", -1.0),
)
MOTOR = (
    ("torque_per_ampere", "torque per ampere [N m/A]", 1.0),
    ("volts_per_rad_s", "volts per rad/s [V s/rad]", 1.0),
    ("resistance_ohm", "resistance [ohm]", 1.0),
)
MASS = (
    ("mass_kg", "mass [kg]", 1.0),
    ("x_m", "ahead of the middle [mm]", MILLI),
    ("y_m", "left of the middle [mm]", MILLI),
    ("x_range_m/0", "may go back to [mm]", MILLI),
    ("x_range_m/1", "may go ahead to [mm]", MILLI),
    ("y_range_m/0", "may go right to [mm]", MILLI),
    ("y_range_m/1", "may go left to [mm]", MILLI),
)
IMU = (
    ("x_m", "ahead of the middle [mm]", MILLI),
    ("y_m", "left of the middle [mm]", MILLI),
    ("z_m", "above the floor [mm]", MILLI),
    ("yaw_deg", "turned by [°]", 1.0),
)
ALIKE = (
    ("alike/x", "half the wheelbase [mm]"),
    ("alike/y", "half the track [mm]"),
    ("alike/radius_m", "radius [mm]"),
    ("alike/counts_per_turn", "counts a turn"),
    ("alike/rollers", "rollers"),
)
CORNERS = {"FL": (1, 1, -45), "FR": (1, -1, 45), "RL": (-1, 1, 45), "RR": (-1, -1, -45)}
EMPTY: dict[str, Any] = {
    "robot": {"drive_mode": "power"},
    "wheels": {name: {"roller_angle_deg": angle} for name, (_, _, angle) in CORNERS.items()},
}


def _shown(value: Any, factor: float) -> str:
    if value is None:
        return ""
    if factor <= 0 or isinstance(value, (str, bool)):
        return str(value)
    return f"{float(value) * factor:.6g}"


def _field(path: str, label: str, value: str) -> html.Label:
    return html.Label(
        [
            html.Span(label, className="label"),
            dcc.Input(
                id={"type": ids.ROBOT_FIELD, "path": path},
                value=value,
                type="text",
                maxLength=80,
                autoComplete="off",
            ),
        ],
        className="field",
    )


def _get(data: Any, path: str) -> Any:
    for part in path.split("/"):
        if isinstance(data, dict):
            data = data.get(part)
        elif isinstance(data, (list, tuple)) and part.isdigit() and int(part) < len(data):
            data = data[int(part)]
        else:
            return None
    return data


def robot_form(data: dict[str, Any]) -> list[Any]:
    """Give the fields, filled with what is known.

    Parameters
    ----------
    data : dict
        Content of a robot file, whole or in part.

    Returns
    -------
    list of components
        Field sets.
    """
    wheels: dict[str, Any] = data.get("wheels", {})
    masses: list[Any] = data.get("mass", [])
    motor: dict[str, Any] = next((w["motor"] for w in wheels.values() if w.get("motor")), {})
    parts: list[Any] = [
        html.Fieldset(
            [
                html.Legend("Base"),
                html.Div([_field(p, t, _shown(_get(data, p), f)) for p, t, f in BASE], className="fields"),
                html.Div(
                    [
                        html.Span("What the program sets:", className="label"),
                        dcc.RadioItems(
                            id={"type": ids.ROBOT_FIELD, "path": "robot/drive_mode"},
                            options=[
                                {"label": " each motor's power or voltage", "value": "power"},
                                {"label": " each wheel's speed (controlled)", "value": "wheel_speed"},
                            ],
                            value=_get(data, "robot/drive_mode"),
                            className="inline",
                        ),
                    ],
                    className="field",
                ),
            ]
        ),
        html.Fieldset(
            [
                html.Legend("Four wheels alike: fill in at once"),
                html.Div([_field(p, t, "") for p, t in ALIKE], className="fields"),
                html.Button("Fill in four wheels", id={"type": ids.ROBOT_ADD, "what": "alike"},
                            type="button", className="quiet small"),
            ]
        ),
    ]  # fmt: skip
    for k, (name, wheel) in enumerate(wheels.items()):
        fields = [_field(f"wheels/{k}/name", "name (empty: remove)", name)]
        fields += [_field(f"wheels/{k}/{p}", t, _shown(_get(wheel, p), f)) for p, t, f in WHEEL]
        parts.append(
            html.Fieldset([html.Legend(f"Wheel {name}"), html.Div(fields, className="fields")])
        )
    parts.append(
        html.Fieldset(
            [
                html.Legend("Motors at the wheel shaft, alike (from the data sheet; optional)"),
                html.Div([_field(f"motor/{p}", t, _shown(motor.get(p), f)) for p, t, f in MOTOR],
                         className="fields"),
            ]
        )
    )  # fmt: skip
    for k, mass in enumerate(masses):
        fields = [_field(f"mass/{k}/name", "name (empty: remove)", str(mass.get("name", "")))]
        fields += [_field(f"mass/{k}/{p}", t, _shown(_get(mass, p), f)) for p, t, f in MASS]
        parts.append(
            html.Fieldset([html.Legend("Can be moved"), html.Div(fields, className="fields")])
        )
    imu = data.get("imu", {})
    parts.append(
        html.Fieldset(
            [
                html.Legend("Inertial sensor (optional)"),
                html.Div([_field(f"imu/{p}", t, _shown(imu.get(p), f)) for p, t, f in IMU],
                         className="fields"),
            ]
        )
    )  # fmt: skip
    parts.append(
        html.Div(
            [
                html.Button("Add a wheel", id={"type": ids.ROBOT_ADD, "what": "wheel"},
                            type="button", className="quiet small"),
                html.Button("Add a thing that can be moved", type="button",
                            id={"type": ids.ROBOT_ADD, "what": "mass"}, className="quiet small"),
            ],
            className="row",
        )
    )  # fmt: skip
    return parts


def read_form(fields: dict[str, Any], known: dict[str, Any]) -> dict[str, Any]:
    """Turn the fields into the content of a robot file.

    Parameters
    ----------
    fields : dict of str to object
        Path to what stands in the field.
    known : dict
        Robot file that the form was filled from; what the form does not show is kept.

    Returns
    -------
    dict
        Content; what is no number stays text, so that the check of the file names it.
    """
    # What the form does not show is kept as it is.
    out: dict[str, Any] = {
        k: v for k, v in known.items() if k not in {"robot", "wheels", "mass", "imu"}
    }

    def number(text: Any, factor: float) -> Any:
        try:
            value = float(str(text).strip().replace(",", "."))
        except ValueError:
            return str(text)
        if not math.isfinite(value):
            return str(text)
        if factor < 0:
            return int(value) if value == int(value) else value
        return float(f"{value / factor:.9g}")

    def taken(prefix: str, spec: tuple[tuple[str, str, float], ...]) -> dict[str, Any]:
        held: dict[str, Any] = {}
        for path, _, factor in spec:
            text = fields.get(f"{prefix}{path}")
            if text is None or str(text).strip() == "":
                continue
            key, _, place = path.partition("/")
            value = str(text).strip() if factor == 0.0 else number(text, factor)
            if place:
                held.setdefault(key, [None, None])[int(place)] = value
            else:
                held[key] = value
        return {
            k: [x for x in v if x is not None] if isinstance(v, list) else v
            for k, v in held.items()
        }

    shown = {path.partition("/")[2] for path, _, _ in BASE} | {"drive_mode"}
    out["robot"] = {k: v for k, v in known.get("robot", {}).items() if k not in shown}
    for path, _, factor in BASE:
        text = fields.get(path)
        if text is not None and str(text).strip():
            key = path.partition("/")[2]
            out["robot"][key] = str(text).strip() if factor == 0.0 else number(text, factor)
    if fields.get("robot/drive_mode"):
        out["robot"]["drive_mode"] = fields["robot/drive_mode"]
    motor = taken("motor/", MOTOR)
    old = list(known.get("wheels", {}).values())
    out["wheels"] = {}
    for k in range(_count(fields, "wheels")):
        name = str(fields.get(f"wheels/{k}/name") or "").strip()
        if not name:
            continue
        fields_of = {path for path, _, _ in WHEEL} | {"motor"}
        hidden = {} if k >= len(old) else {n: v for n, v in old[k].items() if n not in fields_of}
        wheel = {**taken(f"wheels/{k}/", WHEEL), **hidden}
        own = old[k].get("motor") if k < len(old) else None
        if motor:
            # Motors that the file gives one by one stay so unless the form says otherwise.
            first = next((w["motor"] for w in old if w.get("motor")), None)
            wheel["motor"] = own if own and motor == first else motor
        out["wheels"][name] = wheel
    masses = []
    for k in range(_count(fields, "mass")):
        name = str(fields.get(f"mass/{k}/name") or "").strip()
        if name:
            masses.append({"name": name, **taken(f"mass/{k}/", MASS)})
    if masses:
        out["mass"] = masses
    imu = {**known.get("imu", {}), **taken("imu/", IMU)}
    if imu:
        out["imu"] = imu
    return out


def _count(fields: dict[str, Any], group: str) -> int:
    numbers = [int(p.split("/")[1]) for p in fields if p.startswith(group + "/")]
    return max(numbers, default=-1) + 1


def grown(data: dict[str, Any], what: str, fields: dict[str, Any]) -> dict[str, Any]:
    """Add a wheel or a mass, or fill in four wheels alike.

    Parameters
    ----------
    data : dict
        Content so far.
    what : str
        "wheel", "mass" or "alike".
    fields : dict
        Fields of the form, for "alike".

    Returns
    -------
    dict
        Content with more in it.
    """
    if what == "mass":
        return {
            **data,
            "mass": [*data.get("mass", []), {"name": f"thing {len(data.get('mass', [])) + 1}"}],
        }
    if what == "wheel":
        return {**data, "wheels": {**data["wheels"], f"W{len(data['wheels']) + 1}": {}}}
    said = {p.partition("/")[2]: fields.get(p) for p, _ in ALIKE}
    filled = {
        f"wheels/{k}/{key}": value
        for k, (ahead, left, angle) in enumerate(CORNERS.values())
        for key, value in (
            ("name", list(CORNERS)[k]),
            ("x_m", _signed(said["x"], ahead)),
            ("y_m", _signed(said["y"], left)),
            ("roller_angle_deg", str(angle)),
            ("radius_m", said["radius_m"]),
            ("counts_per_turn", said["counts_per_turn"]),
            ("rollers", said["rollers"]),
        )
    }
    rest = {p: v for p, v in fields.items() if not p.startswith("wheels/")}
    return read_form({**rest, **filled}, data)


def _signed(text: Any, sign: int) -> str:
    plain = str(text or "").strip()
    return f"-{plain}" if plain and sign < 0 else plain
