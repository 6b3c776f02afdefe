#!/usr/bin/env bash
# Makes three.min.js anew: the parts of three.js that the viewer uses, as one script that needs
# no other file and makes no request. Needs Node.js with npm; the program's own build does not.
#
# To take a newer three.js, raise the versions, run this, look at the pictures the browser tests
# leave behind, and commit what changed. The same versions give the same bytes.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
three=0.187.0
esbuild=0.28.2

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
cd "$work"
npm init --yes >/dev/null
npm install --save-exact --no-audit --no-fund --silent "esbuild@$esbuild"
npm pack --silent "three@$three" >/dev/null
mkdir -p node_modules/three
tar -xzf "three-$three.tgz" -C node_modules/three --strip-components=1

# What viewer.js names; esbuild leaves the rest of the library out where it can.
cat >entry.js <<'END'
export {
    AmbientLight, BufferAttribute, BufferGeometry, CanvasTexture, Color, DirectionalLight,
    DoubleSide, Group, LineBasicMaterial, LineSegments, Matrix4, Mesh, MeshLambertMaterial,
    PerspectiveCamera, Quaternion, SRGBColorSpace, Scene, Sprite, SpriteMaterial, Vector3,
    WebGLRenderer,
} from 'three';
END
npx esbuild entry.js --bundle --minify --format=iife --global-name=THREE --target=es2021 \
    --legal-comments=inline --charset=ascii --log-level=warning --outfile=three.min.js

cp three.min.js "$here/three.min.js"
cp node_modules/three/LICENSE "$here/three-LICENSE.txt"
cat >"$here/VERSIONS.txt" <<END
three.js $three, bundled with esbuild $esbuild by update.sh
$(cd "$here" && sha256sum three.min.js three-LICENSE.txt)
END
