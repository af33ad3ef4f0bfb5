#!/bin/sh
# Writes the worked example of README.md anew: what measuring the demo's loop prints.
set -eu
cd "$(dirname "$0")/.."
BUILD=${BUILD:-build}
BUILD=$BUILD tools/demo.sh >/dev/null
shown="$BUILD/afterflash measure --force --out $BUILD/demo/transfer $BUILD/demo/transfer.dcm"
new=$(mktemp)
{
    sed '/<!-- example begins/q' README.md
    echo
    echo "    \$ $shown"
    $shown | sed 's/^\(.\)/    \1/'
    echo
    sed -n '/<!-- example ends/,$p' README.md
} >"$new"
cat "$new" >README.md
rm -f "$new"
