#!/bin/sh
# A folder includes headers only from folders to its left, so that data can only go one way:
#   base | config | optics | plan, image | check | store | sim | device | run | report | web | cmd
# Besides: sim sees base and the records only; check sees no store; web sees no device; firmware/core sees the wire and
# itself only; firmware/avr sees core.h and tick.h; firmware/native sees core, base and sim; the camera program sees base,
# optics and its messages (device/camera_wire.h, device/told.h, staddle/lens.h); device also sees the one
# header of core and of native.
# include-order.sh [ROOT] prints each arrow that is not allowed.
set -u
cd "${1:-$(dirname "$0")/../..}" || exit 2
find src firmware include 2>/dev/null -name '*.[ch]' | sort | xargs -r grep -nHE '^ *# *include *"' | awk -F: '
    function rank(folder) {
        if (folder == "base") return 1
        if (folder == "config") return 2
        if (folder == "optics") return 3
        if (folder == "plan" || folder == "image") return 4
        if (folder == "check") return 5
        if (folder == "store") return 6
        if (folder == "sim") return 7
        if (folder == "device") return 8
        if (folder == "run") return 9
        if (folder == "report") return 10
        if (folder == "web") return 11
        if (folder == "cmd") return 12
        return 0
    }
    function allowed(from, to, target) {
        if (from == "camera") return to == "base" || to == "camera" || to == "optics" || target == "device/camera_wire.h" || target == "device/told.h" || target == "staddle/lens.h"
        if (to == "staddle") return from != "core" || target ~ /^staddle\/wire\.h$/
        if (from == to) return 1
        if (from == "include") return 0
        if (from == "core") return 0
        if (from == "avr") return target ~ /^firmware\/core\/(core|tick)\.h$/
        if (from == "native") return to == "core" || to == "base" || to == "sim"
        if (to == "core") return from == "device" && target == "firmware/core/core.h"
        if (to == "native") return from == "device"
        if (from == "sim") return to == "base"
        if (from == "check" && to == "store") return 0
        if (from == "web" && to == "device") return 0
        return rank(to) > 0 && rank(from) > 0 && rank(to) < rank(from)
    }
    {
        path = $1; line = $2
        match($0, /"[^"]*"/); target = substr($0, RSTART + 1, RLENGTH - 2)
        n = split(path, part, "/")
        if (part[1] == "include") from = "include"
        else if (n == 2) from = "cmd"
        else from = part[2]
        m = split(target, goal, "/")
        if (goal[1] == "firmware") to = goal[2]
        else if (m == 1) to = (n == 2) ? "cmd" : "?"
        else to = goal[1]
        if (!allowed(from, to, target)) {
            print path ":" line ": " from " may not include \"" target "\""
            bad = 1
        }
    }
    END { exit bad }'
