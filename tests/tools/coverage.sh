#!/bin/sh
# How much of each parser the kept seeds alone reach: coverage.sh BUILD_DIR, a tree that was built with SAN=cover. Runs
# each target's seeds by themselves and asks gcov for the lines of the files that this target is for. Fails below 80 %.
set -u
build=$1
least=80
table="
wire_core firmware/core/wire.c firmware/core/core.c firmware/core/words.c firmware/core/settings.c
wire_host src/device/rail_line.c src/device/rail_picture.c firmware/core/wire.c
bench     src/config/bench_file.c src/config/reader.c
job       src/config/job_file.c src/config/value.c
store     src/store/db.c src/store/schema.c src/store/rows.c src/store/dump.c
measures  src/image/measure_io.c
jpeg      src/image/decode_jpeg.c src/image/decode.c
png       src/image/decode_png.c
tiff      src/image/decode_tiff.c
raw       src/image/decode_raw.c src/image/preview.c src/image/exif.c
exif      src/image/exif.c
"
passed=0
failed=0
one() {
    name=$1
    shift
    find "$build/obj" -name '*.gcda' -delete
    if ! "$build/tests/fuzz/replay_$name" >"$build/replay_$name.out" 2>&1; then
        tail -20 "$build/replay_$name.out"
        echo "coverage: the seeds of $name broke"
        failed=$((failed + 1))
        return
    fi
    for file in "$@"; do
        share=$(gcov -n "$build/obj/${file%.c}.gcda" 2>/dev/null | grep -A 1 "^File '$file'" |
            sed -n 's/^Lines executed:\([0-9.]*\)% of \([0-9]*\)/\1 \2/p')
        echo "measured: seeds of $name reach ${share%% *} % of the ${share##* } lines of $file"
        if [ "$(echo "${share%% *}" | cut -d . -f 1)" -ge $least ] 2>/dev/null; then
            passed=$((passed + 1))
        else
            echo "coverage: less than $least %"
            failed=$((failed + 1))
        fi
    done
}
# shellcheck disable=SC2086
while read -r line; do
    [ -z "$line" ] || one $line
done <<END
$table
END
# A target that the table does not know is measured by nobody.
for source in tests/fuzz/fuzz_*.c; do
    name=${source##*/fuzz_}
    echo "$table" | grep -q "^${name%.c} " || {
        echo "coverage: ${name%.c} is not in the table of $0"
        failed=$((failed + 1))
    }
done
echo "$passed passed, $failed failed"
[ "$failed" = 0 ] && [ "$passed" != 0 ]
