#include "match/convert_colours.hpp"

#include <algorithm>
#include <cmath>

namespace broadloom {

void convert_colours(const ColourStage& stage, ColourImage& image) {
    constexpr float kUnit = 255.0F / 65535.0F;
    const CellSampler sampler;  // the light is not corrected here, so these stay unread
    const CellCoords coords{};
    const size_t pixels = image.pixels.size() / 3;
    alignas(64) float value[3][kCellArea];
    for (size_t from = 0; from < pixels; from += kCellArea) {
        const size_t n = std::min<size_t>(kCellArea, pixels - from);
        uint16_t* pixel = image.pixels.data() + 3 * from;
        for (size_t c = 0; c < 3; ++c) {
            std::fill(value[c] + n, value[c] + kCellArea, 0.0F);
            for (size_t i = 0; i < n; ++i) {
                value[c][i] = static_cast<float>(pixel[3 * i + c]) * kUnit;
            }
        }
        stage.apply(sampler, coords, false, value[0], value[1], value[2], kCell);
        for (size_t c = 0; c < 3; ++c) {
            for (size_t i = 0; i < n; ++i) {
                const float code = std::clamp(value[c][i] * 257.0F, 0.0F, 65535.0F);
                pixel[3 * i + c] = static_cast<uint16_t>(std::lrintf(code));
            }
        }
    }
}

}  // namespace broadloom
