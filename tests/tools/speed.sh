#!/bin/sh
# Runs the measurements: speed.sh BUILD_DIR PROGRAM... Each prints JSON lines
#   {"what": ..., "value": ..., "unit": ..., "bound": ..., "meets": true|false}
# which are shown, one a line, and gathered in BUILD_DIR/speed.json. Measurements never fail a build.
set -u
build=$1
shift
export STADDLE_BUILD="$build"
for program in "$@"; do
    "$program" 2>&1 | tee -a "$build/speed.part" | sed -n \
        's/^{"what": *"\([^"]*\)", *"value": *\([^,]*\), *"unit": *"\([^"]*\)", *"bound": *\([^,]*\), *"meets": *\([a-z]*\)}.*/\1: \2 \3 (bound \4, met: \5)/p'
done
{
    printf '{"machine": "%s, %s cores", "rows": [\n' "$(sed -n 's/^model name[^:]*: //p' /proc/cpuinfo | head -1)" "$(nproc)"
    grep '^{' "$build/speed.part" | sed '$!s/$/,/'
    echo ']}'
} >"$build/speed.json"
rm -f "$build/speed.part"
echo "see $build/speed.json"
exit 0
