#!/usr/bin/python3
"""Synthetic transvaginal loops of a sagittal uterus with an embryo transfer.

Reflectors live on a reference map (mm).  Every frame maps the beam grid (range x angle)
back onto that map through a known displacement, filters the complex reflectors with the
beam's point spread, takes the envelope, compresses it and scan-converts it.  All truth
points go through the inverse of the very same displacement.
Coordinates: x to the right, y into depth, mm, y = 0 at the probe face in mid image.
Stripe coordinates: s along the centre line (0 = internal os, L = fundus), n normal to it.
"""
import argparse
import json
import os
import subprocess

import cv2
import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import cKDTree

cv2.setNumThreads(1)
W_PX, H_PX, SECONDS = 800, 600, 120.0
STEP = 0.22                             # mm of the reference map
MAP_X0, MAP_X1, MAP_Y0, MAP_Y1 = -72.0, 72.0, -8.0, 102.0

DEFAULT = dict(
    seed=1, fps=12, container="mp4", codec="h264", crf=20, scale=0.150, top_px=30, shift_px=0,
    half_deg=58.0, face_r=11.0, depth=80.0, mirror=False, version="ante",
    mid=(2.0, 37.0), tilt_deg=8.0, bend_mm=95.0, canal_bend_mm=45.0, length=44.0,
    thick=10.0, look="uniform", contrast=8.0, halo=3.5, myo_db=-39.0, rough=0.25,
    waves=True, rate=2.5, amp=0.8, direction="cervix-to-fundus", velocity=2.0,
    jitter=0.04, amp_jitter=0.08, sharp=1.3, share=0.5, along=0.25,
    breath_mm=0.5, breath_rate=15.0, walk_mm=0.5, rock_deg=0.4, press=0.003, pulse_mm=0.12,
    pulse_rate=72.0, decor=0.8, probe_swing=None,
    catheter=True, deposit=True, t_dep=30.0, d_dep=14.0, t_in=12.0, hold=5.0, tip_gap=2.0,
    bubbles=9, bubble_db=-10.0, drift=0.0, drift_kind="slow", drift_t=(6.0, 60.0),
    split=None, away=None, fade=None, specks=0, fibroid=False,
    compound=True, persist=0.2, noise_db=-56.0, haze_db=-46.0, gain_db=0.0, dyn=52.0, gamma=1.0,
    tint=False, ruler="right", text=True, bladder=True, bowel=3, layers=2, shadows=2)

LOOPS = dict(
    v01=dict(seed=101, fps=12, rate=2.4, amp=0.9, velocity=1.8, contrast=8.5, thick=10.5, look="triple",
             t_dep=31, d_dep=13, drift=5.5, drift_t=(8, 55), container="mp4", codec="h264"),
    v02=dict(seed=102, gain_db=3, mid=(-3, 36), fps=10, mirror=True, direction="fundus-to-cervix", rate=3.1, amp=0.65,
             velocity=3.2, thick=8.5, contrast=8, t_dep=42, d_dep=9, drift=-9.0,
             drift_t=(5, 50), compound=False, container="avi", codec="mjpeg", scale=0.16, depth=85,
             share=0.62, breath_mm=0.6, ruler="left", tilt_deg=14),
    v03=dict(seed=103, fps=12, version="retro", tilt_deg=-16, mid=(-1.0, 40.0), rate=1.7, amp=1.2,
             velocity=1.0, thick=13.0, contrast=8, t_dep=22, d_dep=18, drift=-14.0,
             drift_kind="sudden", drift_t=(14, 2.2), container="dcm", codec="ybr",
             sharp=1.8, bend_mm=80, length=46),
    v04=dict(seed=104, gain_db=2, mid=(-5, 34), tilt_deg=20, fps=10, direction="opposing", rate=2.2, amp=0.8, velocity=2.4, contrast=9, thick=9.0,
             look="triple", mirror=True, t_dep=36, d_dep=16, split=dict(after=12, by=-6.5, share=0.28),
             drift=3.0, drift_t=(10, 40), container="mkv", codec="h264"),
    v05=dict(seed=105, mid=(5, 41), tilt_deg=-3, bladder=False, fps=10, waves=False, walk_mm=1.1, rock_deg=1.0, probe_swing=(1.3, 24.0),
             thick=9.5, contrast=8, t_dep=27, d_dep=11, drift=0.0, container="mp4",
             codec="mpeg4", breath_rate=13),
    v06=dict(seed=106, gain_db=4, mid=(3, 38), half_deg=64, fps=10, waves=False, walk_mm=0.9, rock_deg=1.3, probe_swing=(0.9, 17.0),
             press=0.006, version="retro", tilt_deg=-10, mirror=True, thick=7.0, contrast=7.5,
             deposit=False, catheter=False, container="mkv", codec="mpeg4", breath_rate=18,
             ruler="left"),
    v07=dict(seed=107, gain_db=1, half_deg=62, fps=12, rate=4.3, amp=0.45, velocity=5.5, thick=6.0, contrast=9,
             deposit=False, catheter=True, t_dep=38, d_dep=12, container="mp4", codec="h264",
             jitter=0.06, tilt_deg=2, mid=(4, 34)),
    v08=dict(seed=108, gain_db=3, mid=(0, 35), tilt_deg=3, bend_mm=65, bladder=False, fps=11, rate=2.8, amp=0.7, velocity=0.7, direction="fundus-to-cervix",
             thick=11.0, contrast=7, mirror=True, deposit=False, catheter=False,
             container="avi", codec="mpeg4", length=42),
    v09=dict(seed=109, gain_db=3, mid=(5, 33), tilt_deg=22, half_deg=64, fps=10, rate=3.4, amp=0.32, velocity=2.6, thick=8.0, contrast=7,
             t_dep=18, d_dep=7, drift=2.0, away=(38, 61), container="dcm", codec="mono",
             breath_mm=0.6, breath_rate=17, walk_mm=0.6, ruler="none", bubble_db=-9),
    v10=dict(seed=110, gain_db=2, fps=11, rate=2.0, amp=1.0, velocity=1.4, jitter=0.24, amp_jitter=0.3,
             sharp=2.0, thick=14.5, look="triple", contrast=8.5, version="retro", tilt_deg=-20,
             mid=(0, 42), t_dep=50, d_dep=21, drift=8.5, drift_kind="slow", drift_t=(4, 45),
             container="mp4", codec="mpeg4", scale=0.165, depth=88, tint=True),
    v11=dict(seed=111, gain_db=2, mid=(-4, 39), fps=10, rate=3.7, amp=0.55, velocity=4.2, direction="fundus-to-cervix",
             thick=7.5, contrast=6.6, halo=2.6, specks=5, jitter=0.1, mirror=True, t_dep=25,
             d_dep=15, drift=-6.0, drift_t=(10, 50), fade=(62, 14), container="mp4",
             codec="h264", crf=27, decor=1.6, noise_db=-51, persist=0.35, shadows=3),
    v12=dict(seed=112, gain_db=4, mid=(4, 37), half_deg=54, fps=10, direction="opposing", rate=2.9, amp=0.6, velocity=1.5, jitter=0.18,
             amp_jitter=0.25, thick=10.0, contrast=7.8, halo=3.5, version="retro", tilt_deg=-6,
             t_dep=57, d_dep=24, drift=-12.0, drift_kind="slow", drift_t=(3, 40), fade=(45, 10),
             container="avi", codec="mjpeg", decor=1.4, fibroid=True, breath_mm=0.65,
             breath_rate=19, layers=3, haze_db=-42),
    v13=dict(seed=113, gain_db=2, fps=15, rate=1.6, amp=1.4, velocity=2.9, thick=16.0, contrast=8,
             mirror=True, t_dep=15.5, d_dep=5.5, t_in=5, hold=4, drift=-19.5,
             drift_kind="sudden", drift_t=(30, 3.0), length=50, scale=0.17, depth=90,
             mid=(1, 41), container="mkv", codec="h264", sharp=1.6),
    v14=dict(seed=114, gain_db=3, mid=(-4, 35), tilt_deg=15, canal_bend_mm=60, fps=10, waves=True, rate=2.6, amp=0.36, velocity=3.5,
             direction="cervix-to-fundus", thick=5.5, contrast=5.8, walk_mm=0.8, rock_deg=0.8,
             decor=1.5, t_dep=33, d_dep=10, drift=4.0, drift_t=(20, 30),
             split=dict(after=30, by=4.5, share=0.3), away=(40, 52), container="mp4",
             codec="h264", crf=24, breath_mm=0.6, jitter=0.12, noise_db=-52, specks=3))


def draw(seed):
    """A random set of settings inside the brief's ranges."""
    g = np.random.default_rng(seed)
    u = lambda a, b: float(g.uniform(a, b))
    thick = u(5, 16)
    retro = g.random() < 0.35
    length = u(40, 50)
    t_dep = u(15, 60)
    d_dep = u(5, min(25, length - 14))
    low, high = max(-20.0, -(length - d_dep - 5)), min(10.0, d_dep - 3)
    sudden = g.random() < 0.3
    container, codec = [("mp4", "h264"), ("mp4", "mpeg4"), ("avi", "mjpeg"), ("avi", "mpeg4"),
                        ("mkv", "h264"), ("dcm", "ybr"), ("dcm", "mono")][g.integers(7)]
    hard = g.random() < 0.2
    odd = g.random()
    loop = dict(
        seed=seed, fps=int(g.integers(10, 16)), container=container, codec=codec,
        mirror=bool(g.random() < 0.5), version="retro" if retro else "ante",
        tilt_deg=u(-20, -4) if retro else u(-2, 22), mid=(u(-4, 5), u(34, 41)),
        half_deg=u(54, 65), bend_mm=u(65, 130), canal_bend_mm=u(38, 70), length=length,
        thick=thick, look="triple" if g.random() < 0.35 and thick > 7 else "uniform",
        contrast=u(4.8, 6) if hard else u(6.5, 9), halo=u(2, 4),
        waves=bool(g.random() > 0.15), rate=u(1.5, 4.5), amp=u(0.3, min(1.4, 0.1 * thick)),
        velocity=float(np.exp(u(np.log(0.6), np.log(6)))),
        direction=["cervix-to-fundus", "fundus-to-cervix", "opposing"][g.integers(3)],
        jitter=u(0.15, 0.25) if g.random() < 0.3 else u(0, 0.06), amp_jitter=u(0, 0.25),
        sharp=u(1, 2), share=u(0.4, 0.6), breath_mm=u(0.3, 0.65), breath_rate=u(12, 20),
        walk_mm=u(0.3, 0.7), rock_deg=u(0.2, 0.8), pulse_mm=u(0.05, 0.18), decor=u(0.5, 1.6),
        t_dep=t_dep, d_dep=d_dep, t_in=max(4.0, t_dep - u(10, 18)), hold=u(3, 7),
        drift=u(low, high), drift_kind="sudden" if sudden else "slow",
        drift_t=(u(5, 25), u(1.5, 4)) if sudden else (u(3, 12), u(25, 50)),
        gain_db=u(0, 4), compound=bool(g.random() < 0.8), persist=u(0, 0.35), scale=u(0.15, 0.172), depth=u(80, 88),
        bladder=bool(g.random() < 0.7), tint=bool(g.random() < 0.15), bowel=int(g.integers(1, 4)),
        ruler="left" if g.random() < 0.3 else "right", layers=int(g.integers(1, 4)))
    if not loop["waves"]:
        loop["probe_swing"] = (u(0.6, 1.4), u(15, 30))
    if odd < 0.12:
        loop["deposit"] = False
        loop["catheter"] = bool(g.random() < 0.5)
    elif odd < 0.3:
        loop["split"] = dict(after=u(8, 30), by=float(g.choice([-1, 1])) * u(3.5, 6), share=0.28)
    elif odd < 0.45:
        loop["away"] = (u(20, 30), u(36, 50))
    elif odd < 0.6:
        loop["fade"] = (u(25, 50), u(8, 15))
    return loop


def smooth_step(x):
    x = np.clip(x, 0.0, 1.0)
    return x * x * (3.0 - 2.0 * x)


def slow_noise(g, count, fps, seconds):
    """Slow wander with unit largest excursion, zero mean; about one swing per `seconds`."""
    pad = int(4 * seconds * fps)
    x = gaussian_filter1d(g.standard_normal(count + 2 * pad), seconds * fps / 4.0)[pad:-pad]
    x -= x.mean()
    return x / np.abs(x).max()


class Anatomy:
    """Centre line, stripe shape and the reflector maps."""

    def __init__(self, p, g):
        self.p = p
        L = p["length"]
        ds = 0.25
        self.s = np.arange(-70.0, L + 45.0, ds)
        sign = 1.0 if p["version"] == "ante" else -1.0
        body = 1.0 / p["bend_mm"]
        kappa = np.where((self.s >= 0) & (self.s <= L), sign * body, 0.0)
        kappa = kappa + np.where((self.s < 0) & (self.s > -28), 1.0 / p["canal_bend_mm"], 0.0)
        kappa = gaussian_filter1d(kappa, 3.0 / ds)
        mid = int(np.argmin(np.abs(self.s - L / 2)))
        turn = np.cumsum(kappa) * ds
        heading = np.pi + np.radians(p["tilt_deg"]) + turn - turn[mid]
        t = np.stack([np.cos(heading), np.sin(heading)], 1)
        xy = np.cumsum(t, 0) * ds
        xy += np.array(p["mid"]) - xy[mid]
        if p["mirror"]:
            xy[:, 0] *= -1.0
            t[:, 0] *= -1.0
        self.xy, self.t, self.nrm = xy, t, np.stack([-t[:, 1], t[:, 0]], 1)
        self.half0 = p["thick"] / 2.0
        gx = np.arange(MAP_X0, MAP_X1, STEP)
        gy = np.arange(MAP_Y0, MAP_Y1, STEP)
        self.X, self.Y = np.meshgrid(gx.astype(np.float32), gy.astype(np.float32))
        self.project()
        self.paint(g)

    def at(self, s, n=0.0):
        s = np.asarray(s, float)
        n = np.asarray(n, float)
        px = np.interp(s, self.s, self.xy[:, 0]) + n * np.interp(s, self.s, self.nrm[:, 0])
        py = np.interp(s, self.s, self.xy[:, 1]) + n * np.interp(s, self.s, self.nrm[:, 1])
        return np.stack([px, py], -1)

    def width(self, s, cap=True):
        """Half thickness of the stripe (canal below the os)."""
        L, h0 = self.p["length"], self.half0
        f = 0.42 + 0.58 * smooth_step(np.asarray(s, float) / (0.55 * L))
        f = np.where(s < 0, 0.42 * np.exp(np.minimum(s, 0) / 5.0), f)
        h = np.maximum(h0 * f, 0.7)
        if cap:
            c = 1.1 * h0
            x = np.clip((s - (L - c)) / c, 0.0, 1.0)
            h = np.where(s > L, 0.0, h * np.sqrt(1.0 - x * x))
        return h

    def project(self):
        tree = cKDTree(self.xy[::4])
        _, k = tree.query(np.stack([self.X[::4, ::4].ravel(), self.Y[::4, ::4].ravel()], 1))
        near = self.s[k * 4].reshape(self.X[::4, ::4].shape).astype(np.float32)
        sp = cv2.resize(near, (near.shape[1] * 4, near.shape[0] * 4), interpolation=cv2.INTER_NEAREST)
        sp = sp[:self.X.shape[0], :self.X.shape[1]]
        for _ in range(3):                                                # foot of the normal
            j = np.clip(((sp - self.s[0]) * 4 + 0.5).astype(int), 0, self.s.size - 1)
            dx, dy = self.X - self.xy[j, 0], self.Y - self.xy[j, 1]
            tx, ty = self.t[j, 0], self.t[j, 1]
            sp = self.s[j] + dx * tx + dy * ty
        self.S = sp.astype(np.float32)
        self.N = (-dx * ty + dy * tx).astype(np.float32)
        self.Tx, self.Ty = tx.astype(np.float32), ty.astype(np.float32)

    def outer(self, s):
        L, h0 = self.p["length"], self.half0
        body = h0 + 12.5 + 1.5 * np.sin(s / 9.0)
        neck = 11.5
        r = neck + (body - neck) * smooth_step((s + 6.0) / 18.0)
        end = 12.5 + 0.25 * h0
        x = np.clip((s - (L - 9.0)) / (end + 9.0), 0.0, 1.0)
        return np.where(s > L + end, 0.0, r * np.sqrt(1.0 - x ** 2.4))

    def line(self, d, width, db):
        """Smooth reflecting sheet at d = 0: bright where it faces the probe."""
        gy, gx = np.gradient(d, STEP)
        ry = self.Y + self.p["face_r"]
        facing = (gx * self.X + gy * ry) ** 2 / ((gx * gx + gy * gy) * (self.X ** 2 + ry * ry) + 1e-6)
        return 10 ** (db / 20.0) * np.exp(-0.5 * (d / width) ** 2) * (0.12 + 0.88 * facing * facing)

    def blob(self, c, a, b, turn):
        ca, sa = np.cos(turn), np.sin(turn)
        u = ((self.X - c[0]) * ca + (self.Y - c[1]) * sa) / a
        v = (-(self.X - c[0]) * sa + (self.Y - c[1]) * ca) / b
        return (np.hypot(u, v) - 1.0) * min(a, b)

    def paint(self, g):
        p, L, S, N = self.p, self.p["length"], self.S, self.N
        shape = S.shape
        def wob(mm, amp):
            """Random map with swings about `mm` wide and standard deviation `amp`."""
            k = max(1, int(mm / STEP / 3.0))
            q = g.standard_normal((shape[0] // k + 9, shape[1] // k + 9)).astype(np.float32)
            q = cv2.GaussianBlur(q, (0, 0), mm / STEP / k)
            q = cv2.resize(q, (q.shape[1] * k, q.shape[0] * k), interpolation=cv2.INTER_CUBIC)
            return amp / q.std() * q[:shape[0], :shape[1]]
        m = p["myo_db"]
        db = np.full(shape, m - 1.0, np.float32) + wob(5.0, 2.2)         # other pelvic tissue
        spec = np.zeros(shape, np.float32)
        bend = wob(11.0, 2.2)
        for k in range(p["layers"]):                                      # sheets behind the uterus
            base = float(np.interp(0.5 * L, self.s, self.xy[:, 1])) + self.half0 + 20 + 8.5 * k
            d = self.Y - (base + 0.004 * (k + 1) * self.X ** 2 * (-1) ** k + bend + 0.12 * k * self.X)
            db += 7.0 * np.exp(-0.5 * (d / (0.9 + 0.4 * k)) ** 2)
            spec += self.line(d, 0.3, m + 10)
        uter = np.abs(N) < self.outer(S)
        uter &= S > -31.0
        mask = uter.astype(np.uint8)
        d_out = (cv2.distanceTransform(1 - mask, cv2.DIST_L2, 5)
                 - cv2.distanceTransform(mask, cv2.DIST_L2, 5)).astype(np.float32) * STEP
        d_out = cv2.GaussianBlur(d_out, (0, 0), 3) + wob(3.0, 0.25)
        self.d_out = d_out
        if p["bladder"]:
            fx, fy = self.at(L * 0.85)
            c = (fx * 1.0, max(13.0, fy - self.half0 - 20.0))
            d = np.maximum(self.blob(c, 17.0, 9.0, 0.15 * np.sign(fx)), 2.2 - d_out)
            d = cv2.GaussianBlur(d.astype(np.float32), (0, 0), 2.5)
            db = np.where(d < 0, -62.0 + 10 * np.exp(-(self.Y - 4) / 7), db + 3.0 * np.exp(-np.abs(d) / 1.2))
            spec += self.line(d, 0.3, m + 9)
            self.bladder_d = d
        else:
            self.bladder_d = None
        self.gas = []
        for k in range(p["bowel"]):
            for _ in range(50):
                c = (g.uniform(-52, 52), g.uniform(30, 80))
                ix = int((c[0] - MAP_X0) / STEP), int((c[1] - MAP_Y0) / STEP)
                if 8.0 < d_out[ix[1], ix[0]] < 24.0:
                    break
            else:
                continue
            d = self.blob(c, g.uniform(5, 9), g.uniform(3, 5), g.uniform(-0.6, 0.6)) + wob(1.5, 0.5)
            ok = d_out > 2.5
            db = np.where((d < 0) & ok, m + g.uniform(-6, 5) + wob(1.0, 3.0), db)
            spec += self.line(d, 0.4, m + 15) * ok * smooth_step((c[1] - self.Y + 1.0) / 2.0)
            self.gas.append((c, g.uniform(3, 7)))
        # uterus
        edge = smooth_step(0.5 - d_out / 1.0)
        myo = m + wob(2.5, 1.3) + wob(7.0, 1.2) - 1.5 * smooth_step((d_out + 3.5) / 3.0)
        arc = smooth_step((np.abs(N) - self.half0 - 6.0) / 1.5) * smooth_step((self.half0 + 10 - np.abs(N)) / 1.5)
        myo -= 2.0 * arc * (S > 4) * (wob(3.0, 1.0) > 0.2)               # arcuate vessels
        cerv = smooth_step((4.0 - S) / 8.0)
        myo = myo + cerv * 1.5
        db = db * (1 - edge) + myo * edge
        spec = spec * (1 - edge) + self.line(d_out, 0.28, m + 9.0) * (0.7 + 0.3 * np.tanh(wob(4.0, 1.0)))
        if p["fibroid"]:
            c = self.at(L * 0.45, -np.sign(self.nrm[0, 1]) * (self.half0 + 8.5))
            d = self.blob(c, 6.0, 4.8, 0.3) + wob(2.0, 0.2)
            db = np.where(d < 0, db - 3.5 + wob(0.8, 1.5), db + 2.0 * np.exp(-np.abs(d) / 0.8) * (d > 0))
        if g.random() < 0.7:                                              # small cyst of the cervix
            d = self.blob(self.at(-12.0, g.choice([-6.0, 6.0])), 1.9, 1.6, 0.0)
            db = np.where(d < 0, -60.0, db)
        r1 = gaussian_filter1d(g.standard_normal(self.s.size), 3.0 / 0.25)
        r2 = gaussian_filter1d(g.standard_normal(self.s.size), 3.0 / 0.25)
        r1, r2 = p["rough"] * r1 / r1.std(), p["rough"] * r2 / r2.std()
        gate = smooth_step(self.s / 6.0) * smooth_step((L - self.s) / 5.0)
        hs = self.width(self.s)
        up = np.interp(S, self.s, hs + r1 * gate)
        dn = np.interp(S, self.s, hs + r2 * gate)
        h = np.where(N > 0, up, dn)
        d_in = (np.abs(N) - h).astype(np.float32)                        # < 0 inside
        past = S > L                                                      # beyond the fundal end
        d_in = np.where(past, np.hypot(S - L, N), d_in).astype(np.float32)
        inside = smooth_step(0.5 - d_in / 0.9)
        halo = np.exp(-0.5 * ((d_in - 1.4) / 0.9) ** 2) * smooth_step((S - 1.0) / 6.0)
        db -= p["halo"] * halo * (d_in > -0.3)
        body = smooth_step((S + 1.5) / 3.0)
        if p["look"] == "uniform":
            tone = p["contrast"] + wob(1.5, 1.0) + 0.8 * np.exp(-0.5 * (N / 0.5) ** 2)
            spec += self.line(N + 0.05 * wob(2.0, 1.0), 0.22, m + p["contrast"] + 1) * inside * body * 0.5
        else:
            rim = np.exp(-0.5 * ((d_in + 0.75) / 0.55) ** 2)
            core = np.exp(-0.5 * ((N + 0.15 * wob(3.0, 1.0)) / 0.40) ** 2)
            tone = -2.0 + (p["contrast"] + 3.5) * np.maximum(rim, core) + wob(1.5, 0.8)
            spec += self.line(N.astype(np.float32), 0.22, m + p["contrast"] + 2) * inside * body
        tone = tone * body + (1 - body) * (3.5 * np.exp(-0.5 * (N / 0.5) ** 2) - 1.0)
        db = db * (1 - inside) + (m + tone) * inside
        canal = (1 - body) * (S > -30)
        db += 4.5 * canal * np.exp(-0.5 * (N / 0.45) ** 2)
        db -= 3.0 * canal * np.exp(-0.5 * ((np.abs(N) - 1.5) / 0.6) ** 2)
        for _ in range(p["specks"]):                                      # resting bright specks
            c = self.at(g.uniform(4, L - 3), g.uniform(-0.7, 0.7) * self.half0)
            spec += 10 ** ((m + g.uniform(16, 22)) / 20) * np.exp(
                -0.5 * ((self.X - c[0]) ** 2 + (self.Y - c[1]) ** 2) / 0.30 ** 2)
        amp = 10 ** (db / 20.0)
        tex = np.empty(shape + (4,), np.float32)
        for k in range(4):
            q = cv2.GaussianBlur(g.standard_normal(shape, dtype=np.float32), (0, 0), 0.7)
            tex[..., k] = q / q.std() * amp / np.sqrt(2)
        self.tex, self.spec = tex, spec.astype(np.float32)
        # shape functions of the wave
        he = np.maximum(self.width(S, cap=False), 2.6)
        a = np.abs(N)
        prof = np.clip(a / np.maximum(he - 0.5, 0.5), 0, 1)
        prof = np.where(a > he + 1.5, np.exp(-(a - he - 1.5) / 9.0), prof)
        top = np.sign(self.nrm[self.s.size // 2, 1])                      # N*top < 0: wall near the probe
        share = np.where(N * top < 0, p["share"], 1.0 - p["share"])
        v = np.sign(N) * prof * share
        self.V = np.stack([S, v * -self.Ty, v * self.Tx], -1).astype(np.float32)
        self.V[..., 1:] = cv2.GaussianBlur(self.V[..., 1:], (0, 0), 1.2)
        lon = np.exp(-np.maximum(a - he, 0) / 8.0)
        self.A = np.stack([lon * self.Tx, lon * self.Ty], -1).astype(np.float32)


class Motion:
    """Displacement of the tissue; `back` maps picture mm to reference mm, `forth` inverts it."""

    def __init__(self, p, anat, g):
        self.p, self.anat = p, anat
        self.fps = p["fps"]
        self.count = int(round(SECONDS * self.fps))
        n, fps, t = self.count, self.fps, np.arange(self.count) / p["fps"]
        self.time = t
        # breathing: rate and depth wander a little
        f = p["breath_rate"] / 60 * (1 + 0.07 * slow_noise(g, n, fps, 20))
        ph = 2 * np.pi * np.cumsum(f) / fps + g.uniform(0, 6)
        b = p["breath_mm"] * (1 + 0.15 * slow_noise(g, n, fps, 15)) * (np.cos(ph) + 0.2 * np.cos(2 * ph + 0.6)) / 1.1
        ang = g.uniform(0.9, 1.9)
        self.breath = b
        wx = 0.8 * p["walk_mm"] * slow_noise(g, n, fps, 14) + 0.15 * p["walk_mm"] * slow_noise(g, n, fps, 3)
        wy = 0.8 * p["walk_mm"] * slow_noise(g, n, fps, 17) + 0.15 * p["walk_mm"] * slow_noise(g, n, fps, 2.5)
        if p["probe_swing"]:
            size, per = p["probe_swing"]
            sw = size * np.sin(2 * np.pi * np.cumsum(1 + 0.15 * slow_noise(g, n, fps, 25)) / fps / per + g.uniform(0, 6))
            wx, wy = wx + 0.5 * sw, wy + 0.85 * sw
        push = np.zeros(n)
        if p["catheter"]:
            push = 0.35 * smooth_step((t - p["t_in"] - 2) / 5) * smooth_step((p["t_dep"] + p["hold"] + 3 - t) / 3)
        tang = anat.t[int(np.argmin(np.abs(anat.s - p["length"] / 2)))]
        self.T = np.stack([b * np.cos(ang) + wx + push * tang[0], b * np.sin(ang) + wy + push * tang[1]], 1)
        self.T -= self.T[0]
        rot = np.radians(p["rock_deg"]) * slow_noise(g, n, fps, 16)
        sy = p["press"] * slow_noise(g, n, fps, 19) + 0.002 * b
        self.M = np.zeros((n, 2, 2))
        self.M[:, 0, 1], self.M[:, 1, 0] = -rot, rot
        self.M[:, 1, 1], self.M[:, 0, 0] = sy, -0.3 * sy
        self.M -= self.M[0]
        self.phi = p["decor"] * (1.6 * slow_noise(g, n, fps, 20) + 0.25 * b / max(p["breath_mm"], 0.1))
        # pulse of a vessel beside the uterus; bowel that moves by itself
        ph = p["pulse_rate"] / 60 * t
        self.pulse = p["pulse_mm"] * np.exp(-((ph % 1.0) - 0.18) ** 2 / 0.02)
        self.pulse = gaussian_filter1d(self.pulse, 0.06 * fps)
        self.vessel = anat.at(p["length"] * 0.1, g.choice([-1, 1]) * (anat.half0 + 13))
        self.gas_at = np.array(anat.gas[0][0]) if anat.gas else np.array([0.0, 95.0])
        self.gas_move = 0.9 * slow_noise(g, n, fps, 5)
        self.waves(g)

    def waves(self, g):
        p, L = self.p, self.p["length"]
        s = self.anat.s
        mid = L / 2
        c = np.clip(s, -6, L + 6)
        if p["direction"] == "cervix-to-fundus":
            x = c - mid
        elif p["direction"] == "fundus-to-cervix":
            x = mid - c
        else:
            x = 2.0 - np.sqrt((c - mid) ** 2 + 4.0)
        self.delay = x / p["velocity"]
        self.env = (0.72 + 0.28 * smooth_step(s / (0.16 * L))) * (0.72 + 0.28 * smooth_step((L - s) / (0.16 * L)))
        self.env *= np.where(s < 0, np.exp(s / 10), 1) * np.where(s > L, np.exp(-(s - L) / 10), 1)
        self.env = gaussian_filter1d(self.env, 4)
        if not p["waves"]:
            self.env = self.env * 0
            self.peaks, self.sizes = np.zeros(0), np.zeros(0)
        period = 60.0 / p["rate"]
        far = 120.0 + 100.0 + 3 * period
        k = int(far / period) + 4
        gaps = period * np.clip(1 + p["jitter"] * g.standard_normal(2 * k), 0.55, 1.7)
        inner = gaps[k:k + int(SECONDS / period)]
        gaps = gaps * (period / inner.mean())
        at = np.cumsum(gaps)
        at = at - at[k - 1] + g.uniform(0.2, 0.8) * period
        size = p["amp"] * np.clip(1 + p["amp_jitter"] * g.standard_normal(at.size), 0.45, 1.6)
        fine = np.arange(-140.0, 260.0, 0.05)
        inside = (at >= 0) & (at <= SECONDS)
        size *= p["amp"] / size[inside].mean()
        phase = PchipInterpolator(at, np.arange(at.size), extrapolate=True)(fine)
        level = PchipInterpolator(at, size, extrapolate=True)(np.clip(fine, at[0], at[-1]))
        self.fine = fine
        self.squeeze = level * (0.5 + 0.5 * np.cos(2 * np.pi * phase)) ** p["sharp"]
        self.quarter = period / 4
        if p["waves"]:
            self.peaks, self.sizes = at[inside], size[inside]
            got = [np.interp(t, fine, self.squeeze) for t in self.peaks]
            assert np.allclose(got, self.sizes, rtol=0.02)

    def tables(self, t):
        """Change of wall-to-wall distance and the pull along the stripe, per s of the table."""
        a = self.p["amp"]
        d = self.env * (0.8 * a - 2.0 * np.interp(t - self.delay, self.fine, self.squeeze))
        q = self.p["along"] * self.env * (np.interp(t - self.delay - self.quarter, self.fine, self.squeeze) - 0.4 * a) * 2
        return d.astype(np.float32), q.astype(np.float32)

    def own(self, i, x, y):
        """Pulse and bowel displacement at picture points."""
        dx, dy = x - self.vessel[0], y - self.vessel[1]
        r = np.hypot(dx, dy) + 1e-3
        k = self.pulse[i] * np.exp(-r / 14.0) * np.tanh(r / 2.0) / r
        gx, gy = x - self.gas_at[0], y - self.gas_at[1]
        e = self.gas_move[i] * np.exp(-0.5 * (gx * gx + gy * gy) / 5.0 ** 2)
        return k * dx + 0.6 * e, k * dy + e

    def prepare(self, X, Y):
        """Coarse beam grid (every second sample); the displacement is smooth, so it is enlarged."""
        self.size = X.shape[1], X.shape[0]
        half = (X.shape[1] // 2, X.shape[0] // 2)
        self.X, self.Y = (cv2.resize(q.astype(np.float32), half, interpolation=cv2.INTER_AREA) for q in (X, Y))
        self.mx0, self.my0 = ((X - MAP_X0) / STEP).astype(np.float32), ((Y - MAP_Y0) / STEP).astype(np.float32)
        self.polar = []
        for pl, ga in ((1.0, 0.0), (0.0, 1.0)):
            keep = self.pulse, self.gas_move
            self.pulse, self.gas_move = np.array([pl]), np.array([ga])
            self.polar.append([np.asarray(q, np.float32) for q in self.own(0, self.X, self.Y)])
            self.pulse, self.gas_move = keep
        self.both = np.concatenate([self.anat.V, self.anat.A], -1).astype(np.float64)

    def back_grid(self, i):
        p, b = self.polar
        pl, ga = np.float32(self.pulse[i]), np.float32(self.gas_move[i])
        x, y = self.X - pl * p[0] - ga * b[0], self.Y - pl * p[1] - ga * b[1]
        M, T, c = self.M[i].astype(np.float32), self.T[i].astype(np.float32), np.float32(38.0)
        y -= c
        x, y = x * (1 - M[0, 0]) - T[0] - M[0, 1] * y, y * (1 - M[1, 1]) + (c - T[1]) - M[1, 0] * x
        if self.p["waves"]:
            mx, my = (x - np.float32(MAP_X0)) * np.float32(1 / STEP), (y - np.float32(MAP_Y0)) * np.float32(1 / STEP)
            f = cv2.remap(self.anat.V, mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            a = cv2.remap(self.anat.A, mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            d, q = self.tables(self.time[i])
            k = (f[..., 0] - np.float32(self.anat.s[0])) * np.float32(4.0)
            dq = cv2.remap(np.stack([d, q], -1)[None], k, np.zeros_like(k), cv2.INTER_LINEAR,
                           borderMode=cv2.BORDER_REPLICATE)
            x -= dq[..., 0] * f[..., 1] + dq[..., 1] * a[..., 0]
            y -= dq[..., 0] * f[..., 2] + dq[..., 1] * a[..., 1]
        u = cv2.resize((x - self.X) * np.float32(1 / STEP), self.size, interpolation=cv2.INTER_LINEAR)
        v = cv2.resize((y - self.Y) * np.float32(1 / STEP), self.size, interpolation=cv2.INTER_LINEAR)
        return u + self.mx0, v + self.my0

    def wave_at(self, table, pts):
        x = np.clip((pts[:, 0] - MAP_X0) / STEP, 0, self.both.shape[1] - 2)
        y = np.clip((pts[:, 1] - MAP_Y0) / STEP, 0, self.both.shape[0] - 2)
        i, j = y.astype(int), x.astype(int)
        u, v = (y - i)[:, None], (x - j)[:, None]
        m = self.both
        f = (m[i, j] * (1 - v) + m[i, j + 1] * v) * (1 - u) + (m[i + 1, j] * (1 - v) + m[i + 1, j + 1] * v) * u
        dd, qq = np.interp(f[:, 0], self.anat.s, table[0]), np.interp(f[:, 0], self.anat.s, table[1])
        return dd[:, None] * f[:, 1:3] + qq[:, None] * f[:, 3:5]

    def forth(self, i, ref):
        """Where reference points are seen in frame i (mm)."""
        ref = np.atleast_2d(np.asarray(ref, float))
        x1 = ref.copy()
        if self.p["waves"]:
            table = self.tables(self.time[i])
            for _ in range(8):
                x1 = ref + self.wave_at(table, x1)
        c = np.array([0.0, 38.0])
        x0 = np.linalg.solve(np.eye(2) - self.M[i], (x1 + self.T[i] - c).T).T + c
        x = x0.copy()
        for _ in range(3):
            ux, uy = self.own(i, x[:, 0], x[:, 1])
            x = x0 + np.stack([ux, uy], 1)
        return x


class Transfer:
    """Catheter and bubbles in stripe coordinates."""

    def __init__(self, p, anat, mot, g):
        self.p, self.anat, self.mot = p, anat, mot
        t, fps, n = mot.time, mot.fps, mot.count
        L = p["length"]
        self.tip_s = np.full(n, np.nan)
        # place that lies d_dep (straight line) from the fundus on the centre line
        ss = np.arange(0, L, 0.05)
        dist = np.hypot(*(anat.at(ss) - anat.at(L)).T)
        self.s_dep = float(ss[np.argmin(np.abs(dist - p["d_dep"]))])
        tip = self.s_dep - p["tip_gap"]
        self.f_dep = int(round(p["t_dep"] * fps))
        if p["catheter"]:
            start = -34.0
            go = smooth_step((t - p["t_in"]) / max(p["t_dep"] - p["t_in"] - 3.0, 3.0))
            out = smooth_step((t - p["t_dep"] - p["hold"]) / 4.0)
            self.tip_s = start + (tip - start) * go - (tip - start) * out + 0.25 * slow_noise(g, n, fps, 3) * go * (1 - out)
            self.tip_s[(t < p["t_in"] + 0.3) | (t > p["t_dep"] + p["hold"] + 3.8)] = np.nan
        k = p["bubbles"]
        self.off = np.stack([g.normal(0, 0.95, k), g.normal(0, 0.45, k)], 1)
        self.off -= self.off.mean(0)
        self.db = p["bubble_db"] + g.uniform(-5, 3, k)
        self.second = np.zeros(k, bool)
        if p["split"]:
            m = max(2, int(round(p["split"]["share"] * k)))
            self.second[np.argsort(self.off[:, 0] * np.sign(p["split"]["by"]))[-m:]] = True
        w = 10 ** (self.db / 20)
        self.weight = w / w.sum()                                          # truth: the centre of all pieces
        self.off -= (self.off * self.weight[:, None]).sum(0)
        wander = np.stack([[slow_noise(g, n, fps, 9) * 0.25 for _ in range(2)] for _ in range(k)])
        self.wander = wander - wander[:, :, self.f_dep:self.f_dep + 1]
        self.twinkle = np.stack([gaussian_filter1d(g.standard_normal(n), 0.25 * fps) for _ in range(k)])
        self.twinkle *= 1.3 / self.twinkle.std()
        since = t - p["t_dep"]
        lag, dur = p["drift_t"]
        self.move = p["drift"] * smooth_step((since - lag) / dur)
        self.part = np.zeros(n)
        if p["split"]:
            self.part = p["split"]["by"] * smooth_step((since - p["split"]["after"]) / 9.0)
        self.gain = np.where(since >= -0.5 / fps, 0.0, -90.0)
        self.gain += np.where((since >= -0.5 / fps) & (since < 0.25), -4.0, 0)
        if p["away"]:
            a0, a1 = p["away"]
            self.gain -= 42.0 * smooth_step((since - a0) / 1.5) * smooth_step((a1 - since) / 1.5)
        if p["fade"]:
            self.gain -= np.clip((since - p["fade"][0]) / p["fade"][1], 0, 1) * 45.0
        if not p["deposit"]:
            self.gain[:] = -90.0
        self.g = np.random.default_rng(p["seed"] + 999)
        stripe = p["myo_db"] + (p["contrast"] if p["look"] == "uniform" else 1.0)
        excess = p["bubble_db"] + self.gain - stripe
        self.seen = excess > 7.0

    def bubbles(self, i):
        grow = 0.75 + 0.25 * smooth_step((self.mot.time[i] - self.p["t_dep"]) / 0.8)
        s = self.s_dep + self.move[i] + grow * self.off[:, 0] + self.wander[:, 0, i] + self.second * self.part[i]
        n = grow * self.off[:, 1] + 0.5 * self.wander[:, 1, i]
        s = np.clip(s, 0.5, self.p["length"] - 0.8)
        h = np.maximum(self.anat.width(s) - 0.5, 0.15)
        n = h * np.tanh(n / h)
        return s, n

    def points(self, i):
        """Point reflectors of frame i: picture mm and amplitude."""
        pts, amp = [], []
        if self.gain[i] > -60:
            s, n = self.bubbles(i)
            x = self.mot.forth(i, self.anat.at(s, n))
            a = 10 ** ((self.db + self.gain[i] + self.twinkle[:, i]) / 20)
            pts.append(x)
            amp.append(a)
            up = x + [0.0, self.p["face_r"]]
            ray = up / np.hypot(*up.T)[:, None]
            for k in range(1, 4):                                         # comet tails
                pts.append(x + ray * 0.75 * k)
                amp.append(a * 0.22 ** k)
        if np.isfinite(self.tip_s[i]):
            s = np.arange(-36.0, self.tip_s[i], 0.16)
            for k, off in enumerate((-0.55, 0.55)):
                n = off + 0.5 * np.sin(s / 13.0 + 1.0) * np.minimum(self.anat.width(s) / 4.0, 1.0)
                x = self.mot.forth(i, self.anat.at(s, n))
                d = np.gradient(x, axis=0)
                up = x + [0.0, self.p["face_r"]]
                c = np.abs(d[:, 0] * up[:, 1] - d[:, 1] * up[:, 0]) / (np.hypot(*d.T) * np.hypot(*up.T))
                a = 10 ** ((self.p["myo_db"] + 12.0) / 20) * (0.25 + 0.75 * c ** 3) * (1.0 - 0.3 * k)
                pts.append(x)
                amp.append(a * (0.8 + 0.3 * np.sin(1.7 * s + 3 * k)) * 0.35)
            pts.append(x[-1:])
            amp.append(np.array([10 ** ((self.p["myo_db"] + 21.0) / 20)]))
        if not pts:
            return None, None
        return np.concatenate(pts), np.concatenate(amp)


class Scanner:
    def __init__(self, p, anat, mot, g):
        self.p, self.anat, self.mot, self.g = p, anat, mot, g
        self.nr, self.nt = 380, 250
        half = np.radians(p["half_deg"])
        self.r = p["face_r"] + np.linspace(0, p["depth"], self.nr)
        self.th = np.linspace(-half, half, self.nt)
        R, TH = np.meshgrid(self.r, self.th, indexing="ij")
        self.dr, self.dth = self.r[1] - self.r[0], self.th[1] - self.th[0]
        X, Y = R * np.sin(TH), R * np.cos(TH) - p["face_r"]
        self.X, self.Y = X, Y
        mot.prepare(X, Y)
        self.sig = (np.radians(0.60) / self.dth, 0.19 / self.dr)
        yy, xx = np.mgrid[0:H_PX, 0:W_PX].astype(np.float32)
        xm = (xx - W_PX / 2 - p["shift_px"]) * p["scale"]
        ym = (yy - p["top_px"]) * p["scale"] + p["face_r"]
        rr, tt = np.hypot(xm, ym), np.arctan2(xm, ym)
        self.mx = ((tt + half) / self.dth).astype(np.float32)
        self.my = ((rr - p["face_r"]) / self.dr).astype(np.float32)
        m = (np.abs(tt) <= half) & (rr >= p["face_r"]) & (rr <= self.r[-1])
        m &= (xx > 22) & (xx < W_PX - 46 if p["ruler"] != "left" else xx < W_PX - 22) & (yy < H_PX - 14)
        if p["ruler"] == "left":
            m &= xx > 46
        self.mask = m
        self.fix = cv2.convertMaps(np.where(m, self.mx, -9).astype(np.float32), np.where(m, self.my, -9).astype(np.float32),
                                   cv2.CV_16SC2)
        self.build_gain()
        self.norm = self.calibrate()
        depth = self.r - p["face_r"]
        q = cv2.GaussianBlur(g.standard_normal((self.nr, self.nt, 2)).astype(np.float32), (0, 0), sigmaX=6.0, sigmaY=1.2)
        near = 10 ** ((p["haze_db"] - 0.55 * depth) / 20)
        haze = q / q.std() * near[:, None, None]
        skin = 10 ** ((p["myo_db"] + 14) / 20) * sum(
            0.55 ** k * np.exp(-0.5 * ((depth - 1.2 - 1.9 * k) / 0.35) ** 2) for k in range(4))
        haze[..., 0] += skin[:, None] * (1 + 0.25 * gaussian_filter1d(g.standard_normal(self.nt), 9))
        floor = 10 ** ((p["noise_db"] + 6.0 * (depth / p["depth"]) ** 2) / 20)
        floor = floor[:, None] / 10 ** (self.gain / 20)                   # noise is not dimmed by shadows
        self.pool = []
        for k in range(24):                                               # noise of the receiver plus resting haze
            q = cv2.GaussianBlur(g.standard_normal((self.nr, self.nt)).astype(np.float32), (0, 0),
                                 sigmaX=0.8, sigmaY=self.sig[1])
            self.pool.append(((q / q.std() / np.sqrt(2) * floor + haze[..., k % 2]) / self.norm).astype(np.float32))
        self.gain = self.gain + 20 * np.log10(self.norm)
        self.offset = ((self.gain + p["dyn"]) * 255.0 / p["dyn"]).astype(np.float32)
        self.inv = (1.0 / self.norm).astype(np.float32)
        self.last = None
        self.overlay()

    def build_gain(self):
        p, g = self.p, self.g
        depth = (self.r - p["face_r"]) / p["depth"]
        gain = p["gain_db"] + 1.5 * np.exp(-0.5 * ((depth - 0.5) / 0.2) ** 2) - 5.0 * depth ** 2
        gain += 1.2 * gaussian_filter1d(g.standard_normal(self.nr), 30) * 6
        gain = np.repeat(gain[:, None], self.nt, 1)
        fun, osx = self.anat.at(p["length"]), self.anat.at(0)
        tf = np.arctan2(fun[0], fun[1] + p["face_r"])
        to = np.arctan2(osx[0], osx[1] + p["face_r"])
        half = self.th[-1]
        for _ in range(p["shadows"]):                                     # poor contact, static dips
            for _ in range(60):
                c = g.uniform(-half, half)
                if abs(c - tf) > np.radians(14) and abs(c - to) > np.radians(8):
                    break
            w = np.radians(g.uniform(1.5, 3.5))
            gain -= g.uniform(2.5, 6) * np.exp(-0.5 * ((self.th - c) / w) ** 2)[None, :] * smooth_step(depth / 0.3)[:, None]
        gain -= 9.0 * smooth_step((np.abs(self.th) - half + np.radians(7)) / np.radians(8))[None, :]
        for c, loss in self.anat.gas:                                     # behind bowel gas
            rc, tc = np.hypot(c[0], c[1] + p["face_r"]), np.arctan2(c[0], c[1] + p["face_r"])
            wide = 5.0 / rc
            sh = np.exp(-0.5 * ((self.th - tc) / wide) ** 4)[None, :] * smooth_step((self.r - rc - 1) / 4)[:, None]
            gain -= (5 + loss) * sh
        if self.anat.bladder_d is not None:                               # enhancement behind fluid
            mx, my = self.to_map(self.X, self.Y)
            d = cv2.remap(self.anat.bladder_d, mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            gain += np.minimum(np.cumsum(d < 0, 0) * self.dr * 0.22, 3.0) * (d > 0)
        self.gain = gain.astype(np.float32)

    @staticmethod
    def to_map(x, y):
        return ((x - MAP_X0) / STEP).astype(np.float32), ((y - MAP_Y0) / STEP).astype(np.float32)

    def blur(self, q):
        return cv2.GaussianBlur(q, (0, 0), sigmaX=self.sig[0], sigmaY=self.sig[1])

    def calibrate(self):
        """Factor by depth that returns filtered unit noise to unit power."""
        q = cv2.GaussianBlur(self.g.standard_normal(self.anat.S.shape, dtype=np.float32), (0, 0), 0.7)
        mx, my = self.to_map(self.X, self.Y)
        f = self.blur(cv2.remap(q / q.std(), mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT))
        s = np.sqrt(gaussian_filter1d((f ** 2).mean(1), 25))
        return (1.0 / s).astype(np.float32)[:, None]

    def splat(self, field, pts, amp):
        r = np.hypot(pts[:, 0], pts[:, 1] + self.p["face_r"])
        t = np.arctan2(pts[:, 0], pts[:, 1] + self.p["face_r"])
        y, x = (r - self.r[0]) / self.dr, (t - self.th[0]) / self.dth
        ok = (y > 1) & (y < self.nr - 2) & (x > 1) & (x < self.nt - 2)
        y, x, a = y[ok], x[ok], amp[ok] * 2 * np.pi * self.sig[0] * self.sig[1]
        i, j = y.astype(int), x.astype(int)
        u, v = y - i, x - j
        for di, dj, w in ((0, 0, (1 - u) * (1 - v)), (1, 0, u * (1 - v)), (0, 1, (1 - u) * v), (1, 1, u * v)):
            np.add.at(field, (i + di, j + dj), (a * w).astype(np.float32))

    def frame(self, i, tr):
        p = self.p
        mx, my = self.mot.back_grid(i)
        tex = cv2.remap(self.anat.tex, mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
        sp = cv2.remap(self.anat.spec, mx, my, cv2.INTER_LINEAR)
        pts, amp = tr.points(i)
        if pts is not None:
            self.splat(sp, pts, amp)
        f = self.blur(tex)
        sp = self.blur(sp)
        sp *= self.inv
        c, s = np.cos(self.mot.phi[i]), np.sin(self.mot.phi[i])
        k = 2 * self.g.integers(0, 12, 2)
        if p["compound"]:                                                 # two looks, averaged
            mix = np.array([[c, 0, s, 0], [0, c, 0, s], [-s, 0, c, 0], [0, -s, 0, c]], np.float32)
        else:
            mix = np.array([[c, 0, s, 0], [0, c, 0, s]], np.float32)
        z = cv2.split(cv2.transform(f, mix))
        env = cv2.magnitude(z[0] + sp + self.pool[k[0]], z[1] + self.pool[k[0] + 1])
        if p["compound"]:
            env = 0.5 * (env + cv2.magnitude(z[2] + sp + self.pool[k[1]], z[3] + self.pool[k[1] + 1]))
        img = cv2.log(env + np.float32(1e-6))
        img *= np.float32(20 / np.log(10) * 255.0 / p["dyn"])
        img += self.offset
        img = np.clip(img, 0, 255)
        if p["persist"] and self.last is not None:
            img = cv2.addWeighted(img, 1 - p["persist"], self.last, p["persist"], 0)
        self.last = img
        out = cv2.remap(cv2.convertScaleAbs(img), self.fix[0], self.fix[1], cv2.INTER_LINEAR)
        return cv2.max(out, self.over)

    def overlay(self):
        p = self.p
        o = np.zeros((H_PX, W_PX), np.uint8)
        cm = 10.0 / p["scale"]
        if p["ruler"] != "none":
            x, way = (W_PX - 14, -1) if p["ruler"] == "right" else (14, 1)
            for k in range(int(p["depth"] / 10) + 1):
                y = int(round(p["top_px"] + k * cm))
                if y < H_PX - 4:
                    cv2.line(o, (x, y), (x + way * (12 if k % 5 == 0 else 7), y), 210, 1)
        if p["text"]:
            f = cv2.FONT_HERSHEY_SIMPLEX
            for k, s in enumerate(("TV SAG", f"D {p['depth'] / 10:.1f} cm", f"{p['fps']} Hz", "GN 58", f"DR {p['dyn']:.0f}")):
                x = 24 if p["ruler"] != "left" else W_PX - 110
                cv2.putText(o, s, (x, 24 + 17 * k), f, 0.42, 190, 1, cv2.LINE_AA)
            cv2.putText(o, f"#{p['seed']:05d}   MI 0.9  TIs 0.3", (60, H_PX - 4), f, 0.42, 180, 1, cv2.LINE_AA)
        bx = W_PX - 40 if p["ruler"] != "right" else 6
        o[420:560, bx:bx + 8] = np.linspace(250, 5, 140).astype(np.uint8)[:, None]
        self.over = o

    def to_px(self, mm):
        mm = np.asarray(mm, float)
        return np.stack([mm[..., 0] / self.p["scale"] + W_PX / 2 + self.p["shift_px"],
                         mm[..., 1] / self.p["scale"] + self.p["top_px"]], -1)


class Writer:
    def __init__(self, path, p):
        self.p, self.path = p, path
        self.tint = None
        if p["tint"]:
            v = np.arange(256)
            self.tint = np.stack([v ** 1.12 / 255 ** 0.12, v, np.minimum(255, v * 1.04)], 1).round().astype(np.uint8)[None]
        if p["container"] == "dcm":
            self.frames = []
            return
        fmt = "bgr24" if p["tint"] else "gray"
        enc = dict(h264=["-c:v", "libx264", "-preset", "veryfast", "-crf", str(p["crf"])],
                   mpeg4=["-c:v", "mpeg4", "-q:v", "3"], mjpeg=["-c:v", "mjpeg", "-q:v", "3"])[p["codec"]]
        pix = "yuvj420p" if p["codec"] == "mjpeg" else "yuv420p"
        self.proc = subprocess.Popen(
            ["ffmpeg", "-y", "-loglevel", "error", "-f", "rawvideo", "-pix_fmt", fmt, "-s", f"{W_PX}x{H_PX}",
             "-r", str(p["fps"]), "-i", "-", *enc, "-pix_fmt", pix, "-threads", "1", path], stdin=subprocess.PIPE)

    def add(self, img):
        if self.tint is not None:
            img = cv2.LUT(cv2.cvtColor(img, cv2.COLOR_GRAY2BGR), self.tint.reshape(1, 256, 3))
        if self.p["container"] == "dcm":
            flags = [cv2.IMWRITE_JPEG_QUALITY, 88 if self.p["codec"] == "ybr" else 80]
            if self.p["codec"] == "ybr":
                img = cv2.cvtColor(img, cv2.COLOR_GRAY2BGR) if img.ndim == 2 else img
            self.frames.append(cv2.imencode(".jpg", img, flags)[1].tobytes())
        else:
            self.proc.stdin.write(img.tobytes())

    def close(self, sc):
        if self.p["container"] != "dcm":
            self.proc.stdin.close()
            if self.proc.wait():
                raise RuntimeError("encoder failed")
            return
        from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
        from pydicom.encaps import encapsulate
        from pydicom.uid import ExplicitVRLittleEndian, JPEGBaseline8Bit, generate_uid  # noqa: F401
        p = self.p
        meta = FileMetaDataset()
        meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.3.1"
        meta.MediaStorageSOPInstanceUID = generate_uid(entropy_srcs=[str(p["seed"])])
        meta.TransferSyntaxUID = JPEGBaseline8Bit
        meta.ImplementationClassUID = "1.2.826.0.1.3680043.8.498.1"
        ds = FileDataset(self.path, {}, file_meta=meta, preamble=b"\0" * 128)
        ds.is_little_endian, ds.is_implicit_VR = True, False
        ds.SOPClassUID, ds.SOPInstanceUID = meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID
        ds.StudyInstanceUID, ds.SeriesInstanceUID = generate_uid(), generate_uid()
        ds.Modality, ds.PatientName, ds.PatientID = "US", "TEST^LOOP", f"T{p['seed']}"
        ds.PatientBirthDate = ds.PatientSex = ds.StudyID = ds.AccessionNumber = ds.ReferringPhysicianName = ""
        ds.StudyDate, ds.StudyTime, ds.SeriesNumber, ds.InstanceNumber = "20260101", "101500", 1, 1
        ds.Rows, ds.Columns, ds.NumberOfFrames = H_PX, W_PX, len(self.frames)
        ds.BitsAllocated = ds.BitsStored = 8
        ds.HighBit, ds.PixelRepresentation = 7, 0
        mono = p["codec"] == "mono"
        ds.SamplesPerPixel = 1 if mono else 3
        ds.PhotometricInterpretation = "MONOCHROME2" if mono else "YBR_FULL_422"
        if not mono:
            ds.PlanarConfiguration = 0
        ds.LossyImageCompression = "01"
        ds.FrameTime = f"{1000.0 / p['fps']:.6f}"
        ds.CineRate = ds.RecommendedDisplayFrameRate = p["fps"]
        ds.FrameIncrementPointer = 0x00181063
        reg = Dataset()
        ys, xs = np.nonzero(sc.mask)
        reg.RegionSpatialFormat, reg.RegionDataType, reg.RegionFlags = 1, 1, 0
        reg.RegionLocationMinX0, reg.RegionLocationMaxX1 = int(xs.min()), int(xs.max())
        reg.RegionLocationMinY0, reg.RegionLocationMaxY1 = int(ys.min()), int(ys.max())
        reg.PhysicalUnitsXDirection = reg.PhysicalUnitsYDirection = 3
        reg.PhysicalDeltaX = reg.PhysicalDeltaY = p["scale"] / 10.0
        ds.SequenceOfUltrasoundRegions = [reg]
        ds.PixelData = encapsulate(self.frames)
        ds["PixelData"].is_undefined_length = True
        ds.save_as(self.path, write_like_original=False)


def truth_of(name, p, anat, mot, tr, sc):
    L, n, fps, k = p["length"], mot.count, mot.fps, p["scale"]
    pt = lambda q: [round(float(q[0]), 2), round(float(q[1]), 2)]
    off = lambda s: 0.5 * np.sin(s / 13.0 + 1.0) * min(float(anat.width(s)) / 4.0, 1.0)
    ends, mains, tips = [], [], []
    for i in range(n):
        tip = tr.tip_s[i] if np.isfinite(tr.tip_s[i]) else 0.0
        ref = anat.at([L, 0.0, tip], [0.0, 0.0, off(tip)])
        if tr.seen[i]:
            s, m = tr.bubbles(i)
            ref = np.concatenate([ref, anat.at(s, m)])
        q = mot.forth(i, ref)
        ends.append(sc.to_px(q[:2]))
        mains.append(((q[3:] * tr.weight[:, None]).sum(0), float((s * tr.weight).sum())) if tr.seen[i] else None)
        q = sc.to_px(q[2])
        ok = np.isfinite(tr.tip_s[i]) and 0 <= q[0] < W_PX and 0 <= q[1] < H_PX and sc.mask[int(q[1]), int(q[0])]
        tips.append(pt(q) if ok else None)
    mm = lambda a, b: float(np.hypot(*(np.asarray(a) - np.asarray(b)))) * k
    line = sc.to_px(mot.forth(0, anat.at(np.linspace(L, 0.0, int(L) + 2))))
    t = dict(name=name, file=f"{name}.{p['container']}", width_px=W_PX, height_px=H_PX, frames=n,
             frame_rate_hz=fps, duration_s=round(n / fps, 3), scale_mm_per_px=k)
    t["cavity"] = dict(frame=0, fundus_px=pt(line[0]), os_px=pt(line[-1]), centre_line_px=[pt(q) for q in line],
                       length_mm=round(float(np.hypot(*np.diff(line, axis=0).T).sum()) * k, 2),
                       thickness_mm=round(2 * float(anat.width(anat.s).max()), 2))
    t["fundus_path_px"] = [pt(e[0]) for e in ends]
    t["os_path_px"] = [pt(e[1]) for e in ends]
    t["bubble_path_px"] = [pt(sc.to_px(q[0])) if q else None for q in mains]
    t["tip_path_px"] = tips
    pk = mot.peaks
    if p["waves"]:
        t["contractions"] = dict(
            present=True, rate_per_min=round(60.0 / float(np.diff(pk).mean()), 3), count=len(pk),
            direction=p["direction"], wall_to_wall_half_peak_to_peak_mm=round(float(mot.sizes.mean()), 3),
            velocity_mm_per_s=p["velocity"], peak_times_at_mid_stripe_s=[round(float(x), 2) for x in pk],
            rate_by_count_per_min=round(len(pk) / (n / fps) * 60.0, 3))
    else:
        t["contractions"] = dict(present=False, rate_per_min=None, count=0, direction=None,
                                 wall_to_wall_half_peak_to_peak_mm=None, velocity_mm_per_s=None,
                                 peak_times_at_mid_stripe_s=[], rate_by_count_per_min=0.0)
    t["deposit"] = t["drift"] = None
    if p["deposit"]:
        f = tr.f_dep
        last = int(np.nonzero(tr.seen)[0][-1])
        a, b = mains[f], mains[last]
        t["deposit"] = dict(time_s=round(f / fps, 3), frame=f, point_px=pt(sc.to_px(a[0])),
                            to_fundus_mm=round(mm(sc.to_px(a[0]), ends[f][0]), 2),
                            tip_to_fundus_mm=round(mm(tips[f], ends[f][0]), 2) if tips[f] else None)
        t["drift"] = dict(toward_fundus_mm=round(b[1] - a[1], 2),
                          final_to_fundus_mm=round(mm(sc.to_px(b[0]), ends[last][0]), 2), last_frame=last,
                          kind=p["drift_kind"] if abs(p["drift"]) > 0.2 else "none")
    return t


def notes_of(p, anat, mot, tr, sc):
    """What helps to check the loop by eye: the walls at mid stripe, the split off part."""
    mid = p["length"] / 2
    h = float(anat.width(mid))
    walls = [sc.to_px(mot.forth(i, anat.at([mid, mid], [-h, h]))).round(3).tolist() for i in range(mot.count)]
    second = None
    if p["split"] and p["deposit"]:
        s, n = tr.bubbles(mot.count - 1)
        q = mot.forth(mot.count - 1, anat.at(s[tr.second], n[tr.second])).mean(0)
        second = sc.to_px(q).round(2).tolist()
    return dict(settings={k: v for k, v in p.items()}, walls_at_mid_px=walls, split_part_at_end_px=second,
                breath_mm=mot.breath.round(3).tolist())


def make(name, settings, out, notes):
    p = {**DEFAULT, **settings}
    g = np.random.default_rng(p["seed"])
    anat = Anatomy(p, g)
    mot = Motion(p, anat, g)
    tr = Transfer(p, anat, mot, g)
    sc = Scanner(p, anat, mot, g)
    truth = truth_of(name, p, anat, mot, tr, sc)
    for q in truth["fundus_path_px"] + truth["os_path_px"]:
        assert sc.mask[int(q[1]), int(q[0])], f"{name}: an end of the stripe leaves the sector"
    w = Writer(os.path.join(out, truth["file"]), p)
    for i in range(mot.count):
        w.add(sc.frame(i, tr))
    w.close(sc)
    with open(os.path.join(out, name + ".truth.json"), "w") as f:
        json.dump(truth, f, indent=1)
    if notes:
        os.makedirs(notes, exist_ok=True)
        with open(os.path.join(notes, name + ".notes.json"), "w") as f:
            json.dump(notes_of(p, anat, mot, tr, sc), f)


def main():
    ap = argparse.ArgumentParser(description=__doc__)
    ap.add_argument("--out", default="loops")
    ap.add_argument("--notes", help="folder for checking notes")
    ap.add_argument("--all", action="store_true")
    ap.add_argument("--name", nargs="+", default=[])
    ap.add_argument("--lot", type=int)
    ap.add_argument("-n", type=int, default=1)
    ap.add_argument("--seconds", type=float, help="shorter loops for a look")
    a = ap.parse_args()
    if a.seconds:
        global SECONDS
        SECONDS = a.seconds
    os.makedirs(a.out, exist_ok=True)
    jobs = [(k, LOOPS[k]) for k in (sorted(LOOPS) if a.all else a.name)]
    if a.lot is not None:
        jobs += [(f"r{a.lot:03d}_{k:02d}", draw(1000 * a.lot + k)) for k in range(a.n)]
    for name, s in jobs:
        make(name, s, a.out, a.notes)
        print("made", name, flush=True)


if __name__ == "__main__":
    main()
