"""Simulated loudspeakers with known defects.

Every speaker is a coherent far field sum: drivers (pistons whose effective radius shrinks with
frequency) at their places on the baffle, acoustic Linkwitz-Riley crossovers of second or fourth
order aligned on the axis, a cabinet that shades the back, a sealed or vented high pass, small
natural ripple. A defect is a change of one part of that model, so its truth is exact: complete
speaker against the complete speaker without that part.
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
    KnownDefect,
    KnownSpeaker,
    average_weights,
    log_uniform,
    run,
)

import numpy as np
from scipy.special import j0, j1

C = 343.0
TH = np.radians(np.concatenate([ANGLES_DEG, ANGLES_DEG]))  # signed, horizontal then vertical
ISV = np.r_[np.zeros(36, bool), np.ones(36, bool)]
ABS = np.abs(TH)
U = np.stack(
    [np.where(ISV, 0.0, np.sin(TH)), np.where(ISV, np.sin(TH), 0.0), np.cos(TH)]
)  # x right, y up, z front
SIN_IDX = np.minimum(np.abs(ANGLES_DEG), 180 - np.abs(ANGLES_DEG)) // 10
SIN_IDX = np.r_[SIN_IDX, SIN_IDX]
SIN10 = np.sin(np.radians(np.arange(0, 91, 10)))
FC = FREQS_HZ[144::2]  # 160 Hz up, for the checks while drawing


WTS = np.column_stack(
    average_weights().judged()
)  # columns: window, in-room, axis (all on squared pressure)


# ---------------------------------------------------------------- small building blocks


def db(x):
    return 10.0 ** (x / 20.0)


def peaking(f, f0, q, g):
    s = 1j * f / f0
    a = 10.0 ** (g / 40.0)
    return (s * s + s * a / q + 1) / (s * s + s / (a * q) + 1)


def bandpass(f, f0, q):
    return 1.0 / (1.0 + 1j * q * (f / f0 - f0 / f))


def hp2(f, f0, q):
    s = 1j * f / f0
    return s * s / (s * s + s / q + 1)


def lp2(f, f0, q):
    s = 1j * f / f0
    return 1 / (s * s + s / q + 1)


def lr(f, f0, order, high):
    if order == 4:
        return (hp2 if high else lp2)(f, f0, np.sqrt(0.5)) ** 2
    return -hp2(f, f0, 0.5) if high else lp2(f, f0, 0.5)


def lr_sum(f, f0, order):
    return lr(f, f0, order, False) + lr(f, f0, order, True)


def piston(f, a, kac):
    """72 directions; on the axis exactly 1. The radius shrinks so that k a levels off towards
    kac."""
    ka = 2 * np.pi * f / C * a
    u = (ka / np.sqrt(1 + (ka / kac) ** 2))[:, None] * SIN10[None, 1:]
    d = np.ones((len(f), 10))
    d[:, 1:] = 2 * j1(u) / u
    return d[:, SIN_IDX]


def shade(f, box, facing):
    """Cabinet: every direction alike at low frequencies, towards the back shaded at high ones."""
    c = facing[0] * U[0] + facing[1] * U[1] + facing[2] * U[2]
    size = np.where(
        ISV, box["w"] + (np.sqrt(box["w"] * box["h"]) - box["w"]) * np.sin(TH) ** 2, box["w"]
    )
    x = f[:, None] * size[None, :] / 115.0
    p = box["p"] * x * x / (1 + x * x)
    base = np.sqrt((0.5 + 0.5 * c) ** 2 + box["eps"] ** 2) / np.sqrt(1 + box["eps"] ** 2)
    return np.exp(p * np.log(base)[None, :])


def travel(f, r):
    """Phase of a source at r against the reference point, far field."""
    proj = r[0] * U[0] + r[1] * U[1] + r[2] * U[2]
    return np.exp(1j * (2 * np.pi / C) * np.outer(f, proj))


# ---------------------------------------------------------------- the healthy speaker
def draw_speaker(r, need_lobes):
    kind = r.choice(["two", "three", "mtm", "coax"], p=[0.50, 0.30, 0.12, 0.08])
    if kind == "coax" and need_lobes:
        kind = "two"
    order = lambda: int(r.choice([2, 4]))
    guide = bool(r.random() < 0.45) and kind != "coax"
    at, kt = (
        (r.uniform(0.045, 0.075), r.uniform(2.3, 3.0))
        if guide
        else (r.uniform(0.0095, 0.0145), r.uniform(3.0, 4.5))
    )
    flange = r.uniform(0.055, 0.08) if guide else r.uniform(0.030, 0.052)
    tw = dict(role="tweeter", a=at, kac=kt, pos=[(0.0, 0.0, 0.0)])
    if kind != "three":
        aw = log_uniform(r, 0.040, 0.068) if kind == "mtm" else log_uniform(r, 0.042, 0.088)
        lo, hi = max(1200.0, 1.2 * C / (2 * np.pi * aw)), min(3800.0, 2.3 * C / (2 * np.pi * aw))
        fx = log_uniform(r, min(lo, hi * 0.9), hi)
        sp = aw * 1.18 + flange + r.uniform(0.003, 0.02)
        wf = dict(role="woofer", a=aw, kac=r.uniform(3.0, 4.5))
        if kind == "coax":
            wf["pos"] = [(0.0, 0.0, 0.0)]
            tw["a"], tw["kac"] = r.uniform(0.03, 0.045), r.uniform(2.3, 3.0)
        elif kind == "mtm":
            wf["pos"] = [(0.0, sp, 0.0), (0.0, -sp, 0.0)]
        else:
            wf["pos"] = [(0.0, -sp if r.random() < 0.88 else sp, 0.0)]
            if r.random() < 0.2:
                x = r.uniform(0.015, 0.045) * r.choice([-1, 1])
                wf["pos"] = [(x, wf["pos"][0][1], 0.0)]
        drivers, xos = [wf, tw], [(fx, order())]
        w = 2 * aw * 1.18 + r.uniform(0.02, 0.10)
        h = (2 if kind == "mtm" else 1) * 2.4 * aw + 2 * flange + r.uniform(0.05, 0.2)
        if r.random() < 0.3:
            h = max(h, r.uniform(0.8, 1.1))
    else:
        am, aw = log_uniform(r, 0.034, 0.058), log_uniform(r, 0.078, 0.135)
        fx2 = log_uniform(
            r, max(1500.0, 1.1 * C / (2 * np.pi * am)), min(4500.0, 2.2 * C / (2 * np.pi * am))
        )
        fx1 = log_uniform(r, 260.0, min(800.0, 1.4 * C / (2 * np.pi * aw)))
        s2 = am * 1.2 + flange + r.uniform(0.003, 0.02)
        s1 = s2 + am * 1.2 + aw * 1.15 + r.uniform(0.01, 0.12)
        wf = dict(role="woofer", a=aw, kac=r.uniform(3.0, 4.5), pos=[(0.0, -s1, 0.0)])
        md = dict(role="mid", a=am, kac=r.uniform(3.0, 4.5), pos=[(0.0, -s2, 0.0)])
        drivers, xos = [wf, md, tw], [(fx1, order()), (fx2, order())]
        w, h = 2 * aw * 1.15 + r.uniform(0.02, 0.10), s1 + aw + 0.1 + r.uniform(0.1, 0.5)
    vented = bool(r.random() < 0.6)
    box = dict(
        w=w,
        h=h,
        d=r.uniform(0.8, 1.5) * max(w, 0.2),
        p=r.uniform(0.6, 1.05),
        eps=r.uniform(0.05, 0.12),
        vented=vented,
    )
    if vented:
        box["fb"] = log_uniform(r, 27, 65)
        box["q"] = (r.uniform(0.48, 0.62), r.uniform(0.9, 1.5))
        box["spread"] = r.uniform(0.9, 1.12)
    else:
        box["fb"] = log_uniform(r, 38, 100)
        box["q"] = (r.uniform(0.5, 1.05),)
    nb = int(r.integers(4, 9))
    nat = dict(
        f=[log_uniform(r, 120, 16000) for _ in range(nb)],
        g=list(r.normal(0, 0.22, nb).clip(-0.5, 0.5)),
        q=[log_uniform(r, 1.0, 6.0) for _ in range(nb)],
        ring=r.uniform(0.02, 0.07),
        ring_r=0.5 * w * r.uniform(0.8, 1.3),
        n=6,
        amp=r.uniform(0.08, 0.3),
        rate=r.uniform(0.4, 3.0, 6),
        phase=r.uniform(0, 2 * np.pi, 6),
        hv=r.uniform(-4, 4, (2, 6)),
        top=log_uniform(r, 24000, 45000),
        shift=r.uniform(-0.05, 0.05, len(xos)),
    )
    return dict(
        arch=kind, drivers=drivers, xos=xos, box=box, nat=nat, guide=guide, level=r.uniform(78, 93)
    )


class Grid:
    """The healthy parts of one speaker on one set of frequencies."""

    def __init__(self, sp, f):
        self.sp, self.f = sp, f
        xos, dr = sp["xos"], sp["drivers"]
        self.front = shade(f, sp["box"], (0, 0, 1))
        nat = sp["nat"]
        if len(dr) == 2:
            ((fx, o),) = xos
            x = [lr(f, fx, o, False), lr(f, fx, o, True)]
        else:
            (f1, o1), (f2, o2) = xos
            hi1 = lr(f, f1, o1, True)
            x = [
                lr(f, f1, o1, False) * lr_sum(f, f2, o2),
                hi1 * lr(f, f2, o2, False),
                hi1 * lr(f, f2, o2, True),
            ]
        # small honest misalignment of the drivers (share of a cycle at the crossover)
        x[0] = x[0] * np.exp(-2j * np.pi * nat["shift"][0] * f / xos[0][0])
        if len(dr) == 3:
            x[2] = x[2] * np.exp(-2j * np.pi * nat["shift"][1] * f / xos[1][0])
        self.x = x
        self.pist, self.bare = [], []
        for d, xd in zip(dr, x):
            ph = (
                sum(travel(f, p) for p in d["pos"]) / len(d["pos"])
                if any(any(p) for p in d["pos"])
                else 1.0
            )
            self.bare.append(xd[:, None] * self.front * ph)
            self.pist.append(piston(f, d["a"], d["kac"]))
        self.drv = [b * p for b, p in zip(self.bare, self.pist)]
        # what every direction shares: box, top end, natural ripple
        b = sp["box"]
        com = hp2(f, b["fb"], b["q"][0])
        if b["vented"]:
            com = com * hp2(f, b["fb"] * b["spread"], b["q"][1])
        com = np.abs(com) * np.abs(lp2(f, nat["top"], 0.7)) * db(sp["level"])
        for f0, g, q in zip(nat["f"], nat["g"], nat["q"]):
            com = com * np.abs(peaking(f, f0, q, g))
        lf = np.log2(f / 1000.0)[:, None]
        rip = np.zeros((len(f), 72))
        for i in range(nat["n"]):
            slope = np.where(ISV, nat["hv"][1, i], nat["hv"][0, i])
            sl = slope * np.sin(TH / 2) + 1.5 * np.sin(TH / 2) ** 2 * nat["rate"][i]
            rip += np.sin(
                2 * np.pi * nat["rate"][i] * lf + nat["phase"][i] + 2 * np.pi * sl[None, :] * 0.5
            )
        scale = (
            nat["amp"]
            / np.sqrt(3.0)
            * (0.35 + 0.65 * np.minimum(ABS / (np.pi / 2), 1.0))
            / (1 + (300 / f[:, None]) ** 2)
        )
        self.common = com[:, None] * np.exp(rip * scale * 0.115129)
        k = 2 * np.pi * f / C
        ring = -nat["ring"] / (1 + (1500 / f) ** 2) * np.exp(-1j * k * nat["ring_r"])
        self.ring = (
            (ring[:, None] * j0(np.outer(k * nat["ring_r"], SIN10)))[:, SIN_IDX]
            * (np.cos(ABS) > 0.1)
            * self.front
        )

    # ------------------------------------------------------------ what a defect changes
    def piece(self, d):
        f, sp = self.f, self.sp
        t = d["type"]
        if t == "driver":  # factor on one driver's output
            return ("drv", d["driver"], self._curve(d))
        if t == "common":
            return ("com", None, self._curve(d))
        if t == "radius":
            i = d["driver"]
            return ("rad", i, self.bare[i] * piston(f, d["a"], d["kac"]))
        if t == "source":  # second source, driven by driver i
            i = d["driver"]
            m = travel(f, d["r"]) * shade(f, sp["box"], d["facing"])
            if d["a"]:
                m = m * piston(f, d["a"], d["kac"]) if d["facing"][0] == 0 else m
            v = (
                d["g"]
                * bandpass(f, d["f0"], d["q"])
                * np.exp(-2j * np.pi * (f - d["f0"]) * d["tau"])
            )
            drive = self.x[i] if not d["own"] else self.x[i] * 0 + d["drive0"]
            return ("src", i, (v * drive)[:, None] * m)
        if t == "reflection":
            rr = d["r"]
            dist = np.sqrt(rr[0] ** 2 + rr[1] ** 2 + rr[2] ** 2)
            proj = rr[0] * U[0] + rr[1] * U[1] + rr[2] * U[2]
            amp = d["g"] / np.sqrt(1 + (d["lo"] / f) ** 6) / np.sqrt(1 + (f / d["hi"]) ** 4)
            lobe = np.exp(-np.log(2) * (ABS / d["cone"]) ** 2)
            return (
                "ref",
                None,
                d["sign"]
                * amp[:, None]
                * lobe
                * np.exp(-2j * np.pi / C * np.outer(f, dist - proj)),
            )
        if t == "edge":
            env = d["g"] * np.exp(-0.5 * (np.log2(f / d["fc"]) / d["oct"]) ** 2)
            k = 2 * np.pi * f / C
            v = env * np.exp(-1j * (k * d["path"] + d["phase"]))
            if d["shape"] == "ring":
                m = j0(np.outer(k * d["R"], SIN10))[:, SIN_IDX] * self.front
            elif d["shape"] == "sides":
                s = np.where(ISV, np.sin(TH) * 0.25, np.sin(TH))
                m = (
                    np.cos(np.outer(k * d["R"], s))
                    * self.front
                    * np.exp(-((np.where(ISV, ABS, 0.0) / 0.25) ** 2))
                )
            elif (
                d["shape"] == "corner"
            ):  # one strong point of the rim: the ripple wanders with angle
                m = (
                    travel(f, (d["R"] * np.cos(d["turn"]), d["R"] * np.sin(d["turn"]), 0.0))
                    * self.front
                    * (np.cos(ABS) > -0.1)
                )
            else:
                m = np.exp(-((ABS / d["width"]) ** 2))[None, :]
            return ("ref", None, v[:, None] * m)
        if t == "pattern":
            h = 1 - np.exp(-((ABS / d["open"]) ** d["pow"]))
            x = np.log2(f / d["fc"]) / d["oct"]
            b = (
                np.exp(-0.5 * x * x)
                if d["shape"] == "bell"
                else 0.5
                * (1 + np.tanh(x))
                * np.exp(-0.5 * (np.maximum(x - 1, 0) / d["tail"]) ** 2)
            )
            return ("dir", None, np.exp(0.115129 * d["s"] * np.outer(b, h)))
        raise ValueError(t)

    def _curve(self, d):
        f, s = self.f, d["shape"]
        if s == "mode":  # one pole pair in the signal path
            return 1 + (db(d["gain"]) - 1) * bandpass(f, d["f0"], d["q"])
        if s == "peaking":
            return peaking(f, d["f0"], d["q"], d["gain"])
        if s == "gain":
            return np.full(len(f), db(d["gain"]) + 0j)
        if s == "shelf":  # order 1 or 2, either end
            n, g = d["order"], db(d["gain"] / 2)
            x = 1j * f / d["f0"]
            if d["low"]:
                x = 1 / x
            if n == 1:
                h = (1 + x * g) / (1 + x / g)
            else:
                a = np.sqrt(g)
                h = (1 + x * a / 0.6 + (x * a) ** 2) / (1 + x / a / 0.6 + (x / a) ** 2)
            return h
        if s == "tilt":
            x = np.log2(np.clip(f, 90.0, 18000.0) / d["f0"])
            return db(d["gain"] * x) + 0j
        if s == "turn":  # inversion, fixed phase error
            return np.full(len(f), np.exp(1j * d["phase"]))
        if s == "late":  # offset of the driver along the axis
            return np.exp(-1j * d["phase"] * f / d["f0"]) * d["pol"]
        if s == "allpass":
            x = 1j * f / d["f0"] / d["centre"]
            return ((1 - x) / (1 + x)) ** 2
        raise ValueError(s)

    def p2(self, pieces):
        n = len(self.drv)
        mult = [None] * n
        drv = list(self.drv)
        for w, i, m in pieces:
            if w == "drv":
                mult[i] = m if mult[i] is None else mult[i] * m
            elif w == "rad":
                drv[i] = m
        p = sum(d if m is None else d * m[:, None] for d, m in zip(drv, mult))
        refl, com = self.ring, None
        for w, i, m in pieces:
            if w == "src":
                p = p + (m if mult[i] is None else m * mult[i][:, None])
        for w, i, m in pieces:
            if w == "dir":
                p = p * m
            elif w == "ref":
                refl = refl + m
            elif w == "com":
                com = np.abs(m) if com is None else com * np.abs(m)
        p = p + p[:, HORIZONTAL_0 : HORIZONTAL_0 + 1] * refl
        q = (p.real**2 + p.imag**2) * self.common**2
        return q if com is None else q * (com**2)[:, None]

    def curves(self, pieces):
        return 10 * np.log10(self.p2(pieces) @ WTS)


# ---------------------------------------------------------------- drawing the defects
def loudest(sp, f0):
    """The driver that carries f0."""
    i = 0
    for n, (fx, _) in enumerate(sp["xos"]):
        if f0 > fx:
            i = n + 1
    return i


def xdist(sp, f0):
    return min(abs(np.log2(f0 / fx)) for fx, _ in sp["xos"])


def draw_defect(r, sp, kind, ppo, taken):
    d = dict(kind=kind)
    box = sp["box"]
    if kind == "resonance":
        d["f0"] = f0 = log_uniform(r, 250, 9000)
        d["q"] = log_uniform(r, 1.8, min(18.0, 0.7 * ppo))
        gain = r.uniform(1.8, 8.0)
        if f0 < 1500 and r.random() < 0.35:  # a panel or the box answers with its own pattern
            i = loudest(sp, f0)
            side = r.choice([-1, 1])
            y = sp["drivers"][i]["pos"][0][1] + r.uniform(-0.1, 0.1)
            lam = C / f0
            d.update(
                type="source",
                driver=i,
                own=False,
                r=(side * r.uniform(0, 0.12) * lam, y, -r.uniform(0, 0.12) * lam),
                facing=(side * 0.7, 0, 0.714),
                a=0,
                kac=3.0,
                tau=0.0,
            )
            set_source(sp, d, (db(gain) - 1), r.uniform(-0.7, 0.7))
        else:
            d.update(type="driver", driver=loudest(sp, f0), shape="mode", gain=gain)
    elif kind == "balance":
        t = r.choice(["shelf", "tilt", "bell", "level"], p=[0.4, 0.2, 0.22, 0.18])
        sg = r.choice([-1, 1])
        if t == "shelf":
            d.update(
                type="common",
                shape="shelf",
                f0=log_uniform(r, 250, 6000),
                gain=sg * r.uniform(2.0, 5.5),
                order=int(r.choice([1, 2])),
                low=bool(r.random() < 0.5),
            )
        elif t == "tilt":
            d.update(
                type="common",
                shape="tilt",
                f0=log_uniform(r, 500, 2500),
                gain=sg * r.uniform(0.45, 1.2),
            )
        elif t == "bell":
            d.update(
                type="common",
                shape="peaking",
                f0=log_uniform(r, 300, 7000),
                q=log_uniform(r, 0.3, 0.6),
                gain=sg * r.uniform(2.0, 5.0),
            )
        else:
            i = int(r.integers(0, len(sp["drivers"])))
            fx = sp["xos"][min(i, len(sp["xos"]) - 1)][0]
            if i == 1 and len(sp["drivers"]) == 3:
                fx = np.sqrt(sp["xos"][0][0] * sp["xos"][1][0])
            d.update(
                type="driver", driver=i, shape="gain", gain=sg * r.uniform(2.0, 4.5), f0=float(fx)
            )
    elif kind == "shallow-dip":
        d.update(
            f0=log_uniform(r, 250, 9000),
            q=log_uniform(r, 0.9, 2.4),
            gain=-r.uniform(1.5, 4.0),
            shape="peaking",
            type="common",
        )
        if r.random() < 0.4 and xdist(sp, d["f0"]) > 0.9:
            d.update(type="driver", driver=loudest(sp, d["f0"]))
    elif kind == "cancellation":
        t = r.choice(["front", "rear", "open", "side", "breakup"], p=[0.24, 0.2, 0.16, 0.18, 0.22])
        wy = sp["drivers"][0]["pos"][0][1]
        d.update(type="source", own=False)
        if t == "front":  # pipe mode of a port beside the driver
            f0 = log_uniform(r, 450, 1800)
            dist = sp["drivers"][0]["a"] * 1.2 + r.uniform(0.04, 0.22)
            an = r.uniform(-0.8, 0.8)
            rr = (dist * np.sin(an), wy - dist * np.cos(an), 0.0)
            d.update(
                r=rr,
                facing=(0, 0, 1),
                a=r.uniform(0.015, 0.035),
                q=log_uniform(r, 2.0, 8.0),
                tau=r.uniform(0, 0.8e-3),
            )
        elif t in ("rear", "open"):
            f0 = log_uniform(r, 250, 1000)
            rr = (
                r.uniform(-0.03, 0.03),
                wy + r.uniform(-0.15, 0.2),
                -box["d"] * r.uniform(0.9, 1.2),
            )
            d.update(
                r=rr,
                facing=(0, 0, -1),
                a=r.uniform(0.02, 0.06),
                q=log_uniform(r, 2.0, 8.0) if t == "rear" else log_uniform(r, 0.7, 1.6),
                tau=r.uniform(0, 0.8e-3),
            )
        elif t == "side":  # side woofer, passive radiator, leaking panel
            f0 = log_uniform(r, 250, 1600)
            sd = r.choice([-1, 1])
            rr = (
                sd * (box["w"] / 2 + 0.01),
                wy + r.uniform(-0.25, 0.1),
                -box["d"] * r.uniform(0.2, 0.7),
            )
            d.update(
                r=rr,
                facing=(float(sd), 0, 0),
                a=0.06,
                q=log_uniform(r, 0.9, 6.0),
                tau=r.uniform(0, 0.6e-3),
            )
        else:  # break-up of the lower driver against the upper one
            i = int(r.integers(0, len(sp["xos"])))
            fx = sp["xos"][i][0]
            f0 = log_uniform(r, 1.15 * fx, min(3.2 * fx, 7500))
            lo = sp["drivers"][i]
            d.update(
                r=lo["pos"][-1],
                facing=(0, 0, 1),
                a=lo["a"],
                kac=r.uniform(2.5, 4.0),
                q=log_uniform(r, 1.5, 5.0),
                tau=r.uniform(0, 0.2e-3),
            )
        d["f0"], d["sub"] = f0, t
        d.setdefault("kac", 3.0)
        d["q"] = min(d["q"], 0.6 * ppo)
        d["driver"] = loudest(sp, f0)
        set_source(sp, d, r.uniform(0.3, 0.85), np.pi + r.uniform(-0.6, 0.6))
    elif kind == "deep-null":
        d["f0"] = f0 = log_uniform(r, 250, 9000)
        psi, az = np.radians(r.uniform(55, 165)), r.uniform(0, 2 * np.pi)
        soft = (
            r.random() < 0.18
        )  # pressure release or edge: inverted, first null one wavelength late
        ex = C / f0 * (1.0 if soft else 0.5) * (1 if soft or r.random() < 0.9 else 3)
        if ex > 0.9 * C / f0 * ppo / 12.0:
            ex = C / f0 * 0.5
            soft = False
        dist = ex / (1 - np.cos(psi))
        comb = r.random() < 0.45
        d.update(
            type="reflection",
            r=(
                dist * np.sin(psi) * np.cos(az),
                dist * np.sin(psi) * np.sin(az),
                dist * np.cos(psi),
            ),
            g=r.uniform(0.65, 0.97),
            lo=f0 * r.uniform(0.35, 0.75),
            hi=f0 * (r.uniform(2.5, 6.0) if comb else r.uniform(1.3, 2.2)),
            cone=np.radians(r.uniform(22, 65)),
            sign=-1.0 if soft else 1.0,
        )
        d["g"] = min(
            0.97,
            d["g"]
            / np.abs(1 / np.sqrt(1 + (d["lo"] / f0) ** 6) / np.sqrt(1 + (f0 / d["hi"]) ** 4)),
        )
    elif kind == "crossover-phase":
        i = int(r.integers(0, len(sp["xos"])))
        fx = sp["xos"][i][0]
        drv = 0 if i == 0 and len(sp["xos"]) == 2 else len(sp["drivers"]) - 1
        d.update(type="driver", driver=drv, f0=fx)
        t = r.choice(["turn", "pol", "late", "allpass"], p=[0.3, 0.3, 0.28, 0.12])
        if t == "pol":
            d.update(shape="turn", phase=np.pi)
        elif t == "turn":
            d.update(shape="turn", phase=r.choice([-1, 1]) * np.radians(r.uniform(105, 175)))
        elif t == "late":
            d.update(
                shape="late", phase=r.choice([-1, 1]) * np.radians(r.uniform(105, 200)), pol=1.0
            )
        else:
            d.update(shape="allpass", centre=log_uniform(r, 0.75, 1.33))
    elif kind == "directivity-step":
        opts = ["beam", "beam", "bell", "step"] + (["bare"] if sp["guide"] else [])
        t = r.choice(opts)
        d["sub"] = t
        if t == "beam":
            i = int(r.integers(0, len(sp["drivers"]) - 1))
            ka = r.uniform(2.8, 5.5)  # a cone too large for its crossover, moving as one piece
            a = ka * C / (2 * np.pi * sp["xos"][i][0])
            if a < 1.25 * sp["drivers"][i]["a"] or a > 0.22:
                return None
            d.update(
                type="radius", driver=i, a=a, kac=r.uniform(4.5, 9.0), f0=sp["xos"][i][0] * 0.8
            )
        elif t == "bare":
            d.update(
                type="radius",
                driver=len(sp["drivers"]) - 1,
                a=r.uniform(0.0095, 0.0145),
                kac=r.uniform(3, 4.5),
                f0=sp["xos"][-1][0] * 1.3,
            )
        else:
            d.update(
                type="pattern",
                shape=t,
                fc=log_uniform(r, 300, 8500),
                oct=r.uniform(0.22, 0.6),
                s=r.choice([-1, 1]) * r.uniform(2.5, 10),
                open=np.radians(r.uniform(38, 65)),
                pow=r.uniform(2.0, 3.5),
                tail=r.uniform(1.0, 3.0),
            )
            d["f0"] = d["fc"]
    elif kind == "single-axis":
        t = r.choice(["ring", "sides", "spot", "corner"], p=[0.35, 0.2, 0.25, 0.2])
        fc = log_uniform(r, 600, 9000) if t == "spot" else log_uniform(r, 1300, 9000)
        lam = C / fc
        R = min(lam * log_uniform(r, 1.0, 4.0), 0.36, lam * ppo / 3.2)
        d.update(
            type="edge",
            shape=t,
            fc=fc,
            f0=fc,
            R=R,
            path=R if t != "spot" else lam * log_uniform(r, 1.0, min(4.0, ppo / 3.5)),
            phase=np.pi + r.uniform(-0.5, 0.5),
            g=r.uniform(0.17, 0.42),
            oct=r.uniform(0.25, 0.9),
            width=np.radians(r.uniform(5.0, 10.5)),
            turn=r.uniform(0.35, 1.22) + np.pi / 2 * r.integers(0, 4),
        )
    if not 250 <= d["f0"] <= 9000:
        return None
    if kind != "balance":  # overlaps happen, dead hits only now and then
        for o in taken:
            if o["kind"] != "balance" and abs(np.log2(o["f0"] / d["f0"])) < (
                0.5 if o["kind"] == kind else 0.17
            ):
                if o["kind"] == kind or r.random() < 0.65:
                    return None
    return d


def set_source(sp, d, ratio, phase):
    """Scale a second source so that on the axis at f0 it has this ratio and phase to the
    healthy sum."""
    f = np.array([d["f0"]])
    g = Grid(sp, f)
    d["g"] = 1.0
    d["drive0"] = 1.0
    if abs(g.x[d["driver"]][0]) < 0.35:
        d["own"] = True
    m = g.piece(d)[2][0, HORIZONTAL_0]
    tot = sum(q[0, HORIZONTAL_0] for q in g.drv)
    d["g"] = ratio * np.exp(1j * phase) * tot / m


# ---- does it have an effect of its kind?
def octave(f, f0, half):
    return np.abs(np.log2(f / f0)) <= half


def judge(d, f, e):
    """e: window, in-room, axis. True if the effect is what the kind means; also sets where it
    sits."""
    k = d["kind"]
    m = (f >= 200) & (f <= 12500)
    ff, w, r, a = f[m], e[m, 0], e[m, 1], e[m, 2]
    if k == "resonance":
        i = int(np.argmax(w))
        d["at"] = d["f0"]
        return (
            1.0 <= w[i] <= 9.5
            and abs(np.log2(ff[i] / d["f0"])) < 0.17
            and w.min() > -0.5 * w[i]
            and r.max() > 0.6 * w[i]
        )
    if k == "balance":
        b = ff <= 10000
        d["at"] = d["f0"]
        return (
            np.std(w[b]) >= 0.8
            and np.ptp(w[b]) <= 8
            and np.max(np.abs((w - r)[b])) < 0.35 * np.ptp(w[b])
        )
    if k == "shallow-dip":
        i = int(np.argmin(w))
        d["at"] = d["f0"]
        return (
            1.4 <= -w[i] <= 4.2
            and w.max() < 0.35
            and r[i] < 0.8 * w[i]
            and abs(np.log2(ff[i] / d["f0"])) < 0.25
        )
    if k in ("cancellation", "deep-null", "crossover-phase"):
        ref = a if k == "deep-null" else w
        i = int(np.argmin(ref))
        d["at"] = float(ff[i])
        near = octave(ff, ff[i], 0.34)
        wm, rm, am = w[near].min(), r[near].min(), a[near].min()
        if abs(np.log2(ff[i] / d["f0"])) > 0.6 or not 250 <= ff[i] <= 9000:
            return False
        if k == "cancellation":
            return -13 <= wm <= -2.0 and rm > 0.62 * wm and r.max() < 4.5 and w.max() < -0.75 * wm
        if k == "deep-null":
            return am <= -8 and wm <= -3.0 and rm > 0.62 * wm and w.max() < -0.75 * wm
        return wm <= -2.5 and rm > 0.7 * wm and w.max() < -0.6 * wm
    if k == "directivity-step":
        i = int(np.argmax(np.abs(r)))
        d["at"] = float(ff[i])
        return (
            1.1 <= abs(r[i]) <= 6
            and np.max(np.abs(a)) < 0.3
            and np.max(np.abs(w)) < 0.42 * abs(r[i])
            and 250 <= ff[i] <= 9000
        )
    i = int(np.argmax(np.abs(a)))
    d["at"] = float(ff[i])
    return 1.5 <= abs(a[i]) <= 6 and np.max(np.abs(w)) < 0.4 * abs(a[i]) and 250 <= ff[i] <= 9000


def effects(g, defects, pieces):
    full = g.curves(pieces)
    return [full - g.curves(pieces[:i] + pieces[i + 1 :]) for i in range(len(defects))]


CAPS = {"resonance": 2, "shallow-dip": 2, "cancellation": 2, "single-axis": 2, "deep-null": 2}


def draw_kinds(r):
    n = int(r.integers(3, 6))
    out = []
    p = np.array(
        [1.0 if k in CAPS else 1.32 for k in KINDS]
    )  # capped at one a speaker, so drawn more often
    while len(out) < n:
        k = KINDS[int(r.choice(8, p=p / p.sum()))]
        if out.count(k) < CAPS.get(k, 1):
            out.append(k)
    return out


def add(r, sp, g, kind, ppo, ds, ps, tries=25):
    base = g.curves(ps)
    for _ in range(tries):
        d = draw_defect(r, sp, kind, ppo, ds)
        if d is None:
            continue
        if d["type"] == "radius" and any(
            o["type"] == "radius" and o["driver"] == d["driver"] for o in ds
        ):
            continue
        p = g.piece(d)
        if judge(d, g.f, g.curves(ps + [p]) - base):
            return d, p
    return None


def draw(seed):
    r = np.random.default_rng([20231, seed])
    kinds = draw_kinds(r)
    ppo = (
        int(r.choice([12, 16, 20, 24, 24, 30, 36, 48]))
        if r.random() < 0.7
        else int(r.integers(12, 49))
    )
    sigma = 0.0 if r.random() < 0.06 else float(r.uniform(0.0, 0.5))
    while True:
        sp = draw_speaker(r, "crossover-phase" in kinds)
        g = Grid(sp, FC)
        lw = g.curves([])[:, 0]
        if np.ptp(lw[(FC > 200) & (FC < 10000)]) > 4.0:
            continue
        order = sorted(
            range(len(kinds)), key=lambda i: kinds[i] != "crossover-phase"
        )  # has the least freedom: first
        ds, ps, ok = [], [], True
        for i in order:
            got = add(r, sp, g, kinds[i], ppo, ds, ps)
            if got is None:
                ok = False
                break
            ds.append(got[0]), ps.append(got[1])
        if not ok:
            continue
        for _ in range(4):  # every defect judged in the complete speaker
            bad = [i for i, e in enumerate(effects(g, ds, ps)) if not judge(ds[i], g.f, e)]
            if not bad:
                break
            i = bad[-1]
            got = add(r, sp, g, ds[i]["kind"], ppo, ds[:i] + ds[i + 1 :], ps[:i] + ps[i + 1 :])
            if got is None:
                break
            ds[i], ps[i] = got
        else:
            bad = [i for i, e in enumerate(effects(g, ds, ps)) if not judge(ds[i], g.f, e)]
        if bad:
            continue
        gt = Grid(sp, FREQS_HZ)
        pt = [gt.piece(d) for d in ds]
        es = effects(gt, ds, pt)
        if all(judge(d, FREQS_HZ, e) for d, e in zip(ds, es)):
            mix = r.permutation(len(ds))
            return (
                r,
                sp,
                [ds[i] for i in mix],
                [es[i] for i in mix],
                gt.curves([])[:, 0],
                ppo,
                sigma,
            )


def measure(r, sp, ds, ppo, sigma):
    n = int(np.floor(np.log2(1000.0) * ppo + 1e-9)) + 1
    f = 20.0 * 2.0 ** (np.arange(n) / ppo)
    g = Grid(sp, f)
    lv = 10 * np.log10(np.maximum(g.p2([g.piece(d) for d in ds]), 1e-12))
    noise = r.standard_normal(lv.shape)
    if r.random() < 0.25:  # some rigs smooth: neighbours share their noise
        half = max(1, int(round(ppo / r.uniform(12, 24) / 2 + 0.5)))
        k = np.hanning(2 * half + 3)[1:-1]
        k /= np.sqrt((k * k).sum())
        noise = np.apply_along_axis(
            lambda c: np.convolve(np.r_[c[half:0:-1], c, c[-2 : -half - 2 : -1]], k, "valid"),
            0,
            noise,
        )
    return f, lv + sigma * noise


SYL = [
    "bra",
    "tel",
    "no",
    "vi",
    "kar",
    "mo",
    "lun",
    "des",
    "or",
    "fi",
    "sta",
    "wen",
    "gul",
    "pa",
    "rix",
    "ho",
    "sem",
    "tu",
]


def known_speaker(seed):
    r, sp, ds, es, healthy, ppo, sigma = draw(seed)
    f, levels_db = measure(r, sp, ds, ppo, sigma)
    name = "".join(r.choice(SYL, 3)).capitalize() + " %d" % r.integers(2, 99)
    known = [
        KnownDefect(d["kind"], d["at"], e.T + 0.0) for d, e in zip(ds, es)
    ]  # no negative zeros
    return KnownSpeaker(name, f, levels_db, healthy, known)


if __name__ == "__main__":
    run(known_speaker, __doc__)
