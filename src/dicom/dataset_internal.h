#ifndef AFTERFLASH_DICOM_DATASET_INTERNAL_H
#define AFTERFLASH_DICOM_DATASET_INTERNAL_H

#include "dicom/dataset.h"

#include <dcmtk/config/osconfig.h>

#include <dcmtk/dcmdata/dcistrmf.h>
#include <dcmtk/dcmdata/dctk.h>

#include <memory>
#include <string>

/* A header and what it is: shared by dataset_header.cpp, which reads it from the file, and dataset.cpp,
 * which gives its values. */
struct dataset {
    std::unique_ptr<DcmInputFileStream> stream;
    std::unique_ptr<DcmFileFormat> file;
    std::string syntax_uid, syntax_name, class_uid, class_name;
    enum dataset_coding coding = CODING_UNKNOWN;
    bool is_big_endian = false;
    bool is_deflated = false;
    bool is_explicit = true;
    bool is_mended = false;
    bool is_broken = false; /* the header could not be read to its end */
    struct dataset_pixels pixels = {};
};

/** Reads the header of a file into an empty data set, up to the pixel data, mended where it must be. May
 * throw. Errors: ERROR_INPUT. */
MUST_CHECK bool dataset_header_read(struct dataset *dataset, const char *path, struct error **err);

#endif
