"""The glossary of channels, their units, and the recognition of column names.

A column is recognised only where its name says what it is. What is ambiguous is asked for in
words that tell the user what to write into the robot file; nothing is guessed.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from analyzer.robot import Robot

UNITS: dict[str, tuple[str, float]] = {
    "s": ("time", 1.0),
    "ms": ("time", 1e-3),
    "us": ("time", 1e-6),
    "µs": ("time", 1e-6),
    "ns": ("time", 1e-9),
    "count": ("count", 1.0),
    "counts": ("count", 1.0),
    "tick": ("count", 1.0),
    "ticks": ("count", 1.0),
    "rad": ("angle", 1.0),
    "deg": ("angle", math.pi / 180),
    "°": ("angle", math.pi / 180),
    "turn": ("angle", 2 * math.pi),
    "rad/s": ("rate", 1.0),
    "deg/s": ("rate", math.pi / 180),
    "dps": ("rate", math.pi / 180),
    "rpm": ("rate", 2 * math.pi / 60),
    "rad/min": ("rate", 1 / 60),
    "turn/s": ("rate", 2 * math.pi),
    "m": ("length", 1.0),
    "cm": ("length", 1e-2),
    "mm": ("length", 1e-3),
    "m/s": ("speed", 1.0),
    "cm/s": ("speed", 1e-2),
    "mm/s": ("speed", 1e-3),
    "m/s^2": ("acceleration", 1.0),
    "m/s²": ("acceleration", 1.0),
    "m/s2": ("acceleration", 1.0),
    "g": ("acceleration", 9.80665),
    "mg": ("acceleration", 9.80665e-3),
    "A": ("current", 1.0),
    "mA": ("current", 1e-3),
    "V": ("voltage", 1.0),
    "mV": ("voltage", 1e-3),
    "1": ("share", 1.0),
    "%": ("share", 0.01),
}
"""Unit as written: dimension and factor to SI (NIST SP 811; standard gravity ISO 80000-3)."""

WHEEL_DIMENSION = {
    "count": "count",
    "omega": "rate",
    "target": "rate",
    "power": "share",
    "volt": "voltage",
    "current": "current",
}
BODY_DIMENSION = {
    "t": "time",
    "cmd_v_x": "speed",
    "cmd_v_y": "speed",
    "cmd_omega_z": "rate",
    "omega_x": "rate",
    "omega_y": "rate",
    "omega_z": "rate",
    "f_x": "acceleration",
    "f_y": "acceleration",
    "f_z": "acceleration",
    "yaw": "angle",
    "ref_x": "length",
    "ref_y": "length",
    "ref_yaw": "angle",
    "ref_v_x": "speed",
    "ref_v_y": "speed",
    "ref_omega_z": "rate",
    "battery": "voltage",
}
SUFFIXES = {
    "ms": "ms",
    "us": "us",
    "ns": "ns",
    "s": "s",
    "sec": "s",
    "msec": "ms",
    "deg": "deg",
    "degrees": "deg",
    "rad": "rad",
    "dps": "deg/s",
    "rpm": "rpm",
    "radps": "rad/s",
    "mps": "m/s",
    "g": "g",
    "m": "m",
    "mm": "mm",
    "cm": "cm",
    "ma": "mA",
    "mv": "mV",
    "a": "A",
    "v": "V",
    "ticks": "count",
    "counts": "count",
}
PAIRS = {
    ("m", "s"): "m/s",
    ("mm", "s"): "mm/s",
    ("rad", "s"): "rad/s",
    ("deg", "s"): "deg/s",
    ("m", "s2"): "m/s^2",
}
CORNERS = {
    "FL": ({"fl", "lf", "frontleft", "leftfront"}, {"front", "left"}),
    "FR": ({"fr", "rf", "frontright", "rightfront"}, {"front", "right"}),
    "RL": ({"rl", "bl", "lb", "backleft", "rearleft", "leftback", "leftrear"}, {"left"}),
    "RR": ({"rr", "br", "rb", "backright", "rearright", "rightback", "rightrear"}, {"right"}),
}
AXIS = {"x": "x", "y": "y", "z": "z"}


WORDS = {
    "recording": "All channels logged in one sitting, each at its own rate and clock, as read.",
    "run": "A recording brought onto one clock, in SI units and in the robot's frame.",
    "pass": "One movement of one kind at about one speed, from standstill to standstill. Passes are "
    "what is counted: two hundred samples of one pass are one observation.",
    "hard start": "A short sideways pass with full acceleration: it shows where the mass sits, and "
    "is left out of the drift figures.",
    "yaw drift": "Heading change per metre of a sideways pass; anticlockwise is positive.",
    "rolled": "The part of the yaw drift that the wheels themselves turned.",
    "slipped": "The part of the yaw drift that the floor did not follow: heading change less what "
    "the wheels rolled.",
    "closure": "Path of the two front wheels less that of the two rear wheels, per metre. Rolling "
    "forbids it, so what is not zero slipped, whatever the reference says.",
    "creep": "How far the base strays ahead (positive) or astern per metre sideways.",
    "arc radius": "Radius of the circle that a sideways pass follows; the larger, the straighter.",
    "slip ratio": "How much farther a wheel rolled than the base moved, as a share; driving is "
    "positive (SAE J670 sense).",
    "sideways ratio": "Sideways way really made over the way the wheels claim.",
    "effective radius": "Wheel radius that turns the wheels' turning into the way really made.",
    "relative radius": "Radius of one wheel over the mean of all wheels.",
    "yaw lever": "Length that turns wheel speed into turning: half the wheelbase plus half the "
    "track for rollers that lean the right way.",
    "roller lean": "Which way the rollers slant. Seen from above a right base shows an X.",
    "rotation sense": "Whether a wheel and its encoder count the same way round as the others.",
    "centre of mass": "Where the base balances; x ahead and y left of the middle of the wheels.",
    "yaw inertia": "Resistance of the base to being spun up about its vertical axis.",
    "drive mode": "power: each motor gets a duty or a voltage. wheel_speed: each wheel's speed is "
    "controlled. It decides where a fault shows.",
    "reference": "A pose that does not come from the driven wheels: free tracking wheels, a camera, "
    "a tape.",
    "as the wheels rolled": "Where the base would have gone had no wheel slipped.",
    "probability": "How sure the analysis is of this single cause. Two causes at once show as two "
    "high entries.",
    "95 % interval": "Nineteen times in twenty the true value lies in this range.",
    "direction-odd": "The part that changes sign between left and right: (left − right) / 2.",
    "wheel factors": "Numbers that multiply each wheel's target or power, so that unequal wheels cover "
    "the same way.",
    "stiffness": "How much more a wheel's rollers or axle drag than those of the other wheels.",
    "load": "Share of the weight that stands on a wheel, from the centre of mass.",
}
"""Words of the project and what they mean, for help texts."""

MEANING = {
    "t": "time",
    "count": "encoder count, adding up",
    "omega": "wheel speed",
    "target": "wheel speed asked for",
    "power": "duty given to the motor, −1 to 1",
    "volt": "voltage at the motor",
    "current": "motor current",
    "cmd_v_x": "speed ahead asked for",
    "cmd_v_y": "speed to the left asked for",
    "cmd_omega_z": "yaw rate asked for",
    "omega_x": "roll rate of the gyro",
    "omega_y": "pitch rate of the gyro",
    "omega_z": "yaw rate of the gyro, anticlockwise",
    "f_x": "accelerometer, ahead",
    "f_y": "accelerometer, left",
    "f_z": "accelerometer, up",
    "yaw": "heading of the inertial sensor",
    "ref_x": "reference position ahead",
    "ref_y": "reference position left",
    "ref_yaw": "reference heading",
    "ref_v_x": "reference speed ahead",
    "ref_v_y": "reference speed left",
    "ref_omega_z": "reference yaw rate",
    "battery": "battery voltage",
}
"""Channel, or what stands before the wheel's name, and what it means."""


def meaning_of(channel: str) -> str:
    """Say in words what a channel is.

    Parameters
    ----------
    channel : str
        Channel name.

    Returns
    -------
    str
        Words, with the wheel where it is one's; "" for an unknown channel.
    """
    if channel in MEANING:
        return MEANING[channel]
    stem, _, wheel = channel.partition("_")
    return f"{MEANING[stem]} of {wheel}" if stem in WHEEL_DIMENSION else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """What a column name says.

    Attributes
    ----------
    channel : str
        Channel; "" where the column is not used.
    unit : str
        Unit; "" where the name does not say one.
    why : str
        Reason, or the question to the user.
    asks : bool
        Whether the user has to say more before this column can be used.
    """

    channel: str
    unit: str = ""
    why: str
    asks: bool = False


def dimension_of(channel: str) -> str:
    """Dimension of a channel.

    Parameters
    ----------
    channel : str
        Channel name such as ``omega_FL`` or ``ref_yaw``.

    Returns
    -------
    str
        Dimension as in `UNITS`; "" for an unknown channel.
    """
    if channel in BODY_DIMENSION:
        return BODY_DIMENSION[channel]
    return WHEEL_DIMENSION.get(channel.split("_", 1)[0], "") if "_" in channel else ""


def unit_factor(channel: str, unit: str) -> float | None:
    """Factor from `unit` to the SI unit of `channel`.

    Parameters
    ----------
    channel, unit : str
        Channel and unit as written.

    Returns
    -------
    float or None
        Factor; None where the unit is unknown or of another dimension.
    """
    found = UNITS.get(unit) or UNITS.get(unit.strip().lower())
    if found is None or found[0] != dimension_of(channel):
        return None
    return found[1]


def units_for(channel: str) -> str:
    """List the units a channel may have.

    Parameters
    ----------
    channel : str
        Channel name.

    Returns
    -------
    str
        Units, separated by commas.
    """
    wanted = dimension_of(channel)
    return ", ".join(u for u, (d, _) in UNITS.items() if d == wanted)


def tokens_of(name: str) -> list[str]:
    """Split a column name into lower-case words.

    Parameters
    ----------
    name : str
        Column name: snake, camel, dotted or spaced.

    Returns
    -------
    list of str
        Words; digits stay with the letters before them.
    """
    spaced = re.sub(r"([a-z0-9])([A-Z])", r"\1 \2", name)
    spaced = re.sub(r"([A-Z]+)([A-Z][a-z])", r"\1 \2", spaced)
    return [w for w in re.split(r"[^a-z0-9²°µ/]+", spaced.lower()) if w]


def _unit_suffix(words: list[str]) -> tuple[str, list[str], float]:
    """Unit that the last words of a name say, the words before it, and a scaling."""
    scale = 1.0
    if words and words[-1] in {"milli", "centi"}:
        scale = 1e-3 if words[-1] == "milli" else 1e-2
        words = words[:-1]
    for length, table in ((2, PAIRS),):
        if len(words) > length and tuple(words[-length:]) in table:
            return table[tuple(words[-length:])], words[:-length], scale  # type: ignore[index]
    if (
        len(words) > 1
        and words[-1] in SUFFIXES
        and not (
            words[-1] in {"a", "v", "g", "m", "s"}
            and len(words[-2]) == 1
            and words[-2] not in "xyz"
        )
    ):
        return SUFFIXES[words[-1]], words[:-1], scale
    return "", words, scale


def find_wheel(words: list[str], name: str, robot: Robot | None) -> tuple[str, list[str]]:
    """Find the wheel that a column name speaks of.

    Parameters
    ----------
    words : list of str
        Words of the name.
    name : str
        The name itself, for joints in brackets.
    robot : Robot or None
        Robot whose wheels are meant; FL, FR, RL, RR without one.

    Returns
    -------
    wheel : str
        Name in the robot file; "" where none is named.
    rest : list of str
        The other words.
    """
    names = ("FL", "FR", "RL", "RR") if robot is None else robot.wheel_names
    for wheel in names:
        own = tokens_of(wheel) if len(wheel) > 2 else [wheel.lower()]
        joined = "".join(own)
        if joined in words:
            return wheel, [w for w in words if w != joined]
        if len(own) > 1 and all(w in words for w in own):
            return wheel, [w for w in words if w not in own]
    for corner, (short, long) in CORNERS.items():
        hit = [w for w in words if w in short]
        used = set(hit[:1])
        if not hit:
            side = long <= set(words)
            rear = bool({"rear", "back"} & set(words))
            if corner in {"RL", "RR"}:
                side = side and rear
            if not side:
                continue
            used = long | {"rear", "back"}
        wheel = _wheel_at(corner, robot)
        if wheel:
            return wheel, [w for w in words if w not in used]
    return "", words


def _wheel_at(corner: str, robot: Robot | None) -> str:
    if robot is None or corner in robot.wheel_names:
        return corner
    if len(robot.wheel_names) != 4:
        return ""
    ahead, left = corner[0] == "F", corner[1] == "L"
    at = [
        n
        for n, x, y in zip(robot.wheel_names, robot.x, robot.y, strict=True)
        if (x > 0) == ahead and (y > 0) == left
    ]
    return at[0] if len(at) == 1 else ""


TIME_WORDS = {"t", "time", "timestamp", "stamp", "msec", "millis", "micros", "rosbag"}
REFERENCE = {"ref", "reference", "pose", "mocap", "truth", "gt", "tracker", "camera", "marker"}
COMMAND = {"cmd", "command", "sp", "setpoint", "set", "target", "desired", "des", "commanded"}
MESSAGE = {"field", "header", "pose", "twist", "linear", "angular", "vector", "data", "msg"}


def recognise(name: str, robot: Robot | None) -> Taken:
    """Say what a column holds, from its name alone.

    Parameters
    ----------
    name : str
        Column name.
    robot : Robot or None
        Robot whose wheels are meant.

    Returns
    -------
    Taken
        Channel and unit, or the question that decides.
    """
    words = tokens_of(name)
    if not words:
        return Taken(channel="", why="no name")
    unit, core, scale = _unit_suffix(words)
    joined = " ".join(core)
    bag = "/" in name or "." in name
    if "seq" in core or "frame" in core or "covariance" in joined or "std" in core:
        return Taken(channel="", why="not a measurement")
    if "stamp" in core and bag:
        return Taken(channel="t", unit=unit or "stamp", why="stamp of the message header")
    if set(core) <= TIME_WORDS | {"relative", "unix", "host", "ros", "elapsed", "loop"} and set(
        core
    ) & (TIME_WORDS | {"relative", "unix"}):
        return Taken(channel="t", unit=_time_unit(words, unit), why="name of a clock")
    wheel, rest = find_wheel(core, name, robot)
    if wheel:
        return _of_wheel(name, wheel, rest, unit, scale, words)
    numbered = re.search(r"(?:^|[^a-z])(?:m|motor|w|wheel|enc|encoder|u|pwm)[ _]*([1-8])", joined)
    ordinal = re.search(r"([1-8])(?:st|nd|rd|th)? motor", joined)
    if numbered or ordinal:
        number = (numbered or ordinal).group(1)  # type: ignore[union-attr]
        return Taken(
            channel="",
            why=f"which wheel is number {number}? Map it in the robot file under [channels]",
            asks=True,
        )
    return _of_body(name, core, unit, bag)


def _time_unit(words: list[str], unit: str) -> str:
    if unit in {"s", "ms", "us", "ns"}:
        return unit
    if words[-1] in {"msec", "millis"}:
        return "ms"
    return "us" if words[-1] == "micros" else ""


def _of_wheel(
    name: str, wheel: str, rest: list[str], unit: str, scale: float, words: list[str]
) -> Taken:
    said = set(rest)
    scaled = "" if scale == 1.0 else f"*{scale:g}"
    if words[-1] == "rpm" or unit == "rpm":
        unit = "rpm"
    if said & {"mw", "ff", "err", "error", "temp", "temperature", "state", "id"} or "mw" in words:
        return Taken(channel="", why="not a channel of this analysis")
    if said & COMMAND:
        if unit or scaled:
            return (
                Taken(channel=f"target_{wheel}", unit=(unit or "rad/s") + scaled, why="name")
                if unit
                else Taken(
                    channel="",
                    why=f"target of {wheel}: give its unit (rad/s, rpm) in the robot file",
                    asks=True,
                )
            )
        return Taken(channel=f"target_{wheel}", unit="", why="name")
    if said & {"pwm", "duty", "power", "pow", "effort"}:
        return Taken(channel=f"power_{wheel}", unit="", why="name")
    if said & {"cur", "current", "amp", "amps", "amperes", "i"} or unit in {"A", "mA"}:
        return Taken(channel=f"current_{wheel}", unit=unit or "A", why="name")
    if said & {"volt", "volts", "voltage", "u"} or unit in {"V", "mV"}:
        return Taken(channel=f"volt_{wheel}", unit=unit or "V", why="name")
    if unit in {"rpm", "rad/s", "deg/s"}:
        return Taken(channel=f"omega_{wheel}", unit=unit + scaled, why="name and unit")
    if unit == "count" or said & {"ticks", "tick", "count", "counts", "enc", "encoder"}:
        return Taken(channel=f"count_{wheel}", unit="count", why="name")
    if said & {"vel", "velocity", "speed", "omega", "measured", "w"}:
        return Taken(channel=f"omega_{wheel}", unit=unit, why="name")
    if said & {"pos", "position"}:
        return Taken(channel=f"count_{wheel}", unit=unit or "", why="name")
    return Taken(
        channel="",
        why=f"speaks of wheel {wheel}, but of what? Map it in the robot file under [channels]",
        asks=True,
    )


def _of_body(name: str, core: list[str], unit: str, bag: bool) -> Taken:
    said = set(core)
    last = core[-1]
    joined = "".join(core)
    topic = name.rsplit(".", 1)[0].lower() if bag else ""
    if "quaternion" in said or "orientation" in said:
        return Taken(channel="", why="part of an orientation")
    if said & COMMAND or "cmd" in topic:
        axis = _twist_axis(core)
        if axis:
            return Taken(channel=f"cmd_{axis}", unit=unit, why="name of a commanded twist")
    if (
        said & {"gyro", "gyroscope"}
        or "angular velocity" in " ".join(core)
        or (
            re.fullmatch(r"g[xyz]|gyro[xyz]|w ?[xyz]", joined)
            and (joined[0] == "g" or ("_" in name and unit))
        )
    ):
        axis = last[-1] if last[-1] in AXIS else ""
        if axis:
            default = "rad/s" if bag and "angular" in said else unit
            return Taken(channel=f"omega_{axis}", unit=unit or default, why="name of a gyro axis")
    if (core[0] == "omega" and last in AXIS) or joined in {"omegax", "omegay", "omegaz"}:
        return Taken(channel=f"omega_{joined[-1]}", unit=unit, why="name of a gyro axis")
    if (
        said & {"acc", "accel", "acceleration", "accelerometer"}
        or re.fullmatch(r"a[xyz]|acc[xyz]|accel[xyz]|f[xyz]", joined)
    ) and last[-1] in AXIS:
        default = "m/s^2" if bag and "linear" in said else unit
        return Taken(
            channel=f"f_{last[-1]}", unit=unit or default, why="name of an accelerometer axis"
        )
    if said & {"odom", "est", "estimate", "estimated", "odometry"} and not bag:
        return Taken(
            channel="",
            why="an odometry of the wheels is no reference; if it comes from free tracking wheels "
            "or another sensor, map it to ref_x, ref_y, ref_yaw in the robot file",
        )
    if said & REFERENCE or (joined in {"xm", "ym", "x", "y"} and unit in {"m", "mm", "cm"}):
        if last in {"x", "y"}:
            default = "m" if bag else unit
            return Taken(channel=f"ref_{last}", unit=unit or default, why="name of a pose")
        if last in {"yaw", "theta", "heading", "phi"}:
            return Taken(channel="ref_yaw", unit=unit, why="name of a pose")
    if joined in {"yaw", "heading", "yawfused", "imuyaw", "imuheading"} or (
        last in {"yaw", "heading"} and said & {"imu", "fused"}
    ):
        return Taken(channel="yaw", unit=unit, why="name of a heading")
    if said & {"battery", "vbat", "batt"}:
        return Taken(channel="battery", unit=unit or "V", why="name")
    if joined in {"x", "y", "theta", "psi", "alpha", "phi", "wz", "vx", "vy", "w", "angle"}:
        return Taken(
            channel="",
            why=f"{name!r} can be several things (commanded, measured, by wheels or by reference); "
            "map it in the robot file under [channels] if it matters",
            asks=True,
        )
    return Taken(channel="", why="not a channel of this analysis")


def _twist_axis(core: list[str]) -> str:
    joined = "".join(w for w in core if w not in COMMAND | {"twist", "field", "msg", "vel"})
    if re.fullmatch(r"(linear)?v?x|vbx|linearx", joined):
        return "v_x"
    if re.fullmatch(r"(linear)?v?y|vby|lineary", joined):
        return "v_y"
    if re.fullmatch(r"(angular)?(w|omega)?_?z|wb|w|omega|wz|angularz|yawrate", joined):
        return "omega_z"
    return ""
