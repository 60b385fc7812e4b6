#!/usr/bin/env python3
"""Simulated loudspeakers with known defects: coherent sum of sources placed in space.

Axes: x right, y up, z forward, origin on the reference axis in the baffle. Every source is a point
or a cap on a rigid sphere (stands for the cabinet: baffle step, shadow), times a piston pattern,
with its own place and path to each microphone place (finite distance). Drivers are made flat on
their own axis (the designer does that), crossovers are complex filters. p = sum_d T_d(f) * (D_d(f,
angle) + extra sources fed by driver d), everything else is a common gain.
"""

import sys
from pathlib import Path

sys.dont_write_bytecode = True  # no cache folder in the repository
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from population_tools import (
    ANGLES_DEG,
    FREQS_HZ,
    HORIZONTAL_0,
    KINDS,
    Form,
    KnownDefect,
    KnownSpeaker,
    average_weights,
    log_uniform,
    run,
)

import numpy as np
from scipy.special import j1

C = 343.0
_t = np.radians(ANGLES_DEG)
U = np.vstack(
    [np.c_[np.sin(_t), 0 * _t, np.cos(_t)], np.c_[0 * _t, np.sin(_t), np.cos(_t)]]
)  # 72 x 3


W = np.column_stack(average_weights().judged())
LWI = np.nonzero(W[:, 0])[0]


def db(x):
    return 20 * np.log10(np.maximum(np.abs(x), 1e-9))


# ------------------------------------------------------------------ sources
def sphere_coef(f, R):
    """C[n, f]: far field of a point source on a rigid sphere is sum_n C[n] P_n(cos), 1 at low
    frequency, 2 on axis high up."""
    x = 2 * np.pi * f * R / C
    xm = x.max()
    N = int(xm + 4 * xm ** (1 / 3) + 9)
    out = np.zeros((N, len(f)), complex)
    with np.errstate(all="ignore"):
        hm = 1j * np.exp(-1j * x) / x  # h0, h1 (second kind)
        h = (1j / x**2 - 1 / x) * np.exp(-1j * x)
        lim = x + 4 * x ** (1 / 3) + 8
        ph = 1j
        out[0] = -ph / (-h * x * x)
        for n in range(1, N):
            d = hm - (n + 1) / x * h
            ph *= 1j
            v = -(2 * n + 1) * ph / (d * x * x)
            out[n] = np.where(n <= lim, v, 0)
            hm, h = h, (2 * n + 1) / x * h - hm
    out[~np.isfinite(out)] = 0
    return out


def legendre(N, c):
    P = np.empty((N, len(c)))
    P[0] = 1
    P[1] = c
    for n in range(1, N - 1):
        P[n + 1] = ((2 * n + 1) * c * P[n] - n * P[n - 1]) / (n + 1)
    return P


def cap_weight(N, alpha):
    """smoothed spherical cap (waveguide mouth): weights on the sphere terms, 1 for a point"""
    rel, wt = np.array([0.45, 0.65, 0.82, 0.98, 1.15]), np.array([0.15, 0.2, 0.25, 0.25, 0.15])
    c = np.cos(alpha * rel)
    P = legendre(N + 1, c)
    n = np.arange(1, N)[:, None]
    w = np.ones((N, 5))
    w[1:] = (P[:-2] - P[2:]) / ((2 * n + 1) * (1 - c))
    return w @ wt


def jinc(x):
    x = np.maximum(np.abs(x), 1e-6)
    return 2 * j1(x) / x


def path(pos, Rm):
    d = np.sqrt(((Rm * U - pos) ** 2).sum(1))
    return (d - Rm) / C, Rm / d


def pattern(g, src, Rm):
    """complex pressure (F, 72) of one source of constant volume acceleration"""
    n = src["place"] / np.linalg.norm(src["place"])
    cg = np.clip(U @ n, -1, 1)
    S = g.S
    if src.get("alpha"):
        S = S * cap_weight(len(S), src["alpha"])[:, None]
    p = S.T @ legendre(len(S), cg).astype(complex)
    tau, amp = path(src["pos"], Rm)
    p *= amp * np.exp(-2j * np.pi * g.f[:, None] * (tau + g.R * cg / C))
    a = src.get("a", 0)
    if a:
        face = src["face"]
        cz = U @ face
        s = np.where(cz > 0, np.sqrt(np.maximum(1 - cz**2, 0)), 1.0)
        k = 2 * np.pi * g.f / C
        ae = a / (1 + (k * a / 2.5) ** 2) ** (src["shrink"] / 2)
        su, inv = np.unique(np.round(s, 9), return_inverse=True)
        x = (k * ae)[:, None] * su
        p *= ((1 - src["mix"]) * jinc(x) + src["mix"] * jinc(0.45 * x))[:, inv]
    return p


def driver_pattern(g, drv, Rm):
    p = pattern(g, drv, Rm)
    if drv.get("twin") is not None:
        q = dict(drv)
        q["pos"] = drv["twin"]
        q["place"] = drv["twinplace"]
        p = 0.5 * (p + pattern(g, q, Rm))
    return p


def points(g, pts, wts, taus, Rm):
    """sum of small scatterers on the front (float32 phases: fast), taper to the back"""
    f = g.f.astype(np.float32)[:, None]
    re = np.zeros((len(f), 72), np.float32)
    im = np.zeros_like(re)
    for p, w, t in zip(pts, wts, taus):
        tau, amp = path(p, Rm)
        ph = f * (2 * np.pi * (tau + t)).astype(np.float32)
        w = (w * amp).astype(np.float32)
        re += w * np.cos(ph)
        im -= w * np.sin(ph)
    return (re + 1j * im) * (0.25 + 0.375 * (1 + U[:, 2])) ** 1.0


# ------------------------------------------------------------------ filters
def lr(f, fc, order):
    s = 1j * f / fc
    if order == 4:
        d = (s * s + np.sqrt(2) * s + 1) ** 2
        return 1 / d, s**4 / d
    d = (1 + s) ** 2
    return 1 / d, -s * s / d


def peaking(f, f0, gain, q):
    s = 1j * f / f0
    A = 10 ** (gain / 40)
    return (s * s + s * A / q + 1) / (s * s + s / (A * q) + 1)


def shelf_db(f, f0, gain, S, high):
    s = 1j * f / f0
    A = 10 ** (gain / 40)
    iq = np.sqrt((A + 1 / A) * (1 / S - 1) + 2)
    b = np.sqrt(A) * iq
    if high:
        return db(A * (A * s * s + b * s + 1) / (s * s + b * s + A))
    return db(A * (s * s + b * s + A) / (A * s * s + b * s + 1))


def bp(f, f0, q):
    s = 1j * f / f0
    return (s / q) / (s * s + s / q + 1)


def hp1(f, f0):
    s = 1j * f / f0
    return s / (1 + s)


def lp1(f, f0):
    return 1 / (1 + 1j * f / f0)


def gauss(f, f0, octs):
    return np.exp(-0.5 * (np.log2(f / f0) / octs) ** 2)


# ------------------------------------------------------------------ the healthy speaker


Z = np.array([0.0, 0.0, 1.0])


class Speaker:
    pass


def draw_speaker(r, kinds):
    s = Speaker()
    p = [0.45, 0.30, 0.10, 0.15]
    if "crossover-phase" in kinds:
        p = [0.5, 0.38, 0.12, 0.0]
    s.layout = ["2way", "3way", "mtm", "coax"][r.choice(4, p=p)]
    piston = lambda a: dict(a=a, face=Z, shrink=r.uniform(0.25, 0.5), mix=r.uniform(0.05, 0.25))
    guide = r.random() < 0.4
    depth = r.uniform(0.18, 0.42)
    dome = r.uniform(0.0095, 0.0145)
    drv = []
    lim = lambda a: 2.3 * C / (2 * np.pi * a)
    if s.layout in ("2way", "mtm", "coax"):
        aw = {
            "2way": lambda: log_uniform(r, 0.045, 0.105),
            "mtm": lambda: log_uniform(r, 0.045, 0.075),
            "coax": lambda: log_uniform(r, 0.05, 0.095),
        }[s.layout]()
        guide = guide or aw > 0.075 or s.layout == "coax"
        w = 2.3 * aw + r.uniform(0.02, 0.10)
        h = w * r.uniform(1.4, 2.0) if r.random() < 0.7 else r.uniform(0.8, 1.15)
        s.fx = [float(np.clip(lim(aw) * r.uniform(0.7, 1.05), 1000, 3600))]
        rt = 0.09 * aw / 0.08 if guide else 0.045
        y = -(aw + rt + r.uniform(0.0, 0.05)) if s.layout != "coax" else 0.0
        d = piston(aw)
        d["pos"] = np.array([0, y, -r.uniform(0, 0.02)])
        if s.layout == "mtm":
            d["twin"] = np.array([0, -y, d["pos"][2]])
        drv = [d]
    else:
        aw, am = log_uniform(r, 0.075, 0.15), log_uniform(r, 0.028, 0.06)
        w = 2.25 * aw + r.uniform(0.02, 0.10)
        h = (
            max(w * r.uniform(1.8, 2.4), 2 * aw + 2 * am + 0.25)
            if r.random() < 0.4
            else r.uniform(0.85, 1.25)
        )
        f2 = float(np.clip(lim(am) * r.uniform(0.7, 1.05), 1600, 4200))
        s.fx = [log_uniform(r, 260, min(700, f2 / 4.0)), f2]
        rt = 0.07 if guide else 0.045
        ym = -(am + rt + r.uniform(0, 0.03))
        yw = ym - am - aw - r.uniform(0.02, 0.22)
        d0, d1 = piston(aw), piston(am)
        d0["pos"] = np.array([0, yw, -r.uniform(0, 0.03)])
        d1["pos"] = np.array([0, ym, -r.uniform(0, 0.02)])
        drv = [d0, d1]
    t = piston(dome)
    t["shrink"] = r.uniform(0.1, 0.4)
    if guide:
        t["alpha"] = np.radians(r.uniform(40, 62))
        t["a"] = 0
    xo = r.uniform(-0.03, 0.03) if r.random() < 0.3 else 0.0
    t["pos"] = np.array([xo if s.layout != "coax" else 0.0, 0, 0])
    drv.append(t)
    s.dome, s.guide = dome, guide
    if r.random() < 0.25:  # reference axis between the drivers
        sh = -drv[-2]["pos"][1] * r.uniform(0.2, 0.6)
        if s.layout != "mtm":
            for d in drv:
                d["pos"] = d["pos"] + np.array([0, sh, 0])
    s.w, s.h, s.depth = w, h, depth
    s.R = 0.5 * np.sqrt(w * min(h, 1.5 * w))
    for d in drv:
        jit = r.uniform(-0.15, 0.15, 2)
        d["place"] = np.array(
            [
                d["pos"][0] / s.R * 0.6 + jit[0],
                np.clip(d["pos"][1] / s.R * 0.3, -0.4, 0.4) + jit[1],
                1,
            ]
        )
        if d.get("twin") is not None:
            d["twinplace"] = d["place"] * np.array([1, -1, 1])
    s.drv = drv
    s.nd = len(drv)
    s.order = [int(r.choice([2, 4])) for _ in s.fx]
    s.Rm = float(r.choice([2.0, 2.5, 3.0, 4.0, 10.0]))
    # box
    s.vented = r.random() < 0.55
    big = drv[0]["a"]
    s.fb = float(np.clip(4.0 / big * r.uniform(0.75, 1.35), 24, 95))
    if s.vented:
        s.portpos = [
            np.array([0, -min(h, 0.9) * r.uniform(0.3, 0.7), 0]),
            np.array([0, r.uniform(-0.3, 0.0), -depth]),
            np.array([0, -min(h, 0.9), -depth / 2]),
        ][r.integers(3)]
        s.qp = (r.uniform(0.5, 0.6), r.uniform(1.1, 1.45))
    else:
        s.qs = r.uniform(0.58, 0.95)
    # small natural ripple, residual misalignment, edges
    s.ripple = []
    for d in range(s.nd):
        s.ripple.append(
            [
                (log_uniform(r, 120, 18000), r.normal() * 0.35, log_uniform(r, 1.0, 5.0))
                for _ in range(r.integers(3, 8))
            ]
        )
    s.resid = [0.0] + [r.uniform(-12, 12) / 360 / fx for fx in s.fx]
    s.edge = [log_uniform(r, 0.008, 0.035) for _ in range(s.nd)]
    ht = r.uniform(0.05, 0.15)
    s.box = (w / 2, ht, min(h, 0.5))
    s.voice = r.uniform(0.2, 1.0)
    s.tilt = r.uniform(-0.15, 0.05)
    s.level = r.uniform(76, 92)
    s.vcurve = None
    return s


class Grid:
    def __init__(self, spk=None, f=None):
        if spk is None:
            return
        self.f, self.R, self.spk = f, spk.R, spk
        self.S = sphere_coef(f, spk.R)
        self.raw0, self.D, self.T = [], [], []
        # filters
        lo, hi = [], []
        for fx, o in zip(spk.fx, spk.order):
            a, b = lr(f, fx, o)
            lo.append(a)
            hi.append(b)
        if spk.nd == 2:
            xo = [lo[0], hi[0]]
        else:
            xo = [lo[0] * (lo[1] + hi[1]), hi[0] * lo[1], hi[0] * hi[1]]
        s = 1j * f / spk.fb
        if spk.vented:
            den = (s * s + s / spk.qp[0] + 1) * (s * s + s / spk.qp[1] + 1)
            tot, cone, port = s**4 / den, s * s * (s * s + 1) / den, -s * s / den
        else:
            tot = cone = s * s / (s * s + s / spk.qs + 1)
            port = None
        for d, drv in enumerate(spk.drv):
            p = driver_pattern(self, drv, spk.Rm)
            raw = p[:, HORIZONTAL_0].copy()
            self.raw0.append(raw)
            self.D.append(p / raw[:, None])
            t = xo[d] * np.exp(-2j * np.pi * f * spk.resid[d])
            for q in spk.ripple[d]:
                t = t * peaking(f, *q)
            t = t * (cone if d == 0 else np.exp(1j * np.angle(tot)))
            self.T.append(t)
        self.E = []
        for d, drv in enumerate(spk.drv):  # weak edges of the cabinet
            bx, top, bot = spk.box
            p0 = drv["pos"]
            pts = []
            for x in (-bx, bx):
                for dy in (-0.6, 0.0, 0.6):
                    pts.append([x, p0[1] + dy * bx, -0.01])
            for y in (top, -bot):
                for dx in (-0.5, 0.5):
                    pts.append([dx * bx, y, -0.01])
            pts = np.array(pts)
            dist = np.sqrt(((pts - p0) ** 2).sum(1))
            wt = -spk.edge[d] * bx / np.maximum(dist, 0.5 * bx)
            e = points(self, pts, wt, dist / C, spk.Rm)
            s90 = np.abs(self.D[d][:, HORIZONTAL_0 + 9]) ** 0.5
            tau0 = path(p0, spk.Rm)[0][HORIZONTAL_0]
            e = (
                e
                * (
                    hp1(f, 0.16 * C / bx)
                    * s90
                    * np.exp(-((f / 14000) ** 2))
                    * np.exp(2j * np.pi * f * tau0)
                )[:, None]
            )
            self.E.append(e)
        self.fixed = 0
        if port is not None:
            tau, amp = path(spk.portpos, spk.Rm)
            tau0 = path(spk.drv[0]["pos"], spk.Rm)[0][HORIZONTAL_0]
            self.fixed = (
                (self.T[0] / cone * port * lp1(f, 6 * spk.fb))[:, None]
                * amp
                * np.exp(-2j * np.pi * f[:, None] * (tau - tau0))
            )
        self.G = spk.level + spk.tilt * np.log2(f / 1000)
        if spk.vcurve is None:
            c = self.curves(self.power([]))
            dif = c[:, 0] - c[:, 2]
            w = np.exp(-0.5 * (np.arange(-60, 61) / 22.0) ** 2)
            w /= w.sum()
            pad = np.pad(dif, 60, mode="edge")
            spk.vcurve = (np.log(f), np.convolve(pad, w, "valid") * spk.voice)
        self.G = self.G - np.interp(np.log(f), *spk.vcurve)

    def take(self, idx):
        g = Grid()
        g.spk, g.R, g.f, g.S, g.G = self.spk, self.R, self.f[idx], self.S[:, idx], self.G[idx]
        n = int(2 * np.pi * g.f.max() * g.R / C * 1.08 + 22)
        g.S = g.S[:n]
        g.raw0 = [a[idx] for a in self.raw0]
        g.D = [a[idx] for a in self.D]
        g.E = [a[idx] for a in self.E]
        g.T = [a[idx] for a in self.T]
        g.fixed = self.fixed[idx] if isinstance(self.fixed, np.ndarray) else 0
        return g

    def power(self, effects):
        """(|p|^2 (F,72), common dB)"""
        p = None
        gdb = self.G
        for d in range(self.spk.nd):
            t, D, X = self.T[d], self.D[d], self.E[d]
            for e in effects:
                if d in e.get("h", ()):
                    t = t * e["h"][d]
                if d in e.get("D", ()):
                    D = e["D"][d]
            for e in effects:
                if d in e.get("X", ()):
                    X = X + e["X"][d]
            q = (D + X) * t[:, None]
            p = q if p is None else p + q
        p = p + self.fixed
        for e in effects:
            if "g" in e:
                gdb = gdb + e["g"]
        return p.real**2 + p.imag**2, gdb

    def curves(self, pw):
        p, gdb = pw
        return 10 * np.log10(np.maximum(p @ W, 1e-12)) + gdb[:, None]


# ---- defects: each draw returns (nominal f0, build(grid) -> effect)
def dominant(g, f0):
    i = int(np.argmin(np.abs(np.log(g.f / f0))))
    return int(np.argmax([abs(t[i]) for t in g.T])), i


def d_resonance(r, spk, g, qmax):
    f0 = log_uniform(r, 250, 9000)
    q = log_uniform(r, 2.5, qmax)
    gain = log_uniform(r, 1.8, 8.0)
    d, _ = dominant(g, f0)
    how = r.random()
    phi = np.radians(r.uniform(-40, 40)) if r.random() < 0.35 else 0.0
    a = 10 ** (gain / 20) - 1
    H = lambda gg: 1 + a * np.exp(1j * phi) * bp(gg.f, f0, q)
    if how < 0.15 and f0 < 700:  # cabinet wall: own place
        pos = np.array(
            [
                r.choice([-1, 1]) * spk.w / 2 * r.uniform(0, 1),
                spk.drv[d]["pos"][1] + r.uniform(-0.08, 0.08),
                -r.uniform(0.02, 0.1),
            ]
        )
        tau, amp = path(pos, spk.Rm)
        tau0 = path(spk.drv[d]["pos"], spk.Rm)[0][HORIZONTAL_0]

        def build(gg):
            ph = np.exp(-2j * np.pi * gg.f[:, None] * (tau - tau[HORIZONTAL_0])) * amp
            return {"X": {d: (a * np.exp(1j * phi) * bp(gg.f, f0, q))[:, None] * ph}}

        return f0, build
    if how < 0.65:  # one driver
        return f0, lambda gg: {"h": {d: H(gg)}}
    return f0, lambda gg: {"g": db(H(gg))}  # whole speaker


def d_balance(r, spk, g, qmax):
    sign = r.choice([-1, 1])
    u = r.random()
    if u < 0.42:
        f0, gain, S, high = (
            log_uniform(r, 300, 6000),
            sign * r.uniform(2, 5),
            r.uniform(0.4, 1.0),
            r.random() < 0.5,
        )
        return f0, lambda gg: {"g": shelf_db(gg.f, f0, gain, S, high)}
    if u < 0.62:
        f0, sl = log_uniform(r, 500, 2500), sign * r.uniform(0.4, 1.1)
        return f0, lambda gg: {"g": sl * np.log2(np.clip(gg.f, 60, 16000) / f0)}
    if u < 0.85:
        f0, gain, q = log_uniform(r, 300, 7000), sign * r.uniform(2, 4.5), r.uniform(0.25, 0.55)
        return f0, lambda gg: {"g": db(peaking(gg.f, f0, gain, q))}
    k = int(r.integers(len(spk.fx)))  # drivers above a crossover too loud or soft
    a = 10 ** (sign * r.uniform(1.8, 4.5) / 20)
    return spk.fx[k], lambda gg: {
        "h": {d: np.full(len(gg.f), a, complex) for d in range(k + 1, spk.nd)}
    }


def d_shallow(r, spk, g, qmax):
    f0, gain, q = log_uniform(r, 250, 9000), -r.uniform(1.5, 4.0), log_uniform(r, 0.8, 2.3)
    d, _ = dominant(g, f0)
    if r.random() < 0.4:
        return f0, lambda gg: {"h": {d: peaking(gg.f, f0, gain, q)}}
    return f0, lambda gg: {"g": db(peaking(gg.f, f0, gain, q))}


def place_extra(r, g, spk, d, i, src, B, rho, ncyc, spread, gmax):
    """gain and delay so that the second source is rho of the whole and nearly opposite on the
    axis at grid point i"""
    f0 = g.f[i]
    tot = sum(g.T[j][i] * (1 + g.E[j][i, HORIZONTAL_0]) for j in range(spk.nd))
    x = _extra(g, spk, d, src, B, 1.0, 0.0)[i, HORIZONTAL_0] * g.T[d][i] / tot
    delta = np.radians(r.uniform(-spread, spread))
    tau = ((np.angle(x) - np.pi - delta) % (2 * np.pi)) / (2 * np.pi * f0) + ncyc / f0
    a = rho / max(abs(x), 1e-6)
    if a > gmax:
        return None
    return a, tau


def _extra(g, spk, d, src, B, a, tau):
    ref = g.raw0[d] / np.abs(g.raw0[d])  # extra sources run on the clock of their driver
    if "pattern" in src:
        p = src["pattern"](g)
    else:
        p = pattern(g, src, spk.Rm)
        kr = (2 * np.pi * g.f / C * g.R) ** 2
        ref = ref * (1 + 2 * kr) / (1 + kr)  # and with its smooth baffle gain
    return p * (a * B(g.f) * np.exp(-2j * np.pi * g.f * tau) / ref)[:, None]


def d_cancel(r, spk, g, qmax):
    f0 = 250 * 20 ** (r.random() ** 0.7)
    d, i = dominant(g, f0)
    p0 = spk.drv[d]["pos"]
    dep, w = spk.depth, spk.w
    u = r.random()
    src = dict(shrink=0.3, mix=0.2, a=0)
    low = max(-min(spk.h, 1.0), p0[1] - 0.5)
    if u < 0.35:  # rear port or vent
        src["pos"] = np.array([r.uniform(-0.06, 0.06), p0[1] + r.uniform(-0.3, 0.15), -dep])
        src["place"] = np.array([r.uniform(-0.3, 0.3), r.uniform(-0.4, 0.4), -1])
    elif u < 0.6:  # front port
        src["pos"] = np.array([r.uniform(-0.4, 0.4) * w, p0[1] - r.uniform(0.1, 0.45), 0])
        src["place"] = np.array([src["pos"][0] / spk.R * 0.5, -0.4, 1])
        src["a"], src["face"] = r.uniform(0.015, 0.04), Z
    elif u < 0.75:  # back wave round the cabinet
        src["pos"] = np.array([0, p0[1], -r.uniform(0.04, dep)])
        src["place"] = np.array([r.uniform(-0.2, 0.2), r.uniform(-0.2, 0.2), -1])
        src["a"], src["face"] = r.uniform(0.02, 0.06), -Z
    elif u < 0.88:  # side opening or passive radiator
        sd = r.choice([-1.0, 1.0])
        src["pos"] = np.array(
            [sd * w / 2, p0[1] - r.uniform(-0.1, 0.3), -r.uniform(0.2, 0.8) * dep]
        )
        src["place"] = np.array([sd, 0, r.uniform(-0.3, 0.3)])
        src["a"], src["face"] = r.uniform(0.02, 0.07), np.array([sd, 0, 0])
    else:  # second driver, too far away and late
        src["pos"] = np.array(
            [r.uniform(-0.03, 0.03), p0[1] - r.uniform(0.15, 0.6), -r.uniform(0, 0.04)]
        )
        src["place"] = np.array([0, -0.4, 1])
        src["a"], src["face"] = r.uniform(0.02, 0.07), Z
    if r.random() < 0.45:
        q = r.uniform(1.2, min(6, 0.3 * qmax + 2.5))
        fr = f0 * 2 ** r.uniform(-0.1, 0.1)
        B = lambda f: bp(f, fr, q)  # pipe or cabinet mode
    else:
        fl, fh = f0 * r.uniform(0.3, 0.75), f0 * r.uniform(1.3, 3)
        B = lambda f: hp1(f, fl) ** 2 * lp1(f, fh) ** 2  # broad leak
    rho = r.uniform(0.3, 0.8)
    res = place_extra(r, g, spk, d, i, src, B, rho, int(r.random() < 0.25), 35, 3.0)
    if res is None:
        return None
    return f0, lambda gg: {"X": {d: _extra(gg, spk, d, src, B, *res)}}


def d_null(r, spk, g, qmax):
    f0 = 290 * 31 ** (r.random() ** 0.75)
    d, i = dominant(g, f0)
    p0 = spk.drv[d]["pos"]
    lam = C / f0
    ncyc = int(r.choice([0, 1, 2], p=[0.55, 0.35, 0.10])) if qmax > 8 else int(r.random() < 0.25)
    off = min(0.35, lam * r.uniform(0.1, 0.8))  # sideways place of the image
    an = r.uniform(0, 2 * np.pi)
    pos = p0 + np.array([off * np.cos(an), off * np.sin(an), -min(0.06, lam * r.uniform(0, 0.4))])
    ap = lam * r.uniform(0.15, 0.6)  # the reflecting patch has a size: its mirror image beams
    tilt = np.radians(r.uniform(0, 14))
    face = np.array([np.sin(tilt) * np.cos(an), np.sin(tilt) * np.sin(an), np.cos(tilt)])
    cz = U @ face
    s = np.where(cz > 0, np.sqrt(np.maximum(1 - cz**2, 0)), 1.0)
    tau, amp = path(pos, spk.Rm)

    def pat(gg):
        su, inv = np.unique(np.round(s, 9), return_inverse=True)
        x = (2 * np.pi * gg.f / C * ap / (1 + (gg.f / f0 / 1.5) ** 2) ** 0.25)[:, None] * su
        return (
            (0.85 * jinc(x) + 0.15 * jinc(0.4 * x))[:, inv]
            * (0.2 + 0.4 * (1 + cz))
            * amp
            * np.exp(-2j * np.pi * gg.f[:, None] * tau)
        )

    src = {"pattern": pat}
    if r.random() < 0.5:  # patch: too small below, scatters above
        fl, fh = f0 * r.uniform(0.5, 0.95), f0 * r.uniform(1.1, 2.5)
        B = lambda f: hp1(f, fl) ** 2 * lp1(f, fh) ** 2
    else:
        q, fr = r.uniform(0.8, 2.5), f0 * 2 ** r.uniform(-0.15, 0.15)
        B = lambda f: bp(f, fr, q)
    res = place_extra(r, g, spk, d, i, src, B, r.uniform(0.68, 0.97), ncyc, 10, 1e3)
    return f0, lambda gg: {"X": {d: _extra(gg, spk, d, src, B, *res)}}


def d_xphase(r, spk, g, qmax):
    k = int(r.integers(len(spk.fx)))
    fx = spk.fx[k]
    up = range(k + 1, spk.nd)
    u = r.random()
    if u < 0.25:  # polarity
        t = r.uniform(-25, 25) / 360 / fx
        H = lambda f: -np.exp(-2j * np.pi * f * t)
    elif u < 0.75:  # acoustic centres not aligned
        t = r.choice([-1, 1]) * r.uniform(65, 165) / 360 / fx
        H = lambda f: np.exp(-2j * np.pi * f * t)
    else:  # phase of one filter off
        fa = fx * 2 ** r.uniform(-1.2, 1.0)
        if r.random() < 0.5:
            qa = r.uniform(0.4, 1.0)
            H = lambda f: (1 - 1j * f / fa / qa + (1j * f / fa) ** 2) / (
                1 + 1j * f / fa / qa + (1j * f / fa) ** 2
            )
        else:
            t = r.uniform(0, 70) / 360 / fx
            H = lambda f: (1 - 1j * f / fa) / (1 + 1j * f / fa) * np.exp(-2j * np.pi * f * t)
    return fx, lambda gg: {"h": {d: H(gg.f) for d in up}}


def ring_points(r, p0, b, m):
    an = np.linspace(0, 2 * np.pi, m, endpoint=False) + r.uniform(0, 1)
    return np.c_[p0[0] + b * np.cos(an), p0[1] + b * np.sin(an), np.full(m, p0[2])]


def d_step(r, spk, g, qmax):
    u = r.random()
    if u < 0.45:  # a driver too large for its crossover
        c = [k for k in range(len(spk.fx)) if spk.fx[k] >= 600]
        k = int(r.choice(c))
        new = dict(spk.drv[k])
        new["a"] = new["a"] * r.uniform(1.4, 2.6)
        new["shrink"] = r.uniform(0.05, 0.4)

        def build(gg):
            p = driver_pattern(gg, new, spk.Rm)
            return {"D": {k: p / p[:, HORIZONTAL_0 : HORIZONTAL_0 + 1]}}

        return spk.fx[k] * 0.8, build
    if u < 0.62:  # tweeter far wider or narrower than its neighbour
        k = spk.nd - 1
        new = dict(spk.drv[k])
        if new.get("alpha") and r.random() < 0.6:
            new["alpha"], new["a"] = None, spk.dome * r.uniform(0.6, 1.1)
        else:
            new["alpha"], new["a"] = np.radians(r.uniform(24, 38)), 0

        def build(gg):
            p = driver_pattern(gg, new, spk.Rm)
            return {"D": {k: p / p[:, HORIZONTAL_0 : HORIZONTAL_0 + 1]}}

        return spk.fx[-1] * 1.3, build
    if u < 0.82:  # mouth or rim radiates with the driver in some band
        f0 = log_uniform(r, max(700, 0.8 * spk.fx[-1]), 9000)
        k, _ = dominant(g, f0)
        p0 = spk.drv[k]["pos"]
        b = C / f0 * r.uniform(0.3, 0.7)
        pts = ring_points(r, p0, b, 14)
        tau0 = path(p0, spk.Rm)[0][HORIZONTAL_0]
        a = r.uniform(0.4, 1.3) if r.random() < 0.65 else -r.uniform(0.25, 0.45)
        o = r.uniform(0.25, 0.7)

        def build(gg):
            x = (
                points(gg, pts, np.full(14, 1 / 14), np.zeros(14), spk.Rm)
                * (a * gauss(gg.f, f0, o) * np.exp(2j * np.pi * gg.f * tau0))[:, None]
            )
            p = gg.D[k] + x
            return {"D": {k: p / p[:, HORIZONTAL_0 : HORIZONTAL_0 + 1]}}

        return f0, build
    f0 = log_uniform(r, 450, 8000)  # a rear or side radiator in some band
    k, _ = dominant(g, f0)
    p0 = spk.drv[k]["pos"]
    sd = r.choice([-1.0, 1.0])
    side = r.random() < 0.35
    fc = np.array([sd, 0, 0]) if side else -Z
    src = dict(
        pos=np.array([sd * spk.w / 2 if side else 0.0, p0[1], -spk.depth * (0.5 if side else 1)]),
        place=np.array([sd, 0, 0.0]) if side else np.array([0.05, r.uniform(-0.2, 0.2), -1]),
        a=r.uniform(0.008, 0.03),
        face=fc,
        shrink=0.3,
        mix=0.2,
    )
    a, o, tau = r.uniform(0.5, 1.3), r.uniform(0.3, 0.9), r.uniform(0, 0.0006)

    def build(gg):
        p = gg.D[k] + _extra(gg, spk, k, src, lambda f: gauss(f, f0, o), a, tau)
        return {"D": {k: p / p[:, HORIZONTAL_0 : HORIZONTAL_0 + 1]}}

    return f0, build


def d_single(r, spk, g, qmax):
    f0 = log_uniform(r, 1000, 9000)
    d, i = dominant(g, f0)
    p0 = spk.drv[d]["pos"]
    rad = float(np.clip(C / f0 * r.uniform(1.0, 3.0), 0.03, 0.24))
    u = r.random()
    if u < 0.5:  # round rim, faceplate, waveguide lip
        pts = ring_points(r, p0, rad, 22)
        pts[:, :2] += r.normal(size=(22, 2)) * 0.02 * rad
        pts[:, 0] += r.uniform(-0.06, 0.06) * rad
    elif u < 0.8:  # square rim (grille frame)
        t = np.linspace(-0.9, 0.9, 6) * rad
        v = rad * r.uniform(0.9, 1.1)
        q = [[x, y] for x in (-v, v) for y in t] + [[x, y] for y in (-rad, rad) for x in t]
        pts = np.c_[np.array(q) + p0[:2], np.full(24, p0[2] + r.uniform(-0.01, 0.01))]
    else:  # two side edges at the same distance
        t = np.linspace(-1.1, 1.1, 10) * rad
        q = [[x, y] for x in (-rad, rad) for y in t]
        pts = np.c_[np.array(q) + p0[:2], np.full(20, p0[2])]
    dist = np.sqrt(((pts - p0) ** 2).sum(1))
    wt = (rad / dist) / len(pts)
    tau0 = path(p0, spk.Rm)[0][HORIZONTAL_0]
    fl, fh = f0 * r.uniform(0.45, 0.75), f0 * r.uniform(1.4, 2.6)
    c0 = -r.uniform(0.17, 0.5)

    def raw(gg):
        env = np.abs(hp1(gg.f, fl)) ** 3 * np.exp(-((gg.f / fh) ** 2))
        return (
            points(gg, pts, wt, dist / C, spk.Rm)
            * (env * np.exp(2j * np.pi * gg.f * tau0))[:, None]
        )

    x = np.abs(raw(g)[:, HORIZONTAL_0]).max()
    a = c0 / max(x, 0.05)
    return f0, lambda gg: {"X": {d: a * raw(gg)}}


DRAW = {
    "resonance": d_resonance,
    "balance": d_balance,
    "shallow-dip": d_shallow,
    "cancellation": d_cancel,
    "deep-null": d_null,
    "crossover-phase": d_xphase,
    "directivity-step": d_step,
    "single-axis": d_single,
}


def seat(kind, f, c, nominal):
    """where the effect sits; c = (window, in-room, axis)"""
    if kind == "balance":
        return nominal
    m = (f > 242) & (f < 9300)
    y = {
        "directivity-step": np.abs(c[:, 1]),
        "single-axis": np.abs(c[:, 2]),
        "resonance": np.abs(c[:, 0]),
    }.get(kind, -c[:, 0])
    return float(f[m][np.argmax(y[m])])


def fits(kind, f, c, E, F0):
    """is the effect one of its kind; c (F,3), E (F,72) per angle"""
    if not 253 <= F0 <= 8900:
        return False
    m = (f > 200) & (f < 12000)
    w, r, a = c[m].T
    i = int(np.argmin(np.abs(f - F0)))
    pw, pr, pa = np.abs(w).max(), np.abs(r).max(), np.abs(a).max()
    if kind == "resonance":
        return (
            w.max() >= 1.2
            and 0.6 < r.max() / w.max() < 1.6
            and -w.min() < 0.6 * w.max()
            and np.std(E[i, LWI]) < 0.8
        )
    if kind == "balance":
        return (
            np.ptp(w) >= 1.5
            and np.std(E[m][:, LWI], axis=1).max() < 0.9
            and np.abs(np.diff(w)).max() < 0.6
        )
    if kind == "shallow-dip":
        return (
            -4.5 < w.min() <= -1.2
            and w.max() < 0.6
            and r.min() < 0.6 * w.min()
            and np.std(E[i]) < 1.0
        )
    if kind == "cancellation":
        return (
            -12 < w.min() <= -2.1
            and w.max() < min(2.3, -0.55 * w.min())
            and r.min() > 0.85 * w.min()
            and np.std(E[i]) > 1.2
            and E[i].max() > 0.3
        )
    if kind == "deep-null":
        return (
            a.min() < -7
            and w.min() < -3.2
            and w.max() < min(3.4, -0.65 * w.min())
            and np.std(E[i]) > 1.5
            and a[np.argmin(w)] < -5
        )
    if kind == "crossover-phase":
        v = E[i, 36:][np.abs(ANGLES_DEG) <= 60]
        return a.min() < -2.5 and -18 < w.min() < -1.8 and w.max() < 2.0 and np.std(v) > 1.3
    if kind == "directivity-step":
        return (
            1.15 <= pr < 5 and pa < 0.3 and pw < 0.65 * pr and abs(r.sum()) > 0.6 * np.abs(r).sum()
        )
    if kind == "single-axis":
        return 1.3 <= pa < 6 and pw < 0.42 * pa and pw < 1.3 and pr < 0.6 * pa
    raise ValueError(kind)


IDX = np.nonzero((FREQS_HZ > 180) & (FREQS_HZ < 12500))[0][::2]


def effect_curves(g, effs, k):
    full = g.power(effs)
    less = g.power(effs[:k] + effs[k + 1 :])
    c = g.curves(full) - g.curves(less)
    E = (
        10 * np.log10(np.maximum(full[0], 1e-12) / np.maximum(less[0], 1e-12))
        + (full[1] - less[1])[:, None]
    )
    return c, E


def check(g, kind, eff, others, nominal):
    c, E = effect_curves(g, [eff], 0)
    fa = seat(kind, g.f, c, nominal)
    if not fits(kind, g.f, c, E, fa):
        return None
    if others:
        c, E = effect_curves(g, [eff] + others, 0)
        fc = seat(kind, g.f, c, nominal)
        if not fits(kind, g.f, c, E, fc) or abs(np.log2(fc / fa)) > 0.35:
            return None
        fa = fc
    return fa


ORDER = [
    "crossover-phase",
    "directivity-step",
    "cancellation",
    "deep-null",
    "single-axis",
    "shallow-dip",
    "resonance",
    "balance",
]


def make(seed):
    r = np.random.default_rng([int(seed), 48151])
    ppo = int(r.choice([12, 16, 20, 24, 32, 48])) if r.random() < 0.6 else int(r.integers(12, 49))
    qmax = min(14.0, 0.6 * ppo)
    n = int(r.integers(3, 6))
    kinds = [KINDS[i] for i in r.permutation(8)[:n]]
    if r.random() < 0.2:  # twice the same sometimes
        k2 = ["resonance", "shallow-dip", "cancellation"][r.integers(3)]
        kinds[r.integers(n)] = k2
    kinds.sort(key=ORDER.index)
    while True:
        spk = draw_speaker(r, kinds)
        gt = Grid(spk, FREQS_HZ)
        g = gt.take(IDX)
        if np.ptp(g.curves(g.power([]))[(g.f > 250) & (g.f < 10000), 0]) > 3.2:
            continue
        defs = _draw_all(r, spk, g, kinds, qmax)
        if defs is not None:
            break
    order = r.permutation(n)
    return spk, gt, [defs[i] for i in order], ppo, r


def _one(r, spk, g, kind, qmax, others, seats, tries):
    for _ in range(tries):
        d = DRAW[kind](r, spk, g, qmax)
        if d is None:
            continue
        nominal, build = d
        eff = build(g)
        F0 = check(g, kind, eff, others, nominal)
        if F0 is None:
            continue
        if (
            kind != "balance"
            and any(abs(np.log2(F0 / s)) < 0.3 for s in seats)
            and r.random() < 0.65
        ):
            continue
        return [kind, nominal, build, eff, F0]
    return None


def _draw_all(r, spk, g, kinds, qmax):
    defs = []
    for k in kinds:
        d = _one(
            r, spk, g, k, qmax, [x[3] for x in defs], [x[4] for x in defs if x[0] != "balance"], 25
        )
        if d is None:
            return None
        defs.append(d)
    for _ in range(6):  # all must still be of their kind side by side
        bad = -1
        for i, d in enumerate(defs):
            F0 = check(g, d[0], d[3], [x[3] for x in defs if x is not d], d[1])
            if F0 is None:
                bad = i
                break
            d[4] = F0
        if bad < 0:
            return defs
        oth = [x for j, x in enumerate(defs) if j != bad]
        d = _one(
            r,
            spk,
            g,
            defs[bad][0],
            qmax,
            [x[3] for x in oth],
            [x[4] for x in oth if x[0] != "balance"],
            15,
        )
        if d is None:
            return None
        defs[bad] = d
    return None


def smooth_noise(r, F, m, ppo, octs):
    k = max(octs * ppo, 0.3)
    h = int(np.ceil(3 * k))
    w = np.exp(-0.5 * (np.arange(-h, h + 1) / k) ** 2)
    w /= np.sqrt((w**2).sum())
    x = r.normal(size=(F + 2 * h, m))
    out = np.zeros((F, m))
    for j, a in enumerate(w):
        out += a * x[j : j + F]
    return out


def known_speaker(seed):
    spk, gt, defs, ppo, r = make(seed)
    f = np.geomspace(20, 20000, int(round(ppo * np.log2(1000))) + 1)
    gm = Grid(spk, f)
    p, gdb = gm.power([x[2](gm) for x in defs])
    L = 10 * np.log10(np.maximum(p, 1e-10)) + gdb[:, None]
    sig = 0.0 if r.random() < 0.08 else r.uniform(0, 0.5)
    if sig:
        if r.random() < 0.3:
            L += sig * smooth_noise(r, len(f), 72, ppo, r.uniform(0.02, 0.15))
        else:
            L += sig * r.normal(size=L.shape)
    effs = [x[2](gt) for x in defs]
    full, known = gt.curves(gt.power(effs)), []
    for k, x in enumerate(defs):
        c = full - gt.curves(gt.power(effs[:k] + effs[k + 1 :]))
        known.append(KnownDefect(x[0], seat(x[0], FREQS_HZ, c, x[1]), rounded(c.T)))
    healthy = rounded(gt.curves(gt.power([]))[:, 0])
    return KnownSpeaker(f"Simulated box {seed}", f, rounded(L), healthy, known)


def rounded(levels_db):
    """To the places written, without negative zeros."""
    return np.round(levels_db, 4) + 0.0


if __name__ == "__main__":
    run(known_speaker, __doc__, Form(freq=5, defect_hz=1))
