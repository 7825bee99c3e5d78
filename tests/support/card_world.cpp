#include "support/card_world.hpp"

#include <algorithm>
#include <array>
#include <cmath>

#include "broadloom/rotation.hpp"
#include "support/world_noise.hpp"

namespace broadloom::test {

namespace {

constexpr double kFinestPixels = 2.6;  ///< side of the finest noise's cells
constexpr int kFineOctaves = 4;        ///< laid over the marks; the others lie under them

int64_t wrapped(int64_t i, int64_t count) {
    const int64_t m = i % count;
    return m < 0 ? m + count : m;
}

/// Capitals on 5 x 7 points, a row a number, the top one first, the left point the highest bit.
constexpr std::array<std::array<uint8_t, 7>, 16> kLetters{
    {{{0x0e, 0x11, 0x11, 0x1f, 0x11, 0x11, 0x11}},
     {{0x1e, 0x11, 0x11, 0x1e, 0x11, 0x11, 0x1e}},
     {{0x0f, 0x10, 0x10, 0x10, 0x10, 0x10, 0x0f}},
     {{0x1f, 0x10, 0x10, 0x1e, 0x10, 0x10, 0x1f}},
     {{0x1f, 0x10, 0x10, 0x1e, 0x10, 0x10, 0x10}},
     {{0x0f, 0x10, 0x10, 0x17, 0x11, 0x11, 0x0f}},
     {{0x11, 0x12, 0x14, 0x18, 0x14, 0x12, 0x11}},
     {{0x10, 0x10, 0x10, 0x10, 0x10, 0x10, 0x1f}},
     {{0x11, 0x1b, 0x15, 0x15, 0x11, 0x11, 0x11}},
     {{0x11, 0x19, 0x15, 0x13, 0x11, 0x11, 0x11}},
     {{0x1e, 0x11, 0x11, 0x1e, 0x10, 0x10, 0x10}},
     {{0x1e, 0x11, 0x11, 0x1e, 0x14, 0x12, 0x11}},
     {{0x0f, 0x10, 0x10, 0x0e, 0x01, 0x01, 0x1e}},
     {{0x1f, 0x04, 0x04, 0x04, 0x04, 0x04, 0x04}},
     {{0x11, 0x11, 0x0a, 0x04, 0x0a, 0x11, 0x11}},
     {{0x1f, 0x01, 0x02, 0x04, 0x08, 0x10, 0x1f}}}};

/// Coverage 0..1 of a letter at (x, y) in points from its top left corner; `sharp` is a point's
/// side in pixels.
double letter_at(size_t which, double x, double y, double sharp) {
    const auto bit = [&](int64_t i, int64_t j) {
        if (i < 0 || j < 0 || i > 4 || j > 6) return 0.0;
        return static_cast<double>(
            kLetters[which][static_cast<size_t>(j)] >> static_cast<unsigned>(4 - i) & 1U);
    };
    const int64_t i = floor_of(x - 0.5);
    const int64_t j = floor_of(y - 0.5);
    const double u = x - 0.5 - static_cast<double>(i);
    const double v = y - 0.5 - static_cast<double>(j);
    const double smooth =
        lerp(lerp(bit(i, j), bit(i + 1, j), u), lerp(bit(i, j + 1), bit(i + 1, j + 1), u), v);
    return clamp01(0.5 + (smooth - 0.5) * std::max(1.0, sharp / 1.3));
}

/// One mark in the cell (ix, iy); lengths in cells, so that it stays inside.
struct Mark {
    enum Kind : uint32_t { nothing, disc, ring, bar, panel, letter };
    uint32_t kind = nothing;
    size_t which = 0;
    double x = 0, y = 0, cos = 1, sin = 0, a = 0, b = 0;
    float tone = 0, red = 0, blue = 0, cover = 0;
};

Mark mark_of(int64_t ix, int64_t iy, int64_t seed) {
    const auto random = [&](int64_t salt) { return random_unit(ix, iy, seed + salt); };
    Mark m;
    const double kind = random(1);
    if (kind < 0.15) return m;
    m.kind = kind < 0.30   ? Mark::disc
             : kind < 0.42 ? Mark::ring
             : kind < 0.64 ? Mark::bar
             : kind < 0.80 ? Mark::panel
                           : Mark::letter;
    const double size = 0.20 + 0.24 * random(2);
    const double room = 0.49 - size;
    m.x = 0.5 + room * (2 * random(3) - 1);
    m.y = 0.5 + room * (2 * random(4) - 1);
    const double turn = 2 * kPi * random(5);
    m.cos = std::cos(turn);
    m.sin = std::sin(turn);
    const double slim = m.kind == Mark::bar ? 0.08 + 0.14 * random(6) : 0.45 + 0.5 * random(6);
    m.a = size / std::hypot(1.0, slim);
    m.b = m.a * slim;
    m.which = hash_of(ix, iy, seed + 7) % kLetters.size();
    m.tone = static_cast<float>(1.5 * random(8) - 0.75);
    m.red = static_cast<float>(0.5 * random(9) - 0.25);
    m.blue = static_cast<float>(0.5 * random(10) - 0.25);
    m.cover = static_cast<float>(0.45 + 0.5 * random(11));
    return m;
}

/// Coverage of a mark at a place in its cell, its edge about a pixel wide.
double coverage(const Mark& m, double x, double y, double cell_px) {
    const double dx = x - m.x;
    const double dy = y - m.y;
    const double u = m.cos * dx + m.sin * dy;
    const double v = m.cos * dy - m.sin * dx;
    double outside = 0;  // distance to the edge, cells
    switch (m.kind) {
        case Mark::disc:
            outside = std::hypot(u, v) - m.a;
            break;
        case Mark::ring:
            outside = std::abs(std::hypot(u, v) - 0.75 * m.a) - 0.25 * m.b;
            break;
        case Mark::bar:
        case Mark::panel:
            outside = std::max(std::abs(u) - m.a, std::abs(v) - m.b);
            break;
        case Mark::letter: {
            const double point = 2 * m.a / 7;
            return letter_at(m.which, u / point + 2.5, v / point + 3.5, point * cell_px);
        }
        default:
            return 0;
    }
    return clamp01(0.5 - outside * cell_px / 1.2);
}

}  // namespace

PictureWorld::PictureWorld(const Picture& picture, double pixels_per_degree)
    : sampler_(picture, false, false),
      middle_x_(static_cast<double>(picture.width) / 2),
      middle_y_(static_cast<double>(picture.height) / 2),
      pixels_per_degree_(pixels_per_degree) {}

void PictureWorld::light(const double* longitude_deg, const double* latitude_deg, size_t count,
                         float* rgb) const {
    for (size_t i = 0; i < count; ++i) {
        const double turns = std::round(longitude_deg[i] / 360);
        const auto light =
            sampler_.at(middle_x_ + (longitude_deg[i] - 360 * turns) * pixels_per_degree_,
                        middle_y_ - latitude_deg[i] * pixels_per_degree_);
        for (size_t c = 0; c < 3; ++c) rgb[3 * i + c] = static_cast<float>(light[c]);
    }
}

TextureWorld::TextureWorld(double pixel_deg, uint32_t seed, double fine_contrast) {
    const double around = 360 / pixel_deg;  // pixels
    const auto layer = [&](double cell_px, double height, int64_t salt) {
        Layer l;
        l.cells = std::max<int64_t>(3, std::lround(around / cell_px));
        l.cell_px = around / static_cast<double>(l.cells);
        l.height = static_cast<float>(height);
        l.seed = static_cast<int64_t>(seed) * 1009 + salt;
        return l;
    };
    // Natural pictures hold about as much in every octave (D. J. Field, "Relations between the
    // statistics of natural images and the response properties of cortical cells", JOSA A 4, 1987).
    int64_t salt = 100;
    int octave = 0;
    for (double px = kFinestPixels; px < around / 8; px *= 2, ++octave) {
        const bool fine = octave < kFineOctaves;
        const double height = (octave == 0 ? 0.16 : 0.26) * (fine ? fine_contrast : 1);
        (fine ? fine_ : coarse_).push_back(layer(px, height, salt += 20));
    }
    for (double px = 26; px < around / 20; px *= 2.7) marks_.push_back(layer(px, 1, salt += 20));
    std::reverse(marks_.begin(), marks_.end());  // small ones over large ones
    for (const double px : {40.0, 300.0}) {
        red_.push_back(layer(px, 0.18, salt += 20));
        blue_.push_back(layer(px * 1.3, 0.18, salt += 20));
    }
}

void TextureWorld::add_noise(const Layer& layer, const double* longitude_deg,
                             const double* latitude_deg, size_t count, float* to) const {
    const double scale = static_cast<double>(layer.cells) / 360;
    // Lattices of different octaves must not share lines.
    const double shift_x = 7.31 + random_unit(layer.seed, 1);
    const double shift_y = 1000 + random_unit(layer.seed, 2);
    int64_t ix = INT64_MIN;
    int64_t iy = INT64_MIN;
    float c00 = 0;
    float c10 = 0;
    float c01 = 0;
    float c11 = 0;
    for (size_t i = 0; i < count; ++i) {
        const double x = longitude_deg[i] * scale + shift_x;
        const double y = latitude_deg[i] * scale + shift_y;
        const int64_t jx = floor_of(x);
        const int64_t jy = floor_of(y);
        if (jx != ix || jy != iy) {
            ix = jx;
            iy = jy;
            const int64_t left = wrapped(ix, layer.cells);
            const int64_t right = wrapped(ix + 1, layer.cells);
            const auto corner = [&](int64_t a, int64_t b) {
                return layer.height * static_cast<float>(random_unit(a, b, layer.seed) - 0.5);
            };
            c00 = corner(left, iy);
            c10 = corner(right, iy);
            c01 = corner(left, iy + 1);
            c11 = corner(right, iy + 1);
        }
        const auto u = static_cast<float>(x - static_cast<double>(ix));
        const auto v = static_cast<float>(y - static_cast<double>(iy));
        const float eu = u * u * (3 - 2 * u);
        const float ev = v * v * (3 - 2 * v);
        const float top = c00 + eu * (c10 - c00);
        const float low = c01 + eu * (c11 - c01);
        to[i] += top + ev * (low - top);
    }
}

void TextureWorld::paint(const Layer& layer, const double* longitude_deg,
                         const double* latitude_deg, size_t count, float* tone, float* red,
                         float* blue) const {
    const double scale = static_cast<double>(layer.cells) / 360;
    const double shift_x = 3.77 + random_unit(layer.seed, 1);
    const double shift_y = 1000 + random_unit(layer.seed, 2);
    int64_t ix = INT64_MIN;
    int64_t iy = INT64_MIN;
    Mark mark;
    for (size_t i = 0; i < count; ++i) {
        const double x = longitude_deg[i] * scale + shift_x;
        const double y = latitude_deg[i] * scale + shift_y;
        const int64_t jx = floor_of(x);
        const int64_t jy = floor_of(y);
        if (jx != ix || jy != iy) {
            ix = jx;
            iy = jy;
            mark = mark_of(wrapped(ix, layer.cells), iy, layer.seed);
        }
        if (mark.kind == Mark::nothing) continue;
        const auto share =
            mark.cover * static_cast<float>(coverage(mark, x - static_cast<double>(ix),
                                                     y - static_cast<double>(iy), layer.cell_px));
        tone[i] += share * (mark.tone - tone[i]);
        red[i] += share * (mark.red - red[i]);
        blue[i] += share * (mark.blue - blue[i]);
    }
}

void TextureWorld::light(const double* longitude_deg, const double* latitude_deg, size_t count,
                         float* rgb) const {
    std::vector<float> tone(count);
    std::vector<float> red(count);
    std::vector<float> blue(count);
    for (const Layer& l : coarse_) add_noise(l, longitude_deg, latitude_deg, count, tone.data());
    for (const Layer& l : red_) add_noise(l, longitude_deg, latitude_deg, count, red.data());
    for (const Layer& l : blue_) add_noise(l, longitude_deg, latitude_deg, count, blue.data());
    for (const Layer& l : marks_)
        paint(l, longitude_deg, latitude_deg, count, tone.data(), red.data(), blue.data());
    for (const Layer& l : fine_) add_noise(l, longitude_deg, latitude_deg, count, tone.data());
    for (size_t i = 0; i < count; ++i) {
        // A soft limit keeps detail everywhere, in the darkest mark, too.
        const float t = tone[i] * 1.3F;
        const float encoded = 0.48F + 0.44F * t / (1 + std::abs(t));
        const std::array<float, 3> each{1 + red[i], 1 - 0.4F * red[i] - 0.3F * blue[i],
                                        1 + blue[i]};
        for (size_t c = 0; c < 3; ++c) {
            const float v = std::clamp(encoded * each[c], 0.03F, 0.88F);
            rgb[3 * i + c] = v * v;  // about what a camera's curve undoes
        }
    }
}

}  // namespace broadloom::test
