/* The seam view: which frame each place of the picture is from, and outlines for masks. `page` is
   what page.js hands over. */
function seam_view(page) {
    'use strict';

    const { picture, viewer, view, byId, keys, fixed, whole } = page;
    const { width, height, wraps } = picture;
    const kTint = 0.17;
    const kLine = 1.5;      // CSS pixels
    const kClose = 12;      // CSS pixels within which a click closes an outline
    const kName = 26;       // letters of a name on the picture

    const app = byId('app');
    const sheet = byId('seam-sheet');
    const board = byId('seam-board');
    const context = board.getContext('2d');
    const button = byId('seams');
    let shown = false;
    let state = 'absent';   // absent, loading, here, failed
    let data = null;
    let seams = null;
    let asked = null;       // the place asked about, on the canvas
    const twice = new Set();  // base names that several frames have
    let outline = null;     // { points, done } while one is drawn or shown
    let by_key = false;     // the keyboard was used last: the view's middle is marked

    // ---- Loading --------------------------------------------------------------------------------

    function fail(why) {
        state = 'failed';
        byId('seam-hint').textContent =
            `The seams could not be read (${why}). Keep the file “seams.js” beside this page.`;
        byId('seam-hint').hidden = false;
        byId('outline-start').hidden = true;
    }

    window.broadloom_seams = (content) => {
        try {
            if (content.version !== 1) throw new Error('another version wrote the file');
            seams = SeamLines.make(content);
            data = content;
            const seen = new Set();
            for (const frame of data.frames) {
                const name = base_name(frame.file);
                if (seen.has(name)) twice.add(name);
                seen.add(name);
            }
            state = 'here';
        } catch (error) {
            fail(error.message);
        }
        draw();
    };

    function load() {
        if (state !== 'absent') return;
        state = 'loading';
        const script = document.createElement('script');
        script.src = 'seams.js';
        script.addEventListener('error', () => fail('the file is missing'));
        document.head.append(script);
    }

    // ---- From the canvas to the grid, a frame, the screen ---------------------------------------

    const grid_x = (x) => (x - data.left) / data.cell_width;
    const grid_y = (y) => (y - data.top) / data.cell_height;
    const owner_at = ({ x, y }) => {
        if (y < 0 || y >= height || (!wraps && (x < 0 || x >= width))) return -1;
        const turns = wraps ? Math.floor(x / width) * width : 0;
        return SeamLines.label_at(seams.fine, grid_x(x - turns), grid_y(y));
    };

    /* The frames in whose view a place lies, the nearest axis first; the owner before all. */
    function frames_at(place) {
        const direction = FrameGeometry.direction(picture, place.x, place.y);
        const owner = owner_at(place);
        return data.frames.map((frame, number) => ({
            frame, number, pixel: FrameGeometry.project(frame, direction),
            near: FrameGeometry.nearness(frame, direction) + (number === owner ? 4 : 0),
            owner: number === owner,
        })).filter((found) => found.owner || FrameGeometry.in_view(found.frame, found.pixel))
            .sort((a, b) => b.near - a.near);
    }

    const pixel_text = (pixel) => (pixel === null ? 'beyond its edge'
        : `x ${fixed(pixel.x, 1)}, y ${fixed(pixel.y, 1)}`);
    const base_name = (file) => file.slice(file.lastIndexOf('/') + 1);
    const short_name = (file) => {
        const name = base_name(file);
        const letters = Array.from(name);
        if (letters.length <= kName) return name;
        const half = (kName - 1) >> 1;
        return `${letters.slice(0, half).join('')}…${letters.slice(-half).join('')}`;
    };
    /* The name without its folder where that tells the frame from all others. */
    const frame_name = ({ file }) => (twice.has(base_name(file)) ? file : base_name(file));
    const cell_text = (frame) => (frame.row === undefined || frame.column === undefined ? ''
        : `row ${frame.row}, column ${frame.column}`);

    // ---- Drawing --------------------------------------------------------------------------------

    const stroke_twice = (light) => {
        // Two tones, so that the line shows on any picture.
        context.lineJoin = 'round';
        context.lineCap = 'round';
        context.strokeStyle = 'rgba(0, 0, 0, .5)';
        context.lineWidth = kLine + 2;
        context.stroke();
        context.strokeStyle = light;
        context.lineWidth = kLine;
        context.stroke();
    };

    function draw() {
        const room = byId('stage');
        const density = window.devicePixelRatio || 1;
        const wide = Math.round(room.clientWidth * density);
        const high = Math.round(room.clientHeight * density);
        if (board.width !== wide || board.height !== high) {
            board.width = wide;
            board.height = high;
        }
        context.setTransform(1, 0, 0, 1, 0, 0);
        context.clearRect(0, 0, wide, high);
        if (!shown || !seams) return;
        context.setTransform(density, 0, 0, density, 0, 0);
        const now = view();
        const left = now.box.x * width;   // of the view, canvas pixels
        const top = now.box.y * width;
        const right = left + now.box.width * width;
        const bottom = top + now.box.height * width;
        const screen = (x, y) => [(x - left) * now.css_scale, (y - top) * now.css_scale];

        context.save();
        context.beginPath();
        const [edge_left, edge_top] = screen(wraps ? left : 0, 0);
        const [edge_right, edge_bottom] = screen(wraps ? right : width, height);
        context.rect(edge_left, edge_top, edge_right - edge_left, edge_bottom - edge_top);
        context.clip();
        const first = wraps ? Math.floor(left / width) - 1 : 0;
        const last = wraps ? Math.floor(right / width) : 0;
        const { canvas, step } = seams.tints;
        context.globalAlpha = kTint;
        // Large cells would show as squares; small ones would only get soft.
        context.imageSmoothingEnabled = step * data.cell_width * now.css_scale > 1;
        for (let turn = first; turn <= last; ++turn) {
            const [x, y] = screen(data.left + turn * width, data.top);
            context.drawImage(canvas, x, y,
                              canvas.width * step * data.cell_width * now.css_scale,
                              canvas.height * step * data.cell_height * now.css_scale);
        }
        context.globalAlpha = 1;
        context.beginPath();
        const cell = Math.min(data.cell_width, data.cell_height) * now.css_scale;
        for (let turn = first; turn <= last; ++turn) {
            const from = turn * width;
            const box = { left: grid_x(left - from), right: grid_x(right - from),
                          top: grid_y(top), bottom: grid_y(bottom) };
            if (box.right < -1 || box.left > data.columns + 1) continue;
            SeamLines.add_path(seams, context, box, cell, (x, y) =>
                screen(data.left + from + x * data.cell_width, data.top + y * data.cell_height));
        }
        stroke_twice('#f3ead6');
        draw_names(now, screen, first, last);
        context.restore();
        draw_outline(screen);
        if (asked) draw_place(...screen(nearest_copy(asked, now.x).x, asked.y));
        if (by_key) draw_middle(room.clientWidth / 2, room.clientHeight / 2);
    }

    function draw_names(now, screen, first, last) {
        context.font = '600 12px system-ui, "Segoe UI", "Noto Sans", "Liberation Sans", sans-serif';
        context.textAlign = 'center';
        context.textBaseline = 'middle';
        context.lineJoin = 'round';
        seams.regions.forEach((region, number) => {
            if (!region) return;
            const room = region.width * data.cell_width * now.css_scale - 14;
            if (room < 30 || region.height * data.cell_height * now.css_scale < 26) return;
            const name = short_name(data.frames[number].file);
            if (context.measureText(name).width > room) return;
            for (let turn = first; turn <= last; ++turn) {
                const [x, y] = screen(data.left + region.x * data.cell_width + turn * width,
                                      data.top + region.y * data.cell_height);
                context.strokeStyle = 'rgba(0, 0, 0, .72)';
                context.lineWidth = 3.5;
                context.strokeText(name, x, y);
                context.fillStyle = '#fff';
                context.fillText(name, x, y);
            }
        });
    }

    function draw_outline(screen) {
        if (!outline || !outline.points.length) return;
        context.beginPath();
        outline.points.forEach(({ x, y }, i) => {
            const [px, py] = screen(x, y);
            if (i === 0) context.moveTo(px, py);
            else context.lineTo(px, py);
        });
        if (outline.points.length > 2) context.closePath();
        context.fillStyle = 'rgba(255, 116, 84, .26)';
        context.fill();
        stroke_twice('#ff8f73');
        outline.points.forEach(({ x, y }) => {
            const [px, py] = screen(x, y);
            context.beginPath();
            context.arc(px, py, 4, 0, 2 * Math.PI);
            context.fillStyle = '#ff8f73';
            context.fill();
            context.strokeStyle = '#1b1b1b';
            context.lineWidth = 1.5;
            context.stroke();
        });
    }

    function draw_place(x, y) {
        context.beginPath();
        context.arc(x, y, 7, 0, 2 * Math.PI);
        stroke_twice('#fff');
        context.beginPath();
        context.arc(x, y, 1.5, 0, 2 * Math.PI);
        context.fillStyle = '#fff';
        context.fill();
    }

    function draw_middle(x, y) {
        context.beginPath();
        for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
            context.moveTo(x + 5 * dx, y + 5 * dy);
            context.lineTo(x + 14 * dx, y + 14 * dy);
        }
        stroke_twice('#fff');
    }

    // ---- Asking ---------------------------------------------------------------------------------

    /* The same place on that turn of a closed picture that lies nearest to `x`. */
    const nearest_copy = (place, x) => (wraps
        ? { x: place.x + width * Math.round((x - place.x) / width), y: place.y } : place);

    function ask(place) {
        asked = place;
        const inside = place.y >= 0 && place.y < height && (wraps || (place.x >= 0 && place.x < width));
        const found = inside ? frames_at(place) : [];
        const owner = found.find((one) => one.owner);
        const others = found.filter((one) => !one.owner);
        byId('seam-hint').hidden = true;
        byId('seam-answer').hidden = false;
        const say = (id, text) => {
            byId(id).textContent = text;
            byId(id).hidden = text === '';
        };
        byId('seam-swatch').hidden = !owner;
        if (owner) {
            const [r, g, b] = SeamLines.rgb_of(seams.hues[owner.number]);
            byId('seam-swatch').style.background = `rgb(${r}, ${g}, ${b})`;
        }
        say('seam-owner', owner ? frame_name(owner.frame) : 'No frame covers this place');
        byId('seam-owner').title = owner ? owner.frame.file : '';
        say('seam-cell', owner ? cell_text(owner.frame) : '');
        say('seam-pixel', owner ? `Frame pixel ${pixel_text(owner.pixel)}` : '');
        byId('seam-others').hidden = others.length === 0;
        byId('seam-others').querySelector('ul').replaceChildren(...others.map((one) => {
            const line = document.createElement('li');
            const name = document.createElement('bdi');
            name.textContent = frame_name(one.frame);
            name.title = one.frame.file;
            const place_in_it = document.createElement('span');
            place_in_it.textContent = pixel_text(one.pixel);
            line.append(name, place_in_it);
            return line;
        }));
        draw();
    }

    // ---- Outlines -------------------------------------------------------------------------------

    const frame_choice = byId('outline-frame');

    function start_outline() {
        outline = { points: [], done: false };
        asked = null;
        frame_choice.replaceChildren();
        byId('seam-ask').hidden = true;
        byId('outline').hidden = false;
        byId('outline-result').hidden = true;
        byId('outline-making').hidden = false;
        app.classList.add('outlining');
        viewer.gestureSettingsMouse.dblClickToZoom = false;
        viewer.gestureSettingsTouch.dblClickToZoom = false;
        viewer.gestureSettingsPen.dblClickToZoom = false;
        show_outline();
        byId('outline').focus({ preventScroll: true });
    }

    function leave_outline() {
        outline = null;
        byId('seam-ask').hidden = false;
        byId('outline').hidden = true;
        app.classList.remove('outlining');
        viewer.gestureSettingsMouse.dblClickToZoom = true;
        viewer.gestureSettingsTouch.dblClickToZoom = true;
        viewer.gestureSettingsPen.dblClickToZoom = true;
        draw();
    }

    function close_outline() {
        leave_outline();
        byId('outline-start').focus({ preventScroll: true });
    }

    /* Offers the frames that see a corner of the outline; the owner under the first one leads. */
    function offer_frames() {
        const before = frame_choice.value;
        const seen = new Map();
        outline.points.forEach((point) => frames_at(point).forEach(({ frame, number }) =>
            seen.set(number, frame)));
        frame_choice.replaceChildren(...[...seen].map(([number, frame]) => {
            const cell = cell_text(frame);
            return new Option(frame_name(frame) + (cell ? ` (${cell})` : ''), String(number));
        }));
        if (outline.chosen && seen.has(Number(before))) frame_choice.value = before;
        frame_choice.disabled = seen.size === 0;
    }

    function show_outline() {
        const count = outline.points.length;
        offer_frames();
        byId('outline-count').textContent = count === 0 ? 'No corner yet'
            : count === 1 ? '1 corner' : `${count} corners`;
        byId('outline-undo').disabled = count === 0;
        byId('outline-finish').disabled = count < 3;
        byId('outline-problem').hidden = true;
        draw();
    }

    function add_corner(place) {
        const { points } = outline;
        const before = points[points.length - 1];
        const point = before ? nearest_copy(place, before.x) : place;
        const { css_scale } = view();
        const apart = (other) => Math.hypot(point.x - other.x, point.y - other.y) * css_scale;
        if (points.length > 2 && apart(points[0]) < kClose) {
            finish_outline();
            return;
        }
        if (before && apart(before) < 3) return;  // the second click of a double one
        points.push({ x: point.x, y: Math.min(Math.max(point.y, 0), height) });
        show_outline();
    }

    function undo_corner() {
        if (!outline || outline.done || !outline.points.length) return;
        outline.points.pop();
        show_outline();
    }

    function finish_outline() {
        if (outline.points.length < 3) return;
        const problem = (text) => {
            byId('outline-problem').textContent = text;
            byId('outline-problem').hidden = false;
        };
        const frame = data.frames[Number(frame_choice.value)];
        if (frame_choice.value === '' || !frame) {
            problem('No frame sees a corner of this outline.');
            return;
        }
        const points = FrameGeometry.outline(picture, frame, outline.points);
        if (points === null) {
            problem('A part of this outline lies out of the frame’s sight. Move that corner ' +
                    'nearer, or choose another frame.');
            return;
        }
        outline.done = true;
        const kind = sheet.querySelector('input[name=outline-kind]:checked').value;
        byId('outline-json').value = FrameGeometry.mask_json(kind, points);
        byId('outline-making').hidden = true;
        byId('outline-result').hidden = false;
        byId('outline-place').textContent = `frames[${frame.index}]`;
        byId('outline-name').textContent = frame.file;
        byId('copy-text').textContent = 'Copy';
        draw();
        byId('outline-copy').focus({ preventScroll: true });
    }

    async function copy_outline() {
        const box = byId('outline-json');
        let done = false;
        try {
            await navigator.clipboard.writeText(box.value);
            done = true;
        } catch (refused) {
            // Pages from disk may not be let near the clipboard: the older way, then by hand.
            box.focus();
            box.select();
            done = document.execCommand('copy');
            byId('outline-copy').focus({ preventScroll: true });
        }
        if (!done) box.select();
        byId('copy-text').textContent = done ? 'Copied' : 'Press Ctrl+C to copy';
    }

    byId('outline-start').addEventListener('click', start_outline);
    byId('outline-undo').addEventListener('click', undo_corner);
    byId('outline-finish').addEventListener('click', finish_outline);
    byId('outline-cancel').addEventListener('click', close_outline);
    byId('outline-again').addEventListener('click', start_outline);
    byId('outline-close').addEventListener('click', close_outline);
    byId('outline-copy').addEventListener('click', copy_outline);
    frame_choice.addEventListener('change', () => { outline.chosen = true; });

    // ---- Switching, clicks and keys -------------------------------------------------------------

    function toggle() {
        shown = !shown;
        button.setAttribute('aria-pressed', String(shown));
        app.classList.toggle('seams', shown);
        sheet.hidden = !shown;
        board.hidden = !shown;
        if (shown) {
            load();
        } else {
            if (outline) leave_outline();
            asked = null;
            byId('seam-answer').hidden = true;
            byId('seam-hint').hidden = false;
        }
        draw();
    }

    function place_at(point) {
        const at = viewer.viewport.pointFromPixel(point, true);
        return { x: at.x * width, y: at.y * width };
    }

    function take(place) {
        if (!shown || !seams) return;
        if (!outline) ask(place);
        else if (!outline.done) add_corner(place);
    }

    viewer.addHandler('canvas-click', (event) => {
        if (!event.quick) return;
        by_key = false;
        take(place_at(event.position));
    });
    viewer.addHandler('update-viewport', draw);
    viewer.addHandler('resize', () => window.setTimeout(draw, 0));

    button.hidden = false;
    byId('seam-keys').hidden = false;
    button.addEventListener('click', toggle);
    keys.s = toggle;
    keys.Enter = () => {
        if (!shown) return false;
        by_key = true;
        const now = view();
        take({ x: now.x, y: now.y });
        return true;
    };
    keys.Backspace = () => {
        if (!outline || outline.done) return false;
        undo_corner();
        return true;
    };
    keys.Escape = () => {
        if (!outline) return false;
        close_outline();
        return true;
    };
    document.addEventListener('keydown', (event) => {
        if (shown && event.key.startsWith('Arrow') && !by_key) {
            by_key = true;
            draw();
        }
    });

    page.seams = { ask, toggle, owner_at, ready: () => state === 'here' };
}
