#include "render/agreement.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdlib>

namespace broadloom {

Apart how_far_apart(const PictureView& a, const PictureView& b) {
    constexpr int64_t kBlock = 8;
    constexpr int64_t kLeast = 16;  // pixels of a cut block whose mean says anything
    Apart apart;
    int64_t sum = 0;
    double blocks = 0;
    for (int64_t y0 = 0; y0 < a.height; y0 += kBlock) {
        const int64_t y1 = std::min(y0 + kBlock, a.height);
        for (int64_t x0 = 0; x0 < a.width; x0 += kBlock) {
            const int64_t x1 = std::min(x0 + kBlock, a.width);
            std::array<int, 3> mean{};
            for (int64_t y = y0; y < y1; ++y) {
                const uint8_t* p = a.data + y * a.stride + 4 * x0;
                const uint8_t* q = b.data + y * b.stride + 4 * x0;
                for (int64_t x = x0; x < x1; ++x, p += 4, q += 4) {
                    std::array<int, 3> d{};
                    for (size_t c = 0; c < 3; ++c) {
                        d[c] = p[c] - q[c];
                        mean[c] += d[c];
                    }
                    // ITU-R BT.601's luma in 1/256, as JFIF has it.
                    sum += std::abs(77 * d[0] + 150 * d[1] + 29 * d[2]);
                }
            }
            const int64_t pixels = (y1 - y0) * (x1 - x0);
            if (pixels < kLeast) continue;
            int largest = 0;
            for (const int m : mean) largest = std::max(largest, std::abs(m));
            const double difference = static_cast<double>(largest) / static_cast<double>(pixels);
            apart.block = std::max(apart.block, difference);
            blocks += difference;
            ++apart.counted;
        }
    }
    if (apart.counted > 0) apart.blocks = blocks / static_cast<double>(apart.counted);
    apart.mean = static_cast<double>(sum) / static_cast<double>(256 * a.width * a.height);
    return apart;
}

bool agree(const Apart& apart, const JpegSteps& a, const JpegSteps& b) {
    const auto step = [](int x, int y) { return static_cast<double>(std::max(x, y)); };
    const double luma = step(a.luma, b.luma);
    const double chroma = step(a.chroma, b.chroma);
    // Measured on 14 photographs at qualities 100 to 10, shrunk by half: blocks were 0.6 apart in
    // the mean at quality 100 (steps of 1), 1 at 90 (3), 1.8 at 75 (8), 2.9 at 50 (16), 10 at 10
    // (80); neighbouring tiles, the most alike of them, 5.5. Single blocks were 10 apart at 90,
    // where bright colours meet and chroma is halved, and 41 at 10. Lumas were 0.5, 3.6, 6.6, 10
    // and 15 apart. On made-up pictures of bright waves 48, 20 and 6 blocks were 3.2, 3.4 and 5.4
    // apart at quality 90.
    const double few =
        apart.counted > 0 ? 1 + 3 / std::sqrt(static_cast<double>(apart.counted)) : 1;
    return apart.mean <= 4 + 1.5 * luma && apart.block <= 24 + 0.6 * (luma + chroma) &&
           apart.blocks <= (3 + 0.2 * luma) * few;
}

}  // namespace broadloom
