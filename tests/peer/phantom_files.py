"""Files that the synthetic loops are written to: video through ffmpeg, DICOM.

Both take colour frames (blue, green, red; 8 bit) by add() and end with close().
"""
import subprocess

import cv2
import numpy as np
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.uid import JPEGBaseline8Bit, generate_uid


class VideoFile:
    """A video through ffmpeg."""

    def __init__(self, path, spec):
        codec = {"h264": ["-c:v", "libx264", "-preset", "veryfast", "-crf", str(spec.quality), "-pix_fmt", "yuv420p"],
                 "mpeg4": ["-c:v", "mpeg4", "-q:v", str(spec.quality), "-pix_fmt", "yuv420p"],
                 "mjpeg": ["-c:v", "mjpeg", "-q:v", str(spec.quality), "-pix_fmt", "yuvj420p"]}
        w, h = spec.size
        self.pipe = subprocess.Popen(
            ["ffmpeg", "-y", "-loglevel", "error", "-f", "rawvideo", "-pix_fmt", "bgr24", "-s", "%dx%d" % (w, h),
             "-r", str(spec.fps), "-i", "-", "-threads", "1"] + codec[spec.coding.split(".")[0]] + [path],
            stdin=subprocess.PIPE)

    def add(self, frame):
        self.pipe.stdin.write(frame.tobytes())

    def close(self):
        self.pipe.stdin.close()
        if self.pipe.wait() != 0:
            raise RuntimeError("ffmpeg failed")


class DicomFile:
    """An ultrasound multi-frame object with JPEG frames and a tissue region."""

    def __init__(self, path, spec, screen):
        self.path, self.spec, self.screen, self.data = path, spec, screen, []

    def add(self, frame):
        grey = cv2.cvtColor(frame, cv2.COLOR_BGR2GRAY)
        ok, data = cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, self.spec.quality])
        if not ok:
            raise RuntimeError("JPEG failed")
        self.data.append(data.tobytes())

    def close(self):
        spec, scr = self.spec, self.screen
        w, h = spec.size
        meta = FileMetaDataset()
        meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.3.1"
        meta.MediaStorageSOPInstanceUID = generate_uid(prefix=None)
        meta.TransferSyntaxUID = JPEGBaseline8Bit
        ds = FileDataset(self.path, {}, file_meta=meta, preamble=b"\0" * 128)
        ds.SOPClassUID, ds.SOPInstanceUID = meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID
        ds.StudyInstanceUID, ds.SeriesInstanceUID = generate_uid(prefix=None), generate_uid(prefix=None)
        ds.Modality, ds.PatientName, ds.PatientID = "US", "Phantom^" + spec.name, spec.name
        ds.ImageType = ["ORIGINAL", "PRIMARY"]
        ds.StudyDate, ds.StudyTime, ds.InstanceNumber, ds.SeriesNumber = "20260101", "120000", 1, 1
        ds.Rows, ds.Columns, ds.NumberOfFrames = h, w, len(self.data)
        ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
        ds.BitsAllocated = ds.BitsStored = 8
        ds.HighBit, ds.PixelRepresentation = 7, 0
        ds.FrameTime = "%.4f" % (1000.0 / spec.fps)
        ds.FrameIncrementPointer = 0x00181063
        ds.LossyImageCompression = "01"
        region = Dataset()
        region.RegionSpatialFormat, region.RegionDataType, region.RegionFlags = 1, 1, 0
        rows, cols = np.nonzero(scr.mask)
        region.RegionLocationMinX0, region.RegionLocationMinY0 = int(cols.min()), int(rows.min())
        region.RegionLocationMaxX1, region.RegionLocationMaxY1 = int(cols.max()), int(rows.max())
        region.PhysicalUnitsXDirection = region.PhysicalUnitsYDirection = 3
        region.PhysicalDeltaX = region.PhysicalDeltaY = spec.mm / 10.0
        ds.SequenceOfUltrasoundRegions = [region]
        ds.PixelData = encapsulate([d + b"\0" if len(d) % 2 else d for d in self.data])
        ds["PixelData"].is_undefined_length = True
        ds.is_little_endian, ds.is_implicit_VR = True, False
        ds.save_as(self.path, write_like_original=False)
