// node seams.mjs MAKE_SEAM_PAGE CHROMIUM WORK: opens pages with a seam view from disk in a headless
// browser and checks lines, answers and outlines. Screenshots stay in WORK.
import assert from 'node:assert/strict';
import { execFileSync } from 'node:child_process';
import fs from 'node:fs';
import path from 'node:path';
import { pathToFileURL } from 'node:url';

import { chromium } from 'playwright-core';

import { read_pixels, write_tiles } from './pattern.mjs';

const [make_page, executablePath, work] = process.argv.slice(2);
const kDesk = { width: 1280, height: 800 };
const kPhone = { width: 390, height: 844 };

const browser = await chromium.launch({
    executablePath,
    args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--disable-sync',
           '--disable-background-networking', '--disable-component-update'],
});
const bench = await (await browser.newContext()).newPage();

const sites = {};
for (const kind of ['sphere', 'cylinder', 'ring', 'part', 'shifted', 'hostile']) {
    const folder = path.join(work, kind);
    fs.rmSync(folder, { recursive: true, force: true });
    fs.mkdirSync(folder, { recursive: true });
    const values = JSON.parse(execFileSync(make_page, [folder, kind]).toString());
    await write_tiles(bench, path.join(folder, 'pano_files'), values);
    sites[kind] = { ...values, folder, url: pathToFileURL(path.join(folder, 'index.html')).href,
                    expected: JSON.parse(fs.readFileSync(path.join(folder, 'expected.json'))) };
}

async function open(site, viewport, { hash = '', show = true, ...options } = {}) {
    const context = await browser.newContext({ viewport, deviceScaleFactor: 1, ...options });
    const page = await context.newPage();
    const log = { console: [], errors: [], failed: [], addresses: [] };
    page.on('console', (line) => log.console.push(`${line.type()}: ${line.text()}`));
    page.on('pageerror', (error) => log.errors.push(String(error)));
    page.on('requestfailed', (request) => log.failed.push(request.url()));
    page.on('request', (request) => log.addresses.push(request.url()));
    await page.goto(site.url + hash);
    await settle(page);
    if (show) {
        await page.locator('#seams').click();
        await page.waitForFunction(() => window.broadloom.seams.ready());
        await page.mouse.move(5, viewport.height - 5);
        await page.waitForTimeout(100);
    }
    return { page, log, context, site };
}

async function settle(page) {
    await page.waitForTimeout(150);
    await page.waitForFunction(() => {
        const { viewer } = window.broadloom;
        const item = viewer.world.getItemAt(0);
        return item && item.getFullyLoaded() && !viewer.isAnimating();
    });
    await page.waitForTimeout(150);
}

function check_quiet(log) {
    assert.deepEqual(log.console, [], 'the console stays empty');
    assert.deepEqual(log.errors, [], 'no script error');
    assert.deepEqual(log.failed, [], 'nothing is missing');
    const outside = log.addresses.filter((address) => !/^(file|data|blob):/.test(address));
    assert.deepEqual(outside, [], 'nothing is fetched from a network');
}

const text = (page, id) => page.locator(`#${id}`).innerText();
const base = (file) => file.slice(file.lastIndexOf('/') + 1);
const plain = (value) => value.replace(/\u2212/g, '-');
function near(value, wanted, within, what) {
    assert.ok(Math.abs(value - wanted) <= within, `${what}: ${value} instead of ${wanted}`);
}

/** The data of seams.js, and the page's own scripts, outside of any browser. */
function geometry(site) {
    const page = fs.readFileSync(path.join(site.folder, 'index.html'), 'utf8');
    const part = (name) => {
        const start = page.indexOf(`const ${name} = (function () {`);
        return page.slice(start, page.indexOf('}());', start) + 5);
    };
    const script = `${part('FrameGeometry')}\n${part('SeamLines')}\nlet data;\n` +
        'const broadloom_seams = (content) => { data = content; };\n' +
        fs.readFileSync(path.join(site.folder, 'seams.js'), 'utf8') +
        '\nreturn { FrameGeometry, SeamLines, data };';
    const picture = JSON.parse(page.match(/id="picture">(.*?)<\/script>/s)[1]);
    return { ...new Function(script)(), picture };
}

/** Where a place of the canvas is on the screen. */
const on_screen = (page, x, y) => page.evaluate(([x, y]) => {
    const { viewer, picture } = window.broadloom;
    const at = viewer.viewport.pixelFromPoint(
        new OpenSeadragon.Point(x / picture.width, y / picture.width), true);
    return [at.x, at.y];
}, [x, y]);

/** Places of the grid, as canvas positions, that lie in one frame's part, or on a seam. */
function places_of_labels({ SeamLines, data }, wanted) {
    const labels = SeamLines.unpack(data);
    const found = [];
    for (let j = 3; j + 3 < data.rows; ++j) {
        for (let i = 3; i + 3 < data.columns; ++i) {
            const around = new Set();
            for (let dy = -3; dy <= 3; ++dy) {
                for (let dx = -3; dx <= 3; ++dx) {
                    around.add(labels[(j + dy) * data.columns + i + dx]);
                }
            }
            const here = labels[j * data.columns + i];
            const next = labels[j * data.columns + i + 1];
            const x = data.left + (i + 0.5) * data.cell_width;
            const y = data.top + (j + 0.5) * data.cell_height;
            if (wanted === 'inner' && around.size === 1 && here >= 0) found.push({ x, y, number: here });
            if (wanted === 'seam' && around.size === 2 && here !== next && !around.has(-1)) {
                found.push({ x: x + data.cell_width / 2, y });
            }
        }
    }
    return found;
}

const tests = {
    async 'places lie in frames where the library says'() {
        for (const kind of ['sphere', 'cylinder', 'ring', 'part', 'shifted']) {
            const { FrameGeometry, data, picture } = geometry(sites[kind]);
            let worst = 0;
            let wrong = 0;
            let compared = 0;
            let astray = 0;
            let moved = 0;
            for (const place of sites[kind].expected) {
                const direction = FrameGeometry.direction(picture, place.x, place.y);
                const seen = new Map(place.frames.map((frame) => [frame.number, frame]));
                data.frames.forEach((frame, number) => {
                    const pixel = FrameGeometry.project(frame, direction);
                    const wanted = seen.get(number);
                    if ((pixel !== null) !== (wanted !== undefined)) ++wrong;
                    if (!pixel || !wanted) return;
                    const edge = Math.min(Math.abs(wanted.x - 0.5), Math.abs(wanted.x - 899.5),
                                          Math.abs(wanted.y - 0.5), Math.abs(wanted.y - 599.5));
                    if (edge > 0.02 && FrameGeometry.in_view(frame, pixel) !== wanted.in_view) ++wrong;
                    if (!wanted.in_view) return;
                    ++compared;
                    worst = Math.max(worst, Math.hypot(pixel.x - wanted.x, pixel.y - wanted.y));
                    const bare = FrameGeometry.project({ ...frame, tangential: [0, 0] }, direction);
                    astray = Math.max(astray, Math.hypot(bare.x - wanted.x, bare.y - wanted.y));
                    const still = FrameGeometry.project({ ...frame, shift: undefined }, direction);
                    moved = Math.max(moved, Math.hypot(still.x - wanted.x, still.y - wanted.y));
                });
                const back = FrameGeometry.position(picture, direction);
                const turn = 360 * picture.pixels_per_degree;
                near(Math.abs(((back.x - place.x) % turn + 1.5 * turn) % turn - turn / 2), 0, 1e-6, 'back, x');
                near(back.y, place.y, 1e-6, 'back, y');
            }
            assert.ok(compared > 300, `${kind}: enough is compared: ${compared}`);
            assert.equal(wrong, 0, `${kind}: the same frames see it`);
            // Coefficients of shifts are written in hundredths of a pixel.
            assert.ok(worst < (kind === 'shifted' ? 0.008 : 1e-6), `${kind}: ${worst} px`);
            assert.equal(moved > 2, kind === 'shifted', `${kind}: shifts would be seen: ${moved}`);
            assert.ok(astray > 0.05, `${kind}: without the tangential part it would be seen`);
        }
    },

    async 'frames of the script are those of the scene'() {
        const { data } = geometry(sites.sphere);
        assert.equal(data.version, 1);
        assert.equal(data.thinned, 1);
        assert.equal(data.frames.length, 11);
        // The third of the scene is left out.
        assert.deepEqual(data.frames.map((frame) => frame.index), [0, 1, 3, 4, 5, 6, 7, 8, 9, 10, 11]);
        assert.equal(data.frames[4].file, 'frames/0006.jpg');
        assert.deepEqual([data.frames[4].row, data.frames[4].column], [1, 1]);
    },

    async 'lines and tints lie over the picture and follow it'() {
        for (const kind of ['sphere', 'cylinder', 'ring', 'part']) {
            for (const [size, label] of [[kDesk, 'desk'], [kPhone, 'phone']]) {
                const { page, log, context } = await open(sites[kind], size);
                await page.screenshot({ path: path.join(work, `${kind}_${label}.png`) });
                const overflow = await page.evaluate(() => document.documentElement.scrollWidth);
                assert.ok(overflow <= size.width, 'nothing is wider than the window');
                const right = await page.locator('#tools button').evaluateAll((all) => Math.max(
                    ...all.map((button) => button.getBoundingClientRect().right)));
                assert.ok(right <= size.width, 'every button is in the window');
                check_quiet(log);
                await context.close();
            }
        }
        // Seams between two frames, at several scales: a light line there, none beside it.
        const parts = geometry(sites.sphere);
        const seams = places_of_labels(parts, 'seam').filter((place, index) => index % 9 === 0);
        assert.ok(seams.length > 20);
        for (const scale of [0.5, 1, 4]) {
            let hits = 0;
            let misses = 0;
            let tried = 0;
            const { page, context } = await open(sites.sphere, kDesk, { hash: `#700,420,${scale}` });
            await page.evaluate(() => { document.getElementById('seam-sheet').style.display = 'none'; });
            const shot = await page.screenshot();
            const light = async (x, y) => (await read_pixels(bench, shot, [[x, y]]))[0]
                .reduce((least, value) => Math.min(least, value), 255);
            for (const place of seams) {
                const [x, y] = await on_screen(page, place.x, place.y);
                if (x < 20 || y < 20 || x > 1000 || y > 600) continue;
                ++tried;
                // A line may pass half a cell beside the corners of its cells.
                const reach = Math.ceil(1.5 + 0.6 * parts.data.cell_width * scale);
                let best = 0;
                for (let d = -reach; d <= reach; ++d) best = Math.max(best, await light(x + d, y));
                if (best > 165) ++hits;
                const off = 3 * parts.data.cell_width * scale;
                if (off > 8 && await light(x + off, y) > 190) ++misses;
            }
            assert.ok(tried >= 3, `scale ${scale}: places in view`);
            assert.ok(hits >= 0.9 * tried, `scale ${scale}: ${hits} of ${tried} on a line`);
            assert.ok(misses <= 0.1 * tried, `scale ${scale}: ${misses} of ${tried} beside one`);
            await context.close();
        }
    },

    async 'the switch says its state and takes the seams away again'() {
        const { page, log, context } = await open(sites.sphere, kDesk, { show: false });
        const state = () => page.locator('#seams').getAttribute('aria-pressed');
        const before = await page.screenshot();
        assert.equal(await state(), 'false');
        assert.ok(!log.addresses.some((address) => address.endsWith('seams.js')), 'not loaded yet');
        await page.keyboard.press('s');
        await page.waitForFunction(() => window.broadloom.seams.ready());
        assert.equal(await state(), 'true');
        assert.equal(await page.locator('#seam-sheet').isVisible(), true);
        assert.notDeepEqual(await page.screenshot(), before);
        await page.keyboard.press('s');
        assert.equal(await state(), 'false');
        assert.equal(await page.locator('#seam-sheet').isVisible(), false);
        await page.waitForTimeout(300);  // the button's colour fades
        assert.deepEqual(await page.screenshot(), before, 'the picture as it was');
        await page.locator('#seams').focus();
        await page.keyboard.press('Enter');
        assert.equal(await state(), 'true', 'by Enter on the button, once');
        check_quiet(log);
        await context.close();
    },

    async 'a click says the frame, its place in the grid and the pixel'() {
        const parts = geometry(sites.sphere);
        const inner = places_of_labels(parts, 'inner');
        const { page, log, context } = await open(sites.sphere, kDesk);
        let with_others = 0;
        for (const place of [0.1, 0.35, 0.6, 0.72, 0.95].map((part) => inner[Math.floor(part * inner.length)])) {
            const frame = parts.data.frames[place.number];
            const [x, y] = await on_screen(page, place.x, place.y);
            if (x < 340 && y < 300) continue;  // under the sheet
            await page.mouse.click(x, y);
            assert.equal(await text(page, 'seam-owner'), base(frame.file));
            assert.equal(await page.locator('#seam-owner').getAttribute('title'), frame.file);
            assert.equal(await text(page, 'seam-cell'), `row ${frame.row}, column ${frame.column}`);
            const [px, py] = plain(await text(page, 'seam-pixel')).match(/-?[\d.]+/g).map(Number);
            const wanted = parts.FrameGeometry.project(
                frame, parts.FrameGeometry.direction(parts.picture, place.x, place.y));
            // The mouse goes to whole screen pixels: one is so many of the frame.
            const scale = await page.evaluate(() => window.broadloom.view().scale);
            near(px, wanted.x, 2 * frame.focal * Math.PI / 180 / parts.picture.pixels_per_degree / scale, 'x');
            near(py, wanted.y, 2 * frame.focal * Math.PI / 180 / parts.picture.pixels_per_degree / scale, 'y');
            const others = await page.locator('#seam-others li').allInnerTexts();
            with_others += others.length > 0 ? 1 : 0;
            assert.ok(others.every((line) => !line.includes(base(frame.file))), 'the others are others');
            // The very place, without the mouse: to a tenth of a pixel.
            await page.evaluate((at) => window.broadloom.seams.ask(at), { x: place.x, y: place.y });
            const exact = plain(await text(page, 'seam-pixel')).match(/-?[\d.]+/g).map(Number);
            near(exact[0], wanted.x, 0.0501, 'exact x');
            near(exact[1], wanted.y, 0.0501, 'exact y');
        }
        assert.ok(with_others > 0, 'overlaps were among the places');
        await page.screenshot({ path: path.join(work, 'answer_desk.png') });
        await page.mouse.move(700, 300);
        await page.mouse.down();
        for (let i = 1; i <= 10; ++i) await page.mouse.move(700 + 12 * i, 300);
        await page.mouse.up();
        const held = await text(page, 'seam-owner');
        await settle(page);
        assert.equal(await text(page, 'seam-owner'), held, 'a drag asks nothing');
        await page.evaluate(() => window.broadloom.seams.ask({ x: -500, y: 10 }));
        assert.equal(await text(page, 'seam-owner'), 'No frame covers this place');
        check_quiet(log);
        await context.close();
    },

    async 'the keyboard asks for the middle'() {
        const parts = geometry(sites.sphere);
        const inner = places_of_labels(parts, 'inner');
        const place = inner[Math.floor(inner.length / 2)];
        const { page, log, context } = await open(sites.sphere, kDesk, {
            hash: `#${place.x},${place.y},2`,
        });
        await page.evaluate(() => document.activeElement.blur());
        await page.keyboard.press('Enter');
        assert.equal(await text(page, 'seam-owner'), base(parts.data.frames[place.number].file));
        await page.keyboard.press('ArrowRight');
        await settle(page);
        await page.screenshot({ path: path.join(work, 'keys_desk.png') });
        check_quiet(log);
        await context.close();
    },

    async 'a ring answers on every turn'() {
        const parts = geometry(sites.ring);
        const inner = places_of_labels(parts, 'inner').filter((place) => place.x < 200);
        const place = inner[Math.floor(inner.length / 2)];
        const { page, log, context } = await open(sites.ring, kDesk, { hash: `#0,${place.y},1` });
        await page.screenshot({ path: path.join(work, 'ring_edge_desk.png') });
        for (const turn of [-2, 0, 1]) {
            await page.evaluate((at) => window.broadloom.seams.ask(at),
                                { x: place.x + turn * sites.ring.width, y: place.y });
            assert.equal(await text(page, 'seam-owner'), base(parts.data.frames[place.number].file));
        }
        check_quiet(log);
        await context.close();
        // The part of the ring across its edge has the same labels.
        const piece = geometry(sites.part);
        const labels = parts.SeamLines.unpack(parts.data);
        const cut = piece.SeamLines.unpack(piece.data);
        const moved = (sites.ring.width - 701 + piece.data.left) / parts.data.cell_width;
        const below = (37 + piece.data.top) / parts.data.cell_height;
        near(moved, Math.round(moved), 1e-6, 'columns coincide');
        near(below, Math.round(below), 1e-6, 'rows coincide');
        assert.ok(piece.data.rows < parts.data.rows, 'a part only');
        let different = 0;
        for (let j = 0; j < piece.data.rows; ++j) {
            for (let i = 0; i < piece.data.columns; ++i) {
                const there = (i + Math.round(moved)) % parts.data.columns;
                const row = j + Math.round(below);
                if (cut[j * piece.data.columns + i] !== labels[row * parts.data.columns + there]) ++different;
            }
        }
        assert.equal(different, 0);
        assert.ok(piece.data.columns * piece.data.cell_width >= 1501, 'all of it');
        assert.ok(piece.data.left <= 0);
    },

    async 'an outline becomes the mask of a frame'() {
        const parts = geometry(sites.sphere);
        const { FrameGeometry, data, picture } = parts;
        const { page, log, context } = await open(sites.sphere, kDesk);
        await page.locator('#outline-start').click();
        // Around the middle of a frame in the middle.
        const frame = data.frames[5];
        const aim = FrameGeometry.aim(picture, frame);
        const corners = [[-90, -50], [100, -60], [80, 70], [-60, 40]];
        const shown = [];
        for (const [dx, dy] of corners) {
            const [x, y] = (await on_screen(page, aim.x + dx, aim.y + dy)).map(Math.round);
            shown.push([x, y]);
            await page.mouse.click(x, y);
            await page.waitForTimeout(350);
        }
        assert.equal(await text(page, 'outline-count'), '4 corners');
        await page.mouse.click(shown[3][0] - 30, shown[3][1] - 30);
        assert.equal(await text(page, 'outline-count'), '5 corners');
        await page.locator('#outline-undo').click();
        assert.equal(await text(page, 'outline-count'), '4 corners');
        const choice = page.locator('#outline-frame option');
        assert.match((await choice.allInnerTexts())[0], new RegExp(`^${base(frame.file)} \\(row`));
        await page.screenshot({ path: path.join(work, 'outline_desk.png') });
        const result = async () => JSON.parse(await page.locator('#outline-json').inputValue());
        await page.locator('#outline-finish').click();
        const mask = await result();
        assert.deepEqual(Object.keys(mask), ['kind', 'outline_px']);
        assert.equal(mask.kind, 'leave out');
        assert.equal(await text(page, 'outline-place'), `frames[${frame.index}]`);
        assert.equal(await text(page, 'outline-name'), frame.file);
        assert.match(await page.locator('#outline-json').inputValue(), /\[\d+\.\d, \d+\.\d\]/);
        await page.screenshot({ path: path.join(work, 'mask_desk.png') });
        // Corners come back where they were clicked.
        const scale = await page.evaluate(() => window.broadloom.view().scale);
        for (const [x, y] of shown) {
            const at = await page.evaluate(([x, y]) => {
                const point = window.broadloom.viewer.viewport.pointFromPixel(
                    new OpenSeadragon.Point(x, y), true);
                return { x: point.x * window.broadloom.picture.width,
                         y: point.y * window.broadloom.picture.width };
            }, [x, y]);
            const wanted = FrameGeometry.project(frame, FrameGeometry.direction(picture, at.x, at.y));
            const off = Math.min(...mask.outline_px.map(([px, py]) =>
                Math.hypot(px - wanted.x, py - wanted.y)));
            assert.ok(off < 0.08, `a corner is off by ${off} px at scale ${scale}`);
        }
        await context.grantPermissions(['clipboard-read', 'clipboard-write']).catch(() => {});
        await page.locator('#outline-copy').click();
        await page.waitForFunction(() => document.getElementById('copy-text').textContent !== 'Copy');
        assert.equal(await text(page, 'copy-text'), 'Copied');
        // What was copied can be pasted.
        await page.evaluate(() => {
            const box = document.getElementById('outline-json');
            box.readOnly = false;
            box.value = '';
            box.focus();
        });
        await page.keyboard.press('Control+V');
        assert.deepEqual(await result(), mask);
        await page.locator('#outline-again').click();
        assert.equal(await text(page, 'outline-count'), 'No corner yet');
        await page.keyboard.press('Escape');
        assert.equal(await page.locator('#outline').isVisible(), false);
        check_quiet(log);
        await context.close();
    },

    async 'an outline can be drawn by keys, kept, and closed on its first corner'() {
        const { FrameGeometry, data, picture } = geometry(sites.cylinder);
        const aim = FrameGeometry.aim(picture, data.frames[4]);
        const { page, log, context } = await open(sites.cylinder, kPhone, {
            hash: `#${Math.round(aim.x)},${Math.round(aim.y)},1`,
        });
        await page.locator('#outline-start').click();
        for (const key of ['ArrowRight', 'ArrowDown', 'ArrowLeft']) {
            await page.keyboard.press('Enter');
            await page.keyboard.press(key);
            await settle(page);
        }
        await page.keyboard.press('Enter');
        await page.keyboard.press('Backspace');
        await page.keyboard.press('Enter');
        assert.equal(await text(page, 'outline-count'), '4 corners');
        await page.screenshot({ path: path.join(work, 'outline_phone.png') });
        await page.locator('input[value=keep]').check();
        await page.keyboard.press('Escape');
        assert.equal(await page.locator('#outline').isVisible(), false);
        await page.locator('#outline-start').click();
        for (const key of ['ArrowRight', 'ArrowDown', 'ArrowLeft', 'ArrowUp']) {
            await page.keyboard.press('Enter');
            await page.keyboard.press(key);
            await settle(page);
        }
        await page.keyboard.press('Enter');  // the first corner again
        const mask = JSON.parse(await page.locator('#outline-json').inputValue());
        assert.equal(mask.kind, 'keep');
        assert.ok(mask.outline_px.length >= 4);
        await page.screenshot({ path: path.join(work, 'mask_phone.png') });
        check_quiet(log);
        await context.close();
    },

    async 'straight lines of the canvas stay within a pixel in the frame'() {
        for (const kind of ['sphere', 'cylinder']) {
            const { FrameGeometry, data, picture } = geometry(sites[kind]);
            let worst = 0;
            let bare = 0;
            for (const frame of data.frames) {
                const aim = FrameGeometry.aim(picture, frame);
                const corners = [[-220, -120], [240, -130], [230, 140], [-210, 125]].map(
                    ([dx, dy]) => ({ x: aim.x + dx, y: aim.y + dy }));
                const mask = FrameGeometry.outline(picture, frame, corners);
                const rounded = JSON.parse(FrameGeometry.mask_json('keep', mask)).outline_px;
                const distance = (polygon, { x, y }) => Math.min(...polygon.map((p, i) => {
                    const q = polygon[(i + 1) % polygon.length];
                    const [dx, dy] = [q[0] - p[0], q[1] - p[1]];
                    const along = Math.min(1, Math.max(0,
                        ((x - p[0]) * dx + (y - p[1]) * dy) / (dx * dx + dy * dy || 1)));
                    return Math.hypot(x - p[0] - along * dx, y - p[1] - along * dy);
                }));
                const ends = corners.map(({ x, y }) => {
                    const at = FrameGeometry.project(frame, FrameGeometry.direction(picture, x, y));
                    return [at.x, at.y];
                });
                corners.forEach((corner, i) => {
                    const next = corners[(i + 1) % 4];
                    for (let t = 0; t <= 1; t += 1 / 256) {
                        const at = FrameGeometry.project(frame, FrameGeometry.direction(
                            picture, corner.x + t * (next.x - corner.x), corner.y + t * (next.y - corner.y)));
                        worst = Math.max(worst, distance(rounded, at));
                        bare = Math.max(bare, distance(ends, at));
                    }
                });
                assert.ok(rounded.length < 400, 'no more points than it takes');
            }
            assert.ok(worst < 0.5, `${kind}: off by ${worst} px`);
            assert.ok(bare > 2, `${kind}: corners alone would be off by more`);
        }
        const { FrameGeometry, data, picture } = geometry(sites.ring);
        const behind = FrameGeometry.aim(picture, data.frames[7]);
        assert.equal(FrameGeometry.outline(picture, data.frames[0],
            [behind, { x: behind.x + 50, y: behind.y }, { x: behind.x, y: behind.y + 50 }]), null,
            'what the frame cannot see is said');
    },

    async 'hostile names are text and nothing else'() {
        const { page, log, context } = await open(sites.hostile, kDesk);
        const { data } = geometry(sites.hostile);
        const place = await page.evaluate(() => {
            const { picture } = window.broadloom;
            return { x: picture.width / 2, y: picture.height / 2 };
        });
        await page.evaluate((at) => window.broadloom.seams.ask(at), place);
        assert.ok(data.frames.some((frame) => frame.file.startsWith('</script><script>window.x=1')));
        assert.match(await text(page, 'seam-owner'), /^script><img src=x onerror=/);
        assert.match(await page.locator('#seam-owner').getAttribute('title'), /^<\/script><script>window\.x=1/);
        await page.locator('#outline-start').click();
        for (const [dx, dy] of [[0, 0], [40, 0], [0, 40]]) {
            const at = await on_screen(page, place.x + dx, place.y + dy);
            await page.mouse.click(...at);
            await page.waitForTimeout(350);
        }
        await page.locator('#outline-finish').click();
        assert.match(await text(page, 'outline-name'), /^<\/script><script>/);
        await page.waitForTimeout(100);
        assert.equal(await page.evaluate(() => window.x), undefined);
        assert.equal(await page.locator('#seam-sheet script, #seam-sheet img, [onerror]').count(), 0);
        await page.screenshot({ path: path.join(work, 'hostile_desk.png') });
        const script = fs.readFileSync(path.join(sites.hostile.folder, 'seams.js'), 'utf8');
        assert.ok(!/[<>&\u2028\u2029\u0000-\u0009\u000b-\u001f]/.test(script.replace(/\/\*.*?\*\//, '')));
        check_quiet(log);
        await context.close();
        await bench.setContent(`<script>"${data.frames[0].file}"</script>`);
        assert.notEqual(await bench.evaluate(() => window.x), undefined, 'unescaped it would have run');
    },

    async 'every control has a name and shows its focus'() {
        const { page, context } = await open(sites.sphere, kDesk);
        await page.locator('#outline-start').click();
        for (const [dx, dy] of [[0, 0], [60, 0], [0, 60]]) {
            await page.mouse.click(700 + dx, 330 + dy);
            await page.waitForTimeout(350);
        }
        const seen = new Set();
        for (let i = 0; i < 20; ++i) {
            await page.keyboard.press('Tab');
            const at = await page.evaluate(() => {
                const it = document.activeElement;
                const style = getComputedStyle(it);
                const label = it.labels && it.labels[0] ? it.labels[0].innerText : '';
                return { name: it.getAttribute('aria-label') || label || it.innerText,
                         outline: style.outlineStyle, wide: Number.parseFloat(style.outlineWidth),
                         tag: it.tagName };
            });
            if (at.tag === 'BODY') continue;
            assert.ok(at.name, `a name for ${at.tag}`);
            assert.equal(at.outline, 'solid', `${at.name}: an outline`);
            assert.ok(at.wide >= 2, `${at.name}: an outline that can be seen`);
            seen.add(at.tag === 'INPUT' ? 'radio' : at.tag === 'SELECT' ? 'frame' : at.name.trim());
        }
        for (const name of ['Seams', 'Finish', 'Undo', 'Cancel', 'frame', 'radio']) {
            assert.ok(seen.has(name), `${name} can be reached: ${[...seen]}`);
        }
        await context.close();
    },

    async 'a page without seams has no switch, one without its file says so'() {
        const bare = path.join(work, 'bare');
        fs.rmSync(bare, { recursive: true, force: true });
        fs.cpSync(sites.sphere.folder, bare, { recursive: true });
        fs.rmSync(path.join(bare, 'seams.js'));
        const site = { ...sites.sphere, url: pathToFileURL(path.join(bare, 'index.html')).href };
        const lost = await open(site, kDesk, { show: false });
        await lost.page.locator('#seams').click();
        await lost.page.waitForFunction(() => /seams\.js/.test(document.getElementById('seam-hint').textContent));
        assert.equal(await lost.page.locator('#outline-start').isVisible(), false);
        await lost.context.close();
        const html = fs.readFileSync(path.join(bare, 'index.html'), 'utf8');
        fs.writeFileSync(path.join(bare, 'index.html'), html.replace('"seams":true', '"seams":false'));
        const none = await open(site, kDesk, { show: false });
        assert.equal(await none.page.locator('#seams').isVisible(), false);
        await none.page.keyboard.press('s');
        assert.equal(await none.page.locator('#seam-sheet').isVisible(), false);
        check_quiet(none.log);
        await none.context.close();
        fs.writeFileSync(path.join(bare, 'index.html'), html);
        fs.writeFileSync(path.join(bare, 'seams.js'), 'broadloom_seams({"version":2});');
        const newer = await open(site, kDesk, { show: false });
        await newer.page.locator('#seams').click();
        await newer.page.waitForFunction(() => /another version/.test(document.getElementById('seam-hint').textContent));
        await newer.context.close();
    },
};

let failures = 0;
const only = process.env.ONLY;
for (const [name, run] of Object.entries(tests)) {
    if (only && !name.includes(only)) continue;
    try {
        await run();
        console.log(`ok      ${name}`);
    } catch (error) {
        ++failures;
        console.log(`FAILED  ${name}\n${error.stack}`);
    }
}
await browser.close();
console.log(failures ? `${failures} failed` : `all ${Object.keys(tests).length} passed`);
process.exit(failures ? 1 : 0);
