#!/usr/bin/env bash
# Runs two hours of samples on the emulated board and prints what it takes: flash, RAM, instructions a sample.
set -euo pipefail
cd "$(dirname "$0")/../.."
cargo test --quiet -p airvalve-tests --test emulated_board -- --nocapture flash_ram_and_instructions
