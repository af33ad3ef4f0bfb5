"""Statistics of the validation study, from its table of one row a loop. Sources beside each."""
import csv
import math

import numpy as np
from scipy import stats

# How the study parts the loops: what a recording must be for the targets to hold.
TARGET_S = 120.0
TARGET_AMPLITUDE_MM = 0.3
REGULAR = 0.05  # intervals vary by up to this share

TEXT = ("name", "suffix", "codec", "orientation", "mirrored", "stripe", "direction", "drift_mode", "catheter", "true_direction",
        "told_cavity", "told_scale_source", "told_waves", "told_direction", "told_deposit", "told_drift", "told_waves_reason",
        "told_deposit_reason")


def read(path):
    """Rows of the study: numbers as float, NA as None."""
    with open(path, newline="") as f:
        rows = list(csv.DictReader(f))
    for row in rows:
        for key, value in row.items():
            if key in TEXT:
                row[key] = None if value == "NA" else value
            else:
                row[key] = None if value in ("NA", "") else {"TRUE": True, "FALSE": False}.get(value, None) \
                    if value in ("TRUE", "FALSE") else float(value)
    return rows


def wilson(k, n, level=0.95):
    """Interval of a share (Wilson, J. Am. Stat. Assoc. 22:209-212, 1927), as SciPy has it."""
    ends = stats.binomtest(int(k), int(n)).proportion_ci(level, method="wilson")
    return ends.low, ends.high


class Errors:
    """Errors of one number over some loops: told minus true, or told over true minus one."""

    def __init__(self, rows, told, true, low=None, high=None, is_ratio=False):
        self.expected = len(rows)
        self.rows = [r for r in rows if r.get(told) is not None and r.get(true) is not None]
        self.told, self.true, self.is_ratio = told, true, is_ratio
        self.values = np.array([r[told] / r[true] - 1.0 if is_ratio else r[told] - r[true] for r in self.rows])
        held = [(r[low] <= r[true] <= r[high], r[high] - r[low]) for r in self.rows
                if low and r.get(low) is not None and r.get(high) is not None]
        self.n_held, self.n_intervals = sum(h for h, _ in held), len(held)
        self.half_width = 0.5 * float(np.median([w for _, w in held])) if held else math.nan

    @property
    def n(self):
        return len(self.values)

    def bias(self):
        """Mean and its 95 % interval by Student's t."""
        if self.n < 2:
            return math.nan, math.nan, math.nan
        mean, reach = self.values.mean(), stats.t.ppf(0.975, self.n - 1) * self.values.std(ddof=1) / math.sqrt(self.n)
        return mean, mean - reach, mean + reach

    def limits(self):
        """Limits of agreement and the half width of their own intervals (Bland and Altman, Lancet 327:307-310, 1986)."""
        if self.n < 2:
            return math.nan, math.nan, math.nan
        mean, sd = self.values.mean(), self.values.std(ddof=1)
        reach = stats.t.ppf(0.975, self.n - 1) * math.sqrt(3.0 / self.n) * sd
        return mean - 1.96 * sd, mean + 1.96 * sd, reach

    def median(self):
        return float(np.median(np.abs(self.values))) if self.n else math.nan

    def quantile(self, q):
        return float(np.quantile(np.abs(self.values), q)) if self.n else math.nan

    def worst(self):
        return float(np.abs(self.values).max()) if self.n else math.nan

    def coverage(self):
        """Share of intervals that hold the truth, and its own interval."""
        if not self.n_intervals:
            return math.nan, math.nan, math.nan
        return (self.n_held / self.n_intervals,) + wilson(self.n_held, self.n_intervals)


def is_contracting(row):
    return bool(row["true_contracting"])


def is_target(row):
    return is_contracting(row) and row["duration_s"] >= TARGET_S and row["true_amplitude_mm"] >= TARGET_AMPLITUDE_MM


def is_regular(row):
    return row["interval_jitter"] <= REGULAR and row["pause_share"] == 0


def is_whole(row):
    """The whole loop was looked at, so that its waves can be counted against the truth's."""
    return row["told_assessed_s"] is not None and row["told_assessed_s"] >= 0.97 * row["duration_s"]


def frequency(rows):
    return Errors(rows, "told_frequency_per_min", "true_frequency_per_min", "told_frequency_low", "told_frequency_high")


def amplitude(rows):
    return Errors(rows, "told_amplitude_mm", "true_amplitude_mm", "told_amplitude_low", "told_amplitude_high", is_ratio=True)


def velocity(rows):
    return Errors(rows, "told_velocity_mm_per_s", "true_velocity_mm_per_s", "told_velocity_low", "told_velocity_high", is_ratio=True)


def to_fundus(rows):
    return Errors([r for r in rows if r["true_deposited"]], "told_to_fundus_mm", "true_to_fundus_mm", "told_to_fundus_low", "told_to_fundus_high")


def toward_fundus(rows):
    """Of loops whose deposit was dated: else nobody says since when the bubbles drifted."""
    return Errors([r for r in rows if r["true_deposited"] and r["told_deposit"] == "measured"], "told_toward_fundus_mm", "true_toward_fundus_mm", "told_toward_fundus_low",
                  "told_toward_fundus_high")


def instant(rows):
    """With an interval only where it is told since when the bubbles may have lain there."""
    return Errors([r for r in rows if r["true_deposited"]], "told_deposit_s", "true_deposit_s", "told_deposit_s_low", "told_deposit_s_high")


def to_fundus_by_echoes(rows):
    """The same distance, to the centre of the echoes' strength in place of their luma's."""
    return Errors([r for r in rows if r["true_deposited"]], "told_to_fundus_mm", "true_to_fundus_by_echoes_mm", "told_to_fundus_low",
                  "told_to_fundus_high")
