"""Learns the weights of the audit (src/audit/weights.bin) from what the example `weights` wrote.

    python3 train.py OUT FOLDER... --processes 2

Needs numpy and PyTorch. The network is that of src/audit/weigh.rs, its layout and the file's
format stand in weights_file.py. The result depends on the libraries' version in its last digits,
so weights learned anew have to pass the trial anew: README.md beside this file.
"""

import argparse
import glob
import math
import os
import shutil
import sys

import numpy as np
import torch
import torch.distributed as together

sys.dont_write_bytecode = True  # no cache folder in the repository
import weights_file
from weights_file import ANSWERS, INPUTS, STEPS, TAPS, WIDTH

UNIT_DB, POINTS_PER_OCTAVE, FIRST_HZ = 3.0, 48, 20.0
# Of 480 frequencies from 20 Hz those below START are not learned from: no speaker is judged there.
START, LENGTH = 72, 416
BATCH = 32
# Measurements of a speaker in a file: in full and in a lesser way.
MEASUREMENTS = 2
# The last part is learned in 32-bit floats, what is before in 16-bit ones (bfloat16).
EXACT = 0.08
# Steps until the rate of learning has risen to its largest.
WARM_UP = 600
# Nothing is learned from below 2.2 times the corner, where roll-off hides it, or above 15 kHz.
ABOVE_CORNER, BELOW_HZ = 2.2, 15000.0
# Defects are scored below this, as src/trial/score.rs does.
SCORED_TO_HZ = 14000.0
MOST_DEFECTS = 6
# The first answer decides what is filled; the others only name causes.
ANSWER_WEIGHTS = torch.tensor([1.0, 0.3, 0.3, 0.3])[None, :, None]
RESONANCE, BALANCE, SHALLOW, CANCELLATION, CROSSOVER, STEP, AXIS, NULL = range(8)
MENDABLE = (RESONANCE, BALANCE, SHALLOW)
# How far a defect's share undone may lie above and below what is ideal.
TOLERANCES = {
    RESONANCE: (0.25, 0.25),
    SHALLOW: (0.3, 0.4),
    CANCELLATION: (0.15, 0.3),
    NULL: (0.15, 0.3),
    CROSSOVER: (0.4, 0.6),
    AXIS: (0.4, 0.6),
    STEP: (0.35, 0.5),
}
# Share of the tolerance that costs nothing.
FREE = 0.25
rng = np.random.default_rng(0)


def hearing(freqs_hz):
    """ERB numbers per octave, as planish::units."""
    return freqs_hz / (1 + 0.00437 * freqs_hz)


def line_out(w, x, y):
    s = w.sum()
    mx, my = (w * x).sum() / s, (w * y).sum() / s
    slope = (w * (x - mx) * (y - my)).sum() / max((w * (x - mx) ** 2).sum(), 1e-12)
    return y - my - slope * (x - mx)


def functional(freqs_hz, weights, effect):
    """The row that takes an error of the wish to the share by which it misses a defect, as
    src/trial/score.rs: regression on the effect round it, level and slope free."""
    size = np.abs(effect) * (weights > 0)
    if size.max() < 1e-3:
        return None
    inside = np.flatnonzero(size > 0.15 * size.max())
    start = max(inside[0] - 24, np.flatnonzero(weights > 0)[0])
    end = min(inside[-1] + 24, len(effect), np.flatnonzero(weights > 0)[-1] + 1)
    w, x = weights[start:end], np.log2(freqs_hz[start:end])
    e = line_out(w, x, effect[start:end])
    row = np.zeros(len(effect))
    # The line is out of e, so it need not be taken out of the error.
    row[start:end] = w * e / max((w * e * e).sum(), 1e-9)
    return row


def read(path):
    """Evidence, truth, mask, and of each defect its kind, tolerances and row."""
    values, at = np.fromfile(path, "<f4"), 0
    while at < len(values):
        count, first_hz, corner_hz, start, end, defects = values[at : at + 6]
        count, defects, at = int(count), int(defects), at + 6
        truth = np.zeros((ANSWERS, count), "f4")
        truth[0] = values[at : at + count]
        at += count
        freqs_hz = first_hz * 2 ** (np.arange(count) / POINTS_PER_OCTAVE)
        index = np.arange(count)
        judged = (index >= start) & (index < end)
        judged &= (freqs_hz >= ABOVE_CORNER * max(corner_hz, FIRST_HZ)) & (freqs_hz <= BELOW_HZ)
        low_hz = ABOVE_CORNER * (corner_hz if corner_hz > 0 else 40.0)
        scored = (freqs_hz >= low_hz) & (freqs_hz <= SCORED_TO_HZ)
        weights = hearing(freqs_hz) * scored
        kinds = np.full(MOST_DEFECTS, -1)
        limits = np.ones((MOST_DEFECTS, 2))
        rows = np.zeros((MOST_DEFECTS, count))
        for k in range(defects):
            kind, f_hz = int(values[at]), values[at + 1]
            window, room, axis = values[at + 2 : at + 2 + 3 * count].reshape(3, count)
            at += 2 + 3 * count
            if kind == STEP:
                truth[1] += room
            elif kind == AXIS:
                truth[2] += axis
            elif kind not in MENDABLE:
                truth[3] += window
            if k >= MOST_DEFECTS or not scored[np.argmin(abs(freqs_hz - f_hz))]:
                continue
            if kind == BALANCE:
                broad = BROAD[:count, :count] @ window
                mean = (weights * broad).sum() / weights.sum()
                was = np.sqrt((weights * (broad - mean) ** 2).sum() / weights.sum())
                kinds[k], limits[k] = kind, max(0.5 * was, 0.6)
                rows[k] = weights / weights.sum()
                continue
            effect = {STEP: room, AXIS: axis}.get(kind, window)
            row = functional(freqs_hz, weights, effect)
            if row is None:
                continue
            kinds[k], rows[k] = kind, row
            limits[k] = TOLERANCES[kind]
            if kind == STEP:
                limits[k] = np.maximum(limits[k], 0.3 / np.abs(room * scored).max())
        evidence = values[at : at + INPUTS * count].reshape(INPUTS, count)
        at += INPUTS * count
        short = max(0, START + LENGTH - count)
        cut = lambda a: np.pad(
            a[..., START : START + LENGTH], [(0, 0)] * (a.ndim - 1) + [(0, short)]
        )
        yield (
            cut(evidence).astype("f2"),
            cut(np.clip(truth, -30, 30)).astype("f2"),
            cut(judged),
            kinds.astype("i1"),
            limits.astype("f4"),
            cut(rows).astype("f2"),
        )


class Network(torch.nn.Module):
    def __init__(self, width=WIDTH):
        super().__init__()
        conv = torch.nn.Conv2d  # along frequency only: twice as fast as Conv1d
        self.first = conv(INPUTS, width, 1)
        self.wide = torch.nn.ModuleList(
            conv(width, width, (1, TAPS), padding=(0, TAPS // 2 * s), dilation=(1, s))
            for s in STEPS
        )
        self.narrow = torch.nn.ModuleList(conv(width, width, 1) for _ in STEPS)
        self.last = conv(width, ANSWERS, 1)
        for layer in self.narrow:
            torch.nn.init.zeros_(layer.weight)
            torch.nn.init.zeros_(layer.bias)

    def forward(self, x):
        y = self.first(x[:, :, None].contiguous(memory_format=torch.channels_last))
        for wide, narrow in zip(self.wide, self.narrow):
            y = y + narrow(torch.relu(wide(torch.relu(y))))
        return UNIT_DB * self.last(torch.relu(y))[:, :, 0]

    def in_order(self):
        """The weights as src/audit/weigh.rs reads them."""
        layers = [self.first]
        for wide, narrow in zip(self.wide, self.narrow):
            layers += [wide, narrow]
        return [p for l in layers + [self.last] for p in (l.weight, l.bias)]

    def load(self, width, flat):
        """Takes weights; those of a narrower network become a part of this one, which then
        answers the same."""
        at = 0
        with torch.no_grad():
            for p, of in zip(self.in_order(), Network(width).in_order()):
                if p.dim() == 4 and p.shape[1] > of.shape[1]:
                    # Old curves do not see new ones yet.
                    p[: of.shape[0], of.shape[1] :] = 0
                    p[: of.shape[0], : of.shape[1]] = torch.tensor(
                        flat[at : at + of.numel()]
                    ).reshape(of.shape)
                else:
                    p[: of.shape[0]] = torch.tensor(flat[at : at + of.numel()]).reshape(of.shape)
                at += of.numel()


def peaking_db(freqs_hz, f0_hz, gain_db, q):
    """Analog prototype of the W3C Audio EQ Cookbook's peaking stage."""
    a, x = 10 ** (gain_db / 40), freqs_hz / f0_hz
    skew = (1 - x * x) ** 2
    return 10 * np.log10((skew + (x * a / q) ** 2) / (skew + (x / (a * q)) ** 2))


def smoothing(count, width_oct):
    """Local straight lines under a Gaussian, as src/curve/smooth.rs."""
    x = np.arange(count) / POINTS_PER_OCTAVE
    sigma = width_oct / np.sqrt(8 * np.log(2))
    d = x[None] - x[:, None]
    w = np.exp(-0.5 * (d / sigma) ** 2) * (abs(d) <= 4 * sigma)
    s0, s1, s2 = w.sum(1)[:, None], (w * d).sum(1)[:, None], (w * d * d).sum(1)[:, None]
    return w * (s2 - s1 * d) / (s0 * s2 - s1 * s1)


BROAD = smoothing(480, 1.0)
BROAD_HERE = torch.tensor(smoothing(LENGTH, 1.0).T.astype("f4"))


def equalizers(count=2500):
    """One EQ moves all angles alike and changes nothing of the truth: more speakers for free."""
    used = 480
    freqs_hz = FIRST_HZ * 2 ** (np.arange(used) / POINTS_PER_OCTAVE)
    nature = smoothing(used, 4.0)
    out = np.zeros((count, LENGTH), np.float32)
    draw = lambda low, high: np.exp(rng.uniform(np.log(low), np.log(high)))
    for k in range(count):
        kind, f0_hz = rng.uniform(), draw(150, 15000)
        if kind < 0.5:
            curve = peaking_db(freqs_hz, f0_hz, rng.uniform(-1, 8), draw(1.5, 15))
        elif kind < 0.75:
            curve = peaking_db(freqs_hz, f0_hz, -rng.uniform(0.5, 4.5), draw(0.6, 3))
        else:
            curve = peaking_db(freqs_hz, f0_hz, rng.uniform(-5, 5), draw(0.3, 0.9))
        out[k, : used - START] = ((curve - nature @ curve) / UNIT_DB)[START:]
    return torch.tensor(out)


# Up and down change places: a speaker upside down is as good a speaker.
UPSIDE_DOWN = list(range(INPUTS))
UPSIDE_DOWN[17:31], UPSIDE_DOWN[31:45] = range(31, 45), range(17, 31)


# Scatter within groups does not add up as levels do: by about half.
LEVELS = torch.ones(INPUTS)
LEVELS[2:45:2] = 0.5
LEVELS[-3:] = 0.0


def varied(evidence, truth, judged, rows, library):
    if rng.uniform() < 0.3:
        # In dB two speakers in one, and a speaker whose deviations are all larger, are speakers.
        other = torch.tensor(rng.permutation(len(evidence)))
        share = torch.tensor(rng.uniform(0, 0.7, len(evidence)).astype(np.float32))[:, None, None]
        both = judged * judged[other]
        flags = evidence[:, -3:] * evidence[other, -3:]
        evidence = evidence + share * LEVELS[:, None] * evidence[other]
        # What only one was measured for is not known of both.
        measured = (evidence != 0) & ((evidence[other] != 0) | (share == 0))
        evidence = torch.clamp(evidence * measured, -4, 4)
        evidence[:, -3:] = flags
        truth, judged = truth + share * truth[other], both
    if rng.uniform() < 0.3:
        size = torch.tensor(rng.uniform(0.6, 1.3, len(evidence)).astype(np.float32))[:, None, None]
        evidence = torch.cat([torch.clamp(evidence[:, :-3] * size, -4, 4), evidence[:, -3:]], 1)
        truth, rows = truth * size, rows / size
    if rng.uniform() < 0.5:
        evidence = evidence[:, UPSIDE_DOWN]
    if rng.uniform() < 0.8:
        count = rng.integers(0, 3, size=len(evidence))
        added = torch.zeros(len(evidence), LENGTH)
        for j in range(2):
            chosen = torch.tensor(rng.integers(0, len(library), len(evidence)))
            added += torch.tensor((count > j).astype(np.float32))[:, None] * library[chosen]
        evidence = evidence.clone()
        # The last curve says where the window has not rolled off.
        evidence[:, 0] = torch.clamp(evidence[:, 0] + added * evidence[:, -1], -4, 4)
    # A speaker of another size is the same speaker at other frequencies.
    shift = int(rng.integers(-16, 17))
    evidence, truth, judged, rows = (
        torch.roll(t, shift, -1) for t in (evidence, truth, judged, rows)
    )
    # Gated data begin at a few hundred hertz; beyond the ends the network sees nothing.
    if rng.uniform() < 0.3:
        start, end = int(rng.integers(0, 220 - START)), 480 - START - int(rng.integers(0, 80))
        inside = torch.zeros(LENGTH)
        inside[start:end] = 1.0
        evidence, judged = evidence * inside, judged * inside
    return evidence, truth, judged, rows


def missed(error, kinds, limits, rows, judged):
    """How far each defect is missed in units of what is tolerated, and which defects count."""
    seen = (rows.abs() * judged[:, None]).sum(-1) > 0.97 * rows.abs().sum(-1)
    counted = (kinds >= 0) & seen
    # Too large an answer leaves a bump and fills a dip less.
    by_row = -(rows * error[:, None]).sum(-1)
    limit = torch.where(by_row > 0, limits[..., 0], limits[..., 1])
    share = by_row.abs() / limit
    broad = (error * judged) @ BROAD_HERE
    weight = rows.clamp(min=0)
    mean = (weight * broad[:, None]).sum(-1, keepdim=True)
    square = (weight * (broad[:, None] - mean) ** 2).sum(-1)
    of_balance = torch.sqrt(square + 1e-6) / limits[..., 0]
    return torch.where(kinds == BALANCE, of_balance, share), counted


def learn(rank, arguments):
    """One of the processes that learn together: each takes speakers of its own, all take the
    mean step."""
    global rng
    torch.set_num_threads(1)
    together.init_process_group(
        "gloo",
        init_method=f"file://{arguments.out}.meet",
        rank=rank,
        world_size=arguments.processes,
    )
    torch.manual_seed(arguments.seed)
    library = equalizers()
    data = [np.load(f"{arguments.out}.data/{k}.npy", mmap_mode="r") for k in range(6)]
    tests = {folder: load(folder) for folder in arguments.test} if rank == 0 else {}
    network = Network().to(memory_format=torch.channels_last)
    if arguments.start:
        network.load(*weights_file.read(arguments.start)[:2])
    mean = Network().to(memory_format=torch.channels_last)
    mean.load_state_dict(network.state_dict())
    torch.manual_seed(100 * arguments.seed + rank)
    rng = np.random.default_rng(100 * arguments.seed + rank)
    optimizer = torch.optim.AdamW(network.parameters(), weight_decay=1e-3)
    sums = np.zeros(4)
    report(mean, tests, "start")
    for step in range(arguments.steps):
        done = step / arguments.steps
        fall = 0.5 + 0.5 * math.cos(math.pi * done)
        optimizer.param_groups[0]["lr"] = arguments.rate * fall * min(1, (step + 1) / WARM_UP)
        chosen = np.sort(torch.randint(len(data[0]), (BATCH,)).numpy())
        evidence, truth, judged, kinds, limits, rows = (torch.from_numpy(t[chosen]) for t in data)
        x, y, w, rows = varied(
            evidence.float(), truth.float(), judged.float(), rows.float(), library
        )
        with torch.autocast("cpu", torch.bfloat16, enabled=done < 1 - EXACT):
            answers = network(x)
        answers = answers.float()
        loss = torch.nn.functional.huber_loss(answers, y, reduction="none", delta=0.7)
        by_frequency = (ANSWER_WEIGHTS * w[:, None] * loss).sum() / w.sum()
        shares, counted = missed(answers[:, 0] - y[:, 0], kinds, limits, rows, w)
        over = (shares - FREE).clamp(min=0)
        by_defect = torch.where(over < 1, 0.5 * over**2, over - 0.5)
        # What is missed by far should not outweigh what is nearly right.
        bounded = 1.5 * over**2 / (1 + over**2)
        by_defect = by_defect + arguments.bounded * (bounded - by_defect)
        by_defect = (by_defect * counted).sum() / counted.sum().clamp(min=1)
        optimizer.zero_grad()
        (by_frequency + arguments.share * by_defect).backward()
        share_gradients(network, arguments.processes)
        torch.nn.utils.clip_grad_norm_(network.parameters(), 1.0)
        optimizer.step()
        right = ((shares <= 1) & counted).sum() / counted.sum().clamp(min=1)
        sums += [by_frequency.item(), by_defect.item(), right.item(), 1]
        # The running mean of the weights generalises better than the last ones.
        keep = min(0.999, (1 + step) / (10 + step))
        with torch.no_grad():
            for a, b in zip(mean.parameters(), network.parameters()):
                a.lerp_(b, 1 - keep)
        if rank == 0 and (step + 1) % 500 == 0:
            print(step + 1, arguments.steps, *(sums[:3] / sums[3]).round(4), flush=True)
            sums[:] = 0
        if rank == 0 and ((step + 1) % 2500 == 0 or step + 1 == arguments.steps):
            report(mean, tests, step + 1)
            flat = np.concatenate([p.detach().numpy().ravel() for p in mean.in_order()])
            weights_file.write(arguments.out, flat)


def share_gradients(network, processes):
    """Every process goes on with the mean of all gradients."""
    flat = torch.cat([p.grad.reshape(-1) for p in network.parameters()])
    together.all_reduce(flat)
    flat /= processes
    at = 0
    for p in network.parameters():
        p.grad = flat[at : at + p.numel()].view_as(p)
        at += p.numel()


def paths_in(folder):
    return sorted(glob.glob(folder + "/*.f32"))


def load(folder):
    samples = [sample for path in paths_in(folder) for sample in read(path)]
    return [torch.tensor(np.array(part)) for part in zip(*samples)]


def pack(folders, place):
    """Writes every measurement to arrays that the processes map: together they may be larger than
    memory."""
    paths = [path for folder in folders for path in paths_in(folder)]
    os.makedirs(place, exist_ok=True)
    arrays = []
    for k, sample in enumerate(sample for path in paths for sample in read(path)):
        for j, part in enumerate(sample):
            if k == 0:
                shape = (MEASUREMENTS * len(paths), *part.shape)
                arrays.append(
                    np.lib.format.open_memmap(f"{place}/{j}.npy", "w+", part.dtype, shape)
                )
            arrays[j][k] = part


def report(network, tests, step):
    for folder, (evidence, truth, judged, kinds, limits, rows) in tests.items():
        right = torch.zeros(8)
        count = torch.zeros(8)
        with torch.no_grad():
            # Every second one was measured in full.
            for at in range(0, len(evidence), 128):
                part = slice(at, at + 128, 2)
                x = evidence[part].float()
                answers = 0.5 * (network(x) + network(x[:, UPSIDE_DOWN]))[:, 0]
                shares, counted = missed(
                    answers - truth[part, 0].float(),
                    kinds[part],
                    limits[part],
                    rows[part].float(),
                    judged[part].float(),
                )
                for kind in range(8):
                    of = counted & (kinds[part] == kind)
                    right[kind] += ((shares <= 1) & of).sum()
                    count[kind] += of.sum()
        print(
            "  test",
            step,
            os.path.basename(folder),
            f"{100 * right.sum() / count.sum():.1f}",
            (100 * right / count.clamp(min=1)).round().int().tolist(),
            flush=True,
        )


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out")
    parser.add_argument("folders", nargs="+")
    parser.add_argument(
        "--steps", type=int, default=20000, help="of a batch of 32 for each process"
    )
    parser.add_argument("--rate", type=float, default=3e-3, help="largest rate of learning")
    parser.add_argument("--start", help="weights to go on from")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--processes", type=int, default=1, help="of one core each")
    parser.add_argument("--share", type=float, default=0.5, help="weight of what the trial scores")
    parser.add_argument("--bounded", type=float, default=0.5, help="part of that which is bounded")
    parser.add_argument("--test", nargs="*", default=[], help="folders to score only")
    arguments = parser.parse_args()
    arguments.out = os.path.abspath(arguments.out)
    if os.path.exists(arguments.out + ".meet"):
        os.remove(arguments.out + ".meet")
    pack(arguments.folders, arguments.out + ".data")
    torch.multiprocessing.spawn(learn, (arguments,), nprocs=arguments.processes)
    shutil.rmtree(arguments.out + ".data")
    os.remove(arguments.out + ".meet")


if __name__ == "__main__":
    main()
