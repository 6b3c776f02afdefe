#!/usr/bin/env bash
# Builds the program as one file with GDAL, PROJ and what they need inside, on Debian or Ubuntu:
# globewright.exe for Windows, or for any Linux on this processor. Runs the README's first job with
# it where nothing else is (for Windows, under wine), whose images must be those of
# tests/expected/checksums.txt. The program is left in target/windows or target/linux.
#
#   packaging/standalone.sh windows          # builds it, and tries it where wine is
#   packaging/standalone.sh linux
#   packaging/standalone.sh linux --try      # only tries what was built
#
# Rust's library for Windows comes from `rustup target add x86_64-pc-windows-gnu`. Without rustup it
# is compiled from its source: RUST_SOURCE names the folder that holds `library`, if it is not where
# `rustup component add rust-src` puts it. It must be that of this very rustc.
set -euo pipefail
cd "$(dirname "$0")/.."

say() { echo "standalone: $*" >&2; }

stop() {
    say "$*"
    exit 1
}

root=$PWD
system=${1:-}
target=$(realpath --canonicalize-missing "${CARGO_TARGET_DIR:-target}")
packages=$target/$system
# The sources are one for both.
work=$target/packaging/standalone
sources=$work/sources/vendor
own=$work/$system
trial=$own/trial
# Everything compiled for the system is installed here, as on another machine's root.
prefix=$own/root

# What differs from system to system: compilers; libraries in the order in which the linker needs
# them, each before those that it calls, and which of them come from the compiler; flags.
libraries_of_maps='-lgdal -lproj -lsqlite3 -lnetcdf -lhdf5_hl -lhdf5 -lopenjp2 -lz -lstdc++'
case $system in
    windows)
        triple=x86_64-pc-windows-gnu
        program=globewright.exe
        tools=x86_64-w64-mingw32-
        cc=${tools}gcc-posix cxx=${tools}g++-posix
        linked="$libraries_of_maps -lwinpthread -lws2_32 -lole32 -lshell32 -luuid -lpsapi -lwbemuuid -loleaut32 -lshlwapi -lbcrypt -ladvapi32"
        compilers=g++-mingw-w64-x86-64-posix
        from_compiler=(stdc++ winpthread)
        zlib_flags='' openjpeg_flags='-DOPJ_HAVE__ALIGNED_MALLOC -DMUTEX_win32'
        slash='\'
        ;;
    linux)
        triple=$(rustc -vV | sed -n 's/^host: //p')
        program=globewright
        tools=
        cc=gcc cxx=g++
        linked="$libraries_of_maps -lm -lpthread -ldl"
        compilers=g++
        from_compiler=(stdc++)
        zlib_flags=-DHAVE_UNISTD_H openjpeg_flags='-DOPJ_HAVE_POSIX_MEMALIGN -DMUTEX_pthread'
        slash=/
        ;;
    *) stop "name the system: windows or linux" ;;
esac

# What GDAL may use of these.
libraries=(ZLIB OPENJPEG HDF5 NETCDF)

# The sources come as crates, by name and version.
crates=(
    'gdal-src = "=0.3.0"'        # GDAL 3.12.1, for which gdal-sys carries bindings
    'proj-sys = "=0.27.0"'       # PROJ 9.6.2, which can hold its database in itself
    'libsqlite3-sys = "=0.35.0"' # SQLite, of which PROJ asks its database
    'libz-sys = "=1.1.31"'       # zlib
    'hdf5-metno-src = "=0.9.5"'  # HDF5, the last for which Debian 12's cmake is new enough
    'netcdf-src = "=0.4.3"'      # netCDF
    'openjpeg-sys = "=1.0.12"'   # OpenJPEG
)

# Where cmake finds HDF5.
hdf5=(-D "HDF5_ROOT=$prefix" -D "HDF5_C_COMPILER_EXECUTABLE=$prefix/bin/h5cc" -D HDF5_USE_STATIC_LIBRARIES=ON
    -D HDF5_NO_FIND_PACKAGE_CONFIG_FILE=ON)

# GDAL's folders for the formats of src/read/drivers.rs.
formats=(RAW GTIFF VRT HFA AAIGRID DTED SRTMHGT GSG ERS PDS SAGA XYZ ZMAP NGSGEOID GRIB USGSDEM
    PCIDSK SIGDEM PNG AIGRID IDRISI NETCDF HDF5 JP2OPENJPEG)

. packaging/licences.sh

# The terms of the libraries as well, and of what the compiler puts into a program.
gather_all_licences() {
    local folder=$packages/licences
    gather_licences "$folder" --target "$triple"
    cp "$sources/gdal-src/source/LICENSE.TXT" "$folder/gdal.txt"
    cp "$work"/sources/proj-9.*/COPYING "$folder/proj.txt"
    cp "$sources/libz-sys/src/zlib/LICENSE" "$folder/zlib.txt"
    cp "$sources/openjpeg-sys/vendor/LICENSE" "$folder/openjpeg.txt"
    cp "$sources/hdf5-metno-src/ext/hdf5/COPYING" "$folder/hdf5.txt"
    cp "$sources/netcdf-src/source/COPYRIGHT" "$folder/netcdf.txt"
    # SQLite has none: its authors have given it away.
    case $system in
        windows)
            cp /usr/share/doc/gcc-mingw-w64-x86-64-posix-runtime/copyright "$folder/gcc-runtime.txt"
            cp /usr/share/doc/mingw-w64-common/copyright "$folder/mingw-w64.txt"
            ;;
        linux)
            cp /usr/share/doc/libgcc-s1/copyright "$folder/gcc-runtime.txt"
            cp /usr/share/doc/libc6/copyright "$folder/glibc.txt"
            ;;
    esac
}

need_tools() {
    local tool missing=()
    for tool in "$cxx" cmake ninja sqlite3 pkg-config; do
        command -v "$tool" >/dev/null || missing+=("$tool")
    done
    [ "${#missing[@]}" -eq 0 ] ||
        stop "${missing[*]} missing: apt-get install $compilers cmake ninja-build sqlite3 pkg-config libclang-dev"
}

# Does a step once, in a folder that keeps its name when it is done. In a shell of its own, which
# ends at the first command that fails; within a condition this one would go on.
once() {
    local done=$2/done/$1 log=$2/$1.log begun=$SECONDS
    [ ! -e "$done" ] || return 0
    mkdir -p "$2/done"
    packaging/standalone.sh "$system" --step "$1" >"$log" 2>&1 || stop "$1 failed, see $log"
    touch "$done"
    say "$1: $((SECONDS - begun)) s"
}

fetch_sources() {
    local folder=$work/sources
    mkdir -p "$folder"
    touch "$folder/lib.rs"
    {
        printf '[package]\nname = "sources"\nversion = "0.0.0"\nedition = "2021"\n[lib]\npath = "lib.rs"\n[workspace]\n[dependencies]\n'
        printf '%s\n' "${crates[@]}"
    } >"$folder/Cargo.toml"
    cargo vendor --manifest-path "$folder/Cargo.toml" "$sources"
    tar -xzf "$sources"/proj-sys/PROJSRC/proj-*.tar.gz -C "$folder"
    # Left out of the crate, asked for all the same, and never read here: what drivers write by.
    mkdir -p "$sources/gdal-src/source/frmts/pds/data"
    touch "$sources"/gdal-src/source/frmts/pds/data/{vicar.json,pds4_template.xml}
}

# Compiles C files as they are into a library.
archive() {
    local library=$1 objects=$own/build/$1
    shift
    rm -rf "$objects"
    mkdir -p "$objects" "$prefix/lib" "$prefix/include"
    (cd "$objects" && printf '%s\0' "$@" | xargs -0 -n1 -P"$(nproc)" "$cc" -O2 -c ${flags:-})
    rm -f "$prefix/lib/lib$library.a"
    "${tools}ar" rcs "$prefix/lib/lib$library.a" "$objects"/*.o
}

# Everything else by cmake: a static library without programs and tests.
build() {
    local source=$1 name
    name=$(basename "$1")
    shift
    rm -rf "$own/build/$name"
    cmake -G Ninja -S "$source" -B "$own/build/$name" --toolchain "$own/system.cmake" \
        -D CMAKE_BUILD_TYPE=Release -D CMAKE_C_FLAGS_RELEASE="-O2 -DNDEBUG" -D CMAKE_CXX_FLAGS_RELEASE="-O2 -DNDEBUG" \
        -D CMAKE_INSTALL_PREFIX="$prefix" -D CMAKE_INSTALL_LIBDIR=lib \
        -D CMAKE_PREFIX_PATH="$prefix" -D BUILD_SHARED_LIBS=OFF -D BUILD_TESTING=OFF "$@"
    cmake --build "$own/build/$name"
    cmake --install "$own/build/$name"
}

# What this machine has for itself is kept out of sight.
describe_toolchain() {
    mkdir -p "$prefix/lib"
    case $system in
        windows)
            printf 'set(%s)\n' "CMAKE_SYSTEM_NAME Windows" "CMAKE_SYSTEM_PROCESSOR x86_64" \
                "CMAKE_RC_COMPILER ${tools}windres" "CMAKE_FIND_ROOT_PATH $prefix /usr/${tools%-}"
            ;;
        linux) printf 'set(%s)\n' "CMAKE_POSITION_INDEPENDENT_CODE ON" "CMAKE_FIND_ROOT_PATH $prefix" ;;
    esac >"$own/system.cmake"
    cat >>"$own/system.cmake" <<END
set(CMAKE_C_COMPILER $cc)
set(CMAKE_CXX_COMPILER $cxx)
set(CMAKE_FIND_ROOT_PATH_MODE_PROGRAM NEVER)
set(CMAKE_FIND_ROOT_PATH_MODE_LIBRARY ONLY)
set(CMAKE_FIND_ROOT_PATH_MODE_INCLUDE ONLY)
set(CMAKE_FIND_ROOT_PATH_MODE_PACKAGE ONLY)
END
}

build_sqlite() {
    flags='-DSQLITE_OMIT_LOAD_EXTENSION -DSQLITE_THREADSAFE=1' archive sqlite3 "$sources/libsqlite3-sys/sqlite3/sqlite3.c"
    cp "$sources/libsqlite3-sys/sqlite3/sqlite3.h" "$prefix/include"
}

build_zlib() {
    flags=$zlib_flags archive z "$sources"/libz-sys/src/zlib/*.c
    cp "$sources"/libz-sys/src/zlib/{zlib,zconf}.h "$prefix/include"
}

build_proj() {
    build "$work"/sources/proj-9.* -D ENABLE_CURL=OFF -D ENABLE_TIFF=OFF -D BUILD_APPS=OFF \
        -D EMBED_RESOURCE_FILES=ON -D USE_ONLY_EMBEDDED_RESOURCE_FILES=ON -D EMBED_PROJ_DATA_PATH=OFF \
        -D EXE_SQLITE3="$(command -v sqlite3)"
}

build_openjpeg() {
    local source=$sources/openjpeg-sys
    (
        cd "$source/vendor/src/lib/openjp2"
        # As its build.rs has it.
        flags="-I. -I$source/config -DOPJ_STATIC $openjpeg_flags" archive openjp2 \
            "$PWD"/{thread,bio,cio,dwt,event,ht_dec,image,invert,j2k,jp2,mct,mqc,openjpeg,opj_clock,pi,t1,t2,tcd,tgt,function_list,opj_malloc,sparse_array}.c
        mkdir -p "$prefix/include/openjpeg-2.5"
        cp openjpeg.h "$source/config/opj_config.h" "$prefix/include/openjpeg-2.5"
        # Whoever includes it is told too, or would look for a DLL.
        sed -i '1i #define OPJ_STATIC' "$prefix/include/openjpeg-2.5/openjpeg.h"
    )
}

build_hdf5() {
    build "$sources/hdf5-metno-src/ext/hdf5" -D HDF5_NO_PACKAGES=ON -D HDF5_BUILD_TOOLS=OFF \
        -D HDF5_BUILD_EXAMPLES=OFF -D HDF5_BUILD_UTILS=OFF -D HDF5_BUILD_CPP_LIB=OFF \
        -D HDF5_ENABLE_DEPRECATED_SYMBOLS=ON -D HDF5_BUILD_HL_LIB=ON -D HDF5_ENABLE_SZIP_SUPPORT=OFF \
        -D HDF5_ENABLE_NONSTANDARD_FEATURE_FLOAT16=OFF -D HDF5_ENABLE_Z_LIB_SUPPORT=ON \
        -D ZLIB_INCLUDE_DIR="$prefix/include" -D ZLIB_LIBRARY="$prefix/lib/libz.a" -D ZLIB_USE_EXTERNAL=OFF
    # cmake asks the compiler for HDF5 what it needs, and would find the one of this machine.
    mkdir -p "$prefix/bin"
    cat >"$prefix/bin/h5cc" <<END
#!/bin/sh
echo cc -I$prefix/include $prefix/lib/libhdf5_hl.a $prefix/lib/libhdf5.a $prefix/lib/libz.a
[ "\$1" != -showconfig ] || echo HDF5 Version: $(sed -n 's/.* H5_VERSION "\([0-9.]*\).*/\1/p' "$prefix/include/H5pubconf.h")
END
    chmod +x "$prefix/bin/h5cc"
}

build_netcdf() {
    # It looks for the one library that is not kept out of sight for good: Rust would take it for
    # an archive, which under Linux it is not.
    [ "$system" = windows ] || ln -sf "$("$cc" -print-file-name=libm.a)" "$prefix/lib"
    build "$sources/netcdf-src/source" -D NETCDF_FIND_SHARED_LIBS=OFF -D NETCDF_BUILD_UTILITIES=OFF \
        -D NETCDF_ENABLE_EXAMPLES=OFF -D NETCDF_ENABLE_TESTS=OFF -D NETCDF_ENABLE_DAP=OFF \
        -D NETCDF_ENABLE_BYTERANGE=OFF -D NETCDF_ENABLE_LIBXML2=OFF -D NETCDF_ENABLE_NCZARR=OFF \
        -D NETCDF_ENABLE_S3=OFF -D NETCDF_ENABLE_PLUGINS=OFF -D NETCDF_ENABLE_FILTER_TESTING=OFF \
        "${hdf5[@]}"
    # What it says of itself to cmake asks for an HDF5 that is described in the same way.
    rm -rf "$prefix/lib/cmake/netCDF"
    [ "$system" = windows ] || rm "$prefix/lib/libm.a"
}

build_gdal() {
    local format library enabled=()
    for format in "${formats[@]}"; do
        enabled+=(-D "GDAL_ENABLE_DRIVER_$format=ON")
    done
    for library in "${libraries[@]}"; do
        enabled+=(-D "GDAL_USE_$library=ON")
    done
    build "$sources/gdal-src/source" -D BUILD_APPS=OFF -D BUILD_PYTHON_BINDINGS=OFF \
        -D GDAL_USE_EXTERNAL_LIBS=OFF -D GDAL_USE_INTERNAL_LIBS=ON -D GDAL_FIND_PACKAGE_PROJ_MODE=MODULE \
        -D GDAL_BUILD_OPTIONAL_DRIVERS=OFF -D OGR_BUILD_OPTIONAL_DRIVERS=OFF -D OGR_ENABLE_DRIVER_AVC=ON \
        "${hdf5[@]}" "${enabled[@]}"
}

# How the crates gdal-sys and proj-sys are told what to link: pkg-config's files, written here,
# because those of the libraries leave out half of what a program needs that has all of them inside.
describe_libraries() {
    local folder=$prefix/pkgconfig name version
    mkdir -p "$folder"
    # Beside them, so that the linker does not find the DLLs first.
    for name in "${from_compiler[@]}"; do
        ln -sf "$("$cxx" -print-file-name="lib$name.a")" "$prefix/lib"
    done
    for name in gdal proj; do
        version=$(PKG_CONFIG_LIBDIR=$prefix/lib/pkgconfig pkg-config --modversion "$name")
        printf 'Name: %s\nDescription: %s\nVersion: %s\nCflags: -I%s\nLibs: -L%s %s\n' \
            "$name" "$name" "$version" "$prefix/include" "$prefix/lib" "$linked" >"$folder/$name.pc"
    done
}

# Rust's library for the system, as flags for cargo, if it is not there.
build_library() {
    local source=${RUST_SOURCE:-$(rustc --print sysroot)/lib/rustlib/src/rust} begin
    [ ! -d "$(rustc --print sysroot)/lib/rustlib/$triple" ] || return 0
    [ -f "$source/library/Cargo.lock" ] ||
        stop "Rust's library for Windows is missing: rustup target add $triple, or see the head of this script"
    # Two objects around every program of this kind, which cargo does not make.
    mkdir -p "$own/startup"
    for begin in rsbegin rsend; do
        RUSTC_BOOTSTRAP=1 rustc --target "$triple" --emit obj -o "$own/startup/$begin.o" "$source/library/rtstartup/$begin.rs"
    done
    export RUSTC_BOOTSTRAP=1 __CARGO_TESTS_ONLY_SRC_ROOT=$source/library
    library_flags=(-Z build-std=std,panic_unwind)
}

# The paths of this machine are left out of the program.
build_program() {
    local library_flags=() profile=${PROFILE:-release} name=${triple//-/_}
    build_library
    export CARGO_TARGET_DIR=$own/build
    export "CARGO_TARGET_${name^^}_LINKER=$cc" "CC_$name=$cc" "AR_$name=${tools}ar"
    export PKG_CONFIG_ALLOW_CROSS=1 PKG_CONFIG_ALL_STATIC=1 PKG_CONFIG_LIBDIR=$prefix/pkgconfig
    [ "$system" = linux ] ||
        export "BINDGEN_EXTRA_CLANG_ARGS_$name=-isystem /usr/share/mingw-w64/include"
    export CARGO_ENCODED_RUSTFLAGS="-Ctarget-feature=+crt-static"$'\x1f'"-Lnative=$own/startup"$'\x1f'"--remap-path-prefix=${CARGO_HOME:-$HOME/.cargo}=cargo"$'\x1f'"--remap-path-prefix=$root=globewright"
    [ "$system" = linux ] || CARGO_ENCODED_RUSTFLAGS+=$'\x1f'"-Clink-arg=-static"
    cargo build --"$profile" --locked --bin globewright --target "$triple" "${library_flags[@]}"
    mkdir -p "$packages"
    "${tools}strip" -o "$packages/$program" "$own/build/$triple/$profile/$program"
}

build_libraries() {
    local step
    once fetch_sources "$work"
    for step in describe_toolchain build_sqlite build_zlib build_proj build_openjpeg build_hdf5 \
        build_netcdf build_gdal describe_libraries; do
        once "$step" "$own"
    done
}

# Nothing beside it but what every Windows has.
look_at_libraries() {
    local name
    for name in $("${tools}objdump" -p "$packages/$program" | sed -n 's/.*DLL Name: //p'); do
        case ${name,,} in
            kernel32.dll | ntdll.dll | msvcrt.dll | advapi32.dll | user32.dll | ws2_32.dll | shell32.dll | ole32.dll | \
                oleaut32.dll | bcrypt.dll | bcryptprimitives.dll | userenv.dll | psapi.dll | shlwapi.dll | dbghelp.dll | api-ms-win-*) ;;
            *) stop "$program asks for $name, which not every Windows has" ;;
        esac
    done
}

# Wine before version 9 lacks a library of Windows 10 and later; the same from what it has.
complete_wine() {
    cat >"$trial/random.c" <<'END'
#include <windows.h>
BOOLEAN NTAPI SystemFunction036(PVOID, ULONG);
__declspec(dllexport) BOOL WINAPI ProcessPrng(BYTE *bytes, SIZE_T count) { return SystemFunction036(bytes, count); }
END
    "$cc" -shared -o "$trial/bcryptprimitives.dll" "$trial/random.c" -ladvapi32
    rm "$trial/random.c"
}

# Runs the program in the folder of the trial: under wine, or in a root that holds nothing but that
# folder and what the kernel gives.
run() {
    case $system in
        windows) (cd "$trial" && WINEPREFIX=$own/wine WINEDEBUG=-all wine "$program" "$@") ;;
        linux)
            unshare --map-root-user --net --mount sh -euc 'trial=$1; shift
                mount --rbind /dev "$trial/dev"; mount --rbind /proc "$trial/proc"
                exec chroot "$trial" "$@"' sh "$trial" "/$program" "$@"
            ;;
    esac
}

# As a maker would: the program, the sample, names as Windows has them.
try_program() {
    rm -rf "$trial"
    mkdir -p "$trial"/{dev,proc}
    cp -r "$packages/$program" sample-rasters "$trial"
    if [ "$system" = windows ]; then
        look_at_libraries
        case $(wine --version) in wine-[1-8].*) complete_wine ;; esac
    fi
    sed -n 's/^\([0-9]\+\.png\): \([0-9a-f]\{64\}\)$/\2  \1/p' tests/expected/checksums.txt >"$trial/expected"
    run facets "sample-rasters${slash}ashkerry.toml" --out "out${slash}ashkerry"
    run check "out${slash}ashkerry"
    # The same again in its place.
    (cd "$trial/out/ashkerry" && sha256sum facets/* globe.json) >"$trial/first"
    run facets sample-rasters/ashkerry.toml --out out/ashkerry --force --quiet
    (cd "$trial/out/ashkerry" && sha256sum --check --quiet --strict "$trial/first")
    [ "$(wc -l <"$trial/expected")" -eq "$(grep -c facets/ "$trial/first")" ] || stop "not the images of checksums.txt"
    (cd "$trial/out/ashkerry/facets" && sha256sum --check --strict "$trial/expected")
    say "the images are those of tests/expected/checksums.txt"
}

case "${2:-}" in
    --step) "$3" ;;
    --try) try_program ;;
    *)
        need_tools
        need_tool about --features cli cargo-about
        build_libraries
        build_program
        gather_all_licences
        if [ "$system" = linux ] || command -v wine >/dev/null; then
            try_program
        else
            say "not tried, for wine is not here: apt-get install wine wine64"
        fi
        say "the program is $packages/$program, and licences beside it must go with it"
        ;;
esac
