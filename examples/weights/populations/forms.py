#!/usr/bin/env python
"""Simulated loudspeakers with known defects.

A speaker is a list of branches (woofers, port, mid, tweeter, line ...). Each branch is a complex
transfer function times a directional pattern times the path phase of its positions at a finite
measuring distance; branches add as complex pressure on two orbits of 36 angles. Defects are
operations on that sum: a factor on one branch, an added second source, or a factor on everything.
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
    run,
)

import numpy as np
from scipy.special import j0, j1

C = 343.0
_r = np.deg2rad(ANGLES_DEG)
_z = np.zeros(36)
DIR = np.vstack(
    [np.column_stack([np.sin(_r), _z, np.cos(_r)]), np.column_stack([_z, np.sin(_r), np.cos(_r)])]
)
FRONT = np.array([0.0, 0.0, 1.0])
GAM = np.abs(np.concatenate([ANGLES_DEG, ANGLES_DEG])).astype(float)  # angle from the axis, deg


# ---------------------------------------------------------------- averages of the standard


W = np.column_stack(average_weights().judged())


# ---- rigid sphere as the cabinet: a table over ka and angle
KA0, KA_PPO = 0.03, 24
_KA = KA0 * 2.0 ** (np.arange(int(np.log2(110 / KA0) * KA_PPO)) / KA_PPO)


def _sphere_table():
    x, n_max = _KA[:, None], 135
    mu = np.cos(np.deg2rad(np.arange(0, 181, 5)))[None, :]
    with np.errstate(all="ignore"):
        h_prev, h = np.exp(1j * x) / x, -1j * np.exp(1j * x) / x  # h_-1, h_0
        p_prev, p = np.zeros_like(mu), np.ones_like(mu)
        tot = np.zeros((len(_KA), mu.shape[1]), complex)
        for n in range(n_max):
            dh = h_prev - (n + 1) / x * h
            inv = np.where(np.isfinite(dh) & (np.abs(dh) < 1e200), 1.0 / dh, 0)
            tot += (2 * n + 1) * (-1j) ** n * inv * p
            h_prev, h = h, (2 * n + 1) / x * h - h_prev
            p_prev, p = p, ((2 * n + 1) * mu * p - n * p_prev) / (n + 1)
    m = np.abs(tot / x**2) ** 2
    k = np.exp(-0.5 * (np.arange(-8, 9) / 3.0) ** 2)
    k /= k.sum()
    pad = np.vstack([np.repeat(m[:1], 8, 0), m, np.repeat(m[-1:], 8, 0)])
    return np.sqrt(np.array([k @ pad[i : i + 17] for i in range(len(m))]))


SPH = _sphere_table()
SPH_DB = 20 * np.log10(SPH / SPH[:, :1])


def sphere_db(f, a, gam):
    """dB re own axis at angles gam for a source on a sphere of radius a"""
    t = np.clip(np.log2(2 * np.pi * f / C * a / KA0) * KA_PPO, 0, len(_KA) - 1.001)
    i = t.astype(int)
    w = (t - i)[:, None]
    rows = SPH_DB[i] * (1 - w) + SPH_DB[i + 1] * w
    g = np.clip(gam / 5.0, 0, 35.999)
    j = g.astype(int)
    u = g - j
    return rows[:, j] * (1 - u) + rows[:, j + 1] * u


def rear_mean(db):
    """the two orbits meet at 180 degrees: let them grow alike from 110 degrees on (front-facing
    sources only)"""
    w = np.where(GAM[:36] <= 110, 1.0, 0.5 + 0.5 * np.cos(np.pi * (GAM[:36] - 110) / 70))
    m = 0.5 * (db[:, :36] + db[:, 36:])
    return np.hstack([m + (db[:, :36] - m) * w, m + (db[:, 36:] - m) * w])


def box_db(f, ah, av, gam, floor):
    if gam is GAM:
        db = rear_mean(np.hstack([sphere_db(f, ah, gam[:36]), sphere_db(f, av, gam[36:])]))
    else:
        db = sphere_db(f, np.sqrt(ah * av), gam)
    return 10 * np.log10(10 ** (db / 10) + 10 ** (-floor / 10) * (1 - np.cos(np.deg2rad(gam))) / 2)


def piston(f, r, gam, fdec=1e9, eps=0.12):
    """round piston whose working radius shrinks over fdec and whose nulls are filled to eps"""
    u, inv = np.unique(np.round(np.minimum(gam, 90.0), 3), return_inverse=True)
    re = r / (1 + (f / fdec) ** 2) ** 0.25
    x = (2 * np.pi * f / C * re)[:, None] * np.sin(np.deg2rad(u))[None, :] + 1e-9
    d = 2 * j1(x) / x
    return np.sqrt(d * d + eps**2 * (1 - d * d))[:, inv]


def slot(f, w, gam, eps=0.1):
    u, inv = np.unique(np.minimum(gam, 90.0), return_inverse=True)
    d = np.sinc((f * w / C)[:, None] * np.sin(np.deg2rad(u))[None, :])
    return np.sqrt(d * d + eps**2 * (1 - d * d))[:, inv]


def pattern(p, f, box):
    """magnitude (signed for dipoles), F x 72"""
    ah, av, floor = box
    ax = np.array(p.get("axis", FRONT), float)
    gam = GAM if ax[2] > 0.999 else np.rad2deg(np.arccos(np.clip(DIR @ ax, -1, 1)))
    kind = p["kind"]
    if kind == "cone":
        return piston(f, p["r"], gam, p.get("fdec", 1e9), p.get("eps", 0.12)) * 10 ** (
            box_db(f, ah, av, gam, floor) / 20
        )
    if kind == "ribbon":
        m = np.hstack([slot(f, p["w"], GAM[:36]), slot(f, p["h"], GAM[36:], p.get("eps", 0.1))])
        return 10 ** (rear_mean(20 * np.log10(m) + box_db(f, ah, av, gam, floor)) / 20)
    if kind == "guide":
        att = []
        for o, (t, fc, fb) in enumerate((p["hor"], p["ver"])):
            waist = 1 + p["waist"] * np.sin(
                2 * np.pi * np.log2(f / 1000.0) / p["wper"] + p["wph"] + o
            )
            t6 = np.sqrt((t * waist / (1 + (f / fb) ** 2) ** 0.35) ** 2 + (t * 0.9 * fc / f) ** 2)
            att.append(6 * (GAM[None, :36] / t6[:, None]) ** p["p"])
        att = np.hstack(att)
        lim = p["lim"]
        att = lim * (1 - np.exp(-att / lim))
        s = np.maximum(-box_db(f, ah, av, gam, floor), 0)
        return 10 ** (-rear_mean((att**2.5 + s**2.5) ** 0.4) / 20)
    if kind == "dipole":
        c = np.cos(np.deg2rad(gam))[None, :]
        hi = (1 / (1 + (p["fd"] / f) ** 2))[
            :, None
        ]  # above fd the baffle turns it from cos to own beaming
        rear = 10 ** (-p["rear"] * hi / 20)
        lo = np.sqrt(c * c + p["eps"] ** 2 * (1 - c * c))
        m = lo ** (1 - 0.6 * hi) * piston(f, p["r"], np.minimum(gam, 180 - gam), p["fdec"], 0.12)
        return np.where(c > 0.01, m, np.where(c < -0.01, -m * rear, 1j * m))
    if kind == "cardioid":
        c = np.cos(np.deg2rad(gam))[None, :]
        al = (p["al"] / (1 + (p["f1"] / f) ** 2))[:, None]
        m = np.abs(1 - al + al * c)
        m = np.sqrt(m * m + (0.05 * (1 - c)) ** 2)
        return (
            m
            * piston(f, p["r"], gam, p["fdec"], 0.12)
            * 10 ** (0.5 * box_db(f, ah, av, gam, floor) / 20)
        )
    if kind == "omni":
        grow = f**2 / (f**2 + p["fg"] ** 2)
        th = np.deg2rad(np.concatenate([ANGLES_DEG, ANGLES_DEG]))
        db = -p["back"] * grow[:, None] * (1 - np.cos(th)) / 2
        el = np.rad2deg(np.arcsin(DIR[:, 1]))
        tv = np.sqrt(p["tv"] ** 2 + (60 * p["fg"] / f) ** 2)[:, None]
        a = lambda e: p["lim"] * (1 - np.exp(-6 * ((e - p["tilt"]) / tv) ** 2 / p["lim"]))
        db = db - (a(el[None, :]) - a(np.zeros((1, 1))))
        db[:, :36] += p["post"] * grow[:, None] * (np.cos(3 * th[:36]) - 1) / 2
        db[:, 36:] += p["post"] * grow[:, None] * ((np.cos(th[36:]) - 1) / 2) ** 3
        return 10 ** (db / 20)
    raise ValueError(kind)


# ---------------------------------------------------------------- filters
def lowpass(f, f0, order):
    s = 1j * f / f0
    return 1 / (1 + s) ** 2 if order == 2 else 1 / (s * s + np.sqrt(2) * s + 1) ** 2


def highpass(f, f0, order):
    return (1j * f / f0) ** order * lowpass(f, f0, order)


def peaking(f, f0, g, q):
    s, a = 1j * f / f0, 10 ** (g / 40)
    return (s * s + s * a / q + 1) / (s * s + s / (a * q) + 1)


def shelf(f, f0, g, q, high):
    s, a = 1j * f / f0, 10 ** (g / 40)
    b = np.sqrt(a) / q
    return (
        a * (a * s * s + b * s + 1) / (s * s + b * s + a)
        if high
        else a * (s * s + b * s + a) / (a * s * s + b * s + 1)
    )


def path(f, pos, dist):
    """phase and level of a source at pos against the axis point, aligned on the axis"""
    rr = np.sqrt(((dist * DIR - np.array(pos)) ** 2).sum(1))
    d = rr - rr[HORIZONTAL_0]
    out = np.ones((len(f), 72), complex)
    cols = np.abs(d) > 1e-7
    if cols.any():
        out[:, cols] = np.exp(-1j * (2 * np.pi / C) * f[:, None] * d[cols]) * (
            rr[HORIZONTAL_0] / rr[cols]
        )
    return out


# ---------------------------------------------------------------- drawing helpers
class Rng:
    def __init__(self, g):
        self.g = g

    def u(self, a, b):
        return float(self.g.uniform(a, b))

    def lu(self, a, b):
        return float(np.exp(self.g.uniform(np.log(a), np.log(b))))

    def p(self, x):
        return bool(self.g.random() < x)

    def pick(self, seq, w=None):
        return seq[int(self.g.choice(len(seq), p=None if w is None else np.array(w) / np.sum(w)))]

    def n(self, *a):
        return self.g.standard_normal(a or None)


def bass(r, lo, hi):
    """box tuning: dict for the lowest branch"""
    kind = r.pick(["sealed", "vented", "passive"], [4, 5, 1])
    f1 = r.lu(lo, hi)
    if kind == "sealed":
        return dict(kind="sealed", f=f1, q=r.u(0.5, 1.05))
    return dict(
        kind=kind,
        f=(f1, f1 * r.u(0.8, 1.25)),
        q=(r.u(0.5, 0.75), r.u(0.9, 1.6)),
        fb=f1 * r.u(0.85, 1.15),
        where=r.pick(["rear", "front", "down"]),
    )


def cone(r, rad, **k):
    return dict(
        kind="cone",
        r=rad,
        fdec=r.u(1.2, 4.0) * C / (2 * np.pi * rad) if rad > 0.02 else r.u(12e3, 4e4),
        eps=r.u(0.06, 0.22),
        **k
    )


def guide(r, form=None):
    form = form or r.pick(["round", "ellipse", "rect", "cone", "slot", "shallow"])
    d = dict(
        kind="guide",
        form=form,
        p=r.u(1.5, 2.3),
        lim=r.u(18, 30),
        waist=r.u(0, 0.07),
        wper=r.u(0.8, 2),
        wph=r.u(0, 6.28),
    )
    if form == "round":
        t = r.u(40, 62)
        d.update(hor=(t, r.u(900, 2000), r.u(14e3, 3e4)))
        d["ver"] = d["hor"]
    elif form == "ellipse":
        d.update(
            hor=(r.u(50, 68), r.u(900, 1800), r.u(13e3, 3e4)),
            ver=(r.u(32, 48), r.u(1300, 2800), r.u(12e3, 3e4)),
        )
    elif form == "rect":
        d.update(
            hor=(r.u(38, 55), r.u(700, 1400), r.u(12e3, 3e4)),
            ver=(r.u(22, 38), r.u(1400, 3200), r.u(12e3, 3e4)),
        )
    elif form == "cone":
        t = r.u(38, 55)
        d.update(
            hor=(t, r.u(800, 1800), r.u(6e3, 1.1e4)),
            ver=(t, r.u(800, 1800), r.u(6e3, 1.1e4)),
            p=r.u(1.6, 2.0),
        )
    elif form == "slot":
        d.update(
            hor=(r.u(48, 66), r.u(800, 1500), r.u(2e4, 4e4)),
            ver=(r.u(28, 50), r.u(1200, 2500), r.u(5e3, 9e3)),
            waist=r.u(0.02, 0.09),
        )
    else:
        d.update(hor=(r.u(55, 75), r.u(1600, 2800), r.u(7e3, 1.3e4)), p=r.u(1.6, 2.2))
        d["ver"] = d["hor"]
    return d


def dome(r):
    return r.pick(
        [
            cone(r, r.u(0.0095, 0.0145)),
            cone(r, r.u(0.0095, 0.0145)),
            cone(r, r.u(0.015, 0.019)),
            dict(kind="ribbon", w=r.u(0.012, 0.035), h=r.u(0.035, 0.11), eps=r.u(0.06, 0.15)),
        ]
    )


def xo_below(r, lo, hi, rad, ka):
    hi = min(hi, ka * C / (2 * np.pi * rad))
    return r.lu(min(lo, hi * 0.8), hi)


def chain(branches, xs):
    """crossovers between consecutive branches: xs = [(f, order)]"""
    sign = 1
    for i, b in enumerate(branches):
        b["hp"] = xs[i - 1] if i else None
        b["lp"] = xs[i] if i < len(xs) else None
        if i and xs[i - 1][1] == 2:
            sign = -sign
        b["sign"] = sign
    return branches


def order(r):
    return 4 if r.p(0.55) else 2


FORMS = [
    "standmount",
    "waveguide",
    "tower",
    "coax",
    "coax3",
    "dipole",
    "line",
    "omni",
    "fullrange",
    "sidewoofer",
    "mtm",
    "bighorn",
    "cardioid",
    "ribbonpanel",
    "offset",
]
COINCIDENT = {"coax", "fullrange", "ribbonpanel"}


def draw_speaker(r, need_xo):
    form = r.pick([x for x in FORMS + 2 * sorted(COINCIDENT) if not (need_xo and x in COINCIDENT)])
    D = r.lu(2.0, 5.0)
    s = dict(form=form, dist=D)
    w, h = r.u(0.15, 0.26), r.u(0.28, 0.42)
    lo = bass(r, 38, 75)
    if form in ("standmount", "waveguide", "offset"):
        rad = r.u(0.05, 0.088)
        x = xo_below(r, 1700, 3600, rad, r.u(2.0, 3.2))
        tw = dome(r)
        w = max(w, 2 * rad + 0.04)
        sp = rad + r.u(0.05, 0.075)
        if form == "waveguide":
            rad = r.u(0.055, 0.125)
            x = xo_below(r, 900, 2400, rad, r.u(2.0, 3.0))
            w = max(r.u(0.18, 0.3), 2 * rad + 0.04)
            tw = guide(r)
            sp = rad + r.u(0.065, 0.13)
        dx = r.u(0.03, 0.07) * r.pick([-1, 1]) if form == "offset" else 0.0
        ref = r.u(0, 0.6)  # axis between the tweeter (0) and towards the woofer
        br = chain(
            [
                dict(pat=cone(r, rad), pos=[(0, -sp * (1 - ref), 0)]),
                dict(pat=tw, pos=[(dx, sp * ref, 0)]),
            ],
            [(x, order(r))],
        )
    elif form == "tower":
        rm, rw = r.u(0.04, 0.068), r.u(0.065, 0.12)
        x1, x2 = r.lu(260, 650), xo_below(r, 2000, 4200, rm, 3.0)
        w, h = max(w, 2 * rw + 0.03), r.u(0.8, 1.15)
        y1, y2 = -(rm + r.u(0.045, 0.06)), 0
        y0 = y1 - rm - rw - r.u(0.02, 0.12)
        pos = [(0, y0, 0)] + ([(0, y0 - 2 * rw - 0.03, 0)] if r.p(0.5) else [])
        tw = guide(r, "shallow") if r.p(0.3) else dome(r)
        br = chain(
            [
                dict(pat=cone(r, rw), pos=pos),
                dict(pat=cone(r, rm), pos=[(0, y1, 0)]),
                dict(pat=tw, pos=[(0, y2, 0)]),
            ],
            [(x1, order(r)), (x2, order(r))],
        )
    elif form in ("coax", "coax3"):
        rad = r.u(0.045, 0.09) if form == "coax" else r.u(0.04, 0.065)
        x = xo_below(r, 1800, 3200, rad, r.u(2.0, 3.0))
        t = r.u(42, 60)
        g = guide(r, "round")
        g.update(
            hor=(t, r.u(1000, 2200), r.u(9e3, 2e4)), waist=r.u(0.03, 0.12), wper=r.u(0.5, 1.1)
        )
        g["ver"] = g["hor"]
        b = [dict(pat=cone(r, rad), pos=[(0, 0, 0)]), dict(pat=g, pos=[(0, 0, 0)])]
        xs = [(x, order(r))]
        if form == "coax3":
            rw = r.u(0.07, 0.125)
            w, h = max(w, 2 * rw + 0.03), r.u(0.5, 1.1)
            d = rad + rw + r.u(0.02, 0.15)
            x1 = max(r.lu(260, 600), 0.3 * C / d)
            pos = [(0, -d, 0), (0, d, 0)] if r.p(0.35) else [(0, -d, 0)]
            b.insert(0, dict(pat=cone(r, rw), pos=pos))
            xs.insert(0, (x1, order(r)))
        br = chain(b, xs)
    elif form == "dipole":
        lo = dict(kind="sealed", f=r.lu(30, 60), q=r.u(0.5, 0.9))
        rw, rm = r.u(0.1, 0.16), r.u(0.045, 0.085)
        x2 = xo_below(r, 1400, 3000, rm, 2.6)
        d = rm + rw + r.u(0.02, 0.08)
        x1 = max(r.lu(220, 500), 0.3 * C / d)
        w, h = r.u(0.25, 0.5), r.u(0.8, 1.2)
        dp = lambda rad, fd: dict(
            kind="dipole",
            r=rad,
            fd=fd,
            rear=r.u(1, 8),
            eps=r.u(0.12, 0.3),
            fdec=r.u(1.5, 4) * C / (2 * np.pi * rad),
        )
        tw = dp(0.013, r.u(3e3, 8e3)) if r.p(0.5) else r.pick([dome(r), guide(r)])
        b = [
            dict(pat=dp(rw, 1500.0), pos=[(0, -d - rm - 0.05, 0)]),
            dict(pat=dp(rm, r.u(900, 2500)), pos=[(0, -rm - 0.05, 0)]),
            dict(pat=tw, pos=[(0, 0, 0)]),
        ]
        br = chain(b, [(x1, order(r)), (x2, order(r))])
    elif form == "line":
        n, rad = int(r.g.integers(5, 13)), r.u(0.018, 0.034)
        pitch = 2 * rad + r.u(0.006, 0.014)
        w, h = r.u(0.09, 0.16), n * pitch + r.u(0.1, 0.4)
        D = s["dist"] = max(D, r.u(3, 5))
        ys = (np.arange(n) - (n - 1) / 2) * pitch
        shade = 1 - r.u(0, 0.7) * (np.abs(ys) / np.abs(ys).max()) ** 2
        fol = r.u(1500, 5000) if r.p(0.7) else None  # outer drivers roll off to keep the fan open
        rw = r.u(0.06, 0.1)
        d = ys.max() + rad + rw + r.u(0.02, 0.1)
        x1 = r.lu(180, 420)
        low = (
            dict(pat=cone(r, rw), pos=[(0, -d, 0)])
            if r.p(0.6)
            else dict(pat=cone(r, rw), pos=[(0, -d, 0), (0, d, 0)])
        )
        br = chain(
            [
                low,
                dict(pat=cone(r, rad), pos=[(0, y, 0) for y in ys], gains=list(shade), outer=fol),
            ],
            [(x1, order(r))],
        )
    elif form == "omni":
        om = lambda: dict(
            kind="omni",
            fg=r.u(1500, 4000),
            back=r.u(1, 9),
            tv=r.u(35, 60),
            lim=r.u(8, 16),
            tilt=r.u(-3, 14),
            post=r.u(-2.5, 1.5),
        )
        x = r.lu(1200, 3500)
        w = h = r.u(0.2, 0.3)
        d = max(r.u(0.12, 0.3), 0.38 * C / x)
        br = chain(
            [
                dict(pat=dict(om(), fg=r.u(2500, 5000)), pos=[(0, -d * 0.7, 0)]),
                dict(pat=om(), pos=[(0, d * 0.3, 0)]),
            ],
            [(x, order(r))],
        )
    elif form == "fullrange":
        rad = r.u(0.022, 0.055)
        lo = bass(r, 70, 130)
        w, h = 2 * rad + r.u(0.02, 0.1), 2 * rad + r.u(0.03, 0.2)
        p = cone(r, rad)
        p["fdec"] = r.u(0.8, 1.6) * C / (2 * np.pi * rad) * (1 if r.p(0.5) else 0.7)
        br = chain([dict(pat=p, pos=[(0, 0, 0)])], [])
        s["top"] = r.u(14e3, 2.2e4)
    elif form == "sidewoofer":
        rm = r.u(0.045, 0.07)
        w, h = r.u(0.17, 0.24), r.u(0.7, 1.1)
        x1, x2 = r.lu(120, 300), xo_below(r, 1600, 3800, rm, 3.0)
        rw, y, z = r.u(0.08, 0.13), -r.u(0.2, 0.5), -r.u(0.08, 0.2)
        ws = [
            dict(pat=cone(r, rw, axis=(sd, 0, 0)), pos=[(sd * w / 2, y, z)])
            for sd in ((1, -1) if r.p(0.75) else (r.pick([1, -1]),))
        ]
        tw = guide(r) if r.p(0.4) else dome(r)
        ym = -(rm + r.u(0.045, 0.07))
        b = chain(
            [ws[0], dict(pat=cone(r, rm), pos=[(0, ym, 0)]), dict(pat=tw, pos=[(0, 0, 0)])],
            [(x1, order(r)), (x2, order(r))],
        )
        if len(ws) == 2:
            b[0]["twin"] = ws[1]
        br = b
    elif form == "mtm":
        rm = r.u(0.04, 0.07)
        x = xo_below(r, 1600, 3200, rm, 2.8)
        d = rm + r.u(0.03, 0.06)
        w, h = max(w, 2 * rm + 0.04), r.u(0.42, 0.6)
        tw = guide(r, "shallow") if r.p(0.3) else dome(r)
        br = chain(
            [dict(pat=cone(r, rm), pos=[(0, d, 0), (0, -d, 0)]), dict(pat=tw, pos=[(0, 0, 0)])],
            [(x, order(r))],
        )
    elif form == "bighorn":
        rw = r.u(0.12, 0.17)
        lo = bass(r, 35, 60)
        x = xo_below(r, 600, 1300, rw, 3.0)
        w, h = r.u(0.36, 0.55), r.u(0.6, 0.9)
        g = guide(r, r.pick(["rect", "ellipse", "round", "slot", "cone"]))
        for o in ("hor", "ver"):
            g[o] = (g[o][0], g[o][1] * 0.6, g[o][2])
        sp = rw + r.u(0.1, 0.18)
        ref = r.u(0, 0.6)
        br = chain(
            [
                dict(pat=cone(r, rw), pos=[(0, -sp * (1 - ref), 0)]),
                dict(pat=g, pos=[(0, sp * ref, 0)]),
            ],
            [(x, order(r))],
        )
    elif form == "cardioid":
        rm, rw = r.u(0.05, 0.085), r.u(0.09, 0.13)
        w, h = max(w, 2 * rw + 0.02), r.u(0.45, 0.9)
        x2 = xo_below(r, 1300, 2600, rm, 2.6)
        d = rm + rw + r.u(0.02, 0.08)
        x1 = max(r.lu(160, 350), 1.0)
        mid = dict(
            kind="cardioid",
            r=rm,
            al=r.u(0.35, 0.6),
            f1=r.u(80, 250),
            fdec=r.u(1.5, 4) * C / (2 * np.pi * rm),
        )
        tw = guide(r) if r.p(0.7) else dome(r)
        ym = -(rm + r.u(0.06, 0.09))
        br = chain(
            [
                dict(pat=cone(r, rw), pos=[(0, ym - d, 0)]),
                dict(pat=mid, pos=[(0, ym, 0)]),
                dict(pat=tw, pos=[(0, 0, 0)]),
            ],
            [(x1, order(r)), (x2, order(r))],
        )
    else:  # ribbonpanel: tall strip over a woofer crossed low
        rw = r.u(0.07, 0.11)
        w, h = max(w, 2 * rw + 0.03), r.u(0.7, 1.1)
        strip = dict(kind="ribbon", w=r.u(0.02, 0.05), h=r.u(0.18, 0.45), eps=r.u(0.12, 0.25))
        br = chain(
            [
                dict(
                    pat=cone(r, rw), pos=[(0, 0, 0)] if r.p(0.0) else [(0, 0.25, 0), (0, -0.25, 0)]
                ),
                dict(pat=strip, pos=[(0, 0, 0)]),
            ],
            [(r.lu(350, 800), order(r))],
        )
    s["branches"] = br
    s["box"] = (w / 2, min(max(w / 2, h / 2), 0.28), r.u(18, 32))
    s["w"], s["h"], s["d"] = w, h, r.u(0.18, 0.4)
    s["bass"] = lo
    s.setdefault("top", r.u(1.9e4, 4.5e4))
    s["comp"] = r.p(0.7)
    s["mis"] = r.u(-20, 20)  # natural phase mismatch at each crossover, degrees
    s["level"] = r.u(78, 94)
    # natural ripple: shared small modes, edges, soft random directivity; calm and rough speakers
    rough = r.lu(0.25, 1.6)
    s["rough"] = rough
    m = int(r.g.integers(5, 22))
    s["modes"] = [
        (r.lu(120, 16e3), float(np.clip(r.n() * 0.3 * rough, -0.8, 0.8)), r.lu(1.5, 9))
        for _ in range(m)
    ]
    s["edges"] = [(r.u(0.4, 1.1) * w / 2 * sx, 0, r.u(0.02, 0.06) * rough) for sx in (1, -1)] + [
        (0, r.u(0.06, 0.3) * sy, r.u(0.01, 0.05) * rough) for sy in (1, -1)
    ]
    s["edge_hp"] = r.u(500, 1800)
    knots = np.log2(np.array([20.0, 21e3]) / 20)
    s["kn"] = np.linspace(knots[0], knots[1], int(r.g.integers(25, 60)))
    s["soft"] = r.lu(0.12, 0.9) * r.n(11, len(s["kn"]))
    s["voice"] = r.u(-0.5, 0.5)
    s["tune"] = (r.u(0, 1), r.u(0.07, 0.2))
    return s


# ---------------------------------------------------------------- the model on a frequency grid
def smooth_log(y, sig_oct, ppo=48):
    n = int(np.ceil(3 * sig_oct * ppo))
    k = np.exp(-0.5 * (np.arange(-n, n + 1) / (sig_oct * ppo)) ** 2)
    return np.convolve(
        np.concatenate([np.full(n, y[0]), y, np.full(n, y[-1])]), k / k.sum(), "valid"
    )


def db(p):
    return 10 * np.log10(np.maximum(p, 1e-12))


class Model:
    def __init__(self, s, f):
        self.s, self.f = s, f
        self.nat = None
        D, br = s["dist"], s["branches"]
        lo = s["bass"]
        fs = 1j * f
        self.A, self.pats = [], []
        common = lowpass(f, s["top"] * 1.3, 2)
        for i, b in enumerate(br):
            t = np.full(len(f), b["sign"], complex)
            if b["hp"]:
                t *= highpass(f, *b["hp"])
                t *= np.exp(
                    1j * np.deg2rad(s["mis"]) * f / b["hp"][0] / (1 + (f / b["hp"][0] / 2) ** 4)
                )
            if b["lp"]:
                t *= lowpass(f, *b["lp"])
            if s["comp"]:
                for o in br[i + 2 :]:
                    x = o["hp"]
                    t *= lowpass(f, *x) + (1 if x[1] == 4 else -1) * highpass(f, *x)
            p = pattern(b["pat"], f, s["box"])
            if len(b["pos"]) == 1 and "twin" not in b:
                p = p * path(f, b["pos"][0], D)
            else:
                g = np.array(b.get("gains", [1.0] * len(b["pos"])))
                acc, ax = 0, 0
                for y, gi in zip(b["pos"], g):
                    q = gi * path(f, y, D)
                    if b.get("outer"):
                        rel = abs(y[1]) / max(abs(z[1]) for z in b["pos"])
                        q = q * (1 / np.sqrt(1 + (f * rel**1.3 / b["outer"]) ** 2))[:, None]
                    acc = acc + q
                p = p * acc
                if "twin" in b:
                    p = p + pattern(b["twin"]["pat"], f, s["box"]) * path(
                        f, b["twin"]["pos"][0], D
                    )
            p = p / np.abs(p[:, HORIZONTAL_0 : HORIZONTAL_0 + 1])
            if i == 0:
                if lo["kind"] == "sealed":
                    z = fs / lo["f"]
                    box = z * z / (z * z + z / lo["q"] + 1)
                    self.A.append((t * box)[:, None] * p)
                    lf = np.abs(box)
                else:
                    den = np.ones(len(f), complex)
                    for fq, q in zip(lo["f"], lo["q"]):
                        den *= fs * fs + fs * fq / q + fq * fq
                    z = {
                        "rear": (0, -0.1, -s["d"] - s["w"] / 4),
                        "front": (0, b["pos"][0][1] - 0.15, 0),
                        "down": (0, b["pos"][0][1] - 0.3, -0.1),
                    }[lo["where"]]
                    self.A.append(
                        (t * fs**2 * (fs**2 + lo["fb"] ** 2) / den)[:, None] * p
                        - (t * fs**2 * lo["fb"] ** 2 / den)[:, None] * path(f, z, D)
                    )
                    lf = np.abs(fs**4 / den)
            else:
                self.A.append(t[:, None] * p)
            self.pats.append(p)
        # natural small things, shared by every branch
        mod = common.copy()
        for f0, g, q in s["modes"]:
            mod *= peaking(f, f0, g, q)
        edge = np.ones((len(f), 72), complex)
        hp = (f**2 / (f**2 + s["edge_hp"] ** 2))[:, None]
        front = 1 / (1 + np.exp((GAM - 100) / 10))
        for x, y, g in s["edges"]:
            d = np.hypot(x, y) - (DIR @ np.array([x, y, 0.0]))
            edge -= g * hp * np.exp(-1j * (2 * np.pi / C) * f[:, None] * d) * front
        lo2 = np.log2(f / 20)
        a = np.array([np.interp(lo2, s["kn"], smooth_log(k, 1.2, 1)) for k in s["soft"]])
        th = np.deg2rad(ANGLES_DEG)
        sh = sum(a[m][:, None] * (1 - np.cos((m + 1) * th)) / 2 for m in range(3))
        fh = (
            sum(a[3 + m][:, None] * np.sin((m + 1) * th) + 0 for m in range(2))
            + a[5][:, None] * (1 - np.cos(2 * th)) / 2
        )
        fv = (
            sum(a[6 + m][:, None] * np.sin((m + 1) * th) for m in range(3))
            + a[9][:, None] * (1 - np.cos(2 * th)) / 2
            + a[10][:, None] * (1 - np.cos(4 * th)) / 2
        )
        grow = (f / (f + 700))[:, None]
        field = np.hstack([sh + fh * 0.7, sh + fv]) * grow
        field = 6 * np.tanh(field / 6)
        self.nat = mod[:, None] * edge * 10 ** (field / 20)
        for i in range(len(self.A)):
            self.A[i] = self.A[i] * self.nat
        if "eq" not in s:  # the maker's own flattening, on the truth grid only
            c = self.curves([])
            r = (
                s["tune"][0] * c[:, 2]
                + (1 - s["tune"][0]) * c[:, 0]
                - db(lf**2)
                - db(np.abs(mod / 1.0) ** 2)
            )
            eq = np.clip(-smooth_log(r, s["tune"][1]), -9, 9)
            s["eq"] = eq + s["voice"] * np.clip(np.log2(FREQS_HZ / 1000), -3, 4) / 3
            c = self.curves([])[:, 0] + s["eq"]
            s["eq"] = s["eq"] + s["level"] - np.mean(c[(FREQS_HZ > 300) & (FREQS_HZ < 6000)])
        g = 10 ** (np.interp(lo2, np.arange(480) / 48, s["eq"]) / 20)[:, None]
        for i in range(len(self.A)):
            self.A[i] = self.A[i] * g
        self.finish()

    def finish(self):
        self.H0 = sum(self.A)
        self.ax = self.H0[:, HORIZONTAL_0]
        self.c0 = db(np.abs(self.H0) ** 2 @ W)
        self.cache = {}

    def thin(self, n):
        m = object.__new__(Model)
        m.s, m.f = self.s, self.f[::n]
        m.A = [a[::n] for a in self.A]
        m.pats = [a[::n] for a in self.pats]
        m.H0, m.ax, m.c0, m.cache = self.H0[::n], self.ax[::n], self.c0[::n], {}
        return m

    def ops(self, d):
        k = id(d)
        if k not in self.cache:
            self.cache[k] = (d, d["ops"](self))  # keeps d alive: its id stays its own
        return self.cache[k][1]

    def pressure(self, defects):
        if not defects:
            return sum(self.A)
        bm, add, mul1, mul2 = {}, [], None, []
        for d in defects:
            for what, i, arr in self.ops(d):
                arr = arr if arr.ndim == 2 else arr[:, None]
                if what == "branch":
                    bm[i] = arr if i not in bm else bm[i] * arr
                elif what == "add":
                    add.append(arr)
                elif arr.shape[1] == 1:
                    mul1 = arr if mul1 is None else mul1 * arr
                else:
                    mul2.append(arr)
        H = 0
        if bm:
            for i, a in enumerate(self.A):
                H = H + (a * bm[i] if i in bm else a)
        else:
            H = self.H0
        for a in add:
            H = H + a
        for m in mul2 + ([mul1] if mul1 is not None else []):
            H = H * m
        return H

    def curves(self, defects):
        return db(np.abs(self.pressure(defects)) ** 2 @ W)


# ---------------------------------------------------------------- defects
def crossovers(s):
    """audible band crossovers: (upper branch index, f, order, distance between centres in
    wavelengths)"""
    out = []
    for i, b in enumerate(s["branches"]):
        if b["hp"]:
            lo = s["branches"][i - 1]
            ps, qs = np.array(b["pos"], float), np.array(lo["pos"], float)
            d = max(np.linalg.norm(ps.mean(0) - qs[j]) for j in range(len(qs)))
            out.append((i, b["hp"][0], b["hp"][1], d * b["hp"][0] / C))
    return out


def leading_branch(m, f0):
    i = int(np.argmin(np.abs(np.log(m.f / f0))))
    v = np.array([abs(a[i, HORIZONTAL_0]) for a in m.A])
    return int(np.argmax(v)), float(v.max() / np.sqrt((v**2).sum()))


def d_resonance(r, s, m, ppo):
    f0 = r.lu(250, 9000)
    q = r.lu(2.5, min(18.0, 0.55 * ppo))
    g = r.u(2.0, 7.0) if r.p(0.75) else -r.u(2.0, 5.5)
    how = r.pick(["branch", "all", "panel"], [5, 3, 2])
    if how == "panel" and g < 0:
        how = "branch"
    b, share = leading_branch(m, f0)
    if how == "branch" and share < 0.85:
        how = "all"
    if how == "branch":
        ops = lambda M: [("branch", b, peaking(M.f, f0, g, q))]
    elif how == "all":
        ops = lambda M: [("mul", 0, peaking(M.f, f0, g, q))]
    else:
        # a ringing wall or basket: one pole pair, its own, wider, pattern than the driver's
        amp, mix = 10 ** (g / 20) - 1, r.u(0.3, 0.8)

        def ops(M):
            z = 1j * M.f / f0
            bp = (z / q) / (z * z + z / q + 1)
            own = mix * M.H0 / np.abs(M.ax[:, None]) + (1 - mix) * (M.ax / np.abs(M.ax))[
                :, None
            ] * 10 ** (box_db(M.f, *s["box"][:2], GAM, 15) / 40)
            return [("add", 0, amp * bp[:, None] * np.abs(M.ax)[:, None] * own)]

    return dict(f0=f0, ops=ops, how=how, g=g, q=q)


def d_balance(r, s, m, ppo):
    g = r.u(2.0, 5.5) * r.pick([-1, 1])
    opts = ["shelf", "tilt", "bell"]
    xs = [x for x in crossovers(s) if 400 <= x[1] <= 4500]
    how = r.pick(opts + (["driver"] if xs else []))
    if how == "driver":
        i, f0 = r.pick(xs)[:2]
        lev = np.array(10 ** (g * 0.9 / 20))
        return dict(
            f0=f0,
            how=how,
            g=g,
            ops=lambda M: [
                ("branch", k, np.full(len(M.f), lev, complex)) for k in range(i, len(M.A))
            ],
        )
    if how == "shelf":
        f0, q, hi = r.lu(300, 5000), r.u(0.35, 0.75), r.p(0.5)
        fn = lambda f: shelf(f, f0, g, q, hi)
    elif how == "bell":
        f0, q = r.lu(350, 6000), r.u(0.25, 0.55)
        fn = lambda f: peaking(f, f0, g, q)
    else:
        f0 = 1000.0
        lo, hi = r.u(80, 200), r.u(1e4, 1.8e4)

        def fn(f):
            x = np.log2(f)
            a, b = np.log2(lo), np.log2(hi)
            sp = lambda t: np.log1p(np.exp(-np.abs(t))) + np.maximum(t, 0)
            u = a + (sp((x - a) * 4) - sp((x - b) * 4)) / 4
            return 10 ** (1.25 * g * ((u - a) / (b - a) - 0.5) / 20) + 0j

    return dict(f0=f0, how=how, g=g, ops=lambda M: [("mul", 0, fn(M.f))])


def d_shallow(r, s, m, ppo):
    f0, q, g = r.lu(280, 8500), r.u(0.8, 2.0), -r.u(1.6, 4.0)
    b, share = leading_branch(m, f0)
    if r.p(0.4) and share > 0.9:
        return dict(f0=f0, how="branch", ops=lambda M: [("branch", b, peaking(M.f, f0, g, q))])
    return dict(f0=f0, how="all", ops=lambda M: [("mul", 0, peaking(M.f, f0, g, q))])


def d_cancel(r, s, m, ppo):
    how = r.pick(["rear", "front", "side", "through"], [4, 3, 2, 2])
    f0 = r.lu(
        *{"rear": (250, 2500), "front": (280, 5000), "side": (300, 4000), "through": (400, 6500)}[
            how
        ]
    )
    lam = C / f0
    dist = float(np.clip(r.u(0.35, 1.1) * lam, 0.02, 0.8))
    if how == "rear":
        pos = np.array([r.u(-0.1, 0.1) * dist, r.u(-0.6, 0.2) * dist, -dist])
        axis = np.array([0, 0, -1.0])
    elif how == "front":
        pos = np.array([r.u(-0.4, 0.4) * dist, -dist * r.pick([1, 1, -1]), -r.u(0, 0.25) * dist])
        axis = FRONT
    elif how == "side":
        pos = np.array([r.pick([-1, 1]) * dist, r.u(-0.5, 0.5) * dist, -r.u(0.1, 0.7) * dist])
        axis = np.array([np.sign(pos[0]) * 0.8, 0, 0.6])
    else:  # back wave leaving late through the cone or a slit
        pos = np.array([r.u(-0.3, 0.3) * dist, r.u(-0.3, 0.3) * dist, -dist])
        axis = FRONT
    gain, bw = r.lu(0.24, 0.8), r.lu(0.2, 0.9)
    # pipe or cavity mode (one pole pair) or a broad leak
    tau = r.u(0, 0.6) / f0
    pipe = r.p(0.5)
    q = r.u(1.5, 6)
    rear_gain = r.u(1.0, 1.5)

    def ops(M):
        f = M.f
        gam = np.rad2deg(np.arccos(np.clip(DIR @ (axis / np.linalg.norm(axis)), -1, 1)))
        pat = 10 ** (np.minimum(sphere_db(f, 0.6 * s["box"][0], gam), 0) / 20)
        pat = pat / pat[:, HORIZONTAL_0 : HORIZONTAL_0 + 1]
        pat = rear_gain * np.tanh(pat / rear_gain) / np.tanh(1 / rear_gain)
        if pipe:
            z = 1j * f / f0
            band = (z / q) / (z * z + z / q + 1)
        else:
            band = np.exp(-0.5 * (np.log2(f / f0) / bw) ** 2) + 0j
        src = -gain * band * np.exp(-2j * np.pi * (f - f0) * tau) * M.ax
        return [("add", 0, src[:, None] * pat * path(f, pos, s["dist"]))]

    return dict(f0=f0, how=how, ops=ops)


def d_null(r, s, m, ppo):
    f0 = r.lu(350, 8500)
    how = r.pick(["behind", "ring", "lip"], [4, 3, 3])
    comb = r.p(0.25)
    half = C / (2 * f0)
    g = r.u(0.62, 0.96)
    bw = r.u(0.9, 1.4) if comb else r.u(0.3, 0.75)
    k = 2 * np.pi / C
    front = 0.15 + 0.85 / (1 + np.exp((GAM - r.u(75, 120)) / 12))
    if how == "behind":
        v = np.array([r.u(-1, 1) * half, r.u(-1.3, 1.3) * half, -half])
        extra = -(DIR @ v)
        amp = np.ones(72)
    elif how == "lip":
        a = r.u(0, 2 * np.pi)
        rad = r.u(0.8, 2.0) * half
        extra = half - DIR @ np.array([rad * np.cos(a), rad * np.sin(a), 0])
        amp = np.ones(72)
    else:
        rad = r.u(0.9, 1.8) * half
        extra = np.full(72, half)

    def ops(M):
        w = np.exp(-np.abs(np.log2(M.f / f0) / bw) ** (2.0))[:, None]
        kf = k * M.f[:, None]
        if how == "ring":
            t = np.sin(np.deg2rad(np.minimum(GAM[17:36], 90)))  # 0 .. 180
            jj = j0(kf * rad * t)
            return [
                (
                    "mul",
                    0,
                    1 + g * w * np.exp(-1j * kf * half) * front * jj[:, (GAM / 10).astype(int)],
                )
            ]
        return [("mul", 0, 1 + g * w * np.exp(-1j * kf * extra) * (front * amp))]

    return dict(f0=f0, how=how, comb=comb, ops=ops)


def d_xo(r, s, m, ppo):
    xs = [x for x in crossovers(s) if 250 <= x[1] <= 9000 and x[3] >= 0.33]
    if not xs:
        return None
    i, f0 = r.pick(xs)[:2]
    how = r.pick(["polarity", "delay", "allpass"], [3, 4, 3])
    if how == "polarity":
        fn = lambda f: -np.ones(len(f), complex)
    elif how == "delay":
        ph = np.deg2rad(r.u(95, 180)) * r.pick([-1, 1])
        fn = lambda f: np.exp(1j * ph * f / f0)
    else:
        fa, q = f0 * r.u(0.85, 1.2), r.u(0.5, 1.1)
        fn = lambda f: (1 - 1j * f / fa / q - (f / fa) ** 2) / (
            1 + 1j * f / fa / q - (f / fa) ** 2
        )
    return dict(f0=f0, how=how, ops=lambda M: [("branch", k, fn(M.f)) for k in range(i, len(M.A))])


def d_step(r, s, m, ppo):
    xs = [
        x
        for x in crossovers(s)
        if x[1] >= 700 and s["branches"][x[0] - 1]["pat"]["kind"] in ("cone", "cardioid")
    ]
    how = r.pick(["bigcone", "swing", "saw", "power"], [4 if xs else 0, 3, 3, 2])
    if how == "bigcone":
        i, f0 = r.pick(xs)[:2]
        pat = s["branches"][i - 1]["pat"]
        big = r.u(2.5, 4.6) * C / (2 * np.pi * f0)
        if big < 1.15 * pat["r"]:
            return None

        def ops(M):
            a = piston(M.f, big, GAM, big_dec, 0.15)
            b = piston(M.f, pat["r"], GAM, pat["fdec"], pat.get("eps", 0.12))
            return [("branch", i - 1, np.minimum(a / b, 1.2) + 0j)]

        big_dec = r.u(3, 6) * C / (2 * np.pi * big)
        return dict(f0=f0, how=how, ops=ops)
    f0 = r.lu(350, 8500)
    sign = r.pick([-1, 1])
    amp = r.u(2.5, 8.0) * sign
    if how == "power":
        amp = r.u(0.4, 1.0) if sign < 0 else -r.u(0.25, 0.6)
    bw, tail = r.u(0.25, 0.8), r.u(0.6, 1.6)
    edge = r.u(0.08, 0.25)
    onset = r.u(28, 60)
    only = r.pick(["both", "both", "h", "v"])
    flip = r.p(0.5)

    def shape(f):
        x = np.log2(f / f0)
        if how != "saw":
            return np.exp(-0.5 * (x / bw) ** 2)
        x = -x if flip else x
        return 1 / (1 + np.exp(-np.clip(x / edge, -50, 50))) * np.exp(-np.maximum(x, 0) / tail)

    g = GAM / onset
    sg = g**3 / (1 + g**3)
    rear = 0.5 + 0.5 * np.cos(np.pi * np.clip((GAM - 110) / 70, 0, 1))
    if only == "h":
        sg[36:] *= 0
        sg[:36] *= rear[:36]
    elif only == "v":
        sg[:36] *= 0
        sg[36:] *= rear[36:]

    def ops(M):
        b = shape(M.f)[:, None]
        if how == "power":
            n = np.clip(np.abs(M.H0) / np.abs(M.ax[:, None]), 0.03, 1.6)
            return [("mul", 0, n ** (amp * b) + 0j)]
        return [("mul", 0, 10 ** (amp * b * sg / 20) + 0j)]

    return dict(f0=f0, how=how, ops=ops)


def d_axis(r, s, m, ppo):
    how = r.pick(["ring", "oval", "spot", "teeth"], [4, 3, 2, 2])
    k = 2 * np.pi / C
    f0 = r.lu(1200, 8800)
    bw = r.u(0.45, 1.1)
    if how in ("ring", "oval"):
        rad = max(r.u(0.06, 0.24), r.u(1.0, 2.0) * C / f0)
        g = r.u(0.14, 0.42)
        rv = rad * r.u(0.6, 1.5) if how == "oval" else rad

        def ops(M):
            kf = k * M.f[:, None]
            w = np.exp(-0.5 * (np.log2(M.f / f0) / bw) ** 2)[:, None]
            t = np.sin(np.deg2rad(np.minimum(GAM[17:36], 90)))
            idx = (GAM[:36] / 10).astype(int)
            jh, jv = j0(kf * rad * t), j0(kf * rv * t)
            jj = np.hstack([jh[:, idx], jv[:, idx]])
            fr = 1 / (1 + np.exp((GAM - 90) / 10))
            return [("mul", 0, 1 - g * w * np.exp(-1j * kf * rad) * jj * fr)]

    else:
        wid = r.u(4, 8)
        n = 1 if how == "spot" else int(r.g.integers(3, 6))
        pk = [
            (
                f0 if j == 0 else f0 * 2 ** r.u(-0.8, 0.8),
                r.u(2, 5) * r.pick([-1, 1]),
                r.lu(3, min(10, 0.5 * ppo)),
            )
            for j in range(n)
        ]

        def ops(M):
            h = np.ones(len(M.f), complex)
            for a, b, c in pk:
                h = h * peaking(M.f, a, b, c)
            return [("mul", 0, np.exp(np.log(h)[:, None] * np.exp(-((GAM / wid) ** 2))[None, :]))]

    return dict(f0=f0, how=how, ops=ops)


DRAW = dict(
    zip(KINDS, [d_resonance, d_balance, d_shallow, d_cancel, d_null, d_xo, d_step, d_axis])
)


def judge(kind, d, f, e, slack=1.0):
    """does the effect e (window, in-room, axis; dB) mean what its kind says? Returns the
    frequency it sits at, or None"""
    band = (f > 200) & (f < 1.1e4)
    x, fb = e[band], f[band]
    w, ir, ax = x[:, 0], x[:, 1], x[:, 2]
    near = np.abs(np.log2(fb / d["f0"])) < 0.6
    k, big = slack, np.abs(x).max(0)
    if kind == "resonance":
        pk = np.abs(w[near]).max()
        j = np.argmax(np.abs(w * near))
        ok = (
            pk >= 1.2 * k
            and pk <= 8 / k
            and np.sign(w[j]) == np.sign(d["g"])
            and 0.6 < ir[j] / w[j] < 1.6
            and abs(np.log2(fb[j] / d["f0"])) < 0.12
        )
        ok = ok and np.abs(w * ~near).max() < 0.5 * pk
        return d["f0"] if ok else None
    if kind == "balance":
        return (
            d["f0"]
            if np.ptp(w) >= 1.8 * k
            and np.ptp(w) < 7.5
            and np.std(w) > 0.5 * k
            and np.abs(w - ir).max() < 1.5
            else None
        )
    if kind == "shallow-dip":
        j = np.argmin(np.where(near, w, 0))
        return (
            d["f0"]
            if -4.3 <= w[j] <= -1.4 * k and 0.7 < ir[j] / w[j] < 1.4 and w.max() < 0.8
            else None
        )
    if kind in ("cancellation", "deep-null", "crossover-phase"):
        j = np.argmin(w)
        if not near[j] or not 250 <= fb[j] <= 9000:
            return None
        if kind == "cancellation":
            ok = (
                -12 / k < w[j] <= -2.0 * k and ir[j] > 0.7 * w[j] / k and w.max() < -0.6 * w[j] / k
            )
        elif kind == "deep-null":
            ok = (
                w[j] <= -3.0 * k
                and ax[near].min() <= -8 * k
                and ax[near].min() < 1.2 * w[j]
                and w.max() < min(2.5, -0.5 * w[j]) / k
                and ir[j] > 0.8 * w[j] / k
            )
        else:
            ok = w[j] <= -2.0 * k and ir[j] > 0.85 * w[j] / k and w.max() < -0.6 * w[j] / k
        return fb[j] if ok else None
    if kind == "directivity-step":
        j = np.argmax(np.abs(ir))
        ok = big[1] >= 1.2 * k and big[1] < 5 and big[2] < 0.25 / k and big[0] < 0.55 * big[1] / k
        return fb[j] if ok and 250 <= fb[j] <= 9000 else None
    j = np.argmax(np.abs(ax))
    ok = (
        big[2] >= 1.5 * k
        and big[2] < 6 / k
        and big[0] < 0.42 * big[2] / k
        and np.std(w) < 0.4 * np.std(ax) / k
    )
    return fb[j] if ok and 250 <= fb[j] <= 9000 else None


LOCAL = {"resonance", "shallow-dip", "cancellation", "deep-null", "crossover-phase"}
HARD = {"resonance", "shallow-dip", "balance"}


def moves(m, d, kind):
    """the angle evidence of a cancellation: somewhere it turns from a dip to a rise or clears
    up"""
    E = 20 * np.log10(np.abs(m.pressure([d])) / (np.abs(m.H0) + 1e-9) + 1e-6)
    sel = np.abs(np.log2(m.f / d["f0"])) < 0.15
    e = E[sel].mean(0)
    fr = GAM <= 90
    return np.ptp(e[fr]) > 1.5 and e.max() > 0.1 * e.min() + (
        0.4 if kind == "cancellation" else 0.0
    )


def clear(kind, f0, placed, tight):
    for k2, f2 in placed:
        gap = abs(np.log2(f0 / f2))
        if kind in LOCAL and k2 in LOCAL:
            lim = 0.5 if (kind in HARD) != (k2 in HARD) else 0.35
        elif "balance" in (kind, k2):
            lim = 0.0
        else:
            lim = 0.12
        if gap < lim * tight:
            return False
    return True


def one_speaker(seed):
    r = Rng(np.random.default_rng([seed, 715517]))
    n = int(r.g.integers(3, 6))
    kinds = [KINDS[i] for i in r.g.permutation(8)[:n]]
    if r.p(0.2):
        two = [k for k in kinds if k not in ("balance", "crossover-phase", "directivity-step")]
        if two:
            kinds[[i for i in range(n) if kinds[i] not in two[:1]][-1]] = two[0]
    ppo = int(r.g.integers(12, 49))
    noise = 0.0 if r.p(0.08) else r.u(0, 0.5)
    style = r.pick(["white", "smooth", "rising"], [5, 4, 1])
    rank = [
        "crossover-phase",
        "directivity-step",
        "deep-null",
        "cancellation",
        "single-axis",
        "resonance",
        "shallow-dip",
        "balance",
    ]
    tight = 0.4 if r.p(0.2) else 1.0  # in some speakers the defects crowd together
    todo = sorted(kinds, key=rank.index)
    for attempt in range(40):
        s = draw_speaker(r, "crossover-phase" in kinds)
        if "crossover-phase" in kinds and not any(
            250 <= x[1] <= 9000 and x[3] >= 0.33 for x in crossovers(s)
        ):
            continue
        M = Model(s, FREQS_HZ)
        mid = (FREQS_HZ > 200) & (FREQS_HZ < 1e4)
        if np.ptp(M.c0[mid, 0]) > 6 or np.ptp(M.c0[mid, 2]) > 8:
            continue
        m = M.thin(2)
        placed, defects = [], []
        for kind in todo:
            for t in range(14):
                d = DRAW[kind](r, s, m, ppo)
                if d is None or not clear(kind, d["f0"], placed, tight):
                    continue
                at = judge(kind, d, m.f, m.curves([d]) - m.c0)
                if at is None or (
                    kind in ("cancellation", "crossover-phase") and not moves(m, d, kind)
                ):
                    continue
                d.update(kind=kind)
                placed.append((kind, d["f0"]))
                defects.append(d)
                break
            else:
                break
        if len(defects) < n:
            continue
        full = M.curves(defects)
        eff, good = [], True
        for d in defects:
            e = full - M.curves([x for x in defects if x is not d])
            at = judge(d["kind"], d, FREQS_HZ, e, 0.85)
            good &= at is not None
            if not good:
                break
            d["at"] = at
            eff.append(e)
        if good:
            break
    else:
        raise RuntimeError("seed %d found no speaker" % seed)
    perm = r.g.permutation(n)
    defects, eff = [defects[i] for i in perm], [eff[i] for i in perm]
    nf = int(round(ppo * np.log2(1000.0))) + 1
    f = 20.0 * 1000.0 ** (np.arange(nf) / (nf - 1))
    meas = 20 * np.log10(np.maximum(np.abs(Model(s, f).pressure(defects)), 1e-6))
    z = r.n(nf, 72)
    if style == "smooth":
        wd = r.u(0.5, 2.5)
        kk = np.exp(-0.5 * (np.arange(-8, 9) / wd) ** 2)
        kk /= np.sqrt((kk**2).sum())
        z = r.n(nf + 16, 72)
        z = sum(kk[i] * z[i : i + nf] for i in range(17))
    elif style == "rising":  # more noise off the axis, where the level is low
        lv = meas.max() - meas
        g = 10 ** (np.clip(lv, 0, 20) / 40)
        z = z * g / np.sqrt((g**2).mean())
    meas = meas + noise * z
    i180 = 35
    meas[:, 36 + HORIZONTAL_0], meas[:, 36 + i180] = (
        meas[:, HORIZONTAL_0],
        meas[:, i180],
    )  # shared points are one measurement
    syl = [
        "ba",
        "lo",
        "ri",
        "tem",
        "sul",
        "va",
        "no",
        "kir",
        "mu",
        "dan",
        "fe",
        "zor",
        "pi",
        "hal",
        "wen",
    ]
    name = "".join(r.pick(syl) for _ in range(3)).capitalize() + " %d" % r.g.integers(2, 90)
    return dict(
        name=name,
        spec=s,
        f=f,
        meas=meas,
        defects=defects,
        eff=eff,
        healthy=M.c0[:, 0],
        ppo=ppo,
        noise=noise,
        c0=M.c0,
        attempts=attempt + 1,
    )


def known_speaker(seed):
    sp = one_speaker(seed)
    known = [KnownDefect(d["kind"], d["at"], e.T) for d, e in zip(sp["defects"], sp["eff"])]
    return KnownSpeaker(sp["name"], sp["f"], sp["meas"], sp["healthy"], known)


if __name__ == "__main__":
    run(known_speaker, __doc__, Form(defect_hz=1))
