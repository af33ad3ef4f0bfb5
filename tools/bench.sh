#!/bin/sh
# How fast and how lean measuring is: bench.sh [LOOP...]. For each loop, in one run on the same machine: its
# length and the wall time of measuring it; the CPU time of measuring it and of decoding it once with
# `ffmpeg -threads 1`; the most memory that it took. Ratios are worth more than seconds: they hardly depend
# on the machine, and those of CPU time little on what else it does.
# Without LOOP: two minutes of 800x600 at 12 and of 1024x768 at 30 frames per second, and ten minutes of
# 1024x768 (the second five times over). They are made once, which takes several minutes, and kept in
# $BUILD/bench.
set -eu
cd "$(dirname "$0")/.."
BUILD=${BUILD:-build}
bench=$BUILD/bench
program=$BUILD/afterflash
mkdir -p "$bench"

make_loops() {
    [ -e "$bench/800x600.mp4" ] ||
        "$program" synth --seed 11 --duration-s 120 "$bench/800x600.mp4"
    [ -e "$bench/1024x768.mp4" ] ||
        "$program" synth --seed 12 --width-px 1024 --height-px 768 --frames-per-s 30 --duration-s 120 \
            "$bench/1024x768.mp4"
    [ -e "$bench/ten-minutes.mp4" ] ||
        ffmpeg -v error -nostdin -stream_loop 4 -i "$bench/1024x768.mp4" -c copy "$bench/ten-minutes.mp4"
}

# timed COMMAND...: "WALL CPU KB", seconds and kilobytes
timed() {
    /usr/bin/time -o "$bench/time" -f "%e %U %S %M" "$@" >/dev/null 2>"$bench/log" || { cat "$bench/log" >&2; exit 1; }
    awk '{ print $1, $2 + $3, $4 }' "$bench/time"
}

if [ $# -eq 0 ]; then
    make_loops
    set -- "$bench/800x600.mp4" "$bench/1024x768.mp4" "$bench/ten-minutes.mp4"
fi
printf '%-28s %8s %8s %8s %10s %8s %10s %8s\n' loop 'length s' 'wall s' 'CPU s' 'faster, x' 'decode s' \
    'decodings' 'peak MB'
for loop in "$@"; do
    length=$(ffprobe -v error -show_entries format=duration -of csv=p=0 "$loop")
    decoding=$(timed ffmpeg -nostdin -threads 1 -i "$loop" -map 0:v:0 -f null -)
    measuring=$(timed "$program" measure --force --out "$bench/out" "$loop")
    echo "$length $decoding $measuring" | awk -v loop="$(basename "$loop")" '{
        printf "%-28s %8.1f %8.1f %8.1f %10.1f %8.1f %10.1f %8.0f\n",
            loop, $1, $5, $6, $1 / $5, $3, $6 / $3, $7 / 1024 }'
done
echo "faster, x: length over wall time. decodings: CPU time over that of decoding the loop once."
