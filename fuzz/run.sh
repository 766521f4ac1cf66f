#!/bin/bash
# Runs the fuzz targets one after another, each from its seeds and from what earlier runs found.
#
# usage: run.sh SECONDS [TARGET …]
# Ends with status 1 at the first finding, which lies in fuzz/artifacts. Needs no nightly toolchain.
set -euo pipefail
cd "$(dirname "$0")/.."
seconds=${1:?usage: run.sh SECONDS [TARGET …]}
shift
targets=("$@")
[ $# -gt 0 ] || targets=(jsgf pack log records audio keypad board engine)
export RUSTC_BOOTSTRAP=1
# There is no unsafe code of ours for a sanitizer to look at; without it twice as much is tried.
nice cargo fuzz build --sanitizer none
for target in "${targets[@]}"; do
    # Longest input: what one piece is, times what a run can chew on.
    case $target in pack) longest=24000 ;; records | log) longest=16000 ;; jsgf | audio) longest=8192 ;; *) longest=2048 ;; esac
    mkdir -p "fuzz/corpus/$target"
    echo "== $target, $seconds s"
    nice cargo fuzz run --sanitizer none "$target" "fuzz/corpus/$target" "fuzz/seeds/$target" -- \
        -max_total_time="$seconds" -max_len=$longest -timeout=120 -rss_limit_mb=2048 -report_slow_units=60 -print_final_stats=1 2>&1 |
        grep -E "^#[0-9]+.*(DONE|INITED)|^stat::(number|peak|average)|ERROR|panicked|SUMMARY|Test unit|ALARM" || true
    # The pipe above hides how it ended.
    [ -z "$(ls -A "fuzz/artifacts/$target" 2>/dev/null)" ] || { echo "found: fuzz/artifacts/$target" >&2; exit 1; }
done
