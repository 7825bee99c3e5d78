/* The page's own script. A position is a pixel of the canvas, x to the right, y down; the scale is
   screen pixels (of the device) to one picture pixel, so 1 is full size. */
(function () {
    'use strict';

    const byId = (id) => document.getElementById(id);
    const picture = JSON.parse(byId('picture').textContent);
    const { width, height, tile, overlap, wraps } = picture;
    const app = byId('app');
    app.hidden = false;

    const kMaxScale = 4;
    const kStep = 1.6;          // zoom factor of a key or a button
    const kSmallShow = 1 / 3;   // begin by filling the window if the whole picture would fill less
    const calm = window.matchMedia('(prefers-reduced-motion: reduce)').matches;
    const seconds = calm ? 0 : 0.7;
    const device = () => window.devicePixelRatio || 1;
    const clamp = (value, low, high) => Math.min(Math.max(value, low), high);
    const modulo = (value, by) => ((value % by) + by) % by;

    // ---- Words and numbers ----------------------------------------------------------------------

    function fixed(value, digits) {
        const text = Math.abs(value).toFixed(digits);
        return (value < 0 && Number(text) !== 0 ? '\u2212' : '') + text;
    }

    function whole(value) {
        const text = String(Math.abs(Math.trunc(value)));
        return (value < 0 ? '\u2212' : '') + text.replace(/\B(?=(\d{3})+(?!\d))/g, '\u202f');
    }

    function percent(scale) {
        if (Math.abs(scale - 1) < 0.0005) return '1:1';
        const value = scale * 100;
        const digits = value < 0.1 ? 3 : value < 1 ? 2 : value < 10 ? 1 : 0;
        return fixed(value, digits) + '\u202f%';
    }

    function longitude(x) {
        const degrees = picture.left_deg + x / picture.pixels_per_degree;
        return modulo(degrees + 180, 360) - 180;
    }

    function latitude(y) {
        if (picture.surface !== 'cylinder') return picture.top_deg - y / picture.pixels_per_degree;
        const rise = (y * Math.PI) / (180 * picture.pixels_per_degree);
        return (Math.atan(Math.tan((picture.top_deg * Math.PI) / 180) - rise) * 180) / Math.PI;
    }

    // ---- The picture ----------------------------------------------------------------------------

    const top_level = Math.ceil(Math.log2(Math.max(width, height)));
    const level_side = (side, level) => Math.ceil(side / 2 ** (top_level - level));
    // The largest level that is a single tile: the overview, and the coarsest one worth loading.
    let single = 0;
    while (single < top_level &&
           Math.max(level_side(width, single + 1), level_side(height, single + 1)) <= tile) {
        ++single;
    }
    const tile_url = (level, column, row) => `${picture.tiles}/${level}/${column}_${row}.jpg`;

    // ---- Captions (before the viewer, whose room depends on them) -------------------------------

    const title = picture.title || 'Untitled picture';
    byId('title').textContent = title;
    byId('title').title = title;
    byId('credit').textContent = picture.credit;
    byId('rights').textContent = picture.rights;
    byId('draft').hidden = picture.pass !== 'draft';
    byId('about-title').textContent = title;
    byId('about-description').textContent = picture.description;
    byId('about-description').hidden = picture.description === '';
    byId('about-byline').textContent = [picture.credit, picture.rights].filter(Boolean).join('\n');

    const pixels = width * height;
    const amount = pixels >= 1e9 ? `${fixed(pixels / 1e9, 2)} gigapixels`
        : pixels >= 1e6 ? `${fixed(pixels / 1e6, 1)} megapixels` : `${whole(pixels)} pixels`;
    const span = (from, to) => `${fixed(from, 2)}° to ${fixed(to, 2)}°`;
    const facts = [
        ['Size', `${whole(width)} × ${whole(height)} px, ${amount}`],
        ['Longitude', span(picture.left_deg, picture.right_deg) + (wraps ? ', closes on itself' : '')],
        ['Latitude', span(picture.bottom_deg, picture.top_deg)],
        ['Surface', picture.surface === 'cylinder' ? 'cylinder' : 'sphere'],
        ['Resolution', `${fixed(picture.pixels_per_degree, 1)} px a degree`],
    ];
    if (picture.taken) facts.unshift(['Photographed', picture.taken]);
    if (picture.place) facts.unshift(['Place', picture.place]);
    if (picture.pass === 'draft') facts.push(['State', 'draft']);
    facts.forEach(([name, value]) => {
        const term = document.createElement('dt');
        const text = document.createElement('dd');
        term.textContent = name;
        text.textContent = value;
        byId('facts').append(term, text);
    });

    // ---- The viewer -----------------------------------------------------------------------------

    const viewer = OpenSeadragon({
        element: byId('canvas'),
        tileSources: {
            width, height, tileSize: tile, tileOverlap: overlap,
            minLevel: single, maxLevel: top_level, getTileUrl: tile_url,
        },
        // Pictures from disk may not be read back by a page, which only this way of drawing allows.
        drawer: 'canvas',
        showNavigationControl: false,
        keyboardNavEnabled: false,
        wrapHorizontal: wraps,
        preserveImageSizeOnResize: true,
        visibilityRatio: 1,
        constrainDuringPan: true,
        minZoomImageRatio: 1,
        maxZoomPixelRatio: kMaxScale / device(),
        minPixelRatio: 0.6,
        maxTilesPerFrame: 4,
        imageLoaderLimit: 8,
        maxImageCacheCount: 300,
        animationTime: seconds,
        springStiffness: 8,
        zoomPerScroll: 1.25,
        gestureSettingsMouse: { clickToZoom: false, dblClickToZoom: true },
        gestureSettingsPen: { clickToZoom: false, dblClickToZoom: true },
        gestureSettingsTouch: { flickEnabled: !calm },
    });
    const viewport = viewer.viewport;
    const picture_box = new OpenSeadragon.Rect(0, 0, 1, height / width);

    function view() {
        const box = viewport.getBounds(true);
        const css_scale = viewport.getContainerSize().x / (box.width * width);
        return { box, css_scale, scale: css_scale * device(), x: (box.x + box.width / 2) * width,
                 y: (box.y + box.height / 2) * width };
    }

    function go_to(x, y, scale, at_once) {
        const zoom = (scale / device()) * width / viewport.getContainerSize().x;
        viewport.zoomTo(clamp(zoom, viewport.getMinZoom(), viewport.getMaxZoom()), null, at_once);
        viewport.panTo(new OpenSeadragon.Point(x / width, y / width), at_once);
        viewport.applyConstraints(at_once);
    }

    function show_whole(at_once) {
        viewport.fitBounds(picture_box, at_once);
    }

    function zoom_by(factor) {
        viewport.zoomBy(factor, null, false);
        viewport.applyConstraints();
    }

    function full_size() {
        const now = view();
        go_to(now.x, now.y, 1, false);
    }

    /* Pans by parts of the view. */
    function pan_by(right, down) {
        const box = viewport.getBounds(false);
        viewport.panBy(new OpenSeadragon.Point(right * box.width, down * box.height));
        viewport.applyConstraints();
    }

    // ---- The address: #x,y,scale ----------------------------------------------------------------

    function address_view() {
        const parts = window.location.hash.slice(1).split(',').map(Number);
        const good = parts.length === 3 && parts.every(Number.isFinite) && parts[2] > 0;
        return good ? parts : null;
    }

    let written = '';
    function write_address() {
        const now = view();
        const x = wraps ? modulo(now.x, width) : now.x;
        written = `#${Math.round(x)},${Math.round(now.y)},${Number(now.scale.toPrecision(4))}`;
        try {
            window.history.replaceState(null, '', written);
        } catch (refused) {
            // Some browsers refuse this for pages from disk; the page works without it.
        }
    }

    window.addEventListener('hashchange', () => {
        const wanted = address_view();
        if (wanted && window.location.hash !== written) go_to(...wanted, false);
    });

    // ---- Readouts -------------------------------------------------------------------------------

    let pointer = null;  // in CSS pixels of the stage; null: the readout is of the view's centre
    const stage = byId('stage');

    function show_readout(now) {
        let x = now.x;
        let y = now.y;
        if (pointer) {
            const at = viewport.pointFromPixel(pointer, true);
            x = at.x * width;
            y = at.y * width;
        }
        if (wraps) x = modulo(x, width);
        const inside = x >= 0 && x < width && y >= 0 && y < height;
        const fine = now.css_scale * picture.pixels_per_degree;  // screen pixels a degree
        const digits = clamp(Math.ceil(Math.log10(fine)), 1, 5);
        byId('place').textContent = pointer ? 'At pointer, px' : 'At centre, px';
        byId('longitude').textContent = inside ? fixed(longitude(x), digits) + '°' : '–';
        byId('latitude').textContent = inside ? fixed(latitude(y), digits) + '°' : '–';
        // A hair more than the position, which is not exact: 999.9999999 is the edge of pixel 1000.
        const cell = (value) => whole(Math.floor(value + 1e-3));
        byId('pixel').textContent = inside ? `${cell(x)}, ${cell(y)}` : '–';
        byId('scale').textContent = percent(now.scale);
    }

    /* A bar of a round number of degrees along the horizontal, at most 150 screen pixels long. */
    function show_ruler(now) {
        const most = 150 / (now.css_scale * picture.pixels_per_degree);
        const power = 10 ** Math.floor(Math.log10(most));
        const step = [5, 2, 1].find((factor) => factor * power <= most * (1 + 1e-9)) || 1;
        const degrees = step * power;
        const digits = Math.max(0, -Math.floor(Math.log10(power) + 1e-9));
        const pixels = degrees * picture.pixels_per_degree;
        byId('ruler').querySelector('i').style.width = `${pixels * now.css_scale}px`;
        byId('ruler-text').textContent = `${fixed(degrees, digits)}° · ` +
            `${pixels < 10 ? fixed(pixels, 1) : whole(Math.round(pixels))}\u202fpx`;
    }

    const overview = byId('overview');
    const windows = overview.querySelectorAll('.window');
    overview.querySelector('img').src = tile_url(single, 0, 0);

    function size_overview() {
        // A tall picture gets a narrow overview, so that it never covers half of the stage.
        overview.style.width = '';
        const most_width = overview.offsetWidth || 200;
        const most_height = Math.max(60, stage.clientHeight * 0.3);
        const box_width = Math.min(most_width, most_height * width / height);
        overview.style.width = `${Math.max(8, box_width)}px`;
        overview.style.height = `${Math.max(8, box_width * height / width)}px`;
    }

    function show_overview(now) {
        const room_x = overview.clientWidth;
        const room_y = overview.clientHeight;
        if (!room_x) return;
        const aspect = height / width;
        let left = now.box.x;
        let right = now.box.x + now.box.width;
        if (wraps && now.box.width < 1) {
            left = modulo(left, 1);
            right = left + now.box.width;
        } else {
            left = Math.max(0, left);
            right = Math.min(1, right);
        }
        const top = Math.max(0, now.box.y / aspect);
        const bottom = Math.min(1, (now.box.y + now.box.height) / aspect);
        overview.classList.toggle('idle', right - left > 0.999 && bottom - top > 0.999);
        // Deep in the picture the frame would vanish: it is never drawn smaller than this.
        const frame_width = Math.max(9, (right - left) * room_x);
        const frame_height = Math.max(9, (bottom - top) * room_y);
        const x = ((left + right) / 2) * room_x - frame_width / 2;
        const y = clamp(((top + bottom) / 2) * room_y - frame_height / 2, 0,
                        Math.max(0, room_y - frame_height));
        windows.forEach((frame, index) => {
            frame.hidden = index === 1 && !(wraps && right > 1);
            frame.style.left = `${x - index * room_x}px`;
            frame.style.top = `${y}px`;
            frame.style.width = `${frame_width}px`;
            frame.style.height = `${frame_height}px`;
        });
    }

    let planned = false;
    function refresh() {
        if (planned) return;
        planned = true;
        window.requestAnimationFrame(() => {
            planned = false;
            const now = view();
            show_readout(now);
            show_ruler(now);
            show_overview(now);
            byId('zoom-in').disabled = viewport.getZoom() >= viewport.getMaxZoom() * 0.9999;
            byId('zoom-out').disabled = viewport.getZoom() <= viewport.getMinZoom() * 1.0001;
        });
    }

    /* Tells those who cannot see the picture where they are, once the view has come to rest. */
    let speak_timer = 0;
    let speak = false;
    function say_view() {
        if (!speak) return;
        speak = false;
        window.clearTimeout(speak_timer);
        speak_timer = window.setTimeout(() => {
            const now = view();
            const x = wraps ? modulo(now.x, width) : now.x;
            byId('spoken').textContent = `Scale ${percent(now.scale)}, centre at longitude ` +
                `${fixed(longitude(x), 1)} degrees, latitude ${fixed(latitude(now.y), 1)} degrees`;
        }, 400);
    }

    // ---- Commands -------------------------------------------------------------------------------

    function toggle_overview() {
        overview.hidden = !overview.hidden;
        byId('map').setAttribute('aria-pressed', String(!overview.hidden));
        refresh();
    }

    function toggle_full_screen() {
        if (!document.fullscreenEnabled) return;
        const done = document.fullscreenElement ? document.exitFullscreen()
                                                : document.documentElement.requestFullscreen();
        if (done) done.catch(() => {});  // refused by the browser or the user: nothing changes
    }

    function show_about() {
        if (!byId('about').open) byId('about').showModal();
    }

    byId('zoom-in').addEventListener('click', () => zoom_by(kStep));
    byId('zoom-out').addEventListener('click', () => zoom_by(1 / kStep));
    byId('whole').addEventListener('click', () => show_whole(false));
    byId('full-size').addEventListener('click', full_size);
    byId('map').addEventListener('click', toggle_overview);
    byId('full-screen').addEventListener('click', toggle_full_screen);
    byId('full-screen').hidden = !document.fullscreenEnabled;
    byId('help').addEventListener('click', show_about);
    byId('tools').addEventListener('click', () => { speak = true; });

    const part = (event) => (event.shiftKey ? 1 : 0.15);
    const keys = {
        ArrowLeft: (event) => pan_by(-part(event), 0),
        ArrowRight: (event) => pan_by(part(event), 0),
        ArrowUp: (event) => pan_by(0, -part(event)),
        ArrowDown: (event) => pan_by(0, part(event)),
        '+': () => zoom_by(kStep),
        '=': () => zoom_by(kStep),
        '-': () => zoom_by(1 / kStep),
        '_': () => zoom_by(1 / kStep),
        '\u2212': () => zoom_by(1 / kStep),
        0: () => show_whole(false),
        1: full_size,
        o: toggle_overview,
        f: toggle_full_screen,
        '?': show_about,
    };
    document.addEventListener('keydown', (event) => {
        if (event.ctrlKey || event.metaKey || event.altKey || byId('about').open) return;
        // Fields keep their own keys, buttons the one that presses them.
        const at = event.target instanceof Element ? event.target : document.body;
        if (at.closest('select, textarea, input') && event.key !== 'Escape') return;
        if (at.closest('button') && event.key === 'Enter') return;
        const command = keys[event.key.length === 1 ? event.key.toLowerCase() : event.key];
        if (!command || command(event) === false) return;
        event.preventDefault();
        speak = true;
    });

    document.addEventListener('fullscreenchange', () => {
        const full = Boolean(document.fullscreenElement);
        app.classList.toggle('full', full);
        byId('full-screen').setAttribute('aria-pressed', String(full));
        wake();
    });
    let still_timer = 0;
    function wake() {
        app.classList.remove('still');
        window.clearTimeout(still_timer);
        still_timer = window.setTimeout(() => app.classList.add('still'), 2500);
    }
    ['pointermove', 'pointerdown', 'keydown', 'wheel'].forEach((kind) =>
        window.addEventListener(kind, wake, { passive: true }));

    function follow(event) {
        if (event.pointerType === 'touch') return;
        const corner = stage.getBoundingClientRect();
        pointer = new OpenSeadragon.Point(event.clientX - corner.left, event.clientY - corner.top);
        refresh();
    }
    stage.addEventListener('pointermove', follow);
    stage.addEventListener('pointerleave', () => { pointer = null; refresh(); });

    function steer(event) {
        const box = overview.getBoundingClientRect();
        const now = viewport.getBounds(false);
        let x = clamp((event.clientX - box.left) / box.width, 0, 1);
        const y = clamp((event.clientY - box.top) / box.height, 0, 1);
        // On a picture that closes on itself go the short way round.
        if (wraps) x += Math.round(now.x + now.width / 2 - x);
        viewport.panTo(new OpenSeadragon.Point(x, y * height / width));
        viewport.applyConstraints();
    }
    overview.addEventListener('pointerdown', (event) => {
        if (event.button !== 0) return;
        event.preventDefault();
        overview.setPointerCapture(event.pointerId);
        steer(event);
    });
    overview.addEventListener('pointermove', (event) => {
        if (overview.hasPointerCapture(event.pointerId)) steer(event);
    });

    // ---- For those who cannot see it ------------------------------------------------------------

    const surface = viewer.canvas;
    surface.setAttribute('role', 'application');
    surface.setAttribute('aria-roledescription', 'zoomable picture');
    surface.setAttribute('aria-label',
        `${title}. Arrow keys move, plus and minus zoom, 0 shows the whole picture, ` +
        'question mark lists all keys.');

    // ---- Beginning ------------------------------------------------------------------------------

    let whole_shown = false;  // and is to stay so when the window changes
    function begin() {
        size_overview();
        const wanted = address_view();
        const room = viewport.getContainerSize();
        const shown = (room.x / room.y) * (height / width);  // < 1: bands above and below
        if (wanted) {
            go_to(...wanted, true);
        } else if (Math.min(shown, 1 / shown) < kSmallShow) {
            const css_scale = Math.max(room.x / width, room.y / height);
            go_to(width / 2, height / 2, css_scale * device(), true);
        } else {
            show_whole(true);
            whole_shown = true;
        }
        refresh();
    }

    let missing = 0;
    viewer.addHandler('tile-load-failed', () => {
        ++missing;
        byId('notice').hidden = false;
        const parts = missing === 1 ? 'A part' : `${whole(missing)} parts`;
        byId('notice').textContent = `${parts} of the picture could not be read. ` +
            `Keep the folder “${picture.folder}” beside this page.`;
    });
    viewer.addHandler('open', begin);
    viewer.addHandler('animation', refresh);
    viewer.addHandler('animation-finish', () => { refresh(); write_address(); say_view(); });
    viewer.addHandler('animation-finish', () => {
        whole_shown = viewport.getZoom(true) <= viewport.getHomeZoom() * 1.001;
    });
    viewer.addHandler('resize', () => window.setTimeout(() => {
        size_overview();
        if (whole_shown) show_whole(true);
        refresh();
    }, 0));
    // For the seam view, and for scripts that look at the page from outside.
    const page = { picture, viewer, view, go_to, byId, keys, fixed, whole };
    if (picture.seams) seam_view(page);
    window.broadloom = page;
}());
