#!/usr/bin/env bash
# The whole job against the usual general warper, on the same machine in the same run.
#
#   benches/compare.sh            12 facets of about 4096 x 4096 pixels from a 5760 x 2880 grid
#   benches/compare.sh shrink     12 facets of about 2048 x 2048 pixels from a 23040 x 11520 grid
#
# This program reads the grid, carves it through a curve by the radial projection, writes 16-bit
# PNG, manifest, overview and report, and then checks the folder. The warper (gdalwarp) turns the
# same grid into as many gnomonic squares of as many pixels, bicubic, at exact coordinates, and
# gdal_translate writes them as 16-bit PNG; it does no curve, no seams and no report. Both get two
# processor cores. Needs gdal-bin and a release build; on a busy machine trust the ratios only.
#
# OUTSIDE=terrain makes this program carve every pixel of its images too, not only the blanks.
# METHOD=curve carves by height alone, which is all that the warper's job is comparable with; by
# default faint ground is brought out first.
set -euo pipefail
cd "$(dirname "$0")/.."

mode=${1:-enlarge}
outside=${OUTSIDE:-floor}
method=${METHOD:-multiscale}
cores=2
# A dodecahedron of 200 mm. The pixel makes an image hold as many pixels as the warper's square.
case $mode in
enlarge) columns=5760 side=4096 pixel_mm=0.03364 ;;
shrink) columns=23040 side=2048 pixel_mm=0.06728 ;;
*)
    echo "usage: benches/compare.sh [enlarge|shrink]" >&2
    exit 2
    ;;
esac

cargo build --release --quiet
program=$PWD/target/release/globewright
sample=$PWD/sample-rasters/ashkerry.tif
work=$(mktemp -d "${TMPDIR:-/tmp}/globewright-compare.XXXXXX")
trap 'rm -rf "$work"' EXIT
cd "$work"

gdal_translate -q -r cubic -outsize "$columns" $((columns / 2)) "$sample" grid.tif
cat >globe.toml <<END
[grid]
files = ["grid.tif"]
[globe]
solid = "dodecahedron"
diameter = "200 mm"
[relief]
range = "6 mm"
method = "$method"
[image]
pixel = "$pixel_mm mm"
outside = "$outside"
END

# Seconds of user, system and wall time of a command, appended to a file.
TIMEFORMAT='%U %S %R'
timed() {
    local log=$1
    shift
    { time taskset -c 0-$((cores - 1)) "$@" >/dev/null 2>>errors || { cat errors >&2; exit 1; }; } 2>>"$log"
}

# One job of this program takes a fifteenth of the warper's time, so a busy moment would count
# fifteen times as much: it is done again between the warper's facets, and the median counts.
ours() {
    rm -rf globe
    timed facets "$program" facets globe.toml --out globe --quiet --threads $cores
    timed check "$program" check globe --quiet --threads $cores
}
ours

# Centres of the facets, and the body's radius for the warper's projection.
mapfile -t centres < <(
    sed -n 's/.*"lat_deg": \([-0-9.e]*\),*$/\1/p' globe/globe.json >lats
    sed -n 's/.*"lon_deg": \([-0-9.e]*\),*$/\1/p' globe/globe.json >lons
    paste -d' ' lats lons
)
radius=$(sed -n 's/.*"reference_radius_m": \([0-9.]*\).*/\1/p' globe/globe.json)
# The corner of a pentagon is 37.38 degrees from its middle, with its trim a little more.
half=$(awk -v r="$radius" 'BEGIN { printf "%.3f", 0.79 * r }')
for i in "${!centres[@]}"; do
    read -r lat lon <<<"${centres[$i]}"
    timed warper gdalwarp -q -r cubic -et 0 -multi -wo NUM_THREADS=$cores -ot Float32 \
        -t_srs "+proj=gnom +lat_0=$lat +lon_0=$lon +R=$radius +units=m +no_defs" \
        -te "-$half" "-$half" "$half" "$half" -ts "$side" "$side" grid.tif "warped-$i.tif"
    timed encoder gdal_translate -q -of PNG -ot UInt16 -scale -10000 15000 0 65535 \
        "warped-$i.tif" "warped-$i.png"
    rm "warped-$i.tif"
    [ $((i % 3)) -ne 2 ] || ours
done
[ "${#centres[@]}" -eq 12 ] || { echo "expected 12 facets, found ${#centres[@]}" >&2; exit 1; }

pixels() { # Millions of pixels in all images.
    awk -F'[:,]' '/"width_px"/ { w = $2 } /"height_px"/ { n++; if (n > 1) sum += w * $2 } END { printf "%.1f", sum / 1e6 }' globe/globe.json
}
sum() { awk '{ u += $1; s += $2; w += $3 } END { printf "%.2f %.2f %.2f", u, s, w }' "$@"; }
# The run whose wall time is the median.
median() { sort -n -k 3 "$1" | awk '{ line[NR] = $0 } END { print line[int((NR + 1) / 2)] }'; }
row() { printf '| %-34s | %8s | %8s | %8s |\n' "$@"; }
printf '%s grid, %s million pixels here and %s for the warper, %s cores, outside = %s, %s\n\n' \
    "$columns x $((columns / 2))" "$(pixels)" "$(awk -v s="$side" 'BEGIN { printf "%.1f", 12 * s * s / 1e6 }')" \
    "$cores" "$outside" "$method"
row seconds user system wall
echo '|------------------------------------|----------|----------|----------|'
read -ra a < <(median facets) && row "facets" "${a[@]}"
read -ra a < <(median check) && row "check" "${a[@]}"
read -ra whole < <(median <(paste facets check | awk '{ print $1 + $4, $2 + $5, $3 + $6 }')) && row "this program, whole job" "${whole[@]}"
read -ra a < <(sum warper; echo) && row "gdalwarp" "${a[@]}"
read -ra a < <(sum encoder; echo) && row "gdal_translate to PNG" "${a[@]}"
read -r -a theirs < <(sum warper encoder; echo) && row "warper, whole job" "${theirs[@]}"
ratio() { awk -v a="$1" -v b="$2" 'BEGIN { printf "%.1f", b / a }'; }
printf '\nratio: %s by user time, %s by wall time\n' \
    "$(ratio "${whole[0]}" "${theirs[0]}")" "$(ratio "${whole[2]}" "${theirs[2]}")"
