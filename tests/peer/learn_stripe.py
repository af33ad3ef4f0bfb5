#!/usr/bin/env python3
"""Learns the weights of src/measure/stripe.c: learn_stripe.py BANDS OTHER_ORGANS LOOPS LOOPS ...

BANDS is build/tests/peer/bands (make bands). OTHER_ORGANS holds real loops and stills without a uterus, and pictures of
speckle are drawn beside them; each of the folders after it holds one generator's loops, NAME.truth.json beside them. A ridge-penalised logistic regression; each
loop weighs the same whatever number of bands it has, a real one three times as much: a stripe told where there is none
is the worse fault.

Prints how weights that were learned on all generators but one and half of the other organs fare on that one and the
other half, then the weights learned on all: with what came or went, and from the picture alone.
"""
import glob
import json
import os
import subprocess
import sys

import numpy as np
from scipy.optimize import minimize
from scipy.special import logsumexp

PICTURE = 15  # so many of them look at the picture alone
NAMES = ("contrast layered is_layered evenness overlong short overthick uneven_sides closed open blurred open_ended dark_sides "
         "bright_sides cut_off crossed crossed_aside passed_by crossed_share").split()
END_NAMES = "thicker leaning blunter canal led_to deeper".split()
PENALTY = 0.17
END_PENALTY = 0.3
OTHER_ORGAN_WEIGHT = 3.0
SHARPNESS = 4.0  # of the soft maximum over bands
SPECKLE = range(101, 125)  # pictures without a stripe, taken as other organs
SPECKLE_SIGMA_PX = 1.8, 2.2, 2.8, 1.4


def bands(program, loop, truth):
    if loop.startswith("--speckle"):
        run = subprocess.run([program] + loop.split(), capture_output=True, text=True)
        return [[float(v) for v in line.split()] for line in run.stdout.splitlines()]
    ends = []
    if truth:
        with open(truth) as f:
            cavity = json.load(f)["cavity"]
        ends = [str(v) for v in cavity["fundus_px"] + cavity["os_px"]]
    run = subprocess.run([program, loop] + ends, capture_output=True, text=True)
    return [[float(v) for v in line.split()] for line in run.stdout.splitlines()]


def gather(program, folders):
    """Rows of all bands, the number of the folder they are from (0: other organs), their loop."""
    rows, kinds, loops = [], [], []
    for kind, folder in enumerate(folders):
        for loop in sorted(glob.glob(os.path.join(folder, "**", "*"), recursive=True)):
            truth = os.path.splitext(loop)[0] + ".truth.json"
            if not os.path.isfile(loop) or loop.endswith(".json") or (kind > 0 and not os.path.exists(truth)):
                continue
            for row in bands(program, loop, truth if kind > 0 else None):
                rows.append(row)
                kinds.append(kind)
                loops.append(loop)
    for i, seed in enumerate(SPECKLE):
        loop = "--speckle %d %.1f" % (seed, SPECKLE_SIGMA_PX[i % len(SPECKLE_SIGMA_PX)])
        for row in bands(program, loop, None):
            rows.append(row)
            kinds.append(0)
            loops.append(loop)
    return np.array(rows), np.array(kinds), np.array(loops)


def soft_best(odds):
    """The best of some odds, and how much each has in it."""
    if len(odds) == 0:
        return -50.0, odds
    best = logsumexp(SHARPNESS * odds) / SHARPNESS
    return best, np.exp(SHARPNESS * (odds - best))


def learn(x, y, kinds, loops):
    """Offset and weights of the odds."""
    mean, spread = x.mean(0), x.std(0) + 1e-9
    z = np.c_[np.ones(len(x)), (x - mean) / spread]
    groups = []
    for loop in sorted(set(loops)):
        at = np.where(loops == loop)[0]
        heavy = kinds[at][0] == 0 and not loop.startswith("--speckle")
        groups.append((at[y[at] > 0], at[y[at] == 0], kinds[at][0] == 0, OTHER_ORGAN_WEIGHT if heavy else 1.0))

    def cost(b):
        total, slope, odds = PENALTY * (b[1:] ** 2).sum(), np.r_[0, 2 * PENALTY * b[1:]], z @ b
        for true, false, is_other, weight in groups:
            best_true, true_part = soft_best(odds[true])
            best_false, false_part = soft_best(odds[false])
            choices = np.array([0.0, best_false] if is_other else [0.0, best_false, best_true])
            everything = logsumexp(choices)
            total += weight * (everything - (0.0 if is_other else best_true))
            if len(false):
                slope += weight * np.exp(best_false - everything) * (false_part @ z[false])
            if len(true) and not is_other:
                slope += weight * (np.exp(best_true - everything) - 1) * (true_part @ z[true])
        return total, slope

    b = minimize(cost, np.zeros(z.shape[1]), jac=True, method="L-BFGS-B").x
    return b[0] - (b[1:] * mean / spread).sum(), b[1:] / spread


def learn_ends(x, weight):
    """Weights without an offset: turning a band round turns all signs."""
    spread = np.sqrt((x ** 2).mean(0)) + 1e-9
    z = x / spread

    def cost(b):
        s = z @ b
        return ((weight * np.logaddexp(0, -s)).sum() + END_PENALTY * (b ** 2).sum(),
                z.T @ (-weight / (1 + np.exp(s))) + 2 * END_PENALTY * b)

    return minimize(cost, np.zeros(z.shape[1]), jac=True).x / spread


def tell_ends(title, weights, x, loops):
    odds = x @ weights
    middle = {loop: np.median(odds[loops == loop]) for loop in sorted(set(loops))}
    print("%s: the right end in %d of %d loops, surer than 80 %% in %d, wrong and surer than 80 %% in %d" % (
        title, sum(v > 0 for v in middle.values()), len(middle), sum(v > 1.386 for v in middle.values()),
        sum(v < -1.386 for v in middle.values())))


def tell(title, offset, weights, x, y, kinds, loops):
    odds = offset + x @ weights
    right, wrong, real = [], [], []
    for loop in sorted(set(loops)):
        at = np.where(loops == loop)[0]
        best = at[np.argmax(odds[at])]
        chance = 1 / (1 + np.exp(-odds[best]))
        name = "%s %.2f" % (os.path.basename(loop), chance)
        (real if kinds[best] == 0 else right if y[best] else wrong).append((chance, name))
    print("%s: the true band is best in %d of %d loops, with less than even odds in %d of them" % (
        title, len(right), len(right) + len(wrong), sum(c < 0.5 for c, _ in right)))
    print("  not best: " + ", ".join(n for _, n in wrong))
    print("  other organs with more than even odds: " + ", ".join(n for c, n in real if c >= 0.5))


def main():
    rows, kinds, loops = gather(sys.argv[1], sys.argv[2:])
    y, all_x, ends = rows[:, 0], rows[:, 1:1 + len(NAMES)], rows[:, 1 + len(NAMES):]
    organs = sorted(set(loops[kinds == 0]))
    halves = np.isin(loops, organs[::2]), np.isin(loops, organs[1::2])
    for what, x in (("with what came or went", all_x), ("the picture alone", all_x[:, :PICTURE])):
        print("== " + what)
        for kind in range(1, kinds.max() + 1):
            train = ((kinds != kind) & (kinds > 0)) | halves[kind % 2]
            test = (kinds == kind) | halves[1 - kind % 2]
            offset, weights = learn(x[train], y[train], kinds[train], loops[train])
            tell("tried on %s, learned on the others" % sys.argv[2 + kind], offset, weights, x[test], y[test], kinds[test], loops[test])
        offset, weights = learn(x, y, kinds, loops)
        tell("learned on all, tried on the same", offset, weights, x, y, kinds, loops)
        print("offset %.2f" % offset)
        for name, value in zip(NAMES, weights):
            print("%-13s %6.2f" % (name, value))
    true = y > 0
    weight = np.array([1 / (true & (loops == loop)).sum() for loop in loops[true]])
    ends, kinds, loops = ends[true], kinds[true], loops[true]
    for kind in range(1, kinds.max() + 1):
        weights = learn_ends(ends[kinds != kind], weight[kinds != kind])
        tell_ends("which end, tried on %s, learned on the others" % sys.argv[2 + kind], weights, ends[kinds == kind],
                  loops[kinds == kind])
    weights = learn_ends(ends, weight)
    tell_ends("which end, learned on all, tried on the same", weights, ends, loops)
    for name, value in zip(END_NAMES, weights):
        print("%-13s %6.2f" % (name, value))


if __name__ == "__main__":
    main()
