// Puts the ball on the page and ties the buttons to it.
'use strict';
(async () => {
    const stage = document.getElementById('stage');
    const note = document.getElementById('stage-note');
    const one = (selector) => document.querySelector(selector);
    const all = (selector) => [...document.querySelectorAll(selector)];
    const unpacked = async (name) => {
        const heads = JSON.parse(document.getElementById(`${name}-heads`).textContent);
        const text = document.getElementById(`${name}-bytes`).textContent.trim();
        return GlobeViewer.decode(await GlobeViewer.inflate(text), heads);
    };
    let viewer, sawn;
    try {
        // The browser unpacks aside while the context for drawing starts, which takes longest.
        const unpacking = unpacked('ball');
        viewer = GlobeViewer.create(stage, {
            label: `${one('.viewer').dataset.name}: the globe in three dimensions. Arrow keys turn it, plus and minus bring it nearer and farther, Home starts again.`,
        });
        sawn = await unpacking;
        viewer.setFacets(sawn);
        viewer.draw();
    } catch (error) {
        note.textContent = 'This browser does not draw in three dimensions here. The map and the facets below show the same ground.';
        one('.tools').hidden = true;
        document.documentElement.dataset.ball = 'none';
        return;
    }
    note.remove();
    document.documentElement.dataset.ball = String(Math.round(performance.now()));

    // Printers get a picture: a canvas prints blank in some browsers.
    const printed = document.createElement('img');
    printed.alt = 'The globe in three dimensions';
    stage.append(printed);
    // Printing does not wait until a picture has been unpacked aside.
    printed.decoding = 'sync';
    let waiting = 0;
    const take = () => {
        clearTimeout(waiting);
        waiting = 0;
        printed.src = viewer.picture();
    };
    const settle = () => {
        clearTimeout(waiting);
        waiting = setTimeout(take, 400);
    };
    addEventListener('beforeprint', () => { if (waiting) take(); });
    // Not while printing: a new picture may be laid out in the proportions of the old one.
    addEventListener('resize', () => { if (!matchMedia('print').matches) settle(); });
    settle();

    all('[data-turn]').forEach((button) => button.addEventListener('click', () => {
        viewer.turn(...button.dataset.turn.split(' ').map(Number));
        settle();
    }));
    all('[data-zoom]').forEach((button) => button.addEventListener('click', () => {
        viewer.setView({ zoom: viewer.view.zoom * Number(button.dataset.zoom) });
        settle();
    }));
    const apart = document.getElementById('apart');
    const pull = () => {
        viewer.setView({ apart: Number(apart.value) / 100 });
        document.getElementById('apart-value').textContent = `${apart.value} %`;
        settle();
    };
    apart.addEventListener('input', pull);
    one('[data-home]').addEventListener('click', () => {
        viewer.setView({ yaw: 0, pitch: 15, zoom: 1 });
        apart.value = 0;
        if (trim.checked) trim.click();
        pull();
    });
    all('[data-show]').forEach((box) => box.addEventListener('change', () => {
        viewer.show({ [box.dataset.show]: box.checked });
        settle();
    }));
    // Assembled blanks would reach into each other, so those not yet pulled apart are.
    const trim = document.getElementById('trim');
    const APART_PERCENT = 60;
    let blanks;
    trim.addEventListener('change', async () => {
        blanks ??= unpacked('blank').then((all) => all.map((blank, i) => ({ ...blank, seam: sawn[i] })));
        const withTrim = await blanks;
        // Asked for again only now: the box may have been cleared while they were unpacked.
        viewer.setFacets(trim.checked ? withTrim : sawn);
        if (trim.checked && Number(apart.value) === 0) {
            apart.value = APART_PERCENT;
            pull();
        }
        stage.dataset.shows = trim.checked ? 'blanks' : 'ball';
        settle();
    });
    document.documentElement.dataset.ready = 'yes';
})();
