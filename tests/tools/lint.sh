#!/bin/sh
# Format, static analysis, spelling, shell syntax, include order. Prints what is wrong; nothing when all is well.
set -u
cd "$(dirname "$0")/../.."
bad=0
sources=$(git ls-files '*.c' '*.h')
# Without git, or in a folder that it does not trust, there would be nothing to find fault with.
if [ -z "$sources" ]; then
    echo "lint: git lists no source here; install git, and run it in a clone of your own"
    exit 1
fi
flags="-D_GNU_SOURCE -Iinclude -Isrc -I."

step() {
    name=$1
    shift
    if ! "$@"; then
        echo "lint: $name found something"
        bad=1
    fi
}

# shellcheck disable=SC2086
step clang-format clang-format --dry-run --Werror $sources
step "include order" sh tests/tools/include-order.sh
# shellcheck disable=SC2086
step cppcheck cppcheck -q -j "$(nproc)" --std=c11 --inline-suppr --error-exitcode=1 --enable=warning,performance,portability \
    --include=tests/tools/cppcheck.h \
    --suppressions-list=tests/tools/cppcheck.txt $flags $(git ls-files 'src/*.c' 'firmware/*.c')
# shellcheck disable=SC2086
tidy() {
    git ls-files 'src/*.c' 'firmware/core/*.c' 'firmware/native/*.c' |
        xargs -P "$(nproc)" -I '{}' clang-tidy --quiet '{}' -- -std=c11 $flags $(pkg-config --cflags cairo libraw_r libusb-1.0) \
            2>build/lint-tidy.err
}
step clang-tidy tidy
step codespell codespell -q 3 --ignore-words tests/tools/codespell.txt $(git ls-files | grep -vE '\.(png|jpg|db)$|^LICENSE$|^tests/fixtures/')
for script in $(git ls-files '*.sh' .ci/run); do
    step "sh -n $script" sh -n "$script"
done
[ "$bad" = 0 ] && echo "lint: clean"
exit $bad
