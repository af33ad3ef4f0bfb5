#!/usr/bin/python3
"""Makes the recordings that the cases read: make_loops.py FOLDER. None is made by afterflash: videos by
ffmpeg (a test card), DICOM files by pydicom (random speckle). Nothing is made again while this script stays
as it is."""
import hashlib
import pathlib
import subprocess
import sys

import numpy
import pydicom
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.sequence import Sequence
from pydicom.uid import UID, ExplicitVRLittleEndian

ROWS, COLUMNS, FRAMES = 120, 160, 24
folder = pathlib.Path(sys.argv[1])
done = folder / "done"


def ffmpeg(name, *options):
    subprocess.run(["ffmpeg", "-v", "error", "-nostdin", "-y", *options, str(folder / name)], check=True)


def card(name, *options, seconds=4, rate=10):
    ffmpeg(name, "-f", "lavfi", "-i", f"testsrc2=size=320x240:rate={rate}:duration={seconds}", *options)


def region(mm_per_px, across=1):
    made = Dataset()
    made.RegionSpatialFormat, made.RegionDataType, made.RegionFlags = 1, 1, 0
    made.RegionLocationMinX0, made.RegionLocationMinY0 = 0, 0
    made.RegionLocationMaxX1, made.RegionLocationMaxY1 = COLUMNS - 1, ROWS - 1
    made.PhysicalUnitsXDirection = made.PhysicalUnitsYDirection = 3
    made.PhysicalDeltaX, made.PhysicalDeltaY = across * mm_per_px / 10, mm_per_px / 10
    return made


def dicom(name, frames=FRAMES, mm_per_px=0.5, **changes):
    """A native 8-bit ultrasound loop; changes are attributes, None taking one away."""
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = UID("1.2.840.10008.5.1.4.1.1.3.1")
    meta.MediaStorageSOPInstanceUID = UID("1.2.826.0.1.3680043.8.498.1")
    meta.TransferSyntaxUID = changes.pop("syntax", ExplicitVRLittleEndian)
    made = FileDataset(str(folder / name), {}, file_meta=meta, preamble=b"\0" * 128)
    made.is_little_endian, made.is_implicit_VR = True, False
    made.SOPClassUID, made.SOPInstanceUID = meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID
    made.Modality, made.PatientName, made.PatientID = "US", "Doe^Jane", "4711"
    made.Rows, made.Columns, made.NumberOfFrames = ROWS, COLUMNS, frames
    made.SamplesPerPixel, made.PhotometricInterpretation = 1, "MONOCHROME2"
    made.BitsAllocated = made.BitsStored = 8
    made.HighBit, made.PixelRepresentation = 7, 0
    made.FrameIncrementPointer, made.FrameTime = 0x00181063, 100
    if mm_per_px:
        made.SequenceOfUltrasoundRegions = Sequence([region(mm_per_px)])
    speckle = numpy.random.default_rng(1).rayleigh(40, (frames, ROWS, COLUMNS)).clip(0, 255)
    made.PixelData = speckle.astype(numpy.uint8).tobytes()
    for key, value in changes.items():
        if value is None:
            delattr(made, key)
        else:
            setattr(made, key, value)
    made.save_as(folder / name, write_like_original=False)


def cut(source, name, share):
    whole = (folder / source).read_bytes()
    (folder / name).write_bytes(whole[:int(len(whole) * share)])


def make():
    card("card.mp4", "-c:v", "libx264", "-pix_fmt", "yuv420p", "-movflags", "faststart")
    card("index-last.mp4", "-c:v", "libx264", "-pix_fmt", "yuv420p")
    card("long.mp4", "-c:v", "libx264", "-pix_fmt", "yuv420p", seconds=70, rate=6)
    card("still.png", "-frames:v", "1")
    ffmpeg("sound.mp4", "-f", "lavfi", "-i", "sine=duration=2")
    cut("card.mp4", "cut.mp4", 0.6)
    cut("index-last.mp4", "cut-index.mp4", 0.8)
    (folder / "empty.mp4").write_bytes(b"")
    (folder / "text.dcm").write_text("This is a letter, not a loop.\n" * 40)
    (folder / "noise.avi").write_bytes(numpy.random.default_rng(2).bytes(20000))
    (folder / "list.m3u8").write_text("#EXTM3U\n#EXTINF:4,\ncard.mp4\n#EXT-X-ENDLIST\n")
    dicom("loop.dcm")
    dicom("other-scale.dcm", mm_per_px=0.3)
    dicom("wide-pixels.dcm", SequenceOfUltrasoundRegions=Sequence([region(0.5, across=2)]))
    dicom("no-scale.dcm", mm_per_px=None)
    dicom("at-ten.dcm", AcquisitionDate="20260302", AcquisitionTime="100000")
    dicom("at-nine.dcm", AcquisitionDateTime="20260302090000.5")
    cut("loop.dcm", "cut.dcm", 0.5)
    dicom("no-pixels.dcm", PixelData=None)
    dicom("says-more.dcm", NumberOfFrames=FRAMES + 16)
    dicom("says-fewer.dcm", NumberOfFrames=FRAMES - 14)
    dicom("frame-time-0.dcm", FrameTime=0)
    dicom("no-clock.dcm", FrameTime=None, FrameIncrementPointer=None)
    dicom("foreign-syntax.dcm", syntax=UID("1.2.840.10008.1.2.4.94"), PixelData=encapsulate([b"\xff\x4f\xff\x51" * 8]))
    dicom("huge.dcm", Rows=20000, Columns=20000)
    subprocess.run(["ffmpeg", "-v", "error", "-nostdin", "-y", "-f", "lavfi", "-i", "testsrc2=size=320x240:rate=10:duration=3",
                    str(folder / "picture-%03d.png")], check=True)


script = hashlib.sha256(pathlib.Path(__file__).read_bytes()).hexdigest()
if not done.exists() or done.read_text() != script:
    folder.mkdir(parents=True, exist_ok=True)
    make()
    done.write_text(script)
