// node page.mjs MAKE_PAGE CHROMIUM WORK: opens finished pages from disk in a headless browser and
// checks what they show, say and load. Screenshots stay in WORK.
import assert from 'node:assert/strict';
import { execFileSync } from 'node:child_process';
import fs from 'node:fs';
import path from 'node:path';
import { pathToFileURL } from 'node:url';

import { chromium } from 'playwright-core';

import { colour_at, read_pixels, write_tiles } from './pattern.mjs';

const [make_page, executablePath, work] = process.argv.slice(2);
const kDesk = { width: 1280, height: 800 };
const kPhone = { width: 390, height: 844 };
const kHostile = '</script><script>window.x=1</script><img src=x onerror="window.x=2">';

const browser = await chromium.launch({
    executablePath,
    args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--disable-sync',
           '--disable-background-networking', '--disable-component-update'],
});
const bench = await (await browser.newContext()).newPage();

/** Makes a folder with a page and, unless told otherwise, its tiles. */
async function publish(name, values, tiles = true) {
    const folder = path.join(work, name);
    fs.rmSync(folder, { recursive: true, force: true });
    fs.mkdirSync(folder, { recursive: true });
    if (tiles) await write_tiles(bench, path.join(folder, 'pano_files'), values);
    const words = Object.entries(values).filter(([key]) => key !== 'url')
        .map(([key, value]) => `${key}=${value}`);
    execFileSync(make_page, [path.join(folder, 'index.html'), ...words]);
    return { ...values, url: pathToFileURL(path.join(folder, 'index.html')).href };
}

/** Opens a page and keeps what went wrong and what was asked for. */
async function open(site, viewport, { hash = '', ...options } = {}) {
    const context = await browser.newContext({ viewport, deviceScaleFactor: 1, ...options });
    const page = await context.newPage();
    const log = { console: [], errors: [], failed: [], addresses: [] };
    page.on('console', (line) => log.console.push(`${line.type()}: ${line.text()}`));
    page.on('pageerror', (error) => log.errors.push(String(error)));
    page.on('requestfailed', (request) => log.failed.push(request.url()));
    page.on('request', (request) => log.addresses.push(request.url()));
    await page.goto(site.url + hash);
    if (options.javaScriptEnabled !== false) await settle(page);
    return { page, log, context, site };
}

/** Waits until the view rests and all its tiles are drawn. */
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
    assert.deepEqual(log.failed, [], 'no tile is missing');
    const outside = log.addresses.filter((address) => !/^(file|data|blob):/.test(address));
    assert.deepEqual(outside, [], 'nothing is fetched from a network');
    assert.ok(log.addresses.some((address) => address.endsWith('.jpg')), 'tiles were asked for');
}

const text = (page, id) => page.locator(`#${id}`).innerText();
const plain = (value) => value.replace(/\u202f/g, ' ').replace('\u2212', '-');
const number = (value) => Number.parseFloat(plain(value).replace(/ /g, ''));
const view = (page) => page.evaluate(() => {
    const { x, y, scale } = window.broadloom.view();
    return { x, y, scale };
});
function near(value, wanted, within, what) {
    assert.ok(Math.abs(value - wanted) <= within, `${what}: ${value} instead of ${wanted}`);
}

/** How far the shown colours are from those of the picture, moved by `shift` canvas widths. */
async function worst_colour(page, site, shift = 0) {
    const now = await view(page);
    const box = await page.locator('#stage').boundingBox();
    const places = [];
    for (const part_x of [0.12, 0.31, 0.5, 0.66, 0.88]) {
        for (const part_y of [0.35, 0.5, 0.6]) {
            places.push([Math.floor(box.x + part_x * box.width),
                         Math.floor(box.y + part_y * box.height)]);
        }
    }
    const shown = await read_pixels(bench, await page.screenshot(), places);
    let worst = 0;
    let inside = 0;
    places.forEach(([px, py], index) => {
        const x = now.x + (px + 0.5 - box.x - box.width / 2) / now.scale;
        const y = now.y + (py + 0.5 - box.y - box.height / 2) / now.scale;
        if ((!site.wraps && (x < 0 || x >= site.width)) || y < 0 || y >= site.height) return;
        ++inside;
        colour_at(x + shift * site.width, y, site.width, site.height)
            .forEach((value, channel) => {
                worst = Math.max(worst, Math.abs(value - shown[index][channel]));
            });
    });
    assert.ok(inside >= 5, 'enough places lie in the picture');
    return worst;
}

const sphere = await publish('sphere', {
    title: 'Grain store at the weir', credit: 'Ada Thornfield', rights: '© Thornfield',
    description: 'The weir in spring.', taken: '2031-05-14 10:20:30 to 10:41:02',
    pass: 'full', surface: 'sphere', width: 3001, height: 2003, tile: 256, overlap: 1,
    left_deg: -50, right_deg: 50, top_deg: 40, bottom_deg: -26.7433, pixels_per_degree: 30.01,
});
const cylinder = await publish('cylinder', {
    title: kHostile, credit: kHostile, rights: '', description: kHostile, taken: kHostile,
    place: kHostile, pass: 'draft', surface: 'cylinder', width: 2000,
    height: 1500, tile: 512, overlap: 0, left_deg: 150, right_deg: 250, top_deg: 45,
    bottom_deg: -17.1678, pixels_per_degree: 20,
});
const ring = await publish('ring', {
    title: 'All round', credit: '', rights: '', pass: 'full', surface: 'sphere',
    width: 4096, height: 1024, tile: 512, overlap: 0, left_deg: -180, right_deg: 180,
    top_deg: 45, bottom_deg: -45,
    pixels_per_degree: 4096 / 360, wraps: true,
});

const tests = {
    async 'the picture is shown where it belongs, at both window sizes'() {
        for (const [site, name] of [[sphere, 'sphere'], [cylinder, 'cylinder'], [ring, 'ring']]) {
            for (const [size, label] of [[kDesk, 'desk'], [kPhone, 'phone']]) {
                const { page, log, context } = await open(site, size);
                await page.screenshot({ path: path.join(work, `${name}_${label}.png`) });
                check_quiet(log);
                // JPEG at quality 0.97 and the browser's filtering: a few levels.
                assert.ok(await worst_colour(page, site) < 8, `${name} ${label}: colours`);
                assert.ok(await worst_colour(page, site, 0.1) > 30, 'a shifted picture would be seen');
                const box = await page.locator('#stage').boundingBox();
                assert.equal(box.width, size.width);
                assert.ok(box.height > size.height * 0.6, 'most of the window is the picture');
                const overflow = await page.evaluate(() => document.documentElement.scrollWidth);
                assert.ok(overflow <= size.width, 'nothing is wider than the window');
                await context.close();
            }
        }
    },

    async 'position and scale are read out in degrees and pixels'() {
        const { page, log, context } = await open(sphere, kDesk, { hash: '#1000,700,1' });
        // x = (longitude - left) s, y = (top - latitude) s.
        near(number(await text(page, 'longitude')), -50 + 1000 / 30.01, 0.01, 'longitude');
        near(number(await text(page, 'latitude')), 40 - 700 / 30.01, 0.01, 'latitude');
        assert.equal(plain(await text(page, 'pixel')), '1 000, 700');
        assert.equal(await text(page, 'scale'), '1:1');
        const box = await page.locator('#stage').boundingBox();
        await page.mouse.move(box.x + box.width / 2 + 200, box.y + box.height / 2 - 100);
        await page.waitForTimeout(100);
        assert.match(await text(page, 'place'), /pointer/);
        near(number(await text(page, 'longitude')), -50 + 1200 / 30.01, 0.03, 'pointer longitude');
        near(number(await text(page, 'latitude')), 40 - 600 / 30.01, 0.03, 'pointer latitude');
        // The bar: as many screen pixels as its text says in degrees.
        const [degrees, pixels] = plain(await text(page, 'ruler-text')).match(/[\d.]+/g).map(Number);
        near(pixels, degrees * 30.01, 0.5, 'pixels of the bar');
        near((await page.locator('#ruler i').boundingBox()).width, degrees * 30.01, 0.5, 'the bar');
        check_quiet(log);
        await context.close();
    },

    async 'latitude on a cylinder follows the tangent'() {
        // y = (tan top - tan latitude) s 180/pi; here latitude 30: y = (1 - 1/sqrt 3) 20 180/pi.
        const y = (1 - 1 / Math.sqrt(3)) * 20 * 180 / Math.PI;
        const { page, log, context } = await open(cylinder, kDesk, { hash: `#1300,${y},2` });
        near(number(await text(page, 'latitude')), 30, 0.02, 'latitude');
        assert.ok(Math.abs(45 - y / 20 - 30) > 1, 'the equirectangular formula would be seen');
        // Longitude 150 + 1300/20 = 215, said as -145.
        near(number(await text(page, 'longitude')), -145, 0.02, 'longitude');
        assert.equal(plain(await text(page, 'scale')), '200 %');
        check_quiet(log);
        await context.close();
    },

    async 'the keyboard moves and zooms, and nothing rotates'() {
        const { page, log, context } = await open(sphere, kDesk, { hash: '#1500,1000,1' });
        const press = async (key) => {
            await page.keyboard.press(key);
            await settle(page);
            return view(page);
        };
        let now = await press('ArrowRight');
        near(now.x, 1500 + 0.15 * 1280, 2, 'right');
        now = await press('ArrowDown');
        assert.ok(now.y > 1050, 'down');
        now = await press('ArrowLeft');
        near(now.x, 1500, 2, 'left');
        now = await press('ArrowUp');
        near(now.y, 1000, 2, 'up');
        near((await press('+')).scale, 1.6, 0.001, 'zoom in');
        near((await press('1')).scale, 1, 0.001, 'full size');
        near((await press('-')).scale, 1 / 1.6, 0.001, 'zoom out');
        await press('r');
        await press('Shift+R');
        assert.equal(await page.evaluate(() => window.broadloom.viewer.viewport.getRotation()), 0);
        now = await press('0');
        const box = await page.locator('#stage').boundingBox();
        near(now.scale, Math.min(box.width / 3001, box.height / 2003), 0.001, 'whole picture');
        for (let i = 0; i < 12; ++i) await page.keyboard.press('+');
        near((await press('+')).scale, 4, 0.01, 'the largest scale');
        await press('o');
        assert.equal(await page.locator('#overview').isVisible(), false);
        await press('o');
        assert.equal(await page.locator('#overview').isVisible(), true);
        await press('?');
        assert.equal(await page.locator('#about').isVisible(), true);
        assert.match(plain(await text(page, 'facts')), /3 001 × 2 003 px, 6\.0 megapixels/);
        assert.match(await text(page, 'facts'), /Photographed\s+2031-05-14 10:20:30 to 10:41:02/);
        assert.equal(await text(page, 'about-description'), 'The weir in spring.');
        await page.screenshot({ path: path.join(work, 'about_desk.png') });
        await press('Escape');
        assert.equal(await page.locator('#about').isVisible(), false);
        await press('f');
        assert.equal(await page.evaluate(() => Boolean(document.fullscreenElement)), true);
        await press('f');
        assert.equal(await page.evaluate(() => Boolean(document.fullscreenElement)), false);
        check_quiet(log);
        await context.close();
    },

    async 'the mouse drags and turns the wheel, a click does not zoom'() {
        const { page, log, context } = await open(sphere, kDesk, { hash: '#1500,1000,1' });
        await page.mouse.click(500, 300);
        await settle(page);
        await page.waitForTimeout(400);
        near((await view(page)).scale, 1, 0.0001, 'after a click');
        await page.mouse.move(500, 300);
        await page.mouse.down();
        for (let i = 1; i <= 10; ++i) await page.mouse.move(500 - 20 * i, 300);
        await page.mouse.up();
        await settle(page);
        near((await view(page)).x, 1700, 15, 'after a drag of 200 px');
        await page.mouse.wheel(0, -120);
        await settle(page);
        assert.ok((await view(page)).scale > 1.1, 'after the wheel');
        const before = await view(page);
        await page.locator('#overview').click({ position: { x: 5, y: 5 } });
        await settle(page);
        assert.ok((await view(page)).x < before.x - 500, 'a click on the overview goes there');
        check_quiet(log);
        await context.close();
    },

    async 'a window of another size keeps the scale, or the whole picture'() {
        const { page, log, context } = await open(sphere, kDesk, { hash: '#1500,1000,1' });
        await page.setViewportSize({ width: 900, height: 700 });
        await page.waitForTimeout(300);
        await settle(page);
        near((await view(page)).scale, 1, 0.001, 'scale in the smaller window');
        await page.keyboard.press('0');
        await settle(page);
        await page.setViewportSize(kPhone);
        await page.waitForTimeout(300);
        await settle(page);
        near((await view(page)).scale, 390 / 3001, 0.001, 'the whole picture fits the phone');
        check_quiet(log);
        await context.close();
        const phone = await open(sphere, kPhone, {
            hash: '#1500,1000,1', isMobile: true, hasTouch: true,
        });
        near((await view(phone.page)).scale, 1, 0.001, 'scale asked for on a phone');
        await phone.context.close();
    },

    async 'the address names the view and leads back to it'() {
        const { page, context } = await open(sphere, kDesk, { hash: '#900,800,0.75' });
        let now = await view(page);
        near(now.x, 900, 1, 'x');
        near(now.y, 800, 1, 'y');
        near(now.scale, 0.75, 0.001, 'scale');
        await page.keyboard.press('ArrowRight');
        await settle(page);
        now = await view(page);
        const hash = await page.evaluate(() => window.location.hash);
        assert.equal(hash, `#${Math.round(now.x)},${Math.round(now.y)},0.75`);
        await page.evaluate(() => { window.location.hash = '#2000,1200,1.5'; });
        await settle(page);
        now = await view(page);
        near(now.x, 2000, 1, 'x after a change of the address');
        near(now.scale, 1.5, 0.001, 'scale after a change of the address');
        await context.close();
        // Nonsense is passed over.
        const other = await open(sphere, kDesk, { hash: '#<script>,1,NaN' });
        check_quiet(other.log);
        await other.context.close();
    },

    async 'a canvas that wraps goes round without a seam'() {
        const { page, log, context } = await open(ring, kDesk, { hash: '#4090,512,1' });
        assert.ok(await worst_colour(page, ring) < 8, 'colours on both sides of the edge');
        const box = await page.locator('#stage').boundingBox();
        const seam = box.x + box.width / 2 + 6;
        const places = Array.from({ length: 9 },
                                  (_, i) => [seam - 4 + i, box.y + box.height / 2 + 20]);
        for (const [red] of await read_pixels(bench, await page.screenshot(), places)) {
            near(red, 228, 6, 'red beside the edge');
        }
        await page.mouse.move(box.x + box.width / 2 + 106, box.y + box.height / 2);
        await page.waitForTimeout(100);
        near(number(await text(page, 'longitude')), -180 + 100 * 360 / 4096, 0.1,
             'longitude past the edge');
        await page.keyboard.press('Shift+ArrowRight');
        await settle(page);
        assert.ok(await worst_colour(page, ring) < 8, 'colours after going round');
        check_quiet(log);
        await context.close();
        // A canvas that does not wrap stops at its edge.
        const flat = await open(sphere, kDesk, { hash: '#2990,1000,1' });
        near((await view(flat.page)).x, 3001 - 640, 2, 'centre at the edge');
        await flat.context.close();
    },

    async 'a hostile title is text and nothing else'() {
        const { page, log, context } = await open(cylinder, kDesk);
        assert.equal(await page.evaluate(() => window.x), undefined);
        assert.equal(await text(page, 'title'), kHostile);
        assert.equal(await page.title(), kHostile);
        assert.equal(await page.locator('#draft').isVisible(), true);
        await page.keyboard.press('?');
        assert.equal(await text(page, 'about-description'), kHostile);
        assert.equal((await text(page, 'facts')).split(kHostile).length, 3, 'place and time');
        await page.waitForTimeout(100);
        assert.equal(await page.evaluate(() => window.x), undefined);
        assert.equal(await page.locator('#about script, #about img, [onerror]').count(), 0);
        check_quiet(log);
        await context.close();
        await bench.setContent(`<script>"${kHostile}"</script>`);
        assert.notEqual(await bench.evaluate(() => window.x), undefined, 'unescaped it would have run');
    },

    async 'every control has a name and shows its focus'() {
        const { page, context } = await open(sphere, kDesk, { hash: '#1500,1000,1' });
        const seen = new Set();
        for (let i = 0; i < 9; ++i) {
            await page.keyboard.press('Tab');
            const at = await page.evaluate(() => {
                const it = document.activeElement;
                const style = getComputedStyle(it);
                return { name: it.getAttribute('aria-label'), outline: style.outlineStyle,
                         wide: Number.parseFloat(style.outlineWidth), tag: it.tagName };
            });
            if (at.tag === 'BODY') continue;
            assert.ok(at.name, 'a name');
            assert.equal(at.outline, 'solid', `${at.name}: an outline`);
            assert.ok(at.wide >= 2, `${at.name}: an outline that can be seen`);
            if (at.tag !== 'BUTTON') {
                // The picture itself: the ring must lie above its pixels, all round.
                const box = await page.locator('#stage').boundingBox();
                const ring = await read_pixels(bench, await page.screenshot(), [
                    [0, box.height / 2], [box.width / 2, 0], [box.width - 1, box.height / 2],
                    [box.width / 2, box.height - 1]]);
                assert.deepEqual(ring, Array(4).fill([0xdc, 0xcf, 0xb4]), 'a ring round the picture');
            }
            seen.add(at.name);
        }
        assert.ok(seen.size >= 8, `all controls can be reached: ${[...seen]}`);
        await context.close();
    },

    async 'motion is left out when the reader asks for that'() {
        const { page, context } = await open(sphere, kDesk, {
            hash: '#1500,1000,0.5', reducedMotion: 'reduce',
        });
        await page.keyboard.press('+');
        await page.waitForTimeout(60);
        near((await view(page)).scale, 0.8, 0.0001, 'at once');
        await context.close();
        const moving = await open(sphere, kDesk, {
            hash: '#1500,1000,0.5', reducedMotion: 'no-preference',
        });
        const early = await moving.page.evaluate(() => new Promise((done) => {
            document.dispatchEvent(new KeyboardEvent('keydown', { key: '+' }));
            requestAnimationFrame(() => requestAnimationFrame(() => done(window.broadloom.view().scale)));
        }));
        assert.ok(early < 0.79, 'otherwise it takes a while');
        await moving.context.close();
    },

    async 'without scripts there is a small copy with its caption'() {
        const { page, context } = await open(sphere, kDesk, { javaScriptEnabled: false });
        const image = page.locator('.plain img');
        assert.equal(await image.isVisible(), true);
        // 3001x2003 in tiles of 256: level 12 is the picture, level 8 is 188x126.
        assert.match(await image.getAttribute('src'), /^pano_files\/8\/0_0\.jpg$/);
        const box = await image.boundingBox();
        assert.equal(box.width, 188);
        const shot = await page.screenshot({ path: path.join(work, 'plain.png') });
        const [centre] = await read_pixels(bench, shot, [[box.x + box.width / 2,
                                                          box.y + box.height / 2]]);
        colour_at(0.5, 0.5, 1, 1).forEach((value, i) => near(centre[i], value, 8, 'colour of the copy'));
        assert.match(await page.locator('.plain figcaption').innerText(), /Grain store at the weir/);
        assert.equal(await page.locator('#app').isVisible(), false);
        await context.close();
    },

    async 'missing tiles are said, and these checks would see them'() {
        const site = await publish('bare', sphere, false);
        const context = await browser.newContext({ viewport: kDesk });
        const page = await context.newPage();
        const failed = [];
        page.on('requestfailed', (request) => failed.push(request.url()));
        await page.goto(site.url);
        await page.locator('#notice').waitFor({ state: 'visible' });
        assert.match(await text(page, 'notice'), /pano_files/);
        assert.ok(failed.length > 0);
        await page.screenshot({ path: path.join(work, 'bare_desk.png') });
        await context.close();
    },
};

let failures = 0;
for (const [name, run] of Object.entries(tests)) {
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
