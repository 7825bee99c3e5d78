#include "settle/seam_costs.hpp"

#include <cmath>
#include <vector>

#include "image/kernels.hpp"

namespace broadloom {

namespace {

/// Every fourth pixel of every fourth row tells enough.
constexpr int64_t kStep = 4;
/// The offset is taken out up to here, levels: beyond, something that fills most of the overlap
/// differs, not the exposure.
constexpr int kMostOffset = 8;
constexpr size_t kLevels = 256;
constexpr int kMostLevel = 256;

/// The value below which half of the counted ones lie.
template <size_t kSize>
int median_of(const std::array<int64_t, kSize>& counts) {
    int64_t total = 0;
    for (const int64_t c : counts) total += c;
    int64_t below = 0;
    for (size_t i = 0; i < kSize; ++i) {
        below += counts[i];
        if (2 * below >= total) return static_cast<int>(i);
    }
    return 0;
}

}  // namespace

PairTone measure_pair(const FrameView& a, const FrameView& b, const Rect& common,
                      const CanvasSpan& span, const SeamOptions& options) {
    struct Sample {
        int64_t ia, ib;
    };
    std::vector<Sample> samples;
    std::array<std::array<int64_t, 2 * kLevels + 1>, 3> counts{};
    for (int64_t y = common.y0; y < common.y1; y += kStep) {
        for (int64_t x = common.x0; x < common.x1; x += kStep) {
            const int64_t wx = span.wraps ? x - floor_div(x, span.width) * span.width : x;
            const int64_t ia = a.at(wx, y);
            const int64_t ib = b.at(wx, y);
            if (ia < 0 || ib < 0) continue;
            samples.push_back({ia, ib});
            for (size_t c = 0; c < 3; ++c) {
                const int d =
                    (a.value(c, ia) - b.value(c, ib) + (1 << (kWorkShift - 1))) >> kWorkShift;
                const int64_t bin = int64_t{kMostLevel} + std::clamp(d, -kMostLevel, kMostLevel);
                ++counts[c][static_cast<size_t>(bin)];
            }
        }
    }
    PairTone tone;
    double noise = options.least_noise;
    if (!samples.empty()) {
        for (size_t c = 0; c < 3; ++c) {
            tone.offset[c] =
                std::clamp(median_of(counts[c]) - kMostLevel, -kMostOffset, kMostOffset) *
                (1 << kWorkShift);
        }
        constexpr size_t kParts = 4;  // of a level
        std::array<int64_t, kLevels * kParts> sizes{};
        for (const Sample& s : samples) {
            const float d = std::sqrt(squared_difference(a, s.ia, b, s.ib, tone.offset)) *
                            static_cast<float>(kParts) / (1 << kWorkShift);
            ++sizes[std::min(static_cast<size_t>(d), kLevels * kParts - 1)];
        }
        noise = (median_of(sizes) + 0.5) / static_cast<double>(kParts);
    }
    noise = std::clamp(noise, options.least_noise, options.most_noise) * (1 << kWorkShift);
    tone.scale = static_cast<float>(1 / (4 * noise * noise));
    return tone;
}

}  // namespace broadloom
