#!/bin/bash
# Runs fuzz targets one after the other, each for so many seconds, from seeds that the program makes.
#
#   tests/fuzz/fuzz.sh SECONDS [TARGET...]      all targets where none is named
#
# Needs a nightly Rust and cargo-fuzz. What was found before stays in target/corpus/TARGET and is tried
# first; an input that breaks something is left in tests/fuzz/artifacts, and the status is 1. A line a
# target tells how many inputs were tried. ENDGRAIN names the program that makes seeds (default: built
# here); SANITIZER is what cargo-fuzz takes (default: none, which finds panics, hangs and memory eaten;
# the project has no unsafe code of its own for `address` to look at, and that build takes far longer).
set -euo pipefail
cd "$(dirname "$0")/../.."

seconds=${1:?give the seconds for each target}
shift
all=(reading photo specimens corrections trees hand_counts marks decadal tridas tidy weather run_record
    words)
targets=("${@:-${all[@]}}")
fuzz=(--fuzz-dir tests/fuzz --sanitizer "${SANITIZER:-none}")
corpus=target/corpus
if [ -z "${ENDGRAIN:-}" ]; then
    cargo build --quiet
    ENDGRAIN=target/debug/endgrain
fi
endgrain=$(realpath "$ENDGRAIN")

place=$(mktemp -d)
trap 'rm -rf "$place"' EXIT

# Real small files of every kind. They are made anew each time, so that they are of this version.
make_seeds() {
    local work=$place/seeds target file to
    mkdir "$work"
    for target in "${all[@]}"; do mkdir -p "$place/$target" "$corpus/$target"; done
    cp -r tests/fuzz/seeds/. "$place/"
    cp fixtures/photo/*.heic fixtures/photo/end.png "$place/photo/"
    (
        cd "$work" &&
            "$endgrain" demo yard --count 6 --seed 2 --megapixels 0.04 --quiet &&
            "$endgrain" count yard --out out --quiet --mm-per-px 0.5 --last-ring 2023 &&
            "$endgrain" count yard --out part --part 1/1 --quiet &&
            "$endgrain" specimens yard --out specimens.csv &&
            "$endgrain" demo small --count 6 --seed 3 --megapixels 0.01 --quiet
    ) >/dev/null 2>"$place/said" || { cat "$place/said"; exit 1; }
    cp "$work"/small/*.jpg "$place/photo/"
    cp "$work"/out/*.rings.json "$place/reading/"
    cp "$work"/specimens.csv "$place/specimens/"
    {
        cat "$work"/part/run-record.part-1-of-1.jsonl; echo ----
        cat "$work"/part/ages.part-1-of-1.csv; echo ----
        cat "$work"/part/widths.part-1-of-1.csv
    } >"$place/run_record/part"
    # The beginnings of archived files, where they lie beside the checkout, and of what becomes of them
    # and of the committed ones in the other formats.
    local archived=(../shared/itrdb/*.rwl)
    [ -e "${archived[0]}" ] || {
        echo "no archived files beside the checkout: fewer seeds"
        archived=()
    }
    for file in tests/fuzz/seeds/decadal/*.rwl "${archived[@]}"; do
        head -n 40 "$file" >"$place/decadal/$(basename "$file")"
        for to in tidy xml; do
            "$endgrain" convert --to "$to" --out "$work/series" "$file" >/dev/null 2>&1
            target=$([ "$to" = xml ] && echo tridas || echo tidy)
            head -n 150 "$work/series" >"$place/$target/$(basename "$file")"
            rm "$work/series"
        done
    done
}

make_seeds
status=0
# The run record's target writes files and waits for the disk, where there is one.
[ -w /dev/shm ] && memory=$(mktemp -d -p /dev/shm) || memory=$(mktemp -d)
trap 'rm -rf "$place" "$memory"' EXIT
export TMPDIR=$memory
for target in "${targets[@]}"; do
    log=$place/$target.log
    if ! cargo +nightly fuzz run "${fuzz[@]}" "$target" "$corpus/$target" "$place/$target" -- \
        -max_total_time="$seconds" -timeout=60 -rss_limit_mb=4096 -max_len=65536 \
        -print_final_stats=1 >"$log" 2>&1; then
        status=1
        echo "$target: stopped by an input"
        tail -n 40 "$log"
    fi
    awk -v target="$target" '
        /^stat::number_of_executed_units:/ { tried = $2 }
        /^#[0-9]+.* ft: / { for (i = 1; i < NF; i++) if ($i == "ft:") features = $(i + 1) }
        END { printf "%s: %d inputs tried, %d features seen\n", target, tried, features }' "$log"
done
exit "$status"
