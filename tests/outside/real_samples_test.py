#!/usr/bin/python3
"""Every real recording among the samples runs through `afterflash measure` to an honest verdict.

None of them shows a uterus or a cluster of bubbles, and none lasts 60 s. So: no contractions
measured, no quiet uterus claimed, no deposit measured, no cavity found, and
every section that holds no number says why. Files that hold no recording that we read are
refused with one sentence and exit code 3, and leave nothing behind.
"""
import glob
import json
import os
import subprocess
import sys
import tempfile

PROGRAM = os.environ.get("AFTERFLASH") or os.path.join(os.environ.get("BUILD", "build"), "afterflash")
SAMPLES = os.environ.get("AFTERFLASH_SAMPLES", "../shared/samples")
# volumes of a tracking toolkit: not a recording that docs/formats.md lists; a palette that the DICOM library cannot read
REFUSED = (".igs.mha", ".mat", ".csv", ".md", ".txt")
MAY_BE_REFUSED = ("gdcm-US-ALOKA-16",)


def recordings():
    found = []
    for pattern in ("video/*", "dicom/*", "motion/*", "motion/*/*"):
        found += [p for p in sorted(glob.glob(os.path.join(SAMPLES, pattern))) if os.path.isfile(p)]
    return found


def run(path, out):
    return subprocess.run([PROGRAM, "measure", "--out", out, path], capture_output=True, text=True, timeout=300)


def withheld(section, name):
    """A section without a number has to say why."""
    return [] if section.get("reasons") else ["%s gives no number and no reason" % name]


def faults_of_summary(s):
    faults = []
    cavity, waves, deposit, drift = s["cavity"], s["contractions"], s["deposit"], s["drift"]
    if cavity["verdict"] != "not-found":
        faults.append("a cavity is found with trust %s" % cavity["trust"])
    if cavity["verdict"] == "not-found":
        faults += withheld(cavity, "cavity")
        faults += ["cavity.%s is given all the same" % k for k in ("fundus_px", "os_px", "length_mm", "thickness_mm") if cavity[k] is not None]
    if waves["verdict"] != "not-assessable":
        faults.append("contractions are %s" % waves["verdict"])
    faults += withheld(waves, "contractions")
    faults += ["contractions.%s is given all the same" % k for k in ("frequency_per_min", "count", "amplitude_mm", "velocity_mm_per_s") if waves[k] is not None]
    if deposit["verdict"] == "measured":
        faults.append("a deposit is measured")
    faults += withheld(deposit, "deposit") + withheld(drift, "drift")
    if drift["verdict"] == "measured":
        faults.append("a drift is measured")
    for loop in s["loops"]:
        if loop["frames"] < 1:
            faults.append("a loop without frames")
    return faults


def faults_of_refusal(result, out):
    faults = []
    if result.returncode != 3:
        faults.append("exit code %d: %s" % (result.returncode, result.stderr.strip()[-200:]))
    if len([l for l in result.stderr.splitlines() if l.strip()]) != 1:
        faults.append("the refusal is not one sentence: %r" % result.stderr[-300:])
    if os.path.exists(os.path.join(out, "summary.json")):
        faults.append("a refused file left a summary")
    return faults


def main():
    files = recordings()
    if not files:
        print("[  SKIPPED ] real_recordings_reach_an_honest_verdict (no samples in %s)" % SAMPLES)
        return 0
    failed = 0
    with tempfile.TemporaryDirectory() as folder:
        for i, path in enumerate(files):
            out = os.path.join(folder, str(i))
            name = os.path.basename(path)
            try:
                result = run(path, out)
            except subprocess.TimeoutExpired:
                faults = ["took more than 300 s"]
            else:
                if path.endswith(REFUSED):
                    faults = faults_of_refusal(result, out)
                elif result.returncode != 0 and any(w in name for w in MAY_BE_REFUSED):
                    faults = faults_of_refusal(result, out)
                elif result.returncode != 0:
                    faults = ["exit code %d: %s" % (result.returncode, result.stderr.strip()[-300:])]
                else:
                    with open(os.path.join(out, "summary.json")) as f:
                        faults = faults_of_summary(json.load(f))
            for fault in faults:
                print("%s: %s" % (name, fault))
            print("[%s] %s_reaches_an_honest_verdict" % ("  FAILED  " if faults else "       OK ", name), flush=True)
            failed += bool(faults)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
