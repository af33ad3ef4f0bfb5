#!/usr/bin/python3
"""Draws the loops of the validation study.

The loops are points of a scrambled Sobol sequence (Owen's scrambling as SciPy has it), so that any first
part of the study covers all factors evenly, each factor by a rule of its own below. What cannot be (a drift
that leads out of the cavity) is drawn within what can.

usage: design.py [--loops N] [--short]     prints the design as CSV
"""
import argparse
import csv
import math
import sys

from scipy.stats import qmc

SEED = 20261130
SHORT_SEED = 20261127  # of the short form, whose few loops stay when the study draws others
# Frame sizes and how often they come, least first; large ones cost most.
SIZES = ((480, 360, 0.36), (640, 480, 0.30), (800, 600, 0.20), (1024, 768, 0.09), (1280, 960, 0.05))
DIRECTIONS = (("cervix-to-fundus", 0.35), ("fundus-to-cervix", 0.31), ("opposing", 0.18), ("mixed", 0.16))
CODECS = (("h264", "mp4", 0.40), ("mpeg4", "avi", 0.30), ("mjpeg", "avi", 0.30))
MOST_FRAMES = 1800.0
DROPPED = 0.2  # share of the loops whose frames come irregularly and sometimes not at all

# One column of the sequence for each draw.
COLUMNS = (
    "length_s", "frame_rate", "size", "depth", "codec", "quality", "orientation", "mirrored", "stripe", "thickness", "length",
    "tilt", "bend", "contrast", "stripe_depth", "quiet", "rate", "amplitude", "direction", "wavelength", "interval_kind", "interval",
    "amplitude_jitter", "pause_kind", "pause", "sharpness", "breathing", "breathing_rate", "walk", "turn_kind", "turn", "pulse",
    "pulse_rate", "decorrelation", "elevation", "noise", "gain_kind", "gain", "freeze_kind", "freeze", "dropped_kind", "dropped",
    "bubbles_kind", "bubbles", "brightness", "blooming", "pieces_kind", "split", "deposit_time", "deposit", "drift", "drift_mode",
    "drift_time", "fade_kind", "fade", "catheter", "attenuation", "shadow", "rocking_kind", "rocking", "scatterers")


def between(u, low, high):
    return low + (high - low) * u


def by_ratio(u, low, high):
    return low * (high / low) ** u


def one_of(u, table):
    for row in table:
        u -= row[-1]
        if u < 0.0:
            return row
    return table[-1]


def anatomy(u, depth_mm):
    anteverted = u["orientation"] < 0.7
    return {
        "orientation": "anteverted" if anteverted else "retroverted",
        "mirrored": "yes" if u["mirrored"] < 0.3 else "no",
        "stripe": "bright" if u["stripe"] < 0.6 else "triple-line",
        "thickness-mm": round(between(u["thickness"], 5.5, 14.0), 1),
        "length-mm": round(between(u["length"], 31.0, 45.0), 1),
        "tilt-deg": round(between(u["tilt"], 0.0, 28.0), 1),
        "bend-deg": round(between(u["bend"], -10.0, 38.0) * (1 if anteverted else -1), 1),
        "stripe-contrast-db": round(between(u["contrast"], 3.0, 8.0), 2),
        "stripe-depth-mm": round(between(u["stripe_depth"], 26.0, min(40.0, 0.56 * depth_mm)), 1),
        "attenuation-db": round(between(u["attenuation"], 2.0, 9.0), 2),
        "shadow-db": round(between(u["shadow"], 4.0, 16.0), 2),
    }


def recording(u):
    duration = by_ratio((u["length_s"] / 0.38), 30.0, 120.0) if u["length_s"] < 0.38 else \
        by_ratio(((u["length_s"] - 0.38) / 0.62) ** 3.0, 120.0, 300.0)
    depth = by_ratio(u["depth"], 60.0, 140.0)
    width, height, _ = one_of(u["size"], SIZES)
    codec, suffix, _ = one_of(u["codec"], CODECS)
    if u["dropped_kind"] < DROPPED:  # AVI has no frame times: what is lost there shortens the clock, and nobody can tell
        codec, suffix = ("mjpeg", "mkv") if codec == "mjpeg" else ("h264", "mp4")
    quality = {"h264": between(u["quality"], 17, 32), "mpeg4": between(u["quality"], 2, 12), "mjpeg": between(u["quality"], 1, 40)}[codec]
    return {
        "duration-s": round(duration, 1),
        "frames-per-s": round(by_ratio(u["frame_rate"] ** 3.0, 4.0, min(60.0, MOST_FRAMES / duration)), 2),
        "width-px": width, "height-px": height,
        "depth-mm": round(depth, 1),
        # fewer where the field is deep: a beam is wider there, and a loop takes its time by them
        "scatterers-per-mm2": round(between(u["scatterers"], 7.0, 14.0) * min(1.0, 90.0 / depth), 1),
        "codec": codec, "suffix": suffix, "quality": round(quality),
        "decorrelation-s": round(by_ratio(u["decorrelation"], 8.0, 80.0), 1),
        "elevation-walk": round(between(u["elevation"], 0.1, 0.9), 2),
        "noise-db": round(between(u["noise"], -42.0, -28.0), 1),
        "breathing-mm": round(between(u["breathing"], 0.0, 1.5), 2),
        "breathing-per-min": round(between(u["breathing_rate"], 12.0, 20.0), 2),
        "probe-walk-mm": round(between(u["walk"], 0.0, 2.0), 2),
        "probe-walk-deg": round(between(u["walk"], 0.0, 1.2), 2),
        "pulse-mm": round(between(u["pulse"], 0.0, 0.15), 3),
        "pulse-per-min": round(between(u["pulse_rate"], 55.0, 100.0), 1),
        "turn-deg-per-min": round(between(u["turn"], -3.0, 3.0), 2) if u["turn_kind"] < 0.25 else 0,
        "gain-step-db": round(between(u["gain"], -5.0, 5.0), 2) if u["gain_kind"] < 0.12 else 0,
        "freeze-at-s": round(duration * between(u["freeze"], 0.4, 0.9), 1) if u["freeze_kind"] < 0.12 else -1,
        "freeze-s": round(between(u["freeze"], 0.7, 6.0), 1),
        "dropped-share": round(between(u["dropped"], 0.01, 0.12), 3) if u["dropped_kind"] < DROPPED else 0,
        "rate-jitter": round(between(u["dropped"], 0.0, 0.3), 3) if u["dropped_kind"] < DROPPED else 0,
        "rocking-mm": round(between(u["rocking"], 0.3, 1.2), 2) if u["rocking_kind"] < 0.15 else 0,
        "rocking-per-min": round(between(u["rocking_kind"] / 0.15, 1.5, 4.5), 2) if u["rocking_kind"] < 0.15 else 3,
    }


def waves(u):
    rate = between(u["rate"], 0.8, 6.0)
    amplitude = by_ratio(u["amplitude"] / 0.22, 0.15, 0.3) if u["amplitude"] < 0.22 else \
        by_ratio((u["amplitude"] - 0.22) / 0.78, 0.3, 1.5)
    wavelength = by_ratio(u["wavelength"], 20.0, 75.0)  # round 30 to 38 mm in print: Lesny 1998, Rees 2022
    jitter = between(u["interval"], 0.0, 0.05) if u["interval_kind"] < 0.5 else \
        between(u["interval"], 0.05, 0.2) if u["interval_kind"] < 0.82 else between(u["interval"], 0.2, 0.35)
    return {
        "rate-per-min": 0 if u["quiet"] < 0.22 else round(rate, 3),
        "amplitude-mm": round(amplitude, 3),
        "direction": one_of(u["direction"], DIRECTIONS)[0],
        "velocity-mm-per-s": round(min(max(wavelength * rate / 60.0, 0.35), 5.0), 3),
        "interval-jitter": round(jitter, 3),
        "amplitude-jitter": round(between(u["amplitude_jitter"], 0.0, 0.35), 3),
        "pause-share": round(between(u["pause"], 0.15, 0.5), 2) if u["pause_kind"] < 0.1 else 0,
        "sharpness": round(between(u["sharpness"], 1.0, 2.2), 2),
    }


def bubbles(u, loop):
    length, duration = loop["length-mm"], loop["duration-s"]
    deposit = between(u["deposit"], 5.0, min(30.0, length - 4.0))
    low, high = max(-25.0, deposit - (length - 3.0)), min(15.0, deposit - 3.0)
    # two of three drift less than 5 mm; the others anywhere
    drift = between(u["drift"] / 0.66, max(low, -5.0), min(high, 5.0)) if u["drift"] < 0.66 else \
        between((u["drift"] - 0.66) / 0.34, low, high)
    at = between(u["deposit_time"], 12.0, max(0.3 * duration, 12.5))
    left = duration - at
    sudden = u["drift_mode"] < 0.35
    fade = at + between(u["fade"], 0.25, 0.5) * left if u["fade_kind"] < 0.2 else -1
    return {
        "bubbles": 0 if u["bubbles_kind"] < 0.1 else 3 + int(u["bubbles"] * 14),
        "bubble-db": round(between(u["brightness"], 13.0, 25.0), 2),
        "blooming": round(between(u["blooming"], 0.0, 2.5), 2),
        "pieces": 1 if u["pieces_kind"] < 0.82 else 2 if u["pieces_kind"] < 0.94 else 3,
        "split-mm": round(between(u["split"], 2.0, 8.0), 2),
        "deposit-s": round(at, 2), "deposit-mm": round(deposit, 2), "drift-mm": round(drift, 2),
        "drift-mode": "sudden" if sudden else "slow",
        "drift-s": round(min(between(u["drift_time"], 8.0, 60.0), 0.7 * left), 1),
        "drift-delay-s": round(min(between(u["drift_time"], 2.0, 12.0), 0.2 * left), 1),
        "fade-from-s": round(fade, 1),
        "fade-to-s": round(fade + 0.2 * left, 1) if u["fade_kind"] < 0.14 else -1,
        "catheter": "yes" if u["catheter"] < 0.85 else "no",
        "catheter-stays-s": round(between(u["catheter"] / 0.85, 2.0, 12.0), 1) if u["catheter"] < 0.85 else 5,
    }


def shorten(loop):
    """The same loop, small and about a minute long, for the short form of the study."""
    loop.update({"duration-s": 64.0 + loop["duration-s"] % 10.0, "frames-per-s": min(loop["frames-per-s"], 6.0), "width-px": 480,
                 "height-px": 360, "depth-mm": min(loop["depth-mm"], 80.0), "deposit-s": 14.0 + loop["deposit-s"] % 4.0,
                 "drift-s": min(loop["drift-s"], 20.0), "fade-from-s": -1, "fade-to-s": -1, "freeze-at-s": -1})
    return loop


def design(n, is_short=False):
    """The first n loops of the study: a list of dicts of options of `afterflash synth`, with `name` and `suffix`."""
    points = qmc.Sobol(d=len(COLUMNS), scramble=True, seed=SHORT_SEED if is_short else SEED).random_base2(max(math.ceil(math.log2(n)), 9))
    loops = []
    for i in range(n):
        u = dict(zip(COLUMNS, points[i]))
        loop = {"name": "%s%03d" % ("k" if is_short else "v", i + 1)}
        loop.update(recording(u))
        loop.update(anatomy(u, loop["depth-mm"]))
        loop.update(waves(u))
        loop.update(bubbles(u, loop))
        loop["seed"] = 7000 + i
        loops.append(shorten(loop) if is_short else loop)
    return loops


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--loops", type=int, default=300)
    parser.add_argument("--short", action="store_true")
    given = parser.parse_args()
    loops = design(given.loops, given.short)
    writer = csv.DictWriter(sys.stdout, loops[0].keys(), lineterminator="\n")
    writer.writeheader()
    writer.writerows(loops)


if __name__ == "__main__":
    main()
