#!/usr/bin/python3
"""Makes ultrasound loops of an embryo transfer with known truth, for the target statistics.

This generator shares nothing with `afterflash synth`. That one moves point
scatterers; this one warps a continuous random field: a complex Gaussian
texture, weighted by tissue class, is laid out in millimetres at rest; each
frame asks for every sample of every scan line where in the rest tissue it
came from (inverse displacement, solved by fixed point), reads the texture
there with cubic interpolation, blurs along and across the line, takes the
magnitude, compresses it and scan-converts it.

Coordinates: x lateral, z depth, mm; the probe's face is at z = 0, x = 0.
Stripe coordinates: s along the centre line from the fundus, n across it.
"""
import argparse
import json
import math
import os
import subprocess
import sys

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter, gaussian_filter1d

cv2.setNumThreads(1)
REST_MM = 0.10  # grid of the rest texture
COARSE_MM = 0.8  # grid of the displacement field


# ---------------------------------------------------------------- geometry
class Stripe:
    """A curved centre line with a half thickness along it, and the way from (s, n) to (x, z)."""

    def __init__(self, p, rng):
        self.length = p["length"]
        self.half = p["thickness"] / 2
        ds = 0.1
        s = np.arange(-40, self.length + 60, ds)
        i0 = int(round(40 / ds))
        heading = np.radians(p["heading_deg"])
        bend = np.radians(p["bend_deg"]) / self.length
        canal = np.radians(p["canal_bend_deg"]) / 30.0
        wiggle = p.get("wiggle_deg", 3.0)
        curvature = np.where(s < 0, 0.0, np.where(s < self.length, bend, np.where(s < self.length + 30, canal, 0.0)))
        curvature = gaussian_filter1d(curvature, 3 / ds)
        angle = heading + np.cumsum(curvature) * ds
        angle += np.radians(wiggle) * np.sin(2 * np.pi * s / (self.length * 0.9) + rng.uniform(0, 6))
        angle += heading - angle[i0]
        x = np.cumsum(np.cos(angle)) * ds
        z = np.cumsum(np.sin(angle)) * ds
        self.s, self.x, self.z = s, x - x[i0] + p["fundus"][0], z - z[i0] + p["fundus"][1]
        if p["mirror"]:
            self.x = -self.x
        tx, tz = np.gradient(self.x, ds), np.gradient(self.z, ds)
        norm = np.hypot(tx, tz)
        self.tx, self.tz = tx / norm, tz / norm

    def to_xz(self, s, n):
        x, z = np.interp(s, self.s, self.x), np.interp(s, self.s, self.z)
        tx, tz = np.interp(s, self.s, self.tx), np.interp(s, self.s, self.tz)
        return x - n * tz, z + n * tx

    def half_thickness(self, s):
        """Thickest near the upper third, thin at the os, a round end at the fundus, a thin canal."""
        u = np.clip(s / self.length, 0, 1)
        shape = np.interp(u, [0, 0.15, 0.35, 0.7, 0.9, 1.0], [0.86, 0.97, 1.0, 0.8, 0.5, 0.32])
        h = self.half * shape
        cap = self.half * 0.9
        inside = np.clip(1 - ((cap - s) / cap) ** 2, 0, 1)
        h = np.where(s < cap, h * np.sqrt(inside), h)
        h = np.where(s > self.length, np.maximum(h * np.exp(-(s - self.length) / 6), 0.9), h)
        return np.where(s < 0, 0.0, h)

    def coordinates(self, x, z):
        """(s, n) of points, by the nearest sample of the line and its tangent."""
        from scipy.spatial import cKDTree
        tree = cKDTree(np.column_stack([self.x, self.z]))
        _, k = tree.query(np.column_stack([x.ravel(), z.ravel()]))
        dx, dz = x.ravel() - self.x[k], z.ravel() - self.z[k]
        along = dx * self.tx[k] + dz * self.tz[k]
        across = -dx * self.tz[k] + dz * self.tx[k]
        return (self.s[k] + along).reshape(x.shape), across.reshape(x.shape)


# ---------------------------------------------------------------- tissue at rest
def smooth_noise(rng, shape, sigma_mm, step):
    """Gaussian noise of unit variance and a given correlation length."""
    shrink = max(1, int(sigma_mm / step / 3))
    small = rng.standard_normal((shape[0] // shrink + 8, shape[1] // shrink + 8)).astype(np.float32)
    small = gaussian_filter(small, sigma_mm / step / shrink)
    small /= small.std()
    return cv2.resize(small, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)


def sigmoid(v):
    return 1 / (1 + np.exp(-np.clip(v, -30, 30)))


def tissue_level_db(p, stripe, x, z, s, n, rng):
    """Mean echo level in dB relative to the myometrium."""
    shape = x.shape
    wall = p["myometrium_mm"]
    # outline of the uterus: thick body, narrowing to the cervix
    u = np.clip(s / stripe.length, -1, 2.0)
    reach = np.interp(u, [-0.05, 0.1, 0.4, 0.8, 1.0, 1.3, 2.0], [0.9, 1.0, 1.05, 0.9, 0.8, 0.72, 0.7])
    reach = stripe.half * 0.8 + wall * reach
    beyond = np.maximum(-s, 0)
    cap = stripe.half * 0.8 + wall
    wobble = 1.2 * smooth_noise(rng, shape, 9, REST_MM)
    distance = np.where(s < 0, np.hypot(n * cap / reach, beyond) - cap, np.abs(n) - reach) + wobble
    inside = sigmoid(-distance / 0.5)
    outside_db = p["outside_db"] + p["outside_mottle_db"] * smooth_noise(rng, shape, 5, REST_MM) \
        + 2 * smooth_noise(rng, shape, 1.6, REST_MM)
    if p["bowel"]:
        ridge = smooth_noise(rng, shape, 7, REST_MM)
        outside_db = outside_db + 8 * np.exp(-(ridge / 0.12) ** 2)
    myometrium_db = p["mottle_db"] * smooth_noise(rng, shape, 3.5, REST_MM) \
        + 0.6 * p["mottle_db"] * smooth_noise(rng, shape, 1.2, REST_MM)
    # the junctional zone is a little darker
    h = stripe.half_thickness(s)
    edge = np.abs(n) - h
    edge = np.where(s < 0, np.hypot(n, s), edge) + 0.35 * smooth_noise(rng, shape, 2.5, REST_MM)
    myometrium_db -= p["junction_db"] * np.exp(-np.clip(edge, 0, None) / 2.5)
    in_stripe = sigmoid(-edge / p["edge_mm"])
    in_cavity = sigmoid((stripe.length + 4 - s) / 2.5)  # beyond the os: the canal, fainter
    endo = p["stripe_db"]
    texture = p["stripe_mottle_db"] * smooth_noise(rng, shape, 1.5, REST_MM)
    if p["stripe_look"] == "triple":
        fraction = np.abs(n) / np.maximum(h, 0.3)
        central = np.exp(-(n / 0.45) ** 2) * sigmoid((s - 2) / 0.7)
        rim = np.exp(-((np.abs(n) - h + 0.6) / 0.75) ** 2)
        rim = np.where(s < stripe.half, np.maximum(rim, 0.7 * np.exp(-((edge + 0.5) / 0.6) ** 2)), rim)
        level = p["triple_inner_db"] + (endo - p["triple_inner_db"]) * np.maximum(central, rim)
        level = level + 0.0 * fraction
    elif p["stripe_look"] == "line":
        central = np.exp(-(n / 0.5) ** 2) * sigmoid((s - 1.5) / 0.7)
        level = endo + p["line_db"] * central
    else:
        level = endo - 1.2 * np.exp(-(n / (0.3 * stripe.half)) ** 2)
    level = level + texture
    canal_db = p["canal_db"] * np.exp(-(n / 0.9) ** 2)
    body = myometrium_db * (1 - in_stripe * in_cavity) + level * in_stripe * in_cavity \
        + canal_db * (1 - in_cavity) * sigmoid((s - stripe.length * 0.6) / 2)
    serosa = p["serosa_db"] * np.exp(-(distance / 0.6) ** 2)
    db = outside_db * (1 - inside) + body * inside + serosa
    if p.get("bladder"):
        bx, bz, ra, rb = p["bladder"]
        if p["mirror"]:
            bx = -bx
        d = np.hypot((x - bx) / ra, (z - bz) / rb) - 1 + 0.05 * smooth_noise(rng, shape, 6, REST_MM)
        fluid = sigmoid(-d * min(ra, rb) / 0.5) * (1 - inside)
        db = db * (1 - fluid) - 32 * fluid + 6 * np.exp(-(d * min(ra, rb) / 0.7) ** 2) * (1 - inside)
    return db.astype(np.float32)


# ---------------------------------------------------------------- motion
def ornstein(rng, n, dt, tau_s, sd):
    """A slow random walk that returns, smooth at the frame scale."""
    v = rng.standard_normal(n + 400)
    a = math.exp(-dt / tau_s)
    out = np.empty_like(v)
    out[0] = 0
    for i in range(1, len(v)):
        out[i] = a * out[i - 1] + v[i]
    out = gaussian_filter1d(out, max(1.0, 0.5 / dt))[400:]
    out -= out.mean()
    return out / max(out.std(), 1e-9) * sd


class Waves:
    """Wall displacement as a function of place and time: a phase that travels."""

    def __init__(self, p, stripe, times, rng):
        self.p, self.stripe = p, stripe
        self.kind = p["direction"]
        self.present = self.kind != "none"
        if not self.present:
            return
        dt = 0.05
        self.t = np.arange(-200, times[-1] + 20, dt)
        f = p["rate"] / 60
        jitter = ornstein(rng, len(self.t), dt, 12, p["irregular"]) if p["irregular"] > 0 else 0
        rate = np.clip(f * (1 + jitter), 0.35 * f, 2.0 * f) * np.ones_like(self.t)
        self.phase = np.cumsum(rate) * dt + rng.uniform()
        am = ornstein(rng, len(self.t), dt, 20, p["amplitude_jitter"])
        self.gain = np.clip(1 + am, 0.5, 1.5)
        self.second = p.get("second_harmonic", 0.0)
        self.second_phase = rng.uniform(0, 6.28)
        # mixed: either way at different times
        ends = p.get("mixed_turns_s", [times[-1] / 2])
        sign = np.ones_like(self.t)
        for e in ends:
            sign = np.where(self.t > e, -sign, sign)
        self.sign = gaussian_filter1d(sign, 2.0 / dt)

    def travel(self, x_mm, t):
        tau = t - x_mm / self.p["velocity"]
        ph = np.interp(tau, self.t, self.phase)
        g = np.interp(tau, self.t, self.gain)
        w = np.cos(2 * np.pi * ph) + self.second * np.cos(4 * np.pi * ph + self.second_phase)
        return self.p["wall_amplitude"] * g * w

    def envelope(self, s):
        L = self.stripe.length
        return sigmoid((s - 1.0) / 2.0) * sigmoid((L + 4 - s) / 3.0)

    def wall(self, s, t):
        """Outward displacement of either wall, mm."""
        L = self.stripe.length
        if not self.present:
            return np.zeros_like(s)
        up, down = L - s, s
        if self.kind == "cervix-to-fundus":
            d = self.travel(up, t)
        elif self.kind == "fundus-to-cervix":
            d = self.travel(down, t)
        elif self.kind == "opposing":
            m = sigmoid((s - L / 2) / 1.5)
            d = self.travel(down, t) * (1 - m) + self.travel(up, t) * m
        else:
            w = (1 + np.interp(t, self.t, self.sign)) / 2
            d = w * self.travel(up, t) + (1 - w) * self.travel(down, t)
        return d * self.envelope(s)

    def realised(self, times):
        """Mean waves a minute that pass the middle of the stripe."""
        L = self.stripe.length
        tau = times - (L / 2) / self.p["velocity"]
        ph = np.interp(tau, self.t, self.phase)
        waves = ph[-1] - ph[0]
        return waves / (times[-1] - times[0]) * 60, waves


# ---------------------------------------------------------------- one loop
def make_field(p, stripe, rng):
    half_w = p["depth"] * 1.0
    nx, nz = int(2 * half_w / REST_MM), int((p["depth"] + 12) / REST_MM)
    x0, z0 = -half_w, -6.0
    # class levels are smooth: made on a grid of half the resolution
    gx, gz = np.meshgrid(x0 + np.arange(nx // 2) * 2 * REST_MM, z0 + np.arange(nz // 2) * 2 * REST_MM)
    s, n = stripe.coordinates(gx, gz)
    db = tissue_level_db(p, stripe, gx, gz, s, n, rng)
    db = cv2.resize(db, (nx, nz), interpolation=cv2.INTER_LINEAR)
    amplitude = 10 ** (db / 20)
    layers = []
    sigma = p["texture_mm"] / REST_MM
    for _ in range(4):
        g = rng.standard_normal((nz, nx)).astype(np.float32)
        g = cv2.GaussianBlur(g, (0, 0), sigma)
        layers.append(g / g.std() * amplitude)
    if p.get("lognormal", 0) > 0:
        scale = np.exp(p["lognormal"] * smooth_noise(rng, (nz, nx), 0.5, REST_MM))
        layers = [a * scale for a in layers]
    field = np.ascontiguousarray(np.stack(layers, axis=-1).astype(np.float32))
    return field, x0, z0


class Probe:
    """Scan lines from a curved face, and the way from lines to the picture."""

    def __init__(self, p):
        self.p = p
        W, H = p["width"], p["height"]
        self.face = p["face_mm"]
        self.half = np.radians(p["fov_deg"] / 2)
        self.n_lines, self.n_range = p["lines"], p["samples"]
        self.mm_per_px = p["mm_per_px"]
        self.x_px, self.top_px = p["centre_px"], p["top_px"]
        th = np.linspace(-self.half, self.half, self.n_lines)
        r = np.linspace(0, p["depth"], self.n_range) + self.face
        tt, rr = np.meshgrid(th, r)
        self.x, self.z = (rr * np.sin(tt)).astype(np.float64), (rr * np.cos(tt) - self.face).astype(np.float64)
        yy, xx = np.mgrid[0:H, 0:W].astype(np.float64)
        mx, mz = (xx - self.x_px) * self.mm_per_px, (yy - self.top_px) * self.mm_per_px
        rad, ang = np.hypot(mx, mz + self.face), np.arctan2(mx, mz + self.face)
        self.map_x = ((ang + self.half) / (2 * self.half) * (self.n_lines - 1)).astype(np.float32)
        self.map_y = ((rad - self.face) / p["depth"] * (self.n_range - 1)).astype(np.float32)
        self.mask = (np.abs(ang) <= self.half) & (rad >= self.face) & (rad <= self.face + p["depth"])
        left, right = p.get("clip_px", (0, W))
        self.mask &= (xx >= left) & (xx < right)
        if p.get("flat_bottom_px"):
            self.mask &= yy < p["flat_bottom_px"]

    def to_px(self, x, z):
        return np.asarray(x) / self.mm_per_px + self.x_px, np.asarray(z) / self.mm_per_px + self.top_px

    def to_line(self, x, z):
        rad, ang = np.hypot(x, z + self.face), np.arctan2(x, z + self.face)
        return (ang + self.half) / (2 * self.half) * (self.n_lines - 1), (rad - self.face) / self.p["depth"] * (self.n_range - 1)


class Loop:
    def __init__(self, p):
        self.p = p
        self.rng = rng = np.random.default_rng(p["seed"])
        self.fps = p["fps"]
        self.n = int(round(p["duration"] * self.fps))
        self.times = np.arange(self.n) / self.fps
        self.stripe = Stripe(p, rng)
        self.probe = Probe(p)
        self.field, self.x0, self.z0 = make_field(p, self.stripe, rng)
        self.waves = Waves(p, self.stripe, self.times, rng)
        self.make_rigid()
        self.make_coarse()
        self.make_transfer()
        self.make_look()

    def make_rigid(self):
        p, rng, n, dt, t = self.p, self.rng, self.n, 1 / self.fps, self.times
        rate = p["breath_per_min"] / 60 * (1 + ornstein(rng, n, dt, 8, 0.06))
        phase = 2 * np.pi * np.cumsum(rate) * dt
        breath = np.sin(phase) + 0.2 * np.sin(2 * phase + 1)
        a = np.radians(p["breath_angle_deg"])
        self.dx = p["breath_mm"] * breath * np.cos(a) + ornstein(rng, n, dt, 12, p["walk_mm"] * 0.75)
        self.dz = p["breath_mm"] * breath * np.sin(a) + ornstein(rng, n, dt, 12, p["walk_mm"] * 0.65)
        self.turn = np.radians(p["breath_turn_deg"]) * breath + np.radians(ornstein(rng, n, dt, 15, p["walk_turn_deg"]))
        self.pulse = p["pulse_mm"] * np.maximum(0, np.sin(2 * np.pi * p["pulse_per_min"] / 60 * t)) ** 2
        for shove in p.get("shoves", []):  # the probe is moved
            at, mx, mz, turn = shove
            g = sigmoid((t - at) / 0.5)
            self.dx, self.dz, self.turn = self.dx + mx * g, self.dz + mz * g, self.turn + np.radians(turn) * g
        self.out_of_plane = p["decorrelation"] * (0.35 * breath + ornstein(rng, n, dt, 20, 1.0))
        self.pivot = self.stripe.to_xz(self.stripe.length / 2, 0)

    def make_coarse(self):
        p = self.p
        w = p["depth"] * 1.0
        self.cx0, self.cz0 = -w, -6.0
        gx, gz = np.meshgrid(np.arange(-w, w, COARSE_MM), np.arange(-6.0, p["depth"] + 6, COARSE_MM))
        s, n = self.stripe.coordinates(gx, gz)
        h = np.maximum(self.stripe.half_thickness(s), 1.0)
        h = np.where(s < 0, 1.0 + 0 * s, h)
        depth = np.abs(n) - h
        g = np.where(depth < 0, np.abs(n) / h, np.exp(-np.clip(depth, 0, None) / p["decay_mm"]))
        g *= np.exp(-np.maximum(-s, 0) / 3.0)
        tx, tz = np.interp(s, self.stripe.s, self.stripe.tx), np.interp(s, self.stripe.s, self.stripe.tz)
        sign = np.sign(n)
        ratio = np.where(n > 0, 1.0, p.get("wall_ratio", 1.0))
        self.coarse_s = s
        self.coarse_x = gaussian_filter(-tz * sign * g * ratio, 0.6)
        self.coarse_z = gaussian_filter(tx * sign * g * ratio, 0.6)
        vx, vz = self.stripe.to_xz(self.stripe.length * 0.8, -(self.stripe.half + p["myometrium_mm"]))
        self.pulse_map = np.exp(-((gx - vx) ** 2 + (gz - vz) ** 2) / (2 * 14.0 ** 2))

    def displacement(self, i):
        """Coarse map of the tissue's own displacement in frame i, indexed by rest place."""
        table_s = np.arange(-40, self.stripe.length + 60, 0.5)
        d = np.interp(self.coarse_s, table_s, self.waves.wall(table_s, self.times[i]))
        out = np.empty(self.coarse_s.shape + (2,), np.float32)
        out[..., 0] = d * self.coarse_x + 0.3 * self.pulse[i] * self.pulse_map
        out[..., 1] = d * self.coarse_z + self.pulse[i] * self.pulse_map
        return out

    def sample(self, coarse, x, z):
        mx = ((x - self.cx0) / COARSE_MM).astype(np.float32)
        mz = ((z - self.cz0) / COARSE_MM).astype(np.float32)
        return cv2.remap(coarse, mx, mz, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)

    def rest_of(self, i, coarse, x, z):
        """Where in the rest tissue the points (x, z) of frame i come from."""
        c, s = math.cos(self.turn[i]), math.sin(self.turn[i])
        ux, uz = x - self.dx[i] - self.pivot[0], z - self.dz[i] - self.pivot[1]
        rx, rz = c * ux + s * uz + self.pivot[0], -s * ux + c * uz + self.pivot[1]
        X, Z = rx, rz
        for _ in range(3):
            w = self.sample(coarse, X, Z)
            X, Z = rx - w[..., 0], rz - w[..., 1]
        return X, Z

    def place_of(self, i, coarse, X, Z):
        """Where the rest points (X, Z) stand in frame i."""
        X, Z = np.atleast_2d(np.asarray(X, float)), np.atleast_2d(np.asarray(Z, float))
        w = self.sample(coarse, X, Z)
        ux, uz = X + w[..., 0] - self.pivot[0], Z + w[..., 1] - self.pivot[1]
        c, s = math.cos(self.turn[i]), math.sin(self.turn[i])
        return (c * ux - s * uz + self.pivot[0] + self.dx[i]).ravel(), (s * ux + c * uz + self.pivot[1] + self.dz[i]).ravel()

    def gap_mm(self, s):
        """Change of wall-to-wall distance at a place, frame by frame, as the drawn tissue moves: the map of displacements
        is smooth, so its walls move less than waves.wall says (by 3 to 20 %), and wall_ratio counts."""
        h = np.maximum(self.stripe.half_thickness(np.array([s])), 0.3)
        walls = np.array([self.stripe.to_xz(np.array([s]), side * h) for side in (-1, 1)])[:, :, 0]
        across = (walls[1] - walls[0]) / np.hypot(*(walls[1] - walls[0]))
        gap = np.empty(self.n)
        for i in range(self.n):
            moved = self.sample(self.displacement(i), walls[:, :1], walls[:, 1:])[:, 0]
            gap[i] = (moved[1] - moved[0]) @ across
        return gap

    def make_transfer(self):
        """Bubbles and catheter along the stripe, as functions of time."""
        p, rng, t = self.p, self.rng, self.times
        self.bubbles = p.get("deposit_s") is not None
        if self.bubbles:
            d0, drift = p["deposit_mm"], p["drift_mm"]
            since = t - p["deposit_s"]
            if p["drift_kind"] == "sudden":
                way = sigmoid((t - p["drift_at_s"]) / 0.35)
            elif p["drift_kind"] == "early":
                way = 1 - np.exp(-np.clip(since - 2, 0, None) / 10)
            else:
                way = np.clip((since - 2) / max(t[-1] - p["deposit_s"] - 2, 1), 0, 1)
                way = way + 0.04 * np.sin(2 * np.pi * way * 2)
            way = way / max(way[-1], 1e-9)
            self.bubble_s = d0 - drift * way
            k = p["n_bubbles"]
            self.bubble_along = rng.standard_normal(k) * p["bubble_spread_mm"]
            self.bubble_across = np.clip(rng.standard_normal(k) * 0.45, -1.2, 1.2)
            self.bubble_along -= self.bubble_along.mean()
            self.bubble_across -= self.bubble_across.mean()
            self.bubble_size = rng.uniform(0.6, 1.4, k)
            self.bubble_size /= self.bubble_size.mean()
            self.bubble_along -= np.average(self.bubble_along, weights=self.bubble_size)
            self.bubble_across -= np.average(self.bubble_across, weights=self.bubble_size)
            self.bubble_on = np.clip(since / p["emerge_s"] + 0.5, 0, 1)
            self.grow = 1 + p["spread_growth"] * np.clip(since, 0, None) / t[-1]
            self.twinkle = np.clip(1 + np.stack([ornstein(rng, self.n, 1 / self.fps, 1.5, 0.25) for _ in range(k)]), 0.2, 2)
        if p.get("catheter"):
            enter, rest, leave, speed, tip = (p["catheter"][k] for k in ("enter_s", "rest_s", "leave_s", "speed_mm_s", "tip_mm"))
            start = self.stripe.length + 45
            tip_s = np.full(self.n, np.nan)
            for i, now in enumerate(t):
                if now < enter:
                    continue
                where = start + (tip - start) * min(1.0, (now - enter) / (rest - enter))
                if now > leave:
                    where = tip + (now - leave) * speed
                if where < start:
                    tip_s[i] = where
            self.tip_s = tip_s
            self.wire_lean = rng.uniform(-0.3, 0.3)

    def make_look(self):
        p, rng = self.p, self.rng
        nr, nl = self.probe.n_range, self.probe.n_lines
        depth = np.linspace(0, 1, nr)[:, None]
        gain = -p["attenuation_db"] * depth ** 2 + 1.2 * np.interp(depth, np.linspace(0, 1, 8), rng.standard_normal(8))
        lines = gaussian_filter1d(rng.standard_normal(nl), nl / 22)
        gain = gain + 1.0 * lines[None, :] / lines.std() * (0.3 + 0.7 * depth)
        for _ in range(p["shadows"]):
            at, width, start = rng.uniform(0.05, 0.95) * nl, rng.uniform(3, 9), rng.uniform(0, 0.5)
            if abs(at / nl - 0.5) < 0.25:
                at = nl * (0.06 if rng.uniform() < 0.5 else 0.94)
            gain = gain - 7 * np.exp(-((np.arange(nl) - at) / width) ** 2)[None, :] * sigmoid((depth - start) / 0.05)
        edge = np.minimum(np.arange(nl), nl - 1 - np.arange(nl)) / nl
        gain = gain - 6 * np.exp(-edge / 0.03)[None, :]
        gain = gain + 7 * np.exp(-depth / 0.03)  # ring-down at the face
        self.gain = (10 ** (gain / 20)).astype(np.float32)
        self.noise = (10 ** ((p["noise_db"] + 14 * (depth - 0.5)) / 20) * np.ones((1, nl))).astype(np.float32)
        self.overlay = overlay(p, self.probe)
        self.kept = None

    def stamp(self, lines, x, z, amplitude, axial, lateral):
        """Adds small bright echoes to the line data (complex, random but fixed phase)."""
        lx, ly = self.probe.to_line(np.asarray(x), np.asarray(z))
        for cx, cy, a in zip(lx, ly, amplitude):
            x0, y0 = int(round(cx)), int(round(cy))
            rx, ry = int(4 * lateral) + 1, int(4 * axial) + 1
            xa, xb = max(0, x0 - rx), min(lines.shape[1], x0 + rx + 1)
            ya, yb = max(0, y0 - ry), min(lines.shape[0], y0 + ry + 1)
            if xa >= xb or ya >= yb:
                continue
            gx = np.exp(-0.5 * ((np.arange(xa, xb) - cx) / lateral) ** 2)
            gy = np.exp(-0.5 * ((np.arange(ya, yb) - cy) / axial) ** 2)
            lines[ya:yb, xa:xb] += (a * gy[:, None] * gx[None, :]).astype(np.float32)

    def render(self, i):
        p, probe = self.p, self.probe
        coarse = self.displacement(i)
        X, Z = self.rest_of(i, coarse, probe.x, probe.z)
        mx = ((X - self.x0) / REST_MM).astype(np.float32)
        mz = ((Z - self.z0) / REST_MM).astype(np.float32)
        f = cv2.remap(self.field, mx, mz, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
        c, s = math.cos(self.out_of_plane[i]), math.sin(self.out_of_plane[i])
        re, im = f[..., 0] * c + f[..., 1] * s, f[..., 2] * c + f[..., 3] * s
        axial, lateral = p["axial_mm"] / p["depth"] * probe.n_range, np.radians(p["lateral_deg"]) / (2 * probe.half) * probe.n_lines
        re = cv2.GaussianBlur(re, (0, 0), sigmaX=lateral, sigmaY=axial)
        im = cv2.GaussianBlur(im, (0, 0), sigmaX=lateral, sigmaY=axial)
        if self.kept is None:
            self.norm = 1 / math.sqrt(float(np.median(re ** 2 + im ** 2)))
        extra = np.zeros_like(re)
        if self.bubbles and self.bubble_on[i] > 0:
            on = self.bubble_on[i]
            s_b = self.bubble_s[i] + self.bubble_along * self.grow[i]
            h = np.maximum(self.stripe.half_thickness(s_b) * 0.6, 0.3)
            n_b = np.clip(self.bubble_across * np.sqrt(self.grow[i]), -h, h)
            s_b = np.maximum(s_b, 0.8)
            bx, bz = self.stripe.to_xz(s_b, n_b)
            px, pz = self.place_of(i, coarse, bx, bz)
            a = 10 ** (p["bubble_db"] / 20) * self.bubble_size * self.twinkle[:, i] * on
            self.stamp(extra, px, pz, a, axial * 1.1, lateral * 0.9)
            w = self.bubble_size
            self.bubble_now = self.probe.to_px(np.average(px, weights=w), np.average(pz, weights=w))
        else:
            self.bubble_now = None
        self.tip_now = None
        if p.get("catheter") and np.isfinite(self.tip_s[i]):
            along = np.arange(self.tip_s[i], self.stripe.length + 58, 0.35)
            lean = self.wire_lean * np.clip((along - self.tip_s[i]) / 20, 0, 1)
            tone = 10 ** (p["catheter"]["level_db"] / 20)
            for side in (-1, 1):
                cx, cz = self.stripe.to_xz(along, lean + side * p["catheter"]["half_width_mm"])
                px, pz = self.place_of(i, coarse, cx, cz)
                level = tone * (0.8 + 0.35 * np.sin(along * 0.9) * np.sin(along * 0.37 + side))
                self.stamp(extra, px, pz, level * 0.45, axial, lateral * 0.7)
            cx, cz = self.stripe.to_xz(np.array([self.tip_s[i]]), np.array([0.0]))
            px, pz = self.place_of(i, coarse, cx, cz)
            self.stamp(extra, px, pz, [tone * 0.9], axial, lateral)
            self.tip_now = self.probe.to_px(px[0], pz[0])
        rng = self.rng
        re, im = re * self.norm + extra, im * self.norm + 0.6 * extra
        re, im = re * self.gain, im * self.gain
        noise = rng.standard_normal((2,) + re.shape, dtype=np.float32) * self.noise
        env = np.sqrt((re + noise[0]) ** 2 + (im + noise[1]) ** 2)
        if p["compound"]:
            env = cv2.blur(env, (3, 3)) * 0.5 + env * 0.5
        db = 20 * np.log10(env + 1e-4)
        grey = np.clip((db - p["floor_db"]) / p["range_db"], 0, 1)
        grey = grey ** p["gamma"]
        if self.kept is not None:
            grey = p["persistence"] * self.kept + (1 - p["persistence"]) * grey
        self.kept = grey
        picture = cv2.remap(grey.astype(np.float32), probe.map_x, probe.map_y, cv2.INTER_LINEAR, borderValue=0)
        picture = np.where(probe.mask, picture * 255, 0)
        if p["filter"] == "edge":
            soft = cv2.GaussianBlur(picture, (0, 0), 1.2)
            picture = np.clip(picture + 0.6 * (picture - cv2.GaussianBlur(picture, (0, 0), 2.5)), 0, 255) * 0.6 + soft * 0.4
            picture = np.where(probe.mask, picture, 0)
        elif p["filter"] == "median":
            picture = cv2.medianBlur(picture.astype(np.uint8), 3).astype(np.float32)
        frame = np.clip(picture + 0.5, 0, 255).astype(np.uint8)
        frame = np.where(self.overlay > 0, self.overlay, frame)
        # what stands where
        fx, fz = self.stripe.to_xz(np.array([0.0, self.stripe.length]), np.array([0.0, 0.0]))
        qx, qz = self.place_of(i, coarse, fx, fz)
        ends = np.column_stack(self.probe.to_px(qx, qz))
        return frame, ends, coarse

    def centre_line_px(self, i, coarse):
        s = np.linspace(0, self.stripe.length, 41)
        x, z = self.stripe.to_xz(s, np.zeros_like(s))
        return np.column_stack(self.probe.to_px(*self.place_of(i, coarse, x, z)))


def overlay(p, probe):
    """Text, ruler, grey bar: what a machine burns in."""
    o = np.zeros((p["height"], p["width"]), np.uint8)
    font = cv2.FONT_HERSHEY_SIMPLEX
    for text, x, y, size, level in p["texts"]:
        cv2.putText(o, text, (x, y), font, size, int(level), 1, cv2.LINE_AA)
    r = p.get("ruler")
    if r:
        step = 10 / probe.mm_per_px
        x = r["x_px"]
        k = 0
        while True:
            y = probe.top_px + k * step / r["per_cm"]
            if y > min(p["height"] - 4, probe.top_px + p["depth"] / probe.mm_per_px + 1):
                break
            major = k % r["per_cm"] == 0
            length = r["long_px"] if major else r["short_px"]
            if major and r.get("five_longer") and (k // r["per_cm"]) % 5 == 0:
                length += 4
            y0 = int(round(y))
            if r["side"] == "left":
                o[y0, x:x + length] = r["level"]
            else:
                o[y0, x - length + 1:x + 1] = r["level"]
            if r.get("thick") and major:
                o[y0 + 1, x - length + 1:x + 1] = r["level"]
            if major and r.get("numbers") and (k // r["per_cm"]) % 5 == 0 and k > 0:
                cv2.putText(o, str(k // r["per_cm"]), (x + 5 if r["side"] != "left" else x - 22, y0 + 4), font, 0.38, int(r["level"]), 1, cv2.LINE_AA)
            k += 1
        if r.get("axis"):
            o[probe.top_px:int(y), x] = np.maximum(o[probe.top_px:int(y), x], r["level"] // 2)
    b = p.get("bar")
    if b:
        x, y, w, h = b
        o[y:y + h, x:x + w] = np.linspace(255, 1, h)[:, None].astype(np.uint8)
    if p.get("marker"):
        x, y = p["marker"]
        cv2.circle(o, (x, y), 6, 190, 1, cv2.LINE_AA)
    return o


# ---------------------------------------------------------------- files
class Writer:
    def __init__(self, path, p):
        self.path, self.p = path, p
        codec = {"h264": ["-c:v", "libx264", "-preset", "fast", "-crf", str(p.get("crf", 20)), "-pix_fmt", "yuv420p"],
                 "mjpeg": ["-c:v", "mjpeg", "-q:v", "3", "-pix_fmt", "yuvj420p"],
                 "mpeg4": ["-c:v", "mpeg4", "-q:v", "3", "-pix_fmt", "yuv420p"]}.get(p["codec"])
        self.frames = []
        self.pipe = None
        if codec:
            self.pipe = subprocess.Popen(["ffmpeg", "-v", "error", "-y", "-f", "rawvideo", "-pix_fmt", "gray", "-s",
                                          "%dx%d" % (p["width"], p["height"]), "-r", repr(p["fps"]), "-i", "-", "-threads", "1",
                                          "-fflags", "+bitexact", "-flags", "+bitexact"] + codec + [path], stdin=subprocess.PIPE)

    def write(self, frame):
        if self.pipe:
            self.pipe.stdin.write(frame.tobytes())
        else:
            ok, data = cv2.imencode(".jpg", frame, [cv2.IMWRITE_JPEG_QUALITY, 92])
            assert ok
            self.frames.append(data.tobytes())

    def close(self):
        if self.pipe:
            self.pipe.stdin.close()
            if self.pipe.wait() != 0:
                sys.exit("ffmpeg failed on " + self.path)
        else:
            write_dicom(self.path, self.p, self.frames)


def write_dicom(path, p, frames):
    import pydicom
    from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
    from pydicom.encaps import encapsulate
    from pydicom.sequence import Sequence
    uid = "2.25.%d" % (10 ** 30 + p["seed"])
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.3.1"
    meta.MediaStorageSOPInstanceUID = uid
    meta.TransferSyntaxUID = "1.2.840.10008.1.2.4.50"
    ds = FileDataset(path, {}, file_meta=meta, preamble=b"\0" * 128)
    ds.is_little_endian, ds.is_implicit_VR = True, False
    ds.SOPClassUID, ds.SOPInstanceUID = meta.MediaStorageSOPClassUID, uid
    ds.StudyInstanceUID, ds.SeriesInstanceUID = uid + ".1", uid + ".1.1"
    ds.Modality, ds.PatientName, ds.PatientID = "US", "INVENTED^LOOP", "INVENTED"
    ds.StudyDate = ds.ContentDate = ds.AcquisitionDate = "20200102"
    ds.StudyTime = ds.ContentTime = ds.AcquisitionTime = "101500"
    ds.Manufacturer, ds.InstanceNumber, ds.SeriesNumber = "peer loop generator", 1, 1
    ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
    ds.Rows, ds.Columns = p["height"], p["width"]
    ds.BitsAllocated = ds.BitsStored = 8
    ds.HighBit, ds.PixelRepresentation = 7, 0
    ds.NumberOfFrames = len(frames)
    ds.FrameTime = "%.4f" % (1000 / p["fps"])
    ds.FrameIncrementPointer = 0x00181063
    ds.LossyImageCompression = "01"
    regions = []
    for kind in p.get("regions", ["tissue"]):
        r = Dataset()
        r.RegionSpatialFormat, r.RegionFlags = 1, 2
        r.PhysicalUnitsXDirection = r.PhysicalUnitsYDirection = 3
        if kind == "tissue":
            r.RegionDataType = 1
            r.RegionLocationMinX0, r.RegionLocationMinY0 = 40, p["top_px"] - 2
            r.RegionLocationMaxX1, r.RegionLocationMaxY1 = p["width"] - 40, p["height"] - 1
            r.PhysicalDeltaX = r.PhysicalDeltaY = p["mm_per_px"] / 10
            r.ReferencePixelX0, r.ReferencePixelY0 = int(p["centre_px"]) - 40, 2
        else:
            r.RegionSpatialFormat, r.RegionDataType = 3, 3
            r.PhysicalUnitsXDirection, r.PhysicalUnitsYDirection = 4, 7
            r.RegionLocationMinX0, r.RegionLocationMinY0, r.RegionLocationMaxX1, r.RegionLocationMaxY1 = 0, 0, 30, 30
            r.PhysicalDeltaX, r.PhysicalDeltaY = 0.01, 0.5
        regions.append(r)
    ds.SequenceOfUltrasoundRegions = Sequence(regions)
    ds.PixelData = encapsulate(frames)
    ds["PixelData"].is_undefined_length = True
    ds.save_as(path, write_like_original=False)


# ---------------------------------------------------------------- the loops
BASE = dict(
    width=800, height=600, fps=12, duration=120, codec="h264", lines=300, samples=560, face_mm=11.0, fov_deg=120, clip_px=(40, 745),
    depth=88.0, mm_per_px=0.165, centre_px=392.0, top_px=34, fundus=(-24.0, 50.0), heading_deg=-14, bend_deg=22,
    canal_bend_deg=35, mirror=False, length=46.0, thickness=10.0, myometrium_mm=14.0, outside_db=-0.5, outside_mottle_db=3.2,
    bowel=True, mottle_db=1.6, junction_db=2.5, edge_mm=0.35, stripe_db=9.0, stripe_look="homogeneous", stripe_mottle_db=1.0,
    line_db=4.0, triple_inner_db=-3.0, canal_db=-4.0, serosa_db=5.0, texture_mm=0.16, axial_mm=0.24, lateral_deg=0.62,
    breath_mm=0.6, breath_per_min=15.0, breath_angle_deg=75, breath_turn_deg=0.25, walk_mm=0.6, walk_turn_deg=0.35,
    pulse_mm=0.12, pulse_per_min=72, decorrelation=0.25, decay_mm=7.0, direction="cervix-to-fundus", rate=3.0,
    irregular=0.0, amplitude_jitter=0.1, wall_amplitude=0.5, velocity=2.0, deposit_s=None, catheter=None, n_bubbles=26,
    bubble_spread_mm=1.4, bubble_db=17.0, emerge_s=0.5, spread_growth=0.4, drift_kind="slow", attenuation_db=4.0, shadows=3,
    noise_db=-20.0, compound=False, persistence=0.25, floor_db=-21.0, range_db=52.0, gamma=1.0, filter="none",
    texts=[("TV SAG UTERUS", 20, 20, 0.45, 200), ("2D  GN 54  DR 60", 20, 560, 0.4, 170), ("MI 0.8 TIS 0.2", 640, 20, 0.4, 170)],
    ruler=dict(x_px=770, side="right", per_cm=2, long_px=9, short_px=5, level=200, numbers=True), bar=(14, 200, 12, 180), marker=(330, 24))


def transfer(deposit_s, deposit_mm, drift_mm, kind="slow", at=None, tip_back=1.8, level_db=15.0, leave=5.0, **more):
    return dict(deposit_s=deposit_s, deposit_mm=deposit_mm, drift_mm=drift_mm, drift_kind=kind, drift_at_s=at,
                catheter=dict(enter_s=max(0.5, deposit_s - 9), rest_s=deposit_s - 4, leave_s=deposit_s + leave, speed_mm_s=22.0,
                              tip_mm=deposit_mm + tip_back + 1.4, level_db=level_db, half_width_mm=0.55), **more)


RULER_LEFT = dict(x_px=12, side="left", per_cm=1, long_px=8, short_px=4, level=230, numbers=False, axis=False)
RULER_FINE = dict(x_px=785, side="right", per_cm=10, long_px=12, short_px=5, level=180, numbers=True, five_longer=True)
RULER_CM = dict(x_px=752, side="right", per_cm=1, long_px=7, short_px=4, level=160, numbers=False)

LOOPS = {
    "p01_c2f_plain": dict(seed=101, **transfer(20.0, 14.0, 6.0)),
    "p02_f2c_triple": dict(seed=102, direction="fundus-to-cervix", rate=2.2, velocity=1.4, wall_amplitude=0.45, stripe_look="triple",
                           stripe_db=13.0, triple_inner_db=-4.0, thickness=11.5, length=50, mirror=True, fundus=(-26.0, 54.0), heading_deg=-8, bend_deg=-16,
                           canal_bend_deg=30, codec="mjpeg", fps=10, texture_mm=0.18, lateral_deg=0.7, axial_mm=0.27, ruler=RULER_LEFT,
                           bar=(780, 100, 10, 200), persistence=0.4, **transfer(15.0, 11.0, -7.0)),
    "p03_quiet": dict(fov_deg=86, clip_px=(0, 768), seed=103, direction="none", walk_mm=0.9, walk_turn_deg=0.6, stripe_look="line", stripe_db=6.5, length=42, thickness=8,
                      fundus=(-20.0, 44.0), heading_deg=2, bend_deg=20, ruler=RULER_FINE, codec="mpeg4", **transfer(25.0, 17.0, 3.0)),
    "p04_opposing": dict(fov_deg=96, clip_px=(0, 740), seed=104, direction="opposing", rate=3.4, velocity=2.4, wall_amplitude=0.6, length=54, thickness=12, depth=96,
                         mm_per_px=0.178, fundus=(-28.0, 58.0), heading_deg=-20, bend_deg=26, stripe_db=8.0, fps=15,
                         texts=[("ET ROOM 2", 560, 24, 0.5, 220), ("FR 15 Hz", 20, 30, 0.45, 180), ("D 9.6 cm", 20, 50, 0.45, 180)],
                         bar=None, ruler=RULER_CM, **transfer(30.0, 19.0, 9.0, kind="early")),
    "p05_mixed": dict(seed=105, direction="mixed", rate=2.8, velocity=1.8, wall_amplitude=0.55, mirror=True, length=48, thickness=9,
                      fundus=(-25.0, 40.0), heading_deg=12, bend_deg=-22, canal_bend_deg=-10, stripe_db=8.5, codec="mjpeg",
                      **transfer(18.0, 12.5, 0.0)),
    "p06_faint_slow": dict(seed=106, rate=1.6, velocity=0.7, wall_amplitude=0.4, stripe_db=4.5, junction_db=1.5, mottle_db=1.3, length=40,
                           thickness=7.0, fundus=(-19.0, 52.0), heading_deg=-18, bend_deg=14, fps=10, texture_mm=0.14, lateral_deg=0.5,
                           axial_mm=0.2, ruler=RULER_FINE, **transfer(22.0, 9.5, -4.0)),
    "p07_fast_irregular": dict(seed=107, rate=4.3, velocity=3.2, wall_amplitude=0.35, irregular=0.22, second_harmonic=0.25, length=52,
                               thickness=13, fundus=(-27.0, 50.0), heading_deg=-6, bend_deg=18, mirror=True, codec="mpeg4",
                               compound=True, filter="edge", **transfer(26.0, 22.0, 10.0, kind="sudden", at=70.0)),
    "p08_no_bubbles": dict(fov_deg=150, flat_bottom_px=540, seed=108, direction="fundus-to-cervix", rate=3.1, velocity=1.0, wall_amplitude=0.5, irregular=0.12,
                           stripe_look="triple", stripe_db=10.0, triple_inner_db=-4.0, thickness=9.0, length=44,
                           fundus=(-21.0, 47.0), heading_deg=-12, bend_deg=25,
                           catheter=dict(enter_s=10, rest_s=16, leave_s=30, speed_mm_s=20, tip_mm=16, level_db=15.0, half_width_mm=0.55)),
    "p09_retroverted": dict(seed=109, rate=2.5, velocity=2.8, wall_amplitude=0.4, fundus=(22.0, 64.0), heading_deg=203, bend_deg=-18,
                            canal_bend_deg=-30, length=45, thickness=10.5, stripe_db=8.0, depth=95, mm_per_px=0.176, fps=13,
                            codec="dicom", regions=["spectrum", "tissue"], ruler=None, **transfer(12.0, 13.0, 5.0)),
    "p10_quiet_shoved": dict(seed=110, direction="none", walk_mm=0.7, shoves=[(45.0, 2.5, 1.0, 1.0), (82.0, -1.5, -2.0, -1.5)],
                             stripe_db=8.0, length=50, thickness=9, mirror=True, fundus=(-26.0, 48.0), heading_deg=-5, bend_deg=15,
                             codec="h264", fps=12, breath_per_min=12.5, breath_mm=0.7),
    "p11_small_waves": dict(fov_deg=104, clip_px=(30, 800), seed=111, rate=3.7, velocity=2.0, wall_amplitude=0.3, stripe_db=7.0, length=58, thickness=14,
                            depth=98, mm_per_px=0.18, fundus=(-31.0, 56.0), heading_deg=-16, bend_deg=20, fps=15, breath_per_min=18,
                            ruler=RULER_LEFT, bar=None, **transfer(20.0, 24.0, -12.0)),
    "p12_f2c_coarse": dict(fov_deg=90, clip_px=(0, 745), seed=112, direction="fundus-to-cervix", rate=1.9, velocity=2.2, wall_amplitude=0.7, texture_mm=0.26,
                           lateral_deg=1.0, axial_mm=0.38, stripe_db=9.0, length=36, thickness=8, depth=76, mm_per_px=0.142,
                           fundus=(-17.0, 40.0), heading_deg=-10, bend_deg=18, mirror=True, codec="dicom", fps=10, persistence=0.45,
                           ruler=RULER_CM, **transfer(16.0, 10.0, 4.0)),
    "p13_irregular_c2f": dict(seed=113, rate=2.9, velocity=1.5, wall_amplitude=0.5, irregular=0.28, amplitude_jitter=0.25,
                              stripe_look="line", stripe_db=7.0, line_db=5.0, length=47, thickness=11, fundus=(-22.0, 62.0),
                              heading_deg=-35, bend_deg=18, canal_bend_deg=30, depth=92, mm_per_px=0.17, filter="median", codec="mjpeg",
                              **transfer(28.0, 15.5, -15.0, kind="sudden", at=88.0)),
    "p14_thin_short": dict(fov_deg=84, clip_px=(0, 768), seed=114, rate=3.3, velocity=1.2, wall_amplitude=0.35, length=31, thickness=5.2, stripe_db=10.0,
                           fundus=(-13.0, 42.0), heading_deg=-6, bend_deg=12, depth=72, mm_per_px=0.134, fps=12, myometrium_mm=12,
                           ruler=RULER_FINE, bladder=(-30.0, 20.0, 15.0, 8.0), **transfer(24.0, 8.0, 2.0)),
    "p15_opposing_mirror": dict(seed=115, direction="opposing", rate=2.3, velocity=1.6, wall_amplitude=0.5, mirror=True, length=49,
                                thickness=10, stripe_look="triple", stripe_db=9.0, fundus=(-24.0, 49.0), heading_deg=-15, bend_deg=20,
                                codec="mpeg4", fps=14, noise_db=-17, bubble_db=12.0, **transfer(14.0, 16.0, 7.5, kind="early")),
    "p16_noisy_f2c": dict(fov_deg=92, clip_px=(30, 800), seed=116, direction="fundus-to-cervix", rate=4.0, velocity=3.8, wall_amplitude=0.45, decorrelation=0.4,
                          noise_db=-14, gamma=0.9, stripe_db=7.0, length=55, thickness=12.5, depth=100, mm_per_px=0.183,
                          fundus=(-29.0, 52.0), heading_deg=-9, bend_deg=16, crf=24, ruler=RULER_LEFT, bar=None, **transfer(32.0, 20.0, -9.0)),
}


def drawn(seed):
    """A loop with everything drawn by lot, within what a transfer loop may show."""
    rng = np.random.default_rng(5000 + seed)
    pick = lambda *v: v[int(rng.integers(len(v)))]
    for _ in range(500):
        length, thickness = rng.uniform(30, 58), rng.uniform(5.5, 15)
        depth = rng.uniform(max(70, length * 1.55), 105)
        mm = depth / rng.uniform(515, 548)
        up = rng.uniform(-1, 1)
        p = dict(seed=900 + seed, length=round(length, 1), thickness=round(thickness, 1), depth=round(depth, 1), mm_per_px=round(mm, 4),
                 fov_deg=rng.uniform(84, 140), fundus=(-length * rng.uniform(0.45, 0.6), depth * rng.uniform(0.42, 0.66)),
                 heading_deg=-10 - 18 * up, bend_deg=rng.uniform(-25, 30), canal_bend_deg=rng.uniform(-35, 40), mirror=bool(rng.integers(2)),
                 wiggle_deg=rng.uniform(0, 5), top_px=int(rng.integers(20, 45)), centre_px=float(rng.integers(380, 412)),
                 face_mm=rng.uniform(9, 14), myometrium_mm=rng.uniform(11, 17), fps=int(pick(10, 11, 12, 13, 15)),
                 codec=pick("h264", "mjpeg", "mpeg4", "dicom", "h264"), stripe_look=pick("homogeneous", "triple", "line", "homogeneous"),
                 texture_mm=rng.uniform(0.14, 0.22), lateral_deg=rng.uniform(0.45, 0.95), axial_mm=rng.uniform(0.2, 0.36),
                 persistence=rng.uniform(0.05, 0.45), decorrelation=rng.uniform(0.1, 0.4), noise_db=rng.uniform(-24, -14),
                 floor_db=rng.uniform(-25, -18), range_db=rng.uniform(46, 62), filter=pick("none", "none", "edge", "median"),
                 compound=bool(rng.integers(2)), breath_mm=rng.uniform(0.3, 0.8), breath_per_min=rng.uniform(12, 20),
                 breath_angle_deg=rng.uniform(40, 110), walk_mm=rng.uniform(0.3, 0.8), pulse_per_min=rng.uniform(55, 95),
                 direction=pick("cervix-to-fundus", "fundus-to-cervix", "opposing", "mixed", "cervix-to-fundus", "none"),
                 rate=rng.uniform(1.5, 4.5), irregular=float(pick(0, 0, 0.12, 0.25)), wall_amplitude=rng.uniform(0.3, 0.8),
                 second_harmonic=float(pick(0, 0.2)), decay_mm=rng.uniform(5, 10), wall_ratio=rng.uniform(0.8, 1.2),
                 mixed_turns_s=pick([60.0], [40.0, 80.0]), bubble_db=rng.uniform(13, 19), n_bubbles=int(rng.integers(10, 40)),
                 bubble_spread_mm=rng.uniform(0.7, 1.8), shadows=int(rng.integers(0, 5)), bowel=bool(rng.integers(2)))
        p["velocity"] = float(np.clip(p["rate"] / 60 * rng.uniform(20, 55), 0.6, 4.0))
        p["stripe_db"] = rng.uniform(5.5, 11) if p["stripe_look"] != "triple" else rng.uniform(9, 13)
        p["ruler"] = pick(BASE["ruler"], RULER_LEFT, RULER_FINE, RULER_CM) if p["codec"] != "dicom" or rng.integers(2) else None
        p["clip_px"] = (40, 745) if p["ruler"] is not RULER_FINE else (40, 768)
        p["bar"] = pick(BASE["bar"], None) if p["ruler"] is not RULER_LEFT else None
        at = rng.uniform(12, 32)
        deposit = rng.uniform(8, min(25, length * 0.6))
        drift = float(np.clip(rng.uniform(-15, 10), -(length * 0.85 - deposit), deposit - 3))
        kind = pick("slow", "slow", "early", "sudden")
        if rng.uniform() > 0.2:
            p.update(transfer(round(at, 1), round(deposit, 1), round(drift, 2), kind=kind, at=rng.uniform(at + 15, 105),
                              level_db=rng.uniform(11, 16), leave=rng.uniform(3, 9)))
            if rng.uniform() < 0.15:
                p["catheter"] = None
        full = {**BASE, **p}
        stripe, probe = Stripe(full, np.random.default_rng(full["seed"])), Probe(full)
        s, n = np.meshgrid(np.linspace(-12, length + 6, 40), [-thickness / 2 - 7, thickness / 2 + 7])
        x, y = probe.to_px(*stripe.to_xz(s, n))
        inside = (x > 8) & (x < full["width"] - 8) & (y > 8) & (y < full["height"] - 8)
        if inside.all() and probe.mask[y.astype(int), x.astype(int)].all():
            return p
    sys.exit("no loop fits for seed %d" % seed)


def make(name, out, only_frames=None):
    p = {**BASE, **(LOOPS[name] if name in LOOPS else drawn(int(name[1:])))}
    extension = {"h264": ".mp4", "mjpeg": ".avi", "mpeg4": ".avi", "dicom": ".dcm"}[p["codec"]]
    path = os.path.join(out, name + extension)
    loop = Loop(p)
    if only_frames is not None:
        for i in only_frames:
            loop.kept = loop.kept if i else None
            frame, ends, coarse = loop.render(i)
            marked = cv2.cvtColor(frame, cv2.COLOR_GRAY2BGR)
            line = loop.centre_line_px(i, coarse)
            cv2.polylines(marked, [np.round(line).astype(np.int32)], False, (0, 255, 255), 1)
            cv2.circle(marked, tuple(int(v) for v in np.round(ends[0])), 4, (0, 0, 255), 1)
            if loop.bubble_now:
                cv2.circle(marked, tuple(int(round(float(v))) for v in loop.bubble_now), 6, (0, 255, 0), 1)
            cv2.imwrite(os.path.join(out, "%s_%04d.png" % (name, i)), np.hstack([cv2.cvtColor(frame, cv2.COLOR_GRAY2BGR), marked]))
        return
    writer = Writer(path, p)
    bubble, fundus, os_path, tip = [], [], [], []
    line = None
    for i in range(loop.n):
        frame, ends, coarse = loop.render(i)
        writer.write(frame)
        fundus.append([round(float(v), 3) for v in ends[0]])
        os_path.append([round(float(v), 3) for v in ends[1]])
        bubble.append([round(float(v), 3) for v in loop.bubble_now] if loop.bubble_now else None)
        tip.append([round(float(v), 3) for v in loop.tip_now] if loop.tip_now else None)
        if i == 0:
            line = loop.centre_line_px(i, coarse)
    writer.close()
    mm = p["mm_per_px"]
    truth = dict(name=name, file=os.path.basename(path), made_by="tests/peer/make_loops.py", seed=p["seed"], width_px=p["width"],
                 height_px=p["height"], frames=loop.n, frame_rate_hz=p["fps"], duration_s=loop.n / p["fps"], scale_mm_per_px=mm,
                 scale_source="dicom-region" if p["codec"] == "dicom" else ("ruler" if p.get("ruler") else "none"),
                 cavity=dict(frame=0, fundus_px=fundus[0], os_px=os_path[0], centre_line_px=np.round(line, 2).tolist(),
                             length_mm=p["length"], thickness_mm=round(2 * float(loop.stripe.half_thickness(np.linspace(0, p["length"], 400)).max()), 3)),
                 fundus_path_px=fundus, os_path_px=os_path, bubble_path_px=bubble, tip_path_px=tip)
    if p["direction"] == "none":
        truth["contractions"] = dict(present=False, rate_per_min=None, count=0, direction=None, wall_amplitude_mm=0.0,
                                     wall_to_wall_half_peak_to_peak_mm=0.0, velocity_mm_per_s=None)
    else:
        rate, waves = loop.waves.realised(loop.times)
        gap = loop.gap_mm(p["length"] * 0.5)
        truth["contractions"] = dict(present=True, rate_per_min=round(rate, 4), count=round(waves, 2), direction=p["direction"],
                                     wall_amplitude_mm=p["wall_amplitude"],
                                     wall_to_wall_half_peak_to_peak_mm=round(float(math.sqrt(2) * gap.std()), 4),
                                     velocity_mm_per_s=p["velocity"], irregular=p["irregular"])
    if loop.bubbles:
        at = min(loop.n - 1, int(math.ceil((p["deposit_s"] + p["emerge_s"] / 2) * p["fps"])))
        b, f = np.array(bubble[at]), np.array(fundus[at])
        e, fe = np.array(bubble[-1]), np.array(fundus[-1])
        truth["deposit"] = dict(time_s=p["deposit_s"], frame=at, point_px=bubble[at], to_fundus_mm=round(float(np.hypot(*(b - f))) * mm, 3),
                                along_stripe_mm=p["deposit_mm"], tip_to_fundus_mm=None if tip[at] is None else round(float(np.hypot(*(np.array(tip[at]) - f))) * mm, 3))
        truth["drift"] = dict(toward_fundus_mm=round(float(loop.bubble_s[at] - loop.bubble_s[-1]), 3), kind=p["drift_kind"],
                              final_to_fundus_mm=round(float(np.hypot(*(e - fe))) * mm, 3))
    else:
        truth["deposit"] = truth["drift"] = None
    with open(os.path.join(out, name + ".truth.json"), "w") as f:
        json.dump(truth, f)
    print(name, "done", flush=True)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("out")
    parser.add_argument("names", nargs="*", help="loops to make; all when none is named; r1, r2 ... are drawn by lot")
    parser.add_argument("--stills", help="comma separated frames to draw as PNG instead")
    a = parser.parse_args()
    os.makedirs(a.out, exist_ok=True)
    for name in a.names or sorted(LOOPS):
        make(name, a.out, [int(v) for v in a.stills.split(",")] if a.stills else None)


if __name__ == "__main__":
    main()
