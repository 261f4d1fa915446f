#!/usr/bin/env bash
# Builds the image with rustup's target where it is installed, else with Debian's compiler and its library sources.
# Prints what the image takes of its limits; its last line is the image's path. `--lint` first: lints it instead, or only
# checks it where that compiler comes without clippy.
set -euo pipefail
cd "$(dirname "$0")"

target=thumbv7em-none-eabihf
action=build
if [ "${1:-}" = --lint ]; then
    action=lint
    shift
fi
# Called from a cargo of another toolchain (a test), that one's settings must not leak in here.
unset RUSTFLAGS CARGO_ENCODED_RUSTFLAGS RUSTC RUSTC_WRAPPER LD_LIBRARY_PATH

if [ "$action" = lint ] && rustup target list --installed 2>/dev/null | grep -qx "$target"; then
    cargo clippy --release --quiet --locked --target "$target" "$@" -- -D warnings
    exit
elif [ "$action" = lint ] && [ -x /usr/bin/cargo ]; then
    export RUSTC_BOOTSTRAP=1 RUSTC=/usr/bin/rustc CARGO=/usr/bin/cargo
    options=(--release --quiet --locked -Zbuild-std=core --target "$target" "$@")
    if [ -x /usr/bin/cargo-clippy ]; then
        /usr/bin/cargo-clippy clippy "${options[@]}" -- -D warnings
    else
        echo "build.sh: no clippy beside /usr/bin/cargo, checked only; apt-get install rust-web-clippy for more" >&2
        /usr/bin/cargo check "${options[@]}"
    fi
    exit
fi

if rustup target list --installed 2>/dev/null | grep -qx "$target"; then
    cargo build --release --quiet --locked --target "$target" "$@"
elif [ -x /usr/bin/rustc ] && [ -x /usr/bin/cargo ] && [ -d "$(/usr/bin/rustc --print sysroot)/lib/rustlib/src/rust/library/core" ] &&
    command -v ld.lld >/dev/null; then
    RUSTC_BOOTSTRAP=1 RUSTC=/usr/bin/rustc RUSTFLAGS="-C linker=ld.lld -C linker-flavor=ld.lld" \
        /usr/bin/cargo build --release --quiet --locked -Zbuild-std=core --target "$target" "$@"
else
    cat >&2 <<END
build.sh: no compiler for $target; install one of
  rustup target add $target
  apt-get install -y --no-install-recommends rustc-web cargo-web rust-web-src lld
END
    exit 1
fi

image="${CARGO_TARGET_DIR:-$PWD/target}/$target/release/airvalve-board"
# Berkeley's columns: text with constants, initial values of static data, zeroed static data.
if command -v size >/dev/null; then
    size "$image" | awk 'NR == 2 {
        printf "%-36s %8s %8s\n", "", "taken", "limit"
        printf "%-36s %8d %8d\n", "flash, bytes", $1 + $2, 96 * 1024
        printf "%-36s %8d %8d\n", "RAM without the stack, bytes", $2 + $3, 24 * 1024
        print "figures.sh measures the stack, on which the device lives."
    }'
fi
echo "$image"
