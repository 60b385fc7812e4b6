"""Simulated loudspeakers with known defects, summed by plain formulas.

Drivers are soft-capped pistons on a box with shadow, summed as complex Linkwitz-Riley branches
with path differences. Each defect is one of three things: a factor on one driver (drv), a second
source (add), or a factor on everything (mul).
"""

import sys
from pathlib import Path

sys.dont_write_bytecode = True  # no cache folder in the repository
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from population_tools import (
    ANGLES_DEG,
    FREQS_HZ,
    KINDS,
    KnownDefect,
    KnownSpeaker,
    average_weights,
    run,
)

import numpy as np
from scipy.special import j0

C = 343.0
TH = np.radians(np.r_[ANGLES_DEG, ANGLES_DEG])  # 36 horizontal, then 36 vertical
VERT = np.r_[np.zeros(36), np.ones(36)]
U = np.c_[np.sin(TH) * (1 - VERT), np.sin(TH) * VERT, np.cos(TH)]  # right, up, front
SIN = np.where(
    np.abs(TH) > np.pi / 2, 1.0, np.abs(np.sin(TH))
)  # piston: behind is left to the shadow
BACK = (1 - np.cos(TH)) / 2


AVERAGES = average_weights(poles="shared")
W, POWER = np.column_stack(AVERAGES.judged()), AVERAGES.sound_power
octs = lambda f, f0: np.log2(f / f0)
db = lambda x: 10 ** (x / 20)
curves = lambda p: 10 * np.log10((p.real**2 + p.imag**2) @ W)
band = lambda f, d: np.exp(
    -((octs(f, d["f0"]) / d["oct"]) ** 2) * np.log(2)
)  # half at +-oct octaves


def bell(f, f0, gain, q):
    """Minimum-phase peaking response, complex; boost and cut are mirror images."""
    s, a = 1j * f / f0, db(abs(gain))
    h = (s * s + s * a**0.5 / q + 1) / (s * s + s / (a**0.5 * q) + 1)
    return h if gain > 0 else 1 / h


def cross(f, fx, order):
    """Linkwitz-Riley low and high pass whose sum is an allpass (second order: upper driver
    inverted)."""
    s = 1j * f / fx
    if order == 2:
        return 1 / (1 + s) ** 2, -s * s / (1 + s) ** 2
    d = (s * s + 2**0.5 * s + 1) ** 2
    return 1 / d, s**4 / d


class Speaker:
    def __init__(self, r):
        lu = lambda a, b: float(np.exp(r.uniform(np.log(a), np.log(b))))
        three = r.random() < 0.4
        aw = lu(0.085, 0.15) if three else lu(0.045, 0.1)
        guide = r.random() < 0.35
        at, cap = (
            (r.uniform(0.035, 0.06), r.uniform(7, 11))
            if guide
            else (r.uniform(0.0095, 0.017), r.uniform(16, 24))
        )
        order = lambda: int(r.choice([2, 4]))
        if three:
            am = lu(0.035, 0.065)
            self.x = [
                (lu(280, 700), order()),
                (min(lu(1800, 4200), 2.8 * C / (2 * np.pi * am)), order()),
            ]
            yt = 0.0
            ym = -(1.15 * am + min(at * 1.3, 0.05) + r.uniform(0.015, 0.035))
            self.drv = [
                (aw, 20, ym - 1.15 * (am + aw) - r.uniform(0.01, 0.06)),
                (am, 18, ym),
                (at, cap, yt),
            ]
        else:
            self.x = [(min(lu(1400, 3600), lu(2.2, 3.0) * C / (2 * np.pi * aw)), order())]
            self.drv = [(aw, 18, -(1.15 * aw + at * 1.1 + r.uniform(0.02, 0.045))), (at, cap, 0.0)]
        share = r.uniform(0, 1) * 0.5  # reference axis: tweeter, or between it and the next
        self.drv = [(a, c, y - share * self.drv[-2][2]) for a, c, y in self.drv]
        self.xoff = r.choice([0, 1]) * r.uniform(-0.02, 0.02)  # tweeter a little to the side
        self.shadow = (
            r.uniform(17, 26),
            C / (2.6 * max(2.3 * aw, 0.17)) * r.uniform(0.8, 1.3),
            r.uniform(1.3, 1.7),
        )
        self.vented, self.fb, self.qb = r.random() < 0.55, lu(28, 75), r.uniform(0.55, 0.95)
        self.ftop, self.level, self.tilt = (
            lu(21e3, 40e3),
            r.uniform(80, 92),
            r.uniform(-0.12, 0.05),
        )
        self.nat = [(lu(100, 14e3), r.normal(0, 0.22), r.uniform(1, 4)) for _ in range(8)]
        self.edge = [
            (
                r.uniform(0.008, 0.025),
                np.array([r.uniform(-0.15, 0.15), r.uniform(-0.25, 0.25), 0]),
            )
            for _ in range(4)
        ]

    def shade(self, f):
        m, f0, p = self.shadow
        z = (f / f0) ** 1.3
        return db(-np.outer(m * z / (1 + z), BACK**p))

    def base(self, f):
        """Driver fields (one complex frequency x angle each), and the axis reference of the
        healthy speaker."""
        k = 2 * np.pi * f[:, None] / C
        xs = [cross(f, *x) for x in self.x]
        br = (
            [xs[0][0], xs[0][1]]
            if len(xs) == 1
            else [xs[0][0] * sum(xs[1]), xs[0][1] * xs[1][0], xs[0][1] * xs[1][1]]
        )
        s = 1j * f / self.fb
        hp = s * s / (s * s + s / self.qb + 1)
        if self.vented:
            hp = s**4 / ((s * s + s / 0.541 + 1) * (s * s + s / (1.307 * self.qb / 0.707) + 1))
        common = (
            np.abs(hp)
            / np.sqrt(1 + (f / self.ftop) ** 4)
            * db(self.level + self.tilt * octs(f, 1000))
        )
        for f0, g, q in self.nat:
            common = common * bell(f, f0, g, q)
        wave = self.shade(f).astype(complex)
        for a, pos in self.edge:
            wave *= 1 + a * np.exp(-1j * k * (np.linalg.norm(pos) - U @ pos))
        out = []
        for i, (a, cap, y) in enumerate(self.drv):
            ka = k * a
            ka = ka / (1 + (ka / 7) ** 2) ** 0.25  # the outer cone gives up at high ka
            loss = 1.0857 * (ka * SIN) ** 2
            d = db(-cap * (1 - np.exp(-loss / cap)))
            path = U[:, 1] * y + (U[:, 0] * self.xoff if i == len(self.drv) - 1 else 0)
            out.append((br[i] * common)[:, None] * wave * d * np.exp(1j * k * path))
        return out, sum(br) * common


def draw(kind, r, sp, ppo):
    lu = lambda a, b: float(np.exp(r.uniform(np.log(a), np.log(b))))
    ch = lambda *a: a[r.integers(len(a))]
    sign, d = ch(-1, 1), {"kind": kind}
    n = len(sp.drv)
    edges = [150.0] + [x[0] for x in sp.x] + [14e3]
    home = lambda f0: max(i for i in range(n) if edges[i] <= f0)  # the driver that plays f0
    if kind == "resonance":
        d.update(
            f0=lu(250, 9000),
            form=ch("all", "driver", "panel"),
            q=lu(2, min(16, 0.7 * ppo)),
            gain=r.uniform(1.5, 7),
        )
        if d["form"] == "panel" and d["f0"] > 2500:
            d["form"] = "driver"
        d.update(i=home(d["f0"]), turn=np.radians(r.uniform(-35, 35)), wide=r.uniform(0, 0.4))
    elif kind == "balance":
        d.update(
            f0=lu(300, 6000),
            form=ch("low", "high", "tilt", "bell", "driver"),
            gain=sign * r.uniform(1.5, 5),
            w=r.uniform(0.6, 1.6),
        )
        if d["form"] == "tilt":
            d.update(f0=1000.0, gain=sign * r.uniform(0.4, 1.0))
        if d["form"] == "driver":
            d.update(f0=sp.x[-1][0], gain=sign * r.uniform(1.5, 3.5))
        d["q"] = r.uniform(0.3, 0.6)
    elif kind == "shallow-dip":
        d.update(f0=lu(280, 8000), gain=-r.uniform(1.5, 4), q=r.uniform(0.9, 2.2))
        e = min(abs(octs(d["f0"], x[0])) for x in sp.x)
        d.update(i=home(d["f0"]), form=ch("all", "driver") if e > 1 else "all")
    elif kind == "cancellation":
        form = ch("rear", "front", "side")
        d.update(
            f0=lu(250, 3500),
            form=form,
            g=r.uniform(0.3, 0.85),
            oct=r.uniform(0.25, 0.7),
            pipe=r.random() < 0.5,
            q=lu(1.5, 7),
            late=r.uniform(0, 1.2),
            turn=np.radians(r.uniform(-25, 25)),
            rise=r.uniform(0, 0.8) if form == "rear" else 0,
        )
        m = float(np.clip(C / d["f0"] * r.uniform(0.3, 1.2), 0.06, 0.45))
        d["pos"] = np.array(
            {
                "rear": (0, r.uniform(-0.5, 0.2) * m, -m),
                "front": (r.uniform(-0.4, 0.4) * m, -m, 0),
                "side": (sign * m, 0, -r.uniform(0, 0.8) * m),
            }[form]
        )
    elif kind == "deep-null":
        d.update(
            f0=lu(400, 9000),
            form=ch("above", "side", "front"),
            m=int(r.random() < 0.3),
            g=r.uniform(0.65, 0.96),
            oct=r.uniform(0.4, 1.0),
            spread=np.radians(r.uniform(25, 60)),
        )
        path = C / d["f0"] * (d["m"] + 0.5)
        d["pos"] = (
            path
            * r.uniform(0.3, 0.95)
            * np.array(
                {"above": (0, sign, 0), "side": (sign, 0, 0), "front": (0, 0, -0.8)}[d["form"]]
            )
        )
    elif kind == "crossover-phase":
        i = int(r.integers(len(sp.x)))
        d.update(
            f0=sp.x[i][0],
            i=i,
            form=ch("phase", "delay", "delay"),
            phi=sign * np.radians(r.uniform(75, 180)),
        )
        if r.random() < 0.2:
            d.update(form="phase", phi=np.pi)  # plainly wired wrong
    elif kind == "directivity-step":
        d.update(
            f0=lu(500, 8000),
            form=ch("saw", "step", "bump"),
            th0=np.radians(r.uniform(45, 80)),
            w=r.uniform(0.2, 0.5),
            pw=r.uniform(1, 2),
            vert=r.uniform(0.5, 1),
        )
        d["gain"] = -r.uniform(2.5, 9) if d["form"] == "saw" or sign < 0 else r.uniform(2, 5)
        if d["form"] == "saw" and r.random() < 0.6:
            d["f0"] = max((x[0] for x in sp.x), key=lambda x: (x > 500, r.random())) / 1.15
    else:
        d.update(
            f0=lu(1500, 9000),
            form=ch("ring", "ring", "spot"),
            g=sign * r.uniform(0.15, 0.5),
            rad=r.uniform(0.09, 0.28),
            oct=r.uniform(0.35, 1.0),
            gain=sign * r.uniform(2, 5),
            q=lu(2, 7),
            th=np.radians(r.uniform(5, 10)),
        )
    d["form"] = str(d["form"])
    return d


def effect(d, sp, f, axis):
    """What the defect does: ('drv', index, factor), ('add', field) or ('mul', factor)."""
    kind, f0, form = d["kind"], d["f0"], d["form"]
    k, o = 2 * np.pi * f[:, None] / C, octs(f, d["f0"])
    if kind == "resonance":
        if form != "panel":
            h = bell(f, f0, d["gain"], d["q"])
            return ("mul", h[:, None]) if form == "all" else ("drv", [d["i"]], h[:, None])
        s = 1j * f / f0  # one pole pair of its own, radiating wider than the drivers
        bp = (db(d["gain"]) - 1) * (s / d["q"]) / (s * s + s / d["q"] + 1) * np.exp(1j * d["turn"])
        return "add", (bp * axis)[:, None] * sp.shade(f) ** (1 - d["wide"])
    if kind == "balance":
        if form == "driver":
            return "drv", [len(sp.drv) - 1], db(d["gain"])
        if form == "bell":
            return "mul", bell(f, f0, d["gain"], d["q"])[:, None]
        x = {
            "low": 0.5 - 0.5 * np.tanh(o / d["w"]),
            "high": 0.5 + 0.5 * np.tanh(o / d["w"]),
            "tilt": 4.5 * np.tanh(o / 4.5),
        }[form]
        return "mul", db(d["gain"] * x)[:, None]
    if kind == "shallow-dip":
        h = bell(f, f0, d["gain"], d["q"])[:, None]
        return ("mul", h) if form == "all" else ("drv", [d["i"]], h)
    if kind == "cancellation":  # inverted copy; its path against the axis' path moves with angle
        if d["pipe"]:
            s = 1j * f / f0
            b = (s / d["q"]) / (s * s + s / d["q"] + 1) * np.exp(1j * d["turn"])
        else:
            b = band(f, d) * np.exp(1j * d["turn"] - 2j * np.pi * (f / f0 - 1) * d["late"])
        own = 1 + d["rise"] * BACK if form == "rear" else sp.shade(f)
        return "add", -d["g"] * (b * axis)[:, None] * own * np.exp(
            1j * k * ((U - [0, 0, 1]) @ d["pos"])
        )
    if kind == "deep-null":  # reflected copy, half (or three halves) of a wave late on the axis
        wave = np.exp(-2j * np.pi * (d["m"] + 0.5) * f / f0)
        return "mul", 1 + d["g"] * (band(f, d) * wave)[:, None] * np.exp(
            -((TH / d["spread"]) ** 2) + 1j * k * ((U - [0, 0, 1]) @ d["pos"])
        )
    if kind == "crossover-phase":
        turn = np.exp(1j * d["phi"] * (np.ones_like(f) if form == "phase" else f / f0))
        return "drv", list(range(d["i"] + 1, len(sp.drv))), turn[:, None]
    if kind == "directivity-step":
        if form == "step":
            x = 0.5 + 0.5 * np.tanh(o / d["w"])
        elif form == "bump":
            x = np.exp(-((o / (d["w"] * 1.6)) ** 2))
        else:  # beams more and more, then the next driver takes over
            x = np.minimum(f / f0, 1.0) ** d["pw"] * (0.5 - 0.5 * np.tanh((o - 0.15) / 0.15))
        shape = (1 - np.exp(-((np.abs(TH) / d["th0"]) ** 2.5))) * np.where(VERT > 0, d["vert"], 1)
        return "mul", db(d["gain"] * np.outer(x, shape))
    if form == "ring":  # a round edge: coherent on the axis, a Bessel function beside it
        return (
            "mul",
            1
            + d["g"]
            * band(f, d)[:, None]
            * np.exp(-1j * k * d["rad"])
            * j0(k * d["rad"] * np.sin(TH))
            * np.cos(TH / 2) ** 2,
        )
    return "mul", db(
        np.outer(
            20 * np.log10(np.abs(bell(f, f0, d["gain"], d["q"]))), np.exp(-((TH / d["th"]) ** 2))
        )
    )


def total(drivers, effects):
    fac = [1.0] * len(drivers)
    for e in effects:
        if e[0] == "drv":
            for i in e[1]:
                fac[i] = fac[i] * e[2]
    p = sum(d * g for d, g in zip(drivers, fac))
    for e in effects:
        if e[0] == "add":
            p = p + e[1]
    for e in effects:
        if e[0] == "mul":
            p = p * e[1]
    return p


IN = (FREQS_HZ > 200) & (FREQS_HZ < 12e3)
MID = (FREQS_HZ > 200) & (FREQS_HZ < 10e3)


def good(d, e):
    """Has the defect an effect of its kind?  e: window, in-room, axis (480 x 3)."""
    w, room, ax = e[IN].T
    rms = lambda x: np.sqrt(np.mean(x**2))
    kind = d["kind"]
    at = FREQS_HZ[IN][np.argmax(np.abs(w))]
    if kind in KINDS[:3] and np.abs(w - room).max() > 0.6 * np.abs(w).max():
        return False  # shared by the angles: swallowed by a neighbour's null otherwise
    if kind == "resonance":
        return (
            w.max() >= 1
            and w.min() > -1
            and w.max() < 1.4 * d["gain"]
            and abs(octs(at, d["f0"])) < 0.2
        )
    if kind == "balance":
        return np.std(e[MID, 0]) >= 0.7
    if kind == "shallow-dip":
        return (
            -4.3 < w.min() < -1.3
            and w.max() < 0.5
            and room.min() < 0.8 * w.min()
            and abs(octs(at, d["f0"])) < 0.3
        )
    if kind == "cancellation":
        return w.min() <= -2 and w.max() < 0.6 * -w.min() and room.min() > 0.85 * w.min()
    if kind == "deep-null":
        return ax.min() <= -8 and w.min() <= -2 and room.min() > 0.7 * w.min()
    if kind == "crossover-phase":
        return w.min() <= -2
    if kind == "directivity-step":
        return np.ptp(room) >= 1 and np.abs(ax).max() < 0.15 and np.ptp(w) < 0.5 * np.ptp(room)
    return np.abs(ax).max() >= 1.5 and rms(w) < 0.4 * rms(ax)


def moves(d, p, q):
    """Alone on the healthy speaker: do the angles tell it?  (p with, q without)"""
    if d["kind"] not in ("cancellation", "crossover-phase"):
        return True
    c = 20 * np.log10(np.abs(p[IN]) / np.abs(q[IN]) + 1e-9)
    c = np.maximum(c[np.argmin(c @ W[:, 0])], -20)
    if d["kind"] == "crossover-phase":
        return np.ptp(c[36:][np.abs(ANGLES_DEG) <= 60]) >= 4
    return np.sqrt(POWER @ (c - POWER @ c) ** 2) >= 2 and c.max() > 0.5


def new(kind, r, sp, ppo, base, axis, others):
    """A defect of this kind with an effect of its kind, or None."""
    for _ in range(40):
        d = draw(kind, r, sp, ppo)
        if kind != "balance" and any(
            o["kind"] != "balance" and abs(octs(d["f0"], o["f0"])) < 0.2 for o in others
        ):
            continue  # overlap, but not two on one spot
        eff = effect(d, sp, FREQS_HZ, axis)
        q, p = base[1], total(base[0], [eff])
        if good(d, curves(p) - curves(q)) and moves(d, p, q):
            return d, eff


def speaker(seed):
    r = np.random.default_rng([7411, seed])
    while True:
        sp, ppo = Speaker(r), int(round(np.exp(r.uniform(np.log(12), np.log(48)))))
        drivers, axis = sp.base(FREQS_HZ)
        healthy = total(drivers, [])
        kinds = list(r.permutation(KINDS)[: r.integers(3, 6)])
        if r.random() < 0.25:  # one kind twice
            twice = [
                k
                for k in kinds[:-1]
                if k in ("resonance", "shallow-dip", "cancellation", "deep-null", "single-axis")
            ]
            kinds[-1] = twice[0] if twice else kinds[-1]
        found = []
        for kind in kinds:
            found.append(
                new(kind, r, sp, ppo, (drivers, healthy), axis, [x[0] for x in found if x])
            )
        for _ in range(6):
            if any(x is None for x in found):
                break
            full = curves(total(drivers, [e for _, e in found]))
            diff = [
                full - curves(total(drivers, [e for _, e in found[:i] + found[i + 1 :]]))
                for i in range(len(found))
            ]
            bad = [i for i, (d, _) in enumerate(found) if not good(d, diff[i])]
            if not bad:
                return r, sp, ppo, found, diff, curves(healthy)
            i = bad[0]
            found[i] = new(
                kinds[i],
                r,
                sp,
                ppo,
                (drivers, healthy),
                axis,
                [x[0] for j, x in enumerate(found) if j != i],
            )


def known_speaker(seed):
    r, sp, ppo, found, diff, healthy = speaker(seed)
    f = np.geomspace(20, 20000, int(round(ppo * np.log2(1000))) + 1)
    drivers, axis = sp.base(f)
    changed = total(drivers, [effect(d, sp, f, axis) for d, _ in found])
    lev = 20 * np.log10(np.abs(changed) + 1e-6)
    noise, rough = r.standard_normal(lev.shape), r.uniform(0, 0.5)
    if r.random() < 0.5:  # half of the testers smooth: neighbours share noise, rms kept
        noise = np.apply_along_axis(np.convolve, 0, noise, [0.25, 0.5, 0.25], mode="same")
        noise /= noise.std()
    lev += rough * noise
    known = []
    for (d, _), e in zip(found, diff):
        f0 = d["f0"]
        if d["kind"] in ("cancellation", "deep-null", "crossover-phase"):
            near = np.abs(octs(FREQS_HZ, f0)) < 1
            f0 = FREQS_HZ[near][np.argmin(e[near, 2 if d["kind"] == "deep-null" else 0])]
        known.append(KnownDefect(d["kind"], f0, e.T))
    words = np.random.default_rng([99, seed])
    name = "".join(words.choice(["ba", "lo", "mi", "ru", "ten", "vos", "ka", "pel"], 3))
    return KnownSpeaker(f"{name.capitalize()} {seed}", f, lev, healthy[:, 0], known)


if __name__ == "__main__":
    run(known_speaker, __doc__)
