// The bench in the browser: form controls in, two balls and their figures out.
//
// All arithmetic on relief, wood and curve is done by the program that served this page; here
// values are only sent, shown and drawn. Whatever comes from files is set as text, never as markup.
'use strict';
(async () => {
    const SIDES = ['A', 'B'];
    const one = (selector, root = document) => root.querySelector(selector);
    const all = (selector, root = document) => [...root.querySelectorAll(selector)];
    const token = new URLSearchParams(location.search).get('token') || '';

    function make(name, traits = {}, ...children) {
        const element = document.createElement(name);
        for (const [key, value] of Object.entries(traits)) {
            if (value === undefined || value === null || value === false) continue;
            element.setAttribute(key, value === true ? '' : value);
        }
        element.append(...children);
        return element;
    }

    // ---- The server ----

    const GONE = 'The preview on this machine has ended. What you see stays, but nothing answers any more: start globewright preview again and open its new link.';

    function gone(isGone) {
        const note = one('#gone');
        if (isGone === !note.hidden) return;
        note.hidden = !isGone;
        note.textContent = isGone ? GONE : '';
        all('[data-write]').forEach((button) => { button.disabled = isGone; });
    }

    class Refused extends Error {}

    async function ask(path, question, signal) {
        let response;
        try {
            response = await fetch(`/api/${path}`, {
                method: 'POST', cache: 'no-store', credentials: 'omit',
                headers: { 'content-type': 'application/json', 'x-preview-token': token },
                body: JSON.stringify(question), signal,
            });
        } catch (error) {
            if (!signal?.aborted) gone(true);
            throw error;
        }
        gone(false);
        if (response.ok) return response;
        let text = `the preview answered ${response.status}`;
        try { text = (await response.json()).error || text; } catch { /* not from the preview */ }
        throw new Refused(text);
    }

    setInterval(() => { ask('alive', {}).catch(() => {}); }, 2500);

    let start;
    try {
        start = await (await ask('start', {})).json();
    } catch (error) {
        if (error instanceof Refused) {
            const note = one('#gone');
            note.hidden = false;
            note.textContent = error.message;
        }
        document.documentElement.dataset.ready = 'refused';
        return;
    }
    document.title = `${start.title}: tuning bench`;
    one('#title').textContent = `${start.title}: tuning bench`;
    one('#file').textContent = start.file;
    let stamp = start.stamp;
    let controls = start.controls;
    const fresh = () => Object.fromEntries(controls.map((control) => [control.key, control.value]));
    const sides = Object.fromEntries(SIDES.map((name) => [name, {
        name, values: fresh(), answer: null, viewer: null, asked: false, again: false, settling: null, nets: new Map(), shape: '', error: '',
    }]));
    let chosen = 'A';

    // ---- The balls ----

    for (const side of Object.values(sides)) {
        const article = one(`[data-side="${side.name}"]`);
        side.article = article;
        side.stage = one('.stage', article);
        try {
            side.viewer = GlobeViewer.create(side.stage, {
                meeting: true,
                label: `Ball ${side.name} in three dimensions. Arrow keys turn both balls, plus and minus bring them nearer and farther, Home starts again.`,
                onView: (view) => Object.values(sides).forEach((other) => {
                    if (other !== side && other.viewer) other.viewer.setView(view);
                }),
            });
            side.viewer.show({ corners: false, numbers: false });
        } catch {
            one('.note', article).textContent = 'This browser does not draw in three dimensions here; the figures below are the same.';
        }
    }
    const viewers = () => Object.values(sides).map((side) => side.viewer).filter(Boolean);
    const view = (change) => viewers().forEach((viewer) => viewer.setView(change(viewer.view)));
    all('[data-turn]').forEach((button) => button.addEventListener('click', () => {
        const [yaw, pitch] = button.dataset.turn.split(' ').map(Number);
        view((now) => ({ yaw: now.yaw + yaw, pitch: now.pitch + pitch }));
    }));
    all('[data-zoom]').forEach((button) => button.addEventListener('click', () => {
        view((now) => ({ zoom: now.zoom * Number(button.dataset.zoom) }));
    }));
    one('[data-home]').addEventListener('click', () => view(() => ({ yaw: 0, pitch: 15, zoom: 1 })));
    all('[data-show]').forEach((box) => box.addEventListener('change', () => {
        viewers().forEach((viewer) => viewer.show({ [box.dataset.show]: box.checked }));
    }));

    // Nets that came once, by sides and rings.
    const nets = new Map();
    const netName = ({ sides: corners, rings }) => `${corners} ${rings}`;
    const known = () => [...nets.keys()].map((name) => name.split(' ').map(Number));

    function draw(side, answer, points) {
        if (!side.viewer) return;
        const note = one('.note', side.stage);
        if (note) note.remove();
        // Where only heights have changed the viewer keeps its nets, numbers and marks.
        const shape = JSON.stringify([answer.solid, answer.diameter_mm, answer.nets.map(netName), answer.heads.map((head) => [head.frame, head.corners_mm[0]])]);
        if (shape !== side.shape) {
            side.shape = shape;
            // Lists of their own: the viewer builds anew where they are not the ones it has.
            side.nets = new Map(answer.nets.map((net) => {
                const { triangles, rim, top } = nets.get(netName(net));
                return [net.sides, { triangles: triangles.subarray(), rim, top }];
            }));
        }
        let at = 0;
        side.viewer.setFacets(answer.heads.map((head) => {
            const net = side.nets.get(head.sides);
            const facet = {
                label: head.label, frame: head.frame, backPlaneMm: 0, cornersMm: head.corners_mm,
                points: points.slice(at, at + 3 * head.points), triangles: net.triangles, top: net.top, rim: net.rim,
            };
            at += 3 * head.points;
            return facet;
        }));
        side.viewer.draw();
    }

    // ---- Questions and answers ----

    function unpack(buffer) {
        const length = new DataView(buffer).getUint32(0, true);
        const answer = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length)));
        const count = 3 * answer.heads.reduce((sum, head) => sum + head.points, 0);
        const points = new Float32Array(buffer, 4 + length, count);
        let at = 4 + length + 4 * count;
        const take = (numbers) => {
            const list = new Uint32Array(buffer.slice(at, at + 4 * numbers));
            at += 4 * numbers;
            return list;
        };
        for (const net of answer.nets) {
            if (net.triangles) nets.set(netName(net), { triangles: take(net.triangles), rim: take(net.rim), top: net.top });
        }
        return [answer, points];
    }

    const bitBox = one('#bit');

    // One question and what comes of it; an exact one is dropped when it is overtaken by a change.
    async function answered(side, exact) {
        const from = performance.now();
        side.settling = exact ? new AbortController() : null;
        const signal = side.settling?.signal;
        try {
            const question = { values: side.values, exact, bit: bitBox.checked, nets: known() };
            const response = await ask('answer', question, signal);
            const [answer, points] = unpack(await response.arrayBuffer());
            const came = performance.now();
            side.answer = answer;
            side.error = '';
            draw(side, answer, points);
            side.article.dataset[exact ? 'exactTook' : 'took'] = `${(came - from).toFixed(0)} ${(performance.now() - came).toFixed(0)}`;
        } catch (error) {
            if (signal?.aborted) return;
            side.error = error instanceof Refused ? error.message : '';
        }
        side.settling = null;
        show();
        follow();
    }

    // While one answer is on its way, only the newest of all further wishes is kept. A draft is
    // followed by the exact numbers, unless something has been changed meanwhile.
    async function refresh(side) {
        if (side.asked) {
            side.again = true;
            side.settling?.abort();
            return;
        }
        side.asked = true;
        do {
            side.again = false;
            await answered(side, false);
            if (!side.again && !side.error && side.answer && !side.answer.exact) await answered(side, true);
        } while (side.again);
        side.asked = false;
        side.article.dataset.answers = String(1 + Number(side.article.dataset.answers || 0));
        say();
    }

    bitBox.addEventListener('change', () => Object.values(sides).forEach(refresh));

    let speaking = 0;
    function say() {
        clearTimeout(speaking);
        speaking = setTimeout(() => {
            one('#spoken').textContent = `${chosen}: ${verdict(sides[chosen])}`;
        }, 600);
    }

    // ---- Figures ----

    const percent = (share) => `${(100 * share).toFixed(1)} %`;
    // The shop's unit; what is asked for and answered is in mm.
    const [unit, perMm, places] = start.units === 'inch' ? ['in', 1 / 25.4, 3] : ['mm', 1, 2];
    all('[data-unit]').forEach((part) => { part.textContent = unit; });
    const mm = (value) => `${(value * perMm).toFixed(places)} ${unit}`;
    const signed = (value) => `${value < 0 ? '−' : '+'}${Math.abs(value * perMm).toFixed(places)}`;
    const highest = (answer) => answer.seams.reduce((a, b) => (b.high_mm > a.high_mm ? b : a));
    const inches = () => controls.some((c) => c.key === 'globe.diameter' && c.unit === 'in');
    const length = (value) => {
        if (unit === 'in') return mm(value);
        return inches() ? `${(value / 25.4).toFixed(3)} in (${value.toFixed(1)} mm)` : `${value.toFixed(1)} mm`;
    };

    function verdict(side) {
        if (side.error) return side.error;
        const { answer } = side;
        if (!answer) return '';
        const relief = `${mm(answer.range_mm)} of relief, ${percent(answer.figures.carved_share)} legible`;
        if (!answer.exact) return `about ${relief}; ${answer.fit.fits ? 'seems to fit' : 'seems not to fit'}, being worked out exactly…`;
        return answer.fit.fits
            ? `${relief}; fits, thinnest corner ${mm(answer.fit.corner_mm)}`
            : `${relief}; does not fit the stock`;
    }

    const FIGURES = [
        ['Diameter', (a) => length(a.diameter_mm)],
        ['Relief, lowest to highest', (a) => mm(a.range_mm)],
        ['Fit to the stock', (a) => (a.fit.fits ? `fits ${length(a.fit.stock_mm)}` : `does not fit ${length(a.fit.stock_mm)}`)],
        ['Thinnest corner', (a) => (a.fit.fits ? `${length(a.fit.corner_mm)} on facet ${a.fit.corner_facet}` : 'see below')],
        ['Least that the job allows', (a) => length(a.fit.edge_mm)],
        ['Legible as the bit leaves it', (a) => percent(a.figures.carved_share)],
        ['Dead ground', (a) => percent(a.figures.flat_share)],
        ['Order of ruggedness', (a) => a.figures.rough_order.toFixed(2)],
        [`Bit leaves over ${unit === 'in' ? '0.004 in' : '0.1 mm'}`, (a) => percent(a.figures.bit_leaves_share)],
        ['Detail', (a) => (a.detail === null ? 'curve alone' : a.detail.toFixed(2))],
        ['Steepest slope', (a) => `${a.figures.steepest_deg.toFixed(1)}°`],
        ['Highest ground on a seam', (a) => `${signed(highest(a).high_mm)} ${unit} on ${highest(a).seam}`],
    ];

    function fill(body, rows) {
        body.replaceChildren(...rows.map(([head, ...cells]) => make('tr', {},
            make('th', { scope: 'row' }, head), ...cells.map((cell) => make('td', {}, cell)))));
    }

    function show() {
        const answers = SIDES.map((name) => sides[name].answer);
        const cell = (name, figure) => {
            const { answer } = sides[name];
            if (!answer) return '…';
            return `${answer.exact ? '' : 'about '}${figure(answer)}`;
        };
        const solid = ({ answer }) => (answer ? `${answer.solid.replaceAll('-', ' ')}, ${answer.facets} facets` : '…');
        fill(one('#numbers tbody'), [
            ['Solid', ...SIDES.map((name) => solid(sides[name]))],
            ...FIGURES.map(([label, figure]) => [label, ...SIDES.map((name) => cell(name, figure))]),
        ]);
        for (const name of SIDES) {
            const side = sides[name];
            const line = one(`[data-verdict="${name}"]`);
            line.textContent = verdict(side);
            const about = Boolean(side.answer && !side.answer.exact);
            line.classList.toggle('bad', Boolean(side.error) || Boolean(side.answer && !about && !side.answer.fit.fits));
            all(`[data-of="${name}"]`).forEach((part) => { part.classList.toggle('about', about); });
            all('#numbers tbody tr').forEach((tr) => { tr.cells[1 + SIDES.indexOf(name)].classList.toggle('about', about); });
            one(`#seams-${name} caption`).textContent = about ? `${name}, about` : name;
            side.article.classList.toggle('stale', Boolean(side.error));
            const seams = side.answer ? [...side.answer.seams].sort((a, b) => b.high_mm - a.high_mm).slice(0, 5) : [];
            fill(one(`#seams-${name} tbody`), seams.map((seam) => [
                seam.seam, seam.facets.join(' and '), signed(seam.low_mm), signed(seam.high_mm)]));
        }
        one('#refusals').replaceChildren(...SIDES.filter((name) => {
            const { answer } = sides[name];
            return answer && answer.exact && answer.fit.message;
        }).map((name) => make('p', { class: 'alarm' }, `${name}: ${sides[name].answer.fit.message}`)));
        const [a, b] = answers;
        if (a && b) {
            const perKm = (slope) => (slope.mm_per_km * perMm).toFixed(places);
            const times = (slope) => (slope.exaggeration === null ? 'not known' : `${slope.exaggeration.toFixed(1)} times`);
            fill(one('#slopes tbody'), a.slopes.map((slope, i) => [
                `${slope.percent}`, slope.height_m.toFixed(0),
                perKm(slope), times(slope), perKm(b.slopes[i]), times(b.slopes[i])]));
            one('#chart').replaceChildren(chart(a, b));
        }
        const notes = SIDES.filter((name) => sides[name].answer).map((name) => {
            const { warnings } = sides[name].answer;
            const list = make('ul', {}, ...warnings.map((text) => make('li', {}, text)));
            const about = !sides[name].answer.exact;
            return make('div', { class: about && 'about' }, make('h3', {}, about ? `${name}, about` : name), warnings.length ? list : make('p', {}, 'Nothing.'));
        });
        one('#warnings').replaceChildren(...notes);
    }

    // ---- The chart ----

    const SVG = 'http://www.w3.org/2000/svg';
    function shape(name, traits, text) {
        const element = document.createElementNS(SVG, name);
        for (const [key, value] of Object.entries(traits)) element.setAttribute(key, value);
        if (text !== undefined) element.textContent = text;
        return element;
    }

    function ticks(low, high, about) {
        const raw = (high - low) / about;
        const power = 10 ** Math.floor(Math.log10(raw));
        const step = [1, 2, 5, 10].map((times) => times * power).find((size) => size >= raw);
        const list = [];
        for (let at = Math.ceil(low / step) * step; at <= high + 1e-9 * step; at += step) list.push(Math.abs(at) < 1e-9 * step ? 0 : at);
        return [list, Math.max(0, -Math.floor(Math.log10(step) + 1e-9))];
    }

    const tick = (at, digits) => at.toFixed(digits).replace('-', '−');

    function chart(a, b) {
        // Drawn as wide as it is shown, so that words keep their size.
        const width = Math.max(300, Math.min(1000, one('#chart').clientWidth || 760));
        const height = Math.round(Math.max(260, Math.min(440, 0.55 * width)));
        const box = { left: 62, right: 16, top: 34, bottom: 52 };
        const both = [...a.curve, ...b.curve];
        const lowM = Math.min(...both.map((p) => p[0])), highM = Math.max(...both.map((p) => p[0]));
        const low = perMm * Math.min(...both.map((p) => p[1])), high = perMm * Math.max(...both.map((p) => p[1]));
        const room = 0.04 * (high - low);
        const x = (metres) => box.left + (metres - lowM) / (highM - lowM) * (width - box.left - box.right);
        const y = (value) => height - box.bottom - (value - low + room) / (high - low + 2 * room) * (height - box.top - box.bottom);
        const svg = shape('svg', { viewBox: `0 0 ${width} ${height}`, role: 'img', 'aria-label': `Curves: A ${a.curve_name} from ${lowM.toFixed(0)} m to ${highM.toFixed(0)} m makes ${mm(a.range_mm)}; B ${b.curve_name} makes ${mm(b.range_mm)}` });
        const most = Math.max(...a.ground_share);
        const bottom = height - box.bottom;
        const bar = (width - box.left - box.right) / a.ground_share.length;
        a.ground_share.forEach((share, i) => {
            const tall = 0.4 * (bottom - box.top) * share / most;
            svg.append(shape('rect', { class: 'ground', x: box.left + i * bar, y: bottom - tall, width: bar + 0.3, height: tall }));
        });
        const km = (metres) => metres / 1000;
        const [across, digits] = ticks(km(lowM), km(highM), width / 90);
        for (const at of across) {
            svg.append(shape('line', { class: 'axis', x1: x(1000 * at), x2: x(1000 * at), y1: bottom, y2: bottom + 5 }));
            svg.append(shape('text', { x: x(1000 * at), y: bottom + 20, 'text-anchor': 'middle' }, tick(at, digits)));
        }
        const [up, decimals] = ticks(low, high, 6);
        for (const at of up) {
            svg.append(shape('line', { class: 'grid', x1: box.left, x2: width - box.right, y1: y(at), y2: y(at) }));
            svg.append(shape('text', { x: box.left - 8, y: y(at) + 4, 'text-anchor': 'end' }, tick(at, decimals)));
        }
        svg.append(shape('line', { class: 'axis', x1: box.left, x2: width - box.right, y1: bottom, y2: bottom }));
        svg.append(shape('line', { class: 'axis', x1: box.left, x2: box.left, y1: box.top, y2: bottom }));
        svg.append(shape('text', { x: (box.left + width) / 2, y: height - 10, 'text-anchor': 'middle' }, width < 480 ? 'height, km (grey: how much ground)' : 'height on the planet, km (grey: how much ground lies there)'));
        svg.append(shape('text', { x: 16, y: (box.top + bottom) / 2, 'text-anchor': 'middle', transform: `rotate(-90 16 ${(box.top + bottom) / 2})` }, `relief in the wood, ${unit}`));
        const line = (answer, name) => svg.append(shape('polyline', {
            class: name, points: answer.curve.map((p) => `${x(p[0]).toFixed(2)},${y(perMm * p[1]).toFixed(2)}`).join(' '),
        }));
        line(b, 'b');
        line(a, 'a');
        [['a', `A ${a.curve_name}`, 0], ['b', `B ${b.curve_name}`, Math.min(200, width / 2 - 40)]].forEach(([name, text, shift]) => {
            svg.append(shape('line', { class: name, x1: box.left + shift, x2: box.left + shift + 44, y1: 16, y2: 16 }));
            svg.append(shape('text', { x: box.left + shift + 52, y: 20 }, text));
        });
        return svg;
    }

    new ResizeObserver(() => {
        const [a, b] = SIDES.map((name) => sides[name].answer);
        const drawn = one('#chart svg');
        const fits = drawn && Math.abs(drawn.viewBox.baseVal.width - one('#chart').clientWidth) < 2;
        if (a && b && !fits) one('#chart').replaceChildren(chart(a, b));
    }).observe(one('#chart'));

    // ---- Controls ----

    const inputs = new Map();

    function build() {
        const groups = new Map();
        for (const control of controls) {
            if (!groups.has(control.group)) groups.set(control.group, make('fieldset', {}, make('legend', {}, control.group)));
            groups.get(control.group).append(row(control));
        }
        one('#groups').replaceChildren(...groups.values());
    }

    const numeric = (control) => ['length', 'number', 'whole'].includes(control.form);
    const tidy = (number) => String(Number(number.toPrecision(10)));

    function textOf(control, number) {
        return control.form === 'length' ? `${tidy(number)} ${control.unit}` : tidy(number);
    }

    // The number in a text as the job writes it: `6-1/2 in`, `3/4 in`, `200 mm`, `-12.5`.
    function numberOf(control, text) {
        if (text === control.value && control.number !== null) return control.number;
        const found = /^\s*(-?[0-9.]+)/.exec(text || '');
        return found ? Number(found[1]) : control.number;
    }

    function row(control) {
        const id = `set-${control.key.replaceAll('.', '-')}`;
        const holder = make('div', { class: 'control', 'data-key': control.key });
        const hint = make('p', { class: 'hint', id: `${id}-hint` }, `${control.doc}.`);
        const parts = { holder, control };
        if (control.form === 'choice') {
            parts.select = make('select', { id, 'aria-describedby': `${id}-hint` });
            control.choices.forEach((word, i) => {
                const count = control.facets.length ? ` (${control.facets[i]} facets)` : '';
                parts.select.append(make('option', { value: word }, word.replaceAll('-', ' ') + count));
            });
            parts.select.addEventListener('change', () => change(control, parts.select.value));
            holder.append(make('label', { for: id }, control.label), parts.select, hint);
        } else if (numeric(control)) {
            const [low, high, step] = control.travel;
            parts.number = make('input', {
                type: 'number', id, min: tidy(control.ends[0]), max: tidy(control.ends[1]),
                step: 'any', 'aria-describedby': `${id}-hint`, inputmode: 'decimal',
            });
            parts.slider = make('input', { type: 'range', id: `${id}-slider`, min: low, max: high, step, 'aria-label': `${control.label}, slider` });
            parts.slider.addEventListener('input', () => {
                parts.number.value = tidy(Number(parts.slider.value));
                if (parts.word) parts.word.checked = false;
                change(control, textOf(control, Number(parts.slider.value)));
            });
            parts.number.addEventListener('input', () => {
                if (parts.number.value === '') return;
                if (parts.word) parts.word.checked = false;
                parts.slider.value = parts.number.value;
                change(control, textOf(control, Number(parts.number.value)));
            });
            const unit = control.form === 'whole' ? '' : `, ${control.unit}`;
            holder.append(make('label', { for: id }, control.label + unit), make('div', { class: 'row' }, parts.slider, parts.number));
            if (control.word) {
                const [word, means] = control.word;
                parts.word = make('input', { type: 'checkbox', id: `${id}-word` });
                parts.word.addEventListener('change', () => {
                    change(control, parts.word.checked ? (word || null) : textOf(control, Number(parts.number.value)));
                });
                holder.append(make('label', { class: 'check', for: `${id}-word` }, parts.word, word ? `${control.label}: ${word}` : `${control.label} left out: ${means}`));
            }
            holder.append(hint);
        } else {
            parts.text = make('input', { type: 'text', id, spellcheck: 'false', 'aria-describedby': `${id}-hint` });
            parts.text.addEventListener('change', () => change(control, parts.text.value.trim() || null));
            holder.append(make('label', { for: id }, `${control.label}, ${control.unit}`), parts.text, hint);
        }
        inputs.set(control.key, parts);
        return holder;
    }

    // What a word in place of a number came to, as far as answers tell: to take the word away
    // then changes nothing.
    const MM_OF = { mm: 1, cm: 10, m: 1000, in: 25.4 };
    const FOUND = {
        'relief.range': (answer, control) => answer.range_mm / MM_OF[control.unit],
        'relief.detail': (answer) => answer.detail,
    };
    function foundNumber(control) {
        const { answer } = sides[chosen];
        const found = answer && FOUND[control.key]?.(answer, control);
        return found === null || found === undefined ? control.number : Number(found.toFixed(3));
    }

    // Lets the dials that a word stands for follow the answer.
    function follow() {
        for (const parts of inputs.values()) {
            if (!parts.word?.checked || !(parts.control.key in FOUND)) continue;
            parts.number.value = parts.slider.value = tidy(foundNumber(parts.control));
        }
    }

    // Puts the chosen side's values into the controls.
    function load() {
        const { values } = sides[chosen];
        for (const [key, parts] of inputs) {
            const { control } = parts;
            const value = values[key];
            if (parts.select) parts.select.value = value;
            if (parts.text) parts.text.value = value || '';
            if (parts.number) {
                const isWord = Boolean(control.word) && (value === null || value === control.word[0]);
                if (parts.word) parts.word.checked = isWord;
                const number = isWord ? foundNumber(control) : numberOf(control, value);
                parts.number.value = number === null ? '' : tidy(number);
                parts.slider.value = parts.number.value;
            }
        }
        SIDES.forEach((name) => sides[name].article.toggleAttribute('data-on', name === chosen));
        fit();
    }

    // Shows the dials that the chosen curve and method have.
    function fit() {
        const { values } = sides[chosen];
        for (const { holder, control } of inputs.values()) {
            const [other, words] = control.shown_with || [null, []];
            holder.hidden = Boolean(other) && !words.includes(values[other]);
        }
        const solids = inputs.get('globe.solid').control;
        const face = inputs.get('globe.turn.face');
        const count = solids.facets[solids.choices.indexOf(values['globe.solid'])] || 120;
        face.slider.max = face.number.max = count;
        if (Number(values['globe.turn.face']) > count) {
            values['globe.turn.face'] = '1';
            face.number.value = face.slider.value = '1';
        }
    }

    function change(control, text) {
        const side = sides[chosen];
        side.values = { ...side.values, [control.key]: text };
        fit();
        refresh(side);
    }

    all('[name="side"]').forEach((radio) => radio.addEventListener('change', () => {
        chosen = radio.value;
        load();
        say();
    }));
    all('[data-copy]').forEach((button) => button.addEventListener('click', () => {
        const [from, to] = button.dataset.copy.split(' ');
        sides[to].values = { ...sides[from].values };
        load();
        refresh(sides[to]);
        one('#written').textContent = `${to} now has the settings of ${from}.`;
    }));
    one('[data-back]').addEventListener('click', async () => {
        try {
            const now = await (await ask('start', {})).json();
            ({ stamp, controls } = now);
            build();
            sides[chosen].values = fresh();
            load();
            refresh(sides[chosen]);
            one('#written').textContent = `${chosen} now has the settings of ${now.file}.`;
        } catch (error) {
            if (error instanceof Refused) one('#written').textContent = error.message;
        }
    });

    // ---- Writing ----

    const dialog = one('#confirm');
    const asText = (value) => (value === null ? 'not given' : value);
    all('[data-write]').forEach((button) => button.addEventListener('click', async () => {
        const side = sides[button.dataset.write];
        const status = one('#written');
        status.textContent = '';
        const { values } = side;
        try {
            const asked = await (await ask('write', { values, stamp, write: false })).json();
            if (!asked.changes.length) {
                status.textContent = `${start.file} says this already; nothing to write.`;
                return;
            }
            one('#confirm-title').textContent = `Write ${side.name} to ${start.file}?`;
            fill(one('#changes tbody'), asked.changes.map((c) => [c.key, asText(c.from), c.to === null ? 'taken out' : c.to]));
            dialog.returnValue = '';
            dialog.showModal();
            dialog.onclose = async () => {
                button.focus();
                if (dialog.returnValue !== 'write') {
                    status.textContent = 'Nothing was written.';
                    return;
                }
                try {
                    const saved = await (await ask('write', { values, stamp, write: true })).json();
                    ({ stamp } = saved);
                    status.textContent = `Wrote ${saved.changes.length === 1 ? 'one setting' : `${saved.changes.length} settings`} of ${side.name} to ${start.file}.`;
                } catch (error) {
                    status.textContent = error instanceof Refused ? error.message : '';
                }
            };
        } catch (error) {
            status.textContent = error instanceof Refused ? error.message : '';
        }
    }));
    one('#yes').addEventListener('click', () => dialog.close('write'));
    one('#no').addEventListener('click', () => dialog.close(''));
    one('#controls').addEventListener('submit', (event) => event.preventDefault());

    build();
    load();
    await Promise.all(SIDES.map((name) => refresh(sides[name])));
    document.documentElement.dataset.ready = 'yes';
})();
