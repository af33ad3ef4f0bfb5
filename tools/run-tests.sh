#!/bin/sh
# Runs cmocka test programs one after the other and closes with one line that counts all their tests.
set -u
passed=0; failed=0; skipped=0
log=$(mktemp)
trap 'rm -f "$log"' EXIT
for program in "$@"; do
    echo "== $program"
    "$program" >"$log" 2>&1
    status=$?
    cat "$log"
    p=$(grep -c '^\[       OK \]' "$log"); f=$(grep -c '^\[  FAILED  \] [a-z_0-9A-Z]*$' "$log"); s=$(grep -c '^\[  SKIPPED \] [a-z_0-9A-Z]*$' "$log")
    if [ "$status" -ne 0 ] && [ "$f" -eq 0 ]; then f=1; echo "$program ended with status $status"; fi
    passed=$((passed + p)); failed=$((failed + f)); skipped=$((skipped + s))
done
echo "$passed passed, $failed failed, $skipped skipped"
[ "$failed" -eq 0 ] && [ "$passed" -gt 0 ]
