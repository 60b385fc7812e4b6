#!/usr/bin/env python3
"""Simulated loudspeakers with known defects.

Complex pressure is summed at 2 x 36 angles. Every driver is a point on a rigid sphere of about the
cabinet's size (exact series: baffle gain, shadow and the bright spot behind) times a piston factor
whose effective radius shrinks with frequency, or a waveguide's saturating one; the driver's place
on the baffle sets its path at a finite measuring distance; Linkwitz-Riley crossovers of 2nd or 4th
order with a small leftover phase error; sealed or vented box; weak edge diffraction and small
angular ripple. A defect is a factor on the whole, a factor on one driver (over frequency and
angle) or an added source, so it can be left out alone: truth = all minus all-but-this. Curves: LW
9 points; ER mean of the five zone means (rear wall 180, +-90); SP with the pyramid weights,
normalised.
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

C0 = 343.0
NA = 36
ABS = np.concatenate([np.abs(ANGLES_DEG), np.abs(ANGLES_DEG)])
PIDX = ABS // 10
TH = np.radians(np.concatenate([ANGLES_DEG, ANGLES_DEG]).astype(float))
ISH = np.arange(2 * NA) < NA
UX = np.where(ISH, np.sin(TH), 0.0)
UY = np.where(ISH, 0.0, np.sin(TH))
UZ = np.cos(TH)
POL = np.radians(ABS.astype(float))
SINP = np.sin(POL)
CHECK = FREQS_HZ[(FREQS_HZ > 150) & (FREQS_HZ < 17000)][::2]
LIMIT = dict(zip(KINDS, (2, 1, 2, 2, 1, 2, 1, 2)))
WEIGHT = dict(zip(KINDS, (0.95, 1.02, 1.07, 1.05, 0.97, 1.42, 1.05, 1.0)))


W3 = np.column_stack(average_weights().judged())
_leg = np.empty((160, 19))
_x = np.cos(np.radians(np.arange(19) * 10.0))
_leg[0], _leg[1] = 1.0, _x
for _n in range(1, 159):
    _leg[_n + 1] = ((2 * _n + 1) * _x * _leg[_n] - _n * _leg[_n - 1]) / (_n + 1)


def sphere_point(x):
    """Far pressure of a point on a rigid sphere, x = k R, at 0..180 deg, relative to 0 deg: [F,
    19] complex."""
    nmax = int(min(150, x.max() + 20))
    h = np.empty((nmax + 2, x.size), complex)
    e = np.exp(-1j * x)
    h[0] = 1j * e / x
    h[1] = e * (1j / x - 1) / x
    for n in range(1, nmax + 1):
        h[n + 1] = np.where(n < x + 26, (2 * n + 1) / x * h[n] - h[n - 1], 1e250)
    n = np.arange(nmax + 1)[:, None]
    hp = np.empty((nmax + 1, x.size), complex)
    hp[0] = -h[1]
    hp[1:] = h[:nmax] - (n[1:] + 1) / x * h[1 : nmax + 1]
    t = (2 * n + 1) * (1j ** (n % 4)) / hp
    t[n > x + 20] = 0
    d = t.T @ _leg[: nmax + 1]
    return d / d[:, :1]


def piston(k, a):
    """2 J1(x)/x over three radii (nulls filled as real cones do), held behind 90 deg: [F, 19]."""
    s = np.sin(np.radians(np.minimum(np.arange(19) * 10.0, 90)))
    out = 0
    for m, wt in ((1.0, 0.4), (0.8, 0.35), (0.6, 0.25)):
        x = (k * a * m)[:, None] * s + 1e-9
        out = out + wt * 2 * j1(x) / x
    return 0.95 * out + 0.05


def lr(f, fc, order):
    s = 1j * f / fc
    if order == 2:
        d = (1 + s) ** 2
        return 1 / d, -s * s / d
    d = (1 + np.sqrt(2) * s + s * s) ** 2
    return 1 / d, s**4 / d


def bp(f, f0, q):
    s = 1j * f / f0
    return (s / q) / (1 + s / q + s * s)


def bell(f, f0, g, q):
    """Peaking filter, width at half the gain, g in dB."""
    s = 1j * f / f0
    a = 10 ** (g / 40)
    return (1 + s * a / q + s * s) / (1 + s / (a * q) + s * s)


def lgauss(f, f0, octs):
    return np.exp(-0.5 * (np.log2(f / f0) / octs) ** 2)


def logu(r, lo, hi):
    return float(lo * (hi / lo) ** r.random())


class Design:
    """A healthy speaker's drawn parameters."""

    def __init__(self, r):
        self.layout = lay = str(
            r.choice(
                ["2way", "mtm", "3way", "tower", "coax", "wg2"],
                p=[0.27, 0.12, 0.19, 0.17, 0.08, 0.17],
            )
        )
        self.dist = r.uniform(2.0, 4.0)
        self.level = r.uniform(78, 92)
        self.drivers, self.fc, self.order = [], [], []
        order = lambda: int(r.choice([2, 4], p=[0.38, 0.62]))
        tw_a = r.uniform(0.0105, 0.0165)
        wg = None
        if lay == "wg2" or (lay != "coax" and r.random() < 0.25):
            wg = (r.uniform(0.04, 0.085), r.uniform(1800, 4500))
        tx = r.uniform(-0.03, 0.03) if r.random() < 0.3 else 0.0
        tweeter = dict(pos=[(tx, 0, 0)], a=tw_a, wg=wg)

        def mid(a, gap, brk=None):
            return dict(a=a, wg=None, brk=brk or r.uniform(1.6, 3.5))

        kalim = r.uniform(1.4, 2.6)
        if lay in ("2way", "coax", "wg2", "mtm"):
            a = {
                "2way": r.uniform(0.045, 0.085),
                "coax": r.uniform(0.05, 0.09),
                "wg2": r.uniform(0.065, 0.12),
                "mtm": r.uniform(0.04, 0.075),
            }[lay]
            if lay == "wg2":
                kalim = r.uniform(2.0, 3.0)
            fc = float(np.clip(kalim * C0 / (2 * np.pi * a), 1100, 4200) * r.uniform(0.92, 1.08))
            d = a * 1.25 + (max(wg[0] * 1.2, 0.05) if wg else 0.05) + r.uniform(0, 0.03)
            w = mid(a, d)
            w["pos"] = (
                [(0, 0, 0)]
                if lay == "coax"
                else [(0, -d, 0)] if lay != "mtm" else [(0, -d, 0), (0, d, 0)]
            )
            if lay in ("2way", "wg2") and r.random() < 0.08:  # speaker standing upside down
                w["pos"] = [(0, d, 0)]
            if lay == "coax":
                tweeter = dict(
                    pos=[(0, 0, 0)], a=tw_a, wg=(a * r.uniform(0.5, 0.75), r.uniform(2000, 4000))
                )
            self.drivers = [w, tweeter]
            self.fc, self.order = [fc], [order()]
            wid = 2 * a * r.uniform(1.25, 1.6) + 0.02
            hgt = wid * r.uniform(1.4, 2.0)
            self.low = w["pos"][-1 if lay != "mtm" else 0]
        else:
            am = r.uniform(0.03, 0.065)
            aw = r.uniform(0.065, 0.13)
            f2 = float(np.clip(kalim * C0 / (2 * np.pi * am), 1600, 5000) * r.uniform(0.92, 1.08))
            f1 = logu(r, 230, min(900, f2 / 3.5))
            f1 = min(f1, 2.2 * C0 / (2 * np.pi * aw))
            d = am * 1.25 + (max(wg[0] * 1.2, 0.05) if wg else 0.05) + r.uniform(0, 0.025)
            dw = d + am * 1.2 + aw * 1.2 + r.uniform(0, 0.08)
            n = 1 if lay == "3way" else int(r.integers(1, 4))
            m = mid(am, d)
            m["pos"] = [(0, -d, 0)]
            w = mid(aw, dw)
            w["pos"] = [(0, -dw - i * 2.3 * aw, 0) for i in range(n)]
            self.drivers = [w, m, tweeter]
            self.fc, self.order = [f1, f2], [order(), order()]
            wid = 2 * aw * r.uniform(1.15, 1.45) + 0.02
            hgt = wid * (r.uniform(1.6, 2.4) if lay == "3way" else r.uniform(3, 5))
            self.low = w["pos"][0]
        self.wid, self.hgt = wid, hgt
        self.depth = wid * r.uniform(1.0, 1.6)
        self.rh = 0.5 * wid * r.uniform(1.0, 1.3)
        self.rv = 0.5 * min(hgt, 1.9 * wid) * r.uniform(0.95, 1.2)
        self.resid = [float(np.clip(r.normal(0, 11), -22, 22)) for _ in self.fc]
        # box
        f0 = logu(r, 28, 95) if lay not in ("3way", "tower") else logu(r, 22, 60)
        if r.random() < 0.42:
            self.box = [(f0 * 1.15, r.uniform(0.5, 1.15))]
        else:
            self.box = [
                (f0 * r.uniform(0.85, 1.15), r.uniform(0.45, 0.75)),
                (f0 * r.uniform(0.9, 1.1), r.uniform(0.9, 1.8)),
            ]
        # natural unevenness
        self.broad = [
            (logu(r, 150, 14000), r.normal(0, 0.35), r.uniform(0.5, 1.2)) for _ in range(4)
        ]
        self.fine = [(r.normal(0, 0.14), r.uniform(4, 26), r.uniform(0, 6.28)) for _ in range(7)]
        amp = r.uniform(0.012, 0.045)
        self.edges = []
        for x, y in (
            (wid / 2 - tx, 0),
            (-wid / 2 - tx, 0),
            (0, r.uniform(0.06, 0.14)),
            (0, -hgt * 0.7),
        ):
            self.edges.append((x, y, amp * r.uniform(0.5, 1.3) * (0.6 if abs(y) > 0.3 else 1)))
        self.cut = r.uniform(250, 500) * 0.25 / wid
        self.ang = [
            (
                r.normal(0, 1),
                r.uniform(3, 18),
                int(r.integers(-5, 6)),
                r.uniform(0, 6.28),
                r.random() < 0.5,
            )
            for _ in range(10)
        ]
        self.angamp = r.uniform(0.05, 0.28)


class Ctx:
    """The healthy speaker on one frequency grid."""

    def __init__(self, d, f):
        self.d, self.f = d, f
        self.k = k = 2 * np.pi * f / C0
        self.lf = np.log2(f / 1000)
        sh, sv = sphere_point(k * d.rh), sphere_point(k * d.rv)
        w = (0.5 * (1 - np.cos(np.radians(np.arange(19) * 10.0)))) ** 2
        mean = 0.5 * (sh + sv)
        self.front = np.concatenate(
            [((1 - w) * sh + w * mean)[:, PIDX[:NA]], ((1 - w) * sv + w * mean)[:, PIDX[NA:]]], 1
        )
        back = np.concatenate(
            [
                ((1 - w) * sh + w * mean)[:, 18 - PIDX[:NA]],
                ((1 - w) * sv + w * mean)[:, 18 - PIDX[NA:]],
            ],
            1,
        )
        self.back = back
        nd = len(d.drivers)
        x = [np.ones(f.size, complex) for _ in range(nd)]
        aps = []
        for i, (fc, o) in enumerate(zip(d.fc, d.order)):
            lo, hi = lr(f, fc, o)
            aps.append(lo + hi)
            hi = hi * np.exp(-1j * np.radians(d.resid[i]) * f / fc)
            x[i] = x[i] * lo
            for j in range(i + 1, nd):
                x[j] = x[j] * hi
        if nd == 3:
            x[0] = x[0] * aps[1]
        self.x = x
        self.ref = sum(x)
        self.dirs = [self.piston_of(i) for i in range(nd)]
        self.base = [
            xi[:, None] * di[:, PIDX] * self.front * self.geom(dr["pos"])
            for xi, di, dr in zip(x, self.dirs, d.drivers)
        ]
        box = np.ones(f.size, complex)
        for f0, q in d.box:
            s = 1j * f / f0
            box = box * s * s / (1 + s / q + s * s)
        db = sum(g * lgauss(f, f0, o) for f0, g, o in d.broad) + sum(
            a * np.sin(wv * self.lf + p) for a, wv, p in d.fine
        )
        common = box * 10 ** ((db + d.level) / 20)
        e = np.ones((f.size, 2 * NA), complex)
        hp = (f / d.cut) ** 2 / (1 + (f / d.cut) ** 2) / (1 + (f / 14000) ** 2)
        grow = 1 + 1.6 * SINP**2
        for ex, ey, a in d.edges:
            path = np.hypot(ex, ey) - (ex * UX + ey * UY)
            e -= a * hp[:, None] * grow * np.exp(-1j * k[:, None] * path)
        tilt = np.zeros((f.size, 2 * NA))
        for a, wv, n, p, hor in d.ang:
            m = SINP * np.where(ISH == hor, 1.0, 0.35)
            ph = n * TH + p
            tilt += (
                a
                * m
                * (
                    np.outer(np.cos(wv * self.lf), np.cos(ph))
                    - np.outer(np.sin(wv * self.lf), np.sin(ph))
                )
            )
        up = 1 / (1 + (350 / f) ** 2)
        e *= np.exp((d.angamp * np.log(10) / 20) * up[:, None] * tilt)
        self.common = common[:, None] * e

    def geom(self, pos):
        """Mean of the paths' phases, each relative to its own on-axis path."""
        d = self.d.dist
        out = 0
        for x, y, z in pos:
            r = np.sqrt((d * UX - x) ** 2 + (d * UY - y) ** 2 + (d * UZ - z) ** 2)
            out = out + np.exp(-1j * self.k[:, None] * (r - np.sqrt(x * x + y * y + (d - z) ** 2)))
        return out / len(pos)

    def piston_of(self, i, scale=1.0):
        dr, f = self.d.drivers[i], self.f
        a = dr["a"] * scale
        if dr["wg"]:
            am, fm = dr["wg"]
            a = np.sqrt((am * scale / (1 + f / fm)) ** 2 + dr["a"] ** 2)
        elif dr.get("brk"):
            fb = dr["brk"] * C0 / (2 * np.pi * dr["a"]) * 1.3
            a = a * (0.55 + 0.45 / (1 + (f / fb) ** 2))
        else:
            a = a * np.ones(f.size)
        return piston(self.k, a)

    def power(self, hooks):
        whole = self.common
        add = None
        fac = {}
        for h in hooks:
            if "whole" in h:
                g = h["whole"]
                whole = whole * (g[:, None] if g.ndim == 1 else g)
            if "add" in h:
                add = h["add"] if add is None else add + h["add"]
            for i, g in h.get("drv", {}).items():
                g = g[:, None] if g.ndim == 1 else g
                fac[i] = fac[i] * g if i in fac else g
        tot = 0 if add is None else add
        for i, b in enumerate(self.base):
            tot = tot + (b * fac[i] if i in fac else b)
        tot = tot * whole
        return tot.real**2 + tot.imag**2

    def curves(self, hooks):
        p = self.power(hooks)
        return 10 * np.log10(p @ W3 + 1e-30), p


# ---------------------------------------------------------------- the defects
def owner(d, f0):
    i = 0
    while i < len(d.fc) and f0 > d.fc[i]:
        i += 1
    return i


def pick(r, near, lo, hi, part=0.3):
    """Log-uniform, sometimes on purpose close to a defect already there."""
    if near and r.random() < part:
        f = near[int(r.integers(len(near)))] * 2 ** r.uniform(-0.6, 0.6)
        if lo <= f <= hi:
            return float(f)
    return logu(r, lo, hi)


def d_resonance(r, d, near, ppo, used):
    f0 = pick(r, near, 250, 9000)
    kind = str(r.choice(["driver", "panel", "dip"], p=[0.55, 0.31, 0.14]))
    g = r.uniform(1.4, 8.5) if r.random() < 0.6 else r.uniform(1.4, 4)
    q = logu(r, 2.2, min(20, 0.9 * ppo))
    if kind == "panel":
        q = max(q, 3.5)
    if kind == "dip":
        g, q = r.uniform(1.5, 5), logu(r, 2.2, 7)
    extra, th0 = r.uniform(0, 4.5), r.uniform(-0.5, 0.5)
    i = owner(d, f0)

    def build(c):
        h = 1 + (10 ** (g / 20) - 1) * bp(c.f, f0, q)
        if kind == "driver":
            return dict(drv={i: h})
        if kind == "dip":
            return dict(drv={i: 1 / h})
        m = 10 ** ((extra * (0.5 * (1 - np.cos(POL))) + th0 * np.sin(TH)) / 20)
        return dict(whole=1 + np.outer((10 ** (g / 20) - 1) * bp(c.f, f0, q), m))

    return f0, build, kind


def d_balance(r, d, near, ppo, used):
    kind = str(r.choice(["shelf", "tilt", "bell", "driver"], p=[0.36, 0.2, 0.26, 0.18]))
    sg = 1 if r.random() < 0.5 else -1
    g = sg * r.uniform(1.8, 5)
    f0 = logu(r, 300, 6000)
    high = r.random() < 0.6
    first = r.random() < 0.5
    q = r.uniform(0.5, 0.8)
    qb = logu(r, 0.25, 0.65)
    slope = sg * r.uniform(0.35, 0.95)
    drv = int(r.integers(1, len(d.drivers)))
    if kind == "driver":
        f0 = d.fc[drv - 1]
        g *= 0.8
    if kind == "tilt":
        f0 = 1000.0

    def build(c):
        if kind == "tilt":
            return dict(whole=10 ** (slope * np.clip(c.lf, -4.5, 4.3) / 20) + 0j)
        if kind == "bell":
            return dict(whole=bell(c.f, f0, g, qb))
        if kind == "driver":
            return dict(
                drv={
                    i: np.full(c.f.size, 10 ** (g / 20))
                    for i in (range(drv, len(d.drivers)) if high else [drv])
                }
            )
        s = 1j * c.f / f0
        a = 10 ** (g / 40)
        if first:
            ra = np.sqrt(a)
            hh = (1 + s * a) / (1 + s / a)  # first order, high end up by g
        else:
            ra = np.sqrt(a)
            hh = a * (1 + s * ra / q + s * s * a) / (a + s * ra / q + s * s)
        return dict(whole=hh if high else hh / 10 ** (g / 20))

    return f0, build, kind


def d_shallow(r, d, near, ppo, used):
    f0 = pick(r, near, 260, 9000)
    g = r.uniform(1.6, 4.0)
    q = logu(r, 0.7, 2.3)
    split = r.uniform(0.15, 0.45) * (1 if r.random() < 0.5 else -1) if r.random() < 0.4 else 0
    part = r.uniform(0.5, 0.75)
    eps = r.uniform(-0.12, 0.12)
    n = int(r.integers(1, 4))

    def build(c):
        if split:
            h = bell(c.f, f0, -g * part, q) * bell(c.f, f0 * 2**split, -g * (1 - part), q * 1.3)
        else:
            h = bell(c.f, f0, -g, q)
        return dict(whole=np.exp(np.outer(np.log(h), 1 + eps * SINP * np.cos(n * TH))))

    return f0, build, "dip"


def d_cancellation(r, d, near, ppo, used):
    kind = str(
        r.choice(
            ["port-front", "port-rear", "line", "driver", "rear-driver"],
            p=[0.21, 0.2, 0.12, 0.27, 0.2],
        )
    )
    lo, hi = {
        "port-front": (380, 1800),
        "port-rear": (260, 1000),
        "line": (250, 1500),
        "driver": (450, 4500),
        "rear-driver": (350, 1600),
    }[kind]
    f0 = pick(r, near, lo, hi)
    g = r.uniform(0.27, 0.92)
    q = logu(r, 1.4, 6)
    delta = np.radians(r.uniform(-35, 35))
    x0, y0, _ = d.low
    sgn = 1 if r.random() < 0.5 else -1
    z = 0.0
    if kind == "port-front":
        off = r.uniform(0.12, 0.36)
        x, y = (
            (sgn * off * 0.45, y0 - off * 0.85)
            if r.random() < 0.7
            else (x0, y0 + off * r.uniform(1, 1.5))
        )
    elif kind == "port-rear":
        x, y, z = r.uniform(-0.06, 0.06), y0 + r.uniform(-0.2, 0.25), -d.depth
    elif kind == "line":
        x, y, z = (
            r.uniform(-0.05, 0.05),
            y0 - r.uniform(0.2, 0.75),
            (-d.depth if r.random() < 0.55 else 0.0),
        )
    elif kind == "driver":
        off = r.uniform(0.09, 0.33)
        x, y = (
            (0, -off if r.random() < 0.7 else off)
            if r.random() < 0.6
            else (sgn * off, r.uniform(-0.05, 0.05))
        )
    else:
        x, y, z = r.uniform(-0.05, 0.05), r.uniform(-0.15, 0.1), -d.depth
    sig = r.uniform(0.35, 0.75)
    rear = z < 0
    a2 = r.uniform(0.02, 0.05)

    def build(c):
        if kind == "line":
            t = lgauss(c.f, f0, sig) * np.exp(1j * (np.pi * c.f / f0 + delta))
        elif kind == "driver" or kind == "rear-driver":
            s = 1j * c.f / f0
            b = bp(c.f, f0, q * 0.4) ** 2
            t = b * np.exp(1j * (np.pi + delta))
        else:
            t = bp(c.f, f0, q) * np.exp(1j * (np.pi + delta))
        dr = c.front
        if rear:  # level referred to the axis, but no more than about 14 dB over it
            bk = c.back
            ref = bk[:, HORIZONTAL_0]
            m = np.abs(ref)
            dr = bk / (ref / m * np.maximum(m, 0.2 * np.abs(bk).max(1)))[:, None]
        if kind in ("driver", "rear-driver"):
            pis = piston(c.k, a2 * np.ones(c.f.size))
            dr = dr * pis[:, 18 - PIDX if rear else PIDX]
        return dict(add=(g * t * c.ref)[:, None] * dr * c.geom([(x, y, z)]))

    return f0, build, kind


def d_null(r, d, near, ppo, used):
    f0 = pick(r, near, 260, 9000)
    lam2 = C0 / (2 * f0)
    g = r.uniform(0.6, 0.97)
    kind = str(r.choice(["side", "behind", "comb3"], p=[0.45, 0.3, 0.25]))
    lat = {
        "side": r.uniform(0.45, 1.6),
        "behind": r.uniform(0, 0.4),
        "comb3": r.uniform(0.3, 1.2),
    }[kind]
    phi = r.choice([0, 90, 180, 270]) + r.uniform(-25, 25)
    # third order null of a longer path, or the first
    mult = 3 if kind == "comb3" else 1
    path = lam2 * mult
    x, y = path * lat / mult * np.cos(np.radians(phi)), path * lat / mult * np.sin(np.radians(phi))
    sig = r.uniform(0.35, 0.8) if mult == 1 else r.uniform(0.2, 0.35)
    tw = np.radians(r.uniform(45, 100))
    hard = r.random() < 0.2  # a reflector held at its level above the first null

    def build(c):
        ext = path * UZ - x * UX - y * UY
        b = lgauss(c.f, f0, sig)
        if hard and mult == 1:
            b = np.where(c.f > f0, np.exp(-0.5 * (np.log2(c.f / f0) / (sig + 0.5)) ** 2), b)
        ww = np.exp(-((POL / tw) ** 2))
        return dict(whole=1 + (g * b)[:, None] * ww * np.exp(-1j * c.k[:, None] * ext))

    return f0, build, kind


def d_crossover(r, d, near, ppo, used):
    ok = [i for i in range(len(d.fc)) if i not in used and not (d.layout == "coax")]
    if not ok:
        return None
    i = ok[int(r.integers(len(ok)))]
    fc = d.fc[i]
    kind = str(r.choice(["polarity", "delay", "allpass", "offset"], p=[0.25, 0.3, 0.2, 0.25]))
    phi = np.radians(r.uniform(85, 180)) * (1 if r.random() < 0.5 else -1)
    fa = fc * 2 ** r.uniform(-0.7, 0.7)
    used.append(i)

    def build(c):
        if kind == "polarity":
            h = -np.ones(c.f.size, complex)
        elif kind == "delay":
            h = np.exp(-1j * phi * c.f / fc)
        elif kind == "allpass":
            s = 1j * c.f / fa
            h = (1 - s) / (1 + s)
        else:  # mounted too deep or proud: turns with the angle
            h = np.exp(-1j * phi * np.outer(c.f / fc, UZ))
        return dict(drv={j: h for j in range(i + 1, len(d.drivers))})

    build.xo = i
    return fc, build, kind


def d_directivity(r, d, near, ppo, used):
    kind = str(
        r.choice(["cone", "swing", "plane", "back", "tweeter"], p=[0.28, 0.25, 0.22, 0.1, 0.15])
    )
    sg = 1 if r.random() < 0.5 else -1
    if kind == "cone":
        i = int(r.integers(len(d.fc)))
        sc = r.uniform(1.35, 2.8)
        f0 = d.fc[i] * 0.8
    elif kind == "tweeter":
        i = len(d.drivers) - 1
        sc = (
            r.uniform(1.8, 3.2)
            if not d.drivers[i]["wg"]
            else (r.uniform(1.5, 2.2) if sg > 0 else r.uniform(0.25, 0.55))
        )
        f0 = 6000.0
    f0s = pick(
        r,
        near,
        {"swing": 350, "plane": 350, "back": 250}.get(kind, 400),
        {"back": 1200}.get(kind, 9000),
    )
    s_db = sg * r.uniform(1.8, 7) * (1.5 if kind == "plane" else 1)
    if kind == "back":
        s_db = r.uniform(4, 10)
    if kind not in ("cone", "tweeter"):
        f0 = f0s
    oc = logu(r, 0.16, 0.65)
    ts = np.radians(r.uniform(42, 75))
    hor = r.random() < 0.65
    two = r.random() < 0.35  # narrow first, then wide: a true step

    def build(c):
        if kind in ("cone", "tweeter"):
            old, new = c.dirs[i], c.piston_of(i, sc)
            old = np.where(np.abs(old) < 1e-4, 1e-4, old)
            return dict(drv={i: (new / old)[:, PIDX]})
        b = lgauss(c.f, f0, oc)
        if two:
            b = b - 0.8 * lgauss(c.f, f0 * 2 ** (2.3 * oc), oc * 0.8)
        if kind == "back":
            s = 1 / (1 + np.exp(-(POL - np.radians(105)) / np.radians(13)))
            s = s - s[HORIZONTAL_0]
        elif kind == "plane":
            s = np.where(ISH == hor, SINP**2, 0.1 * SINP**2)
        else:
            s = 1 - np.exp(-((POL / ts) ** 2))
        return dict(whole=10 ** (np.outer(b * s_db, s) / 20) + 0j)

    return f0, build, kind


def d_single(r, d, near, ppo, used):
    kind = str(r.choice(["ring", "edges", "beam"], p=[0.42, 0.2, 0.38]))
    f0 = pick(r, near, {"ring": 1800, "edges": 2000, "beam": 600}[kind], 9000)
    g = r.uniform(0.16, 0.5)
    rho = r.uniform(0.05, 0.22)
    if kind == "beam":
        path = C0 / f0 * r.uniform(0.5, 4)
    else:
        path = rho * r.uniform(0.9, 1.15)
    sig = r.uniform(0.18, 0.7)
    aw = np.radians(r.uniform(4.5, 9))
    cx, cy = np.radians(r.uniform(-2.5, 2.5, 2))
    sg = 1 if r.random() < 0.4 else -1

    def build(c):
        t = sg * g * lgauss(c.f, f0, sig) * np.exp(-1j * c.k * path)
        if kind == "ring":
            m = j0(np.outer(c.k * rho, SINP)) * (0.7 + 0.3 * UZ)
        elif kind == "edges":
            m = (
                np.cos(np.outer(c.k, rho * UX))
                * np.cos(np.outer(c.k, 0.6 * rho * UY))
                * (0.7 + 0.3 * UZ)
            )
        else:
            th2 = np.where(ISH, (TH - cx) ** 2 + cy**2, (TH - cy) ** 2 + cx**2)
            m = np.exp(-0.5 * th2 / aw**2)
        return dict(whole=1 + t[:, None] * m)

    return f0, build, kind


DRAW = dict(
    zip(
        KINDS,
        (
            d_resonance,
            d_balance,
            d_shallow,
            d_cancellation,
            d_null,
            d_crossover,
            d_directivity,
            d_single,
        ),
    )
)


def sits(kind, f0, f, e, hi=12000):
    """Where the effect sits."""
    if kind in ("balance", "resonance", "shallow-dip"):
        return f0
    m = np.flatnonzero(
        (f > 245)
        & (f < hi)
        & (np.abs(np.log2(f / f0)) < (2.5 if kind == "directivity-step" else 1.0))
    )
    col = {
        "directivity-step": np.abs(e[m, 1]),
        "single-axis": np.abs(e[m, 2]),
        "deep-null": -e[m, 2],
    }.get(kind, -e[m, 0])
    return float(f[m[int(np.argmax(col))]])


def good(kind, f0, f, e, ang):
    """Has the defect an effect of its kind? e: [F, 3] window, in-room, axis; ang: [F, 72]
    per-angle effect in dB."""
    m = (f > 200) & (f < 12000)
    w, ir, ax = e[m, 0], e[m, 1], e[m, 2]
    near = m & (np.abs(np.log2(f / f0)) < 0.5)
    fs = sits(kind, f0, f, e)
    if not 245 <= fs <= 8900:
        return False
    i = int(np.argmin(np.abs(f - fs)))
    if kind == "resonance":
        n = np.abs(e[near, 0]).max()
        return 1.05 <= n <= 10 and np.abs(e[near, 1]).max() > 0.6 * n
    if kind == "balance":
        return 1.9 <= np.ptp(w) <= 7 and np.std(w) > 0.6
    if kind == "shallow-dip":
        return (
            -4.2 <= e[near, 0].min() <= -1.4
            and e[near, 1].min() < 0.7 * e[near, 0].min()
            and w.max() < 0.6
        )
    if kind == "cancellation":
        dip = -e[near, 0].min()
        a = np.sort(ang[i])
        return (
            2.1 <= dip <= 15
            and a[62] - a[9] > 0.6 * dip
            and -ir.min() < 0.8 * dip
            and w.max() < 0.6 * dip
            and ir.max() < min(dip, 6)
        )
    if kind == "deep-null":
        dip = -e[near, 0].min()
        return ax.min() < -7 and 2.3 <= dip and -ir.min() < 0.8 * dip and w.max() < 0.6 * dip
    if kind == "crossover-phase":
        dip = -e[near, 0].min()
        v = np.sort(ang[i, NA + 9 : NA + 26])
        return dip >= 2.1 and v[-3] - v[2] > 3 and w.max() < 0.7 * dip
    if kind == "directivity-step":
        n = np.abs(ir).max()
        return n >= 1.05 and n < 6 and np.abs(ax).max() < 0.25 and np.abs(w).max() < 0.5 * n
    n = np.abs(ax).max()
    return 1.5 <= n <= 8 and np.abs(w).max() < 0.4 * n and np.abs(ir).max() < 0.4 * n


def alike(a, b, f):
    m = (f > 200) & (f < 11000)
    a, b = a[m], b[m]
    na, nb = np.sqrt(a @ a), np.sqrt(b @ b)
    if min(np.abs(a).max(), np.abs(b).max()) < 0.7:
        return False
    return abs(a @ b) / (na * nb) > 0.85


def effects(c, hooks):
    full, pf = c.curves(hooks)
    out = []
    for i in range(len(hooks)):
        wo, pw = c.curves(hooks[:i] + hooks[i + 1 :])
        out.append((full - wo, pf, pw))
    return full, out


def draw_speaker(s):
    r = np.random.default_rng([20240611, 77, s])
    ppo = int(r.choice([12, 12, 16, 20, 24, 24, 32, 36, 48]))
    noise = r.uniform(0, 0.5)
    smooth = r.random() < 0.3
    n = int(r.integers(3, 6))
    for _ in range(30):
        d = Design(r)
        c = Ctx(d, CHECK)
        p0 = c.curves([])[0]
        defs, kinds = [], []
        m = (CHECK > 200) & (CHECK < 10000)
        if np.ptp(p0[m, 0]) > 5:
            continue
        fail = 0
        while len(defs) < n and fail < 12:
            p = np.array(
                [
                    0 if kinds.count(q) >= LIMIT[q] else WEIGHT[q] * 0.15 ** kinds.count(q)
                    for q in KINDS
                ]
            )
            if d.layout == "coax":
                p[5] = 0
            kind = KINDS[int(r.choice(8, p=p / p.sum()))]
            got = None
            for _t in range(45 if kind != "crossover-phase" else 15):
                used = [q[2].xo for q in defs if q[0] == "crossover-phase"]
                t = DRAW[kind](r, d, [q[1] for q in defs], ppo, used)
                if t is None:
                    break
                f0, build, sub = t
                hk = build(c)
                hooks = [q[3] for q in defs] + [hk]
                full, pf = c.curves(hooks)
                wo, pw = c.curves(hooks[:-1])
                if good(kind, f0, CHECK, full - wo, 10 * np.log10((pf + 1e-12) / (pw + 1e-12))):
                    got = [kind, f0, build, hk, sub]
                    break
            if got is None:
                fail += 1
                continue
            # the others must keep their effect beside it, and none may be another's double or
            # exact opposite
            trial = defs + [got]
            _, ef = effects(c, [q[3] for q in trial])
            ok = all(
                good(q[0], q[1], CHECK, e, 10 * np.log10((a + 1e-12) / (b + 1e-12)))
                for q, (e, a, b) in zip(trial, ef)
            )
            if ok:
                ok = not any(alike(ef[-1][0][:, 0], e[0][:, 0], CHECK) for e in ef[:-1])
            if ok:
                defs, kinds = trial, kinds + [kind]
            else:
                fail += 1
        if len(defs) == n:
            order = r.permutation(n)
            return r, d, [defs[i] for i in order], ppo, noise, smooth
    raise RuntimeError("no speaker found for seed %d" % s)


SYLLABLES = (
    "bra cor dun el fen gar hol im jor kel lum mor nax or pel qui ros sol tam ul ven wex yar zim"
).split()


def known_speaker(seed):
    r, d, defs, ppo, noise, smooth = draw_speaker(seed)
    fm = np.geomspace(20, 20000, int(round(np.log2(1000) * ppo)) + 1)
    cg, cm = Ctx(d, FREQS_HZ), Ctx(d, fm)
    healthy = cg.curves([])[0][:, 0]
    _, ef = effects(cg, [q[2](cg) for q in defs])
    lev = 10 * np.log10(cm.power([q[2](cm) for q in defs]) + 1e-12)
    nz = r.standard_normal(lev.shape)
    if smooth:
        k = np.array([0.25, 0.5, 0.25])
        nz = np.apply_along_axis(np.convolve, 0, nz, k, "same") / np.sqrt((k**2).sum())
    lev = lev + noise * nz
    name = "".join(SYLLABLES[int(i)] for i in r.integers(len(SYLLABLES), size=3)).capitalize()
    name += " %d" % int(r.integers(1, 99))
    known = []
    for q, (e, _, _) in zip(defs, ef):
        known.append(KnownDefect(q[0], sits(q[0], q[1], FREQS_HZ, e, 9050), e.T))
    return KnownSpeaker(name, fm, lev, healthy, known)


if __name__ == "__main__":
    run(known_speaker, __doc__, Form(defect_hz=1))
