#!/bin/sh
# Installs the packages of .ci/packages.txt whose first word is among the arguments, if any is missing.
# Needs root (or sudo) only then.
set -eu
cd "$(dirname "$0")/../.."
wanted=""
for kind in "$@"; do
    wanted="$wanted $(sed -n "s/^$kind //p" .ci/packages.txt)"
done
missing=""
for name in $wanted; do
    dpkg-query -W -f '${Status}\n' "$name" 2>/dev/null | grep -q '^install ok installed' || missing="$missing $name"
done
[ -n "$missing" ] || exit 0
echo "installing:$missing"
as_root=""
[ "$(id -u)" = 0 ] || as_root=sudo
$as_root apt-get update -qq
# shellcheck disable=SC2086
DEBIAN_FRONTEND=noninteractive $as_root apt-get install -y -qq --no-install-recommends $missing >/dev/null
