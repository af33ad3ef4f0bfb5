#!/bin/sh
# Runs test programs and scripts, as many at once as there are cores, and closes with one line that
# counts their tests. A test is a line "[       OK ] NAME", "[  FAILED  ] NAME" or "[  SKIPPED ] NAME"
# on standard output, as cmocka writes them; a program that ends badly without one counts as a failure.
set -u
BUILD=${BUILD:-build}
export BUILD
logs=$BUILD/test-logs
here=$(dirname "$0")

if [ "${1:-}" = --one ]; then
    log=$logs/$(echo "$2" | tr / _)
    start=$(date +%s)
    AFTERFLASH=$(pwd)/$BUILD/afterflash timeout 900 "./$2" >"$log.out" 2>"$log.err" </dev/null
    echo $? >"$log.status"
    f=$(grep -c '^\[  FAILED  \]' "$log.out")
    verdict=ok
    { [ "$f" -eq 0 ] && [ "$(cat "$log.status")" -eq 0 ]; } || verdict=FAILED
    printf '%-6s %3d s  %s\n' "$verdict" "$(($(date +%s) - start))" "$2"
    exit 0
fi

rm -rf "$logs"
mkdir -p "$logs"
list=
for program in "$@"; do
    case $program in *"${ONLY:-}"*) list="$list $program" ;; esac
done
printf '%s\n' $list | xargs -P "$(nproc)" -n 1 "$here/run-tests.sh" --one

passed=0
failed=0
skipped=0
for program in $list; do
    log=$logs/$(echo "$program" | tr / _)
    status=$(cat "$log.status" 2>/dev/null || echo 255)
    p=$(grep -c '^\[       OK \]' "$log.out")
    f=$(grep -c '^\[  FAILED  \]' "$log.out")
    s=$(grep -c '^\[  SKIPPED \]' "$log.out")
    if [ "$status" -ne 0 ] && [ "$f" -eq 0 ]; then
        f=1
        echo "[  FAILED  ] $program ended with status $status" >>"$log.out"
    fi
    if [ "$f" -gt 0 ]; then
        echo "== $program"
        cat "$log.out" "$log.err"
    elif [ "$s" -gt 0 ]; then
        echo "== $program"
        grep '^\[  SKIPPED \]' "$log.out"
    fi
    passed=$((passed + p))
    failed=$((failed + f))
    skipped=$((skipped + s))
done
echo "$passed passed, $failed failed, $skipped skipped"
[ "$failed" -eq 0 ] && [ "$passed" -gt 0 ]
