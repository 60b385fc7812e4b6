"""Simulated loudspeakers with known defects; parametric, mostly dB per angle.

Every model is a closed function of the direction u = (right, up, front) and of frequency, so the
two orbits agree where they meet (0 and 180 degrees). Healthy speaker: two or three (or one)
drivers with in-phase Linkwitz-Riley amplitudes, a beaming law each (dB re axis), the vertical
phase of their spacing, shadow to the back, box high pass, small ripple. All defects except
`crossover-phase` are dB added per angle; that one turns the phase of one side of a crossover in
the sum. Early reflections: mean (powers) of the five zone means, rear wall = 180, +-90.
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
from scipy.ndimage import gaussian_filter1d
from scipy.special import j0, j1

C = 343.0
NA = ANGLES_DEG.size
FLO, FHI = 250.0, 9000.0

_a = np.deg2rad(ANGLES_DEG)
_s, _c, _z = np.sin(_a), np.cos(_a), np.zeros(NA)
_s[-1] = 0.0
U = np.stack([np.r_[_s, _z], np.r_[_z, _s], np.r_[_c, _c]], 1)  # 72 x 3, horizontal orbit first
UX, UY, UZ = (U[:, i, None] for i in range(3))
TH = np.rad2deg(np.arccos(np.clip(UZ, -1, 1)))  # degrees off axis
RHO = np.sqrt(np.clip(1 - UZ**2, 0, 1))  # |sin|


W = average_weights().judged()  # window, in-room, axis
averages = lambda power: 10 * np.log10(W @ power)
db = lambda x: 20 * np.log10(np.maximum(np.abs(x), 1e-6))
lin = lambda x: 10 ** (x / 20)


class Draw:
    """A few short words round a generator."""

    def __init__(self, rng):
        self.r = rng

    def u(self, a, b):
        return float(self.r.uniform(a, b))

    def log(self, a, b):
        return log_uniform(self.r, a, b)

    def p(self, prob):
        return bool(self.r.random() < prob)

    def pick(self, *x):
        return x[int(self.r.integers(len(x)))]

    def sign(self):
        return 1.0 if self.r.random() < 0.5 else -1.0


# ------------------------------------------------------------------ healthy speaker
def smooth_limit(x, s):
    """x dB of loss (positive), saturating at s."""
    return s * (1 - np.exp(-x / s))


def beaming(d, a, tweeter):
    """Beaming law of a driver of radius a: returns f -> dB (72 x F), zero on the axis."""
    form = (
        d.pick("piston", "gauss", "rational", "cospower", "piston")
        if not tweeter
        else d.pick("piston", "gauss", "rational", "guide", "guide", "cospower")
    )
    shrink = (
        d.u(0, 0.45) if d.p(0.6) and not tweeter else 0.0
    )  # the outer cone lets go above the piston range
    fbr = d.u(1.5, 3.0) * C / (2 * np.pi * a)
    floor = d.u(0.08, 0.25)
    sat, alpha = d.u(12, 26), d.u(0.95, 1.4)
    x0, n = d.u(1.2, 1.7), d.u(0.9, 1.4)
    kap, q = d.u(0.45, 0.75), d.u(1.2, 1.7)
    cov, flow, p, fhigh = d.u(38, 68), d.log(900, 2600), d.u(1.6, 2.3), d.log(7000, 18000)
    rho = np.where(UZ < 0, 1 - d.u(0.3, 0.9) * (1 - RHO), RHO)  # what leaks round to the back
    tall = d.u(0.7, 1.1)  # vertical coverage of a guide against horizontal

    def ka(f):
        return 2 * np.pi * f * a / C / (1 + (f / fbr) ** 2) ** (shrink / 2)

    if form == "piston":

        def law(f):
            x = np.maximum(ka(f) * rho, 1e-4)
            return 10 * np.log10(((2 * j1(x) / x) ** 2 + floor**2) / (1 + floor**2))

    elif form == "gauss":

        def law(f):
            return -smooth_limit(alpha * (ka(f) * rho) ** 2, sat)

    elif form == "rational":

        def law(f):
            return -10 * n * np.log10(1 + (ka(f) * rho / x0) ** 2)

    elif form == "cospower":

        def law(f):
            m = kap * ka(f) ** q
            return -smooth_limit(-20 * m * np.log10(np.maximum((1 + UZ) / 2, 0.01)), sat + 6)

    else:

        def law(f):
            t6 = cov + (150 - cov) / (1 + (f / flow) ** 2)
            t6 = t6 / (1 + (f / fhigh) ** 2) ** 0.25
            shape = 1 + (1 / tall - 1) * UY**2
            return -smooth_limit(6 * (TH * shape / t6) ** p, sat)

    return law


class Speaker:
    def __init__(self, d, want_lobes):
        while True:
            self._draw(d)
            if not want_lobes or self.lobed():
                break

    def _draw(self, d):
        r = d.r.random()
        self.ways = 1 if r < 0.08 else (2 if r < 0.66 else 3)
        self.order = [d.pick(2, 4, 4) for _ in range(self.ways - 1)]
        if self.ways == 1:
            rad, self.fx = [d.u(0.028, 0.055)], []
        elif self.ways == 2:
            aw = d.u(0.042, 0.115)
            self.fx = [d.log(1100, max(1300, min(4200, 2.5 * C / (2 * np.pi * aw))))]
            rad = [aw, d.u(0.009, 0.017)]
        else:
            rad = [d.u(0.07, 0.16), d.u(0.028, 0.068), d.u(0.009, 0.016)]
            self.fx = [d.log(280, 700), 0]
            self.fx[1] = d.log(1700, max(2000, min(5000, 2.4 * C / (2 * np.pi * rad[1]))))
        self.rad = rad
        # positions: tweeter at the origin, the others down (or up), now and then beside; coaxial
        # ones at one point
        up = 1 if d.p(0.12) else -1
        lean = d.u(-0.6, 0.6) if d.p(0.12) else 0.0
        coax = d.p(0.12)
        y, self.pos = 0.0, [None] * self.ways
        for i in range(self.ways - 1, -1, -1):
            if i < self.ways - 1:
                near = coax and i == self.ways - 2
                y += 0.0 if near else rad[i] + max(rad[i + 1], 0.02) + d.u(0.008, 0.07)
            self.pos[i] = np.array([lean * y, up * y, 0.0])
        self.sep = [
            float(np.linalg.norm(self.pos[i + 1] - self.pos[i])) for i in range(self.ways - 1)
        ]
        self.laws = [
            beaming(d, a, i == self.ways - 1 and self.ways > 1) for i, a in enumerate(rad)
        ]
        self.trim = [d.u(-0.35, 0.35) for _ in rad]
        self.phase = [0.0] + [d.r.normal(0, np.deg2rad(9)) for _ in rad[1:]]
        # shadow of the box to the back
        width = max(2 * rad[0] + d.u(0.02, 0.12), 0.14)
        self.fb, self.sq, self.ss, self.spow = (
            115 / width * d.u(0.8, 1.3),
            d.u(1.1, 2.2),
            d.u(11, 26),
            d.u(1.0, 2.1),
        )
        self.cardioid = d.p(0.07)
        # box
        self.vented = d.p(0.55)
        self.fbox, self.qbox = d.log(28, 95), d.u(0.5, 1.05)
        self.q2 = d.u(0.5, 0.62)
        self.q1 = d.u(1.0, 1.5)
        self.detune = d.u(0.85, 1.15)
        self.ftop, self.ntop = d.log(18000, 45000), d.pick(1, 2)
        self.slope = d.u(-0.08, 0.08)
        self.level = 0.0 if d.p(0.15) else d.u(76, 96)
        # natural ripple: shared part in log frequency, edge part that turns with the direction
        n = 7
        self.rp, self.rph = np.exp(d.r.uniform(np.log(0.25), np.log(2), n)), d.r.uniform(
            0, 2 * np.pi, n
        )
        self.ra = d.u(0.05, 0.25) * np.sqrt(2 / n) * d.r.uniform(0.5, 1.5, n)
        ne = int(d.r.integers(2, 5))
        self.edges = [
            (d.u(0.05, 0.45), d.u(0, 2 * np.pi), d.u(0.05, 0.25), d.u(0, 2 * np.pi), d.u(0.6, 1.0))
            for _ in range(ne)
        ]
        self.fedge = d.log(300, 1200)

    def lobed(self):
        return [
            i
            for i, f in enumerate(self.fx)
            if 0.38 <= self.sep[i] * f / C <= 2.2 and f > FLO * 1.1
        ]

    def levels(self, f, turn=None):
        """dB, 72 x F. turn = (crossover index, f -> phase in rad) turns everything above that
        crossover."""
        amp, rest = [], np.ones_like(f)
        for i, fx in enumerate(self.fx):
            x = (f / fx) ** self.order[i]
            amp.append(rest / (1 + x))
            rest = rest * x / (1 + x)
        amp.append(rest)
        total = 0
        for i in range(self.ways):
            a = lin(self.laws[i](f) + self.trim[i]) * amp[i]
            if self.ways == 1:
                total = a
                break
            ph = 2 * np.pi * f / C * (U @ self.pos[i])[:, None] + self.phase[i]
            if turn is not None and i > turn[0]:
                ph = ph + turn[1](f)
            total = total + a * np.exp(1j * ph)
        sig = 1 / (1 + (self.fb / f) ** self.sq)
        if self.cardioid:
            sig = np.maximum(sig, 0.6 / (1 + (140 / f) ** 2))
        out = db(total) - self.ss * sig * ((1 - UZ) / 2) ** self.spow
        x = f / self.fbox
        if self.vented:
            h = (
                x**2
                / np.sqrt((1 - x**2) ** 2 + (x / self.q2) ** 2)
                * (x * self.detune) ** 2
                / np.sqrt((1 - (x * self.detune) ** 2) ** 2 + (x * self.detune / self.q1) ** 2)
            )
        else:
            h = x**2 / np.sqrt((1 - x**2) ** 2 + (x / self.qbox) ** 2)
        axis = (
            db(h)
            - 10 * np.log10(1 + (f / self.ftop) ** (2 * self.ntop))
            + self.slope * np.log2(f / 1000)
            + self.level
        )
        lf = np.log2(f)
        axis = axis + self.ra @ np.cos(2 * np.pi * lf / self.rp[:, None] + self.rph[:, None])
        out = out + axis
        k = 2 * np.pi * f / C
        rise = 1 / (1 + (self.fedge / f) ** 2)
        for L, az, a, ps, lead in self.edges:
            out = out + a * rise * np.cos(k * L * (lead - UX * np.cos(az) - UY * np.sin(az)) + ps)
        return out


# ------------------------------------------------------------------ shapes over frequency
def hump(d):
    """Random unit hump: (f, f0, width) -> 0..1; width = full width at half height in octaves
    (f0 may be 72 x 1)."""
    form = d.pick("gauss", "lorentz", "bell", "super", "sech")

    def fn(f, f0, w):
        x = np.log2(f / f0) / (w / 2)
        if form == "gauss":
            return np.exp(-np.log(2) * x**2)
        if form == "lorentz":
            return 1 / (1 + x**2)
        if form == "super":
            return np.exp(-np.log(2) * np.abs(x) ** 2.8)
        if form == "sech":
            return 1 / np.cosh(1.317 * np.clip(x, -40, 40))
        y = (2 ** (x * w / 2) - 2 ** (-x * w / 2)) / (2 ** (w / 2) - 2 ** (-w / 2))
        return 1 / (1 + y**2)

    return fn


def step(d):
    """Random unit step 0 -> 1 over log frequency, w octaves from a tenth to nine tenths or so."""
    form = d.pick("tanh", "atan", "logistic", "erf")

    def fn(f, f0, w):
        x = np.log2(f / f0) / w
        if form == "tanh":
            return 0.5 + 0.5 * np.tanh(2.2 * x)
        if form == "atan":
            return 0.5 + np.arctan(4.5 * x) / np.pi
        if form == "logistic":
            return 1 / (1 + 2.0 ** (-6 * x))
        return 0.5 + 0.5 * np.tanh(2.3 * x + 0.35 * x**3)

    return fn


def shared_gain(d, most):
    """Smooth small change of a defect's dB over the direction, 1 on the axis."""
    form, e = d.pick("none", "cos", "sin2", "side"), d.u(-most, most)
    return {
        "none": 1 + 0 * UZ,
        "cos": 1 + e * (1 - UZ) / 2,
        "sin2": 1 + e * RHO**2,
        "side": 1 + 0.5 * e * UX,
    }[form]


# ---- the defects: each returns f -> dB (72 x F)
def resonance(d, spk, ctx):
    f0 = d.log(FLO, FHI)
    g = d.log(1.3, 9)
    q = d.log(1.6, min(16, 0.55 * ctx["ppo"]))
    form = d.pick("same", "same", "turned", "leak", "fade")
    psi = 0.0
    amp = (lin(g) - 1) * (1 + 0 * UZ)
    if form == "turned":  # radiated not quite in phase with the driver
        psi = d.u(-45, 45) * np.pi / 180
    elif form == "leak":  # a wall or horn mouth radiates wider than the driver
        amp = amp * (1 + d.u(0.1, 0.6) * ((1 - UZ) / 2) ** d.u(0.8, 1.6))
    elif form == "fade":  # a resonance of a dome or cap, beamed
        amp = amp * (1 - d.u(0.1, 0.4) * ((1 - UZ) / 2) ** d.u(0.8, 1.6))

    def fn(f):
        x = f / f0
        b = (1j * x / q) / (1 - x**2 + 1j * x / q)
        return db(1 + amp * np.exp(1j * psi) * b)

    return dict(fn=fn, f0=f0)


def balance(d, spk, ctx):
    form = d.pick("low shelf", "high shelf", "tilt", "bell", "driver level", "bow")
    g, sg, e = d.u(1.6, 5.0), d.sign(), shared_gain(d, 0.1)
    f0 = d.log(300, 6000)
    if form in ("low shelf", "high shelf"):
        s, w = step(d), d.u(1.2, 3.2)
        off = 1.0 if form == "low shelf" else 0.0
        fn = lambda f: e * (sg * g * (s(f, f0, w) - off))
    elif form == "driver level":  # one driver louder, blended over the crossover
        f0 = d.pick(*[x for x in spk.fx if x > 300]) if any(x > 300 for x in spk.fx) else f0
        s, w = step(d), d.u(0.8, 1.8)
        fn = lambda f: e * (sg * g * (s(f, f0, w) - 0.5))
    elif form == "tilt":
        f0, span, m = d.log(700, 1600), d.u(2.5, 4.2), d.u(0.45, 1.3)
        fn = lambda f: e * (sg * m * span * np.tanh(np.log2(f / f0) / span))
    elif form == "bell":
        h, w = hump(d), d.u(2.2, 4.0)
        fn = lambda f: e * (sg * g * h(f, f0, w))
    else:  # ends against the middle
        h, w, g2 = hump(d), d.u(2.6, 4.2), g * d.u(-0.35, 0.2)
        fn = lambda f: e * (sg * (g * h(f, f0, w) + g2 * np.tanh(np.log2(f / f0) / 3)))
    return dict(fn=fn, f0=f0)


def shallow_dip(d, spk, ctx):
    f0, depth, w, h, e = (
        d.log(280, 8000),
        d.u(1.6, 4.0),
        d.u(0.55, 1.5),
        hump(d),
        shared_gain(d, 0.15),
    )
    skew = d.u(0.7, 1.4) if d.p(0.35) else 1.0

    def fn(f):
        return -depth * e * np.where(f < f0, h(f, f0, w * skew), h(f, f0, w / skew))

    return dict(fn=fn, f0=f0)


def away(d, rear_share):
    """Path measure m(u): 0 on the axis, how the direction brings the second source nearer or
    farther (unit distance)."""
    if d.p(rear_share):
        q = np.array(
            [d.u(-0.25, 0.25), d.u(-0.7, 0.3), -1.0]
        )  # port, back wave, second driver behind
    else:
        q = np.array([d.u(-1, 1), d.u(-1, 1), d.u(-0.9, -0.1)])  # beside or below, a bit behind
    q /= np.linalg.norm(q)
    return (U @ q - q[2])[:, None]


def fade_flip(d, m):
    """Depth factor over the path measure: 1 on the axis, fades and mostly flips into a rise
    further off."""
    form, rise = d.pick("cos", "cos", "tanh", "gauss", "ramp"), d.u(0.15, 0.65)
    am = np.abs(m)
    kap, ms = d.u(1.7, 4.5), d.u(0.25, 0.8)
    if form == "cos":
        h = np.cos(kap * m)
    elif form == "tanh":
        h = 1 - 2 * np.tanh(am / ms) ** 2
    elif form == "gauss":
        h = 1.6 * np.exp(-((am / ms) ** 2)) - 0.6
    else:
        h = np.clip(1 - am / ms, -1, 1)
    return np.where(h < 0, h * rise, h)


def band(d, w):
    p = d.pick(2.0, 2.0, 3.0, 4.0)
    return lambda f, f0: np.exp(-np.log(2) * np.abs(np.log2(f / f0) / (w / 2)) ** p)


def cancellation(d, spk, ctx):
    f0 = d.log(260, 1400) if d.p(0.5) else d.log(260, 6500)
    m = away(d, 0.65)
    if d.p(0.55):
        depth, w, h = d.log(2.6, 12), d.u(max(0.18, 3 / ctx["ppo"]), 0.75), hump(d)
        fade = fade_flip(d, m)
        drift = d.sign() * d.u(0.15, 1.0)
        law = d.pick("lin", "sat", "square")
        oct_ = (
            drift
            * {
                "lin": m,
                "sat": 0.6 * np.tanh(m / 0.6),
                "square": np.sign(m) * 0.6 * m**2 + 0.3 * m,
            }[law]
        )
        sh, so = (d.u(0.05, 0.25), d.u(0.8, 1.3)) if d.p(0.5) else (0, 1)
        fc = f0 * 2**oct_

        def fn(f):
            out = -depth * fade * h(f, fc, w)
            if sh:  # shoulders where the second source adds
                out = out + sh * depth * np.abs(fade) * h(f, fc * 2 ** (d_sign * so * w), w)
            return out

        d_sign = d.sign()
    else:  # a second source of its own band, as phasors
        g0, kap = d.u(0.3, 0.82), d.u(1.6, 5.0)
        L, g, tau = kap * C / (2 * np.pi * f0), band(d, d.u(0.45, 1.6)), d.u(0, 1.2) / f0
        rear = d.u(0, 0.6)
        ps = d.u(-30, 30) * np.pi / 180

        def fn(f):
            a = np.minimum(g0 * (1 + rear * (1 - UZ) / 2), 0.93) * g(f, f0)
            return db(
                1 - a * np.exp(1j * (2 * np.pi * f / C * L * m - 2 * np.pi * (f - f0) * tau + ps))
            )

    return dict(fn=fn, f0=f0)


def deep_null(d, spk, ctx):
    f0 = d.log(FLO * 1.05, FHI * 0.95)
    form = d.pick("notch", "comb", "comb", "mirror")
    ts, p = d.u(22, 65), d.u(1.5, 4)
    m = away(d, 0.2)
    if form == "notch":
        depth, w = d.u(8, 24), d.u(max(0.16, 2.5 / ctx["ppo"]), 0.55)
        k = d.sign() * d.u(0.2, 1.0)
        rise, tr, wr = d.u(0, 0.22), d.u(50, 100), d.u(20, 40)
        fade = np.exp(-((TH / ts) ** p))
        up = rise * np.exp(-(((TH - tr) / wr) ** 2)) * (TH > 0) * (1 - np.exp(-((TH / 30) ** 2)))
        fc = f0 * 2 ** (k * (m if d.p(0.6) else (1 - UZ) * 1.0))
        sq = np.sqrt(10 ** (depth / 10))

        def fn(f):
            x = np.log2(f / fc) / (w / 2)
            nt = 10 * np.log10((x**2 + 1 / sq**2 * 1.0) / (x**2 + 1))
            return fade * nt + up * depth * 0.5 / (1 + x**2)

    elif form == "comb":  # near reflection, band limited by its size and absorption
        g0, n, g = d.u(0.55, 0.93), d.pick(0, 0, 1, 1, 2), band(d, d.u(0.5, 1.8))
        wide = d.u(0, 0.5)
        fade = wide * np.exp(-((TH / 120) ** 2)) + (1 - wide) * np.exp(-((TH / ts) ** p))
        b = d.u(0.4, 1.6)

        def fn(f):
            tau = (2 * n + 1) / (2 * f0) * (1 + b * m)
            return db(1 + g0 * fade * g(f, f0) * np.exp(-2j * np.pi * f * tau))

    else:  # a plane nearby: delay of a mirror source
        g0, top = d.u(0.5, 0.9), d.u(1.5, 3.0)
        q = d.sign() * d.u(0.3, 1.0) * UY if d.p(0.6) else d.sign() * d.u(0.3, 1.0) * UX
        fade = np.exp(-((TH / (ts * 1.5)) ** p))

        def fn(f):
            tau = 0.5 / f0 * (1 + q + 0.5 * (1 - UZ))
            lp = 1 / (1 + (f / (top * f0)) ** 4) / (1 + (0.3 * f0 / f) ** 2)
            return db(1 + g0 * fade * lp * np.exp(-2j * np.pi * f * tau))

    return dict(fn=fn, f0=f0)


def crossover_phase(d, spk, ctx):
    i = d.pick(*spk.lobed())
    fx = spk.fx[i]
    ph = d.sign() * np.pi / 180 * (d.u(172, 180) if d.p(0.25) else d.u(70, 172))
    form = d.pick("constant", "delay", "half", "allpass")

    def turn(f):
        if form == "constant":
            return ph + 0 * f
        if form == "delay":
            return ph * f / fx
        if form == "half":
            return ph * (0.5 + 0.5 * f / fx)
        return ph * 2 * (f / fx) / (1 + f / fx)

    return dict(turn=(i, turn), f0=fx)


def directivity_step(d, spk, ctx):
    form = d.pick("early beam", "saw", "bell", "bell", "step", "swing")
    f0 = d.log(450, 7500)
    pin = [x for x in spk.fx if 450 < x < 7500]
    if pin and d.p(0.5):
        f0 = d.pick(*pin) * d.log(0.75, 1.1)
    ang = d.pick("cos", "tanh", "power", "sin")
    p, t0 = d.u(1.1, 2.0), d.u(45, 90)
    h = {
        "cos": np.minimum((1 - UZ), 1.5) ** p,
        "tanh": np.tanh((TH / t0) ** (p + 0.6)),
        "power": np.minimum(TH / 90, 1.2) ** (p + 0.7),
        "sin": np.where(TH < 90, RHO, 1 - 0.3 * (1 - RHO)) ** (1.4 + p),
    }[ang]
    plane = d.pick("both", "both", "h", "v")
    less = d.u(0.2, 0.7)
    h = h * {"both": 1 + 0 * UZ, "h": 1 - less * UY**2, "v": 1 - less * UX**2}[plane]
    h = np.minimum(h, 1.3)
    amt = d.log(2.0, 11)
    sg = -1.0 if d.p(0.65) else 0.65  # a flare stays smaller than a narrowing
    if form == "early beam":  # a driver bigger than the crossover allows
        a1 = d.u(1.8, 3.6) * C / (2 * np.pi * f0)
        a0 = a1 * d.u(0.25, 0.65)
        n, fade = d.pick(4, 6, 8), d.u(1.0, 1.35)
        cap, al = d.u(6, 14), d.u(0.9, 1.3)
        behind = np.where(UZ < 0, 1 - d.u(0.2, 0.8) * (1 - RHO), RHO)

        def fn(f):
            k = 2 * np.pi * f / C
            diff = al * (k * behind) ** 2 * (a1**2 - a0**2)
            return -smooth_limit(diff, cap) / (1 + (f / (f0 * fade)) ** n)

    elif form == "saw":  # narrows slowly, lets go fast (or the mirror of it)
        wl, wr = d.u(0.8, 2.0), d.u(0.2, 0.6)
        hu = hump(d)

        def fn(f):
            return sg * amt * h * np.where(f < f0, hu(f, f0, wl), hu(f, f0, wr))

    elif form == "bell":
        w, hu = d.u(0.4, 1.4), hump(d)
        fn = lambda f: sg * amt * h * hu(f, f0, w)
    elif form == "step":
        s, w = step(d), d.u(0.3, 1.2)
        sg = d.sign()
        fn = lambda f: sg * 0.7 * amt * h * s(f, f0, w)
    else:  # narrow, then too wide
        w, hu, r = d.u(0.4, 1.0), hump(d), d.u(0.4, 1.0)
        fn = (
            lambda f: amt
            * 0.8
            * h
            * (-hu(f, f0 * 2 ** (-w / 2), w) + r * hu(f, f0 * 2 ** (w / 2), w))
        )
    return dict(fn=fn, f0=f0)


def single_axis(d, spk, ctx):
    form = d.pick("spot", "turning", "running", "rim")
    f0, amt = d.log(700, FHI * 0.95), d.u(1.6, 5.5)
    width = d.u(0.7, 2.2)
    env, ts = band(d, width), d.u(4, 9)
    cyc = d.u(1, min(5.0, ctx["ppo"] / 8)) / width * 0.8  # ripple cycles per octave round f0
    lini, ps = d.p(0.6), d.u(0, 2 * np.pi)
    tau = cyc / (f0 * np.log(2))

    def phase(f):
        return (2 * np.pi * (f - f0) * tau if lini else 2 * np.pi * cyc * np.log2(f / f0)) + ps

    if form == "spot":  # only on the axis and next to it
        fade = np.exp(-((TH / ts) ** 2))
        fn = lambda f: amt * fade * env(f, f0) * np.cos(phase(f))
    elif form == "turning":  # the same ripple turns its phase with the angle
        kap, t2 = d.u(1.2, 3.4), d.u(18, 45)
        kx, ky = d.u(0.6, 1), d.u(0.6, 1)
        rot = kap * np.sqrt((kx * UX) ** 2 + (ky * UY) ** 2) / np.sin(np.pi / 18)
        fade = np.exp(-((TH / t2) ** 2))
        fn = lambda f: amt * fade * env(f, f0) * np.cos(phase(f) + rot)
    elif form == "running":  # a narrow dip or peak that runs away from its frequency
        w, hu, k = d.u(max(0.15, 3 / ctx["ppo"]), 0.4), hump(d), d.sign() * d.u(0.15, 0.5)
        sg, fade = d.sign(), np.exp(-((TH / d.u(12, 30)) ** 2))
        fc = f0 * 2 ** np.clip(k * TH / 10, -3, 3)
        fn = lambda f: sg * amt * fade * hu(f, fc, w)
    else:  # round rim: all edges agree on the axis only
        L = d.u(0.05, 0.24)

        def fn(f):
            k = 2 * np.pi * f / C
            return (
                amt * env(f, f0) * np.cos(k * L + ps) * j0(k * L * RHO) * np.exp(-((TH / 80) ** 2))
            )

    return dict(fn=fn, f0=f0)


DRAW = {
    "resonance": resonance,
    "balance": balance,
    "shallow-dip": shallow_dip,
    "cancellation": cancellation,
    "deep-null": deep_null,
    "crossover-phase": crossover_phase,
    "directivity-step": directivity_step,
    "single-axis": single_axis,
}
BAND = (FREQS_HZ >= 150) & (FREQS_HZ <= 14000)
INNER = (FREQS_HZ >= 200) & (FREQS_HZ <= 10000)
SIDE = (TH[:, 0] >= 50) & (TH[:, 0] <= 150)
VERT = np.r_[np.zeros(NA, bool), np.abs(ANGLES_DEG) <= 60]


def judge(kind, eff, per_angle, ppo):
    """(is it honestly of its kind, where it sits) from the effect on window / in-room / axis
    and the dB per angle."""
    w, r, a = eff
    top = lambda x: int(np.argmax(np.where(BAND, x, -1e9)))
    if kind == "resonance":
        i = top(w)
        return w[i] >= 1.2 and w[i] > -1.5 * w[BAND].min(), None
    if kind == "balance":
        return np.ptp(w[INNER]) >= 1.6 and np.ptp(w[INNER]) < 7, None
    if kind == "shallow-dip":
        i = top(-w)
        return 1.4 <= -w[i] <= 4.2, None
    if kind in ("cancellation", "deep-null"):
        i = top(-w)
        if kind == "cancellation":
            ok = 2.0 <= -w[i] <= 12
        else:
            i = top(-a)
            ok = -a[i] >= 6 and -w[BAND].min() >= 2.5
            near = np.abs(np.log2(FREQS_HZ / FREQS_HZ[i])) < 0.35
            ok = ok and -w[near].min() >= 2
        d = per_angle[:, i]
        ok = ok and d[SIDE].mean() > 0.5 * w[i] and r[i] > 0.85 * w[i]  # told apart by the angles
        return ok and FLO <= FREQS_HZ[i] <= FHI, FREQS_HZ[i]
    if kind == "crossover-phase":
        i = top(-w)
        ok = -w[i] >= 2 and per_angle[VERT, i].max() - w[i] > 2.5
        return ok and FLO <= FREQS_HZ[i] <= FHI, FREQS_HZ[i]
    if kind == "directivity-step":
        i = top(np.abs(r))
        sw = np.ptp(r[INNER])
        ok = (
            1.1 <= sw < 6
            and np.abs(a).max() < 0.2
            and np.abs(w[INNER]).max() < min(1.3, 0.55 * sw)
        )
        return ok and FLO <= FREQS_HZ[i] <= FHI, FREQS_HZ[i]
    i = top(np.abs(a))
    ok = (
        np.abs(a[i]) >= 1.5
        and np.abs(w[BAND]).max() < 0.42 * np.abs(a[i])
        and np.abs(r[BAND]).max() < 0.42 * np.abs(a[i])
    )
    return ok and FLO <= FREQS_HZ[i] <= FHI, FREQS_HZ[i]


def choose_kinds(d):
    n = int(d.r.integers(3, 6))
    kinds = list(d.r.permutation(KINDS)[:n])
    if d.p(0.15):  # now and then a second one of a kind
        j = int(d.r.integers(n))
        twice = [
            k for i, k in enumerate(kinds) if i != j and k not in ("balance", "crossover-phase")
        ]
        if twice and kinds[j] not in ("balance", "crossover-phase"):
            kinds[j] = d.pick(*twice)
    return [str(k) for k in kinds]


def build(seed):
    d = Draw(np.random.default_rng([int(seed), 20011]))
    while True:
        kinds = choose_kinds(d)
        ppo = int(d.r.integers(12, 49)) if d.p(0.4) else d.pick(12, 16, 20, 24, 32, 48)
        ctx = dict(ppo=ppo)
        made = None
        for _ in range(6):  # other speakers for the same kinds
            spk = Speaker(d, "crossover-phase" in kinds)
            made = defects(d, spk, kinds, ctx)
            if made:
                return d, spk, made, ppo


def defects(d, spk, kinds, ctx):
    healthy = spk.levels(FREQS_HZ)
    hp = 10 ** (healthy / 10)
    ha = averages(hp)
    lists, free = [], d.p(0.2)  # free: overlaps without any distance kept
    for kind in kinds:
        for _ in range(8 if kind == "crossover-phase" else 40):
            k = DRAW[kind](d, spk, ctx)
            k["kind"] = kind
            if "fn" in k:
                k["db"] = k["fn"](FREQS_HZ)
                if not np.all(np.isfinite(k["db"])):
                    continue
            else:
                k["db"] = spk.levels(FREQS_HZ, k["turn"]) - healthy
            ok, at = judge(kind, averages(hp * 10 ** (k["db"] / 10)) - ha, k["db"], ctx["ppo"])
            if not ok:
                continue
            k["f0"] = float(at or k["f0"])
            loose = ("balance", "directivity-step")
            gap = [
                abs(np.log2(k["f0"] / o["f0"]))
                for o in lists
                if o["kind"] not in loose and kind not in loose
            ]
            same = [abs(np.log2(k["f0"] / o["f0"])) for o in lists if o["kind"] == kind]
            if (same and min(same) < 0.8) or (gap and not free and min(gap) < 0.4):
                continue
            lists.append(k)
            break
        else:
            return None
    # the truth: complete speaker against the speaker without this defect alone; must still be of
    # its kind there
    full = hp * 10 ** (sum(k["db"] for k in lists) / 10)
    fa = averages(full)
    for k in lists:
        k["eff"] = fa - averages(full * 10 ** (-k["db"] / 10))
        ok, at = judge(k["kind"], k["eff"], k["db"], ctx["ppo"])
        if not ok:
            return None
        k["f0"] = float(at or k["f0"])
    order = np.argsort([k["f0"] for k in lists])
    return ha[0], [lists[i] for i in order]


# ------------------------------------------------------------------ writing
def invent(d):
    v, c = "aeiou", "bdfgklmnprstvz"
    w = "".join(d.pick(*c) + d.pick(*v) for _ in range(d.pick(2, 3))) + d.pick(
        "", "n", "l", "r", "x"
    )
    return w.capitalize() + " " + str(int(d.r.integers(10, 990)))


def known_speaker(seed):
    d, spk, (window, lists), ppo = build(seed)
    f = np.geomspace(20, 20000, int(round(ppo * np.log2(1000))) + 1)
    turn = next((k["turn"] for k in lists if "turn" in k), None)
    lev = spk.levels(f, turn)
    for k in lists:
        if "fn" in k:
            lev = lev + k["fn"](f)
    rms = 0.0 if d.p(0.12) else d.u(0, 0.5)
    noise = d.r.normal(size=lev.shape)
    if d.p(0.3):
        noise = gaussian_filter1d(noise, d.u(0.6, 2.5), axis=1, mode="nearest")
        noise /= noise.std()
    lev = lev + rms * noise
    known = [KnownDefect(k["kind"], k["f0"], k["eff"]) for k in lists]
    return KnownSpeaker(invent(d), f, lev.T, window, known)


if __name__ == "__main__":
    run(known_speaker, __doc__, Form(defect_hz=1))
