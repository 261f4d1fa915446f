#!/usr/bin/env bash
# Makes every demo recording again from its scenario, byte for byte, and the size table of the format document from them.
set -eu
cd "$(dirname "$0")/.."
cargo build --release --quiet --package airvalve
airvalve="${CARGO_TARGET_DIR:-target}/release/airvalve"
for scenario in recordings-demo/*.scenario.toml; do
    name="${scenario%.scenario.toml}"
    "$airvalve" simulate "$scenario" -o "$name.airvalve" --truth "$name.truth.json"
done
cargo run --release --quiet --package airvalve-columnar --example size_table
