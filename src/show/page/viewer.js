// The ball in three dimensions: shared by the report page and by anything else that shows facets.
//
// A plain script; it needs `THREE` (vendor/three.min.js) and makes no request. It defines
// `GlobeViewer` with:
//
//   GlobeViewer.decode(bytes, heads) -> facets
//       Unpacks what src/stages/page/packed.rs packs. `bytes` is a Uint8Array (inflated), `heads`
//       the list that goes with it.
//   await GlobeViewer.inflate(base64) -> Uint8Array
//   GlobeViewer.create(stage, options) -> viewer
//       Puts a canvas into the element `stage`. Options: `label` (what a screen reader says),
//       `onView(view)` (called after every change of the view by hand), `meeting` (facets have the
//       points of their seams in common, and are shaded across them as one surface).
//   viewer.setFacets(facets)
//       Shows these facets; the view stays. Where a facet keeps its `triangles` array, only its
//       heights are taken anew, which is quick.
//   viewer.view -> { yaw, pitch, zoom, apart }      degrees, degrees, factor, 0..1
//   viewer.setView(part of a view)
//   viewer.turn(yaw, pitch)                         by degrees
//   viewer.show({ seams, numbers, corners })        true or false each
//   viewer.fit()                                    after the stage has changed its size
//   viewer.draw()                                   at once; otherwise with the next frame
//   viewer.picture() -> data URL of a PNG
//   viewer.dispose()
//
// A facet, in its own frame (x right, y to the index corner, z outwards, mm, 0 = back of the blank):
//   { label, frame: { x, y, z } (unit vectors, planet's axes), backPlaneMm,
//     points: Float32Array (x y z …), triangles: Uint32Array, top (how many of them are carved
//     ground), rim: Uint32Array (pairs of points along the seams), cornersMm: [[x, y, z] …]
//     (index corner first), and for a blank `seam`, the finished facet whose rim is drawn }
'use strict';
const GlobeViewer = (() => {
    // Relief is grey and everything drawn on it one dark blue, as in every other picture.
    const WOOD = 0xd9d6d1;
    const CUT = 0xb9b2a6;
    const ACCENT = 0x00508c;
    // From the upper left, low enough for plains to show: in the eye's axes, x right, y up, z out.
    const LIGHT = [-1, 0.95, 0.75];
    // How far facets move out when pulled apart fully, in radii.
    const FARTHEST = 0.9;
    const FIELD_DEG = 26;
    const ZOOM = [0.5, 8];
    const KEYS = {
        ArrowLeft: [-10, 0], ArrowRight: [10, 0], ArrowUp: [0, 10], ArrowDown: [0, -10],
    };

    async function inflate(base64) {
        const text = atob(base64);
        const packed = new Uint8Array(text.length);
        for (let i = 0; i < text.length; i++) packed[i] = text.charCodeAt(i);
        const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream('deflate'));
        return new Uint8Array(await new Response(stream).arrayBuffer());
    }

    // Bytes come in planes: all low bytes, then the next.
    function reader(bytes) {
        let at = 0;
        const plane = (count) => bytes.subarray(at, at += count);
        return {
            words(count) {
                const low = plane(count), high = plane(count);
                const words = new Uint16Array(count);
                for (let i = 0; i < count; i++) words[i] = low[i] | high[i] << 8;
                return words;
            },
            triples(count) {
                const low = plane(count), middle = plane(count), high = plane(count);
                const words = new Uint32Array(count);
                for (let i = 0; i < count; i++) words[i] = low[i] | middle[i] << 8 | high[i] << 16;
                return words;
            },
        };
    }

    function decode(bytes, heads) {
        const read = reader(bytes);
        return heads.map((head) => {
            const points = new Float32Array(3 * head.points);
            for (let axis = 0; axis < 3; axis++) {
                const steps = read.words(head.points);
                let value = 0;
                for (let i = 0; i < head.points; i++) {
                    const step = steps[i];
                    value = (value + (step & 1 ? -(step + 1) / 2 : step / 2)) << 16 >> 16;
                    points[3 * i + axis] = value * head.step_mm;
                }
            }
            // Height above the back counts from 32768 steps below it.
            const lift = 32768 * head.step_mm;
            for (let i = 2; i < points.length; i += 3) points[i] += lift;
            const triangles = read.triples(3 * head.triangles);
            let next = 0;
            for (let i = 0; i < triangles.length; i++) {
                triangles[i] = next - triangles[i];
                if (triangles[i] === next) next++;
            }
            return {
                label: head.label, frame: head.frame, backPlaneMm: head.back_plane_mm,
                cornersMm: head.corners_mm, points, triangles, top: head.top,
                rim: read.triples(2 * head.rim),
            };
        });
    }

    // Smooth over the carved ground: sums of the normals of the triangles around, by their area.
    function smoothNormals(points, triangles, count) {
        const normals = new Float32Array(points.length);
        for (let t = 0; t < 3 * count; t += 3) {
            const a = 3 * triangles[t], b = 3 * triangles[t + 1], c = 3 * triangles[t + 2];
            const ux = points[b] - points[a], uy = points[b + 1] - points[a + 1], uz = points[b + 2] - points[a + 2];
            const vx = points[c] - points[a], vy = points[c + 1] - points[a + 1], vz = points[c + 2] - points[a + 2];
            const x = uy * vz - uz * vy, y = uz * vx - ux * vz, z = ux * vy - uy * vx;
            normals[a] += x; normals[a + 1] += y; normals[a + 2] += z;
            normals[b] += x; normals[b + 1] += y; normals[b + 2] += z;
            normals[c] += x; normals[c + 1] += y; normals[c + 2] += z;
        }
        for (let i = 0; i < normals.length; i += 3) {
            const x = normals[i], y = normals[i + 1], z = normals[i + 2];
            const share = 1 / (Math.sqrt(x * x + y * y + z * z) || 1);
            normals[i] = x * share; normals[i + 1] = y * share; normals[i + 2] = z * share;
        }
        return normals;
    }

    function attribute(array) {
        return new THREE.BufferAttribute(array, 3);
    }

    function topGeometry(facet) {
        const geometry = new THREE.BufferGeometry();
        geometry.setAttribute('position', attribute(facet.points));
        geometry.setAttribute('normal', attribute(smoothNormals(facet.points, facet.triangles, facet.top)));
        geometry.setIndex(new THREE.BufferAttribute(facet.triangles.subarray(0, 3 * facet.top), 1));
        return geometry;
    }

    // Beside a seam each facet knows the ground on its own side only, and shades it a little
    // differently: a faint line. Points that two facets have in common get the mean of both
    // normals, except where they differ by more, as at the edges of flat facets.
    const GRAIN_MM = 0.02;
    const LIKE = Math.cos(12 * Math.PI / 180);
    function meet(facets, tops) {
        const places = new Map();
        facets.forEach((facet, f) => {
            const { frame: { x, y, z }, points, backPlaneMm } = facet;
            const normals = tops[f].getAttribute('normal').array;
            const out = (a, b, c) => [0, 1, 2].map((k) => a * x[k] + b * y[k] + c * z[k]);
            for (const index of new Set(facet.rim)) {
                const i = 3 * index;
                const place = out(points[i], points[i + 1], points[i + 2] + backPlaneMm);
                const key = place.map((mm) => Math.round(mm / GRAIN_MM)).join(' ');
                const here = { normals, i, frame: facet.frame, normal: out(normals[i], normals[i + 1], normals[i + 2]) };
                if (places.has(key)) places.get(key).push(here);
                else places.set(key, [here]);
            }
        });
        const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
        for (const all of places.values()) {
            if (!all.every((one) => dot(one.normal, all[0].normal) > LIKE)) continue;
            const sum = [0, 1, 2].map((k) => all.reduce((total, one) => total + one.normal[k], 0));
            const length = Math.sqrt(dot(sum, sum));
            for (const { normals, i, frame } of all) {
                normals[i] = dot(sum, frame.x) / length;
                normals[i + 1] = dot(sum, frame.y) / length;
                normals[i + 2] = dot(sum, frame.z) / length;
            }
        }
    }

    // Sawn sides and back: flat, so every triangle has its own corners.
    function cutGeometry(facet) {
        const indices = facet.triangles.subarray(3 * facet.top);
        const points = new Float32Array(3 * indices.length);
        indices.forEach((index, i) => {
            for (let axis = 0; axis < 3; axis++) points[3 * i + axis] = facet.points[3 * index + axis];
        });
        const geometry = new THREE.BufferGeometry();
        geometry.setAttribute('position', attribute(points));
        geometry.computeVertexNormals();
        return geometry;
    }

    // A blank's rim is where it was cut out; its seam lies on the finished facet.
    function rimGeometry(facet) {
        const { points: from, rim } = facet.seam ?? facet;
        const points = new Float32Array(3 * rim.length);
        rim.forEach((index, i) => {
            for (let axis = 0; axis < 3; axis++) points[3 * i + axis] = from[3 * index + axis];
        });
        const geometry = new THREE.BufferGeometry();
        geometry.setAttribute('position', attribute(points));
        return geometry;
    }

    function label(text, sizeMm) {
        const canvas = document.createElement('canvas');
        canvas.width = 128;
        canvas.height = 80;
        const ink = canvas.getContext('2d');
        ink.font = 'bold 52px "DejaVu Sans", Verdana, sans-serif';
        ink.textAlign = 'center';
        ink.textBaseline = 'middle';
        ink.lineJoin = 'round';
        ink.lineWidth = 12;
        ink.strokeStyle = '#ffffff';
        ink.strokeText(text, 64, 42);
        ink.fillStyle = '#00508c';
        ink.fillText(text, 64, 42);
        const texture = new THREE.CanvasTexture(canvas);
        texture.colorSpace = THREE.SRGBColorSpace;
        const material = new THREE.SpriteMaterial({ map: texture, depthTest: false, transparent: true });
        const sprite = new THREE.Sprite(material);
        sprite.scale.set(1.6 * sizeMm, sizeMm, 1);
        return sprite;
    }

    // A filled triangle that points at the index corner from inside.
    function cornerMark(facet, material) {
        const [corner] = facet.cornersMm;
        const across = Math.hypot(corner[0], corner[1]);
        const size = 0.11 * across;
        const tip = 0.9;
        const at = (along, aside) => [
            corner[0] * along - corner[1] / across * aside,
            corner[1] * along + corner[0] / across * aside,
            corner[2] + (1 - along) * 0.3 * across,
        ];
        const points = [
            ...at(tip, 0), ...at(tip - 1.5 * size / across, 0.5 * size),
            ...at(tip - 1.5 * size / across, -0.5 * size),
        ];
        const geometry = new THREE.BufferGeometry();
        geometry.setAttribute('position', attribute(new Float32Array(points)));
        const mark = new THREE.Mesh(geometry, material);
        mark.renderOrder = 2;
        return mark;
    }

    function create(stage, options = {}) {
        const renderer = new THREE.WebGLRenderer({ antialias: true, alpha: true, preserveDrawingBuffer: true });
        const canvas = renderer.domElement;
        canvas.tabIndex = 0;
        canvas.setAttribute('role', 'img');
        canvas.setAttribute('aria-label', options.label || 'The globe');
        stage.append(canvas);

        const scene = new THREE.Scene();
        const camera = new THREE.PerspectiveCamera(FIELD_DEG, 1, 1, 100);
        const light = new THREE.DirectionalLight(0xffffff, 2.9);
        light.position.set(...LIGHT);
        scene.add(new THREE.AmbientLight(0xffffff, 0.75), light);
        // The planet's axes turned so that north is up and longitude 0 faces the eye at yaw 0.
        const globe = new THREE.Group();
        scene.add(globe);

        const materials = {
            wood: new THREE.MeshLambertMaterial({ color: WOOD, polygonOffset: true, polygonOffsetFactor: 1, polygonOffsetUnits: 1 }),
            cut: new THREE.MeshLambertMaterial({ color: CUT, polygonOffset: true, polygonOffsetFactor: 1, polygonOffsetUnits: 1 }),
            seam: new THREE.LineBasicMaterial({ color: ACCENT }),
            mark: new THREE.MeshLambertMaterial({ color: ACCENT, emissive: ACCENT, depthTest: false, side: THREE.DoubleSide }),
        };
        const view = { yaw: 0, pitch: 15, zoom: 1, apart: 0 };
        const shown = { seams: true, numbers: true, corners: true };
        let facets = [];
        let parts = [];
        let radius = 1;
        let waiting = 0;

        function clear(part) {
            part.group.traverse((node) => {
                if (node.geometry && !node.isSprite) node.geometry.dispose();
                if (node.isSprite) {
                    node.material.map.dispose();
                    node.material.dispose();
                }
            });
            globe.remove(part.group);
        }

        function build(facet, ground) {
            const { x, y, z } = facet.frame;
            const group = new THREE.Group();
            const frame = new THREE.Matrix4().makeBasis(
                new THREE.Vector3(...x), new THREE.Vector3(...y), new THREE.Vector3(...z));
            group.quaternion.setFromRotationMatrix(frame);
            const top = new THREE.Mesh(ground, materials.wood);
            const cut = new THREE.Mesh(cutGeometry(facet), materials.cut);
            const rim = new THREE.LineSegments(rimGeometry(facet), materials.seam);
            // A hair above the ground, so that lines are not half buried.
            rim.scale.setScalar(1.0008);
            const across = Math.hypot(facet.cornersMm[0][0], facet.cornersMm[0][1]);
            const number = label(facet.label, 0.36 * across);
            number.position.set(0, 0, radius - facet.backPlaneMm);
            number.renderOrder = 3;
            const mark = cornerMark(facet, materials.mark);
            group.add(top, cut, rim, number, mark);
            globe.add(group);
            return { facet, group, top, cut, rim, number, mark, normal: new THREE.Vector3(...z) };
        }

        function swap(geometry, next) {
            geometry.setAttribute('position', next.getAttribute('position'));
            if (next.getAttribute('normal')) geometry.setAttribute('normal', next.getAttribute('normal'));
            geometry.boundingSphere = null;
        }

        function setFacets(next) {
            const farthest = (facet) => {
                const [x, y, z] = facet.cornersMm[0];
                return Math.hypot(x, y, z + facet.backPlaneMm);
            };
            radius = Math.max(1e-6, ...next.map(farthest));
            const same = next.length === facets.length && next.every((facet, i) =>
                facet.triangles === facets[i].triangles && facet.label === facets[i].label);
            const tops = next.map(topGeometry);
            if (options.meeting) meet(next, tops);
            if (same) {
                parts.forEach((part, i) => {
                    const facet = next[i];
                    swap(part.top.geometry, tops[i]);
                    swap(part.cut.geometry, cutGeometry(facet));
                    swap(part.rim.geometry, rimGeometry(facet));
                    part.facet = facet;
                });
            } else {
                parts.forEach(clear);
                parts = next.map((facet, i) => build(facet, tops[i]));
            }
            facets = next;
            ask();
        }

        function place() {
            const toward = new THREE.Vector3();
            // z (north) up, then pitch about the screen's horizontal and yaw about the axis.
            const upright = new THREE.Quaternion().setFromAxisAngle(new THREE.Vector3(1, 0, 0), -Math.PI / 2);
            const yaw = new THREE.Quaternion().setFromAxisAngle(
                new THREE.Vector3(0, 0, 1), (view.yaw - 90) * Math.PI / 180);
            const pitch = new THREE.Quaternion().setFromAxisAngle(
                new THREE.Vector3(1, 0, 0), view.pitch * Math.PI / 180);
            globe.quaternion.copy(pitch).multiply(upright).multiply(yaw);
            const out = view.apart * FARTHEST * radius;
            const distance = (1.12 * radius + 0.8 * out) / Math.sin(FIELD_DEG / 2 * Math.PI / 180) / view.zoom
                / Math.min(1, camera.aspect);
            camera.position.set(0, 0, distance);
            camera.near = Math.max(distance - 3 * radius, distance / 50);
            camera.far = distance + 3 * radius;
            camera.updateProjectionMatrix();
            for (const part of parts) {
                part.group.position.copy(part.normal).multiplyScalar(part.facet.backPlaneMm + out);
                toward.copy(part.normal).applyQuaternion(globe.quaternion);
                const facing = toward.z > 0.3;
                part.rim.visible = shown.seams;
                part.number.visible = shown.numbers && facing;
                part.mark.visible = shown.corners && facing;
            }
        }

        function draw() {
            cancelAnimationFrame(waiting);
            waiting = 0;
            place();
            renderer.render(scene, camera);
        }

        function ask() {
            if (!waiting) waiting = requestAnimationFrame(draw);
        }

        function fit() {
            // On paper the stage has the size of the printed picture, not of the canvas.
            if (globalThis.matchMedia('print').matches) return;
            const width = stage.clientWidth || 1, height = stage.clientHeight || 1;
            renderer.setPixelRatio(Math.min(2, globalThis.devicePixelRatio || 1));
            renderer.setSize(width, height, false);
            camera.aspect = width / height;
            ask();
        }

        function setView(change) {
            Object.assign(view, change);
            view.yaw = ((view.yaw % 360) + 360) % 360;
            view.pitch = Math.max(-90, Math.min(90, view.pitch));
            view.zoom = Math.max(ZOOM[0], Math.min(ZOOM[1], view.zoom));
            view.apart = Math.max(0, Math.min(1, view.apart));
            ask();
        }

        function byHand(change) {
            setView(change);
            if (options.onView) options.onView({ ...view });
        }

        function turn(yaw, pitch) {
            byHand({ yaw: view.yaw + yaw, pitch: view.pitch + pitch });
        }

        let held = null;
        canvas.addEventListener('pointerdown', (event) => {
            held = { id: event.pointerId, x: event.clientX, y: event.clientY };
            canvas.setPointerCapture(event.pointerId);
        });
        canvas.addEventListener('pointermove', (event) => {
            if (!held || event.pointerId !== held.id) return;
            const degrees = 130 / (stage.clientHeight || 1) / view.zoom;
            turn((event.clientX - held.x) * degrees, (event.clientY - held.y) * degrees);
            held.x = event.clientX;
            held.y = event.clientY;
        });
        const drop = () => { held = null; };
        canvas.addEventListener('pointerup', drop);
        canvas.addEventListener('pointercancel', drop);
        canvas.addEventListener('keydown', (event) => {
            if (event.ctrlKey || event.altKey || event.metaKey) return;
            if (KEYS[event.key]) turn(...KEYS[event.key]);
            else if (event.key === '+' || event.key === '=') byHand({ zoom: view.zoom * 1.25 });
            else if (event.key === '-') byHand({ zoom: view.zoom / 1.25 });
            else if (event.key === 'Home') byHand({ yaw: 0, pitch: 15, zoom: 1 });
            else return;
            event.preventDefault();
        });
        const watch = new ResizeObserver(fit);
        watch.observe(stage);
        fit();

        return {
            setFacets, setView, turn, fit, draw,
            get view() { return { ...view }; },
            get canvas() { return canvas; },
            show(change) {
                Object.assign(shown, change);
                ask();
            },
            picture() {
                draw();
                return canvas.toDataURL('image/png');
            },
            dispose() {
                cancelAnimationFrame(waiting);
                watch.disconnect();
                parts.forEach(clear);
                renderer.dispose();
                canvas.remove();
            },
        };
    }

    return { create, decode, inflate };
})();
