"""Simulated loudspeakers with known defects, directivity first.

Every speaker is a set of ways; a way is one diaphragm or an array of them (pairs round a tweeter,
columns, shaded arcs, coaxial pairs, horns, dipoles, cardioid bass). The complex pressure at 72
directions is summed from many points of each diaphragm, from the centres of all drivers of an
array and from points on the edges of the baffle. Defects are changes of parts or of geometry:
filters on ways, delays between them, further sources at a place of their own, apertures that are
too large or too small.
"""

import math
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
from scipy.ndimage import gaussian_filter1d

C = 343.0
LOOK = (FREQS_HZ >= 100.0) & (FREQS_HZ <= 14000.0)


def _h(a):
    return (a + 170) // 10


def _v(a):
    return 36 + (a + 170) // 10


ON = _h(0)
WIN = [_h(a) for a in (0, 10, -10, 20, -20, 30, -30)] + [_v(10), _v(-10)]
_S = np.sin(np.radians(ANGLES_DEG))
_K = np.cos(np.radians(ANGLES_DEG))
UNIT = np.zeros((72, 3))
UNIT[:36, 0] = _S
UNIT[36:, 1] = _S
UNIT[:36, 2] = _K
UNIT[36:, 2] = _K
_m180 = np.where(180 - ANGLES_DEG > 180, 180 - ANGLES_DEG - 360, 180 - ANGLES_DEG)
MIRROR = np.concatenate(
    [_h(_m180), 36 + _h(_m180)]
)  # the same orbit seen with front and back exchanged


MEAN32 = average_weights(sound_power="belts").judged()[:2].astype(np.float32)


def _disc_points():
    """Points of half a unit disc (the other half is its mirror): radius, x, y, weight."""
    out = []
    for r, n, w in ((0.30, 2, 0.16), (0.56, 4, 0.26), (0.78, 5, 0.30), (0.95, 6, 0.28)):
        for i in range(n):
            p = math.pi * (i + 0.5 * r) / n
            out.append((r, r * math.cos(p), r * math.sin(p), w / n))
    return out


DISC = _disc_points()
RING = [(math.cos(math.pi * (i + 0.3) / 9), math.sin(math.pi * (i + 0.3) / 9)) for i in range(9)]


def db(p):
    return 10.0 * np.log10(np.maximum(p, 1e-12))


def power(z):
    return z.real * z.real + z.imag * z.imag


def outer(a, b):
    return np.multiply.outer(np.asarray(a, np.float32), np.asarray(b, np.float32))


def turn(ph):
    """exp(-j ph) in single precision."""
    z = np.empty(ph.shape, np.complex64)
    np.cos(ph, out=z.real)
    np.sin(ph, out=z.imag)
    np.negative(z.imag, out=z.imag)
    return z


def smooth_step(x):
    return 0.5 + 0.5 * np.tanh(x)


def hump(f, f0, octaves):
    return np.exp(-0.5 * (np.log2(f / f0) / octaves) ** 2)


def peaking(f, f0, q, gain_db):
    """Minimum-phase bell; a dip is the inverse of a bump."""
    a = 10 ** (abs(gain_db) / 40)
    s = 1j * f / f0
    h = (s * s + s * a / q + 1) / (s * s + s / (a * q) + 1)
    return (h if gain_db >= 0 else 1 / h).astype(np.complex64)


def shelf(f, f0, gain_db, high, width):
    """Shelf as a smooth transition in log f (gain only: it is common to all angles)."""
    x = np.log2(f / f0) / width
    return 10 ** (gain_db * smooth_step(x if high else -x) / 20)


def lr(f, fc, order, high):
    """Crossover of the in-phase kind, second (upper driver inverted) or fourth order."""
    s = 1j * f / fc
    if order == 2:
        return (-(s * s) if high else 1.0) / (1 + s) ** 2
    return (s**4 if high else 1.0) / (s * s + math.sqrt(2) * s + 1) ** 2


def unit_phase(z):
    return z / np.maximum(np.abs(z), 1e-9)


# ---------------------------------------------------------------- the healthy speaker


class Way:
    def __init__(
        self,
        name,
        at,
        a,
        weights=None,
        sat=(7.0, 7.0),
        depth=0.0,
        kind="box",
        grow=0.0,
        ellipse=1.0,
    ):
        self.name = name
        self.at = np.atleast_2d(np.asarray(at, float))  # centres of the drivers
        self.w = np.ones(len(self.at)) if weights is None else np.asarray(weights, float)
        self.w = self.w / np.abs(self.w).sum()
        self.a, self.sat, self.depth, self.kind, self.grow, self.ellipse = (
            a,
            sat,
            depth,
            kind,
            grow,
            ellipse,
        )
        self.mid = (self.at * self.w[:, None]).sum(0)


class Speaker:
    def __init__(self, rng, family):
        self.rng, self.family = rng, family
        self.ppo = int(rng.choice([12, 16, 24, 36, 48]))
        n = int(math.floor(math.log2(1000.0) * self.ppo + 1e-9)) + 1
        self.fm = 20.0 * 2.0 ** (np.arange(n) / self.ppo)
        if 48 % self.ppo == 0:
            self.f, self.pick = FREQS_HZ, np.arange(n) * (48 // self.ppo)
        else:
            self.f, self.pick = np.concatenate([FREQS_HZ, self.fm]), 480 + np.arange(n)
        self.k = 2 * math.pi * self.f / C
        self.dist = 20.0 if rng.random() < 0.55 else round(float(rng.uniform(1.5, 4.0)), 1)
        self.obs = UNIT * self.dist
        self.design()
        self.fields()
        self.voice = {}
        self.target_curve()

    # -- layouts
    def design(self):
        r = self.rng
        fam = self.family
        u = r.uniform
        self.fc, self.order = [], []
        tw = u(0.009, 0.019)
        off = float(u(-0.05, 0.05)) if r.random() < 0.35 else 0.0  # tweeter set aside
        side = 0.0
        if fam == "pair":
            a = log_uniform(r, 0.05, 0.13)
            up = r.random() < 0.12  # woofer above the tweeter
            y = -(a + tw + u(0.03, 0.06)) * (-1 if up else 1)
            self.ways = [
                Way("woofer", [0, y, 0], a, sat=(u(4, 7),) * 2, depth=u(0.15, 0.45)),
                Way("tweeter", [off, 0, 0], tw, sat=(u(4, 6),) * 2),
            ]
            self.fc = [min(log_uniform(r, 1500, 3400), C * u(2.2, 3.0) / (2 * math.pi * a))]
        elif fam == "guide":
            a = log_uniform(r, 0.06, 0.14)
            m = a * u(0.6, 1.0)
            self.ways = [
                Way("woofer", [0, -(a + m + 0.01), 0], a, sat=(u(4, 7),) * 2, depth=u(0.15, 0.45)),
                Way(
                    "guide",
                    [0, 0, 0],
                    m,
                    sat=(u(2.2, 3.4), u(2.0, 3.4)),
                    grow=u(0.05, 0.2),
                    ellipse=u(0.7, 1.0),
                ),
            ]
            self.fc = [min(log_uniform(r, 1200, 2600), C * u(2.2, 3.0) / (2 * math.pi * a))]
        elif fam in ("wtw", "wide-wtw"):
            a = log_uniform(r, 0.045, 0.09)
            d = a + tw + u(0.025, 0.05)
            at = [[0, d, 0], [0, -d, 0]] if fam == "wtw" else [[d, 0, 0], [-d, 0, 0]]
            self.ways = [
                Way("woofers", at, a, sat=(u(4, 7),) * 2, depth=u(0.15, 0.4)),
                Way("tweeter", [off if fam == "wtw" else 0, 0, 0], tw, sat=(u(4, 6),) * 2),
            ]
            self.fc = [min(log_uniform(r, 1500, 2800), C * u(0.55, 0.75) / d)]
            if fam == "wtw" and r.random() < 0.3:
                b = u(0.1, 0.16)
                self.ways.insert(
                    0, Way("bass", [0, -(d + a + b + 0.02), 0], b, sat=(5.0, 5.0), depth=0.3)
                )
                self.fc.insert(0, log_uniform(r, 220, 420))
        elif fam in ("coax", "coax3"):
            a = log_uniform(r, 0.055, 0.11) if fam == "coax" else log_uniform(r, 0.04, 0.075)
            self.ways = [
                Way("cone", [0, 0, 0], a, sat=(u(4, 6),) * 2, depth=u(0.25, 0.5)),
                Way(
                    "core", [0, 0, 0], a * u(0.6, 0.9), sat=(u(2.3, 3.2),) * 2, grow=u(0.05, 0.15)
                ),
            ]
            self.fc = [min(log_uniform(r, 1700, 3200), C * u(2.3, 3.2) / (2 * math.pi * a))]
            if fam == "coax3":
                b = log_uniform(r, 0.08, 0.15)
                n = int(r.integers(1, 3))
                ys = (
                    [-(a + b + 0.03) - 2.1 * b * i for i in range(n)]
                    if r.random() < 0.6
                    else [-(a + b + 0.03), a + b + 0.03][:n]
                )
                self.ways.insert(
                    0, Way("bass", [[0, y, 0] for y in ys], b, sat=(5.0, 5.0), depth=0.3)
                )
                self.fc.insert(0, log_uniform(r, 260, 550))
        elif fam == "horn":
            a = log_uniform(r, 0.11, 0.16)
            m = u(0.09, 0.16)
            self.ways = [
                Way(
                    "woofer",
                    [0, -(a + m * 0.8 + 0.02), 0],
                    a,
                    sat=(u(4, 6),) * 2,
                    depth=u(0.2, 0.4),
                ),
                Way(
                    "horn",
                    [0, 0, 0],
                    m,
                    sat=(u(2.0, 3.6), u(2.4, 4.2)),
                    grow=u(0.0, 0.15),
                    ellipse=u(0.45, 1.0),
                ),
            ]
            self.fc = [log_uniform(r, 750, 1400)]
        elif fam == "dipole":
            a, b = log_uniform(r, 0.1, 0.15), log_uniform(r, 0.045, 0.075)
            y = -(b + tw + 0.03)
            self.ways = [
                Way(
                    "woofer", [0, y - a - b - 0.02, 0], a, sat=(5.0, 5.0), depth=0.3, kind="dipole"
                ),
                Way("mid", [0, y, 0], b, sat=(u(4, 6),) * 2, depth=0.25, kind="dipole"),
                Way(
                    "tweeter",
                    [off, 0, 0],
                    tw,
                    sat=(u(4, 6),) * 2,
                    kind="dipole" if r.random() < 0.5 else "box",
                ),
            ]
            self.fc = [log_uniform(r, 250, 600), log_uniform(r, 1900, 3200)]
        elif fam == "cardioid":
            a = log_uniform(r, 0.08, 0.15)
            m = a * u(0.6, 0.95)
            self.ways = [
                Way(
                    "woofer",
                    [0, -(a + m + 0.01), 0],
                    a,
                    sat=(u(4, 6),) * 2,
                    depth=u(0.2, 0.4),
                    kind="cardioid",
                ),
                Way("guide", [0, 0, 0], m, sat=(u(2.3, 3.4),) * 2, grow=u(0.05, 0.2)),
            ]
            self.fc = [min(log_uniform(r, 1100, 2200), C * u(2.2, 3.0) / (2 * math.pi * a))]
        elif fam == "line":
            a = u(0.032, 0.05)
            n = int(r.integers(4, 7))
            p = 2.15 * a
            side = -(a + 0.03) * (1 if r.random() < 0.5 else -1)
            ys = (np.arange(n) - (n - 1) / 2) * p
            nt = int(r.integers(1, 4))
            yt = (np.arange(nt) - (nt - 1) / 2) * u(0.03, 0.045)
            sh = np.cos(np.pi * ys / (n * p) * u(0.5, 0.9))
            self.ways = [
                Way(
                    "column",
                    [[0.5 * side, y, 0] for y in ys],
                    a,
                    sh,
                    sat=(u(4, 6),) * 2,
                    depth=0.3,
                ),
                Way("tweeters", [[-0.5 * side, y, 0] for y in yt], tw * 0.8, sat=(u(4, 6),) * 2),
            ]
            self.fc = [log_uniform(r, 1500, 2800)]
        elif fam == "arc":
            n = int(r.integers(7, 12))
            a = u(0.018, 0.026)
            rad = u(0.35, 0.7)
            t = (np.arange(n) - (n - 1) / 2) * 2.2 * a / rad
            x = np.abs(t) / np.abs(t).max()
            sh = np.clip(
                1 + 0.066 * x - 1.8 * x**2 + 0.743 * x**3, 0.03, 1
            )  # shading of a spherical cap
            b = u(0.08, 0.14)
            low = rad * math.sin(np.abs(t).max()) + a + b + 0.02
            self.ways = [
                Way("bass", [0, -low, 0], b, sat=(5.0, 5.0), depth=0.3),
                Way(
                    "arc",
                    [[0, rad * math.sin(q), rad * (math.cos(q) - 1)] for q in t],
                    a,
                    sh,
                    sat=(u(4, 6),) * 2,
                ),
            ]
            self.fc = [log_uniform(r, 280, 500)]
        elif fam == "single":
            a = u(0.035, 0.06)
            self.ways = [
                Way("cone", [0, 0, 0], a, sat=(u(5, 8),) * 2, depth=u(0.2, 0.4), grow=0.1)
            ]
        else:  # three ways in a column
            a, b = log_uniform(r, 0.1, 0.16), log_uniform(r, 0.035, 0.07)
            y = -(b + tw + u(0.02, 0.04))
            self.ways = [
                Way("woofer", [0, y - a - b - 0.02, 0], a, sat=(5.0, 5.0), depth=0.3),
                Way("mid", [off * 0.5, y, 0], b, sat=(u(4, 6),) * 2, depth=0.2),
                Way("tweeter", [off, 0, 0], tw, sat=(u(4, 6),) * 2),
            ]
            self.fc = [log_uniform(r, 280, 650), log_uniform(r, 2000, 3600)]
        self.order = [int(r.choice([2, 4], p=[0.3, 0.7])) for _ in self.fc]
        # the reference point sits at the tweeter; now and then between the drivers
        if len(self.ways) == 2 and fam in ("pair", "guide") and r.random() < 0.3:
            dy = 0.5 * (self.ways[0].mid[1] + self.ways[1].mid[1])
            for w in self.ways:
                w.at[:, 1] -= dy
                w.mid[1] -= dy
        ext = np.concatenate(
            [w.at + s * w.a * np.array([1, 1, 0]) for w in self.ways for s in (1, -1)]
        )
        g = r.uniform(0.01, 0.06, 4)
        self.left, self.right = ext[:, 0].min() - g[0], ext[:, 0].max() + g[0] * (
            1 if r.random() < 0.6 else r.uniform(1, 3)
        )
        self.bottom, self.top = (
            ext[:, 1].min() - g[2] - (r.uniform(0, 0.5) if r.random() < 0.3 else 0.02),
            ext[:, 1].max() + g[3],
        )
        self.depth = float(r.uniform(0.18, 0.42))
        big = max(w.a for w in self.ways)
        self.corner = float(np.clip(log_uniform(r, 30, 120) * (0.1 / big) ** 0.3, 30, 120))
        self.vented = bool(r.random() < 0.55) and fam not in ("dipole", "cardioid")
        self.width = self.right - self.left

    # -- sound of the parts
    def path(self, at):
        return np.linalg.norm(self.obs - np.asarray(at, float), axis=1)

    def heading(self, at):
        d = self.obs - np.asarray(at, float)
        return d / np.linalg.norm(d, axis=1)[:, None]

    def size(self, w):
        """Effective k times radius over frequency, across and upright: it saturates, as cones
        decouple and horns hold their angle."""
        out = []
        for s, e in zip(w.sat, (1.0, w.ellipse)):
            x = self.k * w.a * e
            y = x / (1 + (x / s) ** 3) ** (1 / 3)
            if w.grow:
                y = y * (1 + (x / s) ** 2) ** (w.grow / 2)
            out.append(np.minimum(y, 14.0))
        return out

    def disc(self, at, uh, uv, depth=0.0, points=DISC):
        """Pattern of a disc (or cone) of many points; both halves of the disc are mirrored, so
        cosines do."""
        d = self.heading(at)
        a, b = outer(d[:, 0], uh), outer(d[:, 1], uv)
        tot = np.zeros(a.shape, np.float32 if not depth else np.complex64)
        ring, last = None, None
        for r, x, y, wt in points:
            c = np.cos(a * np.float32(x) + b * np.float32(y)) * np.float32(wt)
            if depth and last is not None and r != last:
                tot += ring * turn(outer(d[:, 2] - 1, -depth * last * uh))
                ring = None
            ring = c if ring is None else ring + c
            last = r
            if not depth:
                tot += c
        if depth:
            tot += ring * turn(outer(d[:, 2] - 1, -depth * last * uh))
        return tot

    def shade(self, at, length):
        """1 in the lit half, 0 in the shadow, a half everywhere when waves are long."""
        cz = self.heading(at)[:, 2]
        return smooth_step(outer(1.1 * cz, np.sqrt(self.k * length)))

    def edges(self):
        """Waves that leave the edges of the baffle (points along its rim), common to all
        drivers."""
        x0, x1, y0, y1 = self.left, self.right, self.bottom, self.top
        nx = 4
        ny = int(np.clip(round(nx * (y1 - y0) / (x1 - x0)), 4, 7))
        pts = []
        for i in range(nx):
            t = (i + 0.5 + 0.25 * (-1) ** i) / nx
            pts += [(x0 + t * (x1 - x0), y0, 0), (x1 - t * (x1 - x0), y1, 0)]
        for i in range(ny):
            t = (i + 0.5 + 0.2 * (-1) ** i) / ny
            pts += [(x0, y0 + t * (y1 - y0), 0), (x1, y1 - t * (y1 - y0), 0)]
        self.rim = np.array(pts)
        self.rim_wave = [turn(outer(self.path(p) - self.dist, self.k)) for p in pts]

    def boxed(self, w):
        """Direct sound with the shadow of the baffle plus the waves of its edges, without the
        path of the direct sound."""
        d = np.linalg.norm(self.rim - w.mid * [1, 1, 0], axis=1)
        wt = 1 / np.maximum(d, 0.03)
        wt /= wt.sum()
        r = self.path(w.mid)
        tot = np.zeros((72, len(self.k)), np.complex64)
        for wi, di, e in zip(wt, d, self.rim_wave):
            tot += e * (wi * np.exp(-1j * self.k * di)).astype(np.complex64)
        fr = C / (2 * math.pi * max(w.a, 0.02)) * 2.2
        dull = 1 / np.sqrt((1 + (self.f / fr) ** 2) * (1 + (self.f / self.round) ** 2))
        tot *= turn(outer(self.dist - r, self.k))
        s = self.shade(w.mid, 0.5 * self.width)
        return s + (0.5 - s) * (tot * dull.astype(np.float32))

    def fields(self):
        rng = self.rng
        self.round = log_uniform(rng, 2500, 9000)
        self.edges()
        self.T, self.bare, self.box = [], [], []
        for i, w in enumerate(self.ways):
            uh, uv = self.size(w)
            pat = self.disc(w.mid, uh, uv, w.depth)
            box = self.boxed(w)
            if w.kind == "dipole":  # the back of the diaphragm in opposite phase
                box = box - np.float32(rng.uniform(0.9, 0.97)) * box[MIRROR]
            elif w.kind == "cardioid":  # delayed leak through the back, fading upwards
                back = self.radiator(
                    [w.mid[0], w.mid[1], -self.depth], [0, 0, -1], 0.5 * self.width, False
                )
                lag = self.depth * rng.uniform(0.6, 1.0)
                box = box - back * (
                    rng.uniform(0.6, 0.85) * np.exp(-1j * self.k * lag) / (1 + (self.f / 550) ** 2)
                ).astype(np.complex64)
            if len(w.at) == 1:
                r = self.path(w.mid)
                cen = (
                    turn(outer(r - self.dist, self.k))
                    * (self.dist / r).astype(np.float32)[:, None]
                )
            else:
                cen = 0
                for p, wt in zip(w.at, w.w):
                    r = self.path(p)
                    cen = (
                        cen
                        + turn(outer(r - self.dist, self.k))
                        * (wt * self.dist / r).astype(np.float32)[:, None]
                    )
            h = cen * pat * box
            lw = power(h[WIN]).mean(0)
            lvl = gaussian_filter1d(0.5 * np.log(np.maximum(lw[:480], 1e-8)), 3.0, mode="nearest")
            lvl = np.exp(np.interp(np.log(self.f), np.log(FREQS_HZ), lvl))
            x = np.ones(len(self.f), complex)
            if i > 0:
                x = x * lr(self.f, self.fc[i - 1], self.order[i - 1], True)
            if i < len(self.fc):
                x = x * lr(self.f, self.fc[i], self.order[i], False)
            for j in range(
                i + 1, len(self.fc)
            ):  # lower ways follow the turning of the upper crossover
                x = x * (
                    lr(self.f, self.fc[j], self.order[j], False)
                    + lr(self.f, self.fc[j], self.order[j], True)
                )
            h *= (x / lvl / unit_phase(h[ON].astype(complex))).astype(np.complex64)
            self.T.append(h)
            self.bare.append(pat)
            self.box.append(box)
        mag = np.abs(np.array([t[ON] for t in self.T]))
        self.share = mag / mag.sum(0)

    def radiator(self, at, normal, length, norm=True):
        """A small source on a wall of the cabinet: all round when waves are long, towards its
        side when short; longer way round corners."""
        d = self.heading(at)
        c = d @ np.asarray(normal, float)
        q = self.k * length / (1 + self.k * length)
        amp = 0.53 + 0.47 * outer(c, q)
        r = self.path(at) - self.dist + 0.35 * length * (1 - c)
        z = turn(outer(r, self.k)) * amp
        return z / z[ON] if norm else z

    def target_curve(self):
        rng, f = self.rng, self.f
        s = 1j * f / self.corner
        if self.vented:
            hp = s**4 / ((s * s + s / 0.541 + 1) * (s * s + s / 1.307 + 1))
        else:
            hp = s * s / (s * s + s / rng.uniform(0.6, 0.85) + 1)
        t = 20 * np.log10(np.maximum(np.abs(hp), 1e-4))
        t = t + rng.uniform(-0.9, 0.5) * (np.log2(f / 800.0) / 10)
        rip = np.zeros(len(f))
        for _ in range(int(rng.integers(5, 12))):
            rip += rng.normal() * hump(f, log_uniform(rng, 60, 18000), rng.uniform(0.06, 0.5))
        t = t + rip * rng.uniform(0.1, 0.5) / max(np.abs(rip).max(), 1e-6)
        self.target = 10 ** (t / 20)
        self.ground = (1e-5 * self.target**2).astype(
            np.float32
        )  # scatter and noise of the room of measurement, 50 dB down
        self.level = float(rng.uniform(82, 88))

    # -- the whole, with any set of defects
    def voicing(self, steps):
        """The designer's equaliser: makes the window of the drivers, as they are built, follow
        the target."""
        key = tuple(d.number for d in steps)
        if key not in self.voice:
            p = 0
            for i, t in enumerate(self.T):
                t = t[WIN]
                for d in steps:
                    if i in d.shape:
                        t = t * d.shape[i][WIN]
                p = p + t
            lw = 0.5 * np.log(np.maximum(power(p).mean(0)[:480], 1e-9))
            lw = gaussian_filter1d(lw, 2.2, mode="nearest")
            self.voice[key] = (
                self.target / np.exp(np.interp(np.log(self.f), np.log(FREQS_HZ), lw))
            ).astype(np.float32)
        return self.voice[key]

    def pressure(self, defects, rows=slice(None), nf=None):
        nf = len(self.f) if nf is None else nf
        steps = [d for d in defects if d.shape and d.voiced]
        tot, axis = 0, 0
        adds = any(d.add is not None for d in defects)
        for i, t in enumerate(self.T):
            m = 1
            for d in defects:
                if i in d.mult:
                    m = m * d.mult[i][:nf]
            if adds:
                axis = axis + t[ON, :nf] * m
            z = t[rows, :nf]
            for d in defects:
                if i in d.shape:
                    z = z * d.shape[i][rows, :nf]
            tot = tot + (z * m if not isinstance(m, int) else z)
        if adds:
            a = 0
            for d in defects:
                if d.add is not None:
                    a = a + d.add[rows, :nf]
            tot = tot + a * axis
        g = self.voicing(steps)[:nf]
        for d in defects:
            if d.every is not None:
                g = g * d.every[:nf]
        return tot * g


# ---------------------------------------------------------------- defects


class Defect:
    """mult: factor of a way at all angles; shape: factor of a way per angle; add: a further source
    per unit of sound on the axis; every: factor of the whole speaker. A directivity step is
    voiced: the designer made the window flat with it in place.
    """

    count = 0

    def __init__(self, kind, f0):
        Defect.count += 1
        self.kind, self.f0, self.number = kind, f0, Defect.count
        self.mult, self.shape, self.add, self.every, self.voiced = {}, {}, None, None, False


def fit(sp, d, put, grid, want, how):
    """Choose the strength whose effect upon the healthy speaker is nearest to the wanted one."""
    rows = [ON] if how == "axis" else (WIN if how != "room" else slice(None))
    ref = measure(sp.pressure([], rows, 480), how)
    best, gap = None, 1e9
    near = LOOK & (np.abs(np.log2(FREQS_HZ / d.f0)) < 1.0)
    for s in grid:
        put(s)
        sp.voice.pop((d.number,), None)
        e = (measure(sp.pressure([d], rows, 480), how) - ref)[near]
        got = -e.min() if how == "dip" else np.abs(e).max()
        if abs(got - want) < gap:
            best, gap = s, abs(got - want)
        elif got > want + 2 * gap:
            break
    put(best)
    sp.voice.pop((d.number,), None)
    return d


def measure(p, how):
    if how == "axis":
        return db(power(p)[0])
    if how == "room":
        return db(MEAN32[1] @ power(p))
    return db(power(p).mean(0))


def leading(sp, f0):
    """The way that carries the sound at f0."""
    i = int(np.argmin(np.abs(FREQS_HZ - f0)))
    j = int(np.argmax(sp.share[:, i]))
    return j, float(sp.share[j, i])


def make_resonance(sp, rng, f0):
    f0 = f0 or log_uniform(rng, 250, 9000)
    d = Defect("resonance", f0)
    want, q = rng.uniform(1.7, 6.0), log_uniform(rng, 1.5, 12)
    sign = -1 if rng.random() < 0.1 else 1
    if sign < 0:
        q = max(q, 5.0)
    way, share = leading(sp, f0)
    form = int(rng.integers(4))
    if form == 0 or share < 0.75:  # everything: panel, cavity or circuit that all drivers share
        d.every = np.abs(peaking(sp.f, f0, q, sign * want))
        return d
    if form == 1:  # mode of a diaphragm

        def put(s):
            d.mult = {way: peaking(sp.f, f0, q, sign * s)}

    elif form == 2:  # edge of a cone: bump with a small dip above, pole and zero close by

        def put(s):
            d.mult = {
                way: peaking(sp.f, f0, q, sign * s)
                * peaking(sp.f, f0 * (1 + 0.9 / q), q * 1.2, -0.3 * sign * s)
            }

    else:  # chamber that feeds the diaphragm: resonant part beside the direct one
        band = 1 / (1 + 1j * q * (sp.f / f0 - f0 / sp.f))

        def put(s):
            g = 10 ** (s / 20) - 1
            d.mult = {way: (1 + g * band if sign > 0 else 1 / (1 + g * band)).astype(np.complex64)}

    return fit(sp, d, put, want * np.array([0.85, 0.95, 1.05, 1.2, 1.4]), want, "abs")


def make_balance(sp, rng, f0):
    form = int(rng.integers(5))
    want = rng.uniform(1.6, 4.0) * (1 if rng.random() < 0.5 else -1)
    f = sp.f
    f0 = f0 or log_uniform(rng, 250, 9000)
    d = Defect("balance", f0)
    if form == 0:
        d.every = shelf(f, log_uniform(rng, 1200, 5000), want, True, rng.uniform(0.7, 1.6))
    elif form == 1:
        d.every = shelf(f, log_uniform(rng, 200, 700), want, False, rng.uniform(0.7, 1.6))
    elif form == 2:  # tilt between two bends
        lo, hi = log_uniform(rng, 60, 250), log_uniform(rng, 3000, 14000)
        x = np.clip(np.log(f / lo) / math.log(hi / lo), 0, 1)
        x = x * x * (3 - 2 * x)
        d.every = 10 ** (1.3 * want * (x - 0.5) / 20)
        if abs(want) < 2.2:
            d.every = d.every**1.8
    elif form == 3:
        d.every = 10 ** (want * hump(f, f0, rng.uniform(0.6, 1.3)) / 20)
    else:  # one way too loud or too soft against the others
        if len(sp.ways) < 2:
            d.every = shelf(f, f0, want, True, 1.0)
        else:
            j = int(rng.integers(1, len(sp.ways)))
            d.mult = {j: np.full(len(f), 10 ** (want / 20), np.complex64)}
    return d


def make_shallow(sp, rng, f0):
    f0 = f0 or log_uniform(rng, 280, 8000)
    d = Defect("shallow-dip", f0)
    want, q = rng.uniform(1.7, 4.0), log_uniform(rng, 0.6, 2.5)
    way, share = leading(sp, f0)
    form = int(rng.integers(4))
    if form == 0 and sp.fc:  # the ways stop short of each other
        j = int(rng.integers(len(sp.fc)))
        d.f0 = fc = sp.fc[j]
        o = sp.order[j]

        def put(s):
            d.mult = {
                j: lr(sp.f, fc / s, o, False) / lr(sp.f, fc, o, False),
                j + 1: lr(sp.f, fc * s, o, True) / lr(sp.f, fc, o, True),
            }
            # both turn alike at the crossover, so that only the level suffers
            d.mult = {i: np.abs(m).astype(np.float32) for i, m in d.mult.items()}

        return fit(sp, d, put, np.linspace(1.06, 1.5, 9), want, "dip")
    if form == 1 and share > 0.8:  # one driver hollow

        def put(s):
            d.mult = {way: peaking(sp.f, f0, q, -s)}

        return fit(sp, d, put, want * np.array([0.9, 1.0, 1.15, 1.35]), want, "dip")
    if form == 2:  # losses of a cloth or a lining: lopsided
        w1, w2 = 0.6 / q, 0.6 / q * rng.uniform(1.2, 2.2)
        x = np.log2(sp.f / f0)
        if rng.random() < 0.5:
            x = -x
        d.every = 10 ** (-want * np.exp(-0.5 * (x / np.where(x > 0, w1, w2)) ** 2) / 20)
        return d
    d.every = np.abs(peaking(sp.f, f0, q, -want))
    return d


def lateral(rng):
    return 1.0 if rng.random() < 0.5 else -1.0


def make_cancellation(sp, rng, f0):
    want = log_uniform(rng, 3.2, 14.0)
    f, k = sp.f, sp.k
    w0 = sp.ways[0]
    form = int(rng.integers(6))
    q = log_uniform(rng, 1.6, 7)
    if form == 0:  # port in the front, below (pipe mode)
        f0 = f0 or log_uniform(rng, 350, 1500)
        p = sp.radiator(
            [rng.uniform(-0.3, 0.3) * sp.width, w0.mid[1] - w0.a - rng.uniform(0.06, 0.25), 0],
            [0, 0, 1],
            0.5 * sp.width,
        )
    elif form == 1:  # port at the back
        f0 = f0 or log_uniform(rng, 300, 1500)
        p = sp.radiator(
            [rng.uniform(-0.2, 0.2) * sp.width, rng.uniform(sp.bottom, sp.top), -sp.depth],
            [0, 0, -1],
            0.16 * sp.width,
        )
    elif form == 2:  # port or passive cone below
        f0 = f0 or log_uniform(rng, 300, 1100)
        p = sp.radiator([0, sp.bottom, -0.5 * sp.depth], [0, -1, 0], 0.4 * sp.width)
    elif form == 3:  # side panel: two patches in opposite corners breathe together
        f0 = f0 or log_uniform(rng, 260, 1100)
        x = sp.right if rng.random() < 0.5 else sp.left
        n = [1 if x == sp.right else -1, 0, 0]
        p = 0
        for t, z in ((0.25, 0.7), (0.5, 0.5), (0.75, 0.3)):
            p = p + sp.radiator(
                [x, sp.bottom + t * (sp.top - sp.bottom), -z * sp.depth], n, 0.5 * sp.depth, False
            )
        p = p / unit_phase(p[ON]) / np.maximum(np.abs(p[ON]), 0.6)
    elif form == 4:  # rim of a cone in the wrong phase, at its break-up
        way = int(rng.integers(0, max(1, len(sp.ways) - 1)))
        w = sp.ways[way]
        top = 1.1 * sp.fc[way] if way < len(sp.fc) else 9000
        f0 = float(
            np.clip(
                C * rng.uniform(2.2, 4.2) / (2 * math.pi * w.a), 400, max(500.0, min(top, 9000))
            )
        )
        ring = 0
        h = sp.heading(w.mid)
        a, b = outer(h[:, 0], k * w.a), outer(h[:, 1], k * w.a)
        for x, y in RING:
            ring = ring + np.cos(a * np.float32(x) + b * np.float32(y))
        p = (
            ring
            / 9
            * unit_phase(sp.box[way] / sp.box[way][ON])
            * np.abs(sp.box[way] / np.maximum(np.abs(sp.box[way][ON]), 0.2))
        )
        cen = turn(outer(sp.path(w.mid) - sp.path(w.mid)[ON], k))
        p = p * cen
        p = p / np.where(np.abs(p[ON]) > 0.05, p[ON], 1)
        q = max(q, 2.5)
    else:  # part of the pipe or horn wall that shouts from one side of the front
        f0 = f0 or log_uniform(rng, 600, 4000)
        x = lateral(rng) * rng.uniform(0.5, 1.2) * C / f0 * 0.25
        p = sp.radiator([x, rng.uniform(-0.15, 0.15), -0.02], [0.6 * np.sign(x), 0, 0.8], 0.06)
    d = Defect("cancellation", f0)
    lag = rng.uniform(-0.3, 0.3)
    band = -1 / (1 + 1j * q * (f / f0 - f0 / f)) * np.exp(-1j * lag * f / f0)
    if form < 3 and rng.random() < 0.4:  # second mode of the pipe
        f2 = f0 * rng.uniform(1.9, 2.1)
        band = band + 0.3 / (1 + 2j * q * (f / f2 - f2 / f))
    base = (p * band).astype(np.complex64)

    def put(s):
        d.add = base * np.float32(s)

    return fit(sp, d, put, (0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.85, 0.95), want, "dip")


def make_null(sp, rng, f0):
    f0 = f0 or log_uniform(rng, 280, 9000)
    d = Defect("deep-null", f0)
    want = log_uniform(rng, 6.5, 24)
    k = sp.k
    form = int(rng.integers(5))
    way, _ = leading(sp, f0)
    mid = sp.ways[way].mid
    delta = C / (2 * f0) * (3 if (f0 > 3000 and rng.random() < 0.25) else 1)
    wide = rng.uniform(0.35, 0.75)
    zback = rng.uniform(0.7, 1.1) * delta
    if form == 0:  # a ledge or floor plate below or above: image of the drivers there
        at = [mid[0], mid[1] + lateral(rng) * rng.uniform(0.5, 1.6) * delta, -zback]
        p = sp.radiator(at, [0, 0, 1], 0.02)
    elif form == 1:  # a cheek or a second cabinet at one side: the null wanders across
        at = [mid[0] + lateral(rng) * rng.uniform(0.25, 0.7) * delta, mid[1], -zback]
        p = sp.radiator(at, [0, 0, 1], 0.02)
    elif form == 2:  # second driver of the same sort set back and aside, many points
        y = lateral(rng) * rng.uniform(0.4, 1.0) * delta
        x = rng.uniform(-0.3, 0.3) * delta
        p = 0
        for s in (-0.5, 0.0, 0.5):
            p = p + sp.radiator(
                [mid[0] + x + s * 0.3 * delta, mid[1] + y, -zback], [0, 0, 1], 0.04, False
            )
    elif form == 3:  # mouth of a horn: its rim sends the wave a second time
        rad = min(delta, 0.3) * rng.uniform(0.55, 0.95)
        e = rng.uniform(0.6, 1.0)
        p = 0
        for i in range(10):
            t = 2 * math.pi * (i + 0.5) / 10
            p = p + turn(
                outer(
                    sp.path([mid[0] + rad * math.cos(t), mid[1] + e * rad * math.sin(t), 0.0]), k
                )
            ) * np.float32(0.1)
        p = p * np.clip(0.25 + 0.75 * sp.heading(mid)[:, 2], 0.05, 1).astype(np.float32)[:, None]
    else:  # open back or mouth of a line: sound comes late from behind and below
        at = [mid[0], mid[1] - rng.uniform(0.5, 1.2) * delta, -min(zback, sp.depth)]
        p = sp.radiator(at, [0, -0.3, -0.95], min(0.25 * delta, 0.06), False)
        p = p / np.maximum(np.abs(p[ON]), 1e-3)
    p = p / unit_phase(p[ON]) / np.maximum(np.abs(p[ON]), 0.05)
    band = hump(sp.f, f0, wide) * np.exp(-1j * k * delta)
    base = (p * band).astype(np.complex64)

    def put(s):
        d.add = base * np.float32(s)

    return fit(sp, d, put, (0.5, 0.6, 0.68, 0.76, 0.84, 0.91, 0.98, 1.05), want, "dip")


def make_crossover(sp, rng, f0):
    pairs = [
        j
        for j in range(len(sp.fc))
        if np.abs(sp.ways[j].mid - sp.ways[j + 1].mid)[1] > 0.02
        or (len(sp.ways[j].at) > 1 and np.ptp(sp.ways[j].at[:, 1]) > 0.02)
    ]
    j = pairs[int(rng.integers(len(pairs)))]
    fc = sp.fc[j]
    d = Defect("crossover-phase", fc)
    f = sp.f
    want = log_uniform(rng, 2.2, 12)
    form = int(rng.integers(5))
    up = rng.random() < 0.6  # which of the two is late
    ways = list(range(j + 1, len(sp.ways))) if up else list(range(0, j + 1))
    if form == 0:  # delay

        def ph(s):
            return s * f / fc

    elif form == 1:  # wrong polarity, in part made good by a delay

        def ph(s):
            return math.pi - (math.pi - s) * f / fc

    elif form == 2:  # a phase turn round the crossover only

        def ph(s):
            return s * hump(f, fc, 1.1)

    elif form == 3:  # aimed at a listener far below or above: all-pass of first order too much

        def ph(s):
            return 2 * np.arctan(f / fc * math.tan(s / 2 if s < 3.1 else 1.55))

    if form < 4:

        def put(s):
            z = np.exp(-1j * ph(s)).astype(np.complex64)
            d.mult = {i: z for i in ways}

    else:  # set back in depth: the delay shrinks to the sides and turns behind
        cz = np.maximum(UNIT[:, 2], -0.3)

        def put(s):
            z = turn(outer(cz, s * f / fc))
            d.mult, d.shape = {}, {}
            for i in ways:
                d.shape[i] = z

    return fit(sp, d, put, np.radians([70, 85, 100, 112, 124, 136, 148, 160, 172]), want, "dip")


def make_step(sp, rng, f0):
    d = Defect("directivity-step", f0 or log_uniform(rng, 400, 7000))
    d.voiced = True
    want = log_uniform(rng, 1.6, 4.5)
    f, k = sp.f, sp.k
    form = int(rng.integers(6))
    if form in (0, 2) and not sp.fc:
        form = 1
    if form in (0, 2):
        j = int(rng.integers(len(sp.fc)))
        d.f0 = sp.fc[j]
    elif form == 3:
        d.f0 = f0 or log_uniform(rng, 260, 1500)
    fx = d.f0
    way, share = leading(sp, fx)
    hit = (
        [way]
        if share > 0.85
        else [
            i
            for i in range(len(sp.ways))
            if sp.share[i, int(np.argmin(np.abs(FREQS_HZ - fx)))] > 0.12
        ]
    )
    cz = UNIT[:, 2].astype(np.float32)
    wave = 2 * math.pi * fx / C
    mid = sp.ways[way].mid
    grid = np.array([1.2, 1.7, 2.3, 3.0, 3.8, 4.7, 5.6])
    if form == 0:  # lower driver too large for its crossover

        def put(s):
            b = s / wave
            d.shape = {j: ap(b, b, 1.0)}

        def ap(bh, bv, w):
            x = w * (disc6(sp, mid, np.minimum(k * bh, 9), np.minimum(k * bv, 9)) - 1) + 1
            return (x / x[ON]).astype(np.float32)

    elif form == 1:  # waist of a waveguide: narrow in one band, across, upright or both
        w = hump(f, fx, rng.uniform(0.3, 0.7))
        eh, ev = [(1, 1), (1, 0.2), (0.5, 1)][int(rng.integers(3))]

        def put(s):
            x = np.float32(1) + w.astype(np.float32) * (
                disc6(sp, mid, np.minimum(k * s * eh / wave, 9), np.minimum(k * s * ev / wave, 9))
                - 1
            )
            x = x / x[ON]
            d.shape = {i: x for i in hit}

    elif form == 2:  # upper driver too wide as it takes over: no guide, bare dome
        i2 = j + 1
        fade = np.clip(1.0 - np.log2(np.maximum(f / fx, 1)) / rng.uniform(1.6, 2.6), 0, 1)
        wide = 1 / np.maximum(np.abs(sp.bare[i2]), 0.4)
        wide = wide / wide[ON] * 1.0
        grid = np.array([0.3, 0.6, 0.9, 1.3, 1.8, 2.4])

        def put(s):
            x = 1 + fade.astype(np.float32) * (wide * (1 + np.float32(s) * (1 - cz[:, None])) - 1)
            d.shape = {i2: x.astype(np.float32)}

    elif form == 3:  # rear vents that work in one band only (or fail in it)
        w = hump(f, fx, rng.uniform(0.35, 0.8)).astype(np.float32)
        if rng.random() < 0.4:
            grid = np.array([0.3, 0.55, 0.8, 1.1, 1.5])

            def put(s):
                d.shape = {i: 1 + outer(s * (1 - cz), w) for i in hit}

        else:
            grid = np.array([0.25, 0.4, 0.5, 0.6, 0.75, 0.95])

            def put(s):
                d.shape = {i: 1 - outer(s * np.minimum(1 - cz, 1.05), w) for i in hit}

    elif form == 4:  # two or three sources side by side share a band: lobes in one plane
        n = int(rng.integers(2, 4))
        ax = int(rng.choice([0, 1, 2], p=[0.2, 0.2, 0.6]))  # across, upright, or a square of them
        w = hump(f, fx, rng.uniform(0.3, 0.6)).astype(np.float32)
        s0 = outer(UNIT[:, ax] if ax < 2 else UNIT[:, 0] + UNIT[:, 1], k)
        grid = grid * (0.75 if n == 2 else 0.55)
        hold = 0.9

        def put(s):
            b = np.float32(s / wave)
            c = np.cos(s0 * b) if n == 2 else (1 + 2 * np.cos(s0 * (1.6 * b))) / 3
            d.shape = {i: 1 + w * np.float32(hold) * (c - 1) for i in hit}

    else:  # horn that loses hold of the sound: too wide around one frequency
        w = hump(f, fx, rng.uniform(0.35, 0.9)).astype(np.float32)
        grid = np.array([0.3, 0.6, 0.9, 1.3, 1.8])
        plane = np.ones(72, np.float32)
        if rng.random() < 0.5:
            plane[36:] = 0.5
            plane[[36 + _h(0), 36 + _h(180)]] = 1.0

        def put(s):
            x = outer(s * plane * np.clip(1.05 - cz, 0, 1.0), w)
            x = x - x[ON]
            d.shape = {i: 1 + x for i in hit}

    return fit(sp, d, put, grid, want, "room")


SMALL = [(0.0, 0.42 * x, 0.42 * y, 1 / 6) for x, y in ((1, 0), (0.5, 0.866), (-0.5, 0.866))] + [
    (
        0.0,
        0.88 * math.cos(math.pi * (i + 0.5) / 6),
        0.88 * math.sin(math.pi * (i + 0.5) / 6),
        1 / 12,
    )
    for i in range(6)
]


def disc6(sp, at, uh, uv):
    return sp.disc(at, uh, uv, 0.0, SMALL)


def make_axis(sp, rng, f0):
    f0 = f0 or log_uniform(rng, 1400, 9000)
    d = Defect("single-axis", f0)
    want = rng.uniform(1.7, 5.0)
    k = sp.k
    way, _ = leading(sp, f0)
    mid = sp.ways[way].mid
    lam = C / f0
    n = int(
        rng.choice([2, 3, 4, 5])
    )  # half waves from the driver to its edge: even a dip, odd a bump
    while n > 2 and n * lam / 2 > 0.32:
        n -= 1
    r = n * lam / 2
    form = int(rng.integers(4))
    pts, wt = [], []
    if form == 0:  # round baffle or plate with the driver in its centre
        m = 14
        for i in range(m):
            t = 2 * math.pi * (i + 0.25) / m
            pts.append((r * math.cos(t), r * math.sin(t)))
    elif form == 1:  # two upright edges at equal distance, and the lid above
        for s in (-1, 1):
            for y in (-0.9, -0.45, 0.0, 0.45, 0.9):
                pts.append((s * r, y * r))
        pts += [(-0.4 * r, 0.95 * r), (0.4 * r, 0.95 * r)]
    elif form == 2:  # frame of a grille, square, with one side stronger
        for t in (-0.7, -0.2, 0.3, 0.8):
            pts += [(r, t * r), (-r, -t * r), (t * r, r), (-t * r, -r)]
        wt = [rng.uniform(0.5, 1.0) if i % 4 else 1.0 for i in range(16)]
    else:  # ring of the surround or of a mouth, oval, a little off the centre
        e = rng.uniform(0.85, 1.15)
        for i in range(13):
            t = 2 * math.pi * (i + 0.5) / 13
            pts.append((r * math.cos(t) + 0.02 * lam, e * r * math.sin(t)))
    wt = np.array(wt or [1.0] * len(pts))
    wt /= wt.sum()
    p = 0
    for (x, y), w in zip(pts, wt):
        way_len = math.hypot(x, y)
        at = [mid[0] + x, mid[1] + y, 0]
        p = p + turn(outer(sp.path(at) - sp.path(mid)[ON] + way_len, k)) * np.float32(w)
    cz = sp.heading(mid)[:, 2]
    p = p * np.clip((cz + 0.25) / 1.25, 0.02, 1).astype(np.float32)[:, None]
    p = p / max(float(np.abs(p[ON][np.argmin(np.abs(FREQS_HZ - f0))])), 0.2)
    # the edge wave starts from the level of the driver towards the edge: only a band of it counts
    wide = (
        rng.uniform(0.25, 0.6) if n % 2 == 0 else rng.uniform(0.45, 0.75) * math.log2((n + 1) / n)
    )
    band = (
        -hump(sp.f, f0, wide)
        if n % 2 or rng.random() < 0.6
        else -(1 / (1 + (f0 / sp.f / 1.5) ** 4)) * (1 / (1 + (sp.f / f0 / 1.6) ** 4)) * 1.4
    )
    base = (p * band).astype(np.complex64)

    def put(s):
        d.add = base * np.float32(s)

    return fit(sp, d, put, (0.15, 0.2, 0.26, 0.32, 0.4, 0.5, 0.6), want, "axis")


MAKE = {
    "resonance": make_resonance,
    "balance": make_balance,
    "shallow-dip": make_shallow,
    "cancellation": make_cancellation,
    "deep-null": make_null,
    "crossover-phase": make_crossover,
    "directivity-step": make_step,
    "single-axis": make_axis,
}
# smallest and largest effect in the complete speaker (dB), in the curve that counts for the kind
LIMIT = {
    "resonance": (1.4, 6.8),
    "balance": (1.4, 4.6),
    "shallow-dip": (1.4, 4.6),
    "cancellation": (2.9, 15.5),
    "deep-null": (5.5, 25.0),
    "crossover-phase": (2.0, 12.5),
    "directivity-step": (1.4, 5.4),
    "single-axis": (1.4, 5.6),
}
DIPS = ("shallow-dip", "cancellation", "deep-null", "crossover-phase")


def effects(sp, defects):
    """Window, in-room and axis of the whole minus those without each defect; and the pressure
    of the whole."""
    full = sp.pressure(defects)
    pf = power(full) + sp.ground

    def curves(p):
        m = MEAN32 @ p
        return np.array([db(m[0]), db(m[1]), db(p[ON])])

    cf = curves(pf[:, :480])
    out = []
    for d in defects:
        rest = [x for x in defects if x is not d]
        out.append(cf - curves(power(sp.pressure(rest, slice(None), 480)) + sp.ground[:480]))
    return pf, out


def judge(d, e):
    """Frequency index of the largest effect, and whether the defect is what its kind says."""
    row = {"directivity-step": 1, "single-axis": 2}.get(d.kind, 0)
    x = np.where(LOOK if d.kind != "balance" else (FREQS_HZ > 250) & (FREQS_HZ < 9000), e[row], 0)
    lo, hi = LIMIT[d.kind]
    i = int(np.argmax(np.abs(x)))
    size = abs(x[i])
    ok = lo <= size <= hi
    if d.kind in DIPS:
        ok = ok and x[i] < 0
    if d.kind == "directivity-step":
        ok = ok and np.abs(np.where(LOOK, e[0], 0)).max() < max(0.9, 0.4 * size)
    if d.kind == "single-axis":
        ok = ok and np.abs(np.where(LOOK, e[0], 0)).max() < 0.62 * size
    # what is shared by all angles must be, and what cancels in front must not be shared by all
    w, r = e[0][i], e[1][i]
    if d.kind in ("balance", "shallow-dip", "resonance"):
        ok = ok and abs(r - w) < 0.3 * abs(w) + 0.1
    elif d.kind in ("cancellation", "deep-null", "crossover-phase"):
        ok = (
            ok
            and r > {"cancellation": 0.6, "deep-null": 0.65, "crossover-phase": 0.85}[d.kind] * w
        )
        ok = ok and np.where(LOOK, e[1], 0).max() < max(6.5, 0.9 * size)
    if d.kind != "balance":
        ok = ok and 245 <= FREQS_HZ[i] <= 9100
    return i, ok


def deck(seed):
    """Kinds of this speaker: two neighbours share a shuffled pack, so that none of the kinds
    becomes rare."""
    rng = np.random.default_rng([77, seed // 2])
    order = list(rng.permutation(8))
    mine = order[:4] if seed % 2 == 0 else order[4:]
    rng = np.random.default_rng([78, seed])
    n = int(rng.choice([3, 4, 5], p=[0.25, 0.45, 0.3]))
    kinds = [KINDS[i] for i in mine]
    if n == 3:
        kinds.pop(int(rng.integers(4)))
    elif n == 5:
        extra = KINDS[int(rng.integers(8))]
        if extra in ("balance", "crossover-phase", "directivity-step") and extra in kinds:
            extra = ("resonance", "cancellation", "shallow-dip", "deep-null", "single-axis")[
                int(rng.integers(5))
            ]
        kinds.append(extra)
    return kinds


FAMILIES = (
    ("pair", 16),
    ("guide", 12),
    ("wtw", 13),
    ("wide-wtw", 4),
    ("coax", 7),
    ("coax3", 8),
    ("horn", 11),
    ("dipole", 10),
    ("cardioid", 9),
    ("line", 8),
    ("arc", 6),
    ("single", 5),
    ("three", 11),
)


def draw(seed):
    rng = np.random.default_rng([79, seed])
    kinds = deck(seed)
    ban = {"single", "coax", "wide-wtw", "line"} if "crossover-phase" in kinds else set()
    names = [n for n, _ in FAMILIES if n not in ban]
    p = np.array([w for n, w in FAMILIES if n not in ban], float)
    sp = Speaker(rng, names[int(rng.choice(len(names), p=p / p.sum()))])
    flank = (
        "resonance" in kinds
        and any(k in kinds for k in ("cancellation", "deep-null"))
        and rng.random() < 0.3
    )
    kinds.sort(key=lambda k: k == "resonance")  # resonances last: they may sit on a flank
    defects = []

    def new(kind):
        for _ in range(12):
            f0 = None
            if kind == "resonance" and flank and rng.random() < 0.7:
                nulls = [
                    d.f0
                    for d in defects
                    if d is not None and d.kind in ("cancellation", "deep-null")
                ]
                if nulls:
                    f0 = float(
                        np.clip(
                            nulls[0] * 2 ** (rng.choice([-1, 1]) * rng.uniform(0.2, 0.6)),
                            250,
                            9000,
                        )
                    )
            d = MAKE[kind](sp, rng, f0)
            if all(
                o is None or o.kind != kind or abs(math.log2(o.f0 / d.f0)) > 0.6 for o in defects
            ):
                return d
        return d

    for kind in kinds:
        defects.append(new(kind))
    best = None
    for turn_no in range(14):
        pf, eff = effects(sp, defects)
        got = [judge(d, e) for d, e in zip(defects, eff)]
        clash = {
            i
            for i in range(len(defects))
            for j in range(i)
            if defects[i].kind == defects[j].kind and abs(got[i][0] - got[j][0]) < 18
        }
        bad = [i for i, g in enumerate(got) if not g[1] or i in clash]
        if not bad:
            break
        if best is None or len(bad) < best[0]:
            best = (len(bad), list(defects))
        if turn_no >= 9 and len(defects) > 3:  # a stubborn one is left out
            defects.pop(bad[0])
            continue
        for i in bad[:2]:
            kind = defects[i].kind
            defects[i] = None
            if turn_no >= 7 and kind in (
                "crossover-phase",
                "directivity-step",
                "single-axis",
                "deep-null",
            ):
                kind = ("shallow-dip", "resonance")[turn_no % 2]
            defects[i] = new(kind)
    # order of the columns says nothing about the order of drawing
    order = rng.permutation(len(defects))
    pf, eff = effects(sp, defects)
    got = [judge(d, e) for d, e in zip(defects, eff)]
    healthy = db(power(sp.pressure([], WIN, 480)).mean(0)) + sp.level
    noise = float(rng.uniform(0, 0.5))
    lev = db(pf[:, sp.pick].astype(np.float64)) + sp.level
    lev = lev + noise * rng.standard_normal(lev.shape)
    return (
        sp,
        lev,
        healthy,
        [(defects[i].kind, int(round(FREQS_HZ[got[i][0]])), eff[i], got[i][1]) for i in order],
    )


def known_speaker(seed):
    sp, levels_db, healthy, defects = draw(seed)
    return KnownSpeaker(
        name=f"simulated {seed}",
        freqs_hz=sp.fm,
        levels_db=levels_db.T,
        healthy_window_db=healthy,
        defects=[KnownDefect(kind, int(hz), effect) for kind, hz, effect, _ in defects],
    )


if __name__ == "__main__":
    run(known_speaker, __doc__, Form(level=2))
