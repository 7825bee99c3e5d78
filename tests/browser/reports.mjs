// node reports.mjs MAKE_REPORT_PAGES CHROMIUM WORK: opens contact sheets and alignment pages from disk in
// a headless browser and checks what they show, load and run. Screenshots stay in WORK.
import assert from 'node:assert/strict';
import { execFileSync } from 'node:child_process';
import fs from 'node:fs';
import path from 'node:path';
import { pathToFileURL } from 'node:url';

import { chromium } from 'playwright-core';

const [make_pages, executablePath, work] = process.argv.slice(2);
const kSizes = {
    desk: { width: 1280, height: 800 },
    phone: { width: 390, height: 844 },
    small: { width: 360, height: 640 },
};
const folder = path.join(work, 'reports');
fs.rmSync(folder, { recursive: true, force: true });
execFileSync(make_pages, [folder]);
const kNames = fs.readdirSync(folder).map((name) => path.basename(name, '.html')).sort();

const browser = await chromium.launch({
    executablePath,
    args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--disable-sync',
           '--disable-background-networking', '--disable-component-update'],
});

const kPictures = ['contact_good', 'contact_look', 'contact_bad', 'align_look', 'align_bad'];

// One window for all pages: to open one for each takes longer than all else.
const page = await (await browser.newContext({ deviceScaleFactor: 1 })).newPage();
let log = {};
page.on('console', (line) => log.console.push(`${line.type()}: ${line.text()}`));
page.on('pageerror', (error) => log.errors.push(String(error)));
page.on('request', (request) => log.addresses.push(request.url()));

/** Opens a page of the folder afresh and keeps what it says and asks for. */
async function open(name, viewport = kSizes.desk) {
    await page.goto('about:blank');
    await page.setViewportSize(viewport);
    log = { console: [], errors: [], addresses: [] };
    const url = pathToFileURL(path.join(folder, `${name}.html`)).href;
    await page.goto(url);
    return { log, url };
}

/** Nothing was said, and nothing asked for but the page and what it holds in itself. */
function check_quiet({ log, url }) {
    assert.deepEqual(log.console, [], 'the console stays empty');
    assert.deepEqual(log.errors, [], 'no error');
    const others = log.addresses.filter((address) => address !== url && !address.startsWith('data:'));
    assert.deepEqual(others, [], 'nothing is asked for');
}

const verdict = () => page.locator('#verdict strong').innerText();

/** Cells of the grid with their places on the screen. */
const cells = () => page.$$eval('[data-cell]', (all) => all.map((cell) => {
    const box = (cell.querySelector('img') ?? cell.querySelector('.hole')).getBoundingClientRect();
    const [row, column] = cell.dataset.cell.split(',').map(Number);
    return { row, column, x: box.x, y: box.y, width: box.width, height: box.height,
             text: cell.innerText };
}));

/** How far rows and columns are from lying in order; at(cell) gives [row, column]. */
function out_of_order(all, at) {
    let wrong = 0;
    for (const a of all) {
        for (const b of all) {
            const [row_a, column_a] = at(a);
            const [row_b, column_b] = at(b);
            if (row_a < row_b && a.y + a.height > b.y) ++wrong;
            if (row_a === row_b && column_a < column_b && a.x + a.width > b.x) ++wrong;
            if (column_a === column_b && Math.abs(a.x - b.x) > 1) ++wrong;
        }
    }
    return wrong;
}

/** Relative luminance and contrast by WCAG 2.1 (definitions of both), over the solid ground behind. */
const weakest_contrast = () => page.evaluate(() => {
    const channels = (colour) => colour.match(/[\d.]+/g).map(Number);
    const luminance = (rgb) => {
        const [r, g, b] = rgb.slice(0, 3).map((value) => {
            const v = value / 255;
            return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
        });
        return 0.2126 * r + 0.7152 * g + 0.0722 * b;
    };
    let weakest = { ratio: 21 };
    const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    while (walker.nextNode()) {
        const text = walker.currentNode;
        const element = text.parentElement;
        if (!text.data.trim() || element.closest('svg, style, .unseen') || !element.getClientRects().length) {
            continue;
        }
        let ground = element;
        let back = [0, 0, 0, 0];
        while (ground && (back.length === 4 && back[3] === 0)) {
            back = channels(getComputedStyle(ground).backgroundColor);
            ground = ground.parentElement;
        }
        const a = luminance(channels(getComputedStyle(element).color));
        const b = luminance(back);
        const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
        if (ratio < weakest.ratio) weakest = { ratio, text: text.data.trim().slice(0, 40) };
    }
    return weakest;
});

const tests = {
    async 'every page is quiet, asks for nothing and is no wider than the window'() {
        assert.equal(kNames.length, 12, 'all pages are there');
        for (const name of kNames) {
            const opened = await open(name);
            for (const [label, size] of Object.entries(kSizes)) {
                await page.setViewportSize(size);
                const wide = await page.evaluate(() => Math.max(
                    document.documentElement.scrollWidth, document.body.scrollWidth));
                assert.ok(wide <= size.width, `${name} ${label}: ${wide} px wide`);
                if (label !== 'small' && kPictures.includes(name)) {
                    await page.screenshot({ path: path.join(work, `${name}_${label}.png`) });
                }
            }
            const seen = await page.evaluate(() => {
                const ids = [...document.querySelectorAll('[id]')].map((it) => it.id);
                return {
                    broken: [...document.images].filter((it) => !it.complete || !it.naturalWidth).length,
                    lost: [...document.querySelectorAll('a[href^="#"]')].map((it) => it.hash.slice(1))
                        .filter((id) => !ids.includes(id)),
                    twice: ids.length - new Set(ids).size,
                };
            });
            assert.deepEqual(seen, { broken: 0, lost: [], twice: 0 },
                             `${name}: every picture shows, every link leads somewhere, no id twice`);
            // A body too wide would be seen.
            const wide = await page.evaluate(() => {
                document.body.append(Object.assign(document.createElement('pre'),
                                                   { textContent: 'x'.repeat(999) }));
                return document.documentElement.scrollWidth;
            });
            assert.ok(wide > kSizes.small.width, 'a line too long is noticed');
            check_quiet(opened);
        }
    },

    async 'a request or a script would be stopped and seen'() {
        const text = fs.readFileSync(path.join(folder, 'contact_good.html'), 'utf8');
        for (const [name, part] of [
            ['control_script', '<script>window.x = 1</script>'],
            ['control_handler', '<img alt="" src="data:," onerror="window.x = 2">'],
            ['control_request', '<img alt="" src="other.jpg">'],
            ['control_style', '<link rel="stylesheet" href="other.css">'],
        ]) {
            fs.writeFileSync(path.join(folder, `${name}.html`), text.replace('<main>', `<main>${part}`));
            const opened = await open(name);
            await page.waitForTimeout(100);
            assert.equal(await page.evaluate(() => window.x), undefined, `${name} does nothing`);
            assert.throws(() => check_quiet(opened), undefined, `${name} is noticed`);
            fs.rmSync(path.join(folder, `${name}.html`));
        }
    },

    async 'the verdict is the first thing to read'() {
        for (const [name, wanted] of [
            ['contact_good', 'Good: nothing stands out'],
            ['contact_look', 'Look at 6 things'],
            ['contact_bad', 'Cannot be laid out: 2 cells without a frame, 2 frames without a cell'],
            ['align_good', 'Holds together, 0.31 px RMS'],
            ['align_look', 'Holds together, 0.47 px RMS; look at 2 things'],
            ['align_bad', 'Does not hold together'],
        ]) {
            await open(name);
            for (const size of Object.values(kSizes)) {
                await page.setViewportSize(size);
                assert.equal(await verdict(), wanted, name);
                const box = await page.locator('#verdict').boundingBox();
                assert.ok(box.y + box.height < size.height, `${name}: seen without scrolling`);
            }
        }
        await open('contact_look');
        assert.equal(await page.locator('#verdict li').count(), 6);
    },

    async 'the grid lies as the picture will'() {
        for (const size of Object.values(kSizes)) {
            await open('contact_look', size);
            for (const large of [false, true]) {
                if (large) await page.locator('label[for=large]').click();
                const all = await cells();
                assert.equal(all.length, 24);
                assert.equal(out_of_order(all, (c) => [c.row, c.column]), 0, 'rows and columns');
                assert.ok(out_of_order(all, (c) => [c.column, c.row]) > 0, 'turned round it would be seen');
                assert.ok(out_of_order(all, (c) => [-c.row, c.column]) > 0, 'upside down too');
                const hole = all.find((c) => c.row === 2 && c.column === 4);
                assert.match(hole.text, /no frame/);
                const beside = all.find((c) => c.row === 2 && c.column === 3);
                assert.ok(Math.abs(hole.width - beside.width) < 1, 'a hole is as wide as a frame');
                assert.ok(Math.abs(hole.height - beside.height) < 1.5, 'and as high');
                const scroll = await page.locator('.scroll').evaluate(
                    (box) => box.scrollWidth > box.clientWidth + 1);
                assert.equal(scroll, large && size.width < 1000, 'it scrolls in its own box');
                if (large) {
                    const names = await page.$$eval('.grid .name', (every) => every.filter(
                        (it) => it.getBoundingClientRect().height > 0).length);
                    assert.equal(names, 23, 'every name can be read');
                }
                // Marks lie within their frames.
                const outside = await page.$$eval('.grid .mark', (all) => all.filter((it) => {
                    const mark = it.getBoundingClientRect();
                    const frame = it.closest('.picture').getBoundingClientRect();
                    return mark.bottom > frame.bottom || mark.left < frame.left
                        || mark.right > frame.right || mark.top < frame.top;
                }).length);
                assert.equal(outside, 0, 'no mark reaches into another frame');
            }
        }
    },

    async 'rows of different lengths are as wide as each other'() {
        await open('contact_uneven');
        const all = await cells();
        for (const [row, columns] of [[0, 3], [1, 6], [2, 8], [3, 8]]) {
            const here = all.filter((c) => c.row === row);
            assert.equal(here.length, columns);
            const middle = here.reduce((sum, c) => sum + c.x + c.width / 2, 0) / columns;
            const whole = all.filter((c) => c.row === 3);
            const wanted = whole.reduce((sum, c) => sum + c.x + c.width / 2, 0) / 8;
            // Cells end on quarters of a column, 34 px or less.
            assert.ok(Math.abs(middle - wanted) < 17, `row ${row} is centred`);
        }
    },

    async 'marks lead to findings, findings to frames, reasons to both'() {
        const opened = await open('contact_look');
        await page.locator('[data-cell="2,1"] .mark').click();
        assert.match(await page.locator('tr:target').innerText(), /sharpness/);
        await page.locator('tr:target a').click();
        assert.equal(await page.evaluate(() => document.querySelector(':target').closest('td').dataset.cell),
                     '2,1');
        await page.locator('#verdict a', { hasText: 'row 2, column 4' }).click();
        assert.equal(await page.evaluate(() => document.querySelector(':target').className), 'hole');
        check_quiet(opened);
    },

    async 'two hundred equal findings are one row'() {
        await open('contact_many');
        assert.equal(await page.locator('#findings tbody tr').count(), 1);
        assert.equal(await page.locator('#findings details li').count(), 194);
        assert.equal(await page.locator('#findings details li').first().isVisible(), false);
        await page.locator('#findings summary').click();
        assert.equal(await page.locator('#findings details li').first().isVisible(), true);
    },

    async 'hostile names are text and nothing else'() {
        for (const name of ['contact_hostile', 'align_hostile']) {
            const opened = await open(name);
            await page.waitForTimeout(100);
            assert.equal(await page.evaluate(() => window.x), undefined);
            assert.match(await page.locator('h1').innerText(), /^<script>window\.x=1<\/script><img src=x/);
            assert.equal(await page.locator('script, [onerror]').count(), 0);
            check_quiet(opened);
        }
        await page.goto('about:blank');
        await page.setContent('<p><script>window.x=1</script>');
        assert.equal(await page.evaluate(() => window.x), 1, 'as markup it would have run');
    },

    async 'the map shows each frame and pair where it belongs'() {
        for (const size of Object.values(kSizes)) {
            await open('align_look', size);
            assert.equal(await page.locator('.map .outline').count(), 24);
            assert.equal(await page.locator('.map .pair.weak').count(), 2);
            const nodes = await page.$$eval('.map .node', (all) => all.map((it) => {
                const box = it.getBoundingClientRect();
                return { x: box.x, y: box.y, width: 0, height: 0 };
            }));
            // Column by column, four rows each; aims are off by 0.3 of 12.6 degrees at most.
            nodes.forEach((a, i) => nodes.forEach((b, k) => {
                const [row_a, row_b] = [i % 4, k % 4];
                const [column_a, column_b] = [Math.floor(i / 4), Math.floor(k / 4)];
                if (row_a < row_b) assert.ok(a.y < b.y, `frame ${i} lies above frame ${k}`);
                if (column_a < column_b) assert.ok(a.x < b.x, `frame ${i} lies left of frame ${k}`);
            }));
            const fills = await page.$$eval('.map .outline', (all) => all.map(
                (it) => getComputedStyle(it).fill));
            assert.equal(fills.filter((fill) => fill.includes('hatch')).length, 3, 'hatched: by the head');
        }
    },

    async 'crops stand side by side, one to one'() {
        await open('align_look');
        for (const size of Object.values(kSizes)) {
            await page.setViewportSize(size);
            const boxes = await page.$$eval('.crops img', (all) => all.map((it) => {
                const { x, y, width, height } = it.getBoundingClientRect();
                return { x, y, width, height, own_width: it.naturalWidth,
                         own_height: it.naturalHeight, fit: getComputedStyle(it).objectFit };
            }));
            assert.equal(boxes.length, 4);
            for (const box of boxes) {
                // Not scaled: what has no room is cut away, on both sides alike.
                assert.equal(box.fit, 'none');
                assert.equal(box.height, box.own_height);
                assert.ok(box.width <= box.own_width && box.width > 150, `${box.width} px wide`);
            }
            for (const i of [0, 2]) {
                const [left, right] = boxes.slice(i, i + 2);
                assert.equal(left.y, right.y, 'side by side');
                assert.equal(left.width, right.width, 'showing as much');
                assert.ok(right.x > left.x + left.width && right.x < left.x + left.width + 6);
            }
            if (size === kSizes.desk) assert.equal(boxes[0].y, boxes[2].y, 'two pairs in a row');
        }
    },

    async 'long tables are folded, and rows keep their names on a phone'() {
        for (const size of Object.values(kSizes)) {
            await open('align_round', size);
            assert.equal(await page.locator('#everything details[open]').count(), 0);
            assert.equal(await page.locator('#everything tbody tr').first().isVisible(), false);
            await page.locator('#everything summary').first().click();
            assert.equal(await page.locator('#everything details[open] tbody tr').count(), 144);
            assert.equal(await page.locator('#everything tbody tr').first().isVisible(), true);
            const wide = await page.evaluate(() => document.documentElement.scrollWidth);
            assert.ok(wide <= size.width, 'open, it is no wider than the window');
        }
        await open('align_look', kSizes.phone);
        const label = await page.locator('#pairs tbody td').first().evaluate(
            (it) => getComputedStyle(it, '::before').content);
        assert.equal(label, '"Files"');
    },

    async 'headings, names and contrast serve everybody'() {
        for (const name of ['contact_look', 'contact_bad', 'align_look', 'align_bad']) {
            for (const media of name.endsWith('look') ? ['screen', 'print'] : ['screen']) {
                await open(name);
                await page.emulateMedia({ media });
                // WCAG 2.1, success criterion 1.4.3 (AA): 4.5 : 1.
                const weakest = await weakest_contrast();
                assert.ok(weakest.ratio >= 4.5, `${name} ${media}: ${JSON.stringify(weakest)}`);
                await page.addStyleTag({ content: 'h1 { color: #666 !important; background: #777 }' })
                    .catch(() => {});
                assert.ok((await weakest_contrast()).ratio < 4.5, 'a pale heading would be seen');
                const levels = await page.$$eval('h1, h2, h3', (all) => all.map((it) => Number(it.tagName[1])));
                assert.equal(levels[0], 1);
                levels.forEach((level, i) => assert.ok(i === 0 || level <= levels[i - 1] + 1, 'no level left out'));
                await page.emulateMedia({ media: null });
                const nameless = await page.$$eval('img', (all) => all.filter((it) => !it.alt).length);
                assert.equal(nameless, 0, 'every picture has its text');
                const scopeless = await page.$$eval('th', (all) => all.filter((it) => !it.scope).length);
                assert.equal(scopeless, 0, 'every header says of what');
            }
        }
    },

    async 'the keyboard reaches everything and the focus shows'() {
        await open('contact_look');
        const seen = [];
        for (let i = 0; i < 14; ++i) {
            await page.keyboard.press('Tab');
            const at = await page.evaluate(() => {
                let it = document.activeElement;
                const tag = it.tagName;
                if (tag === 'INPUT') it = it.nextElementSibling;
                const style = getComputedStyle(it);
                return { tag, id: document.activeElement.id || it.className,
                         shown: style.outlineStyle === 'solid' && Number.parseFloat(style.outlineWidth) >= 2 };
            });
            assert.ok(at.shown, `${at.tag} ${at.id}: the focus shows`);
            seen.push(at.id);
        }
        assert.ok(seen.includes('fit') && seen.some((id) => String(id).startsWith('scroll')), `${seen}`);
        await page.locator('#fit').focus();
        await page.keyboard.press('ArrowRight');
        assert.equal(await page.locator('#large').isChecked(), true, 'arrow keys choose the size');
    },

    async 'on paper the whole grid fits, on white'() {
        await open('contact_many', { width: 720, height: 1000 });
        await page.emulateMedia({ media: 'print' });
        const wide = await page.locator('.grid').evaluate((it) => it.getBoundingClientRect().right);
        assert.ok(wide <= 720.5, `the grid ends at ${wide}`);
        const ground = await page.evaluate(() => getComputedStyle(document.documentElement).backgroundColor);
        assert.equal(ground, 'rgb(255, 255, 255)');
        await page.emulateMedia({ media: 'screen' });
        const dark = await page.evaluate(() => getComputedStyle(document.documentElement).backgroundColor);
        assert.equal(dark, 'rgb(25, 25, 25)');
    },
};

let failures = 0;
for (const [name, run] of Object.entries(tests)) {
    const start = performance.now();
    try {
        await run();
        console.log(`ok      ${name} (${Math.round(performance.now() - start)} ms)`);
    } catch (error) {
        ++failures;
        console.log(`FAILED  ${name}\n${error.stack}`);
    }
}
await browser.close();
console.log(failures ? `${failures} failed` : `all ${Object.keys(tests).length} passed`);
process.exit(failures ? 1 : 0);
