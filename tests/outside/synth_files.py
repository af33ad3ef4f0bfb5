#!/usr/bin/python3
"""Looks at files that `afterflash synth` wrote with libraries that this project did not make, and prints numbers.

synth_files.py same DCM MKV        largest difference between pydicom's pixels and FFmpeg's, frames of each
synth_files.py clock DCM TRUTH     largest difference between pydicom's frame times and the truth's, in s
synth_files.py region DCM TRUTH    pydicom's region: units, scale over the truth's, corners less the truth's
synth_files.py stamps VIDEO TRUTH  largest difference between ffprobe's stamps and the truth's, frames of each
synth_files.py shift VIDEO TRUTH   OpenCV's shift of the picture against the truth's: worst and median, px
"""
import json
import subprocess
import sys

import numpy as np


def truth(path):
    with open(path) as f:
        return json.load(f)


def video(path):
    probe = subprocess.run(["ffprobe", "-v", "error", "-select_streams", "v", "-show_entries", "stream=width,height", "-of", "csv=p=0", path],
                           check=True, capture_output=True, text=True).stdout.strip()
    w, h = (int(v) for v in probe.split(",")[:2])
    raw = subprocess.run(["ffmpeg", "-v", "error", "-i", path, "-vsync", "0", "-f", "rawvideo", "-pix_fmt", "gray", "-"], check=True, capture_output=True).stdout
    return np.frombuffer(raw, np.uint8).reshape(-1, h, w)


def dicom(path):
    import pydicom
    return pydicom.dcmread(path)


def same(one, other):
    a, b = dicom(one).pixel_array, video(other)
    n = min(len(a), len(b))
    return [np.abs(a[:n].astype(int) - b[:n]).max(), len(a), len(b)]


def clock(path, true):
    d = dicom(path)
    n = int(d.NumberOfFrames)
    if d.FrameIncrementPointer == (0x0018, 0x1065):
        times = np.cumsum([float(v) for v in d.FrameTimeVector]) / 1000
    else:
        times = np.arange(n) * float(d.FrameTime) / 1000
    want = np.array(truth(true)["time_s"])
    return [np.abs(times - want).max() if len(times) == len(want) else 1e9, n]


def region(path, true):
    d, t = dicom(path), truth(true)
    r = d.SequenceOfUltrasoundRegions[0]
    box = [r.RegionLocationMinX0, r.RegionLocationMinY0, r.RegionLocationMaxX1, r.RegionLocationMaxY1]
    return [r.PhysicalUnitsXDirection, r.PhysicalUnitsYDirection, r.PhysicalDeltaX * 10 / t["scale_mm_per_px"],
            r.PhysicalDeltaY * 10 / t["scale_mm_per_px"]] + [a - b for a, b in zip(box, t["picture_box_px"])]


def stamps(path, true):
    out = subprocess.run(["ffprobe", "-v", "error", "-select_streams", "v", "-show_entries", "frame=pts_time", "-of", "csv=p=0", path],
                         check=True, capture_output=True, text=True).stdout
    times = np.array([float(v.split(",")[0]) for v in out.split()])
    want = np.array(truth(true)["time_s"])
    return [np.abs(times - times[0] - want).max() if len(times) == len(want) else 1e9, len(times)]


def vertex(below, at, above):
    """Where the parabola through three values has its top, from the middle one."""
    return (below - above) / (2 * (below - 2 * at + above))


def shift(path, true):
    import cv2
    frames, want = video(path), np.array(truth(true)["fundus_path_px"])
    y, x, reach = frames.shape[1] // 2, frames.shape[2] // 2, 10
    errors = []
    for k in range(1, len(frames)):
        key = frames[k - 1][y - 50:y + 50, x - 80:x + 80]
        around = frames[k][y - 50 - reach:y + 50 + reach, x - 80 - reach:x + 80 + reach]
        likeness = cv2.matchTemplate(around, key, cv2.TM_CCOEFF_NORMED)
        j, i = np.unravel_index(likeness.argmax(), likeness.shape)
        found = (i - reach + vertex(*likeness[j, i - 1:i + 2]), j - reach + vertex(*likeness[j - 1:j + 2, i]))
        errors.append(np.hypot(*(np.array(found) - (want[k] - want[k - 1]))))
    return [max(errors), np.median(errors), np.abs(np.diff(want, axis=0)).max()]


if __name__ == "__main__":
    work = {"same": same, "clock": clock, "region": region, "stamps": stamps, "shift": shift}[sys.argv[1]]
    print(" ".join("%.9g" % v for v in work(*sys.argv[2:])))
