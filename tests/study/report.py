#!/usr/bin/python3
"""Writes docs/validation.md and its plots from the table of the validation study.

Nothing in the page is typed in: every figure comes from the table. usage: report.py STUDY.csv DOCS [--check]
With --check nothing is written, and the exit code is 1 where the page on disk is not what the table gives.
"""
import argparse
import math
import os
import sys

import numpy as np
from scipy import stats

sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
import figures as fig  # noqa: E402

HEAD = """# Validation study

This page and its plots are written by `make validate` from `docs/validation/study.csv` (one row a loop: what was drawn, what is
true, what was told); `make validate-page` writes them again from that table without measuring anew. Nothing was marked by hand.

The loops are made ones. A designed sample (`tests/study/design.py`: a scrambled Sobol sequence over {n_factors} factors) is drawn by
`afterflash synth`, whose truth is known; each loop is measured as a clinic would, by `afterflash measure LOOP`. What a program
does on made loops says that its method is sound, not that it is right on the next patient. Loops of six generators that share no
code with ours are in [other-generators.md](other-generators.md), checks against libraries and published figures in
[outside-checks.md](outside-checks.md).

Words: *told*, a number that the program gives; *withheld*, null with a reason. *Target loops* are those of {target_s:.0f} s and longer
whose walls move by {target_mm} mm and more (half the peak-to-peak change of the wall-to-wall distance); *regular* are waves whose
intervals vary by at most {regular:.0f} % and that do not pause. Coverage is the share of stated 95 % intervals that hold the truth, with
its own 95 % interval (Wilson, J. Am. Stat. Assoc. 22:209-212, 1927). Limits of agreement: Bland and Altman, Lancet 327:307-310, 1986.
"""

FACTORS = (  # column, words, unit
    ("duration_s", "length", "s"), ("frames_per_s", "frame rate", "/s"), ("width_px", "frame width", "px"), ("depth_mm", "depth", "mm"),
    ("true_frequency_per_min", "rate", "/min"), ("true_amplitude_mm", "amplitude", "mm"), ("velocity_mm_per_s", "velocity", "mm/s"),
    ("interval_jitter", "unevenness", ""), ("pause_share", "share left out", ""), ("amplitude_jitter", "uneven strength", ""),
    ("breathing_mm", "breathing", "mm"), ("breathing_per_min", "breaths", "/min"), ("probe_walk_mm", "probe walk", "mm"),
    ("rocking_mm", "rocking", "mm"), ("turn_deg_per_min", "slow turn", "degrees/min"), ("pulse_mm", "pulse", "mm"),
    ("decorrelation_s", "decorrelation", "s"), ("elevation_walk", "walk out of plane", "widths"), ("noise_db", "noise", "dB"),
    ("gain_step_db", "gain step", "dB"), ("dropped_share", "dropped frames", ""), ("true_thickness_mm", "thickness", "mm"), ("true_length_mm", "cavity length", "mm"), ("stripe_contrast_db", "stripe contrast", "dB"),
    ("true_to_fundus_mm", "deposit to fundus", "mm"), ("true_toward_fundus_mm", "drift", "mm"), ("bubble_db", "bubbles", "dB"),
    ("blooming", "blooming", ""), ("split_mm", "pieces apart", "mm"))
CLASSES = (("codec", "coding"), ("stripe", "stripe"), ("orientation", "uterus"), ("true_direction", "direction"), ("drift_mode", "drift"),
           ("catheter", "catheter seen"), ("pieces", "pieces"))


def number(value, places=3):
    return "-" if value is None or (isinstance(value, float) and math.isnan(value)) else "%.*f" % (places, value)


def percent(value):
    return "-" if value is None or math.isnan(value) else "%.1f %%" % (100.0 * value)


def row_of(cells):
    return "| " + " | ".join(str(c) for c in cells) + " |"


def table(head, rows):
    return "\n".join([row_of(head), "|" + "---|" * len(head)] + [row_of(r) for r in rows]) + "\n"


def coverage_cell(errors):
    share, low, high = errors.coverage()
    return "-" if math.isnan(share) else "%.1f %% (%.1f to %.1f), %d of %d" % (
        100 * share, 100 * low, 100 * high, errors.n_held, errors.n_intervals)


# ---- sections ----

def design_section(rows):
    out = ["## The sample\n", "%d loops.\n" % len(rows)]
    lines = []
    for column, words, unit in FACTORS:
        values = np.array([r[column] for r in rows if r.get(column) is not None])
        if not len(values):
            continue
        lines.append((words, unit, number(values.min(), 2), number(np.median(values), 2), number(values.max(), 2),
                      "%d" % np.sum(values != 0) if values.min() <= 0 <= values.max() and np.any(values == 0) else ""))
    out.append(table(("factor", "unit", "least", "median", "most", "loops where not 0"), lines))
    for column, words in CLASSES:
        counts = {}
        for r in rows:
            key = r[column]
            key = "%g" % key if isinstance(key, float) else key
            counts[key] = counts.get(key, 0) + 1
        counts = {("none (quiet)" if k is None else k): v for k, v in counts.items()}
        out.append("- %s: %s" % (words, ", ".join("%s %d" % item for item in sorted(counts.items()))))
    n_fade = sum(r["fade_from_s"] >= 0 and r["true_deposited"] for r in rows)
    n_back = sum(r["fade_to_s"] >= 0 and r["true_deposited"] for r in rows)
    out.append("- bubbles: %d loops with, %d without; in %d they leave the plane, in %d of these they come back" % (
        sum(bool(r["true_deposited"]) for r in rows), sum(not r["true_deposited"] for r in rows), n_fade, n_back))
    out.append("- frozen for 0.5 s and more: %d; frame clock uneven: %d; quiet uterus: %d\n" % (
        sum(r["freeze_at_s"] >= 0 for r in rows), sum(r["rate_jitter"] > 0 for r in rows), sum(not r["true_contracting"] for r in rows)))
    return "\n".join(out)


def targets(rows):
    """Every target of the study: words, wanted, found, whether it is met (None: cannot be said)."""
    t = [r for r in rows if fig.is_target(r)]
    regular, irregular = [r for r in t if fig.is_regular(r)], [r for r in t if not fig.is_regular(r)]
    out = []

    def add(words, wanted, value, is_met, text, n):
        out.append((words, wanted, text, n, "-" if n == 0 else "yes" if is_met else "**no**"))

    def errors(words, e, median, top, unit):
        if median is not None:
            add(words + ", median error", "<= %g%s" % (median, unit), e.median(), e.median() <= median, number(e.median()) + unit, e.n)
        if top is not None:
            add(words + ", 95th percentile", "<= %g%s" % (top, unit), 0, e.quantile(0.95) <= top, number(e.quantile(0.95)) + unit, e.n)

    def cover(words, e):
        share = e.coverage()[0]
        add(words + ", coverage", "92 to 98 %", share, 0.92 <= share <= 0.98, coverage_cell(e), e.n_intervals)

    def share(words, wanted, limit, k, n, most=False):
        value = k / n if n else math.nan
        add(words, wanted, value, value <= limit if most else value >= limit,
            "-" if not n else "%s (%d of %d)" % (percent(value), k, n), n)

    errors("frequency, regular waves", fig.frequency(regular), 0.02, 0.1, " per min")
    errors("frequency, irregular waves", fig.frequency(irregular), None, 0.15, " per min")
    cover("frequency", fig.frequency(t))
    counted = [r for r in t if r["told_count"] is not None and fig.is_whole(r)]
    apart = [abs(r["told_count"] - r["true_count"]) for r in counted]
    share("count of waves exact", ">= 80 %", 0.80, sum(a == 0 for a in apart), len(apart))
    share("count of waves within one", ">= 95 %", 0.95, sum(a <= 1 for a in apart), len(apart))
    told = [r for r in t if r["told_waves"] == "measured" and r["told_direction"] != "undetermined"]
    share("direction right, of those told", ">= 99 %", 0.99, sum(r["told_direction"] == r["true_direction"] for r in told), len(told))
    for words, e in (("velocity", fig.velocity(t)), ("amplitude", fig.amplitude(t))):
        add(words + " within 10 %, median error", "<= 10 %", 0, e.median() <= 0.1, percent(e.median()), e.n)
        cover(words, e)
    quiet = [r for r in rows if not r["true_contracting"]]
    share("quiet uterus told as contracting", "<= 1 %", 0.01, sum(r["told_waves"] == "measured" for r in quiet), len(quiet), most=True)
    share("contracting uterus (target loops) told as quiet", "<= 3 %", 0.03, sum(r["told_waves"] == "quiescent" for r in t), len(t), most=True)
    long_ones = [r for r in rows if r["duration_s"] >= fig.TARGET_S]
    errors("deposit to fundus", fig.to_fundus(long_ones), 0.25, 0.8, " mm")
    cover("deposit to fundus", fig.to_fundus(long_ones))
    errors("drift", fig.toward_fundus(long_ones), 0.25, 0.8, " mm")
    cover("drift", fig.toward_fundus(long_ones))
    sure = [r for r in rows if r.get("told_fundus_off_mm") is not None and r["told_trust"] >= 0.9]
    share("stripes of trust 0.9 and more with the fundus within 2 mm", ">= 95 %", 0.95, sum(r["told_fundus_off_mm"] <= 2.0 for r in sure),
          len(sure))
    return out


SCALE_WITHIN = 0.02  # of the true one
LOOKED_AT = 0  # loops, the first of the design, whose results were looked at while the program was made


def unseen_section(rows):
    """The targets on loops that were looked at while the program was made, beside those on loops that were not."""
    seen = [r for r in rows if int(r["name"][1:]) <= LOOKED_AT]
    unseen = [r for r in rows if int(r["name"][1:]) > LOOKED_AT]
    if not seen:
        return "How the numbers below are worked out was settled before any result of these loops was looked at, on 900 loops that " \
               "three other seeds drew. These were measured once.\n"
    if not unseen:
        return ""
    lines = [(a[0], a[1], a[2], a[3], b[2], b[3]) for a, b in zip(targets(seen), targets(unseen))]
    return "\n".join(["## Loops that were looked at, and loops that were not\n",
                      "Results of the first %d loops were looked at while the program was made, and some of its constants were set on them. The "
                      "other %d were measured once, when it was done.\n" % (LOOKED_AT, len(unseen)),
                      table(("what", "target", "looked at", "n", "not looked at", "n"), lines)])


def target_section(rows):
    return "\n".join(["## Targets\n",
                      "Frequency, count, direction, velocity, amplitude: target loops. Deposit and drift: loops of %.0f s and longer (drift: in which the deposit was dated). Count: "
                      "loops looked at from end to end.\n" % fig.TARGET_S,
                      table(("what", "target", "found", "n", "met"), targets(rows))])


NUMBERS = (("frequency, per min", fig.frequency, 3), ("amplitude, over truth", fig.amplitude, 3), ("velocity, over truth", fig.velocity, 3),
           ("deposit to fundus, mm", fig.to_fundus, 2), ("drift toward the fundus, mm", fig.toward_fundus, 2),
           ("deposit instant, s", fig.instant, 2), ("deposit to fundus, centre of the echoes, mm", fig.to_fundus_by_echoes, 2))


def error_table(rows, only_targets):
    lines = []
    for words, of, places in NUMBERS:
        chosen = [r for r in rows if r["true_contracting"] and (not only_targets or fig.is_target(r))] \
            if of in (fig.frequency, fig.amplitude, fig.velocity) else [r for r in rows if r["true_deposited"]]
        e = of(chosen)
        mean, low, high = e.bias()
        lower, upper, reach = e.limits()
        lines.append((words, "%d of %d" % (e.n, len(chosen)), "%s (%s to %s)" % (number(mean, places), number(low, places), number(high, places)),
                      "%s to %s (each +- %s)" % (number(lower, places), number(upper, places), number(reach, places)),
                      number(e.median(), places), number(e.quantile(0.95), places), number(e.worst(), places),
                      number(e.half_width, 2 if not e.is_ratio else 2), coverage_cell(e)))
    return table(("number", "told", "bias (95 %)", "limits of agreement", "median error", "95th percentile", "worst", "half width of intervals",
                  "coverage"), lines)


def error_section(rows):
    return "\n".join([
        "## Errors\n", "Amplitude and velocity as told over true minus one; half widths of their intervals in mm and mm/s.\n",
        "Target loops (deposit and drift: all loops of %.0f s and longer):\n" % fig.TARGET_S,
        error_table([r for r in rows if r["duration_s"] >= fig.TARGET_S], True),
        "All loops:\n", error_table(rows, False)])


VERDICTS = ("measured", "quiescent", "not-assessable")


def verdict_section(rows):
    classes = []
    for words, test in (
            ("quiet", lambda r: not r["true_contracting"]),
            ("0.15 to 0.3 mm", lambda r: r["true_contracting"] and r["true_amplitude_mm"] < fig.TARGET_AMPLITUDE_MM),
            ("0.3 mm and more", lambda r: r["true_contracting"] and r["true_amplitude_mm"] >= fig.TARGET_AMPLITUDE_MM)):
        for length, inside in (("below 60 s", lambda r: r["duration_s"] < 60), ("60 to 120 s", lambda r: 60 <= r["duration_s"] < 120),
                               ("120 s and longer", lambda r: r["duration_s"] >= 120)):
            chosen = [r for r in rows if test(r) and inside(r)]
            classes.append((words, length) + tuple(sum(r["told_waves"] == v for r in chosen) for v in VERDICTS))
    directions = ("cervix-to-fundus", "fundus-to-cervix", "opposing", "mixed")
    lines = []
    for true in directions:
        chosen = [r for r in rows if r["true_contracting"] and r["true_direction"] == true and r["told_waves"] == "measured"]
        lines.append((true,) + tuple(sum(r["told_direction"] == told for r in chosen) for told in directions + ("undetermined",)))
    lines_target = []
    for true in directions:
        chosen = [r for r in rows if fig.is_target(r) and r["true_direction"] == true and r["told_waves"] == "measured"]
        lines_target.append((true,) + tuple(sum(r["told_direction"] == told for r in chosen) for told in directions + ("undetermined",)))
    deposits = []
    for words, test in (("bubbles", lambda r: r["true_deposited"]), ("none", lambda r: not r["true_deposited"])):
        chosen = [r for r in rows if test(r)]
        deposits.append((words,) + tuple(sum(r["told_deposit"] == v for r in chosen) for v in ("measured", "none-seen", "not-assessable")))
    return "\n".join([
        "## Verdicts\n", "What was (rows) and what was told (columns).\n",
        table(("uterus", "loop") + VERDICTS, classes), "Direction, all loops told as contracting:\n",
        table(("true",) + directions + ("undetermined",), lines), "Direction, target loops:\n",
        table(("true",) + directions + ("undetermined",), lines_target), "Deposit:\n",
        table(("true", "measured", "none-seen", "not-assessable"), deposits)])


def grace_section(rows):
    """Halving amplitude or length: what is told less often, with wider intervals, and what is wrong and sure."""
    lines = []
    for low, high in ((0.15, 0.3), (0.3, 0.6), (0.6, 1.6)):
        for first, last in ((30, 60), (60, 120), (120, 301)):
            chosen = [r for r in rows if r["true_contracting"] and low <= r["true_amplitude_mm"] < high and first <= r["duration_s"] < last]
            e = fig.frequency(chosen)
            wrong = sum(not r["told_frequency_low"] <= r["true_frequency_per_min"] <= r["told_frequency_high"]
                        and abs(r["told_frequency_per_min"] - r["true_frequency_per_min"]) > 0.5 for r in e.rows if r["told_frequency_low"] is not None)
            lines.append(("%g to %g mm" % (low, high), "%d to %d s" % (first, last if last < 301 else 300), len(chosen),
                          percent(e.n / len(chosen)) if chosen else "-", number(e.half_width, 3), number(e.median()), number(e.quantile(0.95)),
                          coverage_cell(e), wrong,
                          sum(r["told_waves"] == "quiescent" for r in chosen)))
    return "\n".join([
        "## Weaker and shorter\n",
        "Frequency by amplitude and length. *Wrong and sure*: more than 0.5 per min off and outside its own interval.\n",
        table(("amplitude", "length", "loops", "told", "half width, per min", "median error", "95th percentile", "coverage", "wrong and sure",
               "told as quiet"), lines)])


def stripe_section(rows):
    found = [r for r in rows if r.get("told_fundus_off_mm") is not None]
    lines = []
    for words, values in (("fundus, distance", [r["told_fundus_off_mm"] for r in found]), ("internal os, distance", [r["told_os_off_mm"] for r in found]),
                          ("length", [r["told_length_mm"] - r["true_length_mm"] for r in found if r["told_length_mm"] is not None]),
                          ("thickness", [r["told_thickness_mm"] - r["true_thickness_mm"] for r in found if r.get("told_thickness_mm") is not None])):
        v = np.array(values)
        lines.append((words, len(v), number(v.mean(), 2), number(np.median(np.abs(v)), 2), number(np.quantile(np.abs(v), 0.9), 2),
                      number(np.quantile(np.abs(v), 0.95), 2), number(np.abs(v).max(), 2)))
    trust = []
    for low, high in ((0.0, 0.6), (0.6, 0.8), (0.8, 0.9), (0.9, 0.97), (0.97, 1.01)):
        chosen = [r for r in rows if low <= r["told_trust"] < high]
        told = [r for r in chosen if r.get("told_fundus_off_mm") is not None]
        near = sum(r["told_fundus_off_mm"] <= 2.0 for r in told)
        trust.append(("%.2f to %.2f" % (low, min(high, 1.0)), len(chosen), len(told),
                      "%s (%d)" % (percent(near / len(told)), near) if told else "-",
                      sum(bool(r["told_ends_exchanged"]) and not r["told_ends_unsure"] for r in told), sum(bool(r["told_ends_unsure"]) for r in told), sum(bool(r["told_asks_for_marks"]) for r in chosen)))
    return "\n".join([
        "## The stripe\n", "Found in %d of %d loops. Errors in mm, against the true ends in the same frame:\n" % (len(found), len(rows)),
        table(("what", "n", "mean", "median error", "90th percentile", "95th percentile", "worst"), lines),
        "By `trust`:\n",
        table(("trust", "loops", "stripe told", "fundus within 2 mm", "ends exchanged", "said to be unsure", "asks for marks"), trust)])


def scale_section(rows):
    told = [(r["name"], r["told_scale_mm_per_px"] / r["true_scale_mm_per_px"]) for r in rows if r["told_scale_mm_per_px"] is not None]
    off = [(name, ratio) for name, ratio in told if abs(ratio - 1.0) > SCALE_WITHIN]
    right = np.array([abs(ratio - 1.0) for _, ratio in told if abs(ratio - 1.0) <= SCALE_WITHIN])
    return "\n".join([
        "## The scale\n",
        "Every length rests on the depth ruler that is read from the picture. A scale was told for %d of %d loops; %d are within %.0f %% of the true one (95 "
        "of 100 of them within %.2f %%)%s\n" % (len(told), len(rows), len(right), 100 * SCALE_WITHIN, 100 * np.quantile(right, 0.95),
                                               "." if not off else "; wrong (told over true): " + ", ".join("%s %.2f" % pair for pair in off) + ".")])


def factor_section(rows):
    out = ["## Error against each factor\n",
           "Median and 95th percentile of the error in the lower, middle and upper third of each factor, and Spearman's rank correlation of "
           "the size of the error with the factor (two-sided p). Only factors with p < 0.01 for at least one number are listed for it: with "
           "so many looks one in a hundred of the p below 0.01 is chance.\n"]
    long_ones = [r for r in rows if r["duration_s"] >= fig.TARGET_S]
    for words, of, places in NUMBERS[:5]:
        chosen = [r for r in long_ones if fig.is_target(r)] if of in (fig.frequency, fig.amplitude, fig.velocity) else long_ones
        e = of(chosen)
        lines = []
        for column, name, unit in FACTORS:
            pairs = [(r[column], abs(v)) for r, v in zip(e.rows, e.values) if r.get(column) is not None]
            if len(pairs) < 12 or len({p[0] for p in pairs}) < 3:
                continue
            x, y = np.array(pairs).T
            if column in ("turn_deg_per_min", "gain_step_db", "true_toward_fundus_mm"):
                x = np.abs(x)
            rank = stats.spearmanr(x, y)
            if not rank.pvalue < 0.01:
                continue
            cuts = np.quantile(x, (1 / 3, 2 / 3))
            thirds = (y[x <= cuts[0]], y[(x > cuts[0]) & (x <= cuts[1])], y[x > cuts[1]])
            lines.append((name + (", " + unit if unit else ""), "%s, %s" % (number(cuts[0], 2), number(cuts[1], 2))) +
                         tuple("%s, %s" % (number(float(np.median(t)), places), number(float(np.quantile(t, 0.95)), places)) if len(t) else "-"
                               for t in thirds) + ("%+.2f (%.1g)" % (rank.statistic, rank.pvalue),))
        out.append("### %s\n" % words[0].upper() + words[1:] if False else "### %s\n" % words)
        out.append(table(("factor", "thirds part at", "lower third", "middle", "upper third", "rank correlation (p)"), lines) if lines
                   else "No factor stands out.\n")
        by_class = []
        for column, name in CLASSES:
            for key in sorted({r[column] for r in e.rows if r[column] is not None}, key=str):
                part = np.abs([v for r, v in zip(e.rows, e.values) if r[column] == key])
                if len(part) >= 5:
                    by_class.append(("%s: %s" % (name, "%g" % key if isinstance(key, float) else key), len(part),
                                     number(float(np.median(part)), places), number(float(np.quantile(part, 0.95)), places)))
        out.append(table(("class", "n", "median error", "95th percentile"), by_class))
    return "\n".join(out)


def failures(rows):
    """Each loop that is wrong in a way that matters, and how."""
    out = []
    for r in rows:
        wrong = []
        if r.get("told_ends_unsure"):
            pass  # it says so, and tells nothing that rests on them
        elif r.get("told_ends_exchanged"):
            wrong.append("fundus and os exchanged")
        elif r.get("told_fundus_off_mm") is not None and r["told_fundus_off_mm"] > 4.0:
            wrong.append("fundus %.1f mm off (trust %.2f)" % (r["told_fundus_off_mm"], r["told_trust"]))
        if not r["true_contracting"] and r["told_waves"] == "measured":
            wrong.append("quiet, told %.2f per min" % (r["told_frequency_per_min"] or 0.0))
        if r["true_contracting"] and r["true_amplitude_mm"] >= 0.3 and r["told_waves"] == "quiescent":
            wrong.append("%.2f mm at %.2f per min, told as quiet" % (r["true_amplitude_mm"], r["true_frequency_per_min"]))
        if r["told_frequency_per_min"] is not None and r["true_contracting"] and abs(r["told_frequency_per_min"] - r["true_frequency_per_min"]) > 0.3:
            held = r["told_frequency_low"] is not None and r["told_frequency_low"] <= r["true_frequency_per_min"] <= r["told_frequency_high"]
            wrong.append("%.2f per min for %.2f%s" % (r["told_frequency_per_min"], r["true_frequency_per_min"], "" if held else ", outside its interval"))
        if r["told_waves"] == "measured" and r["true_contracting"] and r["told_direction"] not in (r["true_direction"], "undetermined"):
            wrong.append("%s, told %s" % (r["true_direction"], r["told_direction"]))
        if not r["true_deposited"] and r["told_deposit"] == "measured":
            wrong.append("no bubbles, told a deposit at %.1f s" % r["told_deposit_s"])
        if r["true_deposited"]:
            if r["told_deposit"] == "none-seen":
                wrong.append("bubbles not seen")
            if r["told_deposit_s"] is not None and abs(r["told_deposit_s"] - r["true_deposit_s"]) > 2.0:
                held = r.get("told_deposit_s_low") is not None and r["told_deposit_s_low"] <= r["true_deposit_s"] <= r["told_deposit_s_high"]
                wrong.append("deposit %.1f s off%s" % (r["told_deposit_s"] - r["true_deposit_s"], ", within its interval" if held else ""))
            if r["told_to_fundus_mm"] is not None and abs(r["told_to_fundus_mm"] - r["true_to_fundus_mm"]) > 1.5:
                wrong.append("to fundus %+.1f mm off" % (r["told_to_fundus_mm"] - r["true_to_fundus_mm"]))
            if r["told_toward_fundus_mm"] is not None and abs(r["told_toward_fundus_mm"] - r["true_toward_fundus_mm"]) > 1.5:
                wrong.append("drift %+.1f mm off" % (r["told_toward_fundus_mm"] - r["true_toward_fundus_mm"]))
        if wrong:
            out.append((r, wrong))
    return out


def failure_section(rows):
    lines = [(r["name"], "%.0f s, %.1f/s, %d px, %.0f mm deep, %s" % (r["duration_s"], r["frames_per_s"], r["width_px"], r["depth_mm"], r["codec"]),
              "; ".join(wrong)) for r, wrong in failures(rows)]
    not_told = [r for r in rows if fig.is_target(r) and r["told_waves"] == "not-assessable"]
    reasons = {}
    for r in not_told:
        reason = (r["told_waves_reason"] or "").split(";")[0]
        reasons[reason] = reasons.get(reason, 0) + 1
    return "\n".join([
        "## Where it fails\n",
        "Loops in which something is wrong that matters: an end more than 4 mm off, a wrong verdict or direction, a frequency more than 0.3 per "
        "min, a deposit more than 2 s or 1.5 mm or a drift more than 1.5 mm off: %d of %d.\n" % (len(lines), len(rows)),
        table(("loop", "recording", "what is wrong"), lines),
        "Target loops without a verdict on contractions (%d):\n" % len(not_told),
        "\n".join("- %d: %s" % (n, reason) for reason, n in sorted(reasons.items(), key=lambda i: -i[1])) + "\n"])


# ---- plots ----

def agreement_plot(path, rows):
    import matplotlib
    matplotlib.use("svg")
    matplotlib.rcParams.update({"svg.hashsalt": "afterflash", "svg.fonttype": "none"})
    from matplotlib import pyplot
    figure, axes = pyplot.subplots(2, 3, figsize=(11, 6.4), layout="constrained")
    long_ones = [r for r in rows if r["duration_s"] >= fig.TARGET_S]
    for axis, (words, of, _) in zip(axes.flat, NUMBERS[:5]):
        waves = of in (fig.frequency, fig.amplitude, fig.velocity)
        e = of([r for r in long_ones if fig.is_target(r)] if waves else long_ones)
        if e.n < 2:
            continue
        truth = [r[e.true] for r in e.rows]
        axis.axhline(0, color="0.6", linewidth=0.8)
        axis.plot(truth, e.values, "o", markersize=3.5, markerfacecolor="none", color="#1b4f72")
        lower, upper, _ = e.limits()
        for level, style in ((e.bias()[0], "-"), (lower, "--"), (upper, "--")):
            axis.axhline(level, color="#b9770e", linestyle=style, linewidth=1)
        axis.set_xlabel("true, " + words.split(", ")[-1] if not e.is_ratio else "true " + words.split(",")[0])
        axis.set_ylabel("told minus true" if not e.is_ratio else "told over true - 1")
        axis.set_title(words.split(",")[0], fontsize=10)
    axis = axes.flat[5]
    found = [r for r in rows if r.get("told_fundus_off_mm") is not None]
    axis.plot([r["told_trust"] for r in found], [min(r["told_fundus_off_mm"], 40.0) for r in found], "o", markersize=3.5, markerfacecolor="none",
              color="#1b4f72")
    axis.axhline(2.0, color="#b9770e", linewidth=1)
    axis.set_yscale("symlog", linthresh=2.0)
    axis.set_xlabel("trust")
    axis.set_ylabel("fundus off, mm")
    axis.set_title("stripe", fontsize=10)
    figure.savefig(path, metadata={"Date": None})
    pyplot.close(figure)


def factor_plot(path, rows, words, of):
    import matplotlib
    matplotlib.use("svg")
    matplotlib.rcParams.update({"svg.hashsalt": "afterflash", "svg.fonttype": "none"})
    from matplotlib import pyplot
    waves = of in (fig.frequency, fig.amplitude, fig.velocity)
    chosen = [r for r in rows if r["duration_s"] >= fig.TARGET_S and (not waves or fig.is_target(r))]
    e = of(chosen)
    columns = FACTORS
    figure, axes = pyplot.subplots(5, 6, figsize=(14, 10), layout="constrained", sharey=True)
    floor = max(float(np.quantile(np.abs(e.values), 0.1)) if e.n else 1e-3, 1e-4)
    for axis, (column, name, unit) in zip(axes.flat, columns):
        pairs = [(r[column], max(abs(v), 0.3 * floor)) for r, v in zip(e.rows, e.values) if r.get(column) is not None]
        if pairs:
            axis.plot(*zip(*pairs), "o", markersize=2.5, markerfacecolor="none", color="#1b4f72")
        axis.set_yscale("log")
        axis.set_title(name + (", " + unit if unit else ""), fontsize=8)
        axis.tick_params(labelsize=7)
    for axis in list(axes.flat)[len(columns):]:
        axis.set_visible(False)
    figure.suptitle("size of the error against each factor: " + words, fontsize=11)
    figure.savefig(path, metadata={"Date": None})
    pyplot.close(figure)


PLOTS = (("frequency", 0), ("amplitude", 1), ("velocity", 2), ("to-fundus", 3), ("drift", 4))


def page(rows):
    parts = [HEAD.format(n_factors=len(FACTORS) + len(CLASSES) - 1, target_s=fig.TARGET_S, target_mm=fig.TARGET_AMPLITUDE_MM,
                         regular=100 * fig.REGULAR),
             target_section(rows), unseen_section(rows), verdict_section(rows), error_section(rows),
             "![Errors against the truth, with bias and limits of agreement](validation/agreement.svg)\n",
             grace_section(rows), scale_section(rows), stripe_section(rows), failure_section(rows), factor_section(rows),
             "\n".join("![Error against each factor: %s](validation/factors-%s.svg)\n" % (NUMBERS[i][0], name) for name, i in PLOTS),
             design_section(rows)]
    return "\n".join(parts).rstrip() + "\n"


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("study")
    parser.add_argument("docs")
    parser.add_argument("--check", action="store_true")
    parser.add_argument("--targets", action="store_true", help="print the targets only")
    given = parser.parse_args()
    rows = fig.read(given.study)
    if given.targets:
        for line in targets(rows):
            print("%-62s %-18s %-44s %4s %s" % line)
        for r, wrong in failures(rows):
            print(r["name"], "; ".join(wrong))
        return 0
    text, path = page(rows), os.path.join(given.docs, "validation.md")
    if given.check:
        with open(path) as f:
            return 0 if f.read() == text else 1
    os.makedirs(os.path.join(given.docs, "validation"), exist_ok=True)
    agreement_plot(os.path.join(given.docs, "validation", "agreement.svg"), rows)
    for name, i in PLOTS:
        factor_plot(os.path.join(given.docs, "validation", "factors-%s.svg" % name), rows, NUMBERS[i][0], NUMBERS[i][1])
    with open(path, "w") as f:
        f.write(text)
    return 0


if __name__ == "__main__":
    sys.exit(main())
