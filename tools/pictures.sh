#!/bin/sh
# Draws the README's pictures of a prep sheet, a debrief and a comparison from what the program makes now. All that they
# show is invented.
#
# usage: pictures.sh PROGRAM INVENT FOLDER
#   PROGRAM  earmark;  INVENT  the example invent_drills;  FOLDER  for logs and pages
set -eu
program=$1 invent=$2 folder=$3

chromium=$(command -v chromium || command -v chromium-browser || command -v google-chrome) || {
    echo "error: no browser that draws without a window: install one (Debian: apt-get install chromium)" >&2
    exit 1
}
rm -rf "$folder"
mkdir -p "$folder" docs
folder=$(cd "$folder" && pwd)

browse() {
    "$chromium" --headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking \
        --disable-component-update --disable-sync --user-data-dir="$folder/profile" "$@" 2>/dev/null
}

# A page as it is seen. PAGE PNG WIDTH HEIGHT
shoot() {
    browse --hide-scrollbars --window-size="$3,$4" --screenshot="$PWD/$2" "file://$1"
}

# A page as it is printed. PAGE PNG
print() {
    browse --no-pdf-header-footer --print-to-pdf="$folder/page.pdf" "file://$1"
    pdftoppm -r 100 -gray -png -singlefile "$folder/page.pdf" "$folder/page"
    # Text needs few greys, and few greys need little room.
    ffmpeg -loglevel error -y -i "$folder/page.png" \
        -vf 'split[a][b];[a]palettegen=max_colors=8:reserve_transparent=0[p];[b][p]paletteuse=dither=none' "$2"
}

"$program" prepare --gestation 31 --weight 1.6 --force --html "$folder/sheet.html" 2>/dev/null
print "$folder/sheet.html" docs/prep-sheet.png
"$invent" "$folder" script tests/debrief/logs/story.txt
"$program" debrief "$folder/story.earmark.jsonl" --force --html "$folder/debrief.html"
shoot "$folder/debrief.html" docs/debrief.png 1240 1235
"$invent" "$folder/drills" 64
"$program" compare "$folder/drills" --force --html "$folder/compare.html"
shoot "$folder/compare.html" docs/compare.png 1240 940
ls -l docs/prep-sheet.png docs/debrief.png docs/compare.png
