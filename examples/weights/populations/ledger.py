#!/usr/bin/env python3
"""Draw simulated loudspeakers with known defects, measure them at many angles, write down what is
true of them.

The physics is phenomenological. A driver is a complex surface over log frequency and direction: a
smooth trend (beam, shadow of the box, bright spot behind), times the exponential of a complex
Gaussian random field on the sphere whose correlation lengths shrink as the frequency rises and
whose spread grows off axis and in the side lobes, plus a few weak secondary sources at the edges
of the baffle. Drivers are summed with their paths to the microphone and their crossovers. The
designer voices the listening window flat. Defects are minimum-phase factors, factors over
(frequency, direction), and added complex sources whose delay depends on direction.
"""

import sys
from pathlib import Path

sys.dont_write_bytecode = True  # no cache folder in the repository
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from population_tools import (
    ANGLES_DEG,
    FREQS_HZ,
    KINDS,
    Form,
    KnownDefect,
    KnownSpeaker,
    average_weights,
    log_uniform,
    run,
)

import numpy as np
from scipy.special import j0

C = 343.0
F32, C64 = np.float32, np.complex64

# ---- directions and averages (72 columns: horizontal, then vertical)
_r = np.deg2rad(ANGLES_DEG)
DIR = np.zeros((72, 3))  # x right, y up, z to the front
DIR[:36, 0], DIR[:36, 2] = np.sin(_r), np.cos(_r)
DIR[36:, 1], DIR[36:, 2] = np.sin(_r), np.cos(_r)
DIR[np.abs(DIR) < 1e-12] = 0.0
GAM = np.deg2rad(
    np.abs(np.concatenate([ANGLES_DEG, ANGLES_DEG])).astype(float)
)  # angle from the front
HEMI = (1 - np.cos(GAM)) / 2  # 0 in front, 1 behind
SIDE2 = np.concatenate(
    [np.sin(_r) ** 2, -np.sin(_r) ** 2]
)  # +1 at the sides, -1 above and below, 0 in front and behind
H = {int(a): i for i, a in enumerate(ANGLES_DEG)}
V = {int(a): i + 36 for i, a in enumerate(ANGLES_DEG)}
FRONT = H[0]
LWC = np.array([H[a] for a in (-30, -20, -10, 0, 10, 20, 30)] + [V[-10], V[10]])


W3 = np.column_stack(average_weights(sound_power="belts").judged()).astype(F32)
MIR_H = np.concatenate(
    [[H[-a] if a != 180 else H[180] for a in ANGLES_DEG], np.arange(36, 72)]
).astype(int)
MIR_V = np.concatenate(
    [np.arange(36), [V[-a] if a != 180 else V[180] for a in ANGLES_DEG]]
).astype(int)

# ---- random fields: layers of (octaves, chord on the sphere, centre Hz)
LAYERS = ((1.1, 1.3, 150.0), (0.55, 0.75, 700.0), (0.27, 0.42, 2800.0), (0.12, 0.24, 11000.0))


def _angle_factor(l):
    d2 = ((DIR[:, None, :] - DIR[None, :, :]) ** 2).sum(2)
    w, u = np.linalg.eigh(np.exp(-d2 / (2 * l * l)))
    return ((u * np.sqrt(np.clip(w, 0, None))).T).astype(F32)


ANGF = [_angle_factor(l[1]) for l in LAYERS]


class Grid:
    """Frequencies: the 480 of the truth and, where they are no subset of it, those of the
    measurement."""

    def __init__(self, ppo):
        t = 20.0 * 2 ** (np.arange(480) / 48)
        n = int(np.floor(np.log2(1000.0) * ppo + 1e-9)) + 1
        m = 20.0 * 2 ** (np.arange(n) / ppo)
        if 48 % ppo == 0:
            self.f, self.meas = t, np.arange(n) * (48 // ppo)
        else:
            self.f, self.meas = np.concatenate([t, m]), 480 + np.arange(n)
        self.fm = m
        self.x = np.log2(self.f / 20.0)
        self.om = 2 * np.pi * self.f
        self.omc = self.om.astype(F32)[:, None]
        x = self.x
        lf = np.log2(self.f)
        amp = np.stack([np.exp(-(((lf - np.log2(l[2])) / 1.6) ** 2)) for l in LAYERS])
        amp[0] += 0.2
        amp /= np.sqrt((amp**2).sum(0))
        self.basis, self.nb = [], []
        for a, (lx, _, _) in zip(amp, LAYERS):
            cen = np.arange(-lx, 10 + 1.5 * lx, 0.8 * lx)
            b = np.exp(-(((x[:, None] - cen) / lx) ** 2))
            b /= np.sqrt((b**2).sum(1))[:, None]
            b *= a[:, None]
            keep = np.abs(b).max(0) > 0.02
            self.basis.append(b[:, keep])
            self.nb.append(int(keep.sum()))
        self.basis = np.concatenate(self.basis, 1).astype(F32)

    def fields(self, rng, count):
        """count independent fields of unit variance, (count, F, 72)"""
        z = [
            (rng.standard_normal((nb * count, 72), dtype=F32) @ a).reshape(nb, count * 72)
            for nb, a in zip(self.nb, ANGF)
        ]
        out = self.basis @ np.concatenate(z, 0)
        return out.reshape(len(self.f), count, 72).transpose(1, 0, 2)


_GRIDS = {}
T = slice(0, 480)


def grid(ppo):
    if ppo not in _GRIDS:
        _GRIDS[ppo] = Grid(ppo)
    return _GRIDS[ppo]


def _smoother():
    i = np.arange(480)
    k = np.exp(-0.5 * ((i[:, None] - i) / 7.0) ** 2)
    return k / k.sum(1)[:, None]


SMOOTH = _smoother()

# ---------------------------------------------------------------- small helpers


def expi(ph):
    ph = np.asarray(ph, F32)
    out = np.empty(ph.shape, C64)
    out.real = np.cos(ph)
    out.imag = np.sin(ph)
    return out


def cexp(re, im):
    out = expi(im)
    out *= np.exp(np.asarray(re, F32))
    return out


def pick(rng, seq):
    return seq[int(rng.integers(len(seq)))]


def bandpass(f, f0, q):
    x = f / f0
    return (1j * x / q) / (1 - x * x + 1j * x / q)


def peak(f, f0, q, db):
    """Minimum-phase bump (poles of quality q) or dip (zeros of quality q)."""
    g = 10 ** (abs(db) / 20)
    h = 1 + (g - 1) * bandpass(f, f0, q)
    return h if db >= 0 else 1 / h


def lowpass(f, fc, order):
    s = 1j * f / fc
    return 1 / (1 + s) ** 2 if order == 2 else 1 / (1 + np.sqrt(2) * s + s * s) ** 2


def highpass(f, fc, order):
    s = 1j * f / fc
    return -s * s / (1 + s) ** 2 if order == 2 else s**4 / (1 + np.sqrt(2) * s + s * s) ** 2


def ramp(x):
    return 0.5 * (1 + np.tanh(x))


def db10(p):
    return 10 * np.log10(np.maximum(p, 1e-12))


# ---------------------------------------------------------------- the healthy speaker


class Speaker:
    def paths(self, pos):
        """Path to the microphone beyond that of the origin (m) and gain of distance."""
        d = np.sqrt(((self.dist * DIR - np.asarray(pos)) ** 2).sum(1))
        return d - self.dist, self.dist / d

    def excess(self, pos):
        """Path relative to its own value in front."""
        p, _ = self.paths(pos)
        return p - p[FRONT]

    def dominant(self, f0):
        i = int(np.argmin(np.abs(self.g.f[T] - f0)))
        return int(np.argmax([abs(u[i]) for u in self.u]))


def draw_speaker(rng, kinds):
    sp = Speaker()
    ppo = pick(rng, (12, 16, 24, 36, 48))
    sp.ppo, sp.g = ppo, grid(ppo)
    g, f = sp.g, sp.g.f
    sp.dist = pick(rng, (1.0, 1.5, 2.0, 2.0, 3.0, 4.0, 20.0, 20.0, 20.0))
    xo = "crossover-phase" in kinds
    ways = int(rng.choice([1, 2, 3], p=[0.0, 0.62, 0.38] if xo else [0.12, 0.54, 0.34]))
    layout = rng.choice(
        ["stack", "offset", "mtm", "wide", "coax"],
        p=[0.5, 0.22, 0.16, 0.12, 0.0] if xo else [0.44, 0.18, 0.12, 0.04, 0.22],
    )
    if ways == 1:
        layout = "stack"
    order = lambda: int(pick(rng, (2, 4, 4)))
    drv = []  # [name, radius, positions, transfer]
    rt = rng.uniform(0.009, 0.020)
    if ways == 1:
        rw = rng.uniform(0.03, 0.05)
        sp.xover = []
        drv.append(["full", rw, [(0, 0, 0)], np.ones(len(f), complex)])
    elif ways == 2:
        rw = log_uniform(rng, 0.04, 0.11)
        hi = min(4000.0, 1.5 * C / (2 * np.pi * rw) * 2.2)
        fc, o = log_uniform(rng, max(1000.0, min(1300.0, hi * 0.6)), max(hi, 1500.0)), order()
        sp.xover = [(fc, o)]
        drv.append(["woofer", rw, None, lowpass(f, fc, o)])
        drv.append(["tweeter", rt, [(0, 0, 0)], highpass(f, fc, o)])
    else:
        rw, rm = log_uniform(rng, 0.065, 0.16), log_uniform(rng, 0.025, 0.065)
        f1, f2 = log_uniform(rng, 270, 700), log_uniform(
            rng, 1900, np.clip(C / (1.2 * rm + 0.05), 2300, 4500)
        )
        o1, o2 = order(), order()
        sp.xover = [(f1, o1), (f2, o2)]
        drv.append(["woofer", rw, None, lowpass(f, f1, o1)])
        drv.append(["mid", rm, None, highpass(f, f1, o1) * lowpass(f, f2, o2)])
        s2 = 1 if o1 == 4 else -1  # keeps the tweeter in the mid's polarity
        drv.append(["tweeter", rt, [(0, 0, 0)], s2 * highpass(f, f2, o2)])
    wg = ways > 1 and rng.random() < 0.35
    sp.face = rng.uniform(0.035, 0.05) if not wg else rng.uniform(0.06, 0.11)
    y = 0.0
    for i in range(len(drv) - 2, -1, -1):
        name, a = drv[i][0], drv[i][1]
        inner = layout == "coax" and i == len(drv) - 2
        gap = rng.uniform(0.005, 0.03)
        prev = sp.face if i == len(drv) - 2 else drv[i + 1][1] * 1.2
        y = 0.0 if inner else y + prev + 1.2 * a + gap
        xs = rng.uniform(-0.06, 0.06) if layout == "offset" else 0.0
        if layout == "mtm" and not inner:
            drv[i][2] = [(0, y, 0), (0, -y, 0)]
        elif layout == "wide" and i == 0:
            drv[i][2] = [(min(y, 0.17), 0, 0), (-min(y, 0.17), 0, 0)]
        else:
            drv[i][2] = [(xs, -y, 0)]
    sp.layout, sp.drv = layout, drv
    sp.wid = max(2.3 * rw, 0.11) + rng.uniform(0.0, 0.10)
    sp.low = y + 1.3 * rw + rng.uniform(0.03, 0.5)  # baffle below the reference axis
    sp.top = rng.uniform(0.06, 0.14) + (y if layout == "mtm" else 0)
    sp.deep = sp.wid * rng.uniform(0.9, 1.7)
    shift = rng.uniform(-0.35, 0.35) * sp.wid if layout == "offset" else rng.uniform(-0.01, 0.01)
    sp.left, sp.right = -sp.wid / 2 + 0.6 * shift, sp.wid / 2 + 0.6 * shift
    # trends shared by the drivers
    fbh, fbv = 115 / sp.wid, 115 / max(sp.wid, 0.7 * (sp.low + sp.top))
    fb = np.sqrt(fbh * fbv) * np.exp(0.5 * np.log(fbh / fbv) * SIDE2)
    r = f[:, None] / fb
    steep = rng.uniform(7.5, 10.0)
    limit = rng.uniform(25, 34)
    loss = limit * np.tanh(steep * np.log2(1 + 0.6 * r) / limit) * HEMI ** rng.uniform(0.95, 1.4)
    wb = np.deg2rad(np.clip(28 / np.sqrt(np.maximum(r, 0.2)), 7, 50))
    loss -= rng.uniform(1.5, 4.5) * r / (1 + r) * np.exp(-(((np.pi - GAM) / wb) ** 2))
    if rng.random() < 0.08:  # a box with cardioid bass and mid
        loss += (
            rng.uniform(6, 11)
            * HEMI
            * (ramp((np.log2(f / 110)) * 2) * ramp(-np.log2(f / rng.uniform(500, 900)) * 2))[
                :, None
            ]
        )
    sin_g = np.sin(np.minimum(GAM, np.pi / 2))
    lf = ramp(np.log2(f / 900) * 0.8)[:, None]
    messy = rng.uniform(0.7, 1.35)
    asym = rng.uniform(0.05, 0.3) if layout not in ("offset",) else rng.uniform(0.5, 1.4)
    round_f = log_uniform(rng, 2500, 25000)
    edge_a = rng.uniform(0.04, 0.12)
    stray = rng.uniform(27, 38)
    P, trend = [], []
    for name, a, pos, X in drv:
        ka = g.om[:, None] * a / C
        kc, qd = rng.uniform(2.6, 5.0), (
            rng.uniform(0.1, 0.3) if ways > 1 else rng.uniform(0.3, 0.42)
        )
        xx = ka / (1 + (ka / kc) ** 2) ** qd * sin_g
        main = np.exp(-xx * xx / 4)
        if name == "tweeter" and wg:  # wide mouth: constant beam above a corner
            gc = np.deg2rad(rng.uniform(42, 62) + rng.uniform(-8, 8) * SIDE2)
            fw = rng.uniform(0.25, 0.5) * C / sp.face
            main = np.minimum(main, 1) * np.exp(
                -1.38 * np.minimum(GAM / gc, 2.0) ** 2 * ramp(np.log2(f / fw) * 1.5)[:, None]
            )
        side = rng.uniform(0.015, 0.05) * xx * xx / (1 + xx * xx) / (1 + xx / 3) ** 3
        dbs = db10(
            (main + side) * 10 ** (-loss / 10) + 10 ** (-stray / 10) * HEMI
        )  # what the room of the test and the box scatter
        trend.append(dbs.astype(F32))
        env = messy * (0.10 + 2.1 * HEMI**0.8) * (0.3 + 0.7 * lf) + 0.055 * np.minimum(
            -np.minimum(dbs, 0), 25
        )
        z = g.fields(rng, 2)
        bm = (1 - asym / 2) / np.hypot(1, 1 - asym / 2)
        am = np.sqrt(1 - bm * bm)
        z = am * z + bm * z[:, :, MIR_H]
        if layout in ("mtm", "coax"):
            z = 0.8 * z + 0.6 * z[:, :, MIR_V]
        z *= 0.85
        lin = 1 / 8.686
        body = 0
        for q in pos:
            p, gd = sp.paths(q)
            body = body + gd.astype(F32) * expi(-g.omc * ((p - p[FRONT]) / C).astype(F32))
        body = body * (1 / len(pos))
        body *= cexp((dbs + env * z[0]) * lin, np.minimum(0.75 * env * lin, 0.6) * z[1])
        q = pos[0]
        base = sp.paths(q)[0][FRONT]
        for e, nrm in (
            ((sp.left, q[1], 0), (-1, 0, 0)),
            ((sp.right, q[1], 0), (1, 0, 0)),
            ((q[0], sp.top, 0), (0, 1, 0)),
        ):
            b = max(np.hypot(e[0] - q[0], e[1] - q[1]), 0.02)
            if b > 0.5:
                continue
            xr = (f * 4 * b / C) ** 2
            mag = (
                edge_a
                * rng.uniform(0.5, 1.3)
                * xr
                / (1 + xr)
                / np.sqrt(1 + (f / round_f) ** 2)
                / (1 + (ka[:, 0] / 2.5) ** 2)
            )
            pat = (0.5 + 1.0 * np.maximum(DIR @ np.array(nrm), 0)) * (1 - 0.75 * HEMI**2)
            p, _ = sp.paths(e)
            body -= (mag[:, None] * pat).astype(F32) * expi(
                -g.omc * ((p - base + b) / C).astype(F32)
            )
        P.append(body * X.astype(C64)[:, None])
    # voicing: the listening window follows the target but for a little of its fine ripple
    fcorner = log_uniform(rng, 30, 120)
    s = 1j * f / fcorner
    if rng.random() < 0.55:
        hp = s**4 / ((s * s + s * 0.7654 * rng.uniform(0.9, 1.1) + 1) * (s * s + s * 1.8478 + 1))
    else:
        hp = s * s / (s * s + s / rng.uniform(0.62, 0.9) + 1)
    oct1k = np.log2(f / 1000)
    target = 20 * np.log10(np.abs(hp)) + rng.uniform(-0.12, 0.09) * np.clip(oct1k, -4, 4.5)
    target -= rng.uniform(0, 1.5) * np.maximum(0, np.log2(f / 12000)) ** 2
    tot = sum(P)
    lw = db10((np.abs(tot[:, LWC].astype(complex)) ** 2).mean(1))
    sm = SMOOTH @ lw[T]
    res = lw[T] - sm
    lim = rng.uniform(0.2, 0.5)
    cor = -sm - (res - lim * np.tanh(res / lim))
    if len(f) > 480:
        cor = np.concatenate([cor, np.interp(g.x[480:], g.x[T], cor)])
    vo = 10 ** ((cor + target) / 20)
    sp.P = [(p * vo.astype(F32)[:, None]).astype(C64) for p in P]
    sp.u = [(d[3] * vo).astype(C64) for d in drv]
    sp.tot = sum(sp.P)
    sp.Plw = [np.ascontiguousarray(p[:, LWC]) for p in sp.P]
    pw = sp.tot.real**2 + sp.tot.imag**2
    sp.base = pw[T] @ W3
    sp.corner, sp.trend = fcorner, trend
    sp.ref = 85 + rng.normal(0, 1.5)
    return sp


# ---------------------------------------------------------------- defects


class Defect:
    """M: {driver: factor(F)}; G: [(driver, log factor (F,72), s)]; S: (s, A (F,72), drivers
    that feed it); V: real factor (F)."""

    def __init__(self, M=None, G=(), S=None, V=None):
        self.M, self.G, self.S, self.V = M or {}, G, S, V


def total(sp, defs, cols=None):
    cut = (lambda a: a) if cols is None else (lambda a: a[:, cols] if a.shape[1] > 1 else a)
    P = sp.P if cols is None else (sp.Plw if cols is LWC else [p[:, cols] for p in sp.P])
    m = [None] * len(P)
    for d in defs:
        for i, v in d.M.items():
            m[i] = v if m[i] is None else m[i] * v
    out = None
    for i, p in enumerate(P):
        q = p
        if m[i] is not None:
            q = q * np.asarray(m[i], C64)[:, None]
        for d in defs:
            for j, gam, s in d.G:
                if j == i:
                    gg = cut(gam) * F32(s)
                    q = q * (np.exp(gg) if not np.iscomplexobj(gg) else cexp(gg.real, gg.imag))
        out = q if out is None else out + q
    for d in defs:
        if d.S is not None:
            s, A, feed = d.S
            w = sum(sp.u[i] if m[i] is None else sp.u[i] * m[i] for i in feed)
            out = out + cut(A) * (s * w).astype(C64)[:, None]
    for d in defs:
        if d.V is not None:
            out = out * d.V.astype(F32)[:, None]
    return out


def power(sp, defs):
    t = total(sp, defs)
    return (t.real**2 + t.imag**2)[T] @ W3, t


def solve(sp, make, want, cols, lo, hi, sign, steps=7):
    """Strength at which the largest effect of that sign, on the mean over cols, is as wanted
    (dB); None where it can't be."""
    ref = sp.base[:, 0 if cols is LWC else 2]

    def eff(s):
        t = total(sp, [make(s)], cols)[BAND]
        d = db10((t.real**2 + t.imag**2).mean(1) / ref[BAND])
        return float(np.abs(d).max() if sign == 0 else (sign * d).max())

    eh = eff(hi)
    if eh < want * 0.8:
        return None
    if eh < want:
        return hi
    for _ in range(steps):
        m = 0.5 * (lo + hi)
        if eff(m) < want:
            lo = m
        else:
            hi = m
    return 0.5 * (lo + hi)


BAND = np.flatnonzero((FREQS_HZ > 200) & (FREQS_HZ < 10500))
INNER = np.flatnonzero((FREQS_HZ > 250) & (FREQS_HZ < 9000))
ONE = np.array([FRONT])


def rough(sp, rng, mag, ph):
    z = sp.g.fields(rng, 2)
    env = (0.25 + 0.9 * HEMI).astype(F32)
    return cexp(mag * env * z[0], ph * env * z[1])


def delayed(sp, metres, extra=0.0):
    return expi(-sp.g.omc * ((metres + extra) / C).astype(F32))


def shade(sp, d, share):
    """A part of the driver's own falling off with the angle, for what rides on it (its box, its
    flank, its reflection)."""
    return np.exp(F32(share / 8.686) * sp.trend[d])


def d_resonance(sp, rng, near=None):
    f = sp.g.f
    f0 = (
        log_uniform(rng, 250, 9000)
        if near is None
        else near * 2 ** (pick(rng, (-1, 1)) * rng.uniform(0.12, 0.5))
    )
    q = log_uniform(rng, 1.5, 12)
    sign = -1 if rng.random() < 0.1 else 1
    if sign < 0:
        q = max(q, 4.0)
    want = 1.5 + 4.5 * rng.beta(1.2, 1.6)
    d = sp.dominant(f0)
    form = pick(rng, ("driver", "driver", "all", "pair", "twin", "shell"))
    if form == "all":
        make = lambda s: Defect(V=np.abs(peak(f, f0, q, sign * s)))
    elif form == "pair":  # a peak with the dip of the edge beside it
        f1, part = f0 * 2 ** (rng.uniform(0.2, 0.5) * pick(rng, (-1, 1))), rng.uniform(0.2, 0.45)
        make = lambda s: Defect(M={d: peak(f, f0, q, sign * s) * peak(f, f1, q, -sign * part * s)})
    elif form == "twin":  # two modes side by side
        f1, part = f0 * 2 ** rng.uniform(0.12, 0.35), rng.uniform(0.4, 0.8)
        make = lambda s: Defect(M={d: peak(f, f0, q, sign * s) * peak(f, f1, q, sign * part * s)})
    elif form == "shell":  # radiates a little more to one side than to another
        v = rng.normal(size=3)
        pat = (1 + rng.uniform(0.1, 0.35) * (DIR @ (v / np.linalg.norm(v)))).astype(F32)
        make = lambda s: Defect(
            G=[(d, np.log(peak(f, f0, q, sign * s)).astype(C64)[:, None] * pat, 1.0)]
        )
    else:
        make = lambda s: Defect(M={d: peak(f, f0, q, sign * s)})
    s = solve(sp, make, want, LWC, 0.0, 9.0, sign)
    return None if s is None else make(s)


def d_balance(sp, rng, near=None):
    f = sp.g.f
    f0 = log_uniform(rng, 250, 9000)
    size = rng.uniform(1.5, 4.0) * pick(rng, (-1, 1))
    lx = np.log2(f / f0)
    form = pick(rng, ("shelf", "tilt", "bump", "bump", "step", "level"))
    if form == "level" and len(sp.P) > 1:
        d = int(rng.integers(len(sp.P)))
        return Defect(M={d: np.full(len(f), 10 ** (size / 20), complex)})
    if form == "tilt":
        a, b = log_uniform(rng, 150, 500), log_uniform(rng, 5000, 12000)
        t = np.log2(np.clip(f, a, b) / a) / np.log2(b / a)
        curve = size * (
            np.convolve(np.pad(t[T], 12, "edge"), np.ones(25) / 25, "valid") - rng.uniform(0, 0.4)
        )
        if len(f) > 480:
            curve = np.concatenate([curve, np.interp(sp.g.x[480:], sp.g.x[T], curve)])
    elif form == "bump":
        w = rng.uniform(0.75, 1.7)
        curve = size * np.exp(-np.abs(lx / w) ** rng.uniform(1.7, 3.0))
    elif form == "step":  # baffle step too much or too little made good
        fs = 115 / sp.wid * rng.uniform(0.8, 1.3)
        x2 = (f / fs) ** 2
        curve = size * pick(rng, (x2 / (1 + x2), 1 / (1 + x2)))
    else:
        up = pick(rng, (-1, 1))
        curve = size * ramp(up * lx * rng.uniform(0.8, 1.6))
    return Defect(V=10 ** (curve / 20))


def d_shallow(sp, rng, near=None):
    f = sp.g.f
    f0, q = log_uniform(rng, 250, 9000), log_uniform(rng, 0.5, 2.5)
    want = rng.uniform(1.5, 4.0)
    d = sp.dominant(f0)
    form = pick(rng, ("all", "driver", "driver", "flat", "skew"))
    lx = np.log2(f / f0)
    w = 1.44 * np.arcsinh(1 / (2 * q))
    if form == "all":
        make = lambda s: Defect(V=np.abs(peak(f, f0, q, -s)))
    elif form == "flat":  # a gap between two filters: round or flat bottom
        e = rng.uniform(1.6, 3.2)
        make = lambda s: Defect(V=10 ** (-s * np.exp(-np.abs(lx / w) ** e) / 20))
    elif form == "skew":  # two unequal dips, the cone and its surround
        f1, part = f0 * 2 ** (rng.uniform(0.4, 0.8) * pick(rng, (-1, 1))), rng.uniform(0.3, 0.6)
        make = lambda s: Defect(
            M={d: peak(f, f0, q, -s) * peak(f, f1, min(2.5, 1.5 * q), -s * part)}
        )
    else:
        make = lambda s: Defect(M={d: peak(f, f0, q, -s)})
    s = solve(sp, make, want, LWC, 0.0, 9.0, -1)
    return None if s is None else make(s)


def d_cancel(sp, rng, near=None):
    f = sp.g.f
    form = pick(
        rng,
        ("front port", "rear port", "low port", "panel", "cone", "cone", "cone", "cone", "leak"),
    )
    want = 3 + 12 * rng.beta(1.1, 1.7)
    cone = form == "cone"
    f0 = log_uniform(rng, 300, 1500)
    d = sp.dominant(f0)
    if cone:  # where the ring is large against the wave
        d = int(rng.integers(len(sp.drv)))
        ring = sp.drv[d][1] * rng.uniform(0.75, 1.05)
        f0 = log_uniform(rng, 1.9, 4.5) * C / (2 * np.pi * ring)
        if not 500 < f0 < 9000:
            return None
        i = int(np.argmin(np.abs(f[T] - f0)))
        if abs(sp.u[d][i]) < 0.55 * abs(sp.tot[i, FRONT]):
            return None
    q0 = sp.drv[d][2][0]
    e = rng.uniform(-0.6, 0.6)
    if form == "front port":
        pos = (
            rng.uniform(-0.5, 0.5) * sp.wid * (rng.random() < 0.5),
            -sp.low * rng.uniform(0.5, 1.0),
            0,
        )
        E, q = 10 ** (rng.uniform(-2, 1) * HEMI / 20), log_uniform(rng, 1.5, 8)
        path = sp.excess(pos)
    elif form == "rear port":
        pos = (rng.uniform(-0.3, 0.3) * sp.wid, -sp.low * rng.uniform(-0.1, 0.8), -sp.deep)
        E, q = 10 ** (rng.uniform(2, 7) * HEMI / 20), log_uniform(rng, 1.2, 6)
        path = sp.excess(pos) * rng.uniform(0.8, 1.1)
    elif form == "low port":
        pos = (0, -sp.low - 0.03, -sp.deep * rng.uniform(0.2, 0.7))
        down = np.maximum(0, -DIR[:, 1])
        E, q = 10 ** ((rng.uniform(1, 5) * down + rng.uniform(0, 3) * HEMI) / 20), log_uniform(
            rng, 1.2, 7
        )
        path = sp.excess(pos)
    elif form == "panel":
        side = pick(rng, (-1.0, 1.0))
        lop = rng.uniform(0, 1)  # 0 both side walls alike, 1 only one
        pos = (side * lop * sp.wid / 2, -rng.uniform(0, 0.6) * sp.low, -sp.deep / 2)
        sd = DIR[:, 0] * side
        E = 1 + rng.uniform(0.4, 1.3) * (
            (1 - lop) * np.abs(sd) + lop * np.clip(sd + 0.3 * np.abs(sd), 0, None)
        )
        q, path = log_uniform(rng, 1.5, 8), sp.excess(pos)
    elif form == "leak":  # rear wave of the driver through the box, no sharp mode
        pos = (q0[0], q0[1], -sp.deep * rng.uniform(0.4, 1.0))
        E, q, path = (
            10 ** (rng.uniform(0, 5) * HEMI / 20),
            log_uniform(rng, 0.9, 2.0),
            sp.excess(pos),
        )
    if cone:  # a ring of the cone runs against the rest
        k = (sp.g.om / C)[:, None]
        pat = j0(k * ring * np.sin(np.minimum(GAM, np.pi / 2))) * (1 - 0.6 * HEMI)
        A = pat.astype(C64) * delayed(sp, sp.excess(q0)) * shade(sp, d, 0.3)
        q = log_uniform(rng, 1.5, 6)
    else:
        A = E.astype(F32) * delayed(sp, path)
        if form in ("front port", "low port", "panel"):
            A *= shade(sp, d, rng.uniform(0.2, 0.6))
    A *= rough(sp, rng, 0.22, 0.3)
    A *= (-bandpass(f, f0, q) * np.exp(1j * e)).astype(C64)[:, None]
    i = int(np.argmin(np.abs(f[T] - f0)))
    uu = sp.u[d]
    A *= C64(
        np.exp(1j * np.angle(sp.tot[i, FRONT] / uu[i]))
    )  # against the front, whatever the crossover's phase
    make = lambda s: Defect(S=(s, A, (d,)))
    s = solve(sp, make, want, LWC, 0.0, 1.6, -1)
    return None if s is None else make(s)


def d_null(sp, rng, near=None):
    f = sp.g.f
    form = pick(rng, ("shelf", "wall", "two drivers", "horn", "open back"))
    want = 6 + 19 * rng.beta(1.0, 1.6)
    feed = tuple(range(len(sp.P)))
    f0 = {
        "shelf": lambda: log_uniform(rng, 300, 2500),
        "wall": lambda: log_uniform(rng, 250, 2000),
        "two drivers": lambda: log_uniform(rng, 400, 5000),
        "horn": lambda: log_uniform(rng, 900, 8000),
        "open back": lambda: log_uniform(rng, 300, 1800),
    }[form]()
    lam = C / f0
    lo, hi = 0.4, 2.3
    half, pol = lam / 2, 1.0
    E = np.ones(72)
    if form == "shelf":  # surface below or above: image in it
        u = np.array([rng.normal(0, 0.15), pick(rng, (-1, -1, 1)), rng.normal(0, 0.2)])
        pos = u * half * rng.uniform(0.2, 0.9)
        E = 1 - 0.5 * HEMI + 0.3 * np.abs(DIR[:, 1])
    elif form == "wall":  # something upright beside or behind
        u = np.array([pick(rng, (-1, 1)), rng.normal(0, 0.2), -abs(rng.normal(0, 0.8))])
        u /= np.linalg.norm(u)
        pos = u * half * rng.uniform(0.3, 0.9)
        E = 1 - 0.4 * np.clip(DIR @ u, -1, 1)
    elif form == "two drivers":  # the same band from two places, one late
        ax = pick(rng, (0, 0, 1))
        pos = np.zeros(3)
        pos[ax] = pick(rng, (-1, 1)) * min(rng.uniform(0.25, 0.9) * lam, 0.5)
        pos[2] = -rng.uniform(0, 0.5) * half
        E = 1 - 0.7 * HEMI * ramp(np.log2(f0 / 800))
        d = sp.dominant(f0)
        feed = (d,)
        hi = 3.0
    elif form == "horn":  # wave sent back at the mouth and again at the throat
        pos = np.array([rng.normal(0, 0.1), rng.normal(0, 0.1), -0.4]) * half
        E = (1 + rng.uniform(0, 0.6) * (np.sin(GAM) ** 2)) * (1 - 0.7 * HEMI)
        feed = (sp.dominant(f0),)
        lo, hi = 0.7, 1.5
    else:  # rear wave, reversed, a full wave late
        pos = np.array([rng.normal(0, 0.08), rng.normal(0, 0.08), -rng.uniform(0.4, 0.8)]) * lam
        half, pol = lam, -1.0
        E = 10 ** (rng.uniform(0, 4) * HEMI / 20)
    lx = f / f0
    band = (lx / lo) ** 2 / (1 + (lx / lo) ** 2) / (1 + (lx / hi) ** 4) ** 0.5
    band = band / ((1 / lo) ** 2 / (1 + (1 / lo) ** 2) / (1 + (1 / hi) ** 4) ** 0.5)
    deep = (want - 6) / 19  # the deepest stand still the longest
    pos, E = pos * (1 - 0.8 * deep), E / E[FRONT]
    A = E.astype(F32) * delayed(sp, sp.excess(pos), half)
    A *= shade(
        sp,
        sp.dominant(f0),
        {"horn": 0.8, "two drivers": 0.8, "open back": 0.2}.get(form, rng.uniform(0.3, 0.7)),
    )
    A *= rough(sp, rng, 0.15 * (1 - 0.6 * deep), 0.2 * (1 - 0.6 * deep))
    A *= (pol * band).astype(C64)[:, None]
    if len(feed) == 1:
        i = int(np.argmin(np.abs(f[T] - f0)))
        A *= C64(np.exp(1j * np.angle(sp.tot[i, FRONT] / sp.u[feed[0]][i])))
    make = lambda s: Defect(S=(s, A, feed))
    s = solve(sp, make, want, LWC, 0.0, 1.15, -1)
    return None if s is None else make(s)


def d_xphase(sp, rng, near=None):
    f, om = sp.g.f, sp.g.om
    j = int(rng.integers(len(sp.xover)))
    fc, _ = sp.xover[j]
    up = list(range(j + 1, len(sp.P)))  # everything above this crossover shifts together
    want = 2 + 10 * rng.beta(1.1, 1.5)
    form = pick(rng, ("polarity", "delay", "early", "allpass", "set back"))
    lx = np.log2(f / fc)
    if form == "polarity":  # reversed, and not quite square over frequency
        tw = rng.uniform(-0.5, 0.5)
        make = lambda s: Defect(M={i: np.exp(1j * s * (1 + tw * np.tanh(lx))) for i in up})
        top = 3.4
    elif form in ("delay", "early"):
        sg = -1 if form == "delay" else 1
        make = lambda s: Defect(M={i: np.exp(1j * sg * s * f / fc) for i in up})
        top = 3.3
    elif form == "allpass":  # filters whose phases do not track
        q, fa = rng.uniform(0.4, 1.3), fc * 2 ** rng.uniform(-0.25, 0.25)
        x = f / fa
        ph = -2 * np.arctan2(x / q, 1 - x * x)
        make = lambda s: Defect(M={i: np.exp(1j * s * ph) for i in up})
        top = 1.1
    else:  # set back in depth, or stepped baffle: the delay goes with the angle
        dep = np.cos(GAM) * rng.uniform(0.6, 1.0) + rng.uniform(0.0, 0.3)
        gam = (-1j * (f / fc)[:, None] * (dep / dep[FRONT])).astype(C64)
        make = lambda s: Defect(G=[(i, gam, s) for i in up])
        top = 3.3
    s = solve(sp, make, want, LWC, 0.0, top, -1)
    if s is None:
        return None
    return make(s)


def d_step(sp, rng, near=None):
    f = sp.g.f
    want = 1.5 + 3.5 * rng.beta(1.1, 1.6)
    form = pick(
        rng,
        (
            "beams",
            "beams",
            "beams",
            "wide after",
            "pinch",
            "pinch",
            "stays",
            "one plane",
            "one plane",
            "spill",
        ),
    )
    if len(sp.P) == 1 and form in ("beams", "wide after"):
        form = "pinch"
    near_side = (
        rng.uniform(0.14, 0.30)
        if form in ("beams", "pinch", "one plane")
        else rng.uniform(0.2, 0.45)
    )
    pat = np.tanh(
        (HEMI / near_side) ** rng.uniform(0.9, 1.25)
    )  # the sides first, no endless hole behind
    tilt = rng.uniform(0.6, 1.0) if form == "one plane" else rng.uniform(-0.15, 0.3)
    pat = pat * np.maximum(0.05, 1 + tilt * pick(rng, (1, 1, -1)) * SIDE2)
    if sp.layout == "offset":
        pat = pat * (1 + rng.uniform(-0.35, 0.35) * DIR[:, 0])
    drivers = list(range(len(sp.P)))
    if form in ("beams", "wide after"):
        j = len(sp.xover) - 1 if rng.random() < 0.75 else 0
        fc = sp.xover[j][0]
        lx = np.log2(f / fc)
        if form == "beams":  # the crossover itself ends it
            b, sg, drivers = (
                ramp((lx + rng.uniform(0.3, 0.7)) * rng.uniform(1.5, 3.0))
                + 0.25 * np.clip(lx + 1, 0, 2),
                -1,
                [j],
            )
        else:
            b, sg, drivers = (
                np.exp(-((np.clip(lx, 0, None) / rng.uniform(0.7, 1.3)) ** 2)),
                1,
                [j + 1],
            )
            if j + 2 < len(sp.P) and rng.random() < 0.5:
                drivers.append(j + 2)
    else:
        f0 = log_uniform(rng, 600, 8000) if form != "spill" else log_uniform(rng, 300, 3000)
        lx = np.log2(f / f0)
        wl, wr = rng.uniform(0.3, 0.8), rng.uniform(0.3, 0.8)
        b = np.exp(-((lx / np.where(lx < 0, wl, wr)) ** 2))
        sg = -1
        if form == "stays":
            b, sg = ramp(lx * rng.uniform(2.0, 4.5)) * np.exp(
                -np.clip(lx, 0, None) / rng.uniform(1.0, 2.2)
            ), pick(rng, (-1, 1))
        elif form == "spill":  # sides and back get more than they should
            sg = 1
            pat = np.clip(HEMI / 0.5, 0, 1) ** 1.5
    z = sp.g.fields(rng, 1)[0]
    pat = pat / pat.max()
    gam = ((sg * np.minimum(b, 1.1))[:, None] * pat).astype(F32) * (1 + F32(0.2) * z)
    keep = rng.uniform(0.85, 1.0)
    hlw, hin = sp.base[:, 0], sp.base[:, 1]
    full = len(f) > 480

    def build(s):
        d = Defect(G=[(i, gam, s) for i in drivers])
        pw, _ = power(sp, [d])
        c = keep * db10(hlw / pw[:, 0])
        eff = db10(pw[:, 1] / hin) + c
        return d, c, eff[BAND]

    lo, hi = 0.0, 2.1
    d, c, eff = build(hi)
    if np.abs(eff).max() < want:
        if np.abs(eff).max() < 1.5:
            return None
    else:
        for _ in range(5):
            m = 0.5 * (lo + hi)
            d, c, eff = build(m)
            lo, hi = (m, hi) if np.abs(eff).max() < want else (lo, m)
    if full:
        c = np.concatenate([c, np.interp(sp.g.x[480:], sp.g.x[T], c)])
    d.V = 10 ** (c / 20)
    return d


def d_axis(sp, rng, near=None):
    f = sp.g.f
    k = (sp.g.om / C)[:, None]
    want = 1.5 + 3.5 * rng.beta(1.2, 1.4)
    f0 = log_uniform(rng, 1500, 9000)
    d = sp.dominant(f0)
    lx = np.log2(f / f0)
    form = pick(rng, ("ring", "two edges", "spot", "fringe", "ring"))
    q0 = sp.drv[d][2][0]
    least = 2.0 / (0.30 * 2 * np.pi * f0 / C)
    b = least * rng.uniform(1.1, 2.5)
    if form in ("ring", "two edges"):
        b = min(b, 0.45)
        w = rng.uniform(0.35, 0.9)
        band = (
            np.exp(-((lx / w) ** 2))
            if rng.random() < 0.6
            else np.exp(
                -((np.clip(-lx, 0, None) / w) ** 2) - (np.clip(lx, 0, None) / (2.2 * w)) ** 2
            )
        )
        if form == "ring":  # all of a round edge arrives at once only in front
            ecc = rng.uniform(0.85, 1.15)
            pat = j0(k * b * np.where(np.arange(72) < 36, 1.0, ecc) * np.sin(GAM)) * (
                1 - 0.85 * HEMI
            )
        else:  # pairs of straight edges, nearly but not quite as far
            bh, bv, share = b, b * rng.uniform(0.7, 1.4), rng.uniform(0.35, 0.75)
            pat = (
                share * np.cos(k * bh * DIR[:, 0]) + (1 - share) * np.cos(k * bv * DIR[:, 1])
            ) * (1 - 0.85 * HEMI)
        A = pat.astype(C64) * delayed(sp, sp.excess(q0), b) * shade(sp, d, 0.7)
        A *= rough(sp, rng, 0.2, 0.25)
        A *= (-band).astype(C64)[:, None]
    else:
        q = log_uniform(rng, 2, 9)
        if form == "spot":  # phase plug, cap: a narrow pencil of wrong sound
            pat = np.exp(-((GAM / np.deg2rad(rng.uniform(6, 11))) ** 2))
        else:  # fringes across the front
            per, dec = np.deg2rad(rng.uniform(20, 38)), np.deg2rad(rng.uniform(18, 35))
            skew = rng.uniform(-0.15, 0.15)
            sgn = DIR[:, 0] + DIR[:, 1]
            pat = np.cos(2 * np.pi * GAM / per + skew * 2 * np.sign(sgn) * np.sin(GAM)) * np.exp(
                -((GAM / dec) ** 2)
            )
        A = pat.astype(C64) * delayed(sp, sp.excess(q0))
        A *= rough(sp, rng, 0.2, 0.25)
        A *= (pick(rng, (-1, -1, 1)) * bandpass(f, f0, q)).astype(C64)[:, None]
    make = lambda s: Defect(S=(s, A, tuple(range(len(sp.P)))))
    s = solve(sp, make, want, ONE, 0.0, 0.9, 0)
    return None if s is None else make(s)


DRAW = {
    "resonance": d_resonance,
    "balance": d_balance,
    "shallow-dip": d_shallow,
    "cancellation": d_cancel,
    "deep-null": d_null,
    "crossover-phase": d_xphase,
    "directivity-step": d_step,
    "single-axis": d_axis,
}
# (column judged, smallest, largest, least distance in octaves between two of the kind)
LIMITS = {
    "resonance": (0, 1.3, 7.0, 0.5),
    "balance": (0, 1.3, 4.5, 1.2),
    "shallow-dip": (0, 1.3, 4.6, 0.8),
    "cancellation": (0, 2.6, 16, 0.5),
    "deep-null": (0, 5.0, 26, 0.6),
    "crossover-phase": (0, 1.8, 13, 0.6),
    "directivity-step": (1, 1.3, 5.6, 0.9),
    "single-axis": (2, 1.3, 5.6, 0.5),
}


def judge(kind, diff):
    """(largest effect, Hz of it, is it of its kind) of a (480,3) difference; looked for between
    200 Hz and 10.5 kHz."""
    col, lo, hi, _ = LIMITS[kind]
    band = INNER if kind == "balance" else BAND  # a shelf is given at the end of the band
    c = diff[band, col]
    down = kind in ("shallow-dip", "cancellation", "deep-null", "crossover-phase")
    i = int(np.argmin(c)) if down else int(np.argmax(np.abs(c)))
    size, hz = abs(float(c[i])), float(FREQS_HZ[band[i]])
    top = float(np.abs(c).max())
    ok = lo <= size <= hi and top <= size + 1e-9 and 240 <= hz <= 9300
    if kind == "balance":
        ok = lo <= size <= hi
    if kind == "single-axis":
        ok = ok and np.abs(diff[BAND, 0]).max() < 0.45 * size
    if kind == "directivity-step":
        ok = ok and np.abs(diff[BAND, 0]).max() < min(1.0, 0.5 * size)
    if kind in ("cancellation", "deep-null"):  # not so elsewhere
        ok = ok and diff[BAND[i], 1] > -0.7 * size
    if kind == "shallow-dip":
        ok = ok and c.max() < 0.8
    return size, hz, ok


def draw_kinds(rng, seed):
    """The first two kinds from shuffled decks of eight speakers, so that no kind goes missing;
    the rest by chance."""
    n = int(rng.integers(3, 6))
    a = np.random.default_rng([seed // 8, 1]).permutation(8)[seed % 8]
    b = np.random.default_rng([seed // 8, 2]).permutation(8)[seed % 8]
    out = [KINDS[a]]
    if a != b:
        out.append(KINDS[b])
    while len(out) < n:
        k = pick(rng, KINDS)
        have = out.count(k)
        if have and (rng.random() < 0.8 or have > 1 or (k == "crossover-phase")):
            continue
        out.append(k)
    order = {k: i for i, k in enumerate(KINDS)}
    out.sort(
        key=lambda k: (k == "resonance", order[k])
    )  # resonances last, so that they may seek the flank of a null
    return out


def attempt(sp, rng, kinds):
    def one(k, others):
        """One draw that is of its kind when alone."""
        near = None
        if k == "resonance" and rng.random() < 0.3:
            spots = [
                h for kk, h in others if kk in ("cancellation", "deep-null", "crossover-phase")
            ]
            near = pick(rng, spots) if spots else None
        for _ in range(14):
            d = DRAW[k](sp, rng, near)
            if d is None:
                continue
            pw, _t = power(sp, [d])
            size, hz, ok = judge(k, db10(pw / sp.base))
            if ok and all(kk != k or abs(np.log2(h / hz)) > LIMITS[k][3] for kk, h in others):
                return d, hz
        return None

    defs, hz = [], []
    for k in kinds:
        r = one(k, list(zip(kinds, hz)))
        if r is None:
            return None
        defs.append(r[0])
        hz.append(r[1])
    for _ in range(8):
        pw, t = power(sp, defs)
        bad, cols, hzs = None, [], []
        for i, k in enumerate(kinds):
            diff = db10(pw / power(sp, defs[:i] + defs[i + 1 :])[0])
            size, h, ok = judge(k, diff)
            if ok and any(
                k == kinds[m] and abs(np.log2(hzs[m] / h)) < LIMITS[k][3] * 0.7 for m in range(i)
            ):
                ok = False
            if not ok:
                bad = i
                break
            cols.append(diff)
            hzs.append(h)
        if bad is None:
            return t, cols, hzs
        r = one(kinds[bad], [(kinds[m], hz[m]) for m in range(len(kinds)) if m != bad])
        if r is None:
            return None
        defs[bad], hz[bad] = r
    return None


def simulate(seed):
    rng = np.random.default_rng([seed, 77])
    kinds = draw_kinds(rng, seed)
    while True:
        sp = draw_speaker(rng, kinds)
        above = FREQS_HZ > 2 * sp.corner
        h = db10(sp.base[:, 0])
        if np.abs(h[above & (FREQS_HZ < 16000)]).max() > 1.3:
            continue
        r = attempt(sp, rng, kinds)
        if r is not None:
            return sp, kinds, rng, r


def known_speaker(seed):
    sp, kinds, rng, (t, cols, hz) = simulate(seed)
    g = sp.g
    m = t[g.meas]
    lev = db10((m.real**2 + m.imag**2).astype(float)) + sp.ref
    lev = lev + rng.uniform(0, 0.5) * rng.standard_normal(lev.shape)
    order = sorted(range(len(kinds)), key=lambda i: hz[i])
    healthy = db10(sp.base[:, 0].astype(float)) + sp.ref
    known = [KnownDefect(kinds[i], hz[i], cols[i].T) for i in order]
    return KnownSpeaker(f"simulated {seed}", g.fm, lev, healthy, known)


if __name__ == "__main__":
    run(known_speaker, __doc__, Form(level=2))
