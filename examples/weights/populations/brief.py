"""Simulated loudspeakers with known defects, measured without a room on two orbits.

A speaker is a handful of drivers on a box. Every driver j has an acoustic crossover target C_j(f)
and a field P_j(direction, f) (piston or waveguide, direct sound plus sources along the box edges),
in phase with its neighbours on the axis and level in the listening window. A defect may do two
things only: multiply the drive of each driver (gain), or add to the field of a driver (extra). The
sound of any subset of the defects is one sum, so the truth of each is a difference of two such
sums.
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

C = 344.0
# kind: size aimed at (dB), what is accepted in the complete speaker, the curve that judges (0
# window, 1 in room, 2 on axis)
TABLE = {
    "resonance": (1.6, 5.8, 1.2, 7, 0),
    "balance": (1.6, 3.9, 1.2, 4.6, 0),
    "shallow-dip": (1.6, 3.9, 1.2, 4.6, 0),
    "cancellation": (3.2, 14, 2.7, 15, 0),
    "deep-null": (6.5, 22, 5.5, 25, 0),
    "crossover-phase": (2.3, 11.5, 1.9, 12.5, 0),
    "directivity-step": (1.6, 4.8, 1.4, 5.2, 1),
    "single-axis": (1.7, 4.8, 1.4, 5.2, 2),
}
NULLS = ("cancellation", "deep-null", "crossover-phase")
DIPS = ("shallow-dip",) + NULLS
# ---------------------------------------- directions and averages
_a, _0 = np.radians(ANGLES_DEG), np.zeros(36)
DIR = np.concatenate(
    [np.stack([np.sin(_a), _0, np.cos(_a)], 1), np.stack([_0, np.sin(_a), np.cos(_a)], 1)]
)
COS = DIR[:, 2]
SIN = np.sqrt(np.maximum(0, 1 - COS**2))
FLAT, FLAT_OF = np.unique(
    np.round(DIR[:, 0] + 1e3 * DIR[:, 1], 6), return_index=True, return_inverse=True
)[1:]
FLAT = DIR[FLAT, :2]  # a flat front sees the sines of the angles only


N = FREQS_HZ.size
W = average_weights(
    sound_power="belts"
).judged()  # rows: listening window, in-room, on axis; to be applied to powers
WINDOW, AXIS = np.flatnonzero(W[0]), int(np.flatnonzero(W[2])[0])
SMOOTH = np.exp(
    -0.5 * ((np.arange(N)[:, None] - np.arange(N)) / 5.0) ** 2
)  # a quarter of an octave wide
SMOOTH /= SMOOTH.sum(1, keepdims=True)

# ---------------------------------------- small acoustics
db = lambda power: 10 * np.log10(np.maximum(power, 1e-12))
bump = lambda f, f0, octaves: np.exp(-0.5 * (np.log2(f / f0) / octaves) ** 2)
band = lambda f, f0, q: 1 / (1 + 1j * q * (f / f0 - f0 / f))  # resonator: one at f0
jinc = lambda x: 2 * j1(np.maximum(x, 1e-4)) / np.maximum(x, 1e-4)  # rigid piston
loose = (
    lambda ka: ka / (1 + (ka / 4) ** 2) ** 0.3
)  # cones let go of their rim as ka grows: the effective ka


def cis(x):
    out = np.empty(np.shape(x), np.complex64)
    x = np.asarray(x, np.float32)
    np.cos(x, out=out.real)
    np.sin(x, out=out.imag)
    return out


def crossover(f, fc, order):
    """Low and high pass that are in phase everywhere (the high pass of second order is turned
    over)."""
    s = 1j * f / fc
    low = 1 / (1 + s) ** 2 if order == 2 else 1 / (s * s + np.sqrt(2) * s + 1) ** 2
    return low, low * (-s * s if order == 2 else s**4)


def by_sine(shape, kr, sine):
    """shape(kr * sine) at all directions; equal sines are computed once."""
    u, back = np.unique(np.round(sine, 6), return_inverse=True)
    return shape(np.outer(u, kr)).astype(np.float32)[back]


# ---------------------------------------- the healthy speaker
class Speaker:
    def __init__(self, rng):
        self.rng = rng
        per_octave = int(rng.choice([12, 16, 24, 36, 48]))
        measured = 20 * 2.0 ** (np.arange(int(per_octave * np.log2(1000)) + 1) / per_octave)
        self.f = np.concatenate(
            [FREQS_HZ, measured]
        )  # the points of the truth, then those of the measurement
        self.k = 2 * np.pi * self.f / C
        self.distance = 1e4 if rng.random() < 0.5 else rng.uniform(1.5, 5)
        for step in (self.layout, self.edges, self.fields, self.voice):
            step()

    def layout(self):
        """Drivers (lowest first), crossovers and the front of the box: x0, x1, y0, y1 about the
        measured point."""
        rng, ways = self.rng, int(self.rng.choice([1, 2, 3], p=[0.06, 0.54, 0.40]))
        lowest = log_uniform(rng, *{1: (0.03, 0.065), 2: (0.03, 0.115), 3: (0.065, 0.16)}[ways])
        radii = np.array([lowest, rng.uniform(0.025, 0.06), rng.uniform(0.009, 0.02)])[
            [0, 1, 2] if ways == 3 else [0, 2][:ways]
        ]
        top = np.clip(
            C / (2 * np.pi * radii) * rng.uniform(1.4, 2.9, ways), 900, 4500
        )  # to where a driver may be used
        self.fc = (
            [log_uniform(rng, 220, min(800, top[0])), float(top[1])]
            if ways == 3
            else [float(x) for x in top[: ways - 1]]
        )
        self.ways, self.radius, self.order = (
            ways,
            radii,
            [int(rng.choice([2, 4], p=[0.35, 0.65])) for _ in self.fc],
        )
        self.horn, coaxial = (
            rng.choice([True, False], 2) & (ways > 1) & (rng.random(2) < [0.7, 0.2])
        )
        flange = self.radius * 1.2 + 0.008
        if self.horn:
            flange[-1], coaxial = max(0.06, flange[-2] * rng.uniform(0.7, 1.1)), False
        pos = np.zeros((ways, 3))
        for j in range(ways - 2, -1, -1):  # stacked downwards from the tweeter
            pos[j, 1] = pos[j + 1, 1] - (
                0
                if coaxial and j == ways - 2
                else flange[j] + flange[j + 1] + rng.uniform(0, 0.03)
            )
        pos[:, 0] = rng.normal(0, 0.02, ways) * (rng.random() < 0.35)
        pos[ways - 2] = pos[-1] if coaxial else pos[ways - 2]
        pos[:, 1] *= rng.choice(
            [1, -1], p=[0.88, 0.12]
        )  # some stand on their heads, some lie on their sides
        pos = pos[:, [1, 0, 2] if rng.random() < 0.05 else [0, 1, 2]]
        self.guide = self.horn or coaxial
        self.cover = np.radians(
            [rng.uniform(38, 60), rng.uniform(30, 55)]
        )  # angles of -6 dB in a waveguide, across and up
        self.pos = pos - (pos[-1] if rng.random() < 0.6 else pos[-2:].mean(0))
        self.places = [[p] for p in self.pos]
        if (
            ways > 1 and not coaxial and rng.random() < 0.2
        ):  # two woofers: below each other, or around the tweeter
            below = ways == 3 or rng.random() < 0.5
            self.places[0].append(
                self.pos[0] - [0, 2.3 * radii[0], 0] if below else 2 * self.pos[-1] - self.pos[0]
            )
        every = np.array([p[:2] for group in self.places for p in group])
        size = np.repeat(flange, [len(group) for group in self.places])[:, None]
        (self.x0, self.y0), (self.x1, self.y1) = (
            (every - size).min(0) - rng.uniform(0.015, 0.06, 2),
            (every + size).max(0) + rng.uniform(0.015, 0.06, 2),
        )
        self.y0 -= rng.uniform(0, 0.4)
        self.width, self.depth = float(self.x1 - self.x0), rng.uniform(0.18, 0.42)

    def edges(self):
        """Twelve points along the edges of the front, and the sound that each sends to all
        directions."""
        t, u = (np.arange(4) + self.rng.uniform(0.3, 0.7, 4)) / 4, (
            np.arange(2) + self.rng.uniform(0.3, 0.7, 2)
        ) / 2
        high, wide = self.y1 - self.y0, self.width
        self.edge = np.array(
            [(self.x0, self.y0 + s * high, 0) for s in t]
            + [(self.x1, self.y1 - s * high, 0) for s in t]
            + [(self.x0 + s * wide, self.y0, 0) for s in u]
            + [(self.x1 - s * wide, self.y1, 0) for s in u]
        )
        self.edge_length = np.repeat([high / 4, wide / 2], [8, 4])
        self.edge_normal = np.repeat([[1.0, 0, 0], [0, 1.0, 0]], [8, 4], axis=0)
        self.edge_sound = [cis(-np.outer(self.path(FLAT, e[:2]), self.k)) for e in self.edge]
        self.edge_round = 1 / np.sqrt(1 + (self.f / self.rng.uniform(1200, 6000)) ** 2) + 0.05
        self.bend = 1 + 1.3 * np.sqrt(self.k * self.width / 2)

    def path(self, directions, s):
        """Way from s to the microphone, less that from the origin."""
        r = self.distance
        return np.sqrt(r * r - 2 * r * (directions @ s) + s @ s) - r

    def source(self, s, a, normal=(0, 0, 1), shape=jinc, guide=False):
        """Field of a radiator of radius a at s that looks along `normal`, with the box around it:
        omnidirectional when the box is small (amplitude one half), a half space in front when it
        is large, fed round the corners by the edges.
        """
        s, cos, ka = np.asarray(s, float), DIR @ np.asarray(normal, float), loose(self.k * a)
        direct = by_sine(shape, ka, np.sqrt(np.maximum(0, 1 - cos**2)))
        side = np.abs(shape(ka)) + 0.12
        if guide:
            hold = 1 / (1 + (0.3 * C / (self.width + 0.1) / self.f) ** 2)
            off = ((DIR[:, :2] / np.sin(self.cover / 2) / 2) ** 2).sum(1) * 2 / (1 + np.abs(cos))
            direct = np.exp(-0.69 * np.outer(np.minimum(off, 5), hold)).astype(np.float32) * (
                0.3 + 0.7 * np.abs(direct)
            )
            side = side * (1 - 0.75 * hold)
        w, to = (0.5 + 0.5 * np.tanh(np.outer(cos, self.bend))).astype(np.float32), self.edge - s
        rho = np.sqrt((to**2).sum(1))
        share = (
            self.edge_length * np.maximum(np.abs((to * self.edge_normal).sum(1)), 0.02) / rho**2
        )
        feed = cis(-np.outer(rho, self.k)) * np.outer(
            share / share.sum(), side * self.edge_round
        ).astype(np.float32)
        ring = sum(g[None] * t for g, t in zip(feed, self.edge_sound))[FLAT_OF]
        return cis(-np.outer(self.path(DIR, s), self.k)) * direct * w + (0.5 - w) * ring

    def smooth(self, curve):
        """A curve on the grid, smoothed and carried to all frequencies, as amplitudes."""
        return 10 ** (np.interp(np.log(self.f), np.log(FREQS_HZ), SMOOTH @ curve) / 20)

    def window_level(self, p):
        return self.smooth(db(W[0, WINDOW] @ np.abs(p[WINDOW, :N]) ** 2))

    def fields(self):
        """Crossover targets C_j, fields P_j, and what made the fields level and in phase on the
        axis."""
        self.c, self.p, self.norm = np.ones((self.ways, self.f.size), complex), [], []
        for x, (fc, order) in enumerate(zip(self.fc, self.order)):
            low, high = crossover(self.f, fc, order)
            for j in range(self.ways):  # drivers further away get the phase of the sum
                self.c[j] *= low if j == x else high if j == x + 1 else low + high
        for j in range(self.ways):
            p = sum(
                self.source(s, self.radius[j], guide=self.guide and j == self.ways - 1)
                for s in self.places[j]
            )
            turn = (
                np.conj(p[AXIS])
                / (np.abs(p[AXIS]) + 1e-9)
                / np.maximum(self.window_level(p), 0.14)
            )
            self.norm.append(turn.astype(np.complex64))
            self.p.append(p * self.norm[j])
        if self.ways == 3:
            self.c[2] /= (
                1 + (self.fc[0] / self.f) ** 4
            )  # a tweeter does not reach down there at all

    def voice(self):
        """The designer's equaliser: flat (or gently sloped) listening window, a small natural
        ripple, the corner of the box."""
        rng, f, octave = self.rng, self.f, np.log2(self.f / 1000)
        raw = self.window_level(sum(c.astype(np.complex64) * p for c, p in zip(self.c, self.p)))
        ripple = sum(
            np.sin(2 * np.pi * (octave * rng.uniform(0.4, 2.5) + rng.random()))
            * rng.uniform(0, 0.18)
            for _ in range(4)
        )
        shape = (
            ripple
            + octave * rng.choice([0, rng.uniform(-0.12, 0.04)])
            - rng.uniform(0, 2.5) * (f / 20000) ** 4
        )
        self.c = self.c * (10 ** (shape / 20) / raw)
        self.corner = log_uniform(rng, 30, 120)
        s = 1j * f / self.corner
        second = lambda q: s * s / (s * s + s / q + 1)
        vented = second(rng.uniform(0.52, 0.58)) * second(rng.uniform(1.1, 1.4))
        self.c = (
            self.c * (vented if rng.random() < 0.55 else second(rng.uniform(0.55, 0.8)))
        ).astype(np.complex64)

    def lead(self, f0):
        return int(np.argmax(np.abs(self.c[:, np.argmin(np.abs(FREQS_HZ - f0))])))

    def power(self, defects, where=slice(0, N)):
        total = 0
        for j in range(self.ways):
            p, c = self.p[j][:, where], self.c[j, where]
            for d in defects:
                p = p + d.extra[j][:, where] if j in d.extra else p
                c = c * d.gain[j, where] if d.gain is not None else c
            total = total + p * c
        return total.real**2 + total.imag**2

    def curves(self, defects):
        return db(W @ self.power(defects))


class Defect:
    """gain: one factor per driver and frequency; extra: what is added to the field of a driver
    (by its number); both follow the strength s, which `settle` finds: make(s) gives the gain, s
    times unit[j] the extra. `keep`: part of the change of the listening window that the
    designer takes back by equalising."""

    def __init__(self, kind, how, f0, unit=None, make=None, low=0.0, top=1.0, keep=0.0):
        self.kind, self.how, self.f0, self.unit, self.make = kind, how, f0, unit or {}, make
        self.low, self.top, self.keep, self.extra, self.gain = low, top, keep, {}, None

    def settle(self, sp):
        """Bisection for the size aimed at, upon the healthy speaker, on some of the points."""
        judge = TABLE[self.kind][4]
        rows, where = (slice(None), slice(0, N, 4)) if judge == 1 else (WINDOW, slice(0, N, 2))
        cut, w = {j: x[rows, where] for j, x in self.unit.items()}, W[:, rows]
        part = [(sp.p[j][rows, where], sp.c[j, where]) for j in range(sp.ways)]
        healthy = db(w @ np.abs(sum(p * c for p, c in part)) ** 2)

        def size(s):
            gain = self.make(s)[:, where] if self.make else np.ones((sp.ways, 1))
            p = sum(
                (p + s * cut[j] if j in cut else p) * (c * gain[j])
                for j, (p, c) in enumerate(part)
            )
            change = db(w @ np.abs(p) ** 2) - healthy
            own = change[judge] - self.keep * change[0]
            return -own.min() if self.kind in DIPS else np.abs(own).max()

        aim, lo, hi = sp.rng.uniform(*TABLE[self.kind][:2]), self.low, self.top
        lo = hi if size(hi) < aim else lo
        for _ in range(7 if lo < hi else 0):
            mid = (lo + hi) / 2
            lo, hi = (mid, hi) if size(mid) < aim else (lo, mid)
        self.extra = {j: ((lo + hi) / 2 * x).astype(np.complex64) for j, x in self.unit.items()}
        self.gain = self.make((lo + hi) / 2).astype(np.complex64) if self.make else None
        if self.keep:
            self.gain = only(
                sp, None, sp.smooth(self.keep * (sp.curves([])[0] - sp.curves([self])[0]))
            ).astype(np.complex64)
        return self


# ---------------------------------------- the kinds
def only(sp, j, h):
    """The factor h for driver j alone, or for all of them (j None)."""
    g = np.ones((sp.ways, sp.f.size), complex)
    g[slice(None) if j is None else j] = h
    return g


def resonance(sp, rng, f0):
    how = rng.choice(["driver", "all", "small-part", "dip"], p=[0.4, 0.22, 0.25, 0.13])
    q, j = log_uniform(rng, 1.5, 12), sp.lead(f0)
    if how == "small-part":  # dust cap, dome or surround: rings alone and radiates more widely
        part = (
            sum(sp.source(s, sp.radius[j] * rng.uniform(0.3, 0.6)) for s in sp.places[j])
            * sp.norm[j]
        )
        return Defect(
            "resonance", how, f0, {j: part * band(sp.f, f0, q).astype(np.complex64)}, top=1.6
        )
    who, ring = None if how == "all" else j, band(sp.f, f0, max(q, 3) if how == "dip" else q)
    sign, top = (-1, 0.55) if how == "dip" else (1, 1.4)
    return Defect(
        "resonance", how, f0, make=lambda s: only(sp, who, (1 + s * ring) ** sign), top=top
    )


def balance(sp, rng, f0):
    how = rng.choice(["shelf", "tilt", "broad", "level", "baffle-step"])
    sign, steep = rng.choice([-1, 1], 2) * [1, rng.uniform(1.8, 4)]
    if (
        how == "level" and sp.ways > 1
    ):  # drivers above a crossover (or the last but one) too loud or too soft
        cut = int(rng.integers(1, sp.ways))
        hit = (
            np.arange(sp.ways) >= cut if rng.random() < 0.7 else np.arange(sp.ways) == sp.ways - 2
        )
        return Defect(
            "balance",
            how,
            sp.fc[cut - 1],
            make=lambda s: 10 ** (sign * s * hit[:, None] / 20) + 0 * sp.f,
            top=4.5,
        )
    if how == "baffle-step":  # the widening of the front not, or too much, made good for
        f0, steep = 115 / sp.width * rng.uniform(0.8, 1.5), 1.4
    octave = np.log2(sp.f / f0)
    shape = {
        "tilt": np.clip(octave / rng.uniform(3, 5), -1, 1),
        "broad": bump(sp.f, f0, rng.uniform(0.6, 1.3)),
    }.get(how, 1 / (1 + np.exp(octave * steep)))
    return Defect(
        "balance", how, f0, make=lambda s: only(sp, None, 10 ** (sign * s * shape / 20)), top=4.5
    )


def shallow_dip(sp, rng, f0):
    how = rng.choice(["all", "driver", "gap", "pair"])
    q, j = log_uniform(rng, 0.6, 2.5), sp.lead(f0) if how == "driver" else None
    if how == "gap" and sp.ways > 1:  # crossover frequencies drawn apart, the phase still right
        x = int(rng.integers(len(sp.fc)))
        r, n, lower = (
            (sp.f / sp.fc[x]) ** sp.order[x],
            sp.order[x],
            (np.arange(sp.ways) <= x)[:, None],
        )
        return Defect(
            "shallow-dip",
            how,
            sp.fc[x],
            top=0.6,
            make=lambda s: np.where(
                lower, (1 + r) / (1 + r * 2 ** (s * n)), (1 + 1 / r) / (1 + 2 ** (s * n) / r)
            ),
        )
    first, second = band(sp.f, f0, q), (how == "pair") * 0.7 * band(
        sp.f, f0 * 2 ** rng.uniform(0.3, 0.6), max(q, 1.2)
    )
    return Defect(
        "shallow-dip",
        how,
        f0,
        make=lambda s: only(sp, j, 1 / (1 + s * first) / (1 + s * second)),
        top=0.6,
    )


def cancellation(sp, rng, f0):
    how = str(rng.choice(["port", "panel", "passive", "breakup"], p=[0.34, 0.14, 0.12, 0.4]))
    inner = lambda lo, hi: rng.uniform(lo + 0.15 * (hi - lo), hi - 0.15 * (hi - lo))
    j, x, y, z, sgn = (
        0,
        inner(sp.x0, sp.x1),
        inner(sp.y0, sp.y1),
        -sp.depth * rng.uniform(0.25, 0.8),
        rng.choice([-1, 1]),
    )
    wall, top = ((sp.x1 if sgn > 0 else sp.x0, y, z), (sgn, 0, 0)), (
        sp.fc[0] * 1.3 if sp.fc else 2500
    )
    lo, hi = {
        "port": (300, 1500),
        "panel": (250, 900),
        "passive": (250, 700),
        "breakup": (0, 9000),
    }[how]
    if how == "breakup":  # the rim moves against the middle: a ring, strong on the axis only
        j, upper = int(rng.integers(sp.ways)), np.array(sp.fc + [9000]) * 1.1
        lo = 2.1 * C / (2 * np.pi * sp.radius[j])
        top = min(upper[j], 2.2 * lo)
    if min(hi, top) < lo * 1.1:
        return None
    f0 = log_uniform(rng, lo, min(hi, top))
    if how == "breakup":
        p = sum(sp.source(s, sp.radius[j], shape=j0) for s in sp.places[j])
    elif how == "panel":  # the top, or one side wall, or both
        walls = [
            ((x, sp.y1, z), (0, 1, 0)),
            wall,
            ((sp.x0 + sp.x1 - wall[0][0], y, z), (-sgn, 0, 0)),
        ]
        first, last = ((0, 1), (1, 2), (1, 3))[rng.integers(3)]
        p = sum(sp.source(s, 0.08, n) * rng.uniform(0.5, 1) for s, n in walls[first:last])
    else:
        faces = {
            "front": ((x, sp.y0 + 0.04, 0), (0, 0, 1)),
            "back": ((x, y, -sp.depth), (0, 0, -1)),
            "side": wall,
            "below": ((x, sp.y0 - 0.02, z), (0, -1, 0)),
        }
        face = str(
            rng.choice(
                list(faces), p=[0.3, 0.4, 0.15, 0.15] if how == "port" else [0, 0.5, 0.5, 0]
            )
        )
        p = sp.source(
            faces[face][0],
            rng.uniform(0.015, 0.04) if how == "port" else rng.uniform(0.05, 0.11),
            faces[face][1],
        )
        how += "-" + face
    on = p[
        AXIS, np.argmin(np.abs(FREQS_HZ - f0))
    ]  # nearly in opposition on the axis at the frequency itself
    tuned = (
        -np.exp(1j * rng.normal(0, 0.35))
        * np.conj(on)
        / np.abs(on) ** 2
        * band(sp.f, f0, log_uniform(rng, 2, 9))
    )
    return Defect("cancellation", how, f0, {j: p * tuned.astype(np.complex64)}, top=0.95)


def deep_null(sp, rng, f0):
    ranges = {
        "beside": (350, 3000),
        "below": (350, 4000),
        "wall": (250, 900),
        "twin": (400, 4000),
        "mouth": (1200, 8000),
    }
    how = str(rng.choice(list(ranges), p=[0.3, 0.22, 0.1, 0.16, 0.22]))
    f0 = log_uniform(rng, *ranges[how])
    half, j = C / (2 * f0), sp.lead(f0)  # half a wave is the detour on the axis
    extent = (
        1 / (1 + (0.45 * f0 / sp.f) ** 4) / np.sqrt(1 + (sp.f / (rng.uniform(1.6, 3.5) * f0)) ** 4)
    )
    extent = (extent / extent.max()).astype(
        np.float32
    )  # what reflects is neither small nor smooth enough for all waves
    facing, top = np.sqrt(0.55 + 0.45 * COS).astype(np.float32)[:, None], 1.0
    if how in ("beside", "below"):  # an object near by scatters: way there, then to the microphone
        step = np.array(
            [rng.choice([-1, 1]), 0.3 * rng.normal(), 0]
            if how == "beside"
            else [0.4 * rng.normal(), -1, 0]
        )
        step[2] = rng.uniform(-1.2, 0.2) if how == "beside" else rng.uniform(-0.3, 0.3)
        e = sp.pos[j] + step * half / (np.linalg.norm(step) - step[2])
        wave = {
            i: cis(-np.outer(np.linalg.norm(e - s) + DIR @ (s - e), sp.k))
            for i, s in enumerate(sp.pos)
        }
        facing, top = 1, 1.15
    elif how == "wall":  # image in a wall close behind
        same = cis(
            -np.outer(DIR @ np.array([rng.normal(0, 0.1), rng.normal(0, 0.1), 1]) * half, sp.k)
        )
        wave, top = dict.fromkeys(range(sp.ways), same), 1.15
    elif how == "twin":  # a second driver of the band, set back and aside
        aside = rng.uniform(0.3, 0.9) * half * rng.choice([-1, 1])
        wave = {
            j: cis(
                -np.outer(
                    DIR @ np.array([aside, 0, half] if rng.random() < 0.6 else [0, aside, half]),
                    sp.k,
                )
            )
            - 1
        }
        facing, extent = 0.5, np.float32(1)  # at full strength each of the two gives one half
    else:  # rim of a mouth or recess: left and right, up and down, or all around
        turns = np.arange(0, 6, np.pi if rng.random() < 0.5 else np.pi / 2) + rng.choice(
            [0, np.pi / 2]
        )
        detours = [
            half - half * rng.uniform(0.4, 0.9) * (DIR[:, :2] @ [np.cos(t), np.sin(t)])
            for t in turns
        ]
        wave = {j: sum(cis(-np.outer(d, sp.k)) for d in detours) / turns.size}
    return Defect(
        "deep-null",
        how,
        f0,
        {i: sp.p[i] * v * (facing * extent) for i, v in wave.items()},
        top=top,
    )


def crossover_phase(sp, rng, f0):
    able = [
        x for x in range(len(sp.fc)) if abs(sp.pos[x, 1] - sp.pos[x + 1, 1]) * sp.fc[x] / C > 0.15
    ]
    if not able:
        return None
    x, how = int(rng.choice(able)), str(
        rng.choice(["delay", "polarity", "all-pass", "recess", "slope"])
    )
    fc, n, sign, upper = (
        sp.fc[x],
        sp.order[x],
        rng.choice([-1, 1]),
        (np.arange(sp.ways) > x)[:, None],
    )
    turn, order_change = (
        np.pi * sp.f / fc,
        crossover(sp.f, fc, 6 - n)[1] / crossover(sp.f, fc, n)[1],
    )
    if how == "recess":  # the upper (or the lower) drivers set back, not made good for
        back = 2 * np.arccos(10 ** (-rng.uniform(2.5, 11) / 20)) * C / (2 * np.pi * fc)
        moved = cis(-np.outer(COS * back, sp.k)) - 1
        return Defect(
            "crossover-phase",
            how,
            fc,
            {j: sp.p[j] * moved for j in range(sp.ways) if (j > x) == (sign > 0)},
            low=1.0,
        )
    wrong = {
        "delay": lambda s: np.exp(1j * sign * s * turn),
        "polarity": lambda s: -np.exp(1j * sign * (1 - s) * turn),
        "all-pass": lambda s: np.exp(
            -2j * np.arctan(sp.f / fc * np.tan(min(s, 0.99) * np.pi / 2))
        ),
        "slope": lambda s: order_change * np.exp(0.5j * s * turn * (n - 3)),
    }[how]
    return Defect("crossover-phase", how, fc, make=lambda s: np.where(upper, wrong(s), 1))


def directivity_step(sp, rng, f0):
    how = str(
        rng.choice(["beaming", "too-wide", "waist", "side-by-side"], p=[0.25, 0.2, 0.25, 0.3])
    )
    x = len(sp.fc) - 1 - int(sp.ways == 3 and sp.fc[0] > 450 and rng.random() < 0.4)
    fc, low, up = (sp.fc[x], x, x + 1) if sp.fc else (log_uniform(rng, 1500, 6000), 0, 0)
    over = (
        1 / (1 + (sp.f / fc) ** 6) if not sp.fc else 1
    )  # without a crossover, a small cone in the middle takes over
    if how == "beaming":  # a larger cone than the crossover can bear
        j, f0 = low, fc * 0.8
        size = lambda grow: np.abs(by_sine(jinc, loose(sp.k * sp.radius[j] * grow), SIN)) + 0.05
        ratio = 1 + (np.clip(size(rng.uniform(1.5, 2.8)) / size(1), 0.1, 1) - 1) * over
    elif (
        how == "side-by-side"
    ):  # two of the lower driver next to each other, or one above the other
        j, f0 = low, fc * 0.8
        gap, plane = C / f0 * rng.uniform(0.4, 0.7), np.abs(DIR[:, int(rng.random() < 0.4)])
        narrow = np.exp(-0.5 * np.outer(1 - COS, 1 / (1 + (f0 / sp.f) ** 2)))
        ratio = 1 + (by_sine(np.cos, sp.k * gap / 2, plane) * narrow - 1) * over
    elif how == "too-wide":  # the next driver has no front or guide: sound to the sides and back
        j, f0 = up, fc * rng.uniform(1.2, 1.8)
        ratio = np.exp(
            rng.uniform(1, 1.5)
            * np.outer(np.minimum(1 - COS, 1.4), bump(sp.f, f0, rng.uniform(0.5, 1)))
        )
    else:  # a waveguide grips too tightly in one octave, mostly in one plane
        j, f0 = up, float(np.clip(fc * rng.uniform(1.2, 2.2), 700, 9000))
        across, along = rng.permutation([1.0, rng.uniform(0.3, 1)])
        aside = DIR[:, 0] ** 2 * across + DIR[:, 1] ** 2 * along + 0.5 * np.minimum(COS, 0) ** 2
        ratio = np.exp(-rng.uniform(2, 4) * np.outer(aside, bump(sp.f, f0, rng.uniform(0.3, 0.7))))
    return Defect(
        "directivity-step",
        how,
        f0,
        {j: sp.p[j] * (ratio - 1).astype(np.float32)},
        keep=rng.uniform(0.85, 1),
    )


def single_axis(sp, rng, f0):
    f0, how = log_uniform(rng, 1500, 9000), str(
        rng.choice(["round-edge", "bars", "mouth", "square"])
    )
    j, b = sp.lead(f0), float(np.clip(rng.uniform(8, 18) * C / (2 * np.pi * f0), 0.04, 0.3))
    if how == "round-edge":  # all points of the edge equally far
        wave = -by_sine(j0, sp.k * b, SIN) * cis(-sp.k * b)
    elif how == "mouth":  # as before, but through a guide: longer way inside
        wave = by_sine(j0, sp.k * b, SIN) * cis(-sp.k * b * rng.uniform(1.1, 1.6))
    else:  # bars or edges left and right, or on four sides, somewhat unlike
        sides = [(1, 0), (-1, 0)] + (
            [(0, 1), (0, -1)] if how == "square" else [(0, 0.4), (0, -0.4)]
        )
        far = b * rng.uniform(0.88, 1.12, 4)
        wave = -sum(cis(-np.outer(r - r * (DIR[:, :2] @ t), sp.k)) for r, t in zip(far, sides)) / 4
    here = (np.abs(band(sp.f, f0, rng.uniform(0.7, 2))) ** 1.5).astype(np.float32)
    return Defect("single-axis", how, f0, {j: sp.p[j] * wave * here}, top=0.9)


MAKE = {kind: globals()[kind.replace("-", "_")] for kind in KINDS}


# ---------------------------------------- one complete speaker
def draw(sp, rng, kind, others):
    """A defect of the kind that sits apart from others of its kind, or None."""
    for _ in range(6):
        f0, nulls = log_uniform(rng, 250, 9000), [d.f0 for d in others if d.kind in NULLS]
        if kind == "resonance" and nulls and rng.random() < 0.35:  # on the flank of a null
            f0 = float(
                np.clip(
                    rng.choice(nulls) * 2 ** (rng.choice([-1, 1]) * rng.uniform(0.15, 0.45)),
                    250,
                    9000,
                )
            )
        d, apart = MAKE[kind](sp, rng, f0), 1.6 if kind == "balance" else 0.7
        if (
            d
            and 240 < d.f0 < 9500
            and all(abs(np.log2(d.f0 / o.f0)) > apart for o in others if o.kind == kind)
        ):
            return d.settle(sp)
    return None


def sound(d, change):
    """Is the effect of the defect in the complete speaker what its kind promises?"""
    lo, hi, judge = TABLE[d.kind][2:]
    window, room, own = change[0], change[1], change[judge]
    at = int(np.argmax(np.abs(own)))
    fits = lo <= abs(own[at]) <= hi and not (d.kind in DIPS and own[at] > 0)
    if d.kind in NULLS:  # less of it in the room than in front
        return (
            fits
            and room[at] > (0.7 if d.kind == "cancellation" else 0.85) * window[at]
            and room.max() < 6
        )
    return fits and np.abs(window).max() < {
        "single-axis": 0.5 * abs(own[at]),
        "directivity-step": 0.9,
    }.get(d.kind, 99)


def speaker(seed):
    rng = np.random.default_rng(seed)
    sp = Speaker(rng)
    bag = np.random.default_rng([77, seed // 2]).permutation(
        KINDS
    )  # two neighbours share out the eight kinds
    kinds = [str(k) for k in np.roll(bag, 4 * (seed % 2))[:4]]
    rng.shuffle(kinds)
    kinds = (kinds + [str(rng.choice(KINDS))])[: int(rng.choice([3, 4, 5], p=[0.25, 0.4, 0.35]))]
    kinds.sort(
        key=lambda k: (k not in NULLS, k == "resonance")
    )  # resonances last: they may lean on a null
    found, spare = [], ["crossover-phase", "directivity-step", "single-axis"]
    for n, kind in enumerate(kinds + 4 * spare):
        for trial in range(16 if n < len(kinds) or len(found) < 3 else 0):
            d = draw(sp, rng, kind if trial < 10 else str(rng.choice(spare)), found)
            if d:
                found.append(d)
                every = sp.curves(found)
                if all(
                    sound(o, every - sp.curves([p for p in found if p is not o])) for o in found
                ):
                    break
                found.pop()
    return sp, [found[i] for i in rng.permutation(len(found))]


def known_speaker(seed):
    sp, defects = speaker(seed)
    levels_db = 85 + db(sp.power(defects, slice(N, None))).T
    levels_db += sp.rng.normal(0, 1, levels_db.shape) * sp.rng.uniform(0, 0.5)
    every, known = sp.curves(defects), []
    for d in defects:
        change = every - sp.curves([other for other in defects if other is not d])
        f_hz = FREQS_HZ[np.argmax(np.abs(change[TABLE[d.kind][4]]))]
        known.append(KnownDefect(d.kind, f_hz, change))
    return KnownSpeaker(f"simulated {seed}", sp.f[N:], levels_db, 85 + sp.curves([])[0], known)


if __name__ == "__main__":
    run(known_speaker, __doc__, Form(level=2, truth=3, blank_line=True))
