#!/bin/sh
# Makes the rehearsal loops of tests/support/designs.csv in a folder: make-loops.sh FOLDER [NAME...]
# Each column but the first two is an option of "afterflash synth"; the last holds further options.
# What is there already is kept. SECONDS_LONG, WIDTH and HEIGHT change the loops' size.
set -eu
program=${PROGRAM:-build/afterflash}
designs=${DESIGNS:-tests/support/designs.csv}
[ $# -ge 1 ] || { echo "usage: $0 FOLDER [NAME...]" >&2; exit 2; }
folder=$1
shift
mkdir -p "$folder"
columns=$(head -n 1 "$designs" | tr ',' ' ')
tail -n +2 "$designs" | while IFS= read -r line; do
    name=${line%%,*}
    if [ $# -gt 0 ]; then
        case " $* " in *" $name "*) ;; *) continue ;; esac
    fi
    options= suffix= more=
    rest=$line,
    for column in $columns; do
        value=${rest%%,*}
        rest=${rest#*,}
        case $column in
        name) ;;
        suffix) suffix=$value ;;
        more) more=$value ;;
        *) [ -z "$value" ] || options="$options --$column $value" ;;
        esac
    done
    [ ! -e "$folder/$name.truth.json" ] || continue
    # shellcheck disable=SC2086
    "$program" synth --force --duration-s "${SECONDS_LONG:-120}" --width-px "${WIDTH:-800}" --height-px "${HEIGHT:-600}" \
        $options $more "$folder/$name.$suffix"
    echo "$folder/$name.$suffix"
done
