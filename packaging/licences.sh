# The terms of what a program holds of others; for the scripts beside it, which have `stop`.

need_tool() {
    cargo "$1" --version >/dev/null 2>&1 || stop "cargo $1 does not run here; cargo install --locked ${*:2}"
}

# Crates, Rust's library, font and script, into a folder; further words go to cargo about.
gather_licences() {
    local folder=$1 library
    shift
    library=$(rustc --print sysroot)/share/doc/rust/COPYRIGHT-library.html
    [ -f "$library" ] || stop "this Rust lacks $library, the licences of what its library holds; take Rust from rustup"
    cargo fetch --quiet --locked
    rm -rf "$folder"
    mkdir -p "$folder"
    cargo about generate --frozen --fail --config packaging/about.toml "$@" packaging/about.hbs \
        --output-file "$folder/crates.txt"
    cp "$library" "$folder/rust-library.html"
    cp src/show/pictures/DejaVuSans-LICENSE.txt src/show/page/vendor/three-LICENSE.txt "$folder"
}
