#!/bin/sh
# One loop gives the same bytes however often and on however many cores it is measured.
set -u
BUILD=${BUILD:-build}
program=${AFTERFLASH:-$BUILD/afterflash}
loop=testvideos/triple-line-retroverted.avi
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

# claim NAME FOLDER: the results in FOLDER are those of the first run
claim() {
    echo "[ RUN      ] $1"
    if [ -s "$work/first/motion.csv" ] && diff -r "$work/first" "$work/$2" >"$work/log" 2>&1; then
        echo "[       OK ] $1"
    else
        cat "$work/log"
        echo "[  FAILED  ] $1"
        failed=1
    fi
}

skip() {
    echo "[ RUN      ] $1"
    echo "[  SKIPPED ] $1"
}

failed=0
"$program" measure --out "$work/first" "$loop" >"$work/log" 2>&1
"$program" measure --out "$work/again" "$loop" >"$work/log" 2>&1
claim a_loop_measured_again_gives_the_same_bytes again
if command -v taskset >/dev/null && [ "$(nproc)" -gt 1 ]; then
    core=$(taskset -cp $$ | sed 's/.*: *\([0-9]*\).*/\1/')
    taskset -c "$core" "$program" measure --out "$work/one" "$loop" >"$work/log" 2>&1
    claim one_core_gives_the_same_bytes_as_several one
else
    skip one_core_gives_the_same_bytes_as_several
fi
exit $failed
