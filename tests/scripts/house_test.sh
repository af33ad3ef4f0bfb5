#!/bin/sh
# The rules of the house, each as one test.
set -u
BUILD=${BUILD:-build}
program=$BUILD/afterflash
unset MAKEFLAGS MFLAGS MAKELEVEL
log=$(mktemp)
trap 'rm -f "$log"' EXIT

claim() {
    name=$1
    shift
    echo "[ RUN      ] $name"
    if "$@" >"$log" 2>&1; then
        echo "[       OK ] $name"
    else
        cat "$log"
        echo "[  FAILED  ] $name"
    fi
}

manual_is_clean() { mandoc -T lint -W warning "$BUILD/afterflash.1"; }

manual_names_every_option() {
    mandoc -T ascii "$BUILD/afterflash.1" | sed "s/.$(printf "\\b")//g" >"$log.manual"
    options=$("$program" measure --help | grep -oE '^  --[a-z-]+' | tr -d ' ')
    [ -n "$options" ] || return 1
    for option in $options; do
        [ "$option" = --help ] || grep -q -e "$option" "$log.manual" || { echo "$option"; rm -f "$log.manual"; return 1; }
    done
    rm -f "$log.manual"
}

help_fits_a_terminal() {
    for command in '' measure synth; do
        "$program" help $command | awk 'length($0) > 80 { print; bad = 1 } END { exit bad || NR == 0 }' || return 1
    done
}

second_make_does_nothing() { make -q BUILD="$BUILD" all; }

make_help_lists_the_targets() { make help | grep -q '^  demo ' && make help | grep -q '^  check '; }

install_and_uninstall_leave_nothing() {
    to=$(mktemp -d)
    make -s BUILD="$BUILD" DESTDIR="$to" PREFIX=/usr install &&
        [ -x "$to/usr/bin/afterflash" ] && [ -s "$to/usr/share/man/man1/afterflash.1" ] &&
        [ -s "$to/usr/share/afterflash/summary.schema.json" ] && [ -s "$to/usr/share/doc/afterflash/README.md" ] &&
        make -s BUILD="$BUILD" DESTDIR="$to" PREFIX=/usr uninstall &&
        [ -z "$(find "$to" -type f)" ]
    result=$?
    rm -rf "$to"
    return $result
}

version_names_the_libraries() {
    for library in libavformat libavcodec dcmtk fftw gsl jansson; do
        "$program" --version | grep -q "$library .*[0-9]" || { echo "$library"; return 1; }
    done
}

every_script_is_well_formed() {
    for script in tools/*.sh tests/*/*.sh .ci/run; do sh -n "$script" || bash -n "$script" || return 1; done
}

documents_name_every_column() {
    for source in src/report/series_csv.c src/report/motion_csv.c src/report/waves_csv.c \
        src/report/spectrogram_csv.c; do
        columns=$(grep -oE '[a-z0-9_]+(,|\\n)' "$source" | grep -E '_|loop|file|frame|trust' | tr -d ',' | sed 's/\\n//')
        [ -n "$columns" ] || return 1
        for column in $columns; do grep -q "\`$column\`" docs/outputs.md || { echo "$column"; return 1; }; done
    done
}

documents_name_every_option() {
    for option in $("$program" measure --help | grep -oE '^  --[a-z-]+' | tr -d ' ' | grep -v -e --help); do
        grep -q -e "$option" README.md || { echo "$option"; return 1; }
    done
}

# links_lead_somewhere FILE...
links_lead_somewhere() {
    for document in "$@"; do
        [ -s "$document" ] || { echo "$document"; return 1; }
        for link in $(grep -oE '\]\([^)#]+' "$document" | sed 's/^](//'); do
            case $link in http*) continue ;; esac
            [ -e "$(dirname "$document")/$link" ] || { echo "$document: $link"; return 1; }
        done
    done
}

every_link_of_the_documents_leads_somewhere() { links_lead_somewhere README.md DEVELOPERS.md docs/*.md testvideos/README.md; }

every_link_of_the_installed_documents_leads_somewhere() {
    to=$(mktemp -d)
    make -s BUILD="$BUILD" DESTDIR="$to" PREFIX=/usr install &&
        links_lead_somewhere "$to/usr/share/doc/afterflash/README.md" $(find "$to/usr/share/doc/afterflash" -name '*.md')
    result=$?
    rm -rf "$to"
    return $result
}

# The summary asks the reasons whether the ends are told: both must mean the same sentence.
reason_of_unsure_ends_is_one() {
    sentence=$(sed -n 's/.*ends_untold\[\] = "\(.*\)";/\1/p' src/report/findings.c)
    [ -n "$sentence" ] && grep -q "\"$sentence" src/measure/cavity_sections.c
}

claim every_include_points_to_an_earlier_layer tools/check-layers.sh
claim every_public_function_has_its_contract tools/check-contracts.py
claim no_banned_function_is_called tools/check-banned.sh
claim every_file_is_set_by_clang_format make -s check-format
claim the_manual_is_clean manual_is_clean
claim the_manual_names_every_option manual_names_every_option
claim help_fits_a_terminal help_fits_a_terminal
claim a_second_make_does_nothing second_make_does_nothing
claim make_help_lists_the_targets make_help_lists_the_targets
claim what_was_installed_can_be_removed install_and_uninstall_leave_nothing
claim the_reason_of_unsure_ends_is_one reason_of_unsure_ends_is_one
claim the_version_names_the_libraries version_names_the_libraries
claim the_documents_name_every_column documents_name_every_column
claim the_documents_name_every_option documents_name_every_option
claim every_link_of_the_documents_leads_somewhere every_link_of_the_documents_leads_somewhere
claim every_link_of_the_installed_documents_leads_somewhere every_link_of_the_installed_documents_leads_somewhere
claim every_script_is_well_formed every_script_is_well_formed
