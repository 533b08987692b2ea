"""A mecanum base as rigid bodies with free rollers, in a general physics engine (MuJoCo).

Every roller is a body on its own hinge, shaped as an ellipsoid; a wheel is a hub with its rollers;
the chassis floats freely. Nothing here knows a mecanum formula: that a base strafes is what comes
out, so the bench can judge formulas. Independent of `analyzer` on purpose: it imports none of it.

Contact values (creep, drags, stiffness) are assumptions of a plausible size, not measurements.
Signs: x ahead, y left, z up; wheel speed positive when it drives the base ahead.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import mujoco
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

GRAVITY = 9.81  # [m/s^2]
STEP = 1e-3  # [s] of the engine
TICK = 2e-3  # [s] forces and contact values are renewed at this rate
WHEEL_STILL = 0.08  # [rad/s] below this, axle friction fades out linearly
ROLLER_STILL = 0.8  # [rad/s] likewise for a roller's bearing
NORMAL_SOFTNESS = 2.0  # R of a normal row over the engine's inverse mass of the contact
LOAD_FILTER = 0.6  # share of a roller's new load taken over per tick
CREEP_SPEED_FLOOR = 0.004  # [m/s] creep at a standstill is that of this rolling speed


@dataclass(frozen=True, kw_only=True)
class Motor:
    """DC gear motor, all quantities at the wheel shaft."""

    torque_per_ampere: float = 0.26  # [N m/A]
    volts_per_rad_s: float = 0.36  # [V s/rad]
    resistance: float = 1.3  # [ohm]
    supply: float = 12.0  # [V]
    rotor_inertia: float = 0.0012  # [kg m^2]


@dataclass(frozen=True, kw_only=True)
class Contact:
    """Assumed values of floor contact and friction."""

    creep: float = 0.15  # creep speed = creep x rolling speed x force / load
    stiffness: float = 80e3  # [N/m] per wheel
    damping_ratio: float = 0.3
    bearing_constant: float = 0.0025  # [N m] roller bearing
    bearing_per_load: float = 0.00022  # [N m/N]
    tyre_per_load: float = 0.00030  # [N m/N] = rolling arm of the roller's tyre [m]
    axle_constant: float = 0.030  # [N m]
    axle_per_load: float = 0.00050  # [N m/N]
    wheel_tyre_per_load: float = 0.00050  # [N m/N] rolling resistance of the wheel on the axle
    floor_drag: float = 0.003  # [-] share of load that acts against the motion of the hub


@dataclass(frozen=True, kw_only=True)
class Base:
    """One base: nominal proportions, as its owner would write them down."""

    name: str
    wheels: tuple[str, ...]
    x: tuple[float, ...]  # [m]
    y: tuple[float, ...]  # [m]
    radius: float = 0.05  # [m]
    rollers: int = 9
    roller_radius_share: float = 0.2  # mid radius of a roller / wheel radius
    chassis_mass: float = 11.4  # [kg]
    chassis_izz: float = 0.36  # [kg m^2]
    hub_mass: float = 0.30  # [kg]
    roller_mass: float = 0.016  # [kg]
    centre_height: float = 0.10  # [m] of the whole base over the floor
    counts_per_turn: float = 537.7
    motor: Motor = field(default_factory=Motor)
    contact: Contact = field(default_factory=Contact)
    imu: tuple[float, float, float] = (0.045, -0.03, 0.06)  # [m] over the geometric centre, floor
    speeds: tuple[float, float] = (0.3, 0.8)  # [m/s] of the usual passes

    @property
    def mass(self) -> float:
        """Whole mass. [kg]"""
        n = len(self.wheels)
        return self.chassis_mass + n * (self.hub_mass + self.rollers * self.roller_mass)

    @property
    def lean(self) -> Array:
        """tan of the roller angle of each wheel of a rightly built base, shape (n,)."""
        return -np.sign(np.array(self.x)) * np.sign(np.array(self.y))

    @property
    def rows(self) -> Array:
        """Wheel speeds per body twist that the controller believes in, shape (n, 3). [1/m]"""
        x, y, t = np.array(self.x), np.array(self.y), self.lean
        return np.column_stack([np.ones_like(x), t, x * t - y]) / self.radius


@dataclass(frozen=True, kw_only=True)
class Faults:
    """What is wrong with the base; the default is nothing. Per wheel: one value per wheel."""

    cg_dx: float = 0.0  # [m] centre of mass of the whole base
    cg_dy: float = 0.0  # [m]
    radius_scale: Array | None = None
    motor_strength: Array | None = None  # resistance is divided by it
    torque_gain: Array | None = None  # torque per ampere against nominal
    axle_friction: Array | None = None
    roller_drag: Array | None = None  # multiplies the bearing part
    handed: Array | None = None  # -1: the wheel belongs into another corner
    motor_sense: Array | None = None  # -1: motor leads swapped
    encoder_sense: Array | None = None  # -1: encoder leads swapped
    mu: float = 0.8
    tilt_x: float = 0.0  # [rad] floor rises towards +x of the world
    tilt_y: float = 0.0  # [rad] floor rises towards +y of the world

    def filled(self, n: int) -> Faults:
        """The same with every per-wheel value given, shape (n,)."""
        names = [
            "radius_scale", "motor_strength", "torque_gain", "axle_friction", "roller_drag",
            "handed", "motor_sense", "encoder_sense",
        ]  # fmt: skip
        given = {k: getattr(self, k) for k in names}
        return replace(
            self, **{k: np.ones(n) if v is None else np.asarray(v, float) for k, v in given.items()}
        )


def roller_half_length(wheel_radius: float, mid_radius: float, rollers: int) -> float:
    """Long semi-axis that puts the hand-over point of two ellipsoids on the wheel's radius. [m]

    At wheel angle p from mid-roller the lowest point lies at D cos p + h under the axle, D the
    distance of the roller's centre, h = sqrt(r^2 + (L^2 - r^2) sin^2(p) / 2) the ellipsoid's
    support function for an axis at 45 degrees. Solved for L at p = pi / rollers.
    """
    p = np.pi / rollers
    h = wheel_radius - (wheel_radius - mid_radius) * np.cos(p)
    return float(np.sqrt(mid_radius**2 + 2 * (h**2 - mid_radius**2) / np.sin(p) ** 2))


def _mjcf(base: Base, faults: Faults, phase: Array) -> str:
    n = len(base.wheels)
    scale, handed = faults.radius_scale, faults.handed
    assert scale is not None and handed is not None
    wheel_mass = base.hub_mass + base.rollers * base.roller_mass
    # The chassis takes the shift, so that the *whole* base has the asked centre of mass.
    share = base.mass / base.chassis_mass
    cx, cy = share * faults.cg_dx, share * faults.cg_dy
    axle = base.radius * float(scale.mean())
    cz = (base.mass * base.centre_height - n * wheel_mass * axle) / base.chassis_mass - axle
    ixx, iyy = 0.45 * base.chassis_izz, 0.65 * base.chassis_izz
    body, pairs = [], []
    for i, w in enumerate(base.wheels):
        big = base.radius * scale[i]
        mid = big * base.roller_radius_share
        length = roller_half_length(big, mid, base.rollers)
        hub_i = 0.5 * base.hub_mass * (0.7 * big) ** 2
        body.append(
            f'<body name="{w}" pos="{base.x[i]} {base.y[i]} 0">'
            f'<joint name="{w}" type="hinge" axis="0 1 0" armature="{base.motor.rotor_inertia}"/>'
            f'<inertial pos="0 0 0" mass="{base.hub_mass}" '
            f'diaginertia="{0.7 * hub_i} {hub_i} {0.7 * hub_i}"/>'
        )
        for k in range(base.rollers):
            th = phase[i] + 2 * np.pi * k / base.rollers
            g = handed[i] * base.lean[i] * np.pi / 4
            d = big - mid
            cy2, sy2, cz2, sz2 = np.cos(th / 2), np.sin(th / 2), np.cos(g / 2), np.sin(g / 2)
            quat = (
                cy2 * cz2,
                sy2 * sz2,
                sy2 * cz2,
                cy2 * sz2,
            )  # turn by g about z, then th about y
            spin = 0.4 * base.roller_mass * mid**2
            along = 0.08 * base.roller_mass * (2 * 0.6 * length) ** 2
            body.append(
                f'<body pos="{-d * np.sin(th)} 0 {-d * np.cos(th)}" '
                f'quat="{quat[0]} {quat[1]} {quat[2]} {quat[3]}">'
                f'<joint name="{w}.{k}" type="hinge" axis="1 0 0" armature="{spin}"/>'
                f'<inertial pos="0 0 0" mass="{base.roller_mass}" '
                f'diaginertia="{spin} {along} {along}"/>'
                f'<geom name="{w}.{k}" type="ellipsoid" size="{length} {mid} {mid}"/></body>'
            )
            pairs.append(
                f'<pair geom1="floor" geom2="{w}.{k}" condim="3" '
                f'friction="{faults.mu} {faults.mu} 0.005 0.0001 0.0001" '
                'solimp="0.3 0.3 0.001 0.5 2" solref="-1 -1" solreffriction="-1 -1"/>'
            )
        body.append("</body>")
    gx, gy = GRAVITY * np.sin(faults.tilt_x), GRAVITY * np.sin(faults.tilt_y)
    gz = np.sqrt(GRAVITY**2 - gx**2 - gy**2)
    return f"""<mujoco><compiler autolimits="true" boundmass="0" boundinertia="0"/>
<option timestep="{STEP}" integrator="implicitfast" cone="elliptic" impratio="1"
  gravity="{-gx} {-gy} {-gz}" solver="Newton" iterations="40" ls_iterations="20" tolerance="1e-9"/>
<size memory="8M"/>
<default><geom contype="0" conaffinity="0"/></default>
<worldbody><geom name="floor" type="plane" size="0 0 1"/>
<body name="chassis" pos="0 0 {axle}"><freejoint/>
<inertial pos="{cx} {cy} {cz}" mass="{base.chassis_mass}" diaginertia="{ixx} {iyy} {base.chassis_izz}"/>
{"".join(body)}</body></worldbody><contact>{"".join(pairs)}</contact></mujoco>"""


class Simulation:
    """The moving base. `advance` takes the motor voltages and moves on by one `TICK`.

    Parameters
    ----------
    base : Base
    faults : Faults
    phase : array_like, shape (n_wheels,)
        Angle of the first roller of each wheel at the start. [rad]
    step : float
        Step of the engine. [s]
    """

    def __init__(self, base: Base, faults: Faults, phase: Array, step: float = STEP) -> None:
        n, m = len(base.wheels), base.rollers
        self.base, self.faults, self.n = base, faults.filled(n), n
        self.model = mujoco.MjModel.from_xml_string(_mjcf(base, self.faults, phase))
        self.model.opt.timestep = step
        self.h = step
        self.data = mujoco.MjData(self.model)
        mo, c = self.model, base.contact
        self.substeps = max(1, round(TICK / step))
        # Six freedoms of the chassis, then each wheel followed by its rollers.
        self.wheel_dof = 6 + np.arange(n) * (m + 1)
        self.wheel_qpos = self.wheel_dof + 1
        assert [mo.joint(i + 1).name for i in self.wheel_dof - 6] == list(base.wheels)
        self.shape = (n, m + 1)
        self.wheel_of = np.repeat(np.arange(n), m)
        self.pair_of_geom = np.full(mo.ngeom, -1)
        self.pair_of_geom[mo.pair_geom2] = np.arange(mo.npair)
        assert np.array_equal(self.pair_of_geom[1:], np.arange(mo.npair)), "one pair a roller"
        self.x, self.y = np.array(base.x), np.array(base.y)

        f, mot = self.faults, base.motor
        assert f.motor_strength is not None and f.motor_sense is not None
        assert f.torque_gain is not None and f.axle_friction is not None
        assert f.roller_drag is not None
        self.resistance = mot.resistance / f.motor_strength
        self.kt = mot.torque_per_ampere * f.torque_gain
        self.back_emf = self.kt * mot.volts_per_rad_s / self.resistance
        self.volts_to_torque = self.kt / self.resistance * f.motor_sense
        self.axle_constant = c.axle_constant * f.axle_friction
        self.axle_per_load = c.axle_per_load * f.axle_friction + c.wheel_tyre_per_load
        drag = f.roller_drag[:, None]
        self.bearing_constant = c.bearing_constant * drag
        self.roller_per_load = c.bearing_per_load * drag + c.tyre_per_load

        self._settle_contacts()

    def _settle_contacts(self) -> None:
        """Learn the engine's own scale of each wheel's contacts, then let the base settle."""
        mo, da, c = self.model, self.data, self.base.contact
        load = self.base.mass / self.n
        self.mean_load = load * GRAVITY
        self.damping = 2 * c.damping_ratio * np.sqrt(c.stiffness * load)
        self.pair_load = np.full((self.n, self.base.rollers), self.mean_load)
        self.wheel_load = np.full(self.n, self.mean_load)
        self.touching = np.zeros((self.n, self.base.rollers))
        self.touching_flat = self.touching.reshape(-1)
        self.stiffness_row = np.array([-c.stiffness, -self.damping])
        da.qpos[2] -= 0.002  # into the floor, so that the lowest rollers report their scale
        mujoco.mj_forward(mo, da)
        scale = np.zeros(self.n)
        con = da.contact
        for g, a in zip(np.asarray(con.geom)[:, 1], np.asarray(con.efc_address), strict=True):
            scale[self.wheel_of[self.pair_of_geom[g]]] = (
                da.efc_R[a] * 0.3 / 0.7
            )  # R = A (1 - d) / d, d = 0.3
        assert scale.min() > 0, "a wheel does not touch the floor"
        self.contact_scale = scale[:, None]  # [1/kg]
        self.mean_scale = float(scale.mean())
        da.qpos[2] += 0.002 - self.mean_load / c.stiffness
        for _ in range(round(0.4 / TICK)):
            self.advance(np.zeros(self.n))
        da.qpos[0:2] = 0
        da.qpos[3:7] = [1, 0, 0, 0]
        da.qvel[:] = 0
        da.time = 0.0

    def _set_contacts(self, speed: Array) -> None:
        """Give the engine this step's creep law and contact stiffness.

        The engine's friction row reads R f = b v for a steady slip speed v. Wanted is
        v = creep x rolling speed x f / load; with b fixed at what the step can resolve
        (half of 1/step), R = b creep V / load follows. The engine ties R of the normal row to it
        by its `impratio`, which is set so that the normal row stays soft; stiffness and damping
        are scaled by that R, so that they stay the given ones in newtons.
        """
        mo, c = self.model, self.base.contact
        rate = 0.5 / self.h
        rolling = np.maximum(speed, CREEP_SPEED_FLOOR) * (rate * c.creep)
        # Softest where the engine's added mass of a contact, 1 / (1 - d), stays near one.
        ratio = max(
            1.0, NORMAL_SOFTNESS * self.mean_scale * self.mean_load * self.n / rolling.sum()
        )
        mo.opt.impratio = ratio
        rolling *= ratio
        normal = rolling[:, None] / self.pair_load
        share = self.contact_scale / (self.contact_scale + normal)  # the engine's impedance d
        normal *= share
        flat = share.reshape(-1, 1)
        mo.pair_solimp[:, :2] = flat
        np.multiply(normal.reshape(-1, 1), self.stiffness_row, out=mo.pair_solref)
        np.multiply(flat, -rate, out=mo.pair_solreffriction)

    def advance(self, volts: Array) -> None:
        """Move on by one `TICK` with these voltages at the motor drivers, shape (n,). [V]"""
        mo, da = self.model, self.data
        q = da.qvel
        vx, vy, wz = q[0], q[1], q[5]  # world velocities of the geometric centre
        w, _, _, z = da.qpos[3:7]
        s2, c2 = 2 * w * z, 1 - 2 * z * z
        rx, ry = c2 * self.x - s2 * self.y, s2 * self.x + c2 * self.y
        hub_x, hub_y = vx - wz * ry, vy + wz * rx
        speed = np.sqrt(hub_x * hub_x + hub_y * hub_y)
        self._set_contacts(speed)

        # Friction of a roller on the floor goes in as a torque, which the contact solver sees: its
        # inertia is then that of the base. A light roller in the air needs it as implicit damping.
        joints = q[6:].reshape(self.shape)
        spin = joints[:, 1:]
        force = da.qfrc_applied
        torque = force[6:].reshape(self.shape)
        aloft = self.touching <= 0
        drag = self.roller_per_load * self.touching
        drag += self.bearing_constant
        sense = spin * (-1 / ROLLER_STILL)
        np.minimum(np.maximum(sense, -1.0, out=sense), 1.0, out=sense)
        sense *= drag
        sense[aloft] = 0.0
        torque[:, 1:] = sense
        drag /= np.maximum(np.abs(spin), ROLLER_STILL)
        drag *= aloft
        mo.dof_damping[6:].reshape(self.shape)[:, 1:] = drag
        omega = joints[:, 0]
        sense = np.minimum(np.maximum(omega * (-1 / WHEEL_STILL), -1.0), 1.0)
        torque[:, 0] = (
            self.volts_to_torque * volts
            - self.back_emf * omega
            + sense * (self.axle_constant + self.axle_per_load * self.wheel_load)
        )
        k = self.wheel_load / np.maximum(speed, 0.01)
        k *= -self.base.contact.floor_drag
        fx, fy = k * hub_x, k * hub_y
        force[0], force[1] = fx.sum(), fy.sum()
        force[5] = rx @ fy - ry @ fx

        mujoco.mj_step(mo, da, self.substeps)

        con = da.contact
        touching = self.touching
        touching.fill(0.0)
        # Geom 0 is the floor, then come the rollers in order.
        self.touching_flat[con.geom[:, 1] - 1] = da.efc_force[con.efc_address]
        # A roller that touches down starts from a tenth of the load, so creep stays finite.
        load = np.maximum(touching, 0.1 * self.mean_load)
        load -= self.pair_load
        load *= LOAD_FILTER
        self.pair_load += load
        self.wheel_load = touching.sum(1)

    def current(self, volts: Array) -> Array:
        """Motor currents as the drivers see them, shape (n,). [A]"""
        sense = self.faults.motor_sense
        emf = self.base.motor.volts_per_rad_s * self.data.qvel[self.wheel_dof]
        return np.asarray((volts - sense * emf) / self.resistance)
