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
    "mrad": ("angle", 1e-3),
    "turn": ("angle", 2 * math.pi),
    "rev": ("angle", 2 * math.pi),
    "rad/s": ("rate", 1.0),
    "deg/s": ("rate", math.pi / 180),
    "dps": ("rate", math.pi / 180),
    "rpm": ("rate", 2 * math.pi / 60),
    "rad/min": ("rate", 1 / 60),
    "mrad/s": ("rate", 1e-3),
    "1/min": ("rate", 2 * math.pi / 60),
    "turn/s": ("rate", 2 * math.pi),
    "rev/s": ("rate", 2 * math.pi),
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
    "angle": "angle",
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
    "msec": "ms",
    "millis": "ms",
    "us": "us",
    "usec": "us",
    "micros": "us",
    "ns": "ns",
    "s": "s",
    "sec": "s",
    "deg": "deg",
    "degrees": "deg",
    "rad": "rad",
    "radians": "rad",
    "mrad": "mrad",
    "dps": "deg/s",
    "deg/s": "deg/s",
    "rpm": "rpm",
    "radps": "rad/s",
    "rad/s": "rad/s",
    "mps": "m/s",
    "m/s": "m/s",
    "mmps": "mm/s",
    "mm/s": "mm/s",
    "g": "g",
    "mg": "mg",
    "mps2": "m/s^2",
    "ms2": "m/s^2",
    "m": "m",
    "mm": "mm",
    "cm": "cm",
    "px": "px",
    "pix": "px",
    "pixels": "px",
    "ma": "mA",
    "mv": "mV",
    "a": "A",
    "v": "V",
    "amps": "A",
    "volts": "V",
    "ticks": "count",
    "counts": "count",
    "percent": "%",
    "pct": "%",
}
PAIRS = {
    ("m", "s"): "m/s",
    ("mm", "s"): "mm/s",
    ("cm", "s"): "cm/s",
    ("rad", "s"): "rad/s",
    ("rad", "sec"): "rad/s",
    ("deg", "s"): "deg/s",
    ("deg", "sec"): "deg/s",
    ("m", "s2"): "m/s^2",
}
SCALES = {"milli": 1e-3, "centi": 1e-2, "deci": 1e-1, "micro": 1e-6, "x10": 0.1, "x100": 0.01,
          "x1000": 1e-3}  # fmt: skip
"""Last word of a name that says that its whole numbers stand for fractions."""
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
    "phase margin": "How much more lag the loop stands before it sways, as an angle; 45° and more is calm.",
    "gain margin": "By what factor all gains could grow before the base sways.",
    "delay margin": "How much later the heading could come before the base sways.",
    "wheel factors": "Numbers that multiply each wheel's target or power, so that unequal wheels cover "
    "the same way.",
    "stiffness": "How much more a wheel's rollers or axle drag than those of the other wheels.",
    "load": "Share of the weight that stands on a wheel, from the centre of mass.",
}
"""Words of the project and what they mean, for help texts."""

MEANING = {
    "t": "time",
    "count": "encoder count, adding up",
    "angle": "wheel angle, adding up",
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
    scale : float
        Scaling that the name says where it does not say the unit (``_centi``: 0.01).
    """

    channel: str
    unit: str = ""
    why: str
    asks: bool = False
    scale: float = 1.0


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


def parse_unit(unit: str) -> tuple[float, str]:
    """Split a unit with a number before it, such as ``0.01 rad/s`` or ``1.8405 mm``.

    Parameters
    ----------
    unit : str
        Unit as written.

    Returns
    -------
    scale : float
        The number; 1 where there is none.
    base : str
        The unit itself.
    """
    found = re.fullmatch(r"\s*([0-9.]+(?:[eE][-+]?\d+)?)\s*[*·]?\s*(\D.*)", unit)
    if found is None:
        return 1.0, unit.strip()
    try:
        return float(found.group(1)), found.group(2).strip()
    except ValueError:
        return 1.0, unit.strip()


def unit_dimension(unit: str) -> str:
    """Dimension of a unit.

    Parameters
    ----------
    unit : str
        Unit as written, with or without a number before it.

    Returns
    -------
    str
        Dimension as in `UNITS`; "" for an unknown unit.
    """
    base = parse_unit(unit)[1]
    found = UNITS.get(base) or UNITS.get(base.lower())
    return found[0] if found else ""


def unit_factor(channel: str, unit: str) -> float | None:
    """Factor from `unit` to the SI unit of `channel`.

    Parameters
    ----------
    channel, unit : str
        Channel and unit as written, with or without a number before it.

    Returns
    -------
    float or None
        Factor; None where the unit is unknown or of another dimension.
    """
    scale, base = parse_unit(unit)
    found = UNITS.get(base) or UNITS.get(base.lower())
    if found is None or found[0] != dimension_of(channel) or not scale > 0:
        return None
    return scale * found[1]


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
    spaced = re.sub(
        r"(?<![A-Za-z])(mV|mA|mW|kW|kHz)(?![A-Za-z])", lambda m: m.group(1).lower(), name
    )
    spaced = re.sub(r"([a-z0-9])([A-Z])", r"\1 \2", spaced)
    spaced = re.sub(r"([A-Z]+)([A-Z][a-z])", r"\1 \2", spaced)
    words = [w for w in re.split(r"[^a-z0-9²°µ/]+", spaced.lower()) if w]
    return [p for w in words for p in ([w] if w in UNITS else w.split("/")) if p]


def _unit_suffix(words: list[str]) -> tuple[str, list[str], float]:
    """Unit that the last words of a name say, the words before it, and a scaling."""
    scale = 1.0
    words = [w for w in words if w != "per"] if len(words) > 2 else words
    if len(words) > 1 and words[-1] in SCALES:
        scale, words = SCALES[words[-1]], words[:-1]
    unit = ""
    if len(words) > 2 and tuple(words[-2:]) in PAIRS:
        unit, words = PAIRS[words[-2], words[-1]], words[:-2]
    elif (
        len(words) > 1
        and words[-1] in SUFFIXES
        and not (
            words[-1] in {"a", "v", "g", "m", "s"}
            and len(words[-2]) == 1
            and words[-2] not in "xyz"
        )
    ):
        unit, words = SUFFIXES[words[-1]], words[:-1]
        if len(words) > 1 and words[-1] in SCALES:
            scale, words = SCALES[words[-1]], words[:-1]
    if unit and scale != 1.0:
        unit, scale = f"{scale:g} {unit}", 1.0
    return unit, words, scale


def scale_of_name(name: str) -> float:
    """Scaling that the end of a column name says.

    Parameters
    ----------
    name : str
        Column name.

    Returns
    -------
    float
        0.01 for ``_centi`` and so on; 1 where the name says none.
    """
    words = tokens_of(name)
    return SCALES.get(words[-1], 1.0) if len(words) > 1 else 1.0


def _all_wheels(robot: Robot | None) -> tuple[str, ...]:
    if robot is None:
        return ("FL", "FR", "RL", "RR")
    return robot.wheel_names + tuple(w.name for w in robot.tracking_wheels)


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
    for wheel in _all_wheels(robot):
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


TIME_WORDS = {
    "t", "time", "timestamp", "timestamps", "stamp", "msec", "millis", "micros", "rosbag", "datetime",
}  # fmt: skip
TIME_FILLERS = {"relative", "unix", "host", "ros", "elapsed", "loop", "system", "epoch", "step"}
REFERENCE = {"ref", "reference", "pose", "mocap", "truth", "gt", "tracker", "camera", "marker"}
COMMAND = {"cmd", "command", "sp", "setpoint", "set", "target", "desired", "des", "commanded"}
SEEN = {"slam", "amcl", "lidar", "laser", "apriltag", "aruco", "ekf", "kalman", "fused", "vio"}
"""Words of a pose that may or may not come from the wheels."""
ACCELERATION = {"ac", "acc", "accel", "acceleration", "accelerometer"}
WISHED = COMMAND | {"goal", "demand", "request", "requested"}
"""Words of what is asked for, not measured."""
GLOSSARY_UNITS = {
    "count": "count", "angle": "rad", "omega": "rad/s", "target": "rad/s", "current": "A",
    "volt": "V", "power": "",
}  # fmt: skip
NUMBERED = re.compile(
    r"(?:^|[^a-z])(?:m|motor|w|wheel|enc|encoder|u|pwm|vel|speed|velocity|pos|position|cur|current|"
    r"tick|ticks|count|counts|rpm|joint|duty|power|esc|effort|data)[ _]*([0-8])(?![0-9])"
)
ASK_MAP = "map it in the robot file under [channels] if it matters"


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
    head, _, own = name.strip().partition("_")
    wheels = _all_wheels(robot)
    if head in GLOSSARY_UNITS and own in wheels:
        return Taken(channel=f"{head}_{own}", unit=GLOSSARY_UNITS[head], why="name of the glossary")
    unit, core, scale = _unit_suffix(words)
    joined = " ".join(core)
    bag = "/" in name or "." in name
    if "seq" in core or "frame" in core or "covariance" in joined or "std" in core:
        return Taken(channel="", why="not a measurement")
    if bag and core[-1] == "received":
        return Taken(channel="t", unit=unit or "stamp", why="time at which messages were received")
    if "stamp" in core and bag:
        if words[-1] in {"secs", "nsecs", "nsec", "nanosec", "nanosecs"}:
            return Taken(channel="", why="part of a stamp")
        return Taken(channel="t", unit=unit or "stamp", why="stamp of the message header")
    if set(core) <= TIME_WORDS | TIME_FILLERS and set(core) & (TIME_WORDS | {"relative", "unix"}):
        return Taken(channel="t", unit=_time_unit(words, unit), why="name of a clock")
    wheel, rest = find_wheel(core, name, robot)
    if wheel:
        return _of_wheel(wheel, rest, unit, scale, words)
    if re.fullmatch(r".*(encoder|data)", joined) and re.search(r"(^| )(left|right) ", joined + " "):
        return _one_side(core)
    numbered = NUMBERED.search(joined)
    ordinal = re.search(r"([0-8])(?:st|nd|rd|th)? motor", joined)
    if numbered or ordinal:
        number = (numbered or ordinal).group(1)  # type: ignore[union-attr]
        return Taken(
            channel="",
            why=f"which wheel is number {number}? Map it in the robot file under [channels]",
            asks=True,
        )
    if set(core) & {"left", "right"} and (unit == "count" or set(core) & WHEEL_WORDS):
        return _one_side(core)
    return _of_body(name, core, unit, bag, scale)


WHEEL_WORDS = {"ticks", "tick", "count", "counts", "enc", "encoder", "rpm", "wheel", "motor", "pwm"}


NO_SAMPLE = {
    "mw", "ff", "err", "error", "temp", "temperature", "state", "id", "limit", "lim", "max", "min", "fault",
    "status", "flag", "enable", "enabled", "offset", "gain", "kp", "ki", "kd", "errors", "missed", "lost",
    "index", "peak", "overflow", "overflows", "resets", "quality", "valid", "bias",
}  # fmt: skip
"""Words of a column that holds a setting, or nothing that is measured of a motion."""


BATTERY = {
    "battery", "batt", "bat", "vbat", "v", "mv", "volt", "volts", "voltage", "main", "pack", "state", "data",
}  # fmt: skip
"""Words of a column of the whole battery's volts, and no others."""


def _of_battery(name: str, said: set[str], unit: str, bag: bool, scale: float) -> Taken:
    """Volts of the battery: it has a charge, a current, cells and a temperature as well."""
    base = parse_unit(unit)[1]
    volts = bool(said & {"v", "vbat", "volt", "volts", "voltage"}) or base in {"V", "mV"}
    own = set(tokens_of(name.rsplit(".", 1)[-1])) if bag else said
    if own - BATTERY or base not in {"", "V", "mV"}:
        return Taken(channel="", why="not a channel of this analysis")
    if not volts:
        return Taken(channel="", why="volts or charge? Map it in the robot file", asks=True)
    if bag and not unit and scale == 1:
        unit = "V"  # sensor_msgs/BatteryState: voltage in volts
    return Taken(channel="battery", unit=unit, why="name", scale=scale)


def _one_side(core: list[str]) -> Taken:
    side = "left" if "left" in core else "right"
    return Taken(
        channel="",
        why=f"which wheel of the {side} side? Map it in the robot file under [channels]",
        asks=True,
    )


def _time_unit(words: list[str], unit: str) -> str:
    if unit.rsplit(" ", 1)[-1] in {"s", "ms", "us", "ns"}:
        return unit
    if words[-1] in {"msec", "millis"}:
        return "ms"
    return "us" if words[-1] == "micros" else ""


def _of_wheel(wheel: str, rest: list[str], unit: str, scale: float, words: list[str]) -> Taken:
    said = set(rest)
    if words[-1] == "rpm":
        unit = "rpm"
    base = parse_unit(unit)[1]
    if said & NO_SAMPLE or "mw" in words:
        return Taken(channel="", why="not a channel of this analysis")

    def taken(channel: str, unit: str, why: str = "name") -> Taken:
        return Taken(channel=f"{channel}_{wheel}", unit=unit, why=why, scale=scale)

    duty = bool(said & {"pwm", "duty", "power", "pow"})
    amperes = bool(said & {"cur", "current", "amp", "amps", "amperes", "i"}) or base in {"A", "mA"}
    volts = bool(said & {"volt", "volts", "voltage", "u"}) or base in {"V", "mV"}
    if said & (WISHED | {"ref", "reference"}) and not duty:
        if volts:
            why = (
                f"commanded volts: if the motor gets them, map it to volt_{wheel} in the robot file"
            )
            return Taken(channel="", why=why, asks=True)
        if amperes or "torque" in said:
            return Taken(channel="", why="not a channel of this analysis")
        return taken("target", unit)
    if "effort" in said:
        why = "an effort is a torque, a current or a duty; map it in the robot file with its unit"
        return Taken(channel="", why=why, asks=True)
    if duty:
        return taken("power", unit)
    if amperes:
        return taken("current", unit)
    if volts and said & {"bus", "supply", "battery", "batt", "input", "link"}:
        why = f"volts of the supply, not of the motor; one of them can be mapped to battery (wheel {wheel})"
        return Taken(channel="", why=why, asks=True)
    if volts:
        return taken("volt", unit)
    if unit_dimension(unit) in {"rate", "speed"}:
        return taken("omega", unit, "name and unit")
    speed = bool(said & {"vel", "velocity", "speed", "omega", "rate"})
    if unit == "count" or said & {"ticks", "tick", "count", "counts", "enc", "encoder"}:
        if said & {"delta", "diff", "increment", "change"}:
            why = "counts since the row before? Log the counter itself, or add them up"
            return Taken(channel="", why=why, asks=True)
        if not speed:
            return taken("count", unit or "count")
        unit = "" if unit == "count" else unit
    if speed or said & {"measured", "w"}:
        return taken("omega", unit)
    if said & {"pos", "position"}:
        return taken("count", unit)
    return Taken(
        channel="",
        why=f"speaks of wheel {wheel}, but of what? Map it in the robot file under [channels]",
        asks=True,
    )


def _of_body(name: str, core: list[str], unit: str, bag: bool, scale: float) -> Taken:
    said = set(core)
    last = core[-1]
    joined = "".join(core)
    topic = name.rsplit(".", 1)[0].lower() if bag else ""

    def taken(channel: str, why: str, default: str = "") -> Taken:
        return Taken(
            channel=channel, unit=unit or (default if scale == 1 else ""), why=why, scale=scale
        )

    if said & {"quaternion", "orientation", "quat"} or re.search(r"(^|[^a-z])q[xyzw]$", joined):
        return Taken(channel="", why="part of an orientation")
    if said & COMMAND or "cmd" in topic:
        axis = _twist_axis(core)
        if axis:
            message = bag and bool(said & {"linear", "angular"})
            si = "rad/s" if axis == "omega_z" else "m/s"
            return taken(f"cmd_{axis}", "name of a commanded twist", si if message else "")
        if said & {"forward", "strafe", "turn", "rotate", "lateral", "axial"}:
            why = (
                "which speed is commanded, in which unit? Map it to cmd_v_x, cmd_v_y or cmd_omega_z"
            )
            return Taken(channel="", why=why, asks=True)
    if said & WISHED and said & REFERENCE and last in {"x", "y", "yaw", "theta", "heading", "phi"}:
        why = "a pose asked for, or measured? If it is measured, map it to ref_x, ref_y or ref_yaw"
        return Taken(channel="", why=why, asks=True)
    if said & WISHED or said & {"error", "err", "errors", "limit", "bias", "offset"}:
        return Taken(channel="", why="not a channel of this analysis")
    if "twist" in said and last in AXIS and said & {"linear", "angular"}:
        axis = f"v_{last}" if "linear" in said else f"omega_{last}"
        if axis not in {"v_x", "v_y", "omega_z"}:
            return Taken(channel="", why="not a channel of this analysis")
        return Taken(
            channel="",
            why=f"speed that an odometry tells: if it does not come from the wheels, map it to "
            f"ref_{axis} in the robot file",
            asks=True,
        )
    if "imu" in said and core[-1] == "imu":
        last = core[-2] if len(core) > 1 else last  # wz_imu
    way = re.fullmatch(r"(?:g|w|a|f|gyro|gyr|acc|accel)?([xyz])", last)
    if way and (
        said & {"gyro", "gyroscope", "gyr", "gy"}
        or re.search(r"\bang(ular)? vel(ocity)?\b", " ".join(core))
        or ("imu" in said and last[0] == "w")
        or (
            re.fullmatch(r"g[xyz]|gyro[xyz]|w ?[xyz]", joined)
            and (joined[0] == "g" or ("_" in name and (unit or len(core) == 2)))
        )
    ):
        si = "rad/s" if bag and "angular" in said else ""
        return taken(f"omega_{way[1]}", "name of a gyro axis", si)
    if (core[0] == "omega" and last in AXIS) or joined in {"omegax", "omegay", "omegaz"}:
        return taken(f"omega_{joined[-1]}", "name of a gyro axis")
    if said & {"gravity", "world", "global"} and said & ACCELERATION:
        return Taken(channel="", why="not along the base, or not measured")
    if way and (
        said & ACCELERATION
        or ("imu" in said and last[0] == "a")
        or re.fullmatch(r"a[xyz]|acc[xyz]|accel[xyz]|f[xyz]", joined)
    ):
        si = "m/s^2" if bag and "linear" in said else ""
        return taken(f"f_{way[1]}", "name of an accelerometer axis", si)
    if said & {"odom", "est", "estimate", "estimated", "odometry"} and not bag:
        return Taken(
            channel="",
            why="an odometry of the wheels is no reference; if it comes from free tracking wheels "
            "or another sensor, map it to ref_x, ref_y, ref_yaw in the robot file",
            asks=last in {"x", "y", "yaw", "theta", "heading", "phi"},
        )
    if said & {"gps", "gnss"} and last in {"x", "y", "theta", "yaw", "heading"}:
        return Taken(
            channel="",
            why="a satellite position; if it is good to a few mm, map it to ref_x, ref_y, ref_yaw",
            asks=True,
        )
    if {"transform", "translation"} <= said and last in {"x", "y"}:
        if tf_reference(name):
            return taken(f"ref_{last}", "name of a transform to the world", "m")
        return Taken(
            channel="",
            why="a transform between frames; if it places the base in the world, map it to "
            f"ref_{last} in the robot file",
            asks=True,
        )
    rate = _rate_axis(core)
    if rate and "_".join(core) == f"ref_{rate}":
        return taken(f"ref_{rate}", "name of the glossary")
    if rate and said & REFERENCE:
        if rate == "omega_z" and not said & {"ref", "reference"}:
            return taken("ref_omega_z", "name of a yaw rate")
        return Taken(
            channel="",
            why="speed of a reference: asked for or measured, along the room or along the base? If it is "
            f"measured along the base, map it to ref_{rate} in the robot file",
            asks=True,
        )
    if said & REFERENCE:
        place = last in {"x", "y"}
        if place and "orientation" not in said:
            return taken(f"ref_{last}", "name of a pose", "m" if bag else "")
        if last in {"yaw", "theta", "heading", "phi"}:
            return taken("ref_yaw", "name of a pose")
    if joined in {"yaw", "heading", "yawfused", "imuyaw", "imuheading"} or (
        last in {"yaw", "heading"} and said & {"imu", "fused"}
    ):
        return taken("yaw", "name of a heading")
    if said & SEEN and last in {"x", "y", "yaw", "theta", "heading"}:
        why = "a pose? If it does not come from the wheels, map it to ref_x, ref_y, ref_yaw"
        return Taken(channel="", why=why, asks=True)
    if said & {"battery", "batt", "bat", "vbat"}:
        return _of_battery(name, said, unit, bag, scale)
    if joined in BARE or (said & {"pos", "position", "axis"} and said & {"x", "y", "rotational"}):
        return Taken(
            channel="",
            why="can be several things (commanded, measured, by wheels or by reference); "
            + ASK_MAP,
            asks=True,
        )
    return Taken(channel="", why="not a channel of this analysis")


BARE = {
    "x", "y", "theta", "psi", "alpha", "phi", "wz", "vx", "vy", "w", "omega", "angle", "xpos", "ypos",
    "posx", "posy", "ang", "yawrate", "volts", "voltage", "vb", "vbx", "vby", "wb",
}  # fmt: skip
AXIS_FILLERS = {"robot", "speed", "along", "axis", "velocity", "base", "body"}


def tf_reference(name: str) -> bool:
    """Tell whether a transform places the base in a frame that does not come from its wheels.

    Parameters
    ----------
    name : str
        Column name with the frames in brackets, ``[parent>child]``.

    Returns
    -------
    bool
        True for world, map and the like, seen directly from the base.
    """
    found = re.search(r"\[([^>\]]*)>([^\]]*)\]", name)
    if not found:
        return False
    parent, child = (set(tokens_of(p)) for p in found.groups())
    return bool(parent & {"world", "map", "mocap", "earth", "room"}) and not child & {"odom", "map"}


RATE_WORDS = {
    "v", "vx", "vy", "vel", "velocity", "speed", "linear", "omega", "w", "wz", "angular", "rate", "yawrate",
}  # fmt: skip


def _rate_axis(core: list[str]) -> str:
    """Axis of a name that speaks of a speed or a yaw rate; "" where it does not."""
    own = [w for w in core if w not in REFERENCE]
    if own in (["w"], ["omega"]) or not RATE_WORDS & set(own):
        return ""  # bare, they may be a quaternion's part or a wheel's speed
    return _twist_axis(own)


def _twist_axis(core: list[str]) -> str:
    said = set(core)
    skipped = COMMAND | AXIS_FILLERS | {"twist", "field", "msg", "vel"}
    joined = "".join(w for w in core if w not in skipped)
    if re.fullmatch(r"(linear)?v?x|vbx|linearx", joined):
        return "v_x"
    if re.fullmatch(r"(linear)?v?y|vby|lineary", joined):
        return "v_y"
    if re.fullmatch(r"(angular)?(w|omega)?_?z|wb|w|omega|wz|angularz|yawrate|rotational", joined):
        return "omega_z"
    # A topic's own words before the field: /base/cmd_vel.linear.x
    tail = core[-2:]
    if said & COMMAND and tail in (["linear", "x"], ["linear", "y"], ["angular", "z"]):
        return {"x": "v_x", "y": "v_y", "z": "omega_z"}[tail[1]]
    return ""
