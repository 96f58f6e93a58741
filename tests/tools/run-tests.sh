#!/bin/sh
# Runs test programs (cmocka), two at a time, and adds up: run-tests.sh BUILD_DIR PROGRAM...
# Prints each failure whole, the ten slowest tests, and 'N passed, N failed' at the end. A skipped test has failed.
set -u
if [ "$1" = --one ]; then
    name=$(echo "${3##*/tests/}" | tr / _)
    CMOCKA_MESSAGE_OUTPUT=XML CMOCKA_XML_FILE="$2/test-logs/$name.%g.xml" "$3" >"$2/test-logs/$name.out" 2>&1
    echo $? >"$2/test-logs/$name.rc"
    exit 0
fi
mkdir -p "$1"
build=$(cd "$1" && pwd)
shift
logs=$build/test-logs
rm -rf "$logs"
mkdir -p "$logs"
export STADDLE_BUILD="$build"
export LSAN_OPTIONS="suppressions=$PWD/tests/tools/lsan.txt:print_suppressions=0"
printf '%s\n' "$@" | xargs -P "${JOBS:-2}" -I '{}' sh "$0" --one "$build" '{}'

# One line a test: seconds, verdict, program, name.
for rc in "$logs"/*.rc; do
    name=$(basename "$rc" .rc)
    cat "$logs/$name".*.xml 2>/dev/null | awk -v program="$name" -v status="$(cat "$rc")" '
        /<testcase / {
            split($0, part, "\""); test = part[2]; seconds = part[4]; tests++
            verdict = "passed"
        }
        /<failure|<skipped|<error/ { verdict = "failed"; failures++ }
        /<testcase .*\/>/ || /<\/testcase>/ { print seconds "\t" verdict "\t" program "\t" test }
        END {
            if (!tests) print "0\tfailed\t" program "\tran no test"
            else if (status != 0 && !failures) print "0\tfailed\t" program "\tended with status " status
        }'
done >"$logs/all"

grep -P '\tfailed\t' "$logs/all" | cut -f 3 | sort -u | while read -r name; do
    echo "== $name"
    sed -n '/<failure/,/<\/failure>/p' "$logs/$name".*.xml 2>/dev/null
    tail -40 "$logs/$name.out"
done
grep -hE '^(measured|printed): ' "$logs"/*.out
echo "the ten slowest tests, in seconds:"
sort -rn "$logs/all" | head -10 | awk -F '\t' '{ printf "  %7.2f  %s: %s\n", $1, $3, $4 }'
grep -P '\tfailed\t' "$logs/all" | awk -F '\t' '{ print "failed: " $3 ": " $4 }'
passed=$(grep -cP '\tpassed\t' "$logs/all")
failed=$(grep -cP '\tfailed\t' "$logs/all")
echo "$passed passed, $failed failed"
[ "$failed" = 0 ] && [ "$passed" != 0 ]
