#!/bin/sh
# Proves that every #include "layer/noun.h" points to the same layer or an earlier one, and
# that a private header (src/LAYER/*_internal.h) is included only by its own layer.
set -eu
cd "$(dirname "$0")/.."
find src include \( -name '*.c' -o -name '*.h' -o -name '*.cpp' \) | LC_ALL=C sort | xargs awk '
BEGIN {
    n = split("base dicom media image motion measure report commands", order, " ")
    for (i = 1; i <= n; i++)
        rank[order[i]] = i
    # synth stands beside measure: over base, dicom and media only; commands may use it
    rank["synth"] = rank["measure"]
    beside["image"] = beside["motion"] = beside["measure"] = 1
}
FNR == 1 { split(FILENAME, part, "/"); layer = part[2] }
/^[ \t]*#[ \t]*include[ \t]*"/ {
    split($0, quoted, "\"")
    slash = index(quoted[2], "/")
    used = slash ? substr(quoted[2], 1, slash - 1) : layer
    bad = ""
    if (!(layer in rank))
        bad = "no such layer: " layer
    else if (!(used in rank))
        bad = "no such layer: " used
    else if (used != layer && rank[used] >= rank[layer])
        bad = layer " may not use " used
    else if (layer == "synth" && used in beside)
        bad = "synth stands beside measure and may not use " used
    else if (used == "synth" && layer != "synth" && layer != "commands")
        bad = layer " may not use synth"
    else if (quoted[2] ~ /_internal\.h$/ && used != layer)
        bad = "private header of " used
    if (bad != "") {
        print FILENAME ":" FNR ": \"" quoted[2] "\": " bad
        failed = 1
    }
    n_read++
}
END {
    if (n_read == 0) { print "no #include was read"; failed = 1 }
    exit failed
}'
