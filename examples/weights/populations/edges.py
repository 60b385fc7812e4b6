#!/usr/bin/env python3
"""Simulated loudspeakers with known defects: boxes with real edges.

Every driver sits at a place on one face of a rectangular box.  Its field at a microphone is

    V * D(angle) * direct  +  (1/2 - V) * D(grazing) * E

where V is a smooth visibility (1 in front of the face, 0 behind), D the directivity of the driver
and E the normalised sum over points along the edges of that face (path source - edge - microphone,
round the rear edges where the box is in the way). The sum goes to 1/2 at low frequencies at all
angles, so the baffle step, its ripple and the field at the sides and the back all arise from the
geometry. Ports, panels, lips, frames, nearby surfaces are further sources, scattering points or
images in the same geometry.
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
from scipy.special import j0, j1
from scipy.ndimage import gaussian_filter1d

C0 = 343.0
# smallest and largest effect in the complete speaker (dB) that is kept; column that counts
KEEP = {
    "resonance": (1.0, 7.5, 0),
    "balance": (1.0, 5.5, 0),
    "shallow-dip": (1.0, 5.5, 0),
    "cancellation": (2.0, 17.0, 0),
    "deep-null": (4.5, 26.0, 0),
    "crossover-phase": (1.5, 14.0, 0),
    "directivity-step": (1.2, 6.0, 1),
    "single-axis": (1.2, 6.5, 2),
}

# ---------------------------------------------------------------- angles and averages
_a = np.deg2rad(ANGLES_DEG.astype(float))
_z = np.zeros_like(_a)
DIRS = np.concatenate(
    [np.stack([np.sin(_a), _z, np.cos(_a)], 1), np.stack([_z, np.sin(_a), np.cos(_a)], 1)]
)
DIRS[np.abs(DIRS) < 1e-12] = 0.0
NA = len(DIRS)


AVG = average_weights(sound_power="belts").judged().astype(np.float32)
I0 = int(np.argmax(AVG[2]))

# ---------------------------------------------------------------- tables made once
_x = np.arange(0, 6001) / 100.0
with np.errstate(divide="ignore", invalid="ignore"):
    T_J1 = np.where(_x > 0, 2 * j1(_x) / np.where(_x > 0, _x, 1), 1.0).astype(np.float32)
T_J0 = j0(_x).astype(np.float32)


def look(tab, x):
    return tab[np.minimum(np.abs(x) * 100 + 0.5, 6000).astype(np.int32)]


DT, NT = 1.2e-5, 640


class Grid:
    """Frequencies of one run of the model: those of the truth, and those of the measurement
    where they differ."""

    cache = {}

    def __init__(self, extra):
        j = np.arange(360)
        odd = 20 * 2 ** (j[j % 3 > 0] / 36) if extra else np.zeros(0)
        odd = odd[odd <= 20000.5]
        f = np.concatenate([FREQS_HZ, odd])
        self.f = np.sort(f)
        self.at48 = np.searchsorted(self.f, FREQS_HZ * (1 - 1e-9))
        self.k = (2 * np.pi * self.f / C0).astype(np.float32)
        self.lf = np.log2(self.f)
        self.s = 1j * self.f
        ph = 2 * np.pi * np.outer(np.arange(NT) * DT, self.f)
        self.tab = np.concatenate([np.cos(ph), -np.sin(ph)], 1).astype(np.float32)
        self.sinc = np.sinc(self.f * DT) ** 2

    @classmethod
    def get(cls, extra):
        if extra not in cls.cache:
            cls.cache[extra] = cls(extra)
        return cls.cache[extra]


def expj(ph):
    out = np.empty(ph.shape, np.complex64)
    out.real = np.cos(ph)
    out.imag = np.sin(ph)
    return out


def db(x):
    return 20 * np.log10(np.maximum(np.abs(x), 1e-9))


def unit(v):
    return v / np.linalg.norm(v, axis=-1, keepdims=True)


def smooth_ramp(x):
    return 0.5 * (1 + np.tanh(x))


FACES = {
    "front": ((1, 0, 0), (0, 1, 0), (0, 0, 1)),
    "back": ((-1, 0, 0), (0, 1, 0), (0, 0, -1)),
    "right": ((0, 0, -1), (0, 1, 0), (1, 0, 0)),
    "left": ((0, 0, 1), (0, 1, 0), (-1, 0, 0)),
    "top": ((1, 0, 0), (0, 0, -1), (0, 1, 0)),
    "bottom": ((1, 0, 0), (0, 0, 1), (0, -1, 0)),
}
NRAY = 96
PSI = (np.arange(NRAY) + 0.5) * 2 * np.pi / NRAY
CPS, SPS = np.cos(PSI), np.sin(PSI)


class Beam:
    """Directivity of a driver: a piston whose cone lets go at the rim, or a horn with two
    angles."""

    def __init__(self, a, decouple=2.6, horn=None):
        self.a, self.dec, self.horn = a, decouple, horn

    def x(self, g):
        ka = g.k * self.a
        return ka / (1 + (ka / self.dec) ** 2) ** 0.22

    def at(self, g, u, n=None):
        """u: unit directions, (m, 3) in the frame (e1, e2, normal); returns (m, F)."""
        cg = u[:, 2]
        if self.horn is None:
            sn = np.where(cg > 0, np.sqrt(np.maximum(1 - cg**2, 0)), 1.0).astype(np.float32)
            p = look(T_J1, sn[:, None] * self.x(g)[None])
            out = p.astype(np.complex64)
            out.imag = 0.15 * (1 - p)
            return out
        th, tv, wh, wv, pw = self.horn
        gam = np.arccos(np.clip(cg, -1, 1))
        q = np.maximum(u[:, 0] ** 2 + u[:, 1] ** 2, 1e-9)
        a2 = th**2 + (0.62 * C0 / (g.f * wh)) ** 2
        b2 = tv**2 + (0.62 * C0 / (g.f * wv)) ** 2
        t2 = (
            (gam**2 / q)[:, None] * ((u[:, 0] ** 2)[:, None] / a2 + (u[:, 1] ** 2)[:, None] / b2)
        ).astype(np.float32)
        # 6 dB down where t = 1, running out softly to a floor
        att = 0.69 * t2 ** np.float32(pw / 2)
        return np.exp(-3.2 * np.tanh(att / 3.2)).astype(np.complex64)


class Speaker:
    """Geometry of box, microphone places and the fields of sources on the box."""

    def __init__(self, g, box, centre, dist, round_r):
        self.g, self.box, self.d = g, box, dist
        self.M = np.asarray(centre) + dist * DIRS
        self.m0 = self.M[I0]
        self.fe = C0 / (2 * np.pi * round_r)
        self.L = ((1 + (g.f / self.fe) ** 2) ** -0.35).astype(np.float32)

    # sum of delayed weights, (angles, points) -> (angles, frequencies)
    def paths(self, length, w):
        g = self.g
        tau = length / C0
        t0 = tau.min()
        x = np.minimum((tau - t0) / DT, NT - 2.01)
        nt = int(x.max()) + 2
        i = x.astype(np.int64)
        fr = x - i
        idx = i + np.arange(NA)[:, None] * nt
        hist = np.bincount(idx.ravel(), (w * (1 - fr)).ravel(), NA * nt)
        hist[1:] += np.bincount(idx.ravel(), (w * fr).ravel(), NA * nt)[:-1]
        y = hist.reshape(NA, nt).astype(np.float32) @ g.tab[:nt]
        n = len(g.f)
        out = np.empty((NA, n), np.complex64)
        out.real = y[:, :n]
        out.imag = y[:, n:]
        out *= (np.exp(-2j * np.pi * g.f * t0) / g.sinc).astype(np.complex64)
        return out

    def frame(self, face):
        e = np.array(FACES[face], float)
        w, h, dp = self.box
        size = np.array([w, h, dp])
        half = np.abs(e) @ size / 2
        mid = np.array([0, 0, -dp / 2]) + e[2] * half[2]
        return e, half, mid

    def place(self, face, uv):
        e, half, mid = self.frame(face)
        return mid + e[0] * uv[0] + e[1] * uv[1]

    def vis(self, cg, size):
        """smooth visibility: cg cosine from the face's normal (m,), size = way to the edge"""
        return smooth_ramp(
            cg.astype(np.float32)[:, None] * (2.4 + 2.2 * np.sqrt(self.g.k * size))[None]
        )

    def ref(self, pos):
        return float(np.linalg.norm(self.m0 - pos))

    def on_face(self, face, uv, beam, depth=0.0, r0=None):
        """Field of a source on a face, phase relative to the path r0 (its own to the microphone
        at 0 degrees)."""
        g = self.g
        e, half, mid = self.frame(face)
        uv = np.clip(uv, -half[:2] * 0.97, half[:2] * 0.97)
        pos = mid + e[0] * uv[0] + e[1] * uv[1]
        r0 = self.ref(pos) if r0 is None else r0
        loc = (self.M - pos) @ e.T
        r = np.linalg.norm(loc, axis=1)
        u = loc / r[:, None]
        # rays along the face to its edges, equal in angle: each carries the same part of the wave
        with np.errstate(divide="ignore"):
            t1 = np.where(CPS > 0, half[0] - uv[0], half[0] + uv[0]) / np.abs(CPS)
            t2 = np.where(SPS > 0, half[1] - uv[1], half[1] + uv[1]) / np.abs(SPS)
        rho = np.minimum(t1, t2)
        onx = t1 < t2
        nx, ny = np.where(onx, np.sign(CPS), 0), np.where(onx, 0, np.sign(SPS))
        dx = loc[:, :1] - rho * CPS
        dy = loc[:, 1:2] - rho * SPS
        dz = loc[:, 2:3]
        out = nx * dx + ny * dy  # how far outside the plane of that side of the box
        straight = np.sqrt(dx**2 + dy**2 + dz**2)
        dd = 2 * half[2]
        behind = np.minimum(dz + dd, 0)
        around = dd + np.sqrt(dx**2 + dy**2 + behind**2)
        hid = (dz < -dd) & (out < 0)
        # a microphone on the far side in front of the rear plane goes over the face itself:
        # straight
        length = np.where(hid, np.maximum(around, straight), straight)
        # the nearer edges carry more, the deeper in the shadow the more so
        w = np.exp((0.5 + 0.45 * (1 - u[:, 2:3])) * (nx * u[:, :1] + ny * u[:, 1:2]))
        w = w / w.sum(1, keepdims=True) * (self.d / length)
        E = self.paths(rho + length - r0 + depth, w)
        graz = beam.at(g, np.array([[1.0, 0, 0], [0, 1.0, 0]]))
        graz = (graz.mean(0) * self.L + 0.03 * (1 - self.L)).astype(np.complex64)
        V = self.vis(u[:, 2], float(np.median(rho)))
        D = beam.at(g, u)
        direct = (
            expj(-(r - r0 + depth).astype(np.float32)[:, None] * g.k)
            * (self.d / r).astype(np.float32)[:, None]
        )
        return V * D * direct + (np.float32(0.5) - V) * graz * E

    def scatter(self, pos, pts, w, beam, r0, back=True):
        """Sound that goes from a driver on the front to points and on to the microphones."""
        g = self.g
        sp = np.linalg.norm(pts - pos, axis=1)
        v = self.M[:, None, :] - pts[None]
        l = np.linalg.norm(v, axis=2)
        u = unit(np.mean(pts, 0) - pos + 1e-6) if back else np.array([1.0, 0, 0])
        ua = unit(pts[:: max(1, len(pts) // 4)] - pos)
        ua[:, 2] = np.maximum(ua[:, 2], 0.02)
        lit = beam.at(g, unit(ua)).mean(0)
        cg = unit(self.M - pts.mean(0))[:, 2]
        # the box hides points in front of it from behind
        V = self.vis(cg + 0.15, 0.5 * self.box[0])
        return self.paths(sp[None] + l - r0, np.broadcast_to(w, l.shape) * self.d / l) * (
            V * lit[None]
        )

    def image(self, pos, plane_p, plane_n, beam, r0, extent=None, centre=None):
        """Mirror source of a driver on the front behind a plane (point, normal towards the
        speaker)."""
        g = self.g
        n = np.asarray(plane_n, float)
        h = float((pos - plane_p) @ n)
        img = pos - 2 * h * n
        v = self.M - img
        r = np.linalg.norm(v, axis=1)
        u = v / r[:, None]
        dep = u - 2 * (u @ n)[:, None] * n  # how it left the driver
        V = self.vis(dep[:, 2], 0.4 * self.box[0])
        D = beam.at(g, dep)
        rear = (0.5 / np.sqrt(1 + (g.k * 0.25 * self.box[0]) ** 2)).astype(np.float32)
        amp = V * D + (1 - V) * rear
        side = u @ n
        wt = smooth_ramp(6 * side)
        if extent is not None:
            t = -((img - plane_p) @ n) / np.where(np.abs(side) < 1e-3, 1e-3, side)
            hit = img + t[:, None] * u
            wt = wt * np.exp(-0.5 * np.sum(((hit - centre) / extent) ** 2, 1))
        return (
            amp
            * expj(-(r - r0).astype(np.float32)[:, None] * g.k)
            * (wt * self.d / r).astype(np.float32)[:, None]
        )


# ---------------------------------------------------------------- filters on frequency
def band_pass(f, f0, q):
    x = 1j * f / f0
    return (x / q) / (1 + x / q + x * x)


def peak(f, f0, q, gain):
    h = 1 + (10 ** (abs(gain) / 20) - 1) * band_pass(f, f0, q)
    return h if gain > 0 else 1 / h


def crossover(f, fx, order):
    x = 1j * f / fx
    if order == 2:
        den = (1 + x) ** 2
        return 1 / den, -x * x / den
    den = (1 + np.sqrt(2) * x + x * x) ** 2
    return 1 / den, x**4 / den


def log_window(lf, f0, down, up, steep=4.0):
    x = lf - np.log2(f0)
    return smooth_ramp(steep * (x + down)) * smooth_ramp(steep * (up - x))


def wander(r, lf, per_oct, n=None):
    """Smooth random curve of unit deviation over log frequency."""
    step = 1 / per_oct
    knots = np.arange(lf[0] - step, lf[-1] + 2 * step, step)
    v = r.standard_normal((len(knots),) if n is None else (n, len(knots)))
    x = (lf - knots[0]) / step
    i = x.astype(int)
    t = x - i
    w = 0.5 - 0.5 * np.cos(np.pi * t)
    return v[..., i] * (1 - w) + v[..., i + 1] * w


def smooth48(y, octaves):
    return gaussian_filter1d(y, octaves * 48 / 2.355, mode="nearest")


# ---------------------------------------------------------------- a healthy speaker
class Model:
    pass


def ring(pos, n, rx, ry=None, z=0.0):
    p = np.arange(n) * 2 * np.pi / n + 0.1
    return pos + np.stack([rx * np.cos(p), (ry or rx) * np.sin(p), np.full(n, z)], 1)


def frame_points(pos, hw, hh, z, off=(0.0, 0.0), n=64):
    p = (np.arange(n) + 0.5) * 2 * np.pi / n
    c, s = np.cos(p), np.sin(p)
    rho = np.minimum(hw / np.maximum(np.abs(c), 1e-9), hh / np.maximum(np.abs(s), 1e-9))
    return pos + np.stack([rho * c + off[0], rho * s + off[1], np.full(n, z)], 1)


def build(r, g, need_cross):
    m = Model()
    m.g = g
    f = g.f
    # one way only sometimes; not where a crossover with lobes is wanted, nor two concentric
    # drivers
    names = ["two", "guide", "coax", "three", "mtm", "centre", "tower", "coax3", "big", "one"]
    pr = np.array([0.2, 0.16, 0.08, 0.12, 0.08, 0.06, 0.12, 0.05, 0.07, 0.06])
    if need_cross:
        pr[-1] = pr[2] = 0
    lay = m.layout = str(r.choice(names, p=pr / pr.sum()))
    at = 0.0
    rt = r.uniform(0.009, 0.02)
    if lay in ("two", "guide", "coax", "mtm", "centre"):
        rw = r.uniform(0.05, 0.105) if lay != "mtm" else r.uniform(0.045, 0.085)
    elif lay == "big":
        rw = r.uniform(0.105, 0.16)
    elif lay == "one":
        rw = r.uniform(0.03, 0.06)
    else:
        rw = r.uniform(0.07, 0.14)
    w = 2 * rw + r.uniform(0.025, 0.08)
    gap = r.uniform(0.008, 0.03)
    rtf = rt + r.uniform(0.02, 0.035)  # tweeter with its flange
    xoff = r.choice([0.0, 1.0], p=[0.55, 0.45]) * r.uniform(-0.35, 0.35)
    horn = None
    if lay in ("guide", "big") or (lay in ("three", "tower") and r.random() < 0.3):
        wh = r.uniform(0.1, 0.17) if lay != "big" else r.uniform(0.2, 0.32)
        wv = wh * r.uniform(0.55, 1.0)
        wh, w = wh, max(w, wh + 0.02)
        horn = (
            np.deg2rad(r.uniform(42, 60)),
            np.deg2rad(r.uniform(32, 55)),
            wh,
            wv,
            r.uniform(1.8, 2.4),
        )
        rtf = wv / 2 + 0.008
        xoff = 0.0 if r.random() < 0.8 else xoff * 0.3
    tw = Beam(rt, r.uniform(2.5, 4.5), horn)
    drivers = []  # (name, [(face, uv)], beam) from low to high; uv from the middle of the face
    dp = r.uniform(0.18, 0.34)
    rm = r.uniform(0.035, 0.065)

    def free(rad):
        return xoff * max(w - 2 * rad - 0.02, 0)

    if lay in ("two", "guide", "big"):
        h = 2 * rw + 2 * rtf + gap + r.uniform(0.04, 0.2)
        top = h / 2 - r.uniform(0.012, 0.05)
        yt = top - rtf
        yw = yt - rtf - gap - rw
        flip = r.random() < 0.1
        s = -1 if flip else 1
        drivers = [
            ("woofer", [("front", (0.0, s * yw))], Beam(rw, r.uniform(2, 3.2))),
            ("tweeter", [("front", (free(rtf), s * yt))], tw),
        ]
    elif lay == "coax":
        h = 2 * rw + r.uniform(0.05, 0.3)
        y = r.uniform(-0.3, 0.5) * (h / 2 - rw - 0.01)
        tw = Beam(rt, 3.5, (np.deg2rad(r.uniform(45, 58)),) * 2 + (rw * 1.4, rw * 1.4, 2.0))
        drivers = [
            ("woofer", [("front", (0.0, y))], Beam(rw, r.uniform(2, 3.2))),
            ("tweeter", [("front", (0.0, y))], tw),
        ]
    elif lay == "mtm":
        h = 4 * rw + 2 * rtf + 2 * gap + r.uniform(0.03, 0.15)
        o = rtf + gap + rw
        drivers = [
            ("woofer", [("front", (0.0, o)), ("front", (0.0, -o))], Beam(rw, 2.5)),
            ("tweeter", [("front", (free(rtf), 0.0))], tw),
        ]
    elif lay == "centre":
        rw = min(rw, 0.075)
        o = rtf + gap + rw
        w = 2 * (o + rw) + r.uniform(0.02, 0.08)
        h = 2 * rw + r.uniform(0.02, 0.06)
        lift = r.choice([0.0, rw * 0.5])
        drivers = [
            ("woofer", [("front", (o, 0.0)), ("front", (-o, 0.0))], Beam(rw, 2.5)),
            ("tweeter", [("front", (0.0, min(lift, h / 2 - rtf)))], tw),
        ]
    elif lay in ("three", "tower"):
        rm = min(rm, rw * 0.8)
        n_w = 2 if lay == "tower" and r.random() < 0.6 else 1
        need = 2 * rtf + 2 * rm + 2 * rw * n_w + (2 + n_w) * gap
        h = (
            need + r.uniform(0.05, 0.2)
            if lay == "three"
            else max(need + 0.1, r.uniform(0.75, 1.15))
        )
        dp = r.uniform(0.25, 0.42)
        yt = h / 2 - r.uniform(0.02, 0.06) - rtf
        ym = yt - rtf - gap - rm
        if r.random() < 0.2:
            yt, ym = ym + rm - rtf, yt + rtf - rm
        low = min(yt - rtf, ym - rm)
        side = lay == "tower" and r.random() < 0.35
        if side:
            yw = -h / 2 + rw + r.uniform(0.05, 0.25)
            ws = (
                [("left", (0.0, yw)), ("right", (0.0, yw))]
                if r.random() < 0.6
                else [("right", (0.0, yw))]
            )
            w = max(2 * rm + 0.04, w * 0.7)
        else:
            ws = [("front", (0.0, low - gap - rw - i * (2 * rw + gap))) for i in range(n_w)]
        drivers = [
            ("woofer", ws, Beam(rw, 2.5)),
            ("mid", [("front", (free(rm) * 0.5, ym))], Beam(rm, r.uniform(2, 3.2))),
            ("tweeter", [("front", (free(rtf), yt))], tw),
        ]
        m.side = side
    elif lay == "coax3":
        rm = r.uniform(0.05, 0.08)
        h = 2 * rm + 2 * rw + gap + r.uniform(0.04, 0.2)
        ym = h / 2 - rm - 0.02
        tw = Beam(rt, 3.5, (np.deg2rad(r.uniform(45, 58)),) * 2 + (rm * 1.4, rm * 1.4, 2.0))
        drivers = [
            ("woofer", [("front", (0.0, ym - rm - gap - rw))], Beam(rw, 2.5)),
            ("mid", [("front", (0.0, ym))], Beam(rm, 2.6)),
            ("tweeter", [("front", (0.0, ym))], tw),
        ]
    else:
        h = 2 * rw + r.uniform(0.04, 0.18)
        drivers = [
            (
                "full",
                [("front", (free(rw), r.uniform(-0.4, 0.4) * (h / 2 - rw)))],
                Beam(rw, r.uniform(1.6, 2.2)),
            )
        ]
    m.box = (w, h, dp)
    m.rw, m.rt = rw, rt
    # crossovers
    n = len(drivers)
    order = m.order = int(r.choice([2, 4], p=[0.35, 0.65]))
    top_dim = drivers[-2][2].a if n > 1 else 0
    fx = []
    if n >= 2:
        hi = min(3800.0, 2.7 * C0 / (2 * np.pi * top_dim))
        lo = min(max(1300.0, 0.42 * C0 / (2 * np.pi * rt) if horn is None else 900.0), hi * 0.8)
        fx = [log_uniform(r, lo, hi)]
    if n == 3:
        fx = [
            log_uniform(
                r,
                130 if getattr(m, "side", False) else 260,
                270 if getattr(m, "side", False) else 650,
            )
        ] + fx
    m.fx = fx
    # place of the microphones
    dist = float(
        r.choice([1.0, 1.5, 2.0, 2.5, 3.0, 5.0, 20.0], p=[0.06, 0.08, 0.22, 0.1, 0.16, 0.08, 0.3])
    )
    face, uv = drivers[-1][1][0]
    ref_y = uv[1] if r.random() < 0.7 else uv[1] * r.uniform(0, 1)
    zoff = r.choice([0.0, 1.0]) * r.uniform(0.02, dp * 0.9)
    centre = np.array(
        [
            r.choice([0.0, 1.0]) * r.normal(0, 0.012) + (uv[0] if r.random() < 0.4 else 0),
            ref_y + r.normal(0, 0.008),
            -zoff,
        ]
    )
    m.dist = dist
    sp = m.sp = Speaker(g, m.box, centre, dist, log_uniform(r, 0.006, 0.035))
    # corner
    m.vented = bool(r.random() < 0.55)
    m.fc = (
        log_uniform(r, max(30.0, 45 - 130 * rw), min(120.0, 60 + 2.0 / rw))
        if rw > 0.05
        else log_uniform(r, 60, 120)
    )
    x = 1j * f / m.fc
    if m.vented:
        a1, a2 = r.uniform(2.45, 2.75), r.uniform(3.2, 3.6)
        box_h = x**4 / (x**4 + a1 * x**3 + a2 * x**2 + a1 * x + 1)
        ql = r.uniform(6, 12)
        cone = (x * x + x / ql + 1) / (x * x)
        vent = -(1 + x / ql) / (x * x)
        m.port_face = str(r.choice(["front", "back", "bottom", "back", "front"]))
    else:
        q = r.uniform(0.58, 0.85)
        box_h = x * x / (x * x + x / q + 1)
        cone = vent = None
        m.port_face = str(r.choice(["front", "back", "bottom"]))
    e, half, mid = sp.frame(m.port_face)
    m.port_uv = np.array(
        [
            r.uniform(-0.75, 0.75) * half[0] if r.random() < 0.5 else 0.0,
            r.choice([-1, 1], p=[0.75, 0.25]) * r.uniform(0.5, 0.85) * half[1],
        ]
    )
    # directional fields
    m.comp, m.name, m.pos, m.beam = [], [], [], []
    for name, places, beam in drivers:
        fld = 0
        for face, uv in places:
            fld = fld + sp.on_face(face, np.array(uv, float), beam)
        fld = fld / np.float32(len(places))
        m.comp.append(fld)
        m.name.append(name)
        m.pos.append(np.mean([sp.place(fc, uv) for fc, uv in places], 0))
        m.beam.append(beam)
    m.r0 = [sp.ref(p) for p in m.pos]
    if m.vented:
        pf = sp.on_face(m.port_face, m.port_uv, Beam(r.uniform(0.015, 0.04)), r0=m.r0[0])
        # the vent has its own level on the axis; the designer tunes the sum
        m.comp[0] = m.comp[0] * cone.astype(np.complex64) + pf * vent.astype(np.complex64)
    # mild lips and frames of a healthy box
    top = n - 1
    if r.random() < 0.45:
        p = m.pos[top]
        if r.random() < 0.5:
            pts = ring(p, 48, r.uniform(0.04, 0.075), z=0.002)
        else:
            pts = frame_points(
                np.array([0, 0, 0.0]), w / 2 - 0.01, h / 2 - 0.01, r.uniform(0.006, 0.018)
            )
        wt = np.full(len(pts), -r.uniform(0.03, 0.09) / len(pts))
        m.comp[top] = m.comp[top] + sp.scatter(p, pts, wt, m.beam[top], m.r0[top]) * (
            f * f / (f * f + 1500.0**2)
        ).astype(np.float32)
    # electrical side: slopes, level of each driver voiced, the whole voiced
    H = [np.ones(len(f), complex) for _ in drivers]
    for i, x0 in enumerate(fx):
        lp, hp = crossover(f, x0, order)
        ap = lp + hp
        for j in range(n):
            if j < i:
                H[j] = H[j] * ap
            elif j == i:
                H[j] = H[j] * lp
            else:
                H[j] = H[j] * hp
    i48 = g.at48
    l48 = np.log2(FREQS_HZ)
    m.H = []
    for j in range(n):
        lw = 10 * np.log10(AVG[0] @ (np.abs(m.comp[j][:, i48]) ** 2) + 1e-12)
        if j == 0 and m.vented:
            ref = np.interp(np.log2(m.fc * 3), l48, lw)
            lw = np.where(FREQS_HZ < m.fc * 3, ref, lw)
        eq = np.clip(-smooth48(lw, 0.8), -15, 15)
        rip = np.clip(wander(r, g.lf, r.uniform(1.5, 4)), -2, 2) * r.uniform(0.03, 0.2)
        h = H[j] * 10 ** ((np.interp(g.lf, l48, eq) + rip) / 20)
        m.H.append(h * box_h if j == 0 or n == 1 else h * (x * x / (x * x + 1.4 * x + 1)))
    m.Hb = [h.astype(np.complex64) for h in m.H]
    slope = r.uniform(-0.12, 0.04) if r.random() < 0.6 else 0.0
    roll = -10 * np.log10(1 + (FREQS_HZ / r.uniform(21000, 36000)) ** 4)
    target = (
        np.interp(l48, g.lf, db(box_h))
        + roll
        + slope * (l48 - 10)
        + r.uniform(0.0, 0.2) * wander(r, l48, 1.0)
    )
    p = total(m, [])
    lw = 10 * np.log10(AVG[0] @ (np.abs(p[:, i48]) ** 2) + 1e-12)
    eq = np.zeros(480)
    # the lowest octaves keep what box and vent make of them
    for width in (0.6, 0.3, 0.2):
        eq = np.clip(eq + smooth48(target - lw - eq, width), -18, 18)
        if np.max(np.abs((lw + eq - target)[FREQS_HZ > 2 * m.fc])) < 0.75:
            break
    m.glob = (10 ** (np.interp(g.lf, l48, eq) / 20)).astype(np.float32)
    m.P = [c * (h * m.glob) for c, h in zip(m.comp, m.Hb)]
    m.Hg = [h * m.glob for h in m.Hb]
    m.p0 = sum(m.P)
    return m


def total(m, defects):
    out = 0
    g_all = None
    for j, c in enumerate(m.comp):
        h = m.Hb[j]
        for d in defects:
            if j in d["add"]:
                c = c + d["add"][j]
            if j in d["flt"]:
                h = h * d["flt"][j]
        out = out + c * h
    for d in defects:
        if d["all"] is not None:
            g_all = d["all"] if g_all is None else g_all * d["all"]
    if g_all is not None:
        out = out * g_all
    return out


def averages(m, defects):
    p = total(m, defects)
    pw = p.real**2 + p.imag**2
    return 10 * np.log10(np.maximum(AVG @ (pw * m.glob**2), 1e-12)), p


# ---------------------------------------------------------------- defects
def new(kind, f0, how):
    return {"kind": kind, "f0": f0, "how": how, "add": {}, "flt": {}, "all": None}


def dominant(m, f0):
    i = int(np.argmin(np.abs(m.g.lf - np.log2(f0))))
    return int(np.argmax([float(AVG[0] @ (np.abs(p[:, i]) ** 2)) for p in m.P]))


def size_add(m, parts, row, f0, want, sign, octv=0.5, top=1.7):
    """Strength of an added field so that the average `row` of the healthy speaker changes by
    `want` dB.

    The power is a square polynomial in the strength, so all strengths are tried at once on
    three curves. Returns strength and the change reached."""
    g = m.g
    sel = np.flatnonzero(np.abs(g.lf - np.log2(f0)) < octv)
    q = 0
    for j, a in parts.items():
        q = q + a[:, sel] * m.Hg[j][sel]
    p = m.p0[:, sel]
    w = AVG[row]
    A = w @ (np.abs(p) ** 2)
    B = w @ (p.real * q.real + p.imag * q.imag)
    Cq = w @ (np.abs(q) ** 2)
    mid = np.argmin(np.abs(g.lf[sel] - np.log2(f0)))
    g1 = np.sqrt(A[mid] / max(Cq[mid], 1e-20))
    gs = g1 * np.geomspace(0.05, top, 48)
    d = 10 * np.log10(np.maximum(A + 2 * gs[:, None] * B + gs[:, None] ** 2 * Cq, 1e-12) / A)
    eff = -d.min(1) if sign < 0 else (d.max(1) if sign > 0 else np.abs(d).max(1))
    k = np.flatnonzero(eff >= want)
    if len(k):
        k = int(k[0])
        if k == 0:
            return float(gs[0]), float(eff[0])
        t = (want - eff[k - 1]) / max(eff[k] - eff[k - 1], 1e-6)
        return float(gs[k - 1] + t * (gs[k] - gs[k - 1])), want
    k = int(np.argmax(eff))
    return float(gs[k]), float(eff[k])


def pick_f(r, lo, hi, taken, near=None):
    lo, hi = max(lo, 250.0), min(hi, 9000.0)
    if lo >= hi:
        return None
    for _ in range(12):
        f0 = log_uniform(r, lo, hi)
        if near is not None:
            f0 = near * 2 ** (r.choice([-1, 1]) * r.uniform(0.12, 0.35))
        if all(abs(np.log2(f0 / t)) > 0.5 for t in taken) and 250 <= f0 <= 9000:
            return f0
        near = None
    return None


def make_resonance(r, m, taken, near):
    f0 = pick_f(r, 250, 9000, taken, near)
    if f0 is None:
        return None
    f = m.g.f
    q = log_uniform(r, 1.5, 12)
    gain = r.uniform(1.8, 6.0) * (-1 if r.random() < 0.1 else 1)
    how = str(r.choice(["cone", "whole", "pair", "recess"], p=[0.4, 0.3, 0.15, 0.15]))
    j = dominant(m, f0)
    d = new("resonance", f0, how)
    if how == "whole":
        d["all"] = peak(f, f0, q, gain).astype(np.complex64)
        return d
    if how == "cone":
        h = peak(f, f0, q, gain)
    elif how == "pair":
        # two coupled masses: the zeros a little beside the poles, both in the left half plane
        z = f0 * (1 + r.choice([-1, 1]) * r.uniform(0.05, 0.15) / q)
        x = 1j * f
        num = z * z + x * z / q * 10 ** (abs(gain) / 20) + x * x
        den = f0 * f0 + x * f0 / q + x * x
        h = num / den * (f0 / z) ** 2
        h = h if gain > 0 else 1 / h
    else:
        # a small cavity in front of the cone: lifts, then takes a little away above
        x = 1j * f / f0
        q = min(q, 4.0)
        low = 1 / (1 + x / q + x * x)
        up = 10 ** (abs(gain) / 20)
        h = 1 + (up - 1) * band_pass(f, f0, q)
        h = h * (1 + 0.12 * low) / 1.12 if gain > 0 else 1 / h
    d["flt"][j] = h.astype(np.complex64)
    return d


def make_balance(r, m, taken, near):
    g = m.g
    n = len(m.comp)
    how = str(
        r.choice(
            ["high-shelf", "low-shelf", "bump", "tilt", "driver-level", "step-not-met"],
            p=[0.18, 0.14, 0.24, 0.14, 0.16, 0.14],
        )
    )
    if how == "driver-level" and n < 2:
        how = "bump"
    gain = r.uniform(1.5, 4.0) * r.choice([-1, 1])
    f0 = pick_f(r, 300, 8000, taken)
    if f0 is None:
        return None
    d = new("balance", f0, how)
    x = g.lf - np.log2(f0)
    wd = r.uniform(0.6, 1.4)
    if how == "high-shelf":
        c = gain * smooth_ramp(1.4 * x / wd)
    elif how == "low-shelf":
        c = gain * smooth_ramp(-1.4 * x / wd)
    elif how == "bump":
        c = gain * np.exp(-0.5 * (x / r.uniform(0.55, 1.3)) ** 2)
    elif how == "tilt":
        c = gain * np.clip((g.lf - np.log2(log_uniform(r, 500, 2000))) / 3.5, -1.2, 1.2)
    elif how == "step-not-met":
        fb = 115.0 / m.box[0] * r.uniform(0.6, 1.3)
        c = abs(gain) * (smooth_ramp(1.3 * (g.lf - np.log2(fb))) - 0.5 * (r.random() < 0.5))
    else:
        i = int(r.integers(1, n))
        c0 = 10 ** (gain / 20)
        for j in range(i, n):
            d["flt"][j] = np.complex64(c0)
        d["f0"] = min(m.fx[i - 1] * 2, 9000)
        return d
    d["all"] = (10 ** (c / 20)).astype(np.complex64)
    return d


def make_shallow(r, m, taken, near):
    g = m.g
    f = g.f
    how = str(r.choice(["surround", "network", "gap", "grille"], p=[0.35, 0.25, 0.22, 0.18]))
    fx = [x for x in m.fx if all(abs(np.log2(x / t)) > 0.5 for t in taken) and x > 250]
    if how == "gap" and not fx:
        how = "surround"
    gain = -r.uniform(1.6, 4.0)
    q = log_uniform(r, 0.5, 2.5)
    f0 = pick_f(r, 1500 if how == "grille" else 250, 9000, taken)
    if f0 is None:
        return None
    d = new("shallow-dip", f0, how)
    if how == "gap":
        # the low driver ends too early and the high one begins too late, still in phase
        x0 = float(r.choice(fx))
        i = m.fx.index(x0)
        s = r.uniform(1.06, 1.22)
        lp, hp = crossover(f, x0, m.order)
        lp2 = crossover(f, x0 / s, m.order)[0]
        hp2 = crossover(f, x0 * s, m.order)[1]
        want = abs(gain)
        # the step in the slopes sets the depth; tune it by a power of the ratio
        a, b = np.abs(lp2 / lp), np.abs(hp2 / hp)
        at = 20 * np.log10(0.5 * (a + b)[np.argmin(np.abs(f - x0))])
        e = want / max(-at, 0.1)
        side = np.exp(-0.5 * ((g.lf - np.log2(x0)) / r.uniform(0.5, 0.9)) ** 2)
        for j, t in ((i, a), (i + 1, b)):
            d["flt"][j] = np.clip(t ** (e * side), 0.2, 1).astype(np.complex64)
        d["f0"] = x0
    elif how == "surround":
        d["flt"][dominant(m, f0)] = peak(f, f0, q, gain).astype(np.complex64)
    elif how == "grille":
        # damping cloth and cavity before the drivers: a broad loss that comes back only in part
        h = peak(f, f0, q, gain) * (1 - 0.08 * smooth_ramp(2 * (g.lf - np.log2(f0))))
        d["all"] = h.astype(np.complex64)
    else:
        d["all"] = peak(f, f0, q, gain).astype(np.complex64)
    return d


def make_cancellation(r, m, taken, near):
    g, sp = m.g, m.sp
    f = g.f
    how = str(
        r.choice(["port", "panel", "rim", "leak", "vent-pair"], p=[0.34, 0.2, 0.22, 0.14, 0.1])
    )
    hi = 1500 if how != "leak" else 1100
    if how == "rim":
        hi = 6000
    elif how == "panel" and r.random() < 0.3:
        hi = 2600
    f0 = pick_f(r, 700 if how == "rim" else 290, hi, taken)
    if f0 is None:
        return None
    j = dominant(m, f0)
    d = new("cancellation", f0, how)
    e, half, mid = sp.frame("front")
    if how in ("port", "vent-pair"):
        q = log_uniform(r, 3.0, 12)
        fld = sp.on_face(m.port_face, m.port_uv, Beam(r.uniform(0.015, 0.04)), r0=m.r0[j])
        if how == "vent-pair":
            face = str(r.choice(["front", "back"]))
            fld = fld * 0.5 + 0.5 * sp.on_face(
                face, -m.port_uv * r.uniform(0.5, 1), Beam(0.03), r0=m.r0[j]
            )
    elif how == "panel":
        q = log_uniform(r, 3.5, 14)
        faces = [["left"], ["right"], ["left", "right"], ["top"], ["back"]][int(r.integers(5))]
        fld = 0
        for fc in faces:
            e, half, mid = sp.frame(fc)
            uv = half[:2] * r.uniform(-0.4, 0.4, 2)
            fld = fld + sp.on_face(fc, uv, Beam(0.4 * float(min(half[:2]))), r0=m.r0[j])
        fld = fld / np.float32(len(faces))
    elif how == "leak":
        q = r.uniform(0.9, 2.2)
        e, half, mid = sp.frame("back")
        fld = sp.on_face("back", half[:2] * r.uniform(-0.5, 0.5, 2), Beam(0.05), r0=m.r0[j])
    else:
        # the rim of the cone moves against its middle: a ring source
        q = log_uniform(r, 2.5, 8)
        a = m.beam[j].a if m.beam[j].horn is None else 0.012
        u = unit(sp.M - m.pos[j])
        a = max(a, 0.28 * C0 / f0)
        sn = np.where(u[:, 2] > 0, np.sqrt(np.maximum(1 - u[:, 2] ** 2, 0)), 1).astype(np.float32)
        fld = m.comp[j] * look(T_J0, sn[:, None] * np.minimum(g.k * a, 5.0))
        how_band = log_window(g.lf, f0, 1.6, 1.6).astype(np.float32)
        fld = fld * how_band
    i = int(np.argmin(np.abs(f - f0)))
    mode = band_pass(f, f0, q)
    q0 = fld[I0, i] * m.Hg[j][i]
    turn = np.angle(m.p0[I0, i]) - np.angle(q0) + np.pi + np.deg2rad(r.normal(0, 14))
    fld = fld * (mode * np.exp(1j * turn)).astype(np.complex64)
    want = r.uniform(3, 13)
    s, got = size_add(m, {j: fld}, 0, f0, want, -1, 0.4)
    if got < 2.8:
        return None
    d["add"][j] = fld * np.float32(s)
    return d


def make_null(r, m, taken, near):
    g, sp = m.g, m.sp
    f = g.f
    f0 = pick_f(r, 260, 8500, taken)
    if f0 is None:
        return None
    j = dominant(m, f0)
    if m.name[j] == "woofer" and abs(m.pos[j][2]) > 1e-6 and f0 > 250:  # woofers in the sides
        return None
    lam = C0 / f0
    w, h, dp = m.box
    pos, r0, beam = m.pos[j], m.r0[j], m.beam[j]
    ways = ["pair", "horn", "lip", "lip"]
    if f0 < 900:
        ways += ["wall"] * 3
    how = str(r.choice(ways))
    d = new("deep-null", f0, how)
    js = [j]
    if len(m.fx) and r.random() < 0.5:
        for jj in range(len(m.comp)):
            if (
                jj != j
                and min(abs(np.log2(x / f0)) for x in m.fx) < 0.8
                and abs(m.pos[jj][2]) < 1e-6
            ):
                js.append(jj)
    parts = {}
    rise, fall = r.uniform(0.5, 1.0), r.uniform(0.6, 2.0)
    band = log_window(g.lf, f0, rise, fall, r.uniform(2, 4)).astype(np.float32)
    if how == "wall":
        # a reflecting surface behind the box, a quarter of a wave away from the baffle
        b = lam / 4 * r.uniform(0.95, 1.1)
        if b < dp * 0.5:
            b = lam * 0.75
        band = log_window(g.lf, f0, 1.5, 1.3, 2.5).astype(np.float32)
        for jj in js:
            parts[jj] = (
                sp.image(m.pos[jj], np.array([0, 0, -b]), (0, 0, 1.0), m.beam[jj], m.r0[jj]) * band
            )
    elif how == "pair":
        # a second driver of the same band, set back and aside
        back = lam / 2
        dx = r.choice([0.0, 1.0, -1.0]) * r.uniform(0.1, 0.35) * lam
        dy = r.choice([0.0, 1.0, -1.0]) * r.uniform(0.15, 0.6) * lam
        q = pos + np.array([dx, dy, -back])
        v = sp.M - q
        rr = np.linalg.norm(v, axis=1)
        u = v / rr[:, None]
        rest = sp.vis(u[:, 2], 0.3 * w)
        fld = (
            expj(-(rr - r0).astype(np.float32)[:, None] * g.k)
            * (sp.d / rr).astype(np.float32)[:, None]
        )
        parts[j] = fld * (rest * beam.at(g, u) + (1 - rest) * (0.4 / (1 + g.k * 0.1))) * band
    elif how == "horn":
        # sound thrown back at the mouth goes to the throat and comes out again, from the whole
        # mouth
        sgn = r.choice([1, -1])
        trip = lam / 2 if sgn > 0 else lam
        mouth = np.clip(r.uniform(0.7, 1.3) * lam, 0.02, 0.6)
        bm = Beam(mouth / 2, 3.0)
        q = pos + np.array([0, 0, r.uniform(0.0, 0.15) * lam])
        v = sp.M - q
        rr = np.linalg.norm(v, axis=1)
        u = v / rr[:, None]
        path = rr - sp.ref(q) + trip
        rest = sp.vis(u[:, 2], 0.3 * w)
        fld = (
            expj(-path.astype(np.float32)[:, None] * g.k) * (sp.d / rr).astype(np.float32)[:, None]
        )
        parts[j] = fld * (rest * bm.at(g, u) + (1 - rest) * 0.15) * band * np.float32(sgn)
    else:
        # the lip of a shelf below (or a hood above): a short line of points in front of the baffle
        n = 24
        dl = lam * r.uniform(0.45, 0.55) * (1 if r.random() < 0.7 else 2)
        ln = np.linspace(-1, 1, n) * np.clip(lam * r.uniform(0.3, 0.8), 0.02, 0.4)
        ang = np.deg2rad(r.uniform(5, 35))
        sd = r.choice([-1, 1], p=[0.85, 0.15])
        # away from the driver at the distance where source - lip - microphone is longer by dl
        ln0 = dl / (1 - np.sin(ang))
        base = np.array([r.normal(0, 0.15) * ln0, sd * ln0 * np.cos(ang), ln0 * np.sin(ang)])
        pts = pos + base + np.stack([ln, 0 * ln, 0 * ln], 1)
        if np.linalg.norm(pts.mean(0) - pos) > 0.75 * sp.d:
            return None
        fld = sp.scatter(pos, pts, np.full(n, 1.0 / n), beam, r0) * band
        i = int(np.argmin(np.abs(f - f0)))
        # the driver lights the points less when it beams; the points answer in the phase of a hard
        # thing
        turn = np.angle(m.p0[I0, i]) - np.angle(fld[I0, i] * m.Hg[j][i]) + np.pi
        lim = np.clip((turn + np.pi) % (2 * np.pi) - np.pi, -1.0, 1.0)
        parts[j] = fld * np.complex64(np.exp(1j * lim))
    want = r.uniform(6.5, 20)
    s, got = size_add(m, parts, 0, f0, want, -1, 0.45, 2.2)
    if got < 5.8:
        return None
    for jj, a in parts.items():
        d["add"][jj] = a * np.float32(s)
    return d


def make_crossphase(r, m, taken, near):
    g = m.g
    f = g.f
    fx = [x for x in m.fx if all(abs(np.log2(x / t)) > 0.5 for t in taken) and x > 250]
    if not fx:
        return None
    x0 = float(fx[-1] if len(fx) == 1 or r.random() < 0.65 else fx[0])
    j = m.fx.index(x0) + 1
    want = r.uniform(2.0, 11.5)
    phi = 2 * np.arccos(10 ** (-want / 20))
    sgn = r.choice([-1, 1])
    how = str(r.choice(["delay", "polarity", "allpass", "depth", "tilt"]))
    d = new("crossover-phase", x0, how)
    above = [jj for jj in range(j, len(m.comp))]
    if how == "delay":
        h = np.exp(-1j * sgn * phi * f / x0)
    elif how == "polarity":
        h = -np.exp(1j * sgn * (np.pi - phi) * f / x0)
    elif how == "allpass":
        # slopes that do not belong together: one all-pass too many
        t = np.tan(phi / 4) if r.random() < 0.5 else np.tan(phi / 2)
        if t == np.tan(phi / 2):
            h = (1 - 1j * t * f / x0) / (1 + 1j * t * f / x0)
        else:
            h = ((1 - 1j * t * f / x0) / (1 + 1j * t * f / x0)) ** 2
        h = h if sgn > 0 else np.conj(h)
    else:
        h = None
    if h is not None:
        for jj in above:
            d["flt"][jj] = h.astype(np.complex64)
        return d
    # the driver really moved: back (depth) or back and up (a foot or a bent baffle)
    sh = sgn * phi / (2 * np.pi) * C0 / x0
    mv = np.array([0, r.uniform(-1, 1) * abs(sh) if how == "tilt" else 0.0, -sh])
    for jj in above:
        q = m.pos[jj] + mv
        dl = np.linalg.norm(m.sp.M - q, axis=1) - np.linalg.norm(m.sp.M - m.pos[jj], axis=1)
        # behind the box the way round it is what it was
        d["add"][jj] = m.comp[jj] * (expj(-dl.astype(np.float32)[:, None] * g.k) - 1)
    return d


def make_dirstep(r, m, taken, near):
    g, sp = m.g, m.sp
    f = g.f
    n = len(m.comp)
    ways = ["pinch"] * 4 + ["open-back"] * 2 + ["rim-wide"]
    top = m.fx[-1] if m.fx else None
    if top and all(abs(np.log2(top / t)) > 0.6 for t in taken):
        ways += ["beaming"] * 5 + ["too-wide"] * 2 + ["spaced"] * 4
    how = str(r.choice(ways))
    want = (
        r.uniform(1.6, 4.6)
        if how in ("open-back", "rim-wide", "too-wide")
        else r.uniform(1.5, 3.6)
    )
    i48 = g.at48
    u = unit(sp.M - m.pos[-1])
    sn = np.where(u[:, 2] > 0, np.sqrt(np.maximum(1 - u[:, 2] ** 2, 0)), 1).astype(np.float32)
    gam = np.arccos(np.clip(u[:, 2], -1, 1))
    off = smooth_ramp(
        (gam - np.deg2rad(r.uniform(28, 40) if how == "pinch" else r.uniform(38, 55)))
        / np.deg2rad(12)
    ).astype(np.float32)
    off = (off - off[I0]) / (1 - off[I0])
    if how in ("beaming", "too-wide", "spaced"):
        f0 = top * (2**-0.3 if how != "too-wide" else 2**0.4)
        j = n - 2 if how != "too-wide" else n - 1
    else:
        lo, hi = {"pinch": (700, 8000), "open-back": (280, 1800), "rim-wide": (900, 7000)}[how]
        f0 = pick_f(r, lo, hi, taken)
        if f0 is None:
            return None
        j = dominant(m, f0)
    if not 250 <= f0 <= 9000 or abs(m.pos[j][2]) > 1e-6:
        return None
    d = new("directivity-step", f0, how)
    x = g.lf - np.log2(f0)
    if how == "open-back":
        # a back that is not shut: the rear hears more, the front hardly
        e, half, mid = sp.frame("back")
        fld = sp.on_face("back", half[:2] * r.uniform(-0.5, 0.5, 2), Beam(0.06), r0=m.r0[j])
        i = int(np.argmin(np.abs(f - f0)))
        turn = np.angle(m.p0[I0, i]) - np.angle(fld[I0, i] * m.Hg[j][i]) + np.pi / 2
        fld = fld * (np.exp(-0.5 * (x / r.uniform(0.35, 0.8)) ** 2) * np.exp(1j * turn)).astype(
            np.complex64
        )
        s, got = size_add(m, {j: fld}, 1, f0, want, +1, 0.5, 3.5)
        mult = None
    else:
        bw = r.uniform(0.3, 0.7)
        if how == "beaming":
            B = smooth_ramp((x + r.uniform(0.6, 1.4)) * 2.5)
            a = m.beam[j].a
            arg = (sn[:, None] * np.minimum(g.k * a, 3.6) * B).astype(np.float32)

            def mult(s, c=slice(None)):
                return np.maximum(look(T_J1, s * arg[:, c]), 0.06)

            smax = 2.4
        elif how == "too-wide":
            B = (smooth_ramp((x + 0.5) * 3) * smooth_ramp((r.uniform(0.7, 1.4) - x) * 2.5)).astype(
                np.float32
            )
            arg = off[:, None] * B

            def mult(s, c=slice(None)):
                return 1 + (np.exp(s * arg[:, c]) - 1)

            smax = 1.5
        elif how == "spaced":
            # two drivers side by side (or one over the other) still work together too high
            axis = 0 if r.random() < 0.7 else 1
            arg = (g.k[None] * u[:, axis][:, None] * 0.5).astype(np.float32)
            B = smooth_ramp((x + r.uniform(0.5, 1.0)) * 2.5).astype(np.float32)

            def mult(s, c=slice(None)):
                return 1 - B[c] + B[c] * np.cos(s * arg[:, c])

            smax = C0 / f0 * 1.3
        else:
            B = np.exp(-0.5 * (x / bw) ** 2).astype(np.float32)
            plane = int(r.integers(3))
            if how == "pinch" and plane < 2:
                q = np.maximum(u[:, 0] ** 2 + u[:, 1] ** 2, 1e-9)
                sh = (0.25 + 0.75 * u[:, plane] ** 2 / q).astype(np.float32) * off
            else:
                sh = off
            arg = sh[:, None] * B * np.float32(-1 if how == "pinch" else 1)

            def mult(s, c=slice(None)):
                return np.exp(s * arg[:, c])

            smax = 3.0 if how == "pinch" else 1.5
    if mult is not None:
        sel = np.flatnonzero(np.abs(x) < 1.3)[::5]
        base, pj = m.p0[:, sel], m.P[j][:, sel]
        ref = AVG @ (np.abs(base) ** 2)
        ss = smax * np.linspace(0.08, 1, 10)
        eff = []
        for s in ss:
            a = AVG @ (np.abs(base + pj * (mult(s, sel) - 1)) ** 2)
            c = 10 * np.log10(a / ref)
            eff.append(np.max(np.abs(c[1] - c[0])))
            if eff[-1] >= want:
                break
        k = len(eff) - 1
        got = eff[k]
        s = ss[k]
        if k and got > want:
            s = ss[k - 1] + (want - eff[k - 1]) / max(eff[k] - eff[k - 1], 1e-6) * (
                ss[k] - ss[k - 1]
            )
            got = want
        fld = m.comp[j] * (mult(np.float32(s)) - 1)
        s = 1.0
    if got < 1.25:
        return None
    fld = fld * np.float32(s)
    d["add"][j] = fld
    # the designer voices the window flat again
    p = m.p0[:, i48]
    dl = 10 * np.log10(
        (AVG[0] @ (np.abs(p + (fld * m.Hg[j])[:, i48]) ** 2)) / (AVG[0] @ (np.abs(p) ** 2))
    )
    eq = -smooth48(dl, r.uniform(0.1, 0.25))
    d["all"] = (10 ** (np.interp(g.lf, np.log2(FREQS_HZ), eq) / 20)).astype(np.complex64)
    return d


def make_single(r, m, taken, near):
    g, sp = m.g, m.sp
    f = g.f
    f0 = pick_f(r, 1400, 9000, taken)
    if f0 is None:
        return None
    j = dominant(m, f0)
    if abs(m.pos[j][2]) > 1e-6:
        return None
    lam = C0 / f0
    pos = m.pos[j]
    how = str(r.choice(["flange", "square", "grille-frame", "horn-lip", "bars"]))
    d = new("single-axis", f0, how)
    R = min(lam * r.uniform(1.5, 3.0), 0.36)
    if how == "flange":
        pts = ring(pos, 96, R, z=r.uniform(0, 0.004))
    elif how == "square":
        pts = frame_points(pos, R * 0.9, R * 0.9 * r.uniform(1.0, 1.25), 0.0, n=96)
    elif how == "grille-frame":
        pts = frame_points(
            pos,
            R,
            R * r.uniform(1.0, 1.15),
            r.uniform(0.008, 0.02),
            (r.normal(0, 0.01) * R, r.normal(0, 0.03) * R),
            n=96,
        )
    elif how == "horn-lip":
        pts = ring(pos, 96, R, R * r.uniform(0.9, 1.0), z=r.uniform(0.05, 0.3) * R)
    else:
        y = np.linspace(-1, 1, 16) * R * 0.5
        pts = pos + np.concatenate(
            [np.stack([0 * y + sx * R, y, 0 * y + 0.01], 1) for sx in (1, -1)]
        )
    fld = sp.scatter(pos, pts, np.full(len(pts), -1.0 / len(pts)), m.beam[j], m.r0[j])
    # a lip is small against long waves, and softened against short ones
    fl = f0 / r.uniform(1.2, 2.2)
    hp = (f / fl) ** 2 / (1 + (f / fl) ** 2) / (1 + (f / (f0 * r.uniform(1.5, 3))) ** 4)
    fld = fld * hp.astype(np.float32)
    want = r.uniform(1.8, 5.0)
    s, got = size_add(m, {j: fld}, 2, f0, want, 0, 0.45)
    if got < 1.5:
        return None
    fld = fld * np.float32(s)
    q = fld * m.Hg[j]
    a = 10 * np.log10((AVG @ (np.abs(m.p0 + q) ** 2)) / (AVG @ (np.abs(m.p0) ** 2)))
    sel = (f > 250) & (f < 14000)
    if np.max(np.abs(a[0][sel])) > 0.5 * np.max(np.abs(a[2][sel])):
        return None
    d["add"][j] = fld
    return d


MAKE = {
    "resonance": make_resonance,
    "balance": make_balance,
    "shallow-dip": make_shallow,
    "cancellation": make_cancellation,
    "deep-null": make_null,
    "crossover-phase": make_crossphase,
    "directivity-step": make_dirstep,
    "single-axis": make_single,
}


def draw(r, m, kind, others):
    """One defect of the kind, or None."""
    taken = [d["hz"] if "hz" in d else d["f0"] for d in others if d["kind"] == kind]
    near = None
    if kind == "resonance" and r.random() < 0.2:
        nulls = [
            d["f0"]
            for d in others
            if d["kind"] in ("cancellation", "deep-null", "crossover-phase")
        ]
        near = float(r.choice(nulls)) if nulls else None
    for _ in range(10):
        d = MAKE[kind](r, m, taken, near)
        if d is not None:
            return d
    return None


def effect(m, kind, delta):
    """Size of the effect, its frequency, on the grid of the truth."""
    col = KEEP[kind][2]
    lo, hi = (240, 9500)
    sel = np.flatnonzero((FREQS_HZ > lo) & (FREQS_HZ < hi))
    y = np.abs(delta[col][sel])
    i = sel[int(np.argmax(y))]
    return float(np.abs(delta[col][i])), float(FREQS_HZ[i])


def speaker(seed):
    r = np.random.default_rng([seed, 77])
    ppo = int(r.choice([12, 16, 24, 36, 48]))
    g = Grid.get(ppo == 36)
    # two neighbouring seeds share one shuffled pack of kinds; a further draw may come twice
    pack = list(np.random.default_rng([seed // 2, 5]).permutation(len(KINDS)))
    if seed % 2:
        pack = pack[::-1]
    n = int(r.choice([3, 4, 5], p=[0.2, 0.45, 0.35]))
    kinds = [KINDS[k] for k in pack[: min(n, 4)]]
    if n == 5:
        kinds.append(
            KINDS[pack[4]]
            if r.random() < 0.55
            else str(r.choice([k for k in KINDS if k != "crossover-phase"]))
        )
    kinds.sort(key=lambda k: k == "resonance")
    m = build(r, g, "crossover-phase" in kinds)
    m.ppo = ppo
    ds = []
    for k in kinds:
        d = draw(r, m, k, ds)
        if d is not None:
            ds.append(d)
    base48 = g.at48
    healthy = averages(m, [])[0]
    for turn in range(24):
        while len(ds) < 3:
            d = draw(r, m, str(r.choice([k for k in KINDS if k != "crossover-phase"])), ds)
            if d is not None:
                ds.append(d)
        full, p = averages(m, ds)
        bad = None
        for i, d in enumerate(ds):
            d["delta"] = (full - averages(m, ds[:i] + ds[i + 1 :])[0])[:, base48]
            d["size"], d["hz"] = effect(m, d["kind"], d["delta"])
            lo, hi, _ = KEEP[d["kind"]]
            far = (
                d["kind"]
                in ("resonance", "cancellation", "deep-null", "crossover-phase", "shallow-dip")
                and abs(np.log2(d["hz"] / d["f0"])) > 0.6
            )
            twin = any(
                o["kind"] == d["kind"] and abs(np.log2(o["hz"] / d["hz"])) < 0.3 for o in ds[:i]
            )
            leak = (
                d["kind"] == "single-axis"
                and np.max(np.abs(d["delta"][0][170:440])) > 0.65 * d["size"]
            )
            if d["kind"] == "single-axis":
                far = abs(np.log2(d["hz"] / d["f0"])) > 1.4
            if d["kind"] == "directivity-step":
                leak = np.max(np.abs(d["delta"][0][170:440])) > min(0.45 * d["size"], 1.2)
            if d["kind"] in ("cancellation", "deep-null", "crossover-phase", "shallow-dip"):
                at = d["delta"][:2, int(np.argmin(np.abs(FREQS_HZ - d["hz"])))]
                # a null of interference must not be alike at all angles
                leak = at[0] > 0 or (d["kind"] != "shallow-dip" and at[1] < 0.75 * at[0])
            if bad is None and (d["size"] < lo or d["size"] > hi or far or twin or leak):
                bad = i
        if bad is None:
            break
        k = ds[bad]["kind"]
        rest = ds[:bad] + ds[bad + 1 :]
        if turn > 7 and len(rest) >= 3:  # it does not fit among the others: leave it out
            ds = rest
            continue
        if turn > 9:
            k = str(r.choice([q for q in KINDS if q != "crossover-phase"]))
        d = draw(r, m, k, rest)
        ds = rest[:bad] + ([d] if d is not None else []) + rest[bad:]
    m.healthy = healthy[0][base48]
    m.p = p
    m.ds = ds
    m.r = r
    return m


def measured(m):
    """Levels at the frequencies of the measurement, (F, 72), with errors of the microphone and
    noise."""
    g, r = m.g, m.r
    j = np.arange(int(np.floor(m.ppo * np.log2(1000) + 1e-9)) + 1)
    f = 20 * 2 ** (j / m.ppo)
    ix = np.searchsorted(g.f, f * (1 - 1e-9))
    y = 85 + db(m.p[:, ix] * m.glob[ix])
    lf = np.log2(f)
    slow = wander(r, lf, r.uniform(0.7, 2.5), NA) * r.uniform(0, 0.15)
    half = NA // 2
    slow[half + I0] = slow[I0]
    slow[NA - 1] = slow[half - 1]
    y = y + slow
    m.noise = r.uniform(0, 0.5)
    y = y + m.noise * r.standard_normal(y.shape)
    return f, y


def known_speaker(seed):
    m = speaker(seed)
    f, levels_db = measured(m)
    return KnownSpeaker(
        name=f"simulated {seed}",
        freqs_hz=f,
        levels_db=levels_db.T,
        healthy_window_db=m.healthy + 85,
        defects=[KnownDefect(d["kind"], d["hz"], d["delta"]) for d in m.ds],
    )


if __name__ == "__main__":
    run(known_speaker, __doc__, Form(level=2, truth=3))
