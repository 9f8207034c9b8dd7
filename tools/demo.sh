#!/bin/sh
# demo.sh - one invented night: simulated, looked at, checked against its rig, truth opened.
# usage: tools/demo.sh   (build/nightwright is built)
# Writes demo-out/ (about 650 MB); safe to repeat.
set -eu
cd "$(dirname "$0")/.."
night=demo-out/night
rig=data/demo/rig.yaml

run() {
    printf '\n$ nightwright'
    printf ' %s' "$@"
    printf '\n\n'
    build/nightwright "$@"
}

# Only a folder of our own making is emptied: it holds the simulator's truth.
if [ -f "$night/truth.json" ]; then
    rm -rf "$night"
fi
mkdir -p demo-out
rm -f demo-out/book.sqlite demo-out/book.sqlite-wal demo-out/book.sqlite-shm

echo "1. One night of an invented observatory is simulated: frames, the guide log of the same"
echo "   motion and the same seeing, and truth.json, which nothing below reads until the end."
run synth "$rig" -o "$night" --subs 36 --seed 7 --size 3008x3008

echo
echo "2. What a newcomer runs first: a look at the frames alone, without a rig file."
run look "$night"

echo
echo "3. The star-width budget: rig + frames + guide log, predicted and measured side by side;"
echo "   then the simulator's truth is opened beside it."
run check "$rig" --frames "$night" --guiding "$night/guide.csv" --truth "$night/truth.json"

echo
if [ -f build/catalogue.bin ]; then
    echo "4. What to image in another night, when, and what to switch (docs/plan.md)."
    run plan "$rig" --targets data/demo/targets.yaml --night 2026-06-14 \
        --chart demo-out/timetable.svg --ics demo-out/night.ics
fi

echo
echo "5. The night goes into the book, and becomes one page (docs/book.md)."
run book add "$night" "$rig" --book demo-out/book.sqlite --priority normal
run report --book demo-out/book.sqlite --rig "$rig" --html demo-out/night.html
