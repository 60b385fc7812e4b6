#!/usr/bin/env python3
"""Simulated loudspeakers with known defects, built from equivalent sources.

Every speaker is a set of points (with small multipoles) inside or on the outline of its cabinet.
Each "way" is one group of such points with complex strengths that depend on frequency; some groups
are fitted to a wanted radiation (regularised least squares), the others chosen. Defects are
further sources, changed strengths, displaced sources, or filters on groups. Complete pressure at
all microphones:

    p = PROD(global filters) * SUM_way PROD(way filters) * (T_way + SUM_defects added field)

x points forward, y right, z up; the origin is the centre of rotation (the reference point of the
measurement).
"""

import sys
from pathlib import Path

sys.dont_write_bytecode = True  # no cache folder in the repository
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from population_tools import (
    ANGLES_DEG,
    FREQS_HZ,
    HORIZONTAL_0,
    Form,
    KnownDefect,
    KnownSpeaker,
    average_weights,
    run,
)

import numpy as np

C = 343.0
PPO = 48
NF = 480
NO = NF // PPO
L2 = np.log2(FREQS_HZ)
_a = np.deg2rad(ANGLES_DEG.astype(float))
_z = np.zeros_like(_a)
UNIT = np.concatenate(
    [np.stack([np.cos(_a), np.sin(_a), _z], 1), np.stack([np.cos(_a), _z, np.sin(_a)], 1)]
)


AVERAGES = average_weights(sound_power="belts")
# columns: listening window, in-room, on-axis, sound power
WEIGHT = np.stack([*AVERAGES.judged(), AVERAGES.sound_power], axis=1)
WEIGHT32 = WEIGHT.astype(np.float32)
LWI = np.where(WEIGHT[:, 0] > 0)[0]


def _smoother(octaves):
    d = (L2[:, None] - L2[None, :]) / (octaves / 2.355)
    m = np.exp(-0.5 * d * d)
    return m / m.sum(1, keepdims=True)


SM6, SM3 = _smoother(1 / 6), _smoother(1 / 3)
BAND = (FREQS_HZ >= 220) & (FREQS_HZ <= 9600)


def _catmull(ppo):
    """Matrix from the computing grid to another number of points per octave."""
    f = 20.0 * 2.0 ** (np.arange(10 * ppo) / ppo)
    f = f[f <= 20000.0]
    m = np.zeros((len(f), NF))
    x = np.log2(f / 20.0) * PPO
    for r, v in enumerate(x):
        i = int(np.floor(v + 1e-9))
        t = max(0.0, v - i)
        c = (
            -0.5 * t + t * t - 0.5 * t**3,
            1 - 2.5 * t * t + 1.5 * t**3,
            0.5 * t + 2 * t * t - 1.5 * t**3,
            -0.5 * t * t + 0.5 * t**3,
        )
        for o, k in zip((-1, 0, 1, 2), c):
            m[r, min(max(i + o, 0), NF - 1)] += k
    return f, m


GRIDS = {}


def grid(ppo):
    if ppo not in GRIDS:
        GRIDS[ppo] = _catmull(ppo)
    return GRIDS[ppo]


# ---------------------------------------------------------------- filters


def lp2(f0, q):
    x = FREQS_HZ / f0
    return 1 / (1 - x * x + 1j * x / q)


def hp2(f0, q):
    x = FREQS_HZ / f0
    return -x * x / (1 - x * x + 1j * x / q)


def bp(f0, q):
    x = FREQS_HZ / f0
    return (1j * x / q) / (1 - x * x + 1j * x / q)


def lp1(f0):
    return 1 / (1 + 1j * FREQS_HZ / f0)


def hp1(f0):
    x = 1j * FREQS_HZ / f0
    return x / (1 + x)


def split(fc, order):
    if order == 2:
        return lp2(fc, 0.5), -hp2(fc, 0.5)
    return lp2(fc, 0.70711) ** 2, hp2(fc, 0.70711) ** 2


def bump(f0, width):
    """Bell in log frequency, width = full width at half height in octaves."""
    d = (L2 - np.log2(f0)) / width
    return np.exp(-2.7726 * d * d)


def step(f0, octaves):
    return 1 / (1 + np.exp(-(L2 - np.log2(f0)) * 4.4 / octaves))


def db(x):
    return 20 * np.log10(np.maximum(np.abs(x), 1e-9))


def db10(x):
    return 10 * np.log10(np.maximum(x, 1e-18))


def gain(d):
    return 10.0 ** (np.asarray(d) / 20.0)


def at(f0):
    return int(np.clip(round((np.log2(f0) - L2[0]) * PPO), 0, NF - 1))


# ---------------------------------------------------------------- equivalent sources


class Space:
    """Microphones on two orbits at one radius."""

    def __init__(self, radius):
        self.r0 = radius
        self.mic = radius * UNIT

    def field(self, pts, w, extra=None):
        """Sum of point sources. pts (P,3); w (P,) or (P,NF) strengths; extra (P,) metres of
        further path. The phase of each octave is the square of that of the octave below, so only
        one octave of exponentials.
        """
        pts = np.atleast_2d(pts)
        w = np.asarray(w)
        dist = np.sqrt(((self.mic[None] - pts[:, None]) ** 2).sum(2))
        path = dist - self.r0
        if extra is not None:
            path = path + np.asarray(extra)[:, None]
        amp = (self.r0 / dist).astype(np.float32)
        e = np.exp((-2j * np.pi / C) * FREQS_HZ[None, :PPO, None] * path[:, None, :]).astype(
            np.complex64
        )
        out = np.empty((NF, 72), np.complex64)
        flat = w.ndim == 1
        if flat:
            aw = (amp * w[:, None]).astype(np.complex64)
        else:
            w = w.astype(np.complex64)
        for o in range(NO):
            s = slice(o * PPO, (o + 1) * PPO)
            if flat:
                out[s] = np.einsum("pfd,pd->fd", e, aw)
            else:
                out[s] = np.einsum("pfd,pf->fd", e, w[:, s])
            if o < NO - 1:
                e *= e
        if not flat:  # points of one diaphragm: one distance will do for the level
            out *= amp.mean(0)
        return out

    def cosine(self, centre, axis):
        v = self.mic - centre
        return (v @ axis) / np.sqrt((v * v).sum(1))

    def body(self, centre, axis, b):
        """Multipoles that all points of one unit share: from one pole at low frequencies up to
        order three."""
        c = self.cosine(centre, axis)
        base = np.maximum(b["g"] + (1 - b["g"]) * c, -0.2)
        t = [1 / (1 + (fi / FREQS_HZ) ** b["p"]) for fi in b["f"]]
        s = np.stack(
            [1 - t[0], t[0] * (1 - t[1]), t[0] * t[1] * (1 - t[2]), t[0] * t[1] * t[2]], 1
        )
        return (s @ np.stack([np.ones(72), base, base**2, base**3])).astype(np.float32)

    def fit(self, target, pts, axis, reg):
        """Strengths of monopoles and axial dipoles at pts so that the field is as near as may
        be to target."""
        dist = np.sqrt(((self.mic[None] - pts[:, None]) ** 2).sum(2))
        cos = np.stack([self.cosine(p, axis) for p in pts])
        e = np.exp(
            (-2j * np.pi / C) * FREQS_HZ[:PPO, None, None] * (dist - self.r0).T[None]
        ).astype(np.complex64)
        amp = (self.r0 / dist).T.astype(np.float32)[None]
        ct = cos.T.astype(np.float32)[None]
        dirw = (0.35 + (UNIT[:, 0] > 0.5)).astype(np.float32)
        out = np.empty_like(target)
        k = 2 * len(pts)
        eye = np.eye(k, dtype=np.complex64)
        for o in range(NO):
            s = slice(o * PPO, (o + 1) * PPO)
            m = e * amp
            m = np.concatenate([m, m * ct], 2)
            mh = np.conj(np.swapaxes(m, 1, 2)) * dirw
            n = mh @ m
            y = mh @ target[s][:, :, None]
            out[s] = (m @ np.linalg.solve(n + reg * 50 * eye, y))[:, :, 0]
            if o < NO - 1:
                e *= e
        return out


def basis(axis):
    axis = axis / np.linalg.norm(axis)
    h = np.array([0.0, 0.0, 1.0]) if abs(axis[2]) < 0.8 else np.array([1.0, 0.0, 0.0])
    u = np.cross(h, axis)
    u /= np.linalg.norm(u)
    return u, np.cross(axis, u)


def ring(centre, axis, radius, n, turn=0.0):
    u, v = basis(axis)
    t = turn + 2 * np.pi * np.arange(n) / n
    return centre + radius * (np.cos(t)[:, None] * u + np.sin(t)[:, None] * v)


def vec(*a):
    return np.array(a, float)


FRONT = vec(1, 0, 0)


def aim(az, el):
    az, el = np.deg2rad(az), np.deg2rad(el)
    return vec(np.cos(el) * np.cos(az), np.cos(el) * np.sin(az), np.sin(el))


# ---------------------------------------------------------------- healthy speakers


class Speaker:
    def __init__(self, rng):
        self.rng = rng
        self.layout()
        self.build()

    # units: dict(pos, axis, a, level, kind)
    def layout(self):
        r = self.rng
        u = r.uniform
        kinds = [
            "shelf",
            "inverted",
            "twins",
            "tower",
            "coaxial",
            "sidewoofer",
            "upfiring",
            "twotweeters",
            "column",
            "apart",
            "single",
            "horn",
            "rearwoofer",
            "ring5",
        ]
        prob = np.array([14, 5, 8, 10, 7, 9, 7, 9, 9, 8, 6, 8, 5, 5], float)
        kind = self.kind = str(r.choice(kinds, p=prob / prob.sum()))
        aw = np.exp(u(np.log(0.03), np.log(0.16)))  # radius of the woofer
        at_ = u(0.009, 0.02)
        if kind in ("tower", "sidewoofer", "rearwoofer", "ring5"):
            aw = max(aw, 0.06)
        if kind == "horn":
            aw = max(aw, 0.08)
        if kind == "column":
            aw = u(0.03, 0.06)
        if kind == "single":
            aw = u(0.03, 0.085)
        width = max(2 * aw * u(1.12, 1.6), 0.11)
        depth = u(0.8, 1.8) * width
        am = min(u(0.03, 0.08), aw)
        off = 0.0 if r.random() < 0.55 else u(-0.25, 0.25) * width
        ways, xo = [], []

        def unit(pos, axis, a, level=1.0):
            return dict(pos=vec(*pos), axis=axis / np.linalg.norm(axis), a=a, level=level)

        gap = u(1.05, 1.4)
        dz = (aw + max(at_ * 2.5, 0.02)) * gap
        tdepth = u(-0.03, 0.005) if r.random() < 0.6 else 0.0
        wset = -u(0.1, 0.5) * aw
        tw = unit((tdepth, off, 0), FRONT, at_)
        top, bottom = 0.12, -dz - aw - 0.1
        if kind in ("shelf", "inverted", "horn"):
            s = -1 if kind != "inverted" else 1
            wo = unit((wset, 0 if r.random() < 0.7 else off * -0.5, s * dz), FRONT, aw)
            ways, xo = [[wo], [tw]], [u(1200, 3300)]
            if kind == "horn":
                xo = [u(650, 1800)]
                wo["pos"][2] -= u(0.05, 0.2)
            if kind == "inverted":
                top, bottom = dz + aw + 0.1, -0.12
        elif kind == "twins":
            mid = r.random() < 0.3
            wa = [unit((wset, 0, -dz), FRONT, aw), unit((wset, 0, dz * u(0.95, 1.1)), FRONT, aw)]
            ways, xo = [wa, [tw]], [u(1100, 2600)]
            if mid:  # the lower one carries only the bass
                wa[1]["level"] = 0.35
            top = dz + aw + 0.08
        elif kind == "coaxial":
            wo = unit((wset, 0, 0), FRONT, aw)
            tw["pos"] = vec(wset - 0.01, 0, 0)
            ways, xo = [[wo], [tw]], [u(1300, 3200)]
            top, bottom = aw + u(0.03, 0.2), -aw - u(0.03, 0.3)
            if r.random() < 0.3:
                sub = unit((-0.03, 0, -aw - 0.22), FRONT, max(aw, 0.08))
                ways, xo = [[sub]] + ways, [u(200, 500)] + xo
                bottom = -aw - 0.5
        elif kind in ("tower", "sidewoofer", "rearwoofer", "ring5"):
            zm = -(am + 0.03) * gap
            md = unit((-0.02, u(-0.2, 0.2) * off, zm), FRONT, am)
            zw = zm - am - aw * gap
            f1 = u(250, 700)
            if kind == "tower":
                n = int(r.integers(1, 4))
                wa = [unit((-0.03, 0, zw - i * 2.15 * aw), FRONT, aw) for i in range(n)]
            elif kind == "sidewoofer":
                f1 = u(120, 380)
                zw -= u(0, 0.4)
                both = r.random() < 0.5
                side = 1 if r.random() < 0.5 else -1
                wa = [unit((-depth * u(0.3, 0.7), side * width / 2, zw), vec(0, side, 0), aw)]
                if both:
                    wa.append(unit((wa[0]["pos"][0], -side * width / 2, zw), vec(0, -side, 0), aw))
            elif kind == "rearwoofer":
                f1 = u(120, 320)
                wa = [unit((-depth, 0, zw + u(0, aw)), vec(-1, 0, 0), aw)]
            else:
                wa = [unit((-0.03, 0, zw), FRONT, aw), unit((-0.03, 0, -zw), FRONT, aw)]
            mids = [md] if kind != "ring5" else [md, unit((-0.02, 0, -zm), FRONT, am)]
            ways, xo = [wa, mids, [tw]], [f1, u(1900, 4500)]
            bottom = min(x["pos"][2] for x in wa) - aw - u(0.05, 0.3)
            if kind == "ring5":
                top = -bottom
        elif kind == "upfiring":
            wo = unit(
                (wset, 0, -dz - u(0, 0.15)), FRONT if r.random() < 0.6 else aim(0, u(15, 60)), aw
            )
            tw["axis"] = aim(u(-15, 15), u(30, 78))
            tw["pos"] = vec(-u(0.03, 0.4) * depth, off, u(0.0, 0.05))
            ways, xo = [[wo], [tw]], [u(1500, 3500)]
        elif kind == "twotweeters":
            wo = unit((wset, 0, -dz), FRONT, aw)
            how = r.integers(4)
            t2 = unit((tdepth, off, 0.0), FRONT, at_ * u(0.7, 1.1))
            if how == 0:  # one on the back
                t2["pos"], t2["axis"], t2["level"] = (
                    vec(-depth, 0, u(-0.05, 0.05)),
                    vec(-1, 0, 0),
                    u(0.3, 1),
                )
            elif how == 1:  # stacked
                t2["pos"] = vec(tdepth, off, -2.3 * at_ - u(0, 0.01))
                t2["level"] = u(0.4, 1)
            elif how == 2:  # a pair aimed left and right
                tw["pos"], t2["pos"] = vec(tdepth, -0.03, 0), vec(tdepth, 0.03, 0)
                tw["axis"], t2["axis"] = aim(-u(15, 45), 0), aim(u(15, 45), 0)
            else:  # one fires up
                t2["pos"], t2["axis"], t2["level"] = (
                    vec(-depth * u(0.2, 0.6), 0, 0.1),
                    aim(0, u(60, 90)),
                    u(0.3, 0.8),
                )
            ways, xo = [[wo], [tw, t2]], [u(1300, 3300)]
        elif kind == "column":
            n = int(r.integers(3, 8))
            pitch = 2.2 * aw
            style = r.integers(3)
            z = (np.arange(n) - (n - 1) / 2) * pitch
            if style == 0:  # tweeter beside the line
                tw["pos"] = vec(0, (aw + at_) * 1.3 * (1 if r.random() < 0.5 else -1), 0)
            elif style == 1:  # tweeter in the middle of it
                z = z + np.where(z >= -1e-6, 1, -1) * 0.03
            else:  # tweeter above
                z = z - z.max() - aw - 2.2 * at_
            sh = 1 - 0.5 * r.random() * np.abs(np.linspace(-1, 1, n))
            wa = [unit((0, 0, zz), FRONT, aw, s) for zz, s in zip(z, sh)]
            ways, xo = [wa, [tw]], [u(1800, 4000)]
            if r.random() < 0.18 and style < 2:
                ways, xo = [wa[n // 3 : n // 3 + 2]], []
            width = 2.4 * aw + (0.05 if style == 0 else 0)
            top, bottom = max(z.max() + aw + 0.1, 0.12), z.min() - aw - u(0.1, 0.6)
        elif kind == "apart":
            wo = unit((-0.03, 0, -u(0.3, 0.6)), FRONT, aw)
            at_ = max(at_, 0.014)
            tw["a"] = at_
            if r.random() < 0.5:
                ways, xo = [[wo], [tw]], [u(700, 1500)]
            else:
                md = unit((0, u(-0.03, 0.03), -u(0.12, 0.2)), FRONT, am)
                ways, xo = [[wo], [md], [tw]], [u(250, 600), u(1500, 3000)]
            bottom = wo["pos"][2] - aw - 0.1
        else:
            ways, xo = [[unit((wset, off * 0.4, 0), FRONT, aw)]], []
            top = aw + 0.1
        if kind == "horn":
            self.mouth = u(0.06, 0.14)
        else:
            self.mouth = u(0.035, 0.075) if len(ways) > 1 and r.random() < 0.25 else 0.0
        self.ways, self.xo = ways, xo
        # the centre of rotation: mostly the tweeter or near it, sometimes the middle of the front
        # or the cabinet
        shift = vec(0, 0, 0)
        x = r.random()
        if x < 0.2 and kind not in ("column", "twins", "ring5"):
            shift = vec(
                0,
                0,
                0.5 * ways[-1][0]["pos"][2] + 0.5 * ways[-2 if len(ways) > 1 else -1][0]["pos"][2],
            )
        elif x < 0.3:
            shift = vec(-depth / 2, 0, 0)
        shift[2] += u(-0.02, 0.02)
        for way in ways:
            for q in way:
                q["pos"] = q["pos"] - shift
        self.box = dict(
            w=width, d=depth, top=top - shift[2], bot=bottom - shift[2], x=-shift[0], y=-shift[1]
        )
        self.distance = float(
            r.choice([1.5, 2.0, 3.0, 4.0, 20.0], p=[0.12, 0.3, 0.15, 0.08, 0.35])
        )
        if self.box["top"] - self.box["bot"] > 0.9:
            self.distance = max(self.distance, 2.0)
        self.sp = Space(self.distance)

    def panel(self, name, n=1, spread=0.8):
        """Random points on one wall of the cabinet."""
        b, r = self.box, self.rng
        x = b["x"] - b["d"] * (0.5 + spread * (r.random(n) - 0.5))
        y = b["y"] + b["w"] * spread * (r.random(n) - 0.5)
        z = b["bot"] + (b["top"] - b["bot"]) * (0.5 + spread * (r.random(n) - 0.5))
        if name == "front":
            return np.stack([np.full(n, b["x"]), y, z], 1), vec(1, 0, 0)
        if name == "back":
            return np.stack([np.full(n, b["x"] - b["d"]), y, z], 1), vec(-1, 0, 0)
        if name == "left":
            return np.stack([x, np.full(n, b["y"] - b["w"] / 2), z], 1), vec(0, -1, 0)
        if name == "right":
            return np.stack([x, np.full(n, b["y"] + b["w"] / 2), z], 1), vec(0, 1, 0)
        if name == "top":
            return np.stack([x, y, np.full(n, b["top"])], 1), vec(0, 0, 1)
        return np.stack([x, y, np.full(n, b["bot"])], 1), vec(0, 0, -1)

    def outline(self, n, x):
        """n points around the rectangle of the front (or of another plane x)."""
        b, r = self.box, self.rng
        w, h = b["w"], min(b["top"] - b["bot"], 0.7)
        t = (np.arange(n) + r.uniform(0, 0.6, n)) / n * 2 * (w + h)
        out = np.empty((n, 3))
        for i, s in enumerate(t % (2 * (w + h))):
            if s < w:
                yz = (s - w / 2, h)
            elif s < w + h:
                yz = (w / 2, h - (s - w))
            elif s < 2 * w + h:
                yz = (w / 2 - (s - w - h), 0)
            else:
                yz = (-w / 2, s - 2 * w - h)
            out[i] = (x, b["y"] + yz[0], b["top"] - h + yz[1])
        return out

    def newbody(self, scale=1.0, wide=False):
        u = self.rng.uniform
        fb = 105.0 / self.box["w"] * u(0.75, 1.3) * scale
        return dict(
            g=u(0.5, 0.6),
            p=u(1.5, 2.6),
            f=(fb, fb * u(4.5, 11) * (3 if wide else 1), fb * u(14, 30) * (3 if wide else 1)),
        )

    def disc(self, q, few, mouth=0.0, scale=1.0):
        """Points of a diaphragm: strengths of the outer parts fall as the cone decouples."""
        r = self.rng
        a = q["a"] * scale
        pts, w, ext = [q["pos"][None]], [np.full((1, NF), 0.14)], [np.zeros(1)]
        fs = q["brk"] * C / (2 * np.pi * q["a"])
        rings = [(0.72, 5 if few else 6, 0.86)] if few else [(0.45, 5, 0.34), (0.86, 8, 0.52)]
        for rad, n, wt in rings:
            pts.append(ring(q["pos"], q["axis"], rad * a, n, q["turn"]))
            w.append(np.full((n, NF), wt / n) / (1 + (FREQS_HZ / fs * rad) ** 2)[None])
            ext.append(np.full(n, q["cone"] * rad * q["a"]))
        if mouth:
            n = 8
            fm = C / (2 * np.pi * mouth) * 2.2
            pts.append(ring(q["pos"] + 0.35 * mouth * q["axis"], q["axis"], mouth, n, 0.2))
            w.append(np.full((n, NF), q["mw"] / n) / (1 + (FREQS_HZ / fm) ** 2)[None])
            ext.append(np.full(n, 0.45 * mouth))
        return np.concatenate(pts), np.concatenate(w), np.concatenate(ext)

    def wayfield(self, i):
        """The healthy field of one way before crossover and normalisation."""
        r, u, sp = self.rng, self.rng.uniform, self.sp
        way = self.ways[i]
        top = i == len(self.ways) - 1
        total = 0
        total_level = sum(q["level"] for q in way)
        tweeter = top and len(self.ways) > 1
        b = self.newbody()
        for n, q in enumerate(way):
            q["turn"], q["mw"] = u(0, 6), u(0.8, 2.0)
            q["brk"] = u(1.6, 3.2) if not tweeter else u(1.8, 4)
            q["cone"] = 0.0 if tweeter else u(0, 0.5)
            few = len(way) > 1 or tweeter
            if len(self.ways) == 1:
                q["brk"] = u(1.2, 2.2)
            pts, w, ext = self.disc(q, few, self.mouth if tweeter and n == 0 else 0.0)
            if len(way) > 3:  # the outer units of a line leave off higher up
                z = abs(q["pos"][2] - np.mean([x["pos"][2] for x in way]))
                w = w / (1 + (FREQS_HZ * z / (C * 0.45)) ** 2)[None] ** 0.5
            q["body"] = b
            total = total + sp.field(pts, w, ext) * sp.body(q["pos"], q["axis"], b) * np.float32(
                q["level"] / total_level
            )
        q = way[0]
        if r.random() < 0.3:  # strengths fitted instead of chosen, in the lower part of the range
            m = 5
            span = max(q["a"], 0.02)
            pp = np.concatenate(
                [
                    ring(
                        q["pos"] - q["axis"] * span * u(0.2, 0.6),
                        q["axis"],
                        span * u(0.5, 0.9),
                        3,
                        u(0, 6),
                    ),
                    q["pos"] - q["axis"] * np.array([[u(0.5, 1)], [u(1.5, 2.5)]]) * span,
                ]
            )
            f = sp.fit(total.astype(np.complex64), pp[:m], q["axis"], 10 ** u(-4, -2))
            mu = 1 / (1 + (FREQS_HZ / (C / (span * 2.5))) ** 4)
            total = total + (mu[:, None] * (f - total)).astype(np.complex64)
        # edges of the front and the way around to the back
        n = int(r.integers(7, 12))
        e = self.outline(n, self.box["x"])
        d = np.sqrt(((e - q["pos"]) ** 2).sum(1))
        wt = -u(0.08, 0.28) * u(0.5, 1.5, n) / n
        shape = hp1(b["f"][0]) * lp1(C / (2 * np.pi * max(q["a"], 0.01)) * 2.0)
        edge = sp.field(e, wt, d) * sp.body(
            q["pos"], FRONT, dict(g=0.7, p=2, f=(b["f"][0] * 2, 4e4, 8e4))
        )
        n = 5
        e = self.outline(n, self.box["x"] - self.box["d"])
        d2 = np.sqrt(((e - q["pos"]) ** 2).sum(1))
        back = np.maximum(0, 0.5 - 0.5 * sp.cosine(vec(0, 0, 0), FRONT)) ** 1.5
        shade = sp.field(e, u(0.1, 0.35) * u(0.6, 1.4, n) / n, d2) * back.astype(np.float32)
        total = (
            total
            + edge * shape[:, None].astype(np.complex64)
            + shade * (shape * lp1(3000))[:, None].astype(np.complex64)
        )
        return total.astype(np.complex64)

    @staticmethod
    def norm(g):
        """Filter that makes one group flat in the window and aligns it on the axis (what a
        crossover designer does)."""
        lw = (np.abs(g) ** 2) @ WEIGHT32[:, 0]
        lev = SM3 @ db10(lw)
        ph = g[:, HORIZONTAL_0] / np.maximum(np.abs(g[:, HORIZONTAL_0]), 1e-9)
        return np.conj(ph) * gain(-lev)

    def build(self):
        r, u = self.rng, self.rng.uniform
        nw = len(self.ways)
        self.order = [int(r.choice([2, 4], p=[0.35, 0.65])) for _ in self.xo]
        self.xf = [np.ones(NF, complex) for _ in range(nw)]
        for i, (fc, o) in enumerate(zip(self.xo, self.order)):
            lo, hi = split(fc, o)
            self.xf[i] = self.xf[i] * lo
            s = 1
            for j in range(i + 1, nw):
                self.xf[j] = self.xf[j] * hi if j == i + 1 else self.xf[j] * s
            if i > 0:  # keep the lowest way in step with the upper crossover
                ap = lo + hi
                for j in range(i):
                    self.xf[j] = self.xf[j] * ap / np.abs(ap)
            if o == 2 and i + 2 < nw:
                for j in range(i + 2, nw):
                    self.xf[j] = self.xf[j] * -1
        if nw == 3:  # and the tweeter in step with the lower one
            lo, hi = split(self.xo[0], self.order[0])
            ap = (lo + hi) / np.abs(lo + hi)
            self.xf[2] = self.xf[2] * ap * (-1 if self.order[0] == 2 else 1)
        self.fc = np.exp(u(np.log(30), np.log(120)))
        if self.ways[0][0]["a"] > 0.09:
            self.fc = min(self.fc, 70)
        self.vented = r.random() < 0.55
        self.portwall = str(
            r.choice(
                ["front", "back", "bottom", "left", "right", "top"],
                p=[0.35, 0.35, 0.12, 0.07, 0.07, 0.04],
            )
        )
        self.port, self.portaxis = self.panel(self.portwall, 1)
        self.raw = [self.wayfield(i) for i in range(nw)]
        if self.vented:
            fb = self.fc * u(0.8, 1.05)
            share = 1 / (1 + (FREQS_HZ / fb) ** 2) ** 1.5
            g = self.sp.field(self.port, np.ones(1))
            self.raw[0] = (self.raw[0] + share[:, None] * (g - self.raw[0])).astype(np.complex64)
        self.nf = [self.norm(g) for g in self.raw]
        terms = [(x * n)[:, None] * g for x, n, g in zip(self.xf, self.nf, self.raw)]
        lw = db10((np.abs(sum(terms)) ** 2) @ WEIGHT[:, 0])
        if self.vented:
            q = u(1.08, 1.3)
            box = hp2(self.fc, 0.541 * q) * hp2(self.fc * u(0.8, 0.95), 1.306 * 0.72)
        else:
            box = hp2(self.fc, u(0.62, 0.88))
        want = db(box)
        want = want + u(-0.09, 0.06) * np.clip(L2 - np.log2(800), -4.5, 4.5)
        for _ in range(int(r.integers(3, 9))):
            want = want + r.choice([-1, 1]) * u(0.08, 0.4) * bump(
                np.exp(u(np.log(150), np.log(16000))), u(0.15, 0.9)
            )
        want = want - u(0, 1.0) * step(17000, 0.7)
        dev = lw
        corr = -(SM6 @ dev)
        corr = corr - SM6 @ (dev + corr)
        self.voice = gain(want + corr + 85 + r.normal(0, 2))
        self.T = [(self.voice[:, None] * t).astype(np.complex64) for t in terms]
        self.P0 = sum(self.T)
        self.M0 = metrics(self.P0)
        lwt = np.stack([(np.abs(t) ** 2) @ WEIGHT32[:, 0] for t in self.T])
        self.dom = lwt / lwt.sum(0)

    def drive(self, i):
        """Complex drive of way i: what an added source fed by it must be multiplied with."""
        return self.voice * self.xf[i] * self.nf[i]

    def lead(self, f0):
        return int(np.argmax(self.dom[:, at(f0)]))


def metrics(p):
    return (p.real**2 + p.imag**2) @ WEIGHT32


# ---------------------------------------------------------------- defects


class Defects:
    def __init__(self, spk):
        self.s = spk
        self.rng = spk.rng

    # -- helpers
    def lf(self, lo, hi):
        return float(np.exp(self.rng.uniform(np.log(lo), np.log(hi))))

    def added(self, w, d, target, f0, column=LWI, sign=-1, reach=(0.0, 2.2), span=1.2):
        """Scale an added field d (NF,72) so that the wanted change (dB) appears near f0."""
        s = self.s
        a = s.P0[:, column]
        b = d[:, column]
        aa = (np.abs(a) ** 2).sum(1)
        ab = (np.conj(a) * b).real.sum(1)
        bb = (np.abs(b) ** 2).sum(1)
        sel = np.abs(L2 - np.log2(f0)) < span
        g = np.geomspace(0.03, reach[1], 40)[:, None]
        unit = np.sqrt(aa[at(f0)] / max(bb[at(f0)], 1e-20))
        e = db10(
            np.maximum(1 + (2 * g * unit * ab + (g * unit) ** 2 * bb)[:, sel] / aa[sel], 1e-6)
        )
        peak = np.abs(e).max(1) if sign == 0 else (-e).max(1) if sign < 0 else e.max(1)
        i = int(np.argmax(peak >= target)) if (peak >= target).any() else int(np.argmax(peak))
        return float(g[i, 0] * unit), float(peak[i])

    def oppose(self, d, f0, column=LWI, turn=np.pi):
        """Turn the phase of d so that it opposes (turn=pi) the healthy speaker in the window at
        f0."""
        i = at(f0)
        z = (np.conj(self.s.P0[i, column]) * d[i, column]).sum()
        return d * np.complex64(np.exp(1j * (turn - np.angle(z))))

    def check(self, **op):
        m = metrics(combine(self.s, [op]))
        return db10(m) - db10(self.s.M0)

    # -- kinds; each returns an operation (dict) or None
    def resonance(self, near=None):
        s, r, u = self.s, self.rng, self.rng.uniform
        f0 = near or self.lf(250, 9000)
        q = self.lf(1.5, 12)
        big = self.lf(1.5, 6)
        w = s.lead(f0)
        how = r.integers(4)
        dip = r.random() < 0.08
        pk = 1 + (gain(big) - 1) * bp(f0, q)
        if dip:
            return dict(wf={w: 1 / pk} if how else {}, gf=None if how else 1 / pk, how="dip")
        if how == 0:
            return dict(gf=pk, how="all")
        if (
            how == 1 and f0 < 2500
        ):  # surround or dust cap: small wide source at the driver, in phase
            t = s.ways[w][0]
            pts = ring(t["pos"], t["axis"], min(t["a"] * u(0.3, 1), 0.05), 6)
            b = dict(g=u(0.55, 0.8), p=2, f=(t["body"]["f"][0] * u(1, 3), 1e5, 2e5))
            d = s.sp.field(pts, np.full(6, 1 / 6)) * s.sp.body(t["pos"], t["axis"], b)
            d = self.oppose(d * (s.drive(w) * bp(f0, q))[:, None], f0, turn=0.0)
            k, got = self.added(w, d, big, f0, sign=1)
            if got < 1.2:
                return None
            return dict(add={w: (k * d).astype(np.complex64)}, how="surround")
        if how == 2:  # the same group: two near modes seldom, mostly one
            return dict(wf={w: pk}, how="driver")
        # a mode that stores energy in the whole way: driver peak with a faint after-ring of the
        # points behind
        return dict(wf={w: pk}, how="driver")

    def balance(self):
        s, r, u = self.s, self.rng, self.rng.uniform
        big = u(1.5, 4) * r.choice([-1, 1])
        how = r.integers(5)
        if how == 0:
            f0 = self.lf(300, 6000)
            x = step(f0, u(1.2, 2.5))
            return dict(gf=gain(big * (x if r.random() < 0.5 else 1 - x)), how="shelf")
        if how == 1:
            a, b = np.log2(self.lf(150, 600)), np.log2(self.lf(3000, 12000))
            t = SM3 @ np.clip((L2 - a) / (b - a), 0, 1)
            piv = u(0, 1)
            return dict(gf=gain(big * 1.3 * (t - piv)), how="tilt")
        if how == 2:
            f0 = self.lf(350, 7000)
            return dict(gf=gain(big * bump(f0, u(1.2, 3))), how="broad")
        if (
            how == 3 and len(s.ways) > 1
        ):  # strength of one way wrong (all that radiates above or below)
            i = int(r.integers(len(s.xo)))
            x = step(s.xo[i], u(1.0, 1.6))
            up = r.random() < 0.6
            g = gain(big * (x if up else 1 - x))
            if r.random() < 0.5:
                return dict(gf=g, how="way")
            return dict(
                wf={j: np.full(NF, gain(big)) for j in range(len(s.ways)) if (j > i) == up},
                how="waylevel",
            )
        fb = 105 / s.box["w"]  # baffle step not or too much made good
        x = 1 / (1 + (FREQS_HZ / fb) ** 2)
        return dict(gf=gain(big * x), how="bafflestep")

    def shallow(self):
        s, r, u = self.s, self.rng, self.rng.uniform
        f0 = self.lf(250, 9000)
        q = self.lf(0.5, 2.5)
        big = u(1.5, 4)
        how = r.integers(4)
        pk = 1 / (1 + (gain(big) - 1) * bp(f0, q))
        if how == 0:
            return dict(gf=pk, how="all")
        if how == 1:
            return dict(wf={s.lead(f0): pk}, how="driver")
        if how == 2 and s.xo:  # both ways leave off too far from the crossover
            i = int(r.integers(len(s.xo)))
            g = gain(-big * bump(s.xo[i], u(0.6, 1.8)))
            return dict(wf={i: g, i + 1: g}, how="gap")
        # absorbed: the inner points of the group lose strength
        g = 1 - (1 - gain(-big)) * bp(f0, q)
        return dict(wf={s.lead(f0): g}, how="absorb")

    def cancellation(self):
        s, r, u = self.s, self.rng, self.rng.uniform
        sp = s.sp
        how = str(
            r.choice(
                ["pipe", "panel", "breakup", "leak", "second"], p=[0.3, 0.2, 0.22, 0.13, 0.15]
            )
        )
        target = self.lf(3, 15)
        if how == "pipe":
            f0 = self.lf(300, 1500)
            q = self.lf(2.5, 12)
            wall = s.portwall if s.vented else str(r.choice(["back", "front", "left", "bottom"]))
            pos, ax = (s.port, s.portaxis) if s.vented else s.panel(wall, 1)
            n = 3
            pts = ring(pos[0], ax, u(0.015, 0.04), n, 1)
            b = s.newbody(1.6, True)
            d = sp.field(pts, np.full(n, 1 / n)) * sp.body(pos[0], ax, b)
            h = bp(f0, q)
            if r.random() < 0.4:
                h = h + u(0.2, 0.6) * bp(f0 * u(1.9, 2.2), q)
        elif how == "panel":
            f0 = self.lf(250, 1100)
            q = self.lf(4, 16)
            wall = str(r.choice(["left", "right", "back", "top", "bottom"]))
            pts, ax = s.panel(wall, 9, 0.75)
            w = u(0.5, 1, 9)
            if r.random() < 0.4:  # a wall that rocks: halves in opposite phase
                c = pts[:, 2] if wall not in ("top", "bottom") else pts[:, 0]
                w = w * np.where(c > np.median(c), 1, -u(0.2, 0.9))
            if r.random() < 0.35 and wall in ("left", "right"):  # both walls breathe
                p2 = pts.copy()
                p2[:, 1] = 2 * s.box["y"] - p2[:, 1]
                pts, w = np.concatenate([pts, p2]), np.concatenate([w, w * u(0.6, 1)])
            d = sp.field(pts, w / np.abs(w).sum()) * sp.body(pts.mean(0), ax, s.newbody(2.0, True))
            h = bp(f0, q)
        elif how == "breakup":
            f0 = self.lf(900, 8500)
            w = s.lead(f0)
            t = s.ways[w][0]
            q = self.lf(2, 9)
            a = max(t["a"], 0.28 * C / f0)
            # rim of the cone (and in part the edge it is fixed to) against its middle
            n = 12
            pts = ring(t["pos"], t["axis"], a * u(0.9, 1.5), n)
            nod = r.integers(3)
            wt = np.full(n, 1 / n)
            if nod == 1:
                wt = wt * (1 + 0.8 * np.cos(2 * np.pi * np.arange(n) / n + u(0, 6)))
            elif nod == 2:
                wt = wt * (1 + 0.8 * np.cos(4 * np.pi * np.arange(n) / n + u(0, 6)))
            d = sp.field(pts, wt) * sp.body(t["pos"], t["axis"], t["body"])
            h = bp(f0, q)
        elif how == "leak":  # the back wave comes out of the box
            f0 = self.lf(280, 1300)
            q = self.lf(0.8, 2)
            pts, ax = s.panel(str(r.choice(["back", "back", "bottom", "left", "right"])), 4, 0.6)
            d = sp.field(pts, np.full(4, 0.25), np.full(4, u(0.02, 0.12))) * sp.body(
                pts.mean(0), ax, s.newbody(1.5, True)
            )
            h = bp(f0, q)
        else:  # a second diaphragm elsewhere, fed in the wrong phase
            f0 = self.lf(250, 2000)
            q = self.lf(1.2, 4)
            wall = str(r.choice(["left", "right", "back", "top", "front"]))
            pos, ax = s.panel(wall, 1)
            d = sp.field(ring(pos[0], ax, u(0.02, 0.08), 5), np.full(5, 0.2)) * sp.body(
                pos[0], ax, s.newbody(1, True)
            )
            h = bp(f0, q) * u(0.9, 1.1)
        w = s.lead(f0)
        d = self.oppose(d * (s.drive(w) * h)[:, None], f0, turn=np.pi + u(-0.35, 0.35))
        k, got = self.added(w, d, target, f0, reach=(0, 1.5))
        if got < 2.7:
            return None
        op = dict(add={w: (k * d).astype(np.complex64)}, how=how, at=f0)
        e = self.check(**op)
        i = int(np.argmin(np.where(np.abs(L2 - np.log2(f0)) < 0.7, e[:, 0], 99)))
        if e[i, 3] < 0.62 * e[i, 0] or e[i, 0] > -2.7:
            return None
        return op

    def deepnull(self):
        s, r, u = self.s, self.rng, self.rng.uniform
        sp = s.sp
        how = str(r.choice(["reflector", "mouth", "twin", "cavity", "behind"]))
        f0 = (
            self.lf(280, 8000)
            if how in ("reflector", "twin")
            else self.lf(280, 1200) if how == "behind" else self.lf(900, 9000)
        )
        w = s.lead(f0)
        t = s.ways[w][0]
        lam = C / f0
        target = self.lf(6, 25)
        neg = r.random() < 0.35
        diff = lam if neg else lam / 2
        if (
            how == "reflector"
        ):  # a thing beside, below, above: the image lies behind it; bounded in size
            el = r.choice([u(-80, -35), u(35, 80), u(-15, 15)])
            az = r.choice([-1, 1]) * u(100, 165)
            v = aim(az, 0) * np.cos(np.deg2rad(el)) + vec(0, 0, np.sin(np.deg2rad(el)))
            v[0] = -abs(v[0])
            lat = min(
                1.0, 0.22 * lam / max(1e-6, diff * np.hypot(v[1], v[2]) / max(abs(v[0]), 0.15))
            )
            far = diff * u(0.4, 1)
            pos = t["pos"] + vec(-far, diff * v[1] * lat * 3, diff * v[2] * lat * 3)
            pts = ring(pos, FRONT, t["a"] * 0.7, 5)
            ext = np.full(5, diff - far)
            ax = aim(u(-70, 70), u(-40, 40))
            d = sp.field(pts, np.full(5, 0.2), ext) * sp.body(pos, ax, s.newbody(1.5, True))
        elif how == "twin":  # a second driver at a distance that plays the same, later
            sgn = r.choice([-1, 1])
            dist = min(u(0.08, 0.5), lam * u(0.4, 1.6))
            v = (
                vec(0, sgn * dist, 0)
                if r.random() < 0.3
                else vec(0, u(-0.2, 0.2) * dist, sgn * dist)
            )
            pts = ring(t["pos"] + v, t["axis"], t["a"] * 0.7, 6)
            d = sp.field(pts, np.full(6, 1 / 6), np.full(6, diff)) * sp.body(
                t["pos"] + v, t["axis"], t["body"]
            )
        elif how == "mouth":  # wave thrown back at the end of a horn or recess, out again later
            m = min(max(0.25 * lam, t["a"], 0.02), 0.14)
            n = 10
            pts = ring(t["pos"] + vec(u(0, 0.05), 0, 0), FRONT, m, n)
            wt = np.full(n, 1 / n) * u(0.7, 1.3, n)
            d = sp.field(pts, wt, np.full(n, diff)) * sp.body(t["pos"], FRONT, t["body"])
            again = u(0, 0.4)
            d = d + again * d * np.exp(-2j * np.pi * FREQS_HZ * diff / C)[:, None] * (
                1 if not neg else -1
            )
        elif how == "cavity":  # two or three slots around the driver, each with its own path
            n = int(r.integers(2, 4))
            pts = ring(t["pos"], FRONT, u(0.02, 0.09), n, u(0, 6))
            d = sp.field(pts, u(0.6, 1.2, n) / n, diff * u(0.94, 1.06, n)) * sp.body(
                t["pos"], FRONT, s.newbody(2, True)
            )
        else:  # the back wave, thrown forward by what stands behind
            pts = ring(
                t["pos"] + vec(-diff * u(0.8, 1), u(-0.1, 0.1), u(-0.15, 0.15)), FRONT, 0.05, 4
            )
            rest = diff + (pts[:, 0].mean() - t["pos"][0])
            d = sp.field(pts, np.full(4, 0.25), np.full(4, rest)) * (
                0.6 + 0.4 * sp.cosine(t["pos"], aim(u(-60, 60), 0))
            ).astype(np.float32)
        h = hp1(f0 * u(0.15, 0.4)) * (
            lp1(f0 * u(1.5, 4)) if r.random() < 0.6 else lp2(f0 * u(1.6, 3.5), 0.7)
        )
        h = h * np.exp(-1j * np.angle(h[at(f0)])) * (-1 if neg else 1)
        d = d * (s.drive(w) * h)[:, None]
        d = self.oppose(d, f0, turn=np.pi + u(-0.2, 0.2))
        k, got = self.added(w, d, target, f0, reach=(0, 1.15), span=0.6)
        if got < max(5, 0.62 * target):
            return None
        return dict(add={w: (k * d).astype(np.complex64)}, how=how, at=f0)

    def crossover(self):
        s, r, u = self.s, self.rng, self.rng.uniform
        if not s.xo:
            return None
        i = int(r.integers(len(s.xo)))
        fc = s.xo[i]
        if fc < 240:
            i, fc = len(s.xo) - 1, s.xo[-1]
            if fc < 240:
                return None
        upper = r.random() < 0.6
        target = self.lf(2, 12)
        how = str(r.choice(["delay", "polarity", "shifted", "allpass", "lobe"]))
        moved = list(range(i + 1, len(s.ways))) if upper else list(range(i + 1))
        sgn = r.choice([-1, 1])
        hi = [j for j in range(len(s.ways)) if j in moved]
        a = sum(s.T[j][:, LWI] for j in range(len(s.ways)) if j not in moved)
        b = sum(s.T[j][:, LWI] for j in hi)
        base = (np.abs(a + b) ** 2).sum(1)

        def turn(p):
            if how in ("delay", "shifted", "lobe"):
                return np.exp(-1j * sgn * p * FREQS_HZ / fc)
            if how == "polarity":
                return -np.exp(-1j * sgn * (np.pi - p) * FREQS_HZ / fc)
            x = FREQS_HZ / (fc / np.tan(p / 4))  # allpass of second order (two of the first)
            return ((1 - 1j * x) / (1 + 1j * x)) ** 2

        ps = np.linspace(0.5, 3.1, 14)
        sel = np.abs(L2 - np.log2(fc)) < 1.0
        dips = np.array(
            [db10(((np.abs(a + turn(p)[:, None] * b) ** 2).sum(1) / base)[sel]).min() for p in ps]
        )
        n = int(np.argmax(-dips >= target)) if (-dips >= target).any() else int(np.argmin(dips))
        p = ps[n]
        if dips[n] > -1.8:
            return None
        if how not in ("shifted", "lobe"):
            if len(moved) == 3 or how == "polarity" and len(moved) == len(s.ways):
                return None
            t = turn(p)
            return dict(wf={j: t for j in moved}, how=how, at=fc)
        # displaced: the points of the ways themselves stand elsewhere
        dx = sgn * p / (2 * np.pi) * C / fc
        add = {}
        dz = 0.0 if how == "shifted" else u(0.1, 0.45) * C / fc * r.choice([-1, 1])
        dy = 0.0 if r.random() < 0.7 else u(-0.15, 0.15) * C / fc
        src = vec(0, dy, dz)
        # a rigid move changes the path alone: phase and nothing else for each microphone (the
        # drive stays)
        for j in moved:
            c0 = s.ways[j][0]["pos"]
            path = np.sqrt(((s.sp.mic - c0 - src) ** 2).sum(1)) - np.sqrt(
                ((s.sp.mic - c0) ** 2).sum(1)
            )
            if how == "shifted":
                path = (
                    path
                    + np.sqrt(((s.sp.mic - c0 + vec(dx, 0, 0)) ** 2).sum(1))
                    - np.sqrt(((s.sp.mic - c0) ** 2).sum(1))
                )
            else:
                path = path - path[HORIZONTAL_0] + dx
            e = np.exp((-2j * np.pi / C) * FREQS_HZ[:, None] * path[None]).astype(np.complex64)
            add[j] = s.T[j] * (e - 1)
        return dict(add=add, how=how, at=fc)

    def hard(self, t, scale):
        """A unit as a piston without any give, enlarged: it beams."""
        s = self.s
        pts, wt, ext = s.disc(dict(t, brk=9.0, cone=0.0), False, 0, scale)
        b = dict(t["body"], f=tuple(x * self.rng.uniform(0.4, 0.8) for x in t["body"]["f"]))
        return s.sp.field(pts, wt, ext) * s.sp.body(t["pos"], t["axis"], b)

    def small(self, t):
        """A unit as one point with nearly nothing around it: wide."""
        u = self.rng.uniform
        b = dict(g=u(0.68, 1.0), p=2, f=(t["body"]["f"][0] * u(1, 5), 3e4, 6e4))
        return self.s.sp.field(t["pos"], np.ones(1)) * self.s.sp.body(t["pos"], t["axis"], b)

    def dirstep(self):
        s, r, u = self.s, self.rng, self.rng.uniform
        sp = s.sp
        target = self.lf(1.5, 5)
        how = str(r.choice(["bigcone", "wide", "handover", "sides", "narrow", "pair"]))
        if how == "handover":
            if not s.xo or s.xo[-1] < 500:
                return None
            f0 = s.xo[-1] * u(1.0, 1.5)
        elif how == "bigcone" and s.xo:
            f0 = s.xo[-1] * u(0.55, 1.0)
        elif how == "wide" and s.xo:
            f0 = s.xo[-1] * u(1.0, 2)
        else:
            f0 = self.lf(600, 8000)
        if not 400 < f0 < 9000:
            return None
        w = s.lead(f0)
        t = s.ways[w][0]
        width = u(0.7, 1.8)
        win = bump(f0, width)
        if r.random() < 0.35:  # saw-tooth: grows slowly, leaves off at once (or the reverse)
            side = (L2 > np.log2(f0)) == (r.random() < 0.7)
            win = np.where(side, bump(f0, width * 0.45), bump(f0, width * 1.3))
        adds = None
        if how == "handover":
            i = len(s.xo) - 1
            k = u(1.3, 2.4) if r.random() < 0.8 else 1 / u(1.5, 2.4)
            lo, hi = split(s.xo[i], s.order[i])
            lo2, hi2 = split(s.xo[i] * k, s.order[i])
            # the lower one is hard up to its rim and beams, the upper one has little front around
            # it and is wide
            tl, th = s.ways[i][0], s.ways[i + 1][0]
            big, wide = s.T[i], s.T[i + 1]
            if k > 1:
                sc = min(max(1.3, u(0.38, 0.6) * C / f0 / tl["a"]), 0.2 / tl["a"])
                g = self.hard(tl, sc)
                big = (s.voice * s.xf[i] * s.norm(g))[:, None] * g
            if k < 1 or r.random() < 0.6:
                g = self.small(th)
                wide = (s.voice * s.xf[i + 1] * s.norm(g))[:, None] * g
            dl = (lo2 / lo)[:, None] * big - s.T[i]
            dh = (hi2 / hi)[:, None] * wide - s.T[i + 1]
            adds = [{i: al * dl, i + 1: al * dh} for al in (0.5, 0.75, 1.0)]
            alphas = [0, 1, 2]
        elif how == "sides":
            wall = str(r.choice(["left", "right", "back", "top"]))
            pts, ax = s.panel(wall, 4, 0.6)
            pts = pts.mean(0) + 0.25 * (pts - pts.mean(0))
            b = s.newbody(1.0)
            d = sp.field(pts, np.full(4, 0.25)) * sp.body(pts.mean(0), ax, b)
            if r.random() < 0.5 and wall in ("left", "right"):
                p2 = pts * vec(1, -1, 1)
                d = d + sp.field(p2, np.full(4, 0.25)) * sp.body(p2.mean(0), ax * vec(1, -1, 1), b)
            d = self.oppose(d * (s.drive(w) * win)[:, None], f0, turn=np.pi / 2)
            pw = (np.abs(d) ** 2 @ WEIGHT[:, 1])[at(f0)]
            d = d * np.sqrt(s.M0[at(f0), 1] / max(pw, 1e-20))
            alphas = [0.5, 0.75, 1.0, 1.4]
            alt = None
        else:
            if how == "bigcone":
                alt = self.hard(
                    t, min(max(u(1.4, 2.2), u(0.4, 0.7) * C / f0 / t["a"]), 0.25 / t["a"])
                )
            elif how == "wide":
                alt = self.small(t)
            elif how == "narrow":
                c = np.maximum(0.5 + 0.5 * sp.cosine(t["pos"], t["axis"]), 0.03) ** u(1.5, 4)
                alt = s.raw[w] * c.astype(np.float32)
            else:
                dd = C / f0 * u(0.45, 0.8) / 2
                o = vec(0, dd, 0) if r.random() < 0.5 else vec(0, 0, dd)
                pts = np.stack([t["pos"] + o, t["pos"] - o * u(0.7, 1)])
                if r.random() < 0.6:  # and a second pair across it
                    o = o[[0, 2, 1]] * u(0.7, 1.1)
                    pts = np.concatenate([pts, np.stack([t["pos"] + o, t["pos"] - o])])
                alt = sp.field(pts, u(0.8, 1.2, len(pts))) * sp.body(
                    t["pos"], t["axis"], t["body"]
                )
            alt = (s.voice * s.xf[w] * s.norm(alt))[:, None] * alt
            d = win[:, None] * (alt - s.T[w])
            alphas = [0.3, 0.5, 0.75, 1.0]
        best = None
        for al in alphas:
            add = adds[al] if adds is not None else {w: al * d}
            add = {j: v.astype(np.complex64) for j, v in add.items()}
            m = metrics(combine(s, [dict(add=add)]))
            comp = -(SM6 @ (db10(m[:, 0]) - db10(s.M0[:, 0]))) * 1.0
            ir = db10(m[:, 1]) - db10(s.M0[:, 1]) + comp
            big = np.abs(ir[BAND]).max()
            if best is None or abs(big - target) < abs(best[0] - target):
                best = (big, add, gain(comp))
        if best[0] < 1.3 or best[0] > 5.6:
            return None
        return dict(add=best[1], gf=best[2], how=how, at=f0)

    def single(self):
        s, r, u = self.s, self.rng, self.rng.uniform
        sp = s.sp
        how = str(r.choice(["round", "edges", "frame", "rim", "lens"]))
        f0 = self.lf(1600, 9000)
        w = s.lead(f0)
        t = s.ways[w][0]
        need = 8.5 * C / (2 * np.pi * f0)  # radius that makes the lobe narrow
        c0 = t["pos"]
        q = self.lf(0.8, 4)
        if how == "round":
            n = 16
            a = max(need * u(1, 1.6), u(0.06, 0.15))
            pts = ring(c0, FRONT, a, n)
            wt, ext = np.full(n, 1 / n), np.full(n, a)
        elif how == "edges":  # two straight edges at the same distance left and right
            a = max(need * u(0.8, 1.3), s.box["w"] / 2)
            z = np.linspace(-0.8, 0.8, 7) * a * u(0.4, 1)
            pts = (
                np.concatenate(
                    [np.stack([np.zeros(7), np.full(7, sg * a), z], 1) for sg in (1, -1)]
                )
                + c0
            )
            ext = np.sqrt(((pts - c0) ** 2).sum(1))
            wt = np.full(14, 1 / 14) * np.where(np.arange(14) < 7, 1, u(0.5, 1))
        elif how == "frame":  # frame of a grille, ahead of the front
            n = 14
            t_ = 2 * np.pi * np.arange(n) / n
            a, bb = need * u(0.9, 1.4), need * u(1, 1.8)
            sx = np.maximum(np.abs(np.cos(t_)), np.abs(np.sin(t_)))
            pts = c0 + np.stack(
                [np.full(n, u(0.008, 0.03)), a * np.cos(t_) / sx, bb * np.sin(t_) / sx], 1
            )
            ext = np.sqrt(((pts - c0) ** 2).sum(1))
            wt = np.full(n, 1 / n)
        elif how == "rim":  # rim of a larger cone or horn mouth around it, two paths
            n = 12
            a = need * u(0.8, 1.2)
            pts = np.concatenate(
                [ring(c0, FRONT, a, n), ring(c0 - vec(0.01, 0, 0), FRONT, a * u(1.2, 1.5), n, 0.3)]
            )
            ext = np.full(2 * n, a)
            wt = np.concatenate([np.full(n, 1 / n), np.full(n, u(-0.6, 0.6) / n)])
        else:  # a phase plug or lens that gathers on the axis: filled disc
            pts = np.concatenate(
                [ring(c0, FRONT, need * k, n) for k, n in ((0.45, 6), (0.9, 10), (1.3, 14))]
            )
            ext = np.zeros(30)
            wt = np.full(30, 1 / 30)
        d = sp.field(pts, wt, ext) * sp.body(c0, FRONT, dict(g=0.6, p=2, f=(1000, 5e4, 9e4)))
        h = bp(f0, q) if r.random() < 0.65 else hp1(f0 * 0.5) * lp1(f0 * 2)
        d = d * (s.drive(w) * h)[:, None]
        col = np.array([HORIZONTAL_0])
        sign = -1 if r.random() < 0.65 else 1
        if r.random() < 0.75:
            d = self.oppose(d, f0, col, turn=(np.pi if sign < 0 else 0.0) + u(-0.6, 0.6))
        else:
            sign = 0
            d = -d
        k, got = self.added(w, d, self.lf(1.6, 5), f0, col, sign=sign, reach=(0, 1.5))
        if got < 1.4:
            return None
        op = dict(add={w: (k * d).astype(np.complex64)}, how=how, at=f0)
        e = self.check(**op)
        i = int(np.argmax(np.abs(np.where(BAND, e[:, 2], 0))))
        if (
            np.abs(e[BAND, 0]).max() > 0.62 * abs(e[i, 2])
            or abs(e[i, 2]) < 1.4
            or abs(e[i, 2]) > 6
        ):
            return None
        return op


DRAWING = {
    "resonance": "resonance",
    "balance": "balance",
    "shallow-dip": "shallow",
    "cancellation": "cancellation",
    "deep-null": "deepnull",
    "crossover-phase": "crossover",
    "directivity-step": "dirstep",
    "single-axis": "single",
}
LOOK = {"directivity-step": 1, "single-axis": 2}


def combine(s, ops):
    total = 0
    for w, t in enumerate(s.T):
        x = t
        f = None
        for op in ops:
            a = op.get("add")
            if a and w in a:
                x = x + a[w]
            g = op.get("wf")
            if g and w in g:
                f = g[w] if f is None else f * g[w]
        if f is not None:
            x = x * np.asarray(f)[:, None].astype(np.complex64)
        total = total + x
    f = None
    for op in ops:
        g = op.get("gf")
        if g is not None:
            f = g if f is None else f * g
    if f is not None:
        total = total * np.asarray(f)[:, None].astype(np.complex64)
    return total


def truths(s, ops):
    full = combine(s, ops)
    m = db10(metrics(full).astype(float))
    out = []
    for k in range(len(ops)):
        out.append(m - db10(metrics(combine(s, ops[:k] + ops[k + 1 :])).astype(float)))
    return full, out


LIMITS = {
    "resonance": (1.2, 7.0),
    "balance": (1.2, 5.0),
    "shallow-dip": (1.2, 5.0),
    "cancellation": (2.5, 17),
    "deep-null": (5.0, 27),
    "crossover-phase": (1.8, 14),
    "directivity-step": (1.3, 6.0),
    "single-axis": (1.3, 6.5),
}


def describe(kind, e):
    x = np.where(
        BAND & (FREQS_HZ > 249) if kind == "balance" else BAND, e[:, LOOK.get(kind, 0)], 0.0
    )
    y = np.abs(x)
    if kind in ("cancellation", "deep-null", "crossover-phase", "shallow-dip"):
        y = np.where(x < 0, y, y * 0.3)
    i = int(np.argmax(y))
    return FREQS_HZ[i], abs(x[i])


def sound(kind, e):
    """Does the defect still look like its kind (in the speaker it is part of)?"""
    hz, big = describe(kind, e)
    lo, hi = LIMITS[kind]
    i = at(hz)
    if not np.isfinite(e).all() or big < lo * 0.85 or big > hi * 1.12:
        return False
    if kind in ("cancellation", "deep-null", "crossover-phase", "shallow-dip") and e[i, 0] > 0:
        return False
    if kind in ("cancellation", "deep-null") and e[i, 3] < 0.72 * e[i, 0]:
        return False
    if kind == "crossover-phase" and e[i, 3] < 0.85 * e[i, 0]:
        return False
    if kind == "directivity-step" and np.abs(e[BAND, 0]).max() > 0.6 * big:
        return False
    if kind == "single-axis" and np.abs(e[BAND, 0]).max() > 0.66 * big:
        return False
    return True


def draw(seed):
    rng = np.random.default_rng([917, seed])
    s = Speaker(rng)
    maker = Defects(s)
    n = int(rng.integers(3, 6))
    names = list(DRAWING)
    pool = np.array([1.15, 1.0, 1.0, 1.0, 1.3, 1.1, 1.2, 1.0])
    if not s.xo:
        pool[5] = 0
    kinds = [names[i] for i in rng.choice(8, n, replace=False, p=pool / pool.sum())]
    if rng.random() < 0.22:  # two of one kind
        kinds[int(rng.integers(n))] = (
            kinds[0]
            if kinds[0]
            in ("resonance", "cancellation", "deep-null", "shallow-dip", "single-axis", "balance")
            else "resonance"
        )
    kinds.sort(key=lambda k: k == "resonance")
    flank = rng.random() < 0.35

    def make(kind, others):
        for _ in range(10):
            if kind == "resonance":
                near = None
                hosts = [
                    o["at"]
                    for k, o in others
                    if k in ("cancellation", "deep-null", "crossover-phase") and "at" in o
                ]
                if flank and hosts:
                    near = float(
                        np.clip(
                            hosts[int(rng.integers(len(hosts)))]
                            * 2 ** (rng.choice([-1, 1]) * rng.uniform(0.12, 0.45)),
                            250,
                            9000,
                        )
                    )
                op = maker.resonance(near)
            else:
                op = getattr(maker, DRAWING[kind])()
            if op is None:
                continue
            e = maker.check(**op)
            hz, big = describe(kind, e)
            lo, hi = LIMITS[kind]
            if (
                not lo <= big <= hi
                or not 210 < hz < 10400
                and kind != "balance"
                or not sound(kind, e)
            ):
                continue
            op["hz"], op["size"] = hz, big
            if any(
                k == kind and abs(np.log2(o["hz"] / hz)) < (1.0 if kind == "balance" else 0.55)
                for k, o in others
            ):
                continue
            return op
        return None

    def attempt(kinds):
        items = []
        for kind in kinds:
            op = make(kind, items)
            if op is not None:
                items.append((kind, op))
        for turn in range(7):
            tries = 0
            while len(items) < 3 and tries < 40:
                kind = str(
                    rng.choice(
                        [
                            "resonance",
                            "shallow-dip",
                            "cancellation",
                            "single-axis",
                            "directivity-step",
                        ]
                    )
                )
                tries += 1
                op = make(kind, items)
                if op is not None:
                    items.append((kind, op))
            full, tr = truths(s, [o for _, o in items])
            bad = []
            for k, (kind, op) in enumerate(items):
                hz = describe(kind, tr[k])[0]
                clash = any(
                    items[j][0] == kind and abs(np.log2(describe(kind, tr[j])[0] / hz)) < 0.4
                    for j in range(k)
                )
                if clash or not sound(kind, tr[k]):
                    bad.append(k)
            if not bad:
                return items, full, tr
            if turn >= 4 and len(items) > 3:
                items = items[: bad[0]] + items[bad[0] + 1 :]
                continue
            # draw the culprit anew, or the one that masks it
            k = (
                bad[int(rng.integers(len(bad)))]
                if rng.random() < 0.7
                else int(rng.integers(len(items)))
            )
            kind = items[k][0]
            items = items[:k] + items[k + 1 :]
            op = make(kind, items)
            if op is not None:
                items = items + [(kind, op)]
        return None

    for turn in range(6):
        got = attempt(kinds)
        if got is not None:
            break
        kinds = [names[i] for i in rng.choice(8, 3, replace=False, p=pool / pool.sum())]
        kinds.sort(key=lambda k: k == "resonance")
    else:  # three that never mask each other much
        items = []
        while len(items) < 3:
            op = make(["resonance", "balance", "shallow-dip"][len(items)], items)
            if op is not None:
                items.append((["resonance", "balance", "shallow-dip"][len(items)], op))
        got = (items,) + truths(s, [o for _, o in items])
    items = got[0]
    order = rng.permutation(len(items))
    items = [items[k] for k in order]
    full, tr = truths(s, [o for _, o in items])
    return rng, s, items, full, tr


def known_speaker(seed):
    rng, s, items, full, truth = draw(seed)
    ppo = int(rng.choice([12, 16, 24, 36, 48]))
    noise = rng.uniform(0, 0.5)
    p = db10((full.real.astype(float) ** 2 + full.imag.astype(float) ** 2))
    f, m = grid(ppo)
    lev = m @ p if ppo == 36 else p[:: PPO // ppo][: len(f)]
    lev = lev + noise * rng.standard_normal(lev.shape)
    known = []
    for (kind, _), change in zip(items, truth):
        known.append(
            KnownDefect(kind, describe(kind, change)[0], change[:, :3].T + 0.0)
        )  # no negative zeros
    healthy = db10(s.M0[:, 0].astype(float))
    return KnownSpeaker(f"simulated {seed}", f, lev, healthy, known)


if __name__ == "__main__":
    run(known_speaker, __doc__, Form(level=2, truth=2))
