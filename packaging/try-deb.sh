#!/usr/bin/env bash
# Installs the packages that deb.sh made in bare roots of Debian 12 and 13, or of the releases
# named, and runs the README's first job there as a user, without Rust and without network. The
# images must be those of tests/expected/checksums.txt.
#
#   packaging/try-deb.sh            # Debian 12 and 13
#   packaging/try-deb.sh trixie
#
# MIRROR names the Debian mirror that a root is made from, if not mmdebstrap's own choice.
set -euo pipefail

first_job='globewright facets /usr/share/globewright/sample-rasters/ashkerry.toml --out out/ashkerry'
most_kib=30000

say() { echo "try-deb: $*" >&2; }

stop() {
    say "$*"
    exit 1
}

# The package among those in the folder that is for the release of this root.
install_package() {
    local packages
    . /etc/os-release
    packages=(/packages/globewright_*~deb"${VERSION_ID:-}"_*.deb)
    [ -f "${packages[0]}" ] || stop "target/debian has no package for $PRETTY_NAME; run: packaging/deb.sh $VERSION_CODENAME"
    [ "${#packages[@]}" -eq 1 ] || stop "target/debian has several packages for $PRETTY_NAME: ${packages[*]}"
    say "installing ${packages[0]##*/} on $PRETTY_NAME"
    apt-get install --quiet --yes --no-install-recommends "${packages[0]}"
    useradd --create-home --shell /bin/bash carver
}

measure_package() {
    local kib
    kib=$(dpkg-query --show --showformat '${Installed-Size}' globewright)
    [ "$kib" -le "$most_kib" ] || stop "the package takes $kib KiB, more than $most_kib"
    say "the package takes $kib KiB; it depends on $(dpkg-query --show --showformat '${Depends}' globewright)"
}

# What every package has besides the program.
look_at_files() {
    local command file
    for command in '' $(globewright help | sed -n '/^Commands:/,/^$/s/^  \([a-z]\+\) .*/-\1/p' | grep -vx -- -help); do
        gzip --test "/usr/share/man/man1/globewright$command.1.gz"
    done
    bash -euc '. /usr/share/bash-completion/completions/globewright; complete -p globewright' >&2
    grep -q '^#compdef globewright' /usr/share/zsh/vendor-completions/_globewright
    grep -q '^complete -c globewright' /usr/share/fish/vendor_completions.d/globewright.fish
    for file in copyright README.md docs/changes.md licences/crates.txt licences/DejaVuSans-LICENSE.txt; do
        [ -s "/usr/share/doc/globewright/$file" ] || stop "$file is missing"
    done
}

# As a user with nothing but the package.
use_package() {
    local tool
    for tool in cargo rustc; do
        ! command -v "$tool" || stop "$tool is here, so the trial shows nothing"
    done
    ! grep -v '^ *lo:' <(tail -n +3 /proc/net/dev) || stop "there is a network, so the trial shows nothing"
    look_at_files
    cd
    $first_job
    globewright check out/ashkerry
    sed -n 's/^\([0-9]\+\.png\): \([0-9a-f]\{64\}\)$/\2  \1/p' /packages/checksums.txt >expected
    [ "$(wc -l <expected)" -eq "$(ls out/ashkerry/facets | wc -l)" ] || stop "not the images of checksums.txt"
    (cd out/ashkerry/facets && sha256sum --check --strict ~/expected)
}

try_release() {
    say "making a root of $1"
    mmdebstrap --variant=minbase \
        --customize-hook='mkdir "$1/packages"' \
        --customize-hook="sync-in $packages /packages" \
        --customize-hook="upload tests/expected/checksums.txt /packages/checksums.txt" \
        --customize-hook="upload packaging/try-deb.sh /packages/try-deb.sh" \
        --customize-hook='chroot "$1" bash /packages/try-deb.sh --install' \
        --customize-hook='unshare --net chroot "$1" runuser --login carver --command "bash /packages/try-deb.sh --use"' \
        "$1" /dev/null ${MIRROR:+"$MIRROR"}
    say "$1: the package works"
}

case "${1:-}" in
    --install)
        install_package
        measure_package
        ;;
    --use) use_package ;;
    *)
        cd "$(dirname "$0")/.."
        packages=${CARGO_TARGET_DIR:-target}/debian
        command -v mmdebstrap >/dev/null || stop "mmdebstrap is missing: apt-get install mmdebstrap"
        grep -qxF -- "$first_job" README.md || stop "README.md no longer has this line: $first_job"
        [ $# -gt 0 ] || set -- bookworm trixie
        for release in "$@"; do
            try_release "$release"
        done
        ;;
esac
