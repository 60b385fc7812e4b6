"""Simulated loudspeakers with known defects, from a small set of exact ingredients.

A driver is a vibrating cap on a rigid sphere (Legendre polynomials, spherical Hankel functions):
baffle step, beaming and the shadow of the cabinet come out of one formula. Ways add as complex
pressures through analogue filters and delays, exp(+iwt):
    p = V * prod(1 + g f) * prod(1 + g m)
        * sum over ways of  H * prod(1 + g f) * prod(1 + g m) * (D + sum of g e)
where every defect owns one term f (of frequency), m (of angle and frequency) or e (a further
source): leaving it out is exact, and as each is linear in its strength g, its size is set by a
parabola in g for every average of power.
"""

import sys
from pathlib import Path

sys.dont_write_bytecode = True  # no cache folder in the repository
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from population_tools import (
    ANGLES_DEG,
    FREQS_HZ,
    Form,
    KnownDefect,
    KnownSpeaker,
    average_weights,
    log_uniform,
    run,
)

import numpy as np
from scipy.special import eval_legendre, j0

C = 343.0
INSIDE = (FREQS_HZ > 240) & (FREQS_HZ < 9300)
VERTICAL = np.array(
    [a for a in ANGLES_DEG if a not in (0, 180)]
)  # 0 and 180 degrees belong to both orbits: 70 directions
H_INDEX = {int(a): i for i, a in enumerate(ANGLES_DEG)}
V_INDEX = {int(a): 36 + i for i, a in enumerate(VERTICAL)} | {0: H_INDEX[0], 180: H_INDEX[180]}
ORBITS = {
    "horizontal": [H_INDEX[int(a)] for a in ANGLES_DEG],
    "vertical": [V_INDEX[int(a)] for a in ANGLES_DEG],
}
_h, _v = np.radians(ANGLES_DEG), np.radians(VERTICAL)
DIRS = np.round(
    np.vstack([np.c_[np.sin(_h), 0 * _h, np.cos(_h)], np.c_[0 * _v, np.sin(_v), np.cos(_v)]]), 12
)  # right, up, front
SIN, FRONT = np.hypot(DIRS[:, 0], DIRS[:, 1]), H_INDEX[0]
NODES, NODE_WEIGHTS = np.polynomial.legendre.leggauss(12)
CEILING = 50.0  # the pattern of a cap is frozen above this ka
WIN, ROOM, AXIS = 0, 1, 2
MEASURE = {
    "directivity-step": ROOM,
    "single-axis": AXIS,
}  # where a kind is sized, all others in the window


WEIGHTS = average_weights(
    [("horizontal", int(a)) for a in ANGLES_DEG] + [("vertical", int(a)) for a in VERTICAL],
    "belts",
).judged()


def power_means(p):
    return WEIGHTS @ (p.real**2 + p.imag**2)


def db(power):
    return 10.0 * np.log10(np.maximum(power, 1e-30))


def smooth(f, y, octaves):
    """Gaussian smoothing of y over log frequency, on the regular grid of the truth, brought
    back to f."""
    half = int(np.ceil(octaves * 72))
    kernel = np.exp(-0.5 * (np.arange(-half, half + 1) / (octaves * 24)) ** 2)
    regular = np.pad(np.interp(np.log(FREQS_HZ), np.log(f), y), half, mode="edge")
    return np.interp(
        np.log(f), np.log(FREQS_HZ), np.convolve(regular, kernel / kernel.sum(), mode="valid")
    )


# ---- exact filters, all analogue, on a vector of frequencies ----
def band(f, f0, q):
    """Second order band-pass, 1 at f0: the mode of everything that resonates."""
    s = 1j * f / f0
    return (s / q) / (s * s + s / q + 1)


def crossover(f, f0, order):
    """Low-pass and high-pass of second or fourth order, of such a polarity that both add to an
    all-pass."""
    s = 1j * f / f0
    low = 1 / (1 + s) ** 2 if order == 2 else 1 / (s * s + np.sqrt(2) * s + 1) ** 2
    return low, (-s * s if order == 2 else s**4) * low


# ---- radiators: caps on rigid spheres ----
def hankel(x, count):
    """Spherical Hankel functions of the second kind h_0 ... h_count-1 (upward recurrence is
    stable for them)."""
    rows = np.empty((count, len(x)), complex)
    rows[0] = 1j * np.exp(-1j * x) / x
    rows[1] = rows[0] * (1 / x + 1j)
    for n in range(1, count - 1):
        rows[n + 1] = ((2 * n + 1) / x) * rows[n] - rows[n - 1]
    return rows


class Speaker:
    """Frequencies, the place of the microphones and the ways of one loudspeaker."""

    def __init__(self, rng):
        points = int(rng.choice([12, 16, 24, 36, 48]))
        measured = 20.0 * 2.0 ** (np.arange(int(points * np.log2(1000.0)) + 1) / points)
        self.f = np.unique(np.round(np.r_[FREQS_HZ, measured], 7))
        self.truth_at, self.measured_at = (
            np.searchsorted(self.f, np.round(grid, 7)) for grid in (FREQS_HZ, measured)
        )
        self.k, self.distance = 2 * np.pi * self.f / C, (
            1000.0 if rng.random() < 0.45 else rng.uniform(2.0, 5.0)
        )
        self.ways, self.crossings, self.voice = [], [], 1.0

    def at(self, f0):
        return int(np.argmin(np.abs(self.f - f0)))

    def leader(self, f0):  # the way that is loudest there
        return int(np.argmax([abs(w["H"][self.at(f0)]) for w in self.ways]))

    def cap(self, a, radius, flat, axis=(0.0, 0.0, 1.0), centre=(0.0, 0.0, 0.0), inner=0.0):
        """Pressure times distance of a cap (or a ring, from the part `inner` of its radius) on a
        sphere of radius a. flat = 1: it moves like a flat piston (its rim leads by its depth);
        flat = 0: like a breathing dome that fades towards its rim, of constant coverage. The
        radial functions are taken at the nominal distance, angles and paths at the true place.
        """
        k = np.minimum(self.k, CEILING / a)
        kr, order = k * self.distance, np.arange(int(k[-1] * a + 9))[:, None]
        edge, rim = np.sqrt(1 - (inner * radius / a) ** 2), np.sqrt(1 - (radius / a) ** 2)
        x = 0.5 * (edge + rim) + 0.5 * (edge - rim) * NODES
        fade = NODE_WEIGHTS * (1 - (1 - flat) * (1 - x) / (1 - rim))
        moved = ((order + 0.5) * eval_legendre(order, x) * fade) @ np.exp(
            1j * flat * np.outer(a * (1 - x), k)
        )
        near = hankel(k * a, len(order))
        slope = np.vstack([-near[1:2], near[:-1] - (order[1:] + 1) / (k * a) * near[1:]])
        terms = (
            moved
            * hankel(kr, len(order))
            / slope
            * (-kr * np.exp(1j * (kr + (self.k - k) * a)) / (k * a) ** 2)
        )
        ray = self.distance * DIRS - centre
        length = np.sqrt((ray**2).sum(axis=1))
        patterns = eval_legendre(order, ray @ np.asarray(axis) / length).T @ np.ascontiguousarray(
            terms
        ).view(float)
        return (
            patterns.view(complex)
            * np.exp(-1j * np.outer(length - self.distance, self.k))
            * (self.distance / length)[:, None]
        )

    def add_way(self, radius, a, flat, front, filt, pair=0.0):
        """A driver facing forward in a cabinet as wide as its sphere, levelled in the listening
        window as its designer would."""
        centre = np.asarray(front) - np.array([0, 0, a])
        field = self.cap(a, radius, flat, centre=centre)
        if pair:  # two alike, above and below
            field = field * np.cos(np.outer(DIRS[:, 1], self.k) * pair)
        level = np.sqrt(power_means(field)[WIN])
        self.ways += [
            {
                "radius": radius,
                "a": a,
                "flat": flat,
                "centre": centre,
                "level": level,
                "D": field / level,
                "H": filt,
            }
        ]

    def align(self, lower, upper, fc):
        """Delay the upper way so that both are in phase on the axis at the crossover."""
        i = self.at(fc)
        one, two = (self.ways[w]["D"][FRONT, i] * self.ways[w]["H"][i] for w in (lower, upper))
        self.ways[upper]["H"] = self.ways[upper]["H"] * np.exp(
            1j * np.angle(one / two) * self.f / self.f[i]
        )


def healthy(rng):
    """A good loudspeaker of one to three ways, voiced flat in the listening window."""
    sp = Speaker(rng)
    f, order, guide, coaxial = (
        sp.f,
        int(rng.choice([2, 4])),
        rng.random() < 0.35,
        rng.random() < 0.14,
    )
    count = int(rng.choice([1, 2, 3], p=[0.07, 0.55, 0.38]))
    if count == 1:
        radius = rng.uniform(0.03, 0.06)
        sp.add_way(
            radius,
            radius * rng.uniform(1.3, 2.5),
            rng.uniform(0.3, 0.6),
            (0, 0, 0),
            np.ones(len(f), complex),
        )
    else:
        middle = rng.uniform(0.03, 0.07) if count == 3 else log_uniform(rng, 0.03, 0.105)
        fc = float(
            np.clip(
                rng.uniform(1.3, 2.4) * C / (2 * np.pi * middle), 1300 if guide else 1800, 4800
            )
        )
        low, high = crossover(f, fc, order)
        top = rng.uniform(0.045, 0.085) if guide else rng.uniform(0.009, 0.02)
        gap = 0.0 if coaxial else middle + top + rng.uniform(0.01, 0.05)
        half = middle * rng.uniform(1.2, 1.8) + 0.02
        aside = rng.uniform(-0.07, 0.07) if rng.random() < 0.35 and not coaxial else 0.0
        where = np.array([aside, gap * rng.choice([1, -1], p=[0.85, 0.15]), 0.0])
        lift, pair = (
            rng.uniform(0.0, 1.0) * where,
            0.0,
        )  # the axis goes through the tweeter, or lower
        if count == 3:
            woofer = log_uniform(rng, max(0.08, 1.4 * middle), 0.16)
            first = log_uniform(rng, 250, min(750, fc / 3.2))
            below = np.array([0.0, -(woofer + middle + rng.uniform(0.01, 0.06)), 0.0])
            sp.add_way(
                woofer,
                woofer * rng.uniform(1.2, 1.7),
                1.0,
                below - lift,
                crossover(f, first, order)[0],
            )
            sp.add_way(
                middle, half, rng.uniform(0.8, 1.0), -lift, crossover(f, first, order)[1] * low
            )
            sp.align(0, 1, first)
            sp.crossings.append((first, 0, 1))
        else:
            if not coaxial and middle < 0.08 and rng.random() < 0.2:
                pair, where, lift = gap, np.zeros(3), np.zeros(3)
            sp.add_way(middle, half, rng.uniform(0.8, 1.0), -lift, low, pair)
        a = (
            top / np.sin(np.radians(rng.uniform(45, 65)))
            if guide
            else np.clip(half * rng.uniform(0.6, 1.0), 0.05, 0.17)
        )
        sp.add_way(
            top, a, rng.uniform(0.0, 0.25) if guide else rng.uniform(0.7, 1.0), where - lift, high
        )
        sp.align(count - 2, count - 1, fc)
        sp.crossings += [] if coaxial else [(fc, count - 2, count - 1)]
    if rng.random() < 0.7:  # a trace of edge diffraction belongs to every cabinet
        edge = rng.uniform(0.06, 0.15)
        sp.ways[-1]["D"] *= 1 - rng.uniform(0.01, 0.04) * j0(np.outer(SIN, sp.k * edge)) * np.exp(
            -1j * sp.k * edge
        )
    s, sp.vented = 1j * f / log_uniform(rng, 30, 120), rng.random() < 0.55
    box = s * s / (s * s + s / (0.541 if sp.vented else rng.uniform(0.6, 0.85)) + 1)
    box = box * s * s / (s * s + 0.765 * s + 1) if sp.vented else box
    ripple = sum(
        rng.uniform(-1, 1) * np.abs(band(f, log_uniform(rng, 150, 16000), rng.uniform(1, 6)))
        for _ in range(7)
    )
    ripple = ripple * rng.uniform(0.1, 0.45) / np.abs(ripple).max() + rng.uniform(
        -0.12, 0.06
    ) * np.log2(f / 1000)
    got = db(power_means(assemble(sp, [])[0])[WIN])
    voiced = smooth(f, got, rng.uniform(0.15, 0.5))
    sp.voice = 10 ** (
        (rng.uniform(83, 87) + ripple - (got if np.abs(voiced - got).max() > 0.6 else voiced)) / 20
    ) * np.abs(box)
    return sp


def assemble(sp, defects):
    """Total pressure, pressure of each way, what a source in each way is multiplied by, and
    what is common to all."""
    parts, drives, common = [], [], sp.voice
    for w, way in enumerate(sp.ways):
        drive, field = way["H"], way["D"]
        for d in sorted((d for d in defects if d["way"] == w), key=lambda d: d["type"]):
            if d["type"] == "e":
                field = field + d["g"] * d["term"]
            else:
                drive = drive * (1 + d["g"] * d["term"])
        drives.append(drive)
        parts.append(drive * field)
    for d in defects:
        common = common * d.get("voice", 1.0)
        if d["way"] is None:
            common = common * (1 + d["g"] * d["term"])
    return sum(parts) * common, parts, drives, common


# ---- the defects: each gives its way (None: all of the speaker) and the type and values of its
# term for g = 1. Unless `fixed`, g is sized later: sign of the effect, largest g, width in octaves
# looked at, `turn` off the phase of a full effect
def term(way, kind, values, **more):
    return {"way": way, "type": kind, "term": values, "g": 1.0, **more}


def resonance(sp, rng, f0, _):
    q, way = log_uniform(rng, 1.5, 12), None if rng.random() < 0.4 else sp.leader(f0)
    if rng.random() < 0.12:  # a narrow dip: the mode takes energy away
        return term(way, "f", -band(sp.f, f0, max(q, 3.0)), sign=-1, most=0.75, width=0.2)
    late = (
        rng.uniform(-0.6, 0.6) if rng.random() < 0.35 else 0.0
    )  # the mode is driven a little late: a lopsided bump
    return term(way, "f", band(sp.f, f0, q) * np.exp(1j * late), sign=1, most=1.6, width=0.5)


def balance(sp, rng, f0, _):
    gain = rng.uniform(1.5, 4.0) * rng.choice([-1, 1])
    s, root, step = 1j * sp.f / f0, 10 ** (gain / 40), 10 ** (gain / 20)
    form = rng.choice(["shelf", "steep", "tilt", "bump", "driver"], p=[0.2, 0.2, 0.2, 0.25, 0.15])
    if form == "driver" and len(sp.ways) > 1:  # one driver too loud or too soft
        return term(
            int(rng.integers(len(sp.ways))), "f", np.full(len(sp.f), step - 1 + 0j), fixed=True
        )
    side = root if rng.random() < 0.5 else 1 / root  # the end of a shelf that stays where it is
    if form == "shelf":  # first order
        value = (
            side * (s * np.sqrt(root) + 1 / np.sqrt(root)) / (s / np.sqrt(root) + np.sqrt(root))
        )
    elif form == "steep":  # second order
        value = (
            side
            * (root * s * s + np.sqrt(2 * root) * s + 1)
            / (s * s + np.sqrt(2 * root) * s + root)
        )
    elif form == "tilt":  # straight over some octaves
        value = 10 ** (gain / 20 * np.tanh(np.log2(sp.f / f0) / rng.uniform(2.0, 4.0))) + 0j
    else:
        value = 1 + (step - 1) * band(sp.f, f0, rng.uniform(0.3, 0.75))
    return term(None, "f", value - 1, fixed=True)


def shallow_dip(sp, rng, f0, _):
    q, form = log_uniform(rng, 0.5, 2.5), rng.choice(
        ["all", "driver", "flat", "trap"], p=[0.3, 0.35, 0.2, 0.15]
    )
    if form == "flat":  # between two first order shelves: with a flat bottom
        s, wide = 1j * sp.f / f0, 2 ** (0.5 / q)
        return term(
            None,
            "f",
            -s * (wide - 1 / wide) / ((s + 1 / wide) * (s + wide)),
            sign=-1,
            most=2.0,
            width=0.7,
        )
    late = rng.uniform(-0.4, 0.4) if form == "trap" else 0.0  # an absorber a little off in phase
    way = sp.leader(f0) if form == "driver" else None
    return term(way, "f", -band(sp.f, f0, q) * np.exp(1j * late), sign=-1, most=0.6, width=0.6)


def cancellation(sp, rng, f0, _):
    w = sp.ways[way := sp.leader(f0)]
    form = rng.choice(
        ["port", "panel", "breakup", "rear"],
        p=[0.4, 0.25, 0.2, 0.15] if sp.vented else [0, 0.35, 0.25, 0.4],
    )
    mode = band(sp.f, f0, rng.uniform(0.9, 2.5) if form == "rear" else log_uniform(rng, 2.0, 10.0))
    if form == "breakup":  # the rim of the cone against its middle
        field = sp.cap(
            w["a"], w["radius"], w["flat"], centre=w["centre"], inner=rng.uniform(0.6, 0.85)
        )
    elif form == "panel":  # a wall of the cabinet, right or left, or its lid
        axis = [(1, 0, 0), (-1, 0, 0), (0, 1, 0)][rng.integers(3)]
        field = sp.cap(w["a"], w["a"] * rng.uniform(0.4, 0.75), 0.6, axis, w["centre"])
    else:  # mode of the pipe; or the box heard through a leak
        tilt = rng.uniform(0.6, 1.2)
        axis = [
            (0, 0, -1),
            (0, -1, 0),
            (rng.choice([-0.5, 0, 0.5]) * np.sin(tilt), -np.sin(tilt), np.cos(tilt)),
        ]
        axis = np.array(axis[rng.choice(3, p=[0.5, 0.25, 0.25]) if form == "port" else 0], float)
        shift = np.array([0, rng.uniform(-0.12, 0.12), rng.uniform(0.0, 0.2) * min(axis[2], 0)])
        field = sp.cap(
            w["a"],
            w["a"] * rng.uniform(0.15, 0.4),
            1.0,
            axis / np.linalg.norm(axis),
            w["centre"] + shift,
        )
    return term(
        way,
        "e",
        field * (mode / w["level"]),
        sign=-1,
        most=12.0,
        width=0.4,
        turn=rng.normal(0, 0.25),
    )


def deep_null(sp, rng, f0, _):
    way, half = sp.leader(f0), C / (2 * f0)
    reach = band(
        sp.f, f0, rng.uniform(0.4, 1.2)
    )  # what reflects is neither small nor large at all wavelengths
    form = rng.choice(["reflection", "pair", "horn"], p=[0.5, 0.28, 0.22])
    if form == "reflection":  # a ledge, stand or neighbour: one late image of the driver
        side = [(0, -1), (0, 1), (1, 0), (-1, 0), (0.7, -0.7)][
            rng.choice(5, p=[0.3, 0.2, 0.15, 0.15, 0.2])
        ]
        lean = np.radians(rng.uniform(-25, 40))
        late = 1 - DIRS @ np.array([side[0] * np.cos(lean), side[1] * np.cos(lean), np.sin(lean)])
        length = half * rng.choice([1, 3], p=[0.85, 0.15]) / late[FRONT]
        values = np.exp(-1j * np.outer(length * late, sp.k)) * (1 - 0.18 * late)[:, None] * reach
    elif form == "pair":  # a second driver at a distance and further back
        aside = rng.uniform(-0.12, 0.12) * (rng.random() < 0.5)
        apart = DIRS @ np.array([aside, -rng.uniform(0.05, 0.3), -half * rng.uniform(0.3, 1.0)])
        values = np.exp(1j * np.outer(apart, sp.k)) * reach
    else:  # the rim of a horn sends back what its throat sent out
        values = (
            j0(np.outer(SIN, sp.k * rng.uniform(0.03, 0.11))) * np.exp(-1j * sp.k * half) * reach
        )
    return term(
        way if rng.random() < 0.75 else None,
        "m",
        values,
        sign=-1,
        most=1.35,
        width=0.35,
        turn=rng.normal(0, 0.15),
    )


def crossover_phase(sp, rng, fc, context):
    """Delay, polarity, all-pass or depth of one driver: the phase between the two is scanned
    for the dip that is wanted."""
    total, parts, _, common = context
    lower, upper = next(pair for c, *pair in sp.crossings if c == fc)
    way = (
        lower if len(sp.ways) - lower == 3 or (len(sp.ways) == 2 and rng.random() < 0.3) else upper
    )
    x, near = sp.f / fc, np.abs(np.log2(sp.f / fc)) < 0.8
    form, sense = rng.choice(
        ["delay", "polarity", "allpass", "depth"], p=[0.3, 0.25, 0.2, 0.25]
    ), rng.choice([-1, 1])

    def factor(phi, height=1.0):
        if form == "allpass":
            return (1 - 1j * x * np.tan(phi / 2)) / (1 + 1j * x * np.tan(phi / 2))
        return (
            -np.exp(-1j * sense * (phi - np.pi) * x)
            if form == "polarity"
            else np.exp(-1j * sense * phi * height * x)
        )

    part = (parts[way] * common)[:, near]
    other = total[:, near] - part
    base, cross = WEIGHTS[WIN] @ (np.abs(part) ** 2 + np.abs(other) ** 2), WEIGHTS[WIN] @ (
        np.conj(other) * part
    )
    phis, wanted = np.radians(np.arange(40, 178, 4.0)), rng.uniform(2.0, 12.0)
    dips = [
        np.max(db(base + 2 * cross.real) - db(base + 2 * (factor(phi)[near] * cross).real))
        for phi in phis
    ]
    best = int(np.argmin(np.abs(np.array(dips) - wanted)))
    if abs(dips[best] - wanted) > 0.3 * wanted:
        return None
    moved = form == "depth"  # the driver itself sits further back or forward
    return term(
        way,
        "m" if moved else "f",
        factor(phis[best], DIRS[:, 2:3] if moved else 1.0) - 1,
        fixed=True,
    )


def directivity_step(sp, rng, f0, _):
    w, mode = sp.ways[way := sp.leader(f0)], band(sp.f, f0, rng.uniform(0.5, 1.4))
    form = rng.choice(["large", "rear", "row", "wide"], p=[0.35, 0.25, 0.25, 0.15])
    if form == "rear":  # a second driver towards the back, the top or a side
        axis = [(0, 0, -1), (0, 1, 0), (1, 0, 0), (-1, 0, 0)][
            rng.choice(4, p=[0.55, 0.25, 0.1, 0.1])
        ]
        field = sp.cap(w["a"], min(w["radius"], 0.4 * w["a"]), 0.5, axis, w["centre"])
        return term(way, "e", field * (mode / w["level"]), sign=1, most=8.0, width=0.8)
    if form == "row":  # drivers in a row, side by side or above one another
        reach = np.outer(DIRS[:, int(rng.random() < 0.3)], sp.k) * (
            rng.uniform(0.15, 0.36) * C / f0
        )
        return term(way, "e", w["D"] * (np.cos(reach) - 1) * mode, sign=-1, most=1.2, width=0.8)
    large = form == "large"  # a driver that beams too early, or is too wide there
    radius = (
        min(rng.uniform(1.3, 4.2) * C / (2 * np.pi * f0), 0.17) if large else 0.3 * w["radius"]
    )
    a = max(radius * 1.25, w["a"] if large else 0.05)
    field = sp.cap(a, radius, float(large), centre=w["centre"] + np.array([0, 0, w["a"] - a]))
    turn = np.exp(-1j * np.angle((field / w["D"])[FRONT, sp.at(f0)]) * sp.f / f0)
    values = (field * (turn / np.sqrt(power_means(field)[WIN])) - w["D"]) * mode
    return term(way, "e", values, sign=-1 if large else 1, most=1.3, width=0.8)


def single_axis(sp, rng, f0, _):
    edge = max(
        0.05, rng.uniform(0.9, 1.9) * C / f0
    )  # in step on the axis, out of step some degrees beside it
    form = rng.choice(["ring", "square", "narrow"])
    if form == "ring":  # a round baffle
        shape = j0(np.outer(SIN, sp.k * edge))
    elif form == "square":  # four straight edges, each of finite length
        x, y = (np.outer(DIRS[:, i], sp.k * edge) for i in (0, 1))
        shape = 0.5 * (np.cos(x) * np.sinc(0.25 * y) + np.cos(y) * np.sinc(0.25 * x))
    else:  # between driver and grille or lens: a narrow lobe
        shape = np.exp(-((np.degrees(np.arctan2(SIN, DIRS[:, 2])) / rng.uniform(7, 13)) ** 2))[
            :, None
        ]
    values = shape * (np.exp(-1j * sp.k * edge) * band(sp.f, f0, rng.uniform(0.5, 1.6)))
    way, sign = sp.leader(f0) if rng.random() < 0.7 else None, int(rng.choice([-1, -1, 1]))
    return term(way, "m", values, sign=sign, most=1.2, width=0.3, turn=rng.normal(0, 0.3))


# ---- placing, sizing and judging them ----
# kind: its formula, weight, sizes in dB, frequencies; in the order of drawing, so that later ones
# can overlap earlier ones
DRAWING = {
    "directivity-step": (directivity_step, 1.25, (1.5, 5.0), (700, 7500)),
    "crossover-phase": (crossover_phase, 1.25, (2.0, 12.0), None),
    "deep-null": (deep_null, 1.2, (6.0, 25.0), (350, 7000)),
    "cancellation": (cancellation, 1.3, (3.0, 15.0), (300, 1500)),
    "single-axis": (single_axis, 1.15, (1.5, 5.0), (1600, 8500)),
    "shallow-dip": (shallow_dip, 1.15, (1.5, 4.0), (250, 9000)),
    "resonance": (resonance, 1.2, (1.5, 6.0), (250, 9000)),
    "balance": (balance, 1.2, (1.5, 4.0), (300, 8000)),
}
NULLS = ("deep-null", "cancellation", "crossover-phase")
_hosts = NULLS + ("directivity-step",)
PARTNERS = {
    "resonance": _hosts,
    "shallow-dip": _hosts,
    "single-axis": _hosts[2:],
    "balance": _hosts[3:],
    "deep-null": _hosts[3:],
}


def place(sp, rng, kind, defects):
    """Where a defect sits: often on the flank or in the middle of one it overlaps with, else
    anywhere it happens physically."""
    taken = [d["f0"] for d in defects if d["kind"] == kind]
    if kind == "crossover-phase":
        free = [c for c, _, _ in sp.crossings if c not in taken]
        return free[rng.integers(len(free))] if free else None
    least, most = DRAWING[kind][3]
    f0 = log_uniform(rng, least, 5000 if kind == "cancellation" and rng.random() < 0.2 else most)
    hosts = [d["f0"] for d in defects if d["kind"] in PARTNERS.get(kind, ())]
    if hosts and rng.random() < 0.75:
        aside = (
            rng.normal(0, 0.05)
            if rng.random() < 0.35
            else rng.uniform(0.12, 0.5) * rng.choice([-1, 1])
        )
        f0 = float(np.clip(hosts[rng.integers(len(hosts))] * 2**aside, least, most))
    return None if any(abs(np.log2(f0 / t)) < 0.7 for t in taken) else f0


def fit(sp, rng, kind, d, f0, context):
    """Set the phase and the strength g of a term so that the dip or bump has the size drawn;
    False if it cannot be."""
    total, parts, drives, common = context
    near, which, sign = (
        np.flatnonzero(np.abs(np.log2(sp.f / f0)) < d["width"]),
        MEASURE.get(kind, WIN),
        d["sign"],
    )
    p, middle = total[:, near], int(np.argmin(np.abs(sp.f[near] - f0)))
    carrier = (
        p
        if d["way"] is None
        else (drives if d["type"] == "e" else parts)[d["way"]][..., near] * common[..., near]
    )
    x = d["term"][..., near] * carrier
    if "turn" in d:  # a pure delay, exact at f0
        angle = (
            np.angle(WEIGHTS[which] @ (np.conj(p) * x)[:, middle])
            + (np.pi if sign < 0 else 0.0)
            + d["turn"]
        )
        least = -np.pi if d["type"] == "m" else 0.0  # a further source can only be late
        late = np.exp(-1j * ((angle - least) % (2 * np.pi) + least) * sp.f / f0)
        d["term"], x = d["term"] * late, x * late[near]
    square = power_means(p)
    b, c = 2 * WEIGHTS @ (p.real * x.real + p.imag * x.imag) / square, power_means(x) / square
    g = np.geomspace(0.02, d["most"], 48)
    change = db(1 + g[:, None, None] * b + (g**2)[:, None, None] * c)
    seen = sign * (change[:, which] - (change[:, WIN] if kind == "directivity-step" else 0.0))
    size, (least, most) = seen.max(axis=1), DRAWING[kind][2]
    best = int(np.argmin(np.abs(size - rng.uniform(least, most))))
    d["g"] = float(g[best])
    if not least <= size[best] <= most or -seen[best].min() > 0.6 * size[best]:
        return False
    other = (
        np.abs(change[best, WIN]).max() / 0.55
        if kind == "single-axis"
        else -change[best, ROOM].min() / 0.8
    )
    return other < size[best] or kind not in NULLS + ("single-axis",)


def draw_defect(sp, rng, kind, defects):
    """One defect in the company of those already there; None if none will do."""
    context = assemble(sp, defects)
    for _ in range(14):
        f0 = place(sp, rng, kind, defects)
        d = DRAWING[kind][0](sp, rng, f0, context) if f0 else None
        if d is None or not (d.get("fixed") or fit(sp, rng, kind, d, f0, context)):
            continue
        if kind == "directivity-step":  # the designer sees the step in the window: voiced away
            plain, stepped = (db(power_means(assemble(sp, some)[0])[WIN]) for some in ([], [d]))
            d["voice"] = 10 ** (smooth(sp.f, plain - stepped, rng.uniform(0.08, 0.3)) / 20)
        return {**d, "kind": kind, "f0": f0}
    return None


def draw_kinds(rng, sp):
    names = list(DRAWING)
    weight = np.array(
        [DRAWING[k][1] * (k != "crossover-phase" or len(sp.crossings) > 0) for k in names]
    )
    kinds = list(
        rng.choice(len(names), int(rng.integers(3, 6)), replace=False, p=weight / weight.sum())
    )
    if (
        len(kinds) < 5
        and rng.random() < 0.3
        and names[kinds[0]] not in ("directivity-step", "crossover-phase", "deep-null")
    ):
        kinds.append(kinds[0])  # now and then two of one kind
    return [names[i] for i in sorted(kinds)]


def acceptable(d, change):
    """Large enough to count, not beyond what its kind is, and where it was put."""
    seen = change[MEASURE.get(d["kind"], WIN)]
    peak = int(np.argmax(np.where(INSIDE, np.abs(seen), 0)))
    d["hz"], size, (least, most) = FREQS_HZ[peak], abs(seen[peak]), DRAWING[d["kind"]][2]
    flat = np.abs(change[WIN][INSIDE]).max() < (
        min(1.3, 0.5 * size) if d["kind"] == "directivity-step" else 0.6 * size
    )
    if d["kind"] in MEASURE and (not flat or d["hz"] > 9000):
        return False
    placed = d["kind"] == "balance" or (
        seen[peak] * d.get("sign", -1) > 0 and abs(np.log2(d["hz"] / d["f0"])) < 1.0
    )
    everywhere = d["kind"] in NULLS[:2] and change[ROOM][INSIDE].min() < -0.85 * size
    return placed and not everywhere and max(1.0, 0.7 * least) <= size <= 1.25 * most


def simulate(seed):
    """The random stream, the speaker, its pressure, its defects, and what each one changes at
    the frequencies of the truth."""
    rng = np.random.default_rng(seed)
    while True:
        sp, defects = healthy(rng), []
        for kind in draw_kinds(rng, sp):
            defects += [d for d in [draw_defect(sp, rng, kind, defects)] if d]
        for _ in range(6):
            total = assemble(sp, defects)[0]
            without = [assemble(sp, [e for e in defects if e is not d])[0] for d in defects]
            changes = [
                (db(power_means(total)) - db(power_means(p)))[:, sp.truth_at] for p in without
            ]
            poor = [d for d, change in zip(defects, changes) if not acceptable(d, change)]
            if not poor and len(defects) >= 3:
                order = rng.permutation(len(defects))
                return rng, sp, total, [defects[i] for i in order], [changes[i] for i in order]
            again = poor[-1] if poor else {"kind": rng.choice(draw_kinds(rng, sp))}
            defects = [d for d in defects if d is not again]
            defects += [d for d in [draw_defect(sp, rng, again["kind"], defects)] if d]


def known_speaker(seed):
    rng, sp, total, defects, changes = simulate(seed)
    level, noise = 2 * db(np.abs(total[:, sp.measured_at])), rng.uniform(0.0, 0.5)
    noisy = [
        level[orbit] + rng.normal(0, noise, (36, level.shape[1])) for orbit in ORBITS.values()
    ]
    return KnownSpeaker(
        name=f"simulated {seed}",
        freqs_hz=sp.f[sp.measured_at],
        levels_db=np.vstack(noisy).T,
        healthy_window_db=db(power_means(assemble(sp, [])[0])[WIN])[sp.truth_at],
        defects=[KnownDefect(d["kind"], d["hz"], change) for d, change in zip(defects, changes)],
    )


if __name__ == "__main__":
    run(known_speaker, __doc__, Form(level=2, truth=3, blank_line=True))
