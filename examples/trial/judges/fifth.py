"""Simulated loudspeakers with known defects, as mild as those that reviewers receive.

Drivers with lumped parameters in closed, vented or no boxes; ladders of real inductors, capacitors
and resistors loaded by their impedance, or active sections; one directivity for each driver;
rectangular boxes whose edges diffract by the line integral of Svensson, Fred and Vanderkooy
(1999). The healthy speaker is voiced flat in the listening window. What is left is its unevenness:
small minimum-phase ripples of the drivers, which all angles share, and diffraction and the modes
of cones and mouths, which they do not.

`scipy` is needed beside `numpy`. Call: see `population_tools.py`. Sizes and shares without a
source are our own judgement of the market.
"""

import sys
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from population_tools import (
    DIRECTIONS,
    FREQS_HZ,
    Form,
    KnownDefect,
    KnownSpeaker,
    average_weights,
    log_uniform,
    run,
)

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.special import j0, j1

AIR_M_PER_S = 344.0
AIR_KG_PER_M3 = 1.2
F = FREQS_HZ
OMEGA = 2 * np.pi * F
WAVE_PER_M = OMEGA / AIR_M_PER_S
OCTAVES = np.log2(F)
# The weights of the directions in the listening window, the in-room response and on the axis.
CURVES = average_weights().judged()
WINDOW, IN_ROOM, ON_AXIS = range(3)

# Voiced flat between these; also where unevenness is counted.
VOICED = (F >= 150) & (F <= 14e3)
# Where the size of a defect is read.
SIZED = (F >= 60) & (F <= 14e3)


def _unit_vectors():
    """Unit vectors of DIRECTIONS, rows: x to the right, y up, z forward."""
    angles = np.radians([angle_deg for _, angle_deg in DIRECTIONS])
    flat = np.array([orbit == "horizontal" for orbit, _ in DIRECTIONS])
    vectors = np.stack([np.sin(angles) * flat, np.sin(angles) * ~flat, np.cos(angles)], axis=1)
    return np.round(vectors, 12)


UNIT = _unit_vectors()
FROM_AXIS_RAD = np.arccos(UNIT[:, 2])
# The direction seen in a mirror in the plane of the baffle.
MIRRORED = np.array([np.argmin(((UNIT * [1, 1, -1]) - v) ** 2 @ np.ones(3)) for v in UNIT])


def decibels(power):
    return 10 * np.log10(np.maximum(power, 1e-12))


def curves_db(pressure):
    """The three judged curves, a row for each, of `pressure` (frequency by direction)."""
    return decibels(CURVES @ (np.abs(pressure) ** 2).T)


def band_pass(f0_hz, q):
    """Second-order bandpass, 1 at `f0_hz`, over F as a column."""
    return (1 / (1 + 1j * q * (F / f0_hz - f0_hz / F)))[:, None]


def peaking(f0_hz, gain_db, q):
    """Minimum-phase bump or dip of `gain_db`, over F as a column; dips mirror bumps."""
    reach = 10 ** (abs(gain_db) / 20) - 1
    bump = 1 + reach * band_pass(f0_hz, q)
    return bump if gain_db >= 0 else 1 / bump


def over_octaves(levels_db, width_oct):
    """`levels_db` averaged by a Gaussian of this standard deviation (a number, or one for each
    frequency), normalized at the ends."""
    width_oct = np.broadcast_to(width_oct, F.shape)[:, None]
    weights = np.exp(-0.5 * ((OCTAVES[:, None] - OCTAVES) / width_oct) ** 2)
    return weights @ levels_db / weights.sum(axis=1).reshape((-1,) + (1,) * (levels_db.ndim - 1))


# ---- boxes

# Diffracted impulse responses are collected at this rate; 20 kHz lies far below half of it.
RATE_HZ = 128e3
# Time 0 of an impulse response comes after this many samples, and so many there are: 1.2 m of path
# before the reference, 3 m after it.
LEAD, SAMPLES = 450, 1600
# Fourier matrix of an impulse response. Each arrival is shared by two samples, which weakens high
# frequencies by sinc^2; that is undone.
FOURIER = np.exp(-1j * np.outer(OMEGA, (np.arange(SAMPLES) - LEAD) / RATE_HZ))
FOURIER /= np.sinc(F / RATE_HZ)[:, None] ** 2


class Box(NamedTuple):
    """A rectangular box; the baffle's middle is the origin."""

    width_m: float
    height_m: float
    depth_m: float
    rounding_m: float
    # Outer angle of the edges: 3/2 pi for a box, 2 pi for an open baffle.
    wedge_rad: float
    # Point of the baffle on the measuring axis: x, y.
    reference_m: np.ndarray


def edge_response(box, x_m, y_m):
    """What the four edges diffract of a point source on the baffle at (x, y): impulse responses
    at the directions (SAMPLES by directions), the source alone in free space being 1.

    Svensson, Fred and Vanderkooy, J. Acoust. Soc. Am. 106 (1999), eq. for a source on the wedge
    (theta_S = 0) and a distant receiver, from memory. First order only. A box ends behind: along
    its wall an edge gives half, and less the more the box hides it (our own approximation).
    """
    nu = np.pi / box.wedge_rad
    half = np.array([box.width_m / 2, box.height_m / 2])
    source = np.array([x_m, y_m])
    response = np.zeros((SAMPLES, len(UNIT)))
    columns = np.broadcast_to(np.arange(len(UNIT)), (1, len(UNIT)))
    for along in (0, 1):
        across = 1 - along
        for side in (1, -1):
            count = int(np.ceil(2 * half[along] / 0.004))
            step_m = 2 * half[along] / count
            z_m = ((np.arange(count) + 0.5) * step_m - half[along])[:, None]
            to_edge_m = half[across] - side * source[across]
            m_m = np.hypot(z_m - source[along], to_edge_m)
            n_along, n_out = UNIT[:, along], side * UNIT[:, across]
            theta = np.arctan2(UNIT[:, 2], -n_out) % (2 * np.pi)
            seen = 1.0
            if box.wedge_rad < 2 * np.pi:
                seen = 1 / (1 + np.exp((theta - box.wedge_rad) / np.radians(12)))
            theta = np.minimum(theta, box.wedge_rad)
            lateral = np.sqrt(np.maximum(1 - n_along**2, 1e-8))
            cosh_eta = (m_m - (z_m - source[along]) * n_along) / (to_edge_m * lateral)
            cosh_nu_eta = np.cosh(nu * np.arccosh(np.maximum(cosh_eta, 1)))
            beta = 0
            for phi in (np.pi + theta, np.pi - theta):
                beta = beta + 2 * np.sin(nu * phi) / np.maximum(
                    cosh_nu_eta - np.cos(nu * phi), 1e-12
                )
            strength = -nu / (4 * np.pi) * beta / m_m * step_m * seen
            reference = box.reference_m
            ahead_m = (z_m - reference[along]) * n_along
            ahead_m = ahead_m + (half[across] - side * reference[across]) * n_out
            place = (m_m - ahead_m) / AIR_M_PER_S * RATE_HZ + LEAD
            first = np.clip(place.astype(int), 0, SAMPLES - 2)
            late = np.clip(place - first, 0, 1)
            flat = first * len(UNIT) + columns
            for offset, share in ((0, 1 - late), (len(UNIT), late)):
                response += np.bincount(
                    (flat + offset).ravel(), (strength * share).ravel(), response.size
                ).reshape(response.shape)
    return response


def on_baffle(box, position_m, directivity):
    """Field (frequency by direction) of a source of volume on the baffle, 1 where it is alone in
    free space at low frequencies. `directivity`: the same shape, all angles from the axis.

    What is diffracted twice or more is one smooth term that brings every direction to free space
    towards 0 Hz (our own approximation).
    """
    response = edge_response(box, *position_m)
    ahead = UNIT[:, 2]
    direct = np.where(np.abs(ahead) < 1e-9, 1.0, np.where(ahead > 0, 2.0, 0.0))
    again = 1 - direct - response.sum(axis=0)
    size_m = np.sqrt(box.width_m * box.height_m)
    slow = 1 / (1 + 1j * F / (AIR_M_PER_S / (np.pi * size_m))) ** 2
    offset_m = (np.asarray(position_m) - box.reference_m) @ UNIT[:, :2].T
    travel = np.exp(1j * np.outer(WAVE_PER_M, offset_m))
    # A rounded edge diffracts less once its radius is no longer short against the wave.
    rounded = 1 / np.sqrt(1 + (WAVE_PER_M * box.rounding_m) ** 2)
    grazing = directivity[:, np.argmin(np.abs(ahead))][:, None]
    edges = (FOURIER @ response) * rounded[:, None] + slow[:, None] * again * travel
    return directivity * direct * travel + grazing * edges


def on_back(box, position_m):
    """Field of a small source on the back panel."""
    field = on_baffle(box, position_m, np.ones((len(F), len(UNIT))))[:, MIRRORED]
    return field * np.exp(-1j * np.outer(WAVE_PER_M, box.depth_m * UNIT[:, 2]))


# ---- directivity of drivers in a baffle, frequency by direction


def cone(rng, radius_m):
    """Piston, 2 J1(x) / x, whose moving part shrinks as the cone breaks up; its nulls are filled
    (a real cone has none)."""
    break_up_hz = AIR_M_PER_S / (2 * np.pi * radius_m) * rng.uniform(2, 3.2)
    radius = radius_m * (1 + (F / break_up_hz) ** 2) ** -0.3
    x = np.maximum(np.outer(WAVE_PER_M * radius, np.sin(FROM_AXIS_RAD)), 1e-6)
    return np.sqrt((2 * j1(x) / x) ** 2 + (0.12 * x / (1 + x)) ** 2)


def dome(rng, radius_m):
    """The smooth loss of measured domes: half the power near x = 1.6, no nulls."""
    x = np.outer(WAVE_PER_M * radius_m, np.sin(FROM_AXIS_RAD))
    return (1 + (x / rng.uniform(1.7, 2.1)) ** 2) ** -rng.uniform(0.6, 0.85)


def waveguide(rng, mouth_m):
    """-6 dB at a half angle that narrows with frequency until the walls hold it."""
    walls_rad = np.radians(rng.uniform([40, 32], [60, 50]))
    share = UNIT[:, :2] ** 2 / np.maximum((UNIT[:, :2] ** 2).sum(axis=1), 1e-9)[:, None]
    half_rad = share @ walls_rad + (share.sum(axis=1) == 0) * walls_rad[0]
    free_rad = rng.uniform(0.5, 0.65) * AIR_M_PER_S / (F * mouth_m)
    shape = rng.uniform(1.7, 2.4)
    loss = (FROM_AXIS_RAD / (half_rad**2 + free_rad[:, None] ** 2) ** 0.5) ** shape
    loss = np.where(loss < 3, loss, 3 + np.log1p(np.maximum(loss - 3, 0)))
    return 10 ** (-6 * loss / 20)


# ---- drivers and their electrical side


class Electrical(NamedTuple):
    """Over F: volume velocity times j omega for 1 V at the terminals (any scale), the same of the
    port (None without one), impedance in ohms."""

    output: np.ndarray
    port: np.ndarray
    ohm: np.ndarray


def woofer(rng, radius_m, kind):
    """Cone with lumped parameters in a `closed` or `vented` box, or `open` (Beranek and Mellow,
    Acoustics, lumped circuit of the direct radiator)."""
    area_m2 = np.pi * radius_m**2
    mass_kg = 0.013 * (radius_m / 0.065) ** 2.5 * rng.uniform(0.8, 1.3)
    free_hz = 45 * (0.065 / radius_m) ** 0.6 * rng.uniform(0.8, 1.2)
    compliance = 1 / ((2 * np.pi * free_hz) ** 2 * mass_kg)
    coil_ohm, q_mechanical, q_total = 5.6, rng.uniform(3, 7), rng.uniform(0.32, 0.42)
    q_electrical = 1 / (1 / q_total - 1 / q_mechanical)
    force = np.sqrt(2 * np.pi * free_hz * mass_kg * coil_ohm / q_electrical)
    s = 1j * OMEGA
    mechanical = 2 * np.pi * free_hz * mass_kg / q_mechanical + s * mass_kg + 1 / (s * compliance)
    stiff_volume_m3 = AIR_KG_PER_M3 * AIR_M_PER_S**2 * area_m2**2 * compliance
    air, through = AIR_KG_PER_M3 * AIR_M_PER_S**2, None
    if kind == "vented":
        volume_m3 = stiff_volume_m3 * rng.uniform(0.4, 0.8)
        tuned_hz = free_hz * rng.uniform(0.85, 1.1)
        spring = air / (s * volume_m3)
        port_mass = air / (volume_m3 * (2 * np.pi * tuned_hz) ** 2)
        port = s * port_mass + 2 * np.pi * tuned_hz * port_mass / rng.uniform(7, 15)
        behind = spring * port / (spring + port)
        through = -behind / port
    elif kind == "closed":
        behind = air / (s * stiff_volume_m3 * rng.uniform(0.3, 0.7))
    else:
        behind = 0
    mechanical = mechanical + area_m2**2 * behind
    # A coil in iron is half inductor, half resistor: (j omega)^0.65 (Wright 1990).
    coil = coil_ohm + rng.uniform(0.012, 0.03) * s**0.65
    speed = force / (coil * mechanical + force**2)
    out = s * area_m2 * speed
    port_out = None if through is None else out * through
    return Electrical(out, port_out, coil + force**2 / mechanical)


def small_driver(rng, resonance_hz):
    """Midrange or tweeter with a chamber of its own: a resonator of second order."""
    coil_ohm = rng.uniform(3.5, 6)
    q_mechanical, q_electrical = rng.uniform(2, 4), rng.uniform(0.8, 1.6)
    detuned = 1j * (F / resonance_hz - resonance_hz / F)
    s = 1j * F / resonance_hz
    motion = coil_ohm * q_mechanical / q_electrical / (1 + q_mechanical * detuned)
    coil = coil_ohm + rng.uniform(0.0006, 0.002) * (1j * OMEGA) ** 0.7
    q_total = q_mechanical * q_electrical / (q_mechanical + q_electrical)
    out = s**2 / (s**2 + s / q_total + 1) * coil_ohm / coil
    return Electrical(out, None, coil + motion)


def ladder(rng, side, order, f_hz, load_ohm):
    """Voltage at the driver for 1 V at the ladder: lossy parts with tolerances, values from the
    textbook for a resistor of the load's size (second order with Q 0.5 to 0.6, third order
    Butterworth)."""
    w0, s = 2 * np.pi * f_hz, 1j * OMEGA
    size_ohm = float(np.interp(f_hz, F, np.abs(load_ohm)))

    def coil(share):
        henry = share * size_ohm / w0 * (1 + 0.05 * rng.uniform(-1, 1))
        return s * henry + 0.15 * (henry / 1e-3) ** 0.5

    def capacitor(share):
        farad = share / (size_ohm * w0) * (1 + 0.05 * rng.uniform(-1, 1))
        return 1 / (s * farad) + 0.05

    q = rng.uniform(0.5, 0.6)
    if side == "low":
        parts = [coil(1 / q), capacitor(q)] if order == 2 else [coil(1.5), capacitor(4 / 3)]
        parts += [coil(0.5)] if order == 3 else []
    else:
        parts = [capacitor(q), coil(1 / q)] if order == 2 else [capacitor(2 / 3), coil(0.75)]
        parts += [capacitor(2)] if order == 3 else []
    # From the driver back to the amplifier; parts 1, 3 in series, part 2 across.
    volt, ampere = np.ones_like(s), 1 / load_ohm
    if order == 3:
        volt = volt + ampere * parts[2]
    ampere = ampere + volt / parts[1]
    volt = volt + ampere * parts[0]
    return 1 / volt


def with_zobel(load_ohm):
    """The load with a series resistor and capacitor across it that flatten the coil's rise."""
    flat_ohm = float(np.abs(load_ohm[(F > 200) & (F < 600)]).min()) * 1.1
    high_ohm = float(np.interp(5e3, F, load_ohm.imag))
    farad = max(high_ohm, 0.5) / (2 * np.pi * 5e3) / flat_ohm**2
    across = flat_ohm + 1 / (1j * OMEGA * farad)
    return load_ohm * across / (load_ohm + across)


def active_sections(order, low_hz, high_hz):
    """The same of an active one: Linkwitz-Riley, order 2 or 4."""
    volt, damping = np.ones(len(F), dtype=complex), 2 if order == 2 else np.sqrt(2)
    for f_hz, highpass in ((low_hz, True), (high_hz, False)):
        if f_hz is not None:
            s = 1j * F / f_hz
            volt = volt * ((s**2 if highpass else 1) / (s**2 + damping * s + 1)) ** (order // 2)
    return volt


# ---- healthy speakers


class Speaker(NamedTuple):
    """A healthy speaker: what radiates, frequency by direction, and what defects need to know."""

    # One for each way, from low to high; the port's belongs to the first.
    ways: list
    crossovers_hz: list
    # Whether the ways share one place, so that no lobe can tilt.
    coaxial: bool
    # Field of the port, or of another opening at the back.
    opening: np.ndarray
    shared_unevenness_db: np.ndarray


def passive_sections(rng, load_ohm, low_hz, high_hz):
    """Voltage at a driver behind its part of a passive crossover (None: no limit there)."""
    volt = np.ones(len(F), dtype=complex)
    if high_hz is not None:
        load_ohm = with_zobel(load_ohm)
        volt = volt * ladder(rng, "low", int(rng.choice([2, 2, 3])), high_hz, load_ohm)
    if low_hz is not None:
        volt = volt * ladder(rng, "high", int(rng.choice([2, 3, 3])), low_hz, load_ohm)
    return volt


# Of the sum in phase, the least mean share of power that two ways of a sound design reach on the
# axis, near their crossover.
IN_PHASE = 0.93


def align(lower, upper, f_hz, before_s):
    """`upper` with the polarity and the delay (a step of the baffle, a slanted front, a delay in
    the active part) that add best to `lower` on the axis round `f_hz`, and that delay; it lies
    near `before_s`, the delay of the way below. None when they do not add well."""
    near = np.abs(np.log2(F / f_hz)) < 0.8
    axis = int(np.argmax(UNIT[:, 2]))
    best = None
    for delay_s in before_s + np.linspace(-0.35, 0.35, 29) / f_hz:
        shift = np.exp(-1j * OMEGA * delay_s)
        for sign in (1, -1):
            total = np.abs(lower + sign * upper * shift[:, None])[near, axis]
            apart = (np.abs(lower) + np.abs(upper))[near, axis]
            # Equal sums: the shorter delay.
            score = np.mean((total / apart) ** 2) - 0.01 * abs(delay_s - before_s) * f_hz
            if best is None or score > best[0]:
                best = (score, sign * shift[:, None], delay_s)
    return (upper * best[1], best[2]) if best[0] > IN_PHASE else None


class Layout(NamedTuple):
    """Where the drivers sit and how large they are; heights count from the top driver."""

    name: str
    box: Box
    low_m: float
    middle_m: float
    top_m: float
    mouth_m: float
    low_y: float
    middle_y: float
    aside_m: float
    below_m: float


LAYOUTS = {
    "two-way": 0.36,
    "waveguide": 0.19,
    "coaxial": 0.1,
    "three-way": 0.2,
    "twin": 0.08,
    "dipole": 0.07,
}
# Radius of the basket over that of the cone.
BASKET = 1.12


def draw_layout(rng):
    """Drivers and the box round them."""
    name = str(rng.choice(list(LAYOUTS), p=list(LAYOUTS.values())))
    low_m = {
        "waveguide": rng.uniform(0.062, 0.12),
        "three-way": rng.uniform(0.075, 0.125),
    }.get(name, rng.uniform(0.048, 0.082))
    middle_m, top_m = rng.uniform(0.038, 0.06), rng.uniform(0.0135, 0.017)
    mouth_m = 2 * low_m if name == "coaxial" else rng.uniform(0.12, 0.24)
    # Half heights of what surrounds the top driver and of the others, and the gaps between them.
    head_m = mouth_m / 2 if name == "waveguide" else rng.uniform(0.035, 0.055)
    low_half_m, middle_half_m = low_m * BASKET, middle_m * BASKET
    gap_m, rim_m = rng.uniform(0.005, 0.02), rng.uniform(0.015, 0.05)
    middle_y = -(head_m + gap_m + middle_half_m)
    low_y = {
        "coaxial": 0.0,
        "three-way": middle_y - middle_half_m - gap_m - low_half_m,
    }.get(name, -(head_m + gap_m + low_half_m))
    above_m = rim_m + head_m
    if name in ("coaxial", "twin"):
        above_m = rim_m + low_half_m - low_y
    # Some stand on the floor.
    below_m = low_half_m - low_y + (rng.uniform(0.02, 0.12) if rng.random() < 0.7 else 0.5)
    height_m = above_m + below_m
    moved = name == "two-way" and rng.random() < 0.25
    aside_m = rng.uniform(0.01, 0.03) if moved else 0.0
    box = Box(
        width_m=2 * max(low_half_m, head_m) + rng.uniform(0.02, 0.07),
        height_m=height_m,
        depth_m=rng.uniform(0.18, 0.4),
        rounding_m=float(rng.choice([0.002, 0.006, 0.012, 0.025])),
        wedge_rad=2 * np.pi if name == "dipole" else 1.5 * np.pi,
        reference_m=np.array([aside_m, height_m / 2 - above_m]),
    )
    return Layout(
        name, box, low_m, middle_m, top_m, mouth_m, low_y, middle_y, aside_m, below_m
    )


def draw_fields(rng, layout, vented):
    """The field of every way for a volume velocity of 1, low to high, and that of the port or of
    another opening."""
    box, top_y = layout.box, layout.box.reference_m[1]

    def field(y_m, directivity, x_m=0.0):
        return on_baffle(box, (x_m, top_y + y_m), directivity)

    fields = [field(layout.low_y, cone(rng, layout.low_m))]
    if layout.name == "twin":
        fields[0] = (fields[0] + field(-layout.low_y, cone(rng, layout.low_m))) / 2
    if layout.name == "dipole":
        # The rear wave, weaker where basket and magnet stand in its way.
        rear = rng.uniform(0.88, 0.97) / (1 + (F / 4e3) ** 2) ** 0.25
        fields[0] = fields[0] - rear[:, None] * fields[0][:, MIRRORED]
    if layout.name == "three-way":
        fields.append(field(layout.middle_y, cone(rng, layout.middle_m)))
    if layout.name in ("waveguide", "coaxial"):
        top = waveguide(rng, layout.mouth_m)
    else:
        top = dome(rng, layout.top_m)
    fields.append(field(0.0, top, layout.aside_m))
    opening_y = max(layout.low_y - layout.low_m * BASKET - 0.04, 0.03 - layout.below_m)
    if vented and rng.random() < 0.5:
        return fields, field(opening_y, np.ones((len(F), len(UNIT))))
    opening_y = opening_y if rng.random() < 0.5 else layout.low_y / 2
    return fields, on_back(box, (0.0, top_y + opening_y))


def draw_ways(rng, layout):
    """The ways before voicing, from low to high, their crossovers in Hz and the field of the port
    or another opening; None when the ways do not add well."""
    if layout.name == "three-way":
        crossovers = [log_uniform(rng, 250, 550), log_uniform(rng, 1900, 3300)]
    elif layout.name == "waveguide":
        crossovers = [log_uniform(rng, 1100, 1900)]
    else:
        crossovers = [log_uniform(rng, 1700, 2900)]
    housing = str(rng.choice(["vented", "vented", "closed"]))
    if layout.name == "dipole":
        housing = "open"
    drivers = [woofer(rng, layout.low_m, housing)]
    if layout.name == "three-way":
        drivers.append(small_driver(rng, rng.uniform(70, 130)))
    drivers.append(small_driver(rng, crossovers[-1] / rng.uniform(2.2, 3.2)))
    fields, opening = draw_fields(rng, layout, housing == "vented")
    passive, order = rng.random() < 0.6, int(rng.choice([2, 4, 4]))
    ways, delay_s = [], 0.0
    for driver, field, low_hz, high_hz in zip(
        drivers, fields, [None, *crossovers], [*crossovers, None]
    ):
        if passive:
            volt = passive_sections(rng, driver.ohm, low_hz, high_hz)
        else:
            volt = active_sections(order, low_hz, high_hz)
        way = (volt * driver.output)[:, None] * field
        if driver.port is not None:
            way = way + (volt * driver.port)[:, None] * opening
        inside = (F > (low_hz or 70) * 1.4) & (F < (high_hz or 12e3) / 1.4)
        way = way / 10 ** (curves_db(way)[WINDOW, inside].mean() / 20)
        aligned = align(sum(ways), way, low_hz, delay_s) if ways else (way, 0.0)
        if aligned is None:
            return None
        ways.append(aligned[0])
        delay_s = aligned[1]
    return ways, crossovers, opening


def pattern(rng, low, high):
    """A smooth random function of direction between -1 and 1: a wave across the unit sphere."""
    axis = rng.standard_normal(3)
    waves = rng.uniform(low, high) * UNIT @ (axis / np.linalg.norm(axis))
    return np.cos(waves + rng.uniform(0, 2 * np.pi))


def unevenness(pressure):
    """Deviation of the listening window from its mean where it is voiced, dB rms."""
    return float(np.std(curves_db(pressure)[WINDOW, VOICED]))


def voice(ways, width_oct):
    """The ways behind a smooth equalizer that makes the listening window flat; beyond the voiced
    range it goes on as it ends."""
    window_db = curves_db(sum(ways))[WINDOW]
    inside = np.flatnonzero(VOICED)
    smooth = np.clip(np.arange(len(F)), inside[0], inside[-1])
    held_db = over_octaves(window_db[smooth], width_oct)[smooth]
    gain = 10 ** (-held_db / 20)
    return [way * gain[:, None] for way in ways]


def draw_healthy(rng):
    """A speaker without defects; None when the draw is no sound design."""
    layout = draw_layout(rng)
    design = draw_ways(rng, layout)
    if design is None:
        return None
    ways, crossovers, opening = design
    wanted_db = rng.uniform(0.3, 0.7)
    # Modes of cones, surrounds and mouths that radiate differently to every angle.
    for _ in range(int(rng.integers(4, 9))):
        k = int(rng.integers(len(ways)))
        low_hz, high_hz = band_of(crossovers, k)
        mode = band_pass(log_uniform(rng, low_hz, high_hz), log_uniform(rng, 2, 8))
        ways[k] = ways[k] * (1 + rng.uniform(0.02, 0.06) * mode * pattern(rng, 3, 8))
    # As finely voiced as needed for most of the unevenness to be the drivers' own.
    for width_oct in (0.5, 0.35, 0.25, 0.18, 0.13):
        voiced = voice(ways, width_oct)
        if unevenness(sum(voiced)) < 0.55 * wanted_db:
            break
    else:
        return None
    ripples = []
    for k in range(len(ways)):
        low_hz, high_hz = band_of(crossovers, k)
        count = int(np.ceil(np.log2(high_hz / low_hz) * rng.uniform(1.2, 2.2)))
        ripples.append(
            [
                (
                    log_uniform(rng, low_hz, high_hz),
                    rng.standard_normal(),
                    log_uniform(rng, 1.5, 8),
                )
                for _ in range(count)
            ]
        )

    def rippled(scale_db):
        return [
            way * np.prod([peaking(f, scale_db * g, q) for f, g, q in own], axis=0)
            for way, own in zip(voiced, ripples)
        ]

    low_db, high_db = 0.0, 2.5
    for _ in range(9):
        middle_db = (low_db + high_db) / 2
        if unevenness(sum(rippled(middle_db))) < wanted_db:
            low_db = middle_db
        else:
            high_db = middle_db
    healthy = rippled(low_db)
    shared_db = curves_db(sum(healthy))[WINDOW] - curves_db(sum(voiced))[WINDOW]
    return Speaker(healthy, crossovers, layout.name == "coaxial", opening, shared_db)


def band_of(crossovers, k):
    """Where way `k` is the louder one, Hz."""
    ends = [110.0, *crossovers, 15e3]
    return ends[k], ends[k + 1]


# ---- defects


class Change(NamedTuple):
    """What a defect does: factors of the whole signal, factors of single ways, added pressure."""

    chain: np.ndarray = 1.0
    ways: dict = {}
    added: np.ndarray = 0.0


def radiated(speaker, changes):
    """Pressure of the speaker with these changes, frequency by direction."""
    total = 0
    for k, way in enumerate(speaker.ways):
        for change in changes:
            way = way * change.ways.get(k, 1.0)
        total = total + way
    for change in changes:
        total = total + change.added
    for change in changes:
        total = total * change.chain
    return total


def way_at(speaker, f_hz):
    """The louder way at `f_hz`."""
    return int(np.searchsorted(speaker.crossovers_hz, f_hz))


def resonance(rng, speaker, f_hz):
    """A driver, its surround or a panel that rings: a bump; what a panel does depends a little on
    the angle."""
    k, q = way_at(speaker, f_hz), log_uniform(rng, 1.5, 12)
    angles = 1 + (rng.uniform(0.1, 0.3) * pattern(rng, 1, 2.5) if rng.random() < 0.4 else 0)
    mode = band_pass(f_hz, q) * angles
    return lambda size: Change(ways={k: 1 + size * mode})


def shallow_dip(rng, speaker, f_hz):
    """A surround out of step or a lossy cavity: a dip all angles share."""
    k, q = way_at(speaker, f_hz), log_uniform(rng, 1.2, 6)
    return lambda size: Change(ways={k: 1 / (1 + size * band_pass(f_hz, q))})


def balance(rng, speaker, _):
    """A shelf, a tilt or a way that is too loud or too soft."""
    sign = 1 if rng.random() < 0.5 else -1
    variant = rng.choice(["low shelf", "high shelf", "tilt", "way"], p=[0.3, 0.3, 0.2, 0.2])
    if variant == "tilt":
        pivot_hz = log_uniform(rng, 500, 2000)
        octaves = np.clip(np.log2(F / pivot_hz), np.log2(80 / pivot_hz), np.log2(15e3 / pivot_hz))
        return lambda size: Change(chain=10 ** (sign * size * octaves / 20)[:, None])
    if variant == "way":
        k = int(rng.integers(len(speaker.ways)))
        return lambda size: Change(ways={k: (1 + size) ** sign})
    s = 1j * F / log_uniform(rng, 250, 5000)
    over = 1 / (1 + s) if variant == "low shelf" else s / (1 + s)
    return lambda size: Change(chain=((1 + size * over) ** sign)[:, None])


def cancellation(rng, speaker, f_hz):
    """A standing wave of box or pipe that leaves by the port, or the rear wave that comes through
    an opening, against the drivers at `f_hz`: another place, so another sum at every angle."""
    field = speaker.opening * band_pass(f_hz, log_uniform(rng, 1.5, 8))
    at = int(np.argmin(np.abs(F - f_hz)))
    total, window = sum(speaker.ways), CURVES[WINDOW]
    field = field / np.sqrt(window @ np.abs(field[at]) ** 2)
    turn = window @ (np.conj(total[at]) * field[at])
    field = field * -np.conj(turn) / np.abs(turn) * np.exp(1j * rng.uniform(-0.3, 0.3))
    return lambda size: Change(added=size * field)


def deep_null(rng, speaker, f_hz):
    """A cavity that swallows a note, or a reflection a few centimetres from the driver."""
    k = way_at(speaker, f_hz)
    if rng.random() < 0.55:
        notch = band_pass(f_hz, log_uniform(rng, 1.5, 6))
        return lambda size: Change(ways={k: 1 - size * notch})
    # The path grows by half a wave at `f_hz`, a little more or less with the angle.
    delay_s = 0.5 / f_hz * (1 + rng.uniform(0.02, 0.06) * pattern(rng, 1, 2))
    strength = np.exp(-0.5 * (np.log2(F / f_hz) / rng.uniform(0.35, 0.6)) ** 2)
    reflection = strength[:, None] * np.exp(-1j * np.outer(OMEGA, delay_s))
    return lambda size: Change(ways={k: 1 + size * reflection})


def crossover_phase(rng, speaker, _):
    """An upper way too early or too late at its crossover: the lobe tilts, the sum sinks."""
    if speaker.coaxial:
        return None
    k = int(rng.integers(len(speaker.crossovers_hz)))
    delay_s = (1 if rng.random() < 0.5 else -1) * 0.5 / speaker.crossovers_hz[k]
    above = range(k + 1, len(speaker.ways))
    return lambda size: Change(
        ways={i: np.exp(-1j * OMEGA * delay_s * size)[:, None] for i in above}
    )


def directivity_step(rng, speaker, _):
    """A lower way that beams before its crossover, or a top way that opens or closes at once."""
    outward = np.minimum(np.degrees(FROM_AXIS_RAD) / 90, 1) ** rng.uniform(1.4, 2)
    if rng.random() < 0.5:
        k = len(speaker.ways) - 2
        start_hz, sign = speaker.crossovers_hz[k] * rng.uniform(0.35, 0.6), -1
    else:
        k, sign = len(speaker.ways) - 1, rng.choice([-1, 1])
        start_hz = speaker.crossovers_hz[-1] * rng.uniform(1.0, 2.5)
    width_oct = rng.uniform(0.08, 0.25)
    over = 1 / (1 + np.exp(-np.log2(F / start_hz) / width_oct))
    return lambda size: Change(ways={k: 10 ** (sign * size * np.outer(over, outward))})


def single_axis(rng, speaker, _):
    """A ring (mouth, round frame) round the top driver that diffracts: its parts arrive together
    on the axis alone, J0 elsewhere."""
    f_hz = log_uniform(rng, max(3200, speaker.crossovers_hz[-1] * 1.4), 10e3)
    ring_m = rng.uniform(12, 20) / (2 * np.pi * f_hz / AIR_M_PER_S)
    strength = np.exp(-0.5 * (np.log2(F / f_hz) / rng.uniform(0.3, 0.6)) ** 2)
    delay_s = ring_m / AIR_M_PER_S
    ring = j0(np.outer(WAVE_PER_M * ring_m, np.sin(FROM_AXIS_RAD))) * (UNIT[:, 2] > 0)
    sign = rng.choice([-1, 1])
    ring = sign * ring * (strength * np.exp(-1j * OMEGA * delay_s))[:, None]
    return lambda size: Change(ways={len(speaker.ways) - 1: 1 + size * ring})


class Kind(NamedTuple):
    """How a kind of defect is drawn: the maker, how often, its size in dB on which curve, the
    largest parameter that the maker takes, and where it may lie (None: the maker decides)."""

    make: object
    share: float
    size_db: tuple
    curve: int
    most: float
    range_hz: tuple = None


DRAWING = {
    "resonance": Kind(resonance, 4, (1.5, 4), WINDOW, 1.5, (90, 12e3)),
    "balance": Kind(balance, 2.2, (1.5, 4), WINDOW, 0.9),
    "shallow-dip": Kind(shallow_dip, 2.2, (1.5, 4), WINDOW, 1.5, (150, 9e3)),
    "cancellation": Kind(cancellation, 2, (2, 10), WINDOW, 1.0, (160, 1200)),
    "deep-null": Kind(deep_null, 1.3, (6, 20), WINDOW, 1.0, (300, 10e3)),
    "crossover-phase": Kind(crossover_phase, 1.3, (1.5, 4), WINDOW, 0.9),
    "directivity-step": Kind(directivity_step, 1.5, (1.5, 4), IN_ROOM, 1.0),
    "single-axis": Kind(single_axis, 1.3, (1.5, 4), ON_AXIS, 0.8),
}
# Kinds that lie at a place of their own.
PLACED = tuple(name for name, kind in DRAWING.items() if kind.range_hz)
DIPS = ("shallow-dip", "cancellation", "deep-null")


class Defect(NamedTuple):
    kind: str
    change: Change
    f_hz: float


def largest_db(kind, effect_db):
    """The size of an effect, read on the curve that its kind is about."""
    return float(np.abs(effect_db[DRAWING[kind].curve, SIZED]).max())


def sized(rng, speaker, defects, name, f_hz):
    """A defect of this kind with a drawn size, or None when it cannot have it here."""
    kind = DRAWING[name]
    maker = kind.make(rng, speaker, f_hz)
    if maker is None:
        return None
    wanted_db = log_uniform(rng, *kind.size_db)
    before = [d.change for d in defects]
    base_db = curves_db(radiated(speaker, before))

    def size_at(value):
        return largest_db(name, curves_db(radiated(speaker, before + [maker(value)])) - base_db)

    low, high = 0.0, kind.most
    if size_at(high) < wanted_db:
        return None
    for _ in range(9):
        middle = (low + high) / 2
        low, high = (middle, high) if size_at(middle) < wanted_db else (low, middle)
    return Defect(name, maker(high), f_hz)


def place(rng, name, taken, beside_hz):
    """A frequency for a placed kind: close to `beside_hz` when given, else an octave from the
    others; None when there is no room."""
    low_hz, high_hz = DRAWING[name].range_hz
    for _ in range(30):
        if beside_hz is None:
            f_hz = log_uniform(rng, low_hz, high_hz)
            if all(abs(np.log2(f_hz / other)) >= 1 for other in taken):
                return f_hz
        else:
            f_hz = beside_hz * 2 ** (rng.choice([-1, 1]) * rng.uniform(0.3, 0.8))
            if low_hz <= f_hz <= high_hz:
                return f_hz
    return None


def draw_count(rng):
    """How many defects a speaker has: none in one of seven, four or five in another one."""
    lot = int(rng.integers(7))
    return 0 if lot == 0 else int(rng.integers(4, 6) if lot == 1 else rng.integers(1, 4))


def draw_kinds(rng, count, paired):
    """The kinds of a speaker's defects; the first two are a dip and a bump when `paired`."""
    shares = np.array([kind.share for kind in DRAWING.values()])
    names = []
    if paired:
        dips = np.array([DRAWING[name].share for name in DIPS])
        names = [str(rng.choice(DIPS, p=dips / dips.sum())), "resonance"]
    while len(names) < count:
        name = str(rng.choice(list(DRAWING), p=shares / shares.sum()))
        if names.count(name) < (2 if name == "resonance" else 1):
            names.append(name)
    return names


def draw_defects(rng, speaker):
    """Defects with their sizes, and the three curves that each alone changes."""
    count = draw_count(rng)
    paired = count >= 2 and rng.random() < 0.25
    names = draw_kinds(rng, count, paired)
    while True:
        defects = []
        for i, name in enumerate(names):
            for _ in range(8):
                f_hz = None
                if name in PLACED:
                    taken = [d.f_hz for d in defects if d.f_hz]
                    beside_hz = defects[0].f_hz if paired and i == 1 and defects else None
                    f_hz = place(rng, name, taken, beside_hz)
                    if f_hz is None:
                        continue
                defect = sized(rng, speaker, defects, name, f_hz)
                if defect is not None:
                    defects.append(defect)
                    break
        whole_db = curves_db(radiated(speaker, [d.change for d in defects]))
        effects = []
        for d in defects:
            others = [o.change for o in defects if o is not d]
            effects.append(whole_db - curves_db(radiated(speaker, others)))
        bounds = [DRAWING[d.kind].size_db for d in defects]
        sizes = [largest_db(d.kind, e) for d, e in zip(defects, effects)]
        # In company a defect may seem larger or smaller; far outside its bounds all are redrawn.
        if len(defects) == len(names) and all(
            0.85 * low <= size <= 1.15 * high for (low, high), size in zip(bounds, sizes)
        ):
            return defects, effects
        names = draw_kinds(rng, count, paired)


def where(kind, effect_db):
    """Where an effect is largest; of a balance error, the middle of the range in which it is at
    least half as large."""
    size = np.abs(effect_db[DRAWING[kind].curve]) * SIZED
    top = int(np.argmax(size))
    if kind != "balance":
        return float(F[top])
    weak = np.flatnonzero(size < size[top] / 2)
    first = max(weak[weak < top], default=-1) + 1
    last = min(weak[weak > top], default=len(F)) - 1
    return float(np.sqrt(F[first] * F[last]))


# ---- measurement


def measured(rng, levels_db):
    """Frequencies and levels as a reviewer measures them."""
    if rng.random() < 0.35:
        # A gate cannot tell frequencies apart that lie closer than the inverse of its length.
        gate_hz = rng.uniform(200, 400)
        # Low frequencies come from near the drivers, so the loss of detail ends there.
        levels_db = over_octaves(levels_db, np.clip(0.25 * (gate_hz / F) ** 2, 0.008, 0.35))
    # What the place of measurement adds where the speaker radiates next to nothing.
    floor_db = levels_db[:, np.argmax(UNIT[:, 2])][SIZED].mean() - rng.uniform(33, 48)
    levels_db = decibels(10 ** (levels_db / 10) + 10 ** (floor_db / 10))
    if rng.random() < 0.4:
        # Level that drifts while the turntable goes round: a slow wave through the orbits.
        turn = np.arange(len(UNIT)) / len(UNIT) * rng.uniform(0.5, 3) + rng.random()
        levels_db = levels_db + rng.uniform(0.05, 0.3) / 2 * np.sin(2 * np.pi * turn)
    points = int(rng.choice([12, 15, 20, 24, 30, 36, 48, 60]))
    freqs_hz = 20 * 2 ** (np.arange(int(np.log2(1000) * points) + 1) / points)
    levels_db = CubicSpline(OCTAVES, levels_db)(np.log2(freqs_hz))
    noise_db = max(rng.uniform(-0.05, 0.3), 0)
    return freqs_hz, levels_db + noise_db * rng.standard_normal(levels_db.shape)


def known_speaker(seed):
    rng = np.random.default_rng([5, seed])
    speaker = None
    while speaker is None:
        speaker = draw_healthy(rng)
    level_db = rng.uniform(82, 90)
    healthy_db = level_db + curves_db(sum(speaker.ways))[WINDOW]
    defects, effects = draw_defects(rng, speaker)
    pressure = radiated(speaker, [d.change for d in defects])
    freqs_hz, levels_db = measured(rng, level_db + decibels(np.abs(pressure) ** 2))
    known = [
        KnownDefect(d.kind, where(d.kind, effect), tuple(effect))
        for d, effect in zip(defects, effects)
    ]
    return KnownSpeaker(
        f"simulated {seed}", freqs_hz, levels_db, healthy_db, known, speaker.shared_unevenness_db
    )


if __name__ == "__main__":
    run(known_speaker, __doc__, Form(level=3, truth=3))
