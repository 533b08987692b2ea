"""The same estimates as a competent user would script them: pandas, SciPy, statsmodels.

It is the measure of our speed and memory, kept honest: vectorised where a user would, robust where a
user would, with cluster-robust errors instead of loops. It knows this one log by its column names,
checks nothing (no counter overflow, no stuck sensor, no clock but one) and says no causes in words.

Usage: python -m tests.benchmarks.plain LOG.csv
"""

from __future__ import annotations

import sys
from typing import Literal

import numpy as np
import pandas as pd
import statsmodels.api as sm
from scipy import integrate, ndimage, optimize, signal, stats

WHEELS = ("fl", "fr", "rl", "rr")
X = np.array([0.20, 0.20, -0.20, -0.20])
Y = np.array([0.18, -0.18, 0.18, -0.18])
ANGLE = np.radians([-45, 45, 45, -45])
RADIUS, COUNTS, MASS = 0.05, 1440.0, 15.0
KT, KE, OHM = 0.30, 0.30, 1.2
G = 9.80665
TAN = np.tan(ANGLE)
H = np.stack([np.ones(4), TAN, X * TAN - Y], axis=1) / RADIUS
H_INVERSE = np.linalg.pinv(H)
KINDS = ("ahead", "astern", "left", "right", "turn_left", "turn_right")


def read(path: str, engine: Literal["pyarrow", "c"]) -> pd.DataFrame:
    """With Arrow's parser, on all cores, as one who waits would; "c" is what pandas takes by itself."""
    return pd.read_parquet(path) if path.endswith(".parquet") else pd.read_csv(path, engine=engine)


def mean_interval(values: pd.Series | np.ndarray) -> tuple[float, float, float]:
    values = np.asarray(values, float)
    values = values[np.isfinite(values)]
    if values.size < 2:
        return (np.nan,) * 3
    low, high = stats.t.interval(0.95, values.size - 1, values.mean(), stats.sem(values))
    return float(values.mean()), float(low), float(high)


def lag_of(a: np.ndarray, b: np.ndarray, dt: float, most: float) -> float:
    a, b = a - a.mean(), b - b.mean()
    full = signal.correlate(b, a, mode="full", method="fft")
    lags = signal.correlation_lags(b.size, a.size)
    near = np.abs(lags) <= most / dt
    return float(lags[near][np.argmax(full[near])] * dt)


def analyse(path: str, engine: Literal["pyarrow", "c"] = "pyarrow") -> dict:
    log = read(path, engine)
    t = log["time_s"].to_numpy()
    dt = float(np.median(np.diff(t)))
    grid = np.arange(t[0], t[-1], dt)

    def on_grid(name: str, scale: float = 1.0) -> np.ndarray:
        return np.interp(grid, t, log[name].to_numpy(float)) * scale

    width = 0.025 / dt
    angle = np.stack([on_grid(f"{w}_ticks", 2 * np.pi / COUNTS) for w in WHEELS], axis=1)
    speed = ndimage.gaussian_filter1d(np.gradient(angle, dt, axis=0), width, axis=0)
    rolled = speed @ H_INVERSE.T
    gyro = on_grid("gyro_z_dps", np.pi / 180)
    rim = np.abs(speed).max(axis=1) * RADIUS
    still = ndimage.binary_erosion(rim < 0.004, iterations=round(0.1 / dt))
    bias = gyro[still]
    second = round(1.0 / dt)
    blocks = bias[: bias.size // second * second].reshape(-1, second).mean(axis=1)
    gyro = gyro - bias.mean()
    shift = lag_of(rolled[:, 2], gyro, dt, 0.5)
    gyro = np.interp(grid, grid - shift, gyro)
    pose = np.stack(
        [
            on_grid("mocap_x_m"),
            on_grid("mocap_y_m"),
            np.interp(grid, t, np.unwrap(np.radians(log["mocap_yaw_deg"].to_numpy()))),
        ],
        axis=1,
    )
    shift = lag_of(
        rolled[:, 2], np.gradient(ndimage.gaussian_filter1d(pose[:, 2], width), dt), dt, 0.5
    )
    pose = np.stack([np.interp(grid, grid - shift, p) for p in pose.T], axis=1)
    current = np.stack([on_grid(f"{w}_current_a") for w in WHEELS], axis=1)
    volt = np.stack([on_grid(f"{w}_volts_v") for w in WHEELS], axis=1)
    command = np.stack([on_grid(c) for c in ("cmd_vx_m_s", "cmd_vy_m_s", "cmd_wz_rad_s")], axis=1)
    force_x, force_y = on_grid("accel_x_g", G), on_grid("accel_y_g", G)
    turned = integrate.cumulative_trapezoid(gyro, dx=dt, initial=0.0)
    fit = sm.OLS(np.diff(turned[::second]), np.diff(pose[::second, 2])).fit(
        cov_type="HAC", cov_kwds={"maxlags": 5}
    )
    gyro_scale = (float(fit.params[0]), *map(float, fit.conf_int()[0]))
    slow = ndimage.gaussian_filter1d(pose[:, 2] - turned, 1.0 / dt)
    yaw = turned + slow

    # Passes.
    label, count = ndimage.label(rim > 0.012)
    spans = ndimage.find_objects(label)
    rows = []
    owner = np.full(grid.size, -1)
    for (span,) in spans:
        a, b = span.start, min(span.stop, grid.size - 1)
        if (b - a) * dt < 0.35 or rim[a:b].max() < 0.03:
            continue
        ask = command[a:b].mean(axis=0) * (1, 1, 0.27)
        axis = int(np.argmax(np.abs(ask)))
        kind = (("ahead", "astern"), ("left", "right"), ("turn_left", "turn_right"))[axis][
            int(ask[axis] < 0)
        ]
        if axis < 2 and np.abs(ask[1 - axis]) > 0.46 * np.abs(ask[axis]):
            continue  # diagonal
        step = np.diff(pose[a : b + 1, :2], axis=0)
        middle = (yaw[a + 1 : b + 1] + yaw[a:b]) / 2
        turns = angle[b] - angle[a]
        along = np.hypot(rolled[a:b, 0], rolled[a:b, 1]) if axis < 2 else np.abs(rolled[a:b, 2])
        cruise = along > 0.9 * np.quantile(along, 0.75)
        launch = np.diff(along[: max(3, int(np.argmax(cruise)))]).max(initial=0.0) / dt
        owner[a:b] = len(rows)
        first, last = a + np.argmax(cruise), b - np.argmax(cruise[::-1])
        push = [np.nan, np.nan]
        if a < first < last < b:
            push = [f[a:first].mean() - f[last:b].mean() for f in (force_x, force_y)]
        rows.append(
            {
                "kind": kind,
                "start": a,
                "stop": b,
                "speed": np.median(along[cruise]),
                "hard": launch > 1.7 and (b - a) * dt < 2.2 and axis < 2,
                "distance": np.hypot(*(pose[b, :2] - pose[a, :2])),
                "heading": yaw[b] - yaw[a],
                "ahead": np.sum(np.cos(middle) * step[:, 0] + np.sin(middle) * step[:, 1]),
                "left": np.sum(-np.sin(middle) * step[:, 0] + np.cos(middle) * step[:, 1]),
                "closure": RADIUS * (turns @ (1, 1, -1, -1)),
                "push_x": push[0],
                "push_y": push[1],
                **dict(zip(("rolled_x", "rolled_y", "rolled_yaw"), H_INVERSE @ turns, strict=True)),
                **{f"turns_{w}": turns[k] for k, w in enumerate(WHEELS)},
                **{f"current_{w}": current[a:b, k].mean() for k, w in enumerate(WHEELS)},
            }
        )
    passes = pd.DataFrame(rows)
    usual = passes[~passes.hard]
    out: dict = {
        "passes": len(passes),
        "gyro scale": gyro_scale,
        "gyro bias": mean_interval(blocks),
    }

    # Motion, by kind and speed.
    straight = usual[usual.kind.isin(["ahead", "astern", "left", "right"]) & (usual.distance > 0.3)]
    straight = straight.assign(fast=straight.speed > 0.5)
    for (kind, fast), own in straight.groupby(["kind", "fast"]):
        out[f"drift {kind} {fast}"] = mean_interval(np.degrees(own.heading) / own.distance)
        out[f"slipped {kind} {fast}"] = mean_interval(
            np.degrees(own.heading - own.rolled_yaw) / own.distance
        )
        if kind in ("left", "right"):
            out[f"creep {kind} {fast}"] = mean_interval(1e3 * own.ahead / own.distance)
            out[f"closure {kind} {fast}"] = mean_interval(1e3 * own.closure / own.distance)
    sides = straight[straight.kind.isin(["left", "right"])]
    out["sideways ratio"] = mean_interval(sides.left / sides.rolled_y)
    turn_rows = usual[usual.kind.str.startswith("turn")]
    out["yaw lever"] = mean_interval(0.38 * turn_rows.rolled_yaw / turn_rows.heading)
    fore = straight[straight.kind.isin(["ahead", "astern"])]
    sign = np.where(fore.kind == "ahead", 1.0, -1.0)
    out["mounting yaw"] = mean_interval(
        np.degrees(np.arctan2(sign * fore.push_y, sign * fore.push_x))
    )
    for k, w in enumerate(WHEELS):
        robust = sm.RLM(
            (fore.ahead - Y[k] * fore.heading).to_numpy(), fore[[f"turns_{w}"]].to_numpy()
        ).fit()
        out[f"radius {w}"] = (float(robust.params[0]), *map(float, robust.conf_int()[0]))

    # Motors and forces, at 10 Hz inside the passes.
    size = round(0.1 / dt)
    torque = KT * ndimage.gaussian_filter1d(current, width, axis=0)
    drop = ndimage.gaussian_filter1d(volt, width, axis=0) - KE * speed
    thin = slice(None, None, max(1, grid.size // 40_000))
    resistance = np.empty(4)
    for k in range(4):
        fit = sm.OLS(drop[thin, k], current[thin, k]).fit(cov_type="HAC", cov_kwds={"maxlags": 5})
        resistance[k] = fit.params[0]
        out[f"resistance {WHEELS[k]}"] = (float(fit.params[0]), *map(float, fit.conf_int()[0]))
    acceleration = np.gradient(rolled, dt, axis=0)
    data = pd.DataFrame(
        {
            "owner": owner,
            "block": np.arange(grid.size) // size,
            "v_x": rolled[:, 0],
            "v_y": 0.98 * rolled[:, 1],
            "rate": gyro,
            "a_x": acceleration[:, 0],
            "a_y": 0.98 * acceleration[:, 1],
            "spin": np.gradient(ndimage.gaussian_filter1d(gyro, width), dt),
            **{f"torque_{w}": torque[:, k] for k, w in enumerate(WHEELS)},
            "force_y": force_y,
        }
    )
    data = data[data.owner >= 0].groupby(["owner", "block"], as_index=False).mean()
    data["kind"] = passes.kind.to_numpy()[data.owner.to_numpy()]
    wheel = data[[f"torque_{w}" for w in WHEELS]].to_numpy()
    moment = wheel @ ((X * TAN - Y) / RADIUS)
    turning = data.kind.str.startswith("turn").to_numpy()
    part = data[turning]
    design = np.stack(
        [
            part.spin,
            np.tanh(part.rate / 0.1),
            np.tanh(part.rate / 0.5),
            part.rate,
            np.ones(len(part)),
        ],
        axis=1,
    )
    fit = sm.OLS(moment[turning], design).fit(cov_type="cluster", cov_kwds={"groups": part.owner})
    inertia = float(fit.params[0])
    out["yaw inertia"] = (inertia, *map(float, fit.conf_int()[0]))
    sideways = data.kind.isin(["left", "right"]).to_numpy()
    part = data[sideways]
    design = np.stack(
        [
            MASS * part.a_y,
            -MASS * part.a_x,
            np.tanh(part.v_y / 0.03),
            np.tanh(part.v_y / 0.15),
            part.v_y,
            np.ones(len(part)),
        ],
        axis=1,
    )
    fit = sm.OLS(moment[sideways] - inertia * part.spin.to_numpy(), design).fit(
        cov_type="cluster", cov_kwds={"groups": part.owner}
    )
    out["centre of mass x, ramps"] = (float(fit.params[0]), *map(float, fit.conf_int()[0]))
    part = data[turning]
    zero = np.zeros(len(part))
    friction = np.tanh(part.rate / 0.1)
    ahead = np.stack(
        [-MASS * part.rate**2, -MASS * part.spin, friction, part.rate, zero, zero], axis=1
    )
    left = np.stack(
        [MASS * part.spin, -MASS * part.rate**2, zero, zero, friction, part.rate], axis=1
    )
    push = wheel[turning] / RADIUS
    fit = sm.OLS(
        np.concatenate(
            [
                push.sum(axis=1) - MASS * part.a_x.to_numpy(),
                push @ TAN - MASS * part.a_y.to_numpy(),
            ]
        ),
        np.concatenate([ahead, left]),
    ).fit(cov_type="cluster", cov_kwds={"groups": np.concatenate([part.owner, part.owner])})
    for k, axis in enumerate("xy"):
        out[f"centre of mass {axis}, turns"] = (
            float(fit.params[k]),
            *map(float, fit.conf_int()[k]),
        )

    out |= causes(usual, resistance, out)
    for kind, own in usual.groupby("kind"):
        for k, w in enumerate(WHEELS):
            true = H[k] @ np.stack([own.ahead, own.left, own.heading])
            out[f"slip {w} {kind}"] = mean_interval((own[f"turns_{w}"] - true) / own[f"turns_{w}"])
    rests = gyro[still]
    out["gyro noise density"] = float(rests.std() * np.sqrt(dt))
    out |= heading_hold(usual, command[:, 2], gyro, rolled[:, 1], grid, dt)
    return out


def heading_hold(
    usual: pd.DataFrame,
    command: np.ndarray,
    rate: np.ndarray,
    leftwards: np.ndarray,
    grid: np.ndarray,
    dt: float,
) -> dict[str, object]:
    """Yaw plant from the turns on the spot, gains within limits of sensitivity, errors they leave."""
    turns = usual[usual.kind.str.startswith("turn")]
    lead = round(0.3 / dt)
    spans = [slice(max(0, a - lead), b) for a, b in zip(turns.start, turns.stop, strict=True)]
    at = np.concatenate([np.arange(s.start, s.stop) for s in spans])
    owner = np.concatenate([np.full(s.stop - s.start, k) for k, s in enumerate(spans)])
    sign = np.sign(command)

    def answer(q: np.ndarray) -> np.ndarray:
        gain, friction, lag, delay = q
        goal = sign * np.maximum(gain * np.abs(command) + friction, 0.0)
        keep = np.exp(-dt / lag)
        return np.interp(grid[at] - delay, grid, signal.lfilter([1 - keep], [1, -keep], goal))

    low, high = [0.1, -1.0, 0.004, 0.0], [3.0, 1.0, 1.0, 0.5]
    fit = optimize.least_squares(
        lambda q: answer(q) - rate[at], [0.9, 0.0, 0.06, 0.05], bounds=(low, high), x_scale=0.1
    )
    # Robust by turn: samples within a turn depend on each other.
    bread = np.linalg.inv(fit.jac.T @ fit.jac)
    scores = np.stack([fit.jac[owner == k].T @ fit.fun[owner == k] for k in range(len(spans))])
    spread = np.sqrt(np.diag(bread @ (scores.T @ scores) @ bread))
    out: dict[str, object] = {}
    for name, value, error in zip(("gain", "friction", "lag", "delay"), fit.x, spread, strict=True):
        out[f"yaw {name}"] = (float(value), *stats.norm.interval(0.95, value, error))
    gain, _, lag, delay = fit.x
    sides = usual[usual.kind.isin(["left", "right"])]
    # Turn command per sideways speed that cancels the drift.
    fit = sm.OLS(-sides.heading.to_numpy(), gain * sides.left.to_numpy()).fit(cov_type="HC1")
    out["feed-forward"] = (float(fit.params[0]), *map(float, fit.conf_int()[0]))
    # The border of what the turns allow: each of gain, lag, delay at both ends, and the corners.
    ends = np.array([spread[0], spread[2], spread[3]]) * np.sqrt(stats.chi2.ppf(0.95, 3))
    ways = [*np.eye(3), *-np.eye(3), *(np.array(list(np.ndindex(2, 2, 2))) * 2 - 1) / np.sqrt(3)]
    plants = np.array([(gain, lag, delay), *((gain, lag, delay) + ends * w for w in ways)])
    plants[:, 1:] = np.maximum(plants[:, 1:], 1e-4)
    period = 0.02
    s = 1j * np.geomspace(0.1, np.pi / period, 400)

    def gains(structure: str, closed: float) -> tuple[float, float, float]:
        late = delay + 0.03 + (0 if structure == "PD" else lag / 2)  # age, half a period, half rule
        kp = 1 / (gain * (closed + late))
        return kp, kp / (4 * (closed + late)) * (structure == "PI"), kp * lag * (structure == "PD")

    def sensitivity(structure: str, closed: float) -> tuple[float, float]:
        kp, ki, kd = gains(structure, closed)
        k, t, d = plants.T[..., None]
        loop = (kp + ki / s + kd * s) * k * np.exp(-s * (d + 0.03)) / (s * (1 + t * s))
        peaks = np.max(1 / np.abs(1 + loop), axis=1)
        return float(peaks[0]), float(peaks.max())

    steps = max(1, round(period / dt))
    ends_of = list(zip(sides.start, sides.stop, strict=True))
    free = [abs(float(rate[a:b].sum() * dt)) for a, b in ends_of]
    out["heading error, no hold"] = mean_interval(np.degrees(free))

    def replay(
        law: tuple[float, float, float], plant: np.ndarray, ends: list, forward: float = 0.0
    ) -> np.ndarray:
        """Heading error at the end of each pass under a law, on a plant. [deg]"""
        (kp, ki, kd), (gain, lag, delay), found = law, plant, []
        late = max(1, round((delay + 0.03) / period))
        for a, b in ends:
            drift, moved = rate[a:b:steps], forward * leftwards[a:b:steps]
            heading = turning = integral = 0.0
            asked = np.zeros(drift.size + late + 1)
            for k, own in enumerate(drift):
                integral += heading * period
                asked[k + late] = moved[k] - kp * heading - ki * integral - kd * (own + turning)
                turning += (gain * asked[k] - turning) * (1 - np.exp(-period / lag))
                heading += (own + turning) * period
            found.append(abs(float(np.degrees(heading))))
        return np.array(found)

    laws, errors = {}, {}
    for structure in ("P", "PD", "PI"):

        def beyond(closed: float, structure: str = structure) -> float:
            nominal, worst = sensitivity(structure, closed)
            return max(nominal / 1.6, worst / 2.0) - 1

        closed = delay + 0.03
        if beyond(closed) > 0:
            closed = optimize.brentq(beyond, closed, 3.0, xtol=1e-4)
        laws[structure] = law = gains(structure, closed)
        out[f"heading {structure}"] = (*law, *sensitivity(structure, closed))
        errors[structure] = replay(law, plants[0], ends_of)
        out[f"heading error, {structure}"] = mean_interval(errors[structure])
    # The best with what the plant leaves open, without and with feed-forward, on some passes.
    best = min(errors, key=lambda s: errors[s].mean())
    some = ends_of[:: max(1, len(ends_of) // 24)][:24]
    for name, forward in (("alone", 0.0), ("with feed-forward", out["feed-forward"][0])):
        each = np.array([replay(laws[best], p, some, forward) for p in plants[:7]])
        middle, low, high = mean_interval(each[0])
        half = np.hypot((high - low) / 2, np.ptp(each.mean(axis=1)) / 2)
        out[f"heading error, {best} {name}"] = (middle, middle - half, middle + half)
    return out


def causes(usual: pd.DataFrame, resistance: np.ndarray, known: dict) -> dict[str, object]:
    """Posterior shares of single faults from the odd parts of the force balances.

    With the size of the likeliest one, and the yaw drift to expect when it is mended.
    """
    currents = [f"current_{w}" for w in WHEELS]
    groups = []
    for plus, minus, kind in (("left", "right", "side"), ("ahead", "astern", "ahead"),
                              ("turn_left", "turn_right", "turn")):  # fmt: skip
        for fast in (False, True):
            own = usual[(usual.speed > (0.5 if kind != "turn" else 1.8)) == fast]
            a, b = own[own.kind == plus][currents].mean(), own[own.kind == minus][currents].mean()
            if np.isfinite(a).all() and np.isfinite(b).all():
                groups.append((kind, KT * (a.to_numpy() - b.to_numpy()) / 2, own.speed.median()))
    weight = MASS * G
    seen = {a: known[f"centre of mass {a}, turns"][0] for a in "xy"}
    radii = np.array([known[f"radius {w}"][0] for w in WHEELS])
    ratio = np.log(resistance / np.median(resistance))
    n = 2 + 4 * 4  # centre of mass; roller drag, axle drag, resistance, radius of each wheel

    def residuals(z: np.ndarray, mean: np.ndarray, sd: np.ndarray) -> np.ndarray:
        c_x, c_y = z[:2]
        q, b, rho, eps = z[2:n].reshape(4, 4)
        load = weight / 4 * (1 + c_x * X / np.mean(X**2) + c_y * Y / np.mean(Y**2))
        axle = 0.06 * np.exp(b + z[n]) * (2 / 3 + load / weight * 4 / 3)
        drag = 0.065 * np.exp(q + z[n + 1]) * load
        parts = []
        for kind, torque, _ in groups:
            spin = {"side": np.sign(TAN), "ahead": np.ones(4), "turn": np.sign(X * TAN - Y)}[kind]
            push = (torque - axle * spin) / RADIUS
            rub = drag / np.cos(ANGLE) * (np.sign(X) if kind == "turn" else 1) * (kind != "ahead")
            floor = {"side": 0.0013, "ahead": 0.001, "turn": 0.004}[kind] * weight
            parts.append(push.sum() / floor)
            if kind != "ahead":
                parts += [(push @ TAN - rub.sum()) / floor]
                parts += [(push @ (X * TAN - Y) - rub @ X) / floor / 0.38]
        parts += [(seen["x"] - c_x) / 0.004, (seen["y"] - c_y) / 0.004]
        size = radii / radii.mean() - 1 - eps + eps.mean()
        return np.concatenate([parts, (ratio - rho) / 0.01, size / 0.001, (z - mean) / sd])

    spread = [0.004] * 2 + [0.25] * 4 + [0.15] * 4 + [0.04] * 4 + [0.002] * 4 + [0.47] * 2
    sound = np.zeros(n + 2), np.array(spread)
    plans = {"none": sound, "mass": (sound[0], sound[1].copy())}
    plans["mass"][1][:2] = 0.06
    for first, name, centre, width in ((2, "roller drag", np.log(3), np.log(1.8)),
                                       (6, "axle drag", np.log(2.5), np.log(1.6)),
                                       (10, "weak motor", np.log(1.6), np.log(1.35)),
                                       (14, "unequal radius", 0.0, 0.01)):  # fmt: skip
        for k in range(4):
            for mass in (False, True):
                mean, sd = sound[0].copy(), (plans["mass"] if mass else sound)[1].copy()
                mean[first + k], sd[first + k] = centre, width
                plans[f"{name} {WHEELS[k]}{' and mass' if mass else ''}"] = (mean, sd)
    logs, fits = {}, {}
    for name, (mean, sd) in plans.items():
        fits[name] = fit = optimize.least_squares(residuals, mean, x_scale=sd, args=(mean, sd))
        _, logdet = np.linalg.slogdet(fit.jac.T @ fit.jac)
        logs[name] = -fit.cost - 0.5 * logdet - np.sum(np.log(sd))
    top = max(logs.values())
    shares = {k: np.exp(v - top) for k, v in logs.items()}
    whole = sum(shares.values())
    out: dict[str, object] = {
        f"cause {k}": float(v / whole) for k, v in sorted(shares.items(), key=lambda i: -i[1])[:3]
    }
    best = max(logs, key=lambda k: logs[k])
    fit, (mean, sd) = fits[best], plans[best]
    cover = np.linalg.inv(fit.jac.T @ fit.jac)
    draws = np.random.default_rng(0).multivariate_normal(fit.x, cover, 200)
    claimed = np.flatnonzero(sd != sound[1])  # what the cause says is at fault
    for k in claimed:
        out[f"size {k} of {best}"] = (float(fit.x[k]), *np.quantile(draws[:, k], [0.025, 0.975]))
    mended = draws.copy()
    mended[:, claimed] = 0.0

    def loads(z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Axle torque and roller drag of each wheel, sideways."""
        load = weight / 4 * (1 + z[0] * X / np.mean(X**2) + z[1] * Y / np.mean(Y**2))
        axle = 0.06 * np.exp(z[6:10] + z[n]) * (2 / 3 + load / weight * 4 / 3)
        return axle * np.sign(TAN), 0.065 * np.exp(z[2:6] + z[n + 1]) * load / np.cos(ANGLE)

    rows = np.stack([np.ones(4), TAN, X * TAN - Y])
    give = rows / RADIUS * (KT * KE / resistance) @ H  # what the wheels lose by going faster
    for kind, _, speed in groups:
        if kind != "side":
            continue
        turns = []
        for before, after in zip(draws, mended, strict=True):
            (a, rub_a), (b, rub_b) = loads(before), loads(after)
            rub = rub_b - rub_a
            less = rows @ ((b - a) / RADIUS) + np.array([0.0, rub.sum(), rub @ X])
            rolls = H_INVERSE[2] @ ((after - before)[14:n] * H[:, 1])  # per metre to the side
            turns.append(np.degrees(np.linalg.solve(give, -less)[2] / speed + rolls))
        for side, way in (("left", 1.0), ("right", -1.0)):
            drift, low, high = known[f"drift {side} {speed > 0.5}"]
            after, spread = way * np.median(turns), np.std(turns)
            half = np.hypot(1.96 * spread, (high - low) / 2)
            out[f"drift {side} {speed > 0.5}, {best} mended"] = (
                drift + after, drift + after - half, drift + after + half,
            )  # fmt: skip
    return out


if __name__ == "__main__":
    for key, value in analyse(sys.argv[1]).items():
        print(f"{key:28s} {value}")
