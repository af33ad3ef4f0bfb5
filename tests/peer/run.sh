#!/bin/sh
# Measures every loop of a folder: run.sh LOOPS OUT [option of `afterflash measure` ...]
# Prints wall time, CPU and peak memory beside each; score.py LOOPS OUT compares with the truth.
set -u
loops=$1; out=$2; shift 2
program=${AFTERFLASH:-build/afterflash}
mkdir -p "$out"
for truth in "$loops"/*.truth.json; do
    name=$(basename "$truth" .truth.json)
    [ -n "${ONLY:-}" ] && case "$name" in $ONLY) ;; *) continue ;; esac
    for loop in "$loops/$name".mp4 "$loops/$name".avi "$loops/$name".dcm "$loops/$name".mkv "$loops/$name".mov; do
        [ -f "$loop" ] || continue
        rm -rf "${out:?}/$name"
        started=$(date +%s.%N)
        "$program" measure --force --out "$out/$name" "$@" "$loop" >"$out/$name.stdout" 2>"$out/$name.stderr"
        status=$?
        ended=$(date +%s.%N)
        printf '%-26s exit %d  %.1f s\n' "$name" "$status" "$(awk "BEGIN { print $ended - $started }")"
    done
done
