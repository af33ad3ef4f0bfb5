#!/bin/sh
# Makes the loops of this folder again, byte for byte, in the folder named (default: this one).
# PROGRAM names the program when it is not build/afterflash.
set -eu
here=$(cd "$(dirname "$0")" && pwd)
to=${1:-$here}
program=${PROGRAM:-$here/../build/afterflash}
mkdir -p "$to"

small="--width-px 480 --height-px 360 --duration-s 66 --frames-per-s 10"

make_loop() {
    name=$1
    shift
    "$program" synth --force "$@" "$to/$name"
}

make_loop toward-fundus.mp4 $small --seed 11 --quality 31 --rate-per-min 3.1 --amplitude-mm 0.6 \
    --velocity-mm-per-s 1.6 --deposit-s 14 --deposit-mm 13 --drift-mm 4 --drift-s 20
make_loop triple-line-retroverted.avi $small --seed 22 --codec mpeg4 --quality 13 --stripe triple-line \
    --orientation retroverted --thickness-mm 12 --tilt-deg 24 --bend-deg 20 --rate-per-min 2.4 --amplitude-mm 0.7 \
    --direction fundus-to-cervix --deposit-s 15 --deposit-mm 17 --pieces 2 --drift-mm 0
make_loop quiet-walking-probe.mp4 $small --seed 33 --quality 32 --rate-per-min 0 --probe-walk-mm 1 \
    --breathing-mm 0.8 --rocking-mm 0.5 --rocking-per-min 2.3 --deposit-s 16 --deposit-mm 11 --drift-mm 2
make_loop no-bubbles.mp4 $small --seed 44 --quality 31 --rate-per-min 2.8 --amplitude-mm 0.6 --mirrored yes \
    --direction opposing --bubbles 0
make_loop native-scale.dcm --seed 55 --width-px 320 --height-px 240 --duration-s 64 --frames-per-s 6 --codec jpeg \
    --quality 51 --ruler left --ruler-minor no --rate-per-min 3.4 --amplitude-mm 0.65 --stripe triple-line \
    --thickness-mm 11 --deposit-s 12 --deposit-mm 15 --drift-mm -3 --drift-mode sudden
make_loop toward-cervix.mp4 $small --seed 66 --quality 31 --rate-per-min 2.2 --amplitude-mm 0.7 --thickness-mm 10 \
    --direction fundus-to-cervix --velocity-mm-per-s 1.3 --deposit-s 13 --deposit-mm 10 --drift-mm -11 --drift-s 30 \
    --rate-jitter 0.2 --dropped-share 0.03
