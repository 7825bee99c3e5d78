/* Where a place of the picture lies in a frame, and back. Positions on the canvas and in upright
   frames are continuous pixels, x to the right, y down, the first pixel's centre at (0.5, 0.5).
   World axes: X right, Y down, Z forward. `picture` is what the page knows of its canvas, a frame is
   one of seams.js. */
const FrameGeometry = (function () {
    'use strict';

    const kRadians = Math.PI / 180;

    /* The direction seen at a canvas position, of unit length on the sphere, at unit distance from
       the axis on the cylinder. */
    function direction(picture, x, y) {
        const longitude = (picture.left_deg + x / picture.pixels_per_degree) * kRadians;
        if (picture.surface === 'cylinder') {
            const rise = Math.tan(picture.top_deg * kRadians) -
                y * kRadians / picture.pixels_per_degree;
            return [Math.sin(longitude), -rise, Math.cos(longitude)];
        }
        const latitude = (picture.top_deg - y / picture.pixels_per_degree) * kRadians;
        const level = Math.cos(latitude);
        return [Math.sin(longitude) * level, -Math.sin(latitude), Math.cos(longitude) * level];
    }

    /* The canvas position of a direction, x within 360 degrees of the left edge; null where a
       cylinder has none. */
    function position(picture, [x, y, z]) {
        const level = Math.hypot(x, z);
        let degrees = Math.atan2(x, z) / kRadians - picture.left_deg;
        degrees -= 360 * Math.floor(degrees / 360);
        if (picture.surface === 'cylinder') {
            if (!(level > 0)) return null;
            const rise = Math.tan(picture.top_deg * kRadians) + y / level;
            return { x: degrees * picture.pixels_per_degree,
                     y: rise / kRadians * picture.pixels_per_degree };
        }
        return { x: degrees * picture.pixels_per_degree,
                 y: (picture.top_deg + Math.atan2(y, level) / kRadians) * picture.pixels_per_degree };
    }

    /* The four weights of a uniform cubic B-spline at a fraction of a span. */
    function spline_weights(t) {
        const s = 1 - t;
        return [s * s * s / 6, (3 * t * t * t - 6 * t * t + 4) / 6,
                (3 * s * s * s - 6 * s * s + 4) / 6, t * t * t / 6];
    }

    /* How far the frame's pixels were moved there so that its neighbours meet. */
    function shift_at(frame, x, y) {
        const { columns, rows } = frame.shift;
        const place = (value, size, count) => {
            const at = Math.min(Math.max(value / size, 0), 1) * (count - 3);
            const first = Math.min(Math.floor(at), count - 4);
            return { first, weights: spline_weights(at - first) };
        };
        const across = place(x, frame.width, columns);
        const down = place(y, frame.height, rows);
        const sum = { x: 0, y: 0 };
        down.weights.forEach((by_row, j) => across.weights.forEach((by_column, i) => {
            const at = (down.first + j) * columns + across.first + i;
            sum.x += by_row * by_column * frame.shift.x[at];
            sum.y += by_row * by_column * frame.shift.y[at];
        }));
        return sum;
    }

    /* A world direction in upright pixels of the frame, on the frame or beside it; null behind the
       camera and where the lens's polynomials fold back (Brown-Conrady, k1 k2 k3, p1 p2). */
    function project(frame, [x, y, z]) {
        const m = frame.rotation;
        const depth = m[2] * x + m[5] * y + m[8] * z;
        if (!(depth > 0)) return null;
        const a = (m[0] * x + m[3] * y + m[6] * z) / depth;
        const b = (m[1] * x + m[4] * y + m[7] * z) / depth;
        const [k1, k2, k3] = frame.radial;
        const [p1, p2] = frame.tangential;
        const r2 = a * a + b * b;
        if (frame.fold !== undefined && !(Math.sqrt(r2) < frame.fold)) return null;
        const radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3));
        if (p1 !== 0 || p2 !== 0) {
            // Far off the axis the tangential part folds, too: where the determinant of the
            // derivatives is not positive. Near the radial fold that fold alone decides.
            const rise = 1 + r2 * (3 * k1 + r2 * (5 * k2 + r2 * 7 * k3));
            const slope = k1 + r2 * (2 * k2 + r2 * 3 * k3);
            const mixed = 2 * a * b * slope + 2 * p1 * a + 2 * p2 * b;
            const aa = radial + 2 * a * a * slope + 2 * p1 * b + 6 * p2 * a;
            const bb = radial + 2 * b * b * slope + 6 * p1 * b + 2 * p2 * a;
            if (rise > 0.5 && !(aa * bb - mixed * mixed > 0)) return null;
        }
        const pixel = {
            x: frame.focal * (a * radial + 2 * p1 * a * b + p2 * (r2 + 2 * a * a)) + frame.centre[0],
            y: frame.focal * (b * radial + p1 * (r2 + 2 * b * b) + 2 * p2 * a * b) + frame.centre[1],
        };
        if (frame.shift) {
            const shift = shift_at(frame, pixel.x, pixel.y);
            pixel.x += shift.x;
            pixel.y += shift.y;
        }
        return pixel;
    }

    const in_view = (frame, pixel) => pixel !== null && pixel.x >= 0.5 && pixel.y >= 0.5 &&
        pixel.x <= frame.width - 0.5 && pixel.y <= frame.height - 0.5;

    /* How near the frame's axis a direction is: the cosine of the angle between them. */
    const nearness = (frame, [x, y, z]) =>
        (frame.rotation[2] * x + frame.rotation[5] * y + frame.rotation[8] * z) /
        Math.hypot(x, y, z);

    /* Where the middle of the frame lies on the canvas. */
    const aim = (picture, frame) =>
        position(picture, [frame.rotation[2], frame.rotation[5], frame.rotation[8]]);

    const kFlat = 0.25;  // px of the frame between an edge and its chord; rounding adds 0.07
    const kHalvings = 12;

    /* A polygon of the canvas, closed, as one of the frame: corners, and points on its edges so
       that straight lines there stay within half a pixel of straight lines here. null when a part
       of it is out of the frame's sight. */
    function outline(picture, frame, corners) {
        const pixel_at = (x, y) => project(frame, direction(picture, x, y));
        const points = [];
        let seen = true;
        const chord_error = (p, q, at) => {
            const dx = q.x - p.x;
            const dy = q.y - p.y;
            const length = Math.hypot(dx, dy);
            if (length < 1e-9) return Math.hypot(at.x - p.x, at.y - p.y);
            return Math.abs((at.x - p.x) * dy - (at.y - p.y) * dx) / length;
        };
        // Puts the points between two ends into the list, without the ends.
        const fill = (from, to, p, q, depth) => {
            const between = (t) => pixel_at(from.x + t * (to.x - from.x), from.y + t * (to.y - from.y));
            const tests = [0.25, 0.5, 0.75].map(between);
            if (tests.includes(null)) {
                seen = false;
                return;
            }
            if (depth === 0 || tests.every((at) => chord_error(p, q, at) <= kFlat)) return;
            const middle = { x: (from.x + to.x) / 2, y: (from.y + to.y) / 2 };
            fill(from, middle, p, tests[1], depth - 1);
            points.push(tests[1]);
            fill(middle, to, tests[1], q, depth - 1);
        };
        const ends = corners.map(({ x, y }) => pixel_at(x, y));
        if (ends.includes(null)) return null;
        corners.forEach((corner, i) => {
            const next = (i + 1) % corners.length;
            points.push(ends[i]);
            fill(corner, corners[next], ends[i], ends[next], kHalvings);
        });
        return seen ? points : null;
    }

    /* One entry of a frame's masks, as the scene file holds it. */
    function mask_json(kind, points) {
        const numbers = points.map(({ x, y }) => `[${x.toFixed(1)}, ${y.toFixed(1)}]`);
        return `{"kind": ${JSON.stringify(kind)}, "outline_px": [${numbers.join(', ')}]}`;
    }

    return { direction, position, project, in_view, nearness, aim, outline, mask_json };
}());
