"""Learns the weights of the audit (src/audit/weights.bin) from what the example `weights` wrote.

    python3 train.py OUT FOLDER... --steps 60000

Needs numpy and PyTorch; an accelerator is used where there is one and only makes it faster. The
network is that of src/audit/weigh.rs, its layout and the file's format stand in weights_file.py.
The result depends on the libraries' version and on the machine in its last digits, so weights
learned anew have to pass the trial anew: README.md beside this file.
"""

import argparse
import glob
import math
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor

import numpy as np
import torch

sys.dont_write_bytecode = True  # no cache folder in the repository
import weights_file
from weights_file import ANSWERS, INPUTS, STEPS, TAPS, WIDTH

UNIT_DB, POINTS_PER_OCTAVE, FIRST_HZ = 3.0, 48, 20.0
# Of 480 frequencies from 20 Hz those below START are not learned from: no speaker is judged there.
START, LENGTH = 72, 416
# How long a step takes is measured over so many.
MEASURED_STEPS = 400
# Steps until the rate of learning has risen to its largest.
WARM_UP = 500
# Nothing is learned from below 2.2 times the corner, where roll-off hides it, or above 15 kHz.
ABOVE_CORNER, BELOW_HZ = 2.2, 15000.0
# Defects are scored below this, as src/trial/score.rs does.
SCORED_TO_HZ = 14000.0
MOST_DEFECTS = 6
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
# What the example `weights` writes: inputs and decibels as whole numbers.
INPUTS_PER_UNIT, PER_DB = 8000.0, 500.0
# An EQ of bells follows the wanted curve as if smoothed so widely, octaves.
FOLLOWED_OCT = 1.0 / 12.0
# How sure the first answer is, is learned of errors within so many octaves.
SURE_OCT = 1.0 / 4.0
# An error beyond this costs in proportion and not by its square, dB.
OUTLIER_DB = 3.0


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


def smoothing(count, width_oct):
    """Local straight lines under a Gaussian, as src/curve/smooth.rs."""
    x = np.arange(count) / POINTS_PER_OCTAVE
    sigma = width_oct / np.sqrt(8 * np.log(2))
    d = x[None] - x[:, None]
    w = np.exp(-0.5 * (d / sigma) ** 2) * (abs(d) <= 4 * sigma)
    s0, s1, s2 = w.sum(1)[:, None], (w * d).sum(1)[:, None], (w * d * d).sum(1)[:, None]
    return w * (s2 - s1 * d) / np.maximum(s0 * s2 - s1 * s1, 1e-12)


BROAD = smoothing(480, 1.0)


def read(path):
    """Measurements of a file: evidence, truth, mask, and of each defect its kind, tolerances and row.
    The truth: the answers in their order, what is shared, and by how much the first answer may lie
    below and above, where it is not known what of the healthy speaker's unevenness is shared."""
    data, at = open(path, "rb").read(), 0

    def floats(count):
        nonlocal at
        values = np.frombuffer(data, "<f4", count, at).astype(float)
        at += 4 * count
        return values

    def curves(rows, count, units):
        nonlocal at
        values = np.frombuffer(data, "<i2", rows * count, at).reshape(rows, count)
        at += 2 * rows * count
        return values / units

    while at < len(data):
        count, first_hz, corner_hz, start, end, defects = floats(6)
        count, defects = int(count), int(defects)
        which = floats(2 * defects).reshape(-1, 2)
        deviation, shared, unsettled = curves(3, count, PER_DB)
        truth = np.zeros((7, count))
        truth[0], truth[4] = deviation - shared, shared
        truth[5], truth[6] = np.minimum(-unsettled, 0), np.maximum(-unsettled, 0)
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
        for k, (kind, f_hz) in enumerate(which):
            kind = int(kind)
            window, room, axis = curves(3, count, PER_DB)
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
        evidence = curves(INPUTS, count, INPUTS_PER_UNIT)
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


def whole(path):
    return [np.array(part) for part in zip(*read(path))]


def load(paths, device):
    """All measurements of these files on `device`, read by every core."""
    with ProcessPoolExecutor(os.cpu_count()) as readers:
        files = list(readers.map(whole, paths))
    return [torch.from_numpy(np.concatenate(parts)).to(device) for parts in zip(*files)]


class Network(torch.nn.Module):
    def __init__(self, width=WIDTH, answers=ANSWERS):
        super().__init__()
        conv = torch.nn.Conv1d
        self.first = conv(INPUTS, width, 1)
        self.wide = torch.nn.ModuleList(
            conv(width, width, TAPS, padding=TAPS // 2 * s, dilation=s) for s in STEPS
        )
        self.narrow = torch.nn.ModuleList(conv(width, width, 1) for _ in STEPS)
        self.last = conv(width, answers, 1)
        for layer in self.narrow:
            torch.nn.init.zeros_(layer.weight)
            torch.nn.init.zeros_(layer.bias)

    def forward(self, x):
        y = self.first(x)
        for wide, narrow in zip(self.wide, self.narrow):
            y = y + narrow(torch.relu(wide(torch.relu(y))))
        return UNIT_DB * self.last(torch.relu(y))

    def in_order(self):
        """The weights as src/audit/weigh.rs reads them."""
        layers = [self.first]
        for wide, narrow in zip(self.wide, self.narrow):
            layers += [wide, narrow]
        return [p for l in layers + [self.last] for p in (l.weight, l.bias)]

    def load(self, width, answers, flat):
        """Takes weights; those of a narrower network, or of one with fewer answers, become a part
        of this one, which then answers the same."""
        at = 0
        with torch.no_grad():
            for p, of in zip(self.in_order(), Network(width, answers).in_order()):
                part = torch.tensor(flat[at : at + of.numel()]).reshape(of.shape)
                if p.dim() == 3 and p.shape[1] > of.shape[1]:
                    # Old curves do not see new ones yet.
                    p[: of.shape[0], of.shape[1] :] = 0
                p[tuple(slice(0, n) for n in of.shape)] = part
                at += of.numel()


def peaking_db(freqs_hz, f0_hz, gain_db, q):
    """Analog prototype of the W3C Audio EQ Cookbook's peaking stage."""
    a, x = 10 ** (gain_db / 40), freqs_hz / f0_hz
    skew = (1 - x * x) ** 2
    return 10 * np.log10((skew + (x * a / q) ** 2) / (skew + (x / (a * q)) ** 2))


def equalizers(rng, count=4000):
    """One EQ moves all angles alike, and undoing it is right: more speakers for free."""
    used = 480
    freqs_hz = FIRST_HZ * 2 ** (np.arange(used) / POINTS_PER_OCTAVE)
    nature = smoothing(used, 4.0)
    seen = np.zeros((count, LENGTH), np.float32)
    plain = np.zeros((count, LENGTH), np.float32)
    draw = lambda low, high: np.exp(rng.uniform(np.log(low), np.log(high)))
    for k in range(count):
        kind, f0_hz = rng.uniform(), draw(150, 15000)
        if kind < 0.5:
            curve = peaking_db(freqs_hz, f0_hz, rng.uniform(0.5, 5), draw(1.5, 15))
        elif kind < 0.75:
            curve = peaking_db(freqs_hz, f0_hz, -rng.uniform(0.5, 4.5), draw(0.6, 3))
        else:
            curve = peaking_db(freqs_hz, f0_hz, rng.uniform(-4, 4), draw(0.3, 0.9))
        seen[k, : used - START] = ((curve - nature @ curve) / UNIT_DB)[START:]
        plain[k, : used - START] = curve[START:]
    return torch.tensor(seen), torch.tensor(plain)


# Up and down change places: a speaker upside down is as good a speaker.
UPSIDE_DOWN = list(range(INPUTS))
UPSIDE_DOWN[17:31], UPSIDE_DOWN[31:45] = range(31, 45), range(17, 31)

# Scatter within groups does not add up as levels do: by about half.
LEVELS = torch.ones(INPUTS)
LEVELS[2:45:2] = 0.5
LEVELS[-3:] = 0.0


class Varying:
    """Changes measurements at random into others that are as good."""

    def __init__(self, seed, device):
        self.chance = torch.Generator(device).manual_seed(seed)
        self.host = np.random.default_rng(seed)
        self.device = device
        self.seen, self.plain = (t.to(device) for t in equalizers(np.random.default_rng(seed)))
        self.levels = LEVELS.to(device)

    def uniform(self, *shape):
        return torch.rand(*shape, generator=self.chance, device=self.device)

    def __call__(self, evidence, truth, judged, rows):
        count = len(evidence)
        # In dB two speakers in one, and a speaker whose deviations are all larger, are speakers.
        mixed = (self.uniform(count) < 0.25).float()
        other = torch.randperm(count, generator=self.chance, device=self.device)
        share = (mixed * 0.7 * self.uniform(count))[:, None, None]
        flags = torch.where(
            share > 0, evidence[:, -3:] * evidence[other, -3:], evidence[:, -3:]
        )
        both = torch.where(share[:, 0] > 0, judged * judged[other], judged)
        # What only one was measured for is not known of both.
        measured = (evidence != 0) & ((evidence[other] != 0) | (share == 0))
        evidence = (evidence + share * self.levels[:, None] * evidence[other]) * measured
        evidence = torch.cat([evidence[:, :-3].clamp(-4, 4), flags], 1)
        truth, judged = truth + share * truth[other], both
        chosen = (self.uniform(count) < 0.3).float()
        size = (1 + chosen * (0.7 * self.uniform(count) - 0.4))[:, None, None]
        evidence = torch.cat([(evidence[:, :-3] * size).clamp(-4, 4), evidence[:, -3:]], 1)
        truth, rows = truth * size, rows / size
        turned = (self.uniform(count) < 0.5)[:, None, None]
        evidence = torch.where(turned, evidence[:, UPSIDE_DOWN], evidence)
        for chance in (0.35, 0.2):
            taken = (self.uniform(count) < chance).float()[:, None]
            k = torch.randint(len(self.seen), (count,), generator=self.chance, device=self.device)
            # The last curve says where the window has not rolled off.
            inside = evidence[:, -1]
            first = (evidence[:, 0] + taken * self.seen[k] * inside).clamp(-4, 4)
            evidence = torch.cat([first[:, None], evidence[:, 1:]], 1)
            truth[:, 4] += taken * self.plain[k]
        # A speaker of another size is the same speaker at other frequencies.
        shift = int(self.host.integers(-16, 17))
        evidence, truth, judged, rows = (
            torch.roll(t, shift, -1) for t in (evidence, truth, judged, rows)
        )
        # Gated data begin at a few hundred hertz; beyond the ends the network sees nothing.
        if self.host.uniform() < 0.3:
            start = int(self.host.integers(0, 220 - START))
            end = 480 - START - int(self.host.integers(0, 80))
            inside = torch.zeros(LENGTH, device=self.device)
            inside[start:end] = 1.0
            evidence, judged = evidence * inside, judged * inside
        return evidence, truth, judged, rows


class Losing:
    """What answers cost."""

    def __init__(self, device):
        of = lambda width_oct: torch.tensor(smoothing(LENGTH, width_oct).T.astype("f4")).to(device)
        self.broad, self.followed = of(1.0), of(FOLLOWED_OCT)
        x = np.arange(LENGTH) / POINTS_PER_OCTAVE
        near = np.exp(-0.5 * ((x[None] - x[:, None]) / (SURE_OCT / 2.355)) ** 2)
        self.near = torch.tensor((near / near.sum(1, keepdims=True)).T.astype("f4")).to(device)
        freqs_hz = FIRST_HZ * 2 ** ((START + np.arange(LENGTH)) / POINTS_PER_OCTAVE)
        self.hearing = torch.tensor(hearing(freqs_hz).astype("f4")).to(device)

    def __call__(self, answers, truth, judged, kinds, limits, rows, options):
        w = judged * self.hearing
        w = w / w.sum(-1, keepdim=True).clamp(min=1e-6)
        level = lambda c: c - (w * c).sum(-1, keepdim=True)
        # An answer errs as the EQ does that is made of it.
        error = wrong(answers[:, 0], truth, w)
        followed = level(error @ self.followed)
        size = followed.abs()
        cost = torch.where(
            size < OUTLIER_DB, size**2, OUTLIER_DB * (2 * size - OUTLIER_DB)
        )
        square = (w * cost).sum(-1)
        ideal = (w * level(truth[:, 4]) ** 2).sum(-1)
        # What is gained of all speakers together, and of each by itself.
        share = square / (ideal + 0.25)
        benefit = square.mean() + options.each * (share / (1 + 0.5 * share)).mean()
        exact = torch.nn.functional.huber_loss(
            error, torch.zeros_like(error), reduction="none", delta=0.7
        )
        names = torch.nn.functional.huber_loss(
            answers[:, 1:4], truth[:, 1:4], reduction="none", delta=0.7
        )
        by_frequency = (w * exact).sum(-1).mean() + options.names * (w[:, None] * names).sum(-1).mean()
        shares, counted = missed(error, kinds, limits, rows, judged, self.broad)
        over = (shares - FREE).clamp(min=0)
        bounded = (1.5 * over**2 / (1 + over**2) * counted).sum() / counted.sum().clamp(min=1)
        # How sure: the error is drawn from a Laplace distribution of this scale.
        scale = torch.nn.functional.softplus(answers[:, 4] / UNIT_DB) + 0.02
        apart = followed.detach().abs() @ self.near
        sure = (w * (apart / scale + torch.log(scale))).sum(-1).mean()
        loss = benefit + options.exact * by_frequency + options.share * bounded + 0.1 * sure
        right = ((shares <= 1) & counted).sum() / counted.sum().clamp(min=1)
        parts = [square.mean(), ideal.mean(), bounded, right, sure]
        return loss, torch.stack([p.detach().float() for p in parts])


def wrong(answer, truth, w):
    """By how much the first answer misses what is true; the level of an EQ is free, and so is what
    is not known of the truth."""
    level = lambda c: c - (w * c).sum(-1, keepdim=True)
    off = level(answer - truth[:, 0] - 0.5 * (truth[:, 5] + truth[:, 6]))
    slack = 0.5 * (truth[:, 6] - truth[:, 5])
    return level(torch.sign(off) * (off.abs() - slack).clamp(min=0))


def missed(error, kinds, limits, rows, judged, broad):
    """How far each defect is missed in units of what is tolerated, and which defects count."""
    seen = (rows.abs() * judged[:, None]).sum(-1) > 0.97 * rows.abs().sum(-1)
    counted = (kinds >= 0) & seen
    # Too large an answer leaves a bump and fills a dip less.
    by_row = -(rows * error[:, None]).sum(-1)
    limit = torch.where(by_row > 0, limits[..., 0], limits[..., 1])
    share = by_row.abs() / limit
    smooth = (error * judged) @ broad
    weight = rows.clamp(min=0)
    mean = (weight * smooth[:, None]).sum(-1, keepdim=True)
    square = (weight * (smooth[:, None] - mean) ** 2).sum(-1)
    of_balance = torch.sqrt(square + 1e-6) / limits[..., 0]
    return torch.where(kinds == BALANCE, of_balance, share), counted


def report(network, tests, losing, step):
    """Benefit by the answers alone, and defects right, of speakers measured in full."""
    for folder, (evidence, truth, judged, kinds, limits, rows) in tests.items():
        square = ideal = right = count = 0.0
        with torch.no_grad():
            for at in range(0, len(evidence), 512):
                part = slice(at, at + 512, 2)
                x = evidence[part].float()
                answers = 0.5 * (network(x) + network(x[:, UPSIDE_DOWN]))
                y, mask = truth[part].float(), judged[part].float()
                w = mask * losing.hearing
                w = w / w.sum(-1, keepdim=True).clamp(min=1e-6)
                level = lambda c: c - (w * c).sum(-1, keepdim=True)
                error = wrong(answers[:, 0], y, w)
                square += (w * level(error @ losing.followed) ** 2).sum().item()
                ideal += (w * level(y[:, 4]) ** 2).sum().item()
                shares, counted = missed(
                    error,
                    kinds[part],
                    limits[part],
                    rows[part].float(),
                    mask,
                    losing.broad,
                )
                right += ((shares <= 1) & counted).sum().item()
                count += counted.sum().item()
        print(
            f"  test {step} {os.path.basename(folder):10} gained {100 - 100 * square / ideal:.1f}"
            f" right {100 * right / max(count, 1):.1f}",
            flush=True,
        )


def files_in(folders):
    return [path for folder in folders for path in sorted(glob.glob(folder + "/*.bin"))]


def learn(arguments):
    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(arguments.seed)
    start = time.time()
    data = load(files_in(arguments.folders), device)
    tests = {folder: load(files_in([folder]), device) for folder in arguments.test}
    print(f"{len(data[0])} measurements in {time.time() - start:.0f} s on {device}", flush=True)
    network = Network().to(device)
    if arguments.start:
        network.load(*weights_file.read(arguments.start)[:3])
    mean = Network().to(device)
    mean.load_state_dict(network.state_dict())
    varying, losing = Varying(arguments.seed, device), Losing(device)
    optimizer = torch.optim.AdamW(network.parameters(), weight_decay=1e-3)
    chance = torch.Generator(device).manual_seed(arguments.seed)
    sums, told = torch.zeros(5, device=device), 0
    report(mean, tests, losing, "start")
    start, step = time.time(), 0
    while step < arguments.steps:
        if arguments.seconds and step == MEASURED_STEPS:
            took = (time.time() - start) / MEASURED_STEPS
            arguments.steps = int((arguments.seconds - (time.time() - start)) / took)
            print(f"{arguments.steps} steps fit into {arguments.seconds} s", flush=True)
        fall = 0.5 + 0.5 * math.cos(math.pi * step / arguments.steps)
        optimizer.param_groups[0]["lr"] = arguments.rate * fall * min(1, (step + 1) / WARM_UP)
        chosen = torch.randint(len(data[0]), (arguments.batch,), generator=chance, device=device)
        evidence, truth, judged, kinds, limits, rows = (t[chosen] for t in data)
        with torch.no_grad():
            x, y, mask, rows = varying(
                evidence.float(), truth.float(), judged.float(), rows.float()
            )
        with torch.autocast(device, torch.bfloat16, enabled=device == "cuda"):
            answers = network(x)
        loss, parts = losing(answers.float(), y, mask, kinds, limits, rows, arguments)
        optimizer.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(network.parameters(), 1.0)
        optimizer.step()
        sums += parts
        told += 1
        # The running mean of the weights generalises better than the last ones.
        keep = min(0.9995, (1 + step) / (10 + step))
        with torch.no_grad():
            torch._foreach_lerp_(list(mean.parameters()), list(network.parameters()), 1 - keep)
        last = step + 1 == arguments.steps
        if (step + 1) % arguments.tell == 0 or last:
            square, ideal, bounded, right, sure = (sums / told).tolist()
            seconds = (time.time() - start) / (step + 1)
            print(
                f"{step + 1} {1000 * seconds:.1f} ms/step gained {100 - 100 * square / ideal:.1f}"
                f" missed {bounded:.3f} right {100 * right:.1f} sure {sure:.3f}",
                flush=True,
            )
            sums.zero_()
            told = 0
        if (step + 1) % (10 * arguments.tell) == 0 or last:
            report(mean, tests, losing, step + 1)
            flat = np.concatenate([p.detach().cpu().numpy().ravel() for p in mean.in_order()])
            weights_file.write(arguments.out, flat)
        step += 1


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out")
    parser.add_argument("folders", nargs="+")
    parser.add_argument("--steps", type=int, default=60000)
    parser.add_argument("--seconds", type=float, help="as many steps as take so long")
    parser.add_argument("--batch", type=int, default=512)
    parser.add_argument("--rate", type=float, default=2e-3, help="largest rate of learning")
    parser.add_argument("--start", help="weights to go on from")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--each", type=float, default=0.5, help="weight of each speaker by itself")
    parser.add_argument("--exact", type=float, default=0.5, help="weight of every frequency")
    parser.add_argument("--names", type=float, default=0.5, help="weight of the answers that name causes, of that")
    parser.add_argument("--share", type=float, default=0.5, help="weight of what the trial scores")
    parser.add_argument("--tell", type=int, default=500, help="steps between lines")
    parser.add_argument("--test", nargs="*", default=[], help="folders to score only")
    learn(parser.parse_args())


if __name__ == "__main__":
    main()
