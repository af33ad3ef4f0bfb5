#!/bin/sh
# Makes two demo loops of transfers that never happened, measures both, and ends on the paths of
# all that was written. Everything goes into $BUILD/demo.
set -eu
cd "$(dirname "$0")/.."
BUILD=${BUILD:-build}
demo=$BUILD/demo
mkdir -p "$demo"

show() {
    echo
    echo "\$ $*"
    "$@"
}

# synth NAME OPTION...: a loop is made again when the program is newer
loop() {
    name=$1
    shift
    if [ -e "$demo/$name" ] && [ "$demo/$name" -nt "$BUILD/afterflash" ]; then
        echo "$demo/$name is there from an earlier run"
    else
        show "$BUILD/afterflash" synth "$@" --force "$demo/$name"
    fi
}

echo "Making two demo loops (a minute or two); no patient is in them."
loop quiet.mp4 --seed 22 --width-px 640 --height-px 480 --duration-s 75 --rate-per-min 0 --bubbles 0 \
    --catheter no --orientation retroverted
loop transfer.dcm --seed 7 --width-px 640 --height-px 480 --duration-s 90 --rate-per-min 3.2 --deposit-s 20 \
    --deposit-mm 13 --drift-mm 3 --stripe-contrast-db 7.5
show "$BUILD/afterflash" measure --force --out "$demo/quiet" "$demo/quiet.mp4"
show "$BUILD/afterflash" measure --force --out "$demo/transfer" "$demo/transfer.dcm"
echo
echo "Every file of the demo"
find "$demo" -type f | LC_ALL=C sort | sed 's/^/  /'
