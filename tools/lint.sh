#!/bin/sh
# clang-format, the house checks, cppcheck and clang-tidy. The arguments are the words for the C compiler.
set -u
cd "$(dirname "$0")/.."
failed=0

run() {
    echo "== $1"
    shift
    "$@" || failed=1
}

# Words that clang-tidy needs, one a line; the version is a string within quotes.
lean=$(printf '%s\n' "$@" | grep -E '^-(I|D|std)')

# tidy FOLDER ENDING STANDARD: the sources there with that ending
tidy() {
    find "$1" -name "*.$2" | LC_ALL=C sort | xargs -P "$(nproc)" -n 4 sh -c \
        'clang-tidy --quiet "$@" -- -std='"$3"' -Iinclude -Isrc -Itests/support -D_XOPEN_SOURCE=700 -DAFTERFLASH_VERSION=\"0.0.0\" '"$(echo "$lean" | grep '^-I/' | tr '\n' ' ')"' 2>/dev/null' tidy
}

run clang-format make -s check-format
run layers tools/check-layers.sh
run contracts tools/check-contracts.py
run banned tools/check-banned.sh
# cppcheck does not know the cleanup attribute, which ends what it takes for leaks, nor compound literals in ?:.
run cppcheck cppcheck --quiet --error-exitcode=1 --inline-suppr --std=c17 --enable=warning,performance,portability \
    --suppress=missingIncludeSystem --suppress=preprocessorErrorDirective --suppress=memleak --suppress=internalAstError --suppress=ignoredReturnValue -j "$(nproc)" -Iinclude -Isrc \
    -D_XOPEN_SOURCE=700 src
run clang-tidy tidy src c c17
run "clang-tidy, C++" tidy src cpp c++17
run "clang-tidy, tests" tidy tests c c17
exit $failed
