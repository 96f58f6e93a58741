#!/bin/sh
# Searches for inputs that break a parser: fuzz.sh BUILD_DIR SECONDS NAME..., two targets at a time. Starts from
# tests/fuzz/corpus/NAME and leaves that as it is; what is new goes to BUILD_DIR/kept/NAME and helps the next search,
# what breaks a target to BUILD_DIR/found. Prints a line for each target and 'N passed, N failed'.
set -u
if [ "$1" = --one ]; then
    build=$2 seconds=$3 name=$4
    corpus=tests/fuzz/corpus/$name
    longest=4096
    case $name in
    store) longest=65536 ;;
    jpeg | png | tiff | raw | measures) longest=16384 ;;
    esac
    set -- -max_total_time="$seconds" -timeout=25 -rss_limit_mb=2048 -max_len=$longest -print_final_stats=1 \
        -artifact_prefix="$build/found/$name-"
    if [ -f "tests/fuzz/$name.dict" ]; then set -- "$@" -dict="tests/fuzz/$name.dict"; fi
    mkdir -p "$build/kept/$name"
    "$build/tests/fuzz/fuzz_$name" "$@" "$build/kept/$name" "$corpus" >"$build/found/$name.log" 2>&1
    echo $? >"$build/found/$name.rc"
    exit 0
fi
mkdir -p "$1/found"
build=$(cd "$1" && pwd)
seconds=$2
shift 2
rm -f "$build"/found/*.log "$build"/found/*.rc
export LSAN_OPTIONS="suppressions=$PWD/tests/tools/lsan.txt:print_suppressions=0"
printf '%s\n' "$@" | xargs -P "${JOBS:-2}" -I '{}' sh "$0" --one "$build" "$seconds" '{}'
passed=0
failed=0
for name in "$@"; do
    log=$build/found/$name.log
    stat() { sed -n "s/^stat::$1: *//p" "$log"; }
    runs=$(stat number_of_executed_units)
    at_start=$(sed -n 's/.*INITED cov: \([0-9]*\).*/\1/p' "$log")
    at_end=$(grep -oE 'cov: [0-9]+' "$log" | tail -1 | cut -d ' ' -f 2)
    printf 'measured: fuzz %s: %s inputs in %s s, %s seeds, branches %s -> %s, largest memory %s MB\n' "$name" \
        "${runs:-no}" "$seconds" "$(find "tests/fuzz/corpus/$name" -type f | wc -l)" "${at_start:-?}" "${at_end:-?}" \
        "$(stat peak_rss_mb)"
    if [ "$(cat "$build/found/$name.rc")" = 0 ] && [ "${runs:-0}" -gt 0 ]; then
        passed=$((passed + 1))
    else
        failed=$((failed + 1))
        echo "== $name broke"
        grep -vE '^#[0-9]+[[:space:]]+(NEW|REDUCE|pulse)' "$log" | tail -60
    fi
done
echo "$passed passed, $failed failed"
[ "$failed" = 0 ] && [ "$passed" != 0 ]
