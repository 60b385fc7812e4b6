"""Simulated loudspeakers with known defects, measured anechoically on a horizontal and a vertical
orbit.

A speaker is a box with one to three drivers. Each is a piston on a baffle: a direct wave, shadowed
behind the baffle, plus a wave radiated again by points on the baffle's edge (together
omnidirectional at low frequencies). Drivers are voiced one by one and as a whole, so that the
healthy listening window is flat. A defect multiplies drivers by a transfer T (at strength g it is
1 + g*U, or exp(g*U)) or adds a second source A = g*U; g is fitted to a drawn size on the healthy
speaker. Kinds, frequencies and sizes of a speaker's defects are drawn independently of each other.
"""

import functools
import sys
from pathlib import Path
from types import SimpleNamespace

sys.dont_write_bytecode = True  # no cache folder in the repository
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from population_tools import (
    ANGLES_DEG,
    HORIZONTAL_0,
    Form,
    KnownDefect,
    KnownSpeaker,
    average_weights,
    log_uniform,
    run,
)

import numpy as np
from scipy.special import j0, j1

C = 343.0
WINDOW, ROOM, AXIS = 0, 1, 2  # rows of MEANS
# kind: cards in the deck, smallest and largest size (dB), range of strengths, curve that shows it,
# whether size means a dip
DRAWING = {
    "resonance": (2, 1.5, 6, 0.02, 2.5, WINDOW, False),
    "balance": (2, 1.5, 4, 0.05, 0.8, WINDOW, False),
    "shallow-dip": (2, 1.5, 4, 0.05, 2.0, WINDOW, True),
    "cancellation": (2, 3, 15, 0.1, 1.3, WINDOW, True),
    "deep-null": (2, 6, 25, 0.2, 1.15, WINDOW, True),
    "crossover-phase": (
        3,
        2,
        12,
        0.3,
        3.1,
        WINDOW,
        True,
    ),  # more often, as not every speaker can have it
    "directivity-step": (2, 1.5, 5, 0.1, 2.2, ROOM, False),
    "single-axis": (2, 1.5, 5, 0.03, 1.2, AXIS, False),
}


# ---- directions, averages, grids
def directions():
    """Unit vectors (x right, y up, z front): 36 of the horizontal orbit, then 36 of the
    vertical one."""
    s, c = np.round(np.sin(np.radians(ANGLES_DEG)), 12), np.round(
        np.cos(np.radians(ANGLES_DEG)), 12
    )
    return np.concatenate([np.stack([s, 0 * s, c], 1), np.stack([0 * s, s, c], 1)])


DIRS, MEANS = directions(), average_weights(sound_power="belts").judged()
ASIDE = DIRS[:, 2:]  # cosine of the angle off the axis, as a column
AX, NEAR = HORIZONTAL_0, np.flatnonzero(MEANS[WINDOW])  # the axis; the nine curves of the window


def decibels(power):
    return 10 * np.log10(power + 1e-20)


def hump(f, f0, octaves):
    return np.exp(-0.5 * (np.log2(f / f0) / octaves) ** 2)


@functools.lru_cache(maxsize=None)
def grid(ppo):
    """Frequencies of the truth (48 per octave) together with those measured, in steps of 1/144
    octave."""
    truth, measured = np.arange(480) * 3, np.arange(int(np.log2(1000) * ppo) + 1) * (144 // ppo)
    steps = np.union1d(truth, measured)
    f = 20 * 2.0 ** (steps / 144)

    def smoother(sigma):
        m = np.exp(-0.5 * ((steps[:, None] - steps) / (144 * sigma)) ** 2) * np.gradient(steps)
        return m / m.sum(1, keepdims=True)

    return SimpleNamespace(
        f=f,
        k=2 * np.pi * f / C,
        truth=np.searchsorted(steps, truth),
        broad=smoother(0.22),
        measured=np.searchsorted(steps, measured),
        fine=smoother(0.06),
        heard=(f > 150) & (f < 12000),
    )


# ---- physics of drivers and boxes
X_TABLE = np.linspace(1e-6, 80, 4001)  # real cones have no exact nulls: a floor is added
PISTON = np.sqrt(
    (2 * j1(X_TABLE) / X_TABLE) ** 2 + (0.08 * (1 - np.exp(-((X_TABLE / 3) ** 2)))) ** 2
)
piston = functools.partial(np.interp, xp=X_TABLE, fp=PISTON)


def phasor(k, path):
    """exp(-j k path) for an array of paths, in single precision (fast)."""
    kl = (np.asarray(path)[..., None] * k).astype(np.float32)
    out = np.empty(kl.shape, np.complex64)
    out.real, out.imag = np.cos(kl), np.sin(-kl)
    return out


def lit(cosine, width=0.3):
    """1 where a face of the box is seen, 0 in its shadow, 1/2 in its plane."""
    return 0.5 + 0.5 * np.tanh(np.arcsin(np.clip(cosine, -1, 1)) / width)


def mode(f, f0, q, turn=0.0):
    """A resonance's response, exp(-j turn) at f0."""
    x = f / f0
    return (1j * x * np.cos(turn) + np.sin(turn)) / q / (1 - x * x + 1j * x / q)


def crossover(f, fc, order):
    """Low-pass and high-pass that add in phase (each -6 dB at fc); in the second order the
    upper driver is inverted."""
    s = 1j * f / fc
    den = (1 + s) ** 2 if order == 2 else (1 + np.sqrt(2) * s + s * s) ** 2
    return 1 / den, (-s * s if order == 2 else s**4) / den


def towards(sp, pos):
    """Distances and unit vectors from a point of the speaker to the microphone in all
    directions."""
    ray = sp.dist * DIRS - pos
    r = np.linalg.norm(ray, axis=-1)
    return r, ray / r[..., None]


def pattern(driver, u):
    """Piston directivity towards unit vectors; behind the baffle as in its plane."""
    grow = np.where(u[:, 2] < 0, 1 / np.maximum(np.hypot(u[:, 0], u[:, 1]), 1e-6), 1.0)
    return piston(
        np.hypot((u[:, 0] * grow)[:, None] * driver.xh, (u[:, 1] * grow)[:, None] * driver.xv)
    )


def radiate(sp, driver):
    """Pressure of a driver in its box before filters: direct wave and wave from the edge, phase
    zero at the axis."""
    k, p = sp.g.k, driver.pos
    r, u = towards(sp, p)
    front = lit(u[:, 2])
    direct = (front * sp.dist / r)[:, None] * pattern(driver, u) * phasor(k, r - r[AX])
    cx, cy = np.array(
        [[np.cos(phi), np.sin(phi)] for phi in np.arange(12) * (np.pi / 6) + sp.edge_turn]
    ).T
    d = np.minimum(
        np.where(cx > 0, sp.right - p[0], p[0] - sp.left) / np.maximum(np.abs(cx), 1e-6),
        np.where(cy > 0, sp.top - p[1], p[1] - sp.bottom) / np.maximum(np.abs(cy), 1e-6),
    )
    edge = np.stack([p[0] + d * cx, p[1] + d * cy, 0 * d], 1)
    path = d + np.linalg.norm(sp.dist * DIRS[:, None] - edge, axis=-1) - r[AX]  # (72, 12)
    nearer = 1 + 0.9 * (1 - front)[:, None] * (
        u[:, :1] * cx + u[:, 1:2] * cy
    )  # behind, the near edge counts for more
    drive = (
        piston(np.hypot(cx[:, None] * driver.xh, cy[:, None] * driver.xv)).astype(np.float32) / 12
    )
    ring = np.einsum("aif,if->af", phasor(k, path) * nearer[..., None].astype(np.float32), drive)
    softer = (1 + (sp.g.f / sp.rounding) ** 2) ** (
        -0.5 * front[:, None]
    )  # rounded edges scatter less to the front
    around = (
        1 + ((1 - front)[:, None] * k * sp.width / 4) ** 2
    ) ** -0.15  # a second edge on the way to the rear
    return direct + (0.5 - front)[:, None] * softer * around * ring


# ---- a healthy speaker
def load(rng, k, a, guide=None):
    """Effective k*a, horizontal and vertical: a cone whose rim decouples, a dome (guide 0) or a
    dome in a waveguide."""
    if not guide:
        return 2 * (k * a if guide == 0 else k * a / (1 + (k * a / 4.5) ** 2) ** 0.25,)
    limit, flat = rng.uniform(2.0, 3.2), rng.choice([1.0, rng.uniform(0.6, 0.95)])
    return tuple(
        np.hypot(k * m / (1 + (k * m / limit) ** 4) ** 0.25, 0.75 * k * a)
        for m in (guide, guide * flat)
    )


def layout(rng, g):
    """Box, drivers and crossovers. The reference point is on the baffle at (or near) the height
    of the top driver."""
    ways = int(rng.choice([1, 2, 3], p=[0.07, 0.58, 0.35]))
    sp = SimpleNamespace(
        g=g,
        ways=ways,
        coax=ways > 1 and rng.random() < 0.14,
        dist=float(rng.choice([2.0, 3.0, 5.0, 200.0])),
    )
    rw = log_uniform(rng, *{1: (0.03, 0.065), 2: (0.04, 0.105), 3: (0.075, 0.16)}[ways])
    rm = rng.uniform(0.03, min(0.065, 0.75 * rw)) if ways == 3 else rw
    top_f = float(np.clip(rng.uniform(1.3, 2.2) * C / (2 * np.pi * rm), 1200, 4500))
    guide = rm * rng.uniform(0.6, 1.0) if sp.coax or rng.random() < 0.5 or top_f < 1600 else 0.0
    shift, rt = rng.choice([0.0, rng.uniform(-0.3, 0.3)], p=[0.65, 0.35]) * rw, max(
        guide, 0.03
    )  # tweeter off the middle
    upper = np.array([shift, rng.choice([0.0, rng.uniform(-0.03, 0.03)]), 0.0])
    mid = (
        upper
        if sp.coax
        else np.array(
            [shift * rng.choice([0, 1]), upper[1] - rt - rm - rng.uniform(0.01, 0.04), 0.0]
        )
    )
    low = np.array([0, mid[1] - rm - rw - rng.uniform(0.01, 0.15), 0]) if ways == 3 else mid
    radii, places = {
        1: ([rw], [upper]),
        2: ([rw, rt], [low, upper]),
        3: ([rw, rm, rt], [low, mid, upper]),
    }[ways]
    turned = -1 if ways > 1 and rng.random() < 0.12 else 1  # now and then the tweeter is below
    loads = [load(rng, g.k, 0.9 * a) for a in radii[: max(ways - 1, 1)]]
    loads += [load(rng, g.k, rng.uniform(0.009, 0.02), guide)] * (ways > 1)
    sp.drivers = [
        SimpleNamespace(pos=p * [1, turned, 1], xh=x[0], xv=x[1], a=a)
        for p, x, a in zip(places, loads, radii)
    ]
    ys, rs = np.array([d.pos[1] for d in sp.drivers]), np.array(radii)
    sp.width, off = 2 * max(rw, abs(shift) + rt) + rng.uniform(0.03, 0.12), rng.choice(
        [0.0, rng.uniform(-0.1, 0.1)]
    )
    sp.left, sp.right = min((off - 0.5) * sp.width, -rw - 0.012), max(
        (off + 0.5) * sp.width, rw + 0.012
    )
    sp.top = float((ys + rs).max() + rng.uniform(0.015, 0.08))
    sp.bottom = float(
        (ys - rs).min()
        - rng.choice([rng.uniform(0.3, 0.7), rng.uniform(0.02, 0.12)], p=[0.35, 0.65])
    )
    sp.depth, sp.rounding, sp.edge_turn = (
        rng.uniform(0.8, 1.7) * sp.width,
        log_uniform(rng, 1200, 6000),
        rng.uniform(0, 0.5),
    )
    sp.corner = float(np.clip(3.3 / rw * rng.uniform(0.75, 1.35), 30, 120))
    sp.cross = [
        SimpleNamespace(
            f=top_f, order=int(rng.choice([2, 4], p=[0.3, 0.7])), lower=ways - 2, coax=sp.coax
        )
    ][: ways - 1]
    low_f = log_uniform(rng, 260, min(700, top_f / 4))
    sp.cross = [SimpleNamespace(f=low_f, order=int(rng.choice([2, 4])), lower=0, coax=False)] * (
        ways == 3
    ) + sp.cross
    return sp


def healthy(rng, g):
    """The voiced speaker: sp.P (drivers, 72, frequencies), complex, its window flat at level 1."""
    sp, f, bands = layout(rng, g), g.f, [np.ones(len(g.f), complex)]
    for c in reversed(sp.cross):  # split the lowest band once more
        lowpass, highpass = crossover(f, c.f, c.order)
        bands = [lowpass * sum(bands)] + [highpass * b for b in bands]
    s, q = 1j * f / sp.corner, rng.uniform(0.65, 0.85)
    box = s * s / (1 + s / q + s * s)
    if rng.random() < 0.6:  # vented
        box = s**4 / (1 + s / 0.541 + s * s) / (1 + s / rng.uniform(1.1, 1.35) + s * s)
    bands[0], fields = bands[0] * box, []
    for driver, band in zip(sp.drivers, bands):
        p = radiate(sp, driver)
        level = np.maximum(g.broad @ decibels(MEANS[WINDOW] @ np.abs(p) ** 2), -26)
        ripple = 1 + sum(
            rng.uniform(-0.035, 0.035)
            * mode(f, log_uniform(rng, 200, 16000), log_uniform(rng, 1.5, 8))
            for _ in range(7)
        )
        fields.append(p * (10 ** (-level / 20) * band * ripple))
    P = np.array(fields)
    slope = rng.uniform(-0.18, 0.06) * np.log2(np.maximum(f, 100) / 1000)
    level = g.broad @ (
        decibels(MEANS[WINDOW] @ np.abs(P.sum(0)) ** 2) - decibels(np.abs(box) ** 2)
    )
    sp.P = P * 10 ** ((slope - level) / 20)
    sp.share = np.array([MEANS[WINDOW] @ np.abs(p) ** 2 for p in sp.P])
    sp.curves = decibels(MEANS @ np.abs(sp.P.sum(0)) ** 2)
    return sp


# ---- defects: each maker draws a way and a frequency and tells what it does at unit strength
defect = functools.partial(
    SimpleNamespace, T=None, A=None, base=0.0, power=False
)  # power: T = exp(base + g*U)


def strongest(sp, f0):
    return int(np.argmax(sp.share[:, np.argmin(np.abs(sp.g.f - f0))]))


def only(sp, drivers, u):
    """Put the (angles, frequencies) array u on some drivers, zero on the others."""
    mask = np.zeros((len(sp.P), 1, 1))
    mask[drivers] = 1
    return mask * u


def faces(rng, sp):
    """A point on each face of the box and the way it looks."""
    x, y, z = (
        0.7 * rng.uniform(sp.left, sp.right),
        rng.uniform(sp.bottom, sp.top),
        -sp.depth * rng.uniform(0.3, 0.7),
    )
    return {
        "front": ((x, y, 0), (0, 0, 1)),
        "rear": ((x, y, -sp.depth), (0, 0, -1)),
        "below": ((x, sp.bottom, z), (0, -1, 0)),
        "top": ((x, sp.top, z), (0, 1, 0)),
        "left": ((sp.left, y, z), (-1, 0, 0)),
        "right": ((sp.right, y, z), (1, 0, 0)),
    }


def second_source(sp, face, f0, shape, turn=0.0, delay=0.0):
    """A source on a face, driven like the strongest driver at f0, that cancels it on the axis
    at f0 (None: it cannot)."""
    (r, u), i, d = (
        towards(sp, np.array(face[0])),
        np.argmin(np.abs(sp.g.f - f0)),
        strongest(sp, f0),
    )
    seen, b = lit(u @ np.array(face[1], float), 0.4)[:, None], (sp.g.k * sp.width / 3) ** 2
    e = (0.5 + b * (0.12 + 0.88 * seen)) / (1 + b)  # omnidirectional, then shadowed by the box
    e = e * phasor(sp.g.k, r - r[AX] + sp.width / 2 * (seen[AX, 0] - seen[:, 0]) + delay)
    e = e / e[AX, i] * np.exp(1j * turn)
    return None if np.abs(e[:, i]).max() > 3 else only(sp, d, -sp.P[d, AX] * shape * e)


def resonance(rng, sp):
    f0, q, way = (
        log_uniform(rng, 250, 9000),
        log_uniform(rng, 1.5, 12),
        rng.choice(["shared", "cone", "rim"]),
    )
    sign, drivers, turn = (
        (-1.0 if rng.random() < 0.12 else 1.0),
        strongest(sp, f0),
        rng.uniform(-0.4, 0.4),
    )
    if way == "shared":  # all drivers; else one, not quite in phase
        drivers, turn = slice(None), 0.0
    wide = (
        rng.uniform(0.2, 0.9) * (1 - ASIDE) / 2 if way == "rim" else 0
    )  # or a small part of it, radiating wider
    return defect(f=f0, T=only(sp, drivers, sign * mode(sp.g.f, f0, q, turn) * (1 + wide)))


def balance(rng, sp):
    f, sign, f0 = sp.g.f, rng.choice([-1.0, 1.0]), log_uniform(rng, 250, 6000)
    way = rng.choice(["high shelf", "low shelf", "tilt", "bump", "level"])
    if way == "level" and sp.cross:  # drivers above a crossover too loud or soft
        c = rng.choice(sp.cross)
        return defect(
            f=c.f, T=only(sp, slice(c.lower + 1, None), sign * np.ones(len(f))), power=True
        )
    if way == "bump":
        return defect(f=f0, T=sign * mode(f, f0, rng.uniform(0.3, 0.8))[None, None])
    steep, u = 2.0 ** rng.uniform(0.3, 0.8), np.tanh(np.log2(f / f0) / rng.uniform(1.5, 2.5))
    if way != "tilt":
        u = np.log((1 + 1j * f / f0 * steep) / (1 + 1j * f / f0 / steep)) / (2 * np.log(steep))
    return defect(f=f0, T=sign * (u - 1 if way == "low shelf" else u)[None, None], power=True)


def shallow_dip(rng, sp):
    f, f0, q = sp.g.f, log_uniform(rng, 250, 9000), log_uniform(rng, 0.5, 2.5)
    way = rng.choice(["shared", "rim hole", "gap"], p=[0.4, 0.4, 0.2])
    if way == "gap" and sp.cross:  # two drivers rolled off too far apart
        c, apart = rng.choice(sp.cross), rng.uniform(1.15, 1.4)
        below = np.log(
            np.abs(crossover(f, c.f / apart, c.order)[0] / crossover(f, c.f, c.order)[0])
        )
        above = np.log(
            np.abs(crossover(f, c.f * apart, c.order)[1] / crossover(f, c.f, c.order)[1])
        )
        u = only(sp, slice(0, c.lower + 1), below) + only(sp, slice(c.lower + 1, None), above)
        return defect(f=c.f, T=u, power=True)
    drivers, turn = (
        (slice(None), 0) if way == "shared" else (strongest(sp, f0), rng.uniform(-0.3, 0.3))
    )
    return defect(
        f=f0, T=only(sp, drivers, -mode(f, f0, q, turn))
    )  # all, or a rim that swallows in one driver


def cancellation(rng, sp):
    f, turn, delay = sp.g.f, rng.normal(0, 0.3), 0.0
    way = rng.choice(["port", "panel", "cone", "line"], p=[0.3, 0.2, 0.3, 0.2])
    if way == "cone":  # rim in the wrong phase: a ring in front
        f0 = log_uniform(rng, 1000, 9000)
        d = strongest(sp, f0)
        u, cone = towards(sp, sp.drivers[d].pos)[1], np.maximum(
            sp.drivers[d].xh, 0.7 * sp.g.k * sp.drivers[d].a
        )
        ring = j0(np.hypot(u[:, 0], u[:, 1])[:, None] * cone)
        return defect(
            f=f0,
            A=only(
                sp,
                d,
                -sp.P[d, AX] * mode(f, f0, log_uniform(rng, 1.5, 6), turn) * ring * lit(u[:, 2:]),
            ),
        )
    if way == "port":  # pipe mode, perhaps with its octave
        f0, q, names = (
            log_uniform(rng, 300, 1500),
            log_uniform(rng, 3, 15),
            [rng.choice(["front", "rear", "below"])],
        )
        shape = mode(f, f0, q) + rng.choice([0, 0.4]) * mode(f, f0 * rng.uniform(1.95, 2.1), q)
    elif way == "panel":  # walls, alone or as a pair
        f0, names = (
            log_uniform(rng, 250, 1000),
            [["left"], ["right"], ["left", "right"], ["top"]][rng.integers(4)],
        )
        shape = mode(f, f0, log_uniform(rng, 4, 20))
    else:  # line or open back: broad and late
        f0, names = log_uniform(rng, 250, 900), ["rear"]
        shape, delay = mode(f, f0, rng.uniform(0.8, 2)), rng.uniform(0.1, 0.5) * C / f0
    waves = [
        second_source(sp, face, f0, shape, turn, delay)
        for n, face in faces(rng, sp).items()
        if n in names
    ]
    return None if any(w is None for w in waves) else defect(f=f0, A=sum(waves) / len(waves))


def deep_null(rng, sp):
    f, k, way = (
        sp.g.f,
        sp.g.k,
        rng.choice(["object", "pair", "folded", "recess"], p=[0.35, 0.25, 0.15, 0.25]),
    )
    f0 = log_uniform(
        rng,
        *{
            "object": (300, 6000),
            "pair": (500, 6000),
            "folded": (250, 1200),
            "recess": (1500, 9000),
        }[way],
    )
    late = (
        C / f0 * rng.choice([0.5, 1.5], p=[0.75, 0.25])
    )  # half a wave on the axis, or one and a half
    band = (1 + (f0 / f / rng.uniform(2, 3.5)) ** 4) ** -0.5 * (
        1 + (f / f0 / rng.uniform(1.8, 3.5)) ** 4
    ) ** -0.5
    d, across = strongest(sp, f0), rng.choice(
        [np.pi / 2, -np.pi / 2, rng.uniform(-np.pi, np.pi)], p=[0.4, 0.35, 0.25]
    )
    if way == "folded":  # mouth of a folded horn or labyrinth
        u = second_source(
            sp, faces(rng, sp)[rng.choice(["front", "below"])], f0, band, rng.normal(0, 0.15), late
        )
        return u if u is None else defect(f=f0, A=u)
    if way == "recess":  # driver at the ground of a recess or horn
        return defect(
            f=f0, T=only(sp, d, phasor(k, late / 2 * (1 + DIRS[:, 2])) * band * lit(ASIDE))
        )
    o = np.array([np.cos(across), np.sin(across), 0.0])
    if way == "object":  # plate, lip or stand that scatters everything
        tilt = rng.uniform(1.1, 1.8)
        o = late / (1 - np.cos(tilt)) * (np.sin(tilt) * o + [0, 0, np.cos(tilt)])
        return defect(
            f=f0, T=(phasor(k, np.linalg.norm(o) - DIRS @ o) * band * (0.75 + 0.25 * ASIDE))[None]
        )
    o = o * max(rng.uniform(0.6, 1.6) * C / f0, 0.05)  # a second driver near by, set back
    return defect(f=f0, T=only(sp, d, phasor(k, late - DIRS @ o) * band))


def crossover_phase(rng, sp):
    choice = [c for c in sp.cross if not c.coax]  # (coaxial drivers have no lobes)
    if not choice:
        return None
    c, sign, way = (
        rng.choice(choice),
        rng.choice([-1, 1]),
        rng.choice(["delay", "offset", "polarity", "all-pass"]),
    )
    x, above, base = (sp.g.f / c.f)[None], slice(c.lower + 1, None), 0.0
    u = -1j * sign * x  # electrical delay: alike at all angles
    if way == "offset":  # a driver before or behind: turns with angle
        u = -u * (ASIDE + rng.uniform(-0.4, 0.4) * DIRS[:, 1:2])
    elif way == "polarity":  # wrong way round, made good in part by delay
        base = only(sp, above, -1j * sign * np.pi * (1 - x))
    elif way == "all-pass":  # slopes that do not match
        u = -1j * sign * np.arctan(x) / (np.pi / 4)
    return defect(f=c.f, T=only(sp, above, u), base=base, power=True)


def directivity_step(rng, sp):
    f, way = sp.g.f, rng.choice(["beam", "wide", "waist", "rear"])
    f0, low, high = log_uniform(rng, 1000, 6000), 0, slice(0, None)
    if sp.cross:
        c = rng.choice(sp.cross)
        f0, low, high = c.f, c.lower, slice(c.lower + 1, None)
    side = 1 - np.where(ASIDE > 0, 1.0, 0.35) * ASIDE**2
    if way == "beam":  # the lower driver acts larger than it should
        d, v = sp.drivers[low], towards(sp, sp.drivers[low].pos)[1]
        larger = pattern(SimpleNamespace(xh=1.5 * d.xh, xv=1.5 * d.xv), v) / pattern(d, v)
        u = only(sp, low, np.log(larger) / (1 + (f / f0 / 1.6) ** 4))
    elif way == "wide":  # the upper one loses its guide low in its band
        u = only(
            sp,
            high,
            side / (1 + (f / f0 / rng.uniform(1.5, 2.5)) ** 3) / (1 + (f0 / f / 1.6) ** 4),
        )
    elif way == "waist":  # a guide too narrow, in one plane or both
        weight = [1, 1 - 0.7 * DIRS[:, 1:2] ** 2, 1 - 0.7 * DIRS[:, :1] ** 2][rng.integers(3)]
        f0 *= 2 ** rng.uniform(0.1, 1.2)
        u = only(sp, high, -side * weight * hump(f, f0, rng.uniform(0.25, 0.5)))
    else:  # open back, slots: the rear too soft or loud
        f0 = log_uniform(rng, 250, 2500)
        back = rng.choice([-1, 1]) * ((1 - ASIDE) / 2) ** rng.uniform(0.6, 1.2)
        u = only(sp, strongest(sp, f0), back * hump(f, f0, rng.uniform(0.3, 0.7)))
    return defect(f=f0, T=u, power=True)


def single_axis(rng, sp):
    way, f0, phi = (
        rng.choice(["round", "sides", "mouth"]),
        log_uniform(rng, 1500, 9000),
        np.arange(16) * (np.pi / 8) + 0.1,
    )
    fits = [m * C / f0 / 2 for m in range(2, 14) if 0.05 <= m * C / f0 / 2 <= 0.32]
    path = rng.choice(fits)  # at f0 the edge's wave adds or subtracts fully
    pts = path * np.stack(
        [np.cos(phi), np.sin(phi)], 1
    )  # round baffle, or the rim of a coaxial cone
    if way == "sides":  # straight edges at equal distances
        pts = np.stack(
            [
                np.repeat([-path, path], 8),
                np.tile(np.linspace(-1, 1, 8), 2) * rng.uniform(0.4, 0.9) * path,
            ],
            1,
        )
    elif way == "mouth":  # mouth of a guide, deep, perhaps elliptic
        pts = pts * rng.uniform(0.75, 0.95) * [1, rng.uniform(0.75, 1)]
    arms = np.linalg.norm(pts, axis=1) if way == "sides" else path
    ring = phasor(sp.g.k, arms - DIRS[:, :2] @ pts.T).mean(1)
    return defect(
        f=f0,
        T=only(
            sp, strongest(sp, f0), -ring * hump(sp.g.f, f0, rng.uniform(0.35, 0.8)) * lit(ASIDE)
        ),
    )


MAKER = dict(
    zip(
        DRAWING,
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


# ---- fitting, composing, judging
def realise(d, g, cut=lambda u: u):
    """Transfer and added source of a defect at strength g (1 and 0 where it has none)."""
    if d.T is None:
        return 1.0, g * cut(d.A)
    u = g * cut(d.T) + (cut(d.base) if np.ndim(d.base) else 0)
    return (np.exp(u) if d.power else 1 + u), 0.0


def compose(P, parts):
    """Total pressure with defects (T, A): added sources join their driver, transfers act on
    both."""
    P = P + sum(A for _, A in parts)
    for T, _ in parts:
        P = P * T
    return P.sum(0)


def fit(rng, sp, kind, d):
    """Find the strength that gives a drawn size on the healthy speaker and keep d.parts; False
    if it cannot be had."""
    d.kind, (_, lo, hi, weakest, largest, curve, dip) = kind, DRAWING[kind]
    target = lo + (hi - lo) * (rng.beta(1, 1.6) if kind == "deep-null" else rng.random())
    rows, voiced = {WINDOW: NEAR, ROOM: range(72), AXIS: [AX]}[curve], kind == "directivity-step"
    means, coarse = MEANS[:, rows], slice(*np.flatnonzero(sp.g.heard)[[0, -1]], 3 if voiced else 2)

    def cut(u):
        return u[..., coarse] if u.shape[1] == 1 else u[..., coarse][:, rows]

    P, before = cut(sp.P), sp.curves[:, coarse]

    def size(g):
        change = decibels(means @ np.abs(compose(P, [realise(d, g, cut)])) ** 2) - before
        change = change[curve] - (change[WINDOW] if voiced else 0)
        return -change.min() if dip else np.abs(change).max()

    steps = np.linspace(weakest, largest, 8)
    a, b = next(((a, b) for a, b in zip(steps, steps[1:]) if size(b) >= target), (0, 0))
    if not b:
        return False
    for _ in range(5):
        g = (a + b) / 2
        a, b = (a, g) if size(g) >= target else (g, b)
    T, A = realise(d, (a + b) / 2)
    if voiced:  # the designer made the window flat again
        level = decibels(MEANS[WINDOW] @ np.abs((sp.P * T).sum(0)) ** 2) - sp.curves[WINDOW]
        T = T * 10 ** (-(sp.g.fine @ level) / 20)
    d.parts = T, A
    change = (decibels(MEANS @ np.abs(compose(sp.P, [d.parts])) ** 2) - sp.curves)[:, sp.g.heard]
    if kind == "single-axis":  # must mostly average out
        return np.abs(change[WINDOW]).max() <= 0.5 * np.abs(change[AXIS]).max()
    return kind != "cancellation" or change[WINDOW].max() < -0.7 * change[WINDOW].min()


def draw(rng, sp, kind, others):
    """A defect of this kind, not at the place of another of its kind; None if there is none to
    be had."""
    for _ in range(25):
        d = MAKER[kind](rng, sp)
        if d and all(
            abs(np.log2(d.f / o.f)) > (1.0 if kind == "balance" else 0.5)
            for o in others
            if o.kind == kind
        ):
            if fit(rng, sp, kind, d):
                return d


def afflict(rng, sp):
    """Draw three to five defects that all matter: the pressure with all of them, the defects
    and what each changes."""
    count, deck, defects = (
        int(rng.integers(3, 6)),
        [kind for kind, v in DRAWING.items() for _ in range(v[0])],
        [],
    )
    for i in rng.permutation(len(deck)):
        new = draw(rng, sp, deck[i], defects) if len(defects) < count else None
        defects += [new] if new else []
    while True:
        total = compose(sp.P, [d.parts for d in defects])
        full = decibels(MEANS @ np.abs(total) ** 2)
        for d in defects:
            d.effect = full - decibels(
                MEANS @ np.abs(compose(sp.P, [o.parts for o in defects if o is not d])) ** 2
            )
        weak = [
            i
            for i, d in enumerate(defects)
            if np.abs(d.effect[DRAWING[d.kind][5], sp.g.heard]).max() < 1
        ]
        if not weak:
            return total, defects
        for i in weak:  # too small in this company: drawn anew
            others = defects[:i] + defects[i + 1 :]
            defects[i] = (
                draw(rng, sp, defects[i].kind, others)
                or draw(rng, sp, "resonance", others)
                or defects[i]
            )


# ---- files


def known_speaker(seed):
    rng = np.random.default_rng(seed)
    g = grid(int(rng.choice([12, 16, 24, 36, 48])))
    noise, level = rng.uniform(0, 0.5), 85 + rng.uniform(-4, 4)
    sp = healthy(rng, g)
    total, defects = afflict(rng, sp)
    shown = level + decibels(np.abs(total[:, g.measured]) ** 2)
    shown = shown + noise * rng.standard_normal((72, len(g.measured)))
    known = []
    for d in defects:
        hz = g.f[np.argmax(np.abs(d.effect[DRAWING[d.kind][5]]) * g.heard)]
        known.append(KnownDefect(d.kind, hz, d.effect[:, g.truth]))
    return KnownSpeaker(
        f"simulated {seed}", g.f[g.measured], shown.T, level + sp.curves[WINDOW, g.truth], known
    )


if __name__ == "__main__":
    run(known_speaker, __doc__, Form(level=2, truth=3, blank_line=True))
