#!/bin/sh
# Looks for functions that have no place here and names what to use instead.
# A line with "allow: WHY" in a comment passes.
set -eu
cd "$(dirname "$0")/.."
found=0

# ban WHERE PATTERN REPLACEMENT: an extended regular expression over the files of WHERE
ban() {
    hits=$(find $1 \( -name '*.c' -o -name '*.h' -o -name '*.cpp' \) | LC_ALL=C sort |
        xargs grep -nE "(^|[^A-Za-z0-9_>.])($2)" | grep -v 'allow: ' | grep -vE '^[^:]*:[0-9]*: *(/?\*|//)' || true)
    [ -z "$hits" ] && return 0
    echo "$hits" | sed "s|\$|    <- $3|"
    found=1
}

below=$(find src include -mindepth 1 -maxdepth 1 -type d ! -name commands | LC_ALL=C sort | tr '\n' ' ')
below_but_base=$(echo "$below" | tr ' ' '\n' | grep -v /base | tr '\n' ' ')
ban "src include" '(atoi|atol|atoll|atof) *\(' 'text_to_long, text_to_double'
ban "$below_but_base src/commands" '(strtod|strtof|strtol|strtoul|sscanf) *\(' 'text_to_double, text_to_long'
ban "src include" '(sprintf|vsprintf) *\(' 'snprintf, text_format'
ban "src include" '(strcpy|strcat|strncpy|strncat|gets|stpcpy) *\(' 'text_copy, text_format, memcpy with a known size'
ban "src include" '(rand|srand|random|drand48) *\(' 'a seeded generator owned by the caller'
ban "src include" '(system|popen|execvp|execlp) *\(' 'a library call'
ban "src include" '(tmpnam|tempnam|mktemp) *\(' 'output_begin'
ban "src include" 'setlocale *\(' 'nothing: numbers have a point whatever the locale'
ban "src include" '(strtok|asctime|ctime|gmtime|localtime|strerror_l) *\(' 'the re-entrant one'
ban "$below" '(exit|_exit|abort|quick_exit) *\(' 'return false with an error'
ban "$below" '(printf|puts|putchar|perror) *\(|fprintf *\((stdout|stderr)|fputs *\([^;]*(stdout|stderr)' 'error_set; only commands/ talks'
ban "$below_but_base src/commands" 'fopen *\([^)]*"[wa]|freopen *\(|creat *\(' 'output_begin'
ban "src include" 'FFTW_(MEASURE|PATIENT|EXHAUSTIVE)' 'FFTW_ESTIMATE: measured plans change results'
ban "$below" '(time|gettimeofday|clock_gettime|gethostname|getlogin) *\(' 'nothing: no clock and no host in a result'
exit $found
