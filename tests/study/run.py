#!/usr/bin/python3
"""Makes the loops of the validation study, measures each, and writes one row a loop.

What is measured already with the same program and design is kept, so that a study that was cut goes on where
it stopped. With --keep the loops stay too, and are not made again.

usage: run.py --program build/afterflash --work build/study --out docs/validation/study.csv [--loops N] [--short]
"""
import argparse
import bisect
import concurrent.futures
import csv
import hashlib
import json
import math
import os
import resource
import shutil
import subprocess
import sys
import time

sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
import design  # noqa: E402

NOT_OPTIONS = ("name", "suffix")
LOOP_LIMIT_S = 900
WHOLE = 0.97  # of a loop: more is taken for all of it


def interval(section, key):
    """Both ends of an interval, None where there is none."""
    ends = section.get(key)
    return ends if isinstance(ends, list) and len(ends) == 2 else [None, None]


def distance_mm(one, other, mm):
    return math.hypot(one[0] - other[0], one[1] - other[1]) * mm if one and other else None


def waves_past(t, at_mm):
    """How many true waves passed a place so far from the fundus within the loop; in the middle for None."""
    k, length, n = t["contractions"], t["cavity"]["length_mm"], 0
    if k["verdict"] != "measured":
        return 0
    for wave in k["waves"] + k["waves_beside"]:
        away_mm = 0.5 * length - (0.5 * length if at_mm is None else at_mm)
        later_mm = {"cervix-to-fundus": away_mm, "fundus-to-cervix": -away_mm, "opposing": -abs(away_mm)}[wave["direction"]]
        passes_s = wave["passes_middle_s"] + later_mm / k["velocity_mm_per_s"]
        n += wave["amplitude_mm"] > 0 and 0 <= passes_s <= t["duration_s"]
    return n


def phase_at(passes_s, at_s):
    """Waves that passed the middle until then, parts of them counted: a straight line from pass to pass, and on beyond the last."""
    i = min(max(bisect.bisect_right(passes_s, at_s), 1), len(passes_s) - 1)
    return i - 1 + (at_s - passes_s[i - 1]) / (passes_s[i] - passes_s[i - 1])


def rate_within(t, from_s, to_s):
    """Realised mean rate within a stretch of the loop, waves that were left out not counted."""
    waves = sorted(t["contractions"]["waves"] + t["contractions"]["waves_beside"], key=lambda wave: wave["passes_middle_s"])
    if len(waves) < 2:
        return None
    passes_s = [wave["passes_middle_s"] for wave in waves]
    first, last = phase_at(passes_s, from_s), phase_at(passes_s, to_s)
    n = 0.0
    for i, wave in enumerate(waves):
        low, high = (-math.inf if i == 0 else i - 0.5), (math.inf if i == len(waves) - 1 else i + 0.5)
        n += max(min(last, high) - max(first, low), 0.0) if wave["amplitude_mm"] > 0 else 0.0
    return 60.0 * n / (to_s - from_s)


def true_rate(t, s):
    """Of the stretch that was looked at, where that is not the whole loop."""
    k, told = t["contractions"], s["contractions"]
    if k["verdict"] != "measured" or told["assessed_s"] >= WHOLE * t["duration_s"] or not told["over_time"]:
        return k["frequency_per_min"]
    from_s = told["over_time"][0]["from_s"]
    return rate_within(t, from_s, from_s + told["assessed_s"])


def truth_of(t, s):
    """What the generator says of a loop: columns that begin with true_; of the waves, how many passed where they were counted."""
    k, d, m, c = t["contractions"], t["deposit"], t["drift"], t["cavity"]
    contracting = k["verdict"] == "measured"
    return {
        "true_contracting": contracting,
        "true_frequency_per_min": true_rate(t, s), "true_count": waves_past(t, s["contractions"]["counted_at_mm"]),
        "true_amplitude_mm": k["amplitude_mm"], "true_velocity_mm_per_s": k["velocity_mm_per_s"], "true_direction": k["direction"],
        "true_deposited": d["verdict"] == "measured",
        "true_deposit_s": d["time_s"], "true_to_fundus_mm": d.get("to_fundus_mm"), "true_toward_fundus_mm": m.get("toward_fundus_as_seen_mm"),
        "true_to_fundus_by_echoes_mm": d.get("to_fundus_by_echoes_mm"), "true_toward_fundus_by_echoes_mm": m.get("toward_fundus_mm"),
        "true_length_mm": c["length_mm"], "true_thickness_mm": c["thickness_mm"], "true_scale_mm_per_px": t["scale_mm_per_px"],
    }


def told_of(s, t):
    """What the program says of it, and where its points lie off the true ones: columns that begin with told_."""
    k, d, m, c, z = s["contractions"], s["deposit"], s["drift"], s["cavity"], s["scale"]
    row = {
        "cavity": c["verdict"], "trust": c["trust"], "scale_mm_per_px": z["mm_per_px_x"], "scale_source": z["source"],
        "length_mm": c["length_mm"], "thickness_mm": c["thickness_mm"],
        "waves": k["verdict"], "assessed_s": k["assessed_s"], "frequency_per_min": k["frequency_per_min"], "count": k["count"],
        "amplitude_mm": k["amplitude_mm"], "velocity_mm_per_s": k["velocity_mm_per_s"], "direction": k["direction"],
        "false_alarm": k["false_alarm"],
        "deposit": d["verdict"], "deposit_s": d["time_s"], "to_fundus_mm": d["to_fundus_mm"],
        "drift": m["verdict"], "toward_fundus_mm": m["toward_fundus_mm"],
        "asks_for_marks": any("--fundus" in reason for reason in c["reasons"] + k["reasons"] + d["reasons"]),
    }
    for section, key, name in ((k, "frequency_ci95_per_min", "frequency"), (k, "amplitude_ci95_mm", "amplitude"),
                               (k, "velocity_ci95_mm_per_s", "velocity"), (d, "to_fundus_ci95_mm", "to_fundus"), (d, "time_ci95_s", "deposit_s"),
                               (m, "toward_fundus_ci95_mm", "toward_fundus")):
        row[name + "_low"], row[name + "_high"] = interval(section, key)
    row["ends_unsure"] = any("which end of the stripe is the fundus cannot be told" in reason for reason in c["reasons"])
    row["fundus_off_mm"] = row["os_off_mm"] = row["ends_exchanged"] = None
    if c.get("fundus_px"):
        mm, frame = t["scale_mm_per_px"], c["frame"]
        fundus, internal_os = t["fundus_path_px"][frame], t["os_path_px"][frame]
        row["fundus_off_mm"] = distance_mm(c["fundus_px"], fundus, mm)
        row["os_off_mm"] = distance_mm(c["os_px"], internal_os, mm)
        row["ends_exchanged"] = distance_mm(c["fundus_px"], internal_os, mm) < row["fundus_off_mm"]
    row["waves_reason"], row["deposit_reason"] = "; ".join(k["reasons"]), "; ".join(d["reasons"])
    return {"told_" + key: value for key, value in row.items()}


def options_of(loop):
    words = []
    for key, value in loop.items():
        if key not in NOT_OPTIONS:
            words += ["--" + key, str(value)]
    return words


def run(words):
    done = subprocess.run(words, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, timeout=LOOP_LIMIT_S)
    if done.returncode != 0:
        raise RuntimeError("%s: exit code %d: %s" % (" ".join(words[:2]), done.returncode, done.stderr.decode(errors="replace").strip()))


class Study:
    def __init__(self, given):
        self.given = given
        with open(given.program, "rb") as f:
            self.program_sum = hashlib.sha256(f.read()).hexdigest()
        for folder in ("loops", "results"):
            os.makedirs(os.path.join(given.work, folder), exist_ok=True)

    def path(self, folder, name):
        return os.path.join(self.given.work, folder, name)

    def make(self, loop, movie):
        drawn = self.path("loops", loop["name"] + ".design.json")
        if os.path.exists(drawn) and os.path.exists(movie) and json.load(open(drawn)) == loop:
            return
        run([self.given.generator or self.given.program, "synth", "--force", "--threads", "1"] + options_of(loop) + [movie])
        with open(drawn, "w") as f:
            json.dump(loop, f)

    def measure(self, loop):
        """One loop's row; made and measured only where nothing of the same program and design is there."""
        name = loop["name"]
        key = hashlib.sha256((self.program_sum + json.dumps(loop, sort_keys=True)).encode()).hexdigest()
        result, truth = self.path("results", name), self.path("results", name + ".truth.json")
        key_file = self.path("results", name + ".key")
        if not (os.path.exists(key_file) and open(key_file).read() == key):
            movie = self.path("loops", name + "." + loop["suffix"])
            self.make(loop, movie)
            run([self.given.program, "measure", "--force", "--out", result, movie])
            os.replace(self.path("loops", name + ".truth.json"), truth) if not self.given.keep else \
                shutil.copy(self.path("loops", name + ".truth.json"), truth)
            if not self.given.keep:
                os.remove(movie)
                os.remove(self.path("loops", name + ".design.json"))
            with open(key_file, "w") as f:
                f.write(key)
        with open(truth) as f:
            t = json.load(f)
        with open(os.path.join(result, "summary.json")) as f:
            s = json.load(f)
        row = {key.replace("-", "_"): value for key, value in loop.items()}
        row.update(truth_of(t, s))
        row.update(told_of(s, t))
        return row


def cell(value):
    if value is None:
        return "NA"
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    return "%.6g" % value if isinstance(value, float) else str(value)


def write_rows(path, rows):
    columns = []
    for row in rows:
        columns += [key for key in row if key not in columns]
    os.makedirs(os.path.dirname(path) or ".", exist_ok=True)
    with open(path + ".new", "w", newline="") as f:
        writer = csv.writer(f, lineterminator="\n")
        writer.writerow(columns)
        for row in rows:
            writer.writerow([cell(row.get(c)) for c in columns])
    os.replace(path + ".new", path)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--program", default="build/afterflash")
    parser.add_argument("--generator", help="program that makes the loops, where it is not the one that measures them")
    parser.add_argument("--work", default="build/study")
    parser.add_argument("--out", default="build/study/study.csv")
    parser.add_argument("--loops", type=int, default=300)
    parser.add_argument("--from", type=int, default=0, dest="first", help="loops to leave out at the beginning")
    parser.add_argument("--short", action="store_true", help="small loops of a minute")
    parser.add_argument("--keep", action="store_true", help="keep the loops; those of the same design are not made again, even where the generator changed")
    parser.add_argument("--jobs", type=int, default=os.cpu_count())
    given = parser.parse_args()
    study, started = Study(given), time.time()
    loops = design.design(given.loops, given.short)[given.first:]
    with concurrent.futures.ThreadPoolExecutor(given.jobs) as pool:
        rows = []
        for row in pool.map(study.measure, loops):
            rows.append(row)
            print("%s %d of %d, %.0f s" % (row["name"], len(rows), len(loops), time.time() - started), flush=True)
    write_rows(given.out, rows)
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    print("%d loops in %.0f s, %.0f s of processor time" % (len(rows), time.time() - started, used.ru_utime + used.ru_stime))


if __name__ == "__main__":
    main()
