"""The bench's bases and cases: which fault, how large, on which base, driven and logged how.

Everything random about a case follows from its round, kind and position, so a case is the same on
every machine. Which cases are held back follows from a hash of the name: nobody picks.
"""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from tests.bench.base import Base, Faults, Motor
from tests.bench.drive import (
    HeadingLoop,
    Step,
    WheelLoop,
    drive,
    improved_script,
    short_script,
    sideways_script,
    standard_script,
    turn_excitation_script,
)
from tests.bench.record import (
    RobotFile,
    Sensors,
    log_table,
    robot_toml,
    truth_dict,
    truth_table,
    yaw_inertia,
)

CORNERS = ("FL", "FR", "RL", "RR")


def _four(x: float, y: float) -> dict[str, Any]:
    return {"wheels": CORNERS, "x": (x, x, -x, -x), "y": (y, -y, y, -y)}


_AXLES = (0.27, 0.09, -0.09, -0.27)

BASES: dict[str, Base] = {
    "square": Base(name="square", **_four(0.165, 0.18)),
    "long": Base(
        name="long",
        **_four(0.25, 0.16),
        rollers=10,
        chassis_mass=16.2,
        chassis_izz=0.62,
        centre_height=0.12,
        imu=(-0.06, 0.02, 0.08),
        motor=Motor(torque_per_ampere=0.31, volts_per_rad_s=0.38, resistance=1.2),
    ),
    "heavy": Base(
        name="heavy",
        **_four(0.26, 0.235),
        radius=0.076,
        rollers=12,
        roller_radius_share=0.16,
        chassis_mass=28.0,
        chassis_izz=1.75,
        hub_mass=1.0,
        roller_mass=0.04,
        centre_height=0.16,
        counts_per_turn=1024.0,
        imu=(0.1, 0.0, 0.12),
        speeds=(0.35, 0.95),
        motor=Motor(
            torque_per_ampere=0.95, volts_per_rad_s=1.0, resistance=1.5, supply=24.0,
            rotor_inertia=0.006,
        ),
    ),
    "octo": Base(
        name="octo",
        wheels=("W1", "W2", "W3", "W4", "W5", "W6", "W7", "W8"),
        x=tuple(x for x in _AXLES for _ in range(2)),
        y=(0.17, -0.17) * 4,
        radius=0.04,
        rollers=8,
        roller_radius_share=0.22,
        chassis_mass=18.0,
        chassis_izz=0.85,
        hub_mass=0.2,
        roller_mass=0.012,
        centre_height=0.11,
        counts_per_turn=384.0,
        imu=(0.0, 0.05, 0.07),
        motor=Motor(
            torque_per_ampere=0.2, volts_per_rad_s=0.26, resistance=1.5, rotor_inertia=0.0008
        ),
    ),
    "small": Base(
        name="small",
        **_four(0.125, 0.17),
        radius=0.0375,
        rollers=9,
        chassis_mass=6.6,
        chassis_izz=0.15,
        hub_mass=0.18,
        roller_mass=0.009,
        centre_height=0.075,
        counts_per_turn=752.0,
        imu=(0.02, 0.03, 0.05),
        speeds=(0.25, 0.7),
        motor=Motor(
            torque_per_ampere=0.18, volts_per_rad_s=0.24, resistance=1.9, rotor_inertia=0.0006
        ),
    ),
}  # fmt: skip


def _scaled_contact(base: Base) -> Base:
    """Drags in proportion to the base's load and radii, so that all are about as hard to push."""
    c = base.contact
    load = base.mass / len(base.wheels) / (13.2 / 4)
    arm = base.radius * base.roller_radius_share / 0.01
    wheel = base.radius / 0.05
    return replace(
        base,
        contact=replace(
            c,
            stiffness=c.stiffness * load,
            bearing_constant=c.bearing_constant * load * arm,
            bearing_per_load=c.bearing_per_load * arm,
            tyre_per_load=c.tyre_per_load * arm,
            axle_constant=c.axle_constant * load * wheel,
            axle_per_load=c.axle_per_load * wheel,
            wheel_tyre_per_load=c.wheel_tyre_per_load * wheel,
        ),
    )


BASES = {name: _scaled_contact(b) for name, b in BASES.items()}

KINDS = (
    "mass", "sound", "roller_drag", "mass_and_roller_drag", "axle_drag", "weak_motor", "lean",
    "radius", "low_grip", "mass", "sound", "roller_drag", "reversed", "floor_slope",
    "mass_and_axle_drag", "gyro_fault", "mass", "axle_drag", "radius", "mass_and_roller_drag",
    "roller_drag", "weak_motor", "sound", "mirrored", "lean", "low_grip", "mass",
    "mass_and_weak_motor", "roller_drag_all", "moderate_grip",
)  # fmt: skip
MODES = ("power", "stiff", "power", "soft", "stiff")
UNEVEN_ROUNDS = [(k, KINDS) for k in range(200, 202)]
"""Torque constants that differ by 4 %, which the robot file tells."""
RARE_KINDS = ("gyro_fault", "reversed", "floor_slope", "mirrored")
USUAL_ROUNDS = [(k, KINDS) for k in range(6)] + [(k, RARE_KINDS) for k in range(6, 11)]
FRESH_ROUNDS = [(k, KINDS) for k in range(100, 140)]
"""For blind looks: nobody tunes to these. Those before 120 have been looked at; add rounds."""


@dataclass(frozen=True, kw_only=True)
class Case:
    """One recording to make."""

    name: str
    base: Base
    kind: str
    mode: str
    script: tuple[Step, ...]
    script_name: str
    faults: Faults
    causes: tuple[tuple[str, str | None], ...]
    sensors: Sensors
    file: RobotFile
    seed: int
    spread: float = 0.0
    heading: HeadingLoop | None = None

    @property
    def held_back(self) -> bool:
        """Fixed by the name."""
        return hashlib.sha256(self.name.encode()).digest()[0] % 2 == 1


def _varied(base: Base, rng: np.random.Generator) -> Base:
    """The same base on another floor: contact values the owner does not know."""
    c = base.contact
    bearing, axle = rng.uniform(0.7, 1.2), rng.uniform(0.7, 1.3)
    return replace(
        base,
        contact=replace(
            c,
            creep=rng.uniform(0.12, 0.18),
            stiffness=c.stiffness * rng.uniform(0.75, 1.25),
            bearing_constant=c.bearing_constant * bearing,
            bearing_per_load=c.bearing_per_load * bearing,
            tyre_per_load=c.tyre_per_load * rng.uniform(0.7, 1.2),
            axle_constant=c.axle_constant * axle,
            axle_per_load=c.axle_per_load * axle,
            floor_drag=rng.uniform(0.001, 0.006),
        ),
    )


def _spread(base: Base, level: float, rng: np.random.Generator) -> dict[str, Any]:
    """Natural differences between the parts of a sound base."""
    n = len(base.wheels)

    def factor(sd: float) -> np.ndarray:
        return np.exp(level * sd * np.clip(rng.standard_normal(n), -2, 2))

    return {
        "cg_dx": 0.003 * level * float(np.clip(rng.standard_normal(), -2, 2)),
        "cg_dy": 0.003 * level * float(np.clip(rng.standard_normal(), -2, 2)),
        "radius_scale": factor(0.001),
        "motor_strength": factor(0.04),
        "torque_gain": factor(0.01),
        "axle_friction": factor(0.15),
        "roller_drag": factor(0.25),
    }


def _fault(
    kind: str, base: Base, mode: str, values: dict[str, Any], rng: np.random.Generator
) -> tuple[str, dict[str, Any], list[tuple[str, str | None]], dict[str, Any]]:
    """Name of the detail, fault values on top of the spread, causes, sensor values."""
    n = len(base.wheels)
    i = int(rng.integers(n))
    w = base.wheels[i]
    v = {k: (x.copy() if isinstance(x, np.ndarray) else x) for k, x in values.items()}
    sensors: dict[str, Any] = {}
    causes: list[tuple[str, str | None]] = []
    name = kind

    def scale(key: str, factor: float, wheel: int = i) -> None:
        v[key] = v.get(key, np.ones(n)).copy()
        v[key][wheel] *= factor

    if kind.startswith("mass"):
        lx, ly = max(base.x), max(base.y)
        far = rng.uniform(0.13, 0.30)
        side = int(rng.choice(4, p=[0.35, 0.25, 0.25, 0.15]))
        if side < 2:
            name = ("aft", "fore")[side]
            v["cg_dx"] = v.get("cg_dx", 0.0) + (-1, 1)[side] * far * lx
        elif side == 2:
            left = rng.random() < 0.5
            name = "left" if left else "right"
            v["cg_dy"] = v.get("cg_dy", 0.0) + (1 if left else -1) * 0.8 * far * ly
        else:
            sx, sy = rng.choice([-1, 1], 2)
            name = ("aft" if sx < 0 else "fore") + ("left" if sy > 0 else "right")
            v["cg_dx"] = v.get("cg_dx", 0.0) + sx * 0.75 * far * lx
            v["cg_dy"] = v.get("cg_dy", 0.0) + sy * 0.55 * far * ly
        shift = np.hypot(v.get("cg_dx", 0.0), v.get("cg_dy", 0.0))
        name = f"mass_{name}{1000 * shift:.0f}"
        causes.append(("mass_off_centre", None))
    if kind in ("roller_drag", "mass_and_roller_drag"):
        f = rng.uniform(3, 5)
        scale("roller_drag", f)
        causes.append(("roller_drag", w))
        tail = f"rollers_{w}_x{f:.1f}"
        name = f"{name}_{tail}" if kind != "roller_drag" else tail
    if kind in ("axle_drag", "mass_and_axle_drag"):
        f = rng.uniform(2.2, 3.5)
        scale("axle_friction", f)
        causes.append(("axle_drag", w))
        tail = f"axle_{w}_x{f:.1f}"
        name = f"{name}_{tail}" if kind != "axle_drag" else tail
    if kind in ("weak_motor", "mass_and_weak_motor"):
        f = rng.uniform(0.5, 0.72)
        scale("motor_strength", f)
        causes.append(("weak_motor", w))
        tail = f"weak_{w}_{100 * f:.0f}"
        name = f"{name}_{tail}" if kind != "weak_motor" else tail
    if kind == "radius":
        f = 1 + rng.choice([-1, 1]) * rng.uniform(0.007, 0.015)
        scale("radius_scale", float(f))
        causes.append(("radius_mismatch", w))
        name = f"radius_{w}_{1000 * f:.0f}"
    if kind == "lean":
        scale("handed", -1.0)
        causes.append(("roller_lean_reversed", w))
        name = f"lean_{w}"
    if kind == "mirrored":
        v["handed"] = -np.ones(n)
        causes.append(("roller_lean_reversed", None))
    if kind == "reversed":
        # Under speed control one of the two alone would run away, so both leads are swapped.
        which = str(rng.choice(["motor", "encoder", "both"])) if mode == "power" else "both"
        if which in ("motor", "both"):
            scale("motor_sense", -1.0)
        if which in ("encoder", "both"):
            scale("encoder_sense", -1.0)
        causes.append(("rotation_reversed", w))
        name = f"reversed_{which}_{w}"
    if kind == "roller_drag_all":
        f = rng.uniform(2.0, 2.8)
        v["roller_drag"] = v.get("roller_drag", np.ones(n)) * f
        causes.append(("roller_drag", None))
        name = f"rollers_all_x{f:.1f}"
    if kind == "low_grip":
        v["mu"] = round(float(rng.uniform(0.12, 0.26)), 2)
        causes.append(("low_grip", None))
        name = f"grip_{v['mu']:.2f}"
    if kind == "moderate_grip":
        v["mu"] = round(float(rng.uniform(0.42, 0.5)), 2)
        name = f"grip_{v['mu']:.2f}"
    if kind == "floor_slope":
        tilt, way = rng.uniform(1.0, 2.5), rng.uniform(0, 2 * np.pi)
        v["tilt_x"] = float(np.radians(tilt) * np.cos(way))
        v["tilt_y"] = float(np.radians(tilt) * np.sin(way))
        causes.append(("floor_slope", None))
        name = f"slope_{tilt:.1f}deg"
    if kind == "gyro_fault":
        which = str(rng.choice(["drift", "scale", "frozen"]))
        if which == "drift":
            sensors["gyro_drift"] = float(rng.choice([-1, 1]) * rng.uniform(2e-4, 5e-4))
        elif which == "scale":
            sensors["gyro_scale"] = float(1 + rng.choice([-1, 1]) * rng.uniform(0.04, 0.08))
        else:
            sensors["gyro_frozen_from"] = float(rng.uniform(0.2, 0.6))
        causes.append(("gyro_fault", None))
        name = f"gyro_{which}"
    return name, v, causes or [("none", None)], sensors


def _sensors(rng: np.random.Generator, **over: Any) -> Sensors:
    currents, volts = True, True
    missing = rng.random()
    if missing < 0.12:
        currents = False
    elif missing < 0.27:
        volts = False
    elif missing < 0.31:
        currents = volts = False
    bias = tuple(float(x) for x in rng.normal(0, 0.1, 3))
    given: dict[str, Any] = {
        "currents": currents,
        "volts": volts,
        "reference": bool(rng.random() > 0.12),
        "gaps": int(rng.integers(1, 4)) if rng.random() < 0.1 else 0,
        "current_lag": float(rng.uniform(0.003, 0.02)),
        "gyro_bias": float(rng.normal(0, 0.003)),
        "gyro_scale": float(1 + 0.002 * rng.standard_normal()),
        "accelerometer_bias": bias,
        "reference_latency": float(rng.uniform(0.005, 0.06)),
    }
    return Sensors(**{**given, **over})


def main_cases(
    rounds: Sequence[tuple[int, tuple[str, ...]]] = USUAL_ROUNDS, *, uneven: float = 0.0
) -> list[Case]:
    """Cases of the causes, in numbered rounds; each round holds every kind it lists.

    `uneven` is the spread of the torque constants, where the owner knows and tells it.
    """
    out: list[Case] = []
    names = list(BASES)
    for k, kinds in rounds:
        for j, kind in enumerate(kinds):
            rng = np.random.default_rng(zlib.crc32(f"{k}/{j}/{kind}".encode()))
            base = BASES[names[(j + 2 * k + j // 5) % len(names)]]
            mode = MODES[(j + k + j // 5 + j // 10) % len(MODES)]
            base = _varied(base, rng)
            level = float(rng.choice([0.0, 0.5, 1.0], p=[0.25, 0.25, 0.5]))
            values = _spread(base, level, rng) if level else {}
            if uneven:
                parts = np.clip(rng.standard_normal(len(base.wheels)), -2, 2)
                values["torque_gain"] = np.exp(uneven * parts)
            detail, values, causes, over = _fault(kind, base, mode, values, rng)
            sensors = _sensors(rng, **over)
            if kind in ("gyro_fault", "reversed"):
                sensors = replace(sensors, reference=bool(rng.random() > 0.06))
            plain = rng.random() < 0.35
            script = standard_script(base.speeds) if plain else improved_script(
                base.speeds, turn_rates=(float(rng.uniform(1.2, 1.6)), float(rng.uniform(2.4, 3.0)))
            )  # fmt: skip
            inertia = yaw_inertia(base, Faults()) * float(rng.uniform(0.97, 1.03))
            file = RobotFile(
                rollers=bool(rng.random() < 0.5),
                yaw_inertia=inertia if rng.random() < 0.35 else None,
                torque_constant_share=2 * uneven or None,
            )
            suffix = {"power": "power", "stiff": "wheel_speed", "soft": "wheel_speed_soft"}[mode]
            out.append(
                Case(
                    name=f"{base.name}_{detail}_{k}{j:02d}__{suffix}",
                    base=base,
                    kind=kind,
                    mode=mode,
                    script=tuple(script),
                    script_name="standard" if plain else "improved",
                    faults=Faults(**values),
                    causes=tuple(causes),
                    sensors=sensors,
                    file=file,
                    seed=zlib.crc32(f"seed/{k}/{j}".encode()),
                    spread=level,
                )
            )
    return out


def heading_cases() -> list[Case]:
    """Turn-rate steps and held drives, to identify the yaw plant and to try gains on."""
    out = []
    plans: list[tuple[str, str, dict[str, Any], HeadingLoop | None]] = []
    hold = HeadingLoop(kp=2.5, ki=0.5, loop_hz=50.0, delay=0.03)
    aft = {"cg_dx": -0.25}
    for base, mode in (
        ("square", "power"), ("square", "stiff"), ("heavy", "power"), ("long", "soft"),
        ("octo", "power"), ("small", "stiff"),
    ):  # fmt: skip
        plans.append((base, mode, {}, None))
        plans.append((base, mode, aft, None))
        plans.append((base, mode, aft, hold))
    for base_name, mode, shift, heading in plans:
        base = BASES[base_name]
        label = ("aft" if shift else "sound") + ("_held" if heading else "_steps")
        suffix = {"power": "power", "stiff": "wheel_speed", "soft": "wheel_speed_soft"}[mode]
        name = f"{base_name}_{label}__{suffix}"
        rng = np.random.default_rng(zlib.crc32(name.encode()))
        script = sideways_script(base.speeds) if heading else turn_excitation_script()
        values = _spread(base, 0.5, rng)
        if shift:
            values["cg_dx"] = shift["cg_dx"] * max(base.x)
        out.append(
            Case(
                name=name, base=base, kind="heading", mode=mode, script=tuple(script),
                script_name="sideways" if heading else "turn_excitation",
                faults=Faults(**values),
                causes=((("mass_off_centre" if shift else "none"), None),),
                sensors=_sensors(rng, currents=True, volts=True, reference=True, gaps=0),
                file=RobotFile(loop_hz=50.0), seed=zlib.crc32(("seed" + name).encode()),
                spread=0.5, heading=heading,
            )
        )  # fmt: skip
    return out


def small_cases() -> list[Case]:
    """Short recordings that are kept beside the tests."""
    plans: list[tuple[str, str, str, dict[str, Any], tuple[str, str | None]]] = [
        ("square", "sound", "power", {}, ("none", None)),
        ("square", "mass_aft40", "stiff", {"cg_dx": -0.04}, ("mass_off_centre", None)),
        ("long", "mass_aft50", "power", {"cg_dx": -0.05}, ("mass_off_centre", None)),
        ("square", "rollers_FL_x5", "stiff",
         {"roller_drag": np.array([5.0, 1, 1, 1])}, ("roller_drag", "FL")),
        ("long", "lean_RR", "stiff",
         {"handed": np.array([1.0, 1, 1, -1])}, ("roller_lean_reversed", "RR")),
        ("long", "sound", "stiff", {}, ("none", None)),
        ("square", "reversed_both_RR_no_reference", "stiff",
         {"motor_sense": np.array([1.0, 1, 1, -1]), "encoder_sense": np.array([1.0, 1, 1, -1])},
         ("rotation_reversed", "RR")),
        ("square", "gyro_drift_no_reference", "stiff", {}, ("gyro_fault", None)),
        ("square", "grip_0.15", "power", {"mu": 0.15}, ("low_grip", None)),
        ("heavy", "radius_RR_985", "power",
         {"radius_scale": np.array([1.0, 1, 1, 0.985])}, ("radius_mismatch", "RR")),
        ("heavy", "radius_RR_1020", "power",
         {"radius_scale": np.array([1.0, 1, 1, 1.02])}, ("radius_mismatch", "RR")),
    ]  # fmt: skip
    out = []
    for base_name, label, mode, values, cause in plans:
        base = BASES[base_name]
        suffix = "power" if mode == "power" else "wheel_speed"
        name = f"{base_name}_{label}__{suffix}"
        rng = np.random.default_rng(zlib.crc32(name.encode()))
        over: dict[str, Any] = {"currents": True, "volts": True, "gaps": 0}
        over["reference"] = not label.endswith("no_reference")
        if label.startswith("gyro_drift"):
            over["gyro_drift"] = 4e-4
        out.append(
            Case(
                name=name, base=base, kind="small", mode=mode,
                script=tuple(short_script(base.speeds)), script_name="short",
                faults=Faults(**values), causes=(cause,),
                sensors=_sensors(rng, **over),
                file=RobotFile(rollers=base_name == "long"), seed=zlib.crc32(name.encode()),
            )
        )  # fmt: skip
    return out


def cases_of(which: str) -> list[Case]:
    """Cases of a set: ``tuning``, ``held_back``, ``fresh``, ``uneven``, ``heading`` or ``small``."""
    if which == "small":
        return small_cases()
    if which == "heading":
        return heading_cases()
    if which == "fresh":
        return main_cases(FRESH_ROUNDS)
    if which == "uneven":
        return main_cases(UNEVEN_ROUNDS, uneven=0.04)
    if which not in ("tuning", "held_back"):
        raise ValueError(
            f"no set {which!r}; there are tuning, held_back, fresh, uneven, heading, small"
        )
    return [c for c in main_cases() if c.held_back == (which == "held_back")]


def simulate(case: Case) -> Iterator[Any]:
    """Drive a case; gives the log, the robot file's text, the truth and its table, in order."""
    rng = np.random.default_rng(case.seed)
    loop = WheelLoop.named(case.mode, case.base)
    script = list(case.script)
    trace = drive(case.base, case.faults, script, loop=loop, rng=rng, heading=case.heading)
    yield log_table(trace, case.base, case.faults, case.sensors, rng)
    yield robot_toml(case.base, loop, case.sensors, case.file)
    yield truth_dict(
        case.base, case.faults, loop, case.sensors, script,
        [{"cause": c, "wheel": w} for c, w in case.causes], case.heading,
        {
            "case": case.name, "kind": case.kind, "seed": case.seed, "spread": case.spread,
            "script_name": case.script_name, "held_back": case.held_back,
        },
    )  # fmt: skip
    yield truth_table(trace, case.base)
