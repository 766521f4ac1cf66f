#!/bin/sh
# Draws the README's pictures from what the program makes now. All that they show is invented.
#
# usage: pictures.sh PROGRAM
set -eu

program=$1
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
mkdir -p docs

# A page as it is printed: page.html → docs/NAME.png
draw() {
    chromium --headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking \
        --disable-component-update --disable-sync --user-data-dir="$work/profile" --no-pdf-header-footer \
        --print-to-pdf="$work/page.pdf" "$work/page.html" 2>/dev/null
    pdftoppm -r 100 -gray -png -singlefile "$work/page.pdf" "$work/page"
    # Text needs few greys, and few greys need little room.
    ffmpeg -loglevel error -y -i "$work/page.png" \
        -vf 'split[a][b];[a]palettegen=max_colors=8:reserve_transparent=0[p];[b][p]paletteuse=dither=none' "docs/$1.png"
    echo "docs/$1.png"
}

"$program" prepare --gestation 31 --weight 1.6 --html "$work/page.html" 2>/dev/null
draw prep-sheet
