#!/usr/bin/python3
"""DICOM files made by pydicom, DCMTK's tools and ffmpeg, and what pydicom reads in given ones.

usage: reference_dicom.py make FOLDER        every kind that must be read, with its true luma beside it (NAME.raw)
       reference_dicom.py luma FOLDER FILE...    raw luma as pydicom decodes the files, into FOLDER/NAME.raw
       reference_dicom.py facts FOLDER FILE...   frames, rows, columns, last frame's time in s, then 10 numbers a
                                                 region, into FOLDER/NAME.facts
       reference_dicom.py change FILE OUT KEYWORD=VALUE...   a copy with attributes changed; an empty value removes one
"""
import os
import struct
import subprocess
import sys
import warnings

import cv2
import numpy as np
import pydicom
from PIL import Image
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.pixel_data_handlers.util import apply_color_lut
from pydicom.sequence import Sequence
from pydicom.uid import (DeflatedExplicitVRLittleEndian, ExplicitVRBigEndian, ExplicitVRLittleEndian,
                         ImplicitVRLittleEndian)

warnings.filterwarnings("ignore")
US_MULTI = "1.2.840.10008.5.1.4.1.1.3.1"
H, W, N = 48, 64, 4


def bt601(rgb):
    """Luma of full-range RGB as Pillow has it ("L", ITU-R 601-2 luma transform)."""
    flat = np.ascontiguousarray(rgb, np.uint8).reshape(1, -1, 3)
    return np.asarray(Image.fromarray(flat).convert("L")).reshape(rgb.shape[:-1])


def jfif(rgb):
    """YCbCr of full-range RGB, ITU-T T.871."""
    r, g, b = (rgb[..., i].astype(float) for i in range(3))
    y = 0.299 * r + 0.587 * g + 0.114 * b
    return np.stack([y, 128 + (b - y) / 1.772, 128 + (r - y) / 1.402], -1).round().clip(0, 255).astype(np.uint8)


def pixels(n=N, h=H, w=W):
    """A moving grey pattern with noise, and a strongly coloured one."""
    rng = np.random.default_rng(5)
    y, x = np.mgrid[0:h, 0:w]
    grey = np.stack([120 + 80 * np.sin(x / 7 + k / 3) * np.cos(y / 9) + rng.normal(0, 4, (h, w)) for k in range(n)])
    grey = grey.clip(0, 255).astype(np.uint8)
    colour = np.stack([grey, (grey * 0.7 + 20).astype(np.uint8), 255 - grey], -1)
    return grey, colour


def write(path, shape, photometric, data, syntax=ExplicitVRLittleEndian, bits=8, stored=None, planar=None, frames=None,
          encapsulated=False, **more):
    """One multi-frame ultrasound file; `data` are the bytes of Pixel Data."""
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = US_MULTI
    meta.MediaStorageSOPInstanceUID = "2.25.1"
    meta.TransferSyntaxUID = syntax
    ds = FileDataset(path, {}, file_meta=meta, preamble=b"\0" * 128)
    ds.is_little_endian = syntax != ExplicitVRBigEndian
    ds.is_implicit_VR = syntax == ImplicitVRLittleEndian
    ds.SOPClassUID = US_MULTI
    ds.SOPInstanceUID = "2.25.1"
    ds.PatientName = "Invented^Person"
    n, ds.Rows, ds.Columns = shape
    ds.NumberOfFrames = n if frames is None else frames
    ds.SamplesPerPixel = 1 if photometric in ("MONOCHROME1", "MONOCHROME2", "PALETTE COLOR") else 3
    ds.PhotometricInterpretation = photometric
    ds.BitsAllocated, ds.BitsStored, ds.PixelRepresentation = bits, stored or bits, 0
    ds.HighBit = ds.BitsStored - 1
    if ds.SamplesPerPixel == 3:
        ds.PlanarConfiguration = planar or 0
    ds.FrameTime = "40"
    ds.FrameIncrementPointer = 0x00181063
    ds.PixelData = data + b"\0" * (len(data) % 2)
    ds["PixelData"].VR = "OB" if bits == 8 else "OW"
    ds["PixelData"].is_undefined_length = encapsulated
    for name, value in more.items():
        setattr(ds, name, value)
    pydicom.dcmwrite(path, ds, write_like_original=False)
    return ds


def encapsulate(frames, n_fragments=1, table=False):
    """Frames as items (PS3.5, A.4), each in so many fragments; pydicom adds the sequence's end."""
    items, offsets, at = b"", [], 0
    for frame in frames:
        offsets.append(at)
        frame += b"\0" * (len(frame) % 2)
        step = -(-len(frame) // n_fragments)
        step += step % 2
        for i in range(0, len(frame), step):
            piece = frame[i:i + step]
            items += struct.pack("<HHI", 0xfffe, 0xe000, len(piece)) + piece
            at += 8 + len(piece)
    basic = struct.pack("<%dI" % len(offsets), *offsets) if table else b""
    return struct.pack("<HHI", 0xfffe, 0xe000, len(basic)) + basic + items


def tool(*words):
    done = subprocess.run(words, capture_output=True, stdin=subprocess.DEVNULL)
    if done.returncode != 0:
        sys.exit(" ".join(words) + ": " + done.stderr.decode())


def encode(grey, rate, *words, suffix):
    """What ffmpeg makes of grey frames, as bytes."""
    out = "coded" + suffix
    n, h, w = grey.shape[:3]
    form = "gray" if grey.ndim == 3 else "rgb24"
    done = subprocess.run(["ffmpeg", "-v", "error", "-y", "-f", "rawvideo", "-pix_fmt", form, "-s", f"{w}x{h}", "-r",
                           str(rate), "-i", "-", *words, out], input=grey.tobytes(), capture_output=True)
    if done.returncode != 0:
        sys.exit(done.stderr.decode())
    with open(out, "rb") as file:
        data = file.read()
    os.remove(out)
    return data


def palette(bits, segmented=False):
    """Attributes of a palette of 256 entries and the RGB that it stands for."""
    i = np.arange(256)
    tables = [i, 255 - i, np.full(256, 90)]
    rgb = np.stack(tables, -1)
    more = {}
    for name, table in zip(("Red", "Green", "Blue"), tables):
        words = table * 257 if bits == 16 else table
        more[name + "PaletteColorLookupTableDescriptor"] = [256, 0, bits]
        if segmented:  # discrete: the first entry; linear: 255 steps to the last; PS3.3, C.7.9.2
            data = struct.pack("<6H", 0, 1, words[0], 1, 255, words[255])
            more["Segmented" + name + "PaletteColorLookupTableData"] = data
        else:
            more[name + "PaletteColorLookupTableData"] = words.astype("<u2").tobytes()
    return more, rgb


def make_native(save):
    grey, colour = pixels()
    shape = grey.shape
    true = bt601(colour)
    wide = grey.astype("<u2") * 16 + 7
    wide_luma = ((wide.astype(int) * 255 * 2 + 4095) // (2 * 4095)).astype(np.uint8)
    planes = np.ascontiguousarray(np.transpose(colour, (0, 3, 1, 2)))
    ycc = jfif(colour)
    save("mono", 0, grey, write, shape, "MONOCHROME2", grey.tobytes())
    save("mono1", 0, 255 - grey, write, shape, "MONOCHROME1", grey.tobytes())
    save("mono12", 0, wide_luma, write, shape, "MONOCHROME2", wide.tobytes(), bits=16, stored=12)
    save("implicit", 0, grey, write, shape, "MONOCHROME2", grey.tobytes(), ImplicitVRLittleEndian)
    save("deflated", 0, grey, write, shape, "MONOCHROME2", grey.tobytes(), DeflatedExplicitVRLittleEndian)
    save("rgb", 0, true, write, shape, "RGB", colour.tobytes())
    save("rgbplanes", 0, true, write, shape, "RGB", planes.tobytes(), planar=1)
    save("rgblie", 0, bt601(np.repeat(grey[..., None], 3, -1)), write, shape, "RGB",
         np.repeat(grey[:, None], 3, 1).tobytes(), planar=0)
    save("ybrfull", 0, ycc[..., 0], write, shape, "YBR_FULL", ycc.tobytes())
    save("ybrplanes", 0, ycc[..., 0], write, shape, "YBR_FULL",
         np.ascontiguousarray(np.transpose(ycc, (0, 3, 1, 2))).tobytes(), planar=1)
    pairs = np.stack([ycc[:, :, 0::2, 0], ycc[:, :, 1::2, 0], ycc[:, :, 0::2, 1], ycc[:, :, 0::2, 2]], -1)
    save("ybr422", 0, ycc[..., 0], write, shape, "YBR_FULL_422", np.ascontiguousarray(pairs).tobytes())
    for name, bits, segmented in (("palette8", 8, False), ("palette16", 16, False), ("segmented", 16, True)):
        more, rgb = palette(bits, segmented)
        save(name, 0, bt601(rgb[grey]), write, shape, "PALETTE COLOR", grey.tobytes(), **more)
    save("lying_more", 0, grey, write, shape, "MONOCHROME2", grey.tobytes(), frames=9)
    save("lying_fewer", 0, grey, write, shape, "MONOCHROME2", grey.tobytes(), frames=2)


def make_by_dcmtk(save):
    grey, colour = pixels()
    for base, luma in (("mono", grey), ("mono12", None), ("rgb", bt601(colour)), ("rgbplanes", bt601(colour)),
                       ("palette8", None)):
        luma = luma if luma is not None else np.fromfile(base + ".raw", np.uint8)
        jobs = [("be", ["dcmconv", "+tb"], 0), ("rle", ["dcmcrle"], 0), ("jpegls", ["dcmcjpls"], 0),
                ("lossless", ["dcmcjpeg", "+e1"], 0)]
        if base == "rgbplanes":
            jobs.pop()  # dcmcjpeg 3.6.7 mixes up planes there: dcmdjpeg does not give them back either
        if base in ("mono", "rgb"):
            jobs += [("bare", ["dcmconv", "-F", "+te"], 0),
                     ("bareimplicit", ["dcmconv", "-F", "+ti"], 0)]
        if base == "rgb":
            jobs += [("jpeg", ["dcmcjpeg", "+eb", "+q", "98"], 3), ("jpegrgb", ["dcmcjpeg", "+eb", "+cr", "+q", "98"], 3), ("jpeg422", ["dcmcjpeg", "+eb", "+s2", "+q", "98"], 3),
                     ("jpeglsline", ["dcmcjpls", "+il"], 0)]
        for name, words, tolerance in jobs:
            save(base + "_" + name, tolerance, luma, lambda path, w=words, b=base: tool(*w, "-q", b + ".dcm", path))


def make_encapsulated(save):
    grey, colour = pixels()
    shape = grey.shape
    wavelet = "1.2.840.10008.1.2.4.90"
    j2k = [encode(f[None], 1, "-c:v", "libopenjpeg", "-format", "j2k", "-pix_fmt", "gray", "-frames:v", "1",
                  "-f", "image2", "-update", "1", suffix=".j2k") for f in grey]
    save("j2k", 0, grey, write, shape, "MONOCHROME2", encapsulate(j2k), wavelet, encapsulated=True)
    save("j2k_pieces", 0, grey, write, shape, "MONOCHROME2", encapsulate(j2k, 3), wavelet, encapsulated=True)
    save("j2k_table", 0, grey, write, shape, "MONOCHROME2", encapsulate(j2k, 3, True), wavelet, encapsulated=True)
    save("j2k_nocount", 0, grey, write, shape, "MONOCHROME2", encapsulate(j2k, 2), wavelet, encapsulated=True, frames=0)
    rgb = [encode(f[None], 1, "-c:v", "libopenjpeg", "-format", "j2k", "-pix_fmt", "rgb24", "-frames:v", "1",
                  "-f", "image2", "-update", "1", suffix=".j2k") for f in colour]
    save("j2k_rgb", 0, bt601(colour), write, shape, "RGB", encapsulate(rgb), wavelet, encapsulated=True)
    coded = [cv2.imencode(".jpg", g, [cv2.IMWRITE_JPEG_QUALITY, 98])[1].tobytes() for g in grey]
    offsets = np.cumsum([0] + [len(f) + len(f) % 2 + 16 for f in coded[:-1]])  # two pieces each
    ds = write("jpeg_extended.dcm", shape, "MONOCHROME2", encapsulate(coded, 2), "1.2.840.10008.1.2.4.50", encapsulated=True)
    ds.add_new(0x7fe00001, "OV", struct.pack("<%dQ" % len(offsets), *[int(o) for o in offsets]))
    ds.add_new(0x7fe00002, "OV", struct.pack("<%dQ" % len(coded), *[len(f) for f in coded]))
    save("jpeg_extended", 4, grey, lambda path: pydicom.dcmwrite(path, ds, write_like_original=False))


def make_video(save):
    grey, _ = pixels(30, 96, 128)
    shape = grey.shape
    grey = np.stack([np.asarray(f) for f in grey]).astype(float)
    grey = ((grey + np.roll(grey, 1, 1) + np.roll(grey, 1, 2) + np.roll(np.roll(grey, 1, 1), 1, 2)) / 4).astype(np.uint8)
    kinds = [("mpeg2", "1.2.840.10008.1.2.4.100", ["-c:v", "mpeg2video", "-q:v", "1", "-qmin", "1"], ".m2v", 6),
             ("h264", "1.2.840.10008.1.2.4.102", ["-c:v", "libx264", "-crf", "4"], ".264", 5),
             ("h264mp4", "1.2.840.10008.1.2.4.103", ["-c:v", "libx264", "-crf", "4"], ".mp4", 5),
             ("hevc", "1.2.840.10008.1.2.4.107", ["-c:v", "libx265", "-crf", "4", "-x265-params", "log-level=none"], ".265", 5),
             ("hevcmp4", "1.2.840.10008.1.2.4.107", ["-c:v", "libx265", "-crf", "4", "-x265-params", "log-level=none"], ".mp4", 5)]
    for name, syntax, words, suffix, tolerance in kinds:
        data = encode(grey, 25, *words, "-pix_fmt", "yuv420p", suffix=suffix)
        save(name, tolerance, grey, write, shape, "YBR_PARTIAL_420", encapsulate([data], 3), syntax, encapsulated=True)
        save(name + "_lying", tolerance, grey, write, shape, "YBR_PARTIAL_420", encapsulate([data]), syntax,
             encapsulated=True, frames=77)


def make(folder):
    os.chdir(folder)

    def save(name, tolerance, luma, how, *words, **more):
        how(name + ".dcm", *words, **more)
        luma.astype(np.uint8).tofile(name + ".raw")
        print(name, tolerance)

    make_native(save)
    make_by_dcmtk(save)
    make_encapsulated(save)
    make_video(save)


def name_of(path):
    return os.path.splitext(os.path.basename(path))[0]


def luma(folder, *paths):
    for path in paths:
        luma_of(path, os.path.join(folder, name_of(path) + ".raw"))


def luma_of(path, out):
    ds = pydicom.dcmread(path)
    array = ds.pixel_array
    if int(ds.get("NumberOfFrames", 1) or 1) == 1:
        array = array[None]
    if ds.PhotometricInterpretation == "PALETTE COLOR":
        rgb = apply_color_lut(array, ds)
        grey = bt601(rgb >> 8 if rgb.max() > 255 else rgb)
    elif ds.SamplesPerPixel == 3:
        grey = array[..., 0] if ds.PhotometricInterpretation.startswith("YBR_FULL") else bt601(array)
    else:
        top = (1 << ds.BitsStored) - 1
        grey = (array.astype(int) * 255 * 2 + top) // (2 * top)
    grey.astype(np.uint8).tofile(out)


def facts(folder, *paths):
    for path in paths:
        with open(os.path.join(folder, name_of(path) + ".facts"), "w") as out:
            facts_of(path, out)


def facts_of(path, out):
    ds = pydicom.dcmread(path, stop_before_pixels=True)
    n = int(ds.get("NumberOfFrames", 1) or 1)
    times = [0.0]
    if "FrameTimeVector" in ds:
        times = [float(t) for t in np.cumsum([0] + [float(t) for t in ds.FrameTimeVector[1:]]) / 1000]
    elif "FrameTime" in ds:
        times = [i * float(ds.FrameTime) / 1000 for i in range(n)]
    print(n, ds.Rows, ds.Columns, times[-1], file=out)
    for r in ds.get("SequenceOfUltrasoundRegions", []):
        print(r.RegionLocationMinX0, r.RegionLocationMinY0, r.RegionLocationMaxX1, r.RegionLocationMaxY1,
              r.RegionSpatialFormat, r.RegionDataType, r.PhysicalUnitsXDirection, r.PhysicalUnitsYDirection,
              repr(float(r.PhysicalDeltaX)), repr(float(r.PhysicalDeltaY)), file=out)


def change(path, out, *changes):
    ds = pydicom.dcmread(path)
    for one in changes:
        keyword, value = one.split("=")
        if value == "":
            delattr(ds, keyword)
        else:
            setattr(ds, keyword, [v for v in value.split(",")] if "," in value else
                    int(value) if keyword in ("Rows", "Columns") else value)
    pydicom.dcmwrite(out, ds)


if __name__ == "__main__":
    {"make": make, "luma": luma, "facts": facts, "change": change}[sys.argv[1]](*sys.argv[2:])
