"""Counts how sure findings are: fits the weights of the marks in src/findings/sure.rs.

    python3 sure.py FIT... --judge JUDGED...

Each file is what `trial --marks FILE` wrote of one population: lines of seed, whether the finding is
right, its error in dB, its size in dB, the probability said, then its marks. Every file of FIT counts
alike, whatever its length. Needs numpy and SciPy.

The first weight is lowered by MARGIN after the fit, so that findings are called sure a little less
often than they are right.
"""

import argparse

import numpy as np
from scipy.optimize import minimize

# Said less often to be sure than fitted, in units of the logit. Our own judgement.
MARGIN = 0.2
# Keeps weights of marks that hardly occur small.
RIDGE = 1.0
SURE_FROM = 0.9
BINS = (0.0, 0.5, 0.7, 0.8, 0.9, 0.95, 1.01)


def read(path):
    table = np.loadtxt(path)
    return table[:, 1], table[:, 5:]


def fit(files):
    right = np.concatenate([read(path)[0] for path in files])
    marks = np.concatenate([read(path)[1] for path in files])
    counts = [len(read(path)[0]) for path in files]
    weights = np.concatenate([np.full(n, np.mean(counts) / n) for n in counts])

    def cost(w):
        logit = marks @ w
        value = np.sum(weights * (np.logaddexp(0, logit) - right * logit))
        slope = marks.T @ (weights * (1 / (1 + np.exp(-logit)) - right))
        slope[1:] += 2 * RIDGE * w[1:]
        return value + RIDGE * np.sum(w[1:] ** 2), slope

    start = np.zeros(marks.shape[1])
    found = minimize(cost, start, jac=True, method="L-BFGS-B", options={"maxiter": 5000}).x
    found[0] -= MARGIN
    return found


def judge(path, w):
    right, marks = read(path)
    said = 1 / (1 + np.exp(-marks @ w))
    sure = said >= SURE_FROM
    apart = 0.0
    for low, high in zip(BINS, BINS[1:]):
        of = (said >= low) & (said < high)
        if of.any():
            apart += of.mean() * abs(said[of].mean() - right[of].mean())
    print(
        f"{path}: {len(right)} findings, right {right.mean():.3f}, said {said.mean():.3f},"
        f" apart by bins {apart:.3f}, sure {sure.mean():.2f}, of these right {right[sure].mean():.3f}"
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("fit", nargs="+", help="files to fit to")
    parser.add_argument("--judge", nargs="*", default=[], help="files to judge by only")
    arguments = parser.parse_args()
    w = fit(arguments.fit)
    print(", ".join(f"{v:.3f}" for v in w))
    for path in arguments.fit + arguments.judge:
        judge(path, w)


if __name__ == "__main__":
    main()
