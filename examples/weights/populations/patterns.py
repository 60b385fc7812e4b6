#!/usr/bin/env python3
"""Simulated loudspeakers with known defects.

Modelling: every driver is an on-axis transfer function (crossover, box, ripple) times a
directivity written as a low-order expansion whose coefficients move smoothly with frequency
(Legendre series, cosine powers, mixtures of cosine powers, von Mises beams; elliptical and
waveguide variants). Drivers sit at positions and add as complex far fields. Defects are transfer
functions with an explicit angular pattern: on one driver, on the whole speaker, or as an added
second source.

    P(f, W) = ( sum_i driver_i * mul_i + sum_j added_j ) * common

then powers are averaged as in CTA-2034-A.
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
from scipy.special import j0, j1, eval_legendre

C0 = 343.0
LMAX = 12

# ---- angles and averages (72 columns: horizontal, vertical)
_a = np.deg2rad(ANGLES_DEG.astype(float))
X = np.concatenate([np.sin(_a), np.zeros(36)])
Y = np.concatenate([np.zeros(36), np.sin(_a)])
Z = np.concatenate([np.cos(_a), np.cos(_a)])
X[np.abs(X) < 1e-12] = 0.0
Y[np.abs(Y) < 1e-12] = 0.0
TH = np.arccos(np.clip(Z, -1, 1))
RHO2 = X**2 + Y**2
_t = np.where(RHO2 > 1e-9, RHO2, 1.0)
FH = np.where(RHO2 > 1e-9, X**2 / _t, 0.5)  # share of horizontal in the direction
FV = 1 - FH
CARD = np.clip((1 + Z) / 2, 0, 1)
PL = np.array([eval_legendre(l, Z) for l in range(LMAX + 1)])
LL = np.arange(LMAX + 1)


W = np.column_stack(average_weights().judged())


class Grid:
    """frequencies as a column, with the speaker's healthy fields cached on it"""

    def __init__(self, f):
        self.f1 = f
        self.f = f[:, None]
        self.k = 2 * np.pi * self.f / C0
        self.lf = np.log2(self.f)
        self.cache = {}


# ------------------------------------------------------------------ small tools
def U(r, a, b):
    return r.uniform(a, b)


def pick(r, items, p=None):
    return items[int(r.choice(len(items), p=None if p is None else np.array(p) / np.sum(p)))]


def sgn(r, plus=0.5):
    return 1.0 if r.random() < plus else -1.0


def dB(x):
    return 10 ** (x / 20)


def bp(f, f0, q):
    x = f / f0
    return (1j * x / q) / (1 - x * x + 1j * x / q)


def sig(x):
    return 1 / (1 + np.exp(-np.clip(x, -40, 40)))


def rcos(x):
    """raised cosine, 1 at 0, half at +-0.5, 0 at +-1"""
    return np.where(np.abs(x) < 1, 0.5 + 0.5 * np.cos(np.pi * np.clip(x, -1, 1)), 0)


# ------------------------------------------------------------------ directivity
def n_of(g, p):
    """beam exponent (the pattern behaves like ((1+cos)/2)**n near the axis) as a smooth
    function of frequency; F x 1 or F x 72"""
    q = 0.57 * p["scale"] * (g.k * p["a"]) ** 2
    ns = p["nsat"]
    if p["nform"] == 0:
        n = ns * (1 - np.exp(-q / ns))
    elif p["nform"] == 1:
        n = ns * q / (ns + q)
    elif p["nform"] == 2:
        q = 0.57 * p["scale"] * (g.k * p["a"]) ** 1.7
        n = ns * q / np.sqrt(ns * ns + q * q)
    else:
        n = ns * np.tanh(q / ns)
    if p["wg"]:  # waveguide: holds a beam width over a wide band
        fw, wd, nw, rise = p["wg"]
        n = (
            nw * sig((g.lf - np.log2(fw)) / wd) * (1 + rise * np.maximum(0, g.lf - np.log2(4000)))
            + 0.25 * n
        )
    b = (g.k * p["rb"]) ** 2  # baffle takes the half space
    n = n + p["nb"] * (
        b / (1 + b)
        if p["bform"] == 0
        else 1 - np.exp(-b) if p["bform"] == 1 else b**0.75 / (1 + b**0.75)
    )
    if p["ell"] != 0:
        n = n * (1 + p["ell"] * (FV - FH) * sig((g.lf - np.log2(p["fell"])) / 0.4))
    return n


def pattern(g, p, n):
    form = p["form"]
    lc = np.log((1 + p["kap"] * Z) / (1 + p["kap"]))  # cardioid softened to the back
    if form == "cospow":
        D = np.exp(n * lc)
    elif form == "mises":
        D = np.exp(-n * (1 - Z) / 2)
    elif form == "heat" or form == "matern":  # Legendre series with decaying coefficients
        nn = np.maximum(n[:, :1] if n.shape[1] > 1 else n, 1e-3)
        lam = LL * (LL + 1)
        b = np.exp(-lam / nn) if form == "heat" else (1 + lam / (2 * nn)) ** -2.5
        b = b * (2 * LL + 1)
        D = (b @ PL) / b.sum(1, keepdims=True)
    else:  # "mix": neighbours in the ladder of cosine powers
        lad = np.array([0, 1, 2, 4, 8, 16, 32.0])
        x = np.interp(n, lad, np.arange(7.0))
        D = 0
        for i, m in enumerate(lad):
            D = D + rcos(x - i) * np.exp(m * lc)
    eps = p["eps"] * (1 - np.exp(-n.mean(1, keepdims=True)))
    D = (1 - eps) * D + eps * np.exp(-2j * g.k * p["rb"] * (1 - Z) * 0.5)
    if p["kind"] == "dipole":
        D = D * (0.08 + 0.92 * Z) if p["form"] == "mises" else np.exp(-n * (1 - Z**2) / 2) * Z
    elif p["kind"] == "cardioid":
        lo = 1 - sig((g.lf - np.log2(700)) / 0.4)
        D = D * (1 - lo * p["ncard"] * (1 - CARD))
    return D * np.exp(-1j * g.k * p["rb"] * p["beta"] * (1 - Z))


def new_pattern(r, a, rb, nb, bform, kind, beta, tweeter=False, wave=False):
    p = dict(
        a=a,
        rb=rb,
        nb=nb,
        bform=bform,
        kind=kind,
        beta=beta + U(r, -0.06, 0.06),
        scale=log_uniform(r, 0.75, 1.25),
        nsat=U(r, 5, 12) if not tweeter else U(r, 4, 10),
        nform=int(r.integers(4)),
        wg=None,
        ell=0.0,
        fell=1000.0,
        eps=U(r, 0.01, 0.10),
        ncard=U(r, 0.7, 1.0),
        kap=U(r, 0.6, 0.88),
        form=pick(r, ["cospow", "mises", "heat", "matern", "mix"]),
    )
    if wave:
        p["wg"] = (U(r, 900, 2500), U(r, 0.25, 0.7), U(r, 2.0, 5.5), U(r, -0.1, 0.25))
    if (wave and r.random() < 0.6) or (tweeter and r.random() < 0.12):
        p["form"] = pick(r, ["cospow", "mises", "mix"])
        p["ell"] = U(r, 0.1, 0.5) * sgn(r, 0.75)
        p["fell"] = log_uniform(r, 800, 3000)
    return p


# ------------------------------------------------------------------ healthy speaker
def lr(f, fc, order):
    s = 1j * f / fc
    if order == 2:
        den = (1 + s) ** 2
        return 1 / den, -(s * s) / den  # high pass inverted, as wired
    if order == 4:
        den = (1 + np.sqrt(2) * s + s * s) ** 2
        return 1 / den, s**4 / den
    den = 1 + 2 * s + 2 * s * s + s**3  # third-order Butterworth, flat sum
    return 1 / den, s**3 / den


def new_speaker(r, need_xo):
    sp = {}
    types = ["2way", "2wg", "3way", "mtm", "ext", "coax", "full", "3coax"]
    pr = np.array([0.32, 0.17, 0.24, 0.06, 0.05, 0.08, 0.03, 0.05])
    if need_xo:
        pr[5] = pr[6] = 0
    t = sp["type"] = pick(r, types, pr)
    box = sp["box"] = pick(r, ["sealed", "vented"], [0.45, 0.55])
    kind = pick(r, ["box", "cardioid", "dipole"], [0.93, 0.045, 0.025])
    rb, nb, bform, beta = (
        log_uniform(r, 0.08, 0.2),
        U(r, 0.6, 1.6),
        int(r.integers(3)),
        U(r, 0, 0.5),
    )
    mk = lambda a, tw=False, wv=False: new_pattern(r, a, rb, nb, bform, kind, beta, tw, wv)
    side = 0.0 if r.random() < 0.75 else U(r, -0.04, 0.04)
    up = -1.0 if r.random() < 0.88 else 1.0  # woofer below (or above) the tweeter
    at = U(r, 0.009, 0.016)
    drv, xo = [], []
    orders = [2, 4, 4] if r.random() < 0.9 else [3]
    if t in ("2way", "2wg", "mtm"):
        aw = log_uniform(r, 0.045, 0.10)
        wave = t == "2wg" or (t == "mtm" and r.random() < 0.3)
        fcmax = min(4200.0, 1.9 * C0 / (2 * np.pi * aw) * 1.35)
        fc = log_uniform(r, 1100 if wave else 1500, max(fcmax, 1700))
        dy = aw + (U(r, 0.05, 0.085) if wave else at + U(r, 0.022, 0.045))
        pos = [(side, up * dy, 0)] if t != "mtm" else [(0, dy, 0), (0, -dy, 0)]
        drv = [(mk(aw), pos), (mk(at, True, wave), [(0, 0, 0)])]
        xo = [(fc, pick(r, orders))]
    elif t in ("3way", "3coax"):
        aw, am = log_uniform(r, 0.075, 0.16), log_uniform(r, 0.03, 0.065)
        fc2 = log_uniform(r, 1800, 4500 if am < 0.05 else 3200)
        fc1 = log_uniform(r, 250, 650)
        if t == "3coax":
            dm = 0.0
        else:
            dm = am + at + U(r, 0.02, 0.04)
        dw = dm + am + aw + U(r, 0.02, 0.15)
        drv = [
            (mk(aw), [(side, up * dw, 0)]),
            (mk(am), [(side, up * dm, 0)]),
            (mk(at, True, r.random() < 0.2), [(0, 0, 0)]),
        ]
        xo = [(fc1, pick(r, orders)), (fc2, pick(r, orders))]
    elif t == "ext":  # wide-range driver with a small tweeter on top
        a1 = log_uniform(r, 0.025, 0.05)
        drv = [
            (mk(a1), [(0, 0, 0)]),
            (mk(at * 0.8, True), [(side, a1 + at + U(r, 0.01, 0.02), 0)]),
        ]
        xo = [(log_uniform(r, 4500, 8500), pick(r, orders))]
    elif t == "coax":
        aw = log_uniform(r, 0.045, 0.085)
        drv = [(mk(aw), [(0, 0, 0)]), (mk(at, True, r.random() < 0.6), [(0, 0, 0)])]
        xo = [(log_uniform(r, 1500, 3500), pick(r, orders))]
    else:
        drv = [(mk(log_uniform(r, 0.025, 0.042)), [(0, 0, 0)])]
    sp["drv"], sp["xo"] = drv, xo
    # which crossovers have drivers far enough apart for lobes
    sp["lobing"] = [
        i
        for i in range(len(xo))
        if max(abs(drv[i][1][0][j] - drv[i + 1][1][0][j]) for j in (0, 1)) > 0.2 * C0 / xo[i][0]
    ]
    if box == "sealed":
        fb, q = log_uniform(r, 32, 90), U(r, 0.5, 1.0)
        sp["lf"] = ("s", fb, q)
    else:
        fb = log_uniform(r, 26, 62)
        sp["lf"] = pick(
            r, [("b4", fb, 0), ("mis", fb, U(r, 0.8, 1.35)), ("qb3", fb, U(r, 0.5, 0.9))]
        )
    sp["fb"] = fb
    # natural ripple: per driver (all angles) and with the angle
    sp["rip"] = [
        [
            (log_uniform(r, 60, 18000), r.normal() * 0.28, U(r, 0.12, 0.6))
            for _ in range(int(r.integers(4, 9)))
        ]
        for _ in drv
    ]
    sp["ang"] = [
        (int(r.integers(8)), r.normal() * U(r, 0.1, 0.4), U(r, 0.3, 2.2), U(r, 0, 6.3))
        for _ in range(10)
    ]
    sp["edge"] = (U(r, 0.0, 0.05), rb * U(r, 0.8, 1.2))
    sp["tilt"] = r.normal() * 0.06
    sp["level"] = 0.0 if r.random() < 0.2 else U(r, 72, 96)
    return sp


ANGY = np.array(
    [X, Y, X * Y, (1 - Z), 0.5 * (1 - Z) ** 2, X * (1 - Z), Y * (1 - Z), FH * RHO2 - FV * RHO2]
)
ANGY = np.where(np.abs(ANGY) < 1e-12, 0, ANGY)


def healthy(sp, g):
    """driver fields, common factor, on-axis complex response"""
    if g.cache.get("sp") is sp:
        return g.cache["h"]
    f, k = g.f, g.k
    n = len(sp["drv"])
    # crossover tree: below_i * all-pass of the crossovers above
    H, hp = [], 1.0
    for i in range(n):
        h = hp
        if i < n - 1:
            l, hh = lr(f, *sp["xo"][i])
            h = hp * l
            for j in range(i + 1, n - 1):
                l2, h2 = lr(f, *sp["xo"][j])
                h = h * (l2 + h2)
            hp = hp * hh
        H.append(h * np.ones_like(f, dtype=complex))
    out = []
    for i, (p, pos) in enumerate(sp["drv"]):
        D = pattern(g, p, n_of(g, p))
        ph = 0
        for x, y, z in pos:
            ph = ph + np.exp(1j * k * (X * x + Y * y))
        ph = ph / len(pos)
        rip = sum(a * np.exp(-(((g.lf - np.log2(f0)) / w) ** 2)) for f0, a, w in sp["rip"][i])
        out.append(H[i] * dB(rip) * D * ph)
    form, fb, q = sp["lf"]
    s = 1j * f / fb
    if form == "s":
        hb = s * s / (1 + s / q + s * s)
    elif form == "b4":
        hb = s**4 / (1 + 2.6131 * s + 3.4142 * s**2 + 2.6131 * s**3 + s**4)
    elif form == "mis":
        hb = (s**2 / (1 + s / (0.541 * q) + s * s)) * (s**2 / (1 + s / (1.1 / q) + s * s))
    else:
        hb = s**3 / ((1 + s) * (1 + s / (1 + q * 0.4) + s * s)) * s / (s + 0.5)
    edb = 0
    for m, a, c, ph in sp["ang"]:
        edb = edb + a * np.cos(2 * np.pi * c * g.lf + ph) * ANGY[m]
    edb = edb * sig((g.lf - 9) / 0.6)
    ge, re = sp["edge"]
    mul = (
        hb
        * dB(edb + sp["tilt"] * (g.lf - 10) + sp["level"])
        * (
            1
            - ge
            * np.exp(-1j * k * re * 1.1)
            * j0(k * re * np.sqrt(RHO2))
            * sig((g.lf - 9.5) / 0.3)
        )
    )
    tot = sum(o[:, HORIZONTAL_0 : HORIZONTAL_0 + 1] for o in out)
    g.cache["sp"] = sp
    g.cache["h"] = dict(
        drv=out, mul=mul, axis=tot, drvax=[o[:, HORIZONTAL_0 : HORIZONTAL_0 + 1] for o in out]
    )
    return g.cache["h"]


def field(sp, g, parts):
    """complete complex field, parts: list of lists of (slot, index, array)"""
    h = healthy(sp, g)
    dm = [None] * len(h["drv"])
    mul, add = h["mul"], None
    for part in parts:
        for slot, i, a in part:
            if slot == "drv":
                dm[i] = a if dm[i] is None else dm[i] * a
            elif slot == "mul":
                mul = mul * a
            else:
                add = a if add is None else add + a
    P = 0
    for o, m in zip(h["drv"], dm):
        P = P + (o if m is None else o * m)
    if add is not None:
        P = P + add
    return P * mul


def power(P):
    return P.real**2 + P.imag**2


def curves(P):
    return 10 * np.log10(power(P) @ W + 1e-12)


# ---- defects: each returns dict(fn=grid -> parts, f0=, ...)
def cover(sp, f0):
    i = 0
    for fc, _ in sp["xo"]:
        if f0 > fc:
            i += 1
    return i


def ang_mod(r, amount):
    """smooth low-order pattern with value 1 on the axis"""
    c = r.normal(size=5) * amount * np.array([0.5, 0.5, 0.35, 0.25, 0.25])
    return (
        1
        + c[0] * X * 0.7
        + c[1] * Y * 0.7
        + c[2] * (1 - Z)
        + c[3] * RHO2 * (FH - FV)
        + c[4] * RHO2
    )


def d_resonance(r, sp, f0, ppo):
    q = log_uniform(r, 1.5, min(12.0, 0.6 * ppo))
    neg = r.random() < 0.17
    if neg:
        q = log_uniform(r, 1.5, min(5.0, 0.4 * ppo))
        gdb = -U(r, 1.4, 4.2)
    else:
        gdb = log_uniform(r, 1.3, 9.0) if q < 7 else log_uniform(r, 2.0, 9.0)
    form = pick(r, ["all", "driver", "panel", "pattern", "minphase-angle"], [2, 3, 1.5, 2, 2])
    A = dB(gdb) if not neg else dB(-gdb)
    phi = np.clip(r.normal() * 0.25, -0.7, 0.7) if not neg else 0.0
    i = cover(sp, f0)
    pat = ang_mod(r, 0.35)
    mod = pick(r, [np.ones(72), 0.6 + 0.4 * CARD, 1 + 0.35 * (1 - CARD), 0.75 + 0.25 * Z**2])
    off = r.normal(size=3) * 0.06 * C0 / f0

    def fn(g):
        B = bp(g.f, f0, q)
        if form == "all":
            T = 1 + (A - 1) * B
        elif form == "driver":
            T = 1 + (A - 1) * np.exp(1j * phi) * B
            return [("drv", i, 1 / T if neg else T)]
        elif form == "pattern":
            T = 1 + (A - 1) * np.exp(1j * phi) * B * np.clip(mod * pat, 0.3, 2)
        elif form == "minphase-angle":
            T = 1 + (dB(20 * np.log10(A) * np.clip(pat, 0.5, 1.6)) - 1) * B
        else:  # panel or port mode radiating by itself
            if neg:
                T = 1 + (A - 1) * B
            else:
                h = healthy(sp, g)
                S = (
                    (A - 1)
                    * np.exp(1j * phi)
                    * B
                    * mod
                    * np.exp(1j * g.k * (X * off[0] + Y * off[1] + (Z - 1) * off[2]))
                )
                n = n_of(g, sp["drv"][i][0])[:, :1]
                return [("add", 0, S * h["axis"] * np.exp(-0.45 * n * (1 - Z) / 2))]
        return [("mul", 0, 1 / T if neg else T)]

    return dict(fn=fn, f0=f0, lo=2 * q)


def ok_resonance(e, P1, P0, d):
    w, i = e[:, 0], e[:, 1]
    m = np.abs(w).max()
    return 1.05 <= m <= 9.5 and np.abs(i).max() > 0.45 * m and np.abs(i).max() < 2.2 * m


def d_balance(r, sp, f0, ppo):
    form = pick(
        r,
        ["shelf1", "shelf2", "sigmoid", "tilt", "softtilt", "bell", "gbell", "level", "double"],
        [1.3, 1.3, 1, 1, 0.8, 1.8, 1.2, 1.2, 0.6],
    )
    lob = [i for i, (fc, _) in enumerate(sp["xo"]) if fc > 250]
    if form == "level" and not lob:
        form = "shelf1"
    s = sgn(r)
    high = r.random() < 0.6
    gdb = s * U(r, 1.4, 4.5)
    if form in ("shelf1", "shelf2", "sigmoid", "double"):
        f0 = log_uniform(r, 250, 6000)
    elif form in ("tilt", "softtilt"):
        f0 = log_uniform(r, 500, 2000)
    elif form in ("bell", "gbell"):
        f0 = log_uniform(r, 280, 7000)
    q = U(r, 0.3, 0.75)
    S = U(r, 0.4, 0.9)
    wd = U(r, 0.3, 1.0)
    sl = s * U(r, 0.35, 0.9)
    dwn = U(r, 1.2, 2.5)
    f2 = f0 * log_uniform(r, 2.5, 6)
    mod = ang_mod(r, 0.08)
    ix = pick(r, lob) if lob else 0
    if form == "level":
        f0 = sp["xo"][ix][0]

    def fn(g):
        x = g.lf - np.log2(f0)
        if form == "level":
            return [("drv", j, dB(gdb)) for j in range(ix + 1, len(sp["drv"]))]
        if form == "shelf1":
            jw = 1j * g.f / f0
            a = dB(gdb / 2)
            T = (1 + jw * a) / (1 + jw / a) if high else (a + jw) / (1 / a + jw)
        elif form == "shelf2":
            jw = 1j * g.f / f0
            a = dB(gdb / 2)
            al = np.sqrt((a + 1 / a) * (1 / S - 1) + 2)
            sa = np.sqrt(a)
            T = (
                a * (a * jw**2 + sa * al * jw + 1) / (jw**2 + sa * al * jw + a)
                if high
                else a * (jw**2 + sa * al * jw + a) / (a * jw**2 + sa * al * jw + 1)
            )
        else:
            if form == "sigmoid":
                T = gdb * sig((x if high else -x) / wd * 1.8)
            elif form == "double":  # two broad steps the other way about
                T = gdb * (sig(x / wd * 1.8) - sig((g.lf - np.log2(f2)) / wd * 1.8)) * 1.15
            elif form == "tilt":
                T = sl * np.clip(x, -4.5, 4.5)
            elif form == "softtilt":
                T = sl * dwn * np.tanh(x / dwn) * 1.2
            elif form == "bell":
                T = 20 * np.log10(np.abs((1 + (dB(abs(gdb)) - 1) * bp(g.f, f0, q)))) * s
            else:
                T = gdb * np.exp(-0.5 * (x / (0.42 / q + 0.35)) ** 2)
            return [("mul", 0, dB(T * mod))]
        return [("mul", 0, np.exp(mod * np.log(T)))]

    return dict(fn=fn, f0=f0, form=form)


def ok_balance(e, P1, P0, d):
    w = e[:, 0]
    m = np.abs(w).max()
    r = w.max() - w.min()
    return m >= 1.1 and r >= 1.3 and m < 6.5 and np.abs(w - e[:, 1]).max() < 0.35 * m + 0.4


def d_shallow(r, sp, f0, ppo):
    f0 = log_uniform(r, 290, 8000)
    dep = U(r, 1.5, 4.0)
    q = log_uniform(r, 0.8, 2.3)
    form = pick(r, ["biquad", "gauss", "rcos", "skew", "flat"], [2, 1.5, 1, 1.2, 0.8])
    mod = np.clip(ang_mod(r, pick(r, [0.0, 0.1, 0.2])), 0.6, 1.4)
    sk = log_uniform(r, 0.6, 1.65)
    bw = 1.25 / q

    def fn(g):
        x = g.lf - np.log2(f0)
        if form == "biquad":
            t = np.log(np.abs(1 + (dB(dep) - 1) * bp(g.f, f0, q))) / np.log(dB(dep))
        elif form == "gauss":
            t = np.exp(-0.5 * (x / (0.45 * bw)) ** 2)
        elif form == "rcos":
            t = rcos(x / (1.1 * bw))
        elif form == "skew":
            t = np.exp(-0.5 * (x / (0.45 * bw * np.where(x < 0, sk, 1 / sk))) ** 2)
        else:
            t = 1 / (1 + (np.abs(x) / (0.55 * bw)) ** 3.5)
        return [("mul", 0, dB(-dep * t * mod))]

    return dict(fn=fn, f0=f0)


def ok_shallow(e, P1, P0, d):
    m = e[:, 0].min()
    return -4.3 < m < -1.4 and abs(e[:, 1].min() - m) < 0.4 * abs(m)


def spread_at(P1, P0, i):
    d = 10 * np.log10((power(P1[i]) + 1e-12) / (power(P0[i]) + 1e-12))
    return d


def d_cancel(r, sp, f0, ppo):
    f0 = log_uniform(r, 250, 5500)
    lam = C0 / f0
    src = pick(
        r,
        ["port-front", "port-rear", "backwave", "second"],
        [1.2 if sp["box"] == "vented" else 0.15, 1.2 if sp["box"] == "vented" else 0.15, 1.3, 1.0],
    )
    if f0 > 2500:
        src = pick(r, ["backwave", "second"])
    e = pick(r, ["bp", "gauss", "gamma", "pipe", "plateau"], [2, 1.3, 1, 0.8, 0.8])
    dip = U(r, 3.0, 13.0)
    gain = 1 - dB(-dip)
    q = log_uniform(r, 2.2, 8)
    wd = log_uniform(r, 0.14, 0.5)
    L = np.clip(lam * U(r, 0.3, 1.0), 0.02, 0.55)
    if src == "port-front":
        dvec = np.array([U(r, -0.3, 0.3), -1 if r.random() < 0.85 else 1, U(r, -0.2, 0.0)]) * L
        pat = pick(r, ["mono", "card", "wide"])
    elif src == "port-rear":
        dvec = np.array([U(r, -0.2, 0.2), U(r, -0.6, 0.4), -1]) * np.clip(
            lam * U(r, 0.2, 0.8), 0.02, 0.5
        )
        pat = pick(r, ["rear", "mono", "rear2"])
    elif src == "backwave":
        dvec = np.array([U(r, -0.5, 0.5), U(r, -0.5, 0.5), -U(r, 0.4, 1)]) * L
        pat = pick(r, ["rear", "dipole", "mono", "fig"])
    else:
        ang = U(r, 0, 2 * np.pi)
        dvec = np.array([np.cos(ang), np.sin(ang), U(r, -0.4, 0.1)]) * np.clip(
            lam * U(r, 0.5, 1.6), 0.02, 0.55
        )
        pat = pick(r, ["mono", "card", "lobe", "wide"])
    tau = pick(r, [0.0, U(r, 0.2, 1.0), U(r, 1.0, 2.5)]) / f0
    dph = U(r, -0.35, 0.35)
    ld = r.normal(size=2)
    rel = U(r, 0.35, 0.75)
    rate = (
        U(r, 0.3, 1.0) if f0 < 800 else U(r, 0.1, 0.6)
    )  # 1: plays to all sides, 0: cabinet shadows it as it does the driver
    i = cover(sp, f0)
    ref = r.random() < 0.5
    lobe = np.clip(1 + 0.8 * (ld[0] * X + ld[1] * Y) / np.hypot(*ld), 0.05, 2)

    def fn(g):
        x = g.lf - np.log2(f0)
        if e == "bp":
            E = bp(g.f, f0, q)
        elif e == "gauss":
            E = np.exp(-0.5 * (x / wd) ** 2)
        elif e == "gamma":
            E = (1 + 1j * x / (wd * 0.9)) ** -2.0
        elif e == "pipe":
            E = bp(g.f, f0, q) + 0.3 * bp(g.f, f0 * 2.03, q) * np.exp(1j * 0.8)
            E = E / (1 + 0.3j / q * 0.1)
        else:
            E = 1 / (1 + (np.abs(x) / (1.2 * wd)) ** 4)
        if pat == "mono":
            D = np.ones(72)
        elif pat == "card":
            D = CARD
        elif pat == "wide":
            D = 0.5 + 0.5 * CARD
        elif pat == "rear":
            D = (rel + (1 - rel) * (1 - CARD)) / rel
        elif pat == "rear2":
            D = (rel + (1 - rel) * (1 - CARD) ** 2) / rel
        elif pat == "dipole":
            D = Z
        elif pat == "fig":
            D = 0.25 * 1 + 0.75 * Z
        else:
            D = lobe
        h = healthy(sp, g)
        R = h["drvax"][i] if ref else h["axis"]
        ph = (
            g.k * (X * dvec[0] + Y * dvec[1] + (Z - 1) * dvec[2])
            - 2 * np.pi * (g.f - f0) * tau
            + dph
        )
        sh = np.exp(
            -(1 - rate) * 0.75 * np.minimum(n_of(g, sp["drv"][i][0])[:, :1], 6) * (1 - Z) / 2
        )
        return [("add", 0, -gain * E * D * sh * R * np.exp(1j * ph))]

    return dict(fn=fn, f0=f0, src=src)


def ok_cancel(e, P1, P0, d, lim=0.62):
    w, ir = e[:, 0], e[:, 1]
    i = int(w.argmin())
    if w[i] > -2.1 or ir[i] < lim * w[i] or ir.min() < lim * w[i] or w.max() > 0.75 * -w[i]:
        return False
    s = spread_at(P1, P0, i)
    return s.std() > 1.5 and np.abs(np.log2(d["g"].f1[i] / d["f0"])) < 0.5


def d_null(r, sp, f0, ppo):
    form = pick(r, ["mirror", "ring", "moving", "pair"], [2.2, 1.2, 1.2, 0.9])
    gain = 1 - dB(-U(r, 9, 26))
    lam = C0 / f0
    sg = sgn(r, 0.8)
    m = 0 if sg < 0 else pick(r, [0, 0, 0, 1])
    D0 = lam * ((m + 0.5) if sg > 0 else 1.0)
    wd = log_uniform(r, 0.3, 1.0)
    env = pick(r, ["gauss", "hp-lp", "rcos", "bp"])
    ang = pick(r, [np.pi / 2, -np.pi / 2, 0, np.pi, U(r, 0, 6.28)], [1, 2.2, 0.6, 0.6, 0.6])
    dv = np.array([np.cos(ang), np.sin(ang), 0]) * D0 * U(r, 0.6, 1.6)
    dz = D0 * U(r, 0.0, 0.6)
    A = pick(r, ["one", "front", "side"])
    pw = U(r, 0.7, 3)
    a = lam * U(r, 0.25, 0.8)
    rf = pick(r, ["j0", "gauss", "cos", "j1"])
    q = log_uniform(r, 2.5, 7)
    al, be, ga = U(r, -0.5, 0.9), U(r, -0.5, 0.5), U(r, -0.5, 0.5)
    nn = U(r, 3, 14)

    def env_of(g):
        x = g.lf - np.log2(f0)
        if env == "gauss":
            return np.exp(-0.5 * (x / wd) ** 2)
        if env == "rcos":
            return rcos(x / (2.2 * wd))
        if env == "bp":
            return np.abs(bp(g.f, f0, 1.1 / wd))
        return (
            1
            / (1 + 2.0 ** (-(x + 1.3 * wd) * 4))
            / (1 + 2.0 ** ((x - 1.3 * wd) * 4))
            * (1 + 2.0 ** (-5.2 * wd)) ** 2
        )

    def fn(g):
        if form == "mirror":  # reflection off a near surface: image source
            pat = (
                1.0
                if A == "one"
                else (
                    CARD**pw
                    if A == "front"
                    else np.clip(0.5 + 0.5 * CARD + 0.45 * (dv[0] * X + dv[1] * Y) / D0, 0.0, 1.2)
                    / 1.0
                )
            )
            ph = g.k * (X * dv[0] + Y * dv[1] + (1 - Z) * dz - D0)
            return [("mul", 0, 1 + sg * gain * env_of(g) * pat * np.exp(1j * ph))]
        if form == "ring":  # ring (surround, dust cap, mouth) against the centre
            z = g.k * a * np.sqrt(RHO2)
            J = (
                j0(z)
                if rf == "j0"
                else (
                    np.exp(-((z / 2.0) ** 2))
                    if rf == "gauss"
                    else (
                        CARD**nn
                        if rf == "cos"
                        else np.where(z > 1e-6, 2 * j1(1.3 * z) / np.maximum(1.3 * z, 1e-6), 1)
                    )
                )
            )
            J = np.where(Z < 0, J * 0.5, J)
            E = (
                bp(g.f, f0, q)
                if env in ("bp", "gauss")
                else np.exp(-0.5 * ((g.lf - np.log2(f0)) / (0.9 / q)) ** 2)
            )
            return [("mul", 0, 1 - gain * E * J)]
        if form == "pair":  # two equal images left and right (or over and under)
            t = g.k * 0.5 * (X * dv[0] + Y * dv[1]) * 1.6
            ph = g.k * ((1 - Z) * dz - D0)
            return [("mul", 0, 1 + sg * gain * env_of(g) * np.cos(t) * np.exp(1j * ph))]
        fm = f0 * np.exp(al * (1 - Z) * 0.7 + be * Y + ga * X)
        G = gain * CARD ** (pw * 0.6)
        return [("mul", 0, 1 - G * bp(g.f, fm, q))]

    return dict(fn=fn, f0=f0, form=form)


def ok_null(e, P1, P0, d):
    w, ir, ax = e[:, 0], e[:, 1], e[:, 2]
    i = int(w.argmin())
    if ax.min() > -7 or w[i] > -3 or ir.min() < 0.62 * w[i] or w.max() > 0.8 * -w[i]:
        return False
    return spread_at(P1, P0, i).std() > 1.8 and np.abs(np.log2(d["g"].f1[i] / d["f0"])) < 0.35


def d_xo(r, sp, f0, ppo):
    ix = pick(r, sp["lobing"])
    fc, order = sp["xo"][ix]
    form = pick(
        r, ["delay", "const", "polarity", "allpass", "bump", "lowdelay"], [2, 1, 0.8, 1.5, 1, 1.2]
    )
    phi = np.deg2rad(log_uniform(r, 50, 155)) * sgn(r)
    wd = U(r, 0.6, 1.3)
    extra = r.normal() * 0.25
    n = len(sp["drv"])

    def fn(g):
        x = g.f / fc
        if form == "delay":
            T = np.exp(-1j * phi * x)
        elif form == "const":
            T = np.exp(1j * phi) * np.ones_like(x)
        elif form == "polarity":
            T = -np.exp(-1j * extra * x)
        elif form == "allpass":  # first-order all-pass with |phi| at the crossover
            fa = 1 / np.tan(abs(phi) / 2)
            T = (fa - 1j * x) / (fa + 1j * x)
        elif form == "bump":
            T = np.exp(1j * phi * np.exp(-0.5 * ((g.lf - np.log2(fc)) / wd) ** 2))
        else:
            T = np.exp(-1j * phi * x)
            return [("drv", j, T) for j in range(ix + 1)]
        return [("drv", j, T) for j in range(ix + 1, n)]

    return dict(fn=fn, f0=fc, ix=ix)


def ok_xo(e, P1, P0, d):
    w, ir = e[:, 0], e[:, 1]
    i = int(w.argmin())
    if w[i] > -2.1 or ir.min() < 0.62 * w[i] or w.max() > 0.5 * -w[i]:
        return False
    return spread_at(P1, P0, i)[36:].std() > 1.5 and np.abs(np.log2(d["g"].f1[i] / d["f0"])) < 0.7


def d_dir(r, sp, f0, ppo):
    fform = pick(
        r,
        ["saw", "was", "gauss", "step", "swing", "plateau", "rcos"],
        [2.2, 1, 1.5, 1.6, 1.2, 1, 0.8],
    )
    aform = pick(
        r,
        ["off", "off2", "sin", "vert", "horiz", "ring", "rear", "mix", "beam", "harm", "narrow"],
        [1.5, 1, 1.2, 0.8, 1.2, 1, 0.8, 1, 1.6, 1, 1.6],
    )
    how = pick(r, ["db", "complex", "radius", "rearsrc"], [2.4, 1.2, 1.6, 0.7])
    if r.random() < 0.35 and sp["xo"]:  # at a crossover, where such steps like to be
        f0 = pick(r, [x[0] for x in sp["xo"]]) * log_uniform(r, 0.7, 1.1)
        f0 = float(np.clip(f0, 280, 8500))
    s = -1.0 if r.random() < 0.6 else 1.0  # narrowing or widening
    wd = log_uniform(r, 0.3, 1.0)
    sharp = log_uniform(r, 0.06, 0.35)
    t0, tw = np.deg2rad(U(r, 45, 95)), np.deg2rad(U(r, 14, 32))
    mx = r.uniform(0.1, 1, 4)
    hm = r.normal(size=4)
    m = U(r, 0.8, 3.0)
    mn = U(r, 2.5, 8.0)
    i = cover(sp, f0)
    target = U(r, 1.05, 2.0) if r.random() < 0.55 else U(r, 2.0, 4.5)
    bl = C0 / f0 * U(r, 0.0, 1.5)
    nb = U(r, 0.8, 2.2)
    A = {
        "off": 0.5 * (1 - Z),
        "off2": (0.5 * (1 - Z)) ** 1.6 * 1.3,
        "sin": RHO2 * 0.8,
        "vert": FV * np.minimum(1, 1.2 * (1 - Z)),
        "horiz": FH * np.minimum(1, 0.9 * (1 - Z)),
        "ring": np.exp(-0.5 * ((TH - t0) / tw) ** 2),
        "rear": (1 - CARD) ** m,
        "beam": np.minimum(-np.log(np.maximum(CARD, 0.05)), 2.5) / 2.0,
        "narrow": 0.9 * (1 - CARD**mn),
    }
    A["mix"] = (
        (mx[0] * A["off"] + mx[1] * A["vert"] + mx[2] * A["horiz"] + mx[3] * A["ring"])
        / mx.sum()
        * 1.6
    )
    A["harm"] = np.clip(
        0.5 * (1 - Z) * (1 + 0.4 * hm[0] * X + 0.4 * hm[1] * Y) + RHO2 * 0.3 * hm[2] * (FH - FV),
        -0.2,
        1.2,
    )
    psi = A[aform] - A[aform][HORIZONTAL_0]

    def w_of(g):
        x = (g.lf - np.log2(f0)) / wd
        if fform == "saw":  # slow narrowing, quick release
            return (
                np.exp(-0.5 * (np.minimum(x - 0.3, 0) / 0.8) ** 2)
                * sig(-(x - 0.3) * wd / sharp * 1.2)
                * 1.15
            )
        if fform == "was":
            return (
                np.exp(-0.5 * (np.maximum(x + 0.3, 0) / 0.8) ** 2)
                * sig((x + 0.3) * wd / sharp * 1.2)
                * 1.15
            )
        if fform == "gauss":
            return np.exp(-0.5 * (x / 0.6) ** 2)
        if fform == "step":
            return sig(x * wd / sharp * 0.8)
        if fform == "swing":
            return x * 1.65 * np.exp(0.5 - 0.5 * (x * 1.65) ** 2)
        if fform == "plateau":
            return 0.5 * (np.tanh((x + 0.8) * wd / sharp) - np.tanh((x - 0.8) * wd / sharp))
        return rcos(x / 1.3)

    d = dict(f0=f0, target=target, amp=s * 4.0, fform=fform, aform=aform, how=how, scalable=True)

    def fn(g):
        a = d["amp"]
        w = w_of(g)
        if how == "db":
            return [("mul", 0, dB(a * 2.2 * w * psi))]
        if how == "complex":  # blend towards another low-order pattern with the same axis
            b = np.clip(a / 8 * w, -1.2, 0.95)
            ps = 1 - np.clip(psi * 1.4, -1, 1.4)  # pattern value, 1 on axis
            return (
                [("mul", 0, 1 + np.abs(b) * (ps - 1) * np.exp(0.5j * psi))]
                if s < 0
                else [("mul", 0, 1 + np.abs(b) * 1.6 * np.clip(psi, 0, 1.5) * np.exp(0.6j * psi))]
            )
        if how == "radius":  # the driver's own beam changes its width
            p = sp["drv"][i][0]
            n = n_of(g, p)
            # beam exponent as a shape of its own; narrowing adds, widening takes away (limited)
            dn = -a * nb * 0.22 * w
            dn = np.where(dn < 0, np.maximum(dn, -0.85 * n[:, :1]), dn)
            T = np.exp(dn * np.log(np.maximum(CARD, 0.02)))
            parts = [("drv", i, T)]
            for j in range(len(sp["drv"])):
                if j != i and abs(j - i) == 1 and fform == "step":
                    parts.append(("drv", j, T))
            return parts
        h = healthy(sp, g)  # a source to the rear or side that only plays in a band
        D = (1 - CARD) ** m
        return [
            (
                "add",
                0,
                np.abs(a)
                * 0.12
                * w
                * D
                * h["axis"]
                * np.exp(-1j * g.k * bl * (1 - 0.5 * (1 - Z))),
            )
        ]

    d["fn"] = fn
    return d


def ok_dir(e, P1, P0, d):
    w, ir, ax = e[:, 0], np.abs(e[:, 1]), np.abs(e[:, 2])
    m = ir.max()
    return (
        1.02 <= m <= 6
        and ax.max() < 0.25
        and np.abs(w).max() < 0.42 * m
        and m > 0.65 * d["target"]
    )


def d_single(r, sp, f0, ppo):
    form = pick(r, ["ring", "lobe", "random", "edges", "spot"], [1.4, 1.4, 1.3, 1.2, 0.9])
    f0 = log_uniform(r, 1500 if form in ("ring", "edges") else 700, 9000)
    lam = C0 / f0
    gain = dB(U(r, 1.8, 6.0)) - 1
    a = U(r, 1.2, 3.2) * lam
    a = min(a, 0.3)
    asp = log_uniform(r, 0.7, 1.5)
    wd = log_uniform(r, 0.35, 1.1)
    env = pick(r, ["gauss", "open", "rcos"])
    thw = np.deg2rad(U(r, 4.5, 8.5))
    nrip = U(r, 2.0, 6.0)  # ripples per octave at f0 set the delay
    dl = nrip * lam * 1.44
    ph0 = U(r, 0, 6.28)
    mode = pick(r, ["gauss", "lor", "cos"])
    tail = U(r, 0.2, 0.45)
    rr = np.random.default_rng(r.integers(1 << 60))
    rph = rr.uniform(0, 6.28, (5, 72))
    rfr = nrip * rr.uniform(0.5, 1.1, 5)[:, None] * (1 + 0.3 * rr.normal(size=(5, 72)))
    ram = rr.uniform(0.4, 1, 5)
    q = log_uniform(r, 2.5, min(9.0, 0.5 * ppo))
    sg = sgn(r)
    ndamp = U(r, 0.5, 2)

    def fn(g):
        x = g.lf - np.log2(f0)
        if env == "gauss":
            E = np.exp(-0.5 * (x / wd) ** 2)
        elif env == "open":
            E = sig((x + 0.3) * 5) * np.exp(-np.maximum(x, 0) * 0.7)
        else:
            E = rcos(x / (2 * wd))
        lob = (
            np.exp(-((TH / thw) ** 2))
            if mode == "gauss"
            else 1 / (1 + (TH / (0.6 * thw)) ** 4) if mode == "lor" else rcos(TH / (1.9 * thw))
        )
        if form == "ring":  # all edges equally far: they meet on the axis only
            J = j0(g.k * a * np.sqrt(RHO2)) * CARD**ndamp
            return [("mul", 0, 1 + sg * gain * E * J * np.exp(-1j * g.k * a * 1.05))]
        if form == "lobe":
            return [
                (
                    "mul",
                    0,
                    1 + gain * E * lob * np.exp(-1j * (2 * np.pi * (g.f / f0) * dl / lam + ph0)),
                )
            ]
        if form == "random":  # ripple that differs from angle to angle
            t = 0
            for j in range(5):
                t = t + ram[j] * np.cos(2 * np.pi * rfr[j] * x + rph[j])
            t = t / np.sqrt((ram**2).sum() / 2) * 0.75
            amp = lob + tail * (1 - lob) * np.exp(-(TH**2))
            return [("mul", 0, dB(20 * np.log10(1 + gain) * E * t * amp))]
        if form == "edges":
            J = np.cos(g.k * a * X) * np.cos(g.k * a * asp * Y) * CARD**ndamp
            return [("mul", 0, 1 + sg * gain * E * J * np.exp(-1j * g.k * a * 1.05))]
        T = 1 + gain * bp(g.f, f0, q) * lob
        return [("mul", 0, T if sg > 0 else 1 / T)]

    return dict(fn=fn, f0=f0, form=form)


def ok_single(e, P1, P0, d):
    w, ir, ax = np.abs(e[:, 0]).max(), np.abs(e[:, 1]).max(), np.abs(e[:, 2]).max()
    return 1.6 <= ax <= 9 and w < 0.4 * ax and ir < 0.32 * ax and w < 1.5


DRAW = dict(
    zip(KINDS, [d_resonance, d_balance, d_shallow, d_cancel, d_null, d_xo, d_dir, d_single])
)
OK = dict(
    zip(
        KINDS, [ok_resonance, ok_balance, ok_shallow, ok_cancel, ok_null, ok_xo, ok_dir, ok_single]
    )
)
NARROW = ("resonance", "shallow-dip", "cancellation", "deep-null", "crossover-phase")


# ------------------------------------------------------------------ putting a speaker together
def choose_kinds(r):
    n = int(r.integers(3, 6))
    if r.random() < 0.7:
        return [KINDS[i] for i in r.permutation(8)[:n]]
    out = []
    while len(out) < n:
        k = pick(r, KINDS)
        lim = 1 if k in ("balance", "crossover-phase") else 2
        if out.count(k) < lim:
            out.append(k)
    return out


def crowded(r, kind, f0, done):
    if kind not in NARROW:
        return False
    for d in done:
        if d["kind"] in NARROW:
            gap = abs(np.log2(f0 / d["f0"]))
            if gap < (0.4 if d["close"] > 0.15 else 0.12):
                return True
    return False


COARSE = 20 * 2 ** (np.arange(150, 478, 2) / 48)  # 174 Hz .. 19 kHz for the drawing


def draw_speaker(r, kinds, ppo):
    g = Grid(COARSE)
    for _ in range(30):
        sp = new_speaker(r, "crossover-phase" in kinds)
        if "crossover-phase" in kinds and not sp["lobing"]:
            continue
        lw = curves(field(sp, g, []))[:, 0]
        b = lw[(COARSE > 200) & (COARSE < 10000)]
        if b.max() - b.min() < 5.0:
            break
    # the crossover error first: its place is given by the speaker
    order = sorted(range(len(kinds)), key=lambda i: kinds[i] != "crossover-phase")
    done = []
    parts = []
    P0 = field(sp, g, [])
    c0 = curves(P0)

    def attempt(kind, base, P0, c0, others, tries):
        for _ in range(tries):
            d = DRAW[kind](r, sp, log_uniform(r, 250, 9000), ppo)
            d["kind"], d["close"], d["g"] = kind, r.random(), g
            if crowded(r, kind, d["f0"], others):
                continue
            p = d["fn"](g)
            P1 = field(sp, g, base + [p])
            e = curves(P1) - c0
            if d.get("scalable"):
                for _ in range(3):  # steer the in-room swing to its drawn size
                    m = np.abs(e[:, 1]).max()
                    if m < 0.02 or abs(m - d["target"]) < 0.08 * d["target"]:
                        break
                    d["amp"] *= float(np.clip(d["target"] / m, 0.3, 3))
                    p = d["fn"](g)
                    P1 = field(sp, g, base + [p])
                    e = curves(P1) - c0
            if OK[kind](e, P1, P0, d):
                return d, p, P1, e
        return None

    for i in order:
        t = attempt(kinds[i], parts, P0, c0, done, 45)
        if t is None:
            return None
        d, p, P1, e = t
        done.append(d)
        parts.append(p)
        P0, c0 = P1, c0 + e
    # in the company of all the others every effect must still be of its kind
    for _ in range(5):
        bad = False
        full = field(sp, g, parts)
        cf = curves(full)
        for j, d in enumerate(done):
            rest = parts[:j] + parts[j + 1 :]
            Pr = field(sp, g, rest)
            cr = curves(Pr)
            if not OK[d["kind"]](cf - cr, full, Pr, d):
                t = attempt(d["kind"], rest, Pr, cr, done[:j] + done[j + 1 :], 30)
                if t is None:
                    return None
                done[j], parts[j], full, e = t
                cf = cr + e
                bad = True
        if not bad:
            perm = r.permutation(len(done))
            return sp, [done[j] for j in perm]
    return None


def make(s):
    """returns everything of speaker s"""
    base = np.random.default_rng([771304, s])
    kinds = choose_kinds(base)
    ppo = int(base.integers(12, 49))
    res = None
    t = 0
    while res is None:
        res = draw_speaker(np.random.default_rng([771304, s, t]), kinds, ppo)
        t += 1
        if t > 40:
            kinds = choose_kinds(base)
    sp, defects = res
    g = Grid(FREQS_HZ)
    hl = curves(field(sp, g, []))
    parts = [d["fn"](g) for d in defects]
    cf = curves(field(sp, g, parts))
    eff = [cf - curves(field(sp, g, parts[:j] + parts[j + 1 :])) for j in range(len(parts))]
    band = (FREQS_HZ > 240) & (FREQS_HZ < 9600)
    for d, e in zip(defects, eff):
        k = d["kind"]
        if k in ("cancellation", "deep-null", "crossover-phase"):
            d["f0"] = FREQS_HZ[band][e[band, 0].argmin()]
        elif k == "directivity-step":
            d["f0"] = FREQS_HZ[band][np.abs(e[band, 1]).argmax()]
        elif k == "single-axis":
            d["f0"] = FREQS_HZ[band][np.abs(e[band, 2]).argmax()]
    n = int(round(np.log2(1000) * ppo)) + 1
    fm = np.geomspace(20, 20000, n)
    gm = Grid(fm)
    P = field(sp, gm, [d["fn"](gm) for d in defects])
    L = 10 * np.log10(power(P) + 1e-10)
    sigma = 0.0 if base.random() < 0.12 else base.uniform(0, 0.5)
    N = base.normal(size=L.shape)
    if base.random() < 0.25:  # some measurements are smoothed over frequency
        w = int(base.integers(1, 4))
        ker = np.hanning(2 * w + 3)[1:-1]
        ker /= np.sqrt((ker**2).sum())
        pad = base.normal(size=(w, 72)), base.normal(size=(w, 72))
        M = np.concatenate([pad[0], N, pad[1]])
        N = sum(ker[j] * M[j : j + n] for j in range(2 * w + 1))
    return dict(
        sp=sp,
        defects=defects,
        healthy=hl,
        eff=eff,
        fm=fm,
        meas=L + sigma * N,
        sigma=sigma,
        ppo=ppo,
        tries=t,
    )


def known_speaker(seed):
    m = make(seed)
    known = [KnownDefect(d["kind"], d["f0"], e.T) for d, e in zip(m["defects"], m["eff"])]
    name = f"Elena test box {seed}"
    return KnownSpeaker(name, m["fm"], m["meas"], m["healthy"][:, 0], known)


if __name__ == "__main__":
    run(known_speaker, __doc__, Form(blank_line=True))
