#!/bin/sh
# Unpacks the data lines of .ci/packages.txt below the given folder, each into one of its package's name, unless it is
# there already. Nothing is installed: of such a package the tests read a few files, and its programs would bring
# hundreds of megabytes with them.
set -eu
cd "$(dirname "$0")/../.."
to=$1
mkdir -p "$to"
for name in $(sed -n 's/^data //p' .ci/packages.txt); do
    [ ! -d "$to/$name" ] || continue
    echo "unpacking: $name"
    work=$(mktemp -d "$to/.work.XXXXXX")
    fetch() {
        (cd "$work" && apt-get download -qq -o APT::Sandbox::User=root "$name" >/dev/null)
    }
    # A machine that never asked for the lists knows no package.
    if ! fetch 2>/dev/null; then
        as_root=""
        [ "$(id -u)" = 0 ] || as_root=sudo
        $as_root apt-get update -qq
        fetch
    fi
    dpkg-deb -x "$work"/*.deb "$work/root"
    mv "$work/root" "$to/$name"
    rm -rf "$work"
done
