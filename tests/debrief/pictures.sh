#!/bin/sh
# Makes docs/debrief.png and docs/compare.png from invented drills, in a browser without a window.
#
# usage: pictures.sh PROGRAM INVENT FOLDER
#   PROGRAM  earmark;  INVENT  the example invent_drills;  FOLDER  for logs and pages
set -eu
program=$1 invent=$2 folder=$3

browser=$(command -v chromium || command -v chromium-browser || command -v google-chrome) || {
    echo "error: no browser that draws without a window: install one (Debian: apt-get install chromium)" >&2
    exit 1
}
rm -rf "$folder"
mkdir -p "$folder" docs

# PAGE PNG WIDTH HEIGHT
shoot() {
    profile=$(mktemp -d)
    "$browser" --headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking \
        --disable-component-update --disable-sync --hide-scrollbars --user-data-dir="$profile" \
        --window-size="$3,$4" --screenshot="$PWD/$2" "file://$1" 2>/dev/null
    rm -rf "$profile"
}

"$invent" "$folder" script tests/debrief/logs/story.txt
"$program" debrief "$folder/story.earmark.jsonl" --html "$folder/debrief.html"
"$invent" "$folder/drills" 64
"$program" compare "$folder/drills" --html "$folder/compare.html"
folder=$(cd "$folder" && pwd)
shoot "$folder/debrief.html" docs/debrief.png 1240 1235
shoot "$folder/compare.html" docs/compare.png 1240 940
ls -l docs/debrief.png docs/compare.png
