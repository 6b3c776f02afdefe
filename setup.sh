#!/usr/bin/env bash
# Installs the system packages that the build and the tests need. Safe to run again: it does
# nothing when everything is there. With --package only those that packaging/deb.sh needs;
# --package-names prints them.
set -euo pipefail

# GDAL reads the grids; libclang and pkg-config build its binding; gdal-bin gives the tests a
# second opinion; ferret-datasets is open elevation data that the tests read; parallel runs the lines
# of docs/many-machines.md in the tests; chromium opens the report page in the tests.
# Ubuntu's name for the same browser differs.
browser_package() {
    if grep -qx 'ID=ubuntu' /etc/os-release 2>/dev/null; then echo chromium-browser; else echo chromium; fi
}

packages=(libgdal-dev libclang-dev pkg-config)
case "${1:-}" in
    --package | --package-names) packages+=(gcc libc6-dev dpkg-dev) ;;
    *) packages+=(gdal-bin ferret-datasets parallel "$(browser_package)") ;;
esac
if [ "${1:-}" = --package-names ]; then
    (IFS=, && echo "${packages[*]}")
    exit
fi
oldest_rust=1.90

say() { echo "setup: $*" >&2; }

missing_packages() {
    for package in "${packages[@]}"; do
        dpkg-query -W -f='${Status}' "$package" 2>/dev/null | grep -q 'ok installed' || echo "$package"
    done
}

as_root() {
    if [ "$(id -u)" -eq 0 ]; then
        "$@"
    elif command -v sudo >/dev/null; then
        sudo "$@"
    else
        say "this needs root and there is no sudo; as root, run: apt-get install ${packages[*]}"
        exit 1
    fi
}

install_packages() {
    local missing
    mapfile -t missing < <(missing_packages)
    [ "${#missing[@]}" -eq 0 ] && return
    say "installing ${missing[*]}"
    as_root apt-get update -q
    as_root env DEBIAN_FRONTEND=noninteractive apt-get install -q -y --no-install-recommends "${missing[@]}"
}

# Other systems name their packages differently, so say what is needed rather than guess.
check_by_hand() {
    if command -v pkg-config >/dev/null && pkg-config --atleast-version=3.4 gdal; then
        say "GDAL $(pkg-config --modversion gdal) found; not Debian or Ubuntu, so nothing was installed"
        say "if the build stops at bindgen, install libclang; the tests also want the data files of ferret-datasets, and Chromium"
        return
    fi
    say "this is not Debian or Ubuntu. Install with your own package manager, then run again:"
    say "  GDAL 3.4 or newer with its headers, PROJ 9 or newer, libclang, pkg-config, the gdal command line tools"
    exit 1
}

check_rust() {
    if ! command -v cargo >/dev/null; then
        say "Rust is missing: follow https://rustup.rs, open a new terminal and run this again"
        exit 1
    fi
    local found
    found=$(cargo --version | cut -d' ' -f2)
    if [ "$(printf '%s\n' "$oldest_rust" "$found" | sort -V | head -n1)" != "$oldest_rust" ]; then
        say "Rust $found is too old, $oldest_rust is needed: run 'rustup update stable', or see https://rustup.rs"
        exit 1
    fi
}

if command -v apt-get >/dev/null && command -v dpkg-query >/dev/null; then
    install_packages
else
    check_by_hand
fi
check_rust
say "everything is in place"
if [ ! -d "${CARGO_TARGET_DIR:-$(dirname "$0")/target}" ]; then
    # Seven minutes of one core's time, 5 were measured on a fast one; the last one does not divide.
    cores=$(nproc 2>/dev/null || echo 2)
    say "what follows the first time is compiled from nothing, some 400 libraries: about $((1 + 6 / cores)) minutes on the $cores processor cores here; cargo names each"
fi
