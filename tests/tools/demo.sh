#!/bin/sh
# The demo: demo.sh BUILD_DIR. A small brass clock movement is planned, shot on the simulated bench, checked and handed
# over. Leaves BUILD_DIR/demo/{stack,handover,report.html} and what each command said; clears its own older output first.
set -eu
cd "$(dirname "$0")/../.."
build=${1:-build}
staddle=$build/staddle
out=$build/demo
job=configs/demo-job.yaml
began=$(date +%s)

rm -rf "$out"
mkdir -p "$out"

# say COMMAND... : shows the command; keeps all that it says in a file, and stops at a failure.
say() {
    echo
    echo "\$ staddle $*"
    "$staddle" "$@" >"$out/$1.txt" || { rc=$?; cat "$out/$1.txt"; exit "$rc"; }
}

say plan "$job"
sed -n '1p;/^  spacing/p;/^  compose/p' "$out/plan.txt"
say simulate "$job" --stack "$out/stack"
sed -n 1,2p "$out/simulate.txt"
say check "$out/stack" --page "$out/report.html"
sed -n '1,2p;/^  [1-3]  /p' "$out/check.txt"
say handover "$out/stack" --to "$out/handover"
sed -n 2,4p "$out/handover.txt"

echo
echo "took $(($(date +%s) - began)) s. Look at $out/report.html, $out/stack/derived and $out/handover."
