#!/bin/sh
# Writes the tables of DOCUMENT again: tables.sh DOCUMENT PROGRAM... What the program table_NAME prints goes between the
# lines '<!-- table NAME, from make tables -->' and '<!-- end of table NAME -->'.
set -u
document=$1
shift
for program in "$@"; do
    name=${program##*/table_}
    first="<!-- table $name, from make tables -->"
    last="<!-- end of table $name -->"
    if ! grep -qxF "$first" "$document" || ! grep -qxF "$last" "$document"; then
        echo "$document: no place for the table $name; add the lines '$first' and '$last'" >&2
        exit 2
    fi
    "$program" >"$document.part" || exit 1
    awk -v first="$first" -v last="$last" -v table="$document.part" '
        $0 == last { inside = 0 }
        !inside { print }
        $0 == first { inside = 1; print ""; while ((getline line < table) > 0) print line; print "" }
    ' "$document" >"$document.new" && mv "$document.new" "$document"
    rm -f "$document.part"
    sed -n "/^$first\$/,/^$last\$/p" "$document"
done
