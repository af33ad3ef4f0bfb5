#!/usr/bin/python3
"""Synthetic transvaginal cine loops of an embryo transfer, with known truth: a fourth generator, written without sight
of the program, of `afterflash synth` and of the other generators here.

Way of working: a map of echo strength and two fields of complex scatterers live in a material
plane (mm).  Each frame, every sample of a curved array's range/beam raster is carried back to
that plane (probe walk, breathing, pulse, then the inverse of the wall motion), the scatterers are
weighted, blurred by the pulse-beam kernel, attenuated along the beam, joined with noise, log
compressed and scan converted.  The same motion, run forward, gives the truth.

  make_clips.py [--out FOLDER] [k01 k02 ...]   the fixed set
  make_clips.py --lot SEED [--name NAME]       one loop with parameters drawn by lot
  --peek 0,120                                 these frames as PNG into FOLDER/shots instead
"""
import argparse, json, os, subprocess, sys, zlib
import numpy as np
import cv2
from scipy.ndimage import gaussian_filter, gaussian_filter1d
from scipy.spatial import cKDTree

cv2.setNumThreads(1)
f32 = np.float32


# ----------------------------------------------------------------------------- parameters
def draw(seed):
    g = np.random.default_rng([4, seed])
    U = g.uniform
    P = dict(seed=int(seed), W=800, H=600, fps=float(g.choice([10, 12, 12.5, 15])), dur=120.0,
             scale=round(U(0.13, 0.22), 4), fov=U(95, 138), r0=U(9.5, 12.0), top=int(U(46, 70)),
             lie=str(g.choice(['ante', 'retro', 'straight'])), mirror=bool(g.integers(2)),
             L=U(32, 50), canal=U(25, 30), thick=U(5.5, 14), fund=U(12, 18), myo=U(12, 16),
             look=str(g.choice(['uniform', 'triple'])), contrast=U(3.2, 10),
             dir=str(g.choice(['cf', 'cf', 'cf', 'fc', 'opp', 'mix', 'quiet'])),
             rate=U(1.6, 4.4), amp=U(0.3, 1.0), speed=U(1.2, 3.0), jitter=0.06, asym=U(-.25, .25),
             breath=0.6, breath_rate=U(12, 20), walk=0.6, pulse=0.1, pulse_rate=U(52, 98),
             cath=str(g.choice(['double', 'single'])), t_in=U(8, 18), in_dur=U(5, 9),
             t_dep=U(26, 38), gap=U(1.3, 4.0), wait=U(1, 5), pieces=int(g.integers(1, 4)),
             drop=U(1.6, 3.8), bub_s=U(11, 22), bubbles=True, drift=U(-6, 6),
             drift_kind=str(g.choice(['slow', 'sudden'])), fade=str(g.choice(['no', 'no', 'leave', 'fade'])),
             bladder=bool(g.random() < .6), ovary=bool(g.random() < .5), shadows=int(g.choice([0, 0, 1, 2])),
             dr=U(42, 50), persist=U(.1, .3), noise=U(-31, -25), att=U(.05, .11),
             decor=U(.5, 1.1), tint=bool(g.integers(2)), ruler=str(g.choice(['left', 'right'])),
             out=str(g.choice(['h264', 'mjpeg', 'mpeg4.mp4', 'mpeg4.avi'])), crf=int(g.integers(20, 29)))
    return P


SET = {
    'k01': dict(lie='ante', mirror=False, look='uniform', contrast=8.5, dir='cf', rate=3.0, amp=.75, speed=1.8,
                scale=.18, L=42, thick=10.5, fov=120, bladder=True, out='h264', crf=22, fps=12.5, cath='double',
                drift=3.5, drift_kind='slow', fade='no', shadows=0),
    'k02': dict(lie='ante', mirror=True, look='triple', dir='fc', rate=2.4, amp=.65, speed=1.5, scale=.165,
                L=38, thick=11.5, out='mjpeg', fps=12, cath='single', drift=-4.5, drift_kind='sudden', fade='no',
                bladder=True, shadows=0, fov=128),
    'k03': dict(lie='retro', mirror=False, look='uniform', contrast=3.9, dir='cf', rate=2.0, amp=.8, speed=1.4,
                scale=.185, L=44, thick=9, out='h264', crf=26, fps=10, drift=1.2, drift_kind='slow', bladder=False,
                fov=110, fade='no'),
    'k04': dict(lie='ante', mirror=False, look='triple', dir='opp', rate=2.6, amp=.85, speed=2.0, scale=.15,
                L=46, thick=13, out='mpeg4.mp4', fps=10, cath='double', drift=-1.5, drift_kind='slow', fade='fade',
                bladder=False, ovary=True, fov=136),
    'k05': dict(lie='straight', mirror=True, look='uniform', contrast=7, dir='mix', rate=2.8, amp=.7, speed=2.2,
                scale=.2, L=40, thick=9.5, out='h264', crf=20, fps=12.5, drift=5.5, drift_kind='sudden', fade='no',
                fov=98, shadows=1, bladder=True),
    'k06': dict(lie='retro', mirror=True, look='triple', dir='cf', rate=3.2, jitter=.25, amp=.6, speed=2.0,
                scale=.19, L=36, thick=10, out='mpeg4.avi', fps=10, drift=0.0, drift_kind='slow', fade='leave',
                bladder=False, cath='single', fov=118, shadows=0),
    'k07': dict(lie='ante', mirror=True, look='uniform', contrast=6, dir='quiet', scale=.175, L=40, thick=8,
                out='h264', crf=24, fps=12.5, drift=-2.5, drift_kind='slow', fade='no', bladder=True, fov=125, shadows=0),
    'k08': dict(lie='ante', mirror=False, look='uniform', contrast=6.5, dir='cf', rate=1.6, amp=.95, speed=1.2,
                scale=.21, L=48, thick=12, out='h264', crf=28, fps=10, bubbles=False, cath='double', fov=115,
                bladder=False, shadows=1, ovary=True),
    'k09': dict(lie='retro', mirror=False, look='triple', dir='cf', rate=3.6, amp=.5, speed=2.6, scale=.178, L=37,
                thick=8.5, out='dicom', fps=10, drift=4.0, drift_kind='sudden', fade='no', tint=False, fov=122,
                bladder=False, shadows=0),
    'k10': dict(lie='straight', mirror=False, look='uniform', contrast=4, dir='cf', rate=4.4, amp=.35, speed=2.8,
                scale=.14, L=34, thick=5.5, out='mjpeg', fps=15, drift=-3.0, drift_kind='slow', fade='fade',
                fov=130, bladder=False, shadows=0, cath='single'),
}


# ----------------------------------------------------------------------------- small helpers
def blurred(g, shape, sig):
    """Unit-variance smooth noise."""
    sig = np.broadcast_to(np.asarray(sig, float), (2,))
    k = np.maximum(1, (sig / 2.0).astype(int))
    sh = (int(np.ceil(shape[0] / k[0])) + 8, int(np.ceil(shape[1] / k[1])) + 8)
    a = gaussian_filter(g.standard_normal(sh), sig / k, mode='wrap')
    a = (a - a.mean()) / a.std()
    a = cv2.resize(a.astype(f32), (sh[1] * int(k[1]), sh[0] * int(k[0])), interpolation=cv2.INTER_CUBIC)
    return np.ascontiguousarray(a[:shape[0], :shape[1]])


def sm(x):
    x = np.clip(x, 0, 1)
    return x * x * (3 - 2 * x)


def soft(d, w):
    """1 inside (d<0), 0 outside, edge w mm wide."""
    return 1.0 / (1.0 + np.exp(np.clip(d / w, -40, 40)))


def slow(g, n, dt, tau):
    """Smooth random walk, unit rms, correlation about tau seconds."""
    pad = int(4 * tau / dt)
    a = gaussian_filter1d(g.standard_normal(n + 2 * pad), tau / dt)
    a = a[pad:pad + n]
    return (a - a.mean()) / (a.std() + 1e-9)


# ----------------------------------------------------------------------------- anatomy
class Body:
    """Centre line, stripe outline, wall motion."""

    def __init__(s, P, g):
        U = g.uniform
        s.L, s.C, s.P = P['L'], P['canal'], P
        s.ext = 30.0
        ds = s.ds = 0.1
        s.sv = np.arange(0, s.L + s.C + s.ext + ds / 2, ds)
        rad = np.pi / 180
        if P['lie'] == 'ante':
            body, can = U(-4, 16), U(-50, -30)
            osp = np.array([U(8, 14), U(43, 50)])
        elif P['lie'] == 'retro':
            body, can = U(-150, -136), U(-118, -100)
            osp = np.array([U(-6, 0), U(39, 44)])
        else:
            body = U(-142, -130)
            can = body + U(-6, 6)
            osp = np.array([U(-7, -1), U(38, 42)])
        bend = U(-16, 16)                                  # gentle arch of the body
        wig = U(-5, 5)
        x = s.sv
        hd = body + bend * (x / s.L - .5) * (x < s.L * 1.3) + bend * .8 * (x >= s.L * 1.3) \
            + wig * np.sin(2 * np.pi * x / (s.L * .9) + U(0, 6)) + (can - body - .5 * bend) * sm((x - s.L + 8) / 20)
        hd = gaussian_filter1d(hd, 30, mode='nearest') * rad
        t = np.stack([np.cos(hd), np.sin(hd)], 1)
        c = np.cumsum(t, 0) * ds
        c += osp - c[int(round(s.L / ds))]
        if P['mirror']:
            c[:, 0] *= -1
            t[:, 0] *= -1
        s.c, s.t = c, t
        s.n = np.stack([-t[:, 1], t[:, 0]], 1)
        # stripe half thickness
        H = P['thick'] / 2
        a = U(1.2, 1.7) * H
        cap = np.sqrt(np.maximum(0, 1 - (1 - np.minimum(x / a, 1)) ** 2))
        k0 = U(.34, .5)
        tp = .5 * (1 + np.cos(np.pi * np.clip((x / s.L - k0) / (1 - k0), 0, 1)))
        hc = s.hc = U(.6, 1.0)
        h = (hc + (H - hc) * tp ** U(.7, .95)) * cap
        und = 1 + .04 * np.interp(x, np.arange(0, 120, 6), g.standard_normal(20)) * np.clip(h / H, 0, 1)
        s.h = np.maximum(gaussian_filter1d(h * und, 4, mode='nearest'), 1e-3) * (1 - np.exp(-x / .3))
        s.h *= P['thick'] / (2 * s.h.max())
        s.h = np.maximum(s.h, .05)
        s.env = np.clip(s.h / (.62 * H), 0, 1) * sm(x / 5) * (1 - sm((x - s.L + 4) / 5))
        s.env = gaussian_filter1d(s.env, 15, mode='nearest')
        s.far = U(5, 7)
        s.mid = s.L / 2
        s.env /= np.interp(s.mid, x, s.env)
        s.asym = P['asym']
        # contraction events
        s.ev = []
        if P['dir'] != 'quiet':
            per = 60 / P['rate']
            tt = -per * U(1.2, 1.9)
            dirs = None
            while tt < P['dur'] + 2.5 * per:
                if P['dir'] == 'mix':
                    if not dirs:
                        dirs = ['cf'] * 2 + ['fc'] * 2 if g.random() < .6 else ['cf', 'fc', 'fc', 'cf']
                    d = dirs.pop(0)
                else:
                    d = P['dir']
                s.ev.append((tt, d, P['amp'] * np.clip(1 + .12 * g.standard_normal(), .75, 1.25)))
                z = np.clip(g.standard_normal(), -1.8, 1.8)
                tt += per * (1 + P['jitter'] * z)
            s.sig = (.17 if P['jitter'] < .15 else .145) * per
            s.skew = U(.85, 1.0)
        s.cx = np.arange(0, s.L + 10, .5)
        s.cenv = np.interp(s.cx, x, s.env)

    def close(s, t):
        """Closing of each wall (mm) on the table s.cx at time t."""
        c = np.zeros_like(s.cx)
        v = s.P['speed']
        off = s.cx - s.mid

        def pul(u):
            sg = np.where(u < 0, s.sig * s.skew, s.sig)
            return np.exp(-.5 * (u / sg) ** 2)
        for te, d, a in s.ev:
            if abs(t - te) > 4 * s.sig + s.L / v:
                continue
            if d == 'cf':
                c += a * pul(t - te + off / v)
            elif d == 'fc':
                c += a * pul(t - te - off / v)
            else:
                w = soft(-off, 2.0)                        # 1 on the cervical side
                c += a * (w * pul(t - te + off / v) + (1 - w) * pul(t - te - off / v))
        return c * s.cenv

    def prof(s, N, h):
        """Wall-motion profile across the stripe."""
        an = np.abs(N)
        out = np.exp(-np.maximum(an - h, 0) / s.far)
        out = out * (1 - sm((an - 20) / 8))
        return np.where(an < h, N / h, np.sign(N) * out) + s.asym * out

    def fwd(s, sp, N, ct):
        """Material (s, n) -> place after the wall motion (tissue frame)."""
        sp, N = np.atleast_1d(sp).astype(float), np.atleast_1d(N).astype(float)
        cc = np.interp(sp, s.cx, ct, right=0.)
        n1 = N - cc * s.prof(N, np.interp(sp, s.sv, s.h))
        i = sp / s.ds
        cx = np.stack([np.interp(i, np.arange(len(s.sv)), s.c[:, k]) for k in (0, 1)], -1)
        nn = np.stack([np.interp(i, np.arange(len(s.sv)), s.n[:, k]) for k in (0, 1)], -1)
        return cx + n1[:, None] * nn

    def sn(s, X, smax):
        k = int(smax / s.ds) + 1
        d, i = cKDTree(s.c[:k:2]).query(X)
        i = np.minimum(i * 2, k - 1)
        r = X - s.c[i]
        n = (r * s.n[i]).sum(-1)
        return s.sv[i], np.where(n < 0, -1, 1) * d, i


class Plane:
    """Material plane: echo strength, coherent reflectors, attenuation, scatterers."""
    st = 0.2

    def __init__(s, P, B, g):
        U = g.uniform
        D = s.depth = P['depth']
        hw = min((D + P['r0']) * np.sin(np.radians(P['fov'] / 2)), P['W'] * P['scale'] / 2 + 4) + 5
        s.x0, s.y0 = -hw, -10.0
        nx, ny = int(2 * hw / s.st), int((D + 16) / s.st)
        xx, yy = np.meshgrid(s.x0 + np.arange(nx) * s.st, s.y0 + np.arange(ny) * s.st)
        X = np.stack([xx.ravel(), yy.ravel()], 1)
        S, N, I = B.sn(X, B.L + B.C)
        S, N, I = S.reshape(xx.shape), N.reshape(xx.shape), I.reshape(xx.shape)
        sh = xx.shape
        px = lambda mm: mm / s.st
        nz = lambda mm: blurred(g, sh, px(mm))
        aN = np.abs(N)
        Lc = B.L + B.C
        # outline of the uterus
        side = np.sign(N) * U(-1.2, 1.2)
        T = P['fund'] + (P['myo'] - P['fund']) * sm(S / 15)
        cerv = U(10.5, 12.5)
        R = np.interp(S, B.sv, B.h) * (S < B.L + 5) + T
        R = R + (cerv - R) * sm((S - B.L * .72) / (B.L * .36)) - 1.0 * np.exp(-((S - B.L - 2) / 5) ** 2)
        R = R + side * sm(S / 10) + .55 * nz(9) + .2 * nz(3)
        end = soft(Lc - .5 - S, .1)                       # beyond the outer os: flatter
        ut = aN * (1 + .9 * end) - R
        # surroundings
        E = U(2.5, 4.5) + 3.0 * nz(7) + 2.2 * nz(2.5) + 1.3 * blurred(g, sh, (px(.7), px(3)))
        A = np.zeros(sh)
        Sp = np.zeros(sh)
        # fat layers: soft bright bands
        ph = nz(14)
        E += 4.0 * np.exp(-((np.abs(np.sin(yy / U(6, 9) + 1.6 * ph)) - .05) / .12) ** 2)
        # bowel: rings with mixed filling
        for _ in range(int(g.integers(5, 10))):
            cx, cy = U(-hw, hw), U(25, D)
            a, b, th = U(7, 14), U(5, 9), U(0, np.pi)
            dx, dy = xx - cx, yy - cy
            u, v = dx * np.cos(th) + dy * np.sin(th), -dx * np.sin(th) + dy * np.cos(th)
            rr = (np.hypot(u / a, v / b) - 1) * b * .9 + .7 * ph
            ok = soft(-(ut - 1.5), .4)
            m = soft(rr, .5) * ok
            E = E * (1 - m) + m * (U(-7, 2) + 3 * nz(1.6))
            w = np.exp(-((rr + .8) / .5) ** 2) * ok
            E += -4 * w
            E += 4 * np.exp(-((rr + 2) / .45) ** 2) * ok
            if g.random() < .45:                           # gas: bright cap with dirty shadow
                cap = np.exp(-((rr + 2.2) / .35) ** 2) * (v * np.cos(th) + u * np.sin(th) < -b * .3) * ok \
                    * soft(-(ut - 3), .4)
                E += 11 * cap
                A += .9 * cap
        # uterus
        nfib = blurred(g, (400, 700), (3.0, 9.0))
        fib = cv2.remap(nfib, ((S * 4 + 60) % 690).astype(f32), ((N * 5) + 200).astype(f32), cv2.INTER_LINEAR,
                        borderMode=cv2.BORDER_REFLECT)
        m = soft(ut, .35)
        my = 0.0 + 1.0 * nz(5) + .6 * nz(1.5) + .9 * fib
        hS = np.interp(S, B.sv, B.h)
        hj = hS + .22 * nz(2) * np.clip(hS / 2, 0, 1)          # uneven border
        inb = soft(S - B.L - 2, 1.0)
        dd = aN - hj
        my -= U(1.8, 3.6) * soft(dd - U(2.2, 3.8), .7) * inb
        my += U(-.5, 2.0) * sm((S - B.L) / 8)
        for _ in range(int(g.integers(14, 30))):                # arcuate vessels
            q, w = U(0, B.L), g.choice([-1, 1])
            rr = np.interp(q, B.sv, B.h) + U(.5, .85) * P['myo']
            my -= U(3, 9) * np.exp(-((S - q) / U(.8, 2.8)) ** 2 - ((N - w * rr) / U(.35, .7)) ** 2)
        E = E * (1 - m) + my * m
        A = A * (1 - m) + m * .035
        # serosa
        E += U(6, 9) * np.exp(-((ut - .2) / .35) ** 2) * (.6 + .5 * np.clip(nz(6), -1, 1))
        # stripe
        st = soft(dd, .22) * soft(S - B.L - 1.5, .8)
        if P['look'] == 'uniform':
            k = P['contrast']
            en = k + .9 * nz(2.2) + .5 * nz(.8)
            en += .8 * np.exp(-((dd + .5) / .5) ** 2)
            en += U(1.0, 2.5) * np.exp(-(N / .3) ** 2) * (S > 3) * np.clip(.6 + .6 * nz(5), 0, 1)
        else:
            w = min(1.3, .22 * P['thick'])
            en = U(-8, -6) + .6 * nz(1.8)
            bas = np.exp(-((dd + .45 * w) / (.5 * w)) ** 2)
            en += (U(14, 17)) * bas * np.clip(1 + .25 * nz(4), .4, 1.4)
            # the layers meet in one band as they run into the neck
            en += 7 * soft(hS - 1.7, .3)
            mid = np.exp(-((N - .12 * ph) / .38) ** 2) * sm((S - 1.5) / 3)
            en += U(16, 19) * mid * np.clip(.9 + .3 * nz(5), .25, 1.3)
            Sp += 1.5 * np.exp(-((N - .12 * ph) / .16) ** 2) * sm((S - 2) / 3) * np.clip(.5 + .7 * nz(5), 0, 1.3) * soft(S - B.L, 1)
        E = E * (1 - st) + en * st
        # canal
        q = sm((S - B.L + 1.5) / 3) * soft(S - Lc, .5)
        cw = B.hc * (1 + .15 * nz(4))
        if g.random() < .5:
            E += q * (-5.5 * soft(aN - cw, .2) + 3 * np.exp(-((aN - cw - .35) / .35) ** 2))
        else:
            E += q * (4.5 * soft(aN - .65 * cw, .25) - 2.5 * np.exp(-((aN - cw - .6) / .6) ** 2))
        for _ in range(int(g.integers(0, 4))):                 # glandular cysts of the neck
            qs, qn, qr = U(B.L + 4, Lc - 2), g.choice([-1, 1]) * U(2.5, 7), U(.6, 1.6)
            E -= 22 * soft(np.hypot(S - qs, N - qn) - qr, .15)
        # bladder
        if P['bladder']:
            fx, fy = B.c[int(B.L * .35 / B.ds)]
            bx, by = fx + (-1 if not P['mirror'] else 1) * U(4, 10), U(16, 22)
            if P['lie'] != 'ante':
                bx, by = (-1 if not P['mirror'] else 1) * U(27, 33), U(30, 40)
            a, b, th = U(15, 22), U(8, 12), U(-.3, .3)
            dx, dy = xx - bx, yy - by
            u, v = dx * np.cos(th) + dy * np.sin(th), -dx * np.sin(th) + dy * np.cos(th)
            rr = (np.hypot(u / a, v / b) - 1) * b + .5 * ph
            rr = np.maximum(rr, -(ut - 3.2))
            rr = np.maximum(rr, 6.5 - yy)
            m = soft(rr, .2)
            E += 3.5 * np.exp(-((rr - .8) / .7) ** 2) * (ut > 0)
            E = E * (1 - m) - 38 * m
            A = A * (1 - m) - .14 * m
            Sp *= 1 - m
        if P['ovary']:
            k = 1 if P['mirror'] else -1
            ox, oy = (k if P['lie'] != 'ante' else -k) * U(26, 40), U(52, 66)
            ok = soft(-(ut - 2), .4)
            rr = (np.hypot((xx - ox) / U(11, 15), (yy - oy) / U(8, 10)) - 1) * 9 + .6 * ph
            m = soft(rr, .4) * ok
            E = E * (1 - m) + (-1.5 + 1.2 * nz(1.5)) * m
            for _ in range(6):
                an, r_ = U(0, 6.3), U(3, 6.5)
                fr = np.hypot(xx - ox - 1.3 * r_ * np.cos(an), yy - oy - .85 * r_ * np.sin(an)) - U(1.6, 3.6)
                m2 = soft(fr, .2) * ok * soft(rr + .5, .3)
                E -= m2 * 30
                A -= m2 * .1
        # wall of the vagina close to the probe
        nr = soft(np.hypot(xx, yy + P['r0']) - P['r0'] - 4.5 - .5 * ph, .5)
        E = E * (1 - nr) + (2.5 + 1.2 * blurred(g, sh, (px(.35), px(3)))) * nr
        Sp *= 1 - nr
        A *= 1 - nr
        s.S, s.N = S, N
        amp = 10 ** (np.clip(E, -45, 22) / 20)
        s.map = np.ascontiguousarray(np.stack([amp, Sp, A], -1).astype(f32))
        tx = np.stack([gaussian_filter(g.standard_normal(sh), .75) for _ in range(8)], -1)
        tx = (tx / tx.std() * np.sqrt(.5)).astype(f32)
        s.tex = [np.ascontiguousarray(tx[..., :4]), np.ascontiguousarray(tx[..., 4:])]


# ----------------------------------------------------------------------------- screen furniture
def furniture(P, g, top, cx):
    ov = np.zeros((P['H'], P['W'], 3), np.uint8)
    F = cv2.FONT_HERSHEY_SIMPLEX
    ink = (205, 205, 205)
    dim = (150, 160, 150) if not P['tint'] else (110, 180, 190)
    tick = (200, 200, 200) if not P['tint'] else (90, 200, 205)
    sc = P['scale']
    xr = P['W'] - 34 if P['ruler'] == 'right' else 34
    sg = 1 if P['ruler'] == 'right' else -1
    k = 0
    while top + k * 10 / sc < min(P['H'] - 8, top + P['depth'] / sc + 1):
        y = int(round(top + k * 10 / sc))
        ln = 12 if k % 5 == 0 else 6
        cv2.line(ov, (xr, y), (xr + sg * ln, y), tick, 1)
        if k % 5 == 0 and k:
            w = 9 if k < 10 else 17
            cv2.putText(ov, str(k), (xr + 14 if sg > 0 else xr - 15 - w, y + 4), F, .36, ink, 1, cv2.LINE_AA)
        k += 1
    # grey bar on the other side
    xb = 14 if P['ruler'] == 'right' else P['W'] - 24
    hb = int(g.integers(100, 170))
    yb = int(g.integers(70, 120))
    ov[yb:yb + hb, xb:xb + 9] = np.linspace(255, 0, hb).astype(np.uint8)[:, None, None]
    cv2.rectangle(ov, (xb - 1, yb - 1), (xb + 9, yb + hb), (90, 90, 90), 1)
    num = lambda a, b, f='%.0f': f % g.uniform(a, b)
    lines = ['EC %s MHz' % num(5, 8, '%.1f'), 'Dep %.1f cm' % (P['depth'] / 10), 'Gn %s' % num(40, 68),
             'DR %.0f' % P['dr'], 'FR %.0f' % P['fps'], 'Pwr %s%%' % num(70, 100)]
    g.shuffle(lines)
    xt = 34 if P['ruler'] == 'right' else P['W'] - 118
    for i, q in enumerate(lines[:int(g.integers(4, 7))]):
        cv2.putText(ov, q, (xt, yb + 10 + 17 * i), F, .36, dim, 1, cv2.LINE_AA)
    cv2.putText(ov, 'SYNTHETIC  PELVIS TV   ID %05d' % g.integers(1e5), (12, 16), F, .42, ink, 1, cv2.LINE_AA)
    cv2.putText(ov, 'MI %s  TIs %s' % (num(.5, 1.1, '%.1f'), num(.1, .5, '%.1f')), (P['W'] - 150, 16), F, .4, ink, 1,
                cv2.LINE_AA)
    if g.random() < .7:                                   # orientation dot
        cv2.circle(ov, (int(cx - 60 if g.random() < .5 else cx + 60), 30), 5, ink, 1, cv2.LINE_AA)
    return ov


# ----------------------------------------------------------------------------- outputs
class Film:
    def __init__(s, P, stem):
        o = P['out']
        fps = '%g' % P['fps']
        s.P, s.jp, s.p = P, [], None
        ext = {'h264': '.mp4', 'mjpeg': '.avi', 'mpeg4.mp4': '.mp4', 'mpeg4.avi': '.avi', 'dicom': '.dcm'}[o]
        s.path = stem + ext
        if o == 'dicom':
            return
        enc = {'h264': ['-c:v', 'libx264', '-preset', 'veryfast', '-crf', str(P['crf']), '-pix_fmt', 'yuv420p',
                        '-threads', '1'],
               'mjpeg': ['-c:v', 'mjpeg', '-q:v', '4', '-pix_fmt', 'yuvj420p'],
               'mpeg4.mp4': ['-c:v', 'mpeg4', '-q:v', '4'],
               'mpeg4.avi': ['-c:v', 'mpeg4', '-q:v', '5']}[o]
        s.p = subprocess.Popen(['ffmpeg', '-y', '-v', 'error', '-f', 'rawvideo', '-pix_fmt', 'bgr24' if P['tint'] else 'gray', '-s',
                                '%dx%d' % (P['W'], P['H']), '-r', fps, '-i', '-', '-an'] + enc +
                               ['-fflags', '+bitexact', '-flags:v', '+bitexact', s.path], stdin=subprocess.PIPE)

    def put(s, im):
        if s.p:
            s.p.stdin.write(im)
        else:
            ok, b = cv2.imencode('.jpg', im if im.ndim == 2 else im[:, :, 0], [cv2.IMWRITE_JPEG_QUALITY, 88])
            s.jp.append(b.tobytes())

    def end(s, box):
        if s.p:
            s.p.stdin.close()
            if s.p.wait():
                raise SystemExit('encoder failed')
            return
        import pydicom
        from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
        from pydicom.encaps import encapsulate
        P = s.P
        uid = lambda k: '2.25.%d' % (zlib.crc32(('gen4-%d-%d' % (P['seed'], k)).encode()) + (k + 7) * 10 ** 20)
        m = FileMetaDataset()
        m.MediaStorageSOPClassUID = '1.2.840.10008.5.1.4.1.1.3.1'
        m.MediaStorageSOPInstanceUID = uid(1)
        m.TransferSyntaxUID = '1.2.840.10008.1.2.4.50'
        m.ImplementationClassUID = uid(9)
        d = FileDataset(s.path, {}, file_meta=m, preamble=b'\0' * 128)
        d.is_little_endian, d.is_implicit_VR = True, False
        d.SOPClassUID, d.SOPInstanceUID = m.MediaStorageSOPClassUID, m.MediaStorageSOPInstanceUID
        d.StudyInstanceUID, d.SeriesInstanceUID = uid(2), uid(3)
        d.Modality, d.PatientName, d.PatientID = 'US', 'Synthetic^Loop', 'SYN%04d' % P['seed']
        d.PatientBirthDate, d.PatientSex, d.StudyDate, d.StudyTime = '', 'F', '20240101', '120000'
        d.StudyID, d.SeriesNumber, d.InstanceNumber, d.AccessionNumber = '1', 1, 1, ''
        d.ReferringPhysicianName, d.Manufacturer, d.ImageType = '', 'synthetic', ['ORIGINAL', 'PRIMARY', '', '0001']
        d.PatientOrientation, d.Laterality = '', ''
        d.SamplesPerPixel, d.PhotometricInterpretation = 1, 'MONOCHROME2'
        d.Rows, d.Columns, d.NumberOfFrames = P['H'], P['W'], len(s.jp)
        d.BitsAllocated, d.BitsStored, d.HighBit, d.PixelRepresentation = 8, 8, 7, 0
        d.FrameTime = '%g' % (1000 / P['fps'])
        d.FrameIncrementPointer = 0x00181063
        d.CineRate = d.RecommendedDisplayFrameRate = int(round(P['fps']))
        d.LossyImageCompression, d.LossyImageCompressionMethod = '01', 'ISO_10918_1'
        d.LossyImageCompressionRatio = '%.1f' % (P['W'] * P['H'] * len(s.jp) / sum(map(len, s.jp)))
        r = Dataset()
        r.RegionSpatialFormat, r.RegionDataType, r.RegionFlags = 1, 1, 0
        r.RegionLocationMinX0, r.RegionLocationMinY0, r.RegionLocationMaxX1, r.RegionLocationMaxY1 = box
        r.PhysicalUnitsXDirection = r.PhysicalUnitsYDirection = 3
        r.PhysicalDeltaX = r.PhysicalDeltaY = P['scale'] / 10
        r.ReferencePixelX0, r.ReferencePixelY0 = int(P['cx']) - box[0], P['top'] - box[1]
        r.ReferencePixelPhysicalValueX = r.ReferencePixelPhysicalValueY = 0.0
        d.SequenceOfUltrasoundRegions = [r]
        d.PixelData = encapsulate(s.jp)
        d['PixelData'].is_undefined_length = True
        d.save_as(s.path, write_like_original=False)


# ----------------------------------------------------------------------------- one loop
def make(name, P, outdir, frames=None, shots=()):
    P = dict(P)
    P['cx'] = (P['W'] - 1) / 2
    P['depth'] = min(P['maxdepth'] if 'maxdepth' in P else 104.0, (P['H'] - 12 - P['top']) * P['scale'])
    g = np.random.default_rng([40, P['seed']])
    U = g.uniform
    B = Body(P, np.random.default_rng([41, P['seed']]))
    M = Plane(P, B, np.random.default_rng([42, P['seed']]))
    sc, top, cx, r0, D = P['scale'], P['top'], P['cx'], P['r0'], P['depth']
    nf = int(round(P['dur'] * P['fps']))
    dt = 1 / P['fps']
    T = np.arange(nf) * dt

    # --- raster
    dr = .2
    thm = np.radians(P['fov'] / 2)
    nr, nb = int(D / dr), int(P['fov'] * 2.9)
    rv = r0 + np.arange(nr) * dr
    tv = np.linspace(-thm, thm, nb)
    dth = tv[1] - tv[0]
    px = (rv[:, None] * np.sin(tv)).astype(f32)
    py = (rv[:, None] * np.cos(tv) - r0).astype(f32)
    sa, sl = U(.17, .22) / dr, U(.40, .56) * np.pi / 180 / dth   # kernel: axial, lateral (samples)
    blur = lambda a: cv2.GaussianBlur(a, (0, 0), sigmaX=sl, sigmaY=sa, borderType=cv2.BORDER_REFLECT)
    # scan conversion
    gy, gx = np.mgrid[0:P['H'], 0:P['W']].astype(np.float64)
    qx, qy = (gx - cx) * sc, (gy - top) * sc + r0
    rr, aa = np.hypot(qx, qy), np.arctan2(qx, qy)
    inside = (rr >= r0) & (rr <= r0 + D - .3) & (np.abs(aa) <= thm)
    side = int(U(0, 70)) if P['fov'] > 112 else 0         # some are cropped at the sides
    side = max(side, 48)
    inside &= (gx >= side) & (gx < P['W'] - side) & (gy >= 20)
    ys, xs = np.where(inside)
    y0, y1, x0, x1 = ys.min(), ys.max() + 1, xs.min(), xs.max() + 1
    mr = ((rr - r0) / dr).astype(f32)[y0:y1, x0:x1]
    ma = ((aa + thm) / dth).astype(f32)[y0:y1, x0:x1]
    mk = inside[y0:y1, x0:x1].astype(np.uint8)
    ov = furniture(P, g, top, cx)
    if not P['tint']:
        ov = np.ascontiguousarray(ov[:, :, 0])
    tint = np.array([1, 1, 1.0])
    if P['tint']:
        tint = np.array([.93, .98, 1.0]) if g.random() < .5 else np.array([1.0, .97, .92])
    lut = np.clip(np.arange(256)[:, None] * tint, 0, 255).astype(np.uint8)

    # --- bulk motion (affine: probe frame -> tissue frame)
    ph = 2 * np.pi * np.cumsum(np.full(nf, dt) * P['breath_rate'] / 60 * (1 + .12 * slow(g, nf, dt, 6))) + U(0, 6)
    bre = P['breath'] * (np.sin(ph) + .2 * np.sin(2 * ph + .7)) / 1.1
    bdir = np.array([U(-.6, .6), 1.0]); bdir /= np.hypot(*bdir)
    pp = 2 * np.pi * np.cumsum(np.full(nf, dt) * P['pulse_rate'] / 60 * (1 + .03 * slow(g, nf, dt, 8))) + U(0, 6)
    pul = P['pulse'] * (np.sin(pp) + .35 * np.sin(2 * pp + 1))
    pdir = np.array([U(-1, 1), U(-1, 1)]); pdir /= np.hypot(*pdir)
    wx, wy = P['walk'] * slow(g, nf, dt, 5), P['walk'] * slow(g, nf, dt, 5)
    rot = np.radians(.35) * slow(g, nf, dt, 6)
    z = P['decor'] * (.75 * slow(g, nf, dt, 12) + .1 * np.sin(ph))

    # --- transfer time table
    q, lead = 0, B.L + B.C
    s_start = lead + B.ext - 2
    first = int(np.ceil(P['t_dep'] * P['fps']))
    s_tip0 = P['bub_s'] + P['gap']
    t1, t2 = P['t_in'], P['t_in'] + P['in_dur']
    kt = [t1, t1 + .35 * P['in_dur'], t1 + .55 * P['in_dur'], t1 + .85 * P['in_dur'], t2]
    if t2 > P['t_dep'] - 2:
        f = (P['t_dep'] - 2 - t1) / (t2 - t1)
        kt = [t1 + (a - t1) * f for a in kt]
    ks = [s_start, B.L + .25 * B.C, B.L - 1.5, s_tip0 + 1.5, s_tip0]
    t_w = P['t_dep'] + P['wait'] + 1.5
    w_dur = min(U(1.8, 3.5), P['t_dep'] + 9.8 - t_w)
    kt += [t_w, t_w + .45 * w_dur, t_w + w_dur]
    ks += [s_tip0, B.L + 2, s_start]
    from scipy.interpolate import PchipInterpolator
    tip = PchipInterpolator(kt, ks)(np.clip(T, kt[0], kt[-1])) + .22 * slow(g, nf, dt, 1.2) * (T > t2) * (T < t_w)
    tip_on = (T > kt[0]) & (T < kt[-1]) & (tip < lead + 6)
    push = .5 * (sm((T - t1) / 4) - sm((T - t_w) / 2.5)) + .15 * slow(g, nf, dt, 1.0) * (T > t1) * (T < t_w + w_dur)
    osdir = B.t[int(B.L / B.ds)]
    wx, wy = wx - push * osdir[0], wy - push * osdir[1]
    # --- bubbles
    npc = P['pieces']
    ext = P['drop']
    if npc == 1:
        pc = [(0., 0., ext, 1.)]
    else:
        span = max(ext, 2.2)
        pos = (np.arange(npc) / (npc - 1) - .5) * span * U(1.0, 1.4)
        pc = [(pos[i] + U(-.2, .2), U(-.35, .35), max(.9, ext / npc * U(.8, 1.3)), U(.65, 1.)) for i in range(npc)]
    mic = []
    for ds_, dn_, e_, b_ in pc:
        k = int(9 + 6 * e_)
        th_, q_ = g.uniform(0, 2 * np.pi, k), np.sqrt(g.random(k))
        tk = min(.34 * e_, .45 * P['thick'] / 2, .9)
        mic.append(np.stack([ds_ + .42 * e_ * q_ * np.cos(th_), dn_ + tk * q_ * np.sin(th_),
                             b_ * e_ / k * np.exp(.25 * g.standard_normal(k)), g.uniform(-.9, .9, k)], 1))
    mic = np.concatenate(mic)
    mic[:, 0] -= (mic[:, 0] * mic[:, 2]).sum() / mic[:, 2].sum()
    dep_t = first * dt
    if P['drift_kind'] == 'sudden':
        tj, wj = U(58, 85), U(1.0, 2.5)
        dpath = P['drift'] * (.85 * sm((T - tj) / wj) + .15 * sm((T - dep_t - 10) / 60))
    else:
        dpath = P['drift'] * sm((T - dep_t - U(3, 8)) / (P['dur'] - dep_t - U(12, 25)))
    s_b = P['bub_s'] - dpath + .15 * slow(g, nf, dt, 4) * sm((T - dep_t) / 8)
    vis = sm((T - dep_t + .5 * dt) / .45 + .35) * (T >= dep_t - 1e-9)
    if P['fade'] == 'leave':
        tf, wf = U(62, 85), U(4, 7)
        vis = vis * (1 - sm((T - tf) / .8) * (1 - sm((T - tf - wf) / .8)))
    elif P['fade'] == 'fade':
        vis = vis * (1 - U(.55, .7) * sm((T - U(55, 65)) / 40))
    if not P['bubbles']:
        vis = vis * 0
    bub_dB = U(29, 32) if P['look'] == 'uniform' else U(28, 31)
    # stands out from what lies around it (speckle peaks, central line)
    seen = bub_dB + 30 * np.log10(vis + 1e-9) >= (P['contrast'] + 10 if P['look'] == 'uniform' else 20)
    spread = 1 + .12 * slow(g, nf, dt, 5) * sm((T - dep_t) / 5)

    # --- coarse field for the wall motion
    cg = 1.0
    cxn, cyn = int(M.map.shape[1] * M.st / cg) + 2, int(M.map.shape[0] * M.st / cg) + 2
    ux, uy = np.meshgrid(M.x0 + np.arange(cxn) * cg, M.y0 + np.arange(cyn) * cg)
    Xc = np.stack([ux.ravel(), uy.ravel()], 1)
    Sc, Nc, Ic = B.sn(Xc, B.L + 12)
    use = np.where((np.abs(Nc) < 28) & (Sc < B.L + 8))[0]
    Su, Nu, Hu, nu = Sc[use], Nc[use], np.interp(Sc[use], B.sv, B.h), B.n[Ic[use]]
    Hu = np.maximum(Hu, .5)

    # --- static beam profile
    dep = rv - r0
    gain = -P['att'] * np.maximum(dep - 38, 0) - .02 * dep + 1.5 * np.exp(-dep / 6)
    lat = gaussian_filter1d(g.standard_normal(nb), 6); lat = .9 * lat / lat.std()
    for _ in range(P['shadows']):
        c0 = U(-.85, -.35) if g.random() < .5 else U(.35, .85)
        lat -= U(5, 11) * np.exp(-((tv / thm - c0) / U(.05, .10)) ** 2)
    lat -= 5 * np.exp(-(thm - np.abs(tv)) / .05)
    stat = (gain[:, None] + lat).astype(f32)
    ndb = P['noise'] + .19 * dep
    namp = (10 ** (ndb / 20))[:, None].astype(f32) * np.ones((1, nb), f32)
    noise = g.standard_normal((2, nr * 2, nb * 2)).astype(f32)
    for k in (0, 1):
        noise[k] = cv2.GaussianBlur(noise[k], (0, 0), sigmaX=.7, sigmaY=.7)
    noise /= noise.std() * np.sqrt(2)
    rev = sum(a * np.exp(-((dep - b) / .28) ** 2) for a, b in ((5, .3), (2.5, 1.3), (1.4, 2.4), (.7, 3.6)))[:, None].astype(f32) \
        * (1 + .25 * gaussian_filter1d(g.standard_normal(nb), 5) * 3).astype(f32)
    lo = -P['dr'] * U(.40, .46)
    gam = U(.9, 1.08)

    def material(f):
        a = rot[f]
        # tissue point of a probe-frame point
        R = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
        pv = np.array([0., 45.])
        shift = np.array([wx[f], wy[f]])
        b, p_ = bre[f], pul[f]
        # x = R(p-pv)+pv+shift + u_b*(.75+.005*y) + pulse
        Am = R + np.outer(bdir, [0, .005 * b])
        bm = pv - R @ pv + shift + bdir * b * .75 + pdir * p_
        return Am, bm

    def to_px(X, Am, bm):
        p = (X - bm) @ np.linalg.inv(Am).T
        return p, np.stack([cx + p[:, 0] / sc, top + p[:, 1] / sc], 1)

    def splat(F, p, w):
        rr_, a_ = np.hypot(p[:, 0], p[:, 1] + r0), np.arctan2(p[:, 0], p[:, 1] + r0)
        i, j = (rr_ - r0) / dr, (a_ + thm) / dth
        ok = (i > 1) & (i < nr - 2) & (j > 1) & (j < nb - 2)
        i, j, w, rr_ = i[ok], j[ok], w[ok] / (dr * rr_[ok] * dth), rr_[ok]
        i0, j0 = i.astype(int), j.astype(int)
        fi, fj = i - i0, j - j0
        for a, b, q in ((0, 0, (1 - fi) * (1 - fj)), (1, 0, fi * (1 - fj)), (0, 1, (1 - fi) * fj), (1, 1, fi * fj)):
            np.add.at(F, (i0 + a, j0 + b), w * q)

    # catheter texture
    cs = np.arange(0, 80, .12)
    cpatch = np.clip(1 + .35 * gaussian_filter1d(g.standard_normal(len(cs)), 22) * 8, .25, 1.6)
    cgl = 10 ** (U(16, 20) / 20) * np.sqrt(2 * np.pi) * sa * dr
    cn = U(-.25, .25)
    rms = None
    prev = None
    bscale = None
    tips, bubs, fund, osp, bs_w = [None] * nf, [None] * nf, [], [], [None] * nf
    film = Film(P, os.path.join(outdir, name))
    shots_out = {}
    mid_c = np.zeros(nf)
    ma, mr = cv2.convertMaps(ma, mr, cv2.CV_16SC2)
    todo = range(nf) if frames is None else frames
    for f in todo:
        t = T[f]
        Am, bm = material(f)
        ct = B.close(t)
        mid_c[f] = np.interp(B.mid, B.cx, ct)
        # backward field
        tx_ = (Am[0, 0] * px + Am[0, 1] * py + bm[0]).astype(f32)
        ty_ = (Am[1, 0] * px + Am[1, 1] * py + bm[1]).astype(f32)
        if ct.max() > 1e-4:
            cu = np.interp(Su, B.cx, ct, right=0.)
            cu = np.minimum(cu, .45 * Hu)
            N = Nu.copy()
            for _ in range(5):
                N = Nu + cu * B.prof(N, Hu)
            dn = N - Nu
            Wf = np.zeros((len(Xc), 2), f32)
            Wf[use] = dn[:, None] * nu
            Wf = Wf.reshape(cyn, cxn, 2)
            d = cv2.remap(Wf, (tx_ - f32(M.x0)) / f32(cg), (ty_ - f32(M.y0)) / f32(cg), cv2.INTER_LINEAR)
            tx_ = tx_ + d[..., 0]
            ty_ = ty_ + d[..., 1]
        mapx, mapy = cv2.convertMaps((tx_ - f32(M.x0)) / f32(M.st), (ty_ - f32(M.y0)) / f32(M.st), cv2.CV_16SC2)
        mm = cv2.remap(M.map, mapx, mapy, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
        cz, sz = f32(np.cos(z[f])), f32(np.sin(z[f]))
        rot4 = np.array([[cz, 0, sz, 0], [0, cz, 0, sz]], f32)
        looks = [cv2.transform(cv2.remap(q_, mapx, mapy, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT), rot4)
                 for q_ in M.tex]
        if rms is None:
            e = np.sqrt((blur(looks[0]) ** 2).sum(2).mean(1))
            k = np.arange(nr)
            rms = np.polyval(np.polyfit(k[10:], np.log(e[10:]), 4), k)
            rms = (1 / np.exp(rms))[:, None].astype(f32)
        w = mm[..., 0] * rms
        cre, cim = mm[..., 1] * f32(2), None               # coherent part, shared by the looks
        # catheter
        if tip_on[f]:
            sp = tip[f] + cs
            kk = sp < lead + B.ext - 1
            sp, pa = sp[kk], cpatch[:kk.sum()]
            off = cn * np.minimum(np.interp(sp, B.sv, B.h), 2.) * sm((sp - tip[f]) / 4) * .6
            add = np.zeros((nr, nb), f32)
            for o in ((-.62, .62) if P['cath'] == 'double' else (0.,)):
                Xc_ = B.fwd(sp, off + o, ct)
                p, _ = to_px(Xc_, Am, bm)
                tg = np.gradient(p, axis=0)
                tg /= np.hypot(tg[:, 0], tg[:, 1])[:, None] + 1e-9
                bd = np.stack([p[:, 0], p[:, 1] + r0], 1)
                bd /= np.hypot(bd[:, 0], bd[:, 1])[:, None]
                sn_ = np.abs(tg[:, 0] * bd[:, 1] - tg[:, 1] * bd[:, 0])
                gl = cgl * .12 * (.3 + .7 * sn_ ** 2) * pa * (.75 if P['cath'] == 'double' else 1.)
                gl[:9] *= 2.4                              # tip
                splat(add, p, gl)
            cre = cre + add
            p, q = to_px(B.fwd(tip[f], 0., ct), Am, bm)
            tips[f] = q[0]
        cre = blur(cre)
        # bubbles
        if vis[f] > .02:
            X = B.fwd(s_b[f] + mic[:, 0] * spread[f], mic[:, 1], ct)
            p, _ = to_px(X, Am, bm)
            br, bi = np.zeros((nr, nb), f32), np.zeros((nr, nb), f32)
            phs = mic[:, 3] + .35 * np.sin(2 * np.pi * (T[f] / 7. + mic[:, 3] * 5))
            u = np.stack([p[:, 0], p[:, 1] + r0], 1); u /= np.hypot(u[:, 0], u[:, 1])[:, None]
            for k, a in enumerate((1., .16, .07)):
                splat(br, p + u * k * .75, a * mic[:, 2] * np.cos(phs))
                splat(bi, p + u * k * .75, a * mic[:, 2] * np.sin(phs))
            br, bi = blur(br), blur(bi)
            be = np.hypot(br, bi)
            if bscale is None:
                bscale = 10 ** (bub_dB / 20) / be.max()
            k = f32(bscale * vis[f] ** 1.5)
            cre += k * br
            cim = k * bi
            if seen[f]:
                lev = 20 * np.log10(be * k + 1e-6)
                wt = np.clip(lev - (max(P['contrast'] if P['look'] == 'uniform' else 5, 5) + 4), 0, None)
                wt = np.minimum(wt, 16) * rv[:, None]
                if wt.sum() > 0:
                    a, b = (wt * px).sum() / wt.sum(), (wt * py).sum() / wt.sum()
                    bubs[f] = np.array([cx + a / sc, top + b / sc])
                    bs_w[f] = s_b[f]
        # loss along the beam, noise, compression
        los = np.cumsum(mm[..., 2], 0) * f32(dr)
        np.clip(los, -6, 22, out=los)
        los = cv2.GaussianBlur(los, (0, 0), sigmaX=1.6, sigmaY=.8)
        k = np.exp((stat - los) * f32(np.log(10) / 20))
        en = 0
        for lk in looks:
            lk *= w[..., None]
            lk = blur(lk)
            oy, ox = g.integers(0, nr), g.integers(0, nb)
            re = (lk[..., 0] + cre) * k + rev + noise[0, oy:oy + nr, ox:ox + nb] * namp
            im = (lk[..., 1] if cim is None else lk[..., 1] + cim) * k + noise[1, oy:oy + nr, ox:ox + nb] * namp
            en = en + f32(.5) * (re * re + im * im)
        en = f32(10) * np.log10(en + f32(1e-6))
        if prev is not None:
            en = f32(1 - P['persist']) * en + f32(P['persist']) * prev
        prev = en
        v = np.clip((en - f32(lo)) / f32(P['dr']), 0, 1)
        if abs(gam - 1) > .02:
            v = np.power(v, f32(gam))
        im8 = (cv2.remap(v, ma, mr, cv2.INTER_LINEAR) * 255 + .5).astype(np.uint8) * mk
        full = ov.copy()
        reg = full[y0:y1, x0:x1]
        col = cv2.merge([cv2.LUT(im8, lut[:, c].copy()) for c in range(3)]) if P['tint'] else im8
        np.maximum(reg, col, out=reg)
        film.put(full)
        if f in shots:
            cv2.imwrite(os.path.join(outdir, 'shots', '%s_%04d.png' % (name, f)), full)
        for s_, lst in ((0., fund), (B.L, osp)):
            lst.append(to_px(B.fwd(s_, 0., ct), Am, bm)[1][0])
    film.end((int(x0), int(y0), int(x1 - 1), int(y1 - 1)))
    if frames is not None:
        return seen, s_b, vis

    # ------------------------------------------------------------------ truth
    rd = lambda v, k=2: [round(float(a), k) for a in v]
    Am, bm = material(0)
    ns = int(round(B.L)) + 1
    cl = to_px(B.fwd(np.linspace(0, B.L, ns), np.zeros(ns), B.close(0)), Am, bm)[1]
    tf = np.arange(0, P['dur'], .02)
    cm = np.array([np.interp(B.mid, B.cx, B.close(t)) for t in tf])
    pk = [i for i in range(1, len(tf) - 1) if cm[i] > cm[i - 1] and cm[i] >= cm[i + 1] and cm[i] > .3 * P['amp']]
    con = dict(present=bool(pk), rate_per_min=0.0, count=len(pk), direction=None, wall_to_wall_half_peak_to_peak_mm=0.0,
               velocity_mm_per_s=None, peak_times_at_mid_stripe_s=[])
    if pk:
        pt = tf[pk]
        pp_ = []
        for j, i in enumerate(pk):                        # each peak against the troughs beside it
            a = cm[(pk[j - 1] if j else 0):i + 1].min()
            b = cm[i:(pk[j + 1] if j + 1 < len(pk) else len(cm))].min()
            ends = [v for v, full_ in ((a, j > 0 or pt[j] > 1.2 * 3 * B.sig), (b, j + 1 < len(pk) or P['dur'] - pt[j] > 3.6 * B.sig)) if full_]
            if ends:
                pp_.append(cm[i] - np.mean(ends))
        con.update(rate_per_min=round(60 * (len(pk) - 1) / (pt[-1] - pt[0]), 3) if len(pk) > 1 else round(60 / P['dur'], 3),
                   rate_by_count_per_min=round(60 * len(pk) / P['dur'], 3),
                   direction={'cf': 'cervix-to-fundus', 'fc': 'fundus-to-cervix', 'opp': 'opposing', 'mix': 'mixed'}[P['dir']],
                   wall_to_wall_half_peak_to_peak_mm=round(float(np.mean(pp_)), 3),
                   velocity_mm_per_s=round(P['speed'], 3), peak_times_at_mid_stripe_s=rd(pt))
        if P['dir'] == 'mix':
            con['wave_directions'] = [dict(t_mid_s=round(t_, 2), direction={'cf': 'cervix-to-fundus', 'fc': 'fundus-to-cervix'}[d])
                                      for t_, d, _ in B.ev if 0 <= t_ < P['dur']]
    dep_, drf = None, None
    fr = [f for f in range(nf) if bubs[f] is not None]
    if fr:
        f = fr[0]
        dist = lambda a, b: round(float(np.hypot(*(a - b)) * sc), 2)
        dep_ = dict(time_s=round(f * dt, 3), frame=f, point_px=rd(bubs[f]), to_fundus_mm=dist(bubs[f], fund[f]),
                    tip_to_fundus_mm=dist(tips[f], fund[f]) if tips[f] is not None else None)
        drf = dict(toward_fundus_mm=round(float(bs_w[fr[0]] - bs_w[fr[-1]]), 2), final_to_fundus_mm=dist(bubs[fr[-1]], fund[fr[-1]]),
                   last_frame=fr[-1], kind=P['drift_kind'])
    nn = lambda a: [None if v is None else rd(v) for v in a]
    tr = dict(name=name, file=os.path.basename(film.path), width_px=P['W'], height_px=P['H'], frames=nf,
              frame_rate_hz=P['fps'], duration_s=round(nf * dt, 3), scale_mm_per_px=sc,
              cavity=dict(frame=0, fundus_px=rd(cl[0]), os_px=rd(cl[-1]), centre_line_px=[rd(v) for v in cl],
                          length_mm=round(float(np.hypot(*np.diff(cl, axis=0).T).sum() * sc), 2),
                          thickness_mm=round(float(2 * B.h.max()), 2)),
              fundus_path_px=nn(fund), os_path_px=nn(osp), bubble_path_px=nn(bubs), tip_path_px=nn(tips),
              contractions=con, deposit=dep_, drift=drf,
              generator={k: (round(v, 4) if isinstance(v, float) else v) for k, v in P.items()})
    with open(os.path.join(outdir, name + '.truth.json'), 'w') as fo:
        json.dump(tr, fo, indent=None, separators=(',', ':'))
    return film.path


def main():
    ap = argparse.ArgumentParser()
    ap.add_argument('names', nargs='*')
    ap.add_argument('--out', default='clips')
    ap.add_argument('--lot', type=int)
    ap.add_argument('--name')
    ap.add_argument('--peek', help='comma separated frames only, as PNG into FOLDER/shots, no truth')
    a = ap.parse_args()
    os.makedirs(a.out, exist_ok=True)
    jobs = []
    if a.lot is not None:
        jobs.append((a.name or 'lot%d' % a.lot, draw(1000 + a.lot)))
    else:
        for n in a.names or sorted(SET):
            P = draw(int(n[1:]))
            P.update(SET[n])
            jobs.append((n, P))
    for n, P in jobs:
        pk = [int(v) for v in a.peek.split(',')] if a.peek else None
        if pk:
            os.makedirs(os.path.join(a.out, 'shots'), exist_ok=True)
            make(n, P, a.out, frames=pk, shots=pk)
        else:
            print(n, make(n, P, a.out), flush=True)


if __name__ == '__main__':
    main()
