#!/bin/sh
# What the firmware takes of the chip: fw-figures.sh ELF. Ends with an error when it does not fit.
set -eu
avr-size -A "$1" | awk '
    $1 == ".text" { flash += $2 }
    $1 == ".data" { flash += $2; ram += $2 }
    $1 == ".bss" || $1 == ".noinit" { ram += $2 }
    END {
        printf "flash %d of 32768 bytes, RAM %d of 2048 bytes, %d bytes left for the stack\n", flash, ram, 2048 - ram
        exit flash > 32256 || ram > 1700
    }'
