#!/usr/bin/env bash
# Builds the Debian package for the release this machine runs, or for the one named, in a bare root
# of it: each has another GDAL, so each needs a package of its own. The packages are left in
# target/debian.
#
#   packaging/deb.sh            # for this machine
#   packaging/deb.sh trixie     # for Debian 13, from any Debian or Ubuntu
#
# MIRROR names the Debian mirror that a root is made from, if not mmdebstrap's own choice.
set -euo pipefail
cd "$(dirname "$0")/.."

target=${CARGO_TARGET_DIR:-target}
packages=$target/debian
PATH=$PATH:${CARGO_HOME:-$HOME/.cargo}/bin
work=$target/packaging
shells=(bash zsh fish)

say() { echo "deb: $*" >&2; }

stop() {
    say "$*"
    exit 1
}

# deb12, ubuntu24.04: tells packages of one version apart, and sorts as the releases do.
release_suffix() (
    . /etc/os-release
    echo "${ID/debian/deb}${VERSION_ID:-$VERSION_CODENAME}"
)

. packaging/licences.sh

# Its own build folder: the paths of this machine are left out of the binary, for which all is
# compiled with other flags than elsewhere.
build() {
    local shell built=$work/build/release
    export CARGO_TARGET_DIR=$work/build
    export CARGO_ENCODED_RUSTFLAGS="--remap-path-prefix=${CARGO_HOME:-$HOME/.cargo}=cargo"$'\x1f'"--remap-path-prefix=$PWD=globewright"
    cargo build --release --locked
    rm -rf "$built/packed"
    mkdir -p "$built/packed" "$packages"
    cp -r "$work/licences" "$built/packed"
    "$built/globewright" manual --quiet "$built/packed/man"
    gzip --best --no-name "$built/packed/man/"*
    for shell in "${shells[@]}"; do
        "$built/globewright" completions "$shell" >"$built/packed/completions.$shell"
    done
    SOURCE_DATE_EPOCH=$source_time cargo deb --no-build --locked --strip \
        --deb-revision "1~$(release_suffix)" --output "$packages/"
}

# The source as it stands here, with its crates, so that nothing is fetched in the root.
copy_source() {
    local tree=$1
    rm -rf "$tree"
    mkdir -p "$tree/.cargo" "$tree/target/packaging"
    cargo package --quiet --list --allow-dirty | while read -r file; do
        [ ! -e "$file" ] || cp --parents "$file" "$tree"
    done
    cp -r "$work/licences" "$tree/target/packaging"
    cargo vendor --quiet --locked "$tree/vendor" >/dev/null
    cat >"$tree/.cargo/config.toml" <<'END'
[source.crates-io]
replace-with = "vendored"
[source.vendored]
directory = "vendor"
[net]
offline = true
END
}

# The root gets copies and nothing is mounted into it: whatever happens there, this machine's files
# stay as they are. mmdebstrap removes it again.
build_in_root() {
    local rust tool
    command -v mmdebstrap >/dev/null || stop "mmdebstrap is missing: apt-get install mmdebstrap"
    rust=$(rustc --print sysroot)
    tool=$(command -v cargo-deb)
    copy_source "$work/tree"
    mkdir -p "$packages"
    mmdebstrap --variant=minbase --include="$(./setup.sh --package-names)" \
        --customize-hook='mkdir -p "$1/opt/rust" "$1/build"' \
        --customize-hook="copy-in $rust/bin $rust/lib /opt/rust" \
        --customize-hook="upload $tool /opt/rust/bin/cargo-deb" \
        --customize-hook="sync-in $work/tree /build" \
        --customize-hook='chmod +x "$1/opt/rust/bin/cargo-deb"' \
        --customize-hook="env -i HOME=/root PATH=/opt/rust/bin:/usr/sbin:/usr/bin:/sbin:/bin \
            SOURCE_DATE_EPOCH=$source_time CARGO_BUILD_JOBS=${CARGO_BUILD_JOBS:-$(nproc)} chroot \"\$1\" /build/packaging/deb.sh --in-root" \
        --customize-hook="sync-out /build/target/debian $packages" \
        "$1" /dev/null ${MIRROR:+"$MIRROR"}
}

# The time in the package is that of the source, so that the same source gives the same package. Not
# for all to see: libraries in C would be compiled anew whenever it changes.
source_time=${SOURCE_DATE_EPOCH:-$(git log -1 --format=%ct 2>/dev/null || stat --format=%Y Cargo.toml)}

here=$(. /etc/os-release && echo "${VERSION_CODENAME:-}")
if [ "${1:-}" = --in-root ]; then
    need_tool deb cargo-deb
    build
    exit
fi
need_tool deb cargo-deb
need_tool about --features cli cargo-about
if [ "${1:-$here}" = "$here" ]; then
    ./setup.sh --package
    gather_licences "$work/licences"
    build
else
    gather_licences "$work/licences"
    build_in_root "$1"
fi
say "the packages are in $packages"
