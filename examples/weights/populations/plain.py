"""Simulated loudspeakers with known defects.

A speaker is two or three drivers, each with place, beam, baffle shadow, edge ripple and an
acoustic crossover branch, summed as complex pressures at a finite distance. A defect is a list of
(driver, 'mul' | 'add', array over frequency x direction):
    total = sum over drivers of (own field + additions) * product of multipliers
so that any subset of the defects is summed in a moment and the truth is exactly 'with' minus
'without'.
"""

import sys
from pathlib import Path

sys.dont_write_bytecode = True  # no cache folder in the repository
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from population_tools import (
    ANGLES_DEG,
    FREQS_HZ,
    HORIZONTAL_0,
    KINDS,
    Form,
    KnownDefect,
    KnownSpeaker,
    average_weights,
    log_uniform,
    run,
)

import numpy as np
from scipy.special import j0

C = 343.0
TWICE = {"resonance", "shallow-dip", "cancellation", "deep-null"}  # may come twice in a speaker
LOCAL = TWICE | {"crossover-phase"}
T = np.radians(ANGLES_DEG)
O = np.zeros(36)
DIRS = np.vstack(
    [np.c_[np.sin(T), O, np.cos(T)], np.c_[O, np.sin(T), np.cos(T)]]
)  # horizontal orbit, then vertical
THETA = np.degrees(np.arccos(np.clip(DIRS[:, 2], -1, 1)))  # angle off the axis
COARSE_F = FREQS_HZ[144::3]  # 160 Hz up, 16 per octave


W = np.column_stack(average_weights().judged())


def curves(p):
    """frequency x (window, in-room, on axis), dB"""
    return 10 * np.log10(np.maximum((p.real**2 + p.imag**2) @ W, 1e-12))


def bp(f, f0, q):
    s = 1j * f / f0
    return (s / q) / (s * s + s / q + 1)


def bell(f, f0, q, db):
    return 1 + (10 ** (db / 20) - 1) * bp(f, f0, q) if db > 0 else 1 / bell(f, f0, q, -db)


def beam(x):
    """Piston-like: 1 - x^2/8 near the axis, x^-1.5 far out, without the zeros that real,
    flexing diaphragms blur."""
    return (1 + x * x / 6) ** -0.75


def shadow(cb, f, cosine, depth):
    h = (f / cb) ** 2 / (1 + (f / cb) ** 2)
    return 10 ** (-depth / 20 * h[:, None] * ((1 - cosine) / 2)[None] ** 1.3)


# ---------------------------------------------------------------- the healthy speaker
def draw_speaker(rng):
    d, ways = [], int(rng.choice([2, 3], p=[0.6, 0.4]))
    at = rng.uniform(0.010, 0.015)
    tweeter = dict(
        a=at, wg=rng.uniform(0.04, 0.08) if rng.random() < 0.4 else 0, cov=rng.uniform(1.4, 2.4)
    )
    if ways == 2:
        aw = rng.uniform(0.045, 0.10)
        radii, fx = [aw], [
            float(np.clip(rng.uniform(1.6, 3.0) * C / (2 * np.pi * aw), 1300, 3800))
        ]
    else:
        radii = [rng.uniform(0.08, 0.15), rng.uniform(0.035, 0.06)]
        fx = [
            log_uniform(rng, 280, 700),
            float(np.clip(rng.uniform(1.6, 2.8) * C / (2 * np.pi * radii[1]), 1800, 4200)),
        ]
    drivers = [dict(a=a, wg=0, cov=1) for a in radii] + [tweeter]
    y, gap = rng.uniform(0, 0.08), rng.uniform(0.015, 0.04)
    for i in range(ways - 1, -1, -1):  # tweeter on top, going down
        drivers[i]["pos"] = np.array(
            [rng.uniform(-0.02, 0.02) * (rng.random() < 0.4), y, -0.25 * drivers[i]["a"]]
        )
        if i:
            y -= (
                max(drivers[i]["a"] * 1.15, 0.03, drivers[i]["wg"])
                + 1.15 * drivers[i - 1]["a"]
                + gap
            )
    width = 2.3 * max(radii) + rng.uniform(0.02, 0.12)
    for v in drivers:
        v["edges"] = [
            (np.array(u, float), rng.uniform(0.35, 0.75) * width, rng.uniform(0.01, 0.04))
            for u in ((1, 0, 0), (-1, 0, 0), (0, 1, 0), (0, -1, 0))
        ]
        v["ripple"] = [
            (rng.uniform(0.05, 0.25), rng.uniform(0.5, 3), rng.uniform(0, 6.3)) for _ in range(3)
        ]
    vented = rng.random() < 0.5
    f3 = log_uniform(rng, 30, 60) if vented else log_uniform(rng, 40, 95)
    box = (
        [(f3, rng.uniform(0.5, 0.6)), (f3 * rng.uniform(0.8, 1.1), rng.uniform(0.9, 1.4))]
        if vented
        else [(f3, rng.uniform(0.5, 1.0))]
    )
    return dict(
        drivers=drivers,
        fx=fx,
        order=[int(rng.choice([2, 4])) for _ in fx],
        box=box,
        R=rng.uniform(2, 4),
        level=rng.uniform(80, 92),
        cb=1.6 * C / (np.pi * width),
        depth=rng.uniform(14, 26),
    )


def branch(f, fx, order):
    s = 1j * f / fx
    if order == 2:
        return 1 / (1 + s) ** 2, -(s**2) / (1 + s) ** 2  # high pass inverted: sum is an all-pass
    den = (s * s + np.sqrt(2) * s + 1) ** 2
    return 1 / den, s**4 / den


def beam_x(v, k, a=None):
    kw = k * v["wg"]
    return np.sqrt((k * (a or v["a"])) ** 2 + (kw / (1 + kw / v["cov"])) ** 2)


def context(sp, f):
    """Everything of the healthy speaker on one frequency grid."""
    k = 2 * np.pi * f / C
    common = np.full(f.size, 10 ** (sp["level"] / 20), complex)
    for fb, q in sp["box"]:
        s = 1j * f / fb
        common *= s * s / (s * s + s / q + 1)
    n = len(sp["drivers"])
    H = [common.copy() for _ in range(n)]
    for i, (fx, order) in enumerate(zip(sp["fx"], sp["order"])):
        lo, hi = branch(f, fx, order)
        for j in range(n):  # drivers below both branches get the all-pass
            H[j] *= hi if j > i else lo if j == i else lo + hi
    x = dict(f=f, k=k, H=H, sp=sp, r0=[], cos=[], sin=[], base=[])
    for v, h in zip(sp["drivers"], H):
        vec = sp["R"] * DIRS - v["pos"]
        r = np.linalg.norm(vec, axis=1)
        cosine, sine = vec[:, 2] / r, np.sqrt(np.maximum(1 - (vec[:, 2] / r) ** 2, 0))
        rip = sum(a * np.cos(2 * np.pi * m * np.log2(f / 1000) + ph) for a, m, ph in v["ripple"])
        drive = h * 10 ** (rip / 20)
        side = (
            beam(beam_x(v, k))[:, None]
            * ((f / sp["cb"]) ** 2 / (1 + (f / sp["cb"]) ** 2))[:, None]
        )
        edge = sum(
            g * np.exp(-1j * k[:, None] * (d * (1 - DIRS @ u))[None]) for u, d, g in v["edges"]
        )
        x["base"].append(
            drive[:, None]
            * beam(beam_x(v, k)[:, None] * sine)
            * shadow(sp["cb"], f, cosine, sp["depth"])
            * (1 - side * edge)
            * np.exp(-1j * k[:, None] * (r - r[HORIZONTAL_0]))
            * (r[HORIZONTAL_0] / r)
        )
        x["r0"].append(r[HORIZONTAL_0]), x["cos"].append(cosine), x["sin"].append(sine)
    return x


def total(x, built):
    out = 0
    for j, b in enumerate(x["base"]):
        p = b
        for e in built:
            for i, how, arr in e:
                if i == j and how == "add":
                    p = p + arr
        for e in built:
            for i, how, arr in e:
                if i == j and how == "mul":
                    p = p * arr
        out = out + p
    return out


# ---- the defects: each returns (f0, build(context))
def second_source(j, pos, f0, g, q, opposed, phase, rear, size):
    """A second source fed by driver j's signal through a band pass, from another place; phase
    None: geometry alone decides."""

    def build(x):
        sp, k, f = x["sp"], x["k"], x["f"]
        vec = sp["R"] * DIRS - pos
        r = np.linalg.norm(vec, axis=1)
        cosine = vec[:, 2] / r
        sine = np.sqrt(np.maximum(1 - cosine**2, 0))
        tau = (
            0
            if phase is None
            else (phase - 2 * np.pi * f0 / C * (r[HORIZONTAL_0] - x["r0"][j]))
            % (2 * np.pi)
            / (2 * np.pi * f0)
        )
        sh = (
            shadow(sp["cb"], f, -cosine, 6)
            if rear
            else shadow(sp["cb"], f, cosine, 0.6 * sp["depth"])
        )
        pat = sh * beam(k[:, None] * size * sine)
        pat = pat / pat[:, HORIZONTAL_0 : HORIZONTAL_0 + 1]
        drive = opposed * g * x["H"][j] * bp(f, f0, q) * np.exp(-2j * np.pi * f * tau)
        return [
            (
                j,
                "add",
                drive[:, None]
                * pat
                * np.exp(-1j * k[:, None] * (r - x["r0"][j]))
                * (x["r0"][j] / r),
            )
        ]

    return build


def draw_defect(rng, sp, kind, ppo):
    n, fx = len(sp["drivers"]), sp["fx"]
    owner = lambda f0: int(sum(f0 > v for v in fx))  # the driver that plays f0
    everyone = lambda fun: (lambda x: [(j, "mul", fun(x)[:, None]) for j in range(n)])
    sign = rng.choice([-1, 1])
    if kind == "resonance":
        f0, q = log_uniform(rng, 250, 9000), log_uniform(rng, 2.5, min(12, 0.6 * ppo))
        db = rng.uniform(2, 8)
        if rng.random() < 0.1:  # the odd absorbing one, kept moderate
            db, q = -rng.uniform(2, 4), min(q, 4)
        if rng.random() < 0.3:  # panel: on everything, stronger to the side
            side = rng.uniform(-0.25, 0.35)
            a = 10 ** (db / 20) - 1
            pat = 1 + side * (1 - np.cos(np.radians(THETA)))[None] / 2
            return f0, lambda x: [
                (j, "mul", 1 + a * pat * bp(x["f"], f0, q)[:, None]) for j in range(n)
            ]
        return f0, lambda x: [(owner(f0), "mul", bell(x["f"], f0, q, db)[:, None])]
    if kind == "balance":
        form, db = rng.choice(["shelf", "tilt", "bell", "level"]), sign * rng.uniform(1.5, 4.5)
        if form == "shelf":
            f0, q, A = log_uniform(rng, 300, 5000), rng.uniform(0.45, 0.75), 10 ** (db / 40)

            def shelf(x):
                s = 1j * x["f"] / f0
                return A * (A * s * s + np.sqrt(A) / q * s + 1) / (s * s + np.sqrt(A) / q * s + A)

            return f0, everyone(shelf)
        if form == "tilt":
            f0, slope = log_uniform(rng, 500, 2000), sign * rng.uniform(0.35, 0.8)
            return f0, everyone(
                lambda x: 10 ** (slope * np.clip(np.log2(x["f"] / f0), -4, 4) / 20)
            )
        if form == "bell":
            f0, q = log_uniform(rng, 300, 6000), rng.uniform(0.35, 0.65)
            return f0, everyone(lambda x: bell(x["f"], f0, q, db))
        i, g = int(rng.integers(len(fx))), 10 ** (db / 20)  # an upper driver's level set wrong
        return fx[i], lambda x: [(j, "mul", g) for j in range(i + 1, n)]
    if kind == "shallow-dip":
        f0, q, db = log_uniform(rng, 250, 7000), log_uniform(rng, 0.75, 1.8), -rng.uniform(1.5, 4)
        return f0, everyone(lambda x: bell(x["f"], f0, q, db))
    if kind == "cancellation":
        f0, rear = log_uniform(rng, 250, 3500), bool(rng.random() < 0.6)
        j, d = owner(f0), float(np.clip(rng.uniform(0.4, 1.3) * C / f0, 0.07, 0.45))
        az = rng.uniform(0, 2 * np.pi)
        u = np.array([np.cos(az), np.sin(az), -rng.uniform(0.7, 3) if rear else 0])
        pos = sp["drivers"][j]["pos"] + d * u / np.linalg.norm(u)
        if rng.random() < 0.5:  # pipe or port resonance, out of phase
            return f0, second_source(
                j, pos, f0, rng.uniform(0.3, 0.8), log_uniform(rng, 2, 6), -1, 0, rear, 0.03
            )
        return f0, second_source(
            j, pos, f0, rng.uniform(0.3, 0.75), rng.uniform(0.6, 1.4), 1, np.pi, rear, 0.03
        )  # delayed back wave
    if kind == "deep-null":
        f0, m = log_uniform(rng, 400, 8500), int(rng.choice([1, 3], p=[0.7, 0.3]))
        j = owner(f0)
        pos = sp["drivers"][j]["pos"] + np.array(
            [*rng.uniform(-0.1, 0.1, 2) * C / f0, -m * C / f0 / 2]
        )
        return f0, second_source(
            j,
            pos,
            f0,
            rng.uniform(0.75, 0.97),
            rng.uniform(0.5, 1.3),
            1,
            None,
            False,
            sp["drivers"][j]["a"] * rng.uniform(0.4, 1),
        )
    if kind == "crossover-phase":
        i = int(rng.integers(len(fx)))
        f0, form = fx[i], rng.choice(["polarity", "delay", "allpass"], p=[0.25, 0.45, 0.3])
        late, (fa, q) = sign * np.radians(rng.uniform(80, 180)) / (2 * np.pi * f0), (
            f0 * log_uniform(rng, 0.8, 1.25),
            rng.uniform(0.4, 1.2),
        )
        err = {
            "polarity": lambda f: np.full(f.size, -1.0),
            "delay": lambda f: np.exp(-2j * np.pi * f * late),
            "allpass": lambda f: 1 - 2 * bp(f, fa, q),
        }[form]
        return f0, lambda x: [(j, "mul", err(x["f"])[:, None]) for j in range(i + 1, n)]
    if kind == "directivity-step":
        form = rng.choice(["early beaming", "swing", "step"], p=[0.4, 0.4, 0.2])
        if form == "early beaming":  # a diaphragm too big for its crossover
            j = int(rng.integers(n - 1))
            v, ratio = sp["drivers"][j], rng.uniform(1.4, 2.6)
            return fx[j], lambda x: [
                (
                    j,
                    "mul",
                    beam(x["k"][:, None] * v["a"] * ratio * x["sin"][j])
                    / beam(x["k"][:, None] * v["a"] * x["sin"][j]),
                )
            ]
        f0, w, db, t = (
            log_uniform(rng, 400, 9000),
            rng.uniform(0.25, 0.8),
            sign * rng.uniform(2, 7),
            rng.uniform(45, 80),
        )
        shape = 1 - np.exp(-((THETA / t) ** 2.5))

        def swing(x):
            o = np.log2(x["f"] / f0) / w
            s = (
                np.exp(-o * o / 2)
                if form == "swing"
                else 1 / (1 + np.exp(-2 * np.clip(o, -30, 30)))
            )
            return 10 ** (db / 20 * s[:, None] * shape[None])

        return f0, lambda x: (lambda a: [(j, "mul", a) for j in range(n)])(swing(x))
    f0, g = log_uniform(rng, 1500, 9000), rng.uniform(0.15, 0.5)  # single-axis
    if rng.random() < 0.65:  # driver centred on a round edge
        j, rho, lo = n - 1, rng.uniform(0.07, 0.2), f0 * rng.uniform(0.4, 0.8)
        return f0, lambda x: [
            (
                j,
                "mul",
                1
                - (g * bp(x["f"], f0, 0.5) * np.exp(-1j * x["k"] * rho))[:, None]
                * j0(x["k"][:, None] * rho * np.sin(np.radians(THETA))[None])
                * (THETA < 95),
            )
        ]
    d, w, t = (
        rng.uniform(0.05, 0.3),
        rng.uniform(0.3, 1.0),
        rng.uniform(5, 9),
    )  # a reflection focused onto the axis
    return f0, lambda x: [
        (
            j,
            "mul",
            1
            + (g * np.exp(-1j * x["k"] * d - (np.log2(x["f"] / f0) / w) ** 2 / 2))[:, None]
            * np.exp(-((THETA / t) ** 2)),
        )
        for j in range(n)
    ]


def is_of_its_kind(kind, f, f0, e):
    """e: frequency x (window, in-room, axis) effect.  Returns (fit, where the effect sits)."""
    band = (f > 200) & (f < 12000)
    f, (w, r, a) = f[band], e[band].T
    big, rms, least = (
        (lambda v: np.abs(v).max()),
        (lambda v: np.sqrt(np.mean(v * v))),
        int(np.argmin(w)),
    )
    if kind == "resonance":
        i = int(np.argmax(np.abs(w)))
        return 1.2 < big(w) < 9 and abs(np.log2(f[i] / f0)) < 0.2 and 0.65 < r[i] / w[i] < 1.4, f0
    if kind == "balance":
        v = w[f < 10000]
        return 1.5 < np.ptp(v) < 6, f0
    if kind == "shallow-dip":
        return (
            1.3 < -w[least] < 4.2
            and abs(np.log2(f[least] / f0)) < 0.35
            and 0.7 < r[least] / w[least] < 1.3,
            f0,
        )
    if kind in ("cancellation", "deep-null", "crossover-phase") and (
        w.max() > -0.5 * w[least] or a.max() > -0.8 * a.min()
    ):
        return False, f0  # it would rather fill another one's hole
    if kind == "cancellation":
        return (
            2 < -w[least] < 11 and r[least] > 0.6 * w[least] and abs(np.log2(f[least] / f0)) < 0.4,
            f[least],
        )
    if kind == "deep-null":
        return (
            w[least] < -5
            and a.min() < -7
            and r[least] > 0.65 * w[least]
            and abs(np.log2(f[least] / f0)) < 0.5,
            f[least],
        )
    if kind == "crossover-phase":
        return (
            w[least] < -2.5 and r[least] > 0.75 * w[least] and abs(np.log2(f[least] / f0)) < 0.6,
            f[least],
        )
    if kind == "directivity-step":
        return (
            1 < big(r) < 6 and big(a) < 0.3 and big(w) < 0.45 * big(r),
            f[int(np.argmax(np.abs(r)))],
        )
    return 1.5 < big(a) < 8 and rms(w) < 0.33 * rms(a), f[int(np.argmax(np.abs(a)))]


def effects(x, built):
    full = curves(total(x, built))
    return [full - curves(total(x, built[:i] + built[i + 1 :])) for i in range(len(built))]


def draw(rng):
    ppo, kinds = int(rng.integers(12, 49)), list(rng.permutation(KINDS)[: rng.integers(3, 6)])
    twice = [i for i, k in enumerate(kinds) if k in TWICE]
    if len(twice) > 1 and rng.random() < 0.5:  # one kind becomes a second one of another:
        kinds[twice[0]] = kinds[twice[1]]  # order is random, so counts stay even
    while True:
        sp = draw_speaker(rng)
        apart = 0.4 if rng.random() < 0.75 else 0.12  # octaves between local defects' centres
        x = context(sp, COARSE_F)
        bad, dfs, built = range(len(kinds)), [None] * len(kinds), [None] * len(kinds)
        for _ in range(40):
            for i in bad:
                dfs[i] = draw_defect(rng, sp, kinds[i], ppo)
                built[i] = dfs[i][1](x)
            res = [
                is_of_its_kind(k, COARSE_F, d[0], e)
                for k, d, e in zip(kinds, dfs, effects(x, built))
            ]
            bad = [
                i
                for i, (ok, at) in enumerate(res)
                if not ok
                or not 240 < at < 9500
                or any(
                    kinds[i] in LOCAL
                    and kinds[q] in LOCAL
                    and kinds[i] != "crossover-phase"
                    and (q < i or kinds[q] == "crossover-phase")
                    and abs(np.log2(at / res[q][1])) < apart
                    for q in range(len(kinds))
                    if q != i
                )
            ]
            if not bad:
                return sp, ppo, kinds, dfs


def known_speaker(seed):
    rng = np.random.default_rng([seed, 20477])
    sp, ppo, kinds, dfs = draw(rng)
    x = context(sp, FREQS_HZ)
    eff = effects(x, [d[1](x) for d in dfs])
    known = []
    for kind, d, e in zip(kinds, dfs, eff):
        known.append(KnownDefect(kind, is_of_its_kind(kind, FREQS_HZ, d[0], e)[1], e.T))
    healthy = curves(total(x, []))[:, 0]
    f = np.geomspace(20, 20000, int(round(ppo * np.log2(1000))) + 1)
    x = context(sp, f)
    db = 20 * np.log10(np.maximum(np.abs(total(x, [d[1](x) for d in dfs])), 1e-6))
    noise = rng.standard_normal(db.shape)
    if rng.random() < 0.3:  # as if smoothed a little over frequency
        noise = (np.roll(noise, 1, 0) + 2 * noise + np.roll(noise, -1, 0)) / np.sqrt(6)
    db += noise * rng.uniform(0, 0.5)
    return KnownSpeaker(f"Invented specimen {seed}", f, db, healthy, known)


if __name__ == "__main__":
    run(known_speaker, __doc__, Form(freq=2, defect_hz=1, blank_line=True))
