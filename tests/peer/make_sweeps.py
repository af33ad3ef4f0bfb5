#!/usr/bin/env python3
"""Draw synthetic transvaginal ultrasound loops around an embryo transfer, with known truth.

Usage
    make_sweeps.py --out DIR [NAMES ...]          the fixed set s01..s10, or some of it
    make_sweeps.py --out DIR --lot SEED [--name NAME]
                                                  one loop drawn by lot over all parameters
    --seconds N     shortens the loops (for looking only)

What is drawn
    A sagittal uterus: myometrium, a bright or triple-line endometrial stripe with a rounded fundal end, internal
    os, cervical canal; bladder, ovary with follicles, bowel gas, fat, serosa.  A soft catheter enters along the
    canal, a drop with air appears at its tip and drifts, subendometrial waves move the walls, and breathing,
    pulse, hand and turning move everything.

How it is drawn
    Dense random scatterers, weighted by an amplitude map of the anatomy, are kept as complex fields in the
    tissue's own polar frame.  Each frame warps them by the inverse of the forward motion, turns their phase with
    the displacement along the beam (strain and rotation really decorrelate the speckle), adds the point reflectors
    of catheter and air, and filters with a beam that widens with depth and has side lobes.  Reverberation, noise
    and gain bands stay with the probe.  Envelope, log compression, speckle reduction, persistence, grey map and
    scan conversion follow.

Truth
    DIR/NAME.truth.json: pixels of the decoded frame (origin at the centre of the top-left pixel),
    seconds from the first frame.  All paths come from the same forward motion as the picture.
"""
import argparse
import json
import os
import struct
import subprocess
import time

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter, gaussian_filter1d
from scipy.spatial import cKDTree

AXIAL_MM = 0.10          # The step along the beam, in the tissue field and in the received field.
LINE_DEG = 0.50          # The angle between neighbouring scan lines.
TISSUE_DEG = 0.25        # The angular step of the tissue's field, twice as fine as the lines.
TABLE_MM = 0.5           # The step of the Cartesian table of wave displacement directions.
PHASE_SHARE = 0.35       # The share of the geometric phase that is applied (the rest is averaged away
                         # in a real scanner by its wide band and by compounding).
MARGIN_MM, MARGIN_DEG = 5.0, 5.0

def draw_parameters(seed):
    """Draw every parameter of a loop by lot."""
    g = np.random.default_rng(seed)
    u = g.uniform
    pick = lambda *a: a[int(g.integers(len(a)))]
    p = dict(seed=int(seed), seconds=120.0)
    p.update(size=pick((800, 600), (800, 600), (800, 600), (640, 480), (1024, 768)),
             fps=float(pick(10, 10, 12, 12.5, 15)),
             coding=pick("h264.mp4", "h264.mkv", "mpeg4.avi", "mjpeg.avi", "h264.mp4"))
    # The probe and its picture.
    p.update(depth_mm=u(72, 90), fov_deg=u(100, 128), radius_mm=u(9.5, 12), mhz=u(5.2, 6.8), axial_fwhm_mm=u(0.40, 0.55),
             lateral_fwhm_deg=u(1.25, 1.7), focus_mm=u(35, 55), range_db=u(54, 64), myometrium_grey=u(0.36, 0.45),
             persistence=u(0.15, 0.45), smoothing=u(0.3, 0.75), noise_db=u(-24, -16), decorrelating=u(0.15, 0.4))
    # The uterus.
    p.update(version=pick("anteverted", "anteverted", "retroverted"))
    p.update(mirrored=bool(pick(0, 1)), length_mm=u(34, 46),
             thickness_mm=u(6.0, 14.5), look=pick("bright", "bright", "triple"), contrast_db=u(5.5, 9),
             slope_deg=u(-12, 22) if p["version"] == "anteverted" else u(22, 42), bend_deg=u(8, 55) * pick(-1, 1, 1),
             cervix_turn_deg=u(5, 35), cap_mm=u(10, 18), wall_mm=u(10, 15), stripe_depth_mm=u(36, 44),
             halo_db=u(-4, -1.5))
    # The waves.
    p.update(direction=pick("cervix-to-fundus", "cervix-to-fundus", "fundus-to-cervix", "opposing", "mixed", None),
             rate_per_min=u(1.5, 4.5), amplitude_mm=u(0.3, 1.2), speed_mm_s=u(1.2, 3.8), irregular=bool(pick(0, 0, 1)),
             opposing_kind=pick("meet", "standing"), share=u(0.35, 0.65), sway=u(0.0, 0.2), pulse_fill=u(0.7, 1.0))
    # The tissue and the hand.
    p.update(breath_per_min=u(12, 20), breath_mm=u(0.35, 0.65), pulse_per_min=u(50, 100), pulse_mm=u(0.1, 0.2),
             walk_mm=u(0.4, 0.7), turn_deg=u(0.6, 1.3))
    # The transfer.
    p.update(deposit=True, enter_s=u(7, 18), hold_s=u(4, 10), stay_s=u(3, 9), tip_mm=u(8, 22),
             catheter=pick("double", "double", "single"), catheter_db=u(20, 25), pieces=int(pick(1, 1, 2, 3)),
             air_db=u(35, 40), drift_mm=u(-10, 8), drift_kind=pick("slow", "slow", "sudden", "none"),
             fade_db=pick(0.0, 4.0, 8.0), lost=bool(pick(0, 0, 1)))
    # The surroundings and the furniture.
    p.update(bladder=bool(pick(0, 1, 1)), ovary=bool(pick(0, 1)), gas=int(pick(0, 1, 2)),
             ruler_side=pick("left", "right"), bar_side=pick("left", "right"))
    # The basal layer and the inner myometrium move as one band of this width (0: a sharp crest).
    p.update(wall_band_mm=u(1.5, 3.0))
    return p

def settle(p):
    """Bring drawn parameters into agreement with one another."""
    p["amplitude_mm"] = min(p["amplitude_mm"], 0.10 * p["thickness_mm"])
    p["tip_mm"] = min(p["tip_mm"], 0.6 * p["length_mm"])
    if p["drift_kind"] == "none":
        p["drift_mm"] = 0.0
    place = p["tip_mm"] - 1.5 - p["drift_mm"]
    p["drift_mm"] += min(place - 5.0, 0.0) + max(place - (p["length_mm"] - 8), 0.0)
    if p["direction"] is None:
        p["amplitude_mm"] = 0.0
    return p

def fixed_set():
    """The ten loops of the fixed set: what each changes in its drawn parameters."""
    base = dict(size=(800, 600), coding="h264.mp4", fps=10.0, look="bright", version="anteverted", mirrored=False,
                irregular=False, pieces=1, drift_kind="slow")
    return {
        "s01": (9101, dict(base, direction="cervix-to-fundus", rate_per_min=2.8, amplitude_mm=0.75, speed_mm_s=2.4,
            thickness_mm=10.5, contrast_db=7.5, drift_mm=3.0, fade_db=3.0, slope_deg=8.0, bend_deg=25.0, lost=False,
            tip_mm=15.0)),
        "s02": (9102, dict(base, coding="mpeg4.avi", fps=12.0, look="triple", mirrored=True,
            direction="fundus-to-cervix", rate_per_min=2.1, amplitude_mm=0.6, speed_mm_s=1.8, thickness_mm=11.5,
            contrast_db=7.0, pieces=2, drift_mm=-4.5, drift_kind="sudden", slope_deg=-4.0, bend_deg=38.0, lost=False,
            tip_mm=12.0)),
        "s03": (9103, dict(base, version="retroverted", coding="h264.mkv", fps=12.5, direction="opposing",
            opposing_kind="meet", rate_per_min=3.2, amplitude_mm=0.8, speed_mm_s=2.6, thickness_mm=9.0, contrast_db=8.0,
            drift_mm=-2.0, slope_deg=34.0, bend_deg=20.0, tip_mm=18.0)),
        "s04": (9104, dict(base, coding="mjpeg.avi", look="triple", direction="mixed", rate_per_min=3.6,
            amplitude_mm=0.9, speed_mm_s=3.0, thickness_mm=12.5, pieces=3, drift_mm=6.0, slope_deg=15.0, bend_deg=-18.0,
            lost=True, fade_db=4.0, tip_mm=19.0)),
        "s05": (9105, dict(base, fps=15.0, mirrored=True, direction="cervix-to-fundus", irregular=True, rate_per_min=2.4,
            amplitude_mm=0.85, speed_mm_s=2.0, thickness_mm=13.5, contrast_db=6.0, pieces=2, drift_mm=-8.0,
            slope_deg=2.0, bend_deg=48.0, tip_mm=10.0, lost=False)),
        "s06": (9106, dict(base, direction=None, walk_mm=0.8, turn_deg=1.5, thickness_mm=8.0, contrast_db=7.0,
            drift_mm=0.0, drift_kind="none", slope_deg=12.0, bend_deg=30.0, tip_mm=14.0, breath_mm=0.65)),
        "s07": (9107, dict(base, size=(1024, 768), look="triple", mirrored=True, direction="opposing",
            opposing_kind="standing", rate_per_min=1.8, amplitude_mm=1.1, speed_mm_s=2.2, thickness_mm=14.0,
            deposit=False, slope_deg=-8.0, bend_deg=30.0, tip_mm=16.0)),
        "s08": (9108, dict(base, version="retroverted", coding="mpeg4.avi", fps=12.0, mirrored=True,
            direction="fundus-to-cervix", irregular=True, rate_per_min=4.0, amplitude_mm=0.7, speed_mm_s=3.2,
            thickness_mm=10.0, contrast_db=8.0, drift_mm=4.0, drift_kind="sudden", slope_deg=27.0, bend_deg=-15.0,
            tip_mm=20.0, fade_db=8.0)),
        "s09": (9109, dict(base, direction="cervix-to-fundus", rate_per_min=3.0, amplitude_mm=0.3, speed_mm_s=2.2,
            thickness_mm=5.5, contrast_db=8.5, drift_mm=1.0, slope_deg=0.0, bend_deg=14.0, tip_mm=13.0)),
        "s10": (9110, dict(base, size=(640, 480), coding="native.dcm", look="triple", direction="mixed",
            rate_per_min=2.6, amplitude_mm=0.8, speed_mm_s=2.5, thickness_mm=10.0, contrast_db=7.0, pieces=2,
            drift_mm=-3.0, slope_deg=10.0, bend_deg=42.0, tip_mm=11.0)),
    }

def smooth_step(x):
    x = np.clip(x, 0, 1)
    return x * x * (3 - 2 * x)

class Uterus:
    """The centre line (from beyond the fundus to the outer end of the cervix) and its widths.

    Arc length s is 0 at the fundal end of the stripe, length at the internal os."""

    def __init__(self, p):
        self.p = p
        self.L, self.H = p["length_mm"], p["thickness_mm"] / 2
        self.cap, self.cervix = p["cap_mm"], 27.0
        ds = 0.1
        s = np.arange(-self.cap, self.L + self.cervix + ds / 2, ds)
        start = p["slope_deg"] if p["version"] == "anteverted" else -p["slope_deg"]
        x, beyond = np.clip(s / self.L, -0.1, 1.0), smooth_step((s - self.L + 6) / 22.0)
        angle = start + p["bend_deg"] * (x - 0.5) + (1.0 if p["bend_deg"] > 0 else -1.0) * p["cervix_turn_deg"] * beyond
        if p["version"] == "retroverted":
            angle = start + p["bend_deg"] * (x - 0.5) - abs(p["cervix_turn_deg"]) * 0.5 * beyond
        a = np.deg2rad(gaussian_filter1d(angle, 25))
        tx, tz = np.cos(a), np.sin(a)
        # The fundus of a retroverted uterus lies deep and on the other side of the picture.
        flip = np.array([(-1 if p["version"] == "retroverted" else 1) * (-1 if p["mirrored"] else 1), 1])
        line, tang = np.stack([np.cumsum(tx) * ds, np.cumsum(tz) * ds], 1) * flip, np.stack([tx, tz], 1) * flip
        mid = int(np.argmin(np.abs(s - 0.5 * self.L)))
        aim = np.array([0.0, (p["radius_mm"] + p["stripe_depth_mm"] + (6 if p["version"] == "retroverted" else 0))])
        # The stripe's middle is put a little off the picture's middle, toward the fundus' side.
        aim[0] = 3.0 * np.sign(line[0, 0] - line[mid, 0])
        line += aim - line[mid]
        self.s, self.line, self.tang = s, line, tang
        self.norm, self.tree = np.stack([-tang[:, 1], tang[:, 0]], 1), cKDTree(line)

    def at(self, s, n=0.0):
        """Tissue points (mm) at arc length s and normal offset n."""
        s = np.atleast_1d(np.asarray(s, float))
        c = np.stack([np.interp(s, self.s, self.line[:, k]) for k in (0, 1)], 1)
        return c + np.stack([np.interp(s, self.s, self.norm[:, k]) for k in (0, 1)], 1) * np.reshape(n, (-1, 1))

    def project(self, pts):
        """Arc length, signed normal offset, normal and tangent for tissue points."""
        _, i = self.tree.query(pts, workers=1)
        d = pts - self.line[i]
        n, past = np.sum(d * self.norm[i], 1), np.sum(d * self.tang[i], 1)
        return self.s[i] + past, n, self.norm[i], self.tang[i]

    def stripe_half(self, s):
        """Half thickness of the endometrium: rounded at the fundus, thin at the internal os."""
        L, H = self.L, self.H
        h = H * np.sqrt(np.clip(1 - (1 - np.clip(s / min(0.95 * H + 0.8, 0.3 * L), 0, 1)) ** 2, 0, 1))
        h = h * (1 - 0.22 * smooth_step((s - 0.45 * L) / (0.45 * L)))
        narrow = 0.9 + (h - 0.9) * np.sqrt(np.clip((L - s) / 7.0, 0, 1))
        return np.where((s > 0) & (s < L), np.minimum(h, narrow), 0.0)

    def outer_half(self, s):
        """Half width of the whole uterus, rounded at the fundus and at the portio."""
        body, neck = self.H + self.p["wall_mm"], 12.5
        w = neck + (body - neck) * (1 - smooth_step((s - 0.55 * self.L) / (0.5 * self.L)))
        e, f = np.clip((s + self.cap) / (0.95 * body), 0, 1), np.clip((self.L + self.cervix - s) / 9.0, 0, 1)
        return w * np.sqrt(1 - (1 - e) ** 2) * np.sqrt(1 - (1 - f) ** 2)

def patchy(shape, size, g):
    """Smooth noise of unit spread: size = (axial, lateral) in samples."""
    small = [max(4, int(n / max(1.0, k / 2.5)) + 4) for n, k in zip(shape, size)]
    f = gaussian_filter(g.standard_normal(small).astype(np.float32), 1.0, mode="wrap")
    f = cv2.resize(f, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    return f / (f.std() + 1e-9)

def tissue_map(p, ut, r, th, g):
    """Scatterer strength (dB over myometrium) on the tissue's polar grid."""
    R, T = np.meshgrid(r, th, indexing="ij")
    X, Z = R * np.sin(T), R * np.cos(T)
    shape = R.shape
    s, n, nv, tv = (a.reshape(shape + a.shape[1:]) for a in ut.project(np.stack([X.ravel(), Z.ravel()], 1)))
    beam = np.stack([np.sin(T), np.cos(T)], -1)
    facing = np.abs(np.sum(beam * nv, -1))        # This is 1 where an interface faces the beam.
    an = np.abs(n)
    soft = lambda d, w: 1 / (1 + np.exp(-np.clip(d / w, -30, 30)))
    # The surroundings: layered fat and bowel, brighter and streaky.
    streak = patchy(shape, (14, 60), g)
    db = 2.2 + 2.6 * patchy(shape, (70, 50), g) + 2.6 * streak + 1.6 * patchy(shape, (220, 160), g)
    # The uterus.
    hu = ut.outer_half(s)
    inside, fibre = soft(hu - an, 0.5) * (hu > 0), 0.8 * patchy(shape, (22, 45), g) + 0.9 * patchy(shape, (120, 90), g)
    myo = fibre + 2.2 * (facing ** 2 - 0.5)
    outer_third = np.clip((an - ut.stripe_half(s)) / np.maximum(hu - ut.stripe_half(s), 1), 0, 1)
    vessels = np.exp(-((outer_third - 0.72) / 0.12) ** 2) * np.clip(patchy(shape, (16, 14), g) - 1.3, 0, 1)
    myo, neck = myo - 9 * vessels + 0.8 * outer_third, smooth_step((s - ut.L - 1) / 7)
    myo = myo * (1 - 0.4 * neck) + 1.0 * neck
    # The dark halo under the stripe.
    h, in_range = ut.stripe_half(s), (s > -6) & (s < ut.L + 3)
    myo = myo + in_range * p["halo_db"] * np.exp(-(np.where(s < 0, np.hypot(s, an), np.maximum(an - h, 0)) / 3.5) ** 2)
    db = db * (1 - inside) + myo * inside
    # The serosa.
    db = db + (np.exp(-((an - hu) / 0.45) ** 2) * (hu > 2)) * (3 + 9 * facing ** 6)
    # The endometrium.
    m, q, c = soft(h - an, 0.22) * (h > 0), an / np.maximum(h, 0.3), p["contrast_db"]
    patch = 0.9 * patchy(shape, (45, 40), g) + 0.7 * patchy(shape, (140, 120), g)
    edge = np.exp(-((an - h + 0.45) / 0.5) ** 2) * (h > 0)
    line_gap = smooth_step(0.8 + 0.6 * patchy(shape, (90, 50), g))
    mid, low = np.exp(-(an / 0.45) ** 2) * (s > 0.9 * ut.H) * (s < ut.L) * line_gap, smooth_step((ut.L - s) / 9.0)
    if p["look"] == "bright":
        endo = c + patch + 1.2 * edge * facing ** 4 - 1.0 * (1 - low)
        endo = endo + 1.6 * mid * facing ** 2
    else:
        # Basal lines, dark functional layers and the line where the walls meet.
        rim = np.maximum(np.exp(-((an - h + 0.8) / 0.9) ** 2), np.exp(-((s - 0.9) / 1.0) ** 2) * (q < 1))
        endo = -4.2 + patch + (c + 6.7) * rim * (0.75 + 0.25 * facing ** 2)
        endo = endo + (c + 5.5) * mid * (0.6 + 0.4 * facing ** 2) * (1 - rim)
        endo = endo * low + (0.6 * c) * (1 - low)
    db = db * (1 - m) + endo * m
    # The cervical canal: mucosa slightly brighter, a thin dark line of mucus within.
    canal = (s >= ut.L - 0.5) & (s < ut.L + ut.cervix - 2)
    db = db + canal * (2.0 * np.exp(-(an / 2.2) ** 2) - 7.0 * np.exp(-(an / 0.6) ** 2))
    extra = np.zeros(shape)                        # The change of level by what lies above.
    notes, side = [], np.sign(ut.at(0)[0, 0] - ut.at(ut.L)[0, 0])
    free = lambda pad: (an > hu + pad) | (s < -ut.cap - pad) | (s > ut.L + ut.cervix + pad)

    def round_body(cx, cz, a, b, tilt, level, wall_db, gain_db):
        """A fluid body: an ellipse with a bright wall, edge shadows and brightness behind it."""
        nonlocal db, extra
        ct, st = np.cos(tilt), np.sin(tilt)
        u, v = (X - cx) * ct + (Z - cz) * st, -(X - cx) * st + (Z - cz) * ct
        e = np.hypot(u / a, v / b)
        dist = (e - 1) * min(a, b)
        ok = soft(-dist, 0.25) * free(1.5)
        db = db * (1 - ok) + level * ok
        nx, nz = u / a ** 2 * ct - v / b ** 2 * st, u / a ** 2 * st + v / b ** 2 * ct
        f = np.abs(nx * beam[..., 0] + nz * beam[..., 1]) / (np.hypot(nx, nz) + 1e-9)
        db = db + wall_db * f ** 4 * np.exp(-((dist - 0.3) / 0.5) ** 2) * free(0.0)
        # The rays that touch the body's sides are refracted and leave shadows behind.
        body = (e < 1) & free(1.5)
        if not body.any():
            return
        t0, t1 = T[body].min(), T[body].max()
        back = soft(R - np.hypot(cx, cz) - 0.3 * b, 1.0)
        for t in (t0, t1):
            extra -= 3.2 * np.exp(-((T - t) / np.deg2rad(0.9)) ** 2) * back
        behind = soft(T - t0, 0.01) * soft(t1 - T, 0.01)
        extra += gain_db * behind * soft(R - np.hypot(cx, cz) - b, 2.0) * np.exp(
            -np.clip(R - np.hypot(cx, cz) - b, 0, 99) / 30)

    if p["bladder"]:
        # The bladder lies above and before the uterus, between the probe and the fundus.
        t, rr = side * np.deg2rad(g.uniform(30, 44)), p["radius_mm"] + g.uniform(17, 24)
        round_body(rr * np.sin(t), rr * np.cos(t), g.uniform(14, 19), g.uniform(6, 9), -t * 0.8 + 0.1 * side, -38, 9, 3.0)
        notes.append("bladder")
    if p["ovary"]:
        # An ovary with follicles lies deep, on the cervix's side or below the uterus.
        best = (np.inf, 0.0, 0.0)
        for _ in range(200):
            t, rr = g.uniform(-0.7, 0.7), p["radius_mm"] + g.uniform(45, p["depth_mm"] - 10)
            c = np.array([[rr * np.sin(t), rr * np.cos(t)]])
            ss, nn, _, _ = ut.project(c)
            gap = abs(nn[0]) - float(ut.outer_half(ss)[0])
            if ss[0] < -ut.cap:
                gap = max(gap, -ut.cap - ss[0])
            best = min(best, (abs(gap - 12), *c[0]))
        _, cx, cz = best
        blob = soft(10 - np.hypot((X - cx) / 1.3, Z - cz), 0.6) * free(1.0)
        db = db * (1 - blob) + (-1 + 1.2 * fibre) * blob
        for _ in range(4):
            a = g.uniform(2.2, 4.8)
            round_body(cx + g.uniform(-8, 8), cz + g.uniform(-5, 5), a * g.uniform(0.9, 1.2), a, 0.0, -34, 7, 2.0)
        notes.append("ovary with follicles")
    for _ in range(p["gas"]):
        # Bowel gas is a bright arc with a dirty shadow; it lies deep or at the picture's side.
        t, rr = g.uniform(0.35, 0.8) * g.choice([-1, 1]), p["radius_mm"] + g.uniform(45, p["depth_mm"] - 14)
        arc = np.exp(-((R - rr - 0.6 * np.cos(9 * (T - t))) / 0.7) ** 2) * soft(0.09 - np.abs(T - t), 0.012)
        arc = arc * free(2.0)
        db, under = db + 15 * arc, soft(R - rr - 1.5, 0.6) * soft(0.09 - np.abs(T - t), 0.015) * free(2.0)
        extra -= under * (11 - 4 * np.exp(-((R - rr) % 5.0 - 2.5) ** 2))
        notes.append("bowel gas")
    # The sides of the uterus refract, too.
    hit = (np.abs(an - hu) < 0.8) & (facing < 0.25) & (s > -ut.cap) & (s < ut.L)
    for t in (np.percentile(T[hit], (3, 97)) if hit.any() else ()):
        first = R[hit & (np.abs(T - t) < 0.02)]
        if first.size:
            extra -= 3.0 * np.exp(-((T - t) / np.deg2rad(1.3)) ** 2) * soft(R - first.min(), 3.0)
    # The vaginal wall and what touches the probe: bright layers.
    near = R - p["radius_mm"]
    lay = np.exp(-np.clip(near, 0, 99) / 7.0)
    db = db + lay * (3.0 + 5.0 * np.sin(near * 1.9 + 1.3 * patchy(shape, (300, 90), g)) * np.exp(-near / 5))
    return (db + extra).astype(np.float32), notes

class Waves:
    """Travelling contractions of the two walls, as a list of pulses known by their time at mid-stripe."""

    def __init__(self, p, ut, g):
        self.L, self.p = ut.L, p
        self.grid = np.linspace(-ut.cap, ut.L + ut.cervix, 240)
        self.times, self.ways, self.size, self.speed, self.width = [], [], [], [], []
        if p["direction"] is None:
            return
        period = 60.0 / p["rate_per_min"]
        spread = 0.28 if p["irregular"] else 0.04
        t, k = -2 * period + g.uniform(0, period), 0
        while t < p["seconds"] + 2.5 * period:
            way = {"cervix-to-fundus": 1, "fundus-to-cervix": -1, "opposing": 0}.get(p["direction"], 1 if k % 2 else -1)
            size = p["amplitude_mm"] * (1 + (g.uniform(-0.3, 0.3) if p["irregular"] else g.uniform(-0.07, 0.07)))
            speed, width = p["speed_mm_s"] * g.uniform(0.92, 1.08), min(p["pulse_fill"] * period, 14.0)
            for a, v in zip((self.times, self.ways, self.size, self.speed, self.width), (t, way, size, speed, width)):
                a.append(v)
            t, k = t + period * (1 + np.clip(spread * g.standard_normal(), -0.45, 0.6)), k + 1

    @staticmethod
    def pulse(tau, width):
        return np.where(np.abs(tau) < width / 2, np.cos(np.pi * tau / width) ** 2, 0.0)

    def narrowing(self, t):
        """Loss of wall-to-wall distance (mm) along self.grid at time t."""
        out, from_mid = np.zeros_like(self.grid), self.grid - self.L / 2
        for tj, way, a, c, w in zip(self.times, self.ways, self.size, self.speed, self.width):
            if abs(t - tj) > w + (self.L + 30) / c:
                continue
            if way:
                y = self.pulse(t - tj + way * from_mid / c, w)
            elif self.p["opposing_kind"] == "meet":
                y = self.pulse(t - tj + (np.sqrt(from_mid ** 2 + 4.0) - 2.0) / c, w)
            else:
                y = 0.5 * (self.pulse(t - tj + from_mid / c, w) + self.pulse(t - tj - from_mid / c, w))
            out += 2 * a * y
        return out

def slow_walk(n, fps, tau_s, g):
    """A smooth random series of unit rms with correlation time tau_s."""
    pad = int(8 * tau_s * fps)
    w = gaussian_filter1d(g.standard_normal(n + 2 * pad), tau_s * fps)[pad:pad + n]
    w = w - w.mean()
    return w / (w.std() + 1e-9)

class Motion:
    """The forward motion of tissue points, and its inverse."""

    def __init__(self, p, ut, waves, frames, g):
        self.p, self.ut, self.waves = p, ut, waves
        fps = p["fps"]
        self.centre = ut.at(ut.L / 2)[0]
        # Breathing wanders in rate and size; its shape is a little skewed.
        ph = 2 * np.pi * np.cumsum(p["breath_per_min"] / 60 * (1 + 0.05 * slow_walk(frames, fps, 6, g))) / fps
        b = np.sin(ph + 0.4 * np.sin(ph)) * (1 + 0.12 * slow_walk(frames, fps, 8, g))
        way, self.breath = np.deg2rad(g.uniform(25, 75)) * g.choice([-1, 1]), p["breath_mm"] * b
        self.breath_way = np.array([np.sin(way), np.cos(way)])
        ph = 2 * np.pi * np.cumsum(p["pulse_per_min"] / 60 * (1 + 0.03 * slow_walk(frames, fps, 4, g))) / fps
        self.beat, way = p["pulse_mm"] * (np.sin(ph) + 0.35 * np.sin(2 * ph + 0.8)), g.uniform(0, 2 * np.pi)
        self.beat_way, q = np.array([np.sin(way), np.cos(way)]), p["walk_mm"]
        self.shift = np.stack([q * slow_walk(frames, fps, g.uniform(2.5, 6), g),
                               q * slow_walk(frames, fps, g.uniform(2.5, 6), g)], 1)
        self.turn = np.deg2rad(p["turn_deg"]) * slow_walk(frames, fps, g.uniform(6, 12), g)
        self.elevation = slow_walk(frames, fps, 4, g)
        self.table()

    def table(self):
        """Directions of wave displacement on a Cartesian grid: near wall, far wall, common sway."""
        self.x0, self.z0 = -110.0, 0.0
        xs, zs = np.arange(-110, 110.1, TABLE_MM), np.arange(0, 120.1, TABLE_MM)
        X, Z = np.meshgrid(xs, zs)
        s, n, nv, _ = self.ut.project(np.stack([X.ravel(), Z.ravel()], 1))
        ut = self.ut
        h, an = np.maximum(ut.stripe_half(s), min(ut.H, 4.0)), np.abs(n)
        band = self.p["wall_band_mm"]
        full = h - np.minimum(0.5 * band, 0.22 * h)
        grow = np.where(an < full, an / full, np.exp(-np.maximum(an - h - band, 0) / 9.0))
        win = smooth_step((s - 0.5) / 6.0) * smooth_step((ut.L + 3 - s) / 8.0)
        fall, a = np.exp(-(n / 16.0) ** 2) * win, np.where(n > 0, grow * win, 0)[:, None] * -nv
        b, shape = np.where(n <= 0, grow * win, 0)[:, None] * nv, X.shape
        blur = lambda v: gaussian_filter(v.reshape(shape), 0.8).astype(np.float32)
        self.tab1 = np.dstack([s.reshape(shape).astype(np.float32), blur(a[:, 0]), blur(a[:, 1])])
        self.tab2 = np.dstack([blur(b[:, 0]), blur(b[:, 1]), blur(fall * nv[:, 0]), blur(fall * nv[:, 1])])

    def set_frame(self, k):
        self.k, self.narrow = k, self.waves.narrowing(k / self.p["fps"])
        self.sway = (self.p["sway"] * self.waves.narrowing(k / self.p["fps"] - 1.0) if self.p["sway"] > 0 else None)

    def forward(self, pts):
        """Where tissue points (N x 2, mm) are in the probe's frame now."""
        mx = ((pts[:, 0] - self.x0) / TABLE_MM).astype(np.float32)[None]
        mz, u = ((pts[:, 1] - self.z0) / TABLE_MM).astype(np.float32)[None], np.zeros_like(pts)
        if self.waves.times:
            a = cv2.remap(self.tab1, mx, mz, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[0]
            b = cv2.remap(self.tab2, mx, mz, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[0]
            d, f = np.interp(a[:, 0], self.waves.grid, self.narrow), self.p["share"]
            u = d[:, None] * (f * a[:, 1:3] + (1 - f) * b[:, 0:2])
            if self.sway is not None:
                u = u + np.interp(a[:, 0], self.waves.grid, self.sway)[:, None] * b[:, 2:4]
        y, k = pts + u, self.k
        c, s = np.cos(self.turn[k]), np.sin(self.turn[k])
        d = y - self.centre
        out = np.stack([c * d[:, 0] - s * d[:, 1], s * d[:, 0] + c * d[:, 1]], 1) + self.centre + self.shift[k]
        out += self.breath[k] * np.clip(1 + 0.35 * d[:, 1] / 40, 0.4, 1.6)[:, None] * self.breath_way
        out += self.beat[k] * np.exp(-(d ** 2).sum(1) / 45 ** 2)[:, None] * self.beat_way
        return out

    def inverse(self, pts):
        """Which tissue points lie at places of the probe's frame now (fixed-point iteration)."""
        x = pts - self.shift[self.k]
        for _ in range(4):
            x = x - (self.forward(x) - pts)
        return x

class Transfer:
    """The catheter's tip along the canal, and the air's pieces after the deposit."""

    def __init__(self, p, ut, waves, frames, g):
        self.p, self.ut, self.g = p, ut, g
        fps = p["fps"]
        t, far = np.arange(frames) / fps, ut.L + ut.cervix - 1.0
        run_in = (far - p["tip_mm"]) / 6.5
        self.deposit_t = (p["enter_s"] + run_in) + p["hold_s"]
        out_t, tip = self.deposit_t + p["stay_s"], far - (far - p["tip_mm"]) * smooth_step((t - p["enter_s"]) / run_in)
        tip = tip + (far - p["tip_mm"]) * smooth_step((t - out_t) / 6.0)
        tip = tip + 0.15 * slow_walk(frames, fps, 1.0, g)
        self.tip = np.where(((t > p["enter_s"]) & (t < out_t + 6.0) & (tip < far - 1)), tip, np.nan)
        self.offset = 0.45 * slow_walk(800, 10, 5, g)          # The catheter lies a little off the centre.
        self.gloss, self.deposit_frame = 1 + 0.35 * slow_walk(800, 10, 0.5, g), None
        self.lost = self.jump_t = None
        if not p["deposit"]:
            return
        k0 = int(np.ceil(self.deposit_t * fps - 1e-6))
        self.deposit_frame, self.deposit_t = k0, k0 / fps
        m = p["pieces"]
        # The pieces lie one behind another along the stripe, the biggest one first.
        gap = g.uniform(1.6, 2.6, m).cumsum() - 1.6
        self.base = p["tip_mm"] - 1.3 + (gap - gap.mean()) * 1.0
        self.weight_db, self.points = p["air_db"] - np.concatenate([[0], g.uniform(1.5, 5, m - 1)]), []
        for i in range(m):
            k = 40
            self.points.append((np.clip(g.standard_normal(k), -1.5, 1.5) * g.uniform(0.65, 1.0) * (1 if i == 0 else 0.75),
                                np.clip(g.standard_normal(k), -1.6, 1.6) * g.uniform(0.40, 0.58),
                                np.exp(2j * np.pi * g.uniform(size=k)) * np.sqrt(g.uniform(0.3, 1.7, k))))
        age, total = np.clip(t - self.deposit_t, 0, None), p["seconds"] - self.deposit_t
        if p["drift_kind"] == "sudden":
            at = g.uniform(0.25, 0.6) * total
            self.jump_t, path = round(self.deposit_t + at, 2), smooth_step((age - at) / 2.0) * 0.85 + 0.15 * age / total
        else:
            path = smooth_step(age / total * g.uniform(1.0, 1.4)) if p["drift_mm"] else 0 * age
        self.drift = p["drift_mm"] * path
        # The pieces of air also creep to and fro with the waves and by themselves.
        creep = 0.25 * slow_walk(frames, fps, 2.5, g)
        self.creep = creep * smooth_step(age / 4.0)
        self.level = np.stack([1.6 * slow_walk(frames, fps, 0.5, g) for _ in range(m)], 0)
        self.level -= p["fade_db"] * smooth_step(age / total)
        self.level += 2.5 * np.exp(-age / 1.5)
        # The air's outline works slowly, so that its inner interference changes.
        self.work = np.stack([1.2 * slow_walk(frames, fps, 1.5, g) for _ in range(40)], 0)
        self.bloom, self.visible = 1 + 0.45 * (1 - np.exp(-age / 1.0)) * np.exp(-age / 60), np.arange(frames) >= k0
        if p["lost"]:
            a = self.deposit_t + g.uniform(0.3, 0.6) * total
            b = a + g.uniform(5, 11)
            self.level = self.level - 34 * (smooth_step((t - a) / 1.0) * (1 - smooth_step((t - b) / 1.0)))
            self.visible &= ~((t > a + 0.4) & (t < b + 0.6))
            self.lost = rounded((a, b))

    def air(self, k):
        """Tissue points and complex strengths of the air in frame k, or None."""
        if self.deposit_frame is None or k < self.deposit_frame:
            return None
        pts, amp = [], []
        for i, (ds, dn, z) in enumerate(self.points):
            s = self.base[i] - self.drift[k] - self.creep[k] + ds * self.bloom[k]
            pts.append(self.ut.at(np.clip(s, 0.8, self.ut.L), dn))
            db = self.weight_db[i] + self.level[i, k]
            amp.append(z * np.exp(1j * self.work[:, k]) * 10 ** (db / 20) / np.sqrt(10.0))
        return np.concatenate(pts), np.concatenate(amp)

    def catheter(self, k):
        """Tissue points, normals and strengths of the catheter's walls in frame k, or None."""
        if not np.isfinite(self.tip[k]):
            return None
        s = np.arange(self.tip[k], self.ut.L + self.ut.cervix - 1, 0.2)
        lead, j = s - self.tip[k], np.clip((s * 8).astype(int), 0, 799)
        off = self.offset[j] * smooth_step(lead / 6.0)
        strength = self.gloss[np.clip((lead * 8).astype(int), 0, 799)] * (1 + 0.5 * np.exp(-lead / 1.0))
        strength = strength * np.where(s > self.ut.L, 0.8, 1.0)
        walls = (-0.55, 0.55) if self.p["catheter"] == "double" else (0.0,)
        pts = [self.ut.at(s, off + w) for w in walls]
        nv = np.stack([np.interp(s, self.ut.s, self.ut.norm[:, c]) for c in (0, 1)], 1)
        return np.concatenate(pts), np.concatenate([nv] * len(walls)), np.concatenate([strength] * len(walls))

class Scanner:
    """Keeps the tissue's fields and turns them into grey frames."""

    def __init__(self, p, ut, motion, g):
        self.p, self.motion, self.g = p, motion, g
        w, h = p["size"]
        R0, D = p["radius_mm"], p["depth_mm"]
        half, self.nr = np.deg2rad(p["fov_deg"] / 2), int(round(D / AXIAL_MM / 8)) * 8
        self.nl, self.r = int(round(p["fov_deg"] / LINE_DEG / 2)) * 2, R0 + (np.arange(self.nr) + 0.5) * AXIAL_MM
        self.th = (np.arange(self.nl) - (self.nl - 1) / 2) * np.deg2rad(LINE_DEG)
        # The picture's scale: all of the depth is shown, the sides may be cut by the panel.
        top, bottom, side = 0.075 * h, 0.045 * h, 0.07 * w
        self.scale = max(D / (h - top - bottom), 0.74 * 2 * (R0 + D) * np.sin(half) / (w - 2 * side))
        self.scale = float(np.round(self.scale, 4))
        self.cx, self.cy = w / 2 - 0.5, top - R0 / self.scale
        self.top = top
        px, py = np.meshgrid(np.arange(w), np.arange(h))
        x, z = (px - self.cx) * self.scale, (py - self.cy) * self.scale
        rr, tt = np.hypot(x, z), np.arctan2(x, z)
        mr, ml = (rr - self.r[0]) / AXIAL_MM, (tt - self.th[0]) / np.deg2rad(LINE_DEG)
        panel = (px > side) & (px < w - side) & (py < h - bottom / 2)
        self.fan = (rr >= R0) & (rr <= R0 + D) & (np.abs(tt) <= half) & panel
        mr[~self.fan], ml[~self.fan] = -9, -9
        self.convert = cv2.convertMaps(ml.astype(np.float32), mr.astype(np.float32), cv2.CV_16SC2)
        # The tissue's own grid is larger by the margin that motion needs.
        self.r_t, edge = np.arange(R0 - MARGIN_MM, R0 + D + MARGIN_MM, AXIAL_MM), half + np.deg2rad(MARGIN_DEG)
        self.th_t = np.arange(-edge, edge, np.deg2rad(TISSUE_DEG))
        self.map_db, self.notes = tissue_map(p, ut, self.r_t, self.th_t, g)
        strength = 10 ** (self.map_db / 20)
        # The beam: part of its width is applied in the tissue's frame (so that warping does not
        # alias), the rest of it in the probe's frame after warping.
        sa, sl = p["axial_fwhm_mm"] / 2.355 / AXIAL_MM, p["lateral_fwhm_deg"] / 2.355 / LINE_DEG
        pa, pl = 1.25, 0.72 * LINE_DEG / TISSUE_DEG

        def field():
            z = g.standard_normal(strength.shape) + 1j * g.standard_normal(strength.shape)
            f = strength * z
            return (gaussian_filter(f.real, (pa, pl)) + 1j * gaussian_filter(f.imag, (pa, pl))).astype(np.complex64)
        self.fixed, self.loose = field(), [field() for _ in range(3)]
        ra, rl = np.sqrt(max(sa ** 2 - pa ** 2, 0.5)), np.sqrt(max(sl ** 2 - 0.72 ** 2, 0.3))
        pow2 = lambda a, b: a * a * b * b / (a * a + b * b)
        self.loss = (pow2(pa, ra), 0.5 * (pow2(0.72, rl) + pow2(0.72, 2.3 * rl)))
        kern = lambda s, m: (lambda k: (k / k.sum()).astype(np.float32))(np.exp(-np.arange(-m, m + 1) ** 2 / (2 * s * s)))
        self.k_ax = kern(ra, 5)
        narrow, wide, lobes = kern(rl, 16), kern(2.3 * rl, 16), kern(7.0, 16)
        self.k_lat = (narrow + 0.035 * lobes, wide + 0.05 * lobes)
        self.blend = np.clip((np.abs(self.r - R0 - p["focus_mm"]) / 45) ** 1.3, 0, 0.85).astype(np.float32)[:, None]
        # The level of evenly strong tissue is 1 at every depth.
        z = [gaussian_filter(g.standard_normal((self.nr, 640)), (pa, pl))[:, ::2] for _ in range(2)]
        z = self.beamform((z[0] + 1j * z[1]).astype(np.complex64))
        self.level = (1 / gaussian_filter1d(np.sqrt((np.abs(z) ** 2).mean(1)), 25)).astype(np.float32)[:, None]
        one = np.zeros((self.nr, 81), np.complex64)
        one[::40, 40] = 1
        self.point_gain = np.interp(self.r, self.r[::40], (np.abs(self.beamform(one))[::40, 40] * self.level[::40, 0]))
        # Gain: bands left over by depth compensation, a focal band, contact at the sides.
        dep = self.r - R0
        band = 0.9 * gaussian_filter1d(g.standard_normal(self.nr), 60) * 15 + 2.0 * np.exp(-((dep - p["focus_mm"]) / 16) ** 2)
        band = band - 3.0 * np.clip((dep - 0.7 * D) / (0.3 * D), 0, 1)
        contact = 1.2 * patchy((1, self.nl), (1, 60), g)[0] - 7 * np.clip((np.abs(self.th) - 0.8 * half) / (0.2 * half), 0, 1) ** 2
        self.gain = (band[:, None] + contact[None]).astype(np.float32)
        # What stays with the probe: near reverberation and noise that grows with depth.
        rev = np.zeros((self.nr, self.nl), np.float32)
        for i in range(1, 5):
            rev += 10 ** ((6 - 7 * i) / 20) * np.exp(-((dep - 2.7 * i) / 0.35) ** 2)[:, None]
        haze = 10 ** ((-12 - 0.55 * dep) / 20)[:, None]
        z = gaussian_filter(g.standard_normal((self.nr, self.nl)), (1.5, 12)) * 8
        self.clutter = ((rev + haze) * np.exp(1j * z)).astype(np.complex64)
        pool = gaussian_filter1d(g.standard_normal((2, self.nr + 160, self.nl + 64)), 1.6, axis=1)
        pool = (pool[0] + 1j * pool[1]) / np.sqrt((pool ** 2).sum(0).mean())
        self.pool = pool.astype(np.complex64)
        self.noise = (10 ** ((p["noise_db"] + 16 * (dep / D) ** 1.5) / 20)).astype(np.float32)[:, None]
        n, fps = len(motion.elevation), p["fps"]
        self.mix = [(slow_walk(n, fps, 2.5, g) + 1j * slow_walk(n, fps, 2.5, g)) * 0.5 for _ in self.loose]
        self.wave_number = 2 * 2 * np.pi * p["mhz"] / 1.54
        # The coarse grid on which the inverse motion is worked out.
        fr, fl = 8, 2
        ir, il = (np.arange(self.nr // fr) + 0.5) * fr - 0.5, (np.arange(self.nl // fl) + 0.5) * fl - 0.5
        rr, tt = np.meshgrid(self.r[0] + ir * AXIAL_MM, self.th[0] + il * np.deg2rad(LINE_DEG), indexing="ij")
        self.coarse = np.stack([(rr * np.sin(tt)).ravel(), (rr * np.cos(tt)).ravel()], 1)
        self.coarse_r, self.coarse_shape = rr, rr.shape
        self.last = None
        self.grey = self.grey_map()
        self.paper = self.furniture()

    def beamform(self, f):
        """Apply the rest of the beam: axial filter, then a lateral filter that widens off focus."""
        v = np.ascontiguousarray(f).view(np.float32).reshape(f.shape + (2,))
        a = cv2.sepFilter2D(v, -1, self.k_lat[0], self.k_ax, borderType=cv2.BORDER_REFLECT)
        b = cv2.sepFilter2D(v, -1, self.k_lat[1], self.k_ax, borderType=cv2.BORDER_REFLECT)
        a += (b - a) * self.blend[:, :, None]
        return np.ascontiguousarray(a).view(np.complex64)[..., 0]

    def grey_map(self):
        y = np.linspace(0, 1, 256) ** 1.05
        return np.clip((0.75 * y + 0.25 * smooth_step(y)) * 255, 0, 255).astype(np.uint8)

    def to_px(self, pts):
        """Probe-frame mm to picture pixels."""
        return np.stack([self.cx + pts[:, 0] / self.scale, self.cy + pts[:, 1] / self.scale], 1)

    def splat(self, f, pts, amp):
        """Add point reflectors (probe-frame mm, peak strength) to the received field."""
        rr, tt = np.hypot(pts[:, 0], pts[:, 1]), np.arctan2(pts[:, 0], pts[:, 1])
        a, b = (rr - self.r[0]) / AXIAL_MM, (tt - self.th[0]) / np.deg2rad(LINE_DEG)
        i, j = np.floor(a).astype(int), np.floor(b).astype(int)
        ok = (i >= 0) & (i < self.nr - 1) & (j >= 0) & (j < self.nl - 1)
        i, j, a, b, amp = i[ok], j[ok], a[ok] - i[ok], b[ok] - j[ok], amp[ok]
        amp = amp / self.point_gain[i] * np.exp(1j * self.wave_number * rr[ok])
        for di, wi in ((0, 1 - a), (1, a)):
            for dj, wj in ((0, 1 - b), (1, b)):
                np.add.at(f, (i + di, j + dj), (amp * wi * wj).astype(np.complex64))

    def add_air(self, f, pts, amp):
        """Add the air's points and, under them, a short comet tail of reverberation."""
        pts = self.motion.forward(pts)
        self.splat(f, pts, amp)
        beam = pts / np.hypot(pts[:, 0], pts[:, 1])[:, None]
        for i in (1, 2, 3):
            self.splat(f, pts + beam * (0.8 * i), amp * 10 ** (-(12 + 6 * i) / 20))

    def air_centre(self, pts, amp):
        """The brightness-weighted centre (mm) of the air as it shows above a bright stripe, or None.

        The air alone is received, compressed and mapped to grey as in the picture; what exceeds the
        stripe's level by 4 dB counts with its excess of grey."""
        f = np.zeros((self.nr, self.nl), np.complex64)
        self.add_air(f, pts, amp)
        i, j = np.nonzero(f)
        a, b = slice(max(0, i.min() - 20), i.max() + 20), slice(max(0, j.min() - 12), j.max() + 12)
        v = np.stack([f[a, b].real, f[a, b].imag], -1)
        lat = [cv2.sepFilter2D(v, -1, kern, self.k_ax, borderType=cv2.BORDER_CONSTANT) for kern in self.k_lat]
        lat = lat[0] + (lat[1] - lat[0]) * self.blend[a][:, :, None]
        db = 20 * np.log10(np.hypot(lat[..., 0], lat[..., 1]) * self.level[a] + 1e-4) + self.gain[a, b]
        tone = lambda d: np.interp(np.clip((d + 2.5) / self.p["range_db"] + self.p["myometrium_grey"], 0, 1) * 255,
                                   np.arange(256), self.grey.astype(float))
        base = max(self.p["contrast_db"] if self.p["look"] == "bright" else 2.0, 0.0) + 4.0
        excess = np.clip(tone(db) - tone(base), 0, None)
        if excess.max() < 25:
            return None
        r, t = np.meshgrid(self.r[a], self.th[b], indexing="ij")
        w = excess * r                             # Area in the picture grows with r.
        return np.array([(w * r * np.sin(t)).sum(), (w * r * np.cos(t)).sum()]) / w.sum()

    def frame(self, k, transfer):
        """The grey picture of frame k (motion must be set to it)."""
        m = self.motion
        x = m.inverse(self.coarse)
        rt, tt = np.hypot(x[:, 0], x[:, 1]).reshape(self.coarse_shape), np.arctan2(x[:, 0], x[:, 1])
        size = (self.nl, self.nr)
        mr = cv2.resize(((rt - self.r_t[0]) / AXIAL_MM).astype(np.float32), size, interpolation=cv2.INTER_LINEAR)
        ml = cv2.resize(((tt.reshape(self.coarse_shape) - self.th_t[0]) / np.deg2rad(TISSUE_DEG)).astype(np.float32),
                        size, interpolation=cv2.INTER_LINEAR)
        # A slope of the phase would push the part-filtered field out of the beam's pass band; real
        # scatterers keep their strength, so the loss (exact for Gaussian bands) is made good.
        phase = PHASE_SHARE * self.wave_number * (self.coarse_r - rt)
        ga, gl = np.gradient(phase)
        lift = np.exp(np.clip(0.5 * (self.loss[0] * (ga / 8) ** 2 + self.loss[1] * (gl / 2) ** 2), 0, 1.2))
        lift, share = cv2.resize(lift.astype(np.float32), size, interpolation=cv2.INTER_LINEAR), self.p["decorrelating"]
        f = self.fixed * np.float32(np.sqrt(1 - share))
        for z, c in zip(self.loose, self.mix):
            f += z * np.complex64(c[k] * np.sqrt(share * 2 / 3))
        f = cv2.remap(f.view(np.float32).reshape(f.shape + (2,)), ml, mr, cv2.INTER_LINEAR,
                      borderMode=cv2.BORDER_REPLICATE)
        f = np.ascontiguousarray(f).view(np.complex64)[..., 0]
        co, si = cv2.polarToCart(lift, cv2.resize(phase.astype(np.float32), size, interpolation=cv2.INTER_LINEAR))
        f *= cv2.merge([co, si]).view(np.complex64)[..., 0]
        cath, air = transfer.catheter(k), transfer.air(k)
        if cath is not None:
            pts, nv, strength = cath
            pts = m.forward(pts)
            facing = np.abs(((pts / np.hypot(pts[:, 0], pts[:, 1])[:, None]) * nv).sum(1))
            amp = strength * (0.25 + 0.75 * facing ** 4) * 10 ** (self.p["catheter_db"] / 20) * 0.30
            self.splat(f, pts, amp * np.exp(-1j * self.wave_number * np.hypot(pts[:, 0], pts[:, 1])))
        if air is not None:
            self.add_air(f, *air)
        f = self.beamform(f) * self.level
        f += self.clutter
        i, j = self.g.integers(0, 160), self.g.integers(0, 64)
        f += self.pool[i:i + self.nr, j:j + self.nl] * (self.noise * np.complex64(np.exp(2j * np.pi * self.g.uniform())))
        v = f.view(np.float32).reshape(f.shape + (2,))
        power = cv2.magnitude(np.ascontiguousarray(v[..., 0]), np.ascontiguousarray(v[..., 1])) + 1e-4
        db = cv2.log(power) * np.float32(20 / np.log(10)) + self.gain
        y = (db + 2.5) * np.float32(1 / self.p["range_db"]) + np.float32(self.p["myometrium_grey"])
        y8 = cv2.convertScaleAbs(np.clip(y, 0, 1), alpha=255)
        soft = cv2.bilateralFilter(y8, 5, 45, 2.0)
        y = cv2.addWeighted(y8, 1 - self.p["smoothing"], soft, self.p["smoothing"], 0).astype(np.float32)
        if self.last is not None:
            y = cv2.addWeighted(y, 1 - self.p["persistence"], self.last, self.p["persistence"], 0)
        self.last = y
        out = cv2.remap(cv2.LUT(cv2.convertScaleAbs(y), self.grey), *self.convert, cv2.INTER_LINEAR,
                        borderMode=cv2.BORDER_CONSTANT, borderValue=0)
        return cv2.max(out, self.paper)

    def furniture(self):
        """Burned-in ruler, text, grey bar and orientation mark."""
        p, (w, h) = self.p, self.p["size"]
        im = np.zeros((h, w), np.uint8)
        x = int(0.035 * w) if p["ruler_side"] == "left" else int(0.962 * w)
        d = 1 if p["ruler_side"] == "left" else -1
        write = lambda text, x, y, grey: cv2.putText(im, text, (int(x), int(y)), cv2.FONT_HERSHEY_SIMPLEX, 0.36 * h / 600,
                                                     grey, 1, cv2.LINE_AA)
        for cm in range(0, int(p["depth_mm"] / 10) + 1):
            y = int(round(self.top + cm * 10 / self.scale))
            cv2.line(im, (x, y), (x + d * (11 if cm % 5 == 0 else 7), y), 215, 1)
            if cm % 5 == 0 and cm:
                write(str(cm), x - (24 if d > 0 else -4), y + 4, 200)
        b = int(0.012 * w) if p["ruler_side"] == "right" else int(0.980 * w)
        bar = np.linspace(255, 0, int(0.24 * h)).astype(np.uint8)[:, None]
        im[int(0.1 * h):int(0.1 * h) + len(bar), b:b + 9] = np.repeat(bar, 9, 1)
        for i, s in enumerate((f"TV  {p['mhz']:.1f}MHz", f"D {p['depth_mm'] / 10:.1f}cm", f"DR {p['range_db']:.0f}")):
            write(s, 0.09 * w, (0.035 + 0.03 * i) * h, 190)
        write(f"{p['fps']:.0f} Hz", 0.84 * w, 0.035 * h, 190)
        cv2.circle(im, (int(self.cx - 0.06 * w), int(self.top - 0.028 * h)), 5, 220, 1, cv2.LINE_AA)
        y = int(self.top + p["focus_mm"] / self.scale)
        cv2.fillPoly(im, [np.array([[x - 5 * d, y - 4], [x - 5 * d, y + 4], [x - d, y]])], 160)
        return im

class Writer:
    """Writes grey frames through an encoder, or as native multi-frame DICOM."""

    def __init__(self, path, coding, p, scan, frames):
        self.path, self.kind = path, coding.split(".")[0]
        w, h = p["size"]
        if self.kind == "native":
            self.file = open(path, "wb")
            dicom_head(self.file, p, scan, frames)
            return
        arg = {"h264": "libx264 -preset veryfast -crf 20 -pix_fmt yuv420p", "mpeg4": "mpeg4 -q:v 4 -pix_fmt yuv420p",
               "mjpeg": "mjpeg -q:v 5 -pix_fmt yuvj420p"}[self.kind]
        cmd = f"ffmpeg -y -v error -f rawvideo -pix_fmt gray -s {w}x{h} -r {p['fps']} -i - -threads 1 -c:v {arg}".split()
        self.pipe = subprocess.Popen(cmd + [path], stdin=subprocess.PIPE)
        self.file = self.pipe.stdin

    def close(self):
        self.file.close()
        if self.kind != "native" and self.pipe.wait():
            raise RuntimeError("the encoder failed")

def dicom_head(f, p, scan, frames):
    """Write all of a native US multi-frame file but the pixels, whose header goes last."""
    from pydicom.dataset import Dataset, FileMetaDataset
    from pydicom.filebase import DicomFileLike
    from pydicom.filewriter import write_dataset, write_file_meta_info
    from pydicom.uid import PYDICOM_IMPLEMENTATION_UID, ExplicitVRLittleEndian, generate_uid
    w, h = p["size"]
    uid = lambda what: generate_uid(entropy_srcs=[what, str(p["seed"])])
    meta, ds, reg = FileMetaDataset(), Dataset(), Dataset()
    meta.FileMetaInformationVersion, meta.ImplementationClassUID = b"\x00\x01", PYDICOM_IMPLEMENTATION_UID
    meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID = "1.2.840.10008.5.1.4.1.1.3.1", uid("sweep")
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    ys, xs = np.nonzero(scan.fan)
    for key, value in dict(RegionSpatialFormat=1, RegionDataType=1, RegionFlags=0, RegionLocationMinX0=int(xs.min()),
            RegionLocationMinY0=int(ys.min()), RegionLocationMaxX1=int(xs.max()), RegionLocationMaxY1=int(ys.max()),
            PhysicalUnitsXDirection=3, PhysicalUnitsYDirection=3, PhysicalDeltaX=scan.scale / 10,
            PhysicalDeltaY=scan.scale / 10).items():
        setattr(reg, key, value)
    for key, value in dict(SpecificCharacterSet="ISO_IR 100", ImageType=["ORIGINAL", "PRIMARY"], Modality="US",
            SOPClassUID=meta.MediaStorageSOPClassUID, SOPInstanceUID=meta.MediaStorageSOPInstanceUID,
            StudyInstanceUID=uid("study"), SeriesInstanceUID=uid("series"), PatientName="SYNTHETIC^LOOP", PatientID="0",
            StudyDate="20200101", StudyTime="120000", SeriesNumber=1, InstanceNumber=1, CineRate=int(round(p["fps"])),
            FrameTime=round(1000 / p["fps"], 4), NumberOfFrames=frames, FrameIncrementPointer=0x00181063,
            SequenceOfUltrasoundRegions=[reg], SamplesPerPixel=1, PhotometricInterpretation="MONOCHROME2", Rows=h,
            Columns=w, BitsAllocated=8, BitsStored=8, HighBit=7, PixelRepresentation=0, LossyImageCompression="00").items():
        setattr(ds, key, value)
    f.write(b"\0" * 128 + b"DICM")
    write_file_meta_info(f, meta, enforce_standard=True)
    like = DicomFileLike(f)
    like.is_little_endian, like.is_implicit_VR = True, False
    write_dataset(like, ds)
    f.write(struct.pack("<HH2sHI", 0x7FE0, 0x0010, b"OB", 0, w * h * frames))

def rounded(a, n=2):
    return [round(float(v), n) for v in a]

def make(name, p, out):
    """Draw one loop and write it with its truth."""
    t_start = time.process_time()
    cv2.setNumThreads(1)
    p = settle(dict(p))
    g, frames, fps = np.random.default_rng([p["seed"], 77]), int(round(p["seconds"] * p["fps"])), p["fps"]
    ut = Uterus(p)
    waves = Waves(p, ut, g)
    motion, transfer = Motion(p, ut, waves, frames, g), Transfer(p, ut, waves, frames, g)
    scan, ext = Scanner(p, ut, motion, g), p["coding"].split(".")[1]
    writer = Writer(os.path.join(out, f"{name}.{ext}"), p["coding"], p, scan, frames)
    s_line, mid = np.linspace(0, ut.L, 47), ut.L / 2
    hm = float(ut.stripe_half(np.array([mid]))[0])
    fund, os_, air, tips, wall, air_mm, fund_mm, ends = [], [], [], [], [], [], [], ut.at([0.0, ut.L])
    motion.set_frame(0)
    line0 = scan.to_px(motion.forward(ut.at(s_line)))
    for k in range(frames):
        motion.set_frame(k)
        e = motion.forward(ends)
        epx = scan.to_px(e)
        for a, v in ((fund, rounded(epx[0])), (os_, rounded(epx[1])), (fund_mm, e[0])):
            a.append(v)
        w2 = motion.forward(ut.at([mid, mid], [hm, -hm]))
        wall.append(float(np.hypot(*(w2[0] - w2[1]))))
        a = transfer.air(k)
        c = scan.air_centre(*a) if a is not None and transfer.visible[k] else None
        air.append(None if c is None else rounded(scan.to_px(c[None])[0]))
        if c is not None:
            air_mm.append((k, c))
        tip = transfer.tip[k]
        tips.append(rounded(scan.to_px(motion.forward(ut.at(tip)))[0]) if np.isfinite(tip) else None)
        writer.file.write(scan.frame(k, transfer).tobytes())
    writer.close()
    wall = np.array(wall)
    truth = dict(name=name, file=f"{name}.{ext}", width_px=p["size"][0], height_px=p["size"][1],
                 frames=frames, frame_rate_hz=fps, duration_s=round(frames / fps, 3), scale_mm_per_px=scan.scale)
    seg = np.hypot(*np.diff(line0, axis=0).T).sum() * scan.scale
    truth["cavity"] = dict(frame=0, fundus_px=fund[0], os_px=os_[0], centre_line_px=[rounded(v) for v in line0],
                           length_mm=round(float(seg), 2), thickness_mm=round(2 * float(ut.stripe_half(s_line).max()), 2))
    truth.update(fundus_path_px=fund, os_path_px=os_, bubble_path_px=air, tip_path_px=tips)
    truth["contractions"] = contraction_truth(p, waves, wall, fps)
    truth["deposit"], truth["drift"] = None, None
    if transfer.deposit_frame is not None and air_mm:
        truth["deposit"], truth["drift"] = deposit_truth(p, ut, motion, transfer, scan, air_mm, fund_mm)
    gen = {k: (v if not isinstance(v, float) else round(v, 4)) for k, v in p.items()}
    gen.update(surroundings=scan.notes, wave_times_at_mid_stripe_s=rounded(waves.times), wave_ways=waves.ways,
               lost_s=transfer.lost, jump_s=transfer.jump_t, wall_to_wall_mm=rounded(wall, 3),
               scan=dict(apex_px=rounded((scan.cx, scan.cy)), surface_y_px=round(scan.top, 2)))
    truth["generator"] = gen
    with open(os.path.join(out, f"{name}.truth.json"), "w") as f:
        json.dump(truth, f, indent=1)
    print(f"{name}: {frames} frames, {time.process_time() - t_start:.1f} s CPU without the encoder", flush=True)

def contraction_truth(p, waves, wall, fps):
    """Count, rate and real wall-to-wall motion of the waves that pass mid-stripe within the loop."""
    if not waves.times:
        return dict(present=False, rate_per_min=None, count=0, direction=None, wall_to_wall_half_peak_to_peak_mm=None,
                    velocity_mm_per_s=None, peak_times_at_mid_stripe_s=[], rate_by_count_per_min=None)
    end, t = len(wall) / fps, np.array(waves.times)
    sel = (t >= 0) & (t < end)
    inside = t[sel]
    # The mean interval is taken over the waves that peak in the loop.
    rate = 60 / np.diff(inside).mean() if len(inside) > 1 else p["rate_per_min"]
    swing = []
    for v in inside:
        j = int(np.argmin(np.abs(t - v)))
        a, b = 0.5 * (t[j - 1] + v), 0.5 * (t[j + 1] + v)
        if a < 0 or b > end:
            continue
        w = wall[int(a * fps):int(b * fps) + 1]
        swing.append((w.max() - w.min()) / 2)
    return dict(present=True, rate_per_min=round(float(rate), 3), count=int(sel.sum()), direction=p["direction"],
                wall_to_wall_half_peak_to_peak_mm=round(float(np.mean(swing or [p["amplitude_mm"]])), 3),
                velocity_mm_per_s=round(float(np.mean(np.array(waves.speed)[sel])), 2),
                peak_times_at_mid_stripe_s=rounded(inside), rate_by_count_per_min=round(60 * int(sel.sum()) / end, 3))

def deposit_truth(p, ut, motion, transfer, scan, air_mm, fund_mm):
    """Place of the deposit and the drift of the air against the anatomy."""
    def along(k, c):
        # The arc length of a place is read in the tissue's own frame.
        motion.set_frame(k)
        return float(ut.project(motion.inverse(c[None]))[0][0])
    k0, c0 = air_mm[0]
    k1, c1 = air_mm[-1]
    motion.set_frame(k0)
    tip, d0 = motion.forward(ut.at(transfer.tip[k0]))[0], float(np.hypot(*(c0 - fund_mm[k0])))
    d1 = float(np.hypot(*(c1 - fund_mm[k1])))
    dep = dict(time_s=round(k0 / p["fps"], 3), frame=k0, point_px=rounded(scan.to_px(c0[None])[0]),
               to_fundus_mm=round(d0, 2), tip_to_fundus_mm=round(float(np.hypot(*(tip - fund_mm[k0]))), 2))
    drift = dict(toward_fundus_mm=round(along(k0, c0) - along(k1, c1), 2), final_to_fundus_mm=round(d1, 2),
                 last_frame=k1, kind=p["drift_kind"])
    return dep, drift

def main():
    ap = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ap.add_argument("--out", required=True)
    ap.add_argument("names", nargs="*")
    for option, kind in (("--lot", int), ("--name", str), ("--seconds", float)):
        ap.add_argument(option, type=kind)
    a = ap.parse_args()
    os.makedirs(a.out, exist_ok=True)
    table = fixed_set()
    if a.lot is not None:
        table = {a.name or f"lot{a.lot}": (a.lot, {})}
    for n in (a.names if a.lot is None else []) or sorted(table):
        seed, change = table[n]
        make(n, {**draw_parameters(seed), **change, "seconds": a.seconds or 120.0}, a.out)

if __name__ == "__main__":
    main()
