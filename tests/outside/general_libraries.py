#!/usr/bin/python3
"""What general libraries (NumPy, SciPy, OpenCV, scikit-image) say, for the C tests of this folder.

usage: general_libraries.py TASK ARGUMENT...
Each task prints numbers only; pictures go to files of raw 32-bit floats, row by row.
"""
import csv
import sys

import numpy as np


def read_grey(path):
    import cv2
    picture = cv2.imread(path, cv2.IMREAD_GRAYSCALE)
    if picture is None:
        sys.exit("cannot read " + path)
    return picture.astype(np.float32)


def fourier_shift(picture, dx, dy):
    """Content moved by (dx, dy) pixels, exactly for a band-limited periodic picture."""
    from scipy.ndimage import fourier_shift as shift
    return np.real(np.fft.ifft2(shift(np.fft.fft2(picture), (dy, dx)))).astype(np.float32)


def judge(a, b):
    """Shift of b against a by OpenCV's phase correlation and by scikit-image's."""
    import cv2
    from skimage.registration import phase_cross_correlation
    window = cv2.createHanningWindow(a.shape[::-1], cv2.CV_32F)
    (cx, cy), _ = cv2.phaseCorrelate(a - a.mean(), b - b.mean(), window)
    found = phase_cross_correlation((a - a.mean()) * window, (b - b.mean()) * window, upsample_factor=100, normalization=None)
    sy, sx = -np.asarray(found[0])
    return cx, cy, sx, sy


def picture(path, out):
    """Writes a picture as raw floats; prints width and height."""
    p = read_grey(path)
    p.tofile(out)
    print(p.shape[1], p.shape[0])


def shift_between(path_a, path_b):
    """Prints OpenCV's x, y and scikit-image's x, y."""
    print(*judge(read_grey(path_a), read_grey(path_b)))


def shifted(path, out, *pairs):
    """Writes the picture and its copies moved by the given x y pairs; prints, for each, OpenCV's and scikit-image's answers."""
    import cv2
    p = read_grey(path)[:256, :256]
    p = cv2.GaussianBlur(p, (0, 0), 1.0)  # so that the moved copy is free of ringing
    wide = np.pad(p, 64, mode="reflect")
    p.tofile(out + "/0.raw")
    print(p.shape[1], p.shape[0])
    numbers = [float(v) for v in pairs]
    for k in range(0, len(numbers), 2):
        moved = fourier_shift(wide, numbers[k], numbers[k + 1])[64:-64, 64:-64]
        np.ascontiguousarray(moved).tofile(out + "/%d.raw" % (k // 2 + 1))
        print(*judge(p, moved))


def speckle(out, *triples):
    """Writes a made speckle picture and copies moved by x y and mixed with other speckle to a correlation rho.

    Speckle: magnitude of a complex Gaussian field smoothed to about 3 pixels, log-compressed."""
    rng = np.random.default_rng(7)
    size, pad = 256, 32

    def field():
        from scipy.ndimage import gaussian_filter
        n = size + 2 * pad
        return gaussian_filter(rng.standard_normal((n, n)), 1.5) + 1j * gaussian_filter(rng.standard_normal((n, n)), 1.5)

    def grey(f):
        v = 20 * np.log10(np.abs(f) / np.abs(f).mean() + 1e-2)
        return (110 + 4 * v).astype(np.float32)[pad:-pad, pad:-pad]

    base, other = field(), field()
    other *= np.std(base) / np.std(other)
    np.ascontiguousarray(grey(base)).tofile(out + "/0.raw")
    print(size, size)
    numbers = [float(v) for v in triples]
    for k in range(0, len(numbers), 3):
        dx, dy, rho = numbers[k:k + 3]
        mixed = rho * base + np.sqrt(1 - rho ** 2) * other
        spectrum = np.fft.fft2(mixed)
        fy, fx = np.fft.fftfreq(mixed.shape[0])[:, None], np.fft.fftfreq(mixed.shape[1])[None, :]
        moved = np.fft.ifft2(spectrum * np.exp(-2j * np.pi * (fx * dx + fy * dy)))
        np.ascontiguousarray(grey(moved)).tofile(out + "/%d.raw" % (k // 3 + 1))
        print(*judge(grey(base), grey(moved)))


def column(path, name):
    """Prints a column of a CSV file."""
    with open(path) as f:
        for row in csv.DictReader(f):
            print(float(row[name]))


def peak_hz(path, time, value, low, high):
    """Prints the frequency of the largest Lomb-Scargle ordinate of a column, by SciPy."""
    from scipy.signal import detrend, lombscargle
    with open(path) as f:
        rows = [(float(r[time]), float(r[value])) for r in csv.DictReader(f)]
    t, y = np.array(rows).T
    f = np.linspace(float(low), float(high), 4001)
    print(f[np.argmax(lombscargle(t, detrend(y), 2 * np.pi * f))])


def turn(path):
    """Prints the mean turn between successive frames, degrees from x toward y: OpenCV's enhanced-correlation alignment, Euclidean."""
    import cv2
    video = cv2.VideoCapture(path)
    frames = []
    while True:
        ok, frame = video.read()
        if not ok:
            break
        frames.append(cv2.cvtColor(frame, cv2.COLOR_BGR2GRAY).astype(np.float32))
    size = frames[0].shape
    y, x = np.mgrid[0:size[0], 0:size[1]]
    mask = (np.hypot(x - 125, y - 125) < 85).astype(np.uint8)
    turns = []
    for a, b in zip(frames, frames[1:]):
        start = np.eye(2, 3, dtype=np.float32)
        _, found = cv2.findTransformECC(a, b, start, cv2.MOTION_EUCLIDEAN, (3, 200, 1e-7), mask, 3)
        turns.append(np.degrees(np.arctan2(found[1, 0], found[0, 0])))
    print(np.mean(turns))


def made_trace(n, seed):
    """A trace that any language can make: a sum of sinusoids of awkward frequencies, a slope and a linear congruential noise."""
    x = np.empty(n)
    state = seed
    for i in range(n):
        state = (state * 1103515245 + 12345) % 2 ** 31
        x[i] = state / 2 ** 31 - 0.5 + 0.7 * np.sin(0.37 * i + 0.2) + 0.3 * np.cos(1.1 * i) + 0.01 * i
    return x


def density(n, seed, hz, window):
    """Prints the trace, then SciPy's one-sided periodogram of it."""
    from scipy.signal import periodogram
    x = made_trace(int(n), int(seed))
    _, p = periodogram(x, fs=float(hz), window=window, detrend="constant", scaling="density")
    print(*x)
    print(*p)


def window_density(n, seed, hz, longer):
    """Prints the trace, then SciPy's one-sided density of it: Hann, slope out, led on by zeros to `longer` samples."""
    from scipy.signal import periodogram
    x = made_trace(int(n), int(seed))
    _, p = periodogram(x, fs=float(hz), window="hann", nfft=int(longer), detrend="linear", scaling="density")
    print(*x)
    print(*p)


def tone(n, seed, hz, *frequencies):
    """For each frequency: what NumPy's least squares of offset, slope, cosine and sine gains over offset and slope, and the two amplitudes (time from the middle)."""
    x = made_trace(int(n), int(seed))
    t = (np.arange(len(x)) - (len(x) - 1) / 2) / float(hz)
    plain = np.column_stack([np.ones_like(t), t])

    def left(basis):
        fit = np.linalg.lstsq(basis, x, rcond=None)[0]
        return np.sum((x - basis @ fit) ** 2), fit
    print(*x)
    for f in map(float, frequencies):
        with_tone = np.column_stack([plain, np.cos(2 * np.pi * f * t), np.sin(2 * np.pi * f * t)])
        rest, fit = left(with_tone)
        print(left(plain)[0] - rest, fit[2], fit[3])


def gamma_tail(shape, *ratios):
    """Prints SciPy's chance that a gamma law of mean 1 exceeds each ratio."""
    from scipy.stats import gamma
    print(*[gamma.sf(float(r), float(shape), scale=1 / float(shape)) for r in ratios])


def spectra(how_many, n, slope, shape, seed):
    """Prints that many spectra of n values at k = 1...n: a power law times gamma noise of mean 1."""
    rng = np.random.default_rng(int(seed))
    k = np.arange(1, int(n) + 1)
    for _ in range(int(how_many)):
        print(*(k ** -float(slope) * rng.gamma(float(shape), 1 / float(shape), len(k))))


def waves(out, seed, how_many):
    """Writes that many made traces of wall-to-wall distance (720 or 1440 times x 20 places 2.2 mm apart, 12 a second, fundus
    first, raw floats) and prints, for each, seconds, rate a minute that really happened in the middle, velocity mm/s and direction
    (1 cervix to fundus, 2 fundus to cervix, 3 opposing, 4 mixed, 0 none). Noise: slow drift, breathing, pulse, white."""
    from scipy.ndimage import gaussian_filter1d
    rng = np.random.default_rng(int(seed))
    places = 2.2 * np.arange(20)
    length = places[-1]
    for k in range(int(how_many)):
        seconds = 120 if k % 3 else 180
        t = np.arange(seconds * 12) / 12
        rate, velocity = rng.uniform(1.5, 4.5), None
        velocity = np.clip(rate / 60 * rng.uniform(18, 50), 0.6, 4)
        kind = k % 5
        fine = np.arange(-150, seconds + 10, 0.05)
        irregular = 0.0 if k % 2 else rng.uniform(0.05, 0.15)
        wander = gaussian_filter1d(rng.standard_normal(len(fine)), 8 / 0.05)
        wander *= irregular / wander.std()
        phase = np.cumsum(rate / 60 * (1 + wander)) * 0.05 + rng.uniform()

        def wave(distance):
            return np.cos(2 * np.pi * np.interp(t[:, None] - distance[None, :] / velocity, fine, phase))
        up, down = wave(length - places), wave(places)
        if kind == 1:
            gap = up
        elif kind == 2:
            gap = down
        elif kind == 3:
            side = 1 / (1 + np.exp(-(places - length / 2) / 1.5))
            gap = down * (1 - side) + up * side
        elif kind == 4:
            when = 1 / (1 + np.exp(-(t[:, None] - seconds / 2) / 1.0))
            gap = up * (1 - when) + down * when
        else:
            gap = 0 * up
        amplitude = rng.uniform(0.3, 0.8)
        noise = np.cumsum(rng.standard_normal(gap.shape), axis=0)
        noise -= np.linspace(0, 1, len(t))[:, None] * noise[-1]
        noise *= 0.05 / noise.std()
        noise += 0.03 * rng.standard_normal(gap.shape)
        common = gaussian_filter1d(rng.standard_normal(len(t)), 30)
        noise += 0.03 * (common / common.std())[:, None]
        noise += 0.03 * np.sin(2 * np.pi * rng.uniform(0.2, 0.33) * t)[:, None] + 0.02 * np.sin(2 * np.pi * 1.2 * t)[:, None]
        (amplitude * gap + noise).astype(np.float32).tofile("%s/%d.raw" % (out, k))
        middle = np.interp(t - length / 2 / velocity, fine, phase)
        print(seconds, (middle[-1] - middle[0]) / (t[-1] - t[0]) * 60, velocity, kind, amplitude)


def welch(n, seed, hz, length):
    """Prints the trace, then SciPy's Welch spectrum of it: segments of that length, half overlapping, periodic Hann window."""
    from scipy.signal import welch as scipys
    x = made_trace(int(n), int(seed))
    _, p = scipys(x, fs=float(hz), window="hann", nperseg=int(length), noverlap=int(length) // 2, detrend="constant")
    print(*x)
    print(*p)


def window(n):
    """Prints SciPy's periodic Hann window."""
    from scipy.signal import get_window
    print(*get_window("hann", int(n), fftbins=True))


def tails():
    """For gamma laws of mean 1: shape, how many values, ratio, and the chance that the largest of the values reaches it."""
    from scipy.stats import gamma
    for shape in (0.5, 0.8, 1, 1.7, 3, 6, 15, 40, 200):
        for looks in (1, 7, 40, 300):
            for ratio in (0.3, 1, 1.5, 2, 3, 5, 8, 14):
                one = min(gamma.sf(ratio, shape, scale=1 / shape), 1 - 1e-15)
                print(shape, looks, ratio, -np.expm1(looks * np.log1p(-one)))


def background(how_many, n, slope, shape, independent, seed):
    """Made spectra: for each its values at frequencies 1, 2, 3, ..., then slope (Siegel's repeated medians), level and shape.

    Shape: SciPy's maximum likelihood, less the share 3 / n that it is too large in small samples. No value counts as
    more than eight times the level that the median tells. Where the slope is held to 0..2 the spectrum is passed over."""
    from scipy.stats import gamma, siegelslopes
    rng = np.random.default_rng(int(seed))
    k = np.arange(1, int(n) + 1)
    n_left = int(how_many)
    while n_left > 0:
        values = k ** -float(slope) * rng.gamma(float(shape), 1 / float(shape), len(k))
        fell = -siegelslopes(np.log(values), np.log(k))[0]
        if not 0.01 < fell < 1.99:
            continue
        flat = values * k ** fell
        flat = np.minimum(flat, 8 * np.median(flat) / np.log(2))
        fitted = gamma.fit(flat, floc=0)[0] * (1 - 3 / (len(k) * float(independent)))
        print(*values, fell, flat.mean(), fitted)
        n_left -= 1


def uncertain_tails(*numbers):
    """For each shape, n, middle, reach, frequency, ratio and looks: the chance of `tails` averaged over normal laws of the
    logarithms of level and shape, by Gauss-Hermite quadrature with NumPy's nodes. Variances: of the level 1 / (shape n) +
    trigamma(shape) / (0.64 n) at one reach; of the shape that of a gamma law's by maximum likelihood."""
    from scipy.special import polygamma
    from scipy.stats import gamma
    node, weight = np.polynomial.hermite_e.hermegauss(7)
    weight = weight / weight.sum()
    for shape, n, middle, reach, frequency, ratio, looks in np.array(numbers, float).reshape(-1, 7):
        trigamma = polygamma(1, shape)
        away = (np.log(frequency) - middle) / reach
        of_level = np.sqrt((1 / shape + trigamma / 0.64 * away ** 2) / n)
        of_shape = 1 / np.sqrt(n * shape * max(shape * trigamma - 1, 0.2 / shape))
        shapes = shape * np.exp(of_shape * node)
        one = sum(w * np.dot(weight, gamma.sf(ratio * np.exp(of_level * node), s, scale=1 / s)) for s, w in zip(shapes, weight))
        print(-np.expm1(looks * np.log1p(-one)))


def rayleigh(path):
    """Kolmogorov-Smirnov distance of values to the Rayleigh law of mean square 1, and its chance."""
    from scipy.stats import kstest
    print(*kstest(np.loadtxt(path), "rayleigh", args=(0, np.sqrt(0.5)))[:2])


def warped(*arguments):
    """Real frames warped by known fields and OpenCV's flows: see optical_flow.py."""
    import optical_flow
    optical_flow.warped(*arguments)


TASKS = dict(window_density=window_density, rayleigh=rayleigh, warped=warped, welch=welch, window=window, tails=tails, background=background, uncertain_tails=uncertain_tails, waves=waves, density=density, tone=tone, gamma=gamma_tail, spectra=spectra, turn=turn, picture=picture, shift=shift_between, shifted=shifted, speckle=speckle, column=column, peak=peak_hz)

if __name__ == "__main__":
    TASKS[sys.argv[1]](*sys.argv[2:])
