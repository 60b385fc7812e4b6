#!/usr/bin/env python3
"""Simulated loudspeakers with known defects, measured anechoically.

Every radiator is a vibrating patch (cap, ring or small spot) on a rigid sphere: the exact series
of spherical waves gives the step from full to half space, shading behind, creeping waves and
beaming in one formula. A cabinet is a set of such patches with places, axes and drive spectra; all
sums are of complex pressure in three dimensions, so both orbits come out of one model.
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
    run,
)

import numpy as np
from scipy.special import j0, j1

C = 343.0

# ---- directions (listening window first, axis at 0) and averages
_DIRS = (
    [("h", 0)] + [("h", s * a) for a in (10, 20, 30) for s in (1, -1)] + [("v", 10), ("v", -10)]
)
_DIRS += [("h", a) for a in ANGLES_DEG if ("h", a) not in _DIRS]
_DIRS += [("v", a) for a in ANGLES_DEG if a not in (0, 180) and ("v", a) not in _DIRS]
ND = len(_DIRS)
_POS = {d: i for i, d in enumerate(_DIRS)}
_POS[("v", 0)], _POS[("v", 180)] = _POS[("h", 0)], _POS[("h", 180)]
HCOL = np.array([_POS[("h", a)] for a in ANGLES_DEG])
VCOL = np.array([_POS[("v", a)] for a in ANGLES_DEG])
_r = np.radians([a for _, a in _DIRS])
UNIT = np.array(
    [
        [np.sin(t), 0, np.cos(t)] if o == "h" else [0, np.sin(t), np.cos(t)]
        for (o, _), t in zip(_DIRS, _r)
    ]
)
UNIT[np.abs(UNIT) < 1e-12] = 0.0
SX, SY, CZ = UNIT.T
SS = np.hypot(SX, SY)


CURVES = average_weights(
    [("horizontal" if orbit == "h" else "vertical", a) for orbit, a in _DIRS], "belts"
).judged()

# ---- waves around a sphere: table over size/wavelength, 144 steps an octave
R_MIN, R_STEPS = 0.04, 480
NT = 480


def _sphere_table():
    rows = 3 * NT + R_STEPS
    x = 2 * np.pi * 20 / C * R_MIN * 2 ** (np.arange(rows) / 144)
    order = int(x[-1]) + 22
    tab = np.zeros((order, rows), complex)
    hm, h = np.exp(-1j * x) / x, 1j * np.exp(-1j * x) / x  # second kind, orders -1 and 0
    live = np.ones(rows, bool)
    for n in range(order):
        dh = hm - (n + 1) / x * h
        live &= np.abs(dh) < 1e120
        tab[n, live] = (1j**n) / (dh[live] * x[live] ** 2)
        nxt = (2 * n + 1) / x * h - hm
        hm, h = np.where(live, h, 0), np.where(live, nxt, 1)
    return tab / tab[0, 0], x


TAB, XTAB = _sphere_table()
NMAX = TAB.shape[0]


def legendre(x, n):
    x = np.atleast_1d(np.asarray(x, float))
    out = np.empty((n, x.size))
    out[0], out[1] = 1, x
    for i in range(2, n):
        out[i] = ((2 * i - 1) * x * out[i - 1] - (i - 1) * out[i - 2]) / i
    return out


LEG_FRONT = legendre(CZ, NMAX)


def caps(alphas, weights):
    """Series of the radial velocity: a weighted sum of caps of half angle alpha, normalised to
    the same volume."""
    p = legendre(np.cos(alphas), NMAX + 1)
    u = np.empty((NMAX, len(alphas)))
    u[0] = 0.5 * (1 - p[1])
    u[1:] = 0.5 * (p[: NMAX - 1] - p[2 : NMAX + 1])
    u = u @ np.asarray(weights, float)
    return u / u[0]


def soft_cap(alpha):
    return caps(alpha * np.array([0.62, 0.82, 1.0]), [0.5, 0.8, 1.0])


def ring(alpha, inner):
    return caps(np.array([alpha, alpha * inner]), [1.0, -1.0])


def loguni(rng, a, b):
    return float(a * (b / a) ** rng.random())


def biquad(f, f0, g, q, shift=1.0):
    """Minimum phase: poles at f0 with quality q, zeros at f0*shift, damped so that the gain at
    f0 is about g."""
    s = 1j * f / f0
    return (s * s + s * g / q * shift + shift**2) / (s * s + s / q + 1)


def bandpass(f, f0, q):
    s = 1j * f / f0
    return (s / q) / (s * s + s / q + 1)


def pick(rng, items, weights=None):
    w = None if weights is None else np.asarray(weights, float) / np.sum(weights)
    return items[int(rng.choice(len(items), p=w))]


# ------------------------------------------------------------------ the healthy speaker
class Speaker:
    def __init__(self, rng, needs_crossover):
        self.rng = rng
        self.ppo = int(pick(rng, (12, 16, 24, 36, 48)))
        count = int(np.floor(self.ppo * np.log2(1000) + 1e-9)) + 1
        i = np.arange(count)
        if 48 % self.ppo == 0:
            self.f, self.fi = FREQS_HZ, 3 * np.arange(NT)
            self.rows = i * (48 // self.ppo)
        else:
            self.f = np.concatenate([FREQS_HZ, 20 * 2 ** (i / self.ppo)])
            self.fi = np.concatenate([3 * np.arange(NT), i * (144 // self.ppo)])
            self.rows = NT + i
        self.k = 2 * np.pi * self.f / C
        self.d = float(pick(rng, (1.5, 2.0, 2.5, 3.0, 5.0, 20.0), (1, 3, 1, 2, 1, 4)))
        self._tab, self._voice = {}, {}
        self.layout(needs_crossover)
        self.drivers = [self.driver(k, s) for k, s in enumerate(self.spec)]
        self.tone()
        self.base_lw = sum(x[:9] for x in self.drivers)

    # -- one radiator
    def table(self, q, n):
        if q not in self._tab:
            m = min(NMAX, int(XTAB[min(self.fi.max() + q, XTAB.size - 1)]) + 16)
            self._tab[q] = np.ascontiguousarray(TAB[:m, self.fi + q])
        return self._tab[q][:n]

    def quant(self, r):
        return int(np.clip(round(144 * np.log2(r / R_MIN)), 0, R_STEPS - 3))

    def field(self, pos, axis, radius, u, n=NMAX):
        q = self.quant(radius)
        radius = R_MIN * 2 ** (q / 144)
        t = self.table(q, n)
        axis = np.asarray(axis, float)
        leg = LEG_FRONT[: len(t)] if axis[2] == 1 else legendre(UNIT @ axis, len(t))
        dire = ((leg * u[: len(t), None]).T @ t.view(float)).view(complex)
        far = self.d * UNIT
        pos = np.asarray(pos, float)
        path = np.sqrt(((far - (pos - radius * axis)) ** 2).sum(1)) - self.d
        gain = self.d / np.sqrt(((far - pos) ** 2).sum(1))
        ph = np.outer(path, self.k)
        out = np.empty(ph.shape, complex)
        out.real, out.imag = np.cos(ph), -np.sin(ph)
        out *= dire
        out *= gain[:, None]
        return out

    def raw(self, spec):
        total = 0
        for pos in spec["pos"]:
            y = self.field(pos, (0, 0, 1), spec["R"], spec["u"])
            if "u2" in spec:  # the cone lets go: a smaller part radiates at the top
                w = 1 / (1 + (self.f / spec["f_split"]) ** 2)
                y = y * w + (1 - w) * self.field(pos, (0, 0, 1), spec["R"], spec["u2"])
            total = total + y
        return total

    def driver(self, k, spec):
        y = self.raw(spec)
        mag = np.sqrt((np.abs(y[:9]) ** 2).mean(0))
        ref = y[0] / np.abs(y[0]) * mag
        return y * (self.xo[k] * np.exp(-1j * self.f * spec["residue"]) / ref)

    # -- geometry, crossovers
    def layout(self, needs):
        rng = self.rng
        kinds = ["two", "guide", "coax", "mtm", "tower", "tower-coax", "horn", "wide", "full"]
        w = np.array([4, 3, 2, 2, 4, 2, 2, 1.5, 0 if needs else 1.3])
        if needs:
            w[2] = 0
        self.kind = kind = pick(rng, kinds, w)
        mirror = pick(rng, (1, -1))
        off = mirror * rng.uniform(0.01, 0.05) if rng.random() < 0.4 else 0.0
        aim = pick(
            rng, (0.0, 0.0, 0.5)
        )  # measured on the tweeter or half way down to the next driver

        def unit(pos, R, a=None, alpha=None):
            R = max(R, 1.12 * a) if a else R
            al = alpha if alpha else np.arcsin(min(a / R, 0.9))
            return {
                "pos": [np.array(p, float) for p in pos],
                "R": R,
                "u": soft_cap(al),
                "a": a if a else R * np.sin(alpha),
                "alpha": al,
            }

        tw = rng.uniform(0.009, 0.016)
        guide = lambda lo, hi, r0, r1: {
            "R": rng.uniform(r0, r1),
            "alpha": np.radians(rng.uniform(lo, hi)),
        }
        sep_ok, fc = [True], []
        if kind in ("two", "guide", "coax", "mtm", "horn"):
            a = {
                "two": (0.05, 0.09),
                "guide": (0.06, 0.12),
                "coax": (0.05, 0.10),
                "mtm": (0.045, 0.08),
                "horn": (0.11, 0.16),
            }[kind]
            a = rng.uniform(*a)
            R = max(rng.uniform(1.25, 1.9) * a, 0.085)
            fc = [
                loguni(
                    rng,
                    *{
                        "two": (1600, 3400),
                        "guide": (1000, 2300),
                        "coax": (1600, 3000),
                        "mtm": (1500, 2600),
                        "horn": (800, 1500),
                    }[kind],
                )
            ]
            dist = (
                a
                + rng.uniform(0.045, 0.08)
                + (0.05 if kind == "guide" else 0.09 if kind == "horn" else 0)
            )
            if kind == "coax":
                dist, sep_ok, off = 0.0, [False], 0.0
            up = aim * dist
            tp = (off, up, 0)
            wp = [(0, up - dist, 0)] + ([(0, up + dist, 0)] if kind == "mtm" else [])
            if kind == "mtm":
                tp, wp = (off, 0, 0), [(0, -dist, 0), (0, dist, 0)]
            top = {
                "guide": guide(54, 76, 0.05, 0.09),
                "coax": guide(54, 76, 0.04, 0.06),
                "horn": guide(40, 56, 0.10, 0.2),
            }.get(kind, {"R": R * rng.uniform(0.8, 1.1), "a": tw})
            self.spec = [unit(wp, R, a), unit([tp], **top)]
        elif kind in ("tower", "tower-coax", "wide"):
            a, m = rng.uniform(0.07, 0.16), rng.uniform(0.03, 0.065)
            R = max(rng.uniform(1.2, 1.6) * a, 0.1)
            fc = [loguni(rng, 250, 600), loguni(rng, 2000, 3800)]
            dm = 0.0 if kind == "tower-coax" else m + rng.uniform(0.03, 0.05)
            if kind == "tower-coax":
                off = 0.0
            if kind == "wide":
                a = rng.uniform(0.06, 0.10)
                dx = a + 0.06 + m
                wp = [(-dx, -dm / 2, 0), (dx, -dm / 2, 0)]
                fc[0] = min(fc[0], 420.0)
            else:
                y0 = -dm - m - a - 0.04
                wp = [(0, y0, 0)] + ([(0, y0 - 2.1 * a, 0)] if rng.random() < 0.4 else [])
            top = (
                guide(54, 76, 0.04, 0.06)
                if kind == "tower-coax"
                else (
                    guide(54, 74, 0.045, 0.07)
                    if rng.random() < 0.3
                    else {"R": rng.uniform(0.08, 0.13), "a": tw}
                )
            )
            self.spec = [
                unit(wp, R, a),
                unit([(0, -dm, 0)], R * rng.uniform(0.8, 1.0), m),
                unit([(off, 0, 0)], **top),
            ]
            sep_ok = [True, kind != "tower-coax"]
        else:
            a = rng.uniform(0.03, 0.06)
            s = unit([(0, 0, 0)], rng.uniform(0.09, 0.14), a)
            s["u2"], s["f_split"] = soft_cap(s["alpha"] * rng.uniform(0.25, 0.4)), C / (
                2 * np.pi * a
            ) * rng.uniform(1.0, 1.8)
            self.spec, sep_ok = [s], []
        self.fc, self.sep_ok, self.cab = fc, sep_ok, self.spec[0]["R"]
        self.depth = rng.uniform(1.6, 2.6) * self.cab
        self.order = [int(pick(rng, (2, 4), (1, 2))) for _ in fc]
        for k, s in enumerate(self.spec):
            near = fc[min(k, len(fc) - 1)] if fc else 1000.0
            s["residue"] = (
                float(np.clip(rng.normal(0, 7), -14, 14)) * np.pi / 180 / near if fc else 0.0
            )

        def pair(f0, order):
            s = 1j * self.f / f0
            den = (1 + s) ** 2 if order == 2 else (1 + np.sqrt(2) * s + s * s) ** 2
            return 1 / den, (-s * s if order == 2 else s**4) / den

        x = [pair(f0, o) for f0, o in zip(fc, self.order)]
        if not x:
            self.xo = [np.ones(self.f.size, complex)]
        elif len(x) == 1:
            self.xo = [x[0][0], x[0][1]]
        else:
            self.xo = [x[0][0] * (x[1][0] + x[1][1]), x[0][1] * x[1][0], x[0][1] * x[1][1]]

    def tone(self):
        rng, f = self.rng, self.f
        self.corner = loguni(rng, 30, 75 if len(self.spec) == 3 else 120)
        s = 1j * f / self.corner
        if rng.random() < 0.45:
            self.box, hp = "sealed", s**2 / (s**2 + s / rng.uniform(0.55, 0.9) + 1)
        else:
            j = rng.uniform(-0.08, 0.08)
            self.box, hp = "vented", s**4 / (
                (s**2 + (1.848 + j) * s + 1) * (s**2 + (0.765 - j) * s + 1)
            )
        db = 20 * np.log10(np.abs(hp))
        db += np.clip(rng.normal(0, 0.35), -0.7, 0.7) * np.clip(np.log2(f / 1000) / 3.3, -1.2, 1.3)
        db -= rng.uniform(0, 1.0) * (f / 20000) ** 3
        for _ in range(int(rng.integers(4, 9))):
            db += 20 * np.log10(
                np.abs(
                    biquad(
                        f,
                        loguni(rng, 150, 16000),
                        10 ** (np.clip(rng.normal(0, 0.22), -0.45, 0.45) / 20),
                        rng.uniform(1.5, 7),
                    )
                )
            )
        # faint diffraction everywhere: differs from angle to angle
        for k, x in enumerate(self.drivers):
            rho, amp = self.spec[k]["R"] * rng.uniform(0.8, 1.3), rng.uniform(0.01, 0.035)
            x *= 1 - amp * np.exp(
                -1j
                * np.outer(
                    rho * (1 - SX * rng.uniform(-0.6, 0.6) - SY * rng.uniform(-0.6, 0.6)), self.k
                )
            )
        self.level = 85 + rng.uniform(-3, 3)
        self.target = db
        self.noise = rng.uniform(0, 0.5)

    # -- which driver leads at a frequency
    def leader(self, f0):
        return int(np.searchsorted(self.fc, f0))

    def off_crossover(self, f0):
        return min([abs(np.log2(f0 / x)) for x in self.fc], default=9)

    def at(self, f0):
        return int(np.clip(round(48 * np.log2(f0 / 20)), 0, NT - 1))

    # -- complex sum of all groups
    def total(self, defects, nd=ND):
        tot = 0
        for k in range(len(self.drivers)):
            x = self.drivers[k]
            for d in defects:
                x = d.swap.get(k, x)
            x, own = x[:nd], False
            for d in defects:
                for kk, y in d.adds:
                    if kk == k:
                        x = x + y[:nd]
            for d in defects:
                for kk, y in d.muls:
                    if kk == k:
                        x = x * (y[:nd] if y.ndim == 2 else y)
            tot = tot + x
        return tot

    def voicing(self, defects):
        key = tuple(d.serial for d in defects if d.voiced)
        if key not in self._voice:
            y = self.total([d for d in defects if d.voiced], 9)[:, :NT]
            lw = 10 * np.log10((np.abs(y) ** 2).mean(0))
            g = np.exp(-0.5 * (np.arange(-24, 25) / 7.0) ** 2)
            sm = np.convolve(
                np.pad(lw, 24, mode="reflect", reflect_type="odd"), g / g.sum(), "valid"
            )
            v = -sm
            if self.f.size > NT:
                v = np.concatenate([v, np.interp(np.log(self.f[NT:]), np.log(FREQS_HZ), v)])
            self._voice[key] = v
        return self._voice[key]

    def power(self, defects, nd=ND, rows=None):
        db = self.target + self.voicing(defects)
        g = 10 ** (db / 10)
        for d in defects:
            if d.common is not None:
                g = g * d.common
        y = self.total(defects, nd)
        return (y.real**2 + y.imag**2) * g

    def curves(self, defects):
        return 10 * np.log10(CURVES @ self.power(defects)[:, :NT])


class Defect:
    made = 0

    def __init__(self, kind, f0, way):
        Defect.made += 1
        self.serial = Defect.made
        self.kind, self.f0, self.way = kind, f0, way
        self.muls, self.adds, self.swap, self.common, self.voiced = [], [], {}, None, False
        self.hz = f0


# ------------------------------------------------------------------ defects
def scale_add(sp, k, y, want, f0, axis=False, span=0.5, amps=None):
    """Amplitude of an added field whose deepest (or largest) effect near f0 comes closest to
    the wish."""
    base = sp.base_lw[:1] if axis else sp.base_lw
    lo, hi = max(sp.at(f0 / 2**span), 0), min(sp.at(f0 * 2**span) + 1, NT)
    b, s = base[:, lo:hi], y[: len(base), lo:hi]
    ref = (np.abs(b) ** 2).mean(0)
    best = None
    for a in (np.geomspace(0.06, 1.25, 14) if amps is None else amps):
        d = 10 * np.log10((np.abs(b + a * s) ** 2).mean(0) / ref)
        m = d.min() if want < 0 else d.max()
        if best is None or abs(m - want) < abs(best[1] - want):
            best = (a, m)
    return best


def oppose(sp, y, f0, phase):
    """Delay and scale a field so that at f0 on the axis it is the negative of the speaker
    (turned by phase)."""
    i = sp.at(f0)
    ratio = -sp.base_lw[0, i] * np.exp(1j * phase) / y[0, i]
    tau = (-np.angle(ratio) % (2 * np.pi)) / (2 * np.pi * f0)
    return y * (np.abs(ratio) * np.exp(-2j * np.pi * sp.f * tau))


def make_resonance(sp, rng, others):
    f0 = loguni(rng, 250, 9000)
    nulls = [d for d in others if d.kind in ("cancellation", "deep-null", "crossover-phase")]
    if nulls and rng.random() < 0.25:
        f0 = float(
            np.clip(
                pick(rng, nulls).f0 * 2 ** (pick(rng, (-1, 1)) * rng.uniform(0.15, 0.55)),
                250,
                9000,
            )
        )
    q, size = loguni(rng, 1.5, 12), rng.uniform(1.5, 6)
    if rng.random() < 0.1:
        q, size = max(q, 4.0), -min(size, 4)
    way = pick(rng, ("driver", "driver-skew", "all", "all-skew"), (4, 3, 2, 1))
    if sp.off_crossover(f0) < 0.35:
        way = "all"
    d = Defect("resonance", f0, way)
    shift = (
        2 ** (pick(rng, (-1, 1)) * rng.uniform(0.01, 0.05) / max(q / 4, 1))
        if "skew" in way
        else 1.0
    )
    h = biquad(sp.f, f0, 10 ** (size / 20) if size > 0 else 1.0, q, shift)
    if size < 0:
        h = 1 / biquad(sp.f, f0, 10 ** (-size / 20), q, shift)
    if "all" in way:
        d.common = np.abs(h) ** 2
    else:
        d.muls.append((sp.leader(f0), h))
    return d


def make_balance(sp, rng, others):
    f, size = sp.f, rng.uniform(1.5, 4) * pick(rng, (1, -1))
    ways = ["shelf-low", "shelf-high", "tilt", "bump", "step"] + (
        ["driver-level"] * 2 if sp.fc else []
    )
    way = pick(rng, ways)
    g = 10 ** (size / 20)
    f0 = loguni(rng, 250, 9000)
    h = None
    if way == "shelf-low":  # box, placement voicing: everything below is up or down
        f0 = loguni(rng, 350, 1200)
        s = 1j * f / f0
        h = (
            (s + np.sqrt(g)) / (s + 1 / np.sqrt(g))
            if rng.random() < 0.5
            else (s * s + 1.41 * s * g**0.25 + g**0.5) / (s * s + 1.41 * s / g**0.25 + g**-0.5)
        )
    elif way == "shelf-high":
        f0 = loguni(rng, 1200, 5000)
        s = f0 / (1j * f)
        h = (
            (s + np.sqrt(g)) / (s + 1 / np.sqrt(g))
            if rng.random() < 0.5
            else (s * s + 1.41 * s * g**0.25 + g**0.5) / (s * s + 1.41 * s / g**0.25 + g**-0.5)
        )
    elif way == "tilt":
        piv = loguni(rng, 600, 1800)
        h = 10 ** (size * np.tanh(np.log2(f / piv) / rng.uniform(2.5, 3.5)) / 20)
        f0 = piv * 4
    elif way == "bump":
        h = (
            biquad(f, f0, g, rng.uniform(0.35, 0.8))
            if g > 1
            else 1 / biquad(f, f0, 1 / g, rng.uniform(0.35, 0.8))
        )
    elif way == "step":  # wrong amount of compensation for the baffle
        f0 = 115 / (2 * sp.cab)
        if f0 < 220:
            f0 *= 2
        s = 1j * f / f0
        h = (1 + s * g) / (1 + s)
    d = Defect("balance", f0, way)
    if way == "driver-level":  # one driver as a whole too loud or too soft
        i = int(rng.integers(len(sp.fc)))
        upper = rng.random() < 0.6
        ks = range(i + 1, len(sp.drivers)) if upper else range(0, i + 1)
        d.f0 = sp.fc[i]
        for k in ks:
            d.muls.append((k, np.full(f.size, g)))
    else:
        d.common = np.abs(h) ** 2
    return d


def make_shallow(sp, rng, others):
    f0, q, size = loguni(rng, 250, 9000), loguni(rng, 0.5, 2.5), rng.uniform(1.5, 4)
    way = pick(rng, ("bell", "driver-bell", "plateau", "absorber", "soft"))
    f, g = sp.f, 10 ** (size / 20)
    if way in ("driver-bell", "absorber") and sp.off_crossover(f0) < 0.4:
        way = "bell"
    d = Defect("shallow-dip", f0, way)
    if way in ("bell", "driver-bell"):
        h = 1 / biquad(f, f0, g, q)
    elif way == "plateau":  # falls at one corner, comes back at the next
        w = 2 ** (0.6 / q)
        lo = np.sqrt((1 + (f / (f0 / w)) ** 4 / g**2) / (1 + (f / (f0 / w)) ** 4))
        hi = np.sqrt((1 + (f / (f0 * w)) ** 4 * g**2) / (1 + (f / (f0 * w)) ** 4))
        h = lo * hi
    elif way == "absorber":  # a lossy chamber coupled to one driver
        h = 1 / biquad(f, f0, g, max(q, 0.7), 2 ** rng.uniform(-0.04, 0.04))
    else:
        h = 10 ** (-size * np.exp(-0.5 * (np.log2(f / f0) * 2.0 * q / 1.35) ** 2) / 20)
    if way in ("driver-bell", "absorber"):
        d.muls.append((sp.leader(f0), h))
    else:
        d.common = np.abs(h) ** 2
    return d


def make_cancellation(sp, rng, others):
    way = pick(rng, ("port", "panel", "breakup", "slot", "rear-leak"), (4, 2, 6, 4, 1.0))
    R, want = sp.cab, -rng.uniform(3.2, 12)
    y0 = sp.spec[0]["pos"][0][1]
    side = pick(rng, (1, -1))
    k = 0
    if way == "breakup":
        k = int(rng.integers(len(sp.spec)))
        s = sp.spec[k]
        lo, hi = max(C / (2 * np.pi * s["a"]) * 1.3, 600), min(
            (sp.fc[k] if k < len(sp.fc) else 9000) * 1.05, 9000
        )
        lo = max(lo, sp.fc[k - 1] * 1.2 if k else 0)
        if lo > hi * 0.9:
            return None
        f0 = loguni(rng, lo, hi)
        u, q = ring(s["alpha"], rng.uniform(0.55, 0.85)), rng.uniform(2, 6)
        y = sum(sp.field(p, (0, 0, 1), s["R"], u) for p in s["pos"])
    elif way == "slot":
        f0, q = loguni(rng, 700, 3500), rng.uniform(1.5, 5)
        k = sp.leader(f0)
        p = sp.spec[k]["pos"][0]
        dx = np.clip(C / f0 * rng.uniform(0.45, 1.0), 0.06, 0.3)
        u = soft_cap(0.15)
        vert = rng.uniform(-0.5, 0.2) * dx
        both = rng.random() < 0.4
        y = sp.field(
            p + np.array([side * dx, vert, 0]), (0, 0, 1), max(0.06, 0.6 * sp.spec[k]["R"]), u
        )
        if both:
            y = y + sp.field(
                p + np.array([-side * dx, vert, 0]), (0, 0, 1), max(0.06, 0.6 * sp.spec[k]["R"]), u
            )
    else:
        f0 = loguni(rng, 300, 1500) if way == "port" else loguni(rng, 250, 900)
        if sp.fc and f0 > sp.fc[0] * 1.5:
            k = (
                1 if sp.fc[0] < 700 else 0
            )  # a box mode driven by the mid, or the woofer above its band
        q = {
            "port": rng.uniform(2.5, 9),
            "panel": rng.uniform(5, 14),
            "rear-leak": rng.uniform(0.8, 2),
        }[way]
        u = soft_cap({"port": 0.2, "panel": rng.uniform(0.4, 0.8), "rear-leak": 0.5}[way])
        where = (
            pick(rng, ("front", "back", "below", "side"), (1, 3, 1.5, 1.5))
            if way == "port"
            else pick(rng, ("back", "side", "sides", "top")) if way == "panel" else "back"
        )
        low = y0 - rng.uniform(0.5, 1.3) * R
        spots = {
            "front": [((side * rng.uniform(0.5, 1.3) * R, low, 0), (0, 0, 1))],
            "back": [((0, y0 + rng.uniform(-0.8, 0.8) * R, -sp.depth), (0, 0, -1))],
            "below": [((0, low - R, -R), (0, -1, 0))],
            "top": [((0, y0 + 2 * R, -R), (0, 1, 0))],
            "side": [((side * R, y0, -R), (side, 0, 0))],
            "sides": [((R, y0, -R), (1, 0, 0)), ((-R, y0, -R), (-1, 0, 0))],
        }[where]
        y = sum(sp.field(p, ax, R, u, 60) for p, ax in spots)
        way = way + "-" + where if way != "rear-leak" else way
    y *= bandpass(sp.f, f0, q) * sp.xo[k]
    y = oppose(sp, y, f0, np.radians(rng.uniform(-35, 35)))
    a, m = scale_add(sp, k, y, want, f0)
    if not -15 < m < -3:
        return None
    d = Defect("cancellation", f0, way)
    d.adds.append((k, a * y))
    return d


def make_null(sp, rng, others):
    way = pick(rng, ("ledge", "twin", "horn", "open-back", "console"), (2, 2, 2, 1.5, 1.5))
    want = -min(6.5 + rng.exponential(6.5), 24)
    f0 = (
        loguni(rng, 250, 1100)
        if way == "open-back"
        else loguni(rng, 500, 4000) if way == "console" else loguni(rng, 700, 8500)
    )
    if sp.off_crossover(f0) < 0.25:
        return None
    k = sp.leader(f0)
    s = sp.spec[k]
    half = C / (2 * f0)
    exc = half * (3 if f0 > 2500 and rng.random() < 0.35 else 1)  # path in excess on the axis
    src, side = s["pos"][0], pick(rng, (1, -1))
    bright = np.ones(ND)
    near = 0.3 if want < -11 else 1.0  # deep ones stay in place over the window
    if way == "ledge":  # lip or step under (over) the driver, image behind and below
        images = [
            (
                src
                + np.array(
                    [
                        rng.uniform(-0.2, 0.2) * exc,
                        pick(rng, (-1, -1, 1)) * rng.uniform(0.3, 1.2) * near * exc,
                        0,
                    ]
                ),
                1.0,
            )
        ]
        bright = 0.5 + 0.5 * np.clip(CZ + 0.3, 0, 1)
    elif way == "twin":  # the same band from a second place, farther away
        images = [
            (
                src
                + np.array([side * rng.uniform(0.3, 0.9) * near, rng.uniform(-0.3, 0.3), 0]) * exc,
                1.0,
            )
        ]
    elif way == "horn":  # both side walls of a cabin
        w = rng.uniform(0.3, 1.0) * (0.5 + 0.5 * near)
        bal = rng.uniform(0.3, 0.7)
        images = [
            (src + np.array([w * exc, 0, 0]), bal),
            (src + np.array([-w * exc * rng.uniform(0.8, 1.2), 0, 0]), 1 - bal),
        ]
        bright = 0.25 + 0.75 * np.clip(CZ, 0, 1)
    elif way == "console":  # large surface below: image far down, seen from above and the front
        images = [(src + np.array([0, -rng.uniform(0.8, 1.6) * near * exc, 0]), 1.0)]
        bright = np.clip(0.6 + 0.8 * SY, 0.15, 1) * np.clip(0.7 + 0.5 * CZ, 0.2, 1)
    else:
        images = []
    if images:
        y = 0
        for p, w in images:
            p = p.copy()
            flat = np.hypot(*(p - src)[:2])
            z = exc - (np.hypot(flat, sp.d) - sp.d)
            p[2] = -z
            if (
                way in ("twin", "horn") and rng.random() < 0.5
            ):  # the detour folded up: a delay, not a depth
                p[2], lag = -0.3 * z, 0.7 * z
            else:
                lag = 0.0
            far = sp.d * UNIT
            r1, r0 = np.sqrt(((far - p) ** 2).sum(1)), np.sqrt(((far - src) ** 2).sum(1))
            ph = np.outer(r1 - r0 + lag, sp.k)
            t = np.empty(ph.shape, complex)
            t.real, t.imag = np.cos(ph), -np.sin(ph)
            y = y + w * t
        y = sp.drivers[k] * y * bright[:, None]
    else:
        p = (0, src[1] + rng.uniform(-0.3, 0.3) * sp.cab, -sp.depth * rng.uniform(0.6, 1.0))
        y = oppose(sp, sp.field(p, (0, 0, -1), sp.cab, soft_cap(0.6), 60) * sp.xo[k], f0, 0.0)
    lo, hi = loguni(rng, 1.5, 2.5), loguni(rng, 1.6, 3.5)
    y *= 1 / np.sqrt(1 + (f0 / lo / sp.f) ** 4) / np.sqrt(1 + (sp.f / f0 / hi) ** 4)
    a, m = scale_add(sp, k, y, want, f0, amps=np.linspace(0.45, 1.2, 14))
    if not -25 < m < -6:
        return None
    d = Defect("deep-null", f0, way)
    d.adds.append((k, a * y))
    return d


def make_crossover(sp, rng, others):
    used = [d.f0 for d in others if d.kind == "crossover-phase"]
    free = [i for i, ok in enumerate(sp.sep_ok) if ok and sp.fc[i] not in used]
    if not free:
        return None
    i = pick(rng, free)
    fc, f = sp.fc[i], sp.f
    way = pick(rng, ("delay", "depth", "polarity", "allpass", "aimed-away"))
    ks = range(i + 1, len(sp.drivers))
    phi = np.radians(rng.uniform(75, 155)) * pick(rng, (1, -1))
    if way == "delay":
        h = np.exp(-1j * phi * f / fc)
    elif way == "depth":  # acoustic centres at different depths
        dz = phi * C / (2 * np.pi * fc)
        h = np.exp(-1j * np.outer(dz * CZ, sp.k))
    elif way == "polarity":
        h = -np.exp(-1j * np.sign(phi) * np.radians(rng.uniform(30, 100)) * f / fc)
    elif way == "allpass":  # a filter of the wrong order or corner
        fa = fc * 2 ** rng.uniform(-0.6, 0.6)
        s = 1j * f / fa
        h = (
            (1 - s) / (1 + s)
            if rng.random() < 0.5
            else (s * s - s / 0.6 + 1) / (s * s + s / 0.6 + 1) * np.exp(1j * phi / 2 * f / fc)
        )
    else:  # in step for a listener well above or below the axis
        sep = abs(sp.spec[i]["pos"][0][1] - sp.spec[i + 1]["pos"][0][1])
        path = sep * np.sin(np.radians(rng.uniform(20, 65))) * pick(rng, (1, -1))
        if path == 0 or len(sp.spec[i]["pos"]) > 1:
            return None
        h = np.exp(-1j * path * sp.k)
    d = Defect("crossover-phase", fc, way)
    d.muls += [(k, h) for k in ks]
    return d


def make_step(sp, rng, others):
    way = pick(
        rng,
        ("beaming-below", "wide-above", "narrow-guide", "waist", "ambience"),
        (4, 1.0, 1.0, 4.5, 1.8),
    )
    swapped = {k for d in others for k in d.swap}
    n = len(sp.spec)
    if n == 1 and way in ("beaming-below", "wide-above", "narrow-guide"):
        way = "waist"
    if way in ("beaming-below", "wide-above", "narrow-guide"):
        i = int(rng.integers(len(sp.fc)))
        k = i if way == "beaming-below" else i + 1
        if k in swapped:
            return None
        s = dict(sp.spec[k])
        if way == "beaming-below":
            a = min(s["a"] * rng.uniform(1.5, 2.8), 0.2)
            s["R"] = min(max(s["R"], 1.25 * a), 0.38)
            s["u"] = soft_cap(np.arcsin(min(a / s["R"], 0.9)))
        elif way == "wide-above":
            s["R"] = rng.uniform(0.045, 0.09)
            s["u"] = soft_cap(rng.uniform(0.2, 0.5))
        else:
            s["R"] = rng.uniform(0.15, 0.36)
            s["u"] = soft_cap(np.radians(rng.uniform(20, 36)))
        d = Defect("directivity-step", sp.fc[i], way)
        d.swap[k] = sp.driver(k, s)
    elif way == "waist":  # pattern pinches or flares in one band
        f0 = loguni(rng, 500, 8000)
        e = rng.uniform(0.4, 1.2) if rng.random() < 0.65 else -rng.uniform(0.35, 0.75)
        w = rng.uniform(0.3, 0.8)
        band = np.exp(-0.5 * (np.log2(sp.f / f0) / w) ** 2)
        d = Defect("directivity-step", f0, way + ("-narrow" if e > 0 else "-flare"))
        ks = [k for k in range(n) if k not in swapped]
        if len(ks) < n:
            return None
        # seen as one: the pattern of the whole front is raised to a power
        whole = np.abs(sum(sp.drivers))
        rel = np.clip(whole / np.sqrt((whole[:9] ** 2).mean(0)), 10 ** (-25 / 20), 2)
        side = np.clip(
            (np.degrees(np.arccos(np.clip(CZ, -1, 1))) - 12) / rng.uniform(35, 70), 0, 1
        )
        tall = rng.uniform(0, 1)  # the pinch is seldom as strong in both planes
        plane = 2 * (SX**2 * (1 - tall) + SY**2 * tall) / np.maximum(SS**2, 1e-9)
        plane = np.where(SS < 1e-6, 1.0, plane)
        extra = np.sign(e) * rng.uniform(1, 6) / 8.686 * side * plane
        m = np.exp(band * (e * np.log(rel) - extra[:, None]))
        d.muls += [(k, m) for k in ks]
    else:  # a further driver to the back, the ceiling or a side
        f1 = loguni(rng, 700, 4500)
        f2 = f1 * 2 ** rng.uniform(1, 3)
        ax, p = pick(
            rng,
            (
                ((0, 0, -1), (0, 0, -sp.depth)),
                ((0, 1, 0), (0, sp.cab, -sp.cab)),
                ((1, 0, 0), (sp.cab, 0, -sp.cab)),
                ((-1, 0, 0), (-sp.cab, 0, -sp.cab)),
            ),
            (3, 1.5, 1, 1),
        )
        y = sp.field(p, ax, sp.cab, soft_cap(rng.uniform(0.1, 0.25)))
        peak = np.sqrt((np.abs(y) ** 2).max(0))
        y *= (
            rng.uniform(0.6, 1.3)
            / peak
            / np.sqrt((1 + (f1 / sp.f) ** 8) * (1 + (sp.f / f2) ** 6))
            * np.exp(-1j * sp.k * rng.uniform(0, 0.3))
        )
        d = Defect("directivity-step", np.sqrt(f1 * f2), way)
        d.adds.append((sp.leader(d.f0), y))
    d.voiced = True
    return d


def make_axis(sp, rng, others):
    way = pick(rng, ("round-edge", "two-edges", "mouth", "rim-offset"), (2, 2, 2, 1.5))
    f0 = loguni(rng, 1800, 9000)
    if sp.off_crossover(f0) < 0.2:
        return None
    k = sp.leader(f0)
    n = int(rng.integers(3, 8))  # half waves from the driver to the edge
    rho = n * C / (2 * f0)
    if not 0.05 < rho < 0.36:
        return None
    up = n % 2 == 1
    x = rho * sp.k
    if way == "round-edge":  # a circle round the driver: in step on the axis alone
        pat = j0(np.outer(SS, x))
    elif way == "two-edges":  # both upright edges, and half as strong the top
        w = rng.uniform(0.1, 0.35)
        length = np.sinc(np.outer(SY * rng.uniform(0.25, 0.6) / np.pi, x)) * np.sinc(
            np.outer(SX * rng.uniform(0.1, 0.3) / np.pi, x)
        )
        pat = (1 - w) * np.cos(np.outer(SX, x)) * length + w * np.exp(
            1j * np.outer(SY * rng.uniform(0.8, 1.6), x)
        )
    elif way == "mouth":  # a whole disc sends back: grille, mouth, frame
        z = np.maximum(np.outer(SS * rng.uniform(1.1, 1.6), x), 1e-6)
        pat = 2 * j1(z) / z
    else:  # two rims of different size that meet on the axis
        b = rng.uniform(0.5, 0.8)
        pat = 0.6 * j0(np.outer(SS, x)) + 0.4 * np.cos(
            np.outer(SX * b + SY * rng.uniform(-0.4, 0.4), x)
        )
    back = 0.25 + 0.75 * (0.5 + 0.5 * CZ)
    env = np.exp(-0.5 * (np.log2(sp.f / f0) / rng.uniform(0.35, 0.9)) ** 2)
    y = -pat * back[:, None] * (env * np.exp(-1j * x)) * sp.drivers[k]
    want = rng.uniform(1.6, 4.8) * (1 if up else -1)
    a, m = scale_add(sp, k, y, want, f0, axis=True, span=0.15)
    if not 1.5 < abs(m) < 5:
        return None
    d = Defect("single-axis", f0, way)
    d.adds.append((k, a * y))
    return d


MAKE = dict(
    zip(
        KINDS,
        (
            make_resonance,
            make_balance,
            make_shallow,
            make_cancellation,
            make_null,
            make_crossover,
            make_step,
            make_axis,
        ),
    )
)
_IN = (FREQS_HZ >= 245) & (FREQS_HZ <= 9200)  # where the largest effect is looked for


def sized(d, diff, alone):
    """Is the effect (3 x NT: window, in-room, axis) what the kind promises? Sets the frequency
    of the largest effect."""
    col = {"directivity-step": 1, "single-axis": 2}.get(d.kind, 0)
    e = np.where(_IN, diff[col], 0)
    i = int(np.abs(e).argmax())
    v, near = e[i], slice(max(i - 24, 0), i + 25)
    w, r = diff[0], diff[1]
    d.hz, d.size = FREQS_HZ[i], v
    s = 0.0 if alone else 0.2
    if not np.isfinite(diff).all() or np.abs(diff[:, FREQS_HZ < 120]).max() > 4.5:
        return False
    if d.kind not in ("balance",) and not 240 <= d.hz <= 9300:
        return False
    if d.kind == "resonance":
        return 1.5 - s <= abs(v) <= 6 + s and abs(np.log2(d.hz / d.f0)) < 0.3
    if d.kind == "balance":
        wide = np.abs(w[_IN]) > abs(v) / 2
        return 1.5 - s <= abs(v) <= 4 + s and wide.sum() >= 48
    if d.kind == "shallow-dip":
        return -4 - s <= v <= -1.5 + s
    if d.kind == "cancellation":
        return (
            -15 - 3 * s <= v <= -3 + s and r[near].min() > 0.62 * v and w[_IN].max() < 0.6 * abs(v)
        )
    if d.kind == "deep-null":
        return -25 <= v <= -6 + 2 * s and r[near].min() > 0.85 * v
    if d.kind == "crossover-phase":
        return -12 - 3 * s <= v <= -2 + s and abs(np.log2(d.hz / d.f0)) < 0.8
    if d.kind == "directivity-step":
        return 1.5 - s <= abs(v) <= 5 + 2 * s and np.abs(w[_IN]).max() < (0.9 if alone else 1.3)
    return 1.5 - s <= abs(v) <= 5 + s and np.abs(w[_IN]).max() < 0.5 * abs(v)


def plan(seed, rng):
    """Kinds of this speaker: neighbours in number share a shuffled pack so that all kinds come
    about equally often."""
    pack = np.random.default_rng([seed // 2, 77]).permutation(8)
    pack = pack if seed % 2 == 0 else pack[::-1]
    n = int(pick(rng, (3, 4, 5), (1, 1.5, 1.5)))
    kinds = [KINDS[i] for i in pack[: min(n, 4)]]
    if n == 5:
        kinds.append(pick(rng, KINDS, (1.5, 0.8, 1, 1, 1, 0.8, 1, 1)))
    return kinds


def place(sp, rng, kind, others, healthy):
    for _ in range(40):
        d = MAKE[kind](sp, rng, others)
        if d is None or any(o.kind == kind and abs(np.log2(o.f0 / d.f0)) < 0.6 for o in others):
            continue
        if d.common is not None:
            g = 10 * np.log10(d.common[:NT])
            diff = np.vstack([g, g, g])
        else:
            diff = sp.curves([d]) - healthy
        if sized(d, diff, True):
            return d
    return None


def build(seed):
    rng = np.random.default_rng([seed, 4021])
    kinds = plan(seed, rng)
    while True:
        sp = Speaker(rng, "crossover-phase" in kinds)
        healthy = sp.curves([])
        flat = healthy[0][(FREQS_HZ > 2 * sp.corner) & (FREQS_HZ < 16000)]
        if np.abs(flat - np.median(flat)).max() > 1.25:  # not a good one: build another
            continue
        order = sorted(
            kinds, key=lambda k: k == "resonance"
        )  # resonances last: they may seek the flank of a null
        defects = []
        for kind in order:
            d = place(sp, rng, kind, defects, healthy)
            if d is None:
                break
            defects.append(d)
        if len(defects) < len(kinds):
            continue
        for _ in range(10):  # each alone was fine; now in company
            full = sp.power(defects)
            allc = 10 * np.log10(CURVES @ full[:, :NT])
            diffs, bad = [], []
            for i, d in enumerate(defects):
                if d.common is not None:
                    g = 10 * np.log10(d.common[:NT])
                    diff = np.vstack([g, g, g])
                else:
                    diff = allc - sp.curves(defects[:i] + defects[i + 1 :])
                diffs.append(diff)
                if not sized(d, diff, False) or any(
                    o.kind == d.kind and abs(np.log2(o.hz / d.hz)) < 0.4 for o in defects[:i]
                ):
                    bad.append(i)
            if not bad:
                return sp, defects, healthy, full, diffs, rng
            i = pick(rng, bad)
            d = place(sp, rng, defects[i].kind, defects[:i] + defects[i + 1 :], healthy)
            if d is None:
                break
            defects[i] = d


def known_speaker(seed):
    sp, defects, healthy, full, diffs, rng = build(seed)
    db = 10 * np.log10(np.maximum(full[:, sp.rows], 1e-12)) + sp.level
    f = sp.f[sp.rows]
    noisy = [db[cols] + sp.noise * rng.standard_normal((36, f.size)) for cols in (HCOL, VCOL)]
    return KnownSpeaker(
        name=f"simulated {seed}",
        freqs_hz=f,
        levels_db=np.concatenate(noisy).T,
        healthy_window_db=healthy[0] + sp.level,
        defects=[KnownDefect(d.kind, d.hz, diff) for d, diff in zip(defects, diffs)],
    )


if __name__ == "__main__":
    run(known_speaker, __doc__, Form(level=2, truth=3))
