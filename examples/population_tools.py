"""What the scripts in `weights/populations` and `trial/judges` share: the form in which a
simulated loudspeaker and its known defects are written, and the averages of CTA-2034-A.

Nothing here draws a loudspeaker: each script has physics of its own and knows no other. A script
ends with

    if __name__ == "__main__":
        run(known_speaker, __doc__)

where `known_speaker(seed)` gives a `KnownSpeaker`. Every script is called in one way,

    python3 SCRIPT --seed SEED --speakers COUNT --out FOLDER

and writes one speaker folder for each seed, named by it: `speaker.toml`, `horizontal.csv`,
`vertical.csv` (the measurement) and `truth.csv` (format: `src/trial/known.rs`).
"""

import argparse
import os
from typing import NamedTuple

# One thread: the matrices are small, and no sum depends on the number of cores. numpy reads this
# when it is first imported, so the scripts import this module before it.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
import numpy as np

# Kinds of defects; the names are those of planish::simulate::DefectKind, joined by hyphens.
KINDS = (
    "resonance",
    "balance",
    "shallow-dip",
    "cancellation",
    "deep-null",
    "crossover-phase",
    "directivity-step",
    "single-axis",
)

# The measured angles of an orbit, in the order of the columns of its table.
ANGLES_DEG = np.arange(-170, 181, 10)

# The frequencies at which the truth is stated: 20 Hz to 20 kHz, 48 in an octave.
FREQS_HZ = 20.0 * 2.0 ** (np.arange(480) / 48)

# Both orbits in the order of the columns: (orbit, angle), horizontal first.
DIRECTIONS = tuple((orbit, int(a)) for orbit in ("horizontal", "vertical") for a in ANGLES_DEG)

# The columns of 0 degrees in both orbits.
HORIZONTAL_0 = DIRECTIONS.index(("horizontal", 0))
VERTICAL_0 = DIRECTIONS.index(("vertical", 0))


class Averages(NamedTuple):
    """Weights of the power (squared pressure) of each direction; each curve's add up to one."""

    listening_window: np.ndarray
    early_reflections: np.ndarray
    sound_power: np.ndarray
    in_room: np.ndarray
    on_axis: np.ndarray

    def judged(self):
        """The three curves in which a defect's effect is stated, as rows: listening window,
        predicted in-room response, axis."""
        return np.stack([self.listening_window, self.in_room, self.on_axis])


def average_weights(directions=DIRECTIONS, sound_power="standard", poles="horizontal"):
    """The curves of CTA-2034-A as weights of the powers at `directions`.

    Where `directions` has 0 and 180 degrees on the horizontal orbit only, these stand for both
    orbits. Early reflections are the mean of the five zone means, the rear wall as 180 and +-90
    degrees. The areas of the sound power are those of the standard (`standard`) or belts round
    the axis, each shared evenly by its directions (`belts`); the authors of the populations read
    the standard in either way. `poles` says which orbit's 0 and 180 degrees count in the
    standard's areas: those of the horizontal one, or half of each (`shared`).
    """
    place = {direction: i for i, direction in enumerate(directions)}

    def at(orbit, angle_deg):
        here = place.get((orbit, angle_deg))
        return place[("horizontal", angle_deg)] if here is None else here

    def mean(horizontal=(), vertical=()):
        columns = [at("horizontal", a) for a in horizontal] + [at("vertical", a) for a in vertical]
        return np.bincount(columns, minlength=len(directions)) / len(columns)

    front = (0, 10, -10, 20, -20, 30, -30)
    sides = [sign * a for a in (40, 50, 60, 70, 80) for sign in (1, -1)]
    window = mean(front, (10, -10))
    floor, ceiling = mean((), (-20, -30, -40)), mean((), (40, 50, 60))
    early = (floor + ceiling + mean(front) + mean(sides) + mean((180, 90, -90))) / 5
    if sound_power == "belts":
        power = np.array([_belt_area(direction, directions) for direction in directions])
    else:
        power = np.array([_standard_area(direction, poles) for direction in directions])
    power = power / power.sum()
    in_room = 0.12 * window + 0.44 * early + 0.44 * power
    return Averages(window, early, power, in_room, mean((0,)))


def _standard_area(direction, poles):
    """The area that CTA-2034-A gives a direction, over that of the sphere: square pyramids, in the
    closed form of `sound_power_weight` in src/average.rs."""

    def pyramid(half_deg):
        return np.arcsin(np.sin(np.radians(half_deg)) ** 2)

    orbit, angle_deg = direction
    from_pole_deg = min(abs(angle_deg), 180 - abs(angle_deg))
    if from_pole_deg == 0:
        count = {"horizontal": float(orbit == "horizontal"), "shared": 0.5}[poles]
        return count * pyramid(5) / (4 * np.pi)
    if from_pole_deg == 90:
        return 0.25 - 2 * pyramid(85) / (4 * np.pi)
    return (pyramid(from_pole_deg + 5) - pyramid(from_pole_deg - 5)) / (4 * np.pi)


def _belt_area(direction, directions):
    """Area of the belt of 10 degrees round the axis, shared by the directions in it."""
    off_deg = abs(direction[1])
    belt = np.cos(np.radians(max(off_deg - 5, 0))) - np.cos(np.radians(min(off_deg + 5, 180)))
    return belt / sum(abs(angle_deg) == off_deg for _, angle_deg in directions)


def log_uniform(rng, low, high):
    """A number between `low` and `high`, its logarithm evenly distributed."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


class KnownDefect(NamedTuple):
    """A defect and what it alone changes: the speaker with it minus the speaker without it."""

    kind: str
    f_hz: float
    # Over FREQS_HZ, dB: listening window, predicted in-room response, axis.
    effect_db: tuple


class KnownSpeaker(NamedTuple):
    """A loudspeaker as measured, and what is true of it."""

    name: str
    freqs_hz: np.ndarray
    # A row for each frequency, a column for each of DIRECTIONS, dB, noise included.
    levels_db: np.ndarray
    # Listening window without any defect over FREQS_HZ, dB.
    healthy_window_db: np.ndarray
    defects: list
    # What of the small unevenness of the healthy window all angles share, over FREQS_HZ, dB; None
    # where the script does not know it.
    shared_unevenness_db: np.ndarray = None


class Form(NamedTuple):
    """Decimal places in the tables, and a blank line in `speaker.toml`. They are free; each script
    keeps its own so that a seed goes on giving the same bytes."""

    freq: int = 4
    level: int = 4
    truth: int = 4
    defect_hz: int = 0
    blank_line: bool = False


def write(folder, speaker, form=Form()):
    """Writes the speaker folder."""
    os.makedirs(folder, exist_ok=True)
    orbits = ("horizontal", "vertical")
    lines = ["[speaker]", f'name = "{speaker.name}"'] + [""] * form.blank_line
    lines += ["[orbits]"] + [f'{orbit} = "{orbit}.csv"' for orbit in orbits]
    _write_text(os.path.join(folder, "speaker.toml"), "\n".join(lines) + "\n")
    count = len(ANGLES_DEG)
    for k, orbit in enumerate(orbits):
        columns = speaker.levels_db[:, k * count : (k + 1) * count]
        table = np.column_stack([speaker.freqs_hz, columns])
        names = ["freq_hz"] + [str(a) for a in ANGLES_DEG]
        _write_table(os.path.join(folder, orbit + ".csv"), names, table, form.freq, form.level)
    names, columns = ["freq_hz", "healthy_listening_window"], [FREQS_HZ, speaker.healthy_window_db]
    if speaker.shared_unevenness_db is not None:
        names.append("shared_unevenness")
        columns.append(speaker.shared_unevenness_db)
    for k, defect in enumerate(speaker.defects):
        place = f"{k}:{defect.kind}:{defect.f_hz:.{form.defect_hz}f}"
        names += [f"{place}:{curve}" for curve in ("window", "in_room", "on_axis")]
        columns += list(defect.effect_db)
    table = np.column_stack(columns)
    _write_table(os.path.join(folder, "truth.csv"), names, table, form.freq, form.truth)


def _write_table(path, names, table, freq_places, places):
    row = f"%.{freq_places}f" + f",%.{places}f" * (table.shape[1] - 1) + "\n"
    _write_text(path, ",".join(names) + "\n" + row * len(table) % tuple(table.ravel().tolist()))


def _write_text(path, text):
    with open(path, "w", encoding="ascii", newline="") as file:
        file.write(text)


def run(known_speaker, description, form=Form()):
    """The command line of a script: draws the speakers asked for and writes their folders."""
    parser = argparse.ArgumentParser(description=description.split("\n")[0])
    parser.add_argument("--seed", type=int, required=True, help="seed of the first speaker")
    parser.add_argument("--speakers", type=int, required=True, help="how many; seeds follow")
    parser.add_argument("--out", required=True, help="folder for the speaker folders")
    arguments = parser.parse_args()
    for seed in range(arguments.seed, arguments.seed + arguments.speakers):
        write(os.path.join(arguments.out, str(seed)), known_speaker(seed), form)
