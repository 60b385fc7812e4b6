"""Learns the weights of the audit (src/audit/weights.f32) from what the example `weights` wrote.

    python3 train.py src/audit/weights.f32 SPHERE_FOLDER FIELD_FOLDER SKETCH_FOLDER

Needs numpy and PyTorch. The network is that of src/audit/weigh.rs; the result depends on the
libraries' version in its last digits, so weights learned anew have to pass the trial anew.
"""

import argparse
import glob

import numpy as np
import torch

CURVES, LENGTH, WIDTH, ANSWERS = 52, 512, 48, 4
STEPS = (1, 2, 4, 8, 16, 32, 8, 2)
UNIT_DB, POINTS_PER_OCTAVE, FIRST_HZ = 3.0, 48, 20.0
BATCH = 32
# The last epochs are learned in 32-bit floats, those before in 16-bit ones (bfloat16).
EXACT_EPOCHS = 2
# Nothing is learned from below 2.2 times the corner, where roll-off hides it, or above 15 kHz.
ABOVE_CORNER, BELOW_HZ = 2.2, 15000.0
# The first answer decides what is filled; the others only name causes.
ANSWER_WEIGHTS = torch.tensor([1.0, 0.3, 0.3, 0.3])[None, :, None]
rng = np.random.default_rng(0)


def read(path):
    """Evidence, truth and weight of each measurement in a file."""
    values, at = np.fromfile(path, "<f4"), 0
    while at < len(values):
        count, first_hz, corner_hz, start, end = values[at : at + 5]
        count, at = int(count), at + 5
        truth = values[at : at + ANSWERS * count].reshape(ANSWERS, count)
        at += ANSWERS * count
        evidence = values[at : at + CURVES * count].reshape(CURVES, count)
        at += CURVES * count
        freqs_hz = first_hz * 2 ** (np.arange(count) / POINTS_PER_OCTAVE)
        judged = (np.arange(count) >= start) & (np.arange(count) < end)
        judged &= (freqs_hz >= ABOVE_CORNER * max(corner_hz, FIRST_HZ)) & (freqs_hz <= BELOW_HZ)
        padded = lambda a: np.pad(a[..., :LENGTH], [(0, 0)] * (a.ndim - 1) + [(0, max(0, LENGTH - count))])
        yield tuple(
            padded(a).astype(np.float16) for a in (evidence, np.clip(truth, -30, 30), judged)
        )


class Network(torch.nn.Module):
    def __init__(self):
        super().__init__()
        conv = torch.nn.Conv1d
        self.first = conv(CURVES, WIDTH, 1)
        self.wide = torch.nn.ModuleList(
            conv(WIDTH, WIDTH, 5, padding=2 * s, dilation=s) for s in STEPS
        )
        self.narrow = torch.nn.ModuleList(conv(WIDTH, WIDTH, 1) for _ in STEPS)
        self.last = conv(WIDTH, ANSWERS, 1)
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

    def load(self, flat):
        at = 0
        with torch.no_grad():
            for p in self.in_order():
                p.copy_(torch.tensor(flat[at : at + p.numel()]).reshape(p.shape))
                at += p.numel()


def peaking_db(freqs_hz, f0_hz, gain_db, q):
    """Analog prototype of the W3C Audio EQ Cookbook's peaking stage."""
    a, x = 10 ** (gain_db / 40), freqs_hz / f0_hz
    skew = (1 - x * x) ** 2
    return 10 * np.log10((skew + (x * a / q) ** 2) / (skew + (x / (a * q)) ** 2))


def smoothing(count, width_oct):
    """Local straight lines under a Gaussian, as src/curve/smooth.rs."""
    x = np.arange(count) / POINTS_PER_OCTAVE
    sigma = width_oct / np.sqrt(8 * np.log(2))
    rows = np.zeros((count, count))
    for i in range(count):
        d = x - x[i]
        w = np.exp(-0.5 * (d / sigma) ** 2) * (abs(d) <= 4 * sigma)
        s0, s1, s2 = w.sum(), (w * d).sum(), (w * d * d).sum()
        rows[i] = w * (s2 - s1 * d) / (s0 * s2 - s1 * s1)
    return rows


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
        out[k, :used] = (curve - nature @ curve) / UNIT_DB
    return torch.tensor(out)


# Up and down change places: a speaker upside down is as good a speaker.
UPSIDE_DOWN = list(range(CURVES))
UPSIDE_DOWN[17:31], UPSIDE_DOWN[31:45] = range(31, 45), range(17, 31)


# Scatter within groups does not add up as levels do: by about half.
LEVELS = torch.ones(CURVES)
LEVELS[2:45:2] = 0.5
LEVELS[-3:] = 0.0


def varied(evidence, truth, judged, library):
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
        truth = truth * size
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
    evidence, truth, judged = (torch.roll(t, shift, -1) for t in (evidence, truth, judged))
    # Gated data begin at a few hundred hertz; beyond the ends the network sees nothing.
    if rng.uniform() < 0.3:
        start, end = int(rng.integers(0, 220)), 480 - int(rng.integers(0, 80))
        inside = torch.zeros(LENGTH)
        inside[start:end] = 1.0
        evidence, judged = evidence * inside, judged * inside
    return evidence, truth, judged


def main():
    torch.manual_seed(0)
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out")
    parser.add_argument("folders", nargs="+")
    parser.add_argument("--epochs", type=int, default=22)
    parser.add_argument("--rate", type=float, default=5e-3, help="largest rate of learning")
    parser.add_argument("--start", help="weights to go on from")
    arguments = parser.parse_args()
    epochs = arguments.epochs
    paths = [p for folder in arguments.folders for p in sorted(glob.glob(folder + "/*.f32"))]
    samples = [sample for path in paths for sample in read(path)]
    evidence, truth, judged = (torch.tensor(np.array(a)) for a in zip(*samples))
    library, network = equalizers(), Network()
    if arguments.start:
        network.load(np.fromfile(arguments.start, "<f4"))
    mean = Network()
    mean.load_state_dict(network.state_dict())
    batches = len(evidence) // BATCH
    optimizer = torch.optim.AdamW(network.parameters(), 1e-3, weight_decay=1e-3)
    schedule = torch.optim.lr_scheduler.OneCycleLR(
        optimizer, arguments.rate, total_steps=epochs * batches + 1, pct_start=0.2
    )
    step = 0
    for epoch in range(epochs):
        order, total = torch.randperm(len(evidence)), 0.0
        for k in range(batches):
            chosen = order[k * BATCH : (k + 1) * BATCH]
            x, y, w = varied(*(t[chosen].float() for t in (evidence, truth, judged)), library)
            with torch.autocast("cpu", torch.bfloat16, enabled=epoch < epochs - EXACT_EPOCHS):
                answers = network(x)
            loss = torch.nn.functional.huber_loss(answers.float(), y, reduction="none", delta=0.7)
            loss = (ANSWER_WEIGHTS * w[:, None] * loss).sum() / w.sum()
            optimizer.zero_grad()
            loss.backward()
            optimizer.step()
            schedule.step()
            total, step = total + loss.item(), step + 1
            # The running mean of the weights generalises better than the last ones.
            keep = min(0.998, (1 + step) / (10 + step))
            with torch.no_grad():
                for a, b in zip(mean.parameters(), network.parameters()):
                    a.mul_(keep).add_(b, alpha=1 - keep)
        print(epoch, total / batches, flush=True)
    flat = [p.detach().numpy().ravel() for p in mean.in_order()]
    np.concatenate(flat).astype("<f4").tofile(arguments.out)


if __name__ == "__main__":
    main()
