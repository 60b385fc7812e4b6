#!/usr/bin/env python3
"""Simulated loudspeakers with known defects.

Model (far field, complex pressure, e^{+iwt}, two orbits of 36 angles):
  p(u,f) = REFLECT(u,f) * sum over drivers
           [ electric(f) * ( D(u,f) * place(u,f) * shape(u,f) + second sources(u,f) ) ]
  D     = soft piston 2J1(x)/x times point source on a rigid sphere (shadow of the box), 1 on axis
  place = exp(i k y sin(vertical angle)), drivers stacked under the tweeter
Every driver is flat on its axis and the crossovers (Linkwitz-Riley 2nd/4th order) add to an
all-pass, so that the healthy axis is flat but for box roll-off and natural ripple; what happens
off the axis follows from geometry. Early reflections: mean of the five zone means, rear wall of 3
points; sound power divided by the sum of its weights.
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
from scipy.special import j0, j1, spherical_jn, spherical_yn, eval_legendre
from scipy.ndimage import gaussian_filter1d

C = 343.0
GAM = np.abs(ANGLES_DEG) // 10  # angle from the axis, index into 0, 10 .. 180 degrees
RAD = np.deg2rad(ANGLES_DEG)
SIN, COS = np.sin(RAD)[:, None], np.cos(RAD)[:, None]
MANY = {"resonance": 2, "shallow-dip": 2, "cancellation": 2}  # the others at most once per speaker


# ---------------------------------------------------------------- averages


WEIGHTS = average_weights().judged()


def averages(p):
    """window, in-room, axis in dB"""
    return 10 * np.log10(WEIGHTS @ (p.real**2 + p.imag**2) + 1e-12)


# ---- point source on a sphere, table over ka
KA_STEP = 0.05


def _sphere():
    ka = 0.02 + KA_STEP * np.arange(1640)
    n = np.arange(105)[:, None]
    with np.errstate(all="ignore"):
        dh = spherical_jn(n, ka, True) - 1j * spherical_yn(n, ka, True)
        c = (2 * n + 1) * (1j ** (n % 4)) / dh
    c[~np.isfinite(c)] = 0
    leg = np.array([eval_legendre(n[:, 0], x) for x in np.cos(np.deg2rad(np.arange(0, 181, 10)))])
    s = leg @ c
    return s / s[0]


SPHERE = _sphere()


class Grid:
    """One frequency axis with one speaker's box on it; remembers what was computed."""

    def __init__(self, f, box):
        self.f, self.k, self.oct, self.memo = f, 2 * np.pi * f / C, np.log2(f), {}
        x = (self.k * box - 0.02) / KA_STEP
        x = np.clip(x, 0, SPHERE.shape[1] - 1.001)
        i = x.astype(int)
        self.sphere = SPHERE[:, i] * (1 - (x - i)) + SPHERE[:, i + 1] * (x - i)  # 19 angles

    def get(self, key, fn):
        if key not in self.memo:
            self.memo[key] = fn()
        return self.memo[key]


# ---------------------------------------------------------------- small pieces
def bump(g, f0, width):  # log-gaussian, width = sigma in octaves
    return np.exp(-0.5 * ((g.oct - np.log2(f0)) / width) ** 2)


def bell(g, f0, q, db):  # second order, poles of Q = q for a peak (zeros for a dip)
    s = 1j * g.f / f0
    a = 10 ** (abs(db) / 20)
    h = (s * s + a * s / q + 1) / (s * s + s / q + 1)
    return h if db > 0 else 1 / h


def split(g, fc, order):
    s = 1j * g.f / fc
    if order == 2:
        d = (1 + s) ** 2
        return 1 / d, -s * s / d  # high branch inverted: in phase at the crossover
    d = (1 + np.sqrt(2) * s + s * s) ** 2
    return 1 / d, s**4 / d


def piston(g, a, soft):
    """19 angles; the effective radius shrinks above `soft` (decoupling cone, or constant beam
    of a waveguide)"""
    ae = a / np.sqrt(1 + (g.f / soft) ** 2)
    x = g.k * ae * np.sin(np.deg2rad(np.arange(0, 91, 10)))[:, None] + 1e-6
    d = 2 * j1(x) / x + 0.12j * x * x / (x * x + 9)  # not quite rigid: nulls filled
    return d[np.minimum(np.arange(19), 9)]


def toward(g, x, y, z):
    """exp(i k r.u) for a source displaced by r (x right, y up, z forward), both orbits"""
    k = g.k[None, :]
    return np.exp(1j * np.vstack([k * (x * SIN + z * COS), k * (y * SIN + z * COS)]))


def both(a):
    return np.vstack([a, a])


# ---------------------------------------------------------------- healthy speaker
def draw_speaker(r, kinds):
    kind = r.choice(["two", "three", "mtm", "coax"], p=[0.45, 0.32, 0.12, 0.11])
    if kind == "coax" and "crossover-phase" in kinds:
        kind = "two"
    guide = r.random() < 0.4
    lim = lambda a: r.uniform(1.5, 2.5) * C / (2 * np.pi * a)  # ka at the top of the band
    tw = (
        dict(a=r.uniform(0.045, 0.075), soft=r.uniform(1400, 2600))
        if guide
        else dict(a=r.uniform(0.009, 0.017), soft=r.uniform(14e3, 3e4))
    )
    tw.update(y=0.0, pair=0.0)
    soft = lambda a: r.uniform(2.5, 5) * C / (2 * np.pi * a)
    if kind == "three":
        am, aw = r.uniform(0.04, 0.075), r.uniform(0.08, 0.15)
        fh = float(np.clip(lim(am), 1600, 4200))
        fl = float(np.clip(log_uniform(r, 280, 700), 250, min(lim(aw), fh / 4)))
        ym = -(am + r.uniform(0.04, 0.09))
        yw = ym - am - aw - r.uniform(0.02, 0.25)
        drv = [
            dict(a=aw, soft=soft(aw), y=yw, pair=0.0),
            dict(a=am, soft=soft(am), y=ym, pair=0.0),
            tw,
        ]
        fcs = [fl, fh]
        box = r.uniform(0.11, 0.19)
    else:
        aw = r.uniform(0.045, 0.095) if kind != "mtm" else r.uniform(0.045, 0.07)
        fcs = [float(np.clip(lim(aw), 1200, 3800))]
        dy = aw + r.uniform(0.035, 0.09)
        y = {"two": -dy, "mtm": 0.0, "coax": 0.0}[kind]
        if kind == "mtm":
            fcs = [float(np.clip(fcs[0], 1200, 2200))]
        drv = [dict(a=aw, soft=soft(aw), y=y, pair=dy if kind == "mtm" else 0.0), tw]
        box = r.uniform(0.09, 0.16)
    sp = dict(
        kind=str(kind),
        drivers=drv,
        fcs=fcs,
        order=int(r.choice([2, 4])),
        guide=bool(guide),
        box=float(box),
        level=r.uniform(78, 92),
        vented=bool(r.random() < 0.55),
        fb=log_uniform(r, 30, 85),
        qb=r.uniform(0.55, 1.0),
        bells=[
            (log_uniform(r, 150, 16e3), r.uniform(0.15, 0.5), r.normal(0, 0.3)) for _ in range(7)
        ],
        edge=(r.uniform(0.01, 0.045), r.uniform(0.08, 0.16)),
        ripple=r.uniform(0.05, 0.35),
        waves=[(r.uniform(0.3, 1.6), r.uniform(-3, 3), r.uniform(0, 6.28, 2)) for _ in range(4)],
    )
    return sp


def band_driver(sp, f):
    return int(sum(f > fc for fc in sp["fcs"]))


def natural(g, sp):
    """everything the drivers share: box, ripple, mild edges, level"""
    s = 1j * g.f / sp["fb"]
    if sp["vented"]:
        al = 0.85 + 0.25 * sp["qb"]
        h = s**4 / ((s * s + 0.765 * al * s + 1) * (s * s + 1.848 * al * s + 1))
    else:
        h = s * s / (s * s + s / sp["qb"] + 1)
    common = sum(d * bump(g, f0, w) for f0, w, d in sp["bells"])
    amp = sp["ripple"] * np.sin(np.abs(RAD) / 2)[:, None] ** 1.0
    rip = [
        sum(
            amp * np.cos(2 * np.pi * q * g.oct[None, :] + m * RAD[:, None] + ph[o])
            for q, m, ph in sp["waves"]
        )
        for o in (0, 1)
    ]
    e, b = sp["edge"]
    fr = 0.5 + 0.5 * COS
    x = g.k * b
    ring = 1 - e * fr * np.exp(-1j * x) * j0(x * np.abs(SIN)) * (g.f / (g.f + 600))
    return h * 10 ** ((common + np.vstack(rip)) / 20) * both(ring)


def driver_direct(g, sp, i, mult=1.0, guide=True):
    d = sp["drivers"][i]
    a, soft = d["a"] * mult, d["soft"] / mult**0.5
    if not guide:
        a, soft = 0.0125, 2e4
    out = both((piston(g, a, soft) * g.sphere)[GAM])
    y = d["y"]
    if d["pair"]:
        out[36:] *= np.cos(g.k * d["pair"] * SIN)
    elif y:
        out[36:] *= np.exp(1j * g.k * y * SIN)
    return out


# ---------------------------------------------------------------- defects
# A defect is a dict with 'kind', 'f0' and any of
#   filt(g, i)    factor on the electric response of driver i
#   shape(g, i)   factor (72 x F) on driver i's radiation
#   reflect(g)    factor on everything
#   direct        (i, mult, guide): changed radiator
#   source(g, i)  second source added to driver i
#   gap           (crossover, ratio): corners pulled apart
def on_driver(j, fn):
    return lambda g, i: fn(g) if i == j else None


def draw_resonance(r, sp, ppo, kinds):
    f0, q = log_uniform(r, 250, 9000), log_uniform(r, 2, min(18, 0.65 * ppo))
    db = r.uniform(1.8, 7.5)
    u = r.random()
    if u < 0.10:  # an antiresonance (surround, absorbed mode): modest and not sharp
        db, q = -r.uniform(1.8, 3.6), log_uniform(r, 2, 5)
    if u > 0.75 and f0 < 1500:  # a wall or port that sings along from about the driver's own place
        i, d = band_driver(sp, f0), sp["drivers"][band_driver(sp, f0)]
        dx, dy = r.uniform(-0.06, 0.06, 2)
        gain, mix = 10 ** (db / 20) - 1, r.uniform(0.0, 0.5)

        def src(g):
            s = 1j * g.f / f0
            res = gain * (s / q) / (s * s + s / q + 1)
            own = both(g.sphere[GAM])
            return res * ((1 - mix) * own + mix) * toward(g, dx, d["y"] + dy, 0)

        return dict(f0=f0, source=on_driver(i, src))
    i = band_driver(sp, f0)
    near = min(abs(np.log2(f0 / fc)) for fc in sp["fcs"]) < 0.7
    if near or u < 0.3:
        return dict(f0=f0, filt=lambda g, j: bell(g, f0, q, db))
    return dict(f0=f0, filt=on_driver(i, lambda g: bell(g, f0, q, db)))


def draw_balance(r, sp, ppo, kinds):
    sign = r.choice([-1, 1])
    v = r.choice(["shelf", "tilt", "bell", "pad"], p=[0.35, 0.2, 0.25, 0.2])
    if v == "tilt":
        sl, f0 = sign * r.uniform(0.5, 1.2), 1000.0
        fn = lambda g: 10 ** (sl * np.log2(np.clip(g.f, 80, 18e3) / f0) / 20)
        return dict(f0=f0, filt=lambda g, i: fn(g))
    if v == "bell":
        f0, q, db = log_uniform(r, 400, 5000), r.uniform(0.3, 0.65), sign * r.uniform(2, 5)
        a = 10 ** (abs(db) / 40)

        def fn(g):
            s = 1j * g.f / f0
            h = (s * s + s * a / q + 1) / (s * s + s / (a * q) + 1)
            return h if db > 0 else 1 / h

        return dict(f0=f0, filt=lambda g, i: fn(g))
    if v == "shelf":
        f0, db, n = log_uniform(r, 300, 5000), sign * r.uniform(1.8, 5), r.integers(1, 3)
        low = r.random() < 0.5

        def fn(g):
            x = (g.f / f0) ** (2 * n)
            m = 1 / (1 + x) if low else x / (1 + x)
            return 10 ** (db * m / 20)

        return dict(f0=f0, filt=lambda g, i: fn(g))
    c = int(r.integers(len(sp["fcs"])))  # the upper drivers padded wrongly
    f0, gain = sp["fcs"][c], 10 ** (sign * r.uniform(1.8, 4) / 20)
    return dict(f0=f0, filt=lambda g, i: gain if i > c else None)


def draw_shallow(r, sp, ppo, kinds):
    if (
        r.random() < 0.2
        and "crossover-phase" not in kinds
        and sp["order"] == 4
        and sp["kind"] != "three"
    ):
        return dict(f0=sp["fcs"][0], gap=(0, r.uniform(1.06, 1.25)))
    f0, q, db = log_uniform(r, 300, 7500), r.uniform(0.8, 2.2), r.uniform(1.6, 4.0)
    a = 10 ** (db / 40)

    def fn(g):
        s = 1j * g.f / f0
        return (s * s + s / (a * q) + 1) / (s * s + s * a / q + 1)

    if r.random() < 0.3:
        w = r.uniform(0.3, 0.6)
        fn = lambda g: 10 ** (-db * bump(g, f0, w) / 20)
    return dict(f0=f0, filt=lambda g, i: fn(g))


def draw_cancellation(r, sp, ppo, kinds):
    n = int(
        r.choice([1, 2, 3], p=[0.45, 0.35, 0.2])
    )  # half cycles of path; even ones start inverted
    pol = 1 if n % 2 else -1
    gain, w = r.uniform(0.35, 0.85), r.uniform(0.45, 1.2)
    if (
        r.random() < 0.33
    ):  # back wave or rear port: faces backwards, reaches the front round the box
        f0 = log_uniform(r, 250, 1100)
        i = band_driver(sp, f0)
        y, x = sp["drivers"][i]["y"] + r.uniform(-0.12, 0.12), r.uniform(-0.05, 0.05)
        depth = r.uniform(0.05, 0.2)

        def src(g):
            s = g.sphere[18 - GAM]
            ref = Grid(np.array([f0]), sp["box"]).sphere[18, 0]
            k0 = 2 * np.pi * f0 / C
            on = ref * np.exp(-1j * k0 * depth)
            rel = max(abs(ref), 0.45)
            delay = n / (2 * f0) + np.angle(pol * on * np.exp(-1j * 2 * np.pi * n / 2) / -1) / (
                2 * np.pi * f0
            )
            return (
                pol
                * gain
                / rel
                * bump(g, f0, w)
                * both(s)
                * toward(g, x, y, -depth)
                * np.exp(-2j * np.pi * g.f * delay)
            )

        return dict(f0=f0, source=on_driver(i, src))
    f0 = 300 * 20 ** (
        r.random() ** 0.6
    )  # port, second driver, horn lip: on the front, beside the driver
    lam = C / f0
    i = band_driver(sp, f0)
    d = min(r.uniform(0.3, 1.1) * lam, r.uniform(0.15, 0.6))
    be = r.uniform(0, 2 * np.pi)
    x, y, z = d * np.cos(be), sp["drivers"][i]["y"] + d * np.sin(be), -r.uniform(0, 0.3) * d
    a2 = r.uniform(0.01, 0.04)

    def src(g):
        path = n * lam / 2 + z  # rest of the path is inside the box, pipe or circuit
        own = both((piston(g, a2, 1e5) * g.sphere)[GAM])
        return pol * gain * bump(g, f0, w) * own * toward(g, x, y, z) * np.exp(-1j * g.k * path)

    return dict(f0=f0, source=on_driver(i, src))


def draw_deep(r, sp, ppo, kinds):
    f0 = log_uniform(r, 250, 9000)
    n = int(r.choice([1, 3], p=[0.75, 0.25]))
    path = n * C / (2 * f0)
    g0, al, be = r.uniform(0.72, 0.97), np.deg2rad(r.uniform(0, 55)), r.uniform(0, 2 * np.pi)
    x, y, z = path * np.sin(al) * np.cos(be), path * np.sin(al) * np.sin(be), -path * np.cos(al)
    fade, lo, hi = r.uniform(0.3, 1.5), r.uniform(0.4, 1.4), r.uniform(0.4, 1.8)

    def fn(g):
        o = g.oct - np.log2(f0)
        band = np.exp(
            -0.5 * (o / np.where(o < 0, lo, hi)) ** 2
        )  # size of the reflector, its absorption
        vis = both(0.5 + 0.5 * COS) ** fade
        return 1 + g0 * band * vis * toward(g, x, y, z) * np.exp(-1j * g.k * (path + z))

    return dict(f0=f0, reflect=fn)


def draw_xover(r, sp, ppo, kinds):
    c = int(r.integers(len(sp["fcs"])))
    fc = sp["fcs"][c]
    phi = np.deg2rad(r.uniform(90, 165))
    v = r.choice(["flip", "delay", "both"], p=[0.2, 0.4, 0.4])
    tau = {"flip": 0.0, "delay": phi / (2 * np.pi * fc), "both": (np.pi - phi) / (2 * np.pi * fc)}[
        v
    ]
    tau, pol = tau * r.choice([-1, 1]), 1 if v == "delay" else -1
    return dict(f0=fc, filt=lambda g, i: pol * np.exp(-2j * np.pi * g.f * tau) if i <= c else None)


def draw_direct(r, sp, ppo, kinds):
    opts = ["late", "late", "twin", "horn", "rear"] + (["bare", "bare"] if sp["guide"] else [])
    v = r.choice(opts)
    c = int(r.integers(len(sp["fcs"])))
    fc = sp["fcs"][c]
    if v == "late":  # too big a driver driven too far up
        return dict(f0=fc, direct=(c, r.uniform(1.4, 2.4), True))
    if v == "bare":  # no waveguide: suddenly wide above the crossover
        return dict(f0=sp["fcs"][-1], direct=(len(sp["drivers"]) - 1, 1.0, False))
    if v == "twin":  # two of the lower driver side by side
        d = r.uniform(0.25, 0.55) * C / fc

        def fn(g):
            s = np.ones((72, len(g.f)), complex)
            s[:36] = np.cos(g.k * d * SIN) + 0.08j * (g.k * d * SIN) ** 2 / (
                9 + (g.k * d * SIN) ** 2
            )
            return s

        return dict(f0=fc, shape=on_driver(c, fn))
    f0, w, db = log_uniform(r, 500, 9000), r.uniform(0.25, 0.75), r.uniform(2, 8)
    if v == "horn":  # pattern narrows or widens in a band
        db *= r.choice([-1, 1]) * 0.9
        th = r.uniform(35, 65)
        h = 1 - np.exp(-((np.abs(ANGLES_DEG) / th) ** r.uniform(2, 3.5)))
    else:  # ambience driver on the back: only the rear and sides rise
        db *= 1.5
        h = (0.5 - 0.5 * np.cos(RAD)) ** r.uniform(0.7, 1.4)
    return dict(f0=f0, reflect=lambda g: both(10 ** (db * h[:, None] * bump(g, f0, w) / 20)))


def draw_single(r, sp, ppo, kinds):
    f0, w = log_uniform(r, 1000, 9000), r.uniform(0.35, 0.9)
    if r.random() < 0.65:  # a ring of edge sources, in step on the axis only
        b = r.uniform(0.1, 0.3)
        ov, e, fr = r.uniform(0.8, 1.25), r.uniform(0.14, 0.42), both(0.5 + 0.5 * COS)

        def fn(g):
            x = g.k * b
            ring = np.vstack([j0(x * np.abs(SIN)), j0(x * ov * np.abs(SIN))])
            return 1 - e * bump(g, f0, w) * fr * np.exp(-1j * x) * ring

        y0 = 0.0
    else:  # focused on the axis: dome, phase plug, grille
        th, a, cyc, ph = (
            r.uniform(5.5, 9),
            r.uniform(1.3, 3.5),
            r.uniform(0.9, 3.2),
            r.uniform(0, 6.28),
        )
        beam = both(np.exp(-((ANGLES_DEG / th) ** 2))[:, None])

        def fn(g):
            return 10 ** (
                beam * a * bump(g, f0, w) * np.cos(2 * np.pi * cyc * (g.f / f0) + ph) / 20
            )

    return dict(f0=f0, reflect=fn)


DRAW = dict(
    zip(
        KINDS,
        [
            draw_resonance,
            draw_balance,
            draw_shallow,
            draw_cancellation,
            draw_deep,
            draw_xover,
            draw_direct,
            draw_single,
        ],
    )
)


# ---- pressure of a speaker with a set of defects
def pressure(g, sp, defects):
    drv, fcs, order = sp["drivers"], sp["fcs"], sp["order"]
    rest, el = 1.0, []
    nat = g.get("nat", lambda: natural(g, sp))
    branches = []
    for c, fc in enumerate(fcs):
        lo, hi = g.get(("x", c), lambda: split(g, fc, order))
        for d in defects:
            if "gap" in d and d["gap"][0] == c:
                lo, hi = split(g, fc / d["gap"][1], order)[0], split(g, fc * d["gap"][1], order)[1]
        branches.append((lo, hi))
    for c, (lo, hi) in enumerate(branches):
        ap = 1.0
        for c2 in range(c + 1, len(fcs)):
            a, b = g.get(("x", c2), lambda: split(g, fcs[c2], order))
            ap = ap * (a + b)
        el.append(rest * lo * ap)
        rest = rest * hi
    el.append(rest)
    total = 0
    for i in range(len(drv)):
        e, key = el[i], (i, 1.0, True)
        for d in defects:
            if "filt" in d:
                h = g.get((id(d), "f", i), lambda: d["filt"](g, i))
                e = e if h is None else e * h
            if "direct" in d and d["direct"][0] == i:
                key = d["direct"]
        rad = g.get(("d",) + key, lambda: driver_direct(g, sp, *key))
        add = []
        for d in defects:
            if "shape" in d:
                h = g.get((id(d), "s", i), lambda: d["shape"](g, i))
                rad = rad if h is None else rad * h
            if "source" in d:
                h = g.get((id(d), "q", i), lambda: d["source"](g, i))
                add += [] if h is None else [h]
        for h in add:
            rad = rad + h
        total = total + e * rad
    total = total * nat
    for d in defects:
        if "reflect" in d:
            total = total * g.get((id(d), "r"), lambda: d["reflect"](g))
    return total


# ---- does a defect do what its kind says?
def judge(kind, d, g, with_p, without_p, curves):
    """True if the effect is of its kind; sets d['f0'] to where the effect sits."""
    w, room, ax = curves
    f = g.f
    near = np.abs(g.oct - np.log2(d["nominal"])) < 0.8
    pk = lambda c: float(np.max(np.abs(c)))
    std = lambda c, m=slice(None): float(np.std(c[m]))
    if kind == "resonance":
        j = np.argmax(np.where(near, np.abs(w), 0))
        return (
            abs(w[j]) >= 1.3
            and abs(g.oct[j] - np.log2(d["nominal"])) < 0.2
            and abs(room[j]) > 0.7 * abs(w[j])
            and pk(ax - w) < 0.35 * abs(w[j])
            and pk(room - w) < 0.4 * abs(w[j])
        )
    if kind == "balance":
        m = (f > 200) & (f < 12000)
        return np.ptp(w[m]) >= 1.8 and std(w, m) >= 0.7
    if kind == "shallow-dip":
        j = np.argmin(np.where(near, w, 0))
        d["f0"] = float(f[j])
        return 1.4 <= -w[j] <= 4.3 and abs(room[j] - w[j]) < 0.9 and abs(ax[j] - w[j]) < 0.9
    if kind in ("cancellation", "deep-null", "crossover-phase"):
        j = np.argmin(np.where(near, w, 0))
        d["f0"] = float(f[j])
        fx = 20 * np.log10(np.abs(with_p[:, j]) / (np.abs(without_p[:, j]) + 1e-9) + 1e-9)
        if not 250 <= f[j] <= 9000:
            return False
        if kind == "cancellation":
            moves = np.ptp(np.percentile(fx, [5, 95]))
            return (
                -14 <= w[j] <= -2.2
                and moves > 5
                and w.max() < -0.7 * w[j]
                and (fx > 0.5).mean() > 0.1
                and room[j] > 0.75 * w[j]
            )
        if kind == "deep-null":
            return w[j] <= -4.5 and ax[j] < -8 and room[j] > 0.85 * w[j]
        v = fx[36 + 17 - 8 : 36 + 17 + 9]  # front half of the vertical orbit
        return w[j] <= -2.5 and ax[j] < -2.5 and v.max() - v.min() > 6 and v.max() > 1
    if kind == "directivity-step":
        j = np.argmax(np.abs(room))
        d["f0"] = float(f[j])
        return (
            250 <= f[j] <= 9000
            and abs(room[j]) >= 1.2
            and pk(ax) < 0.25
            and pk(w) < 0.55 * pk(room)
            and pk(room) < 7
        )
    m = np.abs(g.oct - np.log2(d["nominal"])) < 1.5
    return (
        1.0 < pk(ax[m]) < 6
        and np.ptp(ax[m]) > 2
        and std(w, m) < 0.38 * std(ax, m)
        and pk(w) < 0.5 * pk(ax)
    )


def effects(g, sp, defects):
    full = pressure(g, sp, defects)
    af = averages(full)
    out = []
    for d in defects:
        p = pressure(g, sp, [x for x in defects if x is not d])
        out.append((p, af - averages(p)))
    return full, out


def draw_kinds(r):
    n = int(r.integers(3, 6))
    p = np.array([1.0 if k in MANY else 1.42 for k in KINDS])
    while True:
        ks = list(r.choice(KINDS, n, p=p / p.sum()))
        if all(ks.count(k) <= MANY.get(k, 1) for k in ks):
            return [str(k) for k in ks]


def build(r):
    kinds = draw_kinds(r)
    ppo = int(r.integers(12, 49))
    overlap = r.random() < 0.5  # half of the speakers let defects sit on top of each other
    coarse_f = 150 * 2 ** (np.arange(158) / 24)
    while True:
        sp = draw_speaker(r, kinds)
        g = Grid(coarse_f, sp["box"])

        def draw(kind, others):
            for _ in range(40):
                d = DRAW[kind](r, sp, ppo, kinds)
                d.update(kind=kind, nominal=d["f0"], f0=d["f0"])
                gapd = [
                    abs(np.log2(d["f0"] / o["f0"]))
                    for o in others
                    if "balance" not in (kind, o["kind"])
                ]
                if gapd and min(gapd) < (0.15 if overlap else 0.6):
                    continue
                return d
            return d

        defects = []
        for k in kinds:
            defects.append(draw(k, defects))
        keep = list(defects)  # hold every draw: ids are keys of the memo
        for _ in range(60):
            bad = []
            full, eff = effects(g, sp, defects)
            for n, (d, (p, c)) in enumerate(zip(defects, eff)):
                if not judge(d["kind"], d, g, full, p, c):
                    bad.append(n)
            if not bad:
                return r, sp, ppo, defects
            for n in bad:
                # first look at the new draw alone, cheaply; then again in company
                for _ in range(12):
                    d = draw(defects[n]["kind"], defects[:n] + defects[n + 1 :])
                    keep.append(d)
                    p1 = pressure(g, sp, [d])
                    p0 = g.get("p0", lambda: pressure(g, sp, []))
                    if judge(d["kind"], d, g, p1, p0, averages(p1) - averages(p0)):
                        break
                defects[n] = d


# ---------------------------------------------------------------- writing


def known_speaker(seed):
    r, sp, ppo, defects = build(np.random.default_rng([0x4A31, seed]))
    f = np.geomspace(20, 20000, int(round(ppo * np.log2(1000))) + 1)
    p = pressure(Grid(f, sp["box"]), sp, defects)
    db = sp["level"] + 20 * np.log10(np.abs(p) + 1e-6)
    noise = r.normal(0, 1, db.shape)
    if r.random() < 0.3:  # some measure smoothed: the noise runs together over frequency
        noise = gaussian_filter1d(noise, ppo * r.uniform(1 / 24, 1 / 8), axis=1)
        noise /= noise.std()
    db = db + r.uniform(0, 0.5) * noise
    g = Grid(FREQS_HZ, sp["box"])
    healthy = averages(pressure(g, sp, []))[0] + sp["level"]
    _, eff = effects(g, sp, defects)
    known = [KnownDefect(d["kind"], d["f0"], c) for d, (_, c) in zip(defects, eff)]
    syllables = "ba ku rel mo tan vi sor le qua dun pe zil or nem hax tu".split()
    name = "".join(r.choice(syllables, 3)).capitalize() + " %d" % r.integers(2, 900)
    return KnownSpeaker(name, f, db.T, healthy, known)


if __name__ == "__main__":
    run(known_speaker, __doc__, Form(blank_line=True))
