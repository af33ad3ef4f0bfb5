#!/usr/bin/python3
"""Makes ultrasound loops of an embryo transfer with known truth: a third generator, written without sight of the
program, of `afterflash synth` and of make_loops.py.

usage: make_scenes.py --all | NAME... | --lot SEED [-n N]   [--out FOLDER] [--still]

A map of scatterers with the organs about the uterus (bladder, bowel, ovary, vaginal walls, shadows) is warped,
sent through a point spread, compressed and scan-converted. --all makes g01 to g14, --lot draws loops by lot,
--still makes PNG of a few moments instead."""
import sys, os, json, time, subprocess, argparse
import numpy as np, cv2
from scipy.spatial import cKDTree
from scipy.ndimage import gaussian_filter1d
cv2.setNumThreads(1)
OUT = 'loops'
WID, HEI, DUR = 800, 600, 120.0
DX = 0.16            # mm, pitch of the tissue (reference) map
PRE = 0.18           # mm, sigma of the scatterer pre-smoothing
DS = 8               # coarse factor for the motion field
f32 = np.float32
sm = lambda x, a, b: (lambda u: u*u*(3-2*u))(np.clip((x-a)/(b-a), 0, 1))

# ----------------------------------------------------------------- parameters
def draw(seed, **ov):
    r = np.random.default_rng(seed); U = lambda a, b: float(r.uniform(a, b))
    C = lambda *a: a[int(r.integers(len(a)))]
    p = dict(seed=seed)
    p['version'] = C('ante', 'ante', 'ante', 'retro', 'straight')
    p['side'] = C(-1, 1)
    p['fps'] = C(10, 12, 12.5, 15)
    p['container'] = C('h264', 'h264', 'mjpeg', 'mpeg4')
    p['quality'] = U(0, 1)
    p['half_deg'] = U(42, 69) if p['version'] == 'ante' else U(30, 60)
    p['depth'] = U(66, 95) if p['version'] == 'ante' else U(82, 118)
    p['Rc'] = C(U(8, 14), U(9, 12), U(20, 45))
    p['int_scale'] = C(0, 1)
    p['L'] = U(32, 52); p['T'] = U(6, 14); p['shape'] = C('round', 'cornual', 'blunt')
    p['pattern'] = C('triple', 'triple', 'bright', 'bright', 'faint')
    p['endo_db'] = U(3, 4) if p['pattern'] == 'faint' else U(7, 11)
    p['wall'] = U(11, 17); p['canal'] = U(24, 32)
    p['sym'] = U(-.5, .5); p['decay'] = U(5, 10)
    p['direction'] = C('cervix-to-fundus', 'cervix-to-fundus', 'fundus-to-cervix', 'opposing', 'mixed', 'quiet')
    p['amp'] = U(.3, 1.15); p['rate'] = U(1.5, 4.5); p['vel'] = U(.6, 3.); p['jit'] = C(.05, .12, .3)
    p['fund_move'] = C(0, U(.1, .3))
    p['breath_amp'] = U(.4, .7); p['breath_rate'] = U(12, 20); p['breath_dir'] = U(50, 130)
    p['pulse_amp'] = U(.1, .2); p['pulse_rate'] = U(52, 98); p['walk'] = U(.3, .7); p['rot_deg'] = C(0, U(.3, 1.2))
    p['transfer'] = C('full', 'full', 'full', 'full', 'cath_only', 'none')
    p['cath_style'] = C('lines', 'shaft'); p['cath_db'] = U(9, 16)
    p['t_in'] = U(10, 22); p['t_adv'] = U(4, 9); p['t_dep'] = U(max(20, p['t_in']+p['t_adv']+2), 44)
    p['t_wait'] = U(2, 9); p['t_out'] = U(3, 10)
    p['dep_s'] = U(9, 24); p['gap'] = U(1.5, 4.); p['bub_len'] = U(1.2, 3.8); p['bub_db'] = U(11, 19)
    p['pieces'] = C(1, 1, 1, 2, 3); p['tail'] = C(0, 0, 1)
    p['drift'] = C(0., U(-8, 6), U(-5, 3), U(1, 5)); p['drift_kind'] = C('slow', 'slow', 'sudden')
    p['fade_db'] = C(0, 0, U(2, 6)); p['leave'] = C(0, 0, 1)
    p['bladder'] = C(0, 1, 1); p['ovary'] = C(0, 1, 1); p['bowel'] = int(r.integers(2, 6)); p['fluid'] = C(0, 0, 1)
    p['nabothian'] = C(0, 0, 1); p['streaks'] = int(r.integers(1, 5)); p['fibroid'] = C(0, 0, 0, 1)
    p['ax'] = U(.17, .30); p['lat'] = U(.30, .52); p['focus'] = U(30, 55); p['k2'] = U(12, 22)
    p['compound'] = C(0, 1, 1, 1); p['DR'] = U(44, 62); p['gain'] = U(-2.5, 3.5); p['gamma'] = U(.9, 1.25)
    p['persist'] = C(0., .25, .45, .6); p['blur'] = U(.4, .95); p['sharpen'] = C(0, 0, .5)
    p['att'] = U(.25, 1.1); p['noise_db'] = U(-30, -20); p['decorr_s'] = U(12, 45)
    p['tint'] = C('none', 'none', 'blue', 'warm'); p['ruler'] = C('left', 'right'); p['labels'] = C(0, 1)
    p['bar'] = C('left', 'right'); p['clock'] = C(0, 1); p['name_style'] = int(r.integers(3))
    p['crop'] = C(0, 0, 1); p['lines'] = 272; p['nlooks'] = 2
    p.update(ov)
    if 'endo_db' not in ov and p['pattern'] == 'faint' and p['endo_db'] > 4.2: p['endo_db'] = 3.5
    if 'endo_db' not in ov and p['pattern'] != 'faint' and p['endo_db'] < 6: p['endo_db'] = 8.5
    if p['direction'] != 'quiet':     # keep the wavelength physical
        p['vel'] = min(3., max(p['vel'], 18*p['rate']/60))
    p['fps'] = float(p['fps'])
    return p

LOOPS = {
 'g01': dict(fps=10, lines=336, nlooks=3, seed=101, version='ante', side=-1, pattern='triple', direction='cervix-to-fundus', container='h264', transfer='full', half_deg=60, depth=78, Rc=11, drift=2.6, amp=.8, rate=2.6, pieces=1, tail=0, bladder=1, T=10, rot_deg=0),
 'g02': dict(fps=12, seed=102, version='ante', side=1, pattern='bright', direction='fundus-to-cervix', container='mjpeg', transfer='full', half_deg=54, depth=84, Rc=10, drift=-4.2, drift_kind='slow', amp=.7, rate=1.9, pieces=2, T=11, ovary=1, rot_deg=.8),
 'g03': dict(fps=10, seed=103, version='retro', side=1, pattern='triple', direction='opposing', container='h264', transfer='full', half_deg=50, depth=98, Rc=12, drift=0., amp=.65, rate=2.2, pieces=1, tail=1, T=9, tint='blue'),
 'g04': dict(fps=10, seed=104, version='ante', side=-1, pattern='bright', direction='quiet', container='mpeg4', transfer='full', half_deg=65, depth=72, Rc=9, drift=-6.5, drift_kind='sudden', T=8, pieces=1, fade_db=3.),
 'g05': dict(fps=10, seed=105, version='ante', side=1, pattern='faint', direction='cervix-to-fundus', container='h264', transfer='full', half_deg=48, depth=80, Rc=28, drift=1.2, amp=1.0, rate=3.2, pieces=1, T=9, endo_db=3.8, leave=1),
 'g06': dict(compound=0, blur=.9, leave=0, tail=0, fps=12, seed=106, version='straight', side=-1, pattern='triple', direction='mixed', container='mjpeg', transfer='full', half_deg=33, depth=108, Rc=35, drift=5.2, drift_kind='slow', amp=.75, rate=2.9, T=12, pieces=3, L=40),
 'g07': dict(crop=1, fps=10, seed=107, version='ante', side=-1, pattern='bright', direction='fundus-to-cervix', container='h264', transfer='cath_only', half_deg=58, depth=76, Rc=10, amp=.55, rate=3.8, T=13, shape='cornual'),
 'g08': dict(leave=0, fps=10, seed=108, version='retro', side=-1, pattern='bright', direction='cervix-to-fundus', container='mpeg4', transfer='full', half_deg=56, depth=94, Rc=10, drift=-2., drift_kind='sudden', amp=.45, rate=4.2, T=7, pieces=1, jit=.3, rot_deg=1.),
 'g09': dict(compound=0, blur=.85, crop=1, fps=10, seed=109, version='ante', side=1, pattern='triple', direction='quiet', container='h264', transfer='none', half_deg=62, depth=88, Rc=11, T=10, breath_amp=.7),
 'g10': dict(fps=10, seed=110, version='ante', side=-1, pattern='faint', direction='opposing', container='mjpeg', transfer='full', half_deg=52, depth=82, Rc=22, drift=-.8, amp=.9, rate=2.4, T=11, endo_db=3.3, pieces=1),
 'g11': dict(compound=0, crop=1, tail=0, blur=.8, fps=10, seed=111, version='ante', side=1, pattern='triple', direction='fundus-to-cervix', container='mpeg4', transfer='full', half_deg=68, depth=70, Rc=9.5, drift=3.8, drift_kind='sudden', amp=1.1, rate=1.6, T=12.5, pieces=2, shape='cornual', L=46),
 'g12': dict(crop=1, fps=10, seed=112, version='ante', side=-1, pattern='bright', direction='mixed', container='h264', transfer='full', half_deg=57, depth=90, Rc=12, drift=0.6, amp=.8, rate=2.5, T=14.5, L=50, pieces=1, tail=1, tint='warm', rot_deg=.9),
 'g13': dict(compound=0, blur=.95, fps=10, seed=213, version='straight', side=1, pattern='bright', direction='cervix-to-fundus', container='h264', transfer='none', half_deg=40, depth=112, Rc=18, amp=.4, rate=3.4, T=7.5, jit=.3, L=38, nabothian=0, streaks=1, endo_db=9.5, lat=.36, bowel=4),
 'g14': dict(fps=10, seed=114, version='ante', side=1, pattern='triple', direction='cervix-to-fundus', container='mjpeg', transfer='full', half_deg=55, depth=86, Rc=10.5, drift=-7.4, drift_kind='slow', amp=.6, rate=2.0, T=8, pieces=1, fade_db=5., leave=1),
}

# ----------------------------------------------------------------- the scene
class Loop:
    def __init__(S, name, p):
        S.name, S.p = name, p
        S.rng = np.random.default_rng(p['seed']*7919+1)
        S.layout(); S.uterus(); S.sn_maps(); S.motion_setup(); S.paint(); S.noise_maps(); S.psf_setup()
        S.transfer_setup(); S.overlay_setup()

    def layout(S):
        p = S.p; S.Rc = p['Rc']; S.D = p['depth']; S.ha = np.deg2rad(p['half_deg'])
        sag = S.Rc*(1-np.cos(S.ha))
        ppcm = (HEI-62)/((S.D+sag)/10)
        wneed = 2*(S.Rc+S.D)*np.sin(S.ha)/10
        ppcm = min(ppcm, 1.14*690/wneed) if not p['crop'] else min(ppcm, 1.4*690/wneed)
        S.ppcm = round(ppcm) if p['int_scale'] else round(ppcm, 2)
        S.mm = 10.0/S.ppcm
        S.cx = WID/2-.5 + S.rng.integers(-12, 13); S.y0 = 30+np.ceil(sag/S.mm)   # probe face centre
        S.nr = int(S.D/(0.185 if p['lines'] == 336 else .2)); S.nt = p['lines']
        S.dr = S.D/S.nr; S.dth = 2*S.ha/S.nt
        S.r = (np.arange(S.nr)+.5)*S.dr; S.th = -S.ha+(np.arange(S.nt)+.5)*S.dth
        S.sin, S.cos = np.sin(S.th).astype(f32), np.cos(S.th).astype(f32)
        # reference map extents
        S.x0 = -max(40, min(1.0*(S.Rc+S.D)*np.sin(S.ha)+4, 100)); S.x1 = -S.x0
        S.yy0 = -sag-4; S.yy1 = S.D+4
        S.Wm = int((S.x1-S.x0)/DX); S.Hm = int((S.yy1-S.yy0)/DX)
        S.X, S.Y = np.meshgrid((S.x0+np.arange(S.Wm)*DX).astype(f32), (S.yy0+np.arange(S.Hm)*DX).astype(f32))
    def w2px(S, q): q = np.asarray(q, float); return np.stack([S.cx+q[..., 0]/S.mm, S.y0+q[..., 1]/S.mm], -1)
    def infan(S, q, m=0):
        x, y = q[..., 0], q[..., 1]+S.Rc; R = np.hypot(x, y); a = np.arctan2(x, y)
        return (R-S.Rc > m) & (R-S.Rc < S.D-m) & ((S.ha-np.abs(a))*R > m) & (np.abs(x)/S.mm < 385-m/S.mm)

    def uterus(S):
        p, r = S.p, S.rng; best = None
        for k in range(4000):
            U = r.uniform; sd = p['side']; L = p['L']; Lc = p['canal']
            if p['version'] == 'ante':
                a0, a1 = np.deg2rad(U(8, 42)), np.deg2rad(U(-32, 8)); ac = a0+np.deg2rad(U(0, 40)); cy = U(30, 46)
            elif p['version'] == 'retro':
                a0, a1 = np.deg2rad(U(25, 50)), np.deg2rad(U(50, 88)); ac = a0-np.deg2rad(U(-45, 20)); cy = U(42, 60)
            else:
                a0 = np.deg2rad(U(52, 80)); a1 = a0+np.deg2rad(U(-10, 10)); ac = a0+np.deg2rad(U(-15, 25)); cy = U(45, 66)
            ds = .1
            sb = np.arange(0, L, ds); ang = a0+(a1-a0)*sm(sb/L, -.1, 1.1)+np.deg2rad(U(-4, 4))*np.sin(2*np.pi*sb/L)
            body = np.stack([sd*np.cos(ang), np.sin(ang)], 1)*ds                 # os -> fundus
            sc = np.arange(0, Lc+12, ds); angc = a0+(ac-a0)*sm(sc/Lc, -.1, .9)
            can = np.stack([sd*np.cos(angc), np.sin(angc)], 1)*ds               # os backwards
            B = np.cumsum(body, 0); Cn = -np.cumsum(can, 0)
            off = np.array([U(-12, 12), cy])-B[len(B)//2]
            B, Cn = B+off, Cn+off
            F, O = B[-1], B[0]
            ok = S.infan(B[::10], 7).all() and S.infan(F+(body[-1]/ds)*9, 0) and S.infan(Cn[int(len(Cn)*.35)], 3)
            sh = (B[:, 1].min() > 16 and Cn[:, 1].min() > 5)
            out = (~S.infan(Cn[:int(Lc/ds):10], 2)).mean()
            ok &= F[1] < S.D-12 and sh and (p['version'] != 'retro' or F[1] > O[1]+14)
            if ok:
                sco = out
                if best is None or sco < best[0]: best = (sco, B, Cn)
                if sco < .05: break
            if k > 1500 and best: break
            if k % 200 == 199: p['L'] = max(32, p['L']-1.)
        if best is None: raise RuntimeError('no layout for '+S.name)
        _, B, Cn = best
        S.L = p['L']; S.Lc = p['canal']
        t0 = (B[-1]-B[-6]); t0 /= np.linalg.norm(t0)
        ext = B[-1]+t0*np.arange(25, 0, -.1)[:, None]                            # beyond the fundus
        line = np.concatenate([ext, B[::-1], Cn])
        line = gaussian_filter1d(line, 15, axis=0, mode='nearest')
        s = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
        s -= s[len(ext)]
        S.L = float(s[len(ext)+len(B)-1])
        S.cs = np.arange(max(-24.8, s[0]+.5), s[-1]-.3, .1); S.cl = np.stack([np.interp(S.cs, s, line[:, i]) for i in (0, 1)], 1)
        tg = np.gradient(S.cl, S.cs, axis=0); tg /= np.linalg.norm(tg, axis=1)[:, None]
        S.ctg = tg; S.cn = np.stack([-tg[:, 1], tg[:, 0]], 1)
        # half thickness
        H = p['T']/2; ss = S.cs; L = S.L
        a = {'round': 1.0, 'cornual': .9, 'blunt': .55}[p['shape']]*H*1.25
        u = np.clip(ss/a, 0, 1); e = .5 if p['shape'] != 'blunt' else .8
        cap = np.where(ss > 0, (1-(1-u)**2)**e, 0)
        hs = np.ones_like(ss)
        if p['shape'] == 'cornual': hs *= 1+.28*np.exp(-((ss-a*1.0)/5.)**2)-.1*np.exp(-((ss-L*.45)/8)**2)
        hs *= 1+.06*np.sin(ss/L*7+S.rng.uniform(0, 6))
        hos = S.rng.uniform(.75, 1.2); tp = S.rng.uniform(.35, .55)
        hs = hos+(H*hs-hos)*(1-sm(ss/L, tp, 1.02))
        S.hprof = (hs*cap).astype(float)
        S.hcan = S.rng.uniform(.45, .8)
        c = ss > L; S.hprof[c] = hos+(S.hcan-hos)*sm(ss[c], L, L+5)
        S.heff = np.maximum(S.hprof, np.where(ss < 6, .55*H, .8))

    def at(S, s, n=0):
        s = np.asarray(s, float)
        c = np.stack([np.interp(s, S.cs, S.cl[:, i]) for i in (0, 1)], -1)
        N = np.stack([np.interp(s, S.cs, S.cn[:, i]) for i in (0, 1)], -1)
        return c+np.asarray(n)[..., None]*N

    def sn_maps(S):
        tree = cKDTree(S.cl)
        q = np.stack([S.X[::2, ::2].ravel(), S.Y[::2, ::2].ravel()], 1)
        d, i = tree.query(q)
        sh = S.X[::2, ::2].shape
        n = ((q-S.cl[i])*S.cn[i]).sum(1); t = ((q-S.cl[i])*S.ctg[i]).sum(1)
        up = lambda a: cv2.resize(a.reshape(sh).astype(f32), (2*sh[1], 2*sh[0]), interpolation=cv2.INTER_LINEAR)
        def full(a):   # upsample with exact registration (node 0 at node 0)
            a = a.reshape(sh).astype(f32)
            mx, my = np.meshgrid(np.arange(S.Wm, dtype=f32)/2, np.arange(S.Hm, dtype=f32)/2)
            return cv2.remap(a, mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        S.sM = full(S.cs[i]+np.clip(t, -.1, .1)); S.nM = full(n); S.dM = full(d)
        S.NM = np.dstack([full(S.cn[i][:, 0]), full(S.cn[i][:, 1])])
        S.snpack = np.dstack([S.sM, S.nM, S.NM[..., 0], S.NM[..., 1]])

    # ------------------------------------------------------------- motion
    def motion_setup(S):
        p = S.p; r = np.random.default_rng(p['seed']*31+5)
        S.N = int(round(DUR*p['fps'])); S.t = np.arange(S.N)/p['fps']
        T = 60/p['rate']
        tk = [-90+r.uniform(0, T)]
        while tk[-1] < DUR+90: tk.append(tk[-1]+T*max(.45, 1+p['jit']*r.standard_normal()))
        tk = np.array(tk); S.tk = tk[1:-1]; S.wk = .97*(tk[2:]-tk[:-2])/2
        S.ak = np.clip(1+.8*p['jit']*r.standard_normal(len(S.tk)), .6, 1.4)
        di = p['direction']
        S.dk = np.array([{'cervix-to-fundus': 1, 'fundus-to-cervix': -1, 'opposing': 0}.get(di, 0)]*len(S.tk))
        if di == 'mixed':
            S.dk = np.where(r.random(len(S.tk)) < .5, 1, -1)
            inn = np.where((S.tk > 0) & (S.tk < DUR))[0]; S.dk[inn[::2]] = 1; S.dk[inn[1::2]] = -1
        S.amp = 0. if di == 'quiet' else p['amp']
        S.sg = np.linspace(0, S.L, 64)
        tt, fps = S.t, p['fps']
        def slow(sd, tau):
            n = r.standard_normal(S.N+int(20*tau*fps)); g = gaussian_filter1d(n, tau*fps)[int(10*tau*fps):][:S.N]
            return sd*(g-g[0])/max(g.std(), 1e-6)*.8
        ph = 2*np.pi*np.cumsum(np.full(S.N, p['breath_rate']/60/fps)*(1+.0*tt))+slow(.6, 8)
        b = (.5*(1-np.cos(ph)))**1.4
        b = p['breath_amp']*(b-b.mean()); bd = np.deg2rad(p['breath_dir'])
        pp = 2*np.pi*tt*p['pulse_rate']/60+slow(.4, 5); pu = p['pulse_amp']*(np.sin(pp)+.35*np.sin(2*pp+.8))
        pd = r.uniform(0, 2*np.pi)
        S.tx = b*np.cos(bd)+pu*.7*np.cos(pd)+slow(p['walk'], 7)
        S.ty = b*np.sin(bd)+pu*.7*np.sin(pd)+slow(p['walk'], 7)
        S.ro = np.deg2rad(slow(p['rot_deg'], 10)) if p['rot_deg'] else np.zeros(S.N)
        S.piv = np.array([0., S.D*.45])
        # coarse polar nodes (world)
        ci = (np.arange(S.nr//DS+1)+.5)*DS-.5; cj = (np.arange(S.nt//DS)+.5)*DS-.5
        rr = (ci+.5)*S.dr; ta = -S.ha+(cj+.5)*S.dth
        RR, TT = np.meshgrid(rr, ta, indexing='ij')
        S.Wc = np.stack([(S.Rc+RR)*np.sin(TT), (S.Rc+RR)*np.cos(TT)-S.Rc], -1)
        S.wc_rig = S.shallow(S.Wc)

    def shallow(S, w):   # tissue next to the probe moves less
        d = np.hypot(w[..., 0], w[..., 1]+S.Rc)-S.Rc
        return (.25+.75*sm(d, 0, 16))[..., None]
    def rigid(S, w, k):
        c, s = np.cos(S.ro[k])-1, np.sin(S.ro[k]); q = w-S.piv
        return np.stack([S.tx[k]+c*q[..., 0]-s*q[..., 1], S.ty[k]+s*q[..., 0]+c*q[..., 1]], -1)
    def ftab(S, t, s=None):
        s = S.sg if s is None else s
        f = np.full(np.shape(s), -1.)
        for tk, w, a, d in zip(S.tk, S.wk, S.ak, S.dk):
            if d == 1: tau = (S.L/2-s)/S.p['vel']
            elif d == -1: tau = (s-S.L/2)/S.p['vel']
            else: tau = (np.minimum(s, S.L-s)-S.L/2)/S.p['vel']
            x = (t-tk-tau)/w
            f = f+np.where(np.abs(x) < .5, a*(1+np.cos(2*np.pi*x)), 0)
        return f
    def u(S, s, n, Nv, k):
        """tissue displacement (mm) at reference point (s,n), frame k"""
        if S.amp == 0: return np.zeros(np.shape(s)+(2,))
        p = S.p; f = np.interp(np.clip(s, 0, S.L), S.sg, S._f(k))
        h = np.interp(s, S.cs, S.heff); an = np.abs(n)
        E = (.6+.4*sm(s, 0, .15*S.L))*(1-sm(s, S.L-2, S.L+9))*np.where(s < 0, np.exp(-(np.minimum(s, 0)/6)**2), 1)
        g = np.where(an <= h, 1, np.exp(-(an-h)/p['decay']))
        w = -S.amp/2*f*E*np.where(an <= h, n/h, np.sign(n)*g)+S.amp/2*p['sym']*f*E*g
        o = w[..., None]*Nv
        if p['fund_move']:
            dist = np.hypot(s, n)
            o = o+(S._f(k)[0]*p['fund_move']*np.exp(-(dist/8)**2))[..., None]*np.array([np.interp(0, S.cs, S.ctg[:, i]) for i in (0, 1)])
        return o
    def _f(S, k):
        if getattr(S, '_fk', None) != k: S._fk, S._fv = k, S.ftab(S.t[k])
        return S._fv
    def inverse_disp(S, k):
        """displacement d on coarse world nodes so that ref = world - d"""
        q = S.Wc-S.rigid(S.Wc, k)*S.wc_rig
        if S.amp == 0: return S.Wc-q
        ref = q
        for _ in range(3):
            m = ((ref-[S.x0, S.yy0])/DX).astype(f32)
            a = cv2.remap(S.snpack, m[..., 0], m[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            ref = q-S.u(a[..., 0], a[..., 1], a[..., 2:4], k)
        return S.Wc-ref
    def forward(S, s, n, k):
        s = np.asarray(s, float); n = np.broadcast_to(np.asarray(n, float), s.shape)
        Nv = np.stack([np.interp(s, S.cs, S.cn[:, i]) for i in (0, 1)], -1)
        v = S.at(s, n)+S.u(s, n, Nv, k); w = v
        for _ in range(6): w = v+S.rigid(w, k)*S.shallow(w)
        return w

    # ------------------------------------------------------------- tissue picture
    def nf(S, sx, sy=None, shape=None):
        """smooth unit noise over the map, correlation lengths in mm"""
        sy = sy or sx; H, W = shape or (S.Hm, S.Wm)
        h, w = max(4, int(H*DX/sy)+3), max(4, int(W*DX/sx)+3)
        a = cv2.resize(S.rng.standard_normal((h, w)).astype(f32), (W, H), interpolation=cv2.INTER_CUBIC)
        return a/.75
    def tex(S, u, v, lu, lv):
        """noise in curvilinear coordinates u,v with correlation lengths lu,lv"""
        a = S.rng.standard_normal((96, 96)).astype(f32)
        a = np.tile(a, (1, 1))
        return cv2.remap(a, ((u/lu) % 94).astype(f32), ((v/lv) % 94).astype(f32), cv2.INTER_CUBIC, borderMode=cv2.BORDER_WRAP)
    def paint(S):
        p, r = S.p, S.rng; X, Y = S.X, S.Y; U = r.uniform
        d0 = np.hypot(X, Y+S.Rc)-S.Rc; th = np.arctan2(X, Y+S.Rc)
        s, n = S.sM, S.nM; sc = np.clip(s, 0, S.L+S.Lc)
        h = np.interp(s, S.cs, S.hprof).astype(f32)
        stripe = (s > 0) & (s < S.L+.0) & (np.abs(n) < h)
        canal = (s >= S.L) & (s < S.L+S.Lc) & (np.abs(n) < h)
        core = (stripe | canal)
        out = cv2.distanceTransform((~core).astype(np.uint8), cv2.DIST_L2, 5).astype(f32)*DX
        inn = cv2.distanceTransform(core.astype(np.uint8), cv2.DIST_L2, 5).astype(f32)*DX
        kk = np.array([-30, 0, .3*S.L, .75*S.L, S.L+2, S.L+.45*S.Lc, S.L+.9*S.Lc, S.L+S.Lc+12])
        ww = np.array([1.05, 1.08, 1., .85, .62, .75, .7, .4])*p['wall']
        ap = U(-.15, .15)
        W = np.interp(sc, kk, ww).astype(f32)*(1+ap*np.tanh(n/4))+S.nf(14)*.7
        ut = out-W                                  # <0 inside the uterus
        # --- surroundings: bands roughly parallel to the uterus, blending with patchy fat and bowel
        dB = U(1.5, 5)+3.4*S.nf(13)+2.4*S.nf(5, 3.5)+1.4*S.nf(1.6, 1.)
        dB += 5.5*S.tex(s, ut+3*S.nf(15), 14, 1.9)*np.exp(-np.maximum(ut, 0)/12)
        dB += 3.2*S.tex(X*.9+Y*.4, Y-.3*X+3*S.nf(20), 12, 1.7)
        dB += np.exp(-((ut-U(2, 4)-.8*S.nf(12))/U(.7, 1.6))**2)*U(3, 8)*np.clip(.7+.6*S.nf(9), 0, 1.5)
        att = np.zeros_like(dB); gas = np.zeros_like(dB)
        spec_gain = np.ones_like(dB)
        def ell(cx, cy, a, b, ang, wob=.08):
            c, q = np.cos(ang), np.sin(ang); x, y = X-cx, Y-cy
            e = np.hypot((c*x+q*y)/a, (-q*x+c*y)/b)
            return (e-1+wob*S.nf(max(3, .7*min(a, b))))*min(a, b)   # approx signed mm
        def spot(minut, tries=300, box=None, m=2):
            for _ in range(tries):
                if box: x, y = U(*box[0]), U(*box[1])
                else:
                    a, q = U(-S.ha, S.ha)*.9, S.Rc+U(14, S.D-6); x, y = q*np.sin(a), q*np.cos(a)-S.Rc
                i, j = int((y-S.yy0)/DX), int((x-S.x0)/DX)
                if 0 <= i < S.Hm and 0 <= j < S.Wm and S.infan(np.array([x, y]), m) and ut[i, j] > minut: return x, y
            return None
        # bowel loops: wall, patchy contents, gas arcs with dirty shadow
        for b in range(p['bowel']):
            q = spot(9)
            if not q: continue
            a, bb = U(8, 16), U(5, 9); e = ell(q[0], q[1], a, bb, U(0, 3.1), .15)
            w_ = sm(-e, -.3, .6)
            dB = dB*(1-w_)+w_*(U(-4, 3)+2.5*S.nf(2.5, 2)+S.nf(1))
            dB += 5*np.exp(-((e+.3)/.5)**2); dB -= 5*np.exp(-((e+1.5)/.6)**2)
            if U(0, 1) < .8:
                top = np.exp(-((e+U(1.5, 3))/.8)**2)*sm(-(Y-q[1])/bb, U(-.3, .1), .5)*np.clip(.6+.8*S.nf(4), 0, 1.3)
                gas = np.maximum(gas, top); dB += 17*top
        # bright line confuser: a band like a collapsed bowel/rectum or fat plane
        for b in range(int(r.integers(1, 3))):
            q = spot(6)
            if not q: continue
            ang = U(-.6, .6); x = (X-q[0])*np.cos(ang)+(Y-q[1])*np.sin(ang); y = -(X-q[0])*np.sin(ang)+(Y-q[1])*np.cos(ang)-(.006*U(-1, 1))*x*x
            hw, ln = U(1.5, 4), U(10, 22); m_ = sm(hw-np.abs(y)+.4*S.nf(4), -.3, .5)*sm(ln-np.abs(x), 0, 6)
            dB = dB*(1-.8*m_)+.8*m_*(U(4, 9)+1.5*S.nf(2, 1)); dB -= 4*np.exp(-((np.abs(y)-hw-1.5)/1.0)**2)*sm(ln-np.abs(x), 0, 6)
        if p['ovary']:
            q = spot(13, m=9)
            if q:
                a, bb, an_ = U(11, 15), U(8, 10.5), U(0, 3.1); e = ell(q[0], q[1], a, bb, an_, .05); w_ = sm(-e, -.4, .5)
                dB = dB*(1-w_)+w_*(-1+1.2*S.nf(2)); dB += 4*np.exp(-(e/.5)**2)
                for f in range(int(r.integers(3, 8))):
                    aa, rad = U(0, 6.3), U(1.3, 3.6); rr = U(.2, .65)
                    fe = ell(q[0]+rr*a*np.cos(aa), q[1]+rr*bb*np.sin(aa), rad, rad*U(.8, 1.1), 0, .03)
                    fw = sm(-fe, -.25, .3)*(e < -1); dB = dB*(1-fw)-38*fw; att -= .16*fw
        if p['fluid']:
            # pouch fluid: thin dark wedge along the posterior serosa
            sgn = np.sign(U(-1, 1)); m_ = sm(U(1.5, 3)-np.abs(ut-1.5), -.5, .8)*(np.sign(n) == sgn)*sm(-np.abs(s-S.L*.8)+10, 0, 6)
            dB = dB*(1-m_)-34*m_; att -= .06*m_
        # vaginal walls: layers along the probe face
        vt = U(6, 11)+1.2*S.nf(15); vw = 1-sm(d0, vt-1, vt+2)
        vag = U(1, 4)+4.5*S.tex(th*40, d0+.5*S.nf(12), 16, 1.3)+1.2*S.nf(2, 1)
        dB = dB*(1-vw)+vag*vw
        # --- uterus
        fib = 2.0*S.tex(s, n+.8*S.nf(8), 7, 1.1)*.7+1.1*S.nf(6)+.8*S.nf(1.6)
        jz = np.exp(-(np.maximum(out-.4, 0)/U(1.8, 3.5))**2)
        myo = fib*.75-U(1.2, 3.5)*jz
        cervw = sm(s, S.L-3, S.L+6)
        myo += cervw*(U(-2, 2.5)+1.2*S.tex(s, n, 5, 1.2))
        # arcuate vessels in the outer third
        for v in range(int(r.integers(4, 12))):
            sv, fv, sg = U(-6, S.L), U(.55, .8), np.sign(U(-1, 1))
            m_ = np.exp(-((s-sv)/U(1.2, 4))**2-((out-fv*W)/U(.5, 1.0))**2)*(np.sign(n) == sg); myo -= U(3, 9)*m_
        if p['fibroid']:
            q = None
            for _ in range(200):
                sv, nv = U(0, S.L), np.sign(U(-1, 1))*(p['T']/2+U(.5, .8)*p['wall']); c = S.at(sv, nv)
                if S.infan(c, 6): q = c; break
            if q is not None:
                R_ = U(3.5, 6.5); e = ell(q[0], q[1], R_, R_*.85, 0, .06); w_ = sm(-e, -.4, .4)
                myo = myo*(1-w_)+w_*(-4+1.4*S.nf(2.)); myo += 3*np.exp(-(e/.5)**2); att += .25*w_
        uw = sm(-ut, -.35, .35)
        dB = dB*(1-uw)+myo*uw
        dB += uw*U(0, 2.5)*np.exp(-((ut+.8)/.9)**2)
        if p['nabothian']:
            c = S.at(S.L+U(8, 18), U(3, 6)*np.sign(U(-1, 1))); e = ell(c[0], c[1], U(1.2, 2.4), U(1.1, 2), 0, .03); w_ = sm(-e, -.2, .25); dB = dB*(1-w_)-36*w_; att -= .2*w_
        # serosal line (specular, strongest where met square on)
        gx = cv2.Sobel(cv2.GaussianBlur(ut, (0, 0), 4), cv2.CV_32F, 1, 0); gy = cv2.Sobel(cv2.GaussianBlur(ut, (0, 0), 4), cv2.CV_32F, 0, 1)
        bx, by = np.sin(th), np.cos(th); cosi = np.abs(gx*bx+gy*by)/(np.hypot(gx, gy)+1e-6)
        dB += np.exp(-((ut-.2)/.45)**2)*(2+U(6, 10)*cosi**4)*np.clip(.8+.45*S.nf(6), 0, 1.3)
        att += np.exp(-(ut/1.)**2)*(1-cosi)**4*U(.6, 1.6)
        # endometrium
        e = p['endo_db']; tex = 1.0*S.nf(1.8, 1.2)+.9*S.nf(5)
        edge = sm(np.where(core, inn, -out), -.3, .3)
        if p['pattern'] == 'triple':
            lw = U(.6, 1.0)
            bas = np.exp(-((inn-lw*.7)/lw)**2)
            cen = np.exp(-((n-.25*S.nf(6))/U(.33, .5))**2)*np.clip(.85+.3*S.tex(s, n*0, 4, 1), .2, 1.15)*sm(s, 1.0, 3.0)
            en = U(-3.5, -1.5)+tex*.8+(e+4.5)*np.maximum(bas*U(.85, 1.), cen*U(.9, 1.05))
        elif p['pattern'] == 'bright':
            en = e+tex*1.1+U(-1, 1.5)*np.exp(-((inn-.8)/.8)**2)+U(0, 2.2)*np.exp(-(n/.45)**2)
        else:
            en = e+tex*.8+U(0, 1.)*np.exp(-(n/.5)**2)
        lat = sm(s, S.L-1, S.L+3)
        can = np.where(r.random() < .6, U(4, 8), U(-5, -2))+1.8*S.tex(s, n, 3, 1.5)
        en = en*(1-lat)+can*lat
        tailw = 1-sm(s, S.L+S.Lc-4, S.L+S.Lc)
        ew = edge*np.where(s > S.L, tailw, 1)
        dB = dB*(1-ew)+en*ew
        # bladder on the anterior side, in front of the uterus
        if p['bladder']:
            best = None
            for _ in range(500):
                a, q = U(-S.ha, S.ha)*.85, S.Rc+U(9, 34); x, y = q*np.sin(a), q*np.cos(a)-S.Rc
                i, j = int((y-S.yy0)/DX), int((x-S.x0)/DX)
                if not (0 <= i < S.Hm and 0 <= j < S.Wm): continue
                if ut[i, j] < 3.5 or not S.infan(np.array([x, y]), 4): continue
                fc = S.at(.35*S.L, 0.); sco = np.hypot(x-fc[0], y-fc[1])-1.5*ut[i, j]
                if best is None or sco < best[0]: best = (sco, x, y, ut[i, j])
            if best:
                _, x, y, room = best; e_ = ell(x, y, U(9, 18), U(5, 9), U(-.5, .5)*-np.sign(x), .1)
                lim = np.maximum(e_, np.maximum(-(ut-2.2), -(d0-(vt-2))))
                lim = cv2.GaussianBlur(lim.astype(f32), (0, 0), 5)
                w_ = sm(-lim, -.3, .4); wallb = np.exp(-((lim-.9)/.8)**2)
                dB = dB*(1-.9*wallb)+.9*wallb*(5+1.2*S.nf(2)); dB = dB*(1-w_)-36*w_; att -= .13*w_
        # interfaces met by the beam
        sb = cv2.GaussianBlur(np.maximum(dB, -16).astype(f32), (0, 0), 1.6)
        gr = cv2.Sobel(sb, cv2.CV_32F, 1, 0, scale=.125/DX)*bx+cv2.Sobel(sb, cv2.CV_32F, 0, 1, scale=.125/DX)*by
        spec = np.clip(np.maximum(gr, 0)*U(.35, .6)+np.maximum(-gr, 0)*.15, 0, 9)
        dB = dB+spec
        S.dBmap = np.clip(dB, -42, 26).astype(f32)
        att += gas*U(1.5, 4)+uw*.03
        S.attmap = cv2.GaussianBlur(att.astype(f32), (0, 0), 2)
        S.ut, S.coremap = ut, core
        S.ampmap = (10**(S.dBmap/20)).astype(f32)
        S.coh = np.clip(spec/9, 0, .6).astype(f32)

    def fresh(S):
        a = S.nrng.standard_normal((S.Hm, S.Wm, 2), dtype=f32)
        a = cv2.GaussianBlur(a, (0, 0), PRE/DX)
        a *= 1/a.std()/np.sqrt(2)
        c = S.coh
        a *= np.sqrt(1-c*c)[..., None]; 
        a[..., 0] += c*S.cph[0]; a[..., 1] += c*S.cph[1]
        a *= S.ampmap[..., None]*f32(400)
        return np.clip(a, -32000, 32000).astype(np.int16)
    def noise_maps(S):
        S.nrng = np.random.default_rng(S.p['seed']*13+2)
        ph = 2*np.pi*S.nf(6); S.cph = (np.cos(ph).astype(f32), np.sin(ph).astype(f32))
        S.ref = np.ascontiguousarray(np.concatenate([S.fresh(), S.fresh()], 2))
        S.dec_half = 0
        r = S.nrng
        g = gaussian_filter1d(r.standard_normal(S.N+400), 3*S.p['fps'])[200:200+S.N]; g = np.clip(1+.8*g/g.std(), .1, 3)
        # out-of-plane decorrelation: phase angle between two independent scatterer sets
        S.decph = np.cumsum(g)/S.p['fps']*(np.pi/2)/(S.p['decorr_s']*1.0)
        # static polar things
        RX = (S.Rc+S.r)[:, None]*S.sin[None]; RY = (S.Rc+S.r)[:, None]*S.cos[None]-S.Rc
        S.mx0 = ((RX-S.x0)/DX).astype(f32); S.my0 = ((RY-S.yy0)/DX).astype(f32)

    def psf_setup(S):
        p, r = S.p, S.nrng
        sa = p['ax']/S.dr; n = int(2.7*sa)+1; k = np.exp(-.5*(np.arange(-n, n+1)/sa)**2); S.ka = (k/np.sqrt((k*k).sum())).astype(f32)
        # lateral width in lines by depth
        fw = p['lat']*np.sqrt(1+((S.r-p['focus'])/28)**2)*(.75+.25*S.r/p['focus'])
        sl = fw/((S.Rc+S.r)*S.dth); sl = np.clip(sl, .7, 14)
        S.sls = np.quantile(sl, [0, .33, .67, 1]); S.kls = []
        for q in S.sls:
            n = int(2.6*q)+1; k = np.exp(-.5*(np.arange(-n, n+1)/q)**2); S.kls.append((k/np.sqrt((k*k).sum())).astype(f32))
        o = np.argsort(S.sls); idx = np.interp(sl, S.sls[o]+np.arange(4)*1e-6, np.arange(4))
        S.kw = [np.clip(1-np.abs(idx-i), 0, 1).astype(f32)[:, None] for i in range(4)]
        rows = [np.where(w[:, 0] > 0)[0] for w in S.kw]; S.krow = [(a.min(), a.max()+1) if len(a) else (0, 0) for a in rows]
        S.one = np.array([1.], f32)
        # calibration: rms for unit tissue and peak for unit point, per row
        w = r.standard_normal((S.Hm, S.Wm, 2), dtype=f32); w = cv2.GaussianBlur(w, (0, 0), PRE/DX); w /= w.std()*np.sqrt(2)
        z = cv2.remap(w, S.mx0, S.my0, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
        z = S.filt(z); rms = np.sqrt((z**2).sum(2).mean(1)); rms = gaussian_filter1d(rms, 20)
        S.rowgain = (1/rms).astype(f32)[:, None]
        z = np.zeros((S.nr, S.nt, 2), f32); z[:, S.nt//2, 0] = 0; pk = np.zeros(S.nr)
        for off in range(0, 40): 
            z[:] = 0; z[off::40, S.nt//2, 0] = 1; o_ = S.filt(z)[:, S.nt//2, 0]; pk[off::40] = o_[off::40]
        S.ptgain = rms/np.maximum(pk, 1e-6)
        # gain terms (dB): depth, lateral, streaks
        ta = S.th/S.ha
        lat = sum(r.normal(0, 1.1/(i**.5))*np.cos(np.pi*i*ta/2+r.uniform(0, 6)) for i in range(1, 5))
        lat = lat-r.uniform(1, 6)*np.abs(ta)**5
        tg = sum(r.normal(0, 1.2/(i**.5))*np.cos(np.pi*i*S.r/S.D+r.uniform(0, 6)) for i in range(1, 5))
        tg = tg-p['att']*S.r/10+.35*p['att']*S.D/10
        G = lat[None, :]+tg[:, None]
        for q in range(p['streaks']):
            c, w_ = r.uniform(-1, 1), r.uniform(.02, .09); st = r.uniform(2, 25)
            G = G-r.uniform(3, 9)*np.exp(-((ta[None]-c-.01*np.sin(S.r/15)[:, None])/w_)**2)*sm(S.r, st, st+12)[:, None]
        S.Gpol = G.astype(f32)
        # front-end noise pool
        S.npool = r.standard_normal((S.nr+64, S.nt+64, 2), dtype=f32)
        S.npool = cv2.sepFilter2D(S.npool, -1, np.array([.25, .9, .25], f32), S.ka)
        S.npool /= S.npool.std()*np.sqrt(2)
        S.nlev = (10**((p['noise_db']+(4+10*(S.r/S.D)**1.5))/20)).astype(f32)[:, None]
        # reverberation by the probe face (static)
        rv = r.standard_normal((S.nr, S.nt, 2), dtype=f32)
        rv = cv2.GaussianBlur(rv, (0, 0), sigmaX=14, sigmaY=.6); rv /= rv.std()*np.sqrt(2)
        per = r.uniform(1.1, 2.2); lay = .35+.65*np.cos(np.pi*S.r/per)**2
        rv *= (10**((r.uniform(4, 12)-S.r*r.uniform(1.8, 3.2))/20)*lay)[:, None, None]
        rv += 0
        S.rev = rv.astype(f32)
        S.revshift = int(r.uniform(5, 9)/S.dr); S.revlev = 10**(r.uniform(-26, -17)/20); S.revw = (S.revlev*np.linspace(1, 0, 3*S.revshift)).astype(f32)[:, None, None]
        hz = r.standard_normal((S.nr//6+2, S.nt//6+2)).astype(f32); S.haze = None
        S.looks = {}
        for sg, (ka, kl) in {-1: (-.8, .75), 1: (.8, .75), 0: (0, -1.)}.items():
            ph = ka*S.r[:, None]/p['ax']+kl*np.arange(S.nt)[None]/np.median(sl)
            S.looks[sg] = (np.cos(ph).astype(f32), np.sin(ph).astype(f32))
        # scan conversion
        px, py = np.meshgrid(np.arange(WID), np.arange(HEI)); x = (px-S.cx)*S.mm; y = (py-S.y0)*S.mm+S.Rc
        R = np.hypot(x, y)-S.Rc; A = np.arctan2(x, y)
        S.mask = (R >= 0) & (R <= S.D) & (np.abs(A) <= S.ha) & (px > 46) & (px < WID-46) & (py < HEI-14)
        yy, xx = np.where(S.mask); S.roi = (yy.min(), yy.max()+1, xx.min(), xx.max()+1); a, b, c, d = S.roi
        S.scx, S.scy = cv2.convertMaps(((A+S.ha)/S.dth-.5).astype(f32)[a:b, c:d].copy(), (R/S.dr-.5).astype(f32)[a:b, c:d].copy(), cv2.CV_16SC2)
        S.mask = (R >= 0) & (R <= S.D) & (np.abs(A) <= S.ha) & (px > 46) & (px < WID-46) & (py < HEI-14)

    def filt(S, z):
        z = cv2.sepFilter2D(z, -1, S.one, S.ka, borderType=cv2.BORDER_REFLECT)
        o = np.zeros_like(z)
        for k, w, (a, b) in zip(S.kls, S.kw, S.krow):
            if b > a: o[a:b] += w[a:b, :, None]*cv2.sepFilter2D(z[a:b], -1, k, S.one, borderType=cv2.BORDER_REFLECT)
        return o

    # ------------------------------------------------------------- catheter, bubbles
    def transfer_setup(S):
        p = S.p; r = np.random.default_rng(p['seed']*17+3); S.bub = None; S.cath = None
        tr = p['transfer']; t = S.t
        if tr == 'none': return
        # deposit arc position so that the straight distance to the fundus lies in 8..25
        s_dep = min(p['dep_s'], S.L*.6)
        while np.linalg.norm(S.at(s_dep)-S.at(0.)) < 8.3: s_dep += .2
        dr_ = p['drift']
        if dr_ > 0: s_dep = max(s_dep, dr_+3.2)
        if dr_ < 0: s_dep = min(s_dep, S.L-4+dr_)
        p['dep_s'] = s_dep
        S.t_dep = round(p['t_dep']*p['fps'])/p['fps']
        s_tip = s_dep+p['gap']+p['bub_len']*.5
        s_out = S.L+S.Lc+11
        steps = np.cumsum(np.maximum(0, r.normal(1, .9, 12))+.15); steps = np.concatenate([[0], steps/steps[-1]])
        u_in = np.interp((t-p['t_in'])/p['t_adv'], np.linspace(0, 1, 13), steps)
        u_in = gaussian_filter1d(u_in, .25*p['fps'])
        t_end = S.t_dep+p['t_wait'] if tr == 'full' else p['t_in']+p['t_adv']+p['t_wait']+2
        u_out = sm(t, t_end, t_end+p['t_out'])
        S.s_tip = s_out+(s_tip-s_out)*np.clip(u_in-u_out, 0, 1)
        S.c_on = (t > p['t_in']) & (t < t_end+p['t_out'])
        sp = np.arange(0, s_out, .13); m = len(sp); hw = r.uniform(.72, .95)
        off = .35*np.interp(sp, np.linspace(0, s_out, 9), r.normal(0, 1, 9))*sm(S.L-sp, -2, 8)
        if p['cath_style'] == 'lines':
            S.cs_p = np.concatenate([sp, sp]); S.cn_p = np.concatenate([off-hw, off+hw]); base = np.ones(2*m)
            base[:m] *= r.uniform(.7, 1); base[m:] *= r.uniform(.7, 1)
        else:
            S.cs_p = np.repeat(sp, 4); S.cn_p = np.repeat(off, 4)+np.tile([-.7, -.25, .25, .7], m); base = np.tile([.5, 1, 1, .5], m)*.75
        S.ca = base*(1+.25*np.interp(S.cs_p, np.arange(0, s_out, 1.5), r.normal(0, 1, len(np.arange(0, s_out, 1.5)))))
        S.cphs = 2*np.pi*gaussian_filter1d(r.normal(0, 1, len(S.ca)), 9)*1.5
        c = S.at(S.cs_p); b = c+[0, S.Rc]; b /= np.linalg.norm(b, axis=1)[:, None]
        Nv = np.stack([np.interp(S.cs_p, S.cs, S.cn[:, i]) for i in (0, 1)], -1); S.ci = .3+.7*np.abs((b*Nv).sum(1))**1.5
        S.cath = 10**(p['cath_db']/20)*.33
        if tr != 'full': return
        # bubbles: point clouds in (s,n)
        k = p['pieces']; tot = p['bub_len']; P = []
        hl = np.interp(s_dep, S.cs, S.hprof)
        cen = [0.] if k == 1 else list(np.cumsum([0]+[r.uniform(1.1, 2.4)+tot/k*.6 for _ in range(k-1)]))
        wt = r.uniform(.7, 1.2, k); 
        for i in range(k):
            le = tot/(k**.6)*r.uniform(.8, 1.1)/2; wn = min(r.uniform(.5, 1.)*.9, .55*hl)
            m = int(r.integers(22, 45)); q = r.normal(0, 1, (m*3, 2)); q = q[np.hypot(*q.T) < 1.9][:m]/1.9
            P.append((i, le, np.stack([q[:, 0]*le+cen[i], q[:, 1]*wn+r.uniform(-.2, .2)*min(1, hl/3)], 1), wt[i]*r.lognormal(0, .35, len(q))))
        S.bp = np.concatenate([a[2] for a in P]); S.bi = np.concatenate([np.full(len(a[2]), a[0]) for a in P]); S.ba = np.concatenate([a[3] for a in P])
        S.bp[:, 0] -= np.average(S.bp[:, 0], weights=S.ba)
        S.bphase = r.uniform(0, 2*np.pi, len(S.ba)); S.bom = r.normal(0, .25, len(S.ba))
        # drift along the stripe (positive = toward the fundus)
        tr_ = np.maximum(t-S.t_dep, 0); T = DUR-S.t_dep
        if p['drift_kind'] == 'slow':
            tau = r.uniform(.25, .6)*T; g = (1-np.exp(-np.maximum(tr_-1, 0)/tau))/(1-np.exp(-(T-1)/tau))
        else:
            ts = r.uniform(.15, .6)*T; g = .82*sm(tr_, ts, ts+r.uniform(1., 3.))+.18*np.clip(tr_/T, 0, 1)
        wob = gaussian_filter1d(r.standard_normal(S.N), 5*p['fps']); wob = .25*wob/wob.std()*sm(tr_, 0, 12)
        S.dl = dr_*g+wob*(1 if abs(dr_) > .3 else .5)
        pd = r.normal(0, .5, k)*(k > 1); pd -= np.average(pd, weights=[S.ba[S.bi == i].sum() for i in range(k)])
        S.pdl = pd[:, None]*np.clip(tr_/40, 0, 1)[None]
        S.dn = .25*gaussian_filter1d(r.standard_normal(S.N), 6*p['fps'])*(6*p['fps'])**.5*sm(tr_, 0, 10)*min(1, hl/3)
        kf = round(S.t_dep*p['fps']); S.kdep = kf
        # in 4 frames the cluster builds up; t_dep = half way
        S.bg = np.clip((np.arange(S.N)-(kf-2))/4., 0, 1)
        S.bg = S.bg*10**(-p['fade_db']*np.clip(tr_/T, 0, 1)/20)
        S.leave = None
        if p['leave']:
            tl = S.t_dep+r.uniform(.35, .7)*T; ld = r.uniform(2.5, 5); q = sm(t, tl-.8, tl)*(1-sm(t, tl+ld, tl+ld+.8)); S.bg = S.bg*(1-.93*q); S.leave = [float(tl), float(tl+ld)]
        S.tailr = r.uniform(.8, 1.2); S.tailp = r.uniform(0, 6, 8)
        S.bscale = 1.
        kk = min(S.N-1, kf+6); z = S.filt(S.points(kk, cath=False, tail=False))*S.rowgain[..., None]
        pk = np.quantile(np.sort(np.hypot(z[..., 0], z[..., 1]).ravel())[-400:], .75)
        elev = max(p['endo_db'], 4.5) if p['pattern'] != 'triple' else 3.
        S.bscale = 10**((elev+p['bub_db'])/20)/pk
    def bub_sn(S, k):
        s = S.p['dep_s']+S.bp[:, 0]-S.dl[k]-S.pdl[S.bi, k]; n = S.bp[:, 1]+S.dn[k]
        hl = np.interp(s, S.cs, S.hprof); return np.maximum(s, .4), np.clip(n, -.8*hl, .8*hl)
    def bub_centre(S, k):
        s, n = S.bub_sn(k); w = S.forward(s, n, k); return np.average(w, axis=0, weights=S.ba), float(np.average(s, weights=S.ba))
    def points(S, k, cath=True, bub=True, tail=True):
        P, A, F = [], [], []
        if cath and S.cath and S.c_on[k]:
            o = (S.cs_p > S.s_tip[k]) & (S.cs_p < S.L+S.Lc+10)
            if o.any():
                s = S.cs_p[o]; P.append(S.forward(s, S.cn_p[o], k))
                A.append(S.cath*np.abs(S.ca[o])*S.ci[o]*(1+1.6*np.exp(-((s-S.s_tip[k]-.9)/1.0)**2))); F.append(S.cphs[o])
        if bub and hasattr(S, 'bg') and S.bg[k] > 0:
            s, n = S.bub_sn(k); w = S.forward(s, n, k); a = S.bscale*S.ba*S.bg[k]; f = S.bphase+S.bom*S.t[k]
            P.append(w); A.append(a); F.append(f)
            if tail and S.p['tail']:
                b = w+[0, S.Rc]; b /= np.linalg.norm(b, axis=1)[:, None]
                for m in range(1, 6): P.append(w+b*S.tailr*m); A.append(a*10**(-(10+4.5*m)/20)); F.append(f+S.tailp[m])
        z = np.zeros((S.nr, S.nt, 2), f32)
        if not P: return z
        P = np.concatenate(P); A = np.concatenate(A); F = np.concatenate(F)
        R = np.hypot(P[:, 0], P[:, 1]+S.Rc)-S.Rc; T = np.arctan2(P[:, 0], P[:, 1]+S.Rc)
        i = R/S.dr-.5; j = (T+S.ha)/S.dth-.5; ok = (i > 1) & (i < S.nr-2) & (j > 1) & (j < S.nt-2)
        i, j, A, F = i[ok], j[ok], A[ok], F[ok]; i0, j0 = i.astype(int), j.astype(int); fi, fj = i-i0, j-j0
        A = A*S.ptgain[i0]
        for di, wi in ((0, 1-fi), (1, fi)):
            for dj, wj in ((0, 1-fj), (1, fj)):
                np.add.at(z[..., 0], (i0+di, j0+dj), A*wi*wj*np.cos(F)); np.add.at(z[..., 1], (i0+di, j0+dj), A*wi*wj*np.sin(F))
        return z

    # ------------------------------------------------------------- one frame
    def polar(S, k, bub=True):
        p = S.p
        d = S.inverse_disp(k)
        full = cv2.resize(d.astype(f32), (S.nt, d.shape[0]*DS), interpolation=cv2.INTER_LINEAR)[:S.nr]
        dx, dy = full[..., 0], full[..., 1]
        mx, my = S.mx0-dx/DX, S.my0-dy/DX
        # scatterer sets exchange when their weight is nought
        ph = S.decph[k]; half = int(ph//(np.pi/2))
        while S.dec_half < half:
            c = S.dec_half % 2; S.ref[..., 2*c:2*c+2] = S.fresh(); S.dec_half += 1
        q = cv2.remap(S.ref, mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
        ca, cb = f32(abs(np.cos(ph))), f32(abs(np.sin(ph)))
        q = cv2.split(q); ca, cb = ca/f32(400), cb/f32(400); re = q[0]*ca+q[2]*cb; im = q[1]*ca+q[3]*cb
        if S.amp or True:
            dax = (dx-f32(S.tx[k]))*S.sin+(dy-f32(S.ty[k]))*S.cos
            c, s = cv2.polarToCart(np.ones_like(dax), f32(p['k2'])*dax)
            re, im = re*c-im*s, re*s+im*c
        z = cv2.merge([re, im])
        if (S.cath and S.c_on[k]) or (bub and hasattr(S, 'bg') and S.bg[k] > 0): z += S.points(k, bub=bub)
        # shadows and enhancement follow the tissue
        ci = S.Wc-d; m = ((ci-[S.x0, S.yy0])/DX).astype(f32)
        a = cv2.remap(S.attmap, m[..., 0], m[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        a = np.cumsum(a, 0)*(S.dr*DS); a = np.maximum(a, -7)
        ag = cv2.resize((-a).astype(f32), (S.nt, a.shape[0]*DS), interpolation=cv2.INTER_LINEAR)[:S.nr]
        g = cv2.exp((ag+S.Gpol)*f32(np.log(10)/20))*S.rowgain
        n = S.revshift
        if S.revlev > 0:
            z[n:4*n] += z[:3*n]*S.revw
        oi, oj = S.nrng.integers(0, 64, 2); nz = S.npool[oi:oi+S.nr, oj:oj+S.nt]*S.nlev[..., None]
        if p['compound']:
            E = 0; z0, z1 = cv2.split(z); g2 = cv2.merge([g, g])
            for sg in (-1, 1, 0)[:p['nlooks']]:
                c, s = S.looks[sg]
                y = cv2.merge([z0*c-z1*s, z0*s+z1*c])
                y = cv2.multiply(S.filt(y), g2)
                y += nz if sg < 0 else nz[:, ::-1] if sg else nz[..., ::-1]*f32(-1)
                y += S.rev
                E = E+cv2.magnitude(*cv2.split(y))
            E *= f32(1./p['nlooks'])
        else:
            y = S.filt(z)*g[..., None]+nz+S.rev; E = cv2.magnitude(y[..., 0], y[..., 1])
        lg = cv2.log(E+f32(1e-4))*f32(20/np.log(10))
        DR = p['DR']; v = (lg+f32(.40*DR+p['gain']-2.0))/f32(DR)
        v = np.clip(v, 0, 1)
        if p['gamma'] != 1: v = cv2.pow(v, p['gamma'])
        return v*f32(255)
    def frame(S, v):
        im = cv2.remap(np.clip(v, 0, 255).astype(np.uint8), S.scx, S.scy, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        im = cv2.GaussianBlur(im, (0, 0), S.p['blur'])
        if S.p['sharpen']: im = cv2.addWeighted(im, 1+S.p['sharpen'], cv2.GaussianBlur(im, (0, 0), 2.2), -S.p['sharpen'], 0)
        a, b, c, d = S.roi; fu = np.zeros((HEI, WID), np.uint8); fu[a:b, c:d] = cv2.bitwise_and(im, S.mask8[a:b, c:d]); im = fu
        o = cv2.merge([im, im, im]) if S.p['tint'] == 'none' else cv2.merge([cv2.LUT(im, S.lut[i]) for i in range(3)])
        return cv2.add(cv2.bitwise_and(o, S.ovn), S.ov)

    def overlay_setup(S):
        p = S.p; r = np.random.default_rng(p['seed']*3+9); g = np.arange(256)/255.
        tint = {'none': (1, 1, 1), 'blue': (.92, .97, 1.06), 'warm': (1.05, .99, .86)}[p['tint']]
        S.lut = [np.clip(255*(g*t+(0.10*(t-1)*np.sin(np.pi*g))), 0, 255).astype(np.uint8) for t in tint]
        ov = np.zeros((HEI, WID, 3), np.uint8); F = cv2.FONT_HERSHEY_SIMPLEX
        col = [(200, 200, 200), (210, 200, 90), (120, 190, 210)][p['name_style']]
        T = lambda s, x, y, sc=.38, c=col: cv2.putText(ov, s, (x, y), F, sc, c, 1, cv2.LINE_AA)
        # ruler: ticks every cm from the probe face, drawn at sub-pixel height
        xr = 24 if p['ruler'] == 'left' else WID-25; sg = 1 if p['ruler'] == 'left' else -1
        def tick(y, x, ln):
            y0 = int(np.floor(y)); f = y-y0
            for yy, w in ((y0, 1-f), (y0+1, f)):
                if 0 <= yy < HEI and w > .02:
                    xs = slice(min(x, x+sg*ln), max(x, x+sg*ln)); ov[yy, xs] = np.maximum(ov[yy, xs], np.uint8(215*w))
        k = 0; S.ticks = []
        while k*10 <= S.D and S.y0+k*S.ppcm < HEI-14:
            y = S.y0+k*S.ppcm; tick(y, xr, 11 if k % 5 == 0 else 7); S.ticks.append([float(xr), float(y)])
            if p['labels'] and k and k % 5 == 0: T(str(k), xr-(18 if sg > 0 else -6), int(y)+4, .36)
            k += 1
        # grey bar
        xb = 8 if p['bar'] == 'left' else WID-17
        if p['bar'] == p['ruler']: xb = WID-17 if xb == 8 else 8
        y = np.linspace(255, 0, 150).astype(np.uint8)
        for c in range(3): ov[60:210, xb:xb+9, c] = S.lut[c][y][:, None]
        st = p['name_style']
        if st == 0:
            T('TV  PELVIS', 8, 14); T('%.1f cm  %d Hz' % (S.D/10, round(p['fps']*2)), 8, 30, .34); T('MI 0.9  TIs 0.3', WID-120, 14, .34); T('Gn %d  DR %d' % (50+round(p['gain']*3), round(p['DR'])), WID-120, 28, .34)
        elif st == 1:
            for i, s in enumerate(['TVS 7M', 'G %d%%' % (55+round(p['gain']*4)), 'DR%d' % round(p['DR']), 'P %d' % round(p['persist']*10), '%dmm' % round(S.D)]): T(s, 10 if p['bar'] == 'right' else WID-80, HEI-90+i*16, .36)
            T('GYN  SAG', 12, 16)
        else:
            T('ET  SAG UT', WID//2-280, 14); T('EV 9-4', WID-92, 14); T('D %.1f  F %.0f  THI' % (S.D/10, p['focus']/10*10), WID-190, HEI-6, .34)
        cv2.circle(ov, (int(S.cx-S.Rc*np.sin(S.ha)/S.mm-16), int(S.y0-14)), 4, col, 1, cv2.LINE_AA)
        yf = int(S.y0+p['focus']/S.mm); xf = xr+sg*18; cv2.fillPoly(ov, [np.array([[xf, yf-4], [xf, yf+4], [xf-sg*6, yf]])], col)
        S.ov = ov; S.mask8 = np.uint8(255)*S.mask.astype(np.uint8); S.ovn = np.repeat(np.uint8(255)*(ov.max(2) == 0).astype(np.uint8)[..., None], 3, 2); S.col = col
    def stamp(S, im, k):
        if S.p['clock']:
            im[HEI-13:, :80] = 0 if False else im[HEI-13:, :80]
            cv2.putText(im, '%02d:%02d.%d' % (S.t[k]//60, S.t[k] % 60, int(S.t[k]*10) % 10), (10, HEI-4), cv2.FONT_HERSHEY_SIMPLEX, .36, S.col, 1, cv2.LINE_AA)
        return im

    # ------------------------------------------------------------- truth
    def truth(S, fn):
        p = S.p; R = lambda a, n=2: np.round(np.asarray(a, float), n).tolist()
        fund = np.array([S.w2px(S.forward(np.array(0.), 0., k)) for k in range(S.N)])
        osp = np.array([S.w2px(S.forward(np.array(S.L), 0., k)) for k in range(S.N)])
        sl = np.linspace(0, S.L, 81); w0 = S.forward(sl, 0., 0)
        ss = np.linspace(.12*S.L, .7*S.L, 60); hh = np.interp(ss, S.cs, S.hprof)
        th0 = np.linalg.norm(S.forward(ss, hh, 0)-S.forward(ss, -hh, 0), axis=1).max()
        J = dict(name=S.name, file=fn, width_px=WID, height_px=HEI, frames=S.N, frame_rate_hz=p['fps'], duration_s=S.N/p['fps'], scale_mm_per_px=S.mm,
                 cavity=dict(frame=0, fundus_px=R(fund[0]), os_px=R(osp[0]), centre_line_px=R(S.w2px(w0)), length_mm=R(np.linalg.norm(np.diff(w0, axis=0), axis=1).sum()), thickness_mm=R(th0)),
                 fundus_path_px=R(fund), os_path_px=R(osp))
        if S.amp == 0:
            J['contractions'] = dict(verdict='quiescent', rate_per_min=None, count=0, wall_to_wall_half_peak_to_peak_mm=None, velocity_mm_per_s=None, direction=None)
        else:
            tk = S.tk; rate = np.interp(DUR, tk, np.arange(len(tk)))-np.interp(0, tk, np.arange(len(tk)))
            hp = []; td = np.arange(0, DUR, .1)
            for q in np.linspace(.25, .75, 5)*S.L:
                h = np.interp(q, S.cs, S.hprof); E = (.6+.4*sm(q, 0, .15*S.L))
                f = np.array([S.ftab(t_, np.array([q]))[0] for t_ in td])*S.amp*E
                f = f*min(1, 1.)
                pk = [i for i in range(1, len(f)-1) if f[i] >= f[i-1] and f[i] > f[i+1] and f[i] > -.3*S.amp]
                for i in pk:
                    T = 30/p['rate']; a = f[(td >= td[i]-T*1.15) & (td <= td[i]+T*1.15)]; hp.append((f[i]-a.min())/2)
            J['contractions'] = dict(verdict='measured', rate_per_min=R(rate/DUR*60, 3), count=int(((tk >= 0) & (tk < DUR)).sum()), wall_to_wall_half_peak_to_peak_mm=R(np.mean(hp), 3), velocity_mm_per_s=R(p['vel'], 3), direction=p['direction'],
                peak_times_at_mid_stripe_s=R(tk[(tk >= 0) & (tk < DUR)]))
        if hasattr(S, 'bg'):
            k0 = S.kdep; c0, s0 = S.bub_centre(k0); cE, sE = S.bub_centre(S.N-1)
            sc = np.array([S.bub_centre(k)[1] for k in range(k0, S.N)]); scs = gaussian_filter1d(sc, p['fps']*.5, mode='nearest')
            c0p = S.w2px(c0)
            J['deposit'] = dict(verdict='measured', time_s=R(S.t[k0], 3), frame=int(k0), point_px=R(c0p), to_fundus_mm=R(np.linalg.norm(c0p-fund[k0])*S.mm))
            J['drift'] = dict(toward_fundus_mm=R(s0-sE), final_to_fundus_mm=R(np.linalg.norm(S.w2px(cE)-fund[-1])*S.mm), farthest_mm=R(np.abs(sc-s0).max()), path_mm=R(np.abs(np.diff(scs)).sum()), pieces=int(p['pieces']))
            J['bubble_path_px'] = [None]*k0+R([S.w2px(S.bub_centre(k)[0]) for k in range(k0, S.N)])
            J['bubble_out_of_plane_s'] = S.leave
        else:
            J['deposit'] = dict(verdict='none-seen', time_s=None, frame=None, point_px=None, to_fundus_mm=None)
            J['drift'] = dict(toward_fundus_mm=None, final_to_fundus_mm=None, farthest_mm=None, path_mm=None, pieces=None)
        J['catheter'] = None if not S.cath else dict(first_s=R(p['t_in']), gone_s=R(S.t[S.c_on][-1]), tip_to_fundus_along_stripe_mm=R(S.s_tip.min()))
        J['look'] = {k: p[k] for k in ('version', 'side', 'pattern', 'shape', 'endo_db', 'half_deg', 'depth', 'Rc', 'container', 'transfer', 'bladder', 'ovary', 'tail', 'fps', 'persist', 'decorr_s', 'rot_deg', 'breath_rate', 'breath_amp', 'pulse_rate', 'pulse_amp', 'drift_kind', 'tint')}
        J['look']['ruler_ticks_px'] = R(S.ticks)
        return J

    def render(S, outdir=OUT):
        p = S.p; ext = 'mp4' if p['container'] == 'h264' else 'avi'; fn = '%s.%s' % (S.name, ext); path = os.path.join(outdir, fn)
        enc = {'h264': ['-c:v', 'libx264', '-preset', 'veryfast', '-crf', '%d' % round(20+6*p['quality']), '-pix_fmt', 'yuv420p'],
               'mjpeg': ['-c:v', 'mjpeg', '-q:v', '%d' % round(3+3*p['quality']), '-pix_fmt', 'yuvj420p'],
               'mpeg4': ['-c:v', 'mpeg4', '-q:v', '%d' % round(3+2*p['quality']), '-pix_fmt', 'yuv420p']}[p['container']]
        tmp = os.path.join(outdir, '.part_'+fn)
        pr = subprocess.Popen(['ffmpeg', '-y', '-loglevel', 'error', '-f', 'rawvideo', '-pix_fmt', 'rgb24', '-s', '%dx%d' % (WID, HEI), '-r', str(p['fps']), '-i', '-', '-threads', '1']+enc+[tmp], stdin=subprocess.PIPE)
        prev = None
        for k in range(S.N):
            v = S.polar(k)
            prev = v if prev is None else cv2.addWeighted(v, 1-p['persist'], prev, p['persist'], 0)
            pr.stdin.write(S.stamp(S.frame(prev), k).tobytes())
        pr.stdin.close(); 
        if pr.wait(): raise RuntimeError('ffmpeg')
        J = S.truth(fn)
        json.dump(J, open(os.path.join(outdir, S.name+'.truth.json'), 'w'))
        os.replace(tmp, path)
        return path

    def still(S, ts, mark=False):
        o = []; 
        for t in ts:
            k = min(S.N-1, int(t*S.p['fps'])); prev = None
            for q in range(max(0, k-3), k+1):
                v = S.polar(q); prev = v if prev is None else cv2.addWeighted(v, 1-S.p['persist'], prev, S.p['persist'], 0)
            im = S.frame(prev)[..., ::-1].copy()
            if mark:
                ss = np.linspace(0, S.L, 40); h = np.interp(ss, S.cs, S.hprof)
                for n in (-h, 0*h, h): cv2.polylines(im, [np.round(S.w2px(S.forward(ss, n, k))).astype(int)], False, (0, 255, 255), 1)
                if hasattr(S, 'bg') and k >= S.kdep: cv2.drawMarker(im, tuple(int(round(a)) for a in S.w2px(S.bub_centre(k)[0])), (0, 0, 255), cv2.MARKER_CROSS, 9, 1)
            o.append(im)
        return o

if __name__ == '__main__':
    A = argparse.ArgumentParser(); A.add_argument('names', nargs='*'); A.add_argument('--all', action='store_true'); A.add_argument('--lot', type=int); A.add_argument('-n', type=int, default=1)
    A.add_argument('--still', action='store_true'); A.add_argument('--truth', action='store_true'); A.add_argument('--out', default=OUT); a = A.parse_args()
    jobs = [(n, draw(**LOOPS[n])) for n in (LOOPS if a.all else a.names)]
    if a.lot is not None: jobs += [('lot%d' % (a.lot+i), draw(a.lot+i)) for i in range(a.n)]
    os.makedirs(a.out, exist_ok=True)
    for n, p in jobs:
        t0 = time.time(); S = Loop(n, p); t1 = time.time()
        if a.still:
            td = getattr(S, 't_dep', 30.)
            ims = S.still([2., td-1, td+1.5, 110.]); ims[0] = ims[0]
            mk = S.still([2.], True)[0]
            cv2.imwrite(os.path.join(a.out, n+'.png'), np.vstack([np.hstack(ims[:2]), np.hstack([ims[2], mk])]))
            print(n, 'setup %.1f s' % (t1-t0), 'total %.1f' % (time.time()-t0), flush=True)
        elif a.truth:
            json.dump(S.truth(n+('.mp4' if p['container'] == 'h264' else '.avi')), open(os.path.join(a.out, n+'.truth.json'), 'w')); print(n, 'truth')
        else:
            S.render(a.out); print(n, 'setup %.1f s, all %.1f s, cpu %.1f' % (t1-t0, time.time()-t0, time.process_time()), flush=True)
