"""Real ultrasound frames warped by known fields, and where OpenCV's optical flow finds them: for general_libraries.py.

A frame of a sample is cut out, warped by quintic splines (SciPy), and each picture is given its own noise and rounded to
whole grey levels, as a recording is. OpenCV's dense flows (Farneback; DIS at its medium preset) and its sparse flow
(pyramidal Lucas-Kanade) look at the same two pictures. Lucas-Kanade's window is OpenCV's own default of 21 pixels,
which weighs as many pixels as the project's patches do at 0.2 mm (441 and 405).
"""
import zlib

import numpy as np

SIDE = 224  # pixels of a cut-out
MARGIN = 40  # its edge holds no points
STEP = 12  # between points
NOISE = 1.5  # grey levels, standard deviation


def video_frame(path, index):
    import cv2
    video = cv2.VideoCapture(path)
    for _ in range(index + 1):
        ok, frame = video.read()
        if not ok:
            raise SystemExit("no frame %d in %s" % (index, path))
    return cv2.cvtColor(frame, cv2.COLOR_BGR2GRAY)


def dicom_frame(path, index):
    import pydicom
    from pydicom.pixel_data_handlers.util import convert_color_space
    data = pydicom.dcmread(path)
    pixels = data.pixel_array
    if int(data.get("NumberOfFrames", 1) or 1) > 1:
        pixels = pixels[index]
    if pixels.ndim == 3:
        if "YBR" in data.PhotometricInterpretation:
            return pixels[..., 0]
        pixels = pixels @ [0.299, 0.587, 0.114]
    return pixels


def mha_frame(path, index):
    """MetaImage: a text header, then the pixels, zlib or plain."""
    with open(path, "rb") as f:
        data = f.read()
    at = data.index(b"ElementDataFile")
    at = data.index(b"\n", at) + 1
    header = dict(line.split(" = ", 1) for line in data[:at].decode("ascii", "replace").splitlines() if " = " in line)
    size = [int(v) for v in header["DimSize"].split()]
    body = zlib.decompress(data[at:]) if header.get("CompressedData") == "True" else data[at:]
    return np.frombuffer(body, np.uint8, size[0] * size[1] * size[2]).reshape(size[2], size[1], size[0])[index]


def cut(path, index, left, top):
    read = mha_frame if path.endswith(".mha") else dicom_frame if path.endswith(".dcm") else video_frame
    picture = np.asarray(read(path, index), float)
    return picture[top:top + SIDE, left:left + SIDE]


def field(kind, size):
    """Where what is at (x, y) goes, as functions of places: displacements in pixels."""
    middle = (SIDE - 1) / 2

    def shift(x, y):
        return size * np.cos(0.7) + 0 * x, size * np.sin(0.7) + 0 * y

    def turn(x, y):
        a = size / 60  # so that 60 pixels from the middle move by `size`
        u, v = x - middle, y - middle
        return np.cos(a) * u - np.sin(a) * v - u, np.sin(a) * u + np.cos(a) * v - v

    def wave(x, y):
        """Walls 10 mm apart (0.2 mm a pixel) that come together in a wave 35 mm long; the tissue follows smoothly."""
        n = (y - middle) / 25
        return 0 * x, size * np.cos(2 * np.pi * (x - 20) / 175) * n * np.exp(0.5 - 0.5 * n * n)
    return dict(shift=shift, turn=turn, wave=wave)[kind]


def warp(picture, move):
    """The picture whose content is moved: each pixel comes from the place whose displacement leads to it."""
    from scipy.ndimage import map_coordinates
    y, x = np.mgrid[0:picture.shape[0], 0:picture.shape[1]].astype(float)
    from_x, from_y = x.copy(), y.copy()
    for _ in range(12):
        u, v = move(from_x, from_y)
        from_x, from_y = x - u, y - v
    return map_coordinates(picture, [from_y, from_x], order=5, mode="reflect")


def by_opencv(a, b, points):
    """Displacements of the points: one row each for Farneback, DIS and Lucas-Kanade."""
    import cv2
    column, row = points[:, 0].astype(int), points[:, 1].astype(int)
    dense = [cv2.calcOpticalFlowFarneback(a, b, None, 0.5, 4, 27, 10, 7, 1.5, cv2.OPTFLOW_FARNEBACK_GAUSSIAN)[row, column]]
    dense.append(cv2.DISOpticalFlow_create(cv2.DISOPTICAL_FLOW_PRESET_MEDIUM).calc(a, b, None)[row, column])
    found, status, _ = cv2.calcOpticalFlowPyrLK(a, b, points.astype(np.float32)[:, None], None, winSize=(21, 21), maxLevel=3,
                                                criteria=(cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 50, 0.001))
    sparse = found[:, 0] - points
    sparse[status[:, 0] == 0] = 0
    return dense + [sparse]


def warped(out, path, index, left, top, *moves):
    """Writes the cut-out (still.raw) and for each move its warped copy (0.raw, ...); prints its side and how many points;
    then, for each move, for each point: x, y, true displacement, and those of the three flows."""
    rng = np.random.default_rng(3)
    picture = cut(path, int(index), int(left), int(top))
    grid = np.arange(MARGIN, SIDE - MARGIN + 1, STEP)
    points = np.array([(x, y) for y in grid for x in grid], float)

    def recorded(p, name):
        p = np.clip(np.rint(p + NOISE * rng.standard_normal(p.shape)), 0, 255).astype(np.uint8)
        p.astype(np.float32).tofile("%s/%s.raw" % (out, name))
        return p
    still = recorded(picture, "still")
    print(SIDE, len(points))
    for k in range(0, len(moves), 2):
        move = field(moves[k], float(moves[k + 1]))
        moved = recorded(warp(picture, move), k // 2)
        true = np.stack(move(points[:, 0], points[:, 1]), axis=1)
        flows = by_opencv(still, moved, points)
        for i in range(len(points)):
            print(*points[i], *true[i], *(v for f in flows for v in f[i]))
