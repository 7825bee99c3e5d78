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

inline float ColourStage::Curve::at(float value) const {
    const float x = (value < 0 ? -value : value) * (steps * (1.0F / 255.0F));
    // Written so that a NaN stays within the table, too.
    const auto i = static_cast<size_t>(x < steps ? x : steps);
    const Chord& chord = chords[i];
    const float linear = chord.start + chord.slope * (x - static_cast<float>(i));
    return value < 0 ? -linear : linear;
}

void ColourStage::apply(const CellSampler& sampler, const CellCoords& coords, bool photometric,
                        float* r, float* g, float* b, std::ptrdiff_t stride) const {
    if (side_ > 0) {
        convert_table(r, g, b, stride);
        return;
    }
    const SrgbLight& light = SrgbLight::tables();
    const std::array<float, 9>& m = matrix_;
    const Curve& curve_r = curves_[curve_of_[0]];
    const Curve& curve_g = curves_[curve_of_[1]];
    const Curve& curve_b = curves_[curve_of_[2]];
    const float* light_r = coords.g[0];
    const float* light_g = coords.g[coords.by_channel ? 1 : 0];
    const float* light_b = coords.g[coords.by_channel ? 2 : 0];
    constexpr float kUnit = 255.0F / 65535.0F;
    for (int j = 0; j < kCell; ++j) {
        float* row_r = r + j * stride;
        float* row_g = g + j * stride;
        float* row_b = b + j * stride;
        for (int i = 0; i < kCell; ++i) {
            float lr = curve_r.at(row_r[i]);
            float lg = curve_g.at(row_g[i]);
            float lb = curve_b.at(row_b[i]);
            if (photometric) {
                const int at = j * kCell + i;
                lr *= light_r[at] * sampler.gain_g[0];
                lg *= light_g[at] * sampler.gain_g[1];
                lb *= light_b[at] * sampler.gain_g[2];
            }
            row_r[i] = light.to_code_unlimited((m[0] * lr + m[1] * lg) + m[2] * lb) * kUnit;
            row_g[i] = light.to_code_unlimited((m[3] * lr + m[4] * lg) + m[5] * lb) * kUnit;
            row_b[i] = light.to_code_unlimited((m[6] * lr + m[7] * lg) + m[8] * lb) * kUnit;
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
