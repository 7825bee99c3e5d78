// What the blend does at lights far above white, at deep shadows and at the frames' borders.
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <cstdlib>
#include <string>

#include "support/close_to.hpp"
#include "support/made_up_canvases.hpp"
#include "support/painted_frames.hpp"

using namespace broadloom;
using namespace broadloom::test;

namespace {

constexpr double kScale = 20;                     // pixels a degree
constexpr double kThirdStop = 1.259921049894873;  // the cube root of 2

/// Tells the figures when BROADLOOM_FIGURES is set.
void tell(const std::string& text) {
    if (std::getenv("BROADLOOM_FIGURES") != nullptr) WARN(text);
    UNSCOPED_INFO(text);
}

Canvas canvas_of_tests() { return canvas_between(Surface::sphere, -16, 16, 8, -8, kScale); }

/// Three frames whose seams run at -5 and +5 degrees; gains a third of a stop either way.
std::vector<PaintedShot> three_shots() {
    const auto all = [](double g) { return std::array<double, 3>{g, g, g}; };
    return {{-10, 0, all(kThirdStop)}, {0, 0, all(1 / kThirdStop)}, {10, 0, all(kThirdStop)}};
}

Camera camera_of_tests() { return made_up_camera(330, 340, kScale * kDegPerRad); }

/// 1 inside, 0 outside, in between over about `blur` degrees.
double inside(double distance, double blur) { return 1 / (1 + std::exp(distance / blur)); }

constexpr double kBlur = 0.05;  // a pixel: what a lens does to an edge

/// A disc's and a window's distance from their edge, degrees, negative inside.
double from_disc(double lon, double lat, double at, double radius) {
    return std::hypot(lon - at, lat) - radius;
}
double from_box(double lon, double lat, double at, double half_width, double half_height) {
    return std::max(std::abs(lon - at) - half_width, std::abs(lat) - half_height);
}

double ground(double lon, double lat) {
    return 0.22 + 0.05 * std::sin(0.9 * lon + 0.3) * std::cos(0.7 * lat) + 0.004 * lat;
}

/// A sun on the left seam and a bright window on the right one.
std::array<double, 3> lights(double lon, double lat) {
    const double sun = 60 * inside(from_disc(lon, lat, -5, 0.8), kBlur / 4);
    const double window = 5 * inside(from_box(lon, lat, 5, 1.1, 1.7), kBlur / 2);
    const double g = ground(lon, lat);
    return {g * 0.9 + sun + window, g + sun * 0.98 + window, g * 1.2 + sun * 0.9 + window * 1.1};
}

/// Their negative: a black disc and a black window in the light.
std::array<double, 3> shadows(double lon, double lat) {
    const double dark = std::max(inside(from_disc(lon, lat, -5, 0.8), kBlur),
                                 inside(from_box(lon, lat, 5, 1.1, 1.7), kBlur));
    const double g = (ground(lon, lat) + 0.2) * (1 - dark) + 0.001 * dark;
    return {g * 0.9, g, g * 1.2};
}

/// How far pixels beside the disc and the window depart from the truth, levels.
struct Departure {
    double darker = 0, brighter = 0;  ///< beside them
    double grey = 0;                  ///< inside of them
    [[nodiscard]] double largest() const { return std::max(darker, brighter); }
};

template <typename Sample>
Departure departure(const PaintedSet& set, const std::vector<Sample>& picture,
                    const std::vector<double>& truth) {
    const Canvas& canvas = set.canvas();
    const double unit = sizeof(Sample) == 1 ? 1 : 257;
    Departure d;
    for (int64_t y = 0; y < canvas.height; ++y) {
        for (int64_t x = 0; x < canvas.width; ++x) {
            const double lon = canvas.left_deg + (static_cast<double>(x) + 0.5) / kScale;
            const double lat = canvas.top_deg - (static_cast<double>(y) + 0.5) / kScale;
            const double away =
                kScale * std::min(from_disc(lon, lat, -5, 0.8), from_box(lon, lat, 5, 1.1, 1.7));
            // Edges themselves are the resampling's.
            if (std::abs(away) < 5) continue;
            const auto p = static_cast<size_t>(y * canvas.width + x);
            for (size_t c = 0; c < 3; ++c) {
                const double error = picture[4 * p + c] / unit - truth[3 * p + c];
                if (away < 0) {
                    d.grey = std::max(d.grey, std::abs(error));
                } else {
                    d.darker = std::max(d.darker, -error);
                    d.brighter = std::max(d.brighter, error);
                }
            }
        }
    }
    return d;
}

std::string figures(const std::string& name, const Departure& d) {
    return name + ": beside " + std::to_string(d.darker) + " darker, " +
           std::to_string(d.brighter) + " brighter; inside " + std::to_string(d.grey);
}

}  // namespace

TEST_CASE("a sun and a bright window across seams have no rim", "[multiband][highlights]") {
    const Kernels& kernels = kernels_for(InstructionSet::automatic);
    PaintedSet set(canvas_of_tests(), camera_of_tests(), lights, three_shots());
    const auto truth = set.truth(lights);
    for (const int bands : {3, 5, 6}) {
        const BlockOptions options{bands, 256};
        const Departure ours = departure(set, set.render(options, kernels), truth);
        const Departure deep = departure(set, set.render_deep(options, kernels), truth);
        tell(figures(std::to_string(bands) + " bands", ours));
        tell(figures("deep", deep));
        for (FrameSampler& s : set.samplers) s.clip_start = 1e6F;
        const Departure unlifted = departure(set, set.render(options, kernels), truth);
        for (FrameSampler& s : set.samplers) s.keep_range = true;
        const Departure unlimited = departure(set, set.render(options, kernels), truth);
        for (FrameSampler& s : set.samplers) s.clip_start = kClipStart;
        const Departure lifted = departure(set, set.render(options, kernels), truth);
        for (FrameSampler& s : set.samplers) s.keep_range = false;
        tell(figures("not lifted", unlifted));
        tell(figures("neither", unlimited));
        tell(figures("not limited", lifted));
        // Half a level of the frames' rounding times 1.1, one of the dither, and the noise of
        // resampling; in 16 bits without the dither.
        CHECK(ours.largest() < 2.5);
        CHECK(ours.grey < 1.5);
        CHECK(deep.largest() < 1.2);
        CHECK(deep.grey < 0.5);
        // Without the lift half of the sun is grey, without the limit it rings.
        CHECK(unlifted.grey > 15);
        if (bands >= 5) {
            CHECK(unlifted.largest() > 3.5);
            CHECK(lifted.largest() > 3.5);
            CHECK(unlimited.largest() > 6);
        }
    }
}

TEST_CASE("only what is clipped is lifted, and never above what it was", "[highlights]") {
    CHECK(clipped_to_white(247, 247, 247) == 0);
    CHECK(clipped_to_white(255, 254, 253) == 1);
    CHECK(clipped_to_white(255, 255, 100) == 0);
    CHECK(clipped_to_white(255, 250, 255) == broadloom::testing::close_to(0.5).margin(1e-6));
    for (const float factor : {0.25F, 0.8F, 1.0F, 1.7F}) {
        CHECK(lifted_factor(factor, 0) == factor);
        CHECK(lifted_factor(factor, 1) == std::max(factor, 1.0F));
        CHECK(lifted_factor(factor, 0.5F) >= factor);
    }
}

TEST_CASE("deep shadows across seams have no rim", "[multiband][highlights]") {
    const Kernels& kernels = kernels_for(InstructionSet::automatic);
    const PaintedSet right(canvas_of_tests(), camera_of_tests(), shadows, three_shots());
    const auto truth = right.truth(shadows);
    // The middle frame's exposure misjudged by 5 %: it comes out too dark.
    std::vector<PaintedShot> shots = three_shots();
    for (const double g : shots[1].gain) shots[1].true_gain = {1.05 * g, 1.05 * g, 1.05 * g};
    const PaintedSet wrong(canvas_of_tests(), camera_of_tests(), shadows, shots);
    // Of the ground's lightest 0.57: 1.05^(1/2.4) on the encoded scale.
    const double apart = (255 * 0.78 + 14) * (1 - std::pow(1.05, -1 / 2.4));
    for (const int bands : {3, 5, 6}) {
        const BlockOptions options{bands, 256};
        const Departure exact = departure(right, right.render(options, kernels), truth);
        tell(figures(std::to_string(bands) + " bands", exact));
        CHECK(exact.largest() < 2.2);
        CHECK(exact.grey < 2.2);
        const Departure ours = departure(wrong, wrong.render(options, kernels), truth);
        tell(figures("misjudged, apart by " + std::to_string(apart), ours));
        // Darker by what the frame is too dark, but no ring: nothing is brighter than the truth,
        // and the light does not reach into the shadow.
        CHECK(ours.darker < apart + 2.2);
        CHECK(ours.darker > apart / 2);
        CHECK(ours.brighter < 2.2);
        CHECK(ours.grey < 3.5);
    }
}
