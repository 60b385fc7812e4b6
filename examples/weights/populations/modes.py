"""Simulated loudspeakers with known defects: modal and lumped physics.

Every radiating part is a patch (or a mode: ring, rocking pair, panel) on a rigid sphere that
stands for the enclosure; its field is a series of spherical harmonics with complex, frequency
dependent coefficients h_l(kr)/h_l'(kR). Boxes, pipes and ports are lumped or transmission-line
elements, crossovers are ladders of coils and capacitors loaded by the impedance of the driver.
Directions: x right, y up, z front. Time convention exp(+j w t).
"""

import sys
from pathlib import Path

sys.dont_write_bytecode = True  # no cache folder in the repository
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from population_tools import (
    ANGLES_DEG,
    KINDS,
    Form,
    KnownDefect,
    KnownSpeaker,
    average_weights,
    log_uniform,
    run,
)

import numpy as np
from scipy import special

C = 343.0
LMAX = 72

# ---------------------------------------------------------------- directions and averages
_H = [(a, 0) for a in ANGLES_DEG]
_V = [(a, 1) for a in ANGLES_DEG if a not in (0, 180)]
DIRS = _H + _V
_row = {d: i for i, d in enumerate(DIRS)}
_row[(0, 1)], _row[(180, 1)] = _row[(0, 0)], _row[(180, 0)]
HROWS = np.array([_row[(a, 0)] for a in ANGLES_DEG])
VROWS = np.array([_row[(a, 1)] for a in ANGLES_DEG])
_r = np.radians([d[0] for d in DIRS])
_v = np.array([d[1] for d in DIRS], bool)
N = np.stack([np.where(_v, 0.0, np.sin(_r)), np.where(_v, np.sin(_r), 0.0), np.cos(_r)], 1)
NA = len(DIRS)
FRONT = _row[(0, 0)]


W = average_weights(
    [("vertical" if vertical else "horizontal", int(a)) for a, vertical in DIRS], "belts"
).judged()
W32 = W.astype(np.float32)

# ---------------------------------------------------------------- tables
G0 = np.log2(2 * np.pi * 20 / C * 0.02)  # log2 of the smallest kR
STEP = 144
NX = int(14.2 * STEP)
F144 = 20.0 * 2 ** (np.arange(1440) / STEP)


def _hankel(x):
    n = np.arange(LMAX + 1)[:, None]
    with np.errstate(all="ignore"):
        j = special.spherical_jn(n, x[None])
        y = np.empty_like(j)
        y[0] = -np.cos(x) / x
        y[1] = -np.cos(x) / x**2 - np.sin(x) / x
        for l in range(1, LMAX):
            y[l + 1] = (2 * l + 1) / x * y[l] - y[l - 1]
        h = j - 1j * y
        dh = np.empty_like(h)
        dh[0] = -h[1]
        dh[1:] = h[:-1] - (n[1:] + 1) / x * h[1:]
    return h, dh


_x = 2 ** (G0 + np.arange(NX) / STEP)
_ph = (1j ** (np.arange(LMAX + 1) + 1))[:, None]
with np.errstate(all="ignore"):
    GT = (
        -_ph / _hankel(_x)[1] / _x**2
    )  # far field of unit volume acceleration: 1 at low frequencies
GT[~np.isfinite(GT)] = 0
_QT = {}


def near(dist):
    """Ratio of the field at a finite distance to its far-field form, per order."""
    if dist >= 20:
        return None
    if dist not in _QT:
        x = 2 * np.pi * F144 / C * dist
        q = _hankel(x)[0] * x * np.exp(1j * x) / _ph
        q[~np.isfinite(q)] = 0
        _QT[dist] = q
    return _QT[dist]


def legendre(c):
    p = np.empty((LMAX + 2,) + np.shape(c))
    p[0], p[1] = 1, c
    for l in range(1, LMAX + 1):
        p[l + 1] = ((2 * l + 1) * c * p[l] - l * p[l - 1]) / (l + 1)
    return p


PFWD = np.ascontiguousarray(legendre(N[:, 2])[: LMAX + 1].T.astype(np.float32))


def _real_sh(lm=4):
    out, ls = [], []
    pol, azi = np.arccos(np.clip(N[:, 2], -1, 1)), np.arctan2(N[:, 1], N[:, 0])
    for l in range(lm + 1):
        for m in range(l + 1):
            p = special.lpmv(m, l, np.cos(pol)) * np.sqrt(
                (2 * l + 1) * special.factorial(l - m) / special.factorial(l + m)
            )
            out.append(p * np.cos(m * azi))
            ls.append(l)
            if m:
                out.append(p * np.sin(m * azi))
                ls.append(l)
    return np.array(out).T.astype(np.float32), np.array(ls)


YSH, YL = _real_sh()


def cap(alpha):
    """Legendre coefficients of a cap that moves with unit volume velocity (alpha scalar or per
    frequency)."""
    p = legendre(np.cos(alpha))
    u = np.empty_like(p[: LMAX + 1])
    u[0] = 0.5 * (1 - p[1])
    u[1:] = 0.5 * (p[:-2] - p[2:])
    return u / u[0]


def ring(a_in, a_out):
    """Unit-volume annulus between two half angles."""
    vi, vo = 1 - np.cos(a_in), 1 - np.cos(a_out)
    return (cap(a_out) * vo - cap(a_in) * vi) / (vo - vi)


class Ctx:
    """Frequencies of one evaluation, with helpers that give complex fields (directions x
    frequencies)."""

    def __init__(self, gi, dist):
        self.gi, self.dist = gi, dist
        self.f = F144[gi]
        self.k = 2 * np.pi * self.f / C
        self.k32 = self.k.astype(np.float32)
        q = near(dist)
        self.q = None if q is None else q[:, gi]

    def coef(self, R):
        off = int(round((np.log2(2 * np.pi * 20 / C * R) - G0) * STEP))
        g = GT[:, off + self.gi]
        return g if self.q is None else g * self.q

    def field(self, U, R, axis=None):
        if U.ndim == 1:
            U = U[:, None]
        cf = self.coef(R) * U
        P = (
            PFWD
            if axis is None
            else np.ascontiguousarray(
                legendre(np.clip(N @ axis, -1, 1))[: LMAX + 1].T.astype(np.float32)
            )
        )
        z = P @ np.concatenate([cf.real, cf.imag], 1).astype(np.float32)
        n = len(self.f)
        return z[:, :n] + 1j * z[:, n:]

    def harmonics(self, c, R):
        cf = self.coef(R)[YL] * c[:, None]
        n = len(self.f)
        z = YSH @ np.concatenate([cf.real, cf.imag], 1).astype(np.float32)
        return z[:, :n] + 1j * z[:, n:]

    def rot(self, path):
        """exp(-jk path) for a path per direction (metres)."""
        a = np.outer(path.astype(np.float32), self.k32)
        return np.cos(a) - 1j * np.sin(a)

    def place(self, pos):
        pos = np.asarray(pos, float)
        if not pos.any():
            return np.ones((NA, 1), np.complex64)
        if self.q is None:
            return self.rot(-(N @ pos))
        d = np.linalg.norm(self.dist * N - pos, axis=1)
        return self.rot(d - self.dist) * (self.dist / d).astype(np.float32)[:, None]

    def delay(self, path):
        return np.exp(-1j * self.k * path).astype(np.complex64)


# ---------------------------------------------------------------- lumped parts
def bandpass(f, f0, q):
    x = f / f0
    return (1j * x / q) / (1 - x * x + 1j * x / q)


def hp2(f, f0, q):
    s = 1j * f / f0
    return s * s / (1 + s / q + s * s)


def lp2(f, f0, q):
    s = 1j * f / f0
    return 1 / (1 + s / q + s * s)


def bell(f, f0, octs):
    return np.exp(-0.5 * (np.log2(f / f0) / octs) ** 2)


def impedance(f, d):
    x = f / d["fs"]
    return d["re"] + 2j * np.pi * f * d["le"] + d["rm"] / (1 + 1j * d["qm"] * (x - 1 / x))


def ladder(f, parts, zload):
    """Voltage at the load of a chain of parts, listed from the amplifier to the load."""
    w = 2j * np.pi * f
    y, gain = 1 / zload, 1.0
    for how, typ, val, loss in reversed(parts):
        z = (w * val if typ == "L" else 1 / (w * val)) + loss
        if how == "shunt":
            y = y + 1 / z
        else:
            gain = gain / (1 + z * y)
            y = y / (1 + z * y)
    return gain


def lowpass_parts(rng, order, fx, r, align):
    t = lambda v: v * (1 + 0.02 * rng.standard_normal())
    dcr = lambda: rng.uniform(0.05, 0.3)
    if order == 2:
        l, c = (0.3183, 0.0796) if align == "lr" else (0.2251, 0.1125)
        return [("series", "L", t(l * r / fx), dcr()), ("shunt", "C", t(c / r / fx), 0.05)]
    return [
        ("series", "L", t(0.3 * r / fx), dcr()),
        ("shunt", "C", t(0.2533 / r / fx), 0.05),
        ("series", "L", t(0.15 * r / fx), dcr()),
        ("shunt", "C", t(0.0563 / r / fx), 0.05),
    ]


def highpass_parts(rng, order, fx, r, align):
    t = lambda v: v * (1 + 0.02 * rng.standard_normal())
    dcr = lambda: rng.uniform(0.05, 0.3)
    if order == 2:
        l, c = (0.3183, 0.0796) if align == "lr" else (0.2251, 0.1125)
        return [("series", "C", t(c / r / fx), 0.05), ("shunt", "L", t(l * r / fx), dcr())]
    return [
        ("series", "C", t(0.0844 / r / fx), 0.05),
        ("shunt", "L", t(0.1 * r / fx), dcr()),
        ("series", "C", t(0.1688 / r / fx), 0.05),
        ("shunt", "L", t(0.4501 * r / fx), dcr()),
    ]


def active(f, lo, hi, o_lo, o_hi):
    h = np.ones(len(f), complex)
    if lo:
        h = h * (hp2(f, lo, 0.5) if o_lo == 2 else hp2(f, lo, 0.7071) ** 2)
    if hi:
        h = h * (lp2(f, hi, 0.5) if o_hi == 2 else lp2(f, hi, 0.7071) ** 2)
    return h


def electric(f, d, scale=None, zobel=True):
    """Transfer of one driver's crossover; scale = (index, factor) misfits one part."""
    if d["passive"]:
        parts = d["parts"]
        if scale is not None:
            i, s = scale
            parts = [
                (h, t, v * s, l) if n == i else (h, t, v, l)
                for n, (h, t, v, l) in enumerate(parts)
            ]
        z = impedance(f, d)
        if d["zobel"] and zobel:
            z = 1 / (1 / z + 1 / (1.2 * d["re"] + 1 / (2j * np.pi * f * d["le"] / d["re"] ** 2)))
        return ladder(f, parts, z) if parts else np.ones(len(f), complex)
    lo, hi = d["lo"], d["hi"]
    if scale is not None:
        if scale[0] == 0:
            lo = lo * scale[1] if lo else lo
            hi = hi * scale[1] if hi and not d["lo"] else hi
        else:
            hi = hi * scale[1] if hi else hi
            lo = lo * scale[1] if lo and not d["hi"] else lo
    return active(f, lo, hi, d["o_lo"], d["o_hi"])


# ---------------------------------------------------------------- the healthy speaker


def snap(R):
    return float(2 ** (np.round(np.log2(R) * STEP) / STEP))


def db(p):
    return 10 * np.log10(np.maximum(p, 1e-12))


def smooth(y, f, octs):
    """Gaussian smoothing over log frequency on a possibly irregular grid (dB values)."""
    u = np.log2(f)
    g = np.linspace(u[0], u[-1], 480)
    yy = np.interp(g, u, y)
    d = g[1] - g[0]
    n = int(3 * octs / d) + 1
    ker = np.exp(-0.5 * (np.arange(-n, n + 1) * d / octs) ** 2)
    ker /= ker.sum()
    yy = np.concatenate([2 * yy[0] - yy[n:0:-1], yy, 2 * yy[-1] - yy[-2 : -n - 2 : -1]])
    return np.interp(u, g, np.convolve(yy, ker, "valid"))


class Speaker:
    def __init__(self, rng):
        self.rng = rng
        self.ppo = int(rng.choice([12, 16, 24, 36, 48]))
        self.dist = float(rng.choice([2.0, 3.0, 20.0], p=[0.4, 0.2, 0.4]))
        self.noise = rng.uniform(0, 0.5)
        gt = np.arange(480) * 3
        gm = np.arange(int(np.floor(np.log2(1000) * self.ppo)) + 1) * (STEP // self.ppo)
        gi = np.union1d(gt, gm)
        self.it, self.im = np.searchsorted(gi, gt), np.searchsorted(gi, gm)
        self.c = Ctx(gi, self.dist)
        self.design(rng)
        ci = self.it[150::3]  # coarse grid for planning: from 175 Hz, 16 per octave
        k = Ctx(gi[ci], self.dist)
        k.B = [b[:, ci] for b in self.c.B]
        k.T = [t[ci] for t in self.c.T]
        k.P = self.c.P[:, ci]
        k.Pw = W32 @ (k.P.real**2 + k.P.imag**2)
        self.k = k

    def design(self, rng):
        ways = int(rng.choice([1, 2, 3], p=[0.1, 0.55, 0.35]))
        self.ways = ways
        self.fc = log_uniform(rng, 30, 120)
        vented = rng.random() < 0.55
        self.vented = vented
        self.passive = rng.random() < 0.65
        drv, self.fx = [], []
        coax = ways > 1 and rng.random() < 0.12
        wave = ways > 1 and not coax and rng.random() < 0.3
        tw = rng.uniform(0.009, 0.02)
        if ways == 1:
            aw = rng.uniform(0.03, 0.055)
        elif ways == 2:
            aw = rng.uniform(0.035, 0.11)
            self.fx = [float(np.clip(rng.uniform(1.5, 2.7) * C / (2 * np.pi * aw), 1100, 3800))]
        else:
            aw = rng.uniform(0.08, 0.16)
            am = rng.uniform(0.03, 0.065)
            self.fx = [
                log_uniform(rng, 260, 650),
                float(np.clip(rng.uniform(1.7, 2.8) * C / (2 * np.pi * am), 1800, 4500)),
            ]
        orders = [int(rng.choice([2, 4])) for _ in self.fx]
        self.box = snap(min(max(aw * rng.uniform(1.25, 1.8), 0.07), 0.21))
        self.coax = coax
        radii = [aw] if ways == 1 else [aw, tw] if ways == 2 else [aw, am, tw]
        xo = rng.choice([0, 0, 1]) * rng.uniform(-0.05, 0.05)
        ytop = rng.choice([0.0, 0.0, 1.0]) * rng.uniform(-0.03, 0.06)
        pos, y = [], ytop
        for i in range(ways - 1, -1, -1):
            if i == ways - 1:
                pos.append(np.array([xo, ytop, 0.0]))
                continue
            if coax and i == ways - 2:
                pos.append(pos[-1].copy())
            else:
                up = radii[i + 1] if not (wave and i == ways - 2) else 0.06
                y = y - (radii[i] + up + rng.uniform(0.02, 0.05))
                pos.append(np.array([0.0, y, 0.0]))
            if coax and i == ways - 2:
                y = pos[-1][1] - radii[i] + radii[i + 1]
        pos = pos[::-1]
        align = rng.choice(["lr", "bw"])
        for i in range(ways):
            top, low = i == ways - 1, i == 0
            lo = None if low else self.fx[i - 1]
            hi = None if top else self.fx[i]
            d = dict(
                a=radii[i],
                pos=pos[i],
                lo=lo,
                hi=hi,
                passive=self.passive,
                o_lo=orders[i - 1] if lo else 0,
                o_hi=orders[i] if hi else 0,
            )
            d["re"] = float(rng.choice([3.3, 5.6, 6.2]))
            d["le"] = (0.4e-3 if i < ways - 1 or ways == 1 else 0.04e-3) * rng.uniform(0.5, 1.6)
            d["fs"] = self.fc * 0.8 if low else lo / rng.uniform(2.0, 3.5)
            d["rm"], d["qm"] = d["re"] * rng.uniform(0.4, 3), rng.uniform(1.5, 5)
            d["zobel"] = rng.random() < 0.75
            parts = []
            r = d["re"] * 1.08
            if lo:
                parts += highpass_parts(rng, d["o_lo"], lo, r, align)
            if hi:
                parts += lowpass_parts(rng, d["o_hi"], hi, r, align)
            d["parts"] = parts
            if top and wave:
                d["R"], d["al"] = snap(rng.uniform(0.05, 0.085)), np.radians(rng.uniform(36, 58))
                d["fd"] = rng.uniform(9e3, 16e3)
            else:
                d["R"] = self.box if not top or ways == 1 else snap(rng.uniform(0.07, 0.13))
                if ways == 3 and i == 1:
                    d["R"] = snap(max(self.box * 0.8, 1.2 * d["a"]))
                d["al"] = np.arcsin(min(d["a"] / d["R"], 0.95))
                d["fd"] = (
                    rng.uniform(0.8, 2.0) * 2.2 * C / (2 * np.pi * d["a"])
                )  # the outer cone lets go above
            d["up"] = (
                rng.uniform(1.6, 3.5) * hi if hi else rng.uniform(22e3, 32e3),
                rng.uniform(0.6, 0.9),
            )
            drv.append(d)
        self.drv = drv
        c = self.c
        f = c.f
        if vented:
            self.bass = hp2(f, self.fc, rng.uniform(0.9, 1.3)) * hp2(
                f, self.fc * rng.uniform(0.7, 1.0), rng.uniform(0.5, 0.65)
            )
        else:
            self.bass = hp2(f, self.fc, rng.uniform(0.6, 0.85))
        T, B = [], []
        edge = (rng.uniform(-0.05, 0.03), rng.uniform(0.07, 0.16), rng.uniform(0.07, 0.16))
        for i, d in enumerate(drv):
            t = electric(f, d) * (self.bass if i == 0 else hp2(f, d["fs"], rng.uniform(0.6, 0.9)))
            t = t * lp2(f, *d["up"])
            D = self.shape(c, d)
            if i == len(drv) - 1:
                e, w1, w2 = edge
                pole = np.exp(-1j * c.k * w1) * e * hp2(f, 900, 0.7)
                pol2 = np.exp(-1j * c.k * w2) * e * hp2(f, 900, 0.7)
                D = D * (
                    1
                    + pole.astype(np.complex64) * c.rot(-w1 * N[:, 0])
                    + pol2.astype(np.complex64) * c.rot(w2 * N[:, 0])
                )
            b = D * t.astype(np.complex64)
            flo = d["lo"] * 1.8 if d["lo"] else max(150, 2.5 * self.fc)
            fhi = d["hi"] / 1.8 if d["hi"] else 10e3
            if fhi <= flo * 1.2:
                flo, fhi = np.sqrt(flo * fhi) * 0.95, np.sqrt(flo * fhi) * 1.05
            m = (f >= flo) & (f <= fhi)
            g = 10 ** (-np.mean(db(W[0] @ np.abs(b[:, m]) ** 2)) / 20)
            T.append(t * g)
            B.append(b * np.float32(g))
        for i in range(1, len(drv)):  # the designer brings the drivers into step
            fx = self.fx[i - 1]
            m = (f > fx / 2) & (f < fx * 2)
            lo = sum(b[FRONT, m] for b in B[:i])
            hi = B[i][FRONT, m]
            wgt = np.minimum(np.abs(lo), np.abs(hi)) ** 1 / np.maximum(np.abs(lo), np.abs(hi))
            tau = np.linspace(-0.7, 0.7, 57) / fx
            e = np.exp(-2j * np.pi * f[m][None] * tau[:, None]) * hi
            best = None
            for s in (1, -1):
                q = (wgt * np.abs(lo + s * e) ** 2 / (np.abs(lo) + np.abs(hi)) ** 2).sum(
                    1
                ) - 0.02 * wgt.sum() * np.abs(tau * fx)
                n = int(np.argmax(q))
                if best is None or q[n] > best[0]:
                    best = (q[n], s, tau[n])
            g = best[1] * np.exp(-2j * np.pi * f * best[2])
            T[i] = T[i] * g
            B[i] = B[i] * g.astype(np.complex64)
        raw = db(W[0] @ np.abs(sum(B)) ** 2) - 20 * np.log10(np.abs(self.bass))
        u = np.log2(f / 1000)
        want = rng.uniform(-0.09, 0.04) * u - rng.uniform(0, 0.5) * bell(f, 20e3, 0.5)
        amp = rng.uniform(0.03, 0.22)
        for _ in range(4):
            want = want + amp * rng.uniform(0.3, 1) * np.sin(
                2 * np.pi * rng.uniform(0.3, 2.5) * u + rng.uniform(0, 6.3)
            )
        fit = smooth(raw, f, 0.12)
        rest = raw - fit
        fit = fit + rest - np.clip(rest, -0.25, 0.25)
        want = np.clip(want, -0.8, 0.8)
        v = 10 ** ((want - fit + 85 + rng.uniform(-2, 2)) / 20)
        T = [t * v for t in T]
        B = [b * v.astype(np.float32) for b in B]
        c.T, c.B, c.P = T, B, sum(B)
        c.Pw = W32 @ (c.P.real**2 + c.P.imag**2)

    def shape(self, c, d, grow=1.0, R=None):
        """Directivity of a driver (unit volume): a cap whose outer part lets go with frequency."""
        a = d["al"] / np.sqrt(1 + (c.f / d["fd"]) ** 2) ** 0.8
        R = R or d["R"]
        a = np.minimum(a * grow * d["R"] / R, 1.5)
        return c.field(cap(a), R) * c.delay(R) * c.place(d["pos"])

    def leader(self, f0):
        k = self.k
        i = int(np.argmin(np.abs(np.log(k.f / f0))))
        p = [float(W[0] @ np.abs(b[:, i]) ** 2) for b in k.B]
        return int(np.argmax(p))


# ---------------------------------------------------------------- planning of one defect
def change(k, E):
    """Quadratic form of the averages in the size a of an added field E."""
    cr = W32 @ (k.P.real * E.real + k.P.imag * E.imag)
    ee = W32 @ (E.real**2 + E.imag**2)
    return lambda a: db(np.maximum(1 + (2 * a * cr + a * a * ee) / k.Pw, 1e-9))


SIZES = np.geomspace(0.06, 3.0, 40)


def fit_size(k, E, target, sign, row=0, band=None, amax=3.0, flat=False):
    """Smallest size at which the averaged effect reaches the target (else the nearest). Returns
    a, effect, table."""
    ch = change(k, E)
    best = (None, -1.0)
    for a in SIZES[SIZES <= amax]:
        t = ch(a)
        y = t[row] - t[0] if flat else t[row]
        y = y if band is None else y[band]
        v = float(np.max(np.abs(y)) if sign == 0 else np.max(sign * y))
        if v > best[1]:
            best = (a, v)
        if v >= target:
            break
    return best[0], best[1], ch(best[0])


def level(k, row):
    return int(np.argmin(np.abs(np.log(k.f / row))))


def turned(k, E, f0, want=np.pi):
    """Phase to add to E so that it stands at the wanted phase to the healthy front field at f0."""
    i = level(k, f0)
    return want - float(np.angle(E[FRONT, i] / k.P[FRONT, i]))


def lag(k, E, f0, extra=0.0):
    """Least path (m) that brings E to opposite phase in front at f0."""
    ph = (-(turned(k, E, f0, np.pi + extra))) % (2 * np.pi)
    return ph / (2 * np.pi) * C / f0


def unit(rng, ax):
    v = np.array(ax, float)
    return v / np.linalg.norm(v)


def scale_to(k, E, f0):
    """Factor that makes E as loud as the healthy speaker in front at f0."""
    i = level(k, f0)
    return float(np.sqrt(k.Pw[0, i] / max(float(W[0] @ np.abs(E[:, i]) ** 2), 1e-30)))


def free(S, kind, f0, gap):
    return all(abs(np.log2(f0 / g)) > gap for kk, g in S.placed if kk == kind)


def shaped(s, fn, a):
    """Factor 1 + a m(direction, frequency) on one driver, whatever else is wrong with it."""
    return lambda c: dict(mul=[(s, 1 + np.complex64(a) * fn(c))])


NULLS = ("cancellation", "deep-null", "crossover-phase")


def clear(S, kind, f0, gap):
    """Apart from its own kind by the gap, and from other nulls by a little."""
    return free(S, kind, f0, gap) and all(free(S, o, f0, 0.4) for o in NULLS if o != kind)


def added(s, fn, a, g=1.0):
    return lambda c: dict(add=[(s, (fn(c) * np.complex64(a * g)))])


def make_resonance(S, rng):
    k = S.k
    f0 = log_uniform(rng, 250, 9000)
    nulls = [g for kk, g in S.placed if kk in ("cancellation", "deep-null", "crossover-phase")]
    if nulls and rng.random() < 0.25:
        f0 = float(np.clip(rng.choice(nulls) * rng.choice([0.72, 0.8, 1.25, 1.4]), 250, 9000))
    var = rng.choice(
        ["driver", "everything", "breathing", "standing-wave", "throat", "dip"],
        p=[0.25, 0.2, 0.25, 0.14, 0.1, 0.06],
    )
    q = log_uniform(rng, 1.5, 12)
    if var == "standing-wave":
        n = rng.integers(1, 3)
        f0 = n * C / 2 / rng.uniform(0.22, 0.6)
    if not free(S, "resonance", f0, 0.6):
        return None
    target = rng.uniform(1.5, 6)
    s = S.leader(f0)
    if var == "standing-wave":
        s = 0
    if var == "throat":
        s = len(k.B) - 1
        f0 = max(f0, 2500)
    d = S.drv[s]
    sign = 1
    if var == "dip":
        g = 10 ** (-rng.uniform(1.5, 4.5) / 20)
        fn = lambda c: (1 / (1 + (1 / g - 1) * bandpass(c.f, f0, q)))
        E = (k.B[s] if rng.random() < 0.5 else k.P) * (fn(k) - 1).astype(np.complex64)
        t = change(k, E)(1.0)
        if np.min(t[0]) > -1.3:
            return None
        return f0, lambda c: dict(mul=[(s, fn(c))])
    if var == "everything":
        g = 10 ** (target / 20) - 1
        # grille cavity or a bridge resonance ahead of all drivers; two poles share one frequency
        # and Q
        return f0, lambda c: dict(all=1 + g * bandpass(c.f, f0, q))
    if var == "breathing" and 2 * np.pi * f0 / C * d["a"] < 2.2:
        # first ring mode of the diaphragm: centre and rim move against one another, net volume
        # left over
        ai = d["al"] * rng.uniform(0.45, 0.7)
        mix = rng.uniform(1.1, 1.6)
        U = mix * cap(ai) + (1 - mix) * ring(ai, d["al"])
        ps = rng.uniform(-0.15, 0.15)

        def fn(c):
            return (
                c.field(U, d["R"])
                * c.delay(d["R"])
                * c.place(d["pos"])
                * (c.T[s] * bandpass(c.f, f0, q) * np.exp(1j * ps)).astype(np.complex64)
            )

        E = fn(k)
        i = level(k, f0)
        rel = (E[:, i] / k.B[s][:, i]).real
        if rel[np.abs([x[0] for x in DIRS]) <= 60].min() < 0.25:
            return None
        a, v, t = fit_size(k, E, target, 1, band=np.abs(np.log2(k.f / f0)) < 0.5)
        return (f0, added(s, fn, a)) if v > 1.4 else None
    bp = lambda c: bandpass(c.f, f0, q)
    a, v, t = fit_size(
        k, k.B[s] * bp(k).astype(np.complex64), target, 1, band=np.abs(np.log2(k.f / f0)) < 0.5
    )
    if v < 1.4 or a > 1.2:
        return None
    return f0, lambda c: dict(mul=[(s, 1 + a * bp(c))])


def make_balance(S, rng):
    k = S.k
    f0 = log_uniform(rng, 280, 7000)
    if not free(S, "balance", f0, 1.6):
        return None
    g = rng.uniform(1.5, 4) * rng.choice([-1, 1])
    var = rng.choice(
        ["shelf", "tilt", "bump", "pad", "step", "coil"], p=[0.22, 0.18, 0.25, 0.15, 0.1, 0.1]
    )
    if var == "pad" and S.ways > 1:
        # the resistors of the upper driver's divider are wrong
        s = len(k.B) - 1
        fn = lambda c: np.full(len(c.f), 10 ** (g / 20))
        f0 = min(S.fx[-1] * 1.8, 8000)
        return (f0, lambda c: dict(mul=[(s, fn(c))])) if free(S, "balance", f0, 1.6) else None
    if var == "tilt":
        wd = rng.uniform(1.2, 2.5)
        half = g * 0.8
        return f0, lambda c: dict(all=10 ** (half * np.tanh(np.log2(c.f / f0) / wd) / 20))
    if var == "bump":
        q = rng.uniform(0.3, 0.8)
        a = 10 ** (abs(g) / 20) - 1
        return f0, lambda c: dict(all=(1 + a * bandpass(c.f, f0, q)) ** np.sign(g))
    if var == "step":
        # baffle step corrected too much or too little: a share of what the sphere does
        def fn(c):
            x = 10 ** (db(np.abs(c.field(cap(0.3), S.box)[FRONT]) ** 2) / 20 * g / 6.5)
            return x

        return float(np.clip(C / (2 * np.pi * S.box) * 2, 300, 2000)), lambda c: dict(all=fn(c))
    if var == "coil":
        # long lossy coil or cable against a falling load: first-order shelf with a lumped R-L
        a = 10 ** (-abs(g) / 20)
        return f0, lambda c: dict(all=(1 + 1j * c.f / f0 * a) / (1 + 1j * c.f / f0))
    A = 10 ** (g / 40)
    hi = rng.random() < 0.5
    qs = rng.uniform(0.5, 0.75)

    def shelf(c):
        x = 1j * c.f / f0 if hi else -1j * f0 / c.f
        r = np.sqrt(A)
        return (1 + x * r / qs + A * x * x) / (1 + x / r / qs + x * x / A)

    return f0, lambda c: dict(all=shelf(c))


def make_shallow(S, rng):
    k = S.k
    f0 = log_uniform(rng, 250, 9000)
    if not free(S, "shallow-dip", f0, 0.8):
        return None
    g, q = rng.uniform(1.5, 4), log_uniform(rng, 0.5, 2.5)
    var = rng.choice(["everything", "driver", "trap", "stagger", "absorb"])
    s = S.leader(f0)
    a = 10 ** (g / 20) - 1
    if var == "trap":
        # a parallel trap (R, L, C) left in series with a driver of real impedance
        d = S.drv[s]
        r = d["re"] * a
        l = r / (2 * np.pi * f0 * q)

        def fn(c):
            w = 2j * np.pi * c.f
            zt = 1 / (1 / r + 1 / (w * l) + w / (l * (2 * np.pi * f0) ** 2))
            z = impedance(c.f, d)
            return z / (z + zt)

    elif var == "stagger":
        sp = 2 ** rng.uniform(0.15, 0.35)
        fn = lambda c: 1 / (
            (1 + a * 0.55 * bandpass(c.f, f0 * sp, q)) * (1 + a * 0.55 * bandpass(c.f, f0 / sp, q))
        )
    elif var == "absorb":
        # a damped line behind the diaphragm takes energy where it is a quarter wave long
        lam = C / f0 / 4
        de = 0.35 / q

        def fn(c):
            z = 1 / np.cosh(np.minimum(de, 0.6) * c.f / f0 + 1j * c.k * lam)
            return 1 / (1 + a * bell(c.f, f0, 0.9 / q) * np.abs(z) * np.tanh(de))

    else:
        fn = lambda c: 1 / (1 + a * bandpass(c.f, f0, q))
    if var in ("everything", "absorb", "stagger"):
        h = 20 * np.log10(np.abs(fn(k)))
        if h.min() > -1.4:
            return None
        return f0, lambda c: dict(all=fn(c))
    t = change(k, k.B[s] * (fn(k) - 1).astype(np.complex64))(1.0)
    if t[0].min() > -1.4:
        return None
    return f0, lambda c: dict(mul=[(s, fn(c))])


def make_cancellation(S, rng):
    k = S.k
    var = rng.choice(
        ["port", "line", "panel", "breakup", "side", "hatch"], p=[0.26, 0.16, 0.2, 0.16, 0.12, 0.1]
    )
    target = rng.uniform(3.5, 15)
    R = S.box
    d = S.drv[0]
    hgt = rng.uniform(0.1, 0.7) if rng.random() < 0.5 else rng.uniform(0.0, 0.15)
    depth = rng.uniform(0.2, 0.42)
    q = log_uniform(rng, 2.5, 12)
    s = 0
    extra = rng.uniform(-0.5, 0.5)
    if var == "breakup":
        s = int(rng.integers(0, len(k.B))) if S.ways > 1 else 0
        d = S.drv[s]
        lo = max(1.5 * C / (2 * np.pi * d["a"]), 300)
        hi = min(4.5 * C / (2 * np.pi * d["a"]), 9000, (d["hi"] or 9e3) * 0.95)
        lo = max(lo, (d["lo"] or 0) * 1.1)
        if hi <= lo * 1.05:
            return None
        f0 = log_uniform(rng, lo, hi)
        # rim moves against the centre, with a rocking part that throws sound to one side
        ai = d["al"] * rng.uniform(0.55, 0.8)
        m1, tilt, az = rng.uniform(1.2, 2.2), rng.uniform(0.0, 0.9), rng.uniform(0, 2 * np.pi)
        dl = d["al"] * 0.6
        axp = np.array([np.sin(dl) * np.cos(az), np.sin(dl) * np.sin(az), np.cos(dl)])
        axm = np.array([-axp[0], -axp[1], axp[2]])
        U = m1 * ring(ai, d["al"]) + (1 - m1) * cap(ai)
        Uc = cap(d["al"] * 0.4)
        cm = np.exp(1j * rng.uniform(-1, 1)) * tilt

        def raw(c):
            z = c.field(U, d["R"])
            if tilt > 0.25:
                z = z + np.complex64(cm) * (c.field(Uc, d["R"], axp) - c.field(Uc, d["R"], axm))
            return (
                z
                * c.delay(d["R"])
                * c.place(d["pos"])
                * (c.T[s] * bandpass(c.f, f0, q)).astype(np.complex64)
            )

    else:
        f0 = log_uniform(rng, 300, 1500) if var != "panel" else log_uniform(rng, 250, 1100)
        if rng.random() < 0.12:
            f0 = log_uniform(rng, 1200, 2600)
        s = S.leader(f0) if var == "hatch" else 0
        if var == "panel":
            # walls of the box: low spherical harmonics with complex coefficients, the front ones
            # weak
            co = (rng.standard_normal(25) + 1j * rng.standard_normal(25)) * np.array(
                [0.25, 0.8, 0.9, 0.7, 0.5]
            )[YL]
            beta = np.exp(1j * rng.uniform(0, 6.28))
            q2, f2 = q * rng.uniform(0.7, 1.4), f0 * rng.uniform(1.15, 1.6)
            g2 = rng.uniform(0, 0.45)
            cen = np.array([0, d["pos"][1] - hgt * 0.3, -max(R, depth / 2)])
            Rp = snap(min(max(R, 0.12) * rng.uniform(1.0, 1.25), 0.24))

            def raw(c):
                return (
                    c.harmonics(co, Rp)
                    * c.place(cen)
                    * (c.T[0] * (bandpass(c.f, f0, q) + g2 * beta * bandpass(c.f, f2, q2))).astype(
                        np.complex64
                    )
                )

        else:
            where = {
                "port": ["back", "back", "front", "below"],
                "line": ["back", "below", "front"],
                "side": ["left", "right", "both"],
                "hatch": ["back", "top"],
            }[var]
            where = str(rng.choice(where))
            jit = rng.uniform(-0.25, 0.25, 3)
            ax = {
                "back": (0, 0, -1),
                "front": (0, -0.5, 1),
                "below": (0, -1, 0.1),
                "left": (-1, 0, 0),
                "right": (1, 0, 0),
                "both": (1, 0, 0),
                "top": (0, 1, -0.3),
            }[where] + jit
            ax = unit(rng, ax)
            ap = rng.uniform(0.02, 0.05) if var != "side" else rng.uniform(0.05, 0.1)
            U = cap(np.arcsin(min(ap / R, 0.9)))
            yb = d["pos"][1] - hgt * (1.0 if where != "back" else 0.5)
            zc = {"back": -(depth - R), "front": -R, "below": -depth / 2, "top": -depth / 2}.get(
                where, -depth / 2
            )
            cen = np.array([rng.uniform(-0.08, 0.08) if where != "both" else 0, yb, zc])
            Ll = C / (2 * f0)
            al = rng.uniform(0.05, 0.2)
            ax2 = ax * np.array([-1, 1, 1])
            w2 = rng.uniform(0.6, 1.0)

            def raw(c):
                z = c.field(U, R, ax)
                if where == "both":
                    z = z + np.float32(w2) * c.field(U, R, ax2)
                if var == "line":
                    # open pipe as a lossy line: modes at f0, 2 f0, 3 f0, damped upwards
                    g = c.k * Ll * (1 - 1j * al / np.pi) - 1j * 0.04 * (c.f / f0) ** 1.5
                    h = al / np.sin(g) * np.minimum(c.f / f0, 1) ** 2
                elif var == "port":
                    # Helmholtz slug plus first pipe modes
                    h = bandpass(c.f, f0, q) + rng2 * bandpass(c.f, 2.05 * f0, q * 1.2)
                else:
                    h = bandpass(c.f, f0, q)
                return z * c.place(cen) * (c.T[s] * h).astype(np.complex64)

            rng2 = rng.uniform(0, 0.4)
    if not clear(S, "cancellation", f0, 0.7):
        return None
    E = raw(k)
    g = scale_to(k, E, f0)
    ph = turned(k, E, f0, np.pi + extra)
    z = g * np.exp(1j * ph)
    E = E * np.complex64(z)
    band = np.abs(np.log2(k.f / f0)) < 0.8
    a, v, t = fit_size(k, E, target, -1, band=band, amax=1.6)
    i = np.where(band)[0][np.argmin(t[0][band])]
    if v < 2.8 or t[1, i] < -0.55 * v or t[0].max() > 0.8 * v:
        return None
    return float(k.f[i]), added(s, raw, a, z)


def make_null(S, rng):
    k = S.k
    var = rng.choice(
        ["ledge", "twin", "mouth", "rear-wave", "lip"], p=[0.32, 0.24, 0.16, 0.14, 0.14]
    )
    f0 = log_uniform(rng, 300, 9000)
    s = S.leader(f0)
    if var == "mouth":
        s = len(k.B) - 1
        f0 = log_uniform(rng, max(900, S.fx[-1] * 1.15 if S.fx else 900), 7000)
    if var == "rear-wave":
        f0 = log_uniform(rng, 350, 1400)
        s = S.leader(f0)
    if not clear(S, "deep-null", f0, 0.8):
        return None
    target = rng.uniform(6.5, 24)
    d = S.drv[s]
    lam = C / f0
    lo, hi = f0 / rng.uniform(1.5, 2.2), f0 * rng.uniform(1.7, 4)
    if s < len(k.B) - 1:
        hi = min(hi, 2 * d["hi"])
    win = lambda c: (c.f / lo) ** 4 / (1 + (c.f / lo) ** 4) / (1 + (c.f / hi) ** 4)
    if var in ("ledge", "lip"):
        # a small body near the driver scatters: path |e| - e.n, strength with a low-order pattern
        psi = np.radians(rng.uniform(65, 150))
        az = rng.choice([-np.pi / 2, np.pi / 2, 0, np.pi]) + rng.uniform(-0.3, 0.3)
        dd = lam / 2 / (1 - np.cos(psi))
        if rng.random() < 0.12:
            dd *= 3
        e = dd * np.array([np.sin(psi) * np.cos(az), np.sin(psi) * np.sin(az), np.cos(psi)])
        co = 1 + 0.35 * (N @ rng.standard_normal(3)) * np.exp(1j * rng.uniform(-0.8, 0.8))
        path = np.linalg.norm(e) - N @ e
        two = var == "lip"
        path2 = np.linalg.norm(e) - N @ (e * np.array([-1, -1, 1]))
        r2 = rng.uniform(0.4, 1.0)

        def raw(c):
            z = c.rot(path)
            if two:
                z = z + np.float32(r2) * c.rot(path2)
            return z * co[:, None].astype(np.complex64) * win(c).astype(np.float32)

    elif var == "twin":
        # a second driver of the same signal, farther back and off to a side or above
        dz = -rng.uniform(0.15, 0.45) * lam
        off = np.array(
            [
                rng.choice([0, 1, -1]) * rng.uniform(0.2, 1.0),
                rng.choice([0, 1, -1]) * rng.uniform(0.3, 1.5),
                0,
            ]
        ) * min(lam, 0.3)
        pos = off + np.array([0, 0, dz])

        def raw(c):
            return c.place(pos) * win(c).astype(np.float32)

    elif var == "mouth":
        # wave goes back from the mouth to the throat and out again; the mouth is seen shorter from
        # the side
        be = rng.uniform(0.2, 0.6)
        path = lam / 2 * (1 - be * (1 - N[:, 2]) + rng.uniform(-0.25, 0.25) * N[:, 0])
        sel = 1 - rng.uniform(0.2, 0.7) * (1 - N[:, 2]) / 2

        def raw(c):
            return c.rot(path) * sel[:, None].astype(np.float32) * win(c).astype(np.float32)

    else:
        # back of the diaphragm leaks through a slot at the rear or side and comes round the box
        ax = unit(rng, np.array([rng.choice([-0.8, 0, 0, 0.8]), rng.uniform(-0.3, 0.3), -1]))
        U = cap(rng.uniform(0.2, 0.5))
        cen = np.array([0, d["pos"][1], -rng.uniform(0.12, 0.3)])

        def raw(c):
            return -c.field(U, S.box, ax) * c.place(cen) * (c.T[s] * win(c)).astype(np.complex64)

    E = raw(k) if var == "rear-wave" else k.B[s] * raw(k)
    g = scale_to(k, E, f0)
    p = lag(k, E, f0, rng.uniform(-0.25, 0.25))
    if p > 0.75 * lam:
        p -= lam
    E = E * k.delay(p) * np.float32(g)
    band = np.abs(np.log2(k.f / f0)) < 0.6
    a, v, t = fit_size(k, E, target, -1, band=band, amax=1.5)
    i = np.where(band)[0][np.argmin(t[0][band])]
    if v < 6 or t[1, i] < -0.85 * v or t[0].max() > 0.7 * v:
        return None
    return float(k.f[i]), (added if var == "rear-wave" else shaped)(
        s, lambda c: raw(c) * c.delay(p), a * g
    )


def make_xphase(S, rng):
    k = S.k
    n = len(S.fx) - (1 if S.coax else 0)
    opts = [i for i in range(n) if clear(S, "crossover-phase", S.fx[i], 0.7)]
    if not opts:
        return None
    i = int(rng.choice(opts))
    fx = S.fx[i]
    s = i + 1
    var = rng.choice(["offset", "latency", "polarity", "part", "allpass", "lower"])
    target = rng.uniform(2.5, 12)
    sg = rng.choice([-1, 1])
    if var == "offset":
        ps = np.linspace(0.04, 0.6, 15) * C / fx * sg
        fn = lambda c, p: (s, c.place((0, 0, -p)) if c.q is None else c.rot(p * N[:, 2]))
    elif var == "latency":
        ps = np.linspace(0.04, 0.6, 15) * C / fx * sg
        fn = lambda c, p: (s, c.delay(p))
    elif var == "polarity":
        ps = np.linspace(0.35, 0.0, 12) * C / fx * sg
        fn = lambda c, p: (s, -c.delay(p))
    elif var == "lower":
        ps = np.linspace(0.35, 0.0, 12) * C / fx * sg
        if i:  # mid reversed against both neighbours would be two defects
            fn = lambda c, p: (s, -c.delay(p))
        else:
            fn = lambda c, p: (0, -c.delay(p))
    elif var == "part":
        d = S.drv[s] if rng.random() < 0.6 else S.drv[i]
        w = s if d is S.drv[s] else i
        m = d["o_lo"] if w == s else d["o_hi"]
        first = 0 if w == s else (d["o_lo"] if d["passive"] else 0)
        idx = first + int(rng.integers(0, m)) if d["passive"] else (0 if w == s else 1)
        ps = np.geomspace(1.2, 6, 16) ** sg
        zo = bool(rng.random() < 0.7)

        def fn(c, p):
            return w, electric(c.f, d, (idx, p), zo) / electric(c.f, d)

    else:
        ps = np.geomspace(8, 0.7, 14)  # all-pass corner over fx
        fn = lambda c, p: (s, (1 - 1j * c.f / (fx * p)) / (1 + 1j * c.f / (fx * p)))
    band = np.abs(np.log2(k.f / fx)) < 0.9
    best = None
    for p in ps:
        w, M = fn(k, p)
        t = change(k, k.B[w] * (M - 1).astype(np.complex64))(1.0)
        v = -t[0][band].min()
        if best is None or abs(v - target) < abs(best[0] - target):
            j = np.where(band)[0][np.argmin(t[0][band])]
            best = (v, p, j, t)
        if v > target:
            break
    v, p, j, t = best
    if v < 1.9 or v > 12.5 or t[0].min() < -v - 0.3:
        return None

    def build(c):
        return dict(mul=[fn(c, p)])

    return fx, build


def make_dstep(S, rng):
    k = S.k
    if S.ways > 1:
        var = rng.choice(
            ["beam", "wide", "waist", "ambience", "pair", "wrap"],
            p=[0.2, 0.2, 0.15, 0.18, 0.15, 0.12],
        )
    else:
        var = rng.choice(["waist", "ambience", "pair"])
    i = int(rng.integers(0, len(S.fx))) if S.fx else 0
    if var in ("beam", "wide", "wrap") and S.fx:
        i = len(S.fx) - 1 if rng.random() < 0.85 else i
        f0 = S.fx[i] * (rng.uniform(0.55, 0.95) if var == "beam" else rng.uniform(1.1, 1.9))
        s = i if var == "beam" else i + 1
    else:
        f0 = log_uniform(rng, 500, 8000)
        s = S.leader(f0)
    f0 = float(np.clip(f0, 300, 8500))
    if not free(S, "directivity-step", f0, 0.8):
        return None
    d = S.drv[s]
    wd = rng.uniform(0.3, 0.8)
    win = lambda c: bell(c.f, f0, wd).astype(np.float32)
    if var == "beam":
        gr = rng.uniform(1.6, 2.8)
        Rb = snap(min(max(d["R"], d["a"] * gr * 1.05), 0.3))
        dd = dict(d, R=Rb, al=np.arcsin(min(d["a"] * gr / Rb, 0.97)), fd=d["fd"] * 3)
        raw = lambda c: (S.shape(c, dd) * c.T[s].astype(np.complex64) - c.B[s]) * win(c)
    elif var == "wide":
        Rs = snap(rng.uniform(0.024, 0.045))
        dd = dict(d, R=Rs, al=min(d["a"] * 0.7 / Rs, 1.0))
        gn = np.float32(rng.uniform(1.2, 2.0))
        raw = lambda c: (gn * S.shape(c, dd) * c.T[s].astype(np.complex64) - c.B[s]) * win(c)
    elif var == "wrap":
        # edges bend the band round the box: sides and rear keep level
        co = (
            rng.uniform(0.5, 1.0)
            * np.clip(1 - N[:, 2], 0, 1.4)
            * (1 + rng.uniform(-0.3, 0.3) * N[:, 0])
        )
        path = rng.uniform(0.1, 0.25) * (1 + np.abs(N[:, 0]))
        raw = lambda c: c.P[FRONT][None] * c.rot(path) * co[:, None].astype(np.float32) * win(c)
    elif var == "waist":
        # the mouth or the cone narrows (or opens) the pattern in a band, mostly in one plane or in
        # both
        pl = rng.choice(["h", "v", "both"])
        qn = rng.uniform(1.0, 3.0)
        ar = {
            "h": N[:, 0] ** 2 + 0.3 * (1 - N[:, 2]),
            "v": N[:, 1] ** 2 + 0.3 * (1 - N[:, 2]),
            "both": 1 - N[:, 2],
        }[str(pl)]
        fac = np.exp(-qn * ar) if rng.random() < 0.6 else np.minimum(np.exp(qn * 0.5 * ar), 3.5)
        raw = lambda c: (fac - 1)[:, None].astype(np.float32) * win(c)
    elif var == "pair":
        ax = rng.choice([0, 1])
        h = rng.uniform(0.35, 0.7) * C / f0
        raw = lambda c: (np.cos(np.outer((h * N[:, ax]).astype(np.float32), c.k32)) - 1) * win(c)
    else:
        ax = unit(
            rng,
            np.array(
                [(0, 0, -1), (0, 1, -0.5), (0.9, 0, -0.6), (-0.9, 0, -0.6), (0, 0.3, -1)][
                    rng.integers(0, 5)
                ]
            )
            + rng.uniform(-0.15, 0.15, 3),
        )
        al = rng.uniform(0.08, 0.6)
        cen = np.array([0, d["pos"][1] + rng.uniform(-0.1, 0.1), -rng.uniform(0.12, 0.3)])
        Rr = snap(min(S.box, 0.16))
        raw = (
            lambda c: c.field(cap(al), Rr, ax)
            * c.place(cen)
            * (c.T[s]).astype(np.complex64)
            * win(c)
        )
    target = rng.uniform(1.6, 5)
    factor = var in ("waist", "pair")
    E = k.B[s] * raw(k) if factor else raw(k)
    band = np.abs(np.log2(k.f / f0)) < 1.2
    ch = change(k, E)
    best = None
    for a in np.geomspace(0.15, 1.0 if var not in ("ambience", "wrap") else 3.0, 12):
        t = ch(a)
        v = float(np.abs(t[1] - t[0])[band].max())
        if np.abs(t[0]).max() > 9:
            break
        best = (a, v, t)
        if v >= target:
            break
    if best is None or best[1] < 1.4 or best[1] > 5.3:
        return None
    a, v, t = best
    j = np.where(band)[0][np.argmax(np.abs(t[1] - t[0])[band])]
    share = rng.uniform(0.85, 1.0)

    def full(c):
        m = raw(c) * np.float32(a)
        pw = W32[0] @ np.abs(c.P + (c.B[s] * m if factor else m)) ** 2
        flat = 10 ** (
            -share * db(pw / c.Pw[0]) / 20
        )  # the designer voiced the window flat with this pattern in it
        return dict(mul=[(s, 1 + m)], all=flat) if factor else dict(add=[(s, m)], all=flat)

    return float(k.f[j]), full


def make_axis(S, rng):
    k = S.k
    f0 = log_uniform(rng, 1300, 9000)
    if not free(S, "single-axis", f0, 0.7):
        return None
    s = S.leader(f0)
    target = rng.uniform(1.6, 5)
    var = rng.choice(
        ["disc", "edges", "surround", "beam", "frame"], p=[0.28, 0.24, 0.16, 0.16, 0.16]
    )
    lam = C / f0
    wd = rng.uniform(0.25, 0.7)
    win = lambda c: bell(c.f, f0, wd).astype(np.float32)
    sn = np.sqrt(np.maximum(1 - N[:, 2] ** 2, 0))
    if var in ("disc", "surround"):
        rho = lam * rng.uniform(1.1, 2.6)
        if var == "disc":
            rho = max(rho, 0.07)
        back = 1 if var == "disc" else 0.8
        fwd = (0.5 + 0.5 * N[:, 2]) ** back
        raw = (
            lambda c: -special.j0(np.outer(sn * rho, c.k)).astype(np.float32)
            * c.delay(rho)
            * fwd[:, None].astype(np.float32)
            * win(c)
        )
        rel = rho
    elif var == "edges":
        w, h = lam * rng.uniform(1.0, 2.2), lam * rng.uniform(1.2, 3.0)
        mix = rng.uniform(0.3, 0.7)
        sh = rng.uniform(-0.08, 0.08) * lam

        def raw(c):
            k1 = c.k32[None]
            nx, ny = N[:, 0:1].astype(np.float32), N[:, 1:2].astype(np.float32)
            z1 = np.cos(k1 * w * nx) * np.sinc(k1 * h * ny / np.pi)
            z2 = np.cos(k1 * h * ny) * np.sinc(k1 * w * nx / np.pi)
            return (
                -(mix * z1 * c.delay(w) + (1 - mix) * z2 * c.delay(h))
                * win(c)
                * (0.6 + 0.4 * N[:, 2:3]).astype(np.float32)
                * c.rot(sh * N[:, 0])
            )

    elif var == "frame":
        # three posts of a grille frame at one distance from the driver, on a common circle
        rho = lam * rng.uniform(1.2, 2.5)
        a0 = rng.uniform(0, 6.28)
        an = a0 + np.array([0, 2.1, 4.2]) + rng.uniform(-0.3, 0.3, 3)
        z = rng.uniform(0, 0.3) * rho
        paths = [
            np.hypot(rho, z) - N @ np.array([rho * np.cos(t), rho * np.sin(t), z]) for t in an
        ]
        raw = lambda c: sum(c.rot(p) for p in paths) * win(c) * np.float32(1 / 3)
    else:
        # high-order sum of harmonics: a focus that stands only on the axis (cap, phase plug,
        # deflector)
        L = int(rng.integers(13, 24))
        ker = (
            PFWD[:, : L + 1]
            * (2 * np.arange(L + 1) + 1)
            * np.cos(np.pi / 2 * np.arange(L + 1) / (L + 1)) ** 2
        ).sum(1)
        ker = (ker / ker[FRONT]).astype(np.float32)
        q = log_uniform(rng, 1.5, 6)
        ph = rng.uniform(0, 2 * np.pi)
        raw = lambda c: ker[:, None] * (bandpass(c.f, f0, q) * np.exp(1j * ph)).astype(
            np.complex64
        )
    E = (k.P if var == "beam" else k.B[s]) * raw(k)
    a, v, t = fit_size(k, E, target, 0, row=2, amax=1.0)
    if v < 1.4 or np.abs(t[0]).max() > 0.55 * v:
        return None
    j = int(np.argmax(np.abs(t[2])))
    if var == "beam":
        return float(k.f[j]), lambda c: dict(all=1 + np.complex64(a) * raw(c))
    return float(k.f[j]), shaped(s, raw, a)


MAKE = dict(
    zip(
        KINDS,
        [
            make_resonance,
            make_balance,
            make_shallow,
            make_cancellation,
            make_null,
            make_xphase,
            make_dstep,
            make_axis,
        ],
    )
)
LOOK = {"directivity-step": 1, "single-axis": 2}
RANGE = {
    "resonance": (1.4, 7),
    "balance": (1.4, 4.3),
    "shallow-dip": (1.4, 4.5),
    "cancellation": (2.8, 16),
    "deep-null": (5.5, 26),
    "crossover-phase": (1.9, 13),
    "directivity-step": (1.4, 5.6),
    "single-axis": (1.4, 6),
}


def sound(kind, y, j, inb):
    """Is the effect of a defect, among all others, still what its kind says?"""
    lo, hi = RANGE[kind]
    main = y[LOOK.get(kind, 0)]
    if not lo <= abs(main[j]) <= hi:
        return False
    if kind in NULLS or kind == "shallow-dip":
        return main[j] < 0
    if kind in LOOK:
        return np.abs(y[0][inb]).max() <= (
            2.0 if kind == "directivity-step" else 0.6 * abs(main[j])
        )
    return True


def total(c, defects, skip=None):
    out, everything = 0, None
    for s in range(len(c.B)):
        b = c.B[s]
        for n, d in enumerate(defects):
            if n != skip:
                for q, e in d.get("add", ()):
                    if q == s:
                        b = b + e
        for n, d in enumerate(defects):
            if n != skip:
                for q, m in d.get("mul", ()):
                    if q == s:
                        b = b * m
        out = out + b
    for n, d in enumerate(defects):
        if n != skip and "all" in d:
            everything = d["all"] if everything is None else everything * d["all"]
    return out if everything is None else out * everything.astype(np.complex64)


def averages(P):
    return W32 @ (P.real**2 + P.imag**2)


def pick_kinds(S, rng):
    n = int(rng.choice([3, 4, 5]))
    w = np.array([1.25, 1.0, 1.0, 0.95, 1.2, 1.8, 0.95, 1.2])
    left = np.full(8, 2)
    left[5] = min(2, max(0, len(S.fx) - S.coax))
    out = []
    for _ in range(n):
        p = w * (left > 0)
        i = int(rng.choice(8, p=p / p.sum()))
        out.append(KINDS[i])
        left[i] -= 1
        w[i] *= 0.3
    rank = ["crossover-phase", "deep-null", "cancellation"]
    return sorted(out, key=lambda x: rank.index(x) if x in rank else 3)


def draw(S, kind, rng, tries=30):
    for _ in range(tries):
        r = MAKE[kind](S, rng)
        if r is not None and 240 <= r[0] <= 9300:
            d = {
                a: (
                    [(s, np.asarray(e, np.complex64)) for s, e in v]
                    if a != "all"
                    else np.asarray(v)
                )
                for a, v in r[1](S.c).items()
            }
            d["kind"] = kind
            S.placed.append((kind, r[0]))
            return d
    return None


def simulate(seed):
    rng = np.random.default_rng(seed)
    S = Speaker(rng)
    S.placed = []
    kinds = pick_kinds(S, rng)
    defects = []
    for kd in kinds:
        d = draw(S, kd, rng)
        while d is None:
            d = (
                draw(S, str(rng.choice(KINDS[:5])), rng)
                if sum(x["kind"] == "balance" for x in defects) < 2
                else draw(S, "resonance", rng)
            )
        defects.append(d)
    c, it = S.c, S.it
    f = c.f[it]
    for rnd in range(25):
        P = total(c, defects)
        Aw = averages(P)
        diffs = [
            db(Aw[:, it] / np.maximum(averages(total(c, defects, n))[:, it], 1e-6))
            for n in range(len(defects))
        ]
        inb = (f > 250) & (f < 9100)
        hz, bad = [], None
        for n, d in enumerate(defects):
            y = np.abs(diffs[n][LOOK.get(d["kind"], 0)]) * inb
            j = int(np.argmax(y))
            hz.append(int(round(f[j])))
            if not sound(d["kind"], diffs[n], j, inb):
                worse = y[j] < 1.05 or bad is None or rng.random() < 0.5
                bad = n if worse else bad
            for m in range(n):
                if defects[m]["kind"] == d["kind"] and abs(np.log2(hz[m] / hz[n])) < 0.35:
                    bad = n
        if bad is None:
            break
        kd = defects[bad]["kind"]
        S.placed.pop(bad)
        new = draw(S, kd, rng) or draw(S, "resonance", rng)
        if new is None:
            S.placed.append((kd, 1.0))
            new = defects[bad]
        S.placed.insert(bad, S.placed.pop())
        defects[bad] = new
    return S, defects, diffs, hz, P, rng


# ---------------------------------------------------------------- files


def known_speaker(seed):
    S, defects, diffs, hz, P, rng = simulate(seed)
    f = S.c.f[S.im]
    L = db(P[:, S.im].real ** 2 + P[:, S.im].imag ** 2)
    noisy = [L[rows] + S.noise * rng.standard_normal((36, len(f))) for rows in (HROWS, VROWS)]
    return KnownSpeaker(
        name=f"simulated {seed}",
        freqs_hz=f,
        levels_db=np.concatenate(noisy).T,
        healthy_window_db=db(S.c.Pw[0][S.it]),
        defects=[KnownDefect(d["kind"], int(f0), e) for d, f0, e in zip(defects, hz, diffs)],
    )


if __name__ == "__main__":
    run(known_speaker, __doc__, Form(level=2, truth=3))
