#!/bin/sh
# What `make check` does: install, demo, every test, the sanitizers, the second compiler, lint. Goes on after a failure,
# says at the end what failed, and ends with 'N passed, N failed'.
set -u
cd "$(dirname "$0")/../.."
began=$(date +%s)
log=build/check.log
mkdir -p build
passed=0
failed=0
broken=""

# stage NAME COMMAND...: a stage that prints 'N passed, N failed' counts its tests, any other counts as one.
stage() {
    name=$1
    shift
    at=$(date +%s)
    echo "== $name"
    if "$@" >"$log" 2>&1; then rc=0; else rc=$?; fi
    cat "$log"
    counts=$(tail -1 "$log" | grep -xE '[0-9]+ passed, [0-9]+ failed')
    if [ -n "$counts" ]; then
        passed=$((passed + ${counts%% passed*}))
        bad=${counts##*passed, }
        bad=${bad%% failed}
        [ "$rc" = 0 ] || [ "$bad" != 0 ] || bad=1
    elif [ "$rc" = 0 ]; then
        bad=0
        passed=$((passed + 1))
    else
        bad=1
    fi
    failed=$((failed + bad))
    [ "$bad" = 0 ] || broken="$broken [$name]"
    echo "-- $name: $(($(date +%s) - at)) s"
}

jobs=-j$(nproc)
stage "packages" make --no-print-directory deps-check
stage "demo" make --no-print-directory demo
stage "build of the tests" make --no-print-directory "$jobs" test-programs
stage "tests" make --no-print-directory check-tests
stage "firmware in a simulated chip" make --no-print-directory chip
stage "build with sanitizers" make --no-print-directory "$jobs" SAN=address build test-programs
stage "tests with sanitizers" make --no-print-directory SAN=address san-tests
stage "what the seeds reach" make --no-print-directory "$jobs" coverage
stage "build of the fuzz targets" make --no-print-directory "$jobs" SAN=fuzz fuzz-programs
stage "fuzz, 10 s each" make --no-print-directory FUZZ_SECONDS=10 fuzz
stage "clang" make --no-print-directory "$jobs" CC=clang B=build/clang WERROR=-Werror build test-programs
stage "lint" make --no-print-directory lint
rm -f "$log"

echo "make check took $(($(date +%s) - began)) s"
[ -z "$broken" ] || echo "not good:$broken"
echo "$passed passed, $failed failed"
[ "$failed" = 0 ]
