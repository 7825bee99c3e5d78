#include "image/colour_stage.hpp"

#include <algorithm>
#include <cmath>

#include "image/srgb_light.hpp"

namespace broadloom {

namespace {

// CIE 15:2004, 8.2.1.
constexpr double kLightnessToe = 6.0 / 29.0;
constexpr double kLightnessSlope = 3 * kLightnessToe * kLightnessToe;
constexpr double kLightnessOffset = 4.0 / 29.0;

float from_lightness_code(float f) {
    if (f > static_cast<float>(kLightnessToe)) return (f * f) * f;
    return (f - static_cast<float>(kLightnessOffset)) * static_cast<float>(kLightnessSlope);
}

}  // namespace

double lightness_code(double relative) {
    constexpr double kEnd = kLightnessToe * kLightnessToe * kLightnessToe;
    return relative > kEnd ? std::cbrt(relative) : relative / kLightnessSlope + kLightnessOffset;
}

std::vector<float> srgb_decode_curve() {
    // Chords of a 4096th are off by 5e-9 at most, less than the encoded value's 1/65536 can tell.
    constexpr size_t kPoints = 4097;
    std::vector<float> points(kPoints);
    for (size_t i = 0; i < kPoints; ++i) {
        const double v = static_cast<double>(i) / (kPoints - 1);
        points[i] =
            static_cast<float>(v <= 0.04045 ? v / 12.92 : std::pow((v + 0.055) / 1.055, 2.4));
    }
    return points;
}

ColourStage::ColourStage(const ColourConversion& conversion)
    : side_(conversion.side), table_(conversion.table) {
    std::transform(conversion.matrix.begin(), conversion.matrix.end(), matrix_.begin(),
                   [](double v) { return static_cast<float>(v); });
    if (side_ > 0) return;
    for (size_t c = 0; c < 3; ++c) {
        const std::vector<float>& points = conversion.decode[c];
        for (size_t earlier = 0; earlier < c && curve_of_[c] == c; ++earlier) {
            if (conversion.decode[earlier] == points) curve_of_[c] = earlier;
        }
        if (curve_of_[c] != c) continue;
        Curve& curve = curves_[c];
        curve.steps = static_cast<float>(points.size() - 1);
        curve.chords.reserve(points.size());
        for (size_t i = 0; i + 1 < points.size(); ++i) {
            curve.chords.push_back({points[i], points[i + 1] - points[i]});
        }
        // Above 1 the curve goes on as it ends.
        curve.chords.push_back({points.back(), curve.chords.back().slope});
    }
}

void ColourStage::Curve::decode(float* value) const {
    const float scale = steps * (1.0F / 255.0F);
    for (int i = 0; i < kCellArea; ++i) {
        const float x = std::abs(value[i]) * scale;
        // Written so that a NaN stays within the table, too.
        const auto step = static_cast<int32_t>(x < steps ? x : steps);
        const Chord& chord = chords[static_cast<size_t>(step)];
        const float linear = chord.start + chord.slope * (x - static_cast<float>(step));
        value[i] = std::copysign(linear, value[i]);
    }
}

void ColourStage::apply(const CellSampler& sampler, const CellCoords& coords, bool photometric,
                        float* r, float* g, float* b, std::ptrdiff_t stride) const {
    if (side_ > 0) {
        convert_table(r, g, b, stride);
        return;
    }
    float* const value[3] = {r, g, b};
    alignas(64) float light[3][kCellArea];
    alignas(64) float clipped[kCellArea];
    for (size_t c = 0; c < 3; ++c) {
        for (int j = 0; j < kCell; ++j) {
            std::copy_n(value[c] + j * stride, kCell, light[c] + j * kCell);
        }
    }
    if (photometric) {
        for (int i = 0; i < kCellArea; ++i) {
            clipped[i] = clipped_to_white(light[0][i], light[1][i], light[2][i], sampler.clip_start,
                                          sampler.clip_scale);
        }
    }
    for (size_t c = 0; c < 3; ++c) {
        curves_[curve_of_[c]].decode(light[c]);
        if (!photometric) continue;
        const int by = coords.by_channel ? static_cast<int>(c) : 0;
        for (int i = 0; i < kCellArea; ++i) {
            light[c][i] *= lifted_factor(coords.g_at(by, i) * sampler.gain_g[c], clipped[i]);
        }
    }
    const SrgbLight& curve = SrgbLight::tables();
    constexpr float kUnit = 255.0F / 65535.0F;
    for (size_t c = 0; c < 3; ++c) {
        const float* m = &matrix_[3 * c];
        for (int j = 0; j < kCell; ++j) {
            float* row = value[c] + j * stride;
            for (int i = 0; i < kCell; ++i) {
                const int at = j * kCell + i;
                const float linear =
                    (m[0] * light[0][at] + m[1] * light[1][at]) + m[2] * light[2][at];
                row[i] = curve.to_code_unlimited(linear) * kUnit;
            }
        }
    }
}

/// Tetrahedral interpolation: each cube of the lattice is six tetrahedra along its diagonal, so
/// that greys are interpolated between greys.
void ColourStage::convert_table(float* r, float* g, float* b, std::ptrdiff_t stride) const {
    const SrgbLight& light = SrgbLight::tables();
    const std::array<float, 9>& m = matrix_;
    constexpr float kUnit = 255.0F / 65535.0F;
    const auto last = static_cast<float>(side_ - 1);
    const float scale = last * (1.0F / 255.0F);
    const size_t step[3] = {static_cast<size_t>(side_) * static_cast<size_t>(side_) * 3,
                            static_cast<size_t>(side_) * 3, 3};
    for (int j = 0; j < kCell; ++j) {
        for (int i = 0; i < kCell; ++i) {
            float* value[3] = {r + j * stride + i, g + j * stride + i, b + j * stride + i};
            float rest[3];
            float beyond[3];
            size_t node = 0;
            for (int c = 0; c < 3; ++c) {
                const float inside = std::min(std::max(*value[c], 0.0F), 255.0F);
                beyond[c] = *value[c] - inside;  // goes on with slope one
                const float x = inside * scale;
                const float cell = std::min(std::floor(x), last - 1.0F);
                rest[c] = x - cell;
                node += static_cast<size_t>(cell) * step[c];
            }
            // From the cube's low corner along the axes, the largest rest first.
            int order[3] = {0, 1, 2};
            if (rest[order[0]] < rest[order[1]]) std::swap(order[0], order[1]);
            if (rest[order[1]] < rest[order[2]]) std::swap(order[1], order[2]);
            if (rest[order[0]] < rest[order[1]]) std::swap(order[0], order[1]);
            float out[3];
            const float* from = &table_[node];
            for (int c = 0; c < 3; ++c) out[c] = from[c];
            for (const int axis : order) {
                const float* to = from + step[axis];
                for (int c = 0; c < 3; ++c) out[c] += (to[c] - from[c]) * rest[axis];
                from = to;
            }
            for (float& v : out) v = from_lightness_code(v);
            for (size_t c = 0; c < 3; ++c) {
                const float linear =
                    (m[3 * c] * out[0] + m[3 * c + 1] * out[1]) + m[3 * c + 2] * out[2];
                *value[c] = light.to_code_unlimited(linear) * kUnit + beyond[c];
            }
        }
    }
}

size_t ColourStage::bytes() const {
    size_t sum = sizeof *this + table_.size() * sizeof(float);
    for (const Curve& c : curves_) sum += c.chords.size() * sizeof(Curve::Chord);
    return sum;
}

}  // namespace broadloom
