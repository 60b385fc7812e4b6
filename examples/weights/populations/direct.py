"""Simulated loudspeakers with known defects, "measured" on two orbits.

A speaker is a set of pistons on a box (direct sound plus its edges as delayed sources),
Linkwitz-Riley crossovers aligned on the axis and a voicing that flattens its listening window. A
defect multiplies a driver (or everything) or adds a place that a driver feeds. Its strength is
searched for a wanted size in the healthy speaker; its truth is the complete speaker minus the
complete speaker without it. Places in metres: x forward, y right, z up; the origin lies on the
axis at the baffle.
"""

import math
import sys
from pathlib import Path
from types import SimpleNamespace

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
from scipy.special import j1

C, TAU = 343.0, 2 * np.pi
BAND = (FREQS_HZ > 248) & (FREQS_HZ < 9100)  # where effects are judged
_c, _s = np.cos(np.radians(ANGLES_DEG)), np.sin(np.radians(ANGLES_DEG))
U = np.vstack([np.column_stack([_c, _s, 0 * _s]), np.column_stack([_c, 0 * _s, _s])])
FRONT = np.array([1.0, 0, 0])
_x = np.linspace(1e-6, 60, 6001)
_J = 2 * j1(_x) / _x
# each kind: wanted size (dB) and where it is judged: 0 listening window, 1 in-room response, 2 on
# the axis
SIZE = {
    "resonance": (1.5, 6, 0),
    "balance": (1.5, 4, 0),
    "shallow-dip": (1.5, 4, 0),
    "cancellation": (3, 15, 0),
    "deep-null": (6, 25, 0),
    "crossover-phase": (2, 12, 0),
    "directivity-step": (1.5, 5, 1),
    "single-axis": (1.5, 5, 2),
}
DIPS = ("shallow-dip", "cancellation", "deep-null", "crossover-phase")


W = np.column_stack(average_weights(sound_power="belts").judged()[:2]).astype(np.float32)
LW = np.flatnonzero(W[:, 0])  # the nine columns of the listening window
db = lambda p: 10 * np.log10(np.maximum(p, 1e-12))
power = lambda p: p.real**2 + p.imag**2
piston = lambda x: np.interp(x, _x, _J, right=0.0).astype(np.float32)
loguni = lambda rng, lo, hi: float(lo * (hi / lo) ** rng.random())
hump = lambda g, f0, octaves: np.exp(-0.5 * (np.log2(g.f / f0) / octaves) ** 2)[:, None].astype(
    np.float32
)
lowpass = lambda g, f0, knee: ((1 + (f0 / knee) ** 2) / (1 + (g.f / knee) ** 2))[:, None].astype(
    np.float32
)


def expj(x):
    out = np.empty(x.shape, np.complex64)
    out.real, out.imag = np.cos(x), np.sin(x)
    return out


def bp(g, f0, q):
    """A resonator, 1 at f0: one frequency and one Q wherever it is heard."""
    s = 1j * g.f / f0
    return ((s / q) / (s * s + s / q + 1))[:, None].astype(np.complex64)


def shelf(g, f0, gain):
    """First-order step from 1 below f0 to gain (dB) above it."""
    a, s = 10 ** (gain / 40), 1j * g.f / f0
    return ((1 + s * a) / (1 + s / a))[:, None].astype(np.complex64)


def ring(pos, r, n, extra=0.0, turn=0.0, tall=1.0):
    """Points round a place: [(position, extra path, weight)]."""
    return [
        (pos + np.array([0, r * np.cos(x), r * tall * np.sin(x)]), extra, 1 / n)
        for x in turn + TAU * np.arange(n) / n
    ]


def driver(a, sat, throat=0.0):
    """A piston whose radiating radius shrinks above ka = sat (break-up of a cone, a waveguide),
    down to a throat."""
    return SimpleNamespace(a=float(a), sat=sat, throat=throat, pos=np.zeros(3), comp=0.0)


class Grid:
    """The healthy speaker at some frequencies and columns: the fields of its drivers, what
    drives them, the sum."""

    def __init__(self, f, cols, fields, drive):
        self.f, self.cols, self.fields, self.drive = f, cols, fields, drive
        self.k = (TAU * f / C).astype(np.float32)[:, None]
        self.u, self.w, self.axis = (
            U[cols].astype(np.float32),
            W[cols],
            int(np.flatnonzero(cols == HORIZONTAL_0)[0]),
        )
        self.ref = self.views(sum(fields))

    def sub(self, step, cols):
        return Grid(
            self.f[::step],
            cols,
            [h[::step, cols] for h in self.fields],
            [d[::step] for d in self.drive],
        )

    def views(self, p):
        """Levels of window, in-room response and axis."""
        p = power(p)
        return db(np.column_stack([p @ self.w, p[:, self.axis]]).astype(float))

    def total(self, defects, made=()):
        effects = [e for d in defects for e in d.effects(self)] + list(made)
        those = lambda i, op: (x for j, o, x in effects if j == i and o == op)
        each = (
            math.prod(those(i, "mul"), start=sum(those(i, "add"), h))
            for i, h in enumerate(self.fields)
        )
        return math.prod(those(-1, "mul"), start=sum(each))


class Defect:
    """unit(grid) is computed once a grid; mix(strength, unit, grid) gives [(driver or -1 for
    all, "add" or "mul", array)]."""

    def __init__(self, f0, unit, mix, hi):
        self.f0, self.unit, self.mix, self.hi, self.s, self.cache = f0, unit, mix, hi, 0.0, {}

    def effects(self, g):
        if g not in self.cache:
            self.cache[g] = self.unit(g)
        return self.mix(self.s, self.cache[g], g)


plus = lambda f0, i, unit, hi: Defect(
    f0, unit, lambda s, u, g: [(i, "add", np.float32(s) * u)], hi
)
times = lambda f0, i, unit, hi, sign=1: Defect(
    f0, unit, lambda s, u, g: [(i, "mul", 1 + np.float32(sign * s) * u)], hi
)


class Speaker:
    def __init__(self, rng, min_ways):
        self.rng, self.hint, ways = (
            rng,
            0.0,
            max(min_ways, int(rng.choice([1, 2, 3], p=[0.1, 0.52, 0.38]))),
        )
        aw, at = loguni(rng, *[(0.03, 0.065), (0.03, 0.16), (0.055, 0.16)][ways - 1]), rng.uniform(
            0.009, 0.02
        )
        coax, guide = [(True, False), (False, True), (False, False)][
            rng.choice(3, p=[0.12, 0.3, 0.58])
        ]
        self.drivers = [
            driver(aw, rng.uniform(3.5, 6), rng.uniform(0.008, 0.014) if ways == 1 else 0.0)
        ]
        if ways == 3:
            self.drivers.append(
                driver(np.clip(aw * rng.uniform(0.32, 0.6), 0.03, 0.085), rng.uniform(3.5, 6))
            )
        if ways > 1:  # dome, waveguide or a dome in the cone of the next way
            mouth, hold = (
                rng.uniform(0.045, 0.085) if guide else 0.6 * aw / (ways - 1)
            ), 2.2 / np.sin(rng.uniform(0.56, 1.0))
            self.drivers.append(driver(mouth, hold, at) if guide or coax else driver(at, 8.0))
        fx = (
            C * rng.uniform(1, 3) / (TAU * self.drivers[-2 * (ways > 1)].a)
        )  # crossing high: uneven angles in good health
        fx = float(np.clip(fx, rng.uniform(900, 1400) if guide else rng.uniform(1300, 2300), 4500))
        self.fx = [min(loguni(rng, 180, 800), 1.6 * C / (TAU * aw), fx / 3.5), fx][
            [2, 1, 0][ways - 1] :
        ]
        self.order = int(rng.choice([2, 4])) if ways == 2 else 4
        self.vented, self.corner, self.qb = (
            rng.random() < 0.55,
            loguni(rng, 30, 120 if aw < 0.09 else 60),
            rng.uniform(0.6, 0.8),
        )
        # the box and the places on it: a column of drivers, the tweeter in the middle or off to a
        # side
        self.w, self.d, z = 2 * aw * rng.uniform(1.12, 1.7), 2 * aw * rng.uniform(1.0, 2.6), 0.0
        for up, low in zip(self.drivers[::-1], self.drivers[-2::-1]):
            z -= (
                0.0
                if coax and up is self.drivers[-1]
                else (up.a + low.a) * rng.uniform(1.08, 1.35)
            )
            low.pos = np.array([0.0, 0.0, z])
        if ways > 1 and not coax:
            side = rng.choice([0, 0, 0, -1, 1]) * rng.uniform(0.1, 0.28) * self.w
            self.drivers[-1].pos = np.array([-rng.uniform(0, 0.02) * (not guide), side, 0.0])
        self.h = (
            -z
            + 2 * aw * rng.uniform(1.1, 1.8)
            + (rng.uniform(0.2, 0.6) if rng.random() < 0.3 else 0)
        )
        lift = rng.choice([0, 0, -z / 2, -z / 3]) + rng.normal(0, 0.01)
        self.top = self.drivers[-1].a + rng.uniform(0.02, 0.08) + lift
        self.R = 60.0 if rng.random() < 0.4 else rng.uniform(1.5, 4) + self.h
        for d in self.drivers:
            d.pos = d.pos + [0, 0, lift]
            d.comp = float(np.linalg.norm(self.R * FRONT - d.pos) - self.R)
        self.soft, self.rays, self.slope, self.voice = *rng.uniform(
            [0.3, 0, -0.17], [0.9, 0.7, 0.05]
        ), np.zeros(480)
        # its nature: a slope and ripple (octave, width, dB) at all angles; then the voicing, which
        # leaves some of the rest
        spread, n = rng.uniform(0.1, 0.4), (12, 1)
        self.ripple = rng.uniform(1, 9.5, n), rng.uniform(0.05, 0.4, n), rng.normal(0, spread, n)
        err = (raw := self.grid(FREQS_HZ)).ref[:, 0] - self.target(FREQS_HZ)
        kern = np.exp(-0.5 * (np.arange(-60, 61) / (48 * rng.uniform(0.12, 0.3))) ** 2)
        rest = err - np.convolve(np.pad(err, 60, mode="edge"), kern / kern.sum(), "valid")
        self.voice = rest * min(1, 0.6 / np.abs(rest[100:]).max()) - err
        gain = (10 ** (self.voice / 20)).astype(np.float32)
        self.T = Grid(
            FREQS_HZ,
            raw.cols,
            [h * gain[:, None] for h in raw.fields],
            [d * gain for d in raw.drive],
        )
        self.L, self.A = self.T.sub(2, LW), self.T.sub(4, raw.cols)

    def target(self, f):
        o, (at, wide, high) = np.log2(f / 20), self.ripple
        ripple = (high * np.exp(-0.5 * ((o - at) / wide) ** 2)).sum(axis=0)
        return (
            85
            + 20 * np.log10(np.abs(self.highpass(f)))
            + self.slope * (o - 6)
            + np.clip(ripple, -0.45, 0.45)
        )

    def highpass(self, f):
        s = 1j * f / self.corner
        closed = s * s / (s * s + s / self.qb + 1)
        return (
            s**4 / ((s * s + 0.765 * s + 1) * (s * s + 1.848 * s + 1)) if self.vented else closed
        )

    def filters(self, f):
        """Linkwitz-Riley branches that sum to an all-pass; the corner of the box is on all of
        them."""

        def pair(fx):
            s = 1j * f / fx
            n = 1 + s if self.order == 2 else s * s + np.sqrt(2) * s + 1
            return 1 / n**2, (-s * s if self.order == 2 else s**4) / n**2

        out, rest = [], self.highpass(f)
        for j, fx in enumerate(self.fx):
            out.append(
                math.prod((sum(pair(x)) for x in self.fx[j + 1 :]), start=rest * pair(fx)[0])
            )
            rest = rest * pair(fx)[1]
        return out + [rest]

    def path(self, pos, cols):
        """Directions, paths beyond the reference distance and gains from a place to the
        microphones."""
        v = self.R * U[cols] - pos
        r = np.linalg.norm(v, axis=1)
        return v / r[:, None], (r - self.R).astype(np.float32), (self.R / r).astype(np.float32)

    def grid(self, f):
        """Direct sound of each piston, fading into the rear, and the edges: minus half of it in
        front, plus half behind."""
        k, cols, fields = (TAU * f / C).astype(np.float32)[:, None], np.arange(72), []
        gain = 10 ** (np.interp(np.log(f), np.log(FREQS_HZ), self.voice) / 20)
        drive = [(h * gain).astype(np.complex64) for h in self.filters(f)]
        round_off = self.soft + (1 - self.soft) / (1 + (k * self.w / 3) ** 2)
        for d, h in zip(self.drivers, drive):
            v, path, near = self.path(d.pos, cols)
            cos = v[:, 0].astype(np.float32)
            sin = np.where(cos > 0, np.sqrt(np.maximum(0, 1 - cos**2)), 1)
            ka = k * np.hypot(d.a / np.sqrt(1 + (k * d.a / d.sat) ** 2), d.throat)
            front, edge = (1 / (1 + np.exp(-4 * cos))).astype(np.float32), 0
            for t in self.rays + np.arange(8) * TAU / 8:
                way = np.array([0, np.cos(t), np.sin(t)])
                border = [
                    np.sign(way[1]) * self.w / 2,
                    self.top if way[2] > 0 else self.top - self.h,
                ]
                reach = min(
                    (b - p) / e for b, p, e in zip(border, d.pos[1:], way[1:]) if abs(e) > 1e-3
                )
                _, p, n = self.path(d.pos + max(reach, d.a) * way, cols)
                edge = edge + n / 8 * expj(-k * (p + np.float32(max(reach, d.a) - d.comp)))
            edge = edge * (np.maximum(np.abs(piston(ka)), 0.3) * round_off)
            direct = near * piston(ka * sin) * expj(-k * (path - np.float32(d.comp)))
            fields.append(h[:, None] * (front * direct + (np.float32(0.5) - front) * edge))
        return Grid(f, cols, fields, drive)

    def pick(self, lo, hi):
        """A frequency; beside another defect when that is wanted and possible."""
        return (
            self.hint
            if max(lo, 250) < self.hint < hi
            else loguni(self.rng, max(lo, 250), max(min(hi, 9000), 260))
        )

    def dominant(self, f):
        return int(np.argmax([abs(d[np.searchsorted(FREQS_HZ, f) - 1]) for d in self.T.drive]))

    def second(self, g, i, pts, nrm, size, tau=0.0):
        """Field of places [(position, extra path, weight)] that driver i feeds; in shadow
        behind nrm where kr > 1."""
        t, out = 0.95 * (g.k * size) ** 2 / (1 + (g.k * size) ** 2), 0
        for pos, extra, q in pts:
            v, path, near = self.path(np.asarray(pos, float), g.cols)
            cos = (v @ nrm).astype(np.float32)
            path = (
                path
                + np.float32(extra + tau * C - self.drivers[i].comp)
                + np.float32(size) * np.maximum(0, -cos)
            )
            out = out + (np.float32(q) * near * (1 + t * cos)) * expj(-g.k * path)
        return out * g.drive[i][:, None]

    def aimed(self, f0, i, pts, nrm, size, phase, late=0):
        """unit(grid) of a second place, delayed so that it meets the whole at f0 on the axis in
        that phase, as loud as it."""
        n = int(np.argmin(np.abs(self.L.f - f0)))
        x, whole = (
            self.second(self.L, i, pts, nrm, size)[n, self.L.axis],
            self.L.total([])[n, self.L.axis],
        )
        tau = ((np.angle(x) - np.angle(whole) - phase) / TAU % 1 + late) / self.L.f[n]
        gain = np.float32(abs(whole) / max(abs(x), 1e-9))
        return lambda g: gain * self.second(g, i, pts, nrm, size, tau)

    def place(self, spot):
        """A place on the box and where it looks."""
        low, s, z = (
            self.top - self.h,
            self.rng.choice([-1.0, 1.0]),
            self.top - self.h * self.rng.uniform(0.5, 0.9),
        )
        return {
            "back": ([-self.d, s * self.rng.uniform(0, 0.3) * self.w, z], -FRONT),
            "corner": ([0, s * 0.38 * self.w, low + 0.1 * self.h], FRONT),
            "below": ([-self.d * self.rng.uniform(0.1, 0.7), 0, low], np.array([0, 0, -1.0])),
            "top": ([-self.d * self.rng.uniform(0.2, 0.6), 0, self.top], np.array([0, 0, 1.0])),
            "side": (
                [-self.d * self.rng.uniform(0.3, 0.8), s * self.w / 2, z],
                np.array([0, s, 0]),
            ),
        }[spot]


# The kinds: each gives a Defect whose strength is still open.
def resonance(rng, sp):
    q, dip = loguni(rng, 1.5, 12), rng.random() < 0.1
    way = rng.choice(["all", "driver", "place", "cap"], p=[0.22, 0.36, 0.24, 0.18])
    if way == "driver" and sp.fx:  # of one driver only, often where the next one is nearly as loud
        j = int(rng.integers(len(sp.fx)))
        f0 = float(np.clip(sp.fx[j] * 2 ** rng.uniform(-0.8, 0.8), 250, 9000))
        j += int(rng.random() < (0.3 if f0 < sp.fx[j] else 0.7))
        return times(
            f0, j, lambda g: bp(g, f0, max(q, 4 * dip)), 1.1 if dip else 4.0, -1 if dip else 1
        )
    if way in ("place", "cap"):
        i, toward = (
            int(rng.integers(len(sp.drivers))),
            [(0, 1, 0), (0, -1, 0), (0, 0, -1), (-1, 0, 0)][rng.integers(4)],
        )
        size, ka = sp.drivers[i].a, C / (TAU * sp.drivers[i].a)
        f0, pos, nrm = (
            sp.pick(0.7 * ka, min(3.0 * ka, 1.4 * (sp.fx + [9000])[i])),
            sp.drivers[i].pos,
            FRONT,
        )
        if way == "place":  # wall, pipe or frame close by in wavelengths: only its level differs
            f0, size = sp.pick(250, 1400), 0.5 * sp.w
            i, nrm = sp.dominant(f0), np.array(toward, float) if rng.random() < 0.6 else FRONT
            pos = sp.drivers[i].pos + np.array(toward) * rng.uniform(0.35, 0.9) * C / (TAU * f0)
        x = sp.aimed(
            f0, i, [(pos, 0, 1)], nrm, size, rng.uniform(-0.3, 0.3)
        )  # cap: a small part of the cone radiates wider
        return plus(f0, i, lambda g: bp(g, f0, q) * x(g), 2.0)
    f0 = sp.pick(250, 9000)
    return times(
        f0, -1, lambda g: bp(g, f0, max(q, 4 * dip)), 0.8 if dip else 1.4, -1 if dip else 1
    )


def balance(rng, sp):
    sign, way = rng.choice([-1, 1]), rng.choice(["shelf", "step", "tilt", "bump", "level"])
    f0, wide = loguni(rng, 350, 6000), rng.uniform(0.6, 1.3)
    if way == "level" and sp.fx:  # one way padded wrongly
        j = int(rng.integers(len(sp.fx)))
        ids = range(j + 1, len(sp.drivers)) if rng.random() < 0.7 else range(j + 1)
        return Defect(
            sp.fx[j],
            lambda g: 0,
            lambda s, u, g: [(i, "mul", np.float32(10 ** (sign * s / 20))) for i in ids],
            8.0,
        )
    if way in ("tilt", "bump"):
        shape = (
            (lambda g: hump(g, f0, wide))
            if way == "bump"
            else (lambda g: np.tanh(np.log2(g.f / f0) / (2.5 * wide))[:, None])
        )
        return Defect(
            f0,
            shape,
            lambda s, u, g: [(-1, "mul", (10 ** (sign * s * u / 20)).astype(np.float32))],
            8.0,
        )
    low = way == "step"  # the baffle step mended too much or too little, or a plain shelf
    f0, level = C / (np.pi * sp.w) * rng.uniform(0.7, 1.4) if low else f0, -low * sign / 20
    return Defect(
        f0,
        lambda g: 0,
        lambda s, u, g: [(-1, "mul", shelf(g, f0, sign * s) * np.float32(10 ** (level * s)))],
        8.0,
    )


def shallow_dip(rng, sp):
    q, way, f0 = (
        loguni(rng, 0.5, 2.5),
        rng.choice(["all", "driver", "twofold", "droop"]),
        sp.pick(250, 9000),
    )
    i = sp.dominant(f0) if way == "driver" else -1
    if way == "droop" and sp.fx:  # a way falls early, the next one takes over at full level
        j = int(rng.integers(len(sp.fx)))
        f0 = max(250.0, sp.fx[j] * 2 ** -rng.uniform(0.5, 1.2))
        return Defect(f0, lambda g: 0, lambda s, u, g: [(j, "mul", shelf(g, f0, -s))], 14.0)
    f1, q1 = f0 * 2 ** (rng.choice([-1, 1]) * rng.uniform(0.5, 0.9)), loguni(rng, 0.8, 2.5)
    part = rng.uniform(0.3, 0.8) * (
        way == "twofold"
    )  # a second soft loss beside the first: a lopsided trough
    unit = lambda g: (bp(g, f0, q), np.float32(part) * bp(g, f1, q1))
    return Defect(
        f0,
        unit,
        lambda s, u, g: [
            (i, "mul", 1 / ((1 + np.float32(s) * u[0]) * (1 + np.float32(s) * u[1])))
        ],
        1.5,
    )


def cancellation(rng, sp):
    q, way = loguni(rng, 0.8, 6), rng.choice(
        ["port", "panel", "cone", "line"], p=[0.3, 0.2, 0.3, 0.2]
    )
    phase, late = np.pi + rng.uniform(-0.6, 0.6), 0
    if way == "cone":  # the rim of the cone moves against its middle
        i = int(rng.integers(len(sp.drivers)))
        size = max(sp.drivers[i].a, 0.02)
        f0 = sp.pick(
            1.1 * C / (TAU * size), min(3.5 * C / (TAU * size), 1.2 * (sp.fx + [8000])[i])
        )
        pts, nrm = ring(sp.drivers[i].pos, rng.uniform(0.8, 1.1) * size, 8), FRONT
    elif way == "panel":  # a wall, both walls or the lid
        (pos, nrm), size, f0 = (
            sp.place(rng.choice(["side", "side", "top"])),
            0.4 * sp.w,
            sp.pick(250, 900),
        )
        pts = [(pos, 0, 0.5), ([pos[0], rng.choice([-1, 1]) * pos[1], pos[2]], 0, 0.5)]
        nrm = nrm if pts[0][0][1] == pts[1][0][1] else -FRONT
    else:  # a mode of the port, or the far end of a damped duct bound to no mode
        (pos, nrm), size = sp.place(rng.choice(["back", "back", "below", "corner"])), rng.uniform(
            0.03, 0.12
        )
        pts, late, f0 = (
            [(pos, 0, 1)],
            int(rng.integers(2)) if way == "line" else 0,
            sp.pick(300, 1500),
        )
    i, knee = i if way == "cone" else sp.dominant(f0), f0 * rng.uniform(0.6, 1.3)
    x = sp.aimed(f0, i, pts, nrm, size, phase, late)
    return plus(
        f0, i, lambda g: (lowpass(g, f0, knee) if way == "line" else bp(g, f0, q)) * x(g), 1.05
    )


def deep_null(rng, sp):
    way, s, late = (
        rng.choice(["mirror", "twin", "mouth", "stub", "stub"]),
        rng.choice([-1, 1]),
        int(rng.choice([0, 0, 1, 2])),
    )
    f0 = {"mirror": sp.pick(300, 4000), "mouth": sp.pick(700, 9000)}.get(way) or sp.pick(400, 6000)
    i, lam, q, t = sp.dominant(f0), C / f0, loguni(rng, 3, 14), rng.uniform(0, TAU)
    p = sp.drivers[i].pos
    if way == "mirror":  # a board, bracket or wall close by, behind, below or beside: an image
        shift = [
            [(late + 0.5) * lam, 0, 0],
            [0.05, 0, s * rng.uniform(0.3, 1) * lam],
            [0, s * rng.uniform(0.3, 1) * lam, 0],
        ]
        shift = np.array(shift[rng.integers(3)], np.float32)
        own, knee = np.float32((late + 0.5) * lam - shift[0]), f0 * rng.uniform(0.8, 2.5)
        return times(
            f0, -1, lambda g: lowpass(g, f0, knee) * expj(-g.k * (g.u @ shift + own)), 1.0
        )
    if way == "mouth":  # the mouth or rim round the driver sends part of the wave back late
        r = rng.uniform(0.15, 0.55) * lam
        x = sp.aimed(f0, i, ring(p, r, 8, r, 0.2, rng.uniform(0.6, 1.2)), FRONT, r, np.pi, late)
    elif way == "twin":  # a second driver of the same band, aside and set back
        pos = p + lam * np.array(
            [-rng.uniform(0.25, 0.75), s * rng.uniform(0, 0.6), -rng.uniform(0.1, 0.6)]
        )
        x = sp.aimed(f0, i, [(pos, 0, 1)], FRONT, 0.05, np.pi)
    else:  # a tuned slot beside the driver: deep and narrow
        x = sp.aimed(f0, i, ring(p, rng.uniform(0.25, 0.9) * lam, 1, 0, t), FRONT, 0.03, np.pi)
    return plus(
        f0, i, lambda g: (bp(g, f0, q) if way == "stub" else lowpass(g, f0, 1.5 * f0)) * x(g), 1.0
    )


def crossover_phase(rng, sp):
    ok = [j for j, f in enumerate(sp.fx) if 250 <= f <= 9000]
    j, sign, way = (
        int(rng.choice(ok)),
        rng.choice([-1, 1]),
        rng.choice(["delay", "polarity", "allpass", "depth"]),
    )
    f0, ids = sp.fx[j], range(j + 1, len(sp.drivers)) if rng.random() < 0.6 else range(j + 1)
    shape = {
        "delay": lambda s, u, g: expj(-np.float32(sign * s) * u),
        "polarity": lambda s, u, g: -expj(-np.float32(sign * (1 - s)) * u),
        "allpass": lambda s, u, g: expj(
            -2 * np.arctan(u / np.pi * np.float32(np.tan(np.pi * s / 2)))
        ),
        "depth": lambda s, u, g: expj(-np.float32(sign * s) * u * g.u[:, 0]),
    }[way]
    unit = lambda g: (np.pi * g.f / f0)[:, None].astype(np.float32)
    return Defect(f0, unit, lambda s, u, g: [(i, "mul", shape(s, u, g)) for i in ids], 0.98)


def directivity_step(rng, sp):
    way = str(
        rng.choice(
            ["beam", "beam", "beam", "wide"] * bool(sp.fx)
            + ["pair", "pair", "pair", "rear", "slot"]
        )
    )
    sign, wide = rng.choice([-1, 1]), rng.uniform(0.35, 0.9)
    if way in ("beam", "wide"):  # a way narrows towards its end, or the next begins wider
        j = int(rng.integers(len(sp.fx)))
        f0, i = sp.fx[j], j + (way == "wide")
        unit = {
            "beam": lambda g: -np.minimum(1.5, (g.f / f0) ** 2)[:, None]
            * np.where(g.u[:, 0] > 0, 1 - g.u[:, 0] ** 2, 1),
            "wide": lambda g: np.minimum(1.5, (f0 / g.f) ** 1.5)[:, None]
            * np.minimum(1 - g.u[:, 0], 1.1),
        }[way]
    elif way == "slot":  # side slots or a flare hold or spill the beam in one plane or both
        f0, i, plane = (
            sp.pick(500, 7000),
            -1,
            np.array([[0, 1, 0.3], [0, 1, 1], [0, 0.3, 1]][rng.integers(3)]),
        )
        unit = (
            lambda g: sign * hump(g, f0, wide) * (g.u**2 @ plane + 0.4 * np.maximum(0, -g.u[:, 0]))
        )
    else:  # two of a way stacked too far apart, or a rear unit that plays along
        f0, turn = sp.pick(500, 6000), rng.uniform(0, TAU)
        i, gap, line = (
            sp.dominant(f0),
            rng.uniform(0.7, 1.3) * C / f0,
            2 if rng.random() < 0.75 else 1,
        )
        x = sp.aimed(f0, i, [([-sp.d, 0, sp.drivers[i].pos[2]], 0, 1)], -FRONT, 0.5 * sp.w, turn)
        unit = {
            "rear": lambda g: hump(g, f0, wide) * x(g) * np.float32(0.2),
            "pair": lambda g: hump(g, f0, wide)
            * np.log(np.maximum(np.abs(np.cos(g.k * gap * g.u[:, line] / 2)), 0.05)),
        }[way]

    def mix(s, u, g):  # whatever it is, the designer has flattened the window again
        made = (
            [(i, "add", np.float32(s) * u)]
            if way == "rear"
            else [(i, "mul", np.exp(np.float32(s) * u.astype(np.float32)))]
        )
        voiced = 10 ** (0.92 * (g.ref[:, 0] - g.views(g.total([], made))[:, 0]) / 20)
        return made + [(-1, "mul", voiced[:, None].astype(np.float32))]

    return Defect(f0, unit, mix, 5.0 if way == "rear" else 2.5)


def single_axis(rng, sp):
    way, sign, wide = (
        rng.choice(["disc", "frame", "square", "focus"]),
        rng.choice([-1, 1]),
        rng.uniform(0.2, 0.7),
    )
    if way == "focus":  # a plug or cap focuses on, or splits, the very axis
        f0, off = sp.pick(1500, 9000), np.arccos(np.clip(U @ FRONT, -1, 1)) / np.radians(
            rng.uniform(5, 10)
        )
        return times(
            f0,
            -1,
            lambda g: hump(g, f0, wide) * np.exp(-off[g.cols] ** 2).astype(np.float32),
            0.9,
            sign,
        )
    reach = max(0.5 * sp.w, 0.09) * rng.uniform(0.8, 1.5)
    f0, turn = sp.pick(max(700, rng.uniform(8, 15) * C / (TAU * reach)), 9000), rng.uniform(0, 1.5)
    i = sp.dominant(f0)
    pts = {
        "disc": ring(
            sp.drivers[i].pos, reach, 14, reach
        ),  # round front, grille frame, four straight edges
        "frame": ring(sp.drivers[i].pos, reach, 10, 0.9 * reach, turn, rng.uniform(0.85, 1.3)),
        "square": ring(sp.drivers[i].pos, reach, 4, reach, turn),
    }[way]
    x = sp.aimed(f0, i, pts, FRONT, 0.03, 0.0 if sign > 0 else np.pi)
    return plus(f0, i, lambda g: hump(g, f0, wide) * x(g), 0.9)


MAKE = dict(
    zip(
        SIZE,
        (
            resonance,
            balance,
            shallow_dip,
            cancellation,
            deep_null,
            crossover_phase,
            directivity_step,
            single_axis,
        ),
    )
)


def fit(rng, sp, kind, others):
    """One defect of a kind, brought to its size in the healthy speaker; None where this draw
    cannot be."""
    lo, hi, col = SIZE[kind]
    sp.hint = (
        others[rng.integers(len(others))].f0 * 2 ** rng.uniform(-0.5, 0.5)
        if others and rng.random() < 0.3
        else 0.0
    )
    beside = [d for d in others if {d.kind, kind} == {"shallow-dip", "deep-null"}]
    if beside and rng.random() < 0.5:  # the wide and shallow next to the deep and narrow
        sp.hint = beside[0].f0 * 2 ** (rng.choice([-1, 1]) * rng.uniform(0.35, 1.0))
    d = MAKE[kind](rng, sp)
    if (
        d is None
        or not 248 <= d.f0 <= 9050
        or any(o.kind == kind and abs(np.log2(o.f0 / d.f0)) < 0.7 for o in others)
    ):
        return None
    g, d.kind, d.down = sp.A if col == 1 else sp.L, kind, kind in DIPS
    band = (g.f > 248) & (g.f < 9100)

    def size(s):
        d.s = s
        diff = (g.views(g.total([d])) - g.ref)[band, col]
        return -diff.min() if d.down else diff.max() if kind == "resonance" else np.abs(diff).max()

    if kind == "resonance":  # is it the rare dip?
        up, d.down = size(0.3), True
        d.down = bool(size(0.3) > 1.2 * up)
    a, b, top = 0.0, d.hi, size(d.hi)
    want = (
        lo
        * 1.05
        * (0.9 * hi / lo)
        ** (rng.random() ** (1.6 if kind in ("cancellation", "deep-null") else 1.0))
    )
    for _ in range(8 if top > want else 0):
        d.s = (a + b) / 2
        a, b = (d.s, b) if size(d.s) < want else (a, d.s)
    return d if top > lo * 1.05 else None


def good(d, eff):
    """Is its effect in the complete speaker (480 x 3) still what its kind says?"""
    (lo, hi, col), (win, room, axis) = SIZE[d.kind], np.abs(eff[BAND]).max(axis=0)
    big = eff[BAND, col][np.argmax(np.abs(eff[BAND, col]))]
    wrong = (d.down and big > 0) or (d.kind == "resonance" and not d.down and big < 0)
    same, up = (
        -eff[BAND, 1].min() / win,
        eff[BAND, 1].max(),
    )  # the room dips as the window does, or rises
    wrong = wrong or {
        "balance": abs(win - room) > 1,
        "resonance": not 0.6 < room / win < 1.5,
        "cancellation": same > 0.8 or up > 5,
        "deep-null": same > 0.85,
        "single-axis": win > 0.6 * axis,
        "directivity-step": win > 0.5 * room,
    }.get(d.kind, False)
    return max(1.1, 0.8 * lo) < abs(big) < 1.2 * hi and not wrong


def draw(seed):
    """Two speakers share a shuffled deck of the eight kinds, so that no kind is rare; one kind
    may be dropped or added."""
    rng, deck = np.random.default_rng([seed, 1]), np.random.default_rng(
        [seed // 2, 77]
    ).permutation(list(SIZE))
    wanted, n, defects = [str(k) for k in deck[seed % 2 * 4 :][:4]], int(rng.integers(3, 6)), []
    wanted = (
        wanted[4 - n :]
        if n < 5
        else wanted + [str(rng.choice([k for k in SIZE if k != "crossover-phase"]))]
    )
    sp = Speaker(rng, 2 if "crossover-phase" in wanted else 1)
    for attempt in range(14):
        for kind in list(wanted):
            d = next(filter(None, (fit(rng, sp, kind, defects) for _ in range(14))), None)
            if d is not None:
                defects.append(d)
                wanted.remove(kind)
        full = sp.T.views(sp.T.total(defects))
        effects = [
            full - sp.T.views(sp.T.total([o for o in defects if o is not d])) for d in defects
        ]
        bad = [d for d, e in zip(defects, effects) if not good(d, e)][
            : 9 if attempt < 1 else 1
        ]  # to be drawn anew
        if not bad and (not wanted or (attempt > 8 and len(defects) >= 3)):
            return sp, defects, effects
        defects, wanted = [d for d in defects if d not in bad], wanted + [d.kind for d in bad]
        if attempt > 4 and wanted:  # this kind does not fit this speaker: another one
            wanted[-1] = str(
                rng.choice(
                    [k for k in SIZE if k not in ("cancellation", "crossover-phase", "balance")]
                )
            )


def known_speaker(seed):
    sp, defects, effects = next(filter(None, (draw(seed + 2000006 * n) for n in range(99))))
    rng = np.random.default_rng([seed, 2])
    ppo = int(rng.choice([12, 16, 24, 36, 48]))
    f, step = (20 * 2 ** (np.arange(359) / 36), 1) if ppo == 36 else (FREQS_HZ, 48 // ppo)
    p = (sp.grid(f) if ppo == 36 else sp.T).total(defects)[::step]
    levels_db = db(power(p)) + rng.normal(0, 1, p.shape) * rng.uniform(0, 0.5)
    known = []
    for d, effect in zip(defects, effects):
        peak = int(np.argmax(np.where(BAND, np.abs(effect[:, SIZE[d.kind][2]]), 0)))
        known.append(KnownDefect(d.kind, FREQS_HZ[peak], effect.T))
    return KnownSpeaker(f"simulated {seed}", f[::step], levels_db, sp.T.ref[:, 0], known)


if __name__ == "__main__":
    run(known_speaker, __doc__, Form(level=2, truth=3, blank_line=True))
