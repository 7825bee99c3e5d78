// Levels survive: smooth gradients come out without bands, 16-bit values without loss.
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <cstdlib>
#include <cstring>
#include <set>
#include <string>

#include "blend/block.hpp"
#include "broadloom/photometry.hpp"
#include "canvas/frame_index.hpp"
#include "support/made_up_canvases.hpp"
#include "support/painted_frames.hpp"

using namespace broadloom;
using namespace broadloom::test;

namespace {

constexpr double kScale = 20;  // pixels a degree

/// Tells the figures when BROADLOOM_FIGURES is set.
void tell(const std::string& text) {
    if (std::getenv("BROADLOOM_FIGURES") != nullptr) WARN(text);
    UNSCOPED_INFO(text);
}

Canvas canvas_of_tests() { return canvas_between(Surface::sphere, -16, 16, 8, -8, kScale); }
Camera camera_of_tests() { return made_up_camera(330, 340, kScale * kDegPerRad); }

/// A sky: encoded green rises from 90 to 130 across the canvas and by 6 down it.
std::array<double, 3> sky(double lon, double lat) {
    const double v = 110 + 20 * lon / 16 - 3 * lat / 8;
    return {srgb_decode(0.8 * v / 255), srgb_decode(v / 255), srgb_decode(1.2 * v / 255)};
}

std::vector<PaintedShot> shots_of(double left, double middle, double right) {
    const auto all = [](double g) { return std::array<double, 3>{g, g, g}; };
    return {{-10, 0, all(left)}, {0, 0, all(middle)}, {10, 0, all(right)}};
}

BlockOptions options(bool dither) {
    BlockOptions o;
    o.core = 256;
    o.dither = dither;
    return o;
}

/// The least filled bin of a channel from the fifth lowest to the fifth highest level, as a share
/// of the mean.
double emptiest_bin(const std::vector<uint8_t>& picture, size_t channel) {
    std::array<double, 256> bins{};
    for (size_t p = channel; p < picture.size(); p += 4) ++bins[picture[p]];
    size_t low = 0;
    size_t high = 255;
    while (bins[low] == 0) ++low;
    while (bins[high] == 0) --high;
    low += 5;
    high -= 5;
    double sum = 0;
    double least = 1e9;
    for (size_t v = low; v <= high; ++v) {
        sum += bins[v];
        least = std::min(least, bins[v]);
    }
    return least * static_cast<double>(high - low + 1) / sum;
}

/// The largest mean error of any 8x8 block, levels: a band is a step of the mean.
double worst_block(const std::vector<uint8_t>& picture, const std::vector<double>& truth,
                   const Canvas& canvas) {
    double worst = 0;
    for (int64_t y = 0; y + 8 <= canvas.height; y += 8) {
        for (int64_t x = 0; x + 8 <= canvas.width; x += 8) {
            for (size_t c = 0; c < 3; ++c) {
                double sum = 0;
                for (int64_t i = 0; i < 64; ++i) {
                    const auto p = static_cast<size_t>((y + i / 8) * canvas.width + x + i % 8);
                    sum += picture[4 * p + c] - truth[3 * p + c];
                }
                worst = std::max(worst, std::abs(sum / 64));
            }
        }
    }
    return worst;
}

}  // namespace

TEST_CASE("8-bit frames that are made lighter leave no comb in a sky's histogram", "[levels]") {
    const Kernels& kernels = kernels_for(InstructionSet::automatic);
    const PaintedSet set(canvas_of_tests(), camera_of_tests(), sky, shots_of(1.4, 1.3, 1.4));
    const std::vector<uint8_t> dithered = set.render(options(true), kernels);
    const std::vector<uint8_t> rounded = set.render(options(false), kernels);
    for (size_t c = 0; c < 3; ++c) {
        tell("channel " + std::to_string(c) + ": emptiest bin " +
             std::to_string(emptiest_bin(dithered, c)) + " of the mean, rounded " +
             std::to_string(emptiest_bin(rounded, c)));
        CHECK(emptiest_bin(dithered, c) > 0.5);
        CHECK(emptiest_bin(rounded, c) < 0.3);  // negative control
    }
}

TEST_CASE("a smooth sky of 16-bit frames has no bands in 8-bit pixels", "[levels]") {
    const Kernels& kernels = kernels_for(InstructionSet::automatic);
    const PaintedSet set(canvas_of_tests(), camera_of_tests(), sky, shots_of(1.1, 0.9, 1.05), true);
    const std::vector<double> truth = set.truth(sky);
    const double dithered = worst_block(set.render(options(true), kernels), truth, set.canvas());
    const double rounded = worst_block(set.render(options(false), kernels), truth, set.canvas());
    tell("worst mean of 8x8 pixels: " + std::to_string(dithered) + " levels, rounded " +
         std::to_string(rounded));
    CHECK(dithered < 0.1);
    CHECK(rounded > 0.2);  // negative control
}

TEST_CASE("whole levels are not dithered, and the dither's mean is right", "[levels]") {
    const Kernels& k = kernels_for(InstructionSet::automatic);
    constexpr int64_t kSide = 256;
    std::vector<uint8_t> row(4 * kSide);
    int64_t changed = 0;
    for (int level = 0; level < 256; ++level) {
        const std::vector<int16_t> flat(kSide, static_cast<int16_t>(level * 32));
        k.pack_row(flat.data(), flat.data(), flat.data(), row.data(), kSide,
                   Rounding::dithered(level * 17, level));
        for (size_t i = 0; i < row.size(); i += 4) changed += row[i] != level ? 1 : 0;
    }
    CHECK(changed == 0);
    for (int fraction = 1; fraction < 32; ++fraction) {
        const std::vector<int16_t> flat(kSide, static_cast<int16_t>(100 * 32 + fraction));
        int64_t sum = 0;
        for (int64_t y = 0; y < kSide; ++y) {
            k.pack_row(flat.data(), flat.data(), flat.data(), row.data(), kSide,
                       Rounding::dithered(1000, y));
            for (size_t i = 0; i < row.size(); i += 4) sum += row[i] - 100;
        }
        const double mean = static_cast<double>(sum) / (kSide * kSide);
        CHECK(std::abs(mean - fraction / 32.0) < 0.001);
    }
}

TEST_CASE("a ramp of all 16-bit values comes back from an almost-identity render", "[levels]") {
    // A focal length of 10^6 px: canvas and frame pixels coincide to 1e-6 px.
    constexpr int64_t kSide = 256;
    constexpr int64_t kBorder = 24;
    constexpr int64_t kFrame = kSide + 2 * kBorder;
    const Camera camera = made_up_camera(kFrame, kFrame, 1e6);
    const double scale = 1e6 * kRadPerDeg;
    const double half = kSide / 2.0 / scale;
    const Canvas canvas = canvas_between(Surface::sphere, -half, half, half, -half, scale);
    REQUIRE(canvas.width == kSide);
    REQUIRE(canvas.height == kSide);
    const auto value = [](int64_t x, int64_t y) {  // columns wave so that the ramp is smooth
        const int64_t column = std::clamp<int64_t>(x - kBorder, 0, kSide - 1);
        const int64_t row = std::clamp<int64_t>(y - kBorder, 0, kSide - 1);
        return static_cast<uint16_t>(row * kSide + (row % 2 == 0 ? column : kSide - 1 - column));
    };
    std::vector<uint8_t> plane(static_cast<size_t>((kFrame + 16) * (kFrame + 8) * 2));
    const int64_t stride = (kFrame + 16) * 2;
    for (int64_t y = -4; y < kFrame + 4; ++y) {
        for (int64_t x = -4; x < kFrame + 4; ++x) {
            const uint16_t v =
                value(std::clamp<int64_t>(x, 0, kFrame - 1), std::clamp<int64_t>(y, 0, kFrame - 1));
            std::memcpy(plane.data() + (y + 4) * stride + (x + 4) * 2, &v, 2);
        }
    }
    FrameSampler sampler;
    sampler.planes = 1;
    sampler.sixteen_bits = true;
    sampler.width = sampler.height = kFrame;
    sampler.plane[0] = {plane.data() + 4 * stride + 8, stride, 1, 1};
    Frame frame;
    frame.yaw_deg = frame.pitch_deg = 0;
    const std::vector<FrameGeometry> geometry{{camera, frame, 1}};
    const Rect all{0, 0, kSide, kSide};
    const RegionMaps maps(canvas, cells_of(all), geometry, {0});
    const Kernels& kernels = kernels_for(InstructionSet::automatic);
    const LabelRegion labels = NearestCentreLabels().label(maps, kernels);
    const FrameSampler* samplers[1] = {&sampler};
    BlockRenderer renderer(canvas, options(true), kernels);
    std::vector<uint16_t> deep(4 * kSide * kSide);
    renderer.render_deep(all, maps, labels, samplers, deep.data(), 4 * kSide);
    int64_t worst = 0;
    int64_t covered = 0;
    std::set<uint16_t> seen;
    for (int64_t y = 0; y < kSide; ++y) {
        for (int64_t x = 0; x < kSide; ++x) {
            const uint16_t* p = &deep[4 * static_cast<size_t>(y * kSide + x)];
            seen.insert(p[1]);
            covered += p[3] == 65535 ? 1 : 0;
            worst =
                std::max<int64_t>(worst, std::abs(int64_t{p[1]} - value(x + kBorder, y + kBorder)));
        }
    }
    tell(std::to_string(seen.size()) + " values, at most " + std::to_string(worst) + " off");
    CHECK(covered == kSide * kSide);
    CHECK(worst <= 1);
    CHECK(seen.size() >= 60000);
    // Negative control: the 16-bit working values of 8-bit pictures keep an eighth of them.
    CellCoords coords;
    int64_t origin_x = 0;
    int64_t origin_y = 0;
    std::set<int16_t> coarse;
    for (int64_t cy = 0; cy < kSide / kCell; ++cy) {
        for (int64_t cx = 0; cx < kSide / kCell; ++cx) {
            maps.map(0).coordinates(cx, cy, kernels, coords, origin_x, origin_y);
            int16_t out[3][kCellArea];
            kernels.sample_cell(sampler.cell(origin_x, origin_y), coords, out[0], out[1], out[2],
                                kCell);
            coarse.insert(out[0], out[0] + kCellArea);
        }
    }
    CHECK(coarse.size() <= 8161);
}
