"""Simulated loudspeakers with known defects, drawn and measured on one fine grid.

A speaker is a sum of drivers; each has a complex base pressure (72 directions x 480 frequencies).
A defect is a list of parts: a factor on one driver, a factor on everything, or an added source. So
"all but this one" is a product again. Axes: x right, y up, z to the front. Rows 0..35 are the
horizontal orbit, 36..71 the vertical one.
"""

import sys
from pathlib import Path
from types import SimpleNamespace

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
from scipy.ndimage import gaussian_filter1d
from scipy.special import j0

C = 344.0
K, OCT, MID = 2 * np.pi * FREQS_HZ / C, np.log2(FREQS_HZ), (FREQS_HZ > 230) & (FREQS_HZ < 9500)
_t = np.deg2rad(ANGLES_DEG)
U = np.vstack(
    [np.stack([np.sin(_t), 0 * _t, np.cos(_t)], 1), np.stack([0 * _t, np.sin(_t), np.cos(_t)], 1)]
)
_b = (
    np.where(U[:, 2] < 0, U[:, 2] ** 2, 0)[:, None] / 2
)  # behind the baffle the sines stay at one in sum: no second lobe
SX2, SY2 = U[:, :1] ** 2 + _b, U[:, 1:2] ** 2 + _b
SIN, BEHIND = np.sqrt(SX2 + SY2), (1 - U[:, 2:]) / 2

W = average_weights(sound_power="belts").judged()
db = lambda power: 10 * np.log10(np.maximum(power, 1e-12))
amp = lambda level: 10 ** (level / 20)
averages = lambda p: db(W @ (p.real**2 + p.imag**2))
at = lambda hz: int(np.argmin(np.abs(OCT - np.log2(hz))))
hump = lambda f0, w: np.exp(-0.5 * ((OCT - np.log2(f0)) / w) ** 2)  # w in octaves
mode = lambda f0, q: 1 / (
    1 + 1j * q * (FREQS_HZ / f0 - f0 / FREQS_HZ)
)  # a resonance of one degree of freedom
toward = lambda n, p: (0.12 + 0.88 * np.maximum(1 + U @ np.asarray(n, float), 0) / 2)[:, None] ** p
piston = lambda ka: -15 * np.log10(1 + ka**2 / 6)  # dB: 1 - x^2/8 at first, x^-1.5 at last


def ray(S, P):
    d = np.linalg.norm(S.r * U - P, axis=1)[:, None]
    return S.r / d * np.exp(-1j * K * (d - S.r))


def draw_speaker(g, crossings):
    u, S = g.uniform, SimpleNamespace(
        r=float(g.choice([1.5, 2.0, 3.0, 20.0], p=[0.15, 0.35, 0.2, 0.3]))
    )
    S.n, order = int(
        g.choice([1, 2, 3], p=[[0.15, 0.5, 0.35], [0, 0.6, 0.4], [0, 0, 1]][min(crossings, 2)])
    ), int(g.choice([2, 4]))
    S.a = [
        [u(0.03, 0.06)],
        [np.exp(u(np.log(0.04), np.log(0.16))), u(0.009, 0.02)],
        [u(0.08, 0.16), u(0.03, 0.07), u(0.009, 0.018)],
    ][S.n - 1]
    two = float(
        np.clip(u(1.3, 2.5) * C / (2 * np.pi * S.a[0]), 900, 3800)
    )  # crossed where the cone starts to beam
    S.fc = [[], [two], [u(260, 700), u(1700, 4000)]][S.n - 1]
    S.width, S.depth, S.corner = (
        2 * max(S.a) + u(0.03, 0.1),
        u(0.18, 0.45),
        u(30, 120 if S.a[0] < 0.1 else 60),
    )
    S.height, y, pos = S.width * u(1.3, 3), 0.0, [None] * S.n
    for d in range(S.n - 1, -1, -1):  # tweeter on top (or all upside down)
        pos[d], y = np.array([[0, y, 0.0]]), y - (S.a[d] + S.a[d - 1] + u(0.01, 0.04))
    layout = (
        g.choice(["plain", "inverted", "coax", "pair", "aside"], p=[0.45, 0.1, 0.15, 0.12, 0.18])
        if S.n > 1
        else "plain"
    )
    if layout == "coax":
        pos[-1] = pos[-2].copy()
    if layout == "inverted":
        pos = [-p for p in pos]
    if layout == "pair":
        pos[0] = np.vstack([pos[0], -pos[0]])  # two woofers about the tweeter
    if layout == "aside":
        pos[-1] = pos[-1] + [g.choice([-1, 1]) * u(0.02, 0.08), 0, 0]
    axis = np.array([0, 1, 0]) * (
        pos[-1].mean(0) if u() < 0.7 else (pos[-1].mean(0) + pos[max(S.n - 2, 0)].mean(0)) / 2
    )
    S.pos, S.drive, S.dir, S.base = [p - axis for p in pos], [np.ones(480, complex)] * S.n, [], []
    for i, fc in enumerate(S.fc):
        s = 1j * FREQS_HZ / fc
        lp = 1 / ((1 + s) if order == 2 else (s * s + 2**0.5 * s + 1)) ** 2
        hp = lp * (-(s**2) if order == 2 else s**4)
        S.drive = [h * (hp if d > i else lp if d == i else lp + hp) for d, h in enumerate(S.drive)]
    x2 = (
        FREQS_HZ * S.width / 115
    ) ** 2  # baffle step: the shade of the box, and weak scatter in it
    S.shade = -u(14, 24) * x2 / (1 + x2) * BEHIND ** u(1.1, 1.6)
    scatter = 1 + x2 / (1 + x2) * sum(
        u(0.05, 0.18) * BEHIND * ray(S, [u(-1, 1) * S.width, u(-1, 1) * S.height, -S.depth])
        for _ in range(2)
    )
    for d, a in enumerate(S.a):  # piston, a cone shrinks upwards; a waveguide holds its beam
        x = SIN * (K * a / np.sqrt(1 + (K * a / u(3, 6)) ** 2) if a > 0.025 else K * a)
        if 0 < d == S.n - 1 and (u() < 0.4 or S.fc[-1] < 1600):
            ka, q = K * u(0.05, 0.13), u(1.8, 3.2, 2)
            x = np.sqrt(
                0.5 * x**2
                + SX2 * ka**2 / (1 + (ka / q[0]) ** 2)
                + SY2 * ka**2 / (1 + (ka / q[1]) ** 2)
            )
        R = np.mean([ray(S, p) for p in S.pos[d]], 0)
        S.dir.append(amp(piston(x)))  # and the designer aligned the drivers on the axis:
        S.base.append(
            S.drive[d]
            * amp(piston(x) + S.shade)
            * scatter
            * R
            * np.conj(R[HORIZONTAL_0] / np.abs(R[HORIZONTAL_0]))
        )
    # voicing: window to the target but for a little rest; the box corner, a slope and the natural
    # ripple come with the target
    s, lw = 1j * FREQS_HZ / S.corner, averages(sum(S.base))[0]
    box = (
        s * s / (s * s + s / u(0.65, 0.85) + 1)
        if u() < 0.5
        else s**4 / ((s * s + 0.7654 * s + 1) * (s * s + 1.8478 * s + 1))
    )
    rest = lw - gaussian_filter1d(lw, 16, mode="nearest")
    ripple = sum(
        g.normal() * hump(np.exp(u(np.log(60), np.log(18e3))), u(0.08, 0.3)) for _ in range(14)
    )
    rest, ripple = (
        rest * min(1, 0.35 / np.abs(rest).max()),
        ripple * u(0.1, 0.5) / np.abs(ripple).max(),
    )
    voice = amp(85 + rest + ripple + u(-0.12, 0.04) * (OCT - 10) - lw) * box
    S.drive, S.base, S.P = (
        [h * voice for h in S.drive],
        [b * voice for b in S.base],
        sum(S.base) * voice,
    )
    return S


def apply(S, defects):
    b, extra, every = list(S.base), 0, 1
    for where, x in (part for D in defects for part in D.parts):
        if where == "all":
            every = every * x
        elif where == "add":
            extra = extra + x
        else:
            b[where] = b[where] * x
    return (sum(b) + extra) * every


def fitted(S, where, E, size, rows=np.flatnonzero(W[0])):
    """Strength t of 1 + t E (or of an added source t E): the mean power is a parabola in t;
    take the nearest to size."""
    p, E = S.P[rows], np.broadcast_to(E, (72, 480))
    q = E[rows] * (p if where == "all" else 1 if where == "add" else S.base[where][rows])
    a, b, c = [x.mean(0)[MID] for x in (np.abs(p) ** 2, (np.conj(p) * q).real, np.abs(q) ** 2)]
    t = np.linspace(0.02, 1.6 if size > 0 else 0.98, 60)[:, None]
    effect = db((a + 2 * t * b + t * t * c) / a)
    t = t[np.argmin(np.abs((effect.max(1) if size > 0 else effect.min(1)) - size)), 0]
    return [(where, t * E if where == "add" else 1 + t * E)]


def draw_defect(S, kind, g, others):
    u, side, way, k = g.uniform, g.choice([-1, 1]), int(g.integers(4)), lambda f: 2 * np.pi * f / C
    logu = lambda a, b: log_uniform(g, a, b)
    dominant = lambda f0: int(np.argmax([abs(b[HORIZONTAL_0, at(f0)]) for b in S.base]))
    if kind == "resonance":
        f0, nulls = logu(260, 8800), [o.hz for o in others if o.kind in KINDS[3:6]]
        if nulls and u() < 0.3:
            f0 = float(
                np.clip(g.choice(nulls) * 2 ** (side * u(0.15, 0.5)), 260, 8800)
            )  # on its flank
        d, E = dominant(f0), mode(f0, logu(1.5, 12))
        if u() < 0.12:
            return fitted(S, d, -E, -u(1.5, 5))  # energy lost at the mode
        if way == 2:
            E = E / S.dir[d] ** 0.5  # pipe or panel: rounder than the driver that excites it
        return fitted(S, "all" if way == 0 else d, E, u(1.5, 6))
    if kind == "balance":
        size, x = side * u(1.5, 4), (OCT - np.log2(logu(300, 5000))) * g.choice([-1, 1])
        if way == 0:
            return [("all", amp(size / (1 + np.exp(x / u(0.25, 0.6)))))]  # shelf, either end
        if way == 1:
            return [
                ("all", amp(size * np.tanh((OCT - np.log2(logu(500, 2000))) / u(2.5, 4))))
            ]  # tilt
        if way == 2 and S.n > 1:
            return [(int(g.integers(1, S.n)), amp(size))]  # a driver too loud
        return [("all", amp(size * hump(logu(400, 6000), u(0.8, 1.4))))]
    if kind == "shallow-dip":
        f0, size, w = logu(280, 8500), -u(1.5, 4), u(0.2, 0.7)
        if way < 2:
            return fitted(S, dominant(f0) if way else "all", -mode(f0, logu(0.5, 2.5)), size)
        if way == 2 and S.n > 1:  # crossover with too little overlap, phases still right
            x = (FREQS_HZ / g.choice(S.fc)) ** u(1.5, 3)
            return [("all", amp(size * 4 * x / (1 + x) ** 2))]
        return [
            (
                "all",
                amp(
                    size
                    * np.where(
                        FREQS_HZ < f0, hump(f0, w), hump(f0, np.clip(w * logu(0.4, 2.5), 0.2, 0.8))
                    )
                ),
            )
        ]  # skewed
    if kind == "cancellation":
        size, err = -logu(3, 15), np.exp(1j * u(-0.4, 0.4))
        if way == 2:  # outer cone against the inner one: a ring, narrower than the cone
            d = int(g.integers(S.n))
            lo, ring = max(1.2 / S.a[d] / k(1), ([300] + S.fc)[d]), j0(
                K * S.a[d] * u(1.0, 1.6) * SIN
            ) / np.maximum(S.dir[d], 0.1)
            return fitted(
                S,
                d,
                -mode(logu(lo, max(1.3 * (S.fc + [9000])[d], lo * 1.01)), logu(1.5, 6))
                * ring
                * err,
                size,
            )
        if way == 0:  # mode of the port: behind, below, or in front and far
            f0, i = logu(300, 1500), g.choice(3, p=[0.5, 0.25, 0.25])
            P = [
                [side * 0.05, u(-0.2, 0.1), -S.depth],
                [0, -u(0.15, 0.4), -u(0.4, 1) * S.depth],
                [side * u(0.1, 0.2), -u(0.2, 0.35), 0],
            ][i]
            raw = (
                mode(f0, logu(1.5, 7))
                * ray(S, P + S.pos[0][0])
                * toward([[0, 0, -1], [0, -1, 0], [0, 0, 1]][i], 0.5)
            )
        elif way == 1:  # side or top panel in motion
            f0, n = logu(280, 1100), np.array([0, 1, 0] if u() < 0.25 else [side, 0, 0])
            P = n * [S.width / 2, S.height / 2, 0] + [0, u(-0.2, 0.05), -u(0.4, 0.8) * S.depth]
            raw = mode(f0, logu(2, 8)) * ray(S, P) * (0.2 + toward(n, 1))
        else:  # rear of the cone through vent or thin wall, late by half a wave
            f0, P = logu(300, 900), [side * u(0, 0.5) * S.width, u(-0.3, 0.05), -S.depth]
            raw = (
                hump(f0, u(0.3, 0.7))
                * ray(S, P)
                * np.exp(-1j * K * u(0.05, 0.4))
                * toward([side * 0.6, 0, -0.8], 1)
            )
        raw = raw * S.drive[0]  # at strength one it would cancel all on the axis, but for err
        return fitted(
            S, "add", raw * (-S.P[HORIZONTAL_0, at(f0)] / raw[HORIZONTAL_0, at(f0)]) * err, size
        )
    if kind == "deep-null":
        size, f0 = -logu(8, 30), logu(400, 7000)
        d, off, delta = dominant(f0), logu(0.15, 3) / k(f0), C / f0 * (0.5 if u() < 0.75 else 1.5)
        band, P0 = 1 / (1 + (0.5 * f0 / FREQS_HZ) ** 4) / (
            1 + (FREQS_HZ / f0 / u(1.5, 5)) ** 4
        ), S.pos[d].mean(0)
        band = band / band[at(f0)]
        if way == 3:  # rim of a mouth or cavity about the driver
            return fitted(
                S,
                d,
                -band * j0(K * off * SIN) * np.exp(-1j * (K - k(f0)) * (delta + off * BEHIND)),
                size,
            )
        off = np.array(
            [[side * off, 0], [0, -off], [side * off * 0.8, u(-1, 1) * off]][way]
        )  # object aside; plate below; twin driver
        xy = P0[:2] + off
        z = (
            np.sqrt((np.hypot(S.r, np.hypot(*P0[:2])) + delta) ** 2 - xy @ xy) - S.r
        )  # half a wave behind, on the axis
        E = ray(S, [*xy, -z]) / ray(S, P0)
        if way == 2:
            return fitted(
                S, d, E * (FREQS_HZ / np.hypot(FREQS_HZ, 0.4 * f0)) / np.abs(E[HORIZONTAL_0]), size
            )
        E = E * toward([*(-off / np.hypot(*off)), 0], 0.4)  # the object throws to the other side
        return fitted(S, "all" if u() < 0.5 else d, band * E / abs(E[HORIZONTAL_0, at(f0)]), size)
    if kind == "crossover-phase":
        i = int(g.integers(len(S.fc)))
        d = 2 * i if S.n == 3 else 1  # the outer driver of this crossover is wrong
        fc, phi, P = S.fc[i], side * 2 * np.arccos(amp(-logu(1, 9))), S.pos[d].mean(0)
        if way == 0:
            return [(d, np.exp(1j * phi * FREQS_HZ / fc))]  # time
        if way == 1:
            return [
                (d, -np.exp(1j * (phi - side * np.pi) * FREQS_HZ / fc))
            ]  # polarity, and a delay that helps a little
        s = 1j * FREQS_HZ / fc * np.tan(phi / 4)
        if way == 2:
            return [
                (d, (1 - s) / (1 + s))
            ]  # filter of the wrong phase: all-pass about the crossover
        return [
            (d, ray(S, P + [u(-0.03, 0.03), u(-0.04, 0.04), phi / k(fc)]) / ray(S, P))
        ]  # driver set back or forth, aside
    if kind == "directivity-step":
        where, fc, w = (
            "all",
            (float(g.choice(S.fc)) if S.fc else logu(1500, 5000)) * u(1.0, 1.4),
            u(0.15, 0.3),
        )
        if way == 0:  # cone too large for its band, falls back at the crossover
            where = int(g.integers(max(S.n - 1, 1)))
            L = piston(K * S.a[where] * u(1.5, 2.4) * SIN) - piston(K * S.a[where] * SIN)
        elif way == 1:  # driver too wide after: the shade of the box is missing there
            L = (-S.shade - piston(0.8 * SIN * K * 0.05)) * np.where(
                FREQS_HZ < fc, hump(fc, w), hump(fc, 3 * w)
            )
        elif way == 2:  # waveguide: waist or flare of the beam, rather in one plane
            L = side * 10 * (SX2 + u() * (SY2 - SX2)) * hump(fc * logu(0.6, 1.4), u(0.25, 0.7))
        else:  # open back or a driver behind
            L = (
                side
                * 12
                * toward([side * u(0, 0.5), 0, -1], u(0.5, 1))
                * hump(logu(500, 6000), u(0.3, 0.8))
            )
        (lw0, room0, _), t, target, keep = averages(S.P), 1.0, u(1.5, 5), u(0.75, 1)
        for _ in range(2):  # size in the room, window voiced back to (nearly) flat
            x = amp(13 * np.tanh(t * L / 13))
            lw1, room1, _ = averages(S.P * x if where == "all" else S.P + (x - 1) * S.base[where])
            fix = keep * (lw0 - lw1)
            parts, t = [("all", amp(fix)), (where, x)], min(
                t * target / (np.abs(room1 + fix - room0)[MID].max() + 0.05), 3.0
            )
        return parts
    f0 = logu(2000, 9000)  # single-axis: coherent at 0 degrees only
    where, R = dominant(f0), u(1.8, 4) / k(f0) / 0.1736
    E = j0(K * R * SIN) * np.exp(
        -1j * K * (R + (way == 2) * side * u(0.01, 0.04) * U[:, :1])
    )  # round edge, or set aside
    if way == 1:  # box with edges left/right and above/below
        E = (
            np.cos(K * R * U[:, :1])
            * np.cos(K * R * u(0.7, 1.5) * U[:, 1:2])
            * np.exp(-1j * K * R)
            * (1 - 0.6 * BEHIND)
        )
    if way == 3:
        where, E = "all", np.exp(
            -((np.degrees(np.arccos(np.clip(U[:, 2:], -1, 1))) / u(5, 9)) ** 2) + 0j * K
        )  # lens, plug
    E = (
        E
        * np.conj(E[HORIZONTAL_0, at(f0)])
        * np.exp(1j * u(-0.6, 0.6))
        * hump(f0, u(0.25, 0.8))
        * side
    )
    return fitted(S, where, E, side * u(1.5, 5), [HORIZONTAL_0])


def fine(D, e, others):
    w, room, ax = (x[np.argmax(np.abs(np.where(MID, x, 0)))] for x in e)
    D.hz = float(
        FREQS_HZ[np.argmax(np.abs(e[{"directivity-step": 1, "single-axis": 2}.get(D.kind, 0)]))]
    )
    ok = {
        "resonance": 1.2 < abs(w) < 7,
        "balance": 1.2 < abs(w) < 4.6,
        "shallow-dip": -4.6 < w < -1.2,
        "cancellation": -17 < w < -2.5
        and abs(e[1][at(D.hz)]) < 0.65 * abs(w),  # no dip of all angles
        "deep-null": -28 < w < -5,
        "crossover-phase": -14 < w < -1.7,
        "directivity-step": 1.3 < abs(room) < 5.6 and abs(w) < 0.4 * abs(room),
        "single-axis": 1.3 < abs(ax) < 6 and abs(w) < 0.5 * abs(ax),
    }[D.kind]
    apart = all(o is D or o.kind != D.kind or abs(np.log2(o.hz / D.hz)) > 0.6 for o in others)
    return ok and apart and (D.kind == "balance" or 240 < D.hz < 9300)


def draw(seed):
    block = np.random.default_rng(
        [seed // 8, 4711]
    )  # eight neighbours share four shuffled decks of kinds
    counts = block.permutation([3, 3, 4, 4, 4, 4, 5, 5])
    deck, first = (
        np.concatenate([block.permutation(8) for _ in range(4)]),
        counts[: seed % 8].sum(),
    )
    todo = sorted(
        (KINDS[i] for i in deck[first : first + counts[seed % 8]]), key="resonance".__eq__
    )  # last: it may sit by a null
    g, defects = np.random.default_rng([seed, 1]), []
    S = draw_speaker(g, todo.count("crossover-phase"))
    for _ in range(80):
        P = apply(S, defects)
        if todo:
            D = SimpleNamespace(kind=todo[0], parts=draw_defect(S, todo[0], g, defects))
            if fine(D, averages(apply(S, defects + [D])) - averages(P), defects):
                defects, todo = defects + [D], todo[1:]
            continue
        for i, D in enumerate(defects):
            D.effect = averages(P) - averages(apply(S, defects[:i] + defects[i + 1 :]))
        bad = [D for D in defects if not fine(D, D.effect, defects)]  # masked by the others: anew
        if not bad:
            return g, S, defects, P
        defects, todo = [D for D in defects if D is not bad[0]], [bad[0].kind]
    return draw(seed + 8 * 10**7)  # an unlucky speaker: another one instead


def known_speaker(seed):
    g, S, defects, P = draw(seed)
    every = 48 / g.choice(
        [12, 16, 24, 36, 48]
    )  # points of the fine grid to one of the measurement
    x = np.arange(0, 48 * np.log2(1000), every)
    i, L = np.minimum(x.astype(int), 478), db(np.abs(P) ** 2).T
    L = (
        L[i]
        + (L[i + 1] - L[i]) * (x - i)[:, None]
        + g.normal(size=(len(x), 72)) * g.uniform(0, 0.5)
    )
    known = [KnownDefect(D.kind, D.hz, D.effect) for D in defects]
    return KnownSpeaker(f"simulated {seed}", 20 * 2 ** (x / 48), L, averages(S.P)[0], known)


if __name__ == "__main__":
    run(known_speaker, __doc__, Form(level=2))
