/* The labels of seams.js, and from them the lines and tints that the page draws. A grid position is
   in cells from the grid's left upper corner. */
const SeamLines = (function () {
    'use strict';

    const kChunk = 96;        // cells a side that share one path
    const kStraight = 0.45;   // cells that a line may pass beside the corners of its cells
    const kTintCells = 2e6;   // most cells of the picture of the tints
    const kMostSide = 8192;   // that every browser's canvas can hold
    const kHues = [28, 205, 130, 320, 60, 262, 175, 0];

    /* The labels of `data.runs`, row by row; -1: nobody. */
    function unpack(data) {
        const { columns, rows, runs } = data;
        const labels = new Int16Array(columns * rows);
        let at = 0;      // in the text
        let row = 0;
        let number = 0;
        let label = -1;
        let x = 0;
        const put = () => {
            labels.fill(label, row * columns + x, row * columns + x + number);
            x += number;
            number = 0;
        };
        for (; at < runs.length && row < rows; ++at) {
            const code = runs.charCodeAt(at);
            if (code === 46) {  // "."
                label = number - 1;
                number = 0;
            } else if (code === 32) {  // " "
                put();
            } else if (code === 59) {  // ";"
                if (x === 0 && number === 0 && row > 0) {
                    labels.copyWithin(row * columns, (row - 1) * columns, row * columns);
                } else {
                    put();
                    if (x !== columns) throw new Error('a row of labels has another length');
                }
                ++row;
                x = 0;
            } else {
                number = number * 36 + (code < 58 ? code - 48 : code - 87);
            }
        }
        if (row !== rows) throw new Error('rows of labels are missing');
        return labels;
    }

    /* Half as many cells each way. */
    function halved(grid) {
        const columns = (grid.columns + 1) >> 1;
        const rows = (grid.rows + 1) >> 1;
        const labels = new Int16Array(columns * rows);
        for (let j = 0; j < rows; ++j) {
            const from = Math.min(2 * j + (j & 1), grid.rows - 1) * grid.columns;
            for (let i = 0; i < columns; ++i) {
                labels[j * columns + i] = grid.labels[from + Math.min(2 * i + (i & 1), grid.columns - 1)];
            }
        }
        return { columns, rows, labels, wraps: grid.wraps, step: grid.step * 2, chunks: new Map() };
    }

    /* Leaves out points of a chain that lie within kStraight of the line without them. */
    function straightened(chain) {
        const keep = new Uint8Array(chain.length / 2);
        const last = keep.length - 1;
        keep[0] = 1;
        keep[last] = 1;
        const open = [[0, last]];
        // A closed chain has no line from end to end: it is halved first.
        if (chain[0] === chain[2 * last] && chain[1] === chain[2 * last + 1] && last > 2) {
            const middle = last >> 1;
            keep[middle] = 1;
            open.splice(0, 1, [0, middle], [middle, last]);
        }
        while (open.length) {
            const [first, end] = open.pop();
            const ax = chain[2 * first];
            const ay = chain[2 * first + 1];
            const dx = chain[2 * end] - ax;
            const dy = chain[2 * end + 1] - ay;
            const length = Math.hypot(dx, dy) || 1;
            let worst = 0;
            let at = -1;
            for (let i = first + 1; i < end; ++i) {
                const off = Math.abs((chain[2 * i] - ax) * dy - (chain[2 * i + 1] - ay) * dx) / length;
                if (off > worst) {
                    worst = off;
                    at = i;
                }
            }
            if (worst > kStraight) {
                keep[at] = 1;
                open.push([first, at], [at, end]);
            }
        }
        return chain.filter((value, index) => keep[index >> 1]);
    }

    /* The seams within one chunk as chains of grid positions [x, y, x, y, ...]. Between the centres
       of four cells a line passes half-way between centres of different labels; it meets in the
       middle where three or four labels do. */
    function trace(grid, left, top) {
        const { columns, rows, labels, wraps } = grid;
        const column = (i) => (wraps ? (i + columns) % columns : Math.min(Math.max(i, 0), columns - 1));
        const row = (j) => Math.min(Math.max(j, 0), rows - 1) * columns;
        const ends = new Map();  // point -> the points that it is joined to
        const width = 2 * kChunk + 8;
        const key = (x2, y2) => (y2 - 2 * top + 2) * width + (x2 - 2 * left + 2);  // doubled
        const join = (a, b) => {
            for (const [from, to] of [[a, b], [b, a]]) {
                const there = ends.get(from);
                if (there) there.push(to);
                else ends.set(from, [to]);
            }
        };
        const right = Math.min(left + kChunk, columns);
        const bottom = Math.min(top + kChunk, rows);
        // Lines reach the picture's edge half a cell before its first cells' centres.
        for (let j = top === 0 ? -1 : top; j < bottom; ++j) {
            const upper = row(j);
            const lower = row(j + 1);
            for (let i = left === 0 && !wraps ? -1 : left; i < right; ++i) {
                const a = labels[upper + column(i)];
                const b = labels[upper + column(i + 1)];
                const c = labels[lower + column(i)];
                const d = labels[lower + column(i + 1)];
                if (a === b && a === c && a === d) continue;
                const crossed = [];
                if (a !== b) crossed.push(key(2 * i + 2, 2 * j + 1));
                if (a !== c) crossed.push(key(2 * i + 1, 2 * j + 2));
                if (b !== d) crossed.push(key(2 * i + 3, 2 * j + 2));
                if (c !== d) crossed.push(key(2 * i + 2, 2 * j + 3));
                if (crossed.length === 2) join(crossed[0], crossed[1]);
                else crossed.forEach((point) => join(point, key(2 * i + 2, 2 * j + 2)));
            }
        }
        const chains = [];
        const follow = (start) => {
            let from = start;
            while (ends.get(from).length) {
                const chain = [];
                const add = (point) => chain.push((point % width - 2) / 2 + left,
                                                  (Math.floor(point / width) - 2) / 2 + top);
                add(from);
                do {
                    const to = ends.get(from).pop();
                    const back = ends.get(to);
                    back.splice(back.indexOf(from), 1);
                    from = to;
                    add(from);
                } while (ends.get(from).length === 1);
                chains.push(straightened(chain));
                from = start;
            }
        };
        // Ends and meeting points first, so that what is left are closed chains.
        for (const [point, joined] of [...ends]) if (joined.length !== 2) follow(point);
        for (const point of ends.keys()) follow(point);
        return chains;
    }

    /* Everything that is drawn of the labels. */
    function make(data) {
        const fine = { columns: data.columns, rows: data.rows, labels: unpack(data),
                       wraps: data.wraps, step: 1, chunks: new Map() };
        const levels = [fine];
        while (Math.max(levels[levels.length - 1].columns, levels[levels.length - 1].rows) > 64) {
            levels.push(halved(levels[levels.length - 1]));
        }
        const tint_level = levels.find((grid) => grid.columns * grid.rows <= kTintCells &&
            Math.max(grid.columns, grid.rows) <= kMostSide);
        const hues = choose_hues(tint_level, data.frames.length);
        return { fine, levels, hues, tints: paint(tint_level, hues),
                 regions: survey(tint_level, data.frames.length) };
    }

    /* The label at a grid position; -1 outside. */
    function label_at(grid, x, y) {
        const j = Math.floor(y);
        let i = Math.floor(x);
        if (grid.wraps) i = ((i % grid.columns) + grid.columns) % grid.columns;
        if (i < 0 || i >= grid.columns || j < 0 || j >= grid.rows) return -1;
        return grid.labels[j * grid.columns + i];
    }

    /* A hue for each frame, different from its neighbours' where that is possible. */
    function choose_hues(grid, frames) {
        const beside = Array.from({ length: frames }, () => new Set());
        const { columns, rows, labels } = grid;
        for (let j = 0; j < rows; ++j) {
            for (let i = 0; i < columns; ++i) {
                const here = labels[j * columns + i];
                if (here < 0) continue;
                const next = i + 1 < columns ? labels[j * columns + i + 1]
                    : grid.wraps ? labels[j * columns] : here;
                const below = j + 1 < rows ? labels[(j + 1) * columns + i] : here;
                for (const there of [next, below]) {
                    if (there >= 0 && there !== here) {
                        beside[here].add(there);
                        beside[there].add(here);
                    }
                }
            }
        }
        const chosen = [];
        for (let frame = 0; frame < frames; ++frame) {
            const used = kHues.map(() => 0);
            for (const other of beside[frame]) if (other < frame) ++used[chosen[other]];
            // The first free one, beginning elsewhere for each, so that all are in use.
            let best = frame % kHues.length;
            for (let k = 0; k < kHues.length; ++k) {
                const hue = (frame + k) % kHues.length;
                if (used[hue] < used[best]) best = hue;
            }
            chosen.push(best);
        }
        return chosen.map((hue) => kHues[hue]);
    }

    /* A small picture of the labels, a pixel a cell. */
    function paint(grid, hues) {
        const canvas = document.createElement('canvas');
        canvas.width = grid.columns;
        canvas.height = grid.rows;
        const context = canvas.getContext('2d');
        const image = context.createImageData(grid.columns, grid.rows);
        const words = new Uint32Array(image.data.buffer);
        const bytes = new Uint8ClampedArray(4);
        const word = new Uint32Array(bytes.buffer);
        const colours = hues.map((hue) => {
            bytes.set([...rgb_of(hue), 255]);
            return word[0];
        });
        for (let i = 0; i < words.length; ++i) {
            const label = grid.labels[i];
            if (label >= 0) words[i] = colours[label];
        }
        context.putImageData(image, 0, 0);
        return { canvas, step: grid.step };
    }

    /* A light colour of a hue in degrees. */
    function rgb_of(hue) {
        return [0, 8, 4].map((n) => {
            const k = (n + hue / 30) % 12;
            return Math.round(255 * (0.6 - 0.36 * Math.max(-1, Math.min(k - 3, 9 - k, 1))));
        });
    }

    /* Of each frame's part: a place within it near its middle, and how wide and high it is; in grid
       positions. null where the frame has no part. */
    function survey(grid, frames) {
        const sums = Array.from({ length: frames }, () => ({ n: 0, x: 0, y: 0 }));
        const { columns, rows, labels, step } = grid;
        const first = new Int32Array(frames).fill(-1);
        const visit = (use) => {
            for (let j = 0, at = 0; j < rows; ++j) {
                for (let i = 0; i < columns; ++i, ++at) {
                    const label = labels[at];
                    if (label < 0) continue;
                    if (first[label] < 0) first[label] = i;
                    let x = i;
                    // A part that goes past the edge is counted on from where it was met first.
                    if (grid.wraps) {
                        if (x - first[label] > columns / 2) x -= columns;
                        else if (first[label] - x > columns / 2) x += columns;
                    }
                    use(label, x, j);
                }
            }
        };
        visit((label, x, y) => {
            const sum = sums[label];
            ++sum.n;
            sum.x += x;
            sum.y += y;
        });
        const regions = sums.map((sum) => (sum.n === 0 ? null : {
            middle_x: sum.x / sum.n, middle_y: sum.y / sum.n, nearest: Infinity, x: 0, y: 0,
            left: Infinity, right: -Infinity, top: Infinity, bottom: -Infinity,
        }));
        visit((label, x, y) => {
            const region = regions[label];
            const off = (x - region.middle_x) ** 2 + (y - region.middle_y) ** 2;
            if (off < region.nearest) {
                region.nearest = off;
                region.x = x;
                region.y = y;
            }
            region.left = Math.min(region.left, x);
            region.right = Math.max(region.right, x);
            region.top = Math.min(region.top, y);
            region.bottom = Math.max(region.bottom, y);
        });
        return regions.map((region) => region && {
            x: (region.x + 0.5) * step, y: (region.y + 0.5) * step,
            width: (region.right - region.left + 1) * step,
            height: (region.bottom - region.top + 1) * step,
        });
    }

    /* Adds the seams within a rectangle of grid positions to the context's path; `cell` is how many
       screen pixels a cell takes, `place(x, y)` gives the screen position of a grid position. */
    function add_path(seams, context, box, cell, place) {
        // Cells of about two pixels: finer ones cannot be seen.
        const wanted = Math.max(0, Math.ceil(Math.log2(1.5 / cell)));
        const grid = seams.levels[Math.min(wanted, seams.levels.length - 1)];
        const start = (low) => Math.floor((low / grid.step - 1) / kChunk) * kChunk;
        const first_row = Math.max(0, start(box.top));
        const first_column = Math.max(0, start(box.left));
        for (let top = first_row; top < grid.rows && top * grid.step <= box.bottom; top += kChunk) {
            for (let left = first_column; left < grid.columns && left * grid.step <= box.right; left += kChunk) {
                const name = top * grid.columns + left;
                let chains = grid.chunks.get(name);
                if (!chains) {
                    chains = trace(grid, left, top);
                    grid.chunks.set(name, chains);
                }
                for (const chain of chains) {
                    for (let i = 0; i < chain.length; i += 2) {
                        const [x, y] = place(chain[i] * grid.step, chain[i + 1] * grid.step);
                        if (i === 0) context.moveTo(x, y);
                        else context.lineTo(x, y);
                    }
                }
            }
        }
    }

    return { make, unpack, label_at, trace, add_path, rgb_of };
}());
