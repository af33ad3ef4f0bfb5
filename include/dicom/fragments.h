#ifndef AFTERFLASH_DICOM_FRAGMENTS_H
#define AFTERFLASH_DICOM_FRAGMENTS_H

#include "base/contract.h"
#include "base/error.h"
#include "base/extents.h"
#include "dicom/dataset.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/** One item of encapsulated pixel data: where its value stands in the file. */
struct fragment {
    uint64_t offset;
    uint32_t n_bytes;
};

/** The items of encapsulated pixel data (PS3.5, A.4), offset table apart. {0} is empty. */
struct fragments {
    struct fragment *items;
    size_t n;
    uint64_t first;  /* where the first item's tag stands: offset tables count from it */
    uint64_t *table; /* Basic Offset Table; NULL when empty */
    size_t n_table;
    bool is_cut;     /* the file ends inside the last fragment, which is not among the items */
    bool is_damaged; /* something that is no item stands where an item should: the rest is not read */
};

/** The fragments of one frame: n from first on. */
struct fragment_run {
    size_t first;
    size_t n;
};

/** Walks the items. Stray item delimiters are passed over; a walk never leaves the file.
 *
 *  file  its whole length as one stretch; borrowed
 *  Errors: ERROR_INPUT when the file cannot be read or has more items than any loop
 *  (4 million); ERROR_MEMORY. End with fragments_free also after a failure. */
MUST_CHECK bool fragments_read(struct fragments *fragments, struct extents *file,
                               struct dataset_pixels pixels, struct error **err);

/** Sorts fragments into frames: by the extended offset table, else the basic one, where
 *  each offset in it is the start of a fragment; else one each where their number is
 *  `declared_frames` or `is_one_each`; else all of them where one frame is declared; else a
 *  new frame wherever a fragment starts as a JPEG or JPEG 2000 stream does.
 *
 *  extended  the Extended Offset Table or NULL; borrowed
 *  runs      caller's; set on success, free() it
 *  has_bad_table  set when an offset table was there and did not fit */
MUST_CHECK bool fragments_sort(const struct fragments *fragments, struct extents *file, long declared_frames,
                               bool is_one_each, const uint64_t *extended, size_t n_extended,
                               struct fragment_run **runs, size_t *n_runs, bool *has_bad_table,
                               struct error **err);

/** Bytes of a run. */
uint64_t fragments_run_bytes(const struct fragments *fragments, struct fragment_run run);

/** Reads a run into room of at least fragments_run_bytes. False when the file cannot give them. */
bool fragments_load(const struct fragments *fragments, struct extents *file, struct fragment_run run,
                    uint8_t *bytes);

/** Frees what it holds; accepts NULL. */
void fragments_free(struct fragments *fragments);

#endif
