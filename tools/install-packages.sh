#!/bin/sh
# Installs the Debian packages that a purpose needs: build, demo, bench, validate or test. Does nothing when all are there.
set -eu
purpose=${1:-build}
packages="build-essential pkg-config libdcmtk-dev libavformat-dev libavcodec-dev libavutil-dev libswscale-dev libturbojpeg0-dev libjpeg62-turbo-dev libfftw3-dev libgsl-dev libjansson-dev"
if [ "$purpose" = test ]; then
    packages="$packages libcmocka-dev ffmpeg dcmtk dicom3tools openssl python3 python3-numpy python3-pil python3-scipy python3-opencv python3-skimage python3-pydicom python3-jsonschema python3-matplotlib clang clang-tidy clang-format cppcheck mandoc strace"
fi
if [ "$purpose" = validate ]; then
    packages="$packages python3 python3-numpy python3-scipy python3-matplotlib"
fi
if [ "$purpose" = bench ]; then
    packages="$packages ffmpeg time"
fi
missing=
for package in $packages; do
    if [ "$(dpkg-query -W -f='${db:Status-Status}' "$package" 2>/dev/null || true)" != installed ]; then
        missing="$missing $package"
    fi
done
[ -z "$missing" ] && exit 0
echo "installing:$missing"
as_root=
[ "$(id -u)" = 0 ] || as_root=sudo
$as_root apt-get update -qq
$as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing >/dev/null
