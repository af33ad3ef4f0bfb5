#!/usr/bin/python3
"""Compares what the program measured with what the loops were made with.

usage: score.py LOOPS OUT [--json FILE] [--strict]

LOOPS holds <name>.truth.json files (of either generator), OUT holds
<name>/summary.json files. Prints a table, a row a loop, and the target
statistics. A loop without a summary counts as a failure, never as absent.
With --strict the exit code is 1 when a target is missed.
"""
import argparse
import glob
import json
import math
import os
import statistics
import sys

MISSING = float("nan")


def first(d, *keys):
    """The first of several dotted keys that is there and not null."""
    for key in keys:
        v = d
        for part in key.split("."):
            v = v.get(part) if isinstance(v, dict) else None
        if v is not None:
            return v
    return None


def read_truth(path):
    """Either generator's truth, in one layout."""
    with open(path) as f:
        t = json.load(f)
    waves = t.get("contractions") or {}
    out = dict(
        name=os.path.basename(path)[:-len(".truth.json")],
        mm=first(t, "scale_mm_per_px", "scale.mm_per_px_x", "mm_per_px"),
        frames=first(t, "frames", "n_frames"),
        fundus=first(t, "cavity.fundus_px", "fundus_px"),
        os=first(t, "cavity.os_px", "os_px"),
        fundus_path=first(t, "fundus_path_px"),
        os_path=first(t, "os_path_px"),
        length=first(t, "cavity.length_mm", "length_mm"),
        thickness=first(t, "cavity.thickness_mm", "thickness_mm"),
        rate=first(waves, "rate_per_min", "frequency_per_min"),
        count=first(waves, "count"),
        amplitude=first(waves, "wall_to_wall_half_peak_to_peak_mm", "wall_to_wall_amplitude_mm", "amplitude_mm"),
        velocity=first(waves, "velocity_mm_per_s"),
        direction=first(waves, "direction"),
        time=first(t, "deposit.time_s"),
        point=first(t, "deposit.point_px"),
        to_fundus=first(t, "deposit.to_fundus_mm"),
        drift=first(t, "drift.toward_fundus_mm"),
        final=first(t, "drift.final_to_fundus_mm"),
    )
    verdict = waves.get("verdict")
    out["contracting"] = waves.get("present", out["rate"] is not None and out["rate"] > 0) if verdict is None else verdict == "measured"
    if "frames_list" in t or isinstance(t.get("per_frame"), list):
        rows = t.get("per_frame")
        out["fundus_path"] = out["fundus_path"] or [r.get("fundus_px") for r in rows]
        out["os_path"] = out["os_path"] or [r.get("os_px") for r in rows]
    if not out["contracting"]:
        out["rate"] = out["direction"] = out["amplitude"] = out["velocity"] = None
    out["deposited"] = out["time"] is not None
    return out


def distance(a, b):
    return math.hypot(a[0] - b[0], a[1] - b[1])


def minus(a, b):
    return MISSING if a is None or b is None else a - b


def inside(interval, value):
    if not isinstance(interval, list) or len(interval) != 2 or None in interval or value is None:
        return None
    return interval[0] <= value <= interval[1]


def at_frame(path, frame, fallback):
    if path and frame is not None and 0 <= frame < len(path) and path[frame] is not None:
        return path[frame]
    return fallback


def compare(t, s):
    """One row: errors and verdicts."""
    row = dict(name=t["name"], contracting=t["contracting"], deposited=t["deposited"], truth=t)
    c, k, d, m, z = s["cavity"], s["contractions"], s["deposit"], s["drift"], s["scale"]
    row["cavity"], row["waves"], row["deposit"], row["drift"] = c["verdict"], k["verdict"], d["verdict"], m["verdict"]
    row["trust"] = c.get("trust")
    row["scale_source"] = z["source"]
    row["scale_error"] = MISSING if z["mm_per_px_x"] is None else (z["mm_per_px_x"] / t["mm"] - 1) * 100
    frame = c.get("frame")
    if c.get("fundus_px"):
        fundus, internal_os = at_frame(t["fundus_path"], frame, t["fundus"]), at_frame(t["os_path"], frame, t["os"])
        row["fundus_error"] = distance(c["fundus_px"], fundus) * t["mm"]
        row["os_error"] = distance(c["os_px"], internal_os) * t["mm"]
        row["ends_swapped"] = distance(c["fundus_px"], internal_os) < distance(c["fundus_px"], fundus)
    row["length_error"] = minus(c.get("length_mm"), t["length"])
    row["thickness_error"] = minus(c.get("thickness_mm"), t["thickness"])
    row["rate"] = k.get("frequency_per_min")
    row["rate_error"] = minus(row["rate"], t["rate"])
    row["rate_covered"] = inside(k.get("frequency_ci95_per_min"), t["rate"])
    row["count_error"] = minus(k.get("count"), t["count"])
    row["amplitude"], row["velocity"] = k.get("amplitude_mm"), k.get("velocity_mm_per_s")
    row["direction"] = k.get("direction")
    row["time_error"] = minus(d.get("time_s"), t["time"])
    row["depth_error"] = minus(d.get("to_fundus_mm"), t["to_fundus"])
    row["depth_covered"] = inside(d.get("to_fundus_ci95_mm"), t["to_fundus"])
    row["point_error"] = distance(d["point_px"], t["point"]) * t["mm"] if d.get("point_px") and t["point"] else MISSING
    row["drift_error"] = minus(m.get("toward_fundus_mm"), t["drift"])
    row["drift_covered"] = inside(m.get("toward_fundus_ci95_mm"), t["drift"])
    row["final_error"] = minus(m.get("final_to_fundus_mm"), t["final"])
    return row


def known(values):
    return [v for v in values if v is not None and not math.isnan(v)]


def number(v, form="%+.2f"):
    return "-" if v is None or (isinstance(v, float) and math.isnan(v)) else form % v


def table(rows):
    print("%-24s %-9s %5s %6s %6s %6s %6s | %-9s %5s %6s %5s %-8s %5s %5s | %-8s %6s %6s %6s | %6s %6s" % (
        "loop", "cavity", "trust", "scale%", "fund", "os", "thick", "waves", "rate", "err", "cov", "direct.", "amp:t", "vel:t",
        "deposit", "t err", "depth", "point", "drift", "final"))
    short = {"cervix-to-fundus": "c2f", "fundus-to-cervix": "f2c", "opposing": "opp", "mixed": "mix", "undetermined": "und", None: "-"}
    for r in rows:
        if "failed" in r:
            print("%-24s FAILED: %s" % (r["name"], r["failed"]))
            continue
        t = r["truth"]
        ratio = lambda a, b: "-" if not a or not b else "%.2f" % (a / b)
        direction = short.get(r["direction"], r["direction"])
        if t["direction"] != r["direction"]:
            direction += "!" + short.get(t["direction"], "?")
        swapped = "~" if r.get("ends_swapped") else ""
        print("%-24s %-9s %5s %6s %6s %6s %6s | %-9s %5s %6s %5s %-8s %5s %5s | %-8s %6s %6s %6s | %6s %6s" % (
            r["name"], r["cavity"] + swapped, number(r["trust"], "%.2f"), number(r["scale_error"]), number(r.get("fundus_error"), "%.1f"),
            number(r.get("os_error"), "%.1f"), number(r["thickness_error"], "%+.1f"), r["waves"][:9], number(t["rate"], "%.2f"),
            number(r["rate_error"], "%+.3f"), {True: "in", False: "OUT", None: "-"}[r["rate_covered"]], direction,
            ratio(r["amplitude"], t["amplitude"]), ratio(r["velocity"], t["velocity"]), r["deposit"][:8], number(r["time_error"]),
            number(r["depth_error"]), number(r["point_error"], "%.2f"), number(r["drift_error"]), number(r["final_error"])))


def targets(rows):
    """The target statistics: text, value, met."""
    good = [r for r in rows if "failed" not in r]
    out = []

    def spread(label, errors, expected, median_limit, worst_limit, unit):
        errors = [abs(e) for e in known(errors)]
        if not errors:
            out.append((label, "none of %d measured" % expected, expected == 0))
            return
        mid, worst = statistics.median(errors), max(errors)
        met = mid <= median_limit and worst <= worst_limit and len(errors) == expected
        out.append((label, "median %.3f (<= %g), worst %.3f (<= %g) %s, measured %d of %d" % (
            mid, median_limit, worst, worst_limit, unit, len(errors), expected), met))

    def share(label, right, expected):
        out.append((label, "%d of %d" % (right, expected), right == expected))

    waves = [r for r in good if r["contracting"]]
    n_waves = sum(1 for r in rows if r["contracting"])
    spread("frequency", [r["rate_error"] for r in waves], n_waves, 0.05, 0.2, "per min")
    share("direction", sum(r["direction"] == r["truth"]["direction"] for r in waves), n_waves)
    wrong = [r["name"] for r in waves if r["direction"] not in (r["truth"]["direction"], "undetermined", None)]
    out.append(("direction wrong, not undetermined", ", ".join(wrong) or "none", not wrong))
    quiet = [r for r in good if not r["contracting"]]
    share("quiet is quiescent", sum(r["waves"] == "quiescent" for r in quiet), sum(1 for r in rows if not r["contracting"]))
    empty = [r for r in good if not r["deposited"]]
    share("no bubbles is none-seen", sum(r["deposit"] == "none-seen" for r in empty), sum(1 for r in rows if not r["deposited"]))
    placed = [r for r in good if r["deposited"]]
    n_placed = sum(1 for r in rows if r["deposited"])
    spread("deposit time", [r["time_error"] for r in placed], n_placed, 1.0, 1.0, "s")
    spread("deposit to fundus", [r["depth_error"] for r in placed], n_placed, 0.5, 1.5, "mm")
    spread("drift along the stripe", [r["drift_error"] for r in placed], n_placed, 0.3, 1.0, "mm")
    spread("final to fundus", [r["final_error"] for r in placed], n_placed, 0.5, 1.5, "mm")
    scaled = [r for r in good if r["scale_source"] in ("ruler", "dicom-region", "none")]
    spread("scale", [r["scale_error"] for r in scaled], len(rows), 1.0, 1.0, "%")
    share("cavity found", sum(r["cavity"] in ("found", "given") for r in good), len(rows))
    swapped = [r["name"] for r in good if r.get("ends_swapped")]
    out.append(("ends the right way round", "swapped: " + ", ".join(swapped) if swapped else "all", not swapped))
    for label, key in (("fundus", "fundus_error"), ("os", "os_error"), ("thickness", "thickness_error"), ("length", "length_error")):
        errors = [abs(e) for e in known(r.get(key) for r in good)]
        if errors:
            out.append(("cavity %s error" % label, "median %.2f, worst %.2f mm (no target set)" % (statistics.median(errors), max(errors)), True))
    for label, key in (("frequency", "rate_covered"), ("to fundus", "depth_covered"), ("drift", "drift_covered")):
        covered = [r[key] for r in good if r[key] is not None]
        if covered:
            need = math.floor(0.8 * len(covered))
            out.append(("95 %% interval of %s holds the truth" % label, "%d of %d" % (sum(covered), len(covered)), sum(covered) >= need))
    return out


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("loops")
    parser.add_argument("out")
    parser.add_argument("--json", help="also write the rows there")
    parser.add_argument("--strict", action="store_true", help="exit 1 when a target is missed")
    a = parser.parse_args()
    rows = []
    for path in sorted(glob.glob(os.path.join(a.loops, "*.truth.json"))):
        t = read_truth(path)
        summary = os.path.join(a.out, t["name"], "summary.json")
        if not os.path.exists(summary):
            rows.append(dict(name=t["name"], failed="no summary.json", contracting=t["contracting"], deposited=t["deposited"]))
            continue
        with open(summary) as f:
            rows.append(compare(t, json.load(f)))
    if not rows:
        sys.exit("no truth files in " + a.loops)
    table(rows)
    print()
    missed = 0
    for label, value, met in targets(rows):
        print("%-6s %-40s %s" % ("ok" if met else "MISSED", label, value))
        missed += not met
    if a.json:
        with open(a.json, "w") as f:
            json.dump(rows, f, indent=1, default=str)
    return 1 if a.strict and missed else 0


if __name__ == "__main__":
    sys.exit(main())
