#include <algorithm>
#include <cmath>
#include <cstring>
#include <type_traits>

#include "image/kernels.hpp"

namespace broadloom {

float corrected_toe(float v, float g) {
    // The two branches of IEC 61966-2-1, on the 0..255 scale; `s` is 12.92 * 255 * E.
    const double in = v;
    const double s = (in < static_cast<double>(kToeEnd)
                          ? in
                          : 255.0 * 12.92 * std::pow((in / 255.0 + 0.055) / 1.055, 2.4)) *
                     static_cast<double>(g);
    return static_cast<float>(s <= static_cast<double>(kToeEnd)
                                  ? s
                                  : 255.0 *
                                        (1.055 * std::pow(s / (255.0 * 12.92), 1.0 / 2.4) - 0.055));
}

float corrected_value(float v, float h, float g) {
    const float power = v * h + kCurveOffset * (h - 1.0F);
    if (v >= kToeEnd && power >= kToeEnd) return power;
    const float straight = v * g;
    if (v < kToeEnd && straight <= kToeEnd) return straight;
    return corrected_toe(v, g);
}

namespace {

int16_t saturate(int32_t v) {
    return static_cast<int16_t>(std::clamp<int32_t>(v, INT16_MIN, INT16_MAX));
}

void interpolate_one(const float corner[4], float* out) {
    for (int j = 0; j < kCell; ++j) {
        const EdgeLine line(corner, j);
        for (int k = 0; k < kCell; ++k) out[j * kCell + k] = line.at(k);
    }
}

void interpolate_cell(const CellCorners& corners, CellCoords& out) {
    interpolate_one(corners.u, out.u);
    interpolate_one(corners.v, out.v);
    out.by_channel = corners.by_channel;
    out.monotone = true;
    out.corners_of_g = true;
    for (int c = 0; c < (corners.by_channel ? 3 : 1); ++c) {
        interpolate_one(corners.h[c], out.h[c]);
        std::copy_n(corners.g[c], 4, out.g_corner[c]);
    }
}

/// Weights of the samples around position t between the middle two.
void tap_weights(const Taps& taps, float t, float* w) {
    const float s = t - 0.5F;
    const float z = s * s;
    for (int p = 0; p < taps.count / 2; ++p) {
        const float* e = taps.even[p];
        const float* o = taps.odd[p];
        const float even = (e[2] * z + e[1]) * z + e[0];
        const float odd = ((o[2] * z + o[1]) * z + o[0]) * s;
        w[p] = even + odd;
        w[taps.count - 1 - p] = even - odd;
    }
}

/// The weighted sum of an even number of values, pair by pair.
template <typename Value>
float weighted(const Value& value, const float* w, int count) {
    float sum = value(0) * w[0] + value(1) * w[1];
    for (int i = 2; i < count; i += 2) sum = sum + (value(i) * w[i] + value(i + 1) * w[i + 1]);
    return sum;
}

template <typename T>
float tap(const uint8_t* row, int64_t x) {
    T value;
    std::memcpy(&value, row + x * static_cast<int64_t>(sizeof(T)), sizeof(T));
    return static_cast<float>(value);
}

/// 8-bit samples in whole numbers, bilinearly or by six taps.
float sample_bytes(const CellPlane& p, const Taps& taps, float u, float v, bool linear) {
    const auto x = static_cast<int32_t>(std::lrintf((u * p.scale_x + p.offset_x) * kPhases));
    const auto y = static_cast<int32_t>(std::lrintf((v * p.scale_y + p.offset_y) * kPhases));
    const int32_t tx = x & (kPhases - 1);
    const int32_t ty = y & (kPhases - 1);
    const uint8_t* at =
        p.origin + static_cast<int64_t>(y >> kPhaseBits) * p.stride + (x >> kPhaseBits);
    if (linear) {
        const auto line = [&](const uint8_t* s) {
            constexpr int kHalf = 1 << (kLinearLineShift - 1);
            return (s[0] * (kPhases - tx) + s[1] * tx + kHalf) >> kLinearLineShift;
        };
        return static_cast<float>(line(at) * (kPhases - ty) + line(at + p.stride) * ty) *
               kLinearScale;
    }
    constexpr int kFirst = 1 - kUsualTaps / 2;
    int16_t wx[kUsualTaps];
    int16_t wy[kUsualTaps];
    whole_weights(taps, tx, wx);
    whole_weights(taps, ty, wy);
    int32_t sum = 0;
    for (int j = 0; j < kUsualTaps; ++j) {
        const uint8_t* row = at + (j + kFirst) * p.stride + kFirst;
        int32_t line = 1 << (kLineShift - 1);
        for (int i = 0; i < kUsualTaps; ++i) line += row[i] * wx[i];
        sum += (line >> kLineShift) * wy[j];
    }
    return static_cast<float>(sum) * kWholeScale;
}

template <typename T>
float sample_plane(const CellPlane& p, const Taps& taps, float u, float v, bool linear) {
    if constexpr (sizeof(T) == 1) {
        if (linear || taps.count == kUsualTaps) return sample_bytes(p, taps, u, v, linear);
    }
    const float x = u * p.scale_x + p.offset_x;
    const float y = v * p.scale_y + p.offset_y;
    const float floor_x = std::floor(x);
    const float floor_y = std::floor(y);
    const float tx = x - floor_x;
    const float ty = y - floor_y;
    const auto ix = static_cast<int64_t>(floor_x);
    const uint8_t* row = p.origin + static_cast<int64_t>(floor_y) * p.stride;
    if (linear) {
        const float a = tap<T>(row, ix);
        const float b = tap<T>(row, ix + 1);
        const float c = tap<T>(row + p.stride, ix);
        const float d = tap<T>(row + p.stride, ix + 1);
        const float top = a + (b - a) * tx;
        const float bottom = c + (d - c) * tx;
        return top + (bottom - top) * ty;
    }
    float wx[kMostTaps];
    float wy[kMostTaps];
    tap_weights(taps, tx, wx);
    tap_weights(taps, ty, wy);
    const auto sum = [&](auto count) {
        constexpr int kCount = decltype(count)::value;
        const auto line = [&](int j) {
            const uint8_t* r = row + (j + 1 - kCount / 2) * p.stride;
            return weighted([&](int i) { return tap<T>(r, ix + i + 1 - kCount / 2); }, wx, kCount);
        };
        return weighted(line, wy, kCount);
    };
    if (taps.count == kUsualTaps) return sum(std::integral_constant<int, kUsualTaps>());
    return sum(std::integral_constant<int, kMostTaps>());
}

void store(const CellSampler& s, float value, int16_t& out) {
    const auto low = static_cast<float>(s.keep_range ? -kWorkLimit : 0);
    const auto high = static_cast<float>(s.keep_range ? kWorkLimit : kWorkWhite);
    const float scaled = std::min(std::max(value * 32.0F, low), high);
    out = static_cast<int16_t>(std::lrintf(scaled));
}

void store(const CellSampler& /*s*/, float value, float& out) { out = value; }

template <typename T, typename Out>
void sample_cell_of(const CellSampler& s, const CellCoords& coords, Out* const out[3],
                    std::ptrdiff_t stride) {
    const float unit = sizeof(T) == 1 ? 1.0F : 255.0F / 65535.0F;
    for (int j = 0; j < kCell; ++j) {
        for (int k = 0; k < kCell; ++k) {
            const int at = j * kCell + k;
            const float u = std::min(std::max(coords.u[at], s.u_low), s.u_high);
            const float v = std::min(std::max(coords.v[at], s.v_low), s.v_high);
            float c[3];
            c[0] = sample_plane<T>(s.plane[0], *s.taps, u, v, false) * unit;
            if (s.planes == 1) {
                c[1] = c[2] = c[0];
            } else {
                c[1] = sample_plane<T>(s.plane[1], *s.taps, u, v, s.chroma_linear) * unit;
                c[2] = sample_plane<T>(s.plane[2], *s.taps, u, v, s.chroma_linear) * unit;
            }
            if (s.ycc) {  // JFIF 1.02, section 7
                const float y = c[0];
                const float cb = c[1] - 128.0F;
                const float cr = c[2] - 128.0F;
                c[0] = y + 1.402F * cr;
                c[1] = (y - 0.344136F * cb) - 0.714136F * cr;
                c[2] = y + 1.772F * cb;
            }
            const float clipped = clipped_to_white(c[0], c[1], c[2], s.clip_start, s.clip_scale);
            for (int i = 0; i < 3; ++i) {
                if (s.photometric) {
                    const int light = coords.by_channel ? i : 0;
                    c[i] = corrected_value(
                        c[i], lifted_factor(coords.h[light][at] * s.gain_h[i], clipped),
                        lifted_factor(coords.g_at(light, at) * s.gain_g[i], clipped));
                }
                store(s, c[i], out[i][j * stride + k]);
            }
        }
    }
}

template <typename Out>
void sample_cell(const CellSampler& s, const CellCoords& coords, Out* r, Out* g, Out* b,
                 std::ptrdiff_t stride) {
    Out* const out[3] = {r, g, b};
    if (s.sixteen_bits) {
        sample_cell_of<uint16_t, Out>(s, coords, out, stride);
    } else {
        sample_cell_of<uint8_t, Out>(s, coords, out, stride);
    }
}

void reduce_row(const int16_t* const rows[5], int32_t* scratch, int16_t* out, int64_t n) {
    for (int64_t x = 0; x < 2 * n + 3; ++x) {
        scratch[x] = (rows[0][x] + rows[4][x]) + 4 * (rows[1][x] + rows[3][x]) + 6 * rows[2][x];
    }
    for (int64_t x = 0; x < n; ++x) {
        const int32_t* s = scratch + 2 * x;
        out[x] = static_cast<int16_t>(((s[0] + s[4]) + 4 * (s[1] + s[3]) + 6 * s[2] + 128) >> 8);
    }
}

void expand_row(const int16_t* const rows[3], bool odd, int32_t* scratch, int16_t* out,
                int64_t pairs) {
    for (int64_t x = 0; x < pairs + 2; ++x) {
        scratch[x] = odd ? 4 * (rows[1][x] + rows[2][x]) : rows[0][x] + 6 * rows[1][x] + rows[2][x];
    }
    for (int64_t i = 0; i < pairs; ++i) {
        const int32_t* s = scratch + i;
        out[2 * i] = saturate((s[0] + 6 * s[1] + s[2] + 32) >> 6);
        out[2 * i + 1] = saturate((4 * (s[1] + s[2]) + 32) >> 6);
    }
}

void accumulate_row(int16_t* acc, const int16_t* fine, const int16_t* expanded,
                    const int16_t* weight, int64_t n) {
    for (int64_t x = 0; x < n; ++x) {
        const int32_t band = saturate(fine[x] - (expanded ? expanded[x] : 0));
        const int32_t product = (band * weight[x] + 0x4000) >> 15;
        acc[x] = saturate(acc[x] - saturate(product));
    }
}

void add_row(int16_t* dst, const int16_t* src, int64_t n) {
    for (int64_t x = 0; x < n; ++x) dst[x] = saturate(dst[x] + src[x]);
}

void subtract_row(int16_t* dst, const int16_t* a, const int16_t* b, int64_t n) {
    for (int64_t x = 0; x < n; ++x) {
        dst[x] = static_cast<int16_t>(std::clamp(a[x] - b[x], -kWorkLimit, kWorkLimit));
    }
}

void reduce_float_row(const float* const rows[5], float* scratch, float* out, int64_t n) {
    for (int64_t x = 0; x < 2 * n + 3; ++x) {
        scratch[x] =
            ((rows[0][x] + rows[4][x]) + 4.0F * (rows[1][x] + rows[3][x])) + 6.0F * rows[2][x];
    }
    for (int64_t x = 0; x < n; ++x) {
        const float* s = scratch + 2 * x;
        out[x] = (((s[0] + s[4]) + 4.0F * (s[1] + s[3])) + 6.0F * s[2]) * (1.0F / 256.0F);
    }
}

void expand_float_row(const float* const rows[3], bool odd, float* scratch, float* out,
                      int64_t pairs) {
    for (int64_t x = 0; x < pairs + 2; ++x) {
        scratch[x] =
            odd ? 4.0F * (rows[1][x] + rows[2][x]) : (rows[0][x] + rows[2][x]) + 6.0F * rows[1][x];
    }
    for (int64_t i = 0; i < pairs; ++i) {
        const float* s = scratch + i;
        out[2 * i] = ((s[0] + s[2]) + 6.0F * s[1]) * (1.0F / 64.0F);
        out[2 * i + 1] = (4.0F * (s[1] + s[2])) * (1.0F / 64.0F);
    }
}

void accumulate_float_row(float* acc, const float* fine, const float* expanded, const float* weight,
                          int64_t n) {
    for (int64_t x = 0; x < n; ++x) {
        acc[x] += weight[x] * (expanded != nullptr ? fine[x] - expanded[x] : fine[x]);
    }
}

void add_float_row(float* dst, const float* src, int64_t n) {
    for (int64_t x = 0; x < n; ++x) dst[x] += src[x];
}

void subtract_float_row(float* dst, const float* a, const float* b, int64_t n) {
    for (int64_t x = 0; x < n; ++x) dst[x] = a[x] - b[x];
}

uint8_t to_byte(int16_t value, int32_t offset) {
    const int32_t rounded = (value + offset) >> kWorkShift;
    return static_cast<uint8_t>(std::clamp(rounded, 0, 255));
}

void pack_row(const int16_t* r, const int16_t* g, const int16_t* b, uint8_t* rgbx, int64_t n,
              Rounding rounding) {
    for (int64_t x = 0; x < n; ++x) {
        const auto offset =
            static_cast<int32_t>((rounding.first + static_cast<uint32_t>(x) * rounding.step) >> 27);
        rgbx[4 * x] = to_byte(r[x], offset);
        rgbx[4 * x + 1] = to_byte(g[x], offset);
        rgbx[4 * x + 2] = to_byte(b[x], offset);
        rgbx[4 * x + 3] = 255;
    }
}

uint16_t to_sixteen(float value) {
    return static_cast<uint16_t>(std::lrintf(std::min(std::max(value * 257.0F, 0.0F), 65535.0F)));
}

void pack_deep_row(const float* r, const float* g, const float* b, uint16_t* rgba, int64_t n) {
    for (int64_t x = 0; x < n; ++x) {
        rgba[4 * x] = to_sixteen(r[x]);
        rgba[4 * x + 1] = to_sixteen(g[x]);
        rgba[4 * x + 2] = to_sixteen(b[x]);
        rgba[4 * x + 3] = 65535;
    }
}

}  // namespace

const Kernels& plain_kernels() {
    static const Kernels table{"plain",
                               nullptr,
                               interpolate_cell,
                               sample_cell<int16_t>,
                               sample_cell<float>,
                               {reduce_row, expand_row, accumulate_row, add_row, subtract_row},
                               {reduce_float_row, expand_float_row, accumulate_float_row,
                                add_float_row, subtract_float_row},
                               pack_row,
                               pack_deep_row};
    return table;
}

}  // namespace broadloom
