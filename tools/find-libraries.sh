#!/bin/sh
# Prints what the Makefile includes: compiler and linker words for the libraries, asked once.
set -eu
packages="libavformat libavcodec libavutil libswscale fftw3 gsl jansson libturbojpeg libjpeg"
dicom="-ldcmjpls -ldcmjpeg -ldcmimage -ldcmimgle -ldcmdata -loflog -lofstd"

refuse() {
    echo "afterflash needs libraries that are not here: $1" >&2
    echo "'make packages' installs them (Debian 12), 'make demo' does so by itself" >&2
    exit 1
}

command -v pkg-config >/dev/null 2>&1 || refuse pkg-config
missing=
for package in $packages; do
    pkg-config --exists "$package" || missing="$missing $package"
done
[ -e /usr/include/dcmtk/config/osconfig.h ] || missing="$missing dcmtk"
[ -z "$missing" ] || refuse "${missing# }"
echo "PACKAGE_CFLAGS := $(pkg-config --cflags $packages)"
echo "PACKAGE_LIBS := $(pkg-config --libs $packages) $dicom -lm -pthread"
