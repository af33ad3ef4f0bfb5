#!/usr/bin/python3
"""What a straightforward OpenCV and SciPy script finds when it is given the marks.

usage: reference.py LOOPS [name ...]

It is told the centre line and the thickness (from the truth file), tracks
windows on both sides of the stripe by normalised cross-correlation against
the first frame,
takes the difference of the normal displacements as the change of the
wall-to-wall distance, and reads frequency (peak, and phase gone by) and
direction from it.
It checks that the loops hold what their truth says, and sets the mark that
the program has to match without being told.
"""
import glob
import json
import os
import sys

import cv2
import numpy as np
from scipy import signal

cv2.setNumThreads(1)
HALF = 22  # window half size, px
REACH = 8  # search round the common motion, px


def frames_of(path):
    if path.endswith(".dcm"):
        import pydicom
        from pydicom.encaps import generate_pixel_data_frame
        ds = pydicom.dcmread(path)
        for data in generate_pixel_data_frame(ds.PixelData, int(ds.NumberOfFrames)):
            yield cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)
        return
    video = cv2.VideoCapture(path)
    while True:
        ok, frame = video.read()
        if not ok:
            return
        yield cv2.cvtColor(frame, cv2.COLOR_BGR2GRAY)


def match(key, frame, x, y, guess):
    """Where the window of `key` round (x, y) stands in `frame`, near `guess`: normalised cross-correlation, a parabola at its top."""
    patch = cv2.getRectSubPix(key, (2 * HALF + 1, 2 * HALF + 1), (float(x), float(y)))
    centre = (float(round(x + guess[0])), float(round(y + guess[1])))
    area = cv2.getRectSubPix(frame, (2 * (HALF + REACH) + 1, 2 * (HALF + REACH) + 1), centre)
    score = cv2.matchTemplate(area, patch, cv2.TM_CCOEFF_NORMED)
    _, best, _, (px, py) = cv2.minMaxLoc(score)
    px, py = min(max(px, 1), 2 * REACH - 1), min(max(py, 1), 2 * REACH - 1)

    def top(a, b, c):
        bend = a - 2 * b + c
        return 0.0 if abs(bend) < 1e-9 else float(np.clip(0.5 * (a - c) / bend, -0.5, 0.5))
    sx = px - REACH + top(score[py, px - 1], score[py, px], score[py, px + 1])
    sy = py - REACH + top(score[py - 1, px], score[py, px], score[py + 1, px])
    return np.array([centre[0] + sx - x, centre[1] + sy - y]), best


def track(path, truth):
    """Displacement (x, y) of each window against frame 0: frames x windows x 2."""
    line = np.array(truth["cavity"]["centre_line_px"])
    pick = np.linspace(4, len(line) - 6, 9).astype(int)
    tangent = np.gradient(line, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1)[:, None]
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    reach = truth["cavity"]["thickness_mm"] / 2 / truth["scale_mm_per_px"] + 8
    points = np.concatenate([line[pick] + normal[pick] * reach, line[pick] - normal[pick] * reach])
    normals = np.concatenate([normal[pick], normal[pick]])
    moved = np.zeros((truth["frames"], len(points), 2))
    key, common = None, np.zeros(2)
    for i, frame in enumerate(frames_of(path)):
        frame = cv2.GaussianBlur(frame.astype(np.float32), (0, 0), 0.8)
        if key is None:
            key = frame
            continue
        for k, (x, y) in enumerate(points):
            moved[i, k], _ = match(key, frame, x, y, common)
        common = np.median(moved[i], axis=0)
    return moved, normals, line[pick]


def judge(moved, normals, truth):
    n = len(normals) // 2
    along = np.einsum("tkc,kc->tk", moved, normals)
    gap = along[:, :n] - along[:, n:]
    gap = signal.detrend(gap, axis=0)
    raw = gap
    b, a = signal.butter(2, [0.6 / 60, 7 / 60], btype="band", fs=truth["frame_rate_hz"])
    gap = signal.filtfilt(b, a, gap, axis=0)
    f, p = signal.periodogram(gap, fs=truth["frame_rate_hz"], window="hann", nfft=1 << 16, axis=0)
    total = p.sum(axis=1)
    band = (f > 0.9 / 60) & (f < 6.5 / 60)
    at = f[band][np.argmax(total[band])]
    analytic = signal.hilbert(gap, axis=0)
    lag = np.angle((analytic[:, 1:] * np.conj(analytic[:, :-1])).sum(axis=0))  # between neighbours, from the fundus down
    # irregular waves: the phase that really went by. In a Gaussian window of a quarter period a line, a cosine and
    # a sine are fitted by least squares (unbiased up to the ends, where band-pass filters are not); all places
    # together make one mode, and its phase is counted from end to end.
    time = np.arange(len(gap)) / truth["frame_rate_hz"]
    middles = np.arange(0, time[-1], 0.5)
    local = np.empty((len(middles), n), complex)
    for i, middle in enumerate(middles):
        weight = np.exp(-0.5 * ((time - middle) * at / 0.25) ** 2)
        basis = np.column_stack([np.ones_like(time), time - middle, np.cos(2 * np.pi * at * time), np.sin(2 * np.pi * at * time)])
        fit = np.linalg.solve(basis.T @ (basis * weight[:, None]), (basis * weight[:, None]).T @ raw)
        local[i] = fit[2] - 1j * fit[3]
    _, _, modes = np.linalg.svd(local, full_matrices=False)
    phase = np.unwrap(np.angle(local @ modes[0].conj()))
    counted = (at + (phase[-1] - phase[0]) / (middles[-1] - middles[0]) / (2 * np.pi)) * 60
    sharp = total[band].max() / np.median(total[band])
    return at * 60, counted, lag, gap.std(axis=0) * truth["scale_mm_per_px"] * np.sqrt(2), sharp


def main():
    folder, names = sys.argv[1], sys.argv[2:]
    for path in sorted(glob.glob(os.path.join(folder, "*.truth.json"))):
        with open(path) as f:
            truth = json.load(f)
        if names and truth["name"] not in names:
            continue
        moved, normals, _ = track(os.path.join(folder, truth["file"]), truth)
        rate, counted, lag, amplitude, sharp = judge(moved, normals, truth)
        c = truth["contractions"]
        print("%-22s peak %.3f counted %.3f truth %s %s  half p-p %.2f truth %.2f  sharp %.0f  lag %s" % (
            truth["name"], rate, counted, c["rate_per_min"], c["direction"], np.median(amplitude), c["wall_to_wall_half_peak_to_peak_mm"], sharp,
            " ".join("%+.2f" % v for v in lag)), flush=True)


if __name__ == "__main__":
    main()
