// A generated picture whose colour names its place: red and blue go round once over the width,
// green falls from top to bottom. Its deep-zoom tiles are drawn by the browser and stored.
import fs from 'node:fs';
import path from 'node:path';

/** Colour at a canvas position; the same formula runs inside the browser below. */
export function colour_at(x, y, width, height) {
    const angle = (2 * Math.PI * x) / width;
    return [128 + 100 * Math.cos(angle), 40 + (170 * y) / height, 128 + 100 * Math.sin(angle)];
}

/** Writes all tiles below `folder`; sizes round up, tiles show `overlap` pixels of each neighbour. */
export async function write_tiles(page, folder, { width, height, tile, overlap }) {
    const top = Math.ceil(Math.log2(Math.max(width, height)));
    for (let level = 0; level <= top; ++level) {
        const factor = 2 ** (top - level);
        const level_width = Math.ceil(width / factor);
        const level_height = Math.ceil(height / factor);
        fs.mkdirSync(path.join(folder, String(level)), { recursive: true });
        for (let row = 0; row * tile < level_height; ++row) {
            for (let column = 0; column * tile < level_width; ++column) {
                const box = {
                    x0: Math.max(0, column * tile - overlap),
                    y0: Math.max(0, row * tile - overlap),
                    x1: Math.min(level_width, (column + 1) * tile + overlap),
                    y1: Math.min(level_height, (row + 1) * tile + overlap),
                };
                const url = await page.evaluate(({ box, factor, width, height }) => {
                    const canvas = document.createElement('canvas');
                    canvas.width = box.x1 - box.x0;
                    canvas.height = box.y1 - box.y0;
                    const context = canvas.getContext('2d');
                    const image = context.createImageData(canvas.width, canvas.height);
                    for (let i = 0; i < canvas.width; ++i) {
                        const angle = (2 * Math.PI * (box.x0 + i + 0.5) * factor) / width;
                        const red = 128 + 100 * Math.cos(angle);
                        const blue = 128 + 100 * Math.sin(angle);
                        for (let j = 0; j < canvas.height; ++j) {
                            const y = (box.y0 + j + 0.5) * factor;
                            image.data.set([red, 40 + (170 * y) / height, blue, 255],
                                           4 * (j * canvas.width + i));
                        }
                    }
                    context.putImageData(image, 0, 0);
                    return canvas.toDataURL('image/jpeg', 0.97);
                }, { box, factor, width, height });
                fs.writeFileSync(path.join(folder, String(level), `${column}_${row}.jpg`),
                                 Buffer.from(url.split(',')[1], 'base64'));
            }
        }
    }
}

/** Reads pixels of a PNG screenshot at device positions: [[r, g, b], ...]. */
export async function read_pixels(page, png, places) {
    return page.evaluate(async ({ url, places }) => {
        const image = new Image();
        image.src = url;
        await image.decode();
        const canvas = document.createElement('canvas');
        canvas.width = image.width;
        canvas.height = image.height;
        const context = canvas.getContext('2d');
        context.drawImage(image, 0, 0);
        return places.map(([x, y]) =>
            Array.from(context.getImageData(Math.round(x), Math.round(y), 1, 1).data).slice(0, 3));
    }, { url: `data:image/png;base64,${png.toString('base64')}`, places });
}
