#!/usr/bin/python3
"""Draws twelve synthetic transvaginal ultrasound loops with known truth.

usage: make_phantoms.py OUT [--only NAME ...] [--seconds S] [--still]

What is drawn, for each loop x01..x12: a sagittal uterus under a curved probe
at the top of the picture. Point scatterers that are fixed to the tissue are
moved (walls, rigid motion, sliding through the slice), laid on a polar raster
with the phase of their depth, spread by the probe's point response, and shown
as the logarithm of the envelope: so the speckle is fully developed, moves with
the tissue and decorrelates as tissue leaves the slice. The endometrium is a
bent stripe round a centre line that starts at the fundus (s = 0) and passes
at the internal os (s = length) into the canal. The walls move along the
normal of that line; the waves travel along s. A catheter may come in through
the canal and lay down bubbles, whose place is kept in tissue coordinates (s,
n), so that drift is motion against the tissue by construction.

What the truth file says (lengths in mm, points in px, pixel centres whole):
  cavity                  the centre line of frame 0, fundus first, os last
  fundus_path_px, os_path_px   one point a frame
  contractions.rate_per_min    (waves - 1) / (last - first crest), crests at
                          mid-stripe that lie within the loop
  contractions.wall_to_wall_half_peak_to_peak_mm   mean over the crests and over
                          s = 30..70 % of half of crest minus mean of the two
                          neighbouring troughs of the wall-to-wall distance
  contractions.direction  for opposing waves: kind "converging" starts at both
                          ends, "diverging" starts at mid-stripe
  deposit.time_s          the instant at which the first bubble shows
  deposit.point_px        brightness-weighted centre in the frame all_out_frame
  deposit.to_fundus_mm    straight from there to the fundus in that frame
  drift.toward_fundus_mm  minus the change of the weighted mean of s from
                          all_out_frame to the last frame
"""
import argparse
import dataclasses
import json
import math
import os
import shutil
import zlib

import cv2
import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.ndimage import gaussian_filter1d, map_coordinates
from scipy.signal import find_peaks
from scipy.spatial import cKDTree

from phantom_files import DicomFile, VideoFile

F32 = np.float32
STEP = 0.1          # mm between samples of the centre line
TAIL = 30.0         # mm of catheter path beyond the outer mouth of the canal


@dataclasses.dataclass
class Spec:
    """One loop; lengths in mm, angles in degrees, times in seconds."""
    name: str
    note: str
    coding: str                     # h264.mp4, h264.mkv, mpeg4.avi, mjpeg.avi, dicom
    quality: int = 22
    size: tuple = (800, 600)
    fps: float = 10.0
    mm: float = 0.16                # mm per px
    depth: float = 80.0
    fov: float = 108.0
    radius: float = 10.0
    top: int = 46                   # px of the probe's surface
    shift: float = 0.0              # px of the apex off the middle
    mhz: float = 6.5
    axial: float = 0.42             # full width at half maximum
    lateral: float = 1.4
    range_db: float = 60.0
    grey: float = 0.41
    noise_db: float = -14.0
    persistence: float = 0.25
    smooth: float = 0.0
    looks: int = 1                  # frequencies whose pictures are added
    # anatomy; drawn with the fundus at the left, flipped when mirrored
    version: str = "anteverted"
    mirrored: bool = False
    middle: tuple = (-8.0, 36.0)    # lateral, depth of mid-stripe
    heading: float = -12.0          # fundus to os at mid-stripe, up is negative
    bend: float = -25.0             # turn of the heading along the stripe
    sway: float = 0.0               # an S on top of the bend
    canal: float = 26.0
    canal_turn: float = -35.0
    length: float = 42.0
    thickness: float = 10.0
    look: str = "bright"            # or triple
    contrast_db: float = 6.0
    halo_db: float = -3.0
    wall: float = 14.0
    cap: float = 12.0
    bodies: tuple = ()              # (kind, x, depth, a, b, angle)
    fat: tuple = ()                 # (side, gap, s0, s1, dB, width)
    shadows: tuple = ()             # (theta, half width, dB, from depth, sway)
    lateral_gain: tuple = (0.0, 0.0)   # dB at the left and right rim
    vessels: int = 5
    # waves
    direction: str = "cervix-to-fundus"
    kind: str = ""
    rate: float = 2.5
    amplitude: float = 0.6
    speed: float = 2.0
    sharp: float = 0.8
    skew: float = 0.35
    jitter: float = 0.10
    share: float = 0.5
    reach: float = 8.0
    # rigid motion
    breaths: float = 15.0
    breath: float = 0.45
    breath_tilt: float = 35.0
    walk: float = 0.4
    turn: float = 0.7
    pulses: float = 72.0
    pulse: float = 0.08
    slice_sigma: float = 1.0        # in units of the slide through the slice
    # catheter and bubbles
    passes: tuple = ()              # (enter, tip to fundus, hold until)
    catheter: str = "double"
    catheter_db: float = 17.0
    deposit: float = 0.0            # time of the first bubble; 0 for none
    emerge: float = 0.8
    at: float = 14.0                # mean s of the bubbles
    spread: tuple = (1.4, 0.8)
    bubbles: int = 36
    bubble_db: float = 26.0
    drift: float = 0.0              # toward the fundus
    drift_kind: str = "slow"
    drift_from: float = 0.0
    drift_for: float = 60.0
    stretch: float = 1.0
    split: float = 0.0
    fade_db: float = 0.0
    away: tuple = ()                # (from, to) out of the plane
    glints: int = 0
    glint_db: float = -7.5          # against a bubble
    # ornaments
    ruler: str = "left"
    minor: float = 5.0
    bar: str = "right"
    tint: tuple = (200, 205, 205)


def smoothstep(x):
    x = np.clip(x, 0.0, 1.0)
    return x * x * (3.0 - 2.0 * x)


def texture(rng, u, v, scale_u, scale_v):
    """Smooth noise of unit variance or so at the points (u, v)."""
    gu, gv = (u - u.min()) / scale_u + 2.0, (v - v.min()) / scale_v + 2.0
    grid = rng.standard_normal((int(gu.max()) + 5, int(gv.max()) + 5))
    return 1.4 * map_coordinates(grid, [gu, gv], order=3, mode="nearest")


class CentreLine:
    """The stripe's centre line, its normals and the walls' half distance."""

    def __init__(self, spec):
        self.length = spec.length
        self.end = spec.length + spec.canal
        s = np.arange(0.0, self.end + TAIL, STEP)
        u = np.clip(s / spec.length, 0.0, 1.2)
        angle = spec.heading + spec.bend * (u - 0.5) + spec.sway * np.sin(2.0 * np.pi * np.clip(u, 0, 1))
        angle = angle + spec.canal_turn * smoothstep((s - spec.length + 3.0) / 18.0)
        # The outer part heads for the probe, as the hand that holds it does.
        out = smoothstep((s - self.end + 6.0) / 14.0)
        angle = np.radians(angle * (1.0 - out) + out * np.minimum(np.maximum(angle, -115.0), -60.0))
        xy = np.cumsum(np.stack([np.cos(angle), np.sin(angle)], 1), axis=0) * STEP
        middle = np.array([spec.middle[0], spec.middle[1] + spec.radius])
        xy += middle - xy[int(round(0.5 * spec.length / STEP))]
        normal = np.stack([-np.sin(angle), np.cos(angle)], 1)
        if spec.mirrored:
            xy[:, 0] *= -1.0
            normal[:, 0] *= -1.0
        self.s, self.xy, self.normal = s, xy, normal
        full, thin = 0.5 * spec.thickness, 1.5
        close = 0.62 * spec.thickness
        half = full * (1.0 - 0.12 * smoothstep((s / spec.length - 0.25) / 0.4))
        half = half * np.sqrt(np.clip(1.0 - (1.0 - np.minimum(s / close, 1.0)) ** 2, 0.0, 1.0))
        self.half = half + (thin - half) * smoothstep((s / spec.length - 0.70) / 0.30)
        neck = smoothstep((s - 0.6 * spec.length) / (0.5 * spec.length))
        around = spec.cap + (spec.wall - spec.cap) * smoothstep(s / 12.0)
        self.outer = self.half + around * (1.0 - neck) + 9.0 * neck

    def index(self, s):
        return np.clip(np.round(np.asarray(s) / STEP).astype(int), 0, len(self.s) - 1)

    def place(self, s, n):
        """Points at rest; between the samples linear."""
        x = np.interp(s, self.s, self.xy[:, 0]) + n * np.interp(s, self.s, self.normal[:, 0])
        y = np.interp(s, self.s, self.xy[:, 1]) + n * np.interp(s, self.s, self.normal[:, 1])
        return np.stack([x, y], 1)

    def locate(self, points):
        """Index of the nearest sample up to the outer mouth, and signed distance."""
        last = self.index(self.end)
        dist, idx = cKDTree(self.xy[:last + 1]).query(points, workers=1)
        away = points - self.xy[idx]
        side = np.sign(np.sum(away * self.normal[idx], axis=1))
        side[side == 0] = 1.0
        return idx, dist * side


class Waves:
    """Wall motion: deviation of the wall-to-wall distance, s and t to mm."""

    def __init__(self, spec, line, rng, seconds):
        self.line, self.spec = line, spec
        self.present = spec.amplitude > 0.0
        period = 60.0 / spec.rate
        count = int((seconds + 240.0) / period)
        gaps = period * np.clip(1.0 + spec.jitter * rng.standard_normal(count), 0.7, 1.35)
        times = -110.0 + rng.uniform(0.0, period) + np.cumsum(gaps)
        self.crests = times
        self.phase = PchipInterpolator(times, np.arange(count), extrapolate=True)
        gains = np.clip(1.0 + 0.12 * rng.standard_normal(count), 0.75, 1.25)
        self.gain = PchipInterpolator(times, gains, extrapolate=True)
        x = line.s - 0.5 * spec.length
        bow = np.sqrt(x * x + 2.0) - math.sqrt(2.0)
        delay = {"cervix-to-fundus": -x, "fundus-to-cervix": x,
                 "opposing": -bow if spec.kind == "converging" else bow}[spec.direction]
        self.delay = delay / spec.speed
        self.taper = smoothstep(line.s / 4.0) * smoothstep((spec.length + 8.0 - line.s) / 11.0)
        self.taper *= 1.0 + 0.15 * rng.uniform(-1.0, 1.0) * x / spec.length

    def at(self, t):
        """Change of the wall-to-wall distance along the whole line, in mm."""
        if not self.present:
            return np.zeros_like(self.delay)
        when = t - self.delay
        phi = self.phase(when) % 1.0
        turn = 2.0 * np.pi * phi
        k = self.spec.sharp
        c = np.cos(turn + self.spec.skew * np.sin(turn) ** 2)
        f = 2.0 * (np.exp(k * (c - 1.0)) - math.exp(-2.0 * k)) / (1.0 - math.exp(-2.0 * k)) - 1.0
        return self.spec.amplitude * self.gain(when) * f * self.taper

    def profile(self, idx, n):
        """Share of that change by which a point at distance n moves along +n."""
        up, down = self.spec.share, 1.0 - self.spec.share
        half = np.maximum(self.line.half[idx], 0.4)
        x = np.clip(n / half, -1.0, 1.0)
        inside = 0.5 * (up - down) + 0.5 * x
        beyond = np.maximum(np.abs(n) - half, 0.0)
        return inside * np.exp(-(beyond / self.spec.reach) ** 1.5)


class Rigid:
    """Shift and turn of the tissue under the probe."""

    def __init__(self, spec, rng, times, pivot):
        n, dt = len(times), times[1] - times[0]

        def slow(scale, seconds):
            pad = int(4 * seconds / dt)
            x = gaussian_filter1d(rng.standard_normal(n + 2 * pad), seconds / dt)[pad:pad + n]
            return scale * (x - x[0]) / max(x.std(), 1e-9)

        pace = spec.breaths / 60.0 * (1.0 + slow(0.05, 8.0))
        phase = 2.0 * np.pi * np.cumsum(pace) * dt + rng.uniform(0, 6.28)
        breath = spec.breath * (np.sin(phase) + 0.18 * np.sin(2 * phase + 0.7)) * (1.0 + slow(0.1, 9.0))
        tilt = math.radians(spec.breath_tilt)
        self.dx = breath * math.cos(tilt) + slow(spec.walk, 7.0)
        self.dy = breath * math.sin(tilt) + slow(spec.walk, 9.0)
        beat = 2.0 * np.pi * np.cumsum(spec.pulses / 60.0 * (1.0 + slow(0.03, 5.0))) * dt
        self.dy = self.dy + spec.pulse * (np.sin(beat) + 0.4 * np.sin(2.0 * beat + 1.0))
        self.angle = np.radians(slow(spec.turn, 8.0))
        # Way through the slice: with the breath and with the hand.
        self.dz = 0.25 * breath / max(spec.breath, 1e-6) + slow(0.45, 10.0)
        self.pivot = np.asarray(pivot, dtype=float)

    def apply(self, k, points):
        c, s = math.cos(self.angle[k]), math.sin(self.angle[k])
        x, y = points[:, 0] - self.pivot[0], points[:, 1] - self.pivot[1]
        return np.stack([c * x - s * y + (self.pivot[0] + self.dx[k]),
                         s * x + c * y + (self.pivot[1] + self.dy[k])], 1)


class Anatomy:
    """Echo strength, attenuation and bright lines of the tissue at rest."""

    LEVEL = {"bladder": -45.0, "cyst": -34.0, "vessel": -22.0, "fibroid": -4.0,
             "ovary": -2.5, "gas": -14.0, "node": 5.0}
    LOSS = {"bladder": -0.22, "cyst": -0.35, "vessel": -0.15, "fibroid": 0.55,
            "ovary": 0.0, "gas": 2.6, "node": 0.25}

    def __init__(self, spec, line, rng):
        self.spec, self.line, self.rng = spec, line, rng
        sign = -1.0 if spec.mirrored else 1.0
        self.bodies = [(kind, sign * x, y + spec.radius, a, b, sign * math.radians(w))
                       for kind, x, y, a, b, w in spec.bodies]
        for _ in range(spec.vessels):
            s = rng.uniform(0.0, 0.9 * spec.length)
            side = rng.choice([-1.0, 1.0])
            i = line.index(s)
            n = side * (line.half[i] + rng.uniform(0.72, 0.9) * (line.outer[i] - line.half[i]))
            p = line.place(np.array([s]), np.array([n]))[0]
            d = line.normal[i]
            self.bodies.append(("vessel", p[0], p[1], rng.uniform(1.2, 3.0), rng.uniform(0.5, 0.9),
                                math.atan2(d[0], -d[1]) + rng.uniform(-0.4, 0.4)))

    @staticmethod
    def outside(body, points):
        """Distance in mm from the rim of a body, negative inside."""
        _, x, y, a, b, w = body
        dx, dy = points[:, 0] - x, points[:, 1] - y
        u, v = math.cos(w) * dx + math.sin(w) * dy, -math.sin(w) * dx + math.cos(w) * dy
        phi = np.arctan2(v / b, u / a)
        wobble = 1.0 + 0.05 * np.sin(3 * phi + x) + 0.03 * np.sin(5 * phi + y)
        return (np.hypot(u / a, v / b) / wobble - 1.0) * min(a, b)

    def loss(self, points):
        """dB per mm more than the mean tissue loses."""
        out = np.zeros(len(points))
        for body in self.bodies:
            out[self.outside(body, points) < 0.0] = self.LOSS[body[0]]
        return out

    def echo(self, points):
        """Echo in dB against the myometrium, with index and distance."""
        spec, line, rng = self.spec, self.line, self.rng
        idx, n = line.locate(points)
        s, depth = line.s[idx], np.abs(n)
        along = s + 0.35 * n
        rough = 0.22 * texture(rng, along, n, 2.6, 40.0)
        ragged = 0.7 * texture(rng, along, n, 6.0, 60.0)
        half, outer = line.half[idx], line.outer[idx]
        # Surroundings: layers that lie across the beam, patches of fat.
        db = -4.0 + 3.0 * texture(rng, points[:, 0], points[:, 1], 14.0, 5.0)
        db += 1.6 * texture(rng, points[:, 0], points[:, 1], 5.0, 1.6)
        # The wall: fibres along the stripe, mottled, darker close to the stripe.
        muscle = 1.2 * texture(rng, along, n, 5.5, 1.3) + 1.3 * texture(rng, points[:, 0], points[:, 1], 7.0, 7.0)
        muscle += spec.halo_db * np.exp(-(np.maximum(depth - half, 0.0) / 3.5) ** 2)
        neck = smoothstep((s - line.length) / 8.0)
        muscle = muscle * (1.0 - 0.3 * neck) - 1.0 * neck
        in_wall = depth < outer + ragged
        db = np.where(in_wall, muscle, db)
        # The stripe.
        inner = half + rough * np.minimum(1.0, half / 2.0)
        edge = smoothstep((inner - depth) / 0.7 + 0.5)
        grain = 1.1 * texture(rng, along, n, 3.5, 1.6)
        if spec.look == "triple":
            core = -7.0 + 0.6 * grain
            core = core + (spec.contrast_db + 10.5) * np.exp(-((depth - inner + 0.55) / 0.75) ** 4)
            core = core + (spec.contrast_db + 10.0) * np.exp(-(n / 0.6) ** 4) * smoothstep((s - 2.0) / 3.0)
        else:
            core = spec.contrast_db + grain
            core = core + 1.5 * np.exp(-(n / 0.5) ** 2) * smoothstep((s - 3.0) / 4.0)
        lining = -4.5 + 9.0 * np.exp(-(n / 0.6) ** 4) + 0.6 * grain
        core = core + (lining - core) * smoothstep((s - line.length + 3.0) / 5.0)
        db = np.where(depth < inner + 0.6, db * (1.0 - edge) + core * edge, db)
        for body in self.bodies:
            kind = body[0]
            d = self.outside(body, points)
            mix = smoothstep(0.5 - d / 0.5)
            level = self.LEVEL[kind] + (0.8 * grain if kind not in ("bladder", "cyst", "vessel") else 0.0)
            db = db * (1.0 - mix) + level * mix
            if kind in ("bladder", "ovary", "cyst"):
                db = db + {"bladder": 7.0, "ovary": 3.0, "cyst": 3.0}[kind] * np.exp(-((d - 0.6) / 0.6) ** 2)
            if kind == "gas":
                # Bright only at the face that the beam meets first.
                face = points[:, 1] < body[2] + 0.3 * body[4]
                db = db + np.where(face, 24.0, 2.0) * np.exp(-((d + 0.3) / 0.8) ** 2)
            if kind == "fibroid":
                db = db + 2.0 * np.exp(-(d / 0.6) ** 2)
        return db, idx, n

    def strands(self):
        """Scatterers of thin bright sheets: serosa, fat lines. Points, dB."""
        spec, line, rng = self.spec, self.line, self.rng
        points, levels = [], []
        lines = [(side, -0.2, 0.0, line.end, 6.0, 0.5) for side in (-1, 1)] + list(spec.fat)
        for side, gap, s0, s1, db, width in lines:
            n = int(14 * (s1 - s0))
            s = rng.uniform(s0, s1, n)
            bow = 1.6 * texture(rng, s, s * 0.0, 13.0, 1.0) if gap > 0 else 0.7 * texture(rng, s, s * 0.0, 8.0, 1.0)
            i = line.index(s)
            off = side * (line.outer[i] + gap + (np.abs(bow) if gap > 0 else bow * 0.3)) + rng.normal(0, 0.4 * width, n)
            p = line.place(s, off)
            lv = db + 3.0 * texture(rng, s, s * 0.0, 5.0, 1.0)
            fade = np.minimum(s - s0, s1 - s) / 4.0
            points.append(p)
            levels.append(lv + 20.0 * np.log10(np.clip(fade, 0.05, 1.0)))
            beam = p / np.linalg.norm(p, axis=1)[:, None]
            levels[-1] += 12.0 * (np.abs(np.sum(beam * line.normal[i], 1)) - 1.0)
        # The serosa round the fundus.
        phi = rng.uniform(-np.pi / 2, np.pi / 2, int(14 * 3.1 * spec.cap))
        back = np.array([line.normal[0][1], -line.normal[0][0]])
        back = back if np.dot(back, line.xy[0] - line.xy[100]) > 0 else -back
        ray = np.cos(phi)[:, None] * back + np.sin(phi)[:, None] * line.normal[0]
        p = line.xy[0] + (line.outer[0] + rng.normal(0, 0.25, len(phi)))[:, None] * ray
        beam = p / np.linalg.norm(p, axis=1)[:, None]
        points.append(p)
        levels.append(6.0 + 12.0 * (np.abs(np.sum(beam * ray, 1)) - 1.0) + rng.normal(0, 1.0, len(phi)))
        points, levels = np.concatenate(points), np.concatenate(levels)
        # A sheet may not run through the wall on the far side of a bend.
        idx, n = line.locate(points)
        keep = np.abs(n) > line.outer[idx] - 1.6
        for body in self.bodies:
            keep &= self.outside(body, points) > 0.0
        return points[keep], levels[keep]


class Bubbles:
    """The deposit in tissue coordinates."""

    def __init__(self, spec, line, rng):
        self.spec, self.line = spec, line
        count = spec.bubbles
        self.ds = spec.spread[0] * np.clip(rng.standard_normal(count), -2.0, 2.0)
        self.dn = spec.spread[1] * np.clip(rng.standard_normal(count), -1.8, 1.8)
        self.ds -= self.ds.mean()
        self.gain = 10.0 ** (rng.uniform(-2.5, 2.5, count) / 20.0)
        order = np.argsort(self.ds + 0.5 * rng.standard_normal(count))
        birth = np.empty(count)
        birth[order] = np.linspace(0.0, 1.0, count) ** 0.8 * spec.emerge
        self.birth = spec.deposit + birth
        self.all_out = float(self.birth.max())
        self.lot = np.where(self.ds > np.median(self.ds), 1.0, -1.0)
        self.tremble = rng.uniform(0, 6.28, (2, count))
        self.pace = rng.uniform(0.15, 0.7, (2, count))

    def at(self, t):
        """s, n and amplitude of each bubble at time t."""
        spec = self.spec
        go = smoothstep((t - spec.drift_from) / spec.drift_for)
        s = spec.at - spec.drift * go + self.ds * (1.0 + (spec.stretch - 1.0) * go)
        s = s + 0.5 * spec.split * self.lot * go
        wob = 0.07 * np.sin(2.0 * np.pi * self.pace * t + self.tremble)
        s = np.clip(s + wob[0], 1.6, spec.length + 2.0)
        room = 0.72 * np.interp(s, self.line.s, self.line.half)
        n = np.clip(self.dn + wob[1], -room, room)
        amp = np.where(t >= self.birth - 1e-9, self.gain, 0.0)
        amp = amp * 10.0 ** (-spec.fade_db * np.clip((t - self.all_out) / (120.0 - self.all_out), 0, 1) / 20.0)
        if spec.away:
            gone = smoothstep((t - spec.away[0]) / 1.5) * smoothstep((spec.away[1] - t) / 1.5)
            amp = amp * 10.0 ** (-45.0 * gone / 20.0)
        return s, n, amp


class Catheter:
    """Shaft and tip: a row of scatterers that slides along the centre line."""

    def __init__(self, spec, line, rng):
        self.spec, self.line = spec, line
        reach = line.end + TAIL
        self.back = np.arange(0.0, reach, 0.09)     # mm behind the tip
        n = len(self.back)
        if spec.catheter == "double":
            self.off = np.where(np.arange(n) % 2 == 0, 0.62, -0.62)
        else:
            self.off = rng.normal(0, 0.2, n)
        self.gain = 0.6 + 0.5 * rng.random(n)
        self.gain[self.back < 0.9] *= 3.2
        self.ends = []
        for enter, tip, leave in spec.passes:
            out = line.end + 6.0
            run = (out - tip) / 9.0
            self.ends.append((enter, enter + run, leave, leave + (out - tip) / 7.0, tip, out))

    def tip(self, t):
        for enter, there, leave, gone, tip, out in self.ends:
            if enter <= t < gone:
                inward = smoothstep((t - enter) / (there - enter))
                outward = smoothstep((t - leave) / (gone - leave))
                return out + (tip - out) * (inward - outward) + 0.15 * math.sin(1.7 * t)
        return None

    def at(self, t):
        tip = self.tip(t)
        if tip is None:
            return None
        s = tip + self.back
        keep = s < self.line.s[-1] - 1.0
        s = s[keep]
        n = self.off[keep] + 0.35 * np.sin(s / 9.0) * np.interp(s, [0, self.line.length], [1.0, 0.3])
        i = self.line.index(s)
        p = self.line.xy[i]
        beam = p / np.linalg.norm(p, axis=1)[:, None]
        facing = np.abs(np.sum(beam * self.line.normal[i], axis=1))
        return s, n, self.gain[keep] * (0.45 + 0.55 * facing)


class Screen:
    """Polar raster, picture raster and ornaments."""

    def __init__(self, spec):
        self.spec = spec
        w, h = spec.size
        self.dr, self.da = 0.12, math.radians(0.25)
        self.r0, self.r1 = spec.radius, spec.radius + spec.depth
        self.a1 = math.radians(0.5 * spec.fov)
        self.nr, self.na = int(spec.depth / self.dr) + 1, int(2.0 * self.a1 / self.da) + 1
        self.ax, self.ay = 0.5 * (w - 1) + spec.shift, spec.top - spec.radius / spec.mm
        jj, ii = np.meshgrid(np.arange(w), np.arange(h))
        x, y = (jj - self.ax) * spec.mm, (ii - self.ay) * spec.mm
        r, a = np.hypot(x, y), np.arctan2(x, y)
        self.map_x = ((a + self.a1) / self.da).astype(F32)
        self.map_y = ((r - self.r0) / self.dr).astype(F32)
        inside = (np.abs(a) <= self.a1) & (r >= self.r0) & (r <= self.r1) & (jj > 46) & (jj < w - 46)
        self.mask = inside.astype(np.uint8)
        rows, cols = np.arange(self.nr), np.arange(self.na)
        self.r = self.r0 + rows * self.dr
        self.a = -self.a1 + cols * self.da
        sig_r, sig_a = spec.axial / 2.355 / self.dr, math.radians(spec.lateral) / 2.355 / self.da
        self.kr = cv2.getGaussianKernel(2 * int(3 * sig_r + 1) + 1, sig_r, cv2.CV_32F)
        self.ka = cv2.getGaussianKernel(2 * int(3 * sig_a + 1) + 1, sig_a, cv2.CV_32F)
        self.peak = float(self.kr.max() * self.ka.max())
        tones = [0.0] if spec.looks == 1 else np.linspace(-0.9, 0.9, spec.looks)
        self.waves = [F32(4.0 * np.pi * (spec.mhz + tone) / 1.54) for tone in tones]
        self.plate = self._plate()

    def px(self, p):
        p = np.atleast_2d(p)
        return np.stack([self.ax + p[:, 0] / self.spec.mm, self.ay + p[:, 1] / self.spec.mm], 1)

    def splat(self, points, amp):
        """Complex rasters of point echoes before the spread, one a frequency."""
        x, y = points[:, 0], points[:, 1]
        r = np.sqrt(x * x + y * y)
        a = np.arctan2(x, y)
        row = ((r - F32(self.r0)) * F32(1.0 / self.dr) + F32(0.5)).astype(np.int32)
        col = ((a + F32(self.a1)) * F32(1.0 / self.da) + F32(0.5)).astype(np.int32)
        ok = (row >= 0) & (row < self.nr) & (col >= 0) & (col < self.na) & (r >= F32(self.r0))
        flat = (row * self.na + col)[ok]
        r, amp = r[ok], amp[ok]
        n = self.nr * self.na
        rasters = []
        for wave in self.waves:
            phase = (r * wave) % F32(2.0 * np.pi)
            re = np.bincount(flat, amp * np.cos(phase), n).astype(F32)
            im = np.bincount(flat, amp * np.sin(phase), n).astype(F32)
            rasters.append(np.stack([re.reshape(self.nr, self.na), im.reshape(self.nr, self.na)], 2))
        return rasters

    def spread(self, raster):
        return cv2.sepFilter2D(raster, cv2.CV_32F, self.ka, self.kr, borderType=cv2.BORDER_REFLECT)

    def _plate(self):
        """What stays on the screen: ruler, bar, writing."""
        spec = self.spec
        w, h = spec.size
        out = np.zeros((h, w, 3), np.uint8)
        size = w / 800.0
        x = int(26 * size) if spec.ruler == "left" else w - 1 - int(26 * size)
        way = 1 if spec.ruler == "left" else -1
        step = spec.minor
        for k in range(int(spec.depth / step) + 1):
            y = spec.top + k * step / spec.mm
            major = abs((k * step) % 10.0) < 1e-6
            yy = int(round(y))
            cv2.line(out, (x, yy), (x + way * int((10 if major else 5) * size), yy), (190, 190, 190), 1)
            if major and k and int(k * step) % 20 == 0:
                cv2.putText(out, str(int(k * step / 10)), (x - 14 if way > 0 else x + 5, yy + 4),
                            cv2.FONT_HERSHEY_SIMPLEX, 0.36, (170, 170, 170), 1, cv2.LINE_AA)
        bx = w - int(24 * size) if spec.bar == "right" else int(8 * size)
        by, tall = int(0.12 * h), int(0.3 * h)
        ramp = np.linspace(255, 0, tall).astype(np.uint8)[:, None]
        out[by:by + tall, bx:bx + int(9 * size)] = np.repeat(ramp, int(9 * size), 1)[:, :, None]
        rows = ["TV sag", "F %.1f MHz" % spec.mhz, "DR %d" % round(spec.range_db), "D %.1f cm" % (spec.depth / 10.0)]
        for k, row in enumerate(rows):
            cv2.putText(out, row, (int(52 * size), int((18 + 15 * k) * size)), cv2.FONT_HERSHEY_SIMPLEX,
                        0.38 * size, spec.tint, 1, cv2.LINE_AA)
        return out

    def picture(self, level, t):
        """Polar grey levels (0..1) to a colour frame."""
        grey = cv2.remap((level * 255.0).astype(np.uint8), self.map_x, self.map_y, cv2.INTER_LINEAR)
        grey = grey * self.mask
        frame = np.maximum(cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR), self.plate)
        w = self.spec.size[0]
        cv2.putText(frame, "%02d:%02d" % (t // 60, t % 60), (w - int(110 * w / 800), 20), cv2.FONT_HERSHEY_SIMPLEX,
                    0.4 * w / 800, self.spec.tint, 1, cv2.LINE_AA)
        return frame


class Loop:
    """One loop: tissue, motion, picture, truth."""

    def __init__(self, spec, seconds):
        self.spec = spec
        seed = zlib.crc32(("phantom " + spec.name).encode())
        self.seed = seed
        rng = np.random.default_rng(seed)
        self.rng = rng
        self.frames = int(round(seconds * spec.fps))
        self.times = np.arange(self.frames) / spec.fps
        self.screen = Screen(spec)
        self.line = CentreLine(spec)
        self.waves = Waves(spec, self.line, rng, seconds)
        pivot = (0.0, spec.radius + 0.5 * spec.depth)
        self.rigid = Rigid(spec, rng, self.times, pivot)
        self.anatomy = Anatomy(spec, self.line, rng)
        self.bubbles = Bubbles(spec, self.line, rng) if spec.deposit else None
        self.catheter = Catheter(spec, self.line, rng) if spec.passes else None
        self._glints()
        self._scatter()
        self._gain()
        self._calibrate()

    def _scatter(self):
        spec, rng, scr = self.spec, self.rng, self.screen
        reach, rim = scr.r1 + 4.0, scr.a1 + 0.08
        density = 14.0
        n = int(density * rim * (reach ** 2 - (scr.r0 - 2.0) ** 2))
        r = np.sqrt(rng.uniform((scr.r0 - 2.0) ** 2, reach ** 2, n))
        a = rng.uniform(-rim, rim, n)
        cloud = np.stack([r * np.sin(a), r * np.cos(a)], 1)
        across = np.abs(cloud[:, 0]) < 0.5 * spec.size[0] * spec.mm + 4.0
        cloud = cloud[across]
        db, idx, off = self.anatomy.echo(cloud)
        sheet, sheet_db = self.anatomy.strands()
        sidx, soff = self.line.locate(sheet)
        db = np.concatenate([db, sheet_db + 3.0])
        points = np.concatenate([cloud, sheet])
        idx, off = np.concatenate([idx, sidx]), np.concatenate([off, soff])
        self.z = rng.uniform(-2.0, 2.0, len(points)).astype(F32)
        self.amp = (rng.standard_normal(len(points)) * 10.0 ** (db / 20.0)).astype(F32)
        self.rest = points.astype(F32)
        self.idx = idx
        push = self.waves.profile(idx, off)
        self.push = (push[:, None] * self.line.normal[idx]).astype(F32)

    def _gain(self):
        """What the beam meets on its way, contact of the probe, depth gain."""
        spec, scr, rng = self.spec, self.screen, self.rng
        aa, rr = np.meshgrid(scr.a[::4], scr.r[::4])
        points = np.stack([(rr * np.sin(aa)).ravel(), (rr * np.cos(aa)).ravel()], 1)
        loss = self.anatomy.loss(points).reshape(rr.shape)
        db = -np.clip(np.cumsum(loss, 0) * scr.dr * 4.0, -8.0, 26.0)
        db = cv2.GaussianBlur(db, (0, 0), 1.6)
        db = cv2.resize(db, (scr.na, scr.nr), interpolation=cv2.INTER_LINEAR)
        u = (scr.a / scr.a1 + 1.0) / 2.0
        left, right = spec.lateral_gain
        db += (left * (1.0 - u) ** 1.5 + right * u ** 1.5)[None, :]
        depth = scr.r - scr.r0
        knots = np.linspace(0.0, spec.depth, 9)
        bumps = rng.uniform(-1.4, 1.4, 9)
        bumps[-1] -= 2.5
        db += PchipInterpolator(knots, bumps)(depth)[:, None]
        db += (7.0 * np.exp(-depth / 2.0) - 1.5 * np.exp(-((depth - 6.0) / 3.0) ** 2))[:, None]
        db -= (5.0 * smoothstep((np.abs(scr.a) / scr.a1 - 0.86) / 0.14))[None, :]
        self.gain_db = db.astype(F32)
        self.depth = depth.astype(F32)
        noise = 10.0 ** ((spec.noise_db + 14.0 * (depth / spec.depth - 1.0)) / 20.0)
        self.noise_gain = noise.astype(F32)[:, None, None]
        self.bank = rng.standard_normal((2 * scr.nr, 2 * scr.na, 2)).astype(F32)

    def gain(self, t):
        scr = self.screen
        db = self.gain_db
        for k, (theta, half, loss, start, sway) in enumerate(self.spec.shadows):
            theta = -theta if self.spec.mirrored else theta
            centre = math.radians(theta + sway * math.sin(2.0 * math.pi * t / 23.0 + k))
            lane = np.exp(-np.abs((scr.a - centre) / math.radians(half)) ** 3).astype(F32)
            db = db - F32(loss) * smoothstep((self.depth - start) / 6.0)[:, None] * lane[None, :]
        return np.exp(db * F32(math.log(10.0) / 20.0)).astype(F32)

    def _calibrate(self):
        """The myometrium's level without gain, so that levels may be set in dB."""
        wall = np.abs(np.linalg.norm(self.rest - self.line.xy[self.idx], axis=1) - self.line.half[self.idx] - 7.0) < 4.0
        wall &= self.line.s[self.idx] < self.line.length
        raster = self.screen.spread(self.screen.splat(*self._tissue(0))[0])
        env = np.hypot(raster[..., 0], raster[..., 1])
        p = self.rest[wall]
        r, a = np.hypot(p[:, 0], p[:, 1]), np.arctan2(p[:, 0], p[:, 1])
        row = ((r - self.screen.r0) / self.screen.dr).astype(int)
        col = ((a + self.screen.a1) / self.screen.da).astype(int)
        ok = (row > 40) & (row < self.screen.nr) & (col >= 0) & (col < self.screen.na)
        self.level = float(np.sqrt(np.mean(env[row[ok], col[ok]] ** 2)))
        self.fixed_gain = self.gain(0.0)
        white = self.screen.spread(self.bank[:self.screen.nr, :self.screen.na])
        self.white = self.level / float(np.sqrt(np.mean(np.sum(white ** 2, 2))))
        self.last = None

    def _tissue(self, k):
        t = self.times[k]
        z = (self.z + F32(self.rigid.dz[k] * self.spec.slice_sigma) + F32(2.0)) % F32(4.0) - F32(2.0)
        weight = np.exp(-z * z * F32(1.0 / 0.5))
        sel = np.flatnonzero(weight > 0.08)
        p = self.rest[sel]
        if self.waves.present:
            p = p + self.push[sel] * self.waves.at(t).astype(F32)[self.idx[sel]][:, None]
        return self.rigid.apply(k, p).astype(F32), self.amp[sel] * weight[sel]

    def moved(self, k, s, n):
        """Where tissue coordinates are in frame k, in mm under the apex."""
        s, n = np.atleast_1d(s).astype(float), np.atleast_1d(n).astype(float)
        i = self.line.index(s)
        change = np.interp(s, self.line.s, self.waves.at(self.times[k])) * self.waves.profile(i, n)
        return self.rigid.apply(k, self.line.place(s, n + change))

    def _glints(self):
        """Stray echoes that the catheter leaves behind: s, n, from, until, dB."""
        rows = []
        for k in range(self.spec.glints):
            leave = self.catheter.ends[-1][2]
            s = self.rng.uniform(0.75 * self.line.length, self.line.length + 16.0)
            born = leave + (s - self.catheter.ends[-1][4]) / 7.0 + 0.8
            rows.append((s, self.rng.uniform(-0.6, 0.6), born, born + self.rng.uniform(12.0, 90.0),
                         self.spec.glint_db + self.rng.uniform(-2.5, 2.5)))
        self.strays = np.array(rows).reshape(-1, 5)

    def echoes(self, k):
        """All point echoes of frame k that are no tissue."""
        spec, t = self.spec, self.times[k]
        unit = self.level / self.screen.peak
        points, amps = [], []
        if self.bubbles is not None and t >= spec.deposit:
            s, n, amp = self.bubbles.at(t)
            points.append(self.moved(k, s, n))
            amps.append(amp * unit * 10.0 ** (spec.bubble_db / 20.0))
        shaft = self.catheter.at(t) if self.catheter else None
        if shaft is not None:
            points.append(self.moved(k, shaft[0], shaft[1]))
            amps.append(shaft[2] * unit * 10.0 ** (spec.catheter_db / 20.0))
        if len(self.strays):
            s, n, born, until, db = self.strays.T
            alive = np.clip((t - born) / 0.4, 0, 1) * np.clip((until - t) / 2.0, 0, 1)
            points.append(self.moved(k, s, n))
            amps.append(alive * unit * 10.0 ** ((spec.bubble_db + db) / 20.0))
        if not points:
            return None
        return np.concatenate(points).astype(F32), np.concatenate(amps).astype(F32)

    def frame(self, k):
        spec, scr = self.spec, self.screen
        points, amp = self._tissue(k)
        extra = self.echoes(k)
        if extra is not None:
            points, amp = np.concatenate([points, extra[0]]), np.concatenate([amp, extra[1]])
        gain = self.gain(self.times[k]) if spec.shadows else self.fixed_gain
        db = 0.0
        for raster in scr.splat(points, amp):
            raster *= gain[:, :, None]
            i, j = self.rng.integers(0, scr.nr), self.rng.integers(0, scr.na)
            raster += self.noise_gain * self.bank[i:i + scr.nr, j:j + scr.na] * F32(self.white)
            raster = scr.spread(raster)
            power = raster[..., 0] ** 2 + raster[..., 1] ** 2
            db = db + cv2.log(power * F32(1.0 / self.level ** 2) + F32(1e-7))
        db = db * F32(10.0 / math.log(10.0) / spec.looks)
        level = F32(spec.grey) + (db + F32(1.5)) * F32(1.0 / spec.range_db)
        # A soft shoulder, so that strong echoes differ to the last.
        level = np.where(level > 0.75, 0.75 + 0.25 * np.tanh((level - 0.75) / 0.25), np.maximum(level, 0.0))
        if spec.smooth > 0.0:
            level = cv2.GaussianBlur(level, (0, 0), spec.smooth)
        level = level.astype(F32)
        if self.last is not None and spec.persistence > 0.0:
            level = level * F32(1.0 - spec.persistence) + self.last * F32(spec.persistence)
        self.last = level
        return scr.picture(level, self.times[k])

    # truth

    def _bubble_centre(self, k):
        s, n, amp = self.bubbles.at(self.times[k])
        if amp.sum() <= 0.0 or amp.max() < 0.05:
            return None
        p = self.moved(k, s, n)
        return np.sum(p * amp[:, None], 0) / amp.sum(), float(np.sum(s * amp) / amp.sum())

    def _contractions(self):
        spec, line = self.spec, self.line
        if not self.waves.present:
            return {"verdict": "quiescent", "present": False, "rate_per_min": None, "count": 0}
        fine = np.arange(-30.0, self.times[-1] + 30.0, 0.1)
        grid = line.index(np.linspace(0.3, 0.7, 9) * spec.length)
        change = np.stack([self.waves.at(t)[grid] for t in fine])
        halves = []
        for col in change.T:
            top, low = find_peaks(col)[0], find_peaks(-col)[0]
            for i in top:
                if not 0.0 <= fine[i] <= self.times[-1]:
                    continue
                before, after = low[low < i], low[low > i]
                if len(before) and len(after):
                    halves.append(0.5 * (col[i] - 0.5 * (col[before[-1]] + col[after[0]])))
        mid = [float(t) for t in self.waves.crests if 0.0 <= t <= self.times[-1]]
        out = {"verdict": "measured", "present": True,
               "rate_per_min": round(60.0 * (len(mid) - 1) / (mid[-1] - mid[0]), 3),
               "count": len(mid), "direction": spec.direction,
               "wall_to_wall_half_peak_to_peak_mm": round(float(np.mean(halves)), 3),
               "velocity_mm_per_s": spec.speed,
               "peak_times_at_mid_stripe_s": [round(t, 2) for t in mid],
               "rate_by_count_per_min": round(60.0 * len(mid) / (self.times[-1] + 1.0 / spec.fps), 3)}
        if spec.kind:
            out["kind"] = spec.kind
        return out

    def truth(self, file):
        spec, line, scr = self.spec, self.line, self.screen

        def pt(p):
            return [round(float(v), 2) for v in np.ravel(scr.px(p))]

        every = range(self.frames)
        s = np.linspace(0.0, spec.length, 47)
        fundus = [self.moved(k, 0.0, 0.0)[0] for k in every]
        mouth = [self.moved(k, spec.length, 0.0)[0] for k in every]
        mid = line.index(0.5 * spec.length)
        walls = [2.0 * float(line.half[mid]) + float(self.waves.at(t)[mid]) for t in self.times]
        out = {"name": spec.name, "file": file, "note": spec.note, "width_px": spec.size[0], "height_px": spec.size[1],
               "frames": self.frames, "frame_rate_hz": spec.fps, "duration_s": self.frames / spec.fps,
               "scale_mm_per_px": spec.mm,
               "cavity": {"frame": 0, "fundus_px": pt(fundus[0]), "os_px": pt(mouth[0]),
                          "centre_line_px": [[round(float(v), 2) for v in p]
                                             for p in scr.px(self.moved(0, s, 0.0 * s))],
                          "length_mm": spec.length, "thickness_mm": spec.thickness},
               "fundus_path_px": [pt(p) for p in fundus], "os_path_px": [pt(p) for p in mouth],
               "contractions": self._contractions(), "deposit": None, "drift": None}
        tips = [None] * self.frames
        if self.catheter:
            for k in every:
                tip = self.catheter.tip(self.times[k])
                if tip is not None:
                    tips[k] = pt(self.moved(k, tip, 0.0)[0])
            out["catheter"] = {"passes": [{"enters_s": round(e[0], 2), "in_place_s": round(e[1], 2),
                                           "leaves_s": round(e[2], 2), "out_s": round(e[3], 2),
                                           "tip_along_stripe_mm": e[4]} for e in self.catheter.ends]}
        out["tip_path_px"] = tips
        if self.bubbles is not None:
            centres = [self._bubble_centre(k) for k in every]
            first = int(math.ceil(spec.deposit * spec.fps - 1e-6))
            full = int(math.ceil(self.bubbles.all_out * spec.fps - 1e-6))
            laid, end = centres[full], centres[-1]
            out["bubble_path_px"] = [None if c is None else pt(c[0]) for c in centres]
            out["deposit"] = {"time_s": round(spec.deposit, 2), "frame": first, "all_out_frame": full,
                              "point_px": pt(laid[0]),
                              "to_fundus_mm": round(float(np.linalg.norm(laid[0] - fundus[full])), 2),
                              "along_stripe_mm": round(laid[1], 2)}
            out["drift"] = {"toward_fundus_mm": round(laid[1] - end[1], 2),
                            "final_to_fundus_mm": round(float(np.linalg.norm(end[0] - fundus[-1])), 2),
                            "last_frame": self.frames - 1, "kind": spec.drift_kind}
        out["generator"] = dict(dataclasses.asdict(spec), seed=self.seed)
        out["wall_to_wall_mm"] = [round(w, 3) for w in walls]
        out["scan"] = {"apex_px": [round(scr.ax, 2), round(scr.ay, 2)], "surface_y_px": spec.top}
        return out


LOOPS = [
    Spec("x01", "anteverted, fundus left, bladder with enhancement behind it over half of the stripe", "h264.mp4", 20,
         fps=12.0, middle=(-6.0, 40.0), heading=-14.0, bend=-30.0, length=43.0, thickness=10.5, contrast_db=6.5,
         bodies=(("bladder", -28.0, 13.0, 17.0, 7.0, -12.0), ("gas", 34.0, 58.0, 8.0, 4.0, 10.0)),
         fat=((1, 5.0, 0.0, 55.0, 10.0, 0.9),), rate=2.4, amplitude=0.7, speed=2.0, breaths=14.0,
         passes=((29.0, 17.5, 47.0),), deposit=38.3, at=14.2, drift=3.0, drift_from=55.0, drift_for=50.0, glints=2),
    Spec("x02", "retroverted, fundus right and deep, triple line, sudden drift back", "mpeg4.avi", 4, fps=10.0,
         looks=2, fov=116.0, radius=12.0, version="retroverted", mirrored=True, middle=(-10.0, 45.0), heading=-42.0,
         bend=22.0, depth=86.0, canal_turn=-38.0, length=40.0, thickness=12.0, look="triple", contrast_db=5.0,
         halo_db=-1.5, wall=13.0, bodies=(("bladder", 34.0, 22.0, 13.0, 8.0, 35.0),
         ("ovary", 30.0, 62.0, 12.0, 9.0, 20.0), ("cyst", 26.0, 60.0, 3.8, 3.2, 0.0),
         ("cyst", 34.0, 65.0, 3.0, 2.6, 0.0)), fat=((1, 6.0, 5.0, 60.0, 9.0, 0.8),), direction="fundus-to-cervix",
         rate=3.2, amplitude=0.5, speed=1.5, breaths=17.0, breath=0.35, breath_tilt=70.0, lateral_gain=(-3.0, 1.0),
         ruler="right", bar="left", passes=((14.0, 15.0, 31.0),), catheter="single", deposit=23.7, at=11.8, drift=-9.0,
         drift_kind="sudden", drift_from=52.0, drift_for=2.0, fade_db=3.0),
    Spec("x03", "strong bend, thin stripe, fat lines longer and brighter than the stripe", "h264.mkv", 24,
         size=(1024, 768), fps=12.0, mm=0.124, middle=(-10.0, 33.0), heading=-2.0, bend=-78.0, canal_turn=-16.0,
         length=41.0, thickness=6.2, contrast_db=6.5, wall=12.0, cap=11.0, halo_db=-3.5, mhz=7.0, top=60, fov=120.0,
         bodies=(("gas", -40.0, 52.0, 7.0, 3.0, -25.0), ("cyst", 26.0, 24.0, 1.8, 1.6, 0.0)),
         fat=((1, 3.5, 0.0, 62.0, 14.0, 1.1), (1, 8.5, 5.0, 60.0, 11.0, 0.9), (-1, 4.0, 0.0, 30.0, 9.0, 0.8)),
         direction="opposing", kind="converging", rate=2.0, amplitude=0.5, speed=1.8, reach=6.5, share=0.55,
         breaths=13.0, breath=0.5, minor=10.0, passes=((20.0, 14.0, 36.5),), catheter="single", deposit=28.9, at=11.2,
         spread=(1.3, 0.6), drift=-4.0, drift_from=40.0, drift_for=70.0, fade_db=7.0),
    Spec("x04", "quiet uterus under a wandering probe, triple line, bubbles stay", "mjpeg.avi", 4, fps=10.0,
         radius=14.0, fov=100.0, shift=-18.0, middle=(-4.0, 38.0), heading=-22.0, bend=18.0, length=38.0,
         thickness=9.0, look="triple", contrast_db=6.0, mirrored=True, amplitude=0.0, walk=1.3, turn=1.8, breath=0.55,
         breaths=19.0, pulse=0.12, bodies=(("bladder", -34.0, 18.0, 13.0, 6.5, -25.0),
         ("ovary", 40.0, 50.0, 11.0, 8.0, -10.0), ("cyst", 37.0, 48.0, 3.2, 3.0, 0.0)),
         fat=((1, 4.0, 10.0, 60.0, 8.0, 0.8),), slice_sigma=1.3, passes=((15.0, 18.5, 35.0),), deposit=24.4, at=15.2,
         drift=0.0, drift_kind="still", spread=(1.8, 0.9), glints=3, ruler="right", bar="left"),
    Spec("x05", "no catheter; a shadow lies across the stripe; fast small waves; DICOM", "dicom", 86, fps=10.0,
         looks=2, smooth=0.6, shift=20.0, top=60, mirrored=True, middle=(-6.0, 37.0), heading=-18.0, bend=-20.0,
         length=45.0, thickness=11.0, contrast_db=7.0, rate=4.2, amplitude=0.38, speed=3.5, jitter=0.08, breaths=13.0,
         breath=0.5, pulses=88.0, shadows=((-6.0, 4.5, 11.0, 17.0, 1.5), (34.0, 5.0, 9.0, 4.0, 0.8)),
         bodies=(("node", -1.0, 15.0, 3.0, 1.4, 0.0), ("fibroid", -38.0, 62.0, 8.0, 7.0, 0.0)),
         fat=((1, 6.0, 0.0, 50.0, 8.0, 0.9),), tint=(160, 210, 210)),
    Spec("x06", "vertical uterus, fundus deep, large slow waves, catheter passed twice", "h264.mp4", 22,
         catheter_db=22.0, size=(640, 480), fps=15.0, mm=0.2, version="vertical", middle=(3.0, 43.0), heading=-86.0,
         bend=-14.0, canal=18.0, canal_turn=12.0, depth=84.0, fov=100.0, length=39.0, thickness=11.5, contrast_db=6.5,
         sway=5.0, rate=1.8, amplitude=1.1, speed=1.0, sharp=0.6, share=0.45, breaths=16.0, breath_tilt=60.0, top=40,
         bodies=(("bladder", -30.0, 22.0, 9.0, 13.0, 10.0), ("gas", 33.0, 40.0, 6.0, 3.5, 20.0)),
         fat=((-1, 4.0, 5.0, 50.0, 9.0, 0.9),), passes=((12.0, 19.0, 24.0), (36.0, 15.0, 53.0)), deposit=45.6, at=11.5,
         drift=-6.0, drift_from=60.0, drift_for=45.0, minor=10.0),
    Spec("x07", "poor contrast, off-centre stripe, low gain at one side; bubbles leave the plane and come back",
         "h264.mp4", 26, fps=10.0, looks=2, middle=(-22.0, 41.0), heading=-16.0, bend=-34.0, length=42.0,
         thickness=10.0, contrast_db=5.0, halo_db=-3.5, grey=0.38, noise_db=-10.0, persistence=0.35,
         lateral_gain=(-3.0, 2.0), fov=116.0, direction="fundus-to-cervix", rate=2.8, amplitude=0.85, speed=2.6,
         breaths=18.0, breath=0.4, range_db=56.0, bodies=(("ovary", 36.0, 40.0, 12.0, 9.0, 30.0),
         ("cyst", 33.0, 38.0, 4.0, 3.4, 0.0), ("cyst", 40.0, 44.0, 3.0, 2.8, 0.0),
         ("gas", 30.0, 68.0, 9.0, 4.0, -8.0)), fat=((1, 5.0, 10.0, 65.0, 10.0, 0.8),), passes=((22.0, 22.0, 40.0),),
         deposit=32.2, at=18.6, drift=4.5, drift_from=45.0, drift_for=45.0, away=(62.0, 76.0), glints=3, ruler="right",
         bar="left"),
    Spec("x08", "retroverted, fundal part near the picture's edge; deposit splits and runs back 15 mm", "h264.mkv", 18,
         fps=12.0, version="retroverted", mirrored=True, middle=(-30.0, 44.0), heading=-26.0, bend=-18.0, length=46.0,
         thickness=10.0, contrast_db=7.5, canal_turn=-30.0, fov=128.0, depth=78.0, rate=2.9, amplitude=0.6, speed=2.3,
         breaths=12.5, breath=0.55, breath_tilt=15.0, smooth=0.9, radius=12.0,
         bodies=(("bladder", 30.0, 20.0, 14.0, 8.0, 25.0), ("gas", 20.0, 60.0, 8.0, 4.0, 0.0)),
         fat=((1, 4.0, 20.0, 70.0, 9.0, 0.8),), passes=((33.0, 15.0, 52.0),), catheter="single", deposit=42.1, at=12.0,
         drift=-14.5, drift_from=58.0, drift_for=45.0, split=6.0, fade_db=4.0),
    Spec("x09", "quiet uterus, probe wanders and turns, bubbles spring forward when the catheter leaves", "mpeg4.avi",
         3, fps=10.0, fov=138.0, radius=11.0, top=72, smooth=0.7, middle=(-6.0, 42.0), heading=-6.0, bend=-40.0,
         length=40.0, thickness=8.0, contrast_db=7.5, amplitude=0.0, walk=1.1, turn=2.2, breath=0.6, breaths=12.5,
         breath_tilt=50.0, pulses=60.0, pulse=0.1,
         bodies=(("bladder", -30.0, 14.0, 15.0, 6.0, -10.0), ("fibroid", 2.0, 61.0, 6.5, 5.5, 0.0)),
         fat=((1, 6.0, 0.0, 30.0, 8.0, 0.8),), lateral_gain=(2.0, -3.0), passes=((8.0, 20.5, 26.0),), deposit=17.3,
         at=17.4, drift=5.5, drift_kind="sudden", drift_from=26.5, drift_for=1.6, stretch=1.3),
    Spec("x10", "thick triple line, waves start at mid-stripe, bubbles spring forward; DICOM", "dicom", 84, fps=12.0,
         looks=2, radius=13.0, top=36, middle=(-4.0, 40.0), heading=-20.0, bend=-16.0, sway=7.0, length=48.0,
         thickness=15.0, look="triple", contrast_db=5.0, halo_db=-1.0, wall=13.0, direction="opposing",
         kind="diverging", rate=2.6, amplitude=0.75, speed=2.2, breaths=15.5, depth=84.0, range_db=64.0,
         bodies=(("bladder", -36.0, 16.0, 14.0, 7.0, -20.0), ("gas", 42.0, 36.0, 7.0, 4.0, 40.0),
         ("gas", 20.0, 70.0, 7.0, 3.0, 0.0)), fat=((1, 4.0, 0.0, 60.0, 9.0, 0.9),), passes=((45.0, 24.0, 64.0),),
         deposit=55.4, at=20.6, spread=(1.6, 1.2), drift=7.5, drift_kind="sudden", drift_from=82.0, drift_for=2.5,
         glints=2),
    Spec("x11", "catheter passed, nothing laid down, glints remain in the canal", "mjpeg.avi", 5, fps=12.0, looks=2,
         mm=0.15, fov=112.0, mirrored=True, middle=(-8.0, 35.0), heading=-8.0, bend=-32.0, length=41.0, thickness=9.5,
         contrast_db=6.5, rate=3.6, amplitude=0.5, speed=2.8, breaths=19.0, breath=0.35, pulses=64.0, vessels=9,
         bodies=(("bladder", -38.0, 12.0, 12.0, 6.0, -15.0), ("cyst", 24.0, 22.0, 2.2, 1.9, 0.0)),
         fat=((1, 5.0, 5.0, 64.0, 11.0, 0.9),), passes=((25.0, 14.0, 44.0),), glints=6, glint_db=0.0, catheter_db=22.0,
         lateral_gain=(-2.0, 1.5)),
    Spec("x12", "low gain, slow waves, gas below; late deposit grows long", "h264.mp4", 23, fps=15.0,
         middle=(-9.0, 43.0), heading=-24.0, bend=-12.0, length=44.0, thickness=12.5, contrast_db=6.5, bubble_db=28.0,
         grey=0.32, noise_db=-11.0, depth=88.0, mm=0.165, shift=-16.0, direction="fundus-to-cervix", rate=2.2,
         amplitude=0.9, speed=1.2, share=0.6, breaths=14.0, breath=0.5, walk=0.5, lateral=1.7, vessels=8,
         bodies=(("gas", -8.0, 74.0, 10.0, 4.0, 5.0), ("gas", 38.0, 50.0, 6.0, 4.0, 30.0),
         ("bladder", -40.0, 22.0, 10.0, 6.0, -30.0)), fat=((1, 3.0, 0.0, 58.0, 8.0, 0.8),),
         shadows=((20.0, 4.0, 6.0, 12.0, 1.0),), passes=((48.0, 18.0, 68.0),), deposit=58.2, at=14.5, drift=-4.0,
         drift_from=70.0, drift_for=48.0, stretch=2.4, glints=2),
]


def make(spec, folder, seconds, still):
    loop = Loop(spec, seconds)
    if still:
        mid = int((spec.deposit + 4.0) * spec.fps) if spec.deposit else loop.frames // 2
        for k in (0, min(mid, loop.frames - 1)):
            cv2.imwrite(os.path.join(folder, "%s.%04d.png" % (spec.name, k)), loop.frame(k))
        return
    suffix = "dcm" if spec.coding == "dicom" else spec.coding.split(".")[1]
    file = "%s.%s" % (spec.name, suffix)
    path = os.path.join(folder, file)
    sink = DicomFile(path, spec, loop.screen) if suffix == "dcm" else VideoFile(path, spec)
    for k in range(loop.frames):
        sink.add(loop.frame(k))
    sink.close()
    with open(os.path.join(folder, spec.name + ".truth.json"), "w") as f:
        json.dump(loop.truth(file), f)
        f.write("\n")


def main():
    parser = argparse.ArgumentParser(description="Draws ultrasound loops with known truth.")
    parser.add_argument("out")
    parser.add_argument("--only", nargs="*")
    parser.add_argument("--seconds", type=float, default=120.0)
    parser.add_argument("--still", action="store_true", help="two pictures a loop instead of the loop")
    args = parser.parse_args()
    if not shutil.which("ffmpeg"):
        raise SystemExit("ffmpeg is missing")
    cv2.setNumThreads(1)
    os.makedirs(args.out, exist_ok=True)
    for spec in LOOPS:
        if args.only and spec.name not in args.only:
            continue
        make(spec, args.out, args.seconds, args.still)
        print(spec.name, spec.note, flush=True)


if __name__ == "__main__":
    main()
