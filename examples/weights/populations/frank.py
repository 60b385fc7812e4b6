"""Draws simulated loudspeakers with known defects, measures them on two orbits and writes what is
true of them.

A speaker is a complex sum of drivers. A driver has a crossover, a place and a parametric beam: its
attenuation off axis is a saturating power of x*u, where u = (1 - cos angle) / 2 and x(f) is the
inverse beamwidth (left, right, up, down each with its own curve, blended together towards the
rear). One voicing filter makes the healthy listening window what was wanted. A defect is a `mod`:
factors on single drivers, a factor on everything, or an added source; each is a function of one
strength, which is then searched so that the defect alone has the size that was drawn.
"""

import sys
from pathlib import Path
from types import SimpleNamespace as Record

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
from scipy.interpolate import CubicSpline

C, AXIS = 343.0, np.array([[1.0, 0.0, 0.0]])
DIPS = ("shallow-dip", "cancellation", "deep-null", "crossover-phase")
MEASURE = {"directivity-step": 1, "single-axis": 2}  # the column a kind is judged by, else 0


def _tables():
    """Directions of both orbits, weights of the averages, weights of the four sides, and the
    rows of the window."""
    t, z = np.radians(ANGLES_DEG), np.zeros(36)
    c, s = np.round(np.cos(t), 12), np.round(np.sin(t), 12)
    n = np.concatenate([np.stack([c, s, z], 1), np.stack([c, z, s], 1)])
    weights = average_weights(sound_power="belts").judged()
    own = np.stack([n[:, 1] < 0, n[:, 1] > 0, n[:, 2] > 0, n[:, 2] < 0], 1) * (1 + n[:, :1]) / 2
    return n, weights, own + (1 - own.sum(1, keepdims=True)) / 4, np.flatnonzero(weights[0])


DIR, WEIGHTS, SIDES, LW_ROWS = _tables()


def octs(f, f0):
    return np.log2(f / f0)


def gain(db):
    return 10 ** (db / 20)


def bandpass(f, f0, q):
    """Second-order band-pass, 1 at f0 (f0 may vary over directions)."""
    w = f / f0
    return 1j * w / q / (1 - w * w + 1j * w / q)


def bell(f, f0, q, db):
    """Minimum-phase peak or dip; the poles (for a dip the zeros) have the Q."""
    peak = 1 + (gain(abs(db)) - 1) * bandpass(f, f0, q)
    return peak if db > 0 else 1 / peak


def hump(f, f0, lo, hi):
    """Bump over log frequency with its own width (octaves, standard deviation) below and above."""
    x = octs(f, f0)
    return np.exp(-0.5 * (x / np.where(x < 0, lo, hi)) ** 2)


def path(pos, n, dist):
    """Extra way from a place to the microphone in direction n, against the way on the axis."""
    if not np.isfinite(dist):
        return (AXIS - n) @ pos
    return np.sqrt(((dist * n - pos) ** 2).sum(1)) - np.sqrt(((dist * AXIS - pos) ** 2).sum(1))


class Lobes:
    """A random smooth function of direction: a polynomial of third order, zero on the axis,
    largest absolute value 1."""

    def __init__(self, rng):
        self.c, self.m, self.t = (
            rng.normal(size=3) * [1, 0.8, 0.8],
            rng.normal(size=(3, 3)) * 0.8,
            rng.normal(size=3) * 0.6,
        )
        if rng.random() < 0.5:  # left and right alike
            self.c[1] = self.t[1] = self.m[0, 1] = self.m[1, 0] = self.m[1, 2] = self.m[2, 1] = 0
        self.norm = 1.0
        self.norm = np.abs(self(DIR)).max() + 1e-9

    def raw(self, n):
        return n @ self.c + ((n @ self.m) * n).sum(1) + n**3 @ self.t

    def __call__(self, n):
        return (self.raw(n) - self.raw(AXIS))[:, None] / self.norm


class Scene:
    """The healthy speaker on some directions and frequencies: complex drivers P, on-axis sum
    `ref`, and the averages."""

    def __init__(self, f, n, weights, P, dist):
        self.f, self.n, self.weights, self.P, self.dist = f, n, weights, P, dist
        self.k, self.u, self.axis = 2 * np.pi * f / C, (1 - n[:, :1]) / 2, weights[2] > 0
        self.theta = np.arccos(n[:, :1])
        total = sum(P)
        self.ref, self.healthy = self.axis @ total, self.averages(total)

    def averages(self, p):
        return 10 * np.log10(self.weights @ (p.real**2 + p.imag**2) + 1e-30)

    def sound(self, mods):
        total = sum(m.add for m in mods)
        for d, q in enumerate(self.P):
            for m in mods:
                q = q * m.drv[d] if d in m.drv else q
            total = total + q
        for m in mods:
            total = total * m.all
        return total

    def effect(self, m):
        return self.averages(self.sound([m])) - self.healthy

    def part(self, rows, step):
        w = self.weights[:, rows]
        return Scene(
            self.f[::step],
            self.n[rows],
            w / w.sum(1, keepdims=True),
            [p[rows, ::step] for p in self.P],
            self.dist,
        )

    def loudest(self, f0):
        return int(
            np.argmax(
                [self.weights[0] @ np.abs(p[:, np.searchsorted(self.f, f0)]) ** 2 for p in self.P]
            )
        )

    def phase(self, way):
        """Delay by a way (m), one for each direction."""
        return np.exp(-1j * self.k * np.reshape(way, (-1, 1)))

    def oval(self, ratio):
        """Angle off axis, stretched in the vertical plane; both planes agree again at the rear."""
        vertical = np.abs(self.n[:, 2:]) / (np.abs(self.n[:, 1:2]) + np.abs(self.n[:, 2:]) + 1e-9)
        return self.theta * ratio ** (vertical * np.cos(self.theta / 2) ** 2)


def mod(drv=None, all=1.0, add=0.0):
    return Record(drv=drv or {}, all=all, add=add)


def crossover(f, fc, order, q):
    """Low and high pass that sum in phase (second order: the high pass is turned)."""
    s = 1j * f / fc
    if order == 2:
        return 1 / (1 + s / q + s * s), -s * s / (1 + s / q + s * s)
    den = (1 + np.sqrt(2) * s + s * s) ** 2
    return 1 / den, s**4 / den


def beam(rng, a, wave, log_u):
    """Attenuation (dB, directions by frequencies) of one driver with radius a, perhaps in a
    waveguide."""
    own = a * np.exp(rng.normal(0, [0.04, 0.04, 0.15, 0.15]))  # radius seen by each side
    own[1] *= np.exp(rng.normal(0, 0.15)) if rng.random() < 0.4 else 1
    shrink, top, q = rng.uniform(0.55, 0.95), rng.uniform(16, 26), rng.uniform(0.9, 1.15)
    x = (2 * np.pi * FREQS_HZ / C * own[:, None]) ** 2 / 1.2
    x = x / (1 + (x / rng.uniform(3, 8, (4, 1))) ** 2) ** (
        (1 - shrink) / 2
    )  # the cone decouples towards the top
    if wave:  # mouth loads first, then holds its coverage
        cover = np.radians(rng.uniform([38, 38, 28, 28], [65, 65, 60, 60]))
        cover[1] = cover[0] if rng.random() < 0.8 else cover[1]
        s, hold = rng.uniform(1, 3), 2 / (1 - np.cos(cover[:, None]))
        mouth = (2 * np.pi * FREQS_HZ / C * rng.uniform(0.05, 0.1) * own[:, None] / a) ** 2 / 1.2
        x = 0.7 * x + mouth / (1 + (mouth / hold) ** s) ** (1 / s)
    return top * (1 - np.exp(-6 / top * np.exp(q * (SIDES @ np.log(x + 1e-6) + log_u))))


def draw_layout(rng, kinds):
    lobing = "crossover-phase" in kinds
    ways = int(rng.choice([2, 3], p=[0.62, 0.38])) if lobing or rng.random() < 0.88 else 1
    coax = ways > 1 and not lobing and rng.random() < 0.25
    radii = {
        1: [log_uniform(rng, 0.03, 0.06)],
        2: [log_uniform(rng, 0.045, 0.1)],
        3: [log_uniform(rng, 0.08, 0.16), log_uniform(rng, 0.03, 0.065)],
    }[ways]
    radii = radii + [rng.uniform(0.009, 0.02)] * (ways > 1)
    cuts = [float(np.clip(54.6 * rng.uniform(1.6, 3) / radii[-2], 1100, 4500))] if ways > 1 else []
    cuts = [log_uniform(rng, 290, 750)] * (ways == 3) + cuts
    place = [np.zeros(3)]
    for i in range(ways - 2, -1, -1):  # stacked downwards from the tweeter
        z = place[0][2] - (radii[i] + radii[i + 1] + rng.uniform(0.005, 0.05))
        place.insert(
            0, np.array([rng.uniform(-0.03, 0), rng.choice([0, rng.normal(0, 0.025)]), z])
        )
    place[max(-2, -ways)] *= [1, 0, 0] if coax else 1
    mic, flip = rng.uniform(0, 0.4) * place[max(-2, -ways)] * [0, 0, 1], (
        -1 if rng.random() < 0.12 else 1
    )  # tweeter below
    return Record(
        ways=ways,
        radii=radii,
        cuts=cuts,
        place=[(p - mic) * [1, 1, flip] for p in place],
        pair=ways > 1
        and not coax
        and rng.random() < 0.15,  # the lowest driver twice, around the tweeter
        order=[int(rng.choice([2, 4])) for _ in cuts],
        q=[float(rng.choice([0.5, 0.58, 0.707])) for _ in cuts],
        width=float(np.clip(2.4 * max(radii) + rng.uniform(0, 0.12), 0.1, 0.5)),
        corner=log_uniform(rng, 30, 120),
        dist=float(rng.choice([np.inf, rng.uniform(1.5, 4)])),
        wave=ways > 1 and rng.random() < 0.4,
    )


def wish(rng, corner):
    """Listening window (dB) the designer wanted: box, gentle slope, small ripple, the last
    octave."""
    s, t = 1j * FREQS_HZ / corner, rng.uniform(1.5, 2.2)
    box = s * s / (s * s + s / rng.uniform(0.6, 0.85) + 1)
    if rng.random() < 0.55:  # vented
        box = s**4 / ((s * s + s * t + 1) * (s * s + s * (1.31 - t / 4) + 1))
    ripple = sum(
        rng.normal() * hump(FREQS_HZ, log_uniform(rng, 150, 16000), w, w)
        for w in rng.uniform(0.08, 0.5, 12)
    )
    ripple *= rng.uniform(0.1, 0.5) / np.abs(ripple).max()
    slope = rng.uniform(-0.13, 0.05) * octs(np.maximum(FREQS_HZ, 100), 1200)
    top = -10 * np.log10(1 + (FREQS_HZ / log_uniform(rng, 22000, 45000)) ** 4)
    return 85 + rng.uniform(-3, 3) + 20 * np.log10(np.abs(box)) + ripple + slope + top


def build_speaker(rng, kinds):
    lay = draw_layout(rng, kinds)
    k, u = 2 * np.pi * FREQS_HZ / C, (1 - DIR[:, :1]) / 2
    cuts = [crossover(FREQS_HZ, fc, o, q) for fc, o, q in zip(lay.cuts, lay.order, lay.q)]
    step = 115 / lay.width * np.exp(rng.normal(0, 0.15))
    shade = rng.uniform(9, 17) * u ** rng.uniform(1, 1.8) * (FREQS_HZ**2 / (FREQS_HZ**2 + step**2))
    edges = 1
    for _ in range(3):  # faint edges: the healthy diffraction
        ang, d = rng.uniform(0, 2 * np.pi), lay.width * rng.uniform(0.35, 0.9)
        way = d - d * (np.cos(ang) * DIR[:, 1:2] + np.sin(ang) * DIR[:, 2:])
        edges = edges - rng.uniform(0.01, 0.05) * np.exp(-1j * k * way) * (
            FREQS_HZ / (FREQS_HZ + step)
        )
    P, body = [], edges * gain(-shade)
    for d in range(lay.ways):
        att = beam(rng, lay.radii[d], lay.wave and d == lay.ways - 1, np.log(u + 1e-9))
        H = np.ones(FREQS_HZ.size, complex)
        for i, (low, high) in enumerate(cuts):
            H = H * (
                low if d == i else high if d > i else low + high
            )  # below: all-pass, to stay in phase
        p = H * gain(-att) * np.exp(-1j * k * path(lay.place[d], DIR, lay.dist)[:, None]) * body
        P.append(
            p * np.cos(k * min(abs(lay.place[0][2]), 0.2) * DIR[:, 2:] * 0.9)
            if lay.pair and d == 0
            else p
        )
    voicing = gain(wish(rng, lay.corner) - Scene(FREQS_HZ, DIR, WEIGHTS, P, lay.dist).healthy[0])
    return lay, Scene(FREQS_HZ, DIR, WEIGHTS, [p * voicing for p in P], lay.dist)


# Each kind returns f0, (size low, size high), (strength low, strength high) and make(scene) ->
# (strength -> mod).


def resonance(rng, lay, sc, near):
    f0 = (
        near * 2 ** (rng.choice([-1, 1]) * rng.uniform(0.12, 0.5))
        if near
        else log_uniform(rng, 250, 9000)
    )
    q, way, d, sign = (
        log_uniform(rng, 1.5, 12),
        rng.integers(4),
        sc.loudest(f0),
        -1 if rng.random() < 0.12 else 1,
    )
    tilt, lobes, ripple, share = (
        rng.uniform(-0.8, 0.8),
        Lobes(rng),
        rng.uniform(0, 0.3),
        rng.uniform(0.2, 0.8),
    )

    def make(s):
        part = np.exp(tilt * s.u) * (1 + ripple * lobes(s.n)) * bandpass(s.f, f0, q)
        return [
            lambda g: mod(
                {d: bell(s.f, f0, q, sign * g)}
            ),  # one driver: suspension, dust cap, cavity
            lambda g: mod(all=bell(s.f, f0, q, sign * g)),  # electronics, whole enclosure
            lambda g: mod(
                {d: (1 + (gain(g) - 1) * part) ** sign}
            ),  # a part that radiates wider or narrower
            lambda g: mod(
                {i: bell(s.f, f0, q, sign * g * (1 if i == d else share)) for i in range(lay.ways)}
            ),
        ][way]

    return f0, (1.5, 6 if sign > 0 else 4.5), (1, 14), make


def balance(rng, lay, sc, near):
    f0, way, sign = log_uniform(rng, 300, 6000), rng.integers(5), rng.choice([-1, 1])
    p, w, (lo, hi) = rng.uniform(1, 2.6), rng.uniform(1.5, 4), rng.uniform(0.5, 1.3, 2)
    shape = [
        lambda f: 1 / (1 + (f / f0) ** p),
        lambda f: 1 / (1 + (f0 / f) ** p),
        lambda f: np.tanh(octs(f, f0) / w),
        lambda f: hump(f, f0, lo, hi),
        lambda f: (np.tanh(p * octs(f, f0) + w) - np.tanh(p * octs(f, f0) - w)) / 2,
    ][way]
    return f0, (1.5, 4), (1, 6), lambda s: lambda g: mod(all=gain(sign * g * shape(s.f)))


def shallow_dip(rng, lay, sc, near):
    f0, q, way = (
        log_uniform(rng, 250, 9000),
        log_uniform(rng, 0.5, 2.5),
        rng.integers(5 if lay.cuts else 4),
    )
    i = rng.integers(len(lay.cuts)) if way == 4 else 0
    f0 = lay.cuts[i] if way == 4 else f0
    d, skew, spread, lobes = (
        sc.loudest(f0),
        np.exp(rng.normal(0, 0.35)),
        rng.uniform(0, 0.15),
        Lobes(rng),
    )

    def make(s):
        def gap(g):  # corners too far apart, without phase error
            low, mid, high = [
                np.abs(crossover(s.f, f0 * 2 ** (x * g / 16), lay.order[i], lay.q[i]))
                for x in (-1, 0, 1)
            ]
            return mod({i: low[0] / mid[0], i + 1: high[1] / mid[1]})

        shape = hump(s.f, f0, 0.6 / q * skew, 0.6 / q / skew)
        return [
            lambda g: mod(all=bell(s.f, f0, q, -g)),
            lambda g: mod({d: bell(s.f, f0, q, -g)}),
            lambda g: mod(
                all=gain(-g * shape * (1 + spread * lobes(s.n)))
            ),  # absorbed, nearly alike at all angles
            lambda g: mod({d: gain(-g * shape)}),
            gap,
        ][way]

    return f0, (1.5, 4), (1, 9), make


def cancellation(rng, lay, sc, near):
    way = rng.integers(5)
    f0 = log_uniform(rng, *[(300, 1500), (250, 1000), (1500, 9000), (500, 6000), (300, 1200)][way])
    q, d, lobes, moves = log_uniform(rng, 1.5, 6), sc.loudest(f0), Lobes(rng), Lobes(rng)
    z, deep, lr = -rng.uniform(0.08, 0.45), rng.uniform(0.15, 0.45), rng.choice([-1, 1])
    place, aim = [
        ([0, rng.normal(0, 0.06), z], [1, 0, 0]),
        ([-deep, rng.normal(0, 0.05), rng.uniform(-0.3, 0.1)], [-1, 0, 0]),
        ([-deep / 2, 0, z - 0.15], [0, 0, -1]),
        ([-deep / 2, lr * lay.width / 2, z], [0, lr, 0]),
    ][rng.integers(4)]
    beta, jitter, turn, mix = (
        rng.uniform(0, 0.35),
        rng.uniform(-0.4, 0.4),
        rng.uniform(0.6, 2.2) * np.pi,
        rng.uniform(0.6, 1.6),
    )
    size, t0, t1, oval = (
        rng.uniform(0.15, 0.45),
        rng.uniform(0.9, 2),
        rng.uniform(0.6, 1.4),
        np.exp(rng.normal(0, 0.3)),
    )
    broad = rng.uniform(0.25, 0.6, 2)

    def make(s):
        t = s.oval(oval)
        if way in (0, 4):  # port or slot: a small source at its own place
            S = (
                s.ref
                * (bandpass(s.f, f0, q) if way == 0 else hump(s.f, f0, *broad))
                * np.exp(1j * jitter)
            )
            S = (
                S
                * np.exp(beta * (s.n - AXIS) @ aim)[:, None]
                * s.phase(path(np.array(place), s.n, s.dist))
            )
        elif way == 1:  # panel: lobes of either sign, in antiphase ahead
            S = (
                s.ref
                * bandpass(s.f, f0, 1.5 * q)
                * (1 + mix * lobes(s.n))
                * s.phase(deep / 3 * (1 - s.n[:, 0]))
            )
        elif way == 2:  # cone in parts: the sign turns with the angle
            S = bandpass(s.f, f0, q) * np.cos(np.pi / 2 * t / t1) * np.exp(-((t / t1 / 2.4) ** 2))
        else:  # coupled cavity: frequency, size and phase all
            S = bandpass(s.f, f0 * 2 ** (size * moves(s.n)), q)  # run over the angle
            S = S * np.exp(-((t / t0) ** 2) + 1j * (turn * s.u + jitter)) * (1 + 0.3 * lobes(s.n))
        return (lambda g: mod({d: 1 - g * S})) if way in (2, 3) else (lambda g: mod(add=-g * S))

    return f0, (3, 15), (0.2, 1.1), make


def deep_null(rng, lay, sc, near):
    way = rng.integers(5)
    f0 = log_uniform(rng, *[(250, 9000), (300, 5000), (500, 9000), (350, 2500), (600, 6000)][way])
    d, lobes, half, count = (
        sc.loudest(f0),
        Lobes(rng),
        C / (2 * f0),
        1 if way == 0 else int(rng.integers(1, 4)),
    )
    loss, start, gam = rng.uniform(1.5, 5), rng.uniform(0.1, 0.5), rng.uniform(0.6, 2.6, 3)
    turns = rng.choice([0, 0.5, 1, 1.5, rng.uniform(0, 2)]) * np.pi + np.array(
        [0, np.pi, rng.uniform(0, 6)]
    )
    gam[1] = gam[0] if rng.random() < 0.6 else gam[1]  # a pair alike, or not
    late, bent = half * np.exp(rng.normal(0, [0, 0.05, 0.1])), rng.choice(
        [0, rng.uniform(0.1, 0.3)]
    )
    e = rng.normal(size=3) * [0.15, *rng.permutation([0.4, 1])] * min(0.3, 1.2 * half)
    teeth, slant, a, wid = (
        int(rng.choice([1, 1, 3])),
        rng.uniform(0.15, 0.4),
        rng.uniform(0.2, 0.7),
        rng.uniform(0.5, 1.3, 2),
    )

    def make(s):
        w = s.f / f0
        band = w**2 / (w**2 + start) / (1 + (w / loss) ** 2) * (1 + start) * (1 + 1 / loss**2)
        if way in (0, 4):  # near surfaces that throw the sound forward
            aims = np.stack(
                [np.cos(gam), np.sin(gam) * np.cos(turns), np.sin(gam) * np.sin(turns)], 1
            )[:count]
            S = (
                band
                / count
                * sum(s.phase(r / (1 - v[0]) * (1 - s.n @ v)) for r, v in zip(late, aims))
            )
            return lambda g: mod(all=1 + g * S)
        if way == 1:  # a twin at a distance and later
            S = s.phase(half - (s.n - AXIS) @ e)
            return lambda g: mod({d: (1 + g * S) / (1 + g)})
        if way == 2:  # cabin: the way inside changes with the angle
            S = s.phase(teeth * half * (1 + slant * lobes(s.n))) * hump(s.f, f0, *wid)
            return lambda g: mod({d: 1 + g * S})
        S = (
            s.phase(2 * half * (a + (1 - a) * s.n[:, :1] + bent * lobes(s.n))) * band
        )  # wave from behind, in antiphase
        return lambda g: mod(all=1 - g * S)

    return f0, (6, 20), (0.35, 1.35), make


def crossover_phase(rng, lay, sc, near):
    i, way, sign = int(rng.integers(len(lay.cuts))), rng.integers(4), rng.choice([-1, 1])
    fc, level, off = (
        lay.cuts[i],
        rng.uniform(-1.5, 1.5),
        np.array([0, rng.normal(0, 0.01), rng.normal(0, 0.03)]) * (way == 3),
    )
    who = (
        range(i + 1, lay.ways) if rng.random() < 0.6 else range(i + 1)
    )  # the upper ones or the lower ones

    def make(s):
        w, fixed = s.f / fc, s.phase((AXIS - s.n) @ off) * gain(level * hump(s.f, fc, 0.6, 0.6))
        turned = [
            lambda phi: np.exp(1j * sign * phi * w),  # delay or depth (3: the place moves too)
            lambda phi: -np.exp(
                1j * sign * (np.pi - phi) * w
            ),  # polarity, partly made good by a delay
            lambda phi: (1 - 1j * w * np.tan(phi / 2)) / (1 + 1j * w * np.tan(phi / 2)),
        ][
            way % 3
        ]  # all-pass
        return lambda phi: mod({j: turned(phi) * fixed for j in who})

    return fc, (2, 12), (0.7, 3.0), make


def directivity_step(rng, lay, sc, near):
    way, i = (
        (rng.integers(4), int(rng.integers(len(lay.cuts))))
        if lay.cuts
        else (2 + rng.integers(2), 0)
    )
    f0, narrow, (lo, hi) = (
        log_uniform(rng, 700, 9000),
        rng.random() < 0.55,
        rng.uniform(0.3, 0.9, 2),
    )
    if way < 2:  # at the crossover: before or after it
        f0, narrow = lay.cuts[i] * (0.85, 1.2)[way], way == 0
    who = [i + way] if way < 2 else range(lay.ways) if way == 2 else [sc.loudest(f0)]
    cutoff, ang, q, u0 = (
        rng.uniform(0.8, 2),
        rng.integers(4),
        rng.uniform(0.8, 1.6),
        rng.uniform(0.08, 0.35),
    )
    t1, tw, asym, comp = (
        rng.uniform(1.0, 1.8),
        rng.uniform(0.5, 0.9),
        np.clip(rng.normal(0, 0.25), -0.5, 0.5),
        rng.uniform(0.85, 1),
    )
    lean = rng.uniform(-0.7, 0.7) * (ang == 3)  # one orbit more than the other

    def make(s):
        x = octs(s.f, f0)  # a bump, or a step that stays for a while
        band = (
            (np.tanh(4 * (x + cutoff / 2)) - np.tanh(4 * (x - cutoff / 2))) / 2
            if way == 3
            else hump(s.f, f0, lo, hi)
        )
        W = [
            s.u**q * 2,
            1 - np.exp(-((s.u / u0) ** q)),
            np.exp(-(((s.theta - t1) / tw) ** 2)),
            s.u * 2,
        ][ang]
        W = band * W * (1 + asym * s.n[:, 1:2] + lean * (s.n[:, 1:2] ** 2 - s.n[:, 2:] ** 2))
        att = {
            j: np.maximum(20 * np.log10((s.axis @ np.abs(s.P[j])) / np.abs(s.P[j])), 0)
            for j in who
        }

        def step(g):  # wide: a share of the fall off axis goes away
            m = mod(
                {j: gain(-g * W if narrow else att[j] * (1 - np.exp(-g / 6 * W))) for j in who}
            )
            m.all = gain(-comp * s.effect(m)[0])  # the designer voiced the window flat again
            return m

        return step

    return f0, (1.5, 5), (1.5, 24), make


def single_axis(rng, lay, sc, near):
    way, f0 = rng.integers(4), log_uniform(rng, 1000, 9000)
    q, t0, oval, sharp = (
        log_uniform(rng, 1.5, 7),
        np.radians(rng.uniform(7, 14)),
        np.exp(rng.normal(0, 0.3)),
        rng.uniform(1.6, 3),
    )
    half = C / (2 * f0)  # an extreme of the ripple falls on f0
    d = half * max(1, round(lay.width * rng.uniform(0.45, 1.0) / half))
    count = 10 if way == 1 else int(rng.integers(3, 6))
    az = (
        rng.uniform(0, 6.28)
        + np.arange(count) * 2 * np.pi / count
        + rng.normal(0, 0.15, count) * (way == 0)
    )
    ds, turn = d * (1 + rng.normal(0, 0.04, count) * (way == 0)), rng.integers(
        2
    ) * np.pi + rng.normal(0, 0.4)
    wid, back, sign = rng.uniform(0.35, 0.9, 2), rng.uniform(0.6, 2.7), rng.choice([-1, 1])

    def make(s):
        if way < 2:  # edges or a round rim: in step only ahead
            rim = [
                s.phase(r - r * (s.n[:, 1] * np.cos(x) + s.n[:, 2] * np.sin(x)))
                for x, r in zip(az, ds)
            ]
            S = -sum(rim) / count * hump(s.f, f0, *wid) * np.exp(-back * s.u)
        else:
            S = np.exp(-np.abs(s.oval(oval) / t0) ** sharp)
            S = S * (
                bandpass(s.f, f0, q) * np.exp(1j * turn)
                if way == 2  # plug or cap: a spot; grille, lens: a ripple
                else sign * np.exp(-1j * s.k * d) * hump(s.f, f0, *wid)
            )
        return lambda g: mod(all=1 + g * S)

    return f0, (1.5, 5), (0.1, 0.9), make


DRAW = dict(
    zip(
        KINDS,
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


def size_of(kind, diff, f):
    x = diff[MEASURE.get(kind, 0)][(f > 150) & (f < 14000)]
    return float(-x.min() if kind in DIPS else np.abs(x).max())


def like_its_kind(kind, ahead, room, make, g):
    """Checks beyond the size: what moves with the angle must not be the same everywhere, nor
    blow up elsewhere."""
    if kind == "single-axis":
        return np.subtract(*np.abs(ahead.effect(make(ahead)(g))[::2]).max(1) * [1, 0.6]) <= 0
    if kind in ("cancellation", "deep-null"):
        diff = room.effect(make(room)(g))
        return (
            -diff[1].min() < (0.75 if kind == "cancellation" else 0.9) * -diff[0].min()
            and diff[1].max() < 4.5
        )
    return True


def draw_defect(rng, kind, lay, scenes, others):
    """One defect of the kind whose size alone is what was drawn, or None when this draw cannot
    get there."""
    full, ahead, room = scenes
    nulls = [o.f0 for o in others if o.kind in DIPS[1:]]
    near = rng.choice(nulls) if kind == "resonance" and nulls and rng.random() < 0.3 else None
    f0, (lo, hi), (s0, s1), make = DRAW[kind](rng, lay, full, near)
    if not 240 < f0 < 9100 or any(o.kind == kind and abs(octs(f0, o.f0)) < 0.8 for o in others):
        return None
    s = room if kind == "directivity-step" else ahead
    built, want, sizes = make(s), log_uniform(rng, lo, hi), []
    grid = np.geomspace(s0, s1, 7)
    while len(sizes) < 7 and (not sizes or sizes[-1] < want):
        sizes.append(size_of(kind, s.effect(built(grid[len(sizes)])), s.f))
    n = len(sizes)
    x = (want - sizes[-2]) / (sizes[-1] - sizes[-2]) if n > 1 and sizes[-1] > want else 1
    g = grid[n - 1] * (grid[1] / grid[0]) ** (x - 1)
    if not 0.95 * lo <= size_of(kind, s.effect(built(g)), s.f) <= 1.2 * hi or not like_its_kind(
        kind, ahead, room, make, g
    ):
        return None
    return Record(kind=kind, f0=f0, lo=lo, hi=hi, mod=make(full)(g))


def draw_kinds(rng, seed):
    """Two speakers share a pack of all kinds, so that none is rare; some cards are swapped for
    another kind."""
    pack = np.random.default_rng([seed // 2, 8])
    order, cut = pack.permutation(len(KINDS)), int(pack.integers(3, 6))
    kinds = [KINDS[i] for i in (order[cut:] if seed % 2 else order[:cut])]
    for i in np.flatnonzero(rng.random(len(kinds)) < 0.12):
        new = KINDS[rng.integers(len(KINDS))]
        kinds[i] = (
            kinds[i] if new == "crossover-phase" and new in kinds else new
        )  # a crossover is one place
    return sorted(
        kinds, key=lambda k: k == "resonance"
    )  # last, since some sit on the flank of a null


def judge(full, defects, total):
    """Truth of each defect in the complete speaker; the first one that is not of its proper
    size, if any."""
    level = full.averages(total)
    for d in defects:
        d.truth = level - full.averages(full.sound([o.mod for o in defects if o is not d]))
        size, x = size_of(d.kind, d.truth, FREQS_HZ), d.truth[MEASURE.get(d.kind, 0)] * (
            (FREQS_HZ > 150) & (FREQS_HZ < 14000)
        )
        if not max(1.05, 0.75 * d.lo) <= size <= 1.3 * d.hi or (
            d.kind in DIPS and x.max() > max(0.8 * size, 2)
        ):
            return d
        x = -x if d.kind in DIPS else np.abs(x)
        top = FREQS_HZ[x >= 0.97 * x.max()]  # a shelf is named where it reaches its height
        d.hz = top[np.argmin(np.abs(octs(top, d.f0)))]


def draw_speaker(rng, seed):
    """Scene, defects with their truth, and the sound; all is drawn again should the defects not
    come together."""
    kinds = draw_kinds(rng, seed)
    while True:
        lay, full = build_speaker(rng, kinds)
        scenes, defects, todo = (
            (full, full.part(LW_ROWS, 2), full.part(np.arange(72), 4)),
            [],
            list(kinds),
        )
        for _ in range(60):
            new = draw_defect(rng, todo[0], lay, scenes, defects)
            defects, todo = (defects + [new], todo[1:]) if new else (defects, todo)
            if not todo:
                total = full.sound([d.mod for d in defects])
                bad = judge(full, defects, total)
                if bad is None:
                    return full, [defects[i] for i in rng.permutation(len(defects))], total
                defects, todo = [d for d in defects if d is not bad], [bad.kind]


def known_speaker(seed):
    rng = np.random.default_rng([seed, 4])
    full, defects, total = draw_speaker(rng, seed)
    ppo, noise = int(rng.choice([12, 16, 24, 36, 48])), rng.uniform(0, 0.5)
    level = (20 * np.log10(np.abs(total) + 1e-6)).T
    f = 20.0 * 2.0 ** (np.arange(int(ppo * np.log2(1000)) + 1) / ppo)
    if 48 % ppo:
        level = CubicSpline(np.log2(FREQS_HZ), level)(np.log2(f))
    else:
        level = level[:: 48 // ppo][: f.size]
    level = level + noise * rng.standard_normal(level.shape)
    known = [KnownDefect(d.kind, d.hz, d.truth) for d in defects]
    return KnownSpeaker(f"simulated {seed}", f, level, full.healthy[0], known)


if __name__ == "__main__":
    run(known_speaker, __doc__, Form(level=2, blank_line=True))
